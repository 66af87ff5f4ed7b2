//! A test stand: one engine at one operating point, sensed and analysed, against its truth.

use evenpull_airflow::{Counts, Hose, Ratiometric};
use evenpull_engine::{
    Basics, Chain, EngineSpec, IdleBaseline, Options, Quantiser, Run, Sampling, Setting, Trace,
    run, sense,
};
use evenpull_trace::{
    AnalyseError, BodySetup, Channel, CycleReading, Recording, Segment, Setup, ZERO_DRIFT_PA,
    analyse,
};
use num_complex::Complex64;
use rand::rngs::Xoshiro256PlusPlus;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

use crate::fourier::filtered;

/// What a class of recordings has in common.
#[derive(Debug, Clone)]
pub(crate) struct Class {
    pub(crate) name: &'static str,
    pub(crate) displacement_cc: f64,
    pub(crate) runner_cc: f64,
    pub(crate) starts_deg: Vec<f64>,
    pub(crate) rpm: f64,
    /// Through-area of each body before its own factor [mm2].
    pub(crate) area_mm2: f64,
    /// Range of the bodies' own factors [-].
    pub(crate) factors: (f64, f64),
    pub(crate) rate_hz: f64,
    pub(crate) bits: i32,
    /// Length, bore [m], dead volume [m3]; `None` for a sensor on the stub.
    pub(crate) hose: Option<(f64, f64, f64)>,
    pub(crate) columns: bool,
    /// Opens before, closes after [deg].
    pub(crate) timing_deg: (f64, f64),
    pub(crate) passage_mm2: f64,
    pub(crate) pipe_mm2: f64,
    /// The profile says that the passages are there.
    pub(crate) known: bool,
    /// Idle valve, all cylinders together [mm2].
    pub(crate) idle_mm2: f64,
    pub(crate) scatter: f64,
    pub(crate) drift_pa: f64,
    pub(crate) noise_pa: f64,
    pub(crate) jitter: f64,
}

impl Class {
    /// Twin of 2 x 530 cc at idle: 1 kHz, 16 bit, short hose.
    pub(crate) fn idle(name: &'static str) -> Self {
        Self {
            name,
            displacement_cc: 530.0,
            runner_cc: 260.0,
            starts_deg: vec![0.0, 270.0],
            rpm: 1250.0,
            area_mm2: 8.5,
            factors: (0.84, 1.18),
            rate_hz: 1000.0,
            bits: 16,
            hose: Some((0.25, 4e-3, 0.6e-6)),
            columns: false,
            timing_deg: (12.0, 52.0),
            passage_mm2: 0.0,
            pipe_mm2: 0.0,
            known: false,
            idle_mm2: 2.4,
            scatter: 0.06,
            drift_pa: ZERO_DRIFT_PA,
            noise_pa: 100.0,
            jitter: 0.01,
        }
    }

    /// The same at the hold.
    pub(crate) fn hold(name: &'static str) -> Self {
        Self {
            rpm: 3800.0,
            area_mm2: 27.0,
            scatter: 0.03,
            ..Self::idle(name)
        }
    }
}

/// One recording's answer beside its truth.
pub(crate) struct Outcome {
    pub(crate) reading: Result<CycleReading, AnalyseError>,
    pub(crate) area_mm2: Vec<f64>,
    pub(crate) air_mg: Vec<f64>,
    pub(crate) rpm: f64,
    pub(crate) trace: Trace,
}

fn normal(rng: &mut Xoshiro256PlusPlus) -> f64 {
    StandardNormal.sample(rng)
}

fn spec(class: &Class) -> EngineSpec {
    let basics = Basics {
        displacement_m3: class.displacement_cc * 1e-6,
        runner_m3: class.runner_cc * 1e-6,
        intake_start_deg: class.starts_deg.clone(),
        inlet_opens_btdc_deg: class.timing_deg.0,
        inlet_closes_abdc_deg: class.timing_deg.1,
        baseline: None::<IdleBaseline>,
        ..Basics::default()
    };
    let spec = EngineSpec::from_basics(&basics).expect("an engine");
    if class.columns {
        spec.with_gas_columns(4)
    } else {
        spec
    }
}

