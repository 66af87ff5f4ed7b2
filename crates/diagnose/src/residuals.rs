//! What the readings say against what the model expects: the residuals, one file for all channels.
//!
//! A residual is written once, as a formula over [`Real`]: over `f64` it is a number, over the
//! tape's variables its derivatives come with it. So a new residual is a new method of [`Seen`] that
//! pushes `(channel, (read - expected) / sd)`, called in [`Residuals::at`]; nothing else is told of its
//! derivative. A new unknown is a place in [`Space`] with a prior (fixed where nothing can tell it). A
//! function that the operators of [`Real`] do not cover enters by its value and slope
//! ([`Real::chain`], [`Real::chain2`]); a branch is taken by `value()`. Which residuals there are must not
//! depend on the unknowns.

use evenpull_fit::Real;

use crate::evidence::{Evidence, GAUGE_SD_KPA, LEAST_KPA, Point, VALVE_END};
use crate::hypothesis::Prior;
use crate::model::{CORNER_DEG, Model, SENSOR_SD_V, Space, VALVE_PLACE};

/// Change of depression per logarithm of through-area, over the depression itself, of a usual engine at
/// idle [-]: for readings that are only planned; those taken have their [`crate::breathing::DepressionLaw`].
///
/// From the filling model: 0.1 degree of plate is 0.3 mm2 of 8 and 1.4 kPa at idle, 0.5 mm2 of 24
/// and 0.7 kPa at hold, so 37 kPa at 44 kPa of depression.
pub(crate) const DEPRESSION_SLOPE: f64 = 0.85;

/// Uncertainty of differences of depression by [`crate::breathing::DepressionLaw`] over engines, relative: it
/// is within 6 % of the crank-resolved model on the built-in profiles (test beside it), and engines have
/// waves and heat that neither knows; assumed as much again.
pub(crate) const SLOPE_SD: f64 = 0.12;

/// How far that differs between the readings of one engine, relative to the difference read: the law is
/// 1 to 4 % further below that model at hold than at idle.
const SLOPE_CHANGE: f64 = 0.05;

/// What valves and pipes leave between the depressions of two bodies of one area [kPa]; assumed.
pub(crate) const BREATHING_SD_KPA: f64 = 0.4;

/// How the depressions of two bodies scatter from reading to reading beyond that [kPa]; assumed.
const READING_SD_KPA: f64 = 0.2;

/// What the model leaves between two bodies in one reading beyond the reading's own sd, relative.
const PAIR_SD: f64 = 0.001;

/// What it leaves on all bodies of a reading alike, relative: 0.2 to 0.4 % on engines with and without gas
/// columns, read against their true areas; taken wider.
const COMMON_SD: f64 = 0.005;

/// What passages between the runners may do to the areas of two bodies and to all bodies of a reading at the
/// smallest through-area of a job, relative, standard deviations; over larger areas less by their square.
///
/// From the crank-resolved model, idle-air chambers of 1.5 to 4 mm2: 1 to 7 % and 5 to 20 % at idle, 0.5 to 1 % and
/// 1 % at the hold of twins.
const JOINED_PAIR_SD: f64 = 0.03;
const JOINED_LEVEL_SD: f64 = 0.1;

/// The same for the difference of two depressions [kPa].
const JOINED_KPA: f64 = 1.5;

/// How well the idle valve settles from idle to idle, in its travel; assumed.
const STEPS_SD: f64 = 0.04;

/// Scatter of the idle speed about what the air gives [ln], and how well the slope of one over the
/// other is known; the filling model gives slopes of 0.9 to 1.2.
const SPEED_SD: f64 = 0.06;
const SPEED_SLOPE_SD: f64 = 0.25;

/// Depression of the crank-resolved engine over [`crate::breathing::DepressionLaw`]: 1.1 on the built-in profiles, for the
/// law has no waves and no heat (test beside it); and how well that holds on engines, relative; assumed.
const LEVEL_OVER_LAW: f64 = 1.1;
const LEVEL_SD: f64 = 0.15;

/// Drift of the zeros of two sensors against each other between a recording and gauges beside it [kPa].
const ZEROS_APART_KPA: f64 = 0.25;

