//! The layout that the configuration describes itself: a regular expression with named groups.

use regex::bytes::{Captures, Regex, RegexBuilder};

use super::super::{Indication, Line, Reject};
use super::{Columns, Layout, PATTERN, column};
use crate::language::{Sentence, Term, phrase, shown_as_told, term};
use crate::mass::Unit;
use crate::vocabulary::reading::Shown;

/// The groups that a pattern can name.
pub const GROUPS: [&str; 10] = [
    "sign", "number", "unit", "steady", "unsteady", "net", "gross", "overload", "pounds", "ounces",
];

/// The largest compiled size of a pattern, in bytes.
const SIZE_LIMIT: usize = 1 << 20;

/// A compiled pattern. It must match the whole line; bytes are ASCII.
///
/// `number` (required, unless `pounds` and `ounces` stand in its place) is the weight. `sign` makes
/// it negative when it holds a `-`. `unit` is a unit symbol; without that group the configured unit
/// holds, and without both there is no weight. `steady` or `unsteady` that matched (something) says
/// so; a pattern with one of the two says the opposite when it did not. `net` and `gross` likewise
/// tell which weight it is. `overload` that matched means there is no number.
#[derive(Debug, Clone)]
pub struct Pattern {
    regex: Regex,
    default_unit: Option<Unit>,
    has: [bool; GROUPS.len()],
}

/// Why a pattern cannot be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PatternError {
    Syntax(String),
    TooLarge,
    Group(String),
    NoNumber,
    HalfPounds,
    TwoNumbers,
    NoUnit,
}

impl PatternError {
    pub fn what(&self) -> Sentence {
        match self {
            PatternError::Syntax(why) => {
                phrase!("the pattern is not a regular expression: {why}", why)
            }
            PatternError::TooLarge => phrase!(
                "the pattern grows over {size} bytes when compiled",
                size = SIZE_LIMIT,
            ),
            PatternError::Group(name) => {
                phrase!(
                    "the pattern has a group \"{name}\", which means nothing",
                    name
                )
            }
            PatternError::NoNumber => phrase!("the pattern has no group for the weight"),
            PatternError::HalfPounds => {
                phrase!("the pattern has only one of the groups pounds and ounces")
            }
            PatternError::TwoNumbers => {
                phrase!("the pattern has number and also pounds and ounces")
            }
            PatternError::NoUnit => {
                phrase!("the pattern has no group `unit` and the scale no key `unit`")
            }
        }
    }

