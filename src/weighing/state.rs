//! Where a step stands.

use super::steady::Level;
use crate::formula::VesselWay;
use crate::mass::Mass;
use crate::scale::Moment;

/// The state of the running step.
#[derive(Debug, Clone)]
pub(super) enum State {
    /// Something is on the pan that does not belong there; it must be lifted first.
    Clear,
    /// The pan is empty; a vessel is expected. `carry`: the zero that would hold if the last jump to
    /// zero was not a lift but the TARE key under a vessel that still stands there.
    Empty { carry: Option<Mass> },
    /// Something came onto the pan and is not at rest yet.
    Landing { carry: Option<Mass> },
    /// Something is on the pan and its tare is not sure.
    Unsure {
        level: Level,
        /// It came back with the same weight after it was to be emptied: only a person's word tells.
        same_again: bool,
        /// Something may have gone in that no reading tells.
        suspect: bool,
    },
    /// A vessel with a known tare.
    Tared(Tared),
    /// The vessel was lifted with something in it that is not recorded.
    Away(Tared),
    /// Back on the pan, but not as it left.
    Stranger { tared: Tared, level: Level },
    /// Readings are missing and the weight is another one: the zero has to be seen again.
    Recheck(Tared),
    /// The weight is on its way to the disk.
    Writing(Written),
    /// Recorded; the vessel is to be lifted.
    Lift(Written),
    /// The phase is weighed; mixing waits for the maker's word or for the next vessel.
    Mix { phase: usize },
    /// An emptied beaker is to be put back, to weigh what stayed in it.
    Residue(Emptied),
    /// All is weighed, and an ingredient is outside its limits: the maker decides.
    Choose,
    /// The batch is over.
    Done,
}

/// An emptied beaker that comes back.
#[derive(Debug, Clone, Copy)]
pub(super) struct Emptied {
    /// Index of the step.
    pub step: usize,
    /// What it weighed before anything was in it.
    pub vessel: Mass,
    /// The empty pan was seen at rest since the maker's word, and since any jump or gap.
    pub empty: bool,
    /// Its row, once there is one.
    pub ticket: Option<u64>,
    /// What stayed in it.
    pub net: Mass,
    /// What is missing of the ingredient by that, beyond its tolerance.
    pub missing: Option<Mass>,
    pub logged: bool,
    /// What is wrong with what stands there was said.
    pub said: bool,
}

/// A vessel on the pan whose tare is known. Weights are as shown.
#[derive(Debug, Clone)]
pub(super) struct Tared {
    /// What the scale shows with the vessel before the step's ingredient.
    pub base: Mass,
    pub base_d: Mass,
    /// Mass of the vessel with all that was in it before this step; `None` where no empty pan and no
    /// rest say so. A key press and a gap do not change it.
    pub vessel: Option<Mass>,
    /// How far the base may be off by what nothing on the scale proves; it widens the stated
    /// uncertainty, and the record claims no verdict.
    pub unproven: Mass,
    /// Readings that the net weight rests on besides the tare and the gross reading: two for each
    /// time the tare was carried over a key press or over another zero.
    pub carried: u32,
    /// Wander of the indication when the tare was taken.
    pub base_wander: Mass,
    /// That and the wander of the gross reading together, once captured.
    pub wander: Mass,
    pub doubt: Option<Doubt>,
    /// A key was pressed while the weight moved: the tare must be seen again.
    pub tainted: bool,
    /// Whether anything was poured (more than 5 d away from the base at rest).
    pub poured: bool,
    /// Since when, and in how many readings, it showed more than the base.
    pub above: Option<(Moment, u32)>,
    /// Most of the vessel's weight was off the pan since the last rest, and whether it held
    /// something then.
    pub disturbed: bool,
    pub poured_before: bool,
    /// Since then the load grew again: that may be another vessel.
    pub replaced: bool,
    /// It was off the pan when readings went missing: the empty pan's old zero proves the frame.
    pub away: bool,
    /// The load was moving when readings went missing.
    pub moving_at_gap: bool,
    /// While its zero is looked for: what it showed before a jump to zero, key or lift.
    pub jumped: Option<Mass>,
    /// While its zero is looked for: the highest weight that two readings in a row agreed on.
    pub highest: Option<Mass>,
    /// The step begins again as soon as the zero is known.
    pub restart: bool,
    /// It moved on since its last rest: what it holds now is not known before the next one.
    pub moved: bool,
    /// The last net weight at rest.
    pub rest: Option<Mass>,
    /// The reading of that.
    pub last_level: Option<Level>,
    /// The greatest net weight at rest that was over the window.
    pub peak: Option<Mass>,
    /// Steady and inside, waiting for evidence about the tare, or for the lot.
    pub held: Option<Level>,
    /// Since when it shows another weight than at its last rest, and is not off the pan.
    pub left_rest: Option<Moment>,
    /// Readings in a row that agree on such another weight.
    pub off_rest: Option<(Mass, u32)>,
    /// Readings in order since the net weight came inside the window, for the dwell.
    pub inside_since: Option<Moment>,
    /// "Ease off" was said for this approach, with the predicted net weight.
    pub eased: Option<(Mass, Moment)>,
    pub stopped: bool,
    /// The missing weight that was said last.
    pub said: Option<Mass>,
    /// What the cue asked for last, so that a question is asked once.
    pub asked: Option<Asked>,
}

