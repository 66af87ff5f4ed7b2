//! What the readings of a job say, put into one shape for the fit.

use std::sync::Arc;

use evenpull_job::{Condition, Job, Pinch, Profile, Reading, SealState, instrument_on};
use evenpull_trace::{CycleReading, ZERO_DRIFT_PA};

use crate::breathing::{Breathing, DepressionLaw};
use crate::record::Record;

/// Least depression that a running engine pulls where readings are taken [kPa]: 25 to 45 at idle, a few wide open; assumed.
pub(crate) const LEAST_KPA: f64 = 1.0;

/// Repeatability of a gauge pair on one reading [kPa]; common practice, no source.
pub(crate) const GAUGE_SD_KPA: f64 = 0.3;

/// Share of the idle valve's travel at either end where it says no more than "at least" or "at most".
pub(crate) const VALVE_END: f64 = 0.04;

/// What a hose that nobody described leaves between the areas of two bodies, relative standard deviation at this speed
/// [1/min], and less below it by the cube: hoses bias areas by 5 to 25 % at hold, all by the same only where all are
/// alike; assumed.
const HOSE_SD: f64 = 0.05;
const HOSE_RPM: f64 = 3_750.0;

/// Speeds so near each other are one to the depressions, relative.
const SAME_SPEED: f64 = 0.01;

/// Turns a bleed is taken to stand at when nobody said: half a turn from its seat; common practice, no source.
const USUAL_BLEED_TURNS: f64 = 0.5;

/// What a noted turn comes out otherwise at the screw, relative to the turn; and how finely turns are
/// noted [turns]. Assumed: a hand repeats a turn to a twentieth, a slot is read to a tenth of a
/// right angle.
const HAND: (f64, f64) = (0.05, 0.01);

/// A screw that is meant to be turned.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Screw {
    /// Bleed of a body, by index.
    Bleed(usize),
    /// Balance adjuster of a coupling, by index.
    Balance(usize),
}

/// A noted turn between two readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Turn {
    pub(crate) screw: Screw,
    /// First reading after it.
    pub(crate) before: usize,
    /// As noted, positive = more opening or area.
    pub(crate) turns: f64,
}

impl Turn {
    /// Standard deviation of the turn made over the turn noted [turns].
    pub(crate) fn sd_turns(&self) -> f64 {
        (HAND.0 * self.turns).hypot(HAND.1)
    }
}

/// A logarithm of a through-area.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct LnArea {
    pub(crate) value: f64,
    /// Standard deviation without the part of the sensor's zero.
    pub(crate) sd: f64,
    /// Change with the sensor's zero [1/kPa], positive: an area shown too large by a sensor that reads high.
    pub(crate) by_zero: f64,
}

/// One reading as evidence; vectors in the profile's order of bodies.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Point {
    pub(crate) condition: Condition,
    pub(crate) rpm: f64,
    /// The speed was read, not taken from the condition.
    pub(crate) rpm_read: bool,
    /// Areas from the refill clock [mm2, as logarithm].
    pub(crate) ln_area: Vec<Option<LnArea>>,
    /// Depressions from the recording [kPa].
    pub(crate) recorded_kpa: Option<Vec<f64>>,
    /// Depressions from gauges [kPa], as read.
    pub(crate) gauge_kpa: Option<Vec<f64>>,
    /// Gauges exchanged for this reading.
    pub(crate) swapped: bool,
    pub(crate) sensor_v: Option<f64>,
    pub(crate) ecu_opening_deg: Option<f64>,
    /// Idle-valve steps; carried over from the last idle reading off idle.
    pub(crate) steps: Option<f64>,
    /// Idle-valve steps were read at this reading and the ECU was free to move the valve.
    pub(crate) steps_read: bool,
    /// Idle-air hoses pinched off.
    pub(crate) valve_pinched: bool,
    pub(crate) bleed_turns: Vec<f64>,
    /// Depression over through-area at this speed; `None` where no depressions were read.
    pub(crate) law: Option<Arc<DepressionLaw>>,
    /// Turns of each coupling's adjuster made after this reading, positive = more open.
    pub(crate) turned_since: Vec<f64>,
    /// Share of what passages do at the smallest through-area of the job that they do here, 0 to 1.
    pub(crate) passages_share: f64,
}

