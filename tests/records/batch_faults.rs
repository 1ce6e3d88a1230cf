//! The batch log under everything that can go wrong below it: a power cut at every byte, a flipped
//! bit, a full disk, a disk that fails to sync, a second writer, kill -9, a file moved away.
//!
//! Other processes are this test binary again, run as [`child`] with a task in the environment.

use std::ffi::OsString;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{OnceLock, mpsc};
use std::time::Duration;

use bismar::journal::error::LogError;
use bismar::journal::format::fault::Fault;
use bismar::journal::format::opening::Opening;
use bismar::journal::format::row::Row;
use bismar::journal::read::scan::scan_file;
use bismar::journal::read::verify::verify;
use bismar::journal::store::log::LogFile;
use bismar::journal::store::spill;
use bismar::journal::store::writer::LogWriter;
use bismar::mass::Mass;
use bismar::vocabulary::entry::{Draft, RowKind};
use jiff::Timestamp;
use proptest::prelude::*;

use crate::bench_side::preload::Library;
use crate::bench_side::small_disk::{self, SmallDisk};
use crate::bench_side::{again, faults, logs};

const TASK: &str = "BISMAR_TEST_TASK";
const LOG: &str = "BISMAR_TEST_LOG";

fn nine() -> Timestamp {
    "2026-01-01T09:00:00Z".parse().unwrap()
}

fn draft(ticket: u64, note: &str) -> Draft {
    Draft {
        ticket,
        step: 1,
        ingredient: "Sea salt, \"coarse\"".into(),
        net: Some(Mass::from_mg(30_010)),
        readability: Mass::from_mg(10),
        ..Draft::new(RowKind::Weighed, note)
    }
}

/// A log with its opening and some weights, as bytes.
fn sample() -> &'static [u8] {
    static SAMPLE: OnceLock<Vec<u8>> = OnceLock::new();
    SAMPLE.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let mut log = LogFile::create(dir.path(), "sample", "Tideline").unwrap();
        let opening = Opening {
            text: "[formula]\nname = \"Tideline, fine\"\n".into(),
            batch: Mass::from_g(100),
            jars: None,
        };
        log.write_opening(&opening, "Tideline", nine()).unwrap();
        for ticket in 3..7 {
            log.append(&draft(ticket, "=1,\"x\" 海"), nine()).unwrap();
        }
        fs::read(log.path()).unwrap()
    })
}

/// A folder in memory, where thousands of syncs cost nothing, or on the disk where there is none.
fn folder() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm").unwrap_or_else(|_| tempfile::tempdir().unwrap())
}

fn rows(path: &Path) -> Vec<Row> {
    let mut scan = scan_file(path).unwrap();
    let mut rows = Vec::new();
    while let Some(row) = scan.next_row().unwrap() {
        rows.push(row);
    }
    assert_eq!(scan.torn(), 0, "{}", path.display());
    rows
}

/// This test binary once more, doing `task` with the log at `path`.
fn child_command(program: &[OsString], task: &str, path: &Path) -> Command {
    let child = again(module_path!(), "child");
    let mut command = match program {
        [] => child,
        [program, words @ ..] => {
            let mut command = Command::new(program);
            command
                .args(words)
                .arg(child.get_program())
                .args(child.get_args());
            command
        }
    };
    command
        .env(TASK, task)
        .env(LOG, path)
        .stdout(Stdio::null())
        .stderr(Stdio::piped());
    command
}

/// Not a test of its own: what the other processes run. Without a task it does nothing.
#[test]
fn child() {
    let Ok(task) = std::env::var(TASK) else {
        return;
    };
    let path = PathBuf::from(std::env::var(LOG).unwrap());
    match task.as_str() {
        "append-fast" => append_fast(&path),
        "hold" => hold(&path),
        "full-disk" => full_disk(&path),
        "full-disk-writer" => full_disk_writer(&path),
        "verify-big" => verify_big(&path),
        "sync-fails" => sync_fails(&path),
        other => panic!("no task {other}"),
    }
}

// ---- power cuts and flipped bits ---------------------------------------------------------------

