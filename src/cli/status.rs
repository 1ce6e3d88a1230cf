//! `bismar status`: what is going on, in words or as JSON.

use std::fmt::Write as _;

use clap::Args;

use super::failure::FIND_SCALE;
use super::{Exit, Outcome, print, said};
use crate::language::{Slot, phrase, term};
use crate::protocol::client::Client;
use crate::protocol::reply::{self, Answer, LineStatus, Standing};
use crate::vocabulary::code::LineState;
use crate::vocabulary::status::ScaleStatus;
use crate::vocabulary::weight::Weight;

#[derive(Debug, Args)]
pub struct StatusArgs {
    /// Print one JSON object instead of words
    #[arg(long)]
    json: bool,
}

pub fn run(args: &StatusArgs) -> Outcome {
    let standing = Client::connect()?.status()?;
    if args.json {
        let line = reply::line(&Ok(Answer::Status(Box::new(standing))));
        print(&String::from_utf8_lossy(&line))?;
    } else {
        print(&words(&standing))?;
    }
    Ok(Exit::Done)
}

/// The reply in words.
fn words(standing: &Standing) -> String {
    let mut text = batch(standing);
    if let Some(trouble) = &standing.trouble {
        let _ = writeln!(text, "{trouble}");
    }
    if !standing.status.scales.is_empty() {
        text.push_str(&said(phrase!("Scales\n")));
    }
    for scale in &standing.status.scales {
        let line = standing.lines.iter().find(|line| line.scale == scale.name);
        text.push_str(&self::scale(scale, line));
    }
    if !standing.cues.is_empty() {
        text.push_str(&said(phrase!("Cues\n")));
    }
    for cue in &standing.cues {
        let (name, what) = (&cue.output, &cue.state);
        let _ = writeln!(text, "  {}", said(phrase!("{name}: {what}", name, what)));
    }
    text
}

/// The batch under way and its step.
fn batch(standing: &Standing) -> String {
    let mut text = headline(standing);
    let status = &standing.status;
    if let Some(say) = &status.say {
        let when = said(match status.formula {
            Some(_) => phrase!("Now: {say}", say = say.clone()),
            None => phrase!("Last: {say}", say = say.clone()),
        });
        let _ = writeln!(text, "  {when}");
    }
    text
}

/// The batch and its step, without what is to be done.
pub(super) fn headline(standing: &Standing) -> String {
    let status = &standing.status;
    let Some(formula) = &status.formula else {
        if status.scales.is_empty() {
            return said(phrase!(
                "No scale is set up yet: {how}.\n",
                how = FIND_SCALE
            ));
        }
        return said(phrase!(
            "No batch is under way. Begin one with `bismar begin FORMULA --batch 500g`.\n"
        ));
    };
    let mut text = formula.clone();
    if let (None, Some(tare)) = (status.step, &status.tare) {
        let tare = tare.clone();
        let _ = writeln!(
            text,
            "{}",
            said(phrase!(": every step is weighed; {tare}", tare))
        );
        return text;
    }
    if let (Some(step), Some(of)) = (status.step, status.of) {
        // Between two weighings the next step is not what is going on.
        if let Some(state) = status.state.filter(|state| state.is_between()) {
            let next = phrase!(
                ": {between}, step {step} of {of} comes next",
                between = state.said(),
                step,
                of,
            );
            let _ = writeln!(text, "{}", said(next));
            return text;
        }
        let word = |text: &Option<String>| text.clone().unwrap_or_default();
        let (ingredient, phase) = (word(&status.ingredient), word(&status.phase));
        text.push_str(&said(phrase!(
            ": step {step} of {of}, {ingredient} ({phase})",
            step,
            of,
            ingredient,
            phase,
        )));
        if let Some(target) = status.target {
            let target = Slot::number(target.to_string());
            let _ = write!(text, "\n  {}", said(phrase!("target {target} g", target)));
        }
        if let Some(Weight { mass, step }) = status.missing {
            let grams = mass.abs().grams(step);
            text.push_str(&said(match mass.is_negative() {
                true => phrase!(", {grams} g too much", grams),
                false => phrase!(", {grams} g to go", grams),
            }));
        }
    }
    text.push('\n');
    text
}

fn scale(scale: &ScaleStatus, line: Option<&LineStatus>) -> String {
    let mut what = String::new();
    match line.and_then(|line| line.trouble.as_deref()) {
        Some(trouble) => what.push_str(trouble),
        None => {
            what.push_str(&said(match scale.line {
                LineState::Open => term!("listening"),
                LineState::Silent => term!("sends nothing; look at its switch and its cable"),
                LineState::Waiting | LineState::Lost => term!("not open yet"),
            }));
            if let Some(weight) = &scale.weight {
                let weight = Slot::number(weight.to_string());
                what.push_str(&said(match scale.steady {
                    true => phrase!(", shows {weight} g, steady", weight),
                    false => phrase!(", shows {weight} g, moving", weight),
                }));
            }
            if let Some(port) = line.and_then(|line| line.port.as_deref()) {
                let _ = write!(what, " ({port})");
            }
        }
    }
    let mut text = format!(
        "  {}",
        said(phrase!("{name}: {what}", name = &scale.name, what))
    );
    let (good, rejected) = (scale.good_lines, scale.rejected_lines);
    let lines = phrase!("{good} good lines, {rejected} thrown away", good, rejected);
    let _ = writeln!(text, "\n    {}", said(lines));
    if scale.assumed {
        let assumed =
            phrase!("Its scatter is ASSUMED; `bismar repeatability --write` measures it.");
        let _ = writeln!(text, "    {}", said(assumed));
    }
    // The first line may be cut and says nothing.
    if good == 0 && rejected > 1 {
        let none = phrase!(
            "No line fits its layout. Stop bismar, run `bismar identify`, and compare the layout, speed and parity in the \
             configuration."
        );
        let _ = writeln!(text, "    {}", said(none));
    }
    text
}
