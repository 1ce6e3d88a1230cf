//! What comes after a weight: a remedy that becomes steps, what stayed in a beaker, jars.

use super::*;
use crate::formula::Formula;
use crate::formula::amend::{Amendment, Cause};
use crate::formula::filling::Fill;
use crate::formula::plan::BatchSize;
use crate::metrology::ScaleAbility;
use crate::metrology::prepackage::Rule;
use crate::vocabulary::command::Way;

/// 60 g salt, 36 g oil in beakers, mixed; 4 g scent of which at most 5 % are allowed.
const SOAK: &str = r#"
[formula]
name = "Soak"
version = "1"
[[phase]]
name = "Base"
mix = "Stir"
[[phase.ingredient]]
name = "Salt"
percent = 60
[[phase.ingredient]]
name = "Oil"
percent = 36
[[phase]]
name = "Scent"
[[phase.ingredient]]
name = "Scent"
percent = 4
limits = { max = 5 }
tolerance = { percent = 5 }
"#;

pub fn soak() -> Plan {
    let formula = Formula::parse(SOAK, "soak.toml").unwrap();
    let scales = [ScaleAbility::assumed("bench")];
    Plan::new(&formula, BatchSize::Batch(g("100")), &scales, 2.0).unwrap()
}

impl Bench {
    /// A beaker of 150 g that gets `grams`, and is lifted.
    pub fn beaker(&mut self, grams: f64) -> &mut Self {
        self.hold(2.0)
            .land(150.0)
            .hold(1.5)
            .pour(150.0 + grams, 3.0)
            .hold(2.5)
            .land(0.0)
            .hold(2.0)
    }

    /// The same with more than is allowed, which the maker keeps.
    fn kept(&mut self, grams: f64) -> &mut Self {
        self.hold(2.0)
            .land(150.0)
            .hold(1.5)
            .pour(150.0 + grams, 3.0)
            .hold(2.5);
        self.say(Command::Keep).hold(1.0).land(0.0).hold(2.0)
    }

    fn of_kind(&self, kind: RowKind) -> Vec<&Draft> {
        self.rows.iter().filter(|row| row.kind == kind).collect()
    }

    fn last_say(&self) -> &str {
        self.cues.last().map_or("", |cue| &cue.say)
    }
}

/// What is recorded of each weighing, in grams.
pub fn of_beakers(b: &Bench) -> Vec<String> {
    b.weighed().into_iter().map(|(_, net, _)| net).collect()
}

#[test]
fn a_remedy_in_proportion_becomes_steps_and_larger_targets() {
    let mut b = Bench::new(soak());
    b.beaker(60.0).kept(45.0).say(Command::Next);
    // Oil is 45 of 36 planned: the batch becomes 125 g, 75 g salt and 5 g scent.
    b.say(Command::Remedy(Way::InProportion));
    assert!(b.last_say().contains("15.00 g Salt"), "{}", b.last_say());
    b.beaker(15.0);
    b.expect_cue(CueKind::Mix);
    b.say(Command::Next);
    assert!(b.last_say().contains("5.00 g Scent"), "{}", b.last_say());
    b.beaker(5.0);
    b.expect(&["60.00", "45.00", "15.00", "5.00"]);
    let steps: Vec<usize> = b.weighed().iter().map(|w| w.0).collect();
    assert_eq!(steps, [1, 2, 3, 4]);
    assert_eq!(b.closed, Some(true));
    let remedies = b.of_kind(RowKind::Remedy);
    assert_eq!(remedies.len(), 1);
    assert_eq!(remedies[0].target, Some(g("125")));
    let (change, words) = Amendment::of_note(&remedies[0].note).unwrap().unwrap();
    assert_eq!(
        words,
        "in proportion; 15.00 g Salt more; 5.00 g Scent instead of 4.00 g"
    );
    assert_eq!(change.cause, Cause::InProportion);
    assert_eq!(
        (change.before, change.add.len(), change.later.len()),
        (3, 1, 1)
    );
}

#[test]
fn a_plan_read_back_from_its_remedy_row_goes_on_at_the_same_step() {
    let mut b = Bench::new(soak());
    b.beaker(60.0).kept(45.0).say(Command::Next);
    b.say(Command::Remedy(Way::InProportion))
        .beaker(15.0)
        .say(Command::Next);
    let note = &b.of_kind(RowKind::Remedy)[0].note;
    let again = soak().amended(&Amendment::of_note(note).unwrap().unwrap().0);
    let weighed = b.weighed();
    let progress = Progress {
        weighed: weighed
            .iter()
            .map(|(step, net, _)| {
                (
                    *step,
                    crate::vocabulary::progress::Weighed {
                        seq: 1,
                        net: g(net),
                        verdict: None,
                    },
                )
            })
            .collect(),
        mixed: vec![0, 2],
        resumed: true,
        ..Progress::default()
    };
    let mut c = Bench::with(vec![scale("bench")], again, progress);
    c.hold(2.0);
    assert!(c.last_say().contains("5.00 g Scent"), "{}", c.last_say());
    // After a restart a beaker may hold something already: that is asked once.
    c.land(150.0).hold(1.5);
    c.expect_cue(CueKind::Choose);
    c.say(Command::Next).land(0.0).hold(2.0);
    c.beaker(5.0);
    c.expect(&["5.00"]);
    assert_eq!(c.closed, Some(true));
}

