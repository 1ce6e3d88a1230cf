//! What comes back to the scale, and what is said until it does.

use super::unanswered::last_weighed;
use super::*;

pub fn say(b: &Bench) -> &str {
    b.cues.last().map_or("", |cue| cue.say.as_str())
}

#[track_caller]
pub fn asks(b: &Bench, words: &str) {
    assert!(say(b).contains(words), "{:?}", b.cues.last());
}

/// The line is silent for a while, and then shows so much.
pub fn silent_then(b: &mut Bench, shown: f64) {
    b.now += 20_000;
    b.engine.tick(Moment::from_millis(b.now));
    b.drain();
    b.read(shown);
}

/// A beaker of 150 g that is tared, and the pour that has begun.
fn begun(grams: f64, seconds: f64) -> Bench {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5);
    b.pour(150.0 + grams, seconds);
    b
}

#[test]
fn a_full_vessel_that_was_to_be_begun_again_is_not_empty() {
    for way in [VesselWay::Beaker, VesselWay::Bowl] {
        let mut b = Bench::new(plan(vec![step(1, "Salt", "12.00", way)], None));
        b.hold(2.0).land(150.0).hold(1.5).pour(163.0, 4.0).hold(2.0);
        b.land(0.0).hold(1.5);
        b.say(Command::Again);
        b.land(163.0).hold(2.0);
        asks(&b, "weighs what it did before");
        // Emptied, it is taken as it is.
        b.land(0.0).hold(1.5).land(150.0).hold(2.0);
        asks(&b, "12.00 g to add");
    }
}

#[test]
fn a_pour_that_had_just_begun_is_not_tared_with_the_vessel() {
    let mut b = begun(2.5, 0.2);
    b.land(0.0).hold(1.5);
    b.expect_cue(CueKind::Place);
    b.land(152.5).hold(2.0);
    asks(&b, "2.50 g heavier than when it left");
    // Nothing went in: it is tared without a word.
    let mut b = begun(2.5, 0.2);
    b.land(0.0).hold(1.5).land(150.0).hold(2.0);
    asks(&b, "12.00 g to add");
}

#[test]
fn what_comes_back_with_much_less_or_more_is_asked_about() {
    for (back, asked) in [(200.4, false), (180.0, true), (240.0, true)] {
        let mut b = Bench::one("Salt", "60.00");
        b.hold(2.0).land(150.0).hold(1.5).pour(200.0, 5.0).hold(1.0);
        b.pour(200.9, 0.3);
        // Within one reading: a key, or a lift, which the empty pan tells.
        b.jump(0.0).hold(2.5);
        b.land(back).hold(2.0);
        let question = say(&b).contains("same");
        assert_eq!(question, asked, "{back}: {:?}", b.cues.last());
    }
}

#[test]
fn more_than_all_of_it_nobody_takes_out() {
    // A lid lay on the beaker when it was tared, and goes while a little is to be taken out.
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(168.0).hold(1.5).pour(180.3, 4.0).hold(2.0);
    b.expect_cue(CueKind::TakeOut);
    b.land(162.3).hold(2.0);
    b.expect_cue(CueKind::Choose);
    b.expect(&[]);
}

#[test]
fn a_key_while_the_bowl_is_mixed_moves_what_it_weighed() {
    let mut b = Bench::new(stirred_between("20.00", "10.00"));
    b.flag = Some(Shown::Gross);
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(3.0);
    b.expect_cue(CueKind::Mix);
    b.flag = Some(Shown::Net);
    b.jump(0.0).hold(2.0);
    b.say(Command::Next).hold(0.5);
    asks(&b, "10.00 g to add");
    b.pour(10.0, 4.0).hold(2.0);
    b.expect(&["20.00", "10.00"]);
    assert_eq!(
        b.rows.last().map(|row| row.verdict),
        Some(Some(Verdict::Inside))
    );
}

#[test]
fn what_is_more_in_a_bowl_may_be_of_the_step_whatever_is_said() {
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(3.0);
    b.land(0.0).hold(2.0).land(326.0).hold(2.0);
    b.expect_cue(CueKind::Choose);
    b.say(Command::Next);
    b.pour(330.0, 4.0).hold(2.0);
    let row = b
        .rows
        .iter()
        .rfind(|row| row.step == 2 && row.net.is_some());
    let row = row.expect("a weight");
    assert_eq!(row.verdict, None);
    assert!(row.uncertainty >= Some(g("6.00")), "{row:?}");
}

#[test]
fn to_take_out_in_vain_three_times_asks_for_the_tare() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 4.0).hold(2.0);
    for _ in 0..2 {
        b.expect_cue(CueKind::TakeOut);
        // A spoon goes in and takes nothing along.
        b.pour(172.0, 0.5).pour(170.0, 0.5).hold(2.0);
    }
    asks(&b, "The tare must be seen again");
}

#[test]
fn who_is_too_hasty_is_told_to_lift_and_then_asked_for_the_rest() {
    let mut b = Bench::one("Salt", "12.00");
    b.tau = 400.0;
    b.interval = 200;
    b.hold(2.0)
        .land(150.0)
        .hold(15.0)
        .pour(156.0, 4.0)
        .hold(9.0);
    // What happened meanwhile nobody saw.
    silent_then(&mut b, 161.0);
    b.hold(6.0);
    asks(&b, "The tare must be seen again");
    b.pour(120.0, 0.6).pour(161.0, 0.8).hold(6.0);
    b.pour(40.0, 0.6).pour(161.0, 0.8).hold(6.0);
    asks(&b, "Too soon");
    b.land(0.0).hold(6.0);
    b.expect_cue(CueKind::Place);
}

#[test]
fn a_scale_that_takes_long_says_so_while_a_vessel_lands() {
    let mut b = Bench::one("Salt", "12.00");
    b.tau = 3000.0;
    b.hold(2.0).land(150.0);
    assert!(say(&b).contains("Place an empty beaker"), "{}", say(&b));
    b.read(148.0);
    b.read(149.0);
    for i in 0..14 {
        b.read(149.0 + f64::from(i) * 0.05);
    }
    asks(&b, "comes to rest");
    // Off again before it was: it is asked for once more.
    b.tau = 200.0;
    b.land(0.0).hold(2.0);
    b.expect_cue(CueKind::Place);
}

#[test]
fn while_the_tare_is_lost_no_number_is_told() {
    use crate::vocabulary::status::Status;
    let missing = |b: &Bench| {
        let mut status = Status::default();
        b.engine.status(&mut status);
        status.missing.is_some()
    };
    let mut b = begun(6.0, 3.0);
    b.hold(2.0);
    assert!(missing(&b));
    silent_then(&mut b, 161.0);
    b.hold(2.0);
    asks(&b, "The tare must be seen again");
    assert!(!missing(&b));
}

#[test]
fn a_pour_onto_a_vessel_that_was_tared_unseen_is_no_vessel() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).pour(5.0, 4.0).hold(8.0);
    asks(&b, "something may have gone in");
    // What comes faster than anybody pours is a vessel, however slow the scale is.
    let mut b = Bench::one("Salt", "12.00");
    b.tau = 400.0;
    b.interval = 200;
    b.hold(2.0).land(150.0).hold(8.0);
    asks(&b, "12.00 g to add");
}

/// A bowl of 150 g with 12 g in it that is to be mixed, and is lifted for that.
fn lifted_to_mix(more: bool) -> Bench {
    let mut steps = vec![step(1, "Oil", "12.00", VesselWay::Bowl)];
    let mut phases = vec![("Base", Some("Stir"))];
    if more {
        steps[0].last_of_phase = true;
        steps.push(Step {
            phase: 1,
            ..step(2, "Wax", "10.00", VesselWay::Bowl)
        });
        phases.push(("Wet", None));
    }
    let mut plan = plan(steps, None);
    plan.phases = phases
        .into_iter()
        .map(|(name, mix)| PlannedPhase {
            name: name.into(),
            mix: mix.map(Into::into),
        })
        .collect();
    let mut b = Bench::new(plan);
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(4.0);
    b.expect_cue(CueKind::Mix);
    b.land(0.0).hold(2.0);
    b
}

/// What the row of the first step claims now.
fn claimed(b: &Bench) -> (Option<Verdict>, Mass) {
    claimed_of(1, b)
}

fn claimed_of(step: usize, b: &Bench) -> (Option<Verdict>, Mass) {
    let mut rows = b.rows.iter().rev();
    let row =
        rows.find(|row| row.step == step && row.kind == RowKind::Weighed && row.net.is_some());
    let row = row.expect("a weight");
    (row.verdict, row.uncertainty.expect("a claim"))
}

/// Stirring leaves up to a fiftieth of it on the spoon of what is back (3.17 g of 158.83 g): a note. More is told and doubted; what is
/// more in it was put there.
#[test]
fn a_bowl_that_comes_back_from_a_mixing_lighter_is_noted_or_doubted() {
    for (back, noted, lighter, unsure) in [
        (161.96, None, None, None),
        (161.95, None, None, None),
        (161.94, Some("0.06"), None, None),
        (158.83, Some("3.17"), None, None),
        (158.82, None, Some("3.18"), Some("3.18")),
        (152.0, None, Some("10.00"), Some("10.00")),
        (166.0, None, None, Some("4.00")),
    ] {
        let mut b = lifted_to_mix(false);
        b.land(back).hold(2.0);
        let note = b.rows.iter().find(|row| row.kind == RowKind::Note);
        let note = note.map(|row| row.note.as_str());
        let wanted = noted.map(|by| format!("{by} g of the mixed bowl did not come back"));
        assert_eq!(note, wanted.as_deref(), "{back}");
        let told = b.cues.iter().find(|cue| cue.say.contains("lighter than"));
        assert_eq!(told.is_some(), lighter.is_some(), "{back}: {told:?}");
        if let (Some(cue), Some(by)) = (told, lighter) {
            let words = format!("The bowl is {by} g lighter than with all that was weighed in");
            assert!(cue.say.contains(&words), "{back}: {}", cue.say);
        }
        let (verdict, u) = claimed(&b);
        match unsure {
            Some(by) => assert!(verdict.is_none() && u >= g(by), "{back}: {verdict:?} {u:?}"),
            None => assert!(
                verdict.is_some() && u < g("0.05"),
                "{back}: {verdict:?} {u:?}"
            ),
        }
        // It is told once, and the batch goes on.
        b.say(Command::Next).hold(1.0).land(0.0).hold(2.0);
        assert_eq!(b.closed, Some(true), "{back}");
        assert_eq!(claimed(&b).0, verdict, "{back}");
    }
}

