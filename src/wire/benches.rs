//! The benches of a workshop as far as each is known, for who looks at all of them at a glance.
//!
//! A bench's word counts under its seal alone, and once: an old one that somebody sends again, of this connection or of
//! one before, is none. Times are the gatherer's; a bench with a wrong clock tells for how long, and not since when.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use super::message::{Kind, Message, Now, Presence, Told};
use super::seal::Key;
use crate::language::{Language, Sentence};
use crate::lots::elsewhere::State;
use crate::protocol::reply::Standing;
use crate::text::harmless;
use crate::vocabulary::code;
use crate::vocabulary::status::Status;
use crate::vocabulary::weight::Weight;

/// A bench that says nothing for so long is silent: it speaks each 20 s at least (`out`).
const SILENT: Duration = Duration::from_secs(50);

/// Connections that are over and are still known as such.
const PAST: usize = 32;

/// A bench counts in whole seconds, and its words take a while.
const SAME: i64 = 3;

/// In seconds; nobody waits so long.
const LONGEST_WAIT: i64 = 30 * 86_400;

/// What was refused last is shown for so long, in seconds.
const REFUSED: i64 = 86_400;

/// The longest sentence, and the longest name, that is shown, in characters.
const LONGEST: usize = 240;
const LONGEST_NAME: usize = 80;

/// A moment by both clocks of who looks.
#[derive(Debug, Clone, Copy)]
pub struct Moment {
    pub run: Instant,
    pub wall: Timestamp,
}

impl Moment {
    pub fn now() -> Moment {
        Moment {
            run: Instant::now(),
            wall: Timestamp::now(),
        }
    }
}

/// See the module's text.
#[derive(Debug, Clone)]
pub struct Benches {
    /// Since when the broker is reached, or not; `None`: it was never tried.
    broker: Option<(bool, Moment)>,
    fault: Option<String>,
    all: Vec<Bench>,
    language: Language,
}

#[derive(Debug, Clone, Default)]
struct Bench {
    name: String,
    state: Option<State>,
    /// Since when it is not there.
    left: Option<Timestamp>,
    /// The connection that speaks, and what it said last.
    connection: String,
    count: u64,
    past: VecDeque<String>,
    heard: Option<Moment>,
    /// Since when its daemon's loop does not answer.
    hangs: Option<Timestamp>,
    standing: Option<Box<Standing>>,
    told: Option<Told>,
    waits: Option<Timestamp>,
    refused: Option<Refused>,
    behind: usize,
    finished: Option<Finished>,
}

/// What was not taken in of a bench, as the gatherer's record has it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Refused {
    pub at: Timestamped,
    pub log: String,
    pub row: u64,
    pub why: String,
}

/// The batch of a bench that ended last.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finished {
    pub batch: String,
    pub formula: String,
    pub at: Option<Timestamped>,
    /// Whether every step of it was weighed.
    pub complete: bool,
}

/// A moment as text (RFC 3339).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Timestamped(pub Timestamp);

impl Serialize for Timestamped {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(&format_args!("{:.0}", self.0))
    }
}

/// How a bench stands, in the order in which it is to be looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stands {
    Waits,
    Silent,
    Works,
    Idle,
    /// Its daemon said farewell.
    Off,
}

/// All benches, in the order in which they are to be looked at.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Overview {
    /// Since when the broker is not reached.
    pub unreached: Option<Timestamped>,
    /// Why rows cannot be written.
    pub fault: Option<String>,
    pub benches: Vec<Card>,
}

/// One of them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Card {
    pub name: String,
    pub stands: Stands,
    /// Since when it waits, is silent or is off.
    pub since: Option<Timestamped>,
    /// It is there, and its daemon's loop does not answer.
    pub hangs: bool,
    pub formula: Option<String>,
    pub batch: Option<String>,
    pub step: Option<usize>,
    pub of: Option<usize>,
    /// Whether the step is the next one, and is not going on.
    pub next: bool,
    pub ingredient: Option<String>,
    /// What is in it of this step, and what is asked for.
    pub holds: Option<String>,
    pub asks: Option<String>,
    pub missing: Option<String>,
    pub told: Option<Told>,
    /// What a person should know of it, one line each.
    pub trouble: Option<String>,
    pub refused: Option<Refused>,
    /// Logs of which rows are to come still.
    pub behind: usize,
    pub finished: Option<Finished>,
}

