//! The suppliers' papers on a substance: what is typed of them on the page, written into the maker's list. Comments and
//! all else in the file stay.

use std::io;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::config_file::{EditError, key_edit, replace};
use crate::document::{DeTable, DeValue, Reader, Value, next_line};
use crate::files;
use crate::formula::form::number;
use crate::formula::substances::{Constituent, FILE, Substance, parse};
use crate::language::{Sentence, Term, phrase, term};
use crate::text::alike::same_lot;

/// What is typed of one substance. Empty texts are as if they were not there.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Paper {
    /// Its INCI name, or the one that formulas have for it.
    pub name: String,
    /// What is in it is of this lot alone.
    pub lot: String,
    /// Percent of a product, at most.
    pub leave_on: String,
    pub rinse_off: String,
    pub source: String,
    /// One a line, each with its percent of the substance: `Linalool 38`.
    pub constituents: String,
}

impl Paper {
    /// What the list has of a substance, of each lot and of single ones.
    pub fn of(substance: &Substance) -> Vec<Paper> {
        let name = substance.inci.as_ref().or(substance.name.as_ref());
        let own = Paper {
            name: name.cloned().unwrap_or_default(),
            lot: String::new(),
            leave_on: substance.leave_on.map(|p| p.text()).unwrap_or_default(),
            rinse_off: substance.rinse_off.map(|p| p.text()).unwrap_or_default(),
            source: substance.source.clone().unwrap_or_default(),
            constituents: lines(&substance.constituents),
        };
        let lots = substance.lots.iter().map(|lot| Paper {
            lot: lot.lot.clone(),
            constituents: lines(&lot.constituents),
            ..own.clone()
        });
        [own.clone()].into_iter().chain(lots).collect()
    }

    /// Writes it into the list in `folder`, which is made where there is none.
    ///
    /// # Errors
    /// Where something typed is none, or the list does not read or cannot be written; it stays as it was then.
    pub fn write(&self, folder: &Path, is_inci: bool) -> Result<(), EditError> {
        let path = folder.join(FILE);
        let cannot = |error: io::Error| EditError::io(&path, &error);
        let is_there = path.symlink_metadata().is_ok();
        let (file, before) = match is_there {
            true => {
                let file = std::fs::canonicalize(&path).map_err(cannot)?;
                let before = files::text(&file)?;
                (file, before)
            }
            false => (path.clone(), String::new()),
        };
        let text = self.put_into(&before, &path.display().to_string(), is_inci)?;
        match is_there {
            true => replace(&file, &before, &text),
            false => {
                std::fs::create_dir_all(folder).map_err(cannot)?;
                files::create(&path, &text).map_err(cannot)
            }
        }
    }

    /// The list that reads `text`, with this in it.
    fn put_into(&self, text: &str, file: &str, is_inci: bool) -> Result<String, EditError> {
        let by_hand = || EditError::Other {
            what: phrase!("{file}: it cannot be changed there", file),
            remedy: Some(phrase!("write it in a text editor")),
        };
        let name = self.name.trim();
        if name.is_empty() {
            return Err(wrong(phrase!("say what it is of")));
        }
        let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
        let told = |text: &str| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
        let inside = constituents(&self.constituents)?;
        let own = [
            (
                "leave_on",
                share(term!("at most on the skin"), &self.leave_on)?,
            ),
            (
                "rinse_off",
                share(term!("at most rinsed off"), &self.rinse_off)?,
            ),
            ("source", told(&self.source).map(|text| quoted(&text))),
        ];
        let lot = self.lot.trim();
        if !lot.is_empty() && inside.is_none() {
            return Err(wrong(phrase!("say what is in lot {lot}", lot)));
        }
        let list = parse(text, file)?;
        let at = list.iter().position(|one| one.is(name, None));
        let mut text = text.to_owned();
        if at.is_none() {
            let gap = match text.trim_end() {
                "" => "",
                _ if text.ends_with('\n') => "\n",
                _ => "\n\n",
            };
            let key = if is_inci { "inci" } else { "name" };
            text.push_str(&format!("{gap}[[substance]]\n{key} = {}\n", quoted(name)));
        }
        let at = at.unwrap_or(list.len());
        let of_all = ("constituents", inside.clone());
        // The last first: each comes below the head.
        for (key, value) in own
            .into_iter()
            .chain(lot.is_empty().then_some(of_all))
            .rev()
        {
            let found =
                |table: &DeTable, start| key_edit(&text, start, table, key, value.as_deref());
            text = edited(&text, at, found).ok_or_else(by_hand)?;
        }
        if let Some(inside) = inside.filter(|_| !lot.is_empty()) {
            let found = |table: &DeTable, _| {
                let lots = table.get("lot").and_then(|lots| lots.get_ref().as_array());
                let mut lots = lots.into_iter().flat_map(|lots| lots.iter());
                let mine = lots.find_map(|one| {
                    let table = one.get_ref().as_table()?;
                    let named = table.get("lot")?.get_ref().as_str()?;
                    same_lot(named, lot).then(|| (table, one.span().start))
                });
                match mine {
                    Some((table, start)) => {
                        key_edit(&text, start, table, "constituents", Some(&inside))
                    }
                    None => {
                        let end = next_line(&text, end_of(table))?;
                        let name = quoted(lot);
                        let lines =
                            format!("\n[[substance.lot]]\nlot = {name}\nconstituents = {inside}\n");
                        Some(Some((end..end, lines)))
                    }
                }
            };
            text = edited(&text, at, found).ok_or_else(by_hand)?;
        }
        // What does not read so says why.
        parse(&text, "").map_err(|faults| faults.of_unwritten(called))?;
        Ok(text)
    }
}

