//! A weight is captured, written, and its vessel lifted.

use super::arrive::Load;
use super::event::{Choice, CueKind, Event, RowKind, ScaleIndex, Verdict};
use super::order::vessel_at_least;
use super::pan::{JumpCause, Seen};
use super::state::{Correction, State, Tared, Written};
use super::steady::Level;
use super::tared::shows_zero;
use super::{Engine, net_of, say};
use crate::bench::Weighed;
use crate::formula::{Step, VesselWay};
use crate::mass::Mass;
use crate::metrology::Window;

/// What a net weight means; nothing, where the scale or the tare proves nothing.
fn verdict_of(window: Window, net: Mass, tared: &Tared) -> Option<Verdict> {
    if !window.proven || tared.unproven > Mass::ZERO {
        None
    } else if net < window.low {
        Some(Verdict::Under)
    } else if net > window.high {
        Some(Verdict::Over)
    } else {
        Some(Verdict::Inside)
    }
}

impl Engine {
    /// Sends the held weight to the log. `lifted`: the vessel has left the pan already.
    pub(super) fn record_held(&mut self, scale: ScaleIndex, tared: Tared, lifted: bool) {
        let Some(step) = self.step_now() else { return };
        let Some(level) = tared.held else { return };
        let d = level.d.max(tared.base_d);
        let window = self.window_amid(&step, d, tared.carried, tared.wander);
        let net = net_of(&step, tared.base, level.weight);
        let verdict = verdict_of(window, net, &tared);
        if let Some(peak) = tared.peak
            && window.holds(net)
        {
            self.log_taken_out(scale, &tared, level, peak, net, window);
        }
        self.record(scale, tared, level, verdict, lifted);
    }

    /// The over-pour that was seen at rest and is gone again.
    fn log_taken_out(
        &mut self,
        scale: ScaleIndex,
        tared: &Tared,
        level: Level,
        peak: Mass,
        net: Mass,
        window: Window,
    ) {
        let mut draft = self.draft(RowKind::TakenOut);
        let d = level.d.max(tared.base_d);
        draft.low = Some(window.low);
        draft.high = Some(window.high);
        draft.net = Some(peak - net);
        draft.unit = self.pans.get(scale).and_then(|pan| pan.unit);
        draft.readability = d;
        draft.note = format!(
            "over-pour of {} g taken back to {} g",
            peak.grams(d),
            net.grams(d)
        );
        self.log(draft);
    }

    /// Writes the row of the running step and waits for the disk.
    pub(super) fn record(
        &mut self,
        scale: ScaleIndex,
        tared: Tared,
        level: Level,
        verdict: Option<Verdict>,
        lifted: bool,
    ) {
        let Some(step) = self.step_now() else { return };
        let corrects = self.run.as_ref().and_then(|run| run.corrects);
        let (net, uncertainty, ticket) =
            self.log_weight(scale, &step, &tared, level, verdict, corrects);
        let no_lift = step.vessel == VesselWay::Bowl;
        self.set_state(State::Writing(Written {
            ticket,
            seq: 0,
            tared,
            shown: level.weight,
            net,
            uncertainty,
            verdict,
            lifted,
            failed: false,
            at: level.at,
            brief: None,
            rising: None,
            piled: None,
            doubtful: false,
            key_seen: false,
            dipped: false,
            forming: None,
            strayed: None,
            above_since: None,
            disturbed: false,
            no_lift,
        }));
    }

