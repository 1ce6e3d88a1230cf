//! The control chart against published worked examples, and `bismar history` on a season's real logs.

use std::path::Path;

use bismar::chart::control::{D2, D4, Limits, moving_ranges};
use bismar::chart::history::{Gathered, Kind, Weighing};
use bismar::chart::report::report;
use bismar::journal::format::cell::Grams;
use bismar::language::{Language, term};
use bismar::mass::Mass;

use super::masses::near;
use crate::bench_side::person::{Said, prints, said};
use crate::bench_side::python;

/// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 "Individuals Control Charts", flow rate of
/// ten batches. Data and results as cited with that page in several public test suites; the page itself
/// was not at hand.
const FLOW: [f64; 10] = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];

#[test]
fn the_handbooks_worked_example_comes_out() {
    let limits = Limits::of(&FLOW).unwrap();
    near(limits.centre, 50.81, 5e-9);
    near(limits.range_centre, 1.8778, 5e-5);
    near(limits.upper, 55.8041, 5e-5);
    near(limits.lower, 45.8159, 5e-5);
    near(limits.range_upper, 6.1347, 5e-5);
    let ranges = [2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5];
    for (found, wanted) in moving_ranges(&FLOW).into_iter().zip(ranges) {
        near(found, wanted, 1e-9);
    }
    assert!(
        !FLOW.iter().any(|value| limits.is_out(*value)),
        "in control"
    );
}

/// The constants are the rounded values of 2/√π and 1 + 3 √(2 − 4/π)/d2 (mean and deviation of the
/// absolute difference of two normal values).
#[test]
fn the_constants_are_those_of_the_normal_distribution() {
    let pi = std::f64::consts::PI;
    let d2 = 2.0 / pi.sqrt();
    near(D2, d2, 5e-4);
    near(D4, 1.0 + 3.0 * (2.0 - 4.0 / pi).sqrt() / d2, 5e-4);
}

#[test]
fn a_value_beyond_the_limits_is_seen_and_one_inside_is_not() {
    let limits = Limits::of(&FLOW).unwrap();
    assert!(limits.is_out(55.81) && limits.is_out(45.81));
    assert!(!limits.is_out(55.80) && !limits.is_out(45.82));
    assert!(limits.is_range_out(6.14) && !limits.is_range_out(6.13));
}

#[test]
fn too_few_values_and_values_that_are_none_have_no_limits() {
    assert_eq!(Limits::of(&[]), None);
    assert_eq!(Limits::of(&[1.0]), None);
    assert_eq!(Limits::of(&[1.0, f64::NAN]), None);
    assert_eq!(Limits::of(&[1.0, f64::INFINITY]), None);
    let same = Limits::of(&[2.0, 2.0]).unwrap();
    assert_eq!((same.lower, same.upper, same.range_upper), (2.0, 2.0, 0.0));
}

// ---- the program itself --------------------------------------------------------------------------

fn season(home: &Path, folder: &str, seed: &str) -> String {
    prints(
        home,
        &["demo", "--season", "--seed", seed, "--log-dir", folder],
    )
}

fn logs(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let entries = std::fs::read_dir(folder).unwrap().flatten();
    let logs = entries.filter(|e| e.path().extension().is_some_and(|end| end == "csv"));
    let mut logs: Vec<_> = logs
        .map(|e| {
            let name = e.file_name().into_string().unwrap();
            (name, std::fs::read(e.path()).unwrap())
        })
        .collect();
    logs.sort();
    logs
}

#[test]
fn a_season_is_real_logs_the_same_for_the_same_seed_and_never_mixed_with_others() {
    let home = tempfile::tempdir().unwrap();
    season(home.path(), "one", "4");
    season(home.path(), "two", "4");
    season(home.path(), "three", "5");
    let one = logs(&home.path().join("one"));
    assert_eq!(
        one.len(),
        27,
        "24 batches for sale and three of their premix"
    );
    let list = |folder: &str| std::fs::read(home.path().join(folder).join("lots.toml")).unwrap();
    assert!(list("one") == list("two") && !list("one").is_empty());
    assert!(one == logs(&home.path().join("two")), "the same seed");
    assert!(one != logs(&home.path().join("three")), "another seed");
    for (name, _) in &one {
        let path = home.path().join("one").join(name);
        prints(home.path(), &["log", "verify", path.to_str().unwrap()]);
    }
    let again = said(home.path(), &["demo", "--season", "--log-dir", "one"]);
    again.ended(1);
    assert!(one == logs(&home.path().join("one")), "untouched");
}

