//! Reads what rsync prints with our `--out-format`, `--stats` and `--info=progress2` (rsync(1)).

use jiff::Timestamp;

use crate::record::Changes;

/// One line of rsync's output.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Line {
    Item(Item),
    Progress { bytes: u64 },
    Other,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Item {
    pub what: What,
    pub folder: bool,
    pub length: u64,
    /// `2026/11/25-02:30:00`, in the zone rsync ran in (UTC for us); absent for deletions.
    pub modified: Option<Timestamp>,
    /// As rsync prints it, control characters written as `\#012`.
    pub name: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum What {
    Created,
    /// Content differs, going by size and time.
    Changed,
    /// Only owner, mode, time or other attributes differ.
    Attributes,
    Deleted,
}

impl What {
    pub fn words(self) -> &'static str {
        match self {
            Self::Created => "new",
            Self::Changed => "changed",
            Self::Attributes => "attributes",
            Self::Deleted => "gone",
        }
    }
}

/// Reads one line; what is neither an item nor progress is `Other`.
pub fn read_line(line: &str) -> Line {
    item(line).map_or_else(|| progress(line), Line::Item)
}

/// `%i %l %M %n`: see "--itemize-changes" in rsync(1) for the eleven letters.
fn item(line: &str) -> Option<Item> {
    if let Some(rest) = line.strip_prefix("*deleting") {
        let mut words = rest.trim_start().splitn(3, ' ');
        let (_length, _time, name) = (words.next()?, words.next()?, words.next()?);
        return Some(Item {
            what: What::Deleted,
            folder: name.ends_with('/'),
            length: 0,
            modified: None,
            name: name.to_owned(),
        });
    }
    let letters = line.get(..11)?;
    let bytes = letters.as_bytes();
    if !b"<>ch.".contains(&bytes[0])
        || !b"fdLDS".contains(&bytes[1])
        || !bytes[2..].iter().all(|b| b"+.?cstpoguaxbnT ".contains(b))
    {
        return None;
    }
    let mut words = line.get(12..)?.splitn(3, ' ');
    let length = words.next()?.parse().ok()?;
    let modified = jiff::civil::DateTime::strptime("%Y/%m/%d-%H:%M:%S", words.next()?).ok();
    let name = words.next()?.to_owned();
    let what = if bytes[2] == b'+' {
        What::Created
    } else if bytes[2] == b'c'
        || bytes[3] == b's'
        || (bytes[1] == b'f' && bytes[0] != b'.' && bytes[4] == b't')
    {
        What::Changed
    } else {
        What::Attributes
    };
    Some(Item {
        what,
        folder: bytes[1] == b'd',
        length,
        modified: modified.and_then(|time| jiff::tz::TimeZone::UTC.to_timestamp(time).ok()),
        name,
    })
}

/// `  1,234,567  12%  3.91kB/s  0:00:00 (xfr#1, to-chk=7/12)`
fn progress(line: &str) -> Line {
    let mut words = line.split_whitespace();
    let (Some(bytes), Some(percent)) = (words.next(), words.next()) else {
        return Line::Other;
    };
    match digits(bytes) {
        Some(bytes) if percent.ends_with('%') => Line::Progress { bytes },
        _ => Line::Other,
    }
}

fn digits(text: &str) -> Option<u64> {
    if text.bytes().all(|b| b.is_ascii_digit() || b == b',') {
        text.replace(',', "").parse().ok()
    } else {
        None
    }
}

/// Counts items as they come, and takes the totals from the statistics at the end.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    pub changes: Changes,
    /// The first names of what is new or changed, and of what would vanish.
    pub first: Vec<Item>,
}

/// How many names are kept to be shown.
const SHOWN: usize = 12;

impl Tally {
    /// Takes one line in. Entries that are folders are not counted: people count files.
    pub fn take(&mut self, line: &Line, raw: &str, since: Option<Timestamp>) {
        match line {
            Line::Item(item) => self.item(item, since),
            Line::Progress { .. } => {}
            Line::Other => self.statistic(raw),
        }
    }

