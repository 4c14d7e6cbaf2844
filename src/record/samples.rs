//! Runs and generations of the pottery studio, for the tests of this room.

use jiff::Timestamp;

use super::{Form, Generation, GenerationName, Outcome, RunRecord, State, Task, Trigger};
use crate::jobs::{KindName, Name};

pub fn at(text: &str) -> Timestamp {
    text.parse().expect("an RFC 3339 time")
}

pub fn name(text: &str) -> Name {
    Name::parse(text).expect("a name")
}

pub fn night(text: &str) -> GenerationName {
    GenerationName::parse(text).expect("a generation's name")
}

pub fn generation(text: &str) -> Generation {
    let generation = night(text);
    Generation {
        name: generation,
        server: name("kiln"),
        job: name("studio-files"),
        kind: KindName::History,
        form: Form::Tree,
        state: State::Whole,
        ended: generation.instant() + jiff::SignedDuration::from_secs(95),
        sources: vec!["/srv/studio".into()],
        files: 4210,
        bytes: 18_000_000_000,
        new_bytes: 32_000_000,
        run: format!("{text}-studio-files"),
    }
}

/// A run that goes on since `started`.
pub fn run(id: &str, job: &str, started: Timestamp) -> RunRecord {
    RunRecord {
        id: id.to_owned(),
        server: name("kiln"),
        job: name(job),
        kind: KindName::History,
        task: Task::Copy,
        about: "Glaze recipes, orders and photographs".to_owned(),
        trigger: Trigger::Schedule { planned: started },
        started,
        ended: None,
        outcome: None,
        reason: String::new(),
        advice: Vec::new(),
        notes: Vec::new(),
        drive: name("shelf"),
        landing: "/mnt/shelf/hayloft/kiln/studio-files".to_owned(),
        generation: None,
        form: None,
        changes: None,
        exported: Vec::new(),
        steps: Vec::new(),
        decisions: Vec::new(),
        space: None,
        proofs: Vec::new(),
        log_tail: Vec::new(),
        log_file: format!("/var/lib/hayloft/logs/{job}/{id}.log"),
        next: None,
    }
}

pub fn ended(mut run: RunRecord, outcome: Outcome) -> RunRecord {
    run.ended = Some(run.started + jiff::SignedDuration::from_mins(3));
    run.outcome = Some(outcome);
    run
}
