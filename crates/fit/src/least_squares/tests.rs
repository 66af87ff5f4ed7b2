use super::*;
use rand::SeedableRng;
use rand::rngs::StdRng;
use rand_distr::{Distribution, Normal};

/// Rosenbrock's valley as two residuals: minimum at (1, 1).
fn valley(p: &[f64], r: &mut [f64]) {
    r[0] = 10.0 * (p[1] - p[0] * p[0]);
    r[1] = 1.0 - p[0];
}

#[test]
fn zero_residual_problem_is_solved_to_the_end() {
    let fit = LeastSquares::new(2, &[-1.2, 1.0]).solve(valley).unwrap();
    assert!(fit.converged);
    assert!(
        (fit.params[0] - 1.0).abs() < 1e-7 && (fit.params[1] - 1.0).abs() < 1e-7,
        "{fit:?}"
    );
    assert_eq!(fit.dof, 0);
    assert_eq!(fit.residual_variance(), None);
}

#[test]
fn bound_is_respected_held_and_flagged() {
    let fit = LeastSquares::new(2, &[-1.2, 1.0])
        .bounds(&[-2.0, -2.0], &[0.5, 2.0])
        .solve(|p, r| {
            assert!(p[0] <= 0.5 && p[0] >= -2.0, "{p:?}");
            valley(p, r);
        })
        .unwrap();
    assert_eq!(fit.params[0], 0.5);
    assert_eq!(fit.at_bound, [AtBound::Upper, AtBound::Free]);
    assert!((fit.params[1] - 0.25).abs() < 1e-7);
    assert_eq!(fit.sd(0), 0.0);
    assert!((fit.sd(1) - 0.1).abs() < 1e-7);
    assert!(fit.converged);
}

#[test]
fn fixed_parameter_stays() {
    let fit = LeastSquares::new(2, &[0.3, 1.0])
        .bounds(&[0.3, -9.0], &[0.3, 9.0])
        .solve(valley)
        .unwrap();
    assert_eq!(fit.at_bound[0], AtBound::Fixed);
    assert!((fit.params[1] - 0.09).abs() < 1e-8);
}

#[test]
fn analytic_and_numeric_derivatives_agree() {
    let x: Vec<f64> = (0..20).map(f64::from).collect();
    let model = |p: &[f64], r: &mut [f64]| {
        for (r, &x) in r.iter_mut().zip(&x) {
            *r = p[0] * (-p[1] * x).exp() - 3.0 * (-0.2 * x).exp() - 0.05 * (x * 1.7).sin();
        }
    };
    let problem = LeastSquares::new(20, &[1.0, 0.5]);
    let numeric = problem.solve(model).unwrap();
    let analytic = problem
        .solve_with_jacobian(model, |p, j| {
            for (i, &x) in x.iter().enumerate() {
                let e = (-p[1] * x).exp();
                j[2 * i] = e;
                j[2 * i + 1] = -p[0] * x * e;
            }
        })
        .unwrap();
    for k in 0..2 {
        assert!((numeric.params[k] / analytic.params[k] - 1.0).abs() < 1e-8);
        assert!((numeric.sd(k) / analytic.sd(k) - 1.0).abs() < 1e-7);
    }
    assert!(analytic.evaluations < numeric.evaluations);
}

/// One gross outlier: the robust fits stay within 0.02 of the line, the square one does not.
#[test]
fn robust_losses_shrug_off_an_outlier() {
    let x: Vec<f64> = (0..30).map(f64::from).collect();
    let solve = |loss| {
        LeastSquares::new(30, &[0.0, 1.0])
            .loss(loss)
            .solve(|p, r| {
                for (i, (r, &x)) in r.iter_mut().zip(&x).enumerate() {
                    let wave = 0.01 * (x * 2.3).sin();
                    let y = 1.0 + 0.5 * x + wave + if i == 25 { 50.0 } else { 0.0 };
                    *r = p[0] + p[1] * x - y;
                }
            })
            .unwrap()
    };
    let off = |fit: &Fit| (fit.params[1] - 0.5).abs();
    assert!(off(&solve(Loss::Square)) > 0.1);
    for loss in [Loss::Huber { scale: 0.02 }, Loss::SoftL1 { scale: 0.02 }] {
        let fit = solve(loss);
        assert!(fit.converged, "{loss:?} {}", fit.relative_offset);
        assert!(off(&fit) < 0.02, "{loss:?} {:?}", fit.params);
        assert!(fit.objective < fit.chi2);
    }
}

#[test]
fn undetermined_sum_is_reported() {
    let fit = LeastSquares::new(3, &[1.0, 1.0, 1.0])
        .solve(|p, r| {
            r[0] = p[0] + p[1] - 3.0;
            r[1] = 2.0 * (p[0] + p[1]) - 6.1;
            r[2] = p[2] - 1.0;
        })
        .unwrap();
    assert_eq!(fit.covariance.rank(), 2);
    assert_eq!(fit.covariance.undetermined(), [true, true, false]);
    assert_eq!(fit.sd(0), f64::INFINITY);
}

