//! A machine over its visits.

use evenpull_diagnose::{History, Interval, PastVisit, Series, history};
use evenpull_job::{AmbientData, Job, Profile};
use evenpull_report::{DocumentTexts, Writing, years_picture, years_title};
use evenpull_store::{JobFilter, JobLine};
use serde::Serialize;

use super::Records;
use crate::error::AppError;
use crate::standing::StandingText;

mod moved;

pub use moved::MovedAnswer;

/// Milliseconds in a day.
const DAY_MS: f64 = 86_400_000.0;

/// Most visits of one machine that are looked at.
const VISITS: u32 = 500;

/// The history of one machine.
#[derive(Debug, Clone, PartialEq)]
pub struct MachineHistory {
    /// Machine.
    pub machine: String,
    /// Jobs that the history rests on, oldest first.
    pub jobs: Vec<i64>,
    /// Jobs that left nothing to it: without findings, or found by an older program.
    pub without: Vec<i64>,
    /// What it says.
    pub history: History,
    visits: Vec<PastVisit>,
}

/// 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RangeAnswer {
    /// Best value.
    pub value: Option<f64>,
    /// Lower end.
    pub lo90: Option<f64>,
    /// Upper end; missing where it is open.
    pub hi90: Option<f64>,
}

/// One visit's value.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DotAnswer {
    /// Job.
    pub job: i64,
    /// As read, corrected for ambient.
    pub read: RangeAnswer,
    /// As fitted over all visits.
    pub level: RangeAnswer,
    /// The shop itself set it since the visit before.
    pub set: bool,
}

/// One quantity.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeriesAnswer {
    /// Quantity with its unit.
    pub quantity: &'static str,
    /// Body or coupling; empty for the machine.
    pub part: String,
    /// Values, oldest first.
    pub visits: Vec<DotAnswer>,
    /// Change per 10,000 km or per year.
    pub rate: Option<RangeAnswer>,
    /// The rate's interval leaves zero out.
    pub rate_known: bool,
    /// The limit that is run into.
    pub limit: Option<f64>,
    /// Odometer when it is reached [km].
    pub limit_at_km: Option<RangeAnswer>,
    /// Days after the last visit when it is reached.
    pub limit_in_days: Option<RangeAnswer>,
}

/// What was touched between two visits.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChangeAnswer {
    /// Job that shows it first.
    pub job: i64,
    /// Code of what was touched.
    pub touched: &'static str,
    /// Bodies or couplings.
    pub parts: Vec<String>,
    /// Probability.
    pub probability: f64,
    /// One sentence.
    pub text: String,
}

/// `evenpull.history/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HistoryAnswer {
    /// `evenpull.history/1`.
    pub format: &'static str,
    /// Machine.
    pub machine: String,
    /// `distance` or `time`.
    pub axis: &'static str,
    /// What a rate counts by.
    pub rate_per: &'static str,
    /// Quantities.
    pub series: Vec<SeriesAnswer>,
    /// Changes, oldest first.
    pub changes: Vec<ChangeAnswer>,
    /// What else stands elsewhere than the visit before, oldest first.
    pub moved: Vec<MovedAnswer>,
    /// Jobs that left nothing to the history.
    pub without: Vec<i64>,
    /// Doubts.
    pub notices: Vec<String>,
}

fn range(i: Interval) -> RangeAnswer {
    let finite = |v: f64| v.is_finite().then_some(v);
    RangeAnswer {
        value: finite(i.value),
        lo90: finite(i.lo90),
        hi90: finite(i.hi90),
    }
}

impl MachineHistory {
    /// The `evenpull.history/1` answer.
    pub fn answer(&self) -> HistoryAnswer {
        use evenpull_diagnose::Axis;
        let history = &self.history;
        HistoryAnswer {
            format: "evenpull.history/1",
            machine: self.machine.clone(),
            axis: match history.axis {
                Axis::Distance => "distance",
                Axis::Time => "time",
            },
            rate_per: history.axis.per(),
            series: history.series.iter().map(|s| self.series(s)).collect(),
            changes: (history.changes.iter())
                .map(|c| ChangeAnswer {
                    job: self.jobs[c.visit],
                    touched: c.touched.code(),
                    parts: c.parts.clone(),
                    probability: c.probability,
                    text: c.text.clone(),
                })
                .collect(),
            moved: self.moved(),
            without: self.without.clone(),
            notices: history.notices.iter().map(|n| n.text.clone()).collect(),
        }
    }

    fn series(&self, s: &Series) -> SeriesAnswer {
        let last_day = self.visits.last().map_or(0.0, |v| v.day);
        SeriesAnswer {
            quantity: s.quantity.code(),
            part: s.part.clone(),
            visits: (s.dots.iter())
                .map(|d| DotAnswer {
                    job: self.jobs[d.visit],
                    read: range(d.read),
                    level: range(d.level),
                    set: d.set,
                })
                .collect(),
            rate: s.trend.map(|t| range(t.rate)),
            rate_known: s.trend.is_some_and(|t| t.known),
            limit: s.forecast.map(|f| f.limit),
            limit_at_km: s.forecast.and_then(|f| f.distance_km).map(range),
            limit_in_days: s.forecast.map(|f| {
                range(Interval {
                    value: f.day.value - last_day,
                    lo90: f.day.lo90 - last_day,
                    hi90: f.day.hi90 - last_day,
                })
            }),
        }
    }

