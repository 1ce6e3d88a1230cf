//! One case in virtual time: room and person on one side, the bench on the other.

use std::collections::{BTreeMap, VecDeque};

use jiff::Timestamp;

use super::case::{CaseSpec, End, Outcome, StepStory, Told, Written};
use super::mishap::Mishaps;
use super::person::{Person, SheetLine};
use super::room::{Room, Ware};
use crate::bench::Bench;
use crate::formula::{Plan, VesselWay};
use crate::journal::batch::record::Record;
use crate::journal::format::row::{CellError, Row, Stamp};
use crate::language::Sentence;
use crate::rehearsal::stage::StageOutput;
use crate::time::Moment;
use crate::vocabulary::entry::{Draft, RowKind};
use crate::vocabulary::progress::Progress;
use crate::vocabulary::response::Response;
use crate::weighing::event::Event;

const TICK_US: u64 = 10_000;
/// Moves in obedience after which a step counts as stuck.
pub const MOST_MOVES: u32 = 12;
/// Nothing is said and nothing is done for so long: nothing will be.
const SILENCE_US: u64 = 60_000_000;
/// No case is longer.
const LONGEST_US: u64 = 3_600_000_000;

struct Runner<'a, F> {
    spec: &'a CaseSpec,
    bench: Option<Bench>,
    /// The room's time at which the bench's clock began.
    base: Moment,
    room: Room,
    person: Person,
    mishaps: Mishaps,
    rows: Vec<Written>,
    /// Drafts on their way to the disk, and when they get there.
    writing: VecDeque<(Moment, Draft)>,
    stories: BTreeMap<usize, StepStory>,
    step: usize,
    closed: Option<(bool, Moment)>,
    /// It is calm; the furthest step that was begun since, and the furthest that was recorded.
    calm: Option<(usize, usize)>,
    active: Moment,
    rng: fastrand::Rng,
    told: F,
    lines: u64,
    /// What is kept of the scale's filter from one process to the next.
    known: Option<Response>,
}

