//! Where the system may write memory to: proc(5), `/proc/swaps`.

use std::fs;

/// Swaps that keep what is in memory on a disk, as far as can be told: those in memory themselves (zram) and those that
/// are mapped, as encrypted ones are (dm), are left out.
pub fn plain_swaps() -> Vec<String> {
    of(&fs::read_to_string("/proc/swaps").unwrap_or_default())
}

fn of(text: &str) -> Vec<String> {
    let names = text
        .lines()
        .skip(1)
        .filter_map(|line| line.split_whitespace().next());
    let is_plain = |name: &&str| {
        !["/dev/zram", "/dev/dm-", "/dev/mapper/"]
            .iter()
            .any(|begin| name.starts_with(begin))
    };
    names.filter(is_plain).map(ToOwned::to_owned).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_swap_on_a_disk_is_told_from_those_in_memory_or_encrypted() {
        // as proc_swaps(5) shows it
        let text = "Filename\t\t\t\tType\t\tSize\t\tUsed\t\tPriority\n\
            /dev/sda3                               partition\t8388604\t\t0\t\t-2\n\
            /dev/zram0                              partition\t8388604\t\t0\t\t100\n\
            /dev/dm-1                               partition\t8388604\t\t0\t\t-3\n\
            /swapfile                               file\t\t1048572\t\t0\t\t-4\n";
        assert_eq!(of(text), ["/dev/sda3", "/swapfile"]);
        assert_eq!(of(""), Vec::<String>::new());
    }
}
