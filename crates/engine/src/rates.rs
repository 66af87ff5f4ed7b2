//! Right-hand side of the filling-and-emptying equations.
//!
//! Every volume holds mass `m`, internal energy `U` and burned mass `b`:
//! `dm/dt = sum m'`, `dU/dt = sum m' h_up + Q' - p dV/dt`, `db/dt = sum m' x_up + burn`. Flows obey
//! the orifice law with the upstream state. Running totals are integrated with the same weights,
//! so mass and energy balances close to rounding whatever the step.

use evenpull_airflow::psi;

use crate::model::{CylinderModel, Geometry, Model};

/// State slots of one gas volume: m, U, b.
pub(crate) const VOLUME_SLOTS: usize = 3;
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

/// Pressure, temperature, burned share and specific enthalpy of one volume.
#[derive(Clone, Copy)]
struct Gas {
    p_pa: f64,
    t_k: f64,
    burned: f64,
    h_j_kg: f64,
}

impl Model {
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
        dy[self.chamber_at..self.chamber_at + VOLUME_SLOTS].fill(0.0);
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
        let first = self.gas_at(&y[c.at..], c.cell_m3);
        let last = if c.cells > 1 {
            self.gas_at(&y[c.last_cell_at()..], c.cell_m3)
        } else {
            first
        };
        let at = c.cylinder_at();
        let cylinder = self.gas_at(&y[at..], g.v_m3);

        let psi_body = psi(first.p_pa / self.ambient_pa);
        let (own, own_slope) = self.flow(self.direct_area_m2(i), &self.ambient(), &first);
        let own_up = if own >= 0.0 { self.ambient() } else { first };
        let (mut valve, mut valve_slope) = (0.0, 0.0);
        if g.intake_m2 > 0.0 {
            (valve, valve_slope) = self.flow(g.intake_m2, &last, &cylinder);
        }
        let valve_up = if valve >= 0.0 { &last } else { &cylinder };
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

        let (runner_heat, waves) = self.column_rates(c, y, dy);
        dy[c.at] += own;
        dy[c.at + 1] += own * own_up.h_j_kg;
        dy[c.at + 2] += own * own_up.burned;
        let mouth = c.last_cell_at();
        dy[mouth] -= valve;
        dy[mouth + 1] -= valve * valve_up.h_j_kg;
        dy[mouth + 2] -= valve * valve_up.burned;
        dy[at] = valve - out;
        dy[at + 1] = valve * valve_up.h_j_kg - out_h + cylinder_heat - power;
        dy[at + 2] = valve * valve_up.burned - out_burned + burned;

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
        d[total::P_PA_S] = first.p_pa;
        d[total::PSI_S] = psi_body;

