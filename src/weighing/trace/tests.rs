//! Changes of load made from a law or reading by reading, and what is told of their shape.

use super::*;

fn g(grams: f64) -> Mass {
    Mass::from_g_f64(grams).unwrap_or_default()
}

const D: Mass = Mass::from_mg(10);

/// A first-order filter of `tau` seconds, ten readings a second; `loads` as (time, grams) that
/// come within 0.2 s each.
fn shape(tau: f64, loads: &[(f64, f64)]) -> Shape {
    let mut trace = Trace::default();
    trace.begin(Moment::default(), Mass::ZERO);
    let (mut shown, mut now) = (0.0, 0.0);
    let end: f64 = loads.iter().map(|load| load.1).sum();
    for i in 0..4000 {
        now += 0.01;
        let load: f64 = loads
            .iter()
            .map(|&(at, grams)| grams * ((now - at) / 0.2_f64).clamp(0.0, 1.0))
            .sum();
        shown += (load - shown) * (1.0 - (-0.01 / tau).exp());
        if i % 10 == 9 {
            trace.push(
                Moment::from_millis((now * 1e3) as u64),
                g(shown).round_to(D),
            );
        }
    }
    trace.shape(Mass::ZERO, g(end), D)
}

#[test]
fn a_slow_scale_fades_evenly_under_one_load_and_not_where_another_comes_soon_after() {
    for tau in [0.8, 1.0, 1.5, 2.0] {
        let one = shape(tau, &[(1.0, 45.0)]);
        assert!(one.is_set_down(0.65), "{tau}: {one:?}");
        for (after, grams) in [(0.7, 20.0), (0.7, 60.0), (1.0, 20.0)] {
            let two = shape(tau, &[(1.0, 45.0), (1.0 + after, grams)]);
            assert!(!two.is_set_down(0.65), "{tau} {after} {grams}: {two:?}");
        }
    }
}

/// A filter that follows what is far from its mean at once and averages the rest over `slow` seconds: an end of
/// `grams`, which comes with a time constant of its own. `pour`: seconds that it takes instead at an even rate, as
/// a hand pours, a `pause` after the vessel.
fn ends(grams: f64, slow: f64, pour: Option<(f64, f64)>) -> Shape {
    let mut trace = Trace::default();
    trace.begin(Moment::default(), Mass::ZERO);
    for i in 0..200 {
        let now = i as f64 * 0.1 - 1.0;
        let vessel = 100.0 * (1.0 - (-now.max(0.0) / 0.1).exp());
        let end = match pour {
            Some((pause, takes)) => ((now - pause) / takes).clamp(0.0, 1.0),
            None => 1.0 - (-now.max(0.0) / slow).exp(),
        };
        let shown = g(vessel + grams * end).round_to(D);
        trace.push(Moment::from_millis(i * 100), shown);
    }
    trace.shape(Mass::ZERO, g(100.0 + grams), D)
}

#[test]
fn a_scale_that_averages_near_its_rest_settles_and_a_pour_onto_the_vessel_does_not() {
    for (grams, slow) in [(2.0, 0.6), (5.0, 1.2), (1.2, 0.8), (8.0, 2.0)] {
        let shape = ends(grams, slow, None);
        assert!(shape.settles.is_some(), "{grams} {slow}: {shape:?}");
        assert!(shape.is_one_load(0.0, None, D), "{grams} {slow}: {shape:?}");
        for pause in [0.0, 0.3, 0.7] {
            for takes in [slow * 2.0, slow * 5.0] {
                let shape = ends(grams, slow, Some((pause, takes)));
                assert!(
                    shape.settles.is_none(),
                    "{grams} {pause} {takes}: {shape:?}"
                );
            }
        }
    }
}

#[test]
fn a_flicker_of_a_step_for_two_seconds_is_no_late_part() {
    let mut trace = Trace::default();
    trace.begin(Moment::default(), Mass::ZERO);
    let shown = [1.67, 14.96, 32.30, 39.01, 39.95, 40.07];
    let flickers = [
        9, 9, 9, 10, 10, 9, 9, 9, 9, 9, 9, 9, 9, 9, 10, 10, 10, 10, 10,
    ];
    let rests = flickers.map(|cents| 40.0 + f64::from(cents) / 100.0);
    for (i, grams) in shown.into_iter().chain(rests).enumerate() {
        trace.push(Moment::from_millis(100 + i as u64 * 100), g(grams));
    }
    let shape = trace.shape(Mass::ZERO, g(40.10), D);
    assert!(shape.tail < 0.3, "{shape:?}");
}

#[test]
fn one_load_is_one_whatever_the_filter() {
    for tau in [0.05, 0.12, 0.3, 0.6, 1.0, 1.5] {
        let shape = shape(tau, &[(1.0, 58.23)]);
        assert!(shape.is_one_load(0.0, None, D), "{tau}: {shape:?}");
        assert!((shape.swift - 2.197 * tau).abs() < 0.15, "{tau}: {shape:?}");
    }
}

#[test]
fn a_scoop_on_top_is_seen_once_the_filter_can_show_it() {
    // Sooner than the filter's own time constant after the landing, no reading tells.
    for tau in [0.05, 0.12, 0.3] {
        for after in [0.95, 1.5, 2.5] {
            for grams in [5.0, 10.0] {
                let shape = shape(tau, &[(1.0, 58.23), (1.0 + after, grams)]);
                assert!(
                    !shape.is_one_load(0.0, None, D),
                    "{tau} {after} {grams}: {shape:?}"
                );
            }
        }
    }
}

/// Lines that say the last weight once more are no pause; a scoop after a pause is a second load there as well.
#[test]
fn a_display_that_holds_each_value_makes_no_second_load() {
    let held = |values: &[f64], lines: usize| {
        let mut trace = Trace::default();
        trace.begin(Moment::default(), Mass::ZERO);
        for (i, shown) in values.iter().flat_map(|v| vec![v; lines]).enumerate() {
            trace.push(Moment::from_millis(i as u64 * 200), g(*shown));
        }
        trace.shape(Mass::ZERO, g(values[values.len() - 1]), D * 50)
    };
    let one = [0.0, 174.0, 426.5, 584.0, 584.5, 584.5, 584.5];
    let two = [
        0.0, 174.0, 426.5, 520.0, 521.0, 521.0, 521.0, 560.0, 584.0, 584.5, 584.5,
    ];
    for lines in [1, 2, 3] {
        let shape = held(&one, lines);
        assert!(shape.is_one_load(0.0, None, D * 50), "{lines}: {shape:?}");
        let shape = held(&two, lines);
        assert!(!shape.is_one_load(0.0, None, D * 50), "{lines}: {shape:?}");
    }
}

#[test]
fn a_load_that_swings_is_one() {
    // As a beaker of 102 g and one of 162 g land on an underdamped scale, eight lines a second.
    let swings = [
        &[
            0.0, 21.4, 98.6, 141.2, 122.6, 92.0, 87.4, 101.4, 109.9, 104.3, 98.1, 99.9, 103.6,
        ][..],
        &[
            103.2, 101.2, 101.2, 102.4, 102.4, 101.8, 101.9, 102.1, 102.0, 102.0,
        ][..],
    ]
    .concat();
    let mut trace = Trace::default();
    trace.begin(Moment::default(), Mass::ZERO);
    for (i, shown) in swings.iter().enumerate() {
        trace.push(Moment::from_millis(i as u64 * 125), g(*shown));
    }
    let shape = trace.shape(Mass::ZERO, g(102.0), D * 2);
    assert!(shape.is_one_load(0.0, None, D * 2), "{shape:?}");
}

