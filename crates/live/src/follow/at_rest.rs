//! Sensors while the engine stands: their zero, and what they read of one held pressure.

use super::{CompareError, Follower, ZeroError, mean};

/// Largest swing of a second of a sensor at rest [Pa].
const STILL_PA: f64 = 1_500.0;
/// Largest swing over a second of a held pressure [Pa], each tenth averaged so that noise does not
/// count: what two sensors may differ by (docs/sensor-lines.md).
const HELD_PA: f64 = 300.0;
/// Furthest a zero may lie from ambient [Pa]; two of the usual sensors differ by up to 3 kPa.
const FARTHEST_ZERO_PA: f64 = 6_000.0;

impl Follower {
    /// Takes the sensors' zero from the last second, engine off.
    ///
    /// Returns the zero of each body [Pa].
    ///
    /// # Errors
    /// [`ZeroError`]; the zeros then stay as they were.
    pub fn take_zero(&mut self) -> Result<Vec<f64>, ZeroError> {
        let second = self.rate_hz().unwrap_or(0.0) as usize;
        if second == 0 || self.ring.len() < second {
            return Err(ZeroError::TooFew);
        }
        let p0_pa = self.expect.setup.p0_pa;
        let mut zeros = Vec::new();
        for (b, body) in self.expect.setup.bodies.iter().enumerate() {
            let p = self.ring.last(b, second);
            let (low, high, mean_pa) = extent(p).ok_or(ZeroError::TooFew)?;
            if high - low > STILL_PA {
                return Err(ZeroError::Moving {
                    body: body.body.clone(),
                    swing_kpa: (high - low) / 1e3,
                });
            }
            let zero = mean_pa - p0_pa;
            if zero.abs() > FARTHEST_ZERO_PA {
                return Err(ZeroError::TooFar {
                    body: body.body.clone(),
                    kpa: mean_pa / 1e3,
                    ambient_kpa: p0_pa / 1e3,
                });
            }
            zeros.push(zero);
        }
        for (body, zero) in self.expect.setup.bodies.iter_mut().zip(&zeros) {
            body.zero_pa = Some(*zero);
        }
        Ok(zeros)
    }

    /// Mean absolute pressure of each sensor over the last second, zeros taken out [Pa]: what they read
    /// when they are joined to one held pressure.
    ///
    /// # Errors
    /// [`CompareError`].
    pub fn compare(&self) -> Result<Vec<f64>, CompareError> {
        let second = self.rate_hz().unwrap_or(0.0) as usize;
        if second == 0 || self.ring.len() < second {
            return Err(CompareError::TooFew);
        }
        let mut means = Vec::new();
        for (b, body) in self.expect.setup.bodies.iter().enumerate() {
            let zero_pa = body.zero_pa.ok_or(CompareError::NotZeroed)?;
            let samples = self.ring.last(b, second);
            let (_, _, mean_pa) = extent(samples).ok_or(CompareError::TooFew)?;
            let tenths: Vec<f32> = samples
                .chunks((second / 10).max(1))
                .map(|tenth| mean(tenth) as f32)
                .collect();
            let (low, high, _) = extent(&tenths).ok_or(CompareError::TooFew)?;
            if high - low > HELD_PA {
                return Err(CompareError::Moving {
                    body: body.body.clone(),
                    swing_kpa: (high - low) / 1e3,
                });
            }
            means.push(mean_pa - zero_pa);
        }
        Ok(means)
    }
}

/// Lowest, highest and mean of the readable samples.
fn extent(p_pa: &[f32]) -> Option<(f64, f64, f64)> {
    let readable = || p_pa.iter().filter(|p| p.is_finite()).map(|p| f64::from(*p));
    if 2 * readable().count() < p_pa.len().max(1) {
        return None;
    }
    let low = readable().fold(f64::INFINITY, f64::min);
    let high = readable().fold(f64::NEG_INFINITY, f64::max);
    Some((low, high, mean(p_pa)))
}
