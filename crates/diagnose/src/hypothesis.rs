//! What may have been done to the machine, each as a prior over the unknowns.
//!
//! One fault at a time, and the pairs that a workshop meets together. Tight priors without a
//! fault would press a leak into a plate offset; so each fault has its own wide prior and the
//! hypotheses are compared as a mixture.

use evenpull_job::{CouplingLaw, Job, Profile, SealState, SprayResult};

use crate::assessment::CauseCode;
use crate::evidence::Evidence;
use crate::model::{SENSOR_SD_V, SOUND_LEAK_MM2, Space};
use crate::posterior::{BREATHING_SD_KPA, SLOPE_SD, VALVE_PLACE};
use crate::residuals::ln_thinner_if_joined;

mod idle_air;

/// Normal prior cut off at bounds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Prior {
    pub(crate) mean: f64,
    pub(crate) sd: f64,
    pub(crate) lo: f64,
    pub(crate) hi: f64,
}

impl Prior {
    fn normal(mean: f64, sd: f64) -> Self {
        Self {
            mean,
            sd,
            lo: mean - 8.0 * sd,
            hi: mean + 8.0 * sd,
        }
    }

    fn cut(self, lo: f64, hi: f64) -> Self {
        Self {
            lo: self.lo.max(lo),
            hi: self.hi.min(hi),
            ..self
        }
    }

    fn fixed(value: f64) -> Self {
        Self {
            mean: value,
            sd: 1.0,
            lo: value,
            hi: value,
        }
    }

    pub(crate) fn is_fixed(self) -> bool {
        self.lo == self.hi
    }
}

/// A fault: what it is and where it sits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Fault {
    pub(crate) code: CauseCode,
    /// Body, by index, where it sits on one.
    pub(crate) body: Option<usize>,
    /// Coupling, by index, where it sits on one.
    pub(crate) coupling: Option<usize>,
}

impl Fault {
    pub(crate) fn on(code: CauseCode, body: usize) -> Self {
        Self {
            code,
            body: Some(body),
            coupling: None,
        }
    }

    pub(crate) fn anywhere(code: CauseCode) -> Self {
        Self {
            code,
            body: None,
            coupling: None,
        }
    }
}

/// A set of faults (none, one or two) with its prior.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Hypothesis {
    pub(crate) faults: Vec<Fault>,
    /// Logarithm of the prior odds against nothing being wrong.
    pub(crate) ln_odds: f64,
    pub(crate) priors: Vec<Prior>,
    /// Body whose leak scatters.
    pub(crate) suspect: Option<usize>,
}

impl Hypothesis {
    /// Nothing is wrong, and the readings tell what they seem to.
    pub(crate) fn is_sound(&self) -> bool {
        self.faults.is_empty() && !self.joins_runners()
    }

    /// The runners fill each other, so the readings tell less than they seem to.
    pub(crate) fn joins_runners(&self) -> bool {
        self.priors[Space::JOINED].mean > 0.5
    }

    /// The idle valve stays where it is, whatever the computer asks for.
    pub(crate) fn holds_valve(&self) -> bool {
        let stuck = [CauseCode::IdleValveStuckOpen, CauseCode::IdleValveStuckShut];
        self.faults.iter().any(|f| stuck.contains(&f.code))
    }
}

/// Prior odds of a fault against a sound machine in a workshop that is asked to look at uneven
/// running; common practice, no source.
mod odds {
    pub(super) const BALANCE: f64 = 0.3;
    pub(super) const LEAK: f64 = 0.12;
    pub(super) const GAUGE: f64 = 0.05;
    pub(super) const SENSOR: f64 = 0.03;
    /// A plate twisted on a spindle that carries them all.
    pub(super) const TWISTED: f64 = 0.02;
    /// A sealed part that was turned, before its seal is looked at.
    pub(super) const SEALED: f64 = 0.06;
    /// All stops together.
    pub(super) const STOPS: f64 = 0.036;
    /// A throttle sensor that was moved by whoever turned a stop, as chance: the volts were off.
    pub(super) const SENSOR_AFTER_STOP: f64 = 0.2;
    /// How the state of a seal speaks for its part being turned: intact, cannot see or not noted,
    /// disturbed.
    pub(super) const SEAL: [f64; 3] = [0.067, 1.0, 10.0];
    /// Passages between the runners on an engine whose profile has none: hoses that somebody joined, a
    /// profile that leaves them out.
    pub(super) const PASSAGES: f64 = 0.02;
    /// Most that several seals together may say: they are often lost in one job.
    pub(super) const SEALS: f64 = 100.0;
}

