//! The page: its head, the sections in the order of the work, and what is left to write by hand.

use std::fmt::Write;

use super::budget::budgets;
use super::fill::{jars, yields};
use super::record::SheetRecord;
use super::weighed::{happened, list, table};
use crate::chart::svg::escaped;
use crate::journal::batch::standing::Standing;
use crate::journal::format::cell::{Grams, clean};
use crate::journal::format::chain::sha256;
use crate::journal::format::check_note::is_of_the_day;
use crate::journal::format::contents_note::contents_of;
use crate::journal::format::fill_note::fill_of;
use crate::journal::format::names::safe_batch_name;
use crate::journal::format::opening::opening_of;
use crate::journal::format::row::Row;
use crate::mass::Mass;
use crate::vocabulary::entry::{RowKind, Verdict};

pub(super) const STYLE: &str = include_str!("sheet.css");
const STANDING: &str = "This sheet shows what the batch log holds, with room for what a log cannot \
    know. The points are those of a batch record in ISO 22716:2007, 7.2, and in 21 CFR 211.188; the \
    latter is a rule for medicines, taken here as a model. Which rules apply to you, your local law \
    says. A sheet does not make a scale legal for trade, or a batch compliant.";

/// The whole sheet as an HTML document.
pub fn html(record: &SheetRecord) -> String {
    let batch = record
        .rows
        .first()
        .map_or("batch", |row| row.batch.as_str());
    let mut out = begun("Batch sheet", "batch", batch, STYLE);
    let _ = writeln!(out, "<h1>Batch sheet</h1>");
    head(record, batch, &mut out);
    before(record, &mut out);
    out.push_str("<h2>Raw materials weighed <small>ISO 22716 7.2.1.2, 7.2.4; 21 CFR 211.188(b)(3), (4), (11)</small></h2>\n");
    out.push_str(&table(record));
    out.push_str(
        "<p class=\"small\">Accepted: the tolerance less the guard band (JCGM 106). U: expanded uncertainty of the net \
         weight, about 95 %, g. Bar: box = accepted, dashed = target, diamond = inside, triangle = outside. \
         Times are UTC. Net weights are calculated (OIML R 76-1, T.5.3).</p>\n",
    );
    out.push_str(&budgets(record));
    operations(record, &mut out);
    irregular(record, &mut out);
    out.push_str("<h2>Yield <small>21 CFR 211.188(b)(7)</small></h2>\n");
    out.push_str(&yields(record));
    out.push_str(&jars(record));
    by_hand(record, &mut out);
    signatures(&mut out);
    appendix(record, &mut out);
    out.push_str("</body></html>\n");
    out
}

