//! A POSIX crontab line's five time fields.

/// Five fields, as in POSIX crontab: minute, hour, day of month, month, day of week.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Crontab {
    text: String,
}
