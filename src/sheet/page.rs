//! The page: its head, the sections in the order of the work, and what is left to write by hand.

use std::fmt::Write;

use super::budget::budgets;
use super::fill::{jars, yields};
use super::record::SheetRecord;
use super::said::Said;
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
use crate::language::{Sentence, Term, counted, phrase, term};
use crate::mass::Mass;
use crate::vocabulary::entry::{RowKind, Verdict, words_of};

const TITLE: Term = term!("Batch sheet");
pub(super) const STYLE: &str = include_str!("sheet.css");
const STANDING: Term = term!(
    "This sheet shows what the batch log holds, with room for what a log cannot know. The points are those of a batch \
     record in ISO 22716:2007, 7.2, and in 21 CFR 211.188; the latter is a rule for medicines, taken here as a model. \
     Which rules apply to you, your local law says. A sheet does not make a scale legal for trade, or a batch compliant."
);

/// The whole sheet as an HTML document.
pub fn html(record: &SheetRecord) -> String {
    let batch = record
        .rows
        .first()
        .map_or("batch", |row| row.batch.as_str());
    let said = record.said();
    let mut out = begun(said, (TITLE, term!("batch")), batch, STYLE);
    let _ = writeln!(out, "<h1>{}</h1>", said.html(TITLE));
    head(record, batch, &mut out);
    before(record, &mut out);
    let points = "ISO 22716 7.2.1.2, 7.2.4; 21 CFR 211.188(b)(3), (4), (11)";
    headed(said, term!("Raw materials weighed"), points, &mut out);
    out.push_str(&table(record));
    let legend = term!(
        "Accepted: the tolerance less the guard band (JCGM 106). U: expanded uncertainty of the net weight, about 95 %, g. \
         Bar: box = accepted, dashed = target, diamond = inside, triangle = outside. Times are UTC. Net weights are \
         calculated (OIML R 76-1, T.5.3)."
    );
    let _ = writeln!(out, "<p class=\"small\">{}</p>", said.html(legend));
    out.push_str(&budgets(record));
    operations(record, &mut out);
    irregular(record, &mut out);
    headed(said, term!("Yield"), "21 CFR 211.188(b)(7)", &mut out);
    out.push_str(&yields(record));
    out.push_str(&jars(record));
    by_hand(record, &mut out);
    signatures(said, &mut out);
    appendix(record, &mut out);
    out.push_str("</body></html>\n");
    out
}

/// The document up to its body, with its title, what it is of and the name of that at the foot. No script and nothing from
/// elsewhere: a policy of its own forbids both.
pub(super) fn begun(said: Said, (title, of): (Term, Term), name: &str, style: &str) -> String {
    let (title, of, tag) = (said.html(title), said.html(of), said.0.tag());
    format!(
        "<!doctype html>\n<html lang=\"{tag}\"><head><meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n<title>{title} {0}</title>\n\
         <style>\n{style}@page {{ @bottom-left {{ content: \"{of} {1}\"; font: 8pt sans-serif }} }}\n</style></head><body>\n",
        escaped(name),
        // Safe in a style sheet's string, where escapes are others.
        safe_batch_name(name)
    )
}

/// A section, with the points of the rules that it answers.
fn headed(said: Said, title: Term, points: &str, out: &mut String) {
    let title = said.html(title);
    let _ = writeln!(out, "<h2>{title} <small>{points}</small></h2>");
}

fn alarm(said: Said, words: Sentence, out: &mut String) {
    let _ = writeln!(out, "<p class=\"alarm\">{}</p>", said.html(words));
}

