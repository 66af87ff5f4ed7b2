//! Right-hand side of the filling-and-emptying equations.
//!
//! Every volume holds mass `m`, internal energy `U` and burned mass `b`:
//! `dm/dt = sum m'`, `dU/dt = sum m' h_up + Q' - p dV/dt`, `db/dt = sum m' x_up + burn`. Flows obey
//! the orifice law with the upstream state. Running totals are integrated with the same weights,
//! so mass and energy balances close to rounding whatever the step.

use evenpull_airflow::psi;

use crate::gas::WorkingGas;
use crate::setting::Setting;
use crate::spec::{CylinderSpec, EngineSpec};
use crate::valve::wrap_720;

/// State slots per cylinder: runner m, U, b; cylinder m, U, b.
pub(crate) const SLOTS: usize = 6;
/// State slots of the idle-air chamber: m, U, b.
pub(crate) const CHAMBER_SLOTS: usize = 3;
/// Running totals per cylinder, see [`total`].
pub(crate) const TOTALS: usize = 10;

/// Places of the running totals of one cylinder.
pub(crate) mod total {
    /// Mass from ambient through the body's own openings [kg].
    pub(crate) const OWN_KG: usize = 0;
    /// Mass from the chamber and the neighbours [kg].
    pub(crate) const ACROSS_KG: usize = 1;
    /// Mass from runner to cylinder [kg].
    pub(crate) const VALVE_KG: usize = 2;
    /// Unburned mass from runner to cylinder [kg].
    pub(crate) const FRESH_KG: usize = 3;
    /// Mass out of the cylinder to the exhaust and past the rings [kg].
    pub(crate) const OUT_KG: usize = 4;
    /// Enthalpy in from ambient less enthalpy out [J].
    pub(crate) const ENTHALPY_J: usize = 5;
    /// Heat released and heat from walls [J].
    pub(crate) const HEAT_J: usize = 6;
    /// Work on the piston [J].
    pub(crate) const WORK_J: usize = 7;
    /// Integral of the runner pressure [Pa s].
    pub(crate) const P_PA_S: usize = 8;
    /// Integral of `psi(p_runner / p_ambient)` [s].
    pub(crate) const PSI_S: usize = 9;
}

/// Steepest slope of the flow function [-], in the straight strip next to `r = 1`.
const STEEPEST_SLOPE: f64 = 44.7;
/// Effective upper bound of the ratio of specific heats, for the stiffness estimate [-].
const GAMMA_BOUND: f64 = 1.4;

/// What depends on the crank angle alone, for one cylinder.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Geometry {
    v_m3: f64,
    dv_m3_s: f64,
    intake_m2: f64,
    exhaust_m2: f64,
    burn_per_s: f64,
    wall_m2: f64,
}

/// Pressure, temperature, burned share and specific enthalpy of one volume.
#[derive(Clone, Copy)]
struct Gas {
    p_pa: f64,
    t_k: f64,
    burned: f64,
    h_j_kg: f64,
}

/// Constants of one cylinder in one setting.
#[derive(Debug, Clone)]
pub(crate) struct CylinderModel {
    pub(crate) spec: CylinderSpec,
    pub(crate) own_area_m2: f64,
    pub(crate) breathing_scale: f64,
    pub(crate) blow_by_m2: f64,
    /// Start of burn after firing top dead centre at the present speed [deg].
    pub(crate) burn_start_deg: f64,
    /// Air mass the coming burn consumes [kg], set at the start of the burn.
    pub(crate) burn_air_kg: f64,
    /// Heat the coming burn releases [J], set at the start of the burn.
    pub(crate) burn_heat_j: f64,
}

