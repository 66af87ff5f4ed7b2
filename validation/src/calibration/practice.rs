//! The same counts on jobs of the practice engine: recordings, import, refill fit and all.

use evenpull_app::{
    AppError, Fault, Individual, LoadedProfile, PracticePoint, PracticeRequest, PracticeTruth,
    PracticeVisit, ReadingTruth, Sampling, assess_sampled,
};
use evenpull_diagnose::CauseCode;
use evenpull_job::{Condition, CouplingLaw, Profile};

use super::draw::Evidence;
use super::fault::Truth;
use super::tally::Tally;
use crate::study::{Chance, KINDS, on_all_cores};

/// Faults and their chances: what a probability means can only be counted among machines that come in as
/// often as this. Shares of the drawn areas ([`super::fault`]), two faults at once left out; assumed.
const FAULTS: [(CauseCode, f64); 12] = [
    (CauseCode::None, 0.30),
    (CauseCode::BalanceOff, 0.17),
    (CauseCode::SpindleWear, 0.09),
    (CauseCode::StubLeak, 0.09),
    (CauseCode::StopIn, 0.07),
    (CauseCode::BleedUnequal, 0.05),
    (CauseCode::SensorShifted, 0.04),
    (CauseCode::GaugeFault, 0.04),
    (CauseCode::LinkAltered, 0.04),
    (CauseCode::StopsBoth, 0.04),
    (CauseCode::IdleValveStuckOpen, 0.035),
    (CauseCode::IdleValveStuckShut, 0.035),
];

/// Takes `jobs` machines of the practice engine through a whole visit and assesses them.
///
/// Machines go round the built-in profiles under both coupling laws; faults and their sizes, deviations of
/// the machine from its profile, weather and noise come from the seed.
///
/// # Errors
/// As for [`PracticeVisit`] and [`assess_sampled`].
pub fn run_practice(jobs: u64, sampling: Sampling) -> Result<Tally, AppError> {
    let all = on_all_cores(jobs, |seed| one(seed, sampling))?;
    Ok(all.into_iter().fold(Tally::default(), |mut whole, part| {
        whole.merge(part);
        whole
    }))
}

fn one(seed: u64, sampling: Sampling) -> Result<Tally, AppError> {
    let kind = KINDS[seed as usize % KINDS.len()];
    let mut chance = Chance::of(5, seed);
    let code = chance.pick(&FAULTS);
    let loaded = kind.sized(&mut chance)?;
    let profile = &loaded.profile;
    let code = possible(code, profile);
    let drawn = chance.one_of(profile.bodies().len());
    // One shaft has one stop, named after its first body.
    let only = code == CauseCode::StopIn && profile.one_shaft();
    let side = profile.bodies()[if only { 0 } else { drawn }].clone();
    let body = needs_body(code).then_some(side);
    let request = PracticeRequest {
        profile: &loaded,
        faults: &[Fault {
            code,
            body: body.clone(),
        }],
        seed: 500 + seed,
    };
    let folder = tempfile::tempdir().map_err(|e| AppError::Practice(e.to_string()))?;
    let own = Individual::drawn(profile, 9_000 + seed);
    let mut visit = PracticeVisit::begin(&request, &own, folder.path())?;
    for point in visit.plan() {
        visit.take_if_held(point)?;
    }
    let put_in = visit.write()?;
    let Some(idle) = put_in.readings.iter().find(|r| r.condition == "idle") else {
        // An engine that does not idle says so itself; there is nothing to hold its offsets against.
        return Ok(Tally::default());
    };
    let outcome = assess_sampled(folder.path(), sampling, &mut |_, _| {})?;
    let worth = Worth::of(&loaded, &own, idle)?;
    let truth = truth(profile, worth, (code, body), &put_in, idle);
    let mut tally = Tally::default();
    tally.add(seed, &truth, &outcome.assessment);
    Ok(tally)
}

/// The fault, or none where the engine has no part for it.
fn possible(code: CauseCode, profile: &Profile) -> CauseCode {
    let lacks = match code {
        CauseCode::BalanceOff | CauseCode::LinkAltered => profile.couplings.is_empty(),
        CauseCode::StopsBoth => profile.one_shaft(),
        CauseCode::BleedUnequal => profile.bleed.is_none(),
        CauseCode::SensorShifted => profile.sensor.is_none(),
        CauseCode::IdleValveStuckOpen | CauseCode::IdleValveStuckShut => {
            profile.idle_valve.is_none()
        }
        _ => false,
    };
    if lacks { CauseCode::None } else { code }
}

