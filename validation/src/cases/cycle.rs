//! A cylinder's cycles by a general integrator (`odesolvers062`), the engine model against them.
//!
//! The equations are written out here a second time, from their sources and not from the engine's code: masses and
//! energies of runner and cylinder, the orifice law with its true end (no straight strip below the ratio 1), piston
//! travel by its formula (no table), specific heat, burn law and wall heat. Shared are the numbers of the engine
//! alone. Steps are chosen by the integrator's own error control, at a tolerance of 1e-8; every valve event and every
//! angle asked for starts a new integration.

use std::sync::OnceLock;

use evenpull_engine::{
    Basics, CylinderSpec, EngineError, EngineSpec, LiftShape, Setting, Simulation, Valve,
};
use ode_solvers::dop_shared::OutputType;
use ode_solvers::{Dop853, OVector, SVector, System};

use crate::case::{Case, Deviation};
use crate::motored;

/// Mass, energy and burned mass of the runner's gas and of the cylinder's; air drawn; integral of the runner's
/// pressure over the angle; work.
const UNKNOWNS: usize = 9;
type State = SVector<f64, UNKNOWNS>;

/// Relative tolerance, and absolute over the scale of each unknown [-].
const TOLERANCE: f64 = 1e-8;
/// Rows of a cycle in the engine model; the default of its runs.
const ROWS: usize = 720;
/// Angles at which pressures are compared [deg].
const EVERY_DEG: usize = 10;

const GAMMA: f64 = 1.4;

/// One cylinder in one setting.
#[derive(Clone)]
struct Cylinder {
    spec: CylinderSpec,
    r: f64,
    c0: f64,
    c1: f64,
    throttle_m2: f64,
    rad_per_s: f64,
    ambient: (f64, f64),
    exhaust: (f64, f64),
    exhaust_burned: f64,
    /// Size of each unknown, for the tolerance.
    scale: State,
    /// Heat and air of the burn that goes on [J, kg], else zero.
    burn: (f64, f64),
}

/// Mass flow per area [kg/(m2 s)] out of gas at `p`, `t` to `down`.
fn flux(p: f64, t: f64, down: f64, r: f64) -> f64 {
    let ratio = (down / p).max((2.0 / (GAMMA + 1.0)).powf(GAMMA / (GAMMA - 1.0)));
    let part = ratio.powf(2.0 / GAMMA) - ratio.powf((GAMMA + 1.0) / GAMMA);
    p / (r * t).sqrt() * (2.0 * GAMMA / (GAMMA - 1.0) * part.max(0.0)).sqrt()
}

/// Gas that flows: pressure [Pa], temperature [K], burned share [-].
type Gas = (f64, f64, f64);

impl Cylinder {
    fn of(spec: &EngineSpec, setting: &Setting, rpm: f64, throttle_m2: f64) -> Self {
        let (pa, k) = (setting.ambient_pa, setting.ambient_k);
        let mut cylinder = Self {
            spec: spec.cylinders[0].clone(),
            r: spec.gas.r_j_per_kg_k,
            c0: spec.gas.c0_j_per_kg_k,
            c1: spec.gas.c1_j_per_kg_k2,
            throttle_m2,
            rad_per_s: rpm * std::f64::consts::PI / 30.0,
            ambient: (pa, k),
            exhaust: (pa + spec.exhaust.back_pressure_pa, spec.exhaust.t_k),
            exhaust_burned: spec.exhaust.burned,
            scale: State::repeat(1.0),
            burn: (0.0, 0.0),
        };
        let m = pa / (cylinder.r * k) * cylinder.spec.runner_m3;
        let energy = m * cylinder.energy(k);
        cylinder.scale = State::from_column_slice(&[m, energy, m, m, energy, m, m, pa, energy]);
        cylinder
    }

    /// Energy of a kilogram [J/kg] at `t` [K].
    fn energy(&self, t: f64) -> f64 {
        self.c0 * t + 0.5 * self.c1 * t * t
    }

