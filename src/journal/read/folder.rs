//! All logs of a folder, read and proved by several threads.

use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};

use crate::journal::batch::record::Record;
use crate::journal::error::LogError;
use crate::journal::read::record;

/// Below this a thread costs more than it saves.
const WORTH_A_THREAD: usize = 32;

/// As many threads as the machine runs at a time.
pub fn all_threads() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

/// What `take` makes of each log's record, in the order of `paths`. Every row is proved, as
/// [`record::read`] does. At most `threads` read at a time.
pub fn read_each<T: Send>(
    paths: &[PathBuf],
    threads: usize,
    take: impl Fn(Record) -> T + Sync,
) -> Vec<Result<T, LogError>> {
    let next = AtomicUsize::new(0);
    let work = || {
        let mut done = Vec::new();
        loop {
            let index = next.fetch_add(1, Ordering::Relaxed);
            let Some(path) = paths.get(index) else {
                return done;
            };
            done.push((index, record::read(path).map(&take)));
        }
    };
    let others = threads.min(paths.len() / WORTH_A_THREAD).max(1) - 1;
    let mut done = std::thread::scope(|scope| {
        let started = |_| {
            std::thread::Builder::new()
                .spawn_scoped(scope, work)
                .inspect_err(|error| tracing::debug!(%error, "one thread less reads the logs"))
                .ok()
        };
        let handles: Vec<_> = (0..others).filter_map(started).collect();
        let mut done = work();
        for handle in handles {
            match handle.join() {
                Ok(more) => done.extend(more),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        done
    });
    done.sort_unstable_by_key(|(index, _)| *index);
    done.into_iter().map(|(_, read)| read).collect()
}
