//! `bismar watch`: the cues as lines, and under them one live line that is rewritten in place.

use std::time::Duration;

use serde_json::Value;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;

use super::{Exit, Failure, Outcome, status, write};
use crate::cue::terminal::{Screen, Style};
use crate::protocol::client::{Client, ClientError};
use crate::protocol::event_line;
use crate::protocol::request::Request;

/// How often a daemon that is gone is looked for.
const AGAIN: Duration = Duration::from_millis(300);

/// What the thread that listens has to say.
enum News {
    /// Connected, also anew: the reply to `status`.
    Status(Value),
    Event(Value),
    Gone,
    /// The daemon let go of us, since we did not keep up.
    Slow,
    Failed(ClientError),
}

pub fn run() -> Outcome {
    // A daemon that does not run is told at once; one that goes later is waited for.
    let first = Client::connect()?;
    let (sender, news) = mpsc::channel(256);
    std::thread::spawn(move || listen(first, &sender));
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(Failure::failed)?;
    runtime.block_on(show(news))
}

async fn show(mut news: mpsc::Receiver<News>) -> Outcome {
    let mut view = View {
        screen: Screen::new(Style::of_stdout()),
        scale: None,
    };
    let mut interrupt = signal(SignalKind::interrupt()).map_err(Failure::failed)?;
    loop {
        let next = tokio::select! {
            next = news.recv() => next,
            _ = interrupt.recv() => None,
        };
        let text = match next {
            Some(News::Status(reply)) => view.status(&reply),
            Some(News::Event(event)) => view.event(&event),
            Some(News::Gone) => view
                .screen
                .line("The daemon has stopped; waiting for it. (Ctrl-C ends.)"),
            Some(News::Slow) => view.screen.line(
                "This window did not keep up, and some events are missing in it (the log has all \
                 that was recorded). Connecting anew.",
            ),
            Some(News::Failed(error)) => {
                write(view.screen.wiped().as_bytes())?;
                return Err(error.into());
            }
            None => {
                write(view.screen.wiped().as_bytes())?;
                return Ok(Exit::Done);
            }
        };
        if !text.is_empty() {
            write(text.as_bytes())?;
        }
    }
}

/// Listens for ever, and connects anew where the daemon was stopped and started.
fn listen(first: Client, out: &mpsc::Sender<News>) {
    let mut client = Some(first);
    loop {
        let ended = match client.take().map_or_else(Client::connect, Ok) {
            Ok(client) => follow(client, out),
            Err(error) => Err(error),
        };
        let gone = match ended {
            Ok(Ended::Stopped) => out.blocking_send(News::Gone),
            Ok(Ended::Slow) => out.blocking_send(News::Slow),
            Err(ClientError::NoDaemon | ClientError::Io(_)) => Ok(()),
            Err(error) => {
                let _ = out.blocking_send(News::Failed(error));
                return;
            }
        };
        if gone.is_err() {
            return;
        }
        std::thread::sleep(AGAIN);
    }
}

/// How a subscription ended.
enum Ended {
    Stopped,
    Slow,
}

/// Until the daemon stops, or lets go of us.
fn follow(mut client: Client, out: &mpsc::Sender<News>) -> Result<Ended, ClientError> {
    let status = client.ask(&Request::Status)?;
    if out.blocking_send(News::Status(status)).is_err() {
        return Ok(Ended::Stopped);
    }
    for line in client.subscribe(true)? {
        let line = match line {
            Ok(line) => line,
            // A daemon that stops sends whole lines.
            Err(ClientError::Cut) => return Ok(Ended::Slow),
            Err(_) => break,
        };
        let Ok(event) = serde_json::from_str::<Value>(&line) else {
            continue;
        };
        if event["event"] == "fault" && event["code"] == "slow" {
            return Ok(Ended::Slow);
        }
        if out.blocking_send(News::Event(event)).is_err() {
            break;
        }
    }
    Ok(Ended::Stopped)
}

