//! From a weighed batch to the filling of its jars.

use std::path::PathBuf;

use jiff::Timestamp;

use super::open::{BatchOpener, append, rows_kept};
use super::ports::Opened;
use crate::formula::Plan;
use crate::formula::filling::{Fill, MOST_JARS};
use crate::journal::batch::record::Record;
use crate::journal::format::fill_note::note_of;
use crate::journal::name_of;
use crate::journal::read::folder::is_own;
use crate::journal::read::record;
use crate::journal::store::log::LogFile;
use crate::language::{Sentence, phrase};
use crate::mass::Mass;
use crate::metrology::budget::Weighing;
use crate::metrology::prepackage::{Rule, SAMPLING_NOTE};
use crate::protocol::reply::{Refusal, Said};
use crate::protocol::request::FillRequest;
use crate::vocabulary::code::Help;
use crate::vocabulary::entry::{Draft, RowKind};
use crate::workshop::batches::archive;
use crate::workshop::named;
use crate::workshop::stopped::no_formula;

impl BatchOpener {
    pub(super) fn filling(&self, fill: Fill, label: &str) -> Result<Plan, Refusal> {
        let config = self.config.now();
        let plan = Plan::filling(fill, label, &config.abilities(), config.weighing.guard);
        Ok(plan?)
    }

    pub(super) fn begin_filling(&self, request: &FillRequest) -> Result<Opened, Refusal> {
        let (path, batch, record) = self.weighed_log(request.batch.as_deref())?;
        if !record.ended {
            return Err(Refusal::new(phrase!(
                "batch {batch} is not weighed to its end; jars are filled after that",
                batch,
            )));
        }
        let fill = wanted(request, &record)?;
        let formula = record
            .read_formula()
            .ok_or_else(|| no_formula(&path))?
            .map_err(|error| error.told())?;
        let plan = self.filling(fill, &formula.label())?;
        let checks = self.checks(&plan)?;
        let (mut log, found) = LogFile::open(&path).map_err(|error| error.told())?;
        let mut rows = vec![Draft::new(RowKind::Note, note_of(&fill))];
        rows.extend(checks.rows);
        append(&mut log, &rows, Timestamp::now()).map_err(|error| error.told())?;
        let mut said = words(&batch, &fill, &record);
        if let Some(note) = self.too_unsure(&fill, &plan) {
            said.note(note);
        }
        for note in checks.notes {
            said.note(note);
        }
        let progress = found.record.progress(&plan);
        let batch = log.batch().to_owned();
        let (log, answers) = self.start(log)?;
        Ok(Opened {
            batch,
            file: path,
            plan,
            progress: crate::vocabulary::progress::Progress {
                resumed: false,
                closed: false,
                ..progress
            },
            log,
            answers,
            said,
        })
    }

    /// Where the scale cannot weigh a jar as well as the rule asks of who fills it.
    fn too_unsure(&self, fill: &Fill, plan: &Plan) -> Option<Sentence> {
        let abilities = self.config.now().abilities();
        let scale = abilities.get(plan.steps.first()?.scale)?;
        let most = fill.rule.most_weighing_error(fill.nominal)?;
        let unsure = scale.budget(&Weighing::planned(fill.nominal)).uncertainty();
        (unsure.expanded() > most).then(|| {
            phrase!(
                "who fills jars may weigh each wrong by at most a fifth of what it may be short by, {most} g here; this \
                 scale's U is {u} g. Use a finer scale, or measure this one ({measure_at_terminal}).",
                most = most.grams(Mass::from_mg(10)),
                u = unsure.expanded().ceil_to(Mass::from_mg(10)).grams(Mass::from_mg(10)),
                measure_at_terminal = "`bismar repeatability --write`",
            )
        })
    }

    /// The log of a batch that something follows after its weighing, with the batch's name; as
    /// [`BatchOpener::log_to_fill`].
    pub(super) fn weighed_log(
        &self,
        batch: Option<&str>,
    ) -> Result<(PathBuf, String, Record), Sentence> {
        let path = self.log_to_fill(batch)?;
        let batch = name_of(&path);
        if self.stuck.contains(&batch) {
            return Err(rows_kept(&batch));
        }
        let record = record::read_strictly(&path).map_err(|error| error.told())?;
        Ok((path, batch, record))
    }

