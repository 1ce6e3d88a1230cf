//! The command line with the real binary: what it says, and how it ends.

use std::fs;
use std::io::{BufReader, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use bismar::config::{Config, DEFAULT_FILE};
use bismar::journal::store::log::LogFile;
use bismar::rehearsal::pty::PtyLine;
use bismar::rehearsal::{LineShape, SimScale, SimScaleSpec};
use bismar::scale::capture::{CaptureReader, Record};
use bismar::scale::settings::PortSelector;
use bismar::time::Moment;
use bismar::vocabulary::command::Command as Word;
use bismar::vocabulary::entry::{Draft, RowKind};

use crate::bench_side::Daemon;
use crate::bench_side::person::{Person, Said, repository};

const EXAMPLES: [&str; 3] = [
    "tideline-bath-salts.toml",
    "marram-balm.toml",
    "samphire-foot-powder.toml",
];

/// In the order in which the help lists them.
const COMMANDS: [&str; 37] = [
    "check",
    "plan",
    "lots",
    "begin",
    "watch",
    "status",
    "next",
    "keep",
    "again",
    "undo",
    "skip",
    "lot",
    "note",
    "residue",
    "cancel",
    "remedy",
    "stop",
    "fill",
    "sheet",
    "label",
    "declaration",
    "trace",
    "history",
    "log",
    "identify",
    "vessel",
    "scale-check",
    "repeatability",
    "capture",
    "page",
    "daemon",
    "gather",
    "config",
    "completions",
    "man",
    "demo",
    "replay",
];

// ---- help, completions, pages --------------------------------------------------------------------

#[test]
fn every_command_has_help_and_is_in_the_overview_the_completions_and_the_pages() {
    let person = Person::new();
    let overview = person.run(&["--help"]).ended(0).out;
    let pages = person.path("pages");
    person
        .run(&["man", "--dir", pages.to_str().unwrap()])
        .ended(0);
    let bash = person.run(&["completions", "bash"]).ended(0).out;
    let listed = overview
        .lines()
        .filter_map(|line| line.strip_prefix("  ")?.split(' ').next());
    let listed: Vec<&str> = listed.filter(|name| COMMANDS.contains(name)).collect();
    assert_eq!(listed, COMMANDS, "{overview}");
    assert!(
        overview.lines().all(|line| line.chars().count() <= 100),
        "{overview}"
    );
    for group in [
        "Prepare a batch:",
        "Weigh it:",
        "Look back at it:",
        "Set up and check a scale:",
    ] {
        assert!(
            overview.lines().any(|line| line == group),
            "{group}: {overview}"
        );
    }
    assert_eq!(person.run(&["help"]).ended(0).out, overview);
    assert!(person.run(&["-h"]).ended(0).out.contains("\nWeigh it:\n"));
    for command in COMMANDS {
        let help = person.run(&[command, "--help"]).ended(0);
        assert!(help.out.contains("Usage: bismar "), "{help:?}");
        assert!(help.err.is_empty(), "{help:?}");
        assert!(overview.contains(&format!("\n  {command} ")), "{command}");
        assert!(bash.contains(command), "{command}");
        let page = fs::read_to_string(pages.join(format!("bismar-{command}.1"))).unwrap();
        assert!(page.contains(".TH"), "{command}: {page}");
    }
    let page = person.run(&["man"]).ended(0).out;
    assert!(page.contains(".SH NAME") && page.contains("bismar\\-begin(1)"));
    for shell in ["zsh", "fish"] {
        let script = person.run(&["completions", shell]).ended(0).out;
        assert!(script.contains("identify"), "{shell}");
    }
    let version = person.run(&["--version"]).ended(0).out;
    assert_eq!(version, format!("bismar {}\n", env!("CARGO_PKG_VERSION")));
}

/// The completions are a script that bash itself takes.
#[test]
fn bash_reads_the_completions() {
    let person = Person::new();
    let script = person.run(&["completions", "bash"]).ended(0).out;
    let path = person.file("bismar.bash", &script);
    let read = Command::new("bash").arg("-n").arg(path).output();
    let read = Said::of(read.expect("bash is needed: apt-get install bash"));
    assert_eq!((read.code, read.err.as_str()), (Some(0), ""));
}

// ---- how it ends ---------------------------------------------------------------------------------

#[test]
fn a_wrong_command_line_ends_with_2_and_says_what_is_right() {
    let person = Person::new();
    let formula = repository("config/formulas/tideline-bath-salts.toml");
    let formula = formula.as_str();
    let cases: [(&[&str], &str); 28] = [
        (&[], "Usage: bismar"),
        (&["fly"], "fly"),
        (&["begin"], "--batch"),
        (&["begin", formula], "--batch <MASS>|--jars <COUNT>"),
        (&["begin", formula, "--batch", "500"], "500g"),
        (&["begin", formula, "--batch=-5g"], "more than nothing"),
        (&["begin", formula, "--batch", "0g"], "more than nothing"),
        (
            &["begin", formula, "--batch", "9223372kg"],
            "more than 1000 kg",
        ),
        (
            &["check", formula, "--batch", "1000.1kg"],
            "more than 1000 kg",
        ),
        (
            &["check", formula, "--batch", "99999999999999999999g"],
            "more than 1000 kg",
        ),
        (
            &["check", formula, "--batch", "1,250kg"],
            "may be 1250 g or 1250000 g; write which of them it is",
        ),
        (&["check", formula, "--batch", "1,5,5g"], "not a number"),
        (&["check", formula, "--batch", "1,g"], "not a number"),
        (
            &["check", formula, "--batch", "5g", "--allowance", "2,500%"],
            "decimal point",
        ),
        (&["check", formula, "--batch", "muchg"], "1.2kg"),
        (&["begin", formula, "--jars", "8"], "--fill"),
        (&["begin", formula, "--fill", "55g"], "--jars"),
        (&["begin", formula, "--jars", "0", "--fill", "55g"], "0"),
        (
            &[
                "begin", formula, "--batch", "5g", "--jars", "8", "--fill", "5g",
            ],
            "cannot be used with",
        ),
        (
            &["check", formula, "--batch", "5g", "--fill", "5g"],
            "cannot be used with",
        ),
        (
            &["begin", formula, "--jars", "x", "--fill", "55g"],
            "example 8",
        ),
        (&["demo", "--seed", "x"], "whole number"),
        (&["identify", "--name", " "], "short word"),
        (
            &[
                "replay",
                "a.capture",
                "--formula",
                formula,
                "--batch",
                "5g",
                "--log",
                "o.csv",
                "--start",
                "yesterday",
            ],
            "2026-01-01T09:00:00Z",
        ),
        (&["lot"], "no lot was read"),
        (&["log", "verify"], "<BATCH>"),
        (&["capture", "out.capture"], "--port"),
        (&["identify", "--seconds", "0"], "above 0"),
    ];
    for (args, words) in cases {
        let said = person.run(args).ended(2);
        assert!(said.err.contains(words), "{args:?}: {said:?}");
        assert!(said.out.is_empty(), "{args:?}: {said:?}");
    }
    assert!(!person.path("out.capture").exists());
}

/// Where people write `7,5`, they do so at the terminal as well.
#[test]
fn a_decimal_comma_is_taken_where_it_can_be_nothing_else() {
    let person = Person::new();
    let formula = repository("fixtures/formulas/valid/plain.toml");
    let plan = |words: [&str; 4]| {
        let words = [&["plan", &formula][..], &words].concat();
        person.run(&words).ended(0).out
    };
    let size = |size, allowance| plan(["--batch", size, "--allowance", allowance]);
    for (comma, point) in [
        (["0,75kg", "2,5%"], ["0.75kg", "2.5%"]),
        (["750,5 g", "2,25 %"], ["750.5 g", "2.25 %"]),
        (["0,500kg", "0,125%"], ["0.5kg", "0.125%"]),
        (["1000,2500g", "3%"], ["1000.25g", "3%"]),
    ] {
        assert_eq!(size(comma[0], comma[1]), size(point[0], point[1]));
    }
    let lot = [
        "lots",
        "add",
        "S-1",
        "--ingredient",
        "Sea salt",
        "--amount",
        "2,5kg",
        "--price-per-kg",
        "12,5",
    ];
    person.run(&lot).ended(0);
    let list = fs::read_to_string(person.path("home/.config/bismar/lots.toml")).unwrap();
    for line in ["amount = \"2500 g\"", "price_per_kg = \"12.50\""] {
        assert!(list.contains(line), "{line}: {list}");
    }
}

#[test]
fn a_wrong_file_ends_with_4_and_names_file_line_and_column() {
    let person = Person::new();
    let formula = repository("fixtures/formulas/invalid/sum_99.toml");
    let place = format!("bismar: {formula}:14:11: ");
    for command in ["begin", "check"] {
        let said = person.run(&[command, &formula, "--batch", "100g"]).ended(4);
        assert!(said.err.starts_with(&place), "{said:?}");
        assert!(said.err.contains("99"), "{said:?}");
    }
    // Every fault of a file on a line of its own, each with its place.
    let several = repository("fixtures/formulas/invalid/several_faults.toml");
    let said = person.run(&["check", &several]).ended(4);
    assert!(said.err.lines().count() > 1, "{said:?}");
    let start = format!("bismar: {several}:");
    assert!(said.err.lines().all(|l| l.starts_with(&start)), "{said:?}");
    // A file that is not there, and one that is a folder.
    for missing in ["nothing.toml", "home"] {
        let said = person.run(&["check", missing]).ended(4);
        assert!(
            said.err.starts_with(&format!("bismar: {missing}: ")),
            "{said:?}"
        );
    }

    let scale = "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\n";
    for (text, place) in [
        ("[weighing]\ndwell = 0.5\nguardd = 2\n", ":3:1: "),
        ("[weighing\n", ":1:10: "),
        (&format!("{scale}layout = \"sign-numbr\"\n"), ":4:10: "),
        (&format!("{scale}pattern = '('\n"), ":4:11: "),
    ] {
        let config = person.file("broken.toml", text);
        let config = config.to_str().unwrap();
        let example = repository("config/formulas/marram-balm.toml");
        for args in [
            vec!["check", &example, "--config", config],
            vec!["daemon", "--config", config],
            vec!["identify", "--config", config],
        ] {
            let said = person.run(&args).ended(4);
            let line = said.err.lines().find(|line| line.starts_with("bismar: "));
            let line = line.unwrap_or_else(|| panic!("{said:?}"));
            assert!(
                line.starts_with(&format!("bismar: {config}{place}")),
                "{said:?}"
            );
        }
    }
}

#[test]
fn without_a_scale_the_daemon_names_identify() {
    let person = Person::new();
    for text in [None, Some(DEFAULT_FILE)] {
        if let Some(text) = text {
            person.file("home/.config/bismar/config.toml", text);
        }
        let said = person.run(&["daemon"]).ended(4);
        assert!(said.err.contains("bismar identify --write"), "{said:?}");
        assert!(said.err.contains("config.toml"), "{said:?}");
        assert!(!person.socket().exists());
    }
}

#[test]
fn without_a_daemon_every_command_to_it_says_how_to_start_it() {
    let person = Person::new();
    let formula = repository("config/formulas/tideline-bath-salts.toml");
    let commands: [&[&str]; 9] = [
        &["begin", &formula, "--jars", "8", "--fill", "55g"],
        &["status"],
        &["watch"],
        &["next"],
        &["again"],
        &["keep"],
        &["lot", "B-12"],
        &["note", "warm", "room"],
        &["stop"],
    ];
    for args in commands {
        let said = person.run(args).ended(1);
        assert!(
            said.err.starts_with("bismar: no daemon is running"),
            "{said:?}"
        );
        assert!(
            said.err.contains("systemctl --user start bismar"),
            "{said:?}"
        );
        assert!(said.err.contains("`bismar daemon`"), "{said:?}");
    }
    let no_session = person
        .command(&["status"])
        .env_remove("XDG_RUNTIME_DIR")
        .output();
    let said = Said::of(no_session.unwrap()).ended(1);
    assert!(said.err.contains("XDG_RUNTIME_DIR"), "{said:?}");
}

#[test]
fn a_reader_that_leaves_and_a_full_disk_are_no_panic() {
    let person = Person::new();
    let mut child = person
        .command(&["config", "init"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Closed before anything is written, or just after: either way nothing may be said.
    drop(child.stdout.take());
    let said = Said::of(child.wait_with_output().unwrap()).ended(0);
    assert_eq!(said.err, "");
    let full = fs::File::options().write(true).open("/dev/full").unwrap();
    let output = person.command(&["config", "init"]).stdout(full).output();
    let said = Said::of(output.unwrap()).ended(1);
    assert!(said.err.contains("standard output"), "{said:?}");
}

// ---- check, config, log --------------------------------------------------------------------------

#[test]
fn check_reports_the_example_formulas() {
    let person = Person::new();
    for example in EXAMPLES {
        let formula = repository(&format!("config/formulas/{example}"));
        let said = person.run(&["check", &formula, "--batch", "1kg"]).ended(0);
        // No scale is set up: nothing is claimed of one that is not known.
        assert!(said.out.contains("No scale is set up."), "{said:?}");
        assert!(said.out.contains("steps of 0.01 g"), "{said:?}");
        assert!(!said.out.contains("can be proven on its scale"), "{said:?}");
        assert!(
            said.out.lines().all(|l| l.chars().count() <= 80),
            "{said:?}"
        );
    }
    let formula = repository("config/formulas/tideline-bath-salts.toml");
    let jars = person.run(&["check", &formula, "--jars", "8", "--fill", "55g"]);
    assert!(jars.ended(0).out.contains("440 g = 8 jars"));
    // A scale of 1 g proves nothing there; exit code 1 tells a script.
    let coarse = "[[scale]]\nname = \"shop\"\nport = \"/dev/a\"\nlayout = \"comma-header\"\n\
                  readability = \"1 g\"\n";
    let config = person.file("coarse.toml", coarse);
    let args = ["check", &formula, "--batch", "440g", "--config"];
    let said = person
        .run(&[&args[..], &[config.to_str().unwrap()]].concat())
        .ended(1);
    assert!(
        said.out.contains("Not every step can be proven"),
        "{said:?}"
    );
    assert!(!said.out.contains("assumed"), "{said:?}");
    // A scale that is there is claimed for.
    let fine = person.file("fine.toml", &coarse.replace("1 g", "0.01 g"));
    let args = [&args[..], &[fine.to_str().unwrap()]].concat();
    let said = person.run(&args).ended(0);
    assert!(
        said.out.contains("Every step can be proven on its scale."),
        "{said:?}"
    );
    // Nobody said what it carries.
    let carries = "What the scale \"shop\" carries is not known";
    assert!(said.out.contains(carries), "{said:?}");
    assert!(!said.out.contains("assumed"), "{said:?}");
    let one =
        "[formula]\nname = \"A\"\n[[phase]]\n[[phase.ingredient]]\nname = \"B\"\nbalance = true\n";
    let one = person.file("one.toml", one);
    let args = [
        "check",
        one.to_str().unwrap(),
        "--jars",
        "1",
        "--fill",
        "50g",
    ];
    let said = person.run(&args).ended(0);
    assert!(said.out.contains("= 1 jar × 50 g, 1 step\n"), "{said:?}");
}

#[test]
fn config_init_prints_and_writes_but_never_overwrites() {
    let person = Person::new();
    assert_eq!(person.run(&["config", "init"]).ended(0).out, DEFAULT_FILE);
    assert!(!person.config_file().exists());
    person.run(&["config", "init", "--write"]).ended(0);
    assert_eq!(
        fs::read_to_string(person.config_file()).unwrap(),
        DEFAULT_FILE
    );
    fs::write(person.config_file(), "# mine\n").unwrap();
    let said = person.run(&["config", "init", "--write"]).ended(1);
    assert!(said.err.contains("stays as it is"), "{said:?}");
    assert_eq!(
        fs::read_to_string(person.config_file()).unwrap(),
        "# mine\n"
    );
}

/// A log with `rows` notes.
fn log(dir: &Path, name: &str, rows: u64) -> PathBuf {
    let mut log = LogFile::create(dir, name, "Marsh balm 1").unwrap();
    for ticket in 0..rows {
        let draft = Draft::new(RowKind::Note, format!("remark {ticket}"));
        log.append(&draft, "2026-01-01T09:00:00Z".parse().unwrap())
            .unwrap();
    }
    log.path().to_owned()
}

#[test]
fn log_verify_tells_good_logs_from_edited_and_torn_ones() {
    let person = Person::new();
    let good = log(&person.path("logs"), "good", 4);
    let good = good.to_str().unwrap();
    let said = person.run(&["log", "verify", good]).ended(0);
    assert!(
        said.out.contains("ok, 4 rows") && said.err.is_empty(),
        "{said:?}"
    );

    let edited = log(&person.path("logs"), "edited", 4);
    let text = fs::read_to_string(&edited).unwrap();
    fs::write(&edited, text.replace("remark 2", "remark 3")).unwrap();
    let edited = edited.to_str().unwrap();
    let said = person.run(&["log", "verify", good, edited]).ended(4);
    assert!(said.out.contains("ok, 4 rows"), "{said:?}");
    assert!(
        said.err.starts_with(&format!("bismar: {edited}:4:")),
        "{said:?}"
    );

    let torn = log(&person.path("logs"), "torn", 2);
    let mut text = fs::read(&torn).unwrap();
    text.truncate(text.len() - 9);
    fs::write(&torn, &text).unwrap();
    let said = person
        .run(&["log", "verify", torn.to_str().unwrap()])
        .ended(4);
    assert!(said.err.contains(":3: torn end"), "{said:?}");
    assert_eq!(fs::read(&torn).unwrap(), text, "verifying changes nothing");

    let said = person
        .run(&["log", "verify", "nothing.csv", "home"])
        .ended(4);
    assert!(
        said.err.contains("nothing.csv") && said.err.contains("plain file"),
        "{said:?}"
    );
}

// ---- identify and capture on a real pty ----------------------------------------------------------

/// A scale that sends by itself, or answers requests, on a pty until it is dropped.
struct Sending {
    path: PathBuf,
    stop: Arc<AtomicBool>,
    thread: Option<std::thread::JoinHandle<Vec<u8>>>,
}

impl Sending {
    /// Every 20 ms the next text of `next`, or what answers the request that came.
    fn start(path: PathBuf, mut next: impl FnMut(&[u8]) -> Vec<u8> + Send + 'static) -> Sending {
        let line = PtyLine::open(path.clone()).expect("a pty");
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let thread = std::thread::spawn(move || {
            let mut sent = Vec::new();
            let mut asked = [0; 64];
            while !stopped.load(Ordering::Relaxed) {
                let count = line.read(&mut asked);
                let bytes = next(&asked[..count]);
                let written = line.write(&bytes);
                sent.extend_from_slice(&bytes[..written]);
                std::thread::sleep(Duration::from_millis(20));
            }
            sent
        });
        Sending {
            path,
            stop,
            thread: Some(thread),
        }
    }

    /// The rehearsal's scale, with a load that grows once a second and rests in between.
    fn simulated(path: PathBuf, spec: SimScaleSpec) -> Sending {
        let mut scale = SimScale::new(spec);
        let mut now = Moment::default();
        Sending::start(path, move |asked| {
            now = now.plus_micros(20_000);
            scale.set_load(now.seconds().floor() * 7.31);
            let mut lines = Vec::new();
            scale.advance(now, &mut lines);
            scale.receive(asked, &mut lines);
            lines.into_iter().flat_map(|(_, bytes)| bytes).collect()
        })
    }

    fn port(&self) -> &str {
        self.path.to_str().unwrap()
    }

    /// Everything that was sent.
    fn end(mut self) -> Vec<u8> {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.take().unwrap().join().unwrap()
    }
}

impl Drop for Sending {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

fn brisk(shape: LineShape) -> SimScaleSpec {
    SimScaleSpec {
        shape,
        rate: 25.0,
        tau: 0.02,
        ..SimScaleSpec::default()
    }
}

#[test]
fn identify_finds_a_sending_scale_and_writes_it_once_into_the_configuration() {
    let person = Person::new();
    let scale = Sending::simulated(person.path("scale"), brisk(LineShape::SignNumberUnit16));
    let args = ["identify", "--port", scale.port(), "--seconds", "1.5"];

    let said = person.run(&args).ended(0);
    assert!(
        said.err.contains("Found: sign-number-unit-16 at 9600 8N1"),
        "{said:?}"
    );
    assert!(!person.config_file().exists(), "nothing is written unasked");
    // What is printed on standard output alone is the part of the configuration.
    let config = Config::parse(&said.out, "printed").unwrap();
    let [found] = config.scales.as_slice() else {
        panic!("{said:?}");
    };
    assert_eq!(found.layout, "sign-number-unit-16");
    assert_eq!(
        found.port,
        PortSelector::Path(scale.path.display().to_string())
    );
    assert_eq!(found.readability.map(|d| d.ng()), Some(10_000_000));

    let write = [&args[..], &["--write"]].concat();
    person.run(&write).ended(0);
    let text = fs::read_to_string(person.config_file()).unwrap();
    assert!(
        text.starts_with(DEFAULT_FILE.trim_end()),
        "the explained file comes first"
    );
    // A second scale gets a name of its own; a name that is taken is refused; the text before stays.
    let own = format!("{text}\n# a remark of mine\n");
    fs::write(person.config_file(), &own).unwrap();
    let other = Sending::simulated(person.path("other"), brisk(LineShape::ReplyCode));
    let write = [
        "identify",
        "--seconds",
        "1.5",
        "--write",
        "--port",
        other.port(),
    ];
    let taken = [&write[..], &["--name", "Bench"]].concat();
    let said = person.run(&taken).ended(1);
    assert!(said.err.contains("already"), "{said:?}");
    assert_eq!(fs::read_to_string(person.config_file()).unwrap(), own);
    person.run(&write).ended(0);
    let text = fs::read_to_string(person.config_file()).unwrap();
    assert!(text.starts_with(own.trim_end()));
    let config = Config::parse(&text, "written").unwrap();
    let names: Vec<&str> = config.scales.iter().map(|s| s.name.as_str()).collect();
    assert_eq!(names, ["bench", "bench-2"]);
    let left = fs::read_dir(person.config_file().parent().unwrap()).unwrap();
    assert_eq!(left.count(), 1, "no temporary file is left");
}

/// A second scale beside one whose daemon runs: it is weighed with at once.
#[test]
fn a_daemon_that_runs_takes_over_what_identify_writes() {
    let person = Person::new();
    person.configures(&crate::bench_side::config(
        Path::new("/dev/nowhere"),
        "0.01 g",
    ));
    let daemon = Daemon::start(&person);
    let scale = Sending::simulated(person.path("scale"), brisk(LineShape::SignNumberUnit16));
    let args = [
        "identify",
        "--port",
        scale.port(),
        "--seconds",
        "1.5",
        "--name",
        "second",
        "--write",
    ];
    let said = person.run(&args).ended(0);
    let words = "The daemon that runs: The configuration was read anew.";
    assert!(said.err.contains(words), "{said:?}");
    let weighs = |line: &str| line.contains("second: ") && line.contains(", shows ");
    let shows = || person.run(&["status"]).ended(0).out.lines().any(weighs);
    daemon.until(shows);
}

#[test]
fn identify_changes_a_scale_that_the_configuration_has_instead_of_adding_it_again() {
    let person = Person::new();
    let scale = Sending::simulated(person.path("scale"), brisk(LineShape::SignNumberUnit16));
    // Another name of the same line, wrong settings, and what a person wrote.
    let link = person.path("link");
    std::os::unix::fs::symlink(&scale.path, &link).unwrap();
    let text = format!(
        "# mine\n[[scale]]\nname = \"fine\" # the small one\nport = \"{}\"\n\
         baud = 4800 # too slow?\nlayout = \"reply-code\"\ncapacity = \"600 g\"\n\n\
         [[scale]]\nname = \"other\"\nport = \"/dev/a\"\nlayout = \"comma-header\"\n",
        link.display()
    );
    person.file("home/.config/bismar/config.toml", &text);
    let args = ["identify", "--port", scale.port(), "--seconds", "1.5"];
    let said = person.run(&args).ended(0);
    assert!(said.err.contains("already as \"fine\""), "{said:?}");
    assert_eq!(fs::read_to_string(person.config_file()).unwrap(), text);

    let write = [&args[..], &["--write"]].concat();
    let said = person.run(&write).ended(0);
    let changed = "Changed baud, layout, readability of \"fine\"";
    assert!(said.err.contains(changed), "{said:?}");
    let wanted = text
        .replace("= 4800 #", "= 9600 #")
        .replace("reply-code", "sign-number-unit-16")
        .replace("small one\n", "small one\nreadability = \"0.01 g\"\n");
    let written = fs::read_to_string(person.config_file()).unwrap();
    assert_eq!(written, wanted, "all else stays to the byte");

    let said = person.run(&write).ended(0);
    assert!(said.err.contains("nothing to change"), "{said:?}");
    assert_eq!(fs::read_to_string(person.config_file()).unwrap(), wanted);

    // A name that is asked for is given; one that another scale has is not.
    let said = person
        .run(&[&write[..], &["--name", "Other"]].concat())
        .ended(1);
    assert!(said.err.contains("another scale named"), "{said:?}");
    person
        .run(&[&write[..], &["--name", "small"]].concat())
        .ended(0);
    let renamed = wanted.replace("\"fine\"", "\"small\"");
    assert_eq!(fs::read_to_string(person.config_file()).unwrap(), renamed);

    // A readability that a person wrote is not made finer, and a pattern is not overwritten.
    let coarse = renamed.replace("0.01 g", "0.05 g");
    fs::write(person.config_file(), &coarse).unwrap();
    let said = person.run(&write).ended(0);
    assert!(said.err.contains("0.05 g stays"), "{said:?}");
    let pattern = coarse.replace(
        "layout = \"sign-number-unit-16\"",
        "pattern = '(?<number>[0-9.]+) (?<unit>g)'",
    );
    fs::write(person.config_file(), &pattern).unwrap();
    let said = person.run(&write).ended(1);
    assert!(said.err.contains("pattern of its own"), "{said:?}");
    assert_eq!(fs::read_to_string(person.config_file()).unwrap(), pattern);
}

#[test]
fn identify_asks_a_silent_scale_and_says_what_it_sends() {
    let person = Person::new();
    let spec = SimScaleSpec {
        polled: true,
        ..brisk(LineShape::ReplyCode)
    };
    let scale = Sending::simulated(person.path("scale"), spec);
    let args = ["identify", "--port", scale.port(), "--seconds", "0.5"];
    let said = person.run(&args).ended(0);
    assert!(
        said.err.contains(r"asking with SI\r\n S\r\n W\r P\r\n"),
        "{said:?}"
    );
    let config = Config::parse(&said.out, "printed").unwrap();
    assert_eq!(config.scales[0].layout, "reply-code");
    assert_eq!(config.scales[0].poll, Some((b"SI\r\n".to_vec(), 0.2)));
}

#[test]
fn identify_says_why_it_found_nothing() {
    let person = Person::new();
    // Clean text of no layout: shown, and no further speed is tried.
    let odd = Sending::start(person.path("odd"), |_| {
        b"weight is 12.34 gramme\r\n".to_vec()
    });
    let args = ["identify", "--seconds", "0.3", "--port"];
    let said = person.run(&[&args[..], &[odd.port()]].concat()).ended(1);
    assert!(said.err.contains("no built-in layout"), "{said:?}");
    assert!(
        said.err.contains(r"heard: weight is 12.34 gramme\r\n"),
        "{said:?}"
    );
    // Seven data bits read as eight: the eighth is parity. A pty always has eight.
    let seven = Sending::start(person.path("seven"), |_| {
        let parity = |byte: u8| byte | ((byte.count_ones() as u8 & 1) << 7);
        b"+   123.45 g  \r\n".iter().map(|b| parity(*b)).collect()
    });
    let one = [&args[..], &[seven.port(), "--baud", "9600"]].concat();
    let said = person.run(&one).ended(1);
    assert!(
        said.err.contains("even parity") && said.err.contains("9600 7E1"),
        "{said:?}"
    );
    // Nothing at all.
    let silent = Sending::start(person.path("silent"), |_| Vec::new());
    let one = [
        &args[..],
        &[silent.port(), "--baud", "9600", "--framing", "8N1"],
    ]
    .concat();
    let said = person.run(&one).ended(1);
    assert!(
        said.err.contains("nothing was heard") && said.err.contains("PRINT"),
        "{said:?}"
    );
    // No serial line.
    let said = person.run(&[&args[..], &["/dev/null"]].concat()).ended(1);
    assert!(said.err.contains("not a serial line"), "{said:?}");
    let said = person
        .run(&[&args[..], &["/dev/not-there"]].concat())
        .ended(1);
    assert!(said.err.contains("not there"), "{said:?}");
}

/// The bytes and the words of a capture.
fn read_capture(path: &Path) -> (Vec<u8>, Vec<Word>, Moment) {
    let file = BufReader::new(fs::File::open(path).unwrap());
    let mut reader = CaptureReader::new(file).unwrap();
    let (mut bytes, mut words, mut last) = (Vec::new(), Vec::new(), Moment::default());
    while let Some(record) = reader.next_record().unwrap() {
        match record {
            Record::Bytes { at, data } => {
                bytes.extend_from_slice(data);
                last = at;
            }
            Record::Command { command, .. } => words.push(command),
            Record::Comment => {}
        }
    }
    (bytes, words, last)
}

/// Reads a child's stderr until a line holds `words`.
fn wait_for(child: &mut std::process::Child, words: &str) {
    let stderr = child.stderr.as_mut().expect("piped");
    let mut heard = Vec::new();
    let mut byte = [0];
    while stderr.read(&mut byte).unwrap_or(0) == 1 {
        heard.push(byte[0]);
        if String::from_utf8_lossy(&heard).contains(words) {
            return;
        }
    }
    panic!(
        "{:?} does not hold {words:?}",
        String::from_utf8_lossy(&heard)
    );
}

#[test]
fn capture_records_what_the_scale_sends_and_what_is_typed() {
    let person = Person::new();
    let scale = Sending::simulated(person.path("scale"), brisk(LineShape::ReplyCode));
    let mut child = person
        .command(&["capture", "--port", scale.port(), "out.capture"])
        .stdin(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    wait_for(&mut child, "Recording");
    let mut stdin = child.stdin.take().unwrap();
    stdin
        .write_all(b"next\nnonsense\nlot B \"12\"\nnote warm room\nstop\n")
        .unwrap();
    wait_for(&mut child, "\"nonsense\" is not recorded");
    // Its end is no end of the recording. What is heard is in the file while it runs.
    drop(stdin);
    let out = person.path("out.capture");
    while read_capture(&out).0.len() < 400 {
        std::thread::sleep(Duration::from_millis(20));
    }
    let pid = rustix::process::Pid::from_child(&child);
    rustix::process::kill_process(pid, rustix::process::Signal::INT).unwrap();
    let said = Said::of(child.wait_with_output().unwrap()).ended(0);
    assert!(said.err.contains("4 words"), "{said:?}");

    let sent = scale.end();
    let (bytes, words, last) = read_capture(&out);
    let lot = Word::Lot("B \"12\"".into());
    assert_eq!(
        words,
        [Word::Next, lot, Word::Note("warm room".into()), Word::Stop]
    );
    assert!(
        sent.windows(bytes.len()).any(|part| part == bytes),
        "the very bytes, without a gap"
    );
    assert!(last > Moment::default());
    let before = fs::read(&out).unwrap();
    let said = person
        .run(&["capture", "--port", "/dev/null", "out.capture"])
        .ended(1);
    assert!(said.err.contains("stays as it is"), "{said:?}");
    assert_eq!(fs::read(&out).unwrap(), before);
}

#[test]
fn capture_takes_the_line_of_a_configured_scale_and_stops_by_itself() {
    let person = Person::new();
    let scale = Sending::simulated(person.path("scale"), brisk(LineShape::QuestionMark));
    let config = format!(
        "[[scale]]\nname = \"fine\"\nport = \"{}\"\nlayout = \"question-mark\"\n",
        scale.port()
    );
    person.file("home/.config/bismar/config.toml", &config);
    let args = [
        "capture",
        "--scale",
        "fine",
        "--seconds",
        "0.4",
        "out.capture",
    ];
    person.run(&args).ended(0);
    assert!(!read_capture(&person.path("out.capture")).0.is_empty());
    let said = person
        .run(&["capture", "--scale", "coarse", "other.capture"])
        .ended(1);
    assert!(said.err.contains("fine"), "{said:?}");
    assert!(!person.path("other.capture").exists());
    // A port that is not there leaves no file behind.
    let said = person
        .run(&["capture", "--port", "/dev/not-there", "other.capture"])
        .ended(1);
    assert!(said.err.contains("not there"), "{said:?}");
    assert!(!person.path("other.capture").exists());
}

/// Waits until `look` is true; a daemon that never comes so far ends the test by its words.
#[track_caller]
fn until(what: &str, mut look: impl FnMut() -> bool) {
    for _ in 0..1500 {
        if look() {
            return;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    panic!("{what} never came");
}

#[test]
fn a_line_that_our_own_daemon_holds_is_said_to_be_held_by_it() {
    let person = Person::new();
    let scale = Sending::simulated(person.path("scale"), brisk(LineShape::SignNumberUnit16));
    let config = format!(
        "[[scale]]\nname = \"bench\"\nport = \"{}\"\nlayout = \"sign-number-unit-16\"\n",
        scale.port()
    );
    person.file("home/.config/bismar/config.toml", &config);
    let daemon = Daemon::start(&person);
    until("the open line", || {
        let said = person.run(&["status"]);
        said.code == Some(0) && said.out.contains("listening")
    });
    let commands: [&[&str]; 3] = [
        &["identify", "--port", scale.port()],
        &["capture", "--port", scale.port(), "out.capture"],
        &["capture", "--scale", "bench", "out.capture"],
    ];
    for args in commands {
        let said = person.run(args).ended(1);
        assert!(said.err.contains("bismar's own daemon"), "{said:?}");
        assert!(
            said.err.contains("systemctl --user stop bismar"),
            "{said:?}"
        );
        assert!(!said.err.contains("another program"), "{said:?}");
    }
    assert!(!person.path("out.capture").exists());
    // Held by somebody else while the daemon runs: the daemon is not blamed.
    let other = PtyLine::open(person.path("other")).unwrap();
    let held = serialport::new(other.path().to_str().unwrap(), 9600)
        .open_native()
        .unwrap();
    let said = person
        .run(&["identify", "--port", other.path().to_str().unwrap()])
        .ended(1);
    assert!(said.err.contains("another program"), "{said:?}");
    drop((held, daemon));
}

/// A build without the wire between benches says so, and how to have it.
#[cfg(not(feature = "workshop"))]
#[test]
fn gather_is_not_in_every_build_and_says_so() {
    let person = Person::new();
    person.configures(
        "[workshop]\nname = \"saltmarsh\"\nbroker = \"b.example\"\nbenches = [\"bench-1\"]\n",
    );
    let said = person.run(&["gather"]).ended(1).err;
    assert!(said.contains("--features workshop"), "{said}");
}
