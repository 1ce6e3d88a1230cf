//! The second world: a pan, vessels with the truth to the nanogram, and a person who obeys sentences.

use std::collections::{BTreeMap, VecDeque};

use bismar::bench::Bench;
use bismar::config::Config;
use bismar::formula::plan::BatchSize;
use bismar::formula::*;
use bismar::mass::Mass;
use bismar::time::Moment;
use bismar::vocabulary::command::{Choice, Command};
use bismar::vocabulary::cue::{Cue, CueKind};
use bismar::vocabulary::entry::{Draft, RowKind};
use bismar::vocabulary::progress::Progress;
use bismar::weighing::event::Event;

use super::indicator::{Indicator, Key, Kind, gauss, kinds};
use super::mishap::{Mishap, Phase};
use super::{agreed, told};

pub const DT: f64 = 0.01;
const NG: f64 = 1e9;

#[derive(Clone, Debug, Default)]
pub struct Vessel {
    pub empty: i64,
    pub held: BTreeMap<usize, i64>,
    /// A spoon or a lid.
    pub extra: i64,
    pub touch: f64,
    pub edge: f64,
    pub is_bowl: bool,
}

impl Vessel {
    fn mass(&self) -> i64 {
        self.empty + self.extra + self.held.values().sum::<i64>()
    }
}

#[derive(Clone, Debug)]
pub struct Force {
    pub from: f64,
    pub until: f64,
    /// Mean grams, grams of its swing, and the swing's frequency.
    pub mean: f64,
    pub swing: f64,
    pub hertz: f64,
    /// Seconds over which it comes and goes.
    pub soft: f64,
}

impl Force {
    fn at(&self, t: f64, jitter: f64) -> f64 {
        if t < self.from || t > self.until {
            return 0.0;
        }
        let soft = self.soft.max(0.01);
        let up = ((t - self.from) / soft).min(1.0);
        let down = ((self.until - t) / soft).min(1.0);
        let wave = (std::f64::consts::TAU * self.hertz * (t - self.from)).sin();
        up.min(down) * (self.mean + self.swing * (0.6 * wave + 0.4 * jitter))
    }
}

#[derive(Clone, Debug)]
struct Motion {
    vessel: usize,
    from: f64,
    until: f64,
    down: bool,
    bump: f64,
}

