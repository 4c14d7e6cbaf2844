//! What lies in a folder of the outbox, and what does not belong there.

use std::fs;
use std::io;
use std::path::Path;

use crate::report::safe_name;

use super::MailError;
use super::entry::Entry;

/// A larger `.json` is not one of ours.
const LARGEST_ENTRY: u64 = 64 * 1024;

/// The ids of all `.json` files in `folder`, oldest first, and a warning for each file that is not ours.
pub(super) fn entry_ids(folder: &Path) -> Result<(Vec<String>, Vec<String>), MailError> {
    let cannot = |error| MailError::outbox("list", folder)(error);
    let mut ids = Vec::new();
    let mut warnings = Vec::new();
    for entry in fs::read_dir(folder).map_err(cannot)? {
        let entry = entry.map_err(cannot)?;
        let is_file = entry.file_type().map_err(cannot)?.is_file();
        let name = entry.file_name();
        match name.to_str().and_then(|name| name.rsplit_once('.')) {
            Some((id, "json")) if is_file => ids.push(id.to_owned()),
            Some((_, "eml" | "partial")) if is_file => {}
            _ if name == "undelivered" => {}
            _ => warnings.push(format!(
                "`{}/{}` is not a mail of ours and was skipped",
                folder.display(),
                safe_name(name.as_encoded_bytes())
            )),
        }
    }
    ids.sort_unstable();
    Ok((ids, warnings))
}

/// `None` when another process has delivered it meanwhile.
pub(super) fn load_entry(folder: &Path, id: &str) -> Result<Option<Entry>, String> {
    let path = folder.join(format!("{id}.json"));
    let skipped = |why: String| format!("`{}` was skipped: {why}", path.display());
    let content = match fs::metadata(&path).map(|facts| facts.len()) {
        Ok(length) if length > LARGEST_ENTRY => return Err(skipped("too large".to_owned())),
        Ok(_) => fs::read(&path),
        Err(error) => Err(error),
    };
    match content {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(skipped(error.to_string())),
        Ok(content) => serde_json::from_slice(&content)
            .map(Some)
            .map_err(|error| skipped(error.to_string())),
    }
}
