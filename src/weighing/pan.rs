//! One scale as the engine sees it: steadiness, rate, shape of the last change, and where zero is.
//!
//! All weights here are *as shown*: what the scale's display says, its own tare taken off. What the
//! pan carries is `gross = shown − zero`, where `zero` is what the scale shows (or would show) with
//! an empty pan: 0 after its ZERO key, −150 g after a TARE with a 150 g vessel on it.

use std::collections::VecDeque;
use std::ops::{Index, IndexMut};

use super::grain::Grain;
use super::order::vessel_at_least;
use super::pour::{Rate, most_poured};
use super::presses::Presses;
use super::sends::Sends;
use super::steady::{Flat, Level, Stand, Steady};
use super::trace::{Came, Course, DENSE_US, SLOW_LINE_US, Shape, Trace};
use super::wander::Wander;
use crate::mass::{Mass, Unit};
use crate::metrology::Errors;
use crate::time::Moment;
use crate::vocabulary::reading::{Reading, ScaleIndex, Shown};
use crate::vocabulary::response::Response;

/// A scale's constants.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PanSpec {
    /// Readability d; `None`: the last digit shown.
    pub readability: Option<Mass>,
    /// Standard deviation of repeated net weighings; `None`: not measured.
    pub repeatability: Option<Mass>,
    /// What else is told of it.
    pub errors: Errors,
    /// Largest load; `None`: unknown.
    pub capacity: Option<Mass>,
    /// Seconds.
    pub steady_window: f64,
}

/// A first-order filter takes so many of its time constants from 10 to 90 % of a load: ln 9, rounded.
const RISE: f64 = 2.2;
/// From 10 to 90 % of one load, before anything was learned: seconds.
const FIRST_SWIFT: f64 = 0.5;
/// A scale that takes longer than this from 10 to 90 % of one load is told to be slow: 2.5 s.
pub const SLOW: f64 = 2.5;

/// A key makes the line shorter or longer, and a layout without columns loses one line by that; on more
/// lost lines than this a lift may have passed by.
const MOST_UNREAD: u32 = 1;

/// What two readings 0.3 s apart agree on stood there, to a few steps.
const AGREE_US: u64 = 300_000;

/// A lift takes no longer than this: 3 s.
const PEAK_US: u64 = 3_000_000;

/// How far a zero is known; what is less sure comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sure {
    /// Worked out from readings that moved, or supposed.
    Guessed,
    /// To a few steps: the empty pan showed it for less than a rest ([`Level::is_flat_for`]).
    Flat,
    /// It was seen at rest, or follows from weights at rest alone.
    Rest,
}

impl Sure {
    /// What follows from weights at rest alone, or does not.
    pub fn by_rest(exact: bool) -> Sure {
        match exact {
            true => Sure::Rest,
            false => Sure::Guessed,
        }
    }
}

/// What a scale shows with nothing on it, and how that is known.
#[derive(Debug, Clone, Copy)]
pub struct Zero {
    pub shown: Mass,
    /// It was seen at rest on an empty pan, not worked out from a jump.
    pub seen: bool,
    pub sure: Sure,
    /// The same before readings went missing; it holds again when the frame is proven.
    before_gap: Sure,
}

impl Zero {
    /// As an empty pan shows it at rest.
    pub fn seen(shown: Mass) -> Zero {
        Zero {
            seen: true,
            ..Zero::worked_out(shown, true)
        }
    }

    /// As it follows from a jump. `exact`: from weights at rest alone.
    pub fn worked_out(shown: Mass, exact: bool) -> Zero {
        Zero {
            shown,
            seen: false,
            sure: Sure::by_rest(exact),
            before_gap: Sure::Guessed,
        }
    }

    /// As an empty pan showed it for less than a rest.
    pub fn flat(shown: Mass) -> Zero {
        Zero {
            sure: Sure::Flat,
            ..Zero::worked_out(shown, false)
        }
    }
}

#[derive(Debug, Clone)]
pub struct Pan {
    /// Never another one: what is worked out from it is kept ([`super::Windows`]).
    spec: PanSpec,
    pub steady: Steady,
    pub rate: Rate,
    pub trace: Trace,
    pub presses: Presses,
    pub wander: Wander,
    /// A vessel is waited for: what it shows without one is wander.
    pub idle: bool,
    /// `None` until something says what the scale shows with nothing on it.
    pub zero: Option<Zero>,
    /// The last readings in a row that agree.
    flat: Option<Level>,
    /// Seconds from 10 to 90 % of one load, the shortest of late: the scale's filter, not the hand.
    pub swift: Option<f64>,
    /// Mean arrival time of the late part of one load, in seconds; from lifts, into which nobody pours.
    pub tail: f64,
    /// Readings that one load takes on its way, the fewest seen, and in how many transitions.
    on_the_way: (u32, u32),
    /// What was lifted last, as shown, and how it fell.
    fell: Option<(Mass, Course)>,
    /// How the vessel of a step (by index) came, whose tare was taken.
    came: Option<(usize, Came)>,
    /// That it is slow was told.
    pub slow_told: bool,
    grain: Grain,
    pub last: Option<Reading>,
    /// The readability in force with it; what that is found from changes with a reading alone.
    d: Mass,
    /// A jump to zero that the next reading is to confirm.
    unconfirmed: Option<Jump>,
    /// The reading before `last`.
    prior: Option<Mass>,
    /// The highest indications of late, and when they were: each is above all that came later.
    peaks: VecDeque<(Moment, Mass)>,
    pub unit: Option<Unit>,
    /// The finest readability seen: coarser than this is a unit set wrong.
    pub finest: Option<Mass>,
    /// The last weight at which two readings in a row agreed.
    anchor: Option<Mass>,
    /// A batch has ended, and the pan was not seen empty since: what stands there may hold something.
    pub left_over: bool,
    /// Readings are missing since the last one: the line was lost or silent.
    pub gap: bool,
    /// Usual time between two readings in microseconds, learned.
    interval: u64,
    pub sends: Sends,
    pub lost: bool,
    /// That it sends nothing was told.
    pub silent: bool,
    pub overload: bool,
    /// When it spoke last without a weight that counts.
    pub heard: Option<Moment>,
    /// It spoke before its first weight: what it showed then nobody knows.
    pub mute: bool,
    /// Lines since the last reading that could not be read.
    pub unread: u32,
    /// The unit in which it spoke first.
    pub usual: Option<Unit>,
    /// The readability in grams, where it spoke in such a unit: in another one its digits may be finer than its step.
    metric: Option<Mass>,
}

