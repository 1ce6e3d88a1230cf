//! A vessel with a known tare.

use super::order::vessel_at_least;
use super::pan::{JumpCause, Observation};
use super::state::{Disturbed, Faded, Removed, State, Tared};
use super::steady::Level;
use super::zero::{Load, shows_zero};
use super::{Engine, net_of, phrases};
use crate::formula::{Step, VesselWay};
use crate::language::remark;
use crate::mass::Mass;
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::reading::ScaleIndex;

/// So many drops in a row that fade are no draught.
const FADES: u32 = 3;
/// That it is so is heard with whatever is said in 10 s.
const TOLD_US: u64 = 10_000_000;

impl Engine {
    pub(super) fn in_tared(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        mut tared: Box<Tared>,
    ) -> State {
        if seen.after_gap && !self.same_after_gap(scale, seen, step, &mut tared) {
            return self.doubt_the_frame(scale, step, tared);
        }
        let pours = step.vessel != VesselWay::Difference;
        self.follow_trip(scale, seen, step, &mut tared);
        if !pours && self.keyed_under_source(scale, seen, step, &mut tared) {
            return State::Tared(tared);
        }
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            return self.jump_under_vessel(scale, seen, step, tared, jump);
        }
        let at_once = self.pans[scale].is_slower_than_a_line();
        let fell = pours.then(|| tared.fell_and_goes_on(seen, at_once));
        let fell = fell.flatten();
        if let Some(by) = fell {
            // Nobody took so much out at once, and a vessel that is lifted does not gain: it was the key.
            tared.suspected(self.zero(scale), step.vessel, false);
            tared.tare.base -= by;
        } else if pours && (seen.jump.is_some() || seen.may_be_key() || seen.leaps_to_zero()) {
            // The key takes nothing out of the vessel: so much is guessed until it is proven.
            tared.suspected(self.zero(scale), step.vessel, false);
            tared.tare.base += seen.weight - seen.before.unwrap_or(seen.weight);
        }
        if tared.suspect.is_some() {
            if let Some(state) = self.follow_suspect(scale, seen, step, &mut tared) {
                return state;
            }
        } else if let Some(state) = self.was_lifted(scale, seen, step, &mut tared) {
            return state;
        }
        self.came_unasked(scale, seen, step, &mut tared);
        if pours && !tared.content.poured {
            self.watch_fading(seen, step, &mut tared);
        }
        self.watch_disturbed(scale, seen, step, &mut tared);
        match seen.steady {
            Some(level) if tared.disturbed.is_some() && tared.suspect.is_none() => {
                self.rest_after_disturbance(scale, level, step, tared)
            }
            Some(level) => self.at_rest(scale, level, step, tared),
            None => self.moving(seen, step, tared),
        }
    }

    /// Whether the vessel left the pan, the frame being sure.
    fn was_lifted(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        tared: &mut Tared,
    ) -> Option<State> {
        let known_zero = self.pans[scale].zero.is_some();
        let zero = self.zero(scale);
        match self.load(scale, seen.weight, seen.d) {
            Load::Nothing if known_zero && tared.tare.base - zero > vessel_at_least(seen.d) => {
                if !seen.plateau {
                    return None;
                }
                let replaced = tared.disturbed.take().is_some_and(|was| was.replaced);
                if replaced {
                    // Another vessel stood there since, never at rest, and may come back.
                    self.suspect(super::state::Why::Unseen);
                }
                Some(self.vessel_removed(Removed {
                    replaced,
                    ..Removed::new(Box::new(*tared))
                }))
            }
            Load::BelowEmpty if seen.steady.is_some() => {
                // A key that nobody saw. What it held was read before the key, or after.
                let stood = tared.content.level.filter(|_| !tared.content.moved);
                tared.suspected(zero, step.vessel, !tared.content.poured);
                if let Some(suspect) = tared.suspect.as_mut() {
                    suspect.since.level = stood;
                }
                self.follow_suspect(scale, seen, step, tared)
            }
            Load::Nothing | Load::BelowEmpty | Load::Something => None,
        }
    }

    /// Drops that fade are in the vessel all the same; who only hears how much is to be added goes on without end.
    fn watch_fading(&mut self, seen: &Observation, step: &Step, tared: &mut Tared) {
        let d = seen.d.max(tared.tare.d);
        if !shows_zero(tared.tare.base, seen.d) {
            // A scale follows nothing but its own zero.
            return;
        }
        let net = net_of(step, tared.tare.base, seen.weight);
        let Some(faded) = tared.content.faded.follow(seen.at, net, d) else {
            return;
        };
        tared.tare.unproven += faded;
        if tared.content.faded.times < FADES {
            return;
        }
        let by = tared.content.faded.by;
        tared.content.faded = Faded::default();
        self.note(remark!(
            "{grams} g or more came in drops and faded: the scale follows its zero",
            grams = by.grams(d)
        ));
        let afresh = self.can_begin_afresh();
        let choices: &[Choice] = if afresh { &[Choice::Again] } else { &[] };
        self.tell_beside(phrases::faded(step, by, d, afresh), CueKind::Fault, choices);
        // The weight to add changes with each drop, and is no answer to this.
        self.told_for(TOLD_US);
    }

    /// A vessel snatched off and another set down in the same breath never lets the pan show empty.
    fn watch_disturbed(
        &self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        tared: &mut Tared,
    ) {
        let least = vessel_at_least(seen.d);
        let below = tared.tare.base - seen.weight;
        if tared.disturbed.is_none() && below <= least && seen.peak - seen.weight <= least {
            // It fell by no more than a crumb.
            return;
        }
        let vessel = tared.tare.base - self.zero(scale);
        let gone = below > least && below > vessel.ratio(2, 5);
        // A number without a unit that drops within one reading may be the UNIT key.
        let believed = seen.unit_known
            || seen
                .before
                .is_some_and(|before| before - seen.weight < vessel.ratio(3, 5));
        // Most of all that stood there, at once: no spoon takes that. What only pressed on it never stood there.
        let in_it = tared
            .content
            .stayed
            .most
            .max(tared.content.rest.unwrap_or_default());
        let stood = seen
            .peak
            .min(tared.tare.base + in_it.max(Mass::ZERO) + seen.pourable * 5);
        let fell = stood - seen.weight;
        let most = || (stood - self.zero(scale)).ratio(3, 5);
        let lifts = fell > least
            && fell > most().max(vessel.ratio(2, 5))
            && seen.unit_known
            && !tared.was_asked_out();
        if (gone || lifts)
            && believed
            && step.vessel != VesselWay::Difference
            && tared.suspect.is_none()
            && tared.disturbed.is_none()
        {
            tared.disturbed = Some(Disturbed {
                poured: tared.content.poured,
                replaced: false,
                held: tared.seen_in_it(),
            });
        } else if let Some(disturbed) = &mut tared.disturbed {
            disturbed.replaced |= seen
                .before
                .is_some_and(|before| seen.weight - before > least);
        }
    }

    /// At rest after most of the vessel's weight had been off: the same weight as before is the same
    /// vessel, anything else is looked at as if it had just come.
    fn rest_after_disturbance(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        mut tared: Box<Tared>,
    ) -> State {
        let expected = tared.shown_at_rest(step.vessel);
        let poured_before = tared.disturbed.take().is_some_and(|was| was.poured);
        let net = net_of(step, tared.tare.base, level.weight);
        if tared.holds_less_as_asked(step, net)
            || self.pans[scale].same(level.weight, expected, level.d)
        {
            self.at_rest(scale, level, step, tared)
        } else if poured_before || tared.content.rest.is_some_and(|net| net > level.d * 5) {
            self.ask_about_vessel(level, tared)
        } else {
            // The person was told to add already, and may have, into the vessel that just came.
            self.suspect(super::state::Why::Unseen);
            let back = tared.content.back;
            let state = self.judge_arrival(scale, level, None);
            if let Some(more) = back {
                self.was_put_back(scale, more);
            }
            state
        }
    }
}
