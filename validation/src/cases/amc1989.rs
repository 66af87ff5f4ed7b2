//! Robust mean of determinations with one gross error (`amc1989`).

use evenpull_fit::robust::{Weighting, location, mad_scale, median};

use crate::case::{Case, Deviation};
use crate::data::Table;

/// Median, scatter by the median deviation, and Huber's mean at 1.5 scales with that scatter.
pub(super) fn copper() -> Case {
    let t = Table::parse(include_str!("../../data/amc1989_copper.csv"));
    let mut case = Case::new(
        "robust_mean_of_copper",
        "amc1989",
        Deviation::Absolute("ppm"),
        1e-6,
        "the last printed digit; the scatter is printed with a factor rounded to 1.4826",
    );
    let values = t.column("copper");
    let mean = location(&values, Weighting::Huber { c: 1.5 }).expect("values");
    for (key, got) in [
        ("median", median(&values).expect("values")),
        ("scatter", mad_scale(&values).expect("values")),
        ("robust_mean", mean.value),
    ] {
        case.push(key, got, t.comment_numbers(key)[0]);
    }
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_robust_mean_of_copper() {
        super::copper().assert_passes();
    }
}
