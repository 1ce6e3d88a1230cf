//! States of a step.

use super::order::vessel_at_least;
use super::pan::{Jump, Observation, Sure};
use super::steady::{Flat, Level, Stand};
use super::trace::Shape;
use super::trips::Trip;
use crate::formula::{Step, VesselWay};
use crate::mass::Mass;
use crate::time::Moment;
use crate::vocabulary::code::Stands;
use crate::vocabulary::entry::Verdict;

/// The state of the running step. What is large in it goes from hand to hand with each reading, so it is boxed.
#[derive(Debug, Clone)]
pub(super) enum State {
    /// Something is on the pan that does not belong there; it must be lifted first. `unseen`: the scale
    /// may show zero with it, so that only a lower indication, or a word, tells that it is off.
    Clear { unseen: bool },
    /// The pan is empty; a vessel is expected.
    Empty,
    /// Something came onto the pan and is not at rest yet.
    Landing(Landing),
    /// Something is on the pan, and nothing proves that it is empty.
    TareUnknown(Box<TareUnknown>),
    /// A vessel whose tare is known, or was.
    Tared(Box<Tared>),
    /// The vessel was lifted with something in it that is not recorded.
    Removed(Removed),
    /// On the pan, but not as it was seen last.
    VesselMismatch {
        tared: Box<Tared>,
        level: Level,
        what: Mismatch,
    },
    /// The weight is on its way to the disk.
    Writing(Box<Pending>),
    /// Recorded; the vessel is to be lifted.
    Lift(Box<Written>),
    /// The phase is weighed; mixing waits for the maker's word or for the next vessel.
    Mix { phase: usize },
    /// An emptied beaker is to be put back, to weigh what stayed in it.
    Residue(Emptied),
    /// All is weighed, and an ingredient is outside its limits: the maker decides.
    Choose,
    /// The batch is over.
    Done,
}

/// What comes to rest on the pan.
#[derive(Debug, Clone, Copy)]
pub(super) struct Landing {
    /// When the pan began to show it.
    pub since: Moment,
    /// The TARE key took off so much of it before it was at rest, by our reading.
    pub keyed: Option<Jump>,
    /// That the scale takes its time was said.
    pub told: bool,
}

impl Landing {
    pub fn since(since: Moment) -> Landing {
        Landing {
            since,
            keyed: None,
            told: false,
        }
    }
}

/// What stands on the pan and may not be empty.
#[derive(Debug, Clone, Copy)]
pub(super) struct TareUnknown {
    pub level: Level,
    pub why: Why,
    /// How it came, where that was all that spoke against it.
    pub came: Option<Shape>,
    /// Its mass is known, as far as the zero is.
    pub mass: Mass,
    /// What it was when it was asked about.
    pub at_first: Mass,
    /// The lowest shown since, and the highest for more than a moment.
    pub low: Mass,
    pub high: Mass,
    /// The vessel with its tare, where this came onto it ([`Why::Onto`]), into it ([`Why::InHand`]) or out of it
    /// ([`Why::Lighter`]).
    pub onto: Option<Tared>,
    /// It was off, and "leave it there" was said of what comes since.
    pub settles: bool,
}

impl TareUnknown {
    pub fn new(level: Level, why: Why, mass: Mass) -> TareUnknown {
        TareUnknown {
            level,
            why,
            came: None,
            mass,
            at_first: mass,
            low: level.weight,
            high: level.weight,
            onto: None,
            settles: false,
        }
    }

    /// What is there besides the vessel that it came onto, or into.
    pub fn came_onto(&self) -> Mass {
        let base = self.onto.map_or(Mass::ZERO, |tared| tared.tare.base);
        self.level.weight - base
    }

    /// Whether what weighs `mass` is another bowl than the one that was asked about, where its weight alone spoke
    /// against that.
    pub fn is_another_bowl(&self, mass: Mass, d: Mass) -> bool {
        self.why == Why::OtherBowl && (mass - self.mass).abs() > d * 5
    }

    /// Whether `now` is what was asked about, which strays by `range` at least.
    pub fn stands_at(&self, now: Level, range: Mass) -> bool {
        (now.weight - self.level.weight).abs() <= (now.d * 5).max(range)
    }
}

/// Why a vessel that stands there is not taken for empty.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Why {
    /// More than one load came, or it came too slowly.
    Shape,
    /// A key was pressed, readings were missing or the unit changed while it came.
    Unseen,
    /// The batch goes on after a restart.
    Restart,
    /// It stood there before it was asked for, or its tare was lost.
    Stood,
    /// One of these, for the second time in a step.
    Often,
    /// It weighs what the one that was to be emptied weighed.
    Same,
    /// It weighs what the vessel just recorded weighs.
    JustWeighed,
    /// It does not weigh what the bowl with its content should.
    OtherBowl,
    /// It is far lighter than any vessel of this bench: something lies there, or the empty pan moved.
    Light,
    /// So much came in one go that it may be the vessel, and what was tared a thing that lay there.
    Onto,
    /// The tared vessel was off with nothing in it, and this can be that one, filled in the hand.
    InHand,
    /// A source stood heavier for a moment than it came to rest: some of it may have been taken out.
    Lighter,
}

impl Why {
    /// Whether a person's word that it is empty settles it at once; else it is to be lifted first.
    pub fn takes_a_word(self) -> bool {
        match self {
            Why::Restart
            | Why::Same
            | Why::JustWeighed
            | Why::OtherBowl
            | Why::Often
            | Why::Light
            | Why::Onto
            | Why::Lighter => true,
            Why::Shape | Why::Unseen | Why::Stood | Why::InHand => false,
        }
    }

    /// Whether "keep" counts what is more: whoever half hears it says "next", and would count another vessel, or a spoon,
    /// as what is in it.
    pub fn is_kept(self) -> bool {
        matches!(self, Why::InHand | Why::OtherBowl | Why::Lighter)
    }

