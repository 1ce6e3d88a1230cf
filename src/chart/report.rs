//! Deviations, over-pours, times and the control chart of one ingredient or one formula over many batches.

use std::fmt::Write as _;

use super::control::{FEW, Limits, deviation, mean, moving_ranges};
use super::history::{Gathered, Kind, Weighing, bare, is_formula};
use super::svg;
use crate::language::{Language, Sentence, Slot, Term, phrase, term};
use crate::text::alike::{folded, same_name};
use crate::text::columns::Column::{Left as L, Right as R};
use crate::text::columns::{Column, GAP, REST, cut, line};

/// What many batches tell of one name.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Tables of text, in the language that was asked for.
    pub text: String,
    /// The control chart; `None` of fewer than two batches.
    pub chart: Option<Chart>,
}

/// What a control chart shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    pub title: Sentence,
    unit: Term,
    /// In order of time.
    pub values: Vec<f64>,
    pub limits: Limits,
}

impl Chart {
    /// As SVG, `width` CSS pixels wide.
    pub fn svg(&self, width: u32, language: Language) -> String {
        svg::control_chart(
            &self.title,
            self.unit,
            &self.values,
            &self.limits,
            width,
            language,
        )
    }

    /// In a few words, for who does not see it.
    pub fn words(&self) -> Sentence {
        let limits = &self.limits;
        let out = self.values.iter().filter(|value| limits.is_out(**value));
        phrase!(
            "{title}: {batches} batches, mean {mean}, limits {lower} and {upper}, {out} beyond them, the last {last}",
            title = self.title.clone(),
            batches = self.values.len(),
            mean = thousandths(limits.centre),
            lower = thousandths(limits.lower),
            upper = thousandths(limits.upper),
            out = out.count(),
            last = thousandths(self.values.last().copied().unwrap_or(0.0)),
        )
    }
}

fn thousandths(value: f64) -> Slot {
    Slot::number(format!("{value:.3}"))
}

/// Of an ingredient, or of a formula in any version: `name` is looked for among the ingredients first,
/// unless `formula` says that it is a formula's. `None` where no batch tells of it.
pub fn report(
    batches: &[Gathered],
    name: &str,
    formula: bool,
    language: Language,
) -> Option<Report> {
    if !formula {
        let of = batches.iter().flat_map(|batch| {
            let weighings = batch.weighings.iter().map(move |one| (&*batch.batch, one));
            weighings.filter(|(_, one)| same_name(&one.ingredient, name))
        });
        let of: Vec<(&str, &Weighing)> = of.collect();
        if !of.is_empty() {
            return Some(of_ingredient(&of, language));
        }
    }
    let weighed = batches.iter().filter(|batch| !batch.weighings.is_empty());
    let of = weighed.filter(|batch| is_formula(&batch.formula, name));
    of_formula(&of.collect::<Vec<_>>(), &folded(name), language)
}

const BATCH: Column = L(34);
const CHART: Term = term!("chart");

/// Every weighing of an ingredient, and the chart of its deviations.
fn of_ingredient(weighings: &[(&str, &Weighing)], language: Language) -> Report {
    let number = |written: String| language.number(&written);
    let word = |term: Option<Term>| term.map_or_else(String::new, |term| language.word(term));
    let first = weighings.first().map_or("", |(_, w)| &*w.ingredient);
    let title = phrase!("{first}: deviation from the target, percent", first);
    let charted = weighings.iter().filter(|(_, w)| w.kind == Kind::Planned);
    let values: Vec<f64> = charted.map(|(_, w)| w.percent_off()).collect();
    let limits = Limits::of(&values);
    let mut text = format!("{}\n\n", title.in_language(language));
    let columns = [BATCH, R(9), R(9), R(8), R(7), R(6), R(5), GAP, REST];
    let heads = [
        term!("batch"),
        term!("target g"),
        term!("net g"),
        term!("off g"),
        term!("off %"),
        term!("time s"),
        term!("over"),
    ];
    let heads = heads.map(|head| language.word(head));
    let [batch, target, net, off, percent, time, over] = &heads;
    let chart = language.word(CHART);
    let heads = [batch, target, net, off, percent, time, over, "", &chart];
    let _ = writeln!(text, "{}", line(1, &columns, heads));
    let mut at = 0;
    for (batch, weighing) in weighings {
        let place = match weighing.kind {
            Kind::Added => Some(term!("added later, not in the chart")),
            Kind::Skipped => Some(term!("skipped, not in the chart")),
            Kind::Planned => {
                at += 1;
                mark(&values, at - 1, limits.as_ref())
            }
        };
        let cells = [
            cut(batch, BATCH.width()),
            &number(weighing.target.to_string()),
            &number(weighing.net.to_string()),
            &number(weighing.deviation()),
            &number(format!("{:+.2}", weighing.percent_off())),
            &format!("{:.0}", weighing.seconds),
            &weighing.over_pours.to_string(),
            "",
            &word(place),
        ];
        let _ = writeln!(text, "{}", line(1, &columns, cells));
    }
    end(
        text,
        title,
        term!("percent of the target"),
        values,
        limits,
        language,
    )
}