#[test]
fn a_rise_of_few_readings_is_uneven() {
    // A mean over 1.2 s, three lines a second: nobody touched it.
    let mut trace = Trace::default();
    trace.begin(Moment::default(), Mass::ZERO);
    let rise = [0.0, 0.57, 12.6, 33.2, 54.8, 72.1, 75.8, 76.2, 76.23, 76.23];
    for (i, shown) in rise.iter().enumerate() {
        trace.push(Moment::from_millis(i as u64 * 333), g(*shown));
    }
    let shape = trace.shape(Mass::ZERO, g(76.23), D);
    assert!(shape.is_one_load(0.0, None, D), "{shape:?}");
}

#[test]
fn lines_that_come_unevenly_are_no_second_load() {
    // Three stages of 0.3 s each, 8 lines a second that a clock of 20 ms tells of: 0.12, 0.12, 0.12, 0.14 s.
    for phase in 0..5 {
        let mut trace = Trace::default();
        trace.begin(Moment::default(), Mass::ZERO);
        let mut stages = [0.0; 3];
        let mut due = 0.1 + f64::from(phase) * 0.025;
        for tick in 0..300 {
            let now = f64::from(tick) * 0.02;
            let mut load = 80.0 * ((now - 0.5) / 0.2).clamp(0.0, 1.0);
            for stage in &mut stages {
                *stage += (load - *stage) * (1.0 - (-0.02_f64 / 0.3).exp());
                load = *stage;
            }
            if now >= due {
                due += 0.125;
                trace.push(Moment::from_millis((now * 1e3) as u64), g(load).round_to(D));
            }
        }
        let shape = trace.shape(Mass::ZERO, g(80.0), D);
        assert!(!shape.is_double(D), "{phase}: {shape:?}");
    }
}

/// What a mean over `seconds` shows of loads as (time, grams per second, how long), ten times a second.
fn mean(seconds: f64, loads: &[(f64, f64, f64)], until: f64) -> Trace {
    let mut trace = Trace::default();
    let steps = (seconds * 10.0) as i32;
    for i in 0..(until * 10.0) as i32 {
        let load = |at: f64| -> f64 {
            let came = loads
                .iter()
                .map(|&(begun, rate, long)| rate * (at - begun).clamp(0.0, long));
            came.sum()
        };
        let shown = (0..steps).map(|k| load((i - k) as f64 / 10.0)).sum::<f64>() / steps as f64;
        let at = Moment::from_millis(i as u64 * 100);
        match i {
            0 => trace.begin(at, g(shown).round_to(D)),
            _ => trace.push(at, g(shown).round_to(D)),
        }
    }
    trace
}

/// What a mean over `seconds` shows of a load (seconds to grams), every so many milliseconds.
fn ramp(seconds: f64, every: u64, load: impl Fn(f64) -> f64) -> Shape {
    let mut trace = Trace::default();
    trace.begin(Moment::default(), Mass::ZERO);
    let mut shown = 0.0;
    for i in 1..1200_u32 {
        let now = f64::from(i) / 100.0;
        shown += (load(now) - load(now - seconds)) * 0.01 / seconds;
        if u64::from(i) * 10 % every == 0 {
            trace.push(Moment::from_millis(u64::from(i) * 10), g(shown).round_to(D));
        }
    }
    trace.shape(Mass::ZERO, g(load(12.0)).round_to(D), D)
}

fn by_then(now: f64, at: f64, seconds: f64) -> f64 {
    ((now - at) / seconds).clamp(0.0, 1.0)
}

#[test]
fn a_mean_shows_one_load_at_one_rate_and_two_not() {
    let one = |grams: f64, hand: f64| move |now: f64| grams * by_then(now, 1.0, hand);
    for (seconds, grams, hand) in [(2.4, 30.0, 0.1), (2.4, 200.0, 0.4), (5.0, 48.0, 0.05)] {
        let shape = ramp(seconds, 100, one(grams, hand));
        assert!(shape.even, "{seconds} {grams} {hand}: {shape:?}");
        // Between lines so far apart no rate is told.
        assert!(!ramp(seconds, 500, one(grams, hand)).even);
        for (after, scoop) in [(0.7, 10.0), (1.0, 1.0), (1.5, 20.0), (2.2, 1.0)] {
            let two = |now: f64| one(grams, hand)(now) + scoop * by_then(now, 1.0 + after, 0.3);
            let shape = ramp(seconds, 100, two);
            assert!(!shape.even, "{seconds} {grams} {after} {scoop}: {shape:?}");
        }
    }
    // A hand pours at an even rate too where it is slow: 20 g in 5 s.
    assert!(!ramp(0.1, 100, one(20.0, 5.0)).even);
    // Nor is a scale of first order one.
    assert!(
        !first_order(&[(0.1, 90.0)], 0.0)
            .shape(Mass::ZERO, g(90.0), D)
            .even
    );
}

#[test]
fn what_stood_still_before_something_left_is_told() {
    // 200 g that stand for so long, then 5 g less within 0.3 s, ten lines a second.
    let stands = |seconds: f64, less: f64| {
        let mut trace = Trace::default();
        trace.begin(Moment::default(), Mass::ZERO);
        for i in 1..60_u32 {
            let now = f64::from(i) / 10.0;
            let shown = 200.0 * by_then(now, 0.95, 0.15) - less * by_then(now, 1.1 + seconds, 0.3);
            trace.push(
                Moment::from_millis(u64::from(i) * 100),
                g(shown).round_to(D),
            );
        }
        trace.stood_higher(Mass::ZERO, g(200.0 - less), D, 0)
    };
    assert_eq!(stands(0.5, 5.0), Some(g(5.0)));
    assert_eq!(stands(0.3, 5.0), Some(g(5.0)));
    assert_eq!(stands(0.05, 5.0), None);
    // So little may be a hand that lets go by and by, and takes longer to be told.
    assert_eq!(stands(0.3, 0.3), None);
    assert_eq!(stands(0.6, 0.3), Some(g(0.3)));
    // Five steps are the flicker of a load that comes to rest.
    assert_eq!(stands(0.6, 0.05), None);
    // A hand that presses for half a second, with up to 20 g.
    let mut pressed = Trace::default();
    pressed.begin(Moment::default(), Mass::ZERO);
    for i in 1..60_u32 {
        let now = f64::from(i) / 10.0;
        let press = 20.0 * (by_then(now, 1.1, 0.5) * std::f64::consts::PI).sin();
        pressed.push(
            Moment::from_millis(u64::from(i) * 100),
            g(200.0 * by_then(now, 0.95, 0.15) + press).round_to(D),
        );
    }
    assert_eq!(pressed.stood_higher(Mass::ZERO, g(200.0), D, 0), None);
}

#[test]
fn a_lift_proves_how_its_load_came() {
    // Set down within 0.2 s, and lifted as fast: what is shown takes 3 s for either, as a pour would.
    let rise = mean(3.0, &[(1.0, 350.0, 0.2)], 6.0).shape(Mass::ZERO, g(70.0), D);
    assert!(rise.is_pour(None) && !rise.is_double(D), "{rise:?}");
    // It is lifted at 7 s, and 2 s later something else stands there.
    let lifts = [(-9.0, 350.0, 0.2), (1.0, -350.0, 0.2), (3.0, 200.0, 0.2)];
    let (from, fall) = mean(3.0, &lifts, 6.0).fall(Mass::ZERO, D).unwrap();
    assert_eq!(from, g(70.0));
    assert!(rise.is_proven_by(&fall, D), "{rise:?} {fall:?}");
}

#[test]
fn what_was_poured_onto_a_vessel_falls_faster_than_it_rose() {
    // 70 g within 3 s onto what stood there tared, shown by a scale that follows within 0.3 s.
    let pour = mean(0.3, &[(1.0, 70.0 / 3.0, 3.0)], 6.0).shape(Mass::ZERO, g(70.0), D);
    let lift = [(-9.0, 350.0, 0.2), (1.0, -350.0, 0.2)];
    let (_, fall) = mean(0.3, &lift, 3.0).fall(Mass::ZERO, D).unwrap();
    assert!(
        pour.is_pour(None) && !pour.is_proven_by(&fall, D),
        "{fall:?}"
    );
    // Nor is a scoop of 10 g that followed after 1.5 s.
    let scoop = [(1.0, 300.0, 0.2), (2.5, 50.0, 0.2)];
    let double = mean(0.3, &scoop, 6.0).shape(Mass::ZERO, g(70.0), D);
    assert!(double.is_double(D) && !double.is_proven_by(&fall, D));
}

