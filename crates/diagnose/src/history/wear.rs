//! One quantity over the visits: wear that grows, and steps that wear cannot make.
//!
//! `y_i = a + b x_i + w(x_i) + sum_j s_j [i >= j] + e_i`: a level, a rate, a random walk w of variance
//! q^2 per unit of x (wear is not even), steps s_j between visits j - 1 and j, and errors of the visit's
//! own standard deviation and a scatter tau that is fitted. a, b and s_j are normal a priori. Given tau, q
//! and the places of the steps everything is conjugate; tau and q run over grids with half-Cauchy priors,
//! the places over none, one and two. So the posterior is a mixture of normals, exact up to the grids.

use nalgebra::{Cholesky, DMatrix, DVector};

use evenpull_fit::stats::normal_cdf;

/// Scatter beyond the stated errors and irregularity of wear, over their scales; the first is nil.
const GRID: [f64; 6] = [0.0, 0.25, 0.5, 1.0, 2.0, 4.0];

/// Weight over that without steps below which a component is not worked out.
const NOTHING: f64 = 1e-4;

/// Share of the weight that is kept, the heaviest components first.
const HELD: f64 = 0.999;

/// Standard deviation of the level over that of a step: it may stand anywhere.
const ANYWHERE: f64 = 50.0;

/// Sizes that a quantity may have before it was read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Expected {
    /// Rate, standard deviation [per unit of x].
    pub(super) rate_sd: f64,
    /// Random walk over one unit of x, scale of its standard deviation.
    pub(super) walk_sd: f64,
    /// Step that somebody makes, standard deviation.
    pub(super) step_sd: f64,
    /// Chance of one between two visits.
    pub(super) step_chance: f64,
}

/// What was read; all of one length, x rising.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Read {
    pub(super) x: Vec<f64>,
    pub(super) y: Vec<f64>,
    pub(super) sd: Vec<f64>,
    /// The shop itself worked on it since the visit before: the level is free from here on.
    pub(super) freed: Vec<bool>,
}

/// One normal of the mixture.
#[derive(Debug, Clone)]
struct Component {
    weight: f64,
    /// Visits before which there is a step that the shop did not make, and where in the unknowns.
    steps: Vec<(usize, usize)>,
    mean: DVector<f64>,
    covariance: DMatrix<f64>,
    walk2: f64,
    /// Mean, variance and covariance with the rate of the level at each place asked for.
    levels: Vec<(f64, f64, f64)>,
}

/// The posterior of one quantity.
#[derive(Debug, Clone)]
pub(super) struct Wear {
    components: Vec<Component>,
    visits: usize,
}

/// A normal and its weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Part {
    pub(super) weight: f64,
    pub(super) mean: f64,
    pub(super) sd: f64,
}

/// Level and rate of one component at a place, for what comes after.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Ahead {
    pub(super) weight: f64,
    pub(super) level: f64,
    pub(super) level_var: f64,
    pub(super) rate: f64,
    pub(super) rate_var: f64,
    pub(super) covariance: f64,
    /// Variance of the walk per unit of x.
    pub(super) walk2: f64,
}

impl Wear {
    /// Fits; levels are foreseen at `places` (x, and how many visits lie at or before it).
    ///
    /// `None` with fewer than two visits or when no component can be worked out.
    pub(super) fn of(read: &Read, expected: &Expected, places: &[(f64, usize)]) -> Option<Self> {
        let n = read.x.len();
        if n < 2 {
            return None;
        }
        let mut sds = read.sd.clone();
        sds.sort_by(f64::total_cmp);
        // Intervals of the findings hold nearly as often as they say (docs/calibration.md), so stated
        // errors are good to about a quarter of themselves.
        let scatter = 0.25 * sds[n / 2];
        let mut components = Vec::new();
        for (tau, tau_weight) in grid(scatter) {
            for (walk, walk_weight) in grid(expected.walk_sd) {
                let at = Point::of(read, tau, walk)?;
                at.components(
                    read,
                    expected,
                    places,
                    tau_weight * walk_weight,
                    &mut components,
                );
            }
        }
        let top = components
            .iter()
            .map(|c| c.weight)
            .fold(f64::NEG_INFINITY, f64::max);
        if !top.is_finite() {
            return None;
        }
        for c in &mut components {
            c.weight = (c.weight - top).exp();
        }
        let sum: f64 = components.iter().map(|c| c.weight).sum();
        components.sort_by(|a, b| b.weight.total_cmp(&a.weight));
        let mut held = 0.0;
        components.retain(|c| {
            let wanted = held < HELD * sum;
            held += c.weight;
            wanted
        });
        let sum: f64 = components.iter().map(|c| c.weight).sum();
        components.iter_mut().for_each(|c| c.weight /= sum);
        Some(Self {
            components,
            visits: n,
        })
    }

