//! Takings of the other benches of a workshop from lots, as far as this one has heard.
//!
//! A taking is what one log of one bench says was taken of one lot. It is named by the bench's id, the log and the lot,
//! and carries how many rows the log had. Logs only grow, so of two takings of one name that of more rows is the later
//! one; of as many rows the heavier one stands, so that nothing taken is forgotten. Putting two tellings together is so
//! the greatest of each: in whichever order they come, twice or late, every bench has the same once it has heard all, and
//! a network that was split needs nothing more when it is whole again. What a bench lost with its disk stays counted.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::Lot;
use super::uses_of;
use crate::journal::batch::summary::{Step, Summary};
use crate::journal::format::cell::Grams;
use crate::language::{Sentence, Slot, phrase};
use crate::mass::Mass;

/// Rows of a log, and what was taken of a lot by them, in nanograms. The order is that in which one replaces the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Taking(pub u64, pub i64);

/// By the bench's id and the log.
pub type Logs = BTreeMap<String, BTreeMap<String, Taking>>;

/// What one bench took of one lot in the batches of one month.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Share {
    pub of: Of,
    pub logs: Logs,
}

/// What a share is of.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Of {
    pub lot: String,
    pub ingredient: String,
    /// That in which the batches were opened, `2026-11`; empty where a log does not tell.
    pub month: String,
}

/// How a bench stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    Here,
    /// It said farewell.
    Ended,
    /// It broke off.
    Gone,
}

/// What is known of a bench, and since when.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Standing {
    pub state: State,
    /// When it was last heard of, in seconds since 1970 by the clock of who heard it; `None`: it never spoke.
    pub heard: Option<i64>,
}

/// The form of [`Elsewhere::to_text`].
const FORMAT: &str = "bismar shelf 1";

/// A line of [`Elsewhere::to_text`].
#[derive(Serialize, Deserialize)]
#[serde(untagged)]
enum Line {
    Head {
        format: String,
        id: String,
        folder: String,
    },
    Share {
        bench: String,
        share: Share,
    },
    Bench {
        bench: String,
        standing: Standing,
    },
}

/// See the module's text.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Elsewhere {
    /// By the bench's name.
    shares: BTreeMap<String, BTreeMap<Of, Logs>>,
    pub benches: BTreeMap<String, Standing>,
    /// Benches of which more may have been taken than is known, and the time up to which it is, in words.
    pub silent: BTreeMap<String, String>,
}

/// A lot of which more is written down than there was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Overdrawn {
    pub lot: String,
    pub ingredient: String,
    pub had: Mass,
    /// By bench.
    pub taken: BTreeMap<String, Mass>,
}

impl Elsewhere {
    /// Puts to what is known what is told of `bench`; whether that is anything new.
    pub fn hear(&mut self, bench: &str, share: &Share) -> bool {
        let of_bench = self.shares.entry(bench.to_owned()).or_default();
        let known = of_bench.entry(share.of.clone()).or_default();
        let mut new = false;
        for (id, logs) in &share.logs {
            let known = known.entry(id.clone()).or_default();
            for (log, taking) in logs {
                let known = known.entry(log.clone()).or_insert(Taking(0, 0));
                new |= *taking > *known;
                *known = (*known).max(*taking);
            }
        }
        new
    }

    /// What a log of `bench` says now that it has `rows` rows; whether that is anything new.
    pub fn took(&mut self, (bench, id): (&str, &str), rows: u64, batch: &Summary) -> bool {
        let log = &batch.batch;
        let month = batch
            .opened_at
            .map_or(String::new(), |at| at.strftime("%Y-%m").to_string());
        let mut now: BTreeMap<Of, i64> = BTreeMap::new();
        for used in uses_of(batch) {
            let (lot, ingredient, month) = (used.lot, used.ingredient, month.clone());
            let of = Of {
                lot,
                ingredient,
                month,
            };
            let net = now.entry(of).or_default();
            *net = net.saturating_add(used.net.ng());
        }
        // A weighing that was taken back, or whose lot is another one by now.
        let of_bench = self.shares.get(bench).into_iter().flatten();
        let known = |logs: &Logs| logs.get(id).and_then(|logs| logs.get(log)).copied();
        let before: Vec<(Of, i64)> = of_bench
            .filter_map(|(of, logs)| Some((of.clone(), known(logs)?.1)))
            .collect();
        for (of, _) in &before {
            now.entry(of.clone()).or_insert(0);
        }
        let before: BTreeMap<Of, i64> = before.into_iter().collect();
        let mut new = false;
        // What is the same as before needs no telling.
        for (of, net) in now
            .into_iter()
            .filter(|(of, net)| before.get(of) != Some(net))
        {
            let taking = BTreeMap::from([(log.clone(), Taking(rows, net))]);
            let logs = BTreeMap::from([(id.to_owned(), taking)]);
            new |= self.hear(bench, &Share { of, logs });
        }
        new
    }