#[test]
fn a_flicker_at_the_end_is_no_late_part() {
    // A mean over 4.4 s that then flickers by one step: nobody touched it.
    let mut trace = Trace::default();
    trace.begin(Moment::default(), Mass::ZERO);
    for i in 1..=100 {
        let rise = (i as f64 * 0.1 / 4.4).min(1.0) * 158.08;
        let flicker = if rise == 158.08 && i % 2 == 0 {
            0.01
        } else {
            0.0
        };
        trace.push(Moment::from_millis(i * 100), g(rise - flicker).round_to(D));
    }
    let shape = trace.shape(Mass::ZERO, g(158.08), D);
    assert!(shape.tail < 0.4, "{shape:?}");
    assert!(shape.is_one_load(0.33, Some(3.5), D), "{shape:?}");
}

/// A first-order filter of 0.44 s, ten readings a second; `loads` as (time, grams) within 0.15 s each.
fn first_order(loads: &[(f64, f64)], from: f64) -> Trace {
    let mut trace = Trace::default();
    trace.begin(Moment::default(), g(from));
    let mut shown = from;
    for i in 1..900_u32 {
        let now = f64::from(i) / 100.0;
        let part = |&(at, grams): &(f64, f64)| grams * ((now - at) / 0.15).clamp(0.0, 1.0);
        let load = from + loads.iter().map(part).sum::<f64>();
        shown += (load - shown) * (1.0 - (-0.01_f64 / 0.44).exp());
        if i % 10 == 0 {
            trace.push(Moment::from_millis(u64::from(i) * 10), g(shown).round_to(D));
        }
    }
    trace
}

#[test]
fn what_came_late_is_what_its_lift_does_not_explain() {
    let late = |loads: &[(f64, f64)]| {
        let all = loads.iter().map(|load| load.1).sum::<f64>();
        let came = first_order(loads, 0.0).came(Mass::ZERO, g(all).round_to(D), D);
        // Weighed into, and lifted off with that.
        let lift = first_order(&[(0.1, -all - 40.0)], all + 40.0);
        lift.late(&came, Mass::ZERO)
    };
    assert_eq!(late(&[(0.1, 90.0)]), None);
    for (after, grams) in [(3.4, 0.62), (2.4, 7.0), (4.4, 0.15)] {
        let told = late(&[(0.1, 90.0), (after, grams)]);
        assert!(
            told.is_some_and(|told| told * 2 >= g(grams)),
            "{grams}: {told:?}"
        );
        assert!(
            told.is_some_and(|told| told <= g(grams * 4.0)),
            "{grams}: {told:?}"
        );
    }
    // A hand that sets it down by and by.
    let slow: Vec<(f64, f64)> = (0..10).map(|i| (0.1 + f64::from(i) * 0.15, 9.0)).collect();
    assert_eq!(late(&slow), None);
}

/// However long it goes on, no part of it is kept more densely than another.
#[test]
fn a_long_rise_is_kept_evenly() {
    let mut trace = Trace::default();
    trace.begin(Moment(0), Mass::ZERO);
    for n in 1..=5000 {
        trace.push(Moment(n * 100_000), Mass::from_mg(n as i64));
    }
    assert!((250..=512).contains(&trace.points.len()));
    let gaps = trace.points.windows(2).map(|p| p[1].0.since(p[0].0));
    let gaps: Vec<u64> = gaps.skip(1).collect();
    let (least, most) = (gaps.iter().min(), gaps.iter().max());
    assert!(
        most <= least.map(|least| least * 2).as_ref(),
        "{least:?} {most:?}"
    );
}

/// A step of the scale in nanograms, as the functions below count.
const STEP: i64 = 10_000_000;

/// Readings as (seconds, steps of the scale).
fn readings(points: &[(f64, f64)]) -> Vec<(u64, i64)> {
    let reading = |&(at, steps): &(f64, f64)| {
        let at = (at * 1e6).round() as u64;
        (at, (steps * STEP as f64).round() as i64)
    };
    points.iter().map(reading).collect()
}

/// The same, as they are kept: above or below a load of `from`.
fn kept(points: &[(u64, i64)], from: Mass, sign: i64) -> Trace {
    let mut trace = Trace::default();
    for (i, &(at, ng)) in points.iter().enumerate() {
        let weight = from + Mass::from_ng(ng * sign);
        match i {
            0 => trace.begin(Moment(at), weight),
            _ => trace.push(Moment(at), weight),
        }
    }
    trace
}

fn steps(n: i64) -> Mass {
    Mass::from_ng(n * STEP)
}

fn shape_of(points: &[(f64, f64)]) -> Shape {
    let points = readings(points);
    let (_, end) = points[points.len() - 1];
    kept(&points, Mass::ZERO, 1).shape(Mass::ZERO, Mass::from_ng(end), D)
}

/// A first-order filter: what it shows of `span` steps that come at once, `tau` seconds long, each `line` seconds.
fn fading(span: f64, tau: f64, line: f64, seconds: f64) -> Vec<(u64, i64)> {
    let lines = (seconds / line).round() as usize;
    let law = |i: usize| {
        let at = i as f64 * line;
        (at, span * (1.0 - (-at / tau).exp()))
    };
    readings(&(0..=lines).map(law).collect::<Vec<_>>())
}

/// A rise of so many steps from line to line, 0.1 s each, since ten seconds.
fn rising(by: &[f64]) -> Vec<(u64, i64)> {
    let mut steps = 0.0;
    let mut points = vec![(10.0, 0.0)];
    for (i, more) in by.iter().enumerate() {
        steps += more;
        points.push((10.1 + i as f64 / 10.0, steps));
    }
    readings(&points)
}

#[test]
fn what_begins_anew_knows_nothing_of_the_load_before() {
    let mut trace = kept(&rising(&[100.0; 600]), Mass::ZERO, 1);
    trace.learned = true;
    trace.begin(Moment::from_millis(100_000), g(40.0));
    assert_eq!(trace.start(), Some(g(40.0)));
    assert!(!trace.learned);
    for i in 1..4 {
        trace.push(Moment::from_millis(100_000 + i * 100), g(45.0));
    }
    // And keeps each reading again.
    assert_eq!(trace.points.len(), 4);
}

/// A filter does not know which way a load goes, nor what stands there besides.
#[test]
fn a_fall_has_the_shape_of_the_rise_of_the_same_load() {
    let mut points = fading(5_823.0, 0.4, 0.1, 3.0);
    for point in points.iter_mut().filter(|point| point.0 > 1_500_000) {
        point.1 += 400 * STEP;
    }
    // It goes a little too far, and swings back.
    points.insert(8, (750_000, 6_300 * STEP));
    let shape = |from: Mass, sign: i64| {
        let end = from + steps(6_223 * sign);
        kept(&points, from, sign).shape(from, end, D)
    };
    let rise = shape(Mass::ZERO, 1);
    assert!(rise.is_double(D) && rise.beyond == steps(77), "{rise:?}");
    assert_eq!(shape(g(150.0), 1), rise);
    assert_eq!(shape(g(150.0), -1), rise);
    assert_eq!(shape(Mass::ZERO, -1), rise);
}

