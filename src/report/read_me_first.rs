//! READ-ME-FIRST.txt: how to get everything back from one drive with standard tools only.
//!
//! The commands are the indented lines, to be typed as they stand. A test types them.

use std::fmt::Write as _;

use crate::jobs::{Config, Drive, DrivePlace, Encrypt, Job, Kind, SshHost};
use crate::plan::quote;
use crate::report::safe_line;

/// What lies on a drive and how each job's copies are brought back.
pub fn read_me_first(config: &Config, drive: &Drive) -> String {
    let mut text = String::new();
    let server = &config.server.name;
    let _ = write!(
        text,
        "READ ME FIRST\n\n\
        This folder holds copies of the server `{server}`, made by hayloft. Everything in it is\n\
        plain files, tar and age: you get it all back with the standard commands below, on any\n\
        Linux computer, without hayloft. Type them as root, as they stand. Needed, from the\n\
        distribution: rsync, tar, zstd, age. A test of hayloft types these very lines.\n\n\
        Nothing here writes to the drive, and nothing is put over existing files before the\n\
        last step, \"put it in its place\".\n\n"
    );
    reach(&mut text, drive);
    let _ = write!(
        text,
        "2. A place to bring things back to\n\n\
        Choose a disk with room enough. Here it is the folder /restore:\n\n\
        \x20   mkdir -p /restore\n\n\
        3. The copies\n\n\
        A name such as 20261125T023000Z is the time a copy was begun: 25 November 2026, 02:30\n\
        UTC. A name that ends in .partial is not whole: leave it alone.\n\n"
    );
    let jobs = config
        .jobs
        .values()
        .filter(|job| job.drive == drive.name && job.kind.name().is_built());
    for job in jobs {
        one_job(&mut text, config, drive, job);
    }
    text.push_str(
        "4. Put it in its place\n\n\
        Look at what is below /restore first. The paths are those of the server, from its root.\n\
        CAUTION: the next command writes over the files of the computer you type it on. Only\n\
        on the computer that is to be the server again, and only when you are sure, type it\n\
        without the word echo:\n\n\
        \x20   echo rsync -aHAXS --numeric-ids /restore/ /\n",
    );
    text
}

fn reach(text: &mut String, drive: &Drive) {
    match &drive.place {
        DrivePlace::Local { path, uuid } => {
            let path = quote(path.as_os_str());
            let _ = write!(
                text,
                "1. Mount the drive, read-only\n\n\
                \x20   mkdir -p {path}\n\
                \x20   mountpoint -q {path} || mount -o ro UUID={uuid} {path}\n\n"
            );
        }
        DrivePlace::Ssh { host, path } => {
            let _ = write!(
                text,
                "1. Reach the drive\n\n\
                It is the folder {} on {host}. You need an ssh key that {host} lets in. The owners of\n\
                files are kept there in extended attributes, which rsync's -M--fake-super reads, so\n\
                bring the copies back over ssh rather than with cp.\n\n",
                path.display()
            );
        }
    }
}

fn one_job(text: &mut String, config: &Config, drive: &Drive, job: &Job) {
    let (DrivePlace::Local { path, .. } | DrivePlace::Ssh { path, .. }) = &drive.place;
    let folder = path
        .join("hayloft")
        .join(config.server.name.as_str())
        .join(job.name.as_str());
    let _ = writeln!(
        text,
        "Job {} ({}): {}\n",
        job.name,
        job.kind.name(),
        safe_line(&job.about)
    );
    let place = Place {
        host: match &drive.place {
            DrivePlace::Local { .. } => None,
            DrivePlace::Ssh { host, .. } => Some(host),
        },
        folder: quote(folder.as_os_str()),
        job: job.name.as_str(),
    };
    match &job.kind {
        Kind::Mirror => place.tree(text, "current", ""),
        Kind::Archive { encrypt } => place.archive(text, encrypt.as_ref()),
        _ => place.tree(
            text,
            "$COPY",
            "The newest copy is taken; for an older one write its name in place of $(...):\n\n",
        ),
    }
}

