//! The kinds that export a service: its members are gathered, and written as one archive.

use super::packing::{Packing, how_closed};
use super::{Frame, packing};
use crate::plan::{Act, Argv, Need, Part, Pipeline, Plan, Reading, Stdin, Stdout, Step, Told};
use crate::tools::files;

/// What a service is exported by.
pub struct Export {
    pub told: Told,
    /// The steps that export its members.
    pub members: Vec<Step>,
    /// A text that lies beside the archive, in the clear.
    pub beside: Option<Beside>,
}

/// A text that a program makes of the members.
pub struct Beside {
    pub words: String,
    pub name: String,
    pub argv: Argv,
}

pub fn steps(frame: Frame, export: Export, plan: &Plan) -> Vec<Step> {
    let encrypt = frame.job.kind.encrypt();
    let mut steps = vec![frame.make_folder()];
    steps.extend(frame.remove_leftovers(&frame.facts.leftovers));
    steps.extend(export.members);
    steps.push(Step {
        words: "check the room on the drive".to_owned(),
        ..frame.check(Need::Archive)
    });
    let beside = export.beside.as_ref();
    steps.extend(beside.map(|beside| write_beside(frame, beside, &export.told)));
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
            beside: export.beside.map(|beside| beside.name),
        },
    ));
    steps
}

fn write_beside(frame: Frame, beside: &Beside, told: &Told) -> Step {
    let partial = format!("{}.partial", beside.name);
    let landing = &frame.facts.landing;
    let mut stages = vec![beside.argv.clone()];
    let stdout = match landing.ssh() {
        None => Stdout::NewFile(partial.into()),
        Some(line) => {
            let there = landing.path().join(partial);
            stages.push(line.command(&files::write_from_stdin(&there)));
            Stdout::Read
        }
    };
    let pipeline = Pipeline {
        stages,
        stdin: Stdin::Members(told.clone()),
        stdout,
        reading: Reading::Plain,
        retries: Vec::new(),
    };
    Step::new(Part::Copy, beside.words.clone(), Act::Tool(pipeline))
}
