//! A bench, a scale, what is poured, and one maker's hands. The truth is kept in grams.

use std::collections::{BTreeMap, VecDeque};

use bismar::bench::Bench;
use bismar::config::Config;
use bismar::formula::filling::Fill;
use bismar::formula::plan::BatchSize;
use bismar::formula::{Formula, Plan, VesselWay};
use bismar::journal::batch::record::Record;
use bismar::journal::format::fill_note;
use bismar::journal::format::opening::Opening;
use bismar::journal::format::row::{Row, Stamp};
use bismar::mass::Mass;
use bismar::metrology::prepackage::Rule;
use bismar::time::Moment;
use bismar::vocabulary::command::Command;
use bismar::vocabulary::cue::{Cue, CueKind};
use bismar::vocabulary::entry::{Draft, RowKind};
use bismar::vocabulary::progress::Progress;
use bismar::weighing::event::Event;
use fastrand::Rng;

use crate::deeds::{Deed, When};
use crate::scale::{KINDS, Key, Scale};

const DT: f64 = 0.02;

#[derive(Debug, Default, Clone)]
pub struct Vessel {
    pub empty: f64,
    /// Grams of each step's ingredient.
    pub held: BTreeMap<usize, f64>,
    /// Water under it, a rod in it, what sticks to its wall: no step's.
    pub extra: f64,
    /// How much of its weight the pan carries.
    pub support: f64,
    pub name: &'static str,
}

impl Vessel {
    fn mass(&self) -> f64 {
        self.empty + self.extra + self.held.values().sum::<f64>()
    }
}

#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    Wait(f64),
    Rest,
    Lift(usize),
    Land(usize),
    Word(Command),
    IfStill(Command),
    Press(Key, f64),
    TakeOut(f64),
    AddOnce(f64),
    /// All of this step's stuff goes away.
    Empty(usize, usize),
    /// Into the bowl, or wherever the batch is made.
    Tip(usize),
    WipePan,
    Pour,
    Extra(usize, f64),
    /// What came out of a source goes back into it.
    PutBack(usize, usize),
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Style {
    Stream,
    Pump,
    Dropper,
    Spoon,
    Bag,
}

/// What kind of batch it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scene {
    Beakers,
    TenInBowl,
    Mixed,
    Source,
    Boats,
    SmallInHeavy,
    Jars,
}

const SCENES: [Scene; 7] = [
    Scene::Beakers,
    Scene::TenInBowl,
    Scene::Mixed,
    Scene::Source,
    Scene::Boats,
    Scene::SmallInHeavy,
    Scene::Jars,
];

#[derive(Debug, Default)]
pub struct Outcome {
    pub kind: &'static str,
    pub scene: String,
    pub steps: Vec<Step>,
    pub fired: bool,
    pub stuck: Option<String>,
    pub silent: Option<String>,
    pub twice: usize,
    /// Steps in which she poured twice what was told, and was not told to stop.
    pub floods: usize,
    pub trace: Vec<String>,
    pub said: BTreeMap<String, usize>,
    pub seconds: f64,
    pub complete: bool,
}

#[derive(Debug)]
pub struct Step {
    pub step: usize,
    pub net: Option<f64>,
    pub u: f64,
    pub truth: f64,
    pub flagged: bool,
    pub worded: bool,
    pub note: String,
}

impl Step {
    pub fn off(&self) -> bool {
        self.net
            .is_some_and(|n| (n - self.truth).abs() > 2.0 * self.u + 1e-6)
    }
}

pub struct World {
    pub rng: Rng,
    pub scale: Scale,
    pub bench: Bench,
    config: Config,
    formula: Formula,
    size: BatchSize,
    fill: Option<Fill>,
    plan: Plan,
    pub t: f64,
    pub deed: Deed,
    when: When,
    at_step: usize,
    fired: bool,
    scene: Scene,
    style: Style,
    pub vessels: Vec<Vessel>,
    pub on: Vec<usize>,
    pub hand: Option<usize>,
    /// What lies on the pan and is no vessel.
    pub beside: f64,
    mat: f64,
    moves: Vec<(usize, f64, f64, f64, f64)>,
    forces: Vec<(f64, f64, f64)>,
    drops: Vec<(f64, usize, f64, usize)>,
    rows: Vec<(Draft, u64)>,
    writing: VecDeque<(f64, Draft)>,
    seq: u64,
    lines: VecDeque<(f64, String)>,
    stalled_until: f64,
    next_stall: f64,
    acts: VecDeque<Act>,
    busy: f64,
    pub cue: Option<Cue>,
    serial: u64,
    obeyed: u64,
    cue_at: f64,
    pub step: usize,
    /// How often in a row "place" was said while an empty vessel stood there.
    pub stood: u32,
    /// She says "next" two seconds after she was told to mix.
    pub quick: bool,
    /// So often in a row a word was refused with "say it again".
    refused: u32,
    flooded: usize,
    pub took_at: f64,
    pub took: f64,
    pour: Option<usize>,
    pour_at: f64,
    poured_here: f64,
    pub bowl: Option<usize>,
    pub primary: BTreeMap<usize, usize>,
    rec_vessel: BTreeMap<usize, usize>,
    source_start: BTreeMap<(usize, usize), f64>,
    at_lift: BTreeMap<(usize, usize), f64>,
    worded: Vec<usize>,
    progress_at: f64,
    moves_made: usize,
    move_says: Vec<String>,
    quiet_since: f64,
    away_until: f64,
    hand_force: Option<(f64, f64)>,
    undo_force_at_cue: bool,
    rod: Option<(usize, f64)>,
    warm: BTreeMap<usize, f64>,
    dead_until: Option<f64>,
    closed: Option<bool>,
    verbose: bool,
    out: Outcome,
    last_shown: String,
}

macro_rules! log {
    ($w:expr, $($words:tt)*) => {
        if $w.verbose {
            let line = format!("{:7.2}  {}", $w.t, format!($($words)*));
            $w.out.trace.push(line);
        }
    };
}

fn at(t: f64) -> Moment {
    Moment::from_micros((t * 1e6) as u64)
}

fn g(x: f64) -> String {
    format!("{x:.2}g")
}

