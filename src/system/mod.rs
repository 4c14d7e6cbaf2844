//! The only readers of the outside: clock, mounts, disks, programs, the drive. They fill `plan::Facts`.

mod accounts;
mod ask;
pub mod block_device;
pub mod clock;
mod copy_roots;
pub mod far_session;
mod first_bytes;
mod gather;
pub mod in_use;
pub mod job_folder;
pub mod local_drive;
pub mod memory;
pub mod mounts;
pub mod programs;
pub mod remote_drive;
mod risk_facts;
mod service;
pub mod settings_facts;
mod source;
pub mod source_indexes;
mod ssh_host;
pub mod subvolumes;
pub mod tree_use;

pub use ask::{Answer, ask, ask_with_input, ended};
pub use clock::{Clock, ShiftedClock, SystemClock};
pub use copy_roots::copy_roots;
pub use first_bytes::first_bytes;
pub use gather::{Asked, Gathered, gather, gather_for_reading};
pub use risk_facts::risk_facts;
pub use service::look as service_facts;
pub use ssh_host::{HostFound, Pinning, greet};
