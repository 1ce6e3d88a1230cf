//! Lots, tracing and the record of a batch read from its log: against a graph library, against the
//! real binary, and on logs with corrections and damage.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::{Command, Output};

use bismar::chart::history::{Names, gathered_of};
use bismar::journal::batch::record::Record;
use bismar::journal::batch::summary::{Step, Summary};
use bismar::journal::error::LogError;
use bismar::journal::format::fault::BadLine;
use bismar::journal::read::folder::{batches_in, each_batch, log_of, read_each};
use bismar::journal::read::record;
use bismar::lots::kin::Kin;
use bismar::lots::trace::{Use, Uses};
use bismar::lots::{Lot, Refusal, uses_of};
use bismar::mass::{Mass, Unit};
use bismar::vocabulary::entry::{Draft, RowKind, Verdict, lot_taken_back};
use jiff::civil::date;
use petgraph::graphmap::DiGraphMap;
use petgraph::visit::Bfs;
use proptest::prelude::*;

use crate::bench_side::logs::{self, Begun};
use crate::bench_side::person;

/// An invented blend, in parts of an invented batch.
const BLEND: &str = r#"[formula]
name = "Saltmarsh scent blend"
version = "1.0"
[[phase]]
name = "Oils"
[[phase.ingredient]]
name = "Lavender oil"
inci = "Lavandula Angustifolia Oil"
percent = 60.0
[[phase.ingredient]]
name = "Sweet orange oil"
inci = "Citrus Aurantium Dulcis Peel Oil"
percent = 40.0
"#;

const GLASSWORT: &str = include_str!("../../config/formulas/glasswort-bath-soak.toml");

fn draft(kind: RowKind) -> Draft {
    Draft::new(kind, "")
}

fn weighed(step: usize, ingredient: &str, lot: &str, net_mg: i64) -> Draft {
    Draft {
        phase: "Dry phase".into(),
        vessel: "beaker".into(),
        target: Some(Mass::from_mg(net_mg - 20)),
        verdict: Some(Verdict::Inside),
        scale: "bench".into(),
        ..logs::weighed(step, ingredient, lot, net_mg)
    }
}

/// Writes a log as the daemon does; minutes tell the rows apart.
fn write_log(dir: &Path, batch: &str, drafts: &[Draft]) -> std::path::PathBuf {
    write_log_of(GLASSWORT, dir, batch, drafts)
}

fn write_log_of(formula: &str, dir: &Path, batch: &str, drafts: &[Draft]) -> std::path::PathBuf {
    let begun = Begun {
        formula,
        label: "Glasswort bath soak 1.0",
        size: Mass::from_g(360),
        jars: (formula == GLASSWORT).then_some((6, Mass::from_g(60))),
        at: "2026-09-01T09:00:00Z",
    };
    begun.written(dir, batch, drafts)
}

fn read(path: &Path) -> Record {
    record::read(path).unwrap()
}

#[test]
fn a_record_holds_what_stands_after_corrections_residue_and_withdrawals() {
    let dir = tempfile::tempdir().unwrap();
    let mut fixed = weighed(1, "", "", 180_000);
    fixed.note = "corrects seq 3: the beaker was read wrong".into();
    fixed.step = 0;
    fixed.target = None;
    let mut withdrawn = draft(RowKind::Weighed);
    withdrawn.note = "corrects seq 4".into();
    let mut residue = draft(RowKind::Residue);
    residue.step = 1;
    residue.net = Some(Mass::from_mg(1_500));
    residue.readability = Mass::from_mg(10);
    let path = write_log(
        dir.path(),
        "soak-1",
        &[
            weighed(1, "Coarse sea salt", "S-12", 200_000),
            weighed(2, "Oat flour", "O-3", 72_000),
            fixed,
            withdrawn,
            residue,
            draft(RowKind::Closed),
        ],
    );
    let record = read(&path);
    assert!(record.is_proved() && record.closed.is_some());
    assert_eq!(record.rows, 8);
    assert_eq!(record.size(), Some(Mass::from_g(360)));
    assert_eq!(record.read_formula().unwrap().unwrap().version, "1.0");
    let salt = &record.steps[&1];
    assert_eq!(salt.seq, 5);
    assert!(record.replaced.keys().eq(&[3, 4]), "{:?}", record.replaced);
    assert_eq!(
        (salt.ingredient.as_str(), salt.lot.as_str()),
        ("Coarse sea salt", "S-12")
    );
    assert_eq!(salt.deviation.unwrap().to_string(), "-19.98");
    assert_eq!(record.delivered(1).unwrap().to_string(), "178.50");
    assert_eq!(record.steps[&2].net, None, "withdrawn");
    assert_eq!(record.total(), Mass::from_mg(178_500));
    let lots: Vec<String> = uses_of(&record.summary()).map(|used| used.lot).collect();
    assert_eq!(lots, ["S-12"], "a withdrawn weight reached nothing");
}

