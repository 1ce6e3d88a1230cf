//! The shape of a change of load: one thing set down, or more than one arrival?
//!
//! A vessel that is set down arrives at once and the indication follows as the scale's filter lets
//! it. Whatever the filter is (a low-pass, a moving average, two stages), one load makes a rise that
//! slows down and does not speed up again, and whose late part is no longer than its early part says.
//! A second load on top speeds it up again; a pour that begins while the first is still arriving
//! leaves a late part that the filter does not explain.

use super::pour::most_poured;
use super::steady::{FLAT_US, Flat, Level};
use crate::mass::Mass;
use crate::time::Moment;

/// Readings kept; when full, every second one is dropped, so a long rise keeps its shape.
const MOST_POINTS: usize = 512;
/// A hand sets a vessel down within this time of its first touch: 0.45 s. How the load comes in it is
/// the hand's, not the filter's.
const SET_DOWN_US: u64 = 450_000;
/// A rise is compared with the rise of an earlier stretch of at least this length: 0.3 s.
const STRETCH_US: u64 = 300_000;

/// By so much a hand makes a part of a landing longer than the same part of a lift: 0.15 s.
const HANDS_US: u64 = 150_000;

/// No hand presses so evenly that more than 50 steps stay as they are for longer than this: 0.2 s.
const BRIEF_US: u64 = 200_000;

/// Within a step of its end for longer than this, an indication flickers: 1.2 s.
const FLICKERS_US: u64 = 1_200_000;

/// A scale's own filter and the line's times make a rise uneven by this share at most.
const UNEVEN: f64 = 0.03;
/// The same at full speed where the whole rise has few readings: it falls to them unevenly.
const COARSE: f64 = 0.07;
/// So few.
const FEW: f64 = 5.0;
/// A rise that is new more often tells how often that is.
const FEWEST_NEW: usize = 3;
/// The share of a load up to which a filter speeds up: its own quarter, and what the hand adds to that.
const SPEEDS_UP: f64 = 0.4;

/// The shares of a change that are still to come, at which its course is looked at.
const STILL: [f64; 12] = [
    0.9, 0.8, 0.65, 0.5, 0.3, 0.15, 0.07, 0.03, 0.015, 0.007, 0.003, 0.001,
];

/// To where a landing is to be as quick as its lift, so that what came late is not the hand's: three tenths are still to come.
const QUICK: usize = 4;
/// And so much longer: 0.1 s.
const QUICK_US: u64 = 100_000;
/// The parts of a fall in which something may have stayed on the pan: each ends where so much of it is still to go.
const FADES_BY: f64 = 0.65;
/// A hand that lifts hesitates no longer than this: 0.5 s.
const HESITATES_US: f64 = 500_000.0;
/// The last steps of a change whose time is held against that of the lift.
const LAST: [i64; 5] = [10, 14, 20, 30, 40];
/// A hand that still touches what it has set down, or lifts it, makes its end no longer than this: 0.3 s.
const LINGERS_US: u64 = 300_000;
/// Between lines further apart than this a landing has no course: 0.45 s.
pub(super) const SLOW_LINE_US: u64 = 450_000;

/// The readings since the load was last at rest.
#[derive(Debug, Clone, Default)]
pub struct Trace {
    points: Vec<(Moment, Mass)>,
    /// Keep one reading in `1 << thin`.
    thin: u32,
    count: u32,
    /// The change was learned from.
    pub learned: bool,
}

impl Trace {
    /// Begins anew at a load at rest.
    pub fn begin(&mut self, at: Moment, weight: Mass) {
        self.points.clear();
        self.points.push((at, weight));
        self.thin = 0;
        self.count = 0;
        self.learned = false;
    }

    /// The load at rest with which it began.
    pub fn start(&self) -> Option<Mass> {
        self.points.first().map(|&(_, weight)| weight)
    }

    /// For how long it was below `level` since then: microseconds.
    pub fn was_below(&self, level: Mass) -> u64 {
        let mut below = self.points.iter().filter(|&&(_, weight)| weight < level);
        let first = below.next();
        let last = below.next_back().or(first);
        first
            .zip(last)
            .map_or(0, |(first, last)| last.0.since(first.0))
    }

    pub fn push(&mut self, at: Moment, weight: Mass) {
        self.count = self.count.wrapping_add(1);
        if self.count & ((1 << self.thin) - 1) != 0 {
            return;
        }
        if self.points.len() >= MOST_POINTS {
            let mut keep = false;
            self.points.retain(|_| {
                keep = !keep;
                keep
            });
            self.thin = (self.thin + 1).min(16);
        }
        self.points.push((at, weight));
    }

