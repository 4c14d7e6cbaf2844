//! READ-ME-FIRST.txt: how to get everything back from one drive with standard tools only.
//!
//! The commands are the lines indented by four spaces or more, to be typed as they stand. A test types them.

use std::ffi::OsStr;
use std::fmt::Write as _;
use std::path::PathBuf;

use super::read_me_place::put_in_place;
use super::read_me_settings;
use super::wrap::wrap;
use crate::jobs::{Config, Drive, DrivePlace, Encrypt, Job, Kind, SshHost};
use crate::plan::quote;
use crate::report::safe_line;

/// Columns of a line, where the shell has a place to break it.
const WIDTH: usize = 96;

/// What lies on a drive and how each job's copies are brought back.
pub fn read_me_first(config: &Config, drive: &Drive) -> String {
    let mut text = String::new();
    say(&mut text, "READ ME FIRST");
    let server = &config.server.name;
    say(
        &mut text,
        &format!(
            "This folder holds copies of the server `{server}`, made by hayloft. Everything in it is \
            plain files, tar and age: you get it all back with the standard commands below, on any Linux \
            computer, without hayloft. Type them as root, in bash, as they stand. Needed, from the \
            distribution: rsync, tar, zstd, age, and to check what came back mtree (Debian package \
            mtree-netbsd). A test of hayloft types these very lines."
        ),
    );
    say(
        &mut text,
        "Nothing here writes to the drive, and nothing is put over existing files before the last step, \
        \"Put it in its place\".",
    );
    reach(&mut text, drive);
    say(&mut text, "2. A place to bring things back to");
    say(
        &mut text,
        "Choose a disk with room enough. Here it is the folder /restore:",
    );
    type_in(&mut text, &["mkdir -p /restore".to_owned()]);
    say(&mut text, "3. The copies");
    say(
        &mut text,
        "A name such as 20261125T023000Z is the time a copy was begun: 25 November 2026, 02:30 UTC. A name \
        that ends in .partial is not whole: leave it alone.",
    );
    say(
        &mut text,
        "Beside each copy lies its manifest, a text that ends in .mtree (see mtree(5)): every name in the copy, with \
        owner, mode, time, length and SHA-256. The lines that begin with mtree below hold what came back against it: \
        no output means no difference. (mtree takes a name with *, ? or [ for a pattern: what it says of names like \
        it may be wrong.) The manifest of an archive tells of the one file; what is in it stands in .contents.mtree, \
        which is closed like the archive, and whose first lines say how to check with it. A copy may have been made \
        before there were manifests: then there is nothing to check it with, and the rest holds all the same.",
    );
    let is_here = |job: &&Job| job.drive == drive.name && job.kind.name().is_built();
    let jobs: Vec<&Job> = config.jobs.values().filter(is_here).collect();
    for job in &jobs {
        one_job(&mut text, config, drive, job);
    }
    put_in_place(&mut text, &jobs);
    text
}

/// A paragraph, with an empty line behind it.
pub(super) fn say(text: &mut String, words: &str) {
    text.push_str(&wrap(&safe_line(words), "", "", WIDTH));
    text.push('\n');
}

/// Commands, with an empty line behind them.
pub(super) fn type_in(text: &mut String, commands: &[String]) {
    for command in commands {
        let _ = writeln!(text, "    {command}");
    }
    text.push('\n');
}

