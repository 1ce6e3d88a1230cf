//! A batch under way at the real daemon, with a hand that does what the cues say and the truth of what
//! is in each beaker.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use bismar::journal::read::record;
use bismar::protocol::client::Client;
use bismar::vocabulary::cue::Cue;
use bismar::vocabulary::cue::CueKind;
use bismar::weighing::event::Event;

use super::formulas::SOAK;
use super::logs::only_log;
use super::person::Person;
use super::scale::{Hand, Scale};
use super::{Daemon, LONGEST, config, happened};

/// What must hold of every batch.
pub const HOLDS: &str =
    "the cue says what to do, no weight is off by more than its U, the batch ends complete";

/// A batch under way on a line that can be made bad.
pub struct Rig {
    pub person: Person,
    pub daemon: Daemon,
    pub scale: Scale,
    pub hand: Hand,
    pub heard: Receiver<Event>,
    /// What each beaker holds, or held when it was lifted last.
    pub truth: BTreeMap<usize, f64>,
    /// Sentences since the line went bad.
    pub said: Vec<String>,
    pub last: Option<Cue>,
}

impl Rig {
    /// Weighs step 1, and half of step 2.
    pub fn in_a_pour() -> Rig {
        let mut rig = Rig::begun(SOAK, |_, text| text, |_| {});
        rig.pour_of_step_2();
        rig.said.clear();
        rig
    }

    /// Begins 100 g of `formula`. `configured` makes the configuration out of the usual one, `around`
    /// the daemon's surroundings.
    pub fn begun(
        formula: &str,
        configured: impl FnOnce(&Person, String) -> String,
        around: impl FnOnce(&mut Command),
    ) -> Rig {
        let person = Person::new();
        let scale = Scale::start(person.path("scale"));
        let text = configured(&person, config(&person.path("scale"), "0.01 g"));
        person.configures(&text);
        person.file("soak.toml", formula);
        let mut command = person.command(&["daemon"]);
        around(&mut command);
        let daemon = Daemon::spawn(command, &person);
        let rig = Rig {
            heard: subscribed(&person),
            person,
            daemon,
            scale,
            hand: Hand::new(),
            truth: BTreeMap::new(),
            said: Vec::new(),
            last: None,
        };
        rig.person.begins();
        rig
    }

    /// Goes on to the middle of step 2.
    pub fn pour_of_step_2(&mut self) {
        self.until(|rig| rig.hand.step == 2 && rig.hand.on_pan && rig.hand.holds >= 15.0);
        self.hand.rest();
    }

    /// One turn of the person: hears, acts.
    pub fn turn(&mut self) -> Option<Event> {
        let event = self.heard.recv_timeout(Duration::from_millis(15)).ok();
        if let Some(Event::Cue(cue)) = &event {
            self.said.push(cue.say.to_string());
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
    pub fn until(&mut self, mut done: impl FnMut(&Rig) -> bool) {
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
    pub fn told(&mut self, words: &str) {
        self.until(|rig| {
            let told = rig.said.iter().any(|say| say.contains(words));
            told || rig.last.is_none()
        });
        self.hand.rest();
    }

    pub fn idle(&mut self, seconds: f64) {
        let end = Instant::now() + Duration::from_secs_f64(seconds);
        while Instant::now() < end {
            self.turn();
            self.hand.rest();
        }
        // On a busy machine it may be recorded by then; who rested lifts it now.
        if let Some(cue) = self.last.as_ref().filter(|cue| cue.kind == CueKind::Lift) {
            self.hand.hear(cue);
        }
    }

    /// Goes on to the end, and holds each weight against what was in its beaker. Gives the largest
    /// error in units of U.
    #[track_caller]
    pub fn finish(&mut self) -> f64 {
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

    pub fn judge(&self, log: &Path) -> f64 {
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
    pub fn memory(&self, field: &str) -> f64 {
        super::memory(self.daemon.child.id(), field)
    }

    /// Processor time of the daemon so far, seconds: `utime` and `stime` of proc(5), whose unit is a
    /// hundredth of a second on every Linux of this kind.
    pub fn cpu(&self) -> f64 {
        let path = format!("/proc/{}/stat", self.daemon.child.id());
        let text = std::fs::read_to_string(path).unwrap();
        // The name may hold anything; the fields follow its closing bracket, the first is field 3.
        let fields: Vec<&str> = text.rsplit_once(") ").unwrap().1.split(' ').collect();
        let ticks = |field: usize| fields[field - 3].parse::<f64>().unwrap();
        (ticks(14) + ticks(15)) / 100.0
    }
}

/// Hears the cues; readings would be 2,000 a second in the flood.
pub fn subscribed(person: &Person) -> Receiver<Event> {
    let (told, heard) = channel();
    let client = Client::connect_to(&person.socket()).expect("a client");
    let lines = client.subscribe(false).expect("a subscription");
    std::thread::spawn(move || {
        for line in lines.map_while(Result::ok) {
            if let Some(event) = happened(&line)
                && told.send(event).is_err()
            {
                return;
            }
        }
    });
    heard
}

/// What is missing by the number that the person sees, grams; nothing while there is no number.
pub fn missing(person: &Person) -> Option<f64> {
    let mut client = Client::connect_to(&person.socket()).ok()?;
    let status = client.status().ok()?.status;
    status.scales.first()?.weight.as_ref()?;
    Some(status.missing?.mass.ng() as f64 / 1e9)
}
