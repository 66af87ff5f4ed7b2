//! Right-hand side of the filling-and-emptying equations.
//!
//! Every volume holds mass `m`, internal energy `U` and burned mass `b`:
//! `dm/dt = sum m'`, `dU/dt = sum m' h_up + Q' - p dV/dt`, `db/dt = sum m' x_up + burn`. Flows obey
//! the orifice law with the upstream state. Running totals are integrated with the same weights,
//! so mass and energy balances close to rounding whatever the step.

use std::ops::Range;

use evenpull_airflow::orifice::{PSI_CHOKED_AIR, psi_forward};

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

/// State of one volume or of a surrounding, with what the flow law asks of it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Gas {
    p_pa: f64,
    t_k: f64,
    /// `R T` [J/kg].
    rt_j_kg: f64,
    /// `p / sqrt(R T)` [kg/(m2 s)].
    p_over_root: f64,
    burned: f64,
    h_j_kg: f64,
}

impl Gas {
    /// Gas at a pressure and a temperature; `h_j_kg` [J/kg] its enthalpy.
    pub(crate) fn new(r_j_per_kg_k: f64, p_pa: f64, t_k: f64, burned: f64, h_j_kg: f64) -> Self {
        let rt_j_kg = r_j_per_kg_k * t_k;
        Self {
            p_pa,
            t_k,
            rt_j_kg,
            p_over_root: p_pa / rt_j_kg.sqrt(),
            burned,
            h_j_kg,
        }
    }
}

/// Flow from one gas to another: mass, and what it carries.
#[derive(Clone, Copy)]
struct Flow {
    kg_s: f64,
    h_w: f64,
    burned_kg_s: f64,
    /// Flow function of the pressure ratio, not negative [-].
    psi: f64,
}

impl Flow {
    const NONE: Self = Self {
        kg_s: 0.0,
        h_w: 0.0,
        burned_kg_s: 0.0,
        psi: PSI_CHOKED_AIR,
    };

    /// Slope of the flow function [-]; `|psi'|` is below `1/psi` everywhere and below the strip's.
    fn steepness(&self) -> f64 {
        if self.psi >= PSI_CHOKED_AIR {
            0.0
        } else {
            (1.0 / self.psi).min(STEEPEST_SLOPE)
        }
    }
}

/// Flow from `a` to `b` through `area_m2`.
#[inline]
fn flow(area_m2: f64, a: &Gas, b: &Gas) -> Flow {
    let psi = psi_forward(a.p_pa.min(b.p_pa) / a.p_pa.max(b.p_pa));
    let (up, area_m2) = if a.p_pa >= b.p_pa {
        ((a.p_over_root, a.h_j_kg, a.burned), area_m2)
    } else {
        ((b.p_over_root, b.h_j_kg, b.burned), -area_m2)
    };
    let kg_s = area_m2 * up.0 * psi;
    Flow {
        kg_s,
        h_w: kg_s * up.1,
        burned_kg_s: kg_s * up.2,
        psi,
    }
}

/// Rate [1/s] at which `gas` in `v_m3` follows `other` through `area_m2` with that steepness.
///
/// `dp/dt` of a volume per flow is about `gamma R T / V`; the flow's slope is per unit of `p/p_up`.
fn stiffness(area_m2: f64, steepness: f64, gas: &Gas, other: &Gas, v_m3: f64) -> f64 {
    let up = if gas.p_pa >= other.p_pa { gas } else { other };
    let scale = area_m2 * up.p_over_root * steepness;
    scale * GAMMA_BOUND * gas.rt_j_kg / (v_m3 * up.p_pa)
}

/// What leaves a cylinder per second: mass, enthalpy, burned mass; and the stiffness [1/s].
#[derive(Default)]
struct Outflow {
    kg_s: f64,
    h_w: f64,
    burned_kg_s: f64,
    per_s: f64,
}

impl Outflow {
    fn add(&mut self, flow: &Flow) {
        self.kg_s += flow.kg_s;
        self.h_w += flow.h_w;
        self.burned_kg_s += flow.burned_kg_s;
    }
}

impl Model {
    #[inline]
    fn gas_at(&self, y: &[f64], per_m3: f64) -> Gas {
        let &[m, energy, burned, ..] = y else {
            unreachable!("a volume has three slots")
        };
        let (per_kg, density) = (1.0 / m, m * per_m3);
        let u = energy * per_kg;
        let (p_pa, t_k, rt_j_kg);
        if self.gas.c1_j_per_kg_k2 > 0.0 {
            t_k = self.gas.t_k(u);
            rt_j_kg = self.gas.r_j_per_kg_k * t_k;
            p_pa = density * rt_j_kg;
        } else {
            // The pressure follows from the energy alone and need not wait for the temperature.
            p_pa = self.r_over_c0 * energy * per_m3;
            rt_j_kg = self.r_over_c0 * u;
            t_k = self.per_c0 * u;
        }
        Gas {
            p_pa,
            t_k,
            rt_j_kg,
            p_over_root: (p_pa * density).sqrt(),
            burned: burned * per_kg,
            h_j_kg: u + rt_j_kg,
        }
    }