impl World {
    pub fn new(seed: u64, kind: usize, deed: Deed, verbose: bool) -> World {
        let mut rng = Rng::with_seed(seed.wrapping_mul(7919) ^ 0x5eed ^ (kind as u64) << 40);
        for _ in 0..3 {
            rng.u64(..);
        }
        let kind = KINDS[kind % KINDS.len()];
        let u = kind.d * 100.0;
        let mut scene = SCENES[rng.usize(..SCENES.len())];
        if deed == Deed::Residue {
            scene = Scene::Beakers;
        }
        let mut style = [Style::Stream, Style::Spoon][rng.usize(..2)];
        match deed {
            Deed::Pump => style = Style::Pump,
            Deed::Dropper => style = Style::Dropper,
            Deed::BagTouch => style = Style::Bag,
            Deed::SpoonTap => style = Style::Spoon,
            _ => {}
        }
        let (n, low, high): (usize, f64, f64) = match scene {
            Scene::TenInBowl => (6 + rng.usize(..5), 2.0, 40.0),
            Scene::Boats => (3, 1.0, 4.0),
            Scene::SmallInHeavy => (3, 0.8, 3.0),
            Scene::Jars => (2, 20.0, 60.0),
            _ => (3, 4.0, 90.0),
        };
        let high: f64 = if style == Style::Dropper {
            high.min(6.0)
        } else {
            high
        };
        let low = low.min(high * 0.5);
        let way = |i: usize| match scene {
            Scene::TenInBowl => "bowl",
            Scene::Mixed if i > 0 => "bowl",
            Scene::Source if i < 2 => "difference",
            _ => "beaker",
        };
        let mut text = String::from("[formula]\nname = \"Marsh trial\"\nversion = \"1\"\n");
        let mut total = 0.0;
        for i in 0..n {
            if i == 0 || (i == n - 1 && scene != Scene::TenInBowl) {
                text += &format!("\n[[phase]]\nname = \"Part {i}\"\nmix = \"Stir\"\n");
            }
            let grams = (low + (high - low) * rng.f64() * rng.f64()) * u;
            let grams = (grams / kind.d).round() * kind.d;
            total += grams;
            let tol = (0.03 * grams).max(12.0 * kind.d).min(grams * 0.3);
            text += &format!(
                "\n[[phase.ingredient]]\nname = \"Stuff {i}\"\nparts = {grams:.2}\ntolerance = {{ g = {tol:.2} }}\nvessel = \"{}\"\n",
                way(i)
            );
        }
        let heavy = match scene {
            Scene::SmallInHeavy => 250.0 + 100.0 * rng.f64(),
            Scene::Boats => 0.4 + 2.6 * rng.f64() * rng.f64(),
            _ => 20.0 + 130.0 * rng.f64(),
        };
        let mut settings = format!(
            "[[scale]]\nname = \"bench\"\nport = \"/dev/ttyUSB0\"\nlayout = \"{}\"\nreadability = \"{} g\"\ncapacity = \"{} g\"\nrepeatability = \"{} g\"\n",
            if kind.form == crate::scale::Form::SignUnit {
                "sign-number-unit-16"
            } else {
                "comma-header"
            },
            kind.d,
            kind.capacity,
            0.5 * kind.d
        );
        if rng.u8(..4) == 0 {
            settings += &format!("\n[[vessel]]\nname = \"beaker\"\nweight = \"{heavy:.2} g\"\n");
        }
        let config = Config::parse(&settings, "config.toml").expect("settings");
        let formula = Formula::parse(&text, "marsh.toml").unwrap_or_else(|e| panic!("{e}\n{text}"));
        let size = BatchSize::Batch(Mass::parse_with_unit(&format!("{total:.2}g")).unwrap());
        let plan = Plan::new(&formula, size, &config.abilities(), config.weighing.guard)
            .unwrap_or_else(|e| panic!("{e}\n{text}"));
        let mut bench = Bench::at_line_start(&config).unwrap();
        bench
            .begin(plan.clone(), Progress::default(), at(0.0))
            .unwrap();
        let mut rows = Vec::new();
        let mut seq = 0;
        for draft in Opening::of(&formula, &plan)
            .drafts(&formula.label())
            .unwrap()
        {
            seq += 1;
            rows.push((draft, seq));
        }
        let mat = match deed {
            Deed::MatSticks => 12.0 * u,
            Deed::Preload => 30.0 * u * rng.f64(),
            _ => 0.0,
        };
        let when = deed.whens()[rng.usize(..deed.whens().len())];
        let at_step = 1 + rng.usize(..plan.steps.len());
        let mut world = World {
            scale: Scale::new(kind, mat, 0.3 * rng.f64()),
            bench,
            config,
            formula,
            size,
            fill: None,
            t: 0.0,
            deed,
            when,
            at_step,
            fired: false,
            scene,
            style,
            vessels: Vec::new(),
            on: Vec::new(),
            hand: None,
            beside: 0.0,
            mat,
            moves: Vec::new(),
            forces: Vec::new(),
            drops: Vec::new(),
            rows,
            writing: VecDeque::new(),
            seq,
            lines: VecDeque::new(),
            stalled_until: 0.0,
            next_stall: 10.0,
            acts: VecDeque::new(),
            // The empty pan is seen at rest before she begins.
            busy: 4.0,
            cue: None,
            serial: 0,
            obeyed: 0,
            cue_at: 0.0,
            step: 1,
            stood: 0,
            refused: 0,
            flooded: 0,
            quick: rng.bool() || std::env::var("THIRD_QUICK").is_ok(),
            took_at: -100.0,
            took: 0.0,
            pour: None,
            pour_at: 0.0,
            poured_here: 0.0,
            bowl: None,
            primary: BTreeMap::new(),
            rec_vessel: BTreeMap::new(),
            source_start: BTreeMap::new(),
            at_lift: BTreeMap::new(),
            worded: Vec::new(),
            progress_at: 0.0,
            moves_made: 0,
            move_says: Vec::new(),
            quiet_since: 0.0,
            away_until: 0.0,
            hand_force: None,
            undo_force_at_cue: false,
            rod: None,
            warm: BTreeMap::new(),
            dead_until: None,
            closed: None,
            verbose,
            out: Outcome {
                kind: kind.name,
                scene: format!("{scene:?}"),
                ..Outcome::default()
            },
            last_shown: String::new(),
            plan,
            rng,
        };
        // The beakers of this bench: alike to some hundredths where they are bought together.
        for _ in 0..4 {
            let near = heavy + if scene == Scene::Boats { 0.02 } else { 0.3 } * world.rng.f64();
            world.vessels.push(Vessel {
                empty: near,
                name: "beaker",
                ..Vessel::default()
            });
        }
        if world.scene == Scene::Boats || settings.contains("[[vessel]]") {
            world.vessels[0].empty = heavy;
        }
        world
    }

