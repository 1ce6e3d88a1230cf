//! `bismar capture`: what a scale sends, and what you type, into a file with their times.

use std::fs::File;
use std::io::{BufRead as _, IsTerminal as _};
use std::path::PathBuf;
use std::time::{Duration, Instant};

use clap::Args;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;

use super::config::load;
use super::line::{absolute, framing, not_open};
use super::value::{ValueError, pointed};
use super::{Exit, Failure, Outcome, tell};
use crate::scale::capture::CaptureWriter;
use crate::scale::link::{self, LinkMessage, LinkNews};
use crate::scale::settings::{Framing, ScaleSettings};
use crate::time::Moment;
use crate::vocabulary::command::Command;
use crate::vocabulary::command::Way;

#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("line").args(["port", "scale"]).required(true))]
pub struct CaptureArgs {
    /// The file to write (.capture); one that is there is never overwritten
    #[arg(value_name = "OUT.capture")]
    out: PathBuf,
    /// The port of the scale, for example /dev/ttyUSB0
    #[arg(long)]
    port: Option<PathBuf>,
    /// The speed of the line
    #[arg(long, default_value_t = 9600, conflicts_with = "scale",
          value_parser = clap::value_parser!(u32).range(50..=4_000_000))]
    baud: u32,
    /// Data bits, parity and stop bits
    #[arg(long, default_value = "8N1", value_parser = framing, conflicts_with = "scale")]
    framing: Framing,
    /// A scale of the configuration, by its name, with its line settings
    #[arg(long, value_name = "NAME")]
    scale: Option<String>,
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE", requires = "scale")]
    config: Option<PathBuf>,
    /// Stop by itself after this many seconds
    #[arg(long, value_name = "N", value_parser = seconds)]
    seconds: Option<f64>,
}

/// A number of seconds from the command line: more than 0, at most a week.
pub(super) fn seconds(text: &str) -> Result<f64, ValueError> {
    match pointed(text).parse::<f64>() {
        Ok(seconds) if seconds > 0.0 && seconds <= 604_800.0 => Ok(seconds),
        _ => Err(ValueError::Seconds),
    }
}

/// # Errors
/// What is told to the person, with its remedy and exit code.
pub fn run(args: &CaptureArgs) -> Outcome {
    let scale = scale(args)?;
    let path = args.out.display();
    let file = File::create_new(&args.out).map_err(|error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => {
            Failure::failed(format!("{path} is there already and stays as it is"))
                .remedy("choose another name")
        }
        _ => Failure::failed(format!("{path} cannot be written: {error}"))
            .remedy("name a file in a folder that is there and is yours"),
    })?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(Failure::theirs)?;
    let recorded = runtime.block_on(record(scale, file, args.seconds));
    // A port that is just being opened may hang in the kernel.
    runtime.shutdown_timeout(Duration::from_secs(1));
    match recorded {
        Ok(recorded) => {
            tell(&format!("{path}: {recorded}"));
            Ok(Exit::Done)
        }
        Err(Trouble::Line(failure)) => {
            // Made by this call, and without a record.
            let _ = std::fs::remove_file(&args.out);
            Err(failure)
        }
        Err(Trouble::Disk(error)) => Err(Failure::failed(format!("{path}: {error}"))
            .remedy("make room on the disk; what was recorded so far is in the file")),
    }
}

fn scale(args: &CaptureArgs) -> Result<ScaleSettings, Failure> {
    let Some(name) = &args.scale else {
        let port = args.port.clone().unwrap_or_default();
        let port = absolute(&port).display().to_string();
        return Ok(ScaleSettings::on_line(port, args.baud, args.framing));
    };
    let config = load(args.config.as_deref())?;
    let names: Vec<&str> = config.scales.iter().map(|s| s.name.as_str()).collect();
    let found = config
        .scales
        .iter()
        .find(|s| s.name.eq_ignore_ascii_case(name));
    found.cloned().ok_or_else(|| {
        let remedy = if names.is_empty() {
            "the configuration has no scale; name the port with --port".to_owned()
        } else {
            format!("the configuration has: {}", names.join(", "))
        };
        Failure::failed(format!("no scale is called \"{name}\"")).remedy(remedy)
    })
}

enum Trouble {
    /// The line could not be opened at the start.
    Line(Failure),
    Disk(std::io::Error),
}

impl From<std::io::Error> for Trouble {
    fn from(error: std::io::Error) -> Trouble {
        Trouble::Disk(error)
    }
}

/// Records until Ctrl-C, SIGTERM or the time is over; gives a summary for the person.
async fn record(scale: ScaleSettings, file: File, seconds: Option<f64>) -> Result<String, Trouble> {
    let (sender, mut news) = mpsc::channel(1024);
    let line = tokio::spawn(link::run(0, scale, sender));
    let mut words = typed();
    let mut session = Session::new(&file)?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    let end = async {
        match seconds {
            Some(seconds) => tokio::time::sleep(Duration::from_secs_f64(seconds)).await,
            None => std::future::pending().await,
        }
    };
    tokio::pin!(end);
    loop {
        tokio::select! {
            biased;
            message = news.recv() => match message {
                Some(message) => session.line(message)?,
                None => break,
            },
            Some(word) = words.recv() => session.word(&word)?,
            () = &mut end => break,
            _ = interrupt.recv() => break,
            _ = terminate.recv() => break,
        }
    }
    line.abort();
    let _ = line.await;
    let summary = session.summary();
    drop(session);
    file.sync_all()?;
    Ok(summary)
}

