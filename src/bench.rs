//! One bench: scales' bytes and a person's words in, events out. No I/O and no clock, so that the
//! daemon, `replay`, the demo and the tests run the very same code.
//!
//! Calling order: any number of inputs, then [`Bench::poll`] until it gives `None`. A row that comes
//! out as [`Event::Log`] must be written and synced, then answered with [`Bench::logged`] or
//! [`Bench::not_logged`]; only after that does the engine say that a weight is recorded.

use crate::config::Config;
use crate::formula::Plan;
use crate::language::Sentence;
use crate::scale::decode::{Decoder, Heard};
use crate::scale::frame::Start;
use crate::scale::layout::{Chosen, LayoutError};
use crate::scale::settings::ScaleSettings;
use crate::time::Moment;
use crate::vocabulary::code::LineState;
use crate::vocabulary::command::Command;
use crate::vocabulary::progress::{Progress, Recorded, Refused};
use crate::vocabulary::reading::ScaleIndex;
use crate::vocabulary::response::Response;
use crate::vocabulary::status::{ScaleStatus, Status};
use crate::vocabulary::weight::Weight;
use crate::weighing::event::{Event, Input};
use crate::weighing::{Engine, ScaleSetup, Setup};

/// See the module's text.
#[derive(Debug)]
pub struct Bench {
    lines: Vec<ScaleLine>,
    engine: Engine,
}

impl From<&Config> for Setup {
    fn from(config: &Config) -> Setup {
        let scale = |scale: &ScaleSettings| ScaleSetup {
            name: scale.name.clone(),
            readability: scale.readability,
            repeatability: scale.repeatability,
            errors: scale.errors,
            capacity: scale.capacity,
        };
        Setup {
            scales: config.scales.iter().map(scale).collect(),
            rules: config.weighing,
            vessels: config.vessels.iter().map(|vessel| vessel.weight).collect(),
        }
    }
}

fn hear(engine: &mut Engine, scale: ScaleIndex, heard: &Heard, at: Moment) {
    let input = match heard {
        Heard::Reading(reading) => return engine.reading(scale, reading, at),
        Heard::Overload => Input::Overload,
        Heard::Underload => Input::Underload,
        // Counted by the decoder, never a weight.
        Heard::NoWeight | Heard::NotAMass => Input::Alive,
        Heard::NoUnit => Input::NoUnit,
        Heard::Rejected(_) => Input::Unread,
    };
    engine.handle(scale, input, at);
}

/// One scale's line.
#[derive(Debug)]
struct ScaleLine {
    name: String,
    /// Nobody measured its repeatability.
    assumed: bool,
    decoder: Decoder,
    state: LineState,
}

impl Bench {
    /// A bench with the configuration's scales and no batch. The lines are taken to begin in the
    /// middle of a line; see [`Bench::at_line_start`].
    ///
    /// # Errors
    /// A scale whose layout is unknown or whose pattern does not compile.
    pub fn new(config: &Config) -> Result<Bench, LayoutError> {
        Bench::with_start(config, Start::MidStream)
    }

    /// As [`Bench::new`], for bytes that begin with a whole line, as those of a capture do.
    ///
    /// # Errors
    /// As [`Bench::new`].
    pub fn at_line_start(config: &Config) -> Result<Bench, LayoutError> {
        Bench::with_start(config, Start::LineStart)
    }

    fn with_start(config: &Config, start: Start) -> Result<Bench, LayoutError> {
        let line = |scale: &ScaleSettings| {
            Ok(ScaleLine {
                name: scale.name.clone(),
                assumed: scale.repeatability.is_none(),
                decoder: Decoder::new(Chosen::from_config(scale)?, start),
                state: LineState::Waiting,
            })
        };
        let lines = config
            .scales
            .iter()
            .map(line)
            .collect::<Result<_, LayoutError>>()?;
        Ok(Bench {
            lines,
            engine: Engine::new(Setup::from(config)),
        })
    }

    /// See [`Engine::recorded_of`].
    ///
    /// # Errors
    /// As there.
    pub fn recorded_of(&self, step: usize) -> Result<Option<Recorded>, Refused> {
        self.engine.recorded_of(step)
    }

    /// What a lot of an ingredient would bring out of its limits, in sentences.
    pub fn out_of_limits_with(&self, ingredient: &str, lot: &str) -> Option<String> {
        self.engine.out_of_limits_with(ingredient, lot)
    }

    /// What is learned of each scale's filter so far, in the configuration's order.
    pub fn responses(&self) -> Vec<Option<Response>> {
        self.engine.responses()
    }

    /// Takes over what was learned of a scale's filter before.
    pub fn set_response(&mut self, scale: ScaleIndex, known: Response) {
        self.engine.set_response(scale, known);
    }

    /// Begins `plan`, or goes on with it where `progress` says that it was begun before.
    ///
    /// # Errors
    /// When a batch is already under way, or the plan does not fit the configuration.
    pub fn begin(&mut self, plan: Plan, progress: Progress, at: Moment) -> Result<(), Refused> {
        self.engine.begin(plan, progress, at)
    }

    /// Bytes from the scale's line, in any pieces. `at` is when they arrived.
    pub fn bytes(&mut self, scale: ScaleIndex, at: Moment, bytes: &[u8]) {
        let Some(line) = self.lines.get_mut(scale) else {
            return;
        };
        line.state = LineState::Open;
        let engine = &mut self.engine;
        line.decoder
            .feed(at, bytes, |heard| hear(engine, scale, &heard, at));
    }

