//! The sentences. Short imperatives; the number first when pouring: what is missing, not what is
//! there. No sentence needs a colour, a shape or a sound to be understood.

use crate::formula::{Step, VesselWay};
use crate::language::{Sentence, Term, phrase, remark, term};
use crate::mass::{Grams, Mass, Unit};
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::Ask;

/// A sentence, and what a program may know of it.
#[derive(Debug, Clone)]
pub(super) struct Words {
    pub say: Sentence,
    /// See [`crate::vocabulary::cue::Cue`].
    pub lead: usize,
    pub asks: Option<Ask>,
}

impl From<Sentence> for Words {
    fn from(say: Sentence) -> Words {
        Words {
            say,
            lead: 0,
            asks: None,
        }
    }
}

impl Words {
    /// A sentence that begins with an amount and its unit.
    fn led(amount: Grams, say: Sentence) -> Words {
        Words {
            lead: format!("{amount} g ").chars().count(),
            ..Words::from(say)
        }
    }

    pub fn asking(self, ask: Ask) -> Words {
        Words {
            asks: Some(ask),
            ..self
        }
    }

    /// With another sentence before it.
    pub fn after(self, before: Sentence) -> Words {
        Words {
            say: before.and(self.say),
            lead: 0,
            ..self
        }
    }
}

fn vessel(way: VesselWay) -> Term {
    match way {
        VesselWay::Beaker => term!("beaker"),
        VesselWay::Bowl => term!("bowl"),
        VesselWay::Difference => term!("source"),
        VesselWay::Jar => term!("jar"),
    }
}

pub(super) fn place(step: &Step, d: Mass, scale: Option<&str>, fresh: bool) -> Sentence {
    let on = scale.map_or(Sentence::none(), |name| phrase!(" on scale {name}", name));
    let target = step.target.shown(d);
    let name = &step.ingredient;
    match step.vessel {
        VesselWay::Beaker => phrase!(
            "Place an empty beaker{on}: {target} g {name} comes next.",
            on,
            target,
            name
        ),
        VesselWay::Bowl if fresh => {
            phrase!(
                "Place the empty bowl{on}: {target} g {name} comes next.",
                on,
                target,
                name
            )
        }
        VesselWay::Bowl => phrase!(
            "Place the bowl{on}: {target} g {name} comes next.",
            on,
            target,
            name
        ),
        VesselWay::Difference => {
            phrase!(
                "Place {name} in its bottle{on}: {target} g comes out of it.",
                name,
                on,
                target
            )
        }
        VesselWay::Jar => phrase!(
            "Place empty jar {number}{on}: {target} g goes in.",
            number = step.number,
            on,
            target
        ),
    }
}

pub(super) fn add(step: &Step, missing: Mass, d: Mass) -> Words {
    let (missing, name) = (missing.shown(d), &step.ingredient);
    let say = match step.vessel {
        VesselWay::Difference => {
            phrase!(
                "{missing} g to take from {name}, then put it back.",
                missing,
                name
            )
        }
        VesselWay::Jar => phrase!("{missing} g to fill in.", missing),
        VesselWay::Beaker | VesselWay::Bowl => {
            phrase!("{missing} g to add: {name}.", missing, name)
        }
    };
    Words::led(missing, say)
}

pub(super) fn ease_off(missing: Mass, d: Mass) -> Words {
    let missing = missing.shown(d);
    Words::led(missing, phrase!("{missing} g left. Ease off.", missing))
}

/// `at_once`: it came in one go, as a thing does that is laid down.
pub(super) fn take_out(step: &Step, over: Mass, d: Mass, at_once: bool) -> Words {
    let (over, name) = (over.shown(d), &step.ingredient);
    let mut say = match step.vessel {
        VesselWay::Difference => phrase!(
            "{over} g too much came out of {name}. Keep it, or begin this step again.",
            over,
            name
        ),
        VesselWay::Jar => phrase!("{over} g to take out of the jar.", over),
        VesselWay::Beaker | VesselWay::Bowl => {
            phrase!("{over} g to take out: {name}.", over, name)
        }
    };
    if at_once && step.vessel != VesselWay::Difference {
        say = say.and(phrase!(
            "If something was laid there, take that off instead."
        ));
    }
    Words::led(over, say)
}

