//! A scale that is looked for: the page's ports are listened to, and the browsers told what is heard on each. One
//! search at a time; it ends by itself.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::watch;
use tokio::task::{JoinHandle, JoinSet};

use crate::language::{Language, Sentence, phrase};
use crate::scale::link::LinkFault;
use crate::scale::settings::PortSelector;
use crate::text::harmless_json;
use crate::workshop::scale_setup::listen::{Found, Search, SearchError, follow};
use crate::workshop::scale_setup::path_of;

/// How long one setting is listened to.
const LISTEN: Duration = Duration::from_secs(2);
/// A search that nobody ends is over then.
const LONGEST: Duration = Duration::from_secs(600);
/// Ports that are listened to at a time.
pub const MOST_PORTS: usize = 8;
/// A weight is told no more often than this.
const PACE: Duration = Duration::from_millis(100);

/// How the search stands.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Finding {
    /// Always `find`.
    event: &'static str,
    pub over: bool,
    pub ports: Vec<Heard>,
}

impl Finding {
    /// As one event for the browsers, in their language.
    pub fn to_json(&self, language: Language) -> String {
        let mut said = self.clone();
        for port in &mut said.ports {
            port.say = port.say.put_into(language);
        }
        harmless_json(&serde_json::json!(said).to_string())
    }
}

/// Where the search is on one port.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    Listening,
    Found,
    NotFound,
}

/// What is heard on one port.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Heard {
    /// As the page named it.
    pub port: String,
    pub stage: Stage,
    pub say: Sentence,
    /// What the scale shows now, with its unit.
    pub shows: Option<String>,
    /// Its layout and the line's settings.
    pub line: Option<String>,
    /// The smallest step, as its lines have it.
    pub readability: Option<String>,
}

/// A port as the page named it, and as the configuration would.
pub type Wanted = (String, PortSelector);

/// Under which name of a port what was found.
type Scales = Arc<Mutex<BTreeMap<String, (PortSelector, Found)>>>;

/// See the module's text.
#[derive(Debug)]
pub struct Finds {
    standing: watch::Sender<Option<Finding>>,
    found: Scales,
    running: tokio::sync::Mutex<Option<JoinHandle<()>>>,
}

impl Default for Finds {
    fn default() -> Finds {
        Finds {
            standing: watch::Sender::new(None),
            found: Scales::default(),
            running: tokio::sync::Mutex::default(),
        }
    }
}

impl Finds {
    /// How the search stands: at once where one runs, then whenever that changes.
    pub fn follow(&self) -> watch::Receiver<Option<Finding>> {
        let mut standing = self.standing.subscribe();
        let runs = standing.borrow().as_ref().is_some_and(|one| !one.over);
        if runs {
            standing.mark_changed();
        }
        standing
    }

    /// Listens to these ports, in place of those of a search before.
    pub async fn begin(&self, ports: Vec<Wanted>) {
        let mut running = self.running.lock().await;
        stop(running.take()).await;
        scales(&self.found).clear();
        let heard = |(port, _): &Wanted| Heard {
            port: port.clone(),
            stage: Stage::Listening,
            say: phrase!("Listening."),
            shows: None,
            line: None,
            readability: None,
        };
        self.standing.send_replace(Some(Finding {
            event: "find",
            over: false,
            ports: ports.iter().map(heard).collect(),
        }));
        let (standing, found) = (self.standing.clone(), Arc::clone(&self.found));
        *running = Some(tokio::spawn(listen(standing, found, ports)));
    }

    /// Ends the search; afterwards its ports are closed.
    pub async fn end(&self) {
        stop(self.running.lock().await.take()).await;
        scales(&self.found).clear();
        over(&self.standing);
    }

    /// What was found at the port of this name.
    pub fn found(&self, port: &str) -> Option<(PortSelector, Found)> {
        scales(&self.found).get(port).cloned()
    }
}

fn scales(found: &Scales) -> MutexGuard<'_, BTreeMap<String, (PortSelector, Found)>> {
    found.lock().unwrap_or_else(PoisonError::into_inner)
}