#[test]
fn a_mixed_bowl_that_left_a_little_behind_goes_on_with_the_next_step() {
    let mut b = lifted_to_mix(true);
    b.say(Command::Next).hold(0.5);
    b.land(160.0).hold(2.0);
    asks(&b, "10.00 g to add: Wax");
    let notes: Vec<_> = b.rows.iter().filter(|r| r.kind == RowKind::Note).collect();
    assert_eq!(notes.len(), 1, "{notes:?}");
    assert_eq!(notes[0].note, "2.00 g of the mixed bowl did not come back");
    b.pour(170.0, 4.0).hold(3.0);
    b.expect(&["12.00", "10.00"]);
    let (verdict, u) = claimed(&b);
    assert!(
        verdict == Some(Verdict::Inside) && u < g("0.05"),
        "{verdict:?} {u:?}"
    );
}

/// Nothing asks about the bowl any more once it is mixed; what comes or goes before its lift is of no record.
#[test]
fn a_finished_bowl_that_changes_before_its_lift_is_doubted() {
    for (shows, doubted) in [(162.0, false), (165.0, true), (159.0, true)] {
        let bowl = step(1, "Oil", "12.00", VesselWay::Bowl);
        let mut b = Bench::new(plan(vec![bowl], Some("Stir")));
        b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(4.0);
        b.say(Command::Next).hold(2.0);
        b.expect_cue(CueKind::Lift);
        b.pour(shows, 0.5).hold(2.0);
        let (verdict, u) = claimed(&b);
        assert_eq!(verdict.is_none(), doubted, "{shows}: {verdict:?}");
        assert_eq!(u > g("0.50"), doubted, "{shows}: {u:?}");
        b.land(0.0).hold(2.0);
        assert_eq!(b.closed, Some(true), "{shows}");
    }
}

/// What is too much is told to the gram, and again as it gets less.
#[test]
fn what_is_to_be_taken_out_is_what_is_over() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(163.0, 4.0).hold(2.0);
    asks(&b, "1.00 g to take out: Salt.");
    assert_eq!(b.cues.last().unwrap().missing, Some(-g("1.00")));
    b.pour(162.6, 1.0).hold(2.0);
    asks(&b, "0.60 g to take out: Salt.");
    let mut b = Bench::new(plan(
        vec![step(1, "Oil", "12.00", VesselWay::Difference)],
        None,
    ));
    b.hold(2.0).land(150.0).hold(2.0);
    b.land(0.0).hold(2.0).land(137.0).hold(3.0);
    asks(&b, "1.00 g too much came out of Oil.");
    b.expect_cue(CueKind::Choose);
}

/// A weight that is taken back takes the mixing along that came after it, and none before it.
#[test]
fn a_step_weighed_again_is_mixed_again() {
    let mut steps = two_beakers();
    steps[0].last_of_phase = true;
    steps[1].phase = 1;
    let mut plan = plan(steps, Some("Stir"));
    plan.phases.push(PlannedPhase {
        name: "Wet".into(),
        mix: Some("Fold in".into()),
    });
    let weigh = |b: &mut Bench, grams: f64| {
        b.hold(2.0).land(150.0).hold(1.5);
        b.pour(150.0 + grams, 3.0).hold(2.0).land(0.0).hold(2.0);
    };
    let mut b = Bench::new(plan.clone());
    weigh(&mut b, 12.0);
    asks(&b, "Stir");
    b.say(Command::Next).hold(1.0).say(Command::Undo);
    weigh(&mut b, 12.0);
    asks(&b, "Stir");
    let mut b = Bench::new(plan);
    weigh(&mut b, 12.0);
    b.say(Command::Next).hold(1.0);
    weigh(&mut b, 8.0);
    asks(&b, "Fold in");
    b.say(Command::Undo);
    weigh(&mut b, 8.0);
    asks(&b, "Fold in");
    b.expect(&["12.00", "8.00", "8.00"]);
}

/// The last weight in a bowl may still drip until the bowl is lifted, however long it stands there.
#[test]
fn a_late_drop_into_the_last_step_of_a_bowl_is_of_that_step() {
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(4.0);
    b.pour(329.95, 4.0).hold(8.0);
    b.expect(&["20.00", "9.95"]);
    b.pour(330.03, 1.0).hold(3.0);
    b.expect(&["20.00", "9.95", "10.03"]);
    b.land(0.0).hold(2.0);
    assert_eq!(b.closed, Some(true));
}

/// What went is told to the gram, and what a word would mean.
#[test]
fn what_fell_without_being_asked_for_is_told() {
    let mut b = begun(10.0, 3.0);
    b.hold(2.0).pour(154.0, 0.5).hold(2.0);
    asks(
        &b,
        "6.00 g less than before. Say again if something else lay there",
    );
    b.expect_cue(CueKind::Choose);
    // Far too much is in it, and some of that was taken out: the word leads on.
    let mut b = begun(10.0, 3.0);
    b.pour(240.0, 12.0).pour(230.0, 0.5).hold(2.0);
    asks(
        &b,
        "less than before. Say again if something else lay there",
    );
    b.say(Command::Next).hold(2.0);
    asks(&b, "68.00 g to take out");
    // Nobody takes out more than is in it.
    let mut b = begun(10.0, 3.0);
    b.hold(2.0).pour(140.0, 0.5).hold(2.0);
    asks(&b, "20.00 g less than before, and more than was in it");
    b.say(Command::Again);
    b.expect_cue(CueKind::Lift);
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(4.0);
    b.pour(328.0, 3.0).hold(2.0).pour(322.0, 0.5).hold(2.0);
    asks(&b, "6.00 g less than before. Put it back; or say next");
}

/// Less than ten grams are a hand that takes hold; so where a pour had begun, a vessel that is known by its weight
/// may be the lost one with that in it. One that is heavier than vessel and step together is not.
#[test]
fn a_known_weight_proves_nothing_where_a_pour_had_begun() {
    for (known, asked) in [(152.5, true), (180.0, false)] {
        let steps = vec![
            step(1, "Salt", "12.00", VesselWay::Beaker),
            step(2, "Clay", "12.00", VesselWay::Beaker),
        ];
        let mut b = Bench::new(plan(steps, None));
        b.hold(2.0).land(known).hold(1.5);
        b.pour(known + 12.0, 4.0).hold(2.0).land(0.0).hold(2.0);
        b.land(150.0).hold(1.5).pour(152.5, 0.2);
        b.land(0.0).hold(1.5).land(known).hold(2.0);
        match asked {
            true => asks(&b, "2.50 g heavier than when it left"),
            false => asks(&b, "12.00 g to add: Clay"),
        }
    }
}

/// What the empty pan shows more while the vessel is away moves its tare, and two more readings stand behind that.
#[test]
fn a_zero_that_drifts_while_the_vessel_is_away_moves_its_tare() {
    let uncertainty = |drift: f64| {
        let mut b = begun(5.0, 3.0);
        b.hold(2.0).land(drift).hold(2.0);
        b.land(155.0 + drift).hold(1.5);
        asks(&b, "7.00 g to add");
        b.pour(162.0 + drift, 3.0).hold(2.0);
        b.expect(&["12.00"]);
        b.rows.last().unwrap().uncertainty.unwrap()
    };
    assert!(uncertainty(0.02) > uncertainty(0.0));
    assert!(uncertainty(-0.02) > uncertainty(0.0));
}

/// To take some out is no leave for all of it to go: what comes back after that with far less in it is another one,
/// and no number is told before it is at rest.
#[test]
fn what_was_to_be_lightened_and_comes_back_nearly_empty_is_asked_about() {
    let mut b = begun(14.0, 4.0);
    b.hold(2.0);
    b.expect_cue(CueKind::TakeOut);
    let told = b.cues.len();
    b.pour(140.0, 0.3).hold(0.3).pour(155.0, 0.3).hold(3.0);
    assert!(!b.cues[told..].iter().any(|cue| cue.kind == CueKind::Add));
    asks(&b, "Not as it left. Say again and begin this step");
}

/// A wind that does not end while a beaker lands: it is told, and a word takes the beaker as it stands, with as much
/// less certainty. A slow scale on its way is no wind.
#[test]
fn a_vessel_that_lands_in_a_wind_is_told_of_and_taken_by_a_word() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0);
    for at in 0..200 {
        b.read(150.0 + 0.08 * (f64::from(at) / 4.0).sin());
    }
    asks(&b, "The scale does not come to rest.");
    b.expect_cue(CueKind::Fault);
    assert!(
        b.answer(Command::Next)
            .contains("the record says how sure it is")
    );
    b.expect_cue(CueKind::Add);
    b.hold(1.0).pour(162.0, 5.0).hold(3.0);
    let row = b.row();
    assert!(row.uncertainty > Some(g("0.15")), "{row:?}");
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0);
    for at in 0..200 {
        b.read(150.0 - 150.0 * (-f64::from(at) / 40.0).exp());
    }
    assert!(!b.cues.iter().any(|cue| cue.kind == CueKind::Fault));
}

