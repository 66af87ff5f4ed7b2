//! The whole way from a job's readings to its answer.

use evenpull_fit::stats::chi2_tail;
use evenpull_job::{Condition, Job, Profile, Reading, SprayResult};
use evenpull_trace::{CycleReading, Notice};

use crate::advice::{Desk, leave_sealed, settable, spread};
use crate::assessment::{Assessment, Cause, CauseCode, ReadingResult};
use crate::breathing::Breathing;
use crate::evidence::Evidence;
use crate::hypothesis;
use crate::lasting::{Lasting, own_record};
use crate::library::Family;
use crate::model::{Model, Space};
use crate::next_reading::{Search, first_of_all};
use crate::posterior::{Fitted, draw, fall_without, fit_all, sample};
use crate::record::{Kinship, Record};
use crate::repeats::not_repeated;
use crate::residuals::Residuals;
use crate::sampling::{Sampled, Sampling};
use crate::summary::{bodies, difference};
use crate::two_signs::Held;
use crate::verdict::{Court, causes};
use crate::weigh::Weighed;
use crate::{cylinder, fuelling, fuelling_words, mixture};

/// Probability of the misfit below which the model itself is doubted.
const MISFIT: f64 = 1e-6;

/// Seed of the draws; the answer to the same job is the same.
const SEED: u64 = 0x5eed_0001;

/// Assesses a job.
///
/// `cycles` holds one entry per reading of `job`, in its order: the analysed recording, or `None`
/// where there are only gauges. All readings are fitted together by bounded least squares on
/// through-areas (on gauge depressions where there are only gauges), once for each hypothesis of
/// what is wrong; causes are weighed as a mixture. Units as in [`Assessment`]. Deterministic.
/// Draws by the normal approximation, [`Sampling::Laplace`]; [`assess_after`] takes the sampling asked for.
pub fn assess(job: &Job, profile: &Profile, cycles: &[Option<CycleReading>]) -> Assessment {
    assess_after(job, profile, cycles, &[], Sampling::Laplace)
}

/// One visit: a job with its analysed recordings, one entry per reading.
#[derive(Debug, Clone, Copy)]
pub struct Visit<'a> {
    /// Job.
    pub job: &'a Job,
    /// Analysed recordings; `None` where there are only gauges.
    pub cycles: &'a [Option<CycleReading>],
    /// What its machine has in common with the one at hand.
    pub kinship: Kinship,
}

/// As [`assess`], beside healthy visits: references of the same kind of machine, then earlier ones of
/// the same machine, oldest first; with draws made as `sampling` says.
///
/// What such a visit says of casting, scale, idle valve and bleeds is carried over with its
/// correlations, of another machine with room for what sets two machines of a kind apart; its stops,
/// links and leaks are its own. One whose stops were moved is not used, with a notice.
pub fn assess_after(
    job: &Job,
    profile: &Profile,
    cycles: &[Option<CycleReading>],
    earlier: &[Visit<'_>],
    sampling: Sampling,
) -> Assessment {
    let beside = Beside {
        earlier,
        ..Beside::default()
    };
    assess_beside(job, profile, cycles, &beside, sampling)
}

/// What is known beside the readings of a job.
#[derive(Debug, Clone, Copy, Default)]
pub struct Beside<'a> {
    /// Earlier healthy visits of the same machine, oldest first.
    pub earlier: &'a [Visit<'a>],
    /// What other healthy visits of the same machine left; not those in `earlier`.
    pub own: &'a [Lasting],
    /// Other healthy machines of the same profile; not this one.
    pub family: Option<&'a Family>,
}

