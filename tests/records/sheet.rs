//! `bismar sheet`: real logs of a season, and logs written with the real log writer. The page is read
//! back with Python's html.parser and held against the CSV read with Python's csv module.

use std::path::{Path, PathBuf};

use bismar::formula::Formula;
use bismar::formula::examples::SAMPHIRE;
use bismar::mass::Mass;
use bismar::vocabulary::entry::{Draft, RowKind, Verdict};

use crate::bench_side::logs::{Begun, logs_in};
use crate::bench_side::person::{prints, said};
use crate::bench_side::python::{self, NO_WORDS};

/// What a browser would make of the page: text with tags as line ends, and the elements and
/// attributes, one a line after a mark.
#[track_caller]
fn parsed(page: &str) -> (String, String) {
    let script = "import sys\nfrom html.parser import HTMLParser\n\
        class P(HTMLParser):\n\
        \x20   def handle_starttag(self, tag, attrs):\n\
        \x20       tags.append(tag + ' ' + ' '.join(f'{k}={v}' for k, v in attrs)); text.append('\\n')\n\
        \x20   def handle_endtag(self, tag): text.append('\\n')\n\
        \x20   def handle_data(self, data): text.append(data)\n\
        text, tags = [], []\nP().feed(sys.stdin.read())\n\
        print(''.join(text)); print('\\x1e'); print('\\n'.join(tags))";
    let out = python::asked(script, NO_WORDS, page.as_bytes());
    let (text, tags) = out.split_once('\u{1e}').unwrap();
    (text.to_owned(), tags.to_owned())
}

fn sheet_of(home: &Path, log: &Path) -> String {
    prints(home, &["sheet", log.to_str().unwrap(), "--out", "-"])
}

fn first_log(folder: &Path, begin: &str) -> PathBuf {
    let logs = logs_in(folder).into_iter();
    let named = |log: &PathBuf| {
        log.file_name()
            .unwrap()
            .to_str()
            .unwrap()
            .starts_with(begin)
    };
    logs.into_iter().find(named).unwrap()
}

#[test]
fn every_weight_lot_and_time_of_a_real_log_stands_in_its_sheet() {
    let home = tempfile::tempdir().unwrap();
    prints(home.path(), &["demo", "--season", "--log-dir", "logs"]);
    for begin in ["marram", "tideline", "samphire", "glasswort"] {
        let log = first_log(&home.path().join("logs"), begin);
        let (text, _) = parsed(&sheet_of(home.path(), &log));
        let script = "import csv, sys\n\
            for r in csv.DictReader(open(sys.argv[1], newline='', encoding='utf-8'), strict=True):\n\
            \x20   if r['kind'] == 'weighed':\n\
            \x20       for k in ('ingredient', 'lot', 'target_g', 'low_g', 'high_g', 'net_g', 'verdict', 'scale'): print(r[k])\n\
            \x20       print(r['at'][11:19])\n\
            print(r['batch']); print(r['formula']); print(r['chain'])";
        let wanted = python::asked(script, [&log], b"");
        assert!(wanted.lines().count() > 30);
        for cell in wanted.lines() {
            assert!(
                text.lines().any(|line| line.trim() == cell),
                "{cell} is not in the sheet of {begin}"
            );
        }
        assert!(!text.contains("not complete"), "{text}");
        // The whole formula, as a reproduction of the master record.
        assert!(text.contains("[[phase.ingredient]]"));
    }
}