    fn item(&mut self, item: &Item, since: Option<Timestamp>) {
        if item.folder {
            return;
        }
        match item.what {
            What::Deleted => self.changes.vanished += 1,
            What::Created => {
                let is_old =
                    since.is_some_and(|since| item.modified.is_some_and(|time| time < since));
                if is_old {
                    return;
                }
                if since.is_some() {
                    self.changes.changed += 1;
                } else {
                    self.changes.created += 1;
                }
            }
            What::Changed | What::Attributes => self.changes.changed += 1,
        }
        if self.first.len() < SHOWN {
            self.first.push(item.clone());
        }
    }

    fn statistic(&mut self, raw: &str) {
        let Some((key, value)) = raw.split_once(": ") else {
            return;
        };
        match key {
            "Number of files" => self.changes.files = files_that_are_not_folders(value),
            "Total file size" => self.changes.bytes = first_number(value),
            "Total transferred file size" => self.changes.new_bytes = first_number(value),
            _ => {}
        }
    }
}

/// `12 (reg: 5, dir: 5, link: 1, special: 1)`
fn files_that_are_not_folders(value: &str) -> u64 {
    let folders = value.split_once("dir: ").map_or(0, |(_, rest)| {
        first_number(
            rest.split([',', ')'])
                .next()
                .filter(|text| !text.is_empty())
                .map_or("0", |_| rest),
        )
    });
    first_number(value).saturating_sub(folders)
}

/// The leading number, with thousands marks: `5,278,555 bytes`.
fn first_number(text: &str) -> u64 {
    let end = text
        .find(|c: char| !c.is_ascii_digit() && c != ',')
        .unwrap_or(text.len());
    digits(text[..end].trim_end_matches(',')).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tally(text: &str, since: Option<Timestamp>) -> Tally {
        let mut tally = Tally::default();
        for line in text.lines() {
            tally.take(&read_line(line), line, since);
        }
        tally
    }

    /// Printed by rsync 3.5.0 comparing two small trees.
    const PRINTED: &str = "\
*deleting   0 1970/01/01-00:00:00 srv/a/l
.d..t...... 4096 2026/11/25-09:48:13 /srv/a/
>f.st...... 6 2026/11/25-09:48:13 /srv/a/f1
>f+++++++++ 4 2026/11/25-09:48:13 /srv/a/n\\#012w
.f...p..... 35664 2026/11/25-09:48:13 /srv/a/t

Number of files: 1,012 (reg: 1,006, dir: 5, special: 1)
Number of created files: 1 (reg: 1)
Total file size: 5,278,563 bytes
Total transferred file size: 10 bytes
";

    #[test]
    fn changes_are_counted_without_folders() {
        let tally = tally(PRINTED, None);
        let expected = Changes {
            files: 1007,
            bytes: 5_278_563,
            created: 1,
            changed: 2,
            vanished: 1,
            new_bytes: 10,
        };
        assert_eq!(tally.changes, expected);
        assert_eq!(tally.first[2].name, r"/srv/a/n\#012w");
    }

    #[test]
    fn in_a_listing_only_files_modified_since_count_as_changed() {
        let text = ">f+++++++++ 4 2026/11/24-09:00:00 /srv/old\n>f+++++++++ 4 2026/11/25-09:00:00 /srv/new\n";
        let tally = tally(text, Some("2026-11-25T02:30:00Z".parse().unwrap()));
        assert_eq!((tally.changes.changed, tally.changes.created), (1, 0));
    }

    #[test]
    fn progress_gives_the_bytes_so_far() {
        let line = "      1,234,567  12%    3.91kB/s    0:00:00 (xfr#1, to-chk=7/12)";
        assert_eq!(read_line(line), Line::Progress { bytes: 1_234_567 });
    }

    #[test]
    fn a_file_name_that_looks_like_a_statistic_is_still_an_item() {
        let line = ">f+++++++++ 4 2026/11/25-09:48:13 /srv/Number of files: 9";
        assert!(matches!(read_line(line), Line::Item(_)));
    }
}
