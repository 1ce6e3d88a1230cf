//! `bismar label`: real logs, the check, and the sheet of labels in a real browser, its code read by an
//! independent decoder (zxing-cpp). What a label needs: Regulation (EC) No 1223/2009, article 19(1), as STANDARDS
//! have it (a list, read in a reproduction).

use std::fs;
use std::path::Path;

use bismar::mass::Mass;
use bismar::vocabulary::entry::{Draft, RowKind};

use crate::bench_side::logs::{Begun, closed, jar, weighed};
use crate::bench_side::person::bismar;
use crate::bench_side::python;

const SOAK: &str = r#"[formula]
name = "Dune <b>soak</b>"
use = "rinse-off"
[label]
function = "bath soak"
precautions = "For outside use only. Keep out of the eyes & ears."
keeps_months = 18
[[phase]]
[[phase.ingredient]]
name = "Salt"
inci = "Maris Sal"
percent = 98
[[phase.ingredient]]
name = "Oil"
inci = "Helianthus Annuus Seed Oil"
percent = 2
premix = "Dune oil"
"#;
const OIL: &str = "[formula]\nname = \"Dune oil\"\nuse = \"premix\"\n[[phase]]\n[[phase.ingredient]]\n\
                   name = \"Sunflower oil\"\ninci = \"Helianthus Annuus Seed Oil\"\npercent = 100\n";
const LOTS: &str = "[[lot]]\nname = \"S-1\"\ningredient = \"Salt\"\nbest_before = 2030-01-01\n\
                    [[lot]]\nname = \"F-1\"\ningredient = \"Sunflower oil\"\nbest_before = 2026-09-30\n";
const CONFIG: &str = "[label]\nresponsible = \"Saltmarsh Bench, 1 Quay Row, Glasswort Haven\"\n";

/// A soak of two steps, the second one a premix, and two jars; `ended` is its last row before them.
fn bench(ended: Option<Draft>) -> tempfile::TempDir {
    let home = tempfile::tempdir().unwrap();
    let logs = home.path().join("logs");
    fs::create_dir(&logs).unwrap();
    let begun = |formula, label, size| Begun {
        formula,
        label,
        size: Mass::from_g(size),
        jars: None,
        at: "2026-03-02T09:00:00Z",
    };
    let oil = [weighed(1, "Sunflower oil", "F-1", 30_000), closed()];
    begun(OIL, "Dune oil", 30).written(&logs, "oil-1", &oil);
    let mut rows = vec![weighed(1, "Salt", "S-1", 117_600)];
    rows.extend(match ended {
        Some(row) => vec![row],
        None => {
            let oil = weighed(2, "Oil", "oil-1", 2_400);
            vec![oil, closed(), jar(1, 59_900), jar(2, 60_040)]
        }
    });
    begun(SOAK, "Dune <b>soak</b>", 120).written(&logs, "soak-1", &rows);
    fs::write(home.path().join("lots.toml"), LOTS).unwrap();
    configured(home.path(), CONFIG);
    home
}

fn configured(home: &Path, text: &str) {
    let folder = home.join(".config/bismar");
    fs::create_dir_all(&folder).unwrap();
    fs::write(folder.join("config.toml"), text).unwrap();
}

/// What it prints with its lines folded into one each, what it says, and the exit code.
fn label(home: &Path, more: &[&str]) -> (String, String, i32) {
    told(home, "soak-1", more)
}

/// The same of any batch.
fn told(home: &Path, batch: &str, more: &[&str]) -> (String, String, i32) {
    let words = ["label", batch, "--logs", "logs", "--lots", "lots.toml"];
    let mut command = bismar(home);
    command
        .env("HOME", home)
        .env_remove("XDG_CONFIG_HOME")
        .args(words)
        .args(more);
    let out = command.output().unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    let text = text.replace(&format!("\n{:21}", ""), " ");
    let said = String::from_utf8(out.stderr).unwrap();
    (text, said, out.status.code().unwrap())
}

#[track_caller]
fn has(text: &str, state: &str, what: &str) {
    let line = format!("{state:21}{what}");
    assert!(
        text.lines().any(|one| one.starts_with(&line)),
        "no line \"{line}\" in\n{text}"
    );
}

