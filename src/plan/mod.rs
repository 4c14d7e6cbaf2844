//! Pure: a job, facts about the machine and the time, to a [`Plan`]: typed steps with their exact argv.
//!
//! A dry run prints the plan, a run executes that same plan, the report quotes it. Nothing here
//! touches the machine, and nothing that executes a plan asks whether it is a dry run.

mod argv;
mod check_changes;
mod client_version;
mod export;
mod facts;
pub mod kinds;
mod landing;
mod make;
mod native;
mod not_built;
mod own_steps;
mod retire;
mod risk;
mod service_facts;
mod step;
mod stop;
mod verify;
mod way;

pub use argv::{Argv, quote};
pub use check_changes::check_changes;
pub use export::{Content, Member, SameEntries, ScratchConfig, Told};
pub use facts::{Account, DriveState, Facts, FileSystem, HiddenPath, SourceState, Space};
pub use landing::{Base, Landing};
pub use make::{make_plan, standing_stops};
pub use native::{
    Build, Contents, Describe, DescribeArchive, Described, Known, KnownBy, KnownDigests, Native,
    Sharing, Survey,
};
pub use not_built::not_built;
pub use own_steps::{StepEnvironment, post_steps};
pub use retire::retire_steps;
pub use risk::{DriveFacts, MountFacts, Risk, RiskFacts, SourceFacts, risks};

pub use client_version::{Client, too_old};
pub use service_facts::{
    Boot, DatabaseFacts, DatabasePlace, DirectoryFacts, Holds, Owner, ServiceFacts, SettingsFacts,
};
pub use step::{
    Act, CatalogueAct, Check, DriveAct, Need, Part, Pipeline, Plan, Reading, Stdin, Stdout, Step,
};
pub use stop::{Allowance, Stop};
pub use verify::{Extent, Mend, NameInCopy, Verify};
pub use way::{By, Way, choose};
