//! Summaries that a few bad values cannot spoil, and the weighted straight line.

/// What a summary refuses.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum RobustError {
    /// Too few values.
    #[error("needs at least {need} usable values, got {got}")]
    TooFew {
        /// Values needed.
        need: usize,
        /// Values given.
        got: usize,
    },
    /// Arguments of different length.
    #[error("arguments must be of one length, got {a} and {b}")]
    Lengths {
        /// Length of the first.
        a: usize,
        /// Length of the one that differs.
        b: usize,
    },
    /// A value or weight that is not finite, or a negative weight.
    #[error("value {index} is not finite or its weight is negative")]
    Value {
        /// Place of the value.
        index: usize,
    },
    /// All abscissas are the same, so there is no slope.
    #[error("all points lie at one abscissa")]
    NoSlope,
}

/// Factor from the median absolute deviation to the sd of a normal population [-].
///
/// `1 / quantile(3/4)` of the standard normal, exact to `f64`.
const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// How far-off values are weighted down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Weighting {
    /// Full weight to `c` scales, then falling as `c/|u|`: far values keep some pull.
    Huber {
        /// Corner in scales, > 0; 1.345 gives 95 % efficiency on normal data.
        c: f64,
    },
    /// `(1 - (u/c)^2)^2`, nothing beyond `c`: far values are ignored.
    Tukey {
        /// End in scales, > 0; 4.685 gives 95 % efficiency on normal data.
        c: f64,
    },
}

impl Weighting {
    /// Huber's weighting with the usual corner of 1.345 (from memory).
    pub const HUBER: Self = Self::Huber { c: 1.345 };
    /// Tukey's weighting with the usual end of 4.685 (from memory).
    pub const TUKEY: Self = Self::Tukey { c: 4.685 };

    /// Weight of a value `u` scales from the centre [-].
    pub fn weight(self, u: f64) -> f64 {
        match self {
            Self::Huber { c } => (c / u.abs()).min(1.0),
            Self::Tukey { c } if u.abs() < c => {
                let t = 1.0 - (u / c) * (u / c);
                t * t
            }
            Self::Tukey { .. } => 0.0,
        }
    }

    /// Derivative of `u weight(u)` [-].
    fn slope(self, u: f64) -> f64 {
        match self {
            Self::Huber { c } => f64::from(u.abs() <= c),
            Self::Tukey { c } if u.abs() < c => {
                let q = (u / c) * (u / c);
                (1.0 - q) * (1.0 - 5.0 * q)
            }
            Self::Tukey { .. } => 0.0,
        }
    }
}

/// A robust centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Location {
    /// Centre, in the values' unit.
    pub value: f64,
    /// Standard deviation of the centre, in the values' unit.
    pub sd: f64,
    /// Scatter of the values (scaled median absolute deviation), in their unit.
    pub scatter: f64,
    /// Sum of weights: how many values count in full [-].
    pub effective: f64,
}

/// A weighted straight line `y = intercept + slope x`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Value at x = 0.
    pub intercept: f64,
    /// Slope.
    pub slope: f64,
    /// Variance of the intercept if the weights are `1 / variance`.
    pub var_intercept: f64,
    /// Variance of the slope if the weights are `1 / variance`.
    pub var_slope: f64,
    /// Covariance of the two if the weights are `1 / variance`.
    pub covariance: f64,
    /// `sum w r^2`.
    pub chi2: f64,
    /// Points of non-zero weight less two.
    pub dof: usize,
    /// Weighted root mean square residual `sqrt(sum w r^2 / sum w)`, in the unit of y.
    pub rms: f64,
}

impl Line {
    /// Value at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }

    /// Factor `chi2 / dof` by which the variances grow if the weights are relative only; `None`
    /// without degrees of freedom.
    pub fn variance_factor(&self) -> Option<f64> {
        (self.dof > 0).then(|| self.chi2 / self.dof as f64)
    }
}

/// Median of `values`; `None` if there are none. `NaN` sorts last.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut v = values.to_vec();
    median_of_mut(&mut v)
}

