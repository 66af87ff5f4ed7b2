//! Numbers and pressures as this shop writes them.

use evenpull_job::PressureUnit;

use crate::number;

mod sentence;

/// Units of pressure that gauges show, in the order of a list.
pub const GAUGE_UNITS: [PressureUnit; 8] = [
    PressureUnit::KPa,
    PressureUnit::Mbar,
    PressureUnit::HPa,
    PressureUnit::MmHg,
    PressureUnit::CmHg,
    PressureUnit::InHg,
    PressureUnit::InH2O,
    PressureUnit::Psi,
];

/// How the shop writes numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Writing {
    /// Decimal comma instead of the point.
    pub comma: bool,
    /// Unit of pressure.
    pub pressure: PressureUnit,
}

impl Default for Writing {
    fn default() -> Self {
        Self {
            comma: false,
            pressure: PressureUnit::KPa,
        }
    }
}

impl Writing {
    /// This writing with what is given in place of its own.
    #[must_use]
    pub fn with(self, pressure: Option<PressureUnit>, comma: Option<bool>) -> Self {
        Self {
            comma: comma.unwrap_or(self.comma),
            pressure: pressure.unwrap_or(self.pressure),
        }
    }

    /// A number with a true minus and the shop's decimal sign; a dash for what is no number.
    pub fn fixed(self, value: f64, decimals: usize) -> String {
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

    /// A number that was typed, with as many decimals as it has, up to `most`.
    pub fn plain(self, value: f64, most: usize) -> String {
        let text = self.fixed(value, most);
        let sign = if self.comma { ',' } else { '.' };
        match text.split_once(sign) {
            Some(_) => text.trim_end_matches('0').trim_end_matches(sign).to_owned(),
            None => text,
        }
    }

    /// A pressure or difference of pressures [kPa] in the shop's unit, without the unit.
    pub fn pressure(self, kpa: f64) -> String {
        self.fixed(kpa * self.per_kpa(), self.decimals())
    }

    /// A pressure [kPa] with its unit.
    pub fn pressure_unit(self, kpa: f64) -> String {
        format!("{} {}", self.pressure(kpa), self.unit())
    }

    /// A pressure [kPa] as it is read back from what [`Self::pressure`] writes.
    pub fn as_written(self, kpa: f64) -> f64 {
        let decimals = self.decimals();
        let digits = format!("{:.decimals$}", kpa * self.per_kpa());
        digits.parse().map_or(kpa, |v: f64| v / self.per_kpa())
    }

    /// A number of a document: grouped thousands, a true minus, words for what is no number.
    ///
    /// With a decimal comma the groups stand apart by a blank that does not break.
    pub(crate) fn figure(self, value: f64, decimals: usize) -> String {
        self.signs(&number::fixed(value, decimals))
    }

    /// A figure written with decimal point and grouping commas, in the shop's signs.
    pub(crate) fn signs(self, figure: &str) -> String {
        if !self.comma {
            return figure.to_owned();
        }
        let sign = |c| match c {
            ',' => '\u{a0}',
            '.' => ',',
            c => c,
        };
        figure.chars().map(sign).collect()
    }

    /// A pressure or difference of pressures [kPa] in a document, with its unit; `finer` decimals more
    /// than about a tenth of a kilopascal.
    pub(crate) fn pressure_figure(self, kpa: f64, finer: usize) -> String {
        let figure = self.figure(kpa * self.per_kpa(), self.decimals() + finer);
        format!("{figure} {}", self.unit())
    }

    /// The unit of pressure as it is written behind a number.
    pub fn unit(self) -> &'static str {
        self.pressure.name()
    }

    /// The shop's unit in one kilopascal.
    pub fn per_kpa(self) -> f64 {
        self.pressure.from_pa(1e3)
    }

    /// Decimals that show about a tenth of a kilopascal.
    pub fn decimals(self) -> usize {
        match self.pressure {
            PressureUnit::Mbar | PressureUnit::HPa | PressureUnit::MmHg | PressureUnit::Pa => 0,
            PressureUnit::KPa | PressureUnit::CmHg | PressureUnit::InH2O => 1,
            PressureUnit::InHg | PressureUnit::Psi => 2,
            PressureUnit::Bar => 3,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST SP 811: 1 mmHg = 133.3224 Pa, 1 inHg = 3386.389 Pa, 1 psi = 6894.757 Pa; half a last digit.
    #[test]
    fn val_pressures_in_the_units_of_gauges() {
        let write = |pressure| Writing {
            comma: false,
            pressure,
        };
        for (unit, text) in [
            (PressureUnit::KPa, "40.0 kPa"),
            (PressureUnit::Mbar, "400 mbar"),
            (PressureUnit::MmHg, "300 mmHg"),
            (PressureUnit::CmHg, "30.0 cmHg"),
            (PressureUnit::InHg, "11.81 inHg"),
            (PressureUnit::Psi, "5.80 psi"),
        ] {
            assert_eq!(write(unit).pressure_unit(40.0), text);
        }
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
        assert_eq!(comma.plain(44.1, 3), "44,1");
        assert_eq!(Writing::default().plain(40.0, 3), "40");
        assert_eq!(Writing::default().plain(100.0, 0), "100");
        assert_eq!(comma.figure(-1_234.56, 1), "−1\u{a0}234,6");
        assert_eq!(Writing::default().figure(-1_234.56, 1), "−1,234.6");
        assert_eq!(comma.pressure_figure(1.25, 1), "1,25 kPa");
    }

    #[test]
    fn what_is_given_stands_for_the_shops_own() {
        let shop = Writing {
            comma: true,
            pressure: PressureUnit::Mbar,
        };
        assert_eq!(shop.with(None, None), shop);
        let given = shop.with(Some(PressureUnit::InHg), Some(false));
        assert_eq!(given.pressure_unit(10.0), "2.95 inHg");
    }
}