    fn enthalpy(&self, t: f64) -> f64 {
        self.energy(t) + self.r * t
    }

    /// Temperature [K] at the energy `u` [J/kg]: the root of `c1 t^2 / 2 + c0 t - u`.
    fn temperature(&self, u: f64) -> f64 {
        if self.c1 > 0.0 {
            ((self.c0 * self.c0 + 2.0 * self.c1 * u).sqrt() - self.c0) / self.c1
        } else {
            u / self.c0
        }
    }

    /// Volume [m3] and its slope [m3/rad] at `phi` [rad].
    fn volume(&self, phi: f64) -> (f64, f64) {
        let c = &self.spec.crank;
        let piston_m2 = std::f64::consts::PI * c.bore_m.powi(2) / 4.0;
        let (a, l) = (c.stroke_m / 2.0, c.rod_m);
        let clearance = piston_m2 * c.stroke_m / (c.compression_ratio - 1.0);
        let along = (l * l - (a * phi.sin()).powi(2)).sqrt();
        (
            clearance + piston_m2 * (a + l - a * phi.cos() - along),
            piston_m2 * (a * phi.sin() + a * a * phi.sin() * phi.cos() / along),
        )
    }

    /// Mass, enthalpy and burned mass that pass per second from `a` to `b`.
    fn flow(&self, area_m2: f64, a: Gas, b: Gas) -> [f64; 3] {
        let (up, down, sign) = if a.0 >= b.0 {
            (a, b, 1.0)
        } else {
            (b, a, -1.0)
        };
        let kg_s = sign * area_m2 * flux(up.0, up.1, down.0, self.r);
        [kg_s, kg_s * self.enthalpy(up.1), kg_s * up.2]
    }

    /// Heat from the gas to the cylinder's walls [W], Hohenberg 1979 with the pressure in bar.
    fn wall_w(&self, v: f64, p: f64, t: f64) -> f64 {
        self.spec.cylinder_wall.map_or(0.0, |wall| {
            let c = &self.spec.crank;
            let ends_m2 = std::f64::consts::PI * c.bore_m.powi(2) / 2.0;
            let area_m2 = ends_m2 + 4.0 * v / c.bore_m;
            let piston_m_s = c.stroke_m * self.rad_per_s / std::f64::consts::PI;
            let h = 130.0
                * v.powf(-0.06)
                * (p / 1e5).powf(0.8)
                * t.powf(-0.4)
                * (piston_m_s + 1.4).powf(0.8);
            wall.scale * h * area_m2 * (t - wall.t_k)
        })
    }

    /// Start and duration of the burn [deg], from the top of the gas exchange.
    fn burn_deg(&self) -> Option<(f64, f64)> {
        let law = self.spec.heat?;
        let early = self.earliness()?;
        let start_deg = law.late_deg + early * (law.early_deg - law.late_deg);
        Some((360.0 + start_deg, law.duration_deg))
    }

    fn earliness(&self) -> Option<f64> {
        let law = self.spec.heat?;
        let rpm = self.rad_per_s * 30.0 / std::f64::consts::PI;
        Some(((rpm - law.late_rpm) / (law.early_rpm - law.late_rpm)).clamp(0.0, 1.0))
    }

    /// Share of the burn per radian at `phi` [rad], Wiebe's law brought to an integral of 1.
    fn burn_per_rad(&self, phi: f64) -> f64 {
        let (Some(law), Some((from_deg, lasts_deg))) = (self.spec.heat, self.burn_deg()) else {
            return 0.0;
        };
        let y = ((phi.to_degrees() - from_deg) / lasts_deg).clamp(0.0, 1.0);
        let (a, m) = (law.a, law.m);
        let rate = a * (m + 1.0) * y.powf(m) * (-a * y.powf(m + 1.0)).exp();
        rate / (1.0 - (-a).exp()) / lasts_deg.to_radians()
    }

