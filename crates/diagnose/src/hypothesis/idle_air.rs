//! Faults of what feeds or holds all bodies together: idle valve, its hoses, cable, bleeds, sensor.
//!
//! Each comes up only where a channel at hand can speak for it.

use evenpull_job::{Job, Profile};

use super::{Fault, Prior};
use crate::assessment::CauseCode;
use crate::evidence::{Evidence, Point};
use crate::model::Space;

/// Prior odds against a sound machine; common practice, no source.
mod odds {
    pub(super) const STUCK: f64 = 0.03;
    pub(super) const HOSE: f64 = 0.03;
    pub(super) const BLOCKED: f64 = 0.03;
    pub(super) const WORN: f64 = 0.02;
    /// A cable seen to have no slack may still let the plates come down.
    pub(super) const TIGHT: f64 = 1.0;
}

/// Logarithm of the density of steps read under a stuck valve over that under a working one, at the
/// end that the computer drives it to and elsewhere: seven times in ten it has reached the end, else
/// it may be anywhere; a working valve has a density of 1/(0.12 sqrt(2 pi)) of its travel.
const LN_AT_END: f64 = -0.36;
const LN_ELSEWHERE: f64 = -2.4;

/// Scatter of a worn throttle sensor over a sound one's: near its end of life, and with dropouts.
const WORN_SCATTER: [f64; 2] = [6.0, 40.0];

/// Least difference of turns between two readings that tells whether a bleed answers.
const ANSWERS_TURNS: f64 = 0.2;

/// A fault with its odds and the priors it changes.
pub(super) type Change = (Fault, f64, Vec<(usize, Prior)>);

/// All of them that the job can tell of.
pub(super) fn all(job: &Job, profile: &Profile, space: &Space, evidence: &Evidence) -> Vec<Change> {
    let mut out = valve(profile, evidence);
    out.extend(hose(profile, evidence));
    out.extend(cable(job, profile, space));
    out.extend((0..space.bodies).filter_map(|b| blocked(space, evidence, b)));
    out.extend(worn(job, profile, evidence));
    out
}

fn idle_points(evidence: &Evidence) -> impl Iterator<Item = &Point> {
    evidence
        .points
        .iter()
        .filter(|p| p.at_stop() && !p.valve_pinched)
}

/// How far the idle speed lies from the meant one, over its tolerance: the furthest reading.
fn speed_off(profile: &Profile, evidence: &Evidence) -> f64 {
    let e = &profile.engine;
    idle_points(evidence)
        .filter(|p| p.rpm_read)
        .map(|p| (p.rpm - e.idle_rpm) / e.idle_tolerance_rpm)
        .max_by(|a, b| a.abs().total_cmp(&b.abs()))
        .unwrap_or(0.0)
}

fn valve(profile: &Profile, evidence: &Evidence) -> Vec<Change> {
    let Some(valve) = profile.idle_valve else {
        return Vec::new();
    };
    let travel = f64::from(valve.steps);
    let off = speed_off(profile, evidence);
    let ends: Vec<i8> = idle_points(evidence)
        .filter(|p| p.steps_read)
        .map(|p| p.valve_end(travel))
        .collect();
    if off.abs() < 2.0 && ends.iter().all(|e| *e == 0) {
        return Vec::new();
    }
    // The computer drives a valve that is stuck open shut, and the other way round.
    let odds = |driven_to: i8| {
        let ln: f64 = ends
            .iter()
            .map(|e| {
                if *e == driven_to {
                    LN_AT_END
                } else {
                    LN_ELSEWHERE
                }
            })
            .sum();
        odds::STUCK * ln.exp()
    };
    let held = |mean: f64, sd: f64, lo: f64, hi: f64| {
        vec![
            (Space::HOLDS, Prior::fixed(1.0)),
            (Space::HELD, Prior::normal(mean, sd).cut(lo, hi)),
        ]
    };
    vec![
        (
            Fault::anywhere(CauseCode::IdleValveStuckOpen),
            odds(-1),
            held(0.7, 0.25, 0.35, 1.0),
        ),
        (
            Fault::anywhere(CauseCode::IdleValveStuckShut),
            odds(1),
            held(0.02, 0.08, 0.0, 0.22),
        ),
    ]
}

