//! One formula on a card to print: what is weighed in which order, and what is to be heeded.

use std::fmt::Write;

use super::page::{STYLE, begun};
use super::said::Said;
use crate::chart::svg::escaped;
use crate::formula::cautions::STANDING;
use crate::formula::examples;
use crate::formula::{Deviation, Formula, Percent, Tolerance};
use crate::language::{Language, Sentence, Slot, phrase, term};
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
    cautions: &[Sentence],
    language: Language,
) -> String {
    let said = Said(language);
    let kinds = (term!("Formula"), term!("formula"));
    let mut out = begun(said, kinds, &formula.label(), STYLE);
    let _ = writeln!(out, "<h1>{}</h1>", escaped(&formula.name));
    let version = match formula.version.as_str() {
        "" => Sentence::none(),
        version => phrase!("Version {version}.", version),
    };
    let size = match batch {
        Some(batch) => phrase!("For a batch of {grams} g.", grams = Slot::number(batch)),
        None => phrase!("Grams are written in by hand."),
    };
    let _ = writeln!(out, "<p>{}</p>", said.html(version.and(size)));
    let mut shares = formula.shares().into_iter();
    let mut grams = grams.iter();
    for phase in &formula.phases {
        let _ = writeln!(out, "<h2>{}</h2>", escaped(&phase.name));
        out.push_str("<table>");
        out.push_str(&said.heads(&[
            (term!("ingredient"), false),
            (term!("%"), true),
            (term!("g"), true),
            (term!("window, g"), true),
            (term!("tolerance"), false),
            (term!("vessel"), false),
            (term!("lot"), false),
        ]));
        for one in &phase.ingredients {
            let share = shares.next().unwrap_or_default();
            let own = grams.next().cloned().unwrap_or_default();
            let inci = one.inci.as_deref().map(escaped);
            let caution = one.caution.as_deref().map(examples::caution);
            let more = [inci, caution.map(|caution| said.html(caution))];
            let more: Vec<String> = more.into_iter().flatten().collect();
            let _ = writeln!(
                out,
                "<tr><td>{}<br><small>{}</small><td class=\"n\">{}<td class=\"n\">{}<td class=\"n\">{}<td>{}<td>{}<td></tr>",
                escaped(&one.name),
                more.join("<br>"),
                said.number(share.shown()),
                escaped(&said.number(&own.target)),
                escaped(&said.number(&own.window)),
                said.html(tolerance(one.tolerance)),
                escaped(&said.vessel(one.vessel.name())),
            );
        }
        out.push_str("</tbody></table>\n");
        if let Some(mix) = &phase.mix {
            let _ = writeln!(out, "<p>{}</p>", said.html(phrase!("Then: {mix}", mix)));
        }
    }
    if !cautions.is_empty() {
        let _ = writeln!(out, "<h2>{}</h2>\n<ul>", said.html(term!("Cautions")));
        for caution in cautions {
            let _ = writeln!(out, "<li>{}</li>", said.html(caution.clone()));
        }
        out.push_str("</ul>\n");
    }
    let _ = writeln!(out, "<p class=\"small\">{}</p>", said.html(STANDING));
    for line in formula.notes.lines().filter(|line| !line.trim().is_empty()) {
        let _ = writeln!(out, "<p class=\"small\">{}</p>", escaped(line));
    }
    out.push_str("</body></html>\n");
    out
}

fn tolerance(tolerance: Tolerance) -> Sentence {
    let side = |side: Deviation| -> Sentence {
        let percent =
            |percent: Percent| phrase!("{percent} %", percent = Slot::number(percent.text()));
        let grams = side
            .mass
            .map(|mass| phrase!("{grams} g", grams = mass.grams(Mass::from_g(1))));
        match (side.percent.map(percent), grams) {
            (Some(percent), Some(grams)) => {
                phrase!("{one} or {other}", one = percent, other = grams)
            }
            (Some(one), None) | (None, Some(one)) => one,
            (None, None) => percent(Tolerance::DEFAULT_PERCENT),
        }
    };
    let (under, over) = (side(tolerance.under), side(tolerance.over));
    match under == over {
        true => phrase!("± {both}", both = under),
        false => phrase!("− {under}, + {over}", under, over),
    }
}