/// The table's numbers computed a second time, from the CSV by Python's csv and statistics modules.
#[test]
fn the_history_of_an_ingredient_agrees_with_the_logs_read_by_python() {
    let home = tempfile::tempdir().unwrap();
    season(home.path(), "logs", "6");
    let text = prints(
        home.path(),
        &["history", "Beeswax", "--logs", "logs", "--svg", "chart.svg"],
    );
    let script = "import csv, glob, os, statistics as st, sys\n\
        os.chdir(sys.argv[1])\n\
        rows = [r for f in glob.glob('logs/*.csv') for r in csv.DictReader(open(f, newline=''), strict=True)]\n\
        assert not any(r['note'].startswith('corrects') for r in rows)\n\
        w = {}\n\
        for r in sorted(rows, key=lambda r: (r['at'], int(r['seq']))):\n\
        \x20   if r['kind'] == 'weighed' and r['ingredient'] == 'Beeswax': w[r['batch']] = r\n\
        v = [100 * float(r['deviation_g']) / float(r['target_g']) for r in w.values()]\n\
        m, mr = st.fmean(v), st.fmean(abs(b - a) for a, b in zip(v, v[1:]))\n\
        print(f'individuals    lower {m - 3 * mr / 1.128:.3f}  mean {m:.3f}  upper {m + 3 * mr / 1.128:.3f}  ')\n\
        print(f'moving range   lower 0  mean {mr:.3f}  upper {3.267 * mr:.3f}  ')\n";
    let python = python::asked(script, [home.path()], b"");
    for line in python.lines() {
        assert!(text.contains(line), "{line}\nis not in\n{text}");
    }
    let svg = std::fs::read_to_string(home.path().join("chart.svg")).unwrap();
    assert_eq!(
        svg.matches("<circle").count() + svg.matches("<rect x").count(),
        6 + 5
    );
}

#[test]
fn the_history_of_a_formula_has_a_line_an_ingredient() {
    let home = tempfile::tempdir().unwrap();
    season(home.path(), "logs", "6");
    for name in ["Marram balm", "marram BALM 3"] {
        let text = prints(home.path(), &["history", name, "--logs", "logs"]);
        for ingredient in [
            "Sunflower oil",
            "Shea butter",
            "Beeswax",
            "Tocopherol",
            "Lavender",
        ] {
            assert!(text.contains(&format!("\n{ingredient}")), "{text}");
        }
        assert!(text.contains("6 batches, 6 of them complete"), "{text}");
    }
}

/// A formula without a version keeps its whole name.
#[test]
fn the_history_of_a_formula_is_named_as_it_was_asked_for() {
    let at = "2026-09-01T09:00:00Z".parse().unwrap();
    let sixty = Grams::new(Mass::from_g(60), Mass::from_mg(10));
    let weighing = Weighing {
        ingredient: "Sea salt".into(),
        step: 1,
        target: sixty,
        net: sixty,
        over_pours: 0,
        kind: Kind::Planned,
        seconds: 9.0,
    };
    let titled = |cell: &str, name: &str| {
        let batch = Gathered {
            batch: "marram-1".into(),
            formula: cell.into(),
            weighings: [weighing.clone()].into(),
            opened: Some(at),
            complete: true,
        };
        report(&[batch], name, true, Language::English)
            .unwrap()
            .text
    };
    assert!(titled("Marram soak", "marram soak").starts_with("Marram soak: "));
    assert!(titled("Marram soak 2", "Marram soak").starts_with("Marram soak: "));
}

#[test]
fn an_unknown_name_gets_the_near_ones_and_a_changed_log_is_named_and_left_out() {
    let home = tempfile::tempdir().unwrap();
    season(home.path(), "logs", "6");
    let out = said(home.path(), &["history", "beeswacks", "--logs", "logs"]);
    let told = out.ended(1).err;
    assert!(told.contains("it tells of: Beeswax"), "{told}");
    let (name, bytes) = logs(&home.path().join("logs"))
        .into_iter()
        .find(|(name, _)| name.starts_with("marram"))
        .unwrap();
    let text = String::from_utf8(bytes)
        .unwrap()
        .replace(",inside,", ",over,");
    std::fs::write(home.path().join("logs").join(&name), text).unwrap();
    let out = said(home.path(), &["history", "Beeswax", "--logs", "logs"]);
    let Said {
        out: text,
        err: told,
        ..
    } = out.ended(4);
    assert!(told.contains(&name), "{told}");
    assert!(!text.contains(name.trim_end_matches(".csv")), "{text}");
}

