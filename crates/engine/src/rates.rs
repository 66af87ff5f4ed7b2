//! Right-hand side of the filling-and-emptying equations.
//!
//! Every volume holds mass `m`, internal energy `U` and burned mass `b`:
//! `dm/dt = sum m'`, `dU/dt = sum m' h_up + Q' - p dV/dt`, `db/dt = sum m' x_up + burn`. Flows obey
//! the orifice law with the upstream state. Running totals are integrated with the same weights,
//! so mass and energy balances close to rounding whatever the step.

use std::ops::Range;

use crate::flow::{self, Flow, Volume};
use crate::model::{Geometry, Model};

/// State slots of one gas volume: m, U, b.
pub(crate) const VOLUME_SLOTS: usize = 3;
/// Running totals per cylinder, see [`total`].
pub(crate) const TOTALS: usize = 10;
/// Slots of a cylinder with one runner volume on which its slopes depend: both volumes.
pub(crate) const PLAIN_GAS: usize = 2 * VOLUME_SLOTS;
/// All slots of such a cylinder: both volumes, then the totals.
pub(crate) const PLAIN: usize = PLAIN_GAS + TOTALS;

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

/// What happens in one cylinder at an instant, all per second.
struct Exchange {
    /// From ambient into the runner.
    own: Flow,
    /// Flow function of the runner's pressure ratio [-].
    psi: f64,
    /// From runner to cylinder.
    valve: Flow,
    /// Out of the cylinder to the exhaust and past the rings.
    out: Flow,
    /// Heat released less heat to the walls [W].
    heat_w: f64,
    /// Air burned [kg/s].
    burned_kg_s: f64,
    /// Work on the piston [W].
    power_w: f64,
    /// Fastest rate [1/s], where asked for.
    per_s: f64,
}

impl Exchange {
    /// Slopes of the running totals; `p_pa` [Pa] next to the body, `runner_heat_w` [W] into the runner.
    #[inline(always)]
    fn totals(&self, p_pa: f64, runner_heat_w: f64) -> [f64; TOTALS] {
        let mut d = [0.0; TOTALS];
        d[total::OWN_KG] = self.own.kg_s;
        d[total::VALVE_KG] = self.valve.kg_s;
        d[total::FRESH_KG] = self.valve.kg_s - self.valve.burned_kg_s;
        d[total::OUT_KG] = self.out.kg_s;
        d[total::ENTHALPY_J] = self.own.h_w - self.out.h_w;
        d[total::HEAT_J] = self.heat_w + runner_heat_w;
        d[total::WORK_J] = self.power_w;
        d[total::P_PA_S] = p_pa;
        d[total::PSI_S] = self.psi;
        d
    }

    /// Slopes of the cylinder's own gas.
    #[inline(always)]
    fn cylinder(&self) -> [f64; VOLUME_SLOTS] {
        let (valve, out) = (&self.valve, &self.out);
        [
            valve.kg_s - out.kg_s,
            valve.h_w - out.h_w + self.heat_w - self.power_w,
            valve.burned_kg_s - out.burned_kg_s + self.burned_kg_s,
        ]
    }
}

impl Model {
    /// Gas with mass, energy and burned mass `y` in `v_m3`, one over it `per_m3`.
    #[inline(always)]
    fn volume(
        &self,
        &[m, energy_j, burned_kg]: &[f64; VOLUME_SLOTS],
        v_m3: f64,
        per_m3: f64,
    ) -> Volume {
        let (per_kg, density_kg_m3) = (1.0 / m, m * per_m3);
        let u = energy_j * per_kg;
        let (p_pa, t_k);
        if self.gas.c1_j_per_kg_k2 > 0.0 {
            t_k = self.gas.t_k(u);
            p_pa = density_kg_m3 * self.gas.r_j_per_kg_k * t_k;
        } else {
            // The pressure follows from the energy alone and need not wait for the temperature.
            p_pa = self.r_over_c0 * energy_j * per_m3;
            t_k = self.per_c0 * u;
        }
        Volume {
            per_kg,
            density_kg_m3,
            p_pa,
            t_k,
            enthalpy_j: energy_j + p_pa * v_m3,
            burned_kg,
        }
    }

