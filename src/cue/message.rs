//! The notification's text, hints and buttons (freedesktop Desktop Notifications Specification 1.2).
//! Pure.

use notify_rust::{Hint, Notification, Timeout, Urgency};

use super::bus::Capabilities;
use super::sound::SoundNames;
use super::{Said, ask_command, choice_label, plain};
use crate::language::{Language, phrase};
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::{Cue, CueKind};

/// Longest summary, in characters.
const LONGEST: usize = 200;
/// A sentence longer than this is repeated in the body: some servers cut the summary to one line.
const ONE_LINE: usize = 50;

/// Who makes the sound.
pub(super) enum ServerSound {
    /// We play it, or it is turned off: the server is told to be silent.
    Silent,
    /// The server, since we have no player.
    Asked(SoundNames),
}

/// The key that the server sends back. With the question's number in it, a late press on an older
/// question (or on one of an earlier daemon) answers nothing.
pub(super) fn action_key(choice: Choice, question: u64) -> String {
    format!("{}-{}-{question}", choice.name(), std::process::id())
}

pub(super) fn message(
    said: &Said,
    capabilities: Capabilities,
    sound: &ServerSound,
    language: Language,
) -> Notification {
    let cue = &said.cue;
    let lasting = cue.urgent || !cue.choices.is_empty();
    let mut message = Notification::new();
    message
        .appname("bismar")
        .summary(&plain(&cue.say, LONGEST))
        .body(&body(cue, capabilities, language))
        .hint(Hint::Urgency(if cue.urgent {
            Urgency::Critical
        } else {
            Urgency::Normal
        }))
        .hint(Hint::Category(category(cue.kind).to_owned()))
        .timeout(if lasting {
            Timeout::Never
        } else {
            Timeout::Default
        });
    if !cue.urgent {
        message.hint(Hint::Transient(true));
    }
    let name = match sound {
        ServerSound::Silent => None,
        ServerSound::Asked(names) => names.of(cue.kind),
    };
    message.hint(match name {
        None => Hint::SuppressSound(true),
        Some(file) if file.contains('/') => Hint::SoundFile(plain(file, 4096)),
        Some(name) => Hint::SoundName(plain(name, LONGEST)),
    });
    for choice in &cue.choices {
        let label = language.text(choice_label(*choice).english());
        message.action(&action_key(*choice, said.question), &label);
    }
    message
}

/// Categories of the specification's table; a cue is about the scale, a device.
const fn category(kind: CueKind) -> &'static str {
    match kind {
        CueKind::Fault => "device.error",
        CueKind::Place
        | CueKind::Add
        | CueKind::EaseOff
        | CueKind::Hold
        | CueKind::TakeOut
        | CueKind::Lift
        | CueKind::Mix
        | CueKind::Choose
        | CueKind::Done => "device",
    }
}

fn body(cue: &Cue, capabilities: Capabilities, language: Language) -> String {
    let mut lines = Vec::new();
    if cue.say.chars().count() > ONE_LINE {
        lines.push(plain(&cue.say, 4 * LONGEST));
    }
    if cue.step > 0 {
        lines.push(phrase!("Step {step}", step = cue.step).in_language(language));
    }
    if !capabilities.actions {
        for choice in &cue.choices {
            lines.push(format!(
                "{}: bismar {}",
                language.text(choice_label(*choice).english()),
                choice.name()
            ));
        }
    }
    let ask = cue.asks.and_then(ask_command);
    lines.extend(ask.map(|ask| language.text(ask.english()).into_owned()));
    let body = lines.join("\n");
    if capabilities.markup {
        escape(&body)
    } else {
        body
    }
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_body_is_escaped_only_for_a_server_that_reads_markup() {
        let cue = Cue {
            kind: CueKind::Choose,
            say: "0.30 g too much of <b>salt</b> & balm & powder & oil".into(),
            step: 2,
            missing: None,
            choices: vec![Choice::Keep],
            urgent: true,
            lead: 0,
            asks: None,
        };
        let server = |actions, markup| Capabilities { actions, markup };
        assert_eq!(
            body(&cue, server(true, true), Language::English),
            "0.30 g too much of &lt;b&gt;salt&lt;/b&gt; &amp; balm &amp; powder &amp; oil\nStep 2"
        );
        assert_eq!(
            body(&cue, server(false, false), Language::English),
            format!("{}\nStep 2\nKeep: bismar keep", cue.say)
        );
    }
}
