//! Through-areas of every body in every reading from what is unknown.
//!
//! `A = s [Cd A_plate(theta) + leak + bleed + valve/N] + heat`, `theta` by the linkage: a rigid rod
//! carries both plates by the most open stop, a one-way link lets the drive lift the follower.

use std::cell::Cell;

use evenpull_airflow::{Discharge, Plate, PlateError};
use evenpull_fit::Real;
use evenpull_job::{CouplingLaw, Profile};

use crate::evidence::{Evidence, Screw, Turn};

/// Rounding of the corner where one stop takes over from another [deg]; keeps derivatives.
pub(crate) const CORNER_DEG: f64 = 0.02;

/// Leak past the spindle of a sound body and its spread [mm2].
///
/// Assumed: 0.2 to 0.5 mm2, one as likely as the other, so 0.3/sqrt(12) of spread, as 1.3 mm2 a bush at
/// 0.10 mm of clearance (filling model) leaves a few hundredths of clearance to sound bushes. Wider, the
/// stated intervals of leaks come out too wide.
pub(crate) const SOUND_LEAK_MM2: (f64, f64) = (0.35, 0.087);

/// Repeatability of the throttle sensor within one visit, shut or held [V]; common practice (5-10 mV
/// between the extremes), no source.
pub(crate) const SENSOR_SD_V: f64 = 0.004;