#[test]
fn cut_at_every_byte_no_whole_row_is_lost_or_doubled() {
    let dir = folder();
    let whole = sample();
    let path = dir.path().join("sample.csv");
    let torn_path = dir.path().join("sample.torn");
    let mut set_aside = 0;
    for cut in 0..=whole.len() {
        let kept = &whole[..cut];
        fs::write(&path, kept).unwrap();
        let _ = fs::remove_file(&torn_path);
        let lines = kept.iter().filter(|b| **b == b'\n').count();
        let end = kept.iter().rposition(|b| *b == b'\n').map_or(0, |i| i + 1);
        let (mut log, found) = LogFile::open(&path).unwrap();
        assert_eq!(
            found.record.rows as usize,
            lines.saturating_sub(1),
            "cut at {cut}"
        );
        match found.torn {
            Some(torn) => {
                set_aside += 1;
                assert_eq!(torn.bytes as usize, cut - end);
                assert_eq!(torn.kept_in, torn_path);
                let aside = fs::read(&torn_path).unwrap();
                assert_eq!(aside, [&kept[end..], b"\n"].concat(), "cut at {cut}");
            }
            None => assert!(cut == end && !torn_path.exists(), "cut at {cut}"),
        }
        // It goes on, and what was whole is still there, byte for byte.
        let seq = log.append(&draft(99, "after"), nine()).unwrap();
        assert_eq!(seq, found.record.rows + 1);
        let now = fs::read(&path).unwrap();
        assert!(now.starts_with(&whole[..end]), "cut at {cut}");
        let report = verify(&path).unwrap();
        // Cut between the two rows that open a batch: the daemon weighs nothing into such a log.
        if found.record.rows == 1 {
            let fault = report.fault.map(|bad| bad.fault);
            assert!(matches!(fault, Some(Fault::Disagrees { .. })), "{fault:?}");
            continue;
        }
        assert!(report.is_ok(), "cut at {cut}: {report}");
        assert_eq!(report.rows, seq);
    }
    faults::report(
        "log cut at every byte",
        "a log of 6 rows ends after each of its bytes in turn, as a power cut leaves it",
        format!("{} cuts", whole.len() + 1),
        "whole rows stay byte for byte, the torn end is set aside, the next row follows, the chain holds",
        format!("{set_aside} torn ends set aside"),
    );
}

#[test]
fn a_second_torn_end_is_added_to_the_first() {
    let dir = folder();
    let whole = sample();
    let path = dir.path().join("sample.csv");
    fs::write(&path, whole).unwrap();
    for torn in ["first", "second"] {
        fs::OpenOptions::new()
            .append(true)
            .open(&path)
            .unwrap()
            .write_all(torn.as_bytes())
            .unwrap();
        LogFile::open(&path).unwrap();
    }
    assert_eq!(fs::read(&path).unwrap(), whole);
    assert_eq!(
        fs::read(dir.path().join("sample.torn")).unwrap(),
        b"first\nsecond\n"
    );
}

/// Some filesystems leave zeros where data had not reached the disk.
#[test]
fn zeros_at_the_end_are_a_torn_end_and_zeros_before_are_not() {
    let dir = folder();
    let whole = sample();
    let path = dir.path().join("sample.csv");
    let open = |bytes: &[u8]| {
        fs::write(&path, bytes).unwrap();
        LogFile::open(&path).map(|(_, found)| (found.record.rows, found.torn.map(|t| t.bytes)))
    };
    assert_eq!(
        open(&[whole, &[0; 4096]].concat()).unwrap(),
        (6, Some(4096))
    );
    // A last row over a sector's end, whose first sector is not on the disk.
    let long = {
        fs::write(&path, whole).unwrap();
        let (mut log, _) = LogFile::open(&path).unwrap();
        log.append(&draft(99, &"x".repeat(1000)), nine()).unwrap();
        fs::read(&path).unwrap()
    };
    let boundary = whole.len().next_multiple_of(512);
    for hole in [whole.len()..boundary, boundary..boundary + 512] {
        let mut bytes = long.clone();
        bytes[hole].fill(0);
        assert_eq!(
            open(&bytes).unwrap(),
            (6, Some((long.len() - whole.len()) as u64))
        );
    }
    assert_eq!(open(&[0; 100]).unwrap(), (0, Some(100)));
    // Zeros in a row before the last, and a single one in the last, are no work of a power cut.
    for zero in [
        whole.len() - 40..whole.len() - 20,
        long.len() - 60..long.len() - 59,
    ] {
        let mut bytes = long.clone();
        bytes[zero].fill(0);
        assert!(matches!(open(&bytes), Err(LogError::Bad(_))));
        let left = fs::read(&path).unwrap();
        assert_eq!(left, bytes, "a log that is refused is not touched");
    }
    faults::report(
        "zeros at the log's end",
        "zeros in place of the last row, of a sector of it, and inside a row",
        "6 forms",
        "at the end they are a torn end; inside, the log is refused and not touched",
        "4 set aside, 2 refused",
    );
}

