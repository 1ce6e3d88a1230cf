//! How this maker takes a sentence: by its words, and honestly where it asks.

use bismar::formula::VesselWay;
use bismar::vocabulary::command::{Choice, Command};
use bismar::vocabulary::cue::{Cue, CueKind};

use super::deeds::Deed;
use super::scale::Key;
use super::world::{Act, Act::*, World};

pub fn obey(w: &mut World, cue: &Cue) -> Vec<Act> {
    let say = cue.say.to_lowercase();
    let has = |words: &str| say.contains(words);
    let offers = |choice: Choice| cue.choices.contains(&choice);
    let step = w.step;
    let on = w.here();
    let mut acts = Vec::new();
    let away = |v: usize, acts: &mut Vec<Act>| {
        acts.push(Lift(v));
        acts.push(Wait(0.7));
    };
    if w.deed == Deed::WrongAnswer && cue.kind == CueKind::Choose && offers(Choice::Next) {
        return vec![Word(Command::Next)];
    }
    if has("switch") && !w.scale.on {
        return vec![Wait(1.0), Press(Key::Power, 0.3)];
    }
    if (has("set it to send all the time") || has("automatic tare off")) && w.scale.is_oddly_set() {
        acts.push(SetScale);
    }
    if cue.kind == CueKind::Mix {
        if let Some(v) = on {
            away(v, &mut acts);
        }
        // How long she stirs: some have stirred already and say so at once.
        let stir = if w.quick {
            2.0
        } else {
            6.0 + 20.0 * w.rng.f64()
        };
        acts.extend([Wait(stir), Word(Command::Next)]);
        return acts;
    }
    if matches!(cue.kind, CueKind::Add | CueKind::EaseOff) {
        if has("nothing is on") && on.is_none() {
            return vec![Word(Command::Next)];
        }
        if w.way(step) == VesselWay::Difference {
            let missing = cue.missing.map_or(0.0, |m| m.to_g_f64().abs());
            let share = if missing > 3.0 * w.unit() {
                0.75 + 0.2 * w.rng.f64()
            } else {
                0.8 + 0.2 * w.rng.f64()
            };
            if let Some(v) = on.or(w.hand) {
                away(v, &mut acts);
                acts.extend([Wait(1.5), TakeOut(share * missing), Land(v)]);
            }
            return acts;
        }
        return vec![Pour];
    }
    if cue.kind == CueKind::TakeOut {
        let too_much = cue.missing.map_or(0.0, |m| m.to_g_f64().abs());
        let inside = on.map_or(0.0, |v| w.step_grams(v, step));
        if inside < too_much * 0.5 {
            // There is not so much of it in there: something else lies on the pan.
            if w.beside > 0.0 || w.on.len() > 1 {
                return vec![WipePan];
            }
            if offers(Choice::Again) {
                return vec![Word(Command::Again)];
            }
        }
        let share = 0.85 + 0.3 * w.rng.f64();
        return vec![TakeOut(too_much * share)];
    }
    if has("take off") || has("wipe") || has("lift everything") || has("nothing else") {
        acts.push(WipePan);
    }
    if has("shield") {
        acts.extend([Wait(8.0)]);
        if offers(Choice::Keep) {
            acts.push(IfStill(Command::Keep));
        }
        return acts;
    }
    // A question with a condition: is it so?
    let here_grams = on.map_or(0.0, |v| w.step_grams(v, step));
    if has("take that out first") {
        match on {
            Some(v) if here_grams > 0.5 * w.d() => {
                acts.extend([Lift(v), Wait(1.0), Empty(v, step), Rest]);
                acts.push(Land(v));
            }
            _ => acts.push(Word(Command::Next)),
        }
        return acts;
    }
    let empty_here = on.is_none_or(|v| w.step_grams(v, step) < 0.5 * w.d());
    let must_stand = has("stands there with no ");
    if let Some(v) = w.hand.filter(|_| must_stand && on.is_none()) {
        return vec![Rest, Land(v)];
    }
    if must_stand || has("say next if no ") || has("if it is empty") || has("if nothing is in it") {
        if empty_here {
            acts.push(Word(Command::Next));
        } else if offers(Choice::Again) {
            acts.push(Word(Command::Again));
        } else if let Some(v) = on {
            acts.extend([Lift(v), Empty(v, step), Rest, Land(v)]);
        }
        return acts;
    }
    if has("empty it") || has("place it again") {
        if let Some(v) = on.or(w.hand) {
            away(v, &mut acts);
            acts.extend([Empty(v, step), Rest, Land(v)]);
        }
        return acts;
    }
    if has("say keep: it counts") {
        let poured = here_grams > 0.5 * w.d();
        return vec![Word(if poured { Command::Keep } else { Command::Next })];
    }
    if has("say keep if that was the last") {
        return if w.way(step) == VesselWay::Difference {
            let missing = cue.missing.map_or(0.0, |m| m.to_g_f64().abs());
            match on {
                Some(v) => vec![Lift(v), Wait(2.0), TakeOut(missing * 0.95), Land(v)],
                None => acts,
            }
        } else {
            vec![Pour]
        };
    }
    if has("short. add it") {
        // The amount stands before "g short".
        let amount = say
            .split(" g short")
            .next()
            .and_then(|s| s.rsplit(' ').next()?.parse().ok());
        return vec![AddOnce(amount.unwrap_or(0.0))];
    }
    if has("too much came out") && offers(Choice::Keep) {
        return vec![Word(Command::Keep)];
    }
    if has("say next if that much") {
        let amount = cue.missing.map_or(0.0, |m| m.to_g_f64().abs());
        let took = w.t - w.took_at < 30.0 && (w.took - amount).abs() < 0.3 * amount + 3.0 * w.d();
        let pressed = w.t - w.pressed_at < 30.0 && has("only pressed on it");
        return vec![Word(if took || pressed {
            Command::Next
        } else {
            Command::Again
        })];
    }
    if has("if nothing is on") && on.is_none() {
        return vec![Wait(0.5), Word(Command::Next)];
    }
    if has("not as it left") || has("is not the") || has("same beaker") || has("it is as it was") {
        let right = w.primary.get(&step).copied();
        let same = on.is_some() && on == right && w.t - w.took_at > 60.0;
        if same && offers(Choice::Next) && w.beside == 0.0 {
            return vec![Word(Command::Next)];
        }
        if offers(Choice::Again) {
            return vec![Word(Command::Again)];
        }
        if let Some(v) = on {
            away(v, &mut acts);
        }
        if let Some(v) = right {
            acts.extend([Rest, Land(v)]);
        }
        return acts;
    }
    if has("too much is there still") || has("too much for this scale") {
        acts.push(WipePan);
        if offers(Choice::Keep) {
            acts.push(Wait(4.0));
            acts.push(IfStill(Command::Keep));
        } else if has("too much for this scale")
            && let Some(v) = on
        {
            away(v, &mut acts);
        }
        return acts;
    }
    if has("none was taken out") || has("none of it was taken out") {
        if let Some(v) = on.or(w.primary.get(&step).copied()) {
            acts.push(PutBack(v, step));
        }
        acts.push(Word(Command::Next));
        return acts;
    }
    if has("weighs what the beaker just weighed") && empty_here {
        return vec![Word(Command::Next)];
    }
    let right_stands = on.is_some() && on == w.primary.get(&step).copied().or(w.bowl);
    if right_stands
        && offers(Choice::Next)
        && (has("say next if this is it")
            || has("or say next")
            || has("say next if it is the same"))
    {
        if has("nothing of the next") && here_grams > 0.5 * w.d() {
            let v = on.unwrap_or(0);
            acts.extend([Lift(v), Wait(1.0), Empty(v, step), Rest]);
            acts.push(Land(v));
            return acts;
        }
        return vec![Word(Command::Next)];
    }
    let lift_first = say.find("lift").unwrap_or(usize::MAX);
    let back = say.find("back").unwrap_or(usize::MAX);
    let put = say.find("put ").unwrap_or(usize::MAX);
    if put < usize::MAX && back < usize::MAX && has("emptied") {
        if let Some(v) = w.primary.get(&step.saturating_sub(1)).copied().or(w.hand) {
            acts.push(Tip(v));
            acts.push(Land(v));
        }
        return acts;
    }
    // "If it stands there already" is not said to who holds it.
    let meant =
        !has("stands on the scale already") || on.or(w.primary.get(&step).copied()).is_some();
    if put < usize::MAX && back < usize::MAX && meant {
        let right = w.primary.get(&step).copied();
        let held = w.hand.or(right);
        if lift_first < put {
            if let Some(v) = on.or(held) {
                away(v, &mut acts);
                acts.extend([Wait(1.0), Rest, Land(v)]);
            }
        } else if on.is_none() || on != right {
            if let Some(v) = on {
                away(v, &mut acts);
            }
            if let Some(v) = right.or(held) {
                acts.push(Land(v));
            }
        }
        return acts;
    }
    if cue.kind == CueKind::Place || has("place ") {
        if let Some(v) = on {
            let fresh = w.vessels[v].held.is_empty();
            // It stands there already: she looks again, and the third time puts it down anew.
            w.stood += 1;
            if fresh && w.stood < 3 {
                return acts;
            }
            w.stood = 0;
            away(v, &mut acts);
            acts.push(Rest);
        }
        for v in 0..w.vessels.len() {
            if w.vessels[v].name == "beaker" && !w.vessels[v].held.is_empty() && !w.on.contains(&v)
            {
                acts.push(Tip(v));
            }
        }
        if w.vessels.len() < 40 {
            let v = w.wanted(step);
            if has("empty") && w.step_grams(v, step) > 0.0 {
                acts.push(Empty(v, step));
            }
            acts.push(Land(v));
        }
        return acts;
    }
    if has("lift") {
        if let Some(v) = on {
            away(v, &mut acts);
        }
        return acts;
    }
    if has("say again") || has("begin anew") {
        acts.push(Word(Command::Again));
    }
    acts
}
