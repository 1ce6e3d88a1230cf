//! The tare ledger against a tiny exact scale: whatever is done to it in whatever order, no net
//! weight is recorded further from the truth than its stated uncertainty allows, and no step twice.
//!
//! The scale here has no noise and no drift: a first-order filter, a display rounded to d, a TARE
//! key, a switch, two units. So each error is the engine's own. The person in it does anything in any
//! order, but does not lie: `next` is said only where it is true, and a vessel is empty when it was to be.
//!
//! The suite plays 2,000 courses of a fixed seed. Over other seeds about one course in ten thousand
//! still ends in a wrong record, mostly at two readings a second: a key and a lift, or a key and a
//! pour, between two readings; less than 0.2 g let in before the scale was first at rest; another
//! vessel that weighs within a gram of the first. `BISMAR_LEDGER_ROUNDS=50` finds some of them.

use std::cell::RefCell;
use std::collections::{BTreeMap, HashMap};
use std::panic::{AssertUnwindSafe, UnwindSafe, catch_unwind};
use std::path::Path;

use bismar::config::Config;
use bismar::formula::amend::for_a_person;
use bismar::formula::plan::BatchSize;
use bismar::formula::{Formula, Plan, PlannedPhase, Step, VesselWay};
use bismar::language::remark;
use bismar::mass::{Mass, Unit};
use bismar::metrology::ScaleAbility;
use bismar::scale::settings::ScaleSettings;
use bismar::time::Moment;
use bismar::vocabulary::command::{Choice, Command, Way};
use bismar::vocabulary::cue::CueKind;
use bismar::vocabulary::entry::{Draft, RowKind};
use bismar::vocabulary::progress::Progress;
use bismar::vocabulary::reading::Reading;
use bismar::weighing::event::{Event, Input};
use bismar::weighing::{Engine, Setup};
use proptest::prelude::*;
use proptest::test_runner::{RngAlgorithm, TestError, TestRng, TestRunner};

/// What a person says, and nobody but her.
const OWN: &str = "lot of nothing; complete (so)";

/// Whether what a row remarks is told in each language. That of a mixing is the formula's own text.
fn reads_back(draft: &Draft) -> bool {
    let note = for_a_person(&draft.note);
    draft.kind == RowKind::Mixed || (note == OWN) != remark::told(note).is_ours()
}

use crate::bench_side::{agreed, faults, scale_config};

/// What a person does, or what befalls the scale.
#[derive(Debug, Clone)]
enum Deed {
    /// Sets down a clean vessel of so many grams, or puts the one in the hand back.
    SetDown {
        grams: u16,
    },
    PutBack,
    LiftOff,
    /// Pours tenths of a gram in tenths of a second.
    Pour {
        tenths: u16,
        lasts: u8,
    },
    TakeOut {
        tenths: u16,
    },
    Tare,
    /// No line for tenths of a second; meanwhile so much may go in.
    Gap {
        lasts: u8,
        tenths: u16,
        off: bool,
    },
    Unit,
    Wait {
        tenths: u8,
    },
    Say(Word),
    /// Whatever comes to mind, true or not: what it makes of a weight nobody judges, only what the rows say of each other.
    Blurt(Blurt),
    /// A step from its vessel to the lift, with so many tenths of a gram too much, and what is answered.
    Step {
        over: u16,
        answer: Blurt,
    },
    /// The beaker of the last step is put back with so many tenths of a gram in it.
    Emptied {
        tenths: u16,
    },
}

#[derive(Debug, Clone, Copy)]
enum Word {
    Next,
    Again,
    Keep,
    Lot,
}

#[derive(Debug, Clone, Copy)]
enum Blurt {
    Next,
    Again,
    Keep,
    Undo,
    Cancel,
    Lot(u8),
    LotOf(usize, u8),
    Skip,
    Residue(Option<usize>),
    Remedy(Way),
    Note,
    Stop,
}

