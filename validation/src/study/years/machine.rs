//! One machine of the shop over eight years.

use evenpull_diagnose::{
    Beside, History, Lasting, PastVisit, Quantity, Standing, Touched, history, steps_at_standard,
    stood,
};
use evenpull_job::Profile;

use super::super::chance::Chance;
use super::seen::Counted;
use crate::calibration::{ShopFamily, ShopMachine};

/// Years that the shop looks back on.
const YEARS: f64 = 8.0;

/// Chance that the shop works on something between two visits.
const WORKED: f64 = 0.12;

/// How machines wear and how often they come; invented.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mix {
    /// Share of bodies that hardly wear.
    pub spared: f64,
    /// Rate of wear of the others, from and to [mm2 per 10,000 km].
    pub worn: (f64, f64),
    /// Irregularity of wear: deviation of the growth over one unit (10,000 km) over its mean.
    pub uneven: f64,
    /// Chance that somebody touches something between two visits.
    pub tampered: f64,
    /// Time between two visits, from and to [years].
    pub gap: (f64, f64),
}

impl Mix {
    /// A shop as it is thought to be.
    pub const USUAL: Self = Self {
        spared: 0.5,
        worn: (0.05, 0.5),
        uneven: 0.3,
        tampered: 0.06,
        gap: (0.5, 1.0),
    };

    /// Dusty roads, rarer visits, more hands: most bodies wear, faster and less evenly.
    pub const HARD: Self = Self {
        spared: 0.2,
        worn: (0.1, 0.8),
        uneven: 0.5,
        tampered: 0.1,
        gap: (0.8, 1.5),
    };
}

/// A tampering as large as this times its error is of detectable size. One interval against 32 without a
/// step at odds of 3 %, and a step's prior some ten times as wide as its error, ask for `z^2 / 2 > ln 320`,
/// z = 3.4; a visit's error then hides one in ten up to 1.3 above it.
const DETECTABLE: f64 = 4.7;

/// Stated errors to draw from, by quantity.
pub(super) type Bank = Vec<Vec<Standing>>;

/// One machine.
#[derive(Debug, Clone, PartialEq)]
pub struct YearsTrial {
    /// What is counted.
    pub counted: Counted,
}

/// What happened between two visits.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Event {
    Nothing,
    Tampered(Touched, usize, f64),
    Worked(Touched, usize),
}

/// True state of everything that a history follows.
struct Truth {
    ambient: (f64, f64),
    standings: Vec<Standing>,
    idle_area_mm2: Option<f64>,
}

/// Errors that the assessment states for visits of sound and leaking machines of some families.
pub(super) fn bank() -> Bank {
    (0..12)
        .map(|seed| {
            let mut machine = ShopFamily::of(900 + seed).machine(0);
            *machine.leak_mm2(0) += 0.15 * seed as f64;
            let (job, cycles) = machine.visit();
            let own: Vec<Lasting> = Lasting::of_sound(&job, &machine.profile, &cycles)
                .into_iter()
                .collect();
            let (job, cycles) = machine.visit();
            let beside = Beside {
                own: &own,
                ..Beside::default()
            };
            stood(&job, &machine.profile, &cycles, &beside).standings
        })
        .collect()
}

