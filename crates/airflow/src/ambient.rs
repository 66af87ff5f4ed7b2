//! Ambient air: standard atmosphere by height, and the density of moist air.
//!
//! Limits: troposphere only (-2 to 11 km); heights are geopotential metres, which differ from
//! surveyed heights by less than 1 m below 2,500 m.

/// Pressure of the standard atmosphere at sea level [Pa], exact by definition, `iso2533`.
pub const STANDARD_PRESSURE_PA: f64 = 101_325.0;

/// Temperature of the standard atmosphere at sea level [K], exact by definition, `iso2533`.
pub const STANDARD_TEMPERATURE_K: f64 = 288.15;

/// Standard acceleration of free fall [m/s2], exact by definition, `iso2533`.
const G_M_S2: f64 = 9.806_65;

/// Gas constant of the standard atmosphere [J/(kg K)], exact by definition, `iso2533`.
const R_J_PER_KG_K: f64 = 287.052_87;

/// Fall of temperature with height in the troposphere [K/m], exact by definition, `iso2533`.
const LAPSE_K_PER_M: f64 = 0.006_5;

/// Heights the standard troposphere is defined for [m], `iso2533`.
const HEIGHT_RANGE_M: (f64, f64) = (-2_000.0, 11_000.0);

/// What the ambient models refuse.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum AmbientError {
    /// Height outside the standard troposphere.
    #[error("height must be within -2000 to 11000 m, got {height_m} m")]
    Height {
        /// The refused value [m].
        height_m: f64,
    },
    /// Pressure outside what the model is meant for.
    #[error("air pressure must be within 20000 to 120000 Pa, got {p_pa} Pa")]
    Pressure {
        /// The refused value [Pa].
        p_pa: f64,
    },
    /// Temperature outside what the model is meant for.
    #[error("air temperature must be within 233.15 to 333.15 K, got {t_k} K")]
    Temperature {
        /// The refused value [K].
        t_k: f64,
    },
    /// Relative humidity outside 0 to 1.
    #[error("relative humidity must be within 0 to 1, got {humidity}")]
    Humidity {
        /// The refused value [-].
        humidity: f64,
    },
}

/// State of the standard atmosphere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Atmosphere {
    /// Pressure [Pa].
    pub p_pa: f64,
    /// Temperature [K].
    pub t_k: f64,
    /// Density [kg/m3].
    pub rho_kg_m3: f64,
}

/// Standard atmosphere at a height.
///
/// `T = T0 - L h`, `p = p0 (T/T0)^(g/(R L))`, `rho = p/(R T)`.
/// `height_m`: geopotential height above sea level [m], -2,000 to 11,000.
///
/// # Errors
/// [`AmbientError::Height`] outside that range.
///
/// # Source
/// `iso2533`, troposphere.
pub fn standard_atmosphere(height_m: f64) -> Result<Atmosphere, AmbientError> {
    check_height(height_m)?;
    let t_k = STANDARD_TEMPERATURE_K - LAPSE_K_PER_M * height_m;
    let p_pa = STANDARD_PRESSURE_PA
        * (t_k / STANDARD_TEMPERATURE_K).powf(G_M_S2 / (R_J_PER_KG_K * LAPSE_K_PER_M));
    Ok(Atmosphere {
        p_pa,
        t_k,
        rho_kg_m3: p_pa / (R_J_PER_KG_K * t_k),
    })
}