    /// Whether the question itself has a word that ends it, however often it is asked.
    pub fn has_an_answer(self) -> bool {
        self.takes_a_word() || self == Why::InHand
    }
}

/// What was lifted because nothing proved that it was empty.
#[derive(Debug, Clone, Copy)]
pub(super) struct Refused {
    pub mass: Mass,
    /// The most that stood there since.
    pub most: Mass,
    /// It was at rest, and the zero known: it weighs just so when it is back.
    pub exact: bool,
    /// How it came, where that was all that spoke against it, and nothing came or went since.
    pub came: Option<Shape>,
}

impl Refused {
    pub fn new(mass: Mass, exact: bool) -> Refused {
        Refused {
            mass,
            most: mass,
            exact,
            came: None,
        }
    }

    /// Whether what weighs `mass` may be it, as it was or with what came into it while it stood there.
    pub fn may_be(&self, mass: Mass, d: Mass) -> bool {
        let near = if self.exact {
            (d * 5).max(mass.abs().ratio(1, 2000))
        } else {
            mass.abs().ratio(1, 50).max(Mass::from_g(1))
        };
        mass >= self.mass - near && mass <= self.mass.max(self.most) + near
    }
}

/// The frame in which the tare stands may have moved: a key, a gap, or the vessel was off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Suspect {
    pub before: Before,
    /// If it moved, it moved by just so much as was taken off at rest; else nobody knows.
    pub exact: bool,
    pub since: Since,
    /// It was lifted as asked, but not for long enough to see the empty pan at rest.
    pub hasty: bool,
    /// It was off and is back as asked, by weights that fit nothing that was thought of.
    pub vain: bool,
    /// The pan was seen empty, and loaded again, before it was asked to be lifted: that may be another one.
    pub exchanged: bool,
}

/// What holds if the frame did not move.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Before {
    /// The indication of the empty pan, the vessel's without the ingredient, and what it showed when it
    /// was last at rest.
    pub zero: Mass,
    pub base: Mass,
    pub shown: Mass,
    pub rest: Option<Mass>,
    /// The most that was seen in it.
    pub most: Mass,
    pub moved: bool,
    pub poured: bool,
}

impl Before {
    /// What neither a key that left `base` nor the same zero as before explains of an empty pan that shows `zero`: so
    /// much may have lain there when the vessel was tared.
    pub fn strange(&self, base: Mass, zero: Mass) -> Mass {
        let moved = zero - self.zero;
        moved.abs().min((moved - (base - self.base)).abs())
    }
}

/// What was shown since the frame may have moved, or since the lift was asked for.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Since {
    /// Since when the indication is above that of the empty pan.
    loaded: Option<Moment>,
    /// The highest and the lowest.
    pub high: Option<Mass>,
    low: Option<Mass>,
    /// The first and the last of the readings that agree with the lowest.
    low_times: Option<(Moment, Moment)>,
    /// Where it first rested above the lowest.
    came_to: Option<Mass>,
    /// It came to rest.
    pub level: Option<Level>,
}

/// The turn of a swing shows the same twice as well, for less than this: 0.2 s.
const SWING_US: u64 = 200_000;
/// For so long it is left open whether what happened was a lift: 1 s.
const GUESSED_US: u64 = 1_000_000;

impl Since {
    /// Takes a reading; `loaded`: above that of the empty pan; `all`: what stood there, as far as that is known. Gives the
    /// highest and the lowest so far.
    pub fn follow(&mut self, seen: &Observation, loaded: bool, all: Mass) -> (Mass, Mass) {
        // One line with a digit that is wrong is no weight that was there.
        let most = seen
            .before
            .map_or(seen.weight, |before| before.min(seen.weight));
        let high = self.high.map_or(most, |high| high.max(most));
        self.high = Some(high);
        let far = |weight: Mass| high - weight > all * 2;
        let wrong = far(seen.weight) && !seen.before.is_some_and(far);
        let weight = if wrong { high } else { seen.weight };
        let low = self.low.map_or(weight, |low| low.min(weight));
        if self.low.is_none_or(|old| low < old - seen.d) {
            self.low_times = None;
            self.came_to = None;
        }
        if seen.steady.is_some() && weight - low > vessel_at_least(seen.d) {
            self.came_to.get_or_insert(weight);
        }
        if weight - low <= seen.d {
            let first = self.low_times.map_or(seen.at, |(first, _)| first);
            self.low_times = Some((first, seen.at));
        }
        self.low = Some(low);
        self.loaded = self.loaded.or(Some(seen.at)).filter(|_| loaded);
        (high, low)
    }

    /// Whether something has stood there for longer than a lift is left open.
    pub fn stands(&self, now: Moment) -> bool {
        self.loaded
            .is_some_and(|since| now.since(since) >= GUESSED_US)
    }

    /// Whether readings agreed on the lowest that was shown, for longer than a swing's turn.
    pub fn rested_low(&self) -> bool {
        let lasted = self.low_times.map(|(first, last)| last.since(first));
        lasted.is_some_and(|lasted| lasted >= SWING_US)
    }

    /// Since when about the lowest is shown.
    pub fn is_low_since(&self, now: Moment) -> Option<Moment> {
        let (first, last) = self.low_times?;
        (last == now).then_some(first)
    }

    /// From the highest that was shown to the lowest.
    pub fn fell(&self) -> Mass {
        let shown = self.high.zip(self.low);
        shown.map_or(Mass::ZERO, |(high, low)| high - low)
    }

    /// What came or went before it was asked for is no answer to that.
    fn forget_swings(&mut self) {
        self.high = None;
        self.low = None;
        self.low_times = None;
        self.came_to = None;
    }

    /// Whether what rests now came from the lowest without a rest between: what is poured in goes through every weight.
    pub fn came_in_one_go(&self, level: Level) -> bool {
        let near = |first: Mass| (level.weight - first).abs() <= level.d * 10;
        self.came_to.is_none_or(near)
    }
}

