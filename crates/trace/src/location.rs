//! Robust location over cycles that may resemble their neighbours.

use evenpull_fit::robust::{self, Weighting};

/// Centre and its standard deviation over cycles, and the scatter of single cycles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Location {
    pub(crate) centre: f64,
    pub(crate) sd: f64,
    pub(crate) scatter: f64,
}

/// Tukey's biweight location; `None` below two values.
///
/// Cycles that resemble their neighbours carry less than n values' worth, so the sd grows by
/// `sqrt((1 + rho)/(1 - rho))`, `rho` being their correlation; a negative one (strong after weak)
/// is not credited.
pub(crate) fn location(values: &[f64]) -> Option<Location> {
    let found = robust::location(values, Weighting::TUKEY).ok()?;
    let near = |v: f64| {
        let x = v - found.value;
        if x.abs() < 4.0 * found.scatter {
            x
        } else {
            0.0
        }
    };
    let square: f64 = values.iter().map(|&v| near(v).powi(2)).sum();
    let neighbours: f64 = values.windows(2).map(|w| near(w[0]) * near(w[1])).sum();
    let rho = if square > 0.0 {
        (neighbours / square).clamp(0.0, 0.9)
    } else {
        0.0
    };
    Some(Location {
        centre: found.value,
        sd: found.sd * ((1.0 + rho) / (1.0 - rho)).sqrt(),
        scatter: found.scatter,
    })
}
