//! Open area of an elliptic throttle plate (`heywood1988`).

use evenpull_airflow::Plate;

use crate::case::{Case, Deviation};
use crate::data::Table;

/// Bore [m], spindle [m], shut angle [deg] of the table.
const PLATE: (f64, f64, f64) = (0.040, 0.008, 8.0);

fn plate() -> Plate {
    Plate::new(PLATE.0, PLATE.1, PLATE.2.to_radians()).expect("plate of the table")
}

fn table() -> Table {
    Table::parse(include_str!("../../data/heywood1988_plate_area.csv"))
}

pub(super) fn plate_area() -> Case {
    let mut case = Case::new(
        "plate_area",
        "heywood1988",
        Deviation::Absolute("mm2"),
        0.5e-6,
        "half of the last digit given",
    );
    let (plate, t) = (plate(), table());
    for (deg, want) in t.column("plate_deg").into_iter().zip(t.column("area_mm2")) {
        let got = plate.area_m2((deg - PLATE.2).to_radians()) * 1e6;
        case.push(format!("{deg} deg"), got, want);
    }
    case
}

pub(super) fn plate_opening() -> Case {
    let mut case = Case::new(
        "plate_opening",
        "heywood1988",
        Deviation::Absolute("deg"),
        3e-7,
        "half of the area's last digit over the smallest slope in the table, 3.2 mm2/deg",
    );
    let (plate, t) = (plate(), table());
    for (deg, area) in t.column("plate_deg").into_iter().zip(t.column("area_mm2")) {
        // Wide open the slope vanishes, so the last row has no opening to compare.
        if deg < 78.0 {
            let got = plate
                .opening_rad(area * 1e-6)
                .expect("area in range")
                .to_degrees();
            case.push(format!("{area} mm2"), got + PLATE.2, deg);
        }
    }
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_plate_area() {
        super::plate_area().assert_passes();
    }

    #[test]
    fn val_plate_opening() {
        super::plate_opening().assert_passes();
    }
}
