//! How she takes a sentence, by its words and honestly; and what she does besides.

use std::f64::consts::TAU;

use bismar::formula::VesselWay;
use bismar::vocabulary::command::{Choice, Command};
use bismar::vocabulary::cue::{Cue, CueKind};

use super::mishap::Mishap;
use super::scale::Key;
use super::world::{Act, Act::*, World};

fn number_before(say: &str, words: &str) -> f64 {
    say.split(words)
        .next()
        .and_then(|s| {
            s.rsplit(|c: char| !(c.is_ascii_digit() || c == '.'))
                .next()?
                .parse()
                .ok()
        })
        .unwrap_or(0.0)
}

/// What she does at a sentence.
pub fn read(w: &mut World, cue: &Cue) -> Vec<Act> {
    let say = cue.say.to_lowercase();
    let has = |x: &str| say.contains(x);
    let offers = |c: Choice| cue.choices.contains(&c);
    let step = w.step;
    let stuff = w.stuff();
    let on = w.here();
    let d = w.d();
    let right = w.primary.get(&step).copied();
    let mine = on.map_or(0.0, |p| w.vessels[p].has(stuff));
    let empty = mine < 0.5 * d;
    let all_empty = on.is_none_or(|p| w.vessels[p].all() < 0.5 * d);
    let diff = stuff == step && w.way(step) == VesselWay::Difference;
    let missing = cue.missing.map_or(0.0, |m| m.to_g_f64().abs());
    let knows_thing = w.litter > 2.0 * d || w.thing.is_some();
    let mut acts = Vec::new();
    let relay = |p: usize, acts: &mut Vec<Act>, clean: bool| {
        acts.extend([Lift(p), Wait(0.8)]);
        if clean {
            acts.push(Clean(p));
        }
        acts.extend([Rest, Land(p)]);
    };
    if !w.scale.on && (has("switch") || has("no weight")) {
        return vec![Wait(1.5), Press(Key::Power)];
    }
    if has("unit key") || has("set it to g") {
        if w.scale.ounces {
            acts.push(Press(Key::Unit));
        }
        return acts;
    }
    match cue.kind {
        CueKind::Mix => {
            if let Some(p) = on {
                acts.extend([Lift(p), Wait(1.0)]);
            }
            acts.push(Wait(3.0 + 20.0 * w.rng.f64()));
            if w.rng.u8(..3) == 0 && has("place the next") {
                let next = w.next_step();
                let p = w.wanted(next);
                acts.push(Land(p));
            } else {
                acts.push(Word(Command::Next));
            }
            return acts;
        }
        CueKind::Done => return acts,
        CueKind::Add | CueKind::EaseOff => {
            if diff {
                let Some(p) = on.or(w.hand) else { return acts };
                let g = missing
                    * if missing > 4.0 * w.tol() {
                        0.7 + 0.25 * w.rng.f64()
                    } else {
                        0.85 + 0.2 * w.rng.f64()
                    };
                // With a spoon where it stands, or lifted and poured.
                if w.rng.u8(..3) == 0 && w.hand.is_none() {
                    return vec![Take(g), Wait(2.0)];
                }
                if on.is_some() {
                    acts.push(Lift(p));
                }
                acts.extend([Wait(1.0), Take(g), Rest, Land(p)]);
                return acts;
            }
            if on.is_none() && has("nothing is on") {
                return vec![Word(Command::Next)];
            }
            if on.is_none() && !w.slipping() {
                // Nothing stands there, and she is told to add: a vessel first.
                acts.push(Wait(1.0));
                acts.push(Do(Box::new(|w| {
                    if w.here().is_none() && w.pour_cue() {
                        let s = w.step;
                        let p = match w.hand.filter(|h| w.primary.get(&s) == Some(h)) {
                            Some(p) => p,
                            None => w.wanted(s),
                        };
                        w.land(p);
                    }
                })));
            }
            acts.push(Pour);
            return acts;
        }
        CueKind::Hold => return acts,
        CueKind::TakeOut => {
            if knows_thing {
                return vec![Tidy];
            }
            if mine < 0.4 * missing {
                return if offers(Choice::Again) {
                    vec![Word(Command::Again)]
                } else if offers(Choice::Keep) {
                    vec![Word(Command::Keep)]
                } else {
                    acts
                };
            }
            return vec![Take(missing * (0.85 + 0.25 * w.rng.f64())), Wait(1.0)];
        }
        _ => {}
    }
    let looks = has("take off what") || has("draught");
    if looks && w.touch.abs() > 2.0 * d {
        acts.push(Tidy);
    }
    let untidy = has("take off what")
        || has("wipe it off")
        || has("take that off")
        || has("lift everything")
        || has("nothing else");
    if untidy && knows_thing {
        acts.push(Tidy);
    }
    if has("lift everything") || has("less than recorded") {
        if let Some(p) = on {
            acts.extend([Lift(p), Wait(1.0)]);
        } else if has("if nothing is on it") {
            acts.extend([Wait(1.0), Word(Command::Next)]);
        }
        return acts;
    }
    if has("more than recorded are in the bowl") {
        // Before a restart; she knows.
        return vec![Word(if empty { Command::Again } else { Command::Next })];
    }
    if has("more than recorded") {
        if !knows_thing && w.took.0 < 0.0 {
            acts.push(Word(Command::Undo));
        } else if let Some(p) = on {
            acts.extend([Lift(p), Wait(0.5)]);
        }
        return acts;
    }
    if has("g over. take it out, or lift") {
        return vec![Take(number_before(&say, " g over"))];
    }
    if has("g short. add it, or lift") {
        return vec![Add(number_before(&say, " g short"))];
    }
    if has("shield") || has("does not come to rest") || has("strayed") {
        if knows_thing {
            return vec![Tidy];
        }
        acts.push(Wait(10.0));
        if offers(Choice::Keep) {
            let n = w.serial;
            acts.push(Do(Box::new(move |w| {
                if w.serial == n {
                    w.word(Command::Keep);
                }
            })));
        }
        return acts;
    }
    if has("stray") || has("too much for this scale") {
        if knows_thing {
            return vec![Tidy];
        }
        if let Some(p) = on {
            acts.extend([Lift(p), Wait(1.0)]);
        }
        return acts;
    }
    if has("too much is there still") {
        if knows_thing {
            return vec![Tidy];
        }
        if offers(Choice::Keep) {
            acts.extend([Wait(3.0), Word(Command::Keep)]);
        }
        return acts;
    }
    if has("too much came out") {
        return vec![Word(Command::Keep)];
    }
    if has("nothing came out") && on.is_none_or(|p| w.vessels[p].has(step) < 0.5 * d) {
        w.primary.remove(&step);
        return vec![Word(Command::Again)];
    }
    if has("nothing came out") {
        return if w.took.0 > w.t - 30.0 {
            acts
        } else {
            vec![
                Lift(on.unwrap_or(0)),
                Take(missing),
                Rest,
                Land(on.unwrap_or(0)),
            ]
        };
    }
    if has("say keep: it counts") {
        // She knows whether she poured.
        let poured = on.is_some_and(|p| w.vessels[p].has(step) >= 0.5 * d);
        return vec![Word(if poured { Command::Keep } else { Command::Next })];
    }
    if has("missing still. say keep") {
        if diff && on.is_some_and(|p| w.vessels[p].has(step) < 0.5 * d) {
            return vec![Word(Command::Keep)];
        }
        if diff && let Some(p) = on {
            return vec![Lift(p), Wait(1.0), Take(missing), Rest, Land(p)];
        }
        return vec![Pour];
    }
    if has("say next if that much") {
        if knows_thing && w.touch != 0.0 {
            acts.push(Tidy);
        }
        let amount = number_before(&say, " g less");
        let took = w.t - w.took.0 < 90.0 && (w.took.1 - amount).abs() < 0.3 * amount + 3.0 * d;
        let pressed = w.t - w.pressed_at < 90.0;
        acts.push(Word(if took || pressed {
            Command::Next
        } else {
            Command::Again
        }));
        return acts;
    }
    if has("put it back; or say next, and go on") {
        // A bowl: what was taken is not put back.
        return vec![Word(Command::Next)];
    }
    if has("it is as it was when it was asked about") {
        return vec![Word(if has("say next") {
            Command::Next
        } else {
            Command::Again
        })];
    }
    if has("none was taken out for this step")
        || has("none was taken out yet")
        || has("none of it was taken out")
    {
        let start = right.and_then(|p| w.start.get(&(p, step)).copied());
        let gone = match (start, on.or(right)) {
            (Some(s), Some(p)) => s - w.vessels[p].has(step) > d,
            _ => false,
        };
        if !gone {
            return vec![Word(Command::Next)];
        }
        if offers(Choice::Keep) {
            return vec![Word(Command::Keep)];
        }
        if has("say again") {
            return vec![Word(Command::Again)];
        }
        return acts;
    }
    if has("not sure of the source") {
        if let Some(p) = on.or(w.hand) {
            relay(p, &mut acts, false);
        }
        return acts;
    }
    if has("not as it left") || has("is not the bowl") || has("is not what the bowl") {
        let same = on.is_some() && on == right.or(w.bowl);
        if knows_thing {
            acts.push(Tidy);
        }
        if has("only if it is the very same")
            || has("if it is the same bowl")
            || has("or say next if this is it")
        {
            let meddled = w.t - w.took.0 < 120.0 || w.swapped;
            if same && !meddled && !knows_thing {
                acts.push(Word(Command::Next));
                return acts;
            }
        }
        if has("put the bowl back as it was; or say next") {
            acts.push(Word(Command::Next));
            return acts;
        }
        if offers(Choice::Again) || has("say again") {
            acts.push(Word(Command::Again));
        } else if offers(Choice::Next) {
            acts.push(Word(Command::Next));
        }
        return acts;
    }
    if has("stands there with no ")
        || has("say next if no ")
        || has("if it is empty")
        || has("if the beaker holds no")
        || has("holds no ")
        || has("if nothing of that is in the bowl")
    {
        let none = if has("if it is empty") {
            all_empty
        } else {
            empty
        };
        if on.is_none()
            && let Some(p) = w.hand
        {
            return vec![Rest, Land(p)];
        }
        if none && on.is_some() {
            return vec![Word(Command::Next)];
        }
        if has("say again if it is not") {
            return vec![Word(Command::Again)];
        }
        if let Some(p) = on {
            relay(p, &mut acts, true);
        }
        return acts;
    }
    if has("just weighed does") || has("another one, and empty") {
        if all_empty {
            return vec![Word(Command::Next)];
        }
        if let Some(p) = on {
            acts.extend([Lift(p), Wait(0.8)]);
        }
        let q = w.wanted(step);
        acts.extend([Rest, Land(q)]);
        return acts;
    }
    if has("empty it, and place it again") || has("take that out, and place it again") {
        if let Some(p) = on.or(w.hand) {
            relay(p, &mut acts, true);
        }
        return acts;
    }
    if has("must weigh more than") {
        if knows_thing {
            return vec![Tidy];
        }
        return acts;
    }
    if has("leave it there") {
        return acts;
    }
    if has("a remedy may mend") {
        return vec![Word(Command::Next)];
    }
    if has("wait for the scale to rest, put the") || has("stands on the scale already") {
        if has("stands on the scale already") && on.is_none() && right.is_none() {
            let p = w.wanted(step);
            return vec![Land(p)];
        }
        if let Some(p) = on.or(w.hand).or(right) {
            relay(p, &mut acts, false);
        }
        return acts;
    }
    if has("put the") && has("back") {
        if knows_thing {
            acts.push(Tidy);
        }
        if on.is_some() && on == right {
            return acts;
        }
        if let Some(p) = on {
            acts.extend([Lift(p), Wait(0.8)]);
        }
        if let Some(p) = right.or(w.hand) {
            if has("to take some out")
                && offers(Choice::Keep)
                && w.vessels[p].has(stuff) < w.target(step) * 0.2
            {
                return vec![Word(Command::Keep)];
            }
            acts.extend([Rest, Land(p)]);
        }
        return acts;
    }
    if has("too soon") {
        if let Some(p) = on {
            acts.extend([Lift(p), Wait(0.6)]);
        }
        return acts;
    }
    if cue.kind == CueKind::Place
        || has("place ")
        || has("begin this step") && offers(Choice::Again)
    {
        if knows_thing && w.rng.bool() {
            acts.push(Tidy);
        }
        if has("again") && offers(Choice::Again) && cue.kind != CueKind::Place {
            acts.push(Word(Command::Again));
            return acts;
        }
        if let Some(p) = on {
            let fit = w.vessels[p].all() < 0.5 * d
                || w.vessels[p].name == "bottle"
                    && right.is_none_or(|r| r == p)
                    && w.vessels[p].has(step) > 0.0
                || w.vessels[p].name == "bowl" && has("bowl");
            w.stood += 1;
            if fit && w.stood < 2 {
                w.obeyed_soon();
                return acts;
            }
            w.stood = 0;
            acts.extend([Lift(p), Wait(0.8), Rest]);
            if fit {
                acts.push(Land(p));
                return acts;
            }
        }
        for p in 0..w.vessels.len() {
            if matches!(w.vessels[p].name, "beaker")
                && !w.vessels[p].held.is_empty()
                && !w.pan.contains(&p)
            {
                acts.push(Tip(p));
                break;
            }
        }
        if w.vessels.len() < 60 {
            acts.push(Do(Box::new(move |w| {
                let step = w.step;
                let p = w.wanted(step);
                if w.vessels[p].name == "bowl"
                    && w.cue.as_ref().is_some_and(|c| c.say.contains("empty bowl"))
                {
                    w.vessels[p].held.clear();
                }
                w.land(p);
            })));
        }
        return acts;
    }
    if has("lift") {
        if let Some(p) = on {
            acts.extend([Lift(p), Wait(0.6)]);
        }
        return acts;
    }
    if has("say again") || has("begin anew") {
        acts.push(Word(Command::Again));
    }
    acts
}

