//! READ-ME-FIRST.txt, its last step: what was brought back is put in its place.

use std::path::Path;

use super::read_me_first::{command, say, type_in, words};
use super::{read_me_database, read_me_directory};
use crate::jobs::{Job, Kind, Source};
use crate::plan::quote;

pub fn put_in_place(text: &mut String, jobs: &[&Job]) {
    say(text, "4. Put it in its place");
    say(
        text,
        "Look at what is below /restore first: a folder for each job, and in it the paths as they were, from \
        the root.",
    );
    say(
        text,
        "CAUTION: the next commands write over the files of the computer you type them on. Only on the \
        computer that is to be the server again, and only when you are sure, type them without the word \
        echo, for those jobs that you want:",
    );
    let on_server = |job: &&&Job| matches!(job.source, Some(Source::Local(_)));
    let lines: Vec<String> = jobs
        .iter()
        .filter(on_server)
        .map(|job| put_back(job))
        .collect();
    type_in(text, &lines);
    for job in jobs {
        if let Some(Source::Ssh { host, .. }) = &job.source {
            say(
                text,
                &format!(
                    "What is below /restore/{} belongs to another computer, {host}:",
                    job.name
                ),
            );
            type_in(text, &[put_back(job)]);
        }
        if let Kind::Directory(directory) = &job.kind {
            say(
                text,
                &format!("Job {}: {}", job.name, read_me_directory::BEFORE),
            );
            type_in(
                text,
                &read_me_directory::commands(job.name.as_str(), directory),
            );
        }
        if let Kind::Database { engine, .. } = &job.kind {
            say(
                text,
                &format!("Job {}: {}", job.name, read_me_database::before(engine)),
            );
            type_in(text, &read_me_database::commands(job.name.as_str(), engine));
        }
    }
}

/// Only what lies below the sources, with the folders that lead to them: never the root folder's own mode.
fn put_back(job: &Job) -> String {
    let mut parts = words("echo rsync -aHAXS --numeric-ids --relative");
    let sources = job.source.as_ref().map_or(&[][..], Source::paths);
    for source in sources {
        let mut path = Path::new("/restore")
            .join(job.name.as_str())
            .into_os_string();
        path.push("/.");
        path.push(source);
        parts.push(quote(&path));
    }
    parts.push("/".to_owned());
    command(&parts)
}