    fn log_weight(
        &mut self,
        scale: ScaleIndex,
        step: &Step,
        tared: &Tared,
        level: Level,
        verdict: Option<Verdict>,
        corrects: Option<u64>,
    ) -> (Mass, Mass, u64) {
        let d = level.d.max(tared.base_d);
        let net = net_of(step, tared.base, level.weight);
        let uncertainty = self
            .uncertainty(scale, d, tared.carried, tared.wander)
            .expanded()
            + tared.unproven;
        let window = self.window_amid(step, d, tared.carried, tared.wander);
        let zero = self.zero(scale);
        let mut draft = self.draft(RowKind::Weighed);
        draft.target = Some(step.target);
        draft.low = Some(window.low);
        draft.high = Some(window.high);
        // By difference the vessel loses weight: the tare is what is left of it.
        let (with, without) = match step.vessel {
            VesselWay::Beaker | VesselWay::Bowl => (level.weight, tared.base),
            VesselWay::Difference => (tared.base, level.weight),
        };
        draft.tare = Some(without - zero);
        draft.gross = Some(with - zero);
        draft.net = Some(net);
        draft.uncertainty = Some(uncertainty);
        draft.verdict = verdict;
        draft.unit = self.pans.get(scale).and_then(|pan| pan.unit);
        draft.readings = Some(level.readings);
        draft.readability = d;
        let mut notes = Vec::new();
        if let Some(seq) = corrects {
            notes.push(format!("corrects seq {seq}"));
        }
        if !window.proven {
            notes.push("the scale cannot prove this tolerance".to_owned());
        }
        if tared.unproven > Mass::ZERO {
            notes.push(format!(
                "tare not proven: it may be off by {} g",
                tared.unproven.ceil_to(d).grams(d)
            ));
        }
        if tared.carried > 0 {
            notes.push("tare carried over a key press or a lift".to_owned());
        }
        draft.note = notes.join("; ");
        (net, uncertainty, self.log(draft))
    }

    pub(super) fn on_logged(&mut self, ticket: u64, seq: u64) {
        let Some(run) = &mut self.run else { return };
        if let Some(i) = run.corrections.iter().position(|c| c.ticket == ticket) {
            let correction = run.corrections.swap_remove(i);
            if let State::Lift(written) = &mut run.state
                && written.ticket == ticket
            {
                written.seq = seq;
            }
            self.recorded(correction.step, seq, correction.net, correction.verdict);
            return;
        }
        match &mut run.state {
            State::Writing(written) if written.ticket == ticket => {
                let mut written = written.clone();
                written.seq = seq;
                self.written(written);
            }
            State::Writing(_)
            | State::Lift(_)
            | State::Clear
            | State::Empty { .. }
            | State::Landing { .. }
            | State::Unsure { .. }
            | State::Tared(_)
            | State::Away(_)
            | State::Stranger { .. }
            | State::Recheck(_)
            | State::Mix { .. }
            | State::Done => {}
        }
    }

    /// Marks a step (by index) as recorded and says so.
    fn recorded(&mut self, index: usize, seq: u64, net: Mass, verdict: Option<Verdict>) {
        let Some(run) = &mut self.run else { return };
        let Some(step) = run.plan.steps.get(index).cloned() else {
            return;
        };
        if let Some(done) = run.done.get_mut(index) {
            *done = Some(Weighed { seq, net });
        }
        let readability = self.readability(step.scale);
        self.out.push_back(Event::Recorded {
            step: step.number,
            ingredient: step.ingredient,
            net,
            verdict,
            seq,
            readability,
        });
    }

    fn written(&mut self, written: Written) {
        let Some(step) = self.step_now() else { return };
        let d = self.readability(step.scale);
        let gross = written.shown - self.zero(step.scale);
        if let Some(run) = &mut self.run {
            run.last_gross = (step.vessel == VesselWay::Beaker).then_some(gross);
        }
        let index = self.run.as_ref().map_or(0, |run| run.step);
        self.recorded(index, written.seq, written.net, written.verdict);
        let say = say::recorded(step.vessel, written.net, d);
        let (lifted, no_lift) = (written.lifted, written.no_lift);
        if lifted {
            self.cue(
                CueKind::Lift,
                format!("Recorded {} g.", written.net.grams(d)),
                None,
                &[],
            );
            self.vessel_gone(step.scale, written.seq, None);
        } else {
            let kind = if no_lift {
                CueKind::Hold
            } else {
                CueKind::Lift
            };
            self.set_state(State::Lift(written));
            self.cue(kind, say, None, &[]);
        }
    }

    /// The bowl stays: what it weighs now is the next step's tare.
    pub(super) fn next_in_bowl(&mut self, written: Written, base: Mass, d: Mass) {
        if let Some(run) = &mut self.run {
            run.bowl_base = Some((base, d));
            run.bowl_last = Some((run.step, written));
        }
        self.keep(State::Clear);
        self.go_on();
    }

