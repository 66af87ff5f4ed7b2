//! A job from the practice engine: faults are put in, the recordings and files come out.

use std::path::Path;

use evenpull_job::{Adjuster, Condition};
use serde::Serialize;

use crate::error::AppError;
use crate::profiles::LoadedProfile;

mod bench;
mod fault;
mod files;
mod individual;
mod put_in;
mod running;
mod visit;
mod what_if;

pub use fault::{Fault, FaultError, fault_codes};
pub use individual::Individual;
pub(crate) use running::running;
pub use visit::{PracticePoint, PracticeVisit};
pub use what_if::{Changed, MOST_STOP_TURNS, Stands, WhatIf, WhatIfFound, stops, what_if};

use bench::Bench;

/// What to make.
#[derive(Debug, Clone, PartialEq)]
pub struct PracticeRequest<'a> {
    /// Engine profile.
    pub profile: &'a LoadedProfile,
    /// Faults, any number; none makes a healthy engine.
    pub faults: &'a [Fault],
    /// Seed of everything that is left to chance; the same seed gives the same job.
    pub seed: u64,
}

/// What was put in, for comparison with the findings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PracticeTruth {
    /// Faults, as asked for, with their amounts.
    pub faults: Vec<String>,
    /// Stop of each plate [deg above shut].
    pub stop_deg: Vec<f64>,
    /// Error of each link [deg].
    pub link_deg: Vec<f64>,
    /// Leak of each body [mm2]; where a fault scatters, its mean.
    pub leak_mm2: Vec<f64>,
    /// Bleed of each body with the bleeds as found [mm2].
    pub bleed_mm2: Vec<f64>,
    /// Readings.
    pub readings: Vec<ReadingTruth>,
}

/// What the engine did in one reading.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReadingTruth {
    /// Condition.
    pub condition: &'static str,
    /// Engine speed [1/min].
    pub rpm: f64,
    /// Name of the recording.
    pub recording: String,
    /// Opening of each plate [deg above shut].
    pub plate_deg: Vec<f64>,
    /// Through-area of each body [mm2].
    pub through_area_mm2: Vec<f64>,
    /// Drawn air per cycle [mg].
    pub drawn_air_mg: Vec<f64>,
    /// Mean depression [kPa].
    pub mean_depression_kpa: Vec<f64>,
}

/// Runs the practice engine and writes `job.toml`, `profile.toml`, `truth.json` and a recording
/// per reading into `folder`, which is made if it does not exist. A speed that the engine cannot be
/// held at, for its faults, is left out.
///
/// `progress` is told how many of how many readings are done.
///
/// # Errors
/// [`AppError::Practice`] for a fault the engine cannot show or with which it runs at no speed,
/// [`AppError::Engine`] where it breaks down, [`AppError::Unwritable`] for the folder.
pub fn practice(
    request: &PracticeRequest<'_>,
    folder: &Path,
    progress: &mut dyn FnMut(usize, usize),
) -> Result<PracticeTruth, AppError> {
    let own = Individual::none(&request.profile.profile);
    let mut visit = PracticeVisit::begin(request, &own, folder)?;
    let points = visit.plan();
    let mut held = 0;
    for (done, point) in points.iter().enumerate() {
        progress(done, points.len());
        held += usize::from(visit.take_if_held(*point)?);
    }
    if held == 0 {
        return Err(AppError::Practice(
            "with these faults the engine runs at none of the speeds of a job".to_owned(),
        ));
    }
    progress(points.len(), points.len());
    visit.write()
}

/// Turns one adjuster of the engine as `request` sets it up and takes one reading: mean
/// depressions [kPa], profile's order. Positive turns give more opening or area.
///
/// # Errors
/// As for [`practice`].
pub(crate) fn turned(
    request: &PracticeRequest<'_>,
    adjuster: &Adjuster,
    turns: f64,
    condition: Condition,
) -> Result<Vec<f64>, AppError> {
    let profile = &request.profile.profile;
    let mut bench = Bench::new(profile, &Individual::none(profile), request.seed)?;
    for fault in request.faults {
        bench.put_in(fault)?;
    }
    bench.turn(adjuster, turns, turns);
    let mut found = Vec::new();
    // The idle before it sets the idle valve, as in a job.
    for point in bench.points() {
        if point.condition == Condition::Idle || point.condition == condition {
            let taken = bench.take(point, false)?;
            found.clone_from(&taken.trace.truth.mean_depression_pa);
        }
        if point.condition == condition {
            break;
        }
    }
    Ok(found.iter().map(|pa| pa * 1e-3).collect())
}

#[cfg(test)]
mod tests;
