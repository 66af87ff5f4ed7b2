//! Resonance of a hose with dead volume (`bergh1965`, formula from memory).

use evenpull_airflow::Hose;

use crate::case::{Case, Deviation};
use crate::data::Table;

/// Limit [Hz] and reason where no property of the air but the speed of sound matters.
const LAST_DIGIT: (f64, &str) = (0.05, "half of the last digit given");

fn resonance(
    name: &'static str,
    column: &str,
    (limit, reason): (f64, &'static str),
    peak_hz: impl Fn(&Hose) -> f64,
) -> Case {
    let t = Table::parse(include_str!("../../data/bergh1965_hose.csv"));
    let mut case = Case::new(name, "bergh1965", Deviation::Absolute("Hz"), limit, reason);
    let (bore_mm, dead_cc) = (t.column("bore_mm"), t.column("dead_cc"));
    for (i, length_m) in t.column("length_m").into_iter().enumerate() {
        let hose = Hose::new(
            length_m,
            bore_mm[i] * 1e-3,
            dead_cc[i] * 1e-6,
            293.15,
            101_325.0,
        )
        .expect("hose of the table");
        let label = format!("{length_m} m x {} mm, {} cc", bore_mm[i], dead_cc[i]);
        case.push(label, peak_hz(&hose), t.column(column)[i]);
    }
    case
}

pub(super) fn lossless_peak() -> Case {
    resonance(
        "hose_lossless",
        "lossless_hz",
        LAST_DIGIT,
        Hose::lossless_peak_hz,
    )
}

pub(super) fn viscous_peak() -> Case {
    let limit = (
        0.15,
        "half of the last digit, and 0.1 Hz for the air's viscosity, which is not stated: 1 % of \
         it moves the peak by half a per cent of its shift from the lossless one, 18 Hz",
    );
    resonance("hose_viscous", "viscous_hz", limit, |h| {
        h.viscous_peak().map_or(f64::NAN, |(f, _)| f)
    })
}

pub(super) fn helmholtz() -> Case {
    resonance(
        "hose_helmholtz",
        "helmholtz_hz",
        LAST_DIGIT,
        Hose::helmholtz_hz,
    )
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_hose_lossless() {
        super::lossless_peak().assert_passes();
    }

    #[test]
    fn val_hose_viscous() {
        super::viscous_peak().assert_passes();
    }

    #[test]
    fn val_hose_helmholtz() {
        super::helmholtz().assert_passes();
    }
}