    /// The trapped air decides the heat of the burn that starts.
    fn spark(&mut self, y: &State) {
        if let (Some(law), Some(early)) = (self.spec.heat, self.earliness()) {
            let y = y.component_mul(&self.scale);
            let air_kg = y[3] - y[5];
            let share = law.late_share + early * (1.0 - law.late_share);
            self.burn = (air_kg * share * law.heat_j_per_kg_air, air_kg);
        }
    }

    /// Angles [deg] where the slopes have a kink.
    fn kinks_deg(&self) -> Vec<f64> {
        let mut all = Vec::new();
        for valve in [&self.spec.intake, &self.spec.exhaust] {
            all.extend([valve.opens_deg, valve.closes_deg].map(|deg| deg.rem_euclid(720.0)));
        }
        if let Some((from_deg, lasts_deg)) = self.burn_deg() {
            all.extend([from_deg, from_deg + lasts_deg]);
        }
        all
    }

    fn at_rest(&self) -> State {
        let (p, t) = self.ambient;
        let (m, m_c) = (
            p * self.spec.runner_m3 / (self.r * t),
            p * self.volume(0.0).0 / (self.r * t),
        );
        let u = self.energy(t);
        let mut y = State::zeros();
        (y[0], y[1], y[3], y[4]) = (m, m * u, m_c, m_c * u);
        y.component_div(&self.scale)
    }

    fn runner_pa(&self, y: &State) -> f64 {
        let (m, u) = (y[0] * self.scale[0], y[1] * self.scale[1]);
        m * self.r * self.temperature(u / m) / self.spec.runner_m3
    }
}

/// Effective area of a valve [m2] at `deg` (0 to 720).
fn area_m2(valve: &Valve, deg: f64) -> f64 {
    let part = (deg - valve.opens_deg).rem_euclid(720.0) / (valve.closes_deg - valve.opens_deg);
    if part >= 1.0 {
        return 0.0;
    }
    let sine = (std::f64::consts::PI * part).sin();
    match valve.shape {
        LiftShape::HalfSine => valve.max_area_m2 * sine,
        LiftShape::SineSquared => valve.max_area_m2 * sine * sine,
    }
}

impl System<f64, State> for &Cylinder {
    /// Slopes over the angle `phi` [rad], all over the scales of the unknowns.
    fn system(&self, phi: f64, y: &State, dy: &mut State) {
        let y = y.component_mul(&self.scale);
        let (v, dv) = self.volume(phi);
        let gas = |m: f64, u: f64, b: f64, v: f64| {
            let t = self.temperature(u / m);
            (m * self.r * t / v, t, b / m)
        };
        let runner = gas(y[0], y[1], y[2], self.spec.runner_m3);
        let cylinder = gas(y[3], y[4], y[5], v);
        let deg = phi.to_degrees();
        let ambient = (self.ambient.0, self.ambient.1, 0.0);
        let exhaust = (self.exhaust.0, self.exhaust.1, self.exhaust_burned);
        let drawn = self.flow(self.throttle_m2, ambient, runner);
        let valve = self.flow(area_m2(&self.spec.intake, deg), runner, cylinder);
        let out = self.flow(area_m2(&self.spec.exhaust, deg), cylinder, exhaust);
        let runner_w = self
            .spec
            .runner_wall
            .map_or(0.0, |wall| wall.conductance_w_per_k * (wall.t_k - runner.1));
        let burn_per_s = self.burn_per_rad(phi) * self.rad_per_s;
        let power_w = cylinder.0 * dv * self.rad_per_s;
        let heat_w = self.burn.0 * burn_per_s - self.wall_w(v, cylinder.0, cylinder.1);
        let per_s = State::from_column_slice(&[
            drawn[0] - valve[0],
            drawn[1] - valve[1] + runner_w,
            drawn[2] - valve[2],
            valve[0] - out[0],
            valve[1] - out[1] + heat_w - power_w,
            valve[2] - out[2] + self.burn.1 * burn_per_s,
            drawn[0],
            runner.0 * self.rad_per_s,
            power_w,
        ]);
        *dy = per_s.component_div(&self.scale) / self.rad_per_s;
    }
}

