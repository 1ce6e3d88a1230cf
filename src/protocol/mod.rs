//! The control protocol: requests and replies, event lines, the socket they go through, and the client.

pub mod call;
pub mod client;
pub mod event;
pub mod json;
mod refused;
pub mod reply;
pub mod request;
pub mod socket;
pub mod subscribers;
pub mod wire;
