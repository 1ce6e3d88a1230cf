//! One shelf: this bench tells the others what it took of each lot, and hears what they took.
//!
//! Each bench has a retained message for each of its shares (see [`crate::lots::elsewhere`]), under
//! `taken/<hash of lot, ingredient and month>`; so one who comes, or comes back, hears all that holds from the broker
//! alone. A bench hears its own as well: what its disk has lost stays in what it tells. What was heard is kept in a file,
//! which is a cache: deleted, it comes back. Nothing here is asked while something is weighed.

use std::collections::{BTreeMap, BTreeSet, HashMap, VecDeque};
use std::path::{Path, PathBuf};

use jiff::{SignedDuration, Timestamp};
use sha2::{Digest as _, Sha256};

use super::message::{GATHERER, Kind, LONGEST_TEXT, Message, Presence, is_id, is_log, topic};
use super::seal::Key;
use crate::config::paths::Places;
use crate::files;
use crate::journal::read::archive::{Archive, Progress};
use crate::journal::read::record;
use crate::language::{Sentence, phrase};
use crate::lots::Lot;
use crate::lots::elsewhere::{Elsewhere, Of, Share, Standing, State};
use crate::text::harmless;

/// Shares that are sent at a time.
pub const SHARES_AT_ONCE: usize = 32;

/// The longest reason of the gatherer that is told, in characters.
const LONGEST_WHY: usize = 200;

/// Benches that are listened to; whoever is on the broker can name one.
const MOST_BENCHES: usize = 1000;

/// A lot is told of as overdrawn for so long after it was last taken of here.
const TOLD_FOR: SignedDuration = SignedDuration::from_hours(24);

/// The longest name of a lot or an ingredient, in bytes.
const LONGEST_NAME: usize = 1000;

/// The most that a log can have taken of a lot, in nanograms: a thousand tonnes.
const MOST_TAKEN: u64 = 1_000_000_000_000_000_000;

/// See the module's text.
#[derive(Debug)]
pub struct Shelf {
    all: Elsewhere,
    bench: String,
    id: String,
    path: PathBuf,
    lots: Option<PathBuf>,
    /// Logs whose takings are to be read.
    unread: BTreeSet<String>,
    /// Whether all are.
    all_unread: bool,
    /// When each lot was last taken of here.
    last: BTreeMap<(String, String), Timestamp>,
    /// What the broker has of this bench, as far as this connection heard or sent it.
    on_broker: BTreeMap<String, Share>,
    /// Benches to listen to, one after another: the broker holds only so much for one who listens.
    to_listen: VecDeque<String>,
    listened: BTreeSet<String>,
    /// Benches that this connection heard to be there.
    here: BTreeSet<String>,
    unsaved: bool,
    /// Whether it was told that the file cannot be kept.
    told_unsaved: bool,
    /// What the gatherer says that it cannot do.
    gatherer: Option<String>,
}

/// What is to be done after a look.
#[derive(Debug, Default)]
pub struct Then {
    /// Topics' last levels with what is to stand there; `None`: nothing any more.
    pub send: Vec<(String, Option<Share>)>,
    /// All that a person is to heed.
    pub heed: Vec<Sentence>,
}

/// What a message was to the shelf.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OfShelf {
    /// How a bench or the gatherer stands.
    Heard,
    /// What a bench took of a lot.
    Share,
    /// A question of the gatherer.
    Ask,
    /// Nothing of it.
    Nothing,
}

impl Shelf {
    /// With what an earlier run heard, where `folder` has it.
    pub fn open(folder: &Path, bench: &str, id: &str, lots: Option<PathBuf>) -> Shelf {
        let path = folder.join("shelf");
        let text = std::fs::read_to_string(&path).unwrap_or_default();
        let all = Elsewhere::of_text(&text).map(|(all, ..)| all);
        Shelf {
            all: all.unwrap_or_default(),
            bench: bench.to_owned(),
            id: id.to_owned(),
            path,
            lots,
            unread: BTreeSet::new(),
            all_unread: true,
            last: BTreeMap::new(),
            on_broker: BTreeMap::new(),
            to_listen: VecDeque::new(),
            listened: BTreeSet::new(),
            here: BTreeSet::new(),
            unsaved: true,
            told_unsaved: false,
            gatherer: None,
        }
    }

    /// A connection begins.
    pub fn connected(&mut self) {
        self.on_broker.clear();
        self.here.clear();
        self.listened = BTreeSet::from([self.bench.clone()]);
        self.to_listen = VecDeque::from([self.bench.clone()]);
    }

    /// A log has new rows.
    pub fn grew(&mut self, log: &str) {
        self.unread.insert(log.to_owned());
    }

    /// Whether takings are to be read, and of which logs the rows must be known for it; `None`: of all.
    pub fn unread(&self) -> Option<&BTreeSet<String>> {
        (!self.all_unread).then_some(&self.unread)
    }

    /// The next bench to listen to.
    pub fn listens(&mut self) -> Option<String> {
        self.to_listen.pop_front()
    }

