//! The label of a batch: what it says and lacks, the declaration as a text, the labels to print.

use serde_json::{Value, json};

use super::super::context::Context;
use super::grams;
use crate::display::spoken::{language, said};
use crate::formula::Formula;
use crate::formula::cautions::{self, STANDING};
use crate::formula::form::of_the_form;
use crate::journal::name_of;
use crate::label::content::{Help, Label};
use crate::label::{Rules, content, declared, text};
use crate::language::{Sentence, phrase};
use crate::mass::Mass;
use crate::sheet::labels as sheet_of;
use crate::text::alike::same_name;
use crate::workshop::labelling::{Facts, Labelled, Wanted};
use crate::workshop::{self, QueryError, named};

/// Which batch, and how its label is asked for. Empty texts are as if they were not there.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    batch: String,
    /// `us`, `eu` or `ca`; those of the commands where nobody said.
    #[serde(default)]
    rules: String,
    /// What one package holds, with its unit.
    #[serde(default)]
    net: String,
    /// The formula's file as it stands now counts, instead of the text in the log.
    #[serde(default)]
    as_now: bool,
    /// On the sheet, each jar's own net weight.
    #[serde(default)]
    each_jar: bool,
}

/// The batch, its formula as it stands in a file now, and the faults of damaged logs.
struct Read {
    labelled: Labelled,
    now: Option<Now>,
    /// Why none of those in the folder is it, where one was looked for.
    no_formula: Option<String>,
    damaged: Vec<String>,
}

/// A formula of the folder that has the name of the batch's.
struct Now {
    file: String,
    /// Whether it says something else than the log.
    changed: bool,
    facts: Facts,
}

impl Asked {
    fn read(&self, context: &Context) -> Result<Read, QueryError> {
        let named = match self.rules.as_str() {
            "" => Some(Rules::default()),
            name => Rules::named(name),
        };
        let rules = named.ok_or_else(|| {
            QueryError::Other(phrase!(
                "say whose rules: us, eu or ca; open the label again"
            ))
        })?;
        let net = match self.net.trim() {
            "" => None,
            net => Some(Mass::parse_with_unit(net).map_err(|error| {
                QueryError::Other(phrase!(
                    "what one package holds: {why}",
                    why = Sentence::from(error),
                ))
            })?),
        };
        if net.is_some_and(|net| net <= Mass::ZERO) {
            let why = phrase!("what one package holds is more than nothing");
            return Err(QueryError::Other(why));
        }
        let log = context.log(&self.batch)?;
        let folder = context.config().formulas()?;
        let (records, damaged) = context.records()?;
        let record = records.iter().find(|one| name_of(&log) == one.batch);
        let own = record.and_then(|record| record.read_formula()?.ok());
        let found = own.map(|own| (named::formula_as_now(&own, &folder), own));
        let (mut now, mut no_formula) = (None, None);
        match found {
            Some((Ok(path), own)) => {
                // A file can have the name while its formula has another: that is not this one.
                let read = workshop::formula(&path).ok();
                let read = read.filter(|read| same_name(&read.name, &own.name));
                now = read.map(|read| (path, read.text != own.text, read));
            }
            Some((Err(unfound), _)) => no_formula = Some(said(&unfound.what)),
            None => {}
        }
        let wanted = Wanted {
            log,
            rules,
            formula: match (&now, self.as_now) {
                (Some((_, _, formula)), true) => Some(formula.clone()),
                (Some(_) | None, _) => None,
            },
            net,
            folder,
        };
        let labelled =
            Labelled::read(wanted, &records).map_err(|error| QueryError::Other(error.told()))?;
        let now = now.and_then(|(path, changed, formula)| {
            Some(Now {
                file: path.file_name()?.to_str()?.to_owned(),
                changed,
                facts: Facts::of(&formula),
            })
        });
        Ok(Read {
            labelled,
            now,
            no_formula,
            damaged,
        })
    }

    fn label(&self, context: &Context) -> Result<Label, QueryError> {
        let read = self.read(context)?.labelled;
        Ok(read.label(&context.lots()?, context.config().responsible.clone()))
    }
}

