//! What an earlier visit of the same machine says of what does not change between visits.
//!
//! Casting (shut angle, discharge), the scale V/n, wall heat, idle valve, bleeds and what a turn does
//! stay as they are; stops, links and leaks do not, and are unknowns of each visit. The earlier visit
//! is fitted by itself, and what its readings say of the lasting unknowns is carried over with all
//! correlations: `Lambda = C^-1 - P`, C the covariance of its fit, P the precision of its priors, so no
//! prior is counted twice. That is the joint fit of both visits, as far as the earlier one is normal
//! about its mode; marginal spreads alone would lose nearly all of it, for scale, discharge and shut
//! angle are known together only. Between visits each may drift by [`DRIFT`] of its prior spread;
//! another machine of the kind differs by [`OWN`] of it.

use evenpull_fit::Real;
use nalgebra::{DMatrix, DVector};

use crate::assessment::CauseCode;
use crate::model::Space;
use crate::posterior::Fitted;
use crate::residuals::{Channel, Rows};

/// Drift of a lasting unknown between visits over its prior's standard deviation [-]; assumed.
pub(crate) const DRIFT: f64 = 0.03;

/// How far machines of one kind differ in a lasting unknown, over its prior's standard deviation [-].
/// The prior is what a profile is off its kind and one machine off its kind together; assumed: a third
/// of the variance is the machine's own.
const OWN: f64 = 0.58;

/// Precision over that of the prior below which a direction is not carried over.
const TOLD: f64 = 1e-3;

/// Weight of moved stops in an earlier visit from which it cannot be a reference.
const NOT_SOUND: f64 = 0.5;

/// What another visit has in common with the job at hand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kinship {
    /// The same machine, earlier: what lasts is the same but for a little drift.
    SameMachine,
    /// Another, healthy machine of the same kind: castings are alike, not the same.
    SameKind,
}

/// One direction of the lasting unknowns that the earlier visit knows.
#[derive(Debug, Clone, PartialEq)]
struct Row {
    /// Weight of each place, over the standard deviation along the direction.
    weights: Vec<f64>,
    at: f64,
}

/// Directions over the same unknowns.
#[derive(Debug, Clone, PartialEq)]
struct Block {
    /// Places in the unknowns of any visit of this machine.
    places: Vec<usize>,
    rows: Vec<Row>,
}

/// What is known of the lasting unknowns beside the profile: earlier visits, the shop's library.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Record {
    blocks: Vec<Block>,
}

impl Record {
    /// Residuals of the unknowns `p` against it.
    pub(crate) fn residuals<S: Real>(&self, p: &[S], out: &mut Rows<S>) {
        for block in &self.blocks {
            for row in &block.rows {
                let terms = block.places.iter().zip(&row.weights);
                let sum = terms.fold(p[0].constant(-row.at), |sum, (&i, &w)| sum + p[i] * w);
                out.push((Channel::Prior, sum));
            }
        }
    }

    /// How much it says of a direction `v` over all unknowns, its quadratic form.
    pub(crate) fn precision_along(&self, v: &[f64]) -> f64 {
        let along = |block: &Block, row: &Row| {
            let terms = block.places.iter().zip(&row.weights);
            terms.map(|(&i, w)| w * v[i]).sum::<f64>().powi(2)
        };
        (self.blocks.iter())
            .flat_map(|block| block.rows.iter().map(move |row| along(block, row)))
            .sum()
    }

    /// From the fitted hypotheses of the earlier visit; `None` if its stops were moved, so that it
    /// shows no sound machine, or if nothing could be learned from it.
    pub(crate) fn of(fitted: &[Fitted], space: &Space, kinship: Kinship) -> Option<Self> {
        use CauseCode::{SensorShifted, StopIn, StopOut, StopsBoth};
        let moved = |f: &&Fitted| {
            let codes = f.hypothesis.faults.iter().map(|x| x.code);
            codes
                .into_iter()
                .any(|c| matches!(c, StopIn | StopOut | StopsBoth | SensorShifted))
        };
        if fitted.iter().filter(moved).map(|f| f.weight).sum::<f64>() > NOT_SOUND {
            return None;
        }
        let best = fitted
            .iter()
            .find(|f| !moved(f) && !f.hypothesis.joins_runners())?;
        let drift = match kinship {
            Kinship::SameMachine => DRIFT,
            Kinship::SameKind => OWN,
        };
        Self::from_fit(best, space, drift)
    }

    fn from_fit(fit: &Fitted, space: &Space, drift: f64) -> Option<Self> {
        let priors = &fit.hypothesis.priors;
        let places: Vec<usize> = lasting(space)
            .into_iter()
            .filter(|&i| !priors[i].is_fixed())
            .collect();
        let expected: Vec<(f64, f64)> = (places.iter())
            .map(|&i| (priors[i].mean, priors[i].sd))
            .collect();
        let mode: Vec<f64> = places.iter().map(|&i| fit.mode[i]).collect();
        let covariance = fit.covariance(&places);
        Self::of_normal(places, &expected, &mode, &covariance, drift)
    }

    /// What a normal posterior of the unknowns at `places` says beyond their priors, each a mean and a
    /// standard deviation; `drift`: room for change since, over those. `None` if that is nothing.
    pub(crate) fn of_normal(
        places: Vec<usize>,
        priors: &[(f64, f64)],
        mean: &[f64],
        covariance: &DMatrix<f64>,
        drift: f64,
    ) -> Option<Self> {
        let n = places.len();
        let sd = |i: usize| priors[i].1;
        // In units of the priors: their precision is one.
        let scaled = DMatrix::from_fn(n, n, |i, j| covariance[(i, j)] / (sd(i) * sd(j)));
        let precision = scaled.try_inverse()?;
        let mode = DVector::from_fn(n, |i, _| (mean[i] - priors[i].0) / sd(i));
        let pull = &precision * mode;
        let told = precision - DMatrix::identity(n, n);
        let eigen = told.symmetric_eigen();
        let rows = (0..n)
            .filter(|&k| eigen.eigenvalues[k] > TOLD)
            .map(|k| {
                let v = eigen.eigenvectors.column(k);
                let lambda = eigen.eigenvalues[k];
                let centre = v.dot(&pull) / lambda;
                let spread = (1.0 / lambda + drift * drift).sqrt();
                let weights: Vec<f64> = (0..n).map(|i| v[i] / (sd(i) * spread)).collect();
                let means = (0..n).map(|i| weights[i] * priors[i].0);
                Row {
                    at: centre / spread + means.sum::<f64>(),
                    weights,
                }
            })
            .collect::<Vec<_>>();
        (!rows.is_empty()).then(|| Self {
            blocks: vec![Block { places, rows }],
        })
    }

    /// Both, where they rest on different machines or visits.
    pub(crate) fn and(mut self, other: Self) -> Self {
        self.blocks.extend(other.blocks);
        self
    }
}

/// Unknowns that are those of the machine, not of the visit.
fn lasting(space: &Space) -> Vec<usize> {
    let mut places = vec![
        Space::LN_SCALE,
        Space::TILT,
        Space::HEAT,
        Space::LN_VALVE,
        Space::SHUT,
        Space::LN_DISCHARGE,
        Space::LN_SLOPE,
    ];
    places.extend((0..space.bodies).map(|b| space.ln_bleed(b)));
    places.extend((0..space.couplings).map(|c| space.ln_per_turn(c)));
    places
}