/// A question asked once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Asked {
    CheckTare,
    Lot,
    Unit,
    Draught,
}

/// Two explanations of one jump to zero.
#[derive(Debug, Clone, Copy)]
pub(super) struct Doubt {
    /// The empty pan's indication if the vessel is there (the key was pressed); `None`: not known,
    /// but below `absent_zero`.
    pub present_zero: Option<Mass>,
    /// The empty pan's indication if the vessel is not there.
    pub absent_zero: Mass,
    /// If the vessel was lifted: what the scale shows when it is back, and the base then.
    pub back: Option<(Mass, Mass)>,
    /// If the vessel was lifted: where the next thing that landed came to rest.
    pub landed: Option<Mass>,
    /// Whether the vessel had something of this step in it.
    pub poured: bool,
    /// Whether anything came onto the pan since the jump.
    pub risen: bool,
}

/// A weight that was captured.
#[derive(Debug, Clone)]
pub(super) struct Written {
    pub ticket: u64,
    /// 0 until it is logged.
    pub seq: u64,
    pub tared: Tared,
    /// The reading it rests on, as shown.
    pub shown: Mass,
    pub net: Mass,
    /// Expanded uncertainty (k = 2).
    pub uncertainty: Mass,
    pub verdict: Option<super::event::Verdict>,
    /// The vessel was lifted while the row was on its way.
    pub lifted: bool,
    /// The log could not be written yet.
    pub failed: bool,
    /// When it was captured, or last corrected.
    pub at: Moment,
    /// The last readings that agreed within 1 d for a while, at rest or not.
    pub brief: Option<Level>,
    /// More than drops came on top, reading by reading: how many readings and the last of them.
    pub piled: Option<(u32, Mass)>,
    /// What stands there may be another load: nothing more is corrected, and the record claims less.
    pub doubtful: bool,
    /// The TARE key may have been pressed since.
    pub key_seen: bool,
    /// The indication was well below the vessel's own weight.
    pub dipped: bool,
    /// Since when the indication is above the recorded weight.
    pub rising: Option<Moment>,
    /// Since the load was last at rest: the reading furthest from the record that can still be this
    /// load.
    pub strayed: Option<(Moment, Mass)>,
    /// Most of the vessel's weight was off the pan since the last rest.
    pub disturbed: bool,
    /// Since when it shows more than drops can add.
    pub above_since: Option<Moment>,
    /// Such a run as it begins.
    pub forming: Option<Level>,
    /// In bowl way, or by `next`: go on without a lift.
    pub no_lift: bool,
}