/// An emptied beaker that comes back.
#[derive(Debug, Clone, Copy)]
pub(super) struct Emptied {
    /// Index of the step.
    pub step: usize,
    /// What it weighed before anything was in it.
    pub vessel: Mass,
    /// The empty pan was seen at rest since the maker's word, and since any jump or gap.
    pub empty: bool,
    /// Its row, once there is one.
    pub ticket: Option<u64>,
    /// What stayed in it.
    pub net: Mass,
    /// What is missing of the ingredient by that, beyond its tolerance.
    pub missing: Option<Mass>,
    pub logged: bool,
    /// What is wrong with what stands there was said.
    pub said: bool,
}

/// A vessel whose tare is known, or was, and what is known of the step's ingredient in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tared {
    pub tare: Tare,
    pub content: Content,
    pub approach: Approach,
    /// The frame in which the tare stands may have moved.
    pub suspect: Option<Suspect>,
    /// Most of the vessel's weight was off the pan since the last rest.
    pub disturbed: Option<Disturbed>,
    /// Of a source: what was seen of the pan without it.
    pub trip: Trip,
    /// Wander of tare and gross reading together, at the last rest.
    pub wander: Mass,
    /// What the cue asked for last, so that a question is asked once.
    pub asked: Option<Asked>,
}

/// A tare, and what it rests on. Weights are as shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tare {
    /// What the scale shows with the vessel before the step's ingredient.
    pub base: Mass,
    pub d: Mass,
    /// When that was seen last.
    pub at: Moment,
    /// Mass of the vessel with all that was in it before this step; `None` where no empty pan and no
    /// rest say so. A key press and a gap do not change it.
    pub vessel: Option<Mass>,
    /// How far the base may be off by what nothing on the scale proves; it widens the stated
    /// uncertainty, and the record claims no verdict.
    pub unproven: Mass,
    /// Readings that the net weight rests on besides the tare and the gross reading: two for each
    /// time the tare was carried over a key press, a lift or another zero.
    pub carried: u32,
    /// Wander of the indication when the tare was taken.
    pub wander: Mass,
    /// How far the base was followed since, and for how long: microseconds.
    pub crept: (Mass, u64),
}

/// What crept before the pour does so in it: at most so many times as long as it was looked at.
const CREEPS_ON: u64 = 5;

impl Tare {
    /// Nothing is in it yet, and the indication has crept to `level`.
    pub fn follow(&mut self, level: Level) {
        let (by, us) = self.crept;
        self.crept = (by + level.weight - self.base, us + level.at.since(self.at));
        self.base = level.weight;
        self.at = level.at;
    }

    /// Whether the base crept, and so may go on to.
    pub fn creeps(&self) -> bool {
        let (by, us) = self.crept;
        by.abs() >= self.d * 2 && us != 0
    }

    /// How far the base may have crept on until `now`, at the pace that was seen: a charge that leaks away, a
    /// vessel that cools. Zero where it moved by less than two steps, which a flicker does.
    pub fn creeps_on(&self, now: Moment) -> Mass {
        let (by, us) = self.crept;
        if !self.creeps() {
            return Mass::ZERO;
        }
        let since = now.since(self.at).min(us.saturating_mul(CREEPS_ON));
        by.abs().ratio(since as i64, us as i64)
    }
}

/// What is known of the step's ingredient in a vessel.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Content {
    /// Whether anything was poured (more than 5 d away from the base at rest).
    pub poured: bool,
    /// It was off the pan, and is back.
    pub back_again: bool,
    /// The last net weight at rest, and the reading of that.
    pub rest: Option<Mass>,
    pub level: Option<Level>,
    /// It moved on since then: what it holds now is not known before the next rest.
    pub moved: bool,
    /// It was not as it left, and nobody said that it is the same vessel before a key came.
    pub strange: bool,
    /// A key came as it was back, or before it was looked at: what was in it as it left, by all that was seen.
    pub left_with: Option<Mass>,
    /// The most that stayed since then, and the most that the moving indication showed.
    pub stayed: Stayed,
    pub most: Mass,
    /// How fast it grew of late: the most between two readings.
    pub flow: Mass,
    /// It was stirred, and has not been at rest since: what moves may be the spoon on its way out.
    pub stirred: bool,
    pub creep: Creep,
    /// Since when, and in how many readings, it showed more than the base.
    pub above: Option<(Moment, u32)>,
    /// Less than the base, for a moment.
    pub sunk: Option<Stand>,
    /// What was below the base since it was at rest or back there.
    pub dip: Dip,
    /// It fell by so much in one reading, and nobody had asked for that; above the other it goes on.
    pub fell: Option<(Mass, Mass)>,
    /// Since when it shows another weight than at its last rest, and is not off the pan.
    pub left_rest: Option<Moment>,
    /// It began to come into the bowl before anybody had asked for it; what rests by then may be the last of
    /// the step before as well.
    pub unasked: Option<Unasked>,
    /// The vessel weighs so much more than the last one that was recorded with its content: it may be that one,
    /// put back.
    pub back: Option<Mass>,
    pub faded: Faded,
}

/// What came onto a base near the scale's own zero and faded again, a step at a time: a scale that tracks its zero
/// takes single drops for its own drift there (common practice, no source: half a step to a few steps a second).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Faded {
    /// Above the base, at the last reading; and the highest since the base was shown, with when.
    last: Mass,
    top: Option<(Moment, Mass)>,
    /// How often in a row, and how much at least.
    pub times: u32,
    pub by: Mass,
}

/// A touch is off again in less: 1 s.
const FADES_US: u64 = 1_000_000;

impl Faded {
    /// Takes a reading, `net` above the base; gives what faded with it, if anything did.
    pub fn follow(&mut self, at: Moment, net: Mass, d: Mass) -> Option<Mass> {
        let before = std::mem::replace(&mut self.last, net);
        let fell = before - net;
        if net < -d || fell > d {
            // A draught goes below as well, and what is taken off goes at once.
            *self = Faded {
                last: net,
                ..Faded::default()
            };
            return None;
        }
        if fell <= Mass::ZERO && self.top.is_none_or(|(_, top)| net > top) {
            self.top = Some((at, net));
        }
        let (since, top) = self.top?;
        if net > Mass::ZERO {
            return None;
        }
        self.top = None;
        let faded = top >= d * 2 && at.since(since) >= FADES_US;
        faded.then(|| {
            self.times += 1;
            self.by += top;
            top
        })
    }
}

