//! A recorded session played through the same code as a live one, in virtual time.

use std::ops::ControlFlow::{self, Break, Continue};
use std::sync::mpsc::sync_channel;
use std::thread::{self, Builder};

use crate::bench::Bench;
use crate::config::Config;
use crate::scale::capture::{CaptureError, CaptureReader, Record};
use crate::scale::decode::{Decoder, Heard};
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
/// The capture is read and decoded ahead, on a second core where there is one, by a decoder that the bench has back at
/// the end: until then it has not counted its lines.
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
    let Some(decoder) = bench.decoder(SCALE).cloned() else {
        return Ok(());
    };
    let mut ahead = Ahead { capture, decoder };
    let alongside = thread::scope(|scope| {
        if thread::available_parallelism().map_or(1, |cores| cores.get()) < 2 {
            return None;
        }
        let (sender, stretches) = sync_channel(STRETCHES);
        let ahead = &mut ahead;
        let read = move || {
            let mut on = true;
            while on {
                let stretch = ahead.next();
                on = stretch.end.is_none();
                on &= sender.send(stretch).is_ok();
            }
        };
        Builder::new().spawn_scoped(scope, read).ok()?;
        Some(play_all(bench, each, &mut || stretches.recv().ok()))
    });
    let end = alongside.unwrap_or_else(|| play_all(bench, each, &mut || Some(ahead.next())));
    bench.set_decoder(SCALE, ahead.decoder);
    end
}

/// So many records, or the lines of one that has more, are decoded at once, and so many times as many wait for the engine
/// at most. That bounds the memory: a record of [`crate::scale::capture::LONGEST_RECORD`] is the most that one can hold.
const RECORDS: usize = 1024;
const STRETCHES: usize = 8;

/// What is read and decoded ahead of the engine.
struct Ahead<'c, 'r> {
    capture: &'c mut CaptureReader<'r>,
    decoder: Decoder,
}

/// Some records of a capture, decoded.
#[derive(Default)]
struct Stretch {
    records: Vec<(Moment, Decoded)>,
    /// What all of them came to, one after another.
    heard: Vec<Heard>,
    /// Why there is no more: the capture's end, or what is wrong with it.
    end: Option<Result<(), CaptureError>>,
}

enum Decoded {
    /// Bytes that came to so many more of what was heard.
    Bytes(usize),
    /// Seldom, and far larger than the other.
    Command(Box<Command>),
}

impl Ahead<'_, '_> {
    fn next(&mut self) -> Stretch {
        let mut stretch = Stretch {
            records: Vec::with_capacity(RECORDS),
            heard: Vec::with_capacity(RECORDS),
            end: None,
        };
        while stretch.records.len().max(stretch.heard.len()) < RECORDS {
            match self.capture.next_record() {
                Ok(Some(Record::Bytes { at, data })) => {
                    let before = stretch.heard.len();
                    self.decoder
                        .feed(at, data, |heard| stretch.heard.push(heard));
                    let lines = stretch.heard.len() - before;
                    stretch.records.push((at, Decoded::Bytes(lines)));
                }
                Ok(Some(Record::Command { at, command })) => {
                    stretch
                        .records
                        .push((at, Decoded::Command(Box::new(command))));
                }
                Ok(Some(Record::Comment)) => {}
                Ok(None) => {
                    stretch.end = Some(Ok(()));
                    break;
                }
                Err(error) => {
                    stretch.end = Some(Err(error));
                    break;
                }
            }
        }
        stretch
    }
}

/// Plays what `next` gives into the bench, up to the end of the capture.
fn play_all(
    bench: &mut Bench,
    each: &mut Each,
    next: &mut dyn FnMut() -> Option<Stretch>,
) -> Result<(), CaptureError> {
    let mut now = Moment::default();
    let mut no_tick_before = now;
    if drain(bench, now, each).is_break() {
        return Ok(());
    }
    let end = loop {
        let Some(stretch) = next() else {
            break Ok(());
        };
        let mut heard = stretch.heard.as_slice();
        for (at, decoded) in stretch.records {
            now = at;
            if at >= no_tick_before {
                while let Some(due) = bench.pass(at) {
                    if drain(bench, due, each).is_break() {
                        return Ok(());
                    }
                }
                no_tick_before = bench.no_tick_before();
            }
            match decoded {
                Decoded::Bytes(lines) => {
                    let (these, later) = heard.split_at_checked(lines).unwrap_or_default();
                    bench.heard(SCALE, at, these);
                    heard = later;
                }
                Decoded::Command(command) => {
                    // What is refused is refused live as well; the next cue says what to do.
                    let _ = bench.command(*command, at);
                }
            }
            if drain(bench, at, each).is_break() {
                return Ok(());
            }
        }
        if let Some(end) = stretch.end {
            break end;
        }
    };
    end?;
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