impl Tared {
    pub fn new(base: Mass, base_d: Mass) -> Tared {
        Tared {
            base,
            base_d,
            vessel: None,
            unproven: Mass::ZERO,
            carried: 0,
            base_wander: Mass::ZERO,
            wander: Mass::ZERO,
            doubt: None,
            tainted: false,
            poured: false,
            above: None,
            disturbed: false,
            poured_before: false,
            replaced: false,
            away: false,
            moving_at_gap: false,
            jumped: None,
            highest: None,
            restart: false,
            moved: false,
            rest: None,
            last_level: None,
            peak: None,
            held: None,
            left_rest: None,
            off_rest: None,
            inside_since: None,
            eased: None,
            stopped: false,
            said: None,
            asked: None,
        }
    }

    /// A reading with the vessel still on the pan (`loaded`): more that came, or some taken out, is
    /// no lift when it lasts. What the vessel holds is then not known before its next rest.
    pub fn follow_rest(&mut self, seen: &super::pan::Seen, at_rest: Mass, loaded: bool) {
        let by = seen.weight - at_rest;
        let left = by.abs() > seen.d * 3 && loaded;
        self.left_rest = self.left_rest.or(Some(seen.at)).filter(|_| left);
        // A lift takes a twentieth of the load off within a moment; a spoon and a pour do not.
        let load = at_rest.abs().max(self.vessel.unwrap_or_default());
        let lifting = by < -(load.ratio(1, 20));
        let lasts = self
            .left_rest
            .is_some_and(|since| seen.at.since(since) >= if lifting { 600_000 } else { 200_000 });
        // The first readings of a lift are no other weight: they do not agree.
        self.off_rest = match self.off_rest {
            Some((weight, n)) if left && (seen.weight - weight).abs() <= seen.d => {
                Some((weight, n + 1))
            }
            Some(_) | None if left => Some((seen.weight, 1)),
            Some(_) | None => None,
        };
        let agreed = self.off_rest.is_some_and(|(_, n)| n >= 3);
        if left && (agreed || lasts) {
            self.held = None;
        }
        self.moved |= (left && (agreed || lasts)) || by > seen.d * 2;
    }

    /// What the scale showed when it was last at rest with this vessel on the pan.
    pub fn shown_at_rest(&self, way: VesselWay) -> Mass {
        let rest = self.rest.unwrap_or(Mass::ZERO);
        match way {
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl => self.base + rest,
            VesselWay::Difference => self.base - rest,
        }
    }

    pub fn in_doubt(mut self, doubt: Doubt) -> Tared {
        self.doubt = Some(doubt);
        self
    }

    /// The same vessel in a frame moved by a key press of `shift` (shown after − shown before).
    pub fn shifted(&mut self, shift: Mass, to: Mass, d: Mass) {
        if self.poured {
            self.base += shift;
            self.carried += 2;
        } else {
            // Nothing in it yet: the key's zero is the tare.
            self.base = to;
            self.base_d = d;
            self.carried = 0;
        }
        self.held = None;
        self.inside_since = None;
    }
}

impl State {
    /// Whether no weighing is under way: a remedy may be chosen, an emptied beaker put back.
    pub fn is_between(&self) -> bool {
        match self {
            State::Mix { .. } | State::Empty { .. } | State::Clear | State::Choose => true,
            State::Landing { .. }
            | State::Unsure { .. }
            | State::Tared(_)
            | State::Away(_)
            | State::Stranger { .. }
            | State::Recheck(_)
            | State::Writing(_)
            | State::Lift(_)
            | State::Residue(_)
            | State::Done => false,
        }
    }

    /// A word for `status` and for the tare event.
    pub fn name(&self) -> &'static str {
        match self {
            State::Clear => "lift what is on the scale",
            State::Empty { .. } => "empty, waiting for a vessel",
            State::Landing { .. } => "a vessel is coming to rest",
            State::Unsure { .. } => "not sure of the tare",
            State::Tared(t) if t.doubt.is_some() || t.tainted => "tare to be checked at the lift",
            State::Tared(_) => "vessel tared",
            State::Away(_) => "vessel lifted, tare remembered",
            State::Stranger { .. } => "not sure it is the same vessel",
            State::Recheck(_) => "zero lost, lift and put back",
            State::Writing(_) => "being recorded",
            State::Lift(_) => "recorded, waiting for the lift",
            State::Mix { .. } => "mixing",
            State::Residue(_) => "waiting for the emptied beaker",
            State::Choose => "waiting for a decision",
            State::Done => "batch over",
        }
    }
}

