//! By difference: what the pan shows while the source is off it, held against the empty pan.

use super::order::vessel_at_least;
use super::pan::{Jump, JumpCause, Observation, Sure};
use super::removed::most_gone;
use super::state::{Removed, State, Tared};
use super::steady::Level;
use super::zero::Load;
use super::{Engine, net_of, phrases};
use crate::formula::{Step, VesselWay};
use crate::language::phrase;
use crate::mass::Mass;
use crate::time::Moment;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::reading::ScaleIndex;

/// What came onto the pan beside a source is no scatter from so many d on: the record says so. She is told from as much
/// on as a vessel weighs.
const CRUMB: i64 = 10;
/// No hand that holds a source keeps it still for so long: 0.5 s.
const STOOD_US: u64 = 500_000;
/// The hand that takes hold of a source presses for less than this: 1 s.
const FILLS_US: u64 = 1_000_000;
/// A lid or a spoon beside a source weighs no more: 50 g.
const MOST_BESIDE: Mass = Mass::from_g(50);

/// How much is to come of a fall whose last three steps were these. Of a first-order filter each step is the same
/// `share` of the one before, or a greater one where it is slow at the end; a mean of some seconds falls evenly and stops.
fn fades(steps: [Mass; 3], share: f64, d: Mass) -> Option<Mass> {
    let [first, second, third] = steps;
    if third <= d || second <= third || first <= second {
        return None;
    }
    let [first, second, third] = steps.map(Mass::to_g_f64);
    let (before, now) = (second / first, third / second);
    if now > 2.0 / 3.0 || (now - before).abs() > 0.1 || now < share - 0.15 {
        return None;
    }
    Mass::from_g_f64(third * now / (1.0 - now))
}

/// What was seen of the pan since the source was last at rest on it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Trip {
    /// The source is off.
    off: bool,
    /// The reading before, how far it had fallen to that, and how far to the one before.
    last: Option<(Mass, Mass, Mass)>,
    /// What it fell to, and how far that may be off.
    low: Option<(Mass, Mass)>,
    /// The key is believed to have moved the frame by so much under the source.
    keyed: Option<Mass>,
    /// So much more than the empty pan it showed without the source, at most; the tare is unproven by that.
    beside: Mass,
    /// What seemed to be gone from the source as it was doubted for what it had gained.
    doubted: Option<Mass>,
    /// So much came while it was watched; the tare is unproven by that too.
    came: Option<Mass>,
    /// So much is gone while it stands there for a moment, be it for less than a rest.
    stands: Option<Mass>,
    /// And was, at most, as it stood there before it left again.
    stood: Option<Mass>,
    /// It stands there and shows more than at its rest: since when, until when, and how much at most.
    fills: Option<(Moment, Moment, Mass)>,
}

impl Trip {
    /// A reading without the source; `flat` where it has lasted for longer than a load takes.
    fn follow(&mut self, shown: Mass, d: Mass, flat: bool, share: Option<f64>) {
        let Some((last, fell, before)) = self.last else {
            self.last = Some((shown, Mass::ZERO, Mass::ZERO));
            return;
        };
        let falls = last - shown;
        self.last = Some((shown, falls, fell));
        let rest = if flat {
            Mass::ZERO
        } else {
            match share.and_then(|share| fades([before, fell, falls], share, d)) {
                Some(rest) => rest,
                None => return,
            }
        };
        let (to, unsure) = (shown - rest, rest + d * 2);
        let better = self
            .low
            .is_none_or(|(low, by)| unsure < by || to + unsure < low - by);
        if better {
            self.low = Some((to, unsure));
        }
    }

    /// The pan is at rest without the source; whether the key was believed to have moved the frame.
    pub fn rests(&mut self) -> bool {
        self.low = None;
        self.keyed.take().is_some()
    }
}

impl Engine {
    /// The source gave all that it can give and more: it is off, and this is what the pan shows without it.
    pub(super) fn follow_trip(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        tared: &mut Tared,
    ) {
        if step.vessel != VesselWay::Difference || tared.suspect.is_some() {
            return;
        }
        let gone = tared.tare.base - seen.weight;
        // A source may be lighter than what is to come out of it.
        let nothing = self.load(scale, seen.weight, seen.d) == Load::Nothing;
        if gone > most_gone(step, seen.d) || nothing {
            if !std::mem::replace(&mut tared.trip.off, true) {
                Self::filled_before_its_lift(tared);
            }
            tared.trip.stood = tared.trip.stood.max(tared.trip.stands.take());
            if (seen.weight - self.zero(scale)) * 4 > gone {
                // A mean of some seconds stands still half-way while the source is back already.
                return;
            }
            let pan = &self.pans[scale];
            let takes = pan.swift.map(|swift| (swift * 1.3e6) as u64);
            let flat = pan.flat().zip(takes);
            let flat = flat.is_some_and(|(flat, takes)| flat.at.since(flat.since) > takes);
            let share = pan.fall_share();
            tared.trip.follow(seen.weight, seen.d, flat, share);
            if let Some(level) = seen.steady {
                self.was_no_key_under_source(scale, level.weight, vessel_at_least(seen.d), tared);
            }
        } else {
            tared.trip.last = None;
            self.follow_fill(scale, seen, tared);
            let flat = self.pans[scale].flat();
            if let Some(flat) = flat.filter(|flat| flat.at.since(flat.since) >= STOOD_US) {
                tared.trip.stands = Some(tared.tare.base - flat.weight);
            }
            if std::mem::take(&mut tared.trip.off) {
                self.amount_is_unknown(tared);
            }
        }
    }