struct Place<'a> {
    host: Option<&'a SshHost>,
    folder: String,
    job: &'a str,
}

const EXTRACT: &str = "tar --extract --file=- --acls --xattrs '--xattrs-include=*' --numeric-owner \\\n\
    \x20       --same-owner --same-permissions --sparse --delay-directory-restore";

impl Place<'_> {
    fn tree(&self, text: &mut String, copy: &str, words: &str) {
        let Self { folder, job, .. } = self;
        text.push_str(words);
        if copy == "$COPY" {
            let _ = writeln!(
                text,
                "    COPY=$({} | sort | tail -n 1)",
                self.there(&format!("ls {folder} | grep \"Z$\""))
            );
            text.push_str("    echo \"$COPY\"\n");
        }
        let _ = writeln!(text, "    mkdir -p /restore/{job}");
        let _ = match self.host {
            None => writeln!(
                text,
                "    rsync -aHAXS --numeric-ids {folder}/{copy}/ /restore/{job}/\n",
                copy = shown(copy)
            ),
            Some(host) => writeln!(
                text,
                "    rsync -aHAXS --numeric-ids{fake} -e '{shell}' {user}@{name}:{folder}/{copy}/ /restore/{job}/\n",
                fake = if host.user == "root" {
                    ""
                } else {
                    " -M--fake-super"
                },
                shell = shell(host),
                user = host.user,
                name = host.host,
                copy = shown(copy),
            ),
        };
    }

    fn archive(&self, text: &mut String, encrypt: Option<&Encrypt>) {
        let Self { folder, job, .. } = self;
        text.push_str(
            "The newest copy is taken; for an older one write its name in place of $(...):\n\n",
        );
        let end = encrypt.map_or("tar.zst", |_| "tar.zst.age");
        let list = self.there(&format!("ls {folder} | grep \"Z.{end}$\""));
        let _ = writeln!(
            text,
            "    COPY=$({list} | sort | tail -n 1)\n    echo \"$COPY\"\n    mkdir -p /restore/{job}"
        );
        if self.host.is_some() {
            let fetch = self
                .there(&format!("cat {folder}/\"$COPY\""))
                .replace("\"$COPY\"", "'\"$COPY\"'");
            let _ = writeln!(text, "    {fetch} > /restore/\"$COPY\"\n");
        }
        let file = if self.host.is_some() {
            "/restore/\"$COPY\"".to_owned()
        } else {
            format!("{folder}/\"$COPY\"")
        };
        let open = match encrypt {
            None => format!("zstd -dc {file}"),
            Some(Encrypt::Passphrase(kept)) => {
                let kept = kept.display();
                let _ = write!(
                    text,
                    "It is closed with a passphrase, which age asks for. The server read it from\n\
                    {kept}; when the server is gone, it is where you wrote it down.\n\n"
                );
                format!("age -d {file} | zstd -dc")
            }
            Some(Encrypt::Recipients(keys)) => {
                let keys = keys.join(", ");
                let _ = write!(
                    text,
                    "It is closed for {keys}. Put the file with the secret key\n\
                    that belongs to it at /restore/key.txt.\n\n"
                );
                format!("age -d -i /restore/key.txt {file} | zstd -dc")
            }
        };
        let _ = writeln!(text, "    {open} | {EXTRACT} --directory=/restore/{job}\n");
    }

    /// A command where the copies are.
    fn there(&self, command: &str) -> String {
        match self.host {
            None => command.to_owned(),
            Some(host) => format!(
                "{} {}@{} '{}'",
                shell(host),
                host.user,
                host.host,
                command.replace('\'', r"'\''")
            ),
        }
    }
}

fn shell(host: &SshHost) -> String {
    if host.port == 22 {
        "ssh".to_owned()
    } else {
        format!("ssh -p {}", host.port)
    }
}

fn shown(copy: &str) -> String {
    if copy.starts_with('$') {
        format!("\"{copy}\"")
    } else {
        copy.to_owned()
    }
}
