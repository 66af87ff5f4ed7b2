//! What an outcome tells about the cause: expected drop of the entropy over causes.
//!
//! `I = H(cause) - H(cause | outcome)`. Where the outcome is a word (reacts, does not) the sum is
//! exact. Where it is numbers, the outcomes simulated for the draws are described by one normal
//! density for each hypothesis and cause; half of the draws makes the densities, the other half is
//! judged by them, so that a density that fits badly lowers the estimate instead of raising it.

use std::collections::BTreeMap;

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Draws that stand behind the shape common to all densities when a density has few of its own.
const SHARED: f64 = 12.0;

/// Smallest number of draws that make a density of their own.
const LEAST: usize = 4;

/// Entropy of shares [nat].
pub(crate) fn entropy(shares: impl Iterator<Item = f64>) -> f64 {
    shares.filter(|p| *p > 0.0).map(|p| -p * p.ln()).sum()
}

/// Shares of labels, all draws counting alike.
pub(crate) fn shares(labels: &[usize]) -> BTreeMap<usize, f64> {
    let mut counts = BTreeMap::new();
    for label in labels {
        *counts.entry(*label).or_default() += 1.0 / labels.len() as f64;
    }
    counts
}

/// Information of an outcome in words: `chances[i]` holds, for label `i`, the chance of each word.
pub(crate) fn of_words(shares: &BTreeMap<usize, f64>, chances: &[Vec<f64>]) -> f64 {
    let words = chances.first().map_or(0, Vec::len);
    let all: Vec<f64> = (0..words)
        .map(|w| shares.iter().map(|(l, p)| p * chances[*l][w]).sum())
        .collect();
    let left: f64 = shares
        .iter()
        .map(|(l, p)| p * entropy(chances[*l].iter().copied()))
        .sum();
    (entropy(all.into_iter()) - left).max(0.0)
}

/// One simulated outcome.
#[derive(Debug, Clone)]
pub(crate) struct Outcome {
    /// What is wrong in the draw.
    pub(crate) label: usize,
    /// Hypothesis the draw came from.
    pub(crate) source: usize,
    /// What would be read.
    pub(crate) read: Vec<f64>,
}

/// Normal density of one hypothesis and label.
struct Density {
    label: usize,
    share: f64,
    mean: DVector<f64>,
    root: Cholesky<f64, Dyn>,
    ln_root: f64,
}

impl Density {
    fn ln_at(&self, y: &DVector<f64>) -> f64 {
        let off = y - &self.mean;
        self.share.ln() - 0.5 * off.dot(&self.root.solve(&off)) - self.ln_root
    }
}

/// Information of an outcome in numbers, 0 where the draws are too few to tell.
pub(crate) fn of_numbers(outcomes: &[Outcome]) -> f64 {
    let labels: Vec<usize> = outcomes.iter().map(|o| o.label).collect();
    let before = shares(&labels);
    let scaled = standardised(outcomes);
    let (mut after, mut judged) = (0.0, 0.0);
    for turn in 0..2 {
        let own = |i: &usize| i % 2 == turn;
        let known: Vec<usize> = (0..outcomes.len()).filter(own).collect();
        let densities = densities(outcomes, &scaled, &known);
        if densities.is_empty() {
            return 0.0;
        }
        for i in (0..outcomes.len()).filter(|i| !own(i)) {
            after -= ln_share(&densities, &before, outcomes[i].label, &scaled[i]);
            judged += 1.0;
        }
    }
    (entropy(before.values().copied()) - after / judged).max(0.0)
}

/// Logarithm of the share of a label once `y` is read; a label too rare for a density keeps a share
/// as before.
fn ln_share(
    densities: &[Density],
    before: &BTreeMap<usize, f64>,
    label: usize,
    y: &DVector<f64>,
) -> f64 {
    let ln: Vec<(usize, f64)> = densities.iter().map(|d| (d.label, d.ln_at(y))).collect();
    let top = ln.iter().map(|x| x.1).fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = ln.iter().map(|x| (x.1 - top).exp()).sum();
    let own: f64 = ln
        .iter()
        .filter(|x| x.0 == label)
        .map(|x| (x.1 - top).exp())
        .sum();
    let described = densities.iter().any(|d| d.label == label);
    if described {
        // A draw far out in a tail costs no more than a mistake that is seen.
        (own / sum).max(1e-4).ln()
    } else {
        before[&label].ln()
    }
}

