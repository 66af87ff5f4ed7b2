//! The practice engine on its stand: set up from a profile, faults put in, readings taken.
//!
//! Amounts are drawn from ranges a shop meets (assumed); everything drawn depends on the seed.

use evenpull_airflow::{Hose, SecondOrder};
use evenpull_engine::{
    Basics, Chain, Coupling, EngineSpec, Follows, IdleBaseline, Linkage, Options, Quantiser, Run,
    Samples, Sampling, Setting, Trace, run, sense,
};
use evenpull_job::{Condition, CouplingLaw, HoseData, Profile};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use super::individual::Individual;
use crate::error::AppError;

/// Hose of the practice recordings: short enough for hold.
pub(super) const HOSE: HoseData = HoseData {
    length_m: 0.25,
    bore_mm: 4.0,
    dead_volume_cc: 0.6,
};
/// Noise of a cheap sensor and its converter [Pa], standard deviation; assumed.
const NOISE_PA: f64 = 40.0;
/// Printed resolution of the recordings [Pa].
const STEP_PA: f64 = 1.0;
/// Share of the idle valve's travel at the healthy warm idle: middle of 20 to 40 %, from memory.
pub(super) const IDLE_SHARE: f64 = 0.3;
/// What bushes and joints of a healthy body let by [mm2]; assumed.
const BASE_LEAK_MM2: std::ops::Range<f64> = 0.25..0.40;
/// Bleed of the healthy engine [turns from seat]; common practice, no source.
const BLEED_TURNS: f64 = 0.5;
/// Noise of the throttle sensor's reading [V], standard deviation; assumed.
const SENSOR_NOISE_V: f64 = 0.002;

/// One reading to take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    pub(super) condition: Condition,
    pub(super) rpm: f64,
}

/// What one reading gave.
#[derive(Debug)]
pub(super) struct Taken {
    pub(super) samples: Samples,
    pub(super) trace: Trace,
    pub(super) sensor_v: Option<f64>,
    pub(super) ecu_opening_deg: Option<f64>,
    pub(super) idle_steps: f64,
    pub(super) bleed_turns: Vec<f64>,
}

/// A leak that changes from one closing of the throttle to the next.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scatter {
    pub(super) body: usize,
    pub(super) mean_m2: f64,
    pub(super) sd_m2: f64,
}

/// The engine with everything that was done to it.
#[derive(Debug)]
pub(super) struct Bench<'p> {
    pub(super) profile: &'p Profile,
    pub(super) setting: Setting,
    pub(super) own: Individual,
    pub(super) described: Vec<String>,
    /// Sealed parts whose seal shows that they were touched.
    pub(super) disturbed: Vec<String>,
    pub(super) crossed: bool,
    pub(super) spec: EngineSpec,
    pub(super) rng: StdRng,
    pub(super) bleed_turns: Vec<f64>,
    /// What the turns of each bleed came out beyond what was noted [turns].
    pub(super) bleed_slip: Vec<f64>,
    pub(super) bleed_blocked: Option<usize>,
    pub(super) chain_offset_pa: Vec<f64>,
    pub(super) scatter: Option<Scatter>,
    pub(super) sensor_shift_v: f64,
    /// Raw volts the ECU holds for closed.
    pub(super) learned_v: Option<f64>,
    pub(super) stuck_steps: Option<f64>,
    idle_steps: f64,
}

