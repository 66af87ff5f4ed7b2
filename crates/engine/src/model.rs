//! Constants of one engine in one setting, and where each value sits in the state.

use std::ops::Range;

use crate::combustion::{BurnRate, CylinderWall, HeatRelease};
use crate::crank::VolumeTable;
use crate::flow::{Surrounding, Volume};
use crate::gas::WorkingGas;
use crate::rates::{TOTALS, VOLUME_SLOTS};
use crate::setting::{BodySetting, Setting};
use crate::spec::{CylinderSpec, EngineSpec};
use crate::valve::{OpenValve, wrap_720};

/// What depends on the crank angle alone, for one cylinder.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Geometry {
    pub(crate) v_m3: f64,
    /// One over it [1/m3].
    pub(crate) per_m3: f64,
    pub(crate) dv_m3_s: f64,
    pub(crate) intake_m2: f64,
    pub(crate) exhaust_m2: f64,
    pub(crate) burn_per_s: f64,
    /// See [`CylinderWall::of_place`]; zero without wall heat.
    pub(crate) wall_place: f64,
}

impl Geometry {
    #[inline(always)]
    fn new(shape: &Shape, breathing_scale: f64, deg_per_s: f64) -> Self {
        Self {
            v_m3: shape.v_m3,
            per_m3: shape.per_m3,
            dv_m3_s: shape.dv_m3_deg * deg_per_s,
            intake_m2: breathing_scale * shape.intake_m2,
            exhaust_m2: breathing_scale * shape.exhaust_m2,
            burn_per_s: 0.0,
            wall_place: shape.wall_place,
        }
    }

    /// True when no valve is open and nothing burns.
    pub(crate) fn is_quiet(&self) -> bool {
        self.intake_m2 <= 0.0 && self.exhaust_m2 <= 0.0 && self.burn_per_s <= 0.0
    }
}

/// What of [`Geometry`] the crank angle alone decides, whatever the speed and how well the valves breathe.
#[derive(Debug, Clone, Copy)]
struct Shape {
    v_m3: f64,
    per_m3: f64,
    dv_m3_deg: f64,
    intake_m2: f64,
    exhaust_m2: f64,
    wall_place: f64,
}

/// Added to a number below 2^31 it leaves the nearest whole one: 2^52.
const WHOLE: f64 = 4_503_599_627_370_496.0;

/// How far from a half row an angle may lie to count as one, in half rows; rounding leaves 1e-13.
const ON_A_HALF_ROW: f64 = 1e-9;

/// The heat release of one cylinder at one speed.
#[derive(Debug, Clone)]
pub(crate) struct Burn {
    /// Start of the burn as an angle of the crank [deg], 0 to 720.
    pub(crate) from_deg: f64,
    pub(crate) duration_deg: f64,
    law: BurnRate,
}

impl Burn {
    /// `top_deg` [deg]: firing top dead centre; `rpm` [1/min].
    fn new(law: &HeatRelease, top_deg: f64, rpm: f64) -> Self {
        Self {
            from_deg: wrap_720(top_deg + law.start_deg(rpm)),
            duration_deg: law.duration_deg,
            law: law.rate(),
        }
    }

    /// Rate [1/deg] at crank angle `theta_deg`, 0 to 720.
    #[inline(always)]
    fn rate_per_deg(&self, theta_deg: f64) -> f64 {
        let since_deg = theta_deg - self.from_deg;
        let since_deg = if since_deg < 0.0 {
            since_deg + 720.0
        } else {
            since_deg
        };
        if since_deg >= self.duration_deg {
            return 0.0;
        }
        self.law.per_deg(since_deg)
    }
}

/// Constants of one cylinder in one setting.
#[derive(Debug, Clone)]
pub(crate) struct CylinderModel {
    pub(crate) spec: CylinderSpec,
    /// First slot of the runner: its volumes from the body on, the cylinder, then the flows
    /// between neighbouring runner volumes [kg/s].
    pub(crate) at: usize,
    /// Gas volumes in the runner.
    pub(crate) cells: usize,
    /// Volume of each [m3].
    pub(crate) cell_m3: f64,
    /// One over it [1/m3].
    pub(crate) per_cell_m3: f64,
    intake: OpenValve,
    exhaust: OpenValve,
    /// Piston crown and head [m2], and cylinder wall to volume [m2/m3].
    ends_m2: f64,
    round_m2_per_m3: f64,
    /// See [`CylinderWall::of_speed`], at the present speed.
    pub(crate) wall_speed: f64,
    /// Volume of the cylinder over the crank angle.
    volume: VolumeTable,
    /// Shape at every half row of a cycle, both ends included: steps from row to row look only there,
    /// and the angles are the same in every cycle.
    half_rows: Vec<Shape>,
    /// Cross-section over length of the gas between two centres [m]; zero without a column.
    pub(crate) area_over_length_m: f64,
    /// `K / (2 A L)` of the loss `K q |q| / (2 rho A L)` [1/m3].
    pub(crate) loss_per_m3: f64,
    pub(crate) own_area_m2: f64,
    pub(crate) breathing_scale: f64,
    pub(crate) blow_by_m2: f64,
    /// The burn at the present speed; none in a motored cylinder.
    pub(crate) burn: Option<Burn>,
    /// Air mass the coming burn consumes [kg], set at the start of the burn.
    pub(crate) burn_air_kg: f64,
    /// Heat the coming burn releases [J], set at the start of the burn.
    pub(crate) burn_heat_j: f64,
}

