//! How the engine is set and what is wrong with it: stops, links, leaks, bleeds, air, weather.

use crate::error::EngineError;
use crate::linkage::{Coupling, Linkage};
use crate::spec::EngineSpec;

/// What may differ from body to body besides the plate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BodySetting {
    /// Effective area of a leak downstream of the plate [m2].
    pub leak_m2: f64,
    /// Effective area of the bleed [m2].
    pub bleed_m2: f64,
    /// Valve areas over the specified ones [-]: a tight or worn valve train.
    pub breathing_scale: f64,
    /// Heat released over the specified [-]: a weak spark or injector.
    pub combustion_scale: f64,
    /// Effective leak area out of the cylinder [m2]: rings or valve seats.
    pub blow_by_m2: f64,
}

impl Default for BodySetting {
    /// Nothing wrong, bleed shut.
    fn default() -> Self {
        Self {
            leak_m2: 0.0,
            bleed_m2: 0.0,
            breathing_scale: 1.0,
            combustion_scale: 1.0,
            blow_by_m2: 0.0,
        }
    }
}

/// Weather, adjusters and faults for one run.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting {
    /// Ambient pressure [Pa].
    pub ambient_pa: f64,
    /// Ambient temperature [K].
    pub ambient_k: f64,
    /// Stops, links and coupling.
    pub linkage: Linkage,
    /// One per cylinder.
    pub bodies: Vec<BodySetting>,
    /// Effective area of each passage between the idle-air chamber and a runner [m2].
    ///
    /// Zero stands for a perfect split: each runner gets an equal share of the valve's area and
    /// nothing flows across.
    pub passage_m2: f64,
    /// Effective area of the balance pipe between neighbouring runners [m2]; zero for none.
    pub balance_pipe_m2: f64,
}

impl Setting {
    /// Healthy: plates alike on stops at `stop_deg` [deg above shut], rigid link, sea level, 20 C.
    pub fn healthy(spec: &EngineSpec, stop_deg: f64) -> Self {
        let cylinders = spec.cylinders.len();
        Self {
            ambient_pa: 101_325.0,
            ambient_k: 293.15,
            linkage: Linkage::even(Coupling::Rigid, cylinders - 1, stop_deg, cylinders),
            bodies: vec![BodySetting::default(); cylinders],
            passage_m2: 0.0,
            balance_pipe_m2: 0.0,
        }
    }

    /// Checks the setting against the engine.
    ///
    /// # Errors
    /// [`EngineError`] naming the first value that is out of its range, or the list that does not
    /// have one entry per cylinder.
    pub fn check(&self, spec: &EngineSpec) -> Result<(), EngineError> {
        let cylinders = spec.cylinders.len();
        for (what, got) in [
            ("body list", self.bodies.len()),
            ("stop list", self.linkage.stop_deg.len()),
        ] {
            if got != cylinders {
                return Err(EngineError::Length {
                    what,
                    got,
                    cylinders,
                });
            }
        }
        self.linkage.openings_deg(0.0)?;
        for (what, value, unit, low) in [
            ("ambient pressure", self.ambient_pa, "Pa", 1e4),
            ("ambient temperature", self.ambient_k, "K", 200.0),
            ("passage area", self.passage_m2, "m2", 0.0),
            ("balance pipe area", self.balance_pipe_m2, "m2", 0.0),
        ] {
            if !(value.is_finite() && value >= low) {
                let expected = "finite and not below 10 kPa, 200 K or zero area";
                return Err(EngineError::Range {
                    what,
                    value,
                    unit,
                    expected,
                });
            }
        }
        for (cylinder, b) in self.bodies.iter().enumerate() {
            for (what, value, unit, positive) in [
                ("leak area", b.leak_m2, "m2", false),
                ("bleed area", b.bleed_m2, "m2", false),
                ("blow-by area", b.blow_by_m2, "m2", false),
                ("combustion scale", b.combustion_scale, "", false),
                ("breathing scale", b.breathing_scale, "", true),
            ] {
                if !(value.is_finite() && value >= 0.0 && (value > 0.0 || !positive)) {
                    let expected = if positive { "positive" } else { "not negative" };
                    return Err(EngineError::Cylinder {
                        what,
                        cylinder,
                        value,
                        unit,
                        expected,
                    });
                }
            }
        }
        Ok(())
    }
}
