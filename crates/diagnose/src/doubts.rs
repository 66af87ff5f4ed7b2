//! What keeps a verdict from standing although a cause leads: readings in doubt, a model that does not fit.

use evenpull_fit::stats::chi2_tail;
use evenpull_job::{Condition, Job, Profile, Reading, SprayResult};
use evenpull_trace::Notice;

use crate::advice::ACT_ON;
use crate::assessment::{Cause, CauseCode};
use crate::evidence::Evidence;
use crate::model::Model;
use crate::posterior::{Fitted, fall_without};
use crate::residuals::Residuals;
use crate::two_signs::Held;

/// Probability of the misfit below which the model itself is doubted.
const MISFIT: f64 = 1e-6;

/// Why the cause that leads does not stand, in short: by its own signs, then by what is doubted in the readings.
pub(crate) fn held_open(
    own: Option<Held>,
    doubts: &[Notice],
    misfit: bool,
    joined: bool,
) -> Vec<String> {
    let of_doubt = |n: &Notice| match n.code {
        "gauges-unchecked" => "the gauges were not checked against each other",
        "speed-unlike-condition" => "a reading ran at another speed than its condition means",
        "depression-unusual" => "a depression is one that no running engine pulls",
        "engine-cold" => "the engine was not warm",
        "stub-reacts" => {
            "the engine changed when a stub was sprayed, and this cause is no leak there"
        }
        "idle-speed-off" => "the idle speed is off, and nothing that was read says why",
        "idle-valve-at-end" => {
            "the idle valve stands at an end of its travel, and nothing that was read says why"
        }
        _ => "the readings are in doubt",
    };
    let misfit = misfit.then_some("the readings do not fit together");
    let joined = joined.then_some("the runners fill each other, which shifts what is read");
    let all = own.map(Held::words).into_iter().chain(misfit).chain(joined);
    let all = all.chain(doubts.iter().map(of_doubt));
    all.map(str::to_owned).collect()
}

/// What keeps a verdict from standing although a cause leads.
pub(crate) fn doubts(
    job: &Job,
    profile: &Profile,
    evidence: &Evidence,
    causes: &[Cause],
) -> Vec<Notice> {
    let mut out: Vec<Notice> = [
        unlike_its_condition(profile, evidence),
        unusual_depression(evidence),
        cold(job, profile),
        leak_shown_by_hand(job, profile, causes),
    ]
    .into_iter()
    .flatten()
    .collect();
    if !evidence.has_areas() && !evidence.gauges_checked {
        out.push(Notice::new(
            "gauges-unchecked",
            "the gauges were neither zeroed nor swapped, so a gauge error looks like a difference \
             between the bodies; swap the hoses and read again (`swapped = true`)",
        ));
    }
    if causes.first().is_none_or(|c| c.code != CauseCode::None) {
        return out;
    }
    let e = &profile.engine;
    let idle: Vec<_> = evidence.points.iter().filter(|p| p.at_stop()).collect();
    // Twice the tolerance: a hunting idle leaves it now and then without a fault.
    if let Some(p) = idle
        .iter()
        .find(|p| (p.rpm - e.idle_rpm).abs() > 2.0 * e.idle_tolerance_rpm)
    {
        out.push(Notice::new(
            "idle-speed-off",
            format!(
                "the bodies breathe alike, but the engine idles at {:.0} rpm where {:.0} +-{:.0} is meant: \
                 look at the idle valve and its hoses, compression, spark and mixture",
                p.rpm, e.idle_rpm, e.idle_tolerance_rpm
            ),
        ));
    }
    let at_end = |steps: f64, travel: f64| steps < 0.02 * travel || steps > 0.98 * travel;
    let travel = profile.idle_valve.map(|v| f64::from(v.steps));
    if let Some((steps, travel)) = idle
        .iter()
        .filter(|p| p.steps_read)
        .find_map(|p| p.steps.zip(travel).filter(|(s, t)| at_end(*s, *t)))
    {
        out.push(Notice::new(
            "idle-valve-at-end",
            format!(
                "the bodies breathe alike, but the idle valve stands at {steps:.0} of {travel:.0} steps, an \
                 end of its travel: find out why before calling the machine sound"
            ),
        ));
    }
    out
}

