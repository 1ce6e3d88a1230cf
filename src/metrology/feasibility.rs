//! Feasibility of a step: whether its scale can prove it at all, and what would help.

use super::{ScaleAbility, Uncertainty, Weighing, Window};
use crate::language::{Sentence, phrase};
use crate::mass::Mass;

/// The target of a step and its tolerance limits (JCGM 106:2012, 3.3.4), before any guard band.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StepLimits {
    pub target: Mass,
    pub lowest: Mass,
    pub highest: Mass,
}

/// The answer for one step on one scale.
#[derive(Debug, Clone, PartialEq)]
pub struct Feasibility {
    pub uncertainty: Uncertainty,
    pub window: Window,
    /// The smallest net weight that this scale can prove at the step's tolerance, taken as a
    /// percentage of the target on its narrower side: the least N with guard × u(N) ≤ fraction × N, rounded
    /// up to d. `None` where one side allows nothing, or u grows faster than the tolerance.
    pub smallest_net: Option<Mass>,
    /// The least tolerance to either side that leaves room for ±1 d: guard × u, rounded up, and 1 d.
    pub least_tolerance: Mass,
    /// The guard factor that all this was reckoned with.
    pub guard: f64,
}

/// Weighs a step's tolerance against the uncertainty of an ordinary net weight (two readings).
pub fn feasibility(step: StepLimits, scale: &ScaleAbility, guard: f64) -> Feasibility {
    feasibility_of(step, scale, guard, false)
}

/// The same; `moved`: what stands on the scale is lifted between the readings, as a source by difference is.
pub fn feasibility_of(
    step: StepLimits,
    scale: &ScaleAbility,
    guard: f64,
    moved: bool,
) -> Feasibility {
    let u = |net: Mass| {
        let weighing = Weighing {
            moved,
            ..Weighing::planned(net)
        };
        scale.budget(&weighing).uncertainty()
    };
    let uncertainty = u(step.target);
    let StepLimits {
        target,
        lowest,
        highest,
    } = step;
    let d = scale.readability;
    let window = Window::acceptance(target, lowest, highest, uncertainty, guard, d);
    let narrow = (target - lowest).min(highest - target);
    let fraction = narrow.to_g_f64() / target.to_g_f64();
    let smallest_net = (fraction > 0.0 && fraction.is_finite())
        .then(|| smallest(|net| u(net).band(guard / fraction).ceil_to(d)))
        .flatten();
    let least_tolerance = uncertainty.band(guard).ceil_to(d) + d;
    Feasibility {
        uncertainty,
        window,
        smallest_net,
        least_tolerance,
        guard,
    }
}

/// The least net weight that is no less than what it `needs` to be; that never falls with the weight.
fn smallest(needs: impl Fn(Mass) -> Mass) -> Option<Mass> {
    /// Where the tolerance allows a little more than the error grows, that is far.
    const TRIES: usize = 1_000;
    let mut net = Mass::ZERO;
    for _ in 0..TRIES {
        let needed = needs(net);
        if needed <= net {
            return Some(net);
        }
        net = needed;
        if net >= Mass::LIMIT {
            break;
        }
    }
    None
}

impl Feasibility {
    /// The coarsest readability below `d`, 1, 2 or 5 times a power of ten, at which a scale proves the
    /// step with the same guard, its repeatability not measured either. `None` where none of 0.0001 g or
    /// more does.
    fn coarsest_enough(&self, step: StepLimits, d: Mass) -> Option<Mass> {
        let tenths = [
            1_000_000_000,
            100_000_000,
            10_000_000,
            1_000_000,
            100_000i64,
        ];
        let finer = tenths.into_iter().flat_map(|ng| [5 * ng, 2 * ng, ng]);
        finer
            .map(Mass::from_ng)
            .filter(|&finer| finer < d)
            .find(|&finer| {
                let scale = ScaleAbility {
                    readability: finer,
                    ..ScaleAbility::assumed("")
                };
                feasibility(step, &scale, self.guard).window.proven
            })
    }

    /// What would help where the step is not proven, as one sentence; `None` where it is. `further` has
    /// ways that only the whole formula tells, each the middle of a sentence.
    pub fn remedy(
        &self,
        step: StepLimits,
        scale: &ScaleAbility,
        further: Vec<Sentence>,
    ) -> Option<Sentence> {
        if self.window.proven {
            return None;
        }
        let d = scale.readability;
        let mut ways = Vec::new();
        if let Some(smallest) = self.smallest_net.filter(|&smallest| smallest > step.target) {
            ways.push(phrase!(
                "make a larger batch, so that it is {smallest} g or more",
                smallest = smallest.grams(d),
            ));
        }
        ways.push(phrase!(
            "widen its tolerance to ±{least} g or more",
            least = self.least_tolerance.grams(d),
        ));
        ways.push(match self.coarsest_enough(step, d) {
            Some(step) => phrase!(
                "weigh it on a finer scale, with steps of {step} g or less",
                step = step.grams(step),
            ),
            None => phrase!("weigh it on a finer scale"),
        });
        ways.extend(further);
        Some(phrase!("To prove it: {ways}.", ways = join(ways)))
    }
}

fn join(mut ways: Vec<Sentence>) -> Sentence {
    let last = ways.pop().unwrap_or_default();
    let first = ways.into_iter();
    match first.reduce(|all, way| phrase!("{all}; {way}", all, way)) {
        Some(first) => phrase!("{first}; or {last}", first, last),
        None => last,
    }
}
