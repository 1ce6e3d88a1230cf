//! From the rows of a log back to where the batch stood.
//!
//! Two rows open a batch: `opened`, with a note for a person, and a `note` that holds the formula's
//! text and the batch's size, so that the log alone is enough to go on:
//! `formula {"text":"...","batch_ng":500000000000,"jars":null,"fill_ng":null,"sha256":"..."}`.
//! `jars` and `fill_ng` are both null or both numbers; `sha256` is that of the text.

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::formula::amend::Amendment;
use crate::formula::filling::Fill;
use crate::formula::plan::{Amount, PlanError};
use crate::formula::{Formula, Plan};
use crate::journal::error::{BadLine, LogError};
use crate::journal::format::cell;
use crate::journal::format::chain;
use crate::journal::format::fault::Fault;
use crate::journal::format::fill_note;
use crate::journal::format::row::Row;
use crate::journal::read::scan::scan_file;
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::text::harmless_json;
use crate::vocabulary::entry::{Draft, RowKind, lot_taken_back};
use crate::vocabulary::progress::{Progress, Weighed};

/// What a batch was opened with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Opening {
    /// The formula's text, byte for byte.
    pub text: String,
    pub batch: Mass,
    /// Number of jars and the fill of each, when the batch was given so.
    pub jars: Option<(u32, Mass)>,
}

/// The formula's text is too long for one cell.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "the formula takes {bytes} bytes in the log, where {} fit; shorten its notes",
    cell::LONGEST_TEXT
)]
pub struct FormulaTooLong {
    pub bytes: usize,
}

#[derive(Serialize, Deserialize)]
struct OpeningNote {
    text: String,
    batch_ng: i64,
    jars: Option<u32>,
    fill_ng: Option<i64>,
    sha256: String,
}

const FORMULA_NOTE: &str = "formula {";

/// The two drafts that open a batch. `label` names the formula for a person.
///
/// # Errors
/// When the formula's text does not fit a cell.
pub fn opening_drafts(opening: &Opening, label: &str) -> Result<[Draft; 2], FormulaTooLong> {
    let note = OpeningNote {
        text: opening.text.clone(),
        batch_ng: opening.batch.ng(),
        jars: opening.jars.map(|(jars, _)| jars),
        fill_ng: opening.jars.map(|(_, fill)| fill.ng()),
        sha256: chain::sha256(&opening.text),
    };
    // A struct of texts and numbers always has a JSON form.
    let json = serde_json::to_string(&note).unwrap_or_default();
    let json = format!("formula {}", harmless_json(&json));
    if !cell::fits(&json) {
        return Err(FormulaTooLong { bytes: json.len() });
    }
    let size = match opening.jars {
        Some((jars, fill)) => format!("{jars} jars of {} g", fill.grams(Mass::from_g(1))),
        None => "one batch".to_owned(),
    };
    let words = format!(
        "{label}: {} g, {size}",
        opening.batch.grams(Mass::from_g(1))
    );
    Ok([
        Draft::new(RowKind::Opened, words),
        Draft::new(RowKind::Note, json),
    ])
}

/// Reads the opening from a row's note; `None` when the row holds none.
///
/// # Errors
/// Why a note that begins as one is none, in words.
pub fn opening_of(row: &Row) -> Option<Result<Opening, String>> {
    if row.kind != RowKind::Note || !row.note.starts_with(FORMULA_NOTE) {
        return None;
    }
    let json = row.note.get(FORMULA_NOTE.len() - 1..)?;
    Some(read_opening(json))
}

fn read_opening(json: &str) -> Result<Opening, String> {
    let note: OpeningNote = serde_json::from_str(json)
        .map_err(|e| format!("the formula in the note does not read: {e}"))?;
    if chain::sha256(&note.text) != note.sha256 {
        return Err("the formula in the note does not fit its sha256".to_owned());
    }
    let jars = match (note.jars, note.fill_ng) {
        (Some(jars), Some(fill)) => Some((jars, Mass::from_ng(fill))),
        (None, None) => None,
        (Some(_), None) | (None, Some(_)) => {
            return Err("the note has jars without fill_ng, or the other way".to_owned());
        }
    };
    Ok(Opening {
        text: note.text,
        batch: Mass::from_ng(note.batch_ng),
        jars,
    })
}

