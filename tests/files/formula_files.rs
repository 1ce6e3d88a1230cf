//! Formula files: what is accepted, what is refused and where, and a second TOML parser's opinion.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use bismar::formula::{Deviation, Formula, Percent, Share, examples};
use bismar::mass::Mass;
use bismar::workshop;
use proptest::prelude::*;

use crate::bench_side::python;
use crate::is_ours;

const VALID: &str = "fixtures/formulas/valid";
const INVALID: &str = "fixtures/formulas/invalid";

/// Every refused file with the place and a part of the message of each fault, in order.
const REFUSED: &[(&str, &[(&str, &str)])] = &[
    (
        "above_limit",
        &[(
            "14:11",
            "\"Oil\" has 2.5 %, above its greatest share of 1 %",
        )],
    ),
    (
        "balance_and_percent",
        &[("11:11", "both a percent and the balance")],
    ),
    (
        "balance_below_limit",
        &[(
            "10:11",
            "\"Sea salt\" has 97.5 %, below its least share of 98 %",
        )],
    ),
    (
        "column_after_wide_characters",
        &[("4:42", "-1, which is negative")],
    ),
    (
        "control_character_in_name",
        &[("9:8", "control character U+0007")],
    ),
    ("crlf_sum_99", &[("14:11", "sum to 99, 1 short of 100")]),
    (
        "decimal_comma_bare",
        &[(
            "10:11",
            "the number 97,5 has a comma. Write a decimal point and no comma: 97.5",
        )],
    ),
    (
        "decimal_comma_in_quotes",
        &[(
            "10:11",
            "thousands or decimals. Write a decimal point and no comma: 97.5",
        )],
    ),
    ("duplicate_key", &[("15:1", "duplicate key")]),
    (
        "empty",
        &[("1:1", "no \"formula\""), ("1:1", "no \"phase\"")],
    ),
    ("empty_name", &[("9:8", "\"name\" is empty")]),
    ("empty_phase", &[("12:1", "Phase 2 has no \"ingredient\"")]),
    ("exponent", &[("10:11", "9.75e1, which has an exponent")]),
    ("formula_missing", &[("1:1", "no \"formula\"")]),
    ("hexadecimal", &[("10:11", "0x61, which is not decimal")]),
    ("inf", &[("10:11", "+inf, which is not a number")]),
    (
        "limits_crossed",
        &[("15:10", "least share 3 is above the greatest 1")],
    ),
    ("line_break_in_name", &[("9:8", "control character U+000A")]),
    (
        "lot_required_as_text",
        &[("15:16", "must be true or false, not a string")],
    ),
    ("name_missing", &[("1:1", "[formula] has no \"name\"")]),
    ("nan", &[("10:11", "nan, which is not a number")]),
    ("negative_percent", &[("14:11", "-2.5, which is negative")]),
    ("no_phase", &[("1:1", "no \"phase\"")]),
    ("no_share", &[("12:1", "\"Oil\" has no \"percent\"")]),
    ("not_utf8", &[("13:9", "not UTF-8")]),
    (
        "nothing_left_for_balance",
        &[("14:11", "sum to 100, so nothing is left")],
    ),
    ("nul_byte", &[("13:10", "invalid basic string")]),
    (
        "override_without_unit",
        &[("15:44", "\"over\" does not say whether")],
    ),
    (
        "percent_is_boolean",
        &[("10:11", "must be a plain decimal number, not a boolean")],
    ),
    (
        "percent_is_text",
        &[("10:11", "much, which is not a plain decimal number")],
    ),
    ("percent_over_100", &[("10:11", "150, more than 100")]),
    (
        "phase_as_single_table",
        &[("3:1", "must be a list of tables, not a table")],
    ),
    ("quote_not_closed", &[("13:12", "invalid basic string")]),
    (
        "reordering_mark_in_name",
        &[("9:8", "control character U+202E")],
    ),
    (
        "several_faults",
        &[
            ("1:1", "no \"name\""),
            ("2:1", "no key \"nam\". Write \"name\""),
            ("10:11", "1e2, which has an exponent"),
            ("15:1", "no key \"vesel\". Write \"vessel\""),
        ],
    ),
    (
        "sum_101_in_first_phase",
        &[("14:11", "sum to 101, 1 too much")],
    ),
    ("sum_99", &[("14:11", "sum to 99, 1 short of 100")]),
    (
        "sum_over_100",
        &[("14:11", "sum to 100.5000001, 0.5000001 too much")],
    ),
    ("ten_decimals", &[("10:11", "has 10 decimals")]),
    (
        "tolerance_all_under",
        &[("15:13", "allows an empty vessel")],
    ),
    ("tolerance_empty", &[("15:13", "names no amount")]),
    ("tolerance_nothing", &[("15:13", "cannot be met")]),
    (
        "tolerance_plain_number",
        &[("15:13", "does not say whether it means percent or grams")],
    ),
    (
        "twice_in_one_phase",
        &[("12:1", "in this phase already, at line 8")],
    ),
    ("two_balances", &[("14:11", "\"Oil\" is a second balance")]),
    ("underscores", &[("10:11", "9_7.5, which has digit groups")]),
    (
        "unknown_key_percnt",
        &[
            ("8:1", "no \"percent\""),
            ("10:1", "no key \"percnt\". Write \"percent\""),
        ],
    ),
    (
        "unknown_table",
        &[("5:2", "no key \"formla\". Write \"formula\"")],
    ),
    (
        "unknown_vessel",
        &[("15:10", "\"beeker\" is no vessel. Write \"beaker\"")],
    ),
    ("zero_percent", &[("14:11", "\"Oil\" has 0 percent")]),
    (
        "balance_then_parts",
        &[(
            "14:9",
            "\"Oil\" is in parts, but \"Sea salt\" at line 8 is in percents",
        )],
    ),
    ("negative_parts", &[("14:9", "-1, which is negative")]),
    (
        "parts_above_limit",
        &[("14:9", "\"Oil\" has 25 %, above its greatest share of 20 %")],
    ),
    (
        "parts_and_balance",
        &[("14:9", "both parts and the balance")],
    ),
    (
        "parts_then_percent",
        &[(
            "14:11",
            "\"Oil\" is in percents, but \"Sea salt\" at line 8 is in parts",
        )],
    ),
    (
        "parts_too_small_to_be_a_share",
        &[("14:9", "less than 0.000000001 % by its parts")],
    ),
    ("parts_with_comma", &[("14:9", "no comma: 2.5")]),
    ("percent_and_parts", &[("15:9", "both a percent and parts")]),
    ("premix_empty", &[("15:10", "\"premix\" is empty")]),
    (
        "premix_of_itself",
        &[("15:10", "a premix of this very formula")],
    ),
    ("premix_without_lot", &[("16:16", "its batch is its lot")]),
    (
        "ten_decimals_of_parts",
        &[("14:9", "\"parts\" has 10 decimals")],
    ),
    ("too_many_parts", &[("14:9", "more than 1000000 parts")]),
    ("zero_parts", &[("14:9", "\"Oil\" has 0 parts")]),
];

