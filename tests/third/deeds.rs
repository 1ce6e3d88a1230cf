//! What happens at a maker's bench besides the weighing.

/// Where in a step something happens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum When {
    /// The vessel has just touched the pan.
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

macro_rules! deeds {
    ($($(#[$doc:meta])* $name:ident,)*) => {
        #[derive(Debug, Clone, Copy, PartialEq)]
        pub enum Deed { $($(#[$doc])* $name,)* }
        pub const ALL: &[Deed] = &[$(Deed::$name,)*];
    };
}

deeds! {
    Clean,
    /// Each stroke of a pump presses on the pan.
    Pump,
    /// The dropper rests on the rim while it drops.
    Dropper,
    /// The bag leans on the beaker while it is squeezed.
    BagTouch,
    /// The spoon is tapped off at the rim.
    SpoonTap,
    StirOnPan,
    /// She goes away for minutes in the middle of a pour.
    Sittings,
    LiftLook,
    /// Lifted, its wet bottom wiped, put back.
    LiftWipe,
    /// Water under the vessel, which stays on the pan.
    WetPan,
    /// Water drips from her glove onto the pan.
    DripPan,
    WarmVessel,
    /// Takes up water while it stands.
    Hygro,
    Evaporate,
    /// Somebody leans on the bench, and it stays tilted.
    Tilt,
    Kill,
    /// One lifts the beaker while the other presses TARE.
    TwoPeople,
    /// TARE held down while she pours on.
    KeyHeld,
    ZeroKey,
    PowerCycle,
    /// Something lay on the pan at the switching on, and is taken off later.
    Preload,
    /// A mat on the pan sticks to the beaker once.
    MatSticks,
    /// Lines stop and come all at once, while she goes on.
    Stall,
    /// The beaker is lifted and put back while no line comes.
    StallLift,
    /// A second, empty beaker is on the pan beside it, or under it, and stays there.
    Stacked,
    /// Set down half on the rim, then shifted.
    HalfRim,
    /// Leans on something until shortly before its lift.
    RimFreed,
    /// The question is answered for another vessel: always `next`.
    WrongAnswer,
    /// A rod that stood in the beaker is taken out in the pour.
    RodOut,
    /// A rod is put in during the pour and taken out before the lift.
    RodIn,
    /// Her hand rests on the pan until it is recorded.
    HandRest,
    /// Somebody touches a key of the page.
    StrayWord,
    /// The next beaker is put beside this one before this one is lifted.
    NextBeside,
    /// Another beaker, half full of an earlier step, is put back in its place.
    OtherBack,
    /// The daemon ends while the beaker is lifted and something is poured away.
    KillPour,
    /// Two short lifts, one after the other, shorter than the scale's rest.
    Hops,
}

use Deed::*;

impl Deed {
    pub fn whens(self) -> &'static [When] {
        use When::*;
        match self {
            StirOnPan | Sittings | LiftLook | LiftWipe | DripPan | KeyHeld | RodOut | RodIn => {
                &[Midway]
            }
            HandRest => &[Midway, Held],
            Tilt | Preload => &[Told, Midway, Held, Lifted],
            Kill | Stall | StrayWord => &[Landed, Told, Midway, Held, Recorded, Lifted],
            TwoPeople => &[Midway, Held, Recorded],
            ZeroKey => &[Landed, Told, Midway, Held, Lifted],
            PowerCycle => &[Landed, Told, Midway, Held, Recorded],
            MatSticks => &[Midway, Held],
            StallLift | KillPour | Hops => &[Told, Midway, Held],
            NextBeside => &[Recorded],
            OtherBack | WrongAnswer => &[Midway],
            _ => &[Told],
        }
    }

    /// Whether some reading, or her honest answer, could tell a wrong weight here.
    pub fn tells(self) -> bool {
        !matches!(self, RimFreed | HalfRim | WrongAnswer)
    }
}
