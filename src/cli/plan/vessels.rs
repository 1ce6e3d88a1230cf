//! The known vessels that fit a step, and what its scale carries then.

use std::fmt::Write as _;

use crate::cli::batch_table::{paragraph, way};
use crate::cli::{heads, number, said};
use crate::config::VesselConfig;
use crate::formula::{Plan, Step, VesselWay};
use crate::language::{Sentence, Term, phrase, term};
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::text::columns::Column::{Left as L, Right as R};
use crate::text::columns::{Column, REST, cut, line};

/// What a step needs of its vessel.
struct Need<'p> {
    step: &'p Step,
    scale: &'p ScaleAbility,
    /// What is in the vessel at the end of the step.
    content: Mass,
    /// What the vessel must hold: of the bowl the whole batch, which comes into it in the end.
    hold: Mass,
    /// The heaviest content on any scale that this vessel comes to, with that scale.
    heaviest: (Mass, &'p ScaleAbility),
}

/// How a step is served.
enum Fit<'v> {
    Vessel(&'v VesselConfig),
    /// The source's own bottle, weighed before and after.
    Source,
    /// No vessel is known whose capacity is known.
    NoneKnown,
    /// Some hold it, and with each of them the scale would carry too much: the lightest.
    TooHeavy(&'v VesselConfig),
    TooSmall,
}

/// Adds the section; gives whether every step fits, as far as vessels are known.
pub fn section(
    text: &mut String,
    plan: &Plan,
    scales: &[ScaleAbility],
    vessels: &[VesselConfig],
) -> bool {
    let needs = needs(plan, scales);
    text.push_str(&said(phrase!("\nVessels\n")));
    let heads = heads([
        term!("way"),
        term!("in it g"),
        term!("vessel"),
        term!("with it g"),
        term!("carries g"),
        term!("scale"),
    ]);
    let [way, content, vessel, with, carries, scale] = heads.each_ref();
    let heads = ["", way, content, vessel, with, carries, scale];
    let _ = writeln!(text, "{}", line(1, &COLUMNS, heads));
    let (mut remarks, mut bowl_told) = (Vec::new(), false);
    for need in &needs {
        let fit = fit(need, vessels);
        row(text, need, &fit);
        let bowl = need.step.vessel == VesselWay::Bowl;
        // There is one bowl, and one thing to say of it.
        if !(bowl && bowl_told) {
            remarks.extend(remark(need, &fit));
        }
        bowl_told |= bowl;
    }
    let fits = remarks.is_empty();
    let unknown: Vec<&str> = vessels
        .iter()
        .filter(|v| v.capacity.is_none())
        .map(|v| v.name.as_str())
        .collect();
    if !unknown.is_empty() {
        remarks.push(phrase!(
            "Without a capacity in the configuration, and so not looked at: {names}.",
            names = unknown.join(", "),
        ));
    }
    for remark in remarks {
        paragraph(text, "- ", &said(remark));
    }
    fits
}

fn needs<'p>(plan: &'p Plan, scales: &'p [ScaleAbility]) -> Vec<Need<'p>> {
    let mut poured = Mass::ZERO;
    let mut needs: Vec<Need> = Vec::new();
    for step in &plan.steps {
        poured += step.target;
        let Some(scale) = scales.get(step.scale) else {
            continue;
        };
        let (content, hold) = match step.vessel {
            // What was weighed apart before is in the mixing vessel by then.
            VesselWay::Bowl => (poured, plan.batch),
            VesselWay::Beaker | VesselWay::Difference | VesselWay::Jar => {
                (step.target, step.target)
            }
        };
        let heaviest = (content, scale);
        needs.push(Need {
            step,
            scale,
            content,
            hold,
            heaviest,
        });
    }
    // One bowl serves all bowl steps: it is chosen by the step that leaves it the least room.
    let room = |(content, scale): (Mass, &ScaleAbility)| scale.capacity.map(|most| most - content);
    let bowl = |need: &&Need| need.step.vessel == VesselWay::Bowl;
    let tightest = needs.iter().filter(bowl).map(|need| need.heaviest);
    let tightest = tightest
        .filter(|heaviest| room(*heaviest).is_some())
        .min_by_key(|heaviest| room(*heaviest));
    if let Some(tightest) = tightest {
        for need in &mut needs {
            if need.step.vessel == VesselWay::Bowl {
                need.heaviest = tightest;
            }
        }
    }
    needs
}

fn fit<'v>(need: &Need, vessels: &'v [VesselConfig]) -> Fit<'v> {
    if need.step.vessel == VesselWay::Difference {
        return Fit::Source;
    }
    let mut known = vessels
        .iter()
        .filter_map(|v| Some((v, v.capacity?)))
        .peekable();
    if known.peek().is_none() {
        return Fit::NoneKnown;
    }
    let mut hold: Vec<_> = known.filter(|(_, holds)| *holds >= need.hold).collect();
    hold.sort_by_key(|(vessel, holds)| (*holds, vessel.weight));
    let (content, scale) = need.heaviest;
    let carried = |v: &VesselConfig| scale.capacity.is_none_or(|most| v.weight + content <= most);
    match hold.iter().find(|(vessel, _)| carried(vessel)) {
        Some((vessel, _)) => Fit::Vessel(vessel),
        None => match hold.iter().min_by_key(|(vessel, _)| vessel.weight) {
            Some((lightest, _)) => Fit::TooHeavy(lightest),
            None => Fit::TooSmall,
        },
    }
}