    /// The change from `start` to `end` since its touch, as a rise from zero in nanograms.
    fn rise(&self, start: Mass, end: Mass, step: i64) -> Vec<(u64, i64)> {
        let sign = if end < start { -1 } else { 1 };
        let from_start = |weight: Mass| (weight - start).ng().saturating_mul(sign);
        let points = self.points.iter();
        let mut points: Vec<(u64, i64)> = points.map(|&(at, w)| (at.0, from_start(w))).collect();
        let touch = points
            .iter()
            .rposition(|&(_, w)| w <= (step * 5).max(from_start(end) / 100))
            // Set down before what stood there was quite off: the lowest is where it began.
            .or_else(|| (0..points.len()).min_by_key(|&i| points[i].1))
            .unwrap_or(0);
        points.drain(..touch);
        points
    }

    /// The shape of the change from `start` to `end`, both as shown; `d` is the readability.
    pub fn shape(&self, start: Mass, end: Mass, d: Mass) -> Shape {
        let step = d.ng().max(1);
        let rise = &*self.rise(start, end, step);
        let span = (end - start).ng().saturating_abs();
        let swift = between(rise, span);
        Shape {
            course: Course::of(rise, span, span, step),
            body: mean_arrival(rise, span, i64::MAX, step),
            tail: [span / 7, span / 20, span / 70, step * 25, step * 12]
                .into_iter()
                .filter(|part| *part >= step * 8)
                .map(|part| mean_arrival(rise, span, part, step))
                .fold(0.0, f64::max),
            swift,
            on_the_way: rise
                .iter()
                .filter(|&&(_, w)| w > span / 50 && w < span - step * 5)
                .count() as u32,
            leapt: rise.windows(2).any(|p| {
                let most = most_poured(p[1].0 - p[0].0).ng() + step * 20;
                p[1].1 - p[0].1 > most
            }),
            beyond: Mass::from_ng(rise.iter().map(|&(_, w)| w - span).max().unwrap_or(0)),
            second: Mass::from_ng(second(rise, span, swift, step)),
            fades: fades_evenly(rise, span, step),
            settles: settles(rise, span, step),
            even: comes_evenly(rise, span, step),
        }
    }

    /// By how much it stood higher for a moment than where the rise from `start` came to its `end`, more than five steps:
    /// what leaves before the rest leaves such a stand. A hand that presses does not, but on a slow scale where it just
    /// lets go. `holds`: how long the display shows one weight, in microseconds.
    pub fn stood_higher(&self, start: Mass, end: Mass, d: Mass, holds: u64) -> Option<Mass> {
        let rise = self.rise(start, end, d.ng().max(1));
        let span = end - start;
        let filter = (between(&rise, span.ng()) * 5e5) as u64;
        let stands = |level: &Level| {
            let by = level.weight - span;
            let brief = if by > d * 50 { BRIEF_US } else { FLAT_US };
            let long = (brief + holds * 2).max(filter);
            by > d * 5 && level.readings > 1 && level.at.since(level.since) >= long
        };
        let mut flat = None;
        let levels = rise.into_iter().map(|(at, weight)| {
            let now = Flat::follow(flat, Moment(at), Mass::from_ng(weight), d);
            flat = Some(now);
            now.level
        });
        levels.filter(stands).map(|level| level.weight - span).max()
    }

    /// What is lifted off, as shown, and how it fell down to the lowest that was seen of it, as far as `zero`, which
    /// the empty pan shows.
    pub fn fall(&self, zero: Mass, d: Mass) -> Option<(Mass, Course)> {
        let Fall { top, span, points } = self.falling(zero)?;
        Some((top, Course::of(&points, span, span, d.ng().max(1))))
    }

    fn falling(&self, zero: Mass) -> Option<Fall> {
        let lowest = (0..self.points.len()).min_by_key(|&i| self.points[i].1)?;
        let before = self.points.get(..=lowest)?;
        let from = (0..before.len()).max_by_key(|&i| before[i].1)?;
        let top = before[from].1;
        let fall = before[from..].iter();
        let span = (top - zero).ng();
        (span > 0).then(|| Fall {
            top,
            span,
            points: fall
                .map(|&(at, weight)| (at.0, (top - weight).ng()))
                .collect(),
        })
    }

    /// How what is at rest at `end` came onto `start`, to be held against its lift.
    pub fn came(&self, start: Mass, end: Mass, d: Mass) -> Came {
        let rise: Vec<(u64, i64)> = (self.points.iter())
            .map(|&(at, weight)| (at.0, (weight - start).ng()))
            .collect();
        let (span, step) = ((end - start).ng(), d.ng().max(1));
        Came {
            span,
            step,
            line: usual_gap(&rise).unwrap_or_default(),
            course: Course::of(&rise, span, span, step),
            last: LAST.map(|steps| until(&rise, span, step.saturating_mul(steps))),
            over: until(&rise, span, step * 3 / 2),
            rings: rise.iter().any(|&(_, w)| w - span > step * 5),
            parts: fading(&rise, span, step),
        }
    }

