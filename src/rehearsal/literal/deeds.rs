//! Deeds of the hands, act by act.

use super::motions::unit_home;
use super::person::{Early, Person};
use super::room::{Room, WareId};
use crate::mass::{Mass, Unit};
use crate::rehearsal::pour::Pour;
use crate::rehearsal::scale::Key;
use crate::time::Moment;
use crate::vocabulary::command::Command;

/// Something the hands do.
#[derive(Debug, Clone)]
pub enum Act {
    Wait(u64),
    /// Waits until the display stands still: this long at least, twelve seconds at most.
    UntilRest(u64),
    Tell(String),
    Say(Command),
    /// Takes a clean vessel as this step wants it into the hand; what was in it is put by.
    Fetch {
        step: usize,
    },
    /// Takes up again what was put by last.
    TakeBack,
    /// Takes this one, wherever it is.
    Take(WareId),
    /// Sets down what is in the hand.
    SetDown,
    Lift {
        slow: bool,
    },
    PutBy,
    Pour {
        step: usize,
        pour: Box<Pour>,
    },
    Give {
        step: usize,
        grams: f64,
    },
    Spoon {
        grams: f64,
        times: u32,
    },
    Key(Key),
    /// Presses UNIT until this unit, or the one that the scale began with, is shown.
    Unit(Option<Unit>),
    Presses,
    /// A hand stirs in what stands on the pan, or elsewhere.
    Stir(u64),
    Mixed,
    /// Takes away what lies on the pan beside the vessel.
    ClearPan,
    LayDown(String, Mass),
    /// Puts a lid on the vessel, which goes where that goes, and takes it off again.
    PutOn(Mass),
    TakeLid,
    /// Pours this share of what is in the vessel in the hand away.
    PourAway(f64),
    /// Pours all that is in the hand into another vessel, which is in the hand then.
    PourOver(WareId),
    /// Throws away what was given of the step, after `again` was said.
    Discard,
    /// The fault is over.
    Over,
}

impl Act {
    /// Whether it is a move of the hand (or a word), as moves are counted.
    pub fn is_move(&self) -> bool {
        match self {
            Act::Wait(_)
            | Act::UntilRest(_)
            | Act::Tell(_)
            | Act::Fetch { .. }
            | Act::TakeBack
            | Act::Take(_)
            | Act::PutBy
            | Act::Mixed
            | Act::Stir(_)
            | Act::Discard
            | Act::Over => false,
            Act::Say(_)
            | Act::SetDown
            | Act::Lift { .. }
            | Act::Pour { .. }
            | Act::Give { .. }
            | Act::Spoon { .. }
            | Act::Key(_)
            | Act::Unit(_)
            | Act::Presses
            | Act::ClearPan
            | Act::LayDown(..)
            | Act::PutOn(_)
            | Act::TakeLid
            | Act::PourAway(_)
            | Act::PourOver(_) => true,
        }
    }
}

/// An act that is to be done.
#[derive(Debug, Clone)]
pub struct Todo {
    pub act: Act,
    /// It is part of what goes wrong.
    pub fault: bool,
    /// It counts as a move made in obedience.
    pub counts: bool,
}

