//! Does what the program advises work on machines it has not seen inside?
//!
//! Practice machines that differ from their profile, taken through the whole chain: engine,
//! recording, refill fit, assessment, turns, readings again. `cargo xtask study` prints the tables of
//! `docs/studies.md`.

use std::sync::atomic::{AtomicU64, Ordering};

use evenpull_app::AppError;

mod advice_loop;
mod baseline;
mod chance;
mod cross_flow;
mod kind;
mod years;

pub use advice_loop::{LoopTable, LoopTrial, loop_trial, run_loops};
pub use baseline::{BaselineTable, BaselineTrial, Said, baseline_trial, run_baselines};
pub(crate) use chance::Chance;
pub use cross_flow::{CrossFlowTable, CrossFlowTrial, Led, cross_flow_trial, run_cross_flows};
pub use kind::{KINDS, Kind};
pub use years::{
    Counted, Finds, LibraryTrial, Mix, YearsAsked, YearsTable, YearsTrial, library_trial,
    run_years, years_trial,
};

/// Runs trials of the seeds below `count` on as many threads as the machine has cores; results in
/// the order of their seeds.
pub(crate) fn on_all_cores<T: Send>(
    count: u64,
    trial: impl Fn(u64) -> Result<T, AppError> + Sync,
) -> Result<Vec<T>, AppError> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let next = AtomicU64::new(0);
    let work = || {
        let mut own = Vec::new();
        loop {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            if seed >= count {
                return Ok(own);
            }
            own.push((seed, trial(seed)?));
        }
    };
    let mut all: Vec<(u64, T)> = Vec::new();
    let parts: Vec<Result<Vec<(u64, T)>, AppError>> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..cores).map(|_| scope.spawn(work)).collect();
        workers
            .into_iter()
            .map(|w| w.join().expect("a trial does not panic"))
            .collect()
    });
    for part in parts {
        all.extend(part?);
    }
    all.sort_by_key(|(seed, _)| *seed);
    Ok(all.into_iter().map(|(_, t)| t).collect())
}
