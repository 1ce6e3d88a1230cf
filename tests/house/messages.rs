//! The files of messages hold what the sources and the page say, no more and no less, and every sentence goes
//! through them.
//!
//! What the format is: GNU gettext manual 0.21, 3.3 (PO files). Its own checker and another reader (Python's
//! `gettext`) are asked besides.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

use bismar::cli::help;
use bismar::display::spoken;
use bismar::language::{Language, remark};
use syn::visit::{self, Visit};

use super::purity::sources;

const OTHERS: [Language; 2] = [Language::German, Language::French];

/// The texts of a source outside its tests: those of ours (`phrase!`, `term!`, `remark!`), and all others.
#[derive(Default)]
struct Texts {
    ours: BTreeSet<String>,
    /// What is written into logs (`remark!`).
    remarks: BTreeSet<String>,
    terms: BTreeSet<String>,
    /// What the page says, said by the program (`page_label!`).
    labels: BTreeSet<String>,
    others: Vec<String>,
}

fn only_in_tests(attributes: &[syn::Attribute]) -> bool {
    attributes.iter().any(|attribute| match &attribute.meta {
        syn::Meta::List(list) => list.path.is_ident("cfg") && list.tokens.to_string() == "test",
        _ => false,
    })
}

impl Texts {
    /// What stands in the brackets of a macro, or behind any other name.
    fn inside(&mut self, name: &str, tokens: proc_macro2::TokenStream) {
        let ours = std::mem::take(&mut self.ours);
        self.literals(
            tokens,
            matches!(name, "phrase" | "term" | "remark" | "page_label"),
        );
        let inside = std::mem::replace(&mut self.ours, ours);
        match name {
            "remark" => self.remarks.extend(inside),
            "page_label" => self.labels.extend(inside),
            "term" => {
                self.terms.extend(inside.iter().cloned());
                self.ours.extend(inside);
            }
            _ => self.ours.extend(inside),
        }
    }

    fn literals(&mut self, tokens: proc_macro2::TokenStream, ours: bool) {
        let mut first = ours;
        let mut name = String::new();
        for token in tokens {
            match token {
                proc_macro2::TokenTree::Literal(literal) => {
                    if let Ok(text) = syn::parse_str::<syn::LitStr>(&literal.to_string()) {
                        match std::mem::take(&mut first) {
                            true => drop(self.ours.insert(text.value())),
                            false => self.others.push(text.value()),
                        }
                    }
                }
                proc_macro2::TokenTree::Group(group) => {
                    self.inside(&std::mem::take(&mut name), group.stream());
                }
                proc_macro2::TokenTree::Ident(ident) => name = ident.to_string(),
                proc_macro2::TokenTree::Punct(punct) if punct.as_char() == '!' => {}
                proc_macro2::TokenTree::Punct(_) => name.clear(),
            }
        }
    }
}

impl<'ast> Visit<'ast> for Texts {
    fn visit_item_mod(&mut self, item: &'ast syn::ItemMod) {
        if !only_in_tests(&item.attrs) {
            visit::visit_item_mod(self, item);
        }
    }

