//! Numbers and pressures as this shop writes them.

/// How the shop writes numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Writing {
    /// Decimal comma instead of the point.
    pub(crate) comma: bool,
    /// Unit of pressure.
    pub(crate) pressure: PressureUnit,
}

/// Units of pressure a gauge may show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) enum PressureUnit {
    /// Kilopascal.
    #[default]
    Kpa,
    /// Millibar.
    Mbar,
    /// Millimetre of mercury.
    MmHg,
    /// Inch of mercury.
    InHg,
}

impl PressureUnit {
    /// All of them, in the order of a list.
    pub(crate) const ALL: [Self; 4] = [Self::Kpa, Self::Mbar, Self::MmHg, Self::InHg];

    /// Code in files and forms.
    pub(crate) fn code(self) -> &'static str {
        match self {
            Self::Kpa => "kpa",
            Self::Mbar => "mbar",
            Self::MmHg => "mmhg",
            Self::InHg => "inhg",
        }
    }

    /// As written behind a number.
    pub(crate) fn symbol(self) -> &'static str {
        match self {
            Self::Kpa => "kPa",
            Self::Mbar => "mbar",
            Self::MmHg => "mmHg",
            Self::InHg => "inHg",
        }
    }

    /// Of one kilopascal. NIST SP 811: mmHg 133.3224 Pa, inHg 3386.389 Pa (conventional).
    pub(crate) fn per_kpa(self) -> f64 {
        match self {
            Self::Kpa => 1.0,
            Self::Mbar => 10.0,
            Self::MmHg => 1000.0 / 133.3224,
            Self::InHg => 1000.0 / 3386.389,
        }
    }

    /// Decimals that show a tenth of a kilopascal.
    pub(crate) fn decimals(self) -> usize {
        match self {
            Self::Kpa => 1,
            Self::Mbar | Self::MmHg => 0,
            Self::InHg => 2,
        }
    }

    /// The unit of a code.
    pub(crate) fn of_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|u| u.code() == code)
    }
}

impl Writing {
    /// A number with a true minus and the shop's decimal sign.
    pub(crate) fn fixed(self, value: f64, decimals: usize) -> String {
        if !value.is_finite() {
            return "–".to_owned();
        }
        let digits = format!("{:.decimals$}", value.abs());
        let is_zero = digits.bytes().all(|b| matches!(b, b'0' | b'.'));
        let sign = if value < 0.0 && !is_zero { "−" } else { "" };
        let text = format!("{sign}{digits}");
        if self.comma {
            text.replace('.', ",")
        } else {
            text
        }
    }

    /// A pressure or difference of pressures [kPa] in the shop's unit, without the unit.
    pub(crate) fn pressure(self, kpa: f64) -> String {
        self.fixed(kpa * self.pressure.per_kpa(), self.pressure.decimals())
    }

    /// A pressure with its unit.
    pub(crate) fn pressure_unit(self, kpa: f64) -> String {
        format!("{} {}", self.pressure(kpa), self.pressure.symbol())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST SP 811: 1 mmHg = 133.3224 Pa, 1 inHg = 3386.389 Pa; half a last digit.
    #[test]
    fn val_pressures_in_the_units_of_gauges() {
        let write = |pressure| Writing {
            comma: false,
            pressure,
        };
        assert_eq!(write(PressureUnit::Kpa).pressure_unit(40.0), "40.0 kPa");
        assert_eq!(write(PressureUnit::Mbar).pressure_unit(40.0), "400 mbar");
        assert_eq!(write(PressureUnit::MmHg).pressure_unit(40.0), "300 mmHg");
        assert_eq!(write(PressureUnit::InHg).pressure_unit(40.0), "11.81 inHg");
    }

    #[test]
    fn comma_minus_and_missing_values() {
        let comma = Writing {
            comma: true,
            ..Writing::default()
        };
        assert_eq!(comma.fixed(-1.26, 1), "−1,3");
        assert_eq!(comma.fixed(-0.004, 2), "0,00");
        assert_eq!(comma.fixed(f64::NAN, 1), "–");
    }
}