    pub fn unit(&self) -> f64 {
        self.scale.kind.d * 100.0
    }

    pub fn d(&self) -> f64 {
        self.scale.kind.d
    }

    pub fn way(&self, step: usize) -> VesselWay {
        self.plan
            .steps
            .get(step.wrapping_sub(1))
            .map_or(VesselWay::Beaker, |s| s.vessel)
    }

    pub fn target(&self, step: usize) -> f64 {
        self.plan
            .steps
            .get(step.wrapping_sub(1))
            .map_or(0.0, |s| s.target.to_g_f64())
    }

    /// The vessel that this step wants now, taken from the shelf where there is none.
    pub fn wanted(&mut self, step: usize) -> usize {
        let way = self.way(step);
        if way == VesselWay::Bowl {
            if let Some(bowl) = self.bowl {
                return bowl;
            }
            let empty = 60.0 + 90.0 * self.rng.f64();
            self.vessels.push(Vessel {
                empty,
                name: "bowl",
                ..Vessel::default()
            });
            self.bowl = Some(self.vessels.len() - 1);
            return self.vessels.len() - 1;
        }
        if way == VesselWay::Difference {
            if let Some(&v) = self.primary.get(&step) {
                // Filled up, where it holds too little to begin once more.
                let full = 1.5 * self.target(step);
                let held = self.vessels[v].held.entry(step).or_default();
                *held = held.max(full);
                self.source_start.insert((v, step), *held);
                return v;
            }
            let held = self.target(step) * (1.5 + self.rng.f64());
            let empty = 40.0 + 60.0 * self.rng.f64();
            self.vessels.push(Vessel {
                empty,
                held: BTreeMap::from([(step, held)]),
                name: "bottle",
                ..Vessel::default()
            });
            let v = self.vessels.len() - 1;
            self.source_start.insert((v, step), held);
            return v;
        }
        // An empty one that does not stand on the pan; most times the one that was used last.
        let on = self.on.clone();
        let free = |v: &usize| !on.contains(v);
        let mut beakers: Vec<usize> = (0..self.vessels.len())
            .filter(|v| self.vessels[*v].name == "beaker" && self.vessels[*v].held.is_empty())
            .filter(free)
            .collect();
        if beakers.is_empty() {
            let empty = self.vessels[0].empty + 0.2 * self.rng.f64();
            self.vessels.push(Vessel {
                empty,
                name: "beaker",
                ..Vessel::default()
            });
            beakers.push(self.vessels.len() - 1);
        }
        beakers[self.rng.usize(..beakers.len())]
    }

    pub fn step_grams(&self, v: usize, step: usize) -> f64 {
        self.vessels[v].held.get(&step).copied().unwrap_or(0.0)
    }

    fn load(&mut self) -> f64 {
        let t = self.t;
        let mut load = self.beside + self.mat;
        for &v in &self.on {
            let warm = self
                .warm
                .get(&v)
                .map_or(0.0, |t0| 0.12 * self.unit() * (-(t - t0) / 100.0).exp());
            load += self.vessels[v].support * self.vessels[v].mass() - warm;
        }
        self.forces.retain(|f| f.1 > t);
        for (from, until, push) in &self.forces {
            if t >= *from {
                // A hand never holds still for longer than a moment.
                let tremor = if until - from > 1.0 {
                    0.06 * (t * 9.1).sin()
                } else {
                    0.0
                };
                load += push * (1.0 + tremor);
            }
        }
        if let Some((base, tremor)) = self.hand_force {
            load += base + tremor * ((t * 7.3).sin() + (t * 3.1).sin()) * 0.5;
        }
        if self.scene == Scene::Boats && !self.on.is_empty() {
            load += 0.006 * self.unit() * (t * 5.0).sin() * (t * 0.9).sin();
        }
        load
    }

    pub fn run(mut self) -> Outcome {
        let end = 3600.0;
        while self.t < end && self.closed.is_none() && self.out.stuck.is_none() {
            self.t += DT;
            self.pass();
        }
        if self.closed.is_none() && self.out.stuck.is_none() {
            self.out.stuck = Some(format!("an hour: {}", self.say()));
        }
        self.finish()
    }

    pub fn say(&self) -> String {
        self.cue.as_ref().map_or(String::new(), |c| c.say.clone())
    }

    fn pass(&mut self) {
        let t = self.t;
        // What moves.
        let moves = std::mem::take(&mut self.moves);
        for m in moves {
            let (v, t0, dur, from, to) = m;
            let part = ((t - t0) / dur).clamp(0.0, 1.0);
            if t >= t0 {
                self.vessels[v].support = from + (to - from) * part;
            }
            if part < 1.0 {
                self.moves.push(m);
            } else if to == 0.0 {
                self.on.retain(|o| *o != v);
            }
        }
        let drops = std::mem::take(&mut self.drops);
        for (due, v, grams, step) in drops {
            if due > t {
                self.drops.push((due, v, grams, step));
            } else if self.on.contains(&v) || self.hand == Some(v) {
                *self.vessels[v].held.entry(step).or_default() += grams;
            } else {
                self.beside += grams;
            }
        }
        let drift = match self.deed {
            Deed::Hygro => 0.02,
            Deed::Evaporate => -0.03,
            _ => 0.0,
        } * self.unit()
            / 60.0
            * DT;
        if drift != 0.0 {
            let step = self.step;
            for v in self.on.clone() {
                if let Some(held) = self.vessels[v].held.get_mut(&step)
                    && *held > self.scale.kind.d * 50.0
                {
                    *held += drift;
                }
            }
        }
        let load = self.load();
        let mut out = Vec::new();
        self.scale.pass(t, DT, load, &mut self.rng, &mut out);
        let stall = self.scale.kind.stall;
        if stall > 0.0 && t > self.next_stall {
            self.stalled_until = self.stalled_until.max(t + stall * (0.3 + self.rng.f64()));
            self.next_stall = self.stalled_until + 4.0 + 15.0 * self.rng.f64();
        }
        for line in out {
            self.lines.push_back((t, line));
        }
        if let Some(until) = self.dead_until {
            self.lines.clear();
            if t >= until {
                self.dead_until = None;
                self.reopen();
            }
        } else {
            while let Some(due) = self.bench.pass(at(t)) {
                let _ = due;
                self.drain();
            }
            if t >= self.stalled_until {
                while let Some((_, line)) = self.lines.pop_front() {
                    if self.verbose && line != self.last_shown {
                        self.last_shown.clone_from(&line);
                        log!(self, "    {}", line.trim_end());
                    }
                    self.bench.bytes(0, at(t), line.as_bytes());
                    self.drain();
                }
            }
            while self.writing.front().is_some_and(|(due, _)| *due <= t) {
                let (_, draft) = self.writing.pop_front().unwrap();
                self.write(draft);
            }
            self.drain();
        }
        self.hands();
        self.watch();
    }

