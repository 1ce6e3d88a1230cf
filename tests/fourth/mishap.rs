//! What a maker, her bench or her scale does besides the weighing.

/// Where in a step it happens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum When {
    /// A vessel has just touched the pan.
    Landed,
    /// "To add" was said for the first time.
    Told,
    /// Half of it is in.
    Midway,
    /// She was told to hold.
    Held,
    Recorded,
    Lifted,
}

macro_rules! mishaps {
    ($($(#[$d:meta])* $name:ident: $($when:ident)*;)*) => {
        #[derive(Debug, Clone, Copy, PartialEq)]
        pub enum Mishap { $($(#[$d])* $name,)* }
        pub const ALL: &[Mishap] = &[$(Mishap::$name,)*];
        impl Mishap {
            pub fn whens(self) -> &'static [When] {
                match self { $(Mishap::$name => &[$(When::$when,)*],)* }
            }
        }
    };
}

mishaps! {
    Clean: Told;
    /// Away for minutes, in whatever state.
    Door: Landed Told Midway Held Recorded Lifted;
    /// The next vessel at once, where the last one was lifted.
    EarlyNext: Lifted;
    /// Lifted to look at it, and put back.
    Peer: Told Midway Held Recorded;
    /// Lifted and shaken level.
    Shake: Midway Held;
    /// Tapped at its rim, some times.
    Tap: Told Midway Held Recorded;
    /// What is in goes over into a heavier beaker.
    Bigger: Midway Held;
    /// Some or all of it is poured away, off the scale.
    PourOver: Midway Held;
    /// The rim is wiped where it stands, and a little goes with the cloth.
    WipeRim: Midway Held Recorded;
    LidOn: Midway Held Recorded;
    /// What lay on it from its landing on is taken off.
    LidOff: Told Midway Held Recorded;
    /// The scale's TARE key.
    HabitTare: Landed Told Midway Held Recorded Lifted;
    ZeroKey: Landed Told Midway Held Recorded Lifted;
    /// A second beaker beside it; now and then she pours into that one.
    TwoBeakers: Landed Told Midway;
    TakeBack: Held Recorded;
    /// A pinch more.
    Pinch: Held Recorded;
    HoldBeaker: Told Midway;
    /// A spoon rests on the rim for some seconds.
    SpoonRest: Told Midway;
    /// A spoon stands in it from its landing on and is taken out.
    SpoonIn: Told Midway Held Recorded;
    Stir: Midway Held Recorded;
    /// A cable touches the pan, for good or for some time.
    Cable: Landed Told Midway Held Recorded Lifted;
    /// Something comes to lean on it, slowly.
    Lean: Landed Told Midway Held;
    /// The bench is bumped, and something touches the pan since.
    Bump: Landed Told Midway Held Recorded Lifted;
    Draught: Landed Told Midway Held;
    /// The zero drifts all the time.
    Drift: Told;
    Evap: Told;
    /// Vessels come warm, and cool.
    Warm: Landed;
    /// Vessels come cold, and gather dew.
    Dew: Landed;
    Magnet: Landed;
    /// Vessels stand off the centre of the pan, each elsewhere.
    Corner: Landed;
    /// She pours as soon as the vessel touches.
    EagerPour: Landed;
    /// The spout goes on dripping.
    Dribble: Told;
    /// Beside the vessel.
    Spill: Told Midway;
    /// Vessels are wet, and leave water on the pan.
    WetRing: Landed;
    UnitKey: Landed Told Midway Held Recorded Lifted;
    /// Switched off, and on again.
    PowerCycle: Landed Told Midway Held Recorded Lifted;
    /// The battery is weak: rubbish on the line for some seconds.
    Weak: Landed Told Midway Held Recorded Lifted;
    /// Lines are lost, come twice, come in two parts.
    Lines: Told;
    Overload: Told Midway Held;
    /// A small thing (a rubber ring) stays on it.
    Rubber: Midway Held Recorded;
    /// Half of it is taken out, off the scale, and put in again.
    Share: Midway Held Recorded;
    /// The hand bears part of the vessel for some seconds after it was set down.
    Hover: Landed;
    /// A source is filled up while it is away.
    Refill: Told Held;
    /// The next vessel is set beside the one that was recorded.
    NextBeside: Recorded;
    /// The scale is shifted to another place.
    Moved: Landed Told Midway Held Recorded Lifted;
}

impl Mishap {
    /// Whether some reading, or her honest answer, could tell a wrong weight here. What is laid on or taken off while
    /// she pours weighs like what is poured; what pulls, cools or weighs off the centre does so from the tare on.
    pub fn tells(self) -> bool {
        use Mishap::*;
        !matches!(
            self,
            LidOn
                | LidOff
                | SpoonIn
                | SpoonRest
                | Rubber
                | TwoBeakers
                | Cable
                | Lean
                | Warm
                | Dew
                | Magnet
                | Corner
        )
    }
}
