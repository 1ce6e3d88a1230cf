//! Line layouts: the forms in which bench scales send a weight. One file each.
//!
//! The layouts are common practice without a published source; each is named after its shape. A
//! layout accepts a line only when every column fits: "the first number in the line" is how a cut
//! line becomes a wrong weight.

mod column;
pub mod comma_header;
pub mod pattern;
pub mod question_mark;
pub mod reply_code;
pub mod sign_number_unit;
pub mod status_reply;
pub mod stx_frame;

use std::fmt;

use super::frame::Framing;
use super::{Line, Reject};
use crate::language::{Sentence, Term, phrase, shown_as_told};
use crate::scale::settings::ScaleSettings;

pub use pattern::{Pattern, PatternError};

/// One form of line.
pub trait Layout: Sync + Send + fmt::Debug {
    /// The name in the configuration, after the shape.
    fn name(&self) -> &'static str;

    /// One sentence for a person, with an example.
    fn describe(&self) -> Term;

    fn framing(&self) -> Framing {
        Framing::Lines
    }

    fn columns(&self) -> Columns;

    /// Reads one whole line or frame, as the [`Framing`] gives it.
    ///
    /// # Errors
    /// [`Reject::Form`] when any column does not fit, [`Reject::Checksum`] when the check does not.
    fn parse(&self, line: &[u8]) -> Result<Line, Reject>;
}

/// How far a layout can tell by itself that a line was cut; where it cannot,
/// [`super::decode::Decoder`] compares the line's length with that of its neighbours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Columns {
    /// Every line has one width (or its end inside the frame): a cut line never fits.
    Fixed,
    /// The head is fixed, so a lost head shows; a lost tail can turn `ozt` into `oz`.
    OpenEnd,
    /// Neither is fixed: `2.35 g` may be a line, or `12.35 g` without its head.
    Open,
}

/// Every built-in layout; those with fixed columns first, since of two that read the same weights
/// from the same lines the stricter one is the better.
pub static ALL: [&dyn Layout; 9] = [
    &sign_number_unit::Sixteen,
    &sign_number_unit::TwentyTwo,
    &stx_frame::StatusBytesChecked,
    &stx_frame::StatusBytes,
    &stx_frame::Readable,
    &status_reply::StatusReply,
    &comma_header::CommaHeader,
    &reply_code::ReplyCode,
    &question_mark::QuestionMark,
];

/// The name under which the configuration holds a layout of its own.
pub const PATTERN: &str = "pattern";

/// The built-in layout of this name; case and `_` for `-` do not matter.
pub fn by_name(name: &str) -> Option<&'static dyn Layout> {
    let name = name.trim().to_ascii_lowercase().replace('_', "-");
    ALL.into_iter().find(|layout| layout.name() == name)
}

/// The layout of one scale: built in, or the pattern of its configuration.
#[derive(Debug, Clone)]
pub enum Chosen {
    BuiltIn(&'static dyn Layout),
    Pattern(Box<Pattern>),
}

impl Chosen {
    /// The layout that a scale's configuration names.
    ///
    /// # Errors
    /// An unknown name (the message lists the known ones), a pattern that is missing, is not wanted
    /// or does not compile.
    pub fn from_config(scale: &ScaleSettings) -> Result<Chosen, LayoutError> {
        if scale.layout.trim().eq_ignore_ascii_case(PATTERN) {
            let pattern = scale
                .pattern
                .as_deref()
                .ok_or(LayoutError::PatternMissing)?;
            return Ok(Chosen::Pattern(Box::new(Pattern::new(
                pattern, scale.unit,
            )?)));
        }
        let layout =
            by_name(&scale.layout).ok_or_else(|| LayoutError::Unknown(scale.layout.clone()))?;
        if scale.unit.is_some() {
            return Err(LayoutError::UnitUnused(layout.name()));
        }
        match scale.pattern {
            Some(_) => Err(LayoutError::PatternUnused(layout.name())),
            None => Ok(Chosen::BuiltIn(layout)),
        }
    }

    pub fn layout(&self) -> &dyn Layout {
        match self {
            Chosen::BuiltIn(layout) => *layout,
            Chosen::Pattern(pattern) => &**pattern,
        }
    }
}

/// Why a configuration names no usable layout.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LayoutError {
    Unknown(String),
    PatternMissing,
    PatternUnused(&'static str),
    UnitUnused(&'static str),
    Pattern(PatternError),
}

impl From<PatternError> for LayoutError {
    fn from(error: PatternError) -> LayoutError {
        LayoutError::Pattern(error)
    }
}

impl LayoutError {
    pub fn what(&self) -> Sentence {
        match self {
            LayoutError::Unknown(name) => phrase!("no line layout is called \"{name}\"", name),
            LayoutError::PatternMissing => {
                phrase!("layout = \"pattern\" needs the key `pattern` with a regular expression")
            }
            LayoutError::PatternUnused(name) => phrase!(
                "the key `pattern` is used only with layout = \"pattern\", not with \"{name}\"",
                name = *name,
            ),
            LayoutError::UnitUnused(name) => phrase!(
                "the key `unit` is used only with layout = \"pattern\": \"{name}\" has the unit in its lines",
                name = *name,
            ),
            LayoutError::Pattern(error) => error.what(),
        }
    }

    /// A sentence without its stop.
    pub fn remedy(&self) -> Sentence {
        match self {
            LayoutError::Unknown(_) => {
                phrase!("Write one of: {names}, pattern", names = names())
            }
            LayoutError::PatternMissing => phrase!("Add it"),
            LayoutError::PatternUnused(_) => phrase!("Remove one"),
            LayoutError::UnitUnused(_) => phrase!("Remove it"),
            LayoutError::Pattern(error) => error.remedy(),
        }
    }

    pub fn told(&self) -> Sentence {
        phrase!(
            "{what}. {remedy}.",
            what = self.what(),
            remedy = self.remedy()
        )
    }
}

shown_as_told!(LayoutError);

impl std::error::Error for LayoutError {}

fn names() -> String {
    ALL.map(|layout| layout.name()).join(", ")
}
