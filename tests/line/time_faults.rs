//! The real daemon while time or the power is not what it was: the wall clock is set, the machine is
//! suspended, the daemon is stopped, the scale is switched off and on. Nothing wrong is recorded, and
//! the batch goes on to its end.
//!
//! The clocks are shifted by a library put before libc: `CLOCK_REALTIME` as an administrator or a time
//! server sets it, `CLOCK_BOOTTIME` against `CLOCK_MONOTONIC` as a suspend leaves them
//! (clock_gettime(2)). Not tested here: a real suspend.

use std::path::{Path, PathBuf};
use std::process::Command;

use bismar::journal::read::record;
use rustix::process::{Pid, Signal, kill_process};

use crate::bench_side::faults;
use crate::bench_side::formulas::SOAK;
use crate::bench_side::logs::{only_log, rows};
use crate::bench_side::preload::Library;
use crate::bench_side::rig::{HOLDS, Rig};
use crate::bench_side::scale::Line;

/// Adds the two numbers of a file, seconds, to the wall clock and to the clock that counts suspends.
const SHIFTED_CLOCKS: &str = r#"
#include <fcntl.h>
#include <stdlib.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>
int clock_gettime(clockid_t id, struct timespec *now) {
    int result = (int)syscall(SYS_clock_gettime, id, now);
    const char *path = getenv("BISMAR_TEST_CLOCKS");
    if (result != 0 || !path || (id != CLOCK_REALTIME && id != CLOCK_BOOTTIME)) return result;
    char text[64] = {0};
    int file = open(path, O_RDONLY);
    if (file < 0) return result;
    ssize_t got = read(file, text, sizeof text - 1);
    close(file);
    if (got <= 0) return result;
    char *rest = text;
    long wall = strtol(rest, &rest, 10);
    long boot = strtol(rest, &rest, 10);
    now->tv_sec += id == CLOCK_REALTIME ? wall : boot;
    return result;
}
"#;

/// The shifted clocks of one daemon.
struct Clocks {
    file: PathBuf,
    library: Library,
    _folder: tempfile::TempDir,
}

impl Clocks {
    fn new() -> Clocks {
        let folder = tempfile::tempdir().unwrap();
        let clocks = Clocks {
            file: folder.path().join("clocks"),
            library: Library::built(SHIFTED_CLOCKS),
            _folder: folder,
        };
        clocks.shift(0, 0);
        clocks
    }

    /// Seconds on the wall clock, and of suspend.
    fn shift(&self, wall: i64, suspended: i64) {
        let new = self.file.with_extension("new");
        std::fs::write(&new, format!("{wall} {suspended}\n")).unwrap();
        std::fs::rename(&new, &self.file).unwrap();
    }

    fn around(&self, command: &mut Command) {
        command
            .env("LD_PRELOAD", self.library.path())
            .env("BISMAR_TEST_CLOCKS", &self.file);
    }

    fn in_a_pour(&self) -> Rig {
        let mut rig = Rig::begun(SOAK, |_, text| text, |command| self.around(command));
        rig.pour_of_step_2();
        rig.said.clear();
        rig
    }
}

fn signal(rig: &Rig, signal: Signal) {
    kill_process(Pid::from_child(&rig.daemon.child), signal).unwrap();
}

/// The times in the log, as they stand there.
fn times(log: &Path) -> Vec<jiff::Timestamp> {
    let rows = rows(log).into_iter();
    rows.map(|row| row["at"].parse().unwrap()).collect()
}

