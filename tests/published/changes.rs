//! A plan that changes under way, the plan of jars, and what is said of a plan's steps: worked by hand.

use bismar::formula::amend::{Added, Amendment, Cause, Retarget, added_steps, change_of};
use bismar::formula::contents::Known;
use bismar::formula::filling::{Fill, MOST_JARS};
use bismar::formula::plan::{BatchSize, PlanError};
use bismar::formula::remarks::ReadIn;
use bismar::formula::remedy::remedy;
use bismar::formula::{Formula, Plan, VesselWay, cautions, remarks};
use bismar::language::{Language, Sentence};
use bismar::mass::Mass;
use bismar::metrology::ScaleAbility;
use bismar::metrology::prepackage::Rule;
use bismar::vocabulary::command::Way;

use super::masses::{g, scale};

const D: Mass = Mass::from_mg(10);

fn formula(ingredients: &str) -> Formula {
    let text = format!("[formula]\nname = \"Two\"\n[[phase]]\ningredient = [{ingredients}]\n");
    Formula::parse(&text, "two.toml").unwrap_or_else(|e| panic!("{e}"))
}

fn planned(formula: &Formula, batch: &str, scales: &[ScaleAbility]) -> Plan {
    Plan::new(formula, BatchSize::Batch(g(batch)), scales, 2.0).unwrap_or_else(|e| panic!("{e}"))
}

/// What the plan of 100 g says beside its steps; whether the room on the scale is `asked` for.
fn beside(formula: &Formula, bench: &[ScaleAbility], asked: bool) -> Vec<Sentence> {
    let plan = planned(formula, "100", bench);
    let known = Known::default();
    remarks::lines(formula, &known, &plan, bench, 2.0, asked, ReadIn::File)
}

/// 100 g: 60 g of salt ± 1.2 g and 40 g of oats ± 0.8 g.
fn two() -> Plan {
    let text = "{ name = \"Salt\", percent = 60, tolerance = { percent = 2 } },\
                { name = \"Oats\", percent = 40, tolerance = { percent = 2 } }";
    planned(&formula(text), "100", &[scale("bench", "0.01", None)])
}

/// The change that a remedy of 66 g of salt, 6 g too much, makes of the plan.
fn over_pour(weighed: usize) -> Amendment {
    let plan = two();
    let parts = plan.held(|step| (step <= weighed).then(|| [g("66"), g("40")][step - 1]));
    assert_eq!((parts[0].held, parts[1].held), (g("66"), g("40")));
    let kept = remedy(Way::Keep, &parts, &[], D);
    assert_eq!(kept, None, "66 g are outside of 61.2 %");
    // 66 g are 60 % of 110 g, of which 40 % are 44 g.
    let found = remedy(Way::InProportion, &parts, &[], D).expect("a remedy");
    assert_eq!(found.add, [Mass::ZERO, g("4")]);
    change_of(&found, &parts, &plan, weighed + 1, |step| step <= weighed).expect("a change")
}

#[test]
fn what_is_still_to_come_gets_a_larger_target() {
    let change = over_pour(1);
    let wanted = Amendment {
        cause: Cause::InProportion,
        before: 2,
        add: vec![],
        later: vec![Retarget {
            step: 2,
            ng: g("44").ng(),
        }],
        parts: vec![g("66").ng(), g("44").ng()],
    };
    assert_eq!(change, wanted);
    let plan = two().amended(&change);
    assert_eq!((plan.batch, plan.steps.len()), (g("110"), 2));
    let oats = &plan.steps[1];
    assert_eq!(
        (oats.target, oats.lowest, oats.highest),
        (g("44"), g("43.2"), g("44.8"))
    );
    assert_eq!(plan.steps[0], two().steps[0]);
    assert_eq!(
        (plan.parts[0].target, plan.parts[1].target),
        (g("66"), g("44"))
    );
    assert_eq!(plan.phases.len(), 1);
}

