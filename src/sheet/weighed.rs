//! The table of weighings and the rows of what happened besides.

use std::fmt::Write;

use super::picture::deviation_bar;
use super::record::SheetRecord;
use super::said::Said;
use jiff::Timestamp;

use crate::chart::history::signed;
use crate::chart::svg::escaped;
use crate::formula::amend::for_a_person;
use crate::formula::filling;
use crate::journal::batch::standing::skipped;
use crate::journal::format::row::Row;
use crate::language::{Sentence, Slot, Term, phrase, remark, term};
use crate::vocabulary::entry::{RowKind, corrects_and};

/// `09:14:05`; the day stands in the head of the sheet, and in front where it is another.
fn time(said: Said, at: Timestamp, day: &str) -> String {
    let text = format!("{at:.0}");
    let (date, time) = text.split_once('T').unwrap_or(("", &text));
    let time = time.trim_end_matches('Z');
    if date == day {
        time.to_owned()
    } else {
        format!("{} {time}", said.day(date))
    }
}

fn day(record: &SheetRecord) -> String {
    let first = record.rows.first();
    first.map_or(String::new(), |row| row.at.strftime("%Y-%m-%d").to_string())
}

/// A remark as it is printed: what the row stands in place of is told by its number here, its ingredient and its time.
pub fn remark_of(record: &SheetRecord, note: &str) -> String {
    let said = record.said();
    let corrected = corrects_and(note).and_then(|(seq, more)| {
        let row = record.rows.iter().find(|row| row.seq == seq)?;
        let time = time(said, row.at, &day(record));
        let about = match row.ingredient.is_empty() {
            true => phrase!("in place of row {seq}, of {time}", seq, time),
            false => phrase!(
                "in place of row {seq}, {ingredient} of {time}",
                seq,
                ingredient = &row.ingredient,
                time
            ),
        };
        Some(match more.strip_prefix("; ") {
            Some(more) => said.text(remark::joined(about, remark::told(more))),
            None => said.text(about) + more,
        })
    });
    corrected.unwrap_or_else(|| said.text(remark::told(note)))
}

/// One row a step: target, window, actual, deviation, lot, scale, time, and room for two initials.
pub fn table(record: &SheetRecord) -> String {
    let said = record.said();
    let grams = |amount| said.grams(amount);
    let mut out = String::from("<table class=\"weighed\">");
    out.push_str(&said.heads(&[
        (term!("step"), false),
        (term!("ingredient"), false),
        (term!("lot"), false),
        (term!("target g"), true),
        (term!("accepted g"), true),
        (term!("actual g"), true),
        (term!("deviation, g"), false),
        (term!("verdict"), false),
        (term!("time, scale"), false),
        (term!("weighed by"), false),
        (term!("checked by"), false),
    ]));
    let day = day(record);
    let mut phase = "";
    for row in record.log.settled() {
        let step = row.step;
        if row.phase != phase {
            phase = &row.phase;
            let _ = writeln!(
                out,
                "<tr class=\"phase\"><th colspan=\"11\">{}</tr>",
                said.cell(phase)
            );
        }
        let inci = record.inci(&row.ingredient);
        let inci = inci.map_or(String::new(), |inci| {
            format!("<br><i>{}</i>", escaped(inci))
        });
        if let Some(reason) = skipped(row) {
            let _ = writeln!(
                out,
                "<tr><td>{step}<td>{}{inci}<td>–<td class=\"n\">{}<td colspan=\"5\">{}\
                 <td class=\"hand\"><td class=\"hand\"></tr>",
                escaped(&row.ingredient),
                grams(row.target),
                said.html(phrase!("skipped: {reason}", reason)),
            );
            continue;
        }
        let lot = if row.lot.is_empty() { "–" } else { &row.lot };
        let delivered = match record.log.residue(step) {
            Some(residue) => {
                let given = grams(record.log.delivered(step));
                format!(
                    "<br><small>{}<br>{}</small>",
                    said.html(phrase!(
                        "left {residue}",
                        residue = Slot::number(residue.to_string())
                    )),
                    said.html(phrase!("given {given}", given)),
                )
            }
            None => String::new(),
        };
        let u = row.uncertainty.map_or(String::new(), |u| {
            format!("<br><small>U {}</small>", said.number(u))
        });
        let off = if row.low.is_some() {
            deviation_bar(row, said)
        } else {
            row.deviation
                .map_or("–".into(), |off| said.number(signed(&off.to_string())))
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
            escaped(&row.verdict.map_or_else(
                || said.text(term!("not proven")),
                |verdict| said.verdict(verdict),
            )),
            time(said, row.at, &day),
            escaped(&row.scale),
            escaped(&said.vessel(&row.vessel)),
        );
    }
    for one in record.missing() {
        let _ = writeln!(
            out,
            "<tr><td>{}<td>{}<td colspan=\"7\"><b>{}</b><td class=\"hand\"><td class=\"hand\"></tr>",
            one.number,
            escaped(&one.ingredient),
            said.html(term!("not weighed"))
        );
    }
    out.push_str("</tbody></table>\n");
    out
}

/// Rows of these kinds as a list in order of time; a sentence where there are none.
pub fn happened(record: &SheetRecord, kinds: &[RowKind], none: Term) -> String {
    let rows = record.rows.iter().filter(|row| kinds.contains(&row.kind));
    list(record, rows, none)
}

pub fn list<'a>(record: &SheetRecord, rows: impl Iterator<Item = &'a Row>, none: Term) -> String {
    let said = record.said();
    let day = day(record);
    let mut out = String::new();
    for row in rows {
        let _ = write!(
            out,
            "<tr><td>{}<td><time>{}</time><td class=\"kind\">{}",
            row.seq,
            time(said, row.at, &day),
            escaped(&said.kind(row.kind))
        );
        let of_jars = filling::phase() == row.phase.as_str();
        let about = match (row.ingredient.is_empty(), of_jars) {
            (false, _) if row.kind == RowKind::ScaleCheck => remark::told(&row.ingredient),
            (false, _) => row.ingredient.as_str().into(),
            (true, true) => Sentence::from(term!("filling")),
            (true, false) => remark::told(&row.phase),
        };
        let about = match row.step {
            0 => about,
            jar if of_jars => phrase!("jar {jar} {about}", jar, about),
            step => phrase!("step {step} {about}", step, about),
        };
        let verdict = row.verdict.map(|verdict| said.verdict(verdict));
        let verdict = escaped(&verdict.unwrap_or_default());
        let note = escaped(&remark_of(record, for_a_person(&row.note)));
        let _ = writeln!(
            out,
            "<td>{}<td class=\"n\">{}<td class=\"n\">{}<td>{verdict}<td class=\"kind\">{}<td>{note}</tr>",
            said.html(about),
            said.grams(row.target),
            said.grams(row.net),
            escaped(&row.scale)
        );
    }
    if out.is_empty() {
        return format!("<p>{}</p>\n", said.html(none));
    }
    let heads = said.heads(&[
        (term!("row"), false),
        (term!("time"), false),
        (term!("kind"), false),
        (term!("of"), false),
        (term!("target g"), true),
        (term!("g"), true),
        (term!("verdict"), false),
        (term!("scale"), false),
        (term!("remark"), false),
    ]);
    format!("<table>{heads}{out}</tbody></table>\n")
}
