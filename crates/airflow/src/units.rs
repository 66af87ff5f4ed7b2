//! Units at the edges: pressure, length and angle, with their spellings.
//!
//! Conventional columns of mercury and water, as in the source; other definitions differ by up to
//! 0.3 % (a water column at 60 F) and are not guessed at.

use std::f64::consts::PI;
use std::fmt;
use std::str::FromStr;

/// What a unit's name may fail on.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum UnitError {
    /// Not a unit of the kind asked for.
    #[error("`{text}` is not a unit of {kind}; use one of {known}")]
    Unknown {
        /// The text as typed.
        text: String,
        /// Kind of quantity.
        kind: &'static str,
        /// Accepted names.
        known: &'static str,
    },
}

/// Units of pressure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PressureUnit {
    /// Pascal.
    Pa,
    /// Kilopascal.
    KPa,
    /// Hectopascal.
    HPa,
    /// Millibar, the same size as the hectopascal.
    Mbar,
    /// Bar.
    Bar,
    /// Conventional millimetre of mercury.
    MmHg,
    /// Conventional centimetre of mercury.
    CmHg,
    /// Conventional inch of mercury.
    InHg,
    /// Conventional inch of water.
    InH2O,
    /// Pound-force per square inch.
    Psi,
}

impl PressureUnit {
    /// Every unit, in the order of the list shown in messages.
    pub const ALL: [Self; 10] = [
        Self::Pa,
        Self::KPa,
        Self::HPa,
        Self::Mbar,
        Self::Bar,
        Self::MmHg,
        Self::CmHg,
        Self::InHg,
        Self::InH2O,
        Self::Psi,
    ];

    /// Size of one unit [Pa].
    ///
    /// # Source
    /// `nistsp811`, appendix B.8: mmHg, cmHg, inHg, inH2O conventional, psi to seven digits.
    pub fn pa_per_unit(self) -> f64 {
        match self {
            Self::Pa => 1.0,
            Self::KPa => 1_000.0,
            Self::HPa | Self::Mbar => 100.0,
            Self::Bar => 100_000.0,
            Self::MmHg => 133.322_4,
            Self::CmHg => 1_333.224,
            Self::InHg => 3_386.389,
            Self::InH2O => 249.088_9,
            Self::Psi => 6_894.757,
        }
    }

    /// Pascals from `value` in this unit.
    pub fn to_pa(self, value: f64) -> f64 {
        value * self.pa_per_unit()
    }

    /// Value in this unit from pascals.
    pub fn from_pa(self, pa: f64) -> f64 {
        pa / self.pa_per_unit()
    }

    /// Name as it is written.
    pub fn name(self) -> &'static str {
        match self {
            Self::Pa => "Pa",
            Self::KPa => "kPa",
            Self::HPa => "hPa",
            Self::Mbar => "mbar",
            Self::Bar => "bar",
            Self::MmHg => "mmHg",
            Self::CmHg => "cmHg",
            Self::InHg => "inHg",
            Self::InH2O => "inH2O",
            Self::Psi => "psi",
        }
    }
}

impl FromStr for PressureUnit {
    type Err = UnitError;

    /// Case-insensitive; blanks, full stops and underscores inside are ignored (`in. Hg`).
    fn from_str(text: &str) -> Result<Self, UnitError> {
        Ok(match folded(text).as_str() {
            "pa" | "pascal" | "pascals" => Self::Pa,
            "kpa" | "kilopascal" | "kilopascals" => Self::KPa,
            "hpa" | "hectopascal" | "hectopascals" => Self::HPa,
            "mbar" | "mb" | "millibar" | "millibars" => Self::Mbar,
            "bar" | "bars" => Self::Bar,
            "mmhg" | "torr" => Self::MmHg,
            "cmhg" => Self::CmHg,
            "inhg" | "\"hg" | "inchhg" | "inchesofmercury" => Self::InHg,
            "inh2o" | "inh\u{2082}o" | "\"h2o" | "inwc" | "inchesofwater" => Self::InH2O,
            "psi" | "lbf/in2" | "lbf/in\u{b2}" => Self::Psi,
            _ => {
                return Err(UnitError::Unknown {
                    text: text.trim().to_owned(),
                    kind: "pressure",
                    known: "Pa, kPa, hPa, mbar, bar, mmHg, cmHg, inHg, inH2O, psi",
                });
            }
        })
    }
}

/// Units of length.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum LengthUnit {
    /// Metre.
    M,
    /// Millimetre.
    Mm,
    /// Micrometre.
    Um,
    /// Thousandth of an inch, exactly 0.0254 mm.
    Thou,
    /// Inch, exactly 25.4 mm.
    Inch,
}

impl LengthUnit {
    /// Size of one unit [m], all exact.
    ///
    /// # Source
    /// `nistsp811`, appendix B.8.
    pub fn m_per_unit(self) -> f64 {
        match self {
            Self::M => 1.0,
            Self::Mm => 1e-3,
            Self::Um => 1e-6,
            Self::Thou => 2.54e-5,
            Self::Inch => 2.54e-2,
        }
    }

    /// Metres from `value` in this unit.
    pub fn to_m(self, value: f64) -> f64 {
        value * self.m_per_unit()
    }

    /// Value in this unit from metres.
    pub fn from_m(self, m: f64) -> f64 {
        m / self.m_per_unit()
    }

