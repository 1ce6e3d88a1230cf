//! The index of a folder of logs is a cache: with it and without it every look at the folder gives the same, whatever
//! happens to the logs, to the index and to who writes it. What each log says is read and proved by
//! `record::read`, without any index.

use std::collections::BTreeMap;
use std::fs::{self, File, FileTimes};
use std::io::Write as _;
use std::os::unix::fs::{FileExt as _, MetadataExt as _};
use std::path::PathBuf;
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, SystemTime};

use bismar::journal::batch::summary::Summary;
use bismar::journal::format::opening::Opening;
use bismar::journal::read::archive::{Archive, Progress};
use bismar::journal::read::folder::batches_in;
use bismar::journal::read::record;
use bismar::lots::stocktake::Stocktake;
use bismar::lots::uses_of;
use bismar::mass::Mass;
use bismar::vocabulary::entry::{Draft, RowKind, Verdict};
use tempfile::TempDir;

use crate::bench_side::formulas::SOAK;
use crate::bench_side::logs::{closed, sealed, weighed};
use crate::bench_side::person::bismar;
use crate::bench_side::preload::Library;

/// More than the index waits for.
const LOGS: usize = 40;

/// A folder of logs that have not been touched for some seconds, and a home with a cache.
struct Workshop {
    dir: TempDir,
}

impl Workshop {
    fn new() -> Workshop {
        let workshop = Workshop {
            dir: tempfile::tempdir().unwrap(),
        };
        fs::create_dir(workshop.logs()).unwrap();
        for n in 0..LOGS {
            workshop.write(n, &rows(n));
        }
        // An index keeps no log that was written to just now.
        std::thread::sleep(Duration::from_millis(4_100));
        workshop
    }

    /// As [`Workshop::new`], with the index written.
    fn indexed() -> Workshop {
        let workshop = Workshop::new();
        workshop.holds();
        assert_eq!(
            records(&fs::read(workshop.index()).unwrap()).len(),
            LOGS + 1
        );
        workshop
    }

    fn logs(&self) -> PathBuf {
        self.dir.path().join("logs")
    }

    fn log(&self, n: usize) -> PathBuf {
        self.logs().join(format!("soak-{n:02}.csv"))
    }

    fn write(&self, n: usize, rows: &[Draft]) {
        fs::write(self.log(n), log_text(&format!("soak-{n:02}"), rows)).unwrap();
    }

    fn cache(&self) -> PathBuf {
        self.dir.path().join("home/.cache/bismar")
    }

    /// The only index there is.
    fn index(&self) -> PathBuf {
        let mut found: Vec<PathBuf> = fs::read_dir(self.cache())
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .collect();
        found.retain(|path| path.extension().is_some_and(|end| end == "index"));
        assert_eq!(found.len(), 1, "{found:?}");
        found.remove(0)
    }

    fn archive(&self) -> Archive {
        Archive::new(&self.logs(), Some(self.cache()))
    }

    /// Every look gives what the logs give.
    #[track_caller]
    fn holds(&self) {
        let (batches, faults) = self.archive().each(1, Summary::clone).unwrap();
        let (mut wanted, mut wrong) = (Vec::new(), Vec::new());
        for path in batches_in(&self.logs()).unwrap() {
            let record = record::read(&path).unwrap();
            wrong.extend(record.fault.clone());
            wanted.push(record.summary());
        }
        assert_eq!(faults, wrong);
        assert_eq!(batches, wanted);
        let plain = Archive::new(&self.logs(), None);
        assert_eq!(self.archive().newest().unwrap(), plain.newest().unwrap());
        let open = |archive: Archive| {
            let found = archive.list_open(1).unwrap();
            let bad: Vec<String> = found.bad.iter().map(ToString::to_string).collect();
            (found.open, bad)
        };
        assert_eq!(open(self.archive()), open(plain));
    }
}

