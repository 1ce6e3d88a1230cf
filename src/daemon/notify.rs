//! Messages to the service manager (sd_notify), and the daemon's own log.
//!
//! Without a service manager every call does nothing. A lost message is no reason to stop weighing,
//! so errors are only logged.

use std::io::{IsTerminal as _, Write};
use std::time::Duration;

use sd_notify::NotifyState;
use tracing_subscriber::filter::Targets;
use tracing_subscriber::fmt::{self, MakeWriter};
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::util::SubscriberInitExt as _;

use crate::text::misleads;

/// The daemon works: its socket is bound and its links are started.
pub fn ready(status: &str) {
    let status = one_line(status);
    send(&[NotifyState::Ready, NotifyState::Status(&status)]);
}

/// One line for `systemctl --user status bismar`.
pub fn status(status: &str) {
    let status = one_line(status);
    send(&[NotifyState::Status(&status)]);
}

/// Proof of health; see [`super::core`].
pub fn alive() {
    send(&[NotifyState::Watchdog]);
}

pub fn stopping() {
    send(&[NotifyState::Stopping, NotifyState::Status("stopping")]);
}

/// How often [`alive`] is due: a third of the unit's WatchdogSec. `None` without a watchdog.
pub fn watchdog_interval() -> Option<Duration> {
    let interval = sd_notify::watchdog_enabled()? / 3;
    Some(interval.max(Duration::from_millis(10)))
}

fn send(state: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(state) {
        tracing::debug!(%error, "the service manager could not be told");
    }
}

/// A line feed would begin another assignment of the protocol.
fn one_line(text: &str) -> String {
    let plain = |c: char| if misleads(c) { ' ' } else { c };
    text.chars().map(plain).take(200).collect()
}

/// Sends the daemon's log to stderr, where the journal reads it. The level comes from BISMAR_LOG
/// (`info` without it, `debug`, `bismar::scale=trace`). A second call does nothing.
pub fn start_log() {
    let wanted = std::env::var("BISMAR_LOG").unwrap_or_else(|_| "info".to_owned());
    let (filter, bad) = match wanted.parse::<Targets>() {
        Ok(filter) => (filter, None),
        Err(error) => (
            Targets::new().with_default(tracing::Level::INFO),
            Some(error),
        ),
    };
    let log = tracing_subscriber::registry().with(filter);
    // The journal has its own times and levels.
    let started = if std::env::var_os("JOURNAL_STREAM").is_some() {
        let bare = fmt::layer().with_ansi(false).without_time();
        log.with(bare.with_level(false).with_writer(Prioritised))
            .try_init()
    } else {
        let ansi = std::io::stderr().is_terminal();
        log.with(
            fmt::layer()
                .with_ansi(ansi)
                .with_writer(|| PriorityLine("")),
        )
        .try_init()
    };
    if started.is_ok()
        && let Some(error) = bad
    {
        tracing::warn!(%error, "BISMAR_LOG=\"{wanted}\" is not understood; using info");
    }
}

/// Puts the priority before each line as sd-daemon(3) has it: `<3>` error to `<7>` debug.
struct Prioritised;

impl<'a> MakeWriter<'a> for Prioritised {
    type Writer = PriorityLine;

    fn make_writer(&'a self) -> PriorityLine {
        PriorityLine("<6>")
    }

    fn make_writer_for(&'a self, meta: &tracing::Metadata<'_>) -> PriorityLine {
        PriorityLine(priority(*meta.level()))
    }
}

fn priority(level: tracing::Level) -> &'static str {
    match level {
        tracing::Level::ERROR => "<3>",
        tracing::Level::WARN => "<4>",
        tracing::Level::INFO => "<6>",
        tracing::Level::DEBUG | tracing::Level::TRACE => "<7>",
    }
}

/// A line of the log, behind its priority where it has one.
struct PriorityLine(&'static str);

impl Write for PriorityLine {
    /// The formatter gives one whole event at a time.
    fn write(&mut self, event: &[u8]) -> std::io::Result<usize> {
        // The formatter escapes what steers a terminal, not what turns the direction of the text.
        let turns = |c: char| misleads(c) && !c.is_control();
        let line = String::from_utf8_lossy(event).replace(turns, "\u{fffd}");
        let line = format!("{}{line}", self.0);
        std::io::stderr().lock().write_all(line.as_bytes())?;
        Ok(event.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        std::io::stderr().flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_status_is_one_line() {
        assert_eq!(
            one_line("step 2\nWATCHDOG=trigger\0"),
            "step 2 WATCHDOG=trigger "
        );
        assert_eq!(one_line(&"é".repeat(500)).chars().count(), 200);
    }

    #[test]
    fn levels_have_the_priorities_of_syslog() {
        assert_eq!(priority(tracing::Level::ERROR), "<3>");
        assert_eq!(priority(tracing::Level::TRACE), "<7>");
    }
}
