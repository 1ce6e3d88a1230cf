//! A literal person's reading of a sentence: only what it says, and only for what to do.
//!
//! A sentence is cut into alternatives at "or" and into clauses at commas, semicolons and "and". A
//! clause with a verb of the bench is something to do; one with "if" is done only when the person can
//! see that it is so. What has no verb that a literal person knows is not understood.

use crate::mass::Mass;
use crate::vocabulary::command::{Choice, Command};
use crate::vocabulary::cue::{Cue, CueKind};

/// What the sentence asks for.
#[derive(Debug, Clone, PartialEq)]
pub enum Asked {
    /// Set a vessel down: the one in the hand or the one just put away, if `back`.
    Place {
        back: bool,
    },
    Add(Mass),
    EaseOff,
    /// Hands off, and wait.
    Stop,
    TakeOut(Mass),
    Lift,
    /// Lift what stands there and put it back.
    LiftAndBack,
    /// Lift what stands there and set an empty one down.
    Replace,
    /// Take out (or back) all that was given of the step.
    TakeAllOut,
    /// Take away what lies there and does not belong.
    ClearPan,
    Mix,
    Say(Command),
    /// Bring the unit back in which the scale began, or this one.
    Unit(Option<String>),
    Press(Press),
    /// See to cable and switch.
    Restore,
    Done,
    /// Nobody could know what to do.
    Unclear,
}

/// What to press.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Press {
    Tare,
    Zero,
    Pan,
}

/// What the reader can see when it reads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Whether nothing is in the vessel spoken of (on the pan, or else in the hand).
    pub empty: Option<bool>,
    /// Whether it is the vessel that was there before.
    pub same: Option<bool>,
    /// Whether nothing was given of the step so far.
    pub none: bool,
    /// Whether a thing lies on the pan or on the vessel.
    pub laid: bool,
    /// Whether a thing that lay there was taken away since the vessel was set down.
    pub gone: bool,
    /// Whether nothing stands or lies on the scale.
    pub clear: bool,
    /// Whether a bowl is what is weighed; any other bowl is never seen to be empty.
    pub bowl: bool,
}

/// What was read, and whether the person had to guess.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadAs {
    pub asked: Vec<Asked>,
    pub guessed: bool,
}

/// The word for an offered answer.
pub fn word_of(choice: Choice) -> Command {
    choice.command()
}

/// Reads `cue`; what is asked for, in its order. Where several things would do, `pick` says which.
pub fn read(cue: &Cue, seen: Seen, pick: impl FnMut(usize) -> usize) -> ReadAs {
    let say = cue.say.to_lowercase();
    let number = || cue.missing.or_else(|| grams_in(&say)).map(Mass::abs);
    let plain = |asked: Option<Asked>| ReadAs {
        asked: vec![asked.unwrap_or(Asked::Unclear)],
        guessed: false,
    };
    match cue.kind {
        CueKind::Place => plain(Some(Asked::Place {
            back: say.contains("back"),
        })),
        CueKind::Add => plain(number().map(Asked::Add)),
        CueKind::EaseOff => plain(Some(Asked::EaseOff)),
        CueKind::Hold => plain(Some(Asked::Stop)),
        CueKind::TakeOut if seen.laid && say.contains("was laid") => plain(Some(Asked::ClearPan)),
        CueKind::TakeOut => plain(number().map(Asked::TakeOut)),
        CueKind::Mix => plain(Some(Asked::Mix)),
        CueKind::Done => plain(Some(Asked::Done)),
        CueKind::Lift | CueKind::Choose | CueKind::Fault => sentences(cue, &say, seen, pick),
    }
}

/// Something to do under a condition: fulfilled, not fulfilled, or nobody can tell.
#[derive(Debug, Clone)]
struct Clause {
    asked: Asked,
    holds: Option<bool>,
}

