//! The real binary's `replay` on captures whose truth is known: they come from a little model of a
//! scale in `tests/commands/replay/`, which shares no code with the crate. The logs are read back by Python's
//! csv, json and decimal modules.
//!
//! `fixtures/captures/` holds some of them; with `BISMAR_WRITE_CAPTURES=1` they are written anew.

mod scale;
mod shape;
mod story;

use std::path::{Path, PathBuf};
use std::process::Output;

use serde_json::Value;
use shape::Shape;
use story::Story;
use tempfile::TempDir;

use crate::bench_side::person::bismar;
use crate::bench_side::preload::Library;
use crate::bench_side::python;

const START: &str = "2026-01-01T09:00:00Z";

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// A folder with a capture and a formula in it.
struct Desk {
    folder: TempDir,
}

impl Desk {
    fn new(capture: &str, formula: &str) -> Desk {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("session.capture"), capture).unwrap();
        std::fs::write(folder.path().join("formula.toml"), formula).unwrap();
        Desk { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Replays into `<name>.csv` and `<name>.jsonl`.
    fn replay(&self, name: &str, batch: &str, more: &[&str]) -> Output {
        bismar(self.folder.path())
            .arg("replay")
            .arg(self.path("session.capture"))
            .arg("--formula")
            .arg(self.path("formula.toml"))
            .args(["--batch", batch, "--start", START])
            .arg("--log")
            .arg(self.path(&format!("{name}.csv")))
            .arg("--events")
            .arg(self.path(&format!("{name}.jsonl")))
            .args(more)
            .output()
            .unwrap()
    }

    fn read(&self, name: &str) -> Vec<u8> {
        std::fs::read(self.path(name)).unwrap()
    }

    /// The log and the events as Python reads them; panics on what Python finds wrong.
    #[track_caller]
    fn check(&self, name: &str) -> Value {
        let script = concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/tests/commands/replay/check.py"
        );
        let out = python::python()
            .arg(script)
            .arg(self.path(&format!("{name}.csv")))
            .arg(self.path(&format!("{name}.jsonl")))
            .output()
            .expect("python3 is needed: apt install python3");
        assert!(out.status.success(), "check.py: {}", text(&out.stderr));
        let found: Value = serde_json::from_slice(&out.stdout).unwrap();
        assert_eq!(
            found["wrong"],
            serde_json::json!([]),
            "{}",
            text(&self.read(&format!("{name}.csv")))
        );
        found
    }
}

fn number(value: &Value) -> f64 {
    value
        .as_str()
        .and_then(|text| text.parse().ok())
        .unwrap_or(f64::NAN)
}

/// The last weighed row of each step, in the order of steps.
fn last_rows(found: &Value) -> Vec<&Value> {
    let mut last = std::collections::BTreeMap::new();
    for row in found["rows"].as_array().unwrap() {
        if row["kind"] == "weighed" {
            last.insert(number(&row["step"]) as usize, row);
        }
    }
    last.into_values().collect()
}

/// Replays a story twice and holds what comes out against its truth.
#[track_caller]
fn holds_with(story: &Story, more: &[&str]) -> Value {
    let what = format!("{} {:?}", story.name, story.session.shape);
    let desk = Desk::new(story.session.capture(), story.formula);
    let first = desk.replay("first", story.batch, more);
    let told = format!("{what}\n{}{}", text(&first.stdout), text(&first.stderr));
    let second = desk.replay("second", story.batch, more);
    assert_eq!(desk.read("first.csv"), desk.read("second.csv"), "{told}");
    assert_eq!(
        desk.read("first.jsonl"),
        desk.read("second.jsonl"),
        "{told}"
    );
    assert_eq!(first.status.code(), second.status.code(), "{told}");

    let found = desk.check("first");
    let log = text(&desk.read("first.csv"));
    let told = format!("{told}\n{log}\n{}", cues(&found));
    let rows = last_rows(&found);
    let verdicts: Vec<&str> = rows
        .iter()
        .filter_map(|row| row["verdict"].as_str())
        .collect();
    assert_eq!(verdicts, story.verdicts, "{told}");
    assert_eq!(rows.len(), story.session.truth.len(), "{told}");
    for (row, truth) in rows.iter().zip(&story.session.truth) {
        let error = (number(&row["net_g"]) - truth).abs();
        assert!(
            error <= number(&row["uncertainty_g"]),
            "truth {truth}, {row}\n{told}"
        );
    }
    let code = if story.complete { 0 } else { 3 };
    assert_eq!(first.status.code(), Some(code), "{told}");
    readings_were_sent(story, &found, &told);
    let verified = bismar(desk.folder.path())
        .args(["log", "verify"])
        .arg(desk.path("first.csv"))
        .output()
        .unwrap();
    assert!(
        verified.status.success(),
        "{}{}",
        text(&verified.stdout),
        text(&verified.stderr)
    );
    found
}