/// The whole engine in one setting at one speed.
#[derive(Debug, Clone)]
pub(crate) struct Model {
    pub(crate) cylinders: Vec<CylinderModel>,
    pub(crate) gas: WorkingGas,
    pub(crate) ambient_pa: f64,
    pub(crate) ambient_k: f64,
    exhaust_pa: f64,
    exhaust_burned: f64,
    h_ambient: f64,
    h_exhaust: f64,
    exhaust_k: f64,
    chamber_m3: f64,
    passage_m2: f64,
    balance_pipe_m2: f64,
    pub(crate) idle_valve_m2: f64,
    pub(crate) deg_per_s: f64,
}

impl Model {
    pub(crate) fn new(spec: &EngineSpec, setting: &Setting) -> Self {
        let gas = spec.gas;
        Self {
            cylinders: spec
                .cylinders
                .iter()
                .zip(&setting.bodies)
                .map(|(cylinder, body)| CylinderModel {
                    spec: cylinder.clone(),
                    own_area_m2: 0.0,
                    breathing_scale: body.breathing_scale,
                    blow_by_m2: body.blow_by_m2,
                    burn_start_deg: 0.0,
                    burn_air_kg: 0.0,
                    burn_heat_j: 0.0,
                })
                .collect(),
            gas,
            ambient_pa: setting.ambient_pa,
            ambient_k: setting.ambient_k,
            exhaust_pa: setting.ambient_pa + spec.exhaust.back_pressure_pa,
            exhaust_burned: spec.exhaust.burned,
            h_ambient: gas.h_j_per_kg(setting.ambient_k),
            h_exhaust: gas.h_j_per_kg(spec.exhaust.t_k),
            exhaust_k: spec.exhaust.t_k,
            chamber_m3: spec.idle.chamber_m3,
            passage_m2: setting.passage_m2,
            balance_pipe_m2: setting.balance_pipe_m2,
            idle_valve_m2: 0.0,
            deg_per_s: 6000.0,
        }
    }

    /// True when the idle air comes through a real chamber and passages.
    fn has_chamber(&self) -> bool {
        self.passage_m2 > 0.0
    }

    /// Area that feeds runner `cylinder` from ambient without passing a chamber [m2].
    pub(crate) fn direct_area_m2(&self, cylinder: usize) -> f64 {
        let share = if self.has_chamber() {
            0.0
        } else {
            self.idle_valve_m2 / self.cylinders.len() as f64
        };
        self.cylinders[cylinder].own_area_m2 + share
    }

    /// Length of the state: volumes, then totals.
    pub(crate) fn state_len(&self) -> usize {
        self.totals_at() + TOTALS * self.cylinders.len()
    }

    /// First slot of the chamber.
    pub(crate) fn chamber_at(&self) -> usize {
        SLOTS * self.cylinders.len()
    }

    /// First slot of the running totals.
    pub(crate) fn totals_at(&self) -> usize {
        self.chamber_at() + CHAMBER_SLOTS
    }

    /// Everything at rest: runners and chamber at ambient, cylinders full of ambient air.
    pub(crate) fn rest_state(&self) -> Vec<f64> {
        let mut y = vec![0.0; self.state_len()];
        let density = self.ambient_pa / (self.gas.r_j_per_kg_k * self.ambient_k);
        let u = self.gas.u_j_per_kg(self.ambient_k);
        let mut fill = |slot: usize, v_m3: f64| {
            y[slot] = density * v_m3;
            y[slot + 1] = density * v_m3 * u;
        };
        for (i, c) in self.cylinders.iter().enumerate() {
            fill(SLOTS * i, c.spec.runner_m3);
            let phi = (-c.spec.intake_start_deg).to_radians();
            let v = c.spec.crank.clearance_m3()
                + c.spec.crank.piston_area_m2() * c.spec.crank.travel_m(phi).0;
            fill(SLOTS * i + 3, v);
        }
        fill(self.chamber_at(), self.chamber_m3);
        y
    }

