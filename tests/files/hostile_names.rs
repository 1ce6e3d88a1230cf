//! What a terminal gets to see of texts from outside: no escape sequence, no bidirectional control. And
//! what names do to the folder of the logs and to a spreadsheet: nothing. With the real daemon on a pty.
//!
//! Names reserved on other systems: "Naming Files, Paths, and Namespaces" of the Win32 documentation (from
//! memory). Formulas in CSV: the advice on CSV injection of the web security community (from memory).

use std::collections::BTreeSet;
use std::fs;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use bismar::journal::format::chain;
use bismar::journal::format::names::safe_batch_name;
use bismar::journal::format::row::header;
use bismar::journal::name_of;
use bismar::journal::read::scan::scan_file;
use bismar::protocol::request::Request;
use bismar::protocol::wire::Wire;
use bismar::text::{harmless, harmless_json, misleads};
use bismar::time::Moment;
use bismar::vocabulary::cue::{Cue, CueKind};
use bismar::weighing::event::Event;
use proptest::prelude::*;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::{Value, json};

use crate::bench_side::logs::{LOGS, only_log};
use crate::bench_side::person::{self, Person, Said};
use crate::bench_side::{Daemon, Pan, VESSEL, config, events, faults, python};

const TRICKS: [&str; 6] = [
    "\u{1b}[2K\r",
    "\u{202e}",
    "\u{2066}",
    "\u{9b}1A",
    "\u{200f}",
    "\u{7f}\u{8}",
];

fn shows_nothing_false(text: &str) -> bool {
    !text.contains(|c| misleads(c) && c != '\n')
}

/// A Hangul filler, a variation selector, the Braille pattern without a dot, an annotation anchor: all that
/// stands on the label is nothing.
#[test]
fn a_name_of_which_nothing_can_be_seen_is_none() {
    let person = Person::new();
    for unseen in ["\u{3164}", "\u{fe0f}\u{200b}", "\u{2800}", "\u{fff9}"] {
        person.file(
            "f.toml",
            &format!(
                "[formula]\nname = \"F\"\n[[phase]]\nname = \"P\"\n[[phase.ingredient]]\nname = \"{unseen}\"\n\
                 balance = true\n"
            ),
        );
        let said = person.run(&["check", "f.toml", "--batch", "100g"]).ended(4);
        assert!(said.err.contains("6:8: \"name\" is empty"), "{said:?}");
        let lot = [
            "lots",
            "add",
            unseen,
            "--ingredient",
            "Salt",
            "--amount",
            "1kg",
        ];
        let said = person.run(&lot);
        assert_ne!(said.code, Some(0), "{said:?}");
        let word = format!("{{\"do\":\"lot\",\"lot\":\"{unseen}\"}}");
        let request = Request::parse(word.as_bytes()).unwrap();
        let refused = request.command().unwrap_err();
        assert!(refused.error.contains("the lot is empty"), "{refused:?}");
    }
}

#[test]
fn no_word_of_the_command_line_and_no_name_in_a_file_steers_the_terminal() {
    let person = Person::new();
    let mut cases = 0;
    for trick in TRICKS {
        let name = format!("a{trick}b");
        person.file(
            "f.toml",
            &format!("[formula]\nname = \"{name}\"\n[[phase]]\nname = \"x\"\n{name} = 1\n"),
        );
        let odd = person.file(&format!("{name}.toml"), "no formula");
        let odd = odd.to_str().unwrap();
        let words: [&[&str]; 10] = [
            &["check", "f.toml", "--batch", "100g"],
            &["plan", "f.toml", "--batch", "100g"],
            &["check", odd, "--batch", "100g"],
            &["check", "f.toml", "--batch", &name],
            &["trace", &name],
            &["history", &name],
            &["sheet", &name],
            &["declaration", &name],
            &["log", "verify", odd],
            &[&name],
        ];
        for words in words {
            let said = person.run(words);
            assert_ne!(said.code, Some(0), "{words:?}: {said:?}");
            assert!(!said.err.contains("panicked"), "{said:?}");
            let all = said.out.clone() + &said.err;
            assert!(shows_nothing_false(&all), "{words:?}: {said:?}");
            cases += 1;
        }
    }
    cases += foreign_logs_under_a_running_daemon();
    faults::report(
        "names that steer a terminal",
        "escapes, C1, bidi in arguments, paths, files, requests, and in logs and file names that lie in the \
         log folder of a running daemon",
        cases,
        "none reaches the terminal, a reply or the daemon's own log",
        "-",
    );
}

