//! What a watcher is shown of the moment.

use evenpull_trace::Notice;

use super::{Follower, LiveCycle};
use crate::snapshot::{BodyNow, Progress};

/// Cycles shown as "now".
const SHOWN_S: f64 = 0.8;
/// Fewest cycles shown as "now".
const SHOWN_LEAST: usize = 3;
impl Follower {
    /// Speed of the last whole cycles [1/min].
    pub fn rpm(&self) -> Option<f64> {
        let rate_hz = self.rate_hz()?;
        let shown = self.shown(rate_hz);
        let n = shown.clone().count() as f64;
        let total: f64 = shown.map(|c| c.length).sum();
        (n > 0.0).then(|| 120.0 * rate_hz * n / total)
    }

    /// The cycles shown as "now": those of the last moment, newest first.
    fn shown(&self, rate_hz: f64) -> impl Iterator<Item = &LiveCycle> + Clone {
        let since = self.ring.end() as f64 - SHOWN_S * rate_hz;
        self.cycles
            .iter()
            .rev()
            .enumerate()
            .take_while(move |(i, c)| *i < SHOWN_LEAST || c.start >= since)
            .map(|(_, c)| c)
    }

    /// Scatter of the speed over the steady stretch, over its mean [-].
    pub fn rpm_scatter(&self) -> Option<f64> {
        (self.stretch.len() > 2)
            .then(|| self.stretch.speed())
            .flatten()
            .map(|(_, scatter)| scatter)
    }

    /// The bodies now.
    pub fn bodies(&self) -> Vec<BodyNow> {
        let setup = &self.expect.setup;
        let rate_hz = self.rate_hz().unwrap_or(1.0);
        setup
            .bodies
            .iter()
            .enumerate()
            .map(|(b, body)| {
                let zero_pa = body.zero_pa.unwrap_or(0.0);
                let depression = |pa: f64| (setup.p0_pa - pa + zero_pa) / 1e3;
                let means: Vec<f64> = self
                    .shown(rate_hz)
                    .map(|c| depression(c.mean_pa[b]))
                    .filter(|d| d.is_finite())
                    .collect();
                let live = self.pace[b].is_some() && !means.is_empty();
                let n = means.len() as f64;
                let mean = means.iter().sum::<f64>() / n;
                let scatter = (means.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / n).sqrt();
                let now = self.ring.last(b, 1).first().map(|p| f64::from(*p));
                let area = self.areas.as_ref().and_then(|a| a.channels.get(b));
                BodyNow {
                    body: body.body.clone(),
                    now_kpa: now.filter(|p| p.is_finite()).map(|p| (p - zero_pa) / 1e3),
                    depression_kpa: live.then_some(mean),
                    depression_scatter_kpa: (live && n > 1.0).then_some(scatter),
                    zero_kpa: body.zero_pa.map(|z| z / 1e3),
                    refill_rate_per_s: area
                        .map(|a| a.refill_rate_per_s)
                        .filter(|k| k.value.is_finite()),
                    through_area_mm2: area.and_then(|a| a.through_area_mm2),
                    drawn_air_mg: area.and_then(|a| a.drawn_air_mg),
                }
            })
            .collect()
    }

    /// How far the reading has come.
    pub fn progress(&self) -> Progress {
        Progress {
            cycles: self.stretch.len().min(self.expect.gates.cycles),
            needed: self.expect.gates.cycles,
            missing: self.missing(),
            armed: self.armed,
            refused: self.refused.clone(),
        }
    }

    /// Doubts about what is being read now.
    pub fn notices(&self) -> Vec<Notice> {
        let areas = self.areas.iter().flat_map(|a| &a.notices);
        // The countdown says how many cycles there are.
        let areas = areas.filter(|n| n.code != "few-cycles").cloned();
        let own = self.mapping.iter().chain(&self.trouble).cloned();
        own.chain(areas).collect()
    }

    /// Body that each trace sits on by the firing intervals of the last seconds.
    pub fn traces_on(&self) -> Option<&[usize]> {
        self.areas.as_ref().map(|a| a.traces_on.as_slice())
    }

    /// Readings accepted so far.
    pub fn accepted(&self) -> u64 {
        self.accepted
    }
}

/// (max - min)/mean over the bodies that are alive [-]; `None` unless all are.
pub(crate) fn spread(bodies: &[BodyNow]) -> Option<f64> {
    let all: Option<Vec<f64>> = bodies.iter().map(|b| b.depression_kpa).collect();
    let all = all.filter(|a| a.len() > 1)?;
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for d in &all {
        low = low.min(*d);
        high = high.max(*d);
    }
    let mean = all.iter().sum::<f64>() / all.len() as f64;
    (mean > 0.0).then(|| (high - low) / mean)
}