impl Point {
    /// Throttle shut: plates rest on their stops.
    pub(crate) fn at_stop(&self) -> bool {
        self.condition.throttle_shut()
    }

    /// Mean of the logarithms of the through-areas read [ln mm2].
    fn mean_ln_area(&self) -> Option<f64> {
        let known = || self.ln_area.iter().flatten();
        let n = known().count();
        (n > 0).then(|| known().map(|a| a.value).sum::<f64>() / n as f64)
    }

    /// Gauge or sensor that read body `b`.
    pub(crate) fn instrument_on(&self, b: usize) -> usize {
        instrument_on(b, self.ln_area.len(), self.swapped)
    }

    /// Steps at an end of the valve's travel: at or below the lower (-1), at or above the upper (1).
    pub(crate) fn valve_end(&self, travel: f64) -> i8 {
        let end = VALVE_END * travel;
        match self.steps {
            Some(steps) if steps <= end => -1,
            Some(steps) if steps >= travel - end => 1,
            _ => 0,
        }
    }

    /// Gauges alone, off idle: how much they pull tells how far the throttle was open.
    pub(crate) fn tells_level(&self) -> bool {
        let gauges_alone = self.gauge_kpa.is_some() && self.recorded_kpa.is_none();
        gauges_alone && self.law.is_some() && !self.at_stop()
    }

    /// Takes out all that was read, and leaves what was done.
    pub(crate) fn leave_out(&mut self) {
        self.ln_area.fill(None);
        (self.recorded_kpa, self.gauge_kpa, self.law) = (None, None, None);
        (self.sensor_v, self.ecu_opening_deg) = (None, None);
        (self.steps_read, self.rpm_read) = (false, false);
    }

    /// Depressions to judge by [kPa]: the recording's, else the gauges'.
    pub(crate) fn depressions_kpa(&self) -> Option<&[f64]> {
        self.recorded_kpa.as_deref().or(self.gauge_kpa.as_deref())
    }
}

/// All readings of a job as evidence; none by default.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Evidence {
    pub(crate) points: Vec<Point>,
    /// Readings whose firing intervals say that hoses are crossed.
    pub(crate) crossed: usize,
    /// Readings with a check of the firing intervals.
    pub(crate) plumbing_checked: usize,
    /// A reading shows runners that fill each other.
    pub(crate) cross_flow: bool,
    /// Bleed turns were assumed for at least one reading.
    pub(crate) bleeds_assumed: bool,
    /// Gauges were zeroed, or exchanged for one of the readings; always so on a single body.
    pub(crate) gauges_checked: bool,
    /// Gauges that show no depression on a running engine: reading, body, depression [kPa].
    pub(crate) gauges_dead: Vec<(usize, usize, f64)>,
    /// Recordings in which two bodies have one and the same trace: reading, both bodies.
    pub(crate) same_traces: Vec<(usize, [usize; 2])>,
    /// Turns of bleeds and balance adjusters between the readings.
    pub(crate) turns: Vec<Turn>,
    /// What earlier visits of the machine say of what lasts.
    pub(crate) record: Option<Record>,
    /// Closed sensor volts of the family over the profile's: mean, standard deviation of a machine [V].
    pub(crate) family_closed_v: Option<(f64, f64)>,
    /// The record holds a visit of this very machine.
    pub(crate) same_machine: bool,
    /// Bodies whose stop shows a broken seal; empty: none does.
    pub(crate) stops_disturbed: Vec<bool>,
    /// The throttle sensor shows a broken seal.
    pub(crate) sensor_disturbed: bool,
    /// Standard deviation of the zero of a pressure sensor, the worst of those that were read [kPa].
    pub(crate) pressure_zero_sd_kpa: f64,
}