/// All hypotheses for a job.
pub(crate) fn all(
    job: &Job,
    profile: &Profile,
    space: &Space,
    evidence: &Evidence,
) -> Vec<Hypothesis> {
    let sound = sound(profile, space, evidence);
    let mut singles: Vec<Hypothesis> = Vec::new();
    let mut single = |fault: Fault, odds: f64, change: &dyn Fn(&mut Vec<Prior>)| {
        let mut priors = sound.clone();
        change(&mut priors);
        let suspect = (fault.code == CauseCode::SpindleWear)
            .then_some(fault.body)
            .flatten();
        singles.push(Hypothesis {
            faults: vec![fault],
            ln_odds: odds.ln(),
            priors,
            suspect,
        });
    };
    for (c, coupling) in profile.couplings.iter().enumerate() {
        let at = |code| Fault {
            code,
            body: coupling.driven.first().copied(),
            coupling: Some(c),
        };
        let link = space.link(c);
        single(at(CauseCode::BalanceOff), odds::BALANCE, &|p| {
            p[link] = Prior::normal(0.0, 0.4).cut(-3.0, 3.0);
        });
        let ends = coupling.driven.iter().copied().chain([coupling.driver]);
        let worst = ends
            .map(|b| sealed(job, "link", profile, b))
            .fold(0.0, f64::max);
        single(at(CauseCode::LinkAltered), 0.5 * worst, &|p| {
            p[link] = Prior::normal(0.0, 0.7).cut(-4.0, 4.0);
        });
    }
    if profile.one_shaft() {
        // Nobody turns a plate on its spindle without taking the bodies apart.
        for b in 1..space.bodies {
            single(Fault::on(CauseCode::LinkAltered, b), odds::TWISTED, &|p| {
                p[space.twist(b)] = Prior::normal(0.0, 0.4).cut(-3.0, 3.0);
            });
        }
    }
    for b in (0..space.bodies).filter(|&b| profile.has_stop(b)) {
        let stop = space.stop(b);
        let seal = sealed(job, "stop", profile, b);
        single(Fault::on(CauseCode::StopIn, b), seal, &|p| {
            p[stop] = Prior::normal(0.5, 0.5).cut(0.1, 5.0);
        });
        let deepest = 0.1 - profile.body.stop_opening_deg;
        single(Fault::on(CauseCode::StopOut, b), 0.6 * seal, &|p| {
            p[stop] = Prior::normal(-0.5, 0.5).cut(deepest, -0.1);
        });
    }
    for b in 0..space.bodies {
        let leak = space.leak(b);
        let (wear, stub) = leak_odds(job, b);
        let steady = |p: &mut Vec<Prior>| p[leak] = Prior::normal(2.0, 1.5).cut(0.6, 15.0);
        let wear = odds::LEAK * wear;
        single(
            Fault::on(CauseCode::SpindleWear, b),
            wear * (1.0 - STEADY_WEAR),
            &|p| {
                steady(p);
                for j in 0..evidence.points.len() {
                    p[space.jitter(j)] = Prior::normal(0.0, LEAK_SCATTER).cut(-0.9, 2.0);
                }
            },
        );
        single(
            Fault::on(CauseCode::SpindleWear, b),
            wear * STEADY_WEAR,
            &steady,
        );
        single(
            Fault::on(CauseCode::StubLeak, b),
            odds::LEAK * stub,
            &steady,
        );
        if evidence.points.iter().any(|p| p.gauge_kpa.is_some()) {
            single(Fault::on(CauseCode::GaugeFault, b), odds::GAUGE, &|p| {
                p[space.gauge(b)] = Prior::normal(0.0, 3.0).cut(-40.0, 40.0);
            });
        }
        if evidence.has_areas() {
            single(Fault::on(CauseCode::GaugeFault, b), odds::GAUGE, &|p| {
                p[space.sensor(b)] = Prior::normal(0.0, 3.0).cut(-40.0, 40.0);
            });
        }
    }
    let seals: f64 = (0..space.bodies)
        .map(|b| seal_ratio(job.seal(&format!("stop.{}", profile.bodies()[b]))))
        .product();
    let all_stops = odds::STOPS * seals.min(odds::SEALS);
    if !profile.one_shaft() {
        let deepest = 0.1 - profile.body.stop_opening_deg;
        // Whoever turns all of them keeps the idle even: alike, but for the hand.
        single(Fault::anywhere(CauseCode::StopsBoth), all_stops, &|p| {
            p[Space::STOPS] = Prior::normal(0.0, 0.6).cut(deepest, 5.0);
            for b in 0..space.bodies {
                p[space.stop(b)] = Prior::normal(0.0, STOP_SD_DEG[1]);
            }
        });
        if !one_stop_carries(profile) {
            single(
                Fault::anywhere(CauseCode::StopsBoth),
                0.5 * all_stops,
                &|p| {
                    for b in 0..space.bodies {
                        p[space.stop(b)] = Prior::normal(0.0, 0.6).cut(deepest, 5.0);
                    }
                },
            );
        }
    }
    if profile.sensor.is_some() {
        let seal = seal_ratio(job.seal("sensor"));
        single(
            Fault::anywhere(CauseCode::SensorShifted),
            odds::SENSOR * seal,
            &|p| {
                let usual = evidence.family_closed_v.map_or(0.0, |v| v.0);
                p[Space::ZERO_V] = Prior::normal(usual, 0.12).cut(-1.0, 1.0);
            },
        );
    }
    for (fault, odds, changes) in idle_air::all(job, profile, space, evidence) {
        single(fault, odds, &|p| {
            for (i, prior) in &changes {
                p[*i] = *prior;
            }
        });
    }
    let pairs = pairs(&singles, &sound, seal_ratio(job.seal("sensor")));
    let sets = balance_sets(&singles, &sound);
    let joined = joined(&sound, profile, evidence);
    let mut all = vec![Hypothesis {
        faults: Vec::new(),
        ln_odds: 0.0,
        priors: sound,
        suspect: None,
    }];
    all.extend(joined);
    all.extend(singles);
    all.extend(pairs);
    all.extend(sets);
    all.retain(|h| h.ln_odds.is_finite());
    all
}

