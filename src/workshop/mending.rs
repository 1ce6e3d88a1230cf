//! A batch as it stands after an over-pour, and what can be done: `bismar remedy` and the page's remedies.

use std::collections::BTreeMap;
use std::path::Path;

use super::batches::{add_elsewhere, archive};
use super::elsewhere::elsewhere;
use super::{QueryError, today};
use crate::config::{Config, VesselConfig};
use crate::formula::limits::{Held, Outside, Side, bounds, outside};
use crate::formula::remedy::{Part, Remedy, remedy};
use crate::formula::room::{Bowl, Pour, Room, Short, room};
use crate::formula::{Formula, Plan, VesselWay};
use crate::journal::batch::composition::{HeldPart, held, strangers};
use crate::journal::batch::record::Record;
use crate::journal::batch::summary::Summary;
use crate::journal::read::archive::Progress;
use crate::journal::read::record;
use crate::language::{Sentence, Term, phrase};
use crate::lots::stocktake::Stocktake;
use crate::lots::{Lot, shelf};
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::vocabulary::command::Way;

/// A batch as it stands, and the bench it is made on.
#[derive(Debug)]
pub struct Mending {
    pub plan: Plan,
    /// Ingredients that were weighed and that the formula does not have.
    pub strangers: Vec<String>,
    /// Additions are whole steps of it.
    pub d: Mass,
    parts: Vec<HeldPart>,
    scales: Vec<ScaleAbility>,
    bowl: Bowl,
    /// What is left of the lots of each ingredient.
    on_hand: BTreeMap<String, Mass>,
    /// Whether the batch was changed by a remedy already.
    amended: bool,
}

/// An ingredient of it.
#[derive(Debug, serde::Serialize)]
pub struct PartTold<'m> {
    pub ingredient: &'m str,
    /// Grams that are in it, what is to come as planned included.
    pub held: String,
    /// Whether it is not all weighed yet.
    pub to_come: bool,
}

/// A way of mending it.
#[derive(Debug, serde::Serialize)]
pub struct WayTold {
    way: &'static str,
    pub name: &'static str,
    #[serde(skip)]
    pub said: Term,
    /// `None` where that way leads to no batch inside all limits.
    pub found: Option<RemedyTold>,
}

/// What a remedy adds, and what comes of it; masses are grams.
#[derive(Debug, serde::Serialize)]
pub struct RemedyTold {
    /// Of each of the parts.
    pub add: Vec<String>,
    pub batch: String,
    /// Whole jars of the planned fill.
    pub jars: Option<i64>,
    /// What has no room for it, and what is not known of the room.
    pub short: Vec<Sentence>,
    pub unknown: Vec<Term>,
}

/// What is left of each ingredient's lots that may be used today, by all logs of the folder `logs` and by
/// `log`, whether it lies there or not; with what is damaged of them, in words. At most `threads` read at a time. As
/// [`shelf::on_hand`].
///
/// # Errors
/// When the folder or a log cannot be read.
pub fn on_hand(
    lots: Vec<Lot>,
    logs: &Path,
    log: &Record,
    threads: usize,
) -> Result<(BTreeMap<String, Mass>, Vec<String>), QueryError> {
    if lots.is_empty() {
        return Ok(Default::default());
    }
    let (mut stock, mut lies_there) = (Stocktake::apart(None, &[]), false);
    let add = &mut |nth, batch: &Summary| {
        lies_there |= batch.batch == log.batch;
        stock.add(nth, batch);
    };
    let damage = archive(logs).add_up(threads, &Progress::default(), add)?;
    add_elsewhere(&mut stock, &elsewhere(logs));
    if !lies_there {
        stock.add(0, &log.summary());
    }
    let uses = stock.uses();
    let damage = damage.iter().map(ToString::to_string).collect();
    Ok((shelf::on_hand(lots, &uses, today()), damage))
}

