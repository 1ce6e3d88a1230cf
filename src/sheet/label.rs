//! The labels of a batch, to print and cut, and behind them what they have and what they lack.

use std::fmt::Write;

use super::page::{STYLE, begun};
use crate::chart::code::picture;
use crate::chart::svg::escaped;
use crate::label::content::{Label, STANDING, State};
use crate::label::{CA_FIGURES, Rules, height_of_figures};
use crate::language::phrase;
use crate::mass::Mass;

const OWN_STYLE: &str = include_str!("label.css");

/// A place to write by hand.
const BLANK: &str = "<span class=\"blank\"></span>";

/// Height of a figure in heights of its letters' box; a little less than that of common faces, so that what
/// is printed is rather too high.
const FIGURE: f64 = 0.68;

/// The page: a label for each jar that was filled, or one where none was. With `each_jar` each has its own net
/// weight, else that of the lightest.
///
/// # Errors
/// Where the batch's name is too long for a code.
pub fn labels(label: &Label, each_jar: bool) -> qrcode::QrResult<String> {
    // The batch's name alone: it leads nowhere.
    let code = picture(&label.batch)?;
    let mut out = begun(
        "Labels",
        "batch",
        &label.batch,
        &format!("{STYLE}{OWN_STYLE}"),
    );
    // The paper is read beside the terminal and beside the page: it names the keys of neither.
    let list = phrase!("the list of substances");
    for why in &label.declared.incomplete {
        let why = why.with("list_in_file", &list);
        let _ = writeln!(
            out,
            "<p class=\"alarm\">NOT COMPLETE: {}.</p>",
            escaped(&why)
        );
    }
    let _ = writeln!(
        out,
        "<h1>Labels of batch {}</h1>\n<div class=\"labels\">",
        escaped(&label.batch)
    );
    let lightest = label.net.map(|(mass, _)| mass);
    if label.jars.is_empty() {
        one(label, lightest, None, &code, &mut out);
    }
    for (number, net) in &label.jars {
        match each_jar {
            true => one(label, Some(*net), Some(*number), &code, &mut out),
            false => one(label, lightest, None, &code, &mut out),
        }
    }
    out.push_str("</div>\n");
    checked(label, &mut out);
    out.push_str("</body></html>\n");
    Ok(out)
}

fn one(label: &Label, net: Option<Mass>, jar: Option<usize>, code: &str, out: &mut String) {
    out.push_str("<div class=\"label\">\n");
    if !label.declared.incomplete.is_empty() {
        out.push_str("<p class=\"stop\">NOT COMPLETE: not to be used</p>\n");
    }
    let told = |text: Option<&str>| text.map_or(BLANK.to_owned(), escaped);
    let _ = writeln!(
        out,
        "<h2>{}</h2>\n<p class=\"for\">{}</p>",
        escaped(&label.product),
        told(label.labelling.function.as_deref())
    );
    let height = |net| match label.declared.rules {
        Rules::Us => None,
        Rules::Eu => Some(f64::from(height_of_figures(net))),
        Rules::Ca => Some(CA_FIGURES),
    };
    let contents = net.and_then(|net| Some((height(net), label.net_contents(net)?)));
    let _ = match contents {
        Some((Some(mm), text)) => writeln!(
            out,
            "<p class=\"net\" style=\"font-size: {:.1}mm\">{}</p>",
            mm / FIGURE,
            escaped(&text)
        ),
        Some((None, text)) => writeln!(out, "<p class=\"net\">{}</p>", escaped(&text)),
        None => writeln!(out, "<p>Net contents {BLANK}</p>"),
    };
    let _ = writeln!(
        out,
        "<p>{}</p>\n<p><b>Ingredients:</b> {}</p>",
        told(label.labelling.precautions.as_deref()),
        escaped(&label.declared.names().join(", "))
    );
    out.push_str("<div class=\"foot\"><div>\n");
    let known = &label.best_before;
    let day = known.day.as_ref().filter(|_| known.is_known());
    let opened = label.labelling.after_opening_months;
    let _ = match (day, opened) {
        (Some((day, _)), _) => writeln!(out, "<p>Best before {day}</p>"),
        (None, None) => writeln!(out, "<p>Best before {BLANK}</p>"),
        (None, Some(_)) => Ok(()),
    };
    if let Some(months) = opened {
        let _ = writeln!(out, "<p>Once opened: {months} M</p>");
    }
    let jar = jar.map_or(String::new(), |number| format!(", jar {number}"));
    let _ = writeln!(
        out,
        "<p>Batch {}{jar}</p>\n<p>{}</p>\n</div>\n{code}</div>\n</div>",
        escaped(&label.batch),
        told(label.responsible.as_deref())
    );
}

/// What the labels have and lack, on a sheet of its own.
fn checked(label: &Label, out: &mut String) {
    out.push_str("<h2 class=\"new\">What the label has and lacks</h2>\n<table><tbody>\n");
    for point in label.points() {
        let state = match point.state {
            State::There => point.state.words().to_string(),
            State::Missing | State::NotKnown => format!("<b>{}</b>", point.state.words()),
        };
        let _ = writeln!(
            out,
            "<tr><td class=\"state\">{state}<td>{}<td>{}</tr>",
            escaped(point.what.english()),
            escaped(&point.says)
        );
    }
    let _ = writeln!(
        out,
        "</tbody></table>\n<p class=\"small\">{STANDING} An empty line on a label is to be written by hand. The code \
         holds the batch's name and nothing else. Measure the height of the figures on the print.</p>"
    );
}
