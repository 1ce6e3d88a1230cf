//! The help in the language of the terminal: its first page, with the commands by what is to be done, and the page of
//! each command that a maker uses. What somebody runs who looks into the program, and the manuals, are English.

use std::borrow::Cow;
use std::collections::BTreeSet;

use clap::builder::{PossibleValue, Str, StyledStr};
use clap::{Arg, Command, CommandFactory as _};

use super::{COLUMNS, Cli};
use crate::language::Language;
use crate::text::columns::fold;

/// What stands here, in the files of messages.
pub const CONTEXT: &str = "help";

/// The commands by what is to be done, in the order in which they are listed.
const GROUPS: [(&str, &[&str]); 6] = [
    ("Prepare a batch:", &["check", "plan", "lots"]),
    (
        "Weigh it:",
        &[
            "begin", "watch", "status", "next", "keep", "again", "undo", "skip", "lot", "note",
            "residue", "cancel", "remedy", "stop", "fill",
        ],
    ),
    (
        "Look back at it:",
        &["sheet", "label", "declaration", "trace", "history", "log"],
    ),
    (
        "Set up and check a scale:",
        &[
            "identify",
            "vessel",
            "scale-check",
            "repeatability",
            "capture",
        ],
    ),
    (
        "Run bismar:",
        &[
            "page",
            "daemon",
            "gather",
            "config",
            "completions",
            "man",
            "help",
        ],
    ),
    ("Try it without a scale:", &["demo", "replay"]),
];

/// Commands whose pages are English: for who looks after the computer, or into the program.
const ENGLISH: [&str; 8] = [
    "capture",
    "daemon",
    "gather",
    "config",
    "completions",
    "man",
    "demo",
    "replay",
];

/// What the library says beside what the commands say.
const USAGE: &str = "Usage:";
const COMMANDS: &str = "Commands:";
const ARGUMENTS: &str = "Arguments:";
const OPTIONS: &str = "Options:";
const VALUES: &str = "Possible values:";
const OF_VALUES: &str = "possible values:";
const DEFAULT: &str = "default:";
/// As they stand in a line that tells the usage.
const PLACES: [&str; 2] = ["OPTIONS", "COMMAND"];

fn said(english: &str, language: Language) -> Cow<'_, str> {
    match language {
        Language::Marked => language.text(english),
        _ => Cow::Borrowed(language.message(CONTEXT, english).unwrap_or(english)),
    }
}

fn said_of(english: Option<&StyledStr>, language: Language) -> Option<String> {
    let english = english.map(ToString::to_string)?;
    Some(said(&english, language).into_owned())
}

/// The texts of the pages that are in the language, in English.
pub fn texts() -> BTreeSet<String> {
    let mut tree = Cli::command();
    tree.build();
    let mut all = BTreeSet::new();
    of_page(&tree, &mut all);
    let more = [
        USAGE, COMMANDS, ARGUMENTS, OPTIONS, VALUES, OF_VALUES, DEFAULT,
    ];
    let more = more.into_iter().chain(PLACES);
    let groups = GROUPS.iter().map(|(group, _)| *group);
    all.extend(groups.chain(more).map(str::to_owned));
    all
}

fn of_page(page: &Command, all: &mut BTreeSet<String>) {
    let own = [
        page.get_about(),
        page.get_long_about(),
        page.get_after_help(),
    ];
    all.extend(own.into_iter().flatten().map(ToString::to_string));
    for arg in page.get_arguments().filter(|arg| !arg.is_hide_set()) {
        let helps = [arg.get_help(), arg.get_long_help()];
        all.extend(helps.into_iter().flatten().map(ToString::to_string));
        if arg.get_action().takes_values() {
            let names = arg.get_value_names().into_iter().flatten();
            all.extend(names.map(ToString::to_string));
            let values = values(arg).into_iter();
            all.extend(values.filter_map(|value| value.get_help().map(ToString::to_string)));
        }
    }
    for one in page.get_subcommands().filter(|one| !one.is_hide_set()) {
        if is_in_language(one) {
            of_page(one, all);
        } else {
            all.extend(one.get_about().map(ToString::to_string));
        }
    }
}

