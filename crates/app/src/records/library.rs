//! The shop's library: healthy, handed-over jobs of one engine profile as a family.

use evenpull_diagnose::{Bike, Family, FamilyValue, Lasting};
use evenpull_job::Profile;
use evenpull_store::{HealthyJob, LibrarySwitch};
use serde::Serialize;

use super::Records;
use crate::error::AppError;
use crate::standing::StandingText;

/// A job that is in the library, or could be.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LibraryJob {
    /// Job.
    pub job: i64,
    /// Its machine's number.
    pub machine_id: i64,
    /// Its machine.
    pub machine: String,
    /// Name of the profile it was done with.
    pub profile: String,
    /// It counts.
    pub in_library: bool,
    /// Why it does not, if it does not.
    pub why_not: Option<String>,
}

/// One lasting unknown of a family, for lists.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LibraryValue {
    /// Code of the unknown.
    pub unknown: String,
    /// In words.
    pub words: &'static str,
    /// Mean of the family.
    pub mean: f64,
    /// Standard deviation of that mean.
    pub mean_sd: f64,
    /// Spread between machines.
    pub spread: f64,
    /// Standard deviation of the next machine.
    pub next_sd: f64,
    /// Standard deviation without the library.
    pub profile_sd: f64,
}

/// One point of the family's reference sweep.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LibrarySweep {
    /// Body.
    pub body: String,
    /// Opening over the stop by the sensor's volts [deg].
    pub over_stop_deg: f64,
    /// Through-area [mm2].
    pub area_mm2: f64,
    /// Standard deviation of the next machine [mm2].
    pub next_sd_mm2: f64,
    /// Machines that read it.
    pub machines: usize,
}

/// The family of one profile: who and what is in it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LibraryView {
    /// `evenpull.library/1`.
    pub format: &'static str,
    /// Profile.
    pub profile: String,
    /// Jobs, those that do not count too.
    pub jobs: Vec<LibraryJob>,
    /// Machines that count.
    pub machines: usize,
    /// Values; empty where no machine counts.
    pub values: Vec<LibraryValue>,
    /// Closed sensor volts over the profile's: mean and standard deviation of the next machine [V].
    pub closed_v: Option<(f64, f64)>,
    /// Reference sweep.
    pub sweep: Vec<LibrarySweep>,
}

/// What is known beside the readings of a job, from the records.
#[derive(Debug, Clone, Default)]
pub(crate) struct Known {
    /// Healthy visits of the same machine.
    pub(crate) own: Vec<Lasting>,
    /// Other healthy machines of the profile.
    pub(crate) family: Option<Family>,
}

impl Known {
    pub(crate) fn is_empty(&self) -> bool {
        self.own.is_empty() && self.family.is_none()
    }
}

/// A healthy job with what it left.
struct Entry {
    job: HealthyJob,
    profile: Profile,
    left: Option<StandingText>,
    switch: Option<LibrarySwitch>,
}

impl Entry {
    fn why_not(&self) -> Option<String> {
        if let Some(switch) = self.switch.as_ref().filter(|s| !s.taken_in) {
            return Some(format!("left out: {}", switch.reason));
        }
        match &self.left {
            None => return Some("found by an older program: assess it again".to_owned()),
            Some(left) if left.lasting(&self.profile).is_none() => {
                return Some(
                    "its readings carry no areas to trust, or are of the practice engine"
                        .to_owned(),
                );
            }
            Some(_) => {}
        }
        (!self.job.handed_over).then(|| "not handed over or closed yet".to_owned())
    }
}

/// Whether two profiles say the same of an engine, whatever they are called and leave to defaults.
fn alike(a: &Profile, b: &Profile) -> bool {
    let bare = |p: &Profile| Profile {
        name: String::new(),
        assumed: Vec::new(),
        ..p.clone()
    };
    bare(a) == bare(b)
}

impl Records {
    async fn healthy(&self) -> Result<Vec<Entry>, AppError> {
        let switches = self.store().library_switches().await?;
        let jobs = self.store().healthy_jobs().await?;
        jobs.into_iter()
            .map(|job| {
                Ok(Entry {
                    profile: Profile::from_toml("profile.toml", &job.profile_toml)?,
                    left: StandingText::kept(&job.answer_json),
                    switch: switches.iter().find(|s| s.job_id == job.job_id).cloned(),
                    job,
                })
            })
            .collect()
    }

    /// What the records know beside the readings of a job: earlier healthy visits of its machine, and
    /// other machines of its profile.
    pub(crate) async fn known_beside(&self, job_id: i64) -> Result<Known, AppError> {
        let machine_id = self.store().job_line(job_id).await?.machine_id;
        let texts = self.store().job_texts(job_id).await?;
        let profile = Profile::from_toml("profile.toml", &texts.profile_toml)?;
        let mut entries = self.healthy().await?;
        entries.retain(|e| e.why_not().is_none() && alike(&e.profile, &profile));
        let own = (entries.iter())
            .filter(|e| e.job.machine_id == machine_id && e.job.job_id < job_id)
            .filter_map(|e| e.left.as_ref()?.lasting(&profile))
            .collect();
        entries.retain(|e| e.job.machine_id != machine_id);
        Ok(Known {
            own,
            family: Family::of(&profile, &bikes(&entries)),
        })
    }

