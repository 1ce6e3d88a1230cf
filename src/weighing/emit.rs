//! Output of the engine: cues to the maker, rows to the log.

use super::Engine;
use super::event::Event;
use super::phrases::Words;
use super::run::Spoken;
use super::state::State;
use crate::formula::Step;
use crate::language::Sentence;
use crate::mass::Mass;
use crate::time::Moment;
use crate::vocabulary::code::FaultCode;
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::{Cue, CueKind};
use crate::vocabulary::entry::{Draft, RowKind};
use crate::vocabulary::reading::ScaleIndex;

/// What was told beside what is to be done.
#[derive(Debug, Clone)]
pub(super) struct Told {
    at: Moment,
    /// It goes along with what is said until then.
    until: Moment,
    what: Sentence,
    choices: Vec<Choice>,
}

impl Told {
    fn beside(&self, cue: Cue) -> Cue {
        let mut choices = cue.choices;
        for choice in &self.choices {
            if !choices.contains(choice) {
                choices.push(*choice);
            }
        }
        Cue {
            say: self.what.clone().and(cue.say),
            lead: 0,
            urgent: true,
            choices,
            ..cue
        }
    }
}

impl Engine {
    pub(super) fn cue(
        &mut self,
        kind: CueKind,
        say: impl Into<Words>,
        missing: Option<Mass>,
        choices: &[Choice],
    ) {
        let cue = self.plain_cue(kind, say.into(), missing, choices);
        self.last_cue = Some(cue.clone());
        self.fault = None;
        let cue = self.with_what_was_told(cue);
        self.say(cue);
    }

    /// What was told beside the cue before, by this very reading, goes along: nobody has read it yet. So does
    /// what is to be set otherwise at the scale, for as long as that may take.
    fn with_what_was_told(&self, cue: Cue) -> Cue {
        match &self.told {
            Some(told) if told.until >= self.now => told.beside(cue),
            Some(_) | None => cue,
        }
    }

    /// Something went wrong, for programs; what a person is to do is said apart from it.
    pub(super) fn fault_begins(&mut self, scale: Option<ScaleIndex>, code: FaultCode) {
        let over = false;
        self.out.push_back(Event::Fault { scale, code, over });
    }

    /// It came right again.
    pub(super) fn fault_ends(&mut self, scale: Option<ScaleIndex>, code: FaultCode) {
        let over = true;
        self.out.push_back(Event::Fault { scale, code, over });
    }

    fn say(&mut self, cue: Cue) {
        self.run.spoken = Spoken {
            at: self.now,
            hold: cue.kind == CueKind::Hold,
            ..Spoken::default()
        };
        self.out.push_back(Event::Cue(cue));
    }

    /// Whether the sentence that stands is of one of these kinds.
    pub(super) fn was_said(&self, kinds: &[CueKind]) -> bool {
        let last = self.last_cue.as_ref();
        last.is_some_and(|last| kinds.contains(&last.kind))
    }

    /// Says something in place of the sentence that stands, until the pan rests.
    pub(super) fn say_meanwhile(&mut self, say: impl Into<Words>) {
        let cue = self.plain_cue(CueKind::Hold, say.into(), None, &[]);
        self.say(cue);
        self.run.spoken.meanwhile = true;
    }

    /// Whether this question is what was said last.
    pub(super) fn stands_as(&self, kind: CueKind, say: &Words, choices: &[Choice]) -> bool {
        match (kind, &self.fault, &self.last_cue) {
            (CueKind::Fault, fault, _) => fault.as_ref().map(|cue| &cue.say) == Some(&say.say),
            (_, None, Some(last)) => last.kind == kind && last.choices == choices,
            (_, Some(_), _) | (_, _, None) => false,
        }
    }

    /// A cue about the running step, not urgent.
    fn plain_cue(
        &self,
        kind: CueKind,
        words: Words,
        missing: Option<Mass>,
        choices: &[Choice],
    ) -> Cue {
        let step = self.run.current();
        let Words { say, lead, asks } = words;
        Cue {
            kind,
            say,
            lead,
            asks,
            step: step.map_or(0, |step| step.number),
            missing,
            choices: choices.to_vec(),
            urgent: false,
        }
    }

    pub(super) fn cue_urgent(&mut self, kind: CueKind, say: impl Into<Words>, choices: &[Choice]) {
        self.cue_urgent_with(kind, say, None, choices);
    }

    pub(super) fn cue_urgent_with(
        &mut self,
        kind: CueKind,
        say: impl Into<Words>,
        missing: Option<Mass>,
        choices: &[Choice],
    ) {
        let mut cue = self.plain_cue(kind, say.into(), missing, choices);
        cue.urgent = true;
        // A fault does not hide what is to be done: that is said again when the fault is over.
        if kind == CueKind::Fault {
            self.fault = Some(cue.clone());
        } else {
            self.last_cue = Some(cue.clone());
            self.fault = None;
            cue = self.with_what_was_told(cue);
        }
        self.say(cue);
    }

