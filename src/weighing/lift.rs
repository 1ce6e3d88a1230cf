//! A weight is recorded, and its vessel is to be lifted.

use super::correct::Fix;
use super::order::vessel_at_least;
use super::pan::{Jump, JumpCause, Observation, Sure};
use super::run::LiftCheck;
use super::state::{Captured, Doubt, State, Unasked, Written};
use super::steady::Level;
use super::zero::{Load, shows_zero};
use super::{Engine, net_of, phrases};
use crate::formula::{Step, VesselWay};
use crate::language::{Sentence, phrase, remark};
use crate::mass::Mass;
use crate::vocabulary::code::FaultCode;
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::entry::Verdict;
use crate::vocabulary::reading::ScaleIndex;

/// What a person can answer to a cue before this has not been asked for by it.
const REACTION_US: u64 = 300_000;

impl Engine {
    /// Whether the indication fell well below the vessel's own weight and rises again: a beaker that is
    /// exchanged in one movement never lets the pan show empty.
    pub(super) fn has_left(
        &self,
        scale: ScaleIndex,
        seen: &Observation,
        weight: &mut Captured,
    ) -> bool {
        let Some(step) = self.run.current() else {
            return false;
        };
        let Some(zero) = self.pans[scale].zero_shown() else {
            return false;
        };
        let own = match step.vessel {
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl => weight.tare.base - zero,
            VesselWay::Difference => weight.shown - zero,
        };
        if own <= vessel_at_least(seen.d) {
            return false;
        }
        let below = seen.weight - zero < own.ratio(3, 5);
        // A number without a unit that drops within one reading may be the UNIT key.
        let leaving = weight.shown - own.ratio(1, 10);
        let believed = seen.unit_known || seen.before.is_some_and(|before| before < leaving);
        let rises = seen
            .before
            .is_some_and(|before| seen.weight > before + seen.d * 5);
        let left = weight.dipped && rises;
        weight.dipped |= below && believed;
        left
    }

    /// Whether the vessel of a captured weight has left: the empty pan shows, or most of the load went in
    /// one go and what shows now is at rest.
    pub(super) fn is_lifted(
        &self,
        scale: ScaleIndex,
        seen: &Observation,
        weight: &Captured,
    ) -> bool {
        let lift = |cause| matches!(cause, JumpCause::Load | JumpCause::Unknown);
        if seen.jump.is_some_and(|jump| lift(jump.cause)) {
            return true;
        }
        let zero = self.zero(scale);
        let vessel = weight.tare.base - zero;
        match self.load(scale, seen.weight, seen.d) {
            Load::Nothing => seen.plateau && vessel > vessel_at_least(seen.d),
            Load::BelowEmpty => seen.steady.is_some(),
            Load::Something => false,
        }
    }

    /// Whether the scale rests at zero, where the vessel that was recorded is to be lifted: it is off, or was
    /// tared.
    pub(super) fn may_be_lifted(&self) -> bool {
        let step = self.run.current().filter(|step| step.vessel.is_apart());
        let level = step.and_then(|step| self.pans[step.scale].level_or_flicker(self.now));
        level.is_some_and(|level| shows_zero(level.weight, level.d))
    }

    /// By the maker's word the pan is empty: what was taken for a key was the lift, and the frame stands.
    pub(super) fn was_no_key(&mut self, scale: ScaleIndex, written: &mut Written) {
        let pan = &self.pans[scale];
        let rests = pan.level(self.now).is_some();
        let Some(level) = pan.level_or_flicker(self.now) else {
            return;
        };
        let by = level.weight - self.zero(scale);
        written.weight.shift(by);
        self.set_zero(scale, level.weight, rests);
    }