    /// A sentence without its stop.
    pub fn remedy(&self) -> Sentence {
        match self {
            PatternError::Syntax(_) => phrase!(
                "Correct it, or test it with {find_at_terminal}",
                find_at_terminal = "`bismar identify`"
            ),
            PatternError::TooLarge => phrase!("Use smaller repeat counts"),
            PatternError::Group(_) => {
                phrase!("The groups are {groups}", groups = GROUPS.join(", "))
            }
            PatternError::NoNumber => phrase!(
                "Put {number} around it, or {pounds} and {ounces}",
                number = "(?<number>[0-9]+[.][0-9]+)",
                pounds = "(?<pounds>..)",
                ounces = "(?<ounces>..)",
            ),
            PatternError::HalfPounds => phrase!("Name both"),
            PatternError::TwoNumbers => phrase!("Keep one way"),
            PatternError::NoUnit => phrase!(
                "Add {unit} to the scale, or {group} to the pattern",
                unit = "unit = \"g\"",
                group = "(?<unit>[a-z]+)",
            ),
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

shown_as_told!(PatternError);

impl std::error::Error for PatternError {}

impl Pattern {
    /// Compiles a pattern; `default_unit` is the unit of numbers that never carry one.
    ///
    /// # Errors
    /// [`PatternError`], each with its remedy.
    pub fn new(pattern: &str, default_unit: Option<Unit>) -> Result<Pattern, PatternError> {
        // Alone first: an error then shows the maker's own text, and `a)|(b` cannot slip out of
        // the parentheses that are put around it.
        compile(pattern)?;
        let regex = compile(&format!(r"\A(?:{pattern})\z"))?;
        let mut has = [false; GROUPS.len()];
        for name in regex.capture_names().flatten() {
            match GROUPS.iter().position(|group| *group == name) {
                Some(at) => has[at] = true,
                None => return Err(PatternError::Group(name.to_owned())),
            }
        }
        let compiled = Pattern {
            regex,
            default_unit,
            has,
        };
        let (number, pounds, ounces) = (
            compiled.has("number"),
            compiled.has("pounds"),
            compiled.has("ounces"),
        );
        match (number, pounds, ounces) {
            (false, false, false) => Err(PatternError::NoNumber),
            (_, true, false) | (_, false, true) => Err(PatternError::HalfPounds),
            (true, true, true) => Err(PatternError::TwoNumbers),
            (true, false, false) if !compiled.has("unit") && default_unit.is_none() => {
                Err(PatternError::NoUnit)
            }
            (true, false, false) | (false, true, true) => Ok(compiled),
        }
    }

    fn has(&self, group: &str) -> bool {
        GROUPS
            .iter()
            .zip(self.has)
            .any(|(name, has)| has && *name == group)
    }

    /// What two opposite groups say: each alone also says the opposite when it did not match.
    fn either(&self, found: &Captures<'_>, yes: &str, no: &str) -> Result<Option<bool>, Reject> {
        let matched = |group| found.name(group).is_some_and(|text| !text.is_empty());
        match (matched(yes), matched(no)) {
            (true, true) => Err(Reject::Form),
            (true, false) => Ok(Some(true)),
            (false, true) => Ok(Some(false)),
            (false, false) => Ok(match (self.has(yes), self.has(no)) {
                (true, false) => Some(false),
                (false, true) => Some(true),
                (true, true) | (false, false) => None,
            }),
        }
    }
}

impl Layout for Pattern {
    fn name(&self) -> &'static str {
        PATTERN
    }
    fn describe(&self) -> Term {
        term!("the pattern of the configuration")
    }
    fn columns(&self) -> Columns {
        Columns::Open
    }
    fn parse(&self, line: &[u8]) -> Result<Line, Reject> {
        let found = self.regex.captures(line).ok_or(Reject::Form)?;
        let group = |name| found.name(name).map(|text| text.as_bytes().trim_ascii());
        if group("overload").is_some_and(|text| !text.is_empty()) {
            return Ok(Line::Overload);
        }
        let minus = group("sign").is_some_and(|sign| sign.contains(&b'-'));
        let (value, unit) = match (group("pounds"), group("ounces"), group("number")) {
            (Some(pounds), Some(ounces), _) => (
                column::pounds_and_ounces(pounds, ounces, minus)?,
                Some(Unit::PoundOunce),
            ),
            (_, _, Some(number)) => {
                let (own_minus, digits) = match number {
                    [b'-', digits @ ..] => (true, digits),
                    [b'+', digits @ ..] => (false, digits),
                    digits => (false, digits),
                };
                if own_minus && minus {
                    return Err(Reject::Form);
                }
                (column::right_aligned(digits, minus || own_minus)?, None)
            }
            _ => return Ok(Line::NoWeight),
        };
        let unit = match (unit, group("unit")) {
            (Some(unit), _) => Some(unit),
            (None, Some(b"")) => None,
            (None, Some(word)) => match column::unit(word)? {
                Some(unit) => Some(unit),
                None => return Ok(Line::NotAMass),
            },
            // The unit group is there and did not match: left out, as while the load moves.
            (None, None) if self.has("unit") => None,
            (None, None) => self.default_unit,
        };
        Ok(Line::Weight(Indication {
            value,
            unit,
            steady: self.either(&found, "steady", "unsteady")?,
            shown: match self.either(&found, "net", "gross")? {
                Some(true) => Some(Shown::Net),
                Some(false) => Some(Shown::Gross),
                None => None,
            },
        }))
    }
}

fn compile(pattern: &str) -> Result<Regex, PatternError> {
    RegexBuilder::new(pattern)
        .unicode(false)
        .size_limit(SIZE_LIMIT)
        .dfa_size_limit(SIZE_LIMIT)
        .nest_limit(50)
        .build()
        .map_err(|error| match error {
            regex::Error::CompiledTooBig(_) => PatternError::TooLarge,
            other => PatternError::Syntax(last_line(&other.to_string())),
        })
}

/// The regex library draws the place over several lines; the message for a person is the last one.
fn last_line(text: &str) -> String {
    let last = text.trim_end().lines().next_back().unwrap_or(text);
    last.trim_start_matches("error: ").to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mass::Decimal;

    fn pattern(text: &str) -> Pattern {
        Pattern::new(text, None).unwrap()
    }

    #[test]
    fn groups_become_a_weight() {
        let p = pattern(r"(?<sign>[+-]) *(?<number>\d+[.,]\d+) (?<unit>\w+)(?<unsteady> M)?");
        let line = p.parse(b"-   0.05 g M");
        let value = Decimal {
            digits: -5,
            decimals: 2,
            negative: true,
        };
        let mut weight = Indication {
            value,
            unit: Some(Unit::Gram),
            steady: Some(false),
            shown: None,
        };
        assert_eq!(line, Ok(Line::Weight(weight)));
        weight.steady = Some(true);
        assert_eq!(p.parse(b"-   0.05 g"), Ok(Line::Weight(weight)));
        assert_eq!(p.parse(b"x-   0.05 g"), Err(Reject::Form));
        assert_eq!(p.parse(b"-   0.05 g "), Err(Reject::Form));
        assert_eq!(p.parse(b"+   5.00 pcs"), Ok(Line::NotAMass));
    }

    #[test]
    fn alternatives_are_anchored_as_a_whole() {
        let p = pattern(r"(?<number>\d+)(?<unit>g)|(?<overload>OL)");
        assert_eq!(p.parse(b"12g34"), Err(Reject::Form));
        assert_eq!(p.parse(b"xOL"), Err(Reject::Form));
        assert_eq!(p.parse(b"OL"), Ok(Line::Overload));
    }

    #[test]
    fn pounds_and_ounces_become_ounces() {
        let p = pattern(r"(?<pounds>\d+)lb +(?<ounces>\d+\.\d)oz");
        let Ok(Line::Weight(weight)) = p.parse(b"2lb  3.5oz") else {
            panic!("no weight");
        };
        assert_eq!((weight.value.digits, weight.value.decimals), (355, 1));
        assert_eq!(weight.unit, Some(Unit::PoundOunce));
    }

    #[test]
    fn a_number_without_a_unit_has_the_configured_one() {
        let p = Pattern::new(r"(?<number>\d+\.\d+)", Some(Unit::Ounce)).unwrap();
        let Ok(Line::Weight(weight)) = p.parse(b"1.25") else {
            panic!("no weight");
        };
        assert_eq!(weight.unit, Some(Unit::Ounce));
    }

    #[test]
    fn errors_name_the_fault_and_the_remedy() {
        let fails = |text: &str, words: &[&str]| {
            let error = Pattern::new(text, None).unwrap_err().to_string();
            assert!(
                words.iter().all(|word| error.contains(word)),
                "{text}: {error}"
            );
        };
        fails(r"(?<number>\d+", &["unclosed group"]);
        fails(r"(?<unit>g)", &["number"]);
        fails(r"(?<nummer>\d+)", &["nummer", "number"]);
        fails(r"(?<number>\d+)", &["unit = \"g\""]);
        fails(r"(?<pounds>\d+)", &["ounces"]);
        fails(r"(?<number>(\w{1000}){1000}) (?<unit>g)", &["repeat"]);
        fails(r"(?<number>1)(?<unit>g))|(x", &["unopened group"]);
        fails(
            r"(?x)(?<number>1)(?<unit>g) # note",
            &["regular expression"],
        );
    }
}