impl Benches {
    pub fn new(names: &[String]) -> Benches {
        let bench = |name: &String| Bench {
            name: name.clone(),
            ..Bench::default()
        };
        Benches {
            broker: None,
            fault: None,
            all: names.iter().map(bench).collect(),
            language: Language::English,
        }
    }

    /// Who looks reads that language.
    #[must_use]
    pub fn read_in(self, language: Language) -> Benches {
        Benches { language, ..self }
    }

    fn bench(&mut self, name: &str) -> Option<&mut Bench> {
        self.all.iter_mut().find(|bench| bench.name == name)
    }

    /// The broker is reached, or not.
    pub fn reaches(&mut self, reached: bool, at: Moment) {
        if self.broker.is_none_or(|(before, _)| before != reached) {
            self.broker = Some((reached, at));
        }
    }

    /// Why the gatherer cannot write rows.
    pub fn fails(&mut self, why: Option<&Sentence>) {
        self.fault = why.map(|why| short(&why.in_language(self.language)));
    }

    /// Hears a message; what has no seal of the workshop's key for its very place is nobody's. Whether it was one.
    pub fn hear(&mut self, workshop: &str, key: &Key, message: &Message<'_>, now: Moment) -> bool {
        let heard = match message.place(workshop) {
            Some((bench, kind @ Kind::Status)) => message
                .unsealed::<Presence>(kind, workshop, bench, key)
                .map(|said| self.stands(bench, &said, now)),
            Some((bench, kind @ Kind::Now)) => message
                .unsealed(kind, workshop, bench, key)
                .map(|said| self.weighs(bench, said, message.retained, now)),
            Some((
                _,
                Kind::Row | Kind::Cue | Kind::Ask | Kind::Heads | Kind::Refused | Kind::Taken,
            ))
            | None => return false,
        };
        if heard.is_none() {
            tracing::debug!("somebody spoke for a bench who has not the workshop's key");
        }
        heard.is_some()
    }

    /// What a bench says of itself, under its seal.
    pub fn stands(&mut self, name: &str, said: &Presence, at: Moment) {
        let Some(bench) = self.bench(name) else {
            return;
        };
        if !bench.follows(&said.connection) {
            return;
        }
        let before = bench.state.replace(said.state);
        match said.state {
            State::Here => {
                bench.left = None;
                // What the broker kept may be of any age; how old it is the bench's own clock says.
                let then = moment_of(said.at.as_deref(), at);
                bench.hear(then);
            }
            State::Gone | State::Ended => {
                // Of what went while nobody listened it is not known when.
                let was_here = before == Some(State::Here);
                if before != Some(said.state) {
                    bench.left = was_here.then_some(at.wall);
                }
            }
        }
    }

    /// What a bench weighs, under its seal; `kept` where the broker had it already.
    pub fn weighs(&mut self, name: &str, said: Now<Box<Standing>>, kept: bool, at: Moment) {
        let Some(bench) = self.bench(name) else {
            return;
        };
        if !bench.follows(&said.connection) || said.count <= bench.count {
            return;
        }
        bench.count = said.count;
        let then = match kept {
            true => moment_of(Some(&said.at), at),
            false => at,
        };
        if bench.state.is_none() {
            bench.state = Some(State::Here);
        }
        bench.hear(then);
        bench.waits = said.waits.map(|seconds| {
            let seconds = i64::try_from(seconds).map_or(LONGEST_WAIT, |all| all.min(LONGEST_WAIT));
            let since = then.wall - SignedDuration::from_secs(seconds);
            let same = |before: &Timestamp| (before.as_second() - since.as_second()).abs() <= SAME;
            bench.waits.filter(same).unwrap_or(since)
        });
        // Where the loop does not answer, what was known last is told.
        match said.bench {
            Some(standing) => {
                (bench.standing, bench.told) = (Some(standing), said.cue.map(shortened));
                bench.hangs = None;
            }
            None => bench.hangs = bench.hangs.or(Some(then.wall)),
        }
    }

    pub fn refuses(&mut self, name: &str, log: &str, row: u64, why: &Sentence, at: Moment) {
        let why = short(&why.in_language(self.language));
        if let Some(bench) = self.bench(name) {
            bench.refused = Some(Refused {
                at: Timestamped(at.wall),
                log: short(log),
                row,
                why,
            });
        }
    }

    /// So many logs lack rows; whether that is new.
    pub fn lacks(&mut self, name: &str, logs: usize) -> bool {
        match self.bench(name) {
            Some(bench) if bench.behind != logs => {
                bench.behind = logs;
                true
            }
            Some(_) | None => false,
        }
    }

