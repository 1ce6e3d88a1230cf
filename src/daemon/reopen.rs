//! A closed batch is opened again: with the steps of a remedy, or since it was stopped too early.

use jiff::Timestamp;

use super::open::{BatchOpener, Why, append};
use super::ports::Opened;
use crate::formula::Formula;
use crate::formula::amend::change_of;
use crate::formula::limits::bounds;
use crate::formula::remedy::remedy;
use crate::journal::batch::composition::{HeldPart, held};
use crate::journal::format::cell::Grams;
use crate::journal::store::log::LogFile;
use crate::language::{counted, phrase};
use crate::protocol::reply::{Refusal, Said};
use crate::vocabulary::code::Help;
use crate::vocabulary::command::Way;
use crate::vocabulary::entry::{Draft, RowKind};
use crate::vocabulary::progress::Progress;
use crate::workshop::stopped::{compare, no_formula};

impl BatchOpener {
    pub(super) fn take_up_stopped(&self, batch: &str) -> Result<Opened, Refusal> {
        let (path, batch, _) = self.weighed_log(Some(batch))?;
        let over = || {
            Refusal::new(phrase!(
                "nothing of batch {batch} is open: every step of it is weighed or left out",
                batch = &batch,
            ))
        };
        self.go_on(&path, Why::Word)?.ok_or_else(over)
    }

    pub(super) fn mend_closed(&self, batch: &str, way: Way) -> Result<Opened, Refusal> {
        let (path, batch, record) = self.weighed_log(Some(batch))?;
        if !record.ended {
            return Err(Refusal::new(phrase!(
                "batch {batch} is not closed; nothing has to be opened again",
                batch,
            )));
        }
        if !record.filled.is_empty() {
            return Err(Refusal::new(phrase!(
                "jars are filled from batch {batch} already; what is in them cannot be mended",
                batch,
            )));
        }
        let opening = (record.opening.as_ref()).ok_or_else(|| no_formula(&path))?;
        let name = format!("{} [formula]", path.display());
        let formula = Formula::parse(&opening.text, &name).map_err(|error| error.told())?;
        let config = self.config.now();
        let (scales, guard) = (config.abilities(), config.weighing.guard);
        let plan = record.plan(&formula, opening.amount(), &scales, guard);
        let plan = plan?;
        compare(&path, &record, &plan)?;
        let d = plan.coarsest_step(&scales);
        let parts = plan.held(|number| record.delivered(number).map(Grams::mass));
        let by_lot = held(&record, &plan);
        let by_lot: Vec<_> = by_lot.iter().flat_map(HeldPart::each_lot).collect();
        let names: Vec<&str> = plan.parts.iter().map(|part| part.name.as_str()).collect();
        let bounds = bounds(&plan.limits, &names, &by_lot);
        let none = || {
            let error = format!("there is no remedy by that way ({})", way.name());
            Refusal::new(error).help_of(Help::Remedies, &batch)
        };
        let found = remedy(way, &parts, &bounds, d).ok_or_else(none)?;
        let is_done = |number: usize| record.delivered(number).is_some();
        let first = plan.steps.iter().find(|step| !is_done(step.number));
        let before = first.map_or(plan.steps.len() + 1, |step| step.number);
        let change = change_of(&found, &parts, &plan, before, is_done)
            .filter(|change| !change.add.is_empty() || !change.later.is_empty())
            .ok_or_else(|| phrase!("nothing has to be added; the batch stays closed as it is"))?;
        let row = Draft {
            target: Some(found.batch),
            readability: d,
            ..Draft::new(RowKind::Remedy, change.note(&plan, d))
        };
        let plan = plan.amended(&change);
        let checks = self.checks(&plan)?;
        let (mut log, _) = LogFile::open(&path).map_err(|error| error.told())?;
        let rows: Vec<Draft> = [row].into_iter().chain(checks.rows).collect();
        append(&mut log, &rows, Timestamp::now()).map_err(|error| error.told())?;
        let progress = Progress {
            closed: false,
            ..record.progress(&plan)
        };
        let (log, answers) = self.start(log)?;
        let say = phrase!(
            "Batch {batch} is open again and becomes {grams} g: {steps} more, {targets} raised.",
            batch = &batch,
            grams = found.batch.grams(d),
            steps = counted::steps(change.add.len()),
            targets = counted::targets(change.later.len()),
        );
        let mut said = Said::new(say);
        for note in checks.notes {
            said.note(note);
        }
        Ok(Opened {
            batch,
            file: path,
            plan,
            progress,
            log,
            answers,
            said,
        })
    }
}