    pub(super) fn in_lift(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        mut written: Box<Written>,
    ) -> State {
        if seen.after_gap && self.gap_after_record(scale, seen, &mut written) {
            return self.go_on();
        }
        let jump = seen.jump.map(|jump| match jump.cause {
            // From a weight that grew to zero: no drop does that.
            JumpCause::Slight if jump.from > jump.to => Jump {
                cause: JumpCause::Unknown,
                ..jump
            },
            JumpCause::Slight | JumpCause::Key | JumpCause::Load | JumpCause::Unknown => jump,
        });
        if let Some(jump) = jump.filter(|jump| jump.cause == JumpCause::Slight) {
            // A key or a drop: nothing will tell.
            written.weight.tare.unproven += (jump.to - jump.from).abs();
        }
        written.key_seen |= seen.may_be_key();
        if let Some(jump) = jump.filter(|jump| jump.cause != JumpCause::Slight) {
            return self.jump_after_record(scale, seen, *written, jump);
        }
        written.weight.low = written.weight.low.min(seen.weight);
        let left = self.has_left(scale, seen, &mut written.weight);
        if left || self.is_lifted(scale, seen, &written.weight) {
            self.run.coming.in_transit = left;
            self.run.coming.leaving = left;
            return self.lifted_after_record(scale, *written);
        }
        let load = written.weight.shown - self.zero(scale);
        let gone =
            written.weight.shown - seen.weight > load.ratio(2, 5).max(vessel_at_least(seen.d));
        written.trail.disturbed |= gone && seen.unit_known;
        if written.weight.shown - seen.weight >= load.ratio(3, 5) && seen.unit_known {
            let left = self.pans[scale].lasts(&mut written.trail.leaving, seen);
            written.trail.left = written.trail.left.max(left.map(|left| left.weight));
        }
        let zero = self.zero(scale);
        written.follow(seen, zero);
        // Before a mixing nothing more is to come: what does is of this step.
        let goes_on = written.weight.no_lift && !self.run.mixes_after(step);
        if goes_on {
            let more = net_of(step, written.weight.tare.base, seen.weight) - written.weight.net;
            if written.next_begun(seen.at, more, seen.d) {
                // The maker knows what comes next and pours it already: on top of what was recorded.
                let (base, d) = (written.weight.shown, seen.d.max(written.weight.tare.d));
                let lag = self.pans[scale].lag();
                let unasked = Unasked {
                    until: seen.at.plus_micros(REACTION_US + (lag * 1e6) as u64),
                    shown: None,
                    drops: written.most_drops(d),
                };
                let next = self.next_in_bowl(*written, base, d);
                return next.with_tared(|tared| tared.content.unasked = Some(unasked));
            }
        }
        let Some(level) = seen.steady else {
            self.follow_fall(scale, seen, step, &mut written);
            return State::Lift(written);
        };
        written.trail.sunk = None;
        let same = self.pans[scale].same(level.weight, written.weight.shown, level.d);
        if std::mem::take(&mut written.trail.disturbed) && !same {
            // Snatched off, and something else set down in the same breath.
            return self.lifted_after_record(scale, *written);
        }
        if same {
            written.weight.low = level.weight;
        }
        written.trail.strayed = None;
        let net = net_of(step, written.weight.tare.base, level.weight);
        let recorded = written.weight.net;
        let by = (net - recorded).abs();
        // Who was asked to take some out, or to add, and did, is to hear of it; a drift since the record hides none.
        let rest = written.trail.rest.replace(net);
        let before = rest.filter(|_| seen.newly_steady).unwrap_or(recorded);
        let asked = match written.weight.verdict {
            Some(Verdict::Over) => before.max(recorded) - net,
            Some(Verdict::Under) => net - before.min(recorded),
            Some(Verdict::Inside | Verdict::Kept) | None => Mass::ZERO,
        };
        let acted = asked > level.d && {
            let (d, tare) = (level.d.max(written.weight.tare.d), &written.weight.tare);
            let window = self.window_amid(step, d, tare.carried, written.weight.wander);
            window.holds(net) || asked * 2 > written.weight.uncertainty
        };
        let beyond = by > written.weight.uncertainty || acted;
        let fell = written.weight.net - net > written.most_drops(level.d);
        if same && matches!(written.doubt, Some(Doubt::Topped { .. })) {
            self.as_before(scale, &mut written);
        } else if written.doubt.is_some() && beyond {
            self.doubt_more(scale, &mut written, level.weight);
        } else if written.doubt.is_none()
            && net - written.weight.net > written.most_drops(level.d)
            && !goes_on
        {
            // No drop: something was set down beside, or poured on top. The record stands, unsure, until
            // it is gone again.
            self.doubt_more_on_it(scale, &mut written, net);
        } else if written.doubt.is_none() && beyond && fell {
            // Spooned out, or another load: the record stands, and says how little it proves.
            self.doubt_record(scale, &mut written, net);
        } else if written.doubt.is_none() && beyond && !net.is_negative() {
            // A little more or less may be a draught as well as a drop, and what it creeps at rest a zero that drifts: the
            // new number stands, and the stated uncertainty reaches back to the old one.
            // A source gains nothing: what came since was put into it or beside it, and the old number was right, or it
            // was not at rest.
            let gained = step.vessel == VesselWay::Difference && net < recorded;
            let at_least = match gained || by <= level.d * 10 || !seen.newly_steady {
                true if acted => written.weight.uncertainty,
                true => written.weight.uncertainty + by,
                false => Mass::ZERO,
            };
            let fix = Fix {
                level,
                at_least,
                remark: Sentence::none(),
            };
            self.correct(scale, self.index_now(), &mut written, fix);
            self.say_corrected(step, &written);
        } else if written.doubt.is_none() && written.weight.no_lift && written.settled(level.at) {
            return self.next_in_bowl(*written, level.weight, level.d);
        }
        State::Lift(written)
    }