fn needs_body(code: CauseCode) -> bool {
    use CauseCode::{
        BalanceOff, BleedUnequal, GaugeFault, LinkAltered, SpindleWear, StopIn, StubLeak,
    };
    [
        BalanceOff,
        BleedUnequal,
        GaugeFault,
        LinkAltered,
        SpindleWear,
        StopIn,
        StubLeak,
    ]
    .contains(&code)
}

/// What a plate and an area are worth in depression on one machine as it stands at idle, by the practice
/// engine itself and not by any law of the assessment.
#[derive(Debug, Clone, Copy)]
struct Worth {
    /// A degree of plate, mean of the bodies [kPa].
    kpa_per_deg: f64,
    /// A square millimetre, mean of the bodies [kPa].
    kpa_per_mm2: f64,
}

/// Leak that tells what area is worth [mm2]: a tenth of the through-area at idle.
const PROBE_MM2: f64 = 0.8;

impl Worth {
    fn of(loaded: &LoadedProfile, own: &Individual, idle: &ReadingTruth) -> Result<Self, AppError> {
        let per_ln = kpa_per_ln_area(loaded, own)?;
        let throttle = own.throttle(&loaded.profile)?;
        let mean = |each: &dyn Fn(usize) -> f64| {
            let n = idle.plate_deg.len();
            (0..n).map(each).sum::<f64>() / n as f64
        };
        let slope_mm2_per_deg = |b: usize| {
            let at = idle.plate_deg[b].to_radians();
            1e6 * throttle.dthrough_area_m2_per_rad(at) * 1f64.to_radians()
        };
        let area = &idle.through_area_mm2;
        Ok(Self {
            kpa_per_deg: mean(&|b| per_ln * slope_mm2_per_deg(b) / area[b]),
            kpa_per_mm2: mean(&|b| per_ln / area[b]),
        })
    }
}

/// Fall of depression over the logarithm of through-area at idle [kPa]: the machine without its fault, run with a
/// leak on its first body.
fn kpa_per_ln_area(loaded: &LoadedProfile, own: &Individual) -> Result<f64, AppError> {
    let mut leaking = own.clone();
    if let Some(leaks) = &mut leaking.leak_mm2 {
        leaks[0] += PROBE_MM2;
    }
    let request = PracticeRequest {
        profile: loaded,
        faults: &[],
        seed: 1,
    };
    let folder = tempfile::tempdir().map_err(|e| AppError::Practice(e.to_string()))?;
    let mut visit = PracticeVisit::begin(&request, &leaking, folder.path())?;
    let idle = visit.take(PracticePoint {
        condition: Condition::Idle,
        rpm: loaded.profile.engine.idle_rpm,
        pinched: false,
    })?;
    let beyond = |v: &[f64]| {
        let others = &v[1..];
        v[0] - others.iter().sum::<f64>() / others.len() as f64
    };
    let ln: Vec<f64> = idle.through_area_mm2.iter().map(|a| a.ln()).collect();
    Ok(-beyond(&idle.mean_depression_kpa) / beyond(&ln))
}

/// What was put in, and what the machine's own scatter left beyond the limits of a verdict.
fn truth(
    profile: &Profile,
    worth: Worth,
    (code, body): (CauseCode, Option<String>),
    put_in: &PracticeTruth,
    idle: &ReadingTruth,
) -> Truth {
    let t = profile.tolerance;
    let base = profile.body.stop_opening_deg;
    let mut truth = Truth {
        evidence: Evidence::Full,
        faults: Vec::new(),
        arguable: Vec::new(),
        graded: Vec::new(),
        rigid: profile
            .couplings
            .iter()
            .all(|c| c.law == CouplingLaw::Rigid),
        offset_deg: idle.plate_deg.iter().map(|d| d - base).collect(),
        leak_mm2: put_in.leak_mm2.clone(),
        bleed_mm2: put_in.bleed_mm2.clone(),
    };
    let linkage = [CauseCode::BalanceOff, CauseCode::LinkAltered].contains(&code);
    for coupling in &profile.couplings {
        for &b in &coupling.driven {
            let worth_kpa = worth.kpa_per_deg * put_in.link_deg[b].abs();
            let on = Some(profile.bodies()[b].clone());
            // A fault on the driving plate's link is one of what it drives.
            let touched = linkage && (body == on || worth_kpa > t.act_kpa);
            let name = if touched { code } else { CauseCode::BalanceOff };
            truth.sort_link(t, (name, on), worth_kpa, touched);
        }
    }
    truth.sort_bleeds(t, worth.kpa_per_mm2);
    if !linkage && ![CauseCode::None, CauseCode::BleedUnequal].contains(&code) {
        let on = if code == CauseCode::GaugeFault {
            None
        } else {
            body
        };
        if code == CauseCode::StopIn {
            truth.graded.push((code, on.clone()));
        }
        truth.faults.push((code, on));
    }
    truth
}