    fn visit_attribute(&mut self, _: &'ast syn::Attribute) {}

    fn visit_macro(&mut self, one: &'ast syn::Macro) {
        // The journal is English.
        if one
            .path
            .segments
            .first()
            .is_some_and(|first| first.ident == "tracing")
        {
            return;
        }
        let name = one.path.segments.last().map(|end| end.ident.to_string());
        self.inside(&name.unwrap_or_default(), one.tokens.clone());
    }

    fn visit_lit_str(&mut self, text: &'ast syn::LitStr) {
        self.others.push(text.value());
    }
}

fn texts_under(folder: &str) -> Texts {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut files: Vec<PathBuf> = Vec::new();
    sources(&root.join(folder), &mut files);
    let mut texts = Texts::default();
    let tests = |path: &Path| path.components().any(|part| part.as_os_str() == "tests");
    for file in files.iter().filter(|file| !tests(file)) {
        let source = std::fs::read_to_string(file).unwrap();
        texts.visit_file(&syn::parse_file(&source).unwrap());
    }
    texts
}

/// `{name}` and `{name:form}` of a text.
fn slots(text: &str) -> Vec<(String, String)> {
    let inside = text.split('{').skip(1).map(|rest| {
        let slot = rest.split_once('}').unwrap_or_else(|| panic!("{text}")).0;
        let (name, form) = slot.split_once(':').unwrap_or((slot, ""));
        (name.to_owned(), form.to_owned())
    });
    inside.collect()
}

fn names(text: &str) -> BTreeSet<String> {
    slots(text).into_iter().map(|(name, _)| name).collect()
}

/// The texts of ours in a script: `t\`Take lot ${name}\`` is "Take lot {0}".
fn said_by(script: &str, found: &mut BTreeSet<String>) {
    let mut rest = script;
    while let Some(at) = rest.find("t`") {
        let (before, after) = (&rest[..at], &rest[at + 2..]);
        if before.ends_with(|c: char| c.is_alphanumeric() || "_$.".contains(c)) {
            rest = after;
            continue;
        }
        let (text, behind) = template(after, found);
        found.insert(text);
        rest = behind;
    }
}

/// A template up to its end, and what is behind it.
fn template<'a>(mut rest: &'a str, found: &mut BTreeSet<String>) -> (String, &'a str) {
    let (mut text, mut slots) = (String::new(), 0);
    loop {
        let at = rest.find(['`', '$']).expect("a template ends");
        text.push_str(&rest[..at]);
        rest = &rest[at..];
        if let Some(behind) = rest.strip_prefix('`') {
            return (text, behind);
        }
        let inside = rest.strip_prefix("${").expect("a slot");
        let mut depth = 1;
        let mut end = 0;
        let mut letters = inside.char_indices();
        while depth > 0 {
            let (place, letter) = letters.next().expect("a slot ends");
            match letter {
                '{' => depth += 1,
                '}' => depth -= 1,
                '`' => {
                    let (_, behind) = template(&inside[place + 1..], &mut BTreeSet::new());
                    letters = inside.char_indices();
                    letters
                        .by_ref()
                        .nth(inside[..inside.len() - behind.len()].chars().count() - 1);
                }
                _ => {}
            }
            end = place;
        }
        said_by(&inside[..end], found);
        text.push_str(&format!("{{{slots}}}"));
        slots += 1;
        rest = &inside[end + 1..];
    }
}

fn said_by_the_page() -> BTreeSet<String> {
    let page = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/display/page");
    let mut found = BTreeSet::new();
    for entry in std::fs::read_dir(&page).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|end| end == "js") {
            said_by(&std::fs::read_to_string(&path).unwrap(), &mut found);
        }
    }
    for tree in ["index.html", "benches.html", "paper.html"] {
        let tree = std::fs::read_to_string(page.join(tree)).unwrap();
        found.extend(spoken::texts(&tree).into_iter().map(str::to_owned));
    }
    found
}

#[test]
fn the_texts_of_a_script_are_found() {
    let script =
        "put(t`One`, not`Two`); t`Three ${a(`x${b}`)} ${t`four ${{ c: 1 }}`} five`; at`Six`";
    let mut found = BTreeSet::new();
    said_by(script, &mut found);
    let known = ["One", "Three {0} {1} five", "four {0}"];
    assert_eq!(found, known.map(str::to_owned).into());
}

#[test]
fn each_language_says_all_that_the_page_says_and_nothing_else() {
    let page = said_by_the_page();
    assert!(
        page.contains("{0}, batch {1}") && page.contains("Formulas"),
        "{page:?}"
    );
    let labels = texts_under("src").labels;
    assert!(labels.len() > 5 && labels.is_subset(&page), "{labels:?}");
    for language in OTHERS {
        says_all(language, spoken::CONTEXT, &page);
    }
}

#[test]
fn each_language_says_all_of_the_help_and_nothing_else() {
    let texts = help::texts();
    assert!(texts.contains("Weigh it:") && texts.len() > 40, "{texts:?}");
    for language in OTHERS {
        says_all(language, help::CONTEXT, &texts);
    }
}

