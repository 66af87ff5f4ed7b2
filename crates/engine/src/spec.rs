//! What the engine is: dimensions, timing, gas and losses, from numbers alone.

use evenpull_airflow::{Discharge, Plate, Throttle};

use crate::combustion::{CylinderWall, Friction, HeatRelease, RunnerWall};
use crate::crank::SliderCrank;
use crate::error::EngineError;
use crate::gas::WorkingGas;
use crate::valve::{LiftShape, Valve};

/// Gas column with inertia in a runner, instead of one volume at one pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GasColumn {
    /// Volumes the runner is split into, 2 to 12.
    pub cells: usize,
    /// Length from plate to intake valve [m]; with the runner volume this sets the cross-section.
    pub length_m: f64,
    /// Pressure loss between neighbouring volumes over dynamic pressure [-].
    pub loss: f64,
}

/// One cylinder with its runner and body.
#[derive(Debug, Clone, PartialEq)]
pub struct CylinderSpec {
    /// Crank angle at which its intake stroke starts [deg], 0 to 720.
    pub intake_start_deg: f64,
    /// Crank, rod, clearance.
    pub crank: SliderCrank,
    /// Intake valve.
    pub intake: Valve,
    /// Exhaust valve.
    pub exhaust: Valve,
    /// Gas volume from plate to intake valve [m3].
    pub runner_m3: f64,
    /// Several volumes with gas inertia; `None` is one volume.
    pub column: Option<GasColumn>,
    /// Heat between runner wall and gas; `None` is adiabatic.
    pub runner_wall: Option<RunnerWall>,
    /// Heat between cylinder wall and gas; `None` is adiabatic.
    pub cylinder_wall: Option<CylinderWall>,
    /// Heat release; `None` is motored.
    pub heat: Option<HeatRelease>,
    /// Plate and discharge of the throttle body.
    pub body: Throttle,
}

/// The idle valve and the chamber it feeds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct IdleCircuit {
    /// Steps from shut to fully open.
    pub steps: f64,
    /// Effective area per step, all cylinders together [m2].
    pub area_per_step_m2: f64,
    /// Gas volume between the valve and the passages [m3], used when the passages are real.
    pub chamber_m3: f64,
}

impl IdleCircuit {
    /// Effective area at `steps` [m2], all cylinders together; positions beyond an end count as
    /// the end.
    pub fn area_m2(&self, steps: f64) -> f64 {
        steps.clamp(0.0, self.steps) * self.area_per_step_m2
    }
}

/// What the exhaust valve opens into.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exhaust {
    /// Pressure above ambient [Pa].
    pub back_pressure_pa: f64,
    /// Temperature of gas that flows back [K].
    pub t_k: f64,
    /// Burned share of gas that flows back [-], 0 to 1.
    pub burned: f64,
}

/// The whole engine.
#[derive(Debug, Clone, PartialEq)]
pub struct EngineSpec {
    /// Cylinders, in the profile's order.
    pub cylinders: Vec<CylinderSpec>,
    /// Working gas.
    pub gas: WorkingGas,
    /// Idle valve and chamber.
    pub idle: IdleCircuit,
    /// Friction.
    pub friction: Friction,
    /// Exhaust side.
    pub exhaust: Exhaust,
}

/// The numbers an engine profile carries, alike for all cylinders; SI units.
#[derive(Debug, Clone, PartialEq)]
pub struct Basics {
    /// Swept volume of each cylinder [m3].
    pub displacement_m3: f64,
    /// Compression ratio [-].
    pub compression_ratio: f64,
    /// Rod length over crank radius [-].
    pub rod_to_crank: f64,
    /// Start of each intake stroke [deg], one per cylinder, 0 to 720.
    pub intake_start_deg: Vec<f64>,
    /// Intake valve opens before top dead centre [deg].
    pub inlet_opens_btdc_deg: f64,
    /// Intake valve closes after bottom dead centre [deg].
    pub inlet_closes_abdc_deg: f64,
    /// Exhaust valve opens before bottom dead centre [deg].
    pub exhaust_opens_bbdc_deg: f64,
    /// Exhaust valve closes after top dead centre [deg].
    pub exhaust_closes_atdc_deg: f64,
    /// Plate and discharge of the throttle body.
    pub body: Throttle,
    /// Runner volume [m3].
    pub runner_m3: f64,
    /// Idle valve steps from shut to open.
    pub idle_steps: f64,
    /// Idle valve area per step, all cylinders together [m2].
    pub idle_area_per_step_m2: f64,
    /// Warm idle of the healthy engine, which settles the friction; `None` keeps the cited fit.
    pub baseline: Option<IdleBaseline>,
}

