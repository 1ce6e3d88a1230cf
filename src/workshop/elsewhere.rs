//! Takings of other benches from the lots, out of the file that the daemon keeps of what it hears.

use std::path::Path;
use std::time::Duration;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::config::paths::Places;
use crate::lots::elsewhere::{Elsewhere, State};

/// The largest file that is read, in bytes: a workshop of some dozen benches for some years.
const LARGEST: u64 = 256 << 20;

/// The daemon shows each 20 s that it hears the broker, by the time of the file. After so long it does not.
const SILENT: Duration = Duration::from_secs(60);

/// What other benches took beside the logs in the folder `logs`; nothing where this bench has no workshop, or where the
/// folder is another than that of its daemon. The file is a cache, so what cannot be read is as if it were not there.
pub fn elsewhere(logs: &Path) -> Elsewhere {
    read(logs).unwrap_or_default()
}

fn read(logs: &Path) -> Option<Elsewhere> {
    let path = Places::from_env().shelf_file()?;
    let about = std::fs::metadata(&path).ok()?;
    if about.len() > LARGEST {
        return None;
    }
    let (mut all, own, folder) = Elsewhere::of_text(&std::fs::read_to_string(&path).ok()?)?;
    // Before the first batch there is no folder.
    let whole = |path: &Path| std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    if whole(logs) != whole(Path::new(&folder)) {
        return None;
    }
    all.without(|id, log| id == own && logs.join(format!("{log}.csv")).is_file());
    let heard = about.modified().ok()?;
    // A clock that was set back says nothing of how long ago that is.
    let cut_off = heard.elapsed().is_ok_and(|ago| ago > SILENT);
    let until = Timestamp::try_from(heard).ok()?;
    let silent = all.benches.iter().filter_map(|(bench, standing)| {
        let known = match (standing.state, cut_off) {
            (State::Here | State::Ended, false) => return None,
            (State::Here, true) => until,
            (State::Ended | State::Gone, _) => Timestamp::from_second(standing.heard?).ok()?,
        };
        Some((bench.clone(), in_words(known)))
    });
    all.silent = silent.collect();
    Some(all)
}

fn in_words(at: Timestamp) -> String {
    let at = TimeZone::system().to_datetime(at);
    at.strftime("%Y-%m-%d %H:%M").to_string()
}