impl CylinderModel {
    fn new(spec: &CylinderSpec, body: &BodySetting, at: usize) -> Self {
        let (mut cells, mut area_over_length_m, mut loss_per_m3) = (1, 0.0, 0.0);
        if let Some(column) = spec.column {
            cells = column.cells;
            let area_m2 = spec.runner_m3 / column.length_m;
            let spacing_m = column.length_m / cells as f64;
            area_over_length_m = area_m2 / spacing_m;
            loss_per_m3 = 0.5 * column.loss / (area_m2 * spacing_m);
        }
        Self {
            spec: spec.clone(),
            at,
            cells,
            cell_m3: spec.runner_m3 / cells as f64,
            per_cell_m3: cells as f64 / spec.runner_m3,
            intake: OpenValve::new(&spec.intake),
            exhaust: OpenValve::new(&spec.exhaust),
            ends_m2: 2.0 * spec.crank.piston_area_m2(),
            round_m2_per_m3: 4.0 / spec.crank.bore_m,
            wall_speed: 0.0,
            volume: VolumeTable::new(&spec.crank),
            half_rows: Vec::new(),
            area_over_length_m,
            loss_per_m3,
            own_area_m2: 0.0,
            breathing_scale: body.breathing_scale,
            blow_by_m2: body.blow_by_m2,
            burn: None,
            burn_air_kg: 0.0,
            burn_heat_j: 0.0,
        }
    }

    /// Shape at `phi_deg` (0 to 720) after the start of the intake stroke.
    fn shape(&self, phi_deg: f64) -> Shape {
        let (v_m3, dv_m3_deg) = self.volume.at(phi_deg);
        Shape {
            v_m3,
            per_m3: 1.0 / v_m3,
            dv_m3_deg,
            intake_m2: self.intake.area_m2(phi_deg),
            exhaust_m2: self.exhaust.area_m2(phi_deg),
            wall_place: self.spec.cylinder_wall.map_or(0.0, |_| {
                let area_m2 = self.ends_m2 + v_m3 * self.round_m2_per_m3;
                CylinderWall::of_place(v_m3, area_m2)
            }),
        }
    }

    /// Angle after the start of the intake stroke [deg], 0 to 720.
    fn phi_deg(&self, theta_deg: f64) -> f64 {
        wrap_720(theta_deg - self.spec.intake_start_deg)
    }

    /// State slots: runner, cylinder, flows, running totals.
    pub(crate) fn slots(&self) -> Range<usize> {
        self.at..self.totals_at() + TOTALS
    }

    /// First slot of the runner volume next to the intake valve.
    pub(crate) fn last_cell_at(&self) -> usize {
        self.at + VOLUME_SLOTS * (self.cells - 1)
    }

    /// First slot of the cylinder.
    pub(crate) fn cylinder_at(&self) -> usize {
        self.at + VOLUME_SLOTS * self.cells
    }

    /// Slot of the first flow between runner volumes.
    pub(crate) fn flows_at(&self) -> usize {
        self.cylinder_at() + VOLUME_SLOTS
    }

    /// First slot of the running totals.
    pub(crate) fn totals_at(&self) -> usize {
        self.flows_at() + self.cells - 1
    }

    /// Heat from the runner's wall into one of its volumes [W].
    #[inline(always)]
    pub(crate) fn runner_heat_w(&self, gas: &Volume) -> f64 {
        self.spec.runner_wall.map_or(0.0, |wall| {
            wall.conductance_w_per_k * (wall.t_k - gas.t_k) / self.cells as f64
        })
    }

    /// Pressure next to the body [Pa] of gas of mass `m` [kg] and energy `u` [J].
    pub(crate) fn runner_pa(&self, gas: WorkingGas, [m, u]: [f64; 2]) -> f64 {
        m * gas.r_j_per_kg_k * gas.t_k(u / m) / self.cell_m3
    }
}

fn ambient(gas: WorkingGas, setting: &Setting) -> Surrounding {
    let t_k = setting.ambient_k;
    let h_j_kg = gas.h_j_per_kg(t_k);
    Surrounding::new(gas.r_j_per_kg_k, setting.ambient_pa, t_k, 0.0, h_j_kg)
}