impl Evidence {
    /// Gathers the evidence; `cycles` holds one entry per reading of the job.
    pub(crate) fn of(job: &Job, profile: &Profile, cycles: &[Option<&CycleReading>]) -> Self {
        let n = profile.bodies().len();
        let mut all = Self {
            points: Vec::new(),
            crossed: 0,
            plumbing_checked: 0,
            cross_flow: false,
            bleeds_assumed: false,
            gauges_checked: job.checks.gauges_zeroed == Some(true)
                || job.readings.iter().any(|r| r.swapped)
                // An error of the one gauge is no difference between bodies.
                || n == 1,
            gauges_dead: Vec::new(),
            same_traces: Vec::new(),
            turns: Vec::new(),
            record: None,
            family_closed_v: None,
            same_machine: false,
            stops_disturbed: (profile.bodies().iter())
                .map(|b| job.seal(&format!("stop.{b}")) == Some(SealState::Disturbed))
                .collect(),
            sensor_disturbed: job.seal("sensor") == Some(SealState::Disturbed),
            pressure_zero_sd_kpa: zero_sd_kpa(cycles),
        };
        let mut turns: Vec<Option<f64>> = vec![None; n];
        let mut idle_steps = None;
        let apart = pinched_apart(job, profile, cycles);
        for (number, (reading, cycle)) in job.readings.iter().zip(cycles).enumerate() {
            // Where every condition was read with the passages pinched, only those readings count.
            let left_out = apart && joined(reading, *cycle, profile);
            let cycle = &cycle.filter(|c| !left_out && all.tells_bodies_apart(number, c));
            let gauge = reading.gauge.as_ref().filter(|_| !left_out);
            all.cross_flow |= !left_out && joined(reading, *cycle, profile);
            let shut = reading.condition == Condition::IdleBleedsShut;
            let stand = stands(reading, profile, &turns);
            if !shut {
                all.note_bleeds(&turns, &stand);
                turns = stand;
            }
            let bleed_turns = turns
                .iter()
                .map(|t| match (shut, t) {
                    (true, _) => 0.0,
                    (false, Some(t)) => *t,
                    (false, None) => {
                        all.bleeds_assumed = true;
                        USUAL_BLEED_TURNS
                    }
                })
                .collect();
            let idle = reading.condition.throttle_shut();
            if idle && reading.idle_valve_steps.is_some() {
                idle_steps = reading.idle_valve_steps;
            }
            let (ln_area, recorded_kpa) = cycle.map_or((vec![None; n], None), |c| {
                all.note(c);
                (ln_areas(c, n), recorded(c, n))
            });
            let gauge_kpa = gauge.and_then(|g| all.pulling(number, g.depression_kpa.all()?));
            all.points.push(Point {
                condition: reading.condition,
                rpm: cycle.map_or(
                    reading.rpm.unwrap_or(usual_rpm(reading.condition, profile)),
                    |c| c.rpm.value,
                ),
                rpm_read: cycle.is_some() || reading.rpm.is_some(),
                ln_area,
                recorded_kpa,
                gauge_kpa,
                swapped: reading.swapped,
                sensor_v: reading.sensor_v,
                ecu_opening_deg: reading.ecu_opening_deg,
                steps: reading.idle_valve_steps.or(idle_steps),
                steps_read: idle && reading.idle_valve_steps.is_some(),
                valve_pinched: reading.pinched.contains(&Pinch::IdleValve),
                bleed_turns,
                law: None,
                turned_since: vec![0.0; profile.couplings.len()],
                passages_share: 0.0,
            });
        }
        all.count_turns(job, profile);
        all.lay_down_laws(job, profile);
        all.share_passages();
        all
    }

    /// True unless two bodies of a recording have one and the same trace: that is one sensor under two names.
    fn tells_bodies_apart(&mut self, number: usize, cycle: &CycleReading) -> bool {
        let mean_kpa = |i: usize| cycle.channels[i].mean_depression_kpa;
        let same = |a: usize, b: usize| {
            let traces = [a, b].map(|i| &cycle.channels[i].cycle.p_kpa);
            !traces[0].is_empty()
                && traces[0] == traces[1]
                && mean_kpa(a).total_cmp(&mean_kpa(b)).is_eq()
        };
        let n = cycle.channels.len();
        let pair = (0..n).find_map(|b| (0..b).find(|&a| same(a, b)).map(|a| [a, b]));
        self.same_traces.extend(pair.map(|pair| (number, pair)));
        pair.is_none()
    }

    /// The gauges of a reading, or none where one of them shows nothing: that is a hose or a tap, and no cylinder.
    fn pulling(&mut self, number: usize, gauge_kpa: Vec<f64>) -> Option<Vec<f64>> {
        let bodies = gauge_kpa.iter().copied().enumerate();
        let dead = bodies.filter(|(_, kpa)| *kpa < LEAST_KPA);
        let dead: Vec<(usize, usize, f64)> = dead.map(|(b, kpa)| (number, b, kpa)).collect();
        let sound = dead.is_empty();
        self.gauges_dead.extend(dead);
        sound.then_some(gauge_kpa)
    }