/// A jar has a number of its own: what was taken out of jar 1 is no over-pour of step 1.
#[test]
fn an_over_pour_counts_for_its_ingredient_and_a_jars_for_none() {
    let dir = tempfile::tempdir().unwrap();
    let taken_out = |ingredient: &str| Draft {
        step: 1,
        ingredient: ingredient.into(),
        net: Some(Mass::from_mg(2_000)),
        ..draft(RowKind::TakenOut)
    };
    let rows = [
        taken_out("Coarse sea salt"),
        weighed(1, "Coarse sea salt", "S-12", 266_400),
        weighed(2, "Oat flour", "O-3", 72_000),
        taken_out("Glasswort bath soak 1.0"),
    ];
    let record = read(&write_log(dir.path(), "soak-1", &rows));
    assert_eq!(record.taken_out.len(), 2);
    let names = &mut Names::default();
    let counted = gathered_of(&record.summary(), &record.formula, names).weighings;
    let counted: Vec<_> = counted.iter().map(|w| (w.step, w.over_pours)).collect();
    assert_eq!(counted, [(1, 1), (2, 0)]);
}

#[test]
fn a_lot_that_was_taken_back_reached_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let named = Draft {
        step: 2,
        ingredient: "Oat flour".into(),
        lot: "O-3".into(),
        ..Draft::new(RowKind::Note, "lot of Oat flour: O-3")
    };
    let taken_back = Draft {
        lot: String::new(),
        note: lot_taken_back("Oat flour"),
        ..named.clone()
    };
    let weight = weighed(2, "Oat flour", "", 72_000);
    let lots = |batch: &str, rows: &[Draft]| -> Vec<String> {
        let record = read(&write_log(dir.path(), batch, rows));
        uses_of(&record.summary()).map(|used| used.lot).collect()
    };
    let kept = [named.clone(), weight.clone()];
    assert_eq!(lots("kept", &kept), ["O-3"]);
    let back = [named.clone(), taken_back.clone(), weight.clone()];
    assert_eq!(lots("back", &back), [""; 0]);
    // The weight first, and then its lot: as `undo` twice does it.
    let first = weighed(2, "Oat flour", "O-3", 71_000);
    let withdrawn = Draft {
        net: None,
        note: "corrects seq 4: taken back, to be weighed again".into(),
        ..first.clone()
    };
    let again = Draft {
        note: "corrects seq 4".into(),
        ..weight
    };
    let twice = [named, first, withdrawn, taken_back, again];
    assert_eq!(lots("twice", &twice), [""; 0]);
}

#[test]
fn a_record_of_a_changed_log_says_so_and_stops_before_the_change() {
    let dir = tempfile::tempdir().unwrap();
    let rows = [
        weighed(1, "Coarse sea salt", "S-12", 200_000),
        weighed(2, "Oat flour", "O-3", 72_000),
    ];
    let path = write_log(dir.path(), "soak-1", &rows);
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace("72.00", "71.00")).unwrap();
    let record = read(&path);
    assert_eq!(record.steps.len(), 1);
    assert_eq!(record.fault.as_ref().unwrap().line, 5);
    std::fs::write(&path, &text[..text.len() - 9]).unwrap();
    let torn = read(&path);
    assert!(!torn.is_proved() && torn.steps.len() == 1);
}

#[test]
fn lots_read_back_as_written_and_faults_have_their_place() {
    let text = "[[lot]]\nname = \"S-12\"\ningredient = \"Coarse sea salt\"\nbest_before = 2026-09-30\n\
                amount = \"5 kg\"\n";
    let lots = Lot::parse_all(text, "lots.toml").unwrap();
    assert_eq!(lots[0].amount, Some(Mass::from_g(5000)));
    assert_eq!(lots[0].best_before, Some(date(2026, 9, 30)));
    let again = Lot::parse_all(&lots[0].to_toml(), "lots.toml").unwrap();
    assert_eq!(
        Lot {
            place: lots[0].place,
            ..again[0].clone()
        },
        lots[0]
    );

    let wrong = [
        (
            "best_before = 2026-09-30",
            "best_before = \"2026-02-30\"",
            "lots.toml:4:15: ",
        ),
        (
            "best_before = 2026-09-30",
            "best_before = 2026-09-30T10:00:00Z",
            "lots.toml:4:15: ",
        ),
        ("5 kg", "5", "lots.toml:5:10: "),
        (
            "amount",
            "ammount",
            "lots.toml:5:1: A lot has no key \"ammount\"",
        ),
        (
            "ingredient = \"Coarse sea salt\"\n",
            "",
            "lots.toml:1:1: The lot has no \"ingredient\"",
        ),
    ];
    for (from, to, expected) in wrong {
        let broken = text.replacen(from, to, 1);
        let problems = Lot::parse_all(&broken, "lots.toml")
            .unwrap_err()
            .to_string();
        assert!(problems.starts_with(expected), "{to}: {problems}");
    }
    let doubled = Lot::parse_all(&text.repeat(2), "lots.toml")
        .unwrap_err()
        .to_string();
    assert!(
        doubled.starts_with("lots.toml:6:1: lot \"S-12\""),
        "{doubled}"
    );
}