#[test]
fn each_thing_is_there_missing_or_not_known() {
    let home = bench(None);
    let (text, said, code) = label(home.path(), &["--rules", "eu"]);
    assert_eq!((code, said.as_str()), (0, ""), "{text}");
    assert!(
        text.starts_with("Label of batch soak-1, Dune <b>soak</b> (EU"),
        "{text}"
    );
    has(
        &text,
        "there",
        "responsible person: Saltmarsh Bench, 1 Quay Row",
    );
    // The lightest jar, 59.90 g, rounded down.
    has(
        &text,
        "there",
        "net contents: 59 g, rounded down (the lightest jar filled); figures at least 3 mm",
    );
    // The oil's lot, in the premix, is good for less than the 18 months from 2026-03-02.
    has(
        &text,
        "there",
        "best before, or period after opening: best before 2026-09-30 (lot F-1 of Sunflower oil)",
    );
    has(&text, "there", "precautions: For outside use only.");
    has(&text, "there", "batch code: soak-1");
    has(&text, "there", "function: bath soak");
    has(
        &text,
        "there",
        "ingredients: Maris Sal, Helianthus Annuus Seed Oil",
    );
    has(&text, "there", "fragrance allergens: none by what is known");
    assert!(text.contains("Local law decides"), "{text}");

    // The same where no rules are named, as the page takes them, and it is said how others are.
    let (same, said, code) = label(home.path(), &[]);
    assert_eq!((same, code), (text, 0));
    assert_eq!(
        said,
        "By EU, Regulation 1223/2009 art. 19, since no other rules were named; --rules us, eu or ca names them.\n"
    );

    let (text, _, _) = label(home.path(), &["--net", "680.4g", "--rules", "us"]);
    has(
        &text,
        "there",
        "net contents: NET WT 24 OZ (1 LB 8 OZ) 680 g, rounded down (as typed)",
    );
    has(
        &text,
        "not known to bismar",
        "warnings of 21 CFR 740: 21 CFR 740 has warnings",
    );

    // Canada: metric (C.R.C., c. 417, s. 14(2) for the height), and what only the maker knows.
    let words = ["--rules", "ca", "--sheet", "ca.html"];
    let (text, said, code) = label(home.path(), &words);
    assert_eq!((code, said.as_str()), (0, ""), "{text}");
    assert!(text.contains("(Canada, C.R.C., c. 869 and c. 417)"));
    for (state, what) in [
        ("there", "name and principal place of business: Saltmarsh"),
        (
            "there",
            "net contents: 59 g, rounded down (the lightest jar filled); figures in bold",
        ),
        ("there", "what it is: bath soak"),
        ("there", "fragrance allergens: none by what is known"),
        (
            "not known to bismar",
            "English and French: what it is stands in both",
        ),
    ] {
        has(&text, state, what);
    }
    assert!(!text.contains("21 CFR"), "{text}");
    let page = fs::read_to_string(home.path().join("ca.html")).unwrap();
    assert_eq!(page.matches("mm\">59 g</p>").count(), 2, "{page}");

    // A detergent for the bath: a hint (21 CFR 740.17 by its heading), and still the maker's to know.
    let foam = SOAK.replace("Maris Sal", "Sodium Coco-Sulfate");
    fs::write(home.path().join("foam.toml"), foam).unwrap();
    let (text, _, _) = label(home.path(), &["--formula", "foam.toml", "--rules", "us"]);
    has(
        &text,
        "not known to bismar",
        "warnings of 21 CFR 740: this one may be under 740.17, since it is for the bath and holds what foams: Sodium \
         Coco-Sulfate (from memory)",
    );

    // The formula's months where they end sooner, and where no lot has a day.
    let soon = SOAK.replace(
        "keeps_months = 18",
        "keeps_months = 6\nafter_opening_months = 3",
    );
    fs::write(home.path().join("soon.toml"), soon).unwrap();
    let (text, _, _) = label(home.path(), &["--formula", "soon.toml"]);
    has(
        &text,
        "there",
        "best before, or period after opening: best before 2026-09-02 (6 months from 2026-03-02); 3 months after opening",
    );

    // Nothing told.
    configured(home.path(), "");
    let (bare, rest) = SOAK.split_once("[label]").unwrap();
    let bare = format!(
        "{bare}{}",
        rest.get(rest.find("[[phase]]").unwrap()..).unwrap()
    );
    fs::write(
        home.path().join("bare.toml"),
        bare.replace("inci = \"Maris Sal\"\n", ""),
    )
    .unwrap();
    fs::write(home.path().join("lots.toml"), "").unwrap();
    let (text, said, code) = label(home.path(), &["--formula", "bare.toml", "--rules", "eu"]);
    assert_eq!(code, 0);
    // Each is told once, at its place.
    assert!(!said.contains("INCI name"), "{said}");
    has(&text, "missing", "responsible person: write responsible = ");
    has(
        &text,
        "missing",
        "best before, or period after opening: write keeps_months",
    );
    has(&text, "not known to bismar", "precautions: ");
    has(&text, "missing", "function: write function = ");
    has(&text, "missing", "ingredients: no INCI name of Salt; ");
    let only_oil = LOTS.split_once("[[lot]]\nname = \"F-1\"").unwrap().1;
    fs::write(
        home.path().join("lots.toml"),
        format!("[[lot]]\nname = \"F-1\"{only_oil}"),
    )
    .unwrap();
    let (text, _, _) = label(home.path(), &["--formula", "bare.toml", "--rules", "eu"]);
    has(
        &text,
        "not known to bismar",
        "best before, or period after opening: the earliest day known is 2026-09-30 (lot F-1 of Sunflower oil); no day is \
         known of lot S-1 of Salt; write keeps_months",
    );
}