#[derive(Clone, Debug)]
pub enum Act {
    Wait(f64),
    Land(usize),
    Lift(usize),
    Word(Command),
    Press(Key),
    TakeOut(f64),
    TakeOutOf(usize, f64),
    Pour,
    /// So many grams more lie beside the vessel, to take with it or not.
    Beside(f64),
    WipeBeside,
    Extra(usize, f64),
    NoExtra(usize),
    Push(Force),
    Nudge(usize, f64),
    Pours(usize, usize, f64),
    TipOut(usize),
    Cable(bool),
    Power(bool),
    /// Her sentence is to be read again.
    Reread,
    /// A word, if no other sentence came since that moment.
    IfStill(f64, Command),
    /// Until the scale shows rest, eight seconds at most.
    WaitRest,
    /// What is in a vessel of one step comes out, off the scale.
    TakeFrom(usize, usize),
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Mode {
    Stream,
    Drops,
    Spoons,
    Lumps,
}

#[derive(Clone, Debug)]
struct Pour {
    vessel: usize,
    step: usize,
    left: f64,
    rate: f64,
    lump: f64,
    every: f64,
    next: f64,
    stream: bool,
    slowed: bool,
}

#[derive(Clone, Debug)]
pub struct Step {
    pub step: usize,
    pub net: Option<i64>,
    pub u: i64,
    pub truth: i64,
    pub flagged: bool,
    pub note: String,
    pub worded: bool,
}

#[derive(Default)]
pub struct Outcome {
    pub steps: Vec<Step>,
    pub stuck: Option<String>,
    pub silent: Option<String>,
    pub complete: bool,
    pub trace: Vec<String>,
    pub said: BTreeMap<String, usize>,
    pub fired: usize,
    pub kind: &'static str,
    pub d: f64,
    pub seconds: f64,
}

pub struct World {
    pub rng: fastrand::Rng,
    pub t: f64,
    pub scale: Indicator,
    pub bench: Bench,
    pub vessels: Vec<Vessel>,
    pub beside: i64,
    forces: Vec<Force>,
    motions: Vec<Motion>,
    air: VecDeque<(f64, usize, usize, i64)>,
    writing: VecDeque<(f64, Draft)>,
    rows: Vec<Draft>,
    formula: Formula,
    batch: Mass,
    // The person.
    acts: VecDeque<Act>,
    busy: f64,
    cue: Option<Cue>,
    cue_at: f64,
    obey_at: f64,
    obeyed: bool,
    heard_slow: Option<f64>,
    heard_stop: Option<f64>,
    pour: Option<Pour>,
    pub on_pan: Option<usize>,
    pub in_hand: Option<usize>,
    bowl: Option<usize>,
    reaction: f64,
    mode: Mode,
    takes: BTreeMap<usize, usize>,
    rest_by: Option<f64>,
    pub swapping: bool,
    tries: usize,
    pub took_out_at: f64,
    pub took_out: f64,
    primary: BTreeMap<usize, usize>,
    recorded_mass: BTreeMap<usize, i64>,
    pub adulterated: Vec<usize>,
    truth: BTreeMap<usize, i64>,
    worded: BTreeMap<usize, bool>,
    pub step: usize,
    targets: Vec<f64>,
    pub is_in_bowl: Vec<bool>,
    last_active: f64,
    moves: usize,
    hard_moves: usize,
    last_record: f64,
    // The mishap.
    pub mishap: Mishap,
    phase: Phase,
    at_steps: Vec<usize>,
    fired_at: Vec<usize>,
    due: Option<f64>,
    pub evaporates: f64,
    pub drift_rate: f64,
    noise_walk: f64,
    over: bool,
    /// Rows that are still on their way are written first.
    over_at: Option<f64>,
    complete: bool,
    cable: bool,
    out: Outcome,
    tracing: bool,
    last_line: String,
    line_buffer: Vec<u8>,
}

fn moment(t: f64) -> Moment {
    Moment::from_micros((t * 1e6).round() as u64)
}

impl World {
    pub fn new(seed: u64, kind: Option<usize>, mishap: Mishap, tracing: bool) -> World {
        let mut rng = fastrand::Rng::with_seed(seed.wrapping_mul(0x9E37_79B9).wrapping_add(77));
        let all = kinds();
        let kind: Kind = all[kind.unwrap_or_else(|| rng.usize(..all.len())) % all.len()].clone();
        let d = kind.d;
        let layout = match kind.layout {
            0 => "layout = \"sign-number-unit-16\"".to_owned(),
            1 => "layout = \"sign-number-unit-22\"".to_owned(),
            _ => "layout = \"pattern\"\npattern = '^(?:(?<overload>OL)|(?<sign>[+-])(?<number>[0-9.]+) (?<unit>g|oz))$'"
                .to_owned(),
        };
        let text = format!(
            "[[scale]]\nname = \"bench\"\nport = \"/dev/ttyUSB0\"\n{layout}\nreadability = \"{d} g\"\ncapacity = \"{} g\"\n",
            kind.capacity
        );
        let config = Config::parse(&text, "config.toml").unwrap();
        let (formula, batch) = formula(&mut rng, &kind);
        let formula = Formula::parse(&formula, "second.toml").unwrap();
        let batch = Mass::parse_with_unit(&format!("{batch}g")).unwrap();
        let plan = Plan::new(
            &formula,
            BatchSize::Batch(batch),
            &config.abilities(),
            config.weighing.guard,
        )
        .unwrap();
        let targets: Vec<f64> = plan.steps.iter().map(|s| s.target.to_g_f64()).collect();
        let mut bench = Bench::at_line_start(&config).unwrap();
        bench.begin(plan, Progress::default(), moment(0.0)).unwrap();
        let name = kind.name;
        let phase_of_line = rng.f64() * 0.3;
        let n = targets.len();
        let phase = *rng.choice(mishap.phases()).unwrap();
        let at_steps: Vec<usize> = (1..=n).filter(|_| rng.f64() < 0.5).collect();
        let at_steps = if at_steps.is_empty() {
            vec![1 + rng.usize(..n)]
        } else {
            at_steps
        };
        let mode = rng
            .choice([Mode::Stream, Mode::Drops, Mode::Spoons, Mode::Lumps])
            .unwrap();
        let reaction = 0.2 + 2.8 * rng.f64() * rng.f64();
        let is_in_bowl = formula
            .ingredients()
            .map(|i| i.vessel == VesselWay::Bowl)
            .collect();
        World {
            scale: Indicator::new(kind, phase_of_line),
            bench,
            t: 0.0,
            vessels: Vec::new(),
            beside: 0,
            forces: Vec::new(),
            motions: Vec::new(),
            air: VecDeque::new(),
            writing: VecDeque::new(),
            rows: Vec::new(),
            formula,
            batch,
            acts: VecDeque::new(),
            busy: 0.0,
            cue: None,
            cue_at: 0.0,
            obey_at: 0.0,
            obeyed: true,
            heard_slow: None,
            heard_stop: None,
            pour: None,
            on_pan: None,
            in_hand: None,
            bowl: None,
            reaction,
            mode,
            takes: BTreeMap::new(),
            rest_by: None,
            swapping: false,
            tries: 0,
            took_out_at: -100.0,
            took_out: 0.0,
            primary: BTreeMap::new(),
            recorded_mass: BTreeMap::new(),
            adulterated: Vec::new(),
            truth: BTreeMap::new(),
            worded: BTreeMap::new(),
            step: 0,
            targets,
            is_in_bowl,
            last_active: 0.0,
            moves: 0,
            hard_moves: 0,
            last_record: 0.0,
            mishap,
            phase,
            at_steps,
            fired_at: Vec::new(),
            due: None,
            evaporates: 0.0,
            drift_rate: 0.0,
            noise_walk: 0.0,
            over: false,
            over_at: None,
            complete: false,
            cable: true,
            out: Outcome {
                kind: name,
                d,
                ..Outcome::default()
            },
            tracing,
            last_line: String::new(),
            line_buffer: Vec::new(),
            rng,
        }
    }

