//! Before and after, held against each other only where the conditions were equal.

use evenpull_diagnose::{Assessment, ReadingResult, Scaled};
use evenpull_job::{Condition, Job, Pinch, Profile, Reading};

use super::paper::JobPaper;
use super::texts::DocumentTexts;
use crate::row_plot::{Lane, Row, RowPlot, Strip, Value};
use crate::scale::extent;
use crate::writing::Writing;

/// Speeds that may be held against each other at hold, over their mean [-]; assumed: a depression
/// changes about as the speed does, and a twentieth of 35 kPa is below what is called good.
const SAME_SPEED: f64 = 0.03;
/// Engine temperatures below the warm limit that may be held against each other [C]; assumed.
const SAME_TEMPERATURE_C: f64 = 10.0;

/// One reading as it is held against another.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// Place in the job.
    pub index: usize,
    /// What the engine did.
    pub condition: Condition,
    /// What was pinched shut.
    pub pinched: Vec<Pinch>,
    /// Engine speed [1/min].
    pub rpm: Option<f64>,
    /// Engine temperature [C].
    pub engine_c: Option<f64>,
    /// Depression of each body [kPa].
    pub kpa: Vec<Option<f64>>,
    /// Through-area of each body [mm2].
    pub area_mm2: Vec<Option<Scaled>>,
}

/// Where the turns stand among the readings of a job.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TurnedAmong {
    /// Place of the first reading after the first turn; the number of readings if none follows.
    first: usize,
    /// Place of the first reading after the last turn; likewise.
    last: usize,
}

/// A condition before and after.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    /// What the engine did.
    pub condition: Condition,
    /// Last comparable reading before the first turn.
    pub before: Option<Seen>,
    /// Last comparable reading after the last turn.
    pub after: Option<Seen>,
    /// Latest reading of the condition, whatever was turned.
    pub(crate) latest: Seen,
    /// Why a side is missing.
    pub(crate) missing: Option<Missing>,
}

/// Why a condition has not both sides.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Missing {
    /// Read once.
    NotAgain,
    /// Not read before the first turn.
    NotBefore,
    /// Not read since the last turn.
    NotSince,
    /// Read between the turns only.
    Between,
    /// Read on both sides, but not under equal conditions.
    Unequal(Unequal),
}

/// What keeps two readings from being held against each other.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Unequal {
    Pinched,
    /// Speeds [1/min].
    Speed(f64, f64),
    /// Engine temperatures [C].
    Heat(f64, f64),
}

impl TurnedAmong {
    /// `before_reading`: of each reading, whether something was turned before it; `since_last`: something
    /// was turned after the last one. `None` where nothing was turned.
    pub fn of(before_reading: &[bool], since_last: bool) -> Option<Self> {
        let count = before_reading.len();
        let first = before_reading.iter().position(|turned| *turned);
        let last = before_reading.iter().rposition(|turned| *turned);
        let end = since_last.then_some(count);
        Some(Self {
            first: first.or(end)?,
            last: end.or(last)?,
        })
    }
}

impl Seen {
    /// Highest minus lowest depression [kPa] as they are written: who subtracts on paper gets the same.
    pub fn apart_kpa(&self, writing: Writing) -> Option<f64> {
        let written = self.kpa.iter().flatten().map(|v| writing.as_written(*v));
        let (lo, hi) = extent(written)?;
        (self.kpa.iter().flatten().count() > 1).then_some(writing.as_written(hi - lo))
    }
}

/// Each condition before the first turn and after the last, under equal conditions.
pub(crate) fn pairs(paper: &JobPaper<'_>) -> Vec<Pair> {
    pairs_of(
        &seen(paper.now, paper.job),
        paper.turned_among(),
        paper.profile,
    )
}

/// Each condition before the first turn and after the last, under equal conditions; where nothing was
/// turned, its first reading and the last that compares.
///
/// The sweep is left out: its speeds differ by intent.
pub fn pairs_of(all: &[Seen], turned: Option<TurnedAmong>, profile: &Profile) -> Vec<Pair> {
    Condition::ALL
        .into_iter()
        .filter(|c| *c != Condition::Sweep)
        .filter_map(|condition| pair(all, turned, profile, condition))
        .collect()
}