/// The pans of a bench, by their scale. One that the configuration does not have is `none`, which nothing ever
/// stands on: a plan with such a scale is not begun, and [`Pans::has`] keeps its readings out.
#[derive(Debug)]
pub struct Pans {
    pans: Vec<Pan>,
    none: Pan,
}

impl Pans {
    pub fn new(specs: impl IntoIterator<Item = PanSpec>, none: PanSpec) -> Pans {
        Pans {
            pans: specs.into_iter().map(Pan::new).collect(),
            none: Pan::new(none),
        }
    }

    pub fn has(&self, scale: ScaleIndex) -> bool {
        scale < self.pans.len()
    }

    pub fn count(&self) -> usize {
        self.pans.len()
    }

    pub fn iter(&self) -> impl Iterator<Item = &Pan> {
        self.pans.iter()
    }

    pub fn iter_mut(&mut self) -> impl Iterator<Item = &mut Pan> {
        self.pans.iter_mut()
    }
}

impl Index<ScaleIndex> for Pans {
    type Output = Pan;

    fn index(&self, scale: ScaleIndex) -> &Pan {
        self.pans.get(scale).unwrap_or(&self.none)
    }
}

impl IndexMut<ScaleIndex> for Pans {
    fn index_mut(&mut self, scale: ScaleIndex) -> &mut Pan {
        self.pans.get_mut(scale).unwrap_or(&mut self.none)
    }
}

/// What one reading showed.
#[derive(Debug, Clone, Copy)]
pub struct Observation {
    pub at: Moment,
    pub weight: Mass,
    pub d: Mass,
    pub steady: Option<Level>,
    /// The indication became steady with this reading.
    pub newly_steady: bool,
    /// Two readings in a row agree: at rest for an instant.
    pub plateau: bool,
    /// A jump to zero with nothing in between: the TARE or ZERO key, or a vessel lifted at once.
    pub jump: Option<Jump>,
    /// Such a jump, which the next reading is to confirm.
    pub pending: bool,
    /// The jump of the reading before was none, or something else followed at once.
    pub dropped: bool,
    /// It says what the one before did, and the rest goes on.
    pub again: bool,
    /// Two presses on the pan ended with this reading.
    pub presses: bool,
    /// The unit is another one than before.
    pub unit_changed: bool,
    /// First reading after a gap, with the last weight at rest before it.
    pub after_gap: bool,
    /// The reading before this one.
    pub before: Option<Mass>,
    /// Between the two lines were lost, so many that a load may have come or gone on them.
    pub lines_lost: bool,
    /// That one and the one before it agree.
    pub was_still: bool,
    /// That one rose by more than a hand pours.
    pub swings: bool,
    /// The highest reading of the last 3 s before this one.
    pub peak: Mass,
    /// The most that a hand pours between the two.
    pub pourable: Mass,
    /// How far the reading before was from the one before that.
    pub came: Mass,
    /// The scale says that it shows net.
    pub net_flag: bool,
    /// The line had its unit.
    pub unit_known: bool,
}

impl Observation {
    /// Whether it rose to exactly zero by more than a hand pours between two readings, or to nearly zero out of a pour
    /// that gave far less: a key that was pressed while the indication was below zero.
    #[inline]
    pub fn leaps_to_zero(&self) -> bool {
        // Nearly every reading ends it here.
        self.before != Some(self.weight) && self.rose_to_zero()
    }

    fn rose_to_zero(&self) -> bool {
        let Some(before) = self.before else {
            return false;
        };
        let rose = self.weight - before;
        let exactly = self.weight.abs() <= self.d && rose > self.pourable.max(self.d * 3);
        exactly || self.leaps_about_zero(rose)
    }

    /// Far faster than the line before, and no farther from zero than that went: what was on its way comes after the key.
    fn leaps_about_zero(&self, rose: Mass) -> bool {
        let near = self.weight.abs() <= self.came.max(self.d * 3);
        near && rose > (self.d * 20).max(self.came * 10)
    }

    /// Whether what was coming to rest on the empty pan, which shows `zero`, rose far faster at last, and to about the
    /// display's own zero: a key while it was below that, and not at rest.
    pub fn leaps_amid_landing(&self, zero: Mass) -> bool {
        let Some(before) = self.before else {
            return false;
        };
        // No first touch: most of it had come.
        before - zero > self.came * 5 && self.leaps_about_zero(self.weight - before)
    }

    /// Whether the TARE key may have been pressed between this reading and the one before, however
    /// little it took off: it leaves exactly zero. What rises to zero without a rest before is a vessel
    /// that comes back.
    #[inline]
    pub fn may_be_key(&self) -> bool {
        // A key leaves another weight; nearly every reading ends it here.
        (self.dropped || self.before != Some(self.weight)) && self.changed_as_by_a_key()
    }

