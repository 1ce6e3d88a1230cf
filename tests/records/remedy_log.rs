//! `bismar remedy LOG` by the log's rows: several steps of one ingredient, what stayed in a vessel, what
//! is still to come, limits, and room in bowl, on the scale and in the lots.
//!
//! Outside source: Python's csv module and Decimal read the same logs and sum them up.

use std::path::{Path, PathBuf};

use bismar::formula::plan::BatchSize;
use bismar::formula::room::{Bowl, Pour, Short, Unknown, room};
use bismar::formula::{Formula, Plan, VesselWay};
use bismar::journal::batch::composition::{held, strangers};
use bismar::journal::read::record;
use bismar::mass::Mass;
use bismar::metrology::ScaleAbility;
use bismar::vocabulary::entry::{Draft, RowKind};
use proptest::prelude::*;

use crate::bench_side::logs::Begun;
use crate::bench_side::person::Person;
use crate::bench_side::python;

const TWO: &str = include_str!("../../fixtures/captures/two_beakers.toml");
const STEP: Mass = Mass::from_mg(10);

fn row(kind: RowKind, step: usize, ingredient: &str, target_mg: i64, net_mg: i64) -> Draft {
    Draft {
        step,
        phase: "Dry".into(),
        ingredient: ingredient.into(),
        vessel: "beaker".into(),
        target: (target_mg > 0).then(|| Mass::from_mg(target_mg)),
        net: Some(Mass::from_mg(net_mg)),
        scale: "bench".into(),
        readability: STEP,
        ..Draft::new(kind, "")
    }
}

fn weighed(step: usize, ingredient: &str, target_mg: i64, net_mg: i64) -> Draft {
    row(RowKind::Weighed, step, ingredient, target_mg, net_mg)
}

fn residue(step: usize, ingredient: &str, net_mg: i64) -> Draft {
    row(RowKind::Residue, step, ingredient, 0, net_mg)
}

fn chosen() -> Draft {
    Draft::new(RowKind::Remedy, "steps {\"steps\":[]}")
}

/// A log of a 100 g batch, as the daemon writes one.
fn log(dir: &Path, formula: &str, drafts: &[Draft]) -> PathBuf {
    let _ = std::fs::remove_file(dir.join("b.csv"));
    let begun = Begun {
        formula,
        label: "Two beakers",
        size: Mass::from_g(100),
        jars: None,
        at: "2026-09-01T09:00:00Z",
    };
    begun.written(dir, "b", drafts)
}

#[test]
fn room_is_what_bowl_scale_and_lots_leave() {
    let scale = |capacity: Option<i64>| ScaleAbility {
        capacity: capacity.map(Mass::from_g),
        ..ScaleAbility::assumed("bench")
    };
    let pour = |vessel, on_hand: Option<i64>| Pour {
        ingredient: "Oat flour",
        vessel,
        amount: Mass::from_g(50),
        on_hand: on_hand.map(Mass::from_g),
    };
    let bowl = Bowl {
        capacity: Some(Mass::from_g(150)),
        empty: Some(Mass::from_g(20)),
    };
    let all = [scale(Some(170))];
    let beaker = pour(VesselWay::Beaker, Some(100));
    let inside = pour(VesselWay::Bowl, Some(100));
    // Everything known, nothing short: at the very edge.
    let found = room(Mass::from_g(100), &[inside], bowl, &all);
    assert_eq!((found.short.len(), found.unknown.len()), (0, 0));
    // A gram more: bowl and scale are short.
    let found = room(Mass::from_g(101), &[inside], bowl, &all);
    assert_eq!(
        found.short,
        [
            Short::Scale {
                ingredient: "Oat flour".into(),
                load: Mass::from_g(171),
                capacity: Mass::from_g(170)
            },
            Short::Bowl {
                batch: Mass::from_g(151),
                capacity: Mass::from_g(150)
            },
        ]
    );
    // Apart in a beaker the scale bears only that; two pours of one ingredient draw on the same lots.
    let found = room(
        Mass::from_g(50),
        &[beaker, beaker, pour(VesselWay::Beaker, Some(100))],
        Bowl::default(),
        &all,
    );
    assert_eq!(
        found.short,
        [Short::Lots {
            ingredient: "Oat flour".into(),
            needed: Mass::from_g(150),
            on_hand: Mass::from_g(100)
        }]
    );
    assert_eq!(found.unknown, [Unknown::BowlCapacity]);
    // One scale of unknown capacity: nothing is claimed.
    let found = room(
        Mass::from_g(900),
        &[inside],
        Bowl::default(),
        &[scale(Some(170)), scale(None)],
    );
    assert_eq!(found.short, []);
    assert_eq!(
        found.unknown,
        [Unknown::ScaleCapacity, Unknown::BowlCapacity]
    );
    let found = room(
        Mass::from_g(1),
        &[pour(VesselWay::Bowl, None)],
        Bowl::default(),
        &all,
    );
    assert_eq!(
        found.unknown,
        [Unknown::BowlWeight, Unknown::Lots, Unknown::BowlCapacity]
    );
    // Nothing to pour: there is room.
    let none = Pour {
        amount: Mass::ZERO,
        ..pour(VesselWay::Bowl, None)
    };
    assert_eq!(
        room(Mass::from_g(9_999), &[none], Bowl::default(), &all),
        Default::default()
    );
}