/// A correction changes what it names of the lot above it and nothing else; what a correction is written as reads back as
/// what was meant. (Behaviour of our own, no source.)
#[test]
fn corrections_stand_below_what_they_correct_and_are_taken_in_their_order() {
    let was = "[[lot]]\nname = \"S-1\"\ningredient = \"Salt\"\namount = \"2 kg\"\nbest_before = 2030-01-01\n";
    let below = |lines: &str| {
        let head = "[[correction]]\nlot = \"S-1\"\ningredient = \"salt\"\non = 2026-02-03\nreason = \"typed\"\n";
        Lot::parse_all(&format!("{was}{head}{lines}"), "lots.toml")
    };
    let plain = Lot::parse_all(was, "lots.toml").unwrap().remove(0);
    let read = below("amount = \"1.5 kg\"\nbest_before = \"\"\n")
        .unwrap()
        .remove(0);
    assert_eq!(read.amount, Some(Mass::from_g(1500)));
    assert_eq!(read.best_before, None);
    assert_eq!(read.corrected.len(), 1);
    assert_eq!(
        (read.corrected[0].on, read.corrected[0].reason.as_str()),
        (date(2026, 2, 3), "typed")
    );
    let same = Lot {
        amount: plain.amount,
        best_before: plain.best_before,
        corrected: Vec::new(),
        ..read.clone()
    };
    assert_eq!(same, plain);
    // Out, and another lot of the name may come in below.
    assert_eq!(below("removed = true\n").unwrap(), []);
    let again = below(&format!("removed = true\n{was}")).unwrap();
    assert_eq!(again.len(), 1);
    // What is written reads back.
    let lines = plain
        .correction(Some(&read), date(2026, 2, 3), "a \"reason\"\u{301}")
        .unwrap();
    let back = Lot::parse_all(&format!("{was}{lines}"), "lots.toml").unwrap();
    assert_eq!(back[0].told(), read.told());
    assert_eq!(plain.correction(Some(&plain), date(2026, 2, 3), "x"), None);
    for (lines, place, why) in [
        ("", "6:1", "changes nothing"),
        (
            "removed = true\nopened = 2026-01-01\n",
            "6:1",
            "that it takes out",
        ),
        (
            "removed = \"yes\"\namount = \"1 kg\"\n",
            "11:11",
            "true or false",
        ),
        ("amount = \"many\"\n", "11:10", "many"),
        ("opened = 2026-02-30\n", "11:1", ""),
        ("name = \"S-2\"\namount = \"1 kg\"\n", "11:1", "name"),
    ] {
        let said = below(lines).unwrap_err().to_string();
        let at = format!("lots.toml:{place}");
        assert!(said.contains(&at) && said.contains(why), "{lines}: {said}");
    }
    let above = "[[correction]]\nlot = \"S-1\"\ningredient = \"Salt\"\non = 2026-02-03\nreason = \"r\"\nremoved = true\n";
    let said = Lot::parse_all(&format!("{above}{was}"), "lots.toml").unwrap_err();
    let why = "lots.toml:1:1: no lot \"S-1\" of Salt stands above this correction";
    assert!(said.to_string().contains(why), "{said}");
    let bare = "[[correction]]\nlot = \"S-1\"\nremoved = true\n";
    let said = Lot::parse_all(&format!("{was}{bare}"), "lots.toml").unwrap_err();
    for key in ["ingredient", "reason", "on"] {
        assert!(
            said.to_string().contains(&format!("no \"{key}\"")),
            "{key}: {said}"
        );
    }
}

/// The day of `best_before` is still good: common practice, no source.
#[test]
fn an_expired_an_empty_and_a_foreign_lot_are_refused() {
    let lot = Lot::parse_all(
        "[[lot]]\nname=\"S-12\"\ningredient=\"Salt\"\nbest_before=2026-09-30\namount=\"500 g\"",
        "",
    )
    .unwrap()
    .remove(0);
    let good = date(2026, 9, 30);
    let need = Mass::from_g(100);
    let left = |g| Some(Mass::from_g(g));
    assert_eq!(lot.allows("Salt", need, left(100), good), Ok(()));
    assert_eq!(lot.allows("Salt", need, None, good), Ok(()));
    let refused = |ingredient, left, day| lot.allows(ingredient, need, left, day).unwrap_err();
    assert!(matches!(
        refused("Oil", left(100), good),
        Refusal::OtherIngredient { .. }
    ));
    assert!(matches!(
        refused("Salt", left(100), date(2026, 10, 1)),
        Refusal::Expired { .. }
    ));
    assert!(matches!(
        refused("Salt", left(0), good),
        Refusal::Empty { .. }
    ));
    assert!(matches!(
        refused("Salt", left(99), good),
        Refusal::TooLittle { .. }
    ));
}