#[test]
fn each_language_says_all_that_the_sources_say_and_nothing_else() {
    let texts = texts_under("src");
    assert!(texts.ours.len() > 200, "{}", texts.ours.len());
    assert!(texts.terms.contains("beaker"), "{:?}", texts.terms);
    let mut faults = Vec::new();
    for language in OTHERS {
        let tag = language.tag();
        let others = [spoken::CONTEXT, help::CONTEXT, remark::CONTEXT];
        let of_the_page = |(context, ..): &(&str, &str, &str)| others.contains(context);
        let (plain, formed): (Vec<_>, Vec<_>) = (language.all())
            .filter(|message| !of_the_page(message))
            .partition(|(context, ..)| context.is_empty());
        let said: BTreeMap<&str, &str> = plain.iter().map(|(_, en, own)| (*en, *own)).collect();
        for missing in texts
            .ours
            .iter()
            .filter(|en| !said.contains_key(en.as_str()))
        {
            faults.push(format!("{tag}: not there: {missing:?}"));
        }
        for unused in said.keys().filter(|en| !texts.ours.contains(**en)) {
            faults.push(format!("{tag}: no source says {unused:?}"));
        }
        let mut forms: BTreeMap<String, BTreeSet<&str>> = BTreeMap::new();
        for (form, en, _) in &formed {
            forms.entry((*form).to_owned()).or_default().insert(en);
        }
        let mut asked = BTreeSet::new();
        for (en, own) in said {
            let (theirs, ours) = (names(en), names(own));
            if theirs != ours {
                faults.push(format!("{tag}: other slots: {en:?}: {own:?}"));
            }
            if en.ends_with('.') != own.ends_with('.') {
                faults.push(format!("{tag}: another end: {en:?}: {own:?}"));
            }
            // Who shows a live amount leaves out the one that a sentence begins with.
            for amount in ["{missing} g ", "{over} g "] {
                if en.starts_with(amount) && !own.starts_with(amount) {
                    faults.push(format!("{tag}: the amount is not first: {own:?}"));
                }
            }
            asked.extend(slots(own).into_iter().map(|(_, form)| form));
        }
        asked.remove("");
        let given: BTreeSet<String> = forms.keys().cloned().collect();
        if asked != given {
            faults.push(format!("{tag}: forms asked {asked:?}, given {given:?}"));
        }
        let mut all = forms.values();
        let first = all.next().cloned().unwrap_or_default();
        if all.any(|terms| *terms != first) || first.iter().any(|en| !texts.terms.contains(*en)) {
            faults.push(format!("{tag}: not each form of each word: {forms:?}"));
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}

/// The messages of a context, which are those for `texts` and no others, each with the same slots.
fn says_all(
    language: Language,
    of: &str,
    texts: &BTreeSet<String>,
) -> BTreeMap<&'static str, &'static str> {
    let own = language.all().filter(|(context, ..)| *context == of);
    let own: BTreeMap<_, _> = own.map(|(_, english, own)| (english, own)).collect();
    let said: BTreeSet<String> = own.keys().map(|english| (*english).to_owned()).collect();
    let missing: Vec<_> = texts.difference(&said).collect();
    let unused: Vec<_> = said.difference(texts).collect();
    assert!(
        missing.is_empty() && unused.is_empty(),
        "{language:?}: {missing:#?} {unused:#?}"
    );
    for (english, own) in &own {
        assert_eq!(names(english), names(own), "{language:?}: {own}");
    }
    own
}

/// What bismar writes into a log is read back out of it by its messages: each language has all of them, with the same
/// slots.
#[test]
fn each_language_says_all_that_is_written_into_a_log() {
    let remarks = texts_under("src").remarks;
    assert!(remarks.contains("complete") && remarks.len() > 60);
    for language in OTHERS {
        for (english, own) in says_all(language, remark::CONTEXT, &remarks) {
            assert_eq!(english.ends_with('.'), own.ends_with('.'), "{own}");
        }
    }
}

/// The engine tells a person nothing but sentences of ours: what begins like one in its sources is one.
#[test]
fn no_sentence_of_the_engine_goes_round_the_messages() {
    let is_said = |text: &&String| {
        let capital = text.starts_with(|c: char| c.is_uppercase());
        capital && text.contains(' ') && !text.contains('\n')
    };
    let others = texts_under("src/weighing").others;
    assert!(!others.is_empty(), "others are seen");
    let round: Vec<&String> = others.iter().filter(is_said).collect();
    assert!(round.is_empty(), "{round:#?}");
}

/// What a maker runs tells her nothing but sentences of ours. Files of her own, help, and what a developer runs are
/// English: those are named here.
#[test]
fn no_sentence_of_a_command_goes_round_the_messages() {
    // For who looks into the program, or writes files: simulated and replayed batches, captures, man pages, scripts.
    const ENGLISH: [&str; 11] = [
        "capture.rs",
        "completions.rs",
        // Its journal is English.
        "daemon.rs",
        "demo.rs",
        // Held against the files by a test of its own.
        "help.rs",
        "man.rs",
        "mod.rs",
        "rehearsed.rs",
        "replay.rs",
        "season.rs",
        "try_it.rs",
    ];
    // Commands as they are typed; words of HTML.
    const OTHERS: [&str; 5] = ["Exit code", "bismar ", "what was found", "<", "[scale"];
    let (round, seen) = round("src/cli", &ENGLISH, &OTHERS);
    assert!(seen > 200, "{seen}");
    assert!(round.is_empty(), "{round:#?}");
}

/// What is said in the rooms behind the commands and the page.
#[test]
fn no_sentence_of_the_rooms_goes_round_the_messages() {
    // Lists of words by which a name is known; a file in English that goes to an office; for who looks into the program.
    const ENGLISH: [&str; 4] = ["kind.rs", "kind/tongues.rs", "text.rs", "capture/read.rs"];
    const OTHERS: [&str; 22] = [
        // Rows of a log are English.
        "s = {",
        "the weight's own limit {}",
        "what stayed in the beaker",
        "overweigh for the beaker",
        "Stir in what was added",
        "several loads, ",
        "test weights, ",
        // Known by these words.
        "percent by weight",
        "takes soap apart",
        // As it stands in a file.
        "reason = ",
        "usb = ",
        "[[scale]]",
        "poll = ",
        "export const",
        "\nFragrance",
        // To the journal, or to nobody.
        "hands out what",
        "HMAC takes",
        "somebody",
        "a browser's connection",
        "what it is to hear",
        "the file of ",
        "What the answer",
    ];
    const ROOMS: [&str; 11] = [
        "src/workshop",
        "src/config",
        "src/document",
        "src/formula",
        "src/label",
        "src/lots",
        "src/wire",
        "src/guide",
        "src/scale",
        "src/display",
        "src/sheet",
    ];
    let mut all = Vec::new();
    for room in ROOMS {
        all.extend(round(room, &ENGLISH, &OTHERS).0);
    }
    assert!(all.is_empty(), "{all:#?}");
}

/// Texts under `folder`, outside of the files `english` there, that are like a sentence and none of ours; and how many
/// are ours.
fn round(folder: &str, english: &[&str], others: &[&str]) -> (Vec<String>, usize) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let mut files = Vec::new();
    sources(&root, &mut files);
    let mut round = Vec::new();
    let mut seen = 0;
    for file in files {
        let name = file.strip_prefix(&root).unwrap().to_str().unwrap();
        if english.contains(&name) || file.components().any(|part| part.as_os_str() == "tests") {
            continue;
        }
        let mut texts = Texts::default();
        let source = std::fs::read_to_string(&file).unwrap();
        texts.visit_file(&syn::parse_file(&source).unwrap());
        seen += texts.ours.len();
        let words = |text: &str| {
            let word = |word: &&str| {
                let plain = word.trim_matches([',', '.', ':', ';']);
                plain.len() > 1 && plain.chars().all(|c| c.is_ascii_lowercase())
            };
            text.split_whitespace().filter(word).count()
        };
        let said = texts.others.into_iter().filter(|text| words(text) > 2);
        let said = said.filter(|text| {
            !others
                .iter()
                .any(|other| text.trim_start().starts_with(other))
        });
        round.extend(said.map(|text| format!("{name}: {text:?}")));
    }
    (round, seen)
}

/// Who is told to "say next" finds that word on the page's key and on the notification's button.
#[test]
fn an_answer_has_one_word_in_a_sentence_on_a_key_and_on_a_button() {
    for language in OTHERS {
        for answer in ["Next", "Again", "Keep", "Undo", "Cancel"] {
            let button = language.message("", answer).unwrap();
            assert_eq!(language.message(spoken::CONTEXT, answer), Some(button));
            let asked = format!("say {}", answer.to_lowercase());
            let asks = |english: &str| {
                let english = english.to_lowercase();
                english
                    .match_indices(&asked)
                    .any(|(at, _)| !english[at + asked.len()..].starts_with(char::is_alphabetic))
            };
            let all = language.all().filter(|(_, english, _)| asks(english));
            for (_, english, own) in all {
                let word = button.to_lowercase();
                assert!(own.to_lowercase().contains(&word), "{english:?}: {own:?}");
            }
        }
    }
}

#[test]
fn a_language_that_nobody_reviewed_says_so() {
    for language in OTHERS {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let file = root.join(format!("src/language/{}.po", language.tag()));
        let file = std::fs::read_to_string(file).unwrap();
        let head = file.split("msgid").next().unwrap();
        let said = head.contains("Not yet reviewed by native speakers.");
        assert_eq!(said, !language.is_reviewed(), "{language:?}");
        assert!(file.contains(&format!("\"Language: {}\\n\"", language.tag())));
    }
}

/// No line breaks before such a sign in French, nor within its quotation marks (Imprimerie nationale, Lexique des règles
/// typographiques; from memory).
#[test]
fn french_signs_are_kept_with_their_words() {
    let is_loose = |text: &str| {
        let behind = [" ;", " :", " !", " ?", " »"];
        behind.iter().any(|sign| text.contains(sign)) || text.contains("« ")
    };
    assert!(is_loose("dites « suite\u{a0}»") && is_loose("a : b") && !is_loose("a\u{a0}: b"));
    let all = Language::French.all();
    let loose: Vec<_> = all.filter(|(.., own)| is_loose(own)).collect();
    assert!(loose.is_empty(), "{loose:#?}");
    // And a text is folded at none of them.
    let folded = bismar::text::columns::fold("un deux\u{a0}: trois", 8);
    assert_eq!(folded, ["un", "deux\u{a0}:", "trois"]);
}

/// A name that the maker wrote may be of either gender and begin with a vowel: in French no article stands before it that
/// knows, and "de" before it is elided where it is filled in (`language::elision`).
#[test]
fn no_french_article_stands_before_a_name() {
    const NAMES: [&str; 5] = ["name", "names", "ingredient", "phase", "formula"];
    const ARTICLES: [&str; 11] = [
        "du", "au", "le", "la", "les", "des", "aux", "un", "une", "ce", "cette",
    ];
    let before = |text: &str| {
        let slots = NAMES.map(|name| format!("{{{name}}}"));
        let found = slots
            .iter()
            .flat_map(|slot| text.match_indices(slot.as_str()));
        let words =
            found.filter_map(|(at, _)| text[..at].strip_suffix(' ')?.split(' ').next_back());
        let bad = |word: &str| ARTICLES.contains(&word.to_lowercase().as_str());
        words.filter(|word| bad(word)).count()
    };
    assert_eq!(before("du {name} est dans le bol"), 1);
    assert_eq!(before("un peu de {name} est dans le bol"), 0);
    let all = Language::French.all();
    let bad: Vec<_> = all.filter(|(.., own)| before(own) > 0).collect();
    assert!(bad.is_empty(), "{bad:#?}");
}

#[test]
fn gettext_itself_takes_the_files_and_reads_what_we_read() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for language in OTHERS {
        let folder = tempfile::tempdir().unwrap();
        let file = root.join(format!("src/language/{}.po", language.tag()));
        let compiled = folder.path().join("messages.mo");
        let checked = Command::new("msgfmt")
            .args(["--check-format", "--check-domain", "-o"])
            .args([&compiled, &file])
            .output()
            .expect("this test needs the Debian package gettext");
        assert!(checked.status.success(), "{checked:?}");
        let all: Vec<_> = language.all().collect();
        let script = "import gettext, json, sys\n\
            told = gettext.GNUTranslations(open(sys.argv[1], 'rb'))\n\
            said = [told.pgettext(c, e) if c else told.gettext(e) for c, e, _ in json.load(sys.stdin)]\n\
            print(json.dumps(said))";
        let mut python = Command::new("python3")
            .args(["-c", script])
            .arg(&compiled)
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        let input = python.stdin.take().unwrap();
        serde_json::to_writer(input, &all).unwrap();
        let output = python.wait_with_output().unwrap();
        let theirs: Vec<String> = serde_json::from_slice(&output.stdout).unwrap();
        let ours: Vec<&str> = all.iter().map(|(_, _, own)| *own).collect();
        assert_eq!(theirs, ours, "{language:?}");
    }
}

