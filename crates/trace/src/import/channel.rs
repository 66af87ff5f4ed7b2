//! From the numbers of a column to pascals.
//!
//! Where neither the layout nor the file names a unit, the range of the values decides, from what
//! an inlet runner can show: it refills towards ambient each cycle, so the top of the values lies
//! between about 55 and 110 kPa absolute, and no runner falls below about 10 kPa.

use evenpull_airflow::{PressureUnit, Ratiometric};

use super::error::ImportError;
use super::hint::{ChannelUnit, PressureKind};
use super::sniff::Column;
use super::words::channel_unit_in;

/// Supply assumed where none is given [V].
const USUAL_SUPPLY_V: f64 = 5.0;
/// Pressures an inlet can have at all [Pa].
pub(super) const POSSIBLE_PA: (f64, f64) = (0.0, 250_000.0);
/// Low ends and high ends [kPa] of the values of a running or standing engine, with room for
/// sensor error and for a turbocharger-free inlet at any altitude that is driven at.
const USUAL_LOW_KPA: (f64, f64) = (8.0, 112.0);
const USUAL_HIGH_KPA: (f64, f64) = (40.0, 118.0);

/// Affine map from file values to pressure, `p = slope v + offset`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Scale {
    /// [Pa per file unit]
    pub(super) slope_pa: f64,
    /// [Pa]
    pub(super) offset_pa: f64,
    /// Values at or below are at the end of the range.
    pub(super) rail_low: f64,
    /// Values at or above are at the end of the range.
    pub(super) rail_high: f64,
    /// The unit in words, with what was assumed.
    pub(super) words: String,
    /// Remark when the file's own unit was overruled.
    pub(super) clash: Option<String>,
    /// The unit, if the range of values told it.
    pub(super) by_range: Option<ChannelUnit>,
}

impl Scale {
    pub(super) fn pa(&self, value: f64) -> f64 {
        self.slope_pa * value + self.offset_pa
    }
}

/// Range of a column's values, without the few most extreme.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Range {
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) whole: bool,
}

impl Range {
    pub(super) fn of(column: &Column) -> Option<Self> {
        let mut values: Vec<f64> = column.numbers().collect();
        if values.is_empty() {
            return None;
        }
        values.sort_by(f64::total_cmp);
        let cut = values.len() / 500;
        Some(Self {
            low: values[cut],
            high: values[values.len() - 1 - cut],
            whole: column.places <= 0 && values.iter().all(|v| v.fract() == 0.0),
        })
    }
}

/// What [`settle`] needs to know.
pub(super) struct Question<'a> {
    pub(super) name: &'a str,
    pub(super) body: &'a str,
    pub(super) label: String,
    pub(super) given: Option<ChannelUnit>,
    /// Converter bits named in the header.
    pub(super) bits: Option<u32>,
    pub(super) ambient_pa: Option<f64>,
    /// Unit another column's values told: a dead sensor's own range tells nothing.
    pub(super) neighbour: Option<ChannelUnit>,
}

/// Finds the unit of a column and the map to pascals.
pub(super) fn settle(q: &Question, column: &Column) -> Result<Scale, ImportError> {
    let range = Range::of(column).ok_or_else(|| ImportError::AllUnreadable {
        name: q.name.to_owned(),
        column: q.label.clone(),
        body: q.body.to_owned(),
        rows: column.fields,
    })?;
    let in_file = channel_unit_in(&column.unit).or_else(|| channel_unit_in(&column.heading));
    match (q.given, in_file) {
        (Some(given), _) => {
            let mut scale = scale(q, given, range, "given")?;
            if let Some(in_file) = in_file {
                scale.clash = clash(q, given, in_file, range)?;
            }
            Ok(scale)
        }
        (None, Some(in_file)) => scale(
            q,
            relative_if_negative(q, in_file, range)?,
            range,
            "from the file",
        ),
        (None, None) => match (by_range(q, range), q.neighbour) {
            (Ok(unit), _) => {
                let by_range = Some(unit);
                scale(q, unit, range, "from the range of values").map(|s| Scale { by_range, ..s })
            }
            (Err(_), Some(unit)) => scale(q, unit, range, "assumed as for the other column"),
            (Err(error), None) => Err(error),
        },
    }
}