#[test]
fn a_flipped_byte_anywhere_is_found() {
    let dir = folder();
    let whole = sample();
    let path = dir.path().join("sample.csv");
    let mut found = 0;
    for offset in 0..whole.len() {
        for mask in [0x01, 0x20, 0x80, 0xFF] {
            let mut bytes = whole.to_vec();
            bytes[offset] ^= mask;
            fs::write(&path, &bytes).unwrap();
            let report = verify(&path).unwrap();
            assert!(!report.is_ok(), "byte {offset} ^ {mask:#x}");
            // The line that is named is the one with the byte.
            let line = whole[..offset].iter().filter(|b| **b == b'\n').count() as u64 + 1;
            let fault = report.fault.unwrap();
            let named = fault.line;
            assert_eq!(named, line, "byte {offset} ^ {mask:#x}: {fault}");
            found += 1;
        }
    }
    faults::report(
        "one byte of the log flipped",
        "each byte of a log in turn, with four masks",
        format!("{} flips", whole.len() * 4),
        "`log verify` finds it and names the line",
        format!("{found} found"),
    );
}

#[test]
fn a_log_that_was_edited_or_renamed_is_not_gone_on_with_and_not_touched() {
    let dir = folder();
    let whole = sample();
    let text = String::from_utf8(whole.to_vec()).unwrap();
    let path = dir.path().join("sample.csv");
    let edited = text.replacen("30.01", "30.02", 1);
    fs::write(&path, &edited).unwrap();
    assert!(matches!(LogFile::open(&path), Err(LogError::Bad(_))));
    assert_eq!(fs::read_to_string(&path).unwrap(), edited);
    let copy = dir.path().join("copy.csv");
    fs::write(&copy, whole).unwrap();
    let error = LogFile::open(&copy).unwrap_err().to_string();
    assert!(
        error.contains("copy.csv:2:batch:") && error.contains("`sample`"),
        "{error}"
    );
    assert_eq!(fs::read(&copy).unwrap(), whole);
    let error = LogFile::open(dir.path()).unwrap_err();
    assert!(matches!(error, LogError::NotAFile { .. }));
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic_or_lose_them(
        bytes in prop::collection::vec(any::<u8>(), 0..400),
        keep in 0..2000usize,
    ) {
        let dir = folder();
        let mut all = sample().to_vec();
        all.truncate(keep);
        all.extend(bytes);
        let path = dir.path().join("sample.csv");
        fs::write(&path, &all).unwrap();
        let _ = verify(&path).unwrap().to_string();
        match LogFile::open(&path) {
            Ok((log, found)) => {
                let left = fs::read(log.path()).unwrap();
                let aside = fs::read(dir.path().join("sample.torn")).unwrap_or_default();
                let torn = found.torn.map_or(0, |t| t.bytes) as usize;
                prop_assert_eq!(&aside[..torn], &all[all.len() - torn..]);
                prop_assert!(left.starts_with(&all[..all.len() - torn]));
            }
            Err(error) => {
                prop_assert!(error.to_string().contains("sample.csv"));
                prop_assert_eq!(fs::read(&path).unwrap(), all);
            }
        }
    }
}

#[test]
fn a_log_is_for_its_owner_only_since_it_holds_the_formula() {
    let dir = tempfile::tempdir().unwrap();
    let log = LogFile::create(&dir.path().join("new/logs"), "mode", "f").unwrap();
    for name in ["mode.csv", "mode.lock"] {
        let file = dir.path().join("new/logs").join(name);
        assert_eq!(
            fs::metadata(file).unwrap().permissions().mode() & 0o777,
            0o600
        );
    }
    drop(log);
}

// ---- other programs ----------------------------------------------------------------------------

fn hold(path: &Path) {
    let _log = LogFile::open(path).unwrap();
    eprintln!("held");
    std::thread::sleep(Duration::from_secs(60));
}