impl Person {
    /// Goes on with `act`; gives it back while it is not done.
    pub(super) fn perform(
        &mut self,
        act: Act,
        counts: bool,
        began: u64,
        now: Moment,
        dt: u64,
        room: &mut Room,
    ) -> Option<Act> {
        let elapsed = now.0 - began;
        if elapsed == 0 && counts {
            self.count(&act);
        }
        match act {
            Act::Wait(us) => (elapsed < us).then_some(Act::Wait(us)),
            Act::UntilRest(us) => {
                let place = room.table.places.first();
                let rests = place.is_none_or(|place| place.scale.is_steady());
                let over = elapsed >= 12_000_000 || (elapsed >= us && rests);
                (!over).then_some(Act::UntilRest(us))
            }
            Act::Tell(text) => {
                room.table.tell(now, text);
                None
            }
            Act::Say(command) => {
                // Whoever says so begins the step anew, and what was given of it is thrown away.
                self.discards = counts && command == Command::Again;
                room.table.say(now, command);
                None
            }
            Act::Discard => {
                self.discard(now, room);
                None
            }
            Act::Fetch { step } => {
                self.fetch(step, now, room);
                None
            }
            Act::TakeBack => {
                if self.hand.is_none() {
                    self.hand = self.put_by.take();
                }
                None
            }
            Act::Take(id) => {
                if let Some(held) = self.hand.replace(id).filter(|held| *held != id) {
                    self.put_by = Some(held);
                }
                None
            }
            Act::SetDown => self.set_down(elapsed, now, room),
            Act::Lift { slow } => self.lift(slow, elapsed, now, room),
            Act::PutBy => {
                if let Some(held) = self.hand.take() {
                    self.put_by = Some(held);
                }
                None
            }
            Act::Pour { step, mut pour } => {
                // Nobody throws away what came after.
                self.discards = false;
                let given = pour.given();
                let (landed, over) = pour.tick(now.0, dt, &mut self.rng);
                self.believe(pour.given() - given);
                room.land(step, landed, now);
                if over {
                    self.poured_until = now.0;
                    self.obeyed_at = now.0;
                    return None;
                }
                Some(Act::Pour { step, pour })
            }
            Act::Give { step, grams } => {
                if let (Some(id), Some(mass)) = (self.hand, Mass::from_g_f64(grams)) {
                    room.give(id, step, mass, now);
                }
                None
            }
            Act::Spoon { grams, times } => self.spoon(grams, times, elapsed, now, room),
            Act::Key(key) => {
                room.table.tell(now, format!("press {key:?}"));
                room.table.press(0, key);
                None
            }
            Act::Unit(unit) => unit_home(unit, elapsed, now, room),
            Act::Presses => self.presses(elapsed, now, room),
            Act::Stir(us) => self.stir(us, elapsed, now, room),
            Act::Mixed => {
                self.mixed();
                None
            }
            Act::ClearPan => {
                room.table.tell(now, "clear the pan".to_owned());
                room.gone |= !room.beside.is_empty();
                room.beside.clear();
                room.settle(now);
                None
            }
            Act::LayDown(what, mass) => {
                room.table.tell(now, format!("{what} comes onto the pan"));
                room.beside.push((what, mass));
                room.settle(now);
                None
            }
            Act::PutOn(mass) => {
                room.table.tell(now, format!("a lid of {mass:?} comes on"));
                room.lid = room.standing.or(self.hand).map(|id| (id, mass));
                room.settle(now);
                None
            }
            Act::TakeLid => {
                room.table.tell(now, "the lid comes off".to_owned());
                room.gone |= room.lid.is_some();
                room.lid = None;
                room.settle(now);
                None
            }
            Act::PourAway(share) => {
                if let Some(id) = self.hand {
                    let content: Mass = room.ware(id).map_or(Mass::ZERO, |ware| {
                        ware.contents.iter().map(|&(_, mass)| mass).sum()
                    });
                    let grams = Mass::from_g_f64(content.to_g_f64() * share);
                    let taken = room.take_out(id, grams.unwrap_or(Mass::ZERO), now);
                    room.table.tell(now, format!("pour {taken:?} away"));
                }
                None
            }
            Act::PourOver(other) => {
                if let Some(id) = self.hand {
                    let contents = room.ware(id).map(|ware| ware.contents.clone());
                    for (step, mass) in contents.unwrap_or_default() {
                        let taken = room.take_out(id, mass, now);
                        room.put_into(other, step, taken, now);
                    }
                    self.hand = Some(other);
                }
                None
            }
            Act::Over => {
                if std::mem::take(&mut self.poured_early) {
                    self.early.push(Early {
                        step: self.step,
                        landed: Moment(self.landed_at),
                        poured: Moment(self.poured_until),
                    });
                }
                self.fault_is_over(now);
                None
            }
        }
    }

    fn count(&mut self, act: &Act) {
        if act.is_move() {
            self.lived.moves += 1;
        }
        // Saying that it is mixed is part of the work.
        if let Act::Say(command) = act
            && !(*command == Command::Next && self.is_mixing())
        {
            self.lived.words += 1;
        }
    }
}
