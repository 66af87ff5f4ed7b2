//! From runner pressure to samples: hose, sensor, clock, converter.
//!
//! The recorded cycles are played over and over on a clock whose speed jitters from cycle to cycle
//! and wanders slowly. Hose and lag are linear systems solved exactly for an input that is
//! straight between knots no more than one degree of crank apart. Limits: pressure over crank
//! angle does not change with the jitter; noise is white.

use evenpull_airflow::{Counts, Ratiometric, SecondOrder};
use rand::SeedableRng;
use rand::rngs::Xoshiro256PlusPlus;
use rand_distr::{Distribution, StandardNormal};

use crate::error::EngineError;
use crate::trace::Trace;

/// What the samples are rounded to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Quantiser {
    /// Not rounded.
    Exact,
    /// Converter counts behind a ratiometric sensor; stops at zero and at full scale.
    Converter {
        /// Sensor.
        sensor: Ratiometric,
        /// Converter.
        counts: Counts,
    },
    /// Printed decimals.
    Step {
        /// Smallest step [Pa], above zero; 1 for three decimals of a kilopascal.
        step_pa: f64,
    },
}

impl Quantiser {
    /// Nearest value the recording can express to `p_pa` [Pa].
    pub fn round_pa(&self, p_pa: f64) -> f64 {
        match self {
            Self::Exact => p_pa,
            Self::Converter { sensor, counts } => {
                let n = counts.counts(sensor.ratio_from_pa(p_pa)).round();
                sensor.pa_from_ratio(counts.ratio(n.clamp(0.0, counts.full_scale())))
            }
            Self::Step { step_pa } => (p_pa / step_pa).round() * step_pa,
        }
    }
}

/// Everything between one stub and its samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chain {
    /// Hose as a second-order low-pass; `None` for a sensor on the stub.
    pub hose: Option<SecondOrder>,
    /// Reading over true pressure [-].
    pub gain: f64,
    /// Added to the reading [Pa].
    pub offset_pa: f64,
    /// First-order lag of the sensor [s], not negative.
    pub lag_s: f64,
    /// Standard deviation of the noise [Pa], not negative.
    pub noise_pa: f64,
    /// Rounding.
    pub quantiser: Quantiser,
}

impl Chain {
    /// A perfect sensor on the stub.
    pub const IDEAL: Self = Self {
        hose: None,
        gain: 1.0,
        offset_pa: 0.0,
        lag_s: 0.0,
        noise_pa: 0.0,
        quantiser: Quantiser::Exact,
    };
}

/// The clock of a recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampling {
    /// Samples per second [Hz].
    pub rate_hz: f64,
    /// Length of the recording [s].
    pub duration_s: f64,
    /// Standard deviation of the speed from cycle to cycle over its mean [-].
    pub rpm_jitter: f64,
    /// Standard deviation of the slow wander of the speed over its mean [-].
    pub rpm_wander: f64,
    /// Time over which the wander forgets itself [s].
    pub wander_s: f64,
    /// Crank angle of the first sample [deg], 0 to 720.
    pub start_deg: f64,
    /// Seed of jitter, wander and noise.
    pub seed: u64,
}

impl Default for Sampling {
    /// Six seconds at 1 kHz, jitter 0.5 %, wander 0.5 % over 3 s.
    fn default() -> Self {
        Self {
            rate_hz: 1000.0,
            duration_s: 6.0,
            rpm_jitter: 0.005,
            rpm_wander: 0.005,
            wander_s: 3.0,
            start_deg: 0.0,
            seed: 1,
        }
    }
}

/// Evenly spaced samples of all channels.
#[derive(Debug, Clone, PartialEq)]
pub struct Samples {
    /// Sample spacing [s].
    pub dt_s: f64,
    /// Absolute pressure as read [Pa], one row per channel.
    pub p_pa: Vec<Vec<f32>>,
    /// Mean speed over the recording [1/min].
    pub mean_rpm: f64,
}

impl Samples {
    /// Number of samples per channel.
    pub fn len(&self) -> usize {
        self.p_pa.first().map_or(0, Vec::len)
    }

