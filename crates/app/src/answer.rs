//! The machine-readable answers `evenpull.read/1` and `evenpull.assess/1`.
//!
//! Field names and nesting are a contract. A value that is missing or not finite is `null`.

use evenpull_diagnose::{
    Assessment, BASELINE_WORDS, CauseCode, Interval, ReadingResult, Sampled, Sampling,
};
use evenpull_trace::{ChannelReading, CycleReading, Measured, Notice, Scaled};
use serde::Serialize;

/// A value with its random standard deviation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MeasuredAnswer {
    /// Best value.
    pub value: Option<f64>,
    /// Standard deviation.
    pub sd: Option<f64>,
}

/// A value with its random and its common standard deviation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ScaledAnswer {
    /// Best value.
    pub value: Option<f64>,
    /// Random standard deviation.
    pub sd: Option<f64>,
    /// Standard deviation of the common V/n scale.
    pub scale_sd: Option<f64>,
}

/// A value with its 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct IntervalAnswer {
    /// Best value.
    pub value: Option<f64>,
    /// Lower end.
    pub lo90: Option<f64>,
    /// Upper end.
    pub hi90: Option<f64>,
}

/// A remark.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct NoticeAnswer {
    /// Stable code.
    pub code: String,
    /// Sentence.
    pub text: String,
}

/// One body in one reading.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelAnswer {
    /// Body.
    pub body: String,
    /// Mean depression [kPa].
    pub mean_depression_kpa: Option<f64>,
    /// Lowest absolute pressure [kPa].
    pub lowest_kpa: Option<f64>,
    /// Refill rate [1/s].
    pub refill_rate_per_s: Option<MeasuredAnswer>,
    /// Through-area [mm2].
    pub through_area_mm2: Option<ScaledAnswer>,
    /// Drawn air per cycle [mg].
    pub drawn_air_mg: Option<ScaledAnswer>,
}

/// What one recording or one row of gauges said, shared by both formats.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReadingBody {
    /// Engine speed [1/min].
    pub rpm: Option<MeasuredAnswer>,
    /// Whole cycles used.
    pub cycles: usize,
    /// One per body.
    pub channels: Vec<ChannelAnswer>,
    /// Doubts.
    pub notices: Vec<NoticeAnswer>,
}

/// `evenpull.read/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReadAnswer {
    /// `evenpull.read/1`.
    pub format: &'static str,
    /// The reading.
    #[serde(flatten)]
    pub reading: ReadingBody,
}

/// One reading of a job.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JobReadingAnswer {
    /// Condition.
    pub condition: String,
    /// The reading.
    #[serde(flatten)]
    pub reading: ReadingBody,
}

/// Where one body stands.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BodyAnswer {
    /// Body.
    pub body: String,
    /// Plate offset [deg].
    pub offset_deg: IntervalAnswer,
    /// Leak [mm2].
    pub leak_mm2: IntervalAnswer,
    /// Bleed [mm2].
    pub bleed_mm2: IntervalAnswer,
}

/// First body minus second.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DifferenceAnswer {
    /// Plate offset [deg].
    pub offset_deg: IntervalAnswer,
    /// Leak [mm2].
    pub leak_mm2: IntervalAnswer,
}

/// One cause or family.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CauseAnswer {
    /// Likeliest code.
    pub code: &'static str,
    /// Codes of the family.
    pub members: Vec<&'static str>,
    /// Body concerned.
    pub body: Option<String>,
    /// Probability.
    pub probability: Option<f64>,
    /// Evidence for.
    #[serde(rename = "for")]
    pub evidence_for: Vec<String>,
    /// Evidence against.
    #[serde(rename = "against")]
    pub evidence_against: Vec<String>,
}

/// Next reading.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NextReadingAnswer {
    /// What to do.
    pub what: String,
    /// What it separates.
    pub why: String,
    /// Shop time [min].
    pub minutes: Option<f64>,
}

/// One step of work.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AdviceAnswer {
    /// Adjuster.
    pub adjuster: String,
    /// Turns.
    pub turns: Option<f64>,
    /// Which way.
    pub way: String,
    /// Spread expected afterwards [-].
    pub predicted_spread: Option<f64>,
    /// What must be true first.
    pub gate: String,
}

