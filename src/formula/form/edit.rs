//! The fields written into the file that they came from: values change where they stand, and comments stay.

use std::ops::Range;

use super::super::Formula;
#[cfg(test)]
use super::PhaseFields;
use super::write::Entries;
use super::{Fields, IngredientFields};
use crate::document::{DeTable, DeValue, Reader, Value, next_line};

/// What a head of the file begins, up to the next head.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Owner {
    /// The lines above the first head, and `[formula]`.
    Head,
    Phase(usize),
    Ingredient(usize),
    /// What is no field: the label, substances.
    Other,
}

/// What changes within the text.
type Edits = Vec<(Range<usize>, String)>;

/// The text of a formula's file with these fields, which are tidied and right; `None` where the file is written in a way
/// that cannot be changed part by part. With fields that say what it says it is the same to the byte.
pub fn edited(text: &str, fields: &Fields) -> Option<String> {
    let old = Fields::read(text, "").ok()?;
    if old == *fields {
        return Some(text.to_owned());
    }
    let (mark, bare) = match text.strip_prefix('\u{feff}') {
        Some(bare) => ("\u{feff}", bare),
        None => ("", text),
    };
    let new = format!("{mark}{}", changed(bare, &old, fields)?);
    // As it is meant to be, with all that is no field as it was.
    let (was, is) = (
        Formula::parse(text, "").ok()?,
        Formula::parse(&new, "").ok()?,
    );
    let read = Fields::read(&new, "").ok()?;
    let same = read.of_no_file() == fields.clone().of_no_file()
        && was.labelling == is.labelling
        && was.substances.len() == is.substances.len();
    same.then_some(new)
}

/// What the file holds besides the fields, as it stands there.
pub(super) fn others(text: &str) -> Option<String> {
    let bare = text.strip_prefix('\u{feff}').unwrap_or(text);
    let blocks = Blocks::of(bare)?;
    let others = blocks
        .list
        .iter()
        .filter(|(owner, _)| *owner == Owner::Other);
    let parts: Option<Vec<&str>> = others.map(|(_, lines)| bare.get(lines.clone())).collect();
    Some(parts?.concat())
}

impl Fields {
    /// As [`Fields::checked`], with what the file holds besides.
    ///
    /// # Errors
    /// Each fault at its field.
    pub fn checked_in(&self, file: Option<&str>) -> Result<Formula, Vec<super::Fault>> {
        let tail = file.and_then(others).unwrap_or_default();
        self.checked(&tail)
    }
}

impl Fields {
    /// As the text of a new file, with what the file of this text holds besides.
    pub fn to_toml_like(&self, file: Option<&str>) -> String {
        let tail = file.and_then(others).unwrap_or_default();
        let gap = if tail.is_empty() { "" } else { "\n" };
        format!("{}{gap}{tail}", self.to_toml())
    }
}

/// The lines of a file by what they tell.
struct Blocks {
    list: Vec<(Owner, Range<usize>)>,
}

impl Blocks {
    /// `None` where the file does not begin each of its tables by a head of its own.
    fn of(text: &str) -> Option<Blocks> {
        let (mut reader, root) = Reader::parse(text, "").ok()?;
        let mut heads: Vec<(usize, Owner)> = Vec::new();
        let line = |at: usize| {
            let start = text.get(..at)?.rfind('\n').map_or(0, |end| end + 1);
            let is_head = text
                .get(start..)?
                .trim_start_matches([' ', '\t'])
                .starts_with('[');
            is_head.then_some(start)
        };
        let formula = root.get("formula")?;
        heads.push((line(formula.span().start)?, Owner::Head));
        below(formula, Owner::Head, &line, &mut heads);
        let mut count = 0;
        for (i, (phase, at)) in reader
            .tables(root.get("phase")?, "")
            .into_iter()
            .enumerate()
        {
            heads.push((line(at.start)?, Owner::Phase(i)));
            for (one, at) in reader.tables(phase.get("ingredient")?, "") {
                heads.push((line(at.start)?, Owner::Ingredient(count)));
                for value in one.values() {
                    below(value, Owner::Ingredient(count), &line, &mut heads);
                }
                count += 1;
            }
        }
        for (key, value) in root.iter() {
            if !["formula", "phase"].contains(&&**key.get_ref()) {
                // A key above all heads is no table with one.
                line(key.span().start)?;
                below(value, Owner::Other, &line, &mut heads);
            }
        }
        heads.sort_by_key(|(at, _)| *at);
        heads.dedup();
        let mut list: Vec<(Owner, Range<usize>)> = Vec::new();
        let mut begin = 0;
        for (i, (_, owner)) in heads.iter().enumerate() {
            let end = match heads.get(i + 1) {
                Some((next, _)) => above(text, *next),
                None => text.len(),
            };
            match list.last_mut() {
                // A table below another goes where that goes.
                Some((before, lines)) if before == owner => lines.end = end,
                Some(_) | None => list.push((*owner, begin..end)),
            }
            begin = end;
        }
        (list.first()?.0 == Owner::Head).then_some(Blocks { list })
    }

