//! Yield, and the filled jars where the log has them.

use std::fmt::Write;

use super::picture::fill_chart;
use super::record::SheetRecord;
use super::weighed::grams;
use crate::chart::svg::escaped;
use crate::journal::format::row::Row;
use crate::mass::Mass;
use crate::metrology::prepackage::{Filling, SAMPLING_NOTE};
use crate::vocabulary::entry::Verdict;

/// `part` in percent of `whole`, to a tenth.
fn percent(part: Mass, whole: Mass) -> String {
    if whole <= Mass::ZERO {
        return "–".into();
    }
    format!("{:.1} %", 100.0 * part.to_g_f64() / whole.to_g_f64())
}

/// Actual and theoretical yield after weighing and after filling.
pub fn yields(record: &SheetRecord) -> String {
    let d = Mass::from_mg(10);
    let planned = record.log.size();
    let weighed = record.log.total();
    let mut out = String::from(
        "<table class=\"yield\"><thead><tr><th>after<th class=\"n\">actual g<th class=\"n\">theoretical g\
         <th class=\"n\">actual in % of theoretical<th>remark</tr></thead><tbody>\n",
    );
    let of = |whole: Option<Mass>| {
        whole.map_or(("–".into(), "–".into()), |whole: Mass| {
            (whole.grams(d).to_string(), percent(weighed, whole))
        })
    };
    let (theory, share) = of(planned);
    let steps = record.log.weighed().count();
    let _ = writeln!(
        out,
        "<tr><td>weighing<td class=\"n\">{}<td class=\"n\">{theory}<td class=\"n\">{share}<td>{steps} steps; \
         calculated sum of net weights less what stayed in the beakers</tr>",
        weighed.grams(d)
    );
    if record.log.filled.is_empty() {
        out.push_str(
            "<tr><td>filling<td class=\"hand\"><td class=\"hand\"><td class=\"hand\"><td>no filled jar in the log; \
             write it in</tr>\n",
        );
    } else {
        let filled = record.log.jarred();
        let rest = if filled > weighed {
            "more than was weighed: look at the rows".to_owned()
        } else {
            format!("not in a jar: {} g", (weighed - filled).grams(d))
        };
        let _ = writeln!(
            out,
            "<tr><td>filling<td class=\"n\">{}<td class=\"n\">{}<td class=\"n\">{}<td>{} jars; {rest}</tr>",
            filled.grams(d),
            weighed.grams(d),
            percent(filled, weighed),
            record.log.filled.len(),
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
    let mut out = format!(
        "<h3>Net content of each jar</h3>\n{}\n",
        fill_chart(&record.log.filled)
    );
    out.push_str(&judged(record));
    out.push_str(
        "<table><thead><tr><th>jar<th class=\"n\">label g<th class=\"n\">net g<th>verdict<th>remark</tr></thead><tbody>\n",
    );
    for (number, row) in (1..).zip(&record.log.filled) {
        let _ = writeln!(
            out,
            "<tr><td>{number}<td class=\"n\">{}<td class=\"n\">{}<td>{}<td>{}</tr>",
            grams(row.target),
            grams(row.net),
            row.verdict.map_or("", Verdict::name),
            escaped(&row.note)
        );
    }
    out.push_str("</tbody></table>\n<p class=\"small\">Official sampling plans are for inspectors, not for a packer's own control.</p>\n");
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
    let d = Mass::from_mg(10);
    let tolerable = fill.rule.tolerable_negative_error(fill.nominal);
    let tolerable = tolerable.map_or(String::new(), |t| {
        format!(": one jar may be short by {} g", t.grams(d))
    });
    let mean = filling.mean().map_or(String::new(), |mean| {
        format!(" Mean of {} jars: {mean:.2} g", filling.jars())
    });
    let average = match filling.average_is_met() {
        Some(true) => ", not below the label.",
        Some(false) => ", <b>below the label</b>.",
        None => "",
    };
    let short = match (filling.short(), filling.few_are_short()) {
        (0, _) => " No jar is short by more.".to_owned(),
        (n, few) => {
            let bold = if few { "" } else { "<b>too many</b>: " };
            let share = fill
                .rule
                .few()
                .map_or("none may be".to_owned(), |(_, share)| {
                    format!("at most {share}")
                });
            format!(" Short by more: {bold}{n} ({share}).")
        }
    };
    format!(
        "<p>Judged by {}{tolerable}.{mean}{average}{short}</p>\n<p class=\"small\">{SAMPLING_NOTE}</p>\n",
        escaped(fill.rule.source())
    )
}
