//! Filling of a tank through an opening (`scipy117`, `cantera320`).

use evenpull_airflow::gas::Gas;
use evenpull_airflow::mass_flow_kg_s;
use evenpull_airflow::orifice::CRITICAL_RATIO_AIR;
use evenpull_airflow::refill::{refill_rate_per_s, refill_time_s, refilled_ratio};

use crate::case::{Case, Deviation};
use crate::data::Table;

const AMBIENT_PA: f64 = 101_325.0;
const START_PA: f64 = 40_000.0;
const T_K: f64 = 300.0;
const CDA_M2: f64 = 3e-6;
const VOLUME_M3: f64 = 2.5e-4;

fn rate_per_s(n: f64) -> f64 {
    let gas = Gas::new(287.0, 1.4).expect("air of the source");
    refill_rate_per_s(n, gas, T_K, CDA_M2, VOLUME_M3).expect("tank of the source")
}

fn filling(name: &'static str, column: &str, n: f64) -> Case {
    let t = Table::parse(include_str!("../../data/scipy2025_tank.csv"));
    let mut case = Case::new(
        name,
        "scipy117",
        Deviation::Absolute("Pa"),
        0.5e-3,
        "half of the last digit given",
    );
    for (ms, want) in t.column("t_ms").into_iter().zip(t.column(column)) {
        let got = AMBIENT_PA * refilled_ratio(START_PA / AMBIENT_PA, rate_per_s(n), ms * 1e-3);
        case.push(format!("{ms} ms"), got, want);
    }
    case
}

pub(super) fn adiabatic() -> Case {
    filling("tank_adiabatic", "adiabatic_pa", 1.4)
}

pub(super) fn isothermal() -> Case {
    filling("tank_isothermal", "isothermal_pa", 1.0)
}

pub(super) fn choked_flow() -> Case {
    let mut case = Case::new(
        "tank_choked_flow",
        "scipy117",
        Deviation::Absolute("kg/s"),
        0.5e-13,
        "half of the last digit given",
    );
    let got = mass_flow_kg_s(CDA_M2, AMBIENT_PA, T_K, START_PA, T_K, 287.0);
    case.push("choked", got, 7.093_434_635e-4);
    case
}

pub(super) fn choking_ends() -> Case {
    let mut case = Case::new(
        "tank_choking_ends",
        "scipy117",
        Deviation::Absolute("ms"),
        0.5e-3,
        "half of the last digit given",
    );
    for (n, want_ms) in [(1.4, 39.554), (1.0, 55.376)] {
        let got = refill_time_s(START_PA / AMBIENT_PA, CRITICAL_RATIO_AIR, rate_per_s(n));
        case.push(format!("n = {n}"), got * 1e3, want_ms);
    }
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_tank_adiabatic() {
        super::adiabatic().assert_passes();
    }

    #[test]
    fn val_tank_isothermal() {
        super::isothermal().assert_passes();
    }

    #[test]
    fn val_tank_choked_flow() {
        super::choked_flow().assert_passes();
    }

    #[test]
    fn val_tank_choking_ends() {
        super::choking_ends().assert_passes();
    }
}
