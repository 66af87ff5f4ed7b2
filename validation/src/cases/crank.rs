//! Piston travel of a slider-crank (`scipy117`).

use evenpull_engine::SliderCrank;

use crate::case::{Case, Deviation};
use crate::data::Table;

pub(super) fn travel() -> Case {
    let t = Table::parse(include_str!("../../data/scipy2025_piston.csv"));
    let mut case = Case::new(
        "piston_travel",
        "scipy117",
        Deviation::Absolute("mm"),
        5e-10,
        "half the last printed digit",
    );
    let crank = SliderCrank {
        bore_m: 0.070,
        stroke_m: 0.060,
        rod_m: 0.120,
        compression_ratio: 11.0,
    };
    for (deg, want) in t.column("phi_deg").into_iter().zip(t.column("travel_mm")) {
        let (travel_m, _) = crank.travel_m(deg.to_radians());
        case.push(format!("{deg} deg"), travel_m * 1e3, want);
    }
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_piston_travel() {
        super::travel().assert_passes();
    }
}
