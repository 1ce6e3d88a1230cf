//! A recorded session played through the same code as a live one, in virtual time.

use std::ops::ControlFlow::{self, Break, Continue};

use crate::bench::Bench;
use crate::config::Config;
use crate::scale::capture::{CaptureError, CaptureReader, Record};
use crate::scale::identify::{Findings, Hint, Listener, Verdict};
use crate::scale::settings::{PortSelector, ScaleSettings};
use crate::time::Moment;
use crate::vocabulary::command::Command;
use crate::weighing::event::Event;

/// A capture holds the bytes of one scale; this is its index.
const SCALE: usize = 0;

/// Plays the rest of a capture into a bench. `each` gets every event with its moment, and the bench
/// to answer it (a row must be written and answered before the next record is read).
///
/// When the capture ends with every step recorded, the batch is closed: only a lift or a last mixing
/// was still to be seen.
///
/// # Errors
/// What the capture's reader says, or what `each` gives.
pub fn play<E: From<CaptureError>>(
    capture: &mut CaptureReader,
    bench: &mut Bench,
    mut each: impl FnMut(&mut Bench, Moment, Event) -> Result<(), E>,
) -> Result<(), E> {
    let mut stopped = None;
    let end = play_on(
        capture,
        bench,
        &mut |bench, at, event| match each(bench, at, event) {
            Ok(()) => Continue(()),
            Err(error) => {
                stopped = Some(error);
                Break(())
            }
        },
    );
    match stopped {
        Some(error) => Err(error),
        None => end.map_err(E::from),
    }
}

type Each<'e> = dyn FnMut(&mut Bench, Moment, Event) -> ControlFlow<()> + 'e;

/// As [`play`], until it is played or `each` breaks it off. Not generic, so that it is compiled here, where each line
/// of a long capture is to go through what is optimised.
fn play_on(
    capture: &mut CaptureReader,
    bench: &mut Bench,
    each: &mut Each,
) -> Result<(), CaptureError> {
    let mut now = Moment::default();
    if drain(bench, now, each).is_break() {
        return Ok(());
    }
    while let Some(record) = capture.next_record()? {
        let at = match &record {
            Record::Bytes { at, .. } | Record::Command { at, .. } => *at,
            Record::Comment => continue,
        };
        now = at;
        while let Some(due) = bench.pass(at) {
            if drain(bench, due, each).is_break() {
                return Ok(());
            }
        }
        match record {
            Record::Bytes { data, .. } => bench.bytes(SCALE, at, data),
            Record::Command { command, .. } => {
                // What is refused is refused live as well; the next cue says what to do.
                let _ = bench.command(command, at);
            }
            Record::Comment => {}
        }
        if drain(bench, at, each).is_break() {
            return Ok(());
        }
    }
    if bench.is_busy() && bench.is_complete() {
        let _ = bench.command(Command::Stop, now);
        let _ = drain(bench, now, each);
    }
    Ok(())
}

fn drain(bench: &mut Bench, at: Moment, each: &mut Each) -> ControlFlow<()> {
    while let Some(event) = bench.poll() {
        each(bench, at, event)?;
    }
    Continue(())
}

/// Hears the first lines of a capture, as `identify` hears a port.
///
/// # Errors
/// What the capture's reader says.
pub fn listen(capture: &mut CaptureReader) -> Result<Findings, CaptureError> {
    let mut listener = Listener::new();
    while !listener.is_full() {
        match capture.next_record()? {
            Some(Record::Bytes { at, data }) => listener.hear(at, data),
            Some(Record::Command { .. } | Record::Comment) => {}
            None => break,
        }
    }
    Ok(listener.findings())
}

/// The configuration that the lines themselves tell: one scale with their layout and readability.
///
/// # Errors
/// Why no layout is clearly right.
pub fn config_from(findings: &Findings) -> Result<Config, Hint> {
    let found = match &findings.verdict {
        Verdict::Identified(found) => found,
        Verdict::None(hint) => return Err(*hint),
    };
    let scale = ScaleSettings {
        readability: found.readability.map(|readability| readability.mass()),
        ..ScaleSettings::new(
            "scale",
            PortSelector::Path("capture".into()),
            found.layout.name(),
        )
    };
    Ok(Config {
        scales: vec![scale],
        ..Config::default()
    })
}