fn use_of(batch: &str, lot: &str) -> Use {
    Use {
        batch: batch.into(),
        step: 1,
        ingredient: "x".into(),
        lot: lot.into(),
        net: Mass::from_g(1),
        residue: Mass::ZERO,
    }
}

proptest! {
    /// Against petgraph's breadth-first search: names 0 to 11 are batches, and lots where another
    /// batch took from them; cycles happen.
    #[test]
    fn a_trace_reaches_what_a_graph_library_reaches(
        edges in proptest::collection::vec((0u32..12, 0u32..20), 0..40),
        from in 0u32..20,
    ) {
        let uses: Vec<Use> = edges
            .iter()
            .map(|(batch, lot)| use_of(&batch.to_string(), &lot.to_string()))
            .collect();
        let ours = Uses::new(&uses);
        let batches: BTreeSet<u32> = edges.iter().map(|(batch, _)| *batch).collect();
        let mut met = BTreeSet::new();
        for forward in [true, false] {
            let mut graph = DiGraphMap::<u32, ()>::new();
            graph.add_node(from);
            for (batch, lot) in &edges {
                let (a, b) = if forward { (*lot, *batch) } else { (*batch, *lot) };
                graph.add_edge(a, b, ());
            }
            let mut search = Bfs::new(&graph, from);
            let mut reached = BTreeSet::new();
            while let Some(node) = search.next(&graph) {
                reached.insert(node.to_string());
            }
            let found = if forward { ours.forward(&from.to_string()) } else { ours.backward(&from.to_string()) };
            let end = |r: &bismar::lots::trace::Reached<'_>| if forward { r.used.batch.clone() } else { r.used.lot.clone() };
            let mut mine: BTreeSet<String> = found.iter().map(end).collect();
            mine.insert(from.to_string());
            met.extend(reached.clone());
            prop_assert_eq!(mine, reached);
            let all = uses.iter().filter(|used| {
                let key = if forward { &used.lot } else { &used.batch };
                key == &from.to_string() || found.iter().any(|r| &end(r) == key)
            });
            prop_assert_eq!(found.len(), all.count(), "every use once");
        }
        let mut kin = Kin::default();
        for batch in &batches {
            let of_it = edges.iter().filter(|(taker, _)| taker == batch);
            kin.add(*batch as usize, &Summary {
                batch: batch.to_string(),
                steps: of_it.map(|(_, lot)| Step { lot: lot.to_string(), ..Step::default() }).collect(),
                ..Summary::default()
            });
        }
        let wanted = batches.iter().filter(|batch| met.contains(&batch.to_string()));
        let wanted: BTreeSet<usize> = wanted.map(|batch| *batch as usize).collect();
        prop_assert_eq!(kin.of(&[&from.to_string()]), wanted);
    }
}

proptest! {
    /// The batches that one ingredient's lot reached, against petgraph: the lot's own edges are
    /// those of the ingredient, all others stay.
    #[test]
    fn one_ingredients_lot_reaches_what_a_graph_library_reaches(
        edges in proptest::collection::vec((0u32..12, 0u32..20, 0u32..3), 0..40),
        from in 12u32..20,
        chosen in 0u32..3,
    ) {
        let uses: Vec<Use> = edges
            .iter()
            .map(|(batch, lot, ingredient)| Use {
                ingredient: ingredient.to_string(),
                ..use_of(&batch.to_string(), &lot.to_string())
            })
            .collect();
        let mut graph = DiGraphMap::<u32, ()>::new();
        graph.add_node(from);
        for (batch, lot, _) in edges.iter().filter(|e| e.1 != from || e.2 == chosen) {
            graph.add_edge(*lot, *batch, ());
        }
        let mut search = Bfs::new(&graph, from);
        let mut reached = BTreeSet::new();
        while let Some(node) = search.next(&graph) {
            reached.insert(node.to_string());
        }
        let ours = Uses::new(&uses);
        let found = ours.forward_of(&from.to_string(), &chosen.to_string());
        let mut mine: BTreeSet<String> = found.iter().map(|r| r.used.batch.clone()).collect();
        mine.insert(from.to_string());
        prop_assert_eq!(mine, reached);
    }

    /// The jars' numbers read back from their short form are the jars.
    #[test]
    fn the_short_form_of_jars_names_each_jar_once(
        jars in proptest::collection::btree_set(1usize..40, 0..30),
    ) {
        let words = bismar::lots::jars::in_words(&jars);
        let mut read = Vec::new();
        for part in words.split(", ").filter(|part| !part.is_empty()) {
            let (first, last) = part.split_once('-').unwrap_or((part, part));
            read.extend(first.parse::<usize>().unwrap()..=last.parse().unwrap());
        }
        prop_assert_eq!(read, Vec::from_iter(jars));
    }
}