    /// What lay beside it, or some of what is in it, is gone, and the scale is too restless, or the lift too
    /// near, for a rest.
    fn follow_fall(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        written: &mut Written,
    ) {
        let fell = written.weight.shown - seen.weight;
        let vessel = written.weight.tare.base - self.zero(scale);
        let stays = seen.weight - self.zero(scale) >= vessel.ratio(2, 3);
        let pours = step.vessel != VesselWay::Difference;
        let sinks = pours && stays && seen.unit_known && !seen.may_be_key();
        if !sinks || written.doubt.is_some() || fell <= written.most_drops(seen.d) {
            written.trail.sunk = None;
            return;
        }
        let pan = &self.pans[scale];
        if let Some(sunk) = pan.stands(&mut written.trail.sunk, seen, fell) {
            let net = net_of(step, written.weight.tare.base, sunk.low);
            self.doubt_record(scale, written, net);
        }
    }

    /// The recorded vessel is off; the log says what was seen of it last.
    pub(super) fn lifted_after_record(&mut self, scale: ScaleIndex, mut written: Written) -> State {
        self.correct_at_lift(scale, &mut written);
        self.vessel_gone(scale, written)
    }

    /// The recorded vessel is off the pan: on to the next thing. What the empty pan shows is looked at
    /// when it is at rest.
    pub(super) fn vessel_gone(&mut self, scale: ScaleIndex, written: Written) -> State {
        let gross = written.weight.shown - self.zero(scale);
        let apart = self.step_now().is_some_and(|step| step.vessel.is_apart());
        if apart {
            self.run.coming.last_gross = Some(gross);
        }
        self.keep_for_the_lift(scale, written);
        self.go_on()
    }

