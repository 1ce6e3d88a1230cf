//! Changing the configuration file without touching the rest of it: a scale or a vessel added, changed or taken out,
//! the page turned on.

use std::io;
use std::ops::Range;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use super::scale_setup::known;
use crate::config::{Config, DEFAULT_FILE};
use crate::document::{DeTable, Reader, next_line};
use crate::files;
use crate::language::{Sentence, phrase};
use crate::mass::Mass;
use crate::metrology::Errors;
use crate::problem::Problems;
use crate::scale::settings::ScaleSettings;

/// Why the file stays as it was.
#[derive(Debug, thiserror::Error)]
pub enum EditError {
    /// It does not read; with the place.
    #[error(transparent)]
    File(#[from] Problems),
    #[error("{what}")]
    Other {
        what: Sentence,
        remedy: Option<Sentence>,
    },
}

impl EditError {
    fn other(what: impl Into<Sentence>, remedy: impl Into<Sentence>) -> EditError {
        EditError::Other {
            what: what.into(),
            remedy: Some(remedy.into()),
        }
    }

    pub(super) fn io(place: &Path, error: &io::Error) -> EditError {
        let remedy = match error.kind() {
            io::ErrorKind::ReadOnlyFilesystem => Some(phrase!(
                "if the service is closed in, name the file's folder in closed-in.conf"
            )),
            io::ErrorKind::PermissionDenied => Some(phrase!(
                "look at the rights of the file and of its folder; it must be yours to write"
            )),
            _ => None,
        };
        EditError::Other {
            what: format!("{}: {error}", place.display()).into(),
            remedy,
        }
    }

    /// What happened and what to do, in one text.
    pub fn words(&self) -> Sentence {
        match self {
            EditError::Other {
                what,
                remedy: Some(remedy),
            } => phrase!(
                "{what}; {remedy}",
                what = what.clone(),
                remedy = remedy.clone(),
            ),
            EditError::Other { what, remedy: None } => what.clone(),
            EditError::File(problems) => problems.told(),
        }
    }
}

/// Appends `part`, the scale `name`, to the file at `place`; a missing file is made from the
/// commented default. The file is replaced as a whole, so it is the old one or the new one whatever
/// happens.
///
/// # Errors
/// When the file with the addition would not read, or cannot be written; then it stays as it was.
pub fn append(place: &Path, name: &str, part: &str) -> Result<(), EditError> {
    let once = |config: &Config| config.scales.iter().filter(|s| s.name == name).count() == 1;
    append_checked(place, "scale", part, once)
}

/// As [`append`], of the vessel `name`.
///
/// # Errors
/// As [`append`].
pub fn append_vessel(place: &Path, name: &str, part: &str) -> Result<(), EditError> {
    let once = |config: &Config| config.vessels.iter().filter(|v| v.name == name).count() == 1;
    append_checked(place, "vessel", part, once)
}

fn append_checked(
    place: &Path,
    kind: &str,
    part: &str,
    once: impl Fn(&Config) -> bool,
) -> Result<(), EditError> {
    let check = |text: &str| check(place, kind, text, &once);
    let cannot = |error: io::Error| EditError::io(place, &error);
    if !place.exists() {
        let text = with(DEFAULT_FILE, part);
        check(&text)?;
        return files::create(place, &text).map_err(cannot);
    }
    // A link (to a folder of settings kept elsewhere, say) stays a link.
    let file = std::fs::canonicalize(place).map_err(cannot)?;
    let before = files::text(&file)?;
    // A fault of the file is told at its place.
    Config::parse(&before, &place.display().to_string())?;
    let text = with(&before, part);
    check(&text)?;
    replace(&file, &before, &text)
}

/// Gives the scale at `index` of the file at `place` the values that `part`, a whole scale, has for
/// `keys`. Comments and all else stay as they are; the file is replaced as a whole.
///
/// # Errors
/// When the file cannot be changed so, or cannot be written; then it stays as it was.
pub fn update(place: &Path, index: usize, part: &str, keys: &[&str]) -> Result<(), EditError> {
    let wanted = Config::parse(part, "").ok();
    let wanted = wanted.as_ref().and_then(|config| config.scales.first());
    let wanted = wanted.ok_or_else(|| by_hand(place, part))?;
    in_place(place, index, part, keys, |scale| {
        known::take_over(scale, wanted, keys)
    })
}

/// Gives the scale at `index` of the file at `place` these values, each as it is to stand in the file; as [`update`]
/// does.
///
/// # Errors
/// As [`update`]; and what is wrong with the file as it would be then.
pub fn set(place: &Path, index: usize, values: &[(&str, String)]) -> Result<(), EditError> {
    let lines = values
        .iter()
        .map(|(key, value)| format!("{key} = {value}\n"));
    let part = format!("[[scale]]\n{}", lines.collect::<String>());
    // A key that is missing comes below the name, the last first.
    let keys: Vec<&str> = values.iter().rev().map(|(key, _)| *key).collect();
    let cannot = |error: io::Error| EditError::io(place, &error);
    let file = std::fs::canonicalize(place).map_err(cannot)?;
    let text = files::text(&file)?;
    let changed = changed(&text, index, &part, &keys).ok_or_else(|| by_hand(place, &part))?;
    let was = Config::parse(&text, &place.display().to_string())?;
    let is = Config::parse(&changed, "").map_err(|faults| faults.of_unwritten(called))?;
    let kept = |config: &Config| {
        let mut config = config.clone();
        if let Some(scale) = config.scales.get_mut(index) {
            for key in &keys {
                match *key {
                    "name" => scale.name.clear(),
                    "capacity" => scale.capacity = None,
                    "readability" => scale.readability = None,
                    _ => {}
                }
            }
        }
        config
    };
    if kept(&was) != kept(&is) {
        return Err(by_hand(place, &part));
    }
    replace(&file, &text, &changed)
}

/// What is taken out of the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Scale,
    Vessel,
}