/// More logs than one thread is given, some damaged; gives the records as each log read alone has them.
fn damaged_folder(dir: &Path) -> Vec<Record> {
    let paths = (0..150).map(|n| {
        let lot = format!("L-{}", n % 7);
        let rows = [weighed(1, "Coarse sea salt", &lot, 18_000 + n)];
        let path = write_log(dir, &format!("soak-{n:03}"), &rows);
        if n % 50 == 3 {
            let text = std::fs::read_to_string(&path).unwrap();
            std::fs::write(&path, text.replace(",18.", ",19.")).unwrap();
        }
        path
    });
    paths.map(|path| read(&path)).collect()
}

/// The same records in the same order as one after another, of damaged logs what stands before the damage; a log that
/// cannot be read is an error of its own.
#[test]
fn a_folder_read_by_several_threads_is_the_folder_read_by_one() {
    let dir = tempfile::tempdir().unwrap();
    let alone = damaged_folder(dir.path());
    let wrong = alone.iter().filter_map(|record| record.fault.clone());
    let wrong: Vec<BadLine> = wrong.collect();
    assert_eq!(wrong.len(), 3);
    let paths = batches_in(dir.path()).unwrap();
    for threads in [0, 1, 4] {
        let together = read_each(&paths, threads, |record| record);
        let together: Vec<Record> = together.into_iter().map(Result::unwrap).collect();
        assert_eq!(together, alone);
        let found = each_batch(dir.path(), threads, |record| record).unwrap();
        assert_eq!(found, (alone.clone(), wrong.clone()));
    }
    let dead = dir.path().join("soak-100.csv");
    std::fs::remove_file(&dead).unwrap();
    std::os::unix::fs::symlink("nowhere", &dead).unwrap();
    let read = read_each(&paths, 4, |record| record.batch);
    assert!(matches!(&read[100], Err(LogError::Io { path, .. }) if *path == dead));
    assert_eq!(read.iter().filter(|one| one.is_err()).count(), 1);
    assert!(each_batch(dir.path(), 4, |record| record).is_err());
}

// ---- the program itself --------------------------------------------------------------------------

fn bismar(home: &Path, args: &[&str]) -> Output {
    let mut command = person::bismar(home);
    command.args(args).env("COLUMNS", "100").output().unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&[&output.stdout[..], &output.stderr[..]].concat()).into_owned()
}

/// The workshop of the README's tour.
fn workshop(home: &Path) {
    let logs = home.join(".local/share/bismar/logs");
    std::fs::create_dir_all(&logs).unwrap();
    let blend = [
        weighed(1, "Lavender oil", "L-4", 18_000),
        weighed(2, "Sweet orange oil", "C-8", 12_000),
        draft(RowKind::Closed),
    ];
    write_log_of(BLEND, &logs, "scent-blend-1", &blend);
    for (name, salt, lot) in [("soak-1", 266_400, "S-12"), ("soak-2", 266_410, "S-13")] {
        let rows = [
            weighed(1, "Coarse sea salt", lot, salt),
            weighed(2, "Oat flour", "O-3", 72_000),
            weighed(3, "Sunflower oil", "F-9", 14_400),
            weighed(4, "Essential oil blend", "scent-blend-1", 3_600),
            draft(RowKind::Closed),
        ];
        // Of the first batch the jars were weighed as well.
        let jars = (1..=6)
            .map(|jar| filled(jar, 59_400))
            .filter(|_| name == "soak-1");
        let rows: Vec<Draft> = rows.into_iter().chain(jars).collect();
        write_log(&logs, name, &rows);
    }
}

/// Every `$ bismar` line of the tour, with what it prints.
#[test]
fn the_readme_shows_what_the_commands_print() {
    let home = tempfile::tempdir().unwrap();
    workshop(home.path());
    let readme = include_str!("../../README.md");
    let part = readme
        .split("## Lots, tracing and the label")
        .nth(1)
        .unwrap();
    let block = part
        .split("```text\n")
        .nth(1)
        .unwrap()
        .split("```")
        .next()
        .unwrap();
    let mut printed = String::new();
    for command in block
        .lines()
        .filter_map(|line| line.strip_prefix("$ bismar "))
    {
        let bin = Path::new(env!("CARGO_BIN_EXE_bismar")).parent().unwrap();
        let output = Command::new("bash")
            .arg("-c")
            .arg(format!("PATH={}:$PATH; bismar {command}", bin.display()))
            .env("HOME", home.path())
            .env_remove("XDG_CONFIG_HOME")
            .env_remove("XDG_DATA_HOME")
            .output()
            .unwrap();
        let output = said(&output);
        let output = output.replace(&home.path().display().to_string(), "~");
        printed.push_str(&format!("$ bismar {command}\n{}\n", output.trim_end()));
    }
    if let Some(file) = std::env::var_os("BISMAR_WRITE_TOUR") {
        std::fs::write(file, &printed).unwrap();
    }
    assert_eq!(block, printed);
}

