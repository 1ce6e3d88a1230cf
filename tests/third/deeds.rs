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

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Deed {
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
    Residue,
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

pub const ALL: &[Deed] = &[
    Clean,
    Pump,
    Dropper,
    BagTouch,
    SpoonTap,
    StirOnPan,
    Sittings,
    LiftLook,
    LiftWipe,
    WetPan,
    DripPan,
    WarmVessel,
    Hygro,
    Evaporate,
    Tilt,
    Kill,
    TwoPeople,
    KeyHeld,
    ZeroKey,
    PowerCycle,
    Preload,
    MatSticks,
    Stall,
    StallLift,
    Stacked,
    HalfRim,
    RimFreed,
    WrongAnswer,
    RodOut,
    RodIn,
    HandRest,
    StrayWord,
    Residue,
    NextBeside,
    OtherBack,
    KillPour,
    Hops,
];

impl Deed {
    pub fn whens(self) -> &'static [When] {
        match self {
            StirOnPan | Sittings | LiftLook | LiftWipe | DripPan | KeyHeld | RodOut | RodIn => {
                &[When::Midway]
            }
            HandRest => &[When::Midway, When::Held],
            Tilt | Preload => &[When::Told, When::Midway, When::Held, When::Lifted],
            Kill => &[
                When::Landed,
                When::Told,
                When::Midway,
                When::Held,
                When::Recorded,
                When::Lifted,
            ],
            TwoPeople => &[When::Midway, When::Held, When::Recorded],
            ZeroKey => &[
                When::Landed,
                When::Told,
                When::Midway,
                When::Held,
                When::Lifted,
            ],
            PowerCycle => &[
                When::Landed,
                When::Told,
                When::Midway,
                When::Held,
                When::Recorded,
            ],
            MatSticks => &[When::Midway, When::Held],
            Stall => &[
                When::Landed,
                When::Told,
                When::Midway,
                When::Held,
                When::Recorded,
                When::Lifted,
            ],
            StallLift | KillPour | Hops => &[When::Told, When::Midway, When::Held],
            StrayWord => &[
                When::Landed,
                When::Told,
                When::Midway,
                When::Held,
                When::Recorded,
                When::Lifted,
            ],
            NextBeside => &[When::Recorded],
            OtherBack | WrongAnswer => &[When::Midway],
            _ => &[When::Told],
        }
    }

    /// Whether some reading, or her honest answer, could tell a wrong weight here.
    pub fn tells(self) -> bool {
        !matches!(self, RimFreed | WrongAnswer | Residue)
    }
}
