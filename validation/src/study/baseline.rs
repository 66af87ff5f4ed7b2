//! How well the baseline stage knows where the stops belong.
//!
//! A machine unlike its profile is spoilt: a stop moved and the sensor re-learned, in half of the jobs
//! with the throttle sensor moved as well, so that the raw volts tell nothing. It is read with a sweep
//! of eight openings, alone and beside a healthy visit of the same machine.

use std::fmt::Write as _;
use std::path::Path;

use evenpull_app::{
    AppError, Fault, Individual, LoadedProfile, PracticePoint, PracticeRequest, PracticeVisit,
    Sampling, assess_sampled,
};
use evenpull_diagnose::{Assessment, CauseCode};
use evenpull_job::Condition;

use super::chance::Chance;
use super::kind::{KINDS, Kind};
use super::on_all_cores;

/// Openings of the sweep between idle and its last.
const SWEEP: usize = 8;

/// Speed of the last opening over the middle of the hold band: 6 to 8 degrees above shut at no load.
const LAST_OVER_HOLD: f64 = 1.15;

/// Volts by which a moved throttle sensor is off its record, either way [V]: 0.4 to 1 degree.
const SENSOR_V: (f64, f64) = (0.02, 0.05);

/// What one assessment said of the plates.
#[derive(Debug, Clone, PartialEq)]
pub struct Said {
    /// Middle of each offset less the truth [deg].
    pub error_deg: Vec<f64>,
    /// The 90 % interval of each offset holds the truth.
    pub holds: Vec<bool>,
    /// Half of each 90 % interval [deg].
    pub half_deg: Vec<f64>,
    /// A baseline was given, and called well enough known.
    pub given: Option<bool>,
    /// A stop led the causes.
    pub named: bool,
    /// The leading causes, for lists.
    pub led: String,
}

/// One machine.
#[derive(Debug, Clone, PartialEq)]
pub struct BaselineTrial {
    /// Kind of engine.
    pub kind: Kind,
    /// What was done.
    pub put_in: String,
    /// The throttle sensor was moved too.
    pub sensor_moved: bool,
    /// True offsets of the plates with the throttle shut [deg].
    pub offset_deg: Vec<f64>,
    /// Largest opening of the sweep [deg above shut].
    pub opened_deg: f64,
    /// Without and with the earlier visit.
    pub said: [Said; 2],
}

/// Spoils and reads the machine of one seed.
///
/// # Errors
/// As for [`PracticeVisit`] and [`assess_sampled`].
pub fn baseline_trial(kind: Kind, seed: u64) -> Result<BaselineTrial, AppError> {
    let mut chance = Chance::of(2, seed);
    let loaded = kind.sized(&mut chance)?;
    let own = Individual::drawn(&loaded.profile, seed);
    let folder = tempfile::tempdir().map_err(|e| AppError::Practice(e.to_string()))?;
    let [before, alone, beside] =
        ["before", "alone", "beside"].map(|name| folder.path().join(name));
    read(&loaded, &own, &[], seed, None, "", &before)?;
    let code = if chance.chance(0.7) || loaded.profile.one_shaft() {
        CauseCode::StopIn
    } else {
        CauseCode::StopsBoth
    };
    let fault = Fault { code, body: None };
    let volts = chance.either(SENSOR_V.0, SENSOR_V.1);
    let sensor = chance.chance(0.5).then_some(volts);
    let line = "earlier = [\"../before\"]";
    let faults = std::slice::from_ref(&fault);
    let visit = read(&loaded, &own, faults, seed + 500_000, sensor, "", &alone)?;
    // The same readings once more, with the line that names the earlier visit.
    std::fs::create_dir_all(&beside).map_err(|e| AppError::Practice(e.to_string()))?;
    copy(&alone, &beside, line).map_err(|e| AppError::Practice(e.to_string()))?;
    let base = loaded.profile.body.stop_opening_deg;
    let idle = visit.readings.iter().find(|r| r.condition == "idle");
    let plates = idle.map_or(&[][..], |r| r.plate_deg.as_slice());
    let offset_deg: Vec<f64> = plates.iter().map(|p| p - base).collect();
    let opened_deg = visit
        .readings
        .iter()
        .flat_map(|r| r.plate_deg.iter().copied())
        .fold(0.0, f64::max);
    let mut said = Vec::new();
    for path in [&alone, &beside] {
        said.push(heard(
            &assess_sampled(path, Sampling::Laplace, &mut |_, _| {})?.assessment,
            &offset_deg,
        ));
    }
    let second = said.pop().expect("two assessments");
    let first = said.pop().expect("two assessments");
    Ok(BaselineTrial {
        kind,
        put_in: visit.faults.join(", "),
        sensor_moved: sensor.is_some(),
        offset_deg,
        opened_deg,
        said: [first, second],
    })
}

