//! The script that is kept beside the settings and makes a fresh Debian this server again; it needs no hayloft.

/// For a POSIX shell. In parts only here: it is one file where it is kept.
pub const APPLY: &str = concat!(
    include_str!("apply/1-begin.sh"),
    include_str!("apply/1-never-written.sh"),
    include_str!("apply/2-release.sh"),
    include_str!("apply/3-sources.sh"),
    include_str!("apply/4-account-changes.sh"),
    include_str!("apply/4-accounts.sh"),
    include_str!("apply/5-packages.sh"),
    include_str!("apply/6-units.sh"),
    include_str!("apply/7-single-files.sh"),
    include_str!("apply/8-shown.sh"),
    include_str!("apply/9-end.sh"),
);
