//! One machine over its visits: wear with a forecast, and what somebody changed between two visits.
//!
//! Each quantity of each body is fitted by itself (`wear`): a rate over distance, or over time where the
//! distances do not hold, an irregular part, and steps that wear cannot make. A forecast is given only
//! where three visits at least carry a rate whose interval leaves zero out. Steps are read together
//! into what was touched (`change`); what the shop did itself is no finding. An error has a part that
//! all visits of the machine share and a part of the visit's own. Limits: quantities are taken as
//! independent given these.

use evenpull_job::Profile;
use evenpull_trace::Notice;

use crate::assessment::Interval;

mod ambient;
mod change;
mod forecast;
mod quantity;
mod wear;

pub use ambient::{depression_at_standard_kpa, steps_at_standard};
pub use change::{Change, Touched};
pub use forecast::Forecast;
pub use quantity::{Limit, Quantity};

use wear::{Part, Read, Wear, quantile};

/// Distance in one unit of the fit [km].
const UNIT_KM: f64 = 10_000.0;

/// Days in one unit of the fit where distances do not hold.
const UNIT_DAYS: f64 = 365.25;

/// Visits from which a trend may be spoken of.
const VISITS: usize = 3;

/// Probability from which a step is told, and from which it is kept as a hint.
const TOLD: f64 = 0.5;
const HINTED: f64 = 0.01;

/// Where one quantity stood in a visit.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// Quantity.
    pub quantity: Quantity,
    /// Body or coupling; empty for the machine.
    pub part: String,
    /// Value, in the unit of the quantity.
    pub value: f64,
    /// Standard deviation, above 0.
    pub sd: f64,
    /// The part of it that other visits of the machine have in common, in 0..=sd: what its casting, its
    /// engine and what is usual leave open. It averages out over no number of visits, and no rate or
    /// step suffers from it.
    pub shared_sd: f64,
}

impl Standing {
    /// The part of the standard deviation that is this visit's own, above 0.
    pub fn own_sd(&self) -> f64 {
        let shared = self.shared_sd.clamp(0.0, self.sd);
        // Rounding must not leave nothing.
        (self.sd * self.sd - shared * shared)
            .sqrt()
            .max(1e-3 * self.sd)
    }
}

/// A visit as the history sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct PastVisit {
    /// What the shop calls it, such as the number of its job.
    pub label: String,
    /// Day of the visit, from any fixed day [d].
    pub day: f64,
    /// Odometer [km].
    pub distance_km: Option<f64>,
    /// Ambient pressure [kPa].
    pub ambient_kpa: f64,
    /// Ambient temperature [C].
    pub ambient_c: f64,
    /// Through-area of all bodies together at idle [mm2], for the correction of the idle valve.
    pub idle_area_mm2: Option<f64>,
    /// Values as read, not corrected.
    pub standings: Vec<Standing>,
    /// Adjusters and parts that the shop worked on after the visit before was read and before this one was,
    /// in the profile's words (`stop.left`, `sensor`, `bleed.right`, a coupling's adjuster), or a
    /// word of a repair (`leak.left`).
    pub work: Vec<String>,
}

/// What the history runs over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Axis {
    /// Kilometres.
    Distance,
    /// Days.
    Time,
}

impl Axis {
    fn unit(self) -> f64 {
        match self {
            Self::Distance => UNIT_KM,
            Self::Time => UNIT_DAYS,
        }
    }

    /// Unit that a rate counts by, in words.
    pub fn per(self) -> &'static str {
        match self {
            Self::Distance => "10,000 km",
            Self::Time => "year",
        }
    }
}

/// One visit's value of a quantity, corrected for ambient.
#[derive(Debug, Clone, PartialEq)]
pub struct Dot {
    /// Index of the visit.
    pub visit: usize,
    /// Where it lies [km or d].
    pub at: f64,
    /// Value as read with its 90 % interval.
    pub read: Interval,
    /// Level as fitted over all visits.
    pub level: Interval,
    /// The shop itself set it since the visit before.
    pub set: bool,
}

