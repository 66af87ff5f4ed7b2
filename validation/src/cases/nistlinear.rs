//! Linear regression with certified values (`niststrd`, the Norris data).

use evenpull_fit::robust::line;

use crate::case::{Case, Deviation};
use crate::data::Table;

pub(super) fn norris() -> Case {
    let t = Table::parse(include_str!("../../data/nist_strd_norris.csv"));
    let mut case = Case::new(
        "norris_line",
        "niststrd",
        Deviation::Relative,
        1e-10,
        "ten of the fifteen certified digits: the data span four decades in double precision",
    );
    let fit = line(&t.column("x"), &t.column("y"), &vec![1.0; t.len()]).expect("a line");
    let grown = fit.variance_factor().expect("34 degrees of freedom");
    for (key, got) in [
        (
            "intercept",
            vec![fit.intercept, (fit.var_intercept * grown).sqrt()],
        ),
        ("slope", vec![fit.slope, (fit.var_slope * grown).sqrt()]),
        ("scatter", vec![grown.sqrt()]),
    ] {
        let want = t.comment_numbers(key);
        assert_eq!(want.len(), got.len(), "{key}");
        for (what, (got, want)) in ["", ", sd"].iter().zip(got.into_iter().zip(want)) {
            case.push(format!("{key}{what}"), got, want);
        }
    }
    case
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_norris_line() {
        super::norris().assert_passes();
    }
}
