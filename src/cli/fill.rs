//! `bismar fill [BATCH]`: jars out of a batch that is weighed.

use clap::{Args, ValueEnum};

use super::size::{Typed, jars, typed};
use super::{Exit, Outcome, print, said};
use crate::language::phrase;
use crate::protocol::client::Client;
use crate::protocol::request::Request;

#[derive(Debug, Args)]
pub struct FillArgs {
    /// The batch's name (default: the one that was weighed last)
    #[arg(value_name = "BATCH")]
    batch: Option<String>,
    /// The net content on the label, for example 55g (default: as the batch was planned)
    #[arg(long, value_name = "MASS", value_parser = typed)]
    fill: Option<Typed>,
    /// How much more than that a jar may hold (default: 2 %, at least 0.2 g)
    #[arg(long, value_name = "MASS", value_parser = typed)]
    over: Option<Typed>,
    /// How many jars at most (default: as many as the batch holds)
    #[arg(long, value_name = "COUNT", value_parser = jars)]
    jars: Option<u32>,
    /// What net contents are judged by
    #[arg(long, value_enum, default_value = "eu")]
    rule: RuleName,
    /// With hb133: the maximum allowable variation of one package, from the handbook's table
    #[arg(long, value_name = "MASS", value_parser = typed, required_if_eq("rule", "hb133"))]
    allowable: Option<Typed>,
}

/// See [`crate::metrology::prepackage::Rule`].
#[derive(Debug, Clone, Copy, ValueEnum)]
enum RuleName {
    /// Directive 76/211/EEC; short may be 2.5 % of the jars, as the United Kingdom's guidance has it
    Eu,
    /// The same in Germany, FPackV § 9; short may be 2 %
    De,
    /// OIML R 87
    R87,
    /// NIST Handbook 133
    Hb133,
}

pub fn run(args: FillArgs) -> Outcome {
    let text = |typed: Option<Typed>| typed.map(|typed| typed.text);
    let rule = match args.rule {
        RuleName::Eu => "eu",
        RuleName::De => "de",
        RuleName::R87 => "r87",
        RuleName::Hb133 => "hb133",
    };
    let request = Request::Fill {
        batch: args.batch,
        fill: text(args.fill),
        over: text(args.over),
        jars: args.jars,
        rule: Some(rule.to_owned()),
        allowable: text(args.allowable),
    };
    print(&Client::connect()?.say(&request)?)?;
    print(&said(phrase!(
        "`bismar watch` shows what to do now, `bismar stop` ends it."
    )))?;
    Ok(Exit::Done)
}