/// Sums what a log says was delivered of each ingredient, residues taken off.
const SUMS: &str = r#"
import csv, json, sys
from decimal import Decimal
net, stayed = {}, {}
for row in csv.DictReader(open(sys.argv[1], newline="")):
    if row["kind"] == "weighed":
        net[row["step"]] = (row["ingredient"], Decimal(row["net_g"]))
    if row["kind"] == "residue":
        stayed[row["step"]] = Decimal(row["net_g"])
sums = {}
for step, (name, mass) in net.items():
    sums[name] = sums.get(name, 0) + mass - stayed.get(step, 0)
print(json.dumps({name: int(mass * 10**9) for name, mass in sums.items()}))
"#;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn what_is_delivered_is_what_python_sums_up(
        weights in proptest::collection::vec((0usize..2, 100i64..90_000, prop::option::of(0i64..100)), 1..9),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let names = ["Sea salt", "Oat flour"];
        let mut rows = Vec::new();
        for (i, &(which, mg, stayed)) in weights.iter().enumerate() {
            rows.push(weighed(i + 1, names[which], mg, mg));
            rows.extend(stayed.map(|mg| residue(i + 1, names[which], mg)));
        }
        let path = log(dir.path(), TWO, &rows);
        let sums = python::asked(SUMS, [&path], b"");
        let sums: serde_json::Value = serde_json::from_str(&sums).unwrap();
        let formula = Formula::parse(TWO, "two.toml").unwrap();
        let bench = [ScaleAbility::assumed("bench")];
        let plan = Plan::new(&formula, BatchSize::Batch(Mass::from_g(100)), &bench, 2.0).unwrap();
        let parts = held(&record::read(&path).unwrap(), &plan);
        prop_assert_eq!(parts.len(), names.len());
        for part in parts {
            let theirs = sums[&part.ingredient].as_i64().unwrap_or(0);
            prop_assert_eq!(part.delivered, Mass::from_ng(theirs));
            prop_assert_eq!(part.part.held, part.delivered + part.to_come);
            prop_assert_eq!(part.to_come > Mass::ZERO, !sums[&part.ingredient].is_i64());
        }
    }
}

// ---- the program itself --------------------------------------------------------------------------

