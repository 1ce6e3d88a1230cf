//! `bismar label BATCH`: whether a batch's label has what is asked of it, and a sheet of labels to print.

use std::path::PathBuf;

use clap::Args;

use super::declaration::DeclarationArgs;
use super::{Exit, Failure, Outcome, language, print, said};
use crate::label::content::{Label, STANDING, State};
use crate::language::phrase;
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
        let why = phrase!("batch {batch} has no filled jar", batch = &label.batch);
        return Err(
            Failure::failed(why).remedy(phrase!("leave out --each-jar, or fill them first"))
        );
    }
    print(&report(&label))?;
    if let Some(file) = &args.sheet {
        let page = labels(&label, args.each_jar, language()).map_err(|error| {
            Failure::failed(phrase!(
                "no code can be made of the batch's name: {error}",
                error = error.to_string(),
            ))
        })?;
        super::sheet::save(file, &page, args.force, "--sheet")?;
        let file = file.display().to_string();
        print(&said(phrase!("The sheet of labels: {file}", file)))?;
    }
    Ok(Exit::Done)
}

/// The columns of a terminal that is not asked.
const COLUMNS: usize = 100;

fn report(label: &Label) -> String {
    let mut out = String::new();
    for why in &label.declared.incomplete {
        let why = phrase!("NOT COMPLETE: {why}.", why = why.clone());
        out.push_str(&format!("{}\n\n", said(why)));
    }
    let head = phrase!(
        "Label of batch {batch}, {product} ({law})",
        batch = &label.batch,
        product = &label.product,
        law = label.declared.rules.law(),
    );
    out.push_str(&format!("{}\n\n", said(head)));
    let states = [State::There, State::Missing, State::NotKnown].map(|state| said(state.words()));
    let indent = states.iter().map(|state| width(state)).max().unwrap_or(0) + 2;
    for point in &label.points() {
        let text = phrase!("{what}: {line}", what = point.what, line = point.line());
        let mut state = said(point.state.words());
        for line in fold(&said(text), COLUMNS - indent) {
            let gap = " ".repeat(indent - width(&state).min(indent));
            out.push_str(&format!("{state}{gap}{line}\n"));
            state.clear();
        }
    }
    out.push('\n');
    for line in fold(&said(STANDING), COLUMNS) {
        out.push_str(&line);
        out.push('\n');
    }
    out
}