/// A sound machine whose runners fill each other, where nothing that was pinched or seen tells already.
fn joined(sound: &[Prior], profile: &Profile, evidence: &Evidence) -> Option<Hypothesis> {
    let thinner = ln_thinner_if_joined(evidence);
    let asked = profile.idle_valve.is_some() && !evidence.cross_flow && thinner < 0.0;
    asked.then(|| {
        let mut priors = sound.to_vec();
        priors[Space::JOINED] = Prior::fixed(1.0);
        Hypothesis {
            faults: Vec::new(),
            ln_odds: odds::PASSAGES.ln() + thinner,
            priors,
            suspect: None,
        }
    })
}

/// Scatter of the leak past a worn spindle between two readings [-].
///
/// The spindle settles elsewhere in its bushes after each blip; the size is assumed from the gap
/// moving round by a part of itself; common practice, no source.
const LEAK_SCATTER: f64 = 0.12;

/// Share of worn spindles that leak steadily from reading to reading, so that steadiness alone never
/// rules wear out; assumed.
const STEADY_WEAR: f64 = 0.2;

/// Two faults together: a balance that is off beside a leak or a stop that was turned.
fn pairs(singles: &[Hypothesis], sound: &[Prior], sensor_seal: f64) -> Vec<Hypothesis> {
    let mut out = Vec::new();
    let balance = singles
        .iter()
        .filter(|h| h.faults[0].code == CauseCode::BalanceOff);
    for a in balance {
        for b in singles.iter().filter(|h| {
            matches!(
                h.faults[0].code,
                CauseCode::SpindleWear | CauseCode::StubLeak | CauseCode::StopIn
            )
        }) {
            let priors = both(&a.priors, &b.priors, sound);
            out.push(Hypothesis {
                faults: vec![a.faults[0], b.faults[0]],
                ln_odds: a.ln_odds + b.ln_odds,
                priors,
                suspect: b.suspect,
            });
        }
    }
    out.extend(stops_with_sensor(singles, sound, sensor_seal));
    out
}

/// A stop that was turned beside a throttle sensor that was moved.
///
/// Whoever turns a stop and sees the volts off may put the sensor back to its book value: then the raw
/// volts tell nothing, and only the areas and the idle valve do. The two are not independent: the
/// sensor's own odds do not count, only its seal.
fn stops_with_sensor(singles: &[Hypothesis], sound: &[Prior], sensor_seal: f64) -> Vec<Hypothesis> {
    let is = |h: &&Hypothesis, codes: &[CauseCode]| codes.contains(&h.faults[0].code);
    let stops = [CauseCode::StopIn, CauseCode::StopOut, CauseCode::StopsBoth];
    let sensor = singles.iter().find(|h| is(h, &[CauseCode::SensorShifted]));
    let Some(sensor) = sensor else {
        return Vec::new();
    };
    singles
        .iter()
        .filter(|h| is(h, &stops))
        .map(|stop| Hypothesis {
            faults: vec![stop.faults[0], sensor.faults[0]],
            ln_odds: stop.ln_odds + (odds::SENSOR_AFTER_STOP * sensor_seal).ln(),
            priors: both(&stop.priors, &sensor.priors, sound),
            suspect: None,
        })
        .collect()
}

