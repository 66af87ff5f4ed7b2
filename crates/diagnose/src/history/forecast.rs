//! When a limit is reached.
//!
//! From level, rate and irregularity of each component, drawn together: a walk with drift b and variance
//! q^2 per unit first passes a distance d after an inverse-Gaussian time of mean `d / b` and shape
//! `d^2 / q^2`. Draws that do not go towards the limit never reach it; the interval is open above then.

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{InverseGaussian, StandardNormal};

use super::wear::Ahead;
use super::{Axis, Limit, PastVisit};
use crate::assessment::Interval;

/// Draws.
const DRAWS: usize = 2_000;

/// Seed of them; the answer to the same visits is the same.
const SEED: u64 = 0x5eed_0002;

/// When a limit is reached.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Forecast {
    /// The limit that is run into, in the quantity's unit.
    pub limit: f64,
    /// Odometer then [km]; infinite above where more than one draw in twenty never reaches it.
    /// `None` where the history runs over time.
    pub distance_km: Option<Interval>,
    /// Day then, counted as the visits' days; at the pace of the visits so far.
    pub day: Interval,
}

/// Units of x until the limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Reached {
    limit: f64,
    units: Interval,
}

/// How far it is to the limit that the rate leads to; `None` if there is none that way.
pub(super) fn reached(ahead: &[Ahead], rate: Interval, limit: Limit) -> Option<Reached> {
    let end = if rate.value > 0.0 { limit.hi } else { limit.lo }?;
    let sign = rate.value.signum();
    let mut rng = StdRng::seed_from_u64(SEED);
    let whole: f64 = ahead.iter().map(|a| a.weight).sum();
    let (mut held, mut components) = (0.0, ahead.iter());
    let mut a = components.next()?;
    held += a.weight;
    let mut units: Vec<f64> = Vec::with_capacity(DRAWS);
    for i in 0..DRAWS {
        // Even steps through the weights, so that light components have their share.
        let below = whole * (i as f64 + 0.5) / DRAWS as f64;
        while held < below {
            let Some(next) = components.next() else { break };
            a = next;
            held += a.weight;
        }
        let (z0, z1): (f64, f64) = (rng.sample(StandardNormal), rng.sample(StandardNormal));
        let level_sd = a.level_var.max(1e-300).sqrt();
        let slope = a.covariance / level_sd;
        let left = (a.rate_var - slope * slope).max(0.0).sqrt();
        let level = a.level + level_sd * z0;
        let rate = sign * (a.rate + slope * z0 + left * z1);
        let way = sign * (end - level);
        units.push(match (way <= 0.0, rate > 0.0) {
            (true, _) => 0.0,
            (_, false) => f64::INFINITY,
            _ if a.walk2 <= 0.0 => way / rate,
            _ => InverseGaussian::new(way / rate, way * way / a.walk2)
                .map_or(way / rate, |d| rng.sample(d)),
        });
    }
    units.sort_by(f64::total_cmp);
    let at = |q: f64| {
        units
            .get(((units.len().max(1) - 1) as f64 * q).round() as usize)
            .copied()
    };
    Some(Reached {
        limit: end,
        units: Interval {
            value: at(0.5)?,
            lo90: at(0.05)?,
            hi90: at(0.95)?,
        },
    })
}

impl Reached {
    /// As odometer and day, from the last visit at `last` units.
    pub(super) fn placed(
        self,
        last: f64,
        axis: Axis,
        visits: &[PastVisit],
        seen: &[usize],
    ) -> Forecast {
        let (first_visit, last_visit) = (&visits[seen[0]], &visits[seen[seen.len() - 1]]);
        let on = |i: Interval, from: f64, by: f64| Interval {
            value: from + by * i.value,
            lo90: from + by * i.lo90,
            hi90: from + by * i.hi90,
        };
        let days_per_unit = match axis {
            Axis::Time => axis.unit(),
            Axis::Distance => {
                let days = last_visit.day - first_visit.day;
                let km = last_visit.distance_km.unwrap_or(f64::NAN)
                    - first_visit.distance_km.unwrap_or(f64::NAN);
                axis.unit() * days / km
            }
        };
        Forecast {
            limit: self.limit,
            distance_km: (axis == Axis::Distance)
                .then(|| on(self.units, last * axis.unit(), axis.unit())),
            day: on(self.units, last_visit.day, days_per_unit),
        }
    }
}