/// Takes the scale or vessel at `index` out of the file at `place`, with the tables below it. Comments that have a
/// line of their own stay, and so does all else; the file is replaced as a whole.
///
/// # Errors
/// As [`update`].
pub fn take_out(place: &Path, kind: Kind, index: usize) -> Result<(), EditError> {
    let cannot = |error: io::Error| EditError::io(place, &error);
    let key = match kind {
        Kind::Scale => "scale",
        Kind::Vessel => "vessel",
    };
    let by_hand = || {
        let what = phrase!(
            "{file}: [[{key}]] cannot be taken out where it stands",
            file = place.display().to_string(),
            key,
        );
        EditError::other(what, phrase!("delete its [[{key}]] by hand", key))
    };
    let file = std::fs::canonicalize(place).map_err(cannot)?;
    let text = files::text(&file)?;
    let mut expected = Config::parse(&text, &place.display().to_string())?;
    let changed = without(&text, key, index).ok_or_else(by_hand)?;
    match kind {
        Kind::Scale if index < expected.scales.len() => drop(expected.scales.remove(index)),
        Kind::Vessel if index < expected.vessels.len() => drop(expected.vessels.remove(index)),
        Kind::Scale | Kind::Vessel => return Err(by_hand()),
    }
    if Config::parse(&changed, "").ok() != Some(expected) {
        return Err(by_hand());
    }
    replace(&file, &text, &changed)
}

/// The text without the table at `index` of the list `key`.
fn without(text: &str, key: &str, index: usize) -> Option<String> {
    let (mark, text) = marked(text);
    let (mut reader, root) = Reader::parse(text, "").ok()?;
    let tables = reader.tables(root.get(key)?, key);
    let table: &DeTable<'_> = tables.get(index)?.0;
    let mut gone = Vec::new();
    lines_of(text, table, &mut gone)?;
    let mut left = String::new();
    let (mut at, mut behind) = (0, false);
    for line in text.split_inclusive('\n') {
        let is_gone = gone.iter().any(|lines| lines.contains(&at));
        at += line.len();
        // Two blank lines that come together become one.
        let doubled = behind
            && line.trim().is_empty()
            && (left.is_empty() || left.ends_with("\n\n") || left.ends_with("\n\r\n"));
        behind = is_gone || doubled;
        if !is_gone && !doubled {
            left.push_str(line);
        }
    }
    Some(format!("{mark}{left}"))
}

