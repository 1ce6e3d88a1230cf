//! The filter of each scale as it was learned, kept from one daemon to the next. A cache: a file that is
//! missing, wrong or cannot be written costs the first landings of the next batch, and nothing else.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::ports::Weigher;
use crate::config::Config;
use crate::files;
use crate::vocabulary::response::Response;

const HEAD: &str = "# What bismar has learned of each scale's filter, in seconds. It may be deleted at any time.\n";

/// See the module's text.
#[derive(Debug, Default)]
pub(super) struct Learned {
    file: Option<PathBuf>,
    /// By the scale's name; those of other configurations stay.
    known: Known,
    unwritten: Arc<Mutex<Unwritten>>,
}

type Known = BTreeMap<String, Response>;

/// What one writer at a time takes to the disk.
#[derive(Debug, Default)]
struct Unwritten {
    /// What the file is to hold, where it does not yet; newer news take its place.
    newest: Option<Known>,
    writes: bool,
}

impl Learned {
    /// Reads `file`, which need not be there.
    pub fn read(file: Option<PathBuf>) -> Learned {
        let known = file.as_deref().map(known_in).unwrap_or_default();
        Learned {
            file,
            known,
            unwritten: Arc::default(),
        }
    }

    /// Tells a new bench what is known of its scales.
    pub fn tell<H: Weigher>(&self, config: &Config, bench: &mut H) {
        for (index, scale) in config.scales.iter().enumerate() {
            if let Some(known) = self.known.get(&scale.name) {
                bench.set_response(index, *known);
            }
        }
    }

    /// Keeps what the bench has learned of each scale, where that is news. Returns at once: the file is
    /// written beside the loop. Needs a running tokio runtime.
    pub fn keep(&mut self, config: &Config, responses: Vec<Option<Response>>) {
        let mut news = false;
        for (scale, learned) in config.scales.iter().zip(responses) {
            let Some(learned) = learned.and_then(Response::checked) else {
                continue;
            };
            let known = self.known.get(&scale.name);
            if known.is_none_or(|known| known.is_other_than(&learned)) {
                self.known.insert(scale.name.clone(), learned);
                news = true;
            }
        }
        let Some(file) = self.file.clone().filter(|_| news) else {
            return;
        };
        let mut unwritten = lock(&self.unwritten);
        unwritten.newest = Some(self.known.clone());
        if !std::mem::replace(&mut unwritten.writes, true) {
            let unwritten = Arc::clone(&self.unwritten);
            tokio::task::spawn_blocking(move || write_all(&file, &unwritten));
        }
    }
}

/// Writes until nothing is newer than the file. Two writers would hinder each other, and the older news
/// might win.
fn write_all(file: &Path, unwritten: &Mutex<Unwritten>) {
    loop {
        let mut state = lock(unwritten);
        let Some(known) = state.newest.take() else {
            state.writes = false;
            return;
        };
        drop(state);
        write(file, &known);
    }
}

fn write(file: &Path, known: &Known) {
    let text = match toml::to_string(known) {
        Ok(text) => format!("{HEAD}\n{text}"),
        Err(error) => return tracing::warn!("what was learned of the scales: {error}"),
    };
    let folder = file.parent().map_or(Ok(()), std::fs::create_dir_all);
    if let Err(error) = folder.and_then(|()| files::replace_unsynced(file, &text)) {
        let file = file.display();
        tracing::info!("what was learned of the scales is not kept in {file}: {error}");
    }
}

fn lock(unwritten: &Mutex<Unwritten>) -> MutexGuard<'_, Unwritten> {
    unwritten.lock().unwrap_or_else(PoisonError::into_inner)
}

fn known_in(file: &Path) -> Known {
    if !file.exists() {
        return BTreeMap::new();
    }
    let text = match files::text(file) {
        Ok(text) => text,
        Err(problems) => {
            tracing::warn!("{problems}");
            return BTreeMap::new();
        }
    };
    let known: Known = toml::from_str(&text).unwrap_or_else(|error| {
        let file = file.display();
        tracing::warn!("{file} does not read and will be written anew: {error}");
        BTreeMap::new()
    });
    let checked = |(name, known): (String, Response)| Some((name, known.checked()?));
    known.into_iter().filter_map(checked).collect()
}

#[cfg(test)]
mod tests {
    use std::time::{Duration, Instant};

    use super::*;
    use crate::scale::settings::{PortSelector, ScaleSettings};

    /// Many news at once: whatever order the threads take, the file ends with the newest, and a daemon that
    /// reads it then knows what this one knew.
    #[test]
    fn the_newest_news_win() {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .build()
            .unwrap();
        let _entered = runtime.enter();
        let port = PortSelector::Path("/dev/null".to_owned());
        let config = Config {
            scales: vec![ScaleSettings::new("bench", port, "sign-number-unit-16")],
            ..Config::default()
        };
        for _ in 0..100 {
            let folder = tempfile::tempdir().unwrap();
            let file = folder.path().join("scales.toml");
            let mut learned = Learned::read(Some(file.clone()));
            for on_the_way in 1..=20 {
                let response = Response {
                    rise: 1.0,
                    tail: 0.5,
                    on_the_way,
                };
                learned.keep(&config, vec![Some(response)]);
            }
            let end = Instant::now() + Duration::from_secs(20);
            while known_in(&file) != learned.known {
                assert!(Instant::now() < end, "{:?}", known_in(&file));
                std::thread::sleep(Duration::from_millis(1));
            }
        }
    }
}
