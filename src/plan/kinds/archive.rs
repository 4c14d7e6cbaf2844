//! `kind = "archive"`: dated tar files, compressed, and closed with age where `encrypt` is given.

use std::path::Path;

use super::packing::{Packing, how_closed};
use super::{Copying, packing};
use crate::jobs::Encrypt;
use crate::plan::{Need, Plan, Reading, Stdin, Step};
use crate::tools::{rsync, tar};

/// rsync's listing wants a target; it is a dry run, so this one is never made.
const NOWHERE: &str = "/nonexistent/";

pub fn steps(copying: Copying, encrypt: Option<&Encrypt>, plan: &Plan) -> Vec<Step> {
    let source_line = copying.source_line();
    let since = plan
        .against
        .as_ref()
        .map(|generation| generation.name.instant());
    let list = rsync::list_source(copying.what(source_line.as_ref()), Path::new(NOWHERE));
    let mut steps = vec![copying.make_folder()];
    // of no use to a new archive, and in its way on a drive that is nearly full
    steps.extend(copying.remove_leftovers(&copying.facts.leftovers));
    steps.extend([
        copying.measure("list the source", list, Reading::RsyncListing { since }),
        copying.check(Need::Archive),
    ]);
    let create = tar::create(
        copying.source.paths(),
        &copying.job.exclude,
        &copying.facts.hidden,
    );
    let create = match source_line {
        None => create,
        Some(line) => line.command(&create),
    };
    steps.extend(packing::steps(
        copying.frame,
        plan,
        &Packing {
            words: format!(
                "write the source as a compressed tar archive{} (sockets stay out: tar holds none)",
                how_closed(encrypt)
            ),
            encrypt,
            stdin: Stdin::Nothing,
            tar: Some(create),
            above: tar::folders_above(copying.source.paths()),
            beside: None,
        },
    ));
    steps
}
