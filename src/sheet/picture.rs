//! The deviation bar of one weighing and the chart of the filled jars, as inline SVG. A shape and a
//! number say what colour says.

use std::fmt::Write;

use super::said::Said;
use crate::chart::history::signed;
use crate::journal::format::row::Row;
use crate::language::{Slot, phrase, term};
use crate::mass::Mass;

const BAR: f64 = 110.0;

/// Where the net weight lies in its acceptance window. A diamond: inside; a triangle at the side where
/// it lies: outside. Empty without a window.
pub fn deviation_bar(row: &Row, said: Said) -> String {
    let (Some(target), Some(net)) = (row.target, row.net) else {
        return String::new();
    };
    let (Some(low), Some(high)) = (row.low, row.high) else {
        return String::new();
    };
    let grams = |mass: Mass| mass.to_g_f64();
    let (low_g, high_g) = (grams(low.mass()), grams(high.mass()));
    let width = (high_g - low_g).max(1e-9);
    // The window is the middle half of the bar.
    let x = |g: f64| (BAR * (0.25 + 0.5 * (g - low_g) / width)).clamp(5.0, BAR - 5.0);
    let (at, aim) = (x(grams(net.mass())), x(grams(target.mass())));
    let (shape, place) = if net.mass() < low.mass() {
        (triangle(at, -1.0), term!("below the window"))
    } else if net.mass() > high.mass() {
        (triangle(at, 1.0), term!("above the window"))
    } else {
        let points = format!("{at:.1},3 {:.1},9 {at:.1},15 {:.1},9", at + 4.5, at - 4.5);
        (polygon(&points), term!("inside the window"))
    };
    let off = signed(&net.minus(target).to_string());
    let label = said.html(phrase!(
        "{off} g, {place} {low} to {high} g",
        off = Slot::number(off.as_str()),
        place,
        low = Slot::number(low.to_string()),
        high = Slot::number(high.to_string()),
    ));
    let off = said.number(off);
    format!(
        "<svg class=\"bar\" viewBox=\"0 0 {BAR} 29\" width=\"{BAR}\" height=\"29\" role=\"img\" \
         aria-label=\"{label}\">\
         <line x1=\"0\" y1=\"9\" x2=\"{BAR}\" y2=\"9\" stroke=\"#888\"/>\
         <rect x=\"{:.1}\" y=\"2\" width=\"{:.1}\" height=\"14\" fill=\"#e8eef2\" stroke=\"#333\"/>\
         <line x1=\"{aim:.1}\" y1=\"0\" x2=\"{aim:.1}\" y2=\"18\" stroke=\"#333\" stroke-dasharray=\"2 2\"/>\
         {shape}<text x=\"{:.1}\" y=\"27\" text-anchor=\"middle\" font-size=\"9\">{off}</text></svg>",
        BAR * 0.25,
        BAR * 0.5,
        at.clamp(20.0, BAR - 20.0),
    )
}

fn triangle(at: f64, side: f64) -> String {
    let back = at - 7.0 * side;
    polygon(&format!("{back:.1},3 {at:.1},9 {back:.1},15"))
}

fn polygon(points: &str) -> String {
    format!("<polygon points=\"{points}\" fill=\"#111\" stroke=\"#fff\" stroke-width=\".6\"/>")
}

/// The net content of every jar in order, with the label's content and the lower limit where the rows
/// have them.
pub fn fill_chart(filled: &[Row], said: Said) -> String {
    let grams =
        |amount: Option<crate::journal::format::cell::Grams>| amount.map(|a| a.mass().to_g_f64());
    let nets: Vec<f64> = filled.iter().filter_map(|row| grams(row.net)).collect();
    let first = filled.first();
    let label = first.and_then(|row| grams(row.target));
    let limit = first.and_then(|row| grams(row.low));
    let all = || nets.iter().copied().chain(label).chain(limit);
    let low = all().fold(f64::INFINITY, f64::min);
    let high = all().fold(f64::NEG_INFINITY, f64::max);
    let margin = ((high - low) * 0.1).max(0.01);
    let (low, high) = (low - margin, high + margin);
    let y = |g: f64| 14.0 + 120.0 * (high - g) / (high - low);
    let step = 500.0 / nets.len().max(2) as f64;
    let mut out = format!(
        "<svg class=\"fill\" viewBox=\"0 0 680 160\" width=\"680\" height=\"160\" role=\"img\" \
         aria-label=\"{}\" font-size=\"10\">",
        said.html(term!("Net content of each jar"))
    );
    let lines = [
        (term!("label"), label, 12.0),
        (term!("lower limit"), limit, -5.0),
    ];
    // Where the two lines lie close together one is named above, the other below them.
    let close = matches!((label, limit), (Some(a), Some(b)) if (y(a) - y(b)).abs() < 12.0);
    for (name, value, aside) in lines {
        let lower = label.zip(limit).is_some_and(|(label, limit)| limit < label);
        let aside = match (close, lower) {
            (false, _) => 3.0,
            (true, false) => aside,
            // The limit lies under the label.
            (true, true) => 7.0 - aside,
        };
        if let Some(value) = value {
            let _ = write!(
                out,
                "<line x1=\"20\" y1=\"{0:.1}\" x2=\"540\" y2=\"{0:.1}\" stroke=\"#333\" stroke-dasharray=\"5 3\"/>\
                 <text x=\"546\" y=\"{1:.1}\">{2} {3} g</text>",
                y(value),
                y(value) + aside,
                said.html(name),
                said.number(format_args!("{value:.2}")),
            );
        }
    }
    for (index, net) in nets.iter().enumerate() {
        let (x, top) = (32.0 + step * index as f64, y(*net));
        let short = label.is_some_and(|label| *net < label);
        let shape = if short {
            polygon(&format!(
                "{:.1},{:.1} {:.1},{:.1} {x:.1},{:.1}",
                x - 5.0,
                top - 5.0,
                x + 5.0,
                top - 5.0,
                top + 5.0
            ))
        } else {
            format!("<circle cx=\"{x:.1}\" cy=\"{top:.1}\" r=\"4\" fill=\"#111\"/>")
        };
        let _ = write!(out, "{shape}");
        // Every number where there is room, else every fifth.
        if nets.len() <= 30 || (index + 1) % 5 == 0 {
            let _ = write!(
                out,
                "<text x=\"{x:.1}\" y=\"150\" text-anchor=\"middle\">{}</text>",
                index + 1
            );
        }
    }
    let _ = write!(
        out,
        "<text x=\"546\" y=\"150\">{}</text></svg>",
        said.html(term!("jar; triangle: under label"))
    );
    out
}
