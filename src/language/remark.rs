//! Remarks that bismar wrote into a log, for who reads them in another language: the file holds them in English.
//!
//! The messages of one context are what it can have written ([`remark!`](crate::remark)), so there is no list to keep
//! beside them. A text is put into a language whole or not at all: what a person typed stays as it was typed, and where
//! it says word for word what bismar says, it is said so too.

use std::cell::Cell;
use std::sync::OnceLock;

use super::{Language, Phrase, Sentence, Slot, Term};
use crate::remark;

/// Of its messages in the files of messages.
pub const CONTEXT: &str = "remark";

/// One behind the other, as a cell holds several.
const JOINED: &str = "{said}; {more}";
const BETWEEN: &str = "; ";
/// How often the patterns are looked through for one cell; one that bismar wrote takes a few dozen.
const MOST: usize = 400;
/// Nor is a longer one than this, bytes.
const LONGEST: usize = 8_000;

/// Two remarks in one cell.
pub fn joined(said: Sentence, more: Sentence) -> Sentence {
    match (said.is_empty(), more.is_empty()) {
        (_, true) => said,
        (true, false) => more,
        (false, false) => remark!("{said}; {more}", said, more),
    }
}

/// A cell's text, as it is told in each language. Its English is `cell`, whatever that is.
pub fn told(cell: &str) -> Sentence {
    let known = (cell.len() <= LONGEST)
        .then(|| known(cell, &Cell::new(MOST)))
        .flatten();
    let same = known.filter(|known| known == cell);
    same.unwrap_or_else(|| cell.into())
}

/// `over`: also where a name within it holds what stands between two.
fn first_of(
    text: &str,
    left: &Cell<usize>,
    of: impl Fn(&&Pattern) -> bool,
    over: bool,
) -> Option<Sentence> {
    left.set(left.get().checked_sub(1)?);
    let mut ours = patterns().iter().filter(of);
    ours.find_map(|one| one.read(text, left, over))
}

/// All of a text, where it is nothing but what bismar writes.
fn known(text: &str, left: &Cell<usize>) -> Option<Sentence> {
    // Any words may stand before " is": that alone makes no remark of bismar.
    let whole = |text, over| first_of(text, left, |one| !one.begins_anyhow(), over);
    if let Some(whole) = whole(text, false) {
        return Some(whole);
    }
    let split = text.match_indices(BETWEEN).find_map(|(at, _)| {
        let (first, rest) = text.split_at_checked(at)?;
        let first = whole(first, true)?;
        Some(joined(first, known(rest.strip_prefix(BETWEEN)?, left)?))
    });
    // A name may hold what else stands between two remarks.
    split.or_else(|| whole(text, true))
}

/// Sentences one behind the other.
fn sentences(text: &str, left: &Cell<usize>) -> Option<Sentence> {
    if text.is_empty() {
        return Some(Sentence::none());
    }
    let whole = |text| first_of(text, left, |_| true, true);
    if let Some(known) = whole(text).or_else(|| known(text, left)) {
        return Some(known);
    }
    let at = text.find(". ")?.checked_add(1)?;
    let (first, rest) = text.split_at_checked(at)?;
    let first = whole(first)?;
    Some(first.and(sentences(rest.trim_start(), left)?))
}

/// A message with its slots: `before`, and each slot with what is behind it.
struct Pattern {
    english: &'static str,
    before: &'static str,
    slots: Vec<(&'static str, &'static str)>,
}

fn patterns() -> &'static [Pattern] {
    static PATTERNS: OnceLock<Vec<Pattern>> = OnceLock::new();
    PATTERNS.get_or_init(|| {
        // Each language has the same ones.
        let all = Language::German.all();
        let ours = all.filter(|(context, english, _)| *context == CONTEXT && *english != JOINED);
        let mut patterns: Vec<Pattern> = ours.map(|(_, english, _)| Pattern::of(english)).collect();
        // What says most by itself is the better reading.
        patterns.sort_by_key(|one| std::cmp::Reverse((one.letters(), one.english)));
        patterns
    })
}

impl Pattern {
    fn of(english: &'static str) -> Pattern {
        let mut parts = english.split('{');
        let before = parts.next().unwrap_or_default();
        let slots = parts.map(|part| part.split_once('}').unwrap_or((part, "")));
        Pattern {
            english,
            before,
            slots: slots.collect(),
        }
    }

    fn begins_anyhow(&self) -> bool {
        self.before.is_empty() && self.slots.first().is_some_and(|(name, _)| *name == "name")
    }

    /// How many bytes of it stand fast.
    fn letters(&self) -> usize {
        let behind = self.slots.iter().map(|(_, behind)| behind.len());
        self.before.len() + behind.sum::<usize>()
    }