/// How far a load crept while it stood at rest: the zero drifts, or it dries. What comes in a trickle keeps within a
/// step from second to second as well, but goes faster than anything drifts: that is no creep.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Creep {
    before: Mass,
    /// What is looked at: when and at what weight it began, and how far it crept at rest since.
    span: Option<(Level, Mass)>,
}

impl Creep {
    /// `last` is the level before `level`.
    pub fn follow(&mut self, last: Option<Level>, level: Level) {
        let at_rest = last.filter(|last| last.since == level.since);
        let by = at_rest.map_or(Mass::ZERO, |last| level.weight - last.weight);
        let (from, crept) = self.span.get_or_insert((level, Mass::ZERO));
        *crept += by;
        if level.at.since(from.at) >= CREEP_US {
            self.before = self.amount(level);
            self.span = Some((level, Mass::ZERO));
        }
    }

    /// Until when [`Creep::amount`] is the same for what rests on at `level`; `None` while it may be a trickle.
    pub fn until(&self, level: &Level) -> Option<Moment> {
        let (from, crept) = self.span.as_ref()?;
        let settled = *crept == Mass::ZERO || !is_a_trickle(from, level);
        settled.then(|| from.at.plus_micros(CREEP_US))
    }

    /// All of it, at `level`.
    pub fn amount(&self, level: Level) -> Mass {
        match &self.span {
            Some((from, crept)) if *crept != Mass::ZERO && !is_a_trickle(from, &level) => {
                self.before + *crept
            }
            Some(_) | None => self.before,
        }
    }
}

/// So long a creep is looked at: 6 s.
const CREEP_US: u64 = 6_000_000;

/// Whether it rises by a sixth of a step and by 2 mg in a second, or more, and by more than a step that flickers.
fn is_a_trickle(from: &Level, to: &Level) -> bool {
    let by = to.weight - from.weight;
    let least = to.d.ratio(1, 6).max(Mass::from_mg(2));
    let seconds = to.at.since(from.at) as f64 / 1e6;
    by >= to.d * 2 && by.to_g_f64() >= least.to_g_f64() * seconds
}

/// What began to come before it was asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Unasked {
    /// When a person can have answered the cue.
    pub until: Moment,
    /// What was shown then.
    pub shown: Option<Mass>,
    /// So much more may have dripped in after the record.
    pub drops: Mass,
}

/// How the target is approached, and what was said of that.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Approach {
    /// Since when the net weight at rest is inside the window, for the dwell.
    pub inside_since: Option<Moment>,
    /// "Ease off" was said for this approach, with the predicted net weight.
    pub eased: Option<(Mass, Moment)>,
    pub stopped: bool,
    /// It was enough, and shows too little since.
    pub short_since: Option<Moment>,
    /// The missing weight that was said last.
    pub said: Option<Mass>,
    /// The greatest net weight at rest that was over the window.
    pub peak: Option<Mass>,
    /// How often something was to be taken out, and nothing changed by it; once the tare was seen for that, it
    /// counts on from there. Of a source: how often it came back as it left.
    pub futile: u32,
}

/// Most of the vessel's weight was off the pan, and nothing was at rest since.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Disturbed {
    /// Whether the vessel held something before.
    pub poured: bool,
    /// The load grew again: that may be another vessel.
    pub replaced: bool,
    /// What was in it by all that was seen.
    pub held: Mass,
}

/// A vessel that is off the pan, with something in it that is not recorded.
#[derive(Debug, Clone)]
pub(super) struct Removed {
    pub tared: Box<Tared>,
    /// It was asked off, and no other was seen: what it weighs when it is back is what it holds.
    pub asked_back: bool,
    /// It went from the scale, or the scale's zero went under it: nothing tells.
    pub vanished: bool,
    /// Something stands there, not at rest: it may be another vessel.
    pub replaced: bool,
    /// What stands there now came unseen, or a key was pressed under it.
    pub blind: bool,
    /// As much as it weighs went from what was thought to be the empty pan, and has not rested since.
    pub sank: bool,
}

impl Removed {
    pub fn new(tared: Box<Tared>) -> Removed {
        Removed {
            tared,
            asked_back: false,
            vanished: false,
            replaced: false,
            blind: false,
            sank: false,
        }
    }

    /// What it weighs with all that is in it, as far as that was seen at rest.
    pub fn full(&self) -> Option<Refused> {
        let Content { rest, moved, .. } = self.tared.content;
        let mass = self.tared.tare.vessel? + rest.filter(|_| !moved)?;
        Some(Refused::new(mass, true))
    }
}

/// What a vessel that does not weigh what it should may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mismatch {
    /// It lost weight where it stands, and nothing was asked to be taken out.
    Fell,
    /// It left before it was at rest, and weighs what it seemed to hold then.
    AsItLeft,
    /// It may be another one.
    Other,
}

/// How far it goes below the base, and since when; and the deepest of such that lasted for longer than a bump.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Dip {
    now: Option<(Moment, Mass)>,
    pub lasted: Mass,
    /// When it was last half as deep.
    deep: Option<Moment>,
}

/// A bump swings through in less than this: 0.2 s, and two readings.
const DIPS_US: u64 = 200_000;

impl Dip {
    /// `below` the base by so much, or by no more than a crumb (`None`).
    pub fn follow(&mut self, at: Moment, below: Option<Mass>) {
        self.now = below.map(|below| match self.now {
            Some((since, deepest)) => (since, deepest.max(below)),
            None => (at, below),
        });
        if let Some((since, deepest)) = self.now
            && at.since(since) >= DIPS_US
        {
            self.lasted = self.lasted.max(deepest);
        }
        if below.is_some_and(|below| below * 2 >= self.lasted) {
            self.deep = Some(at);
        }
    }

