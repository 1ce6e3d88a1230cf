//! How the simulated hands behave, and what they do wrong.

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

/// Chance of each fault in one step (0 to 1), and the person's manner.
#[derive(Debug, Clone, PartialEq)]
pub struct Habits {
    pub tare_key: f64,
    pub forget_tare: f64,
    pub key_on_empty_pan: f64,
    pub tare_mid_pour: f64,
    pub over_pour: f64,
    pub pour_before_steady: f64,
    pub early_lift: f64,
    pub add_after_record: f64,
    pub swap_vessel: f64,
    pub same_vessel_reused: f64,
    pub residue: f64,
    pub bump: f64,
    pub draught: f64,
    pub rest_hand: f64,
    pub unit_slip: f64,
    pub unplug: f64,
    pub power_cycle: f64,
    pub away: f64,
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
            tare_key: 0.0,
            forget_tare: 0.0,
            key_on_empty_pan: 0.0,
            tare_mid_pour: 0.0,
            over_pour: 0.0,
            pour_before_steady: 0.0,
            early_lift: 0.0,
            add_after_record: 0.0,
            swap_vessel: 0.0,
            same_vessel_reused: 0.0,
            residue: 0.0,
            bump: 0.0,
            draught: 0.0,
            rest_hand: 0.0,
            unit_slip: 0.0,
            unplug: 0.0,
            power_cycle: 0.0,
            away: 0.0,
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
            tare_key: 0.4,
            forget_tare: 0.2,
            key_on_empty_pan: 0.1,
            tare_mid_pour: 0.06,
            over_pour: 0.2,
            pour_before_steady: 0.08,
            early_lift: 0.1,
            add_after_record: 0.1,
            swap_vessel: 0.08,
            same_vessel_reused: 0.3,
            residue: 0.2,
            bump: 0.2,
            draught: 0.12,
            rest_hand: 0.1,
            unit_slip: 0.06,
            unplug: 0.06,
            power_cycle: 0.05,
            away: 0.08,
            mix_by_presses: 0.4,
            mix_by_word: 0.3,
            ..Habits::careful()
        }
    }

    /// The chance of `fault` in one step.
    pub const fn chance(&self, fault: Fault) -> f64 {
        match fault {
            Fault::TareKey => self.tare_key,
            Fault::ForgetTare => self.forget_tare,
            Fault::KeyOnEmptyPan => self.key_on_empty_pan,
            Fault::TareMidPour => self.tare_mid_pour,
            Fault::OverPour => self.over_pour,
            Fault::PourBeforeSteady => self.pour_before_steady,
            Fault::EarlyLift => self.early_lift,
            Fault::AddAfterRecord => self.add_after_record,
            Fault::SwapVessel => self.swap_vessel,
            Fault::SameVessel => self.same_vessel_reused,
            Fault::Residue => self.residue,
            Fault::Bump => self.bump,
            Fault::Draught => self.draught,
            Fault::RestHand => self.rest_hand,
            Fault::UnitSlip => self.unit_slip,
            Fault::Unplug => self.unplug,
            Fault::PowerCycle => self.power_cycle,
            Fault::Away => self.away,
        }
    }

    /// The faults of one step, drawn in a fixed order.
    pub fn draw(&self, rng: &mut fastrand::Rng) -> Vec<Fault> {
        Fault::ALL
            .into_iter()
            .filter(|&fault| rng.f64() < self.chance(fault))
            .collect()
    }
}