    /// The shares of a bench.
    pub fn shares<'e>(&'e self, bench: &str) -> impl Iterator<Item = (&'e Of, &'e Logs)> {
        self.shares.get(bench).into_iter().flatten()
    }

    /// All shares, with their bench.
    pub fn all(&self) -> impl Iterator<Item = (&str, Share)> {
        self.shares.iter().flat_map(|(bench, shares)| {
            shares.iter().map(|(of, logs)| {
                let (of, logs) = (of.clone(), logs.clone());
                (bench.as_str(), Share { of, logs })
            })
        })
    }

    /// As a text, for the bench whose id is `id` and the logs in `folder`.
    pub fn to_text(&self, id: &str, folder: &str) -> String {
        let head = Line::Head {
            format: FORMAT.to_owned(),
            id: id.to_owned(),
            folder: folder.to_owned(),
        };
        let benches = self.benches.iter().map(|(bench, standing)| Line::Bench {
            bench: bench.clone(),
            standing: *standing,
        });
        let shares = self.all().map(|(bench, share)| Line::Share {
            bench: bench.to_owned(),
            share,
        });
        let lines = std::iter::once(head).chain(benches).chain(shares);
        let lines = lines.filter_map(|line| serde_json::to_string(&line).ok());
        lines.map(|line| line + "\n").collect()
    }

    /// What [`Elsewhere::to_text`] wrote, with the id and the folder; `None` where it is of no such form. A line that does
    /// not read counts for nothing: it is heard again.
    pub fn of_text(text: &str) -> Option<(Elsewhere, String, String)> {
        let mut lines = text.lines();
        let Ok(Line::Head { format, id, folder }) = serde_json::from_str(lines.next()?) else {
            return None;
        };
        let mut all = Elsewhere::default();
        for line in lines.filter_map(|line| serde_json::from_str(line).ok()) {
            match line {
                Line::Head { .. } => {}
                Line::Bench { bench, standing } => drop(all.benches.insert(bench, standing)),
                Line::Share { bench, share } => drop(all.hear(&bench, &share)),
            }
        }
        (format == FORMAT).then_some((all, id, folder))
    }

    /// Leaves out what a log says that `is_here`: that log tells it itself.
    pub fn without(&mut self, is_here: impl Fn(&str, &str) -> bool) {
        for logs in self.shares.values_mut().flat_map(BTreeMap::values_mut) {
            for (id, logs) in logs.iter_mut() {
                logs.retain(|log, _| !is_here(id, log));
            }
        }
    }

    /// As batches that took of lots, and of which nothing else is known.
    pub fn batches(&self) -> Vec<Summary> {
        let mut batches: BTreeMap<String, Summary> = BTreeMap::new();
        for (bench, share) in self.all() {
            for (log, taking) in share.logs.values().flatten().filter(|(_, one)| one.1 != 0) {
                // No batch of a bench has a name like that.
                let name = format!("{bench}: {log}");
                let batch = batches.entry(name.clone()).or_insert_with(|| Summary {
                    batch: name,
                    ..Summary::default()
                });
                batch.steps.push(Step {
                    number: batch.steps.len() + 1,
                    ingredient: share.of.ingredient.clone(),
                    lot: share.of.lot.clone(),
                    net: Grams::new(Mass::from_ng(taking.1), Mass::from_mg(10)),
                    ..Step::default()
                });
            }
        }
        batches.into_values().collect()
    }

    /// What each bench took of a lot, where it took any.
    pub fn taken_of(&self, lot: &Lot) -> BTreeMap<String, Mass> {
        let mut taken: BTreeMap<String, Mass> = BTreeMap::new();
        for (bench, shares) in &self.shares {
            let mine = shares.iter();
            for (_, logs) in mine.filter(|(of, _)| lot.is(&of.lot, &of.ingredient)) {
                let sum = logs.values().flat_map(BTreeMap::values);
                let sum: Mass = sum.map(|taking| Mass::from_ng(taking.1)).sum();
                *taken.entry(bench.clone()).or_insert(Mass::ZERO) += sum;
            }
        }
        taken.retain(|_, net| *net != Mass::ZERO);
        taken
    }

    /// What others took of a lot, in words; `None` where they took nothing.
    pub fn said_of(&self, lot: &Lot) -> Option<Sentence> {
        let taken = self.taken_of(lot).into_iter();
        let said = taken.map(|(bench, net)| {
            let net = net.grams(Mass::from_mg(10));
            match self.silent.get(&bench) {
                None => phrase!("{bench} took {net} g of it", bench, net),
                Some(at) => phrase!(
                    "{bench} took {net} g of it as known at {at}",
                    bench,
                    net,
                    at = Slot::day(at)
                ),
            }
        });
        said.reduce(|all, why| phrase!("{all}; {why}", all, why))
    }

    /// A sentence for each bench that took of `lots`, and may have taken more than is known.
    pub fn said_of_silence(&self, lots: &[Lot]) -> Vec<Sentence> {
        let took = |bench: &String| {
            lots.iter()
                .any(|lot| self.taken_of(lot).contains_key(bench))
        };
        let silent = self.silent.iter().filter(|(bench, _)| took(bench));
        silent
            .map(|(bench, at)| {
                phrase!(
                    "{bench} does not answer; what it took of the lots is counted as known at {at}",
                    bench,
                    at = Slot::day(at),
                )
            })
            .collect()
    }

    /// The lots of the list of which more than one bench took, and together more than there was.
    pub fn overdrawn(&self, lots: &[Lot]) -> Vec<Overdrawn> {
        let one = |lot: &Lot| {
            let (had, taken) = (lot.amount?, self.taken_of(lot));
            let sum: Mass = taken.values().copied().sum();
            (taken.len() > 1 && sum > had).then(|| Overdrawn {
                lot: lot.name.clone(),
                ingredient: lot.ingredient.clone(),
                had,
                taken,
            })
        };
        lots.iter().filter_map(one).collect()
    }
}

