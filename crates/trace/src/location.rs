//! Robust location over cycles that may resemble their neighbours.

use evenpull_fit::robust::{self, Weighting};
use evenpull_fit::stats::{normal_quantile, student_quantile};

use crate::quality::CYCLES_WANTED;

/// Centre and its standard deviation over cycles, and the scatter of single cycles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Location {
    pub(crate) centre: f64,
    pub(crate) sd: f64,
    pub(crate) scatter: f64,
}

/// Relative scatter that rounding alone leaves [-].
const ROUNDING: f64 = 1e-13;

/// Tukey's biweight location; `None` below two values.
///
/// Cycles that resemble their neighbours carry less than n values' worth, so the sd grows by
/// `sqrt((1 + rho)/(1 - rho))`, `rho` being their correlation; a negative one (strong after weak)
/// is not credited.
///
/// Below [`CYCLES_WANTED`] values their own scatter is known badly: the median of eight distances is 1.3 times too
/// hopeful. Then the sd is at least the plain one of a mean, and wider as Student's t is than the normal at 90 %, so
/// that a normal interval of this sd still holds the truth in 90 %.
pub(crate) fn location(values: &[f64]) -> Option<Location> {
    let found = robust::location(values, Weighting::TUKEY).ok()?;
    // Cycles alike to rounding, as a made recording gives: there is no scale to weigh them by.
    if found.scatter <= ROUNDING * found.value.abs() || !found.value.is_finite() {
        return Some(Location {
            centre: robust::median(values)?,
            sd: 0.0,
            scatter: 0.0,
        });
    }
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
        sd: found.sd.max(of_few(values))
            * wider_for_few(values.len())
            * ((1.0 + rho) / (1.0 - rho)).sqrt(),
        scatter: found.scatter,
    })
}

/// Plain standard deviation of the mean of few values; 0 where there are enough.
fn of_few(values: &[f64]) -> f64 {
    if values.len() >= CYCLES_WANTED {
        return 0.0;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let square: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (square / (n * (n - 1.0))).sqrt()
}

/// Student's t over the normal at the upper end of a 90 % interval for few values; 1 where there are enough.
fn wider_for_few(n: usize) -> f64 {
    if n >= CYCLES_WANTED {
        return 1.0;
    }
    let t = student_quantile(0.95, n as f64 - 1.0);
    t.zip(normal_quantile(0.95)).map_or(1.0, |(t, z)| t / z)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fixed scramble, roughly even between -1 and 1.
    fn scramble(i: u64) -> f64 {
        let x = (i.wrapping_mul(6_364_136_223_846_793_005) >> 33) % 10_007;
        x as f64 / 5_003.0 - 1.0
    }

    #[test]
    fn neighbours_alike_count_less() {
        let free: Vec<f64> = (0..400).map(|i| 5.0 + scramble(i)).collect();
        // Each value four times over: a hundred values' worth of four hundred.
        let tied: Vec<f64> = (0..400).map(|i| 5.0 + scramble(i / 4)).collect();
        let (a, b) = (location(&free).unwrap(), location(&tied).unwrap());
        let grown = b.sd / a.sd;
        // sqrt((1 + 3/4)/(1 - 3/4)) = 2.6 by the formula, 2 in truth: on the safe side.
        assert!((1.8..3.2).contains(&grown), "{grown}");
    }

    #[test]
    fn strong_after_weak_is_not_credited() {
        let turns: Vec<f64> = (0..100)
            .map(|i| if i % 2 == 0 { 4.0 } else { 6.0 } + 0.1 * scramble(i))
            .collect();
        let l = location(&turns).unwrap();
        assert!((l.centre - 5.0).abs() < 0.05);
        assert!(l.sd > 0.08, "{l:?}");
    }

    /// More than half the values differ by rounding only: a scatter of 1e-15 once gave no centre.
    #[test]
    fn values_alike_to_rounding_have_their_median() {
        let mut v = vec![8.261_137_840_740_071; 60];
        for (i, x) in v.iter_mut().enumerate() {
            *x += (i % 3) as f64 * 1.8e-15;
        }
        let l = location(&v).unwrap();
        assert!(
            (l.centre - 8.261_137_840_740_071).abs() < 1e-13 && l.sd < 1e-13,
            "{l:?}"
        );
    }

    /// Means of few normal values lie within 1.645 sd of the truth in 90 % of many draws, to 1.5 % (two deviations of
    /// 4,000 draws and what neighbours alike by chance add).
    #[test]
    fn the_sd_of_few_holds_its_ninety_per_cent() {
        let mut state = 1_u64;
        let mut even = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        for n in [5, 8, 20] {
            let held = (0..4_000).filter(|_| {
                let v: Vec<f64> = (0..n)
                    .map(|_| normal_quantile(even().clamp(1e-12, 1.0 - 1e-12)).unwrap())
                    .collect();
                let l = location(&v).unwrap();
                l.centre.abs() < 1.645 * l.sd
            });
            let share = held.count() as f64 / 4_000.0;
            assert!((0.885..0.935).contains(&share), "{n}: {share}");
        }
    }

    #[test]
    fn far_values_do_not_pull() {
        let mut v: Vec<f64> = (0..60).map(|i| 5.0 + 0.01 * scramble(i)).collect();
        v.extend([9.0, 0.0, 9.0]);
        assert!((location(&v).unwrap().centre - 5.0).abs() < 0.01);
        assert_eq!(location(&[1.0]), None);
    }
}
