//! One quantity over the visits: wear that grows, and steps that wear cannot make.
//!
//! `y_i = a + b x_i + w(x_i) + sum_j s_j [i >= j] + c_i + e_i`: a level, a rate, a random walk w of variance
//! q^2 per unit of x (wear is not even), steps s_j between visits j - 1 and j, what the visits of one machine
//! have wrong in common c, and errors e of each visit's own and a scatter tau that is fitted.
//!
//! Parts differ by orders in how fast they wear, and what hardly wears is not uneven by more than that. So
//! the logarithm of |b| is even a priori, as a mixture of normals `N(+-m, (0.35 m)^2)` with m an octave apart and
//! one about nil, and q is a share of m. Steps and level are normal. `cov(c_i, c_j) = min(c_i^2, c_j^2)` of the
//! stated deviations: what the surer of two visits has wrong in common, the other has as well. Given tau, m, q
//! and the places of the steps everything is conjugate; tau runs over a grid with a half-Cauchy prior, the
//! places over none, one and two. So the
//! posterior is a mixture of normals, exact up to the grids; two steps are tried only where values jump.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use evenpull_fit::stats::normal_cdf;

/// Scatter beyond the stated errors over its scale; the first is nil.
const GRID: [f64; 6] = [0.0, 0.25, 0.5, 1.0, 2.0, 4.0];

/// How fast a part wears over a fast one, an octave apart, all as likely: bushes that dust never reached
/// wear a hundredth as fast as those it does; assumed. Below the last is nil.
const PACES: [f64; 7] = [2.0, 1.0, 0.5, 0.25, 0.125, 0.062_5, 0.031_25];

/// Spread of a pace over itself, so that neighbours an octave apart make an even logarithm.
const PACE_SPREAD: f64 = 0.35;

/// Irregularity over the expected one, with chances: known to a factor of two; assumed.
const UNEVEN: [(f64, f64); 3] = [(0.5, 0.25), (1.0, 0.5), (2.0, 0.25)];

/// Weight over the heaviest below which a component is not worked out.
const NOTHING: f64 = 1e-6;

/// Jump over its error from one visit to the next below which a place is not tried as one of two steps: a step
/// that is told is 3.4 errors of a visit or more, and hides below it one time in fifty.
const JUMPS: f64 = 1.5;

/// Share of the weight that is kept, the heaviest components first.
const HELD: f64 = 0.999;

/// Standard deviation of the level over that of a step: it may stand anywhere.
const ANYWHERE: f64 = 50.0;

/// Sizes that a quantity may have before it was read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Expected {
    /// Rate of a part that wears fast, standard deviation [per unit of x].
    pub(super) rate_sd: f64,
    /// Random walk over one unit of x over the rate, standard deviation [-].
    pub(super) uneven: f64,
    /// It only ever grows.
    pub(super) grows: bool,
    /// Step that somebody makes, standard deviation.
    pub(super) step_sd: f64,
    /// Chance of one between two visits.
    pub(super) step_chance: f64,
}

impl Expected {
    /// Rate that is as good as none [per unit of x]: the slowest pace.
    pub(super) fn nil(&self) -> f64 {
        PACES[PACES.len() - 1] * self.rate_sd
    }
}

/// A normal.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Normal {
    mean: f64,
    sd: f64,
}

/// One irregularity with the priors of the rate that have it, weighted.
struct Walk {
    /// Standard deviation over one unit of x.
    sd: f64,
    rates: Vec<(Normal, f64)>,
}

impl Walk {
    /// Paces an octave apart and irregularities a factor of two apart share theirs.
    fn all(expected: &Expected) -> Vec<Self> {
        let mut out: Vec<Self> = Vec::new();
        for pace in Pace::all(expected) {
            for (uneven, weight) in UNEVEN {
                let sd = uneven * expected.uneven * pace.size;
                let of = |&mean: &f64| (Normal { mean, sd: pace.sd }, weight * pace.weight);
                let rates = pace.means().iter().map(of);
                match out.iter_mut().find(|w| (w.sd - sd).abs() <= 1e-9 * sd) {
                    Some(own) => own.rates.extend(rates),
                    None => out.push(Self {
                        sd,
                        rates: rates.collect(),
                    }),
                }
            }
        }
        out
    }
}

/// One pace of wear: the rate is normal about plus or minus its size.
struct Pace {
    size: f64,
    means: [f64; 2],
    signs: usize,
    sd: f64,
    weight: f64,
}

