//! From a recording to one reading per cylinder.

use crate::cross_flow::{self, CrossFlow, View};
use crate::cycles::{Cycle, LIVE_SWING_PA, Levels, RPM_RANGE, period_samples, whole_cycles};
use crate::firing::{self, Plumbing};
use crate::hose_correction::{at_the_port, lag_s};
use crate::location::location;
use crate::mean_cycle::{Average, averages, thinned};
use crate::notice::Notice;
use crate::picture::{misfit, picture};
use crate::quality;
use crate::reading::{ChannelReading, CycleReading, MeanCycle, Measured, ZeroEffect};
use crate::recording::{Channel, Recording};
use crate::refill_clock::{CycleFit, Scale, Window, fit_cycle};
use crate::setup::{AnalyseError, BodySetup, Setup};
use crate::values::{combine, hose_change, rates_at_mean_speed, widen_by_heat};
use crate::window::{from_timing, straight_part};

/// Fewest whole cycles that give a reading at all; below 50 a notice says so.
const FEWEST_CYCLES: usize = 5;

/// Fewest samples a cycle must have.
const FEWEST_SAMPLES: f64 = 16.0;

/// Passage area over through-area above which an area is refused.
const SHARE_REFUSED: f64 = 0.3;

/// One channel on its way through the analysis.
struct Work<'a> {
    setup: &'a BodySetup,
    channel: &'a Channel,
    scale: Scale,
    cycles: Vec<Cycle>,
}

/// Analyses a recording.
///
/// Cycles and speed from the pressure alone; per body mean depression, refill rate, through-area
/// `CdA = k (V/n) / sqrt(R T0)`, drawn air `M = k (V/n) p0/(R T0) * integral of psi over the
/// cycle`, each with its random sd (scatter over the cycles, drift of the sensor's zero, what the
/// model leaves) and the common sd of V/n; notices for every doubt. An area from runners that
/// fill each other, or from a refill that is over too early, is refused (`None`).
///
/// # Errors
/// [`AnalyseError`] when there is no reading at all: a channel missing, all channels dead, too
/// short, too coarse, no repeating cycle, pressures that cannot be.
pub fn analyse(recording: &Recording, setup: &Setup) -> Result<CycleReading, AnalyseError> {
    let mut notices = recording.notices.clone();
    let channels = match_channels(recording, setup)?;
    let levels: Vec<Option<Levels>> = channels.iter().map(|c| Levels::of(c)).collect();
    let live = |l: &Option<Levels>| l.is_some_and(|l| l.swing_pa() >= LIVE_SWING_PA);
    let strongest = (0..channels.len())
        .filter(|&i| live(&levels[i]))
        .max_by(|&a, &b| swing(&levels[a]).total_cmp(&swing(&levels[b])));
    let Some(strongest) = strongest else {
        return Err(AnalyseError::AllDead {
            recording: recording.name.clone(),
            swing_kpa: levels.iter().map(swing).fold(0.0, f64::max) / 1e3,
            limit_kpa: LIVE_SWING_PA / 1e3,
        });
    };
    let period = find_period(recording, channels[strongest])?;
    let works: Vec<Work<'_>> = each(channels.len(), |i| {
        let body = &setup.bodies[i];
        Work {
            setup: body,
            channel: channels[i],
            scale: Scale {
                zero_pa: body.zero_pa.unwrap_or(0.0),
                p0_pa: setup.p0_pa,
                dt_s: recording.dt_s,
            },
            cycles: match levels[i] {
                Some(l) if live(&levels[i]) => whole_cycles(recording, channels[i], l, period),
                _ => Vec::new(),
            },
        }
    });
    let lead = &works[strongest].cycles;
    if lead.len() < FEWEST_CYCLES {
        return Err(AnalyseError::TooShort {
            recording: recording.name.clone(),
            duration_s: recording.duration_s(),
            found: lead.len(),
            needed: FEWEST_CYCLES,
        });
    }
    let (rpm, rpm_scatter) = speed(lead, recording.dt_s);
    quality::of_the_run(&mut notices, lead, rpm.value, rpm_scatter);
    quality::of_the_sensors(&mut notices, recording, setup, rpm.value);
    let traces_on = check_plumbing(&mut notices, &works, setup);
    let period_s = 120.0 / rpm.value;
    let averaged_bodies: Vec<Option<Averaged>> =
        each(works.len(), |i| averaged(i, &works, setup, period_s));
    let views: Vec<View<'_>> = averaged_bodies
        .iter()
        .flatten()
        .map(|a| View {
            own: &a.port,
            others: &a.others,
            window: a.at_port,
        })
        .collect();
    let mut passages = cross_flow::find(&views, period_s, setup.passages_open).into_iter();
    let context = Context {
        setup,
        period_s,
        recording: &recording.name,
    };
    let mut out = Vec::new();
    for (work, average) in works.iter().zip(&averaged_bodies) {
        let passage = average.as_ref().and_then(|_| passages.next());
        out.push(body_reading(
            work,
            average.as_ref(),
            passage.as_ref(),
            &context,
            &mut notices,
        )?);
    }
    widen_by_heat(&mut out);
    let cycles = works
        .iter()
        .map(|w| w.cycles.len())
        .filter(|n| *n > 0)
        .min()
        .unwrap_or(0);
    Ok(CycleReading {
        rpm,
        rpm_scatter,
        cycles,
        channels: out,
        traces_on,
        notices,
    })
}