/// The evidence with what is known beside it, and what to say about that.
pub(crate) fn gathered(
    job: &Job,
    profile: &Profile,
    cycles: &[Option<CycleReading>],
    beside: &Beside<'_>,
) -> (Evidence, Vec<Notice>) {
    let refs: Vec<Option<&CycleReading>> = cycles.iter().map(Option::as_ref).collect();
    let mut evidence = Evidence::of(job, profile, &refs);
    let (mut record, said) = remembered(profile, beside.earlier);
    evidence.family_closed_v = (beside.family)
        .and_then(|f| f.closed_v)
        .map(|v| (v.mean, v.next_sd));
    let space = Space::new(profile, &evidence);
    let priors = hypothesis::sound(profile, &space, &evidence);
    let same = |(v, n): (&Visit<'_>, &Notice)| {
        v.kinship == Kinship::SameMachine && n.code == "earlier-record"
    };
    evidence.same_machine = beside.earlier.iter().zip(&said).any(same);
    let own = own_record(beside.own, profile, &space, &priors, &evidence);
    let family = beside
        .family
        .and_then(|f| f.record(profile, &space, &priors, &evidence));
    evidence.same_machine |= own.is_some();
    for more in [own, family].into_iter().flatten() {
        record = Some(match record {
            Some(known) => known.and(more),
            None => more,
        });
    }
    evidence.record = record;
    (evidence, said)
}

/// As [`assess_after`], with all that is known beside the readings.
pub fn assess_beside(
    job: &Job,
    profile: &Profile,
    cycles: &[Option<CycleReading>],
    beside: &Beside<'_>,
    sampling: Sampling,
) -> Assessment {
    let refs: Vec<Option<&CycleReading>> = cycles.iter().map(Option::as_ref).collect();
    let (mut evidence, said) = gathered(job, profile, cycles, beside);
    let model = Model::new(profile, &evidence);
    let mut answer = blank(job, profile, cycles, &evidence);
    answer.notices.extend(said);
    if !evidence.has_areas() && !evidence.has_depressions() {
        answer.notices.push(Notice::new(
            "no-readings",
            "no reading carries areas or depressions of two bodies; take idle and hold readings first",
        ));
        return answer;
    }
    let hypotheses = hypothesis::all(job, profile, &model.space, &evidence);
    let mut fitted = match fit_all(&model, &evidence, hypotheses) {
        Ok(fitted) => fitted,
        Err(e) => {
            answer.notices.push(Notice::new("no-fit", e.to_string()));
            return answer;
        }
    };
    answer.sampled = Some(Sampled::none(sampling));
    if sampling == Sampling::Full {
        let (drawn, sampled, said) = sample(profile, &evidence, fitted, SEED);
        fitted = drawn;
        answer.sampled = Some(sampled);
        answer.notices.extend(said);
    }
    if let Some(notice) = suspected_passages(&fitted) {
        answer.notices.push(notice);
        evidence.cross_flow = true;
    }
    let draws = draw(&fitted, SEED);
    let breathing = Breathing::of(
        profile,
        job.ambient.pressure_kpa * 1e3,
        job.ambient.temperature_c + 273.15,
    );
    let mixtures = mixture::all(job, &refs, &model, &evidence, &draws, breathing);
    let groups = cylinder::groups(job, profile, &mixtures);
    let weighed = Weighed::of(&model, &evidence, &fitted, &draws, groups);
    let probabilities = weighed.probabilities();
    let court = Court {
        job,
        model: &model,
        evidence: &evidence,
        fitted: &fitted,
        weighed: &weighed,
        probabilities: &probabilities,
    };
    let judged = causes(&court);
    let doubted = misfit(&fitted[0], &model, &evidence);
    if let Some(text) = &doubted {
        answer
            .notices
            .push(Notice::new("model-misfit", text.clone()));
    }
    let doubts = doubts(job, profile, &evidence, &judged.causes);
    // Runners that fill each other shift areas and depressions alike: no cause stands on them.
    let joined = evidence.cross_flow && !evidence.is_crossed();
    let weak = judged.open || !doubts.is_empty();
    answer.undetermined = (weak && !evidence.is_crossed()) || doubted.is_some() || joined;
    if answer.undetermined && judged.leads {
        answer.held_open = held_open(judged.held, &doubts, doubted.is_some(), joined);
    }
    answer.notices.extend(doubts);
    answer.causes = judged.causes;
    let search = Search {
        job,
        model: &model,
        evidence: &evidence,
        fitted: &fitted,
        draws: &draws,
        weighed: &weighed,
    };
    answer.doubt_nat = search.doubt_nat();
    answer.readings_to_come = search.readings();
    let led_by = answer.causes.first().map(|c| c.code);
    let asked = || search.asked_by(judged.held?, led_by?);
    let first = first_of_all(model.space.bodies, &evidence).or_else(asked);
    answer.next_reading = first.or_else(|| {
        let family = answer.causes.first().is_some_and(|c| c.members.len() > 1);
        let open = answer.undetermined || family;
        answer.readings_to_come.first().filter(|_| open).cloned()
    });
    let desk = Desk {
        job,
        model: &model,
        evidence: &evidence,
        fitted: &fitted,
        draws: &draws,
        causes: &answer.causes,
        undetermined: answer.undetermined,
        doubted: doubted.is_some() || (!evidence.has_areas() && !evidence.gauges_checked),
        breathing,
    };
    let (steps, too_small) = settable(desk.steps());
    answer.advice = steps;
    answer.notices.extend(too_small);
    let (baseline, said) = desk.baseline();
    answer.advice.extend(desk.baseline_turns(baseline.as_ref()));
    answer.baseline = baseline;
    answer.notices.extend(said);
    if evidence.has_areas() {
        answer.bodies = bodies(&model, &evidence, &draws);
    }
    answer.difference = difference(&model, &draws);
    answer.fuelling = fuelling::curve(&model, &evidence, &draws, breathing);
    answer.mixture_words = fuelling_words::words(profile, &answer.fuelling);
    for (j, reading) in answer.readings.iter_mut().enumerate() {
        let mode = &fitted[0].mode;
        reading.model_area_mm2 = model
            .ln_shown(mode, &evidence, j)
            .iter()
            .map(|a| a.exp())
            .collect();
        let sensed = profile.sensor.map_or(0, |s| s.body);
        reading.plate_deg = model.openings_deg(mode, &evidence, j).get(sensed).copied();
    }
    answer
}