    /// The text, read by this one from its first letter to its last.
    fn read(&self, text: &str, left: &Cell<usize>, over: bool) -> Option<Sentence> {
        let mut rest = text.strip_prefix(self.before)?;
        let mut slots = Vec::with_capacity(self.slots.len());
        for (i, (name, behind)) in self.slots.iter().enumerate() {
            let last = i + 1 == self.slots.len();
            let end = match (*name, last) {
                (_, true) => rest.len().checked_sub(behind.len())?,
                ("name" | "names" | "text" | "term" | "day" | "unit" | "lot" | "said", false) => {
                    rest.find(behind)?
                }
                (_, false) => rest.find(|c: char| !is_of_a_number(c))?,
            };
            let (inside, after) = rest.split_at_checked(end)?;
            rest = after.strip_prefix(behind)?;
            let before = match i.checked_sub(1).and_then(|i| self.slots.get(i)) {
                Some((_, behind)) => behind,
                None => self.before,
            };
            // What is told behind a space is told; what may be missing brings its own comma.
            let within = !last || !behind.is_empty();
            let joins = *name != "said" && within && inside.contains(BETWEEN);
            if inside.is_empty() && before.ends_with(' ') || joins && !over {
                return None;
            }
            slots.push((*name, slot(name, inside, left)?));
        }
        let whole = rest.is_empty();
        whole.then(|| Phrase::of_a_log(self.english, slots).into())
    }
}

/// One of our words.
fn term(inside: &str) -> Option<Term> {
    // Each language has the same ones.
    let mut all = Language::German.all();
    all.find_map(|(context, english, _)| {
        (context.is_empty() && english == inside).then(|| Term::new(english))
    })
}

fn is_of_a_number(c: char) -> bool {
    c.is_ascii_digit() || matches!(c, '.' | '-')
}

