//! Through-areas of every body in every reading from what is unknown.
//!
//! `A = s [Cd A_plate(theta) + leak + bleed + valve/N] + heat`, `theta` by the linkage: a rigid rod
//! carries both plates by the most open stop, a one-way link lets the drive lift the follower.

use std::cell::Cell;

use evenpull_airflow::{Discharge, Plate, PlateError};
use evenpull_job::{CouplingLaw, Profile};

use crate::evidence::Evidence;
use crate::posterior::VALVE_PLACE;

/// Rounding of the corner where one stop takes over from another [deg]; keeps derivatives.
const CORNER_DEG: f64 = 0.02;

/// Where each unknown stands in the parameter vector.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Space {
    pub(crate) bodies: usize,
    pub(crate) couplings: usize,
    /// Parameter of the commanded opening of each reading, `None` at the stop.
    pub(crate) command: Vec<Option<usize>>,
    /// Parameter of the idle valve's place in each reading, `None` where its steps are known or
    /// there is no valve to let air in.
    pub(crate) place: Vec<Option<usize>>,
    /// First jitter parameter, one per reading.
    jitter: usize,
    len: usize,
}

impl Space {
    /// Logarithm of the common scale V/n over its nominal.
    pub(crate) const LN_SCALE: usize = 0;
    /// Change of that logarithm per logarithm of speed over idle speed.
    pub(crate) const TILT: usize = 1;
    /// Wall heat as an added area [mm2].
    pub(crate) const HEAT: usize = 2;
    /// Logarithm of the idle valve's area per step over the profile's.
    pub(crate) const LN_VALVE: usize = 3;
    /// Shut angle over the profile's [deg].
    pub(crate) const SHUT: usize = 4;
    /// Throttle sensor's zero over the profile's [V].
    pub(crate) const ZERO_V: usize = 5;
    /// Logarithm of the plates' discharge over the profile's; leaks and bleeds do not share it.
    pub(crate) const LN_DISCHARGE: usize = 6;
    /// Logarithm of how depression changes with area over the filling model's figure.
    pub(crate) const LN_SLOPE: usize = 7;
    const FIXED: usize = 8;

    pub(crate) fn new(profile: &Profile, evidence: &Evidence) -> Self {
        let (bodies, couplings) = (profile.bodies().len(), profile.couplings.len());
        let mut next = Self::FIXED + 6 * bodies + 2 * couplings;
        let command = evidence
            .points
            .iter()
            .map(|p| {
                (!p.at_stop()).then(|| {
                    next += 1;
                    next - 1
                })
            })
            .collect();
        let place = places(profile, evidence, &mut next);
        let jitter = next;
        Self {
            bodies,
            couplings,
            command,
            place,
            jitter,
            len: next + evidence.points.len(),
        }
    }

    /// Number of parameters.
    pub(crate) fn len(&self) -> usize {
        self.len
    }

    /// Stop of body `b` over the baseline [deg].
    pub(crate) fn stop(&self, b: usize) -> usize {
        Self::FIXED + b
    }

    /// Leak of body `b` [mm2].
    pub(crate) fn leak(&self, b: usize) -> usize {
        Self::FIXED + self.bodies + b
    }

    /// Logarithm of the bleed's area per turn of body `b` over the profile's.
    pub(crate) fn ln_bleed(&self, b: usize) -> usize {
        Self::FIXED + 2 * self.bodies + b
    }

    /// Gauge on body `b` over the gauge on the first [kPa].
    pub(crate) fn gauge(&self, b: usize) -> usize {
        Self::FIXED + 3 * self.bodies + b
    }

    /// Pressure sensor on body `b` over the sensor on the first, since they were zeroed [kPa].
    pub(crate) fn sensor(&self, b: usize) -> usize {
        Self::FIXED + 4 * self.bodies + b
    }

    /// Logarithm of the gain of the sensor on body `b` over that on the first.
    pub(crate) fn ln_gain(&self, b: usize) -> usize {
        Self::FIXED + 5 * self.bodies + b
    }

    /// Error of coupling `c`: driven plate over driving plate [deg].
    pub(crate) fn link(&self, c: usize) -> usize {
        Self::FIXED + 6 * self.bodies + c
    }

    /// Logarithm of what a turn of coupling `c`'s adjuster does over the profile's figure.
    pub(crate) fn ln_per_turn(&self, c: usize) -> usize {
        Self::FIXED + 6 * self.bodies + self.couplings + c
    }