#[track_caller]
fn holds(story: &Story) -> Value {
    holds_with(story, &[])
}

/// Every reading is one that the model sent at that moment, and nearly none is missing.
#[track_caller]
fn readings_were_sent(story: &Story, found: &Value, told: &str) {
    let sent = &story.session.sent;
    let mut count = 0;
    for event in found["events"].as_array().unwrap() {
        if event["event"] != "reading" {
            continue;
        }
        count += 1;
        let at = (event["at"].as_f64().unwrap() * 1e6).round() as u64;
        let shown = sent.get(&at).copied();
        let near = shown.is_some_and(|grams| {
            (grams - number(&event["weight"])).abs() < 1e-4 * grams.abs().max(1.0)
        });
        assert!(
            near,
            "no such line was sent: {event}, sent {shown:?}\n{told}"
        );
    }
    assert!(
        count <= sent.len() && count * 100 >= sent.len() * 95,
        "{count} of {} lines\n{told}",
        sent.len()
    );
}

/// The cues, for a failing test's message.
fn cues(found: &Value) -> String {
    let events = found["events"].as_array().unwrap();
    let cues = events
        .iter()
        .filter(|event| matches!(event["event"].as_str(), Some("cue" | "fault")));
    cues.map(|event| {
        format!(
            "{:8.2} {} {}\n",
            event["at"].as_f64().unwrap(),
            event["cue"],
            if event["event"] == "cue" {
                &event["say"]
            } else {
                event
            }
        )
    })
    .collect()
}

fn has_cue(found: &Value, kind: &str) -> bool {
    found["events"]
        .as_array()
        .unwrap()
        .iter()
        .any(|event| event["event"] == "cue" && event["cue"] == kind)
}

fn notes(found: &Value) -> Vec<String> {
    let rows = found["rows"].as_array().unwrap();
    let notes = rows.iter().filter(|row| row["kind"] == "note");
    notes
        .map(|row| row["note"].as_str().unwrap().to_owned())
        .collect()
}

// ---- every built-in layout ---------------------------------------------------------------------

#[test]
fn beakers_without_the_tare_key_in_every_layout() {
    for shape in Shape::BUILT_IN {
        let found = holds(&story::beaker_without_tare(shape));
        let tares: Vec<f64> = last_rows(&found)
            .iter()
            .map(|row| number(&row["tare_g"]))
            .collect();
        assert!(
            (tares[0] - 150.2).abs() < 0.03 && (tares[1] - 87.4).abs() < 0.03,
            "{tares:?}"
        );
    }
}

#[test]
fn beakers_with_the_tare_key_in_every_layout() {
    for shape in Shape::BUILT_IN {
        let found = holds(&story::beaker_with_tare(shape));
        let tares: Vec<f64> = last_rows(&found)
            .iter()
            .map(|row| number(&row["tare_g"]))
            .collect();
        assert!(
            (tares[0] - 150.2).abs() < 0.05 && (tares[1] - 87.4).abs() < 0.05,
            "{shape:?} {tares:?}"
        );
    }
}

#[test]
fn beakers_at_2_to_50_readings_a_second() {
    for rate in [2.0, 5.0, 25.0, 50.0] {
        holds(&story::beakers_at_rate(rate));
    }
}

#[test]
fn lines_in_pieces_are_the_same_in_every_layout() {
    for shape in Shape::BUILT_IN {
        holds(&story::in_pieces(shape));
    }
}

#[test]
fn garbage_is_never_a_weight_in_any_layout() {
    for shape in Shape::BUILT_IN {
        holds(&story::garbage(shape));
    }
}