/// Least tolerance of an idle speed, relative, whatever the profile says.
const LEAST_SPEED_TOLERANCE: f64 = 0.02;

/// What [`crate::plain`] hands over with the numbers of a posterior.
pub(crate) const CONSTANTS: [(&str, f64); 14] = [
    ("corner_deg", CORNER_DEG),
    ("sensor_sd_v", SENSOR_SD_V),
    ("valve_place_sd", VALVE_PLACE.1),
    ("valve_end", VALVE_END),
    ("gauge_sd_kpa", GAUGE_SD_KPA),
    ("zeros_apart_kpa", ZEROS_APART_KPA),
    ("slope_change", SLOPE_CHANGE),
    ("reading_sd_kpa", READING_SD_KPA),
    ("pair_sd", PAIR_SD),
    ("common_sd", COMMON_SD),
    ("steps_sd", STEPS_SD),
    ("speed_sd", SPEED_SD),
    ("speed_slope_sd", SPEED_SLOPE_SD),
    ("least_speed_tolerance", LEAST_SPEED_TOLERANCE),
];

/// Kinds of evidence, for saying what speaks for or against a cause.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Channel {
    AreasIdle,
    AreasOffIdle,
    Level,
    Volts,
    Valve,
    Speed,
    Gauges,
    Sensors,
    Prior,
}

/// Residuals with their channels.
pub(crate) type Rows<S> = Vec<(Channel, S)>;

/// Residuals of one job under one hypothesis.
pub(crate) struct Residuals<'a> {
    pub(crate) model: Model<'a>,
    pub(crate) evidence: &'a Evidence,
}

impl Residuals<'_> {
    /// All residuals at the unknowns `p` with their channel, priors last.
    pub(crate) fn at<S: Real>(&self, p: &[S], priors: &[Prior], out: &mut Rows<S>) {
        out.clear();
        for j in 0..self.evidence.points.len() {
            self.of_reading(p, j, out);
        }
        if self.model.profile.idle_valve.is_some() {
            // One engine asks for one amount of air, however often it is read.
            out.push((Channel::Valve, p[Space::NEED] / VALVE_PLACE.1));
        }
        if let Some(record) = &self.evidence.record {
            record.residuals(p, out);
        }
        out.extend(
            p.iter()
                .zip(priors)
                .filter(|(_, x)| !x.is_fixed())
                .map(|(&v, x)| (Channel::Prior, (v - x.mean) / x.sd)),
        );
    }

    fn of_reading<S: Real>(&self, p: &[S], j: usize, out: &mut Rows<S>) {
        let seen = Seen::new(self, p, j);
        seen.areas(out);
        seen.volts(out);
        seen.valve(out);
        seen.speed(out);
        seen.recorded(out);
        seen.gauges(out);
    }

    /// Values that each reading has of its own at the unknowns `p`: areas of `n` bodies come as `n` differences from
    /// their mean and the mean, which are `n` values.
    pub(crate) fn values_by_reading(&self, p: &[f64]) -> Vec<usize> {
        let mut rows = Vec::new();
        (0..self.evidence.points.len())
            .map(|j| {
                rows.clear();
                self.of_reading(p, j, &mut rows);
                let areas = |(channel, _): &&(Channel, f64)| {
                    matches!(channel, Channel::AreasIdle | Channel::AreasOffIdle)
                };
                let differences = rows.iter().filter(areas).count();
                rows.len() - usize::from(differences > 1)
            })
            .collect()
    }
}

/// How much of what passages do at the smallest through-area of a job one of its readings has, 0 to 1.
#[derive(Debug, Clone, Copy)]
struct Widened(f64);

impl Widened {
    /// Of a body's area against the mean of its reading [ln]; `own`: of the reading itself.
    fn pair_sd(self, own: f64) -> f64 {
        own.hypot(PAIR_SD).hypot(self.0 * JOINED_PAIR_SD)
    }

    /// Of that mean [ln].
    fn level_sd(self, own: f64) -> f64 {
        own.hypot(COMMON_SD).hypot(self.0 * JOINED_LEVEL_SD)
    }

