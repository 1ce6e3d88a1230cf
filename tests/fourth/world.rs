//! Vessels, streams, pushes, and the one who works there. The truth is what a vessel holds of a step, in grams.

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

use super::mishap::{Mishap, Mishap::*, When};
use super::scale::{Form, KINDS, Key, Scale};
use super::{agreed, told};

pub const DT: f64 = 0.02;

#[derive(Debug, Default, Clone)]
pub struct Vessel {
    pub name: &'static str,
    pub empty: f64,
    /// Grams of each step's ingredient.
    pub held: BTreeMap<usize, f64>,
    /// Spoon, lid, water, residue.
    pub extra: f64,
    /// How much of it the pan bears.
    pub support: f64,
    /// Of its weight, where it stands off the centre.
    pub gain: f64,
    /// Since when it cools.
    pub warm: Option<f64>,
    /// Of a magnet, upwards.
    pub pull: f64,
    pub dew: f64,
}

impl Vessel {
    pub fn mass(&self) -> f64 {
        self.empty + self.extra + self.dew + self.held.values().sum::<f64>()
    }
    pub fn has(&self, step: usize) -> f64 {
        self.held.get(&step).copied().unwrap_or(0.0)
    }
    pub fn all(&self) -> f64 {
        self.held.values().sum()
    }
}

/// What kind of batch it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scene {
    Beakers,
    Bowl,
    Mixed,
    Bottles,
    Jars,
}
const SCENES: [Scene; 5] = [
    Scene::Beakers,
    Scene::Bowl,
    Scene::Mixed,
    Scene::Bottles,
    Scene::Jars,
];

/// How it pours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Style {
    Steady,
    Drips,
    Lumps,
    Glugs,
    Sift,
}
const STYLES: [Style; 5] = [
    Style::Steady,
    Style::Drips,
    Style::Lumps,
    Style::Glugs,
    Style::Sift,
];

pub enum Act {
    Wait(f64),
    Rest,
    Lift(usize),
    Land(usize),
    Word(Command),
    Press(Key),
    Take(f64),
    Add(f64),
    Clean(usize),
    Tip(usize),
    Tidy,
    Pour,
    Do(Box<dyn FnOnce(&mut World)>),
}

/// What presses on the pan: from when, until when, grams after so many seconds.
type Push = (f64, f64, Box<dyn Fn(f64) -> f64>);

#[derive(Debug, Default)]
pub struct Outcome {
    pub kind: &'static str,
    pub scene: String,
    pub steps: Vec<Step>,
    pub fired: usize,
    pub stuck: Option<String>,
    pub silent: Option<String>,
    pub twice: usize,
    pub lost: usize,
    pub trace: Vec<String>,
    /// Steps in which something was asked or doubted, with the first sentence.
    pub worded: BTreeMap<usize, String>,
    pub seconds: f64,
    pub complete: bool,
}

#[derive(Debug)]
pub struct Step {
    pub step: usize,
    pub way: VesselWay,
    pub net: Option<f64>,
    pub u: f64,
    pub truth: f64,
    /// What it was when the row was written.
    pub truth_then: f64,
    pub flagged: bool,
    pub note: String,
}

impl Step {
    pub fn by(&self) -> f64 {
        self.net.map_or(0.0, |n| n - self.truth)
    }
    pub fn off(&self) -> bool {
        self.by().abs() > 2.0 * self.u + 1e-6
    }
}

pub struct Stream {
    pub vessel: usize,
    pub step: usize,
    open: bool,
    closed_at: f64,
    rate: f64,
    next: f64,
}

pub struct World {
    pub rng: Rng,
    pub t: f64,
    pub scale: Scale,
    pub bench: Bench,
    config: Config,
    formula: Formula,
    pub plan: Plan,
    fill: Option<Fill>,
    /// Weighed whole; its jars are filled when its last row is written.
    made: bool,
    pub mishap: Mishap,
    when: When,
    at_step: usize,
    pub fired: usize,
    due: Option<f64>,
    scene: Scene,
    pub vessels: Vec<Vessel>,
    pub pan: Vec<usize>,
    pub hand: Option<usize>,
    /// Vessels on their way: from when, for how long, how much of it the pan bears at first and at last.
    slips: Vec<(usize, f64, f64, f64, f64)>,
    pub pushes: Vec<Push>,
    /// On the pan, and in no vessel.
    pub litter: f64,
    /// A lid, a spoon or a second vessel that she put there; her own.
    pub thing: Option<(usize, f64)>,
    /// What touches the pan, whatever stands there, and until when.
    pub touch: f64,
    pub touch_until: f64,
    wind: f64,
    gust: f64,
    wind_until: f64,
    drift: f64,
    evap: f64,
    /// In the air: when it lands, in which vessel, of which step, grams.
    air: Vec<(f64, usize, usize, f64)>,
    pub stream: Option<Stream>,
    style: BTreeMap<usize, Style>,
    /// Goes on dripping: into which vessel, of which step, grams a second, until when.
    tail: Option<(usize, usize, f64, f64)>,
    lines_lost: f64,
    lines_twice: f64,
    lines_split: bool,
    rows: Vec<(Draft, u64)>,
    writing: VecDeque<(f64, Draft)>,
    seq: u64,
    port: VecDeque<(f64, Vec<u8>)>,
    last_line: Vec<u8>,
    pub acts: VecDeque<Act>,
    pub busy: f64,
    pub away_until: f64,
    pub cue: Option<Cue>,
    pub cue_at: f64,
    pub serial: u64,
    pub obeyed: u64,
    obeyed_at: f64,
    react: f64,
    pub step: usize,
    pub took: (f64, f64),
    pub pressed_at: f64,
    pub primary: BTreeMap<usize, usize>,
    pub bowl: Option<usize>,
    /// Of each recorded step, the vessels that it is in.
    rec: BTreeMap<usize, Vec<usize>>,
    rec_truth: BTreeMap<usize, f64>,
    /// What a vessel held of a step at its last lift, and when that was.
    departed: BTreeMap<(usize, usize), (f64, f64)>,
    rec_at: BTreeMap<usize, f64>,
    /// What a source held before a step.
    pub start: BTreeMap<(usize, usize), f64>,
    progress_at: f64,
    pub moves: usize,
    says: Vec<String>,
    quiet_since: f64,
    pub stood: usize,
    /// Another vessel stands there than the one that was tared.
    pub swapped: bool,
    pub told_once: bool,
    mid_once: bool,
    aim: f64,
    seen: VecDeque<(f64, f64)>,
    pause_until: f64,
    closed: Option<bool>,
    verbose: bool,
    pub out: Outcome,
}