fn slot(name: &str, inside: &str, left: &Cell<usize>) -> Option<Slot> {
    match name {
        "name" | "text" | "unit" | "lot" => (!inside.is_empty()).then(|| inside.into()),
        "names" => {
            let bare = inside.strip_prefix('"')?.strip_suffix('"')?;
            let (first, last) = match bare.rsplit_once("\" and \"") {
                Some((first, last)) => (first, Some(last)),
                None => (bare, None),
            };
            let names: Vec<&str> = first.split("\", \"").chain(last).collect();
            (!bare.is_empty()).then(|| Slot::Sentence(Sentence::listing_quoted(&names)))
        }
        "said" => sentences(inside, left).map(Slot::Sentence),
        "term" => term(inside).map(Slot::Term),
        "day" => (!inside.is_empty()).then(|| Slot::day(inside)),
        _ => {
            let digits = inside.strip_prefix('-').unwrap_or(inside);
            let number = digits.starts_with(|c: char| c.is_ascii_digit())
                && digits.chars().all(|c| c.is_ascii_digit() || c == '.');
            number.then(|| Slot::number(inside))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn german(cell: &str) -> String {
        told(cell).in_language(Language::German)
    }

    #[test]
    fn what_bismar_wrote_is_told_in_the_language_of_who_reads_it() {
        for (cell, german_one, french) in [
            (
                "corrects seq 12; taken back, to be weighed again",
                "berichtigt Zeile 12; zurückgenommen, wird neu gewogen",
                "corrige la ligne 12\u{a0}; retiré, à repeser",
            ),
            (
                "over-pour of 11.20 g taken back to 10.01 g",
                "zu viel, bis 11,20 g, zurückgenommen auf 10,01 g",
                "trop versé, jusqu'à 11,20 g, ramené à 10,01 g",
            ),
            (
                "corrects seq 12; the scale cannot prove this tolerance; lot of Zinc oxide: Z-1; 2",
                "berichtigt Zeile 12; die Waage kann diese Toleranz nicht nachweisen; Los von Zinc oxide: Z-1; 2",
                "",
            ),
            (
                "lot of Zinc oxide; fine: Z-1; 2",
                "Los von Zinc oxide; fine: Z-1; 2",
                "lot de Zinc oxide; fine\u{a0}: Z-1; 2",
            ),
            (
                "filling: 2 jars filled, 100.10 g, mean 50.05 g, yield 99.0 %; 1.00 g not in a jar (in the bowl, or lost)",
                "Abfüllen: 2 Tiegel gefüllt, 100,10 g, im Mittel 50,05 g, Ausbeute 99,0 %; 1,00 g nicht in einem Tiegel (in \
                 der Schüssel oder verloren)",
                "remplissage\u{a0}: 2 pots remplis, 100,10 g, moyenne 50,05 g, rendement 99,0 %\u{a0}; 1,00 g hors des pots \
                 (dans le bol, ou perdus)",
            ),
            (
                "closed as it is. Menthol is 1.2 % of the batch (1.20 g of 100.00 g), over its limit of 1 %; it comes \
                 with \"Mint\" and \"Menthol\". Salt is 3 % of the batch (3.00 g of 100.00 g), under its limit of 4 %.",
                "abgeschlossen, wie sie ist. Menthol: 1,2 % der Charge (1,20 g von 100,00 g), über seine Grenze von 1 %; \
                 es kommt mit „Mint“ und „Menthol“. Salt: 3 % der Charge (3,00 g von 100,00 g), unter seine Grenze \
                 von 4 %.",
                "",
            ),
            (
                "in proportion; 3.00 g -Shea; dry more; 1.00 g Wax more; 4.10 g Oil instead of 4.00 g",
                "im Verhältnis; 3,00 g -Shea; dry mehr; 1,00 g Wax mehr; 4,10 g Oil statt 4,00 g",
                "",
            ),
            (
                "shorter than NIST Handbook 133, allowable variation as typed tolerates in one package",
                "knapper, als NIST Handbook 133, zulässige Abweichung wie eingegeben in einer Packung duldet",
                "plus court que ce que NIST Handbook 133, écart permis tel que saisi tolère dans un emballage",
            ),
            (
                "the weight's own limit 0.003 g (OIML R 111-1:2004, Table 1, class F1) and the scale's expanded \
                 uncertainty",
                "Fehlergrenze des Gewichts 0,003 g (OIML R 111-1:2004, Tabelle 1, Klasse F1) und erweiterte \
                 Unsicherheit der Waage",
                "tolérance propre du poids 0,003 g (OIML R 111-1:2004, tableau 1, classe F1) et incertitude élargie de \
                 la balance",
            ),
            (
                "checked 2026-01-01T09:00:00.000Z, 12 days before",
                "geprüft 01.01.2026 09:00 UTC, 12 Tage davor",
                "",
            ),
            (
                "skipped: none left; more on Monday",
                "ausgelassen: none left; more on Monday",
                "étape omise\u{a0}: none left; more on Monday",
            ),
        ] {
            assert_eq!(told(cell), cell, "the English is the file's");
            assert_eq!(german(cell), german_one);
            let said = told(cell).in_language(Language::French);
            assert!(french.is_empty() || said == french, "{said}");
        }
    }

    #[test]
    fn what_a_person_typed_stays_as_it_was_typed() {
        for own in [
            "",
            "warm room",
            "shorter than the rule of my own tolerates in one package",
            "corrects seq 12; the balm was warm",
            "corrects seq twelve",
            "over-pour of a little g taken back to 1.00 g",
            "over-pour of 1.00 g taken back to 1.00 g, I think",
            "filling: {said}",
            "filling: ",
            "closed as it is. So be it.",
            "Complete",
            "complete; ",
            "; complete",
            "lot of : ",
            "{name} is {said}.",
            "Salt is wet.",
            "Salt is complete.",
        ] {
            assert_eq!(german(own), own);
        }
        // Only what is bismar's own changes, and nothing that fills a slot is one itself.
        assert_eq!(
            german("skipped: {text} {name}"),
            "ausgelassen: {text} {name}"
        );
        assert_eq!(
            german("lot of complete: complete"),
            "Los von complete: complete"
        );
    }

    #[test]
    fn a_cell_of_any_length_is_read_in_no_time() {
        for piece in [
            "; ",
            "complete; ",
            "lot of a: ",
            ". ",
            "closed as it is. ",
            "A is 1.",
            "\u{e9}; ",
        ] {
            let long = piece.repeat(60_000 / piece.len());
            assert_eq!(told(&long), long.as_str());
            let short = piece.repeat(7_000 / piece.len());
            assert_eq!(told(&short), short.as_str());
        }
    }

    proptest::proptest! {
        #[test]
        fn english_is_what_stands_in_the_file(
            pieces in proptest::collection::vec(0..patterns().len() * 2, 0..6),
            fill in proptest::collection::vec("[-.0-9]{0,4}|[a-z;:. {}\"é]{0,6}", 8),
        ) {
            let mut fill = fill.iter().cycle();
            let piece = |at: &usize| match patterns().get(*at) {
                Some(one) => (one.slots.iter()).fold(one.before.to_owned(), |text, (_, behind)| {
                    text + fill.next().map_or("", String::as_str) + behind
                }),
                None => fill.next().cloned().unwrap_or_default(),
            };
            let cell = pieces.iter().map(piece).collect::<Vec<_>>().join(BETWEEN);
            proptest::prop_assert_eq!(told(&cell), cell.as_str());
        }
    }
}