    /// How much of what `came` so came too late for its lift, which fell from rest to `zero`: a filter shows the one
    /// as it shows the other, and nobody pours into a lift. What a hand makes of either is left to it. `None` where
    /// the two agree, or do not tell.
    pub fn late(&self, came: &Came, zero: Mass) -> Option<Mass> {
        let Fall {
            top,
            span,
            points: fall,
        } = self.falling(zero)?;
        let (whole, step) = (came.span, came.step);
        let near = |a: Mass, b: Mass| (a - b).abs().ng() <= step * 3;
        let rested = (self.points.iter()).filter(|&&(_, weight)| near(weight, zero));
        // A hand that pressed on it before it lifted it made another course.
        let from_rest = self.start().is_some_and(|start| near(start, top));
        // Nor does a course that was read seldom, or with gaps, tell.
        let read =
            came.line < SLOW_LINE_US && fall.windows(2).all(|p| p[1].0 - p[0].0 <= came.line * 3);
        if came.rings || !from_rest || !read || rested.count() < 3 {
            return None;
        }
        let by_share = came.course.beside(&Course::of(&fall, span, span, step))?;
        let later = came.fades_later(&fading(&fall, span, step));
        if longer(by_share[QUICK]?, QUICK_US) {
            // The hand was slow: the rest tells of it, and not of the filter, but where that fades by one law.
            return later.map(Mass::from_ng);
        }
        // A mean takes as long for each share of a load; what averages near its rest, for the grams that are still to go.
        let by_grams = came.course.beside(&Course::of(&fall, span, whole, step))?;
        let late = |&i: &usize| {
            let both = [by_share[i], by_grams[i]];
            both.map(|took| took.is_some_and(|took| longer(took, SET_DOWN_US))) == [true; 2]
        };
        let first = (QUICK + 1..STILL.len()).find(late);
        // What came late is no more than what was still to come before that.
        let first = first.map(|i| part(whole, STILL[i - 1]));
        let fell = |level: i64| until(&fall, span, part(span, level as f64 / whole as f64));
        let (over, off) = came.over.zip(fell(step * 3 / 2)).unwrap_or_default();
        let at_the_end = |&(steps, rose): &(i64, Option<u64>)| {
            let level = step.saturating_mul(steps);
            let times = rose.zip(fell(level)).filter(|_| level <= whole / 20);
            times.is_some_and(|(rose, fell)| {
                let (rise, fall) = (over.saturating_sub(rose), off.saturating_sub(fell));
                rise > fall + LINGERS_US + came.line / 2 && rise * 10 > fall * 17
            })
        };
        let mut ends = LAST.into_iter().zip(came.last);
        let end = ends.find(at_the_end).map(|(steps, _)| step * steps);
        first.max(end).or(later).map(Mass::from_ng)
    }

    /// What lay on the pan for a while as the rest of the load left, and left after it, on a scale too slow to come to rest
    /// between: its fall to `zero` fades ever more slowly, as towards a weight above that, and then as swiftly as before. No
    /// filter shows one load so, nor does a hand that has let go.
    pub fn stayed(&self, zero: Mass, d: Mass) -> Option<Mass> {
        let Fall { span, points, .. } = self.falling(zero)?;
        let (line, step) = (usual_gap(&points)? as f64, d.ng().max(1));
        let there = |&(_, weight): &(Moment, Mass)| (weight - zero).abs() <= d * 3;
        let again = points.windows(2).any(|p| p[0].1 - p[1].1 > step * 5);
        if again || !self.points.last().is_some_and(there) {
            // It was set down again in between, or this is another change.
            return None;
        }
        let levels = std::iter::successors(Some(span), |level| Some(part(*level, FADES_BY)));
        let levels = levels.skip(1).take_while(|level| *level >= step * 10);
        let reached = levels.map_while(|level| Some((until(&points, span, level)?, level)));
        let reached: Vec<(u64, i64)> = reached.collect();
        // The time constant of each part, and where it is.
        let fading = |p: &[(u64, i64)]| {
            let took = p[1].0.saturating_sub(p[0].0) as f64;
            (took / -FADES_BY.ln(), (p[0].1 + p[1].1) as f64 / 2.0)
        };
        let parts: Vec<(f64, f64)> = reached.windows(2).map(fading).collect();
        let least = |parts: &[(f64, f64)]| parts.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
        let stayed = (1..parts.len().saturating_sub(1)).filter_map(|i| {
            let (slow, level) = parts[i];
            let (before, after) = (least(&parts[..i]), least(&parts[i + 1..]));
            let unsure = step as f64 * 2.0 / level / -FADES_BY.ln();
            // Between few lines a hand that hesitates looks so.
            let more = match after >= line * 3.0 {
                true => line / 2.0,
                false => line * 5.0 + HESITATES_US,
            };
            let slows = slow > before * (1.05 + unsure) + more / 2.0;
            let then_swift = slow > after * (1.15 + unsure) + more;
            (slows && then_swift).then(|| level * (1.0 - after / slow))
        });
        let stayed = stayed.reduce(f64::max)?;
        Some(Mass::from_ng(stayed as i64)).filter(|_| stayed < span as f64 * 0.4)
    }
}