#[test]
fn a_batch_is_not_closed_over_its_limit_without_a_word() {
    let mut b = Bench::new(soak());
    b.beaker(60.0).beaker(36.0).say(Command::Next).kept(8.0);
    b.expect_cue(CueKind::Choose);
    assert!(
        b.last_say()
            .contains("Scent is 7.69 % of the batch (8.00 g of 104.00 g), over its limit of 5 %"),
        "{}",
        b.last_say()
    );
    assert_eq!(b.closed, None);
    b.say(Command::Next);
    assert_eq!(b.closed, Some(true));
    let notes = b.of_kind(RowKind::Note);
    assert!(
        notes
            .iter()
            .any(|row| row.note.starts_with("closed as it is. Scent is 7.69 %"))
    );
}

#[test]
fn the_least_that_mends_a_limit_is_weighed_and_then_the_batch_closes() {
    let mut b = Bench::new(soak());
    b.beaker(60.0).beaker(36.0).say(Command::Next).kept(8.0);
    b.expect_cue(CueKind::Choose);
    b.say(Command::Remedy(Way::LeastAdded));
    // The others are at least 99 % of their 96 %, so 8 g are at most 4.96 % of the batch: 161.30 g, and a
    // few steps of the scale.
    let batch = b.of_kind(RowKind::Remedy)[0].target.unwrap().to_g_f64();
    assert!((161.29..161.40).contains(&batch), "{batch}");
    let mut guard = 0;
    while b.closed.is_none() && guard < 6 {
        guard += 1;
        let cue = b.cues.last().unwrap().clone();
        match cue.kind {
            CueKind::Place => {
                let missing = cue.missing.unwrap().to_g_f64();
                b.beaker(missing);
            }
            _ => {
                b.say(Command::Next);
            }
        }
    }
    assert_eq!(b.closed, Some(true), "{}", b.last_say());
    let total: f64 = b
        .of_kind(RowKind::Weighed)
        .iter()
        .map(|row| row.net.unwrap().to_g_f64())
        .sum();
    assert!((total - batch).abs() < 0.01, "{total} {batch}");
}

#[test]
fn a_remedy_waits_for_the_weighing_under_way() {
    let mut b = Bench::new(soak());
    b.hold(2.0).land(150.0).hold(1.5).pour(190.0, 3.0).hold(1.0);
    let refused = b.engine.command(
        Command::Remedy(Way::InProportion),
        Moment::from_millis(b.now),
    );
    assert!(refused.is_err());
    assert!(b.of_kind(RowKind::Remedy).is_empty());
}

