//! Changing the configuration file without touching the rest of it: a scale added or changed, the page turned on.

use std::fs::{File, OpenOptions, Permissions};
use std::io::{self, Write as _};
use std::ops::Range;
use std::os::unix::fs::{OpenOptionsExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

use crate::cli::config::create;
use crate::cli::failure::Failure;
use crate::config::{Config, DEFAULT_FILE};
use crate::document::{DeTable, Reader};
use crate::files;
use crate::mass::Mass;
use crate::metrology::Errors;
use crate::scale::settings::ScaleSettings;

/// Appends `part`, the scale `name`, to the file at `place`; a missing file is made from the
/// commented default. The file is replaced as a whole, so it is the old one or the new one whatever
/// happens.
///
/// # Errors
/// When the file with the addition would not read, or cannot be written; then it stays as it was.
pub fn append(place: &Path, name: &str, part: &str) -> Result<(), Failure> {
    let cannot = |error: io::Error| Failure::failed(format!("{}: {error}", place.display()));
    if !place.exists() {
        let text = with(DEFAULT_FILE, part);
        check(place, name, &text)?;
        return create(place, &text).map_err(cannot);
    }
    // A link (to a folder of settings kept elsewhere, say) stays a link.
    let file = std::fs::canonicalize(place).map_err(cannot)?;
    let text = with(&files::text(&file)?, part);
    check(place, name, &text)?;
    replace(&file, &text).map_err(cannot)
}

/// Gives the scale at `index` of the file at `place` the values that `part`, a whole scale, has for
/// `keys`. Comments and all else stay as they are; the file is replaced as a whole.
///
/// # Errors
/// When the file cannot be changed so, or cannot be written; then it stays as it was.
pub fn update(place: &Path, index: usize, part: &str, keys: &[&str]) -> Result<(), Failure> {
    let wanted = Config::parse(part, "").ok();
    let wanted = wanted.as_ref().and_then(|config| config.scales.first());
    let wanted = wanted.ok_or_else(|| by_hand(place, part))?;
    in_place(place, index, part, keys, |scale| {
        super::known::take_over(scale, wanted, keys)
    })
}

/// Gives the scale at `index` of the file at `place` the repeatability `s` of so many weighings, as
/// [`update`] does.
///
/// # Errors
/// As [`update`].
pub fn repeatability(place: &Path, index: usize, s: Mass, weighings: u32) -> Result<(), Failure> {
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
pub fn uncertainty(place: &Path, index: usize, lines: &str, errors: Errors) -> Result<(), Failure> {
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
pub fn turn_page_on(place: &Path) -> Result<bool, Failure> {
    let cannot = |error: io::Error| Failure::failed(format!("{}: {error}", place.display()));
    let by_hand = || {
        let error = format!("{}: the page cannot be turned on there", place.display());
        Failure::failed(error).remedy("write on = true under [page] by hand")
    };
    if !place.exists() {
        let text = with_page_on(DEFAULT_FILE).ok_or_else(by_hand)?;
        create(place, &text).map_err(cannot)?;
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
    replace(&file, &changed).map_err(cannot)?;
    Ok(true)
}

fn with_page_on(text: &str) -> Option<String> {
    let (mark, text) = marked(text);
    let (_, root) = Reader::parse(text, "").ok()?;
    let Some((key, page)) = root.get_key_value("page") else {
        return Some(format!("{mark}{}", with(text, "[page]\non = true\n")));
    };
    let edit = match page.get_ref().as_table()?.get("on") {
        Some(old) => (old.span(), "true".to_owned()),
        None => {
            let below = next_line(text, key.span().end)?;
            let gap = if text.get(..below)?.ends_with('\n') {
                ""
            } else {
                "\n"
            };
            (below..below, format!("{gap}on = true\n"))
        }
    };
    Some(format!("{mark}{}", edited(text, vec![edit])))
}

/// The table below a scale that holds what makes its weights uncertain.
const UNCERTAINTY: &str = "uncertainty";

fn by_hand(place: &Path, part: &str) -> Failure {
    Failure::failed(format!(
        "{}: the scale's part cannot be changed where it stands",
        place.display()
    ))
    .remedy(format!("put this in its place by hand:\n{part}"))
}

/// `expect` does to the scale what the change of the file must do.
fn in_place(
    place: &Path,
    index: usize,
    part: &str,
    keys: &[&str],
    expect: impl FnOnce(&mut ScaleSettings),
) -> Result<(), Failure> {
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
) -> Result<(), Failure> {
    let cannot = |error: io::Error| Failure::failed(format!("{}: {error}", place.display()));
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
    replace(&file, &changed).map_err(cannot)
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

/// Where the line after `at` begins, or the end.
fn next_line(text: &str, at: usize) -> Option<usize> {
    let rest = text.get(at..)?;
    Some(at + rest.find('\n').map_or(rest.len(), |end| end + 1))
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

/// Whether the new text reads, and holds the new scale once.
fn check(place: &Path, name: &str, text: &str) -> Result<(), Failure> {
    let fault = |why: String| {
        Failure::failed(format!(
            "{}: the scale cannot be added at the file's end: {why}",
            place.display()
        ))
        .remedy("paste the part below into the file by hand")
    };
    match Config::parse(text, &place.display().to_string()) {
        Ok(config) if config.scales.iter().filter(|s| s.name == name).count() == 1 => Ok(()),
        Ok(_) => Err(fault("it would not be read as a scale".to_owned())),
        Err(problems) => Err(fault(problems.to_string())),
    }
}

/// Puts a new file in the old one's place, with the old one's mode; synced, file and folder.
fn replace(file: &Path, text: &str) -> io::Result<()> {
    let mode = std::fs::metadata(file)?.permissions().mode() & 0o7777;
    let folder = file.parent().unwrap_or(Path::new("/"));
    let mut temporary = file.as_os_str().to_owned();
    temporary.push(format!(".{}.new", std::process::id()));
    let temporary = PathBuf::from(temporary);
    let written =
        write_new(&temporary, text, mode).and_then(|()| std::fs::rename(&temporary, file));
    if let Err(error) = written {
        // Made by this call.
        let _ = std::fs::remove_file(&temporary);
        return Err(error);
    }
    File::open(folder)?.sync_all()
}

fn write_new(path: &Path, text: &str, mode: u32) -> io::Result<()> {
    let mut file = OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(path)?;
    file.write_all(text.as_bytes())?;
    file.set_permissions(Permissions::from_mode(mode))?;
    file.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

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
                    let refused = turned.unwrap_err().to_string();
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
            refused
                .to_string()
                .contains("repeatability = \"0.011000 g\""),
            "{refused}"
        );
        assert_eq!(std::fs::read_to_string(&place).unwrap(), inline);
    }
}
