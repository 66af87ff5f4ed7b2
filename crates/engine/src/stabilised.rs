//! Coefficients of a second-order Runge-Kutta-Chebyshev method with 2 to 16 stages.
//!
//! Its stages buy stability along the negative real axis, `0.65 (s^2 - 1)`, where a classical method
//! would be cut to short steps: an open valve with next to no pressure across it.
//!
//! Source: Sommeijer, Shampine and Verwer 1997, J. Comput. Appl. Math. 88, 315 (from memory; order and
//! stability are tested).

/// Most stages.
pub(crate) const MOST_STAGES: usize = 16;

/// One stage: `Y_j = (1 - mu - nu) Y_0 + mu Y_j-1 + nu Y_j-2 + h (mu_slope F_j-1 + nu_slope F_0)`.
#[derive(Clone, Copy)]
pub(crate) struct Stage {
    pub(crate) mu: f64,
    pub(crate) nu: f64,
    pub(crate) mu_slope: f64,
    pub(crate) nu_slope: f64,
    /// Where the stage stands, as a part of the step [-].
    pub(crate) place: f64,
}

const NO_STAGE: Stage = Stage {
    mu: 0.0,
    nu: 0.0,
    mu_slope: 0.0,
    nu_slope: 0.0,
    place: 0.0,
};

/// Methods by their number of stages `s`; entries 1 to `s` of each are its stages.
static METHODS: [[Stage; MOST_STAGES + 1]; MOST_STAGES + 1] = methods();

/// Stages 1 to `s` of the method with fewest stages that is stable for `z` = step times the fastest
/// rate [-]; `None` beyond the method with most of them.
pub(crate) fn method(z: f64) -> Option<&'static [Stage]> {
    // The cast cuts off and saturates: one more is enough, whatever `z`.
    let s = ((1.0 + z / BOUND).sqrt() as usize).saturating_add(1);
    METHODS.get(s).and_then(|stages| stages.get(1..=s))
}

/// Stability bound over `s^2 - 1`: `2/3 (1 - 2/15 damping)`.
const BOUND: f64 = 2.0 / 3.0 * (1.0 - 2.0 / 15.0 * DAMPING);
/// Damping, as the source recommends.
const DAMPING: f64 = 2.0 / 13.0;

const fn methods() -> [[Stage; MOST_STAGES + 1]; MOST_STAGES + 1] {
    let mut all = [[NO_STAGE; MOST_STAGES + 1]; MOST_STAGES + 1];
    let mut s = 2;
    while s <= MOST_STAGES {
        all[s] = stages(s);
        s += 1;
    }
    all
}

const fn stages(s: usize) -> [Stage; MOST_STAGES + 1] {
    let w0 = 1.0 + DAMPING / (s * s) as f64;
    // Chebyshev polynomials at w0 with first and second derivative.
    let mut t = [[0.0; 3]; MOST_STAGES + 1];
    t[0] = [1.0, 0.0, 0.0];
    t[1] = [w0, 1.0, 0.0];
    let mut j = 2;
    while j <= s {
        let (a, b) = (t[j - 1], t[j - 2]);
        t[j] = [
            2.0 * w0 * a[0] - b[0],
            2.0 * (a[0] + w0 * a[1]) - b[1],
            2.0 * (2.0 * a[1] + w0 * a[2]) - b[2],
        ];
        j += 1;
    }
    let w1 = t[s][1] / t[s][2];
    let mut b = [0.0; MOST_STAGES + 1];
    j = 2;
    while j <= s {
        b[j] = t[j][2] / (t[j][1] * t[j][1]);
        j += 1;
    }
    (b[0], b[1]) = (b[2], b[2]);
    let mut all = [NO_STAGE; MOST_STAGES + 1];
    all[1].mu_slope = b[1] * w1;
    all[1].place = b[1] * w1;
    j = 2;
    while j <= s {
        let mu_slope = 2.0 * b[j] * w1 / b[j - 1];
        all[j] = Stage {
            mu: 2.0 * b[j] * w0 / b[j - 1],
            nu: -b[j] / b[j - 2],
            mu_slope,
            nu_slope: -(1.0 - b[j - 1] * t[j - 1][0]) * mu_slope,
            place: w1 * t[j][2] / t[j][1],
        };
        j += 1;
    }
    all
}
