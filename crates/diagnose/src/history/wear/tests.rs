//! Closed forms, and series drawn from the model's own prior.

use super::*;

const EXPECTED: Expected = Expected {
    rate_sd: 1.0,
    uneven: 1e-6,
    grows: false,
    step_sd: 1.0,
    step_chance: 1e-9,
};

fn read(y: &[f64], sd: f64) -> Read {
    Read {
        x: (0..y.len()).map(|i| i as f64).collect(),
        y: y.to_vec(),
        sd: vec![sd; y.len()],
        shared_sd: vec![0.0; y.len()],
        freed: vec![false; y.len()],
    }
}

/// Closed form of a straight line through points of one known error: the rate's variance is
/// `sd^2 / sum (x - mean)^2` where the prior is wide and no scatter is called for; the grid over
/// the scatter widens it a little, never narrows it.
#[test]
fn a_straight_line_has_its_rate() {
    let y = [0.0, 0.5, 1.0, 1.5, 2.0];
    let wear = Wear::of(&read(&y, 0.01), &EXPECTED, &[]).unwrap();
    let rate = wear.rate();
    let middle = quantile(&rate, 0.5).unwrap();
    let sd = 0.5 * (quantile(&rate, 0.841_345).unwrap() - quantile(&rate, 0.158_655).unwrap());
    assert!((middle - 0.5).abs() < 1e-4, "{middle}");
    let plain = 0.01 / 10.0_f64.sqrt();
    assert!(sd >= 0.999 * plain && sd < 1.2 * plain, "{sd} {plain}");
}

#[test]
fn a_step_is_seen_and_leaves_the_rate_alone() {
    let y = [0.0, 0.01, 0.02, 0.53, 0.54, 0.55];
    let expected = Expected {
        rate_sd: 0.05,
        step_chance: 0.03,
        ..EXPECTED
    };
    let wear = Wear::of(&read(&y, 0.02), &expected, &[(5.0, 6)]).unwrap();
    let steps = wear.steps();
    assert!(steps[2].0 > 0.99, "{:?}", steps[2].0);
    assert!(steps.iter().enumerate().all(|(i, s)| i == 2 || s.0 < 0.05));
    let size = quantile(&steps[2].1, 0.5).unwrap();
    assert!((size - 0.5).abs() < 0.06, "{size}");
    let level = quantile(&wear.level(0), 0.5).unwrap();
    assert!((level - 0.55).abs() < 0.03, "{level}");
    let rate = quantile(&wear.rate(), 0.5).unwrap();
    assert!(rate.abs() < 0.05, "{rate}");
}

#[test]
fn work_by_the_shop_is_no_step() {
    let mut one = read(&[0.0, 0.01, 0.02, 0.53, 0.54, 0.55], 0.02);
    one.freed[3] = true;
    let expected = Expected {
        rate_sd: 0.05,
        step_chance: 0.03,
        ..EXPECTED
    };
    let wear = Wear::of(&one, &expected, &[]).unwrap();
    assert!(wear.steps().iter().all(|s| s.0 < 0.1), "{:?}", wear.steps());
}

/// Closed form: with errors of which `c` is common to all visits the mean of n values is known to
/// `sqrt(c^2 + s^2 / n)`, and the rate of a line as if there were only `s`.
#[test]
fn what_all_visits_have_wrong_stays_in_the_level_and_not_in_the_rate() {
    let y = [0.0, 0.5, 1.0, 1.5, 2.0];
    let mut shared = read(&y, 0.01);
    shared.shared_sd = vec![0.2; y.len()];
    let sd = |parts: &[Part]| {
        0.5 * (quantile(parts, 0.841_345).unwrap() - quantile(parts, 0.158_655).unwrap())
    };
    let places = [(2.0, 3)];
    let alone = Wear::of(&read(&y, 0.01), &EXPECTED, &places).unwrap();
    let with = Wear::of(&shared, &EXPECTED, &places).unwrap();
    assert!((sd(&with.rate()) / sd(&alone.rate()) - 1.0).abs() < 0.02);
    let level = 0.2_f64.hypot(0.01 / 5.0_f64.sqrt());
    assert!(
        (sd(&with.level(0)) / level - 1.0).abs() < 0.02,
        "{}",
        sd(&with.level(0))
    );
    assert!(sd(&alone.level(0)) < 0.01);
}

/// Simulation-based calibration (Talts et al. 2018, from memory): of series drawn from the model's own
/// prior the 90 % intervals of rate and level hold 90 %. 300 series, so three binomial deviations are 5.2 %.
#[test]
fn intervals_hold_on_series_drawn_from_the_prior() {
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;
    let expected = Expected {
        rate_sd: 0.4,
        uneven: 1.0 / 3.0,
        grows: true,
        step_sd: 1.5,
        step_chance: 0.03,
    };
    let paces: Vec<Pace> = Pace::all(&expected).collect();
    let mut rng = StdRng::seed_from_u64(11);
    let (mut rates, mut levels, mut all) = (0.0, 0.0, 0.0);
    for _ in 0..300 {
        let normal = |rng: &mut StdRng| rng.sample::<f64, _>(StandardNormal);
        let pace = &paces[rng.random_range(0..paces.len())];
        let rate = pace.means[0] + pace.sd * normal(&mut rng);
        let uneven = [0.5, 1.0, 1.0, 2.0][rng.random_range(0..4)];
        let walk = uneven * expected.uneven * pace.size;
        let shared = 0.08 * normal(&mut rng);
        let mut level = 0.4;
        let mut y = Vec::new();
        for i in 0..8 {
            if i > 0 {
                level += 0.8 * rate + walk * 0.8_f64.sqrt() * normal(&mut rng);
                if rng.random::<f64>() < expected.step_chance {
                    level += expected.step_sd * normal(&mut rng);
                }
            }
            y.push(level + shared + 0.05 * normal(&mut rng));
        }
        let mut one = read(&y, 0.05);
        one.x.iter_mut().for_each(|x| *x *= 0.8);
        one.shared_sd = vec![0.08; y.len()];
        let last = one.x[7];
        let found = Wear::of(&one, &expected, &[(last, 8)]).unwrap();
        let held = |parts: &[Part], truth: f64| {
            let ends = (
                quantile(parts, 0.05).unwrap(),
                quantile(parts, 0.95).unwrap(),
            );
            f64::from(u8::from(ends.0 <= truth && truth <= ends.1))
        };
        rates += held(&found.rate(), rate);
        levels += held(&found.level(0), level);
        all += 1.0;
    }
    for share in [rates / all, levels / all] {
        assert!(
            (share - 0.9).abs() < 0.052,
            "rates {rates}, levels {levels} of {all}"
        );
    }
}

#[test]
fn one_visit_is_no_history() {
    assert!(Wear::of(&read(&[1.0], 0.1), &EXPECTED, &[]).is_none());
}