    pub(super) fn on_not_logged(&mut self, ticket: u64, why: &str) {
        self.out.push_back(Event::Fault {
            scale: None,
            code: "not-logged",
            over: false,
        });
        let waiting = match self.run.as_mut().map(|run| &mut run.state) {
            Some(State::Writing(written)) if written.ticket == ticket => {
                written.failed = true;
                true
            }
            _ => false,
        };
        let say = if waiting {
            format!(
                "NOT recorded: {why}. The weight is kept and written as soon as it can be. Leave the beaker."
            )
        } else {
            format!("A log row is not written yet: {why}. It is kept and tried again.")
        };
        self.cue_urgent(CueKind::Fault, say, &[]);
    }

    pub(super) fn in_writing(&mut self, scale: ScaleIndex, seen: &Seen, mut written: Written) {
        let left = self.has_left(scale, seen, &mut written);
        if !written.no_lift && (left || self.is_lifted(scale, seen, &written.tared)) {
            written.lifted = true;
            if let Some(run) = &mut self.run {
                run.in_transit = left;
                run.leaving = left;
            }
        }
        self.keep(State::Writing(written));
    }

    /// Whether the indication fell well below the vessel's own weight and rises again: a beaker that is
    /// exchanged in one movement never lets the pan show empty.
    fn has_left(&self, scale: ScaleIndex, seen: &Seen, written: &mut Written) -> bool {
        let Some(step) = self.step_now() else {
            return false;
        };
        let Some(zero) = self.pans.get(scale).and_then(|pan| pan.zero) else {
            return false;
        };
        let own = match step.vessel {
            VesselWay::Beaker | VesselWay::Bowl => written.tared.base - zero,
            VesselWay::Difference => written.shown - zero,
        };
        if own <= vessel_at_least(seen.d) {
            return false;
        }
        let below = seen.weight - zero < own.ratio(3, 5);
        // A number without a unit that drops within one reading may be the UNIT key.
        let leaving = written.shown - own.ratio(1, 10);
        let believed = seen.unit_known || seen.before.is_some_and(|before| before < leaving);
        let rises = seen
            .before
            .is_some_and(|before| seen.weight > before + seen.d * 5);
        let left = written.dipped && rises;
        written.dipped |= below && believed;
        left
    }

    /// The empty pan shows less than the zero that the tare rests on: a key was pressed that nobody
    /// saw, and what had been poured before it may have been taken off. The record claims less.
    fn key_shown_at_lift(&mut self, scale: ScaleIndex, seen: &Seen, written: &mut Written) {
        let (Some(step), Some(vessel)) = (self.step_now(), written.tared.vessel) else {
            return;
        };
        let Some(level) = seen.steady else { return };
        let base = level.weight + vessel;
        let unseen = written.tared.base - base;
        // Less than that may be a reading missed between a key and a spoon.
        let least = (vessel_at_least(seen.d) * 2)
            .max(vessel.ratio(1, 20))
            .max(written.net.ratio(1, 10));
        // A key that was pressed after the record took off just that, and the record stands.
        let after =
            written.key_seen || (unseen - written.shown).abs() <= written.most_drops(seen.d);
        let difference = step.vessel == VesselWay::Difference;
        if difference || after || unseen <= least || written.seq == 0 {
            return;
        }
        self.set_zero(scale, level.weight, true);
        written.doubtful = true;
        let weighed = Level {
            weight: written.shown,
            d: written.tared.base_d,
            readings: 1,
            at: level.at,
            since: level.at,
        };
        let at_least = written.uncertainty + unseen;
        let remark = "; the lift shows that a key was pressed unseen";
        self.correct(scale, &step, weighed, written.clone(), at_least, remark);
    }

    /// Whether the vessel of a captured weight has left: the empty pan shows, or four fifths of the
    /// vessel are gone and the rest is at rest.
    fn is_lifted(&mut self, scale: ScaleIndex, seen: &Seen, tared: &Tared) -> bool {
        let lift = |cause| matches!(cause, JumpCause::Load | JumpCause::Unknown);
        if seen.jump.is_some_and(|jump| lift(jump.cause)) {
            return true;
        }
        let zero = self.zero(scale);
        let vessel = tared.base - zero;
        match self.load(scale, seen.weight, seen.d) {
            Load::Nothing => seen.plateau && vessel > vessel_at_least(seen.d),
            Load::BelowEmpty if seen.steady.is_some() => {
                self.set_zero(scale, seen.weight, true);
                true
            }
            Load::Something if seen.steady.is_some() && vessel > Mass::ZERO => {
                seen.weight - zero < vessel.ratio(1, 5)
            }
            Load::BelowEmpty | Load::Something => false,
        }
    }

