//! `bismar page`: where the page for a browser is, with the key that opens it, or with a pass for a tablet; or the
//! page itself, opened.

mod open;

use clap::Args;
use qrcode::QrCode;
use qrcode::render::unicode::Dense1x2;

use super::{Exit, Failure, Outcome, print, said, tell, write};
use crate::display::{READABLE, Reach, address_file};
use crate::language::phrase;
use crate::protocol::client::{Client, ClientError};
use crate::protocol::reply::Pass;
use crate::protocol::socket;

#[derive(Debug, Args)]
pub struct PageArgs {
    /// Show a QR code for the camera of a tablet or phone, that lets it in once, within five minutes
    #[arg(long)]
    qr: bool,
    /// Turn the page on, start the service, and open the page in the browser, let in already
    #[arg(long, conflicts_with = "qr")]
    open: bool,
    /// The page with all benches of the workshop, that `bismar gather` serves on this machine
    #[arg(long)]
    benches: bool,
}

/// # Errors
/// What is told to the person, with its remedy and exit code.
pub fn run(args: &PageArgs) -> Outcome {
    if args.benches {
        return of_all_benches(args);
    }
    if args.open {
        return open::run();
    }
    // Without a daemon the address that is there is an old one; and one that has just begun answers when
    // its page has a place.
    let mut client = Client::connect()?;
    if args.qr {
        return with_code(&client.pass()?);
    }
    client.status()?;
    let path = address_file(&socket::default_path()?);
    match std::fs::read_to_string(&path) {
        Ok(address) => {
            print(&address)?;
            warn(&address);
            Ok(Exit::Done)
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Err(Failure::failed(phrase!(
            "the page is off, or could not be served"
        ))
        .remedy(phrase!(
            "write [page] and on = true into ~/.config/bismar/config.toml and start the daemon anew; its log says why it \
             is not there"
        ))),
        Err(error) => Err(Failure::of_file(&path, error)),
    }
}

/// The page that a gatherer serves, which is neither turned on nor started by this.
fn of_all_benches(args: &PageArgs) -> Outcome {
    let socket = socket::gather_path()?;
    let none = |error| {
        match error {
        ClientError::NoDaemon => Failure::failed(phrase!("no `bismar gather` serves a page here"))
            .remedy(phrase!(
                "write page.on = true under [workshop] and start `bismar gather` anew; its log says why it is \
                 not there"
            )),
        other => other.into(),
    }
    };
    let mut client = Client::connect_to(&socket).map_err(none)?;
    if args.open {
        return open::show(&client.pass()?);
    }
    if args.qr {
        return with_code(&client.pass()?);
    }
    let path = address_file(&socket);
    let address = std::fs::read_to_string(&path).map_err(|error| Failure::of_file(&path, error))?;
    print(&address)?;
    warn(&address);
    Ok(Exit::Done)
}

/// The address with a pass, and its code.
fn with_code(pass: &Pass) -> Outcome {
    let link = &pass.link;
    print(&format!("{link}\n"))?;
    // Its colours are of our own making.
    write(code(link)?.as_bytes())?;
    tell_once(pass);
    if let Some(why) = Reach::of_a_tablet(link) {
        tell(&said(why));
    }
    warn(link);
    Ok(Exit::Done)
}

fn tell_once(pass: &Pass) {
    tell(&said(match pass.seconds / 60 {
        1 => phrase!("It lets one browser in, once, within 1 minute."),
        minutes => phrase!(
            "It lets one browser in, once, within {minutes} minutes.",
            minutes,
        ),
    }));
}

fn warn(address: &str) {
    match Reach::of(address) {
        Reach::Readable => tell(&said(phrase!("{why}.", why = READABLE))),
        Reach::Here | Reach::Encrypted => {}
    }
}

/// The address in black and white squares (ISO/IEC 18004), dark on light with the quiet zone around it, for a
/// terminal of any colours.
fn code(address: &str) -> Result<String, Failure> {
    let code = QrCode::new(address).map_err(|error| {
        Failure::failed(phrase!(
            "no code of this address: {error}",
            error = error.to_string(),
        ))
    })?;
    let image = code
        .render::<Dense1x2>()
        .dark_color(Dense1x2::Dark)
        .light_color(Dense1x2::Light)
        .build();
    let line = |line: &str| format!("\u{1b}[30;47m{line}\u{1b}[0m\n");
    Ok(image.lines().map(line).collect())
}
