//! Takes an export apart, so that what it holds can be loaded, rehearsed or compared.

use jiff::Timestamp;

use super::Opening;
use crate::plan::{Act, Part, Pipeline, Plan, Reading, Stdout, Step};

/// The plan whose one step takes the export apart.
pub fn open_export(opening: &Opening, now: Timestamp) -> Plan {
    let mut plan = plan_of(opening, now, Vec::new());
    match opening.stages() {
        Ok((stdin, stages)) => {
            let pipeline = Pipeline {
                stages,
                stdin,
                stdout: Stdout::Members,
                reading: Reading::Plain,
                retries: Vec::new(),
            };
            let words = "open the export, and hold its members against its list";
            plan.steps
                .push(Step::new(Part::Measure, words, Act::Tool(pipeline)));
        }
        Err(stop) => plan.stops.push(stop),
    }
    plan
}

/// A plan with these steps, of the generation that is opened.
pub fn plan_of(opening: &Opening, now: Timestamp, steps: Vec<Step>) -> Plan {
    Plan {
        job: opening.job.name.clone(),
        kind: opening.job.kind.name(),
        at: now,
        landing: opening.landing.clone(),
        generation: opening.generation.name,
        form: opening.generation.form,
        against: None,
        notes: Vec::new(),
        stops: Vec::new(),
        steps,
        timeout: None,
    }
}