    /// True without samples.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// Limits on jitter and wander that keep every cycle's speed positive and near its mean [-].
const LARGEST_UNREST: f64 = 0.1;
/// Knots of the straight-line input per cycle, at least.
const KNOTS_PER_CYCLE: f64 = 720.0;

/// Samples a recorded run through one chain per cylinder.
///
/// # Errors
/// [`EngineError`] when there is not one chain per cylinder, or a rate, duration, lag, noise or
/// unrest is out of range.
pub fn sense(trace: &Trace, chains: &[Chain], sampling: &Sampling) -> Result<Samples, EngineError> {
    check(trace, chains, sampling)?;
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(sampling.seed);
    let dt_s = 1.0 / sampling.rate_hz;
    let count = (sampling.duration_s * sampling.rate_hz).round() as usize;
    let cycle_s = 120.0 / trace.rpm;
    let parts = (dt_s / (cycle_s / KNOTS_PER_CYCLE)).ceil().max(1.0) as usize;
    let knot_s = dt_s / parts as f64;

    let mut clock = Clock::new(trace, sampling);
    let mut filters: Vec<Filter> = chains.iter().map(|c| Filter::new(c, knot_s)).collect();
    // One cycle ahead lets hose and lag forget their start.
    for (i, f) in filters.iter_mut().enumerate() {
        f.rest(clock.pressure_pa(trace, i));
        let ahead = (cycle_s / knot_s).ceil() as usize;
        for k in 0..=ahead {
            let share = 1.0 - k as f64 / ahead as f64;
            f.advance(trace_pa(
                trace,
                i,
                0,
                (sampling.start_deg / 720.0 - share).rem_euclid(1.0),
            ));
        }
    }
    let mut p_pa = vec![Vec::with_capacity(count); chains.len()];
    for _ in 0..count {
        for ((filter, chain), row) in filters.iter().zip(chains).zip(&mut p_pa) {
            let noise: f64 = StandardNormal.sample(&mut rng);
            let read = chain.gain * filter.output() + chain.offset_pa + chain.noise_pa * noise;
            row.push(chain.quantiser.round_pa(read) as f32);
        }
        for _ in 0..parts {
            clock.advance(knot_s, &mut rng);
            for (i, filter) in filters.iter_mut().enumerate() {
                filter.advance(clock.pressure_pa(trace, i));
            }
        }
    }
    let mean_rpm = clock.turned_cycles * 120.0 / (count as f64 * dt_s);
    Ok(Samples {
        dt_s,
        p_pa,
        mean_rpm,
    })
}

fn check(trace: &Trace, chains: &[Chain], s: &Sampling) -> Result<(), EngineError> {
    let cylinders = trace.p_pa.len();
    if chains.len() != cylinders {
        return Err(EngineError::Length {
            what: "chain list",
            got: chains.len(),
            cylinders,
        });
    }
    check_rate(s.rate_hz)?;
    let unrest = 0.0..=LARGEST_UNREST;
    for (what, value, unit, ok, expected) in [
        (
            "recording length",
            s.duration_s,
            "s",
            s.duration_s > 0.0 && s.duration_s <= 3600.0,
            "above 0 and up to 3,600",
        ),
        (
            "speed jitter",
            s.rpm_jitter,
            "",
            unrest.contains(&s.rpm_jitter),
            "between 0 and 0.1",
        ),
        (
            "speed wander",
            s.rpm_wander,
            "",
            unrest.contains(&s.rpm_wander),
            "between 0 and 0.1",
        ),
        ("wander time", s.wander_s, "s", s.wander_s > 0.0, "positive"),
        (
            "first angle",
            s.start_deg,
            "deg",
            (0.0..720.0).contains(&s.start_deg),
            "0 to 720",
        ),
    ] {
        if !(value.is_finite() && ok) {
            return Err(EngineError::Range {
                what,
                value,
                unit,
                expected,
            });
        }
    }
    check_chains(chains)
}

/// Refuses a lag or noise that cannot be.
pub(crate) fn check_chains(chains: &[Chain]) -> Result<(), EngineError> {
    for (cylinder, c) in chains.iter().enumerate() {
        for (what, value, unit) in [
            ("sensor lag", c.lag_s, "s"),
            ("sensor noise", c.noise_pa, "Pa"),
        ] {
            if !(value.is_finite() && value >= 0.0) {
                let expected = "not negative";
                return Err(EngineError::Cylinder {
                    what,
                    cylinder,
                    value,
                    unit,
                    expected,
                });
            }
        }
    }
    Ok(())
}

/// Refuses a sampling rate [Hz] that cannot be.
pub(crate) fn check_rate(rate_hz: f64) -> Result<(), EngineError> {
    if (1.0..=1e6).contains(&rate_hz) {
        return Ok(());
    }
    Err(EngineError::Range {
        what: "sampling rate",
        value: rate_hz,
        unit: "Hz",
        expected: "between 1 and 1e6",
    })
}

/// Runner pressure [Pa] at `share` (0 to 1) of recorded cycle `cycle`, straight between points.
fn trace_pa(trace: &Trace, cylinder: usize, cycle: usize, share: f64) -> f64 {
    let row = &trace.p_pa[cylinder];
    let x = share * trace.points_per_cycle as f64;
    let k = (x as usize).min(trace.points_per_cycle - 1);
    let at = cycle * trace.points_per_cycle + k;
    let next = if at + 1 < row.len() { at + 1 } else { 0 };
    row[at] + (x - k as f64) * (row[next] - row[at])
}

/// Where in which recorded cycle the crank stands.
struct Clock {
    cycles: usize,
    mean_hz: f64,
    jitter: f64,
    wander: f64,
    /// Share of the wander kept from one cycle to the next.
    memory: f64,
    cycle: usize,
    share: f64,
    cycle_hz: f64,
    wander_now: f64,
    turned_cycles: f64,
}

impl Clock {
    fn new(trace: &Trace, sampling: &Sampling) -> Self {
        let mean_hz = trace.rpm / 120.0;
        Self {
            cycles: trace.cycles,
            mean_hz,
            jitter: sampling.rpm_jitter,
            wander: sampling.rpm_wander,
            memory: (-1.0 / (mean_hz * sampling.wander_s)).exp(),
            cycle: 0,
            share: sampling.start_deg / 720.0,
            cycle_hz: mean_hz,
            wander_now: 0.0,
            turned_cycles: 0.0,
        }
    }