    pub(super) fn in_lift(&mut self, scale: ScaleIndex, seen: &Seen, mut written: Written) {
        if seen.after_gap && self.gap_after_record(scale, seen, &mut written) {
            return;
        }
        let jump = seen.jump.map(|jump| match jump.cause {
            // From a weight that grew to zero: no drop does that.
            JumpCause::Slight if jump.from > jump.to => super::pan::Jump {
                cause: JumpCause::Unknown,
                ..jump
            },
            JumpCause::Slight | JumpCause::Key | JumpCause::Load | JumpCause::Unknown => jump,
        });
        if let Some(jump) = jump.filter(|jump| jump.cause == JumpCause::Slight) {
            // A key or a drop: nothing will tell.
            written.tared.unproven += (jump.to - jump.from).abs();
        }
        written.key_seen |= seen.may_be_key();
        if let Some(jump) = jump.filter(|jump| jump.cause != JumpCause::Slight) {
            self.jump_after_record(scale, seen, written, jump);
            return;
        }
        if self.load(scale, seen.weight, seen.d) == Load::BelowEmpty && seen.steady.is_some() {
            self.key_shown_at_lift(scale, seen, &mut written);
        }
        let left = self.has_left(scale, seen, &mut written);
        if left || self.is_lifted(scale, seen, &written.tared) {
            if let Some(run) = &mut self.run {
                run.in_transit = left;
                run.leaving = left;
            }
            self.lifted_after_record(scale, written);
            return;
        }
        let vessel = written.shown - self.zero(scale);
        let gone = written.shown - seen.weight > vessel.ratio(2, 5).max(vessel_at_least(seen.d));
        written.disturbed |= gone && seen.unit_known;
        written.follow(seen);
        let Some(step) = self.step_now() else { return };
        if written.no_lift && written.seq != 0 {
            let more = net_of(&step, written.tared.base, seen.weight) - written.net;
            if written.next_begun(seen.at, more, seen.d) {
                // The maker knows what comes next and pours it already: on top of what was recorded.
                let (base, d) = (written.shown, seen.d.max(written.tared.base_d));
                self.next_in_bowl(written, base, d);
                return;
            }
        }
        let Some(level) = seen.steady else {
            self.keep(State::Lift(written));
            return;
        };
        let same = self
            .pans
            .get(scale)
            .is_some_and(|pan| pan.same(level.weight, written.shown, level.d));
        if std::mem::take(&mut written.disturbed) && !same {
            // Snatched off, and something else set down in the same breath.
            self.lifted_after_record(scale, written);
            return;
        }
        written.strayed = None;
        let net = net_of(&step, written.tared.base, level.weight);
        let beyond = (net - written.net).abs() > written.uncertainty;
        let fell = written.net - net > written.most_drops(level.d);
        if written.doubtful && beyond && written.seq != 0 {
            self.doubt_more(scale, &step, written, level.weight);
        } else if written.doubtful {
            self.keep(State::Lift(written));
        } else if beyond && fell && written.seq != 0 {
            // Spooned out, or another load: the record stands, and says how little it proves.
            self.doubt_record(scale, &step, written, net);
        } else if beyond && !net.is_negative() && written.seq != 0 {
            // A little more or less may be a draught as well as a drop: the new number stands, and the
            // stated uncertainty reaches back to the old one.
            let by = (net - written.net).abs();
            let at_least = if by <= level.d * 10 {
                written.uncertainty + by
            } else {
                Mass::ZERO
            };
            self.correct(scale, &step, level, written, at_least, "");
        } else if written.no_lift && written.settled(level.at) {
            self.next_in_bowl(written, level.weight, level.d);
        } else {
            self.keep(State::Lift(written));
        }
    }