    fn changed_as_by_a_key(&self) -> bool {
        if self.pending || self.jump.is_some() || self.lines_lost {
            // Whether it is one is told by the next reading, or was told by this; or nothing tells.
            return false;
        }
        let Some(before) = self.before else {
            return false;
        };
        let by = before - self.weight;
        let moved = by > self.d * 3 || (by < -(self.d * 3) && self.was_still);
        if !moved && !self.dropped {
            return false;
        }
        // A key takes all of it off between two readings; a lift takes time.
        let fell = self.peak.max(before) - self.weight;
        let at_once = by.is_negative() || by >= fell.ratio(3, 5);
        // It may be poured into again within the same reading; what rose faster than any pour swings.
        let again = !self.swings
            && self.weight >= -self.d
            && self.weight < before.ratio(2, 5)
            && self.weight <= self.pourable;
        (self.dropped && at_once) || (moved && at_once && (self.weight.abs() <= self.d || again))
    }
}

/// A jump of the indication between two readings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Jump {
    pub from: Mass,
    pub to: Mass,
    /// Whether `from` was a weight at rest.
    pub sure: Sure,
    /// What stood there had come as one load does.
    pub one_load: bool,
    /// Nothing but its speed tells it.
    pub by_its_speed: bool,
    pub cause: JumpCause,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JumpCause {
    /// The scale's gross/net flag changed with it: a key.
    Key,
    /// The scale has such a flag and it stayed gross: a load was taken off.
    Load,
    /// Nothing tells.
    Unknown,
    /// To zero from a little below it, or from a weight that grew: a key, or a load that passes by.
    /// Nothing will tell.
    Slight,
}

/// What was followed of the pan with a reading; see [`Observation`].
#[derive(Default)]
struct Followed {
    d: Mass,
    jump: Option<Jump>,
    unit_changed: bool,
    gap: bool,
    dropped: bool,
    unread: u32,
    steady: bool,
    newly_steady: bool,
    again: bool,
    presses: bool,
}

/// The most that a hand pours between two readings.
fn poured(before: Reading, r: &Reading) -> Mass {
    most_poured(r.at.since(before.at))
}

impl Pan {
    pub fn new(spec: PanSpec) -> Pan {
        Pan {
            spec,
            steady: Steady::new(spec.steady_window),
            rate: Rate::default(),
            trace: Trace::default(),
            presses: Presses::default(),
            wander: Wander::default(),
            idle: false,
            zero: None,
            swift: None,
            tail: 0.0,
            on_the_way: (u32::MAX, 0),
            fell: None,
            came: None,
            slow_told: false,
            grain: Grain::default(),
            last: None,
            d: Mass::ZERO,
            prior: None,
            peaks: VecDeque::new(),
            unconfirmed: None,
            unit: None,
            finest: spec.readability,
            anchor: None,
            flat: None,
            left_over: false,
            gap: false,
            interval: 500_000,
            sends: Sends::default(),
            lost: false,
            silent: false,
            overload: false,
            heard: None,
            mute: false,
            unread: 0,
            usual: None,
            metric: None,
        }
    }

    pub fn spec(&self) -> &PanSpec {
        &self.spec
    }

    /// The readability in force: the configured one, or the last digit shown where that is coarser
    /// (a scale left on ounces).
    pub fn d(&self) -> Mass {
        match self.last {
            Some(_) => self.d,
            None => self.readability_of(Mass::ZERO, self.unit),
        }
    }

    /// The display's digits may be finer than the scale; the scale's own step counts.
    fn readability_of(&self, digit: Mass, unit: Option<Unit>) -> Mass {
        let step = self.grain.step(self.spec.readability.is_some());
        let counted = step.map_or(digit, |step| step.max(digit));
        let decimal = unit.is_none_or(Unit::is_decimal);
        let told = self.spec.readability.or(self.metric.filter(|_| !decimal));
        let told = told.map_or(counted, |d| d.max(counted));
        if told == digit {
            return digit;
        }
        // Another unit's digits show a step in grams now as so many, now as one more.
        told.ceil_to(digit)
    }

    /// Follows a stay within a tenth of `by`, which the indication rose or fell before it; gives it once it has
    /// lasted longer than this scale's filter makes one of what only passes.
    pub fn stands(
        &self,
        so_far: &mut Option<Stand>,
        seen: &Observation,
        by: Mass,
    ) -> Option<Stand> {
        let stand = Stand::follow(*so_far, seen.at, seen.weight, by.ratio(1, 10));
        *so_far = Some(stand);
        stand.lasts(self.swiftness()).then_some(stand)
    }

    /// Follows readings that agree to a step; gives them once they have, for longer than a display holds one weight.
    pub fn lasts(&self, so_far: &mut Option<Flat>, seen: &Observation) -> Option<Level> {
        let flat = Flat::follow(*so_far, seen.at, seen.weight, seen.d);
        *so_far = Some(flat);
        Some(flat.level).filter(|level| level.is_flat_for(self.sends.holds()))
    }

    /// From 10 to 90 % of one load, as far as it is known: seconds.
    fn swiftness(&self) -> f64 {
        self.swift.unwrap_or(FIRST_SWIFT)
    }

    /// What the filter holds back of a pour, as a time: seconds.
    pub fn lag(&self) -> f64 {
        (self.swiftness() / 2.0).clamp(0.05, 3.0)
    }

    /// What a load takes to its last steps, as far as that is known: microseconds.
    pub fn settles_in(&self) -> u64 {
        let constant = self.tail.max(self.swift.unwrap_or_default() / RISE);
        (constant * 4e6) as u64
    }

