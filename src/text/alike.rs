//! Names that are one, and names that only look like one.
//!
//! What nobody can see makes no second name: another normal form (Unicode Standard Annex 15: `é` as one
//! character or as two), another kind of space or one more of it, a character without a width. For an
//! ingredient the case of letters does not matter either. What can be told apart stays two names, however
//! alike they look (a Cyrillic `а` for a Latin one; Unicode Technical Standard 39, section 4): it is said
//! where both stand, and the maker decides.

use std::borrow::Cow;
use std::collections::{HashMap, HashSet};

use unicode_normalization::{UnicodeNormalization, is_nfc};
use unicode_security::skeleton;

/// The name as it is compared where the case of letters counts, as in the name of a lot.
pub fn visible(name: &str) -> Cow<'_, str> {
    if is_plain(name) {
        return name.into();
    }
    let plain = name.split(' ').all(|word| !word.is_empty())
        && !name.contains(|c: char| is_unseen(c) || (is_blank(c) && c != ' '));
    if plain && (name.is_ascii() || is_nfc(name)) {
        return name.into();
    }
    let seen: String = name.chars().filter(|c| !is_unseen(*c)).nfc().collect();
    let words = seen.split(is_blank).filter(|word| !word.is_empty());
    words.collect::<Vec<_>>().join(" ").into()
}

/// Whether it is as nearly every name: of characters that ASCII has and shows, with single spaces between.
fn is_plain(name: &str) -> bool {
    let mut space = true;
    for byte in name.bytes() {
        if !(byte.is_ascii_graphic() || byte == b' ' && !space) {
            return false;
        }
        space = byte == b' ';
    }
    !space
}

/// The name of an ingredient as it is compared: the case of letters does not count.
pub fn folded(name: &str) -> Cow<'_, str> {
    if is_plain(name) {
        return match name.contains(|c: char| c.is_ascii_uppercase()) {
            true => name.to_ascii_lowercase().into(),
            false => name.into(),
        };
    }
    let seen = visible(name);
    match seen.contains(|c: char| !c.is_ascii_lowercase() && c.is_alphabetic()) {
        true => seen.to_lowercase().nfc().collect::<String>().into(),
        false => seen,
    }
}

/// The name with letters of ASCII where there is a usual way to write them so (common practice, no source): `Öl` is
/// `Oel`, `crème` is `creme`. What has none stays.
pub fn in_ascii(name: &str) -> String {
    let mut plain = String::new();
    for c in name.nfc() {
        match c {
            'ä' | 'æ' => plain.push_str("ae"),
            'ö' | 'ø' | 'œ' => plain.push_str("oe"),
            'ü' => plain.push_str("ue"),
            'Ä' | 'Æ' => plain.push_str("Ae"),
            'Ö' | 'Ø' | 'Œ' => plain.push_str("Oe"),
            'Ü' => plain.push_str("Ue"),
            'ß' => plain.push_str("ss"),
            c => match std::iter::once(c).nfd().next() {
                Some(base) if base.is_ascii() => plain.push(base),
                Some(_) | None => plain.push(c),
            },
        }
    }
    plain
}

/// Whether there is nothing of the name to be seen: no two of them could be told apart.
pub fn is_invisible(name: &str) -> bool {
    name.chars().all(|c| is_unseen(c) || is_blank(c))
}

/// Whether two names of lots are one.
pub fn same_lot(a: &str, b: &str) -> bool {
    a == b || visible(a) == visible(b)
}

/// Whether two names of ingredients are one.
pub fn same_name(a: &str, b: &str) -> bool {
    if is_plain(a) && is_plain(b) {
        return a.eq_ignore_ascii_case(b);
    }
    a == b || folded(a) == folded(b)
}

/// Whether two names that are not one can be taken for one by eye.
pub fn looks_like(a: &str, b: &str) -> bool {
    // Most names differ in their first characters.
    let alike = |a: &str, b: &str| skeleton(a).eq(skeleton(b));
    let (a_seen, b_seen) = (visible(a), visible(b));
    a_seen != b_seen && (alike(&a_seen, &b_seen) || alike(&folded(a), &folded(b)))
}

/// At most `most` of the names, each once, the nearest to `wanted` first (Jaro and Winkler's measure).
pub fn nearest<'n>(
    names: impl IntoIterator<Item = &'n str>,
    wanted: &str,
    most: usize,
) -> Vec<&'n str> {
    // The measure takes the square of the length.
    let short = |name: &str| folded(name).chars().take(80).collect::<String>();
    let wanted = short(wanted);
    let mut seen = HashSet::new();
    let once = names.into_iter().filter(|name| seen.insert(folded(name)));
    let near = |name| (strsim::jaro_winkler(&short(name), &wanted), name);
    let mut known: Vec<(f64, &str)> = once.map(near).collect();
    known.sort_by(|(a, _), (b, _)| b.total_cmp(a));
    known.into_iter().take(most).map(|(_, name)| name).collect()
}

