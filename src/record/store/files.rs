//! The files of the store in `state_dir`, and who may read them.

use std::fs::{self, DirBuilder, File, OpenOptions, Permissions};
use std::io;
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use super::StoreError;

/// Run records name every file system and account of the server: for its administrator only.
const ONLY_OWNER: u32 = 0o600;

#[derive(Debug, Clone)]
pub(super) struct Files {
    pub state_dir: PathBuf,
    pub database: PathBuf,
    /// Held while opening, so that only one process creates, migrates or sets aside.
    lock: PathBuf,
    /// Holds the boot id under which the database was last checked as a whole.
    checked: PathBuf,
}

impl Files {
    pub fn within(state_dir: &Path) -> Self {
        Self {
            state_dir: state_dir.to_owned(),
            database: state_dir.join("hayloft.db"),
            lock: state_dir.join("hayloft.db.lock"),
            checked: state_dir.join("hayloft.db.checked"),
        }
    }

    /// The files that `SQLite` keeps beside the database (sqlite.org, "WAL-mode File Format").
    pub fn companions(&self) -> [PathBuf; 2] {
        ["hayloft.db-wal", "hayloft.db-shm"].map(|name| self.state_dir.join(name))
    }

    pub fn create_folder(&self) -> Result<(), StoreError> {
        let mut builder = DirBuilder::new();
        builder
            .recursive(true)
            .mode(0o700)
            .create(&self.state_dir)
            .map_err(|source| StoreError::File {
                path: self.state_dir.clone(),
                doing: "make the folder",
                source,
            })
    }

    /// Wait for other processes that are opening; released when the file is dropped.
    pub fn lock(&self) -> Result<File, StoreError> {
        let failed = |source| StoreError::File {
            path: self.lock.clone(),
            doing: "lock",
            source,
        };
        let mut options = OpenOptions::new();
        options
            .create(true)
            .write(true)
            .truncate(false)
            .mode(ONLY_OWNER);
        let file = options.open(&self.lock).map_err(failed)?;
        file.lock().map_err(failed)?;
        Ok(file)
    }

    /// Make an existing database readable for its owner only.
    pub fn close_to_others(&self) -> Result<(), StoreError> {
        let close = || {
            if fs::metadata(&self.database)?.mode() & 0o777 != ONLY_OWNER {
                fs::set_permissions(&self.database, Permissions::from_mode(ONLY_OWNER))?;
            }
            Ok(())
        };
        close().map_err(|source| StoreError::File {
            path: self.database.clone(),
            doing: "set the mode of",
            source,
        })
    }

    /// Create an empty file that only its owner can read.
    pub fn create_private(path: &Path) -> io::Result<File> {
        let mut options = OpenOptions::new();
        options
            .write(true)
            .create(true)
            .truncate(true)
            .mode(ONLY_OWNER);
        options.open(path)
    }

    pub fn identity(&self) -> io::Result<(u64, u64)> {
        fs::metadata(&self.database).map(|meta| (meta.dev(), meta.ino()))
    }

    /// Whether the whole file was checked since the server started.
    pub fn was_checked(&self) -> bool {
        let boot = boot_id();
        boot.is_some() && fs::read_to_string(&self.checked).ok() == boot
    }

    /// Remember that the whole file is well. Failing to is harmless: it is checked again.
    pub fn remember_checked(&self) {
        if let Some(boot) = boot_id() {
            let _ = Self::create_private(&self.checked)
                .and_then(|mut file| io::Write::write_all(&mut file, boot.as_bytes()));
        }
    }

    /// Have the whole file checked at the next opening.
    pub fn doubt(&self) {
        let _ = fs::remove_file(&self.checked);
    }

    /// Flush the folder, so that names made or moved in it survive a power cut.
    pub fn flush_folder(&self) -> io::Result<()> {
        File::open(&self.state_dir)?.sync_all()
    }
}

/// Changes at every start of the kernel (random(4)).
fn boot_id() -> Option<String> {
    fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()
}