/// What a log says of its batch.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Resumed {
    pub batch: String,
    /// The `formula` column.
    pub formula: String,
    /// `None` when the log ends before its second row.
    pub opening: Option<Opening>,
    pub weighed: BTreeMap<usize, Weighed>,
    /// Step and phase name of each `mixed` row.
    pub mixed: Vec<(usize, String)>,
    pub lots: HashMap<String, String>,
    /// What stayed in the beaker, by step number.
    pub residues: HashMap<usize, Mass>,
    /// What each beaker weighed empty, by step number, and each jar by its own.
    pub tares: HashMap<usize, Mass>,
    pub jar_tares: HashMap<usize, Mass>,
    /// Changes of the plan, in the order in which they were chosen.
    pub amendments: Vec<Amendment>,
    /// How jars are filled, as the last filling began; filling follows the end of the weighing.
    pub filling: Option<Fill>,
    /// Net content of each jar by its number; the last correction holds.
    pub filled: BTreeMap<usize, Weighed>,
    /// Whether nothing is under way: neither the weighing nor a filling.
    pub closed: bool,
    pub rows: u64,
    pub first_at: Option<Timestamp>,
    pub last_at: Option<Timestamp>,
}

impl Opening {
    /// The size as it was asked for.
    pub fn amount(&self) -> Amount {
        Amount::opened(self.batch, self.jars)
    }
}

impl Resumed {
    /// The plan of `formula`, that of [`Resumed::opening`], with every change that was made under way.
    ///
    /// # Errors
    /// As [`Plan::new`].
    pub fn plan(
        &self,
        formula: &Formula,
        amount: Amount,
        scales: &[ScaleAbility],
        guard: f64,
    ) -> Result<Plan, PlanError> {
        let plan = Plan::new(formula, amount, scales, guard)?;
        let changes = self.amendments.iter();
        Ok(changes.fold(plan, |plan, change| plan.amended(change)))
    }

    /// The progress of a filling.
    pub fn filling_progress(&self) -> Progress {
        Progress {
            weighed: self.filled.iter().map(|(jar, w)| (*jar, *w)).collect(),
            mixed: Vec::new(),
            lots: HashMap::new(),
            residues: HashMap::new(),
            tares: self.jar_tares.clone(),
            resumed: true,
            closed: self.closed,
        }
    }

    /// The progress in `plan`, the plan made of [`Resumed::opening`]. A `mixed` row belongs to the
    /// phase of its step; without a step, or with one that the plan lacks, to the first phase of
    /// its name that no other row took.
    pub fn progress(&self, plan: &Plan) -> Progress {
        let mut mixed: Vec<usize> = Vec::new();
        for (step, name) in &self.mixed {
            let by_step = step
                .checked_sub(1)
                .and_then(|i| plan.steps.get(i))
                .map(|s| s.phase);
            let by_name = || {
                let named = |i: &usize| plan.phases.get(*i).is_some_and(|p| p.name == *name);
                (0..plan.phases.len())
                    .filter(named)
                    .find(|i| !mixed.contains(i))
            };
            if let Some(phase) = by_step.or_else(by_name)
                && !mixed.contains(&phase)
            {
                mixed.push(phase);
            }
        }
        mixed.sort_unstable();
        Progress {
            weighed: self
                .weighed
                .iter()
                .map(|(step, weighed)| (*step, *weighed))
                .collect(),
            mixed,
            lots: self.lots.clone(),
            residues: self.residues.clone(),
            tares: self.tares.clone(),
            resumed: true,
            closed: self.closed,
        }
    }
}

/// Takes rows in order and becomes a [`Resumed`].
#[derive(Debug, Default)]
pub struct Resuming {
    resumed: Resumed,
    /// Step of each `weighed` row so far, to find what a correction corrects.
    step_of: HashMap<u64, usize>,
    /// The same of jars.
    jar_of: HashMap<u64, usize>,
}