    /// Quantity and part of one series, in words.
    pub fn title(&self, index: usize) -> String {
        self.history
            .series
            .get(index)
            .map_or_else(String::new, |s| years_title(s, &DocumentTexts::english()))
    }

    /// What each visit is called, oldest first.
    pub(crate) fn labels(&self) -> Vec<String> {
        self.visits.iter().map(|v| v.label.clone()).collect()
    }

    /// The picture of one series by its place in the list, in the shop's writing; `None` when it has
    /// nothing to show.
    pub fn picture(&self, index: usize, writing: Writing) -> Option<String> {
        let texts = DocumentTexts::english();
        years_picture(&self.history, index, &self.labels(), &texts, writing)
    }
}

/// Where a history ends.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Until<'a> {
    /// Last job that counts; `None` takes all.
    pub(crate) job: Option<i64>,
    /// What that job just left, in place of what is kept of it.
    pub(crate) left: Option<&'a StandingText>,
}

impl Records {
    /// The history of a machine from the kept findings of its jobs.
    ///
    /// # Errors
    /// [`StoreError::Missing`](evenpull_store::StoreError::Missing).
    pub async fn history(&self, machine_id: i64) -> Result<MachineHistory, AppError> {
        let machine = self.store().machine(machine_id).await?;
        let profile = Profile::from_toml("profile.toml", &machine.data.profile_toml)?;
        let until = Until::default();
        self.history_with(machine_id, &machine.data.name, &profile, until)
            .await
    }

    /// The history of the machine of a job as it stood at that job: nothing after it.
    pub(crate) async fn history_until(
        &self,
        machine_id: i64,
        job_id: i64,
    ) -> Result<MachineHistory, AppError> {
        let machine = self.store().machine(machine_id).await?;
        let profile = Profile::from_toml("profile.toml", &machine.data.profile_toml)?;
        let until = Until {
            job: Some(job_id),
            left: None,
        };
        self.history_with(machine_id, &machine.data.name, &profile, until)
            .await
    }

    /// The history as far as `until`.
    pub(crate) async fn history_with(
        &self,
        machine_id: i64,
        name: &str,
        profile: &Profile,
        until: Until<'_>,
    ) -> Result<MachineHistory, AppError> {
        let filter = JobFilter {
            machine_id: Some(machine_id),
            limit: VISITS,
            ..JobFilter::default()
        };
        let mut lines = self.store().jobs(&filter).await?;
        lines.reverse();
        if let Some(job) = until.job {
            lines.retain(|l| l.id <= job);
        }
        let (mut visits, mut jobs, mut without) = (Vec::new(), Vec::new(), Vec::new());
        // What the shop turned after the last reading of a visit shows in the next.
        let mut pending: Vec<String> = Vec::new();
        for line in lines {
            let (before, after) = self.work_of(line.id).await?;
            pending.extend(before);
            let left = match until.left.filter(|_| until.job == Some(line.id)) {
                Some(left) => Some(left.clone()),
                None => (self.store().latest_findings(line.id).await?)
                    .and_then(|f| StandingText::kept(&f.findings.answer_json)),
            };
            match left {
                Some(left) => {
                    let ambient = self.ambient_of(line.id, profile).await?;
                    visits.push(visit(&line, ambient, &left, std::mem::take(&mut pending)));
                    jobs.push(line.id);
                }
                None => without.push(line.id),
            }
            pending.extend(after);
        }
        Ok(MachineHistory {
            machine: name.to_owned(),
            history: history(profile, &visits),
            jobs,
            without,
            visits,
        })
    }

    /// Adjusters turned before the last reading of a job, and after it.
    async fn work_of(&self, job_id: i64) -> Result<(Vec<String>, Vec<String>), AppError> {
        let turns = self.store().adjustments(job_id).await?;
        let counting = turns.into_iter().filter(|t| t.counts());
        let (before, after): (Vec<_>, Vec<_>) = counting.partition(|t| t.reading_id.is_some());
        let names = |list: Vec<evenpull_store::AdjustmentRecord>| {
            list.into_iter().map(|t| t.adjuster).collect::<Vec<_>>()
        };
        Ok((names(before), names(after)))
    }

    async fn ambient_of(&self, job_id: i64, profile: &Profile) -> Result<AmbientData, AppError> {
        let texts = self.store().job_texts(job_id).await?;
        // A profile that was changed since then may not take the job any more.
        let own = Profile::from_toml("profile.toml", &texts.profile_toml);
        let job = Job::from_toml("job.toml", &texts.job_toml, own.as_ref().unwrap_or(profile))?;
        Ok(job.ambient)
    }
}

fn visit(
    line: &JobLine,
    ambient: AmbientData,
    left: &StandingText,
    work: Vec<String>,
) -> PastVisit {
    PastVisit {
        label: format!("job {}", line.id),
        day: line.created.ms as f64 / DAY_MS,
        distance_km: line.odometer_km.map(|km| km as f64),
        ambient_kpa: ambient.pressure_kpa,
        ambient_c: ambient.temperature_c,
        idle_area_mm2: left.idle_area_mm2(),
        standings: left.standings(),
        work,
    }
}

#[cfg(test)]
mod tests;