/// The page of `help` itself lists every command once more.
fn is_in_language(page: &Command) -> bool {
    !ENGLISH.contains(&page.get_name()) && page.get_name() != "help"
}

/// What may be said for it, where only some may.
fn values(arg: &Arg) -> Vec<PossibleValue> {
    let all = match arg.get_action().takes_values() {
        true => arg.get_possible_values(),
        false => Vec::new(),
    };
    all.into_iter()
        .filter(|value| !value.is_hide_set())
        .collect()
}

/// The names of all commands.
pub fn commands() -> impl Iterator<Item = &'static str> {
    GROUPS.iter().flat_map(|(_, names)| names.iter().copied())
}

fn about(tree: &Command, name: &str) -> String {
    let about = tree.find_subcommand(name).and_then(Command::get_about);
    about.map(ToString::to_string).unwrap_or_default()
}

/// The whole tree, whose first page has the commands in their groups.
pub(super) fn tree_in(language: Language) -> Command {
    let mut tree = Cli::command();
    let listed = listed(&tree, language);
    if language == Language::English {
        return tree.help_template(format!(
            "{{about-with-newline}}\n{{usage-heading}} {{usage}}\n\n{listed}{{options}}{{after-help}}"
        ));
    }
    // What the library adds has to stand there, to be said in the language.
    tree.build();
    let usage = usage(&mut tree, language);
    let page = format!("{{about-with-newline}}\n{usage}\n\n{listed}{{options}}{{after-help}}");
    let tree = page_in(tree, language).help_template(page);
    tree.mut_subcommands(|one| pages_in(one, language))
}

/// A command and those below it, each with its page in the language.
fn pages_in(mut one: Command, language: Language) -> Command {
    if !is_in_language(&one) {
        return match one.get_about().map(ToString::to_string) {
            Some(about) if one.get_name() == "help" => {
                one.about(said(&about, language).into_owned())
            }
            _ => one,
        };
    }
    one = page_in(one, language).mut_subcommands(|one| pages_in(one, language));
    let style = *one.get_styles().get_header();
    let head = |head: &str| format!("{style}{}{style:#}\n", said(head, language));
    let mut template = format!("{{about-with-newline}}\n{}\n\n", usage(&mut one, language));
    if one.has_subcommands() {
        template.push_str(&format!("{}{{subcommands}}\n\n", head(COMMANDS)));
    }
    if one.get_positionals().next().is_some() {
        template.push_str(&format!("{}{{positionals}}\n\n", head(ARGUMENTS)));
    }
    template.push_str(&format!("{}{{options}}{{after-help}}", head(OPTIONS)));
    one.help_template(template)
}

/// The line that tells how a command is written.
fn usage(page: &mut Command, language: Language) -> String {
    let style = *page.get_styles().get_header();
    let plain = page.render_usage().to_string();
    let own = places_in(without_head(&plain), language);
    format!("{style}{}{style:#} {own}", said(USAGE, language))
}

/// A line of the library that tells the usage, without its head.
pub(super) fn without_head(usage: &str) -> &str {
    usage.strip_prefix(USAGE).unwrap_or(usage).trim()
}

/// A line as [`usage`] has it, with the library's own words in the language.
pub(super) fn places_in(usage: &str, language: Language) -> String {
    PLACES.iter().fold(usage.to_owned(), |usage, place| {
        let own = said(place, language);
        let usage = usage.replace(&format!("[{place}]"), &format!("[{own}]"));
        usage.replace(&format!("<{place}>"), &format!("<{own}>"))
    })
}