impl Overdrawn {
    /// What happened, and what is to be done.
    pub fn told(&self) -> Sentence {
        let grams = |mass: Mass| mass.grams(Mass::from_mg(10));
        let sum: Mass = self.taken.values().copied().sum();
        let who = self.taken.iter().map(|(bench, net)| {
            let net = grams(*net);
            phrase!("{bench} {net} g", bench, net)
        });
        let who = who.reduce(|all, why| phrase!("{all}; {why}", all, why));
        phrase!(
            "Lot {lot} of {ingredient} had {had} g, and the benches took {taken} g by their logs ({who}): look on the \
             packages which of them was another lot and note it, or correct what the list says was there.",
            lot = &self.lot,
            ingredient = &self.ingredient,
            had = grams(self.had),
            taken = grams(sum),
            who = who.unwrap_or_default(),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ID: &str = "0123456789abcdef0123456789abcdef";

    fn share(log: &str, rows: u64, net: i64) -> Share {
        let logs = BTreeMap::from([(log.to_owned(), Taking(rows, net))]);
        Share {
            of: Of {
                lot: "S-1".into(),
                ingredient: "Sea salt".into(),
                month: "2026-11".into(),
            },
            logs: BTreeMap::from([(ID.to_owned(), logs)]),
        }
    }

    fn lot(amount: i64) -> Lot {
        Lot {
            name: "S-1".into(),
            ingredient: "Sea salt".into(),
            amount: Some(Mass::from_g(amount)),
            ..Lot::default()
        }
    }

    /// A join semilattice (Shapiro and others, "Conflict-free Replicated Data Types", INRIA RR-7687, 2011, section 2.3, from
    /// memory): any order and any repetition of the same tellings ends in the same.
    #[test]
    fn tellings_in_any_order_and_number_come_to_the_same() {
        let mut random = fastrand::Rng::with_seed(17);
        for _ in 0..200 {
            let mut tellings: Vec<(&str, Share)> = (0..12)
                .map(|_| {
                    let bench = ["bench-1", "bench-2"][random.usize(0..2)];
                    let log = ["a", "b", "c"][random.usize(0..3)];
                    (bench, share(log, random.u64(1..5), random.i64(0..4)))
                })
                .collect();
            let heard = |tellings: &[(&str, Share)]| {
                let mut all = Elsewhere::default();
                for (bench, share) in tellings {
                    all.hear(bench, share);
                }
                all
            };
            let once = heard(&tellings);
            let again = tellings.clone();
            tellings.extend(again);
            random.shuffle(&mut tellings);
            assert_eq!(heard(&tellings), once);
            // Two that heard a part each, put together by what each of them tells.
            let (mut one, two) = (heard(&tellings[..9]), heard(&tellings[9..]));
            for (bench, share) in two.all() {
                one.hear(bench, &share);
            }
            assert_eq!(one, once);
        }
    }

    fn batch(log: &str, weighed: &[(&str, i64)]) -> Summary {
        let step = |(nth, (lot, g)): (usize, &(&str, i64))| Step {
            number: nth + 1,
            ingredient: "Sea salt".into(),
            lot: (*lot).into(),
            net: Grams::new(Mass::from_g(*g), Mass::from_mg(10)),
            ..Step::default()
        };
        Summary {
            batch: log.into(),
            steps: weighed.iter().enumerate().map(step).collect(),
            ..Summary::default()
        }
    }

    #[test]
    fn a_log_that_grows_replaces_what_it_said_and_one_that_was_set_back_does_not() {
        let mut all = Elsewhere::default();
        let me = ("bench-1", ID);
        let taken = |all: &Elsewhere| all.taken_of(&lot(100)).get("bench-1").copied();
        assert!(all.took(me, 3, &batch("a", &[("S-1", 20), ("S-1", 5)])));
        assert_eq!(taken(&all), Some(Mass::from_g(25)));
        assert!(!all.took(me, 4, &batch("a", &[("S-1", 20), ("S-1", 5)])));
        // The second one was of another lot after all.
        assert!(all.took(me, 5, &batch("a", &[("S-1", 20), ("S-2", 5)])));
        assert_eq!(taken(&all), Some(Mass::from_g(20)));
        // Out of an old backup.
        assert!(!all.took(me, 2, &batch("a", &[("S-1", 7)])));
        assert_eq!(taken(&all), Some(Mass::from_g(20)));
        let standing = Standing {
            state: State::Gone,
            heard: Some(1_795_874_580),
        };
        all.benches.insert("bench-2".into(), standing);
        let text = all.to_text(ID, "/logs");
        let read = Elsewhere::of_text(&format!("{text}garbage\n"));
        assert_eq!(read, Some((all.clone(), ID.into(), "/logs".into())));
        assert_eq!(Elsewhere::of_text("\0"), None);
        // What the log tells itself is not told twice.
        all.without(|id, log| (id, log) == (ID, "a"));
        assert_eq!(taken(&all), None);
        assert!(all.batches().is_empty());
    }

    #[test]
    fn more_than_there_was_is_told_with_each_bench() {
        let mut all = Elsewhere::default();
        all.took(("bench-1", ID), 3, &batch("a", &[("S-1", 60)]));
        all.took(("bench-2", ID), 3, &batch("b", &[("S-1", 41)]));
        assert!(all.overdrawn(&[lot(101)]).is_empty());
        let told = all.overdrawn(&[lot(100)]);
        let told = told[0].told().to_string();
        for part in [
            "S-1",
            "100.00 g",
            "101.00 g",
            "bench-1 60.00 g",
            "bench-2 41.00 g",
        ] {
            assert!(told.contains(part), "{told}");
        }
        // One that took too much alone is told of elsewhere.
        all.took(("bench-2", ID), 4, &batch("b", &[("S-3", 41)]));
        assert!(all.overdrawn(&[lot(50)]).is_empty());
        let said = all.said_of(&lot(100)).unwrap().to_string();
        assert_eq!(said, "bench-1 took 60.00 g of it");
        all.silent
            .insert("bench-1".into(), "2026-11-28 14:03".into());
        let said = all.said_of(&lot(100)).unwrap().to_string();
        assert!(said.ends_with("as known at 2026-11-28 14:03"), "{said}");
        use crate::language::Language;
        let german = all
            .said_of(&lot(100))
            .unwrap()
            .in_language(Language::German);
        assert!(german.contains("28.11.2026 14:03"), "{german}");
    }
}