#[test]
fn a_megabyte_without_an_end_is_skipped_in_every_layout() {
    for shape in Shape::BUILT_IN {
        // A frame that ends at ETX swallows the line end of the flood: one reading more is lost.
        holds(&story::endless_line(shape));
    }
}

#[test]
fn a_bowl_in_every_layout() {
    for shape in Shape::BUILT_IN {
        let found = holds(&story::bowl(shape));
        let mixed = found["rows"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|row| row["kind"] == "mixed")
            .count();
        assert_eq!(mixed, 1);
        assert!(has_cue(&found, "mix") && has_cue(&found, "done"));
    }
}

#[test]
fn by_difference_in_every_layout() {
    for shape in Shape::BUILT_IN {
        let found = holds(&story::difference(shape));
        let rows = last_rows(&found);
        assert_eq!(rows[1]["lot"], "LV-26");
        assert_eq!(rows[1]["vessel"], "difference");
    }
}

// ---- what goes wrong at the bench --------------------------------------------------------------

#[test]
fn an_over_pour_taken_back_is_in_the_log() {
    let found = holds(&story::over_pour_taken_back(Shape::Sixteen));
    assert!(has_cue(&found, "take-out"));
    let rows = found["rows"].as_array().unwrap();
    let out = rows
        .iter()
        .find(|row| row["kind"] == "taken-out")
        .expect("a taken-out row");
    assert!((number(&out["net_g"]) - 1.75).abs() < 0.05, "{out}");
}

#[test]
fn an_over_pour_can_be_kept_by_word_or_by_two_presses() {
    for shape in [Shape::Sixteen, Shape::TwentyTwo, Shape::Reply, Shape::Comma] {
        holds(&story::over_pour_kept(shape));
        holds(&story::two_presses(shape));
    }
}

#[test]
fn a_silent_line_loses_nothing() {
    let found = holds(&story::line_silent(Shape::Comma));
    let silent = |event: &&Value| event["event"] == "fault" && event["code"] == "silent";
    let faults: Vec<&Value> = found["events"]
        .as_array()
        .unwrap()
        .iter()
        .filter(silent)
        .collect();
    assert_eq!(faults.len(), 2, "{faults:?}");
    assert_eq!(
        (&faults[0]["over"], &faults[1]["over"]),
        (&false.into(), &true.into())
    );
}

#[test]
fn what_was_poured_unseen_is_proven_or_asked_about() {
    let found = holds(&story::line_silent_while_poured(Shape::Comma));
    assert!(has_cue(&found, "fault"));
}

#[test]
fn a_scale_switched_off_and_on_under_a_half_full_beaker() {
    let found = holds(&story::power_cycle(Shape::Reply));
    assert!(has_cue(&found, "fault"));
}

#[test]
fn a_bump_is_no_weight_and_no_gesture() {
    holds(&story::bump(Shape::Sixteen));
}

#[test]
fn lot_and_note_are_in_the_log_and_run_in_no_spreadsheet() {
    let found = holds(&story::words(Shape::StxReadable));
    let rows = last_rows(&found);
    assert_eq!(rows[0]["lot"], "SB-0412, \"late\" harvest");
    let notes = notes(&found);
    let note = notes
        .iter()
        .find(|note| note.contains("damp"))
        .expect("the note");
    assert!(!note.starts_with('='), "{note}");
}

#[test]
fn an_early_stop_is_incomplete() {
    let found = holds(&story::stopped_early(Shape::StxChecked));
    let rows = found["rows"].as_array().unwrap();
    let closed = rows.last().unwrap();
    assert_eq!(closed["kind"], "closed");
    assert_eq!(closed["note"], "stopped after 1 of 2 weighings");
}

#[test]
fn other_units_become_grams() {
    let found = holds(&story::ounces(Shape::Question));
    assert_eq!(last_rows(&found)[0]["unit"], "oz");
    let found = holds(&story::kilograms(Shape::CommaGrossNet));
    assert_eq!(last_rows(&found)[0]["unit"], "kg");
}

#[test]
fn the_unit_key_in_a_pour_is_noted_and_survived() {
    let found = holds(&story::unit_key(Shape::Sixteen));
    assert!(
        notes(&found).iter().any(|note| note.contains("unit")),
        "{:?}",
        notes(&found)
    );
}

