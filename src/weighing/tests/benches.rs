//! Other benches: two scales, other units, restarts, words in every state.

use super::*;
use crate::mass::{Decimal, Unit};
use crate::vocabulary::code::Stands;
use crate::vocabulary::command::Choice;
use crate::vocabulary::progress::Weighed;
use crate::vocabulary::reading::Reading;

/// A beaker with `grams` in it, at rest, on an own tare of 150 g.
fn poured(name: &str, target: &str, grams: f64) -> Bench {
    let mut b = Bench::one(name, target);
    b.hold(2.0).land(150.0).hold(1.5).pour(150.0 + grams, 3.0);
    b.hold(1.6);
    b
}

fn begun(done: &[(usize, &str)]) -> Progress {
    Progress {
        weighed: done
            .iter()
            .enumerate()
            .map(|(i, &(step, net))| {
                let seq = i as u64 + 2;
                let weighed = Weighed {
                    seq,
                    net: g(net),
                    verdict: None,
                };
                (step, weighed)
            })
            .collect(),
        ..Progress::default()
    }
}

#[test]
fn each_step_is_weighed_on_its_own_scale() {
    let mut steps = vec![
        step(1, "Salt", "120.00", VesselWay::Beaker),
        step(2, "Vitamin", "0.800", VesselWay::Beaker),
    ];
    steps[1].scale = 1;
    let mut fine = scale("fine");
    fine.readability = Some(Mass::from_mg(1));
    let mut b = Bench::with(
        vec![scale("bench"), fine],
        plan(steps, None),
        Progress::default(),
    );
    b.hold(2.0).land(150.0).hold(1.5).pour(270.0, 4.0).hold(2.0);
    b.expect(&["120.00"]);
    b.land(0.0).hold(1.0);
    assert!(b.cues.last().unwrap().say.contains("on scale fine"));
    b.scale = 1;
    b.digit = Mass::from_mg(1);
    b.shown = 0.0;
    b.hold(2.0).land(20.0).hold(1.5).pour(20.802, 4.0).hold(2.0);
    b.expect(&["120.00", "0.80"]);
    assert_eq!(b.rows.last().unwrap().net, Some(g("0.802")));
    assert_eq!(b.rows.last().unwrap().scale, "fine");
    b.land(0.0).hold(2.0);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn a_vessel_on_the_wrong_scale_is_told() {
    let mut steps = vec![step(1, "Vitamin", "0.800", VesselWay::Beaker)];
    steps[0].scale = 1;
    let scales = vec![scale("bench"), scale("fine")];
    let mut b = Bench::with(scales, plan(steps, None), Progress::default());
    b.hold(2.0).land(150.0).hold(1.5);
    assert_eq!(b.faults, ["wrong-scale"]);
    b.pour(150.8, 3.0).hold(2.0);
    b.expect(&[]);
}

/// The beaker of the step before may stand on its own scale as long as it likes.
#[test]
fn the_beaker_of_the_step_before_is_on_no_wrong_scale() {
    let mut steps = vec![
        step(1, "Salt", "120.00", VesselWay::Beaker),
        step(2, "Vitamin", "0.800", VesselWay::Beaker),
        step(3, "Dye", "0.800", VesselWay::Beaker),
    ];
    steps[1].scale = 1;
    steps[2].scale = 1;
    let scales = vec![scale("bench"), scale("fine")];
    let mut b = Bench::with(scales, plan(steps, None), Progress::default());
    b.hold(2.0).land(150.0).hold(1.5).pour(270.0, 4.0).hold(2.0);
    b.land(0.0).hold(2.0).land(270.0).hold(2.0);
    assert!(b.faults.is_empty(), "{:?}", b.faults);
    // One step further it is a beaker that somebody took to the wrong scale.
    b.land(0.0).hold(2.0).say(Command::Skip("none left".into()));
    b.land(150.0).hold(2.0);
    assert_eq!(b.faults, ["wrong-scale"]);
}

/// The next step is on another scale; what the empty pan of this one shows counts all the same.
#[test]
fn an_empty_pan_speaks_of_its_last_record_while_the_next_step_is_elsewhere() {
    let begun = |step_2: usize| {
        let mut steps = vec![
            step(1, "Salt", "120.00", VesselWay::Beaker),
            step(2, "Vitamin", "8.000", VesselWay::Beaker),
        ];
        steps[1].scale = step_2;
        let scales = vec![scale("bench"), scale("fine")];
        let mut b = Bench::with(scales, plan(steps, None), Progress::default());
        b.hold(2.0).land(150.0).hold(1.5).pour(270.0, 4.0).hold(2.0);
        b.expect(&["120.00"]);
        // 5 g lay there before, or were spilt, and show once the beaker is off.
        b.land(5.0).hold(3.0);
        let row = b.rows.iter().rfind(|row| row.kind == RowKind::Weighed);
        let row = row.unwrap();
        assert_eq!(row.verdict, None, "{step_2}: {row:?}");
        assert!(row.uncertainty > Some(g("4.90")), "{step_2}: {row:?}");
        b
    };
    begun(0);
    let mut b = begun(1);
    b.scale = 1;
    b.shown = 0.0;
    b.hold(1.0).land(150.0).hold(1.5).pour(158.0, 4.0).hold(2.0);
    assert_eq!(b.weighed().last().unwrap().1, "8.00");
}

/// A vessel that stood on the other scale while one was waited for is no draught of that scale's empty pan.
#[test]
fn a_vessel_that_stood_on_the_other_scale_is_no_wander_of_it() {
    let steps = [("Salt", 0), ("Vitamin", 1)].map(|(name, scale)| Step {
        scale,
        ..step(1 + scale, name, "120.00", VesselWay::Beaker)
    });
    let scales = vec![scale("bench"), scale("fine")];
    let mut b = Bench::with(scales, plan(steps.to_vec(), None), Progress::default());
    b.interval = 50;
    let mut now = [0.0, 0.0];
    // Each load comes and goes within half a second, and both scales send all the time.
    let mut both = |b: &mut Bench, to: [f64; 2], seconds: f64| {
        for _ in 0..(seconds * 10.0) as usize {
            for (scale, to) in to.into_iter().enumerate() {
                now[scale] += (to - now[scale]) * 0.6;
                b.scale = scale;
                b.read(now[scale]);
            }
        }
    };
    for (to, seconds) in [
        ([0.0, 0.0], 4.0),
        ([0.0, 90.0], 6.0),
        ([0.0, 0.0], 4.0),
        ([150.0, 0.0], 3.0),
        ([270.0, 0.0], 4.0),
        ([0.0, 0.0], 4.0),
        ([0.0, 90.0], 3.0),
        ([0.0, 210.0], 5.0),
    ] {
        both(&mut b, to, seconds);
    }
    b.expect(&["120.00", "120.00"]);
    let row = super::unanswered::last_weighed(&b);
    assert!(row.uncertainty < Some(g("0.05")), "{row:?}");
}

/// A unit that changes is written down, told with the way back, and told off once it is back.
#[test]
fn a_unit_that_changes_is_told_until_it_is_back() {
    let mut b = poured("Salt", "12.00", 5.0);
    b.expect_cue(CueKind::Add);
    b.unit = Unit::Ounce;
    b.digit = Mass::from_ng(Unit::Ounce.ng() / 1000);
    b.hold(2.0);
    assert_eq!(b.faults, ["unit"]);
    let told = b.cues.iter().any(|cue| {
        cue.say
            .contains("The scale shows oz now; weights are converted. Press the unit key until it shows g again.")
    });
    assert!(told, "{:?}", b.cues.last());
    b.unit = Unit::Gram;
    b.digit = Mass::from_mg(10);
    b.hold(2.0);
    assert_eq!(b.faults, ["unit"]);
    let notes = b.rows.iter().filter(|row| row.kind == RowKind::Note);
    let notes: Vec<&str> = notes.map(|row| row.note.as_str()).collect();
    assert_eq!(
        notes,
        [
            "scale bench changed its unit to oz",
            "scale bench changed its unit to g"
        ]
    );
    b.expect_cue(CueKind::Add);
}

#[test]
fn a_loaded_bowl_after_a_restart_is_never_tared_in_silence() {
    let mut b = Bench::with(
        vec![scale("bench")],
        two_in_a_bowl(),
        begun(&[(1, "20.00")]),
    );
    // 300 g of bowl, 20 g of oil, and perhaps some wax that no row tells of.
    b.shown = 324.0;
    b.hold(3.0);
    b.expect_cue(CueKind::Choose);
    b.pour(330.0, 4.0).hold(3.0);
    b.expect(&[]);
    // Lifted and put back it weighs the same, and is asked about again.
    b.land(0.0).hold(2.0).land(330.0).hold(2.0);
    b.expect_cue(CueKind::Choose);
    b.expect(&[]);
    b.say(Command::Next)
        .hold(1.0)
        .pour(340.0, 4.0)
        .hold(4.0)
        .land(0.0);
    b.expect(&["10.00"]);
    assert!(b.rows.iter().any(|row| row.note.contains("maker says")));
}

#[test]
fn a_beaker_lifted_at_once_after_a_restart_is_not_taken_for_empty_when_it_is_back() {
    let step = |n, name| step(n, name, "30.00", VesselWay::Beaker);
    let plan = plan(vec![step(1, "Salt"), step(2, "Clay")], None);
    let mut b = Bench::with(vec![scale("bench")], plan, begun(&[(1, "30.00")]));
    // Half of step 2 is in it. Lifted within one reading, or tared by the key: nobody can tell.
    b.shown = 166.2;
    b.hold(0.3).jump(0.0).hold(3.0);
    b.expect_cue(CueKind::Lift);
    b.land(166.2).hold(2.0);
    b.pour(181.2, 4.0).hold(2.0).land(0.0).hold(1.0);
    b.expect(&[]);
    b.expect_cue(CueKind::Place);
    // Another, empty one.
    b.land(140.0).hold(2.0).pour(170.0, 4.0).hold(2.0).land(0.0);
    b.expect(&["30.00"]);
}

#[test]
fn a_beaker_that_stands_there_after_a_restart_has_to_be_empty() {
    let steps = vec![
        step(1, "Salt", "20.00", VesselWay::Beaker),
        step(2, "Clay", "10.00", VesselWay::Beaker),
    ];
    let begun = begun(&[(1, "20.00")]);
    let mut b = Bench::with(vec![scale("bench")], plan(steps, None), begun);
    b.shown = 155.0;
    b.hold(3.0);
    b.expect_cue(CueKind::Choose);
    // Lifted, and an empty one in its place: no word is needed.
    b.land(0.0)
        .hold(1.5)
        .land(90.0)
        .hold(1.5)
        .pour(100.0, 4.0)
        .hold(2.0);
    b.expect(&["10.00"]);
}

#[test]
fn a_scale_switched_off_and_on_under_a_tared_beaker_records_nothing_false() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .jump(0.0)
        .hold(1.5)
        .pour(5.0, 3.0)
        .hold(2.0);
    // Off for 4 s while 2 g more go in; on again it calls 157 g zero.
    b.now += 4_000;
    b.shown = 0.0;
    b.hold(3.0).pour(5.0, 3.0).hold(3.0);
    b.expect(&[]);
    b.expect_cue(CueKind::Fault);
    b.land(-157.0).hold(2.0).land(5.0).hold(2.0);
    b.expect(&["12.00"]);
    assert!(b.rows.iter().any(|r| r.uncertainty > Some(g("0.0116"))));
}

