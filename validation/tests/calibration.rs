//! A short run of the calibration; `cargo xtask calibrate` prints the long one.

use std::sync::LazyLock;

use evenpull_diagnose::Sampling;
use evenpull_validation::calibration::{Evidence, Tally, run, run_ranks};

/// Jobs drawn; enough to notice a broken answer, too few to measure a good one.
const JOBS: u64 = 40;

static TALLY: LazyLock<Tally> = LazyLock::new(|| run(0..JOBS, Sampling::Laplace));

/// Limits: binomial, three standard deviations below the goals (90 % of intervals hold, 92 % of
/// the faulty jobs right) for the numbers of a short run; intervals of one job are not independent,
/// which is why those of all parameters are not pooled.
#[test]
fn a_short_run_is_not_off_the_goals() {
    let tally = &*TALLY;
    let below = |p: f64, n: u32| p - 3.0 * (p * (1.0 - p) / f64::from(n)).sqrt();
    for (what, share) in &tally.coverage {
        assert!(
            share.share() >= below(0.9, share.all),
            "{what}: {} of {}",
            share.hits,
            share.all
        );
    }
    let full = tally.verdicts[&Evidence::Full];
    assert!(full.right.all >= 15 && full.alarms.all >= 3, "{full:?}");
    assert!(
        full.right.share() >= below(0.92, full.right.all),
        "{:?}",
        full.right
    );
    assert!(full.undetermined.share() <= 0.3, "{:?}", full.undetermined);
    assert_eq!(full.alarms.hits, 0, "{:#?}", tally.wrong);
}

/// Whatever is missing, a wrong cause is rarely stated without doubt.
#[test]
fn missing_readings_make_doubt_rather_than_error() {
    let tally = &*TALLY;
    for (kind, verdicts) in &tally.verdicts {
        assert!(
            verdicts.wrong_and_sure.hits <= 2,
            "{kind:?}: {:#?}",
            tally.wrong
        );
    }
}

/// Machines of the assessment's own priors: the truth ranks evenly among the draws of the chains. Eight jobs
/// see a gross error only: most truths at one end of the draws.
#[test]
fn the_truth_ranks_within_the_draws() {
    let ranks = run_ranks(0..8, Sampling::Full);
    assert!(ranks.jobs >= 6, "{ranks:?}");
    for (what, tenths) in &ranks.tenths {
        let ends = tenths[0].max(tenths[9]);
        assert!(4 * ends <= 2 * ranks.jobs + 6, "{what}: {tenths:?}");
    }
}