/// Spread of the hot idle valve's place over machines, in its travel (20-40 % is usual; from memory),
/// with what plates and bleeds differ from their profile by.
pub(crate) const VALVE_PLACE: (f64, f64) = (0.3, 0.12);

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
    /// First parameter of what turns came out beyond what was noted, one per turn.
    slip: usize,
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
    /// Air that a common idle-air hose lets in beside the valve, all bodies together [mm2].
    pub(crate) const HOSE: usize = 8;
    /// 1 where the idle valve stays put whatever its steps say, else 0; never free.
    pub(crate) const HOLDS: usize = 9;
    /// Where it stays, in its travel.
    pub(crate) const HELD: usize = 10;
    /// Air that the engine asks for at idle beyond a usual one, in the valve's travel.
    pub(crate) const NEED: usize = 11;
    /// Logarithm of the throttle sensor's scatter over a sound one's; never free.
    pub(crate) const LN_VOLTS_SD: usize = 12;
    /// All stops over the baseline alike, beside each one's own [deg].
    pub(crate) const STOPS: usize = 13;
    /// 1 where the runners are taken to fill each other through passages that nobody named, else 0; never
    /// free.
    pub(crate) const JOINED: usize = 14;
    const FIXED: usize = 15;
    const PER_BODY: usize = 8;

    pub(crate) fn new(profile: &Profile, evidence: &Evidence) -> Self {
        let (bodies, couplings) = (profile.bodies().len(), profile.couplings.len());
        let mut next = Self::FIXED + Self::PER_BODY * bodies + 2 * couplings;
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
            slip: jitter + evidence.points.len(),
            len: jitter + evidence.points.len() + evidence.turns.len(),
        }
    }

    /// Number of parameters.
    pub(crate) fn len(&self) -> usize {
        self.len
    }

    /// True for an unknown of the machine, which stays from visit to visit unless somebody touches it; false
    /// for those of a visit: its readings, instruments and turns, the place of the valve.
    pub(crate) fn is_of_the_machine(&self, i: usize) -> bool {
        let of_visit = [Self::HOSE, Self::HOLDS, Self::HELD, Self::LN_VOLTS_SD];
        let instrument = |b: usize| [self.gauge(b), self.sensor(b), self.ln_gain(b)].contains(&i);
        let end = Self::FIXED + Self::PER_BODY * self.bodies + 2 * self.couplings;
        i < end && !of_visit.contains(&i) && !(0..self.bodies).any(instrument)
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

    /// Depression that valves and pipes of body `b` leave over the first at one area [kPa].
    pub(crate) fn breathing(&self, b: usize) -> usize {
        Self::FIXED + 6 * self.bodies + b
    }

    /// Twist of the plate of body `b` on a shaft that carries them all, over the first [deg].
    pub(crate) fn twist(&self, b: usize) -> usize {
        Self::FIXED + 7 * self.bodies + b
    }

    /// Error of coupling `c`: driven plate over driving plate [deg].
    pub(crate) fn link(&self, c: usize) -> usize {
        Self::FIXED + Self::PER_BODY * self.bodies + c
    }

    /// Logarithm of what a turn of coupling `c`'s adjuster does over the profile's figure.
    pub(crate) fn ln_per_turn(&self, c: usize) -> usize {
        Self::FIXED + Self::PER_BODY * self.bodies + self.couplings + c
    }

    /// Relative change of the suspect's leak in reading `j` against its mean [-].
    pub(crate) fn jitter(&self, j: usize) -> usize {
        self.jitter + j
    }

    /// What turn `i` of the evidence came out beyond what was noted [turns].
    pub(crate) fn slip(&self, i: usize) -> usize {
        self.slip + i
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
    turns: Vec<Turn>,
    /// Body whose leak may change from reading to reading (worn spindle).
    pub(crate) suspect: Option<usize>,
    /// Geometry last used with its shut angle [deg]; making one costs more than using it, and one
    /// set of unknowns has one.
    plate: Cell<Option<(f64, Plate)>>,
    needed_mm2: f64,
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
        let mut model = Self {
            profile,
            space: Space::new(profile, evidence),
            driven_by,
            order,
            turns: evidence.turns.clone(),
            suspect: None,
            plate: Cell::new(None),
            needed_mm2: 0.0,
        };
        model.needed_mm2 = model.sound_idle_mm2();
        model
    }

    /// Area that all bodies together have on a sound machine at idle, bleeds half a turn open and the
    /// idle valve at its usual place [mm2].
    pub(crate) fn needed_mm2(&self) -> f64 {
        self.needed_mm2
    }

    /// The same worked out; it is constant, so that happens once.
    fn sound_idle_mm2(&self) -> f64 {
        let profile = self.profile;
        let plain = vec![0.0; self.space.len()];
        let plate = self.plate_mm2(&plain, profile.body.stop_opening_deg);
        let bleed = profile.bleed.map_or(0.0, |b| 0.5 * b.area_mm2_per_turn);
        let valve = profile.idle_valve.map_or(0.0, |v| {
            VALVE_PLACE.0 * f64::from(v.steps) * v.area_mm2_per_step
        });
        self.space.bodies as f64 * (plate + SOUND_LEAK_MM2.0 + bleed) + valve
    }

    /// Plate openings [deg above shut] of reading `j`.
    pub(crate) fn openings_deg<S: Real>(&self, p: &[S], evidence: &Evidence, j: usize) -> Vec<S> {
        let links = self.links_deg(p, evidence, j);
        self.openings_with(p, self.space.command[j].map(|i| p[i]), &links)
    }

    /// Plate openings [deg above shut] that reading `j` would have with the throttle let go.
    pub(crate) fn rest_deg<S: Real>(&self, p: &[S], evidence: &Evidence, j: usize) -> Vec<S> {
        self.openings_with(p, None, &self.links_deg(p, evidence, j))
    }

    /// True if body `b` follows the throttle itself, not another plate.
    pub(crate) fn is_undriven(&self, b: usize) -> bool {
        self.driven_by[b].is_none()
    }

    /// Errors of the couplings [deg] in reading `j`, before what was turned since.
    fn links_deg<S: Real>(&self, p: &[S], evidence: &Evidence, j: usize) -> Vec<S> {
        let turned_since = &evidence.points[j].turned_since;
        turned_since
            .iter()
            .enumerate()
            .map(|(c, &turns)| {
                let link = p[self.space.link(c)];
                let slip = self.slips(p, Screw::Balance(c), |before| before > j);
                match (turns == 0.0, slip) {
                    (true, None) => link,
                    (_, None) => link - self.deg_per_turn(p, c) * turns,
                    (_, Some(s)) => link - self.deg_per_turn(p, c) * (s + turns),
                }
            })
            .collect()
    }

    /// Couplings in the order of their drivers from the undriven plates on.
    pub(crate) fn drivers_first(&self) -> Vec<usize> {
        let place = |b: usize| self.order.iter().position(|&x| x == b);
        let mut all: Vec<usize> = (0..self.space.couplings).collect();
        all.sort_by_key(|&c| place(self.profile.couplings[c].driver));
        all
    }

    /// What a turn of coupling `c`'s adjuster moves its plates [deg].
    pub(crate) fn deg_per_turn<S: Real>(&self, p: &[S], c: usize) -> S {
        p[self.space.ln_per_turn(c)].exp() * self.profile.couplings[c].deg_per_turn
    }

    /// Plate openings as the links stand now, for a commanded opening of the undriven plates;
    /// `None`: throttle shut.
    pub(crate) fn openings_for<S: Real>(&self, p: &[S], command_deg: Option<S>) -> Vec<S> {
        let links: Vec<S> = (0..self.space.couplings)
            .map(|c| p[self.space.link(c)])
            .collect();
        self.openings_with(p, command_deg, &links)
    }

    /// Stop of body `b` over the baseline [deg].
    pub(crate) fn stop_deg<S: Real>(&self, p: &[S], b: usize) -> S {
        p[self.space.stop(b)] + p[Space::STOPS]
    }

    fn openings_with<S: Real>(&self, p: &[S], command_deg: Option<S>, links: &[S]) -> Vec<S> {
        let base = self.profile.body.stop_opening_deg;
        if self.profile.one_shaft() {
            let rest = self.stop_deg(p, 0) + base;
            let shaft = command_deg.map_or(rest, |c| larger(rest, c));
            return (0..self.space.bodies)
                .map(|b| shaft + p[self.space.twist(b)])
                .collect();
        }
        // What each body's own stop, and those that hold it up through rigid rods, ask of it.
        let mut held: Vec<S> = (0..self.space.bodies)
            .map(|b| self.stop_deg(p, b) + base)
            .collect();
        for &b in self.order.iter().rev() {
            if let Some(c) = self.driven_by[b]
                && self.profile.couplings[c].law == CouplingLaw::Rigid
            {
                let driver = self.profile.couplings[c].driver;
                held[driver] = larger(held[driver], held[b] - links[c]);
            }
        }
        // Drivers come first, so each is in place before what it carries.
        let mut open = held;
        for &b in &self.order {
            open[b] = match self.driven_by[b] {
                None => command_deg.map_or(open[b], |c| larger(open[b], c)),
                Some(c) => {
                    let coupling = &self.profile.couplings[c];
                    let carried = open[coupling.driver] + links[c];
                    match coupling.law {
                        CouplingLaw::Rigid => carried,
                        CouplingLaw::OneWay => larger(open[b], carried),
                    }
                }
            };
        }
        open
    }

    /// Effective area of a plate at an opening [mm2].
    pub(crate) fn plate_mm2<S: Real>(&self, p: &[S], opening_deg: S) -> S {
        p[Space::LN_DISCHARGE].exp() * self.nominal_plate_mm2(p, opening_deg)
    }

    /// The same with the profile's discharge.
    fn nominal_plate_mm2<S: Real>(&self, p: &[S], opening_deg: S) -> S {
        let body = &self.profile.body;
        let shut = p[Space::SHUT] + body.shut_angle_deg;
        let kept = self.plate.get().filter(|(at, _)| *at == shut.value());
        let geometry = match kept {
            Some((_, plate)) => plate,
            None => {
                let Ok(plate) = plate(body.bore_mm, body.spindle_mm, shut.value()) else {
                    return p[Space::SHUT].constant(f64::NAN);
                };
                self.plate.set(Some((shut.value(), plate)));
                plate
            }
        };
        let (area, by_opening, by_shut) =
            through_mm2(&geometry, &body.discharge, opening_deg.value());
        opening_deg.chain2(shut, area, (by_opening, by_shut))
    }

    /// What the turns of a screw that `counts` picks by the reading after them came out beyond what
    /// was noted [turns]; `None` if there are none.
    fn slips<S: Real>(&self, p: &[S], screw: Screw, counts: impl Fn(usize) -> bool) -> Option<S> {
        let all = self.turns.iter().enumerate();
        all.filter(|(_, t)| t.screw == screw && counts(t.before))
            .map(|(i, _)| p[self.space.slip(i)])
            .reduce(|sum, s| sum + s)
    }

    /// Bleed of body `b` as noted at the given turns after the last reading [mm2].
    pub(crate) fn bleed_mm2<S: Real>(&self, p: &[S], b: usize, turns: f64) -> S {
        self.bleed_after(p, b, turns, usize::MAX)
    }

    /// The same in reading `j`.
    fn bleed_after<S: Real>(&self, p: &[S], b: usize, turns: f64, j: usize) -> S {
        let ln = p[self.space.ln_bleed(b)];
        if turns == 0.0 {
            return ln.constant(0.0);
        }
        match self.slips(p, Screw::Bleed(b), |before| before <= j) {
            None => self.bleed_per_turn_mm2(p, b) * turns,
            Some(s) => self.bleed_per_turn_mm2(p, b) * (s + turns),
        }
    }

    /// Area of one turn of the bleed of body `b` [mm2].
    pub(crate) fn bleed_per_turn_mm2<S: Real>(&self, p: &[S], b: usize) -> S {
        let per_turn = self.profile.bleed.map_or(0.0, |x| x.area_mm2_per_turn);
        p[self.space.ln_bleed(b)].exp() * per_turn
    }

    /// Steps of the idle valve in reading `j`: as read, else as guessed.
    fn steps<S: Real>(&self, p: &[S], evidence: &Evidence, j: usize) -> Option<S> {
        let travel = f64::from(self.profile.idle_valve?.steps);
        match evidence.points[j].steps {
            Some(read) => Some(p[Space::LN_VALVE].constant(read)),
            None => self.space.place[j].map(|i| p[i] * travel),
        }
    }

    /// What comes in through the idle valve and its hoses in reading `j`, all bodies together [mm2].
    fn idle_air_mm2<S: Real>(&self, p: &[S], evidence: &Evidence, j: usize) -> Option<S> {
        let valve = self.profile.idle_valve?;
        let steps = if p[Space::HOLDS].value() > 0.5 {
            Some(p[Space::HELD] * f64::from(valve.steps))
        } else {
            self.steps(p, evidence, j)
        };
        let through = steps.map(|s| p[Space::LN_VALVE].exp() * s * valve.area_mm2_per_step);
        let hose = p[Space::HOSE];
        if hose.value() == 0.0 {
            return through;
        }
        Some(through.map_or(hose, |t| t + hose))
    }

    /// True through-areas of all bodies in reading `j` of the evidence, without heat [mm2].
    pub(crate) fn areas_mm2<S: Real>(&self, p: &[S], evidence: &Evidence, j: usize) -> Vec<S> {
        self.areas_at(p, evidence, j, &self.openings_deg(p, evidence, j))
    }

    /// The same at openings already known [deg].
    pub(crate) fn areas_at<S: Real>(
        &self,
        p: &[S],
        evidence: &Evidence,
        j: usize,
        openings_deg: &[S],
    ) -> Vec<S> {
        let point = &evidence.points[j];
        let valve = (!point.valve_pinched)
            .then(|| self.idle_air_mm2(p, evidence, j))
            .flatten()
            .map(|all| all / self.space.bodies as f64);
        let discharge = p[Space::LN_DISCHARGE].exp();
        openings_deg
            .iter()
            .enumerate()
            .map(|(b, &open)| {
                let leak = p[self.space.leak(b)];
                let leak = if self.suspect == Some(b) {
                    leak * (p[self.space.jitter(j)] + 1.0)
                } else {
                    leak
                };
                let own = discharge * self.nominal_plate_mm2(p, open)
                    + leak
                    + self.bleed_after(p, b, point.bleed_turns[b], j);
                valve.map_or(own, |v| own + v)
            })
            .collect()
    }

    /// Logarithms of the areas the refill clock would show [mm2].
    pub(crate) fn ln_shown<S: Real>(&self, p: &[S], evidence: &Evidence, j: usize) -> Vec<S> {
        self.ln_shown_of(p, evidence, j, &self.areas_mm2(p, evidence, j))
    }

    /// The same of areas already known [mm2].
    pub(crate) fn ln_shown_of<S: Real>(
        &self,
        p: &[S],
        evidence: &Evidence,
        j: usize,
        areas_mm2: &[S],
    ) -> Vec<S> {
        let speed = (evidence.points[j].rpm / self.profile.engine.idle_rpm).ln();
        let scale = p[Space::LN_SCALE] + p[Space::TILT] * speed;
        areas_mm2
            .iter()
            .enumerate()
            .map(|(b, &a)| {
                let sensor = evidence.points[j].instrument_on(b);
                let by_zero = evidence.points[j].ln_area[b].map_or(0.0, |a| a.by_zero);
                let instrument =
                    p[self.space.ln_gain(sensor)] + p[self.space.sensor(sensor)] * by_zero;
                scale + instrument + (a + p[Space::HEAT]).at_least(1e-3).ln()
            })
            .collect()
    }
}