/// A pressure unit of the file with values no absolute pressure has is taken as gauge pressure.
fn relative_if_negative(
    q: &Question,
    unit: ChannelUnit,
    range: Range,
) -> Result<ChannelUnit, ImportError> {
    let ChannelUnit::Pressure {
        unit: pressure,
        kind: PressureKind::Absolute,
    } = unit
    else {
        return Ok(unit);
    };
    let (low_kpa, high_kpa) = (
        pressure.to_pa(range.low) / 1e3,
        pressure.to_pa(range.high) / 1e3,
    );
    if low_kpa < -2.0 {
        return Ok(ChannelUnit::Pressure {
            unit: pressure,
            kind: PressureKind::Gauge,
        });
    }
    if low_kpa < USUAL_LOW_KPA.0 && high_kpa < 80.0 {
        let candidates = {
            let unit = pressure.name();
            format!("absolute pressure or depression (`{unit}` or `{unit} depression`)")
        };
        return Err(unclear(q, range, candidates));
    }
    Ok(unit)
}

fn unclear(q: &Question, range: Range, candidates: String) -> ImportError {
    ImportError::UnitUnclear {
        name: q.name.to_owned(),
        column: q.label.clone(),
        body: q.body.to_owned(),
        lowest: range.low,
        highest: range.high,
        candidates,
    }
}

fn usual(scale: &Scale, range: Range) -> bool {
    let ends = [scale.pa(range.low) / 1e3, scale.pa(range.high) / 1e3];
    let (low, high) = (ends[0].min(ends[1]), ends[0].max(ends[1]));
    (USUAL_LOW_KPA.0..=USUAL_LOW_KPA.1).contains(&low)
        && (USUAL_HIGH_KPA.0..=USUAL_HIGH_KPA.1).contains(&high)
}

/// Settles a difference between the file's unit and the given one.
fn clash(
    q: &Question,
    given: ChannelUnit,
    in_file: ChannelUnit,
    range: Range,
) -> Result<Option<String>, ImportError> {
    if same_size(given, in_file) {
        return Ok(None);
    }
    let fits = |unit| scale(q, unit, range, "").is_ok_and(|s| usual(&s, range));
    if fits(in_file) && !fits(given) {
        return Err(ImportError::UnitClash {
            name: q.name.to_owned(),
            column: q.label.clone(),
            body: q.body.to_owned(),
            in_file: word(in_file),
            given: word(given),
            lowest: range.low,
            highest: range.high,
        });
    }
    Ok(Some(format!(
        "column {} ({}): the file says {}, the layout {}; the layout was followed",
        q.label,
        q.body,
        word(in_file),
        word(given)
    )))
}

fn same_size(a: ChannelUnit, b: ChannelUnit) -> bool {
    match (a, b) {
        (ChannelUnit::Pressure { unit: a, .. }, ChannelUnit::Pressure { unit: b, .. }) => {
            (a.to_pa(1.0) - b.to_pa(1.0)).abs() < 1e-9
        }
        (a, b) => std::mem::discriminant(&a) == std::mem::discriminant(&b),
    }
}

fn word(unit: ChannelUnit) -> &'static str {
    match unit {
        ChannelUnit::Pressure { unit, .. } => unit.name(),
        ChannelUnit::Volts { .. } => "V",
        ChannelUnit::Millivolts { .. } => "mV",
        ChannelUnit::Counts { .. } => "counts",
    }
}

