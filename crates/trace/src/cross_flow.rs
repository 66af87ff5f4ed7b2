//! Runners that fill each other.
//!
//! Through a passage of area `A_p` the refill of cylinder i becomes
//! `dF_i/dt = k_i - kappa phi(r_i, r_j) / psi(r_i)`, `phi` being the same orifice law from i to j
//! and `kappa/k_i = A_p/A_i`. `phi` follows the other cylinder's trace, so while that one inhales
//! the refill of this one stalls: the plateau. The averaged traces, taken at the same time, give
//! `kappa` by linear least squares beside `k` and a slow bend (wall heat). Where all cylinders agree
//! the rates are corrected and widened; where some see a passage and others do not (an idle-air
//! chamber, which lags; a pipe between some of the runners only) the areas are refused.
//!
//! Detection limits, measured with the filling model on a twin of 2 x 530 cc (tests of `validation`):
//! a balance pipe is flagged from 0.5 mm2 at idle and from 1 to 2 mm2 at the hold, about 4 % of a
//! through-area; below that the reading is not flagged, but its sd grows by what all cylinders
//! together cannot exclude. An idle-air chamber is flagged from passages of 4 mm2 at idle; at 2 mm2
//! (6 % of area ratio) and at the hold below 12 mm2 it looks like ringing. Therefore a
//! reading whose passages are known to be open is widened by [`OPEN_SD`] even if nothing is seen.

use evenpull_airflow::{psi, refill};

use crate::mean_cycle::Average;
use crate::refill_clock::Window;

/// Passage found between the runners, as seen from one cylinder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CrossFlow {
    /// Passage area over this cylinder's through-area [-].
    pub(crate) share: f64,
    /// Relative standard deviation it adds to the rate [-].
    pub(crate) rate_sd: f64,
    /// Refill rate with the passage in the model over the rate without [-].
    pub(crate) rate_change: f64,
    /// How much of it is known.
    pub(crate) seen: Seen,
}

/// How sure a passage is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Seen {
    /// All cylinders agree: the rate is corrected.
    Agreed,
    /// Some cylinders see it, others contradict: nothing to correct by.
    Contradicted,
    /// Known to be open, not seen: widened, flagged.
    Open,
    /// Too small to tell from none: widened only.
    Hidden,
}

impl CrossFlow {
    /// A passage that cannot be corrected for.
    fn uncorrected(share: f64, rate_sd: f64, seen: Seen) -> Self {
        Self {
            share,
            rate_sd,
            rate_change: 1.0,
            seen,
        }
    }
}

/// Error of a rate over the error of a share [-]: while the other inhales, `phi/psi` is about one
/// for a third to a half of the window.
const SHARE_TO_RATE: f64 = 0.5;

/// What a passage known to be open, but not seen, may do to a rate, standard deviation [-].
///
/// From the filling model: 2 to 8 % of area ratio of a twin, up to 19 % of a four-cylinder.
const OPEN_SD: f64 = 0.08;

/// Share of a passage below the limit over the smallest share any cylinder sees, standard deviation [-].
///
/// From the filling model of a 270-degree twin: 0.1 and 0.25 mm2 at idle and hold bias the ratio of two areas by 1 to 1.5
/// of the share seen, where a share moves that ratio by 0.75 of itself: 1.3 to 2.
const HIDDEN: f64 = 2.0;

/// Least share of a through-area that counts as a passage.
///
/// Wall heat and gas waves mimic up to 2 %.
const SHARE_FOUND: f64 = 0.03;

/// What wall heat and gas waves add to the uncertainty of a share [-].
const SHARE_MIMIC: f64 = 0.015;

/// Standard deviations away from none.
const CERTAIN: f64 = 4.0;

/// Largest chi-square per degree of freedom between cylinders that still is one passage.
///
/// A passage serves both its ends. Ringing after the inlet valve's closing mimics one too, but
/// with opposite signs on the two sides.
const AGREE: f64 = 9.0;