/// The plate of a body [mm, deg].
fn plate(bore_mm: f64, spindle_mm: f64, shut_deg: f64) -> Result<Plate, PlateError> {
    Plate::new(bore_mm * 1e-3, spindle_mm * 1e-3, shut_deg.to_radians())
}

/// Effective area [mm2] at an opening [deg], its slopes by opening and by shut angle [mm2/deg].
fn through_mm2(plate: &Plate, discharge: &Discharge, opening_deg: f64) -> (f64, f64, f64) {
    // Below shut nothing flows through the plate; a slope there keeps the fit from sticking.
    if opening_deg < 0.0 {
        return (0.5 * opening_deg, 0.5, 0.0);
    }
    let rad = opening_deg.to_radians();
    let (cd, cd_slope) = discharge.value_and_slope(rad);
    let (area, by_opening, by_shut) = plate.area_and_slopes(rad);
    let per_deg = 1e6 * 1.0_f64.to_radians();
    (
        cd * area * 1e6,
        (cd * by_opening + cd_slope * area) * per_deg,
        cd * by_shut * per_deg,
    )
}

/// The larger of two openings with a rounded corner.
fn larger<S: Real>(a: S, b: S) -> S {
    let apart = a.value() - b.value();
    let round = (apart.powi(2) + CORNER_DEG.powi(2)).sqrt();
    let share = 0.5 * apart / round;
    let value = 0.5 * (a.value() + b.value() + round);
    a.chain2(b, value, (0.5 + share, 0.5 - share))
}

#[cfg(test)]
mod tests {
    use super::*;
    use evenpull_job::builtin;

    fn no_evidence() -> Evidence {
        Evidence::default()
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