    /// The log of the batch that is named, or the one whose weighing ended last.
    fn log_to_fill(&self, batch: Option<&str>) -> Result<PathBuf, Sentence> {
        let folder = self.folder()?;
        if let Some(batch) = batch {
            return named::own_batch(batch, &folder).map_err(|unfound| unfound.told());
        }
        let logs = archive(&folder).newest().map_err(|error| error.told())?;
        // A log that is open or does not read is passed over; whoever means it can name it.
        let whole = |record: Record| record.rest() > Mass::ZERO && record.opening.is_some();
        let weighed =
            |path: &PathBuf| is_own(&folder, path) && record::read_strictly(path).is_ok_and(whole);
        logs.into_iter().find(weighed).ok_or_else(|| {
            phrase!(
                "there is no batch to fill jars from in {folder}; weigh one first",
                folder = folder.display().to_string(),
            )
        })
    }
}

fn wanted(request: &FillRequest, record: &Record) -> Result<Fill, Refusal> {
    let filled = record.jarred();
    let jars = record.filled.iter().map(|row| row.step);
    let earlier = jars.max().unwrap_or(0);
    let planned = record.opening.as_ref().and_then(|opening| opening.jars);
    let nominal = request
        .fill
        .or(planned.map(|(_, fill)| fill))
        .ok_or_else(|| {
            let error = phrase!("the batch was not planned in jars; say what a jar holds");
            Refusal::new(error).help(Help::JarFill)
        })?;
    let made = record.total() - filled;
    let over = request.over.unwrap_or_else(|| Fill::usual_over(nominal));
    if over > nominal.ratio(1, 2) {
        return Err(Refusal::new(phrase!(
            "{more} g over a fill of {fill} g is more than half of it; give a smaller {over_at_terminal}",
            more = over.grams(Mass::from_mg(10)),
            fill = nominal.grams(Mass::from_mg(10)),
            over_at_terminal = "--over",
        )));
    }
    let rule = request.rule.unwrap_or(Rule::Eu76211);
    let hold = Fill::hold(nominal, made);
    if hold == 0 {
        return Err(Refusal::new(phrase!(
            "there is not enough left for one jar of {fill} g: {weighed} g were weighed, {filled} g are in jars. Say \
             fewer grams for a smaller jar; what stays in none counts as a loss",
            fill = nominal.grams(Mass::from_mg(10)),
            weighed = record.total().grams(Mass::from_mg(10)),
            filled = filled.grams(Mass::from_mg(10)),
        )));
    }
    let jars = request
        .jars
        .map_or(hold, |jars| jars as usize)
        .min(MOST_JARS);
    Ok(Fill {
        nominal,
        over,
        rule,
        made,
        first: earlier + 1,
        last: earlier.saturating_add(jars),
    })
}

fn words(batch: &str, fill: &Fill, record: &Record) -> Said {
    let d = Mass::from_mg(10);
    let jars = fill.last + 1 - fill.first;
    let say = phrase!(
        "Filling jars of batch {batch}: up to {jars} of {fill} g each, {most} g at most; there are {made} g.\nStop the \
         batch when the bowl is empty. Judged by {rule}.",
        batch,
        jars,
        fill = fill.nominal.grams(d),
        most = (fill.nominal + fill.over).round_to(d).grams(d),
        made = fill.made.grams(d),
        rule = fill.rule.source(),
    );
    let mut said = Said::new(say);
    if let Some(warning) = record.standing().warning() {
        said.note(match record.weighed().count() {
            1 => phrase!("the batch is {warning}; 1 weight is in its log.", warning),
            weights => phrase!(
                "the batch is {warning}; {weights} weights are in its log.",
                warning,
                weights,
            ),
        });
    }
    said.say = phrase!("{said}\n{note}", said = said.say, note = SAMPLING_NOTE);
    said
}
