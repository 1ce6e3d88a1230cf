//! `bismar page`: where the page for a browser is, with the key that opens it.

use clap::Args;
use qrcode::QrCode;
use qrcode::render::unicode::Dense1x2;

use super::{Exit, Failure, Outcome, print, tell, write};
use crate::display::{READABLE, Reach, address_file};
use crate::protocol::client::Client;
use crate::protocol::socket;

#[derive(Debug, Args)]
pub struct PageArgs {
    /// Show it as a QR code as well, for the camera of a tablet or phone
    #[arg(long)]
    qr: bool,
}

pub fn run(args: &PageArgs) -> Outcome {
    // Without a daemon the address that is there is an old one; and one that has just begun answers when
    // its page has a place.
    Client::connect()?.status()?;
    let path = address_file(&socket::default_path()?);
    match std::fs::read_to_string(&path) {
        Ok(address) => {
            print(&address)?;
            let address = address.trim();
            if args.qr {
                // Its colours are of our own making.
                write(code(address)?.as_bytes())?;
            }
            match Reach::of(address) {
                Reach::Here if args.qr => tell(
                    "A tablet does not reach this address, which is this machine's own: [page] in the \
                     configuration says how to give it another."
                ),
                Reach::Readable => tell(&format!("{READABLE}.")),
                Reach::Here | Reach::Encrypted => {}
            }
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

/// The address in black and white squares (ISO/IEC 18004), dark on light with the quiet zone around it, for a
/// terminal of any colours.
fn code(address: &str) -> Result<String, Failure> {
    let code = QrCode::new(address)
        .map_err(|error| Failure::failed(format!("no code of this address: {error}")))?;
    let image = code
        .render::<Dense1x2>()
        .dark_color(Dense1x2::Dark)
        .light_color(Dense1x2::Light)
        .build();
    let line = |line: &str| format!("\u{1b}[30;47m{line}\u{1b}[0m\n");
    Ok(image.lines().map(line).collect())
}