fn head(record: &SheetRecord, batch: &str, out: &mut String) {
    let said = record.said();
    let standing = record.log.standing();
    match &standing {
        Standing::Complete => {}
        Standing::Open => {
            let open = phrase!("This batch is still open: the sheet is not complete.");
            alarm(said, open, out);
        }
        Standing::Incomplete(_) => {
            let state = standing.told();
            alarm(said, phrase!("This batch is {state}.", state), out);
        }
    }
    if record.torn > 0 {
        let torn = phrase!(
            "The log ends in {bytes} bytes that are no whole row; they are not in this sheet.",
            bytes = record.torn,
        );
        alarm(said, torn, out);
    }
    let (first, last) = (record.rows.first(), record.rows.last());
    let time = |row: Option<&Row>| {
        row.map_or_else(Sentence::none, |row| {
            said.day(row.at.strftime("%Y-%m-%d %H:%M:%S UTC")).into()
        })
    };
    let size = match &record.log.opening {
        Some(opening) => {
            let g = |mass: Mass| mass.grams(Mass::from_g(1));
            let grams = g(opening.batch);
            match opening.jars {
                Some((jars, fill)) => phrase!(
                    "{grams} g ({jars} of {fill} g)",
                    grams,
                    jars = counted::jars(jars.into()),
                    fill = g(fill),
                ),
                None => phrase!("{grams} g", grams),
            }
        }
        None => phrase!("not in the log"),
    };
    let mut scales: Vec<&str> = Vec::new();
    for row in &record.rows {
        if !row.scale.is_empty() && !scales.contains(&row.scale.as_str()) {
            scales.push(&row.scale);
        }
    }
    let rows = record.rows.len();
    let entries: [(Term, Sentence); 10] = [
        (term!("Batch"), batch.into()),
        (
            term!("Formula, version"),
            first.map_or_else(Sentence::none, |row| row.formula.as_str().into()),
        ),
        (term!("Begun"), time(first)),
        (
            match record.log.closed.is_some() {
                true => term!("Closed"),
                false => term!("Last row"),
            },
            time(record.log.closed.as_ref().or(last)),
        ),
        (term!("Filled"), time(record.log.filling_closed.as_ref())),
        (term!("Batch size"), size),
        (term!("Scales"), scales.join(", ").into()),
        (
            term!("Log"),
            match rows {
                1 => phrase!("1 row, proved against the chain"),
                _ => phrase!("{rows} rows, each proved against the chain", rows),
            },
        ),
        (
            term!("Head of the log"),
            last.map_or_else(Sentence::none, |row| row.chain.as_str().into()),
        ),
        // What `sha256sum` says of the file, in groups that can be compared by eye.
        (term!("in full"), grouped(&record.digest).into()),
    ];
    out.push_str("<dl class=\"head\">\n");
    let needed = [term!("Filled"), term!("in full")];
    for (name, text) in entries {
        if !text.is_empty() || !needed.contains(&name) {
            let (name, text) = (said.html(name), said.html(text));
            let _ = writeln!(out, "<dt>{name}</dt><dd>{text}</dd>");
        }
    }
    out.push_str("</dl>\n");
}

/// Hexadecimal digits in groups of eight.
fn grouped(digits: &str) -> String {
    let digits: Vec<char> = digits.chars().collect();
    let groups = digits.chunks(8).map(|group| group.iter().collect());
    groups.collect::<Vec<String>>().join(" ")
}

/// A place to write in what the words ask for.
fn written(said: Said, words: impl Into<Sentence>, out: &mut String) {
    let _ = writeln!(out, "<div class=\"box\">{}</div>", said.html(words));
}

fn ticks(said: Said, points: &[Term], out: &mut String) {
    out.push_str("<div class=\"two\">\n");
    for point in points {
        let point = said.html(*point);
        let _ = writeln!(out, "<p><span class=\"tick\"></span>{point}</p>");
    }
    out.push_str("</div>\n");
}

fn before(record: &SheetRecord, out: &mut String) {
    let said = record.said();
    let points = "ISO 22716 7.2.2; 21 CFR 211.188(b)(2), (6)";
    headed(said, term!("Before the batch"), points, out);
    ticks(
        said,
        &[
            term!("documents at hand"),
            term!("raw materials available and released"),
            term!("equipment suitable and clean"),
            term!("work area clear and inspected"),
        ],
        out,
    );
    let equipment = term!("Major equipment besides the scale (vessel, mixer, heater, filler):");
    written(said, equipment, out);
    let _ = writeln!(out, "<h3>{}</h3>", said.html(term!("Scale check")));
    doubts(record, out);
    out.push_str(&happened(
        record,
        &[RowKind::ScaleCheck],
        term!("The log has no scale check of this batch."),
    ));
}

/// What is to be heeded of the scale checks: failed, of another day, or none of a scale that weighed.
fn doubts(record: &SheetRecord, out: &mut String) {
    let said = record.said();
    let checks = &record.log.scale_checks;
    for row in checks {
        let failed = row
            .verdict
            .is_some_and(|verdict| verdict != Verdict::Inside);
        let stale = is_of_the_day(&row.note) == Some(false);
        let (seq, scale) = (row.seq, &row.scale);
        match (failed, stale) {
            (true, _) => alarm(
                said,
                phrase!(
                    "Row {seq}: the scale {scale} did not pass this check, which was its last.",
                    seq,
                    scale
                ),
                out,
            ),
            (false, true) => alarm(
                said,
                phrase!(
                    "Row {seq}: the scale {scale} had not been checked on that day.",
                    seq,
                    scale
                ),
                out,
            ),
            (false, false) => {}
        }
    }
    let checked = |name: &str| checks.iter().any(|row| row.scale == name);
    // Without any check there is a sentence of its own.
    for name in record
        .log
        .scales()
        .iter()
        .filter(|name| !checks.is_empty() && !checked(name))
    {
        let none = phrase!("The log has no check of the scale {name}.", name = *name);
        alarm(said, none, out);
    }
}