/// Where the healthy engine idles: what friction must be for that.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct IdleBaseline {
    /// Idle speed [1/min].
    pub rpm: f64,
    /// Plate opening on the stop [deg above shut].
    pub stop_deg: f64,
    /// Bleed area of each body [m2].
    pub bleed_m2: f64,
    /// Idle valve position [steps].
    pub idle_steps: f64,
}

impl Default for Basics {
    /// An invented 90-degree twin of 2 x 530 cc with 46 mm bodies.
    fn default() -> Self {
        Self {
            displacement_m3: 530e-6,
            compression_ratio: 10.0,
            rod_to_crank: 3.6,
            intake_start_deg: vec![0.0, 270.0],
            inlet_opens_btdc_deg: 12.0,
            inlet_closes_abdc_deg: 52.0,
            exhaust_opens_bbdc_deg: 50.0,
            exhaust_closes_atdc_deg: 18.0,
            body: Throttle {
                plate: Plate::new(0.046, 0.009, 6.0_f64.to_radians())
                    .expect("a spindle within the bore"),
                discharge: Discharge::constant(0.75).expect("a coefficient below 1"),
            },
            runner_m3: 260e-6,
            idle_steps: 200.0,
            idle_area_per_step_m2: 0.06e-6,
            // Valve at 30 % of its travel, bleeds half a turn out: the trade's hot idle.
            baseline: Some(IdleBaseline {
                rpm: 1250.0,
                stop_deg: 2.2,
                bleed_m2: 1.0e-6,
                idle_steps: 60.0,
            }),
        }
    }
}

/// Largest effective intake area over piston area [-]: one valve of 0.43 bore lifted a quarter of
/// its diameter, discharge 0.65; assumed.
const INTAKE_AREA_SHARE: f64 = 0.11;
/// Largest effective exhaust area over piston area [-]: four fifths of the intake; assumed.
const EXHAUST_AREA_SHARE: f64 = 0.09;
/// Bore over stroke where the profile gives the displacement only [-]; assumed.
const BORE_OVER_STROKE: f64 = 1.15;

/// Least constant part of the friction a baseline can ask for [Pa]; assumed.
const LEAST_FRICTION_PA: f64 = 30e3;