fn blurt() -> impl Strategy<Value = Blurt> {
    prop_oneof![
        6 => Just(Blurt::Next),
        2 => Just(Blurt::Again),
        3 => Just(Blurt::Keep),
        3 => Just(Blurt::Undo),
        1 => Just(Blurt::Cancel),
        4 => (1_u8..=2).prop_map(Blurt::Lot),
        2 => (0_usize..5, 1_u8..=3).prop_map(|(step, number)| Blurt::LotOf(step, number)),
        1 => Just(Blurt::Skip),
        3 => prop_oneof![Just(None), (1_usize..5).prop_map(Some)].prop_map(Blurt::Residue),
        2 => prop::sample::select(Way::ALL.to_vec()).prop_map(Blurt::Remedy),
        1 => Just(Blurt::Note),
    ]
}

fn deed() -> impl Strategy<Value = Deed> {
    prop_oneof![
        4 => (20_u16..400).prop_map(|grams| Deed::SetDown { grams }),
        2 => Just(Deed::PutBack),
        4 => Just(Deed::LiftOff),
        6 => (1_u16..160, 15_u8..40).prop_map(|(tenths, lasts)| Deed::Pour { tenths, lasts }),
        // What the step wants, as far as the person knows: so that steps do get recorded.
        10 => (15_u8..40).prop_map(|lasts| Deed::Pour { tenths: 0, lasts }),
        2 => (1_u16..40).prop_map(|tenths| Deed::TakeOut { tenths }),
        4 => Just(Deed::Tare),
        2 => (15_u8..60, prop_oneof![Just(0_u16), 1_u16..60], any::<bool>())
            .prop_map(|(lasts, tenths, off)| Deed::Gap { lasts, tenths, off }),
        1 => Just(Deed::Unit),
        6 => (1_u8..30).prop_map(|tenths| Deed::Wait { tenths }),
        3 => prop_oneof![
            Just(Word::Next), Just(Word::Again), Just(Word::Keep), Just(Word::Lot)
        ].prop_map(Deed::Say),
    ]
}

#[derive(Debug, Clone, Default)]
struct Vessel {
    empty: f64,
    contents: f64,
    /// What it held when the running step began.
    before: f64,
}

/// The scale, what stands on it, and the truth.
struct World {
    engine: Engine,
    now: u64,
    interval: u64,
    tau: f64,
    shown: f64,
    tare: f64,
    ounces: bool,
    on_pan: Option<Vessel>,
    in_hand: Option<Vessel>,
    step: usize,
    missing: Option<f64>,
    choices: Vec<Choice>,
    mixing: bool,
    /// Something was asked for since the vessel was set down.
    asked_to_add: bool,
    /// The sentence asked for an empty vessel.
    asked_empty: bool,
    /// A vessel with something of this step in it gave way to another.
    swapped: bool,
    seq: u64,
    /// True net weight of the running step, sampled with each reading.
    truth: Vec<(u64, f64)>,
    rows: Vec<Draft>,
    /// All rows, of whatever kind.
    written: Vec<Draft>,
    /// Whether a weight is held against the truth.
    judged: bool,
    /// Prints what is read and said.
    told: bool,
    recorded: HashMap<usize, usize>,
    /// When the vessel of a step was lifted last, and the truth then.
    at_lift: HashMap<usize, (u64, f64)>,
}

impl World {
    fn new(interval: u64, tau: f64) -> World {
        World::of(plan(), interval, tau)
    }

    fn of(plan: Plan, interval: u64, tau: f64) -> World {
        let config = Config {
            scales: vec![scale()],
            ..Config::default()
        };
        let mut world = World {
            engine: Engine::new(Setup::from(&config)),
            now: 0,
            interval,
            tau,
            shown: 0.0,
            tare: 0.0,
            ounces: false,
            on_pan: None,
            in_hand: None,
            step: 0,
            missing: None,
            choices: Vec::new(),
            mixing: false,
            asked_to_add: false,
            asked_empty: false,
            swapped: false,
            seq: 0,
            truth: Vec::new(),
            rows: Vec::new(),
            written: Vec::new(),
            judged: true,
            told: false,
            recorded: HashMap::new(),
            at_lift: HashMap::new(),
        };
        let begun = world
            .engine
            .begin(plan, Progress::default(), Moment::default());
        begun.unwrap();
        world.drain();
        world.read_for(2.0);
        world
    }

