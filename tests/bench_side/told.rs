//! What the engine says and writes, in a line that a person can read.

use std::fmt::Write as _;

use bismar::mass::Mass;
use bismar::vocabulary::cue::Cue;
use bismar::vocabulary::entry::Draft;

fn grams(mass: Option<Mass>) -> String {
    mass.map_or("-".to_owned(), |mass| {
        let text = format!("{:.5}", mass.to_g_f64());
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    })
}

/// A cue with the answers that it offers.
pub fn cue(cue: &Cue) -> String {
    let mut text = format!("{}: {}", cue.kind.name(), cue.say);
    for choice in &cue.choices {
        write!(text, " /{}", choice.name()).unwrap();
    }
    if cue.urgent {
        text.push_str(" !");
    }
    text
}

/// A row with what a row of its kind has.
pub fn row(draft: &Draft) -> String {
    let mut text = format!("row {} {}", draft.kind.name(), draft.step);
    for (name, mass) in [
        ("tare", draft.tare),
        ("gross", draft.gross),
        ("net", draft.net),
        ("U", draft.uncertainty),
    ] {
        if mass.is_some() {
            write!(text, " {name} {}", grams(mass)).unwrap();
        }
    }
    if let Some(verdict) = draft.verdict {
        write!(text, " {}", verdict.name()).unwrap();
    }
    if !draft.note.is_empty() {
        write!(text, " ({})", draft.note).unwrap();
    }
    text
}
