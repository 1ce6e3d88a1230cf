//! Yield, and the filled jars where the log has them.

use std::fmt::Write;

use super::picture::fill_chart;
use super::record::SheetRecord;
use super::said::{Said, hundredths};
use super::weighed::remark_of;
use crate::chart::svg::escaped;
use crate::journal::format::row::Row;
use crate::language::{Sentence, Slot, counted, phrase, term};
use crate::mass::Mass;
use crate::metrology::prepackage::{Filling, SAMPLING_NOTE};

/// `part` in percent of `whole`, to a tenth.
fn percent(said: Said, part: Mass, whole: Mass) -> String {
    if whole <= Mass::ZERO {
        return "–".into();
    }
    let percent = 100.0 * part.to_g_f64() / whole.to_g_f64();
    format!("{} %", said.number(format_args!("{percent:.1}")))
}

/// Actual and theoretical yield after weighing and after filling.
pub fn yields(record: &SheetRecord) -> String {
    let said = record.said();
    let grams = |mass: Mass| said.number(mass.grams(Mass::from_mg(10)));
    let weighed = record.log.total();
    let mut out = String::from("<table class=\"yield\">");
    out.push_str(&said.heads(&[
        (term!("after"), false),
        (term!("actual g"), true),
        (term!("theoretical g"), true),
        (term!("actual in % of theoretical"), true),
        (term!("remark"), false),
    ]));
    let (theory, share) = match record.log.size() {
        Some(whole) => (grams(whole), percent(said, weighed, whole)),
        None => ("–".into(), "–".into()),
    };
    let steps = counted::steps(record.log.weighed().count());
    let _ = writeln!(
        out,
        "<tr><td>{}<td class=\"n\">{}<td class=\"n\">{theory}<td class=\"n\">{share}<td>{}</tr>",
        said.html(term!("weighing")),
        grams(weighed),
        said.html(phrase!(
            "{steps}; calculated sum of net weights less what stayed in the beakers",
            steps,
        )),
    );
    let filling = said.html(term!("filling"));
    if record.log.filled.is_empty() {
        let _ = writeln!(
            out,
            "<tr><td>{filling}<td class=\"hand\"><td class=\"hand\"><td class=\"hand\"><td>{}</tr>",
            said.html(term!("no filled jar in the log; write it in")),
        );
    } else {
        let filled = record.log.jarred();
        let rest = match filled > weighed {
            true => phrase!("more than was weighed: look at the rows"),
            false => phrase!(
                "not in a jar: {rest} g",
                rest = hundredths(weighed - filled)
            ),
        };
        let jars = counted::jars(record.log.filled.len() as u64);
        let _ = writeln!(
            out,
            "<tr><td>{filling}<td class=\"n\">{}<td class=\"n\">{}<td class=\"n\">{}<td>{}</tr>",
            grams(filled),
            grams(weighed),
            percent(said, filled, weighed),
            said.html(phrase!("{jars}; {rest}", jars, rest)),
        );
    }
    out.push_str("</tbody></table>\n");
    out
}

/// The chart and the table of the jars; empty where the log has none.
pub fn jars(record: &SheetRecord) -> String {
    if record.log.filled.is_empty() {
        return String::new();
    }
    let said = record.said();
    let mut out = format!(
        "<h3>{}</h3>\n{}\n",
        said.html(term!("Net content of each jar")),
        fill_chart(&record.log.filled, said)
    );
    out.push_str(&judged(record));
    out.push_str("<table>");
    out.push_str(&said.heads(&[
        (term!("jar"), false),
        (term!("label g"), true),
        (term!("net g"), true),
        (term!("verdict"), false),
        (term!("remark"), false),
    ]));
    for (number, row) in (1..).zip(&record.log.filled) {
        let verdict = row.verdict.map(|verdict| said.verdict(verdict));
        let _ = writeln!(
            out,
            "<tr><td>{number}<td class=\"n\">{}<td class=\"n\">{}<td>{}<td>{}</tr>",
            said.grams(row.target),
            said.grams(row.net),
            escaped(&verdict.unwrap_or_default()),
            escaped(&remark_of(record, &row.note))
        );
    }
    let note = term!("Official sampling plans are for inspectors, not for a packer's own control.");
    let _ = writeln!(
        out,
        "</tbody></table>\n<p class=\"small\">{}</p>",
        said.html(note)
    );
    out
}

/// What the net contents are judged by, and what came of it; empty where the log does not say.
fn judged(record: &SheetRecord) -> String {
    let Some(fill) = record.log.fillings.last() else {
        return String::new();
    };
    let Some(mut filling) = Filling::new(fill.nominal, fill.rule) else {
        return String::new();
    };
    let of_this = |row: &&Row| row.step >= fill.first;
    let jars = record.log.filled.iter().filter(of_this);
    for net in jars.filter_map(|row| row.net) {
        filling.fill(net.mass());
    }
    let rule = fill.rule.source();
    let mut told = match fill.rule.tolerable_negative_error(fill.nominal) {
        Some(short) => phrase!(
            "Judged by {rule}: one jar may be short by {short} g.",
            rule,
            short = hundredths(short),
        ),
        None => phrase!("Judged by {rule}.", rule),
    };
    let mut heed = false;
    if let Some(mean) = filling.mean() {
        let (jars, mean) = (
            filling.jars().to_string(),
            Slot::number(format!("{mean:.2}")),
        );
        told = told.and(match filling.average_is_met() {
            Some(true) => phrase!(
                "Mean of {jars} jars: {mean} g, not below the label.",
                jars,
                mean
            ),
            Some(false) => {
                heed = true;
                phrase!(
                    "Mean of {jars} jars: {mean} g, BELOW THE LABEL.",
                    jars,
                    mean
                )
            }
            None => phrase!("Mean of {jars} jars: {mean} g.", jars, mean),
        });
    }
    let share: Sentence = match fill.rule.few() {
        Some((_, share)) => phrase!("at most {share}", share),
        None => term!("none may be").into(),
    };
    told = told.and(match (filling.short(), filling.few_are_short()) {
        (0, _) => phrase!("No jar is short by more."),
        (n, true) => phrase!("Short by more: {n} ({share}).", n, share),
        (n, false) => {
            heed = true;
            phrase!("Short by more: TOO MANY: {n} ({share}).", n, share)
        }
    });
    format!(
        "<p{}>{}</p>\n<p class=\"small\">{}</p>\n",
        if heed { " class=\"alarm\"" } else { "" },
        record.said().html(told),
        record.said().html(SAMPLING_NOTE)
    )
}