    /// Relative change of the suspect's leak in reading `j` against its mean [-].
    pub(crate) fn jitter(&self, j: usize) -> usize {
        self.jitter + j
    }
}

/// One unknown place of the idle valve per idle reading without steps; off idle the valve stays
/// where the last idle left it.
fn places(profile: &Profile, evidence: &Evidence, next: &mut usize) -> Vec<Option<usize>> {
    let mut last = None;
    evidence
        .points
        .iter()
        .map(|p| {
            if profile.idle_valve.is_none() || p.steps.is_some() || p.valve_pinched {
                return None;
            }
            if p.at_stop() || last.is_none() {
                last = Some(*next);
                *next += 1;
            }
            last
        })
        .collect()
}

/// The forward model of one job.
#[derive(Debug, Clone)]
pub(crate) struct Model<'a> {
    pub(crate) profile: &'a Profile,
    pub(crate) space: Space,
    /// Couplings that drive body `b` and are driven by it.
    driven_by: Vec<Option<usize>>,
    order: Vec<usize>,
    /// Body whose leak may change from reading to reading (worn spindle).
    pub(crate) suspect: Option<usize>,
    /// Geometry last used with its shut angle [deg]; making one costs more than using it.
    plate: Cell<Option<(f64, Plate)>>,
}

impl<'a> Model<'a> {
    pub(crate) fn new(profile: &'a Profile, evidence: &Evidence) -> Self {
        let n = profile.bodies().len();
        let mut driven_by = vec![None; n];
        for (c, coupling) in profile.couplings.iter().enumerate() {
            for &b in &coupling.driven {
                driven_by[b] = Some(c);
            }
        }
        // Drivers before what they drive; the job crate has refused loops.
        let mut order: Vec<usize> = (0..n).filter(|&b| driven_by[b].is_none()).collect();
        let mut at = 0;
        while at < order.len() {
            let b = order[at];
            for c in profile.couplings.iter().filter(|c| c.driver == b) {
                let new: Vec<usize> = c
                    .driven
                    .iter()
                    .copied()
                    .filter(|d| !order.contains(d))
                    .collect();
                order.extend(new);
            }
            at += 1;
        }
        Self {
            profile,
            space: Space::new(profile, evidence),
            driven_by,
            order,
            suspect: None,
            plate: Cell::new(None),
        }
    }

    /// Plate openings [deg above shut] of reading `j`.
    pub(crate) fn openings_deg(&self, p: &[f64], evidence: &Evidence, j: usize) -> Vec<f64> {
        let turned_since = &evidence.points[j].turned_since;
        let links: Vec<f64> = turned_since
            .iter()
            .enumerate()
            .map(|(c, turns)| p[self.space.link(c)] - turns * self.deg_per_turn(p, c))
            .collect();
        self.openings_with(p, self.space.command[j].map(|i| p[i]), &links)
    }

    /// Couplings in the order of their drivers from the undriven plates on.
    pub(crate) fn drivers_first(&self) -> Vec<usize> {
        let place = |b: usize| self.order.iter().position(|&x| x == b);
        let mut all: Vec<usize> = (0..self.space.couplings).collect();
        all.sort_by_key(|&c| place(self.profile.couplings[c].driver));
        all
    }

    /// What a turn of coupling `c`'s adjuster moves its plates [deg].
    pub(crate) fn deg_per_turn(&self, p: &[f64], c: usize) -> f64 {
        self.profile.couplings[c].deg_per_turn * p[self.space.ln_per_turn(c)].exp()
    }

    /// Plate openings as the links stand now, for a commanded opening of the undriven plates;
    /// `None`: throttle shut.
    pub(crate) fn openings_for(&self, p: &[f64], command_deg: Option<f64>) -> Vec<f64> {
        let links: Vec<f64> = (0..self.space.couplings)
            .map(|c| p[self.space.link(c)])
            .collect();
        self.openings_with(p, command_deg, &links)
    }

