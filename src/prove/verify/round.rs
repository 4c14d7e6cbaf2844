//! Re-reading a drive a part at a time: how much is left, how big the next part must be, and how old the last
//! reading of each byte is. Pure.

use jiff::{SignedDuration, Timestamp, tz::TimeZone};

use crate::jobs::{Name, Reread};
use crate::record::{Form, Generation, GenerationName, Mark, Place, Round, State};

/// What is known of the copies of one job on the drive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JobCopies {
    pub job: Name,
    /// Oldest first; retired ones too, since what was new in them may live on in later ones.
    pub known: Vec<Generation>,
}

/// How the re-reading of a drive stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing {
    /// The round that goes on, or was finished last, was begun then.
    pub started: Timestamp,
    /// It is to be through by then.
    pub due: Timestamp,
    pub finished: Option<Timestamp>,
    /// How much of the round is done, from 0 to 1.
    pub done: f64,
    /// How much of what lies on the drive now was never read again, from 0 to 1.
    pub never: f64,
    /// All the rest was read at this time or later; absent when nothing was.
    pub since: Option<Timestamp>,
}

impl Standing {
    pub fn is_late(&self, now: Timestamp) -> bool {
        self.finished.is_none() && now > self.due
    }
}

/// The copies that belong to a round, oldest first.
pub fn in_round(copies: &JobCopies, round: &Round) -> Vec<Generation> {
    let whole = copies.known.iter().filter(|one| one.state == State::Whole);
    let mut copies: Vec<Generation> = whole
        .filter(|one| one.place_name().instant() <= round.started)
        .cloned()
        .collect();
    copies.sort_by_key(Generation::place_name);
    copies
}

/// Whether an earlier part was through with a copy, given by [`Generation::place_name`].
pub fn is_done_with(place: Option<&Place>, job: &Name, copy: GenerationName) -> bool {
    let Some(place) = place else { return false };
    let own = (job, copy);
    let other = (&place.job, place.generation);
    own < other || own == other && place.path.is_none()
}

/// When a round must be through.
pub fn due(reread: &Reread, round: &Round) -> Timestamp {
    let within = i64::try_from(reread.within.seconds()).unwrap_or(i64::MAX);
    round
        .started
        .checked_add(SignedDuration::from_secs(within))
        .unwrap_or(Timestamp::MAX)
}

/// How many bytes the next part may have; `None` when it must be all that is left.
pub fn next_budget(
    reread: &Reread,
    zone: &TimeZone,
    round: &Round,
    left: u64,
    now: Timestamp,
) -> Option<u64> {
    let due = due(reread, round);
    let mut parts = 0_u64;
    let mut after = now;
    // the times that follow, up to the one at which the next round begins
    while let Some(next) = reread.schedule.next_after(zone, after) {
        if next > due || parts > left {
            break;
        }
        parts += 1;
        after = next;
    }
    (parts > 1).then(|| left.div_ceil(parts).max(1))
}

/// Bytes that are still to be read in a round, as far as the catalogue tells.
pub fn left_bytes(jobs: &[JobCopies], round: &Round) -> u64 {
    let left = jobs.iter().map(|job| {
        let copies = sizes(job).into_iter();
        copies
            .filter(|(copy, _)| copy.instant() <= round.started)
            .filter(|(copy, _)| !is_done_with(round.place.as_ref(), &job.job, *copy))
            .map(|(_, bytes)| bytes)
            .sum::<u64>()
    });
    left.sum::<u64>().saturating_sub(round.in_copy)
}

/// Each whole copy and the bytes that no older copy shares with it, as far as the catalogue tells: at most what was new in it
/// and in those retired since the one before it.
fn sizes(job: &JobCopies) -> Vec<(GenerationName, u64)> {
    let mut sizes = Vec::new();
    let (mut new, mut has_older) = (0_u64, false);
    for copy in &job.known {
        new += copy.new_bytes;
        if copy.state != State::Whole {
            continue;
        }
        let own = match copy.form {
            Form::Tree if has_older => new.min(copy.bytes),
            Form::Tree | Form::Current => copy.bytes,
            Form::Tar | Form::SealedTar => copy.new_bytes,
        };
        sizes.push((copy.place_name(), own));
        new = 0;
        has_older = copy.form == Form::Tree;
    }
    sizes
}

/// How re-reading stands; `rounds` is newest first. `None` before the first round.
pub fn standing(reread: &Reread, rounds: &[Round], jobs: &[JobCopies]) -> Option<Standing> {
    let round = rounds.first()?;
    let before = rounds.get(1);
    let left = match round.finished {
        Some(_) => 0,
        None => left_bytes(jobs, round),
    };
    let total: u64 = all_sizes(jobs).map(|(_, _, bytes)| bytes).sum();
    // what the round will not come to, and what it has not come to and the one before did not know
    let is_done = |job: &Name, copy: GenerationName| {
        copy.instant() <= round.started
            && (round.finished.is_some() || is_done_with(round.place.as_ref(), job, copy))
    };
    let was_done = |copy: GenerationName| {
        before.is_some_and(|before| before.finished.is_some() && copy.instant() <= before.started)
    };
    let unread: u64 = all_sizes(jobs)
        .filter(|(job, copy, _)| !is_done(job, *copy) && !was_done(*copy))
        .map(|(_, _, bytes)| bytes)
        .sum();
    let in_unread = if before.is_none() { round.in_copy } else { 0 };
    let since = match (round.finished, before) {
        (Some(_), _) => Some(round.started),
        (None, Some(before)) if before.finished.is_some() => Some(last_read(round, before)),
        (None, _) => (round.files > 0).then_some(round.started),
    };
    Some(Standing {
        started: round.started,
        due: due(reread, round),
        finished: round.finished,
        done: 1.0 - share(left, left + round.bytes),
        never: share(unread.saturating_sub(in_unread), total),
        since,
    })
}

/// When that was read which the round before has read and this one has not come to yet: the oldest of it comes first.
fn last_read(round: &Round, before: &Round) -> Timestamp {
    let Some(place) = &round.place else {
        return before.started;
    };
    let is_behind = |mark: &&Mark| {
        let (mark, own) = ((&mark.job, mark.generation), (&place.job, place.generation));
        mark > own || mark == own && place.path.is_some()
    };
    let covering = before.marks.iter().find(is_behind).map(|mark| mark.at);
    covering.unwrap_or(round.started)
}

fn all_sizes(jobs: &[JobCopies]) -> impl Iterator<Item = (&Name, GenerationName, u64)> {
    jobs.iter().flat_map(|job| {
        sizes(job)
            .into_iter()
            .map(|(copy, bytes)| (&job.job, copy, bytes))
    })
}

#[expect(
    clippy::cast_precision_loss,
    reason = "a share is shown in whole percent"
)]
fn share(part: u64, whole: u64) -> f64 {
    if whole == 0 {
        0.0
    } else {
        part as f64 / whole as f64
    }
}

#[cfg(test)]
#[path = "round_tests.rs"]
mod tests;
