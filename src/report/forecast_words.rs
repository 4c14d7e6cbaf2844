//! Lengths of time and rates to come, in words, with their intervals.

use jiff::Timestamp;

use super::amounts::{bytes, counted};
use super::forecast_facts::DriveForecast;
use crate::keep::forecast::{Basis, Estimate, Filling, HORIZON_DAYS, Moments, Outlook};

/// A unit, how many days it has, and from how many days on it is used.
const UNITS: [(&str, f64, f64); 4] = [
    ("year", 365.25, 730.0),
    ("month", 30.437, 70.0),
    ("week", 7.0, 21.0),
    ("day", 1.0, 0.0),
];

/// Beyond the horizon of every forecast.
const TEN_YEARS: &str = "10 years";

/// `full in about 7 months (5 to 11)`: the one line that tells most.
pub(super) fn full_line(filling: &Filling, now: Timestamp) -> String {
    match filling.outlook {
        Outlook::TooLittleKnown => format!("when it will be full: {}", too_little(filling.basis)),
        Outlook::AtReserve => "it is at its reserve".to_owned(),
        Outlook::Fills if filling.full.likely.is_none() => {
            format!(
                "at its reserve {}, full later",
                arrival(&filling.at_reserve, now)
            )
        }
        Outlook::Fills => format!("full {}", arrival(&filling.full, now)),
        Outlook::NotWithinTenYears => not_full(&filling.full, now),
        Outlook::Shrinks => "it is shrinking; not full within 10 years".to_owned(),
    }
}

fn not_full(full: &Moments, now: Timestamp) -> String {
    let earliest = full
        .earliest
        .map(|at| format!("; at the earliest in {}", length(days_to(at, now))));
    format!(
        "not full within {TEN_YEARS}{}",
        earliest.unwrap_or_default()
    )
}

/// `reaches its reserve of 20 GB in about 6 months (5 to 9)`
pub(super) fn reserve_line(drive: &DriveForecast, now: Timestamp) -> String {
    let reserve = match drive.reserve {
        0 => "its end".to_owned(),
        reserve => format!("its reserve of {}", bytes(reserve)),
    };
    match drive.filling.outlook {
        Outlook::AtReserve => {
            let left = drive.space.map_or(0, |space| space.free);
            format!("is at {reserve}: {} free", bytes(left))
        }
        _ => format!(
            "reaches {reserve} {}",
            arrival(&drive.filling.at_reserve, now)
        ),
    }
}

/// `too little is known yet (3 runs over 2 days)`
pub(super) fn too_little(basis: Basis) -> String {
    format!("too little is known yet ({})", rests_on(basis))
}

/// `214 runs over 210 days`
pub(super) fn rests_on(basis: Basis) -> String {
    let runs = counted(basis.runs as u64, "run", "runs");
    format!("{runs} over {}", counted(whole(basis.days), "day", "days"))
}

/// `in about 7 months (5 to 11)`
pub(super) fn arrival(moments: &Moments, now: Timestamp) -> String {
    let Some(likely) = moments.likely else {
        return format!("not within {TEN_YEARS}");
    };
    let days = days_to(likely, now);
    let range = range(
        days,
        days_to(moments.earliest.unwrap_or(likely), now),
        moments.latest.map(|at| days_to(at, now)),
    );
    if days < 1.0 {
        format!("within a day{range}")
    } else {
        format!("in about {}{range}", length(days))
    }
}

/// ` (5 to 11)` in the unit of `likely`, or ` (5 months to over 10 years)`; nothing where rounding leaves no difference.
fn range(likely: f64, low: f64, high: Option<f64>) -> String {
    let (_, size, _) = unit(likely);
    match high.filter(|high| *high < f64::from(HORIZON_DAYS)) {
        Some(high) if likely >= 1.0 => match [low, high].map(|end| whole(end / size)) {
            [low, high] if low == high => String::new(),
            [low, high] => format!(" ({low} to {high})"),
        },
        Some(high) => format!(" (at the latest in {})", length(high)),
        None => format!(" ({} to over {TEN_YEARS})", length(low)),
    }
}

/// `about 7 months (5 to 11)` of a length of time.
pub(super) fn lengths(estimate: Estimate) -> String {
    let horizon = f64::from(HORIZON_DAYS);
    if estimate.low >= horizon {
        return format!("over {TEN_YEARS}");
    }
    let high = Some(estimate.high);
    if estimate.likely >= horizon {
        return format!("over {TEN_YEARS} ({} at the least)", length(estimate.low));
    }
    format!(
        "about {}{}",
        length(estimate.likely),
        range(estimate.likely.max(1.0), estimate.low, high)
    )
}