    /// So much of a pour that grew by `flow` from line to line the indication does not show yet, and a quarter more.
    pub fn streamed(&self, flow: Mass) -> Mass {
        let interval = self.interval.max(1) as i64;
        flow.ratio((interval + (self.lag() * 1e6) as i64) * 5, interval * 4)
    }

    /// The most that a hand pours and the indication does not show yet.
    pub fn unseen(&self) -> Mass {
        most_poured(self.interval + (self.lag() * 1e6) as u64)
    }

    /// The shape of what came or went since the last rest.
    pub fn shape(&self, start: Mass, end: Mass, d: Mass) -> Shape {
        self.trace.shape(start, end, d)
    }

    /// Whether its lines tell one part of a second from another.
    pub fn sends_densely(&self) -> bool {
        self.interval <= DENSE_US
    }

    /// Whether one load makes this shape on this scale.
    pub fn is_one_load(&self, shape: &Shape, d: Mass) -> bool {
        shape.is_one_load(self.tail, self.swift, d)
    }

    /// Whether it came between two lines, or over one more where these are far apart: no pour is so short.
    pub fn came_at_once(&self, shape: &Shape) -> bool {
        shape.swift > 0.0 && shape.on_the_way <= u32::from(self.interval > SLOW_LINE_US)
    }

    /// Learns the filter from one load that came, or (`lifted`) went.
    pub fn learn(&mut self, shape: &Shape, lifted: bool) {
        if shape.swift <= 0.0 {
            // It was there before it was heard of: nothing shows how it came.
            return;
        }
        // A slow hand makes it longer, nothing makes it shorter.
        let swift = self.swift.map_or(shape.swift, |old| {
            shape.swift.min(old + (shape.swift - old).max(0.0) * 0.1)
        });
        self.swift = Some(swift);
        let (fewest, seen) = self.on_the_way;
        self.on_the_way = (fewest.min(shape.on_the_way), seen.saturating_add(1));
        if lifted {
            self.tail = match self.tail {
                0.0 => shape.tail,
                old => old + (shape.tail - old) * 0.4,
            };
        }
        self.fit_windows(swift);
    }

    /// How long the indication has to rest on a scale that takes `swift` seconds: what still creeps in
    /// after that is less than a tenth of d. What `arrives` on the empty pan rests longer: a mean over a while shows
    /// what only touched the pan for all of that while, which is a quarter more than `swift`.
    fn window_for(&self, swift: f64, arrives: bool) -> f64 {
        let share = if arrives { 1.3 } else { 1.1 };
        self.spec.steady_window.max((share * swift).min(8.0))
    }

    /// Whether the last change began at the empty pan, and `weight` is what came onto it.
    fn arrives(&self, weight: Mass, d: Mass) -> bool {
        let began = self.trace.start().zip(self.zero_shown());
        began.is_some_and(|(start, zero)| (start - zero).abs() <= d * 5 && weight - zero > d * 20)
    }

    /// Whether this one load shows that the scale needs a longer rest than it was given.
    pub fn wants_longer(&mut self, shape: &Shape) -> bool {
        if self.swift.is_some() || self.window_for(shape.swift, false) <= self.spec.steady_window {
            return false;
        }
        self.learn(shape, false);
        true
    }

    /// Whether no load comes or goes on this scale between two readings, with so many lines lost between
    /// them: then a jump is a key.
    fn is_slower_than_readings(&self, unread: u32) -> bool {
        let (fewest, seen) = self.on_the_way;
        seen >= 1 && (2u32.saturating_add(unread)..u32::MAX).contains(&fewest)
    }

    /// Whether a load on this scale comes or goes over at least two readings: what does so within one is a key.
    pub fn is_slower_than_a_line(&self) -> bool {
        self.is_slower_than_readings(1)
    }

    /// Whether `shown` came onto the empty pan over fewer readings than a load does on this scale, and has not rested: a
    /// mean over a while shows what touches the pan for a moment so, and lets go of it as fast: it shows the empty pan
    /// again.
    fn only_touched(&self, shown: Mass, now: Mass, d: Mass) -> bool {
        let (fewest, seen) = self.on_the_way;
        let zero = self.zero_shown().unwrap_or_default();
        seen > 0
            && (now - zero).abs() <= d * 20
            && self.arrives(shown, d)
            && self.shape(zero, shown, d).on_the_way < fewest
    }

    /// What is learned of the filter so far.
    pub fn response(&self) -> Option<Response> {
        Some(Response {
            rise: self.swift?,
            tail: self.tail,
            on_the_way: self.on_the_way.0,
        })
    }

    /// Takes over what was learned before.
    pub fn set_response(&mut self, known: Response) {
        self.swift = Some(known.rise);
        self.tail = known.tail;
        self.on_the_way = (known.on_the_way, 1);
        self.fit_windows(known.rise);
    }

    fn fit_windows(&mut self, swift: f64) {
        self.steady.set_window(self.window_for(swift, false));
        let settling = (4.0 * self.lag() + self.tail).max(4.0 * self.tail);
        self.wander.set_settling(settling);
    }

    /// A vessel may stand on this scale while one is waited for on another: that is no wander of the empty pan.
    fn push_wander(&mut self, r: &Reading, d: Mass) {
        let bare = |zero: Mass| (r.weight - zero).abs() <= vessel_at_least(d);
        self.wander.idle = self.idle && self.zero_shown().is_none_or(bare);
        self.wander.push(r.at, r.weight, d);
    }

