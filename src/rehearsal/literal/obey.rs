//! Obedience: the deed for each thing that a sentence asks for.

use super::deeds::Act;
use super::person::{Matter, MixWay, Person};
use super::reader::{Asked, Press};
use super::room::Room;
use crate::formula::VesselWay;
use crate::mass::{Mass, Unit};
use crate::rehearsal::pour::{Pour, Style};
use crate::rehearsal::scale::Key;
use crate::vocabulary::command::Command;
use crate::vocabulary::cue::Cue;

impl Person {
    pub(super) fn obey(&mut self, asked: Asked, said: u64, cue: &Cue, room: &mut Room) {
        let again = self.repeats > 0;
        match asked {
            Asked::Place { back } => self.on_place(back, said, again, room),
            Asked::Add(much) => self.on_add(much.to_g_f64(), again, room),
            // "12 g left": nothing more was said, so that is still to be given.
            Asked::EaseOff if again => {
                if let Some(left) = cue.missing.filter(|left| *left > Mass::ZERO) {
                    self.on_add(left.to_g_f64(), again, room);
                }
            }
            Asked::EaseOff | Asked::Stop | Asked::Restore | Asked::Done => {}
            Asked::TakeOut(Mass::ZERO) => self.puzzled(cue),
            // Done as said; nobody does it twice by the same number.
            Asked::TakeOut(_) if again => {}
            Asked::TakeOut(much) => self.on_take_out(much.to_g_f64(), room),
            Asked::Lift if self.gives_first(cue) => self.give(self.target(self.step), room),
            Asked::Lift => {
                self.lift_away(room);
                if cue.say.contains("everything") && room.things_lie_there() {
                    self.obey_part(Act::ClearPan);
                }
            }
            Asked::TakeAllOut => {
                self.discards = true;
                if room.standing.is_some() {
                    self.obey_act(Act::Lift { slow: false });
                }
                self.obey_act(Act::Discard);
                self.obey_act(Act::Wait(2_000_000));
            }
            Asked::Replace => {
                self.lift_away(room);
                if cue.say.contains("empty it") && !self.way(self.step).is_apart() {
                    // There is no other bowl: what was given of the step is taken out of this one.
                    self.discards = true;
                    self.obey_part(Act::TakeBack);
                    self.obey_part(Act::Discard);
                }
                self.take_and_set();
            }
            Asked::LiftAndBack => {
                if room.standing.is_some() {
                    let held = self.secs(0.8, 3.0);
                    let slow = self.rng.bool();
                    let waits = ["wait", "rest"].iter().any(|word| cue.say.contains(word));
                    self.obey_act(Act::Lift { slow });
                    self.obey_act(if waits {
                        Act::UntilRest(held)
                    } else {
                        Act::Wait(held)
                    });
                    self.obey_act(Act::SetDown);
                } else if self.hand.is_some() || self.put_by.is_some() {
                    self.bring_back();
                }
            }
            Asked::ClearPan if room.is_lidded() => self.obey_act(Act::TakeLid),
            Asked::ClearPan if room.beside.is_empty() => self.lift_away(room),
            Asked::ClearPan => self.obey_act(Act::ClearPan),
            Asked::Mix => self.on_mix(room),
            Asked::Say(command) => {
                let think = self.secs(0.2, 1.0);
                self.obey_act(Act::Wait(think));
                self.obey_act(Act::Say(command));
                self.obey_act(Act::Wait(20_000));
                self.obey_act(Act::Discard);
            }
            Asked::Unit(unit) => {
                let unit = unit.and_then(|unit| Unit::from_symbol(unit.as_bytes()));
                self.obey_act(Act::Unit(unit));
            }
            Asked::Press(Press::Tare) => self.obey_act(Act::Key(Key::Tare)),
            Asked::Press(Press::Zero) => self.obey_act(Act::Key(Key::Zero)),
            Asked::Press(Press::Pan) => self.obey_act(Act::Presses),
            Asked::Unclear => self.puzzled(cue),
        }
    }

    fn puzzled(&mut self, cue: &Cue) {
        if !self.unclear.iter().any(|said| *said == *cue.say) {
            self.unclear.push(cue.say.to_string());
        }
    }

    /// A source that is to be lifted gives what is wanted, where the sentence speaks of that.
    fn gives_first(&self, cue: &Cue) -> bool {
        let say = cue.say.to_lowercase();
        self.way(self.step) == VesselWay::Difference
            && ["give", "pour", "take"]
                .iter()
                .any(|word| say.contains(word))
    }

    fn on_place(&mut self, back: bool, said: u64, again: bool, room: &mut Room) {
        if let Some(id) = room.standing {
            let step = self.step;
            let ware = room.ware(id);
            let mine = ware.is_some_and(|w| w.step == step && w.is_unused());
            let bowl = self.way(step) == VesselWay::Bowl && self.bowl == id;
            // Said before it came down: it is done.
            if !again && (said <= self.landed_at || mine || bowl) {
                return;
            }
            if mine || bowl || back {
                let held = self.secs(0.8, 2.5);
                self.obey_act(Act::Lift { slow: false });
                self.obey_act(Act::Wait(held));
                self.obey_act(Act::SetDown);
                return;
            }
            self.lift_away(room);
            self.take_and_set();
            return;
        }
        if back && (self.hand.is_some() || self.put_by.is_some()) {
            self.bring_back();
            return;
        }
        self.take_and_set();
    }

