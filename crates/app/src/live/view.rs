//! A snapshot as it goes to a page, `evenpull.live/1`.
//!
//! Field names are a contract: fields may be added, never renamed. What is missing is `null`.

use evenpull_live::{BodyNow, Link, Missing, PracticeState, Progress, Snapshot, Throttle};
use serde::Serialize;

use crate::answer::{
    MeasuredAnswer, NoticeAnswer, ScaledAnswer, finite, measured, notices, scaled,
};

/// One moment of a session.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LiveView {
    /// `evenpull.live/1`.
    pub format: &'static str,
    /// Counts up with each snapshot.
    pub number: u64,
    /// Connection.
    pub link: LinkView,
    /// Samples followed.
    pub samples: u64,
    /// Samples per second [Hz].
    pub rate_hz: Option<f64>,
    /// Samples lost on the way, by the device's counter.
    pub lost_samples: u64,
    /// Lines that could not be used.
    pub bad_lines: u64,
    /// Times the device started anew.
    pub restarts: u64,
    /// Samples dropped because the program did not keep up.
    pub dropped: u64,
    /// Last remark of the device.
    pub remark: Option<String>,
    /// Engine speed [1/min].
    pub rpm: Option<f64>,
    /// Scatter of the speed over its mean [%].
    pub rpm_scatter_percent: Option<f64>,
    /// Bodies, in the profile's order.
    pub bodies: Vec<BodyView>,
    /// (max - min)/mean of the depressions [%].
    pub spread_percent: Option<f64>,
    /// Largest less smallest depression [kPa].
    pub difference_kpa: Option<f64>,
    /// How far the reading has come.
    pub progress: ProgressView,
    /// Number of the reading accepted last; 0 for none.
    pub accepted: u64,
    /// Doubts.
    pub notices: Vec<NoticeAnswer>,
    /// Hoses that the firing intervals show on another body; empty where none is seen.
    pub crossed: Vec<CrossedView>,
    /// The practice engine, where it is the source.
    pub practice: Option<PracticeView>,
}

/// A hose on another body than the one its trace is named after.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CrossedView {
    /// Body the trace is named after.
    pub trace: String,
    /// Body the hose sits on.
    pub on: String,
}

/// The connection.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LinkView {
    /// `searching`, `connected`, `lost` or `ended`.
    pub state: &'static str,
    /// What is connected, or what stands in the way.
    pub text: String,
}

/// One body.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BodyView {
    /// Body.
    pub body: String,
    /// Newest absolute pressure [kPa].
    pub now_kpa: Option<f64>,
    /// Mean depression over the last whole cycles [kPa].
    pub depression_kpa: Option<f64>,
    /// Its standard deviation from cycle to cycle [kPa].
    pub depression_scatter_kpa: Option<f64>,
    /// Zero of the sensor [kPa]; `null` if not taken.
    pub zero_kpa: Option<f64>,
    /// Refill rate over the last seconds [1/s].
    pub refill_rate_per_s: Option<MeasuredAnswer>,
    /// Through-area over the last seconds [mm2].
    pub through_area_mm2: Option<ScaledAnswer>,
    /// Drawn air over the last seconds [mg].
    pub drawn_air_mg: Option<ScaledAnswer>,
}

/// How far the reading has come.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ProgressView {
    /// Steady whole cycles so far.
    pub cycles: usize,
    /// Whole cycles needed.
    pub needed: usize,
    /// What is missing.
    pub missing: Vec<MissingView>,
    /// It is accepted by itself once nothing is missing.
    pub armed: bool,
    /// Why the last attempt to accept it failed.
    pub refused: Option<String>,
}

/// Something a reading lacks.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MissingView {
    /// Stable code.
    pub code: &'static str,
    /// What to do, for the one at the machine.
    pub text: String,
}

/// The practice engine.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PracticeView {
    /// It runs.
    pub running: bool,
    /// It died by itself.
    pub stalled: bool,
    /// Throttle: `closed`, `opening` or `speed`.
    pub throttle: &'static str,
    /// Opening asked for [deg above shut].
    pub opening_deg: Option<f64>,
    /// Speed asked for [1/min].
    pub hold_rpm: Option<f64>,
    /// Idle valve [steps].
    pub idle_valve_steps: Option<f64>,
    /// Idle control on.
    pub idle_control: bool,
    /// Raw volts of the throttle sensor [V].
    pub sensor_v: Option<f64>,
    /// Opening the ECU believes in [deg above closed].
    pub ecu_opening_deg: Option<f64>,
}

