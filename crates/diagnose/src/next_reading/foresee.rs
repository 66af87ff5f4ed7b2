//! What a reading would show on the machine of one draw, with its noise.

use evenpull_job::instrument_on;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

use crate::evidence::{Evidence, GAUGE_SD_KPA};
use crate::model::{Model, Space};
use crate::posterior::{DEPRESSION_SLOPE, Fitted};

/// Noise of one recorded area over another [ln], and of the level of all [ln].
const PAIR_NOISE: f64 = 0.003;
const LEVEL_NOISE: f64 = 0.008;
/// Noise of the throttle sensor [V] and of the idle valve's counter [steps].
const VOLTS_NOISE: f64 = 0.004;
const STEPS_NOISE: f64 = 2.0;
/// Noise of a difference of recorded depressions beyond the areas' [kPa].
const SENSOR_NOISE_KPA: f64 = 0.25;
/// Openings of a sweep over the stop [deg].
const SWEEP_DEG: [f64; 4] = [1.0, 2.0, 3.5, 5.0];
/// Known jet: 1.2 mm bore with a coefficient of 0.8 [mm2].
const JET_MM2: f64 = 0.9;
/// Readings of a repeat after blips.
const REPEATS: usize = 3;

/// Readings whose outcome follows from the forward model.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Foreseen {
    BleedsShut,
    Sweep,
    SwapGauges,
    SwapSensors,
    PinchIdleValve,
    Jet,
    Repeat,
}

/// The shop's channels, as the readings so far show them.
#[derive(Debug, Clone, Copy)]
struct Channels {
    recorded: bool,
    volts: bool,
    steps: bool,
    /// Usual depression [kPa].
    mean_kpa: f64,
    /// Change of the logarithm of an area with its sensor's zero [1/kPa].
    by_zero: f64,
    /// Last idle reading with the bleeds as they stand.
    idle: Option<usize>,
}

/// Mean over the areas read; 0 without any.
fn by_zero(evidence: &Evidence) -> f64 {
    let areas = || {
        evidence
            .points
            .iter()
            .flat_map(|p| p.ln_area.iter().flatten())
    };
    areas().map(|a| a.by_zero).sum::<f64>() / areas().count().max(1) as f64
}

/// Foresees readings on machines of the mixture.
pub(crate) struct Foresight<'a> {
    model: &'a Model<'a>,
    evidence: &'a Evidence,
    channels: Channels,
    rng: StdRng,
}

impl<'a> Foresight<'a> {
    pub(crate) fn new(model: &'a Model<'a>, evidence: &'a Evidence) -> Self {
        let points = &evidence.points;
        let depressions: Vec<f64> = points
            .iter()
            .filter_map(|p| p.depressions_kpa())
            .flatten()
            .copied()
            .collect();
        let mean_kpa = if depressions.is_empty() {
            43.0
        } else {
            depressions.iter().sum::<f64>() / depressions.len() as f64
        };
        let open = |p: &crate::evidence::Point| p.bleed_turns.iter().any(|t| *t > 0.0);
        let idle = (0..points.len())
            .rev()
            .find(|&j| points[j].at_stop() && open(&points[j]))
            .or_else(|| (0..points.len()).rev().find(|&j| points[j].at_stop()));
        Self {
            model,
            evidence,
            channels: Channels {
                recorded: evidence.has_areas(),
                volts: points.iter().any(|p| p.sensor_v.is_some()),
                steps: points.iter().any(|p| p.steps_read),
                mean_kpa,
                by_zero: by_zero(evidence),
                idle,
            },
            rng: StdRng::seed_from_u64(0x0f0e_5ee5),
        }
    }

    fn noise(&mut self, sd: f64) -> f64 {
        sd * self.rng.sample::<f64, _>(StandardNormal)
    }

    /// What would be read; empty where the shop cannot take it.
    pub(crate) fn read(&mut self, what: Foreseen, fitted: &Fitted, p: &[f64]) -> Vec<f64> {
        match what {
            Foreseen::BleedsShut => self.idle(fitted, p, true, false),
            Foreseen::PinchIdleValve => self.idle(fitted, p, false, true),
            Foreseen::Sweep => self.sweep(fitted, p),
            Foreseen::SwapGauges => self.swapped(fitted, p, true),
            Foreseen::SwapSensors => self.swapped(fitted, p, false),
            Foreseen::Jet => self.jet(fitted, p),
            Foreseen::Repeat => self.repeat(fitted, p),
        }
    }