impl<'p> Bench<'p> {
    pub(super) fn new(profile: &'p Profile, own: &Individual, seed: u64) -> Result<Self, AppError> {
        // Friction is that of the kind; what sets this machine apart moves its idle valve.
        let mut spec = EngineSpec::from_basics(&basics(profile)?)?;
        set_apart(&mut spec, profile, own)?;
        let bodies = profile.bodies().len();
        let mut rng = StdRng::seed_from_u64(seed);
        let mut setting = Setting::healthy(&spec, profile.body.stop_opening_deg);
        setting.linkage = linkage(profile, own);
        setting.ambient_pa = rng.random_range(96_000.0..101_500.0);
        setting.ambient_k = 273.15 + rng.random_range(14.0..26.0);
        for body in &mut setting.bodies {
            body.leak_m2 = rng.random_range(BASE_LEAK_MM2) * 1e-6;
        }
        if let Some(leaks) = &own.leak_mm2 {
            for (body, mm2) in setting.bodies.iter_mut().zip(leaks) {
                body.leak_m2 = mm2 * 1e-6;
            }
        }
        let passages = profile.passages;
        setting.passage_m2 = own.idle_chamber_mm2.unwrap_or(passages.idle_chamber_mm2) * 1e-6;
        setting.balance_pipe_m2 = own.balance_pipe_mm2.unwrap_or(passages.balance_pipe_mm2) * 1e-6;
        Ok(Self {
            profile,
            spec,
            bleed_turns: (0..bodies)
                .map(|_| BLEED_TURNS + rng.random_range(-0.05..0.05))
                .collect(),
            setting,
            described: Vec::new(),
            disturbed: Vec::new(),
            crossed: false,
            rng,
            bleed_slip: vec![0.0; bodies],
            bleed_blocked: None,
            chain_offset_pa: own.zero_pa.clone(),
            scatter: None,
            sensor_shift_v: own.sensor_v,
            own: own.clone(),
            learned_v: None,
            stuck_steps: None,
            idle_steps: 0.0,
        })
    }

    /// The readings of a whole job, in the order of work.
    pub(super) fn points(&self) -> Vec<Point> {
        let [low, high] = self.profile.engine.hold_rpm;
        let hold = ((low + high) / 2.0 / 10.0).round() * 10.0;
        let idle = self.profile.engine.idle_rpm;
        let mut points: Vec<Point> = vec![
            Point {
                condition: Condition::IdleBleedsShut,
                rpm: idle,
            },
            Point {
                condition: Condition::Idle,
                rpm: idle,
            },
        ];
        points.extend([0.2, 0.4, 0.6, 0.8].map(|share| Point {
            condition: Condition::Sweep,
            rpm: ((idle + share * (hold - idle)) / 10.0).round() * 10.0,
        }));
        points.push(Point {
            condition: Condition::Hold,
            rpm: hold,
        });
        points
    }

    /// Runs the engine at one point and records it.
    pub(super) fn take(&mut self, point: Point, pinched: bool) -> Result<Taken, AppError> {
        let bleed_turns = self.set_bleeds(point.condition);
        let mut setting = self.setting.clone();
        if pinched {
            setting.passage_m2 = 0.0;
            setting.balance_pipe_m2 = 0.0;
        }
        if let Some(s) = self.scatter {
            let factor = self.rng.random_range(-1.7..1.7);
            setting.bodies[s.body].leak_m2 += (s.mean_m2 + factor * s.sd_m2).max(0.0);
        }
        let asked = self.asked(point, pinched);
        let options = Options {
            seed: self.rng.random(),
            ..Options::default()
        };
        let trace = run(&self.spec, &setting, asked, &options)?;
        if point.condition.throttle_shut() && !pinched {
            // Off idle the valve stays where the last idle left it.
            self.idle_steps = trace.truth.idle_steps;
        }
        let samples = self.sample(&trace)?;
        let (sensor_v, ecu_opening_deg) = self.sensor(&trace);
        Ok(Taken {
            samples,
            sensor_v,
            ecu_opening_deg,
            idle_steps: if pinched {
                self.idle_steps
            } else {
                trace.truth.idle_steps
            },
            bleed_turns,
            trace,
        })
    }

    fn asked(&self, point: Point, pinched: bool) -> Run {
        let idle = point.condition.throttle_shut();
        // Behind a pinched hose the valve may stand where it likes: no air comes through.
        let fixed = if pinched { Some(0.0) } else { self.stuck_steps };
        match (idle, fixed) {
            (true, None) => Run::Idle {
                target_rpm: point.rpm,
            },
            // With the valve stuck the idle speed is what it is.
            (true, Some(idle_steps)) => Run::Balance {
                command_deg: 0.0,
                idle_steps,
            },
            (false, stuck) => Run::Hold {
                rpm: point.rpm,
                idle_steps: stuck.unwrap_or(self.idle_steps),
            },
        }
    }

