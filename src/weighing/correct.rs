//! Corrections after a weight was recorded: the record follows, or claims less.

use std::sync::Arc;

use super::capture::verdict_of;
use super::order::vessel_at_least;
use super::state::{Correction, Doubt, State, Written};
use super::steady::Level;
use super::{Engine, net_of, phrases};
use crate::formula::{Step, VesselWay};
use crate::language::{Sentence, phrase, remark};
use crate::mass::Mass;
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::entry::{Draft, Verdict, corrects_note, lot_follows, of_another_lot};
use crate::vocabulary::reading::ScaleIndex;

/// How a record is put right.
pub(super) struct Fix {
    /// The reading that the record rests on from now on.
    pub level: Level,
    /// The stated uncertainty is this at least.
    pub at_least: Mass,
    /// Why, for the row's note.
    pub remark: Sentence,
}

/// What rises for no longer than this, and falls at once, is the hand that takes hold of a vessel: 0.2 s.
pub(super) const TAKES_HOLD_US: u64 = 200_000;

impl Engine {
    /// A step of the plan by its index.
    pub(super) fn step_at(&self, index: usize) -> Option<Arc<Step>> {
        self.run.plan.steps.get(index).cloned()
    }

    pub(super) fn index_now(&self) -> usize {
        self.run.step
    }

    /// The record stands, and says how little it proves: by so much it may be off.
    pub(super) fn doubt(
        &mut self,
        scale: ScaleIndex,
        index: usize,
        written: &mut Written,
        at_least: Mass,
        remark: &Sentence,
    ) {
        written.doubt.get_or_insert(Doubt::Lasting);
        let fix = Fix {
            level: written.as_recorded(),
            at_least,
            remark: remark.clone(),
        };
        self.correct(scale, index, written, fix);
    }

    /// The same of a record that an earlier daemon wrote: it may be off by so much more than its row says.
    pub(super) fn doubt_from_the_log(&mut self, index: usize, by: Mass, remark: &Sentence) {
        let run = &self.run;
        let weighed = run.done.get(index).copied().flatten();
        let Some((weighed, row)) = weighed.zip(run.rows.get(&index)) else {
            return;
        };
        // What was left out was on no scale.
        let Some(uncertainty) = row.uncertainty.filter(|&u| by > u) else {
            return;
        };
        let mut draft = row.clone();
        draft.uncertainty = Some(uncertainty + by);
        draft.verdict = None;
        if !draft.note.ends_with(&**remark) {
            let said = [draft.note.as_str(), remark];
            let said = said.into_iter().filter(|said| !said.is_empty());
            draft.note = said.collect::<Vec<_>>().join("; ");
        }
        self.log_correction(index, weighed.seq, draft, None);
    }

    /// What stands there weighs less than what was recorded, and the vessel was not seen to leave.
    pub(super) fn doubt_record(&mut self, scale: ScaleIndex, written: &mut Written, net: Mass) {
        let fell = written.weight.net - net;
        let at_least = written.weight.uncertainty + fell;
        let remark = remark!("the weight fell after the record: taken out, or another load");
        self.doubt(scale, self.index_now(), written, at_least, &remark);
        if self.way_now() == VesselWay::Bowl {
            // Or it came with a step before, and is gone now.
            self.bowl_changed(scale, fell, &remark);
        }
        let d = self.readability(scale);
        let say = phrase!(
            "{fell} g less than recorded. Lift everything off the scale. Say next if nothing is on it.",
            fell = phrases::grams(fell, d)
        );
        self.cue_urgent(CueKind::Lift, say, &[Choice::Next, Choice::Again]);
    }