/// What lay there before the load came is no part of it: five steps of a small load, a hundredth of a large one.
#[test]
fn a_load_begins_where_no_more_than_a_crumb_of_it_has_come() {
    for (span, crumb, before) in [
        (100.0, 5.0, true),
        (100.0, 6.0, false),
        (2_000.0, 20.0, true),
        (2_000.0, 21.0, false),
    ] {
        let shape = shape_of(&[(0.0, 0.0), (1.0, crumb), (3.0, crumb), (4.0, span)]);
        // A ramp of a second takes half of it on the mean; that of all that came since the crumb takes three more.
        let body = if before { 0.5 } else { 3.0 };
        assert!((shape.body - body).abs() < 0.51, "{crumb}: {shape:?}");
        assert_eq!(shape.body == 0.5, before, "{crumb}: {shape:?}");
    }
}

/// The last part of a load that lingers for two seconds: each part is looked at by itself, so that it is not lost in the
/// larger one that came before it.
#[test]
fn the_late_parts_of_a_load_are_a_share_of_it_or_some_steps() {
    let all = [1_000.0, 350.0, 100.0, 25.0, 12.0];
    let few = [25.0, 12.0];
    for (span, parts, lingers, looked_at) in [
        // A seventh, a twentieth, a seventieth.
        (7_000.0, &all[..], 1_000.0, true),
        (7_000.0, &all, 1_001.0, false),
        (7_000.0, &all, 350.0, true),
        (7_000.0, &all, 351.0, false),
        (7_000.0, &all, 100.0, true),
        (7_000.0, &all, 101.0, false),
        // 25 steps and twelve.
        (7_000.0, &all, 25.0, true),
        (7_000.0, &all, 26.0, false),
        (7_000.0, &all, 12.0, true),
        (7_000.0, &all, 13.0, false),
        // No share of fewer than eight steps: those are noise.
        (160.0, &few, 8.0, true),
        (159.0, &few, 7.0, false),
        (230.0, &[25.0, 12.0, 11.0], 3.0, false),
    ] {
        let mut left: Vec<f64> = parts.to_vec();
        left.retain(|part| (part - lingers).abs() > 1.0);
        left.push(lingers);
        left.sort_by(|a, b| b.total_cmp(a));
        let (mut points, mut at) = (vec![(0.0, 0.0)], 0.0);
        for part in left.into_iter().chain([0.0]) {
            at += 0.1;
            points.push((at, span - part));
            if part == lingers {
                at += 2.0;
                points.push((at, span - part));
            }
        }
        let tail = shape_of(&points).tail;
        assert_eq!(tail >= 2.0, looked_at, "{span} {lingers}: {tail}");
        assert!(tail < 2.2, "{span} {lingers}: {tail}");
    }
}

#[test]
fn on_the_way_is_what_is_past_a_fiftieth_and_five_steps_from_the_end() {
    let rise = [0.0, 20.0, 21.0, 500.0, 994.0, 995.0, 1_000.0, 1_000.0];
    let rise = rise.iter().enumerate();
    let points: Vec<_> = rise.map(|(i, steps)| (i as f64 / 10.0, *steps)).collect();
    assert_eq!(shape_of(&points).on_the_way, 3);
}

/// A hand pours 50 g/s at most, and a reading is unsure by some steps: within 0.1 s no more than 5.20 g.
#[test]
fn more_than_a_hand_pours_leapt() {
    for (steps, leapt) in [(520.0, false), (521.0, true), (900.0, true)] {
        for before in [0.0, 4_000.0] {
            let from = [(5.0, 0.0), (9.0, before), (10.0, before)];
            let to = [(10.1, before + steps), (12.0, before + 1_000.0)];
            let shape = shape_of(&[from, [to[0], to[1], to[1]]].concat());
            assert_eq!(shape.leapt, leapt, "{steps} onto {before}");
        }
    }
}

#[test]
fn a_lift_is_counted_from_what_the_empty_pan_shows() {
    let points = readings(&[
        (0.0, 0.0),
        (0.1, 900.0),
        (0.2, 1_700.0),
        (0.3, 1_950.0),
        (0.4, 2_000.0),
        (0.5, 2_000.0),
    ]);
    let lift = |zero: Mass| kept(&points, zero + g(20.0), -1).fall(zero, D);
    let (top, course) = lift(Mass::ZERO).unwrap();
    assert_eq!(top, g(20.0));
    // At 1,700 of 2,000 steps 0.15 of it is still to go.
    assert_eq!(course.0[5], Some(200_000));
    for zero in [g(30.0), g(-150.0)] {
        assert_eq!(lift(zero), Some((zero + g(20.0), course)));
    }
    // Where nothing stood there is no lift.
    assert_eq!(kept(&points[4..], g(20.0), -1).fall(Mass::ZERO, D), None);
}

/// A load that comes within 0.2 s but for its last fifty steps, which take `ends` seconds; then it rests.
fn ending(span: f64, ends: f64) -> Vec<(f64, f64)> {
    let mut points = vec![(0.0, 0.0), (0.1, span / 2.0)];
    let lines = (ends * 10.0).round() as usize;
    for line in 0..=lines + 2 {
        let left = 50.0 * (1.0 - line as f64 / lines as f64).max(0.0);
        points.push((0.2 + line as f64 / 10.0, span - left));
    }
    points
}

fn came(points: &[(f64, f64)]) -> Came {
    let points = readings(points);
    let (_, end) = points[points.len() - 1];
    kept(&points, Mass::ZERO, 1).came(Mass::ZERO, Mass::from_ng(end), D)
}

/// Lifted off a pan that then shows nothing, as it came, and so many times as heavy.
fn lifted(points: &[(f64, f64)], heavier: f64) -> Trace {
    let points: Vec<_> = points.iter().map(|p| (p.0, p.1 * heavier)).collect();
    let points = readings(&points);
    let (_, top) = points[points.len() - 1];
    kept(&points, Mass::from_ng(top), -1)
}

#[test]
fn how_a_load_came_is_counted_from_what_stood_there() {
    let points = readings(&ending(400.0, 1.0));
    let came = |from: Mass| kept(&points, from, 1).came(from, from + g(4.0), D);
    let told = came(Mass::ZERO);
    // 1.5 of the last 5 steps are left 0.03 s before the end.
    assert_eq!((told.line, told.over), (100_000, Some(1_170_000)));
    assert_eq!(format!("{:?}", came(g(150.0))), format!("{told:?}"));
    for (off, is) in [(0, true), (5, true), (-5, true), (6, false), (-6, false)] {
        let end = g(150.0) + g(4.0) + steps(off);
        assert_eq!(told.is_of(g(150.0), end), is, "{off}");
    }
    // More than five steps beyond its end it swings.
    for (beyond, rings) in [(5, false), (6, true), (300, true)] {
        let mut points = points.clone();
        points.insert(5, (450_000, (400 + beyond) * STEP));
        let came = kept(&points, Mass::ZERO, 1).came(Mass::ZERO, g(4.0), D);
        assert_eq!(came.rings, rings, "{beyond}");
    }
}

/// The last ten steps of a landing that take longer than those of its lift: a hand lingers for 0.3 s, and nobody sees
/// within half a line when it was; and what takes as long by itself is not looked at for less than seven tenths more.
#[test]
fn an_end_that_took_too_long_for_its_lift_came_late() {
    // So much later was it over than its lift; what is told of it then.
    let late = |span: f64, ends: f64, heavier: f64, later: u64| {
        let law = ending(span, ends);
        let mut came = came(&law);
        came.over = came.over.map(|over| over + later);
        lifted(&law, heavier).late(&came, Mass::ZERO)
    };
    for heavier in [1.0, 2.0] {
        // The last 8.5 of ten steps take 0.17 s, or 0.85 s.
        for (ends, later, told) in [
            (1.0, 0, None),
            (1.0, 200_000, None),
            (1.0, 350_000, None),
            (1.0, 350_001, Some(steps(10))),
            (5.0, 0, None),
            (5.0, 400_000, None),
            (5.0, 595_000, None),
            (5.0, 595_001, Some(steps(10))),
        ] {
            let said = late(10_000.0, ends, heavier, later);
            assert_eq!(said, told, "{heavier} {ends} {later}");
        }
    }
    // Ten steps are its end where they are no more than a twentieth of it.
    assert_eq!(late(200.0, 1.0, 1.0, 500_000), Some(steps(10)));
    assert_eq!(late(199.0, 1.0, 1.0, 500_000), None);
}

