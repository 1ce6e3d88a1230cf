//! `bismar repeatability`: ten weighings of one load, and what follows for small weights.

use clap::Args;

use super::config::taken_over;
use super::guided::{GuidedArgs, Session};
use super::{Exit, Failure, Outcome, print};
use crate::guide::Guide;
use crate::mass::Mass;
use crate::metrology::Repeatability;
use crate::metrology::repeatability::{USP_FRACTION, WEIGHINGS};
use crate::workshop::config_file;

/// Shares of a weight for which the smallest net weight is told: 0.10 % is that of USP <41>, the
/// others are tolerances of a maker's formula.
const SHARES: [(f64, &str); 3] = [(USP_FRACTION, "0.10 %"), (0.01, "1 %"), (0.05, "5 %")];

#[derive(Debug, Args)]
pub struct RepeatabilityArgs {
    /// How many weighings, 10 or more
    #[arg(long, value_name = "COUNT", default_value_t = WEIGHINGS as u32,
          value_parser = clap::value_parser!(u32).range(WEIGHINGS as i64..=100))]
    weighings: u32,
    /// Write s into the scale's part of the configuration
    #[arg(long)]
    write: bool,
    #[command(flatten)]
    guided: GuidedArgs,
}

pub fn run(args: &RepeatabilityArgs) -> Outcome {
    let session = Session::start(&args.guided)?;
    let d = session.listening.ability.readability;
    // Before the weighings, so that nobody does ten for a file that cannot be changed.
    let place = match args.write {
        true => Some(args.guided.in_config(&session.listening.ability.name)?),
        false => None,
    };
    let guide = Guide::new(args.weighings as usize, None, d);
    let (taken, mut record) = session.weigh(guide)?;
    let nets: Vec<Mass> = taken.iter().map(|taken| taken.net()).collect();
    let found = Repeatability::of(&nets, d)
        .ok_or_else(|| Failure::failed("too few weighings for a standard deviation"))?;
    for (i, taken) in taken.iter().enumerate() {
        let mut draft = record.draft("repeated load", Some(*taken));
        draft.step = i + 1;
        draft.note = format!("repeatability, weighing {} of {}", i + 1, nets.len());
        record.add(&draft)?;
    }
    let mut summary = record.draft("repeated load", None);
    summary.note = format!("repeatability: {}", first_line(&found));
    record.add(&summary)?;
    print(&words(&found))?;
    print(&format!("Logged in {}.", record.place()))?;
    if let Some((place, index)) = place {
        config_file::repeatability(&place, index, found.budgeted(), args.weighings)?;
        print(&format!("Written into {}.", place.display()))?;
        taken_over(&place);
    }
    Ok(Exit::Done)
}

fn first_line(found: &Repeatability) -> String {
    format!(
        "s = {:.4} g of {} weighings, mean {:.4} g",
        found.measured, found.count, found.mean
    )
}

fn words(found: &Repeatability) -> String {
    let mut text = first_line(found);
    if found.measured < found.floor() {
        text.push_str(&format!(
            "\nFor the smallest weights a scale is not believed below 0.41 of its step: {:.4} g counts.",
            found.floor()
        ));
    }
    text.push_str("\nSmallest net weight at which 2 s is within a share of it:");
    for (share, name) in SHARES {
        if let Some(least) = found.smallest_net(share) {
            let mark = if share == USP_FRACTION {
                "  (USP <41>, a yardstick made for pharmacopoeial work)"
            } else {
                ""
            };
            text.push_str(&format!(
                "\n  {name:>7}  {:>9} g{mark}",
                least.grams(found.d).to_string()
            ));
        }
    }
    text.push_str(&format!(
        "\nFor the scale's part of the configuration: repeatability = \"{} g\", weighings = {}",
        found.budgeted().grams_rounded(6),
        found.count,
    ));
    text
}