    /// [`Model::volume`] of the three slots of `y` from `at` on.
    fn volume_at(&self, y: &[f64], at: usize, v_m3: f64, per_m3: f64) -> Volume {
        let slots = y[at..].first_chunk().expect("a volume has three slots");
        self.volume(slots, v_m3, per_m3)
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
            fastest = fastest.max(self.chamber_rates::<STIFF>(y, dy));
        }
        if self.balance_pipe_m2 > 0.0 {
            fastest = fastest.max(self.pipe_rates::<STIFF>(y, dy));
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
        if c.cells > 1 {
            return self.column_rates::<STIFF>(i, g, y, dy);
        }
        let gas = y[c.at..].first_chunk().expect("two volumes");
        let slopes = dy[c.at..].first_chunk_mut().expect("volumes and totals");
        self.plain_rates::<STIFF>(i, g, gas, slopes)
    }

    /// [`Model::rates`] of one cylinder with one runner volume, from its own slots to its own slots.
    #[inline(always)]
    pub(crate) fn plain_rates<const STIFF: bool>(
        &self,
        i: usize,
        g: &Geometry,
        y: &[f64; PLAIN_GAS],
        dy: &mut [f64; PLAIN],
    ) -> f64 {
        let c = &self.cylinders[i];
        let [m, u, b, m_c, u_c, b_c] = *y;
        let runner = self.volume(&[m, u, b], c.cell_m3, c.per_cell_m3);
        let cylinder = self.volume(&[m_c, u_c, b_c], g.v_m3, g.per_m3);
        let e = self.exchange::<STIFF>(i, g, [&runner, &runner, &cylinder]);
        let heat = c.runner_heat_w(&runner);
        let (own, valve) = (&e.own, &e.valve);
        dy[0] = own.kg_s - valve.kg_s;
        dy[1] = own.h_w - valve.h_w + heat;
        dy[2] = own.burned_kg_s - valve.burned_kg_s;
        dy[VOLUME_SLOTS..PLAIN_GAS].copy_from_slice(&e.cylinder());
        dy[PLAIN_GAS..].copy_from_slice(&e.totals(runner.p_pa, heat));
        e.per_s
    }

    /// [`Model::plain_rates`] over slices of at least these lengths.
    #[inline(always)]
    pub(crate) fn plain_slice_rates(&self, i: usize, g: &Geometry, y: &[f64], dy: &mut [f64]) {
        let y = y.first_chunk().expect("two volumes");
        let dy = dy.first_chunk_mut().expect("volumes and totals");
        self.plain_rates::<false>(i, g, y, dy);
    }

    /// What flows, burns and works in cylinder `i`, by the gas next to the body, next to the intake valve
    /// and in the cylinder.
    #[inline(always)]
    fn exchange<const STIFF: bool>(
        &self,
        i: usize,
        g: &Geometry,
        [first, last, cylinder]: [&Volume; 3],
    ) -> Exchange {
        let c = &self.cylinders[i];
        let (own, psi, mut per_s) =
            flow::into::<STIFF>(self.direct_area_m2(i), &self.ambient, first);
        let mut valve = Flow::default();
        if g.intake_m2 > 0.0 {
            let (flow, [of_runner, of_cylinder]) =
                flow::between::<STIFF>(g.intake_m2, last, cylinder);
            valve = flow;
            per_s += of_runner + of_cylinder;
        }
        let mut out = Flow::default();
        if g.exhaust_m2 > 0.0 {
            let (flow, of_cylinder) = flow::out_of::<STIFF>(g.exhaust_m2, cylinder, &self.exhaust);
            out = flow;
            per_s += of_cylinder;
        }
        // The crankcase is taken at ambient; it gives nothing back.
        if c.blow_by_m2 > 0.0 && cylinder.p_pa > self.ambient.p_pa {
            let (flow, of_cylinder) = flow::out_of::<STIFF>(c.blow_by_m2, cylinder, &self.ambient);
            out += flow;
            per_s += of_cylinder;
        }
        let wall_w = c.spec.cylinder_wall.map_or(0.0, |w| {
            w.heat_of(g.wall_place * c.wall_speed, cylinder.p_pa, cylinder.t_k)
        });
        Exchange {
            own,
            psi,
            valve,
            out,
            heat_w: c.burn_heat_j * g.burn_per_s - wall_w,
            burned_kg_s: c.burn_air_kg * g.burn_per_s,
            power_w: cylinder.p_pa * g.dv_m3_s,
            per_s,
        }
    }