/// What was lifted off, as shown and in nanograms above the empty pan, and by how much it had fallen when.
struct Fall {
    top: Mass,
    span: i64,
    points: Vec<(u64, i64)>,
}

/// How a load came, to be held against its lift ([`Trace::late`]). Times in microseconds; in nanograms what came, and a
/// step of the scale.
#[derive(Debug, Clone)]
pub struct Came {
    span: i64,
    step: i64,
    /// Between two lines.
    line: u64,
    course: Course,
    /// Until when more than [`LAST`] steps of it were still to come.
    last: [Option<u64>; LAST.len()],
    /// Until when it was more than a step and a half.
    over: Option<u64>,
    /// It went beyond its end: how such a scale swings depends on its load.
    rings: bool,
    parts: Vec<Part>,
}

impl Came {
    /// What was still to come of it, in nanograms, where it began to fade more slowly than its lift `fell`, on a scale of
    /// first order: from the half on no hand has part in either.
    fn fades_later(&self, fell: &[Part]) -> Option<i64> {
        let line = self.line as f64;
        let even = evenly(fell, line)?;
        let unsure = fell.iter().map(|part| part.unsure).fold(0.0, f64::max);
        let half = |parts: &[Part]| Some(parts.get(HALF)?.reached - parts.first()?.reached);
        let (came, went) = half(&self.parts).zip(half(fell))?;
        let later = |part: &Part| part.constant > even * (1.05 + part.unsure + unsure) + line / 4.0;
        let first = (HALF + 1..self.parts.len()).find(|&i| later(&self.parts[i]));
        // Nor was the hand slower than the filter.
        let first = first.filter(|_| came >= SET_DOWN_US / 2 && came <= went + SET_DOWN_US / 2);
        first.map(|i| part(self.span, FADES[i - 1]))
    }

    /// Whether it came to this.
    pub fn is_of(&self, start: Mass, end: Mass) -> bool {
        ((end - start).ng() - self.span).abs() <= self.step * 5
    }
}

/// Until when more than `level` of `span` was still to come: microseconds, between readings by proportion.
fn until(points: &[(u64, i64)], span: i64, level: i64) -> Option<u64> {
    let before = points.iter().rposition(|&(_, w)| span - w > level)?;
    let (&(t0, w0), &(t1, w1)) = (points.get(before)?, points.get(before + 1)?);
    let part = (span - w0 - level) as f64 / (w1 - w0).max(1) as f64;
    Some(t0 + ((t1 - t0) as f64 * part) as u64)
}

fn part(span: i64, share: f64) -> i64 {
    (span as f64 * share) as i64
}

/// When so much of a change was still to come, and no more again: microseconds, for the shares [`STILL`]; where
/// that is at least eight steps, and was seen.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Course([Option<u64>; STILL.len()]);

impl Course {
    /// Of a change by `span`, at the shares of `whole`.
    fn of(rise: &[(u64, i64)], span: i64, whole: i64, step: i64) -> Course {
        Course(STILL.map(|share| {
            let level = part(whole, share);
            (level >= step * 8).then(|| until(rise, span, level))?
        }))
    }

    /// How long it and `fall` took from the first of [`STILL`] to each, where both were seen there.
    fn beside(&self, fall: &Course) -> Option<[Option<(u64, u64)>; STILL.len()]> {
        let (began, fell) = self.0[0].zip(fall.0[0])?;
        let since =
            |(rise, fall): (u64, u64)| (rise.saturating_sub(began), fall.saturating_sub(fell));
        Some(std::array::from_fn(|i| self.0[i].zip(fall.0[i]).map(since)))
    }

    /// Whether it took no longer than the fall of the same load did, as far as that was seen: at least until no
    /// more than `deep` of it was still to go. Nobody pours into a lift; a hand makes either a little longer.
    fn is_no_longer_than(&self, fall: &Course, deep: f64) -> bool {
        let Some(beside) = self.beside(fall) else {
            return false;
        };
        let mut seen = false;
        for (share, took) in STILL.iter().zip(beside).skip(1) {
            let Some(took) = took else {
                break;
            };
            if longer(took, HANDS_US) {
                return false;
            }
            seen |= *share <= deep;
        }
        seen
    }
}

/// The shares of a change that are still to come between which it is to fade evenly; from the fourth on, a half, a hand
/// has set down what it holds.
const FADES: [f64; 10] = [0.97, 0.9, 0.75, 0.5, 0.35, 0.25, 0.15, 0.07, 0.03, 0.015];
const BEGUN: usize = 1;
const HALF: usize = 3;
/// 0.2 s.
const FADING_US: f64 = 200_000.0;