/// The texts of one page, without the heads between them.
fn page_in(mut page: Command, language: Language) -> Command {
    let text = |own: Option<&StyledStr>| said_of(own, language);
    let (about, long) = (text(page.get_about()), text(page.get_long_about()));
    let after = text(page.get_after_help());
    // `None` takes a text away, and one that is not there is none.
    page = page.about(about.unwrap_or_default());
    if let Some(long) = long {
        page = page.long_about(long);
    }
    if let Some(after) = after {
        page = page.after_help(after);
    }
    page.mut_args(|arg| arg_in(arg, language))
}

fn arg_in(mut arg: Arg, language: Language) -> Arg {
    let text = |own: Option<&StyledStr>| said_of(own, language);
    let (mut help, mut long) = (text(arg.get_help()), text(arg.get_long_help()));
    if arg.get_action().takes_values() {
        let names = arg.get_value_names().into_iter().flatten();
        let names = names.map(|name| match language.message(CONTEXT, name) {
            Some(own) => own.into(),
            None => name.clone(),
        });
        let names: Vec<Str> = names.collect();
        arg = arg.value_names(names);
        // The library has its own words for these alone, so they are said as text.
        let values = values(&arg);
        let names: Vec<&str> = values.iter().map(PossibleValue::get_name).collect();
        let (mut short, mut more) = (String::new(), String::new());
        if !values.is_empty() {
            let head = said(OF_VALUES, language);
            short = format!(" [{head} {}]", names.join(", "));
            more = format!("\n\n{}", said(VALUES, language));
            for value in &values {
                more.push_str(&format!("\n- {}", value.get_name()));
                if let Some(help) = text(value.get_help()) {
                    more.push_str(&format!(": {help}"));
                }
            }
        }
        let defaults = arg.get_default_values().iter();
        let defaults: Vec<_> = defaults.map(|value| value.to_string_lossy()).collect();
        if !defaults.is_empty() {
            let default = format!("[{} {}]", said(DEFAULT, language), defaults.join(" "));
            short = format!(" {default}{short}");
            more.push_str(&format!("\n\n{default}"));
        }
        if !short.is_empty() {
            let own = help.unwrap_or_default();
            long = Some(format!("{}{more}", long.unwrap_or_else(|| own.clone())));
            help = Some(format!("{own}{short}"));
            arg = arg.hide_possible_values(true).hide_default_value(true);
        }
    }
    if let Some(long) = long {
        arg = arg.long_help(long);
    }
    match help {
        Some(help) => arg.help(help),
        None => arg,
    }
}

/// The commands in their groups, and the head of the options.
fn listed(tree: &Command, language: Language) -> String {
    let mut tree = tree.clone();
    tree.build();
    let style = tree.get_styles().get_header();
    let names = GROUPS.iter().flat_map(|(_, names)| names.iter());
    let longest = names.map(|name| name.len()).max().unwrap_or_default();
    let mut text = String::new();
    let head = |group: &str| format!("{style}{}{style:#}\n", said(group, language));
    for (group, names) in GROUPS {
        text.push_str(&head(group));
        for name in names {
            let about = about(&tree, name);
            let mut first = *name;
            for line in fold(&said(&about, language), COLUMNS - longest - 4) {
                text.push_str(&format!("  {first:longest$}  {line}\n"));
                first = "";
            }
        }
        text.push('\n');
    }
    text.push_str(&head(OPTIONS));
    text
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_tree_of_commands_is_sound() {
        super::super::tree().debug_assert();
    }

    /// Each command stands in one group, in the order of the manual page and the completions.
    #[test]
    fn every_command_is_listed_once_by_what_is_to_be_done() {
        let mut tree = super::super::tree();
        tree.build();
        let commands = tree
            .get_subcommands()
            .filter(|command| !command.is_hide_set());
        let commands: Vec<&str> = commands.map(clap::Command::get_name).collect();
        let (last, others) = commands.split_last().unwrap();
        assert_eq!(*last, "help");
        let listed = super::GROUPS
            .iter()
            .flat_map(|(_, names)| names.iter().copied());
        assert!(
            listed
                .filter(|name| name != last)
                .eq(others.iter().copied()),
            "{others:?}"
        );
    }
}