/// What the command says, its line breaks taken out.
fn said(person: &Person, formula: &str, drafts: &[Draft], more: &[&str]) -> String {
    let path = log(&person.path(""), formula, drafts);
    let args = [&["remedy", path.to_str().unwrap()], more].concat();
    let said = person.run(&args).ended(0);
    assert!(
        said.out.lines().all(|line| line.chars().count() <= 81),
        "{}",
        said.out
    );
    said.out.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn what_stayed_in_the_beaker_is_missing_until_it_is_topped_up() {
    let person = Person::new();
    let mut rows = vec![
        weighed(1, "Sea salt", 60_000, 60_000),
        residue(1, "Sea salt", 3_000),
        weighed(2, "Oat flour", 40_000, 40_000),
    ];
    let text = said(&person, TWO, &rows, &[]);
    let missing = "Step 1, Sea salt: 57.00 g (3.00 g of 60.00 g stayed in the vessel), 3.00 g under its \
                   target of 60.00 g.";
    assert!(text.contains(missing), "{text}");
    // All of it again is what keeps the proportion: 40 g is 40 % of 100 g.
    assert!(text.contains("Sea salt 57.00 - 3.00 "), "{text}");
    rows.push(weighed(3, "Sea salt", 3_000, 3_000));
    let text = said(&person, TWO, &rows, &[]);
    assert!(
        text.contains("Every weight in this log is inside"),
        "{text}"
    );
}

#[test]
fn a_step_that_is_not_weighed_counts_as_planned_and_a_withdrawn_one_again() {
    let person = Person::new();
    let mut rows = vec![weighed(1, "Sea salt", 60_000, 61_800)];
    let text = said(&person, TWO, &rows, &[]);
    assert!(text.contains("Oat flour* 40.00 - 1.20 0.52"), "{text}");
    assert!(text.contains("* not weighed yet"), "{text}");
    let mut withdrawn = weighed(0, "", 0, 0);
    withdrawn.net = None;
    withdrawn.note = "corrects seq 3: the wrong jar".into();
    rows.push(withdrawn);
    let text = said(&person, TWO, &rows, &[]);
    assert!(
        text.contains("Every weight in this log is inside"),
        "{text}"
    );
}

/// After a remedy the batch is larger: 61.80 g of 103 g is 60 % as it should be.
#[test]
fn a_remedy_that_was_weighed_is_no_over_pour_any_more() {
    let person = Person::new();
    let poured = weighed(1, "Sea salt", 60_000, 61_800);
    let flour = weighed(2, "Oat flour", 40_000, 40_000);
    let added = weighed(3, "Oat flour", 1_200, 1_200);
    let rows = [poured.clone(), flour, chosen(), added];
    let text = said(&person, TWO, &rows, &[]);
    assert!(
        text.contains("Every weight in this log is inside"),
        "{text}"
    );
    // The added part comes first and the planned one is still to be weighed: it is not taken for it.
    let rows = [poured, chosen(), weighed(2, "Oat flour", 1_200, 1_200)];
    let path = log(&person.path(""), TWO, &rows);
    let formula = Formula::parse(TWO, "two.toml").unwrap();
    let bench = [ScaleAbility::assumed("bench")];
    let plan = Plan::new(&formula, BatchSize::Batch(Mass::from_g(100)), &bench, 2.0).unwrap();
    let parts = held(&record::read(&path).unwrap(), &plan);
    assert_eq!(parts[1].to_come, Mass::from_g(40));
    assert_eq!(parts[1].part.held, Mass::from_mg(41_200));
    assert_eq!(parts[1].steps, [2]);
}

/// Every weight at the end of its tolerance, and the clove oil over its limit by that.
#[test]
fn a_limit_is_told_though_every_weight_is_inside_its_tolerance() {
    let person = Person::new();
    let formula = "[formula]\nname = \"A\"\n[[phase]]\nname = \"Dry\"\n\
                   [[phase.ingredient]]\nname = \"Sea salt\"\nbalance = true\n\
                   [[phase.ingredient]]\nname = \"Clove oil\"\npercent = 1\nlimits = { max = 1 }\n\
                   tolerance = { percent = 5 }\n";
    let rows = [
        weighed(1, "Sea salt", 99_000, 98_500),
        weighed(2, "Clove oil", 1_000, 1_040),
    ];
    let text = said(&person, formula, &rows, &[]);
    assert!(
        text.contains(
            "Limit: Clove oil is 1.04 % of the batch (1.04 g of 99.54 g), over its limit of 1 %. How \
         much a product may hold is set by the supplier's documents (safety data sheet, IFRA certificate)."
        ),
        "{text}"
    );
    assert!(!text.contains("Step "), "{text}");
    // Before the oil is weighed, less of it is a way that no table shows.
    let early = said(&person, formula, &rows[..1], &[]);
    assert!(
        early.contains("Limit, with what is to come as planned: Clove oil is 1.01 % of the batch"),
        "{early}"
    );
    assert!(
        early.contains("It is not all weighed yet: less of it would do."),
        "{early}"
    );
    // 1.04 g is 1 % of 104 g.
    assert!(text.contains("batch then, g - 104.00 104.00"), "{text}");
    // Something that the formula does not have is said.
    let rows = [&rows[..], &[weighed(3, "Glitter", 1_000, 1_000)]].concat();
    let path = log(&person.path(""), formula, &rows);
    let parsed = Formula::parse(formula, "a.toml").unwrap();
    assert_eq!(
        strangers(&record::read(&path).unwrap(), &parsed),
        ["Glitter"]
    );
    let said = person.run(&["remedy", path.to_str().unwrap()]).ended(0);
    assert!(
        said.err
            .contains("not in the formula and left out here: Glitter"),
        "{said:?}"
    );
}

#[test]
fn scale_and_lots_are_asked_whether_they_hold_it() {
    let person = Person::new();
    let rows = [
        weighed(1, "Sea salt", 60_000, 61_800),
        weighed(2, "Oat flour", 40_000, 40_000),
    ];
    let lots = |amount: &str| {
        person.file(
            "lots.toml",
            &format!(
                "[[lot]]\nname = \"O-3\"\ningredient = \"Oat flour\"\namount = \"{amount}\"\n"
            ),
        )
    };
    let file = lots("40.6 g");
    let mut from_lot = rows.clone();
    from_lot[1].lot = "O-3".into();
    // 40 g of 40.6 g are gone: 0.52 g are there, 1.20 g are not. The log lies in no folder of logs.
    let more = ["--lots", file.to_str().unwrap()];
    let text = said(&person, TWO, &from_lot, &more);
    assert!(
        text.contains("bowl, scale and lots hold it - no ?"),
        "{text}"
    );
    assert!(
        text.contains(
            "No room, in proportion: 1.20 g of Oat flour are needed, its lots have 0.60 g left"
        ),
        "{text}"
    );
    // Past its day it is none at all.
    let text = std::fs::read_to_string(&file).unwrap() + "best_before = 2020-01-31\n";
    std::fs::write(&file, text).unwrap();
    let text = said(&person, TWO, &from_lot, &more);
    assert!(
        text.contains("No room, least added: 0.52 g of Oat flour are needed, its lots have 0.00 g"),
        "{text}"
    );
    // A bowl on a scale of 150 g: 61.8 + 40 + 1.2 g and 60 g of glass are too much, though 1.2 g is not.
    let bowl = TWO.replace("percent = 60\n", "percent = 60\nvessel = \"bowl\"\n");
    let bowl = bowl.replace("percent = 40\n", "percent = 40\nvessel = \"bowl\"\n");
    let config = person.file(
        "scale.toml",
        "[[scale]]\nname = \"bench\"\nport = \"/dev/a\"\nlayout = \"comma-header\"\n\
         readability = \"0.01 g\"\ncapacity = \"150 g\"\n",
    );
    let mut in_bowl = rows;
    for row in &mut in_bowl {
        row.vessel = "bowl".into();
        row.tare = Some(Mass::from_g(60));
        row.gross = row.net.map(|net| net + Mass::from_g(60));
    }
    let more = ["--config", config.to_str().unwrap()];
    let text = said(&person, &bowl, &in_bowl, &more);
    assert!(
        text.contains("No room, in proportion: Oat flour brings at least 163.00 g onto the scale, which carries 150.00 g."),
        "{text}"
    );
}

/// What is told is what `--take` adds: whole steps of the scales the batch is weighed on, however coarse
/// another one on the bench is.
#[test]
fn a_coarse_scale_that_weighs_nothing_of_the_batch_does_not_round_its_remedies() {
    let person = Person::new();
    let rows = [
        weighed(1, "Sea salt", 60_000, 61_800),
        weighed(2, "Oat flour", 40_000, 40_000),
    ];
    let alone = said(&person, TWO, &rows, &[]);
    // 61.8 g is 60 % of 103 g: 1.20 g of the other, 40 % of it, are missing.
    assert!(alone.contains("Oat flour 40.00 - 1.20 "), "{alone}");
    let scale = |name: &str, d: &str, capacity: &str| {
        format!(
            "[[scale]]\nname = \"{name}\"\nport = \"/dev/{name}\"\nlayout = \"comma-header\"\n\
             readability = \"{d}\"\ncapacity = \"{capacity}\"\n"
        )
    };
    let two = scale("bench", "0.01 g", "600 g") + &scale("floor", "1 g", "30 kg");
    let config = person.file("two.toml", &two);
    let more = ["--config", config.to_str().unwrap()];
    let text = said(&person, TWO, &rows, &more);
    assert!(text.contains("Oat flour 40.00 - 1.20 "), "{text}");
}
