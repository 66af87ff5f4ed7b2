//! The reference sweep: through-area of each body against what the throttle sensor shows.
//!
//! Openings are those of the raw volts over the closed volts of the same visit, above the working
//! baseline, so that a sensor that sits elsewhere on one machine does not smear the family. Areas carry
//! the visit's scale, which the spread between machines takes up.

use evenpull_job::{Job, Profile};
use evenpull_trace::CycleReading;

use super::normal::shrunk;

/// Openings over the stop at which the family is given [deg].
const OPENINGS_DEG: [f64; 9] = [0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0];

/// One reading of one body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SweepPoint {
    /// Body, in the profile's order.
    pub body: usize,
    /// Opening over the stop by the raw volts [deg].
    pub over_stop_deg: f64,
    /// Logarithm of the through-area in mm2.
    pub ln_area: f64,
    /// Its random standard deviation.
    pub sd: f64,
}

/// The family at one opening of one body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReferencePoint {
    /// Body, in the profile's order.
    pub body: usize,
    /// Opening over the stop [deg].
    pub over_stop_deg: f64,
    /// Through-area [mm2].
    pub area_mm2: f64,
    /// Standard deviation of the next machine, relative [-].
    pub next_sd: f64,
    /// Machines that read it.
    pub machines: usize,
}

/// The points of one visit: closed throttle at idle, then every steady opening with volts.
pub fn sweep_points(
    job: &Job,
    profile: &Profile,
    cycles: &[Option<CycleReading>],
) -> Vec<SweepPoint> {
    let Some(sensor) = profile.sensor else {
        return Vec::new();
    };
    let closed: Vec<f64> = (job.readings.iter())
        .filter(|r| r.condition.throttle_shut())
        .filter_map(|r| r.sensor_v)
        .collect();
    if closed.is_empty() {
        return Vec::new();
    }
    let zero = closed.iter().sum::<f64>() / closed.len() as f64;
    let mut out = Vec::new();
    for (reading, cycle) in job.readings.iter().zip(cycles) {
        let (Some(volts), Some(cycle)) = (reading.sensor_v, cycle) else {
            continue;
        };
        for (i, channel) in cycle.channels.iter().enumerate() {
            let area = channel.through_area_mm2.filter(|a| a.value > 0.0);
            out.extend(area.map(|a| SweepPoint {
                body: cycle.traces_on.get(i).copied().unwrap_or(i),
                over_stop_deg: ((volts - zero) / sensor.volts_per_deg).max(0.0),
                ln_area: a.value.ln(),
                sd: (a.sd / a.value).max(1e-4),
            }));
        }
    }
    out
}

/// The family's sweep from the points of each machine; only openings that two machines read.
pub fn reference_sweep(profile: &Profile, machines: &[&[SweepPoint]]) -> Vec<ReferencePoint> {
    let scale = profile.refill.scale_sd_percent / 100.0;
    let mut out = Vec::new();
    for body in 0..profile.bodies().len() {
        for opening in OPENINGS_DEG {
            let values: Vec<(f64, f64)> = machines
                .iter()
                .filter_map(|points| at(points, body, opening))
                .collect();
            if values.len() < 2 {
                continue;
            }
            let middle = values.iter().map(|v| v.0).sum::<f64>() / values.len() as f64;
            out.extend(shrunk(&values, middle, 1.0, scale).map(|s| ReferencePoint {
                body,
                over_stop_deg: opening,
                area_mm2: s.mean.exp(),
                next_sd: s.next_sd,
                machines: s.machines,
            }));
        }
    }
    out
}

/// A machine's area at an opening, by straight lines between its readings; nothing beyond their ends.
fn at(points: &[SweepPoint], body: usize, opening: f64) -> Option<(f64, f64)> {
    let mut own: Vec<&SweepPoint> = points.iter().filter(|p| p.body == body).collect();
    own.sort_by(|a, b| a.over_stop_deg.total_cmp(&b.over_stop_deg));
    // Readings with the throttle shut scatter about nil by the sensor's own few millivolts.
    let first = own.first()?;
    if opening <= 0.0 {
        return (first.over_stop_deg < 0.15).then_some((first.ln_area, first.sd));
    }
    let pair = own
        .windows(2)
        .find(|w| w[0].over_stop_deg <= opening && opening <= w[1].over_stop_deg)?;
    let (a, b) = (pair[0], pair[1]);
    let span = b.over_stop_deg - a.over_stop_deg;
    let share = if span > 0.0 {
        (opening - a.over_stop_deg) / span
    } else {
        0.5
    };
    let sd = ((1.0 - share) * a.sd).hypot(share * b.sd);
    Some((a.ln_area + share * (b.ln_area - a.ln_area), sd))
}