/// What is late for its share and for its grams is no more than what was still to come before.
#[test]
fn what_came_late_is_the_part_before_which_the_lift_was_as_quick() {
    let law = ending(10_000.0, 1.0);
    for (first, by, told) in [
        // A hand that was slow with more than three tenths of it: the filter is not seen.
        (4, 50_000, None),
        (4, 600_000, None),
        (5, 400_000, None),
        (5, 900_000, Some(steps(3_000))),
        (6, 900_000, Some(steps(1_500))),
        (11, 900_000, Some(steps(30))),
    ] {
        let mut came = came(&law);
        for at in &mut came.course.0[first..] {
            *at = at.map(|at| at + by);
        }
        let said = lifted(&law, 1.0).late(&came, Mass::ZERO);
        assert_eq!(said, told, "{first} {by}");
    }
    // A hand that held still before half of it was down, and one that did so after half of it was up.
    let pauses = |left: f64| {
        let mut points = vec![(0.0, 0.0), (0.1, 3_600.0)];
        points.extend((2..13).map(|line| (f64::from(line) / 10.0, 10_000.0 - left)));
        let rest = ending(10_000.0, 1.0).into_iter().skip(2);
        points.extend(rest.map(|(at, steps)| (at + 1.1, steps)));
        points
    };
    let came = came(&pauses(6_000.0));
    let said = lifted(&pauses(4_000.0), 1.0).late(&came, Mass::ZERO);
    assert_eq!(said, None);
}

/// A lift tells only where it began and ended at rest, and both courses were read often enough.
#[test]
fn a_lift_that_was_not_seen_from_rest_to_rest_tells_nothing() {
    let law = ending(10_000.0, 1.0);
    let late = || {
        let mut came = came(&law);
        came.over = came.over.map(|over| over + 800_000);
        came
    };
    let (end, all) = (law.len() - 3, law.len());
    type Readings = Vec<(Moment, Mass)>;
    let told = |came: &Came, change: &dyn Fn(&mut Readings)| {
        let mut lift = lifted(&law, 1.0);
        change(&mut lift.points);
        lift.late(came, Mass::ZERO).is_some()
    };
    assert!(told(&late(), &|_| ()));
    let rings = Came {
        rings: true,
        ..late()
    };
    assert!(!told(&rings, &|_| ()));
    for (line, tells) in [(449_999, true), (450_000, false)] {
        let slow = Came { line, ..late() };
        assert_eq!(told(&slow, &|_| ()), tells, "{line}");
    }
    // Two lines of it were lost, or three.
    for (lost, tells) in [(2, true), (3, false)] {
        let gap = |points: &mut Vec<_>| drop(points.drain(3..3 + lost));
        assert_eq!(told(&late(), &gap), tells, "{lost}");
    }
    // A hand pressed on it, or drew at it, before it lifted.
    for (off, tells) in [(3, true), (4, false), (-3, true), (-4, false)] {
        let pressed = |points: &mut Readings| {
            let (at, top) = points[0];
            points.insert(1, (Moment(at.0 + 1), top));
            points[0].1 = top + steps(off);
            if off > 0 {
                points[1].1 = points[0].1;
                points[0].1 = top - steps(off);
                points[1].1 = top;
            }
        };
        assert_eq!(told(&late(), &pressed), tells, "{off}");
    }
    // Three readings of the empty pan, within three steps of what it showed before.
    for (last, off, tells) in [
        (all, 0, true),
        (all - 1, 0, false),
        (all, 3, true),
        (all, 4, false),
    ] {
        let rests = |points: &mut Readings| {
            points.truncate(last);
            for point in &mut points[end + 1..] {
                point.1 += steps(off);
            }
        };
        assert_eq!(told(&late(), &rests), tells, "{last} {off}");
    }
}

#[test]
fn a_course_is_seen_at_eight_steps_and_more() {
    // Half of 16 steps are eight.
    for (span, seen) in [(16.0, true), (15.9, false)] {
        let rise = readings(&[(0.0, 0.0), (1.0, span)]);
        let span = rise[1].1;
        let course = Course::of(&rise, span, span, STEP);
        assert_eq!(course.0[3], seen.then_some(500_000), "{span}");
    }
    // What stays where so much is left has come so far when it got there.
    let holds = readings(&[(0.0, 0.0), (0.4, 500.0), (2.0, 500.0), (2.1, 1_000.0)]);
    assert_eq!(until(&holds, 1_000 * STEP, 500 * STEP), Some(400_000));
}

/// A hand makes a part of a landing 0.15 s longer, and each takes up to three twentieths more by itself.
#[test]
fn a_part_is_longer_past_what_a_hand_adds() {
    let fall = 1_000_000;
    assert!(!longer((1_300_000, fall), HANDS_US));
    assert!(longer((1_300_001, fall), HANDS_US));
}

/// What is left fades from each of [`FADES`] to the next with a time constant of its own; a hand comes `later`.
fn fades_by(span: f64, constants: [f64; FADES.len()], later: f64, dense: bool) -> Option<f64> {
    let mut ends = vec![(later, 1.0)];
    for (share, constant) in FADES.into_iter().zip(constants) {
        let &(at, before) = ends.last().unwrap();
        ends.push((at + constant * f64::ln(before / share), share));
    }
    let law = |at: f64| {
        let part = ends.windows(2).position(|p| at < p[1].0);
        let part = part.unwrap_or(FADES.len() - 1);
        let (from, before) = ends[part];
        let left = before * (-(at - from).max(0.0) / constants[part]).exp();
        (at, span * (1.0 - left))
    };
    let points: Vec<_> = match dense {
        true => (0..1_500).map(|i| law(f64::from(i) / 100.0)).collect(),
        // A line for each end of a part, and none between: the usual gap is 0.81 s.
        false => (ends.iter())
            .map(|end| (end.0, span * (1.0 - end.1)))
            .collect(),
    };
    let span = (span * STEP as f64).round() as i64;
    fades_evenly(&readings(&points), span, STEP)
}

/// A first-order filter has one time constant: what fades by another does so within some hundredths, and a step more or
/// less at where it is read.
#[test]
fn what_fades_evenly_has_one_time_constant() {
    const TAU: f64 = 2.0;
    let last = |share: f64| {
        let mut constants = [TAU; FADES.len()];
        constants[9] *= share;
        constants
    };
    let growing = |n: usize| {
        let mut constants = [TAU; FADES.len()];
        for i in 10 - n..10 {
            constants[i] = constants[i - 1] * 1.009;
        }
        constants
    };
    let begins = |share: f64| std::array::from_fn(|i| if i < 4 { TAU * share } else { TAU });
    for (span, constants, dense, fades) in [
        (1e6, [TAU; 10], true, true),
        // Three hundredths quicker at the end, or one slower than the part before.
        (1e6, last(0.971), true, true),
        (1e6, last(0.968), true, false),
        (1e6, last(1.009), true, true),
        (1e6, last(1.012), true, false),
        (1e6, growing(3), true, true),
        (1e6, growing(4), true, false),
        // At 30 steps two of them are a tenth of the part.
        (2_000.0, last(0.88), true, true),
        (2_000.0, last(0.865), true, false),
        (2_000.0, last(1.1), true, true),
        (2_000.0, last(1.115), true, false),
        // Between slow lines an eighth of one.
        (1e6, last(0.924), false, true),
        (1e6, last(0.914), false, false),
        (1e6, last(1.055), false, true),
        (1e6, last(1.066), false, false),
        // While a hand is in it, it may be slower; what comes faster after that is of one constant.
        (1e6, begins(1.2), true, true),
        (1e6, begins(0.98), true, false),
        // Where twenty steps are no quarter of it nobody sees that.
        (80.0, [TAU; 10], true, true),
        (79.0, [TAU; 10], true, false),
    ] {
        let told = fades_by(span, constants, 0.0, dense);
        assert_eq!(told.is_some(), fades, "{span} {constants:?} {told:?}");
    }
}