    fn write(&mut self, draft: Draft) {
        self.seq += 1;
        let (ticket, seq) = (draft.ticket, self.seq);
        log!(
            self,
            "ROW {:?} step {} net {:?} U {:?} {:?} {:?}",
            draft.kind,
            draft.step,
            draft.net.map(Mass::to_g_f64),
            draft.uncertainty.map(Mass::to_g_f64),
            draft.verdict,
            draft.note
        );
        if matches!(
            draft.kind,
            RowKind::Weighed | RowKind::TakenOut | RowKind::Filled
        ) && draft.net.is_some()
        {
            let held = |v: &usize| self.vessels[*v].held.contains_key(&draft.step);
            let on = self.on.iter().copied().find(|v| held(v));
            let v = on
                .or(self.hand.filter(|v| held(v)))
                .or(self.primary.get(&draft.step).copied());
            if let Some(v) = v {
                self.rec_vessel.insert(draft.step, v);
            }
        }
        self.rows.push((draft, seq));
        self.progress_at = self.t;
        self.moves_made = 0;
        self.move_says.clear();
        self.bench.logged(ticket, seq, at(self.t));
        self.drain();
    }

    fn drain(&mut self) {
        while let Some(event) = self.bench.poll() {
            match event {
                Event::Cue(cue) => self.told(cue),
                Event::Log(draft) => {
                    let late = 0.02 + 0.1 * self.rng.f64();
                    self.writing.push_back((self.t + late, *draft));
                }
                Event::Step { step, .. } => {
                    self.step = step;
                    self.poured_here = 0.0;
                }
                Event::Closed { complete } => {
                    log!(self, "CLOSED {complete}");
                    let jars = self.scene == Scene::Jars && self.fill.is_none() && complete;
                    if jars {
                        self.acts.clear();
                    } else {
                        self.closed = Some(complete);
                    }
                }
                Event::Fault { code, over, .. } => {
                    log!(self, "FAULT {code:?} over {over}");
                }
                _ => {}
            }
        }
    }

    fn told(&mut self, cue: Cue) {
        log!(self, "CUE {:?} {:?} {:?}", cue.kind, cue.say, cue.choices);
        let key: String = cue
            .say
            .chars()
            .map(|c| if c.is_ascii_digit() { '#' } else { c })
            .collect();
        *self
            .out
            .said
            .entry(format!("{:?} {key}", cue.kind))
            .or_default() += 1;
        let same = self
            .cue
            .as_ref()
            .is_some_and(|c| c.kind == cue.kind && plain(&c.say) == plain(&cue.say));
        if matches!(cue.kind, CueKind::Fault | CueKind::Choose) {
            self.worded.push(self.step);
        }
        self.quiet_since = self.t;
        self.cue = Some(cue);
        self.cue_at = self.t;
        if !same || !self.is_pouring_cue() || self.way(self.step) == VesselWay::Difference {
            self.serial += 1;
        }
    }

    /// Whether she may go on pouring under the sentence that stands.
    pub fn is_pouring_cue(&self) -> bool {
        self.cue.as_ref().is_some_and(|c| match c.kind {
            CueKind::Add | CueKind::EaseOff => true,
            CueKind::Choose => c.say.contains("missing still"),
            _ => false,
        })
    }

    fn rows_of(&self) -> Record {
        let stamp = jiff::Timestamp::UNIX_EPOCH;
        let label = self.formula.label();
        Record::of_rows(self.rows.iter().map(|(draft, seq)| {
            Row::from_draft(
                draft,
                Stamp {
                    batch: "b",
                    seq: *seq,
                    at: stamp,
                    formula: &label,
                },
            )
        }))
    }

    fn kill(&mut self) {
        log!(self, "the daemon ends");
        // What was on its way to the disk arrived there, or not.
        while let Some((_, draft)) = self.writing.pop_front() {
            if self.rng.bool() {
                self.seq += 1;
                self.rows.push((draft, self.seq));
            } else {
                break;
            }
        }
        self.writing.clear();
        let known = self.bench.responses();
        let fresh = Bench::new(&self.config).unwrap();
        self.bench = fresh;
        if self.rng.bool() {
            for (i, known) in known.into_iter().enumerate() {
                if let Some(known) = known {
                    self.bench.set_response(i, known);
                }
            }
        }
        self.dead_until = Some(self.t + 2.0 + 12.0 * self.rng.f64());
    }

    fn reopen(&mut self) {
        let record = self.rows_of();
        let guard = self.config.weighing.guard;
        let plan = match self.fill {
            Some(fill) => {
                Plan::filling(fill, &self.formula.label(), &self.config.abilities(), guard).unwrap()
            }
            None => record
                .plan(&self.formula, self.size, &self.config.abilities(), guard)
                .unwrap(),
        };
        log!(self, "the daemon begins again");
        let progress = record.progress(&plan);
        if let Err(refused) = self.bench.begin(plan.clone(), progress, at(self.t)) {
            self.out.stuck = Some(format!("refused at the reopening: {refused}"));
        }
        self.plan = plan;
        self.drain();
    }

