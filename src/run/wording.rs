//! Puts what came of a run into its record, in words.

use super::executor::Executed;
use crate::plan::{Plan, Stop};
use crate::record::{Changes, Count, Exported, Outcome, RunRecord};
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
    record.exported = done.exported;
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
    record.reason = match &record.changes {
        _ if plan.kind.is_export() => export_in_words(&record.exported),
        Some(changes) => changes_in_words(changes, plan),
        None => String::new(),
    };
}

/// `2,143 entries exported.`
fn export_in_words(exported: &[Exported]) -> String {
    let words = counts_in_words(exported);
    if words.is_empty() {
        words
    } else {
        format!("{words} exported.")
    }
}

/// `2,143 entries`
pub fn counts_in_words<'m>(members: impl IntoIterator<Item = &'m Exported>) -> String {
    let counts = members.into_iter().filter_map(|member| member.count);
    let mut sums: Vec<Count> = Vec::new();
    for count in counts {
        match sums.iter_mut().find(|sum| sum.of == count.of) {
            Some(sum) => sum.amount += count.amount,
            None => sums.push(count),
        }
    }
    let words = sums.iter().map(|sum| {
        let (one, many) = sum.of.words();
        counted(sum.amount, one, many)
    });
    let words: Vec<String> = words.collect();
    words.join(", ")
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