/// What was wiped off just before the next beaker came is no part of the empty pan.
#[test]
fn the_zero_goes_with_what_is_wiped_off() {
    let steps = vec![
        step(1, "Salt", "12.00", VesselWay::Beaker),
        step(2, "Clay", "12.00", VesselWay::Beaker),
    ];
    let mut b = Bench::new(plan(steps, None));
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(3.0);
    b.land(0.3).hold(2.0);
    asks(&b, "0.30 g stayed on the scale");
    b.pour(0.0, 0.2).hold(0.2);
    b.land(140.0).hold(1.5).pour(152.0, 4.0).hold(3.0);
    b.land(0.3).hold(3.0);
    let claims = claimed_of(2, &b);
    assert!(claims.1 >= g("0.3"), "{claims:?}");
}

/// Nobody takes anything out of an empty vessel: what it stood below its tare for a moment, before the pour, is not
/// sure in the record.
#[test]
fn a_moment_below_the_tare_of_an_empty_vessel_is_in_the_uncertainty() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5);
    b.pour(149.5, 0.1).hold(0.5).pour(162.0, 4.0).hold(3.0);
    let row = b.row();
    assert!(row.uncertainty >= Some(g("0.5")), "{row:?}");
    assert_eq!(row.verdict, None);
}

/// The key on the empty pan comes after what that showed.
#[test]
fn the_pan_has_spoken_before_the_key() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).jump(0.0).hold(1.5);
    b.pour(12.0, 4.0).hold(3.0);
    b.land(-150.2).hold(0.6).jump(0.0).hold(3.0);
    assert!(claimed(&b).1 >= g("0.2"), "{:?}", claimed(&b));
}

/// A charge that leaks off the vessel before the pour leaks on in it.
#[test]
fn what_the_tare_crept_goes_on_in_the_pour() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5);
    for step in 1..=6 {
        b.pour(150.0 - 0.01 * f64::from(step), 0.1).hold(1.0);
    }
    b.pour(161.94, 12.0).hold(3.0);
    asks(&b, "The scale strayed by more than this step allows");
    b.say(Command::Keep).hold(1.0);
    assert!(claimed(&b).1 >= g("0.1"), "{:?}", claimed(&b));
}

/// A bowl of 300 g with 20 g of the first step in it, and the second begun.
fn second_into_the_bowl() -> Bench {
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(4.0);
    b.pour(325.0, 3.0).hold(2.0);
    b
}

#[test]
fn a_bowl_that_was_poured_out_while_its_tare_was_in_doubt_is_asked_about() {
    let mut b = second_into_the_bowl();
    // The key, in the middle of the pour.
    b.pour(328.0, 2.0).jump(0.0).hold(6.0);
    asks(&b, "The tare must be seen again");
    // With more than a fifth of it gone, and lifted before the empty pan had rested.
    b.pour(-328.0, 0.3).hold(0.5).pour(-98.0, 0.3).hold(3.0);
    asks(&b, "or say next, and go on with what is in it now");
    b.say(Command::Next).hold(1.0);
    b.expect_cue(CueKind::Add);
}

#[test]
fn what_came_off_the_empty_pan_under_a_source_moves_no_source() {
    let mut b = Bench::new(plan(
        vec![step(1, "Oil", "12.00", VesselWay::Difference)],
        None,
    ));
    // A spoon of 13 g lies there, and goes as the bottle comes.
    b.hold(2.0).pour(137.0, 0.4).hold(2.0);
    b.expect_cue(CueKind::Add);
    b.land(-13.0).hold(3.0);
    asks(&b, "The tare must be seen again");
    b.land(137.0).hold(3.0);
    assert!(!say(&b).contains("Not as it left"), "{}", say(&b));
    b.land(-13.0).hold(3.0).land(125.0).hold(3.0);
    b.expect(&["12.00"]);
}

#[test]
fn by_a_word_a_beaker_gains_no_more_than_was_streaming_in() {
    let mut b = Bench::one("Salt", "36.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(180.0, 8.0);
    // Lifted while a slow stream went in, and back with a fifth more.
    b.land(0.0).hold(2.0).land(186.0).hold(3.0);
    asks(&b, "Not as it left");
    b.say(Command::Next).hold(2.0);
    let row = b.rows.iter().rfind(|row| row.kind == RowKind::Weighed);
    let row = row.expect("a weight");
    assert_eq!((row.net, row.verdict), (Some(g("36.00")), None), "{row:?}");
    assert!(row.uncertainty > Some(g("6.00")), "{row:?}");
}

/// A mean over two seconds shows what touches the pan for a moment as a plateau of two seconds.
#[test]
fn what_only_touched_the_pan_of_a_slow_mean_is_no_vessel() {
    let mut b = super::decides::two(VesselWay::Beaker, None);
    b.hold(3.0)
        .pour(150.0, 2.0)
        .hold(4.0)
        .pour(162.0, 4.0)
        .hold(5.0);
    b.pour(0.0, 2.0).hold(4.0);
    b.expect(&["12.00"]);
    b.expect_cue(CueKind::Place);
    let before = b.cues.len();
    for touch in [0.1, 0.3] {
        b.pour(20.0, touch).hold(2.0 - touch);
        b.pour(0.0, touch).hold(4.0);
        assert_eq!(b.cues.len(), before, "{:?}", b.cues.last());
    }
    b.pour(150.0, 2.0).hold(4.0);
    b.expect_cue(CueKind::Add);
}

#[test]
fn a_vessel_that_a_key_made_zero_of_unseen_is_off_where_the_scale_shows_less() {
    let steps = vec![
        step(1, "Salt", "12.00", VesselWay::Beaker),
        step(2, "Oil", "40.00", VesselWay::Beaker),
    ];
    let mut b = Bench::new(plan(steps, None));
    b.hold(2.0).land(800.0).hold(1.5).jump(0.0).hold(1.0);
    b.pour(12.0, 4.0).hold(3.0).land(-800.0).hold(3.0);
    // A beaker of 100 g, and the key while a slow mean still shows it come.
    b.pour(-720.0, 0.6)
        .pour(-705.0, 0.3)
        .pour(-300.0, 0.1)
        .pour(0.0, 0.1);
    b.hold(3.0);
    asks(&b, "Not sure of the tare");
    b.land(-100.0).hold(3.0);
    b.expect_cue(CueKind::Place);
    b.land(0.0).hold(3.0);
    b.say(Command::Next).hold(0.5);
    asks(&b, "40.00 g to add");
    b.pour(40.0, 4.0).hold(3.0).land(-100.0).hold(3.0);
    b.expect(&["12.00", "40.00"]);
}

#[test]
fn another_beaker_that_came_at_once_proves_nothing_of_what_was_announced() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).pour(150.0, 0.3).hold(0.5).jump(0.0).hold(2.0);
    b.pour(12.0, 4.0).hold(3.0);
    asks(&b, "that proves the tare");
    // Lifted, and another of nearly the same weight is there before the pan has rested.
    b.pour(-140.0, 0.4).pour(12.06, 0.6).hold(3.0);
    asks(&b, "Too soon");
    b.land(-150.0).hold(3.0);
    let row = b.rows.iter().rfind(|row| row.kind == RowKind::Weighed);
    let row = row.expect("a weight");
    assert!(
        row.verdict.is_none() && row.uncertainty > Some(g("0.06")),
        "{row:?}"
    );
}

#[test]
fn a_bowl_that_lost_most_while_nothing_was_seen_is_asked_about_and_not_for_ever() {
    let plan = two_in_a_bowl();
    let mut b = Bench::with(vec![scale("scale1")], plan, Progress::default());
    b.hold(2.0).land(30.0).hold(1.5).pour(50.0, 6.0).hold(6.0);
    b.pour(55.0, 2.0);
    // Off, poured away, and back.
    silent_then(&mut b, 35.0);
    b.hold(3.0);
    asks(&b, "The tare must be seen again");
    for _ in 0..2 {
        // The pan is flat for long enough, and not at rest.
        b.land(0.0).hold(0.7).land(35.0).hold(3.0);
    }
    asks(&b, "not the bowl as it left");
    b.say(Command::Next).hold(0.5);
    b.expect_cue(CueKind::Add);
}

/// On its way to `to`, for `readings` and no longer.
fn towards(b: &mut Bench, to: f64, readings: u32) {
    drawn_out(b, f64::from(readings) * b.interval as f64 / 1000.0, |_| to);
}

/// What the scale shows of a load (seconds to grams) that its filter draws out.
fn drawn_out(b: &mut Bench, seconds: f64, load: impl Fn(f64) -> f64) {
    let step = b.interval as f64 / 1000.0;
    let decay = (-step * 1000.0 / b.tau).exp();
    for i in 0..(seconds / step).round() as usize {
        let to = load(i as f64 * step);
        b.read(to + (b.shown - to) * decay);
    }
}

#[test]
fn a_key_under_the_source_counts_no_trip_back() {
    // She presses it and is off again at once, for a second; or what she took is put back, and she is off again.
    for keyed in [true, false] {
        let mut b = super::unanswered::source();
        b.tau = 5.0;
        b.hold(2.0).land(72.0).hold(1.5).jump(0.0).hold(1.5);
        b.land(-72.0).hold(2.0).land(-4.17).hold(2.0);
        b.jump(0.0);
        let empty = if keyed { -67.83 } else { -72.0 };
        towards(&mut b, empty, 12);
        let last = if keyed { -7.83 } else { -12.0 };
        b.land(last).hold(3.0).land(empty).hold(3.0);
        b.expect(&["12.00"]);
    }
    // However little it took off.
    let mut b = super::unanswered::source();
    b.tau = 5.0;
    b.hold(2.0).land(72.0).hold(1.5).jump(0.0).hold(1.5);
    b.land(-72.0).hold(2.0).land(-0.24).hold(2.0);
    b.jump(0.0).hold(1.5);
    b.land(-71.76).hold(0.6).land(-11.76).hold(3.0);
    b.expect(&["12.00"]);
}