    /// Rate of wear [per unit of x].
    pub(super) fn rate(&self) -> Vec<Part> {
        let part = |c: &Component| Part {
            weight: c.weight,
            mean: c.mean[1],
            sd: c.covariance[(1, 1)].max(0.0).sqrt(),
        };
        self.components.iter().map(part).collect()
    }

    /// Level at the `k`-th place asked for.
    pub(super) fn level(&self, k: usize) -> Vec<Part> {
        let part = |c: &Component| Part {
            weight: c.weight,
            mean: c.levels[k].0,
            sd: c.levels[k].1.max(0.0).sqrt(),
        };
        self.components.iter().map(part).collect()
    }

    /// Level and rate at the `k`-th place, together.
    pub(super) fn ahead(&self, k: usize) -> Vec<Ahead> {
        let ahead = |c: &Component| Ahead {
            weight: c.weight,
            level: c.levels[k].0,
            level_var: c.levels[k].1,
            rate: c.mean[1],
            rate_var: c.covariance[(1, 1)],
            covariance: c.levels[k].2,
            walk2: c.walk2,
        };
        self.components.iter().map(ahead).collect()
    }

    /// Probability of a step that the shop did not make, and its size given that there is one, for
    /// each interval that ends at visit 1 and later.
    pub(super) fn steps(&self) -> Vec<(f64, Vec<Part>)> {
        (1..self.visits)
            .map(|j| {
                let parts: Vec<Part> = self
                    .components
                    .iter()
                    .filter_map(|c| {
                        let (_, i) = c.steps.iter().find(|(visit, _)| *visit == j)?;
                        Some(Part {
                            weight: c.weight,
                            mean: c.mean[*i],
                            sd: c.covariance[(*i, *i)].max(0.0).sqrt(),
                        })
                    })
                    .collect();
                (parts.iter().map(|p| p.weight).sum(), parts)
            })
            .collect()
    }
}

/// Values of a scatter with their weights under a half-Cauchy prior of this scale.
fn grid(scale: f64) -> Vec<(f64, f64)> {
    let below = |x: f64| std::f64::consts::FRAC_2_PI * x.atan();
    let edge = |i: usize| match i {
        0 => 0.0,
        1 => 0.5 * GRID[1],
        i if i == GRID.len() => f64::INFINITY,
        i => (GRID[i - 1] * GRID[i]).sqrt(),
    };
    (0..GRID.len())
        .map(|i| (GRID[i] * scale, below(edge(i + 1)) - below(edge(i))))
        .collect()
}

/// One scatter and one walk, everything whitened by them.
struct Point {
    walk2: f64,
    x0: f64,
    centre: f64,
    shift: f64,
    lower: DMatrix<f64>,
    /// Columns: level, x, steps before visits 1.., y.
    white: DMatrix<f64>,
    gram: DMatrix<f64>,
    ln_det: f64,
}

impl Point {
    fn of(read: &Read, tau: f64, walk: f64) -> Option<Self> {
        let (n, x0) = (read.x.len(), read.x[0]);
        let walk2 = walk * walk;
        let k = DMatrix::from_fn(n, n, |i, j| {
            let own = if i == j {
                read.sd[i].powi(2) + tau * tau
            } else {
                0.0
            };
            own + walk2 * (read.x[i].min(read.x[j]) - x0)
        });
        let lower = Cholesky::new(k)?.l();
        let centre = read.x.iter().sum::<f64>() / n as f64;
        let shift = read.y.iter().sum::<f64>() / n as f64;
        let columns = DMatrix::from_fn(n, n + 2, |i, c| match c {
            0 => 1.0,
            1 => read.x[i] - centre,
            c if c == n + 1 => read.y[i] - shift,
            c => f64::from(u8::from(i >= c - 1)),
        });
        let white = lower.solve_lower_triangular(&columns)?;
        Some(Self {
            walk2,
            x0,
            centre,
            shift,
            gram: white.tr_mul(&white),
            ln_det: lower.diagonal().iter().map(|d| d.ln()).sum(),
            lower,
            white,
        })
    }