    fn load(&self) -> f64 {
        self.on_pan.as_ref().map_or(0.0, |v| v.empty + v.contents)
    }

    fn net(&self) -> f64 {
        let vessel = self.on_pan.as_ref().or(self.in_hand.as_ref());
        vessel.map_or(0.0, |v| v.contents - v.before)
    }

    fn drain(&mut self) {
        while let Some(event) = self.engine.poll() {
            match event {
                Event::Log(draft) => {
                    assert!(reads_back(&draft), "is told to nobody: {draft:?}");
                    self.seq += 1;
                    let (ticket, seq) = (draft.ticket, self.seq);
                    self.written.push((*draft).clone());
                    if draft.kind == RowKind::Weighed {
                        if self.told {
                            let (net, u) = (draft.net, draft.uncertainty);
                            println!("        ROW {seq} {net:?} +- {u:?} {}", draft.note);
                        }
                        self.judge_row(&draft);
                        self.rows.push(*draft);
                    }
                    let at = Moment::from_millis(self.now);
                    self.engine.handle(0, Input::Logged { ticket, seq }, at);
                }
                Event::Step { step, .. } => {
                    if step != self.step {
                        self.step = step;
                        self.swapped = false;
                        for vessel in [&mut self.on_pan, &mut self.in_hand].into_iter().flatten() {
                            vessel.before = vessel.contents;
                        }
                        self.truth.clear();
                    }
                }
                Event::Cue(cue) => {
                    self.mixing = cue.kind == CueKind::Mix;
                    if self.told {
                        println!("        {}", cue.say);
                    }
                    self.asked_to_add |= cue.kind == CueKind::Add;
                    if cue.kind != CueKind::Fault {
                        self.asked_empty = cue.say.contains("empty");
                    }
                    self.choices = cue.choices;
                    self.missing = cue.missing.map(Mass::to_g_f64);
                }
                Event::Recorded { step, .. } => *self.recorded.entry(step).or_default() += 1,
                Event::Fault { .. }
                | Event::Reading(_)
                | Event::Tare { .. }
                | Event::Closed { .. } => {}
            }
        }
    }

    /// A row is the truth of its moment, within the scale's own lag.
    fn judge_row(&self, row: &Draft) {
        // A row without a net weight takes one back.
        let net = row.net.filter(|_| self.judged).map(Mass::to_g_f64);
        let Some(net) = net else {
            return;
        };
        // Of another lot, the row before it says what was weighed.
        let before = self.rows.iter().rfind(|before| before.step == row.step);
        let weight = |row: &Draft| (row.net, row.tare, row.gross, row.uncertainty, row.verdict);
        if before.is_some_and(|before| before.lot != row.lot && weight(before) == weight(row)) {
            return;
        }
        let limit = 2.0 * row.uncertainty.unwrap().to_g_f64();
        let since = row.at.millis().saturating_sub(self.interval * 2 + 800);
        // A row written as the vessel is seen to be gone is about that vessel.
        let lifted = self
            .at_lift
            .get(&row.step)
            .filter(|(at, _)| at + 8_000 >= row.at.millis());
        let lifted = lifted.map(|&(_, truth)| truth);
        let truths = self.truth.iter().filter(|(at, _)| *at >= since);
        let best = truths
            .map(|(_, truth)| *truth)
            .chain(lifted)
            .map(|truth| (net - truth).abs())
            .fold(f64::INFINITY, f64::min);
        assert!(
            best <= limit,
            "step {} recorded {net} g, truth {:?}, limit {limit}: {row:?}",
            row.step,
            self.truth.last()
        );
    }

