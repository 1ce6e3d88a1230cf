//! The real daemon as a child process on a real pty: a whole batch without a touch, a kill in the
//! middle of a step, and an orderly end. The person is `bismar` itself.

use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead as _, BufReader};
use std::process::Stdio;
use std::sync::Arc;
use std::time::{Duration, Instant};

use bismar::config::Config;
use bismar::formula::Plan;
use bismar::formula::plan::BatchSize;
use bismar::mass::Mass;
use bismar::rehearsal::pty::PtyLines;
use bismar::rehearsal::{Habits, SimScaleSpec, Stage, StageSpec};
use bismar::time::Moment;
use bismar::vocabulary::cue::{Cue, CueKind};
use bismar::vocabulary::response::Response;
use bismar::weighing::event::Event;
use bismar::workshop;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;

use crate::bench_side::formulas::SOAK;
use crate::bench_side::logs::{self, Begun, LOGS, cells, only_log, rows, weighed};
use crate::bench_side::person::{Person, Said};
use crate::bench_side::rig::{Rig, subscribed};
use crate::bench_side::small_disk::SmallDisk;
use crate::bench_side::{Daemon, LONGEST, Pan, VESSEL, bench, config, events};

/// Net weight and its uncertainty in grams, of the row that holds for each step in the end.
fn final_weights(log: &std::path::Path) -> Vec<(f64, f64)> {
    let mut last = BTreeMap::new();
    for row in rows(log) {
        if row["kind"] == "weighed" {
            let grams = |name: &str| row[name].parse::<f64>().unwrap();
            let step: usize = row["step"].parse().unwrap();
            last.insert(step, (grams("net_g"), grams("uncertainty_g")));
        }
    }
    last.into_values().collect()
}

#[track_caller]
fn verified(person: &Person, log: &std::path::Path) -> Said {
    person
        .run(&["log", "verify", log.to_str().unwrap()])
        .ended(0)
}

// ---- a batch by the rehearsal's hands --------------------------------------------------------------