/// Station pressure [Pa] from a pressure reduced to sea level, as weather reports print it.
///
/// The reported value is the sea-level pressure of a standard atmosphere that passes through the
/// station: `p = (q^e - (L h / T0) p0^e)^(1/e)`, `e = R L / g`.
/// `sea_level_pa` [Pa]: 80,000 to 120,000; `height_m`: station height [m], -2,000 to 11,000.
/// The true reduction uses the day's temperature: expect a few hPa at 1,500 m.
///
/// # Errors
/// [`AmbientError::Height`] or [`AmbientError::Pressure`] outside these ranges.
///
/// # Source
/// Definition of the altimeter setting over `iso2533`, from memory.
pub fn pressure_at_height_pa(sea_level_pa: f64, height_m: f64) -> Result<f64, AmbientError> {
    check_height(height_m)?;
    check_pressure(sea_level_pa)?;
    let e = R_J_PER_KG_K * LAPSE_K_PER_M / G_M_S2;
    let fall = LAPSE_K_PER_M * height_m / STANDARD_TEMPERATURE_K * STANDARD_PRESSURE_PA.powf(e);
    let base = sea_level_pa.powf(e) - fall;
    if base <= 0.0 {
        return Err(AmbientError::Height { height_m });
    }
    Ok(base.powf(1.0 / e))
}

/// Density of moist air [kg/m3].
///
/// `rho = p Ma / (Z R T) (1 - xv (1 - Mv/Ma))`, `xv = h f psv / p` the mole fraction of vapour.
/// `p_pa` [Pa]: 20,000 to 120,000; `t_k` [K]: 233.15 to 333.15; `humidity`: relative, 0 to 1.
/// Made for 15 to 27 C and 60 to 110 kPa (there 1e-4); within 1e-4 of a reference property
/// library to 35 C, see `validation`. Vapour is taken over water below freezing too.
///
/// # Errors
/// [`AmbientError`] naming the argument out of range.
///
/// # Source
/// `cipm2007`, equations A1.1 to A1.4; coefficients from memory, held against the validation.
pub fn moist_air_density_kg_m3(p_pa: f64, t_k: f64, humidity: f64) -> Result<f64, AmbientError> {
    /// Molar mass of dry air at 400 ppm of carbon dioxide [kg/mol], measured, `cipm2007`.
    const MA_KG_PER_MOL: f64 = 28.965_46e-3;
    /// Molar mass of water over that of dry air, from one [-], measured, `cipm2007`.
    const ONE_LESS_MV_OVER_MA: f64 = 0.378_0;
    /// Molar gas constant in `cipm2007` [J/(mol K)], measured (CODATA 2006).
    const R_J_PER_MOL_K: f64 = 8.314_472;
    let xv = vapour_fraction(p_pa, t_k, humidity)?;
    let z = compressibility(p_pa, t_k, xv);
    Ok(p_pa * MA_KG_PER_MOL / (z * R_J_PER_MOL_K * t_k) * (1.0 - xv * ONE_LESS_MV_OVER_MA))
}

/// Saturation pressure of water vapour over water [Pa], at `t_k` [K].
///
/// `psv = exp(A T^2 + B T + C + D/T)` Pa, fitted.
///
/// # Source
/// `cipm2007`, appendix 1.1, coefficients from memory.
pub fn saturation_pressure_pa(t_k: f64) -> f64 {
    /// Coefficients A [1/K2], B [1/K], C [-], D [K], fitted, `cipm2007`.
    const ABCD: [f64; 4] = [
        1.237_884_7e-5,
        -1.912_131_6e-2,
        33.937_110_47,
        -6.343_164_5e3,
    ];
    (ABCD[0] * t_k * t_k + ABCD[1] * t_k + ABCD[2] + ABCD[3] / t_k).exp()
}

/// Mole fraction of water vapour [-], arguments as in [`moist_air_density_kg_m3`].
///
/// # Errors
/// [`AmbientError`] naming the argument out of range.
///
/// # Source
/// `cipm2007`, enhancement factor, coefficients from memory.
pub fn vapour_fraction(p_pa: f64, t_k: f64, humidity: f64) -> Result<f64, AmbientError> {
    /// Enhancement factor: constant [-], per pressure [1/Pa], per Celsius squared [1/K2], fitted.
    const ENHANCEMENT: [f64; 3] = [1.000_62, 3.14e-8, 5.6e-7];
    check_pressure(p_pa)?;
    if !(233.15..=333.15).contains(&t_k) {
        return Err(AmbientError::Temperature { t_k });
    }
    if !(0.0..=1.0).contains(&humidity) {
        return Err(AmbientError::Humidity { humidity });
    }
    let t_c = t_k - crate::gas::CELSIUS_ZERO_K;
    let f = ENHANCEMENT[0] + ENHANCEMENT[1] * p_pa + ENHANCEMENT[2] * t_c * t_c;
    Ok(humidity * f * saturation_pressure_pa(t_k) / p_pa)
}

