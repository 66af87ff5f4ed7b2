//! What the engine model refuses, and where it gets stuck.

/// Failure of a specification, a setting or a run.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum EngineError {
    /// A number of the specification or setting is out of its range.
    #[error("{what} of cylinder {cylinder} must be {expected}, got {value} {unit}")]
    Cylinder {
        /// Name of the quantity.
        what: &'static str,
        /// Zero-based cylinder.
        cylinder: usize,
        /// The refused value, in `unit`.
        value: f64,
        /// Unit of `value`.
        unit: &'static str,
        /// What would be right.
        expected: &'static str,
    },
    /// A number that concerns the whole engine is out of its range.
    #[error("{what} must be {expected}, got {value} {unit}")]
    Range {
        /// Name of the quantity.
        what: &'static str,
        /// The refused value, in `unit`.
        value: f64,
        /// Unit of `value`.
        unit: &'static str,
        /// What would be right.
        expected: &'static str,
    },
    /// A list does not have one entry per cylinder.
    #[error("{what} has {got} entries, the engine has {cylinders} cylinders")]
    Length {
        /// Name of the list.
        what: &'static str,
        /// Its length.
        got: usize,
        /// Number of cylinders.
        cylinders: usize,
    },
    /// The state left the range of the gas law: the step is too long for the areas given.
    #[error("the gas state broke down at {theta_deg} deg of cycle {cycle} in cylinder {cylinder}")]
    Diverged {
        /// Crank angle [deg].
        theta_deg: f64,
        /// Cycle since the start of the run.
        cycle: usize,
        /// Zero-based cylinder.
        cylinder: usize,
    },
    /// No opening, valve position or speed balances the torque.
    #[error(
        "no {unknown} between {low} and {high} {unit} balances the torque: \
         {torque_low_nm:.2} Nm at the low end, {torque_high_nm:.2} Nm at the high end"
    )]
    NoBalance {
        /// What was varied.
        unknown: &'static str,
        /// Low end of the search, in `unit`.
        low: f64,
        /// High end of the search, in `unit`.
        high: f64,
        /// Unit of the ends.
        unit: &'static str,
        /// Mean torque left over at the low end [Nm].
        torque_low_nm: f64,
        /// Mean torque left over at the high end [Nm].
        torque_high_nm: f64,
    },
}