    pub fn d(&self) -> f64 {
        self.scale.kind.d
    }

    pub fn target(&self, step: usize) -> f64 {
        self.targets
            .get(step.wrapping_sub(1))
            .copied()
            .unwrap_or(1.0)
    }

    pub fn said(&mut self, text: String) {
        if self.tracing {
            self.out.trace.push(format!("{:7.2} {text}", self.t));
        }
    }

    pub fn new_vessel(&mut self, is_bowl: bool) -> usize {
        let room = self.scale.kind.capacity;
        let mass = room * (0.06 + 0.12 * self.rng.f64());
        let mass = (mass * NG) as i64 + self.rng.i64(0..1000);
        self.vessels.push(Vessel {
            empty: mass,
            is_bowl,
            ..Vessel::default()
        });
        self.vessels.len() - 1
    }

    pub fn run(mut self) -> Outcome {
        self.start_mishap();
        self.drain();
        while !self.over && self.t < 1500.0 {
            self.tick();
        }
        self.judge();
        self.out
    }

    fn judge(&mut self) {
        let case = format!("{:?} {}", self.mishap, self.out.kind);
        let rows = (1..).zip(self.rows.iter().cloned());
        agreed::of_formula(&case, &self.formula, self.batch, rows);
        // What is still on the pan counts as it stands.
        let steps = self.targets.len();
        for vessel in &self.vessels {
            if vessel.touch > 0.0 {
                for (&step, &mass) in &vessel.held {
                    self.truth.insert(step, mass);
                }
            }
        }
        for step in 1..=steps {
            let last = self
                .rows
                .iter()
                .rfind(|row| row.step == step && matches!(row.kind, RowKind::Weighed));
            let Some(row) = last else { continue };
            let net = row.net.map(Mass::ng);
            let note = row.note.clone();
            self.out.steps.push(Step {
                step,
                net,
                u: row.uncertainty.map_or(0, Mass::ng),
                truth: self.truth.get(&step).copied().unwrap_or(0),
                flagged: (row.verdict.is_none()
                    && row.note != "the scale cannot prove this tolerance")
                    || row.note.contains("tare not proven"),
                note,
                worded: self.worded.get(&step).copied().unwrap_or(false),
            });
        }
        self.out.complete = self.complete;
        self.out.fired = self.fired_at.len();
        self.out.seconds = self.t;
    }