#[test]
fn a_scale_switched_off_after_the_record_does_not_change_it_for_sure() {
    let mut b = poured("Salt", "12.00", 12.0);
    b.hold(0.5);
    b.expect(&["12.00"]);
    b.now += 4_000;
    b.shown = 0.0;
    b.hold(2.0);
    let last = b.rows.iter().rfind(|r| r.kind == RowKind::Weighed).unwrap();
    assert_eq!(last.net, Some(g("12.00")), "the number stands");
    assert!(
        last.uncertainty > Some(g("1")),
        "what dripped in meanwhile nobody saw"
    );
}

#[test]
fn a_weight_whose_beaker_left_before_the_lot_came_is_recorded_with_it() {
    let mut steps = vec![step(1, "Salt", "12.00", VesselWay::Beaker)];
    steps[0].lot_required = true;
    let mut b = Bench::new(plan(steps, None));
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    b.land(0.0).hold(2.0);
    b.expect(&[]);
    b.say(Command::Lot("S-7".into()));
    b.expect(&["12.00"]);
    b.hold(0.5);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn again_in_every_state_loses_no_record_and_goes_on() {
    type Reach = fn(&mut Bench);
    let states: [(&str, Reach); 9] = [
        ("empty, waiting", |b| {
            b.hold(2.0);
        }),
        ("coming to rest", |b| {
            b.hold(2.0).jump(140.0).jump(149.0);
        }),
        ("vessel tared", |b| {
            b.hold(2.0).land(150.0).hold(1.5);
        }),
        ("vessel tared", |b| {
            b.hold(2.0).land(150.0).hold(1.5).pour(155.0, 2.0).hold(2.0);
        }),
        ("to be checked", |b| {
            b.tau = 1.0;
            b.hold(2.0).land(150.0).hold(1.5).jump(0.0).hold(1.0);
        }),
        ("vessel lifted", |b| {
            b.hold(2.0).land(150.0).hold(1.5).pour(155.0, 2.0).hold(2.0);
            b.land(0.0).hold(1.0);
        }),
        ("zero lost", |b| {
            b.hold(2.0).land(150.0).hold(1.5).pour(155.0, 2.0).hold(2.0);
            b.now += 5_000;
            b.shown = 0.0;
            b.hold(0.5);
        }),
        ("waiting for the lift", |b| {
            b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 2.0).hold(2.0);
        }),
        ("not sure it is the same", |b| {
            b.hold(2.0).land(150.0).hold(1.5).pour(155.0, 2.0).hold(2.0);
            b.land(0.0).hold(1.0).land(151.0).hold(1.5);
        }),
    ];
    for (state, reach) in states {
        let mut b = Bench::one("Salt", "12.00");
        reach(&mut b);
        let mut status = crate::vocabulary::status::Status::default();
        b.engine.status(&mut status);
        let tare = status.tare.unwrap();
        assert!(tare.contains(state), "{tare}, expected {state}");
        let before = b.weighed().len();
        b.say(Command::Again);
        // Whatever stood there is lifted, a clean one is set down, and the step is weighed.
        if status.state == Some(Stands::ToCheck) {
            // It is off already: the indication cannot tell, so the word does.
            b.hold(2.0).say(Command::Next);
        }
        b.hold(1.0).land(if status.state == Some(Stands::ZeroLost) {
            -155.0
        } else {
            0.0
        });
        b.hold(2.0);
        let empty = b.shown;
        b.land(empty + 90.0).hold(1.5);
        b.pour(empty + 102.0, 4.0).hold(2.0);
        let nets: Vec<String> = b.weighed().into_iter().map(|(_, net, _)| net).collect();
        assert_eq!(nets.len(), before + 1, "{tare}: {:?}", b.cues.last());
        assert_eq!(nets.last().map(String::as_str), Some("12.00"), "{tare}");
        if before == 1 {
            let last = b.rows.iter().rfind(|r| r.kind == RowKind::Weighed).unwrap();
            assert!(last.note.starts_with("corrects seq"), "{}", last.note);
        }
    }
}