struct View {
    screen: Screen,
    /// The scale whose weight is shown: that of the step.
    scale: Option<String>,
}

impl View {
    fn status(&mut self, reply: &Value) -> String {
        let mut text = String::new();
        // Step and cue come as the first events.
        for line in status::headline(reply).lines() {
            text.push_str(&self.screen.line(line));
        }
        for line in reply["lines"].as_array().map_or(&[][..], Vec::as_slice) {
            if let (Some(scale), Some(trouble)) = (line["scale"].as_str(), line["trouble"].as_str())
            {
                text.push_str(&self.screen.line(&format!("Scale {scale}: {trouble}")));
            }
        }
        for trouble in reply["trouble"].as_str().unwrap_or_default().lines() {
            text.push_str(&self.screen.line(trouble));
        }
        text
    }

    fn event(&mut self, event: &Value) -> String {
        let text = |key: &str| event[key].as_str().unwrap_or_default();
        match text("event") {
            "cue" => event_line::cue(event).map_or(String::new(), |cue| self.screen.cue("", &cue)),
            "reading" => self.reading(event),
            "recorded" => {
                let verdict = match text("verdict") {
                    "" => String::new(),
                    verdict => format!(", {verdict}"),
                };
                if event_line::left_out(event) {
                    let line = format!("{} left out (row {})", text("ingredient"), event["seq"]);
                    return self.screen.labelled("  recorded  ", &line);
                }
                let line = format!(
                    "{} g {}{verdict} (row {})",
                    text("net"),
                    text("ingredient"),
                    event["seq"]
                );
                self.screen.labelled("  recorded  ", &line)
            }
            "step" => {
                self.scale = event["scale"].as_str().map(str::to_owned);
                let line = format!(
                    "Step {} of {}: {} g {} ({} to {} g), {}",
                    event["step"],
                    event["of"],
                    text("target"),
                    text("ingredient"),
                    text("low"),
                    text("high"),
                    text("phase"),
                );
                self.screen.line(&line)
            }
            "fault" if event["over"] == true => {
                let scale = match text("scale") {
                    "" => String::new(),
                    name => format!("{name}: "),
                };
                let line = format!("{scale}{}", over(text("code")));
                self.screen.labelled("  over      ", &line)
            }
            "closed" => {
                self.scale = None;
                let complete = event["complete"] == true;
                self.screen.line(if complete {
                    "The batch is complete."
                } else {
                    "The batch was ended before all was weighed."
                })
            }
            // Faults are said by a cue, the tare by the next one.
            _ => String::new(),
        }
    }

    fn reading(&mut self, event: &Value) -> String {
        let Some(live) = event_line::live(event) else {
            return String::new();
        };
        let scale = event["scale"].as_str().unwrap_or_default();
        // Connected in the middle of a step: the scale that has something to add is the step's.
        if live.missing.is_some() {
            self.scale = Some(scale.to_owned());
        }
        if self.scale.as_deref().is_some_and(|shown| shown != scale) {
            return String::new();
        }
        if let Some(columns) = Style::of_stdout().columns {
            self.screen.resize(columns);
        }
        self.screen.live(&live)
    }
}

/// That a fault is over, in words.
fn over(code: &str) -> String {
    match code {
        "silent" => "the scale sends again".to_owned(),
        other => format!("the fault \"{}\"", other.replace('-', " ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_that_is_over_is_said_in_words() {
        let mut view = View {
            screen: Screen::new(Style::PLAIN),
            scale: None,
        };
        let mut said = |scale: Value, code: &str| {
            let event = "fault";
            view.event(
                &serde_json::json!({"event": event, "scale": scale, "code": code, "over": true}),
            )
        };
        assert_eq!(
            said("fine".into(), "silent"),
            "  over      fine: the scale sends again\n"
        );
        assert_eq!(
            said(Value::Null, "tare-lost"),
            "  over      the fault \"tare lost\"\n"
        );
    }
}
