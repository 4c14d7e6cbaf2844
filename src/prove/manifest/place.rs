//! Where a manifest's lines are in the tree.

use super::error::ManifestTrouble;
use super::lines::MOST_BYTES;
use super::vis;

/// The folder that relative names are in.
#[derive(Debug, Default)]
pub struct Place {
    folder: Vec<u8>,
    /// A `..` has left the root, as the last line of some manifests does.
    left_root: bool,
}

impl Place {
    /// The line `..`.
    pub fn leave(&mut self) -> Result<(), ManifestTrouble> {
        if self.left_root {
            let expected = "no `..` after the root was left";
            return Err(ManifestTrouble::expected(expected, b".."));
        }
        self.left_root = self.folder.is_empty();
        let up = self.folder.iter().rposition(|&byte| byte == b'/');
        self.folder.truncate(up.unwrap_or(0));
        Ok(())
    }

    /// The whole path of a name as it is written: mtree(5) has a name with a `/` start at the root, any other
    /// in the folder that the lines before entered.
    pub fn path_of(&self, word: &[u8]) -> Result<Vec<u8>, ManifestTrouble> {
        if word == b"." {
            return Ok(Vec::new());
        }
        let whole = word.contains(&b'/');
        if !whole && self.left_root {
            let expected = "no relative name after the root was left";
            return Err(ManifestTrouble::expected(expected, word));
        }
        let mut path = Vec::with_capacity(self.folder.len() + 1 + word.len());
        if !whole {
            path.extend_from_slice(&self.folder);
        }
        for part in word.split(|&byte| byte == b'/') {
            if !(whole && matches!(part, b"" | b".")) {
                push_part(part, &mut path)?;
            }
        }
        if path.len() > MOST_BYTES {
            let expected = "a path of at most 1 MiB";
            return Err(ManifestTrouble::expected(expected, &path));
        }
        Ok(path)
    }

    /// Goes where the entry of `word` leads: into a folder; with a whole path to anything else, where it lies.
    pub fn follow(&mut self, word: &[u8], path: &[u8], is_folder: bool) {
        if is_folder {
            self.folder.clear();
            self.folder.extend_from_slice(path);
            self.left_root = false;
        } else if word.contains(&b'/') {
            let parent = path.iter().rposition(|&byte| byte == b'/').unwrap_or(0);
            self.folder.clear();
            self.folder.extend_from_slice(&path[..parent]);
            self.left_root = false;
        }
    }
}

/// One name, decoded. What would lead out of the tree, or is no name, is refused.
fn push_part(part: &[u8], path: &mut Vec<u8>) -> Result<(), ManifestTrouble> {
    if !path.is_empty() {
        path.push(b'/');
    }
    let start = path.len();
    let expected = |words| ManifestTrouble::expected(words, part);
    vis::decode(part, path).map_err(|_| expected("a vis(3) encoded name"))?;
    let name = &path[start..];
    if matches!(name, b"" | b"." | b"..") || name.iter().any(|byte| matches!(byte, 0 | b'/')) {
        return Err(expected("a name within a folder"));
    }
    Ok(())
}
