//! The first page of the help: the commands by what is to be done, in the language of the terminal. The page of one
//! command is English, as its words and the manuals are.

use std::borrow::Cow;

use clap::{Command, CommandFactory as _};

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

/// What the library says beside them.
const USAGE: &str = "Usage:";
const OPTIONS: &str = "Options:";
const FLAGS: [(&str, &str); 2] = [
    ("-h, --help", "Print help (see more with '--help')"),
    ("-V, --version", "Print version"),
];

fn said(english: &str, language: Language) -> Cow<'_, str> {
    match language {
        Language::Marked => language.text(english),
        _ => Cow::Borrowed(language.message(CONTEXT, english).unwrap_or(english)),
    }
}

/// The texts of the page, in English.
pub fn texts() -> Vec<String> {
    let mut tree = Cli::command();
    tree.build();
    let own = [
        tree.get_about(),
        tree.get_long_about(),
        tree.get_after_help(),
    ];
    let own = own.into_iter().flatten().map(ToString::to_string);
    let names = GROUPS.iter().flat_map(|(_, names)| names.iter());
    let abouts = names.map(|name| about(&tree, name));
    let groups = GROUPS.iter().map(|(group, _)| *group);
    let more = FLAGS.iter().map(|(_, about)| *about);
    let more = groups.chain(more).chain([USAGE, OPTIONS]);
    own.chain(abouts).chain(more.map(str::to_owned)).collect()
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
    let tree = Cli::command();
    let listed = listed(&tree, language);
    if language == Language::English {
        return tree.help_template(format!(
            "{{about-with-newline}}\n{{usage-heading}} {{usage}}\n\n{listed}{{options}}{{after-help}}"
        ));
    }
    let text = |own: Option<&clap::builder::StyledStr>| {
        let own = own.map(ToString::to_string).unwrap_or_default();
        said(&own, language).into_owned()
    };
    let (about, long) = (text(tree.get_about()), text(tree.get_long_about()));
    let after = text(tree.get_after_help());
    let style = tree.get_styles().get_header();
    let usage = said(USAGE, language);
    let flags = FLAGS.map(|(flag, about)| format!("  {flag:13}  {}\n", said(about, language)));
    let flags = flags.concat();
    let flags = flags.trim_end();
    let page = format!(
        "{{about-with-newline}}\n{style}{usage}{style:#} {{usage}}\n\n{listed}{flags}{{after-help}}"
    );
    let tree = tree.about(about).long_about(long).after_help(after);
    tree.help_template(page)
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
