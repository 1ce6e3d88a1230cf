//! `bismar page`: where the page for a browser is, with the key that opens it.

use clap::Args;

use super::{Exit, Failure, Outcome, print};
use crate::display::address_file;
use crate::protocol::client::Client;
use crate::protocol::socket;

#[derive(Debug, Args)]
pub struct PageArgs {}

pub fn run(_: &PageArgs) -> Outcome {
    // Without a daemon the address that is there is an old one; and one that has just begun answers when
    // its page has a place.
    Client::connect()?.status()?;
    let path = address_file(&socket::default_path()?);
    match std::fs::read_to_string(&path) {
        Ok(address) => {
            print(&address)?;
            Ok(Exit::Done)
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Err(Failure::failed(
            "the page is off, or could not be served",
        )
        .remedy(
            "write [page] and on = true into ~/.config/bismar/config.toml and start the daemon anew; \
             its log says why it is not there",
        )),
        Err(error) => Err(Failure::failed(format!("{}: {error}", path.display()))),
    }
}
