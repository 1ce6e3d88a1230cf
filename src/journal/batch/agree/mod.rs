//! Agreement of the rows of a log with each other, with the formula that they hold and with the batch's
//! size. The chain shows an edit only until somebody computes it anew; sums and windows go on to show it.
//!
//! A row is held against what this program always writes. Where a row lacks a number, nothing is held
//! against it; what depends on the scales of that day, of which no row tells, has the room that they need.
//! Times are not held against rows: a clock that is set right in a batch steps back in an honest log.

mod ends;
pub(super) mod numbers;
mod planned;

use std::collections::BTreeMap;

use crate::formula::amend::Amendment;
use crate::formula::filling::Fill;
use crate::formula::{Formula, VesselWay};
use crate::journal::format::cell::{Grams, clean};
use crate::journal::format::contents_note::contents_of;
use crate::journal::format::fill_note::fill_of;
use crate::journal::format::opening::{Opening, opening_of};
use crate::journal::format::row::{CellError, Row};
use crate::language::Sentence;
use crate::mass::Mass;
use crate::vocabulary::entry::{
    RowKind, corrects, corrects_and, goes_on_after, lot_named, lot_taken_back, words_of,
};
use planned::Planned;

/// Takes the rows of a log one by one, in their order. What is kept of each is small.
#[derive(Debug, Default)]
pub struct Agreement {
    formula: Option<String>,
    /// The note of the `opened` row, until the formula's row stands beside it.
    opened: Option<String>,
    opening: Option<Opening>,
    plan: Option<Planned>,
    /// Each row of a weight, in the order of their seqs: what a later row may name.
    weights: Vec<Known>,
    /// Each ingredient, and each lot, by a number.
    names: BTreeMap<String, u32>,
    /// What holds of each step, of each jar, and of what stayed in each beaker.
    steps: BTreeMap<usize, Held>,
    jars: BTreeMap<usize, Held>,
    stayed: BTreeMap<usize, Option<Mass>>,
    /// The lot last named of each ingredient.
    lots: BTreeMap<String, String>,
    fill: Option<Fill>,
    /// Whether the first weight tells of its scale.
    scaled: Option<bool>,
    /// The weighing, or the last filling, is closed.
    closed: bool,
    /// What the bowl weighed at the last row, where nothing has happened since.
    bowl: Option<(Grams, Mass)>,
    /// The row that closed the weighing last.
    closed_by: Option<u64>,
    /// It was closed at some time.
    was_closed: bool,
}

#[derive(Debug, Clone, Copy)]
struct Known {
    seq: u64,
    kind: RowKind,
    ingredient: u32,
    lot: u32,
    step: usize,
    net: Option<Mass>,
}

#[derive(Debug, Clone, Copy, Default)]
struct Held {
    net: Option<Mass>,
    target: Option<Mass>,
}

fn wrong(column: &'static str, why: impl Into<Sentence>) -> CellError {
    CellError {
        column,
        why: why.into(),
    }
}

/// Whether a correction's note says what only one says that names another lot.
fn names_a_lot(row: &Row) -> bool {
    corrects_and(&row.note).is_some_and(|(_, words)| words.contains("; lot of "))
}

fn is_held(held: &BTreeMap<usize, Held>, step: usize) -> bool {
    held.get(&step).is_some_and(|held| held.net.is_some())
}

fn mass(amount: Option<Grams>) -> Option<Mass> {
    amount.map(Grams::mass)
}

/// Grams with at least two decimals.
fn g(mass: Mass) -> String {
    mass.grams(Mass::from_mg(10)).to_string()
}

impl Agreement {
    /// Takes the next row.
    ///
    /// # Errors
    /// The first cell that does not agree with the others, and why not.
    pub fn add(&mut self, row: &Row) -> Result<(), CellError> {
        self.of_the_batch(row)?;
        self.opens_once(row)?;
        self.on_a_scale(row)?;
        numbers::agree(row)?;
        self.after_the_end(row)?;
        self.of_its_step(row)?;
        self.lot(row)?;
        self.of_its_kind(row)?;
        self.in_the_bowl(row)
    }