#[test]
fn a_capture_that_ends_early_is_incomplete_and_its_log_is_whole() {
    let story = story::beaker_without_tare(Shape::Sixteen);
    let lines: Vec<&str> = story.session.capture().lines().collect();
    let desk = Desk::new(&(lines[..lines.len() / 2].join("\n") + "\n"), story.formula);
    let out = desk.replay("half", "100g", &[]);
    assert_eq!(out.status.code(), Some(3), "{}", text(&out.stdout));
    let found = desk.check("half");
    assert!(last_rows(&found).len() <= 1);
    let verified = bismar(desk.folder.path())
        .args(["log", "verify"])
        .arg(desk.path("half.csv"))
        .output()
        .unwrap();
    assert!(verified.status.success(), "{}", text(&verified.stderr));
}

// ---- configuration -----------------------------------------------------------------------------

#[test]
fn a_pattern_reads_a_line_form_of_ones_own() {
    let mut story = story::beaker_without_tare(Shape::Own);
    story.name = "own_form";
    let desk = Desk::new(story.session.capture(), story.formula);
    let out = desk.replay("none", "100g", &[]);
    assert_eq!(out.status.code(), Some(4), "{}", text(&out.stderr));
    assert!(
        text(&out.stderr).contains("session.capture:"),
        "{}",
        text(&out.stderr)
    );
    assert!(
        text(&out.stderr).contains("--config"),
        "{}",
        text(&out.stderr)
    );

    let folder = tempfile::tempdir().unwrap();
    let config = folder.path().join("config.toml");
    std::fs::write(
        &config,
        r#"
[[scale]]
name = "bench"
port = "/dev/ttyUSB0"
layout = "pattern"
pattern = 'W:(?<sign>[+-])(?<number>[0-9]+\.[0-9]+):(?<unit>[a-z]+):(?:R|(?<unsteady>M))'
readability = "0.01 g"
"#,
    )
    .unwrap();
    let found = holds_with(&story, &["--config", config.to_str().unwrap()]);
    assert_eq!(last_rows(&found)[0]["scale"], "bench");
    let out = desk.replay(
        "none",
        "100g",
        &["--config", config.to_str().unwrap(), "--scale", "fine"],
    );
    assert_eq!(out.status.code(), Some(4));
    assert!(text(&out.stderr).contains("bench"), "{}", text(&out.stderr));
}

#[test]
fn a_configuration_and_the_captures_own_lines_give_the_same_weights() {
    let story = story::beaker_without_tare(Shape::Reply);
    let folder = tempfile::tempdir().unwrap();
    let config = folder.path().join("config.toml");
    std::fs::write(&config, "[[scale]]\nname = \"scale\"\nport = \"/dev/ttyS0\"\nlayout = \"reply-code\"\nreadability = \"0.01 g\"\n").unwrap();
    let with = holds_with(&story, &["--config", config.to_str().unwrap()]);
    let without = holds(&story);
    assert_eq!(with["rows"], without["rows"]);
}

// ---- bad input ---------------------------------------------------------------------------------

/// Nothing is made of bad input, and the message begins with the place.
#[track_caller]
fn refused(desk: &Desk, file: &str, place: &str, words: &[&str]) {
    let out = desk.replay("bad", "100g", &[]);
    let told = text(&out.stderr);
    assert_eq!(out.status.code(), Some(4), "{told}{}", text(&out.stdout));
    let wanted = format!("{}{place}", desk.path(file).display());
    assert!(told.contains(&wanted), "wanted {wanted}: {told}");
    assert!(
        words.iter().all(|word| told.contains(word)),
        "{words:?}: {told}"
    );
}