    /// Of a difference of two depressions from a pressure sensor [kPa]; `apart_kpa`: that difference.
    fn depression_sd_kpa(self, apart_kpa: f64) -> f64 {
        READING_SD_KPA
            .hypot(SLOPE_CHANGE * apart_kpa)
            .hypot(self.0 * JOINED_KPA)
    }
}

/// Logarithm of how much thinner the readings lie where passages widen them: the sum of the logarithms of
/// narrow over wide standard deviations. 0 where no reading could be touched by them.
pub(crate) fn ln_thinner_if_joined(evidence: &Evidence) -> f64 {
    let points = evidence.points.iter();
    points
        .map(|point| {
            let (none, wide) = (Widened(0.0), Widened(point.passages_share));
            let own: Vec<f64> = point.ln_area.iter().flatten().map(|a| a.sd).collect();
            if own.is_empty() {
                return 0.0;
            }
            let n = own.len() as f64;
            let mean_sd = own
                .iter()
                .map(|sd| wide.pair_sd(*sd).powi(2))
                .sum::<f64>()
                .sqrt()
                / n;
            let plain_sd = own
                .iter()
                .map(|sd| none.pair_sd(*sd).powi(2))
                .sum::<f64>()
                .sqrt()
                / n;
            let pairs: f64 = own
                .iter()
                .map(|sd| (none.pair_sd(*sd) / wide.pair_sd(*sd)).ln())
                .sum();
            let level = (none.level_sd(plain_sd) / wide.level_sd(mean_sd)).ln();
            let all_read = own.len() == point.ln_area.len();
            let depressions = point
                .recorded_kpa
                .as_ref()
                .filter(|_| all_read)
                .map_or(0.0, |d| {
                    let ratio = |b: usize| {
                        none.depression_sd_kpa(d[b] - d[0]) / wide.depression_sd_kpa(d[b] - d[0])
                    };
                    (1..d.len()).map(|b| ratio(b).ln()).sum()
                });
            // Differences from the mean of n are n - 1 of their own.
            pairs * (n - 1.0) / n + level + depressions
        })
        .sum()
}

/// One reading under one set of unknowns, with the model's plates and areas worked out once.
struct Seen<'a, S> {
    model: &'a Model<'a>,
    evidence: &'a Evidence,
    p: &'a [S],
    /// Number of the reading.
    j: usize,
    point: &'a Point,
    /// Openings above shut by body [deg].
    open_deg: Vec<S>,
    /// True through-areas by body, without heat [mm2].
    area_mm2: Vec<S>,
}

impl<'a, S: Real> Seen<'a, S> {
    fn new(residuals: &'a Residuals<'_>, p: &'a [S], j: usize) -> Self {
        let (model, evidence) = (&residuals.model, residuals.evidence);
        let open_deg = model.openings_deg(p, evidence, j);
        let area_mm2 = model.areas_at(p, evidence, j, &open_deg);
        Self {
            model,
            evidence,
            p,
            j,
            point: &evidence.points[j],
            open_deg,
            area_mm2,
        }
    }

    fn areas(&self, out: &mut Rows<S>) {
        let point = self.point;
        if point.ln_area.iter().all(Option::is_none) {
            return;
        }
        let shown = self
            .model
            .ln_shown_of(self.p, self.evidence, self.j, &self.area_mm2);
        let wide = self.passages();
        let off: Vec<(S, f64)> = point
            .ln_area
            .iter()
            .zip(&shown)
            .filter_map(|(m, &s)| m.map(|m| (-s + m.value, wide.pair_sd(m.sd))))
            .collect();
        let n = off.len() as f64;
        let sum = off.iter().skip(1).fold(off[0].0, |sum, o| sum + o.0);
        let mean = sum / n;
        let mean_sd = (off.iter().map(|o| o.1 * o.1).sum::<f64>()).sqrt() / n;
        let channel = if point.at_stop() {
            Channel::AreasIdle
        } else {
            Channel::AreasOffIdle
        };
        if off.len() > 1 {
            // Differences from the mean carry what does not depend on the scale.
            out.extend(off.iter().map(|&(x, sd)| (channel, (x - mean) / sd)));
        }
        out.push((Channel::Level, mean / wide.level_sd(mean_sd)));
    }

