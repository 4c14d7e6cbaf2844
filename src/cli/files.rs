//! Man pages and shell completions, made from the same definitions as the parser.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

use clap::{Command, CommandFactory};
use clap_complete::Shell;
use clap_mangen::Man;

use super::Arguments;
use super::settings::trouble;
use crate::exit::Exit;

/// What stands behind the options in hayloft(1), in the language of man(7).
const MORE_OF_HAYLOFT: &str = r#".SH "EXIT STATUS"
.TP
.B 0
well
.TP
.B 1
a job failed, or something needs attention
.TP
.B 2
job files or usage wrong
.TP
.B 3
busy: another run holds the job or its drive
.TP
.B 4
a drive or a host is not there
.SH ENVIRONMENT
.TP
.B NO_COLOR
When set and not empty, nothing is printed in colour.
.TP
.B HAYLOFT_LOG
What is logged on standard error: error, warn, info, debug or trace.
.SH FILES
.TP
.I /etc/hayloft/server.toml
The server, its drives, machines and mail; see
.BR hayloft (5).
.TP
.I /etc/hayloft/jobs/NAME.toml
One job each; see
.BR hayloft (5).
.TP
.I /var/lib/hayloft
The record of runs, their logs, mail not yet sent and pinned ssh host keys.
.TP
.I DRIVE/hayloft/READ\-ME\-FIRST.txt
How to get everything back from a drive without hayloft.
.TP
.I DRIVE/hayloft/SERVER/JOB/NAME.mtree
The manifest of a copy: every name in it with owner, mode, time, length and SHA\-256, in the form of mtree(5).
Of a mirror it is
.IR current.mtree ;
what is in an archive stands in
.IR NAME.contents.mtree .
.TP
.I DRIVE/hayloft/SERVER/JOB/NAME.inventory.txt
Beside a copy of settings: what the server had and was, without a secret.
.TP
.I /usr/share/doc/hayloft/examples
A complete folder of job files.
.SH "SEE ALSO"
.BR hayloft (5),
.BR crontab (5),
.BR rsync (1),
.BR tar (1),
.BR age (1)
"#;

/// What stands behind the options in the page of one command.
const MORE_OF_COMMAND: &str = r#".SH "EXIT STATUS"
See
.BR hayloft (1).
.SH "SEE ALSO"
.BR hayloft (1),
.BR hayloft (5)
"#;

pub fn write(folder: &Path) -> Exit {
    try_write(folder).map_or_else(|error| trouble(&error), |()| Exit::Well)
}

fn try_write(folder: &Path) -> io::Result<()> {
    fs::create_dir_all(folder)?;
    let command = shown(&Arguments::command());
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut command.clone(), "hayloft", folder)?;
    }
    write_pages(folder, command)
}

/// The command without what is hidden: it is there for hayloft itself and for tests.
fn shown(command: &Command) -> Command {
    let arguments = command.get_arguments().filter(|arg| !arg.is_hide_set());
    let commands = command.get_subcommands().filter(|one| !one.is_hide_set());
    let mut shown = Command::new(command.get_name().to_owned())
        .args(arguments.cloned())
        .subcommands(commands.map(shown))
        .disable_help_subcommand(true)
        .arg_required_else_help(command.is_arg_required_else_help_set());
    if let Some(version) = command.get_version() {
        shown = shown.version(version.to_owned());
    }
    if let Some(about) = command.get_about() {
        shown = shown.about(about.clone());
    }
    if let Some(about) = command.get_long_about() {
        shown = shown.long_about(about.clone());
    }
    shown
}

fn write_pages(folder: &Path, command: Command) -> io::Result<()> {
    // gives each command its full name and the options that all have
    let mut command = command.disable_help_flag(false);
    command.build();
    for one in command.get_subcommands() {
        // `hayloft run` is the page hayloft-run(1)
        let name = format!("{}-{}", command.get_name(), one.get_name());
        let page = one
            .clone()
            .name(name.clone())
            .version(env!("CARGO_PKG_VERSION"));
        write_page(&folder.join(format!("{name}.1")), page, MORE_OF_COMMAND)?;
    }
    write_page(&folder.join("hayloft.1"), command, MORE_OF_HAYLOFT)
}

fn write_page(path: &Path, command: Command, more: &str) -> io::Result<()> {
    let has_commands = command.has_subcommands();
    let man = Man::new(command).manual("hayloft").date("");
    let mut page = Vec::new();
    man.render_title(&mut page)?;
    man.render_name_section(&mut page)?;
    man.render_synopsis_section(&mut page)?;
    man.render_description_section(&mut page)?;
    man.render_options_section(&mut page)?;
    if has_commands {
        man.render_subcommands_section(&mut page)?;
    }
    page.write_all(more.as_bytes())?;
    File::create(path)?.write_all(&page)
}
