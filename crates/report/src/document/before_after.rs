//! Before and after, held against each other only where the conditions were equal.

use evenpull_diagnose::{Assessment, ReadingResult, Scaled};
use evenpull_job::{Condition, Profile, Reading};

use super::paper::JobPaper;
use super::texts::DocumentTexts;
use crate::row_plot::{Lane, Row, RowPlot, Strip, Value};
use crate::scale::extent;

/// Speeds that may be held against each other at hold, over their mean [-]; assumed: a depression
/// changes about as the speed does, and a twentieth of 35 kPa is below what is called good.
const SAME_SPEED: f64 = 0.03;
/// Engine temperatures below the warm limit that may be held against each other [C]; assumed.
const SAME_TEMPERATURE_C: f64 = 10.0;

/// One reading as it is held against another.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Seen {
    /// Place in the job.
    pub(crate) index: usize,
    pub(crate) rpm: Option<f64>,
    pub(crate) engine_c: Option<f64>,
    /// Depression of each body [kPa].
    pub(crate) kpa: Vec<Option<f64>>,
    /// Through-area of each body [mm2].
    pub(crate) area_mm2: Vec<Option<Scaled>>,
}

/// A condition before and after.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Pair {
    pub(crate) condition: Condition,
    pub(crate) before: Seen,
    pub(crate) after: Option<Seen>,
    /// Why a later reading of the condition was not taken for the other side.
    pub(crate) unequal: Option<String>,
}

impl Seen {
    /// Highest minus lowest depression [kPa].
    pub(crate) fn apart_kpa(&self) -> Option<f64> {
        let (lo, hi) = extent(self.kpa.iter().copied().flatten())?;
        (self.kpa.iter().flatten().count() > 1).then_some(hi - lo)
    }
}

/// First reading of each condition, and the last one under equal conditions.
///
/// The sweep is left out: its speeds differ by intent. A reading counts if it gives the depression of
/// two bodies.
pub(crate) fn pairs(paper: &JobPaper<'_>) -> Vec<Pair> {
    let seen: Vec<Option<Seen>> = (0..paper.now.readings.len())
        .map(|i| seen(paper.now, paper.job.readings.get(i), i))
        .collect();
    Condition::ALL
        .into_iter()
        .filter(|c| *c != Condition::Sweep)
        .filter_map(|condition| pair(paper, &seen, condition))
        .collect()
}

fn pair(paper: &JobPaper<'_>, all: &[Option<Seen>], condition: Condition) -> Option<Pair> {
    let readings = &paper.job.readings;
    let of: Vec<&Seen> = all
        .iter()
        .flatten()
        .filter(|s| {
            readings
                .get(s.index)
                .is_some_and(|r| r.condition == condition)
        })
        .collect();
    let (before, later) = of.split_first()?;
    let reading = |s: &Seen| &readings[s.index];
    let problem =
        |s: &&&Seen| unequal(paper, condition, (reading(before), before), (reading(s), s));
    let after = later.iter().rev().find(|s| problem(s).is_none());
    let unequal = match (after, later.last()) {
        (None, Some(last)) => problem(&last),
        _ => None,
    };
    Some(Pair {
        condition,
        before: (*before).clone(),
        after: after.map(|s| (**s).clone()),
        unequal,
    })
}

/// Why two readings cannot be held against each other; `None` if they can.
fn unequal(
    paper: &JobPaper<'_>,
    condition: Condition,
    (before, b): (&Reading, &Seen),
    (after, a): (&Reading, &Seen),
) -> Option<String> {
    let (t, w) = (paper.texts, paper.writing);
    if before.pinched != after.pinched {
        return Some(t.own("measured.pinched_differs"));
    }
    if let (Some(from), Some(to)) = (b.rpm, a.rpm)
        && (from - to).abs() > speed_room(paper.profile, condition, from)
    {
        let values = [("from", &w.figure(from, 0)), ("to", &w.figure(to, 0))];
        return Some(t.fill(
            "measured.speed_differs",
            &values.map(|(n, v)| (n, v.as_str())),
        ));
    }
    if let (Some(from), Some(to)) = (b.engine_c, a.engine_c) {
        let warm = from.min(to) >= paper.profile.engine.warm_c;
        if !warm && (from - to).abs() > SAME_TEMPERATURE_C {
            let values = [("from", &w.figure(from, 0)), ("to", &w.figure(to, 0))];
            return Some(t.fill(
                "measured.heat_differs",
                &values.map(|(n, v)| (n, v.as_str())),
            ));
        }
    }
    None
}

/// How far two speeds may lie apart [1/min].
fn speed_room(profile: &Profile, condition: Condition, rpm: f64) -> f64 {
    if condition.throttle_shut() {
        2.0 * profile.engine.idle_tolerance_rpm
    } else {
        SAME_SPEED * rpm
    }
}

fn seen(a: &Assessment, reading: Option<&Reading>, index: usize) -> Option<Seen> {
    let result = &a.readings[index];
    let cycle = result.cycle.as_ref();
    let channel = |body: &String| cycle?.channels.iter().find(|c| c.body == *body);
    let recorded = |body| Some(channel(body)?.mean_depression_kpa).filter(|v| v.is_finite());
    let kpa: Vec<Option<f64>> = a
        .body_names
        .iter()
        .enumerate()
        .map(|(i, body)| recorded(body).or_else(|| gauge(result, i)))
        .collect();
    (kpa.iter().flatten().count() > 1).then(|| Seen {
        index,
        rpm: cycle
            .map(|c| c.rpm.value)
            .filter(|v| v.is_finite())
            .or_else(|| reading?.rpm),
        engine_c: reading.and_then(|r| r.engine_c),
        kpa,
        area_mm2: a
            .body_names
            .iter()
            .map(|body| channel(body)?.through_area_mm2)
            .collect(),
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
            ("measured.before", Some(&pair.before)),
            ("measured.after", pair.after.as_ref()),
        ];
        for (key, side) in sides {
            let Some(side) = side else { continue };
            let (lo, hi) = extent(side.kpa.iter().copied().flatten())?;
            let label = format!("{name}: {} (R{})", t.at(key), side.index + 1);
            desc.push_str(&format!(" {label}: {}.", w.pressure_figure(hi - lo, 0)));
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
