//! What changes after a weight was recorded: the record follows, or claims less.

use super::capture::{corrects_note, verdict_of};
use super::order::vessel_at_least;
use super::state::{Correction, Written};
use super::steady::Level;
use super::{Engine, net_of, say};
use crate::formula::{Step, VesselWay};
use crate::mass::Mass;
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::entry::Verdict;
use crate::vocabulary::reading::ScaleIndex;

/// How a record is put right.
pub(super) struct Fix {
    /// The reading that the record rests on from now on.
    pub level: Level,
    /// The stated uncertainty is this at least.
    pub at_least: Mass,
    /// Why, for the row's note.
    pub remark: String,
}

impl Engine {
    /// A step of the plan by its index.
    pub(super) fn step_at(&self, index: usize) -> Option<Step> {
        self.run.as_ref()?.plan.steps.get(index).cloned()
    }

    pub(super) fn index_now(&self) -> usize {
        self.run.as_ref().map_or(0, |run| run.step)
    }

    /// The record stands, and says how little it proves: by so much it may be off.
    pub(super) fn doubt(
        &mut self,
        scale: ScaleIndex,
        index: usize,
        written: &mut Written,
        at_least: Mass,
        remark: &str,
    ) {
        written.doubtful = true;
        let fix = Fix {
            level: written.as_recorded(),
            at_least,
            remark: remark.to_owned(),
        };
        self.correct(scale, index, written, fix);
    }

    /// What stands there weighs less than what was recorded, and the vessel was not seen to leave.
    pub(super) fn doubt_record(&mut self, scale: ScaleIndex, written: &mut Written, net: Mass) {
        let fell = written.net - net;
        let at_least = written.uncertainty + fell;
        let remark = "the weight fell after the record: taken out, or another load";
        self.doubt(scale, self.index_now(), written, at_least, remark);
        if self.way_now() == VesselWay::Bowl {
            // Or it came with a step before, and is gone now.
            self.bowl_changed(scale, fell, remark);
        }
        let d = self.readability(scale);
        let say = format!(
            "{} g less than recorded. Lift everything off the scale; say next if nothing is on it.",
            say::grams(fell, d)
        );
        self.cue_urgent(CueKind::Lift, say, &[Choice::Next, Choice::Again]);
    }

    /// Much more stands there than was recorded.
    pub(super) fn doubt_more_on_it(&mut self, scale: ScaleIndex, written: &mut Written, net: Mass) {
        let more = net - written.net;
        written.alone = Some((written.net, written.uncertainty, written.verdict));
        written.more_on_it = true;
        let at_least = written.uncertainty + more;
        let remark = "more came on the scale after the record";
        self.doubt(scale, self.index_now(), written, at_least, remark);
        let d = self.readability(scale);
        let say = format!(
            "{} g more than recorded. Take off what was set down, then lift the vessel; or say undo, if it went \
             in, and weigh the step again.",
            say::grams(more, d)
        );
        self.cue_urgent(CueKind::Lift, say, &[Choice::Undo]);
    }

    /// What came on top is gone again: the record is what it was.
    pub(super) fn as_before(&mut self, scale: ScaleIndex, written: &mut Written) {
        let Some((_, uncertainty, verdict)) = written.alone.take() else {
            return;
        };
        written.more_on_it = false;
        written.doubtful = false;
        written.verdict = verdict;
        let fix = Fix {
            level: written.as_recorded(),
            at_least: uncertainty,
            remark: "what came on top is gone again".into(),
        };
        self.correct(scale, self.index_now(), written, fix);
        if let Some(step) = self.step_now() {
            self.say_corrected(&step, written);
        }
    }

