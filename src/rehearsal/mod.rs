//! A simulated bench scale and a simulated pair of hands.
//!
//! Nothing here is a stand-in for the daemon's own code: the other end reads real bytes, in virtual
//! time ([`stage::Stage`]) or over a real pty ([`pty`]). Everything but [`pty`] takes time as an
//! argument and is deterministic from its seed. The true masses are known to the nanogram
//! ([`truth::Truth`]), so that a test can hold each recorded weight against what really lies in the vessel.

mod acts;
mod answer;
mod decide;
pub mod demo;
pub mod filter;
pub mod habits;
pub mod hands;
pub mod lines;
pub mod literal;
mod mishap;
pub mod pan;
pub mod pour;
pub mod pty;
pub mod scale;
pub mod season;
mod set_down;
pub mod stage;
pub mod table;
pub mod tasks;
pub mod trial;
pub mod truth;

pub use demo::demo_stage;
pub use filter::{Creep, Filter};
pub use habits::{Chances, Fault, Habits};
pub use lines::LineShape;
pub use scale::{Key, SimScale, SimScaleSpec};
pub use stage::{Stage, StageOutput, StageSpec};
pub use truth::Truth;