/// What the label of a batch says and lacks, and what is in the batch.
///
/// # Errors
/// Where the batch has no weights, or what belongs to it does not read.
pub fn label(context: &Context, asked: &Asked) -> Result<Value, QueryError> {
    let Read {
        labelled,
        now,
        no_formula,
        damaged,
    } = asked.read(context)?;
    let (warnings, looked_into) = (labelled.warnings.clone(), labelled.looked_into.clone());
    let cautions = match &labelled.formula {
        Some(formula) => cautions_of(context, formula)?,
        None => Vec::new(),
    };
    let net = labelled.net;
    let label = labelled.label(&context.lots()?, context.config().responsible.clone());
    let declared = &label.declared;
    let total = declared.total();
    let lines = declared.lines.iter().map(|line| {
        json!({
            "inci": line.inci,
            "grams": line.mass.grams_rounded(2).to_string(),
            "percent": declared::share(line.mass, total, 3),
            "any_order": line.any_order,
        })
    });
    let allergens = declared.allergens.as_ref().map(|(found, stay)| {
        let found = found.iter().map(|one| {
            json!({
                "name": one.allergen.label,
                "percent": declared::share(one.mass, total, 4),
                "named": one.declared,
            })
        });
        json!({
            "above": said(&stay.told()),
            "found": found.collect::<Vec<_>>(),
            "told": said(&of_the_form(&declared.named_told())),
        })
    });
    let points = label.points();
    let points = points.iter().map(|point| {
        json!({
            "what": said(&point.what.into()),
            "state": point.state.code(),
            "says": said(&point.says),
            "help": point.help.map(Help::code),
        })
    });
    Ok(json!({
        "batch": label.batch,
        "product": label.product,
        "law": said(&declared.rules.law().into()),
        "rules": declared.rules.name(),
        "incomplete": declared.incomplete.iter().map(|why| said(&of_the_form(why))).collect::<Vec<_>>(),
        "unproven": declared.unproven_told().as_ref().map(said),
        "warnings": warnings.iter().map(said).collect::<Vec<_>>(),
        "looked_into": looked_into.as_ref().map(said),
        "names": declared.names().join(", "),
        "lines": lines.collect::<Vec<_>>(),
        "any_order": said(&text::any_order(declared.rules).into()),
        "allergens": allergens,
        "net": net.map(|(mass, from)| json!({ "grams": grams(mass), "from": said(&from.into()) })),
        "net_contents": net.and_then(|(mass, _)| label.net_contents(mass)),
        "jars": label.jars.len(),
        "points": points.collect::<Vec<_>>(),
        "cautions": cautions.iter().map(said).collect::<Vec<_>>(),
        "cautions_standing": said(&STANDING.into()),
        "note": said(&text::note(declared).into()),
        "standing": said(&content::STANDING.into()),
        "responsible": label.responsible,
        "formula": now.map(|now| json!({ "file": now.file, "changed": now.changed, "facts": now.facts })),
        "no_formula": no_formula,
        "damaged": damaged,
    }))
}

fn cautions_of(context: &Context, formula: &Formula) -> Result<Vec<Sentence>, QueryError> {
    // Its premixes and the maker's list lie in the folder of the formulas.
    let beside = context.config().formulas()?.join("formula");
    let known = workshop::known(&beside, formula)?;
    Ok(cautions::lines(formula, &known))
}

/// The declaration as the terminal has it.
///
/// # Errors
/// As [`label`].
pub fn declaration(context: &Context, asked: &Asked) -> Result<String, QueryError> {
    let read = asked.read(context)?.labelled;
    Ok(text::report(&read.declared, read.net, language()))
}

/// The labels to print, as one HTML document.
///
/// # Errors
/// As [`label`]; or where each jar is asked for and none was filled.
pub fn labels(context: &Context, asked: &Asked) -> Result<String, QueryError> {
    let label = asked.label(context)?;
    if asked.each_jar && label.jars.is_empty() {
        let why = phrase!(
            "batch {batch} has no filled jar; choose one label",
            batch = &label.batch,
        );
        return Err(QueryError::Other(why));
    }
    sheet_of(&label, asked.each_jar, language()).map_err(|error| {
        let error = error.to_string();
        QueryError::Other(phrase!(
            "no code can be made of the batch's name: {error}",
            error
        ))
    })
}
