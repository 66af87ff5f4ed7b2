//! Density of moist air: our formula (`cipm2007`) against another program's (`coolprop8`).

use evenpull_airflow::ambient::moist_air_density_kg_m3;
use evenpull_airflow::gas::kelvin_from_celsius;

use crate::case::{Case, Deviation};
use crate::data::Table;

pub(super) fn moist_air_density() -> Case {
    let t = Table::parse(include_str!("../../data/coolprop2025_moist_air.csv"));
    let mut case = Case::new(
        "moist_air_density",
        "coolprop8",
        Deviation::Relative,
        1e-4,
        "two formulations of the same gas; 1e-4 is 0.1 hPa, what a good barometer resolves",
    );
    let (humidity, p_pa, rho) = (
        t.column("humidity"),
        t.column("p_pa"),
        t.column("rho_kg_m3"),
    );
    for (i, t_c) in t.column("t_c").into_iter().enumerate() {
        let got = moist_air_density_kg_m3(p_pa[i], kelvin_from_celsius(t_c), humidity[i])
            .expect("air in range");
        case.push(format!("{t_c} C, {} %", 100.0 * humidity[i]), got, rho[i]);
    }
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_moist_air_density() {
        super::moist_air_density().assert_passes();
    }
}
