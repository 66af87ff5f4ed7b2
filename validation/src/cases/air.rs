//! Properties of air and water vapour against other programs (`coolprop8`, `ambiance131`).

use evenpull_airflow::Gas;
use evenpull_airflow::ambient::saturation_pressure_pa;
use evenpull_airflow::gas::air_viscosity_pa_s;
use evenpull_engine::WorkingGas;

use crate::case::{Case, Deviation};
use crate::data::Table;

fn air() -> Table {
    Table::parse(include_str!("../../data/coolprop2025_air.csv"))
}

fn standard() -> Table {
    Table::parse(include_str!("../../data/ambiance2024_air.csv"))
}

/// Pushes `law` at every temperature of the table.
fn push(case: &mut Case, t: &Table, column: &str, law: impl Fn(f64) -> f64) {
    for (t_k, want) in t.column("t_k").into_iter().zip(t.column(column)) {
        case.push(format!("{t_k} K"), law(t_k), want);
    }
}

/// Saturation pressure of water: our formula against IAPWS-95.
pub(super) fn saturation() -> Case {
    let mut case = Case::new(
        "saturation_pressure",
        "coolprop8",
        Deviation::Relative,
        1e-3,
        "two formulations of one curve; 0.1 % of 7 kPa is 1e-4 of the air's density",
    );
    let t = Table::parse(include_str!("../../data/coolprop2025_saturation.csv"));
    push(&mut case, &t, "p_pa", saturation_pressure_pa);
    case
}

/// Viscosity in the standard atmosphere, the same law.
pub(super) fn standard_viscosity() -> Case {
    let mut case = Case::new(
        "standard_viscosity",
        "ambiance131",
        Deviation::Relative,
        1e-9,
        "the same law; rounding only",
    );
    push(&mut case, &standard(), "viscosity_pa_s", air_viscosity_pa_s);
    case
}

/// Viscosity against a correlation of measurements.
pub(super) fn viscosity() -> Case {
    let mut case = Case::new(
        "air_viscosity",
        "coolprop8",
        Deviation::Relative,
        0.02,
        "what Sutherland's law claims; damping of a hose is known far less well",
    );
    push(&mut case, &air(), "viscosity_pa_s", air_viscosity_pa_s);
    case
}

/// Speed of sound in the standard atmosphere.
pub(super) fn standard_sound() -> Case {
    let mut case = Case::new(
        "standard_sound",
        "ambiance131",
        Deviation::Relative,
        6e-6,
        "gas constant 287.05 here and 287.05287 there, under a root",
    );
    push(&mut case, &standard(), "sound_m_s", |t_k| {
        Gas::AIR.sound_speed_m_s(t_k)
    });
    case
}

/// Speed of sound against air whose specific heat changes.
pub(super) fn sound() -> Case {
    let mut case = Case::new(
        "air_sound",
        "coolprop8",
        Deviation::Relative,
        2.5e-3,
        "gamma falls from 1.400 to 1.395 between 300 and 400 K: half of 0.4 %",
    );
    push(&mut case, &air(), "sound_m_s", |t_k| {
        Gas::AIR.sound_speed_m_s(t_k)
    });
    case
}

/// Energy above 300 K of the working gas of the engine.
pub(super) fn energy() -> Case {
    let mut case = Case::new(
        "charge_energy",
        "coolprop8",
        Deviation::Relative,
        0.02,
        "one straight line of the specific heat serves air and burned gas; up to 1,000 K it lies by air",
    );
    let gas = WorkingGas::charge();
    push(&mut case, &air(), "energy_j_kg", |t_k| {
        gas.u_j_per_kg(t_k) - gas.u_j_per_kg(300.0)
    });
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_saturation_pressure() {
        super::saturation().assert_passes();
    }

    #[test]
    fn val_viscosity() {
        super::standard_viscosity().assert_passes();
        super::viscosity().assert_passes();
    }

    #[test]
    fn val_sound() {
        super::standard_sound().assert_passes();
        super::sound().assert_passes();
    }

    #[test]
    fn val_charge_energy() {
        super::energy().assert_passes();
    }
}