    /// Volumes, areas and burn rate at crank angle `theta_deg` (0 to 720).
    pub(crate) fn geometry(&self, theta_deg: f64, out: &mut [Geometry]) {
        for (c, g) in self.cylinders.iter().zip(out) {
            let phi_deg = wrap_720(theta_deg - c.spec.intake_start_deg);
            let crank = &c.spec.crank;
            let (s, ds) = crank.travel_m(phi_deg.to_radians());
            let piston = crank.piston_area_m2();
            g.v_m3 = crank.clearance_m3() + piston * s;
            g.dv_m3_s = piston * ds * self.deg_per_s.to_radians();
            g.intake_m2 = c.breathing_scale * c.spec.intake.area_m2(phi_deg);
            g.exhaust_m2 = c.breathing_scale * c.spec.exhaust.area_m2(phi_deg);
            g.burn_per_s = c.spec.heat.map_or(0.0, |law| {
                law.rate_per_deg(wrap_720(phi_deg - 360.0 - c.burn_start_deg)) * self.deg_per_s
            });
            g.wall_m2 =
                2.0 * piston + 4.0 * piston * (s + crank.clearance_m3() / piston) / crank.bore_m;
        }
    }

    fn gas_at(&self, y: &[f64], v_m3: f64) -> Gas {
        let t_k = self.gas.t_k(y[1] / y[0]);
        Gas {
            p_pa: y[0] * self.gas.r_j_per_kg_k * t_k / v_m3,
            t_k,
            burned: y[2] / y[0],
            h_j_kg: self.gas.h_j_per_kg(t_k),
        }
    }

    fn ambient(&self) -> Gas {
        Gas {
            p_pa: self.ambient_pa,
            t_k: self.ambient_k,
            burned: 0.0,
            h_j_kg: self.h_ambient,
        }
    }

    /// Flow from `a` to `b` [kg/s] and the steepness [kg/s per unit of pressure ratio].
    fn flow(&self, area_m2: f64, a: &Gas, b: &Gas) -> (f64, f64) {
        let (up, down, sign) = if a.p_pa >= b.p_pa {
            (a, b, 1.0)
        } else {
            (b, a, -1.0)
        };
        let value = psi(down.p_pa / up.p_pa);
        let scale = area_m2 * up.p_pa / (self.gas.r_j_per_kg_k * up.t_k).sqrt();
        // |psi'| is below 1/psi everywhere and below the strip's slope.
        let slope = if value >= evenpull_airflow::orifice::PSI_CHOKED_AIR {
            0.0
        } else {
            (1.0 / value).min(STEEPEST_SLOPE)
        };
        (sign * scale * value, scale * slope)
    }

    /// Writes `dy/dt` [per s] for state `y` and returns the fastest rate of any volume [1/s].
    pub(crate) fn rates(&self, geometry: &[Geometry], y: &[f64], dy: &mut [f64]) -> f64 {
        let mut fastest = 0.0_f64;
        for (i, g) in geometry.iter().enumerate() {
            fastest = fastest.max(self.cylinder_rates(i, g, y, dy));
        }
        let chamber = self.chamber_at();
        dy[chamber..chamber + CHAMBER_SLOTS].fill(0.0);
        if self.has_chamber() {
            fastest = fastest.max(self.chamber_rates(y, dy));
        }
        if self.balance_pipe_m2 > 0.0 {
            fastest = fastest.max(self.pipe_rates(y, dy));
        }
        fastest
    }