#[test]
fn a_batch_is_weighed_without_a_touch_and_its_log_holds_the_weights() {
    let person = Person::new();
    let lines = PtyLines::open(1).unwrap();
    // Its scatter was measured: hands that aim are asked for nothing by a window that is wide enough.
    let measured = "repeatability = \"0.0041 g\"\n[weighing]";
    let text = config(&lines.paths()[0], "0.01 g").replacen("[weighing]", measured, 1);
    person.configures(&text);
    let formula = person.file("soak.toml", SOAK);
    let plan = Plan::new(
        &workshop::formula(&formula).unwrap(),
        BatchSize::Batch(Mass::from_g(100)),
        &Config::parse(&text, "config").unwrap().abilities(),
        2.0,
    )
    .unwrap();
    let daemon = Daemon::start(&person);
    let (told, events_in) = tokio::sync::mpsc::unbounded_channel();
    let events = events(&person);
    // Whether the batch closed, what was said, and the longest that a line was waited for.
    let listener = std::thread::spawn(move || {
        let (mut cues, mut last, mut longest) = (String::new(), None::<Instant>, Duration::ZERO);
        for event in events {
            match &event {
                Event::Reading(_) => {
                    let waited = last.map_or(Duration::ZERO, |last| last.elapsed());
                    longest = longest.max(waited);
                    last = Some(Instant::now());
                }
                Event::Cue(cue) => cues.push_str(&format!("{}: {}\n", cue.kind.name(), cue.say)),
                _ => {}
            }
            let closed = matches!(event, Event::Closed { .. });
            if told.send(event).is_err() || closed {
                return (closed, cues, longest);
            }
        }
        (false, cues, longest)
    });
    let said = person.begins();
    assert!(said.out.contains("in 3 steps"), "{said:?}");

    let scale = SimScaleSpec {
        rate: 25.0,
        tau: 0.05,
        seed: 11,
        ..SimScaleSpec::default()
    };
    let habits = Habits {
        reaction: 0.2,
        reading: 0.2,
        pour_time: 1.5,
        scoops: 0.0,
        give_up: 40.0,
        ..Habits::careful()
    };
    let stage = Stage::new(StageSpec::for_plan(&plan, vec![scale], habits, 11));
    let (word, mut words) = tokio::sync::mpsc::unbounded_channel();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    let mut course = String::new();
    let run = bismar::rehearsal::pty::run(stage, lines, 1.0, events_in, word, |at, text| {
        course.push_str(&format!("{:.2} {text}\n", at.seconds()));
    });
    let (stage, lines) = runtime.block_on(run).unwrap();
    let (closed, cues, longest) = listener.join().unwrap();
    let story = || format!("{course}\n{cues}\n{}", daemon.log());
    assert_eq!(stage.gave_up(), None, "{}", story());
    // What comes in heaps, since the machine stood still, is no load that lands at once: there a question is due.
    assert!(
        words.try_recv().is_err() || longest > Duration::from_millis(150),
        "not a word was needed, and no line came later than {longest:?}: {}",
        story()
    );
    assert!(closed, "the batch closed: {}", story());

    let log = only_log(&person);
    daemon.until(|| cells(&log, "closed", "note").len() == 1);
    assert!(verified(&person, &log).out.contains("batch closed"));
    assert_eq!(cells(&log, "closed", "note"), ["complete"]);
    assert_eq!(
        cells(&log, "weighed", "ingredient"),
        ["Sea salt", "Epsom salt", "Oat flour"]
    );
    assert_eq!(cells(&log, "weighed", "verdict"), ["inside"; 3]);
    assert_eq!(cells(&log, "weighed", "formula"), ["Marram soak 1"; 3]);
    for (truth, (net, stated)) in stage.truths().zip(final_weights(&log)) {
        // On a busy machine the last drop may fall as the hand takes hold, with no rest to be seen in.
        let lifted = truth.lifted_at.unwrap();
        let before = truth.net_at(Moment(lifted.0.saturating_sub(300_000)));
        let off = [truth.net_at_lift(), before].map(|held| (held.to_g_f64() - net).abs());
        assert!(
            off.iter().any(|off| *off <= stated),
            "{truth:?}: {net} ± {stated}"
        );
    }
    drop(lines);
    assert_eq!(daemon.terminate(), Some(0));
}

// ---- a person with a script ------------------------------------------------------------------------

/// Does what each cue says until `end` says so. Targets are those of 100 g of the formula above.
fn follow(
    pan: &Pan,
    events: impl Iterator<Item = Event>,
    mut end: impl FnMut(&Event, &Pan) -> bool,
) -> Vec<String> {
    let targets = [50.0, 30.0, 20.0];
    let mut heard = Vec::new();
    let last = Instant::now() + LONGEST;
    for event in events {
        assert!(Instant::now() < last, "no end: {heard:#?}");
        if !matches!(event, Event::Reading(_)) {
            heard.push(format!("{event:?}"));
        }
        if end(&event, pan) {
            return heard;
        }
        let Event::Cue(Cue { kind, step, .. }) = event else {
            continue;
        };
        match kind {
            CueKind::Place => pan.put(VESSEL),
            CueKind::Add => {
                let target = step.checked_sub(1).and_then(|i| targets.get(i));
                pan.pour_to(VESSEL + target.copied().unwrap_or_default());
            }
            CueKind::Lift => pan.put(0.0),
            CueKind::EaseOff
            | CueKind::Hold
            | CueKind::TakeOut
            | CueKind::Mix
            | CueKind::Choose
            | CueKind::Fault
            | CueKind::Done => {}
        }
    }
    panic!("the events ended: {heard:#?}");
}

fn closed(event: &Event, _: &Pan) -> bool {
    matches!(event, Event::Closed { .. })
}