/// Scaled median absolute deviation about the median, an sd for normal data; `None` if empty.
pub fn mad_scale(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let mut v: Vec<f64> = values.iter().map(|x| (x - centre).abs()).collect();
    median_of_mut(&mut v).map(|m| m * MAD_TO_SD)
}

/// Robust centre of `values` with its standard deviation.
///
/// An M-estimate by repeated weighting from the median and Newton's steps, scale fixed at [`mad_scale`]; its sd is
/// `s sqrt(sum psi^2 / n) / (sum psi' / n) / sqrt(n - 1)`. With a scale of zero (more than half the
/// values alike to rounding) it is the median with an sd of zero.
///
/// # Errors
/// [`RobustError::TooFew`] below two values, [`RobustError::Value`] for one that is not finite.
///
/// # Source
/// Asymptotic variance of M-estimates, from memory; checked against scatter in the tests.
pub fn location(values: &[f64], weighting: Weighting) -> Result<Location, RobustError> {
    let n = values.len();
    if n < 2 {
        return Err(RobustError::TooFew { need: 2, got: n });
    }
    if let Some(index) = values.iter().position(|v| !v.is_finite()) {
        return Err(RobustError::Value { index });
    }
    let few = RobustError::TooFew { need: 2, got: n };
    let mut spare = values.to_vec();
    let mut value = median_of_mut(&mut spare).ok_or(few)?;
    // The order of `spare` is lost, its values are not.
    for v in &mut spare {
        *v = (*v - value).abs();
    }
    let scatter = median_of_mut(&mut spare).ok_or(few)? * MAD_TO_SD;
    // A scatter of a few roundings is none: dividing by it would reject every value.
    let rounding = 8.0 * f64::EPSILON * value.abs();
    if scatter <= rounding {
        let alike = values
            .iter()
            .filter(|&&v| (v - value).abs() <= rounding)
            .count();
        return Ok(Location {
            value,
            sd: 0.0,
            scatter,
            effective: alike as f64,
        });
    }
    let mut sums = Sums::at(values, value, scatter, weighting);
    // A few turns on real data; 100 are never reached.
    for _ in 0..100 {
        let step = sums.step();
        value += scatter * step;
        if step.abs() <= 1e-10 {
            break;
        }
        sums = Sums::at(values, value, scatter, weighting);
    }
    let Sums {
        psi2,
        slope,
        weight: effective,
        ..
    } = sums;
    let n = n as f64;
    let sd = scatter * (psi2 / n).sqrt() / (slope / n).abs() / (n - 1.0).sqrt();
    Ok(Location {
        value,
        sd,
        scatter,
        effective,
    })
}

/// What the values add up to about a centre, each `u` scales from it.
struct Sums {
    /// `sum u weight(u)`
    psi: f64,
    /// `sum (u weight(u))^2`
    psi2: f64,
    /// `sum d(u weight(u))/du`
    slope: f64,
    /// `sum weight(u)`
    weight: f64,
}

impl Sums {
    fn at(values: &[f64], centre: f64, scatter: f64, weighting: Weighting) -> Self {
        let mut sums = Self {
            psi: 0.0,
            psi2: 0.0,
            slope: 0.0,
            weight: 0.0,
        };
        let per_scatter = 1.0 / scatter;
        for v in values {
            let u = (v - centre) * per_scatter;
            let w = weighting.weight(u);
            sums.psi += u * w;
            sums.psi2 += (u * w) * (u * w);
            sums.slope += weighting.slope(u);
            sums.weight += w;
        }
        sums
    }

    /// Way to the next centre, in scales: by weighting again, and by Newton's step once that is
    /// short and the slope is no doubt, where it converges much faster to the same centre.
    fn step(&self) -> f64 {
        let weighted = self.psi / self.weight;
        if weighted.abs() < 0.1 && self.slope > 0.3 * self.weight {
            self.psi / self.slope
        } else {
            weighted
        }
    }
}

