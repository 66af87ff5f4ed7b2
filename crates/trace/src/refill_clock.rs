//! The refill clock, cycle by cycle.
//!
//! With the inlet valve shut, `F(r(t)) = k t + c`. Each cycle gives one `k` by weighted least
//! squares; the cycles then give `k` and its scatter robustly. Weights are `psi(r)^4` and points
//! above [`R_LIMIT`] are left out: `psi^2` is what white pressure noise asks for, the second
//! `psi^2` keeps the fit near the choked part, where neither the sensor's zero (an error of
//! 0.2 kPa moves `psi` by nothing below 0.53, by 0.1 % at 0.6 and by 1.6 % at 0.9) nor the wall
//! heat given back late in the refill reaches it.

use std::sync::LazyLock;

use evenpull_airflow::orifice::{CRITICAL_RATIO_AIR, LINEAR_ABOVE_RATIO, PSI_CHOKED_AIR, dpsi_dr};
use evenpull_airflow::{psi, refill};

use crate::cycles::Cycle;

/// Pressure ratio above which points of the refill are left out.
pub(crate) const R_LIMIT: f64 = 0.9;

/// Fewest points a refill must have below the limit.
const FEWEST_POINTS: usize = 5;

/// Part of the cycle used for the refill, as fractions of the cycle after the fall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Window {
    pub(crate) from: f64,
    pub(crate) to: f64,
}

impl Window {
    /// The same window earlier by `share` of the cycle.
    pub(crate) fn earlier(self, share: f64) -> Self {
        Self {
            from: self.from - share,
            to: self.to - share,
        }
    }
}

/// What turns samples into pressure ratios.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Scale {
    /// Sensor zero [Pa], taken off every sample.
    pub(crate) zero_pa: f64,
    /// Ambient [Pa].
    pub(crate) p0_pa: f64,
    /// Sample spacing [s].
    pub(crate) dt_s: f64,
}

impl Scale {
    /// Runner over ambient pressure of one sample.
    pub(crate) fn ratio(self, sample: f32) -> f64 {
        (f64::from(sample) - self.zero_pa) / self.p0_pa
    }
}

/// `psi`, its slope and the refill integral `F` at one ratio.
///
/// The same functions as `evenpull_airflow`'s: below [`R_LIMIT`] from a table of all three, above it
/// from one power `s = r^(2/7)`, `F(r) = F* + sqrt(7) (sqrt(1/6) - sqrt(1 - s))`. An hour of samples
/// spends most of its time here.
#[inline(always)]
fn laws(r: f64, table: &[[f64; 3]]) -> (f64, f64, f64) {
    if r <= CRITICAL_RATIO_AIR {
        return (PSI_CHOKED_AIR, 0.0, r * (1.0 / PSI_CHOKED_AIR));
    }
    if r < R_LIMIT {
        let x = (r - CRITICAL_RATIO_AIR) * KNOTS_PER_RATIO;
        // The whole part in the low bits of a large number: a cast takes several times as long.
        let whole = x - 0.5 + WHOLE;
        let i = whole.to_bits() as u32 as usize;
        if let Some([a, b]) = table.get(i..i + 2) {
            let x = x - (whole - WHOLE);
            let at = |k: usize| a[k] + x * (b[k] - a[k]);
            return (at(0), at(1), at(2));
        }
    }
    laws_from_power(r)
}

/// Added to a number below 2^31 it leaves none of its fraction: 2^52.
const WHOLE: f64 = 4_503_599_627_370_496.0;

/// [`laws`] above the critical ratio without a table.
fn laws_from_power(r: f64) -> (f64, f64, f64) {
    if r > LINEAR_ABOVE_RATIO {
        return (psi(r), dpsi_dr(r), refill(r));
    }
    let s = r.powf(2.0 / 7.0);
    let root = (1.0 - s).sqrt();
    let square = s * s;
    let value = square * (7.0 * s).sqrt() * root;
    let slope = square * square * s * (5.0 - 6.0 * s) / (r * value);
    (value, slope, F_CRITICAL + SQRT_7 * (W_CRITICAL - root))
}