    fn begin_jars(&mut self) {
        let record = self.rows_of();
        let made = record.total();
        let count = 3;
        let nominal =
            Mass::from_g_f64((made.to_g_f64() / 3.3 / self.d()).floor() * self.d()).unwrap();
        let fill = Fill {
            nominal,
            over: Mass::from_g_f64(40.0 * self.d()).unwrap(),
            rule: Rule::Eu76211,
            made,
            first: 1,
            last: count,
        };
        let guard = self.config.weighing.guard;
        let Ok(plan) = Plan::filling(fill, &self.formula.label(), &self.config.abilities(), guard)
        else {
            self.closed = Some(true);
            return;
        };
        self.collect();
        self.seq += 1;
        self.rows.push((
            Draft::new(RowKind::Note, fill_note::note_of(&fill)),
            self.seq,
        ));
        self.fill = Some(fill);
        self.plan = plan.clone();
        for v in 0..self.vessels.len() {
            if !self.on.contains(&v) {
                self.tip(v);
            }
        }
        self.primary.clear();
        self.rec_vessel.clear();
        self.at_lift.clear();
        self.fired = false;
        if let Err(e) = self.bench.begin(plan, Progress::default(), at(self.t)) {
            self.out.stuck = Some(format!("jars refused: {e}"));
        }
        self.progress_at = self.t;
        self.moves_made = 0;
        self.drain();
    }

    /// The deed, where its moment has come.
    fn moment(&mut self, when: When, v: usize) {
        if self.fired || self.when != when || self.step < self.at_step.min(self.plan.steps.len()) {
            return;
        }
        let (t, u) = (self.t, self.unit());
        let step = self.step;
        self.fired = true;
        self.out.fired = true;
        let mut acts: Vec<Act> = Vec::new();
        let stop = self.pour.take();
        match self.deed {
            Deed::StirOnPan => {
                for i in 0..12 {
                    let push = (self.rng.f64() - 0.3) * 15.0 * u;
                    self.forces
                        .push((t + 0.3 * f64::from(i), t + 0.3 * f64::from(i + 1), push));
                }
                acts.push(Act::Wait(4.0));
            }
            Deed::Sittings => {
                self.away_until = t + 90.0 + 120.0 * self.rng.f64();
                acts.push(Act::Wait(self.away_until - t));
            }
            Deed::LiftLook => acts.extend([
                Act::Lift(v),
                Act::Wait(1.0 + 3.0 * self.rng.f64()),
                Act::Land(v),
            ]),
            Deed::LiftWipe => {
                let wet = self.vessels[v].extra.max(0.0);
                acts.extend([
                    Act::Wait(1.5),
                    Act::Rest,
                    Act::Wait(1.5),
                    Act::Lift(v),
                    Act::Wait(1.5),
                ]);
                acts.extend([Act::Extra(v, -wet), Act::Land(v)]);
            }
            Deed::DripPan => self.beside += (0.05 + 0.15 * self.rng.f64()) * u,
            Deed::Tilt => self.scale.tilt += (self.rng.f64() - 0.3) * u,
            Deed::Kill => self.kill(),
            Deed::KillPour => {
                self.kill();
                let part = self.step_grams(v, step) * (0.1 + 0.5 * self.rng.f64());
                acts.extend([
                    Act::Lift(v),
                    Act::Wait(1.0),
                    Act::TakeOut(part),
                    Act::Land(v),
                ]);
            }
            Deed::TwoPeople => {
                let hold = 0.1 + 0.3 * self.rng.f64();
                if self.rng.bool() {
                    self.scale.press(Key::Tare, t, hold);
                    acts.extend([Act::Wait(0.4 * self.rng.f64()), Act::Lift(v)]);
                } else {
                    acts.extend([Act::Lift(v), Act::Press(Key::Tare, hold)]);
                }
                acts.extend([Act::Wait(1.0 + 2.0 * self.rng.f64()), Act::Land(v)]);
            }
            Deed::KeyHeld => {
                let hold = 1.0 + 2.0 * self.rng.f64();
                self.scale.press(Key::Tare, t, hold);
                self.pour = stop;
            }
            Deed::ZeroKey => acts.push(Act::Press(Key::Zero, 0.3)),
            Deed::PowerCycle => acts.extend([
                Act::Press(Key::Power, 0.3),
                Act::Wait(1.0 + 4.0 * self.rng.f64()),
                Act::Press(Key::Power, 0.3),
            ]),
            Deed::Preload => self.mat = 0.0,
            Deed::MatSticks => {
                let mat = self.mat;
                self.mat = 0.0;
                acts.extend([
                    Act::Extra(v, mat),
                    Act::Lift(v),
                    Act::Wait(2.0),
                    Act::Land(v),
                ]);
            }
            Deed::Stall => {
                self.stalled_until = t + 1.0 + 5.0 * self.rng.f64();
                self.pour = stop;
            }
            Deed::StallLift => {
                self.stalled_until = t + 3.0 + 3.0 * self.rng.f64();
                acts.extend([Act::Lift(v), Act::Wait(0.5)]);
                if self.rng.bool() {
                    let part = self.step_grams(v, step) * (0.1 + 0.4 * self.rng.f64());
                    acts.push(Act::TakeOut(part));
                }
                acts.push(Act::Land(v));
            }
            Deed::RodOut => self.vessels[v].extra = 0.0,
            Deed::RodIn => {
                let rod = (2.0 + 10.0 * self.rng.f64()) * u;
                self.vessels[v].extra += rod;
                self.rod = Some((v, rod));
            }
            Deed::HandRest => {
                let sign = if self.rng.u8(..4) == 0 { -1.0 } else { 1.0 };
                self.hand_force = Some((sign * (0.1 + self.rng.f64()) * u, 0.01 * u));
                self.undo_force_at_cue = true;
                self.pour = stop;
            }
            Deed::StrayWord => {
                let words = [
                    Command::Next,
                    Command::Again,
                    Command::Keep,
                    Command::Undo,
                    Command::Cancel,
                ];
                let word = words[self.rng.usize(..words.len())].clone();
                acts.push(Act::Word(word));
            }
            Deed::NextBeside => {
                let next = self.wanted_beaker_beside();
                acts.extend([Act::Land(next), Act::Wait(0.5), Act::Lift(v)]);
            }
            Deed::OtherBack => {
                let other = self.wanted_beaker_beside();
                let grams = self.step_grams(v, step) * (0.6 + 0.8 * self.rng.f64());
                self.vessels[other].extra += grams;
                acts.extend([Act::Lift(v), Act::Wait(2.0), Act::Land(other)]);
            }
            Deed::WrongAnswer => {
                let part = self.step_grams(v, step) * (0.1 + 0.4 * self.rng.f64());
                acts.extend([
                    Act::Lift(v),
                    Act::Wait(1.0),
                    Act::TakeOut(part),
                    Act::Land(v),
                ]);
            }
            Deed::Hops => {
                let gap = 0.1 + 0.4 * self.rng.f64();
                acts.extend([
                    Act::Lift(v),
                    Act::Wait(gap),
                    Act::Land(v),
                    Act::Wait(gap),
                    Act::Lift(v),
                ]);
                acts.extend([Act::Wait(gap), Act::Land(v)]);
            }
            _ => self.pour = stop,
        }
        log!(self, "** {:?} {when:?} {acts:?}", self.deed);
        if acts.is_empty() {
            if self.dead_until.is_none() {
                self.pour = stop;
            }
        } else {
            // What is in the air falls in first.
            acts.insert(0, Act::Wait(0.4));
            self.acts = acts.into();
            self.obeyed = 0;
        }
    }

