//! Scripts drawn from a seed: readings exactly as a scale would show them, at the bounds and past them, in orders that
//! no person would come to. There is no truth in them and nobody judges them: they are for the pin alone.

use std::collections::{HashMap, VecDeque};
use std::fmt::Write as _;

use bismar::formula::filling::Fill;
use bismar::formula::plan::BatchSize;
use bismar::formula::{Formula, Plan, VesselWay};
use bismar::mass::{Mass, Unit};
use bismar::metrology::ScaleAbility;
use bismar::metrology::prepackage::Rule;
use bismar::time::Moment;
use bismar::vocabulary::command::{Choice, Command, Way};
use bismar::vocabulary::cue::CueKind;
use bismar::vocabulary::entry::{Draft, RowKind};
use bismar::vocabulary::progress::{Progress, Weighed};
use bismar::vocabulary::reading::{Reading, Shown};
use bismar::vocabulary::status::Status;
use bismar::weighing::event::{Event, Input};
use bismar::weighing::{Engine, ScaleSetup, Setup};
use fastrand::Rng;

use crate::bench_side::told::{cue, row};

/// Steps of the scale by which a load is off: the numbers that bounds are made of, and those beside them.
const OFF: [i64; 26] = [
    0, 1, 2, 3, 4, 5, 6, 8, 10, 11, 15, 20, 21, 25, 30, 40, 50, 60, 100, 150, 200, 201, 300, 500,
    1_000, 5_000,
];
/// Shares of a load, in sixtieths: the same.
const SHARES: [i64; 14] = [3, 6, 12, 15, 20, 24, 30, 36, 40, 48, 54, 60, 90, 120];
const TARGETS: [i64; 10] = [
    50, 100, 400, 1_000, 1_200, 2_000, 4_000, 6_000, 12_000, 30_000,
];
const VESSELS: [i64; 8] = [60, 200, 500, 1_500, 4_000, 10_000, 15_000, 30_000];

/// What stands between the load and the display; times in microseconds.
#[derive(Clone, Copy)]
enum Filter {
    None,
    First(f64),
    /// Two of the same, one behind the other.
    Second(f64),
    /// The mean of so many readings.
    Mean(usize),
    /// The display takes a new weight with each of so many readings only.
    Held(u64),
}

const FILTERS: [Filter; 12] = [
    Filter::None,
    Filter::None,
    Filter::First(200_000.0),
    Filter::First(200_000.0),
    Filter::First(600_000.0),
    Filter::First(1_500_000.0),
    Filter::Second(150_000.0),
    Filter::Second(500_000.0),
    Filter::Mean(5),
    Filter::Mean(12),
    Filter::Held(3),
    Filter::Held(8),
];

struct Script {
    rng: Rng,
    engine: Engine,
    plan: Plan,
    now: u64,
    interval: u64,
    /// Nanograms of a step of the scale.
    digit: Mass,
    filter: Filter,
    /// Steps of the scale by which it scatters, and by how many it creeps in a hundred readings.
    scatter: i64,
    creep: i64,
    creeps: i64,
    marks_rest: bool,
    /// How the display tells net from gross.
    marks_net: bool,
    unit: Option<Unit>,
    /// What lies on the pan and what the display made zero, in steps of the scale; what the filter shows.
    load: i64,
    zero: i64,
    filtered: f64,
    first: f64,
    window: VecDeque<f64>,
    /// The vessel that was set down last, empty and as it was lifted.
    vessel: i64,
    lifted: i64,
    cue: Option<CueKind>,
    choices: Vec<Choice>,
    step: usize,
    rows: Vec<Draft>,
    /// Rows that the disk has not answered yet, while it is slow.
    waiting: Option<Vec<Draft>>,
    disk_is_full: bool,
    closed: bool,
    text: String,
    shown: u64,
}