/// Batch `n`: of three, one is open, one has its jars filled, and one its first step left out.
fn rows(n: usize) -> Vec<Draft> {
    let step = |step, ingredient: &str, lot: String| Draft {
        target: Some(Mass::from_g(50)),
        high: Some(Mass::from_mg(50_500)),
        verdict: Some(Verdict::Inside),
        ..weighed(step, ingredient, &lot, 50_000 + 10 * n as i64)
    };
    let residue = Draft {
        step: 2,
        ingredient: "Epsom salt".into(),
        net: Some(Mass::from_mg(350)),
        readability: Mass::from_mg(10),
        ..Draft::new(RowKind::Residue, "")
    };
    let mut rows = vec![
        step(1, "Sea salt", format!("L-{}", n % 7)),
        step(2, "Epsom salt", "É-1".into()),
        residue,
    ];
    match n % 3 {
        0 => {}
        1 => {
            let jar = Draft {
                step: 1,
                ..weighed(1, "Soak", "", 20_000)
            };
            rows.extend([
                closed(),
                Draft {
                    kind: RowKind::Filled,
                    ..jar
                },
            ]);
        }
        _ => {
            let skip = Draft {
                note: "skipped: the bag is empty".into(),
                ..weighed(3, "Oat flour", "", 0)
            };
            rows.extend([skip, closed()]);
        }
    }
    rows
}

/// A whole log without the writer, which waits for the disk at each row.
fn log_text(batch: &str, rows: &[Draft]) -> Vec<u8> {
    let opening = Opening {
        text: SOAK.into(),
        batch: Mass::from_g(100),
        jars: Some((3, Mass::from_g(20))),
    };
    let opening = opening.drafts("Soak 1").unwrap();
    let at = |minute: i64| jiff::Timestamp::from_second(1_770_000_000 + 60 * minute).unwrap();
    let rows = (1..).map(at).zip(opening.iter().chain(rows));
    sealed(batch, "Soak 1", rows).flatten().collect()
}

/// Another byte in the weight of a log's last row, at the same length.
fn edited(text: &[u8]) -> Vec<u8> {
    let mut text = text.to_vec();
    let place = text.windows(4).rposition(|four| four == b",50.").unwrap();
    text[place + 1] = b'6';
    text
}

/// The records of an index: a length in four bytes, eight of a hash, and as many bytes as the length says.
fn records(mut index: &[u8]) -> Vec<&[u8]> {
    let mut found = Vec::new();
    while let Some((length, rest)) = index.split_first_chunk::<4>() {
        let (record, rest) = rest.split_at(8 + u32::from_le_bytes(*length) as usize);
        found.push(&record[8..]);
        index = rest;
    }
    found
}

/// What stands in the index is pinned: who changes what it is made of gives it a new number (`FORMAT`).
#[test]
fn the_index_says_what_it_said() {
    let workshop = Workshop::indexed();
    let index = fs::read(workshop.index()).unwrap();
    let records = records(&index);
    assert!(
        records[0].starts_with(b"\x0ebismar index 3"),
        "{:?}",
        records[0]
    );
    // The stamp, between the file's name and the batch's, is of this machine.
    let told = records[3];
    assert!(told.starts_with(b"\x0bsoak-02.csv"));
    let batch = told
        .windows(8)
        .position(|eight| eight == b"\x07soak-02")
        .unwrap();
    assert_eq!(told[batch - 1..].escape_ascii().to_string(), TOLD);
    let mode = fs::metadata(workshop.index()).unwrap().mode() & 0o777;
    assert_eq!(mode, 0o600, "a log holds the formula, and so does this");
}

