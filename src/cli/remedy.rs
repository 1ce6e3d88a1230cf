//! `bismar remedy BATCH`: what can be done after an over-pour that is mixed in already.

use std::path::PathBuf;

use clap::Args;

use super::lots::{StoreArgs, tell_damage};
use super::value::ValueError;
use super::{Exit, Failure, Outcome, named, number, print, said, tell};
use crate::journal::name_of;
use crate::journal::read::folder::all_threads;
use crate::journal::read::record;
use crate::language::{Sentence, phrase, term};
use crate::protocol::client::Client;
use crate::protocol::request::Request;
use crate::text::columns::Column::{Left as L, Right as R};
use crate::text::columns::{cut, fold, line, width};
use crate::vocabulary::command::Way;
use crate::workshop::mending::{Mending, RemedyTold, WayTold, on_hand};
use crate::workshop::store;

#[derive(Debug, Args)]
pub struct RemedyArgs {
    /// The batch's name, or its log (.csv); without it the batch that is being weighed
    #[arg(value_name = "BATCH")]
    log: Option<PathBuf>,
    /// Choose this remedy: its steps are added to the batch that is being weighed, or to BATCH,
    /// which is opened again
    #[arg(long, value_name = "WAY", value_parser = way)]
    take: Option<Way>,
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    #[command(flatten)]
    store: StoreArgs,
}

fn way(text: &str) -> Result<Way, ValueError> {
    Way::from_word(text).ok_or(ValueError::Way)
}

/// The log of the batch that is being weighed. The daemon says where: it goes on writing there when another
/// folder is configured meanwhile.
fn running(config: &crate::config::Config) -> Result<PathBuf, Failure> {
    let standing = Client::connect()?.status()?;
    let batch = standing.batch.ok_or_else(|| {
        Failure::failed(phrase!("no batch is being weighed"))
            .remedy(phrase!("name one: bismar remedy BATCH"))
    })?;
    match standing.log {
        Some(log) => Ok(log.into()),
        None => Ok(config.logs()?.join(format!("{batch}.csv"))),
    }
}

pub fn run(args: &RemedyArgs) -> Outcome {
    if let Some(way) = args.take {
        let way = way.word().to_owned();
        let batch = args.log.as_deref().map(name_of);
        print(&Client::connect()?.say(&Request::Remedy { way, batch })?)?;
        return Ok(Exit::Done);
    }
    let config = super::config::load(args.config.as_deref())?;
    let path = match &args.log {
        Some(log) => named::log(log, || match &args.store.logs {
            Some(folder) => Ok(folder.clone()),
            None => Ok(config.logs()?),
        })?,
        None => running(&config)?,
    };
    let log = record::read(&path)?;
    // What other batches took stands beside the running one's log, and where it was named in the usual place.
    let logs = match (&args.store.logs, &args.log, path.parent()) {
        (Some(logs), _, _) => logs.clone(),
        (None, None, Some(beside)) => beside.to_owned(),
        (None, _, _) => config.logs()?,
    };
    let lots = match args.store.lots_file() {
        Ok(file) => store::lots(&file)?,
        Err(_) => Vec::new(),
    };
    let (on_hand, damage) = on_hand(lots, &logs, &log, all_threads())?;
    tell_damage(&damage);
    let batch = Mending::read(&path, &log, &config, on_hand)?;
    if !batch.strangers.is_empty() {
        tell(&said(phrase!(
            "warning: not in the formula and left out here: {names}",
            names = batch.strangers.join(", "),
        )));
    }
    print(&text(&batch))?;
    Ok(Exit::Done)
}

/// The remedies side by side.
fn text(batch: &Mending) -> String {
    let d = batch.d;
    let mut text = said(phrase!(
        "{formula}, batch {grams} g",
        formula = &batch.plan.formula,
        grams = batch.plan.batch.grams(d),
    ));
    text.push('\n');
    let wrongs = batch.wrongs();
    if wrongs.is_empty() {
        let all = phrase!("Every weight in this log is inside its tolerance and its limits.");
        paragraph(&mut text, all);
        return text;
    }
    for line in wrongs {
        paragraph(&mut text, line);
    }
    let ways = batch.ways();
    table(&mut text, batch, &ways);
    if batch.is_under_way() {
        let planned =
            phrase!("* not weighed yet: weigh the planned grams and what is to be added.");
        paragraph(&mut text, planned);
    }
    paragraph(
        &mut text,
        phrase!("\"-\": that way leads to no batch inside all limits."),
    );
    shortages(&mut text, &ways);
    text
}

fn table(text: &mut String, batch: &Mending, ways: &[WayTold; 3]) {
    text.push('\n');
    let names = ways.each_ref().map(|way| said(way.said));
    let names = names.each_ref().map(String::as_str);
    let way = names.iter().map(|name| width(name)).fold(13, usize::max);
    row(
        text,
        way,
        &said(term!("grams to add")),
        &said(term!("in it")),
        names,
    );
    let mut cells = |label: &str, in_it: &str, cell: &dyn Fn(&RemedyTold) -> String| {
        let found = ways.each_ref().map(|way| way.found.as_ref());
        let found = found.map(|found| found.map_or("-".to_owned(), cell));
        row(
            text,
            way,
            label,
            in_it,
            found.each_ref().map(String::as_str),
        );
    };
    for (i, part) in batch.parts().enumerate() {
        let later = if part.to_come { "*" } else { "" };
        let name = format!("{}{later}", cut(part.ingredient, LABEL - 1));
        let add = |found: &RemedyTold| number(found.add.get(i).cloned().unwrap_or_default());
        cells(&name, &number(&part.held), &add);
    }
    cells(&said(term!("batch then, g")), "", &|found| {
        number(&found.batch)
    });
    if batch.plan.jars.is_some() {
        let jars = |found: &RemedyTold| found.jars.unwrap_or_default().to_string();
        cells(&said(term!("whole jars it fills")), "", &jars);
    }
    cells(
        &said(term!("bowl, scale and lots hold it")),
        "",
        &|found| match (found.short.is_empty(), found.unknown.is_empty()) {
            (false, _) => said(term!("no")),
            (true, true) => said(term!("yes")),
            (true, false) => "?".to_owned(),
        },
    );
}

fn shortages(text: &mut String, ways: &[WayTold]) {
    let mut unknown = Vec::new();
    for way in ways {
        let Some(found) = &way.found else { continue };
        for short in &found.short {
            let short = short.clone();
            paragraph(
                text,
                phrase!("No room, {way}: {short}", way = way.said, short),
            );
        }
        for what in &found.unknown {
            if !unknown.contains(what) {
                unknown.push(*what);
            }
        }
    }
    let unknown = unknown.into_iter().map(Sentence::from);
    if let Some(what) = unknown.reduce(|all, one| phrase!("{all}, {one}", all, one)) {
        paragraph(text, phrase!("\"?\": not known: {what}.", what));
    }
}

fn paragraph(text: &mut String, words: Sentence) {
    for line in fold(&said(words), 80) {
        text.push_str(&line);
        text.push('\n');
    }
}

fn row(text: &mut String, way: usize, label: &str, in_it: &str, [a, b, c]: [&str; 3]) {
    let columns = [L(LABEL), R(10), R(way), R(way), R(way)];
    text.push_str(&line(1, &columns, [label, in_it, a, b, c]));
    text.push('\n');
}

const LABEL: usize = 28;
