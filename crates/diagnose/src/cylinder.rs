//! Causes that leave the through-areas alone: valves, compression, spark, injectors, filter.
//!
//! Each is weighed by channels of its own as odds against its absence, beside whatever the areas
//! say, so that it takes nothing from a fault of the bodies and any of them may be there together.
//! Causes that explain the same channel stand in one [`Group`] and exclude each other. What a weak
//! cylinder shares with its fellows is that the engine then asks for more air than a sound one.

use evenpull_job::{Job, PerBody, Profile, SprayResult};
use nalgebra::{Cholesky, DMatrix, DVector};

use evenpull_fit::stats::normal_cdf;

use crate::assessment::CauseCode;
use crate::hypothesis::Fault;

/// Prior odds in a workshop asked about uneven running, one body each but for the filter; common
/// practice, no source.
mod odds {
    pub(super) const INJECTOR: f64 = 0.03;
    pub(super) const SPARK: f64 = 0.03;
    pub(super) const COMPRESSION: f64 = 0.02;
    pub(super) const VALVE: f64 = 0.05;
    pub(super) const FILTER: f64 = 0.03;
}

/// Repeatability of a feeler gauge [mm]: half a thou; common practice, no source.
const FEELER_SD_MM: f64 = 0.013;

/// How far beyond its range a clearance that is out may be [mm]; assumed.
const CLEARANCE_BEYOND_MM: f64 = 0.10;

/// Mean and spread of a sound cylinder's compression over the highest [-].
///
/// The lowest should be at least 85 to 90 % of the highest; from memory.
const EVEN_COMPRESSION: (f64, f64) = (0.97, 0.035);

/// Range of a bad one over the highest [-]; assumed.
const BAD_COMPRESSION: (f64, f64) = (0.3, 0.9);

/// Leak-down of a sound cylinder [%]: 2 to 8.
const SOUND_LEAK_DOWN: (f64, f64) = (5.0, 2.0);

/// Range of a bad one [%]; above 10 look, above 20 repair; from memory.
const BAD_LEAK_DOWN: (f64, f64) = (8.0, 60.0);

/// Lambda of one pipe: spread of a reading, and of injectors and air between sound cylinders [ln].
///
/// Sides within 0.5 % CO is usual, about 2 % of lambda; from memory.
const LAMBDA_SD: (f64, f64) = (0.02, 0.025);

/// Level of lambda common to all pipes [ln]; open loop, so wide; assumed.
const LAMBDA_LEVEL_SD: f64 = 0.12;

/// Spread of the error of an injector that is off, and false lean of misfiring [ln]; assumed.
const INJECTOR_SD: f64 = 0.15;
const MISFIRE: (f64, f64) = (0.15, 0.08);

/// One cause with the odds of its being there over its absence, by its own channels.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Alternative {
    pub(crate) fault: Fault,
    pub(crate) odds: f64,
    /// Makes the engine ask for more air at idle.
    pub(crate) weak: bool,
    /// A channel of its own speaks, one sentence each.
    pub(crate) signs: Vec<String>,
    pub(crate) against: Vec<String>,
    /// The part itself was measured, which settles it alone.
    pub(crate) direct: bool,
}

/// Causes that exclude each other.
pub(crate) type Group = Vec<Alternative>;

/// Air drawn by each body over the mean, as logarithm, for one reading with lambda.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct AirAndLambda {
    pub(crate) ln_lambda: Vec<f64>,
    /// Logarithm of each body's air over the mean, and how well it is known.
    pub(crate) ln_air: Vec<f64>,
    pub(crate) air_sd: f64,
}

/// All causes for which a channel is at hand; the others stay out.
pub(crate) fn groups(job: &Job, profile: &Profile, mixtures: &[AirAndLambda]) -> Vec<Group> {
    let mut all: Vec<Group> = (0..profile.bodies().len())
        .flat_map(|b| [sealing(job, profile, b), loose(job, profile, b)])
        .collect();
    all.push(fuelling(profile, mixtures));
    all.push(filter(job));
    all.retain(|g| !g.is_empty());
    all
}

/// Causes that only the air asked for at idle speaks for: what makes a cylinder weak and was not
/// looked at.
pub(crate) fn unseen(groups: &[Group]) -> Group {
    let seen = |code: CauseCode| groups.iter().flatten().any(|a| a.fault.code == code);
    [
        (CauseCode::SparkWeak, 2.0 * odds::SPARK),
        (CauseCode::InjectorUnequal, 2.0 * odds::INJECTOR),
        (CauseCode::CompressionLow, 2.0 * odds::COMPRESSION),
        (CauseCode::FilterBlocked, odds::FILTER),
    ]
    .into_iter()
    .filter(|(code, _)| !seen(*code))
    .map(|(code, odds)| Alternative {
        fault: Fault::anywhere(code),
        odds,
        weak: true,
        signs: Vec::new(),
        against: Vec::new(),
        direct: false,
    })
    .collect()
}