impl Pace {
    /// Every pace and nil.
    fn all(expected: &Expected) -> impl Iterator<Item = Self> {
        let signs = if expected.grows { 1 } else { 2 };
        let weight = 1.0 / (PACES.len() + 1) as f64;
        let fast = expected.rate_sd;
        let moving = PACES.into_iter().map(move |pace| Self {
            size: pace * fast,
            means: [pace * fast, -pace * fast],
            signs,
            sd: PACE_SPREAD * pace * fast,
            weight: weight / signs as f64,
        });
        let least = 0.5 * expected.nil();
        moving.chain([Self {
            size: least,
            means: [0.0; 2],
            signs: 1,
            sd: least,
            weight,
        }])
    }

    fn means(&self) -> &[f64] {
        &self.means[..self.signs]
    }
}

/// What was read; all of one length, x rising.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Read {
    pub(super) x: Vec<f64>,
    pub(super) y: Vec<f64>,
    /// Each visit's own errors.
    pub(super) sd: Vec<f64>,
    /// What it has wrong in common with the others, 0 or above.
    pub(super) shared_sd: Vec<f64>,
    /// The shop itself worked on it since the visit before: the level is free from here on.
    pub(super) freed: Vec<bool>,
}

impl Read {
    /// True where the value at visit `j` stands apart from the one before.
    fn jumps(&self, j: usize) -> bool {
        let error = self.sd[j].hypot(self.sd[j - 1]);
        (self.y[j] - self.y[j - 1]).abs() > JUMPS * error
    }
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
    /// Point of the grids it is of, and the columns of its unknowns there.
    point: usize,
    columns: Vec<usize>,
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
        let sets = step_sets(read, expected);
        let (mut points, mut candidates) = (Vec::new(), Vec::new());
        for (tau, tau_weight) in grid(scatter) {
            for walk in Walk::all(expected) {
                let at = Point::of(read, tau, walk.sd)?;
                for (set, (steps, ln_steps)) in sets.iter().enumerate() {
                    let given = at.given(read, expected, steps)?;
                    for (rate, weight) in &walk.rates {
                        candidates.push(Candidate {
                            ln_weight: (tau_weight * weight).ln()
                                + ln_steps
                                + given.ln_weight(*rate),
                            point: points.len(),
                            set,
                            rate: *rate,
                        });
                    }
                }
                points.push(at);
            }
        }
        let kept = heaviest(candidates)?;
        let sum: f64 = kept.iter().map(|(_, weight)| weight).sum();
        let mut components = Vec::with_capacity(kept.len());
        for (c, weight) in kept {
            let point = &points[c.point];
            let steps = &sets[c.set].0;
            let given = point.given(read, expected, steps)?;
            components.push(Component {
                weight: weight / sum,
                point: c.point,
                ..given.component(point, steps, c.rate)
            });
        }
        let mut carried: Vec<Option<Vec<Carried>>> = points.iter().map(|_| None).collect();
        for c in &mut components {
            let point = &points[c.point];
            let carried = carried[c.point].get_or_insert_with(|| point.carried(read, places));
            c.levels = (carried.iter())
                .map(|p| p.level(point, &c.columns, &c.mean, &c.covariance))
                .collect();
        }
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
            let shared = read.shared_sd[i].min(read.shared_sd[j]).powi(2);
            own + shared + walk2 * (read.x[i].min(read.x[j]) - x0)
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

