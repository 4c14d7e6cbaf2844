//! What is to come: gathers the figures of a year of runs, one after another, and has them reckoned with.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use crate::jobs::{Config, Drive, Job, KindName, Name, Span};
use crate::keep::forecast::{
    DriveFigures, DriveSeries, Filling, HistoryOutlook, Holding, JobFigures, JobSeries, LEVEL,
    Situation,
};
use crate::record::{Form, GenerationName, RunFigures, State, Store, StoreError};
use crate::report::{DriveForecast, ForecastFacts, JobForecast};

/// What was longer ago says little of what is to come.
const LOOK_BACK: SignedDuration = SignedDuration::from_hours(366 * 24);

/// The series that the record gives: a point a day at most for each drive and job, however many runs there were.
pub struct Recorded<'a> {
    config: &'a Config,
    store: &'a Store,
    now: Timestamp,
    drives: BTreeMap<Name, DriveSeries>,
    jobs: BTreeMap<Name, RecordedJob>,
}

struct RecordedJob {
    series: JobSeries,
    /// What its folder took when that was last measured.
    used: Option<u64>,
}

impl<'a> Recorded<'a> {
    /// Reads the runs of the last year.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn read(config: &'a Config, store: &'a Store, now: Timestamp) -> Result<Self, StoreError> {
        let blank = |job: &Job| {
            let holding = holding(job.kind.name())?;
            let blank = RecordedJob {
                series: JobSeries::new(holding),
                used: None,
            };
            Some((job.name.clone(), blank))
        };
        let mut recorded = Self {
            config,
            store,
            now,
            drives: BTreeMap::new(),
            jobs: config.jobs.values().filter_map(blank).collect(),
        };
        store.each_run_since(now - LOOK_BACK, |run| {
            if run.started <= now {
                recorded.add(&run);
            }
        })?;
        Ok(recorded)
    }

    fn add(&mut self, run: &RunFigures) {
        if let Some(space) = run.space {
            let figures = DriveFigures {
                at: run.started,
                total: space.total,
                free: space.free,
            };
            self.drives
                .entry(run.drive.clone())
                .or_default()
                .add(figures);
        }
        let drive_now = self.config.jobs.get(&run.job).map(|job| &job.drive);
        let Some(job) = self
            .jobs
            .get_mut(&run.job)
            .filter(|_| drive_now == Some(&run.drive))
        else {
            return;
        };
        if let Some(used) = run.space.and_then(|space| space.job_use) {
            job.used = Some(used);
        }
        if let Some(changes) = run.changes.filter(|_| run.outcome.is_well()) {
            job.series.add(JobFigures {
                at: run.started,
                source: changes.bytes,
                new: changes.new_bytes,
            });
        }
    }

    pub fn filling(&self, drive: &Drive) -> Filling {
        let none = DriveSeries::default();
        self.drives
            .get(&drive.name)
            .unwrap_or(&none)
            .filling(drive.reserve.bytes())
    }

    /// What is to come of the drives that are named, all of them when none is, and of the jobs that write to them.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn forecast(
        &self,
        drives: &[&Drive],
        wanted: Option<Span>,
    ) -> Result<ForecastFacts, StoreError> {
        let all = self.config.drives.values();
        let chosen: Vec<&Drive> = all
            .filter(|drive| drives.is_empty() || drives.contains(drive))
            .collect();
        let forecasts: Vec<DriveForecast> = chosen.iter().map(|drive| self.drive(drive)).collect();
        let jobs = self.config.jobs.values();
        let jobs = jobs.filter(|job| chosen.iter().any(|drive| drive.name == job.drive));
        Ok(ForecastFacts {
            server: self.config.server.name.clone(),
            now: self.now,
            level: LEVEL,
            attention: forecasts
                .iter()
                .filter_map(|drive| drive.attention(self.now))
                .collect(),
            drives: forecasts,
            jobs: jobs
                .filter_map(|job| self.job(job, wanted).transpose())
                .collect::<Result<_, _>>()?,
        })
    }

    fn drive(&self, drive: &Drive) -> DriveForecast {
        DriveForecast {
            name: drive.name.clone(),
            space: self.last_seen(&drive.name).map(Into::into),
            reserve: drive.reserve.bytes(),
            filling: self.filling(drive),
        }
    }

    fn last_seen(&self, drive: &Name) -> Option<DriveFigures> {
        self.drives.get(drive).and_then(DriveSeries::last)
    }

    fn job(&self, job: &Job, wanted: Option<Span>) -> Result<Option<JobForecast>, StoreError> {
        let Some(recorded) = self.jobs.get(&job.name) else {
            return Ok(None);
        };
        let all = self
            .store
            .generations(&job.drive, &self.config.server.name, &job.name)?;
        let whole = all
            .iter()
            .filter(|one| one.state == State::Whole && one.form != Form::Current);
        let generations: Vec<GenerationName> = whole.map(|one| one.name).collect();
        let reserve = self.config.drive_of(job).reserve.bytes();
        let situation = Situation {
            now: self.now,
            rules: &job.keep,
            cap: job.cap.map(crate::jobs::Size::bytes),
            used: recorded.used,
            room: self
                .last_seen(&job.drive)
                .map(|seen| seen.free.saturating_sub(reserve)),
            generations: &generations,
            wanted,
        };
        Ok(Some(JobForecast {
            name: job.name.clone(),
            kind: job.kind.name(),
            drive: job.drive.clone(),
            history: HistoryOutlook::of(&recorded.series, &situation),
        }))
    }
}

/// Jobs of the other kinds have no history of their own, or cannot run yet.
fn holding(kind: KindName) -> Option<Holding> {
    match kind {
        KindName::History => Some(Holding::Differences),
        KindName::Archive => Some(Holding::Whole),
        _ => None,
    }
}