/// So much later than at once its half came; more than a hand needs is no hand's: half of what a tenth takes, and 0.45 s.
#[test]
fn how_late_half_of_a_load_came_is_what_the_hand_took() {
    for tau in [1.0, 2.0] {
        // A tenth takes 0.105 of the time constant.
        let most = tau * 0.105 / 2.0 + 0.45;
        for (later, fades) in [(0.2, true), (most - 0.01, true), (most + 0.01, false)] {
            let told = fades_by(1e6, [tau; 10], later, true);
            assert_eq!(told.is_some(), fades, "{tau} {later}: {told:?}");
            // Less by three hundredths of the time of a half.
            let expected = later - 0.03 * tau * f64::ln(2.0);
            let near = told.is_none_or(|told| (told - expected).abs() < 0.002);
            assert!(near, "{tau} {later}: {told:?}");
        }
    }
}

/// Of 10,000 steps so many are left 0.45 s after the touch; then at each reading, with the time constant of the part.
fn settles_by(left: f64, parts: &[(f64, f64)]) -> Option<f64> {
    let (mut at, mut before) = (0.45, left);
    let mut points = vec![(0.0, 0.0), (at, 10_000.0 - left)];
    for &(left, constant) in parts {
        at += constant * f64::ln(before / left);
        before = left;
        points.push((at, 10_000.0 - left));
    }
    settles(&readings(&points), 10_000 * STEP, STEP)
}

const LEFTS: [f64; 12] = [
    1_700.0, 1_150.0, 780.0, 530.0, 360.0, 245.0, 165.0, 110.0, 75.0, 51.0, 30.0, 20.0,
];

/// A mixture of fadings never gets quicker: each part of what is left takes as long for its share as the one before.
#[test]
fn what_settles_gets_ever_slower() {
    let all = |constant: f64| LEFTS.map(|left| (left, constant));
    let from = |i: usize, constant: f64| {
        let mut parts = all(1.0);
        for part in &mut parts[i..] {
            part.1 = constant;
        }
        parts
    };
    for (left, parts, told) in [
        (2_500.0, all(1.0), Some(1.0)),
        (2_500.0, all(0.3), Some(0.3)),
        // Three tenths are left when the hand has set it down.
        (3_000.0, all(1.0), Some(1.0)),
        (3_001.0, all(1.0), None),
        // At most 2.5 s.
        (2_500.0, all(2.48), Some(2.48)),
        (2_500.0, all(2.52), None),
        // A twentieth quicker is within what is seen; at twenty steps two of them are a fourth of the part.
        (2_500.0, from(2, 0.95), Some(0.95)),
        (2_500.0, from(2, 0.93), None),
        (2_500.0, from(11, 0.72), Some(0.72)),
        (2_500.0, from(11, 0.68), None),
        (2_500.0, from(4, 2.0), Some(2.0)),
    ] {
        let said = settles_by(left, &parts);
        let near = said
            .zip(told)
            .map(|(said, told)| (said - told).abs() < 1e-3);
        assert!(near.unwrap_or(said == told), "{parts:?}: {said:?}");
    }
}

#[test]
fn what_is_slow_at_last_is_seen_down_to_a_third_of_it_and_to_ten_steps() {
    let quick = LEFTS[..5].iter().map(|&left| (left, 0.5));
    let slow = |end: f64| {
        let parts = quick.clone().chain([(240.0, 1.0), (end, 1.0)]);
        settles_by(2_500.0, &parts.collect::<Vec<_>>())
    };
    assert!(slow(120.0).is_some());
    assert_eq!(slow(121.0), None);
    // The last part counts where ten steps are left, and no fewer.
    for (end, told) in [(10.0, 1.3), (9.0, 1.0)] {
        let parts = LEFTS.iter().map(|&left| (left, 1.0));
        let parts: Vec<_> = parts.chain([(end, 1.3)]).collect();
        let said = settles_by(2_500.0, &parts).unwrap();
        assert!((said - told).abs() < 1e-3, "{end}: {said}");
    }
}

#[test]
fn what_speeds_up_does_not_settle() {
    let law = |at: f64| match at < 0.45 {
        true => 7_500.0 * at / 0.45,
        false => 10_000.0 - 2_500.0 * f64::exp(0.45 - at),
    };
    let told = |change: &dyn Fn(usize) -> f64| {
        let points = (0..150).map(|i| (i as f64 / 20.0, law(i as f64 / 20.0) + change(i)));
        let points = readings(&points.collect::<Vec<_>>());
        settles(&points, 10_000 * STEP, STEP).is_some()
    };
    assert!(told(&|_| 0.0));
    // A few drops that one line shows, and 0.2 s do not.
    assert!(!told(&|i| if i == 20 { 25.0 } else { 0.0 }));
    // A hand draws at it, and no reading is higher than before.
    assert!(!told(&|i| if (90..93).contains(&i) { -60.0 } else { 0.0 }));
    // The readings since 0.45 s count, that of 0.45 s as well: there three tenths and a little more are left.
    let late = |left: f64| {
        let law = |i: usize| {
            (
                i as f64 / 20.0,
                10_000.0 - left * f64::exp(0.45 - i as f64 / 20.0),
            )
        };
        let rise = (0..9).map(|i| (i as f64 / 20.0, (10_000.0 - left) * i as f64 / 9.0));
        let points: Vec<_> = rise.chain((9..150).map(law)).collect();
        settles(&readings(&points), 10_000 * STEP, STEP).is_some()
    };
    assert!(late(2_990.0) && !late(3_050.0));
}

/// Steps from line to line, 0.1 s each. Three steps of each stretch are noise.
#[test]
fn a_rise_speeds_up_again_by_a_sixth_once_it_has_slowed_down_by_one() {
    const LINE: f64 = 100_000.0;
    for (by, stretch, again) in [
        // Five sixths of 3,600 are 3,000.
        (&[3_600.0, 2_997.0, 3_600.0][..], LINE, false),
        (&[3_600.0, 2_996.0, 3_600.0], LINE, true),
        // 2,000 and 17 hundredths are 2,340.
        (&[3_600.0, 2_000.0, 2_346.0], LINE, false),
        (&[3_600.0, 2_000.0, 2_347.0], LINE, true),
        // A fall is no speed.
        (&[3_600.0, -500.0, 5.0], LINE, false),
        (&[3_600.0, -500.0, 7.0], LINE, true),
        // One line of 0.1 s more: over 0.2 s that is a seventh.
        (&[3_600.0, 1_000.0, 1_000.0, 1_300.0, 1_000.0], LINE, true),
        (
            &[3_600.0, 1_000.0, 1_000.0, 1_300.0, 1_000.0],
            LINE * 2.0,
            false,
        ),
        (
            &[3_600.0, 1_000.0, 1_000.0, 1_400.0, 1_000.0],
            LINE * 2.0,
            true,
        ),
    ] {
        let told = speeds_up_again(&rising(by), LINE, stretch, STEP);
        assert_eq!(told, again, "{by:?} {stretch}");
    }
}

