//! Lots at the bench: the real daemon on its real socket decides whether a lot is taken, from the
//! list and the logs on the disk; a code reader types into the real command.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Output, Stdio};
use std::time::{Duration, Instant};

use bismar::formula::limits::{Held, outside};
use bismar::journal::read::folder;
use bismar::journal::store::log::LogFile;
use bismar::lots::Lot;
use bismar::lots::advice::{Advice, ForStep, Snapshot};
use bismar::lots::trace::Use;
use bismar::mass::Mass;
use bismar::protocol::client::{Client, ClientError};
use bismar::protocol::reply::Refusal;
use bismar::protocol::request::Request;
use bismar::rehearsal::pty::PtyLine;
use bismar::vocabulary::code::Help;
use bismar::vocabulary::entry::{Draft, Verdict};

use crate::bench_side::logs::{Begun, LOGS, closed, rows};
use crate::bench_side::person::{Person, Said};
use crate::bench_side::{Daemon, LONGEST, config, python};

/// 50 g of salt first, then 50 g of oats that need their lot.
const FORMULA: &str = r#"
[formula]
name = "Glasswort soak"
version = 2
[[phase]]
name = "Dry"
[[phase.ingredient]]
name = "Sea salt"
balance = true
tolerance = { percent = 2.0 }
[[phase.ingredient]]
name = "Oat flour"
percent = 50
tolerance = { percent = 2.0 }
lot_required = true
"#;

const LOTS: &str = r#"
[[lot]]
name = "S-old"
ingredient = "Sea salt"
best_before = 2020-12-31
[[lot]]
name = "S-empty"
ingredient = "Sea salt"
amount = "120 g"
[[lot]]
name = "S-rest"
ingredient = "Sea salt"
amount = "160 g"
[[lot]]
name = "O-3"
ingredient = "Oat flour"
amount = "49.99 g"
[[lot]]
name = "S-12"
ingredient = "Sea salt"
amount = "5 kg"
"#;

fn logs(person: &Person) -> PathBuf {
    person.path(LOGS)
}

fn lots_file(person: &Person) -> PathBuf {
    person.path("home/.config/bismar/lots.toml")
}

/// A person with a scale, a formula and the lots above, of which earlier batches took.
fn workshop() -> Person {
    let person = Person::new();
    person.configures(&config(&person.path("scale"), "0.01 g"));
    person.file("home/.config/bismar/lots.toml", LOTS);
    person.file("soak.toml", FORMULA);
    std::fs::create_dir_all(logs(&person)).unwrap();
    let empty = [weighed(1, "Sea salt", "S-empty", 120_000)];
    write_log(&person, "soak-1", &[&empty[..], &[closed()]].concat());
    let rest = [weighed(1, "Sea salt", "S-rest", 110_010)];
    write_log(&person, "soak-2", &[&rest[..], &[closed()]].concat());
    person
}

fn weighed(step: usize, ingredient: &str, lot: &str, net_mg: i64) -> Draft {
    Draft {
        target: Some(Mass::from_g(50)),
        verdict: Some(Verdict::Inside),
        ..crate::bench_side::logs::weighed(step, ingredient, lot, net_mg)
    }
}

fn write_log(person: &Person, batch: &str, drafts: &[Draft]) {
    write_log_of(FORMULA, person, batch, drafts);
}

fn write_log_of(formula: &str, person: &Person, batch: &str, drafts: &[Draft]) {
    let begun = Begun {
        formula,
        label: "Glasswort soak 2",
        size: Mass::from_g(100),
        jars: None,
        at: "2026-09-01T09:00:00Z",
    };
    begun.written(&logs(person), batch, drafts);
}

/// The rows of the running batch's log, newest last, as `kind|lot|note`.
fn told_by_rows(person: &Person) -> Vec<String> {
    let paths = folder::batches_in(&logs(person)).unwrap();
    let running = paths.iter().find(|path| {
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        name.starts_with("glasswort")
    });
    let rows = rows(running.unwrap()).into_iter();
    rows.map(|row| format!("{}|{}|{}", row["kind"], row["lot"], row["note"]))
        .collect()
}

