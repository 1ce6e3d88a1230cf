//! One case, told in full.

use bismar::rehearsal::literal::{CaseSpec, Outcome, Told, run};
use bismar::weighing::event::Event;

pub fn print(spec: &CaseSpec) {
    println!("{:#?}\n{:?}\n{:?}", spec.scale, spec.traits, spec.planned);
    for step in &spec.plan.steps {
        println!(
            "step {}: {:?} {:?} .. {:?} {:?} last of phase {}",
            step.number, step.target, step.lowest, step.highest, step.vessel, step.last_of_phase
        );
    }
    println!("{:?}", spec.plan.phases);
    println!(
        "{:?}\nconfigured {:?} {:?}",
        spec.rack, spec.config.vessels, spec.config.scales
    );
}

/// Plays it and prints readings each 0.25 s, cues, rows, words and moves.
pub fn play(spec: &CaseSpec) -> Outcome {
    let mut last = f64::MIN;
    let outcome = run(spec, true, |at, told| {
        let t = at.seconds();
        match told {
            Told::Event(Event::Reading(live)) => {
                if t - last >= 0.25 {
                    last = t;
                    println!(
                        "{t:9.2}   {:?} net {:?} missing {:?} {}",
                        live.weight,
                        live.net,
                        live.missing,
                        if live.steady { "steady" } else { "" }
                    );
                }
            }
            Told::Event(Event::Cue(cue)) => println!(
                "{t:9.2} CUE {} [{}] {:?} {:?}",
                cue.kind.name(),
                cue.say,
                cue.missing,
                cue.choices
            ),
            Told::Event(Event::Log(draft)) => println!(
                "{t:9.2} draft {:?} step {} net {:?} {:?} {}",
                draft.kind, draft.step, draft.net, draft.verdict, draft.note
            ),
            Told::Event(event) => println!("{t:9.2} {event:?}"),
            Told::Hands(text) => println!("{t:9.2} HANDS {text}"),
            Told::Word(command, answer) => println!("{t:9.2} WORD {command:?} -> {answer}"),
            Told::Row(row) => println!(
                "{t:9.2} ROW {} {:?} step {} net {:?} U {:?} {}",
                row.seq,
                row.draft.kind,
                row.draft.step,
                row.draft.net,
                row.draft.uncertainty,
                row.draft.note
            ),
            Told::Calm => println!("{t:9.2} CALM"),
            Told::Killed => println!("{t:9.2} KILLED"),
            Told::Begun(progress) => println!("{t:9.2} BEGUN {progress:?}"),
        }
    });
    for (step, track) in &outcome.tracks {
        println!(
            "truth of step {step}: {:?}, lifted at {:?}",
            track.net(),
            track.lifts
        );
    }
    outcome
}