/// What the engine says and writes in the script of this seed, and at last the sum of all that it showed.
pub fn play(seed: u64) -> String {
    let mut rng = Rng::with_seed(seed);
    let digit = Mass::from_ng(pick(
        &mut rng,
        &[10_000_000, 10_000_000, 1_000_000, 100_000_000],
    ));
    let plan = plan(&mut rng, digit);
    let mut script = Script {
        interval: pick(
            &mut rng,
            &[100_000, 100_000, 200_000, 50_000, 400_000, 1_000_000],
        ),
        filter: pick(&mut rng, &FILTERS),
        scatter: pick(&mut rng, &[0, 0, 0, 0, 1, 2]),
        creep: pick(&mut rng, &[0, 0, 0, 0, 0, 1, -1, 5]),
        creeps: 0,
        marks_rest: rng.u8(..3) == 0,
        marks_net: rng.u8(..4) == 0,
        vessel: pick(&mut rng, &VESSELS),
        engine: Engine::new(setup(&mut rng, digit)),
        plan: plan.clone(),
        now: 0,
        digit,
        unit: Some(Unit::Gram),
        load: 0,
        zero: 0,
        filtered: 0.0,
        first: 0.0,
        window: VecDeque::new(),
        lifted: 0,
        cue: None,
        choices: Vec::new(),
        step: 1,
        rows: Vec::new(),
        waiting: None,
        disk_is_full: false,
        closed: false,
        text: String::new(),
        shown: 0xcbf2_9ce4_8422_2325,
        rng,
    };
    if script.rng.u8(..5) == 0 {
        script.zero = script.off();
    }
    if script.rng.u8(..8) == 0 {
        script.set(script.vessel);
    }
    script.engine.set_readings(true);
    script
        .engine
        .begin(plan, Progress::default(), script.at())
        .unwrap();
    script.drain();
    for _ in 0..30 {
        if script.closed || script.text.len() > 12_000 {
            break;
        }
        match script.rng.u8(..5) {
            0..3 => script.goes_on(),
            _ => script.strays(),
        }
        let mut status = Status::default();
        script.engine.status(&mut status);
        let (low, high) = (status.low, status.high);
        script.sum(format!("{low:?} {high:?} {:?}", status.missing));
    }
    let seconds = script.now as f64 / 1e6;
    let sum = script.shown;
    writeln!(
        script.text,
        "{seconds:7.2} shown {:08x}",
        (sum ^ (sum >> 32)) & 0xffff_ffff
    )
    .unwrap();
    script.text
}

fn pick<T: Clone>(rng: &mut Rng, list: &[T]) -> T {
    list[rng.usize(..list.len())].clone()
}

fn setup(rng: &mut Rng, digit: Mass) -> Setup {
    let mut setup = Setup {
        scales: vec![ScaleSetup {
            name: "bench".to_owned(),
            readability: Some(digit),
            capacity: (rng.u8(..4) == 0).then(|| digit * 60_000),
            ..ScaleSetup::default()
        }],
        ..Setup::default()
    };
    if rng.u8(..4) == 0 {
        setup.vessels = vec![digit * 15_000, digit * 1_500];
    }
    setup
}

fn plan(rng: &mut Rng, digit: Mass) -> Plan {
    if rng.u8(..8) == 0 && digit == Mass::from_mg(10) {
        let fill = Fill {
            nominal: Mass::from_g(50),
            over: Mass::from_g(1),
            rule: Rule::Eu76211,
            made: Mass::from_g(rng.i64(100..160)),
            first: 1,
            last: 3,
        };
        return Plan::filling(fill, "Soak 1", &[ScaleAbility::assumed("bench")], 2.0).unwrap();
    }
    loop {
        let text = formula(rng);
        let batch = pick(rng, &TARGETS) * 4;
        let scale = ScaleAbility {
            readability: digit,
            ..ScaleAbility::assumed("bench")
        };
        // Some are too small for the scale, or break a limit.
        if let Ok(formula) = Formula::parse(&text, "")
            && let Ok(plan) = Plan::new(&formula, BatchSize::Batch(digit * batch), &[scale], 2.0)
        {
            return plan;
        }
    }
}

fn formula(rng: &mut Rng) -> String {
    let same = rng.bool().then(|| way(rng));
    let mut text = "[formula]\nname = \"Soak\"\n".to_owned();
    for (i, name) in ["Salt", "Oil", "Wax", "Flour"][..rng.usize(1..5)]
        .iter()
        .enumerate()
    {
        if i == 0 || rng.u8(..4) == 0 {
            text.push_str("[[phase]]\n");
            if rng.u8(..3) == 0 {
                text.push_str("mix = \"Stir.\"\n");
            }
        }
        let parts = pick(rng, &TARGETS);
        let vessel = same.unwrap_or_else(|| way(rng));
        let (under, over) = (rng.u8(1..5), rng.u8(1..5));
        write!(
            text,
            "[[phase.ingredient]]\nname = \"{name}\"\nparts = {parts}\nvessel = \"{vessel}\"\n\
             tolerance = {{ under = {{ percent = {under} }}, over = {{ percent = {over} }} }}\n"
        )
        .unwrap();
        if rng.u8(..12) == 0 {
            text.push_str("lot_required = true\n");
        }
        if rng.u8(..6) == 0 {
            let most = pick(rng, &[25, 51, 76]);
            writeln!(text, "limits = {{ max = {most} }}").unwrap();
        }
    }
    text
}