    /// Forgets motion (not zero): after a gap, an overload, a key.
    fn unsettle(&mut self) {
        self.flat = None;
        self.steady.reset();
        self.rate.reset();
        self.presses.reset();
        self.wander.reset();
        self.wander.forget_idle();
    }

    /// The weight at rest, where readings still come: what stood there before a silence is none.
    pub fn level(&self, now: Moment) -> Option<Level> {
        self.steady.level().filter(|_| !self.is_stale(now))
    }

    /// What stands there without coming to rest, and how far it went to and fro in the last seconds.
    pub fn restless(&self, now: Moment) -> Option<(Level, Mass)> {
        self.restless_by(now, self.d() * 50)
    }

    /// The same, where it goes to and fro by no more than `most`.
    pub fn restless_by(&self, now: Moment, most: Mass) -> Option<(Level, Mass)> {
        let last = self.last.filter(|_| !self.is_stale(now))?;
        let d = self.d();
        let wander = &self.wander;
        let range = wander.lately().or_else(|| wander.least_to_most())? + d;
        let level = Level {
            weight: last.weight,
            d,
            readings: 1,
            at: last.at,
            since: last.at,
        };
        (range <= most).then_some((level, range))
    }

    /// The same, where it only flickers: that is no rest, and nothing that comes or goes either.
    pub fn level_or_flicker(&self, now: Moment) -> Option<Level> {
        let flickers = || {
            let (level, range) = self.restless(now)?;
            (range <= level.d * 5).then_some(level)
        };
        self.level(now).or_else(flickers)
    }

    /// What is left of a fall from one reading to the next, by how long a load takes here.
    pub fn fall_share(&self) -> Option<f64> {
        let swift = self.swift.filter(|swift| *swift > 0.0)?;
        Some((-(self.interval as f64) * RISE * 1e-6 / swift).exp())
    }

    /// So long, or one reading where these come more slowly.
    pub fn at_least_a_reading(&self, us: u64) -> u64 {
        us.max(self.interval + self.interval / 2)
    }

    /// Whether the last reading is too old to say what stands there.
    pub fn is_stale(&self, now: Moment) -> bool {
        let silence = self.last.map_or(0, |last| now.since(last.at));
        self.lost || self.gap || silence > self.longest_pause()
    }

    /// Forgets the zero: nobody followed what moved it. The next rest says where it is.
    pub fn forget_zero(&mut self) {
        self.zero = None;
    }

    /// As a scale that has not spoken yet, but for what was learned of its ways.
    pub fn begin_afresh(&mut self) {
        self.forget_zero();
        self.unsettle();
        self.last = None;
        self.prior = None;
        self.unconfirmed = None;
        self.anchor = None;
        self.gap = false;
    }

    pub fn lost(&mut self) {
        self.lost = true;
        self.gap = true;
        self.unsettle();
    }

    pub fn overloaded(&mut self, at: Moment) {
        self.overload = true;
        self.heard = Some(at);
        let d = self.d();
        self.presses.overload(at, d);
        self.steady.reset();
        self.rate.reset();
    }

    /// The tolerance within which two weighings of the same thing agree: 5 d, or 1 in 2000.
    pub fn same(&self, a: Mass, b: Mass, d: Mass) -> bool {
        (a - b).abs() <= (d * 5).max(b.abs().ratio(1, 2000))
    }

    pub fn reading(&mut self, r: &Reading) -> Observation {
        let before = self.last;
        // What shows the same as before in all tells no more of the digits, and is no jump.
        let same = before.is_some_and(|before| {
            before
                == Reading {
                    at: before.at,
                    ..*r
                }
        });
        let silence = before.map_or(0, |b| r.at.since(b.at));
        let on = if same {
            self.rests_on(r, silence)
        } else {
            None
        };
        let followed = match on {
            Some(followed) => followed,
            None => self.follow(before, r, same, silence),
        };
        let d = followed.d;
        let plateau = self.follow_anchor(before, r, d);
        let came = before.zip(self.prior).map(|(b, prior)| b.weight - prior);
        let was_still = came.is_some_and(|came| came.abs() <= d);
        let pourable = before.map_or(Mass::ZERO, |before| poured(before, r));
        let swings = came.is_some_and(|rose| rose > Mass::ZERO && rose > pourable + d * 20);
        self.prior = before.map(|b| b.weight);
        self.flat = Some(Level::go_on(self.flat, r.at, r.weight, d));
        let peak = self.follow_peak(r);
        self.last = Some(*r);
        self.d = d;
        Observation {
            peak,
            at: r.at,
            weight: r.weight,
            d,
            steady: if followed.steady {
                self.steady.level()
            } else {
                None
            },
            newly_steady: followed.newly_steady,
            plateau,
            jump: followed.jump,
            pending: self.unconfirmed.is_some(),
            dropped: followed.dropped,
            again: followed.again,
            presses: followed.presses,
            unit_changed: followed.unit_changed,
            after_gap: followed.gap && before.is_some(),
            before: before.map(|b| b.weight),
            lines_lost: followed.unread > MOST_UNREAD,
            was_still,
            swings,
            pourable,
            came: came.unwrap_or_default().abs(),
            unit_known: r.unit.is_some(),
            net_flag: r.shown == Some(Shown::Net),
        }
    }