pub(super) fn recorded(way: VesselWay, net: Mass, d: Mass, stays: bool) -> Sentence {
    let net = net.shown(d);
    match way {
        VesselWay::Beaker => phrase!("Recorded {net} g. Lift the beaker.", net),
        VesselWay::Difference => phrase!("Recorded {net} g. Lift the bottle.", net),
        VesselWay::Bowl if stays => phrase!("Recorded {net} g.", net),
        VesselWay::Bowl => phrase!("Recorded {net} g. Lift the bowl.", net),
        VesselWay::Jar => phrase!("Recorded {net} g. Lift the jar.", net),
    }
}

/// Why a weight that was recorded has no verdict.
pub(super) fn tare_not_proven(by: Mass, d: Mass) -> Sentence {
    phrase!(
        "Its tare is not proven: the weight may be off by {by} g.",
        by = by.ceil_to(d).shown(d)
    )
}

/// Of so many weights, the last of them that of `ingredient`, the record is unsure.
pub(super) fn marked(ingredient: &str, weights: usize) -> Sentence {
    match weights {
        1 => phrase!("the weight of {ingredient} is marked as unsure", ingredient),
        _ => phrase!(
            "{weights} weights up to that of {ingredient} are marked as unsure",
            weights,
            ingredient
        ),
    }
}

pub(super) fn mix(phase: &str, text: &str) -> Sentence {
    let text = text.trim().trim_end_matches('.');
    phrase!(
        "{phase} is weighed. {text}. Then say next, press the pan twice, or place the next vessel.",
        phase = remark::told(phase),
        text = remark::told(text)
    )
}

pub(super) fn lift_the_bowl() -> Sentence {
    phrase!("Lift the bowl: the batch is done then. Say next if nothing is on the scale.")
}

pub(super) fn last_mix(phase: &str, text: &str) -> Sentence {
    let text = text.trim().trim_end_matches('.');
    phrase!(
        "{phase} is weighed. {text}. Then say next or press the pan twice: the batch is done.",
        phase = remark::told(phase),
        text = remark::told(text)
    )
}

pub(super) fn away(step: &Step, missing: Mass, d: Mass) -> Sentence {
    phrase!(
        "Put the {thing} back: {missing} g {name} still to add.",
        thing = vessel(step.vessel),
        missing = missing.shown(d),
        name = &step.ingredient
    )
}

/// `choices`: what a word can do meanwhile.
pub(super) fn away_with_too_much(
    step: &Step,
    missing: Mass,
    d: Mass,
    choices: &[Choice],
) -> Sentence {
    let more = match (
        choices.contains(&Choice::Keep),
        choices.contains(&Choice::Again),
    ) {
        (true, true) => phrase!("; or keep it, or begin again"),
        (true, false) => phrase!("; or keep it"),
        (false, true) => phrase!("; or begin again"),
        (false, false) => Sentence::none(),
    };
    phrase!(
        "{over} g {name} too much. Put the {thing} back to take some out{more}.",
        over = (-missing).shown(d),
        name = &step.ingredient,
        thing = vessel(step.vessel),
        more
    )
}

/// What was asked out is there still, though the tare was seen. `looked`: it was said before, and nothing came of it.
pub(super) fn in_vain(
    step: &Step,
    over: Mass,
    d: Mass,
    looked: bool,
    choices: &[Choice],
) -> Sentence {
    let (over, thing) = (over.shown(d), vessel(step.vessel));
    let again = match choices.contains(&Choice::Again) {
        true => phrase!(
            "; or say again, and begin this step with an empty {thing}",
            thing
        ),
        false => Sentence::none(),
    };
    if looked {
        return phrase!(
            "{over} g too much is there still. Say keep if it stays so{again}.",
            over,
            again
        );
    }
    phrase!(
        "{over} g too much is there still. Take off what does not belong to the {thing}. Say keep if it stays so{again}.",
        over,
        thing,
        again
    )
}

