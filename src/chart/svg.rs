//! The control chart as SVG 1.1: two panels, no script, no font or file from elsewhere. A point beyond
//! a limit is a square with its number beside it, so that it shows without colour.

use std::fmt::Write;

use super::control::{Limits, moving_ranges};

const WIDTH: f64 = 760.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 130.0;
const PANEL: f64 = 170.0;
const GAP: f64 = 46.0;
const TOP: f64 = 44.0;

/// Text as it can stand in XML 1.0: markup escaped, characters that XML does not allow replaced.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if crate::journal::format::cell::breaks(c)
                || matches!(c, '\u{FFFE}' | '\u{FFFF}') =>
            {
                out.push(' ');
            }
            c => out.push(c),
        }
    }
    out
}

/// One panel: its values with their number on the axis, and its three lines.
struct Panel<'a> {
    name: &'a str,
    top: f64,
    values: Vec<(usize, f64)>,
    lines: [(&'a str, f64); 3],
    /// On the axis from left to right.
    count: usize,
}

/// Both charts of `values` (in `unit`, in order of time).
pub fn control_chart(title: &str, unit: &str, values: &[f64], limits: &Limits) -> String {
    let height = TOP + 2.0 * PANEL + GAP + 36.0;
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" width=\"{WIDTH}\" \
         height=\"{height}\" role=\"img\" font-family=\"sans-serif\" font-size=\"12\">\n\
         <title>{0}</title>\n<rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n\
         <text x=\"{LEFT}\" y=\"20\" font-size=\"15\">{0}</text>\n",
        escaped(title)
    );
    let numbered = |values: Vec<f64>, from: usize| (from..).zip(values).collect();
    let individuals = Panel {
        name: &format!("individuals, {unit}"),
        top: TOP,
        values: numbered(values.to_vec(), 1),
        lines: [
            ("upper limit", limits.upper),
            ("mean", limits.centre),
            ("lower limit", limits.lower),
        ],
        count: values.len(),
    };
    let ranges = Panel {
        name: &format!("moving range, {unit}"),
        top: TOP + PANEL + GAP,
        values: numbered(moving_ranges(values), 2),
        lines: [
            ("upper limit", limits.range_upper),
            ("mean", limits.range_centre),
            ("lower limit", 0.0),
        ],
        count: values.len(),
    };
    individuals.draw(&mut out);
    ranges.draw(&mut out);
    let _ = writeln!(
        out,
        "<text x=\"{LEFT}\" y=\"{:.0}\">batches in order of time; square: beyond a limit</text>\n</svg>",
        height - 10.0
    );
    out
}

impl Panel<'_> {
    fn draw(&self, out: &mut String) {
        let (low, high) = self.span();
        let y = |value: f64| self.top + PANEL * (high - value) / (high - low);
        let step = (WIDTH - LEFT - RIGHT) / (self.count.max(2) - 1) as f64;
        let x = |number: usize| LEFT + step * (number - 1) as f64;
        let _ = writeln!(
            out,
            "<text x=\"{LEFT}\" y=\"{:.1}\">{}</text>",
            self.top - 8.0,
            escaped(self.name)
        );
        for (name, value) in self.lines {
            let dash = if name == "mean" {
                ""
            } else {
                " stroke-dasharray=\"6 4\""
            };
            let end = WIDTH - RIGHT;
            let _ = writeln!(
                out,
                "<line x1=\"{LEFT}\" y1=\"{0:.1}\" x2=\"{end}\" y2=\"{0:.1}\" stroke=\"#555\"{dash}/>\n\
                 <text x=\"{1}\" y=\"{2:.1}\">{name} {value:.3}</text>",
                y(value),
                end + 8.0,
                y(value) + 4.0,
            );
        }
        let points = self.values.iter();
        let points = points.map(|&(n, value)| format!("{:.1},{:.1}", x(n), y(value)));
        let points = points.collect::<Vec<_>>().join(" ");
        let _ = writeln!(
            out,
            "<polyline points=\"{points}\" fill=\"none\" stroke=\"#1b4f72\"/>"
        );
        let (upper, lower) = (self.lines[0].1, self.lines[2].1);
        for &(number, value) in &self.values {
            let (px, py) = (x(number), y(value));
            let _ = if value > upper || value < lower {
                writeln!(
                    out,
                    "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"9\" height=\"9\" fill=\"#a93226\"/>\
                     <text x=\"{:.1}\" y=\"{:.1}\">{number}</text>",
                    px - 4.5,
                    py - 4.5,
                    px + 7.0,
                    py - 6.0
                )
            } else {
                writeln!(
                    out,
                    "<circle cx=\"{px:.1}\" cy=\"{py:.1}\" r=\"3\" fill=\"#1b4f72\"/>"
                )
            };
        }
    }

    /// Lowest and highest value shown, with a margin; never the same.
    fn span(&self) -> (f64, f64) {
        let lines = self.lines.iter().map(|(_, value)| *value);
        let all = || self.values.iter().map(|(_, v)| *v).chain(lines.clone());
        let low = all().fold(f64::INFINITY, f64::min);
        let high = all().fold(f64::NEG_INFINITY, f64::max);
        let margin = ((high - low) * 0.08).max(1e-6);
        (low - margin, high + margin)
    }
}