    /// Sets the bleeds for a condition; returns what a mechanic would note [turns].
    fn set_bleeds(&mut self, condition: Condition) -> Vec<f64> {
        let shut = condition == Condition::IdleBleedsShut;
        let per_turn = self.profile.bleed.map_or(0.0, |b| b.area_mm2_per_turn);
        let mut noted = Vec::new();
        for (i, body) in self.setting.bodies.iter_mut().enumerate() {
            let turns = if shut { 0.0 } else { self.bleed_turns[i] };
            let open = self.bleed_blocked != Some(i);
            let made = (turns + if shut { 0.0 } else { self.bleed_slip[i] }).max(0.0);
            let area = made * per_turn * self.own.bleed[i] * 1e-6;
            body.bleed_m2 = if open { area } else { 0.0 };
            noted.push((turns * 100.0).round() / 100.0);
        }
        noted
    }

    /// Leak of each body [mm2], a scattering one with its mean.
    pub(super) fn leak_mm2(&self) -> Vec<f64> {
        let mut leaks: Vec<f64> = self
            .setting
            .bodies
            .iter()
            .map(|b| b.leak_m2 * 1e6)
            .collect();
        if let Some(s) = self.scatter {
            leaks[s.body] += s.mean_m2 * 1e6;
        }
        leaks
    }

    /// Bleed of each body as it stands [mm2].
    pub(super) fn bleed_mm2(&self) -> Vec<f64> {
        self.setting
            .bodies
            .iter()
            .map(|b| b.bleed_m2 * 1e6)
            .collect()
    }

    /// The hose and sensor of each body, without what sets a sensor apart.
    pub(super) fn chains(&self) -> Result<Vec<Chain>, AppError> {
        let own = self.own.hose.iter().zip(&self.chain_offset_pa);
        own.map(|(&hose, &offset_pa)| {
            Ok(Chain {
                hose: Some(self.hose(hose)?),
                offset_pa,
                noise_pa: NOISE_PA,
                quantiser: Quantiser::Step { step_pa: STEP_PA },
                ..Chain::IDEAL
            })
        })
        .collect()
    }

    /// A hose; length, bore and dead volume over those that the layout describes.
    fn hose(&self, [length, bore, volume]: [f64; 3]) -> Result<SecondOrder, AppError> {
        Hose::new(
            HOSE.length_m * length,
            HOSE.bore_mm * 1e-3 * bore,
            HOSE.dead_volume_cc * 1e-6 * volume,
            self.setting.ambient_k,
            0.6 * self.setting.ambient_pa,
        )
        .and_then(|h| h.second_order())
        .map_err(|e| AppError::Practice(e.to_string()))
    }

    fn sample(&mut self, trace: &Trace) -> Result<Samples, AppError> {
        let chains = self.chains()?;
        let sampling = Sampling {
            start_deg: self.rng.random_range(0.0..720.0),
            seed: self.rng.random(),
            ..Sampling::default()
        };
        let mut samples = sense(trace, &chains, &sampling)?;
        let apart = |(_, gain): &(_, &f64)| **gain != 1.0;
        for (trace_pa, gain) in samples.p_pa.iter_mut().zip(&self.own.gain).filter(apart) {
            for p in trace_pa {
                // The zero is taken at ambient, so a gain shows below it.
                let below = f64::from(*p) - trace.ambient_pa;
                *p = (trace.ambient_pa + gain * below) as f32;
            }
        }
        Ok(samples)
    }

