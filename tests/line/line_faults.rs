//! The real daemon on a real pty whose line goes bad in the middle of a pour: each fault is told with
//! what to do, nothing wrong is recorded, and the batch goes on to its end when the line is good again.
//! The person goes on pouring for a moment, unseen, as people do.
//!
//! A pty that is closed hangs up as an unplugged USB adapter does. A wrong speed is imitated by what it
//! gives: other bytes. The kernel's own USB driver: tests/usb_guest.

use std::time::Instant;

use bismar::vocabulary::cue::CueKind;

use crate::bench_side::faults;
use crate::bench_side::rig::{HOLDS, Rig};
use crate::bench_side::scale::Line;

/// The line is `bad` until the sentence with `words` is heard; meanwhile 1.5 g more go in.
fn bad_until_told(fault: &str, how: &str, bad: Line, words: &str) {
    let mut rig = Rig::in_a_pour();
    rig.scale.set(bad);
    let began = Instant::now();
    rig.hand.pour_blindly(&rig.scale, 1.5);
    rig.told(words);
    let after = began.elapsed().as_secs_f64();
    rig.idle(0.5);
    rig.scale.set(Line::Good);
    let worst = rig.finish();
    faults::report(
        fault,
        how,
        "1 batch of 3 steps",
        HOLDS,
        format!("told after {after:.1} s: \"{words}\"; largest error {worst:.2} U"),
    );
}

const NO_WEIGHT: &str = "No weight from scale bench. Look at its switch, its battery and its cable";

#[test]
fn the_plug_is_pulled_in_a_pour() {
    bad_until_told(
        "plug pulled in a pour",
        "the pty is closed in step 2; 1.5 g more go in before it is back",
        Line::Unplugged,
        "The line to scale bench is gone. Plug it in",
    );
}

#[test]
fn silence_in_a_pour() {
    bad_until_told(
        "scale falls silent in a pour",
        "no byte; 1.5 g more go in",
        Line::Silent,
        NO_WEIGHT,
    );
}

#[test]
fn another_speed_is_no_weight() {
    bad_until_told(
        "line at a wrong speed",
        "random bytes at the rate of the lines, as another speed gives; 1.5 g more go in",
        Line::Garbage,
        NO_WEIGHT,
    );
}

#[test]
fn half_a_line_is_no_weight() {
    bad_until_told(
        "lines cut in half",
        "each line is cut at a random byte, with its end or without; 1.5 g more go in",
        Line::Halves,
        NO_WEIGHT,
    );
}

#[test]
fn plugged_in_again_it_has_another_name() {
    let mut rig = Rig::in_a_pour();
    let link = rig.person.path("scale");
    let before = std::fs::read_link(&link).unwrap();
    rig.scale.set(Line::Unplugged);
    rig.hand.pour_blindly(&rig.scale, 1.5);
    rig.told("The line to scale bench is gone. Plug it in");
    rig.scale.set(Line::Elsewhere);
    let worst = rig.finish();
    let after = std::fs::read_link(&link).unwrap();
    assert_ne!(before, after);
    faults::report(
        "plugged in under another tty name",
        "the pty is closed in step 2 and the link of the configuration leads to another one",
        "1 batch of 3 steps",
        HOLDS,
        format!(
            "{} became {}; largest error {worst:.2} U",
            before.display(),
            after.display()
        ),
    );
}

#[test]
fn a_flood_without_a_line_end() {
    let mut rig = Rig::in_a_pour();
    let (before, sent) = (rig.memory("VmRSS:"), rig.scale.sent());
    rig.scale.set(Line::FloodOfNoise);
    let began = Instant::now();
    rig.told(NO_WEIGHT);
    rig.idle(4.0);
    rig.person.run(&["status"]).ended(0);
    let (sent, took) = (rig.scale.sent() - sent, began.elapsed().as_secs_f64());
    let more = rig.memory("VmHWM:") - before;
    assert!(sent > 500_000, "{sent} bytes are no flood");
    assert!(more < 16.0, "{more} MiB more");
    rig.scale.set(Line::Good);
    let worst = rig.finish();
    faults::report(
        "flood of 1 MB/s without a line end",
        "printable bytes as fast as they are taken, up to 1 MB/s",
        format!("{:.1} MB in {took:.0} s", sent as f64 / 1e6),
        "told that no weight comes; `status` answers; less than 16 MiB more memory; the batch ends complete, \
         no weight off by more than its U",
        format!("{more:.1} MiB more at the peak; largest error {worst:.2} U"),
    );
}

