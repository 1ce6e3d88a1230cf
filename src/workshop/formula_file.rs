//! A formula's file as a form writes it: opened, checked while it is written, saved, and its versions by the batches.

use std::io;
use std::path::{Path, PathBuf};

use serde::Serialize;

use super::batches::archive;
use super::config_file::{EditError, replace};
use super::planning::OnPaper;
use super::{QueryError, known, scales};
use crate::config::Config;
use crate::files;
use crate::formula::form::{
    Difference, Fault, Fields, Sum, differences, edited, of_the_form, premix,
};
use crate::formula::plan::BatchSize;
use crate::formula::remarks::{self, ReadIn};
use crate::formula::{Formula, Plan, cautions, examples};
use crate::journal::format::chain::sha256;
use crate::journal::format::names::safe_batch_name;
use crate::journal::read::record;
use crate::language::{Language, Sentence, Term, phrase, term};
use crate::mass::Mass;
use crate::problem::{Problem, Problems};
use crate::text::alike::{in_ascii, same_name};
use crate::text::capitalised;

/// A file as it was opened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Opened {
    pub fields: Fields,
    /// Tells this text from another one.
    pub base: String,
}

/// The fields of a file.
///
/// # Errors
/// Everything that is wrong with it.
pub fn open(path: &Path) -> Result<Opened, Problems> {
    let text = files::text(path)?;
    Ok(Opened {
        fields: Fields::read(&text, &path.display().to_string())?,
        base: sha256(&text),
    })
}

/// How what is written in the form stands.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Checked {
    pub faults: Vec<Fault>,
    pub sum: Option<Sum>,
    pub steps: Vec<StepInForm>,
    /// What is to be known of it and hinders nothing.
    pub notes: Vec<String>,
    pub cautions: Vec<String>,
    /// The figures are for a scale that nobody configured.
    pub assumed: bool,
    /// Why there are no figures, where that is not for a fault.
    pub unplanned: Option<String>,
}

/// What the scale makes of one ingredient; grams as its scale shows them.
#[derive(Debug, Clone, Serialize)]
pub struct StepInForm {
    pub phase: usize,
    pub ingredient: usize,
    pub percent: String,
    pub target: String,
    /// The window in which a weight is proven; there is none where the scale cannot prove the tolerance.
    pub low: String,
    pub high: String,
    pub proven: bool,
    pub scale: String,
    /// What the tolerance itself allows.
    pub lowest: String,
    pub highest: String,
    pub says: Vec<String>,
}

/// Checks what is written in the form; `path` is the file that it came from, or may come to be, and `size` the batch
/// that the scales are tried with.
///
/// # Errors
/// Where the files beside it do not read.
pub fn check(
    fields: &Fields,
    path: &Path,
    size: Option<BatchSize>,
    config: &Config,
    language: Language,
) -> Result<Checked, QueryError> {
    let fields = fields.clone().tidied();
    let mut faults = Vec::new();
    let text = files::text(path).ok();
    let mut checked = Checked {
        sum: fields.sum(),
        ..Checked::default()
    };
    let size = size.unwrap_or(BatchSize::Batch(USUAL));
    let mut beside = None;
    match fields.checked_in(text.as_deref()) {
        Err(found) => faults.extend(found),
        Ok(formula) => {
            let beside = beside.insert(known(path, &formula)?);
            let lines = cautions::lines(&formula, beside);
            checked.cautions = (lines.iter().map(|line| line.in_language(language))).collect();
            match OnPaper::of(formula, path, size, config) {
                // What stands at a line of no file of hers is told of the whole.
                Ok(paper) => {
                    let notes = paper.notes.iter().map(bare).chain(paper.rounded);
                    checked.notes = notes.map(|note| note.in_language(language)).collect();
                }
                Err(QueryError::File(problems)) => {
                    faults.extend(problems.0.iter().map(|one| Fault::new("", bare(one))));
                }
                Err(error) => checked.unplanned = Some(error.told().in_language(language)),
            }
        }
    }
    if let Some(measured) = fields.measured() {
        let (scales, assumed) = scales(config);
        let guard = config.weighing.guard;
        checked.assumed = assumed;
        match Plan::new(&measured.formula, size, &scales, guard) {
            Ok(plan) => {
                // What is measured is of the formula, where that is whole.
                let beside = match beside {
                    Some(beside) => beside,
                    None => known(path, &measured.formula)?,
                };
                let clinging = cautions::clinging(&measured.formula, &beside);
                let lines = clinging.into_iter().zip(measured.formula.shares());
                let steps = plan.steps.iter().zip(lines).zip(&measured.places);
                for ((step, (clings, share)), place) in steps {
                    let (Some((phase, index)), Some(scale)) = (place, scales.get(step.scale))
                    else {
                        continue;
                    };
                    let grams = |mass: Mass| mass.grams(scale.readability).to_string();
                    let window = step.feasibility(scale, guard).window;
                    let says =
                        remarks::of_step(&plan, step, clings, &scales, guard, false, ReadIn::Form);
                    checked.steps.push(StepInForm {
                        phase: *phase,
                        ingredient: *index,
                        percent: share.shown(),
                        target: grams(step.target),
                        low: grams(window.low),
                        high: grams(window.high),
                        proven: window.proven,
                        scale: scale.told().in_language(language),
                        lowest: grams(step.lowest.round_to(scale.readability)),
                        highest: grams(step.highest.round_to(scale.readability)),
                        says: says
                            .map(|say| capitalised(&say.in_language(language)))
                            .collect(),
                    });
                }
            }
            Err(error) => checked.unplanned = Some(error.told().in_language(language)),
        }
    }
    let faults = faults.into_iter();
    checked.faults = faults.map(|fault| fault.put_into(language)).collect();
    Ok(checked)
}