fn operations(record: &SheetRecord, out: &mut String) {
    let said = record.said();
    let points = "ISO 22716 7.2.1.2; 21 CFR 211.188(b)(5)";
    headed(said, term!("Operations by phase"), points, out);
    out.push_str("<table>");
    let heads = [
        term!("phase"),
        term!("instruction"),
        term!("confirmed"),
        term!("temperature, speed, time, results"),
        term!("done by"),
        term!("checked by"),
    ];
    out.push_str(&said.heads(&heads.map(|head| (head, false))));
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
            (None, true) => said.html(term!("no mixing asked")),
            (Some(_), true) => format!("<b>{}</b>", said.html(term!("not confirmed"))),
            (_, false) => mixed.join(", "),
        };
        let _ = writeln!(
            out,
            "<tr><td>{}<td>{}<td>{confirmed}<td class=\"hand\"><td class=\"hand\"><td class=\"hand\"></tr>",
            said.cell(name),
            said.cell(mix.unwrap_or("–")),
        );
    }
    out.push_str("</tbody></table>\n");
}

fn irregular(record: &SheetRecord, out: &mut String) {
    let said = record.said();
    let title = term!("Deviations, remedies, remarks");
    headed(said, title, "ISO 22716 13; 21 CFR 211.188(b)(12)", out);
    let told = record.rows.iter().filter(|row| match row.kind {
        RowKind::TakenOut | RowKind::Remedy | RowKind::Residue => true,
        // The formula stands in the appendix, a lot in the table.
        RowKind::Note => {
            opening_of(row).is_none()
                && fill_of(row).is_none()
                && contents_of(row).is_none()
                && !row.note.starts_with("lot of ")
        }
        RowKind::Weighed => {
            let (relots, _) = words_of(&row.note, &row.ingredient, &row.lot);
            let holds = !record.log.replaced.contains_key(&row.seq);
            row.verdict != Some(Verdict::Inside) || is_outside(row) || relots && holds
        }
        RowKind::Opened
        | RowKind::ScaleCheck
        | RowKind::Mixed
        | RowKind::Filled
        | RowKind::Closed => false,
    });
    out.push_str(&list(record, told, term!("None in the log.")));
    if record.withdrawn().next().is_some() {
        let title = term!("Rows that a later row corrected or replaced");
        let _ = writeln!(out, "<h3>{}</h3>", said.html(title));
        out.push_str(&list(record, record.withdrawn(), term!("None in the log.")));
    }
    written(said, term!("Investigation, where one was made:"), out);
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
    let containers = match jars {
        Some((jars, _)) => phrase!(
            "Containers and closures, lot and number (planned: {jars}):",
            jars
        ),
        None => phrase!("Containers and closures, lot and number:"),
    };
    let said = record.said();
    let points = "21 CFR 211.188(b)(5), (6), (8), (9), (10), (13)";
    headed(said, term!("Containers, label, samples"), points, out);
    out.push_str("<div class=\"two\">");
    written(said, containers, out);
    for what in [
        term!("Samples taken:"),
        term!("In-process results, and results of the examination:"),
        term!("Labels issued, used, left over; stick a label here:"),
    ] {
        written(said, what, out);
    }
    out.push_str("</div>\n");
    ticks(
        said,
        &[
            term!("area cleared and inspected after the batch"),
            term!("equipment cleaned"),
        ],
        out,
    );
}

fn signatures(said: Said, out: &mut String) {
    let points = "21 CFR 211.188(a), (b)(1), (11)";
    headed(said, term!("Signatures"), points, out);
    out.push_str("<table><thead><tr><th>");
    for head in [term!("name"), term!("signature"), term!("date")] {
        let _ = write!(out, "<th>{}", said.html(head));
    }
    out.push_str("</tr></thead><tbody>\n");
    for what in [
        term!("formula and targets agree with the master formula"),
        term!("weighed and made by"),
        term!("checked by"),
        term!("released by"),
    ] {
        let _ = writeln!(
            out,
            "<tr><td>{}<td class=\"hand\"><td class=\"hand\"><td class=\"hand\"></tr>",
            said.html(what)
        );
    }
    let standing = said.html(STANDING);
    let _ = writeln!(out, "</tbody></table>\n<p class=\"small\">{standing}</p>");
}

fn appendix(record: &SheetRecord, out: &mut String) {
    let said = record.said();
    let _ = writeln!(
        out,
        "<h2 class=\"new\">{} <small>ISO 22716 7.2.1.2; 21 CFR 211.188(a)</small></h2>",
        said.html(term!("The formula of this batch"))
    );
    match &record.log.opening {
        Some(opening) => {
            let held = phrase!(
                "As the log holds it; SHA-256 of its text {digest}",
                digest = sha256(&opening.text),
            );
            let _ = writeln!(out, "<p class=\"small\">{}</p>", said.html(held));
            // Line by line: a line end is the one control character that stays.
            let text: Vec<String> = opening.text.lines().map(escaped).collect();
            let _ = writeln!(out, "<pre>{}</pre>", text.join("\n"));
        }
        None => alarm(said, phrase!("The log holds no formula."), out),
    }
}
