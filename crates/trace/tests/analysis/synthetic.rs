//! Recordings from the refill law itself, so that every answer is known.

use evenpull_airflow::refill::refilled_ratio;
use evenpull_trace::{BodySetup, Channel, Recording, Segment, Setup, ZERO_DRIFT_PA};

/// One body: refill rate [1/s], lowest ratio [-], intake start [deg].
#[derive(Debug, Clone, Copy)]
pub(crate) struct Body {
    pub(crate) k_per_s: f64,
    pub(crate) lowest: f64,
    pub(crate) start_deg: f64,
}

/// A run of evenly turning cycles.
#[derive(Debug, Clone)]
pub(crate) struct Made {
    pub(crate) bodies: Vec<Body>,
    pub(crate) rpm: f64,
    pub(crate) rate_hz: f64,
    pub(crate) duration_s: f64,
    pub(crate) p0_pa: f64,
}

impl Made {
    /// Idle of a 90-degree twin, 10 s at 1 kHz.
    pub(crate) fn twin() -> Self {
        let body = |k_per_s, start_deg| Body {
            k_per_s,
            lowest: 0.3,
            start_deg,
        };
        Self {
            bodies: vec![body(10.0, 0.0), body(12.0, 270.0)],
            rpm: 1200.0,
            rate_hz: 1000.0,
            duration_s: 10.0,
            p0_pa: 100_000.0,
        }
    }

    /// Ratio at `deg` after the intake start: a cosine fall over 140 degrees, then the refill.
    fn ratio(&self, body: Body, deg: f64) -> f64 {
        /// Crank angle at which the fall is over.
        const FALLEN_DEG: f64 = 140.0;
        let refill = |deg: f64| {
            refilled_ratio(
                body.lowest,
                body.k_per_s,
                (deg - FALLEN_DEG) / (6.0 * self.rpm),
            )
        };
        if deg >= FALLEN_DEG {
            return refill(deg);
        }
        let high = refill(720.0);
        let share = 0.5 - 0.5 * (std::f64::consts::PI * deg / FALLEN_DEG).cos();
        high + share * (body.lowest - high)
    }

    /// The recording, samples rounded to `f32` only.
    pub(crate) fn recording(&self) -> Recording {
        let n = (self.duration_s * self.rate_hz) as usize;
        Recording {
            name: "made".to_owned(),
            dt_s: 1.0 / self.rate_hz,
            segments: vec![Segment {
                first: 0,
                len: n,
                t0_s: 0.0,
            }],
            channels: self
                .bodies
                .iter()
                .enumerate()
                .map(|(i, body)| Channel {
                    body: name(i),
                    p_pa: (0..n)
                        .map(|s| {
                            let deg = s as f64 / self.rate_hz * 6.0 * self.rpm - body.start_deg;
                            (self.ratio(*body, deg.rem_euclid(720.0)) * self.p0_pa) as f32
                        })
                        .collect(),
                    step_pa: 1.0,
                    clipped: 0,
                })
                .collect(),
            assumed: vec![],
            notices: vec![],
        }
    }

    pub(crate) fn setup(&self) -> Setup {
        Setup {
            bodies: self
                .bodies
                .iter()
                .enumerate()
                .map(|(i, body)| BodySetup {
                    body: name(i),
                    intake_start_deg: body.start_deg,
                    zero_pa: Some(0.0),
                    hose: None,
                })
                .collect(),
            p0_pa: self.p0_pa,
            t0_k: 293.15,
            runner_m3: 260e-6,
            n: 1.35,
            scale_sd: 0.12,
            inlet_opens_btdc_deg: 12.0,
            inlet_closes_abdc_deg: 52.0,
            zero_sd_pa: ZERO_DRIFT_PA,
            passages_open: false,
        }
    }
}

fn name(i: usize) -> String {
    format!("body {}", i + 1)
}
