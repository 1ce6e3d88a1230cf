//! The command line, one file a command. What is common to all stands here: the tree of commands,
//! and one place that turns how a command ended into words and an exit code.

mod batch_table;
pub mod begin;
pub mod capture;
pub mod check;
mod completions;
mod config;
mod daemon;
mod declaration;
pub mod demo;
pub mod failure;
mod fill;
mod gather;
mod guided;
pub mod help;
mod history;
pub mod identify;
mod label;
mod line;
mod log;
mod lots;
mod man;
mod named;
pub mod page;
pub mod plan;
mod refused;
mod rehearsed;
mod remedy;
mod repeatability;
pub mod replay;
mod scale_check;
mod season;
mod sheet;
pub mod size;
mod status;
mod trace;
mod try_it;
pub mod value;
mod vessel;
mod watch;
mod words;

use std::io::Write as _;
use std::process::ExitCode;
use std::sync::OnceLock;

use clap::{FromArgMatches as _, Parser, Subcommand};

pub use failure::{Exit, Failure, Outcome};

use crate::config::Config;
use crate::language::{Language, Sentence, Term};
use crate::text::{harmless, misleads};

/// bismar watches your bench scale while you weigh a batch: it knows the step and the tare, tells
/// you what to add, goes on by itself when the weight is right, and writes every weight to a log.
///
/// First time: `bismar page --open` starts the part that watches your scale and opens its page in the browser, which
/// says what to do. In a terminal alone: `bismar identify --write` finds your scale. Then start the daemon, which does
/// the watching (`systemctl --user start bismar`, or `bismar daemon` in a window of its own), and begin a batch with
/// `bismar begin FORMULA --batch 500g`. `bismar watch` shows what to do now.
#[derive(Debug, Parser)]
#[command(name = "bismar", version, about, long_about, max_term_width = 100)]
#[command(subcommand_required = true, arg_required_else_help = true)]
#[command(after_help = AFTER_HELP)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

const AFTER_HELP: &str = "\
Exit codes: 0 done, 1 failed, 2 wrong command line, 3 batch not completed, 4 a file is wrong \
(the message names file, line and column).";

#[derive(Debug, Subcommand)]
enum Command {
    /// Check a formula: grams, tolerances, and whether your scale can prove them
    Check(check::CheckArgs),
    /// Plan a batch: a table to print with vessels, lots on hand and cost
    Plan(plan::PlanArgs),
    /// List the lots on hand and what is left of each; add one
    Lots(lots::LotsArgs),
    /// Begin a batch of a formula
    Begin(begin::BeginArgs),
    /// Show the cues and the live weight until you press Ctrl-C
    Watch,
    /// Show what is going on: step, weight, scales
    Status(status::StatusArgs),
    /// Go on: it is mixed, or seen, or yes
    Next,
    /// Keep the weight on the scale although it is outside the tolerance
    Keep,
    /// Weigh this step again from its beginning
    Again,
    /// Take back what was done last: a recorded weight, a lot, what stayed in a beaker
    Undo,
    /// Leave this step out, and say why
    Skip(words::SkipArgs),
    /// Tell the lot of this step's ingredient
    Lot(words::LotArgs),
    /// Write a remark into the batch log
    Note(words::NoteArgs),
    /// Weigh what stayed in a beaker: put it back emptied after this word
    Residue(words::ResidueArgs),
    /// Leave an emptied beaker that is waited for
    Cancel,
    /// Show what can be done after an over-pour that is mixed in already
    Remedy(remedy::RemedyArgs),
    /// End the batch here
    Stop,
    /// Fill jars out of a batch that is weighed, each recorded against its label
    Fill(fill::FillArgs),
    /// Write a batch's record as one HTML page to print and sign
    Sheet(sheet::SheetArgs),
    /// Check what a batch's label must say, and write a sheet of labels to print
    Label(label::LabelArgs),
    /// List a batch's ingredients for its label, by what was weighed
    Declaration(declaration::DeclarationArgs),
    /// Find where a lot went, or what a batch is made of
    Trace(trace::TraceArgs),
    /// Deviations, over-pours, times and a control chart over many batches
    History(history::HistoryArgs),
    /// Look after batch logs
    Log(log::LogArgs),
    /// Find out how your scale speaks, and write it into the configuration
    Identify(identify::IdentifyArgs),
    /// Weigh an empty vessel and give it a name, so that its tare is known
    Vessel(vessel::VesselArgs),
    /// Check a scale with a test weight, and log the result
    ///
    /// One weight is the check of the day. Three loads or more, for example --weight 50g,200g,500g, are weighed
    /// going up and going down, and one of them off centre: that tells the scale's gain, linearity and place of
    /// the load, for its part of the configuration.
    ScaleCheck(scale_check::ScaleCheckArgs),
    /// Weigh one load ten times: how far your scale scatters, and the smallest weight it can prove
    Repeatability(repeatability::RepeatabilityArgs),
    /// Record what a scale sends into a file, to play it again later
    Capture(capture::CaptureArgs),
    /// Print the address of the page for a browser at the bench
    Page(page::PageArgs),
    /// Run the part that watches the scales (the service does this for you)
    Daemon(daemon::DaemonArgs),
    /// Gather the batch logs of all benches of a workshop into one folder
    ///
    /// Each bench sends its rows through a broker (MQTT 5) that [workshop] of the configuration names; here they are
    /// proved and written, byte for byte, into a folder for each bench. `--logs FOLDER` of the other commands then
    /// tells of all benches. Runs until it is stopped.
    Gather(gather::GatherArgs),
    /// Look after the configuration file
    Config(config::ConfigArgs),
    /// Print the completions for your shell
    Completions(completions::CompletionsArgs),
    /// Print the manual page
    Man(man::ManArgs),
    /// Watch a batch being weighed on a simulated scale; nothing of yours is touched
    Demo(demo::DemoArgs),
    /// Play a recorded session through the same weighing, without a scale
    Replay(replay::ReplayArgs),
    /// List what can be named, for the completions
    #[command(hide = true)]
    Names(named::NamesArgs),
}

