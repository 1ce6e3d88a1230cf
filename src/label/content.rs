//! All that a label says, and whether it is what is asked of it: there, missing, or not known to bismar.
//!
//! What is asked: Regulation (EC) No 1223/2009, article 19(1), as read in reproductions ((a), (c) to (f) as a list);
//! 21 CFR 701.3 and 701.13; the sections of 21 CFR 740 by their headings; Canada's Cosmetic Regulations, section 21.4,
//! and its Consumer Packaging and Labelling Regulations (C.R.C., c. 417): what stands on the principal display panel,
//! the name and principal place of business, section 14(2). What is from memory says so in its line, and decides no
//! state; what is second hand says so too.

use jiff::civil::Date;
use jiff::{Span, tz::Offset};

use super::declared::{Declared, net};
use super::{EU_LEAST, Rules, ca_net_weight, eu_net_weight, height_of_figures, us_net_weight};
use crate::formula::kind::is_for_bath;
use crate::formula::{Formula, Labelling};
use crate::journal::batch::record::Record;
use crate::language::{Sentence, Slot, Term, counted, phrase, term};
use crate::mass::Mass;

/// Stands under every check of a label.
pub const STANDING: Term = term!(
    "Local law decides what a label must say, how large, and in which language; this list is no legal advice. What is \
     marked \"from memory\" was not read in its source."
);

/// What one label of a batch says.
#[derive(Debug, Clone)]
pub struct Label {
    pub batch: String,
    pub product: String,
    pub declared: Declared,
    /// What the lightest package holds, and how it is known.
    pub net: Option<(Mass, Term)>,
    /// The jars that were filled: number and net content.
    pub jars: Vec<(usize, Mass)>,
    pub best_before: Durability,
    pub labelling: Labelling,
    /// Who answers for it, with the address.
    pub responsible: Option<String>,
}

/// How long a product keeps, by what is known.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Durability {
    /// The earliest of the days that are known, and what it comes from.
    pub day: Option<(Date, Sentence)>,
    /// Whether the formula says how long the product keeps.
    pub told: bool,
    /// The lots of which no day is known.
    pub unknown: Vec<Sentence>,
    /// The day it was made.
    pub made: Option<Date>,
}

/// Whether a label has something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    There,
    Missing,
    NotKnown,
}

impl State {
    /// For a program.
    pub const fn code(self) -> &'static str {
        match self {
            State::There => "there",
            State::Missing => "missing",
            State::NotKnown => "not-known",
        }
    }

    pub const fn words(self) -> Term {
        match self {
            State::There => term!("there"),
            State::Missing => term!("missing"),
            State::NotKnown => term!("not known to bismar"),
        }
    }
}

/// One thing that is asked of a label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Point {
    pub what: Term,
    pub state: State,
    /// What the label says, or what is known of it; empty where that is nothing.
    pub says: Sentence,
    /// What helps where it is not there.
    pub help: Option<Help>,
}

/// What helps where a label lacks something. The terminal and the page each say how.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Help {
    Responsible,
    NetContents,
    Durability,
    Precautions,
    Function,
    Inci,
}

impl Help {
    /// For a program.
    pub const fn code(self) -> &'static str {
        match self {
            Help::Responsible => "responsible",
            Help::NetContents => "net-contents",
            Help::Durability => "durability",
            Help::Precautions => "precautions",
            Help::Function => "function",
            Help::Inci => "inci",
        }
    }

    /// What is to be done, at a terminal.
    pub const fn words(self) -> Term {
        match self {
            Help::Responsible => {
                term!("write responsible = \"name, address\" under [label] in config.toml")
            }
            Help::NetContents => term!("tell what one package holds with --net"),
            Help::Durability => term!(
                "write keeps_months or after_opening_months, which your own tests tell, under [label] in the formula"
            ),
            Help::Precautions => term!(
                "where it needs any, write precautions = \"...\" under [label] in the formula"
            ),
            Help::Function => {
                term!("write function = \"bath soak\" under [label] in the formula")
            }
            Help::Inci => term!("write inci = \"...\" into the formula"),
        }
    }
}

