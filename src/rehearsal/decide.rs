//! The next deed of the simulated hands: from the last cue, from what stands on the pan, and, when
//! nothing is said for long, from impatience.

use super::acts::Act;
use super::habits::Fault;
use super::hands::{Hands, HeardCue};
use super::pour::{Pour, Style};
use super::table::Table;
use crate::formula::VesselWay;
use crate::mass::Mass;
use crate::time::Moment;
use crate::vocabulary::command::Command;
use crate::vocabulary::cue::CueKind;

/// What the hands find on the pan.
#[derive(Debug, Clone, Copy)]
pub(super) struct Standing {
    pub(super) scale: usize,
    pub(super) step: usize,
    pub(super) contents: Mass,
}

impl Hands {
    pub(super) fn secs(&mut self, low: f64, high: f64) -> u64 {
        ((low + (high - low) * self.rng.f64()) * 1e6) as u64
    }

    /// Time for the hand to reach out, by the person's pace.
    pub(super) fn reach(&mut self) -> u64 {
        let pace = self.habits.reading;
        self.secs(0.3 * pace, pace)
    }

    pub(super) fn standing(&self, table: &Table) -> Option<Standing> {
        let mine = std::iter::once(self.scale).chain(0..table.places.len());
        mine.filter_map(|scale| {
            let vessel = table.places.get(scale)?.pan.vessel.as_ref()?;
            Some(Standing {
                scale,
                step: vessel.step,
                contents: vessel.contents,
            })
        })
        .next()
    }

    pub(super) fn fault(&mut self, fault: Fault) -> bool {
        let found = self.faults.iter().position(|&planned| planned == fault);
        found.map(|index| self.faults.remove(index)).is_some()
    }

    /// Called when nothing is in hand.
    pub(super) fn decide(&mut self, now: Moment, table: &mut Table) {
        if self.leaves_at.is_some() {
            return;
        }
        let limit = (self.habits.give_up * 1e6) as u64;
        if now.0.saturating_sub(self.begun) > limit {
            self.gave_up = Some(self.step);
            self.leaves_at = Some(now.0 + 1_000_000);
            self.queue.push_back(Act::Tell("give up on this step"));
            self.queue.push_back(Act::Say(Command::Stop));
            return;
        }
        if let Some(cue) = self.cue.as_mut().filter(|cue| !cue.handled) {
            cue.handled = true;
            let cue = cue.clone();
            self.quiet_since = now.0;
            self.follow(now, &cue, table);
            return;
        }
        let Some(standing) = self.standing(table) else {
            self.impatience(now, table);
            return;
        };
        let recorded = standing.step <= self.recorded && standing.step > 0;
        let own = self.way(standing.step) != VesselWay::Bowl;
        if recorded && own && !self.weighing_back && now.since(Moment(self.recorded_at)) > 1_200_000
        {
            self.lift_away(standing);
            return;
        }
        self.impatience(now, table);
    }

    fn follow(&mut self, now: Moment, cue: &HeardCue, table: &mut Table) {
        let standing = self.standing(table);
        match cue.kind {
            CueKind::Place => self.on_place(cue, standing, table),
            CueKind::Add => match standing {
                Some(standing) => self.on_add(now, cue, standing),
                None => self.set_down(self.step.max(1), table),
            },
            CueKind::EaseOff | CueKind::Hold => {}
            CueKind::TakeOut => {
                if let Some(standing) = standing {
                    self.on_take_out(cue, standing);
                }
            }
            CueKind::Lift => {
                if let Some(standing) = standing
                    && cue.said + 300_000 >= self.landed_at
                {
                    self.on_lift(standing);
                }
            }
            CueKind::Mix => self.on_mix(standing, table),
            CueKind::Choose => self.answer(cue, standing),
            CueKind::Fault => {
                if std::mem::take(&mut self.lift_and_back)
                    && let Some(standing) = standing
                    && (cue.choices.is_empty() || self.rng.f64() < 0.7)
                {
                    self.lift_and_put_back(standing);
                } else if !cue.choices.is_empty() {
                    self.answer(cue, standing);
                }
            }
            CueKind::Done => {
                if let Some(standing) = standing {
                    self.lift_away(standing);
                }
            }
        }
    }