/// Plays a case. `readings`: whether `told` wants the live readings too.
pub fn run(spec: &CaseSpec, readings: bool, told: impl FnMut(Moment, Told<'_>)) -> Outcome {
    let mut room = Room::new(spec.scale.clone(), spec.seed ^ 0x726f_6f6d);
    let rack = spec.rack.iter().map(|(name, glass)| {
        let jars = spec.plan.filling.is_some();
        let way = if jars {
            VesselWay::Jar
        } else {
            VesselWay::Beaker
        };
        room.wares.push(Ware::new(name, way, *glass));
        room.wares.len() - 1
    });
    let rack = rack.collect();
    let bowl = room.add(Ware::new("the bowl", VesselWay::Bowl, spec.bowl));
    let sheet = spec.plan.steps.iter().map(|step| SheetLine {
        way: step.vessel,
        ingredient: step.ingredient.clone(),
        target: step.target,
    });
    for step in &spec.plan.steps {
        room.begin(step.number, step.vessel);
    }
    let person = Person::new(spec.traits.clone(), sheet.collect(), rack, bowl, spec.seed);
    let mut runner = Runner {
        spec,
        bench: None,
        base: Moment::default(),
        room,
        person,
        mishaps: Mishaps::new(spec.planned.clone()),
        rows: Vec::new(),
        writing: VecDeque::new(),
        stories: BTreeMap::new(),
        step: 0,
        closed: None,
        calm: None,
        active: Moment::default(),
        rng: fastrand::Rng::with_seed(spec.seed ^ 0x006c_6f67),
        told,
        lines: 0,
        known: spec.known,
    };
    let end = match runner.begin(Moment::default(), readings) {
        Ok(()) => runner.play(readings),
        Err(why) => End::Refused(why),
    };
    runner.finish(end)
}

impl<F: FnMut(Moment, Told<'_>)> Runner<'_, F> {
    fn begin(&mut self, now: Moment, readings: bool) -> Result<(), Sentence> {
        let progress = match self.rows.is_empty() && now == Moment::default() {
            true => Progress::default(),
            false => progress(&self.spec.plan, &self.rows).map_err(|error| error.to_string())?,
        };
        let mut bench = Bench::new(&self.spec.config).map_err(|error| error.to_string())?;
        if let Some(known) = self.known {
            bench.set_response(0, known);
        }
        bench.set_readings(readings);
        (self.told)(now, Told::Begun(&progress));
        bench
            .begin(self.spec.plan.clone(), progress, Moment::default())
            .map_err(|refused| refused.say)?;
        self.base = now;
        self.bench = Some(bench);
        self.drain(now);
        Ok(())
    }

    fn play(&mut self, readings: bool) -> End {
        let mut now = Moment::default();
        let mut back: Option<Moment> = None;
        loop {
            if let Some(kill) = self.mishaps.kill.take() {
                self.kill(now);
                // Whose log is closed is not begun again.
                back = (!self.is_closed()).then_some(kill.back);
            }
            if back.is_some_and(|back| back <= now) {
                back = None;
                self.active = now;
                if let Err(why) = self.begin(now, readings) {
                    return End::Refused(why);
                }
            }
            if self.calm.is_none() && self.spec.calm.is_some_and(|calm| calm <= now) {
                self.calm = Some((self.step, 0));
                self.active = now;
                self.mishaps.calm(now, &mut self.person, &mut self.room);
                (self.told)(now, Told::Calm);
            }
            let to = now.plus_micros(TICK_US);
            self.mishaps.tick(now, &mut self.person, &mut self.room);
            self.person.tick(now, TICK_US, &mut self.room);
            self.room.dry(TICK_US, now);
            self.room.table.tick(now, to);
            while let Some(output) = self.room.table.out.pop_front() {
                self.deliver(output);
            }
            now = to;
            self.write(now);
            self.due(now);
            if let Some(end) = self.end(now, back.is_some()) {
                return end;
            }
        }
    }

    fn in_bench(&self, at: Moment) -> Moment {
        Moment(at.since(self.base))
    }

    fn deliver(&mut self, output: StageOutput) {
        let at = output.at();
        self.due(at);
        let when = self.in_bench(at);
        let told = &mut self.told;
        match output {
            StageOutput::Hands { text, .. } => told(at, Told::Hands(&text)),
            StageOutput::Command { command, .. } => {
                let answer = match &mut self.bench {
                    Some(bench) => bench.command(command.clone(), when),
                    None => Ok("nobody listens".into()),
                };
                let answer = answer.unwrap_or_else(|refused| {
                    self.person.refused();
                    format!("refused: {}", refused.say).into()
                });
                told(at, Told::Word(&command, &answer));
            }
            StageOutput::Bytes { scale, bytes, .. } => {
                self.lines += 1;
                if let Some(bench) = &mut self.bench {
                    bench.bytes(scale, when, &bytes);
                }
            }
            StageOutput::Lost { scale, .. } => {
                if let Some(bench) = &mut self.bench {
                    bench.lost(scale, when);
                }
            }
            StageOutput::Back { scale, .. } => {
                if let Some(bench) = &mut self.bench {
                    bench.back(scale, when);
                }
            }
            StageOutput::Quiet { .. } => {}
        }
        self.drain(at);
    }

    /// Tells the bench the time where it asked for that.
    fn due(&mut self, at: Moment) {
        for _ in 0..1000 {
            let now = self.in_bench(at);
            let Some(due) = self.bench.as_mut().and_then(|bench| bench.pass(now)) else {
                return;
            };
            self.drain(Moment(due.0 + self.base.0));
        }
    }

    fn drain(&mut self, at: Moment) {
        while let Some(event) = self.bench.as_mut().and_then(Bench::poll) {
            (self.told)(at, Told::Event(&event));
            match &event {
                Event::Cue(cue) => {
                    self.active = at;
                    self.person.hear(at, cue);
                }
                Event::Log(draft) => {
                    let slow = self.mishaps.slow_log * self.rng.f64();
                    let after = at.plus_micros(4_000 + (slow * 1e6) as u64);
                    let due = self
                        .writing
                        .back()
                        .map_or(after, |&(due, _)| due.max(after));
                    self.writing.push_back((due, (**draft).clone()));
                }
                Event::Step { step, .. } => self.begin_step(*step, at),
                Event::Recorded { step, .. } => self.recorded(*step, at),
                Event::Closed { complete } => self.closed = Some((*complete, at)),
                Event::Reading(_) | Event::Fault { .. } | Event::Tare { .. } => {}
            }
        }
    }

    fn begin_step(&mut self, step: usize, at: Moment) {
        self.close_story(at);
        self.step = step;
        // Once it is calm, to begin the same step anew is to get no further.
        let further = match &mut self.calm {
            Some((begun, _)) => step > std::mem::replace(begun, step.max(*begun)),
            None => true,
        };
        if further {
            self.person.lived.moves = 0;
        }
        self.person.lived.words = 0;
        self.stories.entry(step).or_insert(StepStory {
            step,
            begun: at,
            recorded: None,
            until: at,
            moves: 0,
            words: 0,
            waited: None,
        });
    }

    fn close_story(&mut self, at: Moment) {
        if let Some(story) = self.stories.get_mut(&self.step) {
            story.until = at;
            story.words += std::mem::take(&mut self.person.lived.words);
        }
    }

    fn recorded(&mut self, step: usize, at: Moment) {
        let poured = self.room.tracks.get(&step);
        let poured = poured.and_then(|track| track.poured_at);
        let waited = poured.map(|poured| at.since(poured) as f64 / 1e6);
        if let Some(story) = self.stories.get_mut(&step)
            && story.recorded.is_none()
        {
            story.recorded = Some(at);
            story.moves = self.person.lived.moves;
            story.waited = waited;
        }
        let further = match &mut self.calm {
            Some((_, recorded)) => step > std::mem::replace(recorded, step.max(*recorded)),
            None => true,
        };
        if further {
            self.person.lived.moves = 0;
        }
    }

    /// What was due reaches the disk, and the engine hears of it.
    fn write(&mut self, now: Moment) {
        while self.writing.front().is_some_and(|&(due, _)| due <= now)
            && let Some((at, draft)) = self.writing.pop_front()
        {
            let ticket = draft.ticket;
            let when = self.in_bench(now);
            if now < self.mishaps.log_fails_until {
                // It stays due: the writer tries again.
                let due = now.plus_micros(1_000_000);
                self.writing.push_front((due, draft));
                if let Some(bench) = &mut self.bench {
                    bench.not_logged(ticket, "no space left on the disk".into(), when);
                }
                self.drain(now);
                return;
            }
            let seq = self.row(draft, at);
            if let Some(bench) = &mut self.bench {
                bench.logged(ticket, seq, when);
            }
            self.active = now;
            self.drain(now);
        }
    }

    fn row(&mut self, draft: Draft, now: Moment) -> u64 {
        let seq = self.rows.len() as u64 + 1;
        let at = Moment(draft.at.0 + self.base.0);
        let written = Written { seq, at, draft };
        (self.told)(now, Told::Row(&written));
        self.rows.push(written);
        if let Some(bench) = &self.bench {
            self.known = bench.responses().first().copied().flatten().or(self.known);
        }
        seq
    }

    /// Of the rows on their way some come to the disk, in their order.
    fn kill(&mut self, now: Moment) {
        (self.told)(now, Told::Killed);
        let writing = std::mem::take(&mut self.writing);
        let many = self.rng.usize(0..=writing.len());
        for (_, draft) in writing.into_iter().take(many) {
            self.row(draft, now);
        }
        self.bench = None;
        self.mishaps.slow_log = 0.0;
    }

    fn is_closed(&self) -> bool {
        let last = self.rows.last();
        last.is_some_and(|row| row.draft.kind == RowKind::Closed)
    }

    fn end(&mut self, now: Moment, down: bool) -> Option<End> {
        let cue = || {
            let cue = self.person.standing_cue();
            cue.map_or(String::new(), |cue| {
                format!("{}: {}", cue.kind.name(), cue.say)
            })
        };
        if let Some((complete, at)) = self.closed {
            let over = self.person.is_idle() && now.since(at) > 3_000_000;
            return (over || now.since(at) > 30_000_000).then_some(End::Closed { complete });
        }
        if self.person.lived.moves > MOST_MOVES {
            return Some(End::Stuck(cue()));
        }
        if !self.person.is_idle() || self.mishaps.is_under_way() || down {
            self.active = now;
        }
        if now.since(self.active) > SILENCE_US {
            return Some(End::Silent(cue()));
        }
        (now.0 > LONGEST_US).then_some(End::TooLong)
    }

    fn finish(mut self, end: End) -> Outcome {
        let now = self.active;
        self.close_story(now);
        if let Some(story) = self.stories.get_mut(&self.step)
            && story.recorded.is_none()
        {
            story.moves = self.person.lived.moves;
        }
        Outcome {
            rows: self.rows,
            tracks: self.room.tracks,
            stories: self.stories,
            end,
            ended_in: self.step,
            unclear: self.person.unclear,
            guessed: self.person.guessed,
            done: self.mishaps.done,
            things: self.mishaps.things,
            early: self.person.early,
            now,
            lines: self.lines,
            learned: self.known,
        }
    }
}

/// What the daemon makes of the rows so far when it begins again.
fn progress(plan: &Plan, rows: &[Written]) -> Result<Progress, CellError> {
    let mut record = Record::default();
    for written in rows {
        let millis = i64::try_from(written.at.millis()).unwrap_or(i64::MAX);
        let stamp = Stamp {
            batch: "case",
            seq: written.seq,
            at: Timestamp::from_millisecond(millis).unwrap_or(Timestamp::UNIX_EPOCH),
            formula: "Case 1",
        };
        let row = Row::from_draft(&written.draft, stamp);
        record.add(row)?;
    }
    Ok(record.progress(plan))
}
