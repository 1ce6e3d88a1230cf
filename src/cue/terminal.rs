//! Text for a terminal: a cue as a line, and one live line that is rewritten in place. Pure: the
//! caller writes what comes out.

use std::io::IsTerminal;

use super::{ask_command, choice_label, plain};
use crate::language::{Language, Sentence, Term, phrase, term};
use crate::mass::Mass;
use crate::text::columns::{fold, width};
use crate::vocabulary::cue::{Cue, CueKind};
use crate::weighing::event::Live;

/// Longest sentence in a line, in characters.
const LONGEST: usize = 400;

/// What the place of output can do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Style {
    /// Colour may be used. It never carries a meaning that the words do not.
    pub colour: bool,
    /// Columns of a terminal; `None` where lines are not rewritten (a file, a pipe).
    pub columns: Option<usize>,
    pub language: Language,
}

impl Style {
    /// No colour, nothing rewritten.
    pub const PLAIN: Style = Style {
        colour: false,
        columns: None,
        language: Language::English,
    };

    /// What standard output can do. Colour only on a terminal, and not when `NO_COLOR` is set to
    /// anything but the empty text (no-color.org) or `TERM` is `dumb`.
    pub fn of_stdout() -> Style {
        let stdout = std::io::stdout();
        if !stdout.is_terminal() {
            return Style::PLAIN;
        }
        let size = rustix::termios::tcgetwinsize(&stdout);
        let columns = size.map_or(0, |size| usize::from(size.ws_col));
        let no_colour = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
        let dumb = std::env::var_os("TERM").is_none_or(|term| term == "dumb");
        Style {
            colour: !no_colour && !dumb,
            columns: Some(if columns == 0 { 80 } else { columns }),
            language: Language::English,
        }
    }
}

/// The word for a kind of cue.
pub const fn kind_word(kind: CueKind) -> Term {
    match kind {
        CueKind::Place => term!("place"),
        CueKind::Add => term!("add"),
        CueKind::EaseOff => term!("ease off"),
        CueKind::Hold => term!("hold"),
        CueKind::TakeOut => term!("take out"),
        CueKind::Lift => term!("lift"),
        CueKind::Mix => term!("mix"),
        CueKind::Choose => term!("choose"),
        CueKind::Fault => term!("fault"),
        CueKind::Done => term!("done"),
    }
}

/// A cue as text without a line end: `lead`, the word for its kind (in capitals when it is urgent), the
/// sentence, and on lines of their own the commands that answer it.
pub fn cue_text(lead: &str, cue: &Cue, style: Style) -> String {
    let language = style.language;
    let text = |term: Term| language.word(term);
    let word = text(kind_word(cue.kind));
    let word = if cue.urgent {
        format!("{:<8}", word.to_uppercase())
    } else {
        format!("{word:<8}")
    };
    let used = width(lead) + 2 + width(&word) + 2;
    let lead = format!("{lead}  {}  ", paint(&word, cue, style));
    let say = plain(&cue.say.in_language(language), LONGEST);
    let mut all = hanging(&lead, used, used, &say, style);
    for choice in &cue.choices {
        let indent = " ".repeat(used);
        all.push_str(&format!(
            "\n{indent}{}: bismar {}",
            text(choice_label(*choice)),
            choice.name()
        ));
    }
    if let Some(command) = cue.asks.and_then(ask_command) {
        let indent = " ".repeat(used);
        all.push_str(&format!("\n{indent}{}", text(command)));
    }
    all
}

