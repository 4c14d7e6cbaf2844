//! The service in one line, for `systemctl status`: "next: studio-files at 02:30".

use jiff::{SignedDuration, Timestamp, tz::TimeZone};

use crate::jobs::Name;

/// What runs now and what comes next; a time more than a day away is told with its date.
pub fn status_line<'a>(
    running: impl Iterator<Item = &'a Name>,
    next: Option<(Timestamp, &Name)>,
    zone: &TimeZone,
    now: Timestamp,
) -> String {
    let running: Vec<&str> = running.map(Name::as_str).collect();
    let next = next.map(|(time, name)| {
        let far = time.duration_since(now) >= SignedDuration::from_hours(24);
        let form = if far { "%H:%M on %Y-%m-%d" } else { "%H:%M" };
        let time = time.to_zoned_datetime(zone.clone()).strftime(form);
        format!("next: {name} at {time}")
    });
    match (running.is_empty(), next) {
        (true, None) => "no job is scheduled".to_owned(),
        (true, Some(next)) => next,
        (false, None) => format!("running: {}", running.join(", ")),
        (false, Some(next)) => format!("running: {}; {next}", running.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_status_tells_what_runs_and_what_comes_next() {
        let [accounts, studio] =
            ["accounts", "studio-files"].map(|name| Name::parse(name).unwrap());
        let zone = TimeZone::get("Europe/Lisbon").unwrap();
        let at = |text: &str| -> Timestamp { text.parse().unwrap() };
        let now = at("2026-07-01T20:00:00Z");
        let line = |running: &[&Name], next| status_line(running.iter().copied(), next, &zone, now);

        // Lisbon is an hour ahead of UTC in summer.
        let soon = Some((at("2026-07-02T01:30:00Z"), &studio));
        assert_eq!(line(&[], soon), "next: studio-files at 02:30");
        assert_eq!(
            line(&[&accounts], soon),
            "running: accounts; next: studio-files at 02:30"
        );
        let far = Some((at("2026-08-01T05:00:00Z"), &studio));
        assert_eq!(line(&[], far), "next: studio-files at 06:00 on 2026-08-01");
        assert_eq!(
            line(&[&accounts, &studio], None),
            "running: accounts, studio-files"
        );
        assert_eq!(line(&[], None), "no job is scheduled");
    }
}