/// The places of the lines of a table with a head of its own, and of those below it.
fn lines_of(text: &str, table: &DeTable<'_>, gone: &mut Vec<Range<usize>>) -> Option<()> {
    let begin = |at: usize| Some(text.get(..at)?.rfind('\n').map_or(0, |end| end + 1));
    let first = table.keys().map(|key| key.span().start).min()?;
    // Between its head and its first key are blank lines and comments alone.
    let mut head = begin(first)?;
    loop {
        head = begin(head.checked_sub(1)?)?;
        let line = text.get(head..)?.trim_start();
        if line.starts_with('[') {
            break;
        }
        if !line.is_empty() && !line.starts_with(['#', '\r', '\n']) {
            return None;
        }
    }
    gone.push(head..next_line(text, head)?);
    for (key, value) in table.iter() {
        let start = begin(key.span().start)?;
        match value.get_ref().as_table() {
            Some(below) if text.get(start..)?.trim_start().starts_with('[') => {
                lines_of(text, below, gone)?;
            }
            Some(_) | None => gone.push(start..next_line(text, value.span().end)?),
        }
    }
    Some(())
}

/// Gives the scale at `index` of the file at `place` the repeatability `s` of so many weighings, as
/// [`update`] does.
///
/// # Errors
/// As [`update`].
pub fn repeatability(place: &Path, index: usize, s: Mass, weighings: u32) -> Result<(), EditError> {
    let s_text = s.grams_rounded(6);
    let part = format!("[[scale]]\nrepeatability = \"{s_text} g\"\nweighings = {weighings}\n");
    in_place(
        place,
        index,
        &part,
        &["weighings", "repeatability"],
        |scale| {
            scale.repeatability = Some(s);
            scale.errors.weighings = Some(weighings);
        },
    )
}

/// Gives the scale at `index` of the file at `place` the values of `lines`, a `[scale.uncertainty]`, so that
/// its errors are `errors`; as [`update`] does.
///
/// # Errors
/// As [`update`].
pub fn uncertainty(
    place: &Path,
    index: usize,
    lines: &str,
    errors: Errors,
) -> Result<(), EditError> {
    let part = format!("[[scale]]\n{lines}");
    let (mut reader, root) = Reader::parse(&part, "")?;
    let keys = root.get("scale").and_then(|scales| {
        let scales = reader.tables(scales, "scale");
        let table = scales.first()?.0.get(UNCERTAINTY)?.get_ref().as_table()?;
        let keys = table.keys();
        Some(
            keys.map(|key| (key.span().start, key.get_ref().to_string()))
                .collect(),
        )
    });
    let mut keys: Vec<(usize, String)> = keys.ok_or_else(|| by_hand(place, lines))?;
    // In the order of the lines.
    keys.sort_unstable();
    let keys: Vec<&str> = keys.iter().map(|(_, key)| key.as_str()).collect();
    let change = |text: &str| changed_below(text, index, &part, &keys);
    rewrite(place, index, lines, change, |scale| scale.errors = errors)
}

/// Turns the page on in the file at `place`, a missing one made from the commented default; as [`append`] does.
/// Returns whether it was off.
///
/// # Errors
/// What is wrong with the file, where it does not read; else as [`append`].
pub fn turn_page_on(place: &Path) -> Result<bool, EditError> {
    let cannot = |error: io::Error| EditError::io(place, &error);
    let by_hand = || {
        let error = phrase!(
            "{file}: the page cannot be turned on there",
            file = place.display().to_string(),
        );
        EditError::other(error, phrase!("write on = true under [page] by hand"))
    };
    if !place.exists() {
        let text = with_page_on(DEFAULT_FILE).ok_or_else(by_hand)?;
        files::create(place, &text).map_err(cannot)?;
        return Ok(true);
    }
    let file = std::fs::canonicalize(place).map_err(cannot)?;
    let text = files::text(&file)?;
    let mut expected = Config::parse(&text, &place.display().to_string())?;
    if expected.page.on {
        return Ok(false);
    }
    expected.page.on = true;
    let changed = with_page_on(&text).ok_or_else(by_hand)?;
    if Config::parse(&changed, "").ok() != Some(expected) {
        return Err(by_hand());
    }
    replace(&file, &text, &changed)?;
    Ok(true)
}

fn with_page_on(text: &str) -> Option<String> {
    with_key(text, "page", "on", Some("true"))
}

