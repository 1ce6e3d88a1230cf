//! `bismar scale-check`: a test weight on the scale, judged and logged.

use clap::Args;

use super::guided::{GuidedArgs, Record, Session};
use super::{Exit, Failure, Outcome, print};
use crate::guide::{Guide, Taken};
use crate::mass::Mass;
use crate::metrology::test_weights::{CheckLimits, SOURCE, WeightClass, nominals};
use crate::weighing::event::Verdict;

/// The last decimal in which limits and uncertainties are shown.
const FINE: Mass = Mass::from_mg(1);

#[derive(Debug, Args)]
pub struct ScaleCheckArgs {
    /// Nominal mass of the test weight with its unit, for example 100g
    #[arg(long, value_name = "MASS", value_parser = nominal)]
    weight: Mass,
    /// Its accuracy class after OIML R 111: E2, F1, F2 or M1
    #[arg(long, value_name = "CLASS", value_parser = class)]
    class: WeightClass,
    #[command(flatten)]
    guided: GuidedArgs,
}

pub fn run(args: &ScaleCheckArgs) -> Outcome {
    let session = Session::start(&args.guided)?;
    let ability = session.ability.clone();
    let limits = CheckLimits::new(args.weight, args.class, &ability)
        .ok_or_else(|| Failure::usage("no test weight has that mass"))?;
    if ability.capacity.is_some_and(|most| args.weight > most) {
        return Err(Failure::usage(format!(
            "the weight is more than scale {} carries",
            ability.name
        )));
    }
    let guide = Guide::new(1, Some(args.weight), ability.readability);
    let (taken, mut record) = session.weigh(guide)?;
    let Some(taken) = taken.last() else {
        return Err(Failure::failed("nothing was weighed"));
    };
    let passed = limits.pass(taken.net());
    log(&mut record, args, &limits, *taken)?;
    print(&words(&limits, *taken, ability.readability))?;
    print(&format!("Logged in {}.", record.place()))?;
    if passed {
        Ok(Exit::Done)
    } else {
        Err(Failure::failed(format!("scale {} did not pass", ability.name)).remedy(
            "Level the scale, keep draughts away, let it warm up, adjust it as its manual says, and \
             check again before you weigh with it",
        ))
    }
}

fn words(limits: &CheckLimits, taken: Taken, d: Mass) -> String {
    let off = taken.net() - limits.nominal;
    let mut text = format!(
        "{}: {} g off, allowed {} g (the weight {} g, {SOURCE}; the scale {} g, k = 2).",
        if limits.pass(taken.net()) {
            "Passed"
        } else {
            "NOT passed"
        },
        off.grams(d),
        limits.allowed().grams_rounded(4),
        limits.weight_error.grams(FINE),
        limits.scale_uncertainty.grams_rounded(4),
    );
    if !limits.is_fine_enough() {
        text.push_str(
            "\nNote: the weight's own limit is more than a third of what is allowed. A weight of a \
             finer class would tell more about this scale.",
        );
    }
    text
}

fn log(
    record: &mut Record,
    args: &ScaleCheckArgs,
    limits: &CheckLimits,
    taken: Taken,
) -> Result<(), Failure> {
    let class = args.class.name();
    let nominal = args.weight.grams(Mass::from_g(1));
    let mut draft = record.draft(&format!("test weight {nominal} g {class}"), Some(taken));
    draft.target = Some(limits.nominal);
    draft.low = Some(limits.low());
    draft.high = Some(limits.high());
    draft.uncertainty = Some(limits.scale_uncertainty);
    draft.verdict = Some(if taken.net() < limits.low() {
        Verdict::Under
    } else if taken.net() > limits.high() {
        Verdict::Over
    } else {
        Verdict::Inside
    });
    draft.note = format!(
        "the weight's own limit {} g ({SOURCE}, class {class}) and the scale's expanded uncertainty",
        limits.weight_error.grams(FINE)
    );
    record.add(&draft)
}

fn nominal(text: &str) -> Result<Mass, String> {
    let mass = Mass::parse_with_unit(text).map_err(|error| error.to_string())?;
    if nominals().any(|nominal| nominal == mass) {
        return Ok(mass);
    }
    Err(format!(
        "no single test weight has that mass: {SOURCE} has 1, 2 and 5 times a power of ten, 1 mg to 5 kg"
    ))
}

fn class(text: &str) -> Result<WeightClass, String> {
    WeightClass::from_name(text).ok_or_else(|| "is not E2, F1, F2 or M1".to_owned())
}