    fn cylinder_rates(&self, i: usize, g: &Geometry, y: &[f64], dy: &mut [f64]) -> f64 {
        let c = &self.cylinders[i];
        let at = SLOTS * i;
        let runner = self.gas_at(&y[at..at + 3], c.spec.runner_m3);
        let cylinder = self.gas_at(&y[at + 3..at + 6], g.v_m3);

        let psi_body = psi(runner.p_pa / self.ambient_pa);
        let (own, own_slope) = self.flow(self.direct_area_m2(i), &self.ambient(), &runner);
        let own_up = if own >= 0.0 { self.ambient() } else { runner };
        let runner_heat = c
            .spec
            .runner_wall
            .map_or(0.0, |w| w.conductance_w_per_k * (w.t_k - runner.t_k));

        let (mut valve, mut valve_slope) = (0.0, 0.0);
        if g.intake_m2 > 0.0 {
            (valve, valve_slope) = self.flow(g.intake_m2, &runner, &cylinder);
        }
        let valve_up = if valve >= 0.0 { &runner } else { &cylinder };
        let (out, out_h, out_burned, out_slope) = self.outflow(c, g, &cylinder);

        let mut burn_heat = 0.0;
        let mut burned = 0.0;
        if g.burn_per_s > 0.0 {
            burn_heat = c.burn_heat_j * g.burn_per_s;
            burned = c.burn_air_kg * g.burn_per_s;
        }
        let piston_m_s = 2.0 * c.spec.crank.stroke_m * self.deg_per_s / 360.0;
        let wall = c.spec.cylinder_wall.map_or(0.0, |w| {
            w.heat_w(g.v_m3, g.wall_m2, cylinder.p_pa, cylinder.t_k, piston_m_s)
        });
        let cylinder_heat = burn_heat - wall;
        let power = cylinder.p_pa * g.dv_m3_s;

        dy[at] = own - valve;
        dy[at + 1] = own * own_up.h_j_kg - valve * valve_up.h_j_kg + runner_heat;
        dy[at + 2] = own * own_up.burned - valve * valve_up.burned;
        dy[at + 3] = valve - out;
        dy[at + 4] = valve * valve_up.h_j_kg - out_h + cylinder_heat - power;
        dy[at + 5] = valve * valve_up.burned - out_burned + burned;

        let totals = self.totals_at() + TOTALS * i;
        let d = &mut dy[totals..totals + TOTALS];
        d[total::OWN_KG] = own;
        d[total::ACROSS_KG] = 0.0;
        d[total::VALVE_KG] = valve;
        d[total::FRESH_KG] = valve * (1.0 - valve_up.burned);
        d[total::OUT_KG] = out;
        d[total::ENTHALPY_J] = own * own_up.h_j_kg - out_h;
        d[total::HEAT_J] = cylinder_heat + runner_heat;
        d[total::WORK_J] = power;
        d[total::P_PA_S] = runner.p_pa;
        d[total::PSI_S] = psi_body;

        // dp/dt of a volume per flow is about gamma R T / V; the flow's slope is per unit of p/p_up.
        let stiff = |slope: f64, gas: &Gas, v_m3: f64, p_up: f64| {
            slope * GAMMA_BOUND * self.gas.r_j_per_kg_k * gas.t_k / (v_m3 * p_up)
        };
        let p_valve = runner.p_pa.max(cylinder.p_pa);
        let in_runner = stiff(
            own_slope,
            &runner,
            c.spec.runner_m3,
            runner.p_pa.max(self.ambient_pa),
        ) + stiff(valve_slope, &runner, c.spec.runner_m3, p_valve);
        let in_cylinder = stiff(valve_slope, &cylinder, g.v_m3, p_valve)
            + stiff(
                out_slope,
                &cylinder,
                g.v_m3,
                cylinder.p_pa.max(self.exhaust_pa),
            );
        in_runner + in_cylinder
    }

