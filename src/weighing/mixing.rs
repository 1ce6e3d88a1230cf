//! Between two phases: the mixing.

use super::Engine;
use super::event::ScaleIndex;
use super::pan::{JumpCause, Seen};
use super::state::State;
use super::zero::Load;

impl Engine {
    pub(super) fn in_mix(&mut self, scale: ScaleIndex, seen: &Seen, phase: usize) {
        if seen.after_gap {
            self.frame_after_gap(scale, seen);
            if let Some(run) = &mut self.run {
                run.maybe_tared = true;
            }
        }
        let load = self.load(scale, seen.weight, seen.d);
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            if matches!(jump.cause, JumpCause::Key) {
                self.shift_zero(scale, jump.to - jump.from, jump.from_rest);
            } else {
                self.set_zero(scale, jump.to, false);
            }
            self.keep(State::Mix { phase });
            return;
        }
        let was_empty = self
            .run
            .as_ref()
            .is_some_and(|run| run.step >= run.done.len() || run.pan_was_empty);
        match load {
            Load::Nothing => {
                if let Some(level) = seen.steady {
                    self.see_zero(scale, level.weight);
                }
                if let Some(run) = &mut self.run
                    && seen.plateau
                {
                    run.pan_was_empty = true;
                }
                self.keep(State::Mix { phase });
            }
            Load::BelowEmpty => {
                if seen.steady.is_some() {
                    self.set_zero(scale, seen.weight, true);
                }
                self.keep(State::Mix { phase });
            }
            Load::Something if was_empty && seen.steady.is_some() && !self.in_last_mix() => {
                self.leave_mix_with_vessel();
                if let Some(level) = seen.steady {
                    self.judge_arrival(scale, level, None);
                }
            }
            Load::Something => self.keep(State::Mix { phase }),
        }
    }

    pub(super) fn in_last_mix(&self) -> bool {
        self.run
            .as_ref()
            .is_some_and(|run| run.step >= run.done.len())
    }

    /// The next vessel stands there: the step after the mixing begins.
    pub(super) fn leave_mix_with_vessel(&mut self) {
        self.vessel_placed();
        self.keep(State::Landing { carry: None });
        self.announce_step();
    }

    /// A vessel on the pan confirms a pending mixing.
    pub(super) fn vessel_placed(&mut self) {
        self.mixing_done("next vessel placed");
    }
}
