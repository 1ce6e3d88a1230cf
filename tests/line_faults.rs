//! The real daemon on a real pty whose line goes bad in the middle of a pour: each fault is told with
//! what to do, nothing wrong is recorded, and the batch goes on to its end when the line is good again.
//! The person goes on pouring for a moment, unseen, as people do.
//!
//! A pty that is closed hangs up as an unplugged USB adapter does. A wrong speed is imitated by what it
//! gives: other bytes. Not tested here: a real adapter.

mod bench_side;
mod faults;
#[path = "line_faults/scale.rs"]
mod line;
mod person;

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use bench_side::{Daemon, LONGEST, config, only_log};
use bismar::batch::record;
use bismar::daemon::client::Client;
use bismar::daemon::event_line;
use bismar::daemon::request::Request;
use bismar::weighing::event::{Cue, CueKind, Event};
use line::{Hand, Line, Scale};
use person::Person;
use serde_json::Value;

const FORMULA: &str = r#"
[formula]
name = "Marram soak"
version = 1
[[phase]]
name = "Dry"
[[phase.ingredient]]
name = "Sea salt"
balance = true
tolerance = { percent = 2.0 }
[[phase.ingredient]]
name = "Epsom salt"
percent = 30
tolerance = { percent = 2.0 }
[[phase.ingredient]]
name = "Oat flour"
percent = 20
tolerance = { percent = 2.0 }
"#;

/// A batch under way on a line that can be made bad.
struct Rig {
    person: Person,
    daemon: Daemon,
    scale: Scale,
    hand: Hand,
    heard: Receiver<Event>,
    /// What each beaker holds, or held when it was lifted last.
    truth: BTreeMap<usize, f64>,
    /// Sentences since the line went bad.
    said: Vec<String>,
    last: Option<Cue>,
}

impl Rig {
    /// Weighs step 1, and half of step 2.
    fn in_a_pour() -> Rig {
        let person = Person::new();
        let scale = Scale::start(person.path("scale"));
        let text = config(&person.path("scale"), "0.01 g");
        person.file("home/.config/bismar/config.toml", &text);
        person.file("soak.toml", FORMULA);
        let daemon = Daemon::start(&person);
        let mut rig = Rig {
            heard: subscribed(&person),
            person,
            daemon,
            scale,
            hand: Hand::new(),
            truth: BTreeMap::new(),
            said: Vec::new(),
            last: None,
        };
        let begin = ["begin", "soak.toml", "--batch", "100g"];
        rig.person.run(&begin).ended(0);
        rig.until(|rig| rig.hand.step == 2 && rig.hand.on_pan && rig.hand.holds >= 15.0);
        rig.hand.rest();
        rig.said.clear();
        rig
    }

    /// One turn of the person: hears, acts.
    fn turn(&mut self) -> Option<Event> {
        let event = self.heard.recv_timeout(Duration::from_millis(15)).ok();
        if let Some(Event::Cue(cue)) = &event {
            self.said.push(cue.say.clone());
            self.last = Some(cue.clone());
            self.hand.hear(cue);
        }
        if let Some(word) = self.hand.act(&self.scale) {
            self.person.run(&[word]);
        }
        if self.hand.looks()
            && let Some(missing) = missing(&self.person)
        {
            self.hand.pour_missing(missing);
        }
        if self.hand.on_pan {
            self.truth.insert(self.hand.step, self.hand.holds);
        }
        event
    }

    #[track_caller]
    fn until(&mut self, mut done: impl FnMut(&Rig) -> bool) {
        let end = Instant::now() + LONGEST;
        while !done(self) {
            assert!(
                Instant::now() < end,
                "waited too long; heard {:#?}\n{}",
                self.said,
                self.daemon.log()
            );
            self.turn();
        }
    }

    /// Waits for a sentence; the person does nothing meanwhile.
    #[track_caller]
    fn told(&mut self, words: &str) {
        self.until(|rig| {
            let told = rig.said.iter().any(|say| say.contains(words));
            told || rig.last.is_none()
        });
        self.hand.rest();
    }

