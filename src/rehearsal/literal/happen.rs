//! The course of each mishap, and its end.

use super::deeds::Act;
use super::mishap::{End, Kill, Mishap, Mishaps};
use super::person::Person;
use super::room::{Room, SPILT, Ware};
use crate::mass::Mass;
use crate::rehearsal::pan::Push;
use crate::rehearsal::pour::{Pour, Style};
use crate::rehearsal::scale::Key;
use crate::time::Moment;
use crate::vocabulary::command::Command;

impl Mishaps {
    pub(super) fn end(&mut self, now: Moment, person: &mut Person, room: &mut Room) {
        if self.until.is_empty() {
            return;
        }
        let (over, left): (Vec<_>, Vec<_>) = self.until.drain(..).partition(|&(at, _)| at <= now.0);
        self.until = left;
        for (_, end) in over {
            match end {
                End::Lines => {
                    if let Some(place) = room.table.places.first_mut() {
                        (place.drops, place.garbles) = (0.0, 0.0);
                    }
                }
                End::Noise(noise) => {
                    if let Some(place) = room.table.places.first_mut() {
                        place.scale.set_noise(noise);
                        (place.drops, place.garbles) = (0.0, 0.0);
                    }
                }
                End::Dry => room.drying = 0.0,
                End::Unit => person.fault_acts([Act::Unit(None), Act::Over]),
                End::TakeLid => {
                    person.fault_acts([Act::TakeLid, Act::Over]);
                }
                End::TakeAway => person.fault_acts([
                    Act::Tell("take it away again".to_owned()),
                    Act::ClearPan,
                    Act::Over,
                ]),
                End::Quiet => {}
            }
            person.fault_is_over(now);
        }
    }

    /// What ends by itself ends now; cable, switch, spoon and lid end in their seconds. What was
    /// pressed or spilt stays until a sentence asks for it.
    pub(super) fn calm(&mut self, now: Moment, person: &mut Person, room: &mut Room) {
        self.planned.clear();
        for (at, end) in &mut self.until {
            match end {
                End::Lines | End::Noise(_) | End::Dry | End::Quiet => *at = now.0,
                End::TakeLid | End::TakeAway | End::Unit => {}
            }
        }
        self.until.retain(|&(_, end)| !matches!(end, End::Unit));
        self.end(now, person, room);
        (self.slow_log, self.log_fails_until) = (0.0, now);
        if let Some(pan) = room.table.pan(0) {
            pan.calm(now);
        }
        person.errs_no_more(now);
    }