pub(super) fn back_to_weigh(way: VesselWay) -> Sentence {
    phrase!(
        "Put the {thing} back and let it rest: it is not recorded yet.",
        thing = vessel(way)
    )
}

pub(super) fn lift_to_check(way: VesselWay, net: Mass, d: Mass, inside: bool) -> Sentence {
    let net = net.shown(d);
    let seems = match inside {
        true => phrase!("{net} g, inside.", net),
        false => phrase!("{net} g, too much as it seems.", net),
    };
    let thing = vessel(way);
    seems.and(phrase!(
        "Lift the {thing} now: that proves the tare. If it is off the scale already, put it back.",
        thing
    ))
}

pub(super) fn lift_and_back(way: VesselWay) -> Sentence {
    let thing = vessel(way);
    phrase!(
        "The tare must be seen again. Lift the {thing}, wait for the scale to rest, put the {thing} back.",
        thing
    )
}

/// `afresh`: it holds nothing but this step's ingredient, so that it can be emptied. `often`: it was asked
/// before, and a word will do.
pub(super) fn unsure(step: &Step, afresh: bool, often: bool) -> Sentence {
    let (thing, name) = (vessel(step.vessel), &step.ingredient);
    if often && step.vessel == VesselWay::Difference {
        return phrase!(
            "Still not sure of the source's weight. Say next if none of it was taken out yet; or if some was, say again."
        );
    }
    if often {
        return phrase!(
            "Still not sure of the tare. Say next if the {thing} stands there with no {name} in it; or if some is, lift \
             it off, take that out, and place it again.",
            thing,
            name
        );
    }
    match step.vessel {
        VesselWay::Bowl if !afresh => phrase!(
            "Not sure of the tare: some {name} may have gone in before the bowl was at rest. Lift it off, take that \
             out, and place it again.",
            name
        ),
        VesselWay::Difference => phrase!(
            "Not sure of the source's weight. Lift it off, wait for the scale to rest, put it back."
        ),
        VesselWay::Beaker | VesselWay::Bowl | VesselWay::Jar => phrase!(
            "Not sure of the tare: something may have gone in before the {thing} was at rest. Lift it off, \
             empty it, and place it again.",
            thing
        ),
    }
}

/// `way`: how the running step is weighed, if nothing of it was weighed yet.
pub(super) fn overload(way: Option<VesselWay>) -> Sentence {
    match way {
        None => phrase!("Too much for this scale. Take something off."),
        Some(VesselWay::Difference) => {
            phrase!(
                "Too much for this scale. Take it off: fill some into a lighter bottle, and place that."
            )
        }
        Some(way) => phrase!(
            "Too much for this scale. Take it off, and place a lighter {thing}.",
            thing = vessel(way)
        ),
    }
}

pub(super) fn hold() -> Sentence {
    phrase!("Hold. Let it come to rest.")
}

pub(super) fn settling() -> Sentence {
    phrase!("Leave it there: the scale comes to rest.")
}

pub(super) fn settling_empty() -> Sentence {
    phrase!("Leave it off: the scale comes to rest.")
}

pub(super) fn too_soon(way: VesselWay) -> Sentence {
    let thing = vessel(way);
    phrase!(
        "Too soon: the empty scale was not at rest. Lift everything off the scale; the {thing} is asked for when it is at rest.",
        thing
    )
}

pub(super) fn other_bowl() -> Sentence {
    phrase!(
        "This is not what the bowl weighed when it left. Put the right bowl on; or say next if this is it, \
     with nothing of the next ingredient in it."
    )
}

pub(super) fn heavier_bowl(step: &Step, more: Mass, d: Mass) -> Sentence {
    phrase!(
        "{more} g heavier than when the bowl left. If that is {name}, say keep: it counts. Say next if none of it is in \
         yet; if something else lies in it, take that out.",
        more = grams(more, d),
        name = &step.ingredient
    )
}

