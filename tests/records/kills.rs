//! The real daemon is killed (SIGKILL) at random moments of batches that are weighed on ptys, and started
//! again. No weight that was called recorded is lost, none is doubled, none is wrong, every log's chain
//! holds, and the batch goes on to its end.
//!
//! `BISMAR_KILLS` sets how many kills (default 48; the full run is 1,000).

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use bismar::journal::read::folder::batches_in;
use bismar::journal::read::record;
use bismar::protocol::client;
use bismar::protocol::client::Client;
use bismar::protocol::request::Request;
use bismar::vocabulary::command::Choice;
use bismar::vocabulary::cue::{Cue, CueKind};
use bismar::weighing::event::Event;

use crate::bench_side::logs::{LOGS, rows};
use crate::bench_side::person::Person;
use crate::bench_side::{Daemon, Pan, VESSEL, config, events, faults};

const BENCHES: u64 = 8;
const FORMULA: &str = r#"
[formula]
name = "Kelp soak"
version = 1
[[phase]]
name = "Dry"
mix = "Stir"
[[phase.ingredient]]
name = "Sea salt"
balance = true
tolerance = { percent = 2.0 }
[[phase.ingredient]]
name = "Epsom salt"
percent = 30
tolerance = { percent = 2.0 }
[[phase]]
name = "Powder"
[[phase.ingredient]]
name = "Kelp powder"
percent = 12
tolerance = { percent = 3.0 }
"#;

/// A beaker in the hand's keeping.
#[derive(Debug, Clone, Copy)]
struct Beaker {
    step: usize,
    holds: f64,
}

/// A person who does what the cues say, and forgets nothing.
struct Hand {
    pan: Pan,
    beaker: Option<Beaker>,
    /// What to do, and from when on.
    next: Option<(Instant, Deed)>,
    /// The last beaker that was put down for each step of this batch.
    last: BTreeMap<usize, f64>,
    rng: fastrand::Rng,
}

#[derive(Debug, Clone, Copy)]
enum Deed {
    Place(usize),
    PourTo(f64),
    Lift,
    Next,
}

impl Hand {
    fn hear(&mut self, cue: &Cue) {
        let soon = |ms| Instant::now() + Duration::from_millis(ms);
        let missing = cue.missing.map_or(0.0, |m| m.to_g_f64());
        let holds = self.beaker.map_or(0.0, |beaker| beaker.holds);
        self.next = match cue.kind {
            CueKind::Place if self.beaker.is_some() => Some((soon(150), Deed::Lift)),
            CueKind::Place => Some((soon(500), Deed::Place(cue.step))),
            CueKind::Add | CueKind::TakeOut if self.beaker.is_some() => {
                // Not to the milligram: nobody pours so.
                let off = (self.rng.f64() - 0.5) * 0.1;
                Some((soon(100), Deed::PourTo(holds + missing + off)))
            }
            CueKind::Lift => Some((soon(150), Deed::Lift)),
            // After a restart it is asked whether the beaker is empty; the hand says so where it is.
            CueKind::Choose
                if cue.choices.contains(&Choice::Next)
                    && self.beaker.is_some_and(|beaker| beaker.holds == 0.0) =>
            {
                Some((soon(150), Deed::Next))
            }
            CueKind::Choose => Some((soon(150), Deed::Lift)),
            CueKind::Mix => Some((soon(200), Deed::Next)),
            // What was begun goes on.
            CueKind::EaseOff | CueKind::Hold => return,
            CueKind::Add | CueKind::TakeOut | CueKind::Fault | CueKind::Done => return,
        };
    }

