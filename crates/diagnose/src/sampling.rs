//! How the posterior is drawn from, as asked for and as it came out.

/// How the draws behind intervals and probabilities are made.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Sampling {
    /// From the normal approximation about each hypothesis' mode, cut at the bounds: thirty times as fast, for
    /// callers that assess thousands of jobs.
    Laplace,
    /// By the no-U-turn sampler for every hypothesis that counts, with evidences by importance
    /// sampling; what an answer to a shop rests on.
    #[default]
    Full,
}

/// What the draws of an assessment are worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampled {
    /// What was asked for.
    pub sampling: Sampling,
    /// Hypotheses drawn from by chains that agree.
    pub hypotheses: usize,
    /// Their weight in the mixture, 0..=1.
    pub share: f64,
    /// Chains of each.
    pub chains: usize,
    /// Fewest draws kept of a chain.
    pub draws: usize,
    /// Largest R-hat over hypotheses and reported quantities [-]; `None` without chains.
    pub worst_r_hat: Option<f64>,
    /// Least effective number of draws, bulk or tail [-]; `None` without chains.
    pub least_ess: Option<f64>,
    /// Trajectories that diverged, all chains together.
    pub divergences: usize,
    /// Hypotheses whose chains did not agree, so that weighted draws stand in.
    pub fell_back: usize,
}

impl Sampled {
    /// Before any chain has run.
    pub(crate) fn none(sampling: Sampling) -> Self {
        Self {
            sampling,
            hypotheses: 0,
            share: 0.0,
            chains: 0,
            draws: 0,
            worst_r_hat: None,
            least_ess: None,
            divergences: 0,
            fell_back: 0,
        }
    }
}
