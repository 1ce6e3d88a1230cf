//! What was learned of each scale's filter, kept from one daemon to the next. A cache: a file that is
//! missing, wrong or cannot be written costs the first landings of the next batch, and nothing else.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::seams::Heart;
use crate::config::Config;
use crate::files;
use crate::vocabulary::response::Response;

const HEAD: &str = "# What bismar has learned of each scale's filter, in seconds. It may be deleted at any time.\n";

/// See the module's text.
#[derive(Debug, Default)]
pub(super) struct Learned {
    file: Option<PathBuf>,
    /// By the scale's name; those of other configurations stay.
    known: BTreeMap<String, Response>,
}

impl Learned {
    /// Reads `file`, which need not be there.
    pub fn read(file: Option<PathBuf>) -> Learned {
        let known = file.as_deref().map(known_in).unwrap_or_default();
        Learned { file, known }
    }

    /// Tells a new bench what is known of its scales.
    pub fn tell<H: Heart>(&self, config: &Config, heart: &mut H) {
        for (index, scale) in config.scales.iter().enumerate() {
            if let Some(known) = self.known.get(&scale.name) {
                heart.set_response(index, *known);
            }
        }
    }

    /// Keeps what the bench has learned, where that is news. Returns at once: the file is written beside
    /// the loop. Needs a running tokio runtime.
    pub fn keep<H: Heart>(&mut self, config: &Config, heart: &H) {
        let mut news = false;
        for (scale, learned) in config.scales.iter().zip(heart.responses()) {
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
        let known = self.known.clone();
        tokio::task::spawn_blocking(move || {
            let text = match toml::to_string(&known) {
                Ok(text) => format!("{HEAD}\n{text}"),
                Err(error) => return tracing::warn!("what was learned of the scales: {error}"),
            };
            let folder = file.parent().map_or(Ok(()), std::fs::create_dir_all);
            if let Err(error) = folder.and_then(|()| files::write_private(&file, &text)) {
                let file = file.display();
                tracing::info!("what was learned of the scales is not kept in {file}: {error}");
            }
        });
    }
}

fn known_in(file: &Path) -> BTreeMap<String, Response> {
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
    let known: BTreeMap<String, Response> = toml::from_str(&text).unwrap_or_else(|error| {
        let file = file.display();
        tracing::warn!("{file} does not read and will be written anew: {error}");
        BTreeMap::new()
    });
    let checked = |(name, known): (String, Response)| Some((name, known.checked()?));
    known.into_iter().filter_map(checked).collect()
}
