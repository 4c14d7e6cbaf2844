//! Gives memory back that only a burst of work needed.

use std::fs;

use rustix::mm::{Advice, madvise};

/// Lets go of the program's code that lies in memory; what is needed again is mapped again from the page
/// cache. Reading files and the record touches most of the program, sleeping hardly any of it.
///
/// Where the kernel does not tell or refuses, nothing changes.
pub fn release_code() {
    let maps = fs::read_to_string("/proc/self/maps").unwrap_or_default();
    for (start, end) in maps.lines().filter_map(code_of_a_file) {
        let address = std::ptr::without_provenance_mut(start);
        #[expect(
            unsafe_code,
            reason = "madvise(2) is offered as an unsafe function only"
        )]
        // SAFETY: the range is code, mapped private from a file and never written: MADV_DONTNEED makes the next
        // use read the same bytes from that file, see madvise(2).
        let released = unsafe { madvise(address, end - start, Advice::LinuxDontNeed) };
        if let Err(error) = released {
            tracing::debug!("code cannot be released: {error}");
        }
    }
}

/// The range of a line of `proc_pid_maps(5)` that maps code from a file. A mapping that was ever writable may hold
/// bytes that are in no file, and is left alone.
fn code_of_a_file(line: &str) -> Option<(usize, usize)> {
    let mut fields = line.split_ascii_whitespace();
    let (range, access) = (fields.next()?, fields.next()?);
    let inode = fields.nth(2)?;
    if access != "r-xp" || inode == "0" {
        return None;
    }
    let (start, end) = range.split_once('-')?;
    let address = |text| usize::from_str_radix(text, 16).ok();
    address(start)
        .zip(address(end))
        .filter(|(start, end)| start < end)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_code_of_files_is_released() {
        let code = "55845c672000-55845cfae000 r-xp 004ba000 fe:00 5499630    /usr/bin/hayloft";
        assert_eq!(
            code_of_a_file(code),
            Some((0x5584_5c67_2000, 0x5584_5cfa_e000))
        );
        for line in [
            "55845cfae000-55845d062000 r--p 00df5000 fe:00 5499630    /usr/bin/hayloft",
            "55845d062000-55845d068000 rw-p 00ea8000 fe:00 5499630    /usr/bin/hayloft",
            "7fcd7febc000-7fcd7febe000 r-xp 00000000 00:00 0          [vdso]",
            "",
        ] {
            assert_eq!(code_of_a_file(line), None, "{line}");
        }
    }

    #[test]
    fn the_program_goes_on_after_its_code_was_released() {
        release_code();
        assert_eq!("clay".repeat(2), "clayclay");
    }
}