fn exhaust(gas: WorkingGas, spec: &EngineSpec, setting: &Setting) -> Surrounding {
    let (t_k, burned) = (spec.exhaust.t_k, spec.exhaust.burned);
    let p_pa = setting.ambient_pa + spec.exhaust.back_pressure_pa;
    Surrounding::new(gas.r_j_per_kg_k, p_pa, t_k, burned, gas.h_j_per_kg(t_k))
}

/// The whole engine in one setting at one speed.
#[derive(Debug, Clone)]
pub(crate) struct Model {
    pub(crate) cylinders: Vec<CylinderModel>,
    /// First slot of the idle-air chamber.
    pub(crate) chamber_at: usize,
    pub(crate) gas: WorkingGas,
    /// Gas constant over the constant part of the specific heat [-].
    pub(crate) r_over_c0: f64,
    /// One over that part [kg K/J].
    pub(crate) per_c0: f64,
    pub(crate) ambient: Surrounding,
    pub(crate) exhaust: Surrounding,
    /// Density and internal energy per mass of the ambient air [kg/m3, J/kg].
    rest: (f64, f64),
    pub(crate) chamber_m3: f64,
    pub(crate) passage_m2: f64,
    pub(crate) balance_pipe_m2: f64,
    pub(crate) idle_valve_m2: f64,
    /// What of it feeds each runner without passing a chamber [m2].
    share_m2: f64,
    pub(crate) deg_per_s: f64,
    /// One over it [s/deg].
    pub(crate) s_per_deg: f64,
    /// Half rows to a degree [1/deg].
    half_rows_per_deg: f64,
}

impl Model {
    pub(crate) fn new(spec: &EngineSpec, setting: &Setting) -> Self {
        let gas = spec.gas;
        let mut at = 0;
        let cylinders = spec
            .cylinders
            .iter()
            .zip(&setting.bodies)
            .map(|(cylinder, body)| {
                let model = CylinderModel::new(cylinder, body, at);
                at = model.slots().end;
                model
            })
            .collect();
        let mut model = Self {
            cylinders,
            chamber_at: at,
            gas,
            r_over_c0: gas.r_j_per_kg_k / gas.c0_j_per_kg_k,
            per_c0: 1.0 / gas.c0_j_per_kg_k,
            ambient: ambient(gas, setting),
            exhaust: exhaust(gas, spec, setting),
            rest: (
                setting.ambient_pa / (gas.r_j_per_kg_k * setting.ambient_k),
                gas.u_j_per_kg(setting.ambient_k),
            ),
            chamber_m3: spec.idle.chamber_m3,
            passage_m2: setting.passage_m2,
            balance_pipe_m2: setting.balance_pipe_m2,
            idle_valve_m2: 0.0,
            share_m2: 0.0,
            deg_per_s: 0.0,
            s_per_deg: 0.0,
            half_rows_per_deg: 0.0,
        };
        model.set_rpm(1000.0);
        model
    }

    /// Takes over the speed [1/min] and what it alone decides.
    pub(crate) fn set_rpm(&mut self, rpm: f64) {
        self.deg_per_s = 6.0 * rpm;
        self.s_per_deg = 1.0 / self.deg_per_s;
        for c in &mut self.cylinders {
            let piston_m_s = 2.0 * c.spec.crank.stroke_m * rpm / 60.0;
            c.wall_speed = CylinderWall::of_speed(piston_m_s);
            let top_deg = c.spec.intake_start_deg + 360.0;
            c.burn = c.spec.heat.map(|law| Burn::new(&law, top_deg, rpm));
        }
    }

    /// Works out what the angles of a cycle of `rows` rows decide, once for all cycles.
    pub(crate) fn set_rows(&mut self, rows: usize) {
        self.half_rows_per_deg = rows as f64 / 360.0;
        let step_deg = 360.0 / rows as f64;
        for c in &mut self.cylinders {
            c.half_rows = (0..=2 * rows)
                .map(|half| c.shape(c.phi_deg(half as f64 * step_deg)))
                .collect();
        }
    }

    /// Takes over weather, cross-flow and what differs from body to body; the gas stays as it is.
    pub(crate) fn apply(&mut self, spec: &EngineSpec, setting: &Setting) {
        self.ambient = ambient(self.gas, setting);
        self.exhaust = exhaust(self.gas, spec, setting);
        self.passage_m2 = setting.passage_m2;
        self.balance_pipe_m2 = setting.balance_pipe_m2;
        self.set_idle_valve_m2(self.idle_valve_m2);
        for (c, body) in self.cylinders.iter_mut().zip(&setting.bodies) {
            c.breathing_scale = body.breathing_scale;
            c.blow_by_m2 = body.blow_by_m2;
        }
    }