fn pair(
    all: &[Seen],
    turned: Option<TurnedAmong>,
    profile: &Profile,
    condition: Condition,
) -> Option<Pair> {
    let of: Vec<&Seen> = all.iter().filter(|s| s.condition == condition).collect();
    let latest = (*of.last()?).clone();
    let (befores, afters): (Vec<&Seen>, Vec<&Seen>) = match turned {
        None => (of[..1].to_vec(), of[1..].to_vec()),
        Some(t) => (
            of.iter().filter(|s| s.index < t.first).copied().collect(),
            of.iter().filter(|s| s.index >= t.last).copied().collect(),
        ),
    };
    let unequal = |b: &Seen, a: &Seen| unequal(profile, b, a);
    let equal = afters.iter().rev().find_map(|a| {
        let before = befores.iter().rev().find(|b| unequal(b, a).is_none());
        before.map(|b| ((*b).clone(), (*a).clone()))
    });
    let (before, after, missing) = match (equal, befores.last(), afters.last()) {
        (Some((before, after)), ..) => (Some(before), Some(after), None),
        (None, Some(b), Some(a)) => {
            let why = unequal(b, a).map(Missing::Unequal);
            (Some((*b).clone()), None, why)
        }
        (None, Some(b), None) => {
            let why = turned.map_or(Missing::NotAgain, |_| Missing::NotSince);
            (Some((*b).clone()), None, Some(why))
        }
        (None, None, Some(a)) => (None, Some((*a).clone()), Some(Missing::NotBefore)),
        (None, None, None) => (None, None, Some(Missing::Between)),
    };
    Some(Pair {
        condition,
        before,
        after,
        latest,
        missing,
    })
}

/// Why two readings of a condition cannot be held against each other; `None` if they can.
fn unequal(profile: &Profile, before: &Seen, after: &Seen) -> Option<Unequal> {
    if before.pinched != after.pinched {
        return Some(Unequal::Pinched);
    }
    if let (Some(from), Some(to)) = (before.rpm, after.rpm)
        && (from - to).abs() > speed_room(profile, before.condition, from)
    {
        return Some(Unequal::Speed(from, to));
    }
    if let (Some(from), Some(to)) = (before.engine_c, after.engine_c) {
        let warm = from.min(to) >= profile.engine.warm_c;
        if !warm && (from - to).abs() > SAME_TEMPERATURE_C {
            return Some(Unequal::Heat(from, to));
        }
    }
    None
}

/// The words for it.
pub(crate) fn unequal_words(paper: &JobPaper<'_>, unequal: &Unequal) -> String {
    let (t, w) = (paper.texts, paper.writing);
    let (key, from, to) = match unequal {
        Unequal::Pinched => return t.own("measured.pinched_differs"),
        Unequal::Speed(from, to) => ("measured.speed_differs", from, to),
        Unequal::Heat(from, to) => ("measured.heat_differs", from, to),
    };
    let values = [("from", &w.figure(*from, 0)), ("to", &w.figure(*to, 0))];
    t.fill(key, &values.map(|(n, v)| (n, v.as_str())))
}

/// How far two speeds may lie apart [1/min].
fn speed_room(profile: &Profile, condition: Condition, rpm: f64) -> f64 {
    if condition.throttle_shut() {
        2.0 * profile.engine.idle_tolerance_rpm
    } else {
        SAME_SPEED * rpm
    }
}

/// What the readings of a job say, those that give the depression of two bodies.
pub fn seen(found: &Assessment, job: &Job) -> Vec<Seen> {
    let places = found.readings.iter().zip(&job.readings).enumerate();
    places
        .filter_map(|(index, (result, reading))| seen_in(found, result, reading, index))
        .collect()
}

fn seen_in(
    found: &Assessment,
    result: &ReadingResult,
    reading: &Reading,
    index: usize,
) -> Option<Seen> {
    let cycle = result.cycle.as_ref();
    let channel = |body: &String| cycle?.channels.iter().find(|c| c.body == *body);
    let recorded = |body| Some(channel(body)?.mean_depression_kpa).filter(|v| v.is_finite());
    let bodies = found.body_names.iter();
    let kpa: Vec<Option<f64>> = (bodies.clone().enumerate())
        .map(|(i, body)| recorded(body).or_else(|| gauge(result, i)))
        .collect();
    let rpm = cycle.map(|c| c.rpm.value).filter(|v| v.is_finite());
    (kpa.iter().flatten().count() > 1).then(|| Seen {
        index,
        condition: reading.condition,
        pinched: reading.pinched.clone(),
        rpm: rpm.or(reading.rpm),
        engine_c: reading.engine_c,
        kpa,
        area_mm2: bodies.map(|b| channel(b)?.through_area_mm2).collect(),
    })
}

fn gauge(result: &ReadingResult, body: usize) -> Option<f64> {
    let kpa = result.gauge_kpa.as_ref()?.get(body).copied()?;
    kpa.is_finite().then_some(kpa)
}

/// A condition in words of the language.
pub(crate) fn condition_words(texts: &DocumentTexts, condition: Condition) -> String {
    texts.own(match condition {
        Condition::Idle => "measured.idle",
        Condition::IdleBleedsShut => "measured.idle_bleeds_shut",
        Condition::Sweep => "measured.sweep",
        Condition::Hold => "measured.hold",
    })
}