/// Speed over the usual idle up to which an engine still idles: a fast idle with too much air is below it; assumed.
const IDLES_BELOW: f64 = 2.0;

/// Share of the hold band's lower end, and of its upper end, between which a speed is still one of hold; assumed.
const HELD_WITHIN: [f64; 2] = [0.7, 1.5];

/// A speed that is not one of its reading's condition.
fn unlike_its_condition(profile: &Profile, evidence: &Evidence) -> Option<Notice> {
    let e = &profile.engine;
    let held = [
        HELD_WITHIN[0] * e.hold_rpm[0],
        HELD_WITHIN[1] * e.hold_rpm[1],
    ];
    let points = evidence.points.iter().enumerate();
    points.filter(|(_, p)| p.rpm_read).find_map(|(j, p)| {
        let (number, name) = (j + 1, p.condition.as_str());
        let meant = match p.condition {
            Condition::Idle | Condition::IdleBleedsShut if p.rpm > IDLES_BELOW * e.idle_rpm => {
                format!("about {:.0} rpm", e.idle_rpm)
            }
            Condition::Hold if !(held[0]..=held[1]).contains(&p.rpm) => {
                format!("{:.0} to {:.0} rpm", e.hold_rpm[0], e.hold_rpm[1])
            }
            _ => return None,
        };
        Some(Notice::new(
            "speed-unlike-condition",
            format!(
                "reading {number} is noted as `{name}` and ran at {:.0} rpm where {meant} is meant: correct its \
                 condition or its recording; nothing is settled by it",
                p.rpm
            ),
        ))
    })
}

/// Depressions with the throttle shut or at hold that an engine may pull [kPa]: 25 to 45 are usual, "below 20 or above
/// 50 suspicious" (common practice); more room on both sides, for plates that stand too far shut and large leaks.
const POSSIBLE_KPA: std::ops::RangeInclusive<f64> = 15.0..=65.0;

/// Depressions that no engine pulls there.
fn unusual_depression(evidence: &Evidence) -> Option<Notice> {
    let points = evidence.points.iter().enumerate();
    points
        .filter(|(_, p)| p.condition != Condition::Sweep)
        .find_map(|(j, p)| {
            let read = p.depressions_kpa()?;
            let odd = read.iter().find(|kpa| !POSSIBLE_KPA.contains(kpa))?;
            let number = j + 1;
            Some(Notice::new(
                "depression-unusual",
                format!(
                    "{odd:.1} kPa of depression in reading {number}, where 25 to 45 kPa are usual: look at the unit, \
                     and whether it is a depression and no absolute pressure; nothing is settled by it"
                ),
            ))
        })
}

/// The last reading of a condition, of an engine that was not warm.
fn cold(job: &Job, profile: &Profile) -> Option<Notice> {
    let limit_c = profile.engine.warm_c;
    let readings: Vec<_> = job.readings.iter().enumerate().collect();
    let last_of_its_kind = |j: usize| {
        let condition = readings[j].1.condition;
        readings[j + 1..]
            .iter()
            .all(|(_, r)| r.condition != condition)
    };
    let cold = |&(j, r): &(usize, &Reading)| {
        let engine_c = r.engine_c.filter(|c| *c < limit_c && last_of_its_kind(j))?;
        Some((j + 1, engine_c))
    };
    let (number, engine_c) = readings.iter().find_map(cold)?;
    Some(Notice::new(
        "engine-cold",
        format!(
            "the engine had {engine_c:.0} C in reading {number}, and {limit_c:.0} C or more are wanted: plates and idle \
             air stand elsewhere while it is cold; warm it up and read again"
        ),
    ))
}