/// Who asks where a lot went that nobody used hears that, and not that it is unknown.
#[test]
fn a_lot_of_the_list_that_no_batch_took_is_told_as_such() {
    let home = tempfile::tempdir().unwrap();
    workshop(home.path());
    for (ingredient, more) in [
        (
            "Oat flour",
            &["--amount", "1kg", "--opened", "2026-01-31"][..],
        ),
        ("Kaolin", &["--best-before", "2020-01-01"]),
    ] {
        let words = ["lots", "add", "U-1", "--ingredient", ingredient];
        let added = bismar(home.path(), &[&words[..], more].concat());
        assert_eq!(added.status.code(), Some(0), "{}", said(&added));
    }
    let oats = "Lot U-1 of Oat flour is in the list, and no batch took from it. It was opened on 2026-01-31. \
                1000.00 g of it are left.";
    let kaolin = "Lot U-1 of Kaolin is in the list, and no batch took from it. How much of it is left is not known. It \
                  is refused: lot U-1 was best before 2020-01-01.";
    for (more, told) in [
        (&[][..], format!("{oats} {kaolin}")),
        (&["--ingredient", "Oat flour"], oats.to_owned()),
    ] {
        let traced = bismar(home.path(), &[&["trace", "U-1"][..], more].concat());
        assert_eq!(traced.status.code(), Some(0), "{}", said(&traced));
        let lines = said(&traced);
        assert_eq!(lines.split_whitespace().collect::<Vec<_>>().join(" "), told);
    }
    // Of another ingredient there is none, and a lot that was used is traced as before.
    let other = bismar(home.path(), &["trace", "U-1", "--ingredient", "Clay"]);
    assert_eq!(other.status.code(), Some(1), "{}", said(&other));
    let used = said(&bismar(home.path(), &["trace", "S-12"]));
    assert!(used.contains("S-12 reached"), "{used}");
}

#[test]
fn an_unknown_name_and_a_broken_list_of_lots_are_told() {
    let home = tempfile::tempdir().unwrap();
    workshop(home.path());
    let unknown = bismar(home.path(), &["trace", "nowhere"]);
    assert_eq!(unknown.status.code(), Some(1));
    assert!(said(&unknown).contains("no batch is named nowhere"));
    assert!(
        said(&unknown).contains("the nearest are "),
        "{}",
        said(&unknown)
    );
    let list = home.path().join("lots.toml");
    std::fs::write(&list, "[[lot]]\nname = 5\n").unwrap();
    let broken = bismar(home.path(), &["lots", "--lots", list.to_str().unwrap()]);
    assert_eq!(broken.status.code(), Some(4));
    assert!(
        said(&broken).contains("lots.toml:2:8:"),
        "{}",
        said(&broken)
    );
}

#[test]
fn a_lot_is_never_added_twice() {
    let home = tempfile::tempdir().unwrap();
    let add = [
        "lots",
        "add",
        "S \"1\"",
        "--ingredient",
        "Salt",
        "--amount",
        "5kg",
    ];
    assert_eq!(bismar(home.path(), &add).status.code(), Some(0));
    let file = home.path().join(".config/bismar/lots.toml");
    let before = std::fs::read(&file).unwrap();
    assert_eq!(bismar(home.path(), &add).status.code(), Some(4));
    assert_eq!(std::fs::read(&file).unwrap(), before);
}

// ---- jars and residues ---------------------------------------------------------------------------

fn filled(jar: usize, net_mg: i64) -> Draft {
    Draft {
        step: jar,
        phase: "Filling".into(),
        ingredient: "Glasswort bath soak".into(),
        vessel: "jar".into(),
        net: Some(Mass::from_mg(net_mg)),
        readability: Mass::from_mg(10),
        ..draft(RowKind::Filled)
    }
}

/// Rows of the kind `kind` that correct row `seq`; without a weight they withdraw it.
fn correcting(seq: u64, net_mg: Option<i64>) -> Draft {
    Draft {
        net: net_mg.map(Mass::from_mg),
        readability: Mass::from_mg(10),
        note: format!("corrects seq {seq}: by hand"),
        ..draft(RowKind::Filled)
    }
}

/// The rows of one batch after the two that open it: a weighing of 18 g of L-4, then `filling`.
fn batch_with(dir: &Path, filling: &[Draft]) {
    let mut rows = vec![
        weighed(1, "Coarse sea salt", "L-4", 18_000),
        draft(RowKind::Closed),
    ];
    rows.extend_from_slice(filling);
    write_log(dir, "soak-9", &rows);
}