fn sentences(cue: &Cue, say: &str, seen: Seen, mut pick: impl FnMut(usize) -> usize) -> ReadAs {
    let mut asked: Vec<Asked> = Vec::new();
    let mut guessed = false;
    let mut last = None;
    for sentence in say.split(['.', '?', '!']) {
        // "12.34 g" was cut at its point; what is cut off has no verb.
        let mut ways: Vec<Vec<Clause>> = Vec::new();
        for way in sentence.replace(" or ", "|").split('|') {
            let clauses = clauses(cue, way, say, seen, &mut last);
            if !clauses.is_empty() {
                ways.push(clauses);
            }
        }
        let possible: Vec<Vec<Asked>> = ways.iter().filter_map(|way| doable(way)).collect();

        if possible.is_empty() {
            continue;
        }
        let sure = |way: &Vec<Clause>| way.iter().any(|clause| clause.holds.is_some());
        guessed |= !ways.iter().all(sure);
        let chosen = pick(possible.len()).min(possible.len() - 1);
        asked.extend(possible.into_iter().nth(chosen).unwrap_or_default());
    }
    if asked.is_empty() {
        let offered = cue.choices.len();
        match cue.choices.get(pick(offered.max(1))) {
            Some(&choice) => {
                guessed |= offered > 1;
                asked.push(Asked::Say(word_of(choice)));
            }
            None if cue.kind == CueKind::Lift => asked.push(Asked::Lift),
            None => asked.push(Asked::Unclear),
        }
    }
    ReadAs {
        asked: joined(asked),
        guessed,
    }
}

/// The deeds of one alternative; `None` when its conditions are not fulfilled.
fn doable(way: &[Clause]) -> Option<Vec<Asked>> {
    // What is said without a condition comes first; the rest will be seen then.
    let sure = way.iter().any(|clause| clause.holds == Some(true));
    let done: Vec<Asked> = way
        .iter()
        .filter(|clause| clause.holds == Some(true) || (clause.holds.is_none() && !sure))
        .map(|clause| clause.asked.clone())
        .collect();
    (!done.is_empty()).then_some(done)
}

/// Lifting, then putting something down, is one deed.
fn joined(asked: Vec<Asked>) -> Vec<Asked> {
    let lift = asked.iter().position(|asked| *asked == Asked::Lift);
    let place = |back| {
        let mut asked = asked.iter();
        asked.position(|asked| *asked == Asked::Place { back })
    };
    match lift {
        Some(lift) if place(true).is_some_and(|back| lift < back) => vec![Asked::LiftAndBack],
        Some(lift) if place(false).is_some_and(|down| lift < down) => vec![Asked::Replace],
        Some(_) | None => asked,
    }
}

fn clauses(cue: &Cue, way: &str, say: &str, seen: Seen, last: &mut Option<bool>) -> Vec<Clause> {
    let mut found: Vec<Clause> = Vec::new();
    let cut = way.replace(" when ", " if ").replace(" then ", ",");
    let parts = cut.split([';', ':']);
    let each = parts.flat_map(|part| {
        let texts: Vec<String> = part
            .replace(" and ", ",")
            .split(',')
            .map(|text| text.trim().to_owned())
            .collect();
        texts.into_iter().enumerate()
    });
    // "if it does, lift it off and take that out": what stands before the comma holds for all of it.
    let mut before: Option<Option<bool>> = None;
    for (place, text) in each {
        if place == 0 {
            before = None;
        }
        let text = text.as_str();
        let (deed, condition) = match text.find(" if ").map(|at| text.split_at(at)) {
            Some((deed, condition)) => (deed, Some(condition)),
            None if text.starts_with("if ") => ("", Some(text)),
            None => (text, None),
        };
        let holds = condition.map(|condition| holds(condition, seen, last));
        let after_not = text.strip_prefix("if not ").unwrap_or("");
        match (
            deed_of(cue, deed, say).or(deed_of(cue, after_not, say)),
            holds,
        ) {
            (Some(asked), holds) => found.push(Clause {
                asked,
                holds: holds.or(before).unwrap_or(Some(true)),
            }),
            // "say next, but only if ...": the condition of what stands before it.
            (None, Some(holds)) if ["but", "only", "but only"].contains(&deed) => {
                if let Some(clause) = found.last_mut() {
                    clause.holds = holds;
                }
            }
            (None, Some(holds)) if deed.is_empty() => before = Some(holds),
            (None, _) => {}
        }
    }
    found
}

fn holds(condition: &str, seen: Seen, last: &mut Option<bool>) -> Option<bool> {
    let has = |word: &str| condition.contains(word);
    let not = has(" not ") || condition.ends_with(" not") || has("isn't");
    let another = seen.same == Some(false);
    let found = if has("nothing is on") {
        Some(seen.clear)
    } else if has("something else lay") {
        Some(seen.gone || another)
    } else if has("that is ingredient") || has("it is the vessel") {
        Some(has("vessel") == seen.none)
    } else if has("that much") || has("only pressed") {
        // What she did not take away herself, or another hand, was her own pouring or pressing.
        Some(!seen.gone && !another)
    } else if has("bowl") && !seen.bowl {
        Some(false)
    } else if has("none ") || has("nothing of") || has(" no ") {
        Some(seen.none)
    } else if has("some was") || has("some is") || has("it does") {
        Some(!seen.none)
    } else if has("empty") || has("nothing was added") || has("nothing in it") {
        seen.empty
    } else if has("same") {
        seen.same
    } else if has("another") || has("different") || has("other") {
        seen.same.map(|same| !same)
    } else if not {
        // "if it is not": the opposite of what was asked before.
        return last.map(|last| !last);
    } else {
        None
    };
    *last = found;
    found.map(|found| found != not)
}

