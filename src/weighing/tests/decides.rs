//! One condition each: what would be done otherwise if it were not asked.

use super::after::goes_on_with_a_bowl;
use super::returns::{asks, say};
use super::*;
use crate::vocabulary::command::Choice;
use crate::weighing::pan::Sure;
use crate::weighing::pan::{JumpCause, Observation, Pan, PanSpec};
use crate::weighing::pour::{Rate, most_poured};
use crate::weighing::steady::Steady;

const D: Mass = Mass::from_mg(10);

pub fn two(way: VesselWay, mix: Option<&str>) -> Bench {
    let steps = vec![step(1, "Salt", "12.00", way), step(2, "Oil", "12.00", way)];
    Bench::new(plan(steps, mix))
}

/// A beaker of 150 g with 12 g in it, recorded.
fn recorded() -> Bench {
    let mut b = two(VesselWay::Beaker, None);
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    b.expect(&["12.00"]);
    b
}

fn unsure(b: &Bench) -> Mass {
    let mut rows = b.rows.iter().rev();
    let row = rows.find(|row| row.kind == RowKind::Weighed && row.net.is_some());
    row.and_then(|row| row.uncertainty).unwrap_or_default()
}

#[test]
fn a_scale_that_is_not_set_up_is_not_listened_to() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5);
    let before = b.cues.len();
    b.scale = 7;
    b.land(900.0).hold(2.0);
    assert_eq!((b.cues.len(), b.live), (before, Some(g("0.00"))));
    // What a person says is not about a scale.
    let lot = Input::Command(Command::Lot("S-1".into()));
    b.engine.handle(7, lot, Moment::from_millis(b.now));
    b.drain();
    assert_eq!(b.status().lot.as_deref(), Some("S-1"));
}

#[test]
fn a_scale_that_sends_seldom_is_waited_for_half_as_long_again() {
    let mut b = Bench::one("Salt", "12.00");
    b.engine.rules.stale = 1.0;
    b.interval = 4000;
    b.hold(20.0);
    let due = b.engine.deadline();
    assert_eq!(due, Some(Moment::from_millis(b.now + 6000)));
}

#[test]
fn a_batch_is_complete_when_each_step_has_its_weight() {
    let none = Bench::one("Salt", "12.00");
    let setup = Setup::from(&Config::default());
    assert!(!Engine::new(setup).is_complete() && !none.engine.is_complete());
    let mut b = two(VesselWay::Beaker, None);
    b.beaker(12.0);
    assert!(!b.engine.is_complete());
    b.beaker(12.0);
    assert!(b.engine.is_complete());
}

#[test]
fn the_window_that_is_told_is_the_one_that_the_row_will_have() {
    let mut b = Bench::one("Syrup", "12.00");
    b.flag = Some(Shown::Gross);
    b.hold(2.0).land(150.0).hold(1.5);
    let plain = b.status().low.map(|low| low.mass);
    b.flag = Some(Shown::Net);
    b.jump(0.0).hold(1.5);
    for _ in 0..8 {
        b.pour(0.5, 1.0).hold(1.5).jump(0.0).hold(1.5);
    }
    let told = b.status().low.map(|low| low.mass);
    assert!(told > plain, "{told:?} {plain:?}");
    b.pour(8.0, 3.0).hold(3.0);
    b.expect(&["12.00"]);
    assert_eq!(told, b.row().low);
}

#[test]
fn two_presses_on_what_is_not_enough_keep_nothing() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(156.0, 3.0).hold(2.5);
    for above in [60.0, 90.0, 70.0, 20.0, 4.0, 50.0, 80.0, 30.0, 5.0, 0.4] {
        b.read(156.0 + above);
    }
    b.shown = 156.0;
    b.hold(2.0);
    b.expect(&[]);
}

#[test]
fn next_lifts_no_beaker() {
    let mut b = recorded();
    b.say(Command::Next).hold(2.0);
    assert_eq!(b.status().state, Some(Stands::Lift));
    assert_eq!(b.status().step, Some(1));
}