impl Mending {
    /// Of the log at `path`, whose record is `log`; `on_hand` is what is left of the lots.
    ///
    /// # Errors
    /// [`QueryError`] where the log was changed, holds no formula, or does not fit the bench.
    pub fn read(
        path: &Path,
        log: &Record,
        config: &Config,
        on_hand: BTreeMap<String, Mass>,
    ) -> Result<Mending, QueryError> {
        // Refuses a log that was changed; the record is made of the same rows.
        let whole = record::read_strictly(path)?;
        let name = path.display().to_string();
        let opening = log.opening.as_ref();
        let opening = opening.ok_or_else(|| QueryError::NoFormula(name.clone()))?;
        let formula = Formula::parse(&opening.text, &format!("{name} (its formula)"))?;
        let scales = super::scales(config).0;
        let guard = config.weighing.guard;
        let plan = whole.plan(&formula, opening.amount(), &scales, guard)?;
        let strangers = strangers(log, &formula);
        Ok(Mending {
            parts: held(log, &plan),
            strangers: strangers.into_iter().map(str::to_owned).collect(),
            bowl: bowl(log, &config.vessels),
            on_hand,
            amended: !log.remedies.is_empty(),
            d: plan.coarsest_step(&scales),
            plan,
            scales,
        })
    }

    /// What is in it and still to come, together.
    fn total(&self) -> Mass {
        self.parts.iter().map(|held| held.part.held).sum()
    }

    /// What is wrong with the batch: weights outside their tolerances, then limits that are crossed. Empty:
    /// nothing is to be mended.
    pub fn wrongs(&self) -> Vec<Sentence> {
        let mut lines = Vec::new();
        lines.extend(self.parts.iter().filter_map(|held| self.off_target(held)));
        let outside = outside(&self.plan.limits, &self.held(), self.total());
        lines.extend(outside.iter().map(|one| self.over_limit(one)));
        lines
    }