    fn idle(&mut self, seconds: f64) {
        let end = Instant::now() + Duration::from_secs_f64(seconds);
        while Instant::now() < end {
            self.turn();
            self.hand.rest();
        }
    }

    /// Goes on to the end, and holds each weight against what was in its beaker. Gives the largest
    /// error in units of U.
    #[track_caller]
    fn finish(&mut self) -> f64 {
        let end = Instant::now() + LONGEST;
        loop {
            if matches!(self.turn(), Some(Event::Closed { .. })) {
                break;
            }
            assert!(
                Instant::now() < end,
                "no end; heard {:#?}\n{}",
                self.said,
                self.daemon.log()
            );
        }
        let log = only_log(&self.person);
        self.daemon
            .until(|| record::read(&log).is_ok_and(|record| record.closed.is_some()));
        self.judge(&log)
    }

    fn judge(&self, log: &Path) -> f64 {
        let record = record::read(log).unwrap();
        assert!(record.is_proved(), "{:?}", record.fault);
        let closed = record.closed.as_ref().map(|row| row.note.clone());
        assert_eq!(closed.as_deref(), Some("complete"));
        assert_eq!(record.steps.len(), 3);
        let mut worst: f64 = 0.0;
        for (step, weighed) in &record.steps {
            let net = weighed.net.unwrap().mass().to_g_f64();
            let stated = weighed.uncertainty.unwrap().mass().to_g_f64();
            let holds = self.truth[step];
            assert!(
                (net - holds).abs() <= stated,
                "step {step}: {net} ± {stated} recorded, {holds} in the beaker; {:#?}",
                self.said
            );
            worst = worst.max((net - holds).abs() / stated);
        }
        worst
    }

    /// Memory of the daemon in MiB, by `field` of proc(5).
    fn memory(&self, field: &str) -> f64 {
        let path = format!("/proc/{}/status", self.daemon.child.id());
        let status = std::fs::read_to_string(path).unwrap();
        let line = status.lines().find(|line| line.starts_with(field)).unwrap();
        let kib: f64 = line.split_whitespace().nth(1).unwrap().parse().unwrap();
        kib / 1024.0
    }

    /// Processor time of the daemon so far, seconds: `utime` and `stime` of proc(5), whose unit is a
    /// hundredth of a second on every Linux of this kind.
    fn cpu(&self) -> f64 {
        let path = format!("/proc/{}/stat", self.daemon.child.id());
        let text = std::fs::read_to_string(path).unwrap();
        // The name may hold anything; the fields follow its closing bracket, the first is field 3.
        let fields: Vec<&str> = text.rsplit_once(") ").unwrap().1.split(' ').collect();
        let ticks = |field: usize| fields[field - 3].parse::<f64>().unwrap();
        (ticks(14) + ticks(15)) / 100.0
    }
}

/// Hears the cues; readings would be 2,000 a second in the flood.
fn subscribed(person: &Person) -> Receiver<Event> {
    let (told, heard) = channel();
    let client = Client::connect_to(&person.socket()).expect("a client");
    let lines = client.subscribe(false).expect("a subscription");
    std::thread::spawn(move || {
        for line in lines.map_while(Result::ok) {
            let line: Value = serde_json::from_str(&line).expect("an event is JSON");
            if let Some(event) = event_line::read(&line, &["bench".to_owned()])
                && told.send(event).is_err()
            {
                return;
            }
        }
    });
    heard
}

/// What is missing by the number that the person sees, grams; nothing while there is no number.
fn missing(person: &Person) -> Option<f64> {
    let mut client = Client::connect_to(&person.socket()).ok()?;
    let reply = client.ask(&Request::Status).ok()?;
    let status = &reply["status"];
    status["scales"][0]["weight"].as_str()?;
    status["missing"].as_str()?.parse().ok()
}

const HOLDS: &str =
    "the cue says what to do, no weight is off by more than its U, the batch ends complete";