/// Knots of the table per unit of ratio [-]; straight between them `psi` and `F` are right to 3e-8
/// at [`R_LIMIT`], where they bend most: a three-hundredth of what the samples resolve.
const KNOTS_PER_RATIO: f64 = 8_192.0;

/// [`laws`] from the critical ratio to a little above [`R_LIMIT`].
static LAWS: LazyLock<Vec<[f64; 3]>> = LazyLock::new(|| {
    let n = ((R_LIMIT - CRITICAL_RATIO_AIR) * KNOTS_PER_RATIO) as usize + 2;
    (0..n)
        .map(|i| {
            let (value, slope, f) =
                laws_from_power(CRITICAL_RATIO_AIR + i as f64 / KNOTS_PER_RATIO);
            [value, slope, f]
        })
        .collect()
});

/// `F` at the critical ratio [-].
const F_CRITICAL: f64 = CRITICAL_RATIO_AIR / PSI_CHOKED_AIR;
/// `sqrt(7)` [-], exact to `f64`.
const SQRT_7: f64 = 2.645_751_311_064_590_6;
/// `sqrt(1 - r*^(2/7)) = sqrt(1/6)` [-], exact to `f64`.
const W_CRITICAL: f64 = 0.408_248_290_463_863;

/// One cycle's refill and breathing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CycleFit {
    /// Refill rate [1/s].
    pub(crate) k_per_s: f64,
    /// Change of `k` with the sensor zero [1/s per Pa].
    pub(crate) dk_dzero: f64,
    /// Mean of psi over the cycle [-].
    pub(crate) mean_psi: f64,
    /// Change of that mean with the sensor zero [1/Pa].
    pub(crate) dpsi_dzero: f64,
    /// Mean pressure ratio over the cycle [-].
    pub(crate) mean_ratio: f64,
    /// Root mean square residual of the refill in pressure [Pa].
    pub(crate) residual_pa: f64,
    /// Length of the cycle [s].
    pub(crate) length_s: f64,
}

/// Straight line of `y = F` over time, weighted with `psi^4`, and the slope the same weights give to
/// `z = -1/psi`, the change of `F` with the sensor zero times ambient.
#[derive(Debug, Default, Clone, Copy)]
struct Line {
    n: usize,
    w: f64,
    t: f64,
    y: f64,
    z: f64,
    tt: f64,
    ty: f64,
    tz: f64,
    yy: f64,
}

impl Line {
    /// Adds a point; its count is the caller's.
    #[inline(always)]
    fn add(&mut self, psi: f64, t: f64, y: f64) {
        let square = psi * psi;
        let w = square * square;
        let (wt, wy, wz) = (w * t, w * y, -square * psi);
        self.w += w;
        self.t += wt;
        self.y += wy;
        self.z += wz;
        self.tt += wt * t;
        self.ty += wt * y;
        self.tz += wz * t;
        self.yy += wy * y;
    }

    /// Slopes of `y` and `z`, and the weighted sum of squared residuals of `y`.
    fn solve(&self) -> Option<(f64, f64, f64)> {
        let det = self.tt - self.t * self.t / self.w;
        if self.n < FEWEST_POINTS || det.is_nan() || det <= 0.0 {
            return None;
        }
        let slope = (self.ty - self.t * self.y / self.w) / det;
        let slope_z = (self.tz - self.t * self.z / self.w) / det;
        let left = self.yy - self.y * self.y / self.w - slope * slope * det;
        Some((slope, slope_z, left.max(0.0)))
    }
}

/// What turns samples into ratios and laws, at hand for a whole cycle.
struct Law {
    zero_pa: f64,
    per_p0: f64,
    table: &'static [[f64; 3]],
}

impl Law {
    fn of(scale: Scale) -> Self {
        Self {
            zero_pa: scale.zero_pa,
            per_p0: 1.0 / scale.p0_pa,
            table: LAWS.as_slice(),
        }
    }