    /// The phases and ingredients in the order of the file.
    fn order(&self) -> Vec<Owner> {
        let fields = |owner: &Owner| matches!(owner, Owner::Phase(_) | Owner::Ingredient(_));
        self.list
            .iter()
            .map(|(owner, _)| *owner)
            .filter(fields)
            .collect()
    }
}

/// Every head at or below a value.
fn below(
    value: &Value,
    owner: Owner,
    line: &impl Fn(usize) -> Option<usize>,
    heads: &mut Vec<(usize, Owner)>,
) {
    match value.get_ref() {
        DeValue::Table(table) => {
            if let Some(at) = line(value.span().start) {
                heads.push((at, owner));
            }
            for value in table.values() {
                below(value, owner, line, heads);
            }
        }
        DeValue::Array(array) => {
            for item in array.iter() {
                below(item, owner, line, heads);
            }
        }
        DeValue::String(_)
        | DeValue::Integer(_)
        | DeValue::Float(_)
        | DeValue::Boolean(_)
        | DeValue::Datetime(_) => {}
    }
}

/// Where the comment begins that stands right above the line at `at`.
fn above(text: &str, at: usize) -> usize {
    let mut begin = at;
    while let Some(before) = text.get(..begin.saturating_sub(1)) {
        let start = before.rfind('\n').map_or(0, |end| end + 1);
        let is_comment = text
            .get(start..begin)
            .is_some_and(|line| line.trim_start().starts_with('#'));
        if begin == 0 || !is_comment {
            break;
        }
        begin = start;
    }
    begin
}

