//! Ratiometric absolute-pressure sensors: volts or counts to pascals and back.

/// What a sensor's description or reading is refused for.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SensorError {
    /// A slope of zero cannot be turned round.
    #[error("sensor slope k1 must be finite and not zero, got {k1_per_kpa} 1/kPa")]
    Slope {
        /// The refused value [1/kPa].
        k1_per_kpa: f64,
    },
    /// An offset that is no number.
    #[error("sensor offset k2 must be finite, got {k2}")]
    Offset {
        /// The refused value [-].
        k2: f64,
    },
    /// A supply that is not a positive voltage.
    #[error("sensor supply must be finite and positive, got {supply_v} V")]
    Supply {
        /// The refused value [V].
        supply_v: f64,
    },
    /// A converter without range.
    #[error("full scale must be finite and positive, got {full_scale} counts")]
    FullScale {
        /// The refused value [counts].
        full_scale: f64,
    },
}

/// Sensor whose output follows its supply: `V = Vs (K1 P + K2)`, P in kPa as data sheets write it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratiometric {
    k1_per_kpa: f64,
    k2: f64,
}

impl Ratiometric {
    /// The common 15 to 115 kPa type: K1 = 0.009 per kPa, K2 = -0.095; +-1.5 kPa.
    ///
    /// # Source
    /// Data sheet values as in `validation/data/datasheet_ratiometric.csv`.
    pub const RANGE_15_TO_115_KPA: Self = Self {
        k1_per_kpa: 0.009,
        k2: -0.095,
    };

    /// Sensor of slope `k1_per_kpa` [1/kPa], not zero, and offset `k2` [-].
    ///
    /// # Errors
    /// [`SensorError::Slope`] or [`SensorError::Offset`].
    pub fn new(k1_per_kpa: f64, k2: f64) -> Result<Self, SensorError> {
        if !k1_per_kpa.is_finite() || k1_per_kpa == 0.0 {
            return Err(SensorError::Slope { k1_per_kpa });
        }
        if !k2.is_finite() {
            return Err(SensorError::Offset { k2 });
        }
        Ok(Self { k1_per_kpa, k2 })
    }

    /// Absolute pressure [Pa] from output over supply, `ratio` [-].
    pub fn pa_from_ratio(self, ratio: f64) -> f64 {
        (ratio - self.k2) / self.k1_per_kpa * 1e3
    }

    /// Output over supply [-] at an absolute pressure of `p_pa` [Pa].
    pub fn ratio_from_pa(self, p_pa: f64) -> f64 {
        self.k1_per_kpa * p_pa * 1e-3 + self.k2
    }

    /// Absolute pressure [Pa] from `volts` [V] at a supply of `supply_v` [V] > 0.
    ///
    /// # Errors
    /// [`SensorError::Supply`].
    pub fn pa_from_volts(self, volts: f64, supply_v: f64) -> Result<f64, SensorError> {
        check_supply(supply_v)?;
        Ok(self.pa_from_ratio(volts / supply_v))
    }

    /// Output [V] at an absolute pressure of `p_pa` [Pa] and a supply of `supply_v` [V] > 0.
    ///
    /// # Errors
    /// [`SensorError::Supply`].
    pub fn volts_from_pa(self, p_pa: f64, supply_v: f64) -> Result<f64, SensorError> {
        check_supply(supply_v)?;
        Ok(supply_v * self.ratio_from_pa(p_pa))
    }

    /// Pressure step of one part in the ratio [Pa]; multiply by the converter's step.
    pub fn pa_per_ratio(self) -> f64 {
        1e3 / self.k1_per_kpa
    }
}

/// Converter whose reference is the sensor's supply: counts over full scale is the ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Counts {
    full_scale: f64,
}

impl Counts {
    /// Converter reading `full_scale` [counts] > 0 at its reference, such as 4095 or 1023.
    ///
    /// # Errors
    /// [`SensorError::FullScale`].
    pub fn new(full_scale: f64) -> Result<Self, SensorError> {
        if full_scale.is_finite() && full_scale > 0.0 {
            Ok(Self { full_scale })
        } else {
            Err(SensorError::FullScale { full_scale })
        }
    }

    /// Ratio to the reference [-] from `counts`.
    pub fn ratio(self, counts: f64) -> f64 {
        counts / self.full_scale
    }

    /// Counts, not rounded, at `ratio` [-] of the reference.
    pub fn counts(self, ratio: f64) -> f64 {
        ratio * self.full_scale
    }

    /// Full scale [counts].
    pub fn full_scale(self) -> f64 {
        self.full_scale
    }
}

fn check_supply(supply_v: f64) -> Result<(), SensorError> {
    if supply_v.is_finite() && supply_v > 0.0 {
        Ok(())
    } else {
        Err(SensorError::Supply { supply_v })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Pressure to volts or counts and back, for any sensor. The offset is a few supplies at most,
        /// so what is lost is a few roundings of it.
        #[test]
        fn prop_sensor_and_converter_undo_each_other(
            k1_per_kpa in prop_oneof![-0.1..-1e-4_f64, 1e-4..0.1_f64],
            k2 in -2.0..2.0_f64,
            p_pa in 0.0..250_000.0_f64,
            supply_v in 3.0..15.0_f64,
            full_scale in 100.0..1e7_f64,
        ) {
            let sensor = Ratiometric::new(k1_per_kpa, k2).unwrap();
            let counts = Counts::new(full_scale).unwrap();
            let limit_pa = 8.0 * f64::EPSILON * (p_pa + sensor.pa_per_ratio().abs() * k2.abs());
            let ratio = sensor.ratio_from_pa(p_pa);
            let volts = sensor.volts_from_pa(p_pa, supply_v).unwrap();
            for back_pa in [
                sensor.pa_from_ratio(ratio),
                sensor.pa_from_ratio(counts.ratio(counts.counts(ratio))),
                sensor.pa_from_volts(volts, supply_v).unwrap(),
            ] {
                prop_assert!((back_pa - p_pa).abs() <= limit_pa, "{back_pa} {p_pa} {limit_pa}");
            }
        }
    }

    #[test]
    fn both_ways_agree() {
        let s = Ratiometric::RANGE_15_TO_115_KPA;
        for kpa in [15.0, 60.0, 101.325, 115.0] {
            let volts = s.volts_from_pa(kpa * 1e3, 5.0).unwrap();
            assert!((s.pa_from_volts(volts, 5.0).unwrap() - kpa * 1e3).abs() < 1e-6);
        }
        let adc = Counts::new(4095.0).unwrap();
        assert!((adc.ratio(adc.counts(0.42)) - 0.42).abs() < 1e-15);
        // One count of 4,095 at 0.009 per kPa is 27 Pa.
        assert!((s.pa_per_ratio() / adc.full_scale() - 27.13).abs() < 0.01);
    }

    #[test]
    fn refuses_nonsense() {
        assert!(Ratiometric::new(0.0, 0.1).is_err());
        assert!(Ratiometric::new(0.009, f64::NAN).is_err());
        assert!(Counts::new(0.0).is_err());
        assert!(
            Ratiometric::RANGE_15_TO_115_KPA
                .pa_from_volts(2.0, 0.0)
                .is_err()
        );
    }
}
