//! Transfer function of a common ratiometric pressure sensor (data sheet).

use evenpull_airflow::Ratiometric;

use crate::case::{Case, Deviation};
use crate::data::Table;

/// Pressure out of the sensor's own volts, at both ends, mid-range and one atmosphere.
pub(super) fn ratiometric() -> Case {
    let t = Table::parse(include_str!("../../data/datasheet_ratiometric.csv"));
    let (k1, k2) = (t.column("k1_per_kpa")[0], t.column("k2")[0]);
    let mut case = Case::new(
        "ratiometric_sensor",
        "datasheet",
        Deviation::Absolute("kPa"),
        1e-9,
        "the same straight line both ways; rounding only",
    );
    let sensor = Ratiometric::RANGE_15_TO_115_KPA;
    for kpa in [15.0, 60.0, 101.325, 115.0] {
        let volts = 5.0 * (k1 * kpa + k2);
        let got = sensor.pa_from_volts(volts, 5.0).expect("supply in range") * 1e-3;
        case.push(format!("{kpa} kPa"), got, kpa);
    }
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_ratiometric_sensor() {
        super::ratiometric().assert_passes();
    }
}