    /// Takes a reading that says what the last one did, where nothing came between the two and the rest goes on: most of
    /// what is asked of others can have no other answer. Where it may, nothing is taken.
    fn rests_on(&mut self, r: &Reading, silence: u64) -> Option<Followed> {
        let undisturbed = self.steady.is_steady()
            && r.unit.is_some()
            && silence <= self.longest_pause()
            && self.unread == 0
            && self.unconfirmed.is_none()
            && !(self.gap || self.lost || self.overload);
        if !undisturbed {
            return None;
        }
        if let Some(swift) = self.swift {
            self.steady.set_window(self.window_for(swift, false));
        }
        if !self.steady.goes_on(r.at, r.steady) {
            return None;
        }
        self.learn_interval(silence);
        self.sends.line(Mass::ZERO, silence, false, self.d);
        self.sends.follow_display(Mass::ZERO, silence, self.d);
        self.rate.push(r.at, r.weight);
        self.push_wander(r, self.d);
        self.trace.begin(r.at, r.weight);
        Some(Followed {
            d: self.d,
            steady: true,
            again: true,
            presses: self.presses.at_rest(r.at, r.weight, self.d),
            ..Followed::default()
        })
    }

    fn learn_interval(&mut self, silence: u64) {
        self.interval = (self.interval * 7 + silence.clamp(5_000, 1_000_000)) / 8;
    }

    /// Takes any other reading; `same`: it says what the last one did.
    fn follow(
        &mut self,
        before: Option<Reading>,
        r: &Reading,
        same: bool,
        silence: u64,
    ) -> Followed {
        let unit_changed = !same && matches!((self.unit, r.unit), (Some(a), Some(b)) if a != b);
        let d = if same { self.d } else { self.follow_digits(r) };
        let gap = std::mem::take(&mut self.gap) || silence > self.longest_pause();
        let usual = self.interval;
        if gap {
            if let Some(zero) = &mut self.zero {
                let sure = std::mem::replace(&mut zero.sure, Sure::Guessed);
                zero.before_gap = zero.before_gap.max(sure);
            }
        } else {
            self.learn_interval(silence);
        }
        let change = before.filter(|_| !self.lost);
        let change = change.map(|before| r.weight - before.weight);
        if let Some(change) = change {
            self.sends.line(change, silence, gap, d);
        }
        self.lost = false;
        self.overload = false;
        let unread = std::mem::take(&mut self.unread);
        if gap || unit_changed {
            self.unsettle();
        }
        let was_pending = self.unconfirmed.is_some();
        let jump = if unit_changed || gap {
            self.unconfirmed = None;
            None
        } else if same && !was_pending {
            None
        } else {
            // Lines that never came say no more of a load on its way than those that could not be read.
            let absent = (silence + usual / 2) / usual.max(1);
            let absent = u32::try_from(absent.saturating_sub(1)).unwrap_or(u32::MAX);
            self.confirm_jump(before, r, d, unread, absent)
        };
        match change {
            _ if jump.is_some() || self.unconfirmed.is_some() => self.sends.leapt(),
            Some(change) => self.sends.follow_display(change, silence, d),
            None => {}
        }
        if let Some(jump) = &jump {
            self.sends.jumped(jump);
        }
        if jump.is_some_and(|jump| jump.cause != JumpCause::Slight) {
            self.unsettle();
            self.trace.begin(r.at, r.weight);
        }
        let was_steady = self.steady.is_steady();
        if let Some(swift) = self.swift {
            let arrives = !was_steady && self.arrives(r.weight, d);
            self.steady.set_window(self.window_for(swift, arrives));
        }
        // A line without a unit is never steady: it guides the hand and is not recorded.
        let counts = r.unit.is_some();
        let steady = self.steady.push(r.at, r.weight, d, r.steady, counts);
        self.rate.push(r.at, r.weight);
        self.push_wander(r, d);
        if was_steady && steady {
            self.trace.begin(r.at, r.weight);
        } else {
            self.trace.push(r.at, r.weight);
        }
        if steady && !was_steady {
            self.learn_from_a_lift(r, d);
        }
        Followed {
            d,
            jump,
            unit_changed,
            gap,
            dropped: was_pending && jump.is_none(),
            unread,
            steady,
            newly_steady: steady && !was_steady,
            again: false,
            presses: self.follow_presses(r, d, steady),
        }
    }

    /// Takes the unit and the digits of a reading; gives the readability in force with it.
    fn follow_digits(&mut self, r: &Reading) -> Mass {
        self.grain.push(r.weight, r.digit, r.unit);
        self.unit = r.unit.or(self.unit);
        self.usual = self.usual.or(r.unit);
        let d = self.readability_of(r.digit, self.unit);
        if self.unit.is_some_and(Unit::is_decimal) {
            self.metric = Some(d);
        }
        self.finest = Some(self.finest.map_or(d, |finest| finest.min(d)));
        d
    }

    /// The highest of late before this reading.
    fn follow_peak(&mut self, r: &Reading) -> Mass {
        let Some(last) = self.last else {
            return r.weight;
        };
        // Only what nothing later surpasses can be the highest.
        match self.peaks.back_mut() {
            Some((at, peak)) if *peak == last.weight => *at = last.at,
            Some(_) | None => {
                while self.peaks.back().is_some_and(|&(_, w)| w <= last.weight) {
                    self.peaks.pop_back();
                }
                self.peaks.push_back((last.at, last.weight));
            }
        }
        while self.peaks.len() > 1 && r.at.since(self.peaks[0].0) > PEAK_US {
            self.peaks.pop_front();
        }
        self.peaks[0].1
    }

    fn follow_presses(&mut self, r: &Reading, d: Mass, steady: bool) -> bool {
        if steady {
            self.presses.at_rest(r.at, r.weight, d)
        } else {
            self.presses.moving(r.at, r.weight, d);
            false
        }
    }

