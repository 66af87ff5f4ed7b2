//! The engine profile: what is known about a kind of engine before anyone measures it.
//!
//! Values keep the units of the file, which their names carry; the physics converts when it asks.
//! Defaults come from common practice or stated models and are listed in [`Profile::assumed`];
//! the maker's manual overrides every one.

use evenpull_airflow::Discharge;

use crate::adjuster::{Adjuster, AdjusterKind, PerTurn};
use crate::notice::Notice;

mod builtin;
mod parse;
mod parse_linkage;

pub use builtin::{BuiltinProfile, builtin};
pub(crate) use parse::check_format;

/// How the plates of two bodies are coupled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CouplingLaw {
    /// A rod with ball ends: the plates move together both ways, opening_f = opening_d + error.
    Rigid,
    /// Lost motion: the drive plate lifts the follower, each keeps its own stop.
    OneWay,
}

impl CouplingLaw {
    /// The word used in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Rigid => "rigid",
            Self::OneWay => "one-way",
        }
    }
}

/// One coupling of the linkage graph.
#[derive(Debug, Clone, PartialEq)]
pub struct Coupling {
    /// Index of the driving body in the profile's order.
    pub driver: usize,
    /// Indices of the driven bodies; more than one where a pair is moved as a pair.
    pub driven: Vec<usize>,
    /// Name of the balance adjuster.
    pub adjuster: String,
    /// Opening of the driven plates per turn of the adjuster [deg].
    pub deg_per_turn: f64,
    /// Coupling law.
    pub law: CouplingLaw,
    /// Which way opens the driven plate, in the mechanic's words, if the profile says.
    pub opens: Option<String>,
}

/// The engine itself.
#[derive(Debug, Clone, PartialEq)]
pub struct EngineData {
    /// Body (cylinder) names; their order is the profile's order everywhere.
    pub cylinders: Vec<String>,
    /// Swept volume of one cylinder [cc], 20 to 2000.
    pub displacement_cc: f64,
    /// Compression ratio [-], 5 to 16.
    pub compression_ratio: f64,
    /// Rod length over crank radius [-], 2.5 to 8.
    pub rod_to_crank: f64,
    /// Start of each cylinder's intake stroke [crank deg], 0 to 720, profile's order.
    pub intake_start_deg: Vec<f64>,
    /// Warm idle speed [1/min].
    pub idle_rpm: f64,
    /// Allowed deviation from it [1/min].
    pub idle_tolerance_rpm: f64,
    /// Speed band of the steady hold, low and high [1/min].
    pub hold_rpm: [f64; 2],
    /// Engine temperature from which it is warm enough to balance [C].
    pub warm_c: f64,
    /// Inlet valve opens [crank deg before top dead centre].
    pub inlet_opens_btdc_deg: f64,
    /// Inlet valve closes [crank deg after bottom dead centre].
    pub inlet_closes_abdc_deg: f64,
    /// Exhaust valve opens [crank deg before bottom dead centre].
    pub exhaust_opens_bbdc_deg: f64,
    /// Exhaust valve closes [crank deg after top dead centre].
    pub exhaust_closes_atdc_deg: f64,
}

/// One throttle body and its runner; all bodies of a machine are alike.
#[derive(Debug, Clone, PartialEq)]
pub struct BodyData {
    /// Bore at the plate [mm].
    pub bore_mm: f64,
    /// Spindle diameter [mm].
    pub spindle_mm: f64,
    /// Angle between the shut plate and the plane across the bore [deg].
    pub shut_angle_deg: f64,
    /// Runner volume from plate to inlet valve [cc].
    pub runner_cc: f64,
    /// Opening above shut with the plate on its stop, at the working baseline [deg].
    pub stop_opening_deg: f64,
    /// Discharge coefficient against opening.
    pub discharge: Discharge,
}

/// Idle bleed screw of each body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BleedData {
    /// Area gained per turn out [mm2].
    pub area_mm2_per_turn: f64,
    /// Turns from seat beyond which something else is wrong.
    pub max_turns: f64,
}

/// The idle valve that feeds all runners.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct IdleValve {
    /// Steps of full travel.
    pub steps: u32,
    /// Area per step, all runners together [mm2].
    pub area_mm2_per_step: f64,
}

/// The throttle sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThrottleSensor {
    /// Index of the body whose plate it sits on.
    pub body: usize,
    /// Slope [V/deg].
    pub volts_per_deg: f64,
    /// Raw volts with that plate on its stop at the working baseline [V].
    pub volts_at_stop: f64,
}

/// Limits of the difference of depression between bodies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerance {
    /// Good at or below [kPa].
    pub good_kpa: f64,
    /// To be acted on above [kPa].
    pub act_kpa: f64,
}

/// Passages that join the runners; zero where there is none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passages {
    /// Balance pipe between the stubs [mm2].
    pub balance_pipe_mm2: f64,
    /// Passages to a shared idle-air chamber, one side [mm2].
    pub idle_chamber_mm2: f64,
}

/// Valve clearances, stone cold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClearanceLimits {
    /// Inlet [mm].
    pub inlet_mm: f64,
    /// Exhaust [mm].
    pub exhaust_mm: f64,
    /// Allowed deviation, each way [mm].
    pub tolerance_mm: f64,
}

