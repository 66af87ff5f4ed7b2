//! Discharge coefficient of a throttle plate (`harrington1968`, seen second-hand).

use evenpull_airflow::Discharge;

use crate::case::{Case, Deviation};
use crate::data::Table;

pub(super) fn discharge() -> Case {
    let t = Table::parse(include_str!("../../data/harrington1968_discharge.csv"));
    let mut case = Case::new(
        "discharge_table",
        "harrington1968",
        Deviation::Absolute("-"),
        1e-12,
        "entries are taken over as printed; rounding of degrees to radians only",
    );
    let d = Discharge::harrington();
    let (deg, cd) = (t.column("opening_deg"), t.column("cd"));
    for i in 0..t.len() {
        case.push(format!("{} deg", deg[i]), d.at(deg[i].to_radians()), cd[i]);
        if i > 0 {
            let middle = 0.5 * (deg[i - 1] + deg[i]);
            let want = 0.5 * (cd[i - 1] + cd[i]);
            case.push(
                format!("between, {middle} deg"),
                d.at(middle.to_radians()),
                want,
            );
        }
    }
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_discharge_table() {
        super::discharge().assert_passes();
    }
}
