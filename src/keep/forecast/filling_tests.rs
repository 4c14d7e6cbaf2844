//! Drives that fill, shrink, stay, and are changed for others.

use super::*;

fn night(number: i64) -> Timestamp {
    let start: Timestamp = "2026-01-01T02:30:00Z".parse().expect("a time");
    start + SignedDuration::from_hours(24 * number)
}

/// A drive of 1000 bytes, by what is free after each night.
fn drive(free: impl IntoIterator<Item = u64>) -> DriveSeries {
    let mut series = DriveSeries::default();
    for (number, free) in (0..).zip(free) {
        series.add(DriveFigures {
            at: night(number),
            total: 1000,
            free,
        });
    }
    series
}

#[test]
fn a_drive_is_at_its_reserve_before_it_is_full() {
    let filling = drive((0..20).map(|n| 900 - 10 * n)).filling(200);
    assert_eq!(filling.outlook, Outlook::Fills);
    assert_eq!(filling.at_reserve.likely, Some(night(19 + 51)));
    assert_eq!(filling.full.likely, Some(night(19 + 71)));
}

#[test]
fn shrinking_and_standing_still_are_told_apart() {
    assert_eq!(
        drive((0..20).map(|n| 500 + 10 * n)).filling(10).outlook,
        Outlook::Shrinks
    );
    assert_eq!(
        drive([500; 20]).filling(10).outlook,
        Outlook::NotWithinTenYears
    );
}

#[test]
fn a_drive_at_its_reserve_is_said_to_be_even_when_little_is_known() {
    let filling = drive([50]).filling(100);
    assert_eq!(filling.outlook, Outlook::AtReserve);
    assert_eq!(filling.at_reserve.likely, Some(night(0)));
    assert_eq!(drive([]).filling(100).outlook, Outlook::TooLittleKnown);
}

#[test]
fn a_drive_of_another_size_begins_anew() {
    let mut series = drive((0..20).map(|n| 900 - 10 * n));
    series.add(DriveFigures {
        at: night(20),
        total: 2000,
        free: 1900,
    });
    let filling = series.filling(200);
    assert_eq!(filling.outlook, Outlook::TooLittleKnown);
    assert_eq!(filling.basis.runs, 1);
    series.add(DriveFigures {
        at: night(21),
        total: 2010,
        free: 1900,
    });
    assert_eq!(series.filling(200).basis.runs, 2);
}
