//! Puts what came of a run into its record, in words.

use super::executor::Executed;
use crate::plan::{Plan, Stop};
use crate::record::{Changes, Outcome, RunRecord};
use crate::report::{count, counted};

pub fn tell(record: &mut RunRecord, stop: Stop) {
    record.outcome = Some(stop.outcome);
    record.reason = stop.reason;
    record.advice = stop.advice;
}

/// Takes over what the executor did.
pub fn take_over(record: &mut RunRecord, plan: &Plan, done: Executed) {
    record.changes = done.changes;
    record.steps = done.steps;
    record.notes.extend(done.notes);
    if let Some(stop) = done.stop {
        return tell(record, stop);
    }
    record.generation = Some(plan.generation);
    record.form = Some(plan.form);
    record.outcome = Some(if record.notes.is_empty() {
        Outcome::Well
    } else {
        Outcome::WellWithNotes
    });
    record.reason = record
        .changes
        .as_ref()
        .map_or_else(String::new, |changes| changes_in_words(changes, plan));
}

/// How much was moved stands in the verdict already.
fn changes_in_words(changes: &Changes, plan: &Plan) -> String {
    let Changes {
        files,
        created,
        changed,
        vanished,
        ..
    } = *changes;
    let named = |amount| counted(amount, "file", "files");
    match &plan.against {
        None => format!("The first copy: {}.", named(files)),
        Some(_) if created + changed + vanished == 0 => {
            format!("Nothing changed in {}.", named(files))
        }
        Some(_) => format!(
            "{} new, {} changed, {} gone.",
            named(created),
            count(changed),
            count(vanished)
        ),
    }
}