#[test]
fn a_flood_of_lines() {
    let mut rig = Rig::in_a_pour();
    let (before, sent) = (rig.memory("VmRSS:"), rig.scale.sent());
    rig.scale.set(Line::FloodOfLines);
    let began = Instant::now();
    // More readings than a window holds: it is never called at rest, and so nothing is recorded of it.
    rig.until(|rig| rig.last.as_ref().is_some_and(|c| c.kind == CueKind::Hold));
    rig.idle(3.0);
    let (sent, took) = (rig.scale.sent() - sent, began.elapsed().as_secs_f64());
    let more = rig.memory("VmHWM:") - before;
    assert!(sent > 500_000, "{sent} bytes are no flood");
    assert!(more < 16.0, "{more} MiB more");
    rig.scale.set(Line::Good);
    let worst = rig.finish();
    faults::report(
        "flood of 1 MB/s of whole lines",
        "each line 2,200 times, 25 times a second (1 MB/s), as fast as they are taken",
        format!("{:.1} MB in {took:.0} s", sent as f64 / 1e6),
        "the hand is guided by cues to `hold`; less than 16 MiB more memory; then the batch ends \
         complete, no weight off by more than its U",
        format!("{more:.1} MiB more at the peak; largest error {worst:.2} U"),
    );
}

/// Nothing can tell it from a hand that pours nothing; what is missing by the number stays missing.
#[test]
fn a_scale_stuck_on_one_line() {
    let mut rig = Rig::in_a_pour();
    rig.scale.set(Line::Stuck);
    rig.hand.pour_blindly(&rig.scale, 1.5);
    rig.idle(4.0);
    let lift = |rig: &Rig| rig.last.as_ref().is_some_and(|c| c.kind == CueKind::Lift);
    assert!(!lift(&rig), "nothing is recorded of it: {:?}", rig.said);
    let missing = rig.last.as_ref().map(|cue| cue.say.clone());
    rig.scale.set(Line::Good);
    let worst = rig.finish();
    faults::report(
        "scale stuck on one line",
        "the same line for 4 s while 1.5 g go in",
        "1 batch of 3 steps",
        "nothing is recorded, the cue goes on to say what is missing by the number (a stuck scale cannot be \
         told from a hand that waits); then the batch ends complete, no weight off by more than its U",
        format!(
            "said meanwhile: \"{}\"; largest error {worst:.2} U",
            missing.unwrap_or_default()
        ),
    );
}

#[test]
fn the_unit_key_in_a_pour() {
    let mut rig = Rig::in_a_pour();
    rig.scale.unit(true);
    let words = "The scale shows oz now; weights are converted";
    rig.told(words);
    rig.idle(1.0);
    rig.scale.unit(false);
    rig.said.clear();
    // Back in grams, what is to be done is said again, and nothing of the unit.
    rig.until(|rig| rig.said.iter().any(|say| say.contains("g to add")));
    assert!(
        !rig.said.iter().any(|say| say.contains("shows")),
        "{:?}",
        rig.said
    );
    let worst = rig.finish();
    faults::report(
        "unit changed in a pour",
        "ounces in step 2, and grams again",
        "1 batch of 3 steps",
        HOLDS,
        format!("told: \"{words}\"; largest error {worst:.2} U"),
    );
}

#[test]
fn a_port_that_is_gone_costs_no_processor_time() {
    let mut rig = Rig::in_a_pour();
    rig.scale.set(Line::Unplugged);
    rig.told("The line to scale bench is gone");
    let (before, began) = (rig.cpu(), Instant::now());
    rig.idle(20.0);
    let (burnt, took) = (rig.cpu() - before, began.elapsed().as_secs_f64());
    let share = burnt / took * 100.0;
    assert!(share < 5.0, "{share:.2} % of a core for nothing");
    rig.scale.set(Line::Good);
    let worst = rig.finish();
    faults::report(
        "port gone for 20 s",
        "the pty is closed in a batch, a subscriber listens",
        "1 batch of 3 steps",
        "less than 5 % of a core (a loop that spins takes 100 %); the batch ends complete",
        format!("{share:.2} % of a core ({burnt:.2} s of {took:.0} s); largest error {worst:.2} U"),
    );
}