#[test]
fn what_lies_beside_the_source_while_it_is_off_is_told() {
    let mut b = super::unanswered::source();
    b.hold(2.0).land(72.0).hold(1.5);
    towards(&mut b, 0.0, 20);
    b.land(69.0).hold(2.0);
    asks(&b, "9.00 g to take");
    // A whisk, in the same breath as the source goes.
    towards(&mut b, 2.85, 20);
    b.land(68.85).hold(1.5);
    let said = say(&b).to_owned();
    assert!(
        said.contains("lie on the scale beside the source"),
        "{said}"
    );
    // It is taken off again; and nothing tells whether it was tared with the source.
    towards(&mut b, 0.0, 12);
    b.land(60.0).hold(3.0).land(0.0).hold(3.0);
    b.expect(&["12.00"]);
    let row = last_weighed(&b);
    assert_eq!(row.verdict, None);
    assert!(row.uncertainty > Some(g("2.8")), "{row:?}");
}

#[test]
fn a_vessel_lighter_than_what_it_holds_is_seen_off() {
    let steps = vec![
        step(1, "Salt", "1050.00", VesselWay::Beaker),
        step(2, "Soda", "300.00", VesselWay::Beaker),
    ];
    let mut b = Bench::new(plan(steps, None));
    b.hold(2.0)
        .land(207.6)
        .hold(2.0)
        .pour(1257.6, 8.0)
        .hold(2.0);
    b.jump(0.0).hold(2.0).land(-1257.6).hold(3.0);
    b.expect(&["1050.00"]);
    // The second, by the frame that the key left; TARE before the scale was at rest.
    b.land(-1130.7).hold(2.0).pour(-830.9, 8.0);
    b.jump(0.02).hold(3.0);
    asks(&b, "The tare must be seen again");
    b.land(-426.88).hold(3.0);
    b.expect(&["1050.00", "300.00"]);
}

#[test]
fn what_is_poured_into_the_vessel_in_the_hand_is_asked_about_and_counts() {
    let mut b = Bench::one("Salt", "60.00");
    b.hold(2.0).land(150.0).hold(2.0);
    asks(&b, "60.00 g to add");
    b.land(0.0).hold(2.0).land(190.0).hold(3.0);
    asks(
        &b,
        "40.00 g heavier than when it left. If it is the same vessel and that is Salt, say keep",
    );
    // Taken up once more, and filled on.
    b.land(0.0).hold(2.0).land(195.0).hold(3.0);
    asks(&b, "45.00 g heavier than when it left");
    b.say(Command::Keep).hold(1.0);
    asks(&b, "15.00 g to add");
    b.pour(210.0, 4.0).hold(3.0).land(0.0).hold(2.0);
    b.expect(&["60.00"]);
    // Emptied, it is what it was; and by "again" the step begins anew.
    let mut b = Bench::one("Salt", "60.00");
    b.hold(2.0).land(150.0).hold(2.0);
    b.land(0.0).hold(2.0).land(190.0).hold(3.0);
    b.land(0.0).hold(2.0).land(150.0).hold(3.0);
    asks(&b, "60.00 g to add");
    b.land(0.0).hold(2.0).land(190.0).hold(3.0);
    b.say(Command::Again).hold(1.0);
    asks(&b, "Lift everything off the scale");
}

#[test]
fn after_another_vessel_was_refused_a_heavier_one_is_empty() {
    let mut b = Bench::one("Salt", "60.00");
    b.hold(2.0).land(150.0).hold(2.0);
    b.land(0.0).hold(2.0).land(190.0).hold(3.0);
    b.say(Command::Again)
        .land(0.0)
        .hold(2.0)
        .land(170.0)
        .hold(3.0);
    asks(&b, "60.00 g to add");
}

#[test]
fn a_spoon_that_lies_beside_the_vessel_makes_no_zero_below_nothing() {
    let mut b = Bench::one("Salt", "3.00");
    b.hold(2.0).land(15.34).hold(2.0);
    asks(&b, "3.00 g to add");
    // It was laid beside, and what was asked out is not in there.
    b.land(23.94).hold(3.0).land(24.2).land(23.94).hold(2.0);
    b.land(24.2).land(23.94).hold(3.0);
    asks(&b, "The tare must be seen again");
    b.land(8.6).hold(2.0).land(23.94).hold(3.0);
    asks(&b, "3.00 g to add");
    b.pour(26.94, 4.0).hold(3.0).land(8.6).hold(2.0);
    b.expect(&["3.00"]);
}

#[test]
fn the_end_of_a_lift_is_no_key() {
    let mut b = super::unanswered::source();
    b.hold(2.0).land(80.0).hold(2.0);
    asks(&b, "12.00 g to take");
    // A shaken bench makes two of the readings alike; and the source is back at once.
    for shown in [40.0, 20.0, 10.0, 5.4, 3.1, 1.41, 0.63, 0.62, 0.02, 0.1] {
        b.read(shown);
    }
    b.land(68.0).hold(3.0).land(0.0).hold(3.0);
    b.expect(&["12.00"]);
}

#[test]
fn a_source_that_gains_has_something_beside_it() {
    let mut b = super::unanswered::source();
    b.hold(2.0)
        .land(72.0)
        .hold(1.5)
        .land(0.0)
        .hold(2.0)
        .land(68.0)
        .hold(2.0);
    asks(&b, "8.00 g to take");
    b.land(71.0).hold(2.0);
    assert!(say(&b).contains("3.00 g lie on the scale"), "{}", say(&b));
    // It goes as it came.
    b.land(68.0).hold(2.0);
    asks(&b, "8.00 g to take");
    b.land(0.0)
        .hold(2.0)
        .land(60.0)
        .hold(3.0)
        .land(0.0)
        .hold(2.0);
    b.expect(&["12.00"]);
    assert_eq!(last_weighed(&b).verdict, Some(Verdict::Inside));
}

/// A scale of 0.7 s, whose stand is waited for and not its rest.
#[test]
fn a_source_that_is_filled_up_on_a_slow_scale_is_not_silently_heavier() {
    let mut b = super::unanswered::source();
    b.tau = 700.0;
    b.hold(2.0);
    drawn_out(&mut b, 12.0, |_| 172.0);
    asks(&b, "12.00 g to take");
    for (stands, took) in [(166.0, 6.5), (171.0, 12.0)] {
        drawn_out(&mut b, 4.0, |_| 0.0);
        drawn_out(&mut b, took, |_| stands);
    }
    assert!(say(&b).contains("5.02 g lie on the scale"), "{}", say(&b));
}

#[test]
fn a_key_pressed_just_before_the_source_is_taken_is_told_by_the_empty_pan() {
    let mut b = super::decides::two(VesselWay::Difference, None);
    b.tau = 5.0;
    b.hold(2.0).land(300.0).hold(1.5).jump(0.0).hold(1.5);
    b.land(-300.0)
        .hold(2.0)
        .land(-12.0)
        .hold(3.0)
        .land(-300.0)
        .hold(3.0);
    // The next source stands there under that tare. She presses the key before each time that she takes it, and the
    // reading after the first one is of a lift: what the key took off then counts as taken.
    b.land(5.0).hold(2.0);
    asks(&b, "to take from");
    let mut empty = -305.0;
    for takes in [1.0, 2.0, 4.0] {
        b.jump(0.0);
        towards(&mut b, empty, 3);
        b.land(-takes).hold(3.0);
        empty += takes;
    }
    assert_eq!(b.status().state, Some(Stands::Lift), "{}", say(&b));
    b.land(empty - 4.0).hold(3.0);
    let last = last_weighed(&b);
    assert_eq!(last.net, Some(g("12.00")));
    assert!(last.verdict.is_none(), "7.00 g went in: {last:?}");
}

#[test]
fn a_mean_that_stands_half_way_shows_no_pan() {
    let mut b = super::unanswered::source();
    b.hold(2.0);
    // A mean of 7 s; the source is off for 3 s.
    b.pour(150.0, 7.0).hold(2.0);
    asks(&b, "12.00 g to take");
    b.pour(85.7, 3.0).hold(4.0).pour(144.0, 3.0).hold(2.0);
    assert!(!say(&b).contains("lie on the scale"), "{}", say(&b));
}

#[test]
fn a_key_at_the_end_of_a_pour_is_no_pour() {
    let steps = vec![
        step(1, "Salt", "60.00", VesselWay::Beaker),
        step(2, "Starch", "127.70", VesselWay::Beaker),
    ];
    let mut b = Bench::new(plan(steps, None));
    b.hold(2.0).land(150.0).hold(2.0).pour(210.0, 6.0).hold(2.0);
    b.jump(0.0).hold(2.0).land(-210.0).hold(2.0);
    // With the tare of before still in force.
    b.land(-190.0).hold(2.0).pour(-66.6, 8.0);
    for shown in [-65.1, -63.9, -63.3, -62.7, -62.3, 0.02, 0.03, 0.03] {
        b.read(shown);
    }
    b.hold(2.0);
    asks(&b, "The tare must be seen again");
}