#[test]
fn what_was_weighed_already_is_weighed_once_more_in_a_phase_of_its_own() {
    let change = over_pour(2);
    let more = Added {
        part: 1,
        ng: g("4").ng(),
    };
    assert_eq!((&change.add[..], &change.later[..]), (&[more][..], &[][..]));
    let plan = two().amended(&change);
    assert_eq!((plan.batch, plan.steps.len()), (g("110"), 3));
    let step = &plan.steps[2];
    assert_eq!((step.number, step.part, step.phase), (3, 1, 1));
    assert_eq!(
        (step.ingredient.as_str(), step.last_of_phase),
        ("Oats", true)
    );
    // What is tolerated of the whole, 0.8 g, is tolerated of the addition.
    assert_eq!(
        (step.target, step.lowest, step.highest),
        (g("4"), g("3.2"), g("4.8"))
    );
    assert_eq!(plan.phases[1].name, "Remedy");
    assert!(plan.phases[1].mix.is_some());
    // Both steps of the oats are in the batch, and a second remedy has another name.
    let held = plan.held(|step| Some([g("66"), g("40"), g("4.1")][step - 1]));
    assert_eq!((held[0].held, held[1].held), (g("66"), g("44.1")));
    let again = plan.amended(&Amendment {
        before: 4,
        ..change
    });
    assert_eq!(again.phases[2].name, "Remedy 2");
    // Of several added steps only the last one ends their phase.
    let both = Amendment {
        add: vec![more, Added { part: 0, ..more }],
        ..over_pour(2)
    };
    let ends = two().amended(&both);
    let ends: Vec<bool> = ends.steps.iter().map(|step| step.last_of_phase).collect();
    assert_eq!(ends, [false, true, false, true]);
    // What was weighed below nothing is nothing.
    assert_eq!(two().held(|_| Some(g("-1")))[0].held, Mass::ZERO);
}

/// 1 g of salt stayed in the beaker: it goes into the phase before, which ends with it; at least half of it is
/// asked for, though 1.2 g less were tolerated of the whole.
#[test]
fn what_stayed_in_a_beaker_is_weighed_before_its_phase_ends() {
    let residue = |before: usize, part: usize| Amendment {
        cause: Cause::Residue,
        before,
        add: vec![Added {
            part,
            ng: g("1").ng(),
        }],
        later: vec![],
        parts: vec![],
    };
    let plan = two().amended(&residue(3, 0));
    let ends: Vec<bool> = plan.steps.iter().map(|step| step.last_of_phase).collect();
    assert_eq!(ends, [false, false, true]);
    let step = &plan.steps[2];
    assert_eq!((step.lowest, step.highest), (g("0.5"), g("2.2")));
    assert_eq!((step.phase, plan.phases.len()), (0, 1));
    assert_eq!(plan.batch, g("100"), "no more is made");
    // In the middle of a phase it moves the later steps.
    let plan = two().amended(&residue(2, 0));
    let numbers: Vec<(usize, &str)> = (plan.steps.iter())
        .map(|step| (step.number, step.ingredient.as_str()))
        .collect();
    assert_eq!(numbers, [(1, "Salt"), (2, "Salt"), (3, "Oats")]);
    // What a plan does not have is left out, and nothing is weighed of nothing.
    assert_eq!(two().amended(&residue(2, 9)), two());
    let nothing = Amendment {
        add: vec![Added { part: 0, ng: 0 }],
        later: vec![Retarget { step: 9, ng: 5 }],
        ..residue(2, 0)
    };
    assert_eq!(two().amended(&nothing), two());
}

/// The log alone tells the change: what is written reads back, with its words for a person.
#[test]
fn the_note_of_a_change_reads_back() {
    let later = over_pour(1);
    let note = later.note(&two(), D);
    let (read, words) = Amendment::of_note(&note).expect("a note").expect("reads");
    assert_eq!(read, later);
    assert_eq!(words, "in proportion; 44.00 g Oats instead of 40.00 g");
    let added = Amendment {
        cause: Cause::LeastAdded,
        ..over_pour(2)
    };
    let note = added.note(&two(), D);
    let (read, words) = Amendment::of_note(&note).expect("a note").expect("reads");
    assert_eq!(read, added);
    assert_eq!(words, "least added; 4.00 g Oats more");
    for other in ["", "steps {\"steps\":[]}", "amended", "amended words"] {
        assert_eq!(Amendment::of_note(other), None, "{other}");
    }
    for broken in ["amended {", "amended {}", "amended {\"cause\":\"x\"}"] {
        assert!(Amendment::of_note(broken).unwrap().is_err(), "{broken}");
    }
}

/// Each change counts in the numbers that the one before left; the last numbers are told.
#[test]
fn added_steps_move_with_what_is_added_before_them() {
    let change = |before: usize, count: usize| Amendment {
        cause: Cause::Residue,
        before,
        add: vec![Added { part: 0, ng: 1 }; count],
        later: vec![],
        parts: vec![],
    };
    let added = |changes: &[Amendment]| Vec::from_iter(added_steps(changes));
    assert_eq!(added(&[]), [0usize; 0]);
    assert_eq!(added(&[change(3, 2)]), [3, 4]);
    assert_eq!(added(&[change(3, 2), change(2, 1)]), [2, 4, 5]);
    assert_eq!(added(&[change(2, 1), change(2, 1)]), [2, 3]);
    assert_eq!(added(&[change(2, 1), change(3, 1)]), [2, 3]);
    assert_eq!(added(&[change(4, 1), change(4, 0)]), [4]);
}

