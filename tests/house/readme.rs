//! The README's first part is for the maker: short, without the words of the trade of programs, and what it says that
//! the page says is what the page says. Its links lead somewhere, all the way down.

use std::path::{Path, PathBuf};

use super::purity::sources;

/// Words of the first part, at most: what a maker reads before her first batch.
const WORDS: usize = 1500;
/// What her part is not about. "cargo" stands in the first of the two commands.
const FOREIGN: [&str; 13] = [
    "TOML",
    "JSON",
    "CSV",
    "SHA",
    "daemon",
    "socket",
    "pty",
    "stdout",
    "replay",
    "capture",
    "USB serial",
    "k 2",
    "exit code",
];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn readme() -> String {
    std::fs::read_to_string(root().join("README.md")).unwrap()
}

/// All above the first divider.
fn first_part(readme: &str) -> &str {
    readme.split_once("\n---\n").expect("a divider").0
}

/// A text in one line.
fn flowing(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// What stands between `open` and `close`.
fn within(text: &str, open: char, close: char) -> Vec<String> {
    let mut found = Vec::new();
    let mut rest = text;
    while let Some((_, after)) = rest.split_once(open) {
        let Some((inside, after)) = after.split_once(close) else {
            break;
        };
        found.push(flowing(inside));
        rest = after;
    }
    found
}

/// What the program and the page can say: the sources, a sentence over two lines made one.
fn said() -> String {
    let mut files: Vec<PathBuf> = Vec::new();
    sources(&root().join("src"), &mut files);
    let page = std::fs::read_dir(root().join("src/display/page")).unwrap();
    files.extend(page.map(|entry| entry.unwrap().path()).filter(|path| {
        path.extension()
            .is_some_and(|end| end == "js" || end == "html")
    }));
    let texts = files
        .iter()
        .map(|file| std::fs::read_to_string(file).unwrap());
    flowing(
        &texts
            .map(|text| text.replace("\\\n", ""))
            .collect::<String>(),
    )
}

#[test]
fn the_first_part_is_short_and_in_her_words() {
    let readme = readme();
    let part = first_part(&readme);
    let words = part.split_whitespace().count();
    println!("{words} words");
    assert!(words < WORDS, "{words} words");
    let letters = part.replace(|c: char| !c.is_alphanumeric(), " ");
    let letters = format!(" {} ", flowing(&letters));
    for foreign in FOREIGN {
        assert!(!letters.contains(&format!(" {foreign} ")), "{foreign}");
    }
}

/// Her way does not end at a sentence that has another wording by now.
#[test]
fn what_the_first_part_quotes_is_said() {
    let readme = readme();
    let part = first_part(&readme);
    let said = said();
    let mut quoted = within(part, '“', '”');
    assert!(quoted.len() >= 10, "{quoted:?}");
    let keys = within(part, '"', '"');
    // Numbers are those of the picture, which a browser shows.
    quoted.extend(
        keys.into_iter()
            .filter(|key| !key.starts_with(|c: char| c.is_ascii_digit())),
    );
    for words in quoted {
        assert!(said.contains(&words), "nothing says: {words}");
    }
}

#[test]
fn the_links_of_the_readme_lead_somewhere() {
    let readme = readme();
    let slug = |heading: &str| {
        let kept = heading.to_lowercase().replace(' ', "-");
        kept.chars()
            .filter(|c| c.is_alphanumeric() || *c == '-')
            .collect::<String>()
    };
    let headings: Vec<String> = readme
        .lines()
        .filter_map(|line| line.strip_prefix("## ").or(line.strip_prefix("# ")))
        .map(slug)
        .collect();
    let mut links = 0;
    for after in readme.split("](").skip(1) {
        let to = after.split(')').next().unwrap();
        links += 1;
        match to.strip_prefix('#') {
            Some(place) => assert!(headings.iter().any(|h| h == place), "no heading: {to}"),
            None => assert!(root().join(to).exists(), "no file: {to}"),
        }
    }
    assert!(links > 5, "{links}");
    let picture = root().join("fixtures/page/pour.png");
    let bytes = std::fs::metadata(picture).unwrap().len();
    assert!(bytes <= 60 * 1024, "the picture has {bytes} bytes");
}