// ---- a running daemon ------------------------------------------------------------------------------

/// Ingredients that a formula may have: paths, reserved names, formulas of a spreadsheet, markup,
/// invisible characters, and the longest that is taken (120 characters).
fn odd_names() -> Vec<String> {
    let long = format!("=1+1;{}", "x".repeat(115));
    let names = [
        "../../../etc/passwd",
        "CON",
        "=SUM(A1:A9);=1+1;@x",
        "<script>document.title='ran'</script>",
        "S\u{200b}al\u{2060}t\u{200d}-1",
        &long,
    ];
    names.map(str::to_owned).into()
}

/// A lot for each of them.
const ODD_LOTS: [&str; 6] = [
    "../lot/1",
    "-2+3",
    "@SUM(1);+1",
    "\"><img src=x onerror=y>",
    "\u{200b}=1+1",
    "nul.csv",
];

fn odd_formula() -> String {
    let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
    let title = quoted("../../=1+1;<b>CON");
    let mut text = format!("[formula]\nname = {title}\nversion = 1\n[[phase]]\nname = {title}\n");
    for (number, name) in odd_names().iter().enumerate() {
        let share = if number == 0 {
            "balance = true"
        } else {
            "percent = 15"
        };
        text.push_str(&format!(
            "[[phase.ingredient]]\nname = {}\n{share}\ntolerance = {{ percent = 3.0 }}\nlot_required = true\n",
            quoted(name)
        ));
    }
    text
}

/// Every file of the person, but those that a running daemon may write.
fn files(person: &Person) -> BTreeSet<String> {
    let out = Command::new("find")
        .arg(person.path(""))
        .args(["-type", "f"])
        .output()
        .unwrap();
    let out = String::from_utf8(out.stdout).unwrap();
    let logs = person.path(LOGS);
    let own = |line: &&str| !Path::new(line).starts_with(&logs);
    out.lines().filter(own).map(str::to_owned).collect()
}

#[track_caller]
fn harmless_said(said: &Said, words: &[&str]) {
    assert!(!said.err.contains("panicked"), "{words:?}: {said:?}");
    let all = said.out.clone() + &said.err;
    assert!(shows_nothing_false(&all), "{words:?}: {said:?}");
}

/// Runs each command and looks at all it says; how many.
fn all_harmless(person: &Person, commands: &[&[&str]]) -> usize {
    for words in commands {
        harmless_said(&person.run(words), words);
    }
    commands.len()
}

/// `bismar watch` into a pipe until it has said `wanted`; all that it said.
fn watched(person: &Person, wanted: &str) -> String {
    let mut command = person.command(&["watch"]);
    let mut child = command.stdout(Stdio::piped()).spawn().unwrap();
    let mut said = String::new();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    while !said.contains(wanted) {
        assert!(
            out.read_line(&mut said).unwrap() > 0,
            "{wanted} in {said:?}"
        );
    }
    // A live line and what follows.
    std::thread::sleep(Duration::from_millis(300));
    kill_process(Pid::from_child(&child), Signal::INT).unwrap();
    out.read_to_string(&mut said).unwrap();
    child.wait().unwrap();
    said
}

/// One request as it is, and the bytes of the reply's line.
fn asked(person: &Person, request: &Value) -> String {
    let mut socket = UnixStream::connect(person.socket()).unwrap();
    socket.write_all(format!("{request}\n").as_bytes()).unwrap();
    let mut reply = String::new();
    BufReader::new(socket).read_line(&mut reply).unwrap();
    reply
}