    /// A source gains nothing: what it shows more than at its rest for longer than a hand takes hold of it was put into
    /// it, or leans on it.
    fn follow_fill(&mut self, scale: ScaleIndex, seen: &Observation, tared: &mut Tared) {
        let Some(rest) = tared.content.rest else {
            return;
        };
        let more = seen.weight - (tared.tare.base - rest);
        let strays = seen.d * CRUMB + self.pans[scale].wander.amount(seen.d);
        let fills = tared.trip.fills.take().filter(|_| more > strays);
        tared.trip.fills = match fills {
            Some((since, _, most)) => Some((since, seen.at, most.max(more))),
            None => (more > strays).then_some((seen.at, seen.at, more)),
        };
    }

    /// It left before it was at rest with that: how much it was, nobody saw at rest.
    fn filled_before_its_lift(tared: &mut Tared) {
        let fills = tared.trip.fills.take();
        if let Some((since, until, most)) = fills
            && until.since(since) >= FILLS_US
        {
            tared.tare.unproven += most;
        }
    }

    /// The source is back: the pan without it showed the zero that is believed, or something lies there, or what was
    /// taken for the key was none.
    pub(super) fn trip_is_over(&mut self, scale: ScaleIndex, d: Mass, tared: &mut Tared) {
        let Some((low, unsure)) = tared.trip.low.take() else {
            return;
        };
        let least = vessel_at_least(d) + unsure;
        self.was_no_key_under_source(scale, low, least, tared);
        tared.trip.keyed = None;
        // Less than the empty pan showed: what was on it, or leaned on it, as the source was tared, is gone.
        let above = (low - self.zero(scale)).abs();
        let more = above - tared.trip.beside;
        let strays = d * CRUMB + unsure + self.pans[scale].wander.amount(d);
        if above <= strays || more <= strays {
            return;
        }
        // Once it is off again, nothing tells whether it was there when the source was tared.
        tared.trip.beside = above;
        tared.tare.unproven += more;
        if more > least && low > self.zero(scale) {
            self.say_it_lies_beside(above, d);
        }
    }

    /// The empty pan shows what it did before the jump that was taken for the key: she put back what was gone.
    fn was_no_key_under_source(
        &mut self,
        scale: ScaleIndex,
        shown: Mass,
        least: Mass,
        tared: &mut Tared,
    ) {
        let above = shown - self.zero(scale);
        let was_none = |shift: &mut Mass| {
            let other = (above + *shift).abs();
            other <= least && other < above.abs()
        };
        if let Some(shift) = tared.trip.keyed.take_if(was_none) {
            tared.tare.base -= shift;
            self.shift_zero(scale, -shift, Sure::Guessed);
        }
    }

    /// Zero at once, where the source stood with some of it gone: nobody puts back so fast just what was taken. The
    /// empty pan has the last word.
    pub(super) fn keyed_under_source(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        tared: &mut Tared,
    ) -> bool {
        let may_be = |jump: Jump| matches!(jump.cause, JumpCause::Slight | JumpCause::Unknown);
        let Some(before) = seen.before.filter(|_| seen.was_still) else {
            return false;
        };
        let shift = seen.weight - before;
        // A hand that puts back does not hit zero to the step.
        let least = match seen.weight.abs() <= seen.d {
            true => seen.d * 5,
            false => vessel_at_least(seen.d),
        };
        let keyed = seen.weight.abs() <= seen.d * 10
            && shift > least
            && tared.tare.base - before <= most_gone(step, seen.d)
            && seen.jump.is_none_or(may_be)
            && tared.suspect.is_none();
        if !keyed {
            return false;
        }
        tared.tare.base += shift;
        tared.tare.carried += 2;
        // From a rest to exactly zero: if it was the key, it moved the empty pan by just as much.
        self.shift_zero(scale, shift, Sure::Flat);
        let before = tared.trip.keyed.unwrap_or_default();
        tared.trip.keyed = Some(before + shift);
        true
    }