    fn read(&mut self) {
        self.now += self.interval;
        let left = (-(self.interval as f64 / 1000.0) / self.tau).exp();
        self.shown = self.load() + (self.shown - self.load()) * left;
        let net = self.net();
        self.truth.push((self.now, net));
        let unit = if self.ounces { Unit::Ounce } else { Unit::Gram };
        // 0.01 g; 0.001 oz.
        let digit = if self.ounces {
            Mass::from_ng(28_349_523)
        } else {
            Mass::from_mg(10)
        };
        let weight = Mass::from_g_f64(self.shown - self.tare)
            .unwrap()
            .round_to(digit);
        let at = Moment::from_millis(self.now);
        let reading = Reading {
            at,
            weight,
            digit,
            unit: Some(unit),
            steady: None,
            shown: None,
        };
        if let Some(due) = self.engine.deadline().filter(|due| *due <= at) {
            self.engine.tick(due);
        }
        if self.told {
            println!("{:>6} ms {weight:?} holds {net:.3}", self.now);
        }
        self.engine.handle(0, Input::Reading(reading), at);
        self.drain();
        if self.told {
            let mut status = bismar::vocabulary::status::Status::default();
            self.engine.status(&mut status);
            println!("            {}", status.tare.unwrap_or_default());
        }
    }

    fn read_for(&mut self, seconds: f64) {
        for _ in 0..(seconds * 1000.0 / self.interval as f64).ceil() as usize {
            self.read();
        }
    }

    fn pour(&mut self, grams: f64, seconds: f64) {
        let n = (seconds * 1000.0 / self.interval as f64).ceil().max(1.0) as usize;
        for _ in 0..n {
            if let Some(vessel) = &mut self.on_pan {
                vessel.contents = (vessel.contents + grams / n as f64).max(vessel.before);
            }
            self.read();
        }
    }

    fn apply(&mut self, deed: &Deed) {
        match *deed {
            Deed::SetDown { grams } if self.on_pan.is_none() => {
                let full = |v: &Vessel| v.contents != v.before;
                self.swapped |= self.in_hand.as_ref().is_some_and(full);
                self.asked_to_add = false;
                // Nothing tells a vessel from another that weighs as much with what is in it.
                let gone = self.in_hand.take().map_or(0.0, |v| v.empty + v.contents);
                let mut empty = f64::from(grams) + 0.37;
                if (empty - gone).abs() < 0.5 {
                    empty += 1.0;
                }
                self.on_pan = Some(Vessel {
                    empty,
                    ..Vessel::default()
                });
                // Nobody pours before the vessel has left the hand.
                self.read_for(1.0);
            }
            Deed::PutBack if self.on_pan.is_none() => {
                self.on_pan = self.in_hand.take();
                if let Some(vessel) = self.on_pan.as_mut().filter(|_| self.asked_empty) {
                    vessel.contents = vessel.before;
                }
                self.read_for(1.0);
            }
            Deed::LiftOff if self.on_pan.is_some() => {
                // An empty one that took its place for a moment is not the step's vessel.
                if self.net() != 0.0 || !self.at_lift.contains_key(&self.step) {
                    self.at_lift.insert(self.step, (self.now, self.net()));
                }
                self.in_hand = self.on_pan.take();
                self.read_for(0.8);
            }
            // Whoever takes another vessel in the middle of a step waits to be asked.
            Deed::Pour { .. } if self.swapped && !self.asked_to_add => {}
            Deed::Pour { tenths, lasts } if self.on_pan.is_some() => {
                let grams = match tenths {
                    0 => self.missing.unwrap_or(0.0),
                    n => f64::from(n) / 10.0,
                };
                self.pour(grams, f64::from(lasts) / 10.0);
            }
            Deed::TakeOut { tenths } => {
                self.pour(-f64::from(tenths) / 10.0, 1.5);
                // At two lines a second nothing tells a spoonful from the beginning of a lift: who
                // takes out after the record waits for the new one.
                if self.recorded.contains_key(&self.step) {
                    self.read_for(2.5);
                }
            }
            Deed::Tare => {
                // The key waits for rest, as a scale's does.
                if (self.shown - self.load()).abs() < 0.004 {
                    self.tare = if self.load() == 0.0 { 0.0 } else { self.shown };
                    // Before anything was asked for, TARE is the maker's own word for what the
                    // vessel is.
                    if let Some(vessel) = self.on_pan.as_mut().filter(|_| !self.asked_to_add) {
                        vessel.before = vessel.contents;
                    }
                }
                self.read_for(0.5);
            }
            Deed::Gap { lasts, tenths, off } => self.gap(lasts, tenths, off),
            Deed::Unit => {
                self.ounces = !self.ounces;
                self.read_for(0.3);
            }
            Deed::Wait { tenths } => self.read_for(f64::from(tenths) / 10.0),
            Deed::Say(word) => self.say(word),
            Deed::Blurt(word) => self.blurt(word),
            Deed::Step { over, answer } => {
                if self.on_pan.is_none() {
                    self.on_pan = self.in_hand.take();
                }
                if self.on_pan.is_none() {
                    self.apply(&Deed::SetDown { grams: 60 });
                }
                self.read_for(1.5);
                self.blurt(Blurt::Lot(1));
                let missing = self.missing.unwrap_or_default();
                self.pour(missing + f64::from(over) / 10.0, 3.0);
                self.read_for(2.5);
                self.blurt(answer);
                self.read_for(1.0);
                self.apply(&Deed::LiftOff);
                self.read_for(2.5);
            }
            Deed::Emptied { tenths } => {
                self.apply(&Deed::LiftOff);
                self.blurt(Blurt::Residue(None));
                let beaker = self.in_hand.take();
                self.on_pan = beaker.map(|beaker| Vessel {
                    contents: f64::from(tenths) / 10.0,
                    ..beaker
                });
                self.read_for(3.0);
                self.in_hand = self.on_pan.take();
                self.read_for(2.0);
            }
            Deed::SetDown { .. } | Deed::PutBack | Deed::LiftOff | Deed::Pour { .. } => {}
        }
    }

