//! `bismar vessel NAME`: an empty vessel, weighed and written into the configuration by its name; or taken out of it,
//! or all that there are.

use clap::Args;

use super::config::taken_over;
use super::guided::{Goal, GuidedArgs, Listening, NOTHING_WEIGHED, written_into};
use super::size::{Typed, typed};
use super::{Exit, Failure, Outcome, heads, number, print, said};
use crate::config::Config;
use crate::guide::{Guide, Told};
use crate::language::{phrase, term};
use crate::mass::Mass;
use crate::text::columns::aligned;
use crate::workshop::scale_setup::{NAME, add_vessel, is_another_vessel, name_of, remove_vessel};

#[derive(Debug, Args)]
pub struct VesselArgs {
    /// What it is called, for example "small beaker"; without a name the known ones are listed
    name: Option<String>,
    /// What it holds, by weight of product, for example 120g
    #[arg(long, value_name = "MASS", value_parser = typed, requires = "name")]
    holds: Option<Typed>,
    /// Take it out of the list instead
    #[arg(long, requires = "name", conflicts_with_all = ["holds", "scale"])]
    remove: bool,
    #[command(flatten)]
    guided: GuidedArgs,
}

/// # Errors
/// What is told to the person, with its remedy and exit code.
pub fn run(args: &VesselArgs) -> Outcome {
    let place = args.guided.place()?;
    // What cannot be read cannot be added to: that is told before anything is weighed.
    let config = match place.exists() {
        true => Config::load(Some(&place))?,
        false => Config::default(),
    };
    let Some(name) = &args.name else {
        return list(&config);
    };
    if args.remove {
        remove_vessel(&place, name)?;
        let file = place.display().to_string();
        print(&said(phrase!("{name} is taken out of {file}.", name, file)))?;
        taken_over(&place);
        return Ok(Exit::Done);
    }
    let name = name_of(name).ok_or_else(|| Failure::usage(NAME))?;
    if is_another_vessel(&config, &name) {
        let message = phrase!("another vessel is named {name} already", name);
        return Err(Failure::failed(message).remedy(phrase!(
            "give this one another name, or take that one out with --remove"
        )));
    }
    let listening = Listening::start(&args.guided, &config)?;
    let d = listening.ability.readability;
    let taken = listening.lead(Guide::new(1, None, d), Told::say_of_a_vessel, Goal::Write)?;
    let Some(taken) = taken.last() else {
        return Err(Failure::failed(NOTHING_WEIGHED));
    };
    let net = taken.net().grams(d);
    let empty = format!("{net} g");
    let holds = args.holds.as_ref().map_or("", |holds| holds.text.as_str());
    add_vessel(&place, &name, &empty, holds)?;
    print(&said(
        phrase!("{name} weighs {net} g.", name, net).and(written_into(&place)),
    ))?;
    taken_over(&place);
    Ok(Exit::Done)
}

fn list(config: &Config) -> Outcome {
    if config.vessels.is_empty() {
        print(&said(phrase!(
            "No vessel is known yet: bismar vessel NAME weighs an empty one."
        )))?;
        return Ok(Exit::Done);
    }
    let grams = |mass: Mass| number(mass.grams(Mass::from_mg(10)));
    let mut rows = vec![heads([term!("vessel"), term!("empty g"), term!("holds g")])];
    rows.extend(config.vessels.iter().map(|vessel| {
        let holds = vessel.capacity.map_or("-".to_owned(), grams);
        [vessel.name.clone(), grams(vessel.weight), holds]
    }));
    print(&aligned(&rows, &[1, 2]))?;
    Ok(Exit::Done)
}