/// Weighted straight line through (`x`, `y`) with weights `w` >= 0, all of one length.
///
/// # Errors
/// [`RobustError`] for different lengths, values that are not finite, fewer than two points of
/// non-zero weight, or points all at one x.
pub fn line(x: &[f64], y: &[f64], w: &[f64]) -> Result<Line, RobustError> {
    for b in [y.len(), w.len()] {
        if b != x.len() {
            return Err(RobustError::Lengths { a: x.len(), b });
        }
    }
    let bad = |i: &usize| {
        let i = *i;
        !(x[i].is_finite() && y[i].is_finite() && w[i].is_finite() && w[i] >= 0.0)
    };
    if let Some(index) = (0..x.len()).find(bad) {
        return Err(RobustError::Value { index });
    }
    let used = w.iter().filter(|&&w| w > 0.0).count();
    if used < 2 {
        return Err(RobustError::TooFew { need: 2, got: used });
    }
    let sum_w: f64 = w.iter().sum();
    let mean = |v: &[f64]| v.iter().zip(w).map(|(v, w)| v * w).sum::<f64>() / sum_w;
    let (mean_x, mean_y) = (mean(x), mean(y));
    let (mut sxx, mut sxy) = (0.0, 0.0);
    for i in 0..x.len() {
        let dx = x[i] - mean_x;
        sxx += w[i] * dx * dx;
        sxy += w[i] * dx * (y[i] - mean_y);
    }
    if sxx <= f64::EPSILON * f64::EPSILON * sum_w * mean_x * mean_x {
        return Err(RobustError::NoSlope);
    }
    let slope = sxy / sxx;
    let chi2: f64 = (0..x.len())
        .map(|i| {
            let r = (y[i] - mean_y) - slope * (x[i] - mean_x);
            w[i] * r * r
        })
        .sum();
    Ok(Line {
        intercept: mean_y - slope * mean_x,
        slope,
        var_intercept: 1.0 / sum_w + mean_x * mean_x / sxx,
        var_slope: 1.0 / sxx,
        covariance: -mean_x / sxx,
        chi2,
        dof: used - 2,
        rms: (chi2 / sum_w).sqrt(),
    })
}