/// The batch that the scales are tried with where no other is told.
const USUAL: Mass = Mass::from_g(100);

/// What is said of a file without its place, which is of no file that she knows, and without the keys of a file.
pub fn bare(note: &Problem) -> Sentence {
    let of_the_form = Problem {
        message: of_the_form(&note.message),
        remedy: of_the_form(&note.remedy),
        ..note.clone()
    };
    of_the_form.without_place()
}

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Saved {
    pub file: String,
    pub say: Sentence,
    #[serde(flatten)]
    pub opened: Opened,
}

/// Why nothing was written.
#[derive(Debug, thiserror::Error)]
pub enum SaveError {
    /// What is wrong, at its fields.
    #[error("{}", LOOK)]
    Faults(Vec<Fault>),
    /// Somebody else wrote the file meanwhile.
    #[error("{}", changed(.0))]
    Changed(String),
    #[error(transparent)]
    Query(#[from] QueryError),
    #[error("{}", .0.words())]
    Edit(#[from] EditError),
}

const LOOK: Term = term!("look at what is marked; nothing was written");

fn changed(file: &str) -> Sentence {
    phrase!(
        "{file} was changed meanwhile, in another tab or by an editor; nothing was written",
        file
    )
}

impl SaveError {
    pub fn told(&self) -> Sentence {
        match self {
            SaveError::Faults(_) => LOOK.into(),
            SaveError::Changed(file) => changed(file),
            SaveError::Query(error) => error.told(),
            SaveError::Edit(error) => error.words(),
        }
    }
}

impl From<Problems> for SaveError {
    fn from(problems: Problems) -> SaveError {
        SaveError::Query(problems.into())
    }
}

/// Writes the formula into its file `path`, which was opened as `base`; without one into a new file of the folder, called
/// after its name, with what the file `like` holds besides its fields, of which it is a copy. Where batches were made of the version that it has, it gets the next one: the old text stays in their
/// logs.
///
/// # Errors
/// Where something is wrong with it, somebody else changed the file, or it cannot be written; then nothing is.
pub fn save(
    fields: &Fields,
    at: Option<(&Path, &str)>,
    like: Option<&Path>,
    folder: &Path,
    logs: &Path,
) -> Result<Saved, SaveError> {
    let mut fields = fields.clone().tidied();
    let mut faults = Vec::new();
    let like = like.map(files::text).transpose()?;
    let before = at.map(|(path, _)| files::text(path)).transpose()?;
    if let (Some((path, base)), Some(text)) = (at, &before)
        && sha256(text) != base
    {
        return Err(SaveError::Changed(file_name(path)));
    }
    if let Err(found) = fields.checked_in(before.as_deref().or(like.as_deref())) {
        faults.extend(found);
    }
    faults.extend(taken(&fields.name, at.map(|(path, _)| path), folder));
    if !faults.is_empty() {
        return Err(SaveError::Faults(faults));
    }
    let old = match &before {
        Some(text) => Some(Fields::read(text, "")?),
        None => None,
    };
    let raised = raise(&mut fields, old.as_ref(), logs)?;
    let (path, text) = match (at, &before) {
        (Some((path, _)), Some(before)) => {
            let by_hand = || EditError::Other {
                what: phrase!(
                    "{file} is written in a way that the form cannot change part by part",
                    file = file_name(path),
                ),
                remedy: Some(phrase!(
                    "change it in a text editor, or press \"Copy\" for a new file"
                )),
            };
            let text = edited(before, &fields).ok_or_else(by_hand)?;
            if text != *before {
                let file = std::fs::canonicalize(path).map_err(|e| EditError::io(path, &e))?;
                replace(&file, before, &text)?;
            }
            (path.to_owned(), text)
        }
        (_, _) => {
            let text = fields.to_toml_like(like.as_deref());
            (create(folder, &fields.name, &text)?, text)
        }
    };
    let name = match fields.version.as_str() {
        "" => Sentence::from(fields.name.as_str()),
        version => phrase!("{name}, version {version}", name = &fields.name, version),
    };
    let say = match (raised, before.as_deref() == Some(&text)) {
        (_, true) => phrase!("{name} is as it was.", name),
        (Some(old), false) if old.is_empty() => phrase!(
            "{name} is saved. Batches made before keep the text that they were made by.",
            name
        ),
        (Some(old), false) => phrase!(
            "{name} is saved. Batches of version {old} keep its text.",
            name,
            old
        ),
        (None, false) => phrase!("{name} is saved.", name),
    };
    Ok(Saved {
        file: file_name(&path),
        say,
        opened: Opened {
            fields: Fields::read(&text, "")?,
            base: sha256(&text),
        },
    })
}

fn file_name(path: &Path) -> String {
    let name = path.file_name().unwrap_or(path.as_os_str());
    name.to_string_lossy().into_owned()
}

/// Another file of the folder that has a formula of this name: batches, premixes and charts are told by it.
fn taken(name: &str, own: Option<&Path>, folder: &Path) -> Option<Fault> {
    let (beside, _) = super::formulas_in(folder);
    let own = own.map(file_name);
    let other = beside
        .into_iter()
        .find(|(path, other)| same_name(&other.name, name) && Some(file_name(path)) != own);
    let say = |(path, _): (PathBuf, Formula)| {
        phrase!(
            "{file} has this name already: give this formula another one.",
            file = file_name(&path),
        )
    };
    other.map(|other| Fault::new("name", say(other)))
}

/// A new file of the folder, called after the formula.
fn create(folder: &Path, name: &str, text: &str) -> Result<PathBuf, EditError> {
    let stem = stem(name);
    for number in 1..100 {
        let end = match number {
            1 => String::new(),
            number => format!("-{number}"),
        };
        let path = folder.join(format!("{stem}{end}.toml"));
        match files::create(&path, text) {
            Ok(()) => return Ok(path),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(EditError::io(&path, &error)),
        }
    }
    let full = io::Error::from(io::ErrorKind::AlreadyExists);
    Err(EditError::io(&folder.join(format!("{stem}.toml")), &full))
}

fn stem(name: &str) -> String {
    let name = in_ascii(name).to_lowercase();
    let safe = safe_batch_name(&name);
    let letter = |c: char| c.is_ascii_alphanumeric();
    // Marks between words make one dash.
    let words: Vec<&str> = safe.split('-').filter(|word| !word.is_empty()).collect();
    let short: String = words.join("-").chars().take(60).collect();
    match short.trim_matches(|c| !letter(c)) {
        "substances" => "formula".to_owned(),
        _ if !name.contains(letter) => "formula".to_owned(),
        stem => stem.to_owned(),
    }
}

/// Gives the formula another version where batches have the one that it has and say something else of it. Returns the
/// version that it was.
fn raise(
    fields: &mut Fields,
    old: Option<&Fields>,
    logs: &Path,
) -> Result<Option<String>, SaveError> {
    let made = versions(&fields.name, logs)?;
    let used = |version: &str| made.iter().any(|one| one.version == version);
    let says = |one: &Version| Fields::read(&one.text, "").is_ok_and(|read| read.says_what(fields));
    let same = made
        .iter()
        .any(|one| one.version == fields.version && says(one));
    let kept = old.is_some_and(|old| old.version == fields.version && old.says_what(fields));
    if !used(&fields.version) || same || kept {
        return Ok(None);
    }
    if old.is_some_and(|old| old.version != fields.version) {
        let say = phrase!(
            "Batches were made of version {version} as it was then: give this one another version.",
            version = &fields.version,
        );
        return Err(SaveError::Faults(vec![Fault::new("version", say)]));
    }
    let was = fields.version.clone();
    let mut version = next(&was);
    // Each batch has one version, so that this ends.
    for _ in 0..=made.len() {
        if !used(&version) {
            break;
        }
        version = next(&version);
    }
    fields.version = version;
    Ok(Some(was))
}

/// The version after this one: its last number is counted on.
fn next(version: &str) -> String {
    if version.is_empty() {
        return "2".to_owned();
    }
    let head = version.trim_end_matches(|c: char| c.is_ascii_digit());
    let number = version.get(head.len()..).unwrap_or_default();
    match number.parse::<u32>().ok().and_then(|n| n.checked_add(1)) {
        // As many digits, so that 09 is followed by 10 and stands where it stood.
        Some(n) => format!("{head}{n:0width$}", width = number.len()),
        None => format!("{version} 2"),
    }
}

/// A text of a formula that batches were made by.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Version {
    pub version: String,
    /// The newest batch of it.
    pub batch: String,
    pub begun: Option<String>,
    pub batches: usize,
    #[serde(skip)]
    pub text: String,
}

/// The texts of the formula `name` by the logs of its batches, the newest first. A log that does not read tells nothing
/// here; `bismar log verify` says why.
///
/// # Errors
/// When the folder cannot be read.
pub fn versions(name: &str, logs: &Path) -> Result<Vec<Version>, QueryError> {
    let mut found: Vec<Version> = Vec::new();
    for path in archive(logs).newest()? {
        let Ok(record) = record::begun(&path) else {
            continue;
        };
        let Some(Ok(formula)) = record.read_formula() else {
            continue;
        };
        if !same_name(&formula.name, name) {
            continue;
        }
        match found.iter_mut().find(|one| one.text == formula.text) {
            Some(one) => one.batches += 1,
            None => found.push(Version {
                version: formula.version.clone(),
                batch: record.batch.clone(),
                begun: record.opened_at.map(|at| at.to_string()),
                batches: 1,
                text: formula.text,
            }),
        }
    }
    Ok(found)
}

/// In what the formula of the file is another one than that of a batch.
///
/// # Errors
/// Where one of them does not read.
pub fn compare(path: &Path, log: &Path) -> Result<Vec<Difference>, QueryError> {
    let is = super::formula(path)?;
    Ok(differences(&of_log(log)?, &is))
}

/// In what the formula of the second batch is another one than that of the first.
///
/// # Errors
/// As [`compare`].
pub fn compare_batches(was: &Path, is: &Path) -> Result<Vec<Difference>, QueryError> {
    Ok(differences(&of_log(was)?, &of_log(is)?))
}

fn of_log(log: &Path) -> Result<Formula, QueryError> {
    let record = record::begun(log)?;
    let none = || QueryError::NoFormula(log.display().to_string());
    Ok(record.read_formula().ok_or_else(none)??)
}

/// Writes the premix that a phase becomes, and gives the formula with it in the phase's place, which is not written yet.
///
/// # Errors
/// As [`save`].
pub fn make_premix(
    fields: &Fields,
    phase: usize,
    folder: &Path,
    logs: &Path,
    language: Language,
) -> Result<(Saved, Fields), SaveError> {
    let fields = fields.clone().tidied();
    let faults = fields.unreadable();
    if !faults.is_empty() {
        return Err(SaveError::Faults(faults));
    }
    let of = fields
        .phases
        .get(phase)
        .map_or("", |phase| phase.name.as_str());
    // Texts of hers from now on, in her language.
    let of = match of.is_empty() {
        true => language.word(term!("blend")),
        false => of.to_lowercase(),
    };
    let name = format!("{} {of}", fields.name);
    let mix = phrase!("Blend until even, and write the batch's name on it").in_language(language);
    let at_phase = |fault: Fault| match fault.at.as_str() {
        "name" | "version" | "sum" => Fault::new(format!("phases.{phase}"), fault.say),
        at => Fault::new(
            at.replacen("phases.0", &format!("phases.{phase}"), 1),
            fault.say,
        ),
    };
    let (blend, with) = premix(&fields, phase, name.trim(), &mix)
        .map_err(|fault| SaveError::Faults(vec![fault]))?;
    match save(&blend, None, None, folder, logs) {
        Ok(saved) => Ok((saved, with)),
        Err(SaveError::Faults(faults)) => Err(SaveError::Faults(
            faults.into_iter().map(at_phase).collect(),
        )),
        Err(error) => Err(error),
    }
}

/// Puts the example formulas into the folder, in the language; those that are there stay. Returns how many came.
///
/// # Errors
/// Where one cannot be written.
pub fn put_examples(folder: &Path, language: Language) -> Result<usize, EditError> {
    let mut put = 0;
    for (name, text) in examples::ALL {
        let path = folder.join(name);
        match files::create(&path, &examples::offered(text, language)) {
            Ok(()) => put += 1,
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(EditError::io(&path, &error)),
        }
    }
    Ok(put)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_next_version_counts_on_and_a_file_is_called_after_its_formula() {
        for (was, is) in [
            ("", "2"),
            ("1.2", "1.3"),
            ("3", "4"),
            ("1.09", "1.10"),
            ("v9", "v10"),
            ("winter", "winter 2"),
            ("4294967295", "4294967295 2"),
        ] {
            assert_eq!(next(was), is);
        }
        assert_eq!(stem("Sea Lavender soak"), "sea-lavender-soak");
        assert_eq!(stem("../../etc/passwd"), "etc-passwd");
        for odd in ["", "...", "Substances", "/"] {
            assert_eq!(stem(odd), "formula", "{odd}");
        }
    }
}