/// The machine of one seed: with a bank of errors its values are drawn, without one they are read.
pub fn years_trial(seed: u64, mix: &Mix, bank: Option<&Bank>) -> YearsTrial {
    let mut chance = Chance::of(7, seed);
    let mut machine = ShopFamily::of(seed % 40).machine(100 + seed);
    let profile = machine.profile.clone();
    let n = profile.bodies().len();
    let km_per_year = chance.between(3_000.0, 14_000.0);
    let leak_rates: Vec<f64> = (0..n)
        .map(|_| match chance.chance(mix.spared) {
            true => chance.between(0.0, 0.03),
            false => chance.between(mix.worn.0, mix.worn.1),
        })
        .collect();
    let zero_rate = chance.normal(0.002);
    let link_rates: Vec<f64> = profile
        .couplings
        .iter()
        .map(|_| chance.normal(0.015))
        .collect();
    let rates = Rates {
        leaks: &leak_rates,
        links: &link_rates,
        zero: zero_rate,
        uneven: mix.uneven,
    };
    let mut visits: Vec<PastVisit> = Vec::new();
    let mut events: Vec<Event> = Vec::new();
    let (mut years, mut km) = (0.0, chance.between(500.0, 30_000.0));
    let mut own: Vec<Lasting> = Vec::new();
    let mut common: Option<Common> = None;
    let mut truths: Vec<Vec<Standing>> = Vec::new();
    while years < YEARS {
        let mut event = Event::Nothing;
        if !visits.is_empty() {
            let gap = chance.between(mix.gap.0, mix.gap.1);
            let ridden = km_per_year * gap * chance.between(0.6, 1.4);
            years += gap;
            km += ridden;
            wear(&mut machine, &mut chance, &rates, ridden);
            event = happen(&mut machine, &mut chance, mix.tampered);
        }
        let truth = truth(&machine_state(&mut machine), &profile, &mut chance);
        let mut visit = PastVisit {
            label: format!("visit {}", visits.len() + 1),
            day: 365.25 * years,
            distance_km: Some(km.round()),
            ambient_kpa: truth.ambient.0,
            ambient_c: truth.ambient.1,
            idle_area_mm2: truth.idle_area_mm2,
            standings: Vec::new(),
            work: match event {
                Event::Worked(what, part) => work(&profile, what, part),
                _ => Vec::new(),
            },
        };
        match bank {
            Some(bank) => {
                let like =
                    common.get_or_insert_with(|| Common::of(&truth.standings, bank, &mut chance));
                visit.standings = drawn(&truth.standings, bank, like, &mut chance);
            }
            None => {
                let (job, cycles) = machine.visit();
                let beside = Beside {
                    own: &own,
                    ..Beside::default()
                };
                let stood = stood(&job, &profile, &cycles, &beside);
                (visit.ambient_kpa, visit.ambient_c) = (101.325, 15.0);
                visit.standings = stood.standings;
                visit.idle_area_mm2 = stood.idle_area_mm2;
                if own.is_empty() {
                    own.extend(Lasting::of_sound(&job, &profile, &cycles));
                }
            }
        }
        visits.push(visit);
        events.push(event);
        truths.push(truth.standings);
    }
    let found = history(&profile, &visits);
    let mut counted = count(&profile, &found, &visits, &events, &truths, &rates);
    foreseen(&mut counted, &found, &mut machine, &mut chance, &rates, km);
    YearsTrial { counted }
}

/// Rates of wear per 10,000 km.
struct Rates<'a> {
    leaks: &'a [f64],
    links: &'a [f64],
    zero: f64,
    uneven: f64,
}

impl Rates<'_> {
    /// Of a quantity; `None` where none is put in.
    fn of(&self, profile: &Profile, quantity: Quantity, part: &str) -> Option<f64> {
        match quantity {
            Quantity::Leak => Some(self.leaks[profile.body_index(part)?]),
            Quantity::SensorZero => Some(self.zero),
            Quantity::Link => {
                let own = profile.couplings.iter().position(|c| c.adjuster == part)?;
                Some(self.links[own])
            }
            _ => None,
        }
    }
}

/// Growth over a distance: a gamma step of that mean.
fn grown(chance: &mut Chance, per_unit: f64, uneven: f64, km: f64) -> f64 {
    let units = km / 1e4;
    chance.gamma(units / (uneven * uneven), per_unit * uneven * uneven)
}

fn wear(machine: &mut ShopMachine, chance: &mut Chance, rates: &Rates<'_>, km: f64) {
    for (b, rate) in rates.leaks.iter().enumerate() {
        *machine.leak_mm2(b) += grown(chance, *rate, rates.uneven, km);
    }
    for (c, rate) in rates.links.iter().enumerate() {
        *machine.link_deg(c) += rate.signum() * grown(chance, rate.abs(), rates.uneven, km);
    }
    *machine.zero_v() += rates.zero.signum() * grown(chance, rates.zero.abs(), rates.uneven, km);
}

/// What somebody, or the shop, does between two visits.
fn happen(machine: &mut ShopMachine, chance: &mut Chance, tampered: f64) -> Event {
    let n = machine.profile.bodies().len();
    let shop = chance.chance(WORKED);
    if !shop && !chance.chance(tampered) {
        return Event::Nothing;
    }
    let (body, coupling) = (chance.one_of(n), chance.one_of(n - 1));
    let what = [
        Touched::Stop,
        Touched::Link,
        Touched::Sensor,
        Touched::Bleed,
    ][chance.one_of(4)];
    let (part, size) = match what {
        Touched::Stop => {
            let size = chance.between(0.1, 0.7);
            *machine.stop_deg(body) += size;
            (body, size)
        }
        Touched::Link => {
            let size = chance.either(0.1, 0.7);
            *machine.link_deg(coupling) += size;
            (coupling, size)
        }
        Touched::Sensor => {
            let size = chance.either(0.015, 0.1);
            *machine.zero_v() += size;
            (0, size)
        }
        _ => {
            let now = *machine.bleed_turns(body);
            let other = chance.between(0.1, 1.6);
            *machine.bleed_turns(body) = other;
            (body, other - now)
        }
    };
    if shop {
        return Event::Worked(what, part);
    }
    Event::Tampered(what, part, size)
}