/// A leak that was found by hand and leads no cause.
fn leak_shown_by_hand(job: &Job, profile: &Profile, causes: &[Cause]) -> Option<Notice> {
    let sprayed = job.checks.stub_spray.as_ref()?;
    let named = |body: &str| {
        causes
            .iter()
            .take_while(|c| c.probability >= ACT_ON)
            .any(|c| {
                let leaks = [CauseCode::StubLeak, CauseCode::SpindleWear];
                c.body.as_deref() == Some(body) && c.members.iter().any(|m| leaks.contains(m))
            })
    };
    let reacts = |b: usize| sprayed.get(b) == Some(&SprayResult::Change);
    let mut bodies = profile.bodies().iter().enumerate();
    let (_, body) = bodies.find(|&(b, body)| reacts(b) && !named(body))?;
    Some(Notice::new(
        "stub-reacts",
        format!(
            "the engine changed when the stub of {body} was sprayed, so air gets in there, however little the readings \
             show of it: mend that first and read again"
        ),
    ))
}

/// Weight of runners that fill each other from which no cause is to stand on readings that they may have
/// spoilt; assumed.
const SUSPECTED: f64 = 0.2;

/// Says so when the readings look as if the runners filled each other, although no reading shows the
/// passage and the profile has none.
pub(crate) fn suspected_passages(fitted: &[Fitted]) -> Option<Notice> {
    let joined = fitted.iter().filter(|f| f.hypothesis.joins_runners());
    let weight: f64 = joined.map(|f| f.weight).sum();
    (weight > SUSPECTED).then(|| {
        Notice::new(
            "passages-suspected",
            format!(
                "the areas change from idle to hold as if the runners filled each other through the idle-air hoses \
                 or a balance pipe ({:.0} %), which the profile does not name; pinch them off and read again",
                100.0 * weight
            ),
        )
    })
}

/// Says so when even the best hypothesis does not fit the readings to their stated noise, and which of them fits
/// least.
///
/// With proper priors the least chi-square, theirs included, has as many degrees of freedom as there are values read,
/// however many unknowns; and what it falls by without one reading has as many as that reading has values. The
/// second finds one reading that is at odds with all others, which many unknowns between them can nearly hide.
pub(crate) fn misfit(best: &Fitted, model: &Model<'_>, evidence: &Evidence) -> Option<String> {
    let values = values_by_reading(best, model, evidence);
    let all: usize = values.iter().sum();
    let chi2 = best.total_chi2();
    let falls: Vec<(f64, f64)> = (0..values.len())
        .map(|j| {
            let fall = fall_without(model, evidence, best, j).filter(|_| values[j] > 0);
            fall.and_then(|fall| Some((chi2_tail(fall.max(0.0), values[j])?, fall)))
                .unwrap_or((1.0, 0.0))
        })
        .collect();
    let worst = (0..falls.len()).min_by(|&a, &b| falls[a].0.total_cmp(&falls[b].0))?;
    let (own_p, fall) = falls[worst];
    let at_odds = own_p * falls.len() as f64;
    if chi2_tail(chi2, all.max(1))? >= MISFIT && at_odds >= MISFIT {
        return None;
    }
    let number = worst + 1;
    Some(format!(
        "the readings do not fit together (chi-square {chi2:.0} over {all}, {:.0} without reading {number}): check that \
         reading and what was noted with it, the sign of turns first, or take it again; then the profile's coupling \
         and play in the joints; a repair is noted with the reading after it (`repaired`)",
        chi2 - fall
    ))
}

/// Values that each reading has of its own.
fn values_by_reading(best: &Fitted, model: &Model<'_>, evidence: &Evidence) -> Vec<usize> {
    let mut model = model.clone();
    model.suspect = best.hypothesis.suspect;
    Residuals { model, evidence }.values_by_reading(&best.mode)
}