/// The points of a batch record as STANDARDS tell them: ISO 22716:2007, 7.2.1.2, 7.2.2, 7.2.3 and
/// 7.2.4 (read on a web page of the identical South African adoption), and 21 CFR 211.188 (full text).
#[test]
fn every_point_of_the_published_rules_has_its_place() {
    let home = tempfile::tempdir().unwrap();
    let (_, log) = written(home.path(), |_| {});
    let (text, _) = parsed(&sheet_of(home.path(), &log));
    let points = [
        ("ISO 22716 7.2.1.2 suitable equipment", "Major equipment"),
        ("ISO 22716 7.2.1.2 formula", "The formula of this batch"),
        (
            "ISO 22716 7.2.1.2 batch numbers and quantities",
            "Raw materials weighed",
        ),
        (
            "ISO 22716 7.2.1.2 operations per stage",
            "Operations by phase",
        ),
        (
            "ISO 22716 7.2.1.2 temperatures, speeds, times",
            "temperature, speed, time",
        ),
        ("ISO 22716 7.2.1.2 sampling", "Samples taken"),
        ("ISO 22716 7.2.1.2 cleaning", "equipment cleaned"),
        ("ISO 22716 7.2.2 documents", "documents at hand"),
        (
            "ISO 22716 7.2.2 released",
            "raw materials available and released",
        ),
        (
            "ISO 22716 7.2.2 clean equipment",
            "equipment suitable and clean",
        ),
        ("ISO 22716 7.2.2 area", "work area clear"),
        ("ISO 22716 7.2.3 batch number", "Batch"),
        (
            "211.188(a) master record checked",
            "agree with the master formula",
        ),
        ("211.188(b)(1) dates", "Begun"),
        ("211.188(b)(2) equipment", "Scales"),
        ("211.188(b)(3) component batch", "lot"),
        ("211.188(b)(4) weights", "actual g"),
        ("211.188(b)(5) in-process results", "In-process results"),
        (
            "211.188(b)(6) inspection before",
            "work area clear and inspected",
        ),
        (
            "211.188(b)(6) inspection after",
            "area cleared and inspected after",
        ),
        ("211.188(b)(7) yield", "actual in % of theoretical"),
        ("211.188(b)(8) labels", "stick a label here"),
        ("211.188(b)(9) containers", "Containers and closures"),
        ("211.188(b)(10) sampling", "Samples taken"),
        ("211.188(b)(11) performing", "weighed by"),
        ("211.188(b)(11) checking", "checked by"),
        ("211.188(b)(12) investigation", "Investigation"),
        ("211.188(b)(13) examination", "results of the examination"),
    ];
    for (point, words) in points {
        assert!(text.contains(words), "{point}: {words}");
    }
}

/// A log of the foot powder, 500 g as 2 jars of 250 g; `more` appends its own rows.
fn written(home: &Path, more: impl FnOnce(&mut dyn FnMut(Draft))) -> (String, PathBuf) {
    let formula = Formula::parse(SAMPHIRE, "samphire.toml").unwrap();
    let label = formula.label();
    let begun = Begun {
        formula: SAMPHIRE,
        label: &label,
        size: Mass::from_g(500),
        jars: Some((2, Mass::from_g(250))),
        at: "2026-03-02T09:00:00Z",
    };
    let mut rows = Vec::new();
    more(&mut |draft| rows.push(draft));
    let path = begun.written(home, "a-batch", &rows);
    (label, path)
}

fn draft(kind: RowKind, step: usize, ingredient: &str, net: Option<i64>, note: &str) -> Draft {
    Draft {
        step,
        ingredient: ingredient.to_owned(),
        target: Some(Mass::from_g(250)),
        low: Some(Mass::from_g(249)),
        high: Some(Mass::from_g(251)),
        net: net.map(Mass::from_mg),
        verdict: Some(Verdict::Inside),
        scale: "bench".into(),
        readability: Mass::from_mg(10),
        ..Draft::new(kind, note)
    }
}

