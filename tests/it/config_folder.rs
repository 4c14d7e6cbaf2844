//! A scratch configuration folder, with modes that do not depend on the umask.

use std::fmt::Write as _;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use hayloft::jobs::{Diagnostic, Loaded, load};

/// Lines 1 to 5 of a right `server.toml`.
pub const SERVER: &str = "\
[server]
name = \"kiln\"
[drives.shelf]
path = \"/mnt/shelf\"
uuid = \"AB12-CD34\"
";

/// Lines 1 to 3 of a right job file.
pub const HISTORY: &str = "\
kind = \"history\"
source = [\"/srv/studio\"]
drive = \"shelf\"
";

pub struct ConfigFolder {
    folder: tempfile::TempDir,
}

impl ConfigFolder {
    /// A right `server.toml` and no jobs.
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let made = Self { folder };
        fs::create_dir(made.path().join("jobs")).unwrap();
        set_mode(made.path(), 0o755);
        set_mode(&made.path().join("jobs"), 0o755);
        made.with("server.toml", SERVER)
    }

    /// Write a file; `{dir}` in it becomes the path of this folder.
    pub fn with(self, name: &str, text: &str) -> Self {
        let text = text.replace("{dir}", self.path().to_str().unwrap());
        self.with_bytes(name, text.as_bytes())
    }

    pub fn with_bytes(self, name: &str, bytes: &[u8]) -> Self {
        let path = self.path().join(name);
        fs::write(&path, bytes).unwrap();
        set_mode(&path, 0o644);
        self
    }

    /// A file that only its owner can read.
    pub fn with_secret(self, name: &str) -> Self {
        let made = self.with(name, "clay and ash\n");
        set_mode(&made.path().join(name), 0o600);
        made
    }

    pub fn with_mode(self, name: &str, mode: u32) -> Self {
        set_mode(&self.path().join(name), mode);
        self
    }

    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    pub fn file(&self, name: &str) -> PathBuf {
        self.path().join(name)
    }

    #[track_caller]
    pub fn load(&self) -> Loaded {
        load(self.path()).unwrap_or_else(|found| panic!("{}", rendered(&found)))
    }

    /// The errors, without the warnings.
    #[track_caller]
    pub fn errors(&self) -> Vec<Diagnostic> {
        let found = load(self.path()).expect_err("mistakes");
        found.into_iter().filter(Diagnostic::is_error).collect()
    }

    /// All that is said, as it is shown, with the folder's path taken out.
    #[track_caller]
    pub fn shown(&self) -> String {
        let found = match load(self.path()) {
            Ok(loaded) => loaded.warnings,
            Err(found) => found,
        };
        rendered(&found).replace(&format!("{}/", self.path().display()), "")
    }
}

pub fn rendered(found: &[Diagnostic]) -> String {
    found
        .iter()
        .map(|d| d.render(hayloft::jobs::Colour::Plain))
        .collect()
}

fn set_mode(path: &Path, mode: u32) {
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
}

/// A file with one mistake: the text, where (`line:column`), a part of the message, a part of what is
/// allowed (or of the help), and the nearest right text (empty for none).
pub type Wrong<'w> = (&'w str, &'w str, &'w str, &'w str, &'w str);

/// Every entry must give exactly one error, just so. `write` makes the folder for a text.
#[track_caller]
pub fn assert_wrong(table: &[Wrong<'_>], file: &str, write: impl Fn(&str) -> ConfigFolder) {
    let mut failures = String::new();
    for (text, at, says, allowed, near) in table {
        let folder = write(text);
        let errors = match load(folder.path()) {
            Ok(_) => Vec::new(),
            Err(found) => found.into_iter().filter(Diagnostic::is_error).collect(),
        };
        let right = match &errors[..] {
            [error] => matches(error, &folder.file(file), (at, says, allowed, near)),
            _ => false,
        };
        if !right {
            let shown = rendered(&errors);
            let _ = writeln!(
                failures,
                "--- {text}\nexpected {at} `{says}` `{allowed}` `{near}`\n{shown}"
            );
        }
    }
    assert!(failures.is_empty(), "{failures}");
}

fn matches(error: &Diagnostic, file: &Path, expected: (&str, &str, &str, &str)) -> bool {
    let (at, says, allowed, near) = expected;
    let place = error.place.as_ref();
    let place = place.map_or(String::new(), |p| format!("{}:{}", p.line, p.column));
    let words = [error.allowed.as_deref(), error.help.as_deref()];
    error.file == file
        && place == at
        && error.message.contains(says)
        && words.iter().flatten().any(|text| text.contains(allowed))
        && error.nearest.as_deref().unwrap_or("") == near
}