    /// The decoder of a scale's line, to read ahead with: what it makes of the bytes is for [`Bench::heard`], and it is
    /// given back by [`Bench::set_decoder`].
    pub fn decoder(&self, scale: ScaleIndex) -> Option<&Decoder> {
        self.lines.get(scale).map(|line| &line.decoder)
    }

    /// The decoder that read ahead, with all that it counted.
    pub fn set_decoder(&mut self, scale: ScaleIndex, decoder: Decoder) {
        if let Some(line) = self.lines.get_mut(scale) {
            line.decoder = decoder;
        }
    }

    /// As [`Bench::bytes`], where a decoder has read ahead: what it made of the bytes that arrived at `at`.
    pub fn heard(&mut self, scale: ScaleIndex, at: Moment, heard: &[Heard]) {
        let Some(line) = self.lines.get_mut(scale) else {
            return;
        };
        line.state = LineState::Open;
        for heard in heard {
            hear(&mut self.engine, scale, heard, at);
        }
    }

    /// The line to the scale is gone; the unfinished line is thrown away.
    pub fn lost(&mut self, scale: ScaleIndex, at: Moment) {
        if let Some(line) = self.lines.get_mut(scale) {
            line.state = LineState::Lost;
            line.decoder.restart(Start::MidStream);
            self.engine.handle(scale, Input::Lost, at);
        }
    }

    /// The line is back; its first, possibly cut, line will be thrown away.
    pub fn back(&mut self, scale: ScaleIndex, at: Moment) {
        if let Some(line) = self.lines.get_mut(scale) {
            line.state = LineState::Open;
            line.decoder.restart(Start::MidStream);
            self.engine.handle(scale, Input::Back, at);
        }
    }

    /// A person's word. `Ok` holds what it did, in one sentence; a command that nothing waits for
    /// is harmless and says so.
    ///
    /// # Errors
    /// What would lose or falsify a weight is refused, with what to do instead.
    pub fn command(&mut self, command: Command, at: Moment) -> Result<Sentence, Refused> {
        self.engine.command(command, at)
    }

    /// The row of `ticket` is on the disk as `seq`.
    pub fn logged(&mut self, ticket: u64, seq: u64, at: Moment) {
        self.engine.handle(0, Input::Logged { ticket, seq }, at);
    }

    /// The row of `ticket` is not on the disk; `why` is for a person. It stays due.
    pub fn not_logged(&mut self, ticket: u64, why: Sentence, at: Moment) {
        self.engine.handle(0, Input::NotLogged { ticket, why }, at);
    }

    /// When [`Bench::tick`] is due, if nothing else comes first.
    pub fn deadline(&self) -> Option<Moment> {
        self.engine.deadline()
    }

    /// Time has passed. Early, late and repeated calls do no harm.
    pub fn tick(&mut self, at: Moment) {
        self.engine.tick(at);
    }

    /// In virtual time: ticks at the next deadline up to `at`, and gives its moment. What comes out of that
    /// is polled before the next.
    pub fn pass(&mut self, at: Moment) -> Option<Moment> {
        let due = self.deadline().filter(|due| *due <= at)?;
        self.tick(due);
        Some(due)
    }

    /// No tick is due before this, whatever is heard until then: who plays millions of readings need not ask
    /// [`Bench::pass`] with each.
    pub fn no_tick_before(&self) -> Moment {
        self.engine.no_tick_before()
    }

    /// The next event, in order.
    pub fn poll(&mut self) -> Option<Event> {
        self.engine.poll()
    }

    /// Whether [`Event::Reading`] is wanted (a listener is there).
    pub fn set_readings(&mut self, wanted: bool) {
        self.engine.set_readings(wanted);
    }

    /// Whether a batch is under way.
    pub fn is_busy(&self) -> bool {
        self.engine.is_busy()
    }

    /// Whether every step of the batch is recorded.
    pub fn is_complete(&self) -> bool {
        self.engine.is_complete()
    }

    /// Lines that gave a weight or another answer, and lines that were thrown away, of all scales.
    pub fn line_counts(&self) -> (u64, u64) {
        self.lines.iter().fold((0, 0), |(good, bad), line| {
            (
                good + line.decoder.good_lines(),
                bad + line.decoder.rejected_lines(),
            )
        })
    }

    /// What is going on, for `bismar status`.
    pub fn status(&self) -> Status {
        let mut status = Status::default();
        self.engine.status(&mut status);
        if !self.engine.is_busy() {
            // A batch that is over has no step; what was said of it last still holds.
            status = Status {
                say: status.say,
                ..Status::default()
            };
        }
        status.scales = self
            .lines
            .iter()
            .enumerate()
            .map(|(i, line)| self.scale_status(i, line))
            .collect();
        status
    }

    fn scale_status(&self, index: usize, line: &ScaleLine) -> ScaleStatus {
        let shows = self.engine.shows(index);
        let silent = self.engine.is_silent(index);
        let state = match line.state {
            LineState::Open if silent => LineState::Silent,
            state => state,
        };
        // A weight of a line that is gone is no weight.
        let live = shows.filter(|_| state == LineState::Open);
        ScaleStatus {
            name: line.name.clone(),
            line: state,
            assumed: line.assumed,
            weight: live.map(|(weight, d, _, _)| Weight::new(weight, d)),
            unit: live
                .and_then(|(_, _, unit, _)| unit)
                .map(|unit| unit.symbol().to_owned()),
            steady: live.is_some_and(|(_, _, _, steady)| steady),
            good_lines: line.decoder.good_lines(),
            rejected_lines: line.decoder.rejected_lines(),
        }
    }
}
