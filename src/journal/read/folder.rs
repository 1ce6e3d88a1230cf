//! The folder of the logs: which there are, and all of them read and proved by several threads.

use std::fs::DirEntry;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use crate::journal::batch::record::Record;
use crate::journal::error::LogError;
use crate::journal::format::fault::BadLine;
use crate::journal::format::names::safe_batch_name;
use crate::journal::read::record;
use crate::journal::read::scale_checks;
use crate::language::term;

/// The file that makes a folder that of a bench, in a folder that `bismar gather` fills; it says which bench it is.
pub const BENCH_ID: &str = "bench.id";

/// The logs of the batches in a folder, by name, and those of its benches where it was gathered; that of the scale
/// checks is none. A missing folder has none.
///
/// # Errors
/// When the folder cannot be read.
pub fn batches_in(dir: &Path) -> Result<Vec<PathBuf>, LogError> {
    let cannot = |e| LogError::io(dir, term!("read the folder of the logs"))(e);
    let entries = match std::fs::read_dir(dir) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(cannot(e)),
    };
    let mut paths = Vec::new();
    let mut gathered = false;
    for entry in entries {
        let entry = entry.map_err(cannot)?;
        let path = entry.path();
        if is_batch_log(&entry, &path) {
            paths.push(path);
        } else if is_folder(&entry) && path.join(BENCH_ID).is_file() {
            paths.extend(logs_of_a_bench(&path)?);
            gathered = true;
        }
    }
    // The bytes alone tell their order where all lie in one folder; else the index has them by their names too.
    let bytes = |a: &PathBuf, b: &PathBuf| a.as_os_str().cmp(b.as_os_str());
    match gathered {
        false => paths.sort_unstable_by(bytes),
        true => paths.sort_unstable_by(|a, b| {
            let by_name = a.file_name().cmp(&b.file_name());
            by_name.then_with(|| bytes(a, b))
        }),
    }
    Ok(paths)
}

/// Whether what lies in a folder of logs is a batch's log: by its name, and no folder.
fn is_batch_log(entry: &DirEntry, path: &Path) -> bool {
    let named = path.extension().is_some_and(|end| end == "csv") && !scale_checks::is_one(path);
    named && !is_folder(entry)
}

fn is_folder(entry: &DirEntry) -> bool {
    entry.file_type().is_ok_and(|kind| kind.is_dir())
}

fn logs_of_a_bench(dir: &Path) -> Result<Vec<PathBuf>, LogError> {
    let cannot = |e| LogError::io(dir, term!("read the folder of a bench's logs"))(e);
    let mut paths = Vec::new();
    for entry in std::fs::read_dir(dir).map_err(cannot)? {
        let entry = entry.map_err(cannot)?;
        let path = entry.path();
        if is_batch_log(&entry, &path) {
            paths.push(path);
        }
    }
    Ok(paths)
}

/// The folders of the benches in a folder that was gathered, in the order of their names.
fn benches_in(logs: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(logs).into_iter().flatten().flatten();
    let folders = entries.map(|entry| entry.path());
    let mut folders: Vec<PathBuf> = folders
        .filter(|path| path.join(BENCH_ID).is_file())
        .collect();
    folders.sort();
    folders
}

/// The log of the batch named `batch` in the folder of the logs; `None` for a name that is no batch's.
pub fn log_of(logs: &Path, batch: &str) -> Option<PathBuf> {
    let name = batch.strip_suffix(".csv").unwrap_or(batch);
    if safe_batch_name(name) != name {
        return None;
    }
    let is_log = |path: &PathBuf| path.is_file() && !scale_checks::is_one(path);
    let path = logs.join(format!("{name}.csv"));
    if is_log(&path) {
        return Some(path);
    }
    // Of two benches' batches of one name neither is meant by it.
    let below = benches_in(logs).into_iter();
    let mut found = below
        .map(|bench| bench.join(format!("{name}.csv")))
        .filter(is_log);
    found.next().filter(|_| found.next().is_none())
}

/// Whether a log of the folder is this bench's own: what another one weighed and was gathered, only that one adds to.
pub fn is_own(logs: &Path, log: &Path) -> bool {
    log.parent() == Some(logs)
}

/// Below this a thread costs more than it saves.
const WORTH_A_THREAD: usize = 32;

/// As many threads as the machine runs at a time.
pub fn all_threads() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

