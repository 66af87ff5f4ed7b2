//! What the draws behind an answer are worth.

use crate::bench::{PutIn, make};
use evenpull_diagnose::{Sampled, Sampling, assess_after};

fn sampled(put: &PutIn) -> Sampled {
    let made = make(put);
    let answer = assess_after(&made.job, &made.profile, &made.cycles, &[], Sampling::Full);
    answer.sampled.expect("a fit")
}

/// A reading called a step of the sweep, taken with the throttle let go: the plates rest on their stop, and the
/// throttle was anywhere below. The chains have to agree on that floor and its wall as elsewhere.
#[test]
fn chains_agree_where_the_throttle_was_let_go() {
    for seed in [1, 2, 3] {
        let found = sampled(&PutIn {
            let_go: true,
            seed,
            ..PutIn::default()
        });
        assert!(found.hypotheses > 0, "{seed}: {found:?}");
        assert_eq!(found.fell_back, 0, "{seed}: {found:?}");
        // Before the throttle was counted in where it rests a quarter of the trajectories ran against the wall.
        assert!(found.divergences < 20, "{seed}: {found:?}");
    }
}