    pub fn finishes(&mut self, name: &str, batch: Finished) {
        if let Some(bench) = self.bench(name)
            && bench
                .finished
                .as_ref()
                .is_none_or(|before| before.at <= batch.at)
        {
            bench.finished = Some(batch);
        }
    }

    pub fn overview(&self, now: Moment) -> Overview {
        let unreached = match self.broker {
            Some((true, _)) => None,
            Some((false, since)) => Some(since),
            None => Some(now),
        };
        // While nobody is heard, nobody is silent.
        let until = unreached.unwrap_or(now);
        let mut benches: Vec<Card> = self.all.iter().map(|one| one.card(until)).collect();
        // Who waits longest comes first.
        benches.sort_by_key(|card| {
            (
                card.stands,
                card.since.filter(|_| card.stands == Stands::Waits),
            )
        });
        Overview {
            unreached: unreached.map(|since| Timestamped(since.wall)),
            fault: self.fault.clone(),
            benches,
        }
    }
}

impl Bench {
    /// Whether this connection is the one that speaks, or a new one that speaks from now on.
    fn follows(&mut self, connection: &str) -> bool {
        if self.connection == connection {
            return true;
        }
        if self.past.iter().any(|past| past == connection) {
            return false;
        }
        if self.past.len() >= PAST {
            self.past.pop_front();
        }
        let before = std::mem::replace(&mut self.connection, connection.to_owned());
        self.past.push_back(before);
        (self.count, self.state) = (0, None);
        true
    }

    fn hear(&mut self, then: Moment) {
        if self.heard.is_none_or(|before| before.run < then.run) {
            self.heard = Some(then);
        }
    }

    fn stands(&self, now: Moment) -> (Stands, Option<Timestamp>) {
        let heard = self.heard.map(|heard| heard.wall);
        let late = self
            .heard
            .is_none_or(|heard| now.run.saturating_duration_since(heard.run) >= SILENT);
        let in_batch = self.status().is_some_and(|status| status.formula.is_some());
        match self.state {
            Some(State::Ended) => (Stands::Off, self.left.or(heard)),
            Some(State::Gone) => (Stands::Silent, self.left.or(heard)),
            Some(State::Here) | None if late => (Stands::Silent, heard),
            Some(State::Here) | None => match (self.hangs, self.waits) {
                (Some(since), _) => (Stands::Silent, Some(since)),
                (None, Some(since)) if in_batch => (Stands::Waits, Some(since)),
                (None, _) if in_batch => (Stands::Works, None),
                (None, _) => (Stands::Idle, None),
            },
        }
    }

    fn status(&self) -> Option<&Status> {
        self.standing.as_ref().map(|standing| &standing.status)
    }

    fn card(&self, now: Moment) -> Card {
        let (stands, since) = self.stands(now);
        let standing = self.standing.as_deref();
        let status = self.status().filter(|status| status.formula.is_some());
        let text = |text: &Option<String>| text.as_deref().map(|name| cut(name, LONGEST_NAME));
        let code = status.and_then(|status| status.state);
        let next = code.is_some_and(code::Stands::is_between);
        let asks = status.and_then(|status| status.target);
        let missing = status.and_then(|status| status.missing).filter(|_| !next);
        let poured = |missing: Weight| {
            Weight::new(asks.unwrap_or(missing).mass - missing.mass, missing.step)
        };
        let net = status.and_then(|status| status.net).filter(|_| !next);
        let holds = net.or_else(|| asks.and(missing).map(poured));
        let recent = |refused: &&Refused| now.wall.as_second() - refused.at.0.as_second() < REFUSED;
        Card {
            name: self.name.clone(),
            stands,
            since: since.map(Timestamped),
            hangs: self.hangs.is_some() && stands == Stands::Silent,
            formula: status.and_then(|status| text(&status.formula)),
            batch: status
                .and(standing)
                .and_then(|standing| text(&standing.batch)),
            step: status.and_then(|status| status.step),
            of: status.and_then(|status| status.of),
            next,
            ingredient: status.and_then(|status| text(&status.ingredient)),
            holds: holds.map(|weight| weight.to_string()),
            asks: asks.map(|weight| weight.to_string()),
            missing: missing.map(|weight| weight.to_string()),
            told: self.told.clone().filter(|_| status.is_some()),
            trouble: standing.and_then(|standing| standing.trouble.as_deref().map(short)),
            refused: self.refused.as_ref().filter(recent).cloned(),
            behind: self.behind,
            finished: self.finished.clone(),
        }
    }
}