    fn tick(&mut self) {
        self.t += DT;
        let t = self.t;
        // Drops in the air.
        while self.air.front().is_some_and(|a| a.0 <= t) {
            let (_, vessel, step, mass) = self.air.pop_front().unwrap();
            *self.vessels[vessel].held.entry(step).or_default() += mass;
        }
        if self.evaporates > 0.0
            && let Some(v) = self.on_pan
        {
            let step = self.step;
            if let Some(mass) = self.vessels[v].held.get_mut(&step)
                && *mass > 0
            {
                *mass -= ((self.evaporates * DT * NG) as i64).min(*mass);
            }
        }
        self.scale.drift += self.drift_rate * DT;
        // Hands that put down and lift.
        let mut ended = Vec::new();
        for (i, motion) in self.motions.iter().enumerate() {
            let part = ((t - motion.from) / (motion.until - motion.from)).clamp(0.0, 1.0);
            let smooth = part * part * (3.0 - 2.0 * part);
            self.vessels[motion.vessel].touch = if motion.down { smooth } else { 1.0 - smooth };
            if part >= 1.0 {
                ended.push(i);
            }
        }
        for i in ended.into_iter().rev() {
            let motion = self.motions.remove(i);
            if !motion.down {
                self.vessels[motion.vessel].edge = 0.0;
            }
        }
        let mut force = self.beside as f64 / NG;
        for vessel in &self.vessels {
            if vessel.touch > 0.0 {
                force += vessel.touch * (1.0 - vessel.edge) * vessel.mass() as f64 / NG;
            }
        }
        for motion in &self.motions {
            let part = ((t - motion.from) / (motion.until - motion.from)).clamp(0.0, 1.0);
            let m = self.vessels[motion.vessel].mass() as f64 / NG;
            force += motion.bump * m * (std::f64::consts::PI * part).sin();
        }
        self.noise_walk = 0.9 * self.noise_walk + 0.44 * gauss(&mut self.rng);
        let walk = self.noise_walk.clamp(-2.5, 2.5);
        self.forces.retain(|f| f.until > t);
        force += self.forces.iter().map(|f| f.at(t, walk)).sum::<f64>();
        let line = self.scale.step(t, DT, force, &mut self.rng);
        let now = moment(t);
        while let Some(_due) = self.bench.pass(now) {
            self.drain();
        }
        if let Some(line) = line
            && self.cable
        {
            if self.tracing {
                let text = String::from_utf8_lossy(&line).trim_end().to_owned();
                if text != self.last_line {
                    self.out.trace.push(format!("{t:7.2} | {text}"));
                    self.last_line = text;
                }
            }
            self.line_buffer = line;
            self.bench.bytes(0, now, &self.line_buffer);
            self.drain();
        }
        while self.writing.front().is_some_and(|w| w.0 <= t) {
            let (_, draft) = self.writing.pop_front().unwrap();
            let ticket = draft.ticket;
            if draft.kind == RowKind::Weighed {
                self.last_record = t;
                if let Some(v) = self.on_pan {
                    let mass = self.vessels[v].held.get(&draft.step).copied().unwrap_or(0);
                    self.recorded_mass.insert(draft.step, mass);
                }
                self.last_active = t;
                self.moves = 0;
                self.hard_moves = 0;
            }
            if self.tracing {
                self.said(told::row(&draft));
            }
            self.rows.push(draft);
            let seq = self.rows.len() as u64;
            self.bench.logged(ticket, seq, now);
            self.drain();
        }
        if let Some(at) = self.over_at {
            self.over = t >= at;
            return;
        }
        self.fire_if_due();
        self.person();
        if self.moves >= 45 || self.hard_moves >= 15 || t - self.last_record > 420.0 {
            let say = self
                .cue
                .as_ref()
                .map(|c| c.say.to_string())
                .unwrap_or_default();
            self.out.stuck = Some(say);
            self.over = true;
        }
        if t - self.last_active > 60.0 {
            let say = self
                .cue
                .as_ref()
                .map(|c| c.say.to_string())
                .unwrap_or_default();
            self.out.silent = Some(say);
            self.over = true;
        }
    }

    fn drain(&mut self) {
        while let Some(event) = self.bench.poll() {
            match event {
                Event::Log(draft) => {
                    let due = self.t + 0.02;
                    self.writing.push_back((due, *draft));
                }
                Event::Cue(cue) => self.hear(cue),
                Event::Closed { complete } => {
                    self.complete = complete;
                    self.over_at = Some(self.t + 0.2);
                }
                _ => {}
            }
        }
    }

    fn hear(&mut self, cue: Cue) {
        let template: String = {
            let mut out = String::new();
            let mut number = false;
            for c in cue.say.chars() {
                if c.is_ascii_digit() || (number && c == '.') {
                    if !number {
                        out.push('#');
                    }
                    number = true;
                } else {
                    number = false;
                    out.push(c);
                }
            }
            format!(
                "{}: {} {:?}",
                cue.kind.name(),
                out,
                cue.choices.iter().map(|c| c.name()).collect::<Vec<_>>()
            )
        };
        *self.out.said.entry(template).or_default() += 1;
        if self.tracing {
            self.said(told::cue(&cue));
        }
        if cue.step > 0 && !matches!(cue.kind, CueKind::Done) {
            self.step = cue.step;
        }
        if matches!(cue.kind, CueKind::Choose | CueKind::Fault) {
            self.worded.insert(self.step, true);
        }
        let late = self.reaction * (0.7 + 0.6 * self.rng.f64());
        let at = self.t + late;
        match cue.kind {
            // What was heard first is obeyed first.
            CueKind::EaseOff => {
                self.heard_slow.get_or_insert(at);
            }
            CueKind::Add => {}
            _ => {
                self.heard_stop.get_or_insert(at);
            }
        }
        self.obeyed = false;
        self.cue_at = self.t;
        self.obey_at = at;
        self.last_active = self.t;
        self.cue = Some(cue);
    }

    pub fn front(&mut self, acts: Vec<Act>) {
        for act in acts.into_iter().rev() {
            self.acts.push_front(act);
        }
    }

    pub fn stop_pour(&mut self) {
        self.pour = None;
    }

    pub fn push(&mut self, force: Force) {
        self.said(format!(
            "- a force of {:.2} g ± {:.2} g for {:.1} s",
            force.mean,
            force.swing,
            force.until - force.from
        ));
        self.forces.push(force);
    }