/// 2 jars of 50 g and 3 %: 103 g, of which the first step is half. The jars do not change that at the
/// next start.
#[test]
fn a_batch_with_an_allowance_goes_on_with_the_size_it_was_begun_with() {
    let (person, pan) = bench(SOAK);
    let daemon = Daemon::start(&person);
    let begin = [
        "begin",
        "soak.toml",
        "--jars",
        "2",
        "--fill",
        "50g",
        "--allowance",
    ];
    let said = person.run(&[&begin[..], &["51%"]].concat()).ended(2);
    assert!(said.err.contains("more than 50 %"), "{said:?}");
    let said = person.run(&[&begin[..], &["3%"]].concat()).ended(0);
    assert!(said.out.contains("103 g in 3 steps"), "{said:?}");
    let shows = |words: &str| person.run(&["status"]).ended(0).out.contains(words);
    daemon.until(|| shows("Place an empty beaker: 51.50 g"));
    daemon.kill();
    let opened = cells(&only_log(&person), "opened", "note").join("");
    assert!(opened.contains("103 g, 2 jars of 50 g"), "{opened}");
    let daemon = Daemon::start(&person);
    daemon.until(|| daemon.log().contains("0 of 3 steps are recorded"));
    daemon.until(|| shows("Place an empty beaker: 51.50 g"));
    drop(pan);
}

/// Writes the log of a finished batch of one ingredient, as the daemon does.
fn finished(folder: &std::path::Path, batch: &str, formula: &str) {
    let text = format!(
        "[formula]\nname = \"{formula}\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Oil\"\nparts = 1\n"
    );
    let begun = Begun {
        formula: &text,
        label: formula,
        size: Mass::from_g(30),
        jars: None,
        at: "2026-05-01T09:00:00Z",
    };
    fs::create_dir_all(folder).unwrap();
    begun.written(
        folder,
        batch,
        &[weighed(1, "Oil", "", 60_000), logs::closed()],
    );
}

#[test]
fn the_lot_of_a_premix_is_a_finished_batch_of_its_formula_or_has_a_reason() {
    let premix = "balance = true\npremix = \"Dune blend\"";
    let (person, _pan) = bench(&SOAK.replace("balance = true", premix));
    let logs = person.path(LOGS);
    finished(&logs, "dune-blend-1", "Dune blend");
    finished(&logs, "reed-blend-1", "Reed blend");
    let daemon = Daemon::start(&person);
    person.begins();
    let refused = person.run(&["lot", "S-12"]).ended(1);
    let words = "S-12 is no batch of this bench, and this step takes one of Dune blend";
    assert!(refused.err.contains(words), "{refused:?}");
    let refused = person.run(&["lot", "reed-blend-1"]).ended(1);
    assert!(
        refused.err.contains("reed-blend-1 is of Reed blend"),
        "{refused:?}"
    );
    person.run(&["lot", "dune-blend-1"]).ended(0);
    person
        .run(&["lot", "S-12", "--despite", "made before bismar"])
        .ended(0);
    let log = fs::read_dir(&logs)
        .unwrap()
        .map(|entry| entry.unwrap().path());
    let mut log = log.filter(|path| path.extension().is_some_and(|end| end == "csv"));
    let log = log
        .find(|path| path.to_string_lossy().contains("soak"))
        .unwrap();
    let notes = cells(&log, "note", "note").join("\n");
    assert!(
        notes.contains("taken all the same: made before bismar"),
        "{notes}"
    );
    daemon.kill();
}