/// A bowl that is off for a second to be stirred never lets the pan show empty, and is poured into at once.
#[test]
fn what_was_poured_into_a_bowl_that_was_hardly_off_is_counted_by_keep_alone() {
    let poured = || {
        let mut b = Bench::new(two_in_a_bowl());
        b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(4.0);
        b.pour(60.0, 0.3)
            .pour(319.8, 0.3)
            .pour(329.7, 4.0)
            .hold(3.0);
        asks(
            &b,
            "9.70 g heavier than when the bowl left. If that is Wax, say keep",
        );
        b
    };
    let mut kept = poured();
    kept.say(Command::Keep).hold(1.0);
    asks(&kept, "0.30 g to add");
    kept.pour(330.0, 1.0).hold(4.0);
    let row = super::unanswered::last_weighed(&kept);
    assert_eq!((row.step, row.net), (2, Some(g("10.00"))));
    // The spoon may have taken some of what was in it.
    assert!(
        claimed_of(2, &kept).1 >= g("2"),
        "{:?}",
        claimed_of(2, &kept)
    );
    let mut none = poured();
    none.say(Command::Next).hold(1.0);
    none.expect_cue(CueKind::Add);
    asks(&none, "10.00 g to add");
    // It was the spoon.
    let mut spoon = poured();
    spoon.pour(319.9, 0.3).hold(3.0);
    asks(&spoon, "10.00 g to add");
}

/// A light bowl, tared while it settled and once more at the end of the pour: what the pan shows without it proves both.
#[test]
fn two_keys_that_swallowed_nothing_are_proven_by_the_empty_pan() {
    let steps = vec![step(1, "Salt", "12.00", VesselWay::Beaker)];
    let mut b = Bench::new(plan(steps, None));
    // Two landings show how slow the scale is; the second is of what stands there tared.
    b.hold(2.0)
        .land(40.0)
        .hold(2.0)
        .jump(0.0)
        .hold(1.0)
        .land(-40.0)
        .hold(2.0);
    for shown in [-38.0, -36.6, -36.0, -35.7, -35.52, -35.46, -35.46] {
        b.read(shown);
    }
    b.jump(0.0).hold(3.0);
    b.expect_cue(CueKind::Add);
    b.pour(12.0, 4.0).hold(0.4).jump(0.0).hold(3.0);
    asks(&b, "The tare must be seen again");
    b.land(-16.54)
        .hold(3.0)
        .land(0.0)
        .hold(3.0)
        .land(-16.54)
        .hold(3.0);
    let row = super::unanswered::last_weighed(&b);
    assert_eq!(row.net, Some(g("12.00")), "{row:?}");
}

#[test]
fn little_beside_a_source_is_in_the_uncertainty() {
    let mut b = super::unanswered::source();
    b.hold(2.0).land(72.0).hold(1.5);
    towards(&mut b, 0.0, 20);
    b.land(69.0).hold(2.0);
    // A spatula of 0.9 g, in the same breath as the source goes; and off again after the record.
    for back in [66.9, 63.9, 60.0] {
        towards(&mut b, 0.9, 20);
        b.land(back).hold(2.0);
    }
    b.hold(2.0).pour(59.1, 0.3);
    towards(&mut b, 0.0, 20);
    let row = last_weighed(&b);
    assert_eq!(row.net, Some(g("12.00")), "12.90 g are out");
    assert_eq!(row.verdict, None);
    assert!(row.uncertainty > Some(g("0.9")), "{row:?}");
}

#[test]
fn keys_while_a_source_lands_are_seen_by_their_leap() {
    let mut b = super::unanswered::source();
    b.shown = -437.0;
    b.hold(3.0);
    // Of 197 g, not yet on the pan by half when the key is pressed; and again before it rests.
    for shown in [
        -343.4, -307.9, -276.4, -264.1, -253.1, 4.4, 8.3, 9.9, 11.3, 11.9, 12.4, 12.6,
    ] {
        b.read(shown);
    }
    for shown in [12.84, 12.92, 12.99, 13.02, 13.05, 13.06, 13.07, 13.08, 0.01] {
        b.read(shown);
    }
    b.hold(3.0);
    asks(&b, "Not sure of the source's weight");
}

#[test]
fn more_gone_from_a_source_than_recorded_may_be_the_lift() {
    let mut b = super::unanswered::source();
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .land(0.0)
        .hold(2.0)
        .land(138.0)
        .hold(4.0);
    asks(&b, "Lift the bottle");
    // The empty pan shows more than the zero that is believed.
    b.land(110.0).hold(4.0);
    asks(
        &b,
        "28.00 g more than recorded are gone. Lift everything off the scale",
    );
    b.say(Command::Next).hold(1.0);
    assert_eq!(b.closed, Some(true), "{}", say(&b));
}

#[test]
fn a_spoon_that_leaves_just_before_the_lift_is_no_lift() {
    let mut b = Bench::one("Salt", "119.60");
    b.interval = 200;
    b.hold(2.0)
        .land(138.8)
        .hold(3.0)
        .pour(258.4, 12.0)
        .hold(6.0);
    for shown in [
        256.41, 254.19, 253.2, 252.75, 252.55, 206.71, 92.88, 41.73, 18.75, 8.43, 3.79,
    ] {
        b.read(shown);
    }
    b.land(0.0).hold(3.0);
    assert_eq!(claimed(&b).0, None);
    assert!(claimed(&b).1 > g("5"), "{:?}", claimed(&b));
}

/// Twenty lines a second, in steps of 0.05 g: each line of a slow fall is within a step of the one before.
#[test]
fn the_end_of_a_slow_lift_did_not_lie_on_the_pan() {
    let mut b = Bench::one("Salt", "120.00");
    (b.digit, b.interval, b.tau) = (Mass::from_mg(50), 50, 1500.0);
    b.hold(2.0);
    towards(&mut b, 150.0, 300);
    b.hold(3.0).pour(270.0, 20.0).hold(6.0);
    assert!(say(&b).contains("Recorded"), "{}", say(&b));
    towards(&mut b, 0.0, 300);
    b.hold(3.0);
    assert!(!say(&b).contains("lay on the scale"), "{}", say(&b));
    assert_eq!(claimed(&b).0, Some(Verdict::Inside), "{:?}", b.rows);
}

#[test]
fn while_nobody_knows_how_much_no_amount_stands_there() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(2.0);
    asks(&b, "12.00 g to add");
    // Off and back in the same breath; it may be another one.
    b.pour(40.0, 0.3).pour(150.0, 0.3);
    b.expect_cue(CueKind::Hold);
    b.hold(2.0);
    asks(&b, "12.00 g to add");
    // And with a key as it comes back, poured into at once.
    b.pour(40.0, 0.3).pour(130.0, 0.3).read(-12.0);
    b.pour(0.0, 0.5).pour(30.0, 8.0);
    assert!(!say(&b).contains("to add"), "{}", say(&b));
}

#[test]
fn a_scale_that_comes_on_with_a_zero_of_its_own_is_seen_without_the_source() {
    let steps = vec![step(1, "Oil", "60.00", VesselWay::Difference)];
    let mut b = Bench::new(plan(steps, None));
    (b.interval, b.tau) = (200, 245.0);
    b.hold(2.0);
    towards(&mut b, 199.5, 20);
    b.hold(3.0);
    asks(&b, "60.00 g to take");
    towards(&mut b, 0.0, 8);
    towards(&mut b, 184.5, 9);
    // Switched off for a moment as she lifts it again, and on with 5 g of it still on the pan: that is zero now.
    b.now += 1200;
    b.read(0.0);
    asks(&b, "The tare must be seen again");
    // She puts it back, and lifts it as she was told before it has rested.
    towards(&mut b, 164.46, 16);
    towards(&mut b, -5.04, 24);
    asks(&b, "Put the source back");
    towards(&mut b, 164.46, 30);
    asks(&b, "30.00 g to take");
    towards(&mut b, -5.04, 24);
    towards(&mut b, 134.46, 40);
    b.expect(&["60.00"]);
}

#[test]
fn a_key_while_the_source_settles_lays_nothing_on_the_pan() {
    let steps = vec![step(1, "Salt", "120.00", VesselWay::Difference)];
    let mut b = Bench::new(plan(steps, None));
    (b.interval, b.tau) = (200, 250.0);
    b.hold(2.0);
    towards(&mut b, 345.4, 20);
    b.hold(2.0);
    towards(&mut b, 0.0, 6);
    towards(&mut b, 315.4, 6);
    // What was still to come comes after the key.
    let left = 315.4 - b.shown;
    b.shown = 0.0;
    towards(&mut b, left, 20);
    b.hold(1.0);
    asks(&b, "The tare must be seen again. Lift the source");
}

#[test]
fn next_before_the_rest_leaves_what_is_more_in_a_bowl_unsure() {
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(4.0);
    b.pour(60.0, 0.3)
        .pour(319.8, 0.3)
        .pour(328.0, 4.0)
        .hold(3.0);
    asks(&b, "8.00 g heavier than when the bowl left");
    // Some of it is a spoon, that goes; and she says next before the scale is at rest, though the rest is of this step.
    b.pour(325.0, 0.3);
    b.say(Command::Next).hold(3.0).pour(335.0, 4.0).hold(4.0);
    let (verdict, u) = claimed_of(2, &b);
    assert!(verdict.is_none() && u >= g("5"), "{verdict:?} {u:?}");
}

#[test]
fn a_key_in_a_quick_pour_on_a_slow_scale_is_seen_by_what_goes_on() {
    let mut b = Bench::one("Salt", "300.00");
    (b.interval, b.tau) = (50, 900.0);
    b.hold(2.0);
    towards(&mut b, 6.0, 150);
    b.hold(3.0);
    asks(&b, "300.00 g to add");
    b.pour(204.0, 2.7);
    b.shown = 0.0;
    b.pour(36.8, 0.5);
    towards(&mut b, 101.75, 150);
    let asked = |cue: &crate::vocabulary::cue::Cue| cue.say.contains("The tare must be seen again");
    assert!(b.cues.iter().any(asked), "{}", say(&b));
}