#[test]
fn one_jar_is_one_jar() {
    let mut b = Bench::new(super::after::jars(8, "410"));
    b.beaker(50.5).say(Command::Stop);
    asks(&b, "1 jar filled, 50.50 g");
}

#[test]
fn the_amount_that_leads_a_sentence_is_found_where_it_stands() {
    let led = |cue: &Cue| cue.say.chars().take(cue.lead).collect::<String>();
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5);
    assert_eq!(led(b.cues.last().unwrap()), "12.00 g ");
    // What goes before it is no amount.
    let mut b = recorded();
    b.land(5.0).hold(2.0).land(0.0).hold(2.0);
    let told = b
        .cues
        .iter()
        .filter(|cue| cue.say.contains("take off what lies on it"));
    for cue in told {
        assert_eq!(cue.lead, 0, "{cue:?}");
    }
}

#[test]
fn what_stays_when_the_beaker_goes_is_not_the_beaker() {
    for stays in [8.0, 29.0] {
        let mut b = recorded();
        b.land(stays).hold(2.0);
        assert_eq!(b.status().step, Some(2), "{stays}");
        assert_ne!(b.status().state, Some(Stands::Lift), "{stays}");
    }
    // More than the vessel's own weight may be left of a full one.
    let mut b = Bench::one("Salt", "300.00");
    b.hold(2.0).land(60.0).hold(1.5).pour(360.0, 9.0).hold(2.0);
    b.expect(&["300.00"]);
    b.land(20.0).hold(2.0);
    assert_ne!(b.status().state, Some(Stands::Lift));
}

#[test]
fn a_lift_at_once_out_of_a_bump_leaves_the_record_as_it_is() {
    let mut b = recorded();
    b.hold(1.0).read(180.0);
    b.read(190.0);
    b.read(0.0);
    b.hold(3.0);
    assert!(unsure(&b) < g("40"), "{:?}", b.rows.last());
    assert_eq!(b.status().step, Some(2));
    // The pan is empty, and what waits for that hears of it.
    b.land(150.0).hold(2.0);
    assert_eq!(b.status().state, Some(Stands::Tared), "{}", say(&b));
}

#[test]
fn a_key_on_what_still_moves_after_the_record_says_how_far_it_may_have_gone() {
    let after = |moves: bool| {
        let mut b = Bench::one("Salt", "12.00");
        b.flag = Some(Shown::Gross);
        b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
        b.expect(&["12.00"]);
        if moves {
            b.read(162.3);
            b.read(162.6);
        }
        b.flag = Some(Shown::Net);
        b.jump(0.0).hold(1.5).pour(0.09, 2.0).hold(3.0);
        unsure(&b)
    };
    // As far as it went on before the key, and a flicker.
    let (moved, rested) = (after(true), after(false));
    assert!(
        moved >= g("0.65") && rested < g("0.2"),
        "{moved:?} {rested:?}"
    );
}

#[test]
fn by_difference_it_is_told_what_came_out() {
    let mut b = Bench::new(plan(
        vec![step(1, "Oil", "12.00", VesselWay::Difference)],
        None,
    ));
    b.hold(2.0).land(150.0).hold(1.5);
    b.land(0.0).hold(2.0).land(138.0).hold(3.0);
    b.expect(&["12.00"]);
    b.pour(138.3, 2.0).hold(3.0);
    asks(&b, "came out");
    // Into a beaker it is what is in there.
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    b.pour(161.8, 2.0).hold(3.0);
    assert!(!say(&b).contains("came out"), "{}", say(&b));
}

#[test]
fn an_empty_pan_that_settles_on_the_other_scale_is_no_vessel() {
    let mut steps = vec![step(1, "Vitamin", "0.800", VesselWay::Beaker)];
    steps[0].scale = 1;
    let scales = vec![scale("bench"), scale("fine")];
    let mut b = Bench::with(scales, plan(steps, None), Progress::default());
    b.hold(2.0).pour(0.5, 0.5).hold(2.0).land(0.0).hold(2.0);
    assert!(b.faults.is_empty(), "{:?}", b.faults);
    // Nor is what stirs it.
    for shown in [0.4, 0.8, 0.3, 0.9, 0.2, 0.0, 0.0] {
        b.read(shown);
    }
    assert!(b.faults.is_empty(), "{:?}", b.faults);
}