#[test]
fn a_killed_daemon_goes_on_at_the_right_step_and_finishes() {
    let (person, pan) = bench(SOAK);
    let daemon = Daemon::start(&person);
    let watched = events(&person);
    person.begins();
    person.run(&["lot", "M-17"]).ended(0);
    // The kill comes with the second vessel on the scale and half of it poured.
    follow(&pan, watched, |event, pan| {
        let there = matches!(event, Event::Cue(cue) if cue.step == 2 && cue.kind == CueKind::Add);
        if there {
            pan.pour_to(VESSEL + 15.0);
        }
        there
    });
    daemon.kill();
    let log = only_log(&person);
    assert_eq!(cells(&log, "weighed", "net_g"), ["50.00"]);
    // As a power cut leaves it: the beginning of a row.
    let mut whole = fs::read(&log).unwrap();
    let rows = whole.iter().filter(|byte| **byte == b'\n').count();
    whole.extend_from_slice(b"marram-soak,99,20");
    fs::write(&log, &whole).unwrap();

    // Another scale would mean other targets: that is refused, and nothing is written.
    person.configures(&config(&person.path("scale"), "4 g"));
    let refusing = Daemon::start(&person);
    let status = person.run(&["status"]).ended(0);
    assert!(status.out.contains("No batch is under way"), "{status:?}");
    for words in ["cannot go on", "50.00 g", "the scales have changed"] {
        assert!(status.out.contains(words), "{words}: {status:?}");
    }
    assert_eq!(fs::read(&log).unwrap(), whole);
    refusing.kill();
    person.configures(&config(&person.path("scale"), "0.01 g"));

    let daemon = Daemon::start(&person);
    // The socket is there a moment before the batch, and its log comes over a pipe.
    daemon.until(|| daemon.log().contains("1 of 3 steps are recorded"));
    let status = person.run(&["status"]).ended(0);
    assert!(status.out.contains("step 2 of 3, Epsom salt"), "{status:?}");
    // What was poured into the vessel under no eye is not trusted: it is cleared and weighed anew.
    pan.put(0.0);
    let shows = |words: &str| person.run(&["status"]).ended(0).out.contains(words);
    daemon.until(|| shows("shows 0.00 g, steady"));
    assert!(shows("Now: Place an empty beaker"));
    // What is to be done now was said before anybody listened; who comes later hears it first.
    let heard = follow(&pan, events(&person), closed);
    daemon.until(|| cells(&log, "closed", "note").len() == 1);
    assert_eq!(cells(&log, "closed", "note"), ["complete"], "{heard:#?}");
    assert_eq!(
        cells(&log, "weighed", "step"),
        ["1", "2", "3"],
        "{heard:#?}"
    );
    assert_eq!(cells(&log, "weighed", "net_g"), ["50.00", "30.00", "20.00"]);
    let notes = cells(&log, "note", "note").join("\n");
    assert!(
        notes.contains("started again") && notes.contains(".torn"),
        "{notes}"
    );
    let torn = fs::read_to_string(log.with_extension("torn")).unwrap();
    assert!(torn.contains("marram-soak,99,20"), "{torn}");
    let now = fs::read(&log).unwrap();
    let kept: Vec<&[u8]> = whole.split_inclusive(|b| *b == b'\n').take(rows).collect();
    assert!(now.starts_with(&kept.concat()), "no row was rewritten");
    assert!(verified(&person, &log).out.contains("batch closed"));
    assert_eq!(daemon.terminate(), Some(0));

    // A closed batch is not gone on with.
    let daemon = Daemon::start(&person);
    assert!(
        person.run(&["status"]).ended(0).out.contains("No batch"),
        "{}",
        daemon.log()
    );
    assert_eq!(daemon.terminate(), Some(0));
}

#[test]
fn a_second_daemon_is_refused_and_sigterm_keeps_the_batch_for_the_next() {
    let (person, _pan) = bench(SOAK);
    person.configures(&config(&person.path("scale"), "0.5 g"));
    let daemon = Daemon::start(&person);
    let second = person.run(&["daemon"]).ended(1);
    assert!(second.err.contains("is running already"), "{second:?}");

    // A scale too coarse for the tolerance: said, and the batch begins all the same.
    let said = person.begins();
    assert!(said.out.contains("too coarse to prove"), "{said:?}");
    let again = person
        .run(&["begin", "soak.toml", "--batch", "100g"])
        .ended(1);
    assert!(again.err.contains("bismar stop"), "{again:?}");
    person.run(&["note", "a", "warm", "room"]).ended(0);
    let json = person.run(&["status", "--json"]).ended(0).out;
    let json: Value = serde_json::from_str(&json).unwrap();
    assert_eq!(json["status"]["of"], 3, "{json}");
    assert_eq!(json["lines"][0]["scale"], "bench", "{json}");
    assert_eq!(json["status"]["scales"][0]["assumed"], true, "{json}");

    assert_eq!(daemon.terminate(), Some(0));
    assert!(!person.socket().exists());
    let log = only_log(&person);
    assert!(verified(&person, &log).out.contains("not closed"));
    let daemon = Daemon::start(&person);
    let stopped = person.run(&["stop"]).ended(0);
    assert_eq!(stopped.out, "Stopped.\n");
    let status = person.run(&["status"]).ended(0);
    assert!(status.out.contains("No batch is under way"), "{status:?}");
    assert!(status.out.contains("Last: Stopped. 0 of 3 weighed."));
    assert!(!status.out.contains("step"), "{status:?}");
    daemon.until(|| cells(&log, "closed", "note").len() == 1);
    let notes = cells(&log, "note", "note").join("\n");
    assert!(notes.contains("a warm room"), "{notes}");
    // Amounts and plans that cannot be are refused by the daemon, with what to do.
    let mut little = String::new();
    daemon.until(|| {
        let begin = ["begin", "soak.toml", "--batch", "1g"];
        little = person.run(&begin).ended(1).err;
        // The last row is in the file a moment before its answer is at the daemon.
        !little.contains("still being written")
    });
    assert!(little.contains("Make at least"), "{little}");
    assert_eq!(daemon.terminate(), Some(0));
}

