//! Mishaps, each by its name and at a moment that was drawn beforehand.

use super::deeds::{Act, Todo};
use super::person::Person;
use super::room::Room;
use crate::formula::VesselWay;
use crate::time::Moment;

/// Something that goes wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Mishap {
    /// A scoop goes in soon after the vessel has landed, before anybody asked for it.
    ScoopEarly,
    /// Drops go in before the scale is at rest.
    DropsEarly,
    Tare,
    Zero,
    /// UNIT is touched, and brought back some seconds later.
    Unit,
    /// UNIT is touched, and stays so until somebody says something.
    UnitStays,
    /// UNIT is touched while the vessel lands, and stays so.
    UnitAtLanding,
    Bump,
    HandOnPan,
    DraughtShort,
    DraughtLong,
    Gusts,
    DriftUp,
    DriftDown,
    /// What is in the vessel dries up.
    Evaporation,
    CableOut,
    ScaleOff,
    LinesGarbled,
    LinesMissing,
    LowBattery,
    /// The vessel is lifted and put back as it was.
    LiftedEarly,
    /// The vessel is lifted, some of it poured away, and put back.
    LiftedAndPoured,
    /// Another vessel is set in the place of the one on the pan, content and all.
    SwapNear,
    SwapOther,
    SwapPartFilled,
    /// The content is tipped into another vessel, which is set down instead.
    Decanted,
    /// The vessel of the step holds leftovers.
    Residue,
    /// With its leftovers it weighs what a vessel of the configuration weighs empty.
    PartFilledAsKnown,
    SpoonOnPan,
    LidOn,
    Spilt,
    AddedAfterRecord,
    WordNext,
    WordAgain,
    WordKeep,
    WordResidue,
    WordLot,
    /// One of all words, at random, three times in a row.
    WordUnasked,
    /// The row is on the disk only after a while.
    SlowLog,
    /// The disk takes no row for a while.
    LogFails,
    KillLeft,
    KillLiftedBefore,
    KillLiftedAfter,
    KillPutBack,
    KillSwapKnown,
    KillSwapUnknown,
}

impl Mishap {
    pub const ALL: [Mishap; 46] = [
        Mishap::ScoopEarly,
        Mishap::DropsEarly,
        Mishap::Tare,
        Mishap::Zero,
        Mishap::Unit,
        Mishap::UnitStays,
        Mishap::UnitAtLanding,
        Mishap::Bump,
        Mishap::HandOnPan,
        Mishap::DraughtShort,
        Mishap::DraughtLong,
        Mishap::Gusts,
        Mishap::DriftUp,
        Mishap::DriftDown,
        Mishap::Evaporation,
        Mishap::CableOut,
        Mishap::ScaleOff,
        Mishap::LinesGarbled,
        Mishap::LinesMissing,
        Mishap::LowBattery,
        Mishap::LiftedEarly,
        Mishap::LiftedAndPoured,
        Mishap::SwapNear,
        Mishap::SwapOther,
        Mishap::SwapPartFilled,
        Mishap::Decanted,
        Mishap::Residue,
        Mishap::PartFilledAsKnown,
        Mishap::SpoonOnPan,
        Mishap::LidOn,
        Mishap::Spilt,
        Mishap::AddedAfterRecord,
        Mishap::WordNext,
        Mishap::WordAgain,
        Mishap::WordKeep,
        Mishap::WordResidue,
        Mishap::WordLot,
        Mishap::WordUnasked,
        Mishap::SlowLog,
        Mishap::LogFails,
        Mishap::KillLeft,
        Mishap::KillLiftedBefore,
        Mishap::KillLiftedAfter,
        Mishap::KillPutBack,
        Mishap::KillSwapKnown,
        Mishap::KillSwapUnknown,
    ];

