//! What a job's schedule asks for now: run, note a missed time, or wait.
//!
//! The only memory is `handled`, the last planned time that was run or noted. Times between it and now
//! have passed unhandled, whether the server slept, was off, or its clock was set forward.

use jiff::{SignedDuration, Timestamp, tz::TimeZone};

use super::Crontab;
use super::occurrences::CORRECTION_SECONDS;
use crate::jobs::CatchUp;

/// A run that starts at most this much after its planned time is on time.
pub const ON_TIME: SignedDuration = SignedDuration::from_mins(2);

/// A job's schedule and how far it has come.
#[derive(Debug, Clone, Copy)]
pub struct Timetable<'a> {
    pub crontab: &'a Crontab,
    pub catch_up: CatchUp,
    /// The last planned time that was run or noted; `None` for a job never seen before.
    pub handled: Option<Timestamp>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Punctuality {
    OnTime,
    /// Later than [`ON_TIME`]; stands for every time that was missed up to the planned one.
    CatchUp,
}

/// What to do. All but `Wait` give the new value of `handled`; afterwards the question is asked again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Run once for `planned`; earlier unhandled times are merged into this run.
    Run {
        planned: Timestamp,
        punctuality: Punctuality,
    },
    /// Note that `planned`, and any unhandled time before it, passed without a run.
    Missed { planned: Timestamp },
    /// Count from this instant on: the job is new, or the clock was set back for good.
    CountFrom(Timestamp),
    /// Nothing to do before `until`. `None` past the year 2100.
    Wait { until: Option<Timestamp> },
}

/// What `job` asks for at `now`.
///
/// `handled` lies in the future when the clock was set back. By less than 3 hours, the repeated times
/// do not run again; by more, it was a correction and the new time counts at once (Debian cron(8)).
pub fn verdict(job: Timetable<'_>, zone: &TimeZone, now: Timestamp) -> Verdict {
    let Some(handled) = job.handled else {
        return Verdict::CountFrom(now);
    };
    if handled.duration_since(now) >= SignedDuration::from_secs(CORRECTION_SECONDS) {
        return Verdict::CountFrom(now);
    }
    let Some(latest) = job.crontab.latest_in(zone, handled, now) else {
        return Verdict::Wait {
            until: job.crontab.next_after(zone, handled.max(now)),
        };
    };
    let late = now.duration_since(latest) > ON_TIME;
    match job.catch_up {
        CatchUp::RunSoon if late => Verdict::Run {
            planned: latest,
            punctuality: Punctuality::CatchUp,
        },
        CatchUp::Skip if late => Verdict::Missed { planned: latest },
        CatchUp::Skip => match job.crontab.latest_in(zone, handled, just_before(latest)) {
            Some(missed) => Verdict::Missed { planned: missed },
            None => on_time(latest),
        },
        CatchUp::RunSoon => on_time(latest),
    }
}

fn on_time(planned: Timestamp) -> Verdict {
    Verdict::Run {
        planned,
        punctuality: Punctuality::OnTime,
    }
}

fn just_before(time: Timestamp) -> Timestamp {
    time - SignedDuration::from_nanos(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[track_caller]
    fn asks(catch_up: CatchUp, handled: Option<&str>, now: &str, expected: Verdict) {
        let crontab = Crontab::parse("30 2 * * *").unwrap();
        let job = Timetable {
            crontab: &crontab,
            catch_up,
            handled: handled.map(at),
        };
        assert_eq!(verdict(job, &TimeZone::UTC, at(now)), expected);
    }

    const BEFORE: Option<&str> = Some("2026-11-24T02:30:00Z");

    #[test]
    fn a_job_seen_for_the_first_time_has_nothing_due() {
        let now = "2026-11-25T02:31:00Z";
        asks(CatchUp::RunSoon, None, now, Verdict::CountFrom(at(now)));
    }

    #[test]
    fn a_run_within_two_minutes_is_on_time_and_later_it_is_a_catch_up() {
        let planned = at("2026-11-25T02:30:00Z");
        for (now, punctuality) in [
            ("2026-11-25T02:30:00Z", Punctuality::OnTime),
            ("2026-11-25T02:32:00Z", Punctuality::OnTime),
            ("2026-11-25T02:32:01Z", Punctuality::CatchUp),
        ] {
            let run = Verdict::Run {
                planned,
                punctuality,
            };
            asks(CatchUp::RunSoon, BEFORE, now, run);
        }
    }

    #[test]
    fn without_catch_up_a_late_time_is_noted_as_missed() {
        let planned = at("2026-11-25T02:30:00Z");
        asks(
            CatchUp::Skip,
            BEFORE,
            "2026-11-25T09:00:00Z",
            Verdict::Missed { planned },
        );
    }

    #[test]
    fn without_catch_up_older_times_are_noted_before_the_one_on_time_runs() {
        let handled = Some("2026-11-22T02:30:00Z");
        let planned = at("2026-11-24T02:30:00Z");
        asks(
            CatchUp::Skip,
            handled,
            "2026-11-25T02:30:00Z",
            Verdict::Missed { planned },
        );
    }

    #[test]
    fn several_missed_times_give_one_run_for_the_latest() {
        let run = Verdict::Run {
            planned: at("2026-11-25T02:30:00Z"),
            punctuality: Punctuality::CatchUp,
        };
        asks(
            CatchUp::RunSoon,
            Some("2026-11-01T02:30:00Z"),
            "2026-11-25T09:00:00Z",
            run,
        );
    }

    #[test]
    fn a_clock_set_back_by_less_than_three_hours_does_not_repeat_a_run() {
        let until = Some(at("2026-11-25T02:30:00Z"));
        asks(
            CatchUp::RunSoon,
            BEFORE,
            "2026-11-24T00:00:00Z",
            Verdict::Wait { until },
        );
        asks(
            CatchUp::RunSoon,
            BEFORE,
            "2026-11-23T23:30:01Z",
            Verdict::Wait { until },
        );
    }

    #[test]
    fn a_clock_set_back_by_three_hours_or_more_counts_at_once() {
        let now = "2026-11-23T23:30:00Z";
        asks(CatchUp::RunSoon, BEFORE, now, Verdict::CountFrom(at(now)));
    }
}