impl Durability {
    /// The day before which all lots are good and until which the product keeps, whichever is earlier. `lots`
    /// are named as in "lot O-3 of Oat flour".
    pub fn of(
        made: Option<Date>,
        keeps_months: Option<u32>,
        lots: impl IntoIterator<Item = (Sentence, Option<Date>)>,
    ) -> Durability {
        let mut days: Vec<(Date, Sentence)> = Vec::new();
        if let Some((made, months)) = made.zip(keeps_months)
            && let Ok(day) = made.checked_add(Span::new().months(months))
        {
            let (months, made) = (counted::months(months), Slot::day(made));
            days.push((day, phrase!("{months} from {made}", months, made)));
        }
        let mut unknown = Vec::new();
        for (lot, day) in lots {
            match day {
                Some(day) => days.push((day, lot)),
                None => unknown.push(lot),
            }
        }
        Durability {
            day: days
                .into_iter()
                .min_by(|(one, from), (other, of)| (one, from.as_str()).cmp(&(other, of.as_str()))),
            told: keeps_months.is_some(),
            unknown,
            made,
        }
    }

    /// Whether the day can stand on the label.
    pub fn is_known(&self) -> bool {
        self.day.is_some() && (self.told || self.unknown.is_empty())
    }
}

impl Label {
    /// The label of `record`. `best_before` gives the day of a lot, by ingredient and lot.
    pub fn new(
        record: &Record,
        formula: Option<&Formula>,
        declared: Declared,
        responsible: Option<String>,
        best_before: impl Fn(&str, &str) -> Option<Date>,
    ) -> Label {
        let labelling = formula.map_or_else(Labelling::default, |one| one.labelling.clone());
        let ended = record.closed.as_ref().map(|row| row.at).or(record.last_at);
        let made = ended.map(|at| Offset::UTC.to_datetime(at).date());
        let lots = declared.lots.iter().map(|(ingredient, lot)| {
            let told = match lot.as_str() {
                "" => phrase!("{ingredient}, which has no lot", ingredient),
                lot => phrase!("lot {lot} of {ingredient}", lot, ingredient),
            };
            (told, best_before(ingredient, lot))
        });
        let jars = (1..).zip(&record.filled);
        Label {
            batch: record.batch.clone(),
            product: formula.map_or_else(|| record.formula.clone(), |one| one.name.clone()),
            net: net(record),
            jars: jars
                .filter_map(|(place, row)| {
                    let number = if row.step > 0 { row.step } else { place };
                    Some((number, row.net?.mass()))
                })
                .collect(),
            best_before: Durability::of(made, labelling.keeps_months, lots),
            labelling,
            responsible,
            declared,
        }
    }

    /// The net contents as the label has them. `None`: too little for a label.
    pub fn net_contents(&self, net: Mass) -> Option<String> {
        match self.declared.rules {
            Rules::Us => us_net_weight(net).map(|text| format!("NET WT {text}")),
            Rules::Eu => eu_net_weight(net),
            Rules::Ca => ca_net_weight(net),
        }
    }

    /// Everything that is asked of it, in the order of the law of the place.
    pub fn points(&self) -> Vec<Point> {
        let mut points = vec![
            self.responsible(),
            self.contents(),
            self.durability(),
            self.precautions(),
            Point::new(term!("batch code"), State::There, self.batch.clone()),
            self.function(),
            self.ingredients(),
        ];
        points.extend(self.spelling());
        match self.declared.rules {
            Rules::Eu => points.push(self.allergens()),
            Rules::Us => points.push(self.warnings()),
            Rules::Ca => points.extend([self.allergens(), both_languages()]),
        }
        points
    }

    fn responsible(&self) -> Point {
        let what = match self.declared.rules {
            Rules::Eu => term!("responsible person"),
            Rules::Us => term!("name and place of business"),
            Rules::Ca => term!("name and principal place of business"),
        };
        Point::told(what, self.responsible.as_deref(), Help::Responsible)
    }