#[test]
fn jars_give_yield_and_loss_and_a_corrected_row_does_not_count() {
    let home = tempfile::tempdir().unwrap();
    let (_, log) = written(home.path(), |add| {
        add(draft(
            RowKind::Weighed,
            1,
            "Arrowroot starch",
            Some(250_500),
            "",
        ));
        add(draft(RowKind::Weighed, 2, "White clay", Some(240_000), ""));
        let note = "corrects seq 4; the spoon dripped";
        let mut again = draft(RowKind::Weighed, 2, "White clay", Some(249_500), note);
        again.verdict = Some(Verdict::Kept);
        add(again);
        let mut left = draft(RowKind::Residue, 1, "Arrowroot starch", Some(500), "");
        left.verdict = None;
        add(left);
        add(draft(RowKind::Filled, 0, "", Some(248_000), "jar 1"));
        add(draft(RowKind::Filled, 0, "", Some(199_000), "jar 2"));
        add(draft(
            RowKind::Filled,
            0,
            "",
            Some(247_000),
            "corrects seq 8",
        ));
        add(draft(
            RowKind::ScaleCheck,
            0,
            "",
            Some(100_000),
            "100 g, class M1",
        ));
        add(draft(
            RowKind::Remedy,
            2,
            "White clay",
            None,
            "keep, inside its limits",
        ));
    });
    let page = sheet_of(home.path(), &log);
    let (text, tags) = parsed(&page);
    let squeezed: String = text.lines().map(str::trim).collect::<Vec<_>>().join(" ");
    let squeezed = squeezed.split_whitespace().collect::<Vec<_>>().join(" ");
    // 250.50 − 0.50 left in the beaker + 249.50 = 499.50 of 500; 248 + 247 = 495 of 499.50, by hand.
    assert!(
        squeezed.contains("weighing 499.50 500.00 99.9 % 2 steps"),
        "{squeezed}"
    );
    assert!(
        squeezed.contains("filling 495.00 499.50 99.1 % 2 jars; not in a jar: 4.50 g"),
        "{squeezed}"
    );
    assert!(
        squeezed.contains("Rows that a later row corrected"),
        "{squeezed}"
    );
    assert!(
        squeezed.contains("250.50 left 0.50 given 250.00"),
        "{squeezed}"
    );
    // What is corrected is named in words; the log's own are a file's.
    assert!(!squeezed.contains("seq "), "{squeezed}");
    for told in [
        "in place of row 4, White clay of ",
        "; the spoon dripped",
        "in place of row 8, of ",
    ] {
        assert!(squeezed.contains(told), "{told}: {squeezed}");
    }
    assert!(squeezed.contains("100 g, class M1"), "{squeezed}");
    assert!(squeezed.contains("keep, inside its limits"), "{squeezed}");
    // Two of four steps are missing and the log is not closed.
    assert!(squeezed.contains("still open"), "{squeezed}");
    assert_eq!(squeezed.matches("not weighed").count(), 2, "{squeezed}");
    assert!(tags.contains("svg class=fill"), "{tags}");
    assert_eq!(tags.matches("svg class=bar").count(), 2, "{tags}");
    assert!(
        tags.contains("aria-label=-0.50 g, inside the window 249.00 to 251.00 g"),
        "{tags}"
    );
}

#[test]
fn the_bar_tells_outside_by_its_shape_and_words() {
    let home = tempfile::tempdir().unwrap();
    let (_, log) = written(home.path(), |add| {
        add(draft(
            RowKind::Weighed,
            1,
            "Arrowroot starch",
            Some(260_000),
            "",
        ));
        add(draft(RowKind::Weighed, 2, "White clay", Some(240_000), ""));
    });
    let (text, tags) = parsed(&sheet_of(home.path(), &log));
    assert!(tags.contains("+10.00 g, above the window"), "{tags}");
    assert!(tags.contains("-10.00 g, below the window"), "{tags}");
    // Their rows call them inside; the sheet lists them among the deviations all the same.
    let told = text.split("Deviations, remedies").nth(1).unwrap();
    let told = told.split("Investigation").next().unwrap();
    assert!(told.contains("260.00") && told.contains("240.00"), "{told}");
    let corners = |tag: &&str| tag.split("points=").nth(1).unwrap().matches(',').count() == 3;
    let shapes: Vec<&str> = tags
        .lines()
        .filter(|tag| tag.starts_with("polygon"))
        .collect();
    assert_eq!(
        (shapes.len(), shapes.iter().filter(|t| corners(t)).count()),
        (2, 2)
    );
}