impl Resuming {
    /// Takes the next row. A `weighed` row holds for its step, in place of any before it; one whose
    /// note begins `corrects seq N` holds for the step of that row, and withdraws its weight when
    /// it has no net weight of its own.
    ///
    /// # Errors
    /// [`LogError::Bad`] when the row should hold the formula and does not, or corrects a row that
    /// is no weight.
    pub fn add(&mut self, row: Row, path: &Path) -> Result<(), LogError> {
        let bad = |column, why| BadLine {
            path: path.to_owned(),
            line: row.seq.saturating_add(1),
            column: Some(column),
            fault: Fault::Cell { why },
        };
        if let Some(opening) = opening_of(&row)
            && self.resumed.opening.is_none()
        {
            self.resumed.opening = Some(opening.map_err(|why| bad("note", why))?);
        }
        if let Some(fill) = fill_note::fill_of(&row) {
            self.resumed.filling = Some(fill.map_err(|why| bad("note", why))?);
            self.resumed.closed = false;
        }
        match row.kind {
            RowKind::Weighed | RowKind::Filled => {
                let filled = row.kind == RowKind::Filled;
                let (of, holds) = match filled {
                    false => (&mut self.step_of, &mut self.resumed.weighed),
                    true => (&mut self.jar_of, &mut self.resumed.filled),
                };
                let (step, correction) = match corrects(&row.note) {
                    Some(seq) => match of.get(&seq) {
                        Some(step) => (*step, true),
                        None => {
                            let why = format!("corrects seq {seq}, which is no weight before it");
                            return Err(bad("note", why).into());
                        }
                    },
                    None => (row.step, false),
                };
                of.insert(row.seq, step);
                let tares = match filled {
                    false => &mut self.resumed.tares,
                    true => &mut self.resumed.jar_tares,
                };
                match row.tare {
                    Some(tare) if matches!(row.vessel.as_str(), "beaker" | "jar") => {
                        tares.insert(step, tare.mass());
                    }
                    Some(_) | None => {
                        tares.remove(&step);
                    }
                }
                weigh(holds, &row, step, correction);
            }
            RowKind::Remedy => {
                if let Some(change) = Amendment::of_note(&row.note) {
                    let (change, _) = change.map_err(|why| bad("note", why))?;
                    self.resumed.amendments.push(change);
                    // A closed batch is opened again for it.
                    self.resumed.closed = false;
                }
            }
            RowKind::Mixed => self.resumed.mixed.push((row.step, row.phase.clone())),
            RowKind::Closed => self.resumed.closed = true,
            RowKind::Residue => {
                // Without a net weight it takes back the one before.
                match row.net {
                    Some(net) => self.resumed.residues.insert(row.step, net.mass()),
                    None => self.resumed.residues.remove(&row.step),
                };
            }
            RowKind::Opened | RowKind::ScaleCheck | RowKind::TakenOut | RowKind::Note => {}
        }
        let resumed = &mut self.resumed;
        if row.kind == RowKind::Note && row.note == lot_taken_back(&row.ingredient) {
            resumed.lots.remove(&row.ingredient);
        }
        if !row.lot.is_empty() && !row.ingredient.is_empty() {
            resumed.lots.insert(row.ingredient, row.lot);
        }
        resumed.rows += 1;
        resumed.first_at.get_or_insert(row.at);
        resumed.last_at = Some(row.at);
        resumed.batch = row.batch;
        resumed.formula = row.formula;
        Ok(())
    }

    pub fn finish(self) -> Resumed {
        self.resumed
    }
}

fn weigh(holds: &mut BTreeMap<usize, Weighed>, row: &Row, step: usize, correction: bool) {
    match row.net {
        Some(net) if step > 0 => {
            let weighed = Weighed {
                seq: row.seq,
                net: net.mass(),
            };
            holds.insert(step, weighed);
        }
        None if correction => {
            holds.remove(&step);
        }
        Some(_) | None => {}
    }
}

/// The seq that a note beginning `corrects seq N` names.
pub fn corrects(note: &str) -> Option<u64> {
    let rest = note.strip_prefix("corrects seq ")?;
    let end = rest
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(rest.len());
    rest.get(..end)?.parse().ok()
}

/// Reads a log without its lock and without changing it; a torn end is passed over.
///
/// # Errors
/// As [`super::scan::Scan::next_row`] and [`Resuming::add`].
pub fn read(path: &Path) -> Result<Resumed, LogError> {
    let mut scan = scan_file(path)?;
    let mut resuming = Resuming::default();
    while let Some(row) = scan.next_row()? {
        resuming.add(row, path)?;
    }
    Ok(resuming.finish())
}

/// The logs of a folder that have no `closed` row.
#[derive(Debug, Default)]
pub struct OpenLogs {
    /// Newest last row first; a log without rows comes last.
    pub open: Vec<(PathBuf, Resumed)>,
    /// Logs that do not read.
    pub bad: Vec<LogError>,
}

/// Looks at every `.csv` file of a folder. A missing folder has no logs.
///
/// # Errors
/// When the folder cannot be read; what is wrong with single logs is in the answer.
pub fn list_open(dir: &Path) -> Result<OpenLogs, LogError> {
    let entries = match std::fs::read_dir(dir) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(OpenLogs::default()),
        Err(e) => return Err(LogError::io(dir, "read the folder of the logs")(e)),
    };
    let mut logs = OpenLogs::default();
    for entry in entries {
        let path = entry
            .map_err(LogError::io(dir, "read the folder of the logs"))?
            .path();
        let is_log = path.extension().is_some_and(|extension| extension == "csv");
        if !is_log || super::scale_checks::is_one(&path) {
            continue;
        }
        match read(&path) {
            Ok(resumed) if resumed.closed => {}
            Ok(resumed) => logs.open.push((path, resumed)),
            Err(error) => logs.bad.push(error),
        }
    }
    logs.open.sort_by(|(a_path, a), (b_path, b)| {
        b.last_at.cmp(&a.last_at).then_with(|| a_path.cmp(b_path))
    });
    Ok(logs)
}
