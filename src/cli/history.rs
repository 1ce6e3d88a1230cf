//! `bismar history INGREDIENT|FORMULA`: deviations, over-pours, times and the control chart of
//! individuals over all batches of a folder.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use clap::Args;

use super::{Exit, Failure, Outcome, print, tell};
use crate::batch::error::LogError;
use crate::batch::record::{self, Record};
use crate::batch::scan::scan_file;
use crate::chart::control::{FEW, Limits, deviation, mean, moving_ranges};
use crate::chart::history::{Gathered, Weighing, gathered, is_formula};
use crate::chart::svg;

#[derive(Debug, Args)]
pub struct HistoryArgs {
    /// An ingredient as the formula names it, or a formula's name, with or without its version
    name: String,
    /// Take the name for a formula's, where an ingredient has the same
    #[arg(long)]
    formula: bool,
    /// Draw the control chart into this file as well
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Folder of the batch logs (default: that of the configuration)
    #[arg(long, value_name = "FOLDER")]
    logs: Option<PathBuf>,
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

pub fn run(args: &HistoryArgs) -> Outcome {
    let folder = folder(args.logs.as_deref(), args.config.as_deref())?;
    let (batches, bad) = gather(&folder)?;
    let report = report(&batches, &args.name, args.formula)
        .ok_or_else(|| unknown(&batches, &args.name, &folder))?;
    print(&report.text)?;
    if let Some(path) = &args.svg {
        match &report.chart {
            Some(chart) => {
                std::fs::write(path, chart)
                    .map_err(|e| Failure::failed(format!("{}: {e}", path.display())))?;
                tell(&format!("The control chart: {}", path.display()));
            }
            None => {
                return Err(
                    Failure::failed("there is no control chart of fewer than two batches")
                        .remedy("weigh another batch first"),
                );
            }
        }
    }
    if bad.is_empty() {
        return Ok(Exit::Done);
    }
    let bad: Vec<String> = bad.iter().map(ToString::to_string).collect();
    Err(Failure::bad_input(bad.join("\n"))
        .remedy("these logs were left out above; `bismar log verify FILE` tells more"))
}

/// The folder of the logs: the one named, or the configuration's.
pub fn folder(named: Option<&Path>, config: Option<&Path>) -> Result<PathBuf, Failure> {
    match named {
        Some(folder) => Ok(folder.to_owned()),
        None => Ok(super::config::load(config)?.logs()?),
    }
}

/// The weighings of every log of the folder in order of time, and the logs that do not read.
fn gather(folder: &Path) -> Result<(Vec<Gathered>, Vec<LogError>), Failure> {
    let failed = |e: std::io::Error| {
        Failure::failed(format!("{}: {e}", folder.display()))
            .remedy("name the folder of the batch logs with --logs")
    };
    // A folder that is not there is a mistyped one here.
    std::fs::read_dir(folder).map_err(failed)?;
    let paths = record::logs_in(folder)?;
    let (mut batches, mut bad) = (Vec::new(), Vec::new());
    for path in paths {
        match one(&path) {
            Ok(gathered) => batches.push(gathered),
            Err(error) => bad.push(error),
        }
    }
    batches.sort_by_key(|batch| batch.opened);
    Ok((batches, bad))
}

/// A torn end takes nothing from the rows before it; any other fault does.
fn one(path: &Path) -> Result<Gathered, LogError> {
    let mut scan = scan_file(path)?;
    let mut rows = Vec::new();
    while let Some(row) = scan.next_row()? {
        rows.push(row);
    }
    Ok(gathered(&Record::of_rows(path, rows)))
}

struct Report {
    text: String,
    chart: Option<String>,
}

fn report(batches: &[Gathered], name: &str, formula: bool) -> Option<Report> {
    let wanted = name.trim().to_lowercase();
    let all = || batches.iter().flat_map(|batch| &batch.weighings);
    let of: Vec<&Weighing> = all()
        .filter(|w| w.ingredient.to_lowercase() == wanted)
        .collect();
    if !of.is_empty() && !formula {
        return Some(of_ingredient(&of));
    }
    let of: Vec<&Gathered> = batches
        .iter()
        .filter(|batch| matches!(batch.weighings.first(), Some(w) if is_formula(&w.formula, name)))
        .collect();
    of_formula(&of)
}

/// Every weighing of an ingredient, and the chart of its deviations.
fn of_ingredient(weighings: &[&Weighing]) -> Report {
    let first = weighings.first().map_or("", |w| w.ingredient.as_str());
    let title = format!("{first}: deviation from the target, percent");
    let charted = weighings.iter().filter(|w| !w.added);
    let values: Vec<f64> = charted.map(|w| w.percent_off()).collect();
    let limits = Limits::of(&values);
    let mut text = format!("{title}\n\n");
    let _ = writeln!(
        text,
        "{:<34} {:>9} {:>9} {:>8} {:>7} {:>6} {:>5}  chart",
        "batch", "target g", "net g", "off g", "off %", "time s", "over"
    );
    let mut at = 0;
    for weighing in weighings {
        let place = if weighing.added {
            "added later, not in the chart"
        } else {
            at += 1;
            mark(&values, at - 1, limits.as_ref())
        };
        let _ = writeln!(
            text,
            "{:<34} {:>9} {:>9} {:>8} {:>+7.2} {:>6.0} {:>5}  {}",
            shortened(&weighing.batch, 34),
            weighing.shown.target,
            weighing.shown.net,
            weighing.shown.deviation,
            weighing.percent_off(),
            weighing.seconds,
            weighing.over_pours,
            place,
        );
    }
    end(text, &title, "percent of the target", &values, limits)
}

/// A line an ingredient, and the chart of the whole batches' deviations.
fn of_formula(batches: &[&Gathered]) -> Option<Report> {
    let name = &batches.first()?.weighings.first()?.formula;
    let name = name
        .rsplit_once(' ')
        .map_or(name.as_str(), |(bare, _)| bare);
    let whole: Vec<&&Gathered> = batches.iter().filter(|batch| batch.complete).collect();
    let title = format!("{name}: what was weighed less the sum of the targets, percent");
    let mut text = format!(
        "{title}\n{} batches, {} of them complete; only these are in the chart.\n\n",
        batches.len(),
        whole.len()
    );
    let _ = writeln!(
        text,
        "{:<28} {:>3} {:>10} {:>8} {:>8} {:>5} {:>6}",
        "ingredient", "n", "mean off %", "s %", "MR mean", "over", "time s"
    );
    let mut names: Vec<&str> = Vec::new();
    for weighing in batches.iter().flat_map(|batch| &batch.weighings) {
        if !names.contains(&weighing.ingredient.as_str()) {
            names.push(&weighing.ingredient);
        }
    }
    for name in names {
        let of = batches.iter().flat_map(|batch| &batch.weighings);
        let of = of.filter(|w| w.ingredient == name && !w.added);
        let of: Vec<&Weighing> = of.collect();
        let off: Vec<f64> = of.iter().map(|w| w.percent_off()).collect();
        let times: Vec<f64> = of.iter().map(|w| w.seconds).collect();
        let or_none = |value: Option<f64>| value.map_or("-".into(), |v| format!("{v:.3}"));
        let _ = writeln!(
            text,
            "{:<28} {:>3} {:>+10.3} {:>8} {:>8} {:>5} {:>6.0}",
            shortened(name, 28),
            of.len(),
            mean(&off).unwrap_or(0.0),
            or_none(deviation(&off)),
            or_none(mean(&moving_ranges(&off))),
            of.iter().map(|w| w.over_pours).sum::<u32>(),
            mean(&times).unwrap_or(0.0),
        );
    }
    let values: Vec<f64> = whole.iter().map(|batch| batch_off(batch)).collect();
    let limits = Limits::of(&values);
    let _ = writeln!(text, "\n{:<34} {:>7}  chart", "batch", "off %");
    for (at, batch) in whole.iter().enumerate() {
        let name = batch.weighings.first().map_or("", |w| w.batch.as_str());
        let _ = writeln!(
            text,
            "{:<34} {:>+7.3}  {}",
            shortened(name, 34),
            values.get(at).copied().unwrap_or(0.0),
            mark(&values, at, limits.as_ref())
        );
    }
    Some(end(text, &title, "percent of the batch", &values, limits))
}

/// All that was weighed less all targets, in percent of these.
fn batch_off(batch: &Gathered) -> f64 {
    let target: f64 = batch.weighings.iter().map(|w| w.target.to_g_f64()).sum();
    let net: f64 = batch.weighings.iter().map(|w| w.net.to_g_f64()).sum();
    100.0 * (net - target) / target
}

/// What the chart says of one point, in words.
fn mark(values: &[f64], at: usize, limits: Option<&Limits>) -> &'static str {
    let (Some(limits), Some(&value)) = (limits, values.get(at)) else {
        return "";
    };
    let before = at.checked_sub(1).and_then(|before| values.get(before));
    let range = before.map_or(0.0, |before| (value - before).abs());
    match (limits.is_out(value), limits.is_range_out(range)) {
        (true, true) => "OUT, and a jump",
        (true, false) => "OUT",
        (false, true) => "a jump",
        (false, false) => "in",
    }
}

