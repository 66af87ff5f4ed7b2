//! The sampler on the eight schools (`posteriordb`, data of `rubin1981`).

use evenpull_fit::{Real, Sampler, Tape, Var};

use crate::case::{Case, Deviation};
use crate::data::Table;

/// Draws behind the reference's means.
const REFERENCE_DRAWS: f64 = 10_000.0;

/// Logarithm of the density over `mu`, `ln tau` and the eight standardised effects.
///
/// `mu ~ N(0, 5)`, `tau ~ half-Cauchy(0, 5)`, `theta_i = mu + tau eta_i`, `eta ~ N(0, 1)`,
/// `y_i ~ N(theta_i, sigma_i)`; `ln tau` brings its Jacobian.
fn ln_density<S: Real>(x: &[S], y: &[f64], sigma: &[f64]) -> S {
    let (mu, ln_tau, eta) = (x[0], x[1], &x[2..]);
    let tau = ln_tau.exp();
    let mut sum = mu * mu * (-0.5 / 25.0) + ln_tau - (tau * tau / 25.0 + 1.0).ln();
    for ((&e, y), s) in eta.iter().zip(y).zip(sigma) {
        let off = (mu + tau * e - *y) / *s;
        sum = sum - (e * e + off * off) * 0.5;
    }
    sum
}

pub(super) fn eight_schools() -> Case {
    let t = Table::parse(include_str!("../../data/posteriordb2020_eight_schools.csv"));
    let (y, sigma) = (t.comment_numbers("y"), t.comment_numbers("sigma"));
    let density = || {
        let tape = Tape::new();
        let (y, sigma) = (&y, &sigma);
        move |x: &[f64], gradient: &mut [f64]| {
            tape.start(x.len());
            let at: Vec<Var<'_>> = (x.iter().enumerate())
                .map(|(i, &v)| tape.input(i, v))
                .collect();
            let ln = ln_density(&at, y, sigma);
            tape.sweep([(ln, 1.0)], gradient);
            Some(ln.value())
        }
    };
    let starts: Vec<Vec<f64>> = (0..4).map(|c| vec![0.5 * f64::from(c) - 0.5; 10]).collect();
    let draws = Sampler::new(1_000, 5_000, 1981)
        .target_accept(0.95)
        .run(&starts, density)
        .expect("the density is smooth");
    let mut case = Case::new(
        "eight_schools",
        "posteriordb",
        Deviation::Absolute("mcse"),
        3.0,
        "three standard errors of both means together",
    );
    let rows = t.text("quantity").into_iter().zip(t.column("mean"));
    for ((quantity, mean), sd) in rows.zip(t.column("sd")) {
        let found = draws.convergence(|x| match quantity {
            "mu" => x[0],
            "tau" => x[1].exp(),
            _ => x[0] + x[1].exp() * x[2],
        });
        // Chains that do not agree have no mean to compare.
        let off = found.filter(|c| c.passes()).map_or(f64::NAN, |c| {
            (c.mean - mean) / c.mcse_mean.hypot(sd / REFERENCE_DRAWS.sqrt())
        });
        case.push(quantity, off, 0.0);
    }
    case
}