/// What is in a bowl with more in it cannot be weighed again; the first step in it can, and one of which nothing
/// is in it yet.
#[test]
fn a_step_in_a_shared_bowl_is_begun_again_while_nothing_of_it_is_in() {
    let again = |b: &mut Bench| {
        let said = b.engine.command(Command::Again, Moment::from_millis(b.now));
        b.drain();
        format!("{said:?}")
    };
    let second = || {
        let mut b = Bench::new(two_in_a_bowl());
        b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(4.0);
        b
    };
    assert!(again(&mut second()).starts_with("Ok"));
    let mut b = second();
    b.pour(325.0, 2.0).hold(2.0);
    let said = again(&mut b);
    let refused = "Wax is in the bowl already and cannot be weighed again.";
    assert!(said.starts_with("Err") && said.contains(refused), "{said}");
    b.pour(330.0, 3.0).hold(4.0);
    b.expect(&["20.00", "10.00"]);
    let mut b = second();
    b.pour(325.0, 2.0).hold(2.0).land(0.0).hold(2.0);
    b.land(250.0).hold(2.0);
    let said = again(&mut b);
    let refused = "The bowl cannot be begun again. Say next if it is the same bowl.";
    assert!(said.starts_with("Err") && said.contains(refused), "{said}");
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0).land(300.0).hold(1.5).pour(310.0, 3.0).hold(2.0);
    assert!(again(&mut b).starts_with("Ok"));
}

