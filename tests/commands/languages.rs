//! What the commands say by themselves goes through the files of messages: in the language of tests, which brackets all
//! that does, nothing stands outside but names. Files stay English with points.
//! What it must be like is the founder's own wish; there is no source for it.

use std::fs;

use bismar::mass::Mass;
use bismar::vocabulary::entry::{Draft, RowKind};

use crate::bench_side::logs::{Begun, LOGS, closed, weighed};
use crate::bench_side::marked::{outside, unknown};
use crate::bench_side::person::{Person, Said, repository};

const SOAK: &str = "[formula]\nname = \"Dune soak\"\nversion = 1\n[[phase]]\nname = \"Dry\"\n[[phase.ingredient]]\n\
    name = \"Sea salt\"\nbalance = true\n[[phase.ingredient]]\nname = \"Oat flour\"\npercent = 20\n";

const SCALE: &str = "[[scale]]\nname = \"bench\"\nport = \"/dev/nowhere\"\nlayout = \"comma-header\"\n\
    readability = \"0.01 g\"\ncapacity = \"2000 g\"\n";

/// A person whose programs speak `language`, with two finished batches, a stopped one, a lot and a formula.
fn speaking(language: &str) -> Person {
    with_scale(language, SCALE)
}

/// The same, with this scale or none.
fn with_scale(language: &str, scale: &str) -> Person {
    let person = Person::new();
    person.configures(&format!(
        "language = \"{language}\"\n{scale}[[vessel]]\nname = \"jug\"\nweight = \"150 g\"\ncapacity = \"900 g\"\n"
    ));
    let logs = person.path(LOGS);
    fs::create_dir_all(&logs).unwrap();
    let target = |grams, row| Draft {
        target: Some(Mass::from_g(grams)),
        ..row
    };
    let salt = target(80, weighed(1, "Sea salt", "S-1", 80_010));
    let flour = target(20, weighed(2, "Oat flour", "F-1", 20_020));
    let stopped = Draft::new(RowKind::Closed, "stopped after 1 of 2 weighings");
    for (batch, rows) in [
        ("dune-1", vec![salt.clone(), flour.clone(), closed()]),
        ("dune-2", vec![salt.clone(), flour, closed()]),
        ("dune-3", vec![salt, stopped]),
    ] {
        let begun = Begun {
            formula: SOAK,
            label: "Dune soak 1",
            size: Mass::from_g(100),
            jars: None,
            at: "2026-09-01T09:00:00Z",
        };
        begun.written(&logs, batch, &rows);
    }
    person.file("home/.local/share/bismar/formulas/dune.toml", SOAK);
    person.file(
        "home/.config/bismar/lots.toml",
        "[[lot]]\nname = \"S-1\"\ningredient = \"Sea salt\"\namount = \"1 kg\"\nprice_per_kg = \"2.50\"\n",
    );
    person
}

/// Each with the exit code that it ends with.
const COMMANDS: [(&[&str], i32); 32] = [
    (&["status"], 1),
    (&["next"], 1),
    (&["begin", "--go-on"], 0),
    (&["plan", "dune", "--batch", "100g"], 0),
    (&["plan", "dune", "--jars", "3", "--fill", "30g"], 0),
    (&["plan", "nothing", "--batch", "100g"], 4),
    (&["lots"], 0),
    (&["trace", "S-1"], 0),
    (&["trace", "dune-1"], 0),
    (&["trace", "S-9"], 1),
    (&["history", "Sea salt"], 0),
    (&["history", "Sulphur"], 1),
    (&["check", "dune", "--batch", "100g", "--budget"], 0),
    (&["label", "dune-1"], 0),
    (&["declaration", "dune-1"], 0),
    (&["declaration", "dune-1", "--rules", "ca"], 0),
    (&["remedy"], 1),
    (&["remedy", "dune-1"], 0),
    (&["remedy", "dune-3"], 0),
    (&["identify", "--port", "/dev/nowhere", "--write"], 1),
    (&["identify"], 1),
    (&["vessel"], 0),
    (&["vessel", "jug"], 1),
    (&["scale-check", "--weight", "100g", "--class", "M1"], 1),
    (&["repeatability"], 1),
    (&["fill", "--fill", "30g"], 1),
    (&["page"], 1),
    (&["gather"], 4),
    (&["log", "verify", "dune-1", "dune-3"], 0),
    (&["log", "verify", "dune-9"], 4),
    (&["sheet", "dune-1"], 0),
    (&["config", "init", "--write"], 1),
];