    /// What passages that nobody named may do to this reading: nothing, unless the hypothesis has them.
    fn passages(&self) -> Widened {
        if self.p[Space::JOINED].value() > 0.5 {
            Widened(self.point.passages_share)
        } else {
            Widened(0.0)
        }
    }

    fn volts(&self, out: &mut Rows<S>) {
        let (Some(s), Some(v)) = (self.model.profile.sensor, self.point.sensor_v) else {
            return;
        };
        let moved = self.open_deg[s.body] - self.model.profile.body.stop_opening_deg;
        let expected = moved * s.volts_per_deg + self.p[Space::ZERO_V] + s.volts_at_stop;
        let worn = (-self.p[Space::LN_VOLTS_SD]).exp();
        out.push((Channel::Volts, (-expected + v) / SENSOR_SD_V * worn));
    }

    /// The idle valve makes up the air that the engine needs at idle.
    fn valve(&self, out: &mut Rows<S>) {
        let point = self.point;
        let Some(valve) = self.model.profile.idle_valve else {
            return;
        };
        let read = point.steps_read && point.at_stop() && !point.valve_pinched;
        if !read || self.p[Space::HOLDS].value() > 0.5 {
            return;
        }
        let travel = f64::from(valve.steps);
        let per_step = self.p[Space::LN_VALVE].exp() * valve.area_mm2_per_step;
        // Steps that the engine asks for beyond those read.
        let more = (-self.all_mm2() + self.needed_mm2(travel * valve.area_mm2_per_step)) / per_step;
        // At an end of its travel the valve only says "at least" or "at most".
        let off = match point.valve_end(travel) {
            -1 => more.at_least(0.0),
            1 => more.at_most(0.0),
            _ => more,
        };
        out.push((Channel::Valve, off / (STEPS_SD * travel)));
    }

    /// Area of all bodies together [mm2].
    fn all_mm2(&self) -> S {
        (self.area_mm2.iter().skip(1)).fold(self.area_mm2[0], |sum, &a| sum + a)
    }

    /// Area this engine asks for at idle [mm2]; `full_mm2`: the idle valve's over its whole travel.
    fn needed_mm2(&self, full_mm2: f64) -> S {
        self.p[Space::NEED] * full_mm2 + self.model.needed_mm2()
    }

    /// Idle speed: as meant while the valve can see to it, else in proportion to the air the engine
    /// is given over what it asks for (filling model).
    fn speed(&self, out: &mut Rows<S>) {
        let (point, engine) = (self.point, &self.model.profile.engine);
        let Some(valve) = self.model.profile.idle_valve else {
            return;
        };
        if !point.at_stop() || !point.rpm_read || point.valve_pinched {
            return;
        }
        let travel = f64::from(valve.steps);
        let ln = (point.rpm / engine.idle_rpm).ln();
        let tolerance = (engine.idle_tolerance_rpm / engine.idle_rpm).max(LEAST_SPEED_TOLERANCE);
        let left_alone = if point.steps_read {
            point.valve_end(travel) != 0
        } else {
            ln.abs() > 2.0 * tolerance
        };
        if left_alone || self.p[Space::HOLDS].value() > 0.5 {
            let given = self.all_mm2() / self.needed_mm2(travel * valve.area_mm2_per_step);
            let sd = SPEED_SD.hypot(SPEED_SLOPE_SD * ln);
            out.push((Channel::Speed, (-given.at_least(0.05).ln() + ln) / sd));
        } else {
            out.push((Channel::Speed, self.p[Space::NEED].constant(ln / tolerance)));
        }
    }

    fn gauges(&self, out: &mut Rows<S>) {
        let Some(read) = &self.point.gauge_kpa else {
            return;
        };
        let gauge = |b: usize| self.p[self.model.space.gauge(self.point.instrument_on(b))];
        let difference = |b: usize| -(gauge(b) - gauge(0)) + (read[b] - read[0]);
        if let Some(recorded) = &self.point.recorded_kpa {
            // Both at hand: the pressures are judged by the recording, the gauges by it. The
            // sensors' own zeros drift by 0.17 kPa each.
            for b in 1..read.len() {
                let off = difference(b) - (recorded[b] - recorded[0]);
                out.push((Channel::Gauges, off / GAUGE_SD_KPA.hypot(ZEROS_APART_KPA)));
            }
            return;
        }
        for b in 1..read.len() {
            let sd = GAUGE_SD_KPA.hypot(SLOPE_CHANGE * (read[b] - read[0]));
            let off = difference(b) - self.expected_kpa(b);
            out.push((Channel::Gauges, off / sd));
        }
        self.gauge_level(read, out);
    }

