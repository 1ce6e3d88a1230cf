//! The residue in a beaker: put back emptied, it is weighed once more.

use super::Engine;
use super::order::vessel_at_least;
use super::pan::{JumpCause, Observation};
use super::run::Deed;
use super::state::{Emptied, State};
use super::steady::Level;
use super::zero::Load;
use crate::formula::VesselWay;
use crate::formula::amend::{Added, Amendment, Cause};
use crate::language::{Sentence, phrase, remark};
use crate::mass::Mass;
use crate::metrology::{Uncertainty, Weighing};
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::entry::RowKind;
use crate::vocabulary::progress::Refused;
use crate::vocabulary::reading::ScaleIndex;

/// More than a quarter of what was weighed does not stay in a beaker that was emptied: it is full
/// still, or another one. Common practice, no source.
fn most_that_stays(net: Mass) -> Mass {
    net.ratio(1, 4)
}

impl Engine {
    /// The maker is about to put an emptied beaker back: that of the step `number`, or the last one.
    pub(super) fn weigh_residue(&mut self, number: Option<usize>) -> Result<Sentence, Refused> {
        let refused = |text: Sentence| Err(Refused::new(text));
        if self.fill().is_some() {
            return refused(phrase!(
                "Jars are being filled; no beaker is weighed back now."
            ));
        }
        let run = &self.run;
        if !run.state.is_between() {
            return refused(phrase!(
                "A weighing is under way. Finish it and lift its vessel; then say residue."
            ));
        }
        let known =
            |index: &usize| run.emptied.contains_key(index) && !run.residues.contains_key(index);
        let index = match number {
            Some(number) => number.checked_sub(1).filter(known),
            // The last one weighed, and no other: said twice, it means no earlier beaker.
            None => run.emptied.keys().copied().max().filter(known),
        };
        let Some((index, step)) = index.and_then(|i| Some((i, run.plan.steps.get(i)?.clone())))
        else {
            return refused(phrase!(
                "There is no emptied beaker to weigh: it must have been weighed empty in this batch, \
                 with a sure tare, since bismar was started, and not weighed back yet. For an earlier \
                 step than the last, name its number."
            ));
        };
        let vessel = run.emptied.get(&index).copied().unwrap_or_default();
        let pan = &self.pans[step.scale];
        let last = pan
            .last
            .map(|last| self.load(step.scale, last.weight, pan.d()));
        let empty =
            last == Some(Load::Nothing) && pan.zero.is_some_and(|zero| zero.seen) && !pan.gap;
        let say = phrase!(
            "Put the emptied beaker of {name} on the scale (it weighed {vessel} g empty).",
            name = &step.ingredient,
            vessel = vessel.grams(self.readability(step.scale))
        );
        let state = State::Residue(Emptied {
            step: index,
            vessel,
            empty,
            ticket: None,
            net: Mass::ZERO,
            missing: None,
            logged: false,
            said: false,
        });
        self.enter(state);
        self.cue(CueKind::Place, say.clone(), None, &[Choice::Cancel]);
        Ok(say)
    }