    pub fn waits_to_listen(&self) -> bool {
        !self.to_listen.is_empty()
    }

    /// A bench's status says how it stands.
    pub fn stands(&mut self, bench: &str, state: State) {
        if bench == self.bench {
            return;
        }
        if self.listened.len() < MOST_BENCHES && self.listened.insert(bench.to_owned()) {
            self.to_listen.push_back(bench.to_owned());
        }
        let before = self.all.benches.get(bench).copied();
        let was_here = self.here.contains(bench);
        match state {
            State::Here => drop(self.here.insert(bench.to_owned())),
            State::Ended | State::Gone => drop(self.here.remove(bench)),
        }
        // Of what went while nobody listened it is not known when.
        let heard = match state == State::Here || was_here {
            true => Some(Timestamp::now().as_second()),
            false => before.and_then(|before| before.heard),
        };
        self.unsaved |= before.is_none_or(|before| before.state != state);
        if before.is_some() || self.all.benches.len() < MOST_BENCHES {
            let standing = Standing { state, heard };
            self.all.benches.insert(bench.to_owned(), standing);
        }
    }

    /// What the gatherer cannot do; `None`: nothing is wrong.
    pub fn gatherer(&mut self, fault: Option<String>) {
        self.gatherer = fault;
    }

    /// What is of other benches, or of lots, is kept; what a stranger says is no word of anybody.
    pub fn hear_of(&mut self, workshop: &str, key: &Key, message: &Message<'_>) -> OfShelf {
        let Some(text) = message.topic() else {
            return OfShelf::Nothing;
        };
        let stands = |bench: &str| -> Option<Presence> {
            message.unsealed(Kind::Status, workshop, bench, key)
        };
        if text == topic(workshop, GATHERER, Kind::Status) {
            let Some(said) = stands(GATHERER) else {
                return OfShelf::Nothing;
            };
            let short = |why: &str| harmless(why).chars().take(LONGEST_WHY).collect();
            self.gatherer(said.fault.as_deref().map(short));
            return OfShelf::Heard;
        }
        match message.place(workshop) {
            Some((bench, Kind::Status)) => match stands(bench) {
                Some(said) => {
                    self.stands(bench, said.state);
                    OfShelf::Heard
                }
                None => OfShelf::Nothing,
            },
            Some((bench, Kind::Taken)) => {
                let (_, level) = text.rsplit_once('/').unwrap_or_default();
                match message.unsealed(Kind::Taken, workshop, bench, key) {
                    Some(share) => self.hear(bench, level, share),
                    // Somebody put something else in its place: it is sent again.
                    None if bench == self.bench => self.sent(level, None),
                    None => {}
                }
                OfShelf::Share
            }
            Some((_, Kind::Ask)) => OfShelf::Ask,
            Some((_, Kind::Row | Kind::Cue | Kind::Heads | Kind::Refused | Kind::Now)) | None => {
                OfShelf::Nothing
            }
        }
    }

    /// A share that is told of `bench`, under the last level `at` of its topic.
    pub fn hear(&mut self, bench: &str, at: &str, share: Share) {
        if !is_good(&share) || level(&share.of) != at {
            if bench == self.bench {
                self.sent(at, None);
            }
            return;
        }
        self.unsaved |= self.all.hear(bench, &share);
        if bench == self.bench {
            self.on_broker.insert(at.to_owned(), share);
        }
    }

    /// What was sent.
    pub fn sent(&mut self, at: &str, share: Option<Share>) {
        match share {
            Some(share) => drop(self.on_broker.insert(at.to_owned(), share)),
            None => drop(self.on_broker.remove(at)),
        }
    }

    /// Reads what the logs in `folder` took, whose rows are told in `rows`, keeps what is new, and says what is to be told
    /// to whom. Blocks. Nothing is sent before `speaks`: what the broker has of this bench is heard first.
    pub fn look(
        &mut self,
        folder: &Path,
        rows: Option<HashMap<String, u64>>,
        speaks: bool,
    ) -> Then {
        if let Some(rows) = rows {
            self.read(folder, &rows);
        }
        let text = self.lots.as_ref().and_then(|file| files::text(file).ok());
        let lots = text.and_then(|text| Lot::parse_all(&text, "").ok());
        let lots = lots.unwrap_or_default();
        self.keep(folder);
        let send = match speaks {
            true => self.to_send(&lots),
            false => Vec::new(),
        };
        let heed = self.heed(&lots);
        Then { send, heed }
    }

