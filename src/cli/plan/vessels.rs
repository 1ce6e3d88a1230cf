//! Which known vessel fits which step, and what its scale carries then.

use std::fmt::Write as _;

use crate::cli::batch_table::paragraph;
use crate::config::VesselConfig;
use crate::formula::{Plan, Step, VesselWay};
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
    text.push_str("\nVessels\n");
    let heads = [
        "",
        "way",
        "in it g",
        "vessel",
        "with it g",
        "carries g",
        "scale",
    ];
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
        remarks.push(format!(
            "Without a capacity in the configuration, and so not looked at: {}.",
            unknown.join(", ")
        ));
    }
    for remark in remarks {
        paragraph(text, "- ", &remark);
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
    let grams = |mass: Mass| mass.grams(d).to_string();
    let up_to = |what: &str, mass: Option<Mass>| match mass {
        Some(mass) => format!("{what} up to {} g", grams(mass)),
        None => what.to_owned(),
    };
    let left = need.heaviest.1.capacity.map(|most| most - need.heaviest.0);
    let (vessel, with) = match fit {
        Fit::Vessel(vessel) => (vessel.name.clone(), grams(vessel.weight + need.content)),
        // Before it is poured from, all of it is on the scale.
        Fit::Source => (up_to("full source", need.scale.capacity), "-".into()),
        Fit::NoneKnown => (up_to("any", left), "-".into()),
        Fit::TooHeavy(_) | Fit::TooSmall => ("NONE FITS".into(), "-".into()),
    };
    let carries = need.scale.capacity.map_or("not known".into(), grams);
    let way = match need.step.vessel {
        VesselWay::Difference => "diff.",
        way @ (VesselWay::Beaker | VesselWay::Bowl | VesselWay::Jar) => way.name(),
    };
    let cells = [
        &need.step.number.to_string(),
        way,
        &grams(need.content),
        cut(&vessel, VESSEL),
        &with,
        &carries,
        cut(&need.scale.name, 9),
    ];
    let _ = writeln!(text, "{}", line(1, &COLUMNS, cells));
}

const COLUMNS: [Column; 7] = [R(3), L(6), R(9), L(VESSEL), R(9), R(9), REST];
const VESSEL: usize = 28;

fn remark(need: &Need, fit: &Fit) -> Option<String> {
    let step = match need.step.vessel {
        VesselWay::Bowl => "The bowl".to_owned(),
        VesselWay::Beaker | VesselWay::Difference | VesselWay::Jar => {
            format!("Step {}, {}", need.step.number, need.step.ingredient)
        }
    };
    let (content, scale) = need.heaviest;
    let d = scale.readability;
    let left = scale.capacity.map(|most| most - content);
    let room = left.map_or(String::new(), |left| {
        let left = left.max(Mass::ZERO).grams(d);
        format!(" and weighs at most {left} g")
    });
    match fit {
        Fit::TooSmall => Some(format!(
            "{step}: no known vessel holds {} g. Take one that does{room}, or make a smaller batch.",
            need.hold.grams(d)
        )),
        Fit::TooHeavy(lightest) => Some(format!(
            "{step}: with the lightest known vessel that holds {} g (\"{}\", {} g) the scale \"{}\" \
             would carry {} g, and it carries {} g. Take a vessel that holds it{room}, or make a \
             smaller batch.",
            need.hold.grams(d),
            lightest.name,
            lightest.weight.grams(d),
            scale.name,
            (lightest.weight + content).grams(d),
            scale.capacity.unwrap_or_default().grams(d),
        )),
        Fit::Vessel(_) | Fit::Source => None,
        // Nothing is left where a full scale is all product.
        Fit::NoneKnown => left.filter(|left| *left <= Mass::ZERO).map(|_| {
            format!(
                "{step}: nothing is left for a vessel on the scale \"{}\". Make a smaller batch.",
                scale.name
            )
        }),
    }
}