fn row(text: &mut String, need: &Need, fit: &Fit) {
    let d = need.scale.readability;
    let grams = |mass: Mass| number(mass.grams(d));
    let up_to = |what: Term, mass: Option<Mass>| match mass {
        Some(mass) => said(phrase!(
            "{what} up to {grams} g",
            what,
            grams = mass.grams(d)
        )),
        None => said(what),
    };
    let left = need.heaviest.1.capacity.map(|most| most - need.heaviest.0);
    let (vessel, with) = match fit {
        Fit::Vessel(vessel) => (vessel.name.clone(), grams(vessel.weight + need.content)),
        // Before it is poured from, all of it is on the scale.
        Fit::Source => (up_to(term!("full source"), need.scale.capacity), "-".into()),
        Fit::NoneKnown => (up_to(term!("any"), left), "-".into()),
        Fit::TooHeavy(_) | Fit::TooSmall => (said(term!("NONE FITS")), "-".into()),
    };
    let carries = need
        .scale
        .capacity
        .map_or_else(|| said(term!("not known")), grams);
    let way = said(way(need.step.vessel));
    let scale = said(need.scale.told());
    let cells = [
        &need.step.number.to_string(),
        &way,
        &grams(need.content),
        cut(&vessel, VESSEL),
        &with,
        &carries,
        cut(&scale, 9),
    ];
    let _ = writeln!(text, "{}", line(1, &COLUMNS, cells));
}

const COLUMNS: [Column; 7] = [R(3), L(6), R(9), L(VESSEL), R(9), R(9), REST];
const VESSEL: usize = 28;

fn remark(need: &Need, fit: &Fit) -> Option<Sentence> {
    let step = match need.step.vessel {
        VesselWay::Bowl => phrase!("The bowl"),
        VesselWay::Beaker | VesselWay::Difference | VesselWay::Jar => phrase!(
            "Step {number}, {name}",
            number = need.step.number,
            name = &need.step.ingredient,
        ),
    };
    let (content, scale) = need.heaviest;
    let d = scale.readability;
    let left = scale.capacity.map(|most| most - content);
    let room = left.map_or(Sentence::none(), |left| {
        let left = left.max(Mass::ZERO).grams(d);
        phrase!(" and weighs at most {left} g", left)
    });
    match fit {
        Fit::TooSmall => Some(phrase!(
            "{step}: no known vessel holds {hold} g. Take one that does{room}, or make a smaller batch.",
            step,
            hold = need.hold.grams(d),
            room,
        )),
        Fit::TooHeavy(lightest) => Some(phrase!(
            "{step}: with the lightest known vessel that holds {hold} g (\"{vessel}\", {weight} g) the scale \"{scale}\" would \
             carry {load} g, and it carries {most} g. Take a vessel that holds it{room}, or make a smaller batch.",
            step,
            hold = need.hold.grams(d),
            vessel = &lightest.name,
            weight = lightest.weight.grams(d),
            scale = scale.told(),
            load = (lightest.weight + content).grams(d),
            most = scale.capacity.unwrap_or_default().grams(d),
            room,
        )),
        Fit::Vessel(_) | Fit::Source => None,
        // Nothing is left where a full scale is all product.
        Fit::NoneKnown => left.filter(|left| *left <= Mass::ZERO).map(|_| {
            phrase!(
                "{step}: nothing is left for a vessel on the scale \"{scale}\". Make a smaller batch.",
                step,
                scale = scale.told(),
            )
        }),
    }
}