    /// Readings agreed so far `below` the base: nobody takes anything out of an empty vessel, and what flickers is less.
    pub fn stood(&mut self, below: Mass, d: Mass) {
        if below > d * 10 {
            self.lasted = self.lasted.max(below);
        }
    }

    /// What a hand held up comes back at once, as fast as the scale shows it; what is poured takes longer.
    pub fn returns(&self, at: Moment, lag: f64) -> bool {
        let most = RETURNS_US + (lag * 2e6) as u64;
        self.deep.is_none_or(|deep| at.since(deep) <= most)
    }
}

/// A hand lets go in less than this: 0.7 s.
const RETURNS_US: u64 = 700_000;

/// The most that stayed for longer than a bump: two slices of 0.35 s, the lower reading of both. And by how
/// much it fell below that, in the higher reading of two slices.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Stayed {
    open: Option<(Moment, Slice)>,
    closed: Option<Slice>,
    pub most: Mass,
    pub fell: Mass,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Slice {
    low: Mass,
    high: Mass,
}

impl Slice {
    fn with(self, other: Slice) -> Slice {
        Slice {
            low: self.low.min(other.low),
            high: self.high.max(other.high),
        }
    }
}

/// A hand lifts a vessel off in less: 0.4 s.
const LIFT_US: u64 = 400_000;

/// 0.35 s.
const STAYED_US: u64 = 350_000;

impl Stayed {
    pub fn at_rest(net: Mass) -> Stayed {
        Stayed {
            most: net,
            ..Stayed::default()
        }
    }

    /// `lag` is how much longer a bump shows through this scale's filter, µs.
    pub fn push(&mut self, at: Moment, net: Mass, lag: u64) {
        let now = Slice {
            low: net,
            high: net,
        };
        match self.open {
            Some((since, slice)) if at.since(since) < STAYED_US + lag => {
                self.open = Some((since, slice.with(now)));
                return;
            }
            Some((_, slice)) => {
                if let Some(before) = self.closed.replace(slice) {
                    let both = before.with(slice);
                    self.most = self.most.max(both.low);
                    self.fell = self.fell.max(self.most - both.high);
                }
            }
            None => {}
        }
        self.open = Some((at, now));
    }
}

/// A question asked once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Asked {
    Lift,
    CheckTare,
    Lot,
    Unit,
    Draught,
    Strays,
}

/// A weight that was captured.
#[derive(Debug, Clone, Copy)]
pub(super) struct Captured {
    pub tare: Tare,
    pub wander: Mass,
    /// Some was taken out again before it was inside.
    pub took_out: bool,
    /// The reading it rests on, as shown.
    pub shown: Mass,
    pub net: Mass,
    /// How far a look at the same load may be off, expanded: by it a change is judged. The row has the whole U.
    pub uncertainty: Mass,
    pub verdict: Option<Verdict>,
    /// When it was captured, or last corrected.
    pub at: Moment,
    /// In bowl way, or by `next`: go on without a lift.
    pub no_lift: bool,
    /// The lowest shown since the load was last at rest.
    pub low: Mass,
    /// The indication was well below the vessel's own weight.
    pub dipped: bool,
    /// The last that was said before the record asked for more: it may be on its way.
    pub asked_for: bool,
}

impl Captured {
    /// The frame moved.
    pub(super) fn shift(&mut self, by: Mass) {
        self.shown += by;
        self.tare.base += by;
    }

    /// The TARE key moved the frame while it stood there.
    pub(super) fn keyed(&mut self, key: Jump, d: Mass) {
        if key.sure != Sure::Rest {
            // It was moving when the key was pressed; how far, nobody saw to the end.
            self.tare.unproven += (key.from - self.shown).abs() + d * 5;
        }
        self.shift(key.to - key.from);
        self.low = self.shown;
        self.tare.carried += 2;
    }
}

/// Its row is on its way to the disk.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pending {
    pub ticket: u64,
    pub weight: Captured,
    /// The vessel was lifted meanwhile.
    pub lifted: bool,
}

/// Its row is in the log.
#[derive(Debug, Clone, Copy)]
pub(super) struct Written {
    /// Of the newest row of it, which corrects the one before.
    pub ticket: u64,
    pub seq: u64,
    pub weight: Captured,
    /// What stands there may be another load: nothing more is corrected, and the record claims less.
    pub doubt: Option<Doubt>,
    /// The TARE key may have been pressed since.
    pub key_seen: bool,
    /// The empty pan was held against it.
    pub pan_spoke: bool,
    pub trail: Trail,
}

/// Why a record claims less than it did.
#[derive(Debug, Clone, Copy)]
pub(super) enum Doubt {
    Lasting,
    /// More came on top; what it claims, should that go again.
    Topped {
        uncertainty: Mass,
        verdict: Option<Verdict>,
    },
}

/// What the indication did since the record.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Trail {
    /// The last readings that agreed within 1 d for a while, at rest or not; and such as they begin.
    pub brief: Option<Level>,
    pub forming: Option<Level>,
    /// More than drops came on top, reading by reading: how many readings and the last of them.
    pub piled: Option<(u32, Mass)>,
    /// The highest of such a pile that came to an end.
    pub heaped: Option<Mass>,
    /// Less than was recorded, for a moment.
    pub sunk: Option<Stand>,
    /// What was in it at the last rest.
    pub rest: Option<Mass>,
    /// Since when the indication is above the recorded weight, and since when by more than drops add.
    pub rising: Option<Moment>,
    pub above_since: Option<Moment>,
    /// Since the load was last at rest: the reading furthest from the record that can still be this
    /// load.
    pub strayed: Option<(Moment, Mass)>,
    /// The same of what fell below the recorded weight, with when that began, until it shows whether it is the lift.
    pub sinking: Option<(Moment, (Moment, Mass))>,
    /// When it showed the record last; and when it was above that last, since then.
    pub stood: Option<Moment>,
    pub raised: Option<Moment>,
    /// Some went: the most between two readings, and how many in a row went far less since.
    pub lightened: (Mass, u32),
    /// Most of the vessel's weight was off the pan since the last rest.
    pub disturbed: bool,
    /// Readings in a row that agree after most of it was gone; and the highest of such that lasted.
    pub leaving: Option<Flat>,
    pub left: Option<Mass>,
}

