//! From cycles to refill rate, through-area and drawn air, each with its uncertainty.

use evenpull_airflow::{Gas, psi, refill};
use evenpull_fit::robust::line;

use crate::cross_flow::CrossFlow;
use crate::location::{Location, location};
use crate::mean_cycle::Average;
use crate::reading::{ChannelReading, Measured, Scaled, ZeroEffect};
use crate::refill_clock::{CycleFit, Window};
use crate::setup::{BodySetup, Setup, ZERO_UNKNOWN_PA};

/// Part of a reading's error that neither scatter nor zero explains, relative, per body.
///
/// Wall heat acts like an added area that differs between bodies with their flow; gas waves tilt
/// the refill. Judged from the filling model and an independent simulator with gas waves.
const MODEL_SD: (f64, f64) = (0.0005, 0.0005);

/// Area for which the wall heat of a refill stands, common to the bodies, standard deviation [mm2].
///
/// `(gamma-1)/gamma U dT/(p0 psi sqrt(R T0))` is 0.09 mm2 for a runner of 0.6 W/K with its gas 10 K off the
/// mean; the filling model of engines of 350 to 700 cc gives -0.19 to +0.07 mm2. Bodies of one
/// area share it, so only what an area is off the others' counts.
const HEAT_MM2: f64 = 0.05;

/// Share of the hose's correction that is counted as uncertainty.
///
/// The response is exact for the hose described; 3 % in its length, 2 % in its bore and 10 % in the volume at its sensor
/// move the square of its resonance, and with it the correction, by as much to twice as much.
const HOSE_SD: f64 = 0.06;

/// Share of a passage's correction that is counted as uncertainty.
const PASSAGE_SD: f64 = 0.3;

/// Refill rates with what goes along with the length of the single cycle taken out.
///
/// A cycle that runs faster starts its refill from another pressure and temperature; a regression
/// on its length takes such scatter off without moving the mean.
pub(crate) fn rates_at_mean_speed(fits: &[CycleFit]) -> Vec<f64> {
    let rates: Vec<f64> = fits.iter().map(|f| f.k_per_s).collect();
    let (Some(k), n) = (location(&rates), fits.len() as f64) else {
        return rates;
    };
    if fits.len() < 20 {
        return rates;
    }
    let length = fits.iter().map(|f| f.length_s).sum::<f64>() / n;
    let (mut sxy, mut sxx) = (0.0, 0.0);
    for f in fits
        .iter()
        .filter(|f| (f.k_per_s - k.centre).abs() < 4.0 * k.scatter)
    {
        sxy += (f.length_s - length) * (f.k_per_s - k.centre);
        sxx += (f.length_s - length).powi(2);
    }
    let slope = if sxx > 0.0 { sxy / sxx } else { 0.0 };
    fits.iter()
        .map(|f| f.k_per_s - slope * (f.length_s - length))
        .collect()
}

/// Widens areas and airs by the wall heat that bodies of different area do not share alike.
///
/// An area `h` added to all changes the ratio of two by `h (1/A_i - 1/A_j)`. Each body takes
/// `sqrt(2) h |1/A_i - mean of 1/A|`: exact for two, never too little for more.
pub(crate) fn widen_by_heat(channels: &mut [ChannelReading]) {
    let inverse: Vec<f64> = channels
        .iter()
        .filter_map(|c| c.through_area_mm2.map(|a| 1.0 / a.value))
        .collect();
    let mean = inverse.iter().sum::<f64>() / inverse.len() as f64;
    for c in channels {
        let Some(a) = &mut c.through_area_mm2 else {
            continue;
        };
        let heat = std::f64::consts::SQRT_2 * HEAT_MM2 * (1.0 / a.value - mean).abs();
        a.sd = a.sd.hypot(heat * a.value);
        let k = &mut c.refill_rate_per_s;
        k.sd = k.sd.hypot(heat * k.value);
        if let Some(m) = &mut c.drawn_air_mg {
            m.sd = m.sd.hypot(heat * m.value);
        }
    }
}

/// Rate, area and air of one body.
pub(crate) struct Values {
    pub(crate) rate: Measured,
    pub(crate) area: Scaled,
    pub(crate) air: Scaled,
    pub(crate) zero: ZeroEffect,
}