    fn gap(&mut self, lasts: u8, tenths: u16, off: bool) {
        let at = Moment::from_millis(self.now);
        self.engine.handle(0, Input::Lost, at);
        self.drain();
        self.now += u64::from(lasts) * 100;
        // After its record nobody goes on pouring into the dark; a late drop is no more than 1 g.
        let most = if self.recorded.contains_key(&self.step) {
            0.9
        } else {
            f64::MAX
        };
        if let Some(vessel) = &mut self.on_pan {
            vessel.contents += (f64::from(tenths) / 10.0).min(most);
        }
        self.shown = self.load();
        if off {
            // Switched on again, it calls zero what stands there.
            self.tare = self.shown;
        }
        self.engine
            .handle(0, Input::Back, Moment::from_millis(self.now));
        self.drain();
        self.read_for(0.5);
    }

    fn blurt(&mut self, word: Blurt) {
        let command = match word {
            Blurt::Next => Command::Next,
            Blurt::Again => Command::Again,
            Blurt::Keep => Command::Keep,
            Blurt::Undo => Command::Undo,
            Blurt::Cancel => Command::Cancel,
            Blurt::Lot(number) => Command::Lot(format!("L-{number}")),
            Blurt::LotOf(step, number) => Command::LotOf(step, format!("L-{number}")),
            Blurt::Skip => Command::Skip("none there".into()),
            Blurt::Residue(step) => Command::Residue(step),
            Blurt::Remedy(way) => Command::Remedy(way),
            Blurt::Note => Command::Note(OWN.into()),
            Blurt::Stop => Command::Stop,
        };
        let said = self.engine.command(command, Moment::from_millis(self.now));
        if self.told {
            println!("        {said:?}");
        }
        self.drain();
    }

    fn say(&mut self, word: Word) {
        let command = match word {
            Word::Next => {
                let empty = self.on_pan.as_ref().is_none_or(|v| v.contents == 0.0);
                let true_word = self.mixing || (empty && !self.swapped);
                if !(true_word && self.choices.contains(&Choice::Next)) {
                    return;
                }
                Command::Next
            }
            Word::Again => Command::Again,
            // What is kept is the vessel that was weighed, not the one that took its place.
            Word::Keep if self.swapped => return,
            Word::Keep => Command::Keep,
            Word::Lot => Command::Lot("L-1".into()),
        };
        let said = self.engine.command(command, Moment::from_millis(self.now));
        let said = said.unwrap_or_else(|refused| refused.say);
        assert!(said.is_ours(), "goes round the messages: {said:?}");
        self.drain();
    }

