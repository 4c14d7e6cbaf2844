//! A year of a server that sleeps, is switched off, and has its clock set: no planned time runs twice,
//! and every one is run, noted as missed, or merged into a later run.

use hayloft::jobs::CatchUp;
use hayloft::schedule::{Crontab, ON_TIME, Punctuality, Timetable, Verdict, verdict};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};
use proptest::prelude::*;

/// What happens to the server next.
#[derive(Debug, Clone)]
enum Event {
    /// It is on and wakes when the job asks for it, this many times.
    Awake(u8),
    /// It is off, asleep, or its clock is set forward: minutes pass without anybody looking.
    Away(i64),
    /// Its clock is set back by some minutes.
    SetBack(i64),
}

fn event() -> impl Strategy<Value = Event> {
    prop_oneof![
        4 => (1u8..30).prop_map(Event::Awake),
        2 => (1i64..30 * 24 * 60).prop_map(Event::Away),
        1 => (0i64..5).prop_map(Event::Away),
        1 => (1i64..180).prop_map(Event::SetBack),
        1 => (180i64..3 * 24 * 60).prop_map(Event::SetBack),
    ]
}

fn crontab() -> impl Strategy<Value = Crontab> {
    prop::sample::select(vec![
        "30 1 * * *",
        "30 2 * * *",
        "0,20,40 1-3 * * *",
        "*/30 * * * *",
        "0 */4 * * *",
        "15 0 * * SUN",
        "0 6 1 * *",
        "0 3 13 * 5",
    ])
    .prop_map(|line| Crontab::parse(line).unwrap())
}

struct Server {
    crontab: Crontab,
    catch_up: CatchUp,
    zone: TimeZone,
    now: Timestamp,
    handled: Option<Timestamp>,
    /// Planned times run or noted since the clock was last corrected.
    done: Vec<Timestamp>,
}

impl Server {
    /// Asks until there is nothing to do, checks each answer, and gives the time to wake.
    fn look(&mut self) -> Result<Option<Timestamp>, TestCaseError> {
        loop {
            let timetable = Timetable {
                crontab: &self.crontab,
                catch_up: self.catch_up,
                handled: self.handled,
            };
            match verdict(timetable, &self.zone, self.now) {
                Verdict::Run {
                    planned,
                    punctuality,
                } => {
                    let on_time = self.now.duration_since(planned) <= ON_TIME;
                    prop_assert_eq!(on_time, punctuality == Punctuality::OnTime);
                    prop_assert!(on_time || self.catch_up == CatchUp::RunSoon);
                    self.check_merged(planned)?;
                    self.done(planned)?;
                }
                Verdict::Missed { planned } => {
                    prop_assert_eq!(self.catch_up, CatchUp::Skip);
                    self.done(planned)?;
                }
                Verdict::CountFrom(time) => {
                    let corrected = SignedDuration::from_hours(3);
                    let right = self
                        .handled
                        .is_none_or(|h| h.duration_since(self.now) >= corrected);
                    prop_assert!(right, "counted afresh without need");
                    prop_assert_eq!(time, self.now);
                    self.handled = Some(time);
                    self.done.clear();
                }
                Verdict::Wait { until } => {
                    let handled = self.handled.unwrap();
                    prop_assert!(until.is_none_or(|until| until > self.now));
                    // Nothing is left behind: the first time after `handled` is still to come.
                    let first = self.crontab.next_after(&self.zone, handled);
                    prop_assert_eq!(until, first.filter(|&first| first > self.now));
                    return Ok(until);
                }
            }
        }
    }

    /// Without catch-up nothing may be merged silently into a run.
    fn check_merged(&self, planned: Timestamp) -> Result<(), TestCaseError> {
        let first = self.crontab.next_after(&self.zone, self.handled.unwrap());
        if self.catch_up == CatchUp::Skip {
            prop_assert_eq!(first, Some(planned));
        }
        Ok(())
    }

    fn done(&mut self, planned: Timestamp) -> Result<(), TestCaseError> {
        let just_before = planned - SignedDuration::from_secs(1);
        prop_assert_eq!(
            self.crontab.next_after(&self.zone, just_before),
            Some(planned)
        );
        prop_assert!(planned <= self.now, "ran before its time");
        prop_assert!(!self.done.contains(&planned), "{} twice", planned);
        prop_assert!(self.handled.is_some_and(|handled| handled < planned));
        self.done.push(planned);
        self.handled = Some(planned);
        Ok(())
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn over_a_restless_year_no_time_is_run_twice_and_none_is_forgotten(
        crontab in crontab(),
        catches_up in any::<bool>(),
        zone in prop::sample::select(vec!["Europe/Lisbon", "Australia/Lord_Howe", "America/Santiago"]),
        events in prop::collection::vec(event(), 60),
    ) {
        let begin: Timestamp = "2026-01-01T12:00:00Z".parse().unwrap();
        let end: Timestamp = "2027-01-01T12:00:00Z".parse().unwrap();
        let mut server = Server {
            crontab,
            catch_up: if catches_up { CatchUp::RunSoon } else { CatchUp::Skip },
            zone: TimeZone::get(zone).unwrap(),
            now: begin,
            handled: None,
            done: Vec::new(),
        };
        let mut until = server.look()?;
        for event in events.into_iter().cycle().take(600) {
            match event {
                Event::Awake(times) => for _ in 0..times {
                    server.now = until.unwrap();
                    until = server.look()?;
                },
                Event::Away(minutes) => server.now += SignedDuration::from_mins(minutes),
                Event::SetBack(minutes) => server.now -= SignedDuration::from_mins(minutes),
            }
            until = server.look()?;
            if server.now > end {
                break;
            }
        }
    }
}

#[test]
fn a_server_that_is_always_awake_runs_every_time_of_the_year_on_time() {
    for (line, zone, runs) in [
        // A time stated once a day runs 365 times, over both changes of the clock (cron(8)).
        ("30 1 * * *", "Europe/Lisbon", 365),
        ("30 0 * * *", "America/Santiago", 365),
        ("45 1 * * *", "Australia/Lord_Howe", 365),
        // Every half hour of the wall clock: the hours of a year come out even over both changes.
        ("*/30 * * * *", "Europe/Lisbon", 365 * 48),
        ("0 3 * * SUN", "America/New_York", 52),
    ] {
        let zone = TimeZone::get(zone).unwrap();
        let mut server = Server {
            crontab: Crontab::parse(line).unwrap(),
            catch_up: CatchUp::Skip,
            now: "2026-01-01T12:00:00Z".parse().unwrap(),
            zone,
            handled: None,
            done: Vec::new(),
        };
        let end: Timestamp = "2027-01-01T12:00:00Z".parse().unwrap();
        let mut count = 0;
        let mut until = server.look().unwrap();
        while until.unwrap() <= end {
            server.now = until.unwrap();
            server.done.clear();
            until = server.look().unwrap();
            assert_eq!(server.done, [server.now], "{line}");
            count += 1;
        }
        assert_eq!(count, runs, "{line}");
    }
}