fn read(
    loaded: &LoadedProfile,
    own: &Individual,
    faults: &[Fault],
    seed: u64,
    sensor_v: Option<f64>,
    head: &str,
    folder: &Path,
) -> Result<evenpull_app::PracticeTruth, AppError> {
    let request = PracticeRequest {
        profile: loaded,
        faults,
        seed,
    };
    let mut visit = PracticeVisit::begin(&request, own, folder)?;
    if let Some(volts) = sensor_v {
        visit.move_sensor(volts);
    }
    if !head.is_empty() {
        visit.head_line(head);
    }
    for point in sweep(&visit.plan()) {
        visit.take(point)?;
    }
    visit.write()
}

/// Idle with bleeds shut, idle, and eight openings with the hold among them.
fn sweep(plan: &[PracticePoint]) -> Vec<PracticePoint> {
    let mut out: Vec<PracticePoint> = plan
        .iter()
        .filter(|p| p.condition.throttle_shut())
        .copied()
        .collect();
    let hold = plan[plan.len() - 1];
    let idle_rpm = out[0].rpm;
    let last = LAST_OVER_HOLD * hold.rpm;
    out.extend((1..=SWEEP).map(|i| PracticePoint {
        condition: Condition::Sweep,
        rpm: idle_rpm + (last - idle_rpm) * i as f64 / SWEEP as f64,
        ..hold
    }));
    out.push(hold);
    out
}

fn copy(from: &Path, to: &Path, line: &str) -> std::io::Result<()> {
    for entry in std::fs::read_dir(from)? {
        let entry = entry?;
        std::fs::copy(entry.path(), to.join(entry.file_name()))?;
    }
    let job = to.join("job.toml");
    let text = std::fs::read_to_string(&job)?;
    std::fs::write(
        &job,
        text.replacen("[ambient]", &format!("{line}\n[ambient]"), 1),
    )
}

fn heard(found: &Assessment, offset_deg: &[f64]) -> Said {
    let stops = [CauseCode::StopIn, CauseCode::StopOut, CauseCode::StopsBoth];
    let pairs = || found.bodies.iter().zip(offset_deg);
    Said {
        error_deg: pairs().map(|(b, t)| b.offset_deg.value - t).collect(),
        holds: pairs()
            .map(|(b, t)| (b.offset_deg.lo90..=b.offset_deg.hi90).contains(t))
            .collect(),
        half_deg: pairs()
            .map(|(b, _)| 0.5 * (b.offset_deg.hi90 - b.offset_deg.lo90))
            .collect(),
        given: found.baseline.as_ref().map(|b| b.sure),
        named: found
            .causes
            .first()
            .is_some_and(|c| c.members.iter().any(|m| stops.contains(m))),
        led: leading(found),
    }
}

fn leading(found: &Assessment) -> String {
    let some = found.causes.iter().take(4);
    some.map(|c| format!("{:?} {:.2}", c.code, c.probability))
        .collect::<Vec<_>>()
        .join(", ")
}

