//! Ideal gas of constant properties, and the temperature edge.
//!
//! The gas constant is an argument everywhere: published tests use 287.0 or 287.05 J/(kg K) and
//! the difference is larger than their tolerances. Air as an ideal gas is good to 0.1 % between
//! 250 and 330 K at one atmosphere.

/// Zero of the Celsius scale [K], exact by definition.
pub const CELSIUS_ZERO_K: f64 = 273.15;

/// What the flow laws refuse.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum FlowError {
    /// Ratio of specific heats out of range.
    #[error("ratio of specific heats must be finite and above 1, got {gamma}")]
    Gamma {
        /// The refused value [-].
        gamma: f64,
    },
    /// Gas constant out of range.
    #[error("gas constant must be finite and positive, got {r_j_per_kg_k} J/(kg K)")]
    GasConstant {
        /// The refused value [J/(kg K)].
        r_j_per_kg_k: f64,
    },
    /// A quantity that must be finite and positive.
    #[error("{what} must be finite and positive, got {value} {unit}")]
    NotPositive {
        /// Name of the quantity.
        what: &'static str,
        /// The refused value, in `unit`.
        value: f64,
        /// Unit of `value`.
        unit: &'static str,
    },
}

/// An ideal gas with constant specific heats.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gas {
    r_j_per_kg_k: f64,
    gamma: f64,
}

impl Gas {
    /// Dry air: R = 287.05 J/(kg K), gamma = 1.4.
    ///
    /// # Source
    /// `iso2533`, R = 287.05287 rounded; gamma is the convention of the printed flow tables.
    pub const AIR: Self = Self {
        r_j_per_kg_k: 287.05,
        gamma: 1.4,
    };

    /// Gas of given constant `r_j_per_kg_k` [J/(kg K)], > 0, and `gamma` [-], > 1.
    ///
    /// # Errors
    /// [`FlowError::GasConstant`] or [`FlowError::Gamma`] outside these ranges.
    pub fn new(r_j_per_kg_k: f64, gamma: f64) -> Result<Self, FlowError> {
        if !(r_j_per_kg_k.is_finite() && r_j_per_kg_k > 0.0) {
            return Err(FlowError::GasConstant { r_j_per_kg_k });
        }
        if !(gamma.is_finite() && gamma > 1.0) {
            return Err(FlowError::Gamma { gamma });
        }
        Ok(Self {
            r_j_per_kg_k,
            gamma,
        })
    }

    /// Specific gas constant R [J/(kg K)].
    pub fn r_j_per_kg_k(self) -> f64 {
        self.r_j_per_kg_k
    }

    /// Ratio of specific heats gamma [-].
    pub fn gamma(self) -> f64 {
        self.gamma
    }

    /// Specific heat at constant pressure, `gamma R / (gamma - 1)` [J/(kg K)].
    pub fn cp_j_per_kg_k(self) -> f64 {
        self.gamma * self.r_j_per_kg_k / (self.gamma - 1.0)
    }

    /// Specific heat at constant volume, `R / (gamma - 1)` [J/(kg K)].
    pub fn cv_j_per_kg_k(self) -> f64 {
        self.r_j_per_kg_k / (self.gamma - 1.0)
    }

    /// Density `p / (R T)` [kg/m3] at `p_pa` [Pa] and `t_k` [K].
    pub fn density_kg_m3(self, p_pa: f64, t_k: f64) -> f64 {
        p_pa / (self.r_j_per_kg_k * t_k)
    }

    /// Speed of sound `sqrt(gamma R T)` [m/s] at `t_k` [K].
    pub fn sound_speed_m_s(self, t_k: f64) -> f64 {
        (self.gamma * self.r_j_per_kg_k * t_k).sqrt()
    }
}

/// Kelvin from degrees Celsius; `t_c` [C], result [K].
pub fn kelvin_from_celsius(t_c: f64) -> f64 {
    t_c + CELSIUS_ZERO_K
}

/// Degrees Celsius from kelvin; `t_k` [K], result [C].
pub fn celsius_from_kelvin(t_k: f64) -> f64 {
    t_k - CELSIUS_ZERO_K
}

/// Dynamic viscosity of air by Sutherland's law [Pa s].
///
/// `mu = 1.458e-6 T^1.5 / (T + 110.4)`; `t_k` [K], fitted, about 2 % between 100 and 1,900 K.
///
/// # Source
/// `iso2533`, dynamic viscosity.
pub fn air_viscosity_pa_s(t_k: f64) -> f64 {
    /// Sutherland coefficient of air [kg/(m s K^0.5)], fitted, `iso2533`.
    const BETA_KG_PER_M_S_SQRT_K: f64 = 1.458e-6;
    /// Sutherland temperature of air [K], fitted, `iso2533`.
    const S_K: f64 = 110.4;
    BETA_KG_PER_M_S_SQRT_K * t_k * t_k.sqrt() / (t_k + S_K)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gas_refuses_impossible_constants() {
        assert!(matches!(
            Gas::new(0.0, 1.4),
            Err(FlowError::GasConstant { .. })
        ));
        assert!(matches!(Gas::new(287.0, 1.0), Err(FlowError::Gamma { .. })));
        assert!(Gas::new(f64::NAN, 1.4).is_err());
    }

    /// `iso2533`, sea level: speed of sound 340.294 m/s, viscosity 1.7894e-5 Pa s (printed
    /// digits). The speed is scaled for the rounded gas constant used here.
    #[test]
    fn val_sea_level_air() {
        assert!((Gas::AIR.sound_speed_m_s(288.15) - 340.294).abs() < 2.5e-3);
        assert!((air_viscosity_pa_s(288.15) - 1.7894e-5).abs() < 0.5e-9);
    }

    #[test]
    fn specific_heats_differ_by_the_gas_constant() {
        let g = Gas::AIR;
        assert!((g.cp_j_per_kg_k() - g.cv_j_per_kg_k() - g.r_j_per_kg_k()).abs() < 1e-9);
    }
}