/// What earlier visits say of what lasts, and what to say about them.
fn remembered(profile: &Profile, earlier: &[Visit<'_>]) -> (Option<Record>, Vec<Notice>) {
    let (mut record, mut notices) = (None, Vec::new());
    for (i, visit) in earlier.iter().enumerate() {
        let refs: Vec<Option<&CycleReading>> = visit.cycles.iter().map(Option::as_ref).collect();
        let mut evidence = Evidence::of(visit.job, profile, &refs);
        evidence.record.clone_from(&record);
        let model = Model::new(profile, &evidence);
        let hypotheses = hypothesis::all(visit.job, profile, &model.space, &evidence);
        let fitted = fit_all(&model, &evidence, hypotheses).unwrap_or_default();
        let usable = evidence.has_areas() && !evidence.cross_flow && !evidence.is_crossed();
        let learned = usable
            .then(|| Record::of(&fitted, &model.space, visit.kinship))
            .flatten();
        notices.push(said_of(visit.kinship, i + 1, learned.is_some()));
        record = learned.or(record);
    }
    (record, notices)
}

fn said_of(kinship: Kinship, number: usize, used: bool) -> Notice {
    let (code, text) = match (kinship, used) {
        (Kinship::SameMachine, true) => (
            "earlier-record",
            format!(
                "earlier visit {number} tells casting, discharge, scale, idle valve and bleeds of this machine; \
                 its stops, links and leaks are its own"
            ),
        ),
        (Kinship::SameMachine, false) => (
            "earlier-not-healthy",
            format!(
                "earlier visit {number} is not used: it has no areas to trust, or its stops or throttle sensor \
                 stood as little at the working baseline as now"
            ),
        ),
        (Kinship::SameKind, true) => (
            "reference-record",
            format!(
                "reference {number} tells casting, discharge, scale, idle valve and bleeds of this kind of machine, \
                 as far as two of a kind are alike; its stops, links and leaks are its own"
            ),
        ),
        (Kinship::SameKind, false) => (
            "reference-not-healthy",
            format!(
                "reference {number} is not used: it has no areas to trust (read it with recordings, a sweep among \
                 them), or its own stops or throttle sensor do not stand at the working baseline"
            ),
        ),
    };
    Notice::new(code, text)
}

/// The answer before anything is inferred.
fn blank(
    job: &Job,
    profile: &Profile,
    cycles: &[Option<CycleReading>],
    evidence: &Evidence,
) -> Assessment {
    let readings = job
        .readings
        .iter()
        .zip(cycles)
        .zip(&evidence.points)
        .map(|((reading, cycle), point)| ReadingResult {
            label: match &reading.recording {
                Some(file) => format!("{} {file}", reading.condition.as_str()),
                None => format!("{} (gauges)", reading.condition.as_str()),
            },
            condition: reading.condition.as_str().to_owned(),
            cycle: cycle.clone(),
            gauge_kpa: point.gauge_kpa.clone(),
            spread: point.depressions_kpa().and_then(spread),
            model_area_mm2: Vec::new(),
            plate_deg: None,
        })
        .collect();
    let dead = evidence.gauges_dead.iter().map(|&(reading, body, kpa)| {
        let (number, name) = (reading + 1, &profile.bodies()[body]);
        Notice::new(
            "gauge-shows-nothing",
            format!(
                "the gauge on {name} shows {kpa:.1} kPa in reading {number}, and a running engine pulls more: look for \
                 a hose that is off or kinked or a shut tap; the gauges of that reading are left out"
            ),
        )
    });
    let mut notices: Vec<Notice> = dead.collect();
    notices.extend(evidence.same_traces.iter().map(|&(reading, pair)| {
        let [a, b] = pair.map(|i| cycles[reading].as_ref().map_or("", |c| &c.channels[i].body));
        Notice::new(
            "same-trace",
            format!(
                "{a} and {b} have one and the same trace in reading {}: one sensor stands under two names; look at the \
                 columns of the layout; that recording is left out",
                reading + 1
            ),
        )
    }));
    notices.extend(not_repeated(profile, evidence));
    if evidence.bleeds_assumed {
        notices.push(Notice::new(
            "bleeds-assumed",
            "bleed turns were not noted; half a turn from the seat is taken (usual setting)",
        ));
    }
    Assessment {
        machine: job.machine.clone(),
        profile: profile.name.clone(),
        body_names: profile.bodies().to_vec(),
        good_kpa: profile.tolerance.good_kpa,
        act_kpa: profile.tolerance.act_kpa,
        readings,
        bodies: Vec::new(),
        difference: None,
        causes: Vec::<Cause>::new(),
        undetermined: true,
        held_open: Vec::new(),
        next_reading: None,
        readings_to_come: Vec::new(),
        doubt_nat: 0.0,
        advice: Vec::new(),
        leave_sealed: leave_sealed(profile),
        baseline: None,
        fuelling: Vec::new(),
        sampled: None,
        mixture_words: Vec::new(),
        notices,
    }
}

/// Why the cause that leads does not stand, in short: by its own signs, then by what is doubted in the readings.
fn held_open(own: Option<Held>, doubts: &[Notice], misfit: bool, joined: bool) -> Vec<String> {
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
fn doubts(job: &Job, profile: &Profile, evidence: &Evidence, causes: &[Cause]) -> Vec<Notice> {
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
            .take_while(|c| c.probability > SAYS_MORE_THAN_EVEN)
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

/// Probability above which a cause is more likely than not.
const SAYS_MORE_THAN_EVEN: f64 = 0.5;

/// Weight of runners that fill each other from which no cause is to stand on readings that they may have
/// spoilt; assumed.
const SUSPECTED: f64 = 0.2;

/// Says so when the readings look as if the runners filled each other, although no reading shows the
/// passage and the profile has none.
fn suspected_passages(fitted: &[Fitted]) -> Option<Notice> {
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
fn misfit(best: &Fitted, model: &Model<'_>, evidence: &Evidence) -> Option<String> {
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