macro_rules! log {
    ($w:expr, $($x:tt)*) => {
        if $w.verbose {
            let line = format!("{:7.2} {}", $w.t, format!($($x)*));
            $w.out.trace.push(line);
        }
    };
}

fn at(t: f64) -> Moment {
    Moment::from_micros((t * 1e6) as u64)
}

impl World {
    pub fn new(seed: u64, kind: usize, mishap: Mishap, verbose: bool) -> World {
        let mut rng = Rng::with_seed(
            seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ ((kind as u64) << 17) ^ 0xf0ff,
        );
        rng.u64(..);
        let m = KINDS[kind % KINDS.len()];
        let d = m.d;
        let scene = SCENES[rng.usize(..SCENES.len())];
        let n = match scene {
            Scene::Bowl => 3 + rng.usize(..4),
            Scene::Jars => 2,
            _ => 2 + rng.usize(..2),
        };
        let high = (m.cap
            * if scene == Scene::Bowl {
                0.5 / n as f64
            } else {
                0.3
            })
        .max(80.0 * d);
        let low = 60.0 * d;
        let mut text = "[formula]\nname = \"Saltmarsh trial\"\nversion = \"1\"\n".to_owned();
        let mut total = 0.0;
        for i in 0..n {
            if i == 0 || i == n - 1 && scene != Scene::Bowl {
                text += &format!("\n[[phase]]\nname = \"Part {i}\"\nmix = \"Stir\"\n");
            }
            let low = if scene == Scene::Jars {
                0.3 * high
            } else {
                low
            };
            let g = low * (high / low).powf(rng.f64());
            let g = (g / d).round() * d;
            total += g;
            let tol = (0.02 * g).max(12.0 * d);
            let way = match scene {
                Scene::Bowl => "bowl",
                Scene::Mixed if i > 0 => "bowl",
                Scene::Bottles if i < 2 => "difference",
                _ => "beaker",
            };
            text += &format!(
                "\n[[phase.ingredient]]\nname = \"Herb {i}\"\nparts = {g:.3}\n\
                 tolerance = {{ g = {tol:.3} }}\nvessel = \"{way}\"\n"
            );
        }
        let layout = match m.form {
            Form::Comma => "comma-header",
            Form::Sign => "sign-number-unit-16",
            Form::Reply => "reply-code",
            Form::Question => "question-mark",
        };
        let settings = format!(
            "[[scale]]\nname = \"bench\"\nport = \"/dev/ttyUSB0\"\nlayout = \"{layout}\"\n\
             readability = \"{d} g\"\ncapacity = \"{} g\"\nrepeatability = \"{} g\"\n",
            m.cap,
            0.6 * d
        );
        let config = Config::parse(&settings, "config.toml").expect("settings");
        let formula = Formula::parse(&text, "trial.toml").unwrap_or_else(|e| panic!("{e}\n{text}"));
        let size = BatchSize::Batch(Mass::parse_with_unit(&format!("{total:.3}g")).unwrap());
        let plan = Plan::new(&formula, size, &config.abilities(), config.weighing.guard)
            .unwrap_or_else(|e| panic!("{e}\n{text}"));
        let mut bench = Bench::at_line_start(&config).unwrap();
        bench
            .begin(plan.clone(), Progress::default(), at(0.0))
            .unwrap();
        let rows: Vec<(Draft, u64)> = Opening::of(&formula, &plan)
            .drafts(&formula.label())
            .unwrap()
            .into_iter()
            .zip(1..)
            .collect();
        let whens = mishap.whens();
        let when = whens[rng.usize(..whens.len())];
        let at_step = 1 + rng.usize(..n);
        let style = (0..=n + 6).map(|i| (i, STYLES[rng.usize(..5)])).collect();
        let lines = mishap == Lines;
        World {
            scale: Scale::new(m, 0.3 * rng.f64()),
            bench,
            config,
            formula,
            seq: rows.len() as u64,
            rows,
            fill: None,
            made: false,
            mishap,
            when,
            at_step,
            fired: 0,
            due: None,
            scene,
            vessels: vec![],
            pan: vec![],
            hand: None,
            slips: vec![],
            pushes: vec![],
            litter: 0.0,
            thing: None,
            touch: 0.0,
            touch_until: f64::MAX,
            wind: 0.0,
            gust: 0.0,
            wind_until: -1.0,
            drift: if mishap == Drift {
                (rng.f64() - 0.5) * 16.0 * d / 60.0
            } else {
                0.0
            },
            evap: if mishap == Evap { 3.0 * d / 60.0 } else { 0.0 },
            air: vec![],
            stream: None,
            style,
            tail: None,
            lines_lost: if lines { 0.3 * rng.f64() } else { 0.0 },
            lines_twice: if lines { 0.3 * rng.f64() } else { 0.0 },
            lines_split: lines,
            writing: VecDeque::new(),
            port: VecDeque::new(),
            last_line: vec![],
            acts: VecDeque::new(),
            busy: 4.0,
            away_until: 0.0,
            cue: None,
            cue_at: 0.0,
            serial: 0,
            obeyed: 0,
            obeyed_at: 0.0,
            react: 0.5,
            step: 1,
            took: (-1e3, 0.0),
            pressed_at: -1e3,
            primary: BTreeMap::new(),
            bowl: None,
            rec: BTreeMap::new(),
            rec_truth: BTreeMap::new(),
            departed: BTreeMap::new(),
            rec_at: BTreeMap::new(),
            start: BTreeMap::new(),
            progress_at: 0.0,
            moves: 0,
            says: vec![],
            quiet_since: 0.0,
            stood: 0,
            swapped: false,
            told_once: false,
            mid_once: false,
            aim: 0.0,
            seen: VecDeque::new(),
            pause_until: 0.0,
            closed: None,
            verbose,
            plan,
            t: 0.0,
            out: Outcome {
                kind: m.name,
                scene: format!("{scene:?}"),
                ..Outcome::default()
            },
            rng,
        }
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
    pub fn tol(&self) -> f64 {
        let g = self.target(self.step);
        (0.02 * g).max(12.0 * self.d())
    }
    pub fn here(&self) -> Option<usize> {
        self.pan
            .iter()
            .copied()
            .rfind(|p| self.thing.is_none_or(|(s, g)| s != *p || g > 0.0))
    }

    pub fn new_vessel(&mut self, name: &'static str) -> usize {
        let cap = self.scale.kind.cap;
        let base = match name {
            "bowl" => 0.12,
            "bottle" => 0.06,
            "jar" => 0.05,
            _ => 0.07,
        } * cap;
        let empty = base * (1.0 + if name == "jar" { 0.03 } else { 0.25 } * (self.rng.f64() - 0.5));
        self.vessels.push(Vessel {
            name,
            empty,
            gain: 1.0,
            ..Vessel::default()
        });
        self.vessels.len() - 1
    }

    pub fn wanted(&mut self, step: usize) -> usize {
        if self.fill.is_some() {
            return self.new_vessel("jar");
        }
        match self.way(step) {
            VesselWay::Bowl => {
                if let Some(b) = self.bowl {
                    return b;
                }
                let b = self.new_vessel("bowl");
                self.bowl = Some(b);
                b
            }
            VesselWay::Difference => {
                if let Some(&p) = self.primary.get(&step) {
                    let full = 1.8 * self.target(step);
                    if self.vessels[p].has(step) < full * 0.7 {
                        self.vessels[p].held.insert(step, full);
                    }
                    return p;
                }
                let p = self.new_vessel("bottle");
                let full = self.target(step) * (1.6 + self.rng.f64());
                self.vessels[p].held.insert(step, full);
                self.primary.insert(step, p);
                p
            }
            _ => {
                // The old one, emptied and not rinsed, or a fresh one.
                let old = (0..self.vessels.len()).find(|&p| {
                    self.vessels[p].name == "beaker"
                        && !self.pan.contains(&p)
                        && self.vessels[p].held.is_empty()
                });
                match old {
                    Some(p) if self.rng.bool() => p,
                    _ => self.new_vessel("beaker"),
                }
            }
        }
    }

    fn load(&mut self) -> f64 {
        let t = self.t;
        let d = self.d();
        let mut f = self.litter;
        if t > self.touch_until {
            self.touch = 0.0;
            self.touch_until = f64::MAX;
        }
        f += self.touch;
        for &p in &self.pan {
            let vessel = &self.vessels[p];
            let warm = vessel
                .warm
                .map_or(0.0, |w| 12.0 * d * (-(t - w) / 80.0).exp());
            f += vessel.support * (vessel.mass() * vessel.gain - warm - vessel.pull);
        }
        self.pushes.retain(|p| p.1 > t);
        for (from, _, push) in &self.pushes {
            if t >= *from {
                f += push(t - from);
            }
        }
        if t < self.wind_until {
            self.gust += -self.gust * DT / 0.6
                + self.wind * (2.0 * DT / 0.6_f64).sqrt() * (self.rng.f64() - 0.5) * 3.46;
            f += self.gust;
        }
        if let Some(s) = &self.stream
            && s.open
            && self.pan.contains(&s.vessel)
        {
            f += 0.02 * s.rate;
        }
        f
    }

    pub fn run(mut self) -> Outcome {
        while self.t < 5400.0 && self.closed.is_none() && self.out.stuck.is_none() {
            self.t += DT;
            self.pass();
        }
        if self.closed.is_none() && self.out.stuck.is_none() {
            self.out.stuck = Some(format!("end of time: {}", self.say()));
        }
        while let Some((_, draft)) = self.writing.pop_front() {
            self.seq += 1;
            log!(self, "{}", told::row(&draft));
            self.rows.push((draft, self.seq));
        }
        self.collect();
        let case = format!("{:?} {} {}", self.mishap, self.out.kind, self.out.scene);
        let rows = self.rows.iter().map(|(draft, seq)| (*seq, draft.clone()));
        agreed::of_formula(&case, &self.formula, self.plan.batch, rows);
        self.out.seconds = self.t;
        self.out.complete = self.closed == Some(true);
        self.out.fired = self.fired;
        self.out
    }

    pub fn say(&self) -> String {
        self.cue
            .as_ref()
            .map_or(String::new(), |c| c.say.to_string())
    }

    fn pass(&mut self) {
        let t = self.t;
        for m in std::mem::take(&mut self.slips) {
            let (p, t0, dur, from, to) = m;
            let x = ((t - t0) / dur).clamp(0.0, 1.0);
            let s = x * x * (3.0 - 2.0 * x);
            if t >= t0 {
                self.vessels[p].support = from + (to - from) * s;
            }
            if x < 1.0 {
                self.slips.push(m);
            } else if to == 0.0 {
                self.pan.retain(|o| *o != p);
            }
        }
        for a in std::mem::take(&mut self.air) {
            if a.0 > t {
                self.air.push(a);
                continue;
            }
            let (_, p, step, g) = a;
            if self.pan.contains(&p) || self.hand == Some(p) {
                *self.vessels[p].held.entry(step).or_default() += g;
            } else {
                self.litter += g;
            }
        }
        self.flow();
        self.scale.drift += self.drift * DT;
        if self.evap > 0.0 {
            let step = self.step;
            for p in self.pan.clone() {
                if let Some(h) = self.vessels[p].held.get_mut(&step)
                    && *h > 40.0 * self.scale.kind.d
                {
                    *h -= self.evap * DT;
                }
            }
        }
        if self.mishap == Dew {
            for p in self.pan.clone() {
                if self.vessels[p].warm.is_none()
                    && self.fired > 0
                    && self.vessels[p].dew > 0.0
                    && self.vessels[p].dew < 12.0 * self.scale.kind.d
                {
                    self.vessels[p].dew += 5.0 * self.scale.kind.d / 60.0 * DT;
                }
            }
        }
        if self.litter > 0.0 && self.mishap == WetRing {
            self.litter = (self.litter - self.d() / 60.0 * DT).max(0.0);
        }
        let f = self.load();
        let mut out = Vec::new();
        self.scale.pass(t, DT, f, &mut self.rng, &mut out);
        for line in out {
            if self.verbose && line != self.last_line {
                self.last_line.clone_from(&line);
                log!(self, "| {}", String::from_utf8_lossy(&line).trim_end());
            }
            if self.rng.f64() < self.lines_lost {
                continue;
            }
            let n = if self.rng.f64() < self.lines_twice {
                2
            } else {
                1
            };
            for _ in 0..n {
                if self.lines_split && self.rng.bool() && line.len() > 2 {
                    let k = self.rng.usize(1..line.len());
                    self.port.push_back((t, line[..k].to_vec()));
                    self.port
                        .push_back((t + 0.02 + 0.08 * self.rng.f64(), line[k..].to_vec()));
                } else {
                    self.port.push_back((t, line.clone()));
                }
            }
        }
        while self.bench.pass(at(t)).is_some() {
            self.drain();
        }
        let mut bytes = Vec::new();
        while self.port.front().is_some_and(|p| p.0 <= t) {
            bytes.extend(self.port.pop_front().unwrap().1);
        }
        if !bytes.is_empty() {
            self.bench.bytes(0, at(t), &bytes);
            self.drain();
        }
        while self.writing.front().is_some_and(|w| w.0 <= t) {
            let (_, draft) = self.writing.pop_front().unwrap();
            self.write(draft);
        }
        self.drain();
        if self.made && self.writing.is_empty() {
            self.made = false;
            self.jars();
        }
        if let Some(due) = self.due
            && t >= due
        {
            self.due = None;
            super::person::befall(self);
        }
        self.hands();
        self.watch();
    }

    fn write(&mut self, draft: Draft) {
        self.seq += 1;
        let (ticket, seq) = (draft.ticket, self.seq);
        log!(self, "{}", told::row(&draft));
        self.rows.push((draft, seq));
        self.progress_at = self.t;
        self.moves = 0;
        self.says.clear();
        self.bench.logged(ticket, seq, at(self.t));
        self.drain();
    }

    fn drain(&mut self) {
        while let Some(event) = self.bench.poll() {
            match event {
                Event::Cue(cue) => self.told(cue),
                Event::Log(draft) => {
                    let own = matches!(draft.kind, RowKind::Weighed | RowKind::Filled);
                    if own && draft.net.is_some() && !draft.note.contains("unsure") {
                        let s = draft.step;
                        let key = if self.fill.is_some() { 1 } else { s };
                        let mut vessels: Vec<usize> = self
                            .pan
                            .iter()
                            .copied()
                            .filter(|p| self.vessels[*p].has(key) != 0.0)
                            .collect();
                        if vessels.is_empty() {
                            vessels.extend(
                                self.hand
                                    .filter(|h| self.vessels[*h].has(key) != 0.0)
                                    .or(self.primary.get(&s).copied()),
                            );
                        }
                        let sum = vessels.iter().map(|p| self.truth_of(*p, key, None)).sum();
                        self.rec_truth.insert(s, sum);
                        let booked = draft.note.contains("corrects") && self.rec.contains_key(&s);
                        if !vessels.is_empty() && !booked {
                            self.rec.insert(s, vessels);
                            self.rec_at.insert(s, self.t);
                        }
                        self.happen(When::Recorded);
                    }
                    log!(
                        self,
                        "  (books {:?} {} vessels {:?} then {:?})",
                        draft.kind,
                        draft.step,
                        self.rec.get(&draft.step),
                        self.rec_truth.get(&draft.step)
                    );
                    let late = 0.02 + 0.1 * self.rng.f64();
                    self.writing.push_back((self.t + late, *draft));
                }
                Event::Step { step, .. } => {
                    self.step = step;
                    self.told_once = false;
                    self.mid_once = false;
                    self.stood = 0;
                    self.swapped = false;
                }
                Event::Closed { complete } => {
                    log!(self, "closed {complete}");
                    if self.scene == Scene::Jars && self.fill.is_none() && complete {
                        self.acts.clear();
                        self.made = true;
                    } else {
                        self.closed = Some(complete);
                    }
                }
                Event::Fault { code, over, .. } => log!(
                    self,
                    "fault {}{}",
                    code.name(),
                    if over { " over" } else { "" }
                ),
                _ => {}
            }
        }
    }

    fn truth_of(&self, p: usize, step: usize, held: Option<f64>) -> f64 {
        let now = held.unwrap_or_else(|| self.vessels[p].has(step));
        if self.fill.is_none() && self.way(step) == VesselWay::Difference {
            self.start.get(&(p, step)).copied().unwrap_or(0.0) - now
        } else {
            now
        }
    }

    fn told(&mut self, cue: Cue) {
        log!(self, "{}", told::cue(&cue));
        let plain = |c: &Cue| -> String {
            format!(
                "{:?}{}",
                c.kind,
                c.say
                    .chars()
                    .filter(|c| !c.is_ascii_digit())
                    .collect::<String>()
            )
        };
        let same = self.cue.as_ref().is_some_and(|c| plain(c) == plain(&cue));
        let pours = |c: &Cue| matches!(c.kind, CueKind::Add | CueKind::EaseOff);
        if matches!(cue.kind, CueKind::Fault | CueKind::Choose)
            || cue.say.contains("ot sure")
            || cue.say.contains("must be seen")
            || cue.say.contains("Too soon")
        {
            let step = self.row_step(self.step);
            let worded = self.out.worded.entry(step);
            worded.or_insert_with(|| cue.say.to_string());
        }
        self.quiet_since = self.t;
        let diff = self.fill.is_none() && self.way(self.step) == VesselWay::Difference;
        if !(same && pours(&cue) && !diff) {
            self.serial += 1;
            self.react = 0.25 + 0.9 * self.rng.f64();
            // An answer that she was about to give is not given to another question.
            if !same {
                self.acts
                    .retain(|a| !matches!(a, Act::Word(_) | Act::Pour | Act::Add(_)));
            }
            if cue.kind == CueKind::Place {
                let full: Vec<usize> = (0..self.vessels.len())
                    .filter(|p| {
                        self.vessels[*p].name == "beaker" && !self.vessels[*p].held.is_empty()
                    })
                    .collect();
                self.acts
                    .retain(|a| !matches!(a, Act::Land(p) if full.contains(p)));
            }
        }
        self.cue_at = self.t;
        let kind = cue.kind;
        self.cue = Some(cue);
        if kind == CueKind::Add && !self.told_once {
            self.told_once = true;
            self.happen(When::Told);
        }
        if kind == CueKind::Place
            && diff
            && self
                .cue
                .as_ref()
                .is_some_and(|c| c.say.contains("comes out of it"))
        {
            let s = self.step;
            self.start.retain(|k, _| k.1 != s);
        }
        if kind == CueKind::Add
            && diff
            && let Some(p) = self.here()
        {
            let g = self.vessels[p].has(self.step);
            self.start.entry((p, self.step)).or_insert(g);
        }
        if kind == CueKind::Hold {
            self.happen(When::Held);
        }
    }

    fn happen(&mut self, when: When) {
        if self.fired == 0
            && self.due.is_none()
            && self.when == when
            && self.step >= self.at_step.min(self.plan.steps.len())
        {
            self.due = Some(
                self.t
                    + if self.rng.bool() {
                        0.1
                    } else {
                        3.0 * self.rng.f64()
                    },
            );
        }
    }

    pub fn slipping(&self) -> bool {
        !self.slips.is_empty()
    }

    pub fn recorded(&self, step: usize) -> bool {
        self.rec.contains_key(&step)
    }

    pub fn blow(&mut self, amplitude: f64, seconds: f64) {
        self.wind = amplitude;
        self.wind_until = self.t + seconds;
    }

    pub fn pour_cue(&self) -> bool {
        self.cue.as_ref().is_some_and(|c| {
            matches!(c.kind, CueKind::Add | CueKind::EaseOff) || c.say.contains("missing still")
        })
    }

    fn rows_of(&self) -> Record {
        let formula = self.formula.label();
        Record::of_rows(self.rows.iter().map(|(draft, seq)| {
            Row::from_draft(
                draft,
                Stamp {
                    batch: "b",
                    seq: *seq,
                    at: jiff::Timestamp::UNIX_EPOCH,
                    formula: &formula,
                },
            )
        }))
    }

    fn jars(&mut self) {
        let made = self.rows_of().total();
        let d = self.d();
        let nominal = ((made.to_g_f64() / 3.3 / d).floor() * d).max(10.0 * d);
        let fill = Fill {
            nominal: Mass::from_g_f64(nominal).unwrap(),
            over: Mass::from_g_f64((40.0 * d).max(0.03 * nominal)).unwrap(),
            rule: Rule::Eu76211,
            made,
            first: 1,
            last: 3,
        };
        let guard = self.config.weighing.guard;
        let Ok(plan) = Plan::filling(fill, &self.formula.label(), &self.config.abilities(), guard)
        else {
            self.closed = Some(true);
            return;
        };
        self.collect();
        for p in 0..self.vessels.len() {
            self.tip(p);
        }
        self.seq += 1;
        let begun = Draft::new(RowKind::Note, fill_note::note_of(&fill));
        self.rows.push((begun, self.seq));
        self.primary.clear();
        self.rec.clear();
        self.departed.clear();
        self.start.clear();
        self.rec_truth.clear();
        self.fill = Some(fill);
        self.plan = plan.clone();
        self.fired = 0;
        self.acts.clear();
        if let Err(e) = self.bench.begin(plan, Progress::default(), at(self.t)) {
            self.out.stuck = Some(format!("jars refused: {e}"));
        }
        self.progress_at = self.t;
        self.drain();
    }

    /// How a jar is told apart from a step of the same number.
    fn row_step(&self, step: usize) -> usize {
        step + if self.fill.is_some() { 100 } else { 0 }
    }

    /// Which step's stuff goes into a jar: the product, called 1 in every jar.
    pub fn stuff(&self) -> usize {
        if self.fill.is_some() { 1 } else { self.step }
    }

    fn flow(&mut self) {
        let (t, d) = (self.t, self.d());
        if let Some((p, step, rate, until)) = self.tail {
            if t > until {
                self.tail = None;
            } else {
                self.air.push((t + 0.1, p, step, rate * DT));
            }
        }
        let Some(mut s) = self.stream.take() else {
            return;
        };
        let target = self.target(self.step).max(20.0 * d);
        let style = self.style[&s.step.min(self.style.len() - 1)];
        let mut dropped = 0.0;
        let decay = if s.open {
            1.0
        } else {
            (1.0 - (t - s.closed_at) / 0.4).max(0.0)
        };
        let r = s.rate * decay;
        match style {
            Style::Steady | Style::Sift => dropped = r * DT * (0.7 + 0.6 * self.rng.f64()),
            Style::Glugs => dropped = r * DT * (1.0 + 0.9 * (t * 9.0).sin()),
            Style::Drips => {
                if t >= s.next && decay > 0.0 {
                    let drop = (0.004 * target).clamp(0.3 * d, 0.05_f64.max(2.0 * d));
                    dropped = drop * (0.9 + 0.2 * self.rng.f64());
                    s.next = t + drop / r.max(0.05 * d);
                }
            }
            Style::Lumps => {
                if t >= s.next && s.open {
                    let lump =
                        (r * 0.8).clamp(0.5 * d, 0.06 * target) * (0.3 + 1.4 * self.rng.f64());
                    dropped = lump;
                    s.next = t + 0.8;
                }
            }
        }
        if dropped > 0.0 {
            let fall = 0.15 + 0.1 * self.rng.f64();
            if style == Style::Lumps {
                let g = 3.0 * dropped;
                self.pushes
                    .push((t + fall, t + fall + 0.06, Box::new(move |_| g)));
            }
            self.air.push((t + fall, s.vessel, s.step, dropped));
        }
        if s.open || decay > 0.0 {
            self.stream = Some(s);
        }
    }

    pub fn open(&mut self, vessel: usize, rate: f64) {
        let step = self.stuff();
        match &mut self.stream {
            Some(s) if s.open => s.rate = rate,
            _ => {
                self.stream = Some(Stream {
                    vessel,
                    step,
                    open: true,
                    closed_at: 0.0,
                    rate,
                    next: self.t,
                });
            }
        }
        if self.thing.is_none_or(|x| x.0 != vessel || x.1 > 0.0) {
            self.primary.entry(self.step).or_insert(vessel);
        }
    }

    pub fn close(&mut self) {
        let t = self.t;
        if let Some(s) = &mut self.stream
            && s.open
        {
            s.open = false;
            s.closed_at = t;
            if self.mishap == Dribble && self.step >= self.at_step {
                self.fired += 1;
                let r = (0.3 + 2.0 * self.rng.f64()) * self.scale.kind.d;
                self.tail = Some((s.vessel, s.step, r, t + 3.0 + 12.0 * self.rng.f64()));
            }
        }
    }

    fn hands(&mut self) {
        let t = self.t;
        if self.stream.as_ref().is_some_and(|s| s.open)
            && (!self.pour_cue() && t > self.cue_at + self.react.min(0.6))
            && self.busy < t
        {
            self.close();
        }
        if t < self.busy {
            return;
        }
        if let Some(act) = self.acts.pop_front() {
            self.act(act);
            return;
        }
        if t < self.away_until {
            return;
        }
        let again = t > self.obeyed_at + 100.0
            && self.quiet_since + 95.0 < t
            && !self.stream.as_ref().is_some_and(|s| s.open);
        if self.obeyed != self.serial && t >= self.cue_at + self.react || again {
            self.obeyed = self.serial;
            self.obeyed_at = t;
            if let Some(cue) = self.cue.clone() {
                self.moves += 1;
                self.says.push(cue.say.to_string());
                let acts = super::person::read(self, &cue);
                if !acts.is_empty() && !matches!(acts[0], Act::Pour) {
                    self.close();
                }
                self.acts.extend(acts);
            }
            return;
        }
        if self.pour_cue() {
            self.pour();
        }
    }

    fn pour(&mut self) {
        let (t, d) = (self.t, self.d());
        if self.fill.is_none() && self.way(self.step) == VesselWay::Difference {
            return;
        }
        let Some(mut p) = self.here() else { return };
        if let Some((s, 0.0)) = self.thing
            && self.mishap == TwoBeakers
            && self.pan.contains(&s)
            && (t * 0.11).sin() > 0.0
        {
            p = s;
        }
        let m = self
            .bench
            .status()
            .missing
            .map(|m| m.mass.to_g_f64())
            .or(self
                .cue
                .as_ref()
                .and_then(|c| c.missing.map(Mass::to_g_f64)));
        if self.verbose && ((t * 50.0).round() as u64).is_multiple_of(100) {
            let st = self.bench.status();
            log!(
                self,
                "  (page: missing {:?} shows {:?} state {:?})",
                st.missing.map(|m| m.mass.to_g_f64()),
                st.scales[0].weight.map(|m| m.mass.to_g_f64()),
                st.state
            );
        }
        let Some(m) = m else { return };
        self.seen.push_back((t, m));
        let lag = 0.35;
        while self.seen.len() > 1 && self.seen[1].0 < t - lag {
            self.seen.pop_front();
        }
        let m = self.seen[0].1.min(m + self.target(self.step));
        let target = self.target(self.step);
        let open = self.stream.as_ref().is_some_and(|s| s.open);
        if !self.mid_once && m < 0.5 * target {
            self.mid_once = true;
            self.happen(When::Midway);
        }
        if m <= self.aim {
            if open {
                self.close();
                self.pause_until = t + 2.0;
                self.aim = 0.3 * d;
            }
            return;
        }
        if t < self.pause_until {
            return;
        }
        let ease = self
            .cue
            .as_ref()
            .is_some_and(|c| c.kind == CueKind::EaseOff);
        let rate = (0.35 * m).clamp(1.5 * d, target / 7.0 + 1.5 * d) * if ease { 0.5 } else { 1.0 };
        self.open(p, rate);
        // Near the end in little pours, with a look between.
        if m < 1.5 * self.tol() && self.rng.f64() < DT / 0.7 {
            self.close();
            self.pause_until = t + 0.8 + self.rng.f64();
        }
    }

    pub fn act(&mut self, act: Act) {
        let t = self.t;
        match act {
            Act::Wait(s) => self.busy = t + s,
            Act::Rest => {
                if self.scale.rests(t) || !self.scale.on || t > self.cue_at + 15.0 {
                    self.busy = t + 0.8;
                } else {
                    self.busy = t + 0.3;
                    self.acts.push_front(Act::Rest);
                }
            }
            Act::Lift(p) => self.lift(p),
            Act::Land(p) => self.land(p),
            Act::Word(c) => self.word(c),
            Act::Press(k) => {
                log!(self, "- key {k:?}");
                self.scale.press(k, t + 0.15);
                let g = 15.0 * self.d();
                self.pushes.push((t, t + 0.3, Box::new(move |_| g)));
                self.busy = t + 0.5;
            }
            Act::Take(g) => self.take(g),
            Act::Add(g) => {
                if let Some(p) = self.here() {
                    log!(self, "- adds {g:.3}");
                    let s = self.stuff();
                    self.air.push((t + 0.3, p, s, g));
                }
                self.busy = t + 1.2;
            }
            Act::Clean(p) => {
                log!(self, "- empties {} {p}", self.vessels[p].name);
                if self.vessels[p].name != "bowl" {
                    self.vessels[p].held.clear();
                } else {
                    let s = self.step;
                    self.vessels[p].held.remove(&s);
                }
                let s = self.step;
                self.departed.remove(&(p, s));
                self.busy = t + 3.0;
            }
            Act::Tip(p) => {
                self.tip(p);
                self.busy = t + 2.0;
            }
            Act::Tidy => self.tidy(),
            Act::Pour => {
                self.aim = (self.rng.f64() - 0.4) * 0.5 * self.tol();
                self.seen.clear();
            }
            Act::Do(f) => f(self),
        }
    }

    pub fn tidy(&mut self) {
        log!(
            self,
            "- takes away what does not belong: litter {:.3} touch {:.3} thing {:?}",
            self.litter,
            self.touch,
            self.thing
        );
        self.litter = 0.0;
        self.touch = 0.0;
        if let Some((p, g)) = self.thing.take() {
            if g > 0.0 {
                self.vessels[p].extra -= g;
            } else if self.pan.contains(&p) {
                self.depart(p);
                self.slips.push((p, self.t, 0.3, 1.0, 0.0));
            }
        }
        self.busy = self.t + 1.5;
    }

    fn tip(&mut self, p: usize) {
        if self.vessels[p].name == "bottle" || Some(p) == self.bowl && self.fill.is_none() {
            return;
        }
        let all = self.vessels[p].all();
        self.vessels[p].held.clear();
        if self.rng.bool() {
            self.vessels[p].extra += 0.003 * all;
        }
    }

    fn depart(&mut self, p: usize) {
        for (s, g) in self.vessels[p].held.clone() {
            let since = self
                .departed
                .get(&(p, s))
                .is_some_and(|d| self.rec_at.get(&s).is_some_and(|r| d.1 > *r));
            let frozen = self.vessels[p].name == "beaker" && s != self.step && since;
            if !frozen {
                self.departed.insert((p, s), (g, self.t));
            }
        }
    }

    pub fn lift(&mut self, p: usize) {
        if !self.pan.contains(&p) {
            return;
        }
        self.close();
        let t = self.t;
        if let Some((s, g)) = self.thing
            && g == 0.0
            && s != p
            && self.pan.contains(&s)
            && self.cue.as_ref().is_some_and(|c| c.kind == CueKind::Lift)
        {
            // The second beaker goes with it, a moment later.
            self.thing = None;
            self.depart(s);
            self.slips.push((s, t + 0.8, 0.3, 1.0, 0.0));
        }
        if self.mishap == WetRing && self.vessels[p].dew > 0.0 {
            let w = 0.5 * self.vessels[p].dew;
            self.vessels[p].dew -= w;
            self.litter += w;
            self.fired += 1;
        }
        let dur = 0.1 + 0.4 * self.rng.f64();
        self.depart(p);
        self.slips.retain(|s| s.0 != p);
        self.slips.push((p, t, dur, self.vessels[p].support, 0.0));
        log!(
            self,
            "- lifts {} {p} {:.3} (own {:?})",
            self.vessels[p].name,
            self.vessels[p].mass(),
            self.vessels[p].held
        );
        self.hand = Some(p);
        self.busy = t + dur + 0.4;
        self.happen(When::Lifted);
    }

    pub fn land(&mut self, p: usize) {
        let t = self.t;
        if self.pan.contains(&p) && !self.slips.iter().any(|s| s.0 == p) {
            return;
        }
        self.pan.retain(|o| *o != p);
        self.pan.push(p);
        self.slips.retain(|s| s.0 != p);
        let d = self.d();
        match self.mishap {
            SpoonIn | LidOff
                if self.fired == 0
                    && self.thing.is_none()
                    && self.vessels[p].held.is_empty()
                    && self.step >= self.at_step =>
            {
                let g = (200.0 + 900.0 * self.rng.f64()) * d;
                self.vessels[p].extra += g;
                self.thing = Some((p, g));
                log!(self, "- with a thing of {g:.3} on it");
            }
            Corner => {
                self.vessels[p].gain = 1.0 + 4e-4 * (self.rng.f64() - 0.5);
                self.fired += 1;
            }
            Magnet => {
                self.vessels[p].pull = 30.0 * d * self.rng.f64();
                self.fired += 1;
            }
            Warm if self.vessels[p].held.is_empty() => {
                self.vessels[p].warm.get_or_insert(t);
                self.fired += 1;
            }
            Dew | WetRing if self.vessels[p].dew == 0.0 => {
                self.vessels[p].dew = if self.mishap == WetRing {
                    20.0 * d
                } else {
                    0.01 * d
                };
                self.fired += 1;
            }
            _ => {}
        }
        let dur = 0.12 + 0.4 * self.rng.f64();
        if self.mishap == Hover && self.fired == 0 && self.step >= self.at_step {
            self.fired += 1;
            let part = 0.3 + 0.68 * self.rng.f64();
            let long = 1.0 + 6.0 * self.rng.f64();
            self.slips.push((p, t, dur, 0.0, part));
            self.slips.push((p, t + dur + long, 0.4, part, 1.0));
            let share = (1.0 - part) * self.vessels[p].mass();
            let (a, b) = (0.01 + 0.03 * self.rng.f64(), self.rng.f64());
            self.pushes.push((
                t + dur,
                t + dur + long,
                Box::new(move |s| {
                    share
                        * a
                        * ((s * 38.0 + b).sin() + (s * 5.1).sin() + 0.7 * (s * 1.7 + 9.0 * b).sin())
                }),
            ));
            log!(self, "- bears it: {part:.2} on the pan for {long:.1} s");
            self.busy = t + dur + long;
        } else {
            self.slips.push((p, t, dur, 0.0, 1.0));
        }
        let thump = 0.2 * self.vessels[p].mass();
        self.pushes.push((
            t + dur * 0.9,
            t + dur * 0.9 + 0.05,
            Box::new(move |_| thump),
        ));
        log!(
            self,
            "- lands {} {p} {:.3} (own {:?})",
            self.vessels[p].name,
            self.vessels[p].mass(),
            self.vessels[p].held
        );
        self.hand = None;
        self.primary.insert(self.step, p);
        self.busy = self.busy.max(t + dur + 0.2);
        if self.mishap != Hover {
            self.happen(When::Landed);
        }
    }

    pub fn word(&mut self, c: Command) {
        let said = self.bench.command(c.clone(), at(self.t));
        log!(
            self,
            "- says {c:?}: {}",
            match &said {
                Ok(s) => s.to_string(),
                Err(e) => format!("REFUSED {}", e.say),
            }
        );
        if c == Command::Again {
            let s = self.step;
            self.start.retain(|k, _| k.1 != s);
        }
        self.quiet_since = self.t;
        self.busy = self.t + 0.4;
        if let Err(e) = said
            && (e.say.contains("again") || e.say.contains("moment"))
            && self.moves < 14
        {
            self.moves += 1;
            let n = self.serial;
            self.acts.push_back(Act::Wait(3.0));
            self.acts.push_back(Act::Do(Box::new(move |w| {
                if w.serial == n {
                    w.word(c);
                }
            })));
        }
        self.drain();
    }

    pub fn take(&mut self, g: f64) {
        let s = self.stuff();
        self.busy = self.t + 1.8;
        let Some(p) = self.hand.or(self.here()) else {
            return;
        };
        let out = g.min(self.vessels[p].has(s)).max(0.0);
        if let Some(h) = self.vessels[p].held.get_mut(&s) {
            *h -= out;
        }
        if self.pan.contains(&p) {
            let g = 6.0 * self.d();
            self.pushes
                .push((self.t, self.t + 0.5, Box::new(move |_| g)));
        }
        self.took = (self.t, out);
        log!(self, "- takes out {out:.3}");
    }

    fn watch(&mut self) {
        let t = self.t;
        let free = self.acts.is_empty()
            && t >= self.busy
            && t >= self.away_until
            && self.obeyed == self.serial;
        let waits = self.cue.as_ref().is_some_and(|c| c.kind == CueKind::Done);
        let pours = self.stream.as_ref().is_some_and(|s| s.open)
            || (self.pour_cue() && t < self.pause_until);
        if !free || waits || pours {
            self.quiet_since = t;
        }
        if t - self.quiet_since > 90.0 && self.out.silent.is_none() {
            log!(self, "SILENT");
            let (s, st) = (self.say(), self.bench.status().state);
            self.out.silent = Some(format!("{st:?} {s}"));
        }
        if self.moves > 18 || t - self.progress_at > 900.0 && t > self.away_until + 600.0 {
            let n = self.says.len().saturating_sub(4);
            let (st, why) = (
                self.bench.status().state,
                self.says.split_off(n).join(" / "),
            );
            self.out.stuck = Some(format!("{} moves, {st:?}: {why}", self.moves));
        }
    }

    fn collect(&mut self) {
        let record = self.rows_of();
        let filled: BTreeMap<usize, Row> =
            record.filled.iter().map(|r| (r.step, r.clone())).collect();
        let (steps, kind) = if self.fill.is_some() {
            (&filled, RowKind::Filled)
        } else {
            (&record.steps, RowKind::Weighed)
        };
        let mut first: BTreeMap<usize, usize> = BTreeMap::new();
        for (d, _) in &self.rows {
            if d.kind == kind && d.net.is_some() && !d.note.contains("corrects seq") {
                *first.entry(d.step).or_default() += 1;
            }
        }
        self.out.twice += first.values().filter(|n| **n > 1).count();
        for (&step, row) in steps {
            let key = if self.fill.is_some() { 1 } else { step };
            let Some(vessels) = self.rec.get(&step) else {
                if row.net.is_some() {
                    self.out.lost += 1;
                }
                continue;
            };
            let truth = vessels
                .iter()
                .map(|p| {
                    let held = if self.pan.contains(p) {
                        None
                    } else {
                        self.departed.get(&(*p, key)).map(|d| d.0)
                    };
                    self.truth_of(*p, key, held)
                })
                .sum();
            let note = row.note.clone();
            let doubt = [
                "unsure",
                "not proven",
                "not sure",
                "may ",
                "doubt",
                "moved",
                "strayed",
                "unrest",
            ];
            self.out.steps.push(Step {
                step: self.row_step(step),
                way: self.way(step),
                net: row.net.map(|n| n.mass().to_g_f64()),
                u: row.uncertainty.map_or(0.0, |u| u.mass().to_g_f64()),
                truth,
                truth_then: self.rec_truth.get(&step).copied().unwrap_or(0.0),
                flagged: row.net.is_none() || doubt.iter().any(|w| note.contains(w)),
                note,
            });
        }
    }
}
