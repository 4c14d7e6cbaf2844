//! Proof that copies are what they should be: the manifests that go with them, and the checks against these.

pub mod archive;
pub mod manifest;
pub mod rehearse;
pub mod tables;
pub mod verify;
