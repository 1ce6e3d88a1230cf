//! The control chart as SVG 1.1: two panels, no script, no font or file from elsewhere. A point beyond
//! a limit is a square with its number beside it, so that it shows without colour. It is drawn for the width that it is
//! shown in, and follows a dark screen.

use std::fmt::Write;

use super::control::{Limits, moving_ranges};
use crate::language::{Language, Sentence, Term, phrase, term};
use crate::text::columns::fold;

/// The width of a chart in a file, CSS pixels.
pub const WIDTH: u32 = 760;
/// The narrowest and the widest chart that is drawn.
const NARROWEST: u32 = 280;
const WIDEST: u32 = 1600;
/// Below this width the names of the lines stand above them, and no margin beside.
const NARROW: f64 = 560.0;

const PANEL: f64 = 170.0;
const GAP: f64 = 46.0;
const TOP: f64 = 44.0;
/// Letters in CSS pixels: drawn as wide as it is shown, no letter is smaller. 12 is common practice, no source.
const LETTERS: f64 = 13.0;
const TITLE: f64 = 15.0;
/// The widest that a letter of a common face is on the average, in its height (common practice, no source).
const LETTER: f64 = 0.6;

/// Colours for a light and a dark ground, taken by what the reader's screen prefers (Media Queries Level 5, 12.5). Contrast
/// by WCAG 2.2: letters 7:1 (1.4.6), lines and points 3:1 (1.4.11).
const STYLE: &str = "<style>\n\
    .ground { fill: #ffffff }\n\
    text { fill: #10211f }\n\
    .on-lines { stroke: #ffffff; stroke-width: 3px; paint-order: stroke }\n\
    .line { stroke: #5d6b6c }\n\
    .in { fill: #17528f }\n\
    .run { stroke: #17528f; fill: none }\n\
    .out { fill: #8c2f00 }\n\
    @media (prefers-color-scheme: dark) {\n\
    .ground { fill: #0e1413 }\n\
    text { fill: #f4f2e8 }\n\
    .on-lines { stroke: #0e1413 }\n\
    .line { stroke: #8c9a98 }\n\
    .in { fill: #8cc0fa }\n\
    .run { stroke: #8cc0fa }\n\
    .out { fill: #ffb37d }\n\
    }\n</style>\n";

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
    sides: Sides,
    language: Language,
}

/// Where the panels end, from the left.
#[derive(Clone, Copy)]
struct Sides {
    left: f64,
    right: f64,
    width: f64,
}

impl Sides {
    fn of(width: f64) -> Sides {
        match width < NARROW {
            true => Sides {
                left: 14.0,
                right: width - 26.0,
                width,
            },
            false => Sides {
                left: 64.0,
                right: width - 142.0,
                width,
            },
        }
    }

    const fn is_narrow(self) -> bool {
        self.width < NARROW
    }

    /// The text in lines that are no wider than the picture.
    fn folded(self, text: &str, size: f64) -> Vec<String> {
        let columns = ((self.width - self.left - 4.0) / (size * LETTER)) as usize;
        fold(text, columns.max(8))
    }

    fn write(self, text: &str, size: f64, y: &mut f64, out: &mut String) {
        for line in self.folded(text, size) {
            let _ = writeln!(
                out,
                "<text x=\"{}\" y=\"{y:.0}\" font-size=\"{size}\">{}</text>",
                self.left,
                escaped(&line)
            );
            *y += size * 1.3;
        }
    }
}

/// Both charts of `values` (in `unit`, in order of time), `width` CSS pixels wide or the nearest that is drawn. To be shown
/// as wide as it is drawn: letters then have their size.
pub fn control_chart(
    title: &Sentence,
    unit: Term,
    values: &[f64],
    limits: &Limits,
    width: u32,
    language: Language,
) -> String {
    let title = &title.in_language(language);
    let text = |term: Term| language.word(term);
    let [upper, mean, lower] =
        [term!("upper limit"), term!("mean"), term!("lower limit")].map(text);
    let sides = Sides::of(f64::from(width.clamp(NARROWEST, WIDEST)));
    let mut inside = String::new();
    let mut y = 20.0;
    sides.write(title, TITLE, &mut y, &mut inside);
    let top = TOP.max(y + 18.0);
    let numbered = |values: Vec<f64>, from: usize| (from..).zip(values).collect();
    let individuals = Panel {
        name: &phrase!("individuals, {unit}", unit).in_language(language),
        top,
        values: numbered(values.to_vec(), 1),
        lines: [
            (&upper, limits.upper),
            (&mean, limits.centre),
            (&lower, limits.lower),
        ],
        count: values.len(),
        sides,
        language,
    };
    let ranges = Panel {
        name: &phrase!("moving range, {unit}", unit).in_language(language),
        top: top + PANEL + GAP,
        values: numbered(moving_ranges(values), 2),
        lines: [
            (&upper, limits.range_upper),
            (&mean, limits.range_centre),
            (&lower, 0.0),
        ],
        count: values.len(),
        sides,
        language,
    };
    individuals.draw(&mut inside);
    ranges.draw(&mut inside);
    let mut y = top + 2.0 * PANEL + GAP + 26.0;
    let below = text(term!("batches in order of time; square: beyond a limit"));
    sides.write(&below, LETTERS, &mut y, &mut inside);
    let (width, height) = (sides.width, y.ceil());
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" \
         height=\"{height}\" role=\"img\" font-family=\"sans-serif\" font-size=\"{LETTERS}\">\n\
         <title>{}</title>\n{STYLE}<rect class=\"ground\" width=\"100%\" height=\"100%\"/>\n{inside}</svg>\n",
        escaped(title)
    )
}

