//! The truth: what lies in the vessels, to the nanogram.

use super::habits::Fault;
use crate::formula::VesselWay;
use crate::mass::Mass;
use crate::time::Moment;

/// The truth about one step.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// From 1.
    pub step: usize,
    pub ingredient: String,
    pub target: Mass,
    pub vessel: VesselWay,
    pub scale: usize,
    /// What happened on purpose, in order.
    pub faults: Vec<Fault>,
    /// True net weight when the hand first stopped and all that was still falling had landed.
    pub first_stop: Option<Mass>,
    /// When the vessel (or the source) was last lifted off after something was given.
    pub lifted_at: Option<Moment>,
    /// How often the person had to say a word (a command) in this step.
    pub words: u32,
    history: Vec<(Moment, Mass)>,
}

impl Truth {
    pub(super) fn new(step: usize, vessel: VesselWay, scale: usize) -> Truth {
        Truth {
            step,
            ingredient: String::new(),
            target: Mass::ZERO,
            vessel,
            scale,
            faults: Vec::new(),
            first_stop: None,
            lifted_at: None,
            words: 0,
            history: Vec::new(),
        }
    }

    /// True net mass of the ingredient given by `at`: what went into the vessel since it was last
    /// empty (or out of the source), less what was taken out again.
    pub fn net_at(&self, at: Moment) -> Mass {
        let after = self.history.partition_point(|&(when, _)| when <= at);
        after
            .checked_sub(1)
            .and_then(|index| self.history.get(index))
            .map_or(Mass::ZERO, |&(_, net)| net)
    }

    /// True net mass at the end.
    pub fn net(&self) -> Mass {
        self.history.last().map_or(Mass::ZERO, |&(_, net)| net)
    }

    /// True net mass when the vessel was lifted, or at the end.
    pub fn net_at_lift(&self) -> Mass {
        self.lifted_at.map_or(self.net(), |at| self.net_at(at))
    }

    pub(super) fn change(&mut self, at: Moment, by: Mass) {
        if by == Mass::ZERO {
            return;
        }
        let net = self.net() + by;
        match self.history.last_mut() {
            Some((when, last)) if *when == at => *last = net,
            Some(_) | None => self.history.push((at, net)),
        }
    }

    pub(super) fn emptied(&mut self, at: Moment) {
        self.change(at, -self.net());
    }
}
