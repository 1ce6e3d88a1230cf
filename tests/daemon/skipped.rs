//! A batch in which a step was left out with a reason: it has ended, and whatever tells of its weights says
//! what it lacks. Weighed at the real daemon, and read by every command that tells of batches.

use bismar::journal::batch::standing::{Lacking, Standing};
use bismar::journal::read::archive::Archive;
use bismar::journal::read::folder::log_of;
use bismar::journal::read::record;
use bismar::vocabulary::cue::CueKind;
use bismar::weighing::event::Event;

use crate::bench_side::formulas::SOAK;
use crate::bench_side::logs::{LOGS, cells, only_log};
use crate::bench_side::rig::Rig;

const LOTS: &str = "[[lot]]\nname = \"E-1\"\ningredient = \"Epsom salt\"\namount = \"100 g\"\n";

/// 50 g of sea salt, no Epsom salt although its lot was named, 20 g of oat flour.
fn weighed_without_epsom_salt() -> Rig {
    let mut rig = Rig::begun(SOAK, |_, text| text, |_| {});
    rig.person.file("home/.config/bismar/lots.toml", LOTS);
    rig.until(|rig| {
        let asked = rig.last.as_ref();
        asked.is_some_and(|cue| cue.step == 2 && cue.kind == CueKind::Place)
    });
    rig.hand.rest();
    rig.person.run(&["lot", "E-1"]).ended(0);
    rig.person.run(&["skip", "the bag is empty"]).ended(0);
    while !matches!(rig.turn(), Some(Event::Closed { .. })) {}
    let folder = rig.person.path(LOGS);
    let written = || {
        Archive::new(&folder, None)
            .list_open(1)
            .is_ok_and(|logs| logs.open.is_empty())
    };
    rig.daemon.until(written);
    rig
}

#[test]
fn a_batch_with_a_skipped_step_has_ended_and_is_told_as_incomplete_everywhere() {
    let rig = weighed_without_epsom_salt();
    let (person, log) = (&rig.person, only_log(&rig.person));
    let record = record::read(&log).unwrap();
    let lacks = Lacking {
        number: 2,
        ingredient: "Epsom salt".into(),
        skipped: Some("the bag is empty".into()),
    };
    assert_eq!(record.standing(), Standing::Incomplete(vec![lacks]));
    // The log has what it always had: the step's row holds nothing, and the batch came to its end.
    assert_eq!(cells(&log, "closed", "note"), ["complete"]);
    assert_eq!(
        cells(&log, "weighed", "note")[1],
        "skipped: the bag is empty"
    );
    assert!(record.ended && !record.is_complete());
    let batch = record.batch.as_str();
    assert_eq!(log_of(&person.path(LOGS), batch), Some(log.clone()));

    let prints = |words: &[&str]| person.run(words).ended(0).out;
    let says = "incomplete: Epsom salt skipped";
    let sheet = prints(&["sheet", batch, "--out", "-"]);
    assert!(sheet.contains(&format!("This batch is {says}.")), "{sheet}");
    assert!(sheet.contains("skipped: the bag is empty"), "{sheet}");
    assert!(sheet.contains("<td>2 steps;"), "{sheet}");

    let history = prints(&["history", "Marram soak"]);
    assert!(
        history.contains("1 batches, 0 of them complete"),
        "{history}"
    );
    let history = prints(&["history", "Epsom salt"]);
    assert!(history.contains("skipped, not in the chart"), "{history}");

    let trace = prints(&["trace", batch]);
    assert!(trace.ends_with(&format!("Batch {batch} is {says}.\n")));
    assert!(!trace.contains("E-1"), "{trace}");
    let none = prints(&["trace", "E-1"]);
    assert!(none.contains("no batch took from it"), "{none}");
    let lots = prints(&["lots"]);
    assert!(lots.contains("100.00"), "nothing was taken: {lots}");

    let label = person.run(&["declaration", batch]).ended(0);
    assert!(
        label.out.contains("\nINGREDIENTS: Sea salt, Oat flour\n"),
        "{label:?}"
    );
    let why = format!("batch {batch} is {says}; what is in it is declared");
    assert!(
        label.out.starts_with(&format!("NOT COMPLETE: {why}.\n")),
        "{label:?}"
    );
    // Said there, it is not said again.
    assert!(!label.err.contains(&why), "{label:?}");

    // As a lot of the next batch it is refused with what it lacks.
    person.begins();
    let refused = person.run(&["lot", batch]).ended(1).err;
    assert!(
        refused.contains(&format!(
            "lot {batch} is a batch that is not finished ({says})"
        )),
        "{refused}"
    );
    person.run(&["stop"]).ended(0);
    let filling = prints(&["fill", batch, "--fill", "10g"]);
    assert!(filling.contains(&format!("the batch is {says}; 2 weights are in its log")));
}