    /// More than could be taken from the source is gone, and what shows is no source: it was lifted, and
    /// something else lies on the pan.
    pub(super) fn lies_there_alone(
        &self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        tared: &Tared,
    ) -> bool {
        let left = level.weight - self.zero(scale);
        let seen_beside = [Some(tared.trip.beside), tared.trip.came];
        let known = |beside: Mass| (left - beside).abs() <= level.d * 5;
        let known = seen_beside.into_iter().flatten().any(known);
        let net = net_of(step, tared.tare.base, level.weight);
        net > most_gone(step, level.d)
            && (net > left * 4 || known)
            && left > vessel_at_least(level.d)
    }

    /// It lay there with the source. Where nothing was taken yet it is in the tare; else it may have come since,
    /// and so much more may have been taken.
    pub(super) fn lifted_off_something(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        mut tared: Box<Tared>,
    ) -> State {
        let lies = level.weight - self.zero(scale);
        if tared.content.poured {
            tared.tare.unproven += lies;
        }
        tared.tare.vessel = Some(tared.tare.base - level.weight);
        self.see_zero(scale, level.weight);
        let state = self.vessel_removed(Removed::new(tared));
        self.say_it_lies_beside(lies, level.d);
        state
    }

    /// Whether the source that came to rest is heavier than before by more than lies beside one: what it rested as came by
    /// a key in its landing, and no word helps who sees nothing there. Once lifted and back it is no key.
    pub(super) fn gained_by_a_key(
        &self,
        step: &Step,
        net: Mass,
        d: Mass,
        tared: &mut Tared,
    ) -> bool {
        let before = tared.content.rest.unwrap_or_default();
        let by_difference = step.vessel == VesselWay::Difference && tared.suspect.is_none();
        let gained = by_difference && before - net > MOST_BESIDE && before <= step.highest;
        let seen = |doubted: Mass| (doubted - net).abs() <= vessel_at_least(d);
        let by_a_key = gained && !tared.trip.doubted.is_some_and(seen);
        if by_a_key {
            tared.trip.doubted = Some(net);
        }
        by_a_key
    }

    /// A source gains nothing, and of no more than was asked for nobody puts back: what it is heavier by since it was
    /// at rest came onto the pan, or into it. What goes again in one piece had come so.
    pub(super) fn source_gained(
        &mut self,
        step: &Step,
        before: Option<Mass>,
        net: Mass,
        d: Mass,
        tared: &mut Tared,
    ) {
        tared.trip.stands = None;
        let stood = tared.trip.stood.take();
        let Some(before) = before.filter(|_| step.vessel == VesselWay::Difference) else {
            return;
        };
        // On a slow scale she goes on before it rests.
        let before = stood.map_or(before, |stood| stood.max(before));
        let gained = before - net;
        let gone = |came: &mut Mass| (gained + *came).abs() <= d * 5;
        if let Some(came) = tared.trip.came.take_if(gone) {
            tared.tare.unproven -= came;
            return;
        }
        let window = self.window(step, d, tared.tare.carried);
        let strays = d * CRUMB + self.pans[step.scale].wander.amount(d);
        if gained <= strays || before > window.high {
            return;
        }
        tared.trip.came = Some(gained);
        tared.tare.unproven += gained;
        if gained > vessel_at_least(d) {
            self.say_it_lies_beside(gained, d);
        }
    }

    fn say_it_lies_beside(&mut self, lies: Mass, d: Mass) {
        let grams = phrases::grams(lies, d);
        let say = phrase!(
            "{grams} g lie on the scale beside the source. Take that off.",
            grams
        );
        self.tell_beside(say, CueKind::Fault, &[]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A first-order filter falls from line to line by the same share each time: what is to come is the sum of the rest
    /// of a geometric series. In steps of 0.01 g.
    #[test]
    fn what_fades_by_a_share_has_the_rest_of_its_series_to_come() {
        let d = Mass::from_mg(10);
        for (fell, share, rest) in [
            ([400, 200, 100], 0.5, Some(100)),
            ([400, 200, 100], 0.65, Some(100)),
            // Of each step no more than two thirds of the one before; slower it is no filter.
            ([450, 300, 200], 0.6, Some(400)),
            ([450, 302, 203], 0.6, None),
            // The steps agree, and are no smaller than what is known of the scale by much.
            ([400, 100, 50], 0.5, None),
            ([400, 200, 100], 0.66, None),
            // The first touch; a mean, which falls evenly; what speeds up; a step that flickers.
            ([0, 200, 100], 0.5, None),
            ([200, 200, 100], 0.5, None),
            ([300, 200, 200], 0.5, None),
            ([400, 200, 300], 0.5, None),
            ([8, 4, 2], 0.5, Some(2)),
            ([4, 2, 1], 0.5, None),
        ] {
            let told = fades(fell.map(|steps| d * steps), share, d);
            let told = told.map(|rest| rest.round_to(d));
            assert_eq!(told, rest.map(|steps| d * steps), "{fell:?} {share}");
        }
    }
}
