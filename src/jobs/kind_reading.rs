//! The keys that only one kind of job has, read into its [`Kind`].

use std::path::{Path, PathBuf};

use super::database::database;
use super::path_text::{absolute_path, relative_file};
use super::reading::{Table, Value};
use super::{CloneTarget, Directory, Encrypt, Kind, KindName, Mistake, Size};

/// `None` when a key of the kind is wrong or missing.
pub fn read_kind(kind: KindName, table: &mut Table<'_>) -> Option<Kind> {
    Some(match kind {
        KindName::History => Kind::History,
        KindName::Mirror => Kind::Mirror,
        KindName::Archive => Kind::Archive {
            encrypt: Encrypt::read(table),
        },
        KindName::Clone => Kind::Clone {
            target: table
                .require("target", &format!("add `target`: {TARGET}"))
                .and_then(|value| target(&value))?,
        },
        KindName::Directory => Kind::Directory(Directory::read(table)?),
        KindName::Database => database(table)?,
        KindName::Settings => Kind::Settings {
            encrypt: Encrypt::required(table, "it holds password hashes and keys")?,
        },
    })
}

const TARGET: &str =
    "{ disk = \"/dev/disk/by-id/…\" } or { image = \"kiln.img\", size = \"64 GB\" }";
const DISK: &str = "a disk by its stable name, such as \"/dev/disk/by-id/ata-SPARE_1234\"";
const IMAGE: &str = "the name of a file on the drive, such as \"kiln.img\"";

fn target(value: &Value<'_>) -> Option<CloneTarget> {
    let mut table = value.table("`target`", TARGET)?;
    let (disk, image) = (table.holds("disk"), table.holds("image"));
    let target = match (disk, image) {
        (true, false) => table
            .optional("disk", DISK, stable_disk)
            .map(CloneTarget::Disk),
        (false, true) => {
            let file = table.optional("image", IMAGE, relative_file);
            let size = table.required("size", Size::EXPECTED, Size::parse_some);
            file.zip(size)
                .map(|(file, size)| CloneTarget::Image { file, size })
        }
        _ => {
            let how = if disk { "both" } else { "neither" };
            value.refuse(
                Mistake::new(format!("`target` has {how} of `disk` and `image`")).allowed(TARGET),
            );
            for key in ["disk", "image", "size"] {
                table.take(key);
            }
            None
        }
    };
    table.finish_explaining(|key| {
        (key == "size")
            .then(|| Mistake::new("`size` belongs to an image: a disk has its own").allowed(TARGET))
    });
    target
}

/// `/dev/sdb` is another disk after the next start, and a clone overwrites all of it.
fn stable_disk(text: &str) -> Result<PathBuf, Mistake> {
    let path = absolute_path(text)?;
    let parent = path.parent();
    if parent == Some(Path::new("/dev/disk/by-id")) {
        return Ok(path);
    }
    Err(
        Mistake::new(format!("`{text}` may be another disk after the next start"))
            .help("`ls -l /dev/disk/by-id` shows the name that stays"),
    )
}

/// Text that can stand as an argument of its own and is not taken for an option.
pub(super) fn some_text(text: &str) -> Result<String, Mistake> {
    if text.is_empty() || text.starts_with('-') || text.contains(char::is_control) {
        return Err(Mistake::new(format!("`{text}` is no name")));
    }
    Ok(text.to_owned())
}