#[test]
fn a_trace_names_the_jars_that_stand() {
    let cases: [(&str, &str, Vec<Draft>); 7] = [
        ("6 planned", "batch:", vec![]),
        (
            "jars 1-3",
            "batch and 3 filled jars:",
            (1..=3).map(|n| filled(n, 60_000)).collect(),
        ),
        (
            "jars 1-2, 4, 6-8",
            "batch and 6 filled jars:",
            [1, 2, 4, 6, 7, 8].map(|n| filled(n, 60_000)).to_vec(),
        ),
        (
            "jar 2",
            "batch and 1 filled jar:",
            // Row 5 is the first jar.
            vec![filled(1, 60_000), filled(2, 60_000), correcting(5, None)],
        ),
        (
            "jars 1-2",
            "batch and 2 filled jars:",
            vec![
                filled(1, 60_000),
                filled(2, 6_000),
                correcting(6, Some(60_000)),
            ],
        ),
        (
            "all withdrawn",
            "batch:",
            // The correction of a correction, which is row 6.
            vec![
                filled(1, 60_000),
                correcting(5, Some(59_000)),
                correcting(6, None),
            ],
        ),
        (
            "jar 1",
            "batch and 1 filled jar:",
            vec![filled(1, 60_000), correcting(5, None), filled(1, 61_000)],
        ),
    ];
    for (jars, head, filling) in cases {
        let home = tempfile::tempdir().unwrap();
        let logs = home.path().join(".local/share/bismar/logs");
        std::fs::create_dir_all(&logs).unwrap();
        batch_with(&logs, &filling);
        let traced = said(&bismar(home.path(), &["trace", "L-4"]));
        let lines: Vec<&str> = traced.lines().collect();
        assert_eq!(lines[0], format!("L-4 reached 1 {head}"), "{jars}");
        assert!(
            lines[2].ends_with(&format!("  18.00  {jars}")),
            "{jars}: {traced}"
        );
    }
}

#[test]
fn a_trace_of_a_batch_tells_what_was_weighed_without_a_lot() {
    let home = tempfile::tempdir().unwrap();
    let logs = home.path().join(".local/share/bismar/logs");
    std::fs::create_dir_all(&logs).unwrap();
    let oils = [
        weighed(1, "Lavender oil", "L-4", 18_000),
        weighed(2, "Sweet orange oil", "", 12_000),
    ];
    write_log_of(BLEND, &logs, "blend-1", &oils);
    let rows = [
        weighed(1, "Coarse sea salt", "", 266_400),
        weighed(4, "Essential oil blend", "blend-1", 3_600),
    ];
    write_log(&logs, "soak-1", &rows);
    let traced = said(&bismar(home.path(), &["trace", "soak-1"]));
    let last: Vec<&str> = traced.lines().rev().take(2).collect();
    assert_eq!(
        last,
        [
            "Weighed in soak-1 without a lot: Coarse sea salt (266.40 g, step 1).",
            "Weighed in blend-1 without a lot: Sweet orange oil (12.00 g, step 2).",
        ],
        "{traced}"
    );
    // A batch by the name of its log, as other commands take it; of a misspelt one the nearest are told.
    let by_log = said(&bismar(home.path(), &["trace", "soak-1.csv"]));
    assert_eq!(by_log, traced);
    let misspelt = said(&bismar(home.path(), &["trace", "soka-1"]));
    assert!(
        misspelt.contains("the nearest are \"soak-1\""),
        "{misspelt}"
    );
    let named = [weighed(1, "Coarse sea salt", "S-12", 266_400)];
    write_log(&logs, "soak-2", &named);
    let traced = said(&bismar(home.path(), &["trace", "soak-2"]));
    assert!(!traced.contains("without a lot"), "{traced}");
}

#[test]
fn a_trace_tells_what_stayed_in_the_vessel_from_what_was_taken() {
    let home = tempfile::tempdir().unwrap();
    let logs = home.path().join(".local/share/bismar/logs");
    std::fs::create_dir_all(&logs).unwrap();
    let residue = Draft {
        step: 1,
        ingredient: "Coarse sea salt".into(),
        net: Some(Mass::from_mg(350)),
        readability: Mass::from_mg(10),
        ..draft(RowKind::Residue)
    };
    // The top-up is a step of its own, later in the same batch: 0.35 g more of the same lot.
    let rows = [
        weighed(1, "Coarse sea salt", "L-4", 18_000),
        residue,
        weighed(2, "Coarse sea salt", "L-4", 350),
    ];
    let path = write_log(&logs, "soak-9", &rows);
    let uses: Vec<Use> = uses_of(&read(&path).summary()).collect();
    let taken: Mass = uses.iter().map(|used| used.net).sum();
    let reached: Mass = uses.iter().map(|used| used.net - used.residue).sum();
    assert_eq!((taken, reached), (Mass::from_mg(18_350), Mass::from_g(18)));
    let traced = said(&bismar(home.path(), &["trace", "L-4"]));
    let lines: Vec<&str> = traced.lines().collect();
    assert!(
        lines[1].ends_with("net g  jars       reached it g"),
        "{traced}"
    );
    assert!(
        lines[2].ends_with("18.00  6 planned         17.65"),
        "{traced}"
    );
    assert!(lines[3].ends_with("0.35  6 planned"), "{traced}");
    let lot = [
        "lots",
        "add",
        "L-4",
        "--ingredient",
        "Coarse sea salt",
        "--amount",
        "20g",
    ];
    assert_eq!(bismar(home.path(), &lot).status.code(), Some(0));
    let lots = said(&bismar(home.path(), &["lots"]));
    assert!(
        lots.contains("1.65"),
        "what stayed in the vessel is gone too: {lots}"
    );
}

