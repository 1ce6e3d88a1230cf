//! The person's answer to a question: by a word, by two presses on the pan, by the next vessel.

use super::acts::Act;
use super::decide::Standing;
use super::hands::{Hands, HeardCue};
use super::table::Table;
use crate::formula::VesselWay;
use crate::mass::Mass;
use crate::vocabulary::command::{Choice, Command};

impl Hands {
    pub(super) fn on_mix(&mut self, standing: Option<Standing>, table: &mut Table) {
        if let Some(standing) = standing
            && self.way(standing.step) != VesselWay::Bowl
        {
            self.lift_away(standing);
        }
        if self.weigh_back() {
            return;
        }
        let pace = self.habits.reading;
        let mixing = self.secs(1.5 * pace, 3.0 * pace);
        self.queue.push_back(Act::Wait(mixing));
        let next = (self.recorded + 1).min(self.steps.len());
        let how = self.rng.f64();
        let by_presses = self.habits.mix_by_presses;
        // A source is not fetched before it is asked for.
        let no_next = self.recorded >= self.steps.len()
            || self.way(next) == VesselWay::Difference
            || self.has_to_mend();
        if how < by_presses {
            self.presses();
        } else if how < by_presses + self.habits.mix_by_word || no_next {
            self.queue.push_back(Act::Tell("say next"));
            self.queue.push_back(Act::Say(Command::Next));
        } else if standing.is_some_and(|standing| self.way(standing.step) == VesselWay::Bowl) {
            // The bowl is in use: lift it, stir, put it back.
            let scale = standing.map_or(self.scale, |standing| standing.scale);
            self.queue.extend([
                Act::Lift { scale, slow: false },
                Act::Wait(1_000_000),
                Act::Place(scale, None),
            ]);
        } else {
            self.set_down(next, table);
        }
    }

    /// Two presses on the pan.
    fn presses(&mut self) {
        let scale = self.scale;
        self.queue.push_back(Act::Tell("press the pan twice"));
        for _ in 0..2 {
            let grams = 60.0 + 120.0 * self.rng.f64();
            let lasts = self.secs(0.22, 0.34);
            self.queue.push_back(Act::Press {
                scale,
                grams,
                lasts,
            });
            let gap = lasts + self.secs(0.4, 0.6);
            self.queue.push_back(Act::Wait(gap));
        }
    }

    pub(super) fn answer(&mut self, cue: &HeardCue, standing: Option<Standing>) {
        let offers = |choice: Choice| cue.choices.contains(&choice);
        self.weighing_back = false;
        let over = cue.missing.is_some_and(Mass::is_negative);
        let think = self.secs(0.5, 1.2);
        self.queue.push_back(Act::Wait(think));
        let clean = standing.is_some_and(|standing| {
            standing.contents == Mass::ZERO || standing.step <= self.recorded
        });
        if over && offers(Choice::Keep) {
            self.queue.push_back(Act::Say(Command::Keep));
        } else if offers(Choice::Next) && (clean || !offers(Choice::Again)) {
            self.queue.push_back(Act::Say(Command::Next));
        } else if offers(Choice::Again) {
            match standing {
                Some(standing) => self.start_over(standing, true),
                None => self.queue.push_back(Act::Say(Command::Again)),
            }
        } else if offers(Choice::Keep) {
            self.queue.push_back(Act::Say(Command::Keep));
        }
    }
}
