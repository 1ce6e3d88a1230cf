//! `bismar label BATCH`: whether a batch's label has what is asked of it, and a sheet of labels to print.

use std::path::PathBuf;

use clap::Args;

use super::declaration::DeclarationArgs;
use super::{Exit, Failure, Outcome, print};
use crate::label::content::{Label, STANDING, State};
use crate::label::text::not_complete;
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
    let label = read.label(&lots, config.responsible);
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
    let mut out = not_complete(&label.declared);
    out.push_str(&format!(
        "Label of batch {}, {} ({})\n\n",
        label.batch,
        label.product,
        label.declared.rules.law()
    ));
    let indent = width(State::NotKnown.words()) + 2;
    for point in &label.points() {
        let text = format!("{}: {}", point.what, point.line());
        let mut state = point.state.words();
        for line in fold(&text, COLUMNS - indent) {
            out.push_str(&format!("{state:indent$}{line}\n"));
            state = "";
        }
    }
    out.push('\n');
    for line in fold(STANDING.english(), COLUMNS) {
        out.push_str(&line);
        out.push('\n');
    }
    out
}