    /// What the empty pan shows, now or when the bowl goes, is to be held against this record.
    pub(super) fn keep_for_the_lift(&mut self, scale: ScaleIndex, written: Written) {
        let zero = self.zero(scale);
        let sure = self.pans[scale].zero_sure();
        let index = self.index_now();
        // The reading that told of the lift may be the only one of the empty pan; what is below that swings.
        let low = self.pans[scale].last;
        let low = low.map(|last| last.weight).filter(|low| *low >= zero);
        let left = written.trail.left;
        let run = &mut self.run;
        // Those of a bowl that stands there still rest on the same zero, and so do those whose lift the empty
        // pan had no time to speak of.
        let still = run.lift_check.as_ref().is_some_and(|check| {
            (check.missed || run.is_bowl(index)) && check.scale == scale && check.zero == zero
        });
        if !still {
            self.zero_speaks(scale);
            self.run.give_up_lift_check();
        }
        let run = &mut self.run;
        let before = run.lift_check.take();
        let (before, mut records) = before.map_or((Sure::Rest, Vec::new()), |before| {
            (before.sure, before.records)
        });
        records.push((index, written));
        run.lift_check = Some(LiftCheck {
            scale,
            zero,
            sure: sure.min(before),
            low,
            swing: None,
            leaving: None,
            lasted: None,
            left,
            high: zero,
            missed: false,
            records,
        });
    }

    /// Readings were missing after the record. Little more or less is a late drop, and how much more
    /// nobody saw; anything else says nothing about the vessel recorded. Returns whether that is over.
    fn gap_after_record(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        written: &mut Written,
    ) -> bool {
        let most = vessel_at_least(seen.d);
        let off = (seen.weight - written.weight.shown).abs();
        if off <= most && !shows_zero(seen.weight, seen.d) {
            return false;
        }
        // If the frame stands, so much went in or out; it may as well be another load.
        let by = |w: Mass| (w - written.weight.shown).abs();
        let strayed = written.trail.strayed.map_or(Mass::ZERO, |(_, w)| by(w));
        // Below half of it the vessel was on its way off.
        let before = seen
            .before
            .filter(|&w| written.weight.shown - w <= written.weight.net.abs().ratio(1, 2))
            .map_or(Mass::ZERO, by);
        let after = if off <= written.weight.net.abs() {
            off
        } else {
            most
        };
        let seen_off = strayed.max(before).max(after);
        // And what came in the gap besides.
        let at_least = written.weight.uncertainty + most + seen_off;
        let remark = remark!("readings were missing before the lift");
        self.doubt(scale, self.index_now(), written, at_least, &remark);
        true
    }

    /// Whether a jump was the key: with another tare in force neither a lift nor an empty pan shows zero.
    pub(super) fn is_key(&self, scale: ScaleIndex, jump: Jump, d: Mass) -> bool {
        match jump.cause {
            JumpCause::Key => true,
            JumpCause::Unknown => self.zero(scale).abs() > vessel_at_least(d),
            JumpCause::Load | JumpCause::Slight => false,
        }
    }

    /// A key after the record, or a lift at once.
    fn jump_after_record(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        mut written: Written,
        jump: Jump,
    ) -> State {
        if self.is_key(scale, jump, seen.d) {
            let unchanged = (jump.from - written.weight.shown).abs() <= written.weight.uncertainty;
            if !unchanged {
                // What had come by then is forgotten with the frame in which it was seen.
                self.correct_at_lift(scale, &mut written);
            }
            // The vessel still stands there; the frame moved.
            self.shift_zero(scale, jump.to - jump.from, jump.sure);
            if written.weight.no_lift && jump.sure == Sure::Rest && unchanged {
                // Whoever presses TARE after the record goes on to the next ingredient.
                return self.next_in_bowl(written, jump.to, seen.d);
            }
            written.weight.keyed(jump, seen.d);
            written.forget_trail();
            return State::Lift(Box::new(written));
        }
        if jump.cause == JumpCause::Unknown {
            // If it was the key, it still stands there.
            self.run.coming.maybe_there = true;
            written.key_seen = true;
        }
        self.lifted_after_record(scale, written)
    }