/// The first half of a real log is a batch that stands still in the middle.
#[test]
fn a_batch_that_did_not_come_to_its_end_is_counted_and_not_charted() {
    let home = tempfile::tempdir().unwrap();
    season(home.path(), "logs", "6");
    let all = logs(&home.path().join("logs"));
    let (name, bytes) = all.iter().find(|(n, _)| n.starts_with("marram")).unwrap();
    let text = std::str::from_utf8(bytes).unwrap();
    let half: String = text.split_inclusive('\n').take(7).collect();
    std::fs::write(home.path().join("logs").join(name), half).unwrap();
    let text = prints(home.path(), &["history", "Marram balm", "--logs", "logs"]);
    assert!(text.contains("6 batches, 5 of them complete"), "{text}");
    assert!(!text.contains(name.trim_end_matches(".csv")), "{text}");
}

#[test]
fn a_point_beyond_a_limit_is_drawn_as_a_square_with_its_number() {
    let mut values = FLOW.to_vec();
    values.extend(FLOW);
    values.push(90.0);
    let limits = Limits::of(&values).unwrap();
    assert!(limits.is_out(90.0));
    let svg = bismar::chart::svg::control_chart(
        &"a < b & c".into(),
        term!("g"),
        &values,
        &limits,
        760,
        Language::English,
    );
    // One in each panel: the value, and the jump to it.
    assert_eq!(svg.matches("height=\"9\"").count(), 2, "{svg}");
    assert_eq!(svg.matches(">21</text>").count(), 2, "{svg}");
    assert!(svg.contains("a &lt; b &amp; c"), "{svg}");
}

/// Relative luminance of `#rrggbb` (WCAG 2.2, "relative luminance").
fn luminance(colour: &str) -> f64 {
    let part = |at: usize| {
        let byte = u8::from_str_radix(&colour[at..at + 2], 16).unwrap();
        let part = f64::from(byte) / 255.0;
        match part <= 0.04045 {
            true => part / 12.92,
            false => ((part + 0.055) / 1.055).powf(2.4),
        }
    };
    0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
}

/// WCAG 2.2: letters 4.5:1 (1.4.3), what is needed to understand a picture 3:1 (1.4.11). Each colour of the light part
/// has its own in the dark part.
#[test]
fn each_colour_of_the_chart_stands_out_on_a_light_and_on_a_dark_screen() {
    let limits = Limits::of(&FLOW).unwrap();
    let svg = bismar::chart::svg::control_chart(
        &"a".into(),
        term!("g"),
        &FLOW,
        &limits,
        340,
        Language::English,
    );
    let (_, style) = svg.split_once("<style>").unwrap();
    let (style, _) = style.split_once("</style>").unwrap();
    let (light, dark) = style
        .split_once("@media (prefers-color-scheme: dark) {")
        .unwrap();
    for part in [light, dark] {
        let colours: Vec<(&str, &str)> = part
            .lines()
            .filter_map(|line| {
                let (name, rest) = line.split_once(" {")?;
                let at = rest.find('#')?;
                Some((name.trim(), &rest[at..at + 7]))
            })
            .collect();
        let ground = luminance(
            colours
                .iter()
                .find(|(name, _)| *name == ".ground")
                .unwrap()
                .1,
        );
        let names: Vec<&str> = colours.iter().map(|(name, _)| *name).collect();
        let all = [
            ".ground",
            "text",
            ".on-lines",
            ".line",
            ".in",
            ".run",
            ".out",
        ];
        assert_eq!(names, all, "{part}");
        for (name, colour) in colours {
            let other = luminance(colour);
            let ratio = (ground.max(other) + 0.05) / (ground.min(other) + 0.05);
            match name {
                // The rim of a letter is the ground.
                ".ground" | ".on-lines" => assert!((ratio - 1.0).abs() < 1e-9, "{name}"),
                "text" => assert!(ratio >= 4.5, "{name}: {ratio}"),
                _ => assert!(ratio >= 3.0, "{name}: {ratio}"),
            }
        }
    }
    // No colour stands anywhere else.
    let rest = svg.replace(style, "");
    assert!(!rest.contains("#"), "{rest}");
}
