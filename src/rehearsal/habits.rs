//! The manner of the simulated hands, and the chance of what they do wrong.

/// Something the hands do that a calm and careful person would not, or not each time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Fault {
    /// Presses the scale's TARE key with the empty vessel on it.
    TareKey,
    /// Means to press TARE and does not.
    ForgetTare,
    /// Presses TARE on the empty pan.
    KeyOnEmptyPan,
    /// Presses TARE while pouring.
    TareMidPour,
    /// Stops pouring late.
    OverPour,
    /// Pours before the scale has come to rest.
    PourBeforeSteady,
    /// Lifts the vessel before the weight is recorded, and puts it back.
    EarlyLift,
    /// More drips in after the weight is recorded.
    AddAfterRecord,
    /// Sets a vessel down, thinks better of it, takes another.
    SwapVessel,
    /// The vessel of the step before, emptied.
    SameVessel,
    /// A vessel with something left in it.
    Residue,
    /// Hits the bench.
    Bump,
    /// A door or a fan.
    Draught,
    /// Rests a hand on the pan.
    RestHand,
    /// Touches the UNIT key; sees it some seconds later.
    UnitSlip,
    /// The cable comes out and goes in again.
    Unplug,
    /// The scale goes off and is switched on again.
    PowerCycle,
    /// Is called away for a while.
    Away,
}

impl Fault {
    /// How many there are.
    pub const COUNT: usize = Fault::ALL.len();
    /// In the order in which they are drawn.
    pub const ALL: [Fault; 18] = [
        Fault::TareKey,
        Fault::ForgetTare,
        Fault::KeyOnEmptyPan,
        Fault::TareMidPour,
        Fault::OverPour,
        Fault::PourBeforeSteady,
        Fault::EarlyLift,
        Fault::AddAfterRecord,
        Fault::SwapVessel,
        Fault::SameVessel,
        Fault::Residue,
        Fault::Bump,
        Fault::Draught,
        Fault::RestHand,
        Fault::UnitSlip,
        Fault::Unplug,
        Fault::PowerCycle,
        Fault::Away,
    ];
}

/// The chance of each fault in one step, 0 to 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Chances([f64; Fault::COUNT]);

impl Chances {
    /// No fault at all.
    pub const NONE: Chances = Chances([0.0; Fault::COUNT]);

    /// With these chances in place of its own.
    #[must_use]
    pub fn with(mut self, chances: &[(Fault, f64)]) -> Chances {
        for &(fault, chance) in chances {
            self.0[fault as usize] = chance;
        }
        self
    }

    /// That of `fault`.
    pub const fn of(&self, fault: Fault) -> f64 {
        self.0[fault as usize]
    }

    /// The faults of one step, drawn in the order of [`Fault::ALL`].
    pub fn draw(&self, rng: &mut fastrand::Rng) -> Vec<Fault> {
        Fault::ALL
            .into_iter()
            .filter(|&fault| rng.f64() < self.of(fault))
            .collect()
    }
}

/// The person's faults and manner.
#[derive(Debug, Clone, PartialEq)]
pub struct Habits {
    pub faults: Chances,
    /// Chance that a mix cue is answered by two presses on the pan.
    pub mix_by_presses: f64,
    /// Chance that it is answered by the word `next`; else the next vessel is simply placed.
    pub mix_by_word: f64,
    /// Chance that a step's ingredient comes in scoops instead of a stream.
    pub scoops: f64,
    /// Mean seconds from a cue to the hand's stop.
    pub reaction: f64,
    /// Mean seconds to take in a sentence.
    pub reading: f64,
    /// Seconds a first pour should take.
    pub pour_time: f64,
    /// Seconds without a word before the person tries something.
    pub patience: f64,
    /// Seconds before the person touches anything, while the scale shows its empty pan.
    pub first_wait: f64,
    /// Seconds on one step before the person says `stop` and leaves.
    pub give_up: f64,
}

impl Habits {
    /// No faults at all.
    pub fn careful() -> Habits {
        Habits {
            faults: Chances::NONE,
            mix_by_presses: 0.0,
            mix_by_word: 0.0,
            scoops: 0.25,
            reaction: 0.3,
            reading: 0.6,
            pour_time: 3.0,
            patience: 6.0,
            first_wait: 0.0,
            give_up: 120.0,
        }
    }

    /// Every fault, each often enough to meet the others.
    pub fn clumsy() -> Habits {
        Habits {
            faults: Chances::NONE.with(&[
                (Fault::TareKey, 0.4),
                (Fault::ForgetTare, 0.2),
                (Fault::KeyOnEmptyPan, 0.1),
                (Fault::TareMidPour, 0.06),
                (Fault::OverPour, 0.2),
                (Fault::PourBeforeSteady, 0.08),
                (Fault::EarlyLift, 0.1),
                (Fault::AddAfterRecord, 0.1),
                (Fault::SwapVessel, 0.08),
                (Fault::SameVessel, 0.3),
                (Fault::Residue, 0.2),
                (Fault::Bump, 0.2),
                (Fault::Draught, 0.12),
                (Fault::RestHand, 0.1),
                (Fault::UnitSlip, 0.06),
                (Fault::Unplug, 0.06),
                (Fault::PowerCycle, 0.05),
                (Fault::Away, 0.08),
            ]),
            mix_by_presses: 0.4,
            mix_by_word: 0.3,
            ..Habits::careful()
        }
    }
}