/// The line is `bad` until the sentence with `words` is heard; meanwhile 1.5 g more go in.
fn bad_until_told(fault: &str, how: &str, bad: Line, words: &str) {
    let mut rig = Rig::in_a_pour();
    rig.scale.set(bad);
    let began = Instant::now();
    rig.hand.pour_blindly(&rig.scale, 1.5);
    rig.told(words);
    let after = began.elapsed().as_secs_f64();
    rig.idle(0.5);
    rig.scale.set(Line::Good);
    let worst = rig.finish();
    faults::report(
        fault,
        how,
        "1 batch of 3 steps",
        HOLDS,
        format!("told after {after:.1} s: \"{words}\"; largest error {worst:.2} U"),
    );
}

const NO_WEIGHT: &str = "No weight from scale bench. Look at its switch, its battery and its cable";

#[test]
fn the_plug_is_pulled_in_a_pour() {
    bad_until_told(
        "plug pulled in a pour",
        "the pty is closed in step 2; 1.5 g more go in before it is back",
        Line::Unplugged,
        "The line to scale bench is gone. Plug it in",
    );
}

#[test]
fn silence_in_a_pour() {
    bad_until_told(
        "scale falls silent in a pour",
        "no byte; 1.5 g more go in",
        Line::Silent,
        NO_WEIGHT,
    );
}

#[test]
fn another_speed_is_no_weight() {
    bad_until_told(
        "line at a wrong speed",
        "random bytes at the rate of the lines, as another speed gives; 1.5 g more go in",
        Line::Garbage,
        NO_WEIGHT,
    );
}

#[test]
fn half_a_line_is_no_weight() {
    bad_until_told(
        "lines cut in half",
        "each line is cut at a random byte, with its end or without; 1.5 g more go in",
        Line::Halves,
        NO_WEIGHT,
    );
}

#[test]
fn plugged_in_again_it_has_another_name() {
    let mut rig = Rig::in_a_pour();
    let link = rig.person.path("scale");
    let before = std::fs::read_link(&link).unwrap();
    rig.scale.set(Line::Unplugged);
    rig.hand.pour_blindly(&rig.scale, 1.5);
    rig.told("The line to scale bench is gone. Plug it in");
    rig.scale.set(Line::Elsewhere);
    let worst = rig.finish();
    let after = std::fs::read_link(&link).unwrap();
    assert_ne!(before, after);
    faults::report(
        "plugged in under another tty name",
        "the pty is closed in step 2 and the link of the configuration leads to another one",
        "1 batch of 3 steps",
        HOLDS,
        format!(
            "{} became {}; largest error {worst:.2} U",
            before.display(),
            after.display()
        ),
    );
}

#[test]
fn a_flood_without_a_line_end() {
    let mut rig = Rig::in_a_pour();
    let (before, sent) = (rig.memory("VmRSS:"), rig.scale.sent());
    rig.scale.set(Line::FloodOfNoise);
    let began = Instant::now();
    rig.told(NO_WEIGHT);
    rig.idle(4.0);
    rig.person.run(&["status"]).ended(0);
    let (sent, took) = (rig.scale.sent() - sent, began.elapsed().as_secs_f64());
    let more = rig.memory("VmHWM:") - before;
    assert!(sent > 500_000, "{sent} bytes are no flood");
    assert!(more < 16.0, "{more} MiB more");
    rig.scale.set(Line::Good);
    let worst = rig.finish();
    faults::report(
        "flood of 1 MB/s without a line end",
        "printable bytes as fast as they are taken, up to 1 MB/s",
        format!("{:.1} MB in {took:.0} s", sent as f64 / 1e6),
        "told that no weight comes; `status` answers; less than 16 MiB more memory; the batch ends complete, \
         no weight off by more than its U",
        format!("{more:.1} MiB more at the peak; largest error {worst:.2} U"),
    );
}