/// What one cycle gives.
struct Cycle {
    /// Runner pressure [Pa] every [`EVERY_DEG`].
    runner_pa: Vec<f64>,
    mean_pa: f64,
    air_kg: f64,
    work_j: f64,
}

/// The last of `cycles` cycles from rest.
fn integrate(cylinder: &mut Cylinder, cycles: usize) -> Cycle {
    let mut stops: Vec<f64> = (0..=720).step_by(EVERY_DEG).map(|deg| deg as f64).collect();
    stops.extend(cylinder.kinks_deg());
    stops.sort_by(f64::total_cmp);
    let is = |a: f64, b: f64| (a - b).abs() < 1e-9;
    stops.dedup_by(|a, b| is(*a, *b));
    let burn_deg = cylinder.burn_deg();
    let mut y = cylinder.at_rest();
    let mut runner_pa = Vec::new();
    for _ in 0..cycles {
        runner_pa.clear();
        y.fixed_rows_mut::<3>(6).fill(0.0);
        for pair in stops.windows(2) {
            if is(pair[0] % EVERY_DEG as f64, 0.0) {
                runner_pa.push(cylinder.runner_pa(&y));
            }
            match burn_deg {
                Some((from_deg, _)) if is(pair[0], from_deg) => cylinder.spark(&y),
                Some((from_deg, lasts_deg)) if is(pair[0], from_deg + lasts_deg) => {
                    cylinder.burn = (0.0, 0.0);
                }
                _ => {}
            }
            y = advance(cylinder, y, pair[0].to_radians(), pair[1].to_radians());
        }
    }
    let total = y.component_mul(&cylinder.scale);
    Cycle {
        runner_pa,
        mean_pa: total[7] / (4.0 * std::f64::consts::PI),
        air_kg: total[6],
        work_j: total[8],
    }
}

/// The state at `to`, no event between [rad].
fn advance(cylinder: &Cylinder, y: State, from: f64, to: f64) -> State {
    // The defaults of `Dop853::new` but for the most steps, and stiffness does not end it: with a valve just open
    // pressures are next to equal, where the law is steepest, and short steps are the price.
    let (safety, beta, least, most) = (0.9, 0.0, 0.333, 6.0);
    let mut solver = Dop853::from_param(
        cylinder,
        from,
        to,
        to - from,
        y,
        TOLERANCE,
        TOLERANCE,
        safety,
        beta,
        least,
        most,
        to - from,
        0.0,
        1_000_000,
        u32::MAX,
        OutputType::Sparse,
    );
    solver.integrate().expect("the cycle has an answer");
    let last: Option<&OVector<f64, _>> = solver.y_out().last();
    *last.expect("the end is put out")
}

/// The same cycle by the engine model.
fn model(simulation: &mut Simulation, cycles: usize) -> Result<Cycle, EngineError> {
    for _ in 1..cycles {
        simulation.run_cycle(None)?;
    }
    let mut rows_pa = Vec::new();
    simulation.run_cycle(Some(&mut rows_pa))?;
    let cycle = simulation.cylinder_cycle(0);
    Ok(Cycle {
        runner_pa: rows_pa
            .into_iter()
            .step_by(EVERY_DEG * ROWS / 720)
            .collect(),
        mean_pa: cycle.mean_pa,
        air_kg: cycle.own_kg,
        work_j: cycle.work_j,
    })
}

/// A setting of which both give a cycle.
struct Pair {
    words: &'static str,
    want: Cycle,
    got: Cycle,
}

/// Both on `cycles` cycles from rest.
fn pair(
    words: &'static str,
    spec: &EngineSpec,
    setting: &Setting,
    (rpm, throttle_m2): (f64, f64),
    cycles: usize,
) -> Result<Pair, EngineError> {
    let mut simulation = Simulation::new(spec, setting, ROWS, 0.0, 1)?;
    simulation.set_rpm(rpm);
    simulation.set_own_area_m2(0, throttle_m2);
    Ok(Pair {
        words,
        want: integrate(&mut Cylinder::of(spec, setting, rpm, throttle_m2), cycles),
        got: model(&mut simulation, cycles)?,
    })
}

