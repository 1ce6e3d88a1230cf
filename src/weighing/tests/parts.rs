//! Parts of the engine by themselves.

use super::decides::pan;
use super::*;
use crate::weighing::pan::{Observation, Pan};
use crate::weighing::state::{Creep, Dip, Faded};
use crate::weighing::steady::Level;
use crate::weighing::trace::Shape;
use crate::weighing::trace::tests::ONE;

const D: Mass = Mass::from_mg(10);

fn steps(n: i64) -> Mass {
    D * n
}

/// A pan of 0.01 g, and what each of these readings (milliseconds, steps) showed on it.
fn pan_of(readings: &[(u64, i64)]) -> (Pan, Vec<Observation>) {
    let mut pan = pan();
    let mut seen = Vec::new();
    for &(ms, n) in readings {
        seen.push(pan.reading(&Reading {
            at: Moment::from_millis(10_000 + ms),
            weight: steps(n),
            digit: D,
            unit: Some(Unit::Gram),
            steady: None,
            shown: None,
        }));
    }
    (pan, seen)
}

/// So many lines of an empty pan, so far apart.
fn empty(interval: u64) -> Pan {
    let lines: Vec<_> = (0..60).map(|i| (i * interval, 0)).collect();
    pan_of(&lines).0
}

/// No wait is shorter than a line and a half: sooner there is nothing new to see.
#[test]
fn a_slow_line_is_waited_for() {
    for (interval, least) in [(100, 150_000), (600, 900_000)] {
        let pan = empty(interval);
        let told = pan.at_least_a_reading(20_000);
        assert!(told.abs_diff(least) < 2_000, "{interval}: {told}");
        assert_eq!(pan.at_least_a_reading(2_000_000), 2_000_000);
    }
}

/// Between two lines nobody pours; where these are far apart, nor over one more.
#[test]
fn a_load_that_came_between_two_lines_came_at_once() {
    for (interval, on_the_way, swift, at_once) in [
        (100, 0, 0.1, true),
        (100, 1, 0.1, false),
        (800, 1, 0.8, true),
        (800, 2, 0.8, false),
        (800, 1, 0.0, false),
    ] {
        let shape = Shape {
            swift,
            on_the_way,
            ..ONE
        };
        let told = empty(interval).came_at_once(&shape);
        assert_eq!(told, at_once, "{interval} {on_the_way} {swift}");
    }
}

/// What is known to be a rise faster than any pour: more than a hand pours between the lines, and twenty steps.
#[test]
fn a_reading_that_rose_faster_than_a_pour_swings() {
    // 50 g/s are 5 g within 0.1 s; the line after it is looked at.
    for (rose, swings) in [(520, false), (521, true), (-600, false), (0, false)] {
        let (_, seen) = pan_of(&[(0, 0), (100, 0), (200, rose), (300, rose)]);
        assert_eq!(seen[3].swings, swings, "{rose}");
    }
}

/// A scale that tracks its zero takes single drops for its own drift: what rose by two steps and fades one at a time.
#[test]
fn what_fades_a_step_at_a_time_is_counted() {
    for (shown, faded, times) in [
        // A second after it was highest it is gone; the later of what shows the same is no higher.
        (
            &[(0, 0), (200, 1), (400, 2), (1_400, 1), (1_500, 0)][..],
            Some(2),
            1,
        ),
        (
            &[(0, 0), (400, 2), (1_300, 2), (1_400, 1), (1_500, 0)],
            Some(2),
            1,
        ),
        (&[(0, 0), (400, 2), (1_200, 1), (1_399, 0)], None, 0),
        (&[(0, 0), (400, 1), (1_500, 0)], None, 0),
        // A step below the base flickers; two are a draught.
        (
            &[(0, 0), (400, 2), (1_400, 1), (1_500, 0), (1_600, -1)],
            Some(2),
            1,
        ),
        (
            &[(0, 0), (400, 2), (1_400, 1), (1_500, 0), (1_600, -2)],
            Some(2),
            0,
        ),
        (&[(0, 0), (400, 2), (1_400, 0)], None, 0),
        // What was poured and taken off at once has no highest that could fade.
        (
            &[
                (0, 0),
                (200, 10),
                (400, 5),
                (600, 4),
                (800, 3),
                (1_000, 2),
                (1_800, 1),
                (2_000, 0),
            ],
            None,
            0,
        ),
        (
            &[
                (0, 0),
                (400, 2),
                (1_400, 1),
                (1_500, 0),
                (1_600, 3),
                (2_600, 2),
                (2_700, 1),
                (2_800, 0),
            ],
            Some(3),
            2,
        ),
    ] {
        let mut so_far = Faded::default();
        let told = shown
            .iter()
            .filter_map(|&(ms, n)| so_far.follow(Moment::from_millis(ms), steps(n), D));
        let told = told.last();
        assert_eq!((told, so_far.times), (faded.map(steps), times), "{shown:?}");
        let by = if times == 2 {
            steps(5)
        } else {
            steps(2 * i64::from(times))
        };
        assert_eq!(so_far.by, by, "{shown:?}");
    }
}

/// A load that dries loses weight while it stands there; that is not counted as taken out, whatever the time.
#[test]
fn what_creeps_at_rest_is_summed_over_the_windows_of_it() {
    let level = |second: u64, n: i64| Level {
        weight: steps(n),
        d: D,
        readings: 10,
        at: Moment::from_millis(second * 1_000),
        since: Moment::default(),
    };
    for sign in [1, -1] {
        let (mut creep, mut last) = (Creep::default(), None);
        for second in 0..40 {
            // A step in ten seconds.
            let now = level(second, sign * (second as i64 / 10));
            creep.follow(last, now);
            last = Some(now);
        }
        assert_eq!(creep.amount(level(39, sign * 3)), steps(sign * 3));
    }
}

#[test]
fn what_stood_below_the_base_by_more_than_ten_steps_lasted() {
    for (below, lasted) in [(10, 0), (11, 11)] {
        let mut dip = Dip::default();
        dip.stood(steps(below), D);
        assert_eq!(dip.lasted, steps(lasted));
    }
}
