//! A remedy is chosen: the plan changes under way, and the log says so.

use super::Engine;
use super::commands::plain_text;
use super::phrases::Words;
use super::run::Run;
use crate::formula::amend::{Amendment, change_of};
use crate::formula::limits::{Held, Outside, bounds, outside, outside_by_lot};
use crate::formula::remedy::{Part, remedy};
use crate::language::{Sentence, counted, phrase, remark};
use crate::mass::Mass;
use crate::vocabulary::code::Help;
use crate::vocabulary::command::Choice;
use crate::vocabulary::command::Way;
use crate::vocabulary::cue::Ask;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::entry::RowKind;
use crate::vocabulary::progress::Refused;

impl Run {
    /// What of each part is in the batch, or is still to be weighed as planned.
    pub(super) fn parts(&self) -> Vec<Part> {
        self.plan.held(|number| {
            let index = number.checked_sub(1)?;
            let stayed = self.residues.get(&index).copied().unwrap_or_default();
            Some((*self.done.get(index)?)?.net - stayed)
        })
    }

    /// The same with the lots they were taken from; each of the lot that was named last.
    fn held<'r>(&'r self, parts: &[Part]) -> Vec<Held<'r>> {
        (self.plan.parts.iter().zip(parts))
            .map(|(planned, part)| Held {
                ingredient: &planned.name,
                lot: self.lots.get(&planned.name).map_or("", |lot| lot),
                mass: part.held,
            })
            .collect()
    }
}

impl Engine {
    /// The steps of a remedy are added to the plan.
    ///
    /// # Errors
    /// While a weighing is under way, and where that way leads to no batch inside all limits.
    pub(super) fn take_remedy(&mut self, way: Way) -> Result<Sentence, Refused> {
        let refused = |text: Sentence| Err(Refused::new(text));
        let d = self.coarsest_step();
        let run = &self.run;
        if run.plan.parts.is_empty() {
            return refused(phrase!(
                "Jars are being filled; there is nothing to remedy in a formula."
            ));
        }
        if !run.state.is_between() {
            return refused(phrase!(
                "A weighing is under way. Finish it and lift its vessel; then choose the remedy."
            ));
        }
        let parts = run.parts();
        let names: Vec<&str> = (run.plan.parts.iter())
            .map(|planned| planned.name.as_str())
            .collect();
        let bounds = bounds(&run.plan.limits, &names, &run.held(&parts));
        let Some(found) = remedy(way, &parts, &bounds, d) else {
            let say = phrase!(
                "There is no remedy by that way ({way}): it leads to no batch inside all limits.",
                way = way.said()
            );
            return Err(Refused::helped(say, Help::Remedies));
        };
        let done: Vec<bool> = run.done.iter().map(Option::is_some).collect();
        let is_done = |number: usize| done.get(number - 1).copied().unwrap_or(false);
        let Some(change) = change_of(&found, &parts, &run.plan, run.step + 1, is_done) else {
            self.note(remark!(
                "the over-pour is kept; every ingredient is inside its limits"
            ));
            return Ok(phrase!(
                "Nothing is added; every ingredient is inside its limits."
            ));
        };
        if change.add.is_empty() && change.later.is_empty() {
            return Ok(phrase!(
                "Nothing has to be added; the batch stands in proportion."
            ));
        }
        self.amend(&change);
        let state = self.go_on();
        self.enter(state);
        let steps = match change.add.len() {
            0 => phrase!("no step"),
            n => counted::steps(n),
        };
        let raised = match change.later.len() {
            0 => Sentence::none(),
            1 => phrase!(", 1 target raised"),
            n => phrase!(", {n} targets raised", n),
        };
        Ok(phrase!(
            "The batch becomes {batch} g: {steps} more{raised}.",
            batch = found.batch.grams(d),
            steps,
            raised
        ))
    }

    /// The coarsest readability of the scales in the plan: additions are whole steps of it.
    fn coarsest_step(&self) -> Mass {
        let steps = self.run.plan.steps.iter();
        let coarsest = steps.map(|step| self.readability(step.scale)).max();
        coarsest.unwrap_or(Mass::from_mg(10))
    }

    /// Writes a change of the plan and follows it.
    pub(super) fn amend(&mut self, change: &Amendment) {
        let d = self.coarsest_step();
        let run = &mut self.run;
        let note = change.note(&run.plan, d);
        let before = run.plan.steps.len();
        run.plan = run.plan.amended(change);
        let more = run.plan.steps.len().saturating_sub(before);
        let at = change.before.saturating_sub(1).min(run.done.len());
        run.done.splice(at..at, std::iter::repeat_n(None, more));
        run.renumber(at, more);
        run.mixing.pending = None;
        run.limits_accepted = false;
        run.deeds.clear();
        let batch = run.plan.batch;
        let mut draft = self.batch_draft(RowKind::Remedy);
        draft.target = Some(batch);
        draft.note = note;
        self.log(draft);
    }

    /// What would be over or under its limits if `ingredient` came from `lot`, by the lot's certificate or by what that
    /// batch was made of: one sentence each, or nothing.
    pub fn out_of_limits_with(&self, ingredient: &str, lot: &str) -> Option<String> {
        let (run, lot) = (&self.run, plain_text(lot));
        let parts = run.parts();
        let total: Mass = parts.iter().map(|part| part.held).sum();
        let mut held = run.held(&parts);
        for one in held.iter_mut().filter(|one| one.ingredient == ingredient) {
            one.lot = &lot;
        }
        outside_by_lot(&run.plan.limits, &held, total, (ingredient, &lot))
    }

    /// What is over or under its limits, where not every weight is inside its tolerance or a lot's
    /// certificate makes it so: one sentence, or nothing.
    pub(super) fn out_of_limits(&self) -> Option<Sentence> {
        let run = &self.run;
        let parts = run.parts();
        let total: Mass = parts.iter().map(|part| part.held).sum();
        let off_target = |(part, planned): (&Part, &crate::formula::PlannedPart)| {
            part.held > planned.target + planned.over || part.held < planned.target - planned.under
        };
        let off_target = parts.iter().zip(&run.plan.parts).any(off_target);
        let held = run.held(&parts);
        let as_planned: Vec<Held> = held.iter().map(|held| Held { lot: "", ..*held }).collect();
        let as_planned = outside(&run.plan.limits, &as_planned, total);
        // Tolerances that reach over a limit were told by the plan.
        let new = |one: &&Outside| {
            off_target
                || as_planned
                    .iter()
                    .all(|other| other.ingredient != one.ingredient)
        };
        let outside = outside(&run.plan.limits, &held, total);
        outside
            .iter()
            .filter(new)
            .map(Outside::told)
            .reduce(Sentence::and)
    }

    /// The last weight is recorded, and an ingredient is outside its limits: the batch is not closed
    /// without a word.
    pub(super) fn ask_about_limits(&mut self) -> bool {
        if self.run.limits_accepted {
            return false;
        }
        let Some(broken) = self.out_of_limits() else {
            return false;
        };
        let say = broken.and(phrase!(
            "A remedy may mend it; say next to close the batch as it is."
        ));
        let say = Words::from(say).asking(Ask::Remedy);
        self.cue_urgent(CueKind::Choose, say, &[Choice::Next]);
        true
    }

    /// `next` on that question.
    pub(super) fn close_out_of_limits(&mut self) -> Sentence {
        let broken = self.out_of_limits().unwrap_or_default();
        self.note(remark!("closed as it is. {said}", said = broken));
        self.run.limits_accepted = true;
        let state = self.go_on();
        self.enter(state);
        phrase!("The batch is closed as it is.")
    }
}