// ---- a log that cannot be written ------------------------------------------------------------------

#[test]
fn rows_of_a_log_that_was_moved_away_are_kept_and_added_when_it_is_back() {
    let (person, _pan) = bench(SOAK);
    let begin = ["begin", "soak.toml", "--batch", "100g"];
    let logs = person.path(LOGS);
    let away = person.path("away");
    let daemon = Daemon::start(&person);
    person.begins();
    let noted = person.run(&["note", "at its place"]).ended(0);
    assert_eq!(noted.out, "Noted.\n");
    let log = only_log(&person);
    let batch = log.file_stem().unwrap().to_str().unwrap().to_owned();
    let kept = person.path(&format!(
        "home/.local/state/bismar/bismar-unwritten-{batch}.csv"
    ));

    fs::rename(&logs, &away).unwrap();
    let noted = person.run(&["note", "moved meanwhile"]).ended(0).out;
    assert!(
        noted.starts_with("Not noted yet. 1 row is NOT in the log"),
        "{noted}"
    );
    assert!(noted.contains(away.to_str().unwrap()), "{noted}");
    let status = person.run(&["status"]).ended(0).out;
    assert!(status.contains("1 row is NOT in the log"), "{status}");
    let mut listener = events(&person);
    let journal = Arc::clone(&daemon.log);
    assert_eq!(daemon.terminate(), Some(0));
    assert!(!logs.exists(), "no second log was begun");
    assert_eq!(cells(&kept, "note", "note"), ["moved meanwhile"]);
    let says =
        |event: Event| matches!(event, Event::Cue(cue) if cue.say.contains(kept.to_str().unwrap()));
    assert!(listener.any(says), "who listens is told where");
    assert!(journal.lock().unwrap().contains(kept.to_str().unwrap()));

    // Without its log, the daemon says what is to be done.
    let daemon = Daemon::start(&person);
    let status = person.run(&["status"]).ended(0).out;
    for words in [kept.to_str().unwrap(), "Put the log back", "No batch"] {
        assert!(status.contains(words), "{words}: {status}");
    }
    assert_eq!(daemon.terminate(), Some(0));
    fs::rename(&away, &logs).unwrap();
    let daemon = Daemon::start(&person);
    daemon.until(|| daemon.log().contains("0 of 3 steps are recorded"));
    assert!(!kept.exists());
    let notes = cells(&log, "note", "note").join("\n");
    assert!(notes.contains("at its place\nmoved meanwhile"), "{notes}");
    assert!(
        notes.contains("rows that could not be written before it ended were added: 1"),
        "{notes}"
    );

    // The end of a batch is a row like any other.
    fs::rename(&logs, &away).unwrap();
    let stopped = person.run(&["stop"]).ended(0).out;
    assert!(
        stopped.starts_with("Stopped. 1 row is NOT in the log"),
        "{stopped}"
    );
    let refused = person.run(&begin).ended(1).err;
    assert!(refused.contains("1 row is NOT in the log"), "{refused}");
    assert_eq!(daemon.terminate(), Some(0));
    fs::rename(&away, &logs).unwrap();
    let daemon = Daemon::start(&person);
    let status = person.run(&["status"]).ended(0).out;
    assert!(status.contains("No batch"), "{status}");
    assert_eq!(cells(&log, "closed", "note").len(), 1);
    assert!(verified(&person, &log).out.contains("batch closed"));
    assert!(!kept.exists());
    assert_eq!(daemon.terminate(), Some(0));
}