    pub(super) fn fire(
        &mut self,
        mishap: Mishap,
        now: Moment,
        person: &mut Person,
        room: &mut Room,
    ) {
        person.fault_is_over(now);
        let d = room.d();
        let target = person.target(person.step);
        let step = person.step;
        match mishap {
            Mishap::ScoopEarly => {
                let wait = person.secs(0.1, 3.0);
                let grams = target * (0.05 + 0.5 * person.rng.f64());
                let style = if person.rng.bool() {
                    Style::Scoops
                } else {
                    Style::Stream
                };
                let pour = Pour::new(grams, style, 0.8, &mut person.rng).enough(1.0);
                let pour = Box::new(pour);
                person.poured_early = true;
                person.fault_acts([Act::Wait(wait), Act::Pour { step, pour }, Act::Over]);
            }
            Mishap::DropsEarly => {
                let wait = person.secs(0.0, 1.2);
                let grams = 0.03 + 0.2 * person.rng.f64();
                let grams = grams.max(2.0 * d).min(0.5 * target);
                let style = if grams < 1.0 {
                    Style::Drops
                } else {
                    Style::Stream
                };
                let pour = Pour::new(grams, style, 0.5, &mut person.rng).enough(1.0);
                let pour = Box::new(pour);
                person.poured_early = true;
                person.fault_acts([Act::Wait(wait), Act::Pour { step, pour }, Act::Over]);
            }
            Mishap::Tare => room.table.press(0, Key::Tare),
            Mishap::Zero => room.table.press(0, Key::Zero),
            Mishap::Unit => {
                room.table.press(0, Key::Unit);
                let back = person.secs(1.0, 12.0);
                self.until.push((now.0 + back, End::Unit));
            }
            Mishap::UnitStays => room.table.press(0, Key::Unit),
            Mishap::UnitAtLanding => {
                let wait = person.secs(0.0, 1.5);
                person.fault_acts([Act::Wait(wait), Act::Key(Key::Unit), Act::Over]);
            }
            Mishap::Bump => {
                let rng = &mut person.rng;
                room.push(Push::Bump {
                    from: now.0,
                    grams: d * (200.0 + 1500.0 * rng.f64()),
                    hertz: 2.0 + 4.0 * rng.f64(),
                    decay: 0.15 + 0.25 * rng.f64(),
                });
            }
            Mishap::HandOnPan => {
                let lasts = person.secs(0.5, 8.0);
                let rng = &mut person.rng;
                let grams = d * 10f64.powf(1.0 + 3.0 * rng.f64());
                room.push(Push::Rest {
                    from: now.0,
                    until: now.0 + lasts,
                    grams,
                });
                self.until.push((now.0 + lasts, End::Quiet));
            }
            Mishap::DraughtShort | Mishap::DraughtLong => {
                let lasts = if mishap == Mishap::DraughtShort {
                    person.secs(2.0, 10.0)
                } else {
                    person.secs(10.0, 60.0)
                };
                let rng = &mut person.rng;
                room.push(Push::Draught {
                    from: now.0,
                    until: now.0 + lasts,
                    grams: d * (0.5 + 12.0 * rng.f64().powi(2)),
                    phase: 6.3 * rng.f64(),
                });
                self.until.push((now.0 + lasts, End::Quiet));
            }
            Mishap::Gusts => {
                let mut at = now.0;
                for _ in 0..person.rng.u32(2..8) {
                    let lasts = person.secs(0.4, 5.0);
                    let sign = if person.rng.bool() { 1.0 } else { -1.0 };
                    let grams = sign * d * (1.0 + 10.0 * person.rng.f64());
                    room.push(Push::Press {
                        from: at,
                        until: at + lasts,
                        grams,
                    });
                    at += lasts + person.secs(0.3, 4.0);
                }
                self.until.push((at, End::Quiet));
            }
            Mishap::DriftUp | Mishap::DriftDown => {
                // 0.002 to 0.05 g a minute for d = 0.01 g.
                let rate = d * 0.2 * 25f64.powf(person.rng.f64()) / 60.0;
                let lasts = person.secs(60.0, 900.0);
                let away = if person.rng.bool() {
                    person.secs(0.0, 20.0)
                } else {
                    lasts * 2 / 3
                };
                room.push(Push::Slide {
                    from: now.0,
                    until: now.0 + lasts,
                    grams_a_second: if mishap == Mishap::DriftUp {
                        rate
                    } else {
                        -rate
                    },
                });
                person.fault_acts([
                    Act::Tell(format!("away for {} s", away / 1_000_000)),
                    Act::Wait(away),
                    Act::Over,
                ]);
            }
            Mishap::Evaporation => {
                // Up to 2 d a minute.
                let content = target.max(d);
                room.drying = d * (0.1 + 1.9 * person.rng.f64()) / 60.0 / content;
                let lasts = person.secs(20.0, 300.0);
                self.until.push((now.0 + lasts, End::Dry));
            }
            Mishap::CableOut => {
                let lasts = person.secs(0.3, 15.0);
                room.table.unplug(0, now, now.0 + lasts);
                self.until.push((now.0 + lasts, End::Quiet));
            }
            Mishap::ScaleOff => {
                let lasts = person.secs(0.3, 8.0);
                room.table.switch_off(0, now.0 + lasts);
                self.until.push((now.0 + lasts + 1_500_000, End::Quiet));
            }
            Mishap::LinesGarbled | Mishap::LinesMissing => {
                let lasts = person.secs(1.0, 30.0);
                let share = 0.02 + 0.4 * person.rng.f64();
                if let Some(place) = room.table.places.first_mut() {
                    if mishap == Mishap::LinesGarbled {
                        place.garbles = share;
                    } else {
                        place.drops = 2.0 * share;
                    }
                }
                self.until.push((now.0 + lasts, End::Lines));
            }
            Mishap::LowBattery => {
                let lasts = person.secs(5.0, 40.0);
                if let Some(place) = room.table.places.first_mut() {
                    // A second one on top of the first ends with the noise that was before both.
                    let usual = *self.usual_noise.get_or_insert(place.scale.spec().noise);
                    place.scale.set_noise(0.5 + 2.5 * person.rng.f64());
                    place.drops = 0.3 * person.rng.f64();
                    place.garbles = 0.05 * person.rng.f64();
                    self.until.push((now.0 + lasts, End::Noise(usual)));
                }
            }
            Mishap::LiftedEarly => {
                let held = person.secs(0.4, 6.0);
                let slow = person.rng.bool();
                person.fault_acts([Act::Lift { slow }, Act::Wait(held), Act::SetDown, Act::Over]);
            }
            Mishap::LiftedAndPoured => {
                let held = person.secs(0.5, 3.0);
                let share = person.rng.f64();
                let slow = person.rng.bool();
                person.fault_acts([
                    Act::Lift { slow },
                    Act::Wait(held),
                    Act::PourAway(share),
                    Act::Wait(held / 2),
                    Act::SetDown,
                    Act::Over,
                ]);
            }
            Mishap::SwapNear | Mishap::SwapOther | Mishap::SwapPartFilled | Mishap::Decanted => {
                self.swap(mishap, person, room);
            }
            Mishap::Residue | Mishap::PartFilledAsKnown => {
                self.leftovers(mishap, now, person, room);
            }
            Mishap::SpoonOnPan | Mishap::LidOn => {
                let spoon = mishap == Mishap::SpoonOnPan;
                let most = if spoon { 30.0 } else { 20.0 };
                let grams = (1.0 + most * person.rng.f64()).max(5.0 * d);
                let mass = Mass::from_g_f64(grams).unwrap_or(Mass::ZERO);
                let lasts = person.secs(0.5, 40.0);
                self.things.push((mishap, now, now.plus_micros(lasts)));
                let (act, end) = if spoon {
                    (Act::LayDown("a spoon".to_owned(), mass), End::TakeAway)
                } else {
                    (Act::PutOn(mass), End::TakeLid)
                };
                person.fault_acts([act]);
                self.until.push((now.0 + lasts, end));
            }
            Mishap::Spilt => {
                let grams = d * (3.0 + 60.0 * person.rng.f64());
                let mass = Mass::from_g_f64(grams).unwrap_or(Mass::ZERO);
                room.beside.push((SPILT.to_owned(), mass));
                room.settle(now);
            }
            Mishap::AddedAfterRecord => {
                let wait = person.secs(0.0, 4.0);
                let grams = target * (0.002 + 0.05 * person.rng.f64().powi(2));
                let pour = Pour::new(grams.max(3.0 * d), Style::Stream, 0.8, &mut person.rng);
                let pour = Box::new(pour.enough(1.0));
                let rest = person.secs(0.0, 3.0);
                person.fault_acts([
                    Act::Wait(wait),
                    Act::Pour { step, pour },
                    Act::Over,
                    Act::Wait(rest),
                ]);
            }
            Mishap::WordNext => room.table.say(now, Command::Next),
            Mishap::WordAgain => room.table.say(now, Command::Again),
            Mishap::WordKeep => room.table.say(now, Command::Keep),
            Mishap::WordResidue => room.table.say(now, Command::Residue(None)),
            Mishap::WordLot => room.table.say(now, Command::Lot("L-77".to_owned())),
            Mishap::WordUnasked => {
                let words = [
                    Command::Next,
                    Command::Again,
                    Command::Keep,
                    Command::Residue(None),
                    Command::Note("a remark".to_owned()),
                    Command::Lot("L-78".to_owned()),
                ];
                let acts = (0..3).flat_map(|_| {
                    let word = words.get(person.rng.usize(0..words.len())).cloned();
                    let pause = person.rng.u64(200_000..3_000_000);
                    [word.map(Act::Say), Some(Act::Wait(pause))]
                });
                let acts: Vec<Act> = acts.flatten().chain([Act::Over]).collect();
                person.fault_acts(acts);
            }
            Mishap::LogFails => {
                let lasts = person.secs(1.0, 30.0);
                self.log_fails_until = now.plus_micros(lasts);
                self.until.push((now.0 + lasts, End::Quiet));
            }
            Mishap::SlowLog => self.slow_log = 20.0 * person.rng.f64(),
            Mishap::KillLeft
            | Mishap::KillLiftedBefore
            | Mishap::KillLiftedAfter
            | Mishap::KillPutBack
            | Mishap::KillSwapKnown
            | Mishap::KillSwapUnknown => self.kill(mishap, now, person, room),
        }
    }

