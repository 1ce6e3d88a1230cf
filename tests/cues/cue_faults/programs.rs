//! Players and speakers that are missing, gone, failing, hung or loud.

use std::path::Path;
use std::process::Command;
use std::sync::Barrier;
use std::thread;
use std::time::{Duration, Instant};

use super::{ended, outputs, state};
use crate::bench_side::desk::script;
use crate::bench_side::formulas::SOAK;
use crate::bench_side::person::Person;
use crate::bench_side::rig::Rig;
use crate::bench_side::{LONGEST, faults};

/// How the programs are bad.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Bad {
    Missing,
    /// Taken away in the batch.
    Gone,
    /// A file with the right to be run, that is no program.
    NoProgram,
    Failing,
    Hung,
    /// 60 MB on its output, for each cue.
    Loud,
}

const PROGRAMS: [(&str, &str); 2] = [("sound", "canberra-gtk-play"), ("speech", "spd-say")];

impl Bad {
    const ALL: [Bad; 6] = [
        Bad::Missing,
        Bad::Gone,
        Bad::NoProgram,
        Bad::Failing,
        Bad::Hung,
        Bad::Loud,
    ];

    fn lay(self, bin: &Path, pids: &Path) {
        let pids = pids.display();
        let text = match self {
            Bad::Missing => return,
            Bad::Gone => "exit 0".to_owned(),
            Bad::NoProgram => String::new(),
            Bad::Failing => "exit 7".to_owned(),
            Bad::Hung => format!(
                "trap '' TERM INT HUP\n/bin/sleep 1000 & echo $$ $! >> '{pids}'\nwait\n/bin/sleep 1000"
            ),
            Bad::Loud => {
                "head() { /usr/bin/head -c 30000000 /dev/zero; }\nhead\nhead >&2".to_owned()
            }
        };
        for (_, name) in PROGRAMS {
            let path = script(bin, name, &text);
            if self == Bad::NoProgram {
                // An ELF file that ends after its first bytes (elf(5)).
                let cut = "printf '\\177ELF\\002\\001\\001' > \"$0\"";
                let mut command = Command::new("/bin/sh");
                let status = command.args(["-c", cut]).arg(&path).status();
                assert!(status.unwrap().success());
            }
        }
    }

    /// What `status` has of an output then; any of them.
    fn words(self, output: &str) -> &'static [&'static str] {
        match self {
            Bad::Missing if output == "sound" => &["no player program"],
            Bad::Missing => &["no spd-say and no espeak-ng"],
            Bad::Gone => &["No such file"],
            Bad::NoProgram => &["Exec format error", "ended with code"],
            Bad::Failing => &["ended with code 7"],
            Bad::Hung => &["took too long and was stopped", "does not come to an end"],
            Bad::Loud => &["ok"],
        }
    }
}

/// One batch with `bad` programs: what is said, the largest error, memory in MiB.
fn batch_with(bad: Bad) -> (String, f64, f64) {
    let folder = tempfile::tempdir().unwrap();
    let (bin, pids) = (folder.path().join("bin"), folder.path().join("pids"));
    std::fs::create_dir(&bin).unwrap();
    bad.lay(&bin, &pids);
    let heard = "desktop = false\nsound = true\nspeech = true\n";
    let configured = |_: &Person, text: String| outputs(&text, heard);
    let mut rig = Rig::begun(SOAK, configured, |command| {
        command.env("PATH", &bin);
    });
    let before = rig.memory("VmRSS:");
    rig.pour_of_step_2();
    if bad == Bad::Gone {
        for (_, name) in PROGRAMS {
            std::fs::remove_file(bin.join(name)).unwrap();
        }
    }
    let worst = rig.finish();
    let more = rig.memory("VmHWM:") - before;
    assert!(more < 16.0, "{bad:?}: {more} MiB more");
    let mut said = Vec::new();
    for (output, _) in PROGRAMS {
        rig.daemon.until(|| {
            let state = state(&rig, output);
            bad.words(output).iter().any(|words| state.contains(words))
        });
        said.push(format!("{output}: {}", state(&rig, output)));
    }
    ended(rig);
    let alive = || {
        let all = std::fs::read_to_string(&pids).unwrap_or_default();
        let mut all = all.split_whitespace();
        all.any(|pid| Path::new("/proc").join(pid).exists())
    };
    let end = Instant::now() + LONGEST;
    while alive() {
        assert!(Instant::now() < end, "a program outlives the daemon");
        thread::sleep(Duration::from_millis(20));
    }
    (said.join("; "), worst, more)
}

#[test]
fn programs_for_sound_and_speech_that_are_bad() {
    let start = Barrier::new(Bad::ALL.len());
    let told: Vec<(String, f64, f64)> = thread::scope(|scope| {
        let start = &start;
        let batches = Bad::ALL.map(|bad| {
            scope.spawn(move || {
                start.wait();
                batch_with(bad)
            })
        });
        batches.map(|batch| batch.join().unwrap()).into()
    });
    let worst = told.iter().map(|(_, worst, _)| *worst).fold(0.0, f64::max);
    let more = told.iter().map(|(_, _, more)| *more).fold(0.0, f64::max);
    for (said, _, _) in &told {
        println!("{said}");
    }
    faults::report(
        "sound and speech programs missing, gone, failing, hung or loud",
        "no program; taken away in step 2; a cut program file; code 7; hung and deaf to signals; 60 MB of \
         output for each cue",
        format!("{} batches", told.len()),
        "as above; less than 16 MiB more memory; no program outlives the daemon",
        format!("{more:.1} MiB more at the peak; largest error {worst:.2} U"),
    );
}
