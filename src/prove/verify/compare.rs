//! What a manifest tells of a name, held against what is there: pure.

use std::fmt::Write as _;

use crate::prove::manifest::{Entry, EntryKind};
use crate::record::What;

/// Whether the content that was read has the digest of the manifest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Content {
    Same,
    Other,
    /// Not read, or there is no digest to hold it against.
    Unknown,
}

impl Content {
    pub fn of(is_same: bool) -> Self {
        if is_same { Self::Same } else { Self::Other }
    }
}

/// Which attributes can be held against the manifest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Attributes {
    All,
    /// An account that is not root keeps owners and modes elsewhere (rsync(1), `--fake-super`).
    TimeOnly,
    /// Of a folder in which names came or went: its time tells no more than they do.
    AllButTime,
}

/// What is different, in words; `None` when all is as it should be. `seen` has no digest.
pub fn compare(
    entry: &Entry,
    seen: &Entry,
    content: Content,
    attributes: Attributes,
) -> Option<(What, String)> {
    let same_time = same_time(entry, seen);
    let changed_or_damaged = |same: &str, words: String| {
        if same_time {
            (What::Damaged, format!("{words}, {same}"))
        } else {
            (What::Changed, format!("{words}, and so is its time"))
        }
    };
    if kind_word(&entry.kind) != kind_word(&seen.kind) {
        let words = format!(
            "{}, and should be {}",
            kind_word(&seen.kind),
            kind_word(&entry.kind)
        );
        return Some((What::Changed, words));
    }
    match (&entry.kind, &seen.kind) {
        (EntryKind::File { size: wanted, .. }, EntryKind::File { size, .. }) if wanted != size => {
            let words = format!("{size} bytes long instead of {wanted}");
            return Some(changed_or_damaged("though its time is not another", words));
        }
        (EntryKind::File { .. }, EntryKind::File { .. }) if content == Content::Other => {
            let words = "its content is another".to_owned();
            return Some(changed_or_damaged("its size and time are not", words));
        }
        (EntryKind::Link { target: wanted }, EntryKind::Link { target }) if wanted != target => {
            let words = "the target of the link is another".to_owned();
            return Some(changed_or_damaged("its time is not", words));
        }
        (EntryKind::CharDevice { .. }, EntryKind::CharDevice { .. })
        | (EntryKind::BlockDevice { .. }, EntryKind::BlockDevice { .. })
            if entry.kind != seen.kind =>
        {
            let words = "the numbers of the device are others".to_owned();
            return Some(changed_or_damaged("its time is not", words));
        }
        _ => {}
    }
    let words = attribute_words(entry, seen, attributes);
    (!words.is_empty()).then_some((What::Attributes, words))
}

fn attribute_words(entry: &Entry, seen: &Entry, attributes: Attributes) -> String {
    let mut words = String::new();
    let mut add = |name: &str, is: String, wanted: String| {
        if is != wanted {
            let comma = if words.is_empty() { "" } else { "; " };
            // writing to a String cannot fail
            let _ = write!(words, "{comma}{name} {is} instead of {wanted}");
        }
    };
    if matches!(attributes, Attributes::All | Attributes::AllButTime) {
        // the mode of a link means nothing (symlink(7))
        if !matches!(entry.kind, EntryKind::Link { .. }) {
            add(
                "mode",
                format!("{:04o}", seen.mode),
                format!("{:04o}", entry.mode),
            );
        }
        add("owner", seen.uid.to_string(), entry.uid.to_string());
        add("group", seen.gid.to_string(), entry.gid.to_string());
    }
    if matches!(attributes, Attributes::All | Attributes::TimeOnly) && !same_time(entry, seen) {
        add("time", time_words(seen), time_words(entry));
    }
    words
}

/// A file system that keeps whole seconds only tells of no others.
fn same_time(entry: &Entry, seen: &Entry) -> bool {
    entry.time.seconds == seen.time.seconds
        && (entry.time.nanos == seen.time.nanos || seen.time.nanos == 0)
}

fn time_words(entry: &Entry) -> String {
    let nanos = i32::try_from(entry.time.nanos).unwrap_or(0);
    jiff::Timestamp::new(entry.time.seconds, nanos).map_or_else(
        |_| format!("{}.{:09}", entry.time.seconds, entry.time.nanos),
        |time| time.to_string(),
    )
}

fn kind_word(kind: &EntryKind) -> &'static str {
    match kind {
        EntryKind::Folder => "a folder",
        EntryKind::File { .. } => "a file",
        EntryKind::Link { .. } => "a symbolic link",
        EntryKind::Fifo => "a named pipe",
        EntryKind::Socket => "a socket",
        EntryKind::CharDevice { .. } => "a character device",
        EntryKind::BlockDevice { .. } => "a block device",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prove::manifest::{Digest, Time};

    fn file(size: u64, seconds: i64) -> Entry {
        Entry {
            path: b"price-list.txt".to_vec(),
            kind: EntryKind::File {
                size,
                digest: Some(Digest([7; 32])),
            },
            mode: 0o644,
            uid: 1000,
            gid: 1000,
            time: Time { seconds, nanos: 5 },
        }
    }

    fn what(entry: &Entry, seen: &Entry, content: Content) -> Option<What> {
        compare(entry, seen, content, Attributes::All).map(|(what, _)| what)
    }

    #[test]
    fn another_content_is_damage_when_the_time_is_the_same_and_a_change_when_it_is_not() {
        let entry = file(12, 100);
        assert_eq!(what(&entry, &entry, Content::Same), None);
        assert_eq!(what(&entry, &entry, Content::Other), Some(What::Damaged));
        assert_eq!(
            what(&entry, &file(11, 100), Content::Unknown),
            Some(What::Damaged)
        );
        assert_eq!(
            what(&entry, &file(12, 101), Content::Other),
            Some(What::Changed)
        );
        assert_eq!(
            what(&entry, &file(13, 101), Content::Unknown),
            Some(What::Changed)
        );
        assert_eq!(
            what(&entry, &file(12, 101), Content::Same),
            Some(What::Attributes)
        );
    }

    #[test]
    fn each_attribute_that_differs_is_named_and_a_coarse_time_is_not() {
        let entry = file(12, 100);
        let mut seen = file(12, 100);
        seen.time.nanos = 0;
        assert_eq!(compare(&entry, &seen, Content::Same, Attributes::All), None);
        seen.mode = 0o4600;
        seen.gid = 7;
        let (_, words) = compare(&entry, &seen, Content::Same, Attributes::All).unwrap();
        assert_eq!(words, "mode 4600 instead of 0644; group 7 instead of 1000");
        assert_eq!(
            compare(&entry, &seen, Content::Same, Attributes::TimeOnly),
            None
        );
        seen.time.seconds = 0;
        let (_, words) = compare(&entry, &seen, Content::Same, Attributes::TimeOnly).unwrap();
        assert_eq!(
            words,
            "time 1970-01-01T00:00:00Z instead of 1970-01-01T00:01:40.000000005Z"
        );
    }
}