    fn swap(&mut self, mishap: Mishap, person: &mut Person, room: &mut Room) {
        let Some(standing) = room.standing.and_then(|id| room.ware(id)).cloned() else {
            return;
        };
        let d = room.d();
        let rng = &mut person.rng;
        let by = if mishap == Mishap::SwapNear {
            d * 12.0 * (rng.f64() - 0.5)
        } else {
            2.0 + 40.0 * rng.f64()
        };
        let glass = standing.glass + Mass::from_g_f64(by).unwrap_or(Mass::ZERO);
        let mut other = Ware::new("another vessel", standing.way, glass);
        other.step = standing.step;
        if mishap == Mishap::SwapPartFilled {
            other.foreign = Mass::from_g_f64(0.5 + 20.0 * rng.f64()).unwrap_or(Mass::ZERO);
        }
        let other = room.add(other);
        let held = person.secs(0.4, 3.0);
        let slow = person.rng.bool();
        let mut acts = vec![Act::Lift { slow }, Act::Wait(held)];
        acts.push(if mishap == Mishap::Decanted {
            Act::PourOver(other)
        } else {
            Act::Take(other)
        });
        acts.extend([Act::Wait(held), Act::SetDown, Act::Over]);
        person.fault_acts(acts);
    }

    fn leftovers(&mut self, mishap: Mishap, now: Moment, person: &mut Person, room: &mut Room) {
        let known = room
            .wares
            .iter()
            .filter(|ware| ware.name.starts_with("known"));
        let known: Vec<Mass> = known.map(|ware| ware.glass).collect();
        let Some(ware) = person.hand.and_then(|id| room.wares.get_mut(id)) else {
            return;
        };
        let heavier = known.into_iter().find(|&weight| weight > ware.glass);
        ware.foreign = match heavier.filter(|_| mishap == Mishap::PartFilledAsKnown) {
            Some(weight) => weight - ware.glass,
            None => Mass::from_g_f64(0.05 + 12.0 * person.rng.f64().powi(2)).unwrap_or(Mass::ZERO),
        };
        room.settle(now);
    }