/// Compressibility factor of moist air [-], `cipm2007` equation A1.4.
fn compressibility(p_pa: f64, t_k: f64, xv: f64) -> f64 {
    /// a0 [K/Pa], a1 [1/Pa], a2 [1/(K Pa)], fitted, `cipm2007`.
    const A: [f64; 3] = [1.581_23e-6, -2.933_1e-8, 1.104_3e-10];
    /// b0 [K/Pa], b1 [1/Pa], fitted, `cipm2007`.
    const B: [f64; 2] = [5.707e-6, -2.051e-8];
    /// c0 [K/Pa], c1 [1/Pa], fitted, `cipm2007`.
    const C: [f64; 2] = [1.989_8e-4, -2.376e-6];
    /// d, e [K2/Pa2], fitted, `cipm2007`.
    const DE: [f64; 2] = [1.83e-11, -0.765e-8];
    let t = t_k - crate::gas::CELSIUS_ZERO_K;
    let x2 = xv * xv;
    let virial = A[0] + A[1] * t + A[2] * t * t + (B[0] + B[1] * t) * xv + (C[0] + C[1] * t) * x2;
    let p_over_t = p_pa / t_k;
    1.0 - p_over_t * virial + p_over_t * p_over_t * (DE[0] + DE[1] * x2)
}

fn check_height(height_m: f64) -> Result<(), AmbientError> {
    if height_m >= HEIGHT_RANGE_M.0 && height_m <= HEIGHT_RANGE_M.1 {
        Ok(())
    } else {
        Err(AmbientError::Height { height_m })
    }
}

fn check_pressure(p_pa: f64) -> Result<(), AmbientError> {
    if (20_000.0..=120_000.0).contains(&p_pa) {
        Ok(())
    } else {
        Err(AmbientError::Pressure { p_pa })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refuses_what_is_outside() {
        assert!(standard_atmosphere(12_000.0).is_err());
        assert!(standard_atmosphere(f64::NAN).is_err());
        assert!(matches!(
            moist_air_density_kg_m3(101_325.0, 293.15, 50.0),
            Err(AmbientError::Humidity { .. })
        ));
        assert!(moist_air_density_kg_m3(101.3, 293.15, 0.5).is_err());
        assert!(moist_air_density_kg_m3(101_325.0, 20.0, 0.5).is_err());
    }

    /// With the standard sea-level pressure the reduction is the standard atmosphere itself.
    #[test]
    fn standard_day_reduces_to_standard_pressure() {
        for h in [-200.0, 0.0, 850.0, 3_000.0] {
            let p = pressure_at_height_pa(STANDARD_PRESSURE_PA, h).unwrap();
            assert!((p - standard_atmosphere(h).unwrap().p_pa).abs() < 1e-6);
        }
    }

    /// Saturation pressure at 20 C: 2,339 Pa in steam tables (from memory), half a digit.
    #[test]
    fn val_saturation_pressure_at_20_c() {
        assert!((saturation_pressure_pa(293.15) - 2_339.0).abs() < 0.5);
    }

    #[test]
    fn damp_air_is_lighter() {
        let dry = moist_air_density_kg_m3(101_325.0, 303.15, 0.0).unwrap();
        let damp = moist_air_density_kg_m3(101_325.0, 303.15, 0.8).unwrap();
        assert!(damp < dry);
    }
}
