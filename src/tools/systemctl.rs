//! systemctl(1): which units are enabled, read from their files, whether or not systemd runs.

use crate::plan::Argv;

/// `UNIT STATE PRESET`, a unit file a line.
pub fn unit_files() -> Argv {
    offline("list-unit-files").args(["--no-legend", "--no-pager"])
}

pub fn default_target() -> Argv {
    offline("get-default")
}

fn offline(verb: &str) -> Argv {
    Argv::new("systemctl").option("--root", "/").arg(verb)
}

/// Units with the state of their files, out of what [`unit_files`] prints.
pub fn read_unit_files(text: &str) -> impl Iterator<Item = (&str, &str)> {
    text.lines().filter_map(|line| {
        let mut words = line.split_whitespace();
        words.next().zip(words.next())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Printed by systemd 252 of Debian 12.
    #[test]
    fn units_are_read_with_their_states_alone() {
        let text = "cron.service                           enabled         enabled\n\
                    sudo.service                           masked          enabled\n\
                    basic.target                           static          -\n";
        let read: Vec<_> = read_unit_files(text).collect();
        assert_eq!(
            read,
            [
                ("cron.service", "enabled"),
                ("sudo.service", "masked"),
                ("basic.target", "static")
            ]
        );
    }
}