    #[inline(always)]
    fn ratio(&self, sample: f32) -> f64 {
        (f64::from(sample) - self.zero_pa) * self.per_p0
    }
}

/// Samples of a refill whose laws are looked up before their sums are taken: the two loops keep
/// what they carry on in registers, one loop of both does not.
const STRETCH: usize = 64;

/// Sums over all samples of a cycle.
#[derive(Debug, Default, Clone, Copy)]
struct Breath {
    psi: f64,
    slope: f64,
    ratio: f64,
}

impl Breath {
    /// Adds samples outside of the refill.
    fn add_all(&mut self, samples: &[f32], law: &Law) {
        for &x in samples {
            let r = law.ratio(x);
            let (psi, slope, _) = laws(r, law.table);
            self.psi += psi;
            self.slope += slope;
            self.ratio += r;
        }
    }

    /// Adds at most [`STRETCH`] samples of the refill, here and to its line; `t` is the time of the
    /// first [samples since the cycle's start].
    fn add_refill(&mut self, samples: &[f32], law: &Law, t: f64, line: &mut Line) {
        // Nothing where the limit leaves a sample out; above ambient `F` is no number.
        let mut points = [(0.0, 0.0); STRETCH];
        for (point, &x) in points.iter_mut().zip(samples) {
            let r = law.ratio(x);
            let (psi, slope, f) = laws(r, law.table);
            self.psi += psi;
            self.slope += slope;
            self.ratio += r;
            let counts = r < R_LIMIT;
            *point = if counts { (psi, f) } else { (0.0, 0.0) };
            line.n += usize::from(counts);
        }
        for (i, &(psi, f)) in points.iter().take(samples.len()).enumerate() {
            line.add(psi, t + i as f64, f);
        }
    }
}

