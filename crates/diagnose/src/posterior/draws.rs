//! Draws of every hypothesis that counts, by chains, and evidences by importance sampling.
//!
//! Evidences first: draws of a Student's t about each mode give the integral of its density, which
//! replaces the Laplace approximation where enough of them are effective. Then chains from every
//! hypothesis of more than [`COUNTS`] of the weight, started at weighted draws. Chains that do not agree are run
//! once more, longer, in smaller steps and in coordinates whitened by what they drew; if they still do not, the
//! weighted draws stand in, or the chains' where they are worth more, and the answer says so.

use evenpull_fit::{Convergence, Draws, Importance, Sampler};
use evenpull_job::Profile;
use evenpull_trace::Notice;
use rayon::prelude::*;

use super::unbounded::Unbounded;
use super::{Fitted, prior_volume, share_out};
use crate::cause_words::faults_in_words;
use crate::evidence::Evidence;
use crate::model::{Model, Space};
use crate::sampling::{Sampled, Sampling};

/// Laplace weight below which a hypothesis keeps its Laplace evidence.
const WEIGHED: f64 = 1e-3;

/// Weight from which a hypothesis is drawn from by chains.
const COUNTS: f64 = 0.01;

/// Draws of the importance sampler.
const PROPOSALS: usize = 2_000;

/// Fewest effective ones that an evidence is taken from: its logarithm is then known to 0.1.
const EFFECTIVE: f64 = 100.0;

/// Share of effective ones below which the draws of the chains make a better proposal.
const POOR: f64 = 0.2;

/// Chains of a hypothesis; `vehtari2021` asks for four.
const CHAINS: usize = 4;

/// A run of chains: draws to tune in, draws kept, acceptance the step is tuned for.
struct Run {
    tune: usize,
    keep: usize,
    accept: f64,
}

/// The second is for chains that did not agree in the first, whitened by the draws of the first.
const RUNS: [Run; 2] = [
    Run {
        tune: 200,
        keep: 500,
        accept: 0.9,
    },
    Run {
        tune: 300,
        keep: 1_000,
        accept: 0.92,
    },
];

/// Most doublings of a trajectory: two or three do on what is near normal.
const MAX_DOUBLINGS: u32 = 5;

/// Largest share of trajectories that may diverge.
const MAX_DIVERGENT: f64 = 0.01;

/// What the chains of one hypothesis are worth.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Quality {
    draws: usize,
    r_hat: f64,
    ess: f64,
    divergences: usize,
    passes: bool,
}

/// Draws of one hypothesis by chains.
struct Chained {
    points: Vec<Vec<f64>>,
    quality: Quality,
}

/// A hypothesis with its density and what importance sampling made of it.
struct Explored<'a> {
    fitted: Fitted,
    seed: u64,
    weighed: Option<Weighed<'a>>,
    /// Chains were asked for, whether they ran through or not.
    asked: bool,
    chained: Option<Chained>,
}

/// A density and weighted draws of it.
struct Weighed<'a> {
    density: Unbounded<'a>,
    importance: Importance,
}

/// Replaces evidences and draws of the fitted hypotheses; those of no account stay as they are.
pub(crate) fn sample(
    profile: &Profile,
    evidence: &Evidence,
    fitted: Vec<Fitted>,
    seed: u64,
) -> (Vec<Fitted>, Sampled, Option<Notice>) {
    let mut all: Vec<Explored<'_>> = fitted
        .into_par_iter()
        .enumerate()
        .map(|(k, fitted)| {
            let seed = seed.wrapping_add(k as u64);
            let weighed = (fitted.weight > WEIGHED)
                .then(|| Weighed::of(Unbounded::of(profile, evidence, &fitted)?, seed))
                .flatten();
            let mut own = Explored {
                fitted,
                seed,
                weighed,
                asked: false,
                chained: None,
            };
            own.weigh();
            own
        })
        .collect();
    share_out(all.iter_mut().map(|e| &mut e.fitted));
    // A better evidence of one moves the weights of all, so another may come to count.
    while all.iter().any(Explored::is_due) {
        (all.par_iter_mut().filter(|e| e.is_due()))
            .for_each(|e| e.run_chains(&Model::new(profile, evidence)));
        share_out(all.iter_mut().map(|e| &mut e.fitted));
    }
    all.sort_by(|a, b| b.fitted.weight.total_cmp(&a.fitted.weight));
    let (sampled, notice) = account(&all, profile.bodies());
    (
        all.into_iter().map(Explored::drawn).collect(),
        sampled,
        notice,
    )
}

