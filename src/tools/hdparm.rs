//! hdparm(8): whether a disk goes to sleep by itself.

use std::path::Path;

use crate::plan::Argv;

pub fn power_level(device: &Path) -> Argv {
    Argv::new("hdparm").arg("-B").arg(device)
}

/// Reads `APM_level = 127` from what [`power_level`] prints. hdparm(8): levels 1 to 127 permit
/// spin-down, 128 to 254 do not, 255 is off.
pub fn permits_spin_down(text: &str) -> Option<bool> {
    let (_, value) = text.split_once("APM_level")?;
    let value = value.trim_start().strip_prefix('=')?.trim();
    if value.starts_with("off") {
        return Some(false);
    }
    let level: u16 = value.split_whitespace().next()?.parse().ok()?;
    Some((1..=127).contains(&level))
}

/// Reads hdparm.conf(5): the devices, by path, that are given a `spindown_time` other than 0 or an
/// `apm` level that permits spin-down. An empty path stands for all disks.
pub fn configured_to_sleep(conf: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut block = String::new();
    for line in conf
        .lines()
        .map(|line| line.split('#').next().unwrap_or("").trim())
    {
        if let Some(device) = line.strip_suffix('{') {
            device.trim().clone_into(&mut block);
        } else if line == "}" {
            block.clear();
        } else if let Some((key, value)) = line.split_once('=') {
            let level: u16 = value.trim().parse().unwrap_or(0);
            let sleeps = match key.trim() {
                "spindown_time" => level > 0,
                "apm" => (1..=127).contains(&level),
                _ => false,
            };
            if sleeps && !found.contains(&block) {
                found.push(block.clone());
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_up_to_127_permit_spin_down() {
        assert_eq!(
            permits_spin_down("\n/dev/sdb:\n APM_level\t= 127\n"),
            Some(true)
        );
        assert_eq!(
            permits_spin_down("\n/dev/sdb:\n APM_level\t= 128\n"),
            Some(false)
        );
        assert_eq!(
            permits_spin_down("\n/dev/sdb:\n APM_level\t= off\n"),
            Some(false)
        );
        assert_eq!(
            permits_spin_down("\n/dev/sdb:\n APM_level\t= not supported\n"),
            None
        );
    }

    #[test]
    fn a_disk_given_a_spindown_time_is_found_in_the_configuration_file() {
        let conf = "# quiet\n/dev/sdb {\n  spindown_time = 24 # two minutes\n}\n/dev/sdc {\n apm = 254\n}\n";
        assert_eq!(configured_to_sleep(conf), ["/dev/sdb"]);
    }
}