    /// What a passage does to an area goes by the inverse of its square: less over larger areas. Nothing
    /// where the passages are pinched off or the reading has no areas.
    pub(crate) fn share_passages(&mut self) {
        let own: Vec<Option<f64>> = self.points.iter().map(Point::mean_ln_area).collect();
        let least = own.iter().flatten().copied().fold(f64::INFINITY, f64::min);
        for (point, own) in self.points.iter_mut().zip(own) {
            let open = own.filter(|_| !point.valve_pinched);
            point.passages_share = open.map_or(0.0, |own| (2.0 * (least - own)).exp());
        }
    }

    /// Works out how depression changes with area where depressions were read.
    fn lay_down_laws(&mut self, job: &Job, profile: &Profile) {
        let breathing = Breathing::of(
            profile,
            job.ambient.pressure_kpa * 1e3,
            job.ambient.temperature_c + 273.15,
        );
        let mut known: Vec<(f64, Arc<DepressionLaw>)> = Vec::new();
        let read = |p: &&mut Point| p.depressions_kpa().is_some();
        for point in self.points.iter_mut().filter(read) {
            let same = known
                .iter()
                .find(|(rpm, _)| (point.rpm / rpm - 1.0).abs() < SAME_SPEED);
            let law = same.map(|(_, law)| Arc::clone(law)).unwrap_or_else(|| {
                let law = Arc::new(breathing.depression_law(point.rpm));
                known.push((point.rpm, Arc::clone(&law)));
                law
            });
            point.law = Some(law);
        }
    }

    /// Notes with each reading what was turned after it; the fit is of the present state.
    fn count_turns(&mut self, job: &Job, profile: &Profile) {
        let mut later = vec![0.0; profile.couplings.len()];
        for (point, reading) in self.points.iter_mut().zip(&job.readings).rev() {
            point.turned_since.clone_from(&later);
            for adjusted in &reading.adjusted {
                let own = profile
                    .couplings
                    .iter()
                    .position(|c| c.adjuster == adjusted.adjuster);
                if let Some(c) = own {
                    later[c] += adjusted.turns;
                }
            }
        }
        for (before, reading) in job.readings.iter().enumerate().skip(1) {
            for adjusted in &reading.adjusted {
                let mut couplings = profile.couplings.iter();
                let own = couplings.position(|c| c.adjuster == adjusted.adjuster);
                self.turns.extend(own.map(|c| Turn {
                    screw: Screw::Balance(c),
                    before,
                    turns: adjusted.turns,
                }));
            }
        }
    }

    /// Notes bleeds that stand elsewhere in the reading to come than in those before it.
    fn note_bleeds(&mut self, stood: &[Option<f64>], stand: &[Option<f64>]) {
        for (body, pair) in stood.iter().zip(stand).enumerate() {
            if let (Some(a), Some(b)) = pair
                && a != b
            {
                self.turns.push(Turn {
                    screw: Screw::Bleed(body),
                    before: self.points.len(),
                    turns: b - a,
                });
            }
        }
    }

    fn note(&mut self, cycle: &CycleReading) {
        let has = |code: &str| cycle.notices.iter().any(|n| n.code == code);
        if !has("hoses-unchecked") && !has("channel-dead") {
            self.plumbing_checked += 1;
        }
        self.crossed += usize::from(has("crossed-hoses"));
    }

    /// Traces sit on other bodies than named in most readings that can tell.
    pub(crate) fn is_crossed(&self) -> bool {
        2 * self.crossed > self.plumbing_checked
    }

    /// Any area at all.
    pub(crate) fn has_areas(&self) -> bool {
        self.points
            .iter()
            .any(|p| p.ln_area.iter().flatten().count() > 1)
    }

    /// Any pair of depressions.
    pub(crate) fn has_depressions(&self) -> bool {
        self.points.iter().any(|p| p.depressions_kpa().is_some())
    }
}

