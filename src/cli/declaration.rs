//! `bismar declaration BATCH`: the ingredients of a batch for its label, by what was weighed.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::lots::StoreArgs;
use super::named::{self, FORMULA};
use super::size::{Typed, typed};
use super::{Exit, Failure, Outcome, language, print, said, tell};
use crate::label::Rules;
use crate::label::declared::DeclaredError;
use crate::label::text::report;
use crate::language::phrase;
use crate::lots::Lot;
use crate::workshop;
use crate::workshop::labelling::{LabelError, Labelled, Wanted};

#[derive(Debug, Args)]
pub struct DeclarationArgs {
    /// The batch's name, or its log (.csv)
    #[arg(value_name = "BATCH")]
    batch: PathBuf,
    /// Whose rule for the small ingredients: at or under 1 % (us; ca, with the fragrance allergens), or
    /// under 1 % (eu, with the fragrance allergens; it is taken where none is named)
    #[arg(long, value_enum)]
    rules: Option<RulesArg>,
    /// Take the INCI names from this formula, by its name or its file, instead of the one in the log
    #[arg(long, value_name = FORMULA)]
    formula: Option<PathBuf>,
    /// Net contents of one package, where the log has no jars, for example 55g
    #[arg(long, value_name = "MASS", value_parser = typed)]
    net: Option<Typed>,
    #[command(flatten)]
    store: StoreArgs,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum RulesArg {
    Us,
    Eu,
    /// Canada
    Ca,
}

pub fn run(args: &DeclarationArgs) -> Outcome {
    let read = args.read()?;
    for fault in read.nameless() {
        tell(&said(phrase!("warning: {fault}", fault)));
    }
    print(&report(&read.declared, read.net, language()))?;
    Ok(Exit::Done)
}

impl DeclarationArgs {
    /// Reads the batch and what is in it; says what is incomplete.
    pub(super) fn read(&self) -> Result<Labelled, Failure> {
        let log = named::log(&self.batch, || self.store.logs_dir())?;
        let records = self.store.records()?;
        let rules = match self.rules {
            Some(RulesArg::Us) => Rules::Us,
            Some(RulesArg::Eu) => Rules::Eu,
            Some(RulesArg::Ca) => Rules::Ca,
            None => {
                let rules = Rules::default();
                tell(&said(phrase!(
                    "By {law}, since no other rules were named; --rules us, eu or ca names them.",
                    law = rules.law()
                )));
                rules
            }
        };
        let named = self.formula.as_deref();
        let named = named.map(|typed| named::formula(typed, None)).transpose()?;
        let formula = named.as_deref().map(workshop::formula).transpose()?;
        let folder = match &named {
            Some(path) => workshop::folder_of(path),
            None if rules.name_allergens() => super::config::load(None)?.formulas()?,
            None => PathBuf::new(),
        };
        let wanted = Wanted {
            log,
            rules,
            formula,
            net: self.net.as_ref().map(|typed| typed.mass),
            folder,
        };
        let read = Labelled::read(wanted, &records)?;
        for warning in &read.warnings {
            let fault = warning.clone();
            tell(&said(phrase!("warning: {fault}", fault)));
        }
        if let Some(looked_into) = &read.looked_into {
            tell(&said(phrase!(
                "warning: {looked_into}. If yours lies in another folder, name the formula there with --formula FILE, or \
                 that folder as formula_dir in the configuration",
                looked_into = looked_into.clone(),
            )));
        }
        Ok(read)
    }

    /// The list of lots that goes with the batch.
    pub(super) fn lots(&self) -> Result<Vec<Lot>, Failure> {
        Ok(workshop::store::lots(&self.store.lots_file()?)?)
    }
}

impl From<LabelError> for Failure {
    fn from(error: LabelError) -> Failure {
        match error {
            LabelError::Declared(DeclaredError::LotOfItself(_)) => {
                Failure::failed(error.told()).remedy(phrase!("correct the lot in its log"))
            }
            LabelError::Declared(DeclaredError::NoWeights(_)) => Failure::failed(error.told()),
            LabelError::Declared(DeclaredError::Formula(problems)) => problems.into(),
            LabelError::Query(error) => error.into(),
        }
    }
}