/// Writes who answers for the product into the file at `place`, as [`turn_page_on`] does; an empty text takes it out.
///
/// # Errors
/// As [`turn_page_on`].
pub fn set_responsible(place: &Path, responsible: &str) -> Result<(), EditError> {
    let cannot = |error: io::Error| EditError::io(place, &error);
    let by_hand = || {
        let error = phrase!(
            "{file}: who answers cannot be written there",
            file = place.display().to_string(),
        );
        EditError::other(
            error,
            phrase!("write responsible = \"...\" under [label] by hand"),
        )
    };
    let wanted = Some(responsible.trim()).filter(|text| !text.is_empty());
    let value = wanted.map(|text| toml::Value::String(text.to_owned()).to_string());
    let changed = |text: &str| -> Result<String, EditError> {
        let mut expected = Config::parse(text, &place.display().to_string())?;
        let new = with_key(text, "label", "responsible", value.as_deref()).ok_or_else(by_hand)?;
        let is = Config::parse(&new, "").map_err(|faults| faults.of_unwritten(called))?;
        expected.responsible.clone_from(&is.responsible);
        match is == expected && is.responsible.is_some() == wanted.is_some() {
            true => Ok(new),
            false => Err(by_hand()),
        }
    };
    if !place.exists() {
        return files::create(place, &changed(DEFAULT_FILE)?).map_err(cannot);
    }
    let file = std::fs::canonicalize(place).map_err(cannot)?;
    let text = files::text(&file)?;
    replace(&file, &text, &changed(&text)?)
}

/// A TOML text with `key` of the table `[table]` as `value` has it, all else as it was; `None` takes the key out. `None`
/// where the text does not read or is written in a way that cannot be changed so.
pub(super) fn with_key(text: &str, table: &str, key: &str, value: Option<&str>) -> Option<String> {
    let (mark, text) = marked(text);
    let (_, root) = Reader::parse(text, "").ok()?;
    let Some((head, found)) = root.get_key_value(table) else {
        let new = value.map(|value| with(text, &format!("[{table}]\n{key} = {value}\n")));
        return Some(format!("{mark}{}", new.as_deref().unwrap_or(text)));
    };
    let edit = key_edit(
        text,
        head.span().end,
        found.get_ref().as_table()?,
        key,
        value,
    )?;
    Some(format!(
        "{mark}{}",
        edited(text, edit.into_iter().collect())
    ))
}

/// What changes where `key` of a table is to have `value`, the line below `head` where it is new; nothing in the second
/// place where nothing does. `None` where the table is written in a way that cannot be changed so.
pub(super) fn key_edit(
    text: &str,
    head: usize,
    table: &DeTable,
    key: &str,
    value: Option<&str>,
) -> Option<Option<(Range<usize>, String)>> {
    let edit = match (table.get_key_value(key), value) {
        (Some((_, old)), Some(value)) => (old.span(), value.to_owned()),
        (Some((name, old)), None) => {
            let start = text
                .get(..name.span().start)?
                .rfind('\n')
                .map_or(0, |at| at + 1);
            // In an inline table the line holds more than the key.
            let alone = text.get(start..name.span().start)?.trim().is_empty();
            let end = next_line(text, old.span().end).filter(|_| alone)?;
            (start..end, String::new())
        }
        (None, Some(value)) => {
            let below = next_line(text, head)?;
            let gap = if text.get(..below)?.ends_with('\n') {
                ""
            } else {
                "\n"
            };
            (below..below, format!("{gap}{key} = {value}\n"))
        }
        (None, None) => return Some(None),
    };
    Some(Some(edit))
}

/// The table below a scale that holds what makes its weights uncertain.
const UNCERTAINTY: &str = "uncertainty";

fn by_hand(place: &Path, part: &str) -> EditError {
    let what = phrase!(
        "{file}: the scale's part cannot be changed where it stands",
        file = place.display().to_string(),
    );
    EditError::other(
        what,
        phrase!("put this in its place by hand:\n{part}", part),
    )
}

