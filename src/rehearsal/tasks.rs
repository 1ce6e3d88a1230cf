//! Tasks of the hands besides the steps of a plan: weigh an emptied beaker back, have an over-pour mended
//! once it is mixed in, fill jars out of a bowl until it is empty.

use super::acts::Act;
use super::hands::Hands;
use super::pan::Vessel;
use crate::formula::VesselWay;
use crate::mass::Mass;
use crate::vocabulary::command::Command;
use crate::vocabulary::command::Way;

/// What the hands mean to do; nothing unless said.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Tasks {
    /// The step (from 1, the last of its phase) whose emptied beaker is weighed back, and the film that
    /// stays in it.
    pub weigh_back: Option<(usize, Mass)>,
    /// The step (from 1, the last of its phase) whose over-pour is kept, mixed in, and mended in this way.
    pub mend: Option<(usize, Way)>,
    /// What lies in the bowl that jars are filled from.
    pub bowl: Option<Mass>,
}

impl Hands {
    /// The beaker is tipped into the bowl and put away; a film stays in it.
    pub(super) fn keep_emptied(&mut self, vessel: &Vessel) {
        if let Some((step, film)) = self.tasks.weigh_back
            && step == vessel.step
            && step <= self.recorded
        {
            self.tasks.weigh_back = None;
            self.emptied = Some(Vessel {
                contents: film.min(vessel.contents),
                ..vessel.clone()
            });
        }
    }

    /// Puts the emptied beaker on the scale again, where it is to be weighed back.
    pub(super) fn weigh_back(&mut self) -> bool {
        let Some(emptied) = self.emptied.take() else {
            return false;
        };
        let (tipping, rest) = (self.secs(4.0, 8.0), self.secs(0.9, 1.6));
        let scale = self.scale_of(emptied.step);
        self.weighing_back = true;
        self.queue.extend([
            Act::Wait(tipping),
            Act::Tell("say residue and put the emptied beaker back"),
            Act::Say(Command::Residue(Some(emptied.step))),
            Act::Wait(rest),
            Act::Take(Box::new(emptied)),
            Act::Place(scale, None),
        ]);
        true
    }

    /// The word residue was refused: the beaker is washed.
    pub(super) fn leave_emptied(&mut self) {
        self.weighing_back = false;
        self.queue.clear();
        self.again_from_cue();
    }

    /// The over-pour of this step is not spooned out again: it is mended later.
    pub(super) fn keeps_over_pour(&self) -> bool {
        matches!(self.tasks.mend, Some((step, _)) if step == self.step)
    }

    /// Whether what was just weighed holds the over-pour that is to be mixed in and mended.
    pub(super) fn has_to_mend(&self) -> bool {
        matches!(self.tasks.mend, Some((step, _)) if step <= self.recorded)
    }

    /// It is mixed in; before anything else comes into the bowl the remedy is chosen.
    pub(super) fn mends(&mut self) -> bool {
        let Some((_, way)) = self.tasks.mend.take_if(|(step, _)| *step < self.step) else {
            return false;
        };
        let think = self.secs(3.0, 6.0);
        self.queue.extend([
            Act::Wait(think),
            Act::Tell("choose the remedy"),
            Act::Say(Command::Remedy(way)),
        ]);
        true
    }

    /// Looks into the bowl before the next jar: what is left does not fill it, by eye.
    pub(super) fn bowl_is_scraped_out(&mut self) -> bool {
        let Some(left) = self.tasks.bowl else {
            return false;
        };
        if self.way(self.step) != VesselWay::Jar || left > self.target.ratio(101, 100) {
            return false;
        }
        let look = self.secs(1.0, 3.0);
        self.queue.extend([
            Act::Wait(look),
            Act::Tell("the bowl is scraped out; say stop"),
            Act::Say(Command::Stop),
        ]);
        true
    }

    /// What really comes out of the bowl of `grams` that are poured.
    pub(super) fn taken_from_bowl(&mut self, grams: Mass) -> Mass {
        match &mut self.tasks.bowl {
            Some(left) => {
                let taken = grams.min(*left);
                *left -= taken;
                taken
            }
            None => grams,
        }
    }

    pub(super) fn back_into_bowl(&mut self, grams: Mass) {
        if let Some(left) = &mut self.tasks.bowl {
            *left += grams;
        }
    }
}