    fn of_its_kind(&mut self, row: &Row) -> Result<(), CellError> {
        match row.kind {
            RowKind::Weighed | RowKind::Filled => self.weight(row),
            RowKind::Residue => self.residue(row),
            RowKind::Remedy => self.remedy(row),
            RowKind::Note => self.note(row),
            RowKind::Closed => self.close(row),
            RowKind::Opened => {
                self.opened = Some(row.note.clone());
                Ok(())
            }
            RowKind::Mixed => self.mixed(row),
            RowKind::ScaleCheck | RowKind::TakenOut => Ok(()),
        }
    }

    /// A row of a step says of it what the formula does, whatever the row is about.
    fn of_its_step(&self, row: &Row) -> Result<(), CellError> {
        match (&self.fill, &self.plan) {
            (Some(fill), _) if row.kind != RowKind::Weighed => {
                planned::jar_place(row, fill, &row.formula)
            }
            (_, Some(plan)) => plan.place(row),
            (_, None) => Ok(()),
        }
    }

    /// What goes on top of the last in the bowl is tared with it.
    fn in_the_bowl(&mut self, row: &Row) -> Result<(), CellError> {
        let in_bowl = row.vessel == VesselWay::Bowl.name() && row.readings.is_some();
        let weighed = row.kind == RowKind::Weighed && in_bowl && corrects(&row.note).is_none();
        let still = row.kind == RowKind::TakenOut
            || row.kind == RowKind::Note && row.note.starts_with("lot of ");
        let unsure = mass(row.uncertainty).unwrap_or_default();
        if let (Some((before, room)), Some(tare), true) = (self.bowl, row.tare, weighed)
            && (tare.mass() - before.mass()).abs() > room + unsure
        {
            let why = format!("{tare} g are not the {before} g that the bowl weighed before");
            return Err(wrong("tare_g", why));
        }
        if weighed {
            self.bowl = row.gross.map(|gross| (gross, unsure));
        } else if !still {
            self.bowl = None;
        }
        Ok(())
    }

    fn mixed(&mut self, row: &Row) -> Result<(), CellError> {
        match &self.plan {
            Some(plan) => plan.mixed(row, |step| is_held(&self.steps, step)),
            None => Ok(()),
        }
    }

    /// Weights come in the order of their steps; one that is there is taken back or corrected, by its row.
    fn in_turn(&self, row: &Row, jar: bool) -> Result<(), CellError> {
        let (held, first) = match (jar, &self.fill) {
            (true, Some(fill)) => (&self.jars, fill.first),
            (true, None) => return Ok(()),
            (false, _) => (&self.steps, 1),
        };
        let next = (first..).find(|step| !is_held(held, *step));
        let elsewhere = self.opening.is_none() || self.scaled == Some(false);
        if row.step == 0 || elsewhere || next == Some(row.step) {
            return Ok(());
        }
        let why = match is_held(held, row.step) {
            true => "is weighed by a row before, which this one does not correct".to_owned(),
            false => format!("comes before step {}", next.unwrap_or(first)),
        };
        Err(wrong("step", why))
    }

    /// Whether nothing is under way by the last row: neither the weighing nor a filling.
    pub fn is_closed(&self) -> bool {
        self.closed
    }

    /// The formula stands behind the row that opens the batch: what is weighed is held against it.
    fn opens_once(&self, row: &Row) -> Result<(), CellError> {
        let opened = self.opened.is_some();
        let formula = opening_of(row).is_some();
        if formula && !opened {
            let why = "the row `opened` belongs in front of the formula's";
            return Err(wrong("kind", why));
        }
        if opened && row.kind == RowKind::Opened {
            return Err(wrong("kind", "the batch was opened by a row before"));
        }
        match opened && self.opening.is_none() && !formula {
            true => Err(wrong(
                "kind",
                "the formula's row belongs here, right behind the `opened` row",
            )),
            false => Ok(()),
        }
    }

    /// Either every weight of a log was on a scale, or, in one that was put together otherwise, none was.
    fn on_a_scale(&mut self, row: &Row) -> Result<(), CellError> {
        let Some(told) = numbers::of_a_scale(row).filter(|_| self.opening.is_some()) else {
            return Ok(());
        };
        match *self.scaled.get_or_insert(told) {
            true => numbers::whole(row),
            false if told => Err(wrong("readings", "no weight before tells of its scale")),
            false => Ok(()),
        }
    }