/// Every body from the middle of them all, before and after, against the limits.
pub(crate) fn before_after_picture(paper: &JobPaper<'_>, pairs: &[Pair]) -> Option<String> {
    let (t, w) = (paper.texts, paper.writing);
    let mut rows = Vec::new();
    let unit = [("unit", w.unit())];
    let mut desc = t.fill("measured.picture_alt", &unit);
    for pair in pairs {
        let name = condition_words(t, pair.condition);
        let sides = [
            ("measured.before", pair.before.as_ref()),
            ("measured.after", pair.after.as_ref()),
        ];
        for (key, side) in sides {
            let Some(side) = side else { continue };
            let (lo, hi) = extent(side.kpa.iter().copied().flatten())?;
            let label = format!("{name}: {} (R{})", t.at(key), side.index + 1);
            desc.push_str(&format!(
                " {label}: {}.",
                w.pressure_figure(side.apart_kpa(w).unwrap_or(hi - lo), 0)
            ));
            let lanes = side.kpa.iter().enumerate().filter_map(|(series, kpa)| {
                Some(Lane::Value(Value {
                    series,
                    value: w.per_kpa() * ((*kpa)? - 0.5 * (hi + lo)),
                    ..Value::default()
                }))
            });
            rows.push(Row {
                label,
                lanes: lanes.collect(),
            });
        }
    }
    let limits = paper.profile.tolerance;
    RowPlot {
        id: "before-after",
        title: t.at("measured.picture"),
        desc,
        axis: &t.fill("measured.axis", &unit),
        rows,
        strips: [
            (limits.act_kpa, "strip-watch", "watch"),
            (limits.good_kpa, "strip-good", "good"),
        ]
        .map(|(kpa, class, label)| Strip {
            half_width: 0.5 * w.per_kpa() * kpa,
            class,
            label,
        })
        .into(),
        about_zero: true,
        writing: w,
    }
    .draw()
}

#[cfg(test)]
mod tests {
    use super::*;
    use evenpull_job::PressureUnit;

    fn seen(index: usize, left: f64, right: f64) -> Seen {
        Seen {
            index,
            condition: Condition::Hold,
            pinched: Vec::new(),
            rpm: Some(3_800.0),
            engine_c: Some(80.0),
            kpa: vec![Some(left), Some(right)],
            area_mm2: vec![None; 2],
        }
    }

    fn pair(readings: &[Seen], turned: &[bool], since_last: bool) -> Pair {
        let profile = include_str!("../../../../examples/jobs/healthy/profile.toml");
        let profile = Profile::from_toml("p", profile).unwrap();
        let mut all = pairs_of(readings, TurnedAmong::of(turned, since_last), &profile);
        assert_eq!(all.len(), 1);
        all.remove(0)
    }

    fn places(pair: &Pair) -> (Option<usize>, Option<usize>) {
        let place = |side: &Option<Seen>| side.as_ref().map(|s| s.index);
        (place(&pair.before), place(&pair.after))
    }

    #[test]
    fn before_and_after_stand_on_their_sides_of_the_turns() {
        let all: Vec<Seen> = (0..4).map(|i| seen(i, 36.0, 37.0)).collect();
        let of = |turned: &[bool; 4], since| pair(&all, turned, since);
        let untouched = of(&[false; 4], false);
        assert_eq!(places(&untouched), (Some(0), Some(3)));
        // Turned after all of them: the last of them is before, and there is no after.
        let since = of(&[false; 4], true);
        assert_eq!(places(&since), (Some(3), None));
        assert_eq!(since.missing, Some(Missing::NotSince));
        let between = of(&[false, false, true, false], false);
        assert_eq!(places(&between), (Some(1), Some(3)));
        let first = of(&[true, false, false, false], false);
        assert_eq!(places(&first), (None, Some(3)));
        assert_eq!(first.missing, Some(Missing::NotBefore));
        let around = of(&[true, false, false, false], true);
        assert_eq!(places(&around), (None, None));
        assert_eq!(around.missing, Some(Missing::Between));
    }

    #[test]
    fn the_last_that_compares_is_taken_on_each_side() {
        let fast = Seen {
            rpm: Some(4_400.0),
            ..seen(1, 36.0, 37.0)
        };
        let all = [seen(0, 36.0, 38.0), fast, seen(2, 37.0, 37.2)];
        let pair = pair(&all, &[false, false, true], false);
        assert_eq!(places(&pair), (Some(0), Some(2)));
    }

    /// 370 and 464 mbar are 94 apart on paper, whatever stands behind the last figure.
    #[test]
    fn what_is_written_as_apart_is_the_difference_of_what_is_written() {
        let mbar = Writing {
            comma: false,
            pressure: PressureUnit::Mbar,
        };
        let seen = seen(0, 37.03, 46.36);
        let written: Vec<String> = (seen.kpa.iter().flatten())
            .map(|kpa| mbar.pressure(*kpa))
            .collect();
        assert_eq!(written, ["370", "464"]);
        assert_eq!(mbar.pressure(seen.apart_kpa(mbar).unwrap()), "94");
    }
}