    /// Everything but the rate solved for, with steps before the visits of `set`.
    fn given(&self, read: &Read, expected: &Expected, set: &[usize]) -> Option<Given> {
        let n = read.x.len();
        // The column of the step before visit j is j + 1.
        let mut others = vec![0];
        others.extend((1..n).filter(|&j| read.freed[j]).map(|j| j + 1));
        let first = others.len();
        others.extend(set.iter().map(|&j| j + 1));
        let prior_sd = |i: usize| match i {
            0 => ANYWHERE * expected.step_sd,
            // What the shop did may be larger than what happens behind its back.
            i if i < first => 2.0 * expected.step_sd,
            _ => expected.step_sd,
        };
        let p = others.len();
        let precision = DMatrix::from_fn(p, p, |i, j| {
            let own = if i == j { prior_sd(i).powi(-2) } else { 0.0 };
            self.gram[(others[i], others[j])] + own
        });
        let chol = Cholesky::new(precision)?;
        let with = |c: usize| DVector::from_fn(p, |i, _| self.gram[(others[i], c)]);
        let (rate, value) = (with(1), with(n + 1));
        let lower = chol.l_dirty();
        let (u, v) = (
            lower.solve_lower_triangular(&rate)?,
            lower.solve_lower_triangular(&value)?,
        );
        let ln_sds: f64 = (0..p).map(|i| prior_sd(i).ln()).sum();
        let ln_det: f64 = lower.diagonal().iter().map(|d| d.ln()).sum();
        Some(Given {
            ln_fixed: -ln_det - ln_sds - self.ln_det,
            precision: self.gram[(1, 1)] - u.norm_squared(),
            pull: self.gram[(1, n + 1)] - u.dot(&v),
            misfit: self.gram[(n + 1, n + 1)] - v.norm_squared(),
            others,
            first,
            chol,
            rate,
            value,
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

/// Level and steps solved for: what is left to say of the rate.
struct Given {
    ln_fixed: f64,
    /// Information on the rate, that times the rate, and the misfit at none.
    precision: f64,
    pull: f64,
    misfit: f64,
    /// Columns but the rate's; from `first` on steps that the shop did not make.
    others: Vec<usize>,
    first: usize,
    chol: Cholesky<f64, Dyn>,
    rate: DVector<f64>,
    value: DVector<f64>,
}

impl Given {
    /// Variance and mean of the rate under a prior.
    fn posterior(&self, prior: Normal) -> (f64, f64) {
        let own = prior.sd.powi(-2);
        let variance = 1.0 / (self.precision.max(0.0) + own);
        (variance, variance * (self.pull + own * prior.mean))
    }

    fn ln_weight(&self, prior: Normal) -> f64 {
        let (variance, mean) = self.posterior(prior);
        let misfit = self.misfit + (prior.mean / prior.sd).powi(2) - mean * mean / variance;
        self.ln_fixed - 0.5 * misfit + 0.5 * variance.ln() - prior.sd.ln()
    }

    /// The normal of all unknowns; its weight and point are for the caller.
    fn component(&self, point: &Point, steps: &[usize], prior: Normal) -> Component {
        let (variance, rate) = self.posterior(prior);
        let by_rate = self.chol.solve(&self.rate);
        let others = self.chol.solve(&self.value) - &by_rate * rate;
        let inverse = self.chol.inverse();
        let p = self.others.len() + 1;
        // The rate stands second.
        let place = |i: usize| match i {
            0 => Some(0),
            1 => None,
            i => Some(i - 1),
        };
        let covariance = DMatrix::from_fn(p, p, |i, j| match (place(i), place(j)) {
            (None, None) => variance,
            (Some(a), None) | (None, Some(a)) => -by_rate[a] * variance,
            (Some(a), Some(b)) => inverse[(a, b)] + by_rate[a] * by_rate[b] * variance,
        });
        Component {
            weight: 0.0,
            steps: (steps.iter().enumerate())
                .map(|(i, &j)| (j, self.first + 1 + i))
                .collect(),
            mean: DVector::from_fn(p, |i, _| place(i).map_or(rate, |a| others[a])),
            covariance,
            walk2: point.walk2,
            point: 0,
            columns: (0..p)
                .map(|i| place(i).map_or(1, |a| self.others[a]))
                .collect(),
            levels: Vec::new(),
        }
    }
}

/// One combination of the grids and places, weighed.
struct Candidate {
    ln_weight: f64,
    point: usize,
    set: usize,
    rate: Normal,
}

/// The heaviest candidates, up to [`HELD`] of the weight of all; each with its weight over the first.
fn heaviest(mut all: Vec<Candidate>) -> Option<Vec<(Candidate, f64)>> {
    let top = (all.iter().map(|c| c.ln_weight)).fold(f64::NEG_INFINITY, f64::max);
    if !top.is_finite() {
        return None;
    }
    all.retain(|c| c.ln_weight > top + NOTHING.ln());
    all.sort_by(|a, b| b.ln_weight.total_cmp(&a.ln_weight));
    let weighed = all.into_iter().map(|c| {
        let weight = (c.ln_weight - top).exp();
        (c, weight)
    });
    let mut weighed: Vec<(Candidate, f64)> = weighed.collect();
    let sum: f64 = weighed.iter().map(|(_, w)| w).sum();
    let mut held = 0.0;
    weighed.retain(|(_, w)| {
        let wanted = held < HELD * sum;
        held += w;
        wanted
    });
    Some(weighed)
}

/// Visits before which something stepped, none to two of them, each with the logarithm of its chance.
fn step_sets(read: &Read, expected: &Expected) -> Vec<(Vec<usize>, f64)> {
    let open: Vec<usize> = (1..read.x.len()).filter(|&j| !read.freed[j]).collect();
    let none = (open.len() as f64) * (-expected.step_chance).ln_1p();
    let odds = (expected.step_chance / (1.0 - expected.step_chance)).ln();
    let mut sets = vec![(Vec::new(), none)];
    sets.extend(open.iter().map(|&j| (vec![j], none + odds)));
    let jumps: Vec<usize> = open.into_iter().filter(|&j| read.jumps(j)).collect();
    for (i, &j) in jumps.iter().enumerate() {
        let pairs = jumps[i + 1..].iter();
        sets.extend(pairs.map(|&k| (vec![j, k], none + 2.0 * odds)));
    }
    sets
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
mod tests;