    fn of_the_batch(&mut self, row: &Row) -> Result<(), CellError> {
        let formula = self.formula.get_or_insert_with(|| row.formula.clone());
        match *formula == row.formula {
            true => Ok(()),
            false => Err(wrong(
                "formula",
                format!("the rows before are of the formula `{formula}`"),
            )),
        }
    }

    /// Behind the row that closes a batch nothing is weighed, until a remedy or a filling opens it again.
    /// What the empty pan shows after the last lift may still correct a weight.
    fn after_the_end(&self, row: &Row) -> Result<(), CellError> {
        let weighs = match row.kind {
            RowKind::Weighed
            | RowKind::Filled
            | RowKind::TakenOut
            | RowKind::Mixed
            | RowKind::Residue => true,
            RowKind::Opened
            | RowKind::ScaleCheck
            | RowKind::Remedy
            | RowKind::Note
            | RowKind::Closed => false,
        };
        match self.closed && weighs && corrects(&row.note).is_none() {
            true => Err(wrong("kind", "the batch is closed by a row before")),
            false => Ok(()),
        }
    }

    /// A lot changes only by a row that names it; what is said of a weight is of that weight's lot.
    fn lot(&mut self, row: &Row) -> Result<(), CellError> {
        let (name, lot) = (&row.ingredient, &row.lot);
        if name.is_empty() {
            return Ok(());
        }
        let taken_back = row.kind == RowKind::Note && row.note == lot_taken_back(name);
        let named = row.kind == RowKind::Note && row.note == lot_named(name, lot);
        if taken_back {
            self.lots.insert(name.clone(), String::new());
        }
        if named {
            self.lots.insert(name.clone(), lot.clone());
        }
        // A row that was not weighed at a bench may name its lot itself.
        let at_a_bench = match row.kind {
            RowKind::Weighed => row.readings.is_some(),
            RowKind::TakenOut | RowKind::Residue => self.scaled == Some(true),
            RowKind::Opened
            | RowKind::ScaleCheck
            | RowKind::Remedy
            | RowKind::Mixed
            | RowKind::Filled
            | RowKind::Note
            | RowKind::Closed => false,
        };
        let named_of_none = named && self.plan.as_ref().is_some_and(|plan| !plan.weighs(name));
        if named_of_none && self.fill.is_none() {
            let why = "the formula has no such ingredient";
            return Err(wrong("ingredient", why));
        }
        let own = corrects(&row.note).or_else(|| Some(numbers::stayed(&row.note)?.0));
        let own = own.and_then(|seq| self.known(seq));
        if let (Some(weighed), (true, _)) = (own, words_of(&row.note, name, lot))
            && row.kind == RowKind::Weighed
        {
            if weighed.net != mass(row.net) {
                return Err(wrong(
                    "net_g",
                    "the row names a lot, and changes the weight as well",
                ));
            }
            // It names its own; what is to come follows the newest weight, where that is the one last named.
            let last = self.lots.get(name).cloned().unwrap_or_default();
            if self.number_of(&last) == weighed.lot && self.is_newest(weighed) {
                self.lots.insert(name.clone(), lot.clone());
            }
            return Ok(());
        }
        if row.kind == RowKind::Weighed && names_a_lot(row) {
            return Err(wrong("lot", "is not the lot that the note names"));
        }
        let own = own.map(|known| known.lot);
        if own.is_some_and(|own| own == self.number_of(lot)) {
            return Ok(());
        }
        match self.lots.get(name) {
            Some(last) if at_a_bench && last != lot => Err(wrong(
                "lot",
                match last.as_str() {
                    "" => format!("the lot of {name} was taken back before"),
                    last => format!("the lot last named for {name} is `{last}`"),
                },
            )),
            None if at_a_bench && !lot.is_empty() => {
                Err(wrong("lot", format!("no row before names it for {name}")))
            }
            Some(_) | None => Ok(()),
        }
    }

