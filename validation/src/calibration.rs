//! Do probabilities and intervals of the assessment mean what they say?
//!
//! Machines and faults are drawn at random, the readings follow from the linkage and area laws
//! (written here a second time, so that the assessment is not held against itself), and the
//! answers are counted. What is drawn and why stands in `docs/calibration.md`; nothing of it is
//! taken from the assessment's own priors.

use std::ops::Range;
use std::sync::atomic::{AtomicU64, Ordering};

use evenpull_diagnose::{Sampling, assess_after};

mod checks;
mod draw;
mod fault;
mod machine;
mod next;
mod plot;
mod practice;
mod ranks;
mod readings;
mod shop;
mod tally;

pub use draw::{Drawn, Evidence, draw};
pub use fault::Truth;
pub use next::{Choice, Gain, add_choice, table as choice_table};
pub use plot::{Series, ranks as ranks_picture, reliability as reliability_picture};
pub use practice::run_practice;
pub use ranks::Ranks;
pub(crate) use shop::{ShopFamily, ShopMachine};
pub use tally::{Bin, Share, Tally, Verdicts};

/// Draws the job of one seed, assesses it and adds it to the tally.
pub fn add(seed: u64, sampling: Sampling, tally: &mut Tally) {
    let drawn = draw(seed);
    let answer = assess_after(&drawn.job, &drawn.profile, &drawn.cycles, &[], sampling);
    tally.add(seed, &drawn.truth, &answer);
}

/// Runs the jobs of a range of seeds on as many threads as the machine has cores.
///
/// # Panics
/// If a drawn job is not a sound job file.
pub fn run(seeds: Range<u64>, sampling: Sampling) -> Tally {
    spread(
        seeds,
        |seed, own| add(seed, sampling, own),
        |whole: &mut Tally, part| whole.merge(part),
    )
}

/// Rehearses on the readings of the jobs of a range of seeds, in the same way.
///
/// # Panics
/// If a drawn job is not a sound job file.
pub fn run_ranks(seeds: Range<u64>, sampling: Sampling) -> Ranks {
    spread(
        seeds,
        |seed, own: &mut Ranks| own.add(seed, sampling),
        |whole: &mut Ranks, part| whole.merge(part),
    )
}

/// Takes the next reading in the open jobs of a range of seeds, in the same way.
///
/// # Panics
/// If a drawn job is not a sound job file.
pub fn run_choices(seeds: Range<u64>) -> Choice {
    spread(seeds, add_choice, |whole: &mut Choice, part| {
        whole.merge(part)
    })
}

fn spread<T: Default + Send>(
    seeds: Range<u64>,
    add: impl Fn(u64, &mut T) + Sync,
    merge: fn(&mut T, T),
) -> T {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let next = AtomicU64::new(seeds.start);
    let work = || {
        let mut own = T::default();
        loop {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            if seed >= seeds.end {
                return own;
            }
            add(seed, &mut own);
        }
    };
    let mut whole = T::default();
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..cores).map(|_| scope.spawn(work)).collect();
        for worker in workers {
            merge(&mut whole, worker.join().expect("a drawn job is assessed"));
        }
    });
    whole
}
