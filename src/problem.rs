//! Problems of a file that a person wrote: where, what, and what to do about it.

use crate::language::{Sentence, Slot, phrase};

/// One fault of an input file.
///
/// Shown as `file:line:column: message. Remedy.`
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// The file as the person named it.
    pub path: String,
    /// From 1; 0 when the fault has no place inside the file (it cannot be read, for example).
    pub line: usize,
    /// From 1, counted in characters; 0 as for `line`.
    pub column: usize,
    /// What is wrong: one sentence without its final stop.
    pub message: Sentence,
    /// What to do: one or more sentences, the last one without its stop.
    pub remedy: Sentence,
}

impl Problem {
    /// Where, what and what to do. Files are named and counted the same in every language.
    pub fn told(&self) -> Sentence {
        let mut place = String::new();
        if !self.path.is_empty() {
            place = format!("{}:", self.path);
        }
        if self.line > 0 {
            place.push_str(&format!("{}:{}:", self.line, self.column));
        }
        let words = self.without_place();
        match place.is_empty() {
            true => words,
            false => Sentence::from(place).and(words),
        }
    }

    /// What and what to do, for who sees the place.
    pub fn without_place(&self) -> Sentence {
        stopped(&self.message).and(stopped(&self.remedy))
    }
}

/// Words about a file as they are said of what was typed into a form, where a number has the decimal sign of who types.
pub fn of_a_form(words: &Sentence) -> Sentence {
    words.with_each(&|name, own| match name {
        "number_in_file" | "mass_in_file" => Some(Slot::number(own.english())),
        "text_in_file" => Some(Slot::number(own.english().trim_matches('"'))),
        "typed_in_file" => Some(phrase!("\"{name}\"", name = own.english()).into()),
        "point_in_file" => Some(Sentence::none().into()),
        _ => None,
    })
}

fn stopped(words: &Sentence) -> Sentence {
    match words.is_empty() || words.ends_with('.') {
        true => words.clone(),
        false => phrase!("{why}.", why = words.clone()),
    }
}

crate::shown_as_told!(Problem);

impl std::error::Error for Problem {}

/// All faults found in one pass over a file, in the order of their places; never empty in an `Err`.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Problems(pub Vec<Problem>);

impl Problems {
    /// How many are printed; a file of another kind would give thousands.
    const SHOWN: usize = 20;

    /// Of a text that was refused and so is in no file: without places, which nobody could look up, and with what each
    /// key is `called` where it was typed.
    #[must_use]
    pub fn of_unwritten(mut self, called: impl Fn(&str) -> Sentence) -> Problems {
        for problem in &mut self.0 {
            *problem = Problem {
                path: String::new(),
                line: 0,
                column: 0,
                message: of_a_form(&problem.message).with_called("key", &called),
                remedy: of_a_form(&problem.remedy).with_called("key", &called),
            };
        }
        self
    }
}

impl From<Problem> for Problems {
    fn from(problem: Problem) -> Problems {
        Problems(vec![problem])
    }
}

impl Problems {
    /// Each on a line of its own.
    pub fn told(&self) -> Sentence {
        let more = self.0.len().saturating_sub(Problems::SHOWN);
        let more = (more > 0).then(|| phrase!("and {more} more.", more));
        let shown = self.0.iter().take(Problems::SHOWN).map(Problem::told);
        let all = shown.chain(more);
        all.reduce(|all, one| phrase!("{all}\n{one}", all, one))
            .unwrap_or_default()
    }
}

crate::shown_as_told!(Problems);

impl std::error::Error for Problems {}
