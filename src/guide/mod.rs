//! Leads a person through weighing loads: empty pan, put it on, steady, lift, empty again; once for a scale
//! check, ten times the same for repeatability, several weights and places for a check at several loads.
//!
//! Sans-IO: readings go in, what to say comes out. Only steady readings count, and a net weight only
//! when the empty pan showed the same before and after it.

mod words;

use crate::mass::Mass;
use crate::time::Moment;

/// Steady readings in a row, all within 1 d, that a weight rests on.
pub const READINGS: u32 = 3;

/// How far from zero the display of an empty pan may be, in steps of d. More than that is a thing
/// forgotten on the pan, or a tare that was left in.
const EMPTY_STEPS: i64 = 5;

/// The least load without a nominal mass, in steps of d: a touch is no load.
const LEAST_STEPS: i64 = 100;

/// Microseconds between two readings after which something may have happened unseen.
const LONGEST_GAP: u64 = 3_000_000;

/// One reading as the daemon tells it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Seen {
    pub at: Moment,
    pub weight: Mass,
    /// Whether the daemon calls it steady: the scale's own flag and the window of readings.
    pub steady: bool,
}

/// A net weight between two readings of the empty pan that agree.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Taken {
    pub empty: Mass,
    pub loaded: Mass,
}

impl Taken {
    pub fn net(&self) -> Mass {
        self.loaded - self.empty
    }
}

/// Where on the pan a load is put.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    Middle,
    Front,
    Right,
    Back,
    Left,
}

impl Place {
    /// The places around the middle.
    pub const AROUND: [Place; 4] = [Place::Front, Place::Right, Place::Back, Place::Left];
}

/// What is put on for one weighing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Load {
    /// With it the load must be that within a tenth; anything else is another weight.
    pub nominal: Option<Mass>,
    /// What it is called: `200 g + 100 g`; empty where there is one load alone.
    pub name: String,
    pub place: Place,
}

/// What the person is told next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Told {
    /// The pan should be empty and show zero.
    ClearPan { shown: Mass },
    /// Weighing `round` of `of`: put the load on.
    PutOn { round: usize, of: usize, load: Load },
    /// Something else lies there; `wanted` is the nominal mass.
    NotThat { shown: Mass, wanted: Mass },
    /// It came to rest; lift it.
    Lift { shown: Mass },
    /// Counted.
    Counted { round: usize, net: Mass },
    /// The empty pan shows another number than before: this weighing does not count.
    ZeroMoved { by: Mass },
    /// The load came to rest at another weight before it was lifted: this weighing does not count.
    Changed { shown: Mass },
    /// Readings were missing: this weighing does not count.
    Interrupted,
    /// All is weighed.
    Done,
}