    /// What stands there weighs less than what was recorded, and the vessel was not seen to leave.
    fn doubt_record(&mut self, scale: ScaleIndex, step: &Step, mut written: Written, net: Mass) {
        written.doubtful = true;
        let fell = written.net - net;
        let level = Level {
            weight: written.shown,
            d: written.tared.base_d,
            readings: 1,
            at: written.at,
            since: written.at,
        };
        let at_least = written.uncertainty + fell;
        let remark = "; the weight fell after the record: taken out, or another load";
        self.correct(scale, step, level, written, at_least, remark);
        let d = self.readability(scale);
        let say = format!(
            "{} g less than recorded. Lift everything off the scale.",
            fell.grams(d)
        );
        self.cue_urgent(CueKind::Lift, say, &[Choice::Again]);
    }

    /// It goes on to change: the record reaches as far as what is seen now.
    fn doubt_more(&mut self, scale: ScaleIndex, step: &Step, written: Written, shown: Mass) {
        let level = Level {
            weight: written.shown,
            d: written.tared.base_d,
            readings: 1,
            at: written.at,
            since: written.at,
        };
        let at_least = written.tared.base_d * 3 + (shown - written.shown).abs();
        let remark = "; it changed more after the record";
        self.correct(scale, step, level, written, at_least, remark);
    }

    /// Less is in the bowl than when the step before was recorded, and nothing of this one yet: some of
    /// it was taken out.
    pub(super) fn taken_from_bowl(&mut self, scale: ScaleIndex, by: Mass) {
        let Some(run) = &mut self.run else { return };
        let Some((index, mut written)) = run.bowl_last.take() else {
            return;
        };
        let Some(step) = run.plan.steps.get(index).cloned() else {
            return;
        };
        let level = Level {
            weight: written.shown,
            d: written.tared.base_d,
            readings: 1,
            at: written.at,
            since: written.at,
        };
        // The row is that step's.
        let running = std::mem::replace(&mut run.step, index);
        let state = run.state.clone();
        written.doubtful = true;
        let at_least = written.uncertainty + by;
        let remark = "; some was taken out of the bowl after the record";
        self.correct(scale, &step, level, written.clone(), at_least, remark);
        if let Some(run) = &mut self.run {
            if let State::Lift(corrected) = std::mem::replace(&mut run.state, state) {
                run.bowl_last = Some((index, corrected));
            }
            run.step = running;
        }
    }

    /// The recorded vessel is off; the log says what was seen of it last.
    fn lifted_after_record(&mut self, scale: ScaleIndex, mut written: Written) {
        self.correct_at_lift(scale, &mut written);
        if written.no_lift {
            // The bowl went to be stirred: the next step waits for it.
            self.keep(State::Clear);
            self.go_on();
        } else {
            self.vessel_gone(scale, written.seq, None);
        }
    }

    /// Readings were missing after the record. Little more or less is a late drop, and how much more
    /// nobody saw; anything else says nothing about the vessel recorded. Returns whether that is over.
    fn gap_after_record(&mut self, scale: ScaleIndex, seen: &Seen, written: &mut Written) -> bool {
        let most = vessel_at_least(seen.d);
        let off = (seen.weight - written.shown).abs();
        if off <= most && !shows_zero(seen.weight, seen.d) {
            return false;
        }
        if let Some(step) = self.step_now() {
            let level = Level {
                weight: written.shown,
                d: written.tared.base_d,
                readings: 1,
                at: written.at,
                since: written.at,
            };
            // If the frame stands, so much went in or out; it may as well be another load.
            let by = |w: Mass| (w - written.shown).abs();
            let strayed = written.strayed.map_or(Mass::ZERO, |(_, w)| by(w));
            // Below half of it the vessel was on its way off.
            let before = seen
                .before
                .filter(|&w| written.shown - w <= written.net.abs().ratio(1, 2))
                .map_or(Mass::ZERO, by);
            let after = if off <= written.net.abs() { off } else { most };
            let seen_off = strayed.max(before).max(after);
            // And what came in the gap besides.
            let at_least = written.uncertainty + most + seen_off;
            let remark = "; readings were missing before the lift";
            self.correct(scale, &step, level, written.clone(), at_least, remark);
        }
        let (seq, no_lift) = (written.seq, written.no_lift);
        if no_lift {
            // The bowl's next tare is taken when it is at rest again, or back.
            self.keep(State::Clear);
            self.go_on();
        } else {
            self.vessel_gone(scale, seq, None);
        }
        true
    }