fn way(rng: &mut Rng) -> &'static str {
    pick(rng, &["beaker", "beaker", "bowl", "difference"])
}

impl Script {
    fn at(&self) -> Moment {
        Moment(self.now)
    }

    fn set(&mut self, load: i64) {
        self.load = load;
        (self.filtered, self.first) = (load as f64, load as f64);
    }

    fn off(&mut self) -> i64 {
        let off = pick(&mut self.rng, &OFF);
        if self.rng.bool() { off } else { -off }
    }

    fn share(&mut self, of: i64) -> i64 {
        of * pick(&mut self.rng, &SHARES) / 60
    }

    fn sum(&mut self, what: impl AsRef<[u8]>) {
        for byte in what.as_ref() {
            self.shown = (self.shown ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3);
        }
    }

    fn tell(&mut self, what: &str) {
        let seconds = self.now as f64 / 1e6;
        writeln!(self.text, "{seconds:7.2} {what}").unwrap();
        self.sum(what);
    }

    fn hears(&mut self, input: Input) {
        self.engine.handle(0, input, self.at());
        self.drain();
    }

    fn writes(&mut self, draft: Draft) {
        let ticket = draft.ticket;
        if self.disk_is_full {
            let why = "disk full".into();
            return self
                .engine
                .handle(0, Input::NotLogged { ticket, why }, self.at());
        }
        let seq = self.rows.len() as u64 + 1;
        let line = row(&draft);
        self.tell(&line);
        self.rows.push(draft);
        self.engine
            .handle(0, Input::Logged { ticket, seq }, self.at());
    }

    fn drain(&mut self) {
        while let Some(event) = self.engine.poll() {
            match event {
                Event::Cue(said) => {
                    let line = cue(&said);
                    self.tell(&line);
                    (self.cue, self.choices) = (Some(said.kind), said.choices.to_vec());
                }
                Event::Log(draft) => match &mut self.waiting {
                    Some(waiting) => waiting.push(*draft),
                    None => self.writes(*draft),
                },
                Event::Reading(live) => {
                    let grams = |mass: Option<Mass>| mass.map_or(i64::MAX, Mass::ng);
                    self.sum(grams(live.net).to_le_bytes());
                    self.sum(grams(live.missing).to_le_bytes());
                    self.sum([u8::from(live.steady)]);
                }
                Event::Step { step, .. } => self.step = step,
                Event::Closed { complete } => {
                    self.closed = true;
                    self.tell(if complete {
                        "closed complete"
                    } else {
                        "closed incomplete"
                    });
                }
                Event::Fault { code, over, .. } => {
                    let over = if over { " over" } else { "" };
                    self.tell(&format!("fault {}{over}", code.name()));
                }
                Event::Tare { state, tare } => self.sum(format!("{} {tare:?}", state.said())),
                Event::Recorded { .. } => {}
            }
        }
    }

    fn reads(&mut self) {
        self.now += self.interval;
        self.creeps += self.creep;
        let load = (self.load + self.creeps / 100) as f64;
        let toward = |from: f64, to: f64, tau: f64| {
            let left = (-(self.interval as f64) / tau).exp();
            if (from - to).abs() < 0.3 {
                to
            } else {
                to + (from - to) * left
            }
        };
        match self.filter {
            Filter::None => self.filtered = load,
            Filter::First(tau) => self.filtered = toward(self.filtered, load, tau),
            Filter::Second(tau) => {
                let first = toward(self.first, load, tau);
                self.filtered = toward(self.filtered, first, tau);
                self.first = first;
            }
            Filter::Mean(many) => {
                self.window.push_back(load);
                while self.window.len() > many {
                    self.window.pop_front();
                }
                self.filtered = self.window.iter().sum::<f64>() / self.window.len() as f64;
            }
            Filter::Held(many) => {
                if (self.now / self.interval).is_multiple_of(many) {
                    self.filtered = load;
                }
            }
        }
        let scatter = self.rng.i64(-self.scatter..=self.scatter);
        let weight = self.digit * (self.filtered.round() as i64 + scatter - self.zero);
        let reading = Reading {
            at: self.at(),
            weight,
            digit: self.digit,
            unit: self.unit,
            steady: self.marks_rest.then_some(self.filtered == load),
            shown: self.marks_net.then_some(if self.zero == 0 {
                Shown::Gross
            } else {
                Shown::Net
            }),
        };
        self.hears(Input::Reading(reading));
    }

    fn holds(&mut self, seconds: f64) {
        for _ in 0..(seconds * 1e6 / self.interval as f64).ceil() as usize {
            self.reads();
        }
    }