pub(super) fn same_again(step: &Step, afresh: bool) -> Sentence {
    let (thing, name) = (vessel(step.vessel), &step.ingredient);
    if !afresh {
        return phrase!(
            "The {thing} weighs what it did before. Say next if no {name} is in it yet; if some is, lift it off and \
             take that out first.",
            thing,
            name
        );
    }
    phrase!(
        "The {thing} weighs what it did before. Say next if it is empty; say again if it is not.",
        thing
    )
}

/// So much lay there when the vessel was off, and was taken off after it.
pub(super) fn was_left(gone: Mass, d: Mass, unsure: Sentence) -> Sentence {
    phrase!(
        "{grams} g lay on the scale beside the vessel. If they came or went while it stood there, say undo, and weigh the step again; {unsure}.",
        grams = grams(gone, d),
        unsure
    )
}

/// So much may have gone into a vessel before its tare was taken.
pub(super) fn came_late(more: Mass, d: Mass, unsure: Sentence) -> Sentence {
    phrase!(
        "The vessel came more slowly than it went: up to {grams} g may have gone in before its tare was taken. If so, say undo, and weigh the step again; {unsure}.",
        grams = grams(more, d),
        unsure
    )
}

/// Something stands there while a mixing is waited for, and nothing tells what it is.
pub(super) fn stirred() -> Sentence {
    phrase!("Say next when it is stirred; then what stands there is looked at.")
}

/// So little came that it is no vessel of this bench, most likely.
pub(super) fn light(way: VesselWay, came: Mass, d: Mass) -> Sentence {
    phrase!(
        "Only {mass} g are on the scale. Say next if that is the empty {thing}; if not, take it off, and place the {thing}.",
        mass = grams(came, d),
        thing = vessel(way)
    )
}

/// `more`: so much more is in the bowl than was recorded.
pub(super) fn resumed(step: &Step, more: Option<Grams>) -> Sentence {
    let (thing, name) = (vessel(step.vessel), &step.ingredient);
    if let Some(more) = more {
        return phrase!(
            "The batch goes on with {name}; {more} g more than recorded are in the bowl. Say next if some was poured in already: it \
             counts. Say again if none was: it stays in the bowl, uncounted.",
            name,
            more
        );
    }
    if step.vessel == VesselWay::Difference {
        return phrase!(
            "The batch goes on with {name}. Say next if none was taken out for this step yet; if some was, put it back first.",
            name
        );
    }
    if step.vessel == VesselWay::Bowl {
        // Some of it may be in the bowl from an earlier step.
        let grams = step.target.grams(Mass::from_g(1));
        return phrase!(
            "The batch goes on with {grams} g {name}. Say next if nothing of that is in the bowl yet; if some is, lift the bowl off and take that out first.",
            grams,
            name
        );
    }
    phrase!(
        "The batch goes on with {name}. Say next if the {thing} holds no {name} yet; if it does, lift it off and take that out first.",
        name,
        thing
    )
}

pub(super) fn just_weighed(way: VesselWay) -> Sentence {
    phrase!(
        "That weighs what the {thing} just weighed does. Lift it off and place an empty {thing}; if it is another \
         one, and empty, say next.",
        thing = vessel(way)
    )
}

/// `plausible`: it can be the vessel, going by its weight.
/// A vessel may stand there that the scale does not show.
pub(super) fn may_stand_there(way: VesselWay) -> Sentence {
    let thing = vessel(way);
    phrase!(
        "If the {thing} stands on the scale already, lift it off, wait for the scale to rest, and put it back.",
        thing
    )
}

/// Something came onto the empty pan that weighs less than a vessel may.
pub(super) fn too_little(way: VesselWay, came: Mass, least: Mass, d: Mass) -> Sentence {
    let (came, least, thing) = (grams(came, d), grams(least, d), vessel(way));
    phrase!(
        "{came} g came onto the scale: a {thing} must weigh more than {least} g here. Use a heavier one, or stand it in a \
         heavier one; or take it off.",
        came,
        thing,
        least
    )
}