/// The moment that a bench's clock tells, by the clocks of who looks; never later than now.
fn moment_of(at: Option<&str>, now: Moment) -> Moment {
    let told = at.and_then(|at| at.parse::<Timestamp>().ok());
    let Some(wall) = told.filter(|told| *told < now.wall) else {
        return now;
    };
    let age = now.wall.duration_since(wall).unsigned_abs();
    let before = |age| now.run.checked_sub(age);
    let run = before(age).or_else(|| before(SILENT)).unwrap_or(now.run);
    Moment { run, wall }
}

/// A text that is no longer than a glance, and turns and hides nothing of what stands beside it.
fn short(text: &str) -> String {
    cut(text, LONGEST)
}

fn cut(text: &str, longest: usize) -> String {
    let text = harmless(text);
    match text.char_indices().nth(longest) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.into_owned(),
    }
}

fn shortened(told: Told) -> Told {
    Told {
        say: short(&told.say),
        ..told
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: u64) -> Moment {
        static BEGUN: std::sync::LazyLock<Instant> = std::sync::LazyLock::new(Instant::now);
        Moment {
            run: *BEGUN + Duration::from_secs(1000 + seconds),
            wall: "2026-11-28T10:00:00Z".parse::<Timestamp>().unwrap()
                + Duration::from_secs(seconds),
        }
    }

    fn benches() -> Benches {
        let mut all = Benches::new(&["one".into(), "two".into(), "three".into()]);
        all.reaches(true, at(0));
        all
    }

    fn weighs(
        connection: &str,
        count: u64,
        waits: Option<u64>,
        formula: Option<&str>,
    ) -> Now<Box<Standing>> {
        let status = serde_json::json!({
            "formula": formula, "step": 2, "of": 3, "ingredient": "Sea salt", "target": "60.00", "missing": "18.80"
        });
        let standing = serde_json::json!({
            "status": status, "batch": formula.map(|_| "soak-1"), "lines": [], "cues": [], "trouble": null
        });
        Now {
            connection: connection.into(),
            count,
            at: "2026-11-28T10:00:00Z".into(),
            bench: Some(serde_json::from_value(standing).unwrap()),
            cue: None,
            waits,
        }
    }

    fn order(all: &Benches, now: Moment) -> Vec<(String, Stands)> {
        let cards = all.overview(now).benches.into_iter();
        cards.map(|card| (card.name, card.stands)).collect()
    }

    fn stood(all: &Benches, name: &str, now: Moment) -> Stands {
        let found = order(all, now).into_iter().find(|(one, _)| one == name);
        found.unwrap().1
    }

    #[test]
    fn who_waits_comes_first_then_who_is_silent_then_who_works_then_the_idle() {
        let mut all = benches();
        all.weighs("one", weighs("a", 1, None, None), false, at(1));
        all.weighs(
            "two",
            weighs("b", 1, None, Some("Marram soak")),
            false,
            at(1),
        );
        let named = |names: [(&str, Stands); 3]| {
            names
                .map(|(name, stands)| (name.to_owned(), stands))
                .to_vec()
        };
        let first = [
            ("three", Stands::Silent),
            ("two", Stands::Works),
            ("one", Stands::Idle),
        ];
        assert_eq!(order(&all, at(2)), named(first));
        all.weighs(
            "one",
            weighs("a", 2, Some(5), Some("Marram soak")),
            false,
            at(10),
        );
        let then = [
            ("one", Stands::Waits),
            ("three", Stands::Silent),
            ("two", Stands::Works),
        ];
        assert_eq!(order(&all, at(11)), named(then));
        // Who waits longer comes before.
        all.weighs(
            "two",
            weighs("b", 2, Some(9), Some("Marram soak")),
            false,
            at(11),
        );
        assert_eq!(order(&all, at(12))[0].0, "two");
        let card = &all.overview(at(12)).benches[0];
        assert_eq!(card.holds.as_deref(), Some("41.20"));
        assert_eq!(
            (card.asks.as_deref(), card.step, card.of),
            (Some("60.00"), Some(2), Some(3))
        );
        assert_eq!(card.since, Some(Timestamped(at(2).wall)));
    }

    #[test]
    fn a_bench_is_silent_by_its_will_or_by_saying_nothing_and_off_by_its_farewell() {
        let mut all = benches();
        all.weighs("one", weighs("a", 1, None, None), false, at(1));
        assert_eq!(stood(&all, "one", at(50)), Stands::Idle);
        assert_eq!(stood(&all, "one", at(52)), Stands::Silent);
        all.weighs("one", weighs("a", 2, None, None), false, at(60));
        assert_eq!(stood(&all, "one", at(61)), Stands::Idle);
        all.stands("one", &Presence::new(State::Gone, "a"), at(62));
        assert_eq!(stood(&all, "one", at(62)), Stands::Silent);
        // What the broker kept of the same connection wakes nobody.
        all.weighs("one", weighs("a", 3, None, None), true, at(63));
        assert_eq!(stood(&all, "one", at(63)), Stands::Silent);
        all.stands("one", &Presence::new(State::Here, "b"), at(64));
        assert_eq!(stood(&all, "one", at(64)), Stands::Idle);
        all.stands("one", &Presence::new(State::Ended, "b"), at(65));
        assert_eq!(stood(&all, "one", at(65)), Stands::Off);
    }

    #[test]
    fn an_old_word_that_is_sent_again_is_none() {
        let mut all = benches();
        all.weighs(
            "one",
            weighs("a", 1, Some(3), Some("Marram soak")),
            false,
            at(1),
        );
        all.weighs("one", weighs("a", 2, None, None), false, at(2));
        all.weighs(
            "one",
            weighs("a", 1, Some(3), Some("Marram soak")),
            false,
            at(3),
        );
        assert_eq!(stood(&all, "one", at(3)), Stands::Idle);
        all.stands("one", &Presence::new(State::Here, "b"), at(4));
        all.weighs("one", weighs("b", 1, None, None), false, at(4));
        all.stands("one", &Presence::new(State::Gone, "a"), at(5));
        all.weighs(
            "one",
            weighs("a", 9, Some(3), Some("Marram soak")),
            false,
            at(5),
        );
        assert_eq!(stood(&all, "one", at(5)), Stands::Idle);
        all.weighs("nobody", weighs("a", 9, None, None), false, at(5));
        assert_eq!(all.overview(at(5)).benches.len(), 3);
    }

    #[test]
    fn while_the_broker_is_not_reached_nobody_is_called_silent() {
        let mut all = benches();
        all.weighs("one", weighs("a", 1, None, None), false, at(1));
        all.reaches(false, at(5));
        all.reaches(false, at(90));
        let seen = all.overview(at(100));
        assert_eq!(seen.unreached, Some(Timestamped(at(5).wall)));
        assert_eq!(stood(&all, "one", at(100)), Stands::Idle);
        all.reaches(true, at(101));
        assert_eq!(stood(&all, "one", at(101)), Stands::Silent);
    }

    #[test]
    fn a_loop_that_hangs_and_a_clock_that_is_wrong_are_told_as_they_are() {
        let mut all = benches();
        all.weighs(
            "one",
            weighs("a", 1, None, Some("Marram soak")),
            false,
            at(1),
        );
        let hangs = Now {
            bench: None,
            ..weighs("a", 2, None, None)
        };
        all.weighs("one", hangs, false, at(7));
        let card = all
            .overview(at(8))
            .benches
            .into_iter()
            .find(|card| card.name == "one")
            .unwrap();
        assert_eq!((card.stands, card.hangs), (Stands::Silent, true));
        assert_eq!(card.formula.as_deref(), Some("Marram soak"));
        // Kept by the broker since an hour; and by a clock that is ahead.
        let kept = |at: &str| Now {
            at: at.into(),
            ..weighs("b", 1, None, None)
        };
        all.weighs("two", kept("2026-11-28T09:00:00Z"), true, at(9));
        all.weighs("three", kept("2031-01-01T00:00:00Z"), true, at(9));
        assert_eq!(stood(&all, "two", at(9)), Stands::Silent);
        assert_eq!(stood(&all, "three", at(9)), Stands::Idle);
    }

    #[test]
    fn what_was_refused_is_shown_for_a_day_and_a_long_text_is_cut() {
        let mut all = benches();
        all.refuses("one", "soak-1", 3, &"x".repeat(1000).into(), at(0));
        let refused = |now| {
            all.overview(now)
                .benches
                .into_iter()
                .find_map(|card| card.refused)
        };
        assert_eq!(refused(at(100)).unwrap().why.chars().count(), LONGEST + 1);
        assert_eq!(refused(at(REFUSED as u64)), None);
    }
}