/// Starts the child and waits for its first line.
fn spawn_and_wait(mut command: Command, line: &str) -> Child {
    let mut child = command.spawn().unwrap();
    let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
    let found = lines
        .by_ref()
        .map(Result::unwrap)
        .find(|found| found.contains(line));
    assert!(found.is_some(), "the child ended without saying {line}");
    child
}

#[test]
fn a_second_writer_is_refused_and_told_who_the_first_is() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("two.csv");
    drop(LogFile::create_at(&path, "f").unwrap());
    let mut first = spawn_and_wait(child_command(&[], "hold", &path), "held");
    let error = LogFile::open(&path).unwrap_err();
    assert!(matches!(error, LogError::Locked { holder, .. } if holder == Some(first.id())));
    assert!(
        error
            .to_string()
            .contains(&format!("process {}", first.id())),
        "{error}"
    );
    assert!(matches!(
        LogFile::create_at(&path, "f"),
        Err(LogError::Locked { .. })
    ));
    // Reading needs no lock; and a first that is killed holds nothing.
    assert!(verify(&path).unwrap().is_ok());
    first.kill().unwrap();
    first.wait().unwrap();
    let (_log, found) = LogFile::open(&path).unwrap();
    assert_eq!(found.record.rows, 0);
    assert!(
        matches!(LogFile::open(&path), Err(LogError::Locked { .. })),
        "same process"
    );
}

#[test]
fn a_log_deleted_while_open_is_written_back_and_one_moved_or_replaced_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("moved.csv");
    let mut log = LogFile::create_at(&path, "f").unwrap();
    log.append(&draft(1, "one"), nine()).unwrap();
    fs::remove_file(&path).unwrap();
    log.append(&draft(2, "two"), nine()).unwrap();
    assert_eq!(rows(&path).len(), 2);

    let saved = dir.path().join("saved");
    fs::rename(&path, &saved).unwrap();
    let error = log.append(&draft(3, "three"), nine()).unwrap_err();
    assert!(matches!(error, LogError::Moved { .. }), "{error}");
    assert!(
        error.to_string().contains(saved.to_str().unwrap()),
        "{error}"
    );
    assert!(!path.exists(), "there are never two logs of a batch");
    fs::write(&path, "saved by a spreadsheet\r\n").unwrap();
    let error = log.append(&draft(3, "three"), nine()).unwrap_err();
    assert!(matches!(error, LogError::Changed { .. }), "{error}");
    assert_eq!(
        fs::read_to_string(&path).unwrap(),
        "saved by a spreadsheet\r\n"
    );
    fs::rename(&saved, &path).unwrap();
    log.append(&draft(3, "three"), nine()).unwrap();
    assert_eq!(rows(&path).len(), 3);

    fs::OpenOptions::new()
        .append(true)
        .open(&path)
        .unwrap()
        .write_all(b"foreign\n")
        .unwrap();
    let before = fs::read(&path).unwrap();
    assert!(matches!(
        log.append(&draft(4, "four"), nine()),
        Err(LogError::Changed { .. })
    ));
    assert_eq!(fs::read(&path).unwrap(), before);
}

/// An old backup is copied over the log in the middle of a batch: by its name, and into the same file.
#[test]
fn rows_are_kept_beside_a_log_that_an_old_backup_was_put_over() {
    for in_place in [false, true] {
        let dir = folder();
        let path = dir.path().join("soak.csv");
        let mut log = LogFile::create_at(&path, "f").unwrap();
        log.append(&draft(1, "one"), nine()).unwrap();
        let backup = fs::read(&path).unwrap();
        log.append(&draft(2, "two"), nine()).unwrap();
        let whole = fs::read(&path).unwrap();
        if !in_place {
            fs::remove_file(&path).unwrap();
        }
        fs::write(&path, &backup).unwrap();
        let error = log.append(&draft(3, "three"), nine()).unwrap_err();
        assert!(matches!(error, LogError::Changed { .. }), "{error}");
        let rescued = dir.path().join("soak.rescued");
        assert!(
            error.to_string().contains(rescued.to_str().unwrap()),
            "{error}"
        );
        assert_eq!(fs::read(&rescued).unwrap(), whole);
        assert_eq!(fs::read(&path).unwrap(), backup, "nothing is overwritten");
        // As the message says: the log is put back as it was.
        fs::copy(&rescued, &path).unwrap();
        assert_eq!(log.append(&draft(3, "three"), nine()).unwrap(), 3);
        assert_eq!(rows(&path).len(), 3);
    }
    faults::report(
        "log replaced by an old backup",
        "an older copy of the log is put over it while it is written, by name and in place",
        "2 ways",
        "nothing is overwritten, the rows so far are kept beside it, and the message says where",
        "put back as the message says, the next row follows",
    );
}