    fn contents(&self) -> Point {
        const WHAT: Term = term!("net contents");
        let eu = self.declared.rules == Rules::Eu;
        let Some((mass, from)) = self.net else {
            let says = phrase!("no jar of it was filled or planned");
            return Point::new(WHAT, State::Missing, says).helped(Help::NetContents);
        };
        if eu && mass < EU_LEAST {
            let says = phrase!("not asked for below 5 g ({from})", from);
            return Point::new(WHAT, State::There, says);
        }
        let Some(text) = self.net_contents(mass) else {
            let says = phrase!("too little for a label ({from})", from);
            return Point::new(WHAT, State::Missing, says);
        };
        let form = match self.declared.rules {
            Rules::Eu => phrase!(
                "figures at least {height} mm high (76/211/EEC, from memory)",
                height = u32::from(height_of_figures(mass)),
            ),
            Rules::Us => phrase!(
                "the height of its letters goes by the panel's area (21 CFR 701.13, from memory)"
            ),
            Rules::Ca => phrase!(
                "figures in bold and at least 1.6 mm high, above 32 cm² of principal display surface 3.2 mm, above 258 cm² \
                 6.4 mm, above 645 cm² 9.5 mm (C.R.C., c. 417, s. 14(2)); kg from 1000 g (second hand)"
            ),
        };
        // What the law has in English keeps its point.
        let text = match self.declared.rules {
            Rules::Us | Rules::Ca => Slot::from(text),
            Rules::Eu => Slot::number(text),
        };
        let says = phrase!("{text}, rounded down ({from}); {form}", text, from, form);
        Point::new(WHAT, State::There, says)
    }

    fn durability(&self) -> Point {
        const WHAT: Term = term!("best before, or period after opening");
        let known = &self.best_before;
        let opened = self
            .labelling
            .after_opening_months
            .map(|months| phrase!("{months} after opening", months = counted::months(months)));
        let day = known.day.as_ref().map(|(day, from)| {
            let late = match known.made {
                Some(made) if *day < made => phrase!(", BEFORE IT WAS MADE"),
                Some(_) | None => Sentence::none(),
            };
            let (day, from) = (Slot::day(day), from.clone());
            phrase!("{day}{late} ({from})", day, late, from)
        });
        let mut says: Vec<Sentence> = Vec::new();
        let state = match (&day, known.is_known(), &opened) {
            (Some(day), true, _) => {
                says.push(phrase!("best before {day}", day = day.clone()));
                State::There
            }
            (_, false, Some(_)) | (None, _, Some(_)) => State::There,
            (Some(_), false, None) => State::NotKnown,
            (None, _, None) => match self.declared.rules {
                Rules::Us | Rules::Ca => State::NotKnown,
                Rules::Eu => State::Missing,
            },
        };
        says.extend(opened);
        if let (Some(day), false) = (&day, known.is_known()) {
            says.push(phrase!(
                "the earliest day known is {day}",
                day = day.clone()
            ));
        }
        if !known.unknown.is_empty() && known.day.is_some() {
            let lots = known.unknown.iter().cloned();
            let lots = lots.reduce(|all, lot| phrase!("{all}, {lot}", all, lot));
            let lots = lots.unwrap_or_default();
            says.push(phrase!("no day is known of {lots}", lots));
        }
        let says = says.into_iter();
        let says = says.reduce(|all, more| phrase!("{all}; {more}", all, more));
        let point = Point::new(WHAT, state, says.unwrap_or_default());
        match state {
            State::There => point,
            State::Missing | State::NotKnown => point.helped(Help::Durability),
        }
    }

    fn precautions(&self) -> Point {
        const WHAT: Term = term!("precautions");
        match &self.labelling.precautions {
            Some(text) => Point::new(WHAT, State::There, text.clone()),
            None => Point::new(WHAT, State::NotKnown, String::new()).helped(Help::Precautions),
        }
    }

