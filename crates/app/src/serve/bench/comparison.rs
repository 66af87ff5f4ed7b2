//! Sensors held against each other on one pressure.

use serde::Serialize;

use super::Bench;
use crate::error::AppError;

/// Sensors on one held pressure.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// What each reads, zeros taken out [kPa], profile's order.
    pub kpa: Vec<f64>,
    /// Largest less smallest [kPa].
    pub apart_kpa: f64,
    /// How far below the air around it was held [kPa].
    pub below_kpa: f64,
    /// They agree to [`AGREE_KPA`], at a depression of [`DRAWN_KPA`] or more.
    pub agree: bool,
}

/// What zeroed sensors on one pressure may differ by [kPa]; docs/sensor-lines.md.
pub const AGREE_KPA: f64 = 0.3;
/// Depression at which a wrong gain shows [kPa]: 1.5 % of it is what they may differ by.
pub const DRAWN_KPA: f64 = 20.0;

impl Bench {
    /// All sensors on one held pressure: what is left between them is their gain.
    pub(super) fn compare(&mut self) -> Result<(), AppError> {
        let kpa = self.session.compare()?;
        let high = kpa.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let low = kpa.iter().copied().fold(f64::INFINITY, f64::min);
        let mean = kpa.iter().sum::<f64>() / kpa.len() as f64;
        let below_kpa = self.session.request().ambient.pressure_kpa - mean;
        let apart_kpa = high - low;
        self.comparison = Some(Comparison {
            agree: apart_kpa <= AGREE_KPA && below_kpa >= DRAWN_KPA,
            kpa,
            apart_kpa,
            below_kpa,
        });
        Ok(())
    }
}
