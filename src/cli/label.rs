//! `bismar label BATCH`: whether a batch's label has what is asked of it, and a sheet of labels to print.

use std::path::PathBuf;

use clap::Args;

use super::declaration::{DeclarationArgs, not_complete};
use super::{Exit, Failure, Outcome, print};
use crate::label::Rules;
use crate::label::content::{Label, STANDING, State};
use crate::sheet::labels;
use crate::text::columns::{fold, width};

#[derive(Debug, Args)]
pub struct LabelArgs {
    #[command(flatten)]
    of: DeclarationArgs,
    /// Write the labels as one HTML page to print
    #[arg(long, value_name = "FILE")]
    sheet: Option<PathBuf>,
    /// A label for each jar that was filled, with its own net weight
    #[arg(long, requires = "sheet", conflicts_with = "net")]
    each_jar: bool,
    /// Write over a page that is there already
    #[arg(long, requires = "sheet")]
    force: bool,
}

pub fn run(args: &LabelArgs) -> Outcome {
    let read = args.of.read()?;
    let lots = args.of.lots()?;
    let config = super::config::load(None)?;
    let best_before = |ingredient: &str, lot: &str| {
        let found = lots.iter().find(|one| one.is(lot, ingredient))?;
        found.best_before
    };
    let label = Label {
        net: read.net,
        ..Label::new(
            &read.record,
            read.formula.as_ref(),
            read.declared,
            config.responsible,
            best_before,
        )
    };
    if args.each_jar && label.jars.is_empty() {
        let why = format!("batch {} has no filled jar", label.batch);
        return Err(Failure::failed(why).remedy("leave out --each-jar, or fill them first"));
    }
    print(&report(&label))?;
    if let Some(file) = &args.sheet {
        let page = labels(&label, args.each_jar).map_err(|error| {
            Failure::failed(format!("no code can be made of the batch's name: {error}"))
        })?;
        super::sheet::save(file, &page, args.force, "--sheet")?;
        print(&format!("The sheet of labels: {}", file.display()))?;
    }
    Ok(Exit::Done)
}

/// The columns of a terminal that is not asked.
const COLUMNS: usize = 100;

fn report(label: &Label) -> String {
    let law = match label.declared.rules {
        Rules::Us => "US, 21 CFR 701 and 740",
        Rules::Eu => "EU, Regulation 1223/2009 art. 19",
        Rules::Ca => "Canada, C.R.C., c. 869 and c. 417",
    };
    let mut out = not_complete(&label.declared);
    out.push_str(&format!(
        "Label of batch {}, {} ({law})\n\n",
        label.batch, label.product
    ));
    let indent = width(State::NotKnown.words()) + 2;
    for point in &label.points() {
        let text = format!("{}: {}", point.what, point.says);
        let mut state = point.state.words();
        for line in fold(&text, COLUMNS - indent) {
            out.push_str(&format!("{state:indent$}{line}\n"));
            state = "";
        }
    }
    out.push('\n');
    for line in fold(STANDING, COLUMNS) {
        out.push_str(&line);
        out.push('\n');
    }
    out
}