    fn function(&self) -> Point {
        let what = match self.declared.rules {
            Rules::Eu => term!("function"),
            Rules::Us | Rules::Ca => term!("what it is"),
        };
        Point::told(what, self.labelling.function.as_deref(), Help::Function)
    }

    fn ingredients(&self) -> Point {
        const WHAT: Term = term!("ingredients");
        let names = self.declared.names().join(", ");
        match self.declared.nameless.as_slice() {
            [] if self.declared.incomplete.is_empty() => Point::new(WHAT, State::There, names),
            [] => {
                let says = phrase!(
                    "not complete, as the first line says; by what is known: {names}",
                    names,
                );
                Point::new(WHAT, State::NotKnown, says)
            }
            some => {
                let some = some.join(", ");
                let says = phrase!(
                    "no INCI name of {some}; by what is known: {names}",
                    some,
                    names
                );
                Point::new(WHAT, State::Missing, says).helped(Help::Inci)
            }
        }
    }

    /// Whether a name is an INCI name at all, only a list of them all would tell.
    fn spelling(&self) -> Option<Point> {
        let unfound = self.declared.unfound.as_slice();
        (!unfound.is_empty()).then(|| {
            let says = phrase!(
                "not found among the names that bismar knows, nor in the list of substances: {names}; compare each letter by \
                 letter with the supplier's document",
                names = unfound.join(", "),
            );
            Point::new(term!("INCI names"), State::NotKnown, says)
        })
    }

    fn allergens(&self) -> Point {
        const WHAT: Term = term!("fragrance allergens");
        let state = match self.declared.unknown_inside.is_empty() {
            true => State::There,
            false => State::NotKnown,
        };
        Point::new(WHAT, state, self.declared.named_told())
    }

    /// The headings of 21 CFR 740, subpart B (read in four copies); which of them the product is under, only
    /// the maker knows.
    fn warnings(&self) -> Point {
        let foams = &self.declared.foaming;
        let function = self.labelling.function.as_deref();
        let mut named = std::iter::once(self.product.as_str()).chain(function);
        let bath = named.any(is_for_bath);
        let hint = match bath && !foams.is_empty() {
            true => phrase!(
                "this one may be under 740.17, since it is for the bath and holds what foams: {names} (from memory); ",
                names = foams.join(", "),
            ),
            false => Sentence::none(),
        };
        let says = phrase!(
            "{hint}21 CFR 740 has warnings for products whose safety is not substantiated (740.10), self-pressurized \
             containers (740.11), feminine deodorant sprays (740.12), foaming detergent bath products (740.17), coal tar \
             hair dyes (740.18) and suntanning preparations (740.19): one that applies belongs to the precautions",
            hint,
        );
        Point::new(term!("warnings of 21 CFR 740"), State::NotKnown, says)
    }
}

/// What Canada asks for beside the rest; whether a text is in both languages, only the maker knows.
fn both_languages() -> Point {
    let says = phrase!(
        "what it is stands in both (Competition Bureau, what must be on the label), and so do directions and cautions; \
         contact details belong on the inner label (both second hand); the sheet's own words are in both"
    );
    Point::new(term!("English and French"), State::NotKnown, says)
}

impl Point {
    fn new(what: Term, state: State, says: impl Into<Sentence>) -> Point {
        Point {
            what,
            state,
            says: says.into(),
            help: None,
        }
    }

    /// What the maker wrote, or what helps.
    fn told(what: Term, text: Option<&str>, help: Help) -> Point {
        match text {
            Some(text) => Point::new(what, State::There, text.to_owned()),
            None => Point::new(what, State::Missing, String::new()).helped(help),
        }
    }

    fn helped(self, help: Help) -> Point {
        let help = Some(help);
        Point { help, ..self }
    }

    /// What the label says, or what is to be done, at a terminal.
    pub fn line(&self) -> Sentence {
        match (self.says.is_empty(), self.help.map(Help::words)) {
            (true, Some(help)) => help.into(),
            (false, Some(help)) => phrase!("{all}; {more}", all = self.says.clone(), more = help),
            (_, None) => self.says.clone(),
        }
    }
}