#[test]
fn a_folder_that_was_removed_is_made_again_and_one_that_was_moved_is_not() {
    let dir = folder();
    let logs = dir.path().join("shop/logs");
    let mut log = LogFile::create(&logs, "gone", "f").unwrap();
    log.append(&draft(1, "one"), nine()).unwrap();
    fs::remove_dir_all(dir.path().join("shop")).unwrap();
    log.append(&draft(2, "two"), nine()).unwrap();
    assert_eq!(rows(log.path()).len(), 2);
    assert!(
        matches!(LogFile::open(log.path()), Err(LogError::Locked { .. })),
        "the lock is at its place again"
    );
    let moved = dir.path().join("elsewhere");
    fs::rename(&logs, &moved).unwrap();
    let error = log
        .append(&draft(3, "three"), nine())
        .unwrap_err()
        .to_string();
    assert!(
        error.contains(moved.join("gone.csv").to_str().unwrap()),
        "{error}"
    );
    assert!(!logs.exists());
    fs::rename(&moved, &logs).unwrap();
    assert_eq!(log.append(&draft(3, "three"), nine()).unwrap(), 3);
}

// ---- rows that could not be written -----------------------------------------------------------

/// A log of three rows, and a file with the next two.
fn spilt(dir: &Path) -> (PathBuf, PathBuf) {
    let mut log = LogFile::create(&dir.join("logs"), "spilt", "Tideline").unwrap();
    for ticket in 1..4 {
        log.append(&draft(ticket, "there"), nine()).unwrap();
    }
    let tail = log.tail();
    let drafts = [(draft(4, "=kept"), nine()), (draft(5, "kept, too"), nine())];
    // A file stands where the first folder would be.
    fs::write(dir.join("no-folder"), "").unwrap();
    let folders = [dir.join("no-folder"), dir.join("state")];
    let kept = spill::keep(&folders, &tail.batch, &tail.rows(&drafts)).unwrap();
    assert_eq!(kept, dir.join("state/bismar-unwritten-spilt.csv"));
    assert_eq!(spill::find(&folders), std::slice::from_ref(&kept));
    (log.path().to_owned(), kept)
}

#[test]
fn rows_that_were_kept_elsewhere_are_added_once() {
    let dir = folder();
    let logs = dir.path().join("logs");
    let (log, kept) = spilt(dir.path());
    let mode = fs::metadata(&kept).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
    let again = fs::read(&kept).unwrap();
    // A writer that hung may have written the first after all, and a power cut the half of the next.
    let next = again.split_inclusive(|b| *b == b'\n').nth(1).unwrap();
    let mut file = fs::OpenOptions::new().append(true).open(&log).unwrap();
    file.write_all(&[next, b"spilt,5"].concat()).unwrap();
    assert_eq!(spill::take_in(&kept, &logs).unwrap().rows, 1);
    assert!(!kept.exists());
    let whole = fs::read(&log).unwrap();
    // A daemon that died before it removed the file.
    fs::write(&kept, &again).unwrap();
    assert_eq!(spill::take_in(&kept, &logs).unwrap().rows, 0);
    assert!(!kept.exists());
    assert_eq!(fs::read(&log).unwrap(), whole);
    let notes: Vec<String> = rows(&log).into_iter().map(|row| row.note).collect();
    assert_eq!(notes, ["there", "there", "there", "=kept", "kept, too"]);
    assert!(verify(&log).unwrap().is_ok());
}

