//! READ-ME-FIRST.txt, for jobs that keep the settings of a server: what is before and behind the commands that open them.

/// What is to be done before the archive is opened.
pub const BEFORE: &str = "It holds what made this computer that server: its accounts, packages and settings. Beside each \
    archive lies NAME.inventory.txt, in the clear and without a secret: read it first, to find disks that are large \
    enough, and install the release of Debian that it names. What comes out of the archive holds passwords and keys, so \
    only root may look into its folder:";

/// Commands for [`BEFORE`].
pub fn commands_before(job: &str) -> Vec<String> {
    vec![format!("mkdir -p -m 700 /restore/{job}")]
}

/// What is to be done with what came out of the archive.
pub const BEHIND: &str = "Now the folder holds the script `apply`, for a freshly installed Debian. As it is typed here, it \
    shows what it would do, and changes nothing; with --help behind it, it tells all that it can do:";

/// Commands for [`BEHIND`].
pub fn commands_behind(job: &str) -> Vec<String> {
    vec![format!("sh /restore/{job}/apply")]
}

/// What a person decides on.
pub const LAST: &str = "CAUTION: with --do behind it, the script makes the computer that you type it on that server again: \
    package sources, accounts with their passwords, packages, units, crontabs, host name and time zone. It removes \
    nothing, keeps what it writes over, and can be typed again. Files of /etc come back when they are named: --put \
    /etc/nginx. To look at all of them, as they were:";

/// Commands for [`LAST`].
pub fn commands_last(job: &str) -> Vec<String> {
    vec![
        format!("mkdir -p /restore/{job}/files"),
        format!("tar -xpf /restore/{job}/files.tar -C /restore/{job}/files"),
    ]
}