#[test]
fn a_stopped_batch_says_so_first_and_on_every_label() {
    let home = bench(Some(Draft::new(RowKind::Closed, "stopped")));
    let (text, _, code) = label(home.path(), &["--sheet", "labels.html"]);
    assert_eq!(code, 0);
    let first =
        "NOT COMPLETE: batch soak-1 is incomplete: Oil not weighed; what is in it is declared.";
    assert_eq!(text.lines().next(), Some(first));
    has(
        &text,
        "missing",
        "net contents: no jar of it was filled or planned",
    );
    has(
        &text,
        "not known to bismar",
        "ingredients: not complete, as the first line says",
    );
    let page = fs::read_to_string(home.path().join("labels.html")).unwrap();
    let (_, body) = page.split_once("<body>").unwrap();
    assert!(
        body.trim_start()
            .starts_with(&format!("<p class=\"alarm\">{first}</p>")),
        "{body}"
    );
    assert_eq!(body.matches("NOT COMPLETE: not to be used").count(), 1);
    // A page that is there is nobody's to write over.
    let (_, said, code) = label(home.path(), &["--sheet", "labels.html"]);
    assert_eq!(code, 1);
    assert!(
        said.contains("with --sheet, or write over it with --force"),
        "{said}"
    );
    let (_, _, code) = label(home.path(), &["--sheet", "labels.html", "--force"]);
    assert_eq!(code, 0);
    let (_, said, code) = label(home.path(), &["--sheet", "more.html", "--each-jar"]);
    assert_eq!(code, 1);
    assert!(
        said.contains("batch soak-1 has no filled jar\nRemedy: "),
        "{said}"
    );
}

/// What stands behind the damage is not known, so what stands before it is no whole batch.
#[test]
fn a_damaged_log_says_so_first() {
    let home = bench(None);
    let log = home.path().join("logs/soak-1.csv");
    let whole = fs::read_to_string(&log).unwrap();
    // The second jar, as heavy as it was not.
    assert!(whole.contains(",60.04,"), "{whole}");
    fs::write(&log, whole.replace(",60.04,", ",66.04,")).unwrap();
    let (text, said, code) = label(home.path(), &["--sheet", "labels.html"]);
    assert_eq!(code, 0, "{said}");
    let first =
        "NOT COMPLETE: the log of batch soak-1 is damaged; what it holds before that is declared.";
    assert_eq!(text.lines().next(), Some(first));
    let page = fs::read_to_string(home.path().join("labels.html")).unwrap();
    assert_eq!(page.matches("<div class=\"label\">").count(), 1);
    assert!(
        page.contains("NOT COMPLETE: not to be used") && !page.contains("66"),
        "{page}"
    );
}