/// Priors of two faults together: whatever the second leaves as on a sound machine is the first's.
fn both(a: &[Prior], b: &[Prior], sound: &[Prior]) -> Vec<Prior> {
    (0..sound.len())
        .map(|i| if b[i] == sound[i] { a[i] } else { b[i] })
        .collect()
}

/// Several balance adjusters off at once, on engines that have several.
///
/// Whoever turned one has often turned the next, so each further one costs half of its odds only.
fn balance_sets(singles: &[Hypothesis], sound: &[Prior]) -> Vec<Hypothesis> {
    let screws: Vec<&Hypothesis> = singles
        .iter()
        .filter(|h| h.faults[0].code == CauseCode::BalanceOff)
        .collect();
    let mut out = Vec::new();
    // Engines with more than four adjusters would need a search instead of all subsets.
    for set in 1_usize..1 << screws.len().min(4) {
        let chosen: Vec<&&Hypothesis> = screws
            .iter()
            .enumerate()
            .filter(|(i, _)| set >> i & 1 == 1)
            .map(|(_, h)| h)
            .collect();
        let [first, rest @ ..] = chosen.as_slice() else {
            continue;
        };
        if rest.is_empty() {
            continue;
        }
        let mut joined = (**first).clone();
        for h in rest {
            joined.priors = both(&joined.priors, &h.priors, sound);
            joined.faults.push(h.faults[0]);
            joined.ln_odds += 0.5_f64.ln();
        }
        out.push(joined);
    }
    out
}

/// Standard deviation of a link on a machine nobody has spoilt [deg].
///
/// A balance is set in the hold band, at 7 kPa per degree (filling model), as finely as a pair of gauges
/// repeats, 0.3 kPa.
const LINK_SD_DEG: f64 = 0.04;

/// Standard deviation of the gain of one sensor over another [-].
///
/// Absolute sensors of this kind are good to 1.5 % of span at the limit, alike ones to a third of it.
pub(crate) const GAIN_SD: f64 = 0.005;

/// Priors of a sound machine of this profile.
pub(crate) fn sound(profile: &Profile, space: &Space, evidence: &Evidence) -> Vec<Prior> {
    let mut p = vec![Prior::fixed(0.0); space.len()];
    p[Space::LN_SCALE] = Prior::normal(0.0, profile.refill.scale_sd_percent / 100.0);
    // Wall heat and waves shift n a little between idle and hold.
    p[Space::TILT] = Prior::normal(0.0, 0.01);
    p[Space::HEAT] = Prior::normal(0.05, 0.15).cut(-0.3, 1.0);
    p[Space::LN_VALVE] = Prior::normal(0.0, 0.15);
    p[Space::SHUT] = Prior::normal(0.0, 0.2);
    p[Space::LN_DISCHARGE] = Prior::normal(0.0, 0.05);
    if evidence.has_depressions() {
        p[Space::LN_SLOPE] = Prior::normal(0.0, SLOPE_SD);
    }
    let loose_v = ZERO_SD_V[usize::from(evidence.sensor_disturbed)];
    p[Space::ZERO_V] = match evidence.family_closed_v {
        Some((mean, sd)) if !evidence.sensor_disturbed => Prior::normal(mean, sd.min(SENSOR_SD_V)),
        _ => Prior::normal(0.0, loose_v),
    };
    if profile.idle_valve.is_some() {
        // Its spread is a residual of the valve, see residuals.rs.
        p[Space::NEED] = Prior::normal(0.0, 2.0);
    }
    // Checked by a swap, at zero, or against recordings of the same readings.
    let checked = evidence.gauges_checked
        || evidence
            .points
            .iter()
            .any(|p| p.gauge_kpa.is_some() && p.recorded_kpa.is_some());
    // Turns that nobody noted may be anything from shut to twice the usual.
    let bleed_sd = if evidence.bleeds_assumed { 0.5 } else { 0.1 };
    for b in 0..space.bodies {
        p[space.stop(b)] = if profile.has_stop(b) {
            let disturbed = evidence.stops_disturbed.get(b).copied().unwrap_or(false);
            Prior::normal(0.0, STOP_SD_DEG[usize::from(disturbed)])
        } else {
            Prior::fixed(0.0)
        };
        p[space.twist(b)] = if b > 0 && profile.one_shaft() {
            Prior::normal(0.0, LINK_SD_DEG)
        } else {
            Prior::fixed(0.0)
        };
        p[space.leak(b)] = Prior::normal(SOUND_LEAK_MM2.0, SOUND_LEAK_MM2.1).cut(0.0, 2.0);
        p[space.ln_bleed(b)] = Prior::normal(0.0, bleed_sd);
        // Each zero drifts after it was taken, the first body's too, and what valves and pipes leave
        // between two bodies of one area stays the same from reading to reading. Only a swap of the
        // sensors tells the two apart.
        p[space.sensor(b)] = if b == 0 {
            Prior::fixed(0.0)
        } else {
            Prior::normal(
                0.0,
                std::f64::consts::SQRT_2 * evidence.pressure_zero_sd_kpa,
            )
        };
        p[space.breathing(b)] = if b == 0 {
            Prior::fixed(0.0)
        } else {
            Prior::normal(0.0, BREATHING_SD_KPA)
        };
        p[space.ln_gain(b)] = if b == 0 {
            Prior::fixed(0.0)
        } else {
            Prior::normal(0.0, GAIN_SD)
        };
        p[space.gauge(b)] = match (b, checked) {
            (0, _) => Prior::fixed(0.0),
            (_, true) => Prior::normal(0.0, 0.4),
            (_, false) => Prior::normal(0.0, 1.0),
        };
    }
    for c in 0..space.couplings {
        p[space.link(c)] = Prior::normal(0.0, LINK_SD_DEG);
        // A profile's figure for an adjuster is good to a fifth; what turns did corrects it.
        p[space.ln_per_turn(c)] = Prior::normal(0.0, 0.2);
    }
    for (i, turn) in evidence.turns.iter().enumerate() {
        p[space.slip(i)] = Prior::normal(0.0, turn.sd_turns());
    }
    for i in space.place.iter().flatten() {
        p[*i] = Prior::normal(VALVE_PLACE.0, VALVE_PLACE.1).cut(0.0, 1.0);
    }
    for (j, command) in space.command.iter().enumerate() {
        if let Some(i) = command {
            let guess = command_guess(profile, evidence, j);
            p[*i] = Prior::normal(guess, 4.0).cut(0.0, 88.0);
        }
    }
    p
}

