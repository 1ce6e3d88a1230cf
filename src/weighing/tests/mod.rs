//! Scripts: readings at ten a second, exactly as a scale would show them.

mod after;
mod benches;
mod budgets;
mod decides;
mod edges;
mod empty_pan;
mod laid;
mod late_lots;
mod lifted;
mod parts;
mod returns;
mod told;
mod unanswered;
mod ways_back;
mod weighings;

use std::sync::Arc;

use super::Engine;
use super::Setup;
use super::event::{Event, Input};
use crate::config::Config;
use crate::formula::amend::for_a_person;
use crate::formula::{Plan, PlannedPhase, Step, VesselWay};
use crate::language::remark;
use crate::mass::{Mass, Unit};
use crate::scale::settings::{PortSelector, ScaleSettings};
use crate::time::Moment;
use crate::vocabulary::code::Stands;
use crate::vocabulary::command::Command;
use crate::vocabulary::cue::{Cue, CueKind};
use crate::vocabulary::entry::{Draft, RowKind, Verdict};
use crate::vocabulary::progress::Progress;
use crate::vocabulary::reading::{Reading, Shown};
use crate::vocabulary::status::Status;

/// Whether what a row remarks is told in each language. That of a mixing is the formula's own text.
fn is_told(draft: &Draft) -> bool {
    let note = for_a_person(&draft.note);
    draft.kind == RowKind::Mixed || remark::told(note).is_ours()
}

fn g(text: &str) -> Mass {
    Mass::parse(text.as_bytes(), Unit::Gram).unwrap()
}

fn scale(name: &str) -> ScaleSettings {
    ScaleSettings {
        readability: Some(Mass::from_mg(10)),
        ..ScaleSettings::new(name, PortSelector::Path("/dev/null".into()), "")
    }
}

fn step(number: usize, name: &str, target: &str, vessel: VesselWay) -> Step {
    let target = g(target);
    Step {
        number,
        phase: 0,
        part: 0,
        ingredient: name.into(),
        target,
        lowest: target - target.ratio(1, 100),
        highest: target + target.ratio(1, 100),
        vessel,
        caution: None,
        lot_required: false,
        last_of_phase: false,
        scale: 0,
    }
}

/// Two steps, each in a beaker of its own.
fn two_beakers() -> Vec<Step> {
    vec![
        step(1, "Salt", "12.00", VesselWay::Beaker),
        step(2, "Oil", "8.00", VesselWay::Beaker),
    ]
}

/// Two steps into one bowl.
fn two_in_a_bowl() -> Plan {
    let steps = vec![
        step(1, "Oil", "20.00", VesselWay::Bowl),
        step(2, "Wax", "10.00", VesselWay::Bowl),
    ];
    plan(steps, None)
}

/// The same, stirred between them.
fn stirred_between(first: &str, second: &str) -> Plan {
    let mut steps = vec![
        step(1, "Oil", first, VesselWay::Bowl),
        step(2, "Wax", second, VesselWay::Bowl),
    ];
    steps[0].last_of_phase = true;
    steps[1].phase = 1;
    let mut plan = plan(steps, Some("Stir."));
    plan.phases.push(PlannedPhase {
        name: "Wet".into(),
        mix: None,
    });
    plan
}

fn plan(mut steps: Vec<Step>, mix: Option<&str>) -> Plan {
    steps.last_mut().unwrap().last_of_phase = true;
    Plan {
        batch: steps.iter().map(|s| s.target).sum(),
        jars: None,
        formula: "Test".into(),
        version: "1".into(),
        phases: vec![PlannedPhase {
            name: "Dry".into(),
            mix: mix.map(Into::into),
        }],
        steps: steps.into_iter().map(Arc::new).collect(),
        parts: vec![],
        limits: vec![],
        filling: None,
    }
}