#[test]
fn wrong_words_are_told_with_their_place() {
    let home = bench(None);
    for (config, wanted) in [
        (
            "[label]\nresponsibel = \"x\"\n",
            "config.toml:2:1: [label] has no key \"responsibel\". Write \"responsible\"",
        ),
        (
            "[label]\nresponsible = 7\n",
            "config.toml:2:15: \"responsible\" must be a text",
        ),
    ] {
        configured(home.path(), config);
        let (_, said, code) = label(home.path(), &[]);
        assert_eq!(code, 4);
        assert!(said.contains(wanted), "{said}");
    }
    for (line, wanted) in [
        (
            "keeps_months = 0",
            "f.toml:7:16: \"keeps_months\" is 0, which is out of range. Write a whole number from 1 to 120",
        ),
        (
            "keep_months = 18",
            "f.toml:7:1: [label] has no key \"keep_months\"",
        ),
    ] {
        fs::write(
            home.path().join("f.toml"),
            SOAK.replace("keeps_months = 18", line),
        )
        .unwrap();
        let (_, said, code) = label(home.path(), &["--formula", "f.toml"]);
        assert_eq!(code, 4);
        assert!(said.contains(wanted), "{said}");
    }
}

/// Printed in black and white, in a real Chromium: nothing from elsewhere, nothing wider than its label, each
/// jar's own net weight with figures as high as asked, and a code that another program reads.
#[test]
fn labels_are_read_off_the_page_as_a_browser_shows_it() {
    let home = bench(None);
    let (_, said, code) = label(
        home.path(),
        &["--rules", "eu", "--sheet", "labels.html", "--each-jar"],
    );
    assert_eq!((code, said.as_str()), (0, ""));
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/commands/labels.py");
    let out = python::python()
        .arg(script)
        .arg(home.path().join("labels.html"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{said}");
    let seen: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(
        seen["codes"],
        serde_json::json!(["soak-1", "soak-1"]),
        "{seen}"
    );
    assert_eq!(seen["from_outside"], 0, "{seen}");
    assert_eq!(seen["too_wide"], 0, "{seen}");
    assert_eq!(seen["complaints"], serde_json::json!([]), "{seen}");
    assert_eq!(seen["net"], serde_json::json!(["59 g", "60 g"]), "{seen}");
    // Directive 76/211/EEC, annex I, 3.1 (from memory): 3 mm above 50 g.
    let heights: Vec<f64> = serde_json::from_value(seen["mm"].clone()).unwrap();
    assert!(heights.iter().all(|mm| *mm >= 3.0), "{seen}");
    for words in [
        "Dune <b>soak</b>",
        "Keep out of the eyes & ears.",
        "Best used before the end of 30 September 2026",
        "Batch: soak-1, jar 2",
    ] {
        assert!(
            seen["text"].as_str().unwrap().contains(words),
            "{words}: {seen}"
        );
    }
}

/// What bismar does not know is not called free of allergens: it is named, in the reader's language.
#[test]
fn a_name_that_is_not_known_is_no_verdict() {
    let home = bench(None);
    for (at, (name, inci, lang, first)) in [
        (
            "Dune stuff",
            "",
            "en_GB.UTF-8",
            "NOT COMPLETE: whether fragrance allergens are in Dune stuff is not known,",
        ),
        (
            "Dünenzeug",
            "",
            "de_DE.UTF-8",
            "NICHT VOLLSTÄNDIG: ob in Dünenzeug allergene Duftstoffe sind, ist nicht bekannt,",
        ),
        (
            "Truc des dunes",
            "",
            "fr_FR.UTF-8",
            "INCOMPLET : on ne sait pas s'il y a des allergènes de parfum dans Truc des dunes,",
        ),
        (
            "Lavendelöl",
            "",
            "en_GB.UTF-8",
            "NOT COMPLETE: what fragrance allergens are in Lavendelöl is not known;",
        ),
        // Known as a preservative and as an isolate, both of which Annex III may name.
        (
            "Benzylalkohol",
            "",
            "en_GB.UTF-8",
            "NOT COMPLETE: whether fragrance allergens are in Benzylalkohol is not known,",
        ),
        (
            "Mentholkristalle",
            "",
            "en_GB.UTF-8",
            "NOT COMPLETE: whether fragrance allergens are in Mentholkristalle is not known,",
        ),
        (
            "Alkohol mit Kampfer",
            "",
            "en_GB.UTF-8",
            "NOT COMPLETE: whether fragrance allergens are in Alkohol mit Kampfer is not known,",
        ),
        // No INCI name has such a letter.
        (
            "Dune stuff",
            "Dünenzeug",
            "en_GB.UTF-8",
            "NOT COMPLETE: whether fragrance allergens are in Dünenzeug is not known,",
        ),
        // A wax, by its name; and by its INCI name a salt.
        ("Bienenwachs", "", "en_GB.UTF-8", "INGREDIENTS: Bienenwachs"),
        (
            "Dune stuff",
            "Maris Sal",
            "en_GB.UTF-8",
            "INGREDIENTS: Maris Sal",
        ),
    ]
    .into_iter()
    .enumerate()
    {
        let inci_line = match inci {
            "" => String::new(),
            inci => format!("inci = \"{inci}\"\n"),
        };
        let formula = format!(
            "[formula]\nname = \"Trial\"\n[[phase]]\n[[phase.ingredient]]\nname = \"{name}\"\n{inci_line}percent = 100\n"
        );
        let batch = format!("trial-{at}");
        let begun = Begun {
            formula: &formula,
            label: "Trial",
            size: Mass::from_g(100),
            jars: None,
            at: "2026-03-02T09:00:00Z",
        };
        let rows = [weighed(1, name, "T-1", 100_000), closed()];
        begun.written(&home.path().join("logs"), &batch, &rows);
        let run = |command: &str| {
            let mut run = bismar(home.path());
            run.env("HOME", home.path()).env_remove("XDG_CONFIG_HOME");
            run.env("LANG", lang).env_remove("LC_ALL");
            run.args([command, &batch, "--logs", "logs", "--rules", "eu"]);
            String::from_utf8(run.output().unwrap().stdout).unwrap()
        };
        let said = run("declaration");
        let said = said.replace('\u{a0}', " ");
        assert!(said.starts_with(first), "{first}\n{said}");
        if lang.starts_with("en") {
            let known = first.starts_with("INGREDIENTS");
            let none = said.lines().any(|line| line == "none by what is known");
            let open = said
                .lines()
                .any(|line| line == "not known, as the first line says");
            assert_eq!((none, open), (known, !known), "{said}");
            let state = match known {
                true => "there",
                false => "not known to bismar",
            };
            has(&run("label"), state, "fragrance allergens: ");
        }
    }
}

/// A batch of one ingredient, 100 g, of the product `product`; its logs lie in `logs`.
fn of_one(home: &Path, batch: &str, product: &str, name: &str) {
    let formula = format!(
        "[formula]\nname = \"{product}\"\n[[phase]]\n[[phase.ingredient]]\nname = \"{name}\"\npercent = 100\n"
    );
    let begun = Begun {
        formula: &formula,
        label: product,
        size: Mass::from_g(100),
        jars: None,
        at: "2026-03-02T09:00:00Z",
    };
    let rows = [weighed(1, name, "T-1", 100_000), closed()];
    begun.written(&home.join("logs"), batch, &rows);
    fs::write(home.join(format!("{batch}.toml")), formula).unwrap();
}

/// Whoever writes in German or French gets the hint that whoever writes in English gets. Names: common practice, no
/// source.
#[test]
fn what_foams_in_the_bath_is_known_in_three_languages() {
    let home = bench(None);
    let list = "[[substance]]\nname = \"Wellenzauber\"\nkind = \"detergent\"\n";
    fs::write(home.path().join("substances.toml"), list).unwrap();
    for (at, (product, name, hinted)) in [
        ("Dune bath foam", "SLSA", true),
        ("Dünen-Badesalz", "Kokosglucosid", true),
        ("Fußbad Düne", "Natriumlaurylsulfoacetat", true),
        ("Schaumbad", "Cocamidopropylbetain", true),
        ("Bain moussant des dunes", "Coco-glucoside", true),
        (
            "Sel de bain moussant",
            "Lauryl sulfoacétate de sodium",
            true,
        ),
        ("Mousse de bain", "Base moussante neutre", true),
        ("Badeschaum", "Wellenzauber", true),
        // Neither foams; and neither is for the bath.
        ("Badesalz", "Natriumsulfat", false),
        ("Bain des dunes", "Huile de coco", false),
        ("Baume à la badiane", "Coco-glucoside", false),
    ]
    .into_iter()
    .enumerate()
    {
        let batch = format!("foam-{at}");
        of_one(home.path(), &batch, product, name);
        let file = format!("{batch}.toml");
        let words = ["--formula", &file, "--rules", "us"];
        let (text, said, _) = told(home.path(), &batch, &words);
        let hint = format!(
            "warnings of 21 CFR 740: this one may be under 740.17, since it is for the bath and holds what foams: {name} "
        );
        assert_eq!(text.contains(&hint), hinted, "{text}{said}");
    }
    // Two of them, in words that go with one and with several.
    let part = |name| format!("[[phase.ingredient]]\nname = \"{name}\"\npercent = 50\n");
    let formula = format!(
        "[formula]\nname = \"Bath\"\n[[phase]]\n{}{}",
        part("SLSA"),
        part("Coco-glucoside")
    );
    let begun = Begun {
        formula: &formula,
        label: "Bath",
        size: Mass::from_g(100),
        jars: None,
        at: "2026-03-02T09:00:00Z",
    };
    let rows = [
        weighed(1, "SLSA", "T-1", 50_000),
        weighed(2, "Coco-glucoside", "T-2", 50_000),
        closed(),
    ];
    begun.written(&home.path().join("logs"), "foams", &rows);
    let (text, said, _) = told(home.path(), "foams", &["--rules", "us"]);
    let both = "holds what foams: SLSA, Coco-glucoside (from memory)";
    assert!(text.contains(both), "{text}{said}");
}

/// What only the maker's list has for a name is its INCI name everywhere: in the list of ingredients, for the allergens.
#[test]
fn an_inci_name_of_the_maker_s_list_is_on_the_label() {
    let home = bench(None);
    of_one(home.path(), "pine", "Dune balm", "Benzylalkohol");
    let list = "[[substance]]\nname = \"benzylalkohol\"\ninci = \"Benzyl Alcohol\"\n";
    fs::write(home.path().join("substances.toml"), list).unwrap();
    let words = |rules| ["--formula", "pine.toml", "--rules", rules];
    let (text, said, _) = told(home.path(), "pine", &words("eu"));
    assert_eq!(said, "", "{text}");
    has(&text, "there", "ingredients: Benzyl Alcohol");
    has(&text, "there", "fragrance allergens: Benzyl Alcohol");
    let (text, _, _) = told(home.path(), "pine", &words("us"));
    has(&text, "there", "ingredients: Benzyl Alcohol");
}

/// An INCI name that nobody has looks like one: that nothing here knows it is said, and of those that are known not.
#[test]
fn an_inci_name_that_nothing_here_knows_is_named() {
    let home = bench(None);
    let formula = "[formula]\nname = \"Dune balm\"\n[[phase]]\n\
        [[phase.ingredient]]\nname = \"Dune stuff\"\ninci = \"Duna Inventa Oil\"\npercent = 50\n\
        [[phase.ingredient]]\nname = \"Salz\"\ninci = \"Maris Sal\"\npercent = 50\n";
    let begun = Begun {
        formula,
        label: "Dune balm",
        size: Mass::from_g(100),
        jars: None,
        at: "2026-03-02T09:00:00Z",
    };
    let rows = [
        weighed(1, "Dune stuff", "T-1", 50_000),
        weighed(2, "Salz", "T-2", 50_000),
        closed(),
    ];
    begun.written(&home.path().join("logs"), "dune", &rows);
    fs::write(home.path().join("dune.toml"), formula).unwrap();
    let words = ["--formula", "dune.toml", "--rules", "eu"];
    let (text, ..) = told(home.path(), "dune", &words);
    let names = "INCI names: not found among the names that bismar knows, nor in the list of substances: Duna Inventa Oil;";
    has(&text, "not known to bismar", names);
    has(&text, "there", "ingredients: Duna Inventa Oil, Maris Sal");
    // Who has written of it knows it.
    let list = "[[substance]]\ninci = \"Duna Inventa Oil\"\nsource = \"supplier's sheet\"\n";
    fs::write(home.path().join("substances.toml"), list).unwrap();
    let (text, said, _) = told(home.path(), "dune", &words);
    assert!(!text.contains("INCI names"), "{text}{said}");
}
