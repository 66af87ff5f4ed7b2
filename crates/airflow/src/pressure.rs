//! Pressures that must not be mixed up: absolute, gauge and depression.

/// Pressure above vacuum. There is deliberately no `Add` with [`GaugePressure`].
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct AbsPressure {
    pa: f64,
}

/// Pressure above ambient; negative below it.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct GaugePressure {
    /// Value [Pa].
    pub pa: f64,
}

/// Ambient minus runner absolute pressure; positive in a running engine.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Depression {
    /// Value [Pa].
    pub pa: f64,
}

impl AbsPressure {
    /// Absolute pressure of `pa` [Pa]; `None` unless finite and positive.
    pub fn from_pa(pa: f64) -> Option<Self> {
        (pa.is_finite() && pa > 0.0).then_some(Self { pa })
    }

    /// Value [Pa].
    pub fn pa(self) -> f64 {
        self.pa
    }

    /// Depression of this pressure below `ambient`.
    pub fn depression_below(self, ambient: Self) -> Depression {
        Depression {
            pa: ambient.pa - self.pa,
        }
    }

    /// Ratio of this pressure to `ambient`, the `r` of the flow laws [-].
    pub fn ratio_to(self, ambient: Self) -> f64 {
        self.pa / ambient.pa
    }
}

impl GaugePressure {
    /// Absolute pressure of this gauge pressure over `ambient`; `None` at or below vacuum.
    pub fn above(self, ambient: AbsPressure) -> Option<AbsPressure> {
        AbsPressure::from_pa(ambient.pa + self.pa)
    }

    /// The same pressure counted downwards.
    pub fn depression(self) -> Depression {
        Depression { pa: -self.pa }
    }
}

impl Depression {
    /// Absolute pressure this far below `ambient`; `None` at or below vacuum.
    pub fn below(self, ambient: AbsPressure) -> Option<AbsPressure> {
        AbsPressure::from_pa(ambient.pa - self.pa)
    }

    /// The same pressure counted upwards.
    pub fn gauge(self) -> GaugePressure {
        GaugePressure { pa: -self.pa }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_three_kinds_agree() {
        let ambient = AbsPressure::from_pa(100_000.0).unwrap();
        let runner = Depression { pa: 40_000.0 }.below(ambient).unwrap();
        assert_eq!(runner.pa(), 60_000.0);
        assert_eq!(GaugePressure { pa: -40_000.0 }.above(ambient), Some(runner));
        assert_eq!(runner.depression_below(ambient).gauge().pa, -40_000.0);
        assert!((runner.ratio_to(ambient) - 0.6).abs() < 1e-15);
    }

    #[test]
    fn vacuum_and_beyond_is_none() {
        let ambient = AbsPressure::from_pa(100_000.0).unwrap();
        assert_eq!(Depression { pa: 100_000.0 }.below(ambient), None);
        assert_eq!(AbsPressure::from_pa(f64::NAN), None);
    }
}