    fn read(&mut self, folder: &Path, rows: &HashMap<String, u64>) {
        let (all, last) = (&mut self.all, &mut self.last);
        let me = (self.bench.as_str(), self.id.as_str());
        let mut new = false;
        let mut took = |batch: &crate::journal::batch::summary::Summary| {
            for step in batch.weighed().filter(|step| !step.lot.is_empty()) {
                let of = (step.lot.clone(), step.ingredient.clone());
                let at = last.entry(of).or_insert(step.at);
                *at = step.at.max(*at);
            }
            // How many rows there are was asked before they were read: it never says too much.
            if let Some(rows) = rows.get(&batch.batch).filter(|rows| **rows > 0) {
                new |= all.took(me, *rows, batch);
            }
        };
        if self.all_unread {
            let archive = Archive::new(folder, Places::from_env().cache_dir());
            let read = archive.add_up(1, &Progress::default(), &mut |_, batch| took(batch));
            // A folder that does not read is read again.
            self.all_unread = read.is_err();
            self.unread.clear();
        }
        for log in std::mem::take(&mut self.unread) {
            if let Ok(record) = record::read(&folder.join(format!("{log}.csv"))) {
                took(&record.summary());
            }
        }
        self.unsaved |= new;
    }

    /// Writes the file where it changed; else shows by its time that the broker is heard.
    fn keep(&mut self, folder: &Path) {
        let kept = match std::mem::take(&mut self.unsaved) {
            true => {
                self.still_here();
                let text = self.all.to_text(&self.id, &folder.to_string_lossy());
                files::replace_unsynced(&self.path, &text)
            }
            false => std::fs::File::options()
                .write(true)
                .open(&self.path)
                .and_then(|file| file.set_modified(std::time::SystemTime::now())),
        };
        if let Err(error) = &kept {
            // It comes back in full.
            self.unsaved = true;
            if !std::mem::replace(&mut self.told_unsaved, true) {
                let path = self.path.display();
                tracing::warn!(
                    "{path}: what other benches took cannot be kept ({error}); what is left of lots counts this bench alone"
                );
            }
        } else {
            self.told_unsaved = false;
        }
    }

    /// The connection ended: up to now everything of those that were there is known. Blocks.
    pub fn cut_off(&mut self, folder: &Path) {
        self.unsaved = true;
        self.keep(folder);
        self.here.clear();
    }

    fn still_here(&mut self) {
        for bench in &self.here {
            if let Some(standing) = self.all.benches.get_mut(bench) {
                standing.heard = Some(Timestamp::now().as_second());
            }
        }
    }

    /// What others need to hear: lots of which it matters how much is left, and those that are in no list yet.
    fn to_send(&self, lots: &[Lot]) -> Vec<(String, Option<Share>)> {
        let month = |at: Timestamp| at.strftime("%Y-%m").to_string();
        let lately = month(Timestamp::now() - SignedDuration::from_hours(31 * 24));
        let wanted = |of: &Of| match lots.iter().find(|lot| lot.is(&of.lot, &of.ingredient)) {
            Some(lot) => lot.amount.is_some(),
            None => of.month >= lately,
        };
        let own = self.all.shares(&self.bench).filter(|(of, _)| wanted(of));
        let own: BTreeMap<String, Share> = own
            .map(|(of, logs)| {
                let (of, logs) = (of.clone(), logs.clone());
                (level(&of), Share { of, logs })
            })
            .collect();
        let over = self.on_broker.keys().filter(|at| !own.contains_key(*at));
        let over: Vec<_> = over.map(|at| (at.clone(), None)).collect();
        let new = own.into_iter().filter(|(at, share)| {
            let text = serde_json::to_vec(share).unwrap_or_default();
            self.on_broker.get(at) != Some(share) && text.len() <= LONGEST_TEXT
        });
        let new = new.map(|(at, share)| (at, Some(share)));
        new.chain(over).take(SHARES_AT_ONCE).collect()
    }

    fn heed(&self, lots: &[Lot]) -> Vec<Sentence> {
        let since = Timestamp::now() - TOLD_FOR;
        let mut lately = lots.to_vec();
        lately.retain(|lot| {
            let mut last = self.last.iter();
            last.any(|((name, ingredient), at)| *at > since && lot.is(name, ingredient))
        });
        let overdrawn = self.all.overdrawn(&lately);
        let overdrawn = overdrawn
            .iter()
            .map(crate::lots::elsewhere::Overdrawn::told);
        let gatherer = self.gatherer.iter().map(|why| {
            phrase!(
                "The logs of the benches are not gathered any more ({why}). Nothing is lost, each bench keeps its own; see to \
                 the machine that gathers.",
                why,
            )
        });
        overdrawn.chain(gatherer).collect()
    }
}

/// The last level of a share's topic.
fn level(of: &Of) -> String {
    let text = [&of.lot, &of.ingredient, &of.month].map(String::as_str);
    let hash = Sha256::digest(text.join("\0").as_bytes());
    crate::text::hex(&hash[..8])
}

/// Whether a share can be one: who has the key may be mistaken too.
fn is_good(share: &Share) -> bool {
    let Share { of, logs } = share;
    let named = |name: &String| !name.is_empty() && name.len() <= LONGEST_NAME;
    let taken = logs.iter().all(|(id, logs)| {
        let mut logs = logs.iter();
        is_id(id)
            && logs.all(|(log, taking)| {
                is_log(log) && taking.0 > 0 && taking.1.unsigned_abs() <= MOST_TAKEN
            })
    });
    named(&of.lot) && named(&of.ingredient) && of.month.len() <= 7 && taken
}
