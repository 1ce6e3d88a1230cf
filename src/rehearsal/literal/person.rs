//! The person who only obeys: hears a cue, takes a moment, does what the sentence says.

use std::collections::VecDeque;

use super::deeds::{Act, Todo};
use super::reader::{Seen, read};
use super::room::{Room, WareId};
use crate::formula::VesselWay;
use crate::mass::Mass;
use crate::time::Moment;
use crate::vocabulary::cue::{Cue, CueKind};

/// How an ingredient comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Matter {
    Liquid,
    Powder,
    Syrup,
    Drops,
}

/// How the word `mix` is answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MixWay {
    Word,
    Presses,
    NextVessel,
}

/// One person's manner.
#[derive(Debug, Clone, PartialEq)]
pub struct Traits {
    /// Seconds from a short cue to the hand.
    pub reaction: f64,
    /// Seconds to take in a sentence.
    pub reading: f64,
    /// Seconds that a first pour takes.
    pub pouring: f64,
    pub matter: Matter,
    /// Share of the pace kept once told to ease off.
    pub ease: f64,
    pub mix: MixWay,
    /// Seconds of stirring.
    pub stirring: f64,
    /// Seconds after which a sentence that still stands is obeyed once more.
    pub patience: f64,
}

/// What is on the formula's sheet about one step.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetLine {
    pub way: VesselWay,
    pub ingredient: String,
    pub target: Mass,
}

#[derive(Debug, Clone)]
struct Heard {
    due: u64,
    said: u64,
    cue: Cue,
}

/// Something went in before anybody asked for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Early {
    pub step: usize,
    /// When the vessel had landed, and when the last of it had.
    pub landed: Moment,
    pub poured: Moment,
}

/// A step of the batch as the person lived it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Lived {
    /// Moves made in obedience since the step began or the fault was over, whichever came later.
    pub moves: u32,
    pub words: u32,
}

/// See the module's text.
#[derive(Debug, Clone)]
pub struct Person {
    pub(super) rng: fastrand::Rng,
    pub(super) traits: Traits,
    pub(super) sheet: Vec<SheetLine>,
    heard: VecDeque<Heard>,
    pub(super) todo: VecDeque<Todo>,
    pub(super) began: Option<u64>,
    /// The sentence that stands, and when it was said.
    cue: Option<(u64, Cue)>,
    pub(super) handled: bool,
    /// When it was last obeyed.
    pub(super) obeyed_at: u64,
    pub(super) repeats: u32,
    pub(super) hand: Option<WareId>,
    pub(super) put_by: Option<WareId>,
    /// The vessel that stood on the pan before the one there now.
    pub(super) before: Option<WareId>,
    pub(super) bowl: WareId,
    pub(super) source: Option<(usize, WareId)>,
    /// Clean beakers that were not taken yet.
    pub(super) rack: Vec<WareId>,
    pub(super) landed_at: u64,
    pub(super) landings: u32,
    pub(super) poured_early: bool,
    pub early: Vec<Early>,
    /// `again` was said, and what was given is still to be thrown away.
    pub(super) discards: bool,
    pub(super) poured_until: u64,
    /// What the person believes to have given since the last number was said.
    pub(super) believed: f64,
    /// The step that the sentences speak of.
    pub step: usize,
    pub lived: Lived,
    pub unclear: Vec<String>,
    /// A word was said that nobody could have known to be the right one.
    pub guessed: bool,
    /// Whether a mixing was asked for and not yet answered.
    pub(super) mixing: bool,
}

impl Person {
    /// Somebody with these vessels at hand.
    pub fn new(
        traits: Traits,
        sheet: Vec<SheetLine>,
        rack: Vec<WareId>,
        bowl: WareId,
        seed: u64,
    ) -> Person {
        Person {
            rng: fastrand::Rng::with_seed(seed ^ 0x6861_6e64),
            traits,
            sheet,
            heard: VecDeque::new(),
            todo: VecDeque::new(),
            began: None,
            cue: None,
            handled: true,
            obeyed_at: 0,
            repeats: 0,
            hand: None,
            put_by: None,
            before: None,
            bowl,
            source: None,
            rack,
            landed_at: 0,
            landings: 0,
            poured_early: false,
            early: Vec::new(),
            discards: false,
            poured_until: 0,
            believed: 0.0,
            step: 1,
            lived: Lived::default(),
            unclear: Vec::new(),
            guessed: false,
            mixing: false,
        }
    }

    pub(super) fn secs(&mut self, low: f64, high: f64) -> u64 {
        ((low + (high - low) * self.rng.f64()) * 1e6) as u64
    }

    pub fn is_idle(&self) -> bool {
        self.todo.is_empty() && self.heard.is_empty() && self.handled
    }

    pub fn is_mixing(&self) -> bool {
        self.mixing
    }

    /// What the sentence that stands asks for, as text.
    pub fn standing_cue(&self) -> Option<&Cue> {
        self.cue.as_ref().map(|(_, cue)| cue)
    }

    pub(super) fn is_pouring(&self) -> bool {
        matches!(
            self.todo.front(),
            Some(Todo {
                act: Act::Pour { .. },
                ..
            })
        )
    }