#[test]
fn what_leaned_on_the_pan_as_the_source_was_tared_is_in_the_uncertainty() {
    let mut b = super::unanswered::source();
    b.hold(2.0).land(72.0).hold(1.5);
    // A hose that lay there hangs free from the first trip on.
    for back in [66.1, 62.1, 60.0] {
        towards(&mut b, -0.9, 20);
        b.land(back).hold(2.0);
    }
    b.hold(2.0);
    towards(&mut b, -0.9, 20);
    let row = last_weighed(&b);
    assert!(
        row.verdict.is_none() && row.uncertainty > Some(g("0.9")),
        "{row:?}"
    );
}

/// Off and back as asked, at rest both times: that answers, even where the weights fit nothing that was thought of.
#[test]
fn who_lifts_and_puts_back_as_asked_gets_on() {
    // Back it shows something else than zero, or zero, as after a key.
    for back in [3.0, 0.0] {
        let mut b = Bench::one("Salt", "12.00");
        b.hold(2.0).land(150.0).hold(1.5).pour(156.0, 4.0);
        b.jump(0.0).pour(3.0, 1.0).hold(3.0);
        for _ in 0..2 {
            asks(&b, "The tare must be seen again");
            b.land(-40.0).hold(3.0).land(back).hold(3.0);
        }
        asks(&b, "Say next if it is empty");
    }
}

/// A kilogram is to be poured on a scale that takes its time, whose vessel of 100 g is tared.
fn slow_kilogram() -> Bench {
    let mut b = Bench::one("Salt", "1000.00");
    b.tau = 1200.0;
    b.digit = g("0.1");
    b.hold(2.0);
    drawn_out(&mut b, 15.0, |_| 100.0);
    asks(&b, "1000.0 g to add");
    b
}

/// The lift of a filter of first order fades from its half on as the landing does, whatever the hand; and the batch waits
/// for that, though the scale takes long.
#[test]
fn what_was_scooped_into_a_slow_landing_shows_at_the_lift() {
    for scoop in [0.0, 5.0] {
        let mut b = Bench::one("Salt", "96.70");
        b.tau = 1500.0;
        b.hold(4.0);
        let came = |t: f64, at: f64, seconds: f64| ((t - at) / seconds).clamp(0.0, 1.0);
        drawn_out(&mut b, 25.0, |t| {
            118.66 * came(t, 0.0, 0.2) + scoop * came(t, 1.7, 0.6)
        });
        asks(&b, "96.70 g to add");
        let empty = 118.66 + scoop;
        drawn_out(&mut b, 40.0, |t| empty + 96.70 * came(t, 0.0, 12.0));
        b.expect(&["96.70"]);
        assert_eq!(last_weighed(&b).verdict, Some(Verdict::Inside));
        drawn_out(&mut b, 25.0, |t| {
            (empty + 96.70) * (1.0 - came(t, 0.0, 0.2))
        });
        let claims = (scoop == 0.0).then_some(Verdict::Inside);
        assert_eq!(last_weighed(&b).verdict, claims, "{scoop}");
    }
}

/// What a slow filter draws out of a pour in one go is a pour still, and what it holds back is in what is told.
#[test]
fn on_a_slow_scale_a_swift_pour_is_no_vessel_and_what_is_left_is_true() {
    let mut b = slow_kilogram();
    let poured = |t: f64| (t * 250.0).min(1150.0);
    let mut t = 0.0;
    while b.cues.last().unwrap().kind != CueKind::EaseOff {
        drawn_out(&mut b, 0.1, |_| 100.0 + poured(t));
        t += 0.1;
    }
    let told = b.cues.last().unwrap().missing.unwrap().to_g_f64();
    // Without what the filter holds back it was 300 g more.
    assert!(
        (told - (1000.0 - poured(t))).abs() < 40.0,
        "{told} after {t} s"
    );
    drawn_out(&mut b, 20.0, |later| 100.0 + poured(t + later));
    asks(&b, "150.0 g to take out");
}

/// "Hold" is said by what is on the pan, not by what a slow display shows of it yet.
#[test]
fn on_a_slow_scale_hold_does_not_wait_for_the_display() {
    let mut b = slow_kilogram();
    let mut poured = 0.0;
    while b.cues.last().unwrap().kind != CueKind::Hold {
        // She eases off when she is told to.
        let eased = b.cues.last().unwrap().kind == CueKind::EaseOff;
        poured += if eased { 2.0 } else { 12.0 };
        drawn_out(&mut b, 0.1, |_| 100.0 + poured);
    }
    drawn_out(&mut b, 20.0, |_| 100.0 + poured);
    asks(&b, "Recorded 994.0 g");
}

/// Who does what a question asks sees at once that it was seen.
#[test]
fn a_question_about_the_tare_steps_aside_while_the_scale_comes_to_rest() {
    let mut b = Bench::one("Salt", "12.00");
    b.tau = 800.0;
    b.hold(2.0);
    drawn_out(&mut b, 12.0, |t| if t < 3.0 { 100.0 } else { 104.0 });
    asks(&b, "Not sure of the tare");
    let asked = b.cues.len();
    drawn_out(&mut b, 2.0, |_| 0.0);
    drawn_out(&mut b, 3.0, |_| 100.0);
    asks(&b, "comes to rest");
    assert_eq!(b.cues.len(), asked + 1, "said once");
    drawn_out(&mut b, 9.0, |_| 100.0);
    asks(&b, "12.00 g to add");
}

/// On a scale that is slower than the hand that changes the jars, each of them would be the one just weighed.
#[test]
fn another_jar_in_place_of_the_one_just_weighed_is_no_longer_that_one() {
    let mut b = super::decides::two(VesselWay::Beaker, None);
    b.tau = 600.0;
    b.hold(2.0);
    drawn_out(&mut b, 9.0, |_| 150.0);
    drawn_out(&mut b, 15.0, |t| 150.0 + (t * 3.0).min(12.0));
    drawn_out(&mut b, 9.0, |_| 0.0);
    drawn_out(&mut b, 9.0, |_| 162.0);
    asks(&b, "weighs what the beaker just weighed");
    drawn_out(&mut b, 0.5, |_| 0.0);
    drawn_out(&mut b, 9.0, |_| 140.0);
    asks(&b, "Too soon");
    drawn_out(&mut b, 7.0, |_| 0.0);
    drawn_out(&mut b, 7.0, |_| 140.0);
    asks(&b, "Say next if it is empty");
}

/// Twice the key at the end of a pour, the first while the last still came: the empty pan tells what the keys took off.
#[test]
fn keys_at_the_end_of_a_pour_throw_nothing_away() {
    let mut b = Bench::one("Salt", "55.80");
    b.tau = 300.0;
    b.hold(2.0);
    drawn_out(&mut b, 1.8, |_| 23.72);
    b.jump(0.0).hold(2.0);
    drawn_out(&mut b, 6.0, |t| (t * 12.0).min(55.11));
    b.jump(0.07).read(0.02);
    b.hold(3.0);
    asks(&b, "The tare must be seen again");
    b.land(-78.81).hold(3.0);
    asks(&b, "Put the beaker back: 0.78 g");
    b.land(0.02)
        .hold(3.0)
        .pour(0.72, 2.0)
        .hold(3.0)
        .land(-78.81)
        .hold(3.0);
    let row = last_weighed(&b);
    let (net, u) = (row.net.unwrap(), row.uncertainty.unwrap());
    // What the keys took off besides what was seen to come is not known.
    assert!((net - g("55.81")).abs() <= u && u < g("0.50"), "{row:?}");
}

/// What the filter holds back of a spoon that came out is out already.
#[test]
fn on_a_slow_scale_who_takes_out_is_told_to_wait_before_it_is_too_much() {
    let mut b = Bench::one("Salt", "60.00");
    b.tau = 1500.0;
    b.digit = g("0.05");
    b.hold(2.0);
    drawn_out(&mut b, 16.0, |_| 190.0);
    drawn_out(&mut b, 30.0, |t| 190.0 + (t * 4.0).min(61.5));
    b.expect_cue(CueKind::TakeOut);
    drawn_out(&mut b, 1.0, |_| 250.2);
    b.expect_cue(CueKind::Hold);
    drawn_out(&mut b, 12.0, |_| 250.2);
    asks(&b, "Recorded 60.20 g");
}

/// What a bowl lost while it was off is not known to be the step's, and a key before it rests does not hide that.
#[test]
fn a_bowl_that_comes_back_lighter_and_is_tared_at_once_is_as_unsure_as_that() {
    let mut b = Bench::new(plan(vec![step(1, "Salt", "60.00", VesselWay::Bowl)], None));
    b.hold(2.0).land(600.0).hold(1.5).pour(645.0, 4.0).hold(2.0);
    b.land(0.0).hold(2.0).land(635.0);
    b.jump(0.0).hold(3.0);
    asks(&b, "The tare must be seen again");
    b.land(-635.0).hold(3.0);
    asks(&b, "Put the bowl back: 25.00 g");
    b.land(0.0)
        .hold(2.0)
        .pour(25.0, 4.0)
        .hold(3.0)
        .land(-635.0)
        .hold(3.0);
    let (verdict, claim) = claimed(&b);
    assert!(verdict.is_none() && claim > g("9.90"), "{claim:?}");
}