    /// After the vessel was lifted, the pan should show what it showed when it was empty. What else it
    /// shows speaks of the record: something was spilt or left, the zero drifted, or a key was pressed
    /// that nobody saw. The record never claims more than the empty pan proves.
    pub(super) fn check_the_lift(&mut self, scale: ScaleIndex, seen: &Observation) {
        let run = &mut self.run;
        let finished = run.current().is_none();
        let bowl = run.awaits_the_bowls_lift();
        let check = run.lift_check.as_mut();
        let Some(check) = check.filter(|check| check.scale == scale) else {
            return;
        };
        let keyed = seen.jump.is_some_and(|jump| jump.cause == JumpCause::Key);
        // Where everything is to be lifted, or stirred, what falls to something is a lift and no key in a pour.
        let lifts = matches!(
            run.state,
            State::Clear { .. } | State::Empty | State::Mix { .. }
        );
        let key = keyed || (seen.may_be_key() && !(lifts && seen.weight.abs() > seen.d));
        if seen.after_gap || seen.unit_changed || key {
            // Nothing more is to be learned from it than what it showed until then.
            self.last_word_of_the_pan();
            self.run.give_up_lift_check();
            return;
        }
        check.high = check.high.max(seen.weight);
        let low = check.low.map_or(seen.weight, |low| low.min(seen.weight));
        check.low = Some(low);
        let least = vessel_at_least(seen.d);
        if check.missed {
            // What came is off again, and was no record's.
            let off = matches!(run.state, State::Empty) && seen.weight - low <= least;
            let level = seen.steady.filter(|_| off);
            if let Some(level) =
                level.filter(|level| self.load(scale, level.weight, level.d) == Load::Nothing)
            {
                self.pan_speaks(level, true);
            }
            return;
        }
        if bowl && matches!(run.state, State::Lift(_)) {
            // The newest record of the bowl is held against its lift with the others.
            return;
        }
        let Some((_, last)) = check.records.last() else {
            return;
        };
        let load = last.weight.shown - check.zero;
        let off = |shown: Mass| last.weight.shown - shown >= load.ratio(3, 5);
        // A bowl that never left is pressed, or stirred.
        let left = !bowl || last.weight.shown - low > least;
        let comes = left && seen.weight - low > least;
        if let Some(high) = check.swing {
            let high = high.max(seen.weight);
            check.swing = Some(high);
            let returns = high - seen.weight > least && seen.unit_known;
            if returns {
                // The pan of a scale that rings: what it shows after the swing is the empty pan still.
                check.low = Some(seen.weight);
                check.swing = None;
                check.leaving = None;
            } else if seen.steady.is_some() || high - low > (last.weight.shown - low).ratio(1, 2) {
                // No swing is that large, or stays: it is back, and its lift is still to come.
                if run.bowl.gross.is_some() {
                    run.miss_lift_check();
                } else {
                    check.stands_again();
                }
            }
            return;
        }
        let (level, rests) = match (seen.steady, check.lasted) {
            (Some(level), _) if off(seen.weight) => (level, true),
            // The next vessel comes before the pan has rested: what it showed for a moment must do.
            (None, Some(lasted)) if comes => (lasted, false),
            (None, None) if comes => {
                // After the last step nothing is to come: it may be the swing of the pan.
                if finished {
                    check.swing = Some(seen.weight);
                } else {
                    run.miss_lift_check();
                }
                return;
            }
            (Some(_) | None, _) => {
                let left = self.pans[scale].lasts(&mut check.leaving, seen);
                let left = left.filter(|left| off(left.weight));
                check.left = check.left.max(left.map(|left| left.weight));
                // What comes onto it afterwards is no part of the empty pan.
                let flat = self.pans[scale].flat();
                let flat = flat.filter(|flat| off(flat.weight) && !check.is_raised(flat));
                check.lasted = flat.or(check.lasted);
                return;
            }
        };
        self.pan_speaks(level, rests);
    }

