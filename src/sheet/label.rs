//! The labels of a batch, to print and cut, and behind them what they have and what they lack.

use std::fmt::Write;

use jiff::civil::Date;

use super::page::{STYLE, begun};
use super::said::Said;
use crate::chart::code::picture;
use crate::chart::svg::escaped;
use crate::label::content::{Label, STANDING, State};
use crate::label::{CA_FIGURES, Rules, height_of_figures};
use crate::language::{Language, Sentence, Term, phrase, term};
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
pub fn labels(label: &Label, each_jar: bool, language: Language) -> qrcode::QrResult<String> {
    let said = Said(language);
    // The batch's name alone: it leads nowhere.
    let code = picture(&label.batch)?;
    let kinds = (term!("Labels"), term!("batch"));
    let style = format!("{STYLE}{OWN_STYLE}");
    let mut out = begun(said, kinds, &label.batch, &style);
    // The paper is read beside the terminal and beside the page: it names the keys of neither.
    let list = phrase!("the list of substances");
    for why in &label.declared.incomplete {
        let why = phrase!(
            "NOT COMPLETE: {why}.",
            why = why.with("list_in_file", &list)
        );
        let _ = writeln!(out, "<p class=\"alarm\">{}</p>", said.html(why));
    }
    let _ = writeln!(
        out,
        "<h1>{}</h1>\n<div class=\"labels\">",
        said.html(phrase!("Labels of batch {batch}", batch = &label.batch))
    );
    let lightest = label.net.map(|(mass, _)| mass);
    if label.jars.is_empty() {
        one(label, said, (lightest, None), &code, &mut out);
    }
    for (number, net) in &label.jars {
        match each_jar {
            true => one(label, said, (Some(*net), Some(*number)), &code, &mut out),
            false => one(label, said, (lightest, None), &code, &mut out),
        }
    }
    out.push_str("</div>\n");
    checked(label, said, &mut out);
    out.push_str("</body></html>\n");
    Ok(out)
}

/// The languages of a label's own words. In the EU the state where it is sold says which (Regulation (EC) No 1223/2009,
/// article 19(5)), so it is the maker's; in the US it is English (21 CFR 701.2(b)), in Canada both of its own; all three
/// from memory.
fn languages(rules: Rules, said: Said) -> Vec<Language> {
    match (rules, said.0) {
        (_, Language::Marked) | (Rules::Eu, _) => vec![said.0],
        (Rules::Us, _) => vec![Language::English],
        (Rules::Ca, _) => vec![Language::English, Language::French],
    }
}

/// The day as a label has it: in the EU day, month and year in that order (Regulation (EC) No 1223/2009, article
/// 19(1)(c), from memory).
fn day_of(label: &Label, day: Date, said: Said) -> String {
    let form = match (label.declared.rules, said.0) {
        (Rules::Us | Rules::Ca, _) => "%Y-%m-%d",
        (Rules::Eu, Language::German) => "%d.%m.%Y",
        (Rules::Eu, Language::French) => "%d/%m/%Y",
        (Rules::Eu, Language::English | Language::Marked) => "%-d %B %Y",
    };
    day.strftime(form).to_string()
}

fn one(
    label: &Label,
    said: Said,
    (net, jar): (Option<Mass>, Option<usize>),
    code: &str,
    out: &mut String,
) {
    out.push_str("<div class=\"label\">\n");
    if !label.declared.incomplete.is_empty() {
        let stop = said.html(term!("NOT COMPLETE: not to be used"));
        let _ = writeln!(out, "<p class=\"stop\">{stop}</p>");
    }
    let rules = label.declared.rules;
    let languages = languages(rules, said);
    let own = |words: Term| {
        let each = languages.iter().map(|&one| Said(one).html(words));
        each.collect::<Vec<_>>().join(" / ")
    };
    let told = |text: Option<&str>| text.map_or(BLANK.to_owned(), escaped);
    let _ = writeln!(
        out,
        "<h2>{}</h2>\n<p class=\"for\">{}</p>",
        escaped(&label.product),
        told(label.labelling.function.as_deref())
    );
    let height = |net| match rules {
        Rules::Us => None,
        Rules::Eu => Some(f64::from(height_of_figures(net))),
        Rules::Ca => Some(CA_FIGURES),
    };
    // What the law has in English keeps its point.
    let sign = |text: String| match rules {
        Rules::Us | Rules::Ca => text,
        Rules::Eu => said.number(text),
    };
    let contents = net.and_then(|net| Some((height(net), sign(label.net_contents(net)?))));
    let _ = match contents {
        Some((Some(mm), text)) => writeln!(
            out,
            "<p class=\"net\" style=\"font-size: {:.1}mm\">{}</p>",
            mm / FIGURE,
            escaped(&text)
        ),
        Some((None, text)) => writeln!(out, "<p class=\"net\">{}</p>", escaped(&text)),
        None => writeln!(out, "<p>{} {BLANK}</p>", own(term!("Net contents"))),
    };
    // In the EU it is this word in every language (article 19(1)(g), from memory).
    let ingredients = match rules {
        Rules::Eu => "Ingredients:".to_owned(),
        Rules::Us | Rules::Ca => own(term!("Ingredients:")),
    };
    let _ = writeln!(
        out,
        "<p>{}</p>\n<p><b>{ingredients}</b> {}</p>",
        told(label.labelling.precautions.as_deref()),
        escaped(&label.declared.names().join(", "))
    );
    out.push_str("<div class=\"foot\"><div>\n");
    let known = &label.best_before;
    let day = known.day.as_ref().filter(|_| known.is_known());
    let opened = label.labelling.after_opening_months;
    let before = own(match rules {
        // The words of article 19(1)(c), from memory.
        Rules::Eu => term!("Best used before the end of"),
        Rules::Us | Rules::Ca => term!("Best before:"),
    });
    let _ = match (day, opened) {
        (Some((day, _)), _) => writeln!(out, "<p>{before} {}</p>", day_of(label, *day, said)),
        (None, None) => writeln!(out, "<p>{before} {BLANK}</p>"),
        (None, Some(_)) => Ok(()),
    };
    if let Some(months) = opened {
        let _ = writeln!(out, "<p>{} {months} M</p>", own(term!("Once opened:")));
    }
    let jar = jar.map_or(String::new(), |number| {
        format!(", {} {number}", own(term!("jar")))
    });
    let _ = writeln!(
        out,
        "<p>{} {}{jar}</p>\n<p>{}</p>\n</div>\n{code}</div>\n</div>",
        own(term!("Batch:")),
        escaped(&label.batch),
        told(label.responsible.as_deref())
    );
}

/// What the labels have and lack, on a sheet of its own.
fn checked(label: &Label, said: Said, out: &mut String) {
    let title = said.html(term!("What the label has and lacks"));
    let _ = writeln!(out, "<h2 class=\"new\">{title}</h2>\n<table><tbody>");
    for point in label.points() {
        let words = said.html(point.state.words());
        let state = match point.state {
            State::There => words,
            State::Missing | State::NotKnown => format!("<b>{words}</b>"),
        };
        let _ = writeln!(
            out,
            "<tr><td class=\"state\">{state}<td>{}<td>{}</tr>",
            said.html(point.what),
            said.html(point.says)
        );
    }
    let standing = Sentence::from(STANDING).and(phrase!(
        "An empty line on a label is to be written by hand. The code holds the batch's name and nothing else. Measure the \
         height of the figures on the print."
    ));
    let standing = said.html(standing);
    let _ = writeln!(out, "</tbody></table>\n<p class=\"small\">{standing}</p>");
}