impl Tared {
    pub fn new(base: Mass, d: Mass, at: Moment) -> Box<Tared> {
        Box::new(Tared {
            tare: Tare {
                base,
                d,
                at,
                vessel: None,
                unproven: Mass::ZERO,
                carried: 0,
                wander: Mass::ZERO,
                crept: (Mass::ZERO, 0),
            },
            content: Content::default(),
            approach: Approach::default(),
            suspect: None,
            disturbed: None,
            trip: Trip::default(),
            wander: Mass::ZERO,
            asked: None,
        })
    }

    /// Whether a reading at rest left it as it was at `before`, but for the time.
    pub fn rests_as(&self, before: &Tared) -> bool {
        let at_rest = self.content.level.zip(before.content.level);
        at_rest.is_some_and(|(now, then)| now.goes_on_from(&then)) && {
            let mut now = *self;
            now.content.level = before.content.level;
            now == *before
        }
    }

    /// A reading with the vessel still on the pan (`loaded`): more that came, or some taken out, is
    /// no lift when it lasts. What the vessel holds is then not known before its next rest.
    pub fn follow_rest(&mut self, seen: &Observation, at_rest: Mass, loaded: bool) {
        let by = seen.weight - at_rest;
        let left = by.abs() > seen.d * 3 && loaded;
        self.content.left_rest = self.content.left_rest.or(Some(seen.at)).filter(|_| left);
        // A lift takes a twentieth of the load off within a moment; a spoon and a pour do not.
        let load = at_rest.abs().max(self.tare.vessel.unwrap_or_default());
        let lifting = by < -(load.ratio(1, 20));
        let lasts = self
            .content
            .left_rest
            .is_some_and(|since| seen.at.since(since) >= if lifting { 600_000 } else { 200_000 });
        self.content.moved |= lasts || by > seen.d * 2;
    }

    /// How much it fell by in the reading before, if that was at least half of what had stayed in it, unasked, to
    /// about what the key shows, and more comes now.
    /// Or by however much, where no load goes within one reading (`at_once`).
    pub fn fell_and_goes_on(&mut self, seen: &Observation, at_once: bool) -> Option<Mass> {
        if let Some((by, above)) = self.content.fell {
            let rises = seen.weight > above;
            if !rises || self.suspect.is_none() {
                self.content.fell = None;
            }
            return (rises && self.suspect.is_none()).then_some(by);
        }
        let before = seen.before?;
        let (had, by) = (before - self.tare.base, before - seen.weight);
        if by <= super::order::vessel_at_least(seen.d) * 5 || (by <= had.ratio(1, 2) && !at_once) {
            return None;
        }
        let most = self.content.stayed.most;
        // What is lifted slowly falls from line to line.
        let whole = by >= (seen.peak.max(before) - seen.weight).ratio(3, 5);
        // Of a pour, the next line after the key shows what came between them.
        let streams = whole && seen.came > seen.d * 3 && seen.weight <= seen.came.ratio(3, 2);
        let at_once = streams || (whole && at_once);
        let stayed = at_once || (most >= had.ratio(3, 5) && had >= most.ratio(4, 5));
        // The key leaves zero, and what is poured since shows, or was on its way.
        let shows = (seen.pourable * 5).max(seen.came.ratio(3, 2));
        let keyed = seen.weight >= -seen.d && seen.weight <= shows;
        let unasked = !self.was_asked_out() && self.suspect.is_none();
        // In another unit as much comes on in far smaller numbers.
        let least = match streams {
            true => seen.came.ratio(1, 4).max(seen.d * 2),
            false => seen.d * 2,
        };
        if stayed && keyed && unasked && (seen.unit_known || streams) {
            self.content.fell = Some((by, seen.weight + least));
        }
        None
    }

    /// What the scale showed when it was last at rest with this vessel on the pan.
    pub fn shown_at_rest(&self, way: VesselWay) -> Mass {
        let rest = self.content.rest.unwrap_or(Mass::ZERO);
        match way {
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl => self.tare.base + rest,
            VesselWay::Difference => self.tare.base - rest,
        }
    }

    /// With nothing of this step in it, the vessel is what is left.
    pub fn fell_to(&mut self, base: Mass) {
        let by = base - self.tare.base;
        self.tare.base = base;
        if let Some(vessel) = &mut self.tare.vessel {
            *vessel += by;
        }
        if let Some(suspect) = &mut self.suspect {
            suspect.before.base += by;
            suspect.before.shown += by;
        }
    }

    /// Its frame may have moved. What was proven before stays proven until something else is.
    pub fn suspected(&mut self, zero: Mass, way: VesselWay, exact: bool) {
        let old = Suspect {
            before: Before {
                zero,
                base: self.tare.base,
                shown: self.shown_at_rest(way),
                rest: self.content.rest,
                most: self.content.most,
                moved: self.content.moved,
                poured: self.content.poured,
            },
            exact,
            since: Since::default(),
            hasty: false,
            vain: false,
            exchanged: false,
        };
        if let Some(was) = self.disturbed.filter(|_| way != VesselWay::Difference) {
            self.content.left_with.get_or_insert(was.held);
        }
        let asked_off = self.was_asked_off();
        // Twice is more than anybody can tell apart.
        let first = self.suspect.is_none();
        let suspect = self.suspect.get_or_insert(old);
        suspect.exact &= exact && first;
        // What was off at rest as asked, and shows something else now, may be back as well.
        let since = suspect.since;
        suspect.vain |=
            asked_off && since.rested_low() && since.fell() > vessel_at_least(self.tare.d);
        // What was shown before is in another frame.
        suspect.since.level = None;
        self.watch_from_now();
        self.approach.inside_since = None;
    }