fn files(folder: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).expect("the fixtures are part of the project");
    let mut files: Vec<PathBuf> = entries.map(|e| e.expect("readable").path()).collect();
    files.sort();
    files
}

fn accepted() -> Vec<PathBuf> {
    [VALID, "config/formulas"]
        .iter()
        .flat_map(|folder| files(folder))
        .collect()
}

#[test]
fn every_bad_file_is_refused_with_its_places() {
    let listed: BTreeSet<PathBuf> = REFUSED
        .iter()
        .map(|(name, _)| Path::new(INVALID).join(format!("{name}.toml")))
        .collect();
    assert_eq!(
        listed,
        files(INVALID).into_iter().collect(),
        "table and folder differ"
    );
    for (name, faults) in REFUSED {
        let path = format!("{INVALID}/{name}.toml");
        let problems = workshop::formula(Path::new(&path)).expect_err(name);
        assert_eq!(problems.0.len(), faults.len(), "{name}:\n{problems}");
        for (problem, (place, part)) in problems.0.iter().zip(*faults) {
            let text = problem.to_string();
            assert!(
                text.starts_with(&format!("{path}:{place}: ")),
                "{name}: {place}\n{text}"
            );
            assert!(text.contains(part), "{name}: {part}\n{text}");
            assert!(
                !problem.remedy.is_empty() && text.ends_with('.'),
                "{name}: {text}"
            );
            is_ours(problem);
        }
    }
}