/// A scale on a script, and everything that the engine said.
struct Bench {
    engine: Engine,
    now: u64,
    interval: u64,
    shown: f64,
    /// What the scale shows of an empty pan, see [`empty_pan`].
    empty_pan: f64,
    flag: Option<Shown>,
    /// The scale's own mark of rest.
    steady: Option<bool>,
    /// Time constant of the filter in milliseconds; with 1 a load comes within one reading.
    tau: f64,
    unit: Unit,
    /// The scale that the readings come from, and its last digit.
    scale: usize,
    digit: Mass,
    rows: Vec<Draft>,
    cues: Vec<Cue>,
    recorded: Vec<(usize, Mass)>,
    closed: Option<bool>,
    faults: Vec<&'static str>,
    /// Where it stands with its tare, as the page is told.
    tares: Vec<(Stands, Option<Mass>)>,
    log_works: bool,
    /// What the disk has not answered yet, while it is slow.
    disk_is_slow: bool,
    waiting: Vec<Draft>,
    /// The net weight that goes along with the last reading.
    live: Option<Mass>,
}

impl Bench {
    fn new(plan: Plan) -> Bench {
        Bench::with(vec![scale("bench")], plan, Progress::default())
    }

    fn with(scales: Vec<ScaleSettings>, plan: Plan, progress: Progress) -> Bench {
        let config = Config {
            scales,
            ..Config::default()
        };
        let mut bench = Bench {
            engine: Engine::new(Setup::from(&config)),
            now: 0,
            interval: 100,
            shown: 0.0,
            empty_pan: empty_pan::shows(),
            flag: None,
            steady: None,
            tau: 200.0,
            unit: Unit::Gram,
            scale: 0,
            digit: Mass::from_mg(10),
            rows: vec![],
            cues: vec![],
            recorded: vec![],
            closed: None,
            faults: vec![],
            tares: vec![],
            log_works: true,
            disk_is_slow: false,
            waiting: vec![],
            live: None,
        };
        bench.engine.set_readings(true);
        bench
            .engine
            .begin(plan, progress, Moment::default())
            .unwrap();
        bench.drain();
        bench
    }

    fn one(name: &str, target: &str) -> Bench {
        Bench::new(plan(vec![step(1, name, target, VesselWay::Beaker)], None))
    }

    fn drain(&mut self) {
        while let Some(event) = self.engine.poll() {
            match event {
                Event::Cue(cue) => {
                    assert!(cue.say.is_ours() && !cue.say.is_empty(), "{cue:?}");
                    let led: String = cue.say.chars().take(cue.lead).collect();
                    assert!(led.is_empty() || led.ends_with(" g "), "{cue:?}");
                    empty_pan::told(&cue);
                    self.tells_what_is_missing(&cue);
                    self.cues.push(cue);
                }
                Event::Log(draft) if self.disk_is_slow => self.waiting.push(*draft),
                Event::Log(draft) if !is_told(&draft) => panic!("no remark of ours: {draft:?}"),
                Event::Log(draft) => {
                    empty_pan::told(&draft);
                    let ticket = draft.ticket;
                    let at = Moment::from_millis(self.now);
                    let answer = if self.log_works {
                        self.rows.push(*draft);
                        Input::Logged {
                            ticket,
                            seq: self.rows.len() as u64,
                        }
                    } else {
                        Input::NotLogged {
                            ticket,
                            why: "disk full".into(),
                        }
                    };
                    self.engine.handle(0, answer, at);
                }
                Event::Recorded { step, net, .. } => self.recorded.push((step, net)),
                Event::Closed { complete } => self.closed = Some(complete),
                Event::Fault {
                    code, over: false, ..
                } => self.faults.push(code.name()),
                Event::Reading(live) => self.live = live.net,
                Event::Tare { state, tare } => self.tares.push((state, tare)),
                Event::Fault { .. } | Event::Step { .. } => {}
            }
        }
    }

    /// No cue asks for more than the page counts as missing, or than the whole step; a hand that presses makes it less.
    fn tells_what_is_missing(&self, cue: &Cue) {
        let status = self.status();
        let (Some(said), Some(counted)) = (cue.missing, status.missing) else {
            return;
        };
        let whole = status.target.filter(|_| cue.kind != CueKind::Hold);
        let most = whole.map_or(Mass::ZERO, |target| target.mass);
        // A step of a coarse unit may lie between the two.
        let most = counted.mass.max(most) + Mass::from_mg(500);
        assert!(said <= most, "{cue:?}, {counted:?}");
    }

