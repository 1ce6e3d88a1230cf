//! Ways back: the last deed taken back, a step left out, something begun by mistake given up.

use super::Engine;
use super::commands::plain_text;
use super::run::{Deed, Lost};
use super::state::{Removed, State};
use crate::formula::{Step, VesselWay};
use crate::language::{Sentence, phrase, remark};
use crate::mass::Mass;
use crate::vocabulary::command::Command;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::entry::{RowKind, Verdict, corrects_note, lot_named, lot_taken_back};
use crate::vocabulary::progress::{Refused, Weighed};

impl Engine {
    /// What [`Engine::undo`] would take back, in words; `None` where nothing is left.
    pub(super) fn undoes(&self) -> Option<Sentence> {
        let run = &self.run;
        let name = |index: usize| Some(run.plan.steps.get(index)?.ingredient.as_str());
        Some(match run.deeds.last()? {
            Deed::Weighed { index, .. } => {
                let step = self.step_at(*index)?;
                match run.done.get(*index).copied().flatten() {
                    Some(weighed) if weighed.is_left_out() => {
                        phrase!("leaving {name} out", name = &step.ingredient)
                    }
                    Some(weighed) => {
                        let d = self.readability(step.scale);
                        let net = super::phrases::grams(weighed.net, d);
                        phrase!("{net} g {name}", net, name = &step.ingredient)
                    }
                    None => Sentence::from(step.ingredient.clone()),
                }
            }
            Deed::Residue { index, .. } => {
                phrase!("what stayed in the beaker of {name}", name = name(*index)?)
            }
            Deed::Lot { ingredient, .. } => phrase!("the lot of {ingredient}", ingredient),
        })
    }

    /// Takes back what was done last.
    ///
    /// # Errors
    /// While a weight is being written, where nothing can be taken back, and where what was weighed is
    /// in a bowl with more on top of it.
    pub(super) fn undo(&mut self) -> Result<Sentence, Refused> {
        let refused = |text: Sentence| Err(Refused::new(text));
        let run = &mut self.run;
        if matches!(run.state, State::Writing(_)) || !run.corrections.is_empty() {
            return refused(phrase!(
                "The weight is being written; say undo when it is recorded."
            ));
        }
        let Some(deed) = run.deeds.last().cloned() else {
            return refused(phrase!(
                "Nothing is left to take back: only what was recorded since bismar was started can be."
            ));
        };
        match deed {
            Deed::Weighed { index, seq } => {
                if !matches!(run.state, State::Lift(_)) {
                    return self.undo_weight(index, seq);
                }
                // The recorded vessel still stands there: its step begins again.
                self.command(Command::Again, self.now)
            }
            Deed::Residue { index, seq } => {
                run.deeds.pop();
                run.residues.remove(&index);
                let step = run.plan.steps.get(index).cloned();
                let name = step.as_ref().map_or("", |step| step.ingredient.as_str());
                let said = phrase!("What stayed in the beaker of {name} is taken back.", name);
                let mut draft = self.draft_of(RowKind::Residue, step.as_deref());
                draft.note = corrects_note(seq, remark!("taken back")).into();
                self.log(draft);
                if matches!(self.run.state, State::Residue(_)) {
                    let state = self.go_on();
                    self.enter(state);
                }
                Ok(said)
            }
            Deed::Lot {
                ingredient,
                before,
                of,
            } => {
                run.deeds.pop();
                let lot = before.clone().unwrap_or_default();
                // Its record may be taken back meanwhile.
                match of.filter(|index| run.rows.contains_key(index)) {
                    Some(index) => drop(self.correct_lot(index, &lot)),
                    None => {
                        match before {
                            Some(lot) => run.lots.insert(ingredient.clone(), lot),
                            None => run.lots.remove(&ingredient),
                        };
                        let mut steps = run.plan.steps.iter();
                        let step = steps.find(|step| step.ingredient == ingredient).cloned();
                        self.note_lot(step.as_deref(), &ingredient, &lot);
                    }
                }
                Ok(match lot.as_str() {
                    "" => phrase!("The lot of {ingredient} is taken back.", ingredient),
                    lot => phrase!("The lot of {ingredient} is {lot} again.", ingredient, lot),
                })
            }
        }
    }

    /// Logs the lot that is named for an ingredient now; an empty one is none.
    pub(super) fn note_lot(&mut self, step: Option<&Step>, ingredient: &str, lot: &str) {
        let mut draft = self.draft_of(RowKind::Note, step);
        lot.clone_into(&mut draft.lot);
        draft.note = match lot {
            "" => lot_taken_back(ingredient),
            lot => lot_named(ingredient, lot),
        };
        self.log(draft);
    }