/// Opening from the sensor, else from the speed: at no load the air grows with it.
fn command_guess(profile: &Profile, evidence: &Evidence, j: usize) -> f64 {
    let point = &evidence.points[j];
    let base = profile.body.stop_opening_deg;
    match (profile.sensor, point.sensor_v) {
        (Some(s), Some(v)) => base + (v - s.volts_at_stop) / s.volts_per_deg,
        _ => base * (point.rpm / profile.engine.idle_rpm).max(1.0),
    }
}

fn seal_ratio(state: Option<SealState>) -> f64 {
    match state {
        Some(SealState::Intact) => odds::SEAL[0],
        None | Some(SealState::CannotSee) => odds::SEAL[1],
        Some(SealState::Disturbed) => odds::SEAL[2],
    }
}

fn sealed(job: &Job, part: &str, profile: &Profile, body: usize) -> f64 {
    odds::SEALED * seal_ratio(job.seal(&format!("{part}.{}", profile.bodies()[body])))
}

/// Standard deviations of a stop [deg] and of the throttle sensor's zero [V] on a machine that is
/// called sound: as bodies leave the bench, and put back where the seal is broken, a stop by eye, the
/// sensor to within the 5 to 10 mV that are left alone (common practice, no source); assumed. A sensor
/// further off is a moved one.
const STOP_SD_DEG: [f64; 2] = [0.04, 0.12];
const ZERO_SD_V: [f64; 2] = [SENSOR_SD_V, 0.006];

/// Factors on the odds of a worn spindle and a leaking stub from the checks.
fn leak_odds(job: &Job, b: usize) -> (f64, f64) {
    // Spindle play above 0.05 mm is noted, above 0.10 acted on; common practice, no source.
    let wear = match job.checks.spindle_play_mm.as_ref().and_then(|p| p.get(b)) {
        Some(&mm) if mm > 0.10 => 20.0,
        Some(&mm) if mm > 0.05 => 3.0,
        Some(_) => 0.05,
        None => 1.0,
    };
    let stub = match job.checks.stub_spray.as_ref().and_then(|p| p.get(b)) {
        Some(SprayResult::Change) => 40.0,
        Some(SprayResult::NoChange) => 0.1,
        None => 1.0,
    };
    (wear, stub)
}

/// True if all plates move as one with the most open stop carrying them.
pub(crate) fn one_stop_carries(profile: &Profile) -> bool {
    !profile.couplings.is_empty()
        && profile
            .couplings
            .iter()
            .all(|c| c.law == CouplingLaw::Rigid)
}