#[test]
fn contradictions_are_refused() {
    let solve = |p: &LeastSquares| p.solve(|_, r| r.fill(1.0)).unwrap_err();
    assert!(matches!(
        solve(&LeastSquares::new(0, &[1.0])),
        FitError::Empty { .. }
    ));
    let p = LeastSquares::new(2, &[1.0]);
    assert!(matches!(
        solve(&p.clone().bounds(&[0.0, 1.0], &[2.0])),
        FitError::Length { .. }
    ));
    assert!(matches!(
        solve(&p.clone().bounds(&[3.0], &[2.0])),
        FitError::Bounds { .. }
    ));
    assert!(matches!(
        solve(&p.clone().bounds(&[2.0], &[3.0])),
        FitError::Start { .. }
    ));
    assert!(matches!(
        solve(&p.clone().scale(&[0.0])),
        FitError::Scale { .. }
    ));
    assert!(matches!(
        solve(&p.clone().loss(Loss::Huber { scale: -1.0 })),
        FitError::LossScale { .. }
    ));
    let nan = p.solve(|_, r| r.fill(f64::NAN)).unwrap_err();
    assert_eq!(nan, FitError::StartResidual { index: 0 });
}

/// Intervals of one standard deviation must hold the truth in 68 % of seeded repetitions.
///
/// 400 repetitions, binomial sd 2.3 %; the limits are four of those.
#[test]
fn intervals_cover() {
    let mut rng = StdRng::seed_from_u64(7);
    let noise = Normal::new(0.0, 0.05).unwrap();
    let x: Vec<f64> = (0..25).map(|i| 0.2 * f64::from(i)).collect();
    let truth = [2.0, 0.7];
    let mut inside = [0_u32; 2];
    for _ in 0..400 {
        let y: Vec<f64> = x
            .iter()
            .map(|x| truth[0] * (-truth[1] * x).exp() + noise.sample(&mut rng))
            .collect();
        let fit = LeastSquares::new(25, &[1.0, 1.0])
            .solve(|p, r| {
                for i in 0..25 {
                    r[i] = (p[0] * (-p[1] * x[i]).exp() - y[i]) / 0.05;
                }
            })
            .unwrap();
        assert!(fit.converged);
        for k in 0..2 {
            inside[k] += u32::from((fit.params[k] - truth[k]).abs() < fit.sd(k));
        }
    }
    for count in inside {
        let share = f64::from(count) / 400.0;
        assert!((share - 0.683).abs() < 0.093, "{share}");
    }
}

/// NIST StRD Misra1a (`niststrd`), both starts: certified values to 9 digits, SD to 6.
///
/// Derivatives by differences leave about 1e-10 in the parameters and 1e-7 in the SD.
#[test]
fn val_misra1a() {
    let data = [
        (10.07, 77.6),
        (14.73, 114.9),
        (17.94, 141.1),
        (23.93, 190.8),
        (29.61, 239.9),
        (35.18, 289.0),
        (40.02, 332.8),
        (44.82, 378.4),
        (50.76, 434.8),
        (55.05, 477.3),
        (61.01, 536.8),
        (66.40, 593.1),
        (75.47, 689.1),
        (81.78, 760.0),
    ];
    for start in [[500.0, 0.0001], [250.0, 0.0005]] {
        let fit = LeastSquares::new(14, &start)
            .solve(|p, r| {
                for (r, (y, x)) in r.iter_mut().zip(data) {
                    *r = p[0] * (1.0 - (-p[1] * x).exp()) - y;
                }
            })
            .unwrap();
        let close = |got: f64, want: f64, digits: f64| (got / want - 1.0).abs() < digits;
        assert!(fit.converged);
        assert!(
            close(fit.params[0], 2.389_421_291_8e2, 1e-9),
            "{:?}",
            fit.params
        );
        assert!(
            close(fit.params[1], 5.501_564_318_1e-4, 1e-9),
            "{:?}",
            fit.params
        );
        assert!(close(fit.chi2, 1.245_513_889_4e-1, 1e-9));
        assert!(close(fit.scaled_sd(0).unwrap(), 2.707_007_524_1, 1e-6));
        assert!(close(fit.scaled_sd(1).unwrap(), 7.266_868_843_6e-6, 1e-6));
    }
}

proptest::proptest! {
    /// Bounded linear problems: inside the bounds, converged, and no feasible neighbour is better.
    #[test]
    fn prop_bounded_linear_minimum(
        a in proptest::collection::vec(-1.0..1.0_f64, 18),
        b in proptest::collection::vec(-3.0..3.0_f64, 6),
        seed in 0..1_000_u64,
    ) {
        use rand::RngExt;
        let rows = |p: &[f64], r: &mut [f64]| {
            for i in 0..6 {
                r[i] = (0..3).map(|k| a[3 * i + k] * p[k]).sum::<f64>() - b[i];
            }
        };
        let fit = LeastSquares::new(6, &[0.0; 3])
            .bounds(&[-1.0; 3], &[1.0, 0.5, 2.0])
            .solve(rows)
            .unwrap();
        let inside = |p: &[f64]| {
            p.iter().all(|v| *v >= -1.0) && p[0] <= 1.0 && p[1] <= 0.5 && p[2] <= 2.0
        };
        proptest::prop_assert!(inside(&fit.params) && fit.converged, "{fit:?}");
        let mut rng = StdRng::seed_from_u64(seed);
        let mut r = [0.0; 6];
        for _ in 0..50 {
            let size = 10.0_f64.powf(rng.random_range(-4.0..0.5));
            let near: Vec<f64> =
                fit.params.iter().map(|p| p + size * rng.random_range(-1.0..1.0)).collect();
            if inside(&near) {
                rows(&near, &mut r);
                let other: f64 = r.iter().map(|r| r * r).sum();
                proptest::prop_assert!(other >= fit.chi2 - 1e-9, "{near:?} {other} {fit:?}");
            }
        }
    }
}
