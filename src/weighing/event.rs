//! What goes into the weighing engine and what comes out of it.

use crate::formula::remedy::Way;
use crate::mass::{Mass, Unit};
use crate::scale::{Moment, Reading};

/// Index of a scale in the configuration, from 0.
pub type ScaleIndex = usize;

/// Something that happened, for [`super::Engine::handle`].
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    Reading(Reading),
    /// The scale says there is too much on it.
    Overload,
    /// The scale says it is below its range.
    Underload,
    /// The scale spoke, and gave no weight that counts (a line without its unit, say).
    Alive,
    /// The line to the scale is gone (unplugged, switched off).
    Lost,
    /// The line is back.
    Back,
    /// A person's word, from the command line, a shortcut or a notification's button.
    Command(Command),
    /// The shell wrote and synced the row of the draft with this ticket.
    Logged {
        ticket: u64,
        seq: u64,
    },
    /// The shell could not write it; `why` is for a person.
    NotLogged {
        ticket: u64,
        why: String,
    },
}

/// What a person can tell the engine. When nothing waits for it, it does nothing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Command {
    /// Mixed, seen, go on; or: yes, the vessel is tared.
    Next,
    /// Throw this step's weighing away and begin it anew.
    Again,
    /// Keep the weight that is on the scale although it is outside the window.
    Keep,
    /// The lot of the ingredient of this step.
    Lot(String),
    /// A remark for the log.
    Note(String),
    /// Change the plan so that an over-pour is mended.
    Remedy(Way),
    /// The emptied beaker of a step (by its number; else the last one) is put back.
    Residue(Option<usize>),
    /// Take back what was done last: a record, a lot, what stayed in a beaker.
    Undo,
    /// Leave this step out, for the reason given.
    Skip(String),
    /// Leave what was begun besides the steps (an emptied beaker that is waited for).
    Cancel,
    /// End the batch here.
    Stop,
}

/// What a cue asks for. The names are those of the events' `cue` field.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum CueKind {
    Place,
    Add,
    EaseOff,
    Hold,
    TakeOut,
    Lift,
    Mix,
    Choose,
    Fault,
    Done,
}

impl CueKind {
    pub const ALL: [CueKind; 10] = [
        CueKind::Place,
        CueKind::Add,
        CueKind::EaseOff,
        CueKind::Hold,
        CueKind::TakeOut,
        CueKind::Lift,
        CueKind::Mix,
        CueKind::Choose,
        CueKind::Fault,
        CueKind::Done,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            CueKind::Place => "place",
            CueKind::Add => "add",
            CueKind::EaseOff => "ease-off",
            CueKind::Hold => "hold",
            CueKind::TakeOut => "take-out",
            CueKind::Lift => "lift",
            CueKind::Mix => "mix",
            CueKind::Choose => "choose",
            CueKind::Fault => "fault",
            CueKind::Done => "done",
        }
    }
}

/// One thing to tell the maker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cue {
    pub kind: CueKind,
    /// The sentence a person reads or hears: a short imperative, the number first when pouring.
    pub say: String,
    /// The step it is about, from 1; 0 outside a step.
    pub step: usize,
    /// What is missing (positive) or too much (negative), where a number belongs to the cue.
    pub missing: Option<Mass>,
    /// The commands that answer it, for buttons; empty when none is asked for.
    pub choices: Vec<Choice>,
    /// Whether it must not be missed (an over-pour, a fault): urgency critical, never transient.
    pub urgent: bool,
}

/// An answer offered with a cue.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Choice {
    Next,
    Again,
    Keep,
    Undo,
    Cancel,
}

impl Choice {
    pub const ALL: [Choice; 5] = [
        Choice::Next,
        Choice::Again,
        Choice::Keep,
        Choice::Undo,
        Choice::Cancel,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            Choice::Next => "next",
            Choice::Again => "again",
            Choice::Keep => "keep",
            Choice::Undo => "undo",
            Choice::Cancel => "cancel",
        }
    }

    /// The command that this answer stands for.
    pub const fn command(self) -> Command {
        match self {
            Choice::Next => Command::Next,
            Choice::Again => Command::Again,
            Choice::Keep => Command::Keep,
            Choice::Undo => Command::Undo,
            Choice::Cancel => Command::Cancel,
        }
    }
}

