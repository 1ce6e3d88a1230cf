//! One formula on a card to print: what is weighed in which order, and what is to be heeded.

use std::fmt::Write;

use super::page::{STYLE, begun};
use crate::chart::svg::escaped;
use crate::formula::cautions::STANDING;
use crate::formula::{Deviation, Formula, Tolerance};
use crate::mass::Mass;

/// The grams of one ingredient, where the card is for a batch of some size.
#[derive(Debug, Clone, Default)]
pub struct CardGrams {
    pub target: String,
    /// Empty where the scale proves none.
    pub window: String,
}

/// The whole card as an HTML document; `grams` has one for each ingredient, or none at all.
pub fn card(
    formula: &Formula,
    batch: Option<&str>,
    grams: &[CardGrams],
    cautions: &[String],
) -> String {
    let mut out = begun("Formula", "formula", &formula.label(), STYLE);
    let _ = writeln!(out, "<h1>{}</h1>", escaped(&formula.name));
    let version = match formula.version.is_empty() {
        true => String::new(),
        false => format!("Version {}. ", escaped(&formula.version)),
    };
    let size = batch.map_or_else(
        || "Grams are written in by hand.".to_owned(),
        |batch| format!("For a batch of {} g.", escaped(batch)),
    );
    let _ = writeln!(out, "<p>{version}{size}</p>");
    let mut shares = formula.shares().into_iter();
    let mut grams = grams.iter();
    for phase in &formula.phases {
        let _ = writeln!(out, "<h2>{}</h2>", escaped(&phase.name));
        out.push_str(
            "<table><thead><tr><th>ingredient<th class=\"n\">%<th class=\"n\">g<th class=\"n\">window, g<th>tolerance\
             <th>vessel<th>lot</tr></thead><tbody>\n",
        );
        for one in &phase.ingredients {
            let share = shares.next().unwrap_or_default();
            let own = grams.next().cloned().unwrap_or_default();
            let more = [one.inci.as_deref(), one.caution.as_deref()];
            let more: Vec<String> = more.into_iter().flatten().map(escaped).collect();
            let _ = writeln!(
                out,
                "<tr><td>{}<br><small>{}</small><td class=\"n\">{}<td class=\"n\">{}<td class=\"n\">{}<td>{}<td>{}<td></tr>",
                escaped(&one.name),
                more.join("<br>"),
                share.shown(),
                escaped(&own.target),
                escaped(&own.window),
                escaped(&tolerance(one.tolerance)),
                one.vessel.name(),
            );
        }
        out.push_str("</tbody></table>\n");
        if let Some(mix) = &phase.mix {
            let _ = writeln!(out, "<p>Then: {}</p>", escaped(mix));
        }
    }
    if !cautions.is_empty() {
        out.push_str("<h2>Cautions</h2>\n<ul>\n");
        for caution in cautions {
            let _ = writeln!(out, "<li>{}</li>", escaped(caution));
        }
        out.push_str("</ul>\n");
    }
    let _ = writeln!(out, "<p class=\"small\">{STANDING}</p>");
    for line in formula.notes.lines().filter(|line| !line.trim().is_empty()) {
        let _ = writeln!(out, "<p class=\"small\">{}</p>", escaped(line));
    }
    out.push_str("</body></html>\n");
    out
}

fn tolerance(tolerance: Tolerance) -> String {
    let side = |side: Deviation| {
        let percent = side.percent.map(|p| format!("{} %", p.text()));
        let grams = side.mass.map(|g| format!("{} g", g.grams(Mass::from_g(1))));
        let both: Vec<String> = percent.into_iter().chain(grams).collect();
        match both.is_empty() {
            true => format!("{} %", Tolerance::DEFAULT_PERCENT.text()),
            false => both.join(" or "),
        }
    };
    let (under, over) = (side(tolerance.under), side(tolerance.over));
    match under == over {
        true => format!("± {under}"),
        false => format!("− {under}, + {over}"),
    }
}