    fn person(&mut self) {
        let t = self.t;
        if self.heard_stop.is_some_and(|at| at <= t) {
            self.heard_stop = None;
            self.heard_slow = None;
            if self.pour.take().is_some() {
                // A spoon or a stream that is out of the hand falls before she does anything else.
                self.busy = self.busy.max(t + 0.5);
                self.said("- stop pouring, as told".into());
            }
        }
        if self.heard_slow.is_some_and(|at| at <= t) {
            self.heard_slow = None;
            if let Some(pour) = &mut self.pour {
                pour.slowed = true;
            }
        }
        self.go_on_pouring();
        if t < self.busy {
            return;
        }
        if let Some(act) = self.acts.pop_front() {
            self.last_active = self.last_active.max(t - 30.0);
            self.act(act);
            return;
        }
        if self.pour.is_some() {
            // Add and ease off are heard while she pours.
            if let Some(cue) = &self.cue
                && matches!(cue.kind, CueKind::Add | CueKind::EaseOff)
            {
                return;
            }
        }
        if !self.obeyed && t >= self.obey_at {
            self.obeyed = true;
            let Some(cue) = self.cue.clone() else { return };
            self.moves += 1;
            if !matches!(cue.kind, CueKind::Add | CueKind::EaseOff | CueKind::Hold) {
                self.hard_moves += 1;
            }
            self.obey(&cue);
        }
    }

    fn go_on_pouring(&mut self) {
        let t = self.t;
        let Some(mut pour) = self.pour.take() else {
            return;
        };
        if self.on_pan != Some(pour.vessel) {
            return;
        }
        let dose = if pour.stream {
            let rate = if pour.slowed {
                pour.rate * 0.12
            } else {
                pour.rate
            };
            let wave = (1.0 + 0.4 * gauss(&mut self.rng)).max(0.0);
            rate * DT * wave
        } else if t >= pour.next {
            pour.next =
                t + pour.every * (0.6 + 0.8 * self.rng.f64()) * if pour.slowed { 1.7 } else { 1.0 };
            let lump = pour.lump * (0.6 + 0.8 * self.rng.f64());
            let lump = if pour.slowed { lump * 0.35 } else { lump };
            lump.min(pour.left.max(pour.lump * 0.1))
        } else {
            0.0
        };
        if dose > 0.0 {
            pour.left -= dose;
            let delay = 0.12 + 0.1 * self.rng.f64();
            let at = self.air.back().map_or(0.0, |a| a.0).max(t + delay);
            self.air
                .push_back((at, pour.vessel, pour.step, (dose * NG) as i64));
        }
        self.last_active = t;
        if pour.left > 0.0 {
            self.pour = Some(pour);
        } else {
            self.busy = self.busy.max(t + 0.5);
            self.said("- stop pouring".into());
        }
    }

    fn start_pour(&mut self) {
        let Some(vessel) = self.on_pan else { return };
        let missing = self
            .bench
            .status()
            .missing
            .map(|w| w.mass.to_g_f64())
            .or(self
                .cue
                .as_ref()
                .and_then(|c| c.missing)
                .map(|m| m.to_g_f64()))
            .unwrap_or(0.0);
        if missing <= 0.0 {
            return;
        }
        let d = self.d();
        let slow_hand = 0.6 + 0.8 * self.rng.f64();
        let small = missing < 15.0 * d;
        let mode = if small && self.mode == Mode::Stream {
            Mode::Drops
        } else {
            self.mode
        };
        let (stream, rate, lump, every) = match mode {
            Mode::Stream => (true, (missing / (5.0 * slow_hand)).max(2.0 * d), 0.0, 0.0),
            Mode::Drops => {
                let lump = (missing / 25.0).max(0.04).max(0.4 * d);
                (false, 0.0, lump, 0.35 * slow_hand)
            }
            Mode::Spoons => (false, 0.0, (missing / 2.5).max(0.6 * d), 2.5 * slow_hand),
            Mode::Lumps => (false, 0.0, (missing / 6.0).max(0.8 * d), 1.0 * slow_hand),
        };
        let eye = 0.92 + 0.14 * self.rng.f64();
        let step = self.step;
        self.said(format!("- pour ({mode:?}) towards {missing:.3} g"));
        self.pour = Some(Pour {
            vessel,
            step,
            left: missing * eye,
            rate,
            lump,
            every,
            next: self.t,
            stream,
            slowed: matches!(self.cue.as_ref().map(|c| c.kind), Some(CueKind::EaseOff)),
        });
        self.heard_slow = None;
        self.heard_stop = None;
    }