    pub const fn is_kill(self) -> bool {
        matches!(
            self,
            Mishap::KillLeft
                | Mishap::KillLiftedBefore
                | Mishap::KillLiftedAfter
                | Mishap::KillPutBack
                | Mishap::KillSwapKnown
                | Mishap::KillSwapUnknown
        )
    }

    /// What must be so for it to happen.
    const fn needs(self) -> Needs {
        match self {
            Mishap::LiftedEarly
            | Mishap::LiftedAndPoured
            | Mishap::LidOn
            | Mishap::KillLiftedBefore
            | Mishap::KillPutBack => Needs::Vessel,
            Mishap::SwapNear
            | Mishap::SwapOther
            | Mishap::SwapPartFilled
            | Mishap::Decanted
            | Mishap::KillSwapKnown
            | Mishap::KillSwapUnknown => Needs::Beaker,
            Mishap::ScoopEarly | Mishap::DropsEarly | Mishap::UnitAtLanding => Needs::Landing,
            Mishap::Residue | Mishap::PartFilledAsKnown => Needs::Fetched,
            Mishap::AddedAfterRecord => Needs::Lift,
            Mishap::Tare
            | Mishap::Zero
            | Mishap::Unit
            | Mishap::UnitStays
            | Mishap::WordUnasked
            | Mishap::LogFails
            | Mishap::Bump
            | Mishap::HandOnPan
            | Mishap::DraughtShort
            | Mishap::DraughtLong
            | Mishap::Gusts
            | Mishap::DriftUp
            | Mishap::DriftDown
            | Mishap::Evaporation
            | Mishap::CableOut
            | Mishap::ScaleOff
            | Mishap::LinesGarbled
            | Mishap::LinesMissing
            | Mishap::LowBattery
            | Mishap::SpoonOnPan
            | Mishap::Spilt
            | Mishap::WordNext
            | Mishap::WordAgain
            | Mishap::WordKeep
            | Mishap::WordResidue
            | Mishap::WordLot
            | Mishap::SlowLog
            | Mishap::KillLeft
            | Mishap::KillLiftedAfter => Needs::Nothing,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Needs {
    Nothing,
    /// A vessel on the pan that was not asked to be lifted.
    Vessel,
    /// The same, and it is a beaker.
    Beaker,
    /// A vessel that has just landed.
    Landing,
    /// A vessel in the hand that was just taken.
    Fetched,
    /// The hand is about to lift what is recorded.
    Lift,
}

/// A mishap and its moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Planned {
    pub mishap: Mishap,
    /// The step (from 1) that it belongs to.
    pub step: usize,
    /// Not before.
    pub at: Moment,
}

/// The daemon is killed now, and begun again later.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kill {
    pub back: Moment,
}

/// What waits to go wrong, and what has gone wrong so far.
#[derive(Debug, Clone, Default)]
pub struct Mishaps {
    pub planned: Vec<Planned>,
    /// What came to pass, and when.
    pub done: Vec<(Planned, Moment)>,
    pub kill: Option<Kill>,
    /// Seconds a row takes to the disk, at most.
    pub slow_log: f64,
    /// Until when the disk takes no row.
    pub log_fails_until: Moment,
    /// From when to when something lay where it does not belong.
    pub things: Vec<(Mishap, Moment, Moment)>,
    /// Something that comes to an end by itself.
    pub(super) until: Vec<(u64, End)>,
    pub(super) usual_noise: Option<f64>,
    landings: u32,
    landed_step: usize,
}

#[derive(Debug, Clone, Copy)]
pub(super) enum End {
    Lines,
    Noise(f64),
    Unit,
    Dry,
    Quiet,
    TakeAway,
    TakeLid,
}

impl Mishaps {
    pub fn new(planned: Vec<Planned>) -> Mishaps {
        Mishaps {
            planned,
            ..Mishaps::default()
        }
    }

    /// Whether something is still going on that was begun.
    pub fn is_under_way(&self) -> bool {
        !self.until.is_empty()
    }

