//! What the daemon costs while it runs: memory, processor time, open files. Nothing is asserted;
//! `BISMAR_BENCH_SECONDS` shortens the parts (default 60, 60, 20).

mod live;
mod load;

use std::time::{Duration, Instant};

use live::{Cost, Live};
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