/// The text of the log of a batch whose name begins so.
fn told_by_rows_of(person: &Person, begins: &str) -> String {
    let paths = folder::batches_in(&logs(person)).unwrap();
    let is_it = |path: &&PathBuf| {
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        name.starts_with(begins)
    };
    std::fs::read_to_string(paths.iter().find(is_it).unwrap()).unwrap()
}

/// The sentence that the socket answers to a lot, without the command line between.
fn named(person: &Person, lot: &str, despite: Option<&str>) -> Result<String, String> {
    told(person, lot, despite).map_err(|refusal| refusal.error.into())
}

fn told(person: &Person, lot: &str, despite: Option<&str>) -> Result<String, Refusal> {
    let request = Request::Lot {
        lot: lot.into(),
        despite: despite.map(str::to_owned),
        step: None,
        batch: None,
    };
    let mut client = Client::connect_to(&person.socket()).unwrap();
    client.say(&request).map_err(|error| match error {
        ClientError::Refused(refusal) => refusal,
        other => panic!("{other}"),
    })
}

#[test]
fn the_socket_refuses_what_the_list_and_the_logs_speak_against() {
    let person = workshop();
    let _daemon = Daemon::start(&person);
    person.begins();
    let before = told_by_rows(&person).len();
    let cases = [
        ("S-old", "lot S-old was best before 2020-12-31"),
        ("S-empty", "lot S-empty is empty by the logs"),
        (
            "S-rest",
            "lot S-rest has 49.99 g left by the logs, 50.00 g are needed",
        ),
        (
            "O-3",
            "lot O-3 is of Oat flour, and this step weighs Sea salt",
        ),
    ];
    for (lot, why) in cases {
        let refused = told(&person, lot, None).unwrap_err();
        assert!(refused.error.starts_with(&format!("{why}.")), "{refused}");
        assert_eq!(
            (refused.help, refused.of.as_deref()),
            (Some(Help::Despite), Some(lot))
        );
        // A remark on the scale may come meanwhile.
        let more = told_by_rows(&person).split_off(before);
        let of_the_lot = |row: &String| !row.starts_with("note||") || row.contains(lot);
        assert!(!more.iter().any(of_the_lot), "nothing is written: {more:?}");
    }
    for (lot, why) in cases {
        let taken = named(&person, lot, Some("tested today")).unwrap();
        let lot_taken = format!("Lot {lot} for Sea salt. Noted: {why}, taken all the same.");
        assert_eq!(taken, lot_taken);
        let rows = told_by_rows(&person);
        let [.., reason, word] = rows.as_slice() else {
            panic!("{rows:?}")
        };
        assert!(
            reason.ends_with(&format!("|{why}; taken all the same: tested today")),
            "{reason}"
        );
        assert_eq!(word, &format!("note|{lot}|lot of Sea salt: {lot}"));
    }
    // The command line says it too, and ends with 1.
    let said = person.run(&["lot", "S-old"]).ended(1);
    assert!(said.err.contains("best before 2020-12-31"), "{said:?}");
    let said = person.run(&["lot", "S-12"]).ended(0);
    assert_eq!(said.out, "Lot S-12 for Sea salt.\n");
    let said = person
        .run(&["lot", "S-12", "--despite", "new bag"])
        .ended(0);
    assert_eq!(said.out, "Lot S-12 for Sea salt.\n");
    assert!(
        told_by_rows(&person)
            .iter()
            .any(|row| row.ends_with("|lot S-12: new bag"))
    );
}

#[test]
fn a_lot_that_is_not_listed_is_taken_and_that_is_said() {
    let person = workshop();
    let _daemon = Daemon::start(&person);
    person.begins();
    assert_eq!(
        named(&person, "X-1", None).unwrap(),
        "Lot X-1 for Sea salt. Lot X-1 is not in lots.toml: nothing is known of it."
    );
    let alike = named(&person, "s-OLD", None).unwrap();
    assert!(
        alike.ends_with("If it is lot S-old, name it so."),
        "{alike}"
    );
    // With a Cyrillic letter: it looks the same, and it is another name.
    let alike = named(&person, "S-\u{43e}ld", None).unwrap();
    assert!(
        alike.ends_with("If it is lot S-old, name it so."),
        "{alike}"
    );
    // What nobody sees makes no other name: what is wrong with the lot is said of this one too.
    let seen = named(&person, "S-old", None).unwrap_err();
    let unseen = named(&person, "S-\u{200b}old", None).unwrap_err();
    assert_eq!(seen, unseen);
    let unfinished = named(&person, "soak-1", None).unwrap_err();
    assert!(
        unfinished.contains("lot soak-1 is a batch that is not finished"),
        "{unfinished}"
    );
    // Who keeps no list is not told so at each lot.
    std::fs::remove_file(lots_file(&person)).unwrap();
    assert_eq!(
        named(&person, "X-1", None).unwrap(),
        "Lot X-1 for Sea salt."
    );
    // The old form of the request, and one with nothing to answer.
    let stopped = person.run(&["stop"]).ended(0);
    assert!(stopped.out.contains("Stopped"), "{stopped:?}");
    let without = named(&person, "S-old", None).unwrap_err();
    assert!(without.starts_with("No batch is under way."), "{without}");
}