    /// The last row of each step is the truth at the lift, and each step has one row that is not a
    /// correction.
    fn judge_end(&self) {
        let mut last: HashMap<usize, &Draft> = HashMap::new();
        let mut firsts: HashMap<usize, usize> = HashMap::new();
        let mut taken_back: HashMap<usize, usize> = HashMap::new();
        for row in &self.rows {
            last.insert(row.step, row);
            // A row without a net weight takes one back, and the step is weighed once more.
            *taken_back.entry(row.step).or_default() += usize::from(row.net.is_none());
            let first = !row.note.starts_with("corrects");
            *firsts.entry(row.step).or_default() += usize::from(first);
        }
        for (step, n) in firsts {
            let most = 1 + taken_back.get(&step).copied().unwrap_or_default();
            assert!(
                (1..=most).contains(&n),
                "step {step} was recorded {n} times"
            );
        }
        for (step, row) in last {
            let Some(&(lifted, truth)) = self.at_lift.get(&step) else {
                continue;
            };
            let lifted_since = lifted + 2_000 >= row.at.millis();
            if step == self.step || !lifted_since {
                continue;
            }
            let Some(net) = row.net.map(Mass::to_g_f64) else {
                continue;
            };
            let limit = 2.0 * row.uncertainty.unwrap().to_g_f64();
            assert!(
                (net - truth).abs() <= limit,
                "step {step}: {net} g at the end, truth at the lift {truth}, limit {limit}"
            );
        }
    }
}

fn scale() -> ScaleSettings {
    ScaleSettings {
        readability: Some(Mass::from_mg(10)),
        ..scale_config("bench", Path::new("/dev/null"), "")
    }
}

fn plan() -> Plan {
    let steps: Vec<Step> = [6, 15, 9]
        .into_iter()
        .enumerate()
        .map(|(i, grams)| {
            let target = Mass::from_g(grams);
            Step {
                number: i + 1,
                phase: 0,
                part: 0,
                ingredient: format!("ingredient {}", i + 1),
                target,
                lowest: target - target.ratio(2, 100),
                highest: target + target.ratio(2, 100),
                vessel: VesselWay::Beaker,
                caution: None,
                lot_required: i == 1,
                last_of_phase: i == 2,
                scale: 0,
            }
        })
        .collect();
    Plan {
        batch: Mass::from_g(30),
        jars: None,
        formula: "Test".into(),
        version: "1".into(),
        phases: vec![PlannedPhase {
            name: "Dry".into(),
            mix: None,
        }],
        steps: steps.into_iter().map(Into::into).collect(),
        parts: vec![],
        limits: vec![],
        filling: None,
    }
}

/// Runs a course of deeds; `Err` says what went wrong.
fn run(deeds: &[Deed], interval: u64, tau: f64, told: bool) -> Result<(), String> {
    told_of(AssertUnwindSafe(|| {
        let mut world = World::new(interval, tau);
        world.told = told;
        for deed in deeds {
            if told {
                println!("{deed:?}");
            }
            world.apply(deed);
        }
        world.read_for(3.0);
        world.judge_end();
    }))
}

fn told_of(course: impl FnOnce() + UnwindSafe) -> Result<(), String> {
    catch_unwind(course).map_err(|panic| {
        let said = panic.downcast_ref::<String>().cloned();
        said.unwrap_or_else(|| "panicked".to_owned())
    })
}

/// A whole number from the environment, or else `usual`.
fn setting(name: &str, usual: u64) -> u64 {
    std::env::var(name).map_or(usual, |text| text.parse().expect(name))
}

