//! Do probabilities and intervals of the assessment mean what they say?
//!
//! Machines and faults are drawn at random, the readings follow from the linkage and area laws
//! (written here a second time, so that the assessment is not held against itself), and the
//! answers are counted. What is drawn and why stands in `docs/calibration.md`; nothing of it is
//! taken from the assessment's own priors.

use std::ops::Range;
use std::sync::atomic::{AtomicU64, Ordering};

use evenpull_diagnose::assess;

mod draw;
mod fault;
mod machine;
mod practice;
mod readings;
mod tally;

pub use draw::{Drawn, Evidence, draw};
pub use fault::Truth;
pub use practice::run_practice;
pub use tally::{Bin, Share, Tally, Verdicts};

/// Draws the job of one seed, assesses it and adds it to the tally.
pub fn add(seed: u64, tally: &mut Tally) {
    let drawn = draw(seed);
    let answer = assess(&drawn.job, &drawn.profile, &drawn.cycles);
    tally.add(seed, &drawn.truth, &answer);
}

/// Runs the jobs of a range of seeds on as many threads as the machine has cores.
///
/// # Panics
/// If a drawn job is not a sound job file.
pub fn run(seeds: Range<u64>) -> Tally {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let next = AtomicU64::new(seeds.start);
    let work = || {
        let mut tally = Tally::default();
        loop {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            if seed >= seeds.end {
                return tally;
            }
            add(seed, &mut tally);
        }
    };
    let mut whole = Tally::default();
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..cores).map(|_| scope.spawn(work)).collect();
        for worker in workers {
            whole.merge(worker.join().expect("a drawn job is assessed"));
        }
    });
    whole
}
