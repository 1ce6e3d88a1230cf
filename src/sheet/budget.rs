//! The uncertainty of the weights by the budget of each scale. A log holds U alone, so the budgets are
//! those of the configuration on the day of printing, and the sheet says so.

use std::fmt::Write;

use super::record::SheetRecord;
use crate::chart::svg::escaped;
use crate::formula::VesselWay;
use crate::journal::format::row::Row;
use crate::mass::Mass;
use crate::metrology::budget::Part;
use crate::metrology::{Budget, ScaleAbility, Weighing};

const WIDTH: f64 = 220.0;
/// A letter needs so much room.
const LETTER: f64 = 12.0;

pub fn budgets(record: &SheetRecord) -> String {
    let mut names: Vec<&str> = Vec::new();
    for row in record.log.settled().filter(|row| row.readings.is_some()) {
        if !row.scale.is_empty() && !names.contains(&row.scale.as_str()) {
            names.push(&row.scale);
        }
    }
    let mut out = String::from("<h3>What U covers</h3>\n");
    if record.scales.is_empty() {
        out.push_str(
            "<p class=\"small\">The log holds U and not what it is made of. <code>bismar sheet</code> beside the \
             configuration prints the budget of each scale here.</p>\n",
        );
        return out;
    }
    out.push_str(
        "<p class=\"small\">By the configuration on the day of printing; the log holds U alone.</p>\n",
    );
    for name in names {
        match record.scales.iter().find(|scale| scale.name == name) {
            Some(scale) => of_scale(record, scale, &mut out),
            None => {
                let _ = writeln!(
                    out,
                    "<p>The configuration does not know the scale {}.</p>",
                    escaped(name)
                );
            }
        }
    }
    out
}

fn of_scale(record: &SheetRecord, scale: &ScaleAbility, out: &mut String) {
    let _ = writeln!(out, "<p>{}</p>", escaped(&scale.covers()));
    let rows = record.log.settled();
    let rows = rows.filter(|row| row.scale == scale.name && row.readings.is_some());
    let mut surer = Vec::new();
    out.push_str(
        "<table><thead><tr><th>step<th class=\"n\">U of the row, g<th class=\"n\">U by this budget, g<th>shares of \
         the variance</tr></thead><tbody>\n",
    );
    for row in rows {
        let (Some(net), Some(tare)) = (row.net, row.tare) else {
            continue;
        };
        let budget = budget(row, scale, net.mass(), tare.mass());
        let by_budget = budget.uncertainty().expanded();
        let said = row.uncertainty.map(|u| u.mass());
        // A row may say more, for what was carried over or did not rest, and is rounded up.
        if said.is_some_and(|said| said + said.ratio(1, 100) < by_budget) {
            surer.push(row.step.to_string());
        }
        let _ = writeln!(
            out,
            "<tr><td>{}<td class=\"n\">{}<td class=\"n\">{}<td>{}</tr>",
            row.step,
            row.uncertainty.map_or("–".to_owned(), |u| u.to_string()),
            budget.uncertainty().told(),
            bar(&budget),
        );
    }
    out.push_str("</tbody></table>\n");
    if !surer.is_empty() {
        let _ = writeln!(
            out,
            "<p class=\"alarm\">Step {}: the row says less than this budget gives. The scale was configured otherwise \
             when it was weighed.</p>",
            surer.join(", ")
        );
    }
    let letters = Part::ALL.map(|part| format!("{} {}", letter(part), part.name()));
    let _ = writeln!(out, "<p class=\"small\">{}.</p>", letters.join("; "));
}

fn budget(row: &Row, scale: &ScaleAbility, net: Mass, tare: Mass) -> Budget {
    scale.budget(&Weighing {
        tare: Some(tare),
        moved: row.vessel == VesselWay::Difference.name(),
        ..Weighing::planned(net)
    })
}

const fn letter(part: Part) -> &'static str {
    match part {
        Part::Rounding => "R",
        Part::Repeatability => "S",
        Part::Linearity => "L",
        Part::Sensitivity => "G",
        Part::Eccentricity => "P",
        Part::Class => "C",
        Part::Temperature => "T",
        Part::Buoyancy => "B",
        Part::Wander => "U",
    }
}

/// One part beside the other; a letter says which, where it has room.
fn bar(budget: &Budget) -> String {
    let said = budget.parts().map(|part| {
        let share = 100.0 * budget.share(part);
        format!("{} {share:.0} %", part.part.name())
    });
    let said = said.collect::<Vec<_>>().join(", ");
    let mut out = format!(
        "<svg class=\"parts\" viewBox=\"0 0 {WIDTH} 14\" width=\"{WIDTH}\" height=\"14\" role=\"img\" \
         aria-label=\"{said}\" font-size=\"9\">"
    );
    let mut x = 0.0;
    for (index, part) in budget.parts().enumerate() {
        let width = WIDTH * budget.share(part);
        let fill = if index % 2 == 0 { "#fff" } else { "#dde5ea" };
        let _ = write!(
            out,
            "<rect x=\"{x:.1}\" y=\".5\" width=\"{width:.1}\" height=\"13\" fill=\"{fill}\" stroke=\"#333\"/>"
        );
        if width >= LETTER {
            let _ = write!(
                out,
                "<text x=\"{:.1}\" y=\"10\" text-anchor=\"middle\">{}</text>",
                x + width / 2.0,
                letter(part.part)
            );
        }
        x += width;
    }
    out.push_str("</svg>");
    out
}