fn work(profile: &Profile, what: Touched, part: usize) -> Vec<String> {
    vec![match what {
        Touched::Stop => format!("stop.{}", profile.bodies()[part]),
        Touched::Link => profile.couplings[part].adjuster.clone(),
        Touched::Sensor => "sensor".to_owned(),
        _ => format!("bleed.{}", profile.bodies()[part]),
    }]
}

/// Leaks, offsets, links, bleeds, zero of the machine as it is.
struct State {
    leaks: Vec<f64>,
    offsets: Vec<f64>,
    links: Vec<f64>,
    bleeds: Vec<f64>,
    zero: f64,
}

fn machine_state(machine: &mut ShopMachine) -> State {
    let n = machine.profile.bodies().len();
    State {
        leaks: (0..n).map(|b| *machine.leak_mm2(b)).collect(),
        offsets: machine.offsets_deg(),
        links: (0..n - 1).map(|c| *machine.link_deg(c)).collect(),
        bleeds: (0..n).map(|b| machine.bleed_mm2(b)).collect(),
        zero: *machine.zero_v(),
    }
}

fn truth(state: &State, profile: &Profile, chance: &mut Chance) -> Truth {
    let of = |quantity, part: &str, value| Standing {
        quantity,
        part: part.to_owned(),
        value,
        sd: 1.0,
        shared_sd: 0.0,
    };
    let mut standings = vec![of(Quantity::SensorZero, "", state.zero)];
    for (b, body) in profile.bodies().iter().enumerate() {
        standings.push(of(Quantity::Leak, body, state.leaks[b]));
        standings.push(of(Quantity::Offset, body, state.offsets[b]));
        standings.push(of(Quantity::Bleed, body, state.bleeds[b]));
    }
    for (coupling, link) in profile.couplings.iter().zip(&state.links) {
        standings.push(of(Quantity::Link, &coupling.adjuster, *link));
    }
    let ambient = (chance.between(94.0, 103.0), chance.between(5.0, 32.0));
    let area = 16.0;
    if let Some(valve) = profile.idle_valve {
        // What the plates, leaks and bleeds give beyond the usual is taken off the valve; thin air
        // asks for more.
        let beyond: f64 = state.leaks.iter().map(|l| l - 0.35).sum::<f64>()
            + state.offsets.iter().map(|o| 3.0 * o).sum::<f64>();
        let at_standard = 0.3 * f64::from(valve.steps) - beyond / valve.area_mm2_per_step;
        let less = steps_at_standard(0.0, area, valve.area_mm2_per_step, ambient.0, ambient.1);
        let steps = (at_standard - less).clamp(0.0, f64::from(valve.steps));
        standings.push(of(Quantity::IdleSteps, "", steps));
    }
    Truth {
        ambient,
        standings,
        idle_area_mm2: Some(area),
    }
}

/// What all visits of one machine have wrong in common, by standing: error and its standard deviation.
struct Common {
    errors: Vec<(f64, f64)>,
}

impl Common {
    fn of(truth: &[Standing], bank: &Bank, chance: &mut Chance) -> Self {
        let like = &bank[chance.one_of(bank.len())];
        let one = |t: &Standing| {
            let sd = stated(like, t).map_or(0.0, |s| s.shared_sd);
            (chance.normal(sd), sd)
        };
        Self {
            errors: truth.iter().map(one).collect(),
        }
    }
}

/// What the assessment stated of the same quantity.
fn stated<'a>(like: &'a [Standing], t: &Standing) -> Option<&'a Standing> {
    like.iter().rfind(|s| s.quantity == t.quantity)
}

/// Values about the truth, with errors as stated by the assessment for such a visit.
fn drawn(truth: &[Standing], bank: &Bank, common: &Common, chance: &mut Chance) -> Vec<Standing> {
    let like = &bank[chance.one_of(bank.len())];
    (truth.iter().zip(&common.errors))
        .map(|(t, (shared, shared_sd))| {
            let own_sd = stated(like, t).map_or(0.05, Standing::own_sd);
            Standing {
                value: t.value + shared + chance.normal(own_sd),
                sd: own_sd.hypot(*shared_sd),
                shared_sd: *shared_sd,
                ..t.clone()
            }
        })
        .collect()
}