    /// Of which lot how much is in it.
    fn held(&self) -> Vec<Held<'_>> {
        self.parts.iter().flat_map(HeldPart::each_lot).collect()
    }

    /// The ingredients in the order of the formula.
    pub fn parts(&self) -> impl Iterator<Item = PartTold<'_>> {
        self.parts.iter().map(|held| PartTold {
            ingredient: &held.ingredient,
            held: held.part.held.grams(self.d).to_string(),
            to_come: held.to_come > Mass::ZERO,
        })
    }

    /// Each way, in the order of [`Way::ALL`].
    pub fn ways(&self) -> [WayTold; 3] {
        let parts: Vec<Part> = self.parts.iter().map(|held| held.part).collect();
        let names: Vec<&str> = self
            .parts
            .iter()
            .map(|held| held.ingredient.as_str())
            .collect();
        let bounds = bounds(&self.plan.limits, &names, &self.held());
        let grams = |mass: Mass| mass.grams(self.d).to_string();
        Way::ALL.map(|way| WayTold {
            way: way.word(),
            name: way.name(),
            said: way.said(),
            found: remedy(way, &parts, &bounds, self.d).map(|found| {
                let room = self.room(&found);
                RemedyTold {
                    add: found.add.iter().copied().map(grams).collect(),
                    batch: grams(found.batch),
                    jars: self.plan.jars.map(|(_, fill)| found.jars(fill)),
                    short: room.short.iter().map(Short::told).collect(),
                    unknown: room.unknown.iter().map(|what| what.name()).collect(),
                }
            }),
        })
    }

    /// Whether something of the plan is not weighed yet.
    pub fn is_under_way(&self) -> bool {
        self.parts.iter().any(|held| held.to_come > Mass::ZERO)
    }

    /// A limit that is crossed, by what is to come as planned too.
    fn over_limit(&self, outside: &Outside) -> Sentence {
        let to_come = |held: &HeldPart| held.to_come > Mass::ZERO;
        let outside_told = outside.told();
        let mut line = match self.parts.iter().any(to_come) {
            true => phrase!(
                "Limit, with what is to come as planned: {what}",
                what = outside_told
            ),
            false => phrase!("Limit: {what}", what = outside_told),
        };
        let mine = |held: &&HeldPart| outside.sources.contains(&held.ingredient);
        if outside.side == Side::Over && self.parts.iter().filter(mine).any(to_come) {
            line = line.and(phrase!("It is not all weighed yet: less of it would do."));
        }
        if let Some(advice) = outside.advice() {
            line = line.and(advice);
        }
        line
    }

    /// What is to be said of an ingredient that is weighed and outside its tolerance. After a remedy the
    /// batch is another one: then its share of that counts.
    fn off_target(&self, held: &HeldPart) -> Option<Sentence> {
        let (d, total) = (self.d, self.total());
        if held.to_come > Mass::ZERO {
            return None;
        }
        let (target, fits) = match self.amended {
            true => (
                held.part.share.of(total).round_to(d),
                held.part.inside(held.delivered, total),
            ),
            false => (
                held.target,
                held.lowest <= held.delivered && held.delivered <= held.highest,
            ),
        };
        if fits {
            return None;
        }
        let steps: Vec<String> = held.steps.iter().map(ToString::to_string).collect();
        let off = held.delivered - target;
        let stayed = held.weighed - held.delivered;
        let stayed = match stayed > Mass::ZERO {
            true => phrase!(
                " ({stayed} g of {weighed} g stayed in the vessel)",
                stayed = stayed.grams(d),
                weighed = held.weighed.grams(d),
            ),
            false => Sentence::none(),
        };
        let lead = match steps.len() {
            1 => phrase!("Step {step}", step = steps.join(", ")),
            _ => phrase!("Steps {steps}", steps = steps.join(", ")),
        };
        let (name, is) = (&held.ingredient, held.delivered.grams(d));
        let (off, target, under) = (off.abs().grams(d), target.grams(d), off.is_negative());
        Some(match (under, self.amended) {
            (true, true) => phrase!(
                "{lead}, {name}: {is} g{stayed}, {off} g under its share of {target} g.",
                lead,
                name,
                is,
                stayed,
                off,
                target
            ),
            (false, true) => phrase!(
                "{lead}, {name}: {is} g{stayed}, {off} g over its share of {target} g.",
                lead,
                name,
                is,
                stayed,
                off,
                target
            ),
            (true, false) => phrase!(
                "{lead}, {name}: {is} g{stayed}, {off} g under its target of {target} g.",
                lead,
                name,
                is,
                stayed,
                off,
                target
            ),
            (false, false) => phrase!(
                "{lead}, {name}: {is} g{stayed}, {off} g over its target of {target} g.",
                lead,
                name,
                is,
                stayed,
                off,
                target
            ),
        })
    }

    /// Whether there is room for a remedy and for what is to come as planned.
    fn room(&self, remedy: &Remedy) -> Room {
        let pours: Vec<Pour> = (self.parts.iter().zip(&remedy.add))
            .map(|(held, &add)| Pour {
                ingredient: &held.ingredient,
                vessel: held.vessel,
                amount: held.to_come + add,
                on_hand: self.on_hand.get(&held.ingredient).copied(),
            })
            .collect();
        let poured = self.parts.iter().map(|held| held.delivered).sum();
        room(poured, &pours, self.bowl, &self.scales)
    }
}

/// What the bowl weighs empty, where the log tells: the tare of the first step, if the bowl stood there.
fn empty_bowl(log: &Record) -> Option<Mass> {
    let first = log.weighed().next()?;
    let bowl = first.vessel == VesselWay::Bowl.name();
    first.tare.filter(|_| bowl).map(|tare| tare.mass())
}

/// The bowl, and what it holds where the configuration knows a vessel of its weight, to 1 g or 0.5 %.
fn bowl(log: &Record, vessels: &[VesselConfig]) -> Bowl {
    let empty = empty_bowl(log);
    let near = |vessel: &&VesselConfig| {
        empty.is_some_and(|empty| {
            let off = (vessel.weight - empty).abs();
            off <= empty.ratio(1, 200).max(Mass::from_g(1))
        })
    };
    Bowl {
        capacity: vessels.iter().find(near).and_then(|vessel| vessel.capacity),
        empty,
    }
}