    /// Mass, enthalpy and burned mass out of the cylinder per second, and the steepness.
    fn outflow(&self, c: &CylinderModel, g: &Geometry, cylinder: &Gas) -> (f64, f64, f64, f64) {
        let (mut out, mut out_h, mut out_burned, mut slope) = (0.0, 0.0, 0.0, 0.0);
        if g.exhaust_m2 > 0.0 {
            let exhaust = Gas {
                p_pa: self.exhaust_pa,
                t_k: self.exhaust_k,
                burned: self.exhaust_burned,
                h_j_kg: self.h_exhaust,
            };
            (out, slope) = self.flow(g.exhaust_m2, cylinder, &exhaust);
            let up = if out >= 0.0 { cylinder } else { &exhaust };
            out_h = out * up.h_j_kg;
            out_burned = out * up.burned;
        }
        // The crankcase is taken at ambient; it gives nothing back.
        if c.blow_by_m2 > 0.0 && cylinder.p_pa > self.ambient_pa {
            let (lost, lost_slope) = self.flow(c.blow_by_m2, cylinder, &self.ambient());
            out += lost;
            out_h += lost * cylinder.h_j_kg;
            out_burned += lost * cylinder.burned;
            slope += lost_slope;
        }
        (out, out_h, out_burned, slope)
    }

    /// Idle valve into the chamber, chamber into the runners.
    fn chamber_rates(&self, y: &[f64], dy: &mut [f64]) -> f64 {
        let at = self.chamber_at();
        let chamber = self.gas_at(&y[at..at + CHAMBER_SLOTS], self.chamber_m3);
        let ambient = self.ambient();
        let (inflow, mut slope) = self.flow(self.idle_valve_m2, &ambient, &chamber);
        let up = if inflow >= 0.0 { &ambient } else { &chamber };
        let (inflow_h, inflow_burned) = (inflow * up.h_j_kg, inflow * up.burned);
        dy[at] += inflow;
        dy[at + 1] += inflow_h;
        dy[at + 2] += inflow_burned;
        // What the valve lets in counts to the balance of the first cylinder's energy account.
        dy[self.totals_at() + total::ENTHALPY_J] += inflow_h;
        for i in 0..self.cylinders.len() {
            let runner = self.gas_at(
                &y[SLOTS * i..SLOTS * i + 3],
                self.cylinders[i].spec.runner_m3,
            );
            slope += self.transfer(self.passage_m2, (at, &chamber), (SLOTS * i, &runner), dy);
        }
        slope * GAMMA_BOUND * self.gas.r_j_per_kg_k * chamber.t_k / (self.chamber_m3 * chamber.p_pa)
    }

    /// Balance pipe between neighbouring runners.
    fn pipe_rates(&self, y: &[f64], dy: &mut [f64]) -> f64 {
        let mut fastest = 0.0_f64;
        for i in 1..self.cylinders.len() {
            let (a, b) = (SLOTS * (i - 1), SLOTS * i);
            let v_a = self.cylinders[i - 1].spec.runner_m3;
            let v_b = self.cylinders[i].spec.runner_m3;
            let (gas_a, gas_b) = (
                self.gas_at(&y[a..a + 3], v_a),
                self.gas_at(&y[b..b + 3], v_b),
            );
            let slope = self.transfer(self.balance_pipe_m2, (a, &gas_a), (b, &gas_b), dy);
            let per_flow = GAMMA_BOUND * self.gas.r_j_per_kg_k * gas_a.t_k.max(gas_b.t_k);
            fastest = fastest
                .max(slope * per_flow * (1.0 / v_a + 1.0 / v_b) / gas_a.p_pa.max(gas_b.p_pa));
        }
        fastest
    }

    /// Moves gas from volume `a` to volume `b` (slot and gas of each); returns the steepness.
    fn transfer(&self, area_m2: f64, a: (usize, &Gas), b: (usize, &Gas), dy: &mut [f64]) -> f64 {
        let (flow, slope) = self.flow(area_m2, a.1, b.1);
        let up = if flow >= 0.0 { a.1 } else { b.1 };
        for (slot, sign) in [(a.0, -1.0), (b.0, 1.0)] {
            dy[slot] += sign * flow;
            dy[slot + 1] += sign * flow * up.h_j_kg;
            dy[slot + 2] += sign * flow * up.burned;
            if slot < self.chamber_at() {
                dy[self.totals_at() + TOTALS * (slot / SLOTS) + total::ACROSS_KG] += sign * flow;
            }
        }
        slope
    }
}
