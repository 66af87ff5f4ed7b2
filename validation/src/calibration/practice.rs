//! The same counts on jobs of the practice engine: recordings, import, refill fit and all.

use evenpull_app::{
    AppError, Fault, PracticeRequest, PracticeTruth, assess, load_profile, practice,
};
use evenpull_diagnose::CauseCode;

use super::draw::Evidence;
use super::fault::Truth;
use super::tally::Tally;

/// Profiles the jobs go round.
const PROFILES: [&str; 3] = ["heron-270", "plover-360", "avocet-180"];

/// Faults the jobs go round, with the cause that ought to lead.
const FAULTS: [(&str, CauseCode); 8] = [
    ("none", CauseCode::None),
    ("balance-off", CauseCode::BalanceOff),
    ("spindle-wear", CauseCode::SpindleWear),
    ("stub-leak", CauseCode::StubLeak),
    ("stop-in", CauseCode::StopIn),
    ("bleed-unequal", CauseCode::BleedUnequal),
    ("sensor-shifted", CauseCode::SensorShifted),
    ("gauge-fault", CauseCode::GaugeFault),
];

/// Runs `jobs` jobs of the practice engine and assesses them.
///
/// # Errors
/// As for [`practice`] and [`assess`].
pub fn run_practice(jobs: u64) -> Result<Tally, AppError> {
    let mut tally = Tally::default();
    for seed in 0..jobs {
        let (fault, code) = FAULTS[seed as usize % FAULTS.len()];
        let name = PROFILES[seed as usize / FAULTS.len() % PROFILES.len()];
        let profile = load_profile(name)?;
        let bodies = profile.profile.bodies();
        let side = bodies[seed as usize / 3 % bodies.len()].clone();
        let body = needs_body(code).then_some(side.clone());
        let request = PracticeRequest {
            profile: &profile,
            faults: &[Fault { code, body }],
            seed: 500 + seed,
        };
        let folder = tempfile::tempdir().map_err(|e| AppError::Practice(e.to_string()))?;
        let put_in = practice(&request, folder.path(), &mut |_, _| {})?;
        let outcome = assess(folder.path(), &mut |_, _| {})?;
        let loaded = &outcome.loaded.profile;
        let driven = &bodies[loaded.couplings[0].driven[0]];
        let on = match code {
            CauseCode::BalanceOff => Some(driven.clone()),
            CauseCode::SpindleWear | CauseCode::StubLeak | CauseCode::StopIn => Some(side),
            _ => None,
        };
        let base = loaded.body.stop_opening_deg;
        let truth = truth(fault, code, on, base, &put_in);
        tally.add(seed, &truth, &outcome.assessment);
    }
    Ok(tally)
}

fn needs_body(code: CauseCode) -> bool {
    !matches!(code, CauseCode::None | CauseCode::SensorShifted)
}

fn truth(
    fault: &str,
    code: CauseCode,
    on: Option<String>,
    base_deg: f64,
    put_in: &PracticeTruth,
) -> Truth {
    let idle = put_in.readings.iter().find(|r| r.condition == "idle");
    let plates = idle.map_or(&[][..], |r| r.plate_deg.as_slice());
    let faults = if fault == "none" {
        Vec::new()
    } else {
        vec![(code, on)]
    };
    Truth {
        evidence: Evidence::Full,
        faults,
        arguable: Vec::new(),
        graded: Vec::new(),
        rigid: true,
        offset_deg: plates.iter().map(|d| d - base_deg).collect(),
        leak_mm2: put_in.leak_mm2.clone(),
        bleed_mm2: put_in.bleed_mm2.clone(),
    }
}
