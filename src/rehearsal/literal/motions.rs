//! The motions of the hand that take a while.

use super::deeds::{Act, Todo};
use super::person::Person;
use super::room::{Room, Ware, WareId};
use crate::formula::VesselWay;
use crate::mass::{Mass, Unit};
use crate::rehearsal::pan::Push;
use crate::rehearsal::scale::Key;
use crate::time::Moment;

const LANDING_US: u64 = 120_000;

impl Person {
    pub(super) fn fetch(&mut self, step: usize, now: Moment, room: &mut Room) {
        let way = self.way(step);
        if way.is_apart() {
            // What the other vessel held goes away with it.
            self.discards = false;
        }
        if let Some(held) = self.hand {
            let ware = room.ware(held);
            let fits = ware.is_some_and(|w| w.way == way && w.is_unused());
            if fits && way == VesselWay::Difference {
                // An empty bottle is changed for a full one.
                self.fill_up(held, step, room);
                return;
            }
            if fits && way.is_apart() {
                if let Some(ware) = room.wares.get_mut(held) {
                    ware.step = step;
                }
                return;
            }
            self.hand = None;
            self.put_by = Some(held);
        }
        let id = match way {
            VesselWay::Bowl => self.bowl,
            VesselWay::Difference => match self.source {
                Some((of, id)) if of == step => {
                    self.fill_up(id, step, room);
                    id
                }
                Some(_) | None => {
                    let target = self.target(step);
                    let glass = Mass::from_g_f64(25.0 + 60.0 * self.rng.f64());
                    let mut ware = Ware::new("the source", way, glass.unwrap_or(Mass::ZERO));
                    let stock = target * (1.5 + 2.0 * self.rng.f64());
                    ware.foreign = Mass::from_g_f64(stock).unwrap_or(Mass::ZERO);
                    let id = room.add(ware);
                    self.source = Some((step, id));
                    id
                }
            },
            VesselWay::Beaker | VesselWay::Jar => {
                if self.rack.is_empty() {
                    // One more of the kind of those that were there.
                    let glass = room
                        .wares
                        .first()
                        .map_or(Mass::from_g(40), |ware| ware.glass);
                    let glass = glass.ratio(self.rng.i64(800..1250), 1000);
                    self.rack
                        .push(room.add(Ware::new("one more beaker", way, glass)));
                }
                let index = self.rng.usize(0..self.rack.len());
                self.rack.swap_remove(index)
            }
        };
        if let Some(ware) = room.wares.get_mut(id) {
            ware.step = step;
            let text = format!("take {} ({:?})", ware.name, ware.mass());
            room.table.tell(now, text);
        }
        self.hand = Some(id);
    }

    /// What was given and thrown away is put into the source again, as long as that is off the pan.
    fn fill_up(&self, id: WareId, step: usize, room: &mut Room) {
        let least = Mass::from_g_f64(1.5 * self.target(step)).unwrap_or(Mass::ZERO);
        if room.standing != Some(id)
            && let Some(ware) = room.wares.get_mut(id)
            && ware.foreign < least
        {
            ware.foreign = least * 2;
        }
    }

    pub(super) fn set_down(&mut self, elapsed: u64, now: Moment, room: &mut Room) -> Option<Act> {
        if elapsed == 0 {
            if room.standing.is_some() {
                return None;
            }
            let id = self.hand.take()?;
            let grams = room.ware(id).map_or(0.0, |ware| ware.mass().to_g_f64());
            room.push(Push::Impact {
                from: now.0 + LANDING_US / 2,
                grams: grams * (0.1 + 0.4 * self.rng.f64()),
                decay: 0.035 + 0.06 * self.rng.f64(),
            });
            let what = room.ware(id).map(|ware| ware.name.clone());
            room.table.tell(
                now,
                format!("set down {} ({grams:.4} g)", what.unwrap_or_default()),
            );
            room.set_down(id, now);
            if let Some(track) = room.tracks.get_mut(&self.step) {
                track.carry(now);
            }
            return Some(Act::SetDown);
        }
        room.support((elapsed as f64 / LANDING_US as f64).min(1.0));
        self.landed_at = now.0;
        self.landings += u32::from(elapsed >= LANDING_US);
        (elapsed < LANDING_US).then_some(Act::SetDown)
    }