    fn on_place(&mut self, cue: &HeardCue, standing: Option<Standing>, table: &mut Table) {
        if self.weighing_back {
            return;
        }
        let Some(standing) = standing else {
            if self.mends() || self.bowl_is_scraped_out() {
                return;
            }
            if self.hand.is_some() {
                self.queue.push_back(Act::Place(self.scale, None));
            } else {
                self.set_down(self.step.max(1), table);
            }
            return;
        };
        if standing.step == self.step && standing.scale == self.scale {
            // Said before the vessel came down; or long after, and then bismar has lost it.
            if cue.said > self.landed_at + 1_500_000 {
                self.start_over(standing, false);
            }
            return;
        }
        let bowl = self.way(standing.step) == VesselWay::Bowl;
        if bowl && self.way(self.step) == VesselWay::Bowl && standing.scale == self.scale {
            return;
        }
        self.lift_away(standing);
        self.set_down(self.step, table);
    }

    /// What is missing as the person knows it: the newest number said or seen after the last pour.
    fn missing(&self, cue: &HeardCue) -> Option<f64> {
        let live = self.live.filter(|&(said, _)| said > cue.said);
        let (said, missing) = live.or(cue.missing.map(|missing| (cue.said, missing)))?;
        (said >= self.poured_at || self.nudges > 0).then(|| missing.to_g_f64())
    }

    fn on_add(&mut self, now: Moment, cue: &HeardCue, standing: Standing) {
        let Some(missing) = self.missing(cue).filter(|&grams| grams > 0.0) else {
            return;
        };
        let way = self.way(self.step);
        if standing.step != self.step && way != VesselWay::Bowl {
            self.lift_away(standing);
            return;
        }
        if way == VesselWay::Difference {
            self.give(standing, missing);
            return;
        }
        if let Some(early) = self.poured_early.take()
            && missing > self.target.to_g_f64() - 0.5 * early
        {
            self.queue
                .push_back(Act::Tell("it was poured too early; begin again"));
            self.start_over(standing, true);
            return;
        }
        self.pour(now, standing, missing);
    }

    pub(super) fn style(&mut self, grams: f64) -> Style {
        if grams < 1.0 {
            return if self.rng.bool() {
                Style::Drops
            } else {
                Style::Stream
            };
        }
        if self.scoops {
            Style::Scoops
        } else {
            Style::Stream
        }
    }

    pub(super) fn pour(&mut self, now: Moment, standing: Standing, missing: f64) {
        let first = missing > 0.25 * self.target.to_g_f64();
        let style = if first {
            self.style(missing)
        } else {
            Style::Stream
        };
        let seconds = self.habits.pour_time * (0.6 + 0.8 * self.rng.f64());
        let pour = if first {
            Pour::new(missing, style, seconds, &mut self.rng)
        } else {
            let share = 0.7 + 0.35 * self.rng.f64();
            Pour::new(missing, style, 1.2, &mut self.rng).enough(share)
        };
        let pour = if first && self.faults.contains(&Fault::OverPour) {
            self.queue.push_back(Act::Tell("pour on without looking"));
            let share = 1.06 + 0.08 * self.rng.f64();
            pour.heedless().enough(share)
        } else {
            pour
        };
        if first {
            self.plan_during_pour(now, standing.scale, seconds);
        }
        let step = self.step;
        self.queue.push_back(Act::Pour {
            scale: standing.scale,
            step,
            pour: Box::new(pour),
        });
    }

    fn on_take_out(&mut self, cue: &HeardCue, standing: Standing) {
        let Some(missing) = self.missing(cue) else {
            return;
        };
        if self.keeps_over_pour() {
            self.queue.push_back(Act::Say(Command::Keep));
            return;
        }
        if self.way(self.step) == VesselWay::Difference {
            if missing > 0.0 {
                self.give(standing, missing);
            } else {
                self.queue.push_back(Act::Say(Command::Keep));
            }
            return;
        }
        let much = missing.abs();
        let grams = much * (0.75 + 0.4 * self.rng.f64());
        let times = if much > 0.1 * self.target.to_g_f64() {
            2
        } else {
            1
        };
        let step = self.step;
        self.queue.extend([
            Act::Tell("take some out with a spoon"),
            Act::Spoon {
                scale: standing.scale,
                step,
                grams,
                times,
            },
        ]);
    }