#[test]
fn a_flood_of_lines() {
    let mut rig = Rig::in_a_pour();
    let (before, sent) = (rig.memory("VmRSS:"), rig.scale.sent());
    rig.scale.set(Line::FloodOfLines);
    let began = Instant::now();
    // More readings than a window holds: it is never called at rest, and so nothing is recorded of it.
    rig.until(|rig| rig.last.as_ref().is_some_and(|c| c.kind == CueKind::Hold));
    rig.idle(3.0);
    let (sent, took) = (rig.scale.sent() - sent, began.elapsed().as_secs_f64());
    let more = rig.memory("VmHWM:") - before;
    assert!(sent > 500_000, "{sent} bytes are no flood");
    assert!(more < 16.0, "{more} MiB more");
    rig.scale.set(Line::Good);
    let worst = rig.finish();
    faults::report(
        "flood of 1 MB/s of whole lines",
        "each line 2,200 times, 25 times a second (1 MB/s), as fast as they are taken",
        format!("{:.1} MB in {took:.0} s", sent as f64 / 1e6),
        "the hand is guided by cues to `hold`; less than 16 MiB more memory; then the batch ends \
         complete, no weight off by more than its U",
        format!("{more:.1} MiB more at the peak; largest error {worst:.2} U"),
    );
}

/// Nothing can tell it from a hand that pours nothing; what is missing by the number stays missing.
#[test]
fn a_scale_stuck_on_one_line() {
    let mut rig = Rig::in_a_pour();
    rig.scale.set(Line::Stuck);
    rig.hand.pour_blindly(&rig.scale, 1.5);
    rig.idle(4.0);
    let lift = |rig: &Rig| rig.last.as_ref().is_some_and(|c| c.kind == CueKind::Lift);
    assert!(!lift(&rig), "nothing is recorded of it: {:?}", rig.said);
    let missing = rig.last.as_ref().map(|cue| cue.say.clone());
    rig.scale.set(Line::Good);
    let worst = rig.finish();
    faults::report(
        "scale stuck on one line",
        "the same line for 4 s while 1.5 g go in",
        "1 batch of 3 steps",
        "nothing is recorded, the cue goes on to say what is missing by the number (a stuck scale cannot be \
         told from a hand that waits); then the batch ends complete, no weight off by more than its U",
        format!(
            "said meanwhile: \"{}\"; largest error {worst:.2} U",
            missing.unwrap_or_default()
        ),
    );
}

#[test]
fn the_unit_key_in_a_pour() {
    let mut rig = Rig::in_a_pour();
    rig.scale.unit(true);
    let words = "The scale shows oz now. Weights are converted";
    rig.told(words);
    rig.idle(1.0);
    rig.scale.unit(false);
    rig.said.clear();
    rig.until(|rig| rig.said.iter().any(|say| say.contains("shows g now")));
    let worst = rig.finish();
    faults::report(
        "unit changed in a pour",
        "ounces in step 2, and grams again",
        "1 batch of 3 steps",
        HOLDS,
        format!("told: \"{words}\"; largest error {worst:.2} U"),
    );
}

#[test]
fn a_port_that_is_gone_costs_no_processor_time() {
    let mut rig = Rig::in_a_pour();
    rig.scale.set(Line::Unplugged);
    rig.told("The line to scale bench is gone");
    let (before, began) = (rig.cpu(), Instant::now());
    rig.idle(20.0);
    let (burnt, took) = (rig.cpu() - before, began.elapsed().as_secs_f64());
    let share = burnt / took * 100.0;
    assert!(share < 5.0, "{share:.2} % of a core for nothing");
    rig.scale.set(Line::Good);
    let worst = rig.finish();
    faults::report(
        "port gone for 20 s",
        "the pty is closed in a batch, a subscriber listens",
        "1 batch of 3 steps",
        "less than 5 % of a core (a loop that spins takes 100 %); the batch ends complete",
        format!("{share:.2} % of a core ({burnt:.2} s of {took:.0} s); largest error {worst:.2} U"),
    );
}