    fn components(
        &self,
        read: &Read,
        expected: &Expected,
        places: &[(f64, usize)],
        weight: f64,
        out: &mut Vec<Component>,
    ) {
        let n = read.x.len();
        let open: Vec<usize> = (1..n).filter(|&j| !read.freed[j]).collect();
        let none = (open.len() as f64) * (-expected.step_chance).ln_1p();
        let odds = (expected.step_chance / (1.0 - expected.step_chance)).ln();
        let mut sets: Vec<Vec<usize>> = vec![Vec::new()];
        sets.extend(open.iter().map(|&j| vec![j]));
        for (i, &j) in open.iter().enumerate() {
            sets.extend(open[i + 1..].iter().map(|&k| vec![j, k]));
        }
        let carried = self.carried(read, places);
        let start = out.len();
        for set in sets {
            let ln = weight.ln() + none + odds * set.len() as f64;
            out.extend(self.component(read, expected, &carried, &set, ln, out[start..].first()));
        }
    }

    /// The normal for steps before the visits of `set`; `None` if it weighs next to nothing beside
    /// the one without steps.
    fn component(
        &self,
        read: &Read,
        expected: &Expected,
        places: &[Carried],
        set: &[usize],
        ln_prior: f64,
        without: Option<&Component>,
    ) -> Option<Component> {
        let n = read.x.len();
        let freed = (1..n).filter(|&j| read.freed[j]);
        let mut columns = vec![0, 1];
        // The column of the step before visit j is j + 1.
        columns.extend(freed.map(|j| j + 1));
        let first = columns.len();
        columns.extend(set.iter().map(|&j| j + 1));
        let prior_sd = |i: usize| match i {
            0 => ANYWHERE * expected.step_sd,
            1 => expected.rate_sd,
            // What the shop did may be larger than what happens behind its back.
            i if i < first => 2.0 * expected.step_sd,
            _ => expected.step_sd,
        };
        let p = columns.len();
        let precision = DMatrix::from_fn(p, p, |i, j| {
            let own = if i == j { prior_sd(i).powi(-2) } else { 0.0 };
            self.gram[(columns[i], columns[j])] + own
        });
        let right = DVector::from_fn(p, |i, _| self.gram[(columns[i], n + 1)]);
        let chol = Cholesky::new(precision)?;
        let mean = chol.solve(&right);
        let ln_sds: f64 = (0..p).map(|i| prior_sd(i).ln()).sum();
        let ln_det: f64 = chol.l_dirty().diagonal().iter().map(|d| d.ln()).sum();
        let misfit = self.gram[(n + 1, n + 1)] - mean.dot(&right);
        let ln_weight = ln_prior - 0.5 * misfit - ln_det - ln_sds - self.ln_det;
        if without.is_some_and(|w| ln_weight < w.weight + NOTHING.ln()) {
            return None;
        }
        let covariance = chol.inverse();
        let levels = (places.iter())
            .map(|p| p.level(self, &columns, &mean, &covariance))
            .collect();
        Some(Component {
            weight: ln_weight,
            steps: set
                .iter()
                .enumerate()
                .map(|(i, &j)| (j, first + i))
                .collect(),
            mean,
            covariance,
            walk2: self.walk2,
            levels,
        })
    }

    /// What the walk carries from the visits to each place.
    fn carried(&self, read: &Read, places: &[(f64, usize)]) -> Vec<Carried> {
        let n = read.x.len();
        let carried = |&(x, seen): &(f64, usize)| {
            let shared =
                DVector::from_fn(n, |i, _| self.walk2 * (x.min(read.x[i]) - self.x0).max(0.0));
            let white = (self.lower.solve_lower_triangular(&shared)).unwrap_or(shared);
            Carried {
                x,
                seen,
                left: (self.walk2 * (x - self.x0).max(0.0) - white.norm_squared()).max(0.0),
                columns: self.white.tr_mul(&white),
            }
        };
        places.iter().map(carried).collect()
    }
}

/// A place at which the level is asked for, under one scatter and walk.
struct Carried {
    x: f64,
    /// Visits at or before it.
    seen: usize,
    /// Variance of the walk that the visits leave.
    left: f64,
    /// Products of the whitened walk with the whitened columns.
    columns: DVector<f64>,
}

impl Carried {
    /// Mean, variance, and covariance with the rate, of the level.
    fn level(
        &self,
        point: &Point,
        columns: &[usize],
        mean: &DVector<f64>,
        covariance: &DMatrix<f64>,
    ) -> (f64, f64, f64) {
        let row = DVector::from_fn(columns.len(), |i, _| {
            let own = match columns[i] {
                0 => 1.0,
                1 => self.x - point.centre,
                c => f64::from(u8::from(self.seen >= c)),
            };
            own - self.columns[columns[i]]
        });
        let through = covariance * &row;
        let walked = self.columns[self.columns.len() - 1];
        (
            point.shift + walked + row.dot(mean),
            self.left + row.dot(&through),
            through[1],
        )
    }
}