    fn wanted_beaker_beside(&mut self) -> usize {
        let empty = self.vessels[0].empty + 0.2 * self.rng.f64();
        self.vessels.push(Vessel {
            empty,
            name: "beaker",
            ..Vessel::default()
        });
        self.vessels.len() - 1
    }

    /// The vessel of the step that is at hand.
    pub fn here(&self) -> Option<usize> {
        self.primary
            .get(&self.step)
            .copied()
            .filter(|v| self.on.contains(v))
            .or(self.on.first().copied())
    }

    fn hands(&mut self) {
        let t = self.t;
        if t < self.busy {
            return;
        }
        if let Some(act) = self.acts.pop_front() {
            self.act(act);
            return;
        }
        if t < self.away_until || self.dead_until.is_some() {
            return;
        }
        if self.scene == Scene::Jars
            && self.fill.is_none()
            && !self.bench.is_busy()
            && self.on.is_empty()
        {
            self.begin_jars();
            return;
        }
        let Some(cue) = self.cue.clone() else {
            return;
        };
        let reaction = 0.4 + 0.5 * self.rng.f64();
        if t < self.cue_at + reaction {
            self.pour_on(&cue);
            return;
        }
        if self.undo_force_at_cue && cue.kind == CueKind::Lift {
            log!(self, "the hand leaves the pan");
            self.hand_force = None;
            self.undo_force_at_cue = false;
            self.busy = t + 2.5;
            return;
        }
        if self.undo_force_at_cue && t > self.cue_at + 15.0 {
            self.hand_force = None;
            self.undo_force_at_cue = false;
        }
        if let Some((v, rod)) = self.rod
            && !self.is_pouring_cue()
            && cue.kind != CueKind::Hold
        {
            log!(self, "the rod is taken out");
            self.vessels[v].extra -= rod;
            self.rod = None;
            self.busy = t + 2.0;
            return;
        }
        if self.obeyed != self.serial {
            let here = self.here();
            if let Some(v) = here {
                match cue.kind {
                    CueKind::Add => self.moment(When::Told, v),
                    CueKind::Hold if self.poured_here > 0.5 * self.target(self.step) => {
                        self.moment(When::Held, v);
                    }
                    CueKind::Lift if cue.say.contains("Recorded") => self.moment(When::Recorded, v),
                    _ => {}
                }
            } else if let Some(v) = self.hand {
                self.moment(When::Lifted, v);
            }
            if !self.acts.is_empty() || self.dead_until.is_some() {
                return;
            }
            self.obeyed = self.serial;
            let acts = crate::words::obey(self, &cue);
            if !acts.is_empty() && !self.is_pouring_cue() {
                self.moves_made += 1;
                self.move_says.push(cue.say.clone());
            }
            log!(self, "she: {acts:?}");
            self.acts = acts.into();
            return;
        }
        self.pour_on(&cue);
    }

    fn act(&mut self, act: Act) {
        let t = self.t;
        match act {
            Act::Wait(s) => self.busy = t + s,
            Act::Rest => {
                if self.scale.is_still() || t > self.cue_at + 12.0 {
                    self.busy = t + 1.0;
                } else {
                    self.busy = t + 0.3;
                    self.acts.push_front(Act::Rest);
                }
            }
            Act::Pour => {
                let v = self.here();
                self.pour = v;
                self.pour_at = t;
                if let Some(v) = v {
                    self.primary.entry(self.step).or_insert(v);
                }
            }
            Act::Lift(v) => self.lift(v),
            Act::Land(v) => self.land(v),
            Act::Word(word) => self.word(word),
            Act::IfStill(word) => {
                if self.obeyed == self.serial {
                    self.word(word);
                }
            }
            Act::Press(key, hold) => {
                log!(self, "key {key:?}");
                self.scale.press(key, t, hold);
                self.forces.push((t, t + hold.min(0.4), 20.0 * self.unit()));
                self.busy = t + hold + 0.2;
            }
            Act::TakeOut(grams) => self.take_out(grams),
            Act::AddOnce(grams) => {
                if let Some(v) = self.here() {
                    self.drops.push((t + 0.3, v, 0.97 * grams, self.step));
                    log!(self, "adds {grams:.3}");
                }
                self.busy = t + 1.5;
            }
            Act::Empty(v, step) => {
                log!(self, "{} {v} emptied", self.vessels[v].name);
                let left = 0.0005 * self.step_grams(v, step);
                self.vessels[v].extra += left;
                self.vessels[v].held.remove(&step);
                self.poured_here = 0.0;
                self.at_lift.remove(&(v, step));
                self.busy = t + 3.0;
            }
            Act::Tip(v) => {
                self.tip(v);
                self.busy = t + 2.0;
            }
            Act::WipePan => {
                self.beside = 0.0;
                for v in self.on.clone() {
                    if self.vessels[v].held.is_empty() {
                        self.lift(v);
                    }
                }
                self.busy = t + 1.5;
            }
            Act::PutBack(v, step) => {
                if let Some(start) = self.source_start.get(&(v, step)) {
                    self.vessels[v].held.insert(step, *start);
                }
                self.busy = t + 2.0;
            }
            Act::Extra(v, grams) => self.vessels[v].extra += grams,
        }
    }