/// The deed that a clause names, if it names one.
fn deed_of(cue: &Cue, clause: &str, say: &str) -> Option<Asked> {
    let clause = clause.trim();
    let has = |words: &str| clause.contains(words);
    let begins = |words: &str| clause.starts_with(words);
    let offered = |word: &str| {
        let mut offered = cue.choices.iter();
        offered.find(|choice| choice.name() == word).copied()
    };
    if let Some((_, word)) = clause.split_once("say ") {
        let word = word.split_whitespace().next().unwrap_or("");
        let word = word.trim_matches(|c: char| !c.is_alphabetic());
        let command = offered(word).map(word_of).or_else(|| command_named(word));
        return command.map(Asked::Say);
    }
    let first = clause.split_whitespace().next().unwrap_or("");
    if let Some(choice) = offered(first) {
        return Some(Asked::Say(word_of(choice)));
    }
    if begins("begin") && has("again") {
        return Some(match offered("again") {
            Some(choice) => Asked::Say(word_of(choice)),
            None => Asked::Place { back: false },
        });
    }
    if has("set it back to") || has("set the scale back to") || has("unit key") {
        return Some(Asked::Unit(None));
    }
    if let Some((_, unit)) = clause.split_once("set it to ") {
        return Some(Asked::Unit(
            unit.split_whitespace().next().map(str::to_owned),
        ));
    }
    if begins("press") {
        return match () {
            () if has("tare") => Some(Asked::Press(Press::Tare)),
            () if has("zero") => Some(Asked::Press(Press::Zero)),
            () if has("pan") => Some(Asked::Press(Press::Pan)),
            () if has("unit") => Some(Asked::Unit(None)),
            () => None,
        };
    }
    if begins("plug") || begins("switch") || begins("look at") {
        return Some(Asked::Restore);
    }
    if has("hands off") || begins("shield") || begins("wait") || begins("let ") || begins("leave") {
        return Some(Asked::Stop);
    }
    if begins("wipe") || begins("clear") || begins("remove") || (begins("take") && has(" off")) {
        return Some(Asked::ClearPan);
    }
    if begins("take that out") || begins("put it back first") {
        return Some(Asked::TakeAllOut);
    }
    if begins("take") && has("out") {
        let much = cue.missing.or_else(|| over_in(say));
        return much.map(|much| Asked::TakeOut(much.abs()));
    }
    if begins("lift") {
        return Some(Asked::Lift);
    }
    if (begins("put") || begins("set") || begins("place")) && has("back") {
        return Some(Asked::Place { back: true });
    }
    if begins("place") || begins("put") || begins("set") {
        return Some(Asked::Place { back: false });
    }
    if begins("mix") || begins("stir") {
        return Some(Asked::Mix);
    }
    None
}

fn command_named(word: &str) -> Option<Command> {
    match word {
        "next" => Some(Command::Next),
        "again" => Some(Command::Again),
        "keep" => Some(Command::Keep),
        "stop" => Some(Command::Stop),
        "residue" => Some(Command::Residue(None)),
        _ => None,
    }
}

/// The number before `g over` or `g too much`, else the first with a `g` behind it.
fn over_in(say: &str) -> Option<Mass> {
    let before = say.split(" g over").next().filter(|head| *head != say);
    let number = before.and_then(|head| head.split_whitespace().next_back());
    let number = number.and_then(|number| number.parse().ok());
    number.and_then(Mass::from_g_f64).or_else(|| grams_in(say))
}

fn grams_in(say: &str) -> Option<Mass> {
    let words: Vec<&str> = say.split_whitespace().collect();
    let pair = words
        .windows(2)
        .find(|pair| pair.get(1).is_some_and(|unit| unit.starts_with('g')))?;
    let number: f64 = pair.first()?.parse().ok()?;
    Mass::from_g_f64(number)
}