/// Trials sorted into a table.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct BaselineTable {
    /// Every trial.
    pub trials: Vec<BaselineTrial>,
}

/// Spoils and reads `jobs` machines, going round the kinds.
///
/// # Errors
/// As for [`baseline_trial`].
pub fn run_baselines(jobs: u64) -> Result<BaselineTable, AppError> {
    let trials = on_all_cores(jobs, |seed| {
        baseline_trial(KINDS[seed as usize % KINDS.len()], 7_000 + seed)
    })?;
    Ok(BaselineTable { trials })
}

impl BaselineTable {
    fn of(&self, earlier: bool, sensor_moved: Option<bool>) -> Vec<&Said> {
        self.trials
            .iter()
            .filter(|t| sensor_moved.is_none_or(|m| m == t.sensor_moved))
            .map(|t| &t.said[usize::from(earlier)])
            .collect()
    }

    /// Median error of an offset [deg].
    pub fn median_deg(&self, earlier: bool, sensor_moved: Option<bool>) -> f64 {
        let said = self.of(earlier, sensor_moved);
        middle(
            said.iter()
                .flat_map(|s| s.error_deg.iter().map(|e| e.abs())),
        )
    }

    /// Share of the 90 % intervals that hold the truth.
    pub fn held(&self, earlier: bool, sensor_moved: Option<bool>) -> f64 {
        let said = self.of(earlier, sensor_moved);
        let all: Vec<bool> = said.iter().flat_map(|s| s.holds.iter().copied()).collect();
        all.iter().filter(|h| **h).count() as f64 / all.len().max(1) as f64
    }

    /// The table as printed; `wrong` lists the machines whose interval misses.
    pub fn text(&self, wrong: bool) -> String {
        let opened = middle(self.trials.iter().map(|t| t.opened_deg));
        let mut out = format!(
            "{} machines, sweep to {opened:.1} degrees above shut (median)\n{:<44} {:>8} {:>10} {:>12} {:>9} {:>9}\n",
            self.trials.len(),
            "",
            "held",
            "median deg",
            "half 90 deg",
            "baseline",
            "sure"
        );
        for earlier in [false, true] {
            for (moved, what) in [
                (None, "all"),
                (Some(false), "sensor as it was"),
                (Some(true), "sensor moved too"),
            ] {
                let said = self.of(earlier, moved);
                let record = if earlier {
                    "earlier record"
                } else {
                    "no earlier record"
                };
                let half = middle(said.iter().flat_map(|s| s.half_deg.iter().copied()));
                let given = said.iter().filter(|s| s.given.is_some()).count();
                let sure = said.iter().filter(|s| s.given == Some(true)).count();
                let _ = writeln!(
                    out,
                    "{:<44} {:>6.1} % {:>10.3} {half:>12.3} {given:>4}/{:<4} {sure:>9}",
                    format!("{record}, {what}"),
                    100.0 * self.held(earlier, moved),
                    self.median_deg(earlier, moved),
                    said.len()
                );
            }
        }
        if wrong {
            let missed = |t: &&BaselineTrial| t.said.iter().any(|s| s.holds.contains(&false));
            for t in self.trials.iter().filter(missed) {
                let _ = writeln!(
                    out,
                    "{}: {} sensor moved {} offsets {:.2?}; alone {:.2?} +-{:.2?} ({}); beside {:.2?} +-{:.2?} ({})",
                    t.kind.title(),
                    t.put_in,
                    t.sensor_moved,
                    t.offset_deg,
                    t.said[0].error_deg,
                    t.said[0].half_deg,
                    t.said[0].led,
                    t.said[1].error_deg,
                    t.said[1].half_deg,
                    t.said[1].led
                );
            }
        }
        out
    }
}

fn middle(values: impl Iterator<Item = f64>) -> f64 {
    let mut all: Vec<f64> = values.collect();
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 2).copied().unwrap_or(f64::NAN)
}