/// Baseline target of one body.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BaselineBodyAnswer {
    /// Body.
    pub body: String,
    /// Where its plate stands with the throttle shut over the baseline [deg].
    pub offset_deg: IntervalAnswer,
    /// Turns of its own stop back to the baseline, positive = in.
    pub stop_turns: IntervalAnswer,
    /// Raw sensor volts with this plate at the baseline [V].
    pub stop_v: Option<IntervalAnswer>,
}

/// Working baseline.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BaselineAnswer {
    /// What it is, in words.
    pub what: &'static str,
    /// Known well enough to set a stop by.
    pub sure: bool,
    /// One entry per body.
    pub bodies: Vec<BaselineBodyAnswer>,
    /// Independent signs that a stop was moved.
    pub signs: Vec<String>,
    /// How to tell that it came out right.
    pub verify: Vec<String>,
    /// When to give it up.
    pub give_up: Vec<String>,
    /// Raw sensor volts on the stop [V].
    pub stop_v: IntervalAnswer,
    /// Idle-valve steps.
    pub idle_valve_steps: Option<IntervalAnswer>,
    /// Idle depression [kPa].
    pub idle_depression_kpa: Option<IntervalAnswer>,
}

/// Mixture consequence at one point.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FuellingAnswer {
    /// Body.
    pub body: String,
    /// Opening the ECU believes in [deg].
    pub opening_deg: Option<f64>,
    /// Speed [1/min].
    pub rpm: Option<f64>,
    /// Air error [%].
    pub air_error_percent: IntervalAnswer,
}

/// What the draws behind intervals and probabilities are worth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SamplingAnswer {
    /// `chains`, or `laplace`: the normal approximation alone.
    pub method: &'static str,
    /// Hypotheses drawn from by chains that agree.
    pub hypotheses: usize,
    /// Their weight in the mixture.
    pub share: Option<f64>,
    /// Chains of each.
    pub chains: usize,
    /// Draws kept of a chain, the fewest.
    pub draws: usize,
    /// Largest R-hat.
    pub worst_r_hat: Option<f64>,
    /// Least effective number of draws.
    pub least_ess: Option<f64>,
    /// Trajectories that diverged.
    pub divergences: usize,
    /// Hypotheses whose chains did not agree.
    pub fell_back: usize,
}

/// `evenpull.assess/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AssessAnswer {
    /// `evenpull.assess/1`.
    pub format: &'static str,
    /// Readings, in the job's order.
    pub readings: Vec<JobReadingAnswer>,
    /// Bodies.
    pub bodies: Vec<BodyAnswer>,
    /// First minus second body.
    pub difference: Option<DifferenceAnswer>,
    /// Causes, most probable first.
    pub causes: Vec<CauseAnswer>,
    /// True when the readings do not decide.
    pub undetermined: bool,
    /// Why the cause that leads is no verdict all the same.
    pub held_open: Vec<String>,
    /// Next reading.
    pub next_reading: Option<NextReadingAnswer>,
    /// Steps of work.
    pub advice: Vec<AdviceAnswer>,
    /// What stays sealed.
    pub leave_sealed: Vec<String>,
    /// Baseline.
    pub baseline: Option<BaselineAnswer>,
    /// Mixture consequences.
    pub fuelling: Vec<FuellingAnswer>,
    /// How the draws behind intervals and probabilities were made.
    pub sampling: Option<SamplingAnswer>,
    /// The same in plain words, one sentence each.
    pub mixture: Vec<String>,
    /// Remarks on the whole job.
    pub notices: Vec<NoticeAnswer>,
}

/// The `evenpull.read/1` answer of one recording.
pub fn read_answer(reading: &CycleReading) -> ReadAnswer {
    ReadAnswer {
        format: "evenpull.read/1",
        reading: cycle_body(reading),
    }
}