/// How a quantity changes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Change per 10,000 km or per year ([`Axis::per`]).
    pub rate: Interval,
    /// The interval of the rate leaves out what is as good as no wear.
    pub known: bool,
}

/// A step between two visits that wear does not explain.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Index of the visit that shows it first.
    pub visit: usize,
    /// Probability in 0..=1.
    pub probability: f64,
    /// Size, given that there is one.
    pub size: Interval,
}

/// One quantity of one body over the visits.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Quantity.
    pub quantity: Quantity,
    /// Body or coupling; empty for the machine.
    pub part: String,
    /// Values, oldest first.
    pub dots: Vec<Dot>,
    /// Rate; `None` with fewer than three visits.
    pub trend: Option<Trend>,
    /// Where it has gone too far, if that can be said.
    pub limit: Option<Limit>,
    /// When that will be; `None` where the data do not carry it.
    pub forecast: Option<Forecast>,
    /// Level foreseen from the last visit on, by place [km or d]; only with a known trend.
    pub ahead: Vec<(f64, Interval)>,
    /// Steps more likely than not.
    pub steps: Vec<Step>,
    /// Steps less likely than that by themselves; what else changed may speak for them.
    pub hints: Vec<Step>,
}

/// A machine over its visits.
#[derive(Debug, Clone, PartialEq)]
pub struct History {
    /// What it runs over.
    pub axis: Axis,
    /// Every quantity that at least two visits read.
    pub series: Vec<Series>,
    /// What was touched between visits, oldest first.
    pub changes: Vec<Change>,
    /// Doubts.
    pub notices: Vec<Notice>,
}

/// The history of a machine from its visits, oldest first.
///
/// Idle-valve steps and depressions are corrected to the standard atmosphere first. Corrected steps may lie
/// beyond the valve's travel: they count the air asked for, a notice says what it means. Deterministic.
pub fn history(profile: &Profile, visits: &[PastVisit]) -> History {
    let mut notices = Vec::new();
    let axis = axis(visits, &mut notices);
    let places: Vec<f64> = visits
        .iter()
        .map(|v| match axis {
            Axis::Distance => v.distance_km.unwrap_or(f64::NAN),
            Axis::Time => v.day,
        })
        .collect();
    let series: Vec<Series> = kinds(visits)
        .into_iter()
        .filter_map(|(quantity, part)| one(profile, visits, axis, &places, quantity, &part))
        .collect();
    notices.extend(ambient::beyond_travel(profile, visits, &series));
    let changes = change::changes(profile, visits, &series);
    History {
        axis,
        series,
        changes,
        notices,
    }
}

/// Distance where every visit noted one and it rises.
fn axis(visits: &[PastVisit], notices: &mut Vec<Notice>) -> Axis {
    let noted: Vec<f64> = visits.iter().filter_map(|v| v.distance_km).collect();
    if noted.len() < visits.len() {
        if !noted.is_empty() {
            notices.push(Notice::new(
                "distance-missing",
                "a visit has no odometer reading, so wear is counted by time",
            ));
        }
        return Axis::Time;
    }
    if noted.windows(2).any(|w| w[1] < w[0]) {
        notices.push(Notice::new(
            "distance-back",
            "the odometer went back between two visits, so wear is counted by time; look at the entries",
        ));
        return Axis::Time;
    }
    match (noted.first(), noted.last()) {
        (Some(a), Some(b)) if b > a => Axis::Distance,
        _ => Axis::Time,
    }
}

fn kinds(visits: &[PastVisit]) -> Vec<(Quantity, String)> {
    let mut out: Vec<(Quantity, String)> = Vec::new();
    for s in visits.iter().flat_map(|v| &v.standings) {
        let kind = (s.quantity, s.part.clone());
        if !out.contains(&kind) {
            out.push(kind);
        }
    }
    out.sort_by_key(|(q, _)| *q);
    out
}

