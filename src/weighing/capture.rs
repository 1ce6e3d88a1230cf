//! A weight is captured and written.

use super::event::Event;
use super::pan::Observation;
use super::phrases::Words;
use super::placing::FLICKER;
use super::run::Deed;
use super::state::{Captured, Pending, State, Tare, Tared, Written};
use super::steady::Level;
use super::{Engine, net_of, phrases};
use crate::formula::{Step, VesselWay};
use crate::language::remark::joined;
use crate::language::{Sentence, phrase, remark};
use crate::mass::Mass;
use crate::metrology::{Uncertainty, Weighing, Window};
use crate::vocabulary::code::FaultCode;
use crate::vocabulary::cue::Ask;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::entry::{Draft, RowKind, Verdict, corrects_note};
use crate::vocabulary::progress::Weighed;
use crate::vocabulary::reading::ScaleIndex;

/// What a net weight means; nothing, where the scale or the tare proves nothing. A tare that flickered by a few steps
/// proves what is inside with these as well.
pub(super) fn verdict_of(window: Window, net: Mass, tare: &Tare) -> Option<Verdict> {
    let by = tare.unproven;
    let proven = by == Mass::ZERO
        || (by <= tare.d * FLICKER && window.holds(net - by) && window.holds(net + by));
    if !window.proven || !proven {
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
    /// Sends a weight that is inside to the log. `lifted`: the vessel has left the pan already.
    pub(super) fn record_inside(
        &mut self,
        scale: ScaleIndex,
        tared: Box<Tared>,
        level: Level,
        lifted: bool,
    ) -> State {
        let Some(step) = self.step_now() else {
            return State::Tared(tared);
        };
        let d = level.d.max(tared.tare.d);
        let window = self.window_amid(&step, d, tared.tare.carried, tared.wander);
        let net = net_of(&step, tared.tare.base, level.weight);
        let verdict = verdict_of(window, net, &tared.tare);
        if let Some(peak) = tared.approach.peak
            && window.holds(net)
        {
            self.log_taken_out(scale, &tared.tare, level, peak, net, window);
        }
        self.record(scale, tared, level, verdict, lifted)
    }

    /// The over-pour that was seen at rest and is gone again.
    pub(super) fn log_taken_out(
        &mut self,
        scale: ScaleIndex,
        tare: &Tare,
        level: Level,
        peak: Mass,
        net: Mass,
        window: Window,
    ) {
        let mut draft = self.draft(RowKind::TakenOut);
        let d = level.d.max(tare.d);
        draft.low = Some(window.low);
        draft.high = Some(window.high);
        draft.net = Some(peak - net);
        draft.unit = self.pans[scale].unit;
        draft.readability = d;
        let back = remark!(
            "over-pour of {peak} g taken back to {net} g",
            peak = peak.grams(d),
            net = net.grams(d)
        );
        draft.note = back.into();
        self.log(draft);
    }

    /// Writes the row of the running step and waits for the disk.
    pub(super) fn record(
        &mut self,
        scale: ScaleIndex,
        tared: Box<Tared>,
        level: Level,
        verdict: Option<Verdict>,
        lifted: bool,
    ) -> State {
        let Some(step) = self.step_now() else {
            return State::Tared(tared);
        };
        let index = self.index_now();
        let corrects = self.run.corrects.remove(&index);
        let mut draft = self.weight_draft(scale, &step, &tared.tare, tared.wander, level, verdict);
        self.run.rows.insert(index, draft.clone());
        if let Some(seq) = corrects {
            draft.note = corrects_note(seq, draft.note.as_str()).into();
        }
        let net = draft.net.unwrap_or_default();
        let uncertainty = self.scatter_of(scale, &tared.tare, tared.wander, level.d);
        let ticket = self.log(draft);
        let no_lift = step.vessel == VesselWay::Bowl && !self.is_last_of_all();
        State::Writing(Box::new(Pending {
            ticket,
            weight: Captured {
                tare: tared.tare,
                wander: tared.wander,
                took_out: tared.approach.peak.is_some(),
                shown: level.weight,
                net,
                uncertainty,
                verdict,
                at: level.at,
                no_lift,
                low: level.weight,
                dipped: false,
                asked_for: self.was_said(&[CueKind::Add]),
            },
            lifted,
        }))
    }

    /// Whether the batch is over with this step, so that its vessel is lifted even where it is the bowl:
    /// the empty pan has the last word.
    fn is_last_of_all(&self) -> bool {
        let run = &self.run;
        let Some(step) = run.current() else {
            return false;
        };
        let others = run.done.iter().enumerate();
        let mut open = others.filter(|&(index, done)| index != run.step && done.is_none());
        open.next().is_none() && !run.mixes_after(step)
    }

    /// The kind of a weight's row: of an ingredient, or of a jar.
    pub(super) fn weight_kind(&self) -> RowKind {
        match self.fill() {
            Some(_) => RowKind::Filled,
            None => RowKind::Weighed,
        }
    }

    /// The row of a weight of `step`.
    pub(super) fn weight_draft(
        &self,
        scale: ScaleIndex,
        step: &Step,
        tare: &Tare,
        wander: Mass,
        level: Level,
        verdict: Option<Verdict>,
    ) -> Draft {
        let d = level.d.max(tare.d);
        let net = net_of(step, tare.base, level.weight);
        let window = self.window_amid(step, d, tare.carried, wander);
        let zero = self.zero(scale);
        let weighing = Weighing {
            net,
            tare: Some(tare.base.min(level.weight) - zero),
            moved: step.vessel.moves() || tare.carried > 0,
            readings: Uncertainty::TARE_AND_GROSS + tare.carried,
            wander,
        };
        let uncertainty = self.uncertainty(scale, d, &weighing).expanded() + tare.unproven;
        let nominal = self.fill().map(|fill| fill.nominal);
        let mut draft = self.draft_of(self.weight_kind(), Some(step));
        // A jar is held against its label, not against what is poured for.
        draft.target = nominal.or(Some(step.target));
        draft.low = Some(window.low);
        draft.high = Some(window.high);
        // By difference the vessel loses weight: the tare is what is left of it.
        let (with, without) = match step.vessel {
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl => (level.weight, tare.base),
            VesselWay::Difference => (tare.base, level.weight),
        };
        draft.tare = Some(without - zero);
        draft.gross = Some(with - zero);
        draft.net = Some(net);
        draft.uncertainty = Some(uncertainty);
        draft.verdict = verdict;
        draft.unit = self.pans[scale].unit;
        draft.readings = Some(level.readings);
        draft.readability = d;
        let mut notes = Sentence::none();
        if !window.proven {
            notes = remark!("the scale cannot prove this tolerance");
        }
        if tare.unproven > Mass::ZERO {
            let by = tare.unproven.ceil_to(d).grams(d);
            let unproven = match verdict {
                Some(Verdict::Inside) => remark!("tare known to {by} g only", by),
                Some(_) | None => remark!("tare not proven: it may be off by {by} g", by),
            };
            notes = joined(notes, unproven);
        }
        if tare.carried > 0 {
            notes = joined(notes, remark!("tare carried over a key press or a lift"));
        }
        draft.note = joined(notes, self.short_jar(net)).into();
        draft
    }

    /// How far a look at the same load may be off what was recorded of it.
    pub(super) fn scatter_of(&self, scale: ScaleIndex, tare: &Tare, wander: Mass, d: Mass) -> Mass {
        let scatter = self.scatter(scale, d.max(tare.d), tare.carried, wander);
        scatter.expanded() + tare.unproven
    }

    pub(super) fn on_logged(&mut self, ticket: u64, seq: u64) {
        if std::mem::take(&mut self.log_failed) {
            self.fault_ends(None, FaultCode::NotLogged);
            self.repeat_cue();
        }
        let run = &mut self.run;
        if let Some(i) = run.corrections.iter().position(|c| c.ticket == ticket) {
            let correction = run.corrections.swap_remove(i);
            for deed in &mut run.deeds {
                match deed {
                    Deed::Weighed { index, seq: newest } if *index == correction.step => {
                        *newest = seq;
                    }
                    Deed::Weighed { .. } | Deed::Residue { .. } | Deed::Lot { .. } => {}
                }
            }
            // A later correction names this row.
            if let State::Lift(written) = &mut run.state
                && written.ticket == ticket
            {
                written.seq = seq;
            }
            for (_, written) in run.lifted() {
                if written.ticket == ticket {
                    written.seq = seq;
                }
            }
            let elsewhere = correction.lot && correction.step != run.step;
            match run.done.get_mut(correction.step) {
                // Nothing that stands on a scale was recorded: who waits for that hears nothing.
                Some(Some(weighed)) if elsewhere => weighed.seq = seq,
                Some(_) | None => {
                    self.recorded(correction.step, seq, correction.net, correction.verdict);
                }
            }
            return;
        }
        let state = match &run.state {
            State::Residue(emptied) if emptied.ticket == Some(ticket) => {
                let emptied = *emptied;
                self.residue_logged(emptied, seq)
            }
            State::Writing(pending) if pending.ticket == ticket => {
                let pending = **pending;
                self.written(pending, seq)
            }
            _ => return,
        };
        self.enter(state);
    }

    /// Marks a step (by index) as recorded and says so.
    pub(super) fn recorded(&mut self, index: usize, seq: u64, net: Mass, verdict: Option<Verdict>) {
        let run = &mut self.run;
        let Some(step) = run.plan.steps.get(index).cloned() else {
            return;
        };
        if let Some(done) = run.done.get_mut(index) {
            *done = Some(Weighed { seq, net, verdict });
        }
        let readability = self.readability(step.scale);
        self.out.push_back(Event::Recorded {
            step: step.number,
            ingredient: step.ingredient.clone(),
            net,
            verdict,
            seq,
            readability,
        });
    }

    fn written(&mut self, pending: Pending, seq: u64) -> State {
        let lifted = pending.lifted;
        let written = Written::new(pending, seq);
        let Some(step) = self.step_now() else {
            return State::Lift(Box::new(written));
        };
        let d = self.readability(step.scale);
        let gross = written.weight.shown - self.zero(step.scale);
        let index = self.run.step;
        self.run.coming.last_gross = (step.vessel.is_apart()).then_some(gross);
        self.run.bowl.gross = (step.vessel == VesselWay::Bowl).then_some(gross);
        self.run.deeds.push(Deed::Weighed {
            index,
            seq: written.seq,
        });
        self.recorded(
            index,
            written.seq,
            written.weight.net,
            written.weight.verdict,
        );
        self.remember_vessel(index, step.vessel, &written.weight.tare);
        let mut say = Words::from(phrases::recorded(
            step.vessel,
            written.weight.net,
            d,
            written.weight.no_lift,
        ));
        let unproven = written.weight.tare.unproven;
        if written.weight.verdict.is_none() && unproven > Mass::ZERO {
            say.say = say.say.and(phrases::tare_not_proven(unproven, d));
        }
        if let Some(so_far) = self.jars_so_far(d) {
            say.say = say.say.and(so_far);
        }
        if written.weight.verdict == Some(Verdict::Kept)
            && let Some(broken) = self.out_of_limits()
        {
            say.say = say.say.and(broken).and(phrase!("A remedy may mend it."));
            say = say.asking(Ask::Remedy);
        }
        if lifted {
            let say = phrase!(
                "Recorded {net} g.",
                net = phrases::grams(written.weight.net, d)
            );
            self.cue(CueKind::Lift, say, None, &[]);
            self.vessel_gone(step.scale, written)
        } else {
            let kind = if written.weight.no_lift {
                CueKind::Hold
            } else {
                CueKind::Lift
            };
            self.cue(kind, say, None, &[]);
            State::Lift(Box::new(written))
        }
    }

    /// The bowl stays: what it weighs now is the next step's tare.
    pub(super) fn next_in_bowl(&mut self, written: Written, base: Mass, d: Mass) -> State {
        if let Some(step) = self.step_now() {
            self.keep_for_the_lift(step.scale, written);
        }
        self.run.bowl.base = Some((base, d));
        self.go_on()
    }

    pub(super) fn on_not_logged(&mut self, ticket: u64, why: Sentence) {
        self.log_failed = true;
        self.fault_begins(None, FaultCode::NotLogged);
        let waiting =
            matches!(&self.run.state, State::Writing(pending) if pending.ticket == ticket);
        let say = if waiting {
            phrase!(
                "NOT recorded: {why}. The weight is kept and written as soon as it can be. Leave the beaker.",
                why
            )
        } else {
            phrase!(
                "A log row is not written yet: {why}. It is kept and tried again.",
                why
            )
        };
        self.cue_urgent(CueKind::Fault, say, &[]);
    }

    pub(super) fn in_writing(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        mut pending: Box<Pending>,
    ) -> State {
        let key = seen.jump.filter(|jump| self.is_key(scale, *jump, seen.d));
        if let Some(key) = key {
            let by = key.to - key.from;
            self.shift_zero(scale, by, key.sure);
            if pending.lifted {
                pending.weight.shift(by);
            } else {
                pending.weight.keyed(key, seen.d);
            }
            return State::Writing(pending);
        }
        let left = self.has_left(scale, seen, &mut pending.weight);
        let lifted = left || self.is_lifted(scale, seen, &pending.weight);
        if !pending.weight.no_lift && lifted {
            pending.lifted = true;
            self.run.coming.in_transit = left;
            self.run.coming.leaving = left;
        }
        State::Writing(pending)
    }
}
