//! The refill clock, cycle by cycle.
//!
//! With the inlet valve shut, `F(r(t)) = k t + c`. Each cycle gives one `k` by weighted least
//! squares; the cycles then give `k` and its scatter robustly. Weights are `psi(r)^4` and points
//! above [`R_LIMIT`] are left out: `psi^2` is what white pressure noise asks for, the second
//! `psi^2` keeps the fit near the choked part, where neither the sensor's zero (an error of
//! 0.2 kPa moves `psi` by nothing below 0.53, by 0.1 % at 0.6 and by 1.6 % at 0.9) nor the wall
//! heat given back late in the refill reaches it.

use evenpull_airflow::orifice::dpsi_dr;
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

/// Weighted straight line of `y` over `t`: slope, and the slope the same weights give to `z`.
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
    fn add(&mut self, w: f64, t: f64, y: f64, z: f64) {
        self.n += 1;
        self.w += w;
        self.t += w * t;
        self.y += w * y;
        self.z += w * z;
        self.tt += w * t * t;
        self.ty += w * t * y;
        self.tz += w * t * z;
        self.yy += w * y * y;
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

/// Fits one cycle of one channel; `None` if samples are missing or too few lie below the limit.
pub(crate) fn fit_cycle(p: &[f32], cycle: Cycle, window: Window, scale: Scale) -> Option<CycleFit> {
    let whole = cycle.range(0.0, 1.0);
    let open = cycle.range(window.from, window.to);
    if whole.end > p.len() || whole.len() < 8 {
        return None;
    }
    let (mut sum_psi, mut sum_slope, mut sum_r) = (0.0, 0.0, 0.0);
    let mut line = Line::default();
    for i in whole.clone() {
        let r = scale.ratio(p[i]);
        if r.is_nan() {
            return None;
        }
        let ps = psi(r);
        sum_psi += ps;
        sum_slope += dpsi_dr(r);
        sum_r += r;
        if r < R_LIMIT && open.contains(&i) {
            let t = (i as f64 - cycle.start) * scale.dt_s;
            line.add(ps.powi(4), t, refill(r), -1.0 / (ps * scale.p0_pa));
        }
    }
    // With the limit, a refill that ends too early leaves too little of the window.
    if (line.n as f64) < 0.35 * open.len() as f64 {
        return None;
    }
    let (k_per_s, dk_dzero, left) = line.solve()?;
    let n = whole.len() as f64;
    Some(CycleFit {
        k_per_s,
        dk_dzero,
        mean_psi: sum_psi / n,
        dpsi_dzero: -sum_slope / (n * scale.p0_pa),
        mean_ratio: sum_r / n,
        // F residuals weigh psi^4; back to pressure by psi p0 at the mean weight.
        residual_pa: (left / line.w).sqrt() * (line.w / line.n as f64).powf(0.25) * scale.p0_pa,
        length_s: cycle.length * scale.dt_s,
    })
}