#[test]
fn the_key_on_an_empty_pan_that_shows_less_than_zero_is_no_vessel() {
    let mut b = two(VesselWay::Beaker, None);
    b.hold(2.0).land(150.0).hold(1.5).jump(0.0).hold(1.5);
    b.pour(12.0, 4.0).hold(2.0).land(-150.0).hold(3.0);
    b.expect(&["12.00"]);
    assert_eq!(b.status().state, Some(Stands::Empty));
    b.jump(0.0).hold(3.0);
    assert_eq!(b.status().state, Some(Stands::Empty), "{}", say(&b));
    b.land(150.0).hold(2.0);
    if b.status().state != Some(Stands::Tared) {
        b.land(0.0).hold(2.0).land(150.0).hold(2.0);
    }
    b.pour(162.0, 4.0).hold(2.0);
    b.expect(&["12.00", "12.00"]);
}

#[test]
fn more_went_on_falling_for_a_while_than_is_missing_at_the_end() {
    let mut b = Bench::one("Salt", "30.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 4.0).hold(2.0);
    b.pour(162.0, 0.3)
        .pour(162.06, 1.2)
        .pour(166.0, 1.5)
        .hold(2.0);
    asks(&b, "For a while at least");
    let mut b = Bench::one("Salt", "30.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 4.0).hold(2.0);
    b.pour(166.0, 0.3).hold(2.0);
    asks(&b, "less than before");
    assert!(!say(&b).contains("For a while"), "{}", say(&b));
}

#[test]
fn the_emptied_beaker_is_weighed_where_it_was_weighed() {
    let mut steps = vec![
        step(1, "Salt", "12.00", VesselWay::Beaker),
        step(2, "Vitamin", "0.800", VesselWay::Beaker),
    ];
    steps[1].scale = 1;
    let scales = vec![scale("bench"), scale("fine")];
    let mut b = Bench::with(scales, plan(steps, None), Progress::default());
    b.beaker(12.0);
    b.say(Command::Residue(None));
    b.hold(2.0).land(150.5).hold(3.0);
    let rows = b.rows.iter().filter(|row| row.kind == RowKind::Residue);
    assert_eq!(
        rows.map(|row| row.net).collect::<Vec<_>>(),
        [Some(g("0.50"))]
    );
}

#[test]
fn what_is_poured_at_once_after_the_record_is_the_next_ingredient() {
    let mut b = two(VesselWay::Bowl, None);
    b.hold(2.0).land(300.0).hold(1.5).pour(312.0, 4.0);
    while b.rows.is_empty() {
        b.hold(0.1);
    }
    b.pour(318.0, 1.0).hold(3.0);
    let recorded = b.weighed();
    assert!(
        recorded
            .iter()
            .all(|(step, net, _)| (*step, net.as_str()) == (1, "12.00"))
    );
    assert_eq!(b.status().step, Some(2), "{}", say(&b));
}

#[test]
fn the_mean_of_many_heavy_weights_is_one_of_them() {
    let mut steady = Steady::new(1.0);
    let (heavy, d) = (Mass::LIMIT, Mass::from_g(1));
    for ms in 0..2000 {
        let weight = if ms % 4 == 0 { heavy - d } else { heavy };
        steady.push(Moment::from_millis(ms), weight, d, None, true);
    }
    assert_eq!(steady.level().map(|level| level.weight), Some(heavy));
}

/// A pan of 0.01 g.
pub fn pan() -> Pan {
    Pan::new(PanSpec {
        readability: Some(D),
        repeatability: None,
        errors: Default::default(),
        capacity: None,
        steady_window: 1.0,
    })
}

/// Ten readings a second.
fn shows(pan: &mut Pan, at: &mut u64, weights: &[f64], shown: Option<Shown>) -> Observation {
    let mut seen = None;
    for grams in weights {
        *at += 100;
        seen = Some(pan.reading(&Reading {
            at: Moment::from_millis(*at),
            weight: Mass::from_g_f64(*grams).unwrap().round_to(D),
            digit: D,
            unit: Some(Unit::Gram),
            steady: None,
            shown,
        }));
    }
    seen.unwrap()
}

#[test]
fn a_pour_that_comes_by_zero_may_be_a_key_and_a_load_that_does_is_anything() {
    let jump = |from: f64| {
        let (mut pan, mut at) = (pan(), 0);
        shows(&mut pan, &mut at, &[from; 20], None);
        shows(&mut pan, &mut at, &[0.0], None)
            .jump
            .map(|jump| jump.cause)
    };
    assert_eq!(jump(-1.0), Some(JumpCause::Slight));
    assert_eq!(jump(-100.0), Some(JumpCause::Unknown));
}

#[test]
fn a_mark_of_net_at_zero_is_a_key_from_rest_and_one_in_a_pour_is_not() {
    let key = |weights: &[f64], to: f64| {
        let (mut pan, mut at) = (pan(), 0);
        shows(&mut pan, &mut at, weights, Some(Shown::Gross));
        let seen = shows(&mut pan, &mut at, &[to], Some(Shown::Net));
        seen.jump.map(|jump| (jump.sure, jump.to))
    };
    let rest = [150.0; 20];
    let mut moves = rest.to_vec();
    moves.extend([151.0, 152.0]);
    assert_eq!(key(&rest, 0.0), Some((Sure::Rest, Mass::ZERO)));
    // It was poured into within the same reading.
    assert_eq!(key(&rest, 2.0), Some((Sure::Guessed, Mass::ZERO)));
    assert_eq!(key(&moves, 0.0), Some((Sure::Guessed, Mass::ZERO)));
    // What agreed for less than our rest was there, to a few steps.
    moves.extend([153.0; 4]);
    assert_eq!(key(&moves, 0.0), Some((Sure::Flat, Mass::ZERO)));
    moves.push(155.0);
    // To another weight the mark says that a tare went, and no zero.
    assert_eq!(key(&rest, 40.0), Some((Sure::Rest, g("40"))));
    assert_eq!(key(&moves, 40.0), Some((Sure::Guessed, g("40"))));
}

#[test]
fn the_rate_of_a_pour_needs_two_readings_and_keeps_no_more_than_it_needs() {
    let mut rate = Rate::default();
    for n in 0..500 {
        rate.push(Moment::from_millis(n), D * n as i64);
    }
    let per_second = rate.grams_per_second();
    assert!((per_second - 10.0).abs() < 1e-6, "{per_second}");
    rate.reset();
    rate.push(Moment::from_millis(600), g("1"));
    rate.push(Moment::from_millis(700), g("2"));
    assert!((rate.grams_per_second() - 10.0).abs() < 1e-9);
    assert!(most_poured(2_000_000_000) > most_poured(1_000_000_000));
}

#[test]
fn a_record_that_was_taken_back_is_not_doubted_by_what_comes_next() {
    let mut b = recorded();
    b.land(0.0).hold(3.0);
    b.say(Command::Undo).hold(1.0);
    let before = b.rows.len();
    b.land(162.5).hold(2.0).land(0.0).hold(3.0);
    let doubted = b.rows[before..]
        .iter()
        .filter(|row| row.note.contains("put back"));
    assert_eq!(doubted.count(), 0, "{:?}", b.rows.last());
}

#[test]
fn a_silence_over_the_same_weight_leaves_the_zero_as_sure_as_it_was() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(155.0, 2.0).hold(2.0);
    super::returns::silent_then(&mut b, 155.0);
    b.hold(2.0).pour(162.0, 3.0).hold(3.0);
    b.expect(&["12.00"]);
    b.land(0.6).hold(3.0);
    assert!(unsure(&b) >= g("0.6"), "{:?}", b.rows.last());
}

#[test]
fn a_word_for_the_lift_leaves_the_vessel_known() {
    let mut b = two(VesselWay::Beaker, None);
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    b.flag = Some(Shown::Gross);
    b.hold(1.0);
    b.flag = Some(Shown::Net);
    b.jump(0.0).hold(15.0);
    b.flag = None;
    asks(&b, "ext");
    b.say(Command::Next).hold(2.0);
    b.land(162.0).hold(2.0);
    asks(&b, "just weighed");
}

#[test]
fn what_is_taken_out_in_the_air_as_it_was_asked_for_needs_no_word() {
    let back_with = |grams: f64| {
        let mut b = Bench::one("Salt", "12.00");
        b.hold(2.0).land(150.0).hold(1.5).pour(166.0, 4.0).hold(2.0);
        b.expect_cue(CueKind::TakeOut);
        // Held up over the pan while some is shaken out.
        b.pour(60.0, 0.3)
            .hold(0.6)
            .pour(150.0 + grams, 0.4)
            .hold(3.0);
        b.status().state
    };
    assert_eq!(back_with(14.0), Some(Stands::Tared));
    // So little was not asked for, nor was more.
    for grams in [2.0, 19.0] {
        assert_eq!(back_with(grams), Some(Stands::Stranger), "{grams}");
    }
}

#[test]
fn what_came_into_the_bowl_before_a_restart_is_no_more_than_a_scatter_of_it() {
    let mut b = goes_on_with_a_bowl();
    b.hold(2.0).land(280.12).hold(3.0);
    assert!(!say(&b).contains("more than recorded"), "{}", say(&b));
    b.say(Command::Next);
    asks(&b, "35.00 g to add");
}

#[test]
fn a_reading_says_what_is_missing() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(155.0, 3.0);
    let mut missing = vec![];
    b.engine.set_readings(true);
    let reading = Reading {
        at: Moment::from_millis(b.now + 100),
        weight: g("155.00"),
        digit: D,
        unit: Some(Unit::Gram),
        steady: None,
        shown: None,
    };
    let at = reading.at;
    b.engine.handle(0, Input::Reading(reading), at);
    while let Some(event) = b.engine.poll() {
        if let Event::Reading(live) = event {
            missing.push(live.missing);
        }
    }
    assert_eq!(missing, [Some(g("7.00"))]);
}