/// A source does not tell where it went: who begins again is told how much that is.
#[test]
fn what_came_out_of_a_source_before_it_is_begun_again_is_told() {
    for (left, told) in [(145.0, true), (150.0, false)] {
        let way = VesselWay::Difference;
        let mut b = Bench::new(plan(vec![step(1, "Oil", "12.00", way)], None));
        b.hold(2.0).land(150.0).hold(2.0);
        b.land(0.0).hold(2.0).land(left).hold(3.0);
        b.say(Command::Again);
        let out = "5.00 g came out and are not counted";
        let said = b.cues.iter().any(|cue| cue.say.contains(out));
        assert_eq!(said, told, "{left}: {:?}", b.cues.last());
    }
}

/// A bottle that comes back twice as it left may be empty: another one is asked for, and weighed anew.
#[test]
fn a_source_that_gives_nothing_is_changed_for_another() {
    let way = VesselWay::Difference;
    let mut b = Bench::new(plan(vec![step(1, "Oil", "12.00", way)], None));
    b.hold(2.0).land(80.0).hold(2.0);
    b.land(0.0).hold(2.0).land(80.0).hold(2.0);
    b.expect_cue(CueKind::Add);
    b.land(0.0).hold(2.0).land(80.0).hold(2.0);
    let cue = b.cues.last().unwrap();
    assert!(cue.say.starts_with("Nothing came out of Oil"), "{cue:?}");
    assert_eq!(cue.choices, [Choice::Again]);
    b.say(Command::Again);
    b.land(0.0).hold(2.0).land(140.0).hold(2.0);
    b.expect_cue(CueKind::Add);
    b.land(0.0).hold(2.0).land(128.0).hold(3.0);
    b.expect(&["12.00"]);
}

