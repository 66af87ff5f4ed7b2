//! Isentropic flow, gamma 1.4 (`naca1135`), and critical ratios for other gammas.

use evenpull_airflow::orifice::{critical_ratio as ratio, isentropic};
use evenpull_airflow::psi;

use crate::case::{Case, Deviation};
use crate::data::Table;

pub(super) fn isentropic_relations() -> Case {
    let t = Table::parse(include_str!("../../data/naca1953_isentropic.csv"));
    let mut case = Case::new(
        "isentropic_relations",
        "naca1135",
        Deviation::Absolute("-"),
        0.5e-8,
        "half of the eighth decimal, the last one given",
    );
    for (i, mach) in t.column("mach").into_iter().enumerate() {
        let s = isentropic(mach, 1.4).expect("gamma and Mach number in range");
        for (name, got) in [
            ("p_ratio", s.p_ratio),
            ("t_ratio", s.t_ratio),
            ("area_ratio", s.area_ratio),
            ("flow", s.flow_function),
        ] {
            case.push(format!("{name} at M = {mach}"), got, t.column(name)[i]);
        }
    }
    case
}

pub(super) fn flow_function() -> Case {
    let t = Table::parse(include_str!("../../data/naca1953_flow_function.csv"));
    let mut case = Case::new(
        "flow_function",
        "naca1135",
        Deviation::Absolute("-"),
        0.5e-10,
        "half of the tenth decimal, the last one given",
    );
    for (r, want) in t.column("r").into_iter().zip(t.column("psi")) {
        case.push(format!("psi({r})"), psi(r), want);
    }
    case
}

pub(super) fn critical_ratio() -> Case {
    let t = Table::parse(include_str!("../../data/fluids2025_critical_ratio.csv"));
    let mut case = Case::new(
        "critical_ratio",
        "fluids131",
        Deviation::Absolute("-"),
        0.5e-12,
        "half of the twelfth decimal, the last one given for two of the three",
    );
    for (gamma, want) in t.column("gamma").into_iter().zip(t.column("ratio")) {
        case.push(
            format!("gamma {gamma}"),
            ratio(gamma).expect("gamma in range"),
            want,
        );
    }
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_isentropic_relations() {
        super::isentropic_relations().assert_passes();
    }

    #[test]
    fn val_flow_function() {
        super::flow_function().assert_passes();
    }

    #[test]
    fn val_critical_ratio() {
        super::critical_ratio().assert_passes();
    }
}