/// One quantity; `None` where fewer than two visits read it.
fn one(
    profile: &Profile,
    visits: &[PastVisit],
    axis: Axis,
    places: &[f64],
    quantity: Quantity,
    part: &str,
) -> Option<Series> {
    let mut read = Read {
        x: Vec::new(),
        y: Vec::new(),
        sd: Vec::new(),
        shared_sd: Vec::new(),
        freed: Vec::new(),
    };
    let (mut seen, mut worked) = (Vec::new(), false);
    for (i, visit) in visits.iter().enumerate() {
        // Work in a visit that did not read the quantity frees the next that does.
        worked |= visit
            .work
            .iter()
            .any(|w| quantity.is_set_by(profile, part, w));
        let own = (visit.standings.iter()).find(|s| s.quantity == quantity && s.part == part);
        let Some(own) = own.filter(|s| s.value.is_finite() && s.sd > 0.0) else {
            continue;
        };
        read.x.push(places[i] / axis.unit());
        read.y.push(ambient::corrected(profile, visit, own));
        read.sd.push(own.own_sd());
        read.shared_sd.push(own.shared_sd.clamp(0.0, own.sd));
        read.freed.push(worked);
        seen.push(i);
        worked = false;
    }
    let n = seen.len();
    let last = *read.x.last()?;
    let span = last - read.x[0];
    let mut asked: Vec<(f64, usize)> = read
        .x
        .iter()
        .enumerate()
        .map(|(i, &x)| (x, i + 1))
        .collect();
    // Drawn half as far ahead as was looked back.
    asked.extend((0..=4).map(|k| (last + 0.125 * span * f64::from(k), n)));
    let expected = quantity.expected(profile);
    let wear = Wear::of(&read, &expected, &asked)?;
    let rate = interval(&wear.rate())?;
    // Of what only grows the whole interval lies above nil, so it has to leave out what is as good as that.
    let nil = expected.nil();
    let known = n >= VISITS && (rate.lo90 > nil || rate.hi90 < -nil);
    let limit = quantity.limit(profile);
    let forecast = (known && span > 0.0)
        .then(|| limit.and_then(|l| forecast::reached(&wear.ahead(n - 1), rate, l)))
        .flatten()
        .map(|f| f.placed(last, axis, visits, &seen));
    let dots = (0..n)
        .map(|i| {
            let half = 1.645 * read.sd[i].hypot(read.shared_sd[i]);
            Some(Dot {
                visit: seen[i],
                at: read.x[i] * axis.unit(),
                read: Interval {
                    value: read.y[i],
                    lo90: read.y[i] - half,
                    hi90: read.y[i] + half,
                },
                level: interval(&wear.level(i))?,
                set: read.freed[i],
            })
        })
        .collect::<Option<Vec<Dot>>>()?;
    let ahead = (n..asked.len())
        .filter(|_| known)
        .filter_map(|k| Some((asked[k].0 * axis.unit(), interval(&wear.level(k))?)))
        .collect();
    let (steps, hints): (Vec<Step>, Vec<Step>) = (wear.steps().into_iter().enumerate())
        .filter(|(_, (p, _))| *p > HINTED)
        .filter_map(|(i, (probability, size))| {
            Some(Step {
                visit: seen[i + 1],
                probability: probability.min(1.0),
                size: interval(&size)?,
            })
        })
        .partition(|s| s.probability > TOLD);
    Some(Series {
        quantity,
        part: part.to_owned(),
        dots,
        trend: (n >= VISITS).then_some(Trend { rate, known }),
        limit,
        forecast,
        ahead,
        steps,
        hints,
    })
}

/// Median and 90 % interval of a mixture.
fn interval(parts: &[Part]) -> Option<Interval> {
    Some(Interval {
        value: quantile(parts, 0.5)?,
        lo90: quantile(parts, 0.05)?,
        hi90: quantile(parts, 0.95)?,
    })
}

#[cfg(test)]
mod tests;