/// Nor does a key answer what was asked about a beaker that came back heavier.
#[test]
fn a_question_about_what_came_back_is_not_answered_by_a_key() {
    for back in [240.0, 170.0] {
        let mut b = Bench::one("Salt", "60.00");
        b.hold(2.0).land(150.0).hold(1.5).pour(195.0, 4.0).hold(2.0);
        b.land(0.0).hold(2.0).land(back).hold(3.0);
        asks(&b, "Not as it left");
        b.jump(0.0).hold(3.0);
        asks(&b, "The tare must be seen again");
        b.land(-back).hold(3.0).land(0.0).hold(3.0);
        asks(&b, "Not as it left");
        b.say(Command::Next).hold(1.0);
        let left = b.cues.last().unwrap().missing.unwrap().to_g_f64();
        b.pour(left, 4.0).hold(3.0).land(-back).hold(3.0);
        let (verdict, claim) = claimed(&b);
        let other = g(if back > 195.0 { "44.9" } else { "24.9" });
        assert!(verdict.is_none() && claim > other, "{back}: {claim:?}");
    }
}

/// The key just before a source is taken looks like its lift; what goes from the "empty" pan then is the source itself.
#[test]
fn a_source_that_is_taken_from_a_pan_thought_empty_is_weighed_anew() {
    let mut b = super::unanswered::source();
    b.interval = 200;
    b.hold(2.0).land(500.0).hold(2.0);
    b.jump(0.0);
    towards(&mut b, -500.0, 4);
    b.land(-0.2).hold(2.0);
    asks(&b, "12.00 g to take");
    towards(&mut b, -500.2, 4);
    b.land(-0.2).hold(2.0);
    asks(&b, "The tare must be seen again");
    b.land(-500.0).hold(2.0);
    b.land(-0.4).hold(2.0);
    asks(&b, "11.60 g to take");
}

/// One reading on the way off is no proof that it still was what it had been.
#[test]
fn a_lift_that_passes_by_the_recorded_weight_does_not_hide_what_came_before() {
    let mut b = Bench::one("Salt", "12.00");
    b.tau = 900.0;
    b.hold(2.0);
    drawn_out(&mut b, 16.0, |_| 150.0);
    drawn_out(&mut b, 20.0, |t| 150.0 + (t * 4.0).min(12.0));
    asks(&b, "Recorded 12.00 g");
    drawn_out(&mut b, 1.5, |_| 165.0);
    b.read(162.0);
    drawn_out(&mut b, 12.0, |_| 0.0);
    let (verdict, claim) = claimed(&b);
    assert!(verdict.is_none() && claim > g("2.00"), "{claim:?}");
}

/// Two steps of `target` grams each into one bowl.
fn two_into_a_bowl(target: &str) -> Bench {
    let bowl = |n, name| step(n, name, target, VesselWay::Bowl);
    Bench::new(plan(vec![bowl(1, "Salt"), bowl(2, "Oil")], None))
}

/// A bowl leaves in mid-pour; what comes back weighs as much more, or less, and a key under it hides that. The empty pan tells
/// how much is in it, and not that it is the same bowl.
#[test]
fn what_came_or_went_while_a_bowl_was_off_stays_unsure_behind_a_key() {
    for by in [13.5, -4.0] {
        let mut b = two_into_a_bowl("120.00");
        b.hold(2.0).land(300.0).hold(2.0).pour(420.0, 8.0).hold(4.0);
        b.pour(480.0, 4.0).land(0.0).hold(2.0);
        b.land(480.0 + by).jump(0.0).hold(2.0);
        asks(&b, "The tare must be seen again");
        let empty = -(480.0 + by);
        b.pour(empty, 0.5).hold(2.0).pour(0.0, 0.4).hold(2.0);
        if b.cues.last().unwrap().kind == CueKind::Choose {
            asks(&b, "The bowl is not as it left");
            b.say(Command::Next).hold(1.0);
        }
        b.expect_cue(CueKind::Add);
        let missing = b.cues.last().unwrap().missing.unwrap().to_g_f64();
        b.pour(missing, 8.0).hold(4.0);
        let off = Mass::from_g_f64(by.abs()).unwrap();
        let (verdict, unsure) = claimed_of(2, &b);
        assert_eq!(verdict, None, "{by}");
        assert!(unsure >= off, "{by}: {unsure:?}");
    }
}

/// The same so quickly that the pan is never seen empty, in a first step, and with the key twice.
#[test]
fn a_vessel_that_was_off_for_a_moment_and_is_tared_at_once_may_be_another() {
    for by in [0.0, 9.0] {
        let mut b = Bench::one("Salt", "120.00");
        b.hold(2.0).land(116.0).hold(2.0);
        b.tau = 150.0;
        drawn_out(&mut b, 1.0, |_| 116.0);
        drawn_out(&mut b, 4.0, |t| 116.0 + 20.0 * t);
        drawn_out(&mut b, 0.6, |_| 0.0);
        drawn_out(&mut b, 0.9, |_| 196.0 + by);
        b.jump(0.0).hold(0.3).jump(0.0).hold(2.0);
        asks(&b, "The tare must be seen again");
        let empty = -(196.0 + by);
        drawn_out(&mut b, 3.0, |_| empty);
        drawn_out(&mut b, 3.0, |_| 0.0);
        b.expect_cue(CueKind::Add);
        let missing = b.cues.last().unwrap().missing.unwrap().to_g_f64();
        drawn_out(&mut b, 8.0, |t| (t * 10.0).min(missing));
        let (_, unsure) = claimed(&b);
        assert!(unsure >= Mass::from_g_f64(by).unwrap(), "{by}: {unsure:?}");
        assert!(
            unsure <= Mass::from_g_f64(by + 6.0).unwrap(),
            "{by}: {unsure:?}"
        );
    }
}

/// Who goes by the scale's own mark of rest puts it back and takes it off again before the engine has seen it rest: on a
/// slow scale the same would be asked for ever.
#[test]
fn on_a_slow_scale_what_is_back_as_it_was_asked_for_is_to_stay_there() {
    let mut b = slow_kilogram();
    drawn_out(&mut b, 8.0, |t| 100.0 + 60.0 * t);
    b.jump(0.0);
    drawn_out(&mut b, 3.0, |_| 0.0);
    asks(&b, "The tare must be seen again");
    drawn_out(&mut b, 14.0, |_| -580.0);
    for _ in 0..2 {
        let said = b.cues.len();
        drawn_out(&mut b, 9.0, |_| 0.0);
        let said: Vec<String> = b.cues[said..]
            .iter()
            .map(|cue| cue.say.to_string())
            .collect();
        assert_eq!(said, ["Leave it there: the scale comes to rest."]);
        drawn_out(&mut b, 11.0, |_| -580.0);
    }
    drawn_out(&mut b, 16.0, |_| 0.0);
    asks(&b, "to add");
}

/// What weighs far more than a lid beside a source came by a key in its landing: she would look for it in vain, and take as
/// much more.
#[test]
fn a_source_that_gained_half_of_what_it_weighs_is_doubted_and_not_what_lies_beside_it() {
    let mut b = super::unanswered::source();
    b.tau = 5.0;
    b.hold(2.0).land(500.0).hold(2.0);
    b.land(0.0).hold(1.0).land(495.0).hold(2.0);
    b.land(0.0).hold(1.0).land(720.0).hold(2.0);
    asks(&b, "The tare must be seen again. Lift the source");
    b.land(225.0).hold(2.0).land(720.0).hold(2.0);
    assert_eq!(b.cues.last().unwrap().missing, Some(g("7.00")));
}

/// On a slow scale that nobody knows yet a light vessel comes as slowly as a pour, and fades as no pour does: each part of
/// what is still to come takes as long.
#[test]
fn a_light_vessel_on_a_slow_scale_is_no_pour_at_the_very_first_placing() {
    // A filter of two stages takes half of `tau` for each.
    let first = |tau: f64, stages: usize, course: &dyn Fn(f64) -> f64| {
        let mut b = Bench::one("Salt", "50.00");
        b.hold(3.0);
        let step = b.interval as f64 / 1000.0;
        let mut shown = [0.0; 2];
        for i in 0..(30.0 / step) as usize {
            let mut to = course(i as f64 * step);
            for stage in &mut shown[..stages] {
                *stage = to + (*stage - to) * (-step * stages as f64 / tau).exp();
                to = *stage;
            }
            b.read(to);
        }
        b.cues.last().unwrap().kind
    };
    for tau in [0.9, 1.0, 1.5, 2.0] {
        for (mass, stages) in [(8.0, 1), (40.0, 1), (8.0, 2), (40.0, 2)] {
            // A second stage looks as a scoop does that comes soon after the vessel.
            for took in [0.01, 0.3, 0.6].into_iter().filter(|_| stages == 1) {
                let set_down = |t: f64| (mass * t / took).min(mass);
                let said = first(tau, stages, &set_down);
                assert_eq!(said, CueKind::Add, "{tau} {stages} {mass} {took}");
            }
            // A scoop into it is no hand that sets it down; what is no lighter than the step is looked at less closely.
            for (after, scoop) in [(0.9, 20.0), (0.9, 3.0), (1.5, 1.0), (3.0, 0.5)] {
                let scooped = |t: f64| {
                    let scoop = scoop * ((t - tau * after) / 0.2).clamp(0.0, 1.0);
                    (mass * t / 0.3).min(mass) + scoop
                };
                let said = first(tau, stages, &scooped);
                let told = mass < 10.0 || scoop > 10.0;
                assert!(
                    !told || said == CueKind::Choose,
                    "{tau} {stages} {mass} {after} {scoop}"
                );
            }
            for took in [3.0, 5.0] {
                // It may go into a vessel that stood there before the scale spoke.
                let poured = |t: f64| (mass * t / took).min(mass);
                let said = first(tau, stages, &poured);
                assert_eq!(said, CueKind::Choose, "{tau} {stages} {mass} {took}");
            }
        }
    }
}

