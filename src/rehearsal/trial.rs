//! One batch in virtual time: the stage's bytes into the bench, the bench's events to the hands.

use super::stage::{Stage, StageOutput};
use crate::bench::Bench;
use crate::formula::Plan;
use crate::language::Sentence;
use crate::time::Moment;
use crate::vocabulary::command::Command;
use crate::vocabulary::entry::Draft;
use crate::vocabulary::progress::{Progress, Refused};
use crate::weighing::event::Event;

/// What a trial tells while it runs.
#[derive(Debug)]
pub enum Told<'a> {
    /// An event of the bench, at its moment.
    Event(Moment, &'a Event),
    /// What the hands do.
    Hands(Moment, &'a str),
    /// What the person says.
    Word(Moment, &'a Command),
}

/// Plays `plan` on `stage` until the hands leave. `log` writes a row and gives its seq, or says why
/// it could not; it is asked at once and its answer goes back before the next reading.
///
/// # Errors
/// When the bench does not take the plan.
pub fn play(
    bench: &mut Bench,
    plan: Plan,
    stage: &mut Stage,
    log: impl FnMut(&Draft) -> Result<u64, Sentence>,
    told: impl FnMut(Told<'_>),
) -> Result<(), Refused> {
    play_from(Moment::default(), bench, plan, stage, log, told)
}

/// The same on a bench that has been at work: the stage's time begins at `start` of the bench's.
///
/// # Errors
/// As [`play`].
pub fn play_from(
    start: Moment,
    bench: &mut Bench,
    plan: Plan,
    stage: &mut Stage,
    mut log: impl FnMut(&Draft) -> Result<u64, Sentence>,
    mut told: impl FnMut(Told<'_>),
) -> Result<(), Refused> {
    bench.begin(plan, Progress::default(), start)?;
    drain(bench, stage, start, &mut log, &mut told);
    while let Some(output) = stage.next() {
        let at = start.plus_micros(output.at().0);
        while let Some(due) = bench.pass(at) {
            drain(bench, stage, due, &mut log, &mut told);
        }
        match output {
            StageOutput::Bytes { scale, bytes, .. } => bench.bytes(scale, at, &bytes),
            StageOutput::Lost { scale, .. } => bench.lost(scale, at),
            StageOutput::Back { scale, .. } => bench.back(scale, at),
            StageOutput::Command { command, .. } => {
                told(Told::Word(at, &command));
                if bench.command(command, at).is_err() {
                    stage.refused();
                }
            }
            StageOutput::Hands { text, .. } => told(Told::Hands(at, &text)),
            StageOutput::Quiet { .. } => {}
        }
        drain(bench, stage, at, &mut log, &mut told);
    }
    Ok(())
}

fn drain(
    bench: &mut Bench,
    stage: &mut Stage,
    at: Moment,
    log: &mut impl FnMut(&Draft) -> Result<u64, Sentence>,
    told: &mut impl FnMut(Told<'_>),
) {
    while let Some(event) = bench.poll() {
        told(Told::Event(at, &event));
        stage.hear(&event);
        if let Event::Log(draft) = &event {
            match log(draft) {
                Ok(seq) => bench.logged(draft.ticket, seq, at),
                Err(why) => bench.not_logged(draft.ticket, why, at),
            }
        }
    }
}