fn changed(text: &str, old: &Fields, new: &Fields) -> Option<String> {
    let (mut reader, root) = Reader::parse(text, "").ok()?;
    let blocks = Blocks::of(text)?;
    let mut edits = Edits::new();
    let head = root.get("formula")?;
    let table = head.get_ref().as_table()?;
    let at = head.span().start;
    change(text, table, at, &old.head(), &new.head(), &mut edits)?;
    let phases: Vec<_> = reader.tables(root.get("phase")?, "");
    let mut ingredients = Vec::new();
    for (phase, _) in &phases {
        ingredients.extend(reader.tables(phase.get("ingredient")?, ""));
    }
    let old_ones: Vec<&IngredientFields> = old.ingredients().collect();
    let mut order = Vec::new();
    for phase in &new.phases {
        if let Some(i) = phase.from {
            let ((table, at), was) = (phases.get(i)?, old.phases.get(i)?);
            let (was, is) = (was.entries(), phase.entries());
            change(text, table, at.start, &was, &is, &mut edits)?;
            order.push(Owner::Phase(i));
        } else {
            order.push(Owner::Other);
        }
        for one in &phase.ingredients {
            if let Some(i) = one.from {
                let ((table, at), was) = (ingredients.get(i)?, old_ones.get(i)?);
                let was = was.entries(old.in_parts);
                let is = one.entries(new.in_parts);
                change(text, table, at.start, &was, &is, &mut edits)?;
                order.push(Owner::Ingredient(i));
            } else {
                order.push(Owner::Other);
            }
        }
    }
    edits.sort_by_key(|(place, _)| (place.start, place.end));
    let newline = if text.contains("\r\n") { "\r\n" } else { "\n" };
    let block = |lines: &Range<usize>| applied(text, lines, &edits, newline);
    if order == blocks.order() {
        let parts: Option<Vec<String>> = blocks.list.iter().map(|(_, l)| block(l)).collect();
        return Some(parts?.concat());
    }
    // What came in goes where the form has it; what is no field comes last.
    let of = |owner: Owner| {
        let lines = blocks.list.iter().filter(move |(one, _)| *one == owner);
        lines
            .map(|(_, lines)| block(lines))
            .collect::<Option<Vec<_>>>()
    };
    let mut out = String::new();
    let mut add = |part: &str| {
        if out.is_empty() || part.is_empty() {
            out.push_str(part);
            return;
        }
        out.truncate(out.trim_end_matches(['\n', '\r']).len());
        out.push_str(newline);
        out.push_str(newline);
        out.push_str(part.trim_start_matches(['\n', '\r']));
    };
    of(Owner::Head)?.iter().for_each(|part| add(part));
    for phase in &new.phases {
        match phase.from {
            Some(i) => of(Owner::Phase(i))?.iter().for_each(|part| add(part)),
            None => add(&fresh("[[phase]]", &phase.entries(), newline)),
        }
        for one in &phase.ingredients {
            let entries = one.entries(new.in_parts);
            match one.from {
                Some(i) => of(Owner::Ingredient(i))?.iter().for_each(|part| add(part)),
                None => add(&fresh("[[phase.ingredient]]", &entries, newline)),
            }
        }
    }
    of(Owner::Other)?.iter().for_each(|part| add(part));
    let end = out.trim_end_matches(['\n', '\r']).len();
    out.truncate(end);
    out.push_str(newline);
    Some(out)
}

fn fresh(head: &str, entries: &Entries, newline: &str) -> String {
    let mut out = format!("{head}\n");
    for (key, value) in entries {
        out.push_str(&format!("{key} = {value}\n"));
    }
    out.replace('\n', newline)
}

/// The lines with what changes in them.
fn applied(text: &str, lines: &Range<usize>, edits: &Edits, newline: &str) -> Option<String> {
    let mut out = String::new();
    let mut at = lines.start;
    // What is put in at the end of a block belongs to it, at its beginning to the one before.
    let inside = |place: &Range<usize>| place.start > lines.start && place.end <= lines.end;
    for (place, value) in edits.iter().filter(|(place, _)| inside(place)) {
        out.push_str(text.get(at..place.start)?);
        out.push_str(&value.replace("\r\n", "\n").replace('\n', newline));
        at = place.end;
    }
    out.push_str(text.get(at..lines.end)?);
    Some(out)
}

const SHARE: [&str; 3] = ["percent", "parts", "balance"];