impl<'a> Weighed<'a> {
    fn of(density: Unbounded<'a>, seed: u64) -> Option<Self> {
        let mut own = density.density();
        let importance = Importance::of(density.dim(), PROPOSALS, seed, |z| own.ln(z))?;
        drop(own);
        Some(Self {
            density,
            importance,
        })
    }
}

impl Explored<'_> {
    /// Takes the evidence from the weighted draws where enough of them are effective.
    fn weigh(&mut self) {
        let Some(Weighed {
            density,
            importance,
        }) = &self.weighed
        else {
            return;
        };
        if importance.effective >= EFFECTIVE {
            let h = &self.fitted.hypothesis;
            let volume = prior_volume(&h.priors, &density.free);
            let unit = 0.5 * density.dim() as f64 * std::f64::consts::TAU.ln();
            self.fitted.ln_weight = h.ln_odds + importance.ln_integral - unit - volume;
        }
    }

    /// True if the hypothesis counts and no chains were asked for yet.
    fn is_due(&self) -> bool {
        self.fitted.weight > COUNTS && !self.asked
    }

    /// Chains until they agree or no run is left; their draws also make a better proposal for the
    /// evidence where the curvature at the mode made a poor one.
    fn run_chains(&mut self, model: &Model<'_>) {
        self.asked = true;
        let Some(weighed) = &self.weighed else { return };
        let proposal = &weighed.density;
        let mean = proposal.by_mean_curvature();
        let mut density = mean.unwrap_or_else(|| proposal.clone());
        let mut starts: Vec<Vec<f64>> = (weighed.importance.resampled(CHAINS))
            .filter_map(|z| density.from(proposal, z))
            .collect();
        for run in RUNS {
            let sampler = Sampler::new(run.tune, run.keep, self.seed)
                .whitened()
                .target_accept(run.accept)
                .max_doublings(MAX_DOUBLINGS);
            let drawn = sampler.run(&starts, || {
                let own = density.density();
                move |z: &[f64], slopes: &mut [f64]| own.ln_and_slopes(z, slopes)
            });
            // A chain that broke off is one that does not agree.
            let Ok(drawn) = drawn else { continue };
            let z: Vec<Vec<f64>> = drawn.points().cloned().collect();
            let points: Vec<Vec<f64>> = z.iter().map(|z| density.unknowns(z)).collect();
            let quality = quality(model, &drawn, &points, run.keep);
            let passes = quality.passes;
            self.chained = Some(Chained { points, quality });
            let by_draws = density.by_draws(&z);
            if let Some(better) = &by_draws
                && self.is_poorly_weighed()
                && let Some(again) = Weighed::of(better.clone(), self.seed)
                && again.importance.effective > self.effective()
            {
                self.weighed = Some(again);
                self.weigh();
            }
            if passes {
                return;
            }
            if let Some(better) = by_draws {
                let ends = z
                    .chunks(run.keep)
                    .filter_map(|c| better.from(&density, c.last()?));
                starts = ends.collect();
                density = better;
            }
        }
    }

    /// Effective weighted draws.
    fn effective(&self) -> f64 {
        self.weighed
            .as_ref()
            .map_or(0.0, |w| w.importance.effective)
    }

    fn is_poorly_weighed(&self) -> bool {
        self.effective() < POOR * PROPOSALS as f64
    }
}

fn quality(model: &Model<'_>, drawn: &Draws, points: &[Vec<f64>], keep: usize) -> Quality {
    let mut found = Quality {
        draws: keep,
        r_hat: 1.0,
        ess: f64::INFINITY,
        divergences: drawn.divergences(),
        passes: drawn.divergences() as f64 <= MAX_DIVERGENT * points.len() as f64,
    };
    let told: Vec<Vec<f64>> = points.iter().map(|p| reported(model, p)).collect();
    for q in 0..told.first().map_or(0, Vec::len) {
        let first = told[0][q];
        // What a hypothesis holds fixed does not move.
        if told.iter().all(|t| t[q] == first) {
            continue;
        }
        let chains: Vec<Vec<f64>> = told
            .chunks(keep)
            .map(|c| c.iter().map(|t| t[q]).collect())
            .collect();
        let Some(c) = Convergence::of(&chains) else {
            found.passes = false;
            continue;
        };
        found.r_hat = found.r_hat.max(c.r_hat);
        found.ess = found.ess.min(c.ess_bulk.min(c.ess_tail));
        found.passes &= c.passes();
    }
    found
}