#[test]
fn what_sinks_after_the_record_without_a_rest_leaves_it_unsure() {
    let mut b = recorded();
    for n in 0..30 {
        b.read(157.0 + [0.0, 0.04, 0.02][n % 3]);
    }
    assert!(unsure(&b) > g("4.5"), "{:?}", b.rows.last());
    // A drop's worth is none.
    let mut b = recorded();
    let before = unsure(&b);
    for n in 0..30 {
        b.read(161.8 + [0.0, 0.04, 0.02][n % 3]);
    }
    assert_eq!(unsure(&b), before);
}

#[test]
fn the_trace_of_a_long_pour_keeps_its_shape() {
    let mut pan = pan();
    let mut at = 0;
    shows(&mut pan, &mut at, &[0.0; 20], None);
    for n in 1..=3000 {
        shows(&mut pan, &mut at, &[0.1 * f64::from(n)], None);
    }
    let shape = pan.shape(Mass::ZERO, g("300"), D);
    // Evenly for 300 s: eight tenths of that, and half of it on the mean.
    assert!((shape.swift - 240.0).abs() < 3.0, "{shape:?}");
    assert!((shape.body - 150.0).abs() < 3.0, "{shape:?}");
    assert!((300..512).contains(&shape.on_the_way), "{shape:?}");
}