/// A live reading as text without a line end, never longer than the columns. What does not fit is
/// left out as a whole: a number that was cut would be another number.
pub fn live_text(live: &Live, style: Style) -> String {
    let grams = |mass: Mass| mass.grams(live.readability);
    let guide = match live.missing {
        Some(missing) if missing.is_negative() => {
            phrase!("to take out   {over} g", over = grams(-missing))
        }
        Some(missing) => phrase!("to add   {missing} g", missing = grams(missing)),
        None => Sentence::none(),
    };
    let net = live.net.map_or(Sentence::none(), |net| {
        phrase!("net {net} g", net = grams(net))
    });
    let fields = [
        guide,
        phrase!("on the pan {weight} g", weight = grams(live.weight)),
        match live.steady {
            true => phrase!("steady"),
            false => phrase!("moving"),
        },
        net,
    ];
    let fields = fields.map(|field| field.in_language(style.language));
    let mut text = String::new();
    for field in fields.iter().filter(|field| !field.is_empty()) {
        let gap = if text.is_empty() { 2 } else { 3 };
        // The last column stays free: some terminals wrap when it is written.
        let fits = style
            .columns
            .is_none_or(|columns| width(&text) + gap + width(field) < columns);
        if !fits {
            break;
        }
        text.push_str(&" ".repeat(gap));
        text.push_str(field);
    }
    text
}

/// The lower end of a terminal: cues stay, the live line under them is rewritten.
#[derive(Debug, Clone)]
pub struct Screen {
    style: Style,
    /// Characters of the live line that stands there now.
    standing: usize,
}

impl Screen {
    pub const fn new(style: Style) -> Screen {
        Screen { style, standing: 0 }
    }

    /// The columns have changed.
    pub fn resize(&mut self, columns: usize) {
        if self.style.columns.is_some() {
            self.style.columns = Some(columns);
        }
    }

    /// What to write for a cue, `lead` before it.
    pub fn cue(&mut self, lead: &str, cue: &Cue) -> String {
        format!("{}{}\n", self.wiped(), cue_text(lead, cue, self.style))
    }

    /// What to write for any other line. Its later lines, where it must be folded, are set in.
    pub fn line(&mut self, line: &str) -> String {
        let line = plain(line, LONGEST);
        let text = line.trim_start();
        let lead = " ".repeat(width(&line) - width(text));
        let used = lead.len();
        let text = hanging(&lead, used, used + 2, text, self.style);
        format!("{}{text}\n", self.wiped())
    }

    /// What to write for a text behind a lead, under whose end its later lines begin.
    pub fn labelled(&mut self, lead: &str, text: &str) -> String {
        let used = width(lead);
        let text = hanging(lead, used, used, &plain(text, LONGEST), self.style);
        format!("{}{text}\n", self.wiped())
    }

    /// What to write for a reading; nothing where lines cannot be rewritten.
    pub fn live(&mut self, live: &Live) -> String {
        let Some(columns) = self.style.columns else {
            return String::new();
        };
        let text = live_text(live, self.style);
        let length = width(&text);
        // Spaces wipe the rest of the old line on every terminal, however simple.
        let over = self.standing.min(columns.saturating_sub(1));
        let rest = " ".repeat(over.saturating_sub(length));
        self.standing = length;
        format!("\r{text}{rest}")
    }

    /// What to write before the program ends or writes by itself: the live line goes.
    pub fn wiped(&mut self) -> String {
        let standing = std::mem::take(&mut self.standing);
        if standing == 0 {
            return String::new();
        }
        let columns = self.style.columns.unwrap_or(0);
        format!(
            "\r{}\r",
            " ".repeat(standing.min(columns.saturating_sub(1)))
        )
    }
}

/// Columns of text below which nothing is set in under a lead.
const NARROWEST: usize = 12;

/// A text behind a lead of `used` columns (it may hold colours). On a terminal that is too narrow for
/// both the text is folded between words, its later lines set in by `indent`; elsewhere it stays one line.
fn hanging(lead: &str, used: usize, indent: usize, text: &str, style: Style) -> String {
    let whole = || format!("{lead}{text}");
    // The last column stays free: some terminals wrap when it is written.
    let columns = match style.columns {
        Some(columns) if used + width(text) >= columns => columns.saturating_sub(1),
        Some(_) | None => return whole(),
    };
    let margin = indent.max(used);
    if columns < margin + NARROWEST {
        let lines = fold(text, columns.saturating_sub(2)).join("\n  ");
        let lead = lead.trim_end();
        let gap = if lead.is_empty() { "" } else { "\n" };
        return format!("{lead}{gap}  {lines}");
    }
    let gap = format!("\n{}", " ".repeat(indent));
    format!("{lead}{}", fold(text, columns - margin).join(&gap))
}