/// `BISMAR_LEDGER_SEED` (default 1) picks the courses, `BISMAR_LEDGER_CASES` (default 2000) how many,
/// `BISMAR_LEDGER_ROUNDS` (default 1) with how many seeds from that one on; `BISMAR_LEDGER_TOLD=1` tells
/// a course that went wrong reading by reading.
#[test]
fn no_order_of_deeds_makes_a_wrong_record() {
    let cases = u32::try_from(setting("BISMAR_LEDGER_CASES", 2000)).expect("cases");
    let first = setting("BISMAR_LEDGER_SEED", 1);
    let rounds = setting("BISMAR_LEDGER_ROUNDS", 1);
    let mut wrong = 0;
    for seed in first..first + rounds {
        let config = ProptestConfig {
            cases,
            failure_persistence: None,
            max_shrink_iters: 3000,
            ..ProptestConfig::default()
        };
        let mut bytes = [0; 32];
        bytes[..8].copy_from_slice(&seed.to_le_bytes());
        let rng = TestRng::from_seed(RngAlgorithm::ChaCha, &bytes);
        let mut runner = TestRunner::new_with_rng(config, rng);
        let courses = (
            prop::collection::vec(deed(), 1..60),
            prop::sample::select(vec![20_u64, 40, 100, 200, 500]),
            0.04..0.2_f64,
        );
        let found = runner.run(&courses, |(deeds, interval, tau)| {
            run(&deeds, interval, tau, false).map_err(TestCaseError::fail)
        });
        if let Err(TestError::Fail(why, (deeds, interval, tau))) = found {
            wrong += 1;
            if std::env::var_os("BISMAR_LEDGER_TOLD").is_some() {
                let _ = run(&deeds, interval, tau, true);
            }
            println!("seed {seed}, every {interval} ms, filter {tau:.3} s: {why}\n{deeds:?}\n");
        }
    }
    assert_eq!(
        wrong, 0,
        "wrong records in {wrong} of {rounds} runs of {cases} courses"
    );
    faults::report(
        "deeds in any order",
        "vessels, pours, keys, gaps, units and words in any order, 2 to 50 lines a second, an exact scale",
        format!("{} courses of up to 60 deeds", u64::from(cases) * rounds),
        "no weight further from the truth than its U, no step twice",
        format!("{wrong} of {rounds} runs with a wrong record"),
    );
}

/// All ways of weighing, phases with names that a spreadsheet would run, a lot that is asked for, a limit that an
/// over-pour breaks.
const ALL_WAYS: &str = r#"
[formula]
name = "=Marram; -trial"
version = "@1"
[[phase]]
name = "+Dry; =one"
mix = "|Stir; =slowly"
[[phase.ingredient]]
name = "-Salt; @sea"
parts = 6
vessel = "bowl"
[[phase.ingredient]]
name = "Clay"
parts = 5
vessel = "bowl"
lot_required = true
[[phase]]
name = "Wet"
mix = "Whisk"
[[phase.ingredient]]
name = "Oil"
parts = 9
[[phase.ingredient]]
name = "Scent"
parts = 7
vessel = "difference"
limits = { max = 26 }
[[phase]]
name = "+Dry; =one"
[[phase.ingredient]]
name = "Clay"
parts = 3
"#;