    fn openings_with(&self, p: &[f64], command_deg: Option<f64>, links: &[f64]) -> Vec<f64> {
        let n = self.space.bodies;
        let base = self.profile.body.stop_opening_deg;
        // What each body's own stop, and those that hold it up through rigid rods, ask of it.
        let mut held: Vec<f64> = (0..n).map(|b| base + p[self.space.stop(b)]).collect();
        for &b in self.order.iter().rev() {
            if let Some(c) = self.driven_by[b]
                && self.profile.couplings[c].law == CouplingLaw::Rigid
            {
                let driver = self.profile.couplings[c].driver;
                held[driver] = larger(held[driver], held[b] - links[c]);
            }
        }
        let mut open = vec![0.0; n];
        for &b in &self.order {
            open[b] = match self.driven_by[b] {
                None => command_deg.map_or(held[b], |c| larger(held[b], c)),
                Some(c) => {
                    let coupling = &self.profile.couplings[c];
                    let carried = open[coupling.driver] + links[c];
                    match coupling.law {
                        CouplingLaw::Rigid => carried,
                        CouplingLaw::OneWay => larger(held[b], carried),
                    }
                }
            };
        }
        open
    }

    /// Effective area of a plate at an opening [mm2].
    pub(crate) fn plate_mm2(&self, p: &[f64], opening_deg: f64) -> f64 {
        let body = &self.profile.body;
        let shut = body.shut_angle_deg + p[Space::SHUT];
        let kept = self.plate.get().filter(|(at, _)| *at == shut);
        let geometry = match kept {
            Some((_, plate)) => plate,
            None => {
                let Ok(plate) = plate(body.bore_mm, body.spindle_mm, shut) else {
                    return f64::NAN;
                };
                self.plate.set(Some((shut, plate)));
                plate
            }
        };
        p[Space::LN_DISCHARGE].exp() * through_mm2(&geometry, &body.discharge, opening_deg)
    }

    /// Bleed of body `b` at the given turns [mm2].
    pub(crate) fn bleed_mm2(&self, p: &[f64], b: usize, turns: f64) -> f64 {
        let per_turn = self.profile.bleed.map_or(0.0, |x| x.area_mm2_per_turn);
        turns * per_turn * p[self.space.ln_bleed(b)].exp()
    }

    /// Area that all bodies together have on a sound machine at idle, bleeds half a turn open and the
    /// idle valve at its usual place [mm2].
    pub(crate) fn needed_mm2(&self) -> f64 {
        let profile = self.profile;
        let plain = vec![0.0; self.space.len()];
        let plate = self.plate_mm2(&plain, profile.body.stop_opening_deg);
        let bleed = profile.bleed.map_or(0.0, |b| 0.5 * b.area_mm2_per_turn);
        let valve = profile.idle_valve.map_or(0.0, |v| {
            VALVE_PLACE.0 * f64::from(v.steps) * v.area_mm2_per_step
        });
        self.space.bodies as f64 * (plate + 0.35 + bleed) + valve
    }

    /// Steps of the idle valve in reading `j`: as read, else as guessed.
    fn steps(&self, p: &[f64], evidence: &Evidence, j: usize) -> Option<f64> {
        let travel = f64::from(self.profile.idle_valve?.steps);
        evidence.points[j]
            .steps
            .or_else(|| self.space.place[j].map(|i| p[i] * travel))
    }

    /// True through-areas of all bodies in reading `j` of the evidence, without heat [mm2].
    pub(crate) fn areas_mm2(&self, p: &[f64], evidence: &Evidence, j: usize) -> Vec<f64> {
        let point = &evidence.points[j];
        let steps = self.steps(p, evidence, j);
        let valve = match (self.profile.idle_valve, steps, point.valve_pinched) {
            (Some(v), Some(steps), false) => {
                steps * v.area_mm2_per_step * p[Space::LN_VALVE].exp() / self.space.bodies as f64
            }
            _ => 0.0,
        };
        self.openings_deg(p, evidence, j)
            .iter()
            .enumerate()
            .map(|(b, &open)| {
                let jitter = if self.suspect == Some(b) {
                    1.0 + p[self.space.jitter(j)]
                } else {
                    1.0
                };
                self.plate_mm2(p, open)
                    + p[self.space.leak(b)] * jitter
                    + self.bleed_mm2(p, b, point.bleed_turns[b])
                    + valve
            })
            .collect()
    }