/// The lines typed on standard input. At its end there are no more, and the recording goes on.
fn typed() -> mpsc::Receiver<String> {
    let (sender, words) = mpsc::channel(16);
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            let Ok(line) = line else { return };
            if sender.blocking_send(line).is_err() {
                return;
            }
        }
    });
    words
}

struct Session<'f> {
    writer: CaptureWriter<&'f File>,
    start: Instant,
    opened: bool,
    bytes: u64,
    words: u64,
}

impl<'f> Session<'f> {
    fn new(file: &'f File) -> std::io::Result<Session<'f>> {
        let mut writer = CaptureWriter::new(file)?;
        let now = jiff::Timestamp::now();
        writer.comment(&format!(
            "recorded {now:.0} by bismar {}",
            env!("CARGO_PKG_VERSION")
        ))?;
        Ok(Session {
            writer,
            start: Instant::now(),
            opened: false,
            bytes: 0,
            words: 0,
        })
    }

    fn moment(&self, at: Instant) -> Moment {
        let since = at.saturating_duration_since(self.start).as_micros();
        Moment::from_micros(u64::try_from(since).unwrap_or(u64::MAX))
    }

    fn line(&mut self, message: LinkMessage) -> Result<(), Trouble> {
        let at = self.moment(message.at);
        match message.news {
            LinkNews::Back { path } => {
                let again = if self.opened { " again" } else { "" };
                tell(&format!(
                    "Recording{again} from {}. Ctrl-C ends.",
                    path.display()
                ));
                if std::io::stdin().is_terminal() && !self.opened {
                    tell("Type next, keep, again, stop, lot X or note X to record a word.");
                }
                if self.opened {
                    self.writer.comment("the line is back")?;
                }
                self.opened = true;
            }
            LinkNews::Bytes(bytes) => {
                self.bytes += bytes.len() as u64;
                self.writer.bytes(at, &bytes)?;
            }
            LinkNews::Lost(fault) if !self.opened => {
                return Err(Trouble::Line(not_open(&fault)));
            }
            LinkNews::Lost(fault) => {
                tell(&format!("{fault}"));
                self.writer
                    .comment(&format!("the line is lost: {}", fault.code()))?;
            }
        }
        self.writer.flush()?;
        Ok(())
    }

    fn word(&mut self, line: &str) -> Result<(), Trouble> {
        if line.trim().is_empty() {
            return Ok(());
        }
        match command(line) {
            Some(command) => {
                self.writer.command(self.moment(Instant::now()), &command)?;
                self.writer.flush()?;
                self.words += 1;
            }
            None => tell(&format!(
                "\"{}\" is not recorded; the words are next, keep, again, undo, cancel, stop, residue, remedy WAY, \
                 lot X, lot --step N X, skip WHY, note X",
                line.trim()
            )),
        }
        Ok(())
    }

    fn summary(&self) -> String {
        let seconds = self.start.elapsed().as_secs_f64();
        let mut text = format!(
            "{} bytes and {} words in {seconds:.1} s.",
            self.bytes, self.words
        );
        if self.bytes == 0 {
            text.push_str(
                " The scale sent nothing: set it to send continuously, and see `bismar identify`.",
            );
        }
        text
    }
}

/// A typed word, where it is one.
fn command(line: &str) -> Option<Command> {
    let line = line.trim();
    let (word, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
    let rest = rest.trim();
    if let ("remedy", Some(way)) = (word, Way::from_word(rest)) {
        return Some(Command::Remedy(way));
    }
    if let ("residue", Ok(step)) = (word, rest.parse()) {
        return Some(Command::Residue(Some(step)));
    }
    if let ("lot", Some(of_step)) = (word, rest.strip_prefix("--step ")) {
        let (step, lot) = of_step.trim_start().split_once(char::is_whitespace)?;
        return Some(Command::LotOf(step.parse().ok()?, lot.trim().to_owned()));
    }
    match (word, rest) {
        ("next", "") => Some(Command::Next),
        ("again", "") => Some(Command::Again),
        ("keep", "") => Some(Command::Keep),
        ("stop", "") => Some(Command::Stop),
        ("undo", "") => Some(Command::Undo),
        ("cancel", "") => Some(Command::Cancel),
        ("skip", why) if !why.is_empty() => Some(Command::Skip(why.to_owned())),
        ("residue", "") => Some(Command::Residue(None)),
        ("lot", lot) if !lot.is_empty() => Some(Command::Lot(lot.to_owned())),
        ("note", note) if !note.is_empty() => Some(Command::Note(note.to_owned())),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn typed_words_are_commands() {
        assert_eq!(command(" next "), Some(Command::Next));
        assert_eq!(command("lot B 12"), Some(Command::Lot("B 12".into())));
        assert_eq!(
            command("lot --step 2 B 12"),
            Some(Command::LotOf(2, "B 12".into()))
        );
        assert_eq!(command("lot --step two B"), None);
        assert_eq!(
            command("note\twarm  room"),
            Some(Command::Note("warm  room".into()))
        );
        for wrong in ["nxt", "next now", "lot", "note ", "!next"] {
            assert_eq!(command(wrong), None, "{wrong}");
        }
    }
}
