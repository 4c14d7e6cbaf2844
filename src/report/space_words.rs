//! A drive's space in words.

use super::amounts::bytes;

/// `345 GB free of 2 TB, 20 GB of it always left free`.
pub(super) fn space(total: u64, free: u64, reserve: u64) -> String {
    let left = format!("{} free of {}", bytes(free), bytes(total));
    match reserve {
        0 => left,
        reserve if free < reserve => {
            format!("{left}: LESS than the {} always left free", bytes(reserve))
        }
        reserve => format!("{left}, {} of it always left free", bytes(reserve)),
    }
}

/// What a job's generations take, and may take.
pub(super) fn job_use(used: Option<u64>, cap: Option<u64>) -> Option<String> {
    match (used, cap) {
        (Some(used), Some(cap)) => Some(format!("{} of a cap of {}", bytes(used), bytes(cap))),
        (Some(used), None) => Some(format!("{}, no cap", bytes(used))),
        (None, Some(cap)) => Some(format!("not measured; the cap is {}", bytes(cap))),
        (None, None) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn space_below_the_reserve_is_said_aloud() {
        assert_eq!(
            space(2_000_000_000_000, 5_000_000_000, 20_000_000_000),
            "5 GB free of 2 TB: LESS than the 20 GB always left free"
        );
        assert_eq!(space(1000, 500, 0), "500 bytes free of 1 kB");
    }
}