    /// Where the pan has not rested, and will not, what it showed for a moment must do.
    pub(super) fn last_word_of_the_pan(&mut self) {
        let check = self.run.lift_check.as_ref();
        if let Some(lasted) = check
            .filter(|check| !check.missed)
            .and_then(|check| check.lasted)
        {
            self.pan_speaks(lasted, false);
        }
    }

    /// Where the next vessel came too soon for the empty pan to speak of the last, what was seen of its zero since does.
    fn zero_speaks(&mut self, scale: ScaleIndex) {
        let check = self.run.lift_check.as_ref();
        let (zero, sure) = (self.zero(scale), self.pans[scale].zero_sure());
        if check.is_some_and(|check| check.missed && check.scale == scale) && sure != Sure::Guessed
        {
            let level = Level::go_on(None, self.now, zero, self.readability(scale));
            self.pan_speaks(level, sure == Sure::Rest);
        }
    }

    /// The empty pan shows `level`; what waits for that is held against it.
    pub(super) fn pan_speaks(&mut self, level: Level, rests: bool) {
        let run = &mut self.run;
        let Some(mut check) = run.lift_check.take() else {
            return;
        };
        let mut records = std::mem::take(&mut check.records);
        let (level, rests) = match check.lasted.filter(|_| check.is_raised(&level)) {
            // Something came onto it after the lift, too light for a vessel.
            Some(lasted) => (lasted, false),
            None => (level, rests),
        };
        let by = level.weight - check.zero;
        let gone = check.left.map_or(Mass::ZERO, |left| left - level.weight);
        let pan = &self.pans[check.scale];
        let stayed = pan.stayed(level.weight, level.d).filter(|_| rests);
        let gone = gone.max(stayed.unwrap_or_default());
        let gone = Some(gone).filter(|gone| *gone > vessel_at_least(level.d));
        let last = records.last().map_or(usize::MAX, |&(index, _)| index);
        let bowl = self.run.is_bowl(last);
        if bowl {
            // In which step it came, the pan does not say: of those that it has not spoken of, it may be any.
            let unspoken = |(_, written): &(usize, Written)| !written.pan_spoke;
            records.splice(
                0..0,
                self.run.bowl.records.extract_if(.., |one| unspoken(one)),
            );
        }
        let scale = check.scale;
        let mut marked = Vec::new();
        let mut late = Mass::ZERO;
        for (index, written) in &mut records {
            let mut unsure = self.hold_against_empty_pan(&check, level, rests, *index, written);
            let d = level.d.max(written.weight.tare.d);
            // The end of a fall that has not rested is not known.
            if rests && let Some(more) = self.pans[scale].came_late(*index, level.weight) {
                let remark = remark!(
                    "it came more slowly than it went: up to {grams} g may have gone in before its tare was taken",
                    grams = phrases::grams(more, d)
                );
                if self.claim_less(scale, *index, written, more, &remark) {
                    late = late.max(more);
                    unsure = true;
                }
            }
            if let Some(gone) = gone {
                let at_least = written.weight.uncertainty + gone;
                let grams = phrases::grams(gone, d);
                let remark = remark!(
                    "{grams} g lay on the pan when the vessel was off, and are gone: they may have been weighed with it",
                    grams
                );
                self.doubt(scale, *index, written, at_least, &remark);
                unsure = true;
            }
            if unsure {
                marked.push(*index);
            }
            written.pan_spoke = true;
        }
        let coarsest = records.iter().map(|(_, written)| written.weight.tare.d);
        let d = coarsest.fold(level.d, Mass::max);
        match gone {
            Some(gone) => {
                self.tell_unsure(scale, &marked, |unsure| phrases::was_left(gone, d, unsure))
            }
            None if late > by.abs() => {
                self.tell_unsure(scale, &marked, |unsure| phrases::came_late(late, d, unsure));
            }
            None => self.tell_what_the_pan_shows(scale, by, d, &marked),
        }
        let took = |(_, written): &(usize, Written)| written.weight.took_out;
        if bowl && by > vessel_at_least(level.d) && records.iter().any(took) {
            // What was asked out of the bowl for that came from what was in it.
            let remark = remark!("something else may have been on the scale with the bowl");
            self.bowl_changed(scale, by, &remark);
        }
        self.run.lift_checked(records);
    }