/// The unit that the range of values allows, if it is one only.
fn by_range(q: &Question, range: Range) -> Result<ChannelUnit, ImportError> {
    let Range { low, high, whole } = range;
    let pressure = |unit, kind| ChannelUnit::Pressure { unit, kind };
    let absolute = |unit| Ok(pressure(unit, PressureKind::Absolute));
    if low < -1.0 {
        let gauge = |unit| Ok(pressure(unit, PressureKind::Gauge));
        return match low {
            l if l >= -100.0 && high < 25.0 => gauge(PressureUnit::KPa),
            l if (-1_000.0..-120.0).contains(&l) && high < 250.0 => gauge(PressureUnit::Mbar),
            l if (-100_000.0..-12_000.0).contains(&l) && high < 25_000.0 => gauge(PressureUnit::Pa),
            _ => Err(unclear(
                q,
                range,
                "pressure below ambient in kPa, mbar or Pa".to_owned(),
            )),
        };
    }
    if let Some(bits) = q.bits
        && whole
        && high < f64::from(1_u32 << bits)
        && high > 100.0
    {
        let full_scale = Some(f64::from((1_u32 << bits) - 1));
        return Ok(ChannelUnit::Counts {
            full_scale,
            sensor: None,
        });
    }
    let usual_in = |unit: PressureUnit| {
        let kpa = |v| unit.to_pa(v) / 1e3;
        (USUAL_LOW_KPA.0..=USUAL_LOW_KPA.1).contains(&kpa(low))
            && (USUAL_HIGH_KPA.0..=USUAL_HIGH_KPA.1).contains(&kpa(high))
    };
    if usual_in(PressureUnit::KPa) {
        return absolute(PressureUnit::KPa);
    }
    if usual_in(PressureUnit::Mbar) && !(whole && high <= 1_023.0) {
        return absolute(PressureUnit::Mbar);
    }
    if usual_in(PressureUnit::Mbar) {
        return Err(unclear(
            q,
            range,
            "mbar (hPa), or counts of a 10-bit converter".to_owned(),
        ));
    }
    if whole && high <= 4_095.0 && high > 1_150.0 {
        return Ok(ChannelUnit::Counts {
            full_scale: Some(4_095.0),
            sensor: None,
        });
    }
    if usual_in(PressureUnit::Pa) && (!whole || high > 65_535.0) {
        return absolute(PressureUnit::Pa);
    }
    if !whole && low >= 0.0 && (1.25..=5.25).contains(&high) {
        return Ok(ChannelUnit::Volts {
            sensor: None,
            supply_v: None,
        });
    }
    let candidates = match high {
        _ if high <= 1.25 => "bar, or volts of an unconnected sensor",
        _ if high <= 20.0 => "psi, or volts of a 10 V sensor",
        _ if high < 80.0 => "depression (`kPa depression`, `inHg depression` ...)",
        _ if high <= 1_150.0 => "counts, mbar, mmHg or depression in them",
        _ => "counts of a converter (12 to 24 bit) or Pa",
    };
    Err(unclear(q, range, candidates.to_owned()))
}

/// The map of a unit, with defaults filled in and said.
fn scale(q: &Question, unit: ChannelUnit, range: Range, how: &str) -> Result<Scale, ImportError> {
    match unit {
        ChannelUnit::Pressure { unit, kind } => pressure_scale(q, unit, kind, range, how),
        ChannelUnit::Volts { sensor, supply_v } => volts_scale(q, sensor, supply_v, 1.0, how),
        ChannelUnit::Millivolts { sensor, supply_v } => volts_scale(q, sensor, supply_v, 1e-3, how),
        ChannelUnit::Counts { full_scale, sensor } => counts_scale(q, full_scale, sensor, how),
    }
}

fn pressure_scale(
    q: &Question,
    unit: PressureUnit,
    kind: PressureKind,
    range: Range,
    how: &str,
) -> Result<Scale, ImportError> {
    let size_pa = unit.to_pa(1.0);
    let symbol = unit.name();
    let ambient = || {
        q.ambient_pa
            .filter(|p| p.is_finite() && *p > 0.0)
            .ok_or_else(|| ImportError::NeedsAmbient {
                name: q.name.to_owned(),
                column: q.label.clone(),
                unit: symbol.to_owned(),
                lowest: range.low,
                highest: range.high,
            })
    };
    let (slope_pa, offset_pa, words) = match kind {
        PressureKind::Absolute => (size_pa, 0.0, format!("{symbol} absolute ({how})")),
        PressureKind::Gauge => {
            let ambient = ambient()?;
            (
                size_pa,
                ambient,
                format!(
                    "{symbol} above ambient ({how}), ambient {:.2} kPa",
                    ambient / 1e3
                ),
            )
        }
        PressureKind::Depression => {
            let ambient = ambient()?;
            (
                -size_pa,
                ambient,
                format!(
                    "{symbol} below ambient ({how}), ambient {:.2} kPa",
                    ambient / 1e3
                ),
            )
        }
    };
    Ok(Scale {
        slope_pa,
        offset_pa,
        rail_low: f64::NEG_INFINITY,
        rail_high: f64::INFINITY,
        words,
        clash: None,
        by_range: None,
    })
}