/// Turns at which each bleed stands in a reading: as given, else as before and by what was turned.
fn stands(reading: &Reading, profile: &Profile, before: &[Option<f64>]) -> Vec<Option<f64>> {
    let given = |b: usize| reading.bleed_turns.as_ref()?.iter().nth(b)?.copied();
    let turned = |b: usize| {
        let name = format!("bleed.{}", profile.bodies()[b]);
        let own = reading.adjusted.iter().filter(|a| a.adjuster == name);
        own.map(|a| a.turns).sum::<f64>()
    };
    (0..before.len())
        .map(|b| given(b).or_else(|| before[b].map(|t| (t + turned(b)).max(0.0))))
        .collect()
}

/// Runners may fill each other in this reading: seen in the traces, or a passage that the profile
/// names was not pinched and only gauges were read.
fn joined(reading: &Reading, cycle: Option<&CycleReading>, profile: &Profile) -> bool {
    let open = |mm2: f64, by: Pinch| mm2 > 0.0 && !reading.pinched.contains(&by);
    let named = open(profile.passages.balance_pipe_mm2, Pinch::BalancePipe)
        || open(profile.passages.idle_chamber_mm2, Pinch::IdleValve);
    match cycle {
        Some(c) => c.notices.iter().any(|n| n.code == "cross-flow"),
        None => named && reading.gauge.is_some(),
    }
}

/// True if the job was read with the passages pinched, at idle as well as off it.
fn pinched_apart(job: &Job, profile: &Profile, cycles: &[Option<&CycleReading>]) -> bool {
    let apart = |shut: bool| {
        job.readings.iter().zip(cycles).any(|(r, c)| {
            let read = c.is_some() || r.gauge.is_some();
            let pinched = !r.pinched.is_empty() && !joined(r, *c, profile);
            read && pinched && r.condition.throttle_shut() == shut
        })
    };
    apart(true) && apart(false)
}

fn usual_rpm(condition: Condition, profile: &Profile) -> f64 {
    let e = &profile.engine;
    match condition {
        Condition::Idle | Condition::IdleBleedsShut => e.idle_rpm,
        Condition::Hold => 0.5 * (e.hold_rpm[0] + e.hold_rpm[1]),
        Condition::Sweep => 0.5 * (e.idle_rpm + e.hold_rpm[0]),
    }
}

/// Body each channel is really on, if the firing intervals say so.
fn placed(cycle: &CycleReading, channel: usize) -> usize {
    cycle.traces_on.get(channel).copied().unwrap_or(channel)
}

fn ln_areas(cycle: &CycleReading, n: usize) -> Vec<Option<LnArea>> {
    let mut out = vec![None; n];
    let undescribed = cycle
        .notices
        .iter()
        .any(|notice| notice.code == "hose-unknown");
    let of_hose = if undescribed {
        HOSE_SD * (cycle.rpm.value / HOSE_RPM).powi(3)
    } else {
        0.0
    };
    for (i, c) in cycle.channels.iter().enumerate() {
        if let (Some(a), Some(slot)) = (c.through_area_mm2, out.get_mut(placed(cycle, i))) {
            let by_zero = c.zero.area_per_kpa;
            let relative = a.sd / a.value;
            let of_zero = by_zero * c.zero.sd_kpa;
            *slot = (a.value > 0.0).then(|| LnArea {
                value: a.value.ln(),
                sd: (relative * relative - of_zero * of_zero)
                    .max(0.0)
                    .sqrt()
                    .hypot(of_hose),
                by_zero,
            });
        }
    }
    out
}

/// The worst zero among the sensors; that of a zeroed one where none was read.
fn zero_sd_kpa(cycles: &[Option<&CycleReading>]) -> f64 {
    let channels = cycles.iter().flatten().flat_map(|c| &c.channels);
    channels
        .map(|c| c.zero.sd_kpa)
        .fold(1e-3 * ZERO_DRIFT_PA, f64::max)
}

fn recorded(cycle: &CycleReading, n: usize) -> Option<Vec<f64>> {
    let mut out = vec![f64::NAN; n];
    for (i, c) in cycle.channels.iter().enumerate() {
        if !c.cycle.p_kpa.is_empty() {
            *out.get_mut(placed(cycle, i))? = c.mean_depression_kpa;
        }
    }
    out.iter().all(|d| d.is_finite()).then_some(out)
}