fn driven(class: &Class, spec: &EngineSpec, factors: &[f64], seed: u64) -> Trace {
    let mut setting = Setting::healthy(spec, 0.0);
    setting.passage_m2 = class.passage_mm2 * 1e-6;
    setting.balance_pipe_m2 = class.pipe_mm2 * 1e-6;
    // Plates shut: the area is put in as leaks, so that it is known to the last digit.
    let shut_m2 = spec.cylinders[0].body.through_area_m2(0.0);
    let share_mm2 = class.idle_mm2 / factors.len() as f64;
    for (body, f) in setting.bodies.iter_mut().zip(factors) {
        body.leak_m2 = ((class.area_mm2 * f - share_mm2) * 1e-6 - shut_m2).max(0.0);
    }
    let options = Options {
        cycles: 60,
        scatter: class.scatter,
        seed,
        ..Options::default()
    };
    let point = Run::FixedRpm {
        rpm: class.rpm,
        command_deg: 0.0,
        idle_steps: class.idle_mm2 * 1e-6 / spec.idle.area_per_step_m2,
    };
    run(spec, &setting, point, &options).expect("a run")
}

/// Runs, senses and analyses one recording of the class.
pub(crate) fn measure(class: &Class, seed: u64) -> Outcome {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(1_000_003 * seed + 17);
    let spec = spec(class);
    let n = class.starts_deg.len();
    let factors: Vec<f64> = (0..n)
        .map(|_| rng.random_range(class.factors.0..class.factors.1))
        .collect();
    let mut trace = driven(class, &spec, &factors, seed);
    let (p0_pa, t0_k) = (trace.ambient_pa, trace.ambient_k);
    let hose = class.hose.map(|(length_m, bore_m, dead_m3)| {
        Hose::new(length_m, bore_m, dead_m3, t0_k, 0.6 * p0_pa).expect("a hose")
    });
    let quiet = trace.clone();
    if let Some(hose) = hose {
        let period_s = trace.cycles as f64 * 120.0 / trace.rpm;
        for row in &mut trace.p_pa {
            *row = filtered(row, period_s, |f_hz| {
                let r = hose.response(f_hz);
                if r.magnitude.is_finite() {
                    Complex64::from_polar(r.magnitude, r.phase_rad)
                } else {
                    Complex64::ZERO
                }
            });
        }
    }
    let chains: Vec<Chain> = (0..n)
        .map(|_| Chain {
            offset_pa: class.drift_pa * normal(&mut rng),
            noise_pa: class.noise_pa,
            quantiser: Quantiser::Converter {
                sensor: Ratiometric::RANGE_15_TO_115_KPA,
                counts: Counts::new(2_f64.powi(class.bits) - 1.0).expect("counts"),
            },
            ..Chain::IDEAL
        })
        .collect();
    let sampling = Sampling {
        rate_hz: class.rate_hz,
        duration_s: 6.0,
        rpm_jitter: class.jitter,
        start_deg: rng.random_range(0.0..720.0),
        seed,
        ..Sampling::default()
    };
    let samples = sense(&trace, &chains, &sampling).expect("samples");
    let sensor = Ratiometric::RANGE_15_TO_115_KPA;
    let (lowest_pa, highest_pa) = (
        sensor.pa_from_ratio(0.0) as f32,
        sensor.pa_from_ratio(1.0) as f32,
    );
    let bodies: Vec<String> = (1..=n).map(|i| format!("body {i}")).collect();
    let recording = Recording {
        name: class.name.to_owned(),
        dt_s: samples.dt_s,
        segments: vec![Segment {
            first: 0,
            len: samples.len(),
            t0_s: 0.0,
        }],
        channels: bodies
            .iter()
            .zip(samples.p_pa)
            .map(|(body, p_pa)| Channel {
                body: body.clone(),
                clipped: p_pa
                    .iter()
                    .filter(|p| **p <= lowest_pa || **p >= highest_pa)
                    .count(),
                p_pa,
                step_pa: Ratiometric::RANGE_15_TO_115_KPA.pa_per_ratio()
                    / (2_f64.powi(class.bits) - 1.0),
            })
            .collect(),
        assumed: vec![],
        notices: vec![],
    };
    let setup = Setup {
        bodies: bodies
            .iter()
            .zip(&class.starts_deg)
            .map(|(body, &intake_start_deg)| BodySetup {
                body: body.clone(),
                intake_start_deg,
                zero_pa: Some(0.0),
                hose,
            })
            .collect(),
        p0_pa,
        t0_k,
        runner_m3: class.runner_cc * 1e-6,
        n: 1.35,
        scale_sd: 0.12,
        inlet_opens_btdc_deg: class.timing_deg.0,
        inlet_closes_abdc_deg: class.timing_deg.1,
        zero_sd_pa: ZERO_DRIFT_PA,
        passages_open: class.known,
    };
    Outcome {
        reading: analyse(&recording, &setup),
        area_mm2: quiet
            .truth
            .through_area_m2
            .iter()
            .map(|a| a * 1e6)
            .collect(),
        air_mg: quiet.truth.drawn_air_kg.iter().map(|m| m * 1e6).collect(),
        rpm: samples.mean_rpm,
        trace: quiet,
    }
}

