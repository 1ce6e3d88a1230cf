//! The sentences. Short imperatives; the number first when pouring: what is missing, not what is
//! there. No sentence needs a colour, a shape or a sound to be understood.

use crate::formula::{Step, VesselWay};
use crate::mass::{Grams, Mass, Unit};
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::Ask;

/// A sentence, and what a program may know of it.
#[derive(Debug, Clone)]
pub(super) struct Words {
    pub say: String,
    /// See [`crate::vocabulary::cue::Cue`].
    pub lead: usize,
    pub asks: Option<Ask>,
}

impl From<String> for Words {
    fn from(say: String) -> Words {
        Words {
            say,
            lead: 0,
            asks: None,
        }
    }
}

impl From<&str> for Words {
    fn from(say: &str) -> Words {
        Words::from(say.to_owned())
    }
}

impl Words {
    fn led(amount: Grams, what: &str) -> Words {
        let lead = format!("{amount} g ");
        Words {
            say: format!("{lead}{what}"),
            lead: lead.chars().count(),
            asks: None,
        }
    }

    pub fn asking(self, ask: Ask) -> Words {
        Words {
            asks: Some(ask),
            ..self
        }
    }

    /// With another sentence before it.
    pub fn after(self, before: &str) -> Words {
        Words {
            say: format!("{before} {}", self.say),
            lead: 0,
            ..self
        }
    }
}

fn vessel(way: VesselWay) -> &'static str {
    match way {
        VesselWay::Beaker => "beaker",
        VesselWay::Bowl => "bowl",
        VesselWay::Difference => "source",
        VesselWay::Jar => "jar",
    }
}

pub(super) fn place(step: &Step, d: Mass, scale: Option<&str>, fresh: bool) -> String {
    let on = scale.map_or(String::new(), |name| format!(" on scale {name}"));
    let target = step.target.shown(d);
    let name = &step.ingredient;
    match step.vessel {
        VesselWay::Beaker => format!("Place an empty beaker{on}: {target} g {name} comes next."),
        VesselWay::Bowl if fresh => {
            format!("Place the empty bowl{on}: {target} g {name} comes next.")
        }
        VesselWay::Bowl => format!("Place the bowl{on}: {target} g {name} comes next."),
        VesselWay::Difference => {
            format!("Place {name} in its bottle{on}: {target} g comes out of it.")
        }
        VesselWay::Jar => format!("Place empty jar {}{on}: {target} g goes in.", step.number),
    }
}

pub(super) fn add(step: &Step, missing: Mass, d: Mass) -> Words {
    let name = &step.ingredient;
    let what = match step.vessel {
        VesselWay::Difference => format!("to take from {name}, then put it back."),
        VesselWay::Jar => "to fill in.".to_owned(),
        VesselWay::Beaker | VesselWay::Bowl => format!("to add: {name}."),
    };
    Words::led(missing.shown(d), &what)
}

pub(super) fn ease_off(missing: Mass, d: Mass) -> Words {
    Words::led(missing.max(Mass::ZERO).shown(d), "left. Ease off.")
}

/// `at_once`: it came in one go, as a thing does that is laid down.
pub(super) fn take_out(step: &Step, over: Mass, d: Mass, at_once: bool) -> Words {
    let name = &step.ingredient;
    let mut what = match step.vessel {
        VesselWay::Difference => {
            format!("too much came out of {name}. Keep it, or begin this step again.")
        }
        VesselWay::Jar => "to take out of the jar.".to_owned(),
        VesselWay::Beaker | VesselWay::Bowl => format!("to take out: {name}."),
    };
    if at_once && step.vessel != VesselWay::Difference {
        what.push_str(" If something was laid there, take that off instead.");
    }
    Words::led(over.shown(d), &what)
}

pub(super) fn recorded(way: VesselWay, net: Mass, d: Mass, stays: bool) -> String {
    let net = net.shown(d);
    match way {
        VesselWay::Beaker => format!("Recorded {net} g. Lift the beaker."),
        VesselWay::Difference => format!("Recorded {net} g. Lift the bottle."),
        VesselWay::Bowl if stays => format!("Recorded {net} g."),
        VesselWay::Bowl => format!("Recorded {net} g. Lift the bowl."),
        VesselWay::Jar => format!("Recorded {net} g. Lift the jar."),
    }
}