    fn act(&mut self, person: &Person) {
        let Some((at, deed)) = self.next else { return };
        if Instant::now() < at {
            return;
        }
        self.next = None;
        match deed {
            Deed::Place(step) => {
                self.beaker = Some(Beaker { step, holds: 0.0 });
                self.last.insert(step, 0.0);
            }
            Deed::PourTo(goal) => {
                let Some(beaker) = &mut self.beaker else {
                    return;
                };
                let most = (goal - beaker.holds).clamp(-3.0, 3.0);
                beaker.holds = ((beaker.holds + most) * 100.0).round() / 100.0;
                if (goal - beaker.holds).abs() > 0.005 {
                    self.next = Some((at, deed));
                }
                self.last.insert(beaker.step, beaker.holds);
            }
            Deed::Lift => self.beaker = None,
            Deed::Next => {
                if let Ok(mut client) = Client::connect_to(&person.socket()) {
                    let _ = client.say(&Request::Next);
                }
            }
        }
        let shown = self.beaker.map_or(0.0, |beaker| VESSEL + beaker.holds);
        self.pan.put(shown);
    }
}

#[derive(Debug, Default)]
struct Tally {
    kills: u32,
    batches: usize,
    weights: usize,
    worst: f64,
}

/// What the daemon said before it was killed.
type Promised = BTreeSet<(usize, u64, String)>;

fn subscribed(person: &Person) -> Receiver<Event> {
    let (told, heard) = channel();
    let stream = events(person);
    std::thread::spawn(move || {
        for event in stream {
            let reading = matches!(event, Event::Reading(_));
            if !reading && told.send(event).is_err() {
                return;
            }
        }
    });
    heard
}

/// The running batch, by the daemon's word.
fn running(person: &Person) -> Option<String> {
    let mut client = Client::connect_to(&person.socket()).ok()?;
    client.status().ok()?.batch
}