    pub(super) fn lift(
        &mut self,
        slow: bool,
        elapsed: u64,
        now: Moment,
        room: &mut Room,
    ) -> Option<Act> {
        let lasts = if slow { 700_000 } else { 130_000 };
        room.standing?;
        if elapsed == 0 {
            room.table.tell(now, "lift".to_owned());
            room.begin_lift(now);
        }
        room.support(1.0 - (elapsed as f64 / lasts as f64).min(1.0));
        if elapsed < lasts {
            return Some(Act::Lift { slow });
        }
        let lifted = room.end_lift(now);
        self.before = lifted;
        if let Some(held) = self.hand {
            self.put_by = Some(held);
        }
        self.hand = lifted;
        self.discard(now, room);
        None
    }

    /// From a bowl or a source only what is in the hand can be thrown away, and only of this step.
    pub(super) fn discard(&mut self, now: Moment, room: &mut Room) {
        let step = self.step;
        let in_hand = self.hand.and_then(|id| room.ware(id));
        let source = self.way(step) == VesselWay::Difference;
        if !self.discards || (in_hand.is_none() && !source) {
            return;
        }
        self.discards = false;
        room.throw_away(self.hand, step, now);
        if let Some((_, id)) = self.source.filter(|&(of, _)| of == step) {
            self.fill_up(id, step, room);
        }
        room.table
            .tell(now, "throw away what was given of it".to_owned());
    }

    pub(super) fn spoon(
        &mut self,
        grams: f64,
        times: u32,
        elapsed: u64,
        now: Moment,
        room: &mut Room,
    ) -> Option<Act> {
        if elapsed == 0 {
            room.table.tell(now, format!("spoon {grams:.3} g out"));
            room.push(Push::Press {
                from: now.0,
                until: now.0 + 450_000,
                grams: 0.5 + 4.0 * self.rng.f64(),
            });
        }
        if elapsed < 700_000 {
            return Some(Act::Spoon { grams, times });
        }
        let id = room.standing?;
        let part = grams / f64::from(times.max(1));
        let taken = room.take_out(id, Mass::from_g_f64(part)?, now);
        self.poured_until = now.0;
        if times > 1 {
            let act = Act::Spoon {
                grams: grams - taken.to_g_f64(),
                times: times - 1,
            };
            self.todo.push_front(Todo {
                act,
                fault: false,
                counts: false,
            });
        }
        None
    }

    pub(super) fn presses(&mut self, elapsed: u64, now: Moment, room: &mut Room) -> Option<Act> {
        if elapsed == 0 {
            room.table.tell(now, "press the pan twice".to_owned());
            let first = self.secs(0.22, 0.34);
            let second = now.0 + first + self.secs(0.4, 0.6);
            let lasts = self.secs(0.22, 0.34);
            for (from, lasts) in [(now.0, first), (second, lasts)] {
                let grams = 60.0 + 120.0 * self.rng.f64();
                room.push(Push::Press {
                    from,
                    until: from + lasts,
                    grams,
                });
            }
        }
        (elapsed < 1_400_000).then_some(Act::Presses)
    }

    pub(super) fn stir(
        &mut self,
        us: u64,
        elapsed: u64,
        now: Moment,
        room: &mut Room,
    ) -> Option<Act> {
        if elapsed == 0 && room.standing.is_some() {
            room.push(Push::Rest {
                from: now.0,
                until: now.0 + us,
                grams: 3.0 + 20.0 * self.rng.f64(),
            });
        }
        (elapsed < us).then_some(Act::Stir(us))
    }
}

/// One press each 0.4 s, until the unit is there.
pub(super) fn unit_home(
    unit: Option<Unit>,
    elapsed: u64,
    now: Moment,
    room: &mut Room,
) -> Option<Act> {
    let place = room.table.places.first()?;
    let units = &place.scale.spec().units;
    let wanted = unit.or(units.first().copied())?;
    if place.scale.unit() == wanted || !units.contains(&wanted) || elapsed > 8_000_000 {
        return None;
    }
    if elapsed.is_multiple_of(400_000) {
        room.table.tell(now, "press Unit".to_owned());
        room.table.press(0, Key::Unit);
    }
    Some(Act::Unit(unit))
}