/// Each with its place; nothing else is said of the same line, and no comma that is right is blamed.
/// The reader finds these faults in the text and no others: each begins at its place and says so much.
fn finds(text: &str, faults: &[(&str, &str)]) {
    let problems = Formula::parse(text, "f.toml").expect_err(text);
    assert_eq!(problems.0.len(), faults.len(), "{text}\n{problems}");
    for (problem, (place, part)) in problems.0.iter().zip(faults) {
        let said = problem.to_string();
        assert!(
            said.starts_with(&format!("f.toml:{place}: ")),
            "{text}\n{said}"
        );
        assert!(said.contains(part), "{text}\n{said}");
        is_ours(problem);
    }
}

/// What is too much begins where 100 is passed, however much comes after.
#[test]
fn percents_are_too_much_from_the_line_that_passes_a_hundred() {
    let one = |name: &str, percent: u32| {
        format!("[[phase.ingredient]]\nname = \"{name}\"\npercent = {percent}\n")
    };
    let text = format!(
        "[formula]\nname = \"A\"\n[[phase]]\n{}{}{}",
        one("a", 60),
        one("b", 50),
        one("c", 20)
    );
    finds(&text, &[("9:11", "The percents sum to 130, 30 too much")]);
}

#[test]
fn a_decimal_comma_is_told_wherever_a_number_stands() {
    let head = "[formula]\nname = \"A\"\n[[phase]]\n[[phase.ingredient]]\nname = \"B\"\n";
    let cases: [(&str, &[(&str, &str)]); 7] = [
        (
            "percent = 20,5\n",
            &[(
                "6:11",
                "20,5 has a comma. Write a decimal point and no comma: 20.5.",
            )],
        ),
        ("percent = 20,5  # less\n", &[("6:11", "no comma: 20.5.")]),
        (
            "percent = 1,000\n",
            &[("6:11", "no comma: 12.5, and 1000 without a mark")],
        ),
        ("percent = 1,000.5\n", &[("6:11", "1,000.5 has a comma")]),
        ("tolerance = { g = 0,05 }\n", &[("6:19", "no comma: 0.05.")]),
        (
            "tolerance = { g = 0,05, percent = 1 }\n",
            &[("6:19", "no comma: 0.05.")],
        ),
        (
            "percent = 20,5\n[[phase.ingredient]]\nname = \"C\"\npercent = 79,5\n",
            &[("6:11", "no comma: 20.5."), ("9:11", "no comma: 79.5.")],
        ),
    ];
    for (text, faults) in cases {
        finds(&format!("{head}{text}"), faults);
    }
    for text in [
        "percent = 20 x, 5\n",
        "inci = \"= 20,5\n",
        "percent = # = 20,5\n",
    ] {
        let problems = Formula::parse(&format!("{head}{text}"), "f.toml").expect_err(text);
        assert!(
            !problems.to_string().contains("decimal point"),
            "{text}\n{problems}"
        );
    }
}