/// The `evenpull.assess/1` answer of a job.
///
/// `typed_rpm` runs parallel to the readings: the speed read off a dial, for readings without a
/// recording; it has no standard deviation.
pub fn assess_answer(a: &Assessment, typed_rpm: &[Option<f64>]) -> AssessAnswer {
    AssessAnswer {
        format: "evenpull.assess/1",
        readings: a
            .readings
            .iter()
            .enumerate()
            .map(|(i, r)| job_reading(r, &a.body_names, typed_rpm.get(i).copied().flatten()))
            .collect(),
        bodies: a
            .bodies
            .iter()
            .map(|b| BodyAnswer {
                body: b.body.clone(),
                offset_deg: interval(b.offset_deg),
                leak_mm2: interval(b.leak_mm2),
                bleed_mm2: interval(b.bleed_mm2),
            })
            .collect(),
        difference: a.difference.map(|d| DifferenceAnswer {
            offset_deg: interval(d.offset_deg),
            leak_mm2: interval(d.leak_mm2),
        }),
        causes: causes(a),
        undetermined: a.undetermined,
        held_open: a.held_open.clone(),
        next_reading: a.next_reading.as_ref().map(|n| NextReadingAnswer {
            what: n.what.clone(),
            why: n.why.clone(),
            minutes: finite(n.minutes),
        }),
        advice: advice(a),
        leave_sealed: a.leave_sealed.clone(),
        baseline: a.baseline.as_ref().map(|b| BaselineAnswer {
            stop_v: interval(b.stop_v),
            idle_valve_steps: b.idle_valve_steps.map(interval),
            idle_depression_kpa: b.idle_depression_kpa.map(interval),
            what: BASELINE_WORDS,
            sure: b.sure,
            bodies: b
                .bodies
                .iter()
                .map(|t| BaselineBodyAnswer {
                    body: t.body.clone(),
                    offset_deg: interval(t.offset_deg),
                    stop_turns: interval(t.stop_turns),
                    stop_v: t.stop_v.map(interval),
                })
                .collect(),
            signs: b.signs.clone(),
            verify: b.verify.clone(),
            give_up: b.give_up.clone(),
        }),
        fuelling: a
            .fuelling
            .iter()
            .map(|f| FuellingAnswer {
                body: f.body.clone(),
                opening_deg: finite(f.opening_deg),
                rpm: finite(f.rpm),
                air_error_percent: interval(f.air_error_percent),
            })
            .collect(),
        sampling: a.sampled.as_ref().map(sampling),
        mixture: a.mixture_words.clone(),
        notices: notices(&a.notices),
    }
}

fn sampling(s: &Sampled) -> SamplingAnswer {
    SamplingAnswer {
        method: match s.sampling {
            Sampling::Laplace => "laplace",
            Sampling::Full => "chains",
        },
        hypotheses: s.hypotheses,
        share: finite(s.share),
        chains: s.chains,
        draws: s.draws,
        worst_r_hat: s.worst_r_hat.and_then(finite),
        least_ess: s.least_ess.and_then(finite),
        divergences: s.divergences,
        fell_back: s.fell_back,
    }
}

fn causes(a: &Assessment) -> Vec<CauseAnswer> {
    a.causes
        .iter()
        .map(|c| CauseAnswer {
            code: cause_code(c.code),
            members: c.members.iter().copied().map(cause_code).collect(),
            body: c.body.clone(),
            probability: finite(c.probability),
            evidence_for: c.evidence_for.clone(),
            evidence_against: c.evidence_against.clone(),
        })
        .collect()
}

fn advice(a: &Assessment) -> Vec<AdviceAnswer> {
    a.advice
        .iter()
        .map(|s| AdviceAnswer {
            adjuster: s.adjuster.clone(),
            turns: s.turns.and_then(|t| finite(t.value)),
            way: s.way.clone(),
            predicted_spread: s.predicted_spread.and_then(finite),
            gate: s.gate.clone(),
        })
        .collect()
}