    fn pressure_pa(&self, trace: &Trace, cylinder: usize) -> f64 {
        trace_pa(trace, cylinder, self.cycle, self.share)
    }

    fn advance(&mut self, dt_s: f64, rng: &mut Xoshiro256PlusPlus) {
        let mut left_s = dt_s;
        loop {
            let rest = 1.0 - self.share;
            if left_s * self.cycle_hz < rest {
                self.share += left_s * self.cycle_hz;
                self.turned_cycles += left_s * self.cycle_hz;
                return;
            }
            left_s -= rest / self.cycle_hz;
            self.turned_cycles += rest;
            self.share = 0.0;
            self.cycle = (self.cycle + 1) % self.cycles;
            self.new_cycle(rng);
        }
    }

    fn new_cycle(&mut self, rng: &mut Xoshiro256PlusPlus) {
        let mut draw = || {
            let z: f64 = StandardNormal.sample(rng);
            z.clamp(-3.0, 3.0)
        };
        let fresh = (1.0 - self.memory * self.memory).sqrt();
        self.wander_now = self.memory * self.wander_now + fresh * self.wander * draw();
        self.cycle_hz = self.mean_hz * (1.0 + self.wander_now + self.jitter * draw()).max(0.3);
    }
}

/// Hose and lag of one channel, advanced by one knot at a time.
pub(crate) struct Filter {
    hose: Option<HoseStep>,
    lag_keep: f64,
    lag_s: f64,
    knot_s: f64,
    input: f64,
    hose_out: f64,
    hose_rate: f64,
    lag_out: f64,
}

/// Free decay of `e'' + 2 zeta w e' + w^2 e = 0` over one knot.
struct HoseStep {
    delay_s: f64,
    ee: f64,
    ev: f64,
    ve: f64,
    vv: f64,
}

impl HoseStep {
    fn new(hose: &SecondOrder, h_s: f64) -> Self {
        let (w, z) = (hose.omega_rad_s, hose.zeta);
        let spread = 1.0 - z * z;
        let wd = w * spread.abs().sqrt();
        // Decaying cosine and sine over wd, or their hyperbolic counterparts above critical.
        let (c, s) = if wd * h_s < 1e-6 {
            (1.0, h_s)
        } else if spread > 0.0 {
            ((wd * h_s).cos(), (wd * h_s).sin() / wd)
        } else {
            ((wd * h_s).cosh(), (wd * h_s).sinh() / wd)
        };
        let d = (-z * w * h_s).exp();
        Self {
            delay_s: 2.0 * z / w,
            ee: d * (c + z * w * s),
            ev: d * s,
            ve: -d * w * w * s,
            vv: d * (c - z * w * s),
        }
    }
}

impl Filter {
    pub(crate) fn new(chain: &Chain, knot_s: f64) -> Self {
        Self {
            hose: chain.hose.as_ref().map(|h| HoseStep::new(h, knot_s)),
            lag_keep: if chain.lag_s > 0.0 {
                (-knot_s / chain.lag_s).exp()
            } else {
                0.0
            },
            lag_s: chain.lag_s,
            knot_s,
            input: 0.0,
            hose_out: 0.0,
            hose_rate: 0.0,
            lag_out: 0.0,
        }
    }