/// The `evenpull.live/1` view of a snapshot.
pub fn live_view(s: &Snapshot) -> LiveView {
    let bodies: Vec<BodyView> = s.bodies.iter().map(body).collect();
    let names: Vec<&str> = s.bodies.iter().map(|b| b.body.as_str()).collect();
    LiveView {
        format: "evenpull.live/1",
        number: s.number,
        link: link(&s.link),
        samples: s.samples,
        rate_hz: s.rate_hz.and_then(finite),
        lost_samples: s.damage.lost_samples,
        bad_lines: s.damage.bad_lines,
        restarts: s.damage.restarts,
        dropped: s.dropped,
        remark: s.remark.clone(),
        rpm: s.rpm.and_then(finite),
        rpm_scatter_percent: s.rpm_scatter.and_then(|x| finite(100.0 * x)),
        spread_percent: s.spread.and_then(|x| finite(100.0 * x)),
        difference_kpa: difference(&s.bodies),
        bodies,
        progress: progress(&s.progress, &names),
        accepted: s.accepted,
        notices: notices(&s.notices),
        crossed: crossed(s),
        practice: s.practice.as_ref().map(practice),
    }
}

fn crossed(s: &Snapshot) -> Vec<CrossedView> {
    let name = |i: usize| Some(s.bodies.get(i)?.body.clone());
    let traces = s.traces_on.iter().flatten().enumerate();
    traces
        .filter(|(i, on)| i != *on)
        .filter_map(|(i, on)| {
            Some(CrossedView {
                trace: name(i)?,
                on: name(*on)?,
            })
        })
        .collect()
}

fn difference(bodies: &[BodyNow]) -> Option<f64> {
    let all: Option<Vec<f64>> = bodies.iter().map(|b| b.depression_kpa).collect();
    let all = all.filter(|a| a.len() > 1)?;
    let high = all.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = all.iter().copied().fold(f64::INFINITY, f64::min);
    finite(high - low)
}

fn link(link: &Link) -> LinkView {
    let (state, text) = match link {
        Link::Searching { note } => ("searching", note.clone()),
        Link::Connected { to } => ("connected", to.clone()),
        Link::Lost { from, why } => ("lost", format!("{from}: {why}")),
        Link::Ended { why } => ("ended", why.clone()),
    };
    LinkView { state, text }
}

fn body(b: &BodyNow) -> BodyView {
    BodyView {
        body: b.body.clone(),
        now_kpa: b.now_kpa.and_then(finite),
        depression_kpa: b.depression_kpa.and_then(finite),
        depression_scatter_kpa: b.depression_scatter_kpa.and_then(finite),
        zero_kpa: b.zero_kpa.and_then(finite),
        refill_rate_per_s: b.refill_rate_per_s.map(measured),
        through_area_mm2: b.through_area_mm2.map(scaled),
        drawn_air_mg: b.drawn_air_mg.map(scaled),
    }
}

fn progress(p: &Progress, bodies: &[&str]) -> ProgressView {
    ProgressView {
        cycles: p.cycles,
        needed: p.needed,
        missing: p.missing.iter().map(|m| missing(m, bodies)).collect(),
        armed: p.armed,
        refused: p.refused.clone(),
    }
}

fn missing(missing: &Missing, bodies: &[&str]) -> MissingView {
    let (code, text) = match missing {
        Missing::NotRunning => ("not-running", "start the engine".to_owned()),
        Missing::TooSlow { rpm, low_rpm } => (
            "too-slow",
            format!("{rpm:.0} rpm: bring it above {low_rpm:.0}"),
        ),
        Missing::TooFast { rpm, high_rpm } => (
            "too-fast",
            format!("{rpm:.0} rpm: bring it below {high_rpm:.0}"),
        ),
        Missing::Scatter { scatter, limit } => (
            "unsteady",
            format!(
                "speed scatters by {:.1} %, at most {:.0} %: hold the throttle still",
                100.0 * scatter,
                100.0 * limit
            ),
        ),
        Missing::Drift { drift, .. } => (
            "drifting",
            format!(
                "speed {} by {:.1} %: wait until it settles",
                if *drift > 0.0 { "rises" } else { "falls" },
                100.0 * drift.abs()
            ),
        ),
        Missing::Cycles { more } => ("cycles", format!("{more} more whole cycles")),
        Missing::DeadChannel { body } => (
            "channel-dead",
            format!(
                "no intake strokes on {}: look at its hose and sensor",
                bodies.get(*body).copied().unwrap_or("a body")
            ),
        ),
        _ => ("other", "wait".to_owned()),
    };
    MissingView { code, text }
}

fn practice(p: &PracticeState) -> PracticeView {
    let (throttle, opening_deg, hold_rpm) = match p.throttle {
        Throttle::Closed => ("closed", None, None),
        Throttle::Opening(deg) => ("opening", finite(deg), None),
        Throttle::Speed(rpm) => ("speed", None, finite(rpm)),
    };
    PracticeView {
        running: p.running,
        stalled: p.stalled,
        throttle,
        opening_deg,
        hold_rpm,
        idle_valve_steps: finite(p.idle_steps),
        idle_control: p.idle_control,
        sensor_v: p.sensor_v.and_then(finite),
        ecu_opening_deg: p.ecu_opening_deg.and_then(finite),
    }
}
