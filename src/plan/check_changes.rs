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
    let (percent, before) = (check.guard?, against?);
    let part = |some: u64, all: u64| {
        if all == 0 {
            0
        } else {
            u64::try_from(u128::from(some) * 100 / u128::from(all)).unwrap_or(u64::MAX)
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

fn room(
    check: &Check,
    changes: &Changes,
    against: Option<&Generation>,
    space: Space,
) -> Option<Stop> {
    let need = match check.need {
        Need::NewBytes => changes.new_bytes,
        Need::Archive => archive_size(changes.bytes, against),
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

/// The last archive tells how well this source shrinks, with a tenth added for safety.
fn archive_size(bytes: u64, against: Option<&Generation>) -> u64 {
    let scaled = |before: &Generation| {
        let size = u128::from(bytes) * u128::from(before.new_bytes) * 11
            / 10
            / u128::from(before.bytes.max(1));
        u64::try_from(size).unwrap_or(u64::MAX)
    };
    against
        .filter(|before| before.bytes > 0)
        .map_or(bytes, scaled)
}