fn end(
    mut text: String,
    title: &str,
    unit: &str,
    values: &[f64],
    limits: Option<Limits>,
) -> Report {
    let Some(limits) = limits else {
        text.push_str("\nOne batch only: no control chart yet.\n");
        return Report { text, chart: None };
    };
    let _ = write!(
        text,
        "\nindividuals    lower {:.3}  mean {:.3}  upper {:.3}  (mean ± 3 × mean moving range / 1.128)\n\
         moving range   lower 0  mean {:.3}  upper {:.3}  (3.267 × mean moving range)\n",
        limits.lower, limits.centre, limits.upper, limits.range_centre, limits.range_upper
    );
    if values.len() < FEW {
        let _ = writeln!(
            text,
            "{} batches are few for limits; they settle at about {FEW} (common practice, no source).",
            values.len()
        );
    }
    Report {
        chart: Some(svg::control_chart(title, unit, values, &limits)),
        text,
    }
}

fn shortened(text: &str, width: usize) -> String {
    text.chars().take(width).collect()
}

/// Names what there is, the nearest first.
fn unknown(batches: &[Gathered], name: &str, folder: &Path) -> Failure {
    let mut known: Vec<String> = Vec::new();
    for weighing in batches.iter().flat_map(|batch| &batch.weighings) {
        let formula = weighing.formula.as_str();
        let bare = formula.rsplit_once(' ').map_or(formula, |(bare, _)| bare);
        for text in [weighing.ingredient.as_str(), bare] {
            if !known.iter().any(|k| k == text) {
                known.push(text.to_owned());
            }
        }
    }
    let failure = Failure::failed(format!(
        "{}: no batch log here tells of \"{name}\"",
        folder.display()
    ));
    let wanted = name.to_lowercase();
    known.sort_by(|a, b| {
        let near = |text: &str| strsim::jaro_winkler(&text.to_lowercase(), &wanted);
        near(b).total_cmp(&near(a))
    });
    known.truncate(6);
    if known.is_empty() {
        return failure.remedy("weigh a batch first, or name another folder with --logs");
    }
    failure.remedy(format!("it tells of: {}", known.join(", ")))
}