/// The vessel was tared with the key, so the pan without it shows less than zero, until the key is pressed again.
#[test]
fn the_key_on_the_empty_pan_while_the_vessel_is_away_moves_its_tare() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).jump(0.0).hold(1.5);
    b.pour(5.0, 3.0).hold(2.0).land(-150.0).hold(2.0);
    b.jump(0.0).hold(2.0).land(155.0).hold(2.0);
    if b.cues.last().unwrap().say.contains("must be seen again") {
        b.land(0.0).hold(2.0).land(155.0).hold(2.0);
    }
    let say = &b.cues.last().unwrap().say;
    assert!(say.contains("7.00 g to add"), "{say}");
    b.pour(162.0, 3.0).hold(2.0);
    b.expect(&["12.00"]);
    b.land(0.0).hold(2.0);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn two_presses_keep_an_over_pour() {
    let mut b = poured("Salt", "12.00", 12.6);
    b.hold(0.5);
    b.expect_cue(CueKind::TakeOut);
    for above in [60.0, 90.0, 70.0, 20.0, 4.0, 50.0, 80.0, 30.0, 5.0, 0.4] {
        b.read(162.6 + above);
    }
    b.shown = 162.6;
    b.hold(2.0);
    assert_eq!(b.weighed(), [(1, "12.60".into(), Some(Verdict::Kept))]);
}

/// The factors are those of NIST SP 811 (2008), appendix B.8: ounce (avoirdupois)
/// 28.349 523 125 g; carat, metric 0.2 g.
#[test]
fn a_step_in_other_units_is_recorded_in_grams() {
    for (unit, digit, unit_ng) in [
        (Unit::Kilogram, 10_000_000, 1_000_000_000_000_i64),
        (Unit::Ounce, 28_349_523, 28_349_523_125),
        (Unit::Carat, 2_000_000, 200_000_000),
    ] {
        assert_eq!(unit.ng(), unit_ng);
        let mut plain = scale("bench");
        plain.readability = None;
        let steps = vec![step(1, "Salt", "12.00", VesselWay::Beaker)];
        let mut b = Bench::with(vec![plain], plan(steps, None), Progress::default());
        b.unit = unit;
        b.digit = Mass::from_ng(digit);
        b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
        let row = b.rows.iter().find(|r| r.kind == RowKind::Weighed);
        let row = row.unwrap_or_else(|| panic!("{unit:?}: {:?}", b.cues.last()));
        let off = (row.net.unwrap() - g("12.00")).abs();
        assert!(off <= b.digit, "{unit:?}: {off:?}");
        assert_eq!(row.unit, Some(unit));
    }
}

#[test]
fn a_scale_that_begins_with_its_own_tare_says_so_by_its_flag() {
    let mut b = Bench::one("Salt", "12.00");
    b.flag = Some(Shown::Net);
    b.hold(2.0).pour(12.0, 4.0).hold(2.0);
    b.expect(&["12.00"]);
    b.land(-150.0).hold(1.0);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn a_tolerance_that_the_scale_cannot_prove_is_recorded_without_a_verdict() {
    // 1 % of 1 g is 0.01 g: one step of the scale.
    let mut b = poured("Dye", "1.00", 1.0);
    b.hold(1.0);
    assert_eq!(b.weighed(), [(1, "1.00".into(), None)]);
    assert!(b.rows[0].note.contains("cannot prove"));
}

#[test]
fn a_silent_scale_is_told_once_and_its_return_too() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0);
    let due = b.engine.deadline().unwrap();
    assert_eq!(due, Moment::from_millis(b.now + 3_000));
    b.engine.tick(Moment::from_millis(b.now + 2_999));
    b.drain();
    assert!(b.faults.is_empty(), "an early tick does nothing");
    b.engine.tick(due);
    b.engine.tick(due);
    b.drain();
    assert_eq!(b.faults, ["silent"]);
    assert_eq!(b.engine.deadline(), None, "it was told");
    assert!(b.engine.is_silent(0));
    b.now += 4_000;
    b.hold(1.5);
    assert!(!b.engine.is_silent(0));
    b.land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    b.expect(&["12.00"]);
}