impl EngineSpec {
    /// A fired, warm engine from the numbers of a profile.
    ///
    /// What a profile does not say is assumed here: bore 1.15 of the stroke, valve areas as a
    /// share of the piston area, `sin^2` valve areas, walls of 430 K (cylinder) and 330 K (runner,
    /// 0.6 W/K), exhaust at ambient + 1 kPa and 850 K, idle-air chamber of 60 cc. The constant
    /// part of the friction is set so that the healthy engine idles at sea level as the baseline
    /// says, but not below 30 kPa.
    ///
    /// # Errors
    /// [`EngineError`] naming the number that is out of its range.
    pub fn from_basics(basics: &Basics) -> Result<Self, EngineError> {
        let stroke = (4.0 * basics.displacement_m3
            / (std::f64::consts::PI * BORE_OVER_STROKE * BORE_OVER_STROKE))
            .cbrt();
        let crank = SliderCrank {
            bore_m: BORE_OVER_STROKE * stroke,
            stroke_m: stroke,
            rod_m: 0.5 * basics.rod_to_crank * stroke,
            compression_ratio: basics.compression_ratio,
        };
        let piston_m2 = crank.piston_area_m2();
        let cylinder = CylinderSpec {
            intake_start_deg: 0.0,
            crank,
            intake: Valve {
                opens_deg: -basics.inlet_opens_btdc_deg,
                closes_deg: 180.0 + basics.inlet_closes_abdc_deg,
                max_area_m2: INTAKE_AREA_SHARE * piston_m2,
                shape: LiftShape::SineSquared,
            },
            exhaust: Valve {
                opens_deg: 540.0 - basics.exhaust_opens_bbdc_deg,
                closes_deg: 720.0 + basics.exhaust_closes_atdc_deg,
                max_area_m2: EXHAUST_AREA_SHARE * piston_m2,
                shape: LiftShape::SineSquared,
            },
            runner_m3: basics.runner_m3,
            column: None,
            runner_wall: Some(RunnerWall {
                t_k: 330.0,
                conductance_w_per_k: 0.6,
            }),
            cylinder_wall: Some(CylinderWall {
                t_k: 430.0,
                scale: 1.0,
            }),
            heat: Some(HeatRelease::no_load(
                basics.baseline.map_or(1250.0, |b| b.rpm),
            )),
            body: basics.body.clone(),
        };
        let mut spec = Self {
            cylinders: basics
                .intake_start_deg
                .iter()
                .map(|&intake_start_deg| CylinderSpec {
                    intake_start_deg,
                    ..cylinder.clone()
                })
                .collect(),
            gas: WorkingGas::charge(),
            idle: IdleCircuit {
                steps: basics.idle_steps,
                area_per_step_m2: basics.idle_area_per_step_m2,
                chamber_m3: 60e-6,
            },
            friction: Friction::CITED,
            exhaust: Exhaust {
                back_pressure_pa: 1e3,
                t_k: 850.0,
                burned: 1.0,
            },
        };
        spec.check()?;
        if let Some(baseline) = basics.baseline {
            spec.friction.c0_pa += crate::operating::missing_fmep_pa(&spec, &baseline)?;
            spec.friction.c0_pa = spec.friction.c0_pa.max(LEAST_FRICTION_PA);
        }
        Ok(spec)
    }

    /// Swept volume of all cylinders [m3].
    pub fn swept_m3(&self) -> f64 {
        self.cylinders.iter().map(|c| c.crank.swept_m3()).sum()
    }

    /// Friction torque, mean over a cycle [Nm], at `rpm` [1/min].
    pub fn friction_nm(&self, rpm: f64) -> f64 {
        self.friction.fmep_pa(rpm) * self.swept_m3() / (4.0 * std::f64::consts::PI)
    }

    /// The same engine with runners of `cells` volumes (2 to 12) and gas inertia.
    ///
    /// The runner is taken as a straight pipe of the body's bore; a loss of 0.1 per length between
    /// volumes stands for wall friction and bends, assumed.
    #[must_use]
    pub fn with_gas_columns(mut self, cells: usize) -> Self {
        for c in &mut self.cylinders {
            let bore_m = c.body.plate.bore_m();
            let length_m = c.runner_m3 / (0.25 * std::f64::consts::PI * bore_m * bore_m);
            c.column = Some(GasColumn {
                cells,
                length_m,
                loss: 0.1,
            });
        }
        self
    }

    /// Checks every number against its range.
    ///
    /// # Errors
    /// [`EngineError`] naming the first number that is out of its range.
    pub fn check(&self) -> Result<(), EngineError> {
        if self.cylinders.is_empty() {
            return Err(range("number of cylinders", 0.0, "", "at least 1"));
        }
        for (cylinder, c) in self.cylinders.iter().enumerate() {
            check_cylinder(cylinder, c)?;
        }
        for (what, value, unit, ok, expected) in [
            (
                "idle valve steps",
                self.idle.steps,
                "steps",
                self.idle.steps >= 0.0,
                "not negative",
            ),
            (
                "idle valve area per step",
                self.idle.area_per_step_m2,
                "m2",
                self.idle.area_per_step_m2 >= 0.0,
                "not negative",
            ),
            (
                "idle-air chamber volume",
                self.idle.chamber_m3,
                "m3",
                self.idle.chamber_m3 > 0.0,
                "positive",
            ),
            (
                "exhaust temperature",
                self.exhaust.t_k,
                "K",
                self.exhaust.t_k > 0.0,
                "positive",
            ),
            (
                "burned share of the exhaust",
                self.exhaust.burned,
                "",
                (0.0..=1.0).contains(&self.exhaust.burned),
                "between 0 and 1",
            ),
        ] {
            if !(value.is_finite() && ok) {
                return Err(range(what, value, unit, expected));
            }
        }
        Ok(())
    }
}