    /// Two readings in a row within 3 d, or 1 in 200, are a weight at rest for an instant.
    fn follow_anchor(&mut self, before: Option<Reading>, r: &Reading, d: Mass) -> bool {
        let near = |a: Mass| {
            let off = (a - r.weight).abs();
            off == Mass::ZERO || off <= (d * 3).max(a.abs().ratio(1, 200))
        };
        let plateau = before.is_some_and(|b| near(b.weight));
        if plateau {
            self.anchor = Some(r.weight);
        }
        plateau
    }

    /// A fall to zero counts when the next reading is still there: a vessel on its way off can pass by
    /// zero, where an empty pan shows less.
    fn confirm_jump(
        &mut self,
        before: Option<Reading>,
        r: &Reading,
        d: Mass,
        unread: u32,
        absent: u32,
    ) -> Option<Jump> {
        let found = self.find_jump(before, r, d, unread, absent);
        if let Some(jump) = self.unconfirmed.take() {
            let most = before.map_or(Mass::ZERO, |before| poured(before, r)) + d * 20;
            let stays = r.weight >= -(d * 20) && r.weight <= most;
            return stays.then_some(jump).or(found);
        }
        match found {
            Some(jump) if jump.by_its_speed && jump.from > jump.to => {
                self.unconfirmed = Some(jump);
                self.unsettle();
                None
            }
            Some(_) | None => found,
        }
    }

    /// A jump from a weight at rest to zero without a reading in between. Drifts (under 20 d) are
    /// none, nor is the tail of a lift: a key shows exactly zero at once.
    fn find_jump(
        &self,
        before: Option<Reading>,
        r: &Reading,
        d: Mass,
        unread: u32,
        absent: u32,
    ) -> Option<Jump> {
        // What shows the same did not jump.
        let before = before.filter(|before| before.weight != r.weight)?;
        let flags = (before.shown, r.shown);
        let flag_changed = matches!(flags, (Some(a), Some(b)) if a != b);
        let moved = (before.weight - r.weight).abs() > d * 3;
        if flag_changed && moved {
            // TARE shows exactly zero.
            let tared =
                flags.1 == Some(Shown::Net) && r.weight.abs() <= (d * 3).max(poured(before, r));
            // What is there already came after the key, and was coming before.
            let exact = !tared || r.weight.abs() <= d;
            return Some(Jump {
                from: before.weight,
                to: if tared { Mass::ZERO } else { r.weight },
                sure: if exact { self.sure() } else { Sure::Guessed },
                one_load: self.came_as_one(before.weight, d),
                by_its_speed: false,
                cause: JumpCause::Key,
            });
        }
        if unread > MOST_UNREAD {
            // A load falls over fewer lines than that.
            return None;
        }
        let back = |prior: Mass| (r.weight - prior).abs() <= d * 5;
        if self.prior.is_some_and(back) && r.weight.abs() > d * 10 && unread == 0 {
            // Back to a step where it was before a single line, which is no zero: that line had a wrong digit.
            return None;
        }
        let anchor = self.anchor?;
        let clean = (before.weight - anchor).abs() <= anchor.abs().ratio(1, 10);
        // What was not quite at rest goes on below the key.
        let fell = before.weight - r.weight > d * 100;
        let passed = unread.max(absent);
        let surely = fell && self.is_slower_than_readings(passed.saturating_add(1));
        let mut to_zero = r.weight.abs() <= d * if surely { 10 } else { 3 };
        if let Some(prior) = self.prior {
            // What was still coming to rest does so after the key.
            let came = before.weight - prior;
            let rose = r.weight - before.weight;
            to_zero |= r.weight.abs() <= (came.abs() * 4).min(rose.ratio(1, 50));
            to_zero |= surely && r.weight.abs() <= came.min(rose.abs().ratio(1, 50));
        }
        if !(clean && to_zero && anchor.abs() > d * 20) {
            // A lift falls from reading to reading; from a weight that grew to zero is a key.
            let grew = self.prior.is_some_and(|prior| before.weight >= prior);
            // A pan that rings after a lift does so on a small scale.
            let most = || {
                let recent = |&&(at, _): &&(Moment, Mass)| r.at.since(at) <= PEAK_US;
                let peak = self.peaks.iter().find(recent);
                let top = peak.map_or(before.weight, |&(_, top)| top.max(before.weight));
                before.weight - r.weight >= (top - r.weight).ratio(3, 5)
            };
            let rough = grew && to_zero && before.weight > d * 20 && (surely || most());
            return rough.then(|| Jump {
                from: before.weight,
                to: r.weight,
                sure: Sure::Guessed,
                one_load: self.came_as_one(before.weight, d),
                by_its_speed: false,
                cause: JumpCause::Slight,
            });
        }
        let up = r.weight - before.weight;
        let poured_at_most = Some(poured(before, r));
        let cause = match flags {
            (Some(Shown::Gross), Some(Shown::Gross)) => JumpCause::Load,
            _ if self.only_touched(before.weight, r.weight, d) => JumpCause::Load,
            // Neither a lift nor a landing is so fast on this scale.
            (None, _) | (_, None) | (Some(_), Some(_))
                if surely || (self.is_slower_than_readings(passed) && r.weight.abs() <= d) =>
            {
                JumpCause::Key
            }
            (None, _) | (_, None) | (Some(_), Some(_))
                if up > Mass::ZERO && Some(up) < poured_at_most =>
            {
                JumpCause::Slight
            }
            (None, _) | (_, None) | (Some(_), Some(_)) => JumpCause::Unknown,
        };
        let steady = self.steady.level().map(|level| level.weight);
        Some(Jump {
            from: steady.unwrap_or(before.weight),
            // The key shows exactly zero; what is there already came after it.
            to: if cause == JumpCause::Slight {
                r.weight
            } else {
                Mass::ZERO
            },
            sure: self.sure(),
            one_load: self.came_as_one(before.weight, d),
            by_its_speed: matches!(cause, JumpCause::Key | JumpCause::Unknown),
            cause,
        })
    }