    /// Its tare may be off by so much, where that is more than a few steps.
    pub fn unproven_by(&mut self, by: Mass, d: Mass) {
        if by > d * 5 {
            self.tare.unproven = self.tare.unproven.max(by);
        }
    }

    /// It is back and a key came besides: what went in or out while it was off nobody saw, and the key hides it.
    pub fn back_by_a_key(&mut self, step: &Step, level: Level) {
        if let Some(held) = self.content.left_with.take() {
            let net = super::net_of(step, self.tare.base, level.weight);
            self.unproven_by((net - held).abs(), level.d);
        }
    }

    /// The most that was seen in it, at rest or not.
    pub fn seen_in_it(&self) -> Mass {
        self.content.most.max(self.content.rest.unwrap_or_default())
    }

    /// What was at rest in it before, and is not there now, nobody took out of this step: it may be another vessel.
    pub fn lost_unseen(&mut self, step: &Step, level: Level) {
        if step.vessel != VesselWay::Difference && !self.was_asked_out() {
            let net = super::net_of(step, self.tare.base, level.weight);
            self.unproven_by(self.content.rest.unwrap_or_default() - net, level.d);
        }
    }

    /// What came or went before it was asked for is no answer to that.
    pub fn watch_from_now(&mut self) {
        if let Some(suspect) = &mut self.suspect {
            suspect.since.forget_swings();
        }
    }

    /// Whether its last rest counts as its weight while it is off the pan: after a key or a gap only a weight
    /// that stands there is one.
    pub fn rest_counts(&self) -> bool {
        !self.content.moved && self.tare.carried == 0 && self.tare.unproven == Mass::ZERO
    }

    /// Since when all that stood there is off as it was asked for, whatever the empty pan shows.
    pub fn is_off_since(&self, now: Moment) -> Option<Moment> {
        let suspect = self.suspect.filter(|_| self.was_asked_off())?;
        let empty = self
            .tare
            .vessel
            .unwrap_or(self.tare.base - suspect.before.zero);
        let off = suspect.since.fell() >= empty.ratio(4, 5).max(vessel_at_least(self.tare.d));
        suspect.since.is_low_since(now).filter(|_| off)
    }

    /// The maker was asked to lift it.
    pub fn was_asked_off(&self) -> bool {
        matches!(self.asked, Some(Asked::Lift | Asked::CheckTare))
    }

    /// A source that came back twice as it left: it may be empty.
    pub fn gives_nothing(&self, way: VesselWay) -> bool {
        way == VesselWay::Difference && self.approach.futile >= 2
    }

    /// Some was too much, and was to be taken out.
    pub fn was_asked_out(&self) -> bool {
        let said = self.approach.said.is_some_and(|said| said.is_negative());
        said || self.approach.peak.is_some()
    }

    /// Some was to be taken out, and what is left is no more than there was, nor so little that no hand that
    /// was asked for this took the rest: three times what was too much.
    pub fn holds_less_as_asked(&self, step: &Step, net: Mass) -> bool {
        let over = self.approach.said.map_or(Mass::ZERO, |said| -said);
        let most = self
            .approach
            .peak
            .unwrap_or_default()
            .max(step.target + over);
        self.was_asked_out() && net <= most && most - net <= (most - step.target) * 3
    }

    /// The frame did not move after all: the tare is the one from before.
    pub fn cleared(&mut self) {
        if let Some(Suspect { before, .. }) = self.suspect.take() {
            self.tare.base = before.base;
            self.content.rest = before.rest;
            self.content.most = before.most;
            self.content.moved = before.moved;
            self.content.poured = before.poured;
        }
        self.asked = None;
    }
}

impl State {
    /// The same with a change to what is tared, if something is.
    pub fn with_tared(self, change: impl FnOnce(&mut Tared)) -> State {
        match self {
            State::Tared(mut tared) => {
                change(&mut tared);
                State::Tared(tared)
            }
            other => other,
        }
    }

    /// Whether no weighing is under way: a remedy may be chosen, an emptied beaker put back.
    pub fn is_between(&self) -> bool {
        match self {
            State::Mix { .. } | State::Empty | State::Clear { .. } | State::Choose => true,
            State::Landing(_)
            | State::TareUnknown(_)
            | State::Tared(_)
            | State::Removed(_)
            | State::VesselMismatch { .. }
            | State::Writing(_)
            | State::Lift(_)
            | State::Residue(_)
            | State::Done => false,
        }
    }

    /// For `status` and for the tare event.
    pub fn stands(&self) -> Stands {
        match self {
            State::Clear { .. } => Stands::Clear,
            State::Empty => Stands::Empty,
            State::Landing(_) => Stands::Landing,
            State::TareUnknown(_) => Stands::Unsure,
            State::Tared(tared) => match tared.suspect {
                None => Stands::Tared,
                Some(suspect) if suspect.exact => Stands::ToCheck,
                Some(_) => Stands::ZeroLost,
            },
            State::Removed(_) => Stands::Away,
            State::VesselMismatch { .. } => Stands::Stranger,
            State::Writing(_) => Stands::Writing,
            State::Lift(_) => Stands::Lift,
            State::Mix { .. } => Stands::Mixing,
            State::Residue(_) => Stands::EmptiedBeaker,
            State::Choose => Stands::Decision,
            State::Done => Stands::Over,
        }
    }
}

/// A correction on its way to the disk.
#[derive(Debug, Clone, Copy)]
pub(super) struct Correction {
    pub ticket: u64,
    /// Index of the step.
    pub step: usize,
    pub net: Mass,
    pub verdict: Option<Verdict>,
    /// Only its lot is another.
    pub lot: bool,
}

/// A drop that falls within this time of the record belongs to the ingredient recorded: nobody
/// takes the next bottle sooner. 1.5 s.
const LATE_DROPS_US: u64 = 1_500_000;
/// What begins to rise in the bowl later than this after the record is the next ingredient: 0.8 s.
const LATEST_DROP_US: u64 = 800_000;