/// `f(0)` to `f(n - 1)`, one thread each; bodies are few and their samples many.
fn each<T: Send>(n: usize, f: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let f = &f;
    std::thread::scope(|scope| {
        let threads: Vec<_> = (1..n).map(|i| scope.spawn(move || f(i))).collect();
        std::iter::once(f(0))
            .chain(threads.into_iter().map(|t| {
                t.join()
                    .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
            }))
            .collect()
    })
}

fn swing(levels: &Option<Levels>) -> f64 {
    levels.map_or(0.0, Levels::swing_pa)
}

fn match_channels<'a>(
    recording: &'a Recording,
    setup: &Setup,
) -> Result<Vec<&'a Channel>, AnalyseError> {
    setup
        .bodies
        .iter()
        .map(|b| {
            recording
                .channels
                .iter()
                .find(|c| c.body == b.body)
                .ok_or_else(|| {
                    let have: Vec<&str> =
                        recording.channels.iter().map(|c| c.body.as_str()).collect();
                    AnalyseError::MissingChannel {
                        recording: recording.name.clone(),
                        body: b.body.clone(),
                        have: if have.is_empty() {
                            "none".into()
                        } else {
                            have.join(", ")
                        },
                    }
                })
        })
        .collect()
}

fn find_period(recording: &Recording, channel: &Channel) -> Result<f64, AnalyseError> {
    let period = period_samples(recording, channel).ok_or_else(|| AnalyseError::NoCycle {
        recording: recording.name.clone(),
        lo_rpm: RPM_RANGE.0,
        hi_rpm: RPM_RANGE.1,
    })?;
    if period < FEWEST_SAMPLES {
        return Err(AnalyseError::TooCoarse {
            recording: recording.name.clone(),
            samples_per_cycle: period,
            needed: FEWEST_SAMPLES,
            rate_hz: FEWEST_SAMPLES / (period * recording.dt_s),
        });
    }
    Ok(period)
}

/// Speed over the whole cycles and its scatter from cycle to cycle [1/min].
fn speed(cycles: &[Cycle], dt_s: f64) -> (Measured, f64) {
    let n = cycles.len() as f64;
    let mean = cycles.iter().map(|c| c.length).sum::<f64>() / n;
    let variance = cycles
        .iter()
        .map(|c| (c.length - mean).powi(2))
        .sum::<f64>()
        / n;
    let value = 120.0 / (mean * dt_s);
    let scatter = value * variance.sqrt() / mean;
    (
        Measured {
            value,
            sd: scatter / n.sqrt(),
        },
        scatter,
    )
}

/// Body index on which each trace really sits, by the firing intervals.
fn check_plumbing(notices: &mut Vec<Notice>, works: &[Work<'_>], setup: &Setup) -> Vec<usize> {
    let named: Vec<usize> = (0..works.len()).collect();
    if works.iter().any(|w| w.cycles.is_empty()) {
        return named;
    }
    let cycles: Vec<&[Cycle]> = works.iter().map(|w| w.cycles.as_slice()).collect();
    let Some(measured) = firing::measured_deg(&cycles) else {
        return named;
    };
    let starts: Vec<f64> = setup.bodies.iter().map(|b| b.intake_start_deg).collect();
    let found = firing::plumbing(&measured, &starts);
    quality::of_the_plumbing(notices, &found, &measured, setup);
    match found {
        Plumbing::Crossed { found } => found,
        _ => named,
    }
}

/// A live body's averaged traces.
struct Averaged {
    /// As the sensor saw it.
    own: Average,
    /// As it was before the hose.
    port: Average,
    /// The other bodies before their hoses, over this body's cycles.
    others: Vec<Average>,
    /// Refill window on `own`, and earlier by the hose's lag on `port`.
    window: Window,
    at_port: Window,
    /// The refill of each cycle.
    fits: Vec<CycleFit>,
}

fn averaged<'a>(i: usize, works: &[Work<'a>], setup: &Setup, period_s: f64) -> Option<Averaged> {
    let work = &works[i];
    if work.cycles.len() < FEWEST_CYCLES {
        return None;
    }
    let before_hose = |w: &Work<'a>, a: Average| match w.setup.hose {
        Some(hose) => at_the_port(&a, hose, period_s),
        None => a,
    };
    let others = || {
        let live = |(j, w): &(usize, &Work<'a>)| *j != i && w.cycles.len() >= FEWEST_CYCLES;
        works.iter().enumerate().filter(live).map(|(_, w)| w)
    };
    let samples = |w: &Work<'a>| (w.channel.p_pa.as_slice(), w.scale);
    let own = averages(&[samples(work)], &work.cycles).pop()?;
    let port = before_hose(work, own.clone());
    let channels: Vec<(&[f32], Scale)> = others().map(samples).collect();
    let others = others()
        .zip(averages(&channels, &thinned(&work.cycles)))
        .map(|(w, a)| before_hose(w, a))
        .collect();
    let timing = from_timing(setup.inlet_opens_btdc_deg, setup.inlet_closes_abdc_deg);
    let shift = work
        .setup
        .hose
        .map_or(0.0, |h| lag_s(h, period_s) / period_s);
    let at_port = straight_part(timing.earlier(shift), &port);
    let window = at_port.earlier(-shift);
    let fits = work
        .cycles
        .iter()
        .filter_map(|c| fit_cycle(&work.channel.p_pa, *c, window, work.scale))
        .collect();
    Some(Averaged {
        own,
        port,
        others,
        window,
        at_port,
        fits,
    })
}