    fn act(&mut self, act: Act) {
        let t = self.t;
        let mut took = 0.05;
        match act {
            Act::Wait(s) => took = s,
            Act::Land(v) => {
                if self.on_pan.is_some() && self.on_pan == Some(v) {
                    return;
                }
                self.pour = None;
                let dur = 0.1 + 0.4 * self.rng.f64();
                let bump = 0.25 * self.rng.f64() * self.rng.f64();
                self.said(format!(
                    "- set down vessel {v} ({:.3} g with what is in it)",
                    self.vessels[v].mass() as f64 / NG
                ));
                self.motions.retain(|m| m.vessel != v);
                self.motions.push(Motion {
                    vessel: v,
                    from: t,
                    until: t + dur,
                    down: true,
                    bump,
                });
                self.on_pan = Some(v);
                if self.vessels[v].held.is_empty()
                    || self.vessels[v].is_bowl
                    || !self.primary.contains_key(&self.step)
                {
                    // What she sets down empty is the step's vessel, but for a swap by mistake.
                    if !self.swapping {
                        self.primary.insert(self.step, v);
                    }
                }
                self.swapping = false;
                if self.in_hand == Some(v) {
                    self.in_hand = None;
                }
                took = dur + 0.1;
                self.arm(Phase::Placed);
            }
            Act::Lift(v) => {
                self.pour = None;
                // What is in the air still goes in.
                while let Some((_, vessel, step, mass)) = self.air.pop_front() {
                    *self.vessels[vessel].held.entry(step).or_default() += mass;
                }
                let dur = 0.1 + 0.3 * self.rng.f64();
                self.said(format!("- lift vessel {v}"));
                self.motions.retain(|m| m.vessel != v);
                self.motions.push(Motion {
                    vessel: v,
                    from: t,
                    until: t + dur,
                    down: false,
                    bump: 0.0,
                });
                if self.on_pan == Some(v) {
                    self.on_pan = None;
                }
                self.in_hand = Some(v);
                let held = self.vessels[v].held.clone();
                for (step, mass) in held {
                    self.truth.insert(step, mass);
                }
                took = dur + 0.1;
                self.arm(Phase::Lifted);
            }
            Act::Word(word) => {
                let text = format!("{word:?}");
                let said = self.bench.command(word.clone(), moment(t));
                self.said(format!("- says {text}: {said:?}"));
                // "Take some out, or keep it."
                if word == Command::Again
                    && said
                        .as_ref()
                        .is_err_and(|refused| refused.say.contains("or keep it"))
                {
                    self.front(vec![
                        Act::Wait(1.0),
                        Act::IfStill(self.cue_at, Command::Keep),
                    ]);
                } else if said.is_err_and(|refused| refused.say.contains("again")) && self.tries < 4
                {
                    self.tries += 1;
                    self.last_active = t;
                    self.front(vec![Act::Wait(3.0), Act::IfStill(self.cue_at, word)]);
                } else {
                    self.tries = 0;
                }
                self.drain();
            }
            Act::Press(key) => {
                self.said(format!("- press {key:?}"));
                self.scale.press(key, t);
            }
            Act::TakeOut(g) => {
                let step = self.step;
                self.front(vec![Act::TakeOutOf(step, g)]);
                took = 0.0;
            }
            Act::TakeOutOf(step, g) => {
                let Some(v) = self.on_pan else { return };
                let swing = 20.0 * self.d();
                self.push(Force {
                    from: t,
                    until: t + 1.2,
                    mean: 0.3 * swing,
                    swing,
                    hertz: 3.0,
                    soft: 0.2,
                });
                let have = self.vessels[v].held.get(&step).copied().unwrap_or(0);
                let take = ((g * NG) as i64).clamp(0, have);
                self.said(format!("- take {:.3} g out", take as f64 / NG));
                *self.vessels[v].held.entry(step).or_default() -= take;
                self.took_out_at = t;
                self.took_out = take as f64 / NG;
                took = 1.4;
            }
            Act::Pour => {
                self.start_pour();
                self.arm(Phase::Pour);
            }
            Act::Beside(g) => {
                self.said(format!("- {g:.3} g more beside the vessel on the pan"));
                self.beside += (g * NG) as i64;
            }
            Act::WipeBeside => {
                if self.beside != 0 {
                    self.said("- take off what lies beside".into());
                }
                self.beside = 0;
            }
            Act::Extra(v, g) => {
                self.said(format!("- {g:.3} g (spoon, lid) into or onto vessel {v}"));
                self.vessels[v].extra += (g * NG) as i64;
            }
            Act::NoExtra(v) => {
                self.said(format!("- spoon or lid off vessel {v}"));
                self.vessels[v].extra = 0;
            }
            Act::Push(mut force) => {
                let long = force.until - force.from;
                force.from = t;
                force.until = t + long;
                self.push(force);
            }
            Act::Nudge(v, edge) => {
                self.said(format!(
                    "- vessel {v} now leans with {edge:.4} of its weight elsewhere"
                ));
                self.vessels[v].edge = edge;
            }
            Act::Pours(v, step, g) => {
                self.said(format!("- {g:.3} g into vessel {v}"));
                *self.vessels[v].held.entry(step).or_default() += (g * NG) as i64;
            }
            Act::TipOut(v) => {
                self.said(format!("- tip vessel {v} out"));
                self.vessels[v].held.clear();
                self.vessels[v].extra = 0;
            }
            Act::Cable(on) => {
                self.said(format!("- the cable is {}", if on { "in" } else { "out" }));
                self.cable = on;
                if on {
                    self.bench.back(0, moment(t));
                } else {
                    self.bench.lost(0, moment(t));
                }
                self.drain();
            }
            Act::Power(on) => {
                self.said(format!(
                    "- the scale is switched {}",
                    if on { "on" } else { "off" }
                ));
                if on {
                    self.scale.on(t);
                } else {
                    self.scale.off();
                }
            }
            Act::IfStill(at, word) => {
                if at == self.cue_at {
                    self.front(vec![Act::Word(word)]);
                }
            }
            Act::WaitRest => {
                self.rest_by.get_or_insert(t + 8.0);
                if self.rest_by.is_some_and(|by| t < by)
                    && !(self.scale.steady && self.motions.is_empty())
                {
                    self.front(vec![Act::WaitRest]);
                    took = 0.3;
                } else {
                    self.rest_by = None;
                    took = 0.5;
                }
            }
            Act::TakeFrom(v, step) => {
                self.said(format!("- take what is of step {step} out of vessel {v}"));
                self.vessels[v].held.remove(&step);
            }
            Act::Reread => {
                if self.obeyed {
                    self.obeyed = false;
                    self.obey_at = t + 0.3;
                }
            }
        }
        self.busy = t + took;
    }

