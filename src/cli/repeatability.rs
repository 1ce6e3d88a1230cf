//! `bismar repeatability`: ten weighings of one load, and what follows for small weights.

use clap::Args;

use super::config::taken_over;
use super::guided::{GuidedArgs, Session, logged, written_into};
use super::{Exit, Failure, Outcome, print, said};
use crate::guide::Guide;
use crate::language::phrase;
use crate::metrology::repeatability::WEIGHINGS;
use crate::workshop::{config_file, repeatability};

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
    let found = repeatability::found(&taken, d)
        .ok_or_else(|| Failure::failed(phrase!("too few weighings for a standard deviation")))?;
    repeatability::log(&mut record, &taken, &found)?;
    print(&said(repeatability::words(&found)))?;
    // As the file has it, with a decimal point.
    let lines = format!(
        "repeatability = \"{} g\", weighings = {}",
        found.budgeted().grams_rounded(6),
        found.count,
    );
    print(&said(phrase!(
        "For the scale's part of the configuration: {lines}",
        lines,
    )))?;
    print(&said(logged(&record)))?;
    if let Some((place, index)) = place {
        config_file::repeatability(&place, index, found.budgeted(), args.weighings)?;
        print(&said(written_into(&place)))?;
        taken_over(&place);
    }
    Ok(Exit::Done)
}