/// Combines the cycles of one body.
pub(crate) fn combine(
    fits: &[CycleFit],
    rate: Location,
    setup: &Setup,
    body: &BodySetup,
    hose: (f64, f64),
    passage: Option<&CrossFlow>,
) -> Values {
    let n = fits.len() as f64;
    let mean = |f: &dyn Fn(&CycleFit) -> f64| fits.iter().map(f).sum::<f64>() / n;
    let zero_sd = if body.zero_pa.is_some() {
        setup.zero_sd_pa
    } else {
        ZERO_UNKNOWN_PA
    };
    let passage_change = passage.map_or(1.0, |c| c.rate_change);
    let change = hose.0 * passage_change;
    let k = rate.centre * change;
    // A sensor that reads high by dz shows a rate that is off by -dk/dzero dz.
    let by_zero = mean(&|f| f.dk_dzero) / rate.centre;
    let corrected = (PASSAGE_SD * (passage_change - 1.0).abs()).max(HOSE_SD * (hose.0 - 1.0).abs())
        + passage.map_or(0.0, |c| c.rate_sd);
    let relative = |random: f64, zero: f64, model: f64| {
        (random.powi(2) + (zero * zero_sd).powi(2) + model.powi(2) + corrected.powi(2)).sqrt()
    };
    let k_sd = k * relative(rate.sd / rate.centre, by_zero, MODEL_SD.0);
    let gas = Gas::AIR;
    let volume_over_n = setup.runner_m3 / setup.n;
    let area = k * volume_over_n / (gas.r_j_per_kg_k() * setup.t0_k).sqrt() * 1e6;
    let psi_mean = mean(&|f| f.mean_psi);
    let air = k * volume_over_n * setup.p0_pa / (gas.r_j_per_kg_k() * setup.t0_k)
        * psi_mean
        * hose.1
        * mean(&|f| f.length_s)
        * 1e6;
    // k and the mean of psi move against each other with the zero, so their sum counts.
    let air_by_zero = by_zero + mean(&|f| f.dpsi_dzero) / psi_mean;
    let psi_random = location(&fits.iter().map(|f| f.mean_psi).collect::<Vec<_>>())
        .map_or(0.0, |l| l.sd / l.centre);
    let psi_hose = HOSE_SD * (hose.1 - 1.0).abs();
    let random = (rate.sd / rate.centre).hypot(psi_random).hypot(psi_hose);
    let air_sd = air * relative(random, air_by_zero, MODEL_SD.1);
    Values {
        rate: Measured { value: k, sd: k_sd },
        area: Scaled {
            value: area,
            sd: area * k_sd / k,
            scale_sd: area * setup.scale_sd,
        },
        air: Scaled {
            value: air,
            sd: air_sd,
            scale_sd: air * setup.scale_sd,
        },
        zero: ZeroEffect {
            area_per_kpa: -1e3 * by_zero,
            sd_kpa: 1e-3 * zero_sd,
        },
    }
}

/// Weighted slope of F per cycle over the window on an averaged cycle.
fn slope(average: &Average, window: Window) -> Option<f64> {
    let of = |f: &dyn Fn(usize) -> f64| average.refill_bins(window).map(f).collect::<Vec<_>>();
    let (at, ratio) = (&average.phase, &average.ratio);
    let line = line(
        &of(&|b| at[b]),
        &of(&|b| refill(ratio[b])),
        &of(&|b| psi(ratio[b]).powi(4)),
    );
    line.ok().map(|l| l.slope)
}

/// Factors by which the hose changed the rate and the mean of psi, to be multiplied back.
///
/// `own`: the averaged cycle; `port`: the same as it was before the hose, `window` being the refill
/// on it; `rate_per_s`: the rate found on the single cycles behind the hose. The rate before the hose is
/// taken from the averaged cycle itself, not from the change of its slope: a ringing trace gives
/// slopes that hang on where exactly a window cuts the ring.
pub(crate) fn hose_change(
    own: &Average,
    port: &Average,
    window: Window,
    period_s: f64,
    rate_per_s: f64,
) -> (f64, f64) {
    let rate = slope(port, window)
        .map(|per_cycle| per_cycle / (period_s * rate_per_s))
        .filter(|change| *change > 0.0)
        .unwrap_or(1.0);
    let mean_psi = |r: &[f64]| r.iter().map(|&r| psi(r)).sum::<f64>();
    (rate, mean_psi(&port.ratio) / mean_psi(&own.ratio))
}