#[test]
fn on_a_full_disk_the_replies_say_what_happened() {
    let (person, _pan) = bench(SOAK);
    let logs = person.path(LOGS);
    fs::create_dir_all(&logs).unwrap();
    // The daemon alone sees the small disk.
    let disk = SmallDisk::at(&logs);
    let (plain, before) = (person.command(&["daemon"]), disk.before());
    let mut command = std::process::Command::new(&before[0]);
    command
        .args(&before[1..])
        .arg(plain.get_program())
        .args(plain.get_args())
        .env_clear()
        .envs(
            plain
                .get_envs()
                .filter_map(|(name, value)| Some((name, value?))),
        );
    let daemon = Daemon::spawn(command, &person);
    let logs = disk.seen_by(daemon.child.id());
    let ballast = logs.join("ballast");
    disk.fill(&ballast);
    let begin = ["begin", "soak.toml", "--batch", "100g"];
    let refused = person.run(&begin).ended(1).err;
    assert!(refused.contains("no batch was begun"), "{refused}");
    assert!(refused.contains("make room"), "{refused}");
    assert!(!refused.contains("kept"), "nothing is: {refused}");
    let csv = |entry: &fs::DirEntry| entry.path().extension().is_some_and(|e| e == "csv");
    let all = || fs::read_dir(&logs).unwrap().map(Result::unwrap);
    assert!(!all().any(|entry| csv(&entry)), "and no log is left");

    fs::remove_file(&ballast).unwrap();
    person.begins();
    disk.fill(&ballast);
    // The page of the last row has room for some yet.
    let mut said = String::new();
    let mut count = 0;
    while !said.contains("NOT in the log") {
        count += 1;
        let text = format!("{count} {}", "x".repeat(300));
        said = person.run(&["note", &text]).ended(0).out;
        assert!(
            said == "Noted.\n" || said.starts_with("Not noted yet."),
            "{said}"
        );
        assert!(count < 100);
    }
    assert!(said.contains("make room"), "{said}");
    let log = all().find(csv).unwrap().path();
    let noted = || {
        let notes = cells(&log, "note", "note");
        notes.iter().filter(|note| note.contains("xxx")).count()
    };
    assert_eq!(noted(), count - 1, "what was said to be noted is");
    fs::remove_file(&ballast).unwrap();
    daemon.until(|| noted() == count);
    assert_eq!(daemon.terminate(), Some(0));
    disk.tell();
}