/// Density of a value that lies evenly in a range but for a normal error.
fn even(value: f64, (lo, hi): (f64, f64), sd: f64) -> f64 {
    (normal_cdf((value - lo) / sd) - normal_cdf((value - hi) / sd)) / (hi - lo)
}

fn normal(value: f64, mean: f64, sd: f64) -> f64 {
    (-0.5 * ((value - mean) / sd).powi(2)).exp() / (sd * std::f64::consts::TAU.sqrt())
}

/// Keeps a ratio of densities from resting on tails nobody has measured.
fn bounded(ratio: f64) -> f64 {
    ratio.clamp(1e-3, 1e4)
}

/// Tight valves and low compression of one body.
fn sealing(job: &Job, profile: &Profile, b: usize) -> Group {
    let name = &profile.bodies()[b];
    let checks = &job.checks;
    let (mut low, mut signs, mut against) = (1.0, Vec::new(), Vec::new());
    let mut measured = false;
    if let Some((value, highest)) = compression(checks.compression_kpa.as_ref(), b) {
        let ratio = value / highest;
        let sound = normal(
            ratio.min(EVEN_COMPRESSION.0),
            EVEN_COMPRESSION.0,
            EVEN_COMPRESSION.1,
        );
        let own = bounded(even(ratio, BAD_COMPRESSION, 0.02) / sound);
        low *= own;
        let text = format!(
            "compression of {name} is {value:.0} kPa, {:.0} % of the highest",
            100.0 * ratio
        );
        if own > 3.0 { &mut signs } else { &mut against }.push(text);
        measured = own > 3.0;
    }
    let mut leaks = 1.0;
    if let Some(&percent) = checks.leak_down_percent.as_ref().and_then(|l| l.get(b)) {
        let sound = normal(
            percent.max(SOUND_LEAK_DOWN.0),
            SOUND_LEAK_DOWN.0,
            SOUND_LEAK_DOWN.1,
        );
        leaks = bounded(even(percent, BAD_LEAK_DOWN, 1.5) / sound);
        let text = format!("leak-down of {name} is {percent:.0} %");
        if leaks > 3.0 {
            &mut signs
        } else {
            &mut against
        }
        .push(text);
    }
    let feeler = clearances(job, profile, b);
    let mut out = Vec::new();
    let at_hand = checks
        .compression_kpa
        .as_ref()
        .is_some_and(|c| c.get(b).is_some())
        || checks
            .leak_down_percent
            .as_ref()
            .is_some_and(|l| l.get(b).is_some());
    if at_hand {
        out.push(Alternative {
            fault: Fault::on(CauseCode::CompressionLow, b),
            odds: odds::COMPRESSION * low * leaks,
            weak: true,
            signs: signs.clone(),
            against: against.clone(),
            direct: measured,
        });
    }
    // A valve that does not close leaks, but not every tight valve has come to that.
    let burnt = 0.5 + 0.5 * low * leaks;
    match feeler {
        Some((tight, _)) => out.push(Alternative {
            fault: Fault::on(CauseCode::ValveTight, b),
            odds: odds::VALVE * tight.odds * burnt,
            weak: false,
            direct: tight.odds > 3.0,
            signs: tight.signs.into_iter().chain(signs).collect(),
            against: tight.against,
        }),
        None if at_hand && low * leaks > 3.0 => out.push(Alternative {
            fault: Fault::on(CauseCode::ValveTight, b),
            odds: 0.2 * odds::VALVE * burnt,
            weak: true,
            signs,
            against,
            direct: measured,
        }),
        None => {}
    }
    out
}

fn loose(job: &Job, profile: &Profile, b: usize) -> Group {
    clearances(job, profile, b)
        .map(|(_, loose)| Alternative {
            fault: Fault::on(CauseCode::ValveLoose, b),
            odds: odds::VALVE * loose.odds,
            weak: false,
            direct: loose.odds > 3.0,
            signs: loose.signs,
            against: loose.against,
        })
        .into_iter()
        .collect()
}

/// Compression of a body and the highest of all, if at least two were measured [kPa].
fn compression(values: Option<&PerBody<f64>>, b: usize) -> Option<(f64, f64)> {
    let values = values?;
    let highest = values.iter().flatten().copied().fold(0.0, f64::max);
    let known = values.iter().flatten().count();
    (known > 1 && highest > 0.0).then_some((*values.get(b)?, highest))
}

/// What the feeler gauge says about one direction.
struct Feeler {
    odds: f64,
    signs: Vec<String>,
    against: Vec<String>,
}