    fn goes(&mut self, to: i64, seconds: f64) {
        let from = self.load;
        let n = (seconds * 1e6 / self.interval as f64).ceil().max(1.0) as i64;
        for i in 1..=n {
            self.load = from + (to - from) * i / n;
            self.reads();
        }
    }

    fn lands(&mut self, load: i64) {
        self.load = load;
        let seconds = pick(&mut self.rng, &[0.5, 1.5, 2.0, 3.0, 5.0]);
        self.holds(seconds);
    }

    fn lifts(&mut self) {
        if self.load > 0 {
            self.lifted = self.load;
        }
        self.lands(0);
    }

    /// A key that makes zero of what is shown.
    fn key(&mut self) {
        self.zero = self.filtered.round() as i64;
        self.reads();
    }

    fn says(&mut self, command: Command) {
        let word = format!("{command:?}");
        let answer = self.engine.command(command, self.at());
        let answer = answer.unwrap_or_else(|refused| refused.say);
        self.tell(&format!("- says {word}: {answer}"));
        self.drain();
    }

    fn target(&self) -> i64 {
        let step = self.plan.steps.get(self.step.saturating_sub(1));
        step.map_or(0, |step| step.target.ng() / self.digit.ng())
    }

    /// The net weight that is just inside, or just outside when it is one more.
    fn bound(&mut self) -> i64 {
        let mut status = Status::default();
        self.engine.status(&mut status);
        let bound = if self.rng.bool() {
            status.low
        } else {
            status.high
        };
        bound.map_or(0, |bound| bound.mass.ng() / self.digit.ng())
    }

    fn way(&self) -> VesselWay {
        let step = self.plan.steps.get(self.step.saturating_sub(1));
        step.map_or(VesselWay::Beaker, |step| step.vessel)
    }

    /// About what was asked for last.
    fn goes_on(&mut self) {
        match self.cue {
            Some(CueKind::Place) => {
                let difference = self.way() == VesselWay::Difference;
                let new = match self.way() {
                    VesselWay::Difference => self.vessel + self.target() * 2,
                    VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl => self.vessel,
                };
                let back = self.lifted > 0 && self.rng.u8(..3) == 0;
                let off = if self.rng.u8(..4) == 0 { self.off() } else { 0 };
                if self.load > 0 && self.rng.u8(..3) == 0 {
                    self.lifts();
                }
                let load = if back && !difference {
                    self.lifted
                } else {
                    new
                };
                self.lands(load + off);
            }
            Some(CueKind::Add | CueKind::EaseOff) => {
                let off = if self.rng.u8(..3) == 0 { self.off() } else { 0 };
                let more = match self.rng.u8(..4) {
                    0 => self.bound() + off.signum(),
                    _ => self.target() + off,
                };
                let seconds = pick(&mut self.rng, &[0.3, 1.0, 3.0, 6.0]);
                match self.way() {
                    VesselWay::Difference => {
                        let full = self.load;
                        if self.rng.bool() {
                            self.goes(full - more, seconds);
                        } else {
                            self.lifts();
                            self.lands(full - more);
                        }
                    }
                    VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl => {
                        self.goes(self.load + more, seconds);
                    }
                }
                self.holds(2.5);
            }
            Some(CueKind::TakeOut) => {
                let off = self.off().abs();
                self.goes((self.load - off).max(0), 0.5);
                self.holds(2.0);
            }
            Some(CueKind::Lift | CueKind::Done) => self.lifts(),
            Some(CueKind::Mix) => self.says(Command::Next),
            Some(CueKind::Choose) if !self.choices.is_empty() => {
                let choice = pick(&mut self.rng, &self.choices);
                self.says(word(choice));
            }
            Some(CueKind::Fault) => {
                let load = self.load;
                self.lifts();
                self.lands(load);
            }
            Some(CueKind::Hold | CueKind::Choose) | None => self.holds(2.5),
        }
    }

