//! The kinds that export a service: its members are gathered, and written as one archive.

use super::packing::{Packing, how_closed};
use super::{Frame, packing};
use crate::plan::{Need, Plan, Stdin, Step, Told};

/// What a service is exported by.
pub struct Export {
    pub told: Told,
    /// The steps that export its members.
    pub members: Vec<Step>,
}

pub fn steps(frame: Frame, export: Export, plan: &Plan) -> Vec<Step> {
    let encrypt = frame.job.kind.encrypt();
    let mut steps = vec![frame.make_folder()];
    steps.extend(frame.remove_leftovers(&frame.facts.leftovers));
    steps.extend(export.members);
    steps.push(frame.check(Need::Archive));
    steps.extend(packing::steps(
        frame,
        plan,
        &Packing {
            words: format!(
                "write the export as a compressed tar archive{}",
                how_closed(encrypt)
            ),
            encrypt,
            stdin: Stdin::Members(export.told),
            tar: None,
            above: Vec::new(),
        },
    ));
    steps
}