pub(super) fn mix(phase: &str, text: &str) -> String {
    let text = text.trim().trim_end_matches('.');
    format!(
        "{phase} is weighed. {text}. Then say next, press the pan twice, or place the next vessel."
    )
}

pub(super) fn lift_the_bowl() -> String {
    "Lift the bowl: the batch is done then.".into()
}

pub(super) fn last_mix(phase: &str, text: &str) -> String {
    let text = text.trim().trim_end_matches('.');
    format!("{phase} is weighed. {text}. Then say next or press the pan twice: the batch is done.")
}

pub(super) fn away(step: &Step, missing: Mass, d: Mass) -> String {
    format!(
        "Put the {} back: {} g {} still to add.",
        vessel(step.vessel),
        missing.shown(d),
        step.ingredient
    )
}

/// `choices`: what a word can do meanwhile.
pub(super) fn away_with_too_much(
    step: &Step,
    missing: Mass,
    d: Mass,
    choices: &[Choice],
) -> String {
    let more = match (
        choices.contains(&Choice::Keep),
        choices.contains(&Choice::Again),
    ) {
        (true, true) => "; or keep it, or begin again",
        (true, false) => "; or keep it",
        (false, true) => "; or begin again",
        (false, false) => "",
    };
    format!(
        "{} g {} too much. Put the {} back to take some out{more}.",
        (-missing).shown(d),
        step.ingredient,
        vessel(step.vessel)
    )
}

/// What was asked out is there still, though the tare was seen.
pub(super) fn in_vain(step: &Step, over: Mass, d: Mass, choices: &[Choice]) -> String {
    let (over, thing) = (over.shown(d), vessel(step.vessel));
    let again = match choices.contains(&Choice::Again) {
        true => format!("; or say again, and begin this step with an empty {thing}"),
        false => String::new(),
    };
    format!(
        "{over} g too much is there still. Take off what does not belong to the {thing}. Say keep if it stays so{again}."
    )
}

pub(super) fn back_to_weigh(way: VesselWay) -> String {
    format!(
        "Put the {} back and let it rest: it is not recorded yet.",
        vessel(way)
    )
}

pub(super) fn lift_to_check(way: VesselWay, net: Mass, d: Mass, inside: bool) -> String {
    format!(
        "{} g, {}. Lift the {} now: that proves the tare.",
        net.shown(d),
        if inside {
            "inside"
        } else {
            "too much as it seems"
        },
        vessel(way)
    )
}

pub(super) fn lift_and_back(way: VesselWay) -> String {
    let thing = vessel(way);
    format!(
        "The tare must be seen again. Lift the {thing}, wait for the scale to rest, put the {thing} back."
    )
}

/// `afresh`: it holds nothing but this step's ingredient, so that it can be emptied. `often`: it was asked
/// before, and a word will do.
pub(super) fn unsure(step: &Step, afresh: bool, often: bool) -> String {
    let (thing, name) = (vessel(step.vessel), &step.ingredient);
    if often && step.vessel == VesselWay::Difference {
        return format!(
            "Still not sure of the {thing}'s weight. Say next if none of it was taken out yet; or if some was, say again."
        );
    }
    if often {
        return format!(
            "Still not sure of the tare. Say next if no {name} is in the {thing} yet; or if some is, lift it off, take \
             that out, and place it again."
        );
    }
    match step.vessel {
        VesselWay::Bowl if !afresh => format!(
            "Not sure of the tare: some {name} may have gone in before the bowl was at rest. Lift it off, take that \
             out, and place it again."
        ),
        VesselWay::Difference => format!(
            "Not sure of the {thing}'s weight. Lift it off, wait for the scale to rest, put it back."
        ),
        VesselWay::Beaker | VesselWay::Bowl | VesselWay::Jar => format!(
            "Not sure of the tare: something may have gone in before the {thing} was at rest. Lift it off, \
             empty it, and place it again."
        ),
    }
}