fn paint(word: &str, cue: &Cue, style: Style) -> String {
    let colour = match cue.kind {
        CueKind::Fault | CueKind::TakeOut => "31",
        CueKind::EaseOff | CueKind::Hold | CueKind::Choose => "33",
        CueKind::Lift | CueKind::Done => "32",
        CueKind::Place | CueKind::Add | CueKind::Mix => "39",
    };
    let colour = if cue.urgent { "1;31" } else { colour };
    if style.colour {
        format!("\u{1b}[{colour}m{word}\u{1b}[0m")
    } else {
        word.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::vocabulary::command::Choice;
    use crate::vocabulary::cue::Ask;

    const COLOURED: Style = Style {
        colour: true,
        columns: Some(80),
        language: Language::English,
    };

    fn live(missing: Option<i64>) -> Live {
        Live {
            scale: 0,
            weight: Mass::from_mg(158_330),
            net: Some(Mass::from_mg(46_200)),
            missing: missing.map(Mass::from_mg),
            steady: true,
            readability: Mass::from_mg(10),
        }
    }

    fn cue(kind: CueKind, say: &str, urgent: bool, choices: &[Choice]) -> Cue {
        Cue {
            kind,
            say: say.into(),
            step: 1,
            missing: None,
            choices: choices.to_vec(),
            urgent,
            lead: 0,
            asks: None,
        }
    }

    #[test]
    fn what_takes_more_than_a_word_is_said_as_a_command() {
        let mut lot = cue(CueKind::Choose, "Name the lot of salt.", false, &[]);
        lot.asks = Some(Ask::Lot);
        assert_eq!(
            cue_text("", &lot, Style::PLAIN),
            "  choose    Name the lot of salt.\n            Name its lot: bismar lot LOT"
        );
    }

    #[test]
    fn a_cue_says_its_kind_in_a_word_with_and_without_colour() {
        let add = cue(CueKind::Add, "4.20 g salt to go", false, &[]);
        assert_eq!(
            cue_text("", &add, Style::PLAIN),
            "  add       4.20 g salt to go"
        );
        let over = cue(CueKind::TakeOut, "0.30 g too much", true, &[Choice::Keep]);
        assert_eq!(
            cue_text("", &over, Style::PLAIN),
            "  TAKE OUT  0.30 g too much\n            Keep: bismar keep"
        );
        for kind in CueKind::ALL {
            for urgent in [false, true] {
                let cue = cue(kind, "now", urgent, &[]);
                let coloured = cue_text("", &cue, COLOURED);
                let mut words = coloured.split('\u{1b}').map(|part| {
                    part.strip_prefix('[')
                        .and_then(|p| p.split_once('m'))
                        .map_or(part, |p| p.1)
                });
                let without: String = words.by_ref().collect();
                assert_eq!(without, cue_text("", &cue, Style::PLAIN));
                assert!(without.to_lowercase().contains(kind_word(kind).english()));
            }
        }
    }

    #[test]
    fn a_long_sentence_is_folded_between_words_under_its_beginning() {
        let say = "Place an empty beaker: 3.60 g Essential oil blend comes next. Caution: gloves, air, \
                   away from flames.";
        let add = cue(CueKind::Place, say, true, &[Choice::Next]);
        let whole = cue_text("   1.0 s", &add, Style::PLAIN);
        assert_eq!(
            whole.lines().count(),
            2,
            "one line where nothing is rewritten: {whole}"
        );
        let words = |text: &str| {
            text.split_whitespace()
                .map(str::to_owned)
                .collect::<Vec<_>>()
        };
        for columns in 34..=130 {
            for colour in [false, true] {
                let style = Style {
                    colour,
                    columns: Some(columns),
                    language: Language::English,
                };
                let text = cue_text("   1.0 s", &add, style)
                    .replace("\u{1b}[1;31m", "")
                    .replace("\u{1b}[0m", "");
                assert_eq!(words(&text), words(&whole), "no word is cut: {text}");
                for line in text
                    .lines()
                    .take_while(|line| !line.contains("bismar next"))
                {
                    assert!(line.chars().count() < columns, "{columns}: {line:?}");
                }
                let indent = " ".repeat(20);
                assert!(
                    text.lines().skip(1).all(|line| line.starts_with(&indent)),
                    "{text}"
                );
            }
        }
        // Too narrow for a margin: under the word.
        let style = Style {
            colour: false,
            columns: Some(25),
            language: Language::English,
        };
        let text = cue_text(
            "",
            &cue(CueKind::Hold, "Hold. Let it come to rest.", false, &[]),
            style,
        );
        assert_eq!(
            text,
            "  hold      Hold. Let it\n            come to\n            rest."
        );
        let text = cue_text(
            "   1.0 s",
            &cue(CueKind::Hold, "Let it come to rest.", false, &[]),
            style,
        );
        assert_eq!(text, "   1.0 s  hold\n  Let it come to rest.");
    }

    #[test]
    fn other_lines_are_folded_too() {
        let mut screen = Screen::new(Style {
            colour: false,
            columns: Some(21),
            language: Language::English,
        });
        assert_eq!(
            screen.line("  one two three four five"),
            "  one two three\n    four five\n"
        );
        assert_eq!(
            screen.labelled("ab  ", "one two three four five"),
            "ab  one two three\n    four five\n"
        );
        assert_eq!(screen.line("  short   as it is"), "  short   as it is\n");
        for columns in 0..30 {
            let mut screen = Screen::new(Style {
                colour: false,
                columns: Some(columns),
                language: Language::English,
            });
            let text = screen.line("  one two three four five") + &screen.labelled("ab", "one two");
            let letters: String = text.split_whitespace().collect();
            assert_eq!(letters, "onetwothreefourfiveabonetwo");
        }
    }

    #[test]
    fn a_sentence_cannot_steer_the_terminal() {
        let cue = cue(CueKind::Add, "salt\u{1b}[2J\r\nof the sea", false, &[]);
        assert_eq!(
            cue_text("", &cue, Style::PLAIN),
            "  add       salt [2J  of the sea"
        );
    }

    #[test]
    fn the_live_line_fits_every_width_and_never_cuts_a_number() {
        let whole = "  to add   4.20 g   on the pan 158.33 g   steady   net 46.20 g";
        assert_eq!(live_text(&live(Some(4200)), Style::PLAIN), whole);
        for columns in 0..=90 {
            let style = Style {
                colour: false,
                columns: Some(columns),
                language: Language::English,
            };
            let text = live_text(&live(Some(4200)), style);
            assert!(
                text.is_empty() || text.chars().count() < columns,
                "{columns}: {text:?}"
            );
            assert!(whole.starts_with(&text));
            let next = whole.get(text.len()..).unwrap_or("?");
            assert!(
                next.is_empty() || next.starts_with("  "),
                "{columns}: {text:?}"
            );
        }
    }

    #[test]
    fn too_much_is_said_in_words_not_by_a_sign() {
        let text = live_text(&live(Some(-300)), Style::PLAIN);
        assert!(
            text.starts_with("  to take out   0.30 g   on the pan"),
            "{text}"
        );
        let text = live_text(&live(None), Style::PLAIN);
        assert!(text.starts_with("  on the pan 158.33 g"), "{text}");
    }

    #[test]
    fn the_live_line_is_rewritten_on_a_terminal_and_left_out_elsewhere() {
        let mut screen = Screen::new(COLOURED);
        let first = screen.live(&live(Some(4200)));
        assert!(first.starts_with("\r  to add   4.20 g"));
        let second = screen.live(&live(None));
        assert_eq!(
            second.chars().count(),
            first.chars().count(),
            "wipes the longer line"
        );
        let add = cue(CueKind::Hold, "hold", false, &[]);
        let third = screen.cue("", &add);
        assert!(
            third.starts_with("\r   ") && third.ends_with("hold\n"),
            "{third:?}"
        );
        assert_eq!(screen.wiped(), "");

        let mut pipe = Screen::new(Style::PLAIN);
        assert_eq!(pipe.live(&live(Some(4200))), "");
        assert_eq!(pipe.cue("", &add), "  hold      hold\n");
    }
}