    /// True when the idle air comes through a real chamber and passages.
    pub(crate) fn has_chamber(&self) -> bool {
        self.passage_m2 > 0.0
    }

    /// Area that feeds runner `cylinder` from ambient without passing a chamber [m2].
    pub(crate) fn direct_area_m2(&self, cylinder: usize) -> f64 {
        self.cylinders[cylinder].own_area_m2 + self.share_m2
    }

    /// Sets the idle valve's area [m2].
    pub(crate) fn set_idle_valve_m2(&mut self, area_m2: f64) {
        self.idle_valve_m2 = area_m2;
        self.share_m2 = if self.has_chamber() {
            0.0
        } else {
            area_m2 / self.cylinders.len() as f64
        };
    }

    /// Length of the state.
    pub(crate) fn state_len(&self) -> usize {
        self.chamber_at + VOLUME_SLOTS
    }

    /// True when one runner's gas reaches another.
    pub(crate) fn is_coupled(&self) -> bool {
        self.has_chamber() || self.balance_pipe_m2 > 0.0
    }

    /// Everything at rest: runners and chamber at ambient, cylinders full of ambient air.
    pub(crate) fn rest_state(&self) -> Vec<f64> {
        let mut y = vec![0.0; self.state_len()];
        let (density, u) = self.rest;
        let mut fill = |slot: usize, v_m3: f64| {
            y[slot] = density * v_m3;
            y[slot + 1] = density * v_m3 * u;
        };
        for c in &self.cylinders {
            for cell in 0..c.cells {
                fill(c.at + VOLUME_SLOTS * cell, c.cell_m3);
            }
            let phi = (-c.spec.intake_start_deg).to_radians();
            let v = c.spec.crank.clearance_m3()
                + c.spec.crank.piston_area_m2() * c.spec.crank.travel_m(phi).0;
            fill(c.cylinder_at(), v);
        }
        fill(self.chamber_at, self.chamber_m3);
        y
    }

    /// Volumes, areas and burn rate of some cylinders at crank angle `theta_deg` (0 to 720).
    pub(crate) fn geometry(&self, cylinders: Range<usize>, theta_deg: f64, out: &mut [Geometry]) {
        for (i, g) in cylinders.zip(out) {
            *g = self.geometry_of(i, theta_deg);
        }
    }

    /// [`Model::geometry`] of one cylinder.
    #[inline]
    pub(crate) fn geometry_of(&self, i: usize, theta_deg: f64) -> Geometry {
        let c = &self.cylinders[i];
        let place = theta_deg * self.half_rows_per_deg;
        // The next half row in the low bits of a large number: a cast takes several times as long.
        let nearest = place + WHOLE;
        let half_row = nearest.to_bits() as u32 as usize;
        let mut g = match c.half_rows.get(half_row) {
            Some(shape) if (place - (nearest - WHOLE)).abs() < ON_A_HALF_ROW => {
                Geometry::new(shape, c.breathing_scale, self.deg_per_s)
            }
            _ => {
                let shape = c.shape(c.phi_deg(theta_deg));
                Geometry::new(&shape, c.breathing_scale, self.deg_per_s)
            }
        };
        if let Some(burn) = &c.burn {
            g.burn_per_s = burn.rate_per_deg(theta_deg) * self.deg_per_s;
        }
        g
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spec::Basics;

    /// The angles that every cycle has in common must give what any other way to them gives.
    #[test]
    fn half_rows_hold_what_the_angle_gives() {
        let spec = EngineSpec::from_basics(&Basics::default()).unwrap();
        let setting = Setting::healthy(&spec, 2.0);
        let plain = Model::new(&spec, &setting);
        let mut tabled = plain.clone();
        tabled.set_rows(100);
        let n = plain.cylinders.len();
        let (mut want, mut got) = (vec![Geometry::default(); n], vec![Geometry::default(); n]);
        for k in 0..=800 {
            // Every fourth lies on a half row.
            let theta_deg = f64::from(k) * 0.9;
            plain.geometry(0..n, theta_deg, &mut want);
            tabled.geometry(0..n, theta_deg, &mut got);
            for (want, got) in want.iter().zip(&got) {
                for (want, got) in [
                    (want.v_m3, got.v_m3),
                    (want.per_m3 * want.v_m3, 1.0),
                    (want.dv_m3_s, got.dv_m3_s),
                    (want.intake_m2, got.intake_m2),
                    (want.exhaust_m2, got.exhaust_m2),
                    (want.burn_per_s, got.burn_per_s),
                    (want.wall_place, got.wall_place),
                ] {
                    assert!(
                        (got - want).abs() <= 1e-9 * want.abs().max(1e-6),
                        "{theta_deg}"
                    );
                }
            }
        }
    }
}