const TOLD: &str = concat!(
    r"\x05\x07soak-02\x06Soak 1\x01\x0bMarram soak\x00\x01\xc0\xb9\xcc\xc3\x83g\x01\xc0\xb2\xf8\",
    r"xc3\x83g\x01\x1dincomplete: Oat flour skipped\x80\xba\xe5\xdf\xe6\x05\x00\x01\x03\x00\x03\",
    r"x01\x08Sea salt\x03L-2\xc0\x8c\xdb\xc3\x83g\x80\x84\xe5\xd6\xf4\x02\x02\x01\x80\xd0\xdb\xc",
    r"3\xf4\x02\x02\x00\x00\x01\x00\x00\x01\xc0\xb9\xcc\xc3\x83g\x02\nEpsom salt\x04\xc3\x89-1\x",
    r"80\xb6\xe2\xc3\x83g\x80\x84\xe5\xd6\xf4\x02\x02\x01\x80\xd0\xdb\xc3\xf4\x02\x02\x01\x80\xc",
    r"e\xe4\xcd\x02\x02\x00\x01\x00\x00\x01\xc0\x8c\xdb\xc3\x83g\x03\tOat flour\x00\x80\x89\xf1\",
    r"xc3\x83g\x00\x02\x00\x00\x02\x00\x00\x01\x80\xb6\xe2\xc3\x83g",
);

#[test]
fn a_log_that_is_not_as_it_was_is_read_again() {
    let workshop = Workshop::indexed();
    let text = |n| fs::read(workshop.log(n)).unwrap();
    // Edited in place to the same length, and its time set back.
    let (path, before) = (workshop.log(4), fs::metadata(workshop.log(4)).unwrap());
    let file = File::options().write(true).open(&path).unwrap();
    (&file).write_all(&edited(&text(4))).unwrap();
    file.set_times(FileTimes::new().set_modified(before.modified().unwrap()))
        .unwrap();
    let after = fs::metadata(&path).unwrap();
    assert_eq!(
        (before.size(), before.modified().unwrap()),
        (after.size(), after.modified().unwrap())
    );
    workshop.holds();
    assert_eq!(
        workshop.archive().each(1, |_| ()).unwrap().1.len(),
        1,
        "the damage is told"
    );
    // Another of the same length and time put in its place.
    let other = workshop.dir.path().join("other");
    fs::write(&other, log_text("soak-05", &rows(12))).unwrap();
    let before = fs::metadata(workshop.log(5)).unwrap();
    let file = File::options().write(true).open(&other).unwrap();
    file.set_times(FileTimes::new().set_modified(before.modified().unwrap()))
        .unwrap();
    fs::rename(&other, workshop.log(5)).unwrap();
    workshop.holds();
    // Two that change names, one cut, one longer, one gone, one more, one that is a link to another.
    fs::rename(workshop.log(6), &other).unwrap();
    fs::rename(workshop.log(7), workshop.log(6)).unwrap();
    fs::rename(&other, workshop.log(7)).unwrap();
    workshop.holds();
    File::options()
        .write(true)
        .open(workshop.log(8))
        .unwrap()
        .set_len(400)
        .unwrap();
    workshop.holds();
    fs::write(workshop.log(9), [&text(9)[..], b"more"].concat()).unwrap();
    workshop.holds();
    fs::remove_file(workshop.log(10)).unwrap();
    workshop.write(41, &rows(1));
    workshop.holds();
    fs::remove_file(workshop.log(11)).unwrap();
    std::os::unix::fs::symlink(workshop.log(13), workshop.log(11)).unwrap();
    workshop.holds();
    fs::write(workshop.log(13), edited(&text(13))).unwrap();
    workshop.holds();
}

/// A log whose time is to come was written before the clock was set back: it can be edited without a new time, and is
/// read each time.
#[test]
fn a_log_of_the_future_is_read_each_time() {
    let workshop = Workshop::new();
    let to_come = FileTimes::new().set_modified(SystemTime::now() + Duration::from_secs(86_400));
    let set = |n| {
        File::options()
            .write(true)
            .open(workshop.log(n))
            .unwrap()
            .set_times(to_come)
            .unwrap()
    };
    (0..LOGS).for_each(set);
    workshop.holds();
    assert!(!workshop.cache().exists(), "nothing of it is kept");
}