    /// Whether nothing of a weight's ingredient was weighed in a later step.
    fn is_newest(&self, weighed: Known) -> bool {
        let later = |known: &&Known| {
            let of_it = known.kind == weighed.kind && known.ingredient == weighed.ingredient;
            of_it && known.step > weighed.step
        };
        let in_it = |known: &Known| {
            let held = self.steps.get(&known.step);
            held.is_some_and(|held| held.net.is_some_and(|net| net > Mass::ZERO))
        };
        !self.weights.iter().filter(later).any(in_it)
    }

    fn number_of(&mut self, name: &str) -> u32 {
        let next = u32::try_from(self.names.len()).unwrap_or(u32::MAX);
        match self.names.get(name) {
            Some(number) => *number,
            None => *self.names.entry(name.to_owned()).or_insert(next),
        }
    }

    fn known(&self, seq: u64) -> Option<Known> {
        let place = self.weights.binary_search_by_key(&seq, |known| known.seq);
        self.weights.get(place.ok()?).copied()
    }

    /// What a row corrects, which must be a row of its kind before it.
    fn corrected(&mut self, row: &Row) -> Result<Option<Known>, CellError> {
        let Some(seq) = corrects(&row.note) else {
            return Ok(None);
        };
        let kind = row.kind.name();
        let known = self.known(seq).filter(|known| known.kind == row.kind);
        let Some(known) = known else {
            let why = format!("corrects seq {seq}, which is no `{kind}` row before it");
            return Err(wrong("note", why));
        };
        let other =
            !row.ingredient.is_empty() && known.ingredient != self.number_of(&row.ingredient);
        match other {
            true => Err(wrong(
                "ingredient",
                format!("the row corrects seq {seq}, which weighed something else"),
            )),
            false if row.step > 0 && known.step > 0 && row.step != known.step => Err(wrong(
                "step",
                format!(
                    "the row corrects seq {seq}, which is of step {}",
                    known.step
                ),
            )),
            false => Ok(Some(known)),
        }
    }

    fn weight(&mut self, row: &Row) -> Result<(), CellError> {
        let corrected = self.corrected(row)?;
        let jar = row.kind == RowKind::Filled;
        match &self.fill {
            Some(fill) if jar => planned::jar(row, fill)?,
            None if jar && self.opening.is_some() => {
                return Err(wrong("kind", "no row before begins the filling of jars"));
            }
            Some(_) | None => {}
        }
        if let (Some(plan), false) = (&self.plan, jar) {
            plan.weight(row)?;
        }
        if corrected.is_none() {
            self.in_turn(row, jar)?;
        }
        let step = corrected.map_or(row.step, |known| known.step);
        let ingredient = self.number_of(&row.ingredient);
        let lot = self.number_of(&row.lot);
        self.weights.push(Known {
            seq: row.seq,
            kind: row.kind,
            ingredient,
            lot,
            step,
            net: mass(row.net),
        });
        let held = match jar {
            true => &mut self.jars,
            false => &mut self.steps,
        };
        if step > 0 {
            let (net, target) = (mass(row.net), mass(row.target));
            held.insert(step, Held { net, target });
        }
        Ok(())
    }

    fn residue(&mut self, row: &Row) -> Result<(), CellError> {
        self.corrected(row)?;
        if let Some((seq, went_in)) = numbers::stayed(&row.note) {
            let weighed = self.known(seq);
            let Some(weighed) = weighed.filter(|known| known.kind == RowKind::Weighed) else {
                let why = format!("names the beaker of seq {seq}, which is no weight before it");
                return Err(wrong("note", why));
            };
            if weighed.ingredient != self.number_of(&row.ingredient) {
                let why = format!("seq {seq}, whose beaker it names, weighed something else");
                return Err(wrong("ingredient", why));
            }
            if let (Some(net), Some(stayed)) = (weighed.net, mass(row.net))
                && !numbers::same(went_in, net - stayed)
            {
                let (net, stayed) = (g(net), g(stayed));
                let why = format!(
                    "says that {} g went in, where {net} g of seq {seq} less {stayed} g did",
                    g(went_in)
                );
                return Err(wrong("note", why));
            }
        }
        let ingredient = self.number_of(&row.ingredient);
        let lot = self.number_of(&row.lot);
        self.weights.push(Known {
            seq: row.seq,
            kind: row.kind,
            ingredient,
            lot,
            step: row.step,
            net: mass(row.net),
        });
        self.stayed.insert(row.step, mass(row.net));
        Ok(())
    }

