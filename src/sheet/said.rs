//! Words and numbers of what is printed, in the language of who reads it. A page is text out, so all is put into it here.

use std::fmt::Display;

use crate::chart::svg::escaped;
use crate::formula::VesselWay;
use crate::journal::format::cell::Grams;
use crate::language::{Language, Sentence, Slot, Term, remark, term};
use crate::mass::Mass;
use crate::vocabulary::entry::{RowKind, Verdict};

/// The language of a page.
#[derive(Debug, Clone, Copy)]
pub struct Said(pub Language);

impl Said {
    /// A sentence or a word, as HTML has it.
    pub fn html(self, words: impl Into<Sentence>) -> String {
        escaped(&self.text(words))
    }

    /// The same before it is HTML.
    pub fn text(self, words: impl Into<Sentence>) -> String {
        words.into().in_language(self.0)
    }

    /// A cell of a log, as HTML has it: what bismar wrote there in this language, what a person did as it is.
    pub fn cell(self, cell: &str) -> String {
        self.html(remark::told(cell))
    }

    /// A number with its decimal sign.
    pub fn number(self, written: impl Display) -> String {
        self.0.number(&written.to_string())
    }

    /// A day of ISO 8601, also with a time behind it, as it is written where the language is spoken.
    pub fn day(self, written: impl Display) -> String {
        self.0.day(&written.to_string())
    }

    /// Grams as in the log; a dash where there are none.
    pub fn grams(self, amount: Option<Grams>) -> String {
        amount.map_or("–".to_owned(), |amount| self.number(amount))
    }

    pub fn verdict(self, verdict: Verdict) -> String {
        self.text(match verdict {
            Verdict::Inside => term!("inside"),
            Verdict::Under => term!("under"),
            Verdict::Over => term!("over"),
            Verdict::Kept => term!("kept"),
        })
    }

    /// What kind of row it is.
    pub fn kind(self, kind: RowKind) -> String {
        self.text(match kind {
            RowKind::Opened => term!("opened"),
            RowKind::ScaleCheck => term!("scale-check"),
            RowKind::Weighed => term!("weighed"),
            RowKind::TakenOut => term!("taken-out"),
            RowKind::Remedy => term!("remedy"),
            RowKind::Mixed => term!("mixed"),
            RowKind::Residue => term!("residue"),
            RowKind::Filled => term!("filled"),
            RowKind::Note => term!("note"),
            RowKind::Closed => term!("closed"),
        })
    }

    /// How it is weighed, by its word in a log or a formula.
    pub fn vessel(self, way: &str) -> String {
        const WAYS: [(VesselWay, Term); 4] = [
            (VesselWay::Beaker, term!("beaker")),
            (VesselWay::Bowl, term!("bowl")),
            (VesselWay::Difference, term!("by difference")),
            (VesselWay::Jar, term!("jar")),
        ];
        let known = WAYS.iter().find(|(one, _)| one.name() == way);
        known.map_or_else(|| way.to_owned(), |(_, term)| self.text(*term))
    }

    /// Heads of a table, with whether each is over numbers; its body is begun.
    pub fn heads(self, heads: &[(Term, bool)]) -> String {
        let mut out = String::from("<thead><tr>");
        for (head, numbers) in heads {
            out.push_str(if *numbers { "<th class=\"n\">" } else { "<th>" });
            out.push_str(&self.html(*head));
        }
        out.push_str("</tr></thead><tbody>\n");
        out
    }
}

/// Grams to the hundredth, in a slot.
pub fn hundredths(mass: Mass) -> Slot {
    mass.grams(Mass::from_mg(10)).into()
}