/// An index that is cut anywhere, has a bit turned, is another folder's or no index at all.
#[test]
fn a_damaged_index_is_not_believed() {
    let workshop = Workshop::indexed();
    let (path, whole) = (workshop.index(), fs::read(workshop.index()).unwrap());
    let put = |bytes: &[u8]| fs::write(&path, bytes).unwrap();
    let second = 400;
    let wanted = Archive::new(&workshop.logs(), None)
        .each(1, Summary::clone)
        .unwrap();
    let holds = || assert_eq!(workshop.archive().each(1, Summary::clone).unwrap(), wanted);
    for end in (0..second).chain((second..whole.len()).step_by(173)) {
        put(&whole[..end]);
        holds();
    }
    let mut random = fastrand::Rng::with_seed(17);
    for _ in 0..250 {
        let mut bytes = whole.clone();
        for _ in 0..random.usize(1..4) {
            let place = random.usize(..bytes.len());
            bytes[place] ^= 1 << random.u32(..8);
        }
        put(&bytes);
        holds();
    }
    // Records twice, and in another order.
    let mut ends = vec![0];
    for record in records(&whole) {
        ends.push(ends.last().unwrap() + 12 + record.len());
    }
    let cut: Vec<&[u8]> = ends.windows(2).map(|two| &whole[two[0]..two[1]]).collect();
    let twice = [&cut[..1], &cut[1..], &cut[1..]].concat();
    let backwards: Vec<&[u8]> = cut[..1]
        .iter()
        .chain(cut[1..].iter().rev())
        .copied()
        .collect();
    for cut in [twice, backwards] {
        put(&cut.concat());
        holds();
    }
    for foreign in [
        &b"\n\n\n"[..],
        b"\xff\xfe\x00",
        &[b'['; 3_000_000],
        b"no index\n",
    ] {
        put(foreign);
        workshop.holds();
    }
    // Of another folder, which lies there under this one's name.
    let other = Workshop::indexed();
    fs::copy(other.index(), &path).unwrap();
    workshop.holds();
    // No file at all.
    fs::remove_file(&path).unwrap();
    fs::create_dir(&path).unwrap();
    workshop.holds();
    fs::remove_dir(&path).unwrap();
    assert!(
        Command::new("mkfifo")
            .arg(&path)
            .status()
            .unwrap()
            .success()
    );
    workshop.holds();
}

/// An index of a folder that is no more goes with the next one that is written.
#[test]
fn an_index_without_its_folder_is_removed() {
    let (gone, workshop) = (Workshop::indexed(), Workshop::new());
    fs::create_dir_all(workshop.cache()).unwrap();
    let orphan = workshop.cache().join(gone.index().file_name().unwrap());
    fs::copy(gone.index(), &orphan).unwrap();
    let foreign = workshop.cache().join("foreign.index");
    fs::write(&foreign, "not ours").unwrap();
    drop(gone);
    workshop.holds();
    assert!(!orphan.exists());
    assert!(foreign.exists(), "what is not ours stays");
}

// ---- the program itself --------------------------------------------------------------------------

impl Workshop {
    /// The real program's words about a lot, on this folder.
    fn trace(&self) -> Command {
        let home = self.dir.path().join("home");
        fs::create_dir_all(&home).unwrap();
        let mut command = bismar(&home);
        command.args(["trace", "L-3", "--logs"]).arg(self.logs());
        command
    }

    fn traced(&self) -> String {
        String::from_utf8(self.trace().output().unwrap().stdout).unwrap()
    }
}