fn sensor_words(sensor: Option<Ratiometric>) -> &'static str {
    if sensor.is_some() {
        "sensor given"
    } else {
        "sensor assumed of the 15-115 kPa kind, k1 0.009, k2 -0.095"
    }
}

fn volts_scale(
    q: &Question,
    sensor: Option<Ratiometric>,
    supply_v: Option<f64>,
    volt: f64,
    how: &str,
) -> Result<Scale, ImportError> {
    let supply = supply_v.unwrap_or(USUAL_SUPPLY_V);
    if !(supply.is_finite() && supply > 0.0) {
        return Err(bad_scale(q, "supply_v", supply));
    }
    let kind = sensor.unwrap_or(Ratiometric::RANGE_15_TO_115_KPA);
    let said = if supply_v.is_some() { "" } else { " assumed" };
    let symbol = if volt < 1.0 { "mV" } else { "V" };
    Ok(Scale {
        slope_pa: kind.pa_per_ratio() * volt / supply,
        offset_pa: kind.pa_from_ratio(0.0),
        rail_low: 0.0,
        rail_high: supply / volt,
        words: format!(
            "{symbol} ({how}), supply {supply} V{said}, {}",
            sensor_words(sensor)
        ),
        clash: None,
        by_range: None,
    })
}

fn counts_scale(
    q: &Question,
    full_scale: Option<f64>,
    sensor: Option<Ratiometric>,
    how: &str,
) -> Result<Scale, ImportError> {
    let said = if full_scale.is_some() { "" } else { " assumed" };
    let found = q
        .bits
        .map_or(4_095.0, |bits| f64::from((1_u32 << bits) - 1));
    let full = full_scale.unwrap_or(found);
    if !(full.is_finite() && full > 0.0) {
        return Err(bad_scale(q, "full_scale", full));
    }
    let kind = sensor.unwrap_or(Ratiometric::RANGE_15_TO_115_KPA);
    Ok(Scale {
        slope_pa: kind.pa_per_ratio() / full,
        offset_pa: kind.pa_from_ratio(0.0),
        rail_low: 0.0,
        rail_high: full,
        words: format!("counts of {full}{said} ({how}), {}", sensor_words(sensor)),
        clash: None,
        by_range: None,
    })
}

fn bad_scale(q: &Question, key: &str, value: f64) -> ImportError {
    ImportError::BadHint {
        name: q.name.to_owned(),
        key: format!("pressure.{}.{key}", q.body),
        value: value.to_string(),
        allowed: "a finite number above 0",
    }
}

/// A sound file's samples under the given unit; the range cannot tell it.
pub(super) fn settle_sound(q: &Question) -> Result<Scale, ImportError> {
    let unit = q.given.ok_or_else(|| ImportError::WavScale {
        name: q.name.to_owned(),
        body: q.body.to_owned(),
    })?;
    if matches!(
        unit,
        ChannelUnit::Counts {
            full_scale: None,
            ..
        }
    ) {
        return Err(ImportError::WavScale {
            name: q.name.to_owned(),
            body: q.body.to_owned(),
        });
    }
    let range = Range {
        low: f64::NAN,
        high: f64::NAN,
        whole: false,
    };
    scale(q, unit, range, "given")
}

/// Smallest step of the column [file unit]: the last printed digit, or the converter's step where
/// enough sampled values show a wider one.
pub(super) fn step(column: &Column) -> f64 {
    /// Fewer values may leave out neighbouring codes by chance.
    const ENOUGH: usize = 1_000;
    let digit = 10_f64.powi(-column.places);
    let mut values: Vec<f64> = column.numbers().collect();
    if values.len() < ENOUGH {
        return digit;
    }
    values.sort_by(f64::total_cmp);
    let apart = values
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|d| *d > 0.5 * digit);
    apart
        .reduce(f64::min)
        .map_or(digit, |smallest| smallest.max(digit))
}