#[test]
fn the_wall_clock_is_set_back_and_forth_in_a_pour() {
    let clocks = Clocks::new();
    let mut rig = clocks.in_a_pour();
    clocks.shift(-3600, 0);
    rig.until(|rig| rig.hand.step == 3 && rig.hand.on_pan);
    clocks.shift(7200, 0);
    let worst = rig.finish();
    let log = only_log(&rig.person);
    let times = times(&log);
    let hours = |pair: &[jiff::Timestamp]| pair[1].duration_since(pair[0]).as_hours();
    assert!(times.windows(2).any(|pair| pair[1] < pair[0]), "{times:?}");
    assert!(times.windows(2).any(|pair| hours(pair) >= 2), "{times:?}");
    // What reads the log takes it as it is.
    let name = log.file_stem().unwrap().to_str().unwrap().to_owned();
    rig.person
        .run(&["log", "verify", log.to_str().unwrap()])
        .ended(0);
    rig.person.run(&["trace", &name]).ended(0);
    rig.person
        .run(&["sheet", &name, "--out", "sheet.html"])
        .ended(0);
    rig.person.run(&["history", "Marram soak"]).ended(0);
    faults::report(
        "wall clock set back and forth",
        "an hour back in step 2, three hours on in step 3 (a library before libc)",
        "1 batch of 3 steps",
        "no weight is off by more than its U, the batch ends complete, the rows keep their order and their \
         chain, log, sheet and history read them",
        format!("{} rows; largest error {worst:.2} U", times.len()),
    );
}

#[test]
fn a_suspend_is_a_gap() {
    let clocks = Clocks::new();
    let mut rig = clocks.in_a_pour();
    // As the kernel does it: everything stands still, and the line says nothing meanwhile.
    rig.scale.set(Line::Silent);
    std::thread::sleep(std::time::Duration::from_millis(200));
    signal(&rig, Signal::STOP);
    clocks.shift(0, 600);
    rig.hand.pour_blindly(&rig.scale, 1.5);
    rig.scale.set(Line::Good);
    signal(&rig, Signal::CONT);
    let words = "The tare must be seen again";
    rig.told(words);
    rig.hand.hear(&rig.last.clone().unwrap());
    let worst = rig.finish();
    assert!(rig.daemon.log().contains("the machine was suspended"));
    faults::report(
        "machine suspended in a pour",
        "the daemon stopped, 10 minutes more on the clock that counts a suspend; 1.5 g more go in",
        "1 batch of 3 steps",
        HOLDS,
        format!("told: \"{words}\"; largest error {worst:.2} U"),
    );
}

/// What the line said meanwhile waits in the tty's buffer, and is old when it is read.
#[test]
fn a_daemon_that_stood_still_takes_nothing_old_for_new() {
    let mut rig = Rig::in_a_pour();
    signal(&rig, Signal::STOP);
    std::thread::sleep(std::time::Duration::from_secs(4));
    rig.hand.pour_blindly(&rig.scale, 1.5);
    std::thread::sleep(std::time::Duration::from_secs(4));
    // Lifted and put back, nobody saw it.
    rig.scale.put(0.0);
    std::thread::sleep(std::time::Duration::from_secs(1));
    rig.hand.show(&rig.scale);
    std::thread::sleep(std::time::Duration::from_millis(500));
    signal(&rig, Signal::CONT);
    let worst = rig.finish();
    faults::report(
        "daemon stopped for 9 s in a pour",
        "SIGSTOP; 1.5 g go in, the beaker is lifted and put back; SIGCONT",
        "1 batch of 3 steps",
        HOLDS,
        format!("largest error {worst:.2} U"),
    );
}

#[test]
fn a_scale_switched_off_and_on_in_a_pour() {
    let mut rig = Rig::in_a_pour();
    rig.scale.set(Line::Silent);
    rig.hand.pour_blindly(&rig.scale, 1.5);
    rig.told("No weight from scale bench");
    // It calls zero what stands on it; lifted, the pan shows less than nothing.
    rig.scale.zero_here();
    rig.scale.set(Line::Good);
    let words = "The tare must be seen again. Lift the beaker";
    rig.told(words);
    rig.hand.hear(&rig.last.clone().unwrap());
    let worst = rig.finish();
    let record = record::read(&only_log(&rig.person)).unwrap();
    assert_eq!(record.steps.len(), 3);
    faults::report(
        "scale switched off and on in a pour",
        "silent, then zero with the half full beaker on it, negative when it is lifted; 1.5 g more go in",
        "1 batch of 3 steps",
        HOLDS,
        format!("told: \"{words}\"; largest error {worst:.2} U"),
    );
}