    pub(super) fn in_residue(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        mut emptied: Emptied,
    ) -> State {
        if seen.after_gap {
            self.frame_after_gap(scale, seen);
            emptied.empty = false;
        }
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            // Whatever it was, the empty pan must be seen again before a beaker is believed.
            let key = jump.cause == JumpCause::Key;
            match key {
                true => self.shift_zero(scale, jump.to - jump.from, jump.sure),
                false => self.set_zero(scale, jump.to, false),
            }
            emptied.empty = false;
            return self.residue_lifted(emptied, !key);
        }
        emptied.empty &= !seen.may_be_key() && !seen.unit_changed;
        match (self.load(scale, seen.weight, seen.d), seen.steady) {
            (Load::Nothing, level) => {
                if let Some(level) = level {
                    self.see_zero(scale, level.weight);
                    emptied.empty = true;
                    // What comes next is told of anew.
                    emptied.said = false;
                }
                self.residue_lifted(emptied, seen.plateau)
            }
            (Load::BelowEmpty, Some(level)) => {
                self.see_zero(scale, level.weight);
                emptied.empty = true;
                self.residue_lifted(emptied, true)
            }
            (Load::Something, Some(level)) if emptied.ticket.is_none() => {
                self.judge_emptied(scale, level, emptied)
            }
            // What lies there still is far from being the beaker.
            (Load::Something, Some(level))
                if level.weight - self.zero(scale) < emptied.vessel.ratio(1, 2) =>
            {
                self.residue_lifted(emptied, true)
            }
            (Load::Something | Load::BelowEmpty, Some(_) | None) => State::Residue(emptied),
        }
    }

    /// The emptied beaker may be off the pan again. A delivery that is short stays a question.
    fn residue_lifted(&mut self, emptied: Emptied, off: bool) -> State {
        match off && emptied.logged && emptied.missing.is_none() {
            true => self.go_on(),
            false => State::Residue(emptied),
        }
    }

    fn judge_emptied(&mut self, scale: ScaleIndex, level: Level, mut emptied: Emptied) -> State {
        let exact = self.pans[scale].zero_is_exact();
        let first = !std::mem::replace(&mut emptied.said, true);
        if !emptied.empty || !exact {
            if first {
                let say = phrase!(
                    "Lift everything off the scale; then put the emptied beaker on, or say cancel."
                );
                self.cue(CueKind::Lift, say, None, &[Choice::Cancel]);
            }
            return State::Residue(emptied);
        }
        let run = &self.run;
        let index = emptied.step;
        let (Some(step), Some(Some(weighed))) = (
            run.plan.steps.get(index).cloned(),
            run.done.get(index).copied(),
        ) else {
            return State::Residue(emptied);
        };
        let mass = level.weight - self.zero(scale);
        let net = mass - emptied.vessel;
        // Four readings: two of the empty beaker then, two of the emptied one now.
        let wander = self.wander_now();
        let scatter = self.scatter(scale, level.d, 2, wander).expanded();
        let least = -(scatter + level.d);
        if net < least || net > most_that_stays(weighed.net).max(scatter) {
            if first {
                let say = phrase!(
                    "That is not the emptied beaker of {name}, going by its weight ({mass} g; empty it was {vessel} g). \
                     Lift it and put the right one on, or say cancel to leave it.",
                    name = &step.ingredient,
                    mass = mass.grams(level.d),
                    vessel = emptied.vessel.grams(level.d)
                );
                self.cue_urgent(CueKind::Choose, say, &[Choice::Cancel]);
            }
            return State::Residue(emptied);
        }
        // Less than nothing is the scale's scatter.
        let net = net.max(Mass::ZERO);
        let mut draft = self.draft_of(RowKind::Residue, Some(&step));
        draft.tare = Some(emptied.vessel);
        draft.gross = Some(mass);
        draft.net = Some(net);
        let weighing = Weighing {
            net,
            tare: Some(emptied.vessel),
            moved: true,
            readings: Uncertainty::TARE_AND_GROSS + 2,
            wander,
        };
        let uncertainty = self.uncertainty(scale, level.d, &weighing).expanded();
        draft.uncertainty = Some(uncertainty);
        draft.unit = self.pans[scale].unit;
        draft.readings = Some(level.readings);
        draft.readability = level.d;
        let went_in = remark!(
            "stayed in the beaker of seq {seq}; {net} g went in",
            seq = weighed.seq,
            net = (weighed.net - net).grams(level.d)
        );
        draft.note = went_in.into();
        emptied.net = net;
        emptied.ticket = Some(self.log(draft));
        State::Residue(emptied)
    }

    /// Its row is on the disk: now it counts, and what is missing is said.
    pub(super) fn residue_logged(&mut self, mut emptied: Emptied, seq: u64) -> State {
        emptied.logged = true;
        let run = &mut self.run;
        run.residues.insert(emptied.step, emptied.net);
        run.deeds.push(Deed::Residue {
            index: emptied.step,
            seq,
        });
        let Some(step) = run.plan.steps.get(emptied.step).cloned() else {
            return State::Residue(emptied);
        };
        let went_in = run.parts().get(step.part).map(|part| part.held);
        let planned = run.plan.parts.get(step.part);
        emptied.missing = planned
            .zip(went_in)
            .map(|(part, went_in)| (part.target - went_in, part.under))
            .filter(|(missing, under)| missing > under)
            .map(|(missing, _)| missing);
        let d = self.readability(step.scale);
        let stayed = emptied.net.grams(d);
        let name = &step.ingredient;
        let (kind, say, choices): (_, _, &[Choice]) = match emptied.missing {
            Some(missing) => (
                CueKind::Choose,
                phrase!(
                    "{missing} g {name} are missing: {stayed} g stayed in the beaker. Say next to weigh them, \
                     or cancel to leave it so.",
                    name,
                    stayed,
                    missing = missing.round_to(d).grams(d)
                ),
                &[Choice::Next, Choice::Cancel],
            ),
            None => (
                CueKind::Lift,
                phrase!(
                    "{stayed} g {name} stayed in the beaker; enough went in. Lift it.",
                    stayed,
                    name
                ),
                &[],
            ),
        };
        self.cue(kind, say, None, choices);
        State::Residue(emptied)
    }

    /// `next` while an emptied beaker is waited for, or while it is asked what to do.
    pub(super) fn next_after_residue(&mut self, emptied: Emptied) -> Sentence {
        let run = &self.run;
        let step = run.plan.steps.get(emptied.step).cloned();
        match (step, emptied.missing) {
            (Some(step), Some(missing)) => {
                let d = self.readability(step.scale);
                let mass = missing.round_to(d);
                let change = Amendment {
                    cause: Cause::Residue,
                    before: self.run.step + 1,
                    add: vec![Added {
                        part: step.part,
                        ng: mass.ng(),
                    }],
                    later: Vec::new(),
                    parts: Vec::new(),
                };
                self.amend(&change);
                let state = self.go_on();
                self.enter(state);
                phrase!(
                    "{mass} g {name} are weighed once more.",
                    mass = mass.grams(d),
                    name = &step.ingredient
                )
            }
            (_, _) if emptied.ticket.is_some() && !emptied.logged => {
                phrase!("It is being written; a moment.")
            }
            (_, _) => {
                let state = self.go_on();
                self.enter(state);
                phrase!("The beaker is left as it is.")
            }
        }
    }

    /// Remembers what the vessel of a recorded weight weighs empty, where that is sure.
    pub(super) fn remember_vessel(
        &mut self,
        index: usize,
        way: VesselWay,
        tare: &super::state::Tare,
    ) {
        let sure = tare.carried == 0 && tare.unproven == Mass::ZERO;
        let vessel = tare
            .vessel
            .filter(|vessel| way == VesselWay::Beaker && sure && *vessel > vessel_at_least(tare.d));
        match vessel {
            Some(vessel) => self.run.emptied.insert(index, vessel),
            None => self.run.emptied.remove(&index),
        };
    }
}
