//! What stayed in a beaker: put back emptied, it is weighed once more.

use super::Engine;
use super::event::{Choice, CueKind, RowKind, ScaleIndex};
use super::order::vessel_at_least;
use super::pan::{JumpCause, Seen};
use super::state::{Emptied, State};
use super::steady::Level;
use super::zero::Load;
use crate::bench::Refused;
use crate::formula::VesselWay;
use crate::formula::amend::{Added, Amendment, Cause};
use crate::mass::Mass;

/// More than a quarter of what was weighed does not stay in a beaker that was emptied: it is full
/// still, or another one. Common practice, no source.
fn most_that_stays(net: Mass) -> Mass {
    net.ratio(1, 4)
}

impl Engine {
    /// The maker is about to put an emptied beaker back: that of the step `number`, or the last one.
    pub(super) fn weigh_residue(&mut self, number: Option<usize>) -> Result<String, Refused> {
        let refused = |text: &str| Err(Refused(text.to_owned()));
        if self.fill().is_some() {
            return refused("Jars are being filled; no beaker is weighed back now.");
        }
        let Some(run) = &self.run else {
            return Ok(String::new());
        };
        if !run.state.is_between() {
            return refused(
                "A weighing is under way. Finish it and lift its vessel; then say residue.",
            );
        }
        let known =
            |index: &usize| run.emptied.contains_key(index) && !run.residues.contains_key(index);
        let index = match number {
            Some(number) => number.checked_sub(1).filter(known),
            None => run.emptied.keys().copied().filter(known).max(),
        };
        let Some((index, step)) = index.and_then(|i| Some((i, run.plan.steps.get(i)?.clone())))
        else {
            return refused(
                "There is no emptied beaker to weigh: it must have been weighed empty in this batch, \
                 with a sure tare, since bismar was started, and not weighed back yet.",
            );
        };
        let vessel = run.emptied.get(&index).copied().unwrap_or_default();
        let empty = self.pans.get(step.scale).is_some_and(|pan| {
            let last = pan
                .last
                .map(|last| self.load(step.scale, last.weight, pan.d()));
            last == Some(Load::Nothing) && pan.zero_seen && !pan.gap
        });
        let say = format!(
            "Put the emptied beaker of {} on the scale (it weighed {} g empty).",
            step.ingredient,
            vessel.grams(self.readability(step.scale))
        );
        self.set_state(State::Residue(Emptied {
            step: index,
            vessel,
            empty,
            ticket: None,
            net: Mass::ZERO,
            missing: None,
            logged: false,
            said: false,
        }));
        self.cue(CueKind::Place, say.clone(), None, &[]);
        Ok(say)
    }