    fn came_as_one(&self, shown: Mass, d: Mass) -> bool {
        let shape = self.shape(self.zero_shown().unwrap_or_default(), shown, d);
        self.is_one_load(&shape, d)
    }

    /// A fall from one rest to another in one go is a lift: into that nobody pours.
    fn learn_from_a_lift(&mut self, r: &Reading, d: Mass) {
        let Some(start) = self.trace.start() else {
            return;
        };
        if self.trace.learned || start - r.weight < (d * 300).max(Mass::from_g(5)) {
            return;
        }
        let shape = self.shape(start, r.weight, d);
        // What went away and came back lighter is no fall in one go.
        let fell = shape.beyond <= d * 5 && !shape.is_double(d);
        if fell && shape.swift > 0.0 && shape.swift < 8.0 {
            self.trace.learned = true;
            self.fell = Some((start, shape.course));
            self.learn(&shape, true);
        }
    }

    /// Whether the lift of what stood at `from`, as shown, proves that it came as one load, as which it was doubted;
    /// then `came` is how this scale shows one.
    pub fn learn_by_the_lift(&mut self, came: &Shape, from: Mass, d: Mass) -> bool {
        let fall = self.fall_from(from, d);
        let proven = fall.is_some_and(|fall| came.is_proven_by(&fall, d));
        if proven {
            self.learn(came, true);
        }
        proven
    }

    /// What is at rest at `end` may be the vessel of this step (by index), and came onto `start`.
    pub fn vessel_came(&mut self, step: usize, start: Mass, end: Mass, d: Mass) {
        let began = self.trace.start();
        if began.is_some_and(|began| (began - start).abs() <= d * 5) {
            self.came = Some((step, self.trace.came(start, end, d)));
        } else {
            // It has rested since, or came in place of another.
            let of = |&(index, ref came): &(usize, Came)| index == step && came.is_of(start, end);
            self.came = self.came.take().filter(of);
        }
    }

    /// What of the vessel of a step (by index), which is off, came too late for how it went ([`Trace::late`]).
    pub fn came_late(&self, step: usize, zero: Mass) -> Option<Mass> {
        let (_, came) = self.came.as_ref().filter(|(index, _)| *index == step)?;
        self.course()?.late(came, zero)
    }

    /// What lay on the pan as the rest of the load left, and left after it ([`Trace::stayed`]).
    pub fn stayed(&self, zero: Mass, d: Mass) -> Option<Mass> {
        self.course()?.stayed(zero, d)
    }

    /// The change of load, where it has a course: what a display holds for a while has none.
    fn course(&self) -> Option<&Trace> {
        (self.sends.holds() <= self.interval).then_some(&self.trace)
    }

    /// How what stood at `from` fell when it was lifted off, as far down as that was seen.
    fn fall_from(&self, from: Mass, d: Mass) -> Option<Course> {
        let now = self.trace.fall(self.zero?.shown, d);
        let falls = [now, self.fell].into_iter().flatten();
        let mut same = falls.filter(|(top, _)| (*top - from).abs() <= d * 5);
        same.next().map(|fall| fall.1)
    }

    /// A longer silence is a gap in which anything may have happened: no scale is switched off and
    /// on again in less than a second, and four usual intervals are no hiccup of the line.
    fn longest_pause(&self) -> u64 {
        (self.interval * 4).clamp(1_000_000, 3_000_000)
    }

    /// The frame is the one before the gap: the zero is as good as it was.
    pub fn frame_stands(&mut self) {
        if let Some(zero) = &mut self.zero {
            let before = std::mem::replace(&mut zero.before_gap, Sure::Guessed);
            zero.sure = zero.sure.max(before);
        }
    }

    /// What the empty pan shows, as far as that is known.
    pub fn zero_shown(&self) -> Option<Mass> {
        self.zero.map(|zero| zero.shown)
    }

    /// Whether its zero is known from weights at rest alone.
    pub fn zero_is_exact(&self) -> bool {
        self.zero.is_some_and(|zero| zero.sure == Sure::Rest)
    }

    /// How far its zero is known.
    pub fn zero_sure(&self) -> Sure {
        self.zero.map_or(Sure::Guessed, |zero| zero.sure)
    }

    /// What it shows, once that has lasted for longer than a display holds one weight, be it for less than a rest.
    pub fn flat(&self) -> Option<Level> {
        let holds = self.sends.holds();
        self.flat.filter(|flat| flat.is_flat_for(holds))
    }

    /// How sure the last reading is as a weight: of one on its way no two agree that are so far apart.
    fn sure(&self) -> Sure {
        let holds = self.sends.holds();
        let agree = |flat: Level| flat.at.since(flat.since) >= AGREE_US + holds * 2;
        match self.steady.is_steady() {
            true => Sure::Rest,
            false if self.flat.is_some_and(agree) => Sure::Flat,
            false => Sure::Guessed,
        }
    }

    /// Where nothing better is known, what the empty pan shows for less than a rest is its zero.
    pub fn see_flat_zero(&mut self) {
        if let Some(flat) = self.flat()
            && self.zero_sure() != Sure::Rest
        {
            self.zero = Some(Zero::flat(flat.weight));
        }
    }

    /// How its zero is known proves less than was thought.
    pub fn doubt_zero(&mut self) {
        if let Some(zero) = &mut self.zero {
            zero.sure = Sure::Guessed;
        }
    }
}
