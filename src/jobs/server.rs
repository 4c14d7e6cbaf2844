//! `[server]`: the machine that is kept recoverable.

use std::path::PathBuf;

use jiff::tz::TimeZone;

use super::path_text::{ABSOLUTE, absolute_path};
use super::reading::{Table, nearest};
use super::{Mistake, Name};

#[derive(Debug, Clone, PartialEq)]
pub struct Server {
    pub name: Name,
    /// The zone in which schedules are read; the system's unless given.
    pub time_zone: TimeZone,
    /// Where records, logs, locks and mail not yet sent are kept.
    pub state_dir: PathBuf,
}

impl Server {
    pub const STATE_DIR: &str = "/var/lib/hayloft";

    pub(super) fn read(mut table: Table<'_>) -> Option<Self> {
        let name = table.required("name", Name::EXPECTED, Name::read);
        let zone_given = table.holds("time_zone");
        let time_zone = table.optional("time_zone", ZONE, time_zone);
        let state_dir = table.optional("state_dir", ABSOLUTE, absolute_path);
        let time_zone = match time_zone {
            Some(zone) => zone,
            None if zone_given => TimeZone::UTC,
            None => system_zone(&table),
        };
        table.finish();
        Some(Self {
            name: name?,
            time_zone,
            state_dir: state_dir.unwrap_or_else(|| Self::STATE_DIR.into()),
        })
    }
}

const ZONE: &str = "a name of the IANA time zone database, such as \"Europe/Lisbon\"";

fn time_zone(text: &str) -> Result<TimeZone, Mistake> {
    TimeZone::get(text).map_err(|_| {
        let zones: Vec<String> = jiff::tz::db().available().map(|z| z.to_string()).collect();
        let mistake = Mistake::new(format!("unknown time zone `{text}`"));
        if zones.is_empty() {
            return mistake
                .help("this system has no time zone database: install the package tzdata");
        }
        let city = |zone: &str| zone.rsplit('/').next().unwrap_or(zone).to_owned();
        let near = nearest(text, zones.iter().map(String::as_str)).or_else(|| {
            zones
                .iter()
                .find(|zone| city(zone).eq_ignore_ascii_case(&text.replace(' ', "_")))
                .cloned()
        });
        mistake.nearest(near)
    })
}

fn system_zone(table: &Table<'_>) -> TimeZone {
    TimeZone::try_system().unwrap_or_else(|_| {
        let mistake =
            Mistake::new("the system's time zone is not known; schedules are read in UTC")
                .help("name one with `time_zone`, such as \"Europe/Lisbon\"");
        table.findings.warning(&table.range, mistake);
        TimeZone::UTC
    })
}
