//! `bismar status`: what is going on, in words or as JSON.

use std::fmt::Write as _;

use clap::Args;

use super::failure::FIND_SCALE;
use super::{Exit, Outcome, print};
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
        text.push_str("Scales\n");
    }
    for scale in &standing.status.scales {
        let line = standing.lines.iter().find(|line| line.scale == scale.name);
        text.push_str(&self::scale(scale, line));
    }
    if !standing.cues.is_empty() {
        text.push_str("Cues\n");
    }
    for cue in &standing.cues {
        let _ = writeln!(text, "  {}: {}", cue.output, cue.state);
    }
    text
}

/// The batch under way and its step.
fn batch(standing: &Standing) -> String {
    let mut text = headline(standing);
    let status = &standing.status;
    if let Some(say) = &status.say {
        let when = match status.formula {
            Some(_) => "Now",
            None => "Last",
        };
        let _ = writeln!(text, "  {when}: {say}");
    }
    text
}

/// The batch and its step, without what is to be done.
pub(super) fn headline(standing: &Standing) -> String {
    let status = &standing.status;
    let Some(formula) = &status.formula else {
        if status.scales.is_empty() {
            return format!("No scale is set up yet: {FIND_SCALE}.\n");
        }
        return "No batch is under way. Begin one with `bismar begin FORMULA --batch 500g`.\n"
            .to_owned();
    };
    let mut text = formula.clone();
    if let (None, Some(tare)) = (status.step, &status.tare) {
        let _ = writeln!(text, ": every step is weighed; {tare}");
        return text;
    }
    if let (Some(step), Some(of)) = (status.step, status.of) {
        // Between two weighings the next step is not what is going on.
        if let Some(state) = status.state.filter(|state| state.is_between()) {
            let between = state.words();
            let _ = writeln!(text, ": {between}, step {step} of {of} comes next");
            return text;
        }
        let word = |text: &Option<String>| text.clone().unwrap_or_default();
        let (ingredient, phase) = (word(&status.ingredient), word(&status.phase));
        let _ = write!(text, ": step {step} of {of}, {ingredient} ({phase})");
        if let Some(target) = status.target {
            let _ = write!(text, "\n  target {target} g");
        }
        if let Some(Weight { mass, step }) = status.missing {
            let word = if mass.is_negative() {
                "too much"
            } else {
                "to go"
            };
            let _ = write!(text, ", {} g {word}", mass.abs().grams(step));
        }
    }
    text.push('\n');
    text
}

fn scale(scale: &ScaleStatus, line: Option<&LineStatus>) -> String {
    let mut text = format!("  {}: ", scale.name);
    match line.and_then(|line| line.trouble.as_deref()) {
        Some(trouble) => text.push_str(trouble),
        None => {
            text.push_str(match scale.line {
                LineState::Open => "listening",
                LineState::Silent => "sends nothing; look at its switch and its cable",
                LineState::Waiting | LineState::Lost => "not open yet",
            });
            if let Some(weight) = &scale.weight {
                let steady = if scale.steady { "steady" } else { "moving" };
                let _ = write!(text, ", shows {weight} g, {steady}");
            }
            if let Some(port) = line.and_then(|line| line.port.as_deref()) {
                let _ = write!(text, " ({port})");
            }
        }
    }
    let (good, rejected) = (scale.good_lines, scale.rejected_lines);
    let _ = writeln!(text, "\n    {good} good lines, {rejected} thrown away");
    if scale.assumed {
        text.push_str("    Its scatter is ASSUMED; `bismar repeatability --write` measures it.\n");
    }
    // The first line may be cut and says nothing.
    if good == 0 && rejected > 1 {
        text.push_str(
            "    No line fits its layout. Stop bismar, run `bismar identify`, and compare the layout, \
             speed and parity in the configuration.\n",
        );
    }
    text
}