fn fill() -> Fill {
    Fill {
        nominal: g("55"),
        over: g("1.10"),
        rule: Rule::Eu76211,
        made: g("440"),
        first: 1,
        last: 8,
    }
}

#[test]
fn jars_are_filled_to_the_middle_between_the_label_and_the_most() {
    // 2 %, and 0.2 g at least.
    for (nominal, over) in [("55", "1.1"), ("10", "0.2"), ("5", "0.2"), ("11", "0.22")] {
        assert_eq!(Fill::usual_over(g(nominal)), g(over), "{nominal}");
    }
    for (made, jars) in [("440", 8), ("439.99", 7), ("0", 0), ("-55", 0)] {
        assert_eq!(Fill::hold(g("55"), g(made)), jars, "{made}");
    }
    let scales = [
        scale("shop", "1", None),
        scale("bench", "0.01", Some("56.10")),
    ];
    let plan = Plan::filling(fill(), "Two 1", &scales, 2.0).expect("a plan");
    assert_eq!((plan.batch, plan.jars), (g("440"), Some((8, g("55")))));
    assert_eq!((plan.steps.len(), plan.filling), (8, Some(fill())));
    for (i, step) in plan.steps.iter().enumerate() {
        assert_eq!((step.number, step.vessel), (i + 1, VesselWay::Jar));
        assert_eq!(
            (step.target, step.lowest, step.highest),
            (g("55.55"), g("55"), g("56.1"))
        );
        // The scale of 1 g steps cannot prove it.
        assert_eq!((step.scale, step.last_of_phase), (1, i == 7));
    }
    // Jars of an earlier filling count before these.
    let third = Fill { first: 3, ..fill() };
    let plan = Plan::filling(third, "Two 1", &scales, 2.0).expect("a plan");
    assert_eq!(plan.jars, Some((6, g("55"))));
}

#[test]
fn a_filling_that_makes_no_sense_is_refused_in_words() {
    let bench = |capacity| [scale("bench", "0.01", capacity)];
    let refused = |fill: Fill, scales: &[ScaleAbility]| {
        let error = Plan::filling(fill, "Two 1", scales, 2.0).expect_err("refused");
        assert!(matches!(error, PlanError::Filling(_)), "{error:?}");
        error.to_string()
    };
    assert_eq!(
        Plan::filling(fill(), "Two 1", &[], 2.0),
        Err(PlanError::NoScale)
    );
    for (nominal, over) in [("0", "1"), ("-1", "1"), ("55", "0"), ("55", "-1")] {
        let wrong = Fill {
            nominal: g(nominal),
            over: g(over),
            ..fill()
        };
        assert!(refused(wrong, &bench(None)).contains("more than nothing"));
    }
    for (first, last) in [(0, 8), (9, 8), (1, 0)] {
        let wrong = Fill {
            first,
            last,
            ..fill()
        };
        assert!(refused(wrong, &bench(None)).contains("not enough left"));
    }
    let one = Fill { first: 8, ..fill() };
    assert!(Plan::filling(one, "Two 1", &bench(None), 2.0).is_ok());
    let most = |last| Fill { last, ..fill() };
    assert!(Plan::filling(most(MOST_JARS), "Two 1", &bench(None), 2.0).is_ok());
    assert!(refused(most(MOST_JARS + 1), &bench(None)).contains("More than 2000"));
    assert_eq!(
        refused(fill(), &bench(Some("56.09"))),
        "No scale carries 56.10 g."
    );
    let coarse = [scale("shop", "1", None), scale("bench", "0.01", Some("9"))];
    let said = refused(fill(), &coarse);
    // The limits in the steps of the scale that is named.
    let words = "between 55 g and 56 g (the finest shows steps of 1 g). Let in more with --over";
    assert!(said.contains(words), "{said}");
}