fn median_of_mut(v: &mut [f64]) -> Option<f64> {
    if v.is_empty() {
        return None;
    }
    let odd = v.len() % 2 == 1;
    let half = v.len() / 2;
    let (below, &mut upper, _) = v.select_nth_unstable_by(half, f64::total_cmp);
    if odd {
        return Some(upper);
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(0.5 * (lower + upper))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand::SeedableRng;
    use rand::rngs::StdRng;
    use rand_distr::{Distribution, Normal};

    #[test]
    fn values_alike_to_rounding_have_a_centre() {
        let x = 12.345_678_901_234_5_f64;
        let values = [x, x * (1.0 + f64::EPSILON), x, x * (1.0 - f64::EPSILON), x];
        let found = location(&values, Weighting::TUKEY).unwrap();
        assert!((found.value - x).abs() < 1e-13);
        assert_eq!(found.sd, 0.0);
    }

    #[test]
    fn medians() {
        assert_eq!(median(&[]), None);
        assert_eq!(median(&[3.0]), Some(3.0));
        assert_eq!(median(&[4.0, 1.0, 3.0]), Some(3.0));
        assert_eq!(median(&[4.0, 1.0, 3.0, 2.0]), Some(2.5));
        assert_eq!(mad_scale(&[1.0, 1.0, 1.0, 9.0]), Some(0.0));
    }

    /// A tenth of the values far off: the plain mean moves by 1.0, these by less than 0.05.
    #[test]
    fn location_ignores_far_values() {
        let mut values: Vec<f64> = (0..90).map(|i| 5.0 + 0.01 * f64::from(i % 9 - 4)).collect();
        values.extend([15.0; 10]);
        let tukey = location(&values, Weighting::TUKEY).unwrap();
        let huber = location(&values, Weighting::HUBER).unwrap();
        assert!((tukey.value - 5.0).abs() < 0.005, "{tukey:?}");
        assert!((huber.value - 5.0).abs() < 0.05, "{huber:?}");
        assert!(tukey.effective < 91.0);
    }

    /// The stated sd against the scatter of 2,000 seeded repetitions of 40 normal values; that
    /// scatter is itself known to 1.6 %, and the formula is asymptotic: 6 % in all.
    #[test]
    fn location_sd_is_its_scatter() {
        let mut rng = StdRng::seed_from_u64(11);
        let normal = Normal::new(2.0, 0.5).unwrap();
        for weighting in [Weighting::HUBER, Weighting::TUKEY] {
            let found: Vec<Location> = (0..2_000)
                .map(|_| {
                    let v: Vec<f64> = (0..40).map(|_| normal.sample(&mut rng)).collect();
                    location(&v, weighting).unwrap()
                })
                .collect();
            let n = found.len() as f64;
            let mean = found.iter().map(|l| l.value).sum::<f64>() / n;
            let scatter = (found.iter().map(|l| (l.value - mean).powi(2)).sum::<f64>() / n).sqrt();
            let stated = (found.iter().map(|l| l.sd * l.sd).sum::<f64>() / n).sqrt();
            assert!((mean - 2.0).abs() < 0.01);
            assert!(
                (stated / scatter - 1.0).abs() < 0.06,
                "{weighting:?} {stated} {scatter}"
            );
        }
    }

    /// x = 0..3, unit weights: textbook variances 0.7, 0.2, covariance -0.3.
    #[test]
    fn line_variances() {
        let l = line(&[0.0, 1.0, 2.0, 3.0], &[1.0, 3.0, 5.0, 7.5], &[1.0; 4]).unwrap();
        assert!((l.slope - 2.15).abs() < 1e-12 && (l.intercept - 0.9).abs() < 1e-12);
        assert!((l.var_intercept - 0.7).abs() < 1e-12);
        assert!((l.var_slope - 0.2).abs() < 1e-12);
        assert!((l.covariance + 0.3).abs() < 1e-12);
        assert!((l.chi2 - 0.075).abs() < 1e-12);
        assert_eq!(l.dof, 2);
    }

    #[test]
    fn zero_weight_is_no_point() {
        let l = line(&[0.0, 1.0, 2.0], &[0.0, 1.0, 99.0], &[1.0, 1.0, 0.0]).unwrap();
        assert!((l.slope - 1.0).abs() < 1e-12);
        assert_eq!((l.dof, l.variance_factor()), (0, None));
    }

    #[test]
    fn bad_input_is_refused() {
        assert!(matches!(
            line(&[1.0], &[1.0, 2.0], &[1.0]),
            Err(RobustError::Lengths { .. })
        ));
        assert!(matches!(
            line(&[1.0, 1.0], &[1.0, 2.0], &[1.0; 2]),
            Err(RobustError::NoSlope)
        ));
        assert!(matches!(
            line(&[1.0, f64::NAN], &[1.0, 2.0], &[1.0; 2]),
            Err(RobustError::Value { index: 1 })
        ));
        assert!(matches!(
            location(&[1.0], Weighting::HUBER),
            Err(RobustError::TooFew { .. })
        ));
        assert!(location(&[1.0, f64::INFINITY], Weighting::HUBER).is_err());
    }

    proptest! {
        /// Shifting and stretching the values does the same to the centre.
        #[test]
        fn prop_location_is_equivariant(
            v in proptest::collection::vec(-100.0..100.0_f64, 3..40),
            shift in -50.0..50.0_f64,
            stretch in 0.1..10.0_f64,
        ) {
            let moved: Vec<f64> = v.iter().map(|x| shift + stretch * x).collect();
            let a = location(&v, Weighting::HUBER).unwrap();
            let b = location(&moved, Weighting::HUBER).unwrap();
            let off = (b.value - shift - stretch * a.value).abs();
            prop_assert!(off < 1e-8 * (1.0 + stretch * 100.0));
        }

        /// Points on a line give the line back.
        #[test]
        fn prop_line_is_exact_on_lines(
            a in -10.0..10.0_f64,
            b in -10.0..10.0_f64,
            x0 in -100.0..100.0_f64,
        ) {
            let x: Vec<f64> = (0..10).map(|i| x0 + f64::from(i)).collect();
            let y: Vec<f64> = x.iter().map(|x| a + b * x).collect();
            let w: Vec<f64> = (1..11).map(f64::from).collect();
            let l = line(&x, &y, &w).unwrap();
            prop_assert!((l.slope - b).abs() < 1e-9 && (l.at(x0) - y[0]).abs() < 1e-9);
        }
    }
}
