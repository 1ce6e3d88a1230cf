//! What changes after a weight was recorded: the record follows, or claims less.

use super::capture::verdict_of;
use super::event::{Choice, CueKind, Event, ScaleIndex, Verdict};
use super::order::vessel_at_least;
use super::state::{Correction, State, Written};
use super::steady::Level;
use super::{Engine, net_of};
use crate::formula::Step;
use crate::mass::Mass;

impl Engine {
    /// What stands there weighs less than what was recorded, and the vessel was not seen to leave.
    pub(super) fn doubt_record(
        &mut self,
        scale: ScaleIndex,
        step: &Step,
        mut written: Written,
        net: Mass,
    ) {
        written.doubtful = true;
        let fell = written.net - net;
        let level = written.as_recorded();
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
    pub(super) fn doubt_more(
        &mut self,
        scale: ScaleIndex,
        step: &Step,
        written: Written,
        shown: Mass,
    ) {
        let level = written.as_recorded();
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
        let level = written.as_recorded();
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
                let level = written.as_recorded();
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
                let rose = weight - written.shown > b.d * 2 && at > b.at;
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
                        at,
                        since: at,
                        ..written.as_recorded()
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
    pub(super) fn correct(
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
}