    /// Raw volts, and the opening the ECU believes in.
    fn sensor(&mut self, trace: &Trace) -> (Option<f64>, Option<f64>) {
        let Some(sensor) = self.profile.sensor else {
            return (None, None);
        };
        let plate_deg = trace.truth.plate_deg[sensor.body];
        let ideal = |deg: f64| {
            sensor.volts_at_stop
                + sensor.volts_per_deg
                    * self.own.sensor_slope
                    * (deg - self.profile.body.stop_opening_deg)
                + self.sensor_shift_v
        };
        let rest = self.setting.linkage.openings_deg(0.0);
        let rest_deg = rest.map_or(plate_deg, |all| all[sensor.body]);
        let learned = self.learned_v.unwrap_or_else(|| ideal(rest_deg));
        let noise = SENSOR_NOISE_V * self.rng.random_range(-1.7..1.7);
        let volts = ideal(plate_deg) + noise;
        (Some(volts), Some((volts - learned) / sensor.volts_per_deg))
    }
}

fn basics(profile: &Profile) -> Result<Basics, AppError> {
    let e = &profile.engine;
    let (steps, per_step) = profile
        .idle_valve
        .map_or((1.0, 0.0), |v| (f64::from(v.steps), v.area_mm2_per_step));
    let bleed = profile.bleed.map_or(0.0, |b| b.area_mm2_per_turn);
    Ok(Basics {
        displacement_m3: e.displacement_cc * 1e-6,
        compression_ratio: e.compression_ratio,
        rod_to_crank: e.rod_to_crank,
        intake_start_deg: e.intake_start_deg.clone(),
        inlet_opens_btdc_deg: e.inlet_opens_btdc_deg,
        inlet_closes_abdc_deg: e.inlet_closes_abdc_deg,
        exhaust_opens_bbdc_deg: e.exhaust_opens_bbdc_deg,
        exhaust_closes_atdc_deg: e.exhaust_closes_atdc_deg,
        body: Individual::none(profile).throttle(profile)?,
        runner_m3: profile.body.runner_cc * 1e-6,
        idle_steps: steps,
        idle_area_per_step_m2: per_step * 1e-6,
        baseline: Some(IdleBaseline {
            rpm: e.idle_rpm,
            stop_deg: profile.body.stop_opening_deg,
            bleed_m2: BLEED_TURNS * bleed * 1e-6,
            idle_steps: IDLE_SHARE * steps,
        }),
    })
}

/// The linkage of a profile; one shaft where it has no couplings.
fn linkage(profile: &Profile, own: &Individual) -> Linkage {
    let bodies = profile.bodies().len();
    let stop = profile.body.stop_opening_deg;
    let mut linkage = Linkage::even(Coupling::Rigid, 0, stop, bodies);
    if !profile.couplings.is_empty() {
        linkage.follows = vec![None; bodies];
    }
    for c in &profile.couplings {
        let coupling = match c.law {
            CouplingLaw::Rigid => Coupling::Rigid,
            CouplingLaw::OneWay => Coupling::OneWay,
        };
        for &b in &c.driven {
            linkage.follows[b] = Some(Follows {
                driver: c.driver,
                coupling,
            });
        }
    }
    for b in 0..bodies {
        linkage.stop_deg[b] = if profile.has_stop(b) {
            linkage.stop_deg[b] + own.stop_deg[b]
        } else {
            0.0
        };
        linkage.link_deg[b] += own.link_deg[b];
    }
    linkage
}

/// Gives the engine of a kind the casting, runner, idle valve, valves and chambers of one machine.
fn set_apart(spec: &mut EngineSpec, profile: &Profile, own: &Individual) -> Result<(), AppError> {
    let body = own.throttle(profile)?;
    let cylinders = spec.cylinders.iter_mut();
    let apart = own.valves_deg.iter().zip(&own.compression);
    for (c, (longer_deg, compression)) in cylinders.zip(apart) {
        for (valve, longer_deg) in [&mut c.intake, &mut c.exhaust].into_iter().zip(longer_deg) {
            valve.opens_deg -= 0.5 * longer_deg;
            valve.closes_deg += 0.5 * longer_deg;
        }
        c.crank.compression_ratio *= compression;
        c.body.clone_from(&body);
        c.runner_m3 *= own.runner;
    }
    spec.idle.area_per_step_m2 *= own.valve;
    Ok(())
}