    fn tip(&mut self, v: usize) {
        if self.vessels[v].name == "bottle" || Some(v) == self.bowl {
            return;
        }
        let held: f64 = self.vessels[v].held.values().sum();
        self.vessels[v].held.clear();
        // Half of the time it is wiped out.
        self.vessels[v].extra = if self.rng.bool() { 0.004 * held } else { 0.0 };
    }

    fn lift(&mut self, v: usize) {
        if !self.on.contains(&v) {
            return;
        }
        self.pour = None;
        let t = self.t;
        let dur = 0.08 + 0.3 * self.rng.f64();
        if self.deed == Deed::WetPan && self.vessels[v].extra > 0.0 {
            let wet = self.vessels[v].extra.min(0.3 * self.unit());
            self.vessels[v].extra -= wet;
            self.beside += wet;
        }
        let from = self.vessels[v].support;
        self.moves.retain(|m| m.0 != v);
        self.moves.push((v, t, dur, from, 0.0));
        log!(
            self,
            "lifts {} {v} ({})",
            self.vessels[v].name,
            g(self.vessels[v].mass())
        );
        for (step, grams) in self.vessels[v].held.clone() {
            self.at_lift.insert((v, step), grams);
        }
        self.hand = Some(v);
        self.busy = t + dur + 0.3;
    }

    fn land(&mut self, v: usize) {
        self.poured_here = self.step_grams(v, self.step);
        if self.on.contains(&v) && !self.moves.iter().any(|m| m.0 == v) {
            return;
        }
        let (t, u) = (self.t, self.unit());
        if self.vessels[v].support < 1e-9 && self.vessels[v].held.is_empty() {
            match self.deed {
                Deed::WetPan | Deed::LiftWipe => self.vessels[v].extra += 0.3 * u,
                Deed::RodOut if !self.fired => self.vessels[v].extra = 12.3 * u,
                Deed::WarmVessel => {
                    self.warm.entry(v).or_insert(t);
                    self.fired = true;
                    self.out.fired = true;
                }
                _ => {}
            }
        }
        self.on.retain(|o| *o != v);
        self.on.push(v);
        self.moves.retain(|m| m.0 != v);
        let dur = 0.1 + 0.4 * self.rng.f64();
        if matches!(self.deed, Deed::HalfRim | Deed::RimFreed)
            && !self.fired
            && self.step >= self.at_step
        {
            self.fired = true;
            self.out.fired = true;
            let part = 0.4 + 0.5 * self.rng.f64();
            let later = match self.deed {
                Deed::HalfRim => 1.0 + 6.0 * self.rng.f64(),
                _ => 12.0 + 10.0 * self.rng.f64(),
            };
            self.moves.push((v, t, dur, 0.0, part));
            self.moves.push((v, t + later, 0.3, part, 1.0));
            log!(
                self,
                "half on the rim: {part:.2}, shifted after {later:.1} s"
            );
        } else {
            self.moves.push((v, t, dur, 0.0, 1.0));
            let mass = self.vessels[v].mass();
            self.forces.push((t + dur, t + dur + 0.08, 0.15 * mass));
        }
        if self.deed == Deed::Stacked && !self.fired && self.step >= self.at_step {
            self.fired = true;
            self.out.fired = true;
            let under = self.wanted_beaker_beside();
            self.on.push(under);
            self.moves.push((under, t, dur, 0.0, 1.0));
            log!(self, "another one, {under}, comes with it");
        }
        log!(
            self,
            "lands {} {v} ({})",
            self.vessels[v].name,
            g(self.vessels[v].mass())
        );
        self.hand = None;
        if self.way(self.step) != VesselWay::Beaker || self.vessels[v].name != "bowl" {
            if self.vessels[v].held.contains_key(&self.step) {
                self.primary.insert(self.step, v);
            } else {
                self.primary.entry(self.step).or_insert(v);
            }
        }
        self.busy = t + dur + 0.2;
        self.moment(When::Landed, v);
    }

    fn word(&mut self, word: Command) {
        if self.dead_until.is_some() {
            return;
        }
        let said = self.bench.command(word.clone(), at(self.t));
        log!(self, "WORD {word:?}: {said:?}");
        if self.cue.as_ref().is_none_or(|c| c.kind != CueKind::Mix) {
            self.worded.push(self.step);
        }
        self.quiet_since = self.t;
        self.busy = self.t + 0.5;
        // The answer is read as well.
        if let Err(refused) = said
            && refused.say.contains("say keep again")
            && self.refused < 8
        {
            self.refused += 1;
            self.acts = VecDeque::from([Act::Wait(3.0), Act::IfStill(word)]);
        } else {
            self.refused = 0;
        }
        self.drain();
    }

    fn take_out(&mut self, grams: f64) {
        let step = self.step;
        let v = self.hand.or(self.here());
        self.busy = self.t + 2.0;
        let Some(v) = v else {
            return;
        };
        let held = self.step_grams(v, step);
        let out = grams.min(held).max(0.0);
        if let Some(held) = self.vessels[v].held.get_mut(&step) {
            *held -= out;
        }
        self.took = out;
        self.took_at = self.t;
        if self.on.contains(&v) {
            let t = self.t;
            self.forces.push((t, t + 0.6, 8.0 * self.unit()));
        }
        log!(self, "takes out {out:.3}");
    }