    pub(super) fn in_residue(&mut self, scale: ScaleIndex, seen: &Seen, mut emptied: Emptied) {
        if seen.after_gap {
            self.frame_after_gap(scale, seen);
            emptied.empty = false;
        }
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            // Whatever it was, the empty pan must be seen again before a beaker is believed.
            match jump.cause {
                JumpCause::Key => self.shift_zero(scale, jump.to - jump.from, jump.from_rest),
                JumpCause::Load | JumpCause::Unknown | JumpCause::Slight => {
                    self.set_zero(scale, jump.to, false);
                }
            }
            emptied.empty = false;
            let over = emptied.logged && jump.cause != JumpCause::Key;
            self.keep(State::Residue(emptied));
            if over {
                self.residue_over();
            }
            return;
        }
        match self.load(scale, seen.weight, seen.d) {
            Load::Nothing => {
                if let Some(level) = seen.steady {
                    self.see_zero(scale, level.weight);
                    emptied.empty = true;
                }
                let over = emptied.logged && seen.plateau;
                self.keep(State::Residue(emptied));
                if over {
                    self.residue_over();
                }
            }
            Load::BelowEmpty => {
                if let Some(level) = seen.steady {
                    self.set_zero(scale, level.weight, true);
                    emptied.empty = true;
                }
                self.keep(State::Residue(emptied));
            }
            Load::Something => match seen.steady {
                Some(level) if emptied.ticket.is_none() => {
                    self.judge_emptied(scale, level, emptied);
                }
                Some(_) | None => self.keep(State::Residue(emptied)),
            },
        }
    }

    fn judge_emptied(&mut self, scale: ScaleIndex, level: Level, mut emptied: Emptied) {
        let exact = self.pans.get(scale).is_some_and(|pan| pan.zero_exact);
        let first = !std::mem::replace(&mut emptied.said, true);
        if !emptied.empty || !exact {
            self.keep(State::Residue(emptied));
            if first {
                let say = "Lift everything off the scale; then put the emptied beaker on.";
                self.cue(CueKind::Lift, say.into(), None, &[]);
            }
            return;
        }
        let Some(run) = &self.run else { return };
        let index = emptied.step;
        let (Some(step), Some(Some(weighed))) = (
            run.plan.steps.get(index).cloned(),
            run.done.get(index).copied(),
        ) else {
            return;
        };
        let mass = level.weight - self.zero(scale);
        let net = mass - emptied.vessel;
        // Four readings: two of the empty beaker then, two of the emptied one now.
        let wander = self.wander_now();
        let uncertainty = self.uncertainty(scale, level.d, 2, wander).expanded();
        let least = -(uncertainty + level.d);
        if net < least || net > most_that_stays(weighed.net).max(uncertainty) {
            self.keep(State::Residue(emptied));
            if first {
                let say = format!(
                    "That is not the emptied beaker of {}, going by its weight ({} g; empty it was {} g). \
                     Lift it and put the right one on, or say next to leave it.",
                    step.ingredient,
                    mass.grams(level.d),
                    emptied.vessel.grams(level.d)
                );
                self.cue_urgent(CueKind::Choose, say, &[Choice::Next]);
            }
            return;
        }
        // Less than nothing is the scale's scatter.
        let net = net.max(Mass::ZERO);
        let mut draft = self.draft(RowKind::Residue);
        draft.step = step.number;
        draft.ingredient.clone_from(&step.ingredient);
        let lot = run_lot(self, &step.ingredient);
        draft.lot = lot;
        draft.phase = self.phase_name(step.phase);
        draft.vessel = step.vessel.name().to_owned();
        draft.scale = self.scale_name(scale);
        draft.tare = Some(emptied.vessel);
        draft.gross = Some(mass);
        draft.net = Some(net);
        draft.uncertainty = Some(uncertainty);
        draft.unit = self.pans.get(scale).and_then(|pan| pan.unit);
        draft.readings = Some(level.readings);
        draft.readability = level.d;
        draft.note = format!(
            "stayed in the beaker of seq {}; {} g went in",
            weighed.seq,
            (weighed.net - net).grams(level.d)
        );
        emptied.net = net;
        emptied.ticket = Some(self.log(draft));
        self.keep(State::Residue(emptied));
    }

    /// Its row is on the disk: now it counts, and what is missing is said.
    pub(super) fn residue_logged(&mut self, mut emptied: Emptied) {
        emptied.logged = true;
        let Some(run) = &mut self.run else { return };
        run.residues.insert(emptied.step, emptied.net);
        let Some(step) = run.plan.steps.get(emptied.step).cloned() else {
            return;
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
                format!(
                    "{} g {name} are missing: {stayed} g stayed in the beaker. Say next to weigh them, \
                     or lift the beaker to leave it so.",
                    missing.round_to(d).grams(d)
                ),
                &[Choice::Next],
            ),
            None => (
                CueKind::Lift,
                format!("{stayed} g {name} stayed in the beaker; enough went in. Lift it."),
                &[],
            ),
        };
        self.set_state(State::Residue(emptied));
        self.cue(kind, say, None, choices);
    }

    /// `next` while an emptied beaker is waited for, or while it is asked what to do.
    pub(super) fn next_after_residue(&mut self, emptied: Emptied) -> String {
        let Some(run) = &self.run else {
            return String::new();
        };
        let step = run.plan.steps.get(emptied.step).cloned();
        match (step, emptied.missing) {
            (Some(step), Some(missing)) if emptied.logged => {
                let d = self.readability(step.scale);
                let mass = missing.round_to(d);
                let change = Amendment {
                    cause: Cause::Residue,
                    before: self.run.as_ref().map_or(1, |run| run.step + 1),
                    add: vec![Added {
                        part: step.part,
                        ng: mass.ng(),
                    }],
                    later: Vec::new(),
                    parts: Vec::new(),
                };
                self.amend(&change);
                self.residue_over();
                format!(
                    "{} g {} are weighed once more.",
                    mass.grams(d),
                    step.ingredient
                )
            }
            (_, _) if emptied.ticket.is_some() && !emptied.logged => {
                self.keep(State::Residue(emptied));
                "It is being written; a moment.".into()
            }
            (_, _) => {
                self.residue_over();
                "The beaker is left as it is.".into()
            }
        }
    }

    /// Back to where the batch was.
    fn residue_over(&mut self) {
        self.keep(State::Clear);
        self.go_on();
    }

    pub(super) fn phase_name(&self, phase: usize) -> String {
        let run = self.run.as_ref();
        run.and_then(|run| run.plan.phases.get(phase))
            .map(|phase| phase.name.clone())
            .unwrap_or_default()
    }

    /// Remembers what the vessel of a recorded weight weighs empty, where that is sure.
    pub(super) fn remember_vessel(
        &mut self,
        index: usize,
        way: VesselWay,
        tared: &super::state::Tared,
    ) {
        let sure = tared.doubt.is_none()
            && !tared.tainted
            && tared.carried == 0
            && tared.unproven == Mass::ZERO;
        let vessel = tared.vessel.filter(|vessel| {
            way == VesselWay::Beaker && sure && *vessel > vessel_at_least(tared.base_d)
        });
        if let Some(run) = &mut self.run {
            match vessel {
                Some(vessel) => run.emptied.insert(index, vessel),
                None => run.emptied.remove(&index),
            };
        }
    }
}

fn run_lot(engine: &Engine, ingredient: &str) -> String {
    let run = engine.run.as_ref();
    run.and_then(|run| run.lots.get(ingredient))
        .cloned()
        .unwrap_or_default()
}