/// Probability that a mixture of normals lies below `at`.
pub(super) fn below(parts: &[Part], at: f64) -> f64 {
    let whole: f64 = parts.iter().map(|p| p.weight).sum();
    let sum: f64 = parts
        .iter()
        .map(|p| p.weight * normal_cdf((at - p.mean) / p.sd.max(1e-300)))
        .sum();
    sum / whole
}

/// Quantile of a mixture of normals; `None` if it is empty.
pub(super) fn quantile(parts: &[Part], q: f64) -> Option<f64> {
    let (mut lo, mut hi) = (f64::INFINITY, f64::NEG_INFINITY);
    for p in parts {
        lo = lo.min(p.mean - 9.0 * p.sd);
        hi = hi.max(p.mean + 9.0 * p.sd);
    }
    if !(lo.is_finite() && hi.is_finite()) {
        return None;
    }
    // Halved until the span is below what a double holds of it.
    for _ in 0..60 {
        let middle = 0.5 * (lo + hi);
        if below(parts, middle) < q {
            lo = middle;
        } else {
            hi = middle;
        }
    }
    Some(0.5 * (lo + hi))
}

#[cfg(test)]
mod tests {
    use super::*;

    const EXPECTED: Expected = Expected {
        rate_sd: 1.0,
        walk_sd: 1e-6,
        step_sd: 1.0,
        step_chance: 1e-9,
    };

    fn read(y: &[f64], sd: f64) -> Read {
        Read {
            x: (0..y.len()).map(|i| i as f64).collect(),
            y: y.to_vec(),
            sd: vec![sd; y.len()],
            freed: vec![false; y.len()],
        }
    }

    /// Closed form of a straight line through points of one known error: the rate's variance is
    /// `sd^2 / sum (x - mean)^2` where the prior is wide and no scatter is called for; the grid over
    /// the scatter widens it a little, never narrows it.
    #[test]
    fn a_straight_line_has_its_rate() {
        let y = [0.0, 0.5, 1.0, 1.5, 2.0];
        let wear = Wear::of(&read(&y, 0.01), &EXPECTED, &[]).unwrap();
        let rate = wear.rate();
        let middle = quantile(&rate, 0.5).unwrap();
        let sd = 0.5 * (quantile(&rate, 0.841_345).unwrap() - quantile(&rate, 0.158_655).unwrap());
        assert!((middle - 0.5).abs() < 1e-4, "{middle}");
        let plain = 0.01 / 10.0_f64.sqrt();
        assert!(sd >= 0.999 * plain && sd < 1.2 * plain, "{sd} {plain}");
    }

    #[test]
    fn a_step_is_seen_and_leaves_the_rate_alone() {
        let y = [0.0, 0.01, 0.02, 0.53, 0.54, 0.55];
        let expected = Expected {
            rate_sd: 0.05,
            step_chance: 0.03,
            ..EXPECTED
        };
        let wear = Wear::of(&read(&y, 0.02), &expected, &[(5.0, 6)]).unwrap();
        let steps = wear.steps();
        assert!(steps[2].0 > 0.99, "{:?}", steps[2].0);
        assert!(steps.iter().enumerate().all(|(i, s)| i == 2 || s.0 < 0.05));
        let size = quantile(&steps[2].1, 0.5).unwrap();
        assert!((size - 0.5).abs() < 0.06, "{size}");
        let level = quantile(&wear.level(0), 0.5).unwrap();
        assert!((level - 0.55).abs() < 0.03, "{level}");
        let rate = quantile(&wear.rate(), 0.5).unwrap();
        assert!(rate.abs() < 0.05, "{rate}");
    }

    #[test]
    fn work_by_the_shop_is_no_step() {
        let mut one = read(&[0.0, 0.01, 0.02, 0.53, 0.54, 0.55], 0.02);
        one.freed[3] = true;
        let expected = Expected {
            rate_sd: 0.05,
            step_chance: 0.03,
            ..EXPECTED
        };
        let wear = Wear::of(&one, &expected, &[]).unwrap();
        assert!(wear.steps().iter().all(|s| s.0 < 0.1), "{:?}", wear.steps());
    }

    #[test]
    fn one_visit_is_no_history() {
        assert!(Wear::of(&read(&[1.0], 0.1), &EXPECTED, &[]).is_none());
    }
}