    /// Much more stands there than was recorded; or, by difference, is gone.
    pub(super) fn doubt_more_on_it(&mut self, scale: ScaleIndex, written: &mut Written, net: Mass) {
        let more = net - written.weight.net;
        written.doubt = Some(Doubt::Topped {
            uncertainty: written.weight.uncertainty,
            verdict: written.weight.verdict,
        });
        let at_least = written.weight.uncertainty + more;
        let more_gone = self.way_now() == VesselWay::Difference;
        let remark = match more_gone {
            true => remark!("the weight fell after the record: taken out, or another load"),
            false => remark!("more came on the scale after the record"),
        };
        self.doubt(scale, self.index_now(), written, at_least, &remark);
        let more = phrases::grams(more, self.readability(scale));
        if more_gone {
            // More was taken, or it is off and the empty pan's zero was not where it was thought to be.
            let say = phrase!(
                "{more} g more than recorded are gone. Lift everything off the scale. Say next if nothing is on it.",
                more
            );
            self.cue_urgent(CueKind::Lift, say, &[Choice::Next]);
            return;
        }
        if self.way_now() == VesselWay::Bowl && !self.can_begin_afresh() {
            let say = phrase!(
                "{more} g more than recorded. Take off what was set down, then lift the bowl. If it went in, lift the \
                 bowl with it: its weight stays marked as unsure.",
                more
            );
            self.cue_urgent(CueKind::Lift, say, &[]);
            return;
        }
        let say = phrase!(
            "{more} g more than recorded. Take off what was set down, then lift the vessel; or say undo, if it went \
             in, and weigh the step again.",
            more
        );
        self.cue_urgent(CueKind::Lift, say, &[Choice::Undo]);
    }

    /// What came on top is gone again: the record is what it was.
    pub(super) fn as_before(&mut self, scale: ScaleIndex, written: &mut Written) {
        let Some(Doubt::Topped {
            uncertainty,
            verdict,
        }) = written.doubt
        else {
            return;
        };
        written.doubt = None;
        written.weight.verdict = verdict;
        let fix = Fix {
            level: written.as_recorded(),
            at_least: uncertainty,
            remark: remark!("what came on top is gone again"),
        };
        self.correct(scale, self.index_now(), written, fix);
        if let Some(step) = self.step_now() {
            self.say_corrected(&step, written);
        }
    }

    /// It goes on to change: the record reaches as far as what is seen now.
    pub(super) fn doubt_more(&mut self, scale: ScaleIndex, written: &mut Written, shown: Mass) {
        let at_least = written.weight.tare.d * 3 + (shown - written.weight.shown).abs();
        let remark = remark!("it changed more after the record");
        self.doubt(scale, self.index_now(), written, at_least, &remark);
    }