    /// [`Model::rates`] of one cylinder whose runner is split into several volumes.
    ///
    /// Between neighbours `dq/dt = (A/L)(p_j - p_j+1) - K q |q| / (2 rho A L)`; the flow carries the enthalpy
    /// of the volume it leaves.
    fn column_rates<const STIFF: bool>(
        &self,
        i: usize,
        g: &Geometry,
        y: &[f64],
        dy: &mut [f64],
    ) -> f64 {
        let c = &self.cylinders[i];
        let cell_at = |cell: usize| {
            let at = c.at + VOLUME_SLOTS * cell;
            self.volume_at(y, at, c.cell_m3, c.per_cell_m3)
        };
        let first = cell_at(0);
        let (mut heat, mut hottest_k) = (0.0, 0.0_f64);
        let mut here = first;
        for cell in 0..c.cells {
            let at = c.at + VOLUME_SLOTS * cell;
            let previous = here;
            here = cell_at(cell);
            let share = c.runner_heat_w(&here);
            heat += share;
            (dy[at], dy[at + 1], dy[at + 2]) = (0.0, share, 0.0);
            if cell > 0 {
                let slot = c.flows_at() + cell - 1;
                let q = y[slot];
                let up = if q >= 0.0 { &previous } else { &here };
                dy[slot] = c.area_over_length_m * (previous.p_pa - here.p_pa)
                    - c.loss_per_m3 * q * q.abs() / up.density_kg_m3;
                let flow = up.carry(q);
                shift(dy, at - VOLUME_SLOTS, -flow);
                shift(dy, at, flow);
            }
            hottest_k = hottest_k.max(here.t_k);
        }
        let at = c.cylinder_at();
        let cylinder = self.volume_at(y, at, g.v_m3, g.per_m3);
        let e = self.exchange::<STIFF>(i, g, [&first, &here, &cylinder]);
        shift(dy, c.at, e.own);
        shift(dy, c.last_cell_at(), -e.valve);
        dy[at..at + VOLUME_SLOTS].copy_from_slice(&e.cylinder());
        let totals = c.totals_at();
        dy[totals..totals + TOTALS].copy_from_slice(&e.totals(first.p_pa, heat));
        if !STIFF {
            return 0.0;
        }
        let rt_j_kg = self.gas.r_j_per_kg_k * hottest_k;
        e.per_s + flow::wave_per_s(rt_j_kg, c.area_over_length_m, c.cell_m3)
    }

    /// Idle valve into the chamber, chamber into the runners.
    fn chamber_rates<const STIFF: bool>(&self, y: &[f64], dy: &mut [f64]) -> f64 {
        let at = self.chamber_at;
        let chamber = self.volume_at(y, at, self.chamber_m3, 1.0 / self.chamber_m3);
        let (inflow, _, mut per_s) =
            flow::into::<STIFF>(self.idle_valve_m2, &self.ambient, &chamber);
        shift(dy, at, inflow);
        // What the valve lets in counts to the balance of the first cylinder's energy account.
        dy[self.cylinders[0].totals_at() + total::ENTHALPY_J] += inflow.h_w;
        for c in &self.cylinders {
            let runner = self.volume_at(y, c.at, c.cell_m3, c.per_cell_m3);
            let (flow, [of_chamber, _]) =
                flow::between::<STIFF>(self.passage_m2, &chamber, &runner);
            shift(dy, at, -flow);
            shift(dy, c.at, flow);
            dy[c.totals_at() + total::ACROSS_KG] += flow.kg_s;
            per_s += of_chamber;
        }
        per_s
    }

    /// Balance pipe between neighbouring runners.
    fn pipe_rates<const STIFF: bool>(&self, y: &[f64], dy: &mut [f64]) -> f64 {
        let mut fastest = 0.0_f64;
        for pair in self.cylinders.windows(2) {
            let (a, b) = (&pair[0], &pair[1]);
            let [gas_a, gas_b] = [a, b].map(|c| self.volume_at(y, c.at, c.cell_m3, c.per_cell_m3));
            let (flow, [of_a, of_b]) = flow::between::<STIFF>(self.balance_pipe_m2, &gas_a, &gas_b);
            shift(dy, a.at, -flow);
            shift(dy, b.at, flow);
            dy[a.totals_at() + total::ACROSS_KG] -= flow.kg_s;
            dy[b.totals_at() + total::ACROSS_KG] += flow.kg_s;
            fastest = fastest.max(of_a + of_b);
        }
        fastest
    }
}

/// Adds a flow to the slopes of the volume from slot `at` on.
fn shift(dy: &mut [f64], at: usize, flow: Flow) {
    dy[at] += flow.kg_s;
    dy[at + 1] += flow.h_w;
    dy[at + 2] += flow.burned_kg_s;
}