/// `7 months`, in whole units.
pub(super) fn length(days: f64) -> String {
    let (name, size, _) = unit(days);
    counted(whole(days / size), name, &format!("{name}s"))
}

fn unit(days: f64) -> (&'static str, f64, f64) {
    let fitting = UNITS.into_iter().find(|(_, _, from)| days >= *from);
    fitting.unwrap_or(UNITS[3])
}

fn days_to(at: Timestamp, now: Timestamp) -> f64 {
    (at.duration_since(now).as_secs_f64() / 86_400.0).max(0.0)
}

/// `1.2 GB (900 MB to 1.5 GB)`
pub(super) fn amounts(estimate: Estimate) -> String {
    format!(
        "{}{}",
        amount(estimate.likely),
        amount_range(estimate.low, estimate.high)
    )
}

/// `grows by 1.2 GB a day (900 MB to 1.5 GB)`
pub(super) fn rate(estimate: Estimate) -> String {
    if [estimate.likely, estimate.low, estimate.high]
        .iter()
        .all(|rate| rate.abs() < 0.5)
    {
        return "stays as it is".to_owned();
    }
    if estimate.likely <= -1.0 {
        return format!(
            "shrinks by {} a day{}",
            amount(-estimate.likely),
            amount_range(-estimate.high, -estimate.low)
        );
    }
    let range = amount_range(estimate.low, estimate.high);
    format!("grows by {} a day{range}", amount(estimate.likely))
}

fn amount_range(low: f64, high: f64) -> String {
    match [low, high].map(amount) {
        [low, high] if low == high => String::new(),
        [low, high] => format!(" ({low} to {high})"),
    }
}

/// Bytes, with a sign where they are less than nothing.
pub(super) fn amount(value: f64) -> String {
    let sign = if value <= -0.5 { "-" } else { "" };
    format!("{sign}{}", bytes(whole(value.abs())))
}

/// The nearest whole number.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a cast from a float keeps within the bounds of the integer"
)]
fn whole(value: f64) -> u64 {
    value.round() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn estimate(likely: f64, low: f64, high: f64) -> Estimate {
        Estimate { likely, low, high }
    }

    #[test]
    fn lengths_of_time_stand_with_their_interval_in_one_unit() {
        assert_eq!(
            lengths(estimate(210.0, 150.0, 330.0)),
            "about 7 months (5 to 11)"
        );
        assert_eq!(lengths(estimate(5.0, 2.0, 9.0)), "about 5 days (2 to 9)");
        assert_eq!(
            lengths(estimate(800.0, 150.0, 4000.0)),
            "about 2 years (5 months to over 10 years)"
        );
        assert_eq!(
            lengths(estimate(4000.0, 150.0, 4000.0)),
            "over 10 years (5 months at the least)"
        );
        assert_eq!(lengths(estimate(0.0, 0.0, 0.0)), "about 0 days");
    }

    #[test]
    fn moments_to_come_are_told_from_now() {
        let now: Timestamp = "2026-11-25T09:00:00Z".parse().unwrap();
        let after = |hours| now + jiff::SignedDuration::from_hours(hours);
        let moments = |earliest, likely, latest| Moments {
            earliest,
            likely,
            latest,
        };
        let days = |count: i64| Some(after(24 * count));
        assert_eq!(
            arrival(&moments(days(10), days(12), days(15)), now),
            "in about 12 days (10 to 15)"
        );
        assert_eq!(
            arrival(&moments(days(10), days(60), None), now),
            "in about 9 weeks (10 days to over 10 years)"
        );
        assert_eq!(
            arrival(&moments(days(-9), days(-2), days(3)), now),
            "within a day (at the latest in 3 days)"
        );
        assert_eq!(arrival(&Moments::default(), now), "not within 10 years");
    }

    #[test]
    fn rates_below_nothing_shrink() {
        assert_eq!(
            rate(estimate(1.2e9, 0.9e9, 1.5e9)),
            "grows by 1.2 GB a day (900 MB to 1.5 GB)"
        );
        assert_eq!(
            rate(estimate(-1.2e9, -1.5e9, 0.1e9)),
            "shrinks by 1.2 GB a day (-100 MB to 1.5 GB)"
        );
        assert_eq!(
            rate(estimate(0.0, -2e3, 2e3)),
            "grows by 0 bytes a day (-2 kB to 2 kB)"
        );
    }
}