fn begin(person: &Person) {
    let request =
        client::begin(&person.path("soak.toml"), Some("100g".into()), None, None).unwrap();
    let end = Instant::now() + Duration::from_secs(30);
    loop {
        let said = Client::connect_to(&person.socket()).and_then(|mut c| c.say(&request));
        match said {
            Ok(_) => return,
            Err(error) => assert!(Instant::now() < end, "{error}"),
        }
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// The log of a batch that is closed against what its beakers held and what was promised.
fn judge(tally: &mut Tally, log: &Path, last: &BTreeMap<usize, f64>, promised: &Promised) {
    let record = record::read(log).unwrap();
    assert!(record.is_proved(), "{:?}", record.fault);
    let closed = record.closed.as_ref().map(|row| row.note.clone());
    assert_eq!(closed.as_deref(), Some("complete"), "{}", log.display());
    assert_eq!(record.steps.len(), 3, "{}", log.display());
    let rows = rows(log);
    let first = |row: &&BTreeMap<String, String>| {
        row["kind"] == "weighed" && !row["note"].starts_with("corrects")
    };
    for (&step, weighed) in &record.steps {
        let number = step.to_string();
        let firsts = rows
            .iter()
            .filter(first)
            .filter(|row| row["step"] == number);
        assert_eq!(firsts.count(), 1, "step {step} of {}", log.display());
        let net = weighed.net.unwrap().mass().to_g_f64();
        let stated = weighed.uncertainty.unwrap().mass().to_g_f64();
        let off = (net - last[&step]).abs();
        assert!(
            off <= stated,
            "step {step}: {net} recorded, {} in the beaker, U {stated}; {}",
            last[&step],
            log.display()
        );
        tally.worst = tally.worst.max(off / stated);
        tally.weights += 1;
    }
    for (step, seq, net) in promised {
        let row = rows.iter().find(|row| row["seq"] == seq.to_string());
        let row =
            row.unwrap_or_else(|| panic!("row {seq} of step {step} was promised and is lost"));
        assert_eq!((&row["net_g"], &row["step"]), (net, &step.to_string()));
    }
    tally.batches += 1;
}

fn bench(seed: u64, kills: u32) -> Tally {
    let person = Person::new();
    let text = config(&person.path("scale"), "0.01 g")
        .replace("steady_window = 0.4", "steady_window = 0.3");
    person.configures(&text);
    person.file("soak.toml", FORMULA);
    let logs = person.path(LOGS);
    let mut hand = Hand {
        pan: Pan::start(person.path("scale")),
        beaker: None,
        next: None,
        last: BTreeMap::new(),
        rng: fastrand::Rng::with_seed(seed),
    };
    let mut tally = Tally::default();
    let mut judged: BTreeSet<PathBuf> = BTreeSet::new();
    let mut rng = fastrand::Rng::with_seed(seed + 100);
    let mut daemon = Daemon::start(&person);
    let mut heard = subscribed(&person);
    while tally.kills < kills {
        hand.last.clear();
        let mut promised = Promised::new();
        begin(&person);
        let mut batch = running(&person);
        let longest = Instant::now() + Duration::from_secs(120);
        let mut kill_at = Instant::now() + Duration::from_millis(rng.u64(20..2_000));
        let mut closed = false;
        while !closed {
            assert!(
                Instant::now() < longest,
                "no end: {:?} {}",
                hand.next,
                daemon.log()
            );
            if Instant::now() >= kill_at {
                daemon.kill();
                tally.kills += 1;
                std::thread::sleep(Duration::from_millis(rng.u64(0..120)));
                daemon = Daemon::start(&person);
                heard = subscribed(&person);
                kill_at = Instant::now() + Duration::from_millis(rng.u64(20..2_500));
                let goes_on = running(&person);
                if goes_on.is_none() {
                    // It was closed as the kill came, or had not even begun.
                    closed = true;
                }
                batch = batch.or(goes_on);
            }
            match heard.recv_timeout(Duration::from_millis(15)) {
                Ok(Event::Cue(cue)) => hand.hear(&cue),
                Ok(Event::Recorded {
                    step,
                    net,
                    seq,
                    readability,
                    ..
                }) => {
                    promised.insert((step, seq, net.grams(readability).to_string()));
                }
                Ok(Event::Closed { .. }) => closed = true,
                Ok(_) | Err(_) => {}
            }
            hand.act(&person);
        }
        // The last row may be on its way.
        let Some(name) = batch else { continue };
        let log = logs.join(format!("{name}.csv"));
        let end = Instant::now() + Duration::from_secs(20);
        while record::read(&log).is_ok_and(|record| record.closed.is_none()) {
            assert!(Instant::now() < end, "{}", daemon.log());
            std::thread::sleep(Duration::from_millis(20));
        }
        judge(&mut tally, &log, &hand.last, &promised);
        judged.insert(log);
    }
    // Nothing else was made than batches that were judged and logs that never had a formula.
    for log in batches_in(&logs).unwrap() {
        if !judged.contains(&log) {
            let record = record::read(&log).unwrap();
            assert!(
                record.steps.is_empty() && record.opening.is_none(),
                "{}",
                log.display()
            );
        }
    }
    tally
}

#[test]
fn no_weight_is_lost_doubled_or_wrong_over_kills_at_random_moments() {
    let kills = std::env::var("BISMAR_KILLS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(48u32);
    let each = kills.div_ceil(BENCHES as u32);
    let benches: Vec<_> = (0..BENCHES)
        .map(|seed| std::thread::spawn(move || bench(seed, each)))
        .collect();
    let mut all = Tally::default();
    for bench in benches {
        let tally = bench.join().expect("a bench without a fault");
        all.kills += tally.kills;
        all.batches += tally.batches;
        all.weights += tally.weights;
        all.worst = all.worst.max(tally.worst);
    }
    println!("{all:?}");
    assert!(all.kills >= kills && all.batches >= 8);
    faults::report(
        "killed at random moments",
        "SIGKILL to the real daemon while 8 batches at a time are weighed on ptys; started again",
        format!("{} kills", all.kills),
        "no weight that was called recorded is lost or doubled, none is off by more than its U, every chain \
         holds, every batch ends complete",
        format!(
            "{} batches, {} weights; largest error {:.2} U",
            all.batches, all.weights, all.worst
        ),
    );
}