/// What `take` makes of every batch of the folder `logs`, and the faults of damaged logs, of which the
/// rows before the damage count. At most `threads` read at a time.
///
/// # Errors
/// When the folder or a log cannot be read.
pub fn each_batch<T: Send>(
    logs: &Path,
    threads: usize,
    take: impl Fn(Record) -> T + Sync,
) -> Result<(Vec<T>, Vec<BadLine>), LogError> {
    let read = read_each(&batches_in(logs)?, threads, |record| {
        (record.fault.clone(), take(record))
    });
    let (mut all, mut faults) = (Vec::with_capacity(read.len()), Vec::new());
    for read in read {
        let (fault, taken) = read?;
        faults.extend(fault);
        all.push(taken);
    }
    Ok((all, faults))
}

/// What `take` makes of each log's record, in the order of `paths`. Every row is proved, as
/// [`record::read`] does. At most `threads` read at a time.
pub fn read_each<T: Send>(
    paths: &[PathBuf],
    threads: usize,
    take: impl Fn(Record) -> T + Sync,
) -> Vec<Result<T, LogError>> {
    in_threads(paths.len(), threads, Option::default, |lines, nth| {
        let path = paths.get(nth)?;
        Some(record::read_by(path, lines).map(|(record, _)| take(record)))
    })
    .into_iter()
    .flatten()
    .collect()
}

/// What `work` makes of each number below `count`, in their order, by at most `threads` at a time, each with a `S` of
/// its own.
pub(super) fn in_threads<S, T: Send>(
    count: usize,
    threads: usize,
    start: impl Fn() -> S + Sync,
    work: impl Fn(&mut S, usize) -> T + Sync,
) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let work = || {
        let (mut own, mut done) = (start(), Vec::new());
        loop {
            let nth = next.fetch_add(1, Ordering::Relaxed);
            if nth >= count {
                return done;
            }
            done.push((nth, work(&mut own, nth)));
        }
    };
    let others = threads.min(count / WORTH_A_THREAD).max(1) - 1;
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
    done.sort_unstable_by_key(|(nth, _)| *nth);
    done.into_iter().map(|(_, made)| made).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A folder that was gathered: logs of its own, of two benches, and what is none.
    #[test]
    fn a_folder_has_its_own_logs_and_those_of_its_benches() {
        let dir = tempfile::tempdir().expect("a folder");
        let logs = dir.path().join("logs");
        assert_eq!(batches_in(&logs).expect("none"), Vec::<PathBuf>::new());
        let [east, west, other] = ["east", "west", "other"].map(|name| logs.join(name));
        for folder in [&east, &west, &other] {
            std::fs::create_dir_all(folder).expect("a folder");
        }
        let write = |path: PathBuf| std::fs::write(&path, "").map(|()| path).expect("a file");
        for bench in [&east, &west] {
            write(bench.join(BENCH_ID));
        }
        let own = write(logs.join("balm-1.csv"));
        let [of_east, both, twice] = [(&east, "soak-1"), (&east, "soak-2"), (&west, "soak-2")]
            .map(|(bench, name)| write(bench.join(format!("{name}.csv"))));
        write(logs.join("balm-1.txt"));
        write(other.join("soak-3.csv"));
        let all = [&own, &of_east, &both, &twice].map(PathBuf::clone);
        std::fs::create_dir(logs.join("folder.csv")).expect("a folder");
        assert_eq!(batches_in(&logs).expect("a folder"), all);
        assert_eq!(log_of(&logs, "balm-1"), Some(own.clone()));
        assert_eq!(log_of(&logs, "balm-1.csv"), Some(own));
        assert_eq!(log_of(&logs, "soak-1"), Some(of_east));
        // Two have one of that name, a folder without a bench has none, and what leads elsewhere is no name.
        for name in ["soak-2", "soak-3", "folder", "../logs/balm-1", "balm-2"] {
            assert_eq!(log_of(&logs, name), None, "{name}");
        }
        assert!(batches_in(&logs.join("balm-1.txt")).is_err());
    }

    #[test]
    fn what_threads_make_comes_in_the_order_of_its_numbers() {
        for count in [0, 1, 31, 64, 500] {
            for threads in [0, 1, 3] {
                let made = in_threads(count, threads, || (), |(), nth| nth * 2);
                let want: Vec<usize> = (0..count).map(|nth| nth * 2).collect();
                assert_eq!(made, want, "{count} {threads}");
            }
        }
        // One of its own for each thread, and no more threads than that, nor than is worth it.
        let started = |count, threads| {
            let begun = AtomicUsize::new(0);
            let start = || begun.fetch_add(1, Ordering::Relaxed);
            in_threads(count, threads, start, |_, nth| nth);
            begun.into_inner()
        };
        assert_eq!(
            [started(500, 1), started(500, 3), started(63, 3)],
            [1, 3, 1]
        );
        assert_eq!([started(64, 3), started(0, 3)], [2, 1]);
        assert!(all_threads() >= 1);
    }
}
