//! Conversion factors (`nistsp811`).

use evenpull_airflow::{LengthUnit, PressureUnit};

use crate::case::{Case, Deviation};
use crate::data::Table;

pub(super) fn pressure_units() -> Case {
    let t = Table::parse(include_str!("../../data/nist2008_units.csv"));
    let mut case = Case::new(
        "pressure_units",
        "nistsp811",
        Deviation::Relative,
        1e-15,
        "factors are taken over as printed; rounding only",
    );
    for (name, want) in t.text("unit").into_iter().zip(t.column("pa")) {
        let unit: PressureUnit = name.parse().expect("unit of the list");
        case.push(name, unit.to_pa(1.0), want);
    }
    case
}

/// One thou is exactly 0.0254 mm.
pub(super) fn thou() -> Case {
    let mut case = Case::new(
        "thou",
        "nistsp811",
        Deviation::Relative,
        1e-15,
        "exact by definition; rounding only",
    );
    case.push(
        "1 thou in mm",
        LengthUnit::Mm.from_m(LengthUnit::Thou.to_m(1.0)),
        0.0254,
    );
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_pressure_units() {
        super::pressure_units().assert_passes();
    }

    #[test]
    fn val_thou() {
        super::thou().assert_passes();
    }
}