/// One cylinder's view: its own average, the others' over the same cycles, its window.
pub(crate) struct View<'a> {
    pub(crate) own: &'a Average,
    pub(crate) others: &'a [Average],
    pub(crate) window: Window,
}

/// Flow from `a` to `b` through unit area over `p0/sqrt(R T0)` [-], signed.
fn phi(a: f64, b: f64) -> f64 {
    if a >= b {
        a * psi(b / a)
    } else {
        -b * psi(a / b)
    }
}

/// Points of one refill: weight, time, what a unit passage has taken since the start, F.
struct Points {
    rows: Vec<(f64, f64, f64, f64)>,
    middle_s: f64,
}

impl Points {
    fn of(view: &View<'_>, period_s: f64) -> Option<Self> {
        let own = view.own;
        let mut rows = Vec::new();
        let (mut taken, mut last): (f64, Option<(f64, f64)>) = (0.0, None);
        for b in own.refill_bins(view.window) {
            let (at, r) = (own.phase[b], own.ratio[b]);
            let drawn = view.others.iter().map(|o| phi(r, o.ratio[b])).sum::<f64>() / psi(r);
            let t = at * period_s;
            if let Some((t_before, drawn_before)) = last {
                taken += 0.5 * (drawn + drawn_before) * (t - t_before);
            }
            last = Some((t, drawn));
            rows.push((
                f64::from(own.count[b].max(1)) * psi(r).powi(4),
                t,
                taken,
                refill(r),
            ));
        }
        let middle_s = 0.5 * (rows.first()?.1 + rows.last()?.1);
        (rows.len() >= 12).then_some(Self { rows, middle_s })
    }

    /// Passage conductance `kappa` [1/s], its sd, and the plain rate [1/s]; `None` where the refill does not rise, or
    /// nothing can be told of a passage: a share of no rate has no end.
    fn kappa(&self) -> Option<(f64, f64, f64)> {
        let design: Vec<[f64; 4]> = self
            .rows
            .iter()
            .map(|&(_, t, taken, _)| [1.0, t - self.middle_s, -taken, (t - self.middle_s).powi(2)])
            .collect();
        let (found, variance) = solve(&self.rows, &design)?;
        let (kappa, sd, plain) = (found[2], variance[2].sqrt(), self.rate(0.0)?);
        let told = kappa.is_finite() && sd.is_finite() && plain.is_finite() && plain > 0.0;
        told.then_some((kappa, sd, plain))
    }

    /// Refill rate with a passage of the given conductance taken off [1/s].
    fn rate(&self, kappa: f64) -> Option<f64> {
        let given: Vec<(f64, f64, f64, f64)> = self
            .rows
            .iter()
            .map(|&(w, t, taken, f)| (w, t, taken, f + kappa * taken))
            .collect();
        let plain: Vec<[f64; 2]> = given
            .iter()
            .map(|&(_, t, ..)| [1.0, t - self.middle_s])
            .collect();
        solve(&given, &plain).map(|(found, _)| found[1])
    }
}