/// What people write who never saw such a file, each with its place and with what to write.
#[test]
fn marks_of_a_text_program_and_single_brackets_say_what_to_write() {
    let head = "[formula]\nname = \"A\"\n[[phase]]\n[[phase.ingredient]]\nname = \"B\"\n";
    let single = "[formula]\nname = \"A\"\n[[phase]]\n[phase.ingredient]\nname = \"B\"\npercent = 60\n\
                  [phase.ingredient]\nname = \"C\"\npercent = 40\n";
    let once =
        "[formula]\nname = \"A\"\n[[phase]]\n[phase.ingredient]\nname = \"B\"\npercent = 100\n";
    let cases: [(String, &[(&str, &str)]); 10] = [
        (
            format!("{head}percent = 22.0%\n"),
            &[(
                "6:11",
                "22.0% has a percent sign. Write the number alone: 22.0.",
            )],
        ),
        (
            format!("{head}percent = 22,5 % # a\n"),
            &[(
                "6:11",
                "22,5 % has a percent sign. Write a decimal point and no comma: 22.5.",
            )],
        ),
        (
            format!("{head}percent = \"22.0%\"\n"),
            &[("6:11", "Write the number alone: 22.0.")],
        ),
        (
            format!("{head}percent = 100\ntolerance = {{ percent = 1% }}\n"),
            &[("7:25", "1% has a percent sign. Write the number alone: 1.")],
        ),
        (
            format!("{head}percent = 100\ncaution = “Hot”\n"),
            &[(
                "7:11",
                "“ is a quotation mark of a text program. Write \", the straight one",
            )],
        ),
        (
            format!("{head}percent = 100\ncaution = „Hot“ # it's \"so\"\n"),
            &[("7:11", "„ is a quotation mark")],
        ),
        (
            single.to_owned(),
            &[(
                "7:1",
                "Begin each with doubled brackets: [[phase.ingredient]].",
            )],
        ),
        (
            once.to_owned(),
            &[(
                "4:1",
                "doubled brackets, [[phase.ingredient]] in place of [phase.ingredient].",
            )],
        ),
        (
            format!("{head}percents = 100\n"),
            &[
                ("4:1", "\"B\" has no \"percent\""),
                ("6:1", "Write \"percent\""),
            ],
        ),
        (
            format!("{head}percent = 100\nbest_before = 12/2027\n"),
            &[(
                "7:15",
                "12/2027 is no day that can be read. Write year, month, day: 2027-12-31.",
            )],
        ),
    ];
    for (text, faults) in cases {
        finds(&text, faults);
    }
    // Within a text or a remark all of it may stand, and what else is wrong there is told as before.
    for text in ["inci = \"100 % “pure” 12/2027", "percent = = # 22% “x”"] {
        let problems = Formula::parse(&format!("{head}{text}\n"), "f.toml").expect_err(text);
        let said = problems.to_string();
        assert!(
            !said.contains("percent sign")
                && !said.contains("quotation mark of")
                && !said.contains("no day"),
            "{text}\n{said}"
        );
    }
}

#[test]
fn a_missing_file_is_named() {
    let text = workshop::formula(Path::new("no/such.toml"))
        .expect_err("missing")
        .to_string();
    assert!(text.starts_with("no/such.toml: cannot be read: "), "{text}");
}

/// Second opinion: Python's tomllib with decimals instead of floats, sums by Python's decimal module.
#[test]
fn a_second_parser_reads_the_same_percents_and_tolerances() {
    const SCRIPT: &str = r#"
import sys, tomllib
from decimal import Decimal
def n(x): return int(Decimal(x) * 10**9)
def amounts(t): return {k: n(t[k]) for k in ("percent", "g") if k in t}
def side(t, key):
    both = amounts(t)
    if key not in t: return both
    if isinstance(t[key], dict): return amounts(t[key])
    (unit,) = both
    return {unit: n(t[key])}
for path in sys.argv[1:]:
    text = open(path, "rb").read().decode("utf-8-sig")
    doc = tomllib.loads(text, parse_float=Decimal)
    all = [i for phase in doc["phase"] for i in phase["ingredient"]]
    if "parts" in all[0]:
        from apportionment import methods
        parts = [n(i["parts"]) for i in all]
        for i, share in zip(all, methods.compute("largest_remainder", parts, 10**11, fractions=True)):
            i["percent"] = Decimal(share) / 10**9
    total = sum(Decimal(i.get("percent", 0)) for i in all)
    assert total < 100 if any(i.get("balance") for i in all) else total == 100, path
    for i in all:
        t = i.get("tolerance", {})
        share = n(i["percent"]) if "percent" in i else "balance"
        sides = [side(t, key).get(unit, "-") for key in ("under", "over") for unit in ("percent", "g")]
        print(path, i["name"], share, *sides, i.get("vessel", "beaker"),
              i.get("lot_required", "premix" in i), sep="|")
"#;
    let paths = accepted();
    let theirs = python::asked(SCRIPT, &paths, b"");
    let mut ours = String::new();
    for path in &paths {
        let formula = workshop::formula(path).unwrap_or_else(|e| panic!("{e}"));
        for i in formula.ingredients() {
            let share = match i.share {
                Share::Percent(p) => p.0.to_string(),
                Share::Balance => "balance".to_owned(),
            };
            let text = |n: Option<i64>| n.map_or("-".to_owned(), |n| n.to_string());
            let side = |s: Deviation| {
                format!(
                    "{}|{}",
                    text(s.percent.map(|p| p.0)),
                    text(s.mass.map(Mass::ng))
                )
            };
            ours += &format!(
                "{}|{}|{share}|{}|{}|{}|{}\n",
                path.display(),
                i.name,
                side(i.tolerance.under),
                side(i.tolerance.over),
                i.vessel.name(),
                if i.lot_required { "True" } else { "False" },
            );
        }
    }
    assert_eq!(theirs, ours);
}