/// The source came back as it left, more than once.
pub(super) fn gives_nothing(step: &Step) -> Sentence {
    phrase!(
        "Nothing came out of {name}. If its bottle is empty, say again, and place another one.",
        name = &step.ingredient
    )
}

/// Nothing more came out of it.
pub(super) fn no_more(step: &Step, missing: Mass, d: Mass) -> Sentence {
    phrase!(
        "{missing} g of {name} are missing still. Say keep if that was the last of it.",
        missing = missing.shown(d),
        name = &step.ingredient
    )
}

/// It was put back as it stood when it was asked about.
pub(super) fn as_it_stands(way: VesselWay, next: bool) -> Sentence {
    match (next, way) {
        (true, _) => phrase!(
            "It is as it was when it was asked about. Say next, and go on with what is in it now."
        ),
        (false, VesselWay::Difference) => {
            phrase!(
                "It is as it was when it was asked about. Say again, and nothing of what came out of it is counted."
            )
        }
        (false, _) => phrase!(
            "It is as it was when it was asked about. Say again, and begin this step with an empty {thing}.",
            thing = vessel(way)
        ),
    }
}

pub(super) fn stranger(way: VesselWay, plausible: bool, afresh: bool) -> Sentence {
    let thing = vessel(way);
    // A bowl with earlier steps in it cannot be emptied.
    let bowl = way == VesselWay::Bowl && !afresh;
    if !plausible && way == VesselWay::Difference {
        return phrase!(
            "Not as it left, going by its weight. Put the first source back; or say again, and nothing of what came \
             out of it is counted."
        );
    }
    if !plausible && !bowl {
        return phrase!(
            "Not as it left, going by its weight. Say again and begin this step with an empty {thing}.",
            thing
        );
    }
    if !plausible {
        return phrase!(
            "This is not the bowl as it left, going by its weight. Put the bowl back as it was; or say next, and go on with what is in it now."
        );
    }
    if bowl {
        return phrase!(
            "The bowl is not as it left. Say next if it is the same bowl, with nothing else in it."
        );
    }
    phrase!(
        "Not as it left. Say again and begin this step with an empty {thing}; or say next, but only if it is the very same {thing}.",
        thing
    )
}

/// Less is in the vessel than at its last rest; or (`moving`) it was less for a while, and more was poured on.
pub(super) fn fell(step: &Step, by: Mass, d: Mass, moving: bool, afresh: bool) -> Sentence {
    let (by, name) = (by.shown(d), &step.ingredient);
    match (moving, afresh) {
        (false, true) => phrase!(
            "{by} g less than before. Say again if something else lay there: a lid, a spoon, another vessel, a hand \
             before the pour. Say next if that much {name} was taken out, or if something only pressed on it while you poured.",
            by,
            name
        ),
        (true, true) => phrase!(
            "For a while at least {by} g less than before. Say again if something else lay there: a lid, a spoon, \
             another vessel, a hand before the pour. Say next if that much {name} was taken out, or if something only \
             pressed on it while you poured.",
            by,
            name
        ),
        (false, false) => phrase!(
            "{by} g less than before. Put it back; or say next, and go on with what is in it now.",
            by
        ),
        (true, false) => phrase!(
            "For a while at least {by} g less than before. Put it back; or say next, and go on with what is in it now.",
            by
        ),
    }
}

/// More is gone than was in the vessel.
pub(super) fn fell_by_more(step: &Step, by: Mass, d: Mass) -> Sentence {
    phrase!(
        "{by} g less than before, and more than was in it: something else lay there. Say again, and begin with an empty {thing}.",
        by = by.shown(d),
        thing = vessel(step.vessel)
    )
}