#[test]
fn rows_that_were_kept_elsewhere_go_into_no_other_log() {
    let dir = folder();
    let logs = dir.path().join("logs");
    let (log, kept) = spilt(dir.path());
    let (whole, again) = (fs::read(&log).unwrap(), fs::read(&kept).unwrap());
    let refused = |words: &str| {
        let error = spill::take_in(&kept, &logs).unwrap_err().to_string();
        assert!(error.contains(words), "{words}: {error}");
        assert!(error.contains(kept.to_str().unwrap()), "{error}");
        assert!(kept.exists());
    };
    // It went on without them.
    let (mut other, _) = LogFile::open(&log).unwrap();
    other.append(&draft(9, "other"), nine()).unwrap();
    drop(other);
    let on = fs::read(&log).unwrap();
    refused("row 4 of batch spilt");
    assert_eq!(fs::read(&log).unwrap(), on);
    // An older copy.
    let older: Vec<&[u8]> = whole.split_inclusive(|b| *b == b'\n').take(3).collect();
    fs::write(&log, older.concat()).unwrap();
    refused("row 4 of batch spilt");
    assert_eq!(fs::read(&log).unwrap(), older.concat());
    fs::remove_file(&log).unwrap();
    refused("rows 4 to 5 of batch spilt");
    fs::write(&log, &whole).unwrap();
    for offset in 0..again.len() {
        let mut bytes = again.clone();
        bytes[offset] ^= 1;
        fs::write(&kept, &bytes).unwrap();
        let error = spill::take_in(&kept, &logs).unwrap_err();
        assert_eq!(fs::read(&log).unwrap(), whole, "byte {offset}: {error}");
    }
    fs::write(&kept, &again).unwrap();
    assert_eq!(spill::take_in(&kept, &logs).unwrap().rows, 2);
}

// ---- kill -9 -----------------------------------------------------------------------------------

/// Appends rows without end and says each one that is acknowledged.
fn append_fast(path: &Path) {
    let (mut log, found) = LogFile::open(path).unwrap();
    for n in found.record.rows + 1.. {
        let seq = log.append(&draft(n, &format!("row {n}")), nine()).unwrap();
        eprintln!("ack {seq}");
    }
}

/// What kill -9 shows: no row is lost by the program. That a synced row also outlives a power cut is
/// the kernel's and the disk's word.
#[test]
fn every_acknowledged_row_outlives_kill_9() {
    let dir = folder();
    let path = dir.path().join("killed.csv");
    drop(LogFile::create_at(&path, "f").unwrap());
    let mut acknowledged = 0;
    for round in 0..12u64 {
        let mut child = child_command(&[], "append-fast", &path).spawn().unwrap();
        let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
        let mut note = |line: Result<String, std::io::Error>| {
            if let Some(seq) = line.ok().and_then(|l| l.strip_prefix("ack ")?.parse().ok()) {
                acknowledged = seq;
            }
        };
        lines
            .by_ref()
            .take(3 + round as usize * 7)
            .for_each(&mut note);
        child.kill().unwrap();
        // What it said before it died counts too.
        lines.for_each(&mut note);
        child.wait().unwrap();
        let (_log, found) = LogFile::open(&path).unwrap();
        assert!(
            found.record.rows >= acknowledged,
            "{} of {acknowledged}",
            found.record.rows
        );
        for (i, row) in rows(&path).iter().enumerate() {
            assert_eq!(
                (row.seq, row.note.as_str()),
                (i as u64 + 1, &*format!("row {}", i + 1))
            );
        }
    }
    assert!(acknowledged > 100, "{acknowledged}");
    faults::report(
        "log's process killed while it appends",
        "SIGKILL to a process that appends as fast as it can",
        "12 kills",
        "every acknowledged row is there, in order, whole",
        format!(
            "{acknowledged} rows acknowledged, {} there",
            rows(&path).len()
        ),
    );
}

// ---- a full disk and a failing disk ------------------------------------------------------------

/// Runs a task with `LOG` on a small disk of its own.
fn on_small_disk(task: &str) {
    let dir = tempfile::tempdir().unwrap();
    let disk = SmallDisk::at(dir.path());
    let out = child_command(&disk.before(), task, &dir.path().join("full.csv")).output();
    let out = out.unwrap();
    let words = String::from_utf8_lossy(&out.stderr);
    assert!(
        out.status.success() && words.contains("task done"),
        "{words}"
    );
    disk.tell();
}

#[test]
fn a_full_disk_leaves_whole_rows_and_the_row_is_written_later() {
    on_small_disk("full-disk");
}