#[test]
fn text_of_the_log_never_becomes_markup_and_nothing_is_asked_from_outside() {
    let home = tempfile::tempdir().unwrap();
    let evil = "<script>alert(1)</script><img src=x onerror=y> & \"'`</td></style>";
    let (_, log) = written(home.path(), |add| {
        let mut row = draft(RowKind::Weighed, 1, evil, Some(250_000), evil);
        row.verdict = Some(Verdict::Kept);
        row.lot = evil.into();
        row.phase = evil.into();
        row.vessel = evil.into();
        row.scale = evil.into();
        add(row);
        add(draft(RowKind::Note, 0, evil, None, evil));
        add(draft(RowKind::Filled, 0, evil, Some(250_000), evil));
        add(draft(RowKind::ScaleCheck, 0, evil, Some(250_000), evil));
    });
    let page = sheet_of(home.path(), &log);
    let (text, tags) = parsed(&page);
    assert!(
        text.matches(evil).count() >= 9,
        "{}",
        text.matches(evil).count()
    );
    for tag in tags.lines() {
        let (name, attributes) = tag.split_once(' ').unwrap_or((tag, ""));
        assert!(
            !["script", "img", "link", "iframe", "object", "a"].contains(&name),
            "{tag}"
        );
        for attribute in ["src=", "href=", "onerror=", "onload=", "style="] {
            assert!(!attributes.contains(attribute), "{tag}");
        }
    }
    for outside in ["url(", "@import", "http://", "https://"] {
        assert!(!page.contains(outside), "{outside}");
    }
    assert!(tags.contains("content=default-src 'none'"), "{tags}");
}

#[test]
fn a_sheet_that_is_there_is_kept_and_a_changed_log_gives_none() {
    let home = tempfile::tempdir().unwrap();
    let (_, log) = written(home.path(), |_| {});
    let words = ["sheet", "a-batch", "--logs", "."];
    prints(home.path(), &words);
    let page = std::fs::read(home.path().join("a-batch.html")).unwrap();
    let again = said(home.path(), &words).ended(1);
    assert!(again.err.contains("--force"));
    let text = std::fs::read_to_string(&log).unwrap();
    std::fs::write(&log, text.replace("2 jars of 250 g", "2 jars of 251 g")).unwrap();
    let changed = said(home.path(), &["sheet", "a-batch", "--logs", ".", "--force"]);
    changed.ended(4);
    assert_eq!(
        page,
        std::fs::read(home.path().join("a-batch.html")).unwrap()
    );
    let none = said(home.path(), &["sheet", "b-batch", "--logs", "."]);
    none.ended(1);
}