#[test]
fn after_a_silence_no_old_number_is_said() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(155.0, 4.0).hold(2.0);
    b.expect_cue(CueKind::Add);
    for more in [157.0, 159.0] {
        let due = b.engine.deadline().unwrap();
        b.engine.tick(due);
        b.drain();
        let told = b.cues.len();
        // Poured on while nobody saw it.
        b.shown = more;
        b.now += 6_000;
        b.hold(1.5);
        let said: Vec<&str> = b.cues[told..].iter().map(|cue| cue.say.as_str()).collect();
        assert!(
            said.iter()
                .all(|say| say.contains("The tare must be seen again") && !say.contains("to add"))
                && !said.is_empty(),
            "{said:?}"
        );
    }
}

#[test]
fn what_stood_there_before_a_silence_cannot_be_kept() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(155.0, 4.0).hold(2.0);
    b.now += 5_000;
    b.say(Command::Keep);
    b.expect(&[]);
    // The same stands there when the scale speaks again.
    b.hold(2.0).say(Command::Keep);
    b.expect(&["5.00"]);
}

/// One batch, weighed with the TARE key; the empty pan shows less than zero when it is over.
fn one_batch_with_the_key() -> Bench {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).jump(0.0).hold(1.5);
    b.pour(12.0, 4.0).hold(2.0).land(-150.0).hold(2.0);
    b.expect(&["12.00"]);
    assert_eq!(b.closed, Some(true));
    b
}

#[test]
fn what_a_stopped_batch_left_on_the_pan_is_not_taken_for_empty() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(155.0, 4.0).hold(2.0);
    b.say(Command::Stop).hold(2.0);
    let at = Moment::from_millis(b.now);
    let next = || plan(vec![step(1, "Oil", "20.00", VesselWay::Beaker)], None);
    b.engine.begin(next(), Progress::default(), at).unwrap();
    b.drain();
    b.hold(2.0);
    b.expect_cue(CueKind::Lift);
    b.pour(175.0, 4.0).hold(2.0);
    b.expect(&[]);
    b.land(0.0).hold(2.0).land(90.0).hold(2.0);
    b.expect_cue(CueKind::Add);
    b.pour(110.0, 4.0).hold(2.0).land(0.0);
    b.expect(&["20.00"]);
    // Observation empty since, the next vessel may stand there before the batch begins.
    b.hold(2.0).land(80.0).hold(2.0);
    let at = Moment::from_millis(b.now);
    b.engine.begin(next(), Progress::default(), at).unwrap();
    b.drain();
    b.hold(1.0);
    b.expect_cue(CueKind::Add);
}

fn next_batch(b: &mut Bench) {
    let at = Moment::from_millis(b.now);
    let next = plan(vec![step(1, "Oil", "160.00", VesselWay::Beaker)], None);
    b.engine.begin(next, Progress::default(), at).unwrap();
    b.drain();
    b.hold(1.5);
    b.expect_cue(CueKind::Place);
    // The vessel weighs about what is to be poured.
    b.land(159.0).hold(2.0);
    b.expect_cue(CueKind::Add);
    b.pour(319.0, 4.0).hold(2.0).land(0.0).hold(2.0);
    b.expect(&["12.00", "160.00"]);
}

#[test]
fn the_key_on_the_empty_pan_between_two_batches_moves_the_zero() {
    let mut b = one_batch_with_the_key();
    b.jump(0.0).hold(3.0);
    next_batch(&mut b);
}

#[test]
fn a_scale_switched_off_and_on_between_two_batches_has_another_zero() {
    let mut b = one_batch_with_the_key();
    b.now += 20_000;
    b.jump(0.0).hold(3.0);
    next_batch(&mut b);
}

#[test]
fn a_batch_that_begins_while_the_scale_is_silent_does_not_tare_what_stood_there() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).say(Command::Stop);
    b.now += 60_000;
    b.shown = 0.0;
    let at = Moment::from_millis(b.now);
    let next = plan(vec![step(1, "Oil", "17.00", VesselWay::Difference)], None);
    b.engine.begin(next, Progress::default(), at).unwrap();
    b.drain();
    b.expect_cue(CueKind::Place);
    b.hold(1.5).land(133.0).hold(2.0);
    b.expect_cue(CueKind::Add);
    b.land(0.0).hold(1.0).land(116.0).hold(2.0);
    b.expect(&["17.00"]);
}

#[test]
fn too_much_on_the_scale_is_told_and_never_weighed() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5);
    for _ in 0..10 {
        b.now += 100;
        let at = Moment::from_millis(b.now);
        b.engine.handle(0, Input::Overload, at);
        b.drain();
    }
    assert_eq!(b.faults, ["overload"], "once");
    b.expect_cue(CueKind::Fault);
    b.hold(1.5).pour(162.0, 4.0).hold(2.0);
    b.expect(&["12.00"]);
}