#[test]
fn what_stayed_in_the_beaker_is_logged_and_weighed_once_more() {
    let mut b = Bench::new(soak());
    b.beaker(60.0).beaker(36.0);
    b.expect_cue(CueKind::Mix);
    b.say(Command::Residue(None));
    b.land(152.0).hold(2.0);
    let rows = b.of_kind(RowKind::Residue);
    assert_eq!(rows.len(), 1);
    let row = rows[0];
    assert_eq!((row.step, row.ingredient.as_str()), (2, "Oil"));
    assert_eq!(
        (row.tare, row.gross, row.net),
        (Some(g("150")), Some(g("152")), Some(g("2")))
    );
    // Four readings: u² = 4·(d²/2 + d²/12), U = 2u, rounded up.
    let u = 2.0 * (4.0 * (0.01_f64.powi(2) / 2.0 + 0.01_f64.powi(2) / 12.0)).sqrt();
    assert!((row.uncertainty.unwrap().to_g_f64() - u).abs() < 1e-6);
    b.expect_cue(CueKind::Choose);
    assert!(
        b.last_say().contains("2.00 g Oil are missing"),
        "{}",
        b.last_say()
    );
    b.say(Command::Next);
    b.land(0.0).hold(2.0);
    assert!(b.last_say().contains("2.00 g Oil"), "{}", b.last_say());
    // Whoever reads the log puts it in at the same place, before the scent.
    let (change, _) = Amendment::of_note(&b.of_kind(RowKind::Remedy)[0].note)
        .unwrap()
        .unwrap();
    assert_eq!((change.before, change.add.len()), (3, 1));
    b.beaker(2.0);
    b.expect_cue(CueKind::Mix);
    b.say(Command::Next);
    b.beaker(4.0);
    b.expect(&["60.00", "36.00", "2.00", "4.00"]);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn a_little_that_stayed_needs_no_word() {
    let mut b = Bench::new(soak());
    b.beaker(60.0).beaker(36.0).say(Command::Residue(None));
    b.land(150.20).hold(2.0);
    assert_eq!(b.of_kind(RowKind::Residue)[0].net, Some(g("0.20")));
    b.expect_cue(CueKind::Lift);
    b.land(0.0).hold(2.0);
    b.expect_cue(CueKind::Mix);
    // Said twice it means no other beaker; that is named by its step.
    b.say(Command::Residue(None)).land(150.0).hold(2.0);
    assert_eq!(b.of_kind(RowKind::Residue).len(), 1);
    b.land(0.0).hold(2.0).say(Command::Residue(Some(1)));
    b.land(150.0).hold(2.0);
    assert_eq!(b.of_kind(RowKind::Residue)[1].step, 1);
}

#[test]
fn another_beaker_is_no_emptied_one() {
    for other in [120.0, 190.0, 149.90] {
        let mut b = Bench::new(soak());
        b.beaker(60.0).beaker(36.0).say(Command::Residue(None));
        b.land(other).hold(3.0);
        assert!(b.of_kind(RowKind::Residue).is_empty(), "{other}");
        b.expect_cue(CueKind::Choose);
        // The same once more is told once more.
        let told = |b: &Bench| {
            b.cues
                .iter()
                .filter(|cue| cue.say.contains("not the emptied"))
                .count()
        };
        let before = told(&b);
        b.land(0.0).hold(2.0).land(other).hold(3.0);
        assert_eq!(told(&b), before + 1, "{other}");
        b.land(0.0).hold(2.0).land(150.5).hold(2.0);
        assert_eq!(b.of_kind(RowKind::Residue).len(), 1, "{other}");
    }
}

/// Something lies on the pan as the emptied beaker leaves: it is off all the same.
#[test]
fn an_emptied_beaker_is_off_though_the_pan_is_not_bare() {
    let mut b = Bench::new(soak());
    b.beaker(60.0).beaker(36.0).say(Command::Residue(None));
    b.land(150.20).hold(2.0);
    b.expect_cue(CueKind::Lift);
    b.land(2.0).hold(3.0);
    b.expect_cue(CueKind::Mix);
}

#[test]
fn a_beaker_on_the_pan_is_no_emptied_one_before_the_pan_was_empty() {
    let mut b = Bench::new(soak());
    b.beaker(60.0);
    // On to step 2, whose beaker is put down before the word is typed.
    b.land(150.0);
    b.say(Command::Residue(None)).hold(3.0);
    assert!(b.of_kind(RowKind::Residue).is_empty());
}

#[test]
fn the_zero_is_seen_anew_where_the_key_was_pressed_meanwhile() {
    let mut b = Bench::new(soak());
    b.beaker(60.0).beaker(36.0).say(Command::Residue(None));
    // The emptied beaker is tared by mistake before it was at rest, and 2 g are put on top.
    b.read(80.0);
    b.read(130.0);
    b.jump(0.0);
    b.hold(2.0).land(2.0).hold(2.0);
    assert!(b.of_kind(RowKind::Residue).is_empty());
    b.land(-150.0).hold(2.0).land(2.0).hold(2.0);
    let rows = b.of_kind(RowKind::Residue);
    assert_eq!(rows.len(), 1);
    assert_eq!(rows[0].net, Some(g("2")));
}

pub fn jars(count: usize, made: &str) -> Plan {
    let fill = Fill {
        nominal: g("50"),
        over: g("1"),
        rule: Rule::Eu76211,
        made: g(made),
        first: 1,
        last: count,
    };
    Plan::filling(fill, "Soak 1", &[ScaleAbility::assumed("bench")], 2.0).unwrap()
}

#[test]
fn jar_after_jar_is_recorded_against_its_label() {
    let mut b = Bench::new(jars(3, "152"));
    assert!(
        b.last_say().contains("Place empty jar 1: 50.50 g"),
        "{}",
        b.last_say()
    );
    for net in [50.4, 50.6, 50.5] {
        b.beaker(net);
    }
    let rows = b.of_kind(RowKind::Filled);
    assert_eq!(rows.len(), 3);
    for (i, row) in rows.iter().enumerate() {
        assert_eq!((row.step, row.target), (i + 1, Some(g("50"))));
        assert_eq!(
            (row.vessel.as_str(), row.phase.as_str()),
            ("jar", "Filling")
        );
        assert_eq!(row.verdict, Some(Verdict::Inside));
    }
    assert!(b.cues.iter().any(|cue| {
        cue.say
            .contains("2 filled, mean 50.50 g; enough for 1 more")
    }));
    let closed = b.of_kind(RowKind::Closed);
    assert_eq!(
        (closed[0].target, closed[0].net),
        (Some(g("152")), Some(g("151.5")))
    );
    assert_eq!(
        closed[0].note,
        "filling: 3 jars filled, 151.50 g, mean 50.50 g, yield 99.7 %; \
         0.50 g not in a jar (in the bowl, or lost)"
    );
    assert_eq!(b.closed, Some(true));
}

#[test]
fn a_jar_short_of_its_label_is_not_recorded_without_a_word_and_named_short() {
    let mut b = Bench::new(jars(2, "110"));
    b.beaker(50.5);
    b.hold(1.0).land(150.0).hold(1.5).pour(190.0, 3.0).hold(3.0);
    assert_eq!(b.of_kind(RowKind::Filled).len(), 1);
    b.say(Command::Keep).hold(1.0).land(0.0).hold(1.0);
    let rows = b.of_kind(RowKind::Filled);
    // 50 g: the tolerable negative error is 4.5 g (76/211/EEC, Annex I, 2.4), and twice that is 9 g.
    assert_eq!(rows[1].verdict, Some(Verdict::Kept));
    assert!(
        rows[1].note.contains("twice what Directive 76/211/EEC"),
        "{}",
        rows[1].note
    );
    let note = &b.of_kind(RowKind::Closed)[0].note;
    assert!(note.contains("the mean is below the label"), "{note}");
    assert!(note.contains("1 too short"), "{note}");
}

#[test]
fn filling_ends_at_a_word_and_says_what_it_came_to() {
    let mut b = Bench::new(jars(8, "410"));
    b.beaker(50.5).beaker(50.5).say(Command::Stop);
    assert_eq!(b.closed, Some(true));
    assert!(
        b.last_say().contains("2 jars filled, 101.00 g"),
        "{}",
        b.last_say()
    );
    let mut b = Bench::new(jars(8, "410"));
    b.say(Command::Residue(None));
    b.say(Command::Remedy(Way::InProportion));
    assert!(b.of_kind(RowKind::Remedy).is_empty() && b.of_kind(RowKind::Residue).is_empty());
}

#[test]
fn a_full_jar_put_back_is_not_the_next_one_even_after_a_lift_within_one_reading() {
    let mut b = Bench::new(jars(3, "160"));
    b.tau = 1.0;
    b.hold(2.0).land(25.0).hold(1.5).pour(75.5, 3.0).hold(2.5);
    assert_eq!(b.of_kind(RowKind::Filled).len(), 1);
    b.jump(0.0).hold(1.5).jump(75.5).hold(2.0);
    assert!(
        b.last_say()
            .contains("weighs what the jar just weighed does"),
        "{}",
        b.last_say()
    );
    assert_eq!(b.of_kind(RowKind::Filled).len(), 1);
}

/// The scale is switched off under a half full beaker and shows zero with it when it is on again.
#[test]
fn a_scale_switched_on_again_under_a_half_full_beaker_is_asked_to_be_lifted_and_goes_on() {
    let mut b = Bench::one("Salt", "30.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(165.0, 3.0).hold(1.5);
    b.now += 6_000;
    b.engine.tick(Moment::from_millis(b.now));
    b.drain();
    b.shown = 0.0;
    b.hold(3.0);
    b.expect(&[]);
    assert!(b.last_say().contains("Lift"), "{}", b.last_say());
    b.land(-165.0).hold(2.0).land(0.0).hold(2.0);
    b.expect_cue(CueKind::Add);
    assert!(b.last_say().contains("15.00 g to add"), "{}", b.last_say());
    b.pour(15.0, 3.0).hold(2.5).land(-165.0).hold(2.0);
    b.expect(&["30.00"]);
}

#[test]
fn undo_before_the_lift_takes_the_record_out_of_the_log_at_once() {
    let mut b = Bench::one("Salt", "20.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 4.0).hold(3.0);
    b.expect(&["20.00"]);
    b.say(Command::Undo);
    let back = b
        .rows
        .iter()
        .find(|row| row.net.is_none() && row.kind == RowKind::Weighed);
    assert!(back.is_some_and(|row| row.note.starts_with("corrects seq 1; taken back")));
    // Whoever reads the log from here, after a kill too, finds the step open.
    b.land(0.0)
        .hold(2.0)
        .land(150.0)
        .hold(1.5)
        .pour(170.0, 4.0)
        .hold(3.0);
    b.expect(&["20.00", "20.00"]);
    assert!(
        b.rows
            .last()
            .is_some_and(|row| row.note.starts_with("corrects seq 1"))
    );
    b.land(0.0).hold(2.0);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn a_skip_is_taken_back() {
    let steps = vec![
        step(1, "Salt", "20.00", VesselWay::Beaker),
        step(2, "Oil", "10.00", VesselWay::Beaker),
    ];
    let mut b = Bench::new(plan(steps, None));
    b.hold(2.0)
        .say(Command::Skip("a slip of the finger".into()));
    b.say(Command::Undo);
    let back = b
        .rows
        .iter()
        .find(|row| row.net.is_none() && row.kind == RowKind::Weighed);
    assert!(back.is_some_and(|row| row.step == 1));
    b.land(150.0).hold(1.5).pour(170.0, 4.0).hold(3.0);
    assert_eq!(b.recorded.last().map(|(step, _)| *step), Some(1));
}

#[test]
fn after_a_restart_the_beaker_weighed_last_is_lifted_and_a_last_drop_is_offered_to_be_kept() {
    let recorded = crate::vocabulary::progress::Weighed {
        seq: 1,
        net: g("60.00"),
        verdict: None,
    };
    let progress = Progress {
        weighed: [(1, recorded)].into(),
        tares: [(1, g("150.00"))].into(),
        resumed: true,
        ..Progress::default()
    };
    let mut b = Bench::with(vec![scale("bench")], soak(), progress);
    b.hold(2.0).land(210.0).hold(2.0);
    b.expect_cue(CueKind::Lift);
    assert!(
        b.last_say()
            .contains("the beaker just weighed does. Lift it off"),
        "{}",
        b.last_say()
    );
    b.land(0.0).hold(2.0);
    b.land(140.0).hold(2.0).say(Command::Next);
    b.land(170.0).hold(20.0);
    b.expect_cue(CueKind::Add);
    b.hold(15.0);
    b.expect_cue(CueKind::Choose);
    assert!(b.last_say().contains("missing still"), "{}", b.last_say());
    b.say(Command::Keep).land(0.0).hold(2.0);
    b.expect(&["30.00"]);
}

/// A bowl of 200 g with 80.10 g of the first step in it, and the batch goes on after a restart.
pub fn goes_on_with_a_bowl() -> Bench {
    let recorded = crate::vocabulary::progress::Weighed {
        seq: 1,
        net: g("80.10"),
        verdict: None,
    };
    let progress = Progress {
        weighed: [(1, recorded)].into(),
        bowls: [(1, g("280.10"))].into(),
        resumed: true,
        ..Progress::default()
    };
    let steps = vec![
        step(1, "Salt", "80.00", VesselWay::Bowl),
        step(2, "Oil", "35.00", VesselWay::Bowl),
    ];
    Bench::with(vec![scale("bench")], plan(steps, None), progress)
}

/// The same with 14.90 g of the second that nobody has recorded.
fn killed_in_the_second_pour_into_a_bowl() -> Bench {
    let mut b = goes_on_with_a_bowl();
    b.hold(2.0).land(295.0).hold(3.0);
    b.expect_cue(CueKind::Choose);
    let say = b.last_say();
    assert!(say.contains("14.90 g more than recorded"), "{say}");
    b
}

#[test]
fn what_went_into_a_bowl_before_the_restart_is_counted_by_a_word() {
    let mut b = killed_in_the_second_pour_into_a_bowl();
    b.say(Command::Next);
    b.expect_cue(CueKind::Add);
    assert!(b.last_say().contains("20.10 g to add"), "{}", b.last_say());
    b.pour(315.1, 6.0).hold(4.0).land(0.0).hold(3.0);
    let row = b
        .rows
        .iter()
        .rfind(|row| row.step == 2 && row.net.is_some());
    let row = row.expect("a row of the second step");
    assert_eq!((row.net, row.tare), (Some(g("35.00")), Some(g("280.10"))));
    assert!(row.uncertainty < Some(g("0.05")), "{row:?}");
}

#[test]
fn what_came_into_a_bowl_before_the_restart_and_is_of_no_step_leaves_the_next_weight_unsure() {
    let mut b = killed_in_the_second_pour_into_a_bowl();
    b.say(Command::Again);
    b.expect_cue(CueKind::Add);
    assert!(b.last_say().contains("35.00 g to add"), "{}", b.last_say());
    b.pour(330.0, 6.0).hold(25.0).land(0.0).hold(3.0);
    let row = b
        .rows
        .iter()
        .rfind(|row| row.step == 2 && row.net.is_some());
    assert!(
        row.is_none_or(|row| row.uncertainty > Some(g("14.90"))),
        "{row:?}"
    );
}

/// Three go into a bowl of 200 g; after two of them, and a restart with their rows, it is asked for.
fn goes_on_with_two_in_a_bowl() -> Bench {
    let steps = || {
        vec![
            step(1, "Salt", "80.00", VesselWay::Bowl),
            step(2, "Oil", "60.00", VesselWay::Bowl),
            step(3, "Wax", "35.00", VesselWay::Bowl),
        ]
    };
    let mut b = Bench::new(plan(steps(), None));
    b.hold(2.0).land(200.0).hold(2.0).pour(280.0, 4.0).hold(5.0);
    b.pour(340.0, 4.0).hold(5.0);
    b.expect(&["80.00", "60.00"]);
    assert!(
        b.rows.iter().all(|row| row.verdict.is_some()),
        "{:#?}",
        b.rows
    );
    let weighed = |(row, seq): (&Draft, u64)| {
        let weighed = crate::vocabulary::progress::Weighed {
            seq,
            net: row.net.unwrap(),
            verdict: row.verdict,
        };
        (row.step, weighed)
    };
    let progress = Progress {
        weighed: b.rows.iter().zip([11, 12]).map(weighed).collect(),
        rows: b.rows.iter().map(|row| (row.step, row.clone())).collect(),
        bowls: [(1, g("280.00")), (2, g("340.00"))].into(),
        resumed: true,
        ..Progress::default()
    };
    Bench::with(vec![scale("bench")], plan(steps(), None), progress)
}

/// Each record of the bowl names the difference, once, and claims no more than it leaves sure.
#[track_caller]
fn both_are_unsure_by(b: &Bench, by: &str) {
    let corrects = |row: &&Draft| row.note.starts_with("corrects");
    let mut rows: Vec<_> = b.rows.iter().filter(corrects).collect();
    rows.sort_by_key(|row| row.step);
    let notes: Vec<_> = rows.iter().map(|row| row.note.as_str()).collect();
    assert_eq!(
        notes,
        [
            "corrects seq 11; the bowl came back with another weight",
            "corrects seq 12; the bowl came back with another weight",
        ]
    );
    for (row, net) in rows.iter().zip(["80.00", "60.00"]) {
        assert_eq!((row.net, row.verdict), (Some(g(net)), None));
        let beside = row.uncertainty.unwrap() - g(by);
        assert!(beside > Mass::ZERO && beside < g("0.05"), "{row:?}");
    }
}

#[test]
fn what_the_bowl_lost_over_a_restart_is_in_the_records_from_before_it() {
    // What was poured before the restart is taken out, and a little of what was recorded with it.
    let mut b = goes_on_with_two_in_a_bowl();
    b.hold(2.0).land(350.0).hold(3.0);
    b.expect_cue(CueKind::Choose);
    b.land(0.0).hold(3.0).land(339.5).hold(3.0);
    b.expect_cue(CueKind::Add);
    both_are_unsure_by(&b, "0.50");
    b.pour(374.5, 6.0).hold(5.0);
    let row = b.row();
    assert_eq!((row.tare, row.net), (Some(g("339.50")), Some(g("35.00"))));
    // By her word it is the bowl.
    let mut b = goes_on_with_two_in_a_bowl();
    b.hold(2.0).land(330.0).hold(3.0).say(Command::Next);
    b.expect_cue(CueKind::Add);
    both_are_unsure_by(&b, "10.00");
    // It is what it was.
    let mut b = goes_on_with_two_in_a_bowl();
    b.hold(2.0).land(340.02).hold(3.0).say(Command::Next);
    b.expect_cue(CueKind::Add);
    b.pour(375.0, 6.0).hold(5.0).land(0.0).hold(3.0);
    let corrects = |row: &Draft| row.note.starts_with("corrects");
    assert!(!b.rows.iter().any(corrects), "{:?}", b.rows);
}

#[test]
fn the_full_beaker_put_back_confirms_no_mixing() {
    let steps = vec![
        step(1, "Salt", "20.00", VesselWay::Beaker),
        Step {
            phase: 1,
            ..step(2, "Oil", "10.00", VesselWay::Beaker)
        },
    ];
    let mut plan = plan(steps, Some("Stir"));
    Arc::make_mut(&mut plan.steps[0]).last_of_phase = true;
    plan.phases.push(PlannedPhase {
        name: "Wet".into(),
        mix: None,
    });
    let mut b = Bench::new(plan);
    b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 6.0).hold(3.0);
    b.land(0.0).hold(3.0);
    b.expect_cue(CueKind::Mix);
    b.land(170.0).hold(3.0);
    assert!(
        b.last_say().contains("just weighed does"),
        "{}",
        b.last_say()
    );
    assert!(b.rows.iter().all(|row| row.kind != RowKind::Mixed));
    // Another one is the next vessel.
    b.land(0.0).hold(3.0).land(140.0).hold(3.0);
    assert!(b.rows.iter().any(|row| row.kind == RowKind::Mixed));
    b.expect_cue(CueKind::Add);
}

/// A bowl with a mixing to come: nothing more is weighed into it before that.
fn before_a_mixing() -> Bench {
    let steps = vec![step(1, "Salt", "60.00", VesselWay::Bowl)];
    let mut b = Bench::new(plan(steps, Some("Stir.")));
    b.hold(2.0).land(300.0).hold(2.0).pour(360.0, 6.0);
    while b.rows.is_empty() {
        b.hold(0.1);
    }
    b
}

#[test]
fn a_pinch_after_the_record_and_before_the_mixing_is_of_that_step() {
    let mut b = before_a_mixing();
    b.hold(0.5).pour(360.5, 0.3).hold(4.0);
    assert!(b.row().note.starts_with("corrects"), "{:?}", b.row());
    assert_eq!(b.row().net, Some(g("60.50")));
    b.expect_cue(CueKind::Mix);
}

/// The pan is all that tells of a spill beside the bowl.
#[test]
fn a_bowl_that_was_pressed_in_its_last_mixing_is_lifted_before_the_batch_closes() {
    let mut b = before_a_mixing();
    b.hold(4.0);
    b.expect_cue(CueKind::Mix);
    for above in [
        50.0, 110.0, 80.0, 30.0, 12.0, 80.0, 150.0, 90.0, 40.0, 10.0, 3.0, 0.4,
    ] {
        b.read(360.0 + above);
    }
    b.shown = 360.0;
    b.hold(3.0);
    b.expect_cue(CueKind::Lift);
    super::returns::asks(&b, "Lift the bowl: the batch is done then.");
    // Of what was spilt beside it the empty pan tells, and the record claims no more.
    b.land(5.0).hold(4.0);
    b.expect_cue(CueKind::Done);
    let row = super::unanswered::last_weighed(&b);
    assert!(row.uncertainty > Some(g("4.90")), "{row:?}");
}

#[test]
fn what_changes_a_little_once_the_mixing_is_asked_for_leaves_the_record_unsure() {
    let mut b = before_a_mixing();
    b.hold(4.0);
    b.expect_cue(CueKind::Mix);
    b.pour(359.6, 0.3).hold(3.0);
    let row = b.row().clone();
    assert_eq!((row.net, row.verdict), (Some(g("60.00")), None), "{row:?}");
    assert!(row.uncertainty > Some(g("0.40")), "{row:?}");
    // A spoon that stirs it where it stands says nothing of the weight.
    let mut b = before_a_mixing();
    b.hold(4.0)
        .pour(420.0, 0.5)
        .pour(340.0, 0.5)
        .pour(359.6, 0.5);
    b.hold(3.0);
    b.expect(&["60.00"]);
    assert_eq!(b.rows.len(), 1, "{:?}", b.rows.last());
}

#[test]
fn the_empty_pan_speaks_while_the_bowl_is_away_to_be_mixed() {
    let steps = vec![step(1, "Salt", "3.30", VesselWay::Bowl)];
    let mut b = Bench::new(plan(steps, Some("Stir.")));
    b.interval = 200;
    b.hold(2.0).land(22.74).hold(3.0).pour(26.03, 6.0).hold(6.0);
    b.expect_cue(CueKind::Mix);
    // On its way down it passes by what a key might have left of it.
    for shown in [25.77, 17.88, 5.02, 0.76, 0.31] {
        b.read(shown);
    }
    b.shown = 0.27;
    b.hold(3.0);
    let row = b.row().clone();
    assert!(row.note.contains("stayed on the pan"), "{row:?}");
    assert!(row.uncertainty > Some(g("0.27")), "{row:?}");
    assert!(
        b.last_say().starts_with("0.27 g stayed"),
        "{}",
        b.last_say()
    );
}

#[test]
fn of_a_source_nothing_is_asked_out_once_more() {
    let source = vec![step(1, "Oil", "12.00", VesselWay::Difference)];
    let mut b = Bench::new(plan(source, None));
    b.hold(2.0).land(150.0).hold(1.5).land(0.0).hold(2.0);
    b.land(138.0).hold(2.0);
    b.expect_cue(CueKind::Lift);
    b.pour(137.7, 0.5).hold(3.0);
    assert!(
        b.last_say()
            .starts_with("12.30 g came out: 0.30 g too much."),
        "{}",
        b.last_say()
    );
    assert!(!b.last_say().contains("Take it out"), "{}", b.last_say());
    assert_eq!(
        b.cues.last().unwrap().choices,
        [crate::vocabulary::command::Choice::Undo]
    );
}

/// Two phases of a step each, with a mixing between them.
fn two_phases(way: VesselWay) -> Bench {
    let mut steps = ["Salt", "Oil"].map(|name| step(1, name, "60.00", way));
    steps[0].last_of_phase = true;
    (steps[1].number, steps[1].phase) = (2, 1);
    let mut plan = plan(steps.to_vec(), Some("Stir."));
    plan.phases.push(plan.phases[0].clone());
    Bench::new(plan)
}

/// At the mixing between two beakers.
fn between_two_beakers() -> Bench {
    let mut b = two_phases(VesselWay::Beaker);
    b.beaker(60.0);
    b.expect_cue(CueKind::Mix);
    b
}

/// A word at the mixing says what comes next, and of the last one that nothing does.
#[test]
fn after_the_last_mixing_nothing_is_next() {
    let mut b = two_phases(VesselWay::Beaker);
    b.beaker(60.0);
    b.expect_cue(CueKind::Mix);
    assert_eq!(b.answer(Command::Next), "Mixed. On to the next.");
    b.hold(3.0).beaker(60.0);
    b.expect_cue(CueKind::Mix);
    assert_eq!(b.answer(Command::Next), "Mixed; that was the last.");
    b.hold(3.0);
    b.expect_cue(CueKind::Done);
}

#[test]
fn a_shove_of_the_empty_pan_is_no_vessel_and_confirms_no_mixing() {
    let mut b = between_two_beakers();
    b.land(1.45).hold(3.0);
    b.expect_cue(CueKind::Mix);
    assert!(b.last_say().starts_with("Only 1.45 g"), "{}", b.last_say());
    assert!(b.of_kind(RowKind::Mixed).is_empty());
    b.land(148.2).hold(3.0).pour(208.2, 6.0).hold(3.0);
    b.expect(&["60.00", "60.00"]);
    // Without a mixing: asked once, and what comes onto it is the vessel.
    let mut b = between_two_beakers();
    b.say(Command::Next).land(1.45).hold(3.0);
    assert!(b.last_say().starts_with("Only 1.45 g"), "{}", b.last_say());
    b.land(148.2).hold(3.0).pour(208.2, 6.0).hold(3.0);
    b.expect(&["60.00", "60.00"]);
}

#[test]
fn a_light_vessel_is_taken_by_a_word_and_known_from_then_on() {
    let mut b = between_two_beakers();
    b.say(Command::Next).land(2.0).hold(3.0);
    assert!(b.last_say().starts_with("Only 2.00 g"), "{}", b.last_say());
    b.say(Command::Next).hold(1.0);
    b.expect_cue(CueKind::Add);
    b.pour(62.0, 6.0).hold(3.0);
    b.expect(&["60.00", "60.00"]);
    let vessel = Mass::from_g(2);
    assert!(b.engine.is_known_vessel(vessel, Mass::from_mg(10)));
}

/// A wet bottle leaves a ring of water on the pan, or the zero moved while it stood there.
#[test]
fn what_the_pan_shows_while_a_source_is_away_is_in_the_uncertainty() {
    let source = vec![step(1, "Oil", "12.00", VesselWay::Difference)];
    let weighed = |away: f64, back: f64| {
        let mut b = Bench::new(plan(source.clone(), None));
        b.hold(2.0).land(150.0).hold(1.5).land(away).hold(2.0);
        b.land(back).hold(3.0);
        b.row().clone()
    };
    let row = weighed(0.15, 138.15);
    let sure = row.net.unwrap() - row.uncertainty.unwrap();
    assert!(
        sure < g("11.85") && row.uncertainty > Some(g("0.15")),
        "{row:?}"
    );
    assert_eq!(weighed(0.0, 138.0).verdict, Some(Verdict::Inside));
}

#[test]
fn the_first_readings_of_a_lift_leave_the_record_as_it_is() {
    let recorded = || {
        let mut b = Bench::one("Salt", "60.00");
        b.hold(2.0).land(150.0).hold(2.0).pour(210.0, 6.0);
        while b.rows.is_empty() {
            b.hold(0.1);
        }
        b
    };
    let mut b = recorded();
    b.interval = 300;
    for shown in [209.3, 120.0, 40.0, 9.0, 1.5, 0.2] {
        b.read(shown);
    }
    b.land(0.0).hold(3.0);
    let weighed = b.of_kind(RowKind::Weighed);
    assert_eq!(weighed.len(), 1, "{weighed:?}");
    // What sinks for longer than a lift takes was taken out.
    let mut b = recorded();
    for shown in [209.7, 209.6, 209.5, 209.4, 209.3, 209.2, 209.1] {
        b.read(shown);
    }
    b.land(0.0).hold(3.0);
    let row = b.of_kind(RowKind::Weighed).pop().cloned().unwrap();
    assert!(row.uncertainty > Some(g("0.80")), "{row:?}");
}

#[test]
fn a_bowl_lifted_after_the_first_grains_is_asked_about_when_it_is_back() {
    let steps = vec![step(1, "Salt", "3.00", VesselWay::Bowl)];
    let mut b = Bench::new(plan(steps, Some("Stir.")));
    b.hold(2.0).land(72.8).hold(2.0);
    b.expect_cue(CueKind::Add);
    b.pour(72.83, 0.3).land(0.0).hold(2.0).land(73.06).hold(3.0);
    b.expect_cue(CueKind::Choose);
    // As it was it is known.
    b.land(0.0).hold(2.0).land(72.8).hold(3.0);
    b.expect_cue(CueKind::Add);
}

#[test]
fn lines_that_give_no_weight_in_a_pour_are_told() {
    let mut b = Bench::one("Salt", "60.00");
    b.hold(2.0).land(150.0).hold(2.0).pour(170.0, 2.0);
    for _ in 0..40 {
        b.now += b.interval;
        b.engine.handle(0, Input::Alive, Moment(b.now * 1_000));
    }
    b.drain();
    assert!(
        b.last_say().contains("numbers without a unit"),
        "{}",
        b.last_say()
    );
    assert_eq!(b.faults, ["silent"]);
    // And once: what follows tells what is to be done.
    b.hold(3.0);
    assert!(!b.last_say().contains("without a unit"), "{}", b.last_say());
}

#[test]
fn who_set_something_down_before_the_pan_was_seen_empty_is_asked_for_a_word() {
    let mut b = two_phases(VesselWay::Bowl);
    b.hold(2.0).land(300.0).hold(2.0).pour(360.0, 6.0).hold(4.0);
    b.expect_cue(CueKind::Mix);
    // Off and back between two lines.
    b.read(250.0);
    b.shown = 340.0;
    b.hold(12.0);
    assert!(
        b.last_say().starts_with("Say next when it is stirred"),
        "{}",
        b.last_say()
    );
}

/// A bowl with 60 g in it that is back from the mixing, lighter by so much.
fn back_from_the_mixing(lost: f64) -> Bench {
    let mut b = Bench::new(stirred_between("60.00", "20.00"));
    b.hold(2.0)
        .land(1340.0)
        .hold(2.0)
        .pour(1400.0, 6.0)
        .hold(3.0);
    b.expect_cue(CueKind::Mix);
    b.land(0.0).hold(3.0).land(1400.0 - lost).hold(4.0);
    b
}

#[test]
fn what_a_spoon_takes_along_is_a_little_of_what_is_in_the_bowl_and_not_of_the_bowl() {
    let unsure = |b: &Bench| {
        let weight = b.rows.iter().rfind(|row| row.kind == RowKind::Weighed);
        weight.is_some_and(|row| row.verdict.is_none())
    };
    assert!(!unsure(&back_from_the_mixing(3.0)));
    // So much is less than a fiftieth of it all, and more than a third of what was weighed.
    assert!(unsure(&back_from_the_mixing(24.0)));
}

#[test]
fn the_batch_closes_once_the_bowl_that_is_back_has_come_to_rest() {
    let mut b = before_a_mixing();
    b.hold(4.0);
    b.expect_cue(CueKind::Mix);
    b.land(0.0).hold(3.0);
    b.say(Command::Next);
    // Half of it was poured away, and the scale takes eight seconds to show that.
    b.pour(300.0, 0.3).pour(330.0, 8.0).hold(3.0);
    assert!(b.rows.iter().any(|row| row.kind == RowKind::Closed));
    let weight = b.rows.iter().rfind(|row| row.kind == RowKind::Weighed);
    assert_eq!(weight.and_then(|row| row.verdict), None, "{weight:?}");
    assert!(weight.is_some_and(|row| row.uncertainty > Some(g("29.00"))));
}

#[test]
fn what_a_spoon_carries_off_before_the_pour_is_not_made_up_for_by_it() {
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(4.0);
    b.expect_cue(CueKind::Add);
    // A spoon presses as it stirs, and goes with 0.3 g; the next pour comes before a rest.
    b.pour(326.0, 0.3).hold(0.8).pour(319.7, 0.3).hold(0.5);
    b.pour(330.0, 4.0).hold(4.0);
    let row = b.rows.iter().rfind(|row| row.kind == RowKind::Weighed);
    let row = row.expect("a weight");
    assert_eq!(row.step, 2);
    assert!(
        row.verdict.is_none() && row.uncertainty > Some(g("0.29")),
        "{row:?}"
    );
}

#[test]
fn a_key_while_the_row_is_being_written_moves_the_frame() {
    // On the pan that the bowl has left; and on the bowl.
    for lifted in [true, false] {
        let mut b = Bench::new(two_in_a_bowl());
        b.hold(2.0).land(150.0).hold(2.0).jump(0.0).hold(1.5);
        b.disk_is_slow = true;
        b.pour(20.0, 4.0).hold(3.0);
        assert_eq!(b.waiting.len(), 1);
        if lifted {
            b.land(-150.0).hold(2.0).jump(0.0).hold(2.0);
            b.disk_answers().hold(1.0);
            b.expect_cue(CueKind::Place);
            b.land(170.0).hold(2.0).pour(180.0, 3.0).hold(2.0);
        } else {
            b.jump(0.0).hold(2.0);
            b.disk_answers().hold(1.0);
            b.expect_cue(CueKind::Add);
            b.pour(10.0, 3.0).hold(2.0);
        }
        b.expect(&["20.00", "10.00"]);
    }
}

/// What was spilt before a restart is no vessel to be asked after, and the one that comes next is.
#[test]
fn a_spill_that_lies_there_after_a_restart_is_not_taken_for_the_vessel() {
    let progress = Progress {
        tares: [(1, g("150.00"))].into(),
        resumed: true,
        ..Progress::default()
    };
    let mut b = Bench::with(vec![scale("bench")], soak(), progress);
    b.empty_pan = 0.0;
    b.read(0.0);
    b.land(1.9).hold(3.0);
    assert!(b.last_say().starts_with("Only 1.90 g"), "{}", b.last_say());
    b.land(140.0).hold(3.0);
    assert!(
        b.last_say().starts_with("The batch goes on with"),
        "{}",
        b.last_say()
    );
}