    /// The vessel was lifted before the scale was at rest again after the record: a late drop, a
    /// draught. The last readings that agreed are what is known; the uncertainty says how well.
    pub(super) fn correct_at_lift(&mut self, scale: ScaleIndex, written: &mut Written) {
        let Some(step) = self.step_now() else { return };
        let u = written.uncertainty;
        if written.doubtful {
            let seen = [
                written.brief.map(|brief| brief.weight),
                written.piled.map(|(_, weight)| weight),
            ];
            let by = |weight: &Mass| (*weight - written.shown).abs();
            let last = seen.into_iter().flatten().max_by_key(by);
            let net = last.map(|last| net_of(&step, written.tared.base, last));
            if let Some(last) = last.filter(|last| (*last - written.shown).abs() > u)
                && net.is_some_and(|net| !net.is_negative())
            {
                self.doubt_more(scale, &step, written.clone(), last);
            }
            return;
        }
        if let Some((_, last)) = written.piled.filter(|&(n, _)| n >= 3) {
            let still = written
                .brief
                .is_some_and(|b| (b.weight - last).abs() <= b.d);
            if !still && !written.doubtful {
                written.doubtful = true;
                let level = Level {
                    weight: written.shown,
                    d: written.tared.base_d,
                    readings: 1,
                    at: written.at,
                    since: written.at,
                };
                let at_least = u + (last - written.shown);
                let remark = "; more came on before the lift";
                self.correct(scale, &step, level, written.clone(), at_least, remark);
                return;
            }
        }
        let brief = written.brief.filter(|brief| {
            // Kept still for long, or too little for a hand on the rim.
            let by = brief.weight - written.shown;
            // A drop adds; a lift that begins takes away.
            let near = by.abs() <= vessel_at_least(brief.d) && !by.is_negative();
            let some_left = !net_of(&step, written.tared.base, brief.weight).is_negative();
            near || (some_left && brief.at.since(brief.since) >= 400_000)
        });
        let restless = written.strayed.filter(|&(at, weight)| {
            brief.is_none_or(|b| {
                let rose = weight - written.shown > b.d * 5 && at > b.at;
                rose || at.since(b.at) > 400_000
            })
        });
        let (level, widened) = match (restless, brief) {
            (Some((at, weight)), _) => {
                // How far it went on is anybody's guess, within what a drop can be.
                let seen = (weight - written.shown).abs();
                let off = (seen * 10)
                    .min(written.most_drops(written.tared.base_d))
                    .max(seen);
                let off = if off > u * 10 { off } else { Mass::ZERO };
                let last = written
                    .brief
                    .map_or(Mass::ZERO, |b| (b.weight - written.shown).abs());
                let off = if last <= written.net.ratio(1, 2) {
                    off.max(last)
                } else {
                    off
                };
                (
                    Level {
                        weight: written.shown,
                        d: written.tared.base_d,
                        readings: 1,
                        at,
                        since: at,
                    },
                    off,
                )
            }
            (None, Some(brief)) => {
                let off = (brief.weight - written.shown).abs();
                // Little may be a draught as well as a drop: the record stands, less sure.
                if off <= (u * 6).max(brief.d * 10) {
                    (
                        Level {
                            weight: written.shown,
                            ..brief
                        },
                        off,
                    )
                } else {
                    (brief, u * 2)
                }
            }
            (None, None) => return,
        };
        let moved = (level.weight - written.shown).abs();
        let net = net_of(&step, written.tared.base, level.weight);
        if (moved <= u && widened <= u) || net.is_negative() {
            return;
        }
        let remark = "; not at rest at the lift";
        self.correct(scale, &step, level, written.clone(), u + widened, remark);
    }

