//! `bismar watch`: the cues as lines, and under them one live line that is rewritten in place.

use std::time::Duration;

use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;

use super::{Exit, Failure, Outcome, language, said, status, write};
use crate::cue::terminal::{Screen, Style};
use crate::language::{Sentence, Slot, Term, phrase, term};
use crate::protocol::client::{Client, ClientError};
use crate::protocol::event::{Event, Reading, Told};
use crate::protocol::reply::Standing;
use crate::vocabulary::code::FaultCode;
use crate::vocabulary::entry::Verdict;
use crate::vocabulary::weight::Weight;
use crate::weighing::event::Live;

/// How often a daemon that is gone is looked for.
const AGAIN: Duration = Duration::from_millis(300);

/// What the thread that listens has to say.
enum News {
    /// Connected, also anew: the reply to `status`.
    Status(Box<Standing>),
    Event(Event<'static>),
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
        .map_err(Failure::theirs)?;
    runtime.block_on(show(news))
}

async fn show(mut news: mpsc::Receiver<News>) -> Outcome {
    let mut view = View {
        screen: Screen::new(Style {
            language: language(),
            ..Style::of_stdout()
        }),
        scale: None,
    };
    let mut interrupt = signal(SignalKind::interrupt()).map_err(Failure::theirs)?;
    loop {
        let next = tokio::select! {
            next = news.recv() => next,
            _ = interrupt.recv() => None,
        };
        let text = match next {
            Some(News::Status(standing)) => view.status(&standing),
            Some(News::Event(event)) => view.event(&event),
            Some(News::Gone) => view.screen.line(&said(phrase!(
                "The daemon has stopped; waiting for it. (Ctrl-C ends.)"
            ))),
            Some(News::Slow) => view.screen.line(&said(phrase!(
                "This window did not keep up, and some events are missing in it (the log has all that was recorded). \
                 Connecting anew."
            ))),
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
    let standing = Box::new(client.status()?);
    if out.blocking_send(News::Status(standing)).is_err() {
        return Ok(Ended::Stopped);
    }
    for line in client.subscribe(true)? {
        let line = match line {
            Ok(line) => line,
            // A daemon that stops sends whole lines.
            Err(ClientError::Cut) => return Ok(Ended::Slow),
            Err(_) => break,
        };
        let event = match Told::read(line.as_bytes()) {
            Ok(told) => told.event,
            Err(_) => continue,
        };
        if matches!(&event, Event::Fault(fault) if fault.code == FaultCode::Slow) {
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
    fn status(&mut self, standing: &Standing) -> String {
        let mut text = String::new();
        // Step and cue come as the first events.
        for line in status::headline(standing).lines() {
            text.push_str(&self.screen.line(line));
        }
        for line in &standing.lines {
            if let Some(trouble) = &line.trouble {
                text.push_str(&self.screen.line(&said(phrase!(
                    "Scale {scale}: {trouble}",
                    scale = &line.scale,
                    trouble = trouble.clone(),
                ))));
            }
        }
        for trouble in standing.trouble.as_deref().unwrap_or_default().lines() {
            text.push_str(&self.screen.line(trouble));
        }
        text
    }

    fn event(&mut self, event: &Event) -> String {
        match event {
            Event::Cue(cue) => self.screen.cue("", &cue.clone().into()),
            Event::Reading(reading) => self.reading(reading),
            Event::Recorded(recorded) => {
                let (ingredient, seq) = (&recorded.ingredient, recorded.seq);
                let (ingredient, net) = (&**ingredient, Slot::number(recorded.net.to_string()));
                let line = match recorded.verdict {
                    _ if recorded.is_left_out() => {
                        phrase!("{ingredient} left out (row {seq})", ingredient, seq)
                    }
                    Some(verdict) => phrase!(
                        "{net} g {ingredient}, {verdict} (row {seq})",
                        net,
                        ingredient,
                        verdict = told(verdict),
                        seq,
                    ),
                    None => phrase!("{net} g {ingredient} (row {seq})", net, ingredient, seq),
                };
                self.labelled(phrase!("  recorded  "), line)
            }
            Event::Step(step) => {
                self.scale = step.scale.as_deref().map(str::to_owned);
                let number = |grams: &dyn ToString| Slot::number(grams.to_string());
                let line = phrase!(
                    "Step {step} of {of}: {target} g {ingredient} ({low} to {high} g), {phase}",
                    step = step.step,
                    of = step.of,
                    target = number(&step.target),
                    ingredient = &*step.ingredient,
                    low = number(&step.low),
                    high = number(&step.high),
                    phase = &*step.phase,
                );
                self.screen.line(&said(line))
            }
            Event::Fault(fault) if fault.over => {
                let line = match &fault.scale {
                    Some(name) => {
                        phrase!("{name}: {over}", name = &**name, over = over(fault.code))
                    }
                    None => over(fault.code),
                };
                self.labelled(phrase!("  over      "), line)
            }
            Event::Closed { complete } => {
                self.scale = None;
                self.screen.line(&said(match complete {
                    true => phrase!("The batch is complete."),
                    false => phrase!("The batch was ended before all was weighed."),
                }))
            }
            // Faults are said by a cue, the tare by the next one.
            Event::Fault(_) | Event::Tare(_) | Event::Other => String::new(),
        }
    }

    fn labelled(&mut self, label: Sentence, line: Sentence) -> String {
        self.screen.labelled(&said(label), &said(line))
    }

    fn reading(&mut self, reading: &Reading) -> String {
        let scale = reading.scale.as_deref().unwrap_or_default();
        // Connected in the middle of a step: the scale that has something to add is the step's.
        if reading.missing.is_some() {
            self.scale = Some(scale.to_owned());
        }
        if self.scale.as_deref().is_some_and(|shown| shown != scale) {
            return String::new();
        }
        if let Some(columns) = Style::of_stdout().columns {
            self.screen.resize(columns);
        }
        let mass = |weight: Option<Weight>| weight.map(|weight| weight.mass);
        self.screen.live(&Live {
            scale: 0,
            weight: reading.weight.mass,
            net: mass(reading.net),
            missing: mass(reading.missing),
            steady: reading.steady,
            readability: reading.weight.step,
        })
    }
}

const fn told(verdict: Verdict) -> Term {
    match verdict {
        Verdict::Inside => term!("inside"),
        Verdict::Under => term!("under"),
        Verdict::Over => term!("over"),
        Verdict::Kept => term!("kept"),
    }
}

/// That a fault is over, in words.
fn over(code: FaultCode) -> Sentence {
    match code {
        FaultCode::Silent => phrase!("the scale sends again"),
        other => phrase!(
            "the fault \"{fault}\"",
            fault = other.name().replace('-', " "),
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::event::Fault;

    #[test]
    fn a_fault_that_is_over_is_said_in_words() {
        let mut view = View {
            screen: Screen::new(Style::PLAIN),
            scale: None,
        };
        let mut said = |scale: Option<&'static str>, code: FaultCode| {
            view.event(&Event::Fault(Fault {
                scale: scale.map(Into::into),
                code,
                over: true,
            }))
        };
        assert_eq!(
            said(Some("fine"), FaultCode::Silent),
            "  over      fine: the scale sends again\n"
        );
        assert_eq!(
            said(None, FaultCode::TareLost),
            "  over      the fault \"tare lost\"\n"
        );
    }
}