type Edit = Option<Option<(std::ops::Range<usize>, String)>>;

/// The text with the change that `find` gives of the substance at `at`, its table and where that begins.
fn edited(text: &str, at: usize, find: impl Fn(&DeTable, usize) -> Edit) -> Option<String> {
    let (mut reader, root) = Reader::parse(text, "").ok()?;
    let all = reader.list(&root, "substance");
    let (table, place) = all.get(at)?;
    // What is new stands below its names.
    let names = ["inci", "name"].iter().filter_map(|key| table.get(*key));
    let below = names.map(|name| name.span().end).max();
    let mut text = text.to_owned();
    if let Some((place, new)) = find(table, below.unwrap_or(place.start))? {
        text.replace_range(place, &new);
    }
    Some(text)
}

/// Where the last that is in a table ends.
fn end_of(table: &DeTable) -> usize {
    let of = |value: &Value| match value.get_ref() {
        DeValue::Table(table) => end_of(table).max(value.span().end),
        DeValue::Array(all) => {
            let tables = all.iter().filter_map(|one| one.get_ref().as_table());
            tables.map(end_of).max().unwrap_or(value.span().end)
        }
        _ => value.span().end,
    };
    table.iter().map(|(_, value)| of(value)).max().unwrap_or(0)
}

fn lines(constituents: &[Constituent]) -> String {
    let line = |one: &Constituent| format!("{} {}", one.name, one.share.text());
    constituents.iter().map(line).collect::<Vec<_>>().join("\n")
}

/// A key of the list, in words.
fn called(key: &str) -> Sentence {
    match key {
        "leave_on" => phrase!("At most where it stays on the skin"),
        "rinse_off" => phrase!("At most where it is rinsed off"),
        "constituents" => phrase!("What is in it"),
        "source" => phrase!("Where that is written"),
        "lot" => phrase!("Lot"),
        "name" | "inci" => phrase!("Ingredient"),
        other => other.into(),
    }
}

fn wrong(what: Sentence) -> EditError {
    EditError::Other { what, remedy: None }
}

/// A percent as the file has it.
fn share(what: Term, typed: &str) -> Result<Option<String>, EditError> {
    let plain = number(typed).map_err(wrong)?;
    let is_plain = plain
        .bytes()
        .all(|byte| byte.is_ascii_digit() || byte == b'.');
    match (plain.is_empty(), is_plain) {
        (true, _) => Ok(None),
        (false, true) => Ok(Some(plain)),
        (false, false) => Err(wrong(phrase!(
            "{what}: \"{typed}\" is no percent",
            what,
            typed = typed.trim(),
        ))),
    }
}