fn range(
    what: &'static str,
    value: f64,
    unit: &'static str,
    expected: &'static str,
) -> EngineError {
    EngineError::Range {
        what,
        value,
        unit,
        expected,
    }
}

fn check_cylinder(cylinder: usize, c: &CylinderSpec) -> Result<(), EngineError> {
    let open_deg = |v: &Valve| v.closes_deg - v.opens_deg;
    let rows: [(&'static str, f64, &'static str, bool, &'static str); 13] = [
        (
            "start of the intake stroke",
            c.intake_start_deg,
            "deg",
            (0.0..720.0).contains(&c.intake_start_deg),
            "at least 0 and below 720",
        ),
        (
            "bore",
            c.crank.bore_m,
            "m",
            c.crank.bore_m > 0.0,
            "positive",
        ),
        (
            "stroke",
            c.crank.stroke_m,
            "m",
            c.crank.stroke_m > 0.0,
            "positive",
        ),
        (
            "rod length",
            c.crank.rod_m,
            "m",
            c.crank.rod_m > 0.5 * c.crank.stroke_m,
            "above half the stroke",
        ),
        (
            "compression ratio",
            c.crank.compression_ratio,
            "",
            c.crank.compression_ratio > 1.0,
            "above 1",
        ),
        (
            "runner volume",
            c.runner_m3,
            "m3",
            c.runner_m3 > 0.0,
            "positive",
        ),
        (
            "number of runner volumes",
            c.column.map_or(2.0, |g| g.cells as f64),
            "",
            c.column.is_none_or(|g| (2..=12).contains(&g.cells)),
            "2 to 12",
        ),
        (
            "runner length",
            c.column.map_or(1.0, |g| g.length_m),
            "m",
            c.column.is_none_or(|g| g.length_m > 0.0),
            "positive",
        ),
        (
            "runner loss",
            c.column.map_or(0.0, |g| g.loss),
            "",
            c.column.is_none_or(|g| g.loss >= 0.0),
            "not negative",
        ),
        (
            "intake opening time",
            open_deg(&c.intake),
            "deg",
            open_deg(&c.intake) > 0.0 && open_deg(&c.intake) < 720.0,
            "between 0 and 720",
        ),
        (
            "exhaust opening time",
            open_deg(&c.exhaust),
            "deg",
            open_deg(&c.exhaust) > 0.0 && open_deg(&c.exhaust) < 720.0,
            "between 0 and 720",
        ),
        (
            "intake area",
            c.intake.max_area_m2,
            "m2",
            c.intake.max_area_m2 > 0.0,
            "positive",
        ),
        (
            "exhaust area",
            c.exhaust.max_area_m2,
            "m2",
            c.exhaust.max_area_m2 > 0.0,
            "positive",
        ),
    ];
    for (what, value, unit, ok, expected) in rows {
        if !(value.is_finite() && ok) {
            return Err(EngineError::Cylinder {
                what,
                cylinder,
                value,
                unit,
                expected,
            });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn basics_keep_the_displacement() {
        let spec = EngineSpec::from_basics(&Basics::default()).unwrap();
        for c in &spec.cylinders {
            assert!((c.crank.swept_m3() - 530e-6).abs() < 1e-12);
        }
    }

    #[test]
    fn impossible_numbers_are_named() {
        let mut basics = Basics {
            rod_to_crank: 0.9,
            ..Basics::default()
        };
        let text = EngineSpec::from_basics(&basics).unwrap_err().to_string();
        assert!(text.contains("rod length of cylinder 0"), "{text}");
        basics.rod_to_crank = 3.6;
        basics.intake_start_deg = vec![];
        assert!(EngineSpec::from_basics(&basics).is_err());
        basics.intake_start_deg = vec![0.0, f64::NAN];
        let text = EngineSpec::from_basics(&basics).unwrap_err().to_string();
        assert!(text.contains("cylinder 1"), "{text}");
    }
}
