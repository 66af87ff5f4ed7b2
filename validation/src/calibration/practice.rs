//! The same counts on jobs of the practice engine: recordings, import, refill fit and all.

use evenpull_airflow::Plate;
use evenpull_app::{
    AppError, Fault, Individual, PracticeRequest, PracticeTruth, PracticeVisit, Sampling,
    assess_sampled,
};
use evenpull_diagnose::CauseCode;
use evenpull_job::{CouplingLaw, Profile};

use super::draw::Evidence;
use super::fault::{KPA_PER_LN_AREA_AT_IDLE, Truth, kpa_per_deg};
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
    if !put_in.readings.iter().any(|r| r.condition == "idle") {
        // An engine that does not idle says so itself; there is nothing to hold its offsets against.
        return Ok(Tally::default());
    }
    let outcome = assess_sampled(folder.path(), sampling, &mut |_, _| {})?;
    let truth = truth(profile, &own, code, body, &put_in);
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

/// What was put in, and what the machine's own scatter left beyond the limits of a verdict.
fn truth(
    profile: &Profile,
    own: &Individual,
    code: CauseCode,
    body: Option<String>,
    put_in: &PracticeTruth,
) -> Truth {
    let t = profile.tolerance;
    let base = profile.body.stop_opening_deg;
    let idle = put_in.readings.iter().find(|r| r.condition == "idle");
    let plates = idle.map_or(&[][..], |r| r.plate_deg.as_slice());
    let area = idle.map_or(f64::NAN, |r| r.through_area_mm2[0]);
    let plate = Plate::new(
        profile.body.bore_mm * 1e-3,
        profile.body.spindle_mm * 1e-3,
        (profile.body.shut_angle_deg + own.shut_deg).to_radians(),
    )
    .expect("the plate of a practice engine");
    let plate_mm2 = |deg: f64| {
        let rad = deg.to_radians();
        own.discharge * profile.body.discharge.at(rad) * plate.area_m2(rad) * 1e6
    };
    let per_deg = kpa_per_deg(KPA_PER_LN_AREA_AT_IDLE, &plate_mm2, base, area);
    let mut truth = Truth {
        evidence: Evidence::Full,
        faults: Vec::new(),
        arguable: Vec::new(),
        graded: Vec::new(),
        rigid: profile
            .couplings
            .iter()
            .all(|c| c.law == CouplingLaw::Rigid),
        offset_deg: plates.iter().map(|d| d - base).collect(),
        leak_mm2: put_in.leak_mm2.clone(),
        bleed_mm2: put_in.bleed_mm2.clone(),
    };
    let linkage = [CauseCode::BalanceOff, CauseCode::LinkAltered].contains(&code);
    for coupling in &profile.couplings {
        for &b in &coupling.driven {
            let worth_kpa = per_deg * put_in.link_deg[b].abs();
            let on = Some(profile.bodies()[b].clone());
            // A fault on the driving plate's link is one of what it drives.
            let touched = linkage && (body == on || worth_kpa > t.act_kpa);
            let name = if touched { code } else { CauseCode::BalanceOff };
            if worth_kpa > t.good_kpa {
                truth.graded.push((name, on.clone()));
            }
            if worth_kpa > if touched { t.good_kpa } else { t.act_kpa } {
                truth.faults.push((name, on));
            } else if worth_kpa > t.good_kpa {
                truth.arguable.push(CauseCode::BalanceOff);
            }
        }
    }
    let high = put_in.bleed_mm2.iter().copied().fold(0.0, f64::max);
    let low = put_in
        .bleed_mm2
        .iter()
        .copied()
        .fold(f64::INFINITY, f64::min);
    let apart_kpa = KPA_PER_LN_AREA_AT_IDLE * (high - low) / area;
    if apart_kpa > 0.5 * (t.good_kpa + t.act_kpa) {
        truth.graded.push((CauseCode::BleedUnequal, None));
    }
    if apart_kpa > t.act_kpa {
        truth.faults.push((CauseCode::BleedUnequal, None));
    } else if apart_kpa > t.good_kpa {
        truth.arguable.push(CauseCode::BleedUnequal);
    }
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