/// Names that come one after another, each with what it names: which earlier one a name can be taken for, without a
/// look at all of them.
#[derive(Debug)]
pub struct LookAlikes<'n, T> {
    /// By what is drawn, of the name and of its small letters: the names that are not one, the first of each.
    drawn: [HashMap<String, Vec<Numbered<'n, T>>>; 2],
    count: usize,
}

/// The place of a name among all, the name as it is seen, and what it names.
type Numbered<'n, T> = (usize, Cow<'n, str>, T);

impl<T> Default for LookAlikes<'_, T> {
    fn default() -> Self {
        LookAlikes {
            drawn: Default::default(),
            count: 0,
        }
    }
}

impl<'n, T: Copy> LookAlikes<'n, T> {
    /// Adds a name; gives what the first earlier one names that [`looks_like`] it.
    pub fn add(&mut self, name: &'n str, named: T) -> Option<T> {
        let seen = visible(name);
        let keys = [skeleton(&seen).collect(), skeleton(&folded(name)).collect()];
        let mut first: Option<(usize, T)> = None;
        for (drawn, key) in self.drawn.iter_mut().zip::<[String; 2]>(keys) {
            let same = drawn.entry(key).or_default();
            for (at, other, named) in same.iter() {
                if *other != seen && first.is_none_or(|(first, _)| *at < first) {
                    first = Some((*at, *named));
                }
            }
            if same.iter().all(|(_, other, _)| *other != seen) {
                same.push((self.count, seen.clone(), named));
            }
        }
        self.count += 1;
        first.map(|(_, named)| named)
    }
}

/// Whether the character is a space to the eye: the pattern of Braille without a dot is one as well.
fn is_blank(c: char) -> bool {
    c.is_whitespace() || c == '\u{2800}'
}