/// What is called so everywhere, or by the maker.
const NAMES: [&str; 16] = [
    "ingredients",
    "inci",
    "bismar",
    "sea",
    "salt",
    "oat",
    "flour",
    "dune",
    "soak",
    "dry",
    "bench",
    "jug",
    "remedy",
    "fill",
    "batch",
    "begin",
];

#[test]
fn no_text_of_these_commands_goes_round_the_messages() {
    let person = speaking("x-marked");
    let mut round = Vec::new();
    for (words, code) in COMMANDS {
        round.extend(told_round(&person, words, code));
    }
    assert!(round.is_empty(), "{}", round.join("\n"));
}

/// On the day before the scale comes the figures are for an assumed one.
#[test]
fn no_text_goes_round_the_messages_where_no_scale_is_configured() {
    let person = with_scale("x-marked", "");
    let mut round = Vec::new();
    for (words, code) in [
        (&["check", "dune", "--batch", "100g", "--budget"][..], 0),
        (&["plan", "dune", "--batch", "100g"], 0),
        (&["declaration", "dune-1"], 0),
        (&["status"], 1),
        (&["scale-check", "--weight", "100g", "--class", "M1"], 1),
        (&["repeatability"], 1),
    ] {
        round.extend(told_round(&person, words, code));
    }
    assert!(round.is_empty(), "{}", round.join("\n"));
    for (language, name) in [("de", "angenommen"), ("fr", "supposée")] {
        let person = with_scale(language, "");
        for words in ["check", "plan"] {
            let said = person.run(&[words, "dune", "--batch", "100g"]).ended(0).out;
            assert!(said.contains(name) && !said.contains("assumed"), "{said}");
        }
    }
}

/// The words of what a command says that went round the messages.
fn told_round(person: &Person, words: &[&str], code: i32) -> Option<String> {
    let said = person.run(words).ended(code);
    let text = format!("{}\n{}", said.out, said.err);
    let unknown: Vec<String> = outside(&text)
        .split(|c: char| c.is_whitespace() || ",;:()\"`".contains(c))
        .filter(|word| !word.contains(|c: char| c.is_ascii_digit() || "/.-".contains(c)))
        .map(str::to_lowercase)
        .filter(|word| word.chars().any(char::is_alphabetic))
        // Symbols are the same everywhere: g, u, A, B.
        .filter(|word| word.chars().count() > 1)
        .filter(|word| !NAMES.contains(&word.as_str()))
        .collect();
    (!unknown.is_empty()).then(|| format!("{words:?}: {unknown:?} in {text}"))
}

#[test]
fn the_first_page_of_the_help_is_in_the_language() {
    let page = |language: &str, words: &[&str]| speaking(language).run(words).ended(0).out;
    let marked = page("x-marked", &["--help"]);
    let mut names = NAMES.to_vec();
    names.extend(["command", "options"]);
    // Commands are typed as they are, each at the beginning of its line.
    let told = marked.lines().map(|line| match line.strip_prefix("  ") {
        Some(line) if !line.starts_with(' ') => {
            line.split_once("  ").map_or("", |(_, about)| about)
        }
        _ => line,
    });
    let told = told.collect::<Vec<_>>().join("\n");
    let round = unknown(&told, &names, "-");
    assert!(round.is_empty(), "{round:?} in {marked}");
    let german = page("de", &["--help"]);
    for words in ["Eine Charge vorbereiten:", "\n  begin          Eine Charge"] {
        assert!(german.contains(words), "{words}: {german}");
    }
    assert_eq!(page("de", &["man"]), page("en", &["man"]));
}