        // dp/dt of a volume per flow is about gamma R T / V; the flow's slope is per unit of p/p_up.
        let stiff = |slope: f64, gas: &Gas, v_m3: f64, p_up: f64| {
            slope * GAMMA_BOUND * self.gas.r_j_per_kg_k * gas.t_k / (v_m3 * p_up)
        };
        let p_valve = last.p_pa.max(cylinder.p_pa);
        let p_body = first.p_pa.max(self.ambient_pa);
        let p_out = cylinder.p_pa.max(self.exhaust_pa);
        waves
            + stiff(own_slope, &first, c.cell_m3, p_body)
            + stiff(valve_slope, &last, c.cell_m3, p_valve)
            + stiff(valve_slope, &cylinder, g.v_m3, p_valve)
            + stiff(out_slope, &cylinder, g.v_m3, p_out)
    }

    /// Starts the slopes of the runner volumes: wall heat and the flows between them.
    ///
    /// `dq/dt = (A/L)(p_j - p_j+1) - K q |q| / (2 rho A L)`; the flow carries the enthalpy of the
    /// volume it leaves. Returns the wall heat [W] and the fastest wave [1/s].
    fn column_rates(&self, c: &CylinderModel, y: &[f64], dy: &mut [f64]) -> (f64, f64) {
        let mut heat = 0.0;
        let mut hottest_k = 0.0_f64;
        let mut before: Option<Gas> = None;
        for cell in 0..c.cells {
            let at = c.at + VOLUME_SLOTS * cell;
            let here = self.gas_at(&y[at..], c.cell_m3);
            let share = c.spec.runner_wall.map_or(0.0, |w| {
                w.conductance_w_per_k * (w.t_k - here.t_k) / c.cells as f64
            });
            heat += share;
            (dy[at], dy[at + 1], dy[at + 2]) = (0.0, share, 0.0);
            if let Some(previous) = before {
                let slot = c.flows_at() + cell - 1;
                let q = y[slot];
                let up = if q >= 0.0 { &previous } else { &here };
                let density = up.p_pa / (self.gas.r_j_per_kg_k * up.t_k);
                dy[slot] = c.area_over_length_m * (previous.p_pa - here.p_pa)
                    - c.loss_per_m3 * q * q.abs() / density;
                for (slot, sign) in [(at - VOLUME_SLOTS, -1.0), (at, 1.0)] {
                    dy[slot] += sign * q;
                    dy[slot + 1] += sign * q * up.h_j_kg;
                    dy[slot + 2] += sign * q * up.burned;
                }
            }
            hottest_k = hottest_k.max(here.t_k);
            before = Some(here);
        }
        let stiffness = GAMMA_BOUND * self.gas.r_j_per_kg_k * hottest_k * c.area_over_length_m;
        (heat, 2.0 * (stiffness / c.cell_m3).sqrt())
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
        let at = self.chamber_at;
        let chamber = self.gas_at(&y[at..], self.chamber_m3);
        let ambient = self.ambient();
        let (inflow, mut slope) = self.flow(self.idle_valve_m2, &ambient, &chamber);
        let up = if inflow >= 0.0 { &ambient } else { &chamber };
        let (inflow_h, inflow_burned) = (inflow * up.h_j_kg, inflow * up.burned);
        dy[at] += inflow;
        dy[at + 1] += inflow_h;
        dy[at + 2] += inflow_burned;
        // What the valve lets in counts to the balance of the first cylinder's energy account.
        dy[self.totals_at() + total::ENTHALPY_J] += inflow_h;
        for (i, c) in self.cylinders.iter().enumerate() {
            let runner = self.gas_at(&y[c.at..], c.cell_m3);
            let flow = self.transfer(self.passage_m2, (at, &chamber), (c.at, &runner), dy);
            dy[self.totals_at() + TOTALS * i + total::ACROSS_KG] += flow.0;
            slope += flow.1;
        }
        slope * GAMMA_BOUND * self.gas.r_j_per_kg_k * chamber.t_k / (self.chamber_m3 * chamber.p_pa)
    }

    /// Balance pipe between neighbouring runners.
    fn pipe_rates(&self, y: &[f64], dy: &mut [f64]) -> f64 {
        let mut fastest = 0.0_f64;
        for i in 1..self.cylinders.len() {
            let (a, b) = (&self.cylinders[i - 1], &self.cylinders[i]);
            let gas_a = self.gas_at(&y[a.at..], a.cell_m3);
            let gas_b = self.gas_at(&y[b.at..], b.cell_m3);
            let (flow, slope) =
                self.transfer(self.balance_pipe_m2, (a.at, &gas_a), (b.at, &gas_b), dy);
            dy[self.totals_at() + TOTALS * (i - 1) + total::ACROSS_KG] -= flow;
            dy[self.totals_at() + TOTALS * i + total::ACROSS_KG] += flow;
            let per_flow = GAMMA_BOUND * self.gas.r_j_per_kg_k * gas_a.t_k.max(gas_b.t_k);
            let volumes = 1.0 / a.cell_m3 + 1.0 / b.cell_m3;
            fastest = fastest.max(slope * per_flow * volumes / gas_a.p_pa.max(gas_b.p_pa));
        }
        fastest
    }

    /// Moves gas from volume `a` to volume `b` (slot and gas of each); returns flow and steepness.
    fn transfer(
        &self,
        area_m2: f64,
        a: (usize, &Gas),
        b: (usize, &Gas),
        dy: &mut [f64],
    ) -> (f64, f64) {
        let (flow, slope) = self.flow(area_m2, a.1, b.1);
        let up = if flow >= 0.0 { a.1 } else { b.1 };
        for (slot, sign) in [(a.0, -1.0), (b.0, 1.0)] {
            dy[slot] += sign * flow;
            dy[slot + 1] += sign * flow * up.h_j_kg;
            dy[slot + 2] += sign * flow * up.burned;
        }
        (flow, slope)
    }
}