impl Panel<'_> {
    fn draw(&self, out: &mut String) {
        let Sides { left, right, .. } = self.sides;
        let (low, high) = self.span();
        let y = |value: f64| self.top + PANEL * (high - value) / (high - low);
        let step = (right - left) / (self.count.max(2) - 1) as f64;
        let x = |number: usize| left + step * (number - 1) as f64;
        let _ = writeln!(
            out,
            "<text x=\"{left}\" y=\"{:.1}\">{}</text>",
            self.top - 8.0,
            escaped(self.name)
        );
        for (nth, (_, value)) in self.lines.into_iter().enumerate() {
            // The mean stands between its limits.
            let dash = match nth {
                1 => "",
                _ => " stroke-dasharray=\"6 4\"",
            };
            let _ = writeln!(
                out,
                "<line class=\"line\" x1=\"{left}\" y1=\"{0:.1}\" x2=\"{right}\" y2=\"{0:.1}\"{dash}/>",
                y(value),
            );
        }
        let points = self.values.iter();
        let points = points.map(|&(n, value)| format!("{:.1},{:.1}", x(n), y(value)));
        let points = points.collect::<Vec<_>>().join(" ");
        let _ = writeln!(out, "<polyline class=\"run\" points=\"{points}\"/>");
        let (upper, lower) = (self.lines[0].1, self.lines[2].1);
        let names = self.names(y);
        let mut taken: Vec<Spot> = names.iter().map(|(_, taken)| *taken).collect();
        // Points that are close are small, so that each is seen.
        let radius = (step * 0.4).clamp(1.5, 3.0);
        for &(number, value) in &self.values {
            let (px, py) = (x(number), y(value));
            if value <= upper && value >= lower {
                let _ = writeln!(
                    out,
                    "<circle class=\"in\" cx=\"{px:.1}\" cy=\"{py:.1}\" r=\"{radius:.1}\"/>"
                );
                continue;
            }
            let _ = writeln!(
                out,
                "<rect class=\"out\" x=\"{:.1}\" y=\"{:.1}\" width=\"9\" height=\"9\"/>",
                px - 4.5,
                py - 4.5,
            );
            // Above its square or below, where no other text is.
            let number = number.to_string();
            let wide = number.len() as f64 * LETTERS * LETTER;
            let free = [py - 6.0, py + 6.0 + LETTERS]
                .into_iter()
                .map(|base| Spot::of((px + 7.0).min(self.sides.width - wide - 2.0), base, wide))
                .find(|free| !taken.iter().any(|other| other.meets(*free)));
            if let Some(place) = free {
                taken.push(place);
                let _ = writeln!(
                    out,
                    "<text class=\"on-lines\" x=\"{:.1}\" y=\"{:.1}\">{number}</text>",
                    place.left, place.base,
                );
            }
        }
        // Last, so that no point lies over a name.
        for (name, Spot { left, base, wide }) in names {
            let (x, anchor) = match self.sides.is_narrow() {
                true => (left + wide, " text-anchor=\"end\""),
                false => (left, ""),
            };
            let _ = writeln!(
                out,
                "<text class=\"on-lines\" x=\"{x:.1}\" y=\"{base:.1}\"{anchor}>{name}</text>"
            );
        }
    }

    /// The names of the lines with their values: beside them, or above where there is no room beside; none over
    /// another.
    fn names(&self, y: impl Fn(f64) -> f64) -> Vec<(String, Spot)> {
        let narrow = self.sides.is_narrow();
        let mut least = f64::NEG_INFINITY;
        let name = |(name, value): (&str, f64)| {
            let text = format!("{name} {}", self.language.number(&format!("{value:.3}")));
            let wide = text.chars().count() as f64 * LETTERS * LETTER;
            let (left, base) = match narrow {
                true => (self.sides.width - wide - 4.0, y(value) - 4.0),
                false => (self.sides.right + 8.0, y(value) + 4.0),
            };
            let base = base.max(least);
            least = base + LETTERS + 4.0;
            (text, Spot::of(left, base, wide))
        };
        self.lines.into_iter().map(name).collect()
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

/// Where a text stands: its base line and how far it goes.
#[derive(Clone, Copy)]
struct Spot {
    left: f64,
    base: f64,
    wide: f64,
}

impl Spot {
    const fn of(left: f64, base: f64, wide: f64) -> Spot {
        Spot { left, base, wide }
    }

    fn meets(self, other: Spot) -> bool {
        let beside = self.left + self.wide <= other.left || other.left + other.wide <= self.left;
        !beside && (self.base - other.base).abs() < LETTERS + 3.0
    }
}