    /// Everything at rest at `p_pa`.
    pub(crate) fn rest(&mut self, p_pa: f64) {
        (self.input, self.hose_out, self.hose_rate, self.lag_out) = (p_pa, p_pa, 0.0, p_pa);
    }

    pub(crate) fn output(&self) -> f64 {
        self.lag_out
    }

    /// Moves to the next knot, where the runner is at `p_pa`.
    pub(crate) fn advance(&mut self, p_pa: f64) {
        let before = self.hose_out;
        if let Some(step) = &self.hose {
            let slope = (p_pa - self.input) / self.knot_s;
            // On a ramp the response trails the input by a fixed delay.
            let e = self.hose_out - (self.input - step.delay_s * slope);
            let v = self.hose_rate - slope;
            self.hose_out = p_pa - step.delay_s * slope + step.ee * e + step.ev * v;
            self.hose_rate = slope + step.ve * e + step.vv * v;
        } else {
            self.hose_out = p_pa;
        }
        let behind = self.lag_s * (self.hose_out - before) / self.knot_s;
        self.lag_out = self.hose_out - behind + self.lag_keep * (self.lag_out - before + behind);
        self.input = p_pa;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::Truth;

    /// One cylinder, sinusoidal runner pressure, one cycle, at 1,200 rpm (10 cycles a second).
    fn sine() -> Trace {
        let points = 720;
        let p = (0..points)
            .map(|k| 60e3 + 20e3 * (std::f64::consts::TAU * k as f64 / points as f64).sin())
            .collect();
        Trace {
            rpm: 1200.0,
            ambient_pa: 101_325.0,
            ambient_k: 293.15,
            points_per_cycle: points,
            cycles: 1,
            p_pa: vec![p],
            truth: Truth {
                command_deg: 0.0,
                plate_deg: vec![0.0],
                idle_steps: 0.0,
                idle_valve_m2: 0.0,
                through_area_m2: vec![0.0],
                equivalent_area_m2: vec![0.0],
                drawn_air_kg: vec![0.0],
                mean_depression_pa: vec![41_325.0],
                imep_pa: vec![0.0],
                residual: vec![0.0],
                net_torque_nm: 0.0,
            },
        }
    }

    fn steady() -> Sampling {
        Sampling {
            rpm_jitter: 0.0,
            rpm_wander: 0.0,
            duration_s: 2.0,
            ..Sampling::default()
        }
    }

    /// Amplitude and phase of the 10 Hz part over the last second.
    fn tone(row: &[f32], dt_s: f64) -> (f64, f64) {
        let last = &row[row.len() / 2..];
        let t0 = (row.len() / 2) as f64 * dt_s;
        let (mut re, mut im) = (0.0, 0.0);
        for (k, &p) in last.iter().enumerate() {
            let phase = std::f64::consts::TAU * 10.0 * (t0 + k as f64 * dt_s);
            re += f64::from(p) * phase.sin();
            im += f64::from(p) * phase.cos();
        }
        let n = last.len() as f64;
        (2.0 * re.hypot(im) / n, im.atan2(re))
    }

    #[test]
    fn hose_follows_its_own_response() {
        for (hz, zeta) in [(12.0, 0.2), (30.0, 0.7), (25.0, 1.0), (20.0, 1.6)] {
            let hose = SecondOrder {
                omega_rad_s: std::f64::consts::TAU * hz,
                zeta,
            };
            let chain = Chain {
                hose: Some(hose),
                ..Chain::IDEAL
            };
            let s = sense(&sine(), &[chain], &steady()).unwrap();
            let (amplitude, phase) = tone(&s.p_pa[0], s.dt_s);
            let want = hose.response(10.0);
            // Straight lines between 720 points lose 6e-6 of a sine; the start has decayed.
            assert!(
                (amplitude / 20e3 - want.magnitude).abs() < 1e-4 * want.magnitude,
                "{hz}"
            );
            assert!(
                (phase - want.phase_rad).abs() < 1e-4,
                "{hz}: {phase} {}",
                want.phase_rad
            );
        }
    }

    #[test]
    fn lag_follows_a_first_order_response() {
        let chain = Chain {
            lag_s: 0.01,
            ..Chain::IDEAL
        };
        let s = sense(&sine(), &[chain], &steady()).unwrap();
        let (amplitude, phase) = tone(&s.p_pa[0], s.dt_s);
        let x = std::f64::consts::TAU * 10.0 * 0.01;
        assert!((amplitude / 20e3 - 1.0 / (1.0 + x * x).sqrt()).abs() < 1e-4);
        assert!((phase + x.atan()).abs() < 1e-4);
    }

    #[test]
    fn converter_rounds_and_stops_at_its_ends() {
        let q = Quantiser::Converter {
            sensor: Ratiometric::RANGE_15_TO_115_KPA,
            counts: Counts::new(4095.0).unwrap(),
        };
        let step = 1e3 / 0.009 / 4095.0;
        for p in [20e3, 55_123.4, 101_325.0] {
            assert!((q.round_pa(p) - p).abs() <= 0.5 * step + 1e-6);
        }
        assert!((q.round_pa(2e5) - 1.095 / 0.009 * 1e3).abs() < 1e-6);
        assert!((q.round_pa(0.0) - 0.095 / 0.009 * 1e3).abs() < 1e-6);
    }

    #[test]
    fn noise_and_jitter_have_their_size_and_repeat_with_the_seed() {
        let chain = Chain {
            noise_pa: 150.0,
            gain: 1.01,
            offset_pa: 700.0,
            ..Chain::IDEAL
        };
        let sampling = Sampling {
            rpm_jitter: 0.01,
            duration_s: 60.0,
            ..steady()
        };
        let flat = Trace {
            p_pa: vec![vec![50e3; 720]],
            ..sine()
        };
        let s = sense(&flat, &[chain], &sampling).unwrap();
        let row = &s.p_pa[0];
        let n = row.len() as f64;
        let mean = row.iter().map(|&p| f64::from(p)).sum::<f64>() / n;
        let var = row
            .iter()
            .map(|&p| (f64::from(p) - mean).powi(2))
            .sum::<f64>()
            / n;
        // Four standard errors of 60,000 draws.
        assert!((mean - 51_200.0).abs() < 4.0 * 150.0 / n.sqrt(), "{mean}");
        assert!(
            (var.sqrt() - 150.0).abs() < 4.0 * 150.0 / (2.0 * n).sqrt(),
            "{}",
            var.sqrt()
        );
        // 600 cycles of 1 % jitter: mean speed within four standard errors.
        assert!((s.mean_rpm / 1200.0 - 1.0).abs() < 4.0 * 0.01 / 600.0_f64.sqrt());
        assert_eq!(s, sense(&flat, &[chain], &sampling).unwrap());
        let other = Sampling {
            seed: 2,
            ..sampling
        };
        assert_ne!(s, sense(&flat, &[chain], &other).unwrap());
    }

    #[test]
    fn wrong_numbers_are_refused() {
        assert!(matches!(
            sense(&sine(), &[], &steady()),
            Err(EngineError::Length { .. })
        ));
        let bad = Sampling {
            rate_hz: 0.0,
            ..steady()
        };
        assert!(sense(&sine(), &[Chain::IDEAL], &bad).is_err());
        let bad = Chain {
            lag_s: -1.0,
            ..Chain::IDEAL
        };
        assert!(sense(&sine(), &[bad], &steady()).is_err());
    }
}
