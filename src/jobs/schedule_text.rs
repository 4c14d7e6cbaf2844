//! Crontab lines as values of a key.

use super::Mistake;
use crate::schedule::Crontab;

pub const CRONTAB: &str = "five fields as in crontab(5): minute, hour, day of month, month, day of week, such as \"30 2 * * *\"";

pub fn crontab(text: &str) -> Result<Crontab, Mistake> {
    Crontab::parse(text).map_err(|error| {
        let mistake = Mistake::new(error.message).at(error.range);
        if error.allowed.is_empty() {
            mistake
        } else {
            mistake.allowed(error.allowed)
        }
    })
}