    /// A cue is said; it is taken in after a while.
    pub fn hear(&mut self, now: Moment, cue: &Cue) {
        let mean = match cue.kind {
            CueKind::EaseOff | CueKind::Hold | CueKind::TakeOut => self.traits.reaction,
            CueKind::Lift | CueKind::Fault | CueKind::Choose if self.is_pouring() => {
                self.traits.reaction
            }
            CueKind::Place
            | CueKind::Add
            | CueKind::Lift
            | CueKind::Mix
            | CueKind::Choose
            | CueKind::Fault
            | CueKind::Done => self.traits.reading,
        };
        let delay = mean * (0.7 + 0.6 * self.rng.f64());
        let due = now.0 + (delay * 1e6) as u64;
        let due = self.heard.back().map_or(due, |last| due.max(last.due));
        let said = now.0;
        self.heard.push_back(Heard {
            due,
            said,
            cue: cue.clone(),
        });
    }

    /// One tick: take in what is due, go on with what is in hand, or read what stands.
    pub fn tick(&mut self, now: Moment, dt: u64, room: &mut Room) {
        while self.heard.front().is_some_and(|heard| heard.due <= now.0)
            && let Some(heard) = self.heard.pop_front()
        {
            self.take_in(now, heard);
        }
        for _ in 0..16 {
            let Some(todo) = self.todo.pop_front() else {
                self.decide(now, room);
                if self.todo.is_empty() {
                    break;
                }
                continue;
            };
            let began = *self.began.get_or_insert(now.0);
            let Todo { act, fault, counts } = todo;
            match self.perform(act, counts, began, now, dt, room) {
                Some(act) => {
                    self.todo.push_front(Todo { act, fault, counts });
                    break;
                }
                None => self.began = None,
            }
        }
    }

    fn take_in(&mut self, now: Moment, heard: Heard) {
        let Heard { said, cue, .. } = heard;
        match cue.kind {
            CueKind::EaseOff => self.ease(),
            CueKind::Hold
            | CueKind::TakeOut
            | CueKind::Lift
            | CueKind::Choose
            | CueKind::Fault
            | CueKind::Done => self.stop(now.0),
            CueKind::Place | CueKind::Add | CueKind::Mix => {}
        }
        if cue.step > 0 && cue.step != self.step {
            self.step = cue.step;
            self.discards = false;
        }
        // What was begun is finished, what was only meant to be done is not, unless it is a fault.
        let begun = self.began.is_some();
        let mut index = 0;
        self.todo.retain(|todo| {
            let first = index == 0 && begun;
            index += 1;
            first || todo.fault
        });
        self.believed = 0.0;
        self.handled = matches!(cue.kind, CueKind::EaseOff | CueKind::Hold);
        self.repeats = 0;
        self.obeyed_at = now.0;
        self.cue = Some((said, cue));
    }

    pub(super) fn stop(&mut self, now: u64) {
        if let Some(Todo {
            act: Act::Pour { pour, .. },
            ..
        }) = self.todo.front_mut()
        {
            pour.stop(now);
        }
    }

    fn ease(&mut self) {
        let share = self.traits.ease;
        if let Some(Todo {
            act: Act::Pour { pour, .. },
            ..
        }) = self.todo.front_mut()
        {
            pour.ease(share);
        }
    }

    pub(super) fn believe(&mut self, grams: f64) {
        self.believed += grams;
    }

    fn decide(&mut self, now: Moment, room: &mut Room) {
        if self.handled {
            // The sentence still stands and nothing has come of it.
            let patience = (self.traits.patience * 1e6) as u64 * u64::from(1 + self.repeats);
            let quiet = now.0.saturating_sub(self.obeyed_at.max(self.landed_at));
            if self.cue.is_none() || quiet < patience {
                return;
            }
            self.repeats += 1;
            if self.repeats > 3 {
                return;
            }
        }
        self.handled = true;
        self.obeyed_at = now.0;
        let Some((said, cue)) = self.cue.clone() else {
            return;
        };
        let seen = self.seen(self.step, room);
        let rng = &mut self.rng;
        let reading = read(&cue, seen, |ways| rng.usize(0..ways.max(1)));
        self.guessed |= reading.guessed;
        for asked in reading.asked {
            self.obey(asked, said, &cue, room);
        }
    }

    /// What can be seen of the vessel on the pan, or else in the hand.
    fn seen(&self, step: usize, room: &Room) -> Seen {
        let meant = room.standing.or(self.hand);
        let ware = meant.and_then(|id| room.ware(id));
        Seen {
            empty: ware.map(|ware| ware.is_unused() && ware.foreign == Mass::ZERO),
            none: room
                .tracks
                .get(&step)
                .is_none_or(|track| track.net() == Mass::ZERO),
            gone: room.gone,
            clear: room.standing.is_none() && !room.things_lie_there(),
            laid: !room.beside.is_empty() || room.is_lidded(),
            bowl: self.way(step) == VesselWay::Bowl,
            same: meant.map(|id| self.before.is_none_or(|before| before == id)),
        }
    }

    pub(super) fn way(&self, step: usize) -> VesselWay {
        let line = self.sheet.get(step.saturating_sub(1));
        line.map_or(VesselWay::Beaker, |line| line.way)
    }

    pub(super) fn target(&self, step: usize) -> f64 {
        let line = self.sheet.get(step.saturating_sub(1));
        line.map_or(1.0, |line| line.target.to_g_f64())
    }

    pub(super) fn obey_act(&mut self, act: Act) {
        self.todo.push_back(Todo {
            act,
            fault: false,
            counts: true,
        });
    }

    /// A part of a move that is counted already.
    pub(super) fn obey_part(&mut self, act: Act) {
        self.todo.push_back(Todo {
            act,
            fault: false,
            counts: false,
        });
    }

    /// What was said last was refused: nothing is thrown away.
    pub fn refused(&mut self) {
        self.discards = false;
    }
}
