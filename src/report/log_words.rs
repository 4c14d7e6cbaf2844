//! A line of a run's log for a reader: the day stands above it already, so the time of day is enough.

use jiff::{Timestamp, tz::TimeZone};

use super::amounts::shown;
use super::safe_text::safe_line;

/// `11:18:56 flush the drive`, in the server's zone, of a line as `run` writes it: time (RFC 3339), level, words.
/// The level is shown where it is not the usual one; any other line stays as it is.
pub fn log_line(line: &str, zone: &TimeZone) -> String {
    let parts = line.split_once(' ');
    let Some((at, rest)) = parts.and_then(|(at, rest)| Some((at.parse::<Timestamp>().ok()?, rest)))
    else {
        return safe_line(line);
    };
    let rest = rest.trim_start();
    let rest = rest.strip_prefix("INFO ").unwrap_or(rest);
    safe_line(&format!("{} {rest}", shown(at, zone, "%H:%M:%S")))
}

#[cfg(test)]
mod tests {
    use super::super::sample_runs::lisbon;
    use super::*;

    #[test]
    fn a_line_keeps_its_time_of_day_and_a_level_that_is_not_usual() {
        let table = [
            (
                "2026-07-25T11:18:56.696864Z  INFO   rsync -a",
                "12:18:56   rsync -a",
            ),
            (
                "2026-11-25T11:18:56.696864Z  WARN   a file\x1b[2J vanished",
                "11:18:56 WARN   a file\\x1b[2J vanished",
            ),
            ("rsync error: code 12", "rsync error: code 12"),
            ("", ""),
        ];
        for (line, words) in table {
            assert_eq!(log_line(line, &lisbon()), words);
        }
    }
}