#[test]
fn a_key_pressed_while_it_still_moves_is_no_loss_when_it_is_lifted() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    let before = unsure(&b);
    b.flag = Some(Shown::Gross);
    b.hold(0.5);
    b.flag = Some(Shown::Net);
    b.jump(0.0).hold(2.0);
    b.land(-162.0).hold(3.0);
    assert!(unsure(&b) <= before + g("0.05"), "{:?}", b.rows.last());
}

#[test]
fn what_shows_zero_after_the_record_may_stand_there_still() {
    // Within one reading, out of a weight at rest, or while it grew.
    for grows in [false, true] {
        // No vessel known, and no more than the step asks for.
        for little in [16.0, 21.0] {
            let mut b = two(VesselWay::Beaker, None);
            b.tau = 1.0;
            b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(3.0);
            if grows {
                b.read(180.0);
                b.read(190.0);
            }
            b.jump(0.0).hold(4.0).pour(little, 0.5).hold(2.0);
            assert_eq!(b.status().state, Some(Stands::Unsure), "{grows} {little}");
        }
    }
    // What comes within a line is no pour. If it was one all the same, the empty pan tells.
    let mut b = two(VesselWay::Beaker, None);
    b.tau = 1.0;
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(3.0);
    b.jump(0.0).hold(4.0).land(16.0).hold(2.0);
    assert_eq!(b.status().state, Some(Stands::Tared));
    b.pour(28.0, 4.0).hold(3.0).land(-162.0).hold(3.0);
    let last = b.rows.last().unwrap();
    assert!(last.verdict.is_none() && unsure(&b) > g("100"), "{last:?}");
    // That it goes by as much as it weighed with it says nothing of the record.
    let mut b = recorded();
    let before = unsure(&b);
    b.hold(1.0).read(0.0);
    b.read(0.0);
    b.land(-162.0).hold(3.0);
    assert_eq!(unsure(&b), before, "{:?}", b.rows.last());
}

