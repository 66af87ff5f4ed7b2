//! What the visits of a machine say of its wear to come, in sentences.

use evenpull_diagnose::{Interval, Series};

use crate::records::MachineHistory;

/// One sentence for each quantity that is known to change; where a limit is ahead, when.
pub(super) fn forecast(years: &MachineHistory) -> Vec<String> {
    let per = years.history.axis.per();
    let all = years.history.series.iter().enumerate();
    all.filter_map(|(i, s)| {
        let trend = s.trend.filter(|t| t.known)?;
        let unit = s.quantity.unit();
        let rate = trend.rate;
        let mut text = format!(
            "{}: {:+.2} {unit} in {per} ({:+.2} to {:+.2}), from {} visits",
            years.title(i),
            rate.value,
            rate.lo90,
            rate.hi90,
            s.dots.len()
        );
        text.push_str(&limit(s).unwrap_or_else(|| "; no limit is foreseen".to_owned()));
        text.push('.');
        Some(text)
    })
    .collect()
}

fn limit(series: &Series) -> Option<String> {
    let f = series.forecast?;
    let at = f.distance_km.filter(|d| d.value.is_finite())?;
    let end = |v: f64| {
        if v.is_finite() {
            format!("{v:.0} km")
        } else {
            "never".to_owned()
        }
    };
    let Interval { value, lo90, hi90 } = at;
    Some(format!(
        "; {:.2} {} are reached at about {value:.0} km on the odometer ({} to {})",
        f.limit,
        series.quantity.unit(),
        end(lo90),
        end(hi90)
    ))
}