    /// She does what the sentence says.
    fn obey(&mut self, cue: &Cue) {
        let say = cue.say.to_lowercase();
        let has = |word: &str| say.contains(word);
        let gap = 0.4 + 0.6 * self.rng.f64();
        let mut acts: Vec<Act> = Vec::new();
        if has("press the unit key")
            && matches!(
                cue.kind,
                CueKind::Add | CueKind::EaseOff | CueKind::Hold | CueKind::TakeOut
            )
        {
            acts.extend([Act::Press(Key::Unit), Act::Wait(0.5)]);
        }
        if let Some(front) = say
            .split(" out of the batch first")
            .next()
            .filter(|_| has("out of the batch first"))
        {
            // "Take the 12.3 g Thing 2 out of the batch first."
            let step = front
                .rsplit(' ')
                .next()
                .and_then(|n| n.parse().ok())
                .unwrap_or(self.step);
            match self.on_pan {
                Some(v) if self.vessels[v].is_bowl => {
                    let g = self.vessels[v].held.get(&step).copied().unwrap_or(0) as f64 / NG;
                    acts.push(Act::TakeOutOf(step, g));
                }
                _ => {
                    if let Some(v) = self.bowl.filter(|_| self.is_bowl_step(step)) {
                        acts.push(Act::TakeFrom(v, step));
                    }
                }
            }
        }
        match cue.kind {
            CueKind::Add | CueKind::EaseOff => {
                if self.on_pan.is_none() {
                    let v = match self.primary(self.step) {
                        Some(v) => v,
                        None => self.next_vessel(),
                    };
                    acts.extend([Act::Land(v), Act::Wait(1.0), Act::Reread]);
                } else if cue.kind == CueKind::Add
                    || cue.missing.is_some_and(|m| m.to_g_f64() > 0.0)
                {
                    acts.push(Act::Pour);
                }
            }
            CueKind::Hold => self.arm(Phase::Hold),
            CueKind::TakeOut => {
                let n = self.takes.entry(self.step).or_default();
                *n += 1;
                let n = *n;
                let step = self.step;
                let inside = self
                    .on_pan
                    .map_or(0, |v| self.vessels[v].held.get(&step).copied().unwrap_or(0));
                let lid = self.on_pan.filter(|&v| self.vessels[v].extra > 0);
                if let Some(v) = lid.filter(|_| n > 1 || inside == 0) {
                    acts.push(Act::NoExtra(v));
                } else if inside == 0 && cue.choices.contains(&Choice::Again) {
                    // There is nothing in it to take out.
                    acts.push(Act::Word(Command::Again));
                } else if n > 5 && cue.choices.contains(&Choice::Keep) {
                    acts.push(Act::Word(Command::Keep));
                } else {
                    let much = cue.missing.map_or(0.0, |m| m.to_g_f64().abs());
                    let g = much * (0.9 + 0.2 * self.rng.f64());
                    acts.push(Act::TakeOut(g));
                }
            }
            CueKind::Done => {}
            CueKind::Lift | CueKind::Place | CueKind::Mix | CueKind::Choose | CueKind::Fault => {
                super::sentences::obey(self, cue, &has, gap, &mut acts);
                if cue.kind == CueKind::Lift && has("recorded") {
                    self.arm(Phase::Recorded);
                }
            }
        }
        self.acts.extend(acts);
    }