/// One command of several words, broken between them where it would be too wide.
pub(super) fn command(words: &[String]) -> String {
    let mut lines = vec![String::new()];
    for word in words {
        let line = lines.last().map_or(0, String::len);
        if line > 0 && line + word.len() + 7 > WIDTH {
            lines.push(String::new());
        }
        if let Some(line) = lines.last_mut() {
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines.join(" \\\n        ")
}

/// The words of a text that quotes nothing: a quoted word must stay whole.
pub(super) fn words(text: &str) -> Vec<String> {
    text.split(' ').map(ToOwned::to_owned).collect()
}

fn reach(text: &mut String, drive: &Drive) {
    match &drive.place {
        DrivePlace::Local { path, uuid } => {
            let path = quote(path.as_os_str());
            say(text, "1. Mount the drive, read-only");
            let look = format!("mountpoint -q {path} ||");
            let mount = format!("mount -o ro UUID={uuid} {path}");
            type_in(text, &[format!("mkdir -p {path}"), command(&[look, mount])]);
        }
        DrivePlace::Ssh { host, path } => {
            say(text, "1. Reach the drive");
            let path = path.display();
            say(
                text,
                &format!(
                    "It is the folder {path} on {host}. You need an ssh key that {host} lets in."
                ),
            );
            if host.user != "root" {
                say(
                    text,
                    "The owners of files are kept there in extended attributes, which rsync's \
                    -M--fake-super reads: bring the copies back over ssh as below, not with cp.",
                );
            }
        }
    }
}

fn one_job(text: &mut String, config: &Config, drive: &Drive, job: &Job) {
    let (DrivePlace::Local { path, .. } | DrivePlace::Ssh { path, .. }) = &drive.place;
    let place = Place {
        host: match &drive.place {
            DrivePlace::Local { .. } => None,
            DrivePlace::Ssh { host, .. } => Some(host),
        },
        folder: path
            .join("hayloft")
            .join(config.server.name.as_str())
            .join(job.name.as_str()),
        job: job.name.as_str(),
    };
    let about = safe_line(&job.about);
    let colon = if about.is_empty() { "" } else { ": " };
    say(
        text,
        &format!("Job {} ({}){colon}{about}", job.name, job.kind.name()),
    );
    match &job.kind {
        Kind::Mirror => {
            let copy = [
                format!("mkdir -p /restore/{}", job.name),
                place.copy_tree("current", ""),
            ];
            type_in(text, &copy);
            type_in(text, &place.check_tree("current.mtree", ""));
        }
        Kind::Settings { encrypt } => {
            say(text, read_me_settings::BEFORE);
            type_in(text, &read_me_settings::commands_before(place.job));
            place.archive(text, Some(encrypt));
            say(text, read_me_settings::BEHIND);
            type_in(text, &read_me_settings::commands_behind(place.job));
            say(text, read_me_settings::LAST);
            type_in(text, &read_me_settings::commands_last(place.job));
        }
        Kind::Archive { .. } | Kind::Directory(_) | Kind::Database { .. } => {
            place.archive(text, job.kind.encrypt())
        }
        Kind::History | Kind::Clone { .. } => {
            let mut commands = place.choose(text, "Z$");
            commands.push(place.copy_tree("", "\"$COPY\""));
            type_in(text, &commands);
            type_in(text, &place.check_tree("", "\"$COPY\".mtree"));
        }
    }
}

/// Where one job's copies lie.
struct Place<'a> {
    host: Option<&'a SshHost>,
    folder: PathBuf,
    job: &'a str,
}

const EXTRACT: &str = "tar --extract --file=- --xattrs '--xattrs-include=*' --numeric-owner --same-owner \
    --same-permissions --sparse --delay-directory-restore";

impl Place<'_> {
    /// Commands that find the newest copy and make the folder for it.
    fn choose(&self, text: &mut String, ending: &str) -> Vec<String> {
        say(
            text,
            "The newest copy is taken; for an older one write its name in place of $(...):",
        );
        let (program, argument) = match self.host {
            None => ("ls".to_owned(), quote(self.folder.as_os_str())),
            Some(host) => (shell(host), quote(OsStr::new(&self.there("ls", "")))),
        };
        let pick = format!("| grep '{ending}' | sort | tail -n 1)");
        vec![
            command(&[format!("COPY=$({program}"), argument, pick]),
            "echo \"$COPY\"".to_owned(),
            format!("mkdir -p /restore/{}", self.job),
        ]
    }

    /// A command for the POSIX shell of the other host, which reads its words once more.
    fn there(&self, program: &str, end: &str) -> String {
        let folder = self.folder.display().to_string();
        format!("{program} '{}{end}'", folder.replace('\'', r"'\''"))
    }

    /// Copies the tree that is called `name`, or as a variable of the shell says.
    fn copy_tree(&self, name: &str, variable: &str) -> String {
        let mut parts = words("rsync -aHAXS --numeric-ids");
        let mut from = String::new();
        if let Some(host) = self.host {
            parts.push("-s".to_owned());
            if host.user != "root" {
                parts.push("-M--fake-super".to_owned());
            }
            if host.port != SshHost::PORT {
                parts.push(format!("-e 'ssh -p {}'", host.port));
            }
            let name = if host.host.contains(':') {
                format!("[{}]", host.host)
            } else {
                host.host.clone()
            };
            from = format!("{}@{name}:", host.user);
        }
        let folder = self.folder.join(name);
        from.push_str(&quote(folder.as_os_str()));
        if !variable.is_empty() {
            from.push('/');
            from.push_str(variable);
        }
        parts.extend([format!("{from}/"), format!("/restore/{}/", self.job)]);
        command(&parts)
    }

    /// Commands that hold what was brought back against the manifest that is called `name`, or as words of the shell say.
    fn check_tree(&self, name: &str, words: &str) -> Vec<String> {
        let (mut commands, manifest) = self.manifest(name, words);
        commands.push(command(&[
            format!("mtree -p /restore/{} -f {manifest}", self.job),
            "|| echo \"not the same: see above\"".to_owned(),
        ]));
        commands
    }

    /// Where the manifest can be read, and the command that brings it there.
    fn manifest(&self, name: &str, words: &str) -> (Vec<String>, String) {
        let Some(host) = self.host else {
            let folder = quote(self.folder.as_os_str());
            return (Vec::new(), format!("{folder}/{name}{words}"));
        };
        let here = format!("/restore/{}.mtree", self.job);
        let fetch = quote(OsStr::new(&self.there("cat", &format!("/{name}"))));
        let fetch = [shell(host), format!("{fetch}{words}"), format!("> {here}")];
        (vec![command(&fetch)], here)
    }

    /// Commands that hold an archive in `folder` against its manifest.
    fn check_archive(&self, folder: &str) -> Vec<String> {
        let (mut commands, manifest) = self.manifest("", "\"${COPY%%.*}\".mtree");
        commands.push(command(&[
            format!("(cd {folder} &&"),
            r#"awk -F'[ =]' '/^[0-9].* sha256=/ {print $NF "  " $1}'"#.to_owned(),
            manifest,
            "| sha256sum --check)".to_owned(),
        ]));
        commands
    }

    fn archive(&self, text: &mut String, encrypt: Option<&Encrypt>) {
        let ending = encrypt.map_or("Z.tar.zst$", |_| "Z.tar.zst.age$");
        let mut commands = self.choose(text, ending);
        let file = match self.host {
            None => format!("{}/\"$COPY\"", quote(self.folder.as_os_str())),
            Some(host) => {
                let fetch = quote(OsStr::new(&self.there("cat", "/")));
                let fetch = [
                    shell(host),
                    format!("{fetch}\"$COPY\""),
                    "> /restore/\"$COPY\"".to_owned(),
                ];
                commands.push(command(&fetch));
                "/restore/\"$COPY\"".to_owned()
            }
        };
        type_in(text, &commands);
        say(text, "Whether it is as it was written, without any key:");
        let folder = match self.host {
            None => quote(self.folder.as_os_str()),
            Some(_) => "/restore".to_owned(),
        };
        type_in(text, &self.check_archive(&folder));
        let mut line = match encrypt {
            None => vec!["zstd -dc".to_owned(), file],
            Some(encrypt @ (Encrypt::Passphrase(_) | Encrypt::Credential(_))) => {
                let kept = match encrypt {
                    Encrypt::Passphrase(file) => file.display().to_string(),
                    _ => "a credential of its service".to_owned(),
                };
                say(
                    text,
                    &format!(
                        "It is closed with a passphrase, which age asks for. The server read it from {kept}; when \
                        the server is gone, it is where you wrote it down."
                    ),
                );
                vec!["age -d".to_owned(), file, "| zstd -dc".to_owned()]
            }
            Some(Encrypt::Recipients(keys)) => {
                let keys = keys.join(", ");
                say(
                    text,
                    &format!(
                        "It is closed for {keys}. Put the file with the secret key that belongs to it at \
                        /restore/key.txt."
                    ),
                );
                vec![
                    "age -d -i /restore/key.txt".to_owned(),
                    file,
                    "| zstd -dc".to_owned(),
                ]
            }
        };
        line.push("|".to_owned());
        line.extend(words(EXTRACT));
        line.push(format!("--directory=/restore/{}", self.job));
        type_in(text, &[command(&line)]);
    }
}

fn shell(host: &SshHost) -> String {
    let port = match host.port {
        SshHost::PORT => String::new(),
        port => format!(" -p {port}"),
    };
    format!("ssh{port} {}@{}", host.user, host.host)
}
