//! The table of weighings and the rows of what happened besides.

use std::fmt::Write;

use super::picture::deviation_bar;
use super::record::SheetRecord;
use jiff::Timestamp;

use crate::chart::history::signed;
use crate::chart::svg::escaped;
use crate::formula::amend::Amendment;
use crate::formula::filling::PHASE;
use crate::journal::batch::standing::skipped;
use crate::journal::format::cell::Grams;
use crate::journal::format::row::Row;
use crate::vocabulary::entry::{RowKind, Verdict};

/// Grams as in the log; a dash where there are none.
pub fn grams(amount: Option<Grams>) -> String {
    amount.map_or("–".to_owned(), |amount| amount.to_string())
}

/// `09:14:05`; the day stands in the head of the sheet, and in front where it is another.
fn time(at: Timestamp, day: &str) -> String {
    let text = format!("{at:.0}");
    let (date, time) = text.split_once('T').unwrap_or(("", &text));
    let time = time.trim_end_matches('Z');
    if date == day {
        time.to_owned()
    } else {
        format!("{date} {time}")
    }
}

fn day(record: &SheetRecord) -> String {
    let first = record.rows.first();
    first.map_or(String::new(), |row| row.at.strftime("%Y-%m-%d").to_string())
}

/// One row a step: target, window, actual, deviation, lot, scale, time, and room for two initials.
pub fn table(record: &SheetRecord) -> String {
    let mut out = String::from(
        "<table class=\"weighed\"><thead><tr><th>step<th>ingredient<th>lot<th class=\"n\">target g\
         <th class=\"n\">accepted g<th class=\"n\">actual g<th>deviation, g<th>verdict<th>time, scale\
         <th>weighed by<th>checked by</tr></thead><tbody>\n",
    );
    let day = day(record);
    let mut phase = "";
    for row in record.log.settled() {
        let step = row.step;
        if row.phase != phase {
            phase = &row.phase;
            let _ = writeln!(
                out,
                "<tr class=\"phase\"><th colspan=\"11\">{}</tr>",
                escaped(phase)
            );
        }
        let inci = record.inci(&row.ingredient);
        let inci = inci.map_or(String::new(), |inci| {
            format!("<br><i>{}</i>", escaped(inci))
        });
        if let Some(reason) = skipped(row) {
            let _ = writeln!(
                out,
                "<tr><td>{step}<td>{}{inci}<td>–<td class=\"n\">{}<td colspan=\"5\"><b>skipped</b>: {}\
                 <td class=\"hand\"><td class=\"hand\"></tr>",
                escaped(&row.ingredient),
                grams(row.target),
                escaped(reason),
            );
            continue;
        }
        let lot = if row.lot.is_empty() { "–" } else { &row.lot };
        let delivered = match record.log.residue(step) {
            Some(residue) => format!(
                "<br><small>left {residue}<br>given {}</small>",
                grams(record.log.delivered(step))
            ),
            None => String::new(),
        };
        let u = row
            .uncertainty
            .map_or(String::new(), |u| format!("<br><small>U {u}</small>"));
        let off = if row.low.is_some() {
            deviation_bar(row)
        } else {
            row.deviation
                .map_or("–".into(), |off| signed(&off.to_string()))
        };
        let _ = writeln!(
            out,
            "<tr><td>{step}<td>{}{inci}<td>{}<td class=\"n\">{}<td class=\"n\">{}<br>{}\
             <td class=\"n\"><b>{}</b>{u}{delivered}<td>{off}<td>{}<td><time>{}</time><br>{}<br>{}<td class=\"hand\"><td class=\"hand\"></tr>",
            escaped(&row.ingredient),
            escaped(lot),
            grams(row.target),
            grams(row.low),
            grams(row.high),
            grams(row.net),
            row.verdict.map_or("not proven", Verdict::name),
            time(row.at, &day),
            escaped(&row.scale),
            escaped(&row.vessel),
        );
    }
    for one in record.missing() {
        let _ = writeln!(
            out,
            "<tr><td>{}<td>{}<td colspan=\"7\"><b>not weighed</b><td class=\"hand\"><td class=\"hand\"></tr>",
            one.number,
            escaped(&one.ingredient)
        );
    }
    out.push_str("</tbody></table>\n");
    out
}

/// Rows of these kinds as a list in order of time; a sentence where there are none.
pub fn happened(record: &SheetRecord, kinds: &[RowKind], none: &str) -> String {
    let rows = record.rows.iter().filter(|row| kinds.contains(&row.kind));
    list(record, rows, none)
}

pub fn list<'a>(record: &SheetRecord, rows: impl Iterator<Item = &'a Row>, none: &str) -> String {
    let day = day(record);
    let mut out = String::new();
    for row in rows {
        let _ = write!(
            out,
            "<tr><td>{}<td><time>{}</time><td class=\"kind\">{}",
            row.seq,
            time(row.at, &day),
            row.kind.name()
        );
        let step = match row.step {
            0 => String::new(),
            jar if row.phase == PHASE => format!("jar {jar} "),
            step => format!("step {step} "),
        };
        let about = if row.ingredient.is_empty() {
            &row.phase
        } else {
            &row.ingredient
        };
        let verdict = row.verdict.map_or("", Verdict::name);
        let note = match Amendment::of_note(&row.note) {
            Some(Ok((_, words))) => words,
            Some(Err(_)) | None => &row.note,
        };
        let _ = writeln!(
            out,
            "<td>{step}{}<td class=\"n\">{}<td class=\"n\">{}<td>{verdict}<td class=\"kind\">{}<td>{}</tr>",
            escaped(about),
            grams(row.target),
            grams(row.net),
            escaped(&row.scale),
            escaped(note)
        );
    }
    if out.is_empty() {
        return format!("<p>{none}</p>\n");
    }
    format!(
        "<table><thead><tr><th>row<th>time<th>kind<th>of<th class=\"n\">target g<th class=\"n\">g\
         <th>verdict<th>scale<th>remark</tr></thead><tbody>\n{out}</tbody></table>\n"
    )
}
