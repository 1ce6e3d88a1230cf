//! What the daemon costs while it runs: memory, processor time, open files. Nothing is asserted;
//! `BISMAR_BENCH_SECONDS` shortens the parts (default 60, 60, 20).

mod live;
mod load;

use std::path::Path;
use std::time::{Duration, Instant};

use live::Live;
use load::{Bench, Pace};

const RATE: u64 = 10;

fn main() {
    println!("\nfootprint of the daemon; {}", load::machine());
    println!(
        "| part | seconds | VmRSS | peak | PSS | threads | open files before, after | % of a core | wake-ups/s |"
    );
    println!("| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |");
    let seconds = load::seconds(60);
    let mut daemon = Live::start(1, "");
    let mut bench = Bench::new(RATE as f64);
    feed(&daemon, &mut bench, 1);
    part(
        &daemon,
        "1 scale, 10 lines/s, no batch",
        seconds / 2,
        |seconds| feed(&daemon, &mut bench, seconds),
    );

    let mut bench = Bench::new(RATE as f64);
    let events = daemon.subscribe();
    let listener = std::thread::spawn(move || events.map_while(Result::ok).count());
    daemon.begin(40);
    part(
        &daemon,
        "the same, a batch and a subscriber",
        seconds,
        |seconds| feed(&daemon, &mut bench, seconds),
    );

    daemon.lines[0].unplug();
    std::thread::sleep(Duration::from_millis(500));
    part(
        &daemon,
        "the port is gone",
        load::seconds(20).min(20),
        |seconds| std::thread::sleep(Duration::from_secs(seconds)),
    );

    // Plugged in and pulled out again and again, nothing may be left behind.
    let mut lines = std::mem::take(&mut daemon.lines);
    part(&daemon, "20 times unplugged and replugged", 12, |_| {
        for _ in 0..20 {
            lines[0].replug().expect("a pty");
            std::thread::sleep(Duration::from_millis(400));
            lines[0].write(load::line(0.0, true).as_bytes());
            std::thread::sleep(Duration::from_millis(50));
            lines[0].unplug();
            std::thread::sleep(Duration::from_millis(200));
        }
    });
    drop(daemon);
    let heard = listener.join().unwrap_or(0);
    println!(
        "The subscriber heard {heard} events. At the end: {}",
        load::machine()
    );
}

fn feed(daemon: &Live, bench: &mut Bench, seconds: u64) {
    let mut due = Instant::now();
    for _ in 0..seconds * RATE {
        due += Duration::from_millis(1000 / RATE);
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        daemon.lines[0].write(bench.next(Pace::Brisk).as_bytes());
    }
}

fn part(daemon: &Live, what: &str, seconds: u64, run: impl FnOnce(u64)) {
    let pid = daemon.pid();
    let before = Cost::of(pid);
    let began = Instant::now();
    run(seconds.max(1));
    let took = began.elapsed().as_secs_f64();
    let after = Cost::of(pid);
    println!(
        "| {what} | {took:.0} | {:.1} MiB | {:.1} MiB | {:.1} MiB | {} | {}, {} | {:.3} | {:.1} |",
        after.rss,
        after.peak,
        after.pss,
        after.threads,
        before.files,
        after.files,
        (after.cpu - before.cpu) / took * 100.0,
        (after.switches - before.switches) / took
    );
}

/// Read from `/proc` (proc(5)): memory in MiB, processor time in seconds.
struct Cost {
    rss: f64,
    peak: f64,
    pss: f64,
    threads: usize,
    files: usize,
    cpu: f64,
    switches: f64,
}

impl Cost {
    fn of(pid: u32) -> Cost {
        let proc = Path::new("/proc").join(pid.to_string());
        let read = |name: &str| std::fs::read_to_string(proc.join(name)).unwrap_or_default();
        let status = read("status");
        let (mut cpu, mut switches, mut threads) = (0.0, 0.0, 0);
        for task in std::fs::read_dir(proc.join("task"))
            .into_iter()
            .flatten()
            .flatten()
        {
            let read =
                |name: &str| std::fs::read_to_string(task.path().join(name)).unwrap_or_default();
            // Nanoseconds on a processor; clock ticks would be far too coarse.
            let ran = read("schedstat");
            cpu += ran
                .split(' ')
                .next()
                .and_then(|ns| ns.parse().ok())
                .unwrap_or(0.0)
                / 1e9;
            switches += field(&read("status"), "voluntary_ctxt_switches:");
            threads += 1;
        }
        Cost {
            rss: field(&status, "VmRSS:") / 1024.0,
            peak: field(&status, "VmHWM:") / 1024.0,
            pss: field(&read("smaps_rollup"), "Pss:") / 1024.0,
            threads,
            files: std::fs::read_dir(proc.join("fd")).map_or(0, Iterator::count),
            cpu,
            switches,
        }
    }
}

fn field(text: &str, name: &str) -> f64 {
    text.lines()
        .find_map(|line| line.strip_prefix(name))
        .and_then(|rest| rest.split_whitespace().next())
        .and_then(|number| number.parse().ok())
        .unwrap_or(f64::NAN)
}