#[test]
fn tolerances_take_their_documented_shapes() {
    let formula = workshop::formula(Path::new("fixtures/formulas/valid/tolerance_shapes.toml"))
        .unwrap_or_else(|e| panic!("{e}"));
    let percent = |p: i64| Some(Percent(p * 10_000_000));
    let mg = |mg: i64| Some(Mass::from_mg(mg));
    let side = |percent, mass| Deviation { percent, mass };
    let expected = [
        (side(percent(100), mg(50)), side(percent(100), mg(50))),
        (side(percent(50), None), side(percent(200), None)),
        (side(None, mg(100)), side(None, mg(20))),
        (side(percent(100), None), side(None, mg(20))),
        (side(None, None), side(percent(300), mg(100))),
        (side(None, None), side(None, None)),
    ];
    let found: Vec<_> = formula
        .ingredients()
        .map(|i| (i.tolerance.under, i.tolerance.over))
        .collect();
    assert_eq!(found, expected);
}

#[test]
fn the_text_is_kept_byte_for_byte_and_versions_as_written() {
    for path in accepted() {
        let bytes = std::fs::read(&path).expect("readable");
        let formula = workshop::formula(&path).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(formula.text.as_bytes(), bytes, "{}", path.display());
        // Reading the kept text again gives the same formula: the log alone is enough.
        assert_eq!(Formula::parse(&formula.text, "log").as_ref(), Ok(&formula));
    }
    let version = |name: &str| {
        workshop::formula(&Path::new(VALID).join(name))
            .unwrap_or_else(|e| panic!("{e}"))
            .version
    };
    assert_eq!(version("version_as_number.toml"), "1.10");
    assert_eq!(version("crlf.toml"), "1");
}

#[test]
fn the_same_ingredient_in_two_phases_is_a_warning() {
    let path = Path::new("fixtures/formulas/valid/same_ingredient_in_two_phases.toml");
    let formula = workshop::formula(path).unwrap_or_else(|e| panic!("{e}"));
    let warnings: Vec<String> = formula
        .warnings("f.toml")
        .iter()
        .map(ToString::to_string)
        .collect();
    assert_eq!(warnings.len(), 1, "{warnings:?}");
    assert!(
        warnings[0].starts_with("f.toml:18:1: \"sea salt\" is weighed twice, first at line 8.")
    );
    let plain = Formula::parse(examples::TIDELINE, "t").unwrap_or_else(|e| panic!("{e}"));
    assert!(plain.warnings("t").is_empty());
}

/// Nesting that would overflow a stack is refused, and a file of nothing but faults stays readable.
#[test]
fn monstrous_files_are_refused_in_few_words() {
    let deep = 100_000;
    let texts = [
        format!("a = {}", "[".repeat(deep)),
        format!("a = {}1{}", "[".repeat(deep), "]".repeat(deep)),
        format!("a = {}", "{a = ".repeat(deep)),
        format!("{}a = 1", "a.".repeat(deep)),
        format!("[{}a]", "a.".repeat(deep)),
        (0..5_000).map(|i| format!("k{i} = 1\n")).collect(),
        format!("[formula]\nname = \"{}\"\n", "x".repeat(deep)),
    ];
    for text in texts {
        let problems = Formula::parse(&text, "f.toml").expect_err("refused");
        let message = problems.to_string();
        assert!(
            message.len() < 8000 && message.lines().count() <= 21,
            "{message}"
        );
        assert!(bismar::config::Config::parse(&text, "c.toml").is_err());
    }
}