/// Whether the character leaves no mark on paper: those of the property `Default_Ignorable_Code_Point` that
/// text of a workshop can hold (soft hyphen, joiners, word joiner, byte order mark, variation selectors), and
/// the anchors of annotations (The Unicode Standard, 23.8).
fn is_unseen(c: char) -> bool {
    matches!(
        c,
        '\u{00AD}'
            | '\u{034F}'
            | '\u{061C}'
            | '\u{115F}'
            | '\u{1160}'
            | '\u{17B4}'
            | '\u{17B5}'
            | '\u{3164}'
            | '\u{FEFF}'
            | '\u{FFA0}'
    ) || matches!(
        c,
        '\u{180B}'..='\u{180F}' | '\u{200B}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2060}'..='\u{206F}'
        | '\u{FE00}'..='\u{FE0F}' | '\u{FFF9}'..='\u{FFFB}' | '\u{E0000}'..='\u{E0FFF}'
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One name held against each before it, as [`looks_like`] does it: the same answers.
    #[test]
    fn a_name_is_taken_for_the_first_that_looks_like_it() {
        let pieces = [
            "a", "а", "l", "1", "I", "i", "O", "0", "o", "é", "e\u{301}", " ", "\u{200B}", "S", "s",
        ];
        let mut random = fastrand::Rng::with_seed(5);
        for _ in 0..300 {
            let length = |random: &mut fastrand::Rng| random.usize(1..4);
            let mut name = || -> String {
                (0..length(&mut random))
                    .map(|_| pieces[random.usize(..pieces.len())])
                    .collect()
            };
            let names: Vec<String> = (0..40).map(|_| name()).collect();
            let mut seen = LookAlikes::default();
            for (at, name) in names.iter().enumerate() {
                let wanted = names[..at]
                    .iter()
                    .position(|earlier| looks_like(earlier, name));
                assert_eq!(seen.add(name, at), wanted, "{names:?}");
            }
        }
    }

    /// The short ways by which most names go give what the long one does.
    #[test]
    fn a_name_is_seen_without_blanks_at_its_ends_and_with_one_between() {
        for (name, seen) in [
            ("Oat flour", "Oat flour"),
            (" Oat  flour ", "Oat flour"),
            ("  ", ""),
            ("Oat\u{a0}flour", "Oat flour"),
            ("Hafer\u{ad}mehl", "Hafermehl"),
            (" Öl", "Öl"),
            ("Öl  Öl", "Öl Öl"),
            ("Öl\u{200b}", "Öl"),
            ("O\u{308}l", "Öl"),
            ("Öl\u{2003}Öl", "Öl Öl"),
        ] {
            assert_eq!(visible(name), seen, "{name:?}");
            assert_eq!(folded(name), seen.to_lowercase(), "{name:?}");
        }
    }

    /// Unicode Standard Annex 15, revision 55 (Unicode 16.0), figures 3, 4 and 5 (from memory): singletons, canonical
    /// composites and multiple combining marks; each in its normal forms.
    #[test]
    fn normal_forms_of_one_text_are_one_name() {
        for (source, nfd, nfc) in [
            ("\u{212B}", "A\u{030A}", "\u{00C5}"),
            ("\u{2126}", "\u{03A9}", "\u{03A9}"),
            ("\u{00C5}", "A\u{030A}", "\u{00C5}"),
            ("\u{00F4}", "o\u{0302}", "\u{00F4}"),
            ("\u{1E69}", "s\u{0323}\u{0307}", "\u{1E69}"),
            ("\u{1E0B}\u{0323}", "d\u{0323}\u{0307}", "\u{1E0D}\u{0307}"),
            (
                "q\u{0307}\u{0323}",
                "q\u{0323}\u{0307}",
                "q\u{0323}\u{0307}",
            ),
        ] {
            for other in [nfd, nfc] {
                assert!(same_lot(source, other), "{source:?} {other:?}");
                assert!(same_name(source, other), "{source:?} {other:?}");
                assert!(!looks_like(source, other), "one name: {source:?} {other:?}");
            }
        }
        assert!(same_name("Sel de Guérande", "Sel de Gue\u{0301}rande"));
    }

    #[test]
    fn what_nobody_sees_makes_no_second_name() {
        for other in [
            "Oat\u{00A0}flour",
            "Oat  flour",
            " Oat flour ",
            "Oat\u{2009}\u{202F}flour",
            "Oat\u{200B} flour",
            "\u{FEFF}Oat fl\u{00AD}our",
            "Oat\u{2060} flour\u{FE0F}",
            "Oat flour\u{FFF9}",
            "Oat\u{2800}flour\u{2800}",
        ] {
            assert!(same_lot("Oat flour", other), "{other:?}");
            assert!(same_name("OAT Flour", other), "{other:?}");
            assert!(!same_lot("OAT Flour", other), "{other:?}");
        }
        for unseen in ["", " ", "\u{3164}", "\u{200B}\u{FE0F}", "\u{2800} \u{FFF9}"] {
            assert!(is_invisible(unseen), "{unseen:?}");
        }
        assert!(!is_invisible("\u{3164}S-12") && !is_invisible("\u{301}"));
        for other in ["Oatflour", "Oat flours", "Oat-flour", ""] {
            assert!(
                !same_name("Oat flour", other) && !looks_like("Oat flour", other),
                "{other:?}"
            );
        }
    }

    /// Unicode Technical Standard 39, revision 30 (Unicode 16.0), section 4 (from memory): its examples, and rows of its
    /// data file confusables.txt. They look alike and are two names.
    #[test]
    fn confusable_names_are_told_and_stay_two() {
        for (one, other) in [
            // Table 1 of the standard: single script, mixed script, whole script.
            ("ljeto", "\u{01C9}eto"),
            ("paypal", "p\u{0430}yp\u{0430}l"),
            ("scope", "\u{0455}\u{0441}\u{043E}\u{0440}\u{0435}"),
            // confusables.txt: 0430, 0435, 0440, 0421, 0391, 0031, 006D.
            ("Salt", "S\u{0430}lt"),
            ("Beeswax", "B\u{0435}eswax"),
            ("Copper", "Co\u{0440}per"),
            ("C-8", "\u{0421}-8"),
            ("A-1", "\u{0391}-1"),
            ("L-1", "L-l"),
            ("farm", "farrn"),
        ] {
            assert!(
                looks_like(one, other) && looks_like(other, one),
                "{one} {other}"
            );
            assert!(
                !same_lot(one, other) && !same_name(one, other),
                "{one} {other}"
            );
        }
        for (one, other) in [("L-1", "L-2"), ("Sea salt", "Rock salt"), ("海塩", "岩塩")] {
            assert!(!looks_like(one, other), "{one} {other}");
        }
    }

    /// A short way is taken for plain text: it gives what the long one gives.
    #[test]
    fn folding_twice_is_folding_once() {
        for name in [
            "S-12",
            "Sea salt",
            "ÅNGSTRÖM",
            "a  b",
            "\u{130}x",
            "ΣΑΣ",
            "",
            " ",
            "ß ẞ",
        ] {
            assert_eq!(folded(&folded(name)), folded(name), "{name}");
            assert_eq!(visible(&visible(name)), visible(name), "{name}");
        }
    }
}
