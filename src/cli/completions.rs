//! `bismar completions SHELL`: the words of the command line, and in bash, zsh and fish the names of formulas and
//! batches where a command takes one.

use clap::{Arg, Args};
use clap_complete::Shell;

use super::named::{BATCHES, FORMULA};
use super::{Exit, Outcome, tree, write};

#[derive(Debug, Args)]
pub struct CompletionsArgs {
    /// Your shell
    shell: Shell,
}

pub fn run(args: &CompletionsArgs) -> Outcome {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut tree(), "bismar", &mut script);
    let script = String::from_utf8_lossy(&script).into_owned();
    let script = match args.shell {
        Shell::Bash => script + &bash(),
        Shell::Fish => script + &fish(),
        Shell::Zsh => zsh(script),
        // They have no way to it that is worth its upkeep.
        _ => script,
    };
    write(script.as_bytes())?;
    Ok(Exit::Done)
}

/// Where a name is taken.
struct Place {
    /// The command, and for an option its own word.
    words: Vec<String>,
    /// What is named, as `bismar names` takes it.
    what: &'static str,
    /// How zsh's script begins to tell of the argument.
    zsh: String,
}

fn places() -> Vec<Place> {
    let mut places = Vec::new();
    of(&tree(), &[], &mut places);
    places
}

fn of(command: &clap::Command, before: &[String], places: &mut Vec<Place>) {
    for arg in command.get_arguments() {
        let Some((value, what)) = named(arg) else {
            continue;
        };
        let option = arg.get_long().map(|long| format!("--{long}"));
        let help = arg.get_help().map(ToString::to_string).unwrap_or_default();
        let help = help.split([':', '\'', '[', ']']).next().unwrap_or_default();
        places.push(Place {
            zsh: match option {
                Some(_) => format!("]:{value}:"),
                None => format!(":{} -- {help}", arg.get_id()),
            },
            words: before.iter().cloned().chain(option).collect(),
            what,
        });
    }
    for sub in command.get_subcommands() {
        let words = [before, &[sub.get_name().to_owned()]].concat();
        of(sub, &words, places);
    }
}

/// The name of the value, and what it names.
fn named(arg: &Arg) -> Option<(&str, &'static str)> {
    if !arg.get_action().takes_values() {
        return None;
    }
    match arg.get_value_names()?.first()?.as_str() {
        value @ FORMULA => Some((value, "formulas")),
        value if BATCHES.contains(&value) => Some((value, "batches")),
        _ => None,
    }
}

fn is_option(words: &[String]) -> bool {
    words.last().is_some_and(|word| word.starts_with('-'))
}

/// A function before that of the script, with the names beside what it finds. A name is the first word after its
/// command; a second one follows only where several are taken, and does no harm elsewhere.
fn bash() -> String {
    let mut cases = String::new();
    for Place { words, what, .. } in places() {
        cases.push_str(&match is_option(&words) {
            true => format!("        *\" {} \") what={what} ;;\n", words.join(" \"*\" ")),
            false => format!("        \" {} \") what={what} ;;\n", words.join(" ")),
        });
    }
    format!(
        "\n_bismar_named() {{\n    \
             local word=${{COMP_WORDS[COMP_CWORD]}} what=\n    \
             case \" ${{COMP_WORDS[*]:1:COMP_CWORD-1}} \" in\n{cases}    \
             esac\n    \
             _bismar \"$@\"\n    \
             if [[ -n $what && $word != -* ]]; then\n        \
             COMPREPLY=($(compgen -W \"$(\"$1\" names \"$what\" 2>/dev/null)\" -- \"$word\"))\n    \
             fi\n\
         }}\n\
         complete -F _bismar_named -o nosort -o bashdefault -o default bismar\n"
    )
}

fn fish() -> String {
    let mut lines = String::from("\n");
    for Place { words, what, .. } in places() {
        let seen = |word: &String| format!("__fish_seen_subcommand_from {word}");
        let (option, command) = words.split_last().filter(|_| is_option(&words)).unzip();
        let command: &[String] = command.unwrap_or(&words);
        let when: Vec<String> = command.iter().map(seen).collect();
        let option = option.map_or(String::new(), |word| {
            format!("-l {} -r ", word.trim_start_matches('-'))
        });
        lines.push_str(&format!(
            "complete -c bismar -n \"{}\" {option}-a \"(bismar names {what} 2>/dev/null)\"\n",
            when.join("; and ")
        ));
    }
    lines
}

/// The script takes files, or anything, at these places; the names come before them.
fn zsh(script: String) -> String {
    let places = places();
    let mut lines = String::new();
    for line in script.lines() {
        let place = places.iter().find(|place| line.contains(&place.zsh));
        let end = [":_files' \\", ":_default' \\"]
            .into_iter()
            .find_map(|end| line.strip_suffix(end));
        match (place, end) {
            (Some(place), Some(line)) => {
                lines.push_str(&format!("{line}:{{_bismar_names {}}}' \\", place.what));
            }
            (Some(_), None) | (None, _) => lines.push_str(line),
        }
        lines.push('\n');
    }
    let names = "_bismar_names() {\n    \
                     compadd -- ${(f)\"$(bismar names $1 2>/dev/null)\"}\n    \
                     _files\n\
                 }\n\n";
    match lines.find("_bismar() {") {
        Some(at) => {
            lines.insert_str(at, names);
            lines
        }
        None => lines,
    }
}