/// Looks for passages that join the runners; one entry per view if there may be any.
///
/// `period_s` [s]: length of the cycle. `open`: passages are known to be open. Empty if there are
/// none, or if fewer than two cylinders carry enough points to tell.
pub(crate) fn find(views: &[View<'_>], period_s: f64, open: bool) -> Vec<CrossFlow> {
    let found = seen(views, period_s).unwrap_or_default();
    if open && found.first().is_none_or(|c| c.seen == Seen::Hidden) {
        return vec![CrossFlow::uncorrected(0.0, OPEN_SD, Seen::Open); views.len()];
    }
    found
}

/// What the traces themselves show.
fn seen(views: &[View<'_>], period_s: f64) -> Option<Vec<CrossFlow>> {
    let points: Vec<Points> = views
        .iter()
        .map(|v| Points::of(v, period_s))
        .collect::<Option<_>>()?;
    if points.len() < 2 {
        return None;
    }
    let each: Vec<(f64, f64, f64)> = points.iter().map(Points::kappa).collect::<Option<_>>()?;
    let (mut w, mut wx) = (0.0, 0.0);
    for (kappa, sd, k) in &each {
        let weight = 1.0 / (sd.powi(2) + (SHARE_MIMIC * k).powi(2));
        w += weight;
        wx += weight * kappa;
    }
    let (kappa, sd) = (wx / w, w.sqrt().recip());
    let chi2: f64 = each
        .iter()
        .map(|(x, s, k)| (x - kappa).powi(2) / (s.powi(2) + (SHARE_MIMIC * k).powi(2)))
        .sum();
    let mean_rate = each.iter().map(|e| e.2).sum::<f64>() / each.len() as f64;
    let certain = kappa > CERTAIN * sd && kappa > SHARE_FOUND * mean_rate;
    let agreed = chi2 <= AGREE * (each.len() - 1) as f64 * (1.0 + kappa / mean_rate).powi(2);
    let alike = |share: f64, relative_sd: f64, seen: Seen| {
        vec![CrossFlow::uncorrected(share, relative_sd, seen); each.len()]
    };
    if !(certain && agreed) {
        if let Some(largest) = served_at_both_ends(&each) {
            return Some(alike(largest, largest, Seen::Contradicted));
        }
        return hidden(&points, &each);
    }
    let rates: Vec<f64> = points
        .iter()
        .map(|p| p.rate(kappa))
        .collect::<Option<_>>()?;
    if rates.iter().any(|rate| *rate <= 0.0) {
        // More would come through the passage than through the body: nothing is left to correct.
        let share = kappa / mean_rate;
        return Some(alike(share, share, Seen::Contradicted));
    }
    let corrected = rates
        .iter()
        .zip(&each)
        .map(|(rate, (_, _, plain))| CrossFlow {
            share: kappa / rate,
            rate_sd: SHARE_TO_RATE * sd / rate,
            rate_change: rate / plain,
            seen: Seen::Agreed,
        });
    Some(corrected.collect())
}

/// A passage too small to tell from none: what it may do to one rate and not to the others.
///
/// Where the cylinders inhale at even intervals each gives and takes alike, so the rates move together and their
/// ratios stay, which are what counts; the common part is a scale's. Each body takes `sqrt(2)` of what it
/// moves beyond the mean: exact for two, never too little for more.
fn hidden(points: &[Points], each: &[(f64, f64, f64)]) -> Option<Vec<CrossFlow>> {
    let shares = each.iter().map(|(x, _, k)| x / k);
    let least = shares.fold(f64::INFINITY, f64::min).max(0.0);
    let moves: Vec<f64> = points
        .iter()
        .zip(each)
        .map(|(p, (_, _, plain))| Some((p.rate(least * plain)? - plain) / plain))
        .collect::<Option<_>>()?;
    let mean = moves.iter().sum::<f64>() / moves.len() as f64;
    let found = moves.iter().map(|own| {
        let rate_sd = std::f64::consts::SQRT_2 * HIDDEN * (own - mean).abs();
        CrossFlow::uncorrected(least, rate_sd, Seen::Hidden)
    });
    Some(found.collect())
}

/// Largest share that a cylinder sees beyond doubt, if it may be a passage at all.
///
/// A passage serves at least two runners, so where all others exclude half of what a single one sees, it
/// is none: behind a valve that closes while the next one opens, as on a 180-degree twin, ringing and
/// wall heat look like a passage of up to a third of the through-area.
fn served_at_both_ends(each: &[(f64, f64, f64)]) -> Option<f64> {
    let doubt = |(_, sd, k): &(f64, f64, f64)| CERTAIN * sd.hypot(SHARE_MIMIC * k);
    let sure: Vec<usize> = (0..each.len())
        .filter(|&i| each[i].0 > doubt(&each[i]))
        .collect();
    let &first = sure.first()?;
    let excluded = |other: &(f64, f64, f64)| other.0 + doubt(other) < 0.5 * each[first].0;
    let alone = sure.len() == 1
        && each
            .iter()
            .enumerate()
            .all(|(i, one)| i == first || excluded(one));
    let shares = sure.iter().map(|&i| each[i].0 / each[i].2);
    (!alone).then(|| shares.fold(0.0, f64::max))
}

/// Weighted linear least squares; solution and variances scaled by the residuals.
fn solve<const N: usize>(
    rows: &[(f64, f64, f64, f64)],
    design: &[[f64; N]],
) -> Option<([f64; N], [f64; N])> {
    use nalgebra::{SMatrix, SVector};
    let mut normal = SMatrix::<f64, N, N>::zeros();
    let mut right = SVector::<f64, N>::zeros();
    for ((w, _, _, y), x) in rows.iter().zip(design) {
        let x = SVector::<f64, N>::from_row_slice(x);
        normal += x * x.transpose() * *w;
        right += x * (*w * *y);
    }
    // Columns differ by orders of magnitude (1, s, s^2): scale before inverting.
    let scale = normal
        .diagonal()
        .map(|d| if d > 0.0 { 1.0 / d.sqrt() } else { 0.0 });
    let scaled = SMatrix::from_diagonal(&scale) * normal * SMatrix::from_diagonal(&scale);
    let inverse = scaled.try_inverse()?;
    let inverse = SMatrix::from_diagonal(&scale) * inverse * SMatrix::from_diagonal(&scale);
    let found = inverse * right;
    let left: f64 = rows
        .iter()
        .zip(design)
        .map(|((w, _, _, y), x)| w * (y - SVector::<f64, N>::from_row_slice(x).dot(&found)).powi(2))
        .sum();
    let variance = left / (rows.len() as f64 - N as f64).max(1.0);
    let mut values = [0.0; N];
    let mut variances = [0.0; N];
    for i in 0..N {
        values[i] = found[i];
        variances[i] = inverse[(i, i)] * variance;
    }
    Some((values, variances))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mean_cycle::BINS;

    const PERIOD_S: f64 = 0.1;
    const WINDOW: Window = Window {
        from: 0.3,
        to: 0.95,
    };
    const K_PER_S: [f64; 2] = [10.0, 8.0];

    /// Two runners joined by a pipe of conductance `kappa` [1/s], integrated to a periodic state;
    /// the second inhales by `apart` of a cycle later. Samples at the bins of the first's cycle.
    fn joined(kappa: f64, apart: f64) -> [Vec<f64>; 2] {
        /// Integration steps per bin.
        const FINE: usize = 200;
        let h = PERIOD_S / (BINS * FINE) as f64;
        let mut r = [0.6, 0.8];
        let mut out = [vec![], vec![]];
        for cycle in 0..6 {
            for step in 0..BINS * FINE {
                let at = step as f64 / (BINS * FINE) as f64;
                if cycle == 5 && step % FINE == FINE / 2 {
                    out[0].push(r[0]);
                    out[1].push(r[1]);
                }
                let flow = kappa * phi(r[0], r[1]);
                for (i, sign) in [(0, -1.0), (1, 1.0)] {
                    let own = (at - apart * i as f64).rem_euclid(1.0);
                    // An inhaling cylinder pulls towards a quarter of ambient.
                    let inhaled = if own < 0.25 {
                        150.0 * (r[i] - 0.25)
                    } else {
                        0.0
                    };
                    r[i] += h * (K_PER_S[i] * psi(r[i]) + sign * flow - inhaled);
                }
            }
        }
        out
    }

    /// Both views of a twin that inhales 270 degrees apart; each in its own phase, from its own intake start.
    fn found(kappa: f64, open: bool) -> Vec<CrossFlow> {
        with_views(kappa, 0.375, |views| find(views, PERIOD_S, open))
    }

    fn with_views<T>(kappa: f64, apart: f64, f: impl FnOnce(&[View<'_>]) -> T) -> T {
        let [a, b] = joined(kappa, apart);
        let turned = |v: &[f64], by: f64| -> Average {
            let shift = (by * BINS as f64).round() as usize;
            Average {
                phase: (0..BINS).map(|b| (b as f64 + 0.5) / BINS as f64).collect(),
                ratio: (0..BINS).map(|b| v[(b + shift) % BINS]).collect(),
                band: vec![1e-3; BINS],
                count: vec![50; BINS],
            }
        };
        let (own, others) = (
            [turned(&a, 0.0), turned(&b, apart)],
            [vec![turned(&b, 0.0)], vec![turned(&a, apart)]],
        );
        let views: Vec<View<'_>> = (0..2)
            .map(|i| View {
                own: &own[i],
                others: &others[i],
                window: WINDOW,
            })
            .collect();
        f(&views)
    }

    /// What a hidden pipe does to the ratio of two rates lies within what the rates are widened by; where both
    /// give and take alike it does little, and they are widened little.
    #[test]
    fn a_hidden_pipe_widens_by_what_it_does_to_the_ratio() {
        let of = |apart: f64| {
            with_views(0.1, apart, |views| {
                let found = find(views, PERIOD_S, false);
                assert!(found.iter().all(|c| c.seen == Seen::Hidden), "{found:?}");
                let rates = [0, 1].map(|i| Points::of(&views[i], PERIOD_S)?.rate(0.0));
                let ratio = rates[0].unwrap() / rates[1].unwrap();
                let off = (ratio * K_PER_S[1] / K_PER_S[0]).ln().abs();
                (off, found[0].rate_sd.hypot(found[1].rate_sd))
            })
        };
        let [(uneven, uneven_sd), (even, even_sd)] = [0.375, 0.5].map(of);
        assert!(uneven < 2.0 * uneven_sd, "{uneven} {uneven_sd}");
        assert!(even < 2.0 * even_sd.max(1e-3), "{even} {even_sd}");
        assert!(even_sd < 0.5 * uneven_sd, "{even_sd} {uneven_sd}");
    }

    #[test]
    fn no_pipe_is_no_cross_flow() {
        for c in found(0.0, false) {
            assert_eq!(c.seen, Seen::Hidden);
            assert!(c.rate_sd < 1e-3 && c.rate_change == 1.0, "{c:?}");
        }
    }

    /// `kappa/k` is the pipe's area over the body's; the integral over 4-degree bins costs 2 %.
    #[test]
    fn a_pipe_is_found_and_taken_off() {
        for kappa in [0.5, 1.0, 2.0] {
            let both = found(kappa, false);
            for (c, k) in both.iter().zip(K_PER_S) {
                assert_eq!(c.seen, Seen::Agreed, "{kappa}");
                assert!((c.share * k / kappa - 1.0).abs() < 0.02, "{kappa}: {c:?}");
                assert!((c.rate_change - 1.0).abs() > 0.01, "{c:?}");
            }
        }
    }

    #[test]
    fn a_passage_known_to_be_open_widens_what_is_not_seen() {
        for c in found(0.0, true) {
            assert_eq!(c.seen, Seen::Open);
            assert!((c.rate_sd - OPEN_SD).abs() < 1e-12);
        }
        assert!(found(1.0, true).iter().all(|c| c.seen == Seen::Agreed));
    }

    #[test]
    fn one_body_alone_tells_nothing() {
        assert_eq!(find(&[], PERIOD_S, false), []);
    }

    /// A passage has two ends: seen by one runner and excluded by all others it is none; seen by two, or
    /// by one beside another that cannot tell, it may be.
    #[test]
    fn a_passage_serves_two_runners() {
        let (sees, excludes, cannot_tell) = ((2.0, 0.1, 10.0), (0.0, 0.01, 10.0), (0.0, 1.0, 10.0));
        assert_eq!(served_at_both_ends(&[sees, excludes]), None);
        assert_eq!(served_at_both_ends(&[excludes, sees, excludes]), None);
        assert_eq!(served_at_both_ends(&[excludes, excludes]), None);
        let larger = (3.0, 0.1, 10.0);
        assert_eq!(served_at_both_ends(&[excludes, sees, larger]), Some(0.3));
        assert_eq!(served_at_both_ends(&[sees, cannot_tell]), Some(0.2));
    }
}