/// Whether it fades as a load does that is set down at once on a scale with a slow filter of first order. From the half on
/// each part of what is still to come takes as long for its share; before it none takes longer than the one before, as it
/// does where a hand is still in it: what speeds up again is another load. And a hand takes no longer than it needs; a
/// pour goes on at its own rate and stops. (A second stage of the filter looks as a scoop does that comes soon after.)
/// Gives by how much later than at once its half came, in seconds: half of what the hand took.
fn fades_evenly(rise: &[(u64, i64)], span: i64, step: i64) -> Option<f64> {
    let &(touched, _) = rise.first()?;
    let line = usual_gap(rise).unwrap_or_default() as f64;
    let parts = fading(rise, span, step);
    let took = |i: usize| parts[i].reached.saturating_sub(touched) as f64;
    let even = evenly(&parts, line)?;
    // Of what comes within a line nobody sees how.
    let once_more = |i: usize| {
        let (one, next) = (&parts[i - 1], &parts[i]);
        took(i) > line * 1.5 && next.constant > one.constant * (1.01 + next.unsure) + line / 8.0
    };
    let by_itself = |i: usize| even * (1.0 / FADES[i]).ln();
    let fades = !speeds_up_again(rise, line, FADING_US, step)
        && !(1..parts.len()).any(once_more)
        && took(BEGUN) <= by_itself(BEGUN) * 1.5 + SET_DOWN_US as f64;
    fades.then(|| (took(HALF) - by_itself(HALF) * 1.03) / 1e6)
}

/// A part of a change, from one of [`FADES`] to the next.
#[derive(Debug, Clone, Copy)]
struct Part {
    /// When no more was still to come: microseconds.
    reached: u64,
    /// How long it took for its share, in microseconds: the time constant of a filter of first order.
    constant: f64,
    /// By what part of that two steps would change it.
    unsure: f64,
}

/// The parts of a change, as far as at least twenty steps were still to come.
fn fading(rise: &[(u64, i64)], span: i64, step: i64) -> Vec<Part> {
    let mut at = (rise.first().map_or(0, |&(at, _)| at), 1.0);
    let mut parts = Vec::with_capacity(FADES.len());
    for share in FADES {
        let level = part(span, share);
        let reached = until(rise, span, level).filter(|_| level >= step * 20);
        let Some(reached) = reached else {
            break;
        };
        let by = f64::ln(at.1 / share);
        parts.push(Part {
            reached,
            constant: reached.saturating_sub(at.0) as f64 / by,
            unsure: step as f64 * 2.0 / level as f64 / by,
        });
        at = (reached, share);
    }
    parts
}

/// The time constant by which all parts fade from the half on, where it is one.
fn evenly(parts: &[Part], line: f64) -> Option<f64> {
    let fading = parts.get(HALF + 1..).filter(|fading| fading.len() >= 2)?;
    let even = fading[0].constant;
    let is_even =
        |part: &Part| (part.constant - even).abs() <= even * (0.03 + part.unsure) + line / 8.0;
    fading.iter().all(is_even).then_some(even)
}

/// Where lines are further apart than this, no two parts of a second are told apart: 0.25 s.
pub(super) const DENSE_US: u64 = 250_000;

/// No hand pours so much at an even rate, and begins and ends it at once: 5 g/s, in nanograms a microsecond.
const STREAM: f64 = 5_000.0;

/// Whether it comes at one rate, to half a hundredth of its time, and its two ends take no longer than a hand makes them: a mean
/// over a while shows one load so. No hand pours so much so evenly, and with such ends.
fn comes_evenly(rise: &[(u64, i64)], span: i64, step: i64) -> bool {
    let line = usual_gap(rise).unwrap_or_default();
    let came = |share: f64| until(rise, span, part(span, 1.0 - share)).map(|at| at as f64);
    let (Some(from), Some(to)) = (came(0.2), came(0.8)) else {
        return false;
    };
    let whole = (to - from) / 0.6;
    let unsure = line as f64 / 8.0 + whole * step as f64 * 2.0 / span as f64;
    let is_even = |share: f64| {
        let by = came(share).map(|at| (at - from - whole * (share - 0.2)).abs());
        by.is_some_and(|by| by <= whole * 0.005 + unsure)
    };
    let hand = (SET_DOWN_US / 2 + line) as f64;
    let touched = rise.first().map(|&(at, _)| at as f64);
    let last = 1.0 - (step * 8) as f64 / span as f64;
    let ends = [
        (touched, came(0.1), 0.1),
        (came(0.9), came(last), last - 0.9),
    ];
    let is_brief = |&(from, to, share): &(Option<f64>, Option<f64>, f64)| {
        from.zip(to)
            .is_some_and(|(from, to)| to - from <= whole * share + hand)
    };
    line <= DENSE_US
        && span as f64 >= whole * STREAM
        && [0.3, 0.4, 0.5, 0.6, 0.7].into_iter().all(is_even)
        && ends.iter().all(is_brief)
}