impl Told {
    /// Whether it tells nothing that `last` did not: a load that lies there may flicker by `room`.
    fn repeats(&self, last: &Told, room: Mass) -> bool {
        let near = |a: Mass, b: Mass| (a - b).abs() <= room;
        match (self, last) {
            (Told::ClearPan { shown }, Told::ClearPan { shown: before }) => near(*shown, *before),
            (
                Told::NotThat { shown, wanted },
                Told::NotThat {
                    shown: before,
                    wanted: same,
                },
            ) => wanted == same && near(*shown, *before),
            (told, last) => told == last,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Empty,
    Load { empty: Mass },
    Lift { empty: Mass, loaded: Mass },
    Done,
}

/// See the module's text.
#[derive(Debug, Clone)]
pub struct Guide {
    d: Mass,
    loads: Vec<Load>,
    state: State,
    run: Run,
    last_at: Option<Moment>,
    taken: Vec<Taken>,
    last: Option<Told>,
}

/// Steady readings in a row.
#[derive(Debug, Clone, Copy, Default)]
struct Run {
    count: u32,
    low: Mass,
    high: Mass,
}

impl Run {
    /// Whether `seen` ends a run that is long enough.
    fn add(&mut self, seen: Seen, d: Mass) -> bool {
        if !seen.steady {
            self.count = 0;
            return false;
        }
        let (low, high) = (self.low.min(seen.weight), self.high.max(seen.weight));
        if self.count > 0 && high - low <= d {
            (self.low, self.high) = (low, high);
            self.count = self.count.saturating_add(1);
        } else {
            (self.low, self.high) = (seen.weight, seen.weight);
            self.count = 1;
        }
        self.count >= READINGS
    }
}

impl Guide {
    /// For `wanted` weighings (at least one) of one load on a scale of readability `d`.
    pub fn new(wanted: usize, nominal: Option<Mass>, d: Mass) -> Guide {
        let load = Load {
            nominal,
            name: String::new(),
            place: Place::Middle,
        };
        Guide::through(vec![load; wanted.max(1)], d)
    }

    /// For one weighing of each of `loads`; without any it is done.
    pub fn through(loads: Vec<Load>, d: Mass) -> Guide {
        Guide {
            d: d.max(Mass::from_ng(1)),
            loads,
            state: State::Empty,
            run: Run::default(),
            last_at: None,
            taken: Vec::new(),
            last: None,
        }
    }

    /// What is to be put on next; `None` at the end.
    fn next(&self) -> Option<&Load> {
        self.loads.get(self.taken.len())
    }

    /// The weighings that count so far.
    pub fn rounds(&self) -> usize {
        self.loads.len()
    }

    pub fn taken(&self) -> &[Taken] {
        &self.taken
    }

    pub fn is_done(&self) -> bool {
        self.state == State::Done
    }

    /// Takes one reading; gives what is to be said now, in order. Nothing is said twice in a row.
    pub fn see(&mut self, seen: Seen) -> Vec<Told> {
        let before = self.last_at.replace(seen.at);
        if before.is_some_and(|before| seen.at.since(before) > LONGEST_GAP) {
            let told = self.interrupted();
            if !told.is_empty() {
                return told;
            }
        }
        if !self.run.add(seen, self.d) {
            return Vec::new();
        }
        let shown = seen.weight;
        let told = match self.state {
            State::Empty => self.on_empty(shown),
            State::Load { empty } => self.on_load(empty, shown),
            State::Lift { empty, loaded } => self.on_lift(Taken { empty, loaded }, shown),
            State::Done => Vec::new(),
        };
        self.once(told)
    }

    /// Readings are missing or cannot be trusted: the weighing under way does not count.
    pub fn interrupted(&mut self) -> Vec<Told> {
        self.run = Run::default();
        match self.state {
            State::Load { .. } | State::Lift { .. } => {
                self.state = State::Empty;
                self.once(vec![Told::Interrupted])
            }
            State::Empty | State::Done => Vec::new(),
        }
    }

    fn once(&mut self, mut told: Vec<Told>) -> Vec<Told> {
        let again = told.first().zip(self.last.as_ref());
        if again.is_some_and(|(told, last)| told.repeats(last, self.steps(EMPTY_STEPS))) {
            told.clear();
        }
        if let Some(last) = told.last() {
            self.last = Some(last.clone());
        }
        told
    }

    fn steps(&self, count: i64) -> Mass {
        Mass::from_ng(self.d.ng().saturating_mul(count))
    }

    fn on_empty(&mut self, shown: Mass) -> Vec<Told> {
        if shown.abs() > self.steps(EMPTY_STEPS) {
            return vec![Told::ClearPan { shown }];
        }
        self.wait_for_load(shown)
    }

    /// The pan is empty and shows `empty`.
    fn wait_for_load(&mut self, empty: Mass) -> Vec<Told> {
        let Some(load) = self.next() else {
            self.state = State::Done;
            return vec![Told::Done];
        };
        let told = Told::PutOn {
            round: self.taken.len() + 1,
            of: self.loads.len(),
            load: load.clone(),
        };
        self.state = State::Load { empty };
        vec![told]
    }

    fn on_load(&mut self, empty: Mass, shown: Mass) -> Vec<Told> {
        let net = shown - empty;
        if net.abs() <= self.steps(EMPTY_STEPS) {
            // Still empty; the latest zero is the one to go by.
            return self.wait_for_load(shown);
        }
        let loaded = match self.next().and_then(|load| load.nominal) {
            // A scale may be off by a little; another weight is off by much more.
            Some(wanted) if (net - wanted).abs() > wanted.ratio(1, 10) => {
                return vec![Told::NotThat { shown, wanted }];
            }
            Some(_) => true,
            None => net >= self.steps(LEAST_STEPS),
        };
        if !loaded {
            return Vec::new();
        }
        self.state = State::Lift {
            empty,
            loaded: shown,
        };
        vec![Told::Lift { shown }]
    }

    fn on_lift(&mut self, taken: Taken, shown: Mass) -> Vec<Told> {
        // Half the load: what is still on the pan is not lifted.
        if (shown - taken.empty).ng() > taken.net().ng() / 2 {
            if (shown - taken.loaded).abs() <= self.d {
                return Vec::new();
            }
            // A part was lifted, or a hand leans on it: which weight was the load's is not known.
            self.state = State::Empty;
            return vec![Told::Changed { shown }];
        }
        let by = shown - taken.empty;
        if by.abs() > self.d {
            self.state = State::Empty;
            self.run = Run::default();
            return vec![Told::ZeroMoved { by }];
        }
        self.taken.push(taken);
        let counted = Told::Counted {
            round: self.taken.len(),
            net: taken.net(),
        };
        let mut told = vec![counted];
        told.extend(self.wait_for_load(shown));
        told
    }
}