    /// Tells of something beside what is to be done, or the fault that stands before it; that is said again
    /// with it, so that the sentence which stands is never without it.
    pub(super) fn tell_beside(&mut self, what: Sentence, kind: CueKind, choices: &[Choice]) {
        let last = self.standing_cue();
        // Who is to set something down or to lift it is not to hold still.
        let moves = matches!(kind, CueKind::Place | CueKind::Lift);
        let last = last.filter(|last| !(moves && last.kind == CueKind::Hold));
        let Some(last) = last.cloned() else {
            self.cue_urgent(kind, what, choices);
            return;
        };
        let mut told = Told {
            at: self.now,
            until: self.now,
            what,
            choices: choices.to_vec(),
        };
        if let Some(before) = self.told.take().filter(|before| before.at == self.now) {
            told.what = before.what.and(told.what);
            told.choices.extend(before.choices);
        }
        let cue = told.beside(last);
        self.told = Some(told);
        self.say(cue);
    }

    /// What was told just now goes along with what is said for so many microseconds.
    pub(super) fn told_for(&mut self, us: u64) {
        let until = self.now.plus_micros(us);
        if let Some(told) = self.told.as_mut().filter(|told| told.at == self.now) {
            told.until = until;
        }
    }

    /// The fault, or what is to be done.
    fn standing_cue(&self) -> Option<&Cue> {
        self.fault.as_ref().or(self.last_cue.as_ref())
    }

    fn what_stands(&self) -> Option<Cue> {
        let cue = self.standing_cue()?;
        Some(self.with_what_was_told(cue.clone()))
    }

    /// The sentence that stands.
    pub(super) fn standing(&self) -> Option<Sentence> {
        self.what_stands().map(|cue| cue.say)
    }

    /// Says it again, the fault or what is to be done.
    pub(super) fn say_what_stands(&mut self) {
        if let Some(cue) = self.what_stands() {
            self.say(cue);
        }
    }

    pub(super) fn repeat_cue(&mut self) {
        self.fault = None;
        if let Some(cue) = self.last_cue.clone() {
            if let State::Tared(tared) = &mut self.run.state
                && cue.kind == CueKind::Hold
            {
                // What was to be done at rest, the fault stood in place of.
                tared.approach.said = None;
            }
            self.say(self.with_what_was_told(cue));
        }
    }

    /// Queues a row and gives its ticket.
    pub(super) fn log(&mut self, mut draft: Draft) -> u64 {
        let ticket = self.next_ticket;
        self.next_ticket += 1;
        draft.ticket = ticket;
        draft.at = self.now;
        self.out.push_back(Event::Log(Box::new(draft)));
        ticket
    }

    /// A draft with what is known of the running step, and no weights.
    pub(super) fn draft(&self, kind: RowKind) -> Draft {
        self.draft_of(kind, self.run.current())
    }

    /// A draft with what is known of `step`, and no weights.
    pub(super) fn draft_of(&self, kind: RowKind, step: Option<&Step>) -> Draft {
        let phase = step.and_then(|step| self.run.plan.phases.get(step.phase));
        let ingredient = step.map(|step| step.ingredient.clone()).unwrap_or_default();
        // What is recorded keeps the lot of its record, whichever was named since.
        let own = step.and_then(|step| self.run.rows.get(&step.number.checked_sub(1)?));
        let last = self.run.lots.get(&ingredient);
        let lot = own.map(|row| &row.lot).or(last);
        let lot = lot.cloned().unwrap_or_default();
        Draft {
            step: step.map_or(0, |step| step.number),
            phase: phase.map(|phase| phase.name.clone()).unwrap_or_default(),
            ingredient,
            lot,
            vessel: step
                .map(|step| step.vessel.name().to_owned())
                .unwrap_or_default(),
            scale: step
                .map(|step| self.scale_name(step.scale))
                .unwrap_or_default(),
            readability: step.map_or(Mass::from_mg(10), |step| self.readability(step.scale)),
            ..Draft::new(kind, "")
        }
    }

    /// A draft about the batch, not about a step.
    pub(super) fn batch_draft(&self, kind: RowKind) -> Draft {
        Draft {
            readability: self.draft(kind).readability,
            ..Draft::new(kind, "")
        }
    }

    pub(super) fn note(&mut self, text: impl Into<String>) {
        if self.run.is_begun() {
            let mut draft = self.draft(RowKind::Note);
            draft.note = text.into();
            self.log(draft);
        }
    }
}
