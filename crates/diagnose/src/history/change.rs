//! What somebody touched between two visits, from the steps of all quantities together.

use evenpull_job::Profile;

use super::quantity::{TOUCHED, driven};
use super::{PastVisit, Quantity, Series, Step, TOLD};

/// What was touched.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Touched {
    /// A stop: plates stand elsewhere, the sensor follows them.
    Stop,
    /// A stop, and the ECU learned its closed position anew.
    StopAndLearn,
    /// A stop, and the throttle sensor was turned as well.
    StopAndSensor,
    /// A link or its balance adjuster.
    Link,
    /// The throttle sensor alone.
    Sensor,
    /// The ECU learned another closed position; nothing else moved.
    Learn,
    /// A bleed.
    Bleed,
    /// A leak came at once: a stub, a clamp or a cap, not wear.
    Leak,
}

impl Touched {
    /// The word used in files.
    pub fn code(self) -> &'static str {
        match self {
            Self::Stop => "stop",
            Self::StopAndLearn => "stop-and-learn",
            Self::StopAndSensor => "stop-and-sensor",
            Self::Link => "link",
            Self::Sensor => "sensor",
            Self::Learn => "learn",
            Self::Bleed => "bleed",
            Self::Leak => "leak",
        }
    }

    /// True where somebody must have turned something.
    pub fn by_hand(self) -> bool {
        self != Self::Leak
    }
}

/// Something that changed between two visits and that the shop did not do.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Index of the visit that shows it first.
    pub visit: usize,
    /// What was touched.
    pub touched: Touched,
    /// Bodies or couplings it shows on.
    pub parts: Vec<String>,
    /// Probability in 0..=1, of the surest step it rests on.
    pub probability: f64,
    /// One sentence.
    pub text: String,
}

/// Steps of one quantity at one visit, by part.
struct At<'a> {
    series: &'a [Series],
    visit: usize,
}

impl<'a> At<'a> {
    fn of(&self, quantity: Quantity) -> Vec<(&'a Series, &'a Step)> {
        let own = self.series.iter().filter(|s| s.quantity == quantity);
        own.filter_map(|s| Some((s, s.steps.iter().find(|t| t.visit == self.visit)?)))
            .collect()
    }
}

/// Share of those who turn a sensor or let the ECU learn that turned a stop before; assumed.
const AFTER_A_STOP: f64 = 0.5;

/// Steps of plates where the sensor or the learned zero stepped as well: the odds of a stop are those
/// of somebody who was at work there, not those of any two visits.
fn beside_the_sensor<'a>(at: &At<'a>) -> Vec<(&'a Series, Step)> {
    let odds = |p: f64| p / (1.0 - p);
    let more = odds(AFTER_A_STOP) / odds(TOUCHED);
    let plates = at.series.iter().filter(|s| s.quantity == Quantity::Offset);
    plates
        .filter_map(|s| {
            let all = s.steps.iter().chain(&s.hints);
            let mut step = all.clone().find(|t| t.visit == at.visit)?.clone();
            let own = more * step.probability / (1.0 - step.probability).max(1e-12);
            step.probability = own / (1.0 + own);
            (step.probability > TOLD).then_some((s, step))
        })
        .collect()
}

/// Everything that was touched, oldest first.
pub(super) fn changes(profile: &Profile, visits: &[PastVisit], series: &[Series]) -> Vec<Change> {
    let mut out = Vec::new();
    for visit in 1..visits.len() {
        let at = At { series, visit };
        let links = at.of(Quantity::Link);
        // A plate behind a rigid rod goes with its link.
        let sensor = at.of(Quantity::SensorZero);
        let learned = at.of(Quantity::LearnedZero);
        let beside = beside_the_sensor(&at);
        let plates = match sensor.is_empty() && learned.is_empty() {
            true => at.of(Quantity::Offset),
            false => beside.iter().map(|(s, t)| (*s, t)).collect(),
        };
        let stops: Vec<_> = (plates.into_iter())
            .filter(|(s, _)| links.is_empty() || !driven(profile, &s.part))
            .collect();
        let mut say = |touched: Touched, steps: &[(&Series, &Step)]| {
            out.push(told(touched, visit, visits, steps));
        };
        match (stops.is_empty(), sensor.is_empty(), learned.is_empty()) {
            (false, false, _) => say(
                Touched::StopAndSensor,
                &[stops.as_slice(), &sensor].concat(),
            ),
            (false, true, false) => say(
                Touched::StopAndLearn,
                &[stops.as_slice(), &learned].concat(),
            ),
            (false, true, true) => say(Touched::Stop, &stops),
            (true, false, _) => say(Touched::Sensor, &sensor),
            (true, true, false) => say(Touched::Learn, &learned),
            (true, true, true) => {}
        }
        for (touched, steps) in [
            (Touched::Link, links),
            (Touched::Bleed, at.of(Quantity::Bleed)),
            (Touched::Leak, at.of(Quantity::Leak)),
        ] {
            if !steps.is_empty() {
                say(touched, &steps);
            }
        }
    }
    out
}

fn told(
    touched: Touched,
    visit: usize,
    visits: &[PastVisit],
    steps: &[(&Series, &Step)],
) -> Change {
    let what = match touched {
        Touched::Stop => "a stop was turned",
        Touched::StopAndLearn => "a stop was turned and the ECU learned its closed position anew",
        Touched::StopAndSensor => "a stop and the throttle sensor were turned",
        Touched::Link => "a link or its balance adjuster was turned",
        Touched::Sensor => "the throttle sensor was turned or has slipped",
        Touched::Learn => "the ECU learned another closed position",
        Touched::Bleed => "a bleed was turned",
        Touched::Leak => "a leak came at once, as from a stub, a clamp or a cap, not from wear",
    };
    let sizes: Vec<String> = steps
        .iter()
        .map(|(s, t)| {
            let part = match s.part.as_str() {
                "" => String::new(),
                part => format!(" ({part})"),
            };
            let digits = if s.quantity.unit() == "V" { 3 } else { 2 };
            format!(
                "{}{part} {:+.digits$} {}",
                s.quantity.words(),
                t.size.value,
                s.quantity.unit()
            )
        })
        .collect();
    let before = steps
        .iter()
        .flat_map(|(s, _)| s.dots.windows(2))
        .find(|w| w[1].visit == visit)
        .map_or(visit - 1, |w| w[0].visit);
    let probability = steps.iter().map(|(_, t)| t.probability).fold(0.0, f64::max);
    Change {
        visit,
        touched,
        parts: {
            let mut parts: Vec<String> = steps.iter().map(|(s, _)| s.part.clone()).collect();
            parts.retain(|p| !p.is_empty());
            parts.dedup();
            parts
        },
        probability,
        text: format!(
            "between {} and {} {what}: {}; no work of the shop on record explains it, and wear does not step",
            visits[before].label,
            visits[visit].label,
            sizes.join(", ")
        ),
    }
}