/// The document up to its body, with what it is `of` and its name at the foot. No script and nothing from elsewhere: a policy of its own forbids both.
pub(super) fn begun(title: &str, of: &str, name: &str, style: &str) -> String {
    format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n<title>{title} {0}</title>\n\
         <style>\n{style}@page {{ @bottom-left {{ content: \"{of} {1}\"; font: 8pt sans-serif }} }}\n</style></head><body>\n",
        escaped(name),
        // Safe in a style sheet's string, where escapes are others.
        safe_batch_name(name)
    )
}

fn head(record: &SheetRecord, batch: &str, out: &mut String) {
    let standing = record.log.standing();
    let state = match &standing {
        Standing::Complete => None,
        Standing::Open => Some("still open: the sheet is not complete".to_owned()),
        Standing::Incomplete(_) => Some(standing.to_string()),
    };
    if let Some(state) = state {
        let _ = writeln!(
            out,
            "<p class=\"alarm\">This batch is {}.</p>",
            escaped(&state)
        );
    }
    if record.torn > 0 {
        let _ = writeln!(
            out,
            "<p class=\"alarm\">The log ends in {} bytes that are no whole row; they are not in this sheet.</p>",
            record.torn
        );
    }
    let (first, last) = (record.rows.first(), record.rows.last());
    let time = |row: Option<&Row>| {
        row.map_or(String::new(), |row| {
            row.at.strftime("%Y-%m-%d %H:%M:%S UTC").to_string()
        })
    };
    let size = match &record.log.opening {
        Some(opening) => {
            let g = |mass: Mass| mass.grams(Mass::from_g(1)).to_string();
            let jars = opening.jars;
            let jars = jars.map_or(String::new(), |(n, fill)| {
                format!(" ({n} jars of {} g)", g(fill))
            });
            format!("{} g{jars}", g(opening.batch))
        }
        None => "not in the log".into(),
    };
    let mut scales: Vec<&str> = Vec::new();
    for row in &record.rows {
        if !row.scale.is_empty() && !scales.contains(&row.scale.as_str()) {
            scales.push(&row.scale);
        }
    }
    let entries = [
        ("Batch", batch.to_owned()),
        (
            "Formula, version",
            first.map_or(String::new(), |row| row.formula.clone()),
        ),
        ("Begun", time(first)),
        (
            if record.log.closed.is_some() {
                "Closed"
            } else {
                "Last row"
            },
            time(record.log.closed.as_ref().or(last)),
        ),
        ("Filled", time(record.log.filling_closed.as_ref())),
        ("Batch size", size),
        ("Scales", scales.join(", ")),
        (
            "Log",
            format!("{} rows, each proved against the chain", record.rows.len()),
        ),
        (
            "Head of the log",
            last.map_or(String::new(), |row| row.chain.clone()),
        ),
        // What `sha256sum` says of the file, in groups that can be compared by eye.
        ("in full", grouped(&record.digest)),
    ];
    out.push_str("<dl class=\"head\">\n");
    let filled = record.log.filling_closed.is_some();
    for (name, text) in entries.iter().filter(|(name, text)| {
        (filled || *name != "Filled") && !(*name == "in full" && text.is_empty())
    }) {
        let _ = writeln!(out, "<dt>{name}</dt><dd>{}</dd>", escaped(text));
    }
    out.push_str("</dl>\n");
}

/// Hexadecimal digits in groups of eight.
fn grouped(digits: &str) -> String {
    let digits: Vec<char> = digits.chars().collect();
    let groups = digits.chunks(8).map(|group| group.iter().collect());
    groups.collect::<Vec<String>>().join(" ")
}

fn ticks(points: &[&str], out: &mut String) {
    out.push_str("<div class=\"two\">\n");
    for point in points {
        let _ = writeln!(out, "<p><span class=\"tick\"></span>{point}</p>");
    }
    out.push_str("</div>\n");
}

fn before(record: &SheetRecord, out: &mut String) {
    out.push_str(
        "<h2>Before the batch <small>ISO 22716 7.2.2; 21 CFR 211.188(b)(2), (6)</small></h2>\n",
    );
    ticks(
        &[
            "documents at hand",
            "raw materials available and released",
            "equipment suitable and clean",
            "work area clear and inspected",
        ],
        out,
    );
    out.push_str("<div class=\"box\">Major equipment besides the scale (vessel, mixer, heater, filler):</div>\n");
    out.push_str("<h3>Scale check</h3>\n");
    out.push_str(&doubts(record));
    out.push_str(&happened(
        record,
        &[RowKind::ScaleCheck],
        "The log has no scale check of this batch.",
    ));
}

/// What is to be heeded of the scale checks: failed, of another day, or none of a scale that weighed.
fn doubts(record: &SheetRecord) -> String {
    let mut out = String::new();
    let checks = &record.log.scale_checks;
    for row in checks {
        let failed = row
            .verdict
            .is_some_and(|verdict| verdict != Verdict::Inside);
        let stale = is_of_the_day(&row.note) == Some(false);
        let what = match (failed, stale) {
            (true, _) => "did not pass this check, which was its last",
            (false, true) => "had not been checked on that day",
            (false, false) => continue,
        };
        let (seq, scale) = (row.seq, escaped(&row.scale));
        let _ = writeln!(
            out,
            "<p class=\"alarm\">Row {seq}: the scale {scale} {what}.</p>"
        );
    }
    let checked = |name: &str| checks.iter().any(|row| row.scale == name);
    // Without any check there is a sentence of its own.
    for name in record
        .log
        .scales()
        .iter()
        .filter(|name| !checks.is_empty() && !checked(name))
    {
        let name = escaped(name);
        let _ = writeln!(
            out,
            "<p class=\"alarm\">The log has no check of the scale {name}.</p>"
        );
    }
    out
}

fn operations(record: &SheetRecord, out: &mut String) {
    out.push_str(
        "<h2>Operations by phase <small>ISO 22716 7.2.1.2; 21 CFR 211.188(b)(5)</small></h2>\n",
    );
    out.push_str("<table><thead><tr><th>phase<th>instruction<th>confirmed<th>temperature, speed, time, results<th>done by<th>checked by</tr></thead><tbody>\n");
    let phases = record.formula.iter().flat_map(|formula| &formula.phases);
    let phases: Vec<(&str, Option<&str>)> = phases
        .map(|phase| (phase.name.as_str(), phase.mix.as_deref()))
        .collect();
    // A remedy has a phase of its own, which the formula does not know.
    let own = |row: &&Row| !phases.iter().any(|(name, _)| clean(name) == row.phase);
    let added = record.log.mixed.iter().filter(own);
    // Its row says behind the instruction how it was confirmed.
    let instruction = |note: &'_ str| note.rfind(" (").unwrap_or(note.len());
    let added = added.map(|row| {
        let end = instruction(&row.note);
        (row.phase.as_str(), row.note.get(..end))
    });
    for (name, mix) in phases.iter().copied().chain(added) {
        let mixed: Vec<String> = record
            .log
            .mixed
            .iter()
            .filter(|row| row.phase == clean(name))
            .map(|row| row.at.strftime("%H:%M:%S").to_string())
            .collect();
        let confirmed = match (mix, mixed.is_empty()) {
            (None, true) => "no mixing asked".to_owned(),
            (Some(_), true) => "<b>not confirmed</b>".to_owned(),
            (_, false) => mixed.join(", "),
        };
        let _ = writeln!(
            out,
            "<tr><td>{}<td>{}<td>{confirmed}<td class=\"hand\"><td class=\"hand\"><td class=\"hand\"></tr>",
            escaped(name),
            escaped(mix.unwrap_or("–")),
        );
    }
    out.push_str("</tbody></table>\n");
}

fn irregular(record: &SheetRecord, out: &mut String) {
    out.push_str("<h2>Deviations, remedies, remarks <small>ISO 22716 13; 21 CFR 211.188(b)(12)</small></h2>\n");
    let told = record.rows.iter().filter(|row| match row.kind {
        RowKind::TakenOut | RowKind::Remedy | RowKind::Residue => true,
        // The formula stands in the appendix, a lot in the table.
        RowKind::Note => {
            opening_of(row).is_none()
                && fill_of(row).is_none()
                && contents_of(row).is_none()
                && !row.note.starts_with("lot of ")
        }
        RowKind::Weighed => row.verdict != Some(Verdict::Inside) || is_outside(row),
        RowKind::Opened
        | RowKind::ScaleCheck
        | RowKind::Mixed
        | RowKind::Filled
        | RowKind::Closed => false,
    });
    out.push_str(&list(record, told, "None in the log."));
    if record.withdrawn().next().is_some() {
        out.push_str("<h3>Rows that a later row corrected or replaced</h3>\n");
        out.push_str(&list(record, record.withdrawn(), ""));
    }
    out.push_str("<div class=\"box\">Investigation, where one was made:</div>\n");
}

/// Whether a weight lies out of the window that its row names, whatever the verdict.
fn is_outside(row: &Row) -> bool {
    let beyond = |limit: Option<Grams>, far: fn(Mass, Mass) -> bool| {
        let both = row.net.zip(limit);
        both.is_some_and(|(net, limit)| far(net.mass(), limit.mass()))
    };
    beyond(row.low, |net, low| net < low) || beyond(row.high, |net, high| net > high)
}

fn by_hand(record: &SheetRecord, out: &mut String) {
    let jars = record.log.opening.as_ref().and_then(|opening| opening.jars);
    let jars = jars.map_or(String::new(), |(n, _)| format!(" (planned: {n})"));
    let _ = write!(
        out,
        "<h2>Containers, label, samples <small>21 CFR 211.188(b)(5), (6), (8), (9), (10), (13)</small></h2>\n\
         <div class=\"two\"><div class=\"box\">Containers and closures, lot and number{jars}:</div>\n\
         <div class=\"box\">Samples taken:</div>\n\
         <div class=\"box\">In-process results, and results of the examination:</div>\n\
         <div class=\"box\">Labels issued, used, left over; stick a label here:</div></div>\n"
    );
    ticks(
        &[
            "area cleared and inspected after the batch",
            "equipment cleaned",
        ],
        out,
    );
}

fn signatures(out: &mut String) {
    out.push_str(
        "<h2>Signatures <small>21 CFR 211.188(a), (b)(1), (11)</small></h2>\n\
         <table><thead><tr><th><th>name<th>signature<th>date</tr></thead><tbody>\n",
    );
    for what in [
        "formula and targets agree with the master formula",
        "weighed and made by",
        "checked by",
        "released by",
    ] {
        let _ = writeln!(
            out,
            "<tr><td>{what}<td class=\"hand\"><td class=\"hand\"><td class=\"hand\"></tr>"
        );
    }
    let _ = writeln!(out, "</tbody></table>\n<p class=\"small\">{STANDING}</p>");
}

fn appendix(record: &SheetRecord, out: &mut String) {
    out.push_str(
        "<h2 class=\"new\">The formula of this batch <small>ISO 22716 7.2.1.2; 21 CFR 211.188(a)</small></h2>\n",
    );
    match &record.log.opening {
        Some(opening) => {
            let _ = writeln!(
                out,
                "<p class=\"small\">As the log holds it; SHA-256 of its text {}</p>",
                sha256(&opening.text)
            );
            // Line by line: a line end is the one control character that stays.
            let text: Vec<String> = opening.text.lines().map(escaped).collect();
            let _ = writeln!(out, "<pre>{}</pre>", text.join("\n"));
        }
        None => out.push_str("<p class=\"alarm\">The log holds no formula.</p>\n"),
    }
}