    /// The disk answers what waited.
    fn disk_answers(&mut self) -> &mut Self {
        self.disk_is_slow = false;
        for draft in std::mem::take(&mut self.waiting) {
            let ticket = draft.ticket;
            self.rows.push(draft);
            let seq = self.rows.len() as u64;
            let at = Moment::from_millis(self.now);
            self.engine.handle(0, Input::Logged { ticket, seq }, at);
        }
        self.drain();
        self
    }

    fn read(&mut self, shown: f64) {
        self.now += self.interval;
        self.shown = shown;
        let weight = Mass::from_g_f64(shown + self.empty_pan)
            .unwrap()
            .round_to(self.digit);
        let reading = Reading {
            at: Moment::from_millis(self.now),
            weight,
            digit: self.digit,
            unit: Some(self.unit),
            steady: self.steady,
            shown: self.flag,
        };
        self.engine.handle(
            self.scale,
            Input::Reading(reading),
            Moment::from_millis(self.now),
        );
        self.drain();
    }

    fn hold(&mut self, seconds: f64) -> &mut Self {
        for _ in 0..(seconds * 1000.0 / self.interval as f64) as usize {
            self.read(self.shown);
        }
        self
    }

    /// A load that comes or goes at once, through the filter.
    fn land(&mut self, to: f64) -> &mut Self {
        let from = self.shown;
        let decay = (-(self.interval as f64) / self.tau).exp();
        let mut left = 1.0;
        for _ in 0..25 {
            left *= decay;
            self.read(to + (from - to) * left);
        }
        self.shown = to;
        self.hold(0.2)
    }

    fn pour(&mut self, to: f64, seconds: f64) -> &mut Self {
        let from = self.shown;
        let n = (seconds * 1000.0 / self.interval as f64).max(1.0) as usize;
        for i in 1..=n {
            self.read(from + (to - from) * i as f64 / n as f64);
        }
        self
    }

    /// A jump within one reading: the TARE key, or a lift on a slow scale.
    fn jump(&mut self, to: f64) -> &mut Self {
        self.read(to);
        self
    }

    fn say(&mut self, command: Command) -> &mut Self {
        let said = self.engine.command(command, Moment::from_millis(self.now));
        let said = said.unwrap_or_else(|refused| refused.say);
        assert!(said.is_ours(), "{said:?}");
        self.drain();
        self
    }

    /// The same, and what is answered, refused or not.
    fn answer(&mut self, command: Command) -> String {
        let said = self.engine.command(command, Moment::from_millis(self.now));
        self.drain();
        said.unwrap_or_else(|refused| refused.say).to_string()
    }

    fn status(&self) -> Status {
        let mut status = Status::default();
        self.engine.status(&mut status);
        status
    }

    /// The last row.
    fn row(&self) -> &Draft {
        self.rows.last().unwrap()
    }

    fn weighed(&self) -> Vec<(usize, String, Option<Verdict>)> {
        self.rows
            .iter()
            // A row without a net weight takes one back.
            .filter(|row| row.kind == RowKind::Weighed && row.net.is_some())
            .map(|row| {
                (
                    row.step,
                    row.net.unwrap().grams_rounded(2).to_string(),
                    row.verdict,
                )
            })
            .collect()
    }

    #[track_caller]
    fn expect(&self, nets: &[&str]) {
        let got: Vec<String> = self.weighed().into_iter().map(|(_, net, _)| net).collect();
        assert_eq!(
            got,
            nets,
            "last cue: {:?}",
            self.cues.last().map(|c| &c.say)
        );
    }

    #[track_caller]
    fn expect_cue(&self, kind: CueKind) {
        assert_eq!(
            self.cues.last().map(|c| c.kind),
            Some(kind),
            "{:?}",
            self.cues.last()
        );
    }
}