#[test]
fn bad_captures_are_refused_with_their_place() {
    let good = story::beaker_without_tare(Shape::Sixteen);
    let lines: Vec<&str> = good.session.capture().lines().collect();
    let with = |at: usize, line: &str| {
        let mut lines = lines.clone();
        lines[at - 1] = line;
        Desk::new(&lines.join("\n"), story::TWO_BEAKERS)
    };
    refused(
        &with(1, "time,weight"),
        "session.capture",
        ":1:1: ",
        &["# bismar capture 1"],
    );
    refused(
        &with(9, "0.8 +    0.00 g"),
        "session.capture",
        ":9:4: ",
        &["tab"],
    );
    refused(
        &with(200, "0.1\t+     0.00 g  \\r\\n"),
        "session.capture",
        ":200:1: ",
        &["before"],
    );
    refused(
        &with(40, "3.9\t+    1\\q"),
        "session.capture",
        ":40:11: ",
        &["escape"],
    );
    refused(
        &with(41, "4.0\t!nxt"),
        "session.capture",
        ":41:6: ",
        &["!next"],
    );
    let empty = Desk::new("", story::TWO_BEAKERS);
    refused(&empty, "session.capture", ":1:1: ", &[]);
    let nothing = Desk::new("# bismar capture 1\n", story::TWO_BEAKERS);
    refused(
        &nothing,
        "session.capture",
        ":",
        &["nothing that a scale sent"],
    );
    let missing = Desk::new("", story::TWO_BEAKERS);
    std::fs::remove_file(missing.path("session.capture")).unwrap();
    refused(&missing, "session.capture", ":1:1: ", &[]);
}

#[test]
fn seven_bits_with_parity_read_as_eight_name_the_setting() {
    let good = story::beaker_without_tare(Shape::Sixteen);
    let mut capture = "# bismar capture 1\n".to_owned();
    for (n, (_, grams)) in good.session.sent.iter().enumerate() {
        let line = good.session.line_of(*grams);
        capture.push_str(&format!("{}.{}\t", n / 10, n % 10));
        for byte in line {
            let sent = byte | u8::from(byte.count_ones() % 2 == 1) << 7;
            capture.push_str(&format!("\\x{sent:02x}"));
        }
        capture.push('\n');
    }
    let desk = Desk::new(&capture, story::TWO_BEAKERS);
    refused(&desk, "session.capture", ":", &["7", "even"]);
}

#[test]
fn bad_formulas_and_configurations_are_refused_with_their_place() {
    let good = story::beaker_without_tare(Shape::Sixteen);
    let formula = story::TWO_BEAKERS.replace("percent = 40", "percent = 41");
    let desk = Desk::new(good.session.capture(), &formula);
    refused(&desk, "formula.toml", ":", &["101"]);
    let desk = Desk::new(
        good.session.capture(),
        &story::TWO_BEAKERS.replace("percent = 60", "percent = sixty"),
    );
    refused(&desk, "formula.toml", ":9:", &[]);
    let desk = Desk::new(good.session.capture(), story::TWO_BEAKERS);
    let config = desk.path("config.toml");
    std::fs::write(
        &config,
        "[[scale]]\nname = \"bench\"\nport = \"/dev/ttyS0\"\nlayout = \"zigzag\"\n",
    )
    .unwrap();
    let out = desk.replay("bad", "100g", &["--config", config.to_str().unwrap()]);
    assert_eq!(out.status.code(), Some(4), "{}", text(&out.stderr));
    assert!(
        text(&out.stderr).contains("zigzag"),
        "{}",
        text(&out.stderr)
    );
    assert!(
        text(&out.stderr).contains("config.toml"),
        "{}",
        text(&out.stderr)
    );
}

#[test]
fn a_real_log_and_any_other_file_stay_as_they_are() {
    let good = story::beaker_without_tare(Shape::Sixteen);
    let desk = Desk::new(good.session.capture(), good.formula);
    let demo = bismar(desk.folder.path())
        .args(["demo", "--fast", "--log-dir"])
        .arg(desk.path("real"))
        .output()
        .unwrap();
    assert!(demo.status.success(), "{}", text(&demo.stderr));
    let real = std::fs::read_dir(desk.path("real"))
        .unwrap()
        .flatten()
        .map(|entry| entry.path());
    let real = real
        .into_iter()
        .find(|path| path.extension().is_some_and(|end| end == "csv"))
        .unwrap();
    std::fs::copy(&real, desk.path("first.csv")).unwrap();
    for kept in [desk.read("first.csv"), b"a shopping list\n".to_vec()] {
        std::fs::write(desk.path("first.csv"), &kept).unwrap();
        let out = desk.replay("first", "100g", &[]);
        assert_eq!(out.status.code(), Some(1), "{}", text(&out.stderr));
        assert!(text(&out.stderr).contains("--log"), "{}", text(&out.stderr));
        assert_eq!(desk.read("first.csv"), kept);
    }
    // The log of an earlier replay makes way.
    assert_eq!(desk.replay("again", "100g", &[]).status.code(), Some(0));
    let before = desk.read("again.csv");
    assert_eq!(desk.replay("again", "100g", &[]).status.code(), Some(0));
    assert_eq!(desk.read("again.csv"), before);
}

