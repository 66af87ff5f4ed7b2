//! The whole way from a job's readings to its answer.

use evenpull_job::{Job, Profile};
use evenpull_trace::{CycleReading, Notice};

use crate::advice::{Desk, leave_sealed, settable, spread};
use crate::assessment::{Assessment, Cause, ReadingResult};
use crate::breathing::Breathing;
use crate::doubts::{doubts, held_open, misfit, suspected_passages};
use crate::evidence::Evidence;
use crate::hypothesis;
use crate::lasting::{Lasting, own_record};
use crate::library::Family;
use crate::model::{Model, Space};
use crate::next_reading::{Search, first_of_all};
use crate::posterior::{draw, fit_all, sample};
use crate::record::{Kinship, Record};
use crate::repeats::not_repeated;
use crate::sampling::{Sampled, Sampling};
use crate::summary::{bodies, difference};
use crate::verdict::{Court, causes};
use crate::weigh::Weighed;
use crate::{cylinder, fuelling, fuelling_words, mixture};

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