/// Drops came and faded on a scale that tracks its zero.
pub(super) fn faded(step: &Step, by: Mass, d: Mass, afresh: bool) -> Sentence {
    let (by, thing) = (grams(by, d), vessel(step.vessel));
    match afresh {
        true => phrase!(
            "{by} g or more dropped in and faded from the display: after its TARE key this scale takes single drops for \
             drift. Say again, and begin with an empty {thing} without that key: the tare is kept here.",
            by,
            thing
        ),
        false => phrase!(
            "{by} g or more dropped in and faded from the display: after its TARE key this scale takes single drops for \
             drift. They are not counted; pour on faster, and leave that key alone: the tare is kept here.",
            by
        ),
    }
}

/// A pour into a light vessel, or the vessel itself, set down on what was taken for it.
pub(super) fn came_in_one_go(step: &Step, came: Mass, d: Mass) -> Sentence {
    phrase!(
        "{grams} g came in one go. Say next if that is {name}; or say again if it is the vessel, set down on something \
         that lay there.",
        grams = grams(came, d),
        name = &step.ingredient
    )
}

/// What was tared is back, and holds what nobody saw come.
pub(super) fn filled_in_hand(step: &Step, more: Mass, d: Mass) -> Sentence {
    phrase!(
        "{more} g heavier than when it left. If it is the same vessel and that is {name}, say keep; if not, say again and \
         begin with an empty one.",
        more = grams(more, d),
        name = &step.ingredient
    )
}

pub(super) fn taken_at_once(less: Mass, d: Mass) -> Sentence {
    phrase!(
        "{less} g lighter than as it was set down. Say keep if some was taken out: it counts. Say next if none was taken out \
         yet.",
        less = grams(less, d)
    )
}

pub(super) fn clear(way: VesselWay) -> Sentence {
    match way {
        VesselWay::Beaker => phrase!(
            "Lift everything off the scale; a fresh beaker comes next. Say next if nothing is on it."
        ),
        VesselWay::Bowl => phrase!(
            "Lift everything off the scale; the bowl comes next. Say next if nothing is on it."
        ),
        VesselWay::Difference => phrase!(
            "Lift everything off the scale; the bottle comes next. Say next if nothing is on it."
        ),
        VesselWay::Jar => phrase!(
            "Lift everything off the scale; an empty jar comes next. Say next if nothing is on it."
        ),
    }
}

/// It was told to be lifted, and the scale shows zero.
pub(super) fn lift_or_next() -> Sentence {
    phrase!("Lift everything off the scale; say next if nothing is on it.")
}

pub(super) fn lot(name: &str) -> Words {
    Words::from(phrase!(
        "Name the lot of {name}. The weight waits for it.",
        name
    ))
    .asking(Ask::Lot)
}

pub(super) fn unit(unit: Unit) -> Sentence {
    let unit = unit.symbol();
    phrase!(
        "The scale is on {unit}, too coarse for this step. Set it to g.",
        unit
    )
}

pub(super) fn unit_changed(unit: Unit, usual: Unit) -> Sentence {
    let (unit, usual) = (unit.symbol(), usual.symbol());
    phrase!(
        "The scale shows {unit} now; weights are converted. Press the unit key until it shows {usual} again.",
        unit,
        usual
    )
}

pub(super) fn draught() -> Sentence {
    phrase!(
        "The scale does not come to rest. Shield it from the draught and take your hands off the bench. Say keep if it \
     stays so; the record says how sure it is."
    )
}

/// Nothing is recorded yet, and a rest is waited for.
pub(super) fn sways() -> Sentence {
    phrase!(
        "The scale does not come to rest. Shield it from the draught and take your hands off the bench."
    )
}

/// What landed does not come to rest.
pub(super) fn sways_there() -> Sentence {
    sways().and(phrase!(
        "Say next if it stays so; the record says how sure it is."
    ))
}

/// It rests, and in the last minutes it strayed by more than this step can stand.
pub(super) fn strays() -> Sentence {
    phrase!(
        "The scale strayed by more than this step allows. Shield it from the draught, then say keep."
    )
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