impl Written {
    pub fn new(pending: Pending, seq: u64) -> Written {
        Written {
            ticket: pending.ticket,
            seq,
            weight: pending.weight,
            doubt: None,
            key_seen: false,
            pan_spoke: false,
            trail: Trail::default(),
        }
    }

    /// The reading that the record rests on.
    pub fn as_recorded(&self) -> Level {
        Level {
            weight: self.weight.shown,
            d: self.weight.tare.d,
            readings: 1,
            at: self.weight.at,
            since: self.weight.at,
        }
    }

    /// Forgets the readings since the record: the frame moved.
    pub fn forget_trail(&mut self) {
        self.weight.dipped = false;
        self.trail = Trail::default();
    }

    /// Whether the time of late drops is over.
    pub fn settled(&self, now: Moment) -> bool {
        now.since(self.weight.at) >= LATE_DROPS_US
    }

    /// The most that drips in after a record: less than any vessel, or 2 %.
    pub fn most_drops(&self, d: Mass) -> Mass {
        super::order::vessel_at_least(d).max(self.weight.net.abs().ratio(1, 50))
    }

    /// Whether what came on top since the record is the next ingredient: more than drops, for longer
    /// than a bump, or begun later than drops fall.
    pub fn next_begun(&mut self, at: Moment, more: Mass, d: Mass) -> bool {
        let least = self.weight.uncertainty.max(d * 5);
        self.trail.rising = (more > least).then(|| self.trail.rising.unwrap_or(at));
        let Some(since) = self.trail.rising else {
            return false;
        };
        let lasting = at.since(since) >= 300_000;
        let late = since.since(self.weight.at) >= LATEST_DROP_US;
        lasting && (more > self.most_drops(d) || (late && more > d * 20))
    }

    /// Keeps the last run of readings within 1 d that lasted for 0.2 s; `zero` is what the empty pan shows.
    pub fn follow(&mut self, seen: &Observation, zero: Mass) {
        if self.trail.disturbed {
            return;
        }
        let run = match self.trail.forming {
            Some(run) if (run.weight - seen.weight).abs() <= seen.d => Level {
                readings: run.readings.saturating_add(1),
                at: seen.at,
                ..run
            },
            Some(_) | None => Level {
                weight: seen.weight,
                d: seen.d,
                readings: 1,
                at: seen.at,
                since: seen.at,
            },
        };
        self.trail.forming = Some(run);
        // On its way off it may show once what it did.
        let fell = seen.before.map(|before| before - seen.weight);
        let passes_by = fell.is_some_and(|fell| fell > seen.d * 5);
        // A pour only adds; a hand on the rim presses and lets go.
        if seen.weight - self.weight.shown > self.most_drops(seen.d) {
            if let Some((3.., last)) = self.trail.piled
                && seen.weight < last - seen.d
            {
                self.trail.heaped = Some(last);
            }
            self.trail.piled = match self.trail.piled {
                Some((n, last)) if seen.weight >= last - seen.d => Some((n + 1, seen.weight)),
                Some(_) => None,
                None => Some((1, seen.weight)),
            };
        } else if seen.weight >= self.weight.shown - seen.d && !passes_by {
            self.trail.piled = None;
        }
        let off = (seen.weight - self.weight.shown).abs();
        if off <= seen.d * 2 && !passes_by {
            self.trail.stood = Some(seen.at);
            self.trail.raised = None;
        } else if seen.weight > self.weight.shown {
            self.trail.raised = Some(seen.at);
        }
        let so_far = self
            .trail
            .strayed
            .map_or(Mass::ZERO, |(_, weight)| (weight - self.weight.shown).abs());
        let drops = off <= self.most_drops(seen.d);
        // More than drops is a pour when it lasts; a hand that takes hold does not.
        let pours = !drops && seen.weight > self.weight.shown;
        self.trail.above_since = if pours {
            self.trail.above_since.or(Some(seen.at))
        } else {
            None
        };
        let lasts = self
            .trail
            .above_since
            .is_some_and(|since| seen.at.since(since) >= 300_000);
        let sinking = self.trail.sinking.take();
        if let Some((since, (at, weight))) = sinking
            && (seen.weight >= weight - seen.d || at.since(since) >= LIFT_US)
        {
            self.trail.strayed = Some((at, weight));
        }
        if (drops || lasts) && off >= so_far {
            if seen.weight < self.weight.shown - seen.d {
                // The lift itself begins so: what falls on and on at once is no stray.
                let since = sinking.map_or(seen.at, |(since, _)| since);
                self.trail.sinking = Some((since, (seen.at, seen.weight)));
            } else {
                self.trail.strayed = Some((seen.at, seen.weight));
            }
        }
        if self.is_lighter(seen, self.weight.shown - zero) {
            self.trail.strayed = Some((seen.at, seen.weight));
        }
        let lasted = run.at.since(run.since);
        if lasted >= 200_000 {
            self.trail.brief = Some(run);
        }
    }

    /// Some was taken out, or fell off: with most of the load still there a lift does not slow down.
    fn is_lighter(&mut self, seen: &Observation, load: Mass) -> bool {
        let gone = self.weight.shown - seen.weight;
        if gone <= self.weight.uncertainty.max(seen.d * 10) || gone * 2 > load {
            self.trail.lightened = (Mass::ZERO, 0);
            return false;
        }
        let fell = seen
            .before
            .map_or(Mass::ZERO, |before| before - seen.weight);
        if fell == Mass::ZERO {
            // A display may hold what it shows.
            return false;
        }
        let (most, slow) = &mut self.trail.lightened;
        *most = fell.max(*most);
        *slow = if fell * 4 <= *most { *slow + 1 } else { 0 };
        // With nearly all of the load still there a hand that lifts has hardly begun.
        *slow >= if gone * 10 <= load { 2 } else { 3 }
    }
}
