//! The absolute scale V/n from a known jet let in on one stub.
//!
//! The jet adds a known area to one body. What else changes with it - the idle valve, the opening
//! that holds the speed - changes all bodies alike, so the change of the difference between the
//! bodies is the jet's: `V/n = sqrt(R T0) Cd A / (change of k)`. Limits: bodies alike but for the
//! jet; the discharge coefficient of the jet is assumed.

use evenpull_airflow::Gas;
use evenpull_airflow::jet::jet_area_mm2_from_mm;
use evenpull_job::{JetData, Reading};
use evenpull_trace::{CycleReading, Notice, Scaled};

use crate::job_folder::LoadedJob;

/// Discharge coefficient of a carburettor jet [-] and its standard deviation; assumed.
const JET_CD: (f64, f64) = (0.85, 0.04);
/// How far n at idle and n off idle differ by their wall heat, relative; assumed.
const N_CHANGE: f64 = 0.05;
/// Relative scatter of the jet's effect beyond which it is not used.
const WORST_SD: f64 = 0.25;
/// Speeds that count as the same running [-].
const SAME_RPM: f64 = 0.03;
/// 0 C [K], exact.
const ZERO_C_K: f64 = 273.15;

/// Scales the areas and air masses of the readings for which a jet gives V/n.
///
/// A jet at idle scales the idle readings, one at sweep or hold those; where only one of them has a
/// jet it scales the other too, less surely: the runner is the same, the wall heat differs.
/// Several jets are averaged. Returns what was done or could not be done.
pub(crate) fn calibrate(loaded: &LoadedJob, cycles: &mut [Option<CycleReading>]) -> Vec<Notice> {
    let mut notices = Vec::new();
    let readings = &loaded.job.readings;
    // All before any is applied: each is measured against the profile's scale.
    let mut found: [Vec<(f64, f64)>; 2] = [Vec::new(), Vec::new()];
    for (index, reading) in readings.iter().enumerate() {
        let Some(jet) = reading.jet else { continue };
        match factor(loaded, cycles, index, jet) {
            Ok(one) => found[usize::from(reading.condition.throttle_shut())].push(one),
            Err(why) => notices.push(Notice::new(
                "jet-not-used",
                format!("reading {}: the jet gives no scale: {why}", index + 1),
            )),
        }
    }
    let [off_idle, idle] = found.map(|factors| averaged(&factors));
    let carried = |(factor, sd): (f64, f64)| (factor, sd.hypot(N_CHANGE));
    let places = [
        (false, off_idle.or(idle.map(carried))),
        (true, idle.or(off_idle.map(carried))),
    ];
    for (at_idle, scale) in places {
        let Some((factor, sd)) = scale else {
            continue;
        };
        for (reading, cycle) in readings.iter().zip(cycles.iter_mut()) {
            if let (true, Some(cycle)) = (reading.condition.throttle_shut() == at_idle, cycle) {
                apply(cycle, factor, sd);
            }
        }
        let place = if at_idle { "idle" } else { "sweep and hold" };
        notices.push(Notice::new(
            "scale-from-jet",
            format!(
                "a jet puts areas and air masses at {place} at {factor:.2} of what the profile \
                 says, +-{:.0} %",
                100.0 * sd
            ),
        ));
    }
    notices
}

/// Weighted mean of factors with random relative sds; the jets' coefficient is common to all.
fn averaged(factors: &[(f64, f64)]) -> Option<(f64, f64)> {
    let weight: f64 = factors.iter().map(|(_, sd)| sd.powi(-2)).sum();
    if factors.is_empty() || !weight.is_finite() {
        return None;
    }
    let mean = factors.iter().map(|(f, sd)| f * sd.powi(-2)).sum::<f64>() / weight;
    Some((mean, weight.powf(-0.5).hypot(JET_CD.1 / JET_CD.0)))
}

/// V/n over the profile's, and its random relative standard deviation.
fn factor(
    loaded: &LoadedJob,
    cycles: &[Option<CycleReading>],
    index: usize,
    jet: JetData,
) -> Result<(f64, f64), String> {
    if loaded.profile.bodies().len() < 2 {
        return Err("it takes a second body to compare with".to_owned());
    }
    let with = cycles[index]
        .as_ref()
        .ok_or("its recording gave no reading")?;
    let without = partner(&loaded.job.readings, cycles, index, with.rpm.value)
        .ok_or("there is no reading without the jet in the same condition and speed; take one")?;
    let (k_with, sd_with) = beside_others(with, jet.body);
    let (k_without, sd_without) = beside_others(without, jet.body);
    let k_jet = k_with - k_without;
    let k_sd = sd_with.hypot(sd_without);
    // Also false for a rate that is not a number.
    let plain = k_jet > 0.0 && k_sd < WORST_SD * k_jet;
    if !plain {
        return Err(format!(
            "it changed the difference of the refill rates by {k_jet:.2} +-{k_sd:.2} 1/s; check \
             that it was open and on the right stub"
        ));
    }
    let area_m2 = jet_area_mm2_from_mm(jet.bore_mm).map_err(|e| e.to_string())? * 1e-6;
    let t0_k = loaded.job.ambient.temperature_c + ZERO_C_K;
    let through = (Gas::AIR.r_j_per_kg_k() * t0_k).sqrt() * JET_CD.0 * area_m2 / k_jet;
    let nominal = with.channels.iter().find_map(|c| {
        // What the analysis took: CdA = k (V/n) / sqrt(R T0).
        let area = c.through_area_mm2?.value * 1e-6;
        Some(area * (Gas::AIR.r_j_per_kg_k() * t0_k).sqrt() / c.refill_rate_per_s.value)
    });
    let nominal = nominal.ok_or("no body of its reading carries an area")?;
    Ok((through / nominal, k_sd / k_jet))
}

/// The reading without a jet that is nearest in speed, in the same condition.
fn partner<'c>(
    readings: &[Reading],
    cycles: &'c [Option<CycleReading>],
    index: usize,
    rpm: f64,
) -> Option<&'c CycleReading> {
    readings
        .iter()
        .zip(cycles)
        .filter(|(r, _)| r.jet.is_none() && r.condition == readings[index].condition)
        .filter_map(|(_, c)| c.as_ref())
        .filter(|c| (c.rpm.value - rpm).abs() <= SAME_RPM * rpm)
        .min_by(|a, b| {
            let off = |c: &CycleReading| (c.rpm.value - rpm).abs();
            off(a).total_cmp(&off(b))
        })
}

/// Refill rate of one body less the mean of the others [1/s], with its standard deviation.
fn beside_others(cycle: &CycleReading, body: usize) -> (f64, f64) {
    let others = (cycle.channels.len() - 1) as f64;
    let mut k = 0.0;
    let mut variance = 0.0;
    for (i, c) in cycle.channels.iter().enumerate() {
        let share = if i == body { 1.0 } else { -1.0 / others };
        k += share * c.refill_rate_per_s.value;
        variance += (share * c.refill_rate_per_s.sd).powi(2);
    }
    (k, variance.sqrt())
}

fn apply(cycle: &mut CycleReading, factor: f64, sd: f64) {
    let scaled = |s: &mut Scaled| {
        s.value *= factor;
        s.sd *= factor;
        s.scale_sd = sd * s.value;
    };
    for channel in &mut cycle.channels {
        channel.through_area_mm2.iter_mut().for_each(scaled);
        channel.drawn_air_mg.iter_mut().for_each(scaled);
    }
}