#[test]
fn no_size_is_a_matter_of_usage() {
    let good = story::beaker_without_tare(Shape::Sixteen);
    let desk = Desk::new(good.session.capture(), good.formula);
    let out = bismar(desk.folder.path())
        .arg("replay")
        .arg(desk.path("session.capture"))
        .arg("--formula")
        .arg(desk.path("formula.toml"))
        .arg("--log")
        .arg(desk.path("out.csv"))
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(2));
    assert!(!desk.path("out.csv").exists());
}

// ---- the files in fixtures/captures -----------------------------------------------------------

#[test]
fn the_kept_captures_are_those_of_the_model_and_hold() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/captures");
    let write = std::env::var_os("BISMAR_WRITE_CAPTURES").is_some();
    for story in story::kept() {
        holds(&story);
        let formula = story.formula_file();
        for (name, wanted) in [
            (format!("{}.capture", story.name), story.session.capture()),
            (formula.to_owned(), story.formula),
        ] {
            let path = folder.join(name);
            if write {
                std::fs::write(&path, wanted).unwrap();
            }
            let there = std::fs::read_to_string(&path).unwrap();
            assert!(
                there == wanted,
                "{} is not what the model gives; see the top of this file",
                path.display()
            );
        }
    }
}

#[test]
fn events_are_not_written_over_another_file() {
    let folder = tempfile::tempdir().unwrap();
    let mine = folder.path().join("mine.csv");
    std::fs::write(&mine, "batch,seq\n").unwrap();
    let fixtures = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures");
    let out = bismar(folder.path())
        .arg("replay")
        .arg(fixtures.join("captures/beaker_without_tare.capture"))
        .arg("--formula")
        .arg(fixtures.join("captures/two_beakers.toml"))
        .args(["--batch", "100g", "--log"])
        .arg(folder.path().join("out.csv"))
        .arg("--events")
        .arg(&mine)
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(1), "{}", text(&out.stderr));
    assert!(text(&out.stderr).contains("mine.csv"));
    assert_eq!(std::fs::read_to_string(&mine).unwrap(), "batch,seq\n");
}

/// A library put before libc that notes each sync of a file.
const COUNTED_SYNCS: &str = r#"
#include <fcntl.h>
#include <stdlib.h>
#include <sys/syscall.h>
#include <unistd.h>
static void note(const char *mark) {
    const char *place = getenv("BISMAR_TEST_SYNCS");
    int out = place ? open(place, O_WRONLY | O_CREAT | O_APPEND, 0600) : -1;
    if (out >= 0) { if (write(out, mark, 1) != 1) abort(); close(out); }
}
int fdatasync(int fd) { note("d"); return (int)syscall(SYS_fdatasync, fd); }
int fsync(int fd) { note("s"); return (int)syscall(SYS_fsync, fd); }
"#;

/// A replay can be done again: its log is synced once, with its folder, and not row by row.
#[test]
fn a_replay_syncs_its_log_at_the_end() {
    let story = story::over_pour_taken_back(Shape::Sixteen);
    let desk = Desk::new(story.session.capture(), story.formula);
    let library = Library::built(COUNTED_SYNCS);
    let out = bismar(desk.folder.path())
        .env("LD_PRELOAD", library.path())
        .env("BISMAR_TEST_SYNCS", desk.path("syncs"))
        .arg("replay")
        .arg(desk.path("session.capture"))
        .arg("--formula")
        .arg(desk.path("formula.toml"))
        .args(["--batch", story.batch, "--log"])
        .arg(desk.path("counted.csv"))
        .output()
        .unwrap();
    assert!(out.status.success(), "{}", text(&out.stderr));
    let rows = text(&desk.read("counted.csv")).lines().count();
    assert!(rows > 4, "{rows} rows");
    assert_eq!(text(&desk.read("syncs")), "ss", "the log, and its name");
}
