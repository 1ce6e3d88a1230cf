//! `bismar man`: the manual pages, made from the command line's own definition.

use std::path::PathBuf;

use clap::Args;

use super::{Exit, Failure, Outcome, tree, write};

#[derive(Debug, Args)]
pub struct ManArgs {
    /// Write one page a command into this folder instead, for example ~/.local/share/man/man1
    #[arg(long, value_name = "FOLDER")]
    dir: Option<PathBuf>,
}

pub fn run(args: &ManArgs) -> Outcome {
    if let Some(dir) = &args.dir {
        std::fs::create_dir_all(dir)
            .and_then(|()| clap_mangen::generate_to(tree(), dir))
            .map_err(|error| {
                Failure::of_file(dir, error)
                    .remedy("name a folder that is yours, or one that can be made")
            })?;
        return Ok(Exit::Done);
    }
    let mut page = Vec::new();
    clap_mangen::Man::new(tree())
        .render(&mut page)
        .map_err(|error| Failure::failed(format!("the manual page: {error}")))?;
    write(&page)?;
    Ok(Exit::Done)
}