/// Weighs the running batch; at each "place" `lot` names a lot for its step.
fn weigh(person: &Person, pan: &Pan, events: impl Iterator<Item = Event>, lots: &[&str]) {
    let mut lots = lots.iter();
    for event in events {
        let Event::Cue(cue) = event else {
            if matches!(event, Event::Closed { .. }) {
                return;
            }
            continue;
        };
        match cue.kind {
            CueKind::Place => {
                let words = ["lot", "--", lots.next().unwrap()];
                harmless_said(&person.run(&words).ended(0), &words);
                // The empty pan is seen at rest before a hand is there.
                std::thread::sleep(Duration::from_millis(800));
                pan.put(VESSEL);
            }
            CueKind::Add => {
                let missing = cue.missing.map_or(0.0, |missing| missing.to_g_f64());
                pan.pour_to(VESSEL + missing);
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
    panic!("the events ended");
}

/// The cells as Python's csv module reads them, and the kinds of cell that a spreadsheet library makes
/// of them: with commas and with semicolons.
fn in_a_spreadsheet(log: &Path) -> Value {
    let program = r"
import csv, io, json, sys, tablib, openpyxl
text = open(sys.argv[1], newline='', encoding='utf-8').read()
def kinds(separator):
    rows = list(csv.reader(io.StringIO(text, newline=''), delimiter=separator))
    wide = max(map(len, rows))
    sheet = tablib.Dataset(*[r + [''] * (wide - len(r)) for r in rows])
    book = openpyxl.load_workbook(io.BytesIO(sheet.export('xlsx')))
    return sorted({c.data_type for row in book.active.iter_rows() for c in row})
cells = [[row['kind'], row['ingredient'], row['lot']] for row in csv.DictReader(io.StringIO(text, newline=''), strict=True)]
print(json.dumps({'cells': cells, 'comma': kinds(','), 'semicolon': kinds(';')}))";
    serde_json::from_str(&python::asked(program, [log], b"")).unwrap()
}

#[test]
fn a_batch_of_odd_names_stays_in_its_folder_and_harms_nobody() {
    let person = Person::new();
    let pan = Pan::start(person.path("scale"));
    let text = config(&person.path("scale"), "0.01 g");
    person.configures(&text);
    person.file("odd.toml", &odd_formula());
    let daemon = Daemon::start(&person);
    for (lot, name) in ODD_LOTS.iter().zip(odd_names()) {
        let ingredient = format!("--ingredient={name}");
        let words = ["lots", "add", &ingredient, "--amount=1kg", "--", lot];
        harmless_said(&person.run(&words).ended(0), &words);
    }
    let before = files(&person);
    let heard = events(&person);
    let begin = ["begin", "odd.toml", "--batch", "200g"];
    harmless_said(&person.run(&begin).ended(0), &begin);
    let log = only_log(&person);
    let batch = name_of(&log);
    assert_eq!(safe_batch_name(&batch), batch);
    let watch = watched(&person, "../../../etc/passwd");
    assert!(shows_nothing_false(&watch), "{watch:?}");
    let mut cases = all_harmless(&person, &[&["status"], &["status", "--json"], &["remedy"]]);
    cases += odd_requests(&person);

    weigh(&person, &pan, heard, &ODD_LOTS);
    let names = odd_names();
    let mut commands: Vec<Vec<&str>> = vec![
        vec!["status"],
        vec!["lots"],
        vec!["trace", &batch],
        vec!["remedy", &batch],
        vec!["declaration", &batch],
        vec!["sheet", &batch, "--out", "-"],
        vec!["log", "verify", log.to_str().unwrap()],
        vec!["check", "odd.toml", "--batch", "200g"],
        vec!["plan", "odd.toml", "--batch", "200g"],
        vec!["history", "../../=1+1;<b>CON"],
        vec!["fill", "--fill", "50g"],
        vec!["status"],
        vec!["stop"],
    ];
    commands.extend(names.iter().map(|name| vec!["history", "--", name]));
    commands.extend(ODD_LOTS.iter().map(|lot| vec!["trace", "--", lot]));
    let commands: Vec<&[&str]> = commands.iter().map(Vec::as_slice).collect();
    cases += all_harmless(&person, &commands);
    assert!(shows_nothing_false(&daemon.log()), "{:?}", daemon.log());
    assert_eq!(daemon.terminate(), Some(0));
    let mut after = files(&person);
    // What was learned of the scale lies beside that folder.
    after.retain(|file| !file.ends_with("/bismar/scales.toml"));
    assert_eq!(after, before, "a file outside the folder of the logs");
    assert_eq!(only_log(&person), log);

    // Our own reader gives the names back; a spreadsheet finds text and numbers.
    let mut scan = scan_file(&log).unwrap();
    let mut read = Vec::new();
    while let Some(row) = scan.next_row().unwrap() {
        if row.kind.name() == "weighed" {
            read.push((row.ingredient, row.lot));
        }
    }
    let lots = ODD_LOTS.map(str::to_owned);
    let wanted: Vec<(String, String)> = names.iter().cloned().zip(lots).collect();
    assert_eq!(read, wanted);
    let sheet = in_a_spreadsheet(&log);
    for kinds in ["comma", "semicolon"] {
        assert!(
            !sheet[kinds].as_array().unwrap().contains(&"f".into()),
            "{kinds}: {sheet}"
        );
    }
    for cell in sheet["cells"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|row| row.as_array().unwrap())
    {
        let cell = cell.as_str().unwrap().trim_start_matches(['\u{200b}', ' ']);
        assert!(!cell.starts_with(['=', '+', '-', '@']), "{cell:?}");
    }
    faults::report(
        "names that are paths, formulas of a spreadsheet, or endless",
        "ingredients, lots, batches and a formula so named; a whole batch weighed by the real daemon; csv, \
         tablib and openpyxl",
        cases + names.len() + ODD_LOTS.len(),
        "no file outside the log folder, no cell is a formula, the log reads back to the same names",
        "-",
    );
}

/// Requests past the command line's own checks; how many.
fn odd_requests(person: &Person) -> usize {
    let mut refused = Vec::new();
    let long = "x".repeat(5000);
    for batch in [
        "../../x",
        "/etc/passwd",
        "a\0b",
        "..",
        "",
        "CON/../x",
        "a\u{202e}b\u{1b}[2J",
        &long,
    ] {
        refused.push(json!({"do": "fill", "batch": batch}));
        refused.push(json!({"do": "remedy", "way": "keep", "batch": batch}));
        refused.push(json!({"do": "begin", "formula": format!("/{batch}"), "batch": "100g"}));
    }
    for trick in TRICKS
        .into_iter()
        .chain(["\n", "\u{1b}]0;title\u{7}", "\u{2028}"])
    {
        let name = format!("a{trick}b");
        refused.push(json!({"do": "lot", "lot": name}));
        refused.push(json!({"do": "lot", "lot": "L", "despite": name}));
        refused.push(json!({"do": name}));
        // A remark is taken, and cleaned.
        let reply = asked(person, &json!({"do": "note", "note": name}));
        assert!(
            reply.contains("\"ok\":true") && shows_nothing_false(&reply),
            "{reply:?}"
        );
    }
    for request in &refused {
        let reply = asked(person, request);
        assert!(reply.contains("\"ok\":false"), "{request}: {reply:?}");
        assert!(shows_nothing_false(&reply), "{request}: {reply:?}");
        let reply: Value = serde_json::from_str(&reply).unwrap();
        assert!(reply["error"].as_str().unwrap().len() < 7000, "{reply}");
    }
    refused.len()
}

/// A log that another program wrote: our chain, but cells with tricks in them as they are.
fn foreign_log(folder: &Path, batch: &str, trick: &str, closed: bool) {
    let odd = format!("a{trick}b");
    let kinds = ["opened", "weighed", "note", "closed"];
    let mut text = header() + "\n";
    let mut previous = chain::start(batch);
    for (seq, kind) in (1..).zip(kinds.iter().take(if closed { 4 } else { 3 })) {
        let grams = if *kind == "weighed" {
            "10.00,9.90,10.10,100.00,110.00,10.00,0.00,0.01,kept"
        } else {
            ",,,,,,,,"
        };
        let body = format!(
            "{batch},{seq},2026-11-01T09:00:0{seq}.000Z,{kind},\"{odd}\",1,\"{odd}\",\"{odd}\",\"{odd}\",\"{odd}\",\
             {grams},\"{odd}\",g,10,\"{odd}\""
        );
        previous = chain::link(&previous, body.as_bytes());
        text.push_str(&format!("{body},{previous}\n"));
    }
    fs::write(folder.join(format!("{batch}.csv")), text).unwrap();
}

/// A lot that a capture names goes past the daemon's own checks.
#[test]
fn a_lot_in_a_capture_reaches_neither_terminal_nor_log_as_it_is() {
    let person = Person::new();
    let capture =
        fs::read_to_string(person::repository("fixtures/captures/difference.capture")).unwrap();
    for trick in TRICKS {
        let escaped: String = trick
            .chars()
            .map(|c| match c {
                ..' ' | '\u{7f}' => format!("\\x{:02x}", u32::from(c)),
                c => c.to_string(),
            })
            .collect();
        let lot = format!("!lot \"LV{escaped};=26\"");
        let text = capture.replace("!lot \"LV-26\"", &lot);
        assert_ne!(text, capture);
        person.file("a.capture", &text);
        let formula = person::repository("fixtures/captures/difference.toml");
        let words = [
            "replay",
            "a.capture",
            "--formula",
            &formula,
            "--batch",
            "100g",
            "--log",
            "o.csv",
            "--events",
            "e.jsonl",
        ];
        harmless_said(&person.run(&words).ended(0), &words);
        let log = fs::read_to_string(person.path("o.csv")).unwrap();
        assert!(log.contains(",LV ") && !log.contains(";="), "{log}");
        for name in ["o.csv", "e.jsonl"] {
            let text = fs::read_to_string(person.path(name)).unwrap();
            assert!(shows_nothing_false(&text), "{text:?}");
            fs::remove_file(person.path(name)).unwrap();
        }
    }
}

/// The folder of the logs has logs and names of files that were made to mislead; how many commands.
fn foreign_logs_under_a_running_daemon() -> usize {
    let mut cases = 0;
    // No line end: it ends a row, and then the log is no log.
    for trick in [
        "\u{1b}[2K",
        "\u{1b}]0;title\u{7}",
        "\u{202e}",
        "\u{9b}1A",
        "\u{200f}\u{2066}",
        "\u{2028}",
    ] {
        let person = Person::new();
        let _pan = Pan::start(person.path("scale"));
        person.file(
            "home/.config/bismar/config.toml",
            &config(&person.path("scale"), "0.01 g"),
        );
        let folder = person.path(LOGS);
        fs::create_dir_all(&folder).unwrap();
        foreign_log(&folder, "closed-1", trick, true);
        foreign_log(&folder, "open-1", trick, false);
        let odd = format!("a{trick}b");
        fs::write(
            folder.join(format!("{odd}.csv")),
            format!("{odd},{odd}\n{odd}"),
        )
        .unwrap();
        fs::write(folder.join(format!("{odd}.unwritten")), &odd).unwrap();
        fs::copy(
            folder.join("closed-1.csv"),
            folder.join(format!("{odd}-2.csv")),
        )
        .unwrap();
        let daemon = Daemon::start(&person);
        let sheet = folder.join("closed-1.csv");
        let sheet = sheet.to_str().unwrap();
        let name = format!("{odd}-2");
        // The names do come out, tamed.
        for words in [&["trace", "closed-1"][..], &["history", &odd]] {
            let said = person.run(words);
            assert!(said.out.contains(&*harmless(&odd)), "{said:?}");
        }
        cases += all_harmless(
            &person,
            &[
                &["status"],
                &["status", "--json"],
                &["lots"],
                &["trace", &odd],
                &["trace", "closed-1"],
                &["history", &odd],
                &["log", "verify", sheet],
                &["remedy", "closed-1"],
                &["remedy", &name],
                &["fill"],
                &["fill", &name],
                &["fill", "closed-1"],
                &["declaration", "closed-1"],
                &["sheet", "closed-1", "--out", "-"],
            ],
        );
        let watch = watched(&person, "");
        assert!(shows_nothing_false(&watch), "{watch:?}");
        let reply = asked(&person, &json!({"do": "status"}));
        assert!(shows_nothing_false(&reply), "{reply:?}");
        assert!(shows_nothing_false(&daemon.log()), "{:?}", daemon.log());
    }
    cases
}

proptest! {
    #[test]
    fn no_text_is_harmful_after_it(
        text in prop_oneof![any::<String>(), "[a\u{1b}\u{7f}\u{80}-\u{a0}\u{61c}\u{200b}-\u{2069}\"\\\\;]{0,20}"],
    ) {
        let shown = harmless(&text);
        prop_assert!(!shown.contains(|c| misleads(c) && !matches!(c, '\n' | '\t')));
        prop_assert_eq!(shown.chars().count(), text.chars().count());
        let json = serde_json::Value::from(text.as_str());
        let safe = harmless_json(&json.to_string());
        prop_assert!(!safe.contains(misleads));
        prop_assert_eq!(serde_json::from_str::<serde_json::Value>(&safe).unwrap(), json);
        // An event of the socket, whose writer is another one.
        let cue = Cue {
            kind: CueKind::Mix,
            say: text.as_str().into(),
            step: 1,
            missing: None,
            choices: Vec::new(),
            urgent: false, lead: 0, asks: None, };
        let mut line = Vec::new();
        Wire::with_names(["bench"]).write(&mut line, Moment::default(), &Event::Cue(cue));
        let line = String::from_utf8(line).unwrap();
        prop_assert!(shows_nothing_false(&line), "{:?}", line);
        let event: Value = serde_json::from_str(&line).unwrap();
        prop_assert_eq!(event["say"].as_str(), Some(text.as_str()));
    }
}