    fn kill(&mut self, mishap: Mishap, now: Moment, person: &mut Person, room: &mut Room) {
        let down = person.secs(0.2, 12.0);
        self.kill = Some(Kill {
            back: now.plus_micros(down),
        });
        self.until.push((now.0 + down, End::Quiet));
        let after = down + person.secs(0.1, 3.0);
        let slow = person.rng.bool();
        if mishap == Mishap::KillLeft {
            return;
        }
        let held = person.secs(0.3, after as f64 / 1e6);
        let mut acts = Vec::new();
        if mishap == Mishap::KillLiftedAfter {
            acts.push(Act::Wait(after));
        }
        acts.push(Act::Lift { slow });
        if mishap == Mishap::KillPutBack {
            acts.extend([Act::Wait(held), Act::SetDown]);
        } else if mishap == Mishap::KillSwapKnown || mishap == Mishap::KillSwapUnknown {
            let known = mishap == Mishap::KillSwapKnown;
            let from = person.rack.iter().position(|&id| {
                let ware = room.ware(id);
                ware.is_some_and(|ware| ware.name.starts_with("known") == known)
            });
            let standing = room.standing.and_then(|id| room.ware(id));
            let step = standing.map_or(person.step, |ware| ware.step);
            if let Some(index) = from {
                let other = person.rack.swap_remove(index);
                if let Some(ware) = room.wares.get_mut(other) {
                    ware.step = step;
                }
                acts.extend([Act::Take(other), Act::Wait(held), Act::SetDown]);
            }
        } else {
            acts.extend([Act::PutBy, Act::Wait(after)]);
        }
        acts.push(Act::Over);
        person.fault_acts(acts);
    }
}
