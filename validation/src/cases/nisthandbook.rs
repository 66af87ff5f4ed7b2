//! Critical values of the usual laws (`nisthandbook`).

use evenpull_fit::stats::{chi2_tail, normal_cdf, normal_quantile, student_quantile};

use crate::case::{Case, Deviation};
use crate::data::Table;

fn table() -> Table {
    Table::parse(include_str!("../../data/nist2012_quantiles.csv"))
}

/// Quantiles of the normal law and of Student's t.
pub(super) fn quantiles() -> Case {
    let mut case = Case::new(
        "critical_values",
        "nisthandbook",
        Deviation::Absolute("-"),
        5.1e-4,
        "half the last printed digit, and rounding of the comparison",
    );
    let t = table();
    let (p, dof, value) = (t.column("p"), t.column("dof"), t.column("value"));
    for (i, law) in t.text("law").into_iter().enumerate() {
        let got = match law {
            "normal" => normal_quantile(p[i]),
            "student" => student_quantile(p[i], dof[i]),
            _ => continue,
        };
        let label = format!("{law} {} at {}", p[i], dof[i]);
        case.push(label, got.expect("in range"), value[i]);
    }
    case
}

/// Probabilities beyond the printed values.
pub(super) fn tails() -> Case {
    let mut case = Case::new(
        "tails_at_critical_values",
        "nisthandbook",
        Deviation::Absolute("-"),
        1.2e-4,
        "the steepest of these laws changes by 1.1e-4 within half the last printed digit",
    );
    let t = table();
    let (p, dof, value) = (t.column("p"), t.column("dof"), t.column("value"));
    for (i, law) in t.text("law").into_iter().enumerate() {
        let got = match law {
            "normal" => 1.0 - normal_cdf(value[i]),
            "chi2" => chi2_tail(value[i], dof[i] as usize).expect("in range"),
            _ => continue,
        };
        case.push(format!("{law} beyond {}", value[i]), got, 1.0 - p[i]);
    }
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_critical_values() {
        super::quantiles().assert_passes();
    }

    #[test]
    fn val_tails_at_critical_values() {
        super::tails().assert_passes();
    }
}