/// Odds that a valve of the body is tight, and that one is loose, over all in range.
fn clearances(job: &Job, profile: &Profile, b: usize) -> Option<(Feeler, Feeler)> {
    let found = job.checks.clearances.as_ref()?.get(b)?;
    let meant = &profile.clearances;
    let valves = found
        .inlet_mm
        .iter()
        .map(|mm| ("inlet", *mm, meant.inlet_mm))
        .chain(
            found
                .exhaust_mm
                .iter()
                .map(|mm| ("exhaust", *mm, meant.exhaust_mm)),
        );
    let mut tight = Feeler {
        odds: 0.0,
        signs: Vec::new(),
        against: Vec::new(),
    };
    let mut loose = Feeler {
        odds: 0.0,
        signs: Vec::new(),
        against: Vec::new(),
    };
    let mut count = 0.0;
    let tolerance = meant.tolerance_mm;
    for (which, mm, centre) in valves {
        count += 1.0;
        let sound = normal(mm, centre, (0.5 * tolerance).hypot(FEELER_SD_MM));
        let beyond = |over: f64| {
            even(
                over,
                (tolerance, tolerance + CLEARANCE_BEYOND_MM),
                FEELER_SD_MM,
            )
        };
        for (feeler, over) in [(&mut tight, centre - mm), (&mut loose, mm - centre)] {
            let own = bounded(beyond(over) / sound);
            feeler.odds += own;
            if own > 3.0 {
                feeler.signs.push(format!(
                    "{which} clearance of {} is {mm:.2} mm where {centre:.2} +-{tolerance:.2} mm is meant",
                    profile.bodies()[b]
                ));
            }
        }
    }
    if count == 0.0 {
        return None;
    }
    for feeler in [&mut tight, &mut loose] {
        // Any one of them may be the one that is out.
        feeler.odds /= count;
        if feeler.signs.is_empty() {
            feeler.against.push(format!(
                "the clearances of {} are within their range",
                profile.bodies()[b]
            ));
        }
    }
    Some((tight, loose))
}

/// Injectors and spark, by lambda of each pipe against the air each body draws.
///
/// With throttle and speed alone to go by the computer fuels all cylinders alike, so
/// `ln lambda_b = level + ln(air_b / mean) - ln(injector_b)`; a misfire passes oxygen, a false lean.
fn fuelling(profile: &Profile, mixtures: &[AirAndLambda]) -> Group {
    let n = profile.bodies().len();
    if mixtures.is_empty() || n < 2 {
        return Vec::new();
    }
    let share = 1.0 / mixtures.len() as f64;
    let off: Vec<f64> = (0..n)
        .map(|b| {
            share
                * mixtures
                    .iter()
                    .map(|m| m.ln_lambda[b] - m.ln_air[b])
                    .sum::<f64>()
        })
        .collect();
    let air_sd = share * mixtures.iter().map(|m| m.air_sd).sum::<f64>();
    let own = (LAMBDA_SD.0 * share.sqrt())
        .hypot(LAMBDA_SD.1)
        .hypot(air_sd);
    let density = |at: Option<usize>, mean: f64, sd: f64| {
        let mut cov = DMatrix::from_element(n, n, LAMBDA_LEVEL_SD * LAMBDA_LEVEL_SD);
        let mut v = DVector::from_column_slice(&off);
        for b in 0..n {
            cov[(b, b)] += own * own;
        }
        if let Some(b) = at {
            cov[(b, b)] += sd * sd;
            v[b] -= mean;
        }
        Cholesky::new(cov).map_or(0.0, |c| {
            let root: f64 = c.l().diagonal().iter().product();
            (-0.5 * v.dot(&c.solve(&v))).exp() / root
        })
    };
    let sound = density(None, 0.0, 0.0).max(1e-300);
    let mut out = Vec::new();
    for b in 0..n {
        let others = (off.iter().sum::<f64>() - off[b]) / (n - 1) as f64;
        let percent = 100.0 * (off[b] - others);
        let text = format!(
            "lambda of {} is {percent:+.0} % off the other pipes' beyond what its air explains",
            profile.bodies()[b]
        );
        for (code, odds, mean, sd) in [
            (CauseCode::InjectorUnequal, odds::INJECTOR, 0.0, INJECTOR_SD),
            (CauseCode::SparkWeak, odds::SPARK, MISFIRE.0, MISFIRE.1),
        ] {
            let ratio = bounded(density(Some(b), mean, sd) / sound);
            let speaks = ratio > 3.0;
            out.push(Alternative {
                fault: Fault::on(code, b),
                odds: odds * ratio,
                weak: true,
                signs: speaks.then(|| text.clone()).into_iter().collect(),
                against: (!speaks).then(|| text.clone()).into_iter().collect(),
                direct: false,
            });
        }
    }
    out
}

fn filter(job: &Job) -> Group {
    let (factor, text, speaks) = match job.checks.lid_off {
        None => return Vec::new(),
        Some(SprayResult::Change) => (
            30.0,
            "the engine answers when the airbox lid comes off",
            true,
        ),
        Some(SprayResult::NoChange) => (0.1, "taking the airbox lid off changes nothing", false),
    };
    let words = vec![text.to_owned()];
    vec![Alternative {
        fault: Fault::anywhere(CauseCode::FilterBlocked),
        odds: odds::FILTER * factor,
        weak: true,
        signs: if speaks { words.clone() } else { Vec::new() },
        against: if speaks { Vec::new() } else { words },
        direct: speaks,
    }]
}