#[test]
fn from_a_tenth_to_nine_is_counted_between_readings() {
    for (points, swift) in [
        // A steady second, read twice, and from a touch that was not seen.
        (&[(50.0, 0.0), (51.0, 100.0)][..], 0.8),
        (&[(50.0, 5.0), (51.0, 100.0)], 0.842_105),
        (&[(50.0, 20.0), (51.0, 100.0)], 0.875),
        (
            &[(50.0, 0.0), (50.2, 60.0), (50.4, 90.0), (51.0, 100.0)],
            0.366_667,
        ),
        (&[(50.0, 0.0), (51.0, 80.0)], 0.0),
    ] {
        let told = between(&readings(points), 100 * STEP);
        assert!((told - swift).abs() < 1e-5, "{points:?}: {told}");
    }
}

/// For a first-order filter the mean arrival of any part is its time constant, for a steady pour half of its duration.
#[test]
fn a_part_arrives_on_the_mean_as_its_law_says() {
    let filter = fading(10_000.0, 0.6, 0.01, 6.0);
    for part in [i64::MAX, 1_000 * STEP, 500 * STEP] {
        let told = mean_arrival(&filter, 10_000 * STEP, part, STEP);
        assert!((told - 0.6).abs() < 0.006, "{part}: {told}");
    }
    let ramp = [
        (0.0, 100.0),
        (0.5, 75.0),
        (1.0, 50.0),
        (1.5, 25.0),
        (2.0, 0.0),
    ];
    for (left, part, arrival) in [
        (&ramp[..], 10_000, 1.0),
        (&ramp, 75, 0.75),
        (&ramp, 50, 0.5),
        (&ramp, 49, 0.25),
        // Two steps that are missing flicker.
        (&[(0.0, 3.0), (1.0, 0.0)], 100, 0.5),
        (&[(0.0, 2.0), (1.0, 0.0)], 100, 0.0),
        // What swings below its end once more has come.
        (&[(0.0, 50.0), (0.1, 0.0), (0.2, 5.0), (0.3, 0.0)], 12, 0.0),
        // What has been within a step of its end for 1.2 s is over since it came there.
        (
            &[(0.0, 12.0), (0.1, 0.0), (0.2, 1.0), (1.3, 1.0)],
            12,
            1.75 / 12.0,
        ),
        (
            &[(0.0, 12.0), (0.1, 0.0), (0.2, 1.0), (1.301, 1.0)],
            12,
            0.05,
        ),
        (
            &[(0.0, 12.0), (0.1, 0.0), (0.2, 5.0), (0.3, 0.0), (2.0, 0.0)],
            12,
            1.1 / 12.0,
        ),
    ] {
        let points: Vec<_> = left.iter().map(|p| (20.0 + p.0, 100.0 - p.1)).collect();
        let told = mean_arrival(&readings(&points), 100 * STEP, part * STEP, STEP);
        assert!((told - arrival).abs() < 1e-6, "{left:?} {part}: {told}");
    }
}

/// By how much a rise speeds up, in steps; each row from line to line, 0.1 s each.
#[test]
fn a_second_load_is_what_comes_faster_than_before() {
    for (by, n, span, uneven, more) in [
        // From 500 to 800, and three hundredths of that are the line's.
        (
            &[4_000.0, 3_000.0, 1_000.0, 500.0, 800.0][..],
            1,
            10_000.0,
            UNEVEN,
            276,
        ),
        (
            &[4_000.0, 3_000.0, 500.0, 500.0, 800.0, 800.0],
            2,
            10_000.0,
            UNEVEN,
            552,
        ),
        // Up to two fifths of a load a filter speeds up by itself.
        (&[1_000.0, 2_000.0, 300.0], 1, 2_501.0, UNEVEN, 0),
        (&[1_000.0, 2_000.0, 300.0], 1, 2_500.0, UNEVEN, 940),
        // Unless it had slowed down, by three hundredths and two steps.
        (&[1_000.0, 968.0, 1_000.0], 1, 1e6, UNEVEN, 0),
        (&[1_000.0, 967.0, 1_000.0], 1, 1e6, UNEVEN, 3),
        // At full speed a rise of few readings is less even: at nine tenths of it and more.
        (&[1_000.0, 967.0, 1_000.0], 1, 1e6, COARSE, 0),
        (&[1_000.0, 900.0, 1_000.0], 1, 1e6, COARSE, 30),
        (&[1_000.0, 899.0, 1_000.0], 1, 1e6, COARSE, 71),
    ] {
        let (rise, span) = (rising(by), (span * STEP as f64) as i64);
        let told = speeding_up(&rise, 100_000, n, span, STEP, uneven);
        assert_eq!(
            (told as f64 / STEP as f64).round() as i64,
            more,
            "{by:?} {n}"
        );
    }
}

/// Nobody knows whether a line that came late was late, or shows a later weight: it is given both.
#[test]
fn the_jitter_of_a_line_is_no_speed() {
    let told = |points: &[(f64, f64)], n: usize| {
        let all = [&[(0.0, 0.0), (0.1, 4_000.0), (0.2, 5_000.0)], points].concat();
        let rise = readings(&all);
        let told = speeding_up(&rise, 100_000, n, 10_000 * STEP, STEP, UNEVEN);
        (told as f64 / STEP as f64).round() as i64
    };
    for (points, n, more) in [
        // 500 a line; the next comes 0.04 s late, with so much more.
        (
            &[(0.3, 5_500.0), (0.44, 6_200.0), (0.54, 6_700.0)][..],
            1,
            0,
        ),
        (&[(0.3, 5_500.0), (0.4, 6_200.0), (0.5, 6_700.0)], 1, 179),
        // It comes early, with less: 500 a line by the clock. So that is no pause for the one after.
        (&[(0.3, 5_500.0), (0.36, 5_800.0), (0.46, 6_300.0)], 1, 0),
        // A line is lost: 1,000 in two of them are 500 in one.
        (&[(0.3, 5_500.0), (0.5, 6_500.0), (0.6, 7_200.0)], 1, 179),
        (&[(0.3, 5_300.0), (0.5, 5_900.0), (0.6, 6_600.0)], 1, 379),
        // Two lines within 0.02 s are half of one at least.
        (&[(0.3, 5_500.0), (0.32, 5_750.0), (0.42, 6_250.0)], 1, 0),
        (
            &[
                (0.3, 5_500.0),
                (0.4, 6_000.0),
                (0.6, 7_000.0),
                (0.7, 7_500.0),
                (0.8, 8_200.0),
            ],
            2,
            164,
        ),
    ] {
        assert_eq!(told(points, n), more, "{points:?}");
    }
}

#[test]
fn a_second_load_is_looked_for_once_the_hand_has_set_down() {
    let told = |by: &[f64], swift: f64| {
        let rise = rising(by);
        let (_, span) = rise[rise.len() - 1];
        second(&rise, span, swift, STEP) / STEP
    };
    // What a hand does within 0.45 s is its own.
    let fades = [500.0, 250.0, 125.0, 60.0, 30.0, 15.0, 8.0, 4.0, 0.0];
    let hand = [1_000.0, 3_000.0, 100.0, 3_000.0];
    assert_eq!(told(&[&hand[..], &fades].concat(), 0.5), 0);
    assert_eq!(told(&[&hand[..], &[2_000.0], &fades].concat(), 0.5), 0);
    // A rise at full speed that took fewer than five lines is not so even.
    let uneven = [1_000.0, 1_000.0, 1_000.0, 1_000.0, 1_000.0, 950.0, 1_000.0];
    let uneven = [&uneven[..], &fades].concat();
    assert_eq!(told(&uneven, 0.5), 20);
    assert_eq!(told(&uneven, 0.499), 0);
    // A slow filter shows a second load slowly: over half of its own time, and 0.3 s at least.
    let mut slow = [900.0; 40];
    slow[..6].fill(4_000.0);
    slow[20..].fill(1_000.0);
    for (swift, lines) in [(0.2, 3), (0.6, 3), (1.0, 5), (2.0, 10)] {
        // A hundred of a thousand more, less three hundredths.
        assert_eq!(told(&slow, swift), 70 * lines, "{swift}");
    }
}