/// Rows that are corrected, taken back, left out, mended and doubted in any order agree with each other and with the
/// formula, as `log verify` holds them. `BISMAR_LEDGER_CASES` and `BISMAR_LEDGER_SEED` as below.
#[test]
fn no_order_of_words_makes_rows_that_disagree() {
    let formula = Formula::parse(ALL_WAYS, "").unwrap_or_else(|e| panic!("{e}"));
    let batch = Mass::from_g(30);
    let scales = [ScaleAbility {
        readability: Mass::from_mg(10),
        ..ScaleAbility::assumed("bench")
    }];
    let plan = Plan::new(&formula, BatchSize::Batch(batch), &scales, 2.0).unwrap();
    let cases = u32::try_from(setting("BISMAR_LEDGER_CASES", 1000)).expect("cases");
    let mut bytes = [7; 32];
    bytes[..8].copy_from_slice(&setting("BISMAR_LEDGER_SEED", 1).to_le_bytes());
    let config = ProptestConfig {
        cases,
        failure_persistence: None,
        max_shrink_iters: 3000,
        ..ProptestConfig::default()
    };
    let rng = TestRng::from_seed(RngAlgorithm::ChaCha, &bytes);
    let step = (prop_oneof![4 => Just(0_u16), 1 => 1_u16..30], blurt());
    let deeds = prop_oneof![
        6 => deed(),
        4 => blurt().prop_map(Deed::Blurt),
        6 => step.prop_map(|(over, answer)| Deed::Step { over, answer }),
        2 => (0_u16..6).prop_map(|tenths| Deed::Emptied { tenths }),
    ];
    let courses = (
        prop::collection::vec(deeds, 1..60),
        prop::sample::select(vec![40_u64, 100]),
        prop::option::of(Just(())),
    );
    let kinds = RefCell::new(BTreeMap::<&str, usize>::new());
    let play = |deeds: &[Deed], interval: u64, stops: bool| {
        told_of(AssertUnwindSafe(|| {
            let mut world = World::of(plan.clone(), interval, 0.1);
            world.judged = false;
            deeds.iter().for_each(|deed| world.apply(deed));
            if stops {
                world.blurt(Blurt::Stop);
            }
            world.read_for(3.0);
            for row in &world.written {
                let what = match row.note.starts_with("corrects seq") {
                    true if row.note.contains("; lot of ") => "of another lot",
                    true => "corrected",
                    false => row.kind.name(),
                };
                *kinds.borrow_mut().entry(what).or_default() += 1;
            }
            let rows = (1..).zip(world.written);
            agreed::of_formula("any words", &formula, batch, rows);
        }))
    };
    // A record that was taken back had another number once a remedy had put a step before it.
    let step = |answer| Deed::Step { over: 0, answer };
    let set_down = Deed::SetDown { grams: 20 };
    let words = [
        Blurt::Undo,
        Blurt::Remedy(Way::InProportion),
        Blurt::Skip,
        Blurt::Next,
    ];
    let mut course = vec![
        set_down.clone(),
        Deed::LiftOff,
        step(Blurt::Skip),
        step(Blurt::Next),
    ];
    course.extend(words.map(Deed::Blurt));
    course.extend([set_down.clone(), set_down, step(Blurt::Next)]);
    assert_eq!(play(&course, 40, false), Ok(()));
    let played = TestRunner::new_with_rng(config, rng).run(&courses, |(deeds, interval, stops)| {
        play(&deeds, interval, stops.is_some()).map_err(TestCaseError::fail)
    });
    let kinds = kinds.into_inner();
    println!("{kinds:?}");
    if let Err(TestError::Fail(why, course)) = played {
        panic!("{why}\n{course:?}");
    }
    for kind in [
        "weighed",
        "corrected",
        "mixed",
        "residue",
        "remedy",
        "taken-out",
        "note",
        "closed",
    ] {
        let rows = kinds.get(kind).copied().unwrap_or_default();
        assert!(
            rows * 50 > cases as usize,
            "{rows} rows of {kind}: {kinds:?}"
        );
    }
    faults::report(
        "words and deeds in any order",
        "every word at any moment (undo, skip, remedies, lots, emptied beakers, stop), true or not, between deeds; names that a spreadsheet would run",
        format!("{cases} courses of up to 60 deeds"),
        "no row is called forged by `log verify`; no panic",
        format!(
            "{} rows, {} of them corrections",
            kinds.values().sum::<usize>(),
            kinds["corrected"]
        ),
    );
}

/// A person who does all as it should be gets every step: the property above is not an empty one.
#[test]
fn deeds_in_their_order_record_every_step() {
    let mut world = World::new(100, 0.1);
    world.say(Word::Lot);
    for _ in 0..3 {
        for deed in [
            Deed::SetDown { grams: 90 },
            Deed::Wait { tenths: 20 },
            Deed::Pour {
                tenths: 0,
                lasts: 30,
            },
            Deed::Wait { tenths: 30 },
            Deed::Say(Word::Lot),
            Deed::Wait { tenths: 10 },
            Deed::LiftOff,
            Deed::Wait { tenths: 20 },
        ] {
            world.apply(&deed);
        }
    }
    assert_eq!(world.recorded.len(), 3, "{:?}", world.rows);
    world.judge_end();
}