/// Counts what the history says against what was done.
fn count(
    profile: &Profile,
    found: &History,
    visits: &[PastVisit],
    events: &[Event],
    truths: &[Vec<Standing>],
    rates: &Rates<'_>,
) -> Counted {
    let mut out = Counted {
        machines: 1,
        visits: visits.len() as u32,
        ..Counted::default()
    };
    // The idle valve is corrected for ambient and answers to everything; it has no truth of its own.
    let followed = found
        .series
        .iter()
        .filter(|s| s.quantity != Quantity::IdleSteps);
    for series in followed {
        let rate = rates.of(profile, series.quantity, &series.part);
        if let (Some(rate), Some(trend)) = (rate, series.trend) {
            let held = (trend.rate.lo90..=trend.rate.hi90).contains(&rate);
            out.rates
                .entry(series.quantity.code())
                .or_default()
                .add(held);
        }
        let last = truths.last().into_iter().flatten();
        let own = |t: &&Standing| t.quantity == series.quantity && t.part == series.part;
        if let (Some(t), Some(dot)) = (last.clone().find(own), series.dots.last()) {
            let held = (dot.level.lo90..=dot.level.hi90).contains(&t.value);
            out.levels
                .entry(series.quantity.code())
                .or_default()
                .add(held);
        }
    }
    for (visit, event) in events.iter().enumerate().skip(1) {
        let told: Vec<_> = (found.changes.iter())
            .filter(|c| c.visit == visit && c.touched.by_hand())
            .collect();
        match *event {
            Event::Nothing => {
                out.alarms.add(!told.is_empty());
                out.alarm_texts.extend(told.iter().map(|c| c.text.clone()));
            }
            Event::Worked(..) => {}
            Event::Tampered(what, _, size) => {
                if let Some((moved, sd)) = moved(what, visit, visits, truths) {
                    // One visit after against those before it.
                    let error = sd * (1.0 + 1.0 / visit as f64).sqrt();
                    if moved < DETECTABLE * error {
                        out.small.add(!told.is_empty());
                        continue;
                    }
                    out.found.add(!told.is_empty());
                    out.found_by
                        .entry(what.code())
                        .or_default()
                        .add(!told.is_empty());
                    let stops = [Touched::Stop, Touched::StopAndLearn, Touched::StopAndSensor];
                    let right =
                        |t: Touched| t == what || (what == Touched::Stop && stops.contains(&t));
                    if told.is_empty() {
                        out.misses.push(format!(
                            "{} of {size:.3} before visit {} of {}, {moved:.3} +-{sd:.3}",
                            what.code(),
                            visit + 1,
                            visits.len()
                        ));
                    } else {
                        out.named.add(told.iter().any(|c| right(c.touched)));
                    }
                } else {
                    // It moved nothing, as a stop that does not carry.
                    out.alarms.add(!told.is_empty());
                }
            }
        }
    }
    out
}

/// How far the quantity of a tampering moved, and the stated error of the visit; `None` if it did not.
fn moved(
    what: Touched,
    visit: usize,
    visits: &[PastVisit],
    truths: &[Vec<Standing>],
) -> Option<(f64, f64)> {
    let quantity = match what {
        Touched::Stop => Quantity::Offset,
        Touched::Link => Quantity::Link,
        Touched::Sensor => Quantity::SensorZero,
        _ => Quantity::Bleed,
    };
    // What wear alone makes of it between two visits.
    let least = if quantity == Quantity::SensorZero {
        0.005
    } else {
        0.05
    };
    let mut best: Option<(f64, f64)> = None;
    for t in truths[visit].iter().filter(|t| t.quantity == quantity) {
        let same = |s: &&Standing| s.quantity == quantity && s.part == t.part;
        let before = truths[visit - 1].iter().find(same)?;
        let size = (t.value - before.value).abs();
        let sd = visits[visit].standings.iter().find(same)?.own_sd();
        // A rod that carries both plates moves both by a stop: the surer of them counts.
        let surer = best.is_none_or(|(s, d)| size / sd > s / d);
        if size > least && surer {
            best = Some((size, sd));
        }
    }
    best
}

/// Rides on until the limits are reached and looks whether the forecasts hold them.
fn foreseen(
    counted: &mut Counted,
    found: &History,
    machine: &mut ShopMachine,
    chance: &mut Chance,
    rates: &Rates<'_>,
    km: f64,
) {
    for series in found.series.iter().filter(|s| s.quantity == Quantity::Leak) {
        let Some(forecast) = series.forecast else {
            continue;
        };
        let body = machine.profile.body_index(&series.part).unwrap_or(0);
        // From the odometer as it was noted.
        let (mut leak, mut at) = (*machine.leak_mm2(body), km.round());
        while leak < forecast.limit && at < 5e6 {
            leak += grown(chance, rates.leaks[body], rates.uneven, 200.0);
            at += 200.0;
        }
        if let Some(said) = forecast.distance_km {
            // The step of the ride.
            let held = said.lo90 <= at && at - 200.0 <= said.hi90;
            counted.forecasts.add(held);
        }
    }
}
