//! Deviations, over-pours, times and the control chart of one ingredient or one formula over many batches.

use std::fmt::Write as _;

use super::control::{FEW, Limits, deviation, mean, moving_ranges};
use super::history::{Gathered, Kind, Weighing, bare, is_formula};
use super::svg;
use crate::text::alike::{folded, same_name};
use crate::text::columns::Column::{Left as L, Right as R};
use crate::text::columns::{Column, GAP, REST, cut, line};

/// What many batches tell of one name.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Tables of text.
    pub text: String,
    /// The control chart; `None` of fewer than two batches.
    pub chart: Option<Chart>,
}

/// What a control chart shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    pub title: String,
    pub unit: &'static str,
    /// In order of time.
    pub values: Vec<f64>,
    pub limits: Limits,
}

impl Chart {
    /// As SVG, `width` CSS pixels wide.
    pub fn svg(&self, width: u32) -> String {
        svg::control_chart(&self.title, self.unit, &self.values, &self.limits, width)
    }

    /// In a few words, for who does not see it.
    pub fn words(&self) -> String {
        let limits = &self.limits;
        let out = self.values.iter().filter(|value| limits.is_out(**value));
        format!(
            "{}: {} batches, mean {:.3}, limits {:.3} and {:.3}, {} beyond them, the last {:.3}",
            self.title,
            self.values.len(),
            limits.centre,
            limits.lower,
            limits.upper,
            out.count(),
            self.values.last().copied().unwrap_or(0.0)
        )
    }
}

/// Of an ingredient, or of a formula in any version: `name` is looked for among the ingredients first,
/// unless `formula` says that it is a formula's. `None` where no batch tells of it.
pub fn report(batches: &[Gathered], name: &str, formula: bool) -> Option<Report> {
    let wanted = folded(name);
    let all = || batches.iter().flat_map(|batch| &batch.weighings);
    let of: Vec<&Weighing> = all().filter(|w| folded(&w.ingredient) == wanted).collect();
    if !of.is_empty() && !formula {
        return Some(of_ingredient(&of));
    }
    let of: Vec<&Gathered> = batches
        .iter()
        .filter(|batch| matches!(batch.weighings.first(), Some(w) if is_formula(&w.formula, name)))
        .collect();
    of_formula(&of, &wanted)
}

const BATCH: Column = L(34);

/// Every weighing of an ingredient, and the chart of its deviations.
fn of_ingredient(weighings: &[&Weighing]) -> Report {
    let first = weighings.first().map_or("", |w| w.ingredient.as_str());
    let title = format!("{first}: deviation from the target, percent");
    let charted = weighings.iter().filter(|w| w.kind == Kind::Planned);
    let values: Vec<f64> = charted.map(|w| w.percent_off()).collect();
    let limits = Limits::of(&values);
    let mut text = format!("{title}\n\n");
    let columns = [BATCH, R(9), R(9), R(8), R(7), R(6), R(5), GAP, REST];
    let heads = [
        "batch", "target g", "net g", "off g", "off %", "time s", "over", "", "chart",
    ];
    let _ = writeln!(text, "{}", line(1, &columns, heads));
    let mut at = 0;
    for weighing in weighings {
        let place = match weighing.kind {
            Kind::Added => "added later, not in the chart",
            Kind::Skipped => "skipped, not in the chart",
            Kind::Planned => {
                at += 1;
                mark(&values, at - 1, limits.as_ref())
            }
        };
        let cells = [
            cut(&weighing.batch, BATCH.width()),
            &weighing.shown.target,
            &weighing.shown.net,
            &weighing.shown.deviation,
            &format!("{:+.2}", weighing.percent_off()),
            &format!("{:.0}", weighing.seconds),
            &weighing.over_pours.to_string(),
            "",
            place,
        ];
        let _ = writeln!(text, "{}", line(1, &columns, cells));
    }
    end(text, &title, "percent of the target", values, limits)
}

/// A line an ingredient, and the chart of the whole batches' deviations.
fn of_formula(batches: &[&Gathered], wanted: &str) -> Option<Report> {
    let name = &batches.first()?.weighings.first()?.formula;
    // Asked for as the log has it: then no word of it is taken for a version.
    let name = match folded(name) == wanted {
        true => name,
        false => bare(name),
    };
    let whole: Vec<&&Gathered> = batches.iter().filter(|batch| batch.complete).collect();
    let title = format!("{name}: what was weighed less the sum of the targets, percent");
    let mut text = format!(
        "{title}\n{} batches, {} of them complete; only these are in the chart.\n\n",
        batches.len(),
        whole.len()
    );
    let ingredient = L(28);
    let columns = [ingredient, R(3), R(10), R(8), R(8), R(5), R(6)];
    let heads = [
        "ingredient",
        "n",
        "mean off %",
        "s %",
        "MR mean",
        "over",
        "time s",
    ];
    let _ = writeln!(text, "{}", line(1, &columns, heads));
    let mut names: Vec<&str> = Vec::new();
    for weighing in batches.iter().flat_map(|batch| &batch.weighings) {
        if !names
            .iter()
            .any(|name| same_name(name, &weighing.ingredient))
        {
            names.push(&weighing.ingredient);
        }
    }
    for name in names {
        let of = batches.iter().flat_map(|batch| &batch.weighings);
        let of = of.filter(|w| same_name(&w.ingredient, name) && w.kind == Kind::Planned);
        let of: Vec<&Weighing> = of.collect();
        let off: Vec<f64> = of.iter().map(|w| w.percent_off()).collect();
        let times: Vec<f64> = of.iter().map(|w| w.seconds).collect();
        let or_none = |value: Option<f64>| value.map_or("-".into(), |v| format!("{v:.3}"));
        let cells = [
            cut(name, ingredient.width()),
            &of.len().to_string(),
            &format!("{:+.3}", mean(&off).unwrap_or(0.0)),
            &or_none(deviation(&off)),
            &or_none(mean(&moving_ranges(&off))),
            &of.iter().map(|w| w.over_pours).sum::<u32>().to_string(),
            &format!("{:.0}", mean(&times).unwrap_or(0.0)),
        ];
        let _ = writeln!(text, "{}", line(1, &columns, cells));
    }
    let values: Vec<f64> = whole.iter().map(|batch| batch_off(batch)).collect();
    let limits = Limits::of(&values);
    let columns = [BATCH, R(7), GAP, REST];
    let heads = ["batch", "off %", "", "chart"];
    let _ = writeln!(text, "\n{}", line(1, &columns, heads));
    for (at, batch) in whole.iter().enumerate() {
        let name = batch.weighings.first().map_or("", |w| w.batch.as_str());
        let cells = [
            cut(name, BATCH.width()),
            &format!("{:+.3}", values.get(at).copied().unwrap_or(0.0)),
            "",
            mark(&values, at, limits.as_ref()),
        ];
        let _ = writeln!(text, "{}", line(1, &columns, cells));
    }
    Some(end(text, &title, "percent of the batch", values, limits))
}

/// All that was weighed less all targets, in percent of these. What was skipped and came in by a remedy has
/// its target there.
fn batch_off(batch: &Gathered) -> f64 {
    let weighed = || batch.weighings.iter().filter(|w| w.kind != Kind::Skipped);
    let target: f64 = weighed().map(|w| w.target.to_g_f64()).sum();
    let net: f64 = weighed().map(|w| w.net.to_g_f64()).sum();
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
    unit: &'static str,
    values: Vec<f64>,
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
        chart: Some(Chart {
            title: title.to_owned(),
            unit,
            values,
            limits,
        }),
        text,
    }
}