#[test]
fn watch_shows_the_cues_and_comes_back_after_a_restart() {
    let (person, _pan) = bench(SOAK);
    let daemon = Daemon::start(&person);
    let mut watch = person
        .command(&["watch"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut shown = BufReader::new(watch.stdout.take().unwrap());
    let mut wait_for = move |words: &str| {
        let mut heard = String::new();
        while !heard.contains(words) {
            assert_ne!(
                shown.read_line(&mut heard).unwrap(),
                0,
                "{words:?} not in {heard}"
            );
        }
        heard
    };
    wait_for("No batch is under way");
    person.begins();
    wait_for("Step 1 of 3: 50.00 g Sea salt");
    let place = wait_for("place");
    assert!(
        !place.contains('\r') && !place.contains('\u{1b}'),
        "a pipe gets plain lines"
    );
    assert_eq!(daemon.terminate(), Some(0));
    wait_for("The daemon has stopped");
    let daemon = Daemon::start(&person);
    wait_for("Marram soak: step 1 of 3");
    kill_process(Pid::from_child(&watch), Signal::INT).unwrap();
    assert_eq!(
        watch.wait().unwrap().code(),
        Some(0),
        "Ctrl-C ends it in good order"
    );
    assert_eq!(daemon.terminate(), Some(0));
}

#[test]
fn what_was_learned_of_a_scale_outlives_the_daemon_and_a_broken_file_of_it_costs_nothing() {
    let learned = "home/.local/share/bismar/scales.toml";
    let (person, pan) = bench(SOAK);
    let daemon = Daemon::start(&person);
    let watched = events(&person);
    person.begins();
    person.run(&["lot", "M-17"]).ended(0);
    let file = person.path(learned);
    // Where the machine is so busy that a landing shows in too few lines, the next one teaches.
    let mut step = 0;
    follow(&pan, watched, |event, _| {
        if let Event::Cue(cue) = event {
            step = cue.step;
        }
        step >= 2 && file.exists()
    });
    let text = fs::read_to_string(&file).unwrap();
    let known: BTreeMap<String, Response> = toml::from_str(&text).unwrap();
    let (name, response) = known.first_key_value().unwrap();
    assert!(response.checked().is_some(), "{text}");
    daemon.kill();
    // The next one takes it over, together with that of a scale that is not at the bench now.
    let more = text.replace(&format!("[{name}]"), "[other]");
    fs::write(&file, format!("{text}\n{more}")).unwrap();
    let daemon = Daemon::start(&person);
    assert!(person.run(&["status"]).ended(0).out.contains("step "));
    daemon.kill();
    fs::write(&file, "rise = \"half").unwrap();
    let daemon = Daemon::start(&person);
    daemon.until(|| daemon.log().contains("scales.toml does not read"));
    assert!(person.run(&["status"]).ended(0).out.contains("step "));
    daemon.kill();
}

#[test]
fn a_batch_goes_on_after_a_start_with_a_configuration_that_does_not_read_or_names_another_folder() {
    let mut rig = Rig::in_a_pour();
    // She takes the half-filled beaker off, to begin this step again.
    rig.scale.put(0.0);
    rig.hand.on_pan = false;
    let taken = rig
        .person
        .path("home/.local/share/bismar/config-taken.toml");
    rig.daemon.until(|| taken.exists());
    let start = |rig: &mut Rig| {
        // The one before is killed.
        let _ = rig.daemon.child.kill();
        let _ = rig.daemon.child.wait();
        rig.daemon = Daemon::start(&rig.person);
        rig.heard = subscribed(&rig.person);
        rig.person.run(&["status"]).ended(0).out
    };
    let good = fs::read_to_string(rig.person.config_file()).unwrap();
    rig.person
        .configures(&good.replace("readability", "redability"));
    let status = start(&mut rig);
    assert!(status.contains("step 2"), "{status}");
    let fault = "The configuration stays as it was: ";
    let place = format!("{}:", rig.person.config_file().display());
    assert!(
        status.contains(fault) && status.contains(&place),
        "{status}"
    );
    assert!(status.contains("redability"), "{status}");

    let other = rig.person.path("other");
    let moved = format!("log_dir = \"{}\"\n{good}", other.display());
    rig.person.configures(&moved);
    let status = start(&mut rig);
    assert!(
        status.contains("step 2") && !status.contains(fault),
        "{status}"
    );
    rig.finish();

    // It holds from the next batch on, and a wrong one then stands for itself.
    rig.person.begins();
    let logs = fs::read_dir(&other).unwrap().count();
    assert!(logs > 0, "{}", rig.daemon.log());
    rig.person.run(&["stop"]).ended(0);
    rig.daemon
        .until(|| fs::read_to_string(&taken).is_ok_and(|text| text.ends_with(&moved)));
    kill_process(Pid::from_child(&rig.daemon.child), Signal::TERM).unwrap();
    rig.daemon.child.wait().unwrap();
    rig.person.configures("[[scale]");
    let refused = rig.person.run(&["daemon"]).ended(4);
    assert!(refused.err.contains("config.toml:1:"), "{refused:?}");
}