    /// How much more, or less, what stands there weighs than the vessel that was recorded last, where it can be
    /// that one with a little poured in or out.
    pub(super) fn more_than_was_put_away(&self, scale: ScaleIndex, mass: Mass) -> Option<Mass> {
        let run = &self.run;
        let (index, written) = run.lifted_last()?;
        if run.is_bowl(*index) || self.step_at(*index)?.scale != scale {
            return None;
        }
        let net = written.weight.net;
        // Where no empty pan had said what the vessel weighs, it has since.
        let whole = written.weight.tare.vessel.map(|vessel| vessel + net);
        let gross = whole.unwrap_or(written.weight.shown - self.zero(scale));
        Some(mass - gross).filter(|more| more.abs() <= net.abs().ratio(1, 10))
    }

    /// Nothing was poured into the vessel that has left, which weighed so much more than the recorded one: that
    /// was put back with more in it, and its record claims no more than that leaves sure.
    pub(super) fn was_put_back(&mut self, scale: ScaleIndex, more: Mass) {
        let Some((index, written)) = self.run.lifted_last() else {
            return;
        };
        if more.abs() > written.weight.uncertainty
            && let Some(step) = self.step_at(*index)
        {
            let remark =
                remark!("a vessel of nearly this weight was put back: more may be in it, or less");
            self.doubt_lifted(scale, more, &remark);
            let say = phrase!(
                "That weighed nearly what the vessel with {ingredient} did; its weight is marked as unsure.",
                ingredient = step.ingredient.as_str()
            );
            self.tell_beside(say, CueKind::Fault, &[Choice::Undo]);
        }
    }

    /// The last record waits for the empty pan or is put away, and claims no more than `by` leaves sure.
    pub(super) fn doubt_lifted(&mut self, scale: ScaleIndex, by: Mass, remark: &Sentence) {
        let Some((index, mut written)) = self.run.lifted_last().cloned() else {
            return;
        };
        let at_least = written.weight.uncertainty + by.abs();
        self.doubt(scale, index, &mut written, at_least, remark);
        if let Some(last) = self.run.lifted_last_mut() {
            *last = (index, written);
        }
    }

    /// Whether the empty pan shows something else than the record rests on.
    fn hold_against_empty_pan(
        &mut self,
        check: &LiftCheck,
        level: Level,
        rests: bool,
        index: usize,
        written: &mut Written,
    ) -> bool {
        let scale = check.scale;
        let d = level.d.max(written.weight.tare.d);
        let by = level.weight - check.zero;
        // The key after the record took off just what stood there, with what had come by then.
        let besides = by + (written.weight.shown - check.zero);
        let all_of_it = written.key_seen && besides.abs() <= written.most_drops(d);
        let scatter = match check.sure {
            Sure::Rest => d.max(written.weight.uncertainty.ratio(1, 2)),
            Sure::Flat => (d * 5).max(written.weight.uncertainty),
            Sure::Guessed => super::zero::inexact(written.weight.tare.base - check.zero),
        };
        // What is not at rest may go on for a little.
        let scatter = scatter + if rests { Mass::ZERO } else { d * 5 };
        if by.abs() <= scatter {
            return false;
        }
        if all_of_it {
            let since = (check.high - check.zero).max(Mass::ZERO);
            let came = besides.abs()
                + Some(since)
                    .filter(|since| *since > d * 5)
                    .unwrap_or_default();
            let remark = remark!("more came on the scale after the record");
            return came > scatter && self.claim_less(scale, index, written, came, &remark);
        }
        let much = by.abs() > vessel_at_least(d);
        let grams = phrases::grams(by.abs(), d);
        let remark = match (much, by.is_negative()) {
            (false, false) => {
                remark!(
                    "{grams} g stayed on the pan after the lift: spilt, or the zero drifted",
                    grams
                )
            }
            (false, true) => remark!(
                "the empty pan shows {grams} g less: the zero drifted",
                grams
            ),
            (true, false) => remark!(
                "the empty pan shows {grams} g more than before: something lies on it, or the tare moved",
                grams
            ),
            (true, true) => {
                remark!(
                    "the empty pan shows {grams} g less than before: a key was pressed unseen",
                    grams
                )
            }
        };
        self.set_zero(scale, level.weight, rests);
        if much {
            let at_least = written.weight.uncertainty + by.abs();
            self.doubt(scale, index, written, at_least, &remark);
        } else {
            self.claim_less(scale, index, written, -by, &remark);
        }
        true
    }