    /// The vessel was lifted before the scale was at rest again after the record: a late drop, a
    /// draught. The last readings that agreed are what is known; the uncertainty says how well.
    pub(super) fn correct_at_lift(&mut self, scale: ScaleIndex, written: &mut Written) {
        let Some(step) = self.step_now() else { return };
        let u = written.weight.uncertainty;
        if written.doubt.is_some() {
            let seen = [
                written.trail.brief.map(|brief| brief.weight),
                written.trail.piled.map(|(_, weight)| weight),
                written.trail.heaped,
            ];
            let by = |weight: &Mass| (*weight - written.weight.shown).abs();
            let last = seen.into_iter().flatten().max_by_key(by);
            let net = last.map(|last| net_of(&step, written.weight.tare.base, last));
            if let Some(last) = last.filter(|last| (*last - written.weight.shown).abs() > u)
                && net.is_some_and(|net| !net.is_negative())
            {
                self.doubt_more(scale, written, last);
            }
            return;
        }
        if let Some((_, last)) = written.trail.piled.filter(|&(n, _)| n >= 3) {
            let still = written
                .trail
                .brief
                .is_some_and(|b| (b.weight - last).abs() <= b.d);
            if !still {
                let at_least = u + (last - written.weight.shown);
                let remark = remark!("more came on before the lift");
                self.doubt(scale, self.index_now(), written, at_least, &remark);
                return;
            }
        }
        let brief = written.trail.brief.filter(|brief| {
            // Kept still for long, or too little for a hand on the rim.
            let by = brief.weight - written.weight.shown;
            // A drop adds; a lift that begins takes away.
            let near = by.abs() <= vessel_at_least(brief.d) && !by.is_negative();
            let some_left = !net_of(&step, written.weight.tare.base, brief.weight).is_negative();
            near || (some_left && brief.at.since(brief.since) >= 400_000)
        });
        let takes_hold = self.pans[scale].at_least_a_reading(TAKES_HOLD_US);
        let trail = &written.trail;
        let stood = trail.stood.unwrap_or(written.weight.at);
        // The hand that takes hold of it presses first; of one that was just told to add nobody knows.
        let adding = written.weight.asked_for;
        let pressed = trail
            .raised
            .is_none_or(|last| !adding && last.since(stood) <= takes_hold);
        let rested = brief.map_or(written.weight.at, |b| b.at).max(stood);
        let restless = trail.strayed.filter(|&(at, weight)| {
            let d = written.weight.tare.d;
            let rose = weight - written.weight.shown > d * 2 && at > stood;
            (rose && !pressed) || at.since(rested) > 400_000
        });
        let (level, widened) = match (restless, brief) {
            (Some((at, weight)), _) => {
                // How far it went on is anybody's guess, within what a drop can be.
                let seen = (weight - written.weight.shown).abs();
                let off = (seen * 4)
                    .min(written.most_drops(written.weight.tare.d))
                    .max(seen);
                let off = if off > u * 10 { off } else { Mass::ZERO };
                let last = written
                    .trail
                    .brief
                    .map_or(Mass::ZERO, |b| (b.weight - written.weight.shown).abs());
                let off = if last <= written.weight.net.ratio(1, 2) {
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
                let off = (brief.weight - written.weight.shown).abs();
                // Little may be a draught as well as a drop: the record stands, less sure.
                if off <= (u * 6).max(brief.d * 10) {
                    (
                        Level {
                            weight: written.weight.shown,
                            ..brief
                        },
                        off,
                    )
                } else {
                    // Or a hand: the new number reaches back to the old one.
                    (brief, u * 2 + off)
                }
            }
            (None, None) => return,
        };
        let moved = (level.weight - written.weight.shown).abs();
        let net = net_of(&step, written.weight.tare.base, level.weight);
        if moved > written.most_drops(level.d) {
            // No drop: something was set down beside, a hand took hold, or it was poured on. The record stands,
            // and says how far it may be off.
            let remark = remark!("much more or less was on the scale before the lift");
            self.doubt(scale, self.index_now(), written, u + moved, &remark);
            return;
        }
        if (moved <= u && widened <= u) || net.is_negative() {
            return;
        }
        let fix = Fix {
            level,
            at_least: u + widened,
            remark: remark!("not at rest at the lift"),
        };
        self.correct(scale, self.index_now(), written, fix);
    }

    /// More dripped in, or some was taken out, after the weight was recorded: the record follows, by a
    /// row that names the one it corrects.
    pub(super) fn correct(
        &mut self,
        scale: ScaleIndex,
        index: usize,
        written: &mut Written,
        fix: Fix,
    ) {
        let Some(step) = self.step_at(index) else {
            return;
        };
        let level = fix.level;
        let d = level.d.max(written.weight.tare.d);
        let net = net_of(&step, written.weight.tare.base, level.weight);
        let window = self.window_amid(&step, d, written.weight.tare.carried, written.weight.wander);
        let mut verdict = if written.doubt.is_some() {
            None
        } else if written.weight.verdict == Some(Verdict::Kept) {
            Some(Verdict::Kept)
        } else {
            verdict_of(window, net, &written.weight.tare)
        };
        let mut draft = self.weight_draft(
            scale,
            &step,
            &written.weight.tare,
            written.weight.wander,
            level,
            verdict,
        );
        let said = [draft.note.as_str(), &fix.remark];
        let said = said.into_iter().filter(|said| !said.is_empty());
        draft.note = said.collect::<Vec<_>>().join("; ");
        // What is not scatter comes on top of what was seen.
        let scatter = self.scatter_of(scale, &written.weight.tare, written.weight.wander, level.d);
        let whole = draft.uncertainty.unwrap_or_default();
        let beside = (whole - scatter).max(Mass::ZERO);
        let uncertainty = whole.max(fix.at_least + beside);
        draft.uncertainty = Some(uncertainty);
        // The window is that of the scale's own U; what came to it takes as much off the window.
        let more = self.guarded(uncertainty - whole);
        if verdict == Some(Verdict::Inside)
            && !(window.low + more..=window.high - more).contains(&net)
        {
            verdict = None;
        }
        draft.verdict = verdict;
        written.ticket = self.log_correction(index, written.seq, draft, None);
        written.weight.net = net;
        written.weight.shown = level.weight;
        written.weight.uncertainty = scatter.max(fix.at_least);
        written.weight.verdict = verdict;
        written.weight.at = level.at;
        written.trail.brief = None;
        written.trail.rising = None;
        written.trail.strayed = None;
    }

    /// Logs the row that stands in place of row `seq`, of a step (by index), and gives its ticket; `lot` where only that
    /// is another.
    fn log_correction(
        &mut self,
        index: usize,
        seq: u64,
        mut draft: Draft,
        lot: Option<&str>,
    ) -> u64 {
        let (net, verdict) = (draft.net.unwrap_or_default(), draft.verdict);
        self.run.rows.insert(index, draft.clone());
        draft.note = match lot {
            Some(lot) => of_another_lot(seq, &draft.ingredient, lot, &draft.note),
            None => corrects_note(seq, draft.note.as_str()).into(),
        };
        let ticket = self.log(draft);
        self.run.corrections.push(Correction {
            ticket,
            step: index,
            net,
            verdict,
            lot: lot.is_some(),
        });
        ticket
    }

    /// The record of a step (by index) is of this lot, by one row that says so; none, where that is empty. What is still
    /// to come of its ingredient follows its newest record, unless another lot was named since. Gives the ingredient
    /// and the lot before, where that was another.
    pub(super) fn correct_lot(
        &mut self,
        index: usize,
        lot: &str,
    ) -> Option<(String, Option<String>)> {
        let run = &mut self.run;
        let weighed = run.done.get(index).copied().flatten()?;
        let row = run.rows.get(&index).filter(|row| row.lot != lot)?;
        let (name, before) = (row.ingredient.clone(), row.lot.clone());
        let newer = |(other, row): (&usize, &Draft)| *other > index && row.ingredient == name;
        if !run.rows.iter().any(newer) {
            lot_follows(&mut run.lots, &name, &before, lot);
        }
        let draft = Draft {
            lot: lot.to_owned(),
            ..row.clone()
        };
        let ticket = self.log_correction(index, weighed.seq, draft, Some(lot));
        if let State::Lift(written) = &mut self.run.state
            && index == self.run.step
        {
            written.ticket = ticket;
        }
        for (other, written) in self.run.lifted() {
            if *other == index {
                written.ticket = ticket;
            }
        }
        Some((name, (!before.is_empty()).then_some(before)))
    }

    /// Tells of a correction while the vessel still stands there.
    pub(super) fn say_corrected(&mut self, step: &Step, written: &Written) {
        let d = self.readability(step.scale);
        let net = phrases::grams(written.weight.net, d);
        let off = |by: Mass| phrases::grams(by, d);
        let say = match written.weight.verdict {
            Some(_) | None if written.weight.no_lift => {
                phrase!("{net} g now; the record is corrected.", net)
            }
            Some(Verdict::Over) if step.vessel == VesselWay::Difference => phrase!(
                "{net} g came out: {over} g too much. Lift to keep it; or say undo, and weigh the step again.",
                net,
                over = off(written.weight.net - step.target)
            ),
            Some(Verdict::Under) if step.vessel == VesselWay::Difference => phrase!(
                "{net} g came out: {short} g are missing. Take more, or lift to keep it.",
                net,
                short = off(step.target - written.weight.net)
            ),
            Some(Verdict::Over) => phrase!(
                "{net} g now: {over} g over. Take it out, or lift to keep it.",
                net,
                over = off(written.weight.net - step.target)
            ),
            Some(Verdict::Under) => phrase!(
                "{net} g now: {short} g short. Add it, or lift to keep it.",
                net,
                short = off(step.target - written.weight.net)
            ),
            Some(Verdict::Inside | Verdict::Kept) | None => {
                phrase!(
                    "{net} g now; the record is corrected. Lift the vessel.",
                    net
                )
            }
        };
        if written.weight.no_lift {
            self.cue_urgent(CueKind::Hold, say, &[]);
        } else {
            let source = step.vessel == VesselWay::Difference;
            let undo = source && written.weight.verdict == Some(Verdict::Over);
            let ways = if undo {
                &[Choice::Undo]
            } else {
                self.ways_on(step)
            };
            self.cue_urgent(CueKind::Lift, say, ways);
        }
    }
}
