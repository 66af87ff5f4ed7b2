//! Areas of jets by their stamped bore (geometry).

use evenpull_airflow::jet::jet_area_mm2_from_hundredths;

use crate::case::{Case, Deviation};
use crate::data::Table;

pub(super) fn areas() -> Case {
    let t = Table::parse(include_str!("../../data/geometry_jets.csv"));
    let mut case = Case::new(
        "jet_areas",
        "geometry",
        Deviation::Absolute("mm2"),
        0.5e-6,
        "half of the last digit given",
    );
    for (stamp, want) in t.column("hundredths").into_iter().zip(t.column("area_mm2")) {
        let got = jet_area_mm2_from_hundredths(stamp).expect("bore in range");
        case.push(format!("{stamp}"), got, want);
    }
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_jet_areas() {
        super::areas().assert_passes();
    }
}