    /// More dripped in, or some was taken out, after the weight was recorded: the record follows.
    fn correct(
        &mut self,
        scale: ScaleIndex,
        step: &Step,
        level: Level,
        mut written: Written,
        at_least: Mass,
        remark: &'static str,
    ) {
        let d = level.d.max(written.tared.base_d);
        let net = net_of(step, written.tared.base, level.weight);
        let window = self.window(step, d, written.tared.carried);
        let kept = written.verdict == Some(Verdict::Kept);
        let verdict = if written.doubtful {
            None
        } else if kept {
            Some(Verdict::Kept)
        } else {
            verdict_of(window, net, &written.tared)
        };
        let seq = written.seq;
        let (net, uncertainty, ticket) =
            self.log_weight(scale, step, &written.tared, level, verdict, Some(seq));
        if let Some(Event::Log(draft)) = self.out.back_mut() {
            draft.note.push_str(remark);
            draft.uncertainty = draft.uncertainty.map(|u| u.max(at_least));
        }
        if let Some(run) = &mut self.run {
            let step = run.step;
            run.corrections.push(Correction {
                ticket,
                step,
                net,
                verdict,
            });
        }
        written.ticket = ticket;
        written.net = net;
        written.shown = level.weight;
        written.uncertainty = uncertainty.max(at_least);
        written.verdict = verdict;
        written.at = level.at;
        written.brief = None;
        written.rising = None;
        written.strayed = None;
        let no_lift = written.no_lift;
        self.keep(State::Lift(written));
        let lifted = !remark.is_empty();
        if lifted && matches!(verdict, Some(Verdict::Inside | Verdict::Kept) | None) {
            return;
        }
        let say = match verdict {
            Some(_) | None if no_lift => {
                format!("{} g now; the record is corrected.", net.grams(d))
            }
            Some(Verdict::Over) => format!(
                "{} g now: {} g over. Take it out, or lift to keep it.",
                net.grams(d),
                (net - step.target).grams(d)
            ),
            Some(Verdict::Under) => format!(
                "{} g now: {} g short. Add it, or lift to keep it.",
                net.grams(d),
                (step.target - net).grams(d)
            ),
            Some(Verdict::Inside | Verdict::Kept) | None => format!(
                "{} g now; the record is corrected. Lift the vessel.",
                net.grams(d)
            ),
        };
        if no_lift {
            self.cue_urgent(CueKind::Hold, say, &[]);
        } else {
            self.cue_urgent(CueKind::Lift, say, &[Choice::Again]);
        }
    }

    /// A key after the record, or a lift at once.
    fn jump_after_record(
        &mut self,
        scale: ScaleIndex,
        seen: &Seen,
        mut written: Written,
        jump: super::pan::Jump,
    ) {
        let zero = self.zero(scale);
        let shift = jump.to - jump.from;
        let sure_key = jump.cause == JumpCause::Key
            || (jump.cause == JumpCause::Unknown && zero.abs() > vessel_at_least(seen.d));
        if sure_key {
            // The vessel still stands there; the frame moved.
            self.shift_zero(scale, shift, jump.from_rest);
            let unchanged = (jump.from - written.shown).abs() <= written.uncertainty;
            if written.no_lift && written.seq != 0 && jump.from_rest && unchanged {
                // Whoever presses TARE after the record goes on to the next ingredient.
                self.next_in_bowl(written, jump.to, seen.d);
                return;
            }
            if !jump.from_rest {
                // It was moving when the key was pressed; how far, nobody saw to the end.
                written.tared.unproven += (jump.from - written.shown).abs() + seen.d * 5;
            }
            written.tared.base += shift;
            written.shown += shift;
            written.forget_trail();
            written.tared.carried += 2;
            self.keep(State::Lift(written));
            return;
        }
        self.correct_at_lift(scale, &mut written);
        let carry = (jump.cause == JumpCause::Unknown).then_some(zero + shift);
        self.vessel_gone(scale, written.seq, carry);
    }

    /// The recorded vessel is off the pan: on to the next thing.
    fn vessel_gone(&mut self, scale: ScaleIndex, seq: u64, carry: Option<Mass>) {
        if let Some(run) = &mut self.run {
            run.spill_check = Some((scale, seq));
        }
        self.go_on();
        if let (Some(carry), Some(run)) = (carry, self.run.as_mut())
            && let State::Empty { carry: slot } = &mut run.state
        {
            *slot = Some(carry);
        }
    }
}