    pub fn tick(&mut self, now: Moment, person: &mut Person, room: &mut Room) {
        self.end(now, person, room);
        if self.planned.is_empty() {
            return;
        }
        let landed = person.landings > self.landings;
        self.landings = person.landings;
        let first = landed && self.landed_step != person.step;
        if landed {
            self.landed_step = person.step;
        }
        let mut index = 0;
        while let Some(&planned) = self.planned.get(index) {
            let early = planned.at > now && planned.mishap.needs() != Needs::Fetched;
            let ready = match planned.mishap.needs() {
                Needs::Nothing => true,
                Needs::Vessel => {
                    room.standing.is_some() && person.is_free_to_err() && !person.is_lifting()
                }
                Needs::Beaker => {
                    let standing = room.standing.and_then(|id| room.ware(id));
                    standing.is_some_and(|ware| ware.way.is_apart())
                        && person.is_free_to_err()
                        && !person.is_lifting()
                }
                Needs::Landing => first && person.step == planned.step,
                Needs::Fetched => {
                    let held = person.hand.and_then(|id| room.ware(id));
                    // A source is never empty: what is in it is its stock.
                    let empties = held.filter(|w| w.way != VesselWay::Difference);
                    empties.is_some_and(|w| w.step == planned.step && w.is_unused())
                }
                Needs::Lift => person.is_about_to_lift() && person.step >= planned.step,
            };
            if early || !ready {
                index += 1;
                continue;
            }
            let hands = matches!(planned.mishap.needs(), Needs::Vessel | Needs::Beaker);
            if person.is_pouring() && hands {
                // The hand has to end what it does first.
                person.stop(now.0);
                index += 1;
                continue;
            }
            self.planned.remove(index);
            self.done.push((planned, now));
            let text = format!("MISHAP {:?}", planned.mishap);
            room.table.tell(now, text);
            self.fire(planned.mishap, now, person, room);
        }
    }
}

impl Person {
    /// What goes wrong comes before anything else, but what was begun is ended first.
    pub(super) fn fault_acts(&mut self, acts: impl IntoIterator<Item = Act>) {
        let at = usize::from(self.began.is_some()).min(self.todo.len());
        let later = self.todo.split_off(at);
        self.todo.extend(acts.into_iter().map(|act| Todo {
            act,
            fault: true,
            counts: false,
        }));
        self.todo.extend(later);
    }

    /// Only what the hand has begun of a fault is ended.
    pub(super) fn errs_no_more(&mut self, now: Moment) {
        let front = self.todo.pop_front();
        let goes_on = |todo: &Todo| !todo.fault || (self.began.is_some() && todo.act.is_move());
        let front = front.filter(goes_on);
        self.todo.retain(|todo| !todo.fault);
        match front {
            Some(todo) => {
                let errs = todo.fault;
                self.todo.push_front(todo);
                if errs {
                    self.stop(now.0);
                }
            }
            None => self.began = None,
        }
        // Whoever gave up on a sentence takes it up again.
        self.repeats = 0;
        self.fault_is_over(now);
    }

    pub(super) fn fault_is_over(&mut self, now: Moment) {
        self.obeyed_at = self.obeyed_at.max(now.0);
        self.lived.moves = 0;
    }

    fn is_free_to_err(&self) -> bool {
        !self.todo.iter().any(|todo| todo.fault)
    }

    /// Whether what stands there is about to be lifted anyway.
    fn is_lifting(&self) -> bool {
        let lifting = |todo: &Todo| matches!(todo.act, Act::Lift { .. } | Act::SetDown);
        self.todo.iter().any(lifting)
    }

    fn is_about_to_lift(&self) -> bool {
        let front = self.todo.front().map(|todo| &todo.act);
        let second = self.todo.get(1).map(|todo| &todo.act);
        matches!(
            (front, second),
            (Some(Act::Wait(_)), Some(Act::Lift { .. }))
        )
    }
}