/// `expect` does to the scale what the change of the file must do.
fn in_place(
    place: &Path,
    index: usize,
    part: &str,
    keys: &[&str],
    expect: impl FnOnce(&mut ScaleSettings),
) -> Result<(), EditError> {
    let change = |text: &str| changed(text, index, part, keys);
    rewrite(place, index, part, change, expect)
}

/// Makes `change` of the file's text, where that does to the scales what `expect` does to the one at `index`.
fn rewrite(
    place: &Path,
    index: usize,
    part: &str,
    change: impl FnOnce(&str) -> Option<String>,
    expect: impl FnOnce(&mut ScaleSettings),
) -> Result<(), EditError> {
    let cannot = |error: io::Error| EditError::io(place, &error);
    let by_hand = || by_hand(place, part);
    let file = std::fs::canonicalize(place).map_err(cannot)?;
    let text = files::text(&file)?;
    let changed = change(&text).ok_or_else(by_hand)?;
    // As it was, but for the keys: the other scales, and whatever else this one has.
    let was = Config::parse(&text, &place.display().to_string())?;
    let Ok(is) = Config::parse(&changed, "") else {
        return Err(by_hand());
    };
    let mut expected = was.scales;
    if let Some(scale) = expected.get_mut(index) {
        expect(scale);
    }
    if is.scales != expected {
        return Err(by_hand());
    }
    replace(&file, &text, &changed)
}

/// The text with the values changed; a key that is missing comes in a line after the scale's name.
fn changed(text: &str, index: usize, part: &str, keys: &[&str]) -> Option<String> {
    let (mark, text) = marked(text);
    let mut edits = Vec::new();
    let (mut reader, root) = Reader::parse(text, "").ok()?;
    let (mut found, part_root) = Reader::parse(part, "").ok()?;
    let scales = reader.tables(root.get("scale")?, "scale");
    let scale: &DeTable<'_> = scales.get(index)?.0;
    let values = found.tables(part_root.get("scale")?, "scale");
    let values: &DeTable<'_> = values.first()?.0;
    let after_name = next_line(text, scale.get("name")?.span().end)?;
    for key in keys {
        let value = found.source(&values.get(*key)?.span());
        edits.push(match scale.get(*key) {
            Some(old) => (old.span(), value.to_owned()),
            None => (after_name..after_name, format!("{key} = {value}\n")),
        });
    }
    Some(format!("{mark}{}", edited(text, edits)))
}

/// The same in the scale's `[scale.uncertainty]`, which comes behind the scale's own lines where it is missing.
fn changed_below(text: &str, index: usize, part: &str, keys: &[&str]) -> Option<String> {
    let (mark, text) = marked(text);
    let (mut reader, root) = Reader::parse(text, "").ok()?;
    let (mut found, part_root) = Reader::parse(part, "").ok()?;
    let scales = reader.tables(root.get("scale")?, "scale");
    let scale: &DeTable<'_> = scales.get(index)?.0;
    let values = found.tables(part_root.get("scale")?, "scale");
    let values = values.first()?.0.get(UNCERTAINTY)?.get_ref().as_table()?;
    let old = scale.get(UNCERTAINTY).map(|old| old.get_ref().as_table());
    let mut edits = Vec::new();
    let mut missing = String::new();
    for key in keys {
        let value = found.source(&values.get(*key)?.span()).to_owned();
        match old.and_then(|old| old?.get(*key)) {
            Some(old) => edits.push((old.span(), value)),
            None => missing.push_str(&format!("{key} = {value}\n")),
        }
    }
    // Behind the last line of the table, or of the scale itself.
    let of = match old {
        Some(old) => old?,
        None => scale,
    };
    let own = of
        .values()
        .filter(|value| value.get_ref().as_table().is_none());
    let mut end = next_line(text, own.map(|value| value.span().end).max()?)?;
    // A comment right below a line belongs to it.
    while text
        .get(end..)?
        .trim_start_matches([' ', '\t'])
        .starts_with('#')
    {
        end = next_line(text, end)?;
    }
    let head = match old {
        Some(_) => "",
        None => "\n[scale.uncertainty]\n",
    };
    let begun = text.get(..end)?.ends_with('\n');
    if !missing.is_empty() {
        let gap = if begun { "" } else { "\n" };
        let rest = text.get(end..)?;
        let below = match old.is_some() || rest.is_empty() || rest.starts_with(['\n', '\r']) {
            true => "",
            false => "\n",
        };
        edits.push((end..end, format!("{gap}{head}{missing}{below}")));
    }
    Some(format!("{mark}{}", edited(text, edits)))
}

