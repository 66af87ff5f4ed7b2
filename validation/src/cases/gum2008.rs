//! A calibration line with its uncertainties: JCGM 100:2008, example H.3 (`gum2008`).

use evenpull_fit::robust::line;

use crate::case::{Case, Deviation};
use crate::data::Table;

/// Temperature that the line is counted from in the source [C].
const FROM_C: f64 = 20.0;

/// Coefficients, their standard deviations and correlation, scatter, and a prediction with its own.
pub(super) fn thermometer() -> Case {
    let t = Table::parse(include_str!("../../data/gum2008_thermometer.csv"));
    let mut case = Case::new(
        "gum_calibration_line",
        "gum2008",
        Deviation::Absolute("C"),
        5e-5,
        "half the last printed digit of most; those with five places are closer still",
    );
    let x: Vec<f64> = t.column("t_c").iter().map(|t_c| t_c - FROM_C).collect();
    let fit = line(&x, &t.column("correction_c"), &vec![1.0; t.len()]).expect("a line");
    let grown = fit.variance_factor().expect("nine degrees of freedom");
    let sd = |variance: f64| (variance * grown).sqrt();
    let at_30 = 30.0 - FROM_C;
    let variance_at_30 = fit.var_intercept + at_30 * (2.0 * fit.covariance + at_30 * fit.var_slope);
    for (key, got) in [
        (
            "intercept",
            [fit.intercept, sd(fit.var_intercept)].as_slice(),
        ),
        ("slope", &[fit.slope, sd(fit.var_slope)]),
        ("scatter", &[grown.sqrt()]),
        ("correction_at_30", &[fit.at(at_30), sd(variance_at_30)]),
    ] {
        let want = t.comment_numbers(key);
        assert_eq!(want.len(), got.len(), "{key}");
        for (what, (got, want)) in ["", ", sd"].iter().zip(got.iter().zip(want)) {
            case.push(format!("{key}{what}"), *got, want);
        }
    }
    case
}

/// Correlation of the two coefficients [-].
pub(super) fn correlation() -> Case {
    let t = Table::parse(include_str!("../../data/gum2008_thermometer.csv"));
    let mut case = Case::new(
        "gum_line_correlation",
        "gum2008",
        Deviation::Absolute("-"),
        5e-4,
        "half the last printed digit",
    );
    let x: Vec<f64> = t.column("t_c").iter().map(|t_c| t_c - FROM_C).collect();
    let fit = line(&x, &t.column("correction_c"), &vec![1.0; t.len()]).expect("a line");
    let got = fit.covariance / (fit.var_intercept * fit.var_slope).sqrt();
    case.push(
        "intercept and slope",
        got,
        t.comment_numbers("correlation")[0],
    );
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_gum_calibration_line() {
        super::thermometer().assert_passes();
    }

    #[test]
    fn val_gum_line_correlation() {
        super::correlation().assert_passes();
    }
}