    fn remedy(&mut self, row: &Row) -> Result<(), CellError> {
        let Some(change) = Amendment::of_note(&row.note) else {
            return Ok(());
        };
        let (change, _) = change.map_err(|why| wrong("note", why))?;
        self.closed = false;
        let parts = change.parts.iter().copied().map(Mass::from_ng);
        let sum: Option<Mass> = (!change.parts.is_empty()).then(|| parts.sum());
        if let (Some(target), Some(sum)) = (mass(row.target), sum)
            && target != sum
        {
            let why = format!("is not the sum of what its note plans, {} g", g(sum));
            return Err(wrong("target_g", why));
        }
        let added = match &mut self.plan {
            Some(plan) => plan.amend(&change)?,
            None => 0,
        };
        self.renumber(change.before, added);
        Ok(())
    }

    /// What was weighed of later steps, and taken back, has the numbers that those have since a change.
    fn renumber(&mut self, before: usize, added: usize) {
        let weights = self.weights.iter_mut();
        let later = weights.filter(|known| known.kind != RowKind::Filled && known.step >= before);
        later.for_each(|known| known.step += added);
        let later = self.steps.split_off(&before);
        self.steps
            .extend(later.into_iter().map(|(step, held)| (step + added, held)));
        let later = self.stayed.split_off(&before);
        self.stayed
            .extend(later.into_iter().map(|(step, net)| (step + added, net)));
    }

    fn note(&mut self, row: &Row) -> Result<(), CellError> {
        if let Some(opening) = opening_of(row).filter(|_| self.opening.is_none()) {
            let opening = opening?;
            self.size_of_the_opened_row(&opening)?;
            // A formula that an older version took and this one does not is no fault of the log.
            let formula = Formula::parse(&opening.text, "").ok();
            if let Some(formula) = &formula {
                self.of_the_text(row, formula, &opening)?;
            }
            self.plan = formula.map(|formula| Planned::new(&formula, &opening));
            self.opening = Some(opening);
        } else if let Some(limits) = contents_of(row) {
            limits?;
        } else if let Some(fill) = fill_of(row) {
            let fill = fill?;
            self.begin_filling(&fill)?;
            self.fill = Some(fill);
            self.closed = false;
        } else if self.closed && self.fill.is_none() && self.closed_by == goes_on_after(&row.note) {
            self.closed = false;
            self.was_closed = false;
        }
        Ok(())
    }

    /// The rows name the formula whose text the log holds.
    fn of_the_text(
        &self,
        row: &Row,
        formula: &Formula,
        opening: &Opening,
    ) -> Result<(), CellError> {
        let label = formula.label();
        if row.formula != clean(&label) {
            let why = format!("the formula in the log is `{label}`");
            return Err(wrong("formula", why));
        }
        let (Some(opened), Ok([words, _])) = (&self.opened, opening.drafts(&label)) else {
            return Ok(());
        };
        // A replay says behind the formula's name that it is one. A long name may have been cut.
        let rest = opened.strip_prefix(&label);
        let marked = rest.is_some_and(|rest| rest.starts_with(" ("));
        match marked || *opened == clean(&words.note) {
            true => Ok(()),
            false => Err(wrong(
                "note",
                format!(
                    "the batch is `{}` here, and the `opened` row says \"{opened}\"",
                    words.note
                ),
            )),
        }
    }

    fn size_of_the_opened_row(&self, opening: &Opening) -> Result<(), CellError> {
        let (Some(opened), Some(label)) = (&self.opened, &self.formula) else {
            return Ok(());
        };
        let Ok([words, _]) = opening.drafts(label) else {
            return Ok(());
        };
        // The label may have been cut.
        let size = words.note.get(label.len()..).unwrap_or_default();
        match opened.ends_with(size) {
            true => Ok(()),
            false => Err(wrong(
                "note",
                format!(
                    "the batch is of {} g here, and the `opened` row says \"{opened}\"",
                    g(opening.batch)
                ),
            )),
        }
    }
}