/// Pieces that make texts which get past the TOML grammar often enough to reach the checks behind it.
fn near_toml() -> impl Strategy<Value = String> {
    let pieces = prop::sample::select(vec![
        "[formula]\n",
        "[[phase]]\n",
        "[[phase.ingredient]]\n",
        "name = \"a\"\n",
        "percent = 50\n",
        "parts = 2\n",
        "parts = 0.000000001\n",
        "parts = \"1e9\"\n",
        "premix = \"a\"\n",
        "percent = 1e400\n",
        "percent = -0.0\n",
        "percent = 99999999999999999999\n",
        "balance = true\n",
        "percent = \"\"\n",
        "tolerance = { g = 1, over = {} }\n",
        "tolerance = []\n",
        "limits = { min = 1 }\n",
        "limits = 3\n",
        "vessel = \"\"\n",
        "version = 1979-05-27\n",
        "notes = '''\n\r\n'''\n",
        "mix = [1, {}]\n",
        "phase = 1\n",
        "phase = [1]\n",
        "ingredient = [[]]\n",
        "\u{feff}",
        "\0",
        "é\r",
        "[[scale]]\n",
        "port = \"/dev/x\"\n",
        "usb = { vendor = 70000 }\n",
        "baud = 0x_1\n",
        "poll = { send = '\\x' }\n",
        "layout = \"pattern\"\n",
        "pattern = '('\n",
        "[weighing]\n",
        "guard = 1_0\n",
        "[cues.sounds]\n",
        "lift = \"~\"\n",
        "readability = \"0 g\"\n",
        "capacity = \"1\"\n",
        "[[vessel]]\n",
        "weight = \"-1 g\"\n",
    ]);
    prop::collection::vec(pieces, 0..24).prop_map(|pieces| pieces.concat())
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_text_makes_a_reader_panic(text in prop_oneof![near_toml(), "\\PC{0,80}", any::<String>()]) {
        if let Err(problems) = Formula::parse(&text, "x") {
            prop_assert!(!problems.0.is_empty());
            for problem in &problems.0 {
                prop_assert!(problem.line >= 1 && problem.column >= 1);
                prop_assert!(problem.line <= text.lines().count().max(1) + 1);
                prop_assert!(!problem.to_string().contains(|c: char| c.is_control()), "{problem}");
            }
        }
        if let Err(problems) = bismar::config::Config::parse(&text, "x") {
            prop_assert!(!problems.0.is_empty());
        }
    }

    /// A file cut anywhere (a full disk, an editor that crashed) is read or refused, never a panic.
    #[test]
    fn a_cut_file_does_no_harm(cut in 0..examples::TIDELINE.len()) {
        if let Some(text) = examples::TIDELINE.get(..cut) {
            let _ = Formula::parse(text, "cut");
        }
    }

    /// Percents come back exactly as written; a float would lose the last of nine decimals.
    #[test]
    fn percents_are_exact(first in 1i64..100_000_000_000) {
        let text = |n: i64| format!("{}.{:09}", n / 1_000_000_000, n % 1_000_000_000);
        let second = 100_000_000_000 - first;
        let file = |second: i64| format!(
            "[formula]\nname = \"x\"\n[[phase]]\ningredient = [{{ name = \"a\", percent = {} }}, \
             {{ name = \"b\", percent = {} }}]\n", text(first), text(second));
        let formula = Formula::parse(&file(second), "x").unwrap_or_else(|e| panic!("{e}"));
        prop_assert_eq!(formula.shares(), vec![Percent(first), Percent(second)]);
        prop_assert!(Formula::parse(&file(second - 1), "x").is_err());
    }
}