    /// Areas without bleeds and idle valve for plates that stand at `command` [mm2].
    fn own_mm2(&mut self, fitted: &Fitted, p: &[f64], command: Option<f64>) -> Vec<f64> {
        let open = self.model.openings_for(p, command);
        let scatter = self.scatter(fitted);
        open.iter()
            .enumerate()
            .map(|(b, &deg)| {
                let leak = p[self.model.space.leak(b)];
                let factor = match scatter {
                    Some((at, x)) if at == b => (1.0 + x).max(0.1),
                    _ => 1.0,
                };
                self.model.plate_mm2(p, deg) + leak * factor
            })
            .collect()
    }

    /// Body whose leak scatters and by how much this time.
    fn scatter(&mut self, fitted: &Fitted) -> Option<(usize, f64)> {
        let body = fitted.hypothesis.suspect?;
        let prior = fitted.hypothesis.priors[self.model.space.jitter(0)];
        (!prior.is_fixed()).then(|| (body, self.noise(prior.sd)))
    }

    /// Area that the idle valve and its hoses let into each body at the last idle [mm2].
    fn valve_mm2(&self, p: &[f64]) -> f64 {
        let Some(j) = self.channels.idle else {
            return 0.0;
        };
        let turns = &self.evidence.points[j].bleed_turns;
        let open = self.model.openings_for(p, None);
        let with = self.model.areas_mm2(p, self.evidence, j)[0];
        let own = self.model.plate_mm2(p, open[0]) + p[self.model.space.leak(0)];
        (with - own - self.model.bleed_mm2(p, 0, turns[0])).max(0.0)
    }

    fn bleeds_mm2(&self, p: &[f64]) -> Vec<f64> {
        let turns = crate::summary::last_turns(self.evidence, self.model.space.bodies);
        (0..turns.len())
            .map(|b| self.model.bleed_mm2(p, b, turns[b]))
            .collect()
    }

    fn idle(&mut self, fitted: &Fitted, p: &[f64], bleeds_shut: bool, pinched: bool) -> Vec<f64> {
        let mut areas = self.own_mm2(fitted, p, None);
        let bleeds = self.bleeds_mm2(p);
        let n = areas.len() as f64;
        let (mut valve, mut steps) = (self.valve_mm2(p), None);
        if bleeds_shut {
            if !fitted.hypothesis.holds_valve() {
                // The valve takes over what the bleeds let in.
                valve += bleeds.iter().sum::<f64>() / n;
            }
            if let (true, Some(v)) = (self.channels.steps, self.model.profile.idle_valve) {
                let at = n * valve / (v.area_mm2_per_step * p[Space::LN_VALVE].exp());
                steps = Some(at.min(f64::from(v.steps)) + self.noise(STEPS_NOISE));
            }
        } else {
            for (a, bleed) in areas.iter_mut().zip(&bleeds) {
                *a += bleed;
            }
        }
        if pinched {
            valve = 0.0;
        }
        areas.iter_mut().for_each(|a| *a += valve);
        let mut out = self.shown(p, &areas, self.model.profile.engine.idle_rpm, false);
        out.extend(steps);
        out
    }

    fn sweep(&mut self, fitted: &Fitted, p: &[f64]) -> Vec<f64> {
        let base = self.model.profile.body.stop_opening_deg;
        let (valve, bleeds) = (self.valve_mm2(p), self.bleeds_mm2(p));
        let mut out = Vec::new();
        for over in SWEEP_DEG {
            let command = base + over + self.noise(0.1);
            let mut areas = self.own_mm2(fitted, p, Some(command));
            for (a, bleed) in areas.iter_mut().zip(&bleeds) {
                *a += bleed + valve;
            }
            let rpm = self.model.profile.engine.idle_rpm * (1.0 + 0.4 * over);
            out.extend(self.shown(p, &areas, rpm, false));
            if let (true, Some(s)) = (self.channels.volts, self.model.profile.sensor) {
                let open = self.model.openings_for(p, Some(command))[s.body];
                out.push(
                    s.volts_per_deg * (open - base) + p[Space::ZERO_V] + self.noise(VOLTS_NOISE),
                );
            }
        }
        out
    }

