//! What the simulated hands do next: from the last cue, from what stands on the pan, and, when
//! nothing is said for long, from impatience.

use super::habits::Fault;
use super::hands::{Act, Hands, HeardCue};
use super::pan::{Push, Vessel};
use super::pour::{Pour, Style};
use super::scale::Key;
use super::table::Table;
use crate::formula::VesselWay;
use crate::mass::Mass;
use crate::scale::Moment;
use crate::weighing::event::{Choice, Command, CueKind};

/// What the hands find on the pan.
#[derive(Debug, Clone, Copy)]
struct Standing {
    scale: usize,
    step: usize,
    contents: Mass,
}

impl Hands {
    fn secs(&mut self, low: f64, high: f64) -> u64 {
        ((low + (high - low) * self.rng.f64()) * 1e6) as u64
    }

    /// Time for the hand to reach out, by the person's pace.
    fn reach(&mut self) -> u64 {
        let pace = self.habits.reading;
        self.secs(0.3 * pace, pace)
    }

    fn standing(&self, table: &Table) -> Option<Standing> {
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

    fn fault(&mut self, fault: Fault) -> bool {
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
        if recorded && own && now.since(Moment(self.recorded_at)) > 1_200_000 {
            self.lift_away(standing, now);
            return;
        }
        self.impatience(now, table);
    }

    fn follow(&mut self, now: Moment, cue: &HeardCue, table: &mut Table) {
        let standing = self.standing(table);
        match cue.kind {
            CueKind::Place => self.on_place(now, cue, standing, table),
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
                    self.on_lift(now, standing);
                }
            }
            CueKind::Mix => self.on_mix(now, standing, table),
            CueKind::Choose => self.answer(cue, standing),
            CueKind::Fault => {
                if !cue.choices.is_empty() {
                    self.answer(cue, standing);
                }
            }
            CueKind::Done => {
                if let Some(standing) = standing {
                    self.lift_away(standing, now);
                }
            }
        }
    }

    fn on_place(
        &mut self,
        now: Moment,
        cue: &HeardCue,
        standing: Option<Standing>,
        table: &mut Table,
    ) {
        let Some(standing) = standing else {
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
        self.lift_away(standing, now);
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
            self.lift_away(standing, now);
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

    fn style(&mut self, grams: f64) -> Style {
        if grams < 1.0 {
            return if self.rng.bool() {
                Style::Drops
            } else {
                Style::Stream
            };
        }
        if self.step.is_multiple_of(2) {
            Style::Scoops
        } else {
            Style::Stream
        }
    }

    fn pour(&mut self, now: Moment, standing: Standing, missing: f64) {
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
            let share = 1.05 + 0.15 * self.rng.f64();
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

    /// Faults that come while something is poured.
    fn plan_during_pour(&mut self, now: Moment, scale: usize, seconds: f64) {
        for fault in [
            Fault::TareMidPour,
            Fault::Bump,
            Fault::Unplug,
            Fault::UnitSlip,
            Fault::PowerCycle,
        ] {
            // Half of those that can also come later.
            if (fault == Fault::TareMidPour || self.rng.bool()) && self.fault(fault) {
                let at = now.0 + self.secs(0.2, seconds.max(0.3));
                self.timed.push((at, scale, fault));
            }
        }
    }

    /// A pour is over and everything has landed.
    pub(super) fn poured(&mut self, step: usize, now: Moment, table: &mut Table) {
        self.poured_at = now.0;
        self.quiet_since = now.0;
        if let Some(truth) = table.truths.get_mut(&step)
            && truth.first_stop.is_none()
        {
            truth.first_stop = Some(truth.net());
        }
        self.fault(Fault::OverPour);
        let Some(standing) = self.standing(table) else {
            return;
        };
        for fault in [
            Fault::Bump,
            Fault::Draught,
            Fault::RestHand,
            Fault::UnitSlip,
            Fault::Unplug,
            Fault::PowerCycle,
        ] {
            if self.fault(fault) {
                let at = now.0 + self.secs(0.0, 2.0);
                self.timed.push((at, standing.scale, fault));
            }
        }
        if self.fault(Fault::EarlyLift) {
            let (before, held) = (self.secs(0.1, 1.2), self.secs(1.0, 3.0));
            let slow = self.rng.bool();
            self.queue.extend([
                Act::Wait(before),
                Act::Tell("lift the vessel too early"),
                Act::Lift {
                    scale: standing.scale,
                    slow,
                },
                Act::Wait(held),
                Act::Tell("put it back"),
                Act::Place(standing.scale, None),
            ]);
        }
    }

    fn on_take_out(&mut self, cue: &HeardCue, standing: Standing) {
        let Some(missing) = self.missing(cue) else {
            return;
        };
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

    fn on_lift(&mut self, now: Moment, standing: Standing) {
        if self.way(standing.step) == VesselWay::Difference && standing.step > self.recorded {
            let target = self.target.to_g_f64();
            self.give(standing, target);
            return;
        }
        self.lift_away(standing, now);
    }

    /// Lifts what stands there and puts it away; what still drips falls before.
    fn lift_away(&mut self, standing: Standing, _now: Moment) {
        if standing.step <= self.recorded
            && self.way(standing.step) != VesselWay::Difference
            && self.fault(Fault::AddAfterRecord)
        {
            let grams = 0.003 * self.target.to_g_f64() * (1.0 + 4.0 * self.rng.f64());
            let pour = Pour::new(grams.max(0.02), Style::Stream, 0.6, &mut self.rng).enough(0.9);
            let (scale, step) = (standing.scale, standing.step);
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
    fn start_over(&mut self, standing: Standing, say: bool) {
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

    fn on_mix(&mut self, now: Moment, standing: Option<Standing>, table: &mut Table) {
        if let Some(standing) = standing
            && self.way(standing.step) != VesselWay::Bowl
        {
            self.lift_away(standing, now);
        }
        let pace = self.habits.reading;
        let mixing = self.secs(1.5 * pace, 3.0 * pace);
        self.queue.push_back(Act::Wait(mixing));
        let how = self.rng.f64();
        let by_presses = self.habits.mix_by_presses;
        if how < by_presses {
            self.presses();
        } else if how < by_presses + self.habits.mix_by_word || self.recorded >= self.steps.len() {
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
            self.set_down((self.recorded + 1).min(self.steps.len()), table);
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

    fn answer(&mut self, cue: &HeardCue, standing: Option<Standing>) {
        let offers = |choice: Choice| cue.choices.contains(&choice);
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

    /// Sets down the vessel for `step`, with what goes wrong before and after.
    fn set_down(&mut self, step: usize, table: &mut Table) {
        self.prepare(step, table);
        let scale = self.scale_of(step);
        if self.fault(Fault::Away) {
            let away = self.secs(3.0, 9.0);
            self.queue
                .extend([Act::Tell("walk away for a while"), Act::Wait(away)]);
        }
        if self.fault(Fault::KeyOnEmptyPan) {
            self.queue.extend([
                Act::Tell("press TARE on the empty pan"),
                Act::Key(scale, Key::Tare),
                Act::Wait(800_000),
            ]);
        }
        let vessel = self.vessel(step, scale, table);
        if self.fault(Fault::SwapVessel) {
            let other = self.vessel(step, scale, table);
            let stands = self.secs(0.5, 2.0);
            self.queue.extend([
                Act::Place(scale, Some(Box::new(other))),
                Act::Wait(stands),
                Act::Tell("take another vessel"),
                Act::Lift { scale, slow: false },
                Act::Wait(500_000),
                Act::Away,
            ]);
        }
        let reach = self.reach();
        self.queue
            .extend([Act::Wait(reach), Act::Place(scale, Some(Box::new(vessel)))]);
        self.after_set_down(step, scale);
    }

    fn after_set_down(&mut self, step: usize, scale: usize) {
        if self.way(step) == VesselWay::Difference {
            return;
        }
        let forgets = self.fault(Fault::ForgetTare);
        if forgets {
            self.queue.push_back(Act::Tell("forget the TARE key"));
        }
        if self.fault(Fault::TareKey) && !forgets {
            let wait = self.secs(0.4, 1.1);
            self.queue.extend([
                Act::Wait(wait),
                Act::Tell("press TARE"),
                Act::Key(scale, Key::Tare),
            ]);
        } else if self.target > Mass::ZERO
            && self.step == step
            && self.fault(Fault::PourBeforeSteady)
        {
            let grams = self.target.to_g_f64() * (0.3 + 0.5 * self.rng.f64());
            let style = self.style(grams);
            let pour = Pour::new(grams, style, 1.5, &mut self.rng).enough(1.0);
            self.poured_early = Some(grams);
            self.queue.extend([
                Act::Tell("pour before the scale is at rest"),
                Act::Pour {
                    scale,
                    step,
                    pour: Box::new(pour),
                },
            ]);
        }
    }

    fn vessel(&mut self, step: usize, scale: usize, table: &Table) -> Vessel {
        let capacity = table
            .places
            .get(scale)
            .map_or(Mass::from_g(500), |place| place.scale.spec().capacity);
        let fresh = |rng: &mut fastrand::Rng, low: i64, high: i64| {
            // In thousandths of the capacity, with a few milligrams of its own.
            capacity.ratio(rng.i64(low..high), 1000) + Mass::from_ng(rng.i64(0..50_000_000))
        };
        let mut vessel = Vessel {
            empty: Mass::ZERO,
            residue: Mass::ZERO,
            contents: Mass::ZERO,
            step,
        };
        match self.way(step) {
            VesselWay::Bowl => match self.bowl.take() {
                Some(bowl) => return Vessel { step, ..bowl },
                None => vessel.empty = fresh(&mut self.rng, 60, 160),
            },
            VesselWay::Beaker => {
                let again = self
                    .fault(Fault::SameVessel)
                    .then_some(self.last_beaker)
                    .flatten();
                vessel.empty = again.unwrap_or_else(|| fresh(&mut self.rng, 25, 120));
                if self.fault(Fault::Residue) {
                    vessel.residue = vessel.empty.ratio(self.rng.i64(2..40), 1000);
                }
            }
            VesselWay::Difference => {
                vessel.empty = fresh(&mut self.rng, 30, 100);
                vessel.contents = self.target.ratio(self.rng.i64(150..300), 100)
                    + capacity.ratio(self.rng.i64(5..50), 1000);
            }
        }
        vessel
    }

    /// Faults whose time has come; they need no free hand.
    pub(super) fn fire_timed(&mut self, now: Moment, table: &mut Table) {
        self.unit_back.retain(|&(at, scale)| {
            if at <= now.0 {
                table.press(scale, Key::Unit);
            }
            at > now.0
        });
        let mut index = 0;
        while let Some(&(at, scale, fault)) = self.timed.get(index) {
            if at > now.0 {
                index += 1;
                continue;
            }
            self.timed.remove(index);
            self.fire(now, scale, fault, table);
        }
    }

    fn fire(&mut self, now: Moment, scale: usize, fault: Fault, table: &mut Table) {
        let d = table
            .places
            .get(scale)
            .map_or(0.01, |place| place.scale.spec().d.to_g_f64());
        let rng = &mut self.rng;
        match fault {
            Fault::Bump => {
                table.tell(now, "bump the bench".to_string());
                let bump = Push::Bump {
                    from: now.0,
                    grams: d * (200.0 + 1500.0 * rng.f64()),
                    hertz: 2.0 + 4.0 * rng.f64(),
                    decay: 0.15 + 0.25 * rng.f64(),
                };
                self.push(scale, bump, table);
            }
            Fault::Draught => {
                table.tell(now, "a draught".to_string());
                let draught = Push::Draught {
                    from: now.0,
                    until: now.0 + rng.u64(2_000_000..6_000_000),
                    grams: d * (1.0 + 4.0 * rng.f64()),
                    phase: 6.0 * rng.f64(),
                };
                self.push(scale, draught, table);
            }
            Fault::RestHand => {
                table.tell(now, "rest a hand on the pan".to_string());
                // Now and then a whole arm: more than the scale can bear.
                let whole = if rng.f64() < 0.15 { 100_000.0 } else { 0.0 };
                let rest = Push::Rest {
                    from: now.0,
                    until: now.0 + rng.u64(500_000..2_500_000),
                    grams: d * (100.0 + 3000.0 * rng.f64() + whole),
                };
                self.push(scale, rest, table);
            }
            Fault::UnitSlip => {
                table.tell(now, "touch the UNIT key".to_string());
                table.press(scale, Key::Unit);
                let units = table
                    .places
                    .get(scale)
                    .map_or(1, |p| p.scale.spec().units.len());
                let seen = now.0 + rng.u64(2_000_000..5_000_000);
                for press in 1..units as u64 {
                    self.unit_back.push((seen + press * 300_000, scale));
                }
            }
            Fault::Unplug => {
                table.tell(now, "the cable comes out".to_string());
                table.unplug(scale, now, now.0 + rng.u64(1_000_000..5_000_000));
            }
            Fault::PowerCycle => {
                table.tell(now, "the scale goes off and on".to_string());
                table.switch_off(scale, now.0 + rng.u64(500_000..3_000_000));
            }
            Fault::TareMidPour => {
                table.tell(now, "press TARE while pouring".to_string());
                table.press(scale, Key::Tare);
            }
            Fault::TareKey
            | Fault::ForgetTare
            | Fault::KeyOnEmptyPan
            | Fault::OverPour
            | Fault::PourBeforeSteady
            | Fault::EarlyLift
            | Fault::AddAfterRecord
            | Fault::SwapVessel
            | Fault::SameVessel
            | Fault::Residue
            | Fault::Away => {}
        }
    }

    fn push(&mut self, scale: usize, push: Push, table: &mut Table) {
        if let Some(pan) = table.pan(scale) {
            pan.push(push);
        }
    }

    /// Nothing is said, and the person does not know why.
    fn impatience(&mut self, now: Moment, table: &mut Table) {
        let patience = (self.habits.patience * 1e6) as u64;
        if now.0.saturating_sub(self.quiet_since) < patience {
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
            self.lift_away(standing, now);
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
            3 => self.queue.extend([
                Act::Tell("lift the vessel and put it back"),
                Act::Lift {
                    scale: standing.scale,
                    slow: true,
                },
                Act::Wait(1_000_000),
                Act::Place(standing.scale, None),
            ]),
            4 => self.queue.push_back(Act::Say(Command::Next)),
            _ => {
                self.queue.push_back(Act::Tell("begin this step again"));
                self.start_over(standing, true);
            }
        }
    }
}