/// The changes of one table that begins at `at`: only keys whose value is another one are touched.
fn change(
    text: &str,
    table: &DeTable,
    at: usize,
    was: &Entries,
    is: &Entries,
    edits: &mut Edits,
) -> Option<()> {
    let value_of = |entries: &Entries, key: &str| {
        let found = entries.iter().find(|(name, _)| *name == key);
        found.map(|(_, value)| value.clone())
    };
    let share_of = |entries: &Entries| {
        let found = entries.iter().find(|(name, _)| SHARE.contains(name));
        found.map(|(key, _)| *key)
    };
    // A share that is told in another way takes the place of the one before.
    let swapped = match (share_of(was), share_of(is)) {
        (Some(old), Some(new)) if old != new => Some((old, new)),
        (_, _) => None,
    };
    if let Some((old, new)) = swapped {
        let (key, value) = table.get_key_value(old)?;
        let entry = format!("{new} = {}", value_of(is, new)?);
        edits.push((key.span().start..value.span().end, entry));
    }
    let swaps = |key: &str| swapped.is_some() && SHARE.contains(&key);
    for (key, _) in was {
        if value_of(is, key).is_none() && !swaps(key) {
            let (name, value) = table.get_key_value(*key)?;
            let start = text.get(..name.span().start)?.rfind('\n')? + 1;
            let between = text.get(start..name.span().start)?;
            if !between.trim().is_empty() {
                return None;
            }
            edits.push((start..next_line(text, value.span().end)?, String::new()));
        }
    }
    for (i, (key, value)) in is.iter().enumerate() {
        if value_of(was, key).as_ref() == Some(value) || swaps(key) {
            continue;
        }
        if let Some(old) = table.get(*key) {
            // A table with a head of its own is not changed part by part.
            if text.get(old.span())?.starts_with('[') {
                return None;
            }
            edits.push((old.span(), value.clone()));
            continue;
        }
        let stays = |(name, _): &&(&'static str, String)| table.contains_key(*name) || swaps(name);
        let before = is.get(..i)?.iter().rev().find(stays).map(|(name, _)| *name);
        let before = match (before, swapped) {
            (Some(name), Some((old, new))) if name == new => table.get(old),
            (Some(name), _) => table.get(name),
            (None, _) => None,
        };
        let end = match before {
            Some(value) => next_line(text, value.span().end)?,
            None => next_line(text, at)?,
        };
        let gap = match text.get(..end)?.ends_with('\n') {
            true => "",
            false => "\n",
        };
        edits.push((end..end, format!("{gap}{key} = {value}\n")));
    }
    Some(())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::formula::{Formula, Ingredient, Place, examples};

    const OWN: &str = "# top\n\n# of the soak\n[formula] # head\nname = \"Soak\" # mine\nversion = 3\n\n\
        # first\n[[phase]]\nname = \"Dry\"\n\n# salt of the sea\n[[phase.ingredient]]\nname = \"Salt\"\n\
        # by hand\npercent = 60.50 # less in winter\ntolerance = { percent = 1.0 } # tight\n\n\
        [[phase.ingredient]]\nname = 'Oil'\nbalance = true\n\n# papers\n[[substance]]\nname = \"Oil\"\n\
        leave_on = 50\n\n[label]\nfunction = \"soak\"\n";

    #[track_caller]
    fn change(text: &str, how: impl Fn(&mut Fields)) -> String {
        let mut fields = Fields::read(text, "").unwrap();
        how(&mut fields);
        let fields = fields.tidied();
        let new = edited(text, &fields).expect("it is changed");
        assert_eq!(
            Fields::read(&new, "").unwrap().of_no_file(),
            fields.of_no_file()
        );
        new
    }

    #[test]
    fn every_example_opened_and_saved_is_the_same_to_the_byte_and_may_be_written_anew() {
        for text in examples::ALL.map(|(_, text)| text) {
            for text in [
                text.to_owned(),
                format!("\u{feff}{text}"),
                text.replace('\n', "\r\n"),
            ] {
                assert_eq!(change(&text, |_| {}), text);
                let fields = Fields::read(&text, "").unwrap();
                let anew = Fields::read(&fields.to_toml(), "").unwrap();
                assert_eq!(anew.of_no_file(), fields.clone().of_no_file());
                // A change and back.
                let new = change(&text, |fields| fields.version = "99".to_owned());
                assert_eq!(
                    new.replacen("\"99\"", "", 1).lines().count(),
                    text.lines().count()
                );
            }
        }
    }

    /// Everything that a field can say.
    const ALL: &str = "[formula]\nname = \"Soak\"\nversion = \"3\"\nnotes = \"Two\\nlines.\"\nuse = \"USE\"\n\
        [[phase]]\nname = \"Dry\"\nmix = \"Stir\\nwell\"\n\
        [[phase.ingredient]]\nname = \"Salt\"\ninci = \"Maris Sal\"\nSHARE = 60.5\nlot_required = true\n\
        tolerance = { percent = 2, under = { g = 0.5 }, over = { percent = 3, g = 0.25 } }\n\
        [[phase.ingredient]]\nname = \"Oil\"\nSHARE = 0.5\nvessel = \"bowl\"\ncaution = \"Say \\\"slow\\\".\"\n\
        limits = { min = 0.125, max = 39.25 }\n\
        [[phase]]\n\
        [[phase.ingredient]]\nname = \"Scent\"\nSHARE = 1.25\nvessel = \"difference\"\nlimits = { max = 2.5 }\n\
        [[phase.ingredient]]\nname = \"Blend\"\nSHARE = 37.75\npremix = \"Batch\"\nlot_required = true\n";

    #[test]
    fn what_is_read_and_written_anew_is_the_same_formula() {
        let told = |text: &str| {
            let formula = Formula::parse(text, "").unwrap_or_else(|e| panic!("{e}\n{text}"));
            let ingredients = formula.ingredients().map(|one| Ingredient {
                place: Place::default(),
                ..one.clone()
            });
            let ingredients: Vec<Ingredient> = ingredients.collect();
            let phases = formula
                .phases
                .iter()
                .map(|p| (p.name.clone(), p.mix.clone()));
            let head = (
                formula.name,
                formula.version,
                formula.notes,
                formula.intended,
            );
            (head, phases.collect::<Vec<_>>(), ingredients)
        };
        let mut texts: Vec<String> = examples::ALL.map(|(_, text)| text.to_owned()).into();
        for intended in ["leave-on", "rinse-off", "premix"] {
            let text = ALL.replace("USE", intended);
            texts.push(text.replace("SHARE", "percent"));
            texts.push(text.replace("SHARE", "parts").replace("limits", "# limits"));
        }
        for text in texts {
            let anew = Fields::read(&text, "").unwrap().to_toml();
            assert_eq!(told(&anew), told(&text), "{anew}");
        }
    }

    #[test]
    fn a_new_file_holds_the_fields_and_what_the_old_one_holds_besides() {
        let fields = Fields::read(OWN, "").unwrap();
        assert_eq!(fields.to_toml_like(None), fields.to_toml());
        let like = fields.to_toml_like(Some(OWN));
        assert!(like.starts_with(&fields.to_toml()), "{like}");
        assert!(
            like.contains("\n\n# papers\n[[substance]]\nname = \"Oil\""),
            "{like}"
        );
        assert!(like.ends_with("[label]\nfunction = \"soak\"\n"), "{like}");
        assert_eq!(
            Fields::read(&like, "").unwrap().of_no_file(),
            fields.of_no_file()
        );
    }

    /// A version is a name for what is in it: the same with another version is nothing new.
    #[test]
    fn two_versions_of_the_same_say_the_same() {
        let fields = Fields::read(OWN, "").unwrap();
        let changed = |how: fn(&mut Fields)| {
            let mut other = fields.clone().of_no_file();
            how(&mut other);
            fields.says_what(&other)
        };
        assert!(changed(|_| {}));
        assert!(changed(|other| other.version = "4".to_owned()));
        assert!(!changed(|other| other.name = "Salt soak".to_owned()));
        assert!(!changed(
            |other| other.phases[0].ingredients[0].amount = "61".to_owned()
        ));
    }

    #[test]
    fn values_change_where_they_stand_and_comments_stay() {
        let new = change(OWN, |fields| {
            fields.phases[0].ingredients[0].amount = "61,5 %".to_owned();
            fields.phases[0].ingredients[0].under = super::super::Amounts::default();
            fields.phases[0].ingredients[0].over = super::super::Amounts::default();
            fields.phases[0].ingredients[1].caution = "Say \"slow\".".to_owned();
            fields.phases[0].mix = "Stir".to_owned();
            fields.version = "4".to_owned();
        });
        let expected = OWN
            .replace("60.50 #", "61.5 #")
            .replace("tolerance = { percent = 1.0 } # tight\n", "")
            .replace("version = 3", "version = \"4\"")
            .replace("name = \"Dry\"\n", "name = \"Dry\"\nmix = \"Stir\"\n")
            .replace(
                "balance = true\n",
                "balance = true\ncaution = \"Say \\\"slow\\\".\"\n",
            );
        assert_eq!(new, expected);
        let swapped = change(OWN, |fields| {
            let [salt, oil] = &mut fields.phases[0].ingredients[..] else {
                panic!("two");
            };
            (salt.balance, oil.balance) = (true, false);
            oil.amount = "39.5".to_owned();
            oil.inci = "Oleum".to_owned();
        });
        let expected = OWN
            .replace("percent = 60.50 #", "balance = true #")
            .replace(
                "'Oil'\nbalance = true\n",
                "'Oil'\ninci = \"Oleum\"\npercent = 39.5\n",
            );
        assert_eq!(swapped, expected);
    }

    #[test]
    fn what_is_put_elsewhere_takes_its_comments_along_and_what_goes_takes_nothing_else() {
        let new = change(OWN, |fields| {
            fields.phases[0].ingredients.swap(0, 1);
            fields.phases.push(PhaseFields {
                name: "Scent".to_owned(),
                ingredients: vec![IngredientFields {
                    name: "Orange".to_owned(),
                    amount: "1".to_owned(),
                    ..IngredientFields::default()
                }],
                ..PhaseFields::default()
            });
        });
        let salt = "# salt of the sea\n[[phase.ingredient]]\nname = \"Salt\"\n# by hand\npercent = 60.50 # less in \
                    winter\ntolerance = { percent = 1.0 } # tight\n\n";
        let scent = "[[phase]]\nname = \"Scent\"\n\n[[phase.ingredient]]\nname = \"Orange\"\npercent = 1\n\n";
        let end = "# papers\n";
        let expected = OWN
            .replace(salt, "")
            .replace(end, &format!("{salt}{scent}{end}"));
        assert_eq!(new, expected);
        let less = change(&new, |fields| {
            fields.phases.pop();
            fields.phases[0].ingredients.pop();
        });
        assert_eq!(less, expected.replace(salt, "").replace(scent, ""));
    }

    proptest! {
        /// Whatever is put elsewhere, in between or away: the file can be changed, says what the form says (`edited` looks
        /// at that itself), and each remark above what stays is there once.
        #[test]
        fn any_order_can_be_written(which in 0..examples::ALL.len(), moves in prop::collection::vec((0usize..4, 0usize..9, 0usize..9), 0..6)) {
            let text = examples::ALL[which].1;
            let mut count = 0;
            let text: String = text
                .split_inclusive('\n')
                .map(|line| match line.starts_with("[[phase") {
                    true => {
                        count += 1;
                        format!("# remark {count}.\n{line}")
                    }
                    false => line.to_owned(),
                })
                .collect();
            let mut fields = Fields::read(&text, "").unwrap();
            for (what, a, b) in moves {
                let (phases, a) = (fields.phases.len(), a % fields.phases.len());
                match what {
                    0 => fields.phases.swap(a, b % phases),
                    1 => {
                        let ones = &mut fields.phases[a].ingredients;
                        let (i, j) = (b % ones.len(), (b + 1) % ones.len());
                        ones.swap(i, j);
                    }
                    2 => {
                        let at = b % fields.phases.len();
                        if fields.phases[a].ingredients.len() > 1 && a != at {
                            let one = fields.phases[a].ingredients.remove(0);
                            fields.phases[at].ingredients.push(one);
                        }
                    }
                    _ => fields.phases[a].mix = format!("Stir \"{b}\" times \\ and\twait"),
                }
            }
            let fields = fields.tidied();
            let right = fields.checked_in(Some(&text)).is_ok();
            if let Some(new) = edited(&text, &fields) {
                for number in 1..=count {
                    let remark = format!("# remark {number}.\n");
                    prop_assert_eq!(new.matches(&remark).count(), 1, "{}", new);
                }
            } else {
                prop_assert!(!right, "{:?}", fields);
            }
        }
    }

    #[test]
    fn what_cannot_be_changed_part_by_part_is_left_alone() {
        let inline =
            "[formula]\nname = \"A\"\n[[phase]]\ningredient = [{ name = \"B\", percent = 100 }]\n";
        let dotted =
            "formula.name = \"A\"\n[[phase]]\n[[phase.ingredient]]\nname = \"B\"\npercent = 100\n";
        for text in [inline, dotted] {
            let mut fields = Fields::read(text, "").unwrap();
            assert_eq!(edited(text, &fields).as_deref(), Some(text));
            fields.phases[0].ingredients[0].name = "C".to_owned();
            assert_eq!(edited(text, &fields), None, "{text}");
        }
        // What the label and the list say is read with the fields.
        assert!(others(OWN).unwrap().starts_with("# papers\n[[substance]]"));
    }
}