#[test]
fn a_word_widens_the_uncertainty_and_claims_no_verdict() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .pour(155.0, 3.0)
        .hold(1.5)
        .land(0.0)
        .hold(1.0);
    // Back with 1.3 g more: the maker says that it is the same beaker.
    b.land(156.3).hold(2.0);
    b.say(Command::Next).pour(162.0, 3.0).hold(3.0);
    assert_eq!(b.weighed(), [(1, "12.00".into(), None)]);
    let row = b.rows.iter().find(|r| r.kind == RowKind::Weighed).unwrap();
    assert!(row.uncertainty > Some(g("1.3")), "{:?}", row.uncertainty);
}

#[test]
fn what_cannot_be_the_bowl_is_not_taken_for_it_on_a_word() {
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(4.0);
    b.pour(325.0, 2.0).hold(2.0).land(0.0).hold(2.0);
    b.land(250.0).hold(2.0);
    b.expect_cue(CueKind::Choose);
    // The word goes on with it, but no record in it claims anything any more.
    b.say(Command::Next).pour(255.0, 3.0).hold(4.0);
    let rows: Vec<_> = b.weighed();
    assert_eq!(rows[1].2, None, "{rows:?}");
    // What was in it of this step before the lift, and what came after.
    assert_eq!(rows.last().unwrap().1, "10.00", "{rows:?}");
    assert!(
        b.rows
            .iter()
            .any(|row| row.note.contains("maker goes on with the bowl"))
    );
    assert!(
        b.rows
            .iter()
            .filter(|row| row.kind == RowKind::Weighed)
            .skip(1)
            .all(|row| row.uncertainty > Some(g("70"))),
    );
}

#[test]
fn what_comes_before_the_next_is_asked_for_belongs_to_the_one_before() {
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0)
        .land(300.0)
        .hold(1.5)
        .pour(319.95, 4.0)
        .hold(1.8);
    b.expect(&["19.95"]);
    b.pour(320.1, 1.0).hold(4.0);
    b.expect(&["19.95", "20.10"]);
    b.pour(330.1, 4.0).hold(4.0);
    b.expect(&["19.95", "20.10", "10.00"]);
}

#[test]
fn what_goes_on_falling_before_the_next_is_asked_for_may_belong_to_either() {
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0).land(300.0).hold(1.5).pour(319.95, 4.0);
    // More than drops bring, before "add": the last spoon, or a maker who is ahead.
    b.hold(2.2).pour(320.4, 0.5).hold(3.0);
    let row = super::unanswered::last_weighed(&b);
    assert_eq!((row.step, row.verdict), (1, None));
    assert!(row.uncertainty > Some(g("0.4")), "{:?}", row.uncertainty);
    b.pour(329.95, 6.0).hold(4.0);
    let row = super::unanswered::last_weighed(&b);
    assert_eq!((row.step, row.verdict), (2, None));
    assert!(row.uncertainty > Some(g("0.4")), "{:?}", row.uncertainty);
}

#[test]
fn what_ran_in_before_the_next_was_asked_for_stays_unsure_though_the_next_pour_comes_before_a_rest()
{
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0).land(300.0).hold(1.5).pour(319.95, 4.0);
    // A trickle of more than 20 d, late; and the next ingredient half a second after it has run in.
    b.hold(2.1).pour(320.25, 0.9).hold(0.5);
    b.pour(329.95, 6.0).hold(4.0);
    let weighed = |step: usize| {
        let rows = b.rows.iter().rev();
        let mut rows = rows.filter(|row| row.kind == RowKind::Weighed && row.step == step);
        rows.next().unwrap()
    };
    for step in [1, 2] {
        let row = weighed(step);
        assert_eq!(row.verdict, None, "{row:?}");
        assert!(row.uncertainty > Some(g("0.25")), "{row:?}");
    }
}

#[test]
fn a_spoon_that_presses_as_it_takes_out_is_no_draught() {
    let mut b = Bench::one("Clay", "12.00");
    b.hold(2.0).land(100.0).hold(2.0).pour(112.4, 4.0).hold(4.0);
    b.expect_cue(CueKind::TakeOut);
    // A slow filter makes a slow swing of each touch.
    b.pour(112.7, 1.5)
        .pour(112.35, 1.5)
        .pour(112.0, 0.3)
        .hold(4.0);
    b.expect(&["12.00"]);
    assert!(
        b.cues.iter().all(|cue| cue.kind != CueKind::Fault),
        "{:?}",
        b.cues
    );
}

