//! `bismar completions SHELL`.

use clap::Args;
use clap_complete::Shell;

use super::{Exit, Outcome, tree, write};

#[derive(Debug, Args)]
pub struct CompletionsArgs {
    /// Your shell
    shell: Shell,
}

pub fn run(args: &CompletionsArgs) -> Outcome {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut tree(), "bismar", &mut script);
    write(&script)?;
    Ok(Exit::Done)
}