/// A library put before libc that notes which logs are opened.
const OPENED: &str = r#"
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <sys/syscall.h>
int open64(const char *path, int flags, ...) {
    va_list more; va_start(more, flags); int mode = va_arg(more, int); va_end(more);
    const char *end = strrchr(path, '.'), *place = getenv("BISMAR_TEST_OPENED");
    if (place && end && !strcmp(end, ".csv")) {
        int out = (int)syscall(SYS_openat, AT_FDCWD, place, O_WRONLY | O_CREAT | O_APPEND, 0600);
        if (out >= 0) { if (write(out, "x", 1) != 1) abort(); close(out); }
    }
    return (int)syscall(SYS_openat, AT_FDCWD, path, flags, mode);
}
"#;

/// The first look reads every log, the second none, the third only the one that is new.
#[test]
fn a_look_opens_the_logs_that_are_new() {
    let workshop = Workshop::new();
    let library = Library::built(OPENED);
    let notes = workshop.dir.path().join("opened");
    let opened = || {
        let _ = fs::remove_file(&notes);
        let mut trace = workshop.trace();
        trace
            .env("LD_PRELOAD", library.path())
            .env("BISMAR_TEST_OPENED", &notes);
        let said = trace.output().unwrap();
        assert!(
            said.status.success(),
            "{}",
            String::from_utf8_lossy(&said.stderr)
        );
        (fs::read(&notes).map_or(0, |notes| notes.len()), said.stdout)
    };
    let (first, said) = opened();
    assert_eq!(first, LOGS);
    assert_eq!(opened(), (0, said.clone()));
    workshop.write(LOGS, &rows(3));
    let (third, more) = opened();
    assert_eq!(third, 1);
    assert_ne!(more, said);
    fs::remove_dir_all(workshop.cache()).unwrap();
    assert_eq!(opened(), (LOGS + 1, more));
}

/// An index that is removed, cut and written over while it is read, by looks that also ask it twice.
#[test]
fn an_index_that_is_meddled_with_in_mid_use_is_not_believed() {
    let workshop = Workshop::indexed();
    let (said, path) = (workshop.traced(), workshop.index());
    let looked = || workshop.archive().each(1, Summary::clone).unwrap();
    let wanted = looked();
    let length = fs::metadata(&path).unwrap().len();
    let done = AtomicBool::new(false);
    let meddle = || {
        let mut random = fastrand::Rng::with_seed(18);
        while !done.load(Ordering::Relaxed) {
            // It may be gone, and come back.
            let file = File::options().write(true).open(&path);
            let _ = match (random.u32(..3), file) {
                (0, _) => fs::remove_file(&path),
                (1, Ok(file)) => file.set_len(random.u64(..length)),
                (_, Ok(file)) => file.write_all_at(&[random.u8(..)], random.u64(..length)),
                (_, Err(gone)) => Err(gone),
            };
            std::thread::sleep(Duration::from_millis(random.u64(..3)));
        }
    };
    // Asserted below: a panic in here would be waited for without end.
    let found: Vec<_> = std::thread::scope(|scope| {
        scope.spawn(meddle);
        let found = (0..60).map(|_| (workshop.traced(), looked())).collect();
        done.store(true, Ordering::Relaxed);
        found
    });
    for (traced, looked) in found {
        assert_eq!(traced, said);
        assert_eq!(looked, wanted);
    }
}

/// Where nothing can be kept every answer comes all the same, and without a word.
#[test]
fn without_a_place_for_the_index_all_is_read() {
    let workshop = Workshop::new();
    let home = workshop.dir.path().join("home");
    fs::create_dir(&home).unwrap();
    fs::write(home.join(".cache"), "a file where a folder should be").unwrap();
    workshop.holds();
    let said = workshop.trace().output().unwrap();
    assert!(said.status.success() && said.stderr.is_empty(), "{said:?}");
}