/// Places are counted after a byte order mark.
fn marked(text: &str) -> (&'static str, &str) {
    match text.strip_prefix('\u{feff}') {
        Some(rest) => ("\u{feff}", rest),
        None => ("", text),
    }
}

fn edited(text: &str, mut edits: Vec<(Range<usize>, String)>) -> String {
    // From the end, so that the places before it hold.
    edits.sort_by_key(|(place, _)| std::cmp::Reverse(place.start));
    let mut text = text.to_owned();
    for (place, value) in edits {
        text.replace_range(place, &value);
    }
    text
}

fn with(text: &str, part: &str) -> String {
    let text = text.trim_end_matches(['\n', '\r']);
    let gap = if text.is_empty() { "" } else { "\n\n" };
    format!("{text}{gap}{part}")
}

/// Whether the new text reads, and holds the new part `once`.
fn check(
    place: &Path,
    kind: &str,
    text: &str,
    once: impl Fn(&Config) -> bool,
) -> Result<(), EditError> {
    let fault = |why: Sentence| {
        let what = phrase!(
            "{file}: [[{kind}]] cannot be added at the file's end: {why}",
            file = place.display().to_string(),
            kind,
            why,
        );
        EditError::other(what, phrase!("paste the part below into the file by hand"))
    };
    match Config::parse(text, "") {
        Ok(config) if once(&config) => Ok(()),
        Ok(_) => Err(fault(phrase!("it would not be read as one"))),
        // The part is shown with it, so its keys keep their own words.
        Err(problems) => Err(fault(problems.of_unwritten(|key| key.into()).told())),
    }
}

/// A key that is told, in words.
fn called(key: &str) -> Sentence {
    match key {
        "name" => phrase!("Name"),
        "capacity" => phrase!("Largest load"),
        "readability" => phrase!("Smallest step"),
        "responsible" => phrase!("Who answers for it"),
        other => other.into(),
    }
}