/// The code of a cause as files and scripts write it.
pub fn cause_code(code: CauseCode) -> &'static str {
    match code {
        CauseCode::None => "none",
        CauseCode::BalanceOff => "balance-off",
        CauseCode::LinkAltered => "link-altered",
        CauseCode::StopIn => "stop-in",
        CauseCode::StopOut => "stop-out",
        CauseCode::StopsBoth => "stops-both",
        CauseCode::SensorShifted => "sensor-shifted",
        CauseCode::SensorWorn => "sensor-worn",
        CauseCode::BleedUnequal => "bleed-unequal",
        CauseCode::BleedBlocked => "bleed-blocked",
        CauseCode::SpindleWear => "spindle-wear",
        CauseCode::StubLeak => "stub-leak",
        CauseCode::ValveTight => "valve-tight",
        CauseCode::ValveLoose => "valve-loose",
        CauseCode::CompressionLow => "compression-low",
        CauseCode::IdleValveStuckOpen => "idle-valve-stuck-open",
        CauseCode::IdleValveStuckShut => "idle-valve-stuck-shut",
        CauseCode::IdleAirHose => "idle-air-hose",
        CauseCode::FilterBlocked => "filter-blocked",
        CauseCode::InjectorUnequal => "injector-unequal",
        CauseCode::SparkWeak => "spark-weak",
        CauseCode::GaugeFault => "gauge-fault",
        CauseCode::CrossedHoses => "crossed-hoses",
        CauseCode::CableTight => "cable-tight",
    }
}

fn job_reading(r: &ReadingResult, bodies: &[String], rpm: Option<f64>) -> JobReadingAnswer {
    let reading = match &r.cycle {
        Some(cycle) => cycle_body(cycle),
        None => gauge_body(r.gauge_kpa.as_deref(), bodies, rpm),
    };
    JobReadingAnswer {
        condition: r.condition.clone(),
        reading,
    }
}

fn cycle_body(reading: &CycleReading) -> ReadingBody {
    ReadingBody {
        rpm: Some(measured(reading.rpm)),
        cycles: reading.cycles,
        channels: reading.channels.iter().map(channel).collect(),
        notices: notices(&reading.notices),
    }
}

/// Gauges show a mean depression and nothing else.
fn gauge_body(gauge_kpa: Option<&[f64]>, bodies: &[String], rpm: Option<f64>) -> ReadingBody {
    let channels = bodies.iter().enumerate().map(|(i, body)| ChannelAnswer {
        body: body.clone(),
        mean_depression_kpa: gauge_kpa.and_then(|g| g.get(i).copied()).and_then(finite),
        lowest_kpa: None,
        refill_rate_per_s: None,
        through_area_mm2: None,
        drawn_air_mg: None,
    });
    ReadingBody {
        rpm: rpm.map(|value| MeasuredAnswer {
            value: finite(value),
            sd: None,
        }),
        cycles: 0,
        channels: channels.collect(),
        notices: Vec::new(),
    }
}

fn channel(c: &ChannelReading) -> ChannelAnswer {
    ChannelAnswer {
        body: c.body.clone(),
        mean_depression_kpa: finite(c.mean_depression_kpa),
        lowest_kpa: finite(c.lowest_kpa),
        // A rate that could not be fitted is absent as a whole.
        refill_rate_per_s: finite(c.refill_rate_per_s.value).map(|_| measured(c.refill_rate_per_s)),
        through_area_mm2: c.through_area_mm2.map(scaled),
        drawn_air_mg: c.drawn_air_mg.map(scaled),
    }
}

pub(crate) fn finite(v: f64) -> Option<f64> {
    v.is_finite().then_some(v)
}

pub(crate) fn measured(m: Measured) -> MeasuredAnswer {
    MeasuredAnswer {
        value: finite(m.value),
        sd: finite(m.sd),
    }
}

pub(crate) fn scaled(s: Scaled) -> ScaledAnswer {
    ScaledAnswer {
        value: finite(s.value),
        sd: finite(s.sd),
        scale_sd: finite(s.scale_sd),
    }
}

fn interval(i: Interval) -> IntervalAnswer {
    IntervalAnswer {
        value: finite(i.value),
        lo90: finite(i.lo90),
        hi90: finite(i.hi90),
    }
}

pub(crate) fn notices(list: &[Notice]) -> Vec<NoticeAnswer> {
    list.iter()
        .map(|n| NoticeAnswer {
            code: n.code.to_owned(),
            text: n.text.clone(),
        })
        .collect()
}

#[cfg(test)]
mod tests;
