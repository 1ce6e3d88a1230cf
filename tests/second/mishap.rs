//! What goes wrong in the second world.

use bismar::vocabulary::command::Command;

use super::indicator::Key;
use super::world::{Act, Force, World};

/// When it comes: so long after the vessel stood, the pour began, a hold was heard, a record was heard, a lift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Phase {
    Placed,
    Pour,
    Hold,
    Recorded,
    Lifted,
}

macro_rules! mishaps {
    ($($name:ident),* $(,)?) => {
        #[derive(Clone, Copy, Debug, PartialEq)]
        pub enum Mishap { $($name),* }
        pub const ALL: &[Mishap] = &[$(Mishap::$name),*];
    };
}

mishaps! {
    Clean, TareKey, ZeroKey, UnitKey, TareOnPlacing, LiftsEarly, PeeksUnder, SwapsBeaker, BottleOnPan, Leans,
    SpoonBeside, SpoonInside, SpoonFromStart, CableOut, PowerCut, HandRests, Draught, Warmth, Evaporation,
    LidOn, DropBeside, PansTouch, Towel, Housing, PoursAtOnce, Nudged, DumpsTooMuch, TwoVessels, HandOnLanding,
    StrayNext, StrayAgain, StrayKeep, StrayUndo, LastDrop, PutsBack, PutsBackAndAdds, DirtyBeaker, PowerAndPour, TareAndPour,
    SpilledWiped,
}

