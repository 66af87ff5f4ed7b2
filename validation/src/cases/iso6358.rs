//! Sonic conductance of an ideal nozzle (`iso6358`).

use evenpull_airflow::mass_flow_kg_s;

use crate::case::{Case, Deviation};

/// Reference density of `iso6358` [kg/m3].
const RHO0_KG_M3: f64 = 1.185;
/// Reference temperature of `iso6358` [K].
const T0_K: f64 = 293.15;

/// `C = m' / (rho0 p1)` of 1 mm2, choked: 0.19921 dm3/(s bar), computed with R = 287.0.
pub(super) fn sonic_conductance() -> Case {
    let mut case = Case::new(
        "sonic_conductance",
        "iso6358",
        Deviation::Absolute("dm3/s bar"),
        0.5e-5,
        "half of the last digit given",
    );
    let p1_pa = 6e5;
    let mdot = mass_flow_kg_s(1e-6, p1_pa, T0_K, 1e5, T0_K, 287.0);
    // 1 m3/(s Pa) is 1e3 dm3 times 1e5 Pa per bar.
    case.push("1 mm2", mdot / (RHO0_KG_M3 * p1_pa) * 1e8, 0.19921);
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_sonic_conductance() {
        super::sonic_conductance().assert_passes();
    }
}