#[test]
fn a_broken_list_refuses_with_its_place_and_a_reason_goes_past_it() {
    let person = workshop();
    let _daemon = Daemon::start(&person);
    let list = "[[lot]]\nname = \"S-12\"\ningredient = 5\n";
    person.file("home/.config/bismar/lots.toml", list);
    let begun = person.begins();
    assert!(begun.out.contains("lots.toml:3:14:"), "{begun:?}");
    let refused = named(&person, "S-12", None).unwrap_err();
    assert!(refused.contains("lots.toml:3:14:"), "{refused}");
    let taken = named(&person, "S-12", Some("list is being mended")).unwrap();
    assert!(
        taken.starts_with("Lot S-12 for Sea salt. Noted:"),
        "{taken}"
    );
    let rows = told_by_rows(&person);
    let note = &rows[rows.len() - 2];
    assert!(
        note.ends_with("taken all the same: list is being mended"),
        "{note}"
    );
    std::fs::remove_file(lots_file(&person)).unwrap();
    std::fs::create_dir(lots_file(&person)).unwrap();
    let refused = named(&person, "S-12", None).unwrap_err();
    assert!(refused.contains("cannot be read"), "{refused}");
}

#[test]
fn a_disk_that_hangs_holds_up_neither_the_loop_nor_a_lot_with_a_reason() {
    let person = workshop();
    let _daemon = Daemon::start(&person);
    person.begins();
    let disk = Hung::at(&lots_file(&person));
    std::thread::scope(|scope| {
        let asked = scope.spawn(|| named(&person, "S-12", None));
        // One that came later waits no second time for the same disk.
        std::thread::sleep(Duration::from_millis(200));
        let second = scope.spawn(|| named(&person, "S-12", Some("its label is here")));
        while !asked.is_finished() {
            let status = person.run(&["status"]).ended(0);
            assert!(status.out.contains("step 1 of 2, Sea salt"), "{status:?}");
        }
        let refused = asked.join().unwrap().unwrap_err();
        assert!(
            refused.contains("the disk does not answer in time"),
            "{refused}"
        );
        let taken = second.join().unwrap().unwrap();
        assert!(
            taken.contains("the disk still does not answer, taken all the same"),
            "{taken}"
        );
    });
    // Once the disk is back the lots are known again.
    drop(disk);
    let end = Instant::now() + LONGEST;
    while named(&person, "S-12", None) != Ok("Lot S-12 for Sea salt.".into()) {
        assert!(Instant::now() < end, "never known again");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// So many logs that they are not read in time, or one that hangs: what the list says of a lot holds, and that what is
/// left of it is not known yet is said as it is.
#[test]
fn a_lot_of_the_list_is_taken_while_the_logs_are_still_being_read() {
    let person = workshop();
    let _daemon = Daemon::start(&person);
    person.begins();
    // As if it had just been written: of a log at rest for some seconds the index would answer, and nobody would open it.
    let log = logs(&person).join("soak-1.csv");
    let file = std::fs::File::options().append(true).open(&log).unwrap();
    file.set_modified(std::time::SystemTime::now()).unwrap();
    drop(file);
    let hung = Hung::at(&log);
    let known = "What is left of lot S-12 is not known yet: 1 of 3 logs are read so far.";
    for _ in 0..2 {
        let taken = named(&person, "S-12", None);
        assert_eq!(taken, Ok(format!("Lot S-12 for Sea salt. {known}")));
    }
    let refused = named(&person, "S-old", None).unwrap_err();
    assert!(refused.contains("was best before 2020-12-31"), "{refused}");
    let refused = named(&person, "O-3", None).unwrap_err();
    assert!(refused.contains("is of Oat flour"), "{refused}");
    drop(hung);
    let end = Instant::now() + LONGEST;
    while named(&person, "S-12", None) != Ok("Lot S-12 for Sea salt.".into()) {
        assert!(Instant::now() < end, "never known again");
        std::thread::sleep(Duration::from_millis(50));
    }
    let refused = named(&person, "S-empty", None).unwrap_err();
    assert!(refused.contains("is empty by the logs"), "{refused}");
}

/// A code reader whose trigger is held down, on a disk that hangs: nobody is left without an answer,
/// so that nobody thinks a lot was not taken that was.
#[test]
fn every_one_of_many_lots_gets_its_answer() {
    let person = workshop();
    let _daemon = Daemon::start(&person);
    person.begins();
    let _disk = Hung::at(&lots_file(&person));
    std::thread::scope(|scope| {
        let asked: Vec<_> = (0..12)
            .map(|_| scope.spawn(|| named(&person, "S-12", None).unwrap_err()))
            .collect();
        for asked in asked {
            let refused = asked.join().unwrap();
            let known = ["the disk", "other lots are still being looked up"];
            assert!(known.iter().any(|why| refused.contains(why)), "{refused}");
        }
    });
    assert!(!told_by_rows(&person).iter().any(|row| row.contains("S-12")));
}

#[test]
fn a_batch_is_no_lot_of_itself() {
    let person = workshop();
    let _daemon = Daemon::start(&person);
    person.begins();
    let paths = folder::batches_in(&logs(&person)).unwrap();
    let own = paths[0].file_stem().unwrap().to_str().unwrap();
    assert!(own.starts_with("glasswort-soak-"), "{own}");
    let refused = named(&person, own, None).unwrap_err();
    assert!(
        refused.contains("is the batch that is being weighed"),
        "{refused}"
    );
}

/// The lot was read off a package of a step that is over when the list is there at last.
#[test]
fn a_lot_goes_to_no_other_step_than_the_one_it_was_named_for() {
    let person = workshop();
    let _daemon = Daemon::start(&person);
    person.begins();
    let mut disk = Hung::at(&lots_file(&person));
    std::thread::scope(|scope| {
        let asked = scope.spawn(|| named(&person, "S-12", None));
        assert_eq!(disk.word(), "asked\n");
        person.run(&["stop"]).ended(0);
        drop(disk);
        let refused = asked.join().unwrap().unwrap_err();
        assert!(
            refused.contains("Sea salt was finished while lot S-12"),
            "{refused}"
        );
    });
    assert!(!told_by_rows(&person).iter().any(|row| row.contains("S-12")));
}

/// A disk that does not answer: another process has a lease on the file (fcntl(2), F_SETLEASE), so
/// that the kernel holds whoever opens it up until the lease is given back (or for 45 s).
struct Hung {
    holder: std::process::Child,
    words: BufReader<std::process::ChildStdout>,
}

impl Hung {
    fn at(path: &Path) -> Hung {
        let program = "
import fcntl, os, signal, sys, time
file = os.open(sys.argv[1], os.O_RDWR)
signal.signal(signal.SIGIO, lambda *_: print('asked', flush=True))
end = time.monotonic() + 10
while True:
    try:
        fcntl.fcntl(file, fcntl.F_SETLEASE, fcntl.F_WRLCK)
        break
    except BlockingIOError:
        # Somebody has it open just now.
        if time.monotonic() > end:
            raise
        time.sleep(0.01)
print('held', flush=True)
sys.stdin.read()";
        let mut holder = python::python()
            .args(["-c", program])
            .arg(path)
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::piped())
            .spawn()
            .expect("python3 is needed (apt: python3)");
        let words = BufReader::new(holder.stdout.take().unwrap());
        let mut hung = Hung { holder, words };
        assert_eq!(hung.word(), "held\n");
        hung
    }

    /// `asked` once somebody waits for the file.
    fn word(&mut self) -> String {
        let mut word = String::new();
        self.words.read_line(&mut word).unwrap();
        word
    }
}

impl Drop for Hung {
    fn drop(&mut self) {
        let _ = self.holder.kill();
        let _ = self.holder.wait();
    }
}

#[test]
fn begin_tells_which_ingredients_have_no_lot_on_hand() {
    let person = workshop();
    let _daemon = Daemon::start(&person);
    let begun = person.begins().out;
    assert!(
        begun.contains(
            "Note: no lot of Oat flour on hand is good for all 50.00 g of it: lot O-3 has 49.99 g \
             left by the logs, 50.00 g are needed."
        ),
        "{begun}"
    );
    assert!(!begun.contains("Sea salt"), "S-12 is good: {begun}");
    person.run(&["stop"]).ended(0);
    let none = LOTS.replace("Oat flour", "Rye flour");
    person.file("home/.config/bismar/lots.toml", &none);
    let begun = person.begins().out;
    let says = "Note: Oat flour needs its lot named, and lots.toml has none of it.";
    assert!(begun.contains(says), "{begun}");
    person.run(&["stop"]).ended(0);
    person.file(
        "home/.config/bismar/lots.toml",
        &LOTS.replace("49.99 g", "1 lb"),
    );
    let begun = person.begins().out;
    assert!(!begun.contains("Note:"), "{begun}");
}

/// Salt in two phases: an unfinished batch has taken 50 g of it from S-60, which had 60 g. The lot is
/// not asked for again, and naming it again tells that 10 g are left.
#[test]
fn what_the_running_batch_took_counts() {
    let person = workshop();
    let list = "[[lot]]\nname = \"S-60\"\ningredient = \"Sea salt\"\namount = \"60 g\"\n";
    person.file("home/.config/bismar/lots.toml", list);
    let formula = FORMULA.replace(
        "[[phase.ingredient]]\nname = \"Oat flour\"",
        "[[phase]]\nname = \"Salt again\"\n[[phase.ingredient]]\nname = \"Sea salt\"",
    );
    let took = [weighed(1, "Sea salt", "S-60", 50_000)];
    write_log_of(&formula, &person, "glasswort-running", &took);
    let _daemon = Daemon::start(&person);
    let status = || person.run(&["status"]).ended(0).out;
    let end = Instant::now() + LONGEST;
    while !status().contains("step 2 of 2, Sea salt") {
        assert!(Instant::now() < end, "{}", status());
    }
    assert!(!status().contains("Lot of Sea salt needed"), "{}", status());
    let refused = named(&person, "S-60", None).unwrap_err();
    let why = "lot S-60 has 10.00 g left by the logs, 50.00 g are needed.";
    assert!(refused.starts_with(why), "{refused}");
}

/// A step that is weighed again gives back what it took.
#[test]
fn a_weight_that_is_weighed_anew_does_not_count_against_its_own_lot() {
    let used = |batch: &str, step| Use {
        batch: batch.into(),
        step,
        ingredient: "Sea salt".into(),
        lot: "S-60".into(),
        net: Mass::from_g(50),
        residue: Mass::ZERO,
    };
    let list = "[[lot]]\nname = \"S-60\"\ningredient = \"Sea salt\"\namount = \"60 g\"\n";
    let lots = Lot::parse_all(list, "lots.toml").unwrap();
    let advise = |uses: Vec<Use>| {
        let stock = Snapshot {
            elsewhere: bismar::lots::elsewhere::Elsewhere::default(),
            lots: Ok(Some(lots.clone())),
            uses: Ok(uses),
            damaged: vec![],
            own: None,
            made: vec![],
            premix: None,
            today: jiff::civil::date(2026, 9, 1),
        };
        let step = ForStep {
            batch: Some("soak-1".into()),
            step: 1,
            ingredient: "Sea salt".into(),
            needed: Mass::from_g(50),
        };
        stock.advise("S-60", &step)
    };
    assert_eq!(advise(vec![used("soak-1", 1)]), Advice::Good(None));
    for other in [used("soak-1", 2), used("soak-2", 1)] {
        assert!(matches!(advise(vec![other]), Advice::Against(_)));
    }
}

// ---- a code reader types --------------------------------------------------------------------------

fn typed(person: &Person, bytes: &[u8]) -> Said {
    let mut command = person.command(&["lot"]);
    let mut child = command
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(bytes).unwrap();
    Said::of(child.wait_with_output().unwrap())
}

#[test]
fn a_code_reader_types_the_lot_and_a_line_end() {
    let person = workshop();
    let _daemon = Daemon::start(&person);
    person.begins();
    for line in ["S-12\n", "S-12\r\n", "  S-12\t\n", "S-12", "S-12\nS-old\n"] {
        let said = typed(&person, line.as_bytes()).ended(0);
        assert_eq!(said.out, "Lot S-12 for Sea salt.\n", "{line:?}");
        assert_eq!(said.err, "", "no question to a pipe");
    }
    let refused = typed(&person, b"S-old\n").ended(1);
    assert!(
        refused.err.contains("best before 2020-12-31"),
        "{refused:?}"
    );
    for (line, code, why) in [
        (&b""[..], 2, "no lot was read"),
        (b"\n", 2, "no lot was read"),
        (b" \t\r\n", 2, "no lot was read"),
        // The group separator of GS1 codes (GS1 General Specifications, FNC1 as ASCII 29).
        (b"0112345\x1d10S-12\n", 2, "a control character (U+001D)"),
        (b"\x1b[31mS-12\n", 2, "a control character (U+001B)"),
        (b"S-\xff\n", 2, "no text in UTF-8"),
        (&[b'9'; 151], 2, "longer than 150 characters"),
        (&[b'9'; 5000], 2, "does not end"),
    ] {
        let said = typed(&person, line).ended(code);
        assert!(said.err.contains(why), "{why}: {said:?}");
    }
}

/// On a terminal the command asks.
#[test]
fn a_terminal_is_asked_for_the_lot() {
    let person = workshop();
    let _daemon = Daemon::start(&person);
    person.begins();
    let line = PtyLine::open(person.path("reader")).unwrap();
    let terminal = std::fs::File::options()
        .read(true)
        .write(true)
        .custom_flags(rustix::fs::OFlags::NOCTTY.bits() as i32)
        .open(person.path("reader"))
        .unwrap();
    let mut command = person.command(&["lot"]);
    let mut child = command
        .stdin(terminal)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut asked = [0; 5];
    let stderr = child.stderr.as_mut().unwrap();
    stderr.read_exact(&mut asked).unwrap();
    assert_eq!(&asked, b"Lot: ");
    line.write(b"S-12\n");
    let said: Output = child.wait_with_output().unwrap();
    assert_eq!(
        String::from_utf8_lossy(&said.stdout),
        "Lot S-12 for Sea salt.\n"
    );
}

// ---- a batch of our own as a lot ---------------------------------------------------------------------

const BLEND: &str = "[formula]\nname = \"Scent blend\"\nversion = 1\n[[phase]]\nname = \"Oils\"\n\
    [[phase.ingredient]]\nname = \"Lavender oil\"\npercent = 100\n";
const SCENTED: &str = "[formula]\nname = \"Scented soak\"\nversion = 1\n[[phase]]\nname = \"All\"\n\
    [[phase.ingredient]]\nname = \"Scent\"\npercent = 50\npremix = \"Scent blend\"\n\
    [[phase.ingredient]]\nname = \"Sea salt\"\nbalance = true\n";

/// A premix is taken by the name of its batch: one that is finished, of the right formula, with enough left.
#[test]
fn a_premix_is_taken_only_from_a_finished_batch_with_enough_left() {
    let person = workshop();
    person.file("scented.toml", SCENTED);
    let oil = |net| weighed(1, "Lavender oil", "L-1", net);
    let blend = |batch: &str, rows: &[Draft]| write_log_of(BLEND, &person, batch, rows);
    blend("blend-1", &[oil(100_000), closed()]);
    blend("blend-2", &[oil(100_000)]);
    blend("blend-3", &[oil(100_000), closed()]);
    blend("blend-4", &[oil(40_000), closed()]);
    // blend-3 went into another batch, all but 30 g, and 90 g of blend-1 into no jar.
    let used = [
        weighed(1, "Scent", "blend-3", 70_000),
        weighed(2, "Sea salt", "", 50_000),
        closed(),
    ];
    write_log_of(SCENTED, &person, "scented-0", &used);
    write_log_of(
        FORMULA,
        &person,
        "soak-9",
        &[
            weighed(1, "Sea salt", "", 50_000),
            weighed(2, "Oat flour", "O", 50_000),
            closed(),
        ],
    );
    let _daemon = Daemon::start(&person);
    person
        .run(&["begin", "scented.toml", "--batch", "100g"])
        .ended(0);
    for (lot, why) in [
        ("blend-2", "lot blend-2 is a batch that is not finished"),
        (
            "blend-3",
            "lot blend-3 has 30.00 g left by the logs, 50.00 g are needed",
        ),
        (
            "blend-4",
            "lot blend-4 has 40.00 g left by the logs, 50.00 g are needed",
        ),
        (
            "soak-9",
            "batch soak-9 is of Glasswort soak, and this step takes one of Scent blend",
        ),
        (
            "S-12",
            "lot S-12 is of Sea salt, and this step weighs Scent",
        ),
        (
            "X-1",
            "X-1 is no batch of this bench, and this step takes one of Scent blend",
        ),
    ] {
        let refused = named(&person, lot, None).unwrap_err();
        assert!(refused.starts_with(why), "{lot}: {refused}");
    }
    assert_eq!(
        named(&person, "blend-1", None).unwrap(),
        "Lot blend-1 for Scent. blend-1 is a batch of this bench; 100.00 g are left of it."
    );
}

/// What a finished batch of a premix was really made of is held against the limits, by the batch's name; and
/// what breaks a limit inside a premix is not begun.
#[test]
fn a_premix_counts_as_its_batch_was_weighed() {
    let person = workshop();
    let blend = BLEND.replace(
        "percent = 100",
        "percent = 60\n[[phase.ingredient]]\nname = \"Carrier\"\npercent = 40",
    );
    person.file("blend.toml", &blend);
    person.file("scented.toml", SCENTED);
    let list = |limit: &str| {
        let text = format!("[[substance]]\nname = \"Lavender oil\"\nleave_on = {limit}\n");
        person.file("substances.toml", &text);
    };
    let rows = [
        weighed(1, "Lavender oil", "L-1", 75_000),
        weighed(2, "Carrier", "C-1", 25_000),
        closed(),
    ];
    write_log_of(&blend, &person, "blend-1", &rows);
    let count = || folder::batches_in(&logs(&person)).unwrap().len();
    let before = count();
    let _daemon = Daemon::start(&person);
    let begin = ["begin", "scented.toml", "--batch", "100g"];
    list("29");
    let said = person.run(&begin).ended(1);
    let wanted = "\"Lavender oil\" comes to 30 % of the batch (30.00 g of 100.00 g), over its leave-on limit \
                  (substances.toml:1; the formula does not tell its use) of 29 %; it comes with \"Scent\"";
    assert!(said.err.contains(wanted), "{said:?}");
    assert_eq!(count(), before);
    list("30.5");
    let as_told = [
        weighed(1, "Lavender oil", "L-1", 60_000),
        weighed(2, "Carrier", "C-1", 40_000),
        closed(),
    ];
    write_log_of(&blend, &person, "blend-2", &as_told);
    person.run(&begin).ended(0);
    let good = named(&person, "blend-2", None).unwrap();
    assert!(!good.contains("limit"), "{good}");
    let refused = told(&person, "blend-1", None).unwrap_err();
    let why = "with lot blend-1, Lavender oil is 37.5 % of the batch (37.50 g of 100.00 g), over its leave-on limit";
    assert!(refused.error.starts_with(why), "{refused}");
    let ways = "of 30.5 %; it comes with \"Scent\". Take another lot, or say why this one is good.";
    assert!(refused.error.ends_with(ways), "{refused}");
    assert_eq!(
        (refused.help, refused.of.as_deref()),
        (Some(Help::Despite), Some("blend-1"))
    );
    assert!(!told_by_rows_of(&person, "scented-soak").contains("blend-1 is"));
    let taken = named(&person, "blend-1", Some("less of it is weighed")).unwrap();
    assert!(taken.contains(&format!("Noted: {why}")), "{taken}");
    let rows = told_by_rows_of(&person, "scented-soak");
    assert!(rows.contains(why), "{rows}");
    assert!(
        rows.contains("taken all the same: less of it is weighed"),
        "{rows}"
    );
    let log = folder::batches_in(&logs(&person)).unwrap();
    let mut log = log.into_iter();
    let log = log
        .find(|path| path.display().to_string().contains("scented-soak"))
        .expect("the batch's log");
    let record = bismar::journal::read::record::read(&log).unwrap();
    let limits = record.limits.expect("what the formula alone does not tell");
    let [lavender] = limits.as_slice() else {
        panic!("{limits:?}")
    };
    assert_eq!(lavender.share_in("Scent", "").text(), "60");
    assert_eq!(lavender.share_in("Scent", "blend-1").text(), "75");
    // 37.5 g of it would come with 50 g of that batch.
    let held = [Held {
        ingredient: "Scent",
        lot: "blend-1",
        mass: Mass::from_g(50),
    }];
    assert_eq!(outside(&limits, &held, Mass::from_g(100)).len(), 1);
}

/// 10 g of a lavender oil with 38 % of linalool are 3.8 % of 100 g; with 45 % they are 4.5 %. 11 g with 89.9 g
/// of the rest are 4.14 %.
#[test]
fn a_certificate_over_the_limit_speaks_against_its_lot() {
    let person = workshop();
    let formula = "[formula]\nname = \"Lavender salt\"\nuse = \"leave-on\"\n[[phase]]\nname = \"All\"\n\
        [[phase.ingredient]]\nname = \"Lavender oil\"\npercent = 10\ntolerance = { percent = 10 }\n\
        [[phase.ingredient]]\nname = \"Sea salt\"\nbalance = true\ntolerance = { g = 0.1 }\n";
    let list = "[[substance]]\nname = \"Lavender oil\"\nleave_on = 12\nconstituents = { Linalool = 38 }\n\
        [[substance.lot]]\nlot = \"LAV-2\"\nconstituents = { Linalool = 45 }\n\
        [[substance.lot]]\nlot = \"LAV-3\"\nconstituents = { Linalool = 39 }\n\
        [[substance]]\nname = \"Linalool\"\nleave_on = 4\n";
    person.file("salt.toml", formula);
    person.file("substances.toml", list);
    let daemon = Daemon::start(&person);
    let begin = ["begin", "salt.toml", "--batch", "100g"];
    let begun = person.run(&begin).ended(0).out;
    let exposed =
        "Weights inside their tolerances could bring \"Linalool\" over its leave-on limit";
    assert_eq!(begun.matches(exposed).count(), 1, "{begun}");
    let good = named(&person, "LAV-3", None).unwrap();
    assert!(!good.contains("limit"), "{good}");
    let refused = told(&person, "LAV-2", None).unwrap_err();
    let why = "with lot LAV-2, Linalool is 4.5 % of the batch (4.50 g of 100.00 g), over its leave-on limit \
               (substances.toml:11) of 4 %; it comes with \"Lavender oil\"";
    assert_eq!(
        refused.error.as_str(),
        format!("{why}. Take another lot, or say why this one is good.")
    );
    assert_eq!(refused.help, Some(Help::Despite));
    // The command line says how.
    let said = person.run(&["lot", "LAV-2"]).ended(1);
    assert!(
        said.err.contains(why) && said.err.contains("--despite"),
        "{said:?}"
    );
    let taken = named(&person, "LAV-2", Some("a rinse")).unwrap();
    assert!(taken.contains("taken all the same"), "{taken}");
    // The same of what is weighed, when the batch is over.
    person.run(&["stop"]).ended(0);
    let mut logs = folder::batches_in(&logs(&person)).unwrap();
    logs.retain(|log| {
        log.file_name()
            .unwrap()
            .to_string_lossy()
            .starts_with("lavender")
    });
    daemon.until(|| LogFile::open(&logs[0]).is_ok());
    let (mut log, _) = LogFile::open(&logs[0]).unwrap();
    for (step, name, lot, mg) in [
        (1, "Lavender oil", "LAV-3", 10_000),
        (2, "Sea salt", "", 90_000),
    ] {
        log.append(&weighed(step, name, lot, mg), jiff::Timestamp::now())
            .unwrap();
    }
    drop(log);
    let said = person.run(&["lot", "--step", "1", "LAV-2"]).ended(1);
    assert!(said.err.contains(why), "{said:?}");
    let said = person.run(&["lot", "--step", "1", "LAV-9"]).ended(0);
    assert!(!said.out.contains("limit"), "{said:?}");
}
