//! An invented job from end to end, then the advice tried on the practice engine.

use std::path::Path;
use std::sync::Arc;

use evenpull_job::Condition;

use crate::assess::{AssessOutcome, JobProgress, assess};
use crate::error::AppError;
use crate::practice::{Fault, PracticeRequest, PracticeTruth, practice, turned};
use crate::profiles::load_profile;
use crate::serve::{BenchSource, BenchStart};

/// Profile of the demonstration.
const PROFILE: &str = "heron-270";
/// Seed of the demonstration.
const SEED: u64 = 11;
/// What is put in.
const FAULT: &str = "balance-off";

/// The engine of the demonstration for the bench.
///
/// # Errors
/// None but a fault of the program: profile and fault are embedded.
pub fn demo_bench() -> Result<BenchStart, AppError> {
    let profile = load_profile(PROFILE)?;
    Ok(BenchStart {
        machine: profile.profile.name.clone(),
        profile: Arc::new(profile),
        source: BenchSource::Practice {
            air: None,
            faults: vec![FAULT.parse()?],
            seed: SEED,
        },
    })
}

/// One adjuster turned on the bench, and what that did at hold.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchTrial {
    /// Adjuster.
    pub adjuster: String,
    /// Turns made; positive = more opening or area.
    pub turns: f64,
    /// Spread of the depression at hold before [-].
    pub spread_before: f64,
    /// The same after.
    pub spread_after: f64,
    /// What the advice said it would be, if it said.
    pub predicted_spread: Option<f64>,
    /// Depressions at hold after the turn [kPa], profile's order.
    pub depression_kpa: Vec<f64>,
}

/// Everything the demonstration shows.
#[derive(Debug, Clone, PartialEq)]
pub struct DemoOutcome {
    /// What was put in.
    pub truth: PracticeTruth,
    /// What was found.
    pub found: AssessOutcome,
    /// The advised turns on the practice engine; empty where the advice turns nothing.
    pub trials: Vec<BenchTrial>,
}

/// Makes an invented job in `folder`, assesses it and tries the advice on the practice engine.
///
/// The assessment sees the files alone, not what was put in.
///
/// # Errors
/// [`AppError::Unwritable`] for the folder; anything else would be a fault of the program.
pub fn demo(folder: &Path, progress: &mut JobProgress<'_>) -> Result<DemoOutcome, AppError> {
    let profile = load_profile(PROFILE)?;
    let faults: Vec<Fault> = vec![FAULT.parse()?];
    let request = PracticeRequest {
        profile: &profile,
        faults: &faults,
        seed: SEED,
    };
    let truth = practice(&request, folder, progress)?;
    let found = assess(folder, progress)?;
    let before = truth
        .readings
        .iter()
        .find(|r| r.condition == Condition::Hold.as_str())
        .map_or(f64::NAN, |r| spread(&r.mean_depression_kpa));
    let mut trials = Vec::new();
    for step in &found.assessment.advice {
        let adjuster = found.loaded.profile.adjuster(&step.adjuster);
        let (Some(adjuster), Some(by)) = (adjuster, step.turns) else {
            continue;
        };
        if adjuster.kind.is_sealed() {
            continue;
        }
        let turns = if step.way == adjuster.less {
            -by.value
        } else {
            by.value
        };
        let after = turned(&request, &adjuster, turns, Condition::Hold)?;
        trials.push(BenchTrial {
            adjuster: adjuster.name,
            turns,
            spread_before: before,
            spread_after: spread(&after),
            predicted_spread: step.predicted_spread,
            depression_kpa: after,
        });
    }
    Ok(DemoOutcome {
        truth,
        found,
        trials,
    })
}

/// (max - min)/mean [-].
fn spread(values: &[f64]) -> f64 {
    let max = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let min = values.iter().copied().fold(f64::INFINITY, f64::min);
    (max - min) * values.len() as f64 / values.iter().sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The advised turns must even out an engine the assessment has never seen inside.
    #[test]
    fn the_advice_works_on_the_bench() {
        let folder = tempfile::tempdir().unwrap();
        let outcome = demo(folder.path(), &mut |_, _| {}).unwrap();
        let trial = outcome
            .trials
            .iter()
            .find(|t| t.adjuster == "balance screw")
            .unwrap_or_else(|| panic!("no turn advised: {:#?}", outcome.found.assessment.causes));
        assert!(trial.spread_before > 0.02, "{trial:?}");
        assert!(trial.spread_after < 0.4 * trial.spread_before, "{trial:?}");
    }
}
