//! One hour of two runners at idle, made from the refill law, for the benchmark.
//!
//! Not a stand-in for the engine model: `dr/dt = k psi(r)` while the inlet valve is shut, and a
//! draw towards a low pressure while it is open. Same bytes on every run of one machine.

use std::io::{BufWriter, Write};
use std::path::Path;

use anyhow::Result;

/// Ambient pressure of the recording [kPa].
pub(crate) const AMBIENT_KPA: f64 = 101.325;
/// Mean engine speed [1/min].
pub(crate) const RPM: f64 = 1250.0;
/// Body, refill rate `k` put in [1/s], crank angle of its intake start [deg].
pub(crate) const BODIES: [(&str, f64, f64); 2] = [("left", 12.0, 0.0), ("right", 11.4, 270.0)];
/// Sampling rate [1/s].
const RATE_PER_S: u64 = 2000;
/// Rows: one hour.
pub(crate) const ROWS: u64 = 3600 * RATE_PER_S;
/// Scatter of the speed from cycle to cycle, relative standard deviation [-].
const SPEED_SCATTER: f64 = 0.004;
/// Standard deviation of the sensor noise [kPa].
const NOISE_KPA: f64 = 0.05;
/// Crank angle over which the inlet valve is open [deg].
const OPEN_DEG: f64 = 230.0;
/// Greatest rate at which the open valve draws the runner down [1/s].
const DRAW_PER_S: f64 = 180.0;
/// Pressure ratio of the cylinder that draws [-].
const DRAWN_RATIO: f64 = 0.25;
/// Integration steps per sample.
const STEPS: u32 = 2;

/// Writes the recording: header, then `time_s,left_kpa,right_kpa`.
pub(crate) fn write(path: &Path, rows: u64) -> Result<()> {
    let part = path.with_extension("part");
    let mut out = BufWriter::with_capacity(1 << 20, std::fs::File::create(&part)?);
    writeln!(out, "time_s,left_kpa,right_kpa")?;
    let mut noise = Noise {
        state: 0x5eed_1e55_0dd5,
        spare: None,
    };
    let mut ratios = [0.6, 0.8];
    let mut speed_deg_s = RPM * 6.0;
    let mut crank_deg = 0.0;
    let step_s = 1.0 / (RATE_PER_S as f64 * f64::from(STEPS));
    for row in 0..rows {
        let [left, right] =
            ratios.map(|ratio: f64| ratio * AMBIENT_KPA + NOISE_KPA * noise.gauss());
        writeln!(
            out,
            "{:.5},{left:.3},{right:.3}",
            row as f64 / RATE_PER_S as f64
        )?;
        for _ in 0..STEPS {
            for (ratio, (_, refill_per_s, start_deg)) in ratios.iter_mut().zip(BODIES) {
                let slope = |r: f64, deg: f64| {
                    refill_per_s * psi(r) - draw_per_s(deg - start_deg) * (r - DRAWN_RATIO)
                };
                let middle = *ratio + 0.5 * step_s * slope(*ratio, crank_deg);
                *ratio += step_s * slope(middle, crank_deg + 0.5 * step_s * speed_deg_s);
            }
            crank_deg += step_s * speed_deg_s;
            if crank_deg >= 720.0 {
                crank_deg -= 720.0;
                speed_deg_s = RPM * 6.0 * (1.0 + SPEED_SCATTER * noise.gauss());
            }
        }
    }
    out.into_inner()?.sync_all()?;
    std::fs::rename(part, path)?;
    Ok(())
}

/// Orifice function of the pressure ratio for a ratio of specific heats of 7/5 [-].
fn psi(ratio: f64) -> f64 {
    let critical = (5.0_f64 / 6.0).powf(3.5);
    let x = ratio.clamp(critical, 1.0).powf(1.0 / 7.0);
    x.powi(5) * (7.0 * (1.0 - x * x)).sqrt()
}

/// How fast the open inlet valve draws the runner down [1/s]; zero while it is shut.
fn draw_per_s(since_start_deg: f64) -> f64 {
    let deg = since_start_deg.rem_euclid(720.0);
    if deg >= OPEN_DEG {
        0.0
    } else {
        DRAW_PER_S * (std::f64::consts::PI * deg / OPEN_DEG).sin().powi(2)
    }
}

/// Normal deviates from a counter hashed by splitmix64 (Steele, Lea, Flood 2014), by Box and Muller.
struct Noise {
    state: u64,
    spare: Option<f64>,
}

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        // The upper 53 bits, moved off zero so that the logarithm is finite.
        ((z >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    fn gauss(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        let (sine, cosine) = (std::f64::consts::TAU * self.uniform()).sin_cos();
        self.spare = Some(radius * sine);
        radius * cosine
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `naca1135` (validation/refs.bib), isentropic flow at a ratio of specific heats of 7/5, to ten digits.
    #[test]
    fn val_psi() {
        for (ratio, value) in [
            (0.95, 0.307_641_100_4),
            (0.7, 0.638_317_233_3),
            (0.4, 0.684_731_456_377),
        ] {
            assert!((psi(ratio) - value).abs() < 1e-10, "{ratio}");
        }
    }

    #[test]
    fn noise_has_the_moments_of_a_normal_deviate() {
        let mut noise = Noise {
            state: 1,
            spare: None,
        };
        let draws: Vec<f64> = (0..100_000).map(|_| noise.gauss()).collect();
        let mean = draws.iter().sum::<f64>() / 1e5;
        let variance = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 1e5;
        // Five standard errors: 1/sqrt(1e5) and sqrt(2/1e5).
        assert!(mean.abs() < 0.016, "{mean}");
        assert!((variance - 1.0).abs() < 0.023, "{variance}");
    }

    #[test]
    fn the_same_rows_come_out_each_time_one_dip_a_cycle() {
        let dir = std::env::temp_dir();
        let paths = ["a", "b"]
            .map(|name| dir.join(format!("evenpull-bench-{}-{name}.csv", std::process::id())));
        let texts = paths.clone().map(|path| {
            write(&path, 4000).unwrap();
            let text = std::fs::read_to_string(&path).unwrap();
            std::fs::remove_file(path).unwrap();
            text
        });
        assert_eq!(texts[0], texts[1]);
        let left: Vec<f64> = texts[0]
            .lines()
            .skip(1)
            .map(|line| line.split(',').nth(1).unwrap().parse().unwrap())
            .collect();
        let falls = left
            .windows(2)
            .filter(|pair| pair[0] > 50.0 && pair[1] <= 50.0)
            .count();
        // Two seconds at 1,250 rpm hold 20.8 cycles.
        assert!((20..=21).contains(&falls), "{falls}");
    }
}