/// What is typed at a terminal stands in no sentence that the page may answer with, but in a slot for which the page has
/// words of its own. The door names one command: who is not in yet gets the key from that alone.
#[test]
fn no_sentence_of_the_page_names_a_command() {
    // Said at a terminal, or by the gatherer, alone.
    const ELSEWHERE: [&str; 7] = [
        "src/cli",
        "src/cue",
        "src/wire",
        "src/rehearsal",
        "src/label",
        "src/protocol/socket.rs",
        "src/protocol/client.rs",
    ];
    const ALLOWED: [&str; 5] = [
        "this is no address of the page; bismar page prints it",
        "type the key that bismar page shows",
        "that is not the key; bismar page shows it",
        // What fills such a slot.
        "`bismar check` with the same formula and size",
        // Neither the log nor a file beside it has the rows: they are nowhere else.
        "{rows} NOT in the batch's log and could not be kept elsewhere ({why}). What they say is in the journal only: \
         journalctl --user -u bismar",
    ];
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let commands: BTreeSet<&str> = help::commands().collect();
    assert!(commands.contains("check") && commands.contains("begin"));
    let names_one = |text: &str| {
        let words = text.split(|c: char| c.is_whitespace() || "`\"“”„".contains(c));
        let words: Vec<&str> = words.collect();
        let named = words.windows(2).any(|pair| {
            pair[0] == "bismar"
                && commands.contains(pair[1].trim_matches(|c: char| !c.is_alphabetic()))
        });
        named
            || words
                .iter()
                .any(|word| word.trim_start_matches('(').starts_with("--"))
    };
    assert!(names_one("see `bismar check`.") && names_one("give (--over 2g)"));
    let (mut found, mut at_terminal) = (Vec::new(), BTreeSet::new());
    let mut files = Vec::new();
    sources(&root.join("src"), &mut files);
    for file in files {
        let place = file.strip_prefix(root).unwrap();
        if ELSEWHERE.iter().any(|one| place.starts_with(one)) {
            continue;
        }
        let mut texts = Texts::default();
        texts.visit_file(&syn::parse_file(&std::fs::read_to_string(&file).unwrap()).unwrap());
        for text in &texts.ours {
            let slots = names(text).into_iter();
            at_terminal.extend(slots.filter(|name| name.ends_with(spoken::AT_TERMINAL)));
            if names_one(text) && !ALLOWED.contains(&text.as_str()) {
                found.push(format!("{}: {text}", place.display()));
            }
        }
    }
    assert!(at_terminal.len() > 5, "{at_terminal:?}");
    for slot in at_terminal {
        match spoken::instead(&slot) {
            Some(words) => {
                let words = words.english();
                assert!(!names_one(&words), "{slot}: {words}");
            }
            None => found.push(format!("{slot}: the page has no words for it")),
        }
    }
    assert!(found.is_empty(), "{found:#?}");
}