#[test]
fn a_name_of_two_ingredients_lots_is_told_and_one_can_be_chosen() {
    let home = tempfile::tempdir().unwrap();
    let logs = home.path().join(".local/share/bismar/logs");
    std::fs::create_dir_all(&logs).unwrap();
    for (batch, ingredient) in [("soak-1", "Oat flour"), ("soak-2", "Coarse sea salt")] {
        write_log(&logs, batch, &[weighed(1, ingredient, "A", 18_000)]);
    }
    // What took from soak-1 is reached under any ingredient's name.
    write_log(
        &logs,
        "soak-3",
        &[weighed(1, "Half-made soak", "soak-1", 5_000)],
    );
    let trace = |more: &[&str]| {
        let args: Vec<&str> = [&["trace", "A"], more].concat();
        let output = bismar(home.path(), &args);
        (output.status.code(), said(&output))
    };
    let (_, both) = trace(&[]);
    assert!(both.contains("A reached 3 batches:"), "{both}");
    assert!(
        both.contains("A was named as the lot of 2 ingredients (Coarse sea salt, Oat flour); --ingredient NAME"),
        "{both}"
    );
    let (_, oats) = trace(&["--ingredient", "Oat flour"]);
    assert!(
        oats.contains("A reached 2 batches:") && oats.contains("soak-3"),
        "{oats}"
    );
    assert!(
        !oats.contains("soak-2") && !oats.contains("was named"),
        "{oats}"
    );
    let (code, none) = trace(&["--ingredient", "Oats"]);
    assert_eq!(code, Some(1));
    assert!(
        none.contains("it was named for Coarse sea salt, Oat flour"),
        "{none}"
    );
}

/// The log of the scale checks lies among those of the batches: no batch, no lot of others, and what is
/// wrong with it takes nothing from what the lots have left.
#[test]
fn the_log_of_the_scale_checks_is_no_batch() {
    let dir = tempfile::tempdir().unwrap();
    let rows = [weighed(1, "Coarse sea salt", "L-1", 18_000)];
    let batch = write_log(dir.path(), "soak-1", &rows);
    std::fs::write(dir.path().join("scale-checks.csv"), "no log at all\n").unwrap();
    assert_eq!(batches_in(dir.path()).unwrap(), [batch]);
    assert!(log_of(dir.path(), "scale-checks").is_none());
    let home = tempfile::tempdir().unwrap();
    let logs = dir.path().to_str().unwrap();
    let traced = said(&bismar(home.path(), &["trace", "L-1", "--logs", logs]));
    assert!(traced.contains("L-1 reached 1 batch"), "{traced}");
    assert!(!traced.contains("warning"), "{traced}");
}

/// Each damaged log of a folder is said.
#[test]
fn a_trace_says_each_damaged_log() {
    let dir = tempfile::tempdir().unwrap();
    let alone = damaged_folder(dir.path());
    assert_eq!(alone.iter().filter(|record| !record.is_proved()).count(), 3);
    let home = tempfile::tempdir().unwrap();
    let logs = dir.path().to_str().unwrap();
    let traced = said(&bismar(home.path(), &["trace", "L-1", "--logs", logs]));
    assert_eq!(traced.matches("warning: ").count(), 3, "{traced}");
}

/// The README's line that makes a database of the logs, by the program it names: it holds each row of each log, and
/// weighs the lots as the logs do.
#[test]
fn the_readme_makes_a_database_of_the_logs() {
    let home = tempfile::tempdir().unwrap();
    workshop(home.path());
    let logs = home.path().join(".local/share/bismar/logs");
    let readme = include_str!("../../README.md");
    let line = readme.lines().find(|line| line.starts_with("    sqlite3 "));
    let shell = |line: &str| {
        let mut command = Command::new("bash");
        command.args(["-c", line]).current_dir(&logs);
        let output = command.output().unwrap();
        assert!(output.status.success(), "{output:?}");
        String::from_utf8(output.stdout).unwrap()
    };
    shell(line.unwrap());
    let asked = "select lot, printf('%.2f', sum(net_g)) from logs where kind = 'weighed' and lot <> '' group by lot";
    let said = shell(&format!(
        "sqlite3 logs.sqlite \"{asked}; select count(*) from logs\""
    ));
    let (mut sums, mut count) = (BTreeMap::new(), 0);
    for path in batches_in(&logs).unwrap() {
        for row in logs::rows(&path) {
            count += 1;
            if row["kind"] == "weighed" && !row["lot"].is_empty() {
                let net = Mass::parse(row["net_g"].as_bytes(), Unit::Gram).unwrap();
                *sums.entry(row["lot"].clone()).or_insert(Mass::ZERO) += net;
            }
        }
    }
    assert!(sums.len() > 1, "{sums:?}");
    let mut wanted = String::new();
    for (lot, sum) in sums {
        wanted.push_str(&format!("{lot}|{}\n", sum.grams(Mass::from_mg(10))));
    }
    assert_eq!(said, format!("{wanted}{count}\n"));
}
