//! A job's layout in the words of the import.

use evenpull_airflow::Ratiometric;
use evenpull_job::{ColumnRef, Layout, PressureColumn, PressureKind, SampleUnit, TimeUnit};
use evenpull_trace::{ChannelHint, ChannelUnit, Decimal, Delimiter, LayoutHint};

/// The hint for a recording of the given bodies.
pub(crate) fn layout_hint(layout: &Layout, bodies: &[String], ambient_kpa: f64) -> LayoutHint {
    let pressure = layout.pressure.as_ref().map_or_else(Vec::new, |columns| {
        bodies
            .iter()
            .zip(columns.iter())
            .filter_map(|(body, column)| Some(channel(body, column?)))
            .collect()
    });
    LayoutHint {
        time: layout.time.as_ref().map(column_ref),
        time_unit: layout.time_unit.map(time_unit),
        sample_rate_hz: layout.sample_rate_hz,
        pressure,
        delimiter: layout.delimiter.and_then(delimiter),
        decimal: layout.decimal.and_then(|c| match c {
            '.' => Some(Decimal::Point),
            ',' => Some(Decimal::Comma),
            _ => None,
        }),
        ambient_pa: Some(ambient_kpa * 1e3),
    }
}

fn channel(body: &str, column: &PressureColumn) -> ChannelHint {
    ChannelHint {
        body: body.to_owned(),
        column: Some(column_ref(&column.column)),
        unit: Some(unit(column.unit)),
    }
}

fn column_ref(column: &ColumnRef) -> evenpull_trace::ColumnRef {
    match column {
        ColumnRef::Index(n) => evenpull_trace::ColumnRef::Number(*n),
        ColumnRef::Name(name) => evenpull_trace::ColumnRef::Name(name.clone()),
    }
}

fn unit(unit: SampleUnit) -> ChannelUnit {
    // A slope and intercept that the sensor law refuses leave the import its own default.
    let sensor = |k1: f64, k2: f64| Ratiometric::new(k1, k2).ok();
    match unit {
        SampleUnit::Pressure { unit, kind } => ChannelUnit::Pressure {
            unit,
            kind: match kind {
                PressureKind::Absolute => evenpull_trace::PressureKind::Absolute,
                PressureKind::Gauge => evenpull_trace::PressureKind::Gauge,
                PressureKind::Depression => evenpull_trace::PressureKind::Depression,
            },
        },
        SampleUnit::Volts {
            supply_v,
            k1_per_kpa,
            k2,
        } => ChannelUnit::Volts {
            sensor: sensor(k1_per_kpa, k2),
            supply_v: Some(supply_v),
        },
        SampleUnit::Millivolts {
            supply_v,
            k1_per_kpa,
            k2,
        } => ChannelUnit::Millivolts {
            sensor: sensor(k1_per_kpa, k2),
            supply_v: Some(supply_v),
        },
        SampleUnit::Counts {
            full_scale,
            k1_per_kpa,
            k2,
        } => ChannelUnit::Counts {
            full_scale: Some(full_scale),
            sensor: sensor(k1_per_kpa, k2),
        },
    }
}

fn time_unit(unit: TimeUnit) -> evenpull_trace::TimeUnit {
    match unit {
        TimeUnit::Seconds => evenpull_trace::TimeUnit::Second,
        TimeUnit::Milliseconds => evenpull_trace::TimeUnit::Millisecond,
        TimeUnit::Microseconds => evenpull_trace::TimeUnit::Microsecond,
        TimeUnit::Nanoseconds => evenpull_trace::TimeUnit::Nanosecond,
        TimeUnit::Minutes => evenpull_trace::TimeUnit::Minute,
    }
}

fn delimiter(mark: char) -> Option<Delimiter> {
    Some(match mark {
        ',' => Delimiter::Comma,
        ';' => Delimiter::Semicolon,
        '\t' => Delimiter::Tab,
        '|' => Delimiter::Pipe,
        ' ' => Delimiter::Blanks,
        _ => return None,
    })
}