    fn bring_back(&mut self) {
        let reach = self.secs(0.3, 1.5);
        if self.hand.is_none() {
            self.obey_act(Act::TakeBack);
        }
        self.obey_act(Act::Wait(reach));
        self.obey_act(Act::SetDown);
    }

    /// Takes a vessel as the step wants it, and sets it down.
    pub(super) fn take_and_set(&mut self) {
        let reach = self.secs(0.3, 2.0);
        let step = self.step;
        self.obey_act(Act::Fetch { step });
        self.obey_act(Act::Wait(reach));
        self.obey_act(Act::SetDown);
    }

    fn on_add(&mut self, missing: f64, again: bool, room: &mut Room) {
        if room.standing.is_none() {
            match self.hand {
                Some(_) => self.obey_act(Act::SetDown),
                None => self.take_and_set(),
            }
            self.handled = false;
            return;
        }
        if self.way(self.step) == VesselWay::Difference {
            self.give(missing, room);
            return;
        }
        let left = missing - self.believed;
        if again && left < 0.02 * missing {
            return;
        }
        let pour = self.pour(left.max(0.02 * missing), self.target(self.step));
        let step = self.step;
        self.obey_act(Act::Pour {
            step,
            pour: Box::new(pour),
        });
    }

    /// How this person pours `want` grams of a step of `target` grams.
    pub(super) fn pour(&mut self, want: f64, target: f64) -> Pour {
        let first = want > 0.25 * target;
        let share = (want / target.max(1e-6)).clamp(0.05, 1.0);
        let seconds = (self.traits.pouring * share).max(0.6) * (0.7 + 0.6 * self.rng.f64());
        let style = match self.traits.matter {
            Matter::Liquid | Matter::Syrup => Style::Stream,
            Matter::Powder if first => Style::Scoops,
            Matter::Powder => Style::Stream,
            Matter::Drops if want < 3.0 => Style::Drops,
            Matter::Drops => Style::Stream,
        };
        let pour = Pour::new(want, style, seconds, &mut self.rng).enough(1.0);
        if self.traits.matter == Matter::Syrup {
            pour.syrup(&mut self.rng)
        } else {
            pour
        }
    }

    fn on_take_out(&mut self, much: f64, room: &mut Room) {
        if room.standing.is_none() {
            return;
        }
        if self.way(self.step) == VesselWay::Difference {
            // What was given out of a source does not go back into it.
            self.obey_act(Act::Say(Command::Keep));
            return;
        }
        let grams = much * (0.8 + 0.35 * self.rng.f64());
        let times = self.rng.u32(1..=2);
        self.obey_act(Act::Spoon { grams, times });
    }

    pub(super) fn give(&mut self, missing: f64, room: &mut Room) {
        let grams = missing * (0.85 + 0.17 * self.rng.f64());
        let giving = self.secs(1.0, 4.0);
        let step = self.step;
        if room.standing.is_some() {
            self.obey_part(Act::Lift { slow: false });
        } else if self.hand.is_none() {
            self.obey_part(Act::TakeBack);
        }
        self.obey_part(Act::Wait(giving));
        self.obey_act(Act::Give { step, grams });
        self.obey_part(Act::Wait(400_000));
        self.obey_part(Act::SetDown);
    }

    fn lift_away(&mut self, room: &mut Room) {
        if room.standing.is_none() {
            return;
        }
        let reach = self.secs(0.2, 1.2);
        let slow = self.rng.f64() < 0.3;
        self.obey_act(Act::Wait(reach));
        self.obey_act(Act::Lift { slow });
        self.obey_act(Act::Wait(reach));
        self.obey_act(Act::PutBy);
    }

    fn on_mix(&mut self, room: &mut Room) {
        let stirring = (self.traits.stirring * 1e6) as u64;
        self.mixing = true;
        let next = self.step + 1;
        let standing = room.standing.and_then(|id| room.ware(id));
        let apart = standing.is_some_and(|ware| ware.way != VesselWay::Bowl);
        let free = standing.is_none();
        if apart {
            self.lift_away(room);
        }
        self.obey_act(Act::Stir(stirring));
        let by_vessel =
            next <= self.sheet.len() && self.way(next) != VesselWay::Difference && (apart || free);
        match self.traits.mix {
            MixWay::NextVessel if by_vessel && self.repeats == 0 => {
                self.obey_act(Act::Fetch { step: next });
                self.obey_act(Act::SetDown);
            }
            MixWay::Presses if self.repeats == 0 => self.obey_act(Act::Presses),
            MixWay::Word | MixWay::Presses | MixWay::NextVessel => {
                self.obey_act(Act::Say(Command::Next));
            }
        }
        self.obey_act(Act::Mixed);
    }

    pub(super) fn mixed(&mut self) {
        self.mixing = false;
    }
}