/// A line an ingredient, and the chart of the whole batches' deviations.
fn of_formula(batches: &[&Gathered], wanted: &str, language: Language) -> Option<Report> {
    let number = |written: String| language.number(&written);
    let word = |term: Option<Term>| term.map_or_else(String::new, |term| language.word(term));
    let name = &*batches.first()?.formula;
    // Asked for as the log has it: then no word of it is taken for a version.
    let name = match folded(name) == wanted {
        true => name,
        false => bare(name),
    };
    let whole: Vec<&&Gathered> = batches.iter().filter(|batch| batch.complete).collect();
    let title = phrase!(
        "{name}: what was weighed less the sum of the targets, percent",
        name
    );
    let mut text = title.in_language(language);
    let of = phrase!(
        "{batches} batches, {complete} of them complete; only these are in the chart.",
        batches = batches.len(),
        complete = whole.len(),
    );
    let _ = write!(text, "\n{}\n\n", of.in_language(language));
    let ingredient = L(28);
    let columns = [ingredient, R(3), R(10), R(8), R(8), R(5), R(6)];
    let heads = [
        term!("ingredient"),
        term!("n"),
        term!("mean off %"),
        term!("s %"),
        term!("MR mean"),
        term!("over"),
        term!("time s"),
    ];
    let heads = heads.map(|head| language.word(head));
    let _ = writeln!(
        text,
        "{}",
        line(1, &columns, heads.each_ref().map(String::as_str))
    );
    for (name, of) in by_ingredient(batches) {
        let of: Vec<&Weighing> = of.into_iter().filter(|w| w.kind == Kind::Planned).collect();
        let off: Vec<f64> = of.iter().map(|w| w.percent_off()).collect();
        let times: Vec<f64> = of.iter().map(|w| w.seconds).collect();
        let or_none = |value: Option<f64>| value.map_or("-".into(), |v| number(format!("{v:.3}")));
        let cells = [
            cut(name, ingredient.width()),
            &of.len().to_string(),
            &number(format!("{:+.3}", mean(&off).unwrap_or(0.0))),
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
    let heads = [term!("batch"), term!("off %"), CHART];
    let [batch, off, chart] = &heads.map(|head| language.word(head));
    let _ = writeln!(text, "\n{}", line(1, &columns, [batch, off, "", chart]));
    for (at, batch) in whole.iter().enumerate() {
        let cells = [
            cut(&batch.batch, BATCH.width()),
            &number(format!("{:+.3}", values.get(at).copied().unwrap_or(0.0))),
            "",
            &word(mark(&values, at, limits.as_ref())),
        ];
        let _ = writeln!(text, "{}", line(1, &columns, cells));
    }
    let unit = term!("percent of the batch");
    Some(end(text, title, unit, values, limits, language))
}

/// The weighings of each ingredient, by the name that it had first.
fn by_ingredient<'b>(batches: &[&'b Gathered]) -> Vec<(&'b str, Vec<&'b Weighing>)> {
    let mut all: Vec<(&str, Vec<&Weighing>)> = Vec::new();
    for weighing in batches.iter().flat_map(|batch| &batch.weighings) {
        let name = &*weighing.ingredient;
        // Nearly always it is the very name.
        let same = |of: &(&str, _)| std::ptr::eq(of.0, name) || same_name(of.0, name);
        match all.iter_mut().find(|of| same(of)) {
            Some((_, of)) => of.push(weighing),
            None => all.push((name, vec![weighing])),
        }
    }
    all
}

/// All that was weighed less all targets, in percent of these. What was skipped and came in by a remedy has
/// its target there.
fn batch_off(batch: &Gathered) -> f64 {
    let weighed = || batch.weighings.iter().filter(|w| w.kind != Kind::Skipped);
    let target: f64 = weighed().map(|w| w.target.mass().to_g_f64()).sum();
    let net: f64 = weighed().map(|w| w.net.mass().to_g_f64()).sum();
    100.0 * (net - target) / target
}

/// What the chart says of one point, in words.
fn mark(values: &[f64], at: usize, limits: Option<&Limits>) -> Option<Term> {
    let (Some(limits), Some(&value)) = (limits, values.get(at)) else {
        return None;
    };
    let before = at.checked_sub(1).and_then(|before| values.get(before));
    let range = before.map_or(0.0, |before| (value - before).abs());
    Some(match (limits.is_out(value), limits.is_range_out(range)) {
        (true, true) => term!("OUT, and a jump"),
        (true, false) => term!("OUT"),
        (false, true) => term!("a jump"),
        (false, false) => term!("in"),
    })
}

fn end(
    mut text: String,
    title: Sentence,
    unit: Term,
    values: Vec<f64>,
    limits: Option<Limits>,
    language: Language,
) -> Report {
    let mut say = |words: Sentence| {
        let _ = writeln!(text, "{}", words.in_language(language));
    };
    let Some(limits) = limits else {
        say(phrase!("\nOne batch only: no control chart yet."));
        return Report { text, chart: None };
    };
    say(phrase!(
        "\nindividuals    lower {lower}  mean {mean}  upper {upper}  (mean ± 3 × mean moving range / {d2})",
        lower = thousandths(limits.lower),
        mean = thousandths(limits.centre),
        upper = thousandths(limits.upper),
        d2 = Slot::number("1.128"),
    ));
    say(phrase!(
        "moving range   lower 0  mean {mean}  upper {upper}  ({d4} × mean moving range)",
        mean = thousandths(limits.range_centre),
        upper = thousandths(limits.range_upper),
        d4 = Slot::number("3.267"),
    ));
    if values.len() < FEW {
        say(phrase!(
            "{batches} batches are few for limits; they settle at about {few} (common practice, no source).",
            batches = values.len(),
            few = FEW,
        ));
    }
    Report {
        chart: Some(Chart {
            title,
            unit,
            values,
            limits,
        }),
        text,
    }
}