    pub fn bowl(&mut self) -> usize {
        match self.bowl {
            Some(v) => v,
            None => {
                let v = self.new_vessel(true);
                self.bowl = Some(v);
                v
            }
        }
    }

    pub fn next_vessel(&mut self) -> usize {
        if self.is_in_bowl.get(self.step.wrapping_sub(1)) == Some(&true) {
            self.bowl()
        } else {
            self.new_vessel(false)
        }
    }

    pub fn primary(&self, step: usize) -> Option<usize> {
        self.primary
            .get(&step)
            .copied()
            .or(if self.is_bowl_step(step) {
                self.bowl
            } else {
                None
            })
    }

    pub fn is_bowl_step(&self, step: usize) -> bool {
        self.is_in_bowl.get(step.wrapping_sub(1)) == Some(&true)
    }

    pub fn cue_at(&self) -> f64 {
        self.cue_at
    }

    pub fn cable(&self) -> bool {
        self.cable
    }

    pub fn adulterated(&self, step: usize) -> bool {
        self.adulterated.contains(&step)
    }

    /// Whether more went into the vessel that stands there since its record.
    pub fn added_after_record(&self, step: usize) -> bool {
        self.on_pan.is_some_and(|v| {
            let now = self.vessels[v].held.get(&step).copied().unwrap_or(0);
            self.recorded_mass
                .get(&step)
                .is_some_and(|&then| now > then)
        })
    }

    pub fn seen_here(&self) -> usize {
        self.takes.get(&self.step).copied().unwrap_or(0)
    }

    fn arm(&mut self, phase: Phase) {
        if phase == self.phase
            && self.due.is_none()
            && self.at_steps.contains(&self.step)
            && !self.fired_at.contains(&self.step)
        {
            let late = match phase {
                Phase::Pour => 0.3 + 4.0 * self.rng.f64(),
                _ => 0.05 + 2.5 * self.rng.f64() * self.rng.f64(),
            };
            self.due = Some(self.t + late);
        }
    }

    fn fire_if_due(&mut self) {
        if self.due.is_some_and(|at| at <= self.t) {
            self.due = None;
            self.fired_at.push(self.step);
            let mishap = self.mishap;
            self.said(format!("** {mishap:?} ({:?})", self.phase));
            mishap.fire(self);
        }
    }

    fn start_mishap(&mut self) {
        self.last_active = 0.0;
    }
}

/// A formula of three to six steps that this scale can prove, and its batch in grams.
fn formula(rng: &mut fastrand::Rng, kind: &Kind) -> (String, String) {
    let n = 3 + rng.usize(..4);
    let batch = kind.capacity * (0.1 + 0.35 * rng.f64());
    let least = 60.0 * kind.d / batch * 100.0;
    let mut percents: Vec<f64> = (0..n).map(|_| 3.0 + 30.0 * rng.f64() * rng.f64()).collect();
    let sum: f64 = percents.iter().sum();
    for p in &mut percents {
        *p = (*p / sum * 100.0).max(least.max(1.0));
        *p = (*p * 10.0).round() / 10.0;
    }
    let big = (0..n)
        .max_by(|&a, &b| percents[a].total_cmp(&percents[b]))
        .unwrap_or(0);
    let ways = rng.usize(..3);
    let split = 1 + rng.usize(..n - 1);
    let mut text = "[formula]\nname = \"Second\"\nversion = \"1\"\n".to_owned();
    for (i, percent) in percents.iter().enumerate() {
        let bowl = match ways {
            0 => false,
            1 => true,
            _ => i >= split,
        };
        if i == 0 || (ways == 2 && i == split) {
            text += &format!("\n[[phase]]\nname = \"Part {}\"\n", i + 1);
            if rng.bool() {
                text += "mix = \"Stir until even\"\n";
            }
        }
        let share = if i == big {
            "balance = true".to_owned()
        } else {
            format!("percent = {percent:.1}")
        };
        let g = kind.d * (8.0 + 4.0 * rng.f64()).round();
        text += &format!(
            "\n[[phase.ingredient]]\nname = \"Thing {}\"\n{share}\nvessel = \"{}\"\ntolerance = {{ percent = {}.0, g = {g:.3} }}\n",
            i + 1,
            if bowl { "bowl" } else { "beaker" },
            1 + rng.usize(..3),
        );
    }
    (text, format!("{batch:.0}"))
}
