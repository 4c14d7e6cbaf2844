//! Whether what was measured is allowed: the change guard, and room on the drive.

use super::{Check, Need, Space, Stop};
use crate::record::{Changes, Generation, Outcome};

/// `None` when the copy may begin.
pub fn check_changes(
    check: &Check,
    changes: &Changes,
    against: Option<&Generation>,
    space: Option<Space>,
) -> Option<Stop> {
    guard(check, changes, against).or_else(|| room(check, changes, against, space?))
}

/// The guard compares with the last good copy: the part of its files that would change or vanish,
/// and the part of its bytes that would be gone.
fn guard(check: &Check, changes: &Changes, against: Option<&Generation>) -> Option<Stop> {
    let (percent, newest) = (check.guard?, against?);
    let before = &counted(newest, changes);
    let part = |some: u64, all: u64| {
        if all == 0 {
            0
        } else {
            let hundredfold = u128::from(some) * 100;
            u64::try_from(hundredfold.div_ceil(u128::from(all))).unwrap_or(u64::MAX)
        }
    };
    // An archive's listing cannot tell what vanished, only that fewer files are there.
    let vanished = changes
        .vanished
        .max(before.files.saturating_sub(changes.files));
    let touched = changes.changed + vanished;
    let files = part(touched, before.files);
    let bytes = part(before.bytes.saturating_sub(changes.bytes), before.bytes);
    let limit = u64::from(percent.0);
    if files <= limit && bytes <= limit {
        return None;
    }
    let reason = format!(
        "{} of {} files would change and {vanished} vanish ({files} %), and the source is {bytes} % smaller, compared with {}; change_guard allows {limit} %",
        changes.changed, before.files, before.name
    );
    Some(
        Stop::new(Outcome::Guarded, reason)
            .advise(format!("nothing was copied; {} is untouched", before.name))
            .advise(format!("look at the source: was it emptied, encrypted or moved? `hayloft run {} --dry-run` lists the first names", before.job))
            .advise(format!("if the change is meant: `hayloft run {} --accept-changes`, once", before.job)),
    )
}

/// A generation that was taken in from the drive alone has no counts. What a comparison of trees found
/// tells how many files it holds.
fn counted(newest: &Generation, changes: &Changes) -> Generation {
    let mut counted = newest.clone();
    if newest.files == 0 {
        counted.files = changes.files.saturating_sub(changes.created) + changes.vanished;
    }
    counted
}

fn room(
    check: &Check,
    changes: &Changes,
    against: Option<&Generation>,
    space: Space,
) -> Option<Stop> {
    let need = match check.need {
        Need::NewBytes => changes.new_bytes,
        Need::Archive => archive_size(changes, against),
    };
    let usable = space.free.saturating_sub(check.reserve);
    if need <= usable {
        return None;
    }
    let size = |bytes: u64| crate::jobs::Size(bytes).to_string();
    let reason = format!(
        "the copy needs {}, but the drive has {} free, of which {} are reserved",
        size(need),
        size(space.free),
        size(check.reserve)
    );
    Some(
        Stop::new(Outcome::DriveFull, reason)
            .advise("nothing was copied; what is on the drive is untouched")
            .advise("make room: shorten `[[keep]]` or set a `cap`, lower `reserve`, or use a larger drive"),
    )
}

/// What tar writes about one file beside its content: a header, an extended one, and padding to blocks of
/// 512 bytes (POSIX.1-2017, pax, "ustar Interchange Format").
const ABOUT_A_FILE: u64 = 2048;

/// The last archive tells how well this source shrinks, with a tenth added for safety. It never takes more
/// than the source itself: the last one may have been of next to nothing.
fn archive_size(changes: &Changes, against: Option<&Generation>) -> u64 {
    let bytes = changes.bytes;
    let most = bytes.saturating_add(changes.files.saturating_mul(ABOUT_A_FILE));
    let scaled = |before: &Generation| {
        let size = u128::from(bytes) * u128::from(before.new_bytes) * 11
            / 10
            / u128::from(before.bytes.max(1));
        u64::try_from(size).unwrap_or(u64::MAX).min(most)
    };
    against
        .filter(|before| before.bytes > 0)
        .map_or(bytes, scaled)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::jobs::{KindName, Name, Percent};
    use crate::record::{Form, GenerationName, State};

    fn newest(files: u64, bytes: u64, new_bytes: u64) -> Generation {
        let name = GenerationName::parse("20261125T023000Z").expect("a name");
        Generation {
            name,
            server: Name::parse("kiln").expect("a name"),
            job: Name::parse("studio-files").expect("a name"),
            kind: KindName::Mirror,
            form: Form::Current,
            state: State::Whole,
            ended: name.instant(),
            sources: Vec::new(),
            files,
            bytes,
            new_bytes,
            run: String::new(),
        }
    }

    fn check(need: Need) -> Check {
        Check {
            guard: Some(Percent(30)),
            need,
            reserve: 0,
            give_up: Vec::new(),
        }
    }

    #[test]
    fn a_copy_without_counts_is_guarded_by_what_the_comparison_found() {
        let emptied = Changes {
            files: 1,
            vanished: 19,
            ..Changes::default()
        };
        let stop = check_changes(
            &check(Need::NewBytes),
            &emptied,
            Some(&newest(0, 0, 0)),
            None,
        );
        assert_eq!(stop.map(|stop| stop.outcome), Some(Outcome::Guarded));
        let grown = Changes {
            files: 40,
            created: 20,
            ..Changes::default()
        };
        let stop = check_changes(&check(Need::NewBytes), &grown, Some(&newest(0, 0, 0)), None);
        assert_eq!(stop, None);
    }

    #[test]
    fn a_fraction_of_a_percent_over_the_guard_is_over_it() {
        let changes = |changed| Changes {
            files: 1000,
            changed,
            ..Changes::default()
        };
        let stop = |changed| {
            let before = newest(1000, 0, 0);
            check_changes(
                &check(Need::NewBytes),
                &changes(changed),
                Some(&before),
                None,
            )
        };
        assert_eq!(stop(300), None);
        assert!(stop(301).is_some());
    }

    #[test]
    fn an_archive_of_next_to_nothing_does_not_foretell_a_huge_one() {
        let before = newest(1, 9, 220);
        let changes = Changes {
            files: 2,
            bytes: 10_000_000,
            created: 1,
            ..Changes::default()
        };
        let space = Some(Space {
            total: 100_000_000,
            free: 20_000_000,
        });
        let stop = check_changes(&check(Need::Archive), &changes, Some(&before), space);
        assert_eq!(stop, None);
    }
}