/// The table of what is typed, one a line; `None` where nothing is.
fn constituents(typed: &str) -> Result<Option<String>, EditError> {
    let mut all = Vec::new();
    for line in typed.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let bare = line.trim_end_matches(['%', ' ', '\t']);
        let parted = bare.rsplit_once(|c: char| c.is_whitespace() || ":;=".contains(c));
        let name = parted.map(|(name, _)| name.trim_end_matches([' ', '\t', ':', ';', '=']));
        let of = parted.map(|(_, amount)| number(amount).map_err(wrong));
        let plain = |text: &String| {
            !text.is_empty()
                && text
                    .bytes()
                    .all(|byte| byte.is_ascii_digit() || byte == b'.')
        };
        match (
            name.filter(|name| !name.is_empty()),
            of.transpose()?.filter(plain),
        ) {
            (Some(name), Some(share)) => {
                let name = toml::Value::String(name.to_owned()).to_string();
                all.push(format!("{name} = {share}"));
            }
            _ => {
                return Err(wrong(phrase!(
                    "\"{line}\" has no percent: write each as {example}",
                    line,
                    example = "Linalool 38",
                )));
            }
        }
    }
    Ok((!all.is_empty()).then(|| format!("{{ {} }}", all.join(", "))))
}

#[cfg(test)]
mod tests {
    use super::*;

    const OWN: &str = "# mine\n[[substance]] # oil\ninci = \"Lavandula Angustifolia Oil\"\nkind = \"essential oil\"\n\
        leave_on = 1.0 # sheet of March\n\n# next\n[[substance]]\nname = \"Cedarwood oil\"\nrinse_off = 2\n";

    fn paper(name: &str) -> Paper {
        Paper {
            name: name.to_owned(),
            ..Paper::default()
        }
    }

    #[test]
    fn what_is_typed_stands_in_the_list_and_all_else_stays() {
        let typed = Paper {
            leave_on: "0,8 %".to_owned(),
            constituents: "Linalool 38\nLinalyl Acetate: 31,5 %\n\n".to_owned(),
            ..paper("lavandula angustifolia oil")
        };
        let text = typed.put_into(OWN, "", true).unwrap();
        let inside = "constituents = { \"Linalool\" = 38, \"Linalyl Acetate\" = 31.5 }\n";
        let expected = OWN
            .replace("1.0 # sheet", "0.8 # sheet")
            .replace("Oil\"\n", &format!("Oil\"\n{inside}"));
        assert_eq!(text, expected);
        let back = Paper::of(&parse(&text, "").unwrap()[0]);
        assert_eq!(back[0].constituents, "Linalool 38\nLinalyl Acetate 31.5");
        // A lot of its own comes below all that the substance has, and is changed where it stands.
        let of_lot = |inside: &str| Paper {
            lot: "LAV-2".to_owned(),
            constituents: inside.to_owned(),
            ..back[0].clone()
        };
        let with_lot = of_lot("Linalool 30").put_into(&text, "", true).unwrap();
        let lot = "leave_on = 0.8 # sheet of March\n\n[[substance.lot]]\nlot = \"LAV-2\"\nconstituents = { \"Linalool\" = 30 }\n";
        assert!(with_lot.contains(lot), "{with_lot}");
        let again = of_lot("Linalool 29").put_into(&with_lot, "", true).unwrap();
        assert_eq!(again, with_lot.replace("= 30 }", "= 29 }"));
        assert_eq!(Paper::of(&parse(&again, "").unwrap()[0]).len(), 2);
        // What is emptied is gone, and a new one comes at the end.
        let gone = paper("Cedarwood oil").put_into(OWN, "", false).unwrap();
        assert_eq!(gone, OWN.replace("rinse_off = 2\n", ""));
        let new = Paper {
            rinse_off: "3".to_owned(),
            ..paper("Sweet orange oil")
        };
        let new = new.put_into(OWN, "", false).unwrap();
        let end = "\n[[substance]]\nname = \"Sweet orange oil\"\nrinse_off = 3\n";
        assert_eq!(new, format!("{OWN}{end}"));
    }

    #[test]
    fn what_is_none_is_told_and_nothing_is_written() {
        for (typed, why) in [
            (paper(" "), "say what it is of"),
            (
                Paper {
                    leave_on: "much".to_owned(),
                    ..paper("A")
                },
                "is no percent",
            ),
            (
                Paper {
                    constituents: "Linalool".to_owned(),
                    ..paper("A")
                },
                "\"Linalool\" has no percent",
            ),
            (
                Paper {
                    lot: "B".to_owned(),
                    ..paper("A")
                },
                "say what is in lot B",
            ),
            (
                Paper {
                    constituents: "Linalool 60\nLimonene 60".to_owned(),
                    ..paper("A")
                },
                "more than 100",
            ),
        ] {
            let error = typed.put_into(OWN, "l.toml", false).unwrap_err();
            assert!(error.words().contains(why), "{error}");
        }
    }
}