    /// The record may be off by `by`, to which it says how little it proves; what is inside by more than that stays
    /// inside. Whether it is unsure then.
    fn claim_less(
        &mut self,
        scale: ScaleIndex,
        index: usize,
        written: &mut Written,
        by: Mass,
        remark: &Sentence,
    ) -> bool {
        let at_least = written.weight.uncertainty + by.abs();
        let d = self.readability(scale).max(written.weight.tare.d);
        let holds = self.step_at(index).is_some_and(|step| {
            let window =
                self.window_amid(&step, d, written.weight.tare.carried, written.weight.wander);
            window.proven
                && window.holds(written.weight.net)
                && window.holds(written.weight.net + by)
        });
        let stays = holds && written.doubt.is_none() && written.weight.tare.unproven == Mass::ZERO;
        if stays {
            let fix = Fix {
                level: written.as_recorded(),
                at_least,
                remark: remark.clone(),
            };
            self.correct(scale, index, written, fix);
        } else {
            self.doubt(scale, index, written, at_least, remark);
        }
        !stays
    }

    /// Why rows are unsure that only an undo puts right.
    fn tell_unsure(
        &mut self,
        scale: ScaleIndex,
        marked: &[usize],
        say: impl FnOnce(Sentence) -> Sentence,
    ) {
        if let Some(unsure) = self.marked(marked) {
            self.fault_begins(Some(scale), FaultCode::Spill);
            self.tell_beside(say(unsure), CueKind::Fault, &[Choice::Undo]);
        }
    }

    /// What lies on the empty pan, or is gone from it, with the rows that are unsure for it.
    fn tell_what_the_pan_shows(&mut self, scale: ScaleIndex, by: Mass, d: Mass, marked: &[usize]) {
        let much = by.abs() > vessel_at_least(d);
        let (Some(unsure), true) = (self.marked(marked), by > d * 2 || much) else {
            return;
        };
        self.fault_begins(Some(scale), FaultCode::Spill);
        let grams = phrases::grams(by.abs(), d);
        let say = match (much, by.is_negative()) {
            (false, _) => {
                phrase!(
                    "{grams} g stayed on the scale: spilt beside the vessel? Wipe it off.",
                    grams
                )
            }
            (true, false) => phrase!(
                "{grams} g more on the empty scale than before: take off what lies on it; {unsure}.",
                grams,
                unsure
            ),
            (true, true) => {
                phrase!(
                    "The empty scale shows {grams} g less than before; {unsure}.",
                    grams,
                    unsure
                )
            }
        };
        let undo: &[Choice] = if much { &[Choice::Undo] } else { &[] };
        self.tell_beside(say, CueKind::Fault, undo);
    }

    /// Whose weights (of steps by index) are marked as unsure, if any are.
    fn marked(&self, marked: &[usize]) -> Option<Sentence> {
        let last = self.step_at(*marked.last()?)?;
        Some(phrases::marked(&last.ingredient, marked.len()))
    }
}