/// A library put before libc that kills the process at its nth write of an index, or before it is put in its place.
const KILLED: &str = r#"
#define _GNU_SOURCE
#include <limits.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <unistd.h>
static int nth;
static void step(void) {
    const char *at = getenv("BISMAR_TEST_KILLED_AT");
    if (at && nth++ == atoi(at)) kill(getpid(), SIGKILL);
}
ssize_t write(int fd, const void *bytes, size_t count) {
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t end = readlink(link, path, sizeof path - 1);
    if (end > 4 && !strncmp(path + end - 4, ".new", 4)) {
        const char *half = getenv("BISMAR_TEST_KILLED_AT");
        if (half && nth == atoi(half) && count > 1) syscall(SYS_write, fd, bytes, count / 2);
        step();
    }
    return syscall(SYS_write, fd, bytes, count);
}
int rename(const char *from, const char *to) { step(); return (int)syscall(SYS_rename, from, to); }
"#;

#[test]
fn a_kill_in_the_middle_of_the_writing_loses_nothing() {
    let workshop = Workshop::new();
    let library = Library::built(KILLED);
    let wanted = Archive::new(&workshop.logs(), None)
        .each(1, Summary::clone)
        .unwrap();
    let said = workshop.traced();
    fs::remove_dir_all(workshop.cache()).unwrap();
    let mut kills = 0;
    for at in 0.. {
        let mut trace = workshop.trace();
        trace
            .env("LD_PRELOAD", library.path())
            .env("BISMAR_TEST_KILLED_AT", at.to_string());
        let ended = trace.output().unwrap();
        if ended.status.success() {
            break;
        }
        kills += 1;
        assert_eq!(workshop.archive().each(1, Summary::clone).unwrap(), wanted);
        assert_eq!(workshop.traced(), said);
        let _ = fs::remove_file(workshop.index());
    }
    assert!(
        kills >= 2,
        "at a write and before it is put in its place: {kills}"
    );
    workshop.holds();
}

#[test]
fn many_at_once_write_one_good_index() {
    let workshop = Workshop::new();
    let said = workshop.traced();
    for _ in 0..4 {
        fs::remove_dir_all(workshop.cache()).unwrap();
        let started = |_| {
            workshop
                .trace()
                .stdout(std::process::Stdio::piped())
                .spawn()
                .unwrap()
        };
        let running: Vec<_> = (0..6).map(started).collect();
        for one in running {
            let ended = one.wait_with_output().unwrap();
            assert_eq!(String::from_utf8_lossy(&ended.stdout), said);
        }
        workshop.holds();
        assert_eq!(
            records(&fs::read(workshop.index()).unwrap()).len(),
            LOGS + 1
        );
    }
}

impl Workshop {
    /// What the real program says to a question, with the caches of `home`.
    fn said(&self, home: &str, question: &[&str]) -> (Option<i32>, String, String) {
        let home = self.dir.path().join(home);
        let mut command = bismar(&home);
        command.args(question).arg("--logs").arg(self.logs());
        let said = command.output().unwrap();
        let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
        (said.status.code(), text(&said.stdout), text(&said.stderr))
    }

    /// Every answer of the program is the same where no index can be, and what is added up is what the logs say.
    #[track_caller]
    fn answers_alike(&self) {
        let list = self.dir.path().join("lots.toml");
        let list = list.to_str().unwrap();
        for question in [
            &["trace", "L-3"][..],
            &["trace", "É-1", "--ingredient", "Epsom salt"],
            &["trace", "soak-06"],
            &["trace", "soak-06.csv"],
            &["trace", "nothing"],
            &["lots", "--lots", list],
            &["history", "Sea salt"],
            &["history", "Soak"],
        ] {
            let plain = self.said("bare", question);
            assert_eq!(self.said("home", question), plain, "{question:?}");
            assert!(!plain.1.is_empty() || !plain.2.is_empty(), "{question:?}");
        }
        let mut stock = Stocktake::default();
        let add = &mut |nth, batch: &Summary| stock.add(nth, batch);
        self.archive().add_up(2, &Progress::default(), add).unwrap();
        let mut sums = BTreeMap::new();
        let paths = batches_in(&self.logs()).unwrap();
        let records = paths.iter().map(|path| record::read(path).unwrap());
        for used in records.flat_map(|record| uses_of(&record.summary()).collect::<Vec<_>>()) {
            *sums
                .entry((used.lot, used.ingredient))
                .or_insert(Mass::ZERO) += used.net;
        }
        let uses = stock.uses().into_iter();
        let found: BTreeMap<_, _> = uses
            .map(|used| ((used.lot, used.ingredient), used.net))
            .collect();
        assert_eq!(found, sums);
    }

