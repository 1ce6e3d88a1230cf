//! Room for a remedy: in the bowl, on the scales, and among the lots on hand.

use super::VesselWay;
use crate::language::{Sentence, Term, phrase, shown_as_told, term};
use crate::mass::Mass;
use crate::metrology::ScaleAbility;

/// The vessel that the batch is made in, as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Bowl {
    /// How much it holds.
    pub capacity: Option<Mass>,
    /// What it weighs empty.
    pub empty: Option<Mass>,
}

/// What is still to be weighed of one ingredient.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pour<'a> {
    pub ingredient: &'a str,
    pub vessel: VesselWay,
    /// Not negative.
    pub amount: Mass,
    /// What is left of its lots; `None`: not known.
    pub on_hand: Option<Mass>,
}

/// What does not hold it. Shown as the sentence that a person reads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Short {
    Bowl {
        batch: Mass,
        capacity: Mass,
    },
    Scale {
        ingredient: String,
        load: Mass,
        capacity: Mass,
    },
    Lots {
        ingredient: String,
        needed: Mass,
        on_hand: Mass,
    },
}

impl Short {
    pub fn told(&self) -> Sentence {
        let grams = |mass: &Mass| mass.grams(Mass::from_mg(10));
        match self {
            Short::Bowl { batch, capacity } => phrase!(
                "the bowl holds {capacity} g, the batch would be {batch} g.",
                capacity = grams(capacity),
                batch = grams(batch),
            ),
            Short::Scale {
                ingredient,
                load,
                capacity,
            } => phrase!(
                "{ingredient} brings at least {load} g onto the scale, which carries {capacity} g.",
                ingredient,
                load = grams(load),
                capacity = grams(capacity),
            ),
            Short::Lots {
                ingredient,
                needed,
                on_hand,
            } => phrase!(
                "{needed} g of {ingredient} are needed, its lots have {left} g left by the logs.",
                needed = grams(needed),
                ingredient,
                left = grams(on_hand),
            ),
        }
    }
}

shown_as_told!(Short);

/// What could not be looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Unknown {
    BowlCapacity,
    BowlWeight,
    ScaleCapacity,
    Lots,
}

impl Unknown {
    pub const fn name(self) -> Term {
        match self {
            Unknown::BowlCapacity => term!("how much the bowl holds"),
            Unknown::BowlWeight => term!("what the bowl weighs"),
            Unknown::ScaleCapacity => term!("what the scale carries"),
            Unknown::Lots => term!("what is left of the lots"),
        }
    }
}

/// The answer for one remedy.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Room {
    pub short: Vec<Short>,
    /// Each once.
    pub unknown: Vec<Unknown>,
}

/// Whether there is room for `pours`, in the order given, on top of `poured`, which is in the bowl
/// already. Where nothing is to be poured there is room.
///
/// On the scale an ingredient weighed apart brings its own weight at least, one weighed in the bowl all
/// that is in it by then, and the bowl. The scale that carries most counts.
pub fn room(poured: Mass, pours: &[Pour], bowl: Bowl, scales: &[ScaleAbility]) -> Room {
    let mut room = Room::default();
    let mut inside = poured;
    // Unknown as soon as one of them is: the load may go there.
    let carries = scales
        .iter()
        .map(|scale| scale.capacity)
        .collect::<Option<Vec<_>>>();
    let carries = carries.and_then(|all| all.into_iter().max());
    for pour in pours.iter().filter(|pour| pour.amount > Mass::ZERO) {
        inside += pour.amount;
        let load = match pour.vessel {
            VesselWay::Bowl => inside + bowl.empty.unwrap_or_default(),
            VesselWay::Beaker | VesselWay::Difference | VesselWay::Jar => pour.amount,
        };
        let ingredient = pour.ingredient.to_owned();
        match carries {
            Some(capacity) if load > capacity => {
                room.short.push(Short::Scale {
                    ingredient,
                    load,
                    capacity,
                });
            }
            Some(_) if pour.vessel == VesselWay::Bowl && bowl.empty.is_none() => {
                room.not_known(Unknown::BowlWeight);
            }
            Some(_) => {}
            None => room.not_known(Unknown::ScaleCapacity),
        }
    }
    for (ingredient, needed, on_hand) in needs(pours) {
        match on_hand {
            Some(on_hand) if on_hand < needed => {
                let ingredient = ingredient.to_owned();
                room.short.push(Short::Lots {
                    ingredient,
                    needed,
                    on_hand,
                });
            }
            Some(_) => {}
            None => room.not_known(Unknown::Lots),
        }
    }
    if inside > poured {
        match bowl.capacity {
            Some(capacity) if inside > capacity => {
                room.short.push(Short::Bowl {
                    batch: inside,
                    capacity,
                });
            }
            Some(_) => {}
            None => room.not_known(Unknown::BowlCapacity),
        }
    }
    room
}

impl Room {
    fn not_known(&mut self, what: Unknown) {
        if !self.unknown.contains(&what) {
            self.unknown.push(what);
        }
    }
}

/// What all pours of an ingredient need together, and what is on hand of it.
fn needs<'a>(pours: &[Pour<'a>]) -> Vec<(&'a str, Mass, Option<Mass>)> {
    let mut needs: Vec<(&str, Mass, Option<Mass>)> = Vec::new();
    for pour in pours.iter().filter(|pour| pour.amount > Mass::ZERO) {
        match needs.iter_mut().find(|(name, ..)| *name == pour.ingredient) {
            Some((_, needed, _)) => *needed += pour.amount,
            None => needs.push((pour.ingredient, pour.amount, pour.on_hand)),
        }
    }
    needs
}