fn full_disk(path: &Path) {
    let mut log = LogFile::create_at(path, "f").unwrap();
    let ballast = path.with_extension("ballast");
    fs::write(&ballast, vec![1; 40_000]).unwrap();
    let mut n = 0;
    let error = loop {
        n += 1;
        assert!(n < 10_000, "the disk is never full");
        match log.append(&draft(n, &format!("row {n}")), nine()) {
            Ok(seq) => assert_eq!(seq, n),
            Err(error) => break error,
        }
    };
    assert!(
        n > 20 && error.to_string().contains("make room"),
        "{n} {error}"
    );
    for _ in 0..3 {
        assert!(log.append(&draft(n, &format!("row {n}")), nine()).is_err());
        assert_eq!(rows(path).len() as u64, n - 1);
    }
    // Rows that did not get through may come back in another order, or not at all.
    fs::remove_file(ballast).unwrap();
    assert_eq!(
        log.append(&draft(n, &format!("row {n}")), nine()).unwrap(),
        n
    );
    assert_eq!(
        log.append(&draft(n, &format!("row {n}")), nine()).unwrap(),
        n,
        "not doubled"
    );
    assert_eq!(log.append(&draft(n + 1, "next"), nine()).unwrap(), n + 1);
    assert_eq!(rows(path).len() as u64, n + 1);
    drop(log);
    assert!(LogFile::open(path).unwrap().1.torn.is_none());
    faults::report(
        "disk full",
        &format!(
            "{} filled to the last byte, then freed",
            small_disk::given()
        ),
        "4 refused rows",
        "no torn row is left, the refused row is written later, once",
        format!("full at row {n}, {} rows in the end", n + 1),
    );
    eprintln!("task done");
}

#[test]
fn the_writer_reports_a_full_disk_once_and_goes_on_in_order() {
    on_small_disk("full-disk-writer");
}

fn full_disk_writer(path: &Path) {
    let log = LogFile::create_at(path, "f").unwrap();
    let ballast = path.with_extension("ballast");
    // Fills the disk to the last byte.
    let mut file = fs::File::create(&ballast).unwrap();
    small_disk::to_the_end(&mut file);
    let (say, hear) = mpsc::channel();
    let answer = move |ticket, result: Result<u64, LogError>| {
        say.send((ticket, result.ok())).unwrap();
    };
    let retry = Duration::from_millis(5);
    let writer = LogWriter::start(log, retry, Box::new(answer)).unwrap();
    // The header's page has room for some rows yet.
    let mut heard = Vec::new();
    let mut sent = 0;
    while heard
        .last()
        .is_none_or(|(_, seq): &(u64, Option<u64>)| seq.is_some())
    {
        sent += 1;
        writer.send(draft(sent, "row"), nine());
        heard.push(hear.recv().unwrap());
    }
    for ticket in sent + 1..sent + 4 {
        writer.send(draft(ticket, "behind"), nine());
    }
    assert_eq!(writer.waiting(), 4);
    // Many tries later there is still one answer only.
    assert_eq!(
        hear.recv_timeout(Duration::from_millis(50)),
        Err(mpsc::RecvTimeoutError::Timeout)
    );
    drop(file);
    fs::remove_file(&ballast).unwrap();
    let later: Vec<_> = (0..4).map(|_| hear.recv().unwrap()).collect();
    let wanted: Vec<_> = (sent..sent + 4).map(|n| (n, Some(n))).collect();
    assert_eq!(later, wanted);
    assert_eq!(rows(path).len() as u64, sent + 3);

    // Shutdown on a full disk gives up at its limit and gives the rows back.
    let mut file = fs::File::create(&ballast).unwrap();
    small_disk::to_the_end(&mut file);
    for ticket in 1000..1100 {
        writer.send(draft(ticket, "late"), nine());
    }
    let (tail, unwritten) = writer.shutdown(Duration::from_millis(50));
    let written = rows(path).len() as u64 - (sent + 3);
    let tickets: Vec<u64> = unwritten.iter().map(|(draft, _)| draft.ticket).collect();
    let wanted: Vec<u64> = (1000 + written..1100).collect();
    assert!(!tickets.is_empty());
    assert_eq!(tickets, wanted);
    assert_eq!(tail.next_seq, sent + 3 + written + 1);
    // The thread is gone and with it the lock.
    LogFile::open(path).unwrap();
    eprintln!("task done");
}

#[test]
fn shutdown_writes_all_that_waits() {
    let dir = folder();
    let log = LogFile::create(dir.path(), "shut", "f").unwrap();
    let path = log.path().to_owned();
    let writer = LogWriter::start(log, Duration::from_secs(1), Box::new(|_, _| {})).unwrap();
    for ticket in 1..=200 {
        writer.send(draft(ticket, "row"), nine());
    }
    assert!(writer.is_alive());
    assert!(writer.shutdown(Duration::from_secs(60)).1.is_empty());
    assert_eq!(rows(&path).len(), 200);
}