/// Commands whose pages are for a maker.
const PAGES: [&[&str]; 33] = [
    &["check"],
    &["plan"],
    &["lots"],
    &["lots", "add"],
    &["lots", "correct"],
    &["lots", "remove"],
    &["begin"],
    &["watch"],
    &["status"],
    &["next"],
    &["keep"],
    &["again"],
    &["undo"],
    &["skip"],
    &["lot"],
    &["note"],
    &["residue"],
    &["cancel"],
    &["remedy"],
    &["stop"],
    &["fill"],
    &["sheet"],
    &["label"],
    &["declaration"],
    &["trace"],
    &["history"],
    &["log"],
    &["log", "verify"],
    &["identify"],
    &["vessel"],
    &["scale-check"],
    &["repeatability"],
    &["page"],
];

/// What `words` say, at a terminal whose environment asks for `locale`.
fn at_terminal(person: &Person, locale: &str, words: &[&str]) -> Said {
    let asked = person.command(words).env("LANG", locale).output();
    Said::of(asked.expect("the binary runs"))
}

#[test]
fn the_page_of_a_command_is_in_the_language() {
    // As they are typed.
    const TYPED: [&str; 14] = [
        "add",
        "correct",
        "remove",
        "verify",
        "help",
        "us",
        "eu",
        "ca",
        "de",
        "supplier",
        "opened",
        "amount",
        "best-before",
        "price-per-kg",
    ];
    let marked = speaking("x-marked");
    let person = Person::new();
    let mut faults = Vec::new();
    for command in PAGES {
        for flag in ["--help", "-h"] {
            let words = [command, &[flag]].concat();
            let page = marked.run(&words).ended(0).out;
            let known =
                |word: &&str| *word == "bismar" || TYPED.contains(word) || command.contains(word);
            let outside = outside(&page);
            let round: Vec<&str> = outside
                .split(|c: char| c.is_whitespace() || "<>[](),|:".contains(c))
                .filter(|word| word.contains(char::is_lowercase))
                .filter(|word| {
                    !word.starts_with('-') && !word.contains(|c: char| c.is_ascii_digit())
                })
                .filter(|word| !known(word))
                .collect();
            if !round.is_empty() {
                faults.push(format!("{words:?}: {round:?} in {page}"));
            }
            let english = at_terminal(&person, "en_GB.UTF-8", &words).ended(0).out;
            assert!(english.contains("\nUsage: bismar "), "{english}");
            let is_told = |line: &&str| {
                let words = line.split_whitespace();
                let plain = |word: &&str| word.starts_with(|c: char| c.is_alphabetic());
                // Values as they are typed, and a name that French shares.
                let values = ["best-before, amount, price-per-kg]", "- ca: Canada"];
                words.filter(plain).count() > 1 && !values.contains(&line.trim())
            };
            for (locale, usage) in [
                ("de_DE.UTF-8", "Aufruf: "),
                ("fr_FR.UTF-8", "Usage\u{a0}: "),
            ] {
                let page = at_terminal(&person, locale, &words).ended(0).out;
                assert!(page.contains(&format!("\n{usage}bismar ")), "{page}");
                for head in [
                    "Usage:",
                    "Options:",
                    "Arguments:",
                    "Commands:",
                    "Possible",
                    "default",
                ] {
                    assert!(!page.contains(head), "{head}: {page}");
                }
                let same = english.lines().filter(is_told);
                let same = same.filter(|line| page.lines().any(|own| own == *line));
                faults.extend(same.map(|line| format!("{locale} {words:?}: {line}")));
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// What the parser of the command line refuses.
#[test]
fn a_command_line_is_refused_in_the_language() {
    const REFUSED: [(&[&str], &str, &str); 14] = [
        (
            &["begin", "--foo"],
            "bismar: „--foo“ ist hier unbekannt\nWas hilft: schreib es so: bismar begin [OPTIONEN] ",
            "bismar: «\u{a0}--foo\u{a0}» n'est pas connu ici\n",
        ),
        (
            &["begn"],
            "bismar: es gibt keinen Befehl „begn“\nWas hilft: vielleicht ist dies gemeint: begin\n",
            "bismar: il n'y a pas de commande «\u{a0}begn\u{a0}»\n",
        ),
        (
            &["plan", "soak", "--batsh", "5g"],
            "bismar: „--batsh“ ist hier unbekannt\nWas hilft: vielleicht ist dies gemeint: --batch\n",
            "bismar: «\u{a0}--batsh\u{a0}» n'est pas connu ici\n",
        ),
        (
            &["label"],
            "bismar: nicht angegeben: <CHARGE>\nWas hilft: schreib es so: bismar label <CHARGE>\n",
            "bismar: non indiqué\u{a0}: <FABRICATION>\n",
        ),
        (
            &["plan", "soak", "--batch"],
            "bismar: --batch <MASSE> braucht einen Wert\nWas hilft: der Befehl mit --help ",
            "bismar: --batch <MASSE> demande une valeur\n",
        ),
        (
            &["plan", "soak", "--batch", "5"],
            "bismar: --batch <MASSE> kann nicht „5“ sein: Einheit fehlt ",
            "bismar: --batch <MASSE> ne peut pas être «\u{a0}5\u{a0}»\u{a0}: ",
        ),
        (
            &["plan", "soak", "--jars", "0"],
            "bismar: --jars <ANZAHL> kann nicht „0“ sein: schreib eine ganze Zahl Tiegel ab 1, ",
            "bismar: --jars <NOMBRE> ne peut pas être «\u{a0}0\u{a0}»\u{a0}: écrivez un nombre entier de pots ",
        ),
        (
            &["plan", "soak", "--batch", "5g", "--jar-price", "x"],
            "bismar: --jar-price <PREIS> kann nicht „x“ sein: keine ",
            "bismar: --jar-price <PRIX> ne peut pas être «\u{a0}x\u{a0}»\u{a0}: ",
        ),
        (
            &["label", "b", "--rules", "uk"],
            "bismar: --rules <REGELN> kann nicht „uk“ sein; es ist eines von: us, eu, ca\n",
            "bismar: --rules <RÈGLES> ne peut pas être «\u{a0}uk\u{a0}»\u{a0}; c'est l'un de\u{a0}: us, eu, ca\n",
        ),
        (
            &["residue", "x"],
            "bismar: [SCHRITT] kann nicht „x“ sein: schreib eine ganze Zahl\n",
            "bismar: [ÉTAPE] ne peut pas être «\u{a0}x\u{a0}»\u{a0}: écrivez un nombre entier\n",
        ),
        (
            &["status", "--json=4"],
            "bismar: --json nimmt keinen Wert „4“\n",
            "bismar: --json ne prend pas de valeur «\u{a0}4\u{a0}»\n",
        ),
        (
            &["plan", "soak", "--batch", "5g", "--jars", "3"],
            "bismar: --batch <MASSE> geht nicht zusammen mit --jars <ANZAHL>\n",
            "bismar: --batch <MASSE> ne va pas avec --jars <NOMBRE>\n",
        ),
        (
            &["plan", "soak", "--batch", "5g", "--batch", "6g"],
            "bismar: --batch <MASSE> wurde mehr als einmal angegeben\n",
            "bismar: --batch <MASSE> a été indiqué plus d'une fois\n",
        ),
        (&["next", "a\u{1b}[2J"], "bismar: „a", "bismar: «\u{a0}a"),
    ];
    let person = Person::new();
    for (words, german, french) in REFUSED {
        for (locale, begins) in [("de_DE.UTF-8", german), ("fr_FR.UTF-8", french)] {
            let said = at_terminal(&person, locale, words).ended(2);
            assert!(said.err.starts_with(begins), "{words:?}: {}", said.err);
            for english in ["error", "tip:", "Usage: ", "try '", "\u{1b}"] {
                assert!(!said.err.contains(english), "{english}: {said:?}");
            }
            assert_eq!(said.out, "");
        }
        let english = at_terminal(&person, "en_GB.UTF-8", words).ended(2);
        assert!(english.err.starts_with("error: "), "{english:?}");
    }
    // A command without what it needs shows its page, in the language too.
    let page = at_terminal(&person, "de_DE.UTF-8", &["log"]).ended(2).err;
    assert!(page.contains("\nAufruf: bismar log <BEFEHL>\n"), "{page}");
}

/// What is printed: the batch sheet, and the labels with what they lack. The log's own remarks and the formula's text
/// stay as they are.
#[test]
fn no_text_on_paper_goes_round_the_messages() {
    let person = speaking("x-marked");
    let sheet = person.run(&["sheet", "dune-1", "--out", "-"]).ended(0).out;
    person
        .run(&["label", "dune-1", "--rules", "eu", "--sheet", "labels.html"])
        .ended(0);
    let labels = fs::read_to_string(person.path("labels.html")).unwrap();
    let mut names = NAMES.to_vec();
    names.extend(["iso", "cfr", "utc"]);
    for (page, known) in [
        (sheet, "Raw materials weighed"),
        (labels, "Labels of batch"),
    ] {
        assert!(page.contains(known), "{page}");
        let (_, body) = page.split_once("</head>").unwrap();
        let body = body.split("<pre>").next().unwrap();
        let told = body.split('<').map(|part| match part.split_once('>') {
            Some((_, text)) => format!("{text}\n"),
            None => part.to_owned(),
        });
        let told = told.collect::<String>().replace("&quot;", "\"");
        let mut unknown = unknown(&told, &names, "/.-");
        // Points of the rules, and symbols.
        unknown.retain(|word| word.chars().count() > 1);
        assert!(unknown.is_empty(), "{unknown:?} in {told}");
    }
    // In German with the comma; what the law has in another language stays, and so does a label for a place where
    // English is asked for.
    let german = speaking("de");
    let sheet = german.run(&["sheet", "dune-1", "--out", "-"]).ended(0).out;
    for words in ["<html lang=\"de\">", "Gewogene Rohstoffe", "<b>80,01</b>"] {
        assert!(sheet.contains(words), "{words}: {sheet}");
    }
    // Days as the place writes them. Appended, the formula stays what it was.
    for (tag, day) in [
        ("de", "01.09.2026 09:00:00 UTC"),
        ("fr", "01/09/2026 09:00:00 UTC"),
    ] {
        let sheet = speaking(tag)
            .run(&["sheet", "dune-1", "--out", "-"])
            .ended(0)
            .out;
        assert!(sheet.contains(day), "{sheet}");
        let told = sheet.split("<pre>").next().unwrap();
        let is_iso = |part: &[u8]| {
            (part.iter().enumerate()).all(|(i, sign)| match i {
                4 | 7 => *sign == b'-',
                _ => sign.is_ascii_digit(),
            })
        };
        let left = told.as_bytes().windows(10).position(is_iso);
        assert_eq!(left.map(|at| &told[at..at + 30]), None, "{tag}");
    }
    for (rules, words) in [
        ("eu", ["Ingredients:", "Charge: dune-1", ">7,5 g</p>"]),
        ("us", ["Ingredients:", "Batch: dune-1", "0.26 OZ (7.5 g)"]),
        (
            "ca",
            ["Ingrédients", "Batch: / Lot\u{a0}: dune-1", ">7.5 g</p>"],
        ),
    ] {
        let paper = format!("{rules}.html");
        let of = [
            "label", "dune-1", "--net", "7.5g", "--rules", rules, "--sheet", &paper,
        ];
        german.run(&of).ended(0);
        let paper = fs::read_to_string(german.path(&paper)).unwrap();
        for words in words {
            assert!(paper.contains(words), "{rules}: {words}: {paper}");
        }
    }
}

/// What is wrong with a file of hers, also where the library that reads TOML says it.
#[test]
fn a_fault_of_a_file_is_told_in_the_language() {
    let person = speaking("x-marked");
    let mut round = Vec::new();
    for text in [
        "[formula\n",
        "[formula]\nname = \"a\nb\"\n",
        "[formula]\nname = \"a\"\nname = \"b\"\n",
        "[formula]\nname = a b\n",
        "[[phase]\n",
        "= 5\n",
        "[formula]\nname = \"\\q\"\n",
        "[formula]\nname = 1979-13-40\n",
    ] {
        let file = person.file("bad.toml", text);
        round.extend(told_round(&person, &["check", file.to_str().unwrap()], 4));
    }
    let scale = "[[scale]]\nname = \"bench\"\nport = \"/dev/nowhere\"\n";
    for text in [
        "layout = \"sign-numbr\"\n",
        "layout = \"pattern\"\n",
        "layout = \"comma-header\"\nunit = \"g\"\n",
        "layout = \"comma-header\"\npattern = 'x'\n",
        "pattern = '('\n",
        "pattern = 'x'\n",
        "pattern = '(?<weight>x)'\n",
        "pattern = '(?<number>[0-9]+)'\n",
        "pattern = '(?<pounds>[0-9]+)'\n",
    ] {
        let file = person.file("bad.toml", &format!("{scale}{text}"));
        let words = ["identify", "--config", file.to_str().unwrap()];
        round.extend(told_round(&person, &words, 4));
    }
    assert!(round.is_empty(), "{}", round.join("\n"));
    // The place stays as it is, in front.
    let german = speaking("de");
    let file = german.file("bad.toml", "[formula\n");
    let file = file.to_str().unwrap();
    let said = german.run(&["check", file]).ended(4).err;
    let begins = format!("bismar: {file}:1:9: das lässt sich nicht als TOML lesen (");
    assert!(said.starts_with(&begins), "{said}");
}

#[test]
fn the_terminal_speaks_with_commas_and_what_is_written_stays_as_it_is() {
    let person = speaking("de");
    let plan = person
        .run(&["plan", "dune", "--batch", "100g"])
        .ended(0)
        .out;
    for words in [
        "Zutat",
        "79,23 – 80,77",
        "Vorrätige Lose",
        "Zutaten mindestens 0,20.",
    ] {
        assert!(plan.contains(words), "{words}: {plan}");
    }
    let none = person.run(&["status"]).ended(1).err;
    assert!(none.starts_with("bismar: der Dienst läuft nicht"), "{none}");
    let traced = person.run(&["trace", "S-1"]).ended(0).out;
    assert!(traced.contains("S-1 kam in 3 Chargen:"), "{traced}");
    assert!(traced.contains("80,01"), "{traced}");
    // A picture in a file is English with points, as the log is.
    let svg = person.path("chart.svg");
    let file = svg.to_str().unwrap();
    let told = person.run(&["history", "Sea salt", "--svg", file]).ended(0);
    assert!(told.out.contains("Abweichung vom Sollwert"), "{told:?}");
    let drawn = fs::read_to_string(&svg).unwrap();
    assert!(drawn.contains("upper limit 0.013"), "{drawn}");
    // A fault of a file of hers.
    let formula = fs::read_to_string(repository("config/formulas/first-soak.toml")).unwrap();
    let bad = person.file("bad.toml", &formula.replace("20.0", "20,5"));
    let refused = person.run(&["check", bad.to_str().unwrap()]).ended(4).err;
    assert!(
        refused.contains(
            "die Zahl 20,5 hat ein Komma. Schreib einen Dezimalpunkt und kein Komma: 20.5."
        ),
        "{refused}"
    );
}

#[test]
fn what_is_in_brackets_within_brackets_is_inside() {
    let text = "a.toml ⟦Lift ⟦it⟧ now⟧: Two 3g `two`, dune";
    assert_eq!(outside(text), "a.toml : Two 3g `two`, dune");
    assert_eq!(unknown(text, &["dune"], "."), ["two", "two"]);
}