/// 2 u on a scale of 0.01 g is 0.0116 g (JCGM 100, F.2.2.1; see `metrology`): of 1.20 g − 1 % there are left
/// 1.20 g and more, and on the other side 1.20 g at + 1 %, 1.21 g at + 2 %, 1.22 g at + 3 %.
#[test]
fn a_window_of_one_or_two_values_is_told_and_one_of_three_is_not() {
    let bench = [scale("bench", "0.01", None)];
    for (over, said) in [
        (1, Some("a single value")),
        (2, Some("only 2 values")),
        (3, None),
    ] {
        let formula = formula(&format!(
            "{{ name = \"Salt\", balance = true }}, {{ name = \"Oats\", percent = 1.2, \
             tolerance = {{ percent = 1, over = {over} }} }}"
        ));
        let lines = beside(&formula, &bench, true);
        assert_eq!(lines.len(), usize::from(said.is_some()), "{lines:?}");
        if let Some(words) = said {
            assert!(lines[0].starts_with("Step 2, Oats: the window has"));
            assert!(lines[0].contains(words), "{lines:?}");
        }
    }
}

/// A beaker of a common size weighs 100 g (common practice, no source): less room than that is told, and in a
/// bowl all counts that is in it by then.
#[test]
fn little_room_on_the_scale_is_told_where_it_is_asked_for() {
    let lines = |vessel: &str, capacity: &str, asked: bool| {
        let bench = [scale("bench", "0.01", Some(capacity))];
        let formula = formula(&format!(
            "{{ name = \"Salt\", percent = 60, vessel = \"{vessel}\" }}, \
             {{ name = \"Oats\", percent = 40, vessel = \"{vessel}\" }}"
        ));
        beside(&formula, &bench, asked)
    };
    assert_eq!(lines("beaker", "160", true), [""; 0]);
    let beaker = lines("beaker", "159.99", true);
    assert_eq!(
        beaker,
        ["Step 1, Salt: the scale \"bench\" has 99.99 g left for the vessel."]
    );
    assert_eq!(lines("beaker", "159.99", false), [""; 0]);
    assert_eq!(lines("bowl", "200", true), [""; 0]);
    let bowl = lines("bowl", "199.99", true);
    assert_eq!(bowl.len(), 1);
    assert!(bowl[0].starts_with("Step 2, Oats: the scale \"bench\" has 99.99 g left for the bowl"));
    let source = lines("difference", "159", true);
    assert!(
        source[0].contains("99.00 g left for the source"),
        "{source:?}"
    );
}

#[test]
fn what_clings_is_told_of_in_a_beaker_only() {
    let bench = [scale("bench", "0.01", None)];
    for (vessel, told) in [("beaker", true), ("bowl", false), ("difference", false)] {
        let formula = formula(&format!(
            "{{ name = \"Salt\", percent = 60 }}, {{ name = \"Honey\", percent = 40, vessel = \"{vessel}\" }}"
        ));
        let lines = beside(&formula, &bench, true);
        assert_eq!(lines.len(), usize::from(told), "{vessel}: {lines:?}");
        if told {
            assert!(lines[0].starts_with("Step 2, Honey: what clings to the beaker"));
        }
    }
}

/// The file's way to write a vessel (`vessel = "..."`, DEVELOPERS.md) is told to who reads a file; a form has no such
/// words, in no language.
#[test]
fn a_form_is_told_of_no_key_of_the_file_and_a_reader_of_the_file_is() {
    let bench = [
        scale("shop", "1", Some("1090")),
        scale("fine", "0.001", Some("100")),
    ];
    // Oats: 5 g, 1 % of them below a step of the scale that carries the bowl.
    let formula = formula(
        "{ name = \"Salt\", percent = 60, vessel = \"bowl\" }, { name = \"Honey\", percent = 39.5 }, \
         { name = \"Oats\", percent = 0.5, vessel = \"bowl\", tolerance = { percent = 1 } }",
    );
    let plan = planned(&formula, "1000", &bench);
    let remarks = |read_in| {
        let steps = plan.steps.iter().map(AsRef::as_ref);
        let steps = steps.zip(cautions::clinging(&formula, &Known::default()));
        let of_step = |(step, clings)| {
            let all = remarks::of_step(&plan, step, clings, &bench, 2.0, true, read_in);
            all.collect::<Vec<_>>()
        };
        steps.flat_map(of_step).collect::<Vec<_>>()
    };
    let (file, form) = (remarks(ReadIn::File), remarks(ReadIn::Form));
    assert_eq!(file.len(), form.len());
    for language in [Language::English, Language::German, Language::French] {
        let keys = file.iter().map(|one| {
            let said = one.in_language(language);
            said.matches("vessel = \"").count()
        });
        // By difference on the finer scale, and for want of room; in two other ways than in a beaker that keeps some.
        assert_eq!(keys.sum::<usize>(), 4, "{file:?}");
        for one in &form {
            let said = one.in_language(language);
            assert!(!said.contains("vessel") && !said.contains('{'), "{said}");
        }
    }
}
