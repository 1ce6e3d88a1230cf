//! How the second world's person takes a sentence: by its words alone, and honestly where it asks.

use bismar::vocabulary::command::Command;
use bismar::vocabulary::cue::{Cue, CueKind};

use super::indicator::Key;
use super::world::{Act, World};

pub fn obey(w: &mut World, cue: &Cue, has: &dyn Fn(&str) -> bool, gap: f64, acts: &mut Vec<Act>) {
    let step = w.step;
    let on = w.on_pan;
    let right = w.primary(step);
    let is_right = on.is_some() && on == right;
    let inside = on.map_or(0, |v| w.vessels[v].held.get(&step).copied().unwrap_or(0));
    let all_inside = on.map_or(0, |v| w.vessels[v].held.values().sum::<i64>());
    let still = |word: Command, late: f64, acts: &mut Vec<Act>| {
        acts.push(Act::Wait(late));
        acts.push(Act::IfStill(w.cue_at(), word));
    };
    if has("press the unit key") || has("set it to g") {
        acts.push(Act::Press(Key::Unit));
        acts.push(Act::Wait(0.5));
    }
    if has("take off what") || has("wipe it off") || has("lift everything") {
        acts.push(Act::WipeBeside);
    }
    if has("plug it in") && !w.cable() {
        acts.push(Act::Cable(true));
    }
    if has("shield it") {
        still(Command::Keep, 6.0, acts);
        return;
    }
    if cue.kind == CueKind::Mix {
        acts.push(Act::Wait(1.5));
        acts.push(Act::Word(Command::Next));
        return;
    }
    if has("tare was lost. begin") {
        if let Some(v) = on {
            acts.extend([Act::Lift(v), Act::WaitRest]);
        }
        let v = w.new_vessel(false);
        acts.push(Act::Land(v));
        return;
    }
    if on.is_none()
        && has("stands there with no ")
        && let Some(v) = w.in_hand
    {
        acts.extend([Act::WaitRest, Act::Land(v)]);
        return;
    }
    if has("stands there with no ") || has("say next if no ") || has("say next if it is empty") {
        let empty = if has("if it is empty") {
            all_inside == 0
        } else {
            inside == 0
        };
        if empty {
            acts.push(Act::Word(Command::Next));
        } else if has("say again if it is not") {
            acts.push(Act::Word(Command::Again));
        } else if let Some(v) = on {
            acts.extend([
                Act::Lift(v),
                Act::TakeFrom(v, step),
                Act::WaitRest,
                Act::Land(v),
            ]);
        }
        return;
    }
    if has("place it again") {
        if let Some(v) = on.or(w.in_hand) {
            if on.is_some() {
                acts.push(Act::Lift(v));
            }
            acts.push(if has("empty it") {
                Act::TipOut(v)
            } else {
                Act::TakeFrom(v, step)
            });
            acts.extend([Act::WaitRest, Act::Land(v)]);
        }
        return;
    }
    if has("say next if that much") {
        // The sentence begins with the amount.
        let amount: f64 = cue
            .say
            .split(' ')
            .next()
            .and_then(|n| n.parse().ok())
            .unwrap_or(0.0);
        let took =
            w.took_out_at > w.t - 20.0 && (w.took_out - amount).abs() < 0.3 * amount + 2.0 * w.d();
        acts.push(Act::Word(if took { Command::Next } else { Command::Again }));
        return;
    }
    if has("less than before. put it back") || has("it is as it was when") {
        acts.push(Act::Word(Command::Next));
        return;
    }
    if has("say keep: it counts") {
        let poured = inside > 0;
        acts.push(Act::Word(if poured {
            Command::Keep
        } else {
            Command::Next
        }));
        return;
    }
    if has("say keep if that was the last") {
        acts.push(Act::Pour);
        return;
    }
    if has("too much is there still") {
        match on.filter(|&v| w.vessels[v].extra > 0) {
            Some(v) => acts.push(Act::NoExtra(v)),
            None if w.beside > 0 => {}
            None => acts.push(Act::Word(Command::Keep)),
        }
        return;
    }
    if has("not as it left") || has("is not the bowl") || has("not what the bowl") {
        if is_right && has("say next") && !w.adulterated(step) {
            acts.push(Act::Word(Command::Next));
        } else if has("say again") {
            acts.push(Act::Word(Command::Again));
        } else if let Some(right) = right {
            if let Some(v) = on {
                acts.extend([Act::Lift(v), Act::WaitRest]);
            }
            acts.push(Act::Land(right));
        }
        return;
    }
    if has("if it is another one, and empty, say next") {
        if all_inside == 0 && on.is_some() {
            acts.push(Act::Word(Command::Next));
        } else {
            if let Some(v) = on {
                acts.extend([Act::Lift(v), Act::WaitRest]);
            }
            let v = w.next_vessel();
            acts.push(Act::Land(v));
        }
        return;
    }
    if has("more than recorded") && has("say undo") && w.added_after_record(step) {
        acts.push(Act::Word(Command::Undo));
        return;
    }
    if has("more than recorded")
        && let Some(v) = on
        && w.vessels[v].extra > 0
    {
        acts.push(Act::NoExtra(v));
    }
    if has("if nothing is on it") && on.is_none() {
        acts.push(Act::Wait(0.5));
        acts.push(Act::Word(Command::Next));
        return;
    }
    if has("stands on the scale already") {
        match on {
            Some(v) => acts.extend([Act::Lift(v), Act::WaitRest, Act::Land(v)]),
            None => {
                let v = w.next_vessel();
                acts.push(Act::Land(v));
            }
        }
        return;
    }
    if has("put the") && has("back") && !has("lift the") {
        // Put the beaker back.
        if has("to take some out") && w.seen_here() > 5 && has("keep it") {
            acts.push(Act::Word(Command::Keep));
            return;
        }
        if is_right {
            return;
        }
        if let Some(v) = on {
            acts.extend([Act::Lift(v), Act::WaitRest]);
        }
        if let Some(right) = right.or(w.in_hand) {
            acts.push(Act::Land(right));
        }
        return;
    }
    if has("put the") && has("back") {
        // Lift, wait for rest, put back.
        if let Some(v) = on.or(w.in_hand) {
            if on.is_some() {
                acts.push(Act::Lift(v));
            }
            acts.extend([Act::Wait(gap), Act::WaitRest, Act::Land(v)]);
        }
        return;
    }
    if has("place ") {
        if let Some(v) = on {
            let fresh = all_inside == 0 && w.rng.bool();
            if fresh && w.vessels[v].is_bowl == w.is_bowl_step(step) {
                return;
            }
            acts.extend([Act::Lift(v), Act::Wait(gap)]);
        }
        let v = w.next_vessel();
        if has("empty bowl") {
            acts.push(Act::TipOut(v));
        }
        acts.push(Act::Land(v));
        return;
    }
    if has("lift") {
        if let Some(v) = on {
            acts.push(Act::Lift(v));
            acts.push(Act::Wait(gap));
        }
        return;
    }
    if has("begin anew") || has("say again") {
        acts.push(Act::Word(Command::Again));
    }
}