/// From part to part of an end that [`settles`] so much is left.
const LEFT: f64 = 0.7;
/// A filter that averages longer near its rest takes no longer than this for an end: a time constant of 2.5 s.
const SETTLES_US: f64 = 2_500_000.0;

/// Whether it comes at once and then ever more slowly, as on a scale that follows a large change quickly and averages
/// a small one for long: once the hand has set it down no part of what is still to come takes less time for its share
/// than the one before. A pour goes on at its own rate and stops, so its last parts take ever less, and what begins a
/// moment later leaves a pause. (A mixture of fadings is convex in the logarithm, whatever it is made of.)
fn settles(rise: &[(u64, i64)], span: i64, step: i64) -> Option<f64> {
    let line = usual_gap(rise).unwrap_or_default() as f64;
    let touched = rise.first().map_or(0, |&(at, _)| at);
    let still = |w: i64| (span - w) as f64;
    let mut end = rise
        .iter()
        .skip_while(|&&(at, _)| at < touched + SET_DOWN_US);
    let &(mut from, w) = end.next()?;
    let mut left = still(w);
    // A hand that presses makes it swing: only what goes beyond the highest so far is more load.
    let speeds_up = || {
        speeds_up_again(rise, line, FADING_US, step)
            || speeds_up_again(&highest(rise), line, line, step)
    };
    if left > span as f64 * 0.3 || speeds_up() {
        return None;
    }
    // How long each part takes for its share, by the readings alone, by what part a step or two would change that, and
    // how much was left before it.
    let mut parts: Vec<(f64, f64, f64)> = Vec::new();
    for &(at, w) in end {
        let now = still(w);
        if now < step as f64 * 10.0 {
            break;
        }
        if now <= left * LEFT {
            let share = (left / now).ln();
            let unsure = step as f64 * 2.0 / now / share;
            parts.push(((at - from) as f64 / share, unsure, left));
            (from, left) = (at, now);
        }
    }
    let &(slowest, ..) = parts.last()?;
    // What is slow at last is seen for long enough to be told from a few drops.
    let slow = parts.iter().find(|part| part.0 >= slowest * 0.7)?;
    let slower = |pair: &[(f64, f64, f64)]| pair[1].0 >= pair[0].0 * (0.95 - pair[1].1);
    let settles = slow.2 >= left * 3.0 && slowest <= SETTLES_US && parts.windows(2).all(slower);
    settles.then_some(slowest / 1e6)
}

/// Whether a rise that had slowed down by a sixth speeds up again by as much, over stretches of so many microseconds.
fn speeds_up_again(rise: &[(u64, i64)], line: f64, stretch: f64, step: i64) -> bool {
    let lines = (stretch / line.max(1.0)).ceil().max(1.0) as usize;
    let ends = rise.iter().zip(rise.get(lines..).unwrap_or_default());
    let rates = ends.map(|(from, to)| {
        let took = to.0.saturating_sub(from.0).max(1) as f64;
        ((to.1 - from.1) as f64 / took, step as f64 * 3.0 / took)
    });
    let (mut most, mut least) = (0.0_f64, f64::INFINITY);
    for (rate, noise) in rates {
        most = most.max(rate);
        if rate < most * 5.0 / 6.0 - noise {
            least = least.min(rate);
        }
        if rate > least.max(0.0) * 1.17 + noise * 2.0 {
            return true;
        }
    }
    false
}

/// Whether the first took longer than the second does by itself, and a `hand` makes it.
fn longer((rise, fall): (u64, u64), hand: u64) -> bool {
    rise > fall + fall * 3 / 20 + hand
}

/// Seconds from 10 % to 90 % of the span, between readings by proportion.
fn between(rise: &[(u64, i64)], span: i64) -> f64 {
    let crossing = |share: f64| {
        let level = span as f64 * share;
        let after = rise.iter().position(|&(_, w)| w as f64 >= level)?;
        let (t1, w1) = rise.get(after).map(|&(t, w)| (t as f64, w as f64))?;
        let Some((t0, w0)) = after
            .checked_sub(1)
            .and_then(|i| rise.get(i))
            .map(|&(t, w)| (t as f64, w as f64))
        else {
            return Some(t1);
        };
        Some(t0 + (t1 - t0) * ((level - w0) / (w1 - w0)))
    };
    match (crossing(0.1), crossing(0.9)) {
        (Some(a), Some(b)) => (b - a) / 1e6,
        (None, _) | (_, None) => 0.0,
    }
}

