//! An accepted stretch as a recording in text: what is stored is what was analysed.

use std::fmt::Write as _;

use evenpull_airflow::PressureUnit;
use evenpull_trace::{
    ChannelHint, ChannelUnit, ColumnRef, Decimal, Delimiter, LayoutHint, PressureKind, TimeUnit,
};

/// Writes samples `p_pa` [Pa], a row per body, as `time_s,<body>_kpa,...`.
///
/// Pressure to 0.1 Pa, a hundredth of what a 12-bit converter resolves. A sample that is unreadable
/// on any body is left out; the import marks the hole again.
pub(crate) fn recording_text(bodies: &[String], p_pa: &[&[f32]], rate_hz: f64) -> String {
    let samples = p_pa.iter().map(|p| p.len()).min().unwrap_or(0);
    let mut text = String::with_capacity(samples * (10 + 10 * p_pa.len()) + 64);
    text.push_str("time_s");
    for body in bodies {
        let _ = write!(text, ",{}", heading(body));
    }
    text.push('\n');
    for k in 0..samples {
        if p_pa.iter().any(|p| !p[k].is_finite()) {
            continue;
        }
        let _ = write!(text, "{:.6}", k as f64 / rate_hz);
        for p in p_pa {
            let _ = write!(text, ",{:.4}", f64::from(p[k]) * 1e-3);
        }
        text.push('\n');
    }
    text
}

/// Heading of the column of a body: its name without what would break a line of columns.
pub(crate) fn heading(body: &str) -> String {
    let plain: String = body
        .chars()
        .map(|c| {
            let breaks = c.is_control() || matches!(c, ',' | ';' | '|' | '"' | '\'');
            if breaks { ' ' } else { c }
        })
        .collect();
    format!("{}_kpa", plain.trim())
}

/// The layout of [`recording_text`].
pub(crate) fn layout(bodies: &[String]) -> LayoutHint {
    let kpa = ChannelUnit::Pressure {
        unit: PressureUnit::KPa,
        kind: PressureKind::Absolute,
    };
    LayoutHint {
        time: Some(ColumnRef::Number(1)),
        time_unit: Some(TimeUnit::Second),
        pressure: bodies
            .iter()
            .enumerate()
            .map(|(i, body)| ChannelHint {
                body: body.clone(),
                column: Some(ColumnRef::Number(i + 2)),
                unit: Some(kpa),
            })
            .collect(),
        delimiter: Some(Delimiter::Comma),
        decimal: Some(Decimal::Point),
        ..LayoutHint::default()
    }
}