/// Puts a new file in the old one's place, with the old one's mode; synced, file and folder.
///
/// # Errors
/// Where the maker has write-protected it, where it no longer says what it said `before`, or where it cannot be
/// written.
pub(super) fn replace(file: &Path, before: &str, text: &str) -> Result<(), EditError> {
    let cannot = |error: io::Error| EditError::io(file, &error);
    let permissions = std::fs::metadata(file).map_err(cannot)?.permissions();
    if permissions.mode() & 0o200 == 0 {
        let what = phrase!(
            "{file} is write-protected",
            file = file.display().to_string()
        );
        return Err(EditError::other(
            what,
            phrase!("take that protection off first"),
        ));
    }
    // An editor may have saved it since it was read.
    if files::text(file)? != before {
        let what = phrase!(
            "{file} was changed at this very moment",
            file = file.display().to_string(),
        );
        return Err(EditError::other(what, phrase!("try again")));
    }
    files::replace(file, text, permissions.mode() & 0o7777).map_err(cannot)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scale_or_a_vessel_is_taken_out_and_comments_stay() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("config.toml");
        let vessel = "# glass\n[[vessel]]\nname = \"beaker\" # the small one\n# by hand\nweight = \"150 g\"\n";
        let errors = "\n# from its papers\n[scale.uncertainty]\nlinearity = \"0.02 g\" # sheet 2\n";
        let own = "capacity = \"600 g\"\npoll = { send = 'S\\r\\n', every = 0.5 }\n";
        let whole = format!(
            "{}{own}{errors}{vessel}\n# last",
            TWO.replace("[cues]\nsound = false\n", "")
        );
        std::fs::write(&place, &whole).unwrap();
        take_out(&place, Kind::Scale, 1).unwrap();
        let left = std::fs::read_to_string(&place).unwrap();
        let first =
            "# mine\n[[scale]]\nname = \"bench\"\nport = \"/dev/a\"\nlayout = \"comma-header\"\n\n";
        assert_eq!(left, format!("{first}# from its papers\n{vessel}\n# last"));
        take_out(&place, Kind::Vessel, 0).unwrap();
        let left = std::fs::read_to_string(&place).unwrap();
        let comments = "# from its papers\n# glass\n# by hand\n\n# last";
        assert_eq!(left, format!("{first}{comments}"));
        take_out(&place, Kind::Scale, 0).unwrap();
        let left = std::fs::read_to_string(&place).unwrap();
        assert_eq!(left, format!("# mine\n\n{comments}"));
        assert!(take_out(&place, Kind::Scale, 0).is_err());
        let inline =
            "scale = [{ name = \"bench\", port = \"/dev/a\", layout = \"comma-header\" }]\n";
        std::fs::write(&place, inline).unwrap();
        let refused = take_out(&place, Kind::Scale, 0).unwrap_err().words();
        assert!(refused.contains("by hand"), "{refused}");
        assert_eq!(std::fs::read_to_string(&place).unwrap(), inline);
    }

    #[test]
    fn values_are_set_where_they_stand_or_below_the_name_and_no_nonsense_is_written() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("config.toml");
        std::fs::write(&place, TWO).unwrap();
        let values = [
            ("name", "\"small\"".to_owned()),
            ("capacity", "\"600 g\"".to_owned()),
            ("readability", "\"0.01 g\"".to_owned()),
        ];
        set(&place, 1, &values).unwrap();
        let found = std::fs::read_to_string(&place).unwrap();
        let small =
            "name = \"small\"\ncapacity = \"600 g\"\nreadability = \"0.01 g\"\nport = \"/dev/b\"";
        assert_eq!(
            found,
            TWO.replace("name = \"fine\"\nport = \"/dev/b\"", small)
        );
        // A capacity below the step is told by the file's own check.
        let refused = set(&place, 1, &[("capacity", "\"0.001 g\"".to_owned())]).unwrap_err();
        assert!(refused.words().contains("not smaller than"), "{refused}");
        assert_eq!(std::fs::read_to_string(&place).unwrap(), found);
        // What its maker has write-protected stays.
        std::fs::set_permissions(&place, std::fs::Permissions::from_mode(0o400)).unwrap();
        let refused = set(&place, 1, &values).unwrap_err().words();
        assert!(refused.contains("write-protected"), "{refused}");
        assert_eq!(std::fs::read_to_string(&place).unwrap(), found);
    }

    const TWO: &str = "# mine\n[[scale]]\nname = \"bench\"\nport = \"/dev/a\"\nlayout = \"comma-header\"\n\n\
                       [[scale]]\nname = \"fine\"\nport = \"/dev/b\"\nlayout = \"comma-header\"\n\
                       repeatability = \"0.02 g\" # a guess\n[cues]\nsound = false\n";

    #[test]
    fn a_repeatability_is_put_in_or_changed_and_nothing_else() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("config.toml");
        let s = Mass::from_ng(11_006_000);
        for text in [TWO.to_owned(), format!("\u{feff}{TWO}")] {
            std::fs::write(&place, &text).unwrap();
            repeatability(&place, 1, s, 12).unwrap();
            let found = std::fs::read_to_string(&place).unwrap();
            let changed = text.replace("\"0.02 g\"", "\"0.011006 g\"");
            let name = "name = \"fine\"\n";
            assert_eq!(
                found,
                changed.replace(name, &format!("{name}weighings = 12\n"))
            );
            repeatability(&place, 0, s, 10).unwrap();
            let found = std::fs::read_to_string(&place).unwrap();
            for line in ["repeatability = \"0.011006 g\"\n", "weighings = 10\n"] {
                assert!(found.contains(line), "{found}");
            }
            assert_eq!(found.lines().count(), text.lines().count() + 3);
        }
    }

    #[test]
    fn the_page_is_turned_on_where_it_stands_and_nothing_else_changes() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("new/config.toml");
        assert!(turn_page_on(&place).unwrap());
        let found = std::fs::read_to_string(&place).unwrap();
        assert_eq!(found, DEFAULT_FILE.replacen("on = false", "on = true", 1));
        assert!(Config::parse(&found, "").unwrap().page.on);
        assert!(!turn_page_on(&place).unwrap(), "it is on already");
        assert_eq!(std::fs::read_to_string(&place).unwrap(), found);
        let off = "[page] # of mine\n# here\non = false # not yet\nport = 8420\n[cues]\n";
        let bare = "[page]\nport = 8420\n[cues]\n";
        for (text, expected) in [
            (off, off.replace("false", "true")),
            (bare, bare.replace("]\nport", "]\non = true\nport")),
            ("[page]", "[page]\non = true\n".to_owned()),
            (TWO, format!("{TWO}\n[page]\non = true\n")),
            ("page.port = 8420\n", String::new()),
            ("", "[page]\non = true\n".to_owned()),
        ] {
            for mark in ["", "\u{feff}"] {
                std::fs::write(&place, format!("{mark}{text}")).unwrap();
                let turned = turn_page_on(&place);
                let found = std::fs::read_to_string(&place).unwrap();
                if text.starts_with("page.") {
                    // No line can be put below a head that is not there.
                    let refused = turned.unwrap_err().words();
                    assert!(refused.contains("by hand"), "{refused}");
                    assert_eq!(found, format!("{mark}{text}"));
                } else {
                    assert!(turned.unwrap());
                    assert_eq!(found, format!("{mark}{expected}"));
                }
            }
        }
        std::fs::write(&place, "[page\n").unwrap();
        let refused = turn_page_on(&place).unwrap_err().to_string();
        assert!(refused.contains("config.toml:1:"), "{refused}");
    }

    fn told(linearity: i64) -> (String, Errors) {
        let lines = format!("[scale.uncertainty]\nlinearity = \"0.0{linearity} g\"\n");
        let errors = Errors {
            linearity: Some(Mass::from_mg(10 * linearity)),
            ..Errors::default()
        };
        (lines, errors)
    }

    #[test]
    fn an_uncertainty_comes_behind_its_scale_or_into_its_table() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("config.toml");
        let two = TWO.replace("layout", "capacity = \"600 g\"\nlayout");
        let ends = [
            two.replace("[cues]\nsound = false\n", ""),
            two.replace("# a guess\n[cues]\nsound = false\n", "# a guess"),
            two.replace("# a guess\n", "# a guess\n# of ours\n\n# cues\n"),
            format!("\u{feff}{two}"),
            two,
        ];
        for text in ends {
            for index in [0, 1] {
                std::fs::write(&place, &text).unwrap();
                for linearity in [3, 4] {
                    let (lines, errors) = told(linearity);
                    uncertainty(&place, index, &lines, errors).unwrap();
                    let found = std::fs::read_to_string(&place).unwrap();
                    assert_eq!(found.matches("[scale.uncertainty]").count(), 1);
                    let without = found.replace(&lines, "");
                    let kept = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
                    assert_eq!(kept(&without), kept(&text));
                    let config = Config::parse(&found, "").unwrap();
                    assert_eq!(config.scales[index].errors, errors);
                    assert_eq!(config.scales[1 - index].errors, Errors::default());
                }
            }
        }
        // What stood in the table stays.
        let own = "[scale.uncertainty]\n# from its papers\nproduct_density = 0.92 # oil\n";
        let text = format!(
            "{}capacity = \"600 g\"\n{own}",
            TWO.split("\n[[scale]]\nname = \"fine\"").next().unwrap()
        );
        std::fs::write(&place, &text).unwrap();
        let before = Config::parse(&text, "").unwrap().scales[0].errors;
        let (lines, errors) = told(3);
        let both = Errors {
            buoyancy: before.buoyancy,
            ..errors
        };
        uncertainty(&place, 0, &lines, both).unwrap();
        let line = lines.split_once('\n').unwrap().1;
        let found = std::fs::read_to_string(&place).unwrap();
        assert_eq!(found, format!("{text}{line}"));
    }

    #[test]
    fn what_cannot_be_changed_in_place_stays_and_is_given_to_paste() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("config.toml");
        let inline =
            "scale = [{ name = \"bench\", port = \"/dev/a\", layout = \"comma-header\" }]\n";
        std::fs::write(&place, inline).unwrap();
        let refused = repeatability(&place, 0, Mass::from_mg(11), 10).unwrap_err();
        assert!(
            refused.words().contains("repeatability = \"0.011000 g\""),
            "{refused}"
        );
        assert_eq!(std::fs::read_to_string(&place).unwrap(), inline);
    }
}