/// A log that is larger than any batch is refused before it is read; one of that size is still made a sheet of.
#[test]
fn a_log_larger_than_any_batch_gives_no_sheet_and_costs_no_memory() {
    use std::io::Write as _;

    use bismar::journal::format::row::header;
    use bismar::journal::read::scan::LARGEST_LOG;

    use crate::bench_side::person::Person;

    let person = Person::new();
    let path = person.path("big.csv");
    let mut log = std::fs::File::create(&path).unwrap();
    log.write_all(header().as_bytes()).unwrap();
    // A file with a hole: 1 GB that takes no room.
    log.set_len(1_000_000_000).unwrap();
    let said = person.run(&["sheet", "big.csv"]).ended(4);
    assert!(
        said.err
            .contains("big.csv: has 1000 MB, where a batch has 16 at most"),
        "{said:?}"
    );
    assert!(!person.path("big.html").exists());
    // Nor does one beside others: what a folder's logs tell is told of those, with its name, or is refused.
    let told = "./big.csv: has 1000 MB, where a batch has 16 at most";
    for (words, code) in [
        (&["history", "Salt", "--logs", "."][..], 1),
        (&["history", "Marram balm 3", "--logs", "season"], 4),
        (&["trace", "SB-819-1", "--logs", "."], 4),
        (&["lots", "--logs", "."], 4),
        (&["label", "big.csv"], 4),
    ] {
        if words.ends_with(&["season"]) {
            person
                .run(&["demo", "--season", "--log-dir", "season"])
                .ended(0);
            std::fs::hard_link(&path, person.path("season/big.csv")).unwrap();
        }
        let said = person.run(words).ended(code);
        let told = told.trim_start_matches("./");
        assert!(said.err.contains(told), "{words:?}: {said:?}");
        assert_eq!(
            said.out.is_empty(),
            !words.ends_with(&["season"]),
            "{words:?}: {said:?}"
        );
    }
    log.set_len(LARGEST_LOG).unwrap();
    let said = person.run(&["sheet", "big.csv"]).ended(4);
    assert!(!said.err.contains("at most"), "it is read: {said:?}");
    crate::bench_side::faults::report(
        "log larger than any batch",
        "1 GB in one log, alone and beside good ones: sheet, label, history, trace, lots",
        "6 questions",
        "it is named and not read; history tells of the others; trace and lots, of which nothing may be missing, are refused",
        "each told; a log of 16 MB is read",
    );
}

/// A log holds U alone; the configuration tells what it is made of, and says so where it tells more than the
/// rows knew.
#[test]
fn a_sheet_shows_what_u_covers_by_the_configuration() {
    let home = tempfile::tempdir().unwrap();
    prints(home.path(), &["demo", "--season", "--log-dir", "logs"]);
    let log = first_log(&home.path().join("logs"), "glasswort");
    let config = home.path().join("scale.toml");
    let scale = "[[scale]]\nname = \"bench\"\nport = \"/dev/null\"\nlayout = \"comma-header\"\n\
                 readability = \"0.01 g\"\ncapacity = \"2 kg\"\n";
    let with = |more: &str| {
        std::fs::write(&config, format!("{scale}{more}")).unwrap();
        let words = [
            "sheet",
            log.to_str().unwrap(),
            "--out",
            "-",
            "--config",
            config.to_str().unwrap(),
        ];
        parsed(&prints(home.path(), &words))
    };
    let (text, tags) = with("");
    for said in [
        "What U covers",
        "By the configuration on the day of printing",
        "a scatter that is ASSUMED as one step, since none was measured.",
        "Nothing is told of its linearity, its gain or the place of the load",
        // 2 √(d² + d²/6), rounded up.
        "0.022",
    ] {
        assert!(text.contains(said), "{said}\n{text}");
    }
    assert!(!text.contains("the row says less"), "{text}");
    assert!(
        tags.contains("aria-label=rounding 14 %, repeatability 86 %"),
        "{tags}"
    );
    let (text, tags) = with("[scale.uncertainty]\nsensitivity_percent = 0.05\n");
    assert!(text.contains("covers rounding, a scatter"), "{text}");
    assert!(text.contains("Steps 1, 2, 3: the row says less"), "{text}");
    assert!(tags.contains("sensitivity "), "{tags}");
    let (text, _) = with("");
    assert!(!text.contains("does not know the scale"));
    let other = scale.replace("\"bench\"", "\"other\"");
    std::fs::write(&config, other).unwrap();
    let words = [
        "sheet",
        log.to_str().unwrap(),
        "--out",
        "-",
        "--config",
        config.to_str().unwrap(),
    ];
    let (text, _) = parsed(&prints(home.path(), &words));
    assert!(text.contains("does not know the scale bench"), "{text}");
    let (text, _) = parsed(&sheet_of(home.path(), &log));
    assert!(
        text.contains("The log holds U and not what it is made of."),
        "{text}"
    );
}
