//! Man pages and shell completions, made from the same definitions as the parser.

use std::fs;
use std::io;
use std::path::Path;

use clap::CommandFactory;
use clap_complete::Shell;

use super::Arguments;
use super::settings::trouble;
use crate::exit::Exit;

pub fn write(folder: &Path) -> Exit {
    try_write(folder).map_or_else(|error| trouble(&error), |()| Exit::Well)
}

fn try_write(folder: &Path) -> io::Result<()> {
    fs::create_dir_all(folder)?;
    let command = Arguments::command();
    clap_mangen::generate_to(command.clone(), folder)?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut command.clone(), "hayloft", folder)?;
    }
    Ok(())
}