    fn undo_weight(&mut self, index: usize, seq: u64) -> Result<Sentence, Refused> {
        let Some(step) = self.step_at(index) else {
            return Ok(Sentence::none());
        };
        let run = &mut self.run;
        if !run.state.is_between()
            && !matches!(run.state, State::Landing(_) | State::TareUnknown(_))
        {
            let empty = matches!(
                &run.state,
                State::Tared(tared) | State::Removed(Removed { tared, .. }) if !tared.content.poured
            );
            if !empty {
                return Err(Refused::new(phrase!(
                    "A weighing is under way. Finish it, or say again; then say undo."
                )));
            }
        }
        let poured_on = !run.state.is_between() && step.vessel == VesselWay::Bowl;
        let written = match run.bowl.records.iter().find(|(of, _)| *of == index) {
            Some(written) => Some(written),
            None => run.lifted_last().filter(|(of, _)| *of == index),
        };
        // What the bowl weighed before it.
        let before = written.and_then(|(_, written)| written.weight.tare.vessel);
        let Some(weighed) = self.withdraw(index, seq) else {
            return Ok(phrase!("It is taken back already."));
        };
        let mut state = self.go_on();
        if step.vessel == VesselWay::Bowl {
            match self.is_fresh_bowl() {
                true => {
                    self.run.coming.lost_vessel = before.map(|empty| Lost {
                        empty: Some(empty),
                        unpoured: false,
                    });
                }
                false => self.run.bowl.gross = before,
            }
        }
        if poured_on && self.is_loaded(step.scale) && matches!(state, State::Landing(_)) {
            // Some of the next step may be in it as well: all that is taken back is to be out of it first.
            state = self.ask_clear(step.vessel, false);
        }
        self.enter(state);
        let d = self.readability(step.scale);
        if weighed.is_left_out() {
            return Ok(phrase!(
                "{name} is left out no more: its step is open again.",
                name = &step.ingredient
            ));
        }
        if weighed.net <= d {
            return Ok(phrase!("{name} is to be weighed.", name = &step.ingredient));
        }
        let (net, name) = (super::phrases::grams(weighed.net, d), &step.ingredient);
        let first = phrase!("Take the {net} g {name} out of the batch first.", net, name);
        self.tell_beside(first, CueKind::Fault, &[]);
        Ok(phrase!(
            "{name} is to be weighed again; take the {net} g out of the batch.",
            name,
            net
        ))
    }

    /// Takes the record of a step (by index) out of the batch: a row without a net weight says so, and
    /// nobody who reads the log counts it any more.
    pub(super) fn withdraw(&mut self, index: usize, seq: u64) -> Option<Weighed> {
        let step = self.step_at(index)?;
        let run = &mut self.run;
        run.deeds
            .retain(|deed| !matches!(deed, Deed::Weighed { index: other, .. } if *other == index));
        let weighed = run.done.get_mut(index).and_then(Option::take)?;
        run.mixing.done.retain(|phase| *phase != step.phase);
        run.mixing.pending = None;
        run.emptied.remove(&index);
        run.rows.remove(&index);
        run.residues.remove(&index);
        run.give_up_lift_check();
        run.bowl.records.retain(|(other, _)| *other != index);
        run.bowl.from_the_log.retain(|other| *other != index);
        run.put_away.take_if(|(other, _)| *other == index);
        run.bowl.base = None;
        run.bowl.gross = None;
        run.limits_accepted = false;
        run.corrects.insert(index, seq);
        let mut draft = self.draft_of(self.weight_kind(), Some(&step));
        draft.note = corrects_note(seq, remark!("taken back, to be weighed again")).into();
        self.log(draft);
        Some(weighed)
    }

    /// Leaves the running step out.
    ///
    /// # Errors
    /// Without a reason, and while something of it is on the scale or being written.
    pub(super) fn skip(&mut self, reason: &str) -> Result<Sentence, Refused> {
        let reason = plain_text(reason);
        let refused = |text: Sentence| Err(Refused::new(text));
        if reason.is_empty() {
            return refused(phrase!("Say why the step is left out, for the log."));
        }
        let Some(step) = self.step_now() else {
            return refused(phrase!("Every step is weighed; nothing is left to skip."));
        };
        let open = match &self.run.state {
            State::Tared(tared) | State::Removed(Removed { tared, .. }) => !tared.content.poured,
            State::Clear { .. } | State::Empty | State::Landing(_) | State::TareUnknown(_) => true,
            State::VesselMismatch { .. }
            | State::Writing(_)
            | State::Lift(_)
            | State::Mix { .. }
            | State::Residue(_)
            | State::Choose
            | State::Done => false,
        };
        if !open {
            return refused(phrase!(
                "Something of this step is on the scale or recorded. Keep it, or say again first."
            ));
        }
        let mut draft = self.draft_of(RowKind::Weighed, Some(&step));
        draft.target = Some(step.target);
        draft.net = Some(Mass::ZERO);
        draft.verdict = Some(Verdict::Kept);
        let skipped = remark!("skipped: {text}", text = reason);
        draft.note = match self.run.corrects.get(&self.run.step) {
            Some(seq) => corrects_note(*seq, skipped).into(),
            None => skipped.into(),
        };
        let ticket = self.log(draft);
        let index = self.index_now();
        self.run.corrections.push(super::state::Correction {
            ticket,
            step: index,
            net: Mass::ZERO,
            verdict: Some(Verdict::Kept),
            lot: false,
        });
        // Its row is on its way; the step does not come again meanwhile.
        if let Some(done) = self.run.done.get_mut(index) {
            *done = Some(Weighed {
                seq: 0,
                net: Mass::ZERO,
                verdict: Some(Verdict::Kept),
            });
        }
        self.run.deeds.push(Deed::Weighed { index, seq: 0 });
        self.run.coming.last_gross = None;
        let state = self.go_on();
        self.enter(state);
        Ok(phrase!("{name} is left out.", name = &step.ingredient))
    }

    /// Gives up what was begun besides the steps.
    pub(super) fn cancel(&mut self) -> Sentence {
        match self.run.state {
            State::Residue(emptied) => {
                if emptied.ticket.is_some() && !emptied.logged {
                    return phrase!("It is being written; a moment.");
                }
                let state = self.go_on();
                self.enter(state);
                phrase!("The beaker is left as it is.")
            }
            _ => phrase!("Nothing was begun that could be given up."),
        }
    }
}