/// Ratio errors of one class: error and stated sd, body i over body 0.
#[derive(Default)]
pub(crate) struct Errors {
    pub(crate) area: Vec<(f64, f64)>,
    pub(crate) air: Vec<(f64, f64)>,
    pub(crate) rpm: Vec<f64>,
    pub(crate) n: Vec<f64>,
    pub(crate) depression: Vec<f64>,
    pub(crate) refused: usize,
    pub(crate) codes: std::collections::BTreeMap<String, usize>,
}

impl Errors {
    pub(crate) fn add(&mut self, o: &Outcome) {
        let reading = match &o.reading {
            Ok(r) => r,
            Err(e) => {
                self.refused += 1;
                *self.codes.entry(format!("{e}")).or_default() += 1;
                return;
            }
        };
        for n in &reading.notices {
            *self.codes.entry(n.code.to_string()).or_default() += 1;
        }
        self.rpm.push(reading.rpm.value / o.rpm - 1.0);
        let mut first: Option<(f64, f64, f64, f64, usize)> = None;
        for (i, c) in reading.channels.iter().enumerate() {
            let truth = o.trace.truth.mean_depression_pa[i] * 1e-3;
            self.depression.push(c.mean_depression_kpa - truth);
            let (Some(a), Some(m)) = (c.through_area_mm2, c.drawn_air_mg) else {
                self.refused += 1;
                continue;
            };
            self.n.push(a.value / o.area_mm2[i] * 1.35);
            let now = (
                a.value / o.area_mm2[i],
                a.sd / a.value,
                m.value / o.air_mg[i],
                m.sd / m.value,
                i,
            );
            if let Some(f) = first {
                self.area.push((now.0 / f.0 - 1.0, now.1.hypot(f.1)));
                self.air.push((now.2 / f.2 - 1.0, now.3.hypot(f.3)));
            } else {
                first = Some(now);
            }
        }
    }

    pub(crate) fn line(&self) -> String {
        let rms = |v: &mut dyn Iterator<Item = f64>| {
            let v: Vec<f64> = v.collect();
            (v.iter().map(|x| x * x).sum::<f64>() / v.len().max(1) as f64).sqrt()
        };
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len().max(1) as f64;
        let part = |v: &[(f64, f64)]| {
            let e: Vec<f64> = v.iter().map(|x| 100.0 * x.0).collect();
            let bias = mean(&e);
            let spread = rms(&mut e.iter().map(|x| x - bias));
            let max = e.iter().fold(0.0_f64, |m, x| m.max(x.abs()));
            let z = rms(&mut v.iter().map(|x| x.0 / x.1));
            let sd = 100.0 * rms(&mut v.iter().map(|x| x.1));
            format!("bias {bias:+.2} spread {spread:.2} max {max:.2} sd {sd:.2} z {z:.2}")
        };
        format!(
            "area {} | air {} | rpm {:.2} dep {:+.2}/{:.2} n {:.3} refused {} {:?}",
            part(&self.area),
            part(&self.air),
            100.0 * self.rpm.iter().fold(0.0_f64, |m, x| m.max(x.abs())),
            mean(&self.depression),
            rms(&mut self.depression.iter().copied()),
            mean(&self.n),
            self.refused,
            self.codes
        )
    }
}
