//! The uncertainty of the weights by the budget of each scale. A log holds U alone, so the budgets are
//! those of the configuration on the day of printing, and the sheet says so.

use std::fmt::Write;

use super::record::SheetRecord;
use super::said::Said;
use crate::formula::VesselWay;
use crate::journal::format::row::Row;
use crate::language::{Sentence, phrase, term};
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
    let said = record.said();
    let mut out = format!("<h3>{}</h3>\n", said.html(term!("What U covers")));
    let how: Sentence = match record.scales.is_empty() {
        true => phrase!(
            "The log holds U and not what it is made of. Printed beside the configuration, the budget of each scale stands \
             here."
        ),
        false => {
            phrase!("By the configuration on the day of printing; the log holds U alone.")
        }
    };
    let _ = writeln!(out, "<p class=\"small\">{}</p>", said.html(how));
    if record.scales.is_empty() {
        return out;
    }
    for name in names {
        match record.scales.iter().find(|scale| scale.name == name) {
            Some(scale) => of_scale(record, scale, &mut out),
            None => {
                let unknown = phrase!("The configuration does not know the scale {name}.", name);
                let _ = writeln!(out, "<p>{}</p>", said.html(unknown));
            }
        }
    }
    out
}

fn of_scale(record: &SheetRecord, scale: &ScaleAbility, out: &mut String) {
    let said = record.said();
    let _ = writeln!(out, "<p>{}</p>", said.html(scale.covers()));
    let rows = record.log.settled();
    let rows = rows.filter(|row| row.scale == scale.name && row.readings.is_some());
    let mut surer = Vec::new();
    out.push_str("<table>");
    out.push_str(&said.heads(&[
        (term!("step"), false),
        (term!("U of the row, g"), true),
        (term!("U by this budget, g"), true),
        (term!("shares of the variance"), false),
    ]));
    for row in rows {
        let (Some(net), Some(tare)) = (row.net, row.tare) else {
            continue;
        };
        let budget = budget(row, scale, net.mass(), tare.mass());
        let by_budget = budget.uncertainty().expanded();
        let told = row.uncertainty.map(|u| u.mass());
        // A row may say more, for what was carried over or did not rest, and is rounded up.
        if told.is_some_and(|told| told + told.ratio(1, 100) < by_budget) {
            surer.push(row.step.to_string());
        }
        let _ = writeln!(
            out,
            "<tr><td>{}<td class=\"n\">{}<td class=\"n\">{}<td>{}</tr>",
            row.step,
            said.grams(row.uncertainty),
            said.number(budget.uncertainty().told()),
            bar(&budget, said),
        );
    }
    out.push_str("</tbody></table>\n");
    if !surer.is_empty() {
        let steps = match surer.as_slice() {
            [step] => phrase!("Step {step}", step),
            steps => phrase!("Steps {steps}", steps = steps.join(", ")),
        };
        let surer = phrase!(
            "{steps}: the row says less than this budget gives. The scale was configured otherwise when it was \
             weighed.",
            steps,
        );
        let _ = writeln!(out, "<p class=\"alarm\">{}</p>", said.html(surer));
    }
    let letters = Part::ALL.map(|part| format!("{} {}", letter(part), said.html(part.name())));
    let _ = writeln!(out, "<p class=\"small\">{}.</p>", letters.join(", "));
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
fn bar(budget: &Budget, said: Said) -> String {
    let shares = budget.parts().map(|part| {
        let share = 100.0 * budget.share(part);
        format!("{} {share:.0} %", said.html(part.part.name()))
    });
    let shares = shares.collect::<Vec<_>>().join(", ");
    let mut out = format!(
        "<svg class=\"parts\" viewBox=\"0 0 {WIDTH} 14\" width=\"{WIDTH}\" height=\"14\" role=\"img\" \
         aria-label=\"{shares}\" font-size=\"9\">"
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