    /// It goes on to change: the record reaches as far as what is seen now.
    pub(super) fn doubt_more(&mut self, scale: ScaleIndex, written: &mut Written, shown: Mass) {
        let at_least = written.tared.base_d * 3 + (shown - written.shown).abs();
        let remark = "it changed more after the record";
        self.doubt(scale, self.index_now(), written, at_least, remark);
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
                written.heaped,
            ];
            let by = |weight: &Mass| (*weight - written.shown).abs();
            let last = seen.into_iter().flatten().max_by_key(by);
            let net = last.map(|last| net_of(&step, written.tared.base, last));
            if let Some(last) = last.filter(|last| (*last - written.shown).abs() > u)
                && net.is_some_and(|net| !net.is_negative())
            {
                self.doubt_more(scale, written, last);
            }
            return;
        }
        if let Some((_, last)) = written.piled.filter(|&(n, _)| n >= 3) {
            let still = written
                .brief
                .is_some_and(|b| (b.weight - last).abs() <= b.d);
            if !still && !written.doubtful {
                let at_least = u + (last - written.shown);
                let remark = "more came on before the lift";
                self.doubt(scale, self.index_now(), written, at_least, remark);
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
                let off = (seen * 4)
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
        if moved > written.most_drops(level.d) {
            // No drop: something was set down beside, a hand took hold, or it was poured on. The record stands,
            // and says how far it may be off.
            let remark = "much more or less was on the scale before the lift";
            self.doubt(scale, self.index_now(), written, u + moved, remark);
            return;
        }
        if (moved <= u && widened <= u) || net.is_negative() {
            return;
        }
        let fix = Fix {
            level,
            at_least: u + widened,
            remark: "not at rest at the lift".into(),
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
        let d = level.d.max(written.tared.base_d);
        let net = net_of(&step, written.tared.base, level.weight);
        let window = self.window_amid(&step, d, written.tared.carried, written.tared.wander);
        let verdict = if written.doubtful {
            None
        } else if written.verdict == Some(Verdict::Kept) {
            Some(Verdict::Kept)
        } else {
            verdict_of(window, net, &written.tared)
        };
        let mut draft = self.weight_draft(scale, &step, &written.tared, level, verdict);
        draft.note = corrects_note(written.seq, &draft.note);
        if !fix.remark.is_empty() {
            draft.note = format!("{}; {}", draft.note, fix.remark);
        }
        // What is not scatter comes on top of what was seen.
        let scatter = self.scatter_of(scale, &written.tared, level.d);
        let whole = draft.uncertainty.unwrap_or_default();
        let beside = (whole - scatter).max(Mass::ZERO);
        draft.uncertainty = Some(whole.max(fix.at_least + beside));
        let ticket = self.log(draft);
        if let Some(run) = &mut self.run {
            run.corrections.push(Correction {
                ticket,
                step: index,
                net,
                verdict,
            });
        }
        written.ticket = ticket;
        written.net = net;
        written.shown = level.weight;
        written.uncertainty = scatter.max(fix.at_least);
        written.verdict = verdict;
        written.at = level.at;
        written.brief = None;
        written.rising = None;
        written.strayed = None;
    }

    /// Tells of a correction while the vessel still stands there.
    pub(super) fn say_corrected(&mut self, step: &Step, written: &Written) {
        let d = self.readability(step.scale);
        let net = say::grams(written.net, d);
        let off = |by: Mass| say::grams(by, d);
        let say = match written.verdict {
            Some(_) | None if written.no_lift => format!("{net} g now; the record is corrected."),
            Some(Verdict::Over) => format!(
                "{net} g now: {} g over. Take it out, or lift to keep it.",
                off(written.net - step.target)
            ),
            Some(Verdict::Under) => format!(
                "{net} g now: {} g short. Add it, or lift to keep it.",
                off(step.target - written.net)
            ),
            Some(Verdict::Inside | Verdict::Kept) | None => {
                format!("{net} g now; the record is corrected. Lift the vessel.")
            }
        };
        if written.no_lift {
            self.cue_urgent(CueKind::Hold, say, &[]);
        } else {
            self.cue_urgent(CueKind::Lift, say, &[Choice::Again]);
        }
    }
}
