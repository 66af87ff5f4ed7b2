//! A recorded run: runner pressures over crank angle, and the truth behind them.

/// What was put in and what came out, means over the recorded cycles.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// Opening the cable asked for [deg above shut].
    pub command_deg: f64,
    /// Opening of each plate [deg above shut].
    pub plate_deg: Vec<f64>,
    /// Idle valve position [steps].
    pub idle_steps: f64,
    /// Idle valve effective area, all cylinders together [m2].
    pub idle_valve_m2: f64,
    /// Plate, leak, bleed and an equal share of the idle valve, effective, per body [m2].
    pub through_area_m2: Vec<f64>,
    /// Area that would let the same air in through one opening from ambient, per body [m2]:
    /// `drawn / (p0/sqrt(R T0) * integral psi dt)`. Equals `through_area_m2` without cross-flow.
    pub equivalent_area_m2: Vec<f64>,
    /// Air into each runner per cycle [kg].
    pub drawn_air_kg: Vec<f64>,
    /// Ambient less mean runner pressure, per body [Pa].
    pub mean_depression_pa: Vec<f64>,
    /// Indicated mean effective pressure over the whole cycle, per cylinder [Pa].
    pub imep_pa: Vec<f64>,
    /// Burned share of the charge at the start of the burn, per cylinder [-].
    pub residual: Vec<f64>,
    /// Indicated torque less friction, all cylinders [Nm]; near zero where a balance was asked for.
    pub net_torque_nm: f64,
}

/// Runner pressures of whole cycles at one steady operating point.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// Engine speed [1/min].
    pub rpm: f64,
    /// Ambient pressure [Pa].
    pub ambient_pa: f64,
    /// Ambient temperature [K].
    pub ambient_k: f64,
    /// Points per cycle; point `k` is at `720 k / points` degrees of crank.
    pub points_per_cycle: usize,
    /// Recorded cycles.
    pub cycles: usize,
    /// Runner absolute pressure [Pa], one row per cylinder, cycle after cycle.
    pub p_pa: Vec<Vec<f64>>,
    /// Truth.
    pub truth: Truth,
}

impl Trace {
    /// Crank angle of point `k` of a cycle [deg].
    pub fn theta_deg(&self, k: usize) -> f64 {
        720.0 * k as f64 / self.points_per_cycle as f64
    }

    /// Runner pressure of one recorded cycle [Pa], `points_per_cycle` values.
    pub fn cycle_pa(&self, cylinder: usize, cycle: usize) -> &[f64] {
        let at = cycle * self.points_per_cycle;
        &self.p_pa[cylinder][at..at + self.points_per_cycle]
    }

    /// (max - min)/mean of the mean depressions over the cylinders [-].
    pub fn spread(&self) -> f64 {
        let d = &self.truth.mean_depression_pa;
        let high = d.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let low = d.iter().copied().fold(f64::INFINITY, f64::min);
        (high - low) * d.len() as f64 / d.iter().sum::<f64>()
    }
}