    /// Writes `dy/dt` [per s] of `cylinders` for state `y`; with `STIFF` returns the fastest rate of
    /// any volume [1/s], otherwise zero.
    ///
    /// `geometry` has one entry for each of them. Coupled cylinders must be given all together.
    pub(crate) fn rates<const STIFF: bool>(
        &self,
        cylinders: Range<usize>,
        geometry: &[Geometry],
        y: &[f64],
        dy: &mut [f64],
    ) -> f64 {
        let mut fastest = 0.0_f64;
        for (i, g) in cylinders.zip(geometry) {
            fastest = fastest.max(self.cylinder_rates::<STIFF>(i, g, y, dy));
        }
        if self.is_coupled() {
            dy[self.chamber_at..self.chamber_at + VOLUME_SLOTS].fill(0.0);
        }
        if self.has_chamber() {
            fastest = fastest.max(self.chamber_rates(y, dy));
        }
        if self.balance_pipe_m2 > 0.0 {
            fastest = fastest.max(self.pipe_rates(y, dy));
        }
        fastest
    }

    fn cylinder_rates<const STIFF: bool>(
        &self,
        i: usize,
        g: &Geometry,
        y: &[f64],
        dy: &mut [f64],
    ) -> f64 {
        let c = &self.cylinders[i];
        let first = self.gas_at(&y[c.at..], c.per_cell_m3);
        let last = if c.cells > 1 {
            self.gas_at(&y[c.last_cell_at()..], c.per_cell_m3)
        } else {
            first
        };
        let at = c.cylinder_at();
        let cylinder = self.gas_at(&y[at..], g.per_m3);

        let area_m2 = self.direct_area_m2(i);
        let own = flow(area_m2, &self.ambient, &first);
        let mut valve = Flow::NONE;
        if g.intake_m2 > 0.0 {
            valve = flow(g.intake_m2, &last, &cylinder);
        }
        let out = self.outflow::<STIFF>(c, g, &cylinder);

        let (burn_heat, burned) = (c.burn_heat_j * g.burn_per_s, c.burn_air_kg * g.burn_per_s);
        let wall = c.spec.cylinder_wall.map_or(0.0, |w| {
            w.heat_of(g.wall_place * c.wall_speed, cylinder.p_pa, cylinder.t_k)
        });
        let cylinder_heat = burn_heat - wall;
        let power = cylinder.p_pa * g.dv_m3_s;

        let (runner_heat, waves) = self.column_rates(c, &first, y, dy);
        dy[c.at] += own.kg_s;
        dy[c.at + 1] += own.h_w;
        dy[c.at + 2] += own.burned_kg_s;
        let mouth = c.last_cell_at();
        dy[mouth] -= valve.kg_s;
        dy[mouth + 1] -= valve.h_w;
        dy[mouth + 2] -= valve.burned_kg_s;
        dy[at] = valve.kg_s - out.kg_s;
        dy[at + 1] = valve.h_w - out.h_w + cylinder_heat - power;
        dy[at + 2] = valve.burned_kg_s - out.burned_kg_s + burned;

        let totals = c.totals_at();
        let d = &mut dy[totals..totals + TOTALS];
        d[total::OWN_KG] = own.kg_s;
        d[total::ACROSS_KG] = 0.0;
        d[total::VALVE_KG] = valve.kg_s;
        d[total::FRESH_KG] = valve.kg_s - valve.burned_kg_s;
        d[total::OUT_KG] = out.kg_s;
        d[total::ENTHALPY_J] = own.h_w - out.h_w;
        d[total::HEAT_J] = cylinder_heat + runner_heat;
        d[total::WORK_J] = power;
        d[total::P_PA_S] = first.p_pa;
        // Above ambient the law is mirrored: psi(r) = -r psi(1/r).
        d[total::PSI_S] = if first.p_pa <= self.ambient.p_pa {
            own.psi
        } else {
            -own.psi * first.p_pa / self.ambient.p_pa
        };
        if !STIFF {
            return 0.0;
        }
        let (own_slope, valve_slope) = (own.steepness(), valve.steepness());
        waves
            + out.per_s
            + stiffness(area_m2, own_slope, &first, &self.ambient, c.cell_m3)
            + stiffness(g.intake_m2, valve_slope, &last, &cylinder, c.cell_m3)
            + stiffness(g.intake_m2, valve_slope, &cylinder, &last, g.v_m3)
    }

