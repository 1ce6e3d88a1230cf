//! `bismar status`: what is going on, in words or as JSON.

use std::fmt::Write as _;

use clap::Args;
use serde_json::Value;

use super::{Exit, Outcome, print, print_json};
use crate::protocol::client::Client;
use crate::protocol::request::Request;

#[derive(Debug, Args)]
pub struct StatusArgs {
    /// Print one JSON object instead of words
    #[arg(long)]
    json: bool,
}

pub fn run(args: &StatusArgs) -> Outcome {
    let reply = Client::connect()?.ask(&Request::Status)?;
    if args.json {
        print_json(&reply)?;
    } else {
        print(&words(&reply))?;
    }
    Ok(Exit::Done)
}

/// The reply in words.
pub(super) fn words(reply: &Value) -> String {
    let mut text = batch(reply);
    if let Some(trouble) = reply["trouble"].as_str() {
        let _ = writeln!(text, "{trouble}");
    }
    text.push_str("Scales\n");
    for scale in list(&reply["status"]["scales"]) {
        text.push_str(&self::scale(scale, &reply["lines"]));
    }
    let cues = list(&reply["cues"]);
    if !cues.is_empty() {
        text.push_str("Cues\n");
    }
    for cue in cues {
        let _ = writeln!(text, "  {}: {}", word(&cue["output"]), word(&cue["state"]));
    }
    text
}

/// The batch under way and its step.
fn batch(reply: &Value) -> String {
    let mut text = headline(reply);
    let status = &reply["status"];
    if let Some(say) = status["say"].as_str() {
        let when = if status["formula"].is_string() {
            "Now"
        } else {
            "Last"
        };
        let _ = writeln!(text, "  {when}: {say}");
    }
    text
}

/// The batch and its step, without what is to be done.
pub(super) fn headline(reply: &Value) -> String {
    let status = &reply["status"];
    let Some(formula) = status["formula"].as_str() else {
        return "No batch is under way. Begin one with `bismar begin FORMULA --batch 500g`.\n"
            .to_owned();
    };
    let mut text = formula.to_owned();
    if status["step"].is_null() && status["tare"].is_string() {
        let _ = writeln!(text, ": every step is weighed; {}", word(&status["tare"]));
        return text;
    }
    if let (Some(step), Some(of)) = (status["step"].as_u64(), status["of"].as_u64()) {
        // Between two weighings the next step is not what is going on.
        if let Some(
            between @ ("mixing" | "waiting for the emptied beaker" | "waiting for a decision"),
        ) = status["tare"].as_str()
        {
            let _ = writeln!(text, ": {between}, step {step} of {of} comes next");
            return text;
        }
        let _ = write!(text, ": step {step} of {of}");
        let phase = word(&status["phase"]);
        let _ = write!(text, ", {} ({phase})", word(&status["ingredient"]));
        let _ = write!(text, "\n  target {} g", word(&status["target"]));
        if let Some(missing) = status["missing"].as_str() {
            let (grams, word) = match missing.strip_prefix('-') {
                Some(over) => (over, "too much"),
                None => (missing, "to go"),
            };
            let _ = write!(text, ", {grams} g {word}");
        }
    }
    text.push('\n');
    text
}

fn scale(scale: &Value, lines: &Value) -> String {
    let name = word(&scale["name"]);
    let line = list(lines)
        .iter()
        .find(|line| line["scale"] == scale["name"]);
    let mut text = format!("  {name}: ");
    match line.and_then(|line| line["trouble"].as_str()) {
        Some(trouble) => text.push_str(trouble),
        None => {
            text.push_str(match scale["line"].as_str() {
                Some("open") => "listening",
                Some("silent") => "sends nothing; look at its switch and its cable",
                Some(_) | None => "not open yet",
            });
            if let Some(weight) = scale["weight"].as_str() {
                let steady = scale["steady"].as_bool().unwrap_or(false);
                let steady = if steady { "steady" } else { "moving" };
                let _ = write!(text, ", shows {weight} g, {steady}");
            }
            if let Some(port) = line.and_then(|line| line["port"].as_str()) {
                let _ = write!(text, " ({port})");
            }
        }
    }
    let rejected = scale["rejected_lines"].as_u64().unwrap_or(0);
    let good = scale["good_lines"].as_u64().unwrap_or(0);
    let _ = writeln!(text, "\n    {good} good lines, {rejected} thrown away");
    // The first line may be cut and says nothing.
    if good == 0 && rejected > 1 {
        text.push_str(
            "    No line fits its layout. Stop bismar, run `bismar identify`, and compare the layout, \
             speed and parity in the configuration.\n",
        );
    }
    text
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}

fn word(value: &Value) -> &str {
    value.as_str().unwrap_or_default()
}
