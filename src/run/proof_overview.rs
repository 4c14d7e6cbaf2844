//! What the record tells of looks at copies, for the status.

use jiff::{Timestamp, tz::TimeZone};

use super::copies_of;
use crate::jobs::{Config, Drive, Job};
use crate::prove::verify::standing;
use crate::record::{
    Form, Found, Generation, GenerationName, Proof, ProofKind, State, Store, What,
};
use crate::report::{
    DriveStatus, JobStatus, OpenFindings, RereadStatus, RoundStatus, Verified, date, found_words,
};

/// The last look at copies of a job, and what is still open of all looks.
pub fn verified(store: &Store, job: &Job, generations: &[Generation]) -> Option<Verified> {
    let proofs = store.proofs(&job.drive, &job.name).unwrap_or_default();
    let last = proofs.first()?;
    let kept = || generations.iter().filter(|one| one.state != State::Retired);
    let trees = kept().filter(|one| one.form == Form::Tree);
    let oldest = trees.map(|one| one.name).min();
    let open = kept()
        .map(|one| {
            let is_of = |proof: &Proof| one.form == Form::Current || proof.generation == one.name;
            let mut found = open_of(&proofs, is_of);
            if oldest == Some(one.name) {
                take_over(&mut found, &left_by_retired(&proofs, one.name));
            }
            OpenFindings {
                generation: one.name,
                found,
            }
        })
        .filter(|one| one.found.all() > 0);
    Some(Verified {
        at: last.at,
        kind: last.kind,
        open: open.collect(),
    })
}

/// A file that several copies share is read in the oldest of them. When that is retired, the file may live on in the next.
fn left_by_retired(proofs: &[Proof], oldest: GenerationName) -> Found {
    let is_whole_look = |proof: &&Proof| {
        proof.generation == oldest && proof.kind == ProofKind::Verify && !proof.cut_short
    };
    let seen_since = proofs.iter().find(is_whole_look).map(|proof| proof.at);
    let of_retired =
        |proof: &Proof| proof.generation < oldest && seen_since.is_none_or(|seen| proof.at > seen);
    let found = open_of(proofs, of_retired);
    let mut shared = Found::default();
    for what in [What::Damaged, What::Unreadable] {
        shared.add(what, found.of(what));
    }
    shared
}

/// Each look at everything finds all; parts find other things each.
fn take_over(open: &mut Found, found: &Found) {
    for what in What::ALL {
        let more = found.of(what).saturating_sub(open.of(what));
        open.add(what, more);
    }
}

/// What looks found since the copy was last seen whole; `proofs` is newest first.
fn open_of(proofs: &[Proof], is_of: impl Fn(&Proof) -> bool) -> Found {
    let mut open = Found::default();
    for proof in proofs.iter().filter(|one| is_of(one)) {
        if proof.is_open() {
            take_over(&mut open, &still_open(proof));
        }
        if proof.kind == ProofKind::Verify && !proof.cut_short {
            break;
        }
    }
    open
}

fn still_open(proof: &Proof) -> Found {
    let mut found = Found::default();
    for what in What::ALL {
        let mended = proof
            .findings
            .iter()
            .filter(|one| one.mended && one.what == what);
        let mended = u64::try_from(mended.count()).unwrap_or(u64::MAX);
        found.add(what, proof.found.of(what).saturating_sub(mended));
    }
    found
}

/// What needs a person.
pub fn open_words(job: &JobStatus) -> Vec<String> {
    let open = job.verified.iter().flat_map(|verified| &verified.open);
    open.map(|open| {
        format!(
            "{}: damage found in {}: {}; `hayloft verify {} {}` tells more",
            job.name,
            open.generation,
            found_words(open.found),
            job.name,
            open.generation
        )
    })
    .collect()
}

/// How far re-reading a drive has come.
pub fn reread_status(
    config: &Config,
    store: &Store,
    drive: &Drive,
    now: Timestamp,
) -> Option<RereadStatus> {
    let reread = drive.reread.as_ref()?;
    let server = &config.server;
    let rounds = store.rounds(&drive.name).unwrap_or_default();
    let jobs = config.jobs.values().filter(|job| job.drive == drive.name);
    let jobs = jobs.map(|job| job.name.clone());
    let copies = copies_of(store, &drive.name, &server.name, jobs);
    let round = standing(reread, &rounds, &copies);
    let (files, bytes) = rounds.first().map_or((0, 0), |one| (one.files, one.bytes));
    Some(RereadStatus {
        within: reread.within.to_string(),
        round: round.map(|standing| RoundStatus {
            started: standing.started,
            due: standing.due,
            finished: standing.finished,
            is_late: standing.is_late(now),
            files,
            bytes,
            done: standing.done,
            never: standing.never,
            since: standing.since,
        }),
        next: reread.schedule.next_after(&server.time_zone, now),
    })
}

/// A round that should be through and is not.
pub fn late_words(drive: &DriveStatus, zone: &TimeZone) -> Option<String> {
    let round = drive.reread.as_ref()?.round.filter(|round| round.is_late)?;
    Some(format!(
        "drive `{}`: re-reading is late, it was to be through by {}; `hayloft verify --slice {}` goes on with it",
        drive.name,
        date(round.due, zone),
        drive.name
    ))
}
