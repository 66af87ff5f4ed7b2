//! Standard atmosphere (`iso2533`).

use evenpull_airflow::ambient::standard_atmosphere;

use crate::case::{Case, Deviation};
use crate::data::Table;

fn table() -> Table {
    Table::parse(include_str!("../../data/iso1975_atmosphere.csv"))
}

pub(super) fn pressure() -> Case {
    let mut case = Case::new(
        "standard_pressure",
        "iso2533",
        Deviation::Absolute("Pa"),
        0.02,
        "the reference libraries agree among themselves to 0.02 Pa",
    );
    let t = table();
    for (h, want) in t.column("height_m").into_iter().zip(t.column("p_pa")) {
        let got = standard_atmosphere(h).expect("height in range").p_pa;
        case.push(format!("{h} m"), got, want);
    }
    case
}

pub(super) fn temperature_and_density() -> Case {
    let mut case = Case::new(
        "standard_density",
        "iso2533",
        Deviation::Relative,
        2e-7,
        "0.02 Pa of 101325 Pa, as for the pressure; temperatures are exact",
    );
    let t = table();
    let (t_k, rho) = (t.column("t_k"), t.column("rho_kg_m3"));
    for (i, h) in t.column("height_m").into_iter().enumerate() {
        let got = standard_atmosphere(h).expect("height in range");
        case.push(format!("T at {h} m"), got.t_k, t_k[i]);
        case.push(format!("rho at {h} m"), got.rho_kg_m3, rho[i]);
    }
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_standard_pressure() {
        super::pressure().assert_passes();
    }

    #[test]
    fn val_standard_density() {
        super::temperature_and_density().assert_passes();
    }
}