    /// Starts the slopes of the runner volumes: wall heat and the flows between them.
    ///
    /// `dq/dt = (A/L)(p_j - p_j+1) - K q |q| / (2 rho A L)`; the flow carries the enthalpy of the
    /// volume it leaves. Returns the wall heat [W] and the fastest wave [1/s].
    fn column_rates(
        &self,
        c: &CylinderModel,
        first: &Gas,
        y: &[f64],
        dy: &mut [f64],
    ) -> (f64, f64) {
        let wall_w = |here: &Gas| {
            c.spec.runner_wall.map_or(0.0, |w| {
                w.conductance_w_per_k * (w.t_k - here.t_k) / c.cells as f64
            })
        };
        if c.cells == 1 {
            let heat = wall_w(first);
            (dy[c.at], dy[c.at + 1], dy[c.at + 2]) = (0.0, heat, 0.0);
            return (heat, 0.0);
        }
        let mut heat = 0.0;
        let mut hottest_k = 0.0_f64;
        let mut before: Option<Gas> = None;
        for cell in 0..c.cells {
            let at = c.at + VOLUME_SLOTS * cell;
            let here = self.gas_at(&y[at..], c.per_cell_m3);
            let share = wall_w(&here);
            heat += share;
            (dy[at], dy[at + 1], dy[at + 2]) = (0.0, share, 0.0);
            if let Some(previous) = before {
                let slot = c.flows_at() + cell - 1;
                let q = y[slot];
                let up = if q >= 0.0 { &previous } else { &here };
                let density = up.p_pa / up.rt_j_kg;
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

    /// What leaves the cylinder to the exhaust and past the rings.
    fn outflow<const STIFF: bool>(
        &self,
        c: &CylinderModel,
        g: &Geometry,
        cylinder: &Gas,
    ) -> Outflow {
        let mut out = Outflow::default();
        if g.exhaust_m2 > 0.0 {
            let flow = flow(g.exhaust_m2, cylinder, &self.exhaust);
            out.add(&flow);
            if STIFF {
                let slope = flow.steepness();
                out.per_s += stiffness(g.exhaust_m2, slope, cylinder, &self.exhaust, g.v_m3);
            }
        }
        // The crankcase is taken at ambient; it gives nothing back.
        if c.blow_by_m2 > 0.0 && cylinder.p_pa > self.ambient.p_pa {
            let lost = flow(c.blow_by_m2, cylinder, &self.ambient);
            out.add(&lost);
            if STIFF {
                let slope = lost.steepness();
                out.per_s += stiffness(c.blow_by_m2, slope, cylinder, &self.ambient, g.v_m3);
            }
        }
        out
    }

    /// Idle valve into the chamber, chamber into the runners.
    fn chamber_rates(&self, y: &[f64], dy: &mut [f64]) -> f64 {
        let at = self.chamber_at;
        let chamber = self.gas_at(&y[at..], 1.0 / self.chamber_m3);
        let inflow = flow(self.idle_valve_m2, &self.ambient, &chamber);
        dy[at] += inflow.kg_s;
        dy[at + 1] += inflow.h_w;
        dy[at + 2] += inflow.burned_kg_s;
        // What the valve lets in counts to the balance of the first cylinder's energy account.
        dy[self.cylinders[0].totals_at() + total::ENTHALPY_J] += inflow.h_w;
        let v_m3 = self.chamber_m3;
        let slope = inflow.steepness();
        let mut per_s = stiffness(self.idle_valve_m2, slope, &chamber, &self.ambient, v_m3);
        for c in &self.cylinders {
            let runner = self.gas_at(&y[c.at..], c.per_cell_m3);
            let flow = transfer(self.passage_m2, (at, &chamber), (c.at, &runner), dy);
            dy[c.totals_at() + total::ACROSS_KG] += flow.kg_s;
            per_s += stiffness(self.passage_m2, flow.steepness(), &chamber, &runner, v_m3);
        }
        per_s
    }

    /// Balance pipe between neighbouring runners.
    fn pipe_rates(&self, y: &[f64], dy: &mut [f64]) -> f64 {
        let mut fastest = 0.0_f64;
        let area_m2 = self.balance_pipe_m2;
        for i in 1..self.cylinders.len() {
            let (a, b) = (&self.cylinders[i - 1], &self.cylinders[i]);
            let gas_a = self.gas_at(&y[a.at..], a.per_cell_m3);
            let gas_b = self.gas_at(&y[b.at..], b.per_cell_m3);
            let flow = transfer(area_m2, (a.at, &gas_a), (b.at, &gas_b), dy);
            dy[a.totals_at() + total::ACROSS_KG] -= flow.kg_s;
            dy[b.totals_at() + total::ACROSS_KG] += flow.kg_s;
            let slope = flow.steepness();
            let per_s = stiffness(area_m2, slope, &gas_a, &gas_b, a.cell_m3)
                + stiffness(area_m2, slope, &gas_b, &gas_a, b.cell_m3);
            fastest = fastest.max(per_s);
        }
        fastest
    }
}

/// Moves gas from volume `a` to volume `b` (slot and gas of each).
fn transfer(area_m2: f64, a: (usize, &Gas), b: (usize, &Gas), dy: &mut [f64]) -> Flow {
    let flow = flow(area_m2, a.1, b.1);
    for (slot, sign) in [(a.0, -1.0), (b.0, 1.0)] {
        dy[slot] += sign * flow.kg_s;
        dy[slot + 1] += sign * flow.h_w;
        dy[slot + 2] += sign * flow.burned_kg_s;
    }
    flow
}
