//! Hayloft keeps one always-on server recoverable and proves it.
//!
//! The flow: [`jobs`] (files to typed jobs) -> [`plan`] (pure data: steps with their exact argv) ->
//! [`run`] (the one executor) -> [`record`] (runs and generations) -> [`report`] (renderings) ->
//! [`mail`]. [`system`] is asked for facts on the way in; [`tools`] alone knows the flags and exit
//! statuses of other programs; [`schedule`] and [`keep`] are pure rules; [`restore`] makes ordinary plans; [`prove`]
//! holds copies against their manifests; [`tree`] works on trees natively; [`ldif`] is the text of directories.

// first: the rooms below print with its macros
#[macro_use]
mod terminal;

pub mod cli;
pub mod exit;
pub mod jobs;
pub mod keep;
pub mod ldif;
pub mod mail;
pub mod plan;
pub mod prove;
pub mod record;
pub mod report;
pub mod restore;
pub mod run;
pub mod schedule;
pub mod settings;
pub mod system;
pub mod tools;
pub mod tree;