/// A lid lies there and is tared; the vessel that a hand sets down on it in its time comes as one load on a slow scale as well.
#[test]
fn a_vessel_that_is_set_down_slowly_on_a_thing_that_was_tared_is_asked_about() {
    for (tau, took) in [(0.15, 0.3), (0.5, 0.3), (0.5, 0.8), (1.0, 0.8), (1.0, 1.2)] {
        let mut b = Bench::one("Salt", "120.00");
        b.tau = tau * 1000.0;
        b.hold(3.0);
        drawn_out(&mut b, 14.0, |_| 8.0);
        b.expect_cue(CueKind::Add);
        drawn_out(&mut b, 20.0, |t| 8.0 + (119.6 * t / took).min(119.6));
        asks(&b, "came in one go");
    }
}

/// A bowl at rest is off for a moment, back heavier, and tared at once: put back as it was asked for, it is as heavy still.
#[test]
fn what_is_put_back_after_a_key_as_heavy_as_it_was_asked_about_is_unsure() {
    let mut b = two_into_a_bowl("60.00");
    b.tau = 150.0;
    b.hold(2.0).land(70.0).hold(2.0);
    drawn_out(&mut b, 8.0, |t| 70.0 + (15.0 * t).min(60.0));
    drawn_out(&mut b, 6.0, |t| 130.0 + (10.0 * t).min(30.0));
    drawn_out(&mut b, 0.3, |_| 0.0);
    drawn_out(&mut b, 0.3, |_| 175.0);
    b.jump(0.0);
    drawn_out(&mut b, 0.3, |_| 10.0);
    b.jump(0.0);
    drawn_out(&mut b, 4.0, |_| 2.0);
    drawn_out(&mut b, 3.0, |_| 2.0 - 175.0);
    drawn_out(&mut b, 3.0, |_| 2.0);
    let missing = b.cues.last().unwrap().missing;
    assert_eq!(missing, Some(g("15.00")), "{:?}", b.cues.last());
    drawn_out(&mut b, 8.0, |t| 2.0 + (5.0 * t).min(15.0));
    let (verdict, unsure) = claimed_of(2, &b);
    assert!(verdict.is_none() && unsure >= g("15.00"), "{unsure:?}");
}

#[test]
fn a_key_in_the_landing_on_a_scale_with_a_tare_is_believed_by_the_lift() {
    // The tare of a vessel of 200 g is in force; TARE takes off what of a light one has come by then. Whether it was
    // the key or a load that passed by zero, the empty pan tells: it shows so much less, and no 201 g stand there.
    let landed = || {
        let mut b = Bench::new(plan(two_beakers(), None));
        b.interval = 1000;
        b.tau = 150.0;
        b.hold(3.0).land(200.0).hold(3.0).jump(0.0).hold(3.0);
        b.pour(12.0, 8.0).hold(6.0).land(-200.0).hold(3.0);
        b.read(-199.0);
        b.read(-192.0);
        b.jump(0.5).hold(4.0);
        asks(&b, "Not sure of the tare");
        b
    };
    let mut b = landed();
    b.land(-8.4).hold(2.0);
    b.expect_cue(CueKind::Place);
    b.land(0.5).hold(4.0);
    asks(&b, "Say next if it is empty");
    b.say(Command::Next).hold(2.0);
    b.pour(8.5, 8.0).hold(6.0);
    b.expect(&["12.00", "8.00"]);
    // Back before the pan could rest: asked about once more, now with a word.
    let mut b = landed();
    b.pour(-8.3, 2.0).land(0.5).hold(4.0);
    asks(&b, "Say next");
    // What goes to nowhere near that was no lift by either account.
    let mut b = landed();
    b.land(-3.0).hold(4.0);
    assert_ne!(b.cues.last().map(|cue| cue.kind), Some(CueKind::Place));
}

/// What the pan shows without the vessel flickers, and is no rest yet: who goes by the display puts it back, for ever.
#[test]
fn who_lifts_as_asked_is_told_to_leave_it_off_until_the_empty_pan_rests() {
    let mut b = slow_kilogram();
    drawn_out(&mut b, 8.0, |t| 100.0 + 60.0 * t);
    b.jump(0.0);
    drawn_out(&mut b, 3.0, |_| 0.0);
    asks(&b, "The tare must be seen again");
    b.steady = Some(false);
    drawn_out(&mut b, 14.0, |_| -580.0);
    asks(&b, "Leave it off: the scale comes to rest.");
    // Back too soon, and off once more.
    drawn_out(&mut b, 8.0, |_| 0.0);
    drawn_out(&mut b, 14.0, |_| -580.0);
    asks(&b, "Leave it off: the scale comes to rest.");
    b.steady = None;
    drawn_out(&mut b, 14.0, |_| -580.0);
    assert!(!say(&b).contains("Leave it"), "{}", say(&b));
    b.expect_cue(CueKind::Place);
}

/// One line between two that agree has a wrong digit: it is no key, and no lift.
#[test]
fn a_line_with_a_wrong_digit_is_no_lift_of_what_was_to_be_lifted() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(156.0, 3.0).hold(1.0);
    let at = b.cues.len();
    b.jump(8156.0).jump(156.0).hold(2.0);
    let faults = b.cues[at..].iter().filter(|cue| cue.kind == CueKind::Fault);
    assert_eq!(faults.count(), 0);
    b.pour(162.0, 3.0).hold(3.0);
    b.expect(&["12.00"]);
    // Asked to lift it, a line that is far below is not the empty pan.
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(156.0, 3.0);
    b.jump(0.0).hold(3.0);
    asks(&b, "The tare must be seen again");
    b.jump(-9000.0).jump(0.0).hold(1.0);
    b.land(-156.0).hold(2.0);
    b.expect_cue(CueKind::Place);
    b.land(0.0).hold(2.0).pour(6.0, 3.0).hold(3.0);
    b.expect(&["12.00"]);
}

/// A source that is back in a wind: a word takes it as it stands.
#[test]
fn what_is_back_and_never_rests_is_taken_by_a_word() {
    let mut b = super::unanswered::source();
    b.hold(2.0).land(150.0).hold(2.0).land(0.0).hold(2.0);
    b.land(138.0);
    for at in 0..300 {
        b.read(138.0 + 0.08 * (f64::from(at) / 4.0).sin());
    }
    asks(&b, "The scale does not come to rest.");
    let said = b.answer(Command::Next);
    assert!(said.contains("the record says how sure it is"), "{said}");
    b.hold(4.0);
    let row = b.row();
    assert!(row.uncertainty > Some(g("0.15")), "{row:?}");
    // Off again, the word is about nothing.
    let mut b = super::unanswered::source();
    b.hold(2.0).land(150.0).hold(2.0).land(0.0).hold(2.0);
    b.land(138.0);
    for at in 0..300 {
        b.read(138.0 + 0.08 * (f64::from(at) / 4.0).sin());
    }
    b.land(0.0);
    let said = b.answer(Command::Next);
    assert!(
        said.starts_with("Nothing waits for next") || said.contains("not at rest"),
        "{said}"
    );
}

/// What comes onto a source that was recorded was put into it, or lies beside it: the record that follows says how far
/// it was from there.
#[test]
fn what_a_recorded_source_gains_is_in_its_uncertainty() {
    for (more, least) in [(0.3, "0.30"), (0.0, "0.00")] {
        let mut b = super::unanswered::source();
        b.hold(2.0).land(150.0).hold(1.5).land(0.0).hold(2.0);
        b.land(138.0).hold(2.0);
        b.expect(&["12.00"]);
        b.pour(138.0 + more, 2.0).hold(3.0);
        let (verdict, u) = claimed(&b);
        assert!(u >= g(least), "{more}: {u:?}");
        assert_eq!(u < g("0.05"), more == 0.0, "{more}: {u:?}");
        assert_eq!(verdict == Some(Verdict::Inside), more == 0.0, "{more}");
    }
}

/// Poured into before it is taken, and off before it rests: how much that was is known to all that was seen of it. A hand
/// that takes hold of it presses for less.
#[test]
fn a_source_that_is_poured_into_before_its_lift_is_no_proven_weight() {
    for (seconds, unsure) in [(4.0, true), (1.5, true), (0.5, false), (0.3, false)] {
        let mut b = super::unanswered::source();
        b.hold(2.0).land(150.0).hold(1.5);
        b.pour(154.0, seconds);
        b.land(0.0).hold(2.0).land(138.0).hold(2.0);
        b.expect(&["12.00"]);
        let (verdict, u) = claimed(&b);
        assert_eq!(u >= g("4.00"), unsure, "{seconds}: {u:?}");
        assert_eq!(verdict.is_none(), unsure, "{seconds}: {verdict:?}");
    }
}

/// Lifted while it was stirred, and back before the pan was empty: on a slow scale it rests later than the batch waits
/// on a swift one.
#[test]
fn a_mixed_bowl_that_settles_slowly_is_looked_at_before_the_batch_closes() {
    let bowl = step(1, "Salt", "50.00", VesselWay::Bowl);
    let mut b = Bench::new(plan(vec![bowl], Some("Stir")));
    // A mean over 5 s.
    b.hold(2.0).pour(300.0, 5.0).hold(6.0);
    asks(&b, "50.00 g to add");
    b.pour(350.0, 20.0).hold(8.0);
    b.expect_cue(CueKind::Mix);
    b.pour(354.0, 2.0).say(Command::Next);
    b.pour(356.0, 2.0).pour(20.0, 4.5);
    b.pour(320.0, 5.0).hold(3.5);
    assert_eq!(b.closed, None);
    b.hold(3.0);
    let (verdict, u) = claimed(&b);
    assert!(verdict.is_none() && u >= g("29"), "{verdict:?} {u:?}");
}