#[test]
fn a_beaker_that_is_put_back_with_more_in_it_leaves_its_record_unsure() {
    let two = || {
        let steps = vec![
            step(1, "Salt", "12.00", VesselWay::Beaker),
            step(2, "Clay", "8.00", VesselWay::Beaker),
        ];
        let mut b = Bench::new(plan(steps, None));
        b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
        b.land(0.0).hold(2.0);
        b.expect(&["12.00"]);
        b
    };
    let mut b = two();
    b.land(163.0).hold(2.0).land(0.0).hold(2.0);
    let row = super::unanswered::last_weighed(&b);
    assert_eq!((row.step, row.verdict), (1, None));
    assert!(row.uncertainty > Some(g("1.0")), "{:?}", row.uncertainty);
    super::returns::asks(
        &b,
        "That weighed nearly what the vessel with Salt did; its weight is marked",
    );
    // What is poured into is the next vessel, whatever it weighs; and what weighs otherwise is another.
    let mut b = two();
    b.land(163.0)
        .hold(2.0)
        .pour(171.0, 4.0)
        .hold(2.0)
        .land(0.0)
        .hold(2.0);
    b.expect(&["12.00", "8.00"]);
    let mut b = two();
    b.land(120.0).hold(2.0).land(0.0).hold(2.0);
    b.expect(&["12.00"]);
}

/// The rows of step 1, each with its verdict and whether its U reaches `by`.
fn first_step(b: &Bench, by: &str) -> Vec<(Option<Verdict>, bool)> {
    let first = b.rows.iter().filter(|row| row.step == 1);
    let weights = first.filter(|row| row.kind == RowKind::Weighed);
    weights
        .map(|row| (row.verdict, row.uncertainty > Some(g(by))))
        .collect()
}

#[test]
fn what_goes_from_the_bowl_in_a_later_step_questions_the_earlier_records() {
    let inside = (Some(Verdict::Inside), false);
    // A spoon of 5 g lay there with the oil, and is taken away when the wax is recorded.
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(4.0);
    b.hold(1.0).pour(330.0, 4.0).hold(4.0);
    assert_eq!(first_step(&b, "5"), [inside]);
    b.pour(325.0, 0.5).hold(2.0).land(0.0).hold(3.0);
    assert_eq!(first_step(&b, "5"), [inside, (None, true)]);
}

#[test]
fn a_scale_on_another_unit_that_flickers_by_its_own_step_is_at_rest() {
    // A step of 0.01 g is 0.154 gn and 0.000 35 oz (NIST SP 811:2008, Appendix B.8): on the display one digit or
    // two, three or four. In ounces with two decimals the digit is no whole number of nanograms.
    for (unit, decimals, step) in [
        (Unit::Grain, 1, 0.01),
        (Unit::Ounce, 4, 0.01),
        (Unit::Ounce, 2, 0.01 * Unit::Ounce.ng() as f64 / 1e9),
        (Unit::Ounce, 3, 0.001 * Unit::Ounce.ng() as f64 / 1e9),
        (
            Unit::TroyOunce,
            3,
            0.001 * Unit::TroyOunce.ng() as f64 / 1e9,
        ),
    ] {
        let mut unrested = Vec::new();
        for n in 0..60 {
            let mut pan = super::decides::pan();
            let at = 150.0 + f64::from(n) * 0.537;
            for tick in 0..40u64 {
                let grams = ((at / step).round() + (tick * 7 % 3 % 2) as f64) * step;
                let number = grams * 1e9 / unit.ng() as f64;
                let text = format!("{number:.decimals$}");
                let number = Decimal::parse(text.as_bytes()).unwrap();
                pan.reading(&Reading {
                    at: Moment::from_millis(tick * 100),
                    weight: number.in_unit(unit).unwrap(),
                    digit: number.last_digit(unit),
                    unit: Some(unit),
                    steady: None,
                    shown: None,
                });
            }
            if pan.level(Moment::from_millis(3_900)).is_none() {
                unrested.push(at);
            }
        }
        assert!(unrested.is_empty(), "{unit:?} {decimals}: {unrested:?}");
    }
}

#[test]
fn who_sets_the_scale_to_grams_is_not_told_to_set_it_back() {
    let mut b = Bench::one("Salt", "12.00");
    b.unit = Unit::Ounce;
    b.digit = Mass::from_ng(Unit::Ounce.ng() / 100);
    b.hold(3.0);
    b.unit = Unit::Gram;
    b.digit = Mass::from_mg(10);
    b.hold(2.0).land(150.0).hold(2.0);
    let told = b.cues.iter().any(|cue| cue.say.contains("unit key"));
    assert!(!told, "{:?}", b.cues);
    b.expect_cue(CueKind::Add);
}