/// A correction on its way to the disk.
#[derive(Debug, Clone, Copy)]
pub(super) struct Correction {
    pub ticket: u64,
    /// Index of the step.
    pub step: usize,
    pub net: Mass,
    pub verdict: Option<super::event::Verdict>,
}

/// A drop that falls within this time of the record belongs to the ingredient recorded: nobody
/// takes the next bottle sooner. 1.5 s.
const LATE_DROPS_US: u64 = 1_500_000;
/// What begins to rise in the bowl later than this after the record is the next ingredient: 0.8 s.
const LATEST_DROP_US: u64 = 800_000;

impl Written {
    /// The reading that the record rests on.
    pub fn as_recorded(&self) -> Level {
        Level {
            weight: self.shown,
            d: self.tared.base_d,
            readings: 1,
            at: self.at,
            since: self.at,
        }
    }

    /// Forgets the readings since the record: the frame moved.
    pub fn forget_trail(&mut self) {
        self.brief = None;
        self.forming = None;
        self.strayed = None;
        self.piled = None;
        self.above_since = None;
        self.rising = None;
    }

    /// Whether the time of late drops is over.
    pub fn settled(&self, now: Moment) -> bool {
        self.seq != 0 && now.since(self.at) >= LATE_DROPS_US
    }

    /// The most that drips in after a record: less than any vessel, or 2 %.
    pub fn most_drops(&self, d: Mass) -> Mass {
        super::order::vessel_at_least(d).max(self.net.abs().ratio(1, 50))
    }

    /// Whether what came on top since the record is the next ingredient: more than drops, for longer
    /// than a bump, or begun later than drops fall.
    pub fn next_begun(&mut self, at: Moment, more: Mass, d: Mass) -> bool {
        let least = self.uncertainty.max(d * 5);
        self.rising = (more > least).then(|| self.rising.unwrap_or(at));
        let Some(since) = self.rising else {
            return false;
        };
        let lasting = at.since(since) >= 300_000;
        let late = since.since(self.at) >= LATEST_DROP_US;
        lasting && (more > self.most_drops(d) || (late && more > d * 20))
    }

    /// Keeps the last run of readings within 1 d that lasted: three in 0.15 s, or two in 0.2 s.
    pub fn follow(&mut self, seen: &super::pan::Seen) {
        if self.disturbed {
            return;
        }
        let run = match self.forming {
            Some(run) if (run.weight - seen.weight).abs() <= seen.d => Level {
                readings: run.readings.saturating_add(1),
                at: seen.at,
                ..run
            },
            Some(_) | None => Level {
                weight: seen.weight,
                d: seen.d,
                readings: 1,
                at: seen.at,
                since: seen.at,
            },
        };
        self.forming = Some(run);
        // A pour only adds; a hand on the rim presses and lets go.
        if seen.weight - self.shown > self.most_drops(seen.d) {
            self.piled = match self.piled {
                Some((n, last)) if seen.weight >= last - seen.d => Some((n + 1, seen.weight)),
                Some(_) => None,
                None => Some((1, seen.weight)),
            };
        } else if seen.weight >= self.shown - seen.d {
            self.piled = None;
        }
        let off = (seen.weight - self.shown).abs();
        let so_far = self
            .strayed
            .map_or(Mass::ZERO, |(_, weight)| (weight - self.shown).abs());
        let drops = off <= self.most_drops(seen.d);
        // More than drops is a pour when it lasts; a hand that takes hold does not.
        let pours = !drops && seen.weight > self.shown;
        self.above_since = if pours {
            self.above_since.or(Some(seen.at))
        } else {
            None
        };
        let lasts = self
            .above_since
            .is_some_and(|since| seen.at.since(since) >= 300_000);
        if (drops || lasts) && off >= so_far {
            self.strayed = Some((seen.at, seen.weight));
        }
        let lasted = run.at.since(run.since);
        if (run.readings >= 3 && lasted >= 150_000) || (run.readings >= 2 && lasted >= 200_000) {
            self.brief = Some(run);
        }
    }
}