/// Fits one cycle of one channel; `None` if samples are missing or too few lie below the limit.
pub(crate) fn fit_cycle(p: &[f32], cycle: Cycle, window: Window, scale: Scale) -> Option<CycleFit> {
    let whole = cycle.range(0.0, 1.0);
    let open = cycle.range(window.from, window.to);
    if whole.end > p.len() || whole.len() < 8 {
        return None;
    }
    let mut breath = Breath::default();
    let mut line = Line::default();
    // Before, in and behind the refill; nothing of it may lie outside of the cycle.
    let from = open.start.clamp(whole.start, whole.end);
    let to = open.end.clamp(from, whole.end);
    let law = Law::of(scale);
    breath.add_all(&p[whole.start..from], &law);
    let mut t = from as f64 - cycle.start;
    for samples in p[from..to].chunks(STRETCH) {
        breath.add_refill(samples, &law, t, &mut line);
        t += STRETCH as f64;
    }
    breath.add_all(&p[to..whole.end], &law);
    if breath.ratio.is_nan() {
        return None;
    }
    // With the limit, a refill that ends too early leaves too little of the window.
    if (line.n as f64) < 0.35 * open.len() as f64 {
        return None;
    }
    let (k_per_sample, dk, left) = line.solve()?;
    let n = whole.len() as f64;
    Some(CycleFit {
        k_per_s: k_per_sample / scale.dt_s,
        dk_dzero: dk / (scale.dt_s * scale.p0_pa),
        mean_psi: breath.psi / n,
        dpsi_dzero: -breath.slope / (n * scale.p0_pa),
        mean_ratio: breath.ratio / n,
        // F residuals weigh psi^4; back to pressure by psi p0 at the mean weight.
        residual_pa: (left / line.w).sqrt() * (line.w / line.n as f64).powf(0.25) * scale.p0_pa,
        length_s: cycle.length * scale.dt_s,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const SCALE: Scale = Scale {
        zero_pa: 0.0,
        p0_pa: 100_000.0,
        dt_s: 1e-3,
    };
    const WINDOW: Window = Window { from: 0.3, to: 0.9 };

    /// A cycle of 100 samples: a fall, then the exact refill of rate `k` from `r0`.
    fn cycle_of(k_per_s: f64, r0: f64) -> Vec<f32> {
        (0..100)
            .map(|i| {
                let t = (f64::from(i) - 20.0) * SCALE.dt_s;
                let r = if t < 0.0 {
                    0.9 + (r0 - 0.9) * f64::from(i) / 20.0
                } else {
                    evenpull_airflow::refill::refilled_ratio(r0, k_per_s, t)
                };
                (r * SCALE.p0_pa) as f32
            })
            .collect()
    }

    fn whole() -> Cycle {
        Cycle {
            start: 0.0,
            length: 100.0,
        }
    }

    #[test]
    fn a_table_gives_the_same_laws() {
        for i in 1..1_100 {
            let r = f64::from(i) / 1_000.0;
            let (value, slope, f) = laws(r, &LAWS);
            assert!((value - psi(r)).abs() < 1e-7, "{r}");
            assert!(
                (slope - dpsi_dr(r)).abs() < 1e-5 * (1.0 + slope.abs()),
                "{r}"
            );
            assert!(f == refill(r) || (f - refill(r)).abs() < 1e-7, "{r}");
        }
    }

    /// Samples are `f32`: 0.008 Pa in 50 kPa, 1e-7 of the rise of a refill.
    #[test]
    fn an_exact_refill_gives_its_rate() {
        for (k, r0) in [(3.0, 0.3), (8.0, 0.3), (12.0, 0.2), (5.0, 0.55)] {
            let fit = fit_cycle(&cycle_of(k, r0), whole(), WINDOW, SCALE).unwrap();
            assert!(
                (fit.k_per_s / k - 1.0).abs() < 1e-6,
                "{k} {r0}: {}",
                fit.k_per_s
            );
            assert!(fit.residual_pa < 0.1, "{}", fit.residual_pa);
        }
    }

    /// The stated slope with the sensor's zero against a difference.
    #[test]
    fn the_slope_with_the_zero_is_right() {
        let p = cycle_of(8.0, 0.3);
        let at = |zero_pa: f64| {
            let scale = Scale { zero_pa, ..SCALE };
            fit_cycle(&p, whole(), WINDOW, scale).unwrap()
        };
        let (a, b, c) = (at(-50.0), at(0.0), at(50.0));
        let dk = (c.k_per_s - a.k_per_s) / 100.0;
        let dpsi = (c.mean_psi - a.mean_psi) / 100.0;
        // The weights move with the zero as well, which the stated slope leaves out: a twentieth.
        assert!((dk / b.dk_dzero - 1.0).abs() < 0.05, "{dk} {}", b.dk_dzero);
        assert!(
            (dpsi / -b.dpsi_dzero - 1.0).abs() < 0.05 || (dpsi / b.dpsi_dzero - 1.0).abs() < 0.05
        );
    }

    /// A wave that lifts a late sample of the refill above ambient is left out like any beyond the limit.
    #[test]
    fn a_sample_above_ambient_is_left_out() {
        let mut p = cycle_of(8.0, 0.3);
        p[88] = 1.01 * SCALE.p0_pa as f32;
        let fit = fit_cycle(&p, whole(), WINDOW, SCALE).unwrap();
        assert!((fit.k_per_s / 8.0 - 1.0).abs() < 1e-6, "{}", fit.k_per_s);
    }

    #[test]
    fn a_missing_sample_or_a_full_runner_gives_no_rate() {
        let mut p = cycle_of(8.0, 0.3);
        p[50] = f32::NAN;
        assert_eq!(fit_cycle(&p, whole(), WINDOW, SCALE), None);
        let full = vec![0.97 * SCALE.p0_pa as f32; 100];
        assert_eq!(fit_cycle(&full, whole(), WINDOW, SCALE), None);
        let beyond = Cycle {
            start: 30.0,
            length: 100.0,
        };
        assert_eq!(fit_cycle(&cycle_of(8.0, 0.3), beyond, WINDOW, SCALE), None);
    }
}
