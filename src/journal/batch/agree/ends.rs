//! Sums: the row that closes a batch, the one that begins a filling and the one that ends it.

use super::numbers::{grams, same};
use super::planned::step_of;
use super::{Agreement, Held, g, mass, wrong};
use crate::formula::filling::Fill;
use crate::journal::format::cell::Grams;
use crate::journal::format::row::{CellError, Row};
use crate::mass::Mass;
use crate::metrology::prepackage::Filling;

/// How the note of a row begins that ends a filling.
const FILLING: &str = "filling: ";

/// What the row says that closes a batch in which all is weighed.
const COMPLETE: [&str; 2] = ["complete", "complete; the last mixing was not confirmed"];

fn sum<'h>(held: impl IntoIterator<Item = &'h Held>) -> Mass {
    held.into_iter().filter_map(|held| held.net).sum()
}

impl Agreement {
    pub(super) fn close(&mut self, row: &Row) -> Result<(), CellError> {
        let at_a_bench = self.scaled == Some(true);
        if at_a_bench && self.closed {
            return Err(wrong("kind", "the batch is closed by a row before"));
        }
        let cells = [("net_g", row.net), ("target_g", row.target)];
        let mut empty = cells.into_iter().filter(|(_, cell)| cell.is_none());
        if let Some((column, _)) = empty.next().filter(|_| at_a_bench) {
            return Err(wrong(
                column,
                "is empty, which it never is in a `closed` row",
            ));
        }
        self.closed = true;
        self.was_closed = true;
        self.closed_by = Some(row.seq);
        let Some(net) = mass(row.net) else {
            return Ok(());
        };
        match self.fill {
            Some(fill) => self.close_filling(row, net, &fill),
            None if row.note.starts_with(FILLING) => Ok(()),
            None => self.close_weighing(row, net),
        }
    }

    fn close_weighing(&self, row: &Row, net: Mass) -> Result<(), CellError> {
        let weighed = sum(self.steps.values());
        if net != weighed {
            let (net, weighed) = (g(net), g(weighed));
            let why = format!("{net} g are not the sum of the weights, {weighed} g");
            return Err(wrong("net_g", why));
        }
        let Some(plan) = &self.plan else {
            return Ok(());
        };
        plan.size(row)?;
        let settled = self.steps.values().filter(|held| held.net.is_some());
        let settled = settled.count();
        let of = plan.steps();
        if row.note.starts_with("complete") {
            if settled < of {
                let why = format!("says complete, and {settled} of {of} steps are weighed");
                return Err(wrong("note", why));
            }
            let targets: Option<Vec<Mass>> = self.steps.values().map(|held| held.target).collect();
            let targets: Option<Mass> = targets.map(|targets| targets.into_iter().sum());
            if let (Some(targets), Some(target), false) = (targets, row.target, plan.amended)
                && targets != target.mass()
            {
                let targets = g(targets);
                let why = format!("{target} g are not the sum of the targets, {targets} g");
                return Err(wrong("target_g", why));
            }
        }
        match stopped(&row.note) {
            Some(said) if said != (settled, of) => {
                let why = format!("{settled} of {of} steps are weighed");
                Err(wrong("note", why))
            }
            None if self.scaled == Some(true) && !COMPLETE.contains(&row.note.as_str()) => {
                Err(wrong(
                    "note",
                    "says neither that the batch is complete nor where it stopped",
                ))
            }
            Some(_) | None => Ok(()),
        }
    }

    /// What there is to fill is what came into the batch less what is in jars.
    pub(super) fn begin_filling(&self, fill: &Fill) -> Result<(), CellError> {
        if self.opening.is_some() && !self.was_closed {
            let why = "begins to fill jars, and no row before closes the weighing";
            return Err(wrong("note", why));
        }
        if self.opening.is_none() {
            return Ok(());
        }
        let came = self.steps.iter().filter_map(|(step, held)| {
            let stayed = self.stayed.get(step).copied().flatten();
            Some(held.net? - stayed.unwrap_or_default())
        });
        let came: Mass = came.sum();
        let left = came - sum(self.jars.values());
        match fill.made == left {
            true => Ok(()),
            false => Err(wrong(
                "note",
                format!(
                    "{} g to fill are not what was weighed less what is in jars, {} g",
                    g(fill.made),
                    g(left)
                ),
            )),
        }
    }

    fn close_filling(&self, row: &Row, net: Mass, fill: &Fill) -> Result<(), CellError> {
        let Some(mut filling) = Filling::new(fill.nominal, fill.rule) else {
            return Ok(());
        };
        for jar in self.jars.range(fill.first..).filter_map(|(_, jar)| jar.net) {
            filling.fill(jar);
        }
        let (total, jars) = (filling.total(), filling.jars());
        if net != total {
            let (net, total) = (g(net), g(total));
            let why = format!("{net} g are not the sum of the jars, {total} g");
            return Err(wrong("net_g", why));
        }
        if let Some(target) = row.target
            && target.mass() != fill.made
        {
            let why = format!(
                "{target} g are not what there was to fill, {} g",
                g(fill.made)
            );
            return Err(wrong("target_g", why));
        }
        if let Some((said, grams)) = jars_said(&row.note)
            && (said != jars || !same(grams, total))
        {
            let why = format!("{jars} jars with {} g are filled", g(total));
            return Err(wrong("note", why));
        }
        let told = [
            (", mean ", " g", filling.mean().and_then(Mass::from_g_f64)),
            ("; ", " g not in a jar", Some(fill.made - total)),
        ];
        for (before, behind, is) in told {
            // Written to the step of the scale as it was set then, of which no cell tells.
            if let (Some(said), Some(is)) = (between(&row.note, before, behind), is)
                && (said.mass() - is).abs() > step_of(said.decimals())
            {
                let why = format!("{said} g are not the {} g of the jars", g(is));
                return Err(wrong("note", why));
            }
        }
        let share = filling.balance(fill.made, Mass::ZERO).yield_percent;
        if let Some(share) = share
            && let Some((_, said)) = row.note.split_once(", yield ")
            && !said.starts_with(&format!("{share:.1} %"))
        {
            return Err(wrong(
                "note",
                format!("the yield of the jars is {share:.1} %"),
            ));
        }
        let below = filling.average_is_met() == Some(false);
        match row.note.contains("; the mean is below the label") == below {
            true => Ok(()),
            false => Err(wrong(
                "note",
                "the mean of the jars is on the other side of the label",
            )),
        }
    }
}

/// The grams of a note behind one of its parts and before another.
fn between(note: &str, before: &str, behind: &str) -> Option<Grams> {
    let mut parts = note.match_indices(before);
    parts.find_map(|(at, _)| {
        let said = note.get(at + before.len()..)?;
        Grams::parse(said.split_once(behind)?.0)
    })
}

/// `stopped after 3 of 5 weighings`
fn stopped(note: &str) -> Option<(usize, usize)> {
    let rest = note.strip_prefix("stopped after ")?;
    let (weighed, rest) = rest.split_once(" of ")?;
    let (of, _) = rest.split_once(" weighings")?;
    Some((weighed.parse().ok()?, of.parse().ok()?))
}

/// `filling: 3 jars filled, 91.50 g, mean ...`
fn jars_said(note: &str) -> Option<(u32, Mass)> {
    let (jars, rest) = note.strip_prefix(FILLING)?.split_once(" jar")?;
    let (_, rest) = rest.split_once(" filled, ")?;
    let (total, _) = rest.split_once(" g")?;
    Some((jars.parse().ok()?, grams(total)?))
}