/// A split hose lets air in beside the valve, which then closes as far as it can.
fn hose(profile: &Profile, evidence: &Evidence) -> Option<Change> {
    let valve = profile.idle_valve?;
    let travel = f64::from(valve.steps);
    let low = idle_points(evidence).any(|p| p.steps_read && p.steps < Some(0.15 * travel));
    let pinched = evidence.points.iter().any(|p| p.valve_pinched);
    if !low && !pinched && speed_off(profile, evidence) < 2.0 {
        return None;
    }
    let full = travel * valve.area_mm2_per_step;
    let extra = Prior::normal(0.35 * full, 0.25 * full).cut(0.1 * full, 3.0 * full);
    let fault = Fault::anywhere(CauseCode::IdleAirHose);
    Some((fault, odds::HOSE, vec![(Space::HOSE, extra)]))
}

/// Without slack the cable holds the undriven plates open, as their stops do when turned in.
fn cable(job: &Job, profile: &Profile, space: &Space) -> Option<Change> {
    if job.checks.cable_slack != Some(false) {
        return None;
    }
    let driven = |b: &usize| profile.couplings.iter().any(|c| c.driven.contains(b));
    let undriven: Vec<usize> = (0..space.bodies)
        .filter(|b| !driven(b) && profile.has_stop(*b))
        .collect();
    let held = Prior::normal(0.5, 0.5).cut(0.05, 5.0);
    let first = *undriven.first()?;
    let changes = undriven.iter().map(|b| (space.stop(*b), held)).collect();
    Some((
        Fault::on(CauseCode::CableTight, first),
        odds::TIGHT,
        changes,
    ))
}

/// A bleed whose screw changes nothing; two readings with different turns tell.
fn blocked(space: &Space, evidence: &Evidence, b: usize) -> Option<Change> {
    if evidence.bleeds_assumed {
        return None;
    }
    let turns = || idle_points(evidence).map(|p| p.bleed_turns[b]);
    let most = turns().fold(f64::NEG_INFINITY, f64::max);
    let least = turns().fold(f64::INFINITY, f64::min);
    (most - least > ANSWERS_TURNS).then(|| {
        let shut = Prior::normal(-3.5, 0.8).cut(-8.0, -1.5);
        let fault = Fault::on(CauseCode::BleedBlocked, b);
        (fault, odds::BLOCKED, vec![(space.ln_bleed(b), shut)])
    })
}

/// A worn track scatters; `n` readings of `s` times the scatter have `s^-n` times the density.
fn worn(job: &Job, profile: &Profile, evidence: &Evidence) -> Vec<Change> {
    let read = evidence
        .points
        .iter()
        .filter(|p| p.sensor_v.is_some())
        .count();
    let snaps = &job.checks.snap_shut_v;
    if profile.sensor.is_none() || (read < 4 && snaps.len() < 3) {
        return Vec::new();
    }
    let high = snaps.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = snaps.iter().copied().fold(f64::INFINITY, f64::min);
    let fault = Fault::anywhere(CauseCode::SensorWorn);
    // Closed readings repeat to 5-10 mV each way; common practice, no source.
    let (jumps, told) = match (snaps.len() >= 3, high - low) {
        (false, _) => (1.0, false),
        (true, spread) if spread > 0.04 => (100.0, true),
        (true, spread) if spread > 0.02 => (10.0, true),
        (true, spread) if spread < 0.015 => (0.3, false),
        (true, _) => (1.0, false),
    };
    let mut out: Vec<Change> = WORN_SCATTER
        .iter()
        .map(|s: &f64| {
            let density = s.powi(-i32::try_from(read).unwrap_or(i32::MAX));
            let scatter = (Space::LN_VOLTS_SD, Prior::fixed(s.ln()));
            (fault, odds::WORN * jumps * density, vec![scatter])
        })
        .collect();
    if told {
        // Jumps between snaps although the readings held happened to be good.
        out.push((fault, odds::WORN * jumps, Vec::new()));
    }
    out
}