/// The published motored case at its cycle 30, the default engine with one cylinder fired at idle and at hold.
///
/// Ten cycles are enough for the fired ones: both start from rest and need not have settled.
fn pairs() -> &'static [Pair] {
    static PAIRS: OnceLock<Vec<Pair>> = OnceLock::new();
    PAIRS.get_or_init(|| {
        let mut at_rest = Setting::healthy(&motored::spec(), 0.0);
        at_rest.ambient_k = 300.0;
        let one = Basics {
            intake_start_deg: vec![0.0],
            ..Basics::default()
        };
        let fired = EngineSpec::from_basics(&one).expect("the default engine");
        let setting = Setting::healthy(&fired, 2.2);
        [
            pair(
                "motored",
                &motored::spec(),
                &at_rest,
                (motored::RPM, motored::THROTTLE_M2),
                30,
            ),
            pair("fired, idle", &fired, &setting, (1250.0, 8e-6), 10),
            pair("fired, hold", &fired, &setting, (3800.0, 25e-6), 10),
        ]
        .into_iter()
        .collect::<Result<_, _>>()
        .expect("engines in range")
    })
}

fn case(
    name: &'static str,
    deviation: Deviation,
    limit: f64,
    reason: &'static str,
    of: fn(&Cycle) -> f64,
) -> Case {
    let mut case = Case::new(name, "odesolvers062", deviation, limit, reason);
    for pair in pairs() {
        case.push(pair.words, of(&pair.got), of(&pair.want));
    }
    case
}

pub(super) fn pressure() -> Case {
    let mut case = Case::new(
        "cycle_pressure",
        "odesolvers062",
        Deviation::Relative,
        5e-4,
        "half of the strip of 0.1 % below ambient in which the model's flow law is straight",
    );
    for pair in pairs() {
        for (k, (got, want)) in pair
            .got
            .runner_pa
            .iter()
            .zip(&pair.want.runner_pa)
            .enumerate()
        {
            case.push(
                format!("{}, {} deg", pair.words, k * EVERY_DEG),
                *got,
                *want,
            );
        }
    }
    case
}

pub(super) fn mean() -> Case {
    case(
        "cycle_mean",
        Deviation::Absolute("Pa"),
        2.0,
        "the strip moves the pressure by less than 100 Pa, over a fiftieth of the cycle",
        |cycle| cycle.mean_pa,
    )
}

pub(super) fn air() -> Case {
    case(
        "cycle_air",
        Deviation::Relative,
        2e-5,
        "steps of one degree are good to 1e-5 (their own test), as much again for the integrator",
        |cycle| cycle.air_kg,
    )
}

pub(super) fn work() -> Case {
    case(
        "cycle_work",
        Deviation::Relative,
        5e-4,
        "as the pressures that do it",
        |cycle| cycle.work_j,
    )
}

#[cfg(test)]
mod tests {
    #[test]
    fn val_cycle_pressure() {
        super::pressure().assert_passes();
    }

    #[test]
    fn val_cycle_mean() {
        super::mean().assert_passes();
    }

    #[test]
    fn val_cycle_air() {
        super::air().assert_passes();
    }

    #[test]
    fn val_cycle_work() {
        super::work().assert_passes();
    }

    /// The equations written out here are those of the published numbers. At this tolerance the integrator is good to
    /// 1e-5 (it moves by 7e-6 at a tenth of it); as much again for the published ones.
    #[test]
    fn val_the_integrator_meets_the_published_points() {
        let runner_pa = &super::pairs()[0].want.runner_pa;
        for (deg, want_pa) in crate::motored::RUNNER_PA {
            let got_pa = runner_pa[deg / super::EVERY_DEG];
            assert!(
                (got_pa / want_pa - 1.0).abs() < 2e-5,
                "{deg} deg: {got_pa} against {want_pa}"
            );
        }
    }
}
