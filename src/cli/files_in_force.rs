//! The files in force, kept as a copy in the state folder: what the service's runs read. So a file that is
//! wrong or half saved stops no night, not even over a restart.

use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use rustix::fs::{CWD, RenameFlags, renameat_with};

use crate::jobs::{Config, Server, load};

/// Where the copy lies: a configuration folder like any other.
pub fn folder(state_dir: &Path) -> PathBuf {
    state_dir.join("files-in-force")
}

/// Keeps a copy of the files that `config` was read from, flushed to the disk.
///
/// # Errors
/// When it cannot be written, or the files changed since they were read. The copy before stays.
pub fn keep(config: &Config) -> io::Result<PathBuf> {
    let kept = folder(&config.server.state_dir);
    if holds(&kept, config) {
        return Ok(kept);
    }
    let fresh = kept.with_extension("new");
    remove(&fresh)?;
    copy(config, &fresh)?;
    if !holds(&fresh, config) {
        return Err(io::Error::other("they changed while they were read"));
    }
    if kept.exists() {
        // What was in force lies under the new name until the next change: a run may be reading it.
        renameat_with(CWD, &kept, CWD, &fresh, RenameFlags::EXCHANGE)?;
    } else {
        fs::rename(&fresh, &kept)?;
    }
    File::open(&config.server.state_dir)?.sync_all()?;
    Ok(kept)
}

/// What is kept for the configuration in `given`, whose files are wrong now.
pub fn kept_for(given: &Path) -> Option<Config> {
    let loaded = load(&folder(&state_dir_of(given))).ok()?;
    Some(loaded.config)
}

/// The state folder that a `server.toml` names, which may be wrong otherwise.
pub fn state_dir_of(given: &Path) -> PathBuf {
    let text = fs::read_to_string(given.join("server.toml")).unwrap_or_default();
    let named = |text: &str| -> Option<PathBuf> {
        let table: toml::Table = text.parse().ok()?;
        let server = table.get("server").and_then(|it| it.as_table());
        let path = server.unwrap_or(&table).get("state_dir")?.as_str()?;
        Some(PathBuf::from(path)).filter(|path| path.is_absolute())
    };
    let line = |line: &str| {
        let line = line.trim_start();
        line.starts_with("state_dir").then(|| named(line)).flatten()
    };
    named(&text)
        .or_else(|| text.lines().find_map(line))
        .unwrap_or_else(|| PathBuf::from(Server::STATE_DIR))
}

fn holds(folder: &Path, config: &Config) -> bool {
    load(folder).is_ok_and(|loaded| {
        let kept = Config {
            folder: config.folder.clone(),
            ..loaded.config
        };
        kept == *config
    })
}

fn copy(config: &Config, to: &Path) -> io::Result<()> {
    let mut private = DirBuilder::new();
    private
        .recursive(true)
        .mode(0o700)
        .create(to.join("jobs"))?;
    let jobs = config.jobs.keys().map(|name| format!("jobs/{name}.toml"));
    for name in std::iter::once("server.toml".to_owned()).chain(jobs) {
        let text = fs::read(config.folder.join(&name))?;
        let mut file = OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(to.join(&name))?;
        file.write_all(&text)?;
        file.sync_all()?;
    }
    File::open(to.join("jobs"))?.sync_all()?;
    File::open(to)?.sync_all()
}

fn remove(folder: &Path) -> io::Result<()> {
    match fs::remove_dir_all(folder) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt as _;

    #[test]
    fn the_state_folder_is_found_in_a_file_that_is_wrong() {
        let folder = tempfile::tempdir().unwrap();
        let found = |text: &str| {
            fs::write(folder.path().join("server.toml"), text).unwrap();
            state_dir_of(folder.path())
        };
        let state = PathBuf::from("/srv/state");
        assert_eq!(
            found("[server]\nstate_dir = \"/srv/state\"\nnmae = 1\n"),
            state
        );
        assert_eq!(found("[server\n  state_dir = \"/srv/state\"\n"), state);
        assert_eq!(
            found("[server]\nname = \"kiln\"\n"),
            PathBuf::from(Server::STATE_DIR)
        );
        assert_eq!(
            found("[server]\nstate_dir = \"state\"\n"),
            PathBuf::from(Server::STATE_DIR)
        );
    }

    fn written(folder: &Path, schedule: &str) -> Config {
        let state = folder.join("state");
        fs::create_dir_all(folder.join("config/jobs")).unwrap();
        fs::create_dir_all(&state).unwrap();
        let server = format!(
            "[server]\nname = \"kiln\"\nstate_dir = \"{}\"\n[drives.shelf]\npath = \"/mnt/shelf\"\n\
             uuid = \"5f0c3a52-8d1e-4a55-9a4e-0c1f6d2b7e90\"\n",
            state.display()
        );
        let job = format!(
            "kind = \"history\"\nsource = [\"/srv/studio\"]\ndrive = \"shelf\"\nschedule = \"{schedule}\"\n"
        );
        for (name, text) in [("server.toml", server), ("jobs/studio-files.toml", job)] {
            let path = folder.join("config").join(name);
            fs::write(&path, text).unwrap();
            fs::set_permissions(&path, fs::Permissions::from_mode(0o644)).unwrap();
        }
        for name in ["config", "config/jobs"] {
            fs::set_permissions(folder.join(name), fs::Permissions::from_mode(0o755)).unwrap();
        }
        load(&folder.join("config")).unwrap().config
    }

    #[test]
    fn what_is_kept_reads_as_what_was_read_and_is_replaced_by_what_is_newer() {
        let folder = tempfile::tempdir().unwrap();
        let early = written(folder.path(), "30 2 * * *");
        let kept = keep(&early).unwrap();
        assert!(holds(&kept, &early));
        assert_eq!(
            fs::metadata(&kept).unwrap().permissions().mode() & 0o777,
            0o700
        );
        let late = written(folder.path(), "30 3 * * *");
        assert!(!holds(&kept, &late));
        assert_eq!(keep(&late).unwrap(), kept);
        assert!(holds(&kept, &late));
        let found = kept_for(&folder.path().join("config")).unwrap();
        assert_eq!(found.jobs, late.jobs);
    }

    #[test]
    fn files_that_changed_since_they_were_read_are_not_kept() {
        let folder = tempfile::tempdir().unwrap();
        let early = written(folder.path(), "30 2 * * *");
        let kept = keep(&early).unwrap();
        let late = written(folder.path(), "30 3 * * *");
        written(folder.path(), "30 4 * * *");
        let error = keep(&late).unwrap_err();
        assert_eq!(error.to_string(), "they changed while they were read");
        assert!(holds(&kept, &early));
    }
}
