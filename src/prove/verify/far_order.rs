//! What is asked of a copy on another host: which names, what lies before it, and whether it is still the same copy.

use std::path::Path;

use super::check::Order;
use super::chosen::{Chosen, Slice};
use super::far::FarReading;
use super::sample::Sample;
use crate::plan::Stop;
use crate::prove::manifest::{Time, read};
use crate::record::{Form, Generation};
use crate::system::far_session::FarSession;
use crate::system::remote_drive::ask_remote;
use crate::tools::find;

/// The inodes of the copy and its manifest; `None` when one is not there.
pub fn identity_of(generation: &Generation, reading: &FarReading) -> Result<Option<Vec<u8>>, Stop> {
    let entry = reading.folder.join(generation.form.entry(generation.name));
    let manifest = reading
        .folder
        .join(generation.form.manifest(generation.name));
    let answer = match generation.form {
        Form::Tree | Form::Current => {
            ask_remote(reading.line, &find::inodes_of(&[&entry, &manifest]))?
        }
        // an archive that is missing, or another, is a finding
        Form::Tar | Form::SealedTar => ask_remote(reading.line, &find::inodes_of(&[&manifest]))?,
    };
    Ok(answer.is_well().then_some(answer.stdout))
}

pub fn choose(
    generation: &Generation,
    order: &Order,
    reading: &FarReading,
    manifest: &Path,
) -> Result<Chosen, Stop> {
    Ok(match order {
        Order::Everything => Chosen::Everything,
        Order::Sample { files, seed } => {
            let at = Time {
                seconds: generation.name.instant().as_second(),
                nanos: 0,
            };
            let mut sample = Sample::new(&format!("{seed} {}", generation.name), at);
            let mut printed = FarSession::print(reading.line, manifest)?;
            for entry in read(printed.output()).flatten() {
                sample.count(&entry);
            }
            printed.end()?;
            sample.share_out(*files);
            Chosen::Sample(sample)
        }
        Order::Slice { after, budget, .. } => {
            Chosen::Slice(Slice::new(after.clone(), *budget, None))
        }
    })
}

/// The way from the root of a copy to that of the copy before.
pub fn before_of(order: &Order) -> Option<Vec<u8>> {
    match order {
        Order::Slice {
            before: Some(before),
            ..
        } if before.form == Form::Tree => Some(format!("./../{}/", before.name).into_bytes()),
        _ => None,
    }
}
