//! Healthy machines whose runners fill each other through the idle-air chamber.
//!
//! Nothing is wrong with them. Read unpinched, with the passages named by the profile or not, they
//! must not be given a cause that stands or a turn; read pinched, their areas must be as good as
//! without passages.

use std::fmt::Write as _;

use evenpull_app::{
    AppError, Assessment, Individual, PracticePoint, PracticeRequest, PracticeVisit, ReadingTruth,
    Sampling, assess_sampled,
};
use evenpull_diagnose::CauseCode;
use evenpull_job::{Condition, Profile};

use super::chance::Chance;
use super::kind::{KINDS, Kind};
use super::on_all_cores;

/// Passages between each runner and the chamber [mm2].
const PASSAGE_MM2: (f64, f64) = (0.5, 12.0);

/// Ways a machine is read.
const WAYS: [&str; 4] = [
    "unpinched, named",
    "unpinched, not named",
    "pinched",
    "without passages",
];

/// What one reading of a machine led to.
#[derive(Debug, Clone, PartialEq)]
pub struct Led {
    /// A cause that stands although nothing is wrong.
    pub cause: Option<String>,
    /// An adjuster that was to be turned.
    pub turn: Option<String>,
    /// The answer asked for the pinch.
    pub pinch: bool,
    /// Largest error of the ratio of an area to the mean of its reading [-].
    pub ratio_error: f64,
}

/// One machine, read in every way.
#[derive(Debug, Clone, PartialEq)]
pub struct CrossFlowTrial {
    /// Kind of engine.
    pub kind: Kind,
    /// Passage [mm2].
    pub passage_mm2: f64,
    /// Unpinched it idles below its speed, its idle valve driven open to the end: the passage, not the
    /// valve, throttles the idle air, and the machine is not healthy.
    pub starved: bool,
    /// By way of reading.
    pub led: Vec<Led>,
}

/// Reads the machine of one seed.
///
/// # Errors
/// As for [`PracticeVisit`] and [`assess_sampled`].
///
/// # Panics
/// If a built-in profile with a passage is refused.
pub fn cross_flow_trial(kind: Kind, seed: u64) -> Result<CrossFlowTrial, AppError> {
    let mut chance = Chance::of(3, seed);
    let mut loaded = kind.sized(&mut chance)?;
    let passage_mm2 = chance.between(PASSAGE_MM2.0, PASSAGE_MM2.1);
    let mut own = Individual::drawn(&loaded.profile, seed);
    own.idle_chamber_mm2 = Some(passage_mm2);
    let silent = loaded.text.clone();
    let named = silent.replace(
        "idle_chamber_mm2 = 0.0",
        &format!("idle_chamber_mm2 = {passage_mm2:.1}"),
    );
    let mut led = Vec::new();
    let mut starved = false;
    for way in WAYS {
        if way == "without passages" {
            own.idle_chamber_mm2 = Some(0.0);
        }
        loaded
            .text
            .clone_from(if way.ends_with("not named") || way == "without passages" {
                &silent
            } else {
                &named
            });
        loaded.profile = Profile::from_toml("profile.toml", &loaded.text)
            .expect("a built-in profile with a passage");
        let folder = tempfile::tempdir().map_err(|e| AppError::Practice(e.to_string()))?;
        let request = PracticeRequest {
            profile: &loaded,
            faults: &[],
            seed,
        };
        let mut visit = PracticeVisit::begin(&request, &own, folder.path())?;
        for point in visit.plan() {
            take(&mut visit, point, way == "pinched")?;
        }
        let truth = visit.write()?;
        let found = assess_sampled(folder.path(), Sampling::Laplace, &mut |_, _| {})?.assessment;
        if way.starts_with("unpinched") {
            let engine = &loaded.profile.engine;
            let least_rpm = engine.idle_rpm - engine.idle_tolerance_rpm;
            let slow = |r: &ReadingTruth| r.condition == "idle" && r.rpm < least_rpm;
            starved |= truth.readings.iter().any(slow);
        }
        let areas: Vec<Vec<f64>> = truth
            .readings
            .into_iter()
            .map(|r| r.through_area_mm2)
            .collect();
        led.push(judged(&found, &areas));
    }
    Ok(CrossFlowTrial {
        kind,
        passage_mm2,
        starved,
        led,
    })
}

/// Takes a reading; with the hoses pinched and the bleeds shut the engine may not run, and a shop
/// goes on without that reading.
fn take(
    visit: &mut PracticeVisit<'_>,
    point: PracticePoint,
    pinched: bool,
) -> Result<(), AppError> {
    let taken = visit.take(PracticePoint { pinched, ..point });
    match taken {
        Err(AppError::Engine(_)) if pinched && point.condition != Condition::Hold => Ok(()),
        other => other.map(|_| ()),
    }
}

