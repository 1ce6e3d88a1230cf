//! `bismar page --open`: from nothing to the page in a browser with one click. The page is turned on, the service
//! started, and the browser let in by a pass, which another user of this machine does not see: it stands in a
//! file of this user's alone, and the browser's command line names that file.

use std::fmt;
use std::io::{self, IsTerminal as _};
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use super::tell_once;
use crate::chart::svg::escaped;
use crate::cli::config::usual_place;
use crate::cli::failure::{Failure, Outcome};
use crate::cli::{Exit, language, print, said, tell};
use crate::files;
use crate::language::{Sentence, phrase};
use crate::protocol::client::{Client, ClientError};
use crate::protocol::reply::Pass;
use crate::protocol::socket;
use crate::workshop::config_file::turn_page_on;

/// How long a daemon that was started is waited for.
const STARTS_WITHIN: Duration = Duration::from_secs(10);
/// How long what opens the browser may take to say that there is none.
const OPENS_WITHIN: Duration = Duration::from_secs(3);

pub fn run() -> Outcome {
    let pass = match ready() {
        Ok(pass) => pass,
        Err(failure) => {
            // After a click nobody sees what is printed.
            if !io::stderr().is_terminal() {
                let _ = browse(&sheet("", &escaped(&failure.told())));
            }
            return Err(failure);
        }
    };
    show(&pass)
}

/// Opens the page in the browser, let in by a pass.
pub fn show(pass: &Pass) -> Outcome {
    let link = escaped(&pass.link);
    let refresh = format!("<meta http-equiv=\"refresh\" content=\"0;url={link}\">\n");
    let words = escaped(&said(phrase!("The page opens. If it does not:")));
    let open = escaped(&said(phrase!("open it")));
    let words = format!("{words} <a href=\"{link}\">{open}</a>");
    if let Err(why) = browse(&sheet(&refresh, &words)) {
        tell(&said(phrase!(
            "No browser could be opened ({why}). Open this address in one:",
            why = why.in_a_line(),
        )));
        print(&pass.link)?;
        tell_once(pass);
    }
    Ok(Exit::Done)
}

/// A pass to the page of a daemon that runs, after it was started where none did.
fn ready() -> Result<Pass, Failure> {
    let runs = match pass() {
        Ok(pass) => return Ok(pass),
        Err(ClientError::NoDaemon) => false,
        Err(ClientError::Refused(_)) => true,
        Err(error) => return Err(error.into()),
    };
    let place = usual_place()?;
    let first = turn_page_on(&place)?;
    if first {
        let file = place.display().to_string();
        tell(&said(phrase!("The page is on now, in {file}.", file)));
    }
    if runs {
        may_end()?;
        service("restart")?;
    } else {
        service("start")?;
    }
    if first {
        at_login();
    }
    let end = Instant::now() + STARTS_WITHIN;
    loop {
        match pass() {
            Err(ClientError::NoDaemon) if Instant::now() < end => {
                std::thread::sleep(Duration::from_millis(50));
            }
            // It has its page, or none, before it answers.
            Err(ClientError::Refused(_)) => {
                let failure =
                    Failure::failed(phrase!("bismar runs, and its page could not be served"));
                return Err(failure.remedy(phrase!("`journalctl --user -u bismar -n 20` says why")));
            }
            told => return Ok(told?),
        }
    }
}

fn pass() -> Result<Pass, ClientError> {
    Client::connect()?.pass()
}

/// Whether the daemon that runs without its page may be started anew for it.
///
/// # Errors
/// While it weighs a batch, and where it is not the service's.
fn may_end() -> Result<(), Failure> {
    if let Some(batch) = Client::connect()?.status()?.batch {
        return Err(Failure::failed(phrase!(
            "the page was off, and batch {batch} is being weighed; the page comes with the daemon's next start",
            batch,
        ))
        .remedy(phrase!(
            "finish the batch first (`bismar watch` shows it), then open the page again"
        )));
    }
    let active = systemctl(&["is-active", "--quiet"]);
    if active.is_ok_and(|output| output.status.success()) {
        return Ok(());
    }
    Err(Failure::failed(phrase!(
        "the page was off, and the daemon that runs is not the service's"
    ))
    .remedy(phrase!(
        "end that daemon (Ctrl-C in its window), then open the page again"
    )))
}

fn service(verb: &str) -> Result<(), Failure> {
    let why = match systemctl(&[verb]) {
        Ok(output) if output.status.success() => return Ok(()),
        Ok(output) => String::from_utf8_lossy(&output.stderr).trim().to_owned(),
        Err(error) => format!("systemctl: {error}"),
    };
    Err(
        Failure::failed(phrase!("the service did not start (`systemctl --user {verb} bismar`): {why}", verb, why)).remedy(phrase!(
            "`journalctl --user -u bismar -n 20` says why. Where there is no service, type `bismar daemon` in a window of \
             its own, leave that open, and open the page again"
        )),
    )
}

/// Has the service start with each session from the first click on, so that a batch goes on by itself after a power
/// cut and a tablet finds the page. Never again after that: who turned it off wants it off.
fn at_login() {
    tell(&said(match service("enable") {
        Ok(()) => phrase!(
            "It starts with your session from now on; `systemctl --user disable bismar` turns that off."
        ),
        Err(_) => phrase!("It does not start with your session; a click on Bench starts it."),
    }));
}

fn systemctl(words: &[&str]) -> io::Result<std::process::Output> {
    Command::new("systemctl")
        .arg("--user")
        .args(words)
        .arg("bismar")
        .stdin(Stdio::null())
        .output()
}

/// An HTML text; `head` and `words` are HTML.
fn sheet(head: &str, words: &str) -> String {
    format!(
        "<!doctype html>\n<html lang=\"{lang}\">\n<meta charset=\"utf-8\">\n\
         <meta name=\"referrer\" content=\"no-referrer\">\n{head}<title>Bench</title>\n\
         <body style=\"font: 1.5rem/1.5 sans-serif; max-width: 40em; margin: 2em; white-space: pre-line\">\n\
         <p>{words}</p>\n",
        lang = language().tag(),
    )
}

/// Puts `html` where this user alone reads it, and has a browser open that.
fn browse(html: &str) -> Result<(), Failure> {
    let place = put(html)?;
    let failed =
        |why: &dyn fmt::Display| Failure::failed(Sentence::from(format!("xdg-open: {why}")));
    let mut opener = Command::new("xdg-open")
        .arg(&place)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .map_err(|error| failed(&error))?;
    // It may stay as long as the browser.
    let end = Instant::now() + OPENS_WITHIN;
    while Instant::now() < end {
        match opener.try_wait() {
            Ok(Some(status)) if status.success() => return Ok(()),
            Ok(Some(status)) => return Err(failed(&status)),
            Ok(None) => std::thread::sleep(Duration::from_millis(20)),
            Err(error) => return Err(failed(&error)),
        }
    }
    Ok(())
}

fn put(html: &str) -> Result<PathBuf, Failure> {
    let socket = socket::default_path()?;
    let place = socket.with_file_name("bench.html");
    if let Some(folder) = place.parent() {
        socket::own_folder(folder)?;
    }
    files::replace_unsynced(&place, html).map_err(|error| Failure::of_file(&place, error))?;
    Ok(place)
}