/// Quantities that the answer reports or rests on: plates with the throttle shut, leaks, bleeds, links,
/// instruments, the throttle sensor's zero, the scale.
fn reported(model: &Model<'_>, p: &[f64]) -> Vec<f64> {
    let space = &model.space;
    let mut out = model.openings_for(p, None);
    for b in 0..space.bodies {
        let own = [
            space.leak(b),
            space.ln_bleed(b),
            space.gauge(b),
            space.sensor(b),
        ];
        out.extend(own.map(|i| p[i]));
    }
    out.extend((0..space.couplings).map(|c| p[space.link(c)]));
    out.extend([Space::ZERO_V, Space::LN_SCALE, Space::LN_DISCHARGE].map(|i| p[i]));
    out
}

impl Explored<'_> {
    /// True if the chains agree.
    fn agrees(&self) -> bool {
        self.chained.as_ref().is_some_and(|c| c.quality.passes)
    }

    /// True if draws of chains stand for the hypothesis: they agree, or are worth more than the weighted
    /// ones all the same.
    fn by_chains(&self) -> bool {
        let worth = self.chained.as_ref().map_or(0.0, |c| c.quality.ess);
        self.agrees() || worth > self.effective()
    }

    /// The fit with its draws.
    fn drawn(self) -> Fitted {
        let by_chains = self.by_chains();
        let enough = self.effective() >= EFFECTIVE;
        let mut fitted = self.fitted;
        fitted.drawn = match (self.chained, self.weighed) {
            (Some(chained), _) if by_chains => chained.points,
            (_, Some(w)) if enough => w
                .importance
                .resampled(PROPOSALS)
                .map(|z| w.density.unknowns(z))
                .collect(),
            _ => Vec::new(),
        };
        fitted
    }
}

/// The figures of all chains, and what to say of those that did not agree.
fn account(all: &[Explored<'_>], names: &[String]) -> (Sampled, Option<Notice>) {
    let mut sum = Sampled::none(Sampling::Full);
    let mut said: Vec<String> = Vec::new();
    let worse =
        |a: Option<f64>, b: f64, pick: fn(f64, f64) -> f64| Some(a.map_or(b, |a| pick(a, b)));
    for e in all.iter().filter(|e| e.fitted.weight > COUNTS) {
        match &e.chained {
            Some(Chained { quality: q, .. }) if q.passes => {
                let fewest = if sum.hypotheses == 0 {
                    q.draws
                } else {
                    sum.draws
                };
                sum.draws = fewest.min(q.draws);
                sum.hypotheses += 1;
                sum.chains = CHAINS;
                sum.share += e.fitted.weight;
                sum.worst_r_hat = worse(sum.worst_r_hat, q.r_hat, f64::max);
                sum.least_ess = worse(sum.least_ess, q.ess, f64::min);
                sum.divergences += q.divergences;
            }
            _ => {
                sum.fell_back += 1;
                said.push(failed(e, names));
            }
        }
    }
    let notice = (!said.is_empty()).then(|| {
        Notice::new(
            "sampler-fell-back",
            format!(
                "the chains of {} of {} hypotheses did not agree well enough, so what follows from these is \
                 rough: {}",
                said.len(),
                said.len() + sum.hypotheses,
                said.join("; ")
            ),
        )
    });
    (sum, notice)
}

/// What failed in one hypothesis, and what stands in.
fn failed(e: &Explored<'_>, names: &[String]) -> String {
    let name = faults_in_words(&e.fitted.hypothesis.faults, names);
    let why = e
        .chained
        .as_ref()
        .map_or("no chain ran through".to_owned(), |c| {
            let q = c.quality;
            format!(
                "R-hat {:.3}, {:.0} effective draws, {} divergences",
                q.r_hat, q.ess, q.divergences
            )
        });
    let instead = if e.by_chains() {
        "their draws are used all the same".to_owned()
    } else if e.effective() >= EFFECTIVE {
        format!(
            "weighted draws of the normal approximation are used, {:.0} effective ones",
            e.effective()
        )
    } else {
        "draws of the normal approximation are used".to_owned()
    };
    format!("{name}, weight {:.2}: {why}; {instead}", e.fitted.weight)
}