    /// Her eyes are on the live number, a little late.
    fn pour_on(&mut self, cue: &Cue) {
        let Some(v) = self.pour else {
            return;
        };
        let t = self.t;
        let taking = self.way(self.step) == VesselWay::Difference;
        if !self.is_pouring_cue() {
            if t > self.cue_at + 0.3 {
                self.pour = None;
            }
            return;
        }
        if t < self.pour_at || !self.on.contains(&v) || self.stalled_until > t + 1.5 {
            return;
        }
        let status = self.bench.status();
        let missing = status.missing.map(|m| m.mass.to_g_f64());
        let Some(missing) = missing.or(cue.missing.map(Mass::to_g_f64)) else {
            return;
        };
        let m = if taking { missing.abs() } else { missing };
        let u = self.unit();
        if m <= 0.5 * self.d() {
            self.pour_at = t + 0.5;
            return;
        }
        let step = self.step;
        let r = 0.85 + 0.3 * self.rng.f64();
        let easy = if cue.kind == CueKind::EaseOff {
            0.5
        } else {
            1.0
        };
        let (grams, next) = match self.style {
            Style::Pump if m > 1.6 * u => {
                let push = (60.0 + 200.0 * self.rng.f64()) * u;
                self.forces.push((t, t + 0.4, push));
                (1.5 * u * (0.98 + 0.04 * self.rng.f64()), 1.0)
            }
            Style::Dropper => {
                let lean = (3.0 + 6.0 * self.rng.f64()) * u;
                let long = 1.5 + 2.0 * self.rng.f64();
                self.forces.push((t, t + long, lean));
                (0.6 * m.min(0.8 * u) * r, long + 1.6)
            }
            Style::Spoon if m > 0.4 * u => {
                let taps = if self.deed == Deed::SpoonTap { 3 } else { 0 };
                for i in 0..taps {
                    let from = t + 0.15 + 0.25 * f64::from(i);
                    self.forces
                        .push((from, from + 0.07, (10.0 + 40.0 * self.rng.f64()) * u));
                }
                ((0.7 * m * r).min(9.0 * u), 2.5)
            }
            _ if m < 0.3 * u => ((0.5 * m).clamp(0.02 * u, 0.06 * u) * r, 0.9),
            _ => ((0.06 * m * r * easy).clamp(0.02 * u, 2.0 * u), 0.1),
        };
        if self.style == Style::Bag && m > 0.3 * u {
            let lean = (1.0 + 5.0 * (t * 0.7).sin().abs()) * u;
            self.forces.push((t, t + 0.2, lean));
        }
        self.pour_at = t + next;
        if taking {
            let out = grams.min(self.step_grams(v, step));
            if let Some(held) = self.vessels[v].held.get_mut(&step) {
                *held -= out;
            }
            self.forces.push((t, t + 0.3, 4.0 * u));
        } else {
            self.drops.push((t + 0.25, v, grams, step));
        }
        let before = self.poured_here;
        self.poured_here += grams;
        if !taking && self.poured_here > 2.0 * self.target(step) + 2.0 * u && self.rod.is_none() {
            if self.flooded != step {
                log!(
                    self,
                    "FLOOD: twice as much is in; the engine stands at {:?}",
                    status.state
                );
                self.out.floods += 1;
            }
            self.flooded = step;
        }
        let half = 0.5 * self.target(step);
        if before < half && self.poured_here >= half {
            self.moment(When::Midway, v);
        }
    }

    fn watch(&mut self) {
        let t = self.t;
        let mixing = self
            .cue
            .as_ref()
            .is_some_and(|c| matches!(c.kind, CueKind::Mix | CueKind::Done));
        let idle = self.acts.is_empty()
            && t >= self.busy
            && self.obeyed == self.serial
            && t >= self.away_until
            && self.dead_until.is_none()
            && !mixing;
        if !idle || self.pour.is_some_and(|_| t < self.pour_at + 3.0) {
            self.quiet_since =
                self.quiet_since
                    .max(if mixing || !idle { t } else { self.quiet_since });
        }
        if t - self.quiet_since > 60.0 && self.out.silent.is_none() {
            log!(self, "SILENT for a minute");
            self.out.silent = Some(self.say());
        }
        if self.moves_made > 12 || (t - self.progress_at > 600.0 && t > self.away_until + 300.0) {
            let mut says = self.move_says.clone();
            let n = says.len().saturating_sub(4);
            says.drain(..n);
            self.out.stuck = Some(format!("{} moves: {}", self.moves_made, says.join(" / ")));
        }
    }

    /// The rows as they hold, against what the vessels held at their last lift.
    fn collect(&mut self) {
        let record = self.rows_of();
        let filled: BTreeMap<usize, Row> =
            record.filled.iter().map(|r| (r.step, r.clone())).collect();
        let steps = if self.fill.is_some() {
            &filled
        } else {
            &record.steps
        };
        let mut first: BTreeMap<usize, usize> = BTreeMap::new();
        for (draft, _) in &self.rows {
            let own = if self.fill.is_some() {
                RowKind::Filled
            } else {
                RowKind::Weighed
            };
            if draft.kind == own && !draft.note.contains("corrects seq") {
                *first.entry(draft.step).or_default() += 1;
            }
        }
        self.out.twice += first.values().filter(|n| **n > 1).count();
        for (&step, row) in steps {
            let Some(&v) = self.rec_vessel.get(&step) else {
                continue;
            };
            let lifted = self.at_lift.get(&(v, step)).copied();
            let mut truth = lifted.unwrap_or_else(|| self.step_grams(v, step));
            if self.way(step) == VesselWay::Difference {
                truth = self.source_start.get(&(v, step)).copied().unwrap_or(0.0) - truth;
            }
            let note = row.note.clone();
            let unsure = [
                "unsure",
                "not proven",
                "not sure",
                "uncertain",
                "doubt",
                "may ",
                "questioned",
            ];
            self.out.steps.push(Step {
                step: step + if self.fill.is_some() { 100 } else { 0 },
                net: row.net.map(|n| n.mass().to_g_f64()),
                u: row.uncertainty.map_or(0.0, |u| u.mass().to_g_f64()),
                truth,
                flagged: row.verdict.is_none()
                    || row.net.is_none()
                    || unsure.iter().any(|w| note.contains(w)),
                worded: self.worded.contains(&step),
                note,
            });
        }
    }

    fn finish(mut self) -> Outcome {
        self.collect();
        self.out.seconds = self.t;
        self.out.complete = self.closed == Some(true);
        self.out
    }
}

/// Without its digits.
fn plain(say: &str) -> String {
    say.chars().filter(|c| !c.is_ascii_digit()).collect()
}