fn judged(found: &Assessment, areas_mm2: &[Vec<f64>]) -> Led {
    let leads = found.causes.first();
    let stands = |c: &&evenpull_diagnose::Cause| c.code != CauseCode::None && !found.undetermined;
    let mut ratio_error = 0.0_f64;
    for (reading, truth) in found.readings.iter().zip(areas_mm2) {
        let Some(cycle) = &reading.cycle else {
            continue;
        };
        let read: Vec<Option<f64>> = cycle
            .channels
            .iter()
            .map(|c| c.through_area_mm2.map(|a| a.value))
            .collect();
        let Some(read) = read.into_iter().collect::<Option<Vec<f64>>>() else {
            continue;
        };
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let (read_mean, true_mean) = (mean(&read), mean(truth));
        for (r, t) in read.iter().zip(truth) {
            ratio_error = ratio_error.max((r / read_mean / (t / true_mean) - 1.0).abs());
        }
    }
    Led {
        cause: leads
            .filter(stands)
            .map(|c| format!("{:?} {:.2}", c.code, c.probability)),
        turn: found
            .advice
            .iter()
            .find(|a| a.turns.is_some())
            .map(|a| a.adjuster.clone()),
        pinch: found.advice.iter().any(|a| a.adjuster == "idle-air hoses"),
        ratio_error,
    }
}

/// Trials sorted into a table.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CrossFlowTable {
    /// Every trial.
    pub trials: Vec<CrossFlowTrial>,
}

/// Reads `jobs` machines, going round the kinds.
///
/// # Errors
/// As for [`cross_flow_trial`].
pub fn run_cross_flows(jobs: u64) -> Result<CrossFlowTable, AppError> {
    let trials = on_all_cores(jobs, |seed| {
        cross_flow_trial(KINDS[seed as usize % KINDS.len()], 9_000 + seed)
    })?;
    Ok(CrossFlowTable { trials })
}

impl CrossFlowTable {
    /// Share of the healthy machines given a cause that stands or a turn, by way of reading.
    pub fn misled(&self, way: usize) -> f64 {
        self.share(way, |l| l.cause.is_some() || l.turn.is_some())
    }

    /// Share of the healthy machines that were led so, by way of reading.
    fn share(&self, way: usize, led: impl Fn(&Led) -> bool) -> f64 {
        let healthy = || self.trials.iter().filter(|t| !t.starved);
        healthy().filter(|t| led(&t.led[way])).count() as f64 / healthy().count().max(1) as f64
    }

    /// The table as printed; `wrong` lists the machines that were misled.
    pub fn text(&self, wrong: bool) -> String {
        let starved = self.trials.iter().filter(|t| t.starved).count();
        let mut out = format!(
            "{} healthy machines, passages of {} to {} mm2; {starved} more, too slow at idle by their \
             passages, not counted\n\
             {:<22} {:>8} {:>8} {:>8} {:>9}  worst area ratio (median, 95 %)\n",
            self.trials.len() - starved,
            PASSAGE_MM2.0,
            PASSAGE_MM2.1,
            "",
            "misled",
            "cause",
            "turn",
            "to pinch"
        );
        for (w, way) in WAYS.iter().enumerate() {
            let share = |pick: &dyn Fn(&Led) -> bool| 100.0 * self.share(w, pick);
            let healthy = self.trials.iter().filter(|t| !t.starved);
            let mut errors: Vec<f64> = healthy.map(|t| t.led[w].ratio_error).collect();
            errors.sort_by(f64::total_cmp);
            let at = |q: f64| {
                let i = (errors.len().saturating_sub(1) as f64 * q).round() as usize;
                100.0 * errors.get(i).copied().unwrap_or(f64::NAN)
            };
            let _ = writeln!(
                out,
                "{way:<22} {:>6.1} % {:>6.1} % {:>6.1} % {:>7.1} %  {:.1} %, {:.1} %",
                100.0 * self.misled(w),
                share(&|l| l.cause.is_some()),
                share(&|l| l.turn.is_some()),
                share(&|l| l.pinch),
                at(0.5),
                at(0.95)
            );
        }
        if wrong {
            for t in &self.trials {
                for (way, led) in WAYS.iter().zip(&t.led) {
                    if led.cause.is_some() || led.turn.is_some() {
                        let _ = writeln!(
                            out,
                            "{} {:.1} mm2{} {way}: {:?} {:?} area ratio off {:.1} %",
                            t.kind.title(),
                            t.passage_mm2,
                            if t.starved { " (too slow at idle)" } else { "" },
                            led.cause,
                            led.turn,
                            100.0 * led.ratio_error
                        );
                    }
                }
            }
        }
        out
    }
}