    /// Name as it is written.
    pub fn name(self) -> &'static str {
        match self {
            Self::M => "m",
            Self::Mm => "mm",
            Self::Um => "um",
            Self::Thou => "thou",
            Self::Inch => "in",
        }
    }
}

impl FromStr for LengthUnit {
    type Err = UnitError;

    /// Case-insensitive. `mil` is refused: it is also an angle.
    fn from_str(text: &str) -> Result<Self, UnitError> {
        Ok(match folded(text).as_str() {
            "m" | "metre" | "meter" => Self::M,
            "mm" | "millimetre" | "millimeter" => Self::Mm,
            "um" | "\u{b5}m" | "\u{3bc}m" | "micron" | "microns" => Self::Um,
            "thou" | "thous" => Self::Thou,
            "in" | "inch" | "inches" | "\"" => Self::Inch,
            _ => {
                return Err(UnitError::Unknown {
                    text: text.trim().to_owned(),
                    kind: "length",
                    known: "m, mm, um, thou, in",
                });
            }
        })
    }
}

/// Units of angle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum AngleUnit {
    /// Radian.
    Rad,
    /// Degree.
    Deg,
    /// Whole turn, as of a screw.
    Turn,
}

impl AngleUnit {
    /// Size of one unit [rad], exact to `f64`.
    pub fn rad_per_unit(self) -> f64 {
        match self {
            Self::Rad => 1.0,
            Self::Deg => PI / 180.0,
            Self::Turn => 2.0 * PI,
        }
    }

    /// Radians from `value` in this unit.
    pub fn to_rad(self, value: f64) -> f64 {
        value * self.rad_per_unit()
    }

    /// Value in this unit from radians.
    pub fn from_rad(self, rad: f64) -> f64 {
        rad / self.rad_per_unit()
    }

    /// Name as it is written.
    pub fn name(self) -> &'static str {
        match self {
            Self::Rad => "rad",
            Self::Deg => "deg",
            Self::Turn => "turn",
        }
    }
}

impl FromStr for AngleUnit {
    type Err = UnitError;

    /// Case-insensitive.
    fn from_str(text: &str) -> Result<Self, UnitError> {
        Ok(match folded(text).as_str() {
            "rad" | "radian" | "radians" => Self::Rad,
            "deg" | "\u{b0}" | "degree" | "degrees" => Self::Deg,
            "turn" | "turns" | "rev" => Self::Turn,
            _ => {
                return Err(UnitError::Unknown {
                    text: text.trim().to_owned(),
                    kind: "angle",
                    known: "rad, deg, turn",
                });
            }
        })
    }
}

impl fmt::Display for PressureUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl fmt::Display for LengthUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl fmt::Display for AngleUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Lower case without blanks, full stops, underscores, and the brackets exports put around units.
fn folded(text: &str) -> String {
    text.chars()
        .filter(|c| !c.is_whitespace() && !matches!(c, '.' | '_' | '(' | ')' | '[' | ']'))
        .flat_map(char::to_lowercase)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// There and back are four roundings at most, each of half a unit in the last place.
    fn same(a: f64, b: f64) -> bool {
        (a - b).abs() <= 4.0 * f64::EPSILON * b.abs()
    }

    proptest! {
        /// From one unit into another and back, by way of SI or not, is the same number.
        #[test]
        fn prop_units_undo_each_other(value in -1e9..1e9_f64) {
            for a in PressureUnit::ALL {
                prop_assert!(same(a.from_pa(a.to_pa(value)), value), "{a}");
                for b in PressureUnit::ALL {
                    let there = b.from_pa(a.to_pa(value));
                    prop_assert!(same(a.from_pa(b.to_pa(there)), value), "{a} {b}");
                }
            }
            use LengthUnit::{Inch, M, Mm, Thou, Um};
            for a in [M, Mm, Um, Thou, Inch] {
                prop_assert!(same(a.from_m(a.to_m(value)), value), "{a}");
            }
            for a in [AngleUnit::Rad, AngleUnit::Deg, AngleUnit::Turn] {
                prop_assert!(same(a.from_rad(a.to_rad(value)), value), "{a}");
            }
        }
    }

    #[test]
    fn every_name_reads_back() {
        for unit in PressureUnit::ALL {
            assert_eq!(unit.name().parse(), Ok(unit));
            assert_eq!(unit.name().to_uppercase().parse(), Ok(unit));
        }
        assert_eq!("in. Hg".parse(), Ok(PressureUnit::InHg));
        assert_eq!("(mbar)".parse(), Ok(PressureUnit::Mbar));
        assert_eq!("THOU".parse(), Ok(LengthUnit::Thou));
        assert_eq!("\u{b0}".parse(), Ok(AngleUnit::Deg));
    }

    #[test]
    fn unknown_units_list_the_known_ones() {
        let message = "kps".parse::<PressureUnit>().unwrap_err().to_string();
        assert!(
            message.contains("`kps`") && message.contains("kPa"),
            "{message}"
        );
        assert!("mil".parse::<LengthUnit>().is_err());
        assert!("".parse::<AngleUnit>().is_err());
    }

    #[test]
    fn conversions_undo_each_other() {
        for unit in PressureUnit::ALL {
            assert!((unit.from_pa(unit.to_pa(31.25)) - 31.25).abs() < 1e-12);
        }
        assert!((AngleUnit::Turn.to_rad(0.25) - AngleUnit::Deg.to_rad(90.0)).abs() < 1e-15);
    }
}