    /// Does something to a log, or to two, as editors, copies, backups and failing disks do.
    fn altered(&self, random: &mut fastrand::Rng) {
        let n = random.usize(..LOGS);
        let (path, other) = (self.log(n), self.log(random.usize(..LOGS)));
        let Ok(text) = fs::read(&path) else {
            // It is gone by now: it comes back as another batch's.
            return self.write(n, &rows(random.usize(..LOGS)));
        };
        let written = fs::metadata(&path)
            .and_then(|about| about.modified())
            .unwrap();
        match random.u32(..9) {
            0 => fs::write(&path, &text[..random.usize(..text.len())]).unwrap(),
            1 => fs::write(&path, [&text[..], b"soak-00,7,"].concat()).unwrap(),
            2 => {
                let mut text = text;
                let place = random.usize(..text.len());
                text[place] ^= 1 << random.u32(..7);
                fs::write(&path, text).unwrap();
            }
            3 => self.write(n, &rows(random.usize(..3))),
            4 => fs::remove_file(&path).unwrap(),
            5 => drop(fs::copy(&path, &other).unwrap()),
            6 => fs::rename(&path, &other).unwrap(),
            7 => fs::write(&path, "no log at all\n").unwrap(),
            _ => {
                let there = self.dir.path().join("there");
                fs::write(&there, text).unwrap();
                fs::rename(&there, &path).unwrap();
            }
        }
        // Half of them as if nothing had been written.
        if random.bool()
            && let Ok(file) = File::options().write(true).open(&path)
        {
            file.set_times(FileTimes::new().set_modified(written))
                .unwrap();
        }
    }

    /// Does something to the index.
    fn garbled(&self, random: &mut fastrand::Rng) {
        let path = self.index();
        let mut bytes = fs::read(&path).unwrap();
        match random.u32(..4) {
            0 => bytes.truncate(random.usize(..bytes.len())),
            1 => {
                let place = random.usize(..bytes.len());
                bytes[place] ^= 1 << random.u32(..8);
            }
            2 => {
                let place = random.usize(..bytes.len());
                bytes.splice(place..place, (0..random.usize(..100)).map(|_| 0));
            }
            _ => {}
        }
        fs::write(&path, bytes).unwrap();
    }
}

/// Logs altered in every way, and the index too, in rounds drawn by chance: no answer shows that there is an index.
#[test]
fn no_answer_shows_that_there_is_an_index() {
    let workshop = Workshop::indexed();
    let lots = (0..5).map(|lot| {
        format!("[[lot]]\nname = \"L-{lot}\"\ningredient = \"Sea salt\"\namount = \"1 kg\"\n")
    });
    fs::write(
        workshop.dir.path().join("lots.toml"),
        lots.collect::<String>(),
    )
    .unwrap();
    let bare = workshop.dir.path().join("bare");
    fs::create_dir_all(&bare).unwrap();
    fs::write(bare.join(".cache"), "a file where a folder should be").unwrap();
    for seed in 0..4 {
        let mut random = fastrand::Rng::with_seed(seed);
        for _ in 0..random.usize(1..8) {
            workshop.altered(&mut random);
        }
        workshop.garbled(&mut random);
        workshop.holds();
        workshop.answers_alike();
        // What was altered is old enough for the index then.
        std::thread::sleep(Duration::from_millis(4_100));
        workshop.write(LOGS, &rows(seed as usize));
        workshop.answers_alike();
        workshop.holds();
    }
}