    /// What nobody asked for.
    fn strays(&mut self) {
        match self.rng.u8(..33) {
            0..3 => self.key(),
            3 => {
                // While it moves.
                self.load += self.off();
                self.reads();
                self.key();
            }
            4..7 => {
                let load = self.load + self.off();
                self.lifts();
                self.lands(load.max(0));
            }
            7..9 => {
                let load = self.share(self.load.max(self.lifted));
                self.lands(load);
            }
            9 => {
                let to = self.share(self.load);
                self.goes(to, 1.0);
                self.holds(2.0);
            }
            10..12 => {
                self.load += self.off();
                self.holds(1.5);
            }
            12 => {
                self.lifts();
                self.key();
                self.holds(1.5);
            }
            13 => {
                // Lifted and the key pressed at once, and back.
                let load = self.load;
                self.load = 0;
                self.reads();
                self.key();
                self.lands(load);
            }
            14..17 => {
                let choice = pick(&mut self.rng, &Choice::ALL);
                self.says(word(choice));
            }
            17 => self.says(Command::Lot("L-7".to_owned())),
            18 => {
                let way = pick(&mut self.rng, &Way::ALL);
                self.says(Command::Remedy(way));
            }
            19 => self.says(Command::Residue(None)),
            20 => self.says(Command::Skip("none left".to_owned())),
            21 => {
                self.now += pick(&mut self.rng, &[700_000, 1_500_000, 3_000_000, 30_000_000]);
                let due = self.engine.deadline().is_some_and(|due| due <= self.at());
                if due {
                    self.engine.tick(self.at());
                    self.drain();
                }
                if self.rng.bool() {
                    let load = self.load + self.off();
                    self.set(load.max(0));
                }
                self.holds(1.5);
            }
            22 => {
                let input = [
                    Input::Unread,
                    Input::Alive,
                    Input::Overload,
                    Input::Underload,
                ];
                let input = pick(&mut self.rng, &input);
                self.hears(input);
                self.reads();
            }
            23 => {
                self.hears(Input::Lost);
                self.now += 4_000_000;
                if self.rng.bool() {
                    self.set(self.lifted);
                }
                self.hears(Input::Back);
                self.holds(2.0);
            }
            24 => {
                self.unit = pick(&mut self.rng, &[Some(Unit::Gram), None, Some(Unit::Ounce)]);
                self.reads();
                self.unit = Some(Unit::Gram);
                self.holds(1.0);
            }
            25 => match self.waiting.take() {
                Some(waiting) => {
                    for draft in waiting {
                        self.writes(draft);
                    }
                    self.drain();
                }
                None => self.waiting = Some(Vec::new()),
            },
            26 => self.disk_is_full = !self.disk_is_full && self.rng.u8(..3) == 0,
            27 => self.begins_anew(),
            28 => self.vessel = pick(&mut self.rng, &VESSELS),
            29 => self.remedies(),
            30 => {
                // Little by little, as one who is not sure.
                for _ in 0..4 {
                    self.load += self.off().abs();
                    self.holds(1.0);
                }
            }
            31 => {
                // A hand that presses on the pan.
                let load = self.load;
                let push = self.off();
                self.goes(load + push, 0.4);
                self.goes(load, 0.4);
            }
            _ => self.holds(12.0),
        }
    }

    /// Too much, and a way is chosen to mend it.
    fn remedies(&mut self) {
        let more = self.target() + self.target() / 10;
        self.goes(self.load + more, 2.0);
        self.holds(3.0);
        let way = pick(&mut self.rng, &Way::ALL);
        self.says(Command::Remedy(way));
    }

    /// The process was killed: what is in the log is all that is known.
    fn begins_anew(&mut self) {
        if self.plan.filling.is_some() {
            return;
        }
        let mut progress = Progress {
            resumed: true,
            ..Progress::default()
        };
        let mut weighed: HashMap<usize, Weighed> = HashMap::new();
        for (i, draft) in self.rows.iter().enumerate() {
            if draft.kind != RowKind::Weighed || draft.step > self.plan.steps.len() {
                continue;
            }
            let (seq, verdict) = (i as u64 + 1, draft.verdict);
            match draft.net {
                Some(net) => weighed.insert(draft.step, Weighed { seq, net, verdict }),
                None => weighed.remove(&draft.step),
            };
            if let (Some(tare), Some(_)) = (draft.tare, draft.net) {
                progress.tares.insert(draft.step, tare);
            }
            if let (Some(gross), VesselWay::Bowl) = (draft.gross, self.way()) {
                progress.bowls.insert(draft.step, gross);
            }
        }
        progress.weighed = weighed;
        if self.rng.bool() {
            self.set(self.lifted);
        }
        self.waiting = None;
        let setup = setup(&mut self.rng, self.digit);
        self.engine = Engine::new(setup);
        self.engine.set_readings(true);
        self.now += 5_000_000;
        self.tell("** begun anew");
        // Where no more is to be weighed it is refused.
        if self
            .engine
            .begin(self.plan.clone(), progress, self.at())
            .is_err()
        {
            self.closed = true;
        }
        self.drain();
    }
}

fn word(choice: Choice) -> Command {
    match choice {
        Choice::Next => Command::Next,
        Choice::Again => Command::Again,
        Choice::Keep => Command::Keep,
        Choice::Undo => Command::Undo,
        Choice::Cancel => Command::Cancel,
    }
}