fn over(standing: &watch::Sender<Option<Finding>>) {
    standing.send_if_modified(|now| match now {
        Some(finding) if !finding.over => {
            finding.over = true;
            true
        }
        Some(_) | None => false,
    });
}

async fn stop(task: Option<JoinHandle<()>>) {
    let Some(task) = task else { return };
    task.abort();
    // Cancelled, as it should be.
    let _ = task.await;
    // The lines below it are closed by the runtime in its next turns.
    for _ in 0..16 {
        tokio::task::yield_now().await;
    }
}

async fn listen(standing: watch::Sender<Option<Finding>>, found: Scales, ports: Vec<Wanted>) {
    let mut all = JoinSet::new();
    for (index, wanted) in ports.into_iter().enumerate() {
        all.spawn(one(index, wanted, standing.clone(), Arc::clone(&found)));
    }
    let ended = async { while all.join_next().await.is_some() {} };
    // Nothing is said of a time that is up: the page shows that it listens no more.
    let _ = tokio::time::timeout(LONGEST, ended).await;
    scales(&found).clear();
    over(&standing);
}

/// Searches at one port, then follows what the scale shows until its line is lost.
async fn one(
    index: usize,
    (port, selector): Wanted,
    standing: watch::Sender<Option<Finding>>,
    found: Scales,
) {
    let change = |change: &dyn Fn(&mut Heard)| {
        standing.send_if_modified(|now| {
            let heard = now.as_mut().and_then(|now| now.ports.get_mut(index));
            let Some(heard) = heard else { return false };
            let before = heard.clone();
            change(heard);
            *heard != before
        });
    };
    let search = Search {
        port: path_of(&selector),
        listen: LISTEN,
        baud: None,
        framing: None,
    };
    let mut tell = |say: &Sentence| change(&|heard| heard.say = say.clone());
    let error = match search.search(&mut tell).await {
        Err(error) => error,
        Ok(scale) => {
            scales(&found).insert(port.clone(), (selector, scale.clone()));
            let layout = scale.identified.layout.name();
            let line = format!("{layout}, {} {}", scale.baud, scale.framing);
            let readability = scale.identified.readability.map(|d| d.to_string());
            change(&|heard| {
                heard.stage = Stage::Found;
                heard.say = scale.words();
                heard.line = Some(line.clone());
                heard.readability.clone_from(&readability);
            });
            let mut last: Option<Instant> = None;
            let lost = follow(&search.port, &scale, |shows| {
                if last.is_none_or(|last| last.elapsed() >= PACE) {
                    last = Some(Instant::now());
                    change(&|heard| heard.shows.clone_from(&shows));
                }
            });
            let error = lost.await;
            scales(&found).remove(&port);
            error
        }
    };
    let why = words(&error, &search.port);
    change(&|heard| {
        heard.stage = Stage::NotFound;
        heard.say.clone_from(&why);
        heard.shows = None;
    });
}

/// Why there is no scale at a port, and what to do, as it is done at the page.
fn words(error: &SearchError, port: &Path) -> Sentence {
    let port = port.display().to_string();
    match error {
        SearchError::Line(LinkFault::NotSerial { .. }) => {
            phrase!("{port} is no serial line. Choose another port.", port)
        }
        SearchError::NotOpened => phrase!(
            "{port} does not open. Unplug the scale and plug it in again.",
            port
        ),
        SearchError::Silent => phrase!(
            "Nothing was heard, and no request was answered. Press PRINT on the scale, or set it in its menu to send \
             continuously; look whether the cable is the right one. Then listen again."
        ),
        SearchError::Noise => phrase!(
            "It sends, and at no usual speed can it be read. Look up speed, data bits and parity in the scale's menu or \
             manual, and write them into the configuration file."
        ),
        SearchError::Unknown(text) => phrase!(
            "{text}\nSuch lines need a pattern of their own in the configuration file.",
            text = text.clone(),
        ),
        SearchError::Line(fault) => phrase!("{fault}.", fault = fault.told()),
        SearchError::System(_) => phrase!("{fault}.", fault = error.told()),
    }
}