/// The mean time by which the last `part` of the load arrived, in seconds: the area under what is
/// still missing, divided by the most that was missing then. For a first-order filter that is its
/// time constant, for a steady pour half of its duration. Nothing where no more than two steps are missing:
/// that flickers.
fn mean_arrival(points: &[(u64, i64)], span: i64, part: i64, step: i64) -> f64 {
    let first = points
        .iter()
        .rposition(|&(_, w)| span - w > part)
        .map_or(0, |i| i + 1);
    // What has come to its end, and has been within a step of it for long since, flickers for as long as one looks.
    let near = points.iter().rposition(|&(_, w)| span - w > step);
    let near = near.map_or(0, |i| i + 1);
    let come = (near..points.len()).find(|&i| points[i].1 >= span);
    let long = |&i: &usize| points[points.len() - 1].0 - points[i].0 > FLICKERS_US;
    let last = come.filter(long).map_or(points.len(), |i| i + 1);
    // From the reading before, so that a part that came between two readings is not lost.
    let tail = points.get(first..last).unwrap_or_default();
    let Some(&(_, w0)) = tail.first() else {
        return 0.0;
    };
    let missing = |w: i64| (span - w).max(0) as f64;
    // A load that swings comes by its end, and goes below it once more: its largest miss counts, not
    // the one that happened to be read as it came by.
    let most = tail.iter().map(|&(_, w)| missing(w)).fold(0.0, f64::max);
    if missing(w0) <= 0.0 || most <= 2.0 * step as f64 {
        return 0.0;
    }
    let area: f64 = tail
        .windows(2)
        .map(|p| (missing(p[0].1) + missing(p[1].1)) / 2.0 * (p[1].0 - p[0].0) as f64 / 1e6)
        .sum();
    area / most
}

/// By how much a stretch rose more than an earlier one of the same length did, once the hand had set
/// the vessel down.
fn second(rise: &[(u64, i64)], span: i64, swift: f64, step: i64) -> i64 {
    let Some(&(touched, _)) = rise.first() else {
        return 0;
    };
    // A bump swings; only what goes beyond the highest so far is more load.
    let mut tops = renewed(highest(rise));
    tops.retain(|&(at, _)| at - touched >= SET_DOWN_US);
    let Some(tick) = usual_gap(&tops) else {
        return 0;
    };
    let tick = tick.max(1);
    let stretch = STRETCH_US.max((swift * 5e5) as u64);
    // A scoop through a fast filter is over within an interval; through a slow one it takes a stretch.
    let lengths = [1, (stretch / tick).max(1) as usize];
    let few = swift * 1e6 < FEW * tick as f64;
    let uneven = if few { COARSE } else { UNEVEN };
    let most = lengths.map(|n| speeding_up(&tops, tick, n, span, step, uneven));
    most.into_iter().max().unwrap_or_default()
}

/// How high it was so far, at each reading.
fn highest(rise: &[(u64, i64)]) -> Vec<(u64, i64)> {
    let mut high = i64::MIN;
    let so_far = |&(at, w): &(u64, i64)| {
        high = high.max(w);
        (at, high)
    };
    rise.iter().map(so_far).collect()
}

/// The median of the times between two readings.
fn usual_gap(points: &[(u64, i64)]) -> Option<u64> {
    let mut gaps: Vec<u64> = points.windows(2).map(|p| p[1].0 - p[0].0).collect();
    gaps.sort_unstable();
    gaps.get(gaps.len() / 2).copied()
}

/// The readings of a scale that sends lines more often than it has a new weight, without those that say the last one
/// again: such a one is no pause. Told by a rise that was never new twice within one and a half lines: by this one alone,
/// where what a display was seen to hold ([`super::sends::Sends::holds`]) is of the ones before it as well.
fn renewed(tops: Vec<(u64, i64)>) -> Vec<(u64, i64)> {
    let new: Vec<u64> = (tops.windows(2).filter(|p| p[1].1 > p[0].1))
        .map(|p| p[1].0)
        .collect();
    let held = new.windows(2).map(|at| at[1] - at[0]).min();
    let (Some(line), Some(held)) = (usual_gap(&tops), held) else {
        return tops;
    };
    // Two loads on a swift scale are new twice, with a pause between.
    if new.len() <= FEWEST_NEW || held * 2 < line * 3 {
        return tops;
    }
    let mut kept: Vec<(u64, i64)> = Vec::with_capacity(tops.len());
    for (at, top) in tops {
        let again = |&(last, same): &(u64, i64)| same == top && at - last < held;
        if !kept.last().is_some_and(again) {
            kept.push((at, top));
        }
    }
    kept
}