    /// How much all gauges pull off idle, where nothing else tells how far the throttle was open.
    fn gauge_level(&self, read: &[f64], out: &mut Rows<S>) {
        let Some(law) = self.point.law.as_ref().filter(|_| self.point.tells_level()) else {
            return;
        };
        let mut bodies = self.area_mm2.iter().map(|&area| law.of(area));
        let Some(first) = bodies.next() else {
            return;
        };
        let sum = bodies.fold(first, |sum, kpa| sum + kpa);
        // Wide open the law may come to nothing.
        let expected = (sum / read.len() as f64).at_least(0.1 * LEAST_KPA);
        let shown = read.iter().sum::<f64>() / read.len() as f64;
        let off = -expected.ln() + (shown / LEVEL_OVER_LAW).ln();
        out.push((Channel::Gauges, off / LEVEL_SD));
    }

    /// Depression of body `b` over that of the first, by their areas [kPa] (filling model).
    fn expected_kpa(&self, b: usize) -> S {
        let Some(law) = &self.point.law else {
            return self.p[0].constant(0.0);
        };
        let apart = law.of(self.area_mm2[b]) - law.of(self.area_mm2[0]);
        self.p[Space::LN_SLOPE].exp() * apart
    }

    /// Sensors against the areas they gave: the refill is off by half a per cent for a kilopascal of the
    /// sensor's zero, the mean depression by all of it.
    fn recorded(&self, out: &mut Rows<S>) {
        let Some(read) = &self.point.recorded_kpa else {
            return;
        };
        if self.point.ln_area.iter().any(Option::is_none) {
            return;
        }
        let space = &self.model.space;
        let own = |b: usize| {
            self.p[space.sensor(self.point.instrument_on(b))] + self.p[space.breathing(b)]
        };
        for b in 1..read.len() {
            let off = own(b) - own(0) - self.expected_kpa(b) + (read[b] - read[0]);
            let sd = self.passages().depression_sd_kpa(read[b] - read[0]);
            out.push((Channel::Sensors, off / sd));
        }
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::breathing::Breathing;
    use crate::evidence::{LnArea, Screw, Turn};
    use evenpull_fit::{Tape, Var};
    use evenpull_job::{Condition, Profile, builtin};
    use proptest::prelude::*;

    /// Readings that between them ask every channel of every body.
    pub(crate) fn evidence(profile: &Profile) -> Evidence {
        let n = profile.bodies().len();
        let each = |f: &dyn Fn(f64) -> f64| (0..n).map(|b| f(b as f64)).collect::<Vec<_>>();
        let idle = Point {
            condition: Condition::Idle,
            rpm: 1_100.0,
            rpm_read: true,
            ln_area: each(&|b| 2.0 + 0.05 * b)
                .into_iter()
                .map(|value| {
                    Some(LnArea {
                        value,
                        sd: 0.002,
                        by_zero: 0.006,
                    })
                })
                .collect(),
            recorded_kpa: Some(each(&|b| 44.0 - b)),
            gauge_kpa: Some(each(&|b| 43.0 + b)),
            swapped: true,
            sensor_v: Some(0.6),
            ecu_opening_deg: None,
            steps: Some(40.0),
            steps_read: true,
            valve_pinched: false,
            bleed_turns: each(&|b| 0.4 + 0.1 * b),
            law: Some(Arc::new(
                Breathing::of(profile, 1e5, 293.0).depression_law(1_100.0),
            )),
            turned_since: (0..profile.couplings.len())
                .map(|c| 0.2 - 0.3 * c as f64)
                .collect(),
            passages_share: 1.0,
        };
        let mut unread = idle.clone();
        (unread.steps, unread.steps_read) = (None, false);
        unread.recorded_kpa = None;
        let mut hold = unread.clone();
        (hold.condition, hold.rpm) = (Condition::Hold, 3_800.0);
        hold.ln_area[0] = None;
        let mut gauges = hold.clone();
        gauges.ln_area.fill(None);
        let mut pinched = idle.clone();
        (pinched.valve_pinched, pinched.passages_share) = (true, 0.0);
        Evidence {
            points: vec![idle, unread, hold, gauges, pinched],
            crossed: 0,
            plumbing_checked: 0,
            cross_flow: false,
            bleeds_assumed: false,
            gauges_dead: Vec::new(),
            same_traces: Vec::new(),
            gauges_checked: false,
            turns: turns(profile),
            record: None,
            family_closed_v: None,
            same_machine: false,
            stops_disturbed: Vec::new(),
            sensor_disturbed: false,
            pressure_zero_sd_kpa: 0.17,
        }
    }

    /// A bleed that was turned between the first two readings, and every balance adjuster after it.
    fn turns(profile: &Profile) -> Vec<Turn> {
        let links = (0..profile.couplings.len()).map(|c| (Screw::Balance(c), 2));
        links
            .chain([(Screw::Bleed(0), 1)])
            .map(|(screw, before)| Turn {
                screw,
                before,
                turns: 0.2,
            })
            .collect()
    }

    proptest! {
        /// Derivatives from the tape against central differences, for every profile that comes with
        /// the program under both coupling laws. Openings stay clear of the corners of the discharge
        /// table's and the valve's laws by being drawn, not placed; the few that straddle one within
        /// a step are let off by the tolerance on the difference of both one-sided slopes.
        #[test]
        fn prop_derivatives_agree_with_differences(
            which in 0..builtin().len(),
            one_way in any::<bool>(),
            draws in prop::collection::vec(-1.0..1.0_f64, 80),
        ) {
            let law = if one_way { "\"one-way\"" } else { "\"rigid\"" };
            let text = builtin()[which].toml.replace("\"rigid\"", law).replace("\"one-way\"", law);
            let profile = Profile::from_toml("p", &text).unwrap();
            let evidence = evidence(&profile);
            let mut model = Model::new(&profile, &evidence);
            model.suspect = Some(0);
            let free = Prior { mean: 0.1, sd: 0.7, lo: -1e9, hi: 1e9 };
            let priors = vec![free; model.space.len()];
            let mut p: Vec<f64> = (0..priors.len()).map(|i| 0.3 * draws[i % draws.len()]).collect();
            for i in model.space.command.iter().flatten() {
                p[*i] = 6.0 + 4.0 * p[*i];
            }
            for i in model.space.place.iter().flatten() {
                p[*i] += 0.4;
            }
            let residuals = Residuals { model, evidence: &evidence };
            let tape = Tape::new();
            tape.start(p.len());
            let inputs: Vec<Var<'_>> = p.iter().enumerate().map(|(i, &v)| tape.input(i, v)).collect();
            let (mut rows, mut here) = (Vec::new(), Vec::new());
            residuals.at(&inputs, &priors, &mut rows);
            residuals.at(&p, &priors, &mut here);
            let mut slopes = vec![0.0; p.len()];
            let h = 1e-6;
            let sides: Vec<[Rows<f64>; 2]> = (0..p.len()).map(|i| [h, -h].map(|h| {
                let (mut q, mut out) = (p.clone(), Vec::new());
                q[i] += h;
                residuals.at(&q, &priors, &mut out);
                out
            })).collect();
            for (k, (channel, r)) in rows.iter().enumerate() {
                prop_assert_eq!((*channel, r.value()), here[k]);
                tape.sweep([(*r, 1.0)], &mut slopes);
                for (i, [up, down]) in sides.iter().enumerate() {
                    let want = (up[k].1 - down[k].1) / (2.0 * h);
                    let corner = (up[k].1 - 2.0 * here[k].1 + down[k].1).abs() / h;
                    // Rounding of residuals of size r over the step, and what a corner leaves.
                    let limit = 1e-5 * (1.0 + want.abs() + here[k].1.abs()) + corner;
                    prop_assert!((slopes[i] - want).abs() < limit, "{:?} {} {} {}", channel, i, slopes[i], want);
                }
            }
        }
    }
}