    /// Lifts the source, gives from it, puts it back.
    fn give(&mut self, standing: Standing, missing: f64) {
        let first = missing > 0.25 * self.target.to_g_f64();
        let grams = missing
            * if first {
                0.85 + 0.14 * self.rng.f64()
            } else {
                0.9
            };
        let (reach, giving) = (self.secs(0.3, 0.8), self.secs(1.0, 2.5));
        let step = self.step;
        self.queue.extend([
            Act::Wait(reach),
            Act::Lift {
                scale: standing.scale,
                slow: false,
            },
            Act::Wait(giving),
            Act::Give { step, grams },
            Act::Wait(400_000),
            Act::Place(standing.scale, None),
        ]);
    }

    fn on_lift(&mut self, standing: Standing) {
        if self.way(standing.step) == VesselWay::Difference && standing.step > self.recorded {
            let target = self.target.to_g_f64();
            self.give(standing, target);
            return;
        }
        self.lift_away(standing);
    }

    /// Lifts what stands there and puts it away; what still drips falls before.
    pub(super) fn lift_away(&mut self, standing: Standing) {
        self.weighing_back = false;
        if standing.step <= self.recorded
            && self.way(standing.step) != VesselWay::Difference
            && self.landed_at < self.recorded_at
            && self.fault(Fault::AddAfterRecord)
        {
            let grams = 0.003 * self.target.to_g_f64() * (1.0 + 4.0 * self.rng.f64());
            let pour = Pour::new(grams.max(0.02), Style::Stream, 0.6, &mut self.rng).enough(0.9);
            // A bowl bears the number of the step that it was set down for; what drips in is of the
            // ingredient weighed last.
            let bowl = self.way(standing.step) == VesselWay::Bowl;
            let step = if bowl { self.recorded } else { standing.step };
            let scale = standing.scale;
            self.queue.extend([
                Act::Tell("let some more drip in after the record"),
                Act::Pour {
                    scale,
                    step,
                    pour: Box::new(pour),
                },
                Act::Wait(800_000),
            ]);
        }
        let reach = self.reach();
        let slow = self.rng.f64() < 0.3;
        self.queue.extend([
            Act::Wait(reach),
            Act::Lift {
                scale: standing.scale,
                slow,
            },
            Act::Wait(reach / 2),
            Act::Away,
        ]);
    }

    /// Throws away what was given in this step. The next cue asks for a vessel.
    pub(super) fn start_over(&mut self, standing: Standing, say: bool) {
        if say {
            self.queue.push_back(Act::Say(Command::Again));
        }
        self.queue.extend([
            Act::Lift {
                scale: standing.scale,
                slow: false,
            },
            Act::Wait(800_000),
            Act::Empty,
        ]);
        self.poured_early = None;
    }

    /// Lifts what stands there, lets the scale rest, puts it back.
    fn lift_and_put_back(&mut self, standing: Standing) {
        let slow = self.rng.bool();
        let held = self.secs(1.5, 3.0);
        self.queue.extend([
            Act::Tell("lift the vessel and put it back"),
            Act::Lift {
                scale: standing.scale,
                slow,
            },
            Act::Wait(held),
            Act::Place(standing.scale, None),
        ]);
    }

    /// Nothing is said, and the person does not know why.
    fn impatience(&mut self, now: Moment, table: &mut Table) {
        let patience = (self.habits.patience * 1e6) as u64;
        // A vessel that has just come back is being weighed; the person waits for the word.
        let quiet_since = self.quiet_since.max(self.landed_at);
        if now.0.saturating_sub(quiet_since) < patience {
            return;
        }
        self.quiet_since = now.0;
        self.nudges += 1;
        let Some(standing) = self.standing(table) else {
            if self.hand.is_some() {
                self.queue.push_back(Act::Place(self.scale, None));
            } else if self.step > self.recorded {
                self.set_down(self.step, table);
            } else if self.step > 0 {
                self.queue.push_back(Act::Say(Command::Next));
            }
            return;
        };
        if standing.step <= self.recorded && self.way(standing.step) != VesselWay::Bowl {
            self.lift_away(standing);
            return;
        }
        match self.nudges {
            1 | 2 => {
                // Once more by the last number that was said or seen.
                if let Some(cue) = self.cue.clone() {
                    let missing = self.missing(&cue);
                    match missing {
                        Some(grams) if grams > 0.0 => self.on_add(now, &cue, standing),
                        Some(grams) if grams < 0.0 => self.on_take_out(&cue, standing),
                        Some(_) | None => {}
                    }
                }
            }
            3 => self.lift_and_put_back(standing),
            4 => self.queue.push_back(Act::Say(Command::Next)),
            _ => {
                self.queue.push_back(Act::Tell("begin this step again"));
                self.start_over(standing, true);
            }
        }
    }
}