/// `way`: how the running step is weighed, if nothing of it was weighed yet.
pub(super) fn overload(way: Option<VesselWay>) -> String {
    match way {
        None => "Too much for this scale. Take something off.".into(),
        Some(VesselWay::Difference) => {
            "Too much for this scale. Take it off: fill some into a lighter bottle, and place that."
                .into()
        }
        Some(way) => format!(
            "Too much for this scale. Take it off, and place a lighter {}.",
            vessel(way)
        ),
    }
}

pub(super) fn settling() -> String {
    "Leave it there: the scale comes to rest.".into()
}

pub(super) fn too_soon(way: VesselWay) -> String {
    let thing = vessel(way);
    format!(
        "Too soon: the empty scale was not at rest. Lift the {thing} off; it is asked for when the scale is at rest."
    )
}

pub(super) fn other_bowl() -> String {
    "This is not what the bowl weighed when it left. Put the right bowl on; or say next if this is it, \
     with nothing of the next ingredient in it."
        .into()
}

pub(super) fn same_again(step: &Step, afresh: bool) -> String {
    let (thing, name) = (vessel(step.vessel), &step.ingredient);
    if !afresh {
        return format!(
            "The {thing} weighs what it did before. Say next if no {name} is in it yet; if some is, lift it off and \
             take that out first."
        );
    }
    format!(
        "The {thing} weighs what it did before. Say next if it is empty; say again if it is not."
    )
}

pub(super) fn resumed(step: &Step) -> String {
    let (thing, name) = (vessel(step.vessel), &step.ingredient);
    if step.vessel == VesselWay::Difference {
        return format!(
            "The batch goes on with {name}. Say next if none was taken out for this step yet; if some was, put it back first."
        );
    }
    if step.vessel == VesselWay::Bowl {
        // Some of it may be in the bowl from an earlier step.
        let grams = step.target.grams(Mass::from_g(1));
        return format!(
            "The batch goes on with {grams} g {name}. Say next if nothing of that is in the bowl yet; if some is, lift the bowl off and take that out first."
        );
    }
    format!(
        "The batch goes on with {name}. Say next if the {thing} holds no {name} yet; if it does, lift it off and take that out first."
    )
}

pub(super) fn just_weighed(way: VesselWay) -> String {
    format!(
        "That weighs what the {0} just weighed does. Lift it off and place an empty {0}; if it is another \
         one, and empty, say next.",
        vessel(way)
    )
}

/// `plausible`: it can be the vessel, going by its weight.
/// A vessel may stand there that the scale does not show.
pub(super) fn may_stand_there(way: VesselWay) -> String {
    let thing = vessel(way);
    format!(
        "If the {thing} stands on the scale already, lift it off, wait a moment, and put it back."
    )
}

/// Something came onto the empty pan that weighs less than a vessel may.
pub(super) fn too_little(way: VesselWay, came: Mass, least: Mass, d: Mass) -> String {
    let (came, least, thing) = (grams(came, d), grams(least, d), vessel(way));
    format!(
        "{came} g came onto the scale: a {thing} must weigh more than {least} g here. Use a heavier one; or take it off."
    )
}

/// The source came back as it left, more than once.
pub(super) fn gives_nothing(step: &Step) -> String {
    format!(
        "Nothing came out of {}. If its bottle is empty, say again, and place another one.",
        step.ingredient
    )
}

/// Nothing more came out of it.
pub(super) fn no_more(step: &Step, missing: Mass, d: Mass) -> String {
    format!(
        "{} g of {} are missing still. Say keep if that was the last of it.",
        missing.shown(d),
        step.ingredient
    )
}

/// It was put back as it stood when it was asked about.
pub(super) fn as_it_stands(way: VesselWay, next: bool) -> String {
    match (next, way) {
        (true, _) => "It is as it was when it was asked about. Say next, and go on with what is in it now.".into(),
        (false, VesselWay::Difference) => {
            "It is as it was when it was asked about. Say again, and nothing of what came out of it is counted.".into()
        }
        (false, _) => format!(
            "It is as it was when it was asked about. Say again, and begin this step with an empty {}.",
            vessel(way)
        ),
    }
}