    /// Logarithms of the areas the refill clock would show [mm2].
    pub(crate) fn ln_shown(&self, p: &[f64], evidence: &Evidence, j: usize) -> Vec<f64> {
        let speed = (evidence.points[j].rpm / self.profile.engine.idle_rpm).ln();
        let scale = p[Space::LN_SCALE] + p[Space::TILT] * speed;
        self.areas_mm2(p, evidence, j)
            .iter()
            .enumerate()
            .map(|(b, a)| scale + p[self.space.ln_gain(b)] + (a + p[Space::HEAT]).max(1e-3).ln())
            .collect()
    }
}

/// The plate of a body [mm, deg].
fn plate(bore_mm: f64, spindle_mm: f64, shut_deg: f64) -> Result<Plate, PlateError> {
    Plate::new(bore_mm * 1e-3, spindle_mm * 1e-3, shut_deg.to_radians())
}

fn through_mm2(plate: &Plate, discharge: &Discharge, opening_deg: f64) -> f64 {
    let rad = opening_deg.to_radians();
    // Below shut nothing flows through the plate; a slope there keeps the fit from sticking.
    discharge.at(rad.max(0.0)) * plate.area_m2(rad) * 1e6 + 0.5 * opening_deg.min(0.0)
}

/// The larger of two openings with a rounded corner.
fn larger(a: f64, b: f64) -> f64 {
    0.5 * (a + b + ((a - b).powi(2) + CORNER_DEG.powi(2)).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use evenpull_job::builtin;

    fn no_evidence() -> Evidence {
        Evidence {
            points: Vec::new(),
            crossed: 0,
            plumbing_checked: 0,
            cross_flow: false,
            bleeds_assumed: false,
            gauges_checked: false,
        }
    }

    fn profile(index: usize, law: &str) -> Profile {
        let text = builtin()[index]
            .toml
            .replace("\"rigid\"", &format!("\"{law}\""));
        Profile::from_toml("p", &text).unwrap()
    }

    /// Within the rounding of the corner.
    fn near(a: f64, b: f64) {
        assert!((a - b).abs() < 1.5 * CORNER_DEG, "{a} {b}");
    }

    #[test]
    fn a_rigid_rod_carries_both_plates_by_the_most_open_stop() {
        let profile = profile(0, "rigid");
        let model = Model::new(&profile, &no_evidence());
        let base = profile.body.stop_opening_deg;
        let mut p = vec![0.0; model.space.len()];
        let driven = profile.couplings[0].driven[0];
        p[model.space.stop(driven)] = 0.5;
        for open in model.openings_for(&p, None) {
            near(open, base + 0.5);
        }
        // Backed out it changes nothing while the other carries.
        p[model.space.stop(driven)] = -0.5;
        for open in model.openings_for(&p, None) {
            near(open, base);
        }
        // A link error stays, at the stop and off it.
        p[model.space.link(0)] = 0.3;
        for command in [None, Some(8.0)] {
            let open = model.openings_for(&p, command);
            near(open[driven] - open[profile.couplings[0].driver], 0.3);
        }
    }

    #[test]
    fn a_one_way_follower_shows_its_stop_at_idle_only() {
        let profile = profile(0, "one-way");
        let model = Model::new(&profile, &no_evidence());
        let base = profile.body.stop_opening_deg;
        let mut p = vec![0.0; model.space.len()];
        let (drive, driven) = (profile.couplings[0].driver, profile.couplings[0].driven[0]);
        p[model.space.stop(driven)] = 0.6;
        let idle = model.openings_for(&p, None);
        near(idle[driven], base + 0.6);
        near(idle[drive], base);
        let off = model.openings_for(&p, Some(6.0));
        near(off[driven], 6.0);
        // The drive plate lifts the follower.
        p[model.space.stop(driven)] = 0.0;
        p[model.space.stop(drive)] = 0.4;
        near(model.openings_for(&p, None)[driven], base + 0.4);
    }

    #[test]
    fn larger_linkages_follow_their_couplings() {
        for index in [3, 4] {
            let profile = profile(index, "rigid");
            let model = Model::new(&profile, &no_evidence());
            let mut p = vec![0.0; model.space.len()];
            for c in 0..profile.couplings.len() {
                p[model.space.link(c)] = 0.1 * (c + 1) as f64;
            }
            let open = model.openings_for(&p, Some(9.0));
            for (c, coupling) in profile.couplings.iter().enumerate() {
                for &b in &coupling.driven {
                    near(open[b] - open[coupling.driver], 0.1 * (c + 1) as f64);
                }
            }
        }
    }
}
