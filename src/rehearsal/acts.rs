//! Acts of the simulated hands on the pan.

use super::hands::Hands;
use super::pan::{Push, Vessel};
use super::pour::Pour;
use super::scale::Key;
use super::table::Table;
use crate::formula::VesselWay;
use crate::mass::Mass;
use crate::time::Moment;
use crate::vocabulary::command::Command;

/// Something the hands do. Those with a scale do it there.
#[derive(Debug, Clone)]
pub(super) enum Act {
    Wait(u64),
    /// Sets down this vessel, or the one in the hand.
    Place(usize, Option<Box<Vessel>>),
    Lift {
        scale: usize,
        slow: bool,
    },
    /// Takes this vessel into the hand.
    Take(Box<Vessel>),
    /// Puts away what is in the hand.
    Away,
    /// Puts aside what is in the hand for good: it is no part of the batch.
    Discard,
    /// Throws away the step's ingredient from the vessel in the hand.
    Empty,
    Pour {
        scale: usize,
        step: usize,
        pour: Box<Pour>,
    },
    /// Gives this much out of the source in the hand.
    Give {
        step: usize,
        grams: f64,
    },
    /// Takes out with a spoon, so many grams in so many spoonfuls.
    Spoon {
        scale: usize,
        step: usize,
        grams: f64,
        times: u32,
    },
    Key(usize, Key),
    /// One press of a finger on the pan.
    Press {
        scale: usize,
        grams: f64,
        lasts: u64,
    },
    Say(Command),
    Tell(&'static str),
}

impl Hands {
    /// Goes on with `act`; gives it back while it is not done.
    pub(super) fn perform(
        &mut self,
        act: Act,
        began: u64,
        now: Moment,
        dt: u64,
        table: &mut Table,
    ) -> Option<Act> {
        let elapsed = now.0 - began;
        match act {
            Act::Wait(us) => (elapsed < us).then_some(Act::Wait(us)),
            Act::Place(scale, vessel) => self.place(scale, vessel, elapsed, now, table),
            Act::Lift { scale, slow } => self.lift(scale, slow, elapsed, now, table),
            Act::Take(vessel) => {
                self.hand = Some(*vessel);
                None
            }
            Act::Away => {
                self.put_away();
                None
            }
            Act::Discard => {
                self.hand = None;
                None
            }
            Act::Empty => {
                self.empty(now, table);
                None
            }
            Act::Pour {
                scale,
                step,
                mut pour,
            } => {
                let (landed, over) = pour.tick(now.0, dt, &mut self.rng);
                let landed = self.taken_from_bowl(landed);
                if let Some(vessel) = table.pan(scale).and_then(|pan| pan.vessel.as_mut()) {
                    vessel.contents += landed;
                    table.change(step, now, landed);
                }
                if over {
                    self.poured(step, now, table);
                    return None;
                }
                Some(Act::Pour { scale, step, pour })
            }
            Act::Give { step, grams } => {
                if let (Some(vessel), Some(mass)) = (&mut self.hand, Mass::from_g_f64(grams)) {
                    let mass = mass.min(vessel.contents);
                    vessel.contents -= mass;
                    table.change(step, now, mass);
                }
                None
            }
            Act::Spoon {
                scale,
                step,
                grams,
                times,
            } => self.spoon(scale, step, grams, times, elapsed, now, table),
            Act::Key(scale, key) => {
                table.press(scale, key);
                None
            }
            Act::Press {
                scale,
                grams,
                lasts,
            } => {
                let (from, until) = (now.0, now.0 + lasts);
                if let Some(pan) = table.pan(scale) {
                    pan.push(Push::Press { from, until, grams });
                }
                None
            }
            Act::Say(command) => {
                if let Some(truth) = table.truths.get_mut(&self.step) {
                    truth.words += 1;
                }
                table.say(now, command);
                None
            }
            Act::Tell(text) => {
                table.tell(now, text.to_string());
                None
            }
        }
    }

