//! Refusals of the command line's parser, in a language that the parser itself does not speak.

use std::error::Error as _;
use std::num::ParseIntError;

use clap::Error;
use clap::error::{ContextKind, ContextValue, ErrorKind};

use super::value::ValueError;
use super::{Failure, help, language};
use crate::language::{Sentence, phrase};
use crate::lots::price::PriceError;

/// `None`: there are no words of ours for it, or it is no refusal but a page of the help.
pub(super) fn told(error: &Error) -> Option<Failure> {
    let text = |kind: ContextKind| match error.get(kind)? {
        ContextValue::String(text) => Some(text.clone()),
        ContextValue::Strings(texts) => Some(texts.join(", ")),
        ContextValue::StyledStr(text) => Some(text.to_string()),
        _ => None,
    };
    let argument = || text(ContextKind::InvalidArg);
    let typed = || text(ContextKind::InvalidValue);
    let message = match error.kind() {
        ErrorKind::UnknownArgument => {
            phrase!("\"{typed}\" is not known here", typed = argument()?)
        }
        ErrorKind::InvalidSubcommand => phrase!(
            "there is no command \"{typed}\"",
            typed = text(ContextKind::InvalidSubcommand)?,
        ),
        ErrorKind::MissingRequiredArgument => {
            phrase!("not given: {arguments}", arguments = argument()?)
        }
        ErrorKind::InvalidValue if typed()?.is_empty() => {
            phrase!("{argument} needs a value", argument = argument()?)
        }
        ErrorKind::InvalidValue => phrase!(
            "{argument} cannot be \"{typed}\"; it is one of: {values}",
            argument = argument()?,
            typed = typed()?,
            values = text(ContextKind::ValidValue)?,
        ),
        ErrorKind::ValueValidation => phrase!(
            "{argument} cannot be \"{typed}\": {why}",
            argument = argument()?,
            typed = typed()?,
            why = why(error),
        ),
        ErrorKind::TooManyValues => phrase!(
            "{argument} takes no value \"{typed}\"",
            argument = argument()?,
            typed = typed()?,
        ),
        ErrorKind::ArgumentConflict => match text(ContextKind::PriorArg)? {
            other if argument()? == other => {
                phrase!("{argument} was given more than once", argument = other)
            }
            other => phrase!(
                "{argument} cannot be given together with {other}",
                argument = argument()?,
                other,
            ),
        },
        _ => return None,
    };
    let similar = [
        ContextKind::SuggestedSubcommand,
        ContextKind::SuggestedArg,
        ContextKind::SuggestedValue,
    ];
    let similar = similar.into_iter().find_map(text);
    let similar = similar.filter(|names| !names.is_empty());
    let remedy = match (similar, text(ContextKind::Usage)) {
        (Some(similar), _) => phrase!("perhaps this is meant: {similar}", similar),
        (None, Some(usage)) => {
            let usage = help::places_in(help::without_head(&usage), language());
            phrase!("write it as {usage}", usage)
        }
        (None, None) => phrase!("the command with --help behind it says what it takes"),
    };
    Some(Failure::usage(message).remedy(remedy))
}

/// What the reader of a value says of it.
fn why(error: &Error) -> Sentence {
    let Some(source) = error.source() else {
        return phrase!("it is no such value");
    };
    if let Some(value) = source.downcast_ref::<ValueError>() {
        value.told()
    } else if let Some(price) = source.downcast_ref::<PriceError>() {
        price.told()
    } else if source.is::<ParseIntError>() {
        phrase!("write a whole number")
    } else {
        source.to_string().into()
    }
}