/// Outcomes with every number over its spread.
fn standardised(outcomes: &[Outcome]) -> Vec<DVector<f64>> {
    let n = outcomes.len() as f64;
    let width = outcomes.first().map_or(0, |o| o.read.len());
    let moments: Vec<(f64, f64)> = (0..width)
        .map(|d| {
            let mean = outcomes.iter().map(|o| o.read[d]).sum::<f64>() / n;
            let square = outcomes.iter().map(|o| (o.read[d] - mean).powi(2));
            (mean, (square.sum::<f64>() / n).sqrt().max(1e-9))
        })
        .collect();
    outcomes
        .iter()
        .map(|o| DVector::from_fn(width, |d, _| (o.read[d] - moments[d].0) / moments[d].1))
        .collect()
}

/// Draws of one hypothesis and label: label, number, mean and scatter about it.
struct Cluster {
    label: usize,
    n: f64,
    mean: DVector<f64>,
    scatter: DMatrix<f64>,
}

fn densities(outcomes: &[Outcome], y: &[DVector<f64>], known: &[usize]) -> Vec<Density> {
    let mut sets: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
    for &i in known {
        let key = (outcomes[i].source, outcomes[i].label);
        sets.entry(key).or_default().push(i);
    }
    sets.retain(|_, set| set.len() >= LEAST);
    let width = y.first().map_or(0, |v| v.len());
    let clusters: Vec<Cluster> = sets
        .iter()
        .map(|((_, label), set)| {
            let sum = set
                .iter()
                .fold(DVector::zeros(width), |sum, &i| sum + &y[i]);
            let mean = sum / set.len() as f64;
            let mut scatter = DMatrix::zeros(width, width);
            for &i in set {
                let off = &y[i] - &mean;
                scatter += &off * off.transpose();
            }
            Cluster {
                label: *label,
                n: set.len() as f64,
                mean,
                scatter,
            }
        })
        .collect();
    let all: f64 = clusters.iter().map(|c| c.n).sum();
    let summed = clusters
        .iter()
        .fold(DMatrix::zeros(width, width), |sum, c| sum + &c.scatter);
    let common =
        summed / (all - clusters.len() as f64).max(1.0) + DMatrix::identity(width, width) * 1e-6;
    clusters
        .into_iter()
        .filter_map(|c| {
            let cov = (c.scatter + &common * SHARED) / (c.n - 1.0 + SHARED);
            let root = Cholesky::new(cov)?;
            let ln_root = root.l().diagonal().iter().map(|d| d.ln()).sum();
            Some(Density {
                label: c.label,
                share: c.n / all,
                mean: c.mean,
                root,
                ln_root,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;

    /// Two normal outcomes `apart` standard deviations apart.
    fn two(apart: f64, draws: usize) -> Vec<Outcome> {
        let mut rng = StdRng::seed_from_u64(7);
        (0..draws)
            .map(|i| {
                let label = usize::from(rng.random::<f64>() < 0.5);
                let noise: f64 = rng.sample(StandardNormal);
                Outcome {
                    label,
                    source: label,
                    read: vec![apart * label as f64 + noise, i as f64 % 3.0],
                }
            })
            .collect()
    }

    /// Against the integral `ln 2 - E[ln(1 + exp(-apart x))]` done by a sum over a fine grid.
    #[test]
    fn numbers_tell_what_the_integral_says() {
        for apart in [0.0, 1.0, 2.0, 4.0] {
            let density =
                |y: f64, m: f64| (-0.5 * (y - m) * (y - m)).exp() / std::f64::consts::TAU.sqrt();
            let h = 1e-3;
            let left: f64 = (-10_000..14_000)
                .map(|i| {
                    let y = f64::from(i) * h;
                    let (a, b) = (0.5 * density(y, 0.0), 0.5 * density(y, apart));
                    let s = a + b;
                    if s > 0.0 {
                        h * s * entropy([a / s, b / s].into_iter())
                    } else {
                        0.0
                    }
                })
                .sum();
            let wanted = 2.0_f64.ln() - left;
            let found = of_numbers(&two(apart, 4_000));
            assert!((found - wanted).abs() < 0.03, "{apart}: {found} {wanted}");
        }
    }

    #[test]
    fn words_tell_nothing_when_all_answer_alike_and_all_when_each_has_its_own() {
        let shares: BTreeMap<usize, f64> = [(0, 0.25), (1, 0.75)].into();
        assert!(of_words(&shares, &[vec![0.3, 0.7], vec![0.3, 0.7]]).abs() < 1e-12);
        let full = of_words(&shares, &[vec![1.0, 0.0], vec![0.0, 1.0]]);
        assert!((full - entropy([0.25, 0.75].into_iter())).abs() < 1e-12);
    }
}