/// The most that a stretch of `n` intervals rose more than an earlier one, once it had slowed down: a
/// filter of two stages speeds up by itself, up to a quarter of the load (at its own time 1 − 2/e of it has
/// come); a pour does so for as long as it likes.
/// `uneven`: by what share it is so at full speed.
fn speeding_up(tops: &[(u64, i64)], tick: u64, n: usize, span: i64, step: i64, uneven: f64) -> i64 {
    // By whole intervals and by the clock: nobody knows whether a line that came late was late, or shows a later
    // weight. The line's own jitter is no speed: a rise is no more than either says, the one before it no less.
    let rises: Vec<(f64, f64)> = (n..tops.len())
        .map(|j| {
            let (from, to) = (tops[j - n], tops[j]);
            let ticks = (to.0 - from.0) as f64 / tick as f64;
            let whole = (to.1 - from.1) as f64 * n as f64 / ticks.round().max(1.0);
            let timed = (to.1 - from.1) as f64 * n as f64 / ticks.max(0.5);
            (whole.min(timed), whole.max(timed))
        })
        .collect();
    let slowed = |top: f64| top - UNEVEN * top - 2.0 * step as f64;
    let mut top: f64 = 0.0;
    let mut least = f64::INFINITY;
    let mut most: f64 = 0.0;
    for (j, &(now, _)) in rises.iter().enumerate() {
        if let Some(&(_, earlier)) = j.checked_sub(n).and_then(|i| rises.get(i)) {
            top = top.max(earlier);
            let by_itself = (tops[j].1 as f64) < SPEEDS_UP * span as f64;
            if least.is_finite() || earlier < slowed(top) || !by_itself {
                least = least.min(earlier);
            }
        }
        let at_speed = least >= 0.9 * top;
        let uneven = if at_speed { uneven } else { UNEVEN };
        most = most.max(now - least - uneven * now.max(least));
    }
    most as i64
}

/// How a load came or went.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shape {
    pub course: Course,
    /// Mean arrival time of all of it since the first touch, in seconds.
    pub body: f64,
    /// The longest mean arrival time among the late parts.
    pub tail: f64,
    /// Seconds from 10 to 90 %.
    pub swift: f64,
    /// Readings between the start and within 5 d of the end.
    pub on_the_way: u32,
    /// More came between two readings than a hand pours.
    pub leapt: bool,
    /// How far it went beyond its end.
    pub beyond: Mass,
    /// What came with a second arrival, as far as it can be seen; noise makes a step or two of it.
    pub second: Mass,
    /// It fades as one load does on a slow scale, and no pour; so much later its half came than at once: seconds.
    pub fades: Option<f64>,
    /// It came at one rate from its touch to its end, as a mean over a while shows one load.
    pub even: bool,
    /// It came at once, and its end comes ever more slowly, as no pour does; at last with this time constant: seconds.
    pub settles: Option<f64>,
}

impl Shape {
    /// Whether one load, set down or lifted, makes this shape on a scale whose late part takes `tail`
    /// and whose whole takes `swift` seconds, as far as they are known.
    pub fn is_one_load(&self, tail: f64, swift: Option<f64>, d: Mass) -> bool {
        self.follows(tail)
            && !self.is_double(d)
            && self.swift <= swift.map_or(5.0, |known| known * 2.5 + 0.8)
    }

    /// Whether it fades as one load does that a hand sets down within so many seconds, on a slow scale.
    pub fn is_set_down(&self, within: f64) -> bool {
        self.fades.is_some_and(|late| late <= within / 2.0)
    }

    /// Whether a second load came: two and a half steps are more than noise.
    pub fn is_double(&self, d: Mass) -> bool {
        self.second * 2 > d * 5
    }

    /// Whether the fall of the same load shows that it came as one, though its shape spoke against that; the later
    /// the part that is doubted, the deeper the fall must have been seen.
    pub fn is_proven_by(&self, fall: &Course, d: Mass) -> bool {
        // More than the scatter of many readings did come twice.
        let scatter = self.second <= d * 5;
        let deep = match (self.follows(0.0), self.is_double(d)) {
            (false, _) => 0.03,
            (true, true) => 0.3,
            (true, false) => 0.8,
        };
        scatter && self.course.is_no_longer_than(fall, deep)
    }

    /// Whether it can only be a pour: longer than any hand takes to set something down. Where the scale is known to take
    /// `swift` seconds for a load, what its filter adds (at most two thirds of that, whichever it is) is not the hand's.
    pub fn is_pour(&self, swift: Option<f64>) -> bool {
        let filter = swift.map(|known| known * 0.65);
        let by_hand = self.body - filter.unwrap_or_default();
        // Nothing leapt, and it came slowly; or more slowly than even what leaps on the pan comes to rest.
        (!self.leapt && self.body >= 0.9 && by_hand >= 0.45) || (filter.is_some() && by_hand >= 0.9)
    }

    /// Whether its late part is no longer than the scale's `tail` explains; where that is not known
    /// (0), than its own early part does.
    pub fn follows(&self, tail: f64) -> bool {
        // A hand that sets a vessel down slowly makes it a little longer.
        if tail > 0.0 {
            self.tail <= 1.3 * tail + 0.25
        } else {
            self.tail <= 1.3 * self.settles.map_or(self.body, |end| end.max(self.body)) + 0.15
        }
    }
}

#[cfg(test)]
pub(super) mod tests;