/// A library put before libc whose fdatasync fails with EIO while a file is there.
const FAILING_SYNC: &str = r#"
#include <errno.h>
#include <stdlib.h>
#include <sys/syscall.h>
#include <unistd.h>
int fdatasync(int fd) {
    const char *flag = getenv("BISMAR_TEST_SYNC_FAILS");
    if (flag && access(flag, F_OK) == 0) { errno = EIO; return -1; }
    return (int)syscall(SYS_fdatasync, fd);
}
"#;

#[test]
fn a_row_whose_sync_failed_does_not_count_and_is_not_doubled() {
    let dir = tempfile::tempdir().unwrap();
    let library = Library::built(FAILING_SYNC);
    let path = dir.path().join("eio.csv");
    let out = child_command(&[], "sync-fails", &path)
        .env("LD_PRELOAD", library.path())
        .env("BISMAR_TEST_SYNC_FAILS", path.with_extension("flag"))
        .output()
        .unwrap();
    let words = String::from_utf8_lossy(&out.stderr);
    assert!(
        out.status.success() && words.contains("task done"),
        "{words}"
    );
}

fn sync_fails(path: &Path) {
    let flag = path.with_extension("flag");
    let mut log = LogFile::create_at(path, "f").unwrap();
    assert_eq!(log.append(&draft(1, "one"), nine()).unwrap(), 1);
    fs::write(&flag, "").unwrap();
    for _ in 0..2 {
        let error = log
            .append(&draft(2, "two"), nine())
            .unwrap_err()
            .to_string();
        assert!(error.contains("cannot sync a row to the disk"), "{error}");
        assert_eq!(
            rows(path).len(),
            1,
            "a row that is not synced is not in the file"
        );
    }
    // A second program that adds to the file while the disk fails is not written over.
    let good = fs::read(path).unwrap();
    fs::write(path, [&good[..], b"foreign"].concat()).unwrap();
    fs::remove_file(&flag).unwrap();
    assert!(matches!(
        log.append(&draft(2, "two"), nine()),
        Err(LogError::Changed { .. })
    ));
    assert!(fs::read(path).unwrap().ends_with(b"foreign"));
    fs::write(path, &good).unwrap();
    assert_eq!(log.append(&draft(2, "two"), nine()).unwrap(), 2);
    assert_eq!(log.append(&draft(3, "three"), nine()).unwrap(), 3);
    let notes: Vec<String> = rows(path).into_iter().map(|row| row.note).collect();
    assert_eq!(notes, ["one", "two", "three"]);
    faults::report(
        "disk fails to sync",
        "fdatasync fails with EIO (a library preloaded), twice, then works",
        "2 failed syncs",
        "a row that is not synced does not count, is not in the file and is not doubled; another program's \
         bytes are not written over",
        format!("{} rows in the end", notes.len()),
    );
    eprintln!("task done");
}

// ---- size --------------------------------------------------------------------------------------

/// Peak memory of a process that reads a log of 20 MB, as the kernel tells it, grows by a small
/// part of that.
#[test]
fn a_big_log_is_verified_in_bounded_memory() {
    let dir = folder();
    let path = dir.path().join("big.csv");
    let mut file = std::io::BufWriter::new(fs::File::create(&path).unwrap());
    let note = "x".repeat(10_000);
    let rows = (1..=2_000).map(|seq| (nine(), draft(seq, &note)));
    for line in logs::sealed("big", "f", rows) {
        file.write_all(&line).unwrap();
    }
    file.into_inner().unwrap();
    assert!(fs::metadata(&path).unwrap().len() > 20_000_000);
    let out = child_command(&[], "verify-big", &path).output().unwrap();
    let words = String::from_utf8_lossy(&out.stderr);
    assert!(
        out.status.success() && words.contains("task done"),
        "{words}"
    );
}

fn verify_big(path: &Path) {
    let before = peak_kib();
    let report = verify(path).unwrap();
    assert!(report.is_ok(), "{report}");
    assert_eq!(report.rows, 2_000);
    let more = peak_kib() - before;
    // Of each weight its numbers are kept, to hold later rows against them.
    assert!(more < 5_000, "{more} KiB more");
    eprintln!("task done");
}

fn peak_kib() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let line = status
        .lines()
        .find(|line| line.starts_with("VmHWM:"))
        .unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}
