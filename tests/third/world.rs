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

use super::deeds::{Deed, Deed::*, When};
use super::scale::{Form, KINDS, Key, Scale, Talk};
use super::{agreed, told};

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
    fn told(&self, v: usize) -> String {
        format!("{} {v} ({:.2}g)", self.name, self.mass())
    }

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
    /// The scale's own menu: it sends all the time, several times a second, and keeps its tare.
    SetScale,
}

/// What kind of batch it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scene {
    Beakers,
    TenInBowl,
    Mixed,
    Source,
    Boats,
    Heavy,
    Jars,
}

const SCENES: [Scene; 7] = [Beakers, TenInBowl, Mixed, Source, Boats, Heavy, Jars];

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
    spoon: bool,
    pub vessels: Vec<Vessel>,
    pub on: Vec<usize>,
    pub hand: Option<usize>,
    /// What lies on the pan and is no vessel.
    pub beside: f64,
    mat: f64,
    moves: Vec<(usize, f64, f64, f64, f64)>,
    forces: Vec<(f64, f64, f64)>,
    /// When something last pressed on the vessel while she poured.
    pub pressed_at: f64,
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
            let line = format!("{:7.2} {}", $w.t, format!($($words)*));
            $w.out.trace.push(line);
        }
    };
}

fn at(t: f64) -> Moment {
    Moment::from_micros((t * 1e6) as u64)
}

use Act::*;
use Scene::*;