/// A display that takes a new weight with each third line says the last one again between them.
#[test]
fn lines_that_say_the_last_weight_again_are_left_out() {
    let held = |gaps: &[u64], news: usize| {
        let (mut at, mut points) = (0, vec![(0, 0)]);
        for (i, gap) in gaps.iter().cycle().take(news * gaps.len()).enumerate() {
            at += gap * 1_000;
            points.push((at, ((i + 1) / gaps.len()) as i64 * STEP));
        }
        let all = points.len();
        let kept = renewed(points.clone());
        let new = points.iter().filter(|&&(at, top)| {
            let first = points.iter().find(|point| point.1 == top);
            first.is_some_and(|first| first.0 == at)
        });
        let new: Vec<_> = new.copied().collect();
        (kept == new, kept.len() == all)
    };
    assert_eq!(held(&[100, 100, 100], 4), (true, false));
    // Three times new does not tell how often that is.
    assert_eq!(held(&[100, 100, 100], 3), (false, true));
    // New each second line of uneven ones: one and a half of the usual, or less.
    assert_eq!(held(&[100, 50], 8), (true, false));
    assert_eq!(held(&[100, 49], 8), (false, true));
    // What rests is said again as often as something new would be.
    let mut rests = rising(&[
        100.0, 0.0, 100.0, 0.0, 100.0, 0.0, 100.0, 0.0, 0.0, 0.0, 0.0,
    ]);
    rests.iter_mut().for_each(|point| point.0 -= 10_000_000);
    let kept: Vec<u64> = renewed(rests)
        .iter()
        .map(|point| point.0 / 100_000)
        .collect();
    assert_eq!(kept, [0, 1, 3, 5, 7, 9, 11]);
}

/// One load.
pub const ONE: Shape = Shape {
    course: Course([None; STILL.len()]),
    body: 0.3,
    tail: 0.3,
    swift: 0.5,
    on_the_way: 3,
    leapt: true,
    beyond: Mass::ZERO,
    second: Mass::ZERO,
    fades: None,
    even: false,
    settles: None,
};

#[test]
fn one_load_takes_no_longer_than_the_scale_is_known_to_take() {
    for (known, swift, one) in [
        (Some(1.0), 3.29, true),
        (Some(1.0), 3.31, false),
        (Some(2.0), 5.79, true),
        (Some(2.0), 5.81, false),
        (None, 5.0, true),
        (None, 5.01, false),
    ] {
        let shape = Shape { swift, ..ONE };
        assert_eq!(shape.is_one_load(0.0, known, D), one, "{known:?} {swift}");
    }
    // Two and a half steps are noise.
    for (ng, double) in [(25_000_000, false), (25_000_001, true)] {
        let second = Mass::from_ng(ng);
        assert_eq!(Shape { second, ..ONE }.is_double(D), double, "{ng}");
    }
    // Its half comes by half of what the hand takes.
    for (late, set_down) in [(0.32, true), (0.33, false)] {
        let fades = Some(late);
        assert_eq!(Shape { fades, ..ONE }.is_set_down(0.65), set_down, "{late}");
    }
    assert!(!ONE.is_set_down(0.65));
}

#[test]
fn a_late_part_follows_from_the_scale_or_from_the_early_one() {
    for (known, body, settles, most) in [
        (1.0, 0.1, None, 1.55),
        (0.2, 0.1, None, 0.51),
        (0.0, 1.0, None, 1.45),
        (0.0, 1.0, Some(2.0), 2.75),
        (0.0, 1.0, Some(0.5), 1.45),
    ] {
        for (tail, follows) in [(most - 0.01, true), (most + 0.01, false)] {
            let shape = Shape {
                body,
                tail,
                settles,
                ..ONE
            };
            assert_eq!(shape.follows(known), follows, "{known} {shape:?}");
        }
    }
}

/// Longer than any hand takes, less what the scale's filter adds: 0.9 s on the mean, of which 0.45 s are the hand's, or
/// 0.9 s of the hand's even though it leapt.
#[test]
fn a_pour_takes_longer_than_a_hand_that_sets_down() {
    for (leapt, body, swift, pour) in [
        (false, 0.9, None, true),
        (false, 0.89, None, false),
        (false, 0.5, None, false),
        (true, 0.9, None, false),
        (true, 5.0, None, false),
        (false, 0.9, Some(0.68), true),
        (false, 0.9, Some(0.71), false),
        (false, 1.0, Some(2.0), false),
        (true, 1.54, Some(1.0), false),
        (true, 1.56, Some(1.0), true),
    ] {
        let shape = Shape { leapt, body, ..ONE };
        assert_eq!(shape.is_pour(swift), pour, "{leapt} {body} {swift:?}");
    }
}

/// What the lift of 250 g shows on a scale with `stages` filters of `tau` seconds each in a row, behind a mean over `mean`
/// seconds where it has one, at `rate` lines a second. The hand takes its time to lift, and `left` grams leave so many
/// seconds after the rest.
fn stayed(
    tau: f64,
    stages: usize,
    mean: f64,
    rate: u32,
    hand: f64,
    left: Option<(f64, f64)>,
) -> Option<Mass> {
    let mut trace = Trace::default();
    let (grams, after) = left.unwrap_or_default();
    let mut shown = vec![250.0; stages];
    let mut loads = std::collections::VecDeque::from(vec![250.0; (mean * 100.0) as usize + 1]);
    trace.begin(Moment::default(), g(250.0));
    for i in 1..3000 {
        let now = f64::from(i) * 0.01 - 1.0;
        let rest = (1.0 - now / hand).clamp(0.0, 1.0);
        let stays = if now < after { grams } else { 0.0 };
        loads.pop_front();
        loads.push_back((250.0 - grams) * rest + stays);
        let mut load = loads.iter().sum::<f64>() / loads.len() as f64;
        for stage in &mut shown {
            *stage += (load - *stage) * (1.0 - (-0.01 / tau).exp());
            load = *stage;
        }
        if i % (100 / rate) == 0 {
            let at = Moment::from_millis(i as u64 * 10);
            trace.push(at, g(load).round_to(D));
        }
    }
    trace.stayed(Mass::ZERO, D)
}

#[test]
fn what_leaves_a_slow_scale_after_the_rest_stayed_on_it() {
    for (tau, stages, rate) in [(0.6, 1, 10), (1.0, 1, 20), (0.3, 2, 10), (0.5, 2, 20)] {
        for (grams, times) in [(25.0, 3.5), (10.0, 5.0), (4.0, 6.0)] {
            let after = tau * times * (1.0 + 0.4 * (stages - 1) as f64);
            let stayed = stayed(tau, stages, 0.0, rate, 0.3, Some((grams, after)));
            let near =
                |stayed: Mass| stayed.to_g_f64() > grams * 0.4 && stayed.to_g_f64() < grams * 1.5;
            assert!(
                stayed.is_some_and(near),
                "{tau} {stages} {grams}: {stayed:?}"
            );
        }
    }
    // Cleared away at once, it goes with the rest.
    assert_eq!(stayed(0.6, 1, 0.0, 10, 0.3, Some((10.0, 0.2))), None);
}

#[test]
fn one_lift_leaves_nothing_on_the_pan_whatever_the_filter_and_the_hand() {
    for tau in [0.03, 0.1, 0.3, 0.8, 1.5] {
        for (stages, mean) in [(1, 0.0), (2, 0.0), (3, 0.0), (0, 1.0), (1, 1.0)] {
            for rate in [2, 5, 10, 20, 50] {
                for hand in [0.02, 0.1, 0.3, 0.6] {
                    let stayed = stayed(tau, stages, mean, rate, hand, None);
                    assert_eq!(stayed, None, "{tau} {stages} {mean} {rate} {hand}");
                }
            }
        }
    }
}