impl World {
    /// The step that comes when this one is recorded.
    pub fn next_step(&self) -> usize {
        if self.recorded(self.step) {
            (self.step + 1).min(self.plan.steps.len())
        } else {
            self.step
        }
    }

    pub fn obeyed_soon(&mut self) {
        let n = self.serial;
        self.acts.push_back(Wait(12.0));
        self.acts.push_back(Do(Box::new(move |w| {
            if w.serial == n {
                w.obeyed = n - 1;
            }
        })));
    }
}

/// Hers or the bench's mishap, now.
pub fn befall(w: &mut World) {
    let (t, d) = (w.t, w.d());
    w.fired += 1;
    let p = w.here();
    let r = w.rng.f64();
    let stuff = w.stuff();
    let mut acts: Vec<Act> = Vec::new();
    let log = |w: &mut World, x: String| {
        let l = format!("{:7.2} ** {:?} {x}", w.t, w.mishap);
        w.out.trace.push(l);
    };
    if !matches!(
        w.mishap,
        Mishap::Draught
            | Mishap::Bump
            | Mishap::Cable
            | Mishap::HoldBeaker
            | Mishap::SpoonRest
            | Mishap::Weak
            | Mishap::TwoBeakers
            | Mishap::Spill
            | Mishap::Lean
            | Mishap::UnitKey
    ) {
        w.close();
    }
    let shake = |hz: f64, amp: f64, fall: f64| -> Box<dyn Fn(f64) -> f64> {
        Box::new(move |s| amp * (-s / fall).exp() * (s * hz * TAU).sin())
    };
    let mut told = format!("r {r:.2}");
    match w.mishap {
        Mishap::Door => {
            let s = 90.0 + 400.0 * r;
            w.away_until = t + s;
            acts.push(Wait(s));
        }
        Mishap::EarlyNext => {
            let step = w.next_step();
            let q = w.wanted(step);
            if p.is_none() {
                acts.push(Do(Box::new(move |w| {
                    if w.pan.is_empty() || w.here().is_none() {
                        w.land(q);
                    }
                })));
            }
        }
        Mishap::Peer => {
            if let Some(p) = p {
                acts.extend([Lift(p), Wait(0.5 + 6.0 * r), Land(p)]);
            }
        }
        Mishap::Shake => {
            if let Some(p) = p {
                acts.extend([Lift(p), Wait(1.5), Land(p)]);
                for i in 0..6 {
                    w.pushes.push((
                        t + 3.0 + 0.2 * f64::from(i),
                        t + 3.1 + 0.2 * f64::from(i),
                        Box::new(move |_| 20.0 * d),
                    ));
                }
            }
        }
        Mishap::Tap => {
            let n = 2 + w.rng.usize(..4);
            w.pressed_at = t;
            for i in 0..n {
                let a = t + (0.25 + 0.9 * r) * i as f64;
                let g = (30.0 + 400.0 * r) * d;
                w.pushes.push((a, a + 0.12 + 0.3 * r, Box::new(move |_| g)));
            }
            acts.push(Wait(2.0));
            told = format!(
                "{n} taps {:.2} apart of {:.2}",
                0.25 + 0.9 * r,
                (30.0 + 400.0 * r) * d
            );
        }
        Mishap::Bigger => {
            if let Some(p) = p
                && w.vessels[p].name == "beaker"
            {
                let q = w.new_vessel("beaker");
                w.vessels[q].empty *= 1.3;
                acts.extend([
                    Lift(p),
                    Wait(3.0),
                    Do(Box::new(move |w| {
                        let h = std::mem::take(&mut w.vessels[p].held);
                        for (s, g) in h {
                            *w.vessels[q].held.entry(s).or_default() += 0.997 * g;
                            w.vessels[p].extra += 0.003 * g;
                        }
                        w.swapped = true;
                        w.land(q);
                    })),
                ]);
            }
        }
        Mishap::PourOver => {
            if let Some(p) = p
                && w.vessels[p].name == "beaker"
                && !w.recorded(w.step)
            {
                let g = w.vessels[p].has(stuff);
                acts.extend([
                    Lift(p),
                    Wait(3.0),
                    Take(g * if r < 0.5 { 1.0 } else { r }),
                    Wait(1.0),
                    Land(p),
                ]);
            }
        }
        Mishap::WipeRim => {
            if let Some(p) = p {
                let long = 1.5 + 4.0 * r;
                w.pressed_at = t + long;
                let g = 40.0 * d;
                w.pushes.push((
                    t,
                    t + long,
                    Box::new(move |s| g * (0.5 + (s * 11.0).sin() + 0.7 * (s * 4.1).sin())),
                ));
                let out = w.vessels[p].has(stuff) * 0.004 * r;
                if let Some(h) = w.vessels[p].held.get_mut(&stuff) {
                    *h -= out;
                }
                acts.push(Wait(long));
                told = format!("wipes off {out:.3}");
            }
        }
        Mishap::LidOn | Mishap::Rubber => {
            if let Some(p) = p
                && w.thing.is_none()
            {
                let g = if w.mishap == Mishap::LidOn {
                    (200.0 + 900.0 * r) * d
                } else {
                    (4.0 + 25.0 * r) * d
                };
                w.vessels[p].extra += g;
                w.thing = Some((p, g));
                told = format!("{g:.3} g laid on {p}");
            }
        }
        Mishap::LidOff | Mishap::SpoonIn => {
            if let Some(p) = p {
                // It was there from the landing on: see `before`.
                let g = w.vessels[p].extra.min(w.thing.map_or(0.0, |x| x.1));
                w.vessels[p].extra -= g;
                w.thing = None;
                told = format!("{g:.3} g taken off {p}");
            }
        }
        Mishap::HabitTare => {
            let k = Key::Tare;
            acts.push(Press(k));
        }
        Mishap::ZeroKey => acts.push(Press(Key::Zero)),
        Mishap::TwoBeakers if w.way(w.step) == VesselWay::Beaker => {
            let q = w.new_vessel("beaker");
            w.thing = Some((q, 0.0));
            w.pan.insert(0, q);
            w.vessels[q].support = 1.0;
            let g = 20.0 * d;
            w.pushes.push((t, t + 0.2, Box::new(move |_| g)));
            told = format!("a second one {:.3}", w.vessels[q].empty);
        }
        Mishap::TakeBack => {
            let g = (3.0 + 20.0 * r) * d + 0.02 * w.target(w.step);
            acts.push(Take(g));
        }
        Mishap::Pinch => {
            let g = (3.0 + 20.0 * r) * d;
            acts.push(Add(g));
        }
        Mishap::HoldBeaker => {
            if let Some(p) = p {
                let up = -w.vessels[p].mass() * (0.05 + 0.5 * r);
                let long = 2.0 + 10.0 * w.rng.f64();
                w.pressed_at = t + long;
                w.pushes.push((
                    t,
                    t + long,
                    Box::new(move |s| up * (1.0 + 0.1 * (s * 7.0).sin() + 0.05 * (s * 17.0).sin())),
                ));
                told = format!("{up:.2} g for {long:.1} s");
            }
        }
        Mishap::SpoonRest => {
            let g = (100.0 + 700.0 * r) * d;
            let long = 2.0 + 15.0 * w.rng.f64();
            w.pressed_at = t + long;
            w.pushes.push((t, t + long, Box::new(move |_| g)));
            told = format!("{g:.2} g for {long:.1} s");
        }
        Mishap::Stir => {
            let long = 3.0 + 4.0 * r;
            w.pressed_at = t + long;
            let g = 60.0 * d;
            w.pushes.push((
                t,
                t + long,
                Box::new(move |s| g * ((s * 9.0).sin() + 0.4 * (s * 23.0).sin() + 0.5)),
            ));
            acts.push(Wait(long));
        }
        Mishap::Cable => {
            w.touch = (5.0 + 40.0 * r) * d * if w.rng.bool() { 1.0 } else { -1.0 };
            w.touch_until = if w.rng.bool() {
                f64::MAX
            } else {
                t + 5.0 + 60.0 * r
            };
            told = format!("{:.3} g until {:.0}", w.touch, w.touch_until.min(1e5));
        }
        Mishap::Lean if p.is_some() => {
            let g = (10.0 + 120.0 * r) * d * if w.rng.bool() { 1.0 } else { -1.0 };
            let long = 8.0 + 30.0 * w.rng.f64();
            w.pressed_at = t + long;
            w.pushes
                .push((t, t + long, Box::new(move |s| g * (s / 4.0).min(1.0))));
            told = format!("{g:.3} g for {long:.0} s");
        }
        Mishap::Bump => {
            w.pushes
                .push((t, t + 2.0, shake(6.0, (100.0 + 900.0 * r) * d, 0.4)));
            w.touch += (w.rng.f64() - 0.5) * 6.0 * d;
            told = format!("and a shift of {:.3}", w.touch);
        }
        Mishap::Draught => {
            let a = (3.0 + 12.0 * r) * d;
            let s = 15.0 + 50.0 * w.rng.f64();
            w.blow(a, s);
        }
        Mishap::EagerPour => {
            if let Some(p) = p
                && w.way(w.step) != VesselWay::Difference
            {
                let rate = w.target(w.step) / 12.0;
                w.open(p, rate);
                acts.extend([Wait(0.5 + 2.5 * r), Do(Box::new(|w| w.close()))]);
                w.busy = t;
            }
        }
        Mishap::Spill => {
            let g = (2.0 + 25.0 * r) * d;
            w.litter += g;
            told = format!("{g:.3} g beside");
        }
        Mishap::UnitKey => acts.push(Press(Key::Unit)),
        Mishap::PowerCycle => acts.extend([
            Press(Key::Power),
            Wait(0.5 + 3.0 * r),
            Do(Box::new(|w| {
                if !w.scale.on {
                    let t = w.t;
                    w.scale.press(Key::Power, t);
                }
            })),
            Wait(3.0),
        ]),
        Mishap::Weak => w.scale.weak = t + 3.0 + 20.0 * r,
        Mishap::Overload => {
            let g = 1.3 * w.scale.kind.cap;
            w.pressed_at = t + 0.5 + 3.0 * r;
            w.pushes.push((t, t + 0.5 + 3.0 * r, Box::new(move |_| g)));
            acts.push(Wait(1.0 + 3.0 * r));
        }
        Mishap::Share => {
            if let Some(p) = p
                && w.vessels[p].name == "beaker"
                && !w.recorded(w.step)
            {
                let g = w.vessels[p].has(stuff) * 0.5;
                acts.extend([
                    Lift(p),
                    Wait(2.0),
                    Take(g),
                    Wait(3.0),
                    Do(Box::new(move |w| {
                        *w.vessels[p].held.entry(stuff).or_default() += 0.995 * g;
                        w.took = (-1e3, 0.0);
                    })),
                    Land(p),
                ]);
            }
        }
        Mishap::Refill => {
            if let Some(p) = p
                && w.way(w.step) == VesselWay::Difference
            {
                let g = w.target(w.step) * r;
                acts.extend([
                    Lift(p),
                    Wait(3.0),
                    Do(Box::new(move |w| {
                        *w.vessels[p].held.entry(stuff).or_default() += g;
                        if let Some(s) = w.start.get_mut(&(p, stuff)) {
                            *s += g;
                        }
                    })),
                    Rest,
                    Land(p),
                ]);
            }
        }
        Mishap::NextBeside => {
            if let Some(p) = p {
                let n = w.next_step();
                if n != w.step && w.way(n) != VesselWay::Bowl && w.vessels[p].name != "bowl" {
                    let q = w.wanted(n);
                    acts.extend([
                        Do(Box::new(move |w| {
                            w.land(q);
                            let s = w.step;
                            w.primary.insert(s, p);
                        })),
                        Wait(0.5 + 2.0 * r),
                        Lift(p),
                    ]);
                }
            }
        }
        Mishap::Moved => {
            for i in 0..8 {
                let g = (f64::from(i % 3) - 1.0) * 300.0 * d;
                let a = t + 0.2 * f64::from(i);
                w.pushes.push((a, a + 0.2, Box::new(move |_| g)));
            }
            let s = (10.0 + 50.0 * r) * d * if w.rng.bool() { 1.0 } else { -1.0 };
            w.scale.drift += s;
            acts.push(Wait(2.0));
            told = format!("the zero shifts by {s:.3}");
        }
        _ => {}
    }
    log(w, told);
    for a in acts.into_iter().rev() {
        w.acts.push_front(a);
    }
}