impl Mishap {
    pub fn phases(self) -> &'static [Phase] {
        use Mishap::*;
        use Phase::*;
        match self {
            Clean => &[Placed],
            TareKey | ZeroKey | UnitKey | CableOut | PowerCut | Leans | StrayNext | StrayAgain
            | StrayKeep | StrayUndo | Draught | BottleOnPan | SpoonBeside => {
                &[Placed, Pour, Hold, Recorded, Lifted]
            }
            TareOnPlacing | SpoonFromStart | PoursAtOnce | HandOnLanding | Warmth | Evaporation => {
                &[Placed]
            }
            LiftsEarly => &[Hold],
            PeeksUnder | SwapsBeaker => &[Pour, Hold],
            SpoonInside | HandRests | PansTouch | Nudged | Housing | PowerAndPour | TareAndPour => {
                &[Pour, Hold, Placed]
            }
            LidOn => &[Hold, Recorded, Pour],
            DropBeside | SpilledWiped => &[Pour, Hold],
            Towel | TwoVessels => &[Lifted, Hold],
            DumpsTooMuch => &[Pour],
            LastDrop => &[Hold, Recorded],
            PutsBack | PutsBackAndAdds | DirtyBeaker => &[Lifted],
        }
    }

    pub fn fire(self, w: &mut World) {
        use Mishap::*;
        let d = w.d();
        let r = w.rng.f64();
        let r2 = w.rng.f64();
        let target = w.target(w.step);
        let v = w.on_pan;
        let push = |mean: f64, swing: f64, long: f64, hertz: f64, soft: f64| {
            Act::Push(Force {
                from: 0.0,
                until: long,
                mean,
                swing,
                hertz,
                soft,
            })
        };
        let spoon = (w.scale.kind.capacity * (0.008 + 0.03 * r)).max(5.0 * d);
        let mut acts = Vec::new();
        match self {
            Clean => return,
            TareKey => acts.push(Act::Press(Key::Tare)),
            ZeroKey => acts.push(Act::Press(Key::Zero)),
            UnitKey => acts.push(Act::Press(Key::Unit)),
            TareOnPlacing => acts.extend([Act::Press(Key::Tare), Act::Wait(0.2)]),
            LiftsEarly => {
                let Some(v) = v else { return };
                acts.extend([Act::Lift(v), Act::Wait(1.0 + 3.0 * r), Act::Reread]);
            }
            PeeksUnder => {
                let Some(v) = v else { return };
                acts.extend([
                    Act::Lift(v),
                    Act::Wait(0.3 + 4.0 * r),
                    Act::Land(v),
                    Act::Wait(0.5),
                    Act::Reread,
                ]);
            }
            SwapsBeaker => {
                let Some(v) = v else { return };
                let other = w.new_vessel(false);
                w.swapping = true;
                let near = r2 < 0.4;
                if near {
                    let like = w.vessels[v].empty;
                    w.vessels[other].empty = like + ((r - 0.5) * 6.0 * d * 1e9) as i64;
                }
                acts.extend([
                    Act::Lift(v),
                    Act::Wait(1.0 + 3.0 * r),
                    Act::Land(other),
                    Act::Wait(0.5),
                    Act::Reread,
                ]);
            }
            BottleOnPan => {
                let bottle = w.scale.kind.capacity * (0.1 + 0.3 * r2);
                acts.extend([
                    Act::Beside(bottle),
                    Act::Wait(1.0 + 5.0 * r),
                    Act::WipeBeside,
                    Act::Reread,
                ]);
            }
            Leans => {
                let g = 60.0 * d * (r - 0.3) * 2.0;
                w.push(Force {
                    from: w.t,
                    until: w.t + 1.0 + 6.0 * r2,
                    mean: g,
                    swing: g * 0.1,
                    hertz: 0.7,
                    soft: 0.4,
                });
                return;
            }
            SpoonBeside => {
                acts.push(Act::Beside(spoon));
                if r2 < 0.6 {
                    acts.extend([Act::Wait(1.0 + 6.0 * r2), Act::WipeBeside]);
                }
                acts.push(Act::Reread);
            }
            SpoonInside => {
                let Some(v) = v else { return };
                acts.push(Act::Extra(v, spoon));
                if r2 < 0.5 {
                    acts.extend([Act::Wait(1.0 + 6.0 * r2), Act::NoExtra(v)]);
                }
                acts.push(Act::Reread);
            }
            SpoonFromStart => {
                let Some(v) = v else { return };
                acts.extend([
                    Act::Extra(v, spoon),
                    Act::Wait(3.0 + 12.0 * r2),
                    Act::NoExtra(v),
                    Act::Reread,
                ]);
            }
            CableOut => acts.extend([
                Act::Cable(false),
                Act::Wait(1.0 + 15.0 * r),
                Act::Cable(true),
                Act::Wait(0.5),
                Act::Reread,
            ]),
            PowerCut => acts.extend([
                Act::Power(false),
                Act::Wait(0.5 + 10.0 * r),
                Act::Power(true),
                Act::Wait(2.5),
                Act::Reread,
            ]),
            PowerAndPour => {
                let Some(v) = v else { return };
                acts.extend([
                    Act::Power(false),
                    Act::Wait(0.5 + 2.0 * r),
                    Act::Pours(v, w.step, target * 0.2 * r2),
                    Act::Power(true),
                    Act::Wait(2.5),
                    Act::Reread,
                ]);
            }
            TareAndPour => {
                let Some(v) = v else { return };
                acts.extend([
                    Act::Press(Key::Tare),
                    Act::Wait(0.3 * r),
                    Act::Pours(v, w.step, target * 0.2 * r2),
                    Act::Reread,
                ]);
            }
            HandRests => acts.extend([
                push(d * 40.0 * r, d * 15.0, 1.0 + 4.0 * r2, 6.0, 0.3),
                Act::Wait(1.0),
                Act::Reread,
            ]),
            Draught => {
                let long = 8.0 + 20.0 * r2;
                w.push(Force {
                    from: w.t,
                    until: w.t + long,
                    mean: d * 4.0 * (r - 0.5),
                    swing: d * (1.5 + 6.0 * r),
                    hertz: 0.1 + 0.8 * r2,
                    soft: 2.0,
                });
                return;
            }
            Warmth => {
                w.drift_rate = d * (r - 0.5) * 0.4;
                return;
            }
            Evaporation => {
                w.evaporates = d * 0.15 * r;
                return;
            }
            LidOn => {
                let Some(v) = v else { return };
                acts.push(Act::Extra(v, spoon));
                if r2 < 0.4 {
                    acts.extend([Act::Wait(1.0 + 4.0 * r2), Act::NoExtra(v)]);
                }
                acts.push(Act::Reread);
            }
            DropBeside => acts.extend([Act::Beside(d * (2.0 + 25.0 * r * r)), Act::Reread]),
            SpilledWiped => acts.extend([
                Act::Beside(d * (3.0 + 40.0 * r * r)),
                Act::Wait(2.0 + 8.0 * r2),
                push(d * 80.0, d * 60.0, 1.2, 2.0, 0.2),
                Act::Wait(0.8),
                Act::WipeBeside,
                Act::Reread,
            ]),
            PansTouch | Housing => {
                let Some(v) = v else { return };
                let part = if self == Housing {
                    0.002 + 0.03 * r * r
                } else {
                    0.02 + 0.1 * r
                };
                acts.push(Act::Nudge(v, part));
                if r2 < 0.6 {
                    acts.extend([Act::Wait(1.0 + 8.0 * r2), Act::Nudge(v, 0.0)]);
                }
                acts.push(Act::Reread);
            }
            Towel => acts.extend([
                push(d * 150.0 * (0.3 + r), d * 100.0, 1.0 + 3.0 * r2, 1.5, 0.3),
                Act::Wait(1.0 + 3.0 * r2),
                Act::Reread,
            ]),
            PoursAtOnce => {
                let Some(v) = v else { return };
                for _ in 0..4 {
                    acts.extend([Act::Pours(v, w.step, target * 0.1 * r2), Act::Wait(0.3)]);
                }
                acts.push(Act::Reread);
            }
            Nudged => acts.extend([
                push(d * 200.0 * (r - 0.5), d * 100.0, 0.4, 5.0, 0.1),
                Act::Reread,
            ]),
            DumpsTooMuch => {
                let Some(v) = v else { return };
                acts.extend([Act::Pours(v, w.step, target * (0.3 + r)), Act::Reread]);
            }
            TwoVessels => {
                let other = w.new_vessel(false);
                acts.extend([
                    Act::Beside(w.vessels[other].empty as f64 / 1e9),
                    Act::Wait(0.5 + 3.0 * r),
                    Act::WipeBeside,
                    Act::Reread,
                ]);
            }
            HandOnLanding => {
                acts.extend([
                    push(
                        d * (5.0 + 200.0 * r * r),
                        d * 3.0 * r2,
                        1.0 + 4.0 * r2,
                        2.0,
                        0.15,
                    ),
                    Act::Wait(0.3),
                    Act::Reread,
                ]);
            }
            StrayNext => acts.push(Act::Word(Command::Next)),
            StrayAgain => acts.push(Act::Word(Command::Again)),
            StrayKeep => acts.push(Act::Word(Command::Keep)),
            StrayUndo => acts.push(Act::Word(Command::Undo)),
            LastDrop => {
                let Some(v) = v else { return };
                acts.extend([
                    Act::Pours(v, w.step, d * (3.0 + 20.0 * r)),
                    Act::Wait(0.3),
                    Act::Reread,
                ]);
            }
            PutsBack => {
                let Some(v) = w.in_hand else { return };
                acts.extend([
                    Act::Land(v),
                    Act::Wait(2.0 + 4.0 * r),
                    Act::Lift(v),
                    Act::Reread,
                ]);
            }
            PutsBackAndAdds => {
                let Some(v) = w.in_hand else { return };
                let step = w.vessels[v].held.keys().last().copied().unwrap_or(w.step);
                acts.extend([
                    Act::Pours(v, step, target * 0.05 * r2),
                    Act::Land(v),
                    Act::Wait(2.0 + 4.0 * r),
                    Act::Lift(v),
                    Act::Reread,
                ]);
            }
            DirtyBeaker => {
                let Some(v) = w.in_hand else { return };
                // The same beaker again for the next step, wiped badly: some of what was in it stays.
                let rest = w.vessels[v].held.values().sum::<i64>() as f64 / 1e9 * 0.01 * r;
                acts.extend([
                    Act::TipOut(v),
                    Act::Extra(v, rest),
                    Act::Wait(0.5),
                    Act::Land(v),
                    Act::Reread,
                ]);
            }
        }
        w.stop_pour();
        w.front(acts);
    }
}