/// What turns a refill rate into an area.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RefillData {
    /// Polytropic exponent of the refill at idle [-], 1 to 1.4, if known.
    pub n_idle: Option<f64>,
    /// The same at hold.
    pub n_hold: Option<f64>,
    /// Standard deviation of the common scale V/n [%].
    pub scale_sd_percent: f64,
}

/// Everything known beforehand about a kind of engine (`evenpull.profile/1`).
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Name of the profile.
    pub name: String,
    /// Engine.
    pub engine: EngineData,
    /// Throttle bodies and runners.
    pub body: BodyData,
    /// Bleeds; `None` where the bodies have none.
    pub bleed: Option<BleedData>,
    /// Idle valve; `None` where there is none.
    pub idle_valve: Option<IdleValve>,
    /// Throttle sensor; `None` where it is not known.
    pub sensor: Option<ThrottleSensor>,
    /// Couplings in the order of balancing; empty on a one-shaft set (bleeds only).
    pub couplings: Vec<Coupling>,
    /// Opening per turn of a stop screw [deg].
    pub stop_deg_per_turn: f64,
    /// Tolerance of the balance.
    pub tolerance: Tolerance,
    /// Passages between runners.
    pub passages: Passages,
    /// Valve clearances.
    pub clearances: ClearanceLimits,
    /// Refill constants.
    pub refill: RefillData,
    /// Defaults that stand in for keys the file left out.
    pub assumed: Vec<Notice>,
}

impl Profile {
    /// Body names in the profile's order.
    pub fn bodies(&self) -> &[String] {
        &self.engine.cylinders
    }

    /// Index of a body by its name.
    pub fn body_index(&self, name: &str) -> Option<usize> {
        self.bodies().iter().position(|b| b == name)
    }

    /// Every adjuster of the machine: those meant to be turned first, the sealed ones after.
    pub fn adjusters(&self) -> Vec<Adjuster> {
        let mut all: Vec<Adjuster> = self.couplings.iter().map(|c| self.balance(c)).collect();
        let bodies = || self.bodies().iter();
        let one = |kind: AdjusterKind, body: &String, per_turn, more: &str| Adjuster {
            name: format!("{}.{body}", kind.prefix()),
            kind,
            bodies: vec![body.clone()],
            per_turn,
            more: more.to_owned(),
            less: if more == "out" { "in" } else { "out" }.to_owned(),
        };
        if let Some(bleed) = self.bleed {
            let area = PerTurn::AreaMm2(bleed.area_mm2_per_turn);
            all.extend(bodies().map(|b| one(AdjusterKind::Bleed, b, area, "out")));
        }
        let stop = PerTurn::OpeningDeg(self.stop_deg_per_turn);
        let stops = bodies().enumerate().filter(|(b, _)| self.has_stop(*b));
        all.extend(stops.map(|(_, b)| Adjuster {
            // On one shaft the stop opens every plate.
            bodies: if self.one_shaft() {
                self.bodies().to_vec()
            } else {
                vec![b.clone()]
            },
            ..one(AdjusterKind::Stop, b, stop, "in")
        }));
        if !self.couplings.is_empty() {
            all.extend(bodies().map(|b| one(AdjusterKind::LinkEnd, b, PerTurn::Unknown, "out")));
        }
        if let Some(sensor) = self.sensor {
            all.push(Adjuster {
                name: "sensor".to_owned(),
                kind: AdjusterKind::Sensor,
                bodies: vec![self.bodies()[sensor.body].clone()],
                per_turn: PerTurn::Unknown,
                more: "towards more volts".to_owned(),
                less: "towards fewer volts".to_owned(),
            });
        }
        all
    }

    /// True if one spindle carries all plates: one stop, no link, plates that stand apart only if one
    /// is twisted on it.
    pub fn one_shaft(&self) -> bool {
        self.couplings.is_empty() && self.bodies().len() > 1
    }

    /// True if body `b` has a stop screw of its own; one shaft has a single one, named after the
    /// first body.
    pub fn has_stop(&self, b: usize) -> bool {
        b == 0 || !self.one_shaft()
    }

    /// Adjuster by name.
    pub fn adjuster(&self, name: &str) -> Option<Adjuster> {
        self.adjusters().into_iter().find(|a| a.name == name)
    }

    fn balance(&self, coupling: &Coupling) -> Adjuster {
        let names: Vec<String> = coupling
            .driven
            .iter()
            .map(|&i| self.bodies()[i].clone())
            .collect();
        let plates = if names.len() == 1 { "plate" } else { "plates" };
        let which = names.join(" and ");
        let (more, less) = match &coupling.opens {
            Some(way) => (way.clone(), format!("against: not {way}")),
            None => (
                format!("the way that opens the {which} {plates}"),
                format!("the way that closes the {which} {plates}"),
            ),
        };
        Adjuster {
            name: coupling.adjuster.clone(),
            kind: AdjusterKind::Balance,
            bodies: names,
            per_turn: PerTurn::OpeningDeg(coupling.deg_per_turn),
            more,
            less,
        }
    }
}

#[cfg(test)]
mod tests;