/// Runs the program: reads the command line, does it, says what went wrong.
pub fn main() -> ExitCode {
    let parsed = help::tree_in(language()).try_get_matches();
    let cli = match parsed.and_then(|found| Cli::from_arg_matches(&found)) {
        Ok(cli) => cli,
        Err(error) => {
            let wrong = error.use_stderr();
            if language() != Language::English
                && let Some(refused) = refused::told(&error)
            {
                tell(&refused.told());
                return refused.exit.into();
            }
            let plain = error.render().to_string();
            // Nothing more can be done where even this cannot be written.
            if wrong && plain.contains(|c| misleads(c) && c != '\n') {
                tell(plain.trim_end());
            } else {
                let _ = error.print();
            }
            return if wrong { Exit::Usage } else { Exit::Done }.into();
        }
    };
    match run(cli.command) {
        Ok(exit) => exit.into(),
        Err(failure) => {
            if !failure.message.is_empty() {
                tell(&failure.told());
            }
            failure.exit.into()
        }
    }
}

fn run(command: Command) -> Outcome {
    match command {
        Command::Begin(args) => begin::run(args),
        Command::Fill(args) => fill::run(args),
        Command::Status(args) => status::run(&args),
        Command::Watch => watch::run(),
        Command::Next => words::next(),
        Command::Again => words::again(),
        Command::Keep => words::keep(),
        Command::Residue(args) => words::residue(&args),
        Command::Lot(args) => words::lot(args),
        Command::Note(args) => words::note(args),
        Command::Undo => words::undo(),
        Command::Skip(args) => words::skip(&args),
        Command::Cancel => words::cancel(),
        Command::Stop => words::stop(),
        Command::Check(args) => check::command(&args),
        Command::Plan(args) => plan::run(&args),
        Command::Vessel(args) => vessel::run(&args),
        Command::ScaleCheck(args) => scale_check::run(&args),
        Command::Repeatability(args) => repeatability::run(&args),
        Command::Remedy(args) => remedy::run(&args),
        Command::Identify(args) => identify::run(&args),
        Command::Capture(args) => capture::run(&args),
        Command::Replay(args) => replay::run(args),
        Command::Demo(args) => demo::run(args),
        Command::Daemon(args) => daemon::run(&args),
        Command::Page(args) => page::run(&args),
        Command::Gather(args) => gather::run(&args),
        Command::History(args) => history::run(&args),
        Command::Sheet(args) => sheet::run(&args),
        Command::Lots(args) => lots::run(args),
        Command::Trace(args) => trace::run(&args),
        Command::Declaration(args) => declaration::run(&args),
        Command::Label(args) => label::run(&args),
        Command::Log(args) => log::run(&args),
        Command::Config(args) => config::run(&args),
        Command::Completions(args) => completions::run(&args),
        Command::Man(args) => man::run(&args),
        Command::Names(args) => named::run(&args),
    }
}

/// The whole tree, with its commands by what is to be done, in English: manuals and completions are made of it.
fn tree() -> clap::Command {
    help::tree_in(Language::English)
}

/// The columns of a terminal that is not asked.
const COLUMNS: usize = 80;

/// The language of this terminal: as the daemon speaks, going by the same file and place.
fn language() -> Language {
    static ASKED: OnceLock<Language> = OnceLock::new();
    *ASKED.get_or_init(|| Config::load(None).unwrap_or_default().speaks())
}

/// What is said here, in that language.
fn said(words: impl Into<Sentence>) -> String {
    words.into().in_language(language())
}

/// Heads of a table, in that language.
fn heads<const N: usize>(heads: [Term; N]) -> [String; N] {
    heads.map(said)
}

/// A number as it is read in that language.
fn number(written: impl ToString) -> String {
    language().number(&written.to_string())
}

/// Writes a text with its line end to standard output, without what would steer a terminal.
///
/// # Errors
/// When it cannot be written; see [`Failure::of_stdout`].
pub fn print(text: &str) -> Result<(), Failure> {
    let text = format!("{}\n", text.trim_end_matches('\n'));
    write(harmless(&text).as_bytes())
}

/// Writes bytes to standard output as they are.
///
/// # Errors
/// As [`print()`].
pub fn write(bytes: &[u8]) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    out.write_all(bytes)
        .and_then(|()| out.flush())
        .map_err(|error| Failure::of_stdout(&error))
}

/// Tells the person how it goes, on stderr, so that what is printed can go to a file.
fn tell(text: &str) {
    // A closed stderr is no reason to stop.
    let _ = writeln!(std::io::stderr(), "{}", harmless(text));
}