/// 60 of 120 g are in it, and it goes off the pan after it showed so much for a tenth of a second each.
fn goes_by(shown: &[f64]) -> Vec<Choice> {
    let mut b = Bench::one("Salt", "120.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(210.0, 5.0).hold(2.0);
    for grams in shown {
        b.read(*grams);
    }
    b.land(0.0).hold(2.0);
    assert_eq!(b.status().state, Some(Stands::Away));
    b.cues.last().unwrap().choices.clone()
}

#[test]
fn a_lift_that_takes_its_time_is_no_other_weight_and_a_spoonful_is() {
    let lift = goes_by(&[198.0, 195.0, 192.0, 190.0, 188.0]);
    assert!(lift.contains(&Choice::Keep), "{lift:?}");
    // Nobody saw it at rest with that.
    let spoon = goes_by(&[205.0, 204.0, 203.0, 202.0]);
    assert!(!spoon.contains(&Choice::Keep), "{spoon:?}");
}

#[test]
fn who_stops_in_a_pour_hears_what_is_not_recorded() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(155.0, 3.0).hold(2.0);
    let said = b.answer(Command::Stop);
    assert!(said.contains("5.00 g Salt are not recorded"), "{said}");
    assert_eq!(
        two(VesselWay::Beaker, None).answer(Command::Stop),
        "Stopped."
    );
}

#[test]
fn what_sways_is_taken_by_no_word_before_that_is_offered() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).read(90.0);
    for n in 0..30 {
        b.read(150.0 + [0.0, 0.1, 0.2, 0.1][n % 4]);
    }
    b.say(Command::Next);
    assert_eq!(b.status().state, Some(Stands::Landing));
}

#[test]
fn a_bump_on_what_is_recorded_is_answered_by_no_word_for_an_empty_scale() {
    let mut b = recorded();
    b.hold(1.0).read(175.0);
    b.read(162.0);
    b.hold(20.0);
    assert!(!say(&b).contains("nothing is on it"), "{}", say(&b));
}

#[test]
fn a_vessel_that_comes_by_zero_on_its_way_back_has_to_be_seen_again() {
    let mut b = Bench::one("Salt", "12.00");
    b.tau = 1.0;
    b.hold(2.0).land(150.0).hold(1.5).jump(0.0).hold(1.5);
    b.pour(5.0, 3.0).hold(2.0).land(-150.0).hold(2.0);
    b.read(0.0);
    b.read(5.0);
    b.hold(3.0);
    assert_eq!(b.status().state, Some(Stands::ZeroLost), "{}", say(&b));
    b.land(-150.0)
        .hold(2.0)
        .land(5.0)
        .hold(2.0)
        .pour(12.0, 3.0)
        .hold(3.0);
    b.expect(&["12.00"]);
}
