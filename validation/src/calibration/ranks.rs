//! Where the truth ranks among the draws, over machines drawn from the assessment's own priors.
//!
//! Wrong ranks mean a wrong inference whatever the world is like; even ranks say nothing of the world.
//! The other counts of this module draw machines that owe nothing to those priors.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use evenpull_diagnose::{Sampling, rehearse};
use evenpull_fit::stats::chi2_tail;

use super::draw::draw;
use super::tally::{Bin, EDGES, bin_of, stated_rows};

/// Bins of ten ranks, of the ranks 0 to 99.
const BINS: usize = 10;

/// Counts over rehearsed jobs.
#[derive(Debug, Clone, Default)]
pub struct Ranks {
    /// Jobs rehearsed.
    pub jobs: u32,
    /// Jobs from which nothing usable could be drawn.
    pub left_out: u32,
    /// How often the truth fell into each tenth of the draws, by quantity.
    pub tenths: BTreeMap<String, [u32; BINS]>,
    /// Stated weights of sets of faults, and how often they were the ones drawn.
    pub bins: [Bin; EDGES.len() - 1],
    /// Jobs in which the chains of some hypothesis did not agree.
    pub fell_back: u32,
    /// Sum of `-ln` of the weight that the drawn faults were given [nat].
    pub surprise_nat: f64,
}

impl Ranks {
    /// Rehearses on the readings of the drawn job of one seed.
    pub fn add(&mut self, seed: u64, sampling: Sampling) {
        let drawn = draw(seed);
        let answer = rehearse(
            &drawn.job,
            &drawn.profile,
            &drawn.cycles,
            sampling,
            0x5bc0_0000 + seed,
        );
        let Some(answer) = answer else {
            self.left_out += 1;
            return;
        };
        self.jobs += 1;
        self.fell_back += u32::from(answer.sampled.fell_back > 0);
        for rank in answer.ranks {
            let tenths = self.tenths.entry(rank.what).or_default();
            tenths[(rank.below / BINS).min(BINS - 1)] += 1;
        }
        for (weight, drawn) in answer.stated {
            if weight >= EDGES[0] {
                self.bins[bin_of(weight)].count(weight, drawn);
            }
            if drawn {
                self.surprise_nat -= weight.max(1e-6).ln();
            }
        }
    }

    /// Adds the counts of another.
    pub fn merge(&mut self, other: Self) {
        self.jobs += other.jobs;
        self.left_out += other.left_out;
        self.fell_back += other.fell_back;
        self.surprise_nat += other.surprise_nat;
        for (what, tenths) in other.tenths {
            let own = self.tenths.entry(what).or_default();
            own.iter_mut().zip(tenths).for_each(|(o, t)| *o += t);
        }
        for (own, bin) in self.bins.iter_mut().zip(other.bins) {
            own.add(bin);
        }
    }

    /// Probability of ranks as uneven as these of a quantity if they were even; chi-square over tenths.
    pub fn p_even(tenths: &[u32; BINS]) -> f64 {
        let expected = f64::from(tenths.iter().sum::<u32>()) / BINS as f64;
        let chi2: f64 = tenths
            .iter()
            .map(|&n| (f64::from(n) - expected).powi(2) / expected)
            .sum();
        chi2_tail(chi2, BINS - 1).unwrap_or(f64::NAN)
    }

    /// The counts as printed.
    pub fn table(&self) -> String {
        let mut out = format!(
            "{} jobs drawn from the priors ({} left out); chains fell back in {}; surprise {:.3} nat a job\n\
             rank of the truth by tenths of the draws\n",
            self.jobs,
            self.left_out,
            self.fell_back,
            self.surprise_nat / f64::from(self.jobs.max(1))
        );
        for (what, tenths) in &self.tenths {
            let counts: Vec<String> = tenths.iter().map(|n| format!("{n:4}")).collect();
            let p = Self::p_even(tenths);
            let _ = writeln!(out, "  {what:<24}{}   p {p:.3}", counts.join(""));
        }
        out += "weight of a set of faults, and how often it was the one drawn\n";
        stated_rows(&mut out, &self.bins);
        out
    }
}