/// A row the engine wants in the log. The shell adds batch, seq, time of day and chain.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// Comes back in [`Input::Logged`].
    pub ticket: u64,
    pub at: Moment,
    pub kind: RowKind,
    /// Step number from 1; 0 for none.
    pub step: usize,
    pub phase: String,
    pub ingredient: String,
    pub lot: String,
    pub vessel: String,
    pub target: Option<Mass>,
    pub low: Option<Mass>,
    pub high: Option<Mass>,
    pub tare: Option<Mass>,
    pub gross: Option<Mass>,
    pub net: Option<Mass>,
    /// Expanded uncertainty (k = 2) of the net weight.
    pub uncertainty: Option<Mass>,
    pub verdict: Option<Verdict>,
    /// The scale's name; empty for none.
    pub scale: String,
    pub unit: Option<Unit>,
    /// How many readings the steady weight rests on.
    pub readings: Option<u32>,
    /// The readability in which the row's grams are written.
    pub readability: Mass,
    pub note: String,
}

/// The log's `kind` column.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum RowKind {
    Opened,
    ScaleCheck,
    Weighed,
    TakenOut,
    Remedy,
    Mixed,
    Residue,
    Filled,
    Note,
    Closed,
}

impl RowKind {
    pub const ALL: [RowKind; 10] = [
        RowKind::Opened,
        RowKind::ScaleCheck,
        RowKind::Weighed,
        RowKind::TakenOut,
        RowKind::Remedy,
        RowKind::Mixed,
        RowKind::Residue,
        RowKind::Filled,
        RowKind::Note,
        RowKind::Closed,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            RowKind::Opened => "opened",
            RowKind::ScaleCheck => "scale-check",
            RowKind::Weighed => "weighed",
            RowKind::TakenOut => "taken-out",
            RowKind::Remedy => "remedy",
            RowKind::Mixed => "mixed",
            RowKind::Residue => "residue",
            RowKind::Filled => "filled",
            RowKind::Note => "note",
            RowKind::Closed => "closed",
        }
    }

    pub fn from_name(name: &str) -> Option<RowKind> {
        RowKind::ALL.into_iter().find(|kind| kind.name() == name)
    }
}

/// The log's `verdict` column.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Verdict {
    Inside,
    Under,
    Over,
    Kept,
}

impl Verdict {
    pub const ALL: [Verdict; 4] = [
        Verdict::Inside,
        Verdict::Under,
        Verdict::Over,
        Verdict::Kept,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            Verdict::Inside => "inside",
            Verdict::Under => "under",
            Verdict::Over => "over",
            Verdict::Kept => "kept",
        }
    }

    pub fn from_name(name: &str) -> Option<Verdict> {
        Verdict::ALL.into_iter().find(|v| v.name() == name)
    }
}

/// Something the engine says.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// Tell the maker.
    Cue(Cue),
    /// A reading as the engine sees it (only while somebody listens, see [`super::Engine::set_readings`]).
    Reading(Live),
    /// Write this row, sync it, answer with [`Input::Logged`].
    Log(Box<Draft>),
    /// The row of a weight is on the disk.
    Recorded {
        step: usize,
        ingredient: String,
        net: Mass,
        verdict: Option<Verdict>,
        seq: u64,
        readability: Mass,
    },
    /// A step began.
    Step {
        step: usize,
        of: usize,
        phase: String,
        ingredient: String,
        target: Mass,
        low: Mass,
        high: Mass,
        scale: ScaleIndex,
    },
    /// Something went wrong or came right again; `code` is a stable short word.
    Fault {
        scale: Option<ScaleIndex>,
        code: &'static str,
        over: bool,
    },
    /// What is known about the tare, in words.
    Tare {
        state: &'static str,
        tare: Option<Mass>,
    },
    /// The batch is over.
    Closed { complete: bool },
}

/// One live reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Live {
    pub scale: ScaleIndex,
    /// What the scale shows.
    pub weight: Mass,
    /// Net of the running step, when a vessel is tared.
    pub net: Option<Mass>,
    /// What is still to add (negative: too much).
    pub missing: Option<Mass>,
    pub steady: bool,
    pub readability: Mass,
}

impl Moment {
    /// The moment as whole milliseconds for a log row.
    pub const fn millis(self) -> u64 {
        self.0 / 1000
    }
}

/// The note of a row that takes back an ingredient's lot without naming another.
pub fn lot_taken_back(ingredient: &str) -> String {
    format!("lot of {ingredient} taken back")
}