    fn place(
        &mut self,
        scale: usize,
        vessel: Option<Box<Vessel>>,
        elapsed: u64,
        now: Moment,
        table: &mut Table,
    ) -> Option<Act> {
        const LANDING_US: u64 = 120_000;
        let grams = vessel.as_deref().or(self.hand.as_ref());
        let grams = grams.map_or(0.0, |vessel| vessel.mass().to_g_f64());
        let pan = table.pan(scale)?;
        if elapsed == 0 {
            if pan.vessel.is_some() {
                return None;
            }
            let clean = vessel.as_deref().map(|vessel| vessel.step);
            let clean = clean.filter(|&step| self.way(step).is_apart());
            pan.vessel = Some(vessel.map(|vessel| *vessel).or_else(|| self.hand.take())?);
            pan.support = 0.0;
            pan.push(Push::Impact {
                from: now.0 + LANDING_US / 2,
                grams: grams * (0.1 + 0.4 * self.rng.f64()),
                decay: 0.035 + 0.06 * self.rng.f64(),
            });
            if let Some(truth) = clean.and_then(|step| table.truths.get_mut(&step)) {
                // What another beaker held of this step goes into no batch.
                truth.emptied(now);
            }
            return Some(Act::Place(scale, None));
        }
        pan.support = (elapsed as f64 / LANDING_US as f64).min(1.0);
        self.landed_at = now.0;
        (elapsed < LANDING_US).then_some(Act::Place(scale, None))
    }

    fn lift(
        &mut self,
        scale: usize,
        slow: bool,
        elapsed: u64,
        now: Moment,
        table: &mut Table,
    ) -> Option<Act> {
        let lasts = if slow { 700_000 } else { 130_000 };
        let pan = table.pan(scale)?;
        let step = pan.vessel.as_ref()?.step;
        pan.support = 1.0 - (elapsed as f64 / lasts as f64).min(1.0);
        if elapsed >= lasts {
            self.hand = pan.vessel.take();
        }
        if elapsed == 0
            && let Some(truth) = table.truths.get_mut(&step)
            && truth.net() != Mass::ZERO
        {
            truth.lifted_at = Some(now);
        }
        (elapsed < lasts).then_some(Act::Lift { scale, slow })
    }

    /// Throws this step's ingredient away; from a bowl only what this step put on top.
    fn empty(&mut self, now: Moment, table: &mut Table) {
        let Some(mut vessel) = self.hand.take() else {
            return;
        };
        if let Some(truth) = table.truths.get_mut(&self.step) {
            let thrown = truth.net();
            vessel.contents -= thrown;
            truth.emptied(now);
            self.back_into_bowl(thrown);
        }
        if self.way(vessel.step) == VesselWay::Bowl {
            self.hand = Some(vessel);
        }
    }

    fn put_away(&mut self) {
        let Some(vessel) = self.hand.take() else {
            return;
        };
        match self.way(vessel.step) {
            VesselWay::Bowl => self.bowl = Some(vessel),
            VesselWay::Beaker | VesselWay::Jar => {
                self.keep_emptied(&vessel);
                self.last_beaker = Some(vessel.empty);
            }
            VesselWay::Difference => {}
        }
    }

    #[expect(clippy::too_many_arguments, reason = "one act with its time and place")]
    fn spoon(
        &mut self,
        scale: usize,
        step: usize,
        grams: f64,
        times: u32,
        elapsed: u64,
        now: Moment,
        table: &mut Table,
    ) -> Option<Act> {
        const SPOONFUL_US: u64 = 700_000;
        if elapsed == 0 {
            let press = Push::Press {
                from: now.0,
                until: now.0 + 450_000,
                grams: 0.5 + 4.0 * self.rng.f64(),
            };
            table.pan(scale)?.push(press);
        }
        if elapsed < SPOONFUL_US {
            return Some(Act::Spoon {
                scale,
                step,
                grams,
                times,
            });
        }
        let inside = table
            .truths
            .get(&step)
            .map_or(Mass::ZERO, |truth| truth.net());
        let taken = Mass::from_g_f64(grams / f64::from(times.max(1)))?.min(inside);
        let vessel = table.pan(scale)?.vessel.as_mut()?;
        vessel.contents -= taken;
        table.change(step, now, -taken);
        self.back_into_bowl(taken);
        self.poured_at = now.0;
        if times > 1 {
            let left = grams - taken.to_g_f64();
            self.queue.push_front(Act::Spoon {
                scale,
                step,
                grams: left,
                times: times - 1,
            });
        }
        None
    }
}