impl World {
    pub fn new(seed: u64, kind: usize, deed: Deed, verbose: bool) -> World {
        let mut rng = Rng::with_seed(seed.wrapping_mul(7919) ^ 0x5eed ^ (kind as u64) << 40);
        for _ in 0..3 {
            rng.u64(..);
        }
        let kind = KINDS[kind % KINDS.len()];
        let u = kind.d * 100.0;
        let scene = SCENES[rng.usize(..SCENES.len())];
        // Pumps, droppers and bags are told by the deed.
        let spoon =
            rng.usize(..2) == 1 && !matches!(deed, Pump | Dropper | BagTouch) || deed == SpoonTap;
        let (n, low, high): (usize, f64, f64) = match scene {
            TenInBowl => (6 + rng.usize(..5), 2.0, 40.0),
            Boats => (3, 1.0, 4.0),
            Heavy => (3, 0.8, 3.0),
            Jars => (2, 20.0, 60.0),
            _ => (3, 4.0, 90.0),
        };
        let high = if deed == Dropper { high.min(6.0) } else { high };
        let low = low.min(high * 0.5);
        let way = |i: usize| match scene {
            TenInBowl => "bowl",
            Mixed if i > 0 => "bowl",
            Source if i < 2 => "difference",
            _ => "beaker",
        };
        let mut text = String::from("[formula]\nname = \"Marsh trial\"\nversion = \"1\"\n");
        let mut total = 0.0;
        for i in 0..n {
            if i == 0 || (i == n - 1 && scene != TenInBowl) {
                text += &format!("\n[[phase]]\nname = \"Part {i}\"\nmix = \"Stir\"\n");
            }
            let grams = (low + (high - low) * rng.f64() * rng.f64()) * u;
            let grams = (grams / kind.d).round() * kind.d;
            total += grams;
            let tol = (0.03 * grams).max(12.0 * kind.d).min(grams * 0.3);
            let way = way(i);
            text += &format!(
                "\n[[phase.ingredient]]\nname = \"Stuff {i}\"\nparts = {grams:.2}\n\
                 tolerance = {{ g = {tol:.2} }}\nvessel = \"{way}\"\n"
            );
        }
        let heavy = match scene {
            Heavy => 250.0 + 100.0 * rng.f64(),
            Boats => 0.4 + 2.6 * rng.f64() * rng.f64(),
            _ => 20.0 + 130.0 * rng.f64(),
        };
        let (d, half, capacity) = (kind.d, 0.5 * kind.d, kind.capacity);
        let layout = match kind.form {
            Form::SignUnit => "sign-number-unit-16",
            _ => "comma-header",
        };
        let mut settings = format!(
            "[[scale]]\nname = \"bench\"\nport = \"/dev/ttyUSB0\"\nlayout = \"{layout}\"\n\
             readability = \"{d} g\"\ncapacity = \"{capacity} g\"\nrepeatability = \"{half} g\"\n"
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
        let begun = bench.begin(plan.clone(), Progress::default(), at(0.0));
        begun.unwrap();
        let opening = Opening::of(&formula, &plan).drafts(&formula.label());
        let rows: Vec<(Draft, u64)> = opening.unwrap().into_iter().zip(1..).collect();
        let seq = rows.len() as u64;
        let mat = match deed {
            MatSticks => 12.0 * u,
            Preload => 30.0 * u * rng.f64(),
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
            spoon,
            vessels: Vec::new(),
            on: Vec::new(),
            hand: None,
            beside: 0.0,
            mat,
            moves: Vec::new(),
            forces: Vec::new(),
            pressed_at: f64::NEG_INFINITY,
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
            quick: rng.bool(),
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
            let near = heavy + if scene == Boats { 0.02 } else { 0.3 } * world.rng.f64();
            world.shelf("beaker", near);
        }
        if world.scene == Boats || settings.contains("[[vessel]]") {
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

    fn planned(&self, step: usize) -> Option<&bismar::formula::Step> {
        let step = self.plan.steps.get(step.wrapping_sub(1));
        step.map(AsRef::as_ref)
    }

    pub fn way(&self, step: usize) -> VesselWay {
        self.planned(step).map_or(VesselWay::Beaker, |s| s.vessel)
    }

    pub fn target(&self, step: usize) -> f64 {
        self.planned(step).map_or(0.0, |s| s.target.to_g_f64())
    }

    fn shelf(&mut self, name: &'static str, empty: f64) -> usize {
        self.vessels.push(Vessel {
            empty,
            name,
            ..Vessel::default()
        });
        self.vessels.len() - 1
    }

    /// The vessel that this step wants now, taken from the shelf where there is none.
    pub fn wanted(&mut self, step: usize) -> usize {
        let way = self.way(step);
        if way == VesselWay::Bowl {
            if let Some(bowl) = self.bowl {
                return bowl;
            }
            let empty = 60.0 + 90.0 * self.rng.f64();
            let bowl = self.shelf("bowl", empty);
            self.bowl = Some(bowl);
            return bowl;
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
            let v = self.shelf("bottle", empty);
            self.vessels[v].held.insert(step, held);
            self.source_start.insert((v, step), held);
            return v;
        }
        // An empty one that does not stand on the pan.
        let free = |v: &usize| self.vessels[*v].held.is_empty() && !self.on.contains(v);
        let beaker = |v: &usize| self.vessels[*v].name == "beaker";
        let all = 0..self.vessels.len();
        let mut beakers: Vec<usize> = all.filter(beaker).filter(free).collect();
        if beakers.is_empty() {
            beakers.push(self.beaker_more());
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
        if self.scene == Boats && !self.on.is_empty() {
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
        self.cue
            .as_ref()
            .map_or(String::new(), |c| c.say.to_string())
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
            Hygro => 0.02,
            Evaporate => -0.03,
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
            while let Some(_due) = self.bench.pass(at(t)) {
                self.drain();
            }
            if t >= self.stalled_until {
                // What was held back comes out of the port in one go.
                let mut arrived = String::new();
                while let Some((_, line)) = self.lines.pop_front() {
                    if self.verbose && line != self.last_shown {
                        self.last_shown.clone_from(&line);
                        log!(self, "| {}", line.trim_end());
                    }
                    arrived += &line;
                }
                if !arrived.is_empty() {
                    self.bench.bytes(0, at(t), arrived.as_bytes());
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
        log!(self, "{}", told::row(&draft));
        let own = matches!(
            draft.kind,
            RowKind::Weighed | RowKind::TakenOut | RowKind::Filled
        );
        if own && draft.net.is_some() {
            let held = |v: &usize| self.vessels[*v].held.contains_key(&draft.step);
            let on = self.on.iter().copied().find(held);
            let off = self
                .hand
                .filter(held)
                .or(self.primary.get(&draft.step).copied());
            let v = on.or(off);
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
                    log!(
                        self,
                        "closed {}",
                        if complete { "complete" } else { "incomplete" }
                    );
                    let jars = self.scene == Jars && self.fill.is_none() && complete;
                    if jars {
                        self.acts.clear();
                    } else {
                        self.closed = Some(complete);
                    }
                }
                Event::Fault { code, over, .. } => {
                    log!(
                        self,
                        "fault {}{}",
                        code.name(),
                        if over { " over" } else { "" }
                    );
                }
                _ => {}
            }
        }
    }

    fn told(&mut self, cue: Cue) {
        log!(self, "{}", told::cue(&cue));
        let key = format!("{:?} {}", cue.kind, plain(&cue.say));
        *self.out.said.entry(key).or_default() += 1;
        let alike = |c: &Cue| c.kind == cue.kind && plain(&c.say) == plain(&cue.say);
        let same = self.cue.as_ref().is_some_and(alike);
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
        let formula = self.formula.label();
        let row = |(draft, seq): &(Draft, u64)| {
            let (batch, at, formula) = ("b", jiff::Timestamp::UNIX_EPOCH, &*formula);
            Row::from_draft(
                draft,
                Stamp {
                    batch,
                    seq: *seq,
                    at,
                    formula,
                },
            )
        };
        Record::of_rows(self.rows.iter().map(row))
    }

    fn kill(&mut self) {
        log!(self, "** the daemon ends");
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
        self.bench = Bench::new(&self.config).unwrap();
        if self.rng.bool() {
            for (i, known) in known
                .into_iter()
                .enumerate()
                .filter_map(|(i, k)| Some((i, k?)))
            {
                self.bench.set_response(i, known);
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
        log!(self, "** the daemon begins again");
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
            StirOnPan => {
                for i in 0..12 {
                    let push = (self.rng.f64() - 0.3) * 15.0 * u;
                    let from = t + 0.3 * f64::from(i);
                    self.forces.push((from, t + 0.3 * f64::from(i + 1), push));
                }
                acts.push(Wait(4.0));
            }
            Sittings => {
                self.away_until = t + 90.0 + 120.0 * self.rng.f64();
                acts.push(Wait(self.away_until - t));
            }
            LiftLook => acts.extend([Lift(v), Wait(1.0 + 3.0 * self.rng.f64()), Land(v)]),
            LiftWipe => {
                let wet = self.vessels[v].extra.max(0.0);
                acts.extend([Wait(1.5), Rest, Wait(1.5), Lift(v), Wait(1.5)]);
                acts.extend([Extra(v, -wet), Land(v)]);
            }
            DripPan => self.beside += (0.05 + 0.15 * self.rng.f64()) * u,
            Tilt => self.scale.tilt += (self.rng.f64() - 0.3) * u,
            Kill => self.kill(),
            KillPour => {
                self.kill();
                let part = self.step_grams(v, step) * (0.1 + 0.5 * self.rng.f64());
                acts.extend([Lift(v), Wait(1.0), TakeOut(part), Land(v)]);
            }
            TwoPeople => {
                let hold = 0.1 + 0.3 * self.rng.f64();
                if self.rng.bool() {
                    self.scale.press(Key::Tare, t, hold);
                    acts.extend([Wait(0.4 * self.rng.f64()), Lift(v)]);
                } else {
                    acts.extend([Lift(v), Press(Key::Tare, hold)]);
                }
                acts.extend([Wait(1.0 + 2.0 * self.rng.f64()), Land(v)]);
            }
            KeyHeld => {
                let hold = 1.0 + 2.0 * self.rng.f64();
                self.scale.press(Key::Tare, t, hold);
                self.pour = stop;
            }
            ZeroKey => acts.push(Press(Key::Zero, 0.3)),
            PowerCycle => acts.extend([
                Press(Key::Power, 0.3),
                Wait(1.0 + 4.0 * self.rng.f64()),
                Press(Key::Power, 0.3),
            ]),
            Preload => self.mat = 0.0,
            MatSticks => {
                let mat = self.mat;
                self.mat = 0.0;
                acts.extend([Extra(v, mat), Lift(v), Wait(2.0), Land(v)]);
            }
            Stall => {
                self.stalled_until = t + 1.0 + 5.0 * self.rng.f64();
                self.pour = stop;
            }
            StallLift => {
                self.stalled_until = t + 3.0 + 3.0 * self.rng.f64();
                acts.extend([Lift(v), Wait(0.5)]);
                if self.rng.bool() {
                    let part = self.step_grams(v, step) * (0.1 + 0.4 * self.rng.f64());
                    acts.push(TakeOut(part));
                }
                acts.push(Land(v));
            }
            RodOut => self.vessels[v].extra = 0.0,
            RodIn => {
                let rod = (2.0 + 10.0 * self.rng.f64()) * u;
                self.vessels[v].extra += rod;
                self.rod = Some((v, rod));
            }
            HandRest => {
                let sign = if self.rng.u8(..4) == 0 { -1.0 } else { 1.0 };
                self.hand_force = Some((sign * (0.1 + self.rng.f64()) * u, 0.01 * u));
                self.undo_force_at_cue = true;
                self.pour = stop;
            }
            StrayWord => {
                use Command::*;
                let words = [Next, Again, Keep, Undo, Cancel];
                let word = words[self.rng.usize(..words.len())].clone();
                acts.push(Word(word));
            }
            NextBeside => {
                let next = self.beaker_more();
                acts.extend([Land(next), Wait(0.5), Lift(v)]);
            }
            OtherBack => {
                let other = self.beaker_more();
                let grams = self.step_grams(v, step) * (0.6 + 0.8 * self.rng.f64());
                self.vessels[other].extra += grams;
                acts.extend([Lift(v), Wait(2.0), Land(other)]);
            }
            WrongAnswer => {
                let part = self.step_grams(v, step) * (0.1 + 0.4 * self.rng.f64());
                acts.extend([Lift(v), Wait(1.0), TakeOut(part), Land(v)]);
            }
            Hops => {
                let gap = 0.1 + 0.4 * self.rng.f64();
                acts.extend([Lift(v), Wait(gap), Land(v), Wait(gap), Lift(v)]);
                acts.extend([Wait(gap), Land(v)]);
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
            acts.insert(0, Wait(0.4));
            self.acts = acts.into();
            self.obeyed = 0;
        }
    }

    fn beaker_more(&mut self) -> usize {
        let empty = self.vessels[0].empty + 0.2 * self.rng.f64();
        self.shelf("beaker", empty)
    }

    /// The vessel of the step that is at hand.
    pub fn here(&self) -> Option<usize> {
        let own = self.primary.get(&self.step).copied();
        own.filter(|v| self.on.contains(v))
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
        if self.scene == Jars && self.fill.is_none() && !self.bench.is_busy() && self.on.is_empty()
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
            log!(self, "- the hand leaves the pan");
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
            log!(self, "- the rod is taken out");
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
            let acts = super::words::obey(self, &cue);
            if !acts.is_empty() && !self.is_pouring_cue() {
                self.moves_made += 1;
                self.move_says.push(cue.say.to_string());
            }
            log!(self, "- {acts:?}");
            self.acts = acts.into();
            return;
        }
        self.pour_on(&cue);
    }

    fn act(&mut self, act: Act) {
        let t = self.t;
        match act {
            Wait(s) => self.busy = t + s,
            Rest => {
                if self.scale.is_still() || t > self.cue_at + 12.0 {
                    self.busy = t + 1.0;
                } else {
                    self.busy = t + 0.3;
                    self.acts.push_front(Rest);
                }
            }
            Pour => {
                let v = self.here();
                self.pour = v;
                self.pour_at = t;
                if let Some(v) = v {
                    self.primary.entry(self.step).or_insert(v);
                }
            }
            Lift(v) => self.lift(v),
            Land(v) => self.land(v),
            Word(word) => self.word(word),
            IfStill(word) => {
                if self.obeyed == self.serial {
                    self.word(word);
                }
            }
            Press(key, hold) => {
                log!(self, "- key {key:?}");
                self.scale.press(key, t, hold);
                self.forces.push((t, t + hold.min(0.4), 20.0 * self.unit()));
                self.busy = t + hold + 0.2;
            }
            SetScale => {
                log!(self, "sets the scale to send all the time");
                let kind = &mut self.scale.kind;
                kind.talk = Talk::Always;
                kind.auto_tare = false;
                kind.every = kind.every.min(0.2);
                self.busy = t + 20.0;
            }
            TakeOut(grams) => self.take_out(grams),
            AddOnce(grams) => {
                if let Some(v) = self.here() {
                    self.drops.push((t + 0.3, v, 0.97 * grams, self.step));
                    log!(self, "- adds {grams:.3}");
                }
                self.busy = t + 1.5;
            }
            Empty(v, step) => {
                log!(self, "- {} {v} emptied", self.vessels[v].name);
                let left = 0.0005 * self.step_grams(v, step);
                self.vessels[v].extra += left;
                self.vessels[v].held.remove(&step);
                self.poured_here = 0.0;
                self.at_lift.remove(&(v, step));
                self.busy = t + 3.0;
            }
            Tip(v) => {
                self.tip(v);
                self.busy = t + 2.0;
            }
            WipePan => {
                self.beside = 0.0;
                for v in self.on.clone() {
                    if self.vessels[v].held.is_empty() {
                        self.lift(v);
                    }
                }
                self.busy = t + 1.5;
            }
            PutBack(v, step) => {
                if let Some(start) = self.source_start.get(&(v, step)) {
                    self.vessels[v].held.insert(step, *start);
                }
                self.busy = t + 2.0;
            }
            Extra(v, grams) => self.vessels[v].extra += grams,
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
        if self.deed == WetPan && self.vessels[v].extra > 0.0 {
            let wet = self.vessels[v].extra.min(0.3 * self.unit());
            self.vessels[v].extra -= wet;
            self.beside += wet;
        }
        let from = self.vessels[v].support;
        self.moves.retain(|m| m.0 != v);
        self.moves.push((v, t, dur, from, 0.0));
        log!(self, "- lifts {}", self.vessels[v].told(v));
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
                WetPan | LiftWipe => self.vessels[v].extra += 0.3 * u,
                RodOut if !self.fired => self.vessels[v].extra = 12.3 * u,
                WarmVessel => {
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
        if matches!(self.deed, HalfRim | RimFreed) && !self.fired && self.step >= self.at_step {
            self.fired = true;
            self.out.fired = true;
            let part = 0.4 + 0.5 * self.rng.f64();
            let later = match self.deed {
                HalfRim => 1.0 + 6.0 * self.rng.f64(),
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
        if self.deed == Stacked && !self.fired && self.step >= self.at_step {
            self.fired = true;
            self.out.fired = true;
            let under = self.beaker_more();
            self.on.push(under);
            self.moves.push((under, t, dur, 0.0, 1.0));
            log!(self, "- another one, {under}, comes with it");
        }
        log!(self, "- lands {}", self.vessels[v].told(v));
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
        log!(self, "- says {word:?}: {said:?}");
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
            self.acts = VecDeque::from([Wait(3.0), IfStill(word)]);
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
        log!(self, "- takes out {out:.3}");
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
        let (grams, next) = match self.deed {
            Pump if m > 1.6 * u => {
                let push = (60.0 + 200.0 * self.rng.f64()) * u;
                self.press((t, t + 0.4, push));
                (1.5 * u * (0.98 + 0.04 * self.rng.f64()), 1.0)
            }
            Dropper => {
                let lean = (3.0 + 6.0 * self.rng.f64()) * u;
                let long = 1.5 + 2.0 * self.rng.f64();
                self.press((t, t + long, lean));
                (0.6 * m.min(0.8 * u) * r, long + 1.6)
            }
            _ if self.spoon && m > 0.4 * u => {
                let taps = if self.deed == SpoonTap { 3 } else { 0 };
                for i in 0..taps {
                    let from = t + 0.15 + 0.25 * f64::from(i);
                    let push = (10.0 + 40.0 * self.rng.f64()) * u;
                    self.press((from, from + 0.07, push));
                }
                ((0.7 * m * r).min(9.0 * u), 2.5)
            }
            _ if m < 0.3 * u => ((0.5 * m).clamp(0.02 * u, 0.06 * u) * r, 0.9),
            _ => ((0.06 * m * r * easy).clamp(0.02 * u, 2.0 * u), 0.1),
        };
        if self.deed == BagTouch && m > 0.3 * u {
            let lean = (1.0 + 5.0 * (t * 0.7).sin().abs()) * u;
            self.press((t, t + 0.2, lean));
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

    fn press(&mut self, force: (f64, f64, f64)) {
        self.forces.push(force);
        self.pressed_at = force.1;
    }

    fn watch(&mut self) {
        let t = self.t;
        let kind = self.cue.as_ref().map(|c| c.kind);
        let mixing = matches!(kind, Some(CueKind::Mix | CueKind::Done));
        let idle = self.acts.is_empty()
            && t >= self.busy
            && self.obeyed == self.serial
            && t >= self.away_until
            && self.dead_until.is_none()
            && !mixing;
        if !idle {
            self.quiet_since = t;
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
        let (steps, own) = match self.fill {
            Some(_) => (&filled, RowKind::Filled),
            None => (&record.steps, RowKind::Weighed),
        };
        let mut first: BTreeMap<usize, usize> = BTreeMap::new();
        for (draft, _) in &self.rows {
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
            let doubt = ["unsure", "not proven", "not sure", "may ", "questioned"];
            let doubted = doubt.iter().any(|w| note.contains(w));
            self.out.steps.push(Step {
                step: step + if self.fill.is_some() { 100 } else { 0 },
                net: row.net.map(|n| n.mass().to_g_f64()),
                u: row.uncertainty.map_or(0.0, |u| u.mass().to_g_f64()),
                truth,
                flagged: row.verdict.is_none() || row.net.is_none() || doubted,
                worded: self.worded.contains(&step),
                note,
            });
        }
    }

    fn finish(mut self) -> Outcome {
        self.collect();
        let case = format!("{} {}", self.out.kind, self.out.scene);
        let rows = self.rows.iter().map(|(draft, seq)| (*seq, draft.clone()));
        agreed::of_formula(&case, &self.formula, self.plan.batch, rows);
        self.out.seconds = self.t;
        self.out.complete = self.closed == Some(true);
        self.out
    }
}

/// Without its digits.
fn plain(say: &str) -> String {
    say.chars().filter(|c| !c.is_ascii_digit()).collect()
}