/// What one body's reading needs beside its own samples.
struct Context<'a> {
    setup: &'a Setup,
    period_s: f64,
    recording: &'a str,
}

fn body_reading(
    work: &Work<'_>,
    averaged: Option<&Averaged>,
    passage: Option<&CrossFlow>,
    context: &Context<'_>,
    notices: &mut Vec<Notice>,
) -> Result<ChannelReading, AnalyseError> {
    let (setup, period_s, body) = (context.setup, context.period_s, &work.setup.body);
    let Some(Averaged {
        own,
        port,
        window,
        at_port,
        fits,
        ..
    }) = averaged
    else {
        quality::dead_channel(notices, body);
        return Ok(dead(work, setup));
    };
    let window = *window;
    let mean_ratio = own.mean_ratio();
    if !(0.02..=1.02).contains(&mean_ratio) {
        return Err(AnalyseError::Implausible {
            recording: context.recording.to_owned(),
            body: body.clone(),
            mean_kpa: mean_ratio * setup.p0_pa / 1e3,
            ambient_kpa: setup.p0_pa / 1e3,
        });
    }
    quality::of_the_cycles(notices, body, &work.cycles, fits, own);
    let rates = rates_at_mean_speed(fits);
    let lowest = own.ratio.iter().copied().fold(f64::INFINITY, f64::min);
    let mut result = without_values(body, mean_ratio, lowest, setup.p0_pa);
    result.cycle = picture(own, window, None, setup.p0_pa, period_s);
    let rate = location(&rates);
    if quality::of_the_range(notices, work.channel) {
        return Ok(result);
    }
    let Some(rate) = rate.filter(|r| 2 * fits.len() > work.cycles.len() && r.centre > 0.0) else {
        quality::refill_too_early(notices, body);
        return Ok(result);
    };
    let hose = work.setup.hose.map_or((1.0, 1.0), |_| {
        hose_change(own, port, *at_port, period_s, rate.centre)
    });
    let refused = quality::of_cross_flow(notices, body, passage, SHARE_REFUSED, setup);
    let values = combine(fits, rate, setup, work.setup, hose, passage);
    result.refill_rate_per_s = values.rate;
    result.zero = values.zero;
    result.misfit = misfit(own, window, rate.centre, period_s);
    result.cycle = picture(own, window, Some(rate.centre), setup.p0_pa, period_s);
    if !refused {
        result.through_area_mm2 = Some(values.area);
        result.drawn_air_mg = Some(values.air);
    }
    Ok(result)
}

/// The reading of a channel that shows no engine: levels over all its samples, no values.
fn dead(work: &Work<'_>, setup: &Setup) -> ChannelReading {
    let (mut n, mut sum, mut lowest) = (0_usize, 0.0, f64::INFINITY);
    for &p in work.channel.p_pa.iter().filter(|p| p.is_finite()) {
        let r = work.scale.ratio(p);
        n += 1;
        sum += r;
        lowest = f64::min(lowest, r);
    }
    without_values(&work.setup.body, sum / n.max(1) as f64, lowest, setup.p0_pa)
}

/// A reading of mean and lowest pressure ratio alone.
fn without_values(body: &str, mean_ratio: f64, lowest: f64, p0_pa: f64) -> ChannelReading {
    ChannelReading {
        body: body.to_owned(),
        mean_depression_kpa: (1.0 - mean_ratio) * p0_pa / 1e3,
        lowest_kpa: lowest * p0_pa / 1e3,
        refill_rate_per_s: Measured {
            value: f64::NAN,
            sd: f64::NAN,
        },
        through_area_mm2: None,
        drawn_air_mg: None,
        zero: ZeroEffect::default(),
        misfit: f64::NAN,
        cycle: MeanCycle::default(),
    }
}