pub(super) fn stranger(way: VesselWay, plausible: bool, afresh: bool) -> String {
    let thing = vessel(way);
    // A bowl with earlier steps in it cannot be emptied.
    let bowl = way == VesselWay::Bowl && !afresh;
    if !plausible && way == VesselWay::Difference {
        return format!(
            "Not as it left, going by its weight. Put the first {thing} back; or say again, and nothing of what came \
             out of it is counted."
        );
    }
    if !plausible && !bowl {
        return format!(
            "Not as it left, going by its weight. Say again and begin this step with an empty {thing}."
        );
    }
    if !plausible {
        return "This is not the bowl as it left, going by its weight. Put the bowl back as it was; or say next, and go on with what is in it now.".into();
    }
    if bowl {
        return "The bowl is not as it left. Say next if it is the same bowl, with nothing else in it.".into();
    }
    format!(
        "Not as it left. Say again and begin this step with an empty {thing}; or say next, but only if it is the very same {thing}."
    )
}

/// Less is in the vessel than at its last rest; or (`moving`) it was less for a while, and more was poured on.
pub(super) fn fell(step: &Step, by: Mass, d: Mass, moving: bool, afresh: bool) -> String {
    let (by, name) = (by.shown(d), &step.ingredient);
    let by = match moving {
        true => format!("It fell by {by} g or more on the way"),
        false => format!("{by} g less than before"),
    };
    if afresh {
        return format!(
            "{by}. Say next if that much {name} was taken out, or if something only pressed \
             on it; say again and begin anew if something else lay on the scale."
        );
    }
    format!("{by}. Put it back; or say next, and go on with what is in it now.")
}

pub(super) fn clear(way: VesselWay) -> String {
    let next = match way {
        VesselWay::Beaker => "a fresh beaker",
        VesselWay::Bowl => "the bowl",
        VesselWay::Difference => "the bottle",
        VesselWay::Jar => "an empty jar",
    };
    format!("Lift everything off the scale; {next} comes next. Say next if nothing is on it.")
}

/// It was told to be lifted, and the scale shows zero.
pub(super) fn lift_or_next() -> String {
    "Lift everything off the scale; say next if nothing is on it.".into()
}

pub(super) fn lot(name: &str) -> Words {
    Words::from(format!("Name the lot of {name}. The weight waits for it.")).asking(Ask::Lot)
}

pub(super) fn unit(unit: Unit) -> String {
    let unit = unit.symbol();
    format!("The scale is on {unit}, too coarse for this step. Set it to g.")
}

pub(super) fn unit_changed(unit: Unit, usual: Unit) -> String {
    let (unit, usual) = (unit.symbol(), usual.symbol());
    format!(
        "The scale shows {unit} now; weights are converted. Press the unit key until it shows {usual} again."
    )
}

pub(super) fn draught() -> String {
    "The scale does not come to rest. Shield it from the draught and take your hands off the bench. Say keep if it \
     stays so; the record says how sure it is."
        .into()
}

/// It rests, and in the last minutes it strayed by more than this step can stand.
pub(super) fn strays() -> String {
    "The scale strayed by more than this step allows. Shield it from the draught, then say keep."
        .into()
}

/// Grams for a sentence: whole steps of the scale.
pub(super) fn grams(mass: Mass, d: Mass) -> Grams {
    mass.shown(d)
}

/// Grams as they are said: as many decimals as the scale's step has in grams, no more.
trait Said {
    fn shown(self, d: Mass) -> Grams;
}

impl Said for Mass {
    fn shown(self, d: Mass) -> Grams {
        let mut decimals = 0;
        let mut step = 1_000_000_000;
        while step > d.ng().max(1) && decimals < 6 {
            step /= 10;
            decimals += 1;
        }
        self.grams_rounded(decimals)
    }
}