    /// What areas look like to the shop's instruments, on their own bodies or `swapped`.
    fn shown(&mut self, p: &[f64], areas: &[f64], rpm: f64, swapped: bool) -> Vec<f64> {
        let space = &self.model.space;
        let on = |b: usize| instrument_on(b, areas.len(), swapped);
        let mut out = Vec::new();
        if !self.channels.recorded {
            for b in 1..areas.len() {
                let error = p[space.gauge(on(b))] - p[space.gauge(on(0))];
                out.push(self.apart_kpa(p, areas, b) + error);
            }
            out.iter_mut()
                .for_each(|x| *x += GAUGE_SD_KPA * self.rng.sample::<f64, _>(StandardNormal));
            return out;
        }
        let heat = p[Space::HEAT];
        for b in 1..areas.len() {
            let shows = |b: usize| p[space.ln_gain(b)] + self.channels.by_zero * p[space.sensor(b)];
            let instruments = shows(on(b)) - shows(on(0));
            out.push(((areas[b] + heat) / (areas[0] + heat)).ln() + instruments);
        }
        out.iter_mut()
            .for_each(|x| *x += PAIR_NOISE * self.rng.sample::<f64, _>(StandardNormal));
        let speed = (rpm / self.model.profile.engine.idle_rpm).ln();
        let level = p[Space::LN_SCALE] + p[Space::TILT] * speed + (areas[0] + heat).max(1e-3).ln();
        out.push(level + self.noise(LEVEL_NOISE));
        out
    }

    /// Depression of body `b` over the first by their areas [kPa].
    fn apart_kpa(&self, p: &[f64], areas: &[f64], b: usize) -> f64 {
        let slope = DEPRESSION_SLOPE * p[Space::LN_SLOPE].exp() * self.channels.mean_kpa;
        -slope * (areas[b] / areas[0]).ln()
    }

    fn swapped(&mut self, fitted: &Fitted, p: &[f64], gauges: bool) -> Vec<f64> {
        if gauges == self.channels.recorded {
            return Vec::new();
        }
        let mut areas = self.own_mm2(fitted, p, None);
        let (valve, bleeds) = (self.valve_mm2(p), self.bleeds_mm2(p));
        for (a, bleed) in areas.iter_mut().zip(&bleeds) {
            *a += bleed + valve;
        }
        let rpm = self.model.profile.engine.idle_rpm;
        let mut out = self.shown(p, &areas, rpm, true);
        if !gauges {
            let space = &self.model.space;
            for b in 1..areas.len() {
                let on = |b: usize| instrument_on(b, areas.len(), true);
                let error = p[space.sensor(on(0))] - p[space.sensor(on(b))];
                let breathing = p[space.breathing(b)] - p[space.breathing(0)];
                let read = self.apart_kpa(p, &areas, b) + error - breathing;
                out.push(read + self.noise(SENSOR_NOISE_KPA));
            }
        }
        out
    }

    /// How far a jet of known area moves the area of the first body.
    fn jet(&mut self, fitted: &Fitted, p: &[f64]) -> Vec<f64> {
        if !self.channels.recorded {
            return Vec::new();
        }
        let own = self.own_mm2(fitted, p, None)[0];
        let area = own + self.bleeds_mm2(p)[0] + self.valve_mm2(p) + p[Space::HEAT];
        vec![((area + JET_MM2) / area).ln() + self.noise(PAIR_NOISE)]
    }

    /// Logarithm of the scatter of repeated idle readings.
    fn repeat(&mut self, fitted: &Fitted, p: &[f64]) -> Vec<f64> {
        let all: Vec<f64> = (0..REPEATS)
            .filter_map(|_| self.idle(fitted, p, false, false).first().copied())
            .collect();
        let mean = all.iter().sum::<f64>() / all.len().max(1) as f64;
        let square: f64 = all.iter().map(|x| (x - mean).powi(2)).sum();
        vec![0.5 * square.max(1e-12).ln()]
    }
}