    /// Every healthy job with its place in the library, by number.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn library(&self) -> Result<Vec<LibraryJob>, AppError> {
        Ok(self.healthy().await?.iter().map(line).collect())
    }

    /// The family of a profile by its name, as the jobs on record name it.
    ///
    /// # Errors
    /// [`AppError::UnknownWord`] where no healthy job names it.
    pub async fn library_of(&self, profile: &str) -> Result<LibraryView, AppError> {
        let mut entries = self.healthy().await?;
        let named = |e: &&Entry| e.profile.name == profile;
        let Some(like) = entries.iter().rfind(named).map(|e| e.profile.clone()) else {
            let mut known: Vec<String> = entries.into_iter().map(|e| e.profile.name).collect();
            known.sort();
            known.dedup();
            return Err(AppError::UnknownWord {
                what: "profile of a healthy job on record".to_owned(),
                word: profile.to_owned(),
                known: match known.is_empty() {
                    true => "none: the library is empty".to_owned(),
                    false => known.join(", "),
                },
            });
        };
        entries.retain(|e| alike(&e.profile, &like));
        let jobs = entries.iter().map(line).collect();
        entries.retain(|e| e.why_not().is_none());
        let family = Family::of(&like, &bikes(&entries));
        Ok(view(&like, jobs, family))
    }

    /// Leaves a job out of the library, with the reason.
    ///
    /// # Errors
    /// As [`Store::switch_library`](evenpull_store::Store::switch_library).
    pub async fn leave_out(&self, job_id: i64, reason: &str) -> Result<(), AppError> {
        let at = self.now();
        self.store()
            .switch_library(job_id, false, reason, at)
            .await?;
        Ok(())
    }

    /// Takes a job in again that was left out; whether it counts is still for its findings to say.
    ///
    /// # Errors
    /// As for leaving out.
    pub async fn take_in(&self, job_id: i64) -> Result<(), AppError> {
        let at = self.now();
        self.store().switch_library(job_id, true, "", at).await?;
        Ok(())
    }
}

fn line(entry: &Entry) -> LibraryJob {
    let why_not = entry.why_not();
    LibraryJob {
        job: entry.job.job_id,
        machine_id: entry.job.machine_id,
        machine: entry.job.machine.clone(),
        profile: entry.profile.name.clone(),
        in_library: why_not.is_none(),
        why_not,
    }
}

/// Machines of one family that are looked at, the latest: more say little more.
const MOST: usize = 30;

/// One entry per machine, all its visits together.
fn bikes(entries: &[Entry]) -> Vec<Bike> {
    let mut out: Vec<(i64, Bike)> = Vec::new();
    for entry in entries {
        let Some(left) = &entry.left else {
            continue;
        };
        let own = match out.iter().position(|(id, _)| *id == entry.job.machine_id) {
            Some(i) => i,
            None => {
                out.push((
                    entry.job.machine_id,
                    Bike {
                        label: entry.job.machine.clone(),
                        lasting: Vec::new(),
                        closed_v: Vec::new(),
                        sweep: Vec::new(),
                    },
                ));
                out.len() - 1
            }
        };
        let bike = &mut out[own].1;
        bike.lasting.extend(left.lasting(&entry.profile));
        bike.closed_v.extend(left.closed_v());
        bike.sweep.extend(left.sweep());
    }
    let before = out.len().saturating_sub(MOST);
    out.into_iter().skip(before).map(|(_, bike)| bike).collect()
}

fn view(profile: &Profile, jobs: Vec<LibraryJob>, family: Option<Family>) -> LibraryView {
    let value = |v: &FamilyValue| LibraryValue {
        unknown: v.unknown.code(),
        words: v.unknown.words(),
        mean: v.mean,
        mean_sd: v.mean_sd,
        spread: v.spread,
        next_sd: v.next_sd,
        profile_sd: v.profile.1,
    };
    let sweep = family.iter().flat_map(|f| &f.sweep);
    LibraryView {
        format: "evenpull.library/1",
        profile: profile.name.clone(),
        jobs,
        machines: family.as_ref().map_or(0, |f| f.bikes.len()),
        values: family
            .iter()
            .flat_map(|f| f.values.iter().map(value))
            .collect(),
        closed_v: family
            .as_ref()
            .and_then(|f| f.closed_v)
            .map(|v| (v.mean, v.next_sd)),
        sweep: sweep
            .map(|p| LibrarySweep {
                body: profile.bodies()[p.body].clone(),
                over_stop_deg: p.over_stop_deg,
                area_mm2: p.area_mm2,
                next_sd_mm2: p.next_sd * p.area_mm2,
                machines: p.machines,
            })
            .collect(),
    }
}
