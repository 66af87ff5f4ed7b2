//! Causes with the evidence for and against, families, "undetermined".

use std::collections::BTreeMap;

use evenpull_job::{Condition, Job, SealState, SprayResult, spindle_play_out};

use crate::advice::range;
use crate::assessment::{Cause, CauseCode};
use crate::evidence::{Evidence, Point};
use crate::hypothesis::{Fault, one_stop_carries};
use crate::model::{Model, SENSOR_SD_V};
use crate::posterior::{Channel, Fitted};
use crate::two_signs::{AT_ONE_END, Held, held_back, seen_at_one_end};
use crate::weigh::{SPEAKS, Weighed};

/// Probability below which a cause is not listed.
const LISTED: f64 = 0.01;

/// Probability the leading cause needs.
const DECIDED: f64 = 0.7;

/// Share of a family one member needs to stand alone.
const ALONE: f64 = 0.95;

/// Change of chi-square that counts as evidence; 4 is two standard deviations.
const TELLING: f64 = 4.0;

/// Turns of bleeds that are called alike: as well as they are counted from the seat; assumed.
const ALIKE_TURNS: f64 = 0.1;

/// Everything the verdict is made from.
pub(crate) struct Court<'a> {
    pub(crate) job: &'a Job,
    pub(crate) model: &'a Model<'a>,
    pub(crate) evidence: &'a Evidence,
    pub(crate) fitted: &'a [Fitted],
    pub(crate) weighed: &'a Weighed,
    pub(crate) probabilities: &'a BTreeMap<Fault, f64>,
}

/// What the weighing comes to.
pub(crate) struct Judged {
    /// Causes, most probable first.
    pub(crate) causes: Vec<Cause>,
    /// No cause stands by the readings.
    pub(crate) open: bool,
    /// A cause leads by enough for a verdict.
    pub(crate) leads: bool,
    /// What keeps the one that leads from standing.
    pub(crate) held: Option<Held>,
}

/// Causes, most probable first, and whether they decide.
pub(crate) fn causes(court: &Court<'_>) -> Judged {
    let mut families = group(court);
    families.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut causes: Vec<Cause> = families
        .iter()
        .filter(|(_, p)| *p >= LISTED)
        .map(|(members, p)| cause(court, members, *p))
        .collect();
    let leads = causes.first().is_some_and(|c| c.probability >= DECIDED);
    let first = families.first().filter(|_| leads);
    let held = first.and_then(|(members, _)| held_back(court, members[0].0));
    if court.evidence.is_crossed() {
        causes.insert(0, crossed(court.evidence));
    }
    Judged {
        causes,
        open: !leads || held.is_some(),
        leads,
        held,
    }
}

/// A member of a family with its probability.
type Member = (Fault, f64);

/// Faults that the readings cannot tell apart, put together.
fn group(court: &Court<'_>) -> Vec<(Vec<Member>, f64)> {
    let mut left: Vec<Member> = court.probabilities.iter().map(|(f, p)| (*f, *p)).collect();
    left.sort_by(|a, b| b.1.total_cmp(&a.1));
    let rigid = one_stop_carries(court.model.profile);
    let twin = court.model.space.bodies == 2;
    let mut families: Vec<(Vec<Member>, f64)> = Vec::new();
    for (fault, p) in left {
        let home = families
            .iter_mut()
            .find(|(members, _)| alike(members[0].0, fault, rigid, twin));
        match home {
            Some((members, sum)) => {
                members.push((fault, p));
                *sum += p;
            }
            None => families.push((vec![(fault, p)], p)),
        }
    }
    families
}

/// True if two faults act alike on every reading this version takes.
fn alike(a: Fault, b: Fault, rigid: bool, twin: bool) -> bool {
    use CauseCode::{
        BalanceOff, CableTight, CompressionLow, FilterBlocked, IdleAirHose, IdleValveStuckOpen,
        InjectorUnequal, LinkAltered, SparkWeak, SpindleWear, StopIn, StopsBoth, StubLeak,
        ValveTight,
    };
    const WEAK: [CauseCode; 4] = [CompressionLow, FilterBlocked, InjectorUnequal, SparkWeak];
    let pair = |x, y| (a.code == x && b.code == y) || (a.code == y && b.code == x);
    let both = |set: &[CauseCode]| set.contains(&a.code) && set.contains(&b.code);
    (a.body == b.body && pair(SpindleWear, StubLeak))
        || (a.coupling == b.coupling && pair(BalanceOff, LinkAltered))
        || (rigid && both(&[StopIn, StopsBoth, CableTight]))
        || (a.body == b.body && pair(StopIn, CableTight))
        || both(&[IdleAirHose, IdleValveStuckOpen])
        || (a.body == b.body && a.body.is_some() && pair(InjectorUnequal, SparkWeak))
        || (a.body == b.body && a.body.is_some() && pair(CompressionLow, ValveTight))
        || (a.body.is_none() && b.body.is_none() && both(&WEAK))
        || (twin && both(&[CauseCode::GaugeFault]))
}

fn cause(court: &Court<'_>, members: &[Member], probability: f64) -> Cause {
    let leading = members[0].0;
    let alone = members[0].1 >= ALONE * probability;
    let mut codes: Vec<CauseCode> = Vec::new();
    for (f, p) in members {
        let counts = f.code == leading.code || (!alone && *p >= 0.02 * probability);
        if counts && !codes.contains(&f.code) {
            codes.push(f.code);
        }
    }
    let (mut evidence_for, mut evidence_against) = (Vec::new(), Vec::new());
    if let Some(own) = court.weighed.alternative(leading) {
        evidence_for.extend(own.signs.iter().cloned());
        evidence_against.extend(own.against.iter().cloned());
        if own.weak && court.weighed.asks_for_air > SPEAKS {
            evidence_for.push("the engine asks for more air at idle than a sound one, and the bodies let it in evenly".to_owned());
        }
    }
    seal_words(court, leading, &mut evidence_for, &mut evidence_against);
    play_words(court, leading, &mut evidence_for, &mut evidence_against);
    spray_words(court, leading, &mut evidence_for, &mut evidence_against);
    fit_words(court, leading, &mut evidence_for, &mut evidence_against);
    learned_words(court, leading, &mut evidence_for);
    let mut body = leading.body;
    if leading.code == CauseCode::GaugeFault {
        // A difference between two instruments does not say which of them is off; a third does,
        // and so do recordings of the same readings.
        body = body.filter(|_| court.model.space.bodies > 2);
        if let Some((b, kpa)) = gauge_off(court.evidence) {
            evidence_for.push(format!(
                "the gauge on {} reads {kpa:+.1} kPa against the recordings of the same readings",
                court.model.profile.bodies()[b]
            ));
            body = Some(b);
        }
        if seen_at_one_end(court.evidence, leading.body) {
            evidence_against.push(AT_ONE_END.to_owned());
        }
    }
    Cause {
        code: leading.code,
        members: codes,
        body: body.map(|b| court.model.profile.bodies()[b].clone()),
        probability,
        evidence_for,
        evidence_against,
    }
}

fn crossed(evidence: &Evidence) -> Cause {
    let p = (evidence.crossed as f64 + 0.9) / (evidence.plumbing_checked as f64 + 1.0);
    Cause {
        code: CauseCode::CrossedHoses,
        members: vec![CauseCode::CrossedHoses],
        body: None,
        probability: p,
        evidence_for: vec![format!(
            "in {} of {} readings the intake strokes follow at the other firing interval; the other \
             causes are judged with the traces put on the bodies they belong to",
            evidence.crossed, evidence.plumbing_checked
        )],
        evidence_against: Vec::new(),
    }
}

fn seal_words(court: &Court<'_>, fault: Fault, pro: &mut Vec<String>, con: &mut Vec<String>) {
    let bodies = court.model.profile.bodies();
    let parts: Vec<String> = match (fault.code, fault.body, fault.coupling) {
        (CauseCode::StopIn | CauseCode::StopOut, Some(b), _) => vec![format!("stop.{}", bodies[b])],
        (CauseCode::StopsBoth, ..) => bodies.iter().map(|b| format!("stop.{b}")).collect(),
        (CauseCode::LinkAltered, ..) => bodies.iter().map(|b| format!("link.{b}")).collect(),
        (CauseCode::SensorShifted, ..) => vec!["sensor".to_owned()],
        _ => Vec::new(),
    };
    for part in parts {
        match court.job.seal(&part) {
            Some(SealState::Disturbed) => pro.push(format!("the seal {part} is disturbed")),
            Some(SealState::Intact) => con.push(format!("the seal {part} is intact")),
            Some(SealState::CannotSee) => con.push(format!("the seal {part} cannot be seen")),
            None => {}
        }
    }
    if fault.code == CauseCode::None {
        let broken: Vec<&str> = court
            .job
            .seals
            .iter()
            .filter(|s| s.state == SealState::Disturbed)
            .map(|s| s.part.as_str())
            .collect();
        if !broken.is_empty() {
            con.push(format!("disturbed seals: {}", broken.join(", ")));
        }
    }
}

/// What was measured of the spindles: for their wear, and against a machine that is called sound.
fn play_words(court: &Court<'_>, fault: Fault, pro: &mut Vec<String>, con: &mut Vec<String>) {
    let profile = court.model.profile;
    let worn = spindle_play_out(court.job, profile);
    let side = match fault.code {
        CauseCode::SpindleWear => pro,
        CauseCode::None => con,
        _ => return,
    };
    let own = |body: &String| fault.body.is_none_or(|b| profile.bodies()[b] == *body);
    let said = worn.into_iter().filter(|(body, _)| own(body));
    side.extend(said.map(|(_, text)| format!("measured: {text}")));
}

/// What the spray at its stub says of a leak on a body.
fn spray_words(court: &Court<'_>, fault: Fault, pro: &mut Vec<String>, con: &mut Vec<String>) {
    let Some(b) = fault.body.filter(|_| fault.code == CauseCode::StubLeak) else {
        return;
    };
    let body = &court.model.profile.bodies()[b];
    match court.job.checks.stub_spray.as_ref().and_then(|s| s.get(b)) {
        Some(SprayResult::Change) => pro.push(format!(
            "the engine changed when the stub of {body} was sprayed"
        )),
        Some(SprayResult::NoChange) => con.push(format!(
            "the engine did not change when the stub of {body} was sprayed"
        )),
        None => {}
    }
}

/// Which readings the best hypothesis with this fault explains better than the same without it,
/// and which another explains better still.
fn fit_words(court: &Court<'_>, fault: Fault, pro: &mut Vec<String>, con: &mut Vec<String>) {
    if fault.code == CauseCode::BleedUnequal {
        pro.push(bleed_words(court));
        return;
    }
    let sound = fault.code == CauseCode::None;
    let pair = compared(court, fault);
    let with = |f: &&Fitted| {
        if sound {
            f.hypothesis.is_sound()
        } else {
            f.hypothesis.faults.contains(&fault)
        }
    };
    let Some(mine) = court.fitted.iter().find(with) else {
        return;
    };
    let Some(best) = court.fitted.first() else {
        return;
    };
    let rest: Vec<Fault> = mine
        .hypothesis
        .faults
        .iter()
        .copied()
        .filter(|f| *f != fault)
        .collect();
    let without = court
        .fitted
        .iter()
        .find(|f| f.hypothesis.faults == rest && !f.hypothesis.joins_runners());
    let all = [
        Channel::AreasIdle,
        Channel::AreasOffIdle,
        Channel::Level,
        Channel::Volts,
        Channel::Valve,
        Channel::Speed,
        Channel::Gauges,
        Channel::Sensors,
    ];
    let mut explained = Vec::new();
    for channel in all {
        let (own, least) = (mine.channel(channel), best.channel(channel));
        let plain = without.map_or(own, |n| n.channel(channel));
        if !sound && plain - own > TELLING {
            pro.push(format!("explains {}", seen(court, channel, pair)));
            explained.push(channel);
        } else if own - least > TELLING {
            con.push(format!("does not explain {}", seen(court, channel, pair)));
        }
    }
    let strain = |f: &Fitted| f.channel(Channel::Prior) - mine.channel(Channel::Prior);
    if sound {
        sound_words(court, -strain(best) > TELLING, pro, con);
    } else if without.is_some_and(|n| strain(n) > TELLING) {
        pro.extend(strained_words(court, fault, pair, &explained));
    }
}

/// What speaks for a sound machine, or against it where it would have to be an unusual one.
fn sound_words(court: &Court<'_>, strained: bool, pro: &mut Vec<String>, con: &mut Vec<String>) {
    let points = &court.evidence.points;
    let shut = points.iter().any(Point::at_stop);
    let what = if shut {
        "the idle readings"
    } else {
        "the readings"
    };
    let read: Vec<&Point> = points.iter().filter(|p| p.at_stop() == shut).collect();
    let pair = furthest(&read);
    let differ = apart(court, read, pair, Shown::Judged);
    match differ.filter(|(size, _)| !strained || *size >= FAR_APART) {
        Some((_, text)) if strained => con.push(format!(
            "few sound machines read so far apart in {what} ({text})"
        )),
        _ if !con.is_empty() => {}
        Some((_, text)) => pro.push(format!("a sound machine explains {what} ({text})")),
        None if court.model.space.bodies > 1 && !strained => pro.push(format!("{what} are even")),
        None => pro.push(format!("a sound machine explains {what}")),
    }
}

/// The two bodies that are furthest apart in the last of these readings, in the profile's order.
fn furthest(points: &[&Point]) -> [usize; 2] {
    let Some(read) = points.iter().rev().find_map(|p| p.depressions_kpa()) else {
        return [0, 1];
    };
    let by = |a: &usize, b: &usize| read[*a].total_cmp(&read[*b]);
    let (low, high) = ((0..read.len()).min_by(by), (0..read.len()).max_by(by));
    match low.zip(high) {
        Some((low, high)) if low != high => [low.min(high), low.max(high)],
        _ => [0, 1],
    }
}

/// What a machine without this fault would have to be like; `explained` was told already.
fn strained_words(
    court: &Court<'_>,
    fault: Fault,
    pair: [usize; 2],
    explained: &[Channel],
) -> Option<String> {
    // What was read before a balance was turned tells of another machine; a bleed shows at idle.
    let stands = |p: &&Point| p.turned_since.iter().all(|turns| *turns == 0.0);
    let shows = |p: &&Point| fault.code != CauseCode::BleedBlocked || p.at_stop();
    let points = court.evidence.points.iter().filter(stands).filter(shows);
    let shown = match fault.code {
        CauseCode::GaugeFault => Shown::Depressions,
        _ => Shown::Judged,
    };
    match apart(court, points, pair, shown).filter(|(size, _)| *size >= FAR_APART) {
        Some((_, apart)) => Some(format!(
            "a machine without it would not read so far apart ({apart})"
        )),
        None => without_words(court, explained),
    }
}

/// What stands where a sound machine does not have it, apart from differences between the bodies.
fn without_words(court: &Court<'_>, explained: &[Channel]) -> Option<String> {
    let profile = court.model.profile;
    let idle = || court.evidence.points.iter().filter(|p| p.at_stop());
    let volts = profile.sensor.is_some_and(|s| {
        let off = |p: &Point| {
            p.sensor_v
                .is_some_and(|v| (v - s.volts_at_stop).abs() > CLOSED_V)
        };
        idle().any(off)
    });
    let valve = profile.idle_valve.is_some_and(|v| {
        let place = |p: &Point| Some(p.steps? / f64::from(v.steps));
        let off = |p: &Point| p.steps_read && place(p).is_some_and(|x| !USUAL_PLACE.contains(&x));
        idle().any(off)
    });
    let what: Vec<String> = [(volts, Channel::Volts), (valve, Channel::Valve)]
        .into_iter()
        .filter(|(off, channel)| *off && !explained.contains(channel))
        .map(|(_, channel)| seen(court, channel, [0, 1]))
        .collect();
    let parts = "other parts would have to stand far from where a sound machine has them";
    match what.as_slice() {
        [] if explained.is_empty() => Some(format!("without it {parts}")),
        [] => None,
        all => Some(format!(
            "without it {parts}, to explain {}",
            all.join(" and ")
        )),
    }
}

/// What was seen in a channel, in the numbers of the readings.
fn seen(court: &Court<'_>, channel: Channel, pair: [usize; 2]) -> String {
    let points = &court.evidence.points;
    let idle = points.iter().filter(|p| p.at_stop());
    let off = points.iter().filter(|p| !p.at_stop());
    let with = |what: &str, numbers: Option<String>| match numbers {
        Some(numbers) => format!("{what} ({numbers})"),
        None => what.to_owned(),
    };
    let listed = |all: Vec<String>, unit: &str| {
        (!all.is_empty()).then(|| format!("{}{unit}", all.join(" and ")))
    };
    match channel {
        Channel::AreasIdle => with("the idle readings", gaps(court, idle, pair, Shown::Judged)),
        Channel::AreasOffIdle => with(
            "the readings off idle",
            gaps(court, off, pair, Shown::Judged),
        ),
        Channel::Level => "how the through-areas grow from idle to hold".to_owned(),
        Channel::Volts => match (
            court.model.profile.sensor,
            points
                .iter()
                .find_map(|p| p.at_stop().then_some(p.sensor_v).flatten()),
        ) {
            (Some(s), Some(v)) => format!(
                "the raw sensor volts at idle ({v:.3} V, {:.3} V on record)",
                s.volts_at_stop
            ),
            _ => "the raw sensor volts".to_owned(),
        },
        Channel::Valve => {
            let steps: Vec<String> = points
                .iter()
                .filter(|p| p.steps_read)
                .filter_map(|p| p.steps)
                .map(|s| format!("{s:.0}"))
                .collect();
            with(
                "where the idle valve stands at idle",
                listed(steps, " steps"),
            )
        }
        Channel::Speed => {
            let rpm: Vec<String> = points
                .iter()
                .filter(|p| p.at_stop() && p.rpm_read)
                .map(|p| format!("{:.0}", p.rpm))
                .collect();
            let meant = court.model.profile.engine.idle_rpm;
            with(
                "the idle speed",
                listed(rpm, &format!(" rpm where {meant:.0} is meant")),
            )
        }
        Channel::Gauges | Channel::Prior => with(
            "the gauge readings",
            gaps(court, points, pair, Shown::Gauges),
        ),
        Channel::Sensors => {
            let [first, second] = pair.map(|b| &court.model.profile.bodies()[b]);
            let differ: Vec<String> = points
                .iter()
                .filter_map(|p| p.recorded_kpa.as_ref())
                .map(|d| format!("{:+.1}", d[pair[0]] - d[pair[1]]))
                .collect();
            format!(
                "depressions that differ ({first} minus {second}: {} kPa) otherwise than the through-areas ask",
                differ.join(", ")
            )
        }
    }
}

/// Bodies to compare in words: the driven plate with the one that drives it, the body a fault sits on
/// with another; on a twin always first and second.
fn compared(court: &Court<'_>, fault: Fault) -> [usize; 2] {
    if court.model.space.bodies < 3 {
        return [0, 1];
    }
    let coupling = fault.coupling.map(|c| &court.model.profile.couplings[c]);
    match (coupling, fault.body) {
        (Some(c), _) => [c.driven[0], c.driver],
        (None, Some(b)) => [b, usize::from(b == 0)],
        (None, None) => [0, 1],
    }
}

/// Which values of a reading are shown.
#[derive(Clone, Copy, PartialEq)]
enum Shown {
    /// Areas where they were read, else depressions.
    Judged,
    /// Depressions, also where areas were read.
    Depressions,
    /// Depressions of the gauges.
    Gauges,
}

/// Differences that are left out as nothing [mm2, kPa]: gauges repeat to 0.3 kPa (common practice, no source), 0.1 mm2 is as
/// much at idle (filling model).
pub(crate) const NOTHING: (f64, f64) = (0.1, 0.25);

/// Size over [`NOTHING`] from which a difference is called far apart; assumed.
const FAR_APART: f64 = 2.0;

/// Repeatability of the closed sensor, the wider end of 5 to 10 mV over snaps [V]; common practice, no source.
const CLOSED_V: f64 = 0.010;

/// Places of the hot idle valve in its travel that are usual; from memory.
const USUAL_PLACE: std::ops::RangeInclusive<f64> = 0.2..=0.4;

/// Most differences that are listed: the largest.
const MOST_LISTED: usize = 6;

/// Two bodies in each point: area difference or depressions; `None` where nothing is seen between them.
fn gaps<'a>(
    court: &Court<'_>,
    points: impl IntoIterator<Item = &'a Point>,
    pair: [usize; 2],
    shown: Shown,
) -> Option<String> {
    Some(apart(court, points, pair, shown)?.1)
}

/// As [`gaps`], with the size of the largest over [`NOTHING`].
fn apart<'a>(
    court: &Court<'_>,
    points: impl IntoIterator<Item = &'a Point>,
    [first, second]: [usize; 2],
    shown: Shown,
) -> Option<(f64, String)> {
    let names = court.model.profile.bodies();
    let mut all: Vec<(f64, String)> = (points.into_iter())
        .filter_map(|p| {
            let what = match p.condition {
                Condition::IdleBleedsShut => "bleeds shut".to_owned(),
                Condition::Idle => "idle".to_owned(),
                _ => format!("{:.0} rpm", (p.rpm / 50.0).round() * 50.0),
            };
            let what = match p.swapped {
                true => format!("{what} swapped"),
                false => what,
            };
            let area = |b: usize| Some(p.ln_area.get(b)?.as_ref()?.value.exp());
            let areas = area(first).zip(area(second));
            if let (Some((a, b)), Shown::Judged) = (areas, shown) {
                return Some(((a - b) / NOTHING.0, format!("{what} {:+.1} mm2", a - b)));
            }
            let d = match shown {
                Shown::Judged | Shown::Depressions => p.depressions_kpa()?,
                Shown::Gauges => p.gauge_kpa.as_deref()?,
            };
            let gap = d.get(first)? - d.get(second)?;
            Some((gap / NOTHING.1, format!("{what} {gap:+.1} kPa")))
        })
        .filter(|(size, _)| size.abs() >= 1.0)
        .collect();
    let mut sizes: Vec<f64> = all.iter().map(|(size, _)| size.abs()).collect();
    sizes.sort_by(|a, b| b.total_cmp(a));
    let least = sizes.get(MOST_LISTED - 1).copied().unwrap_or(0.0);
    all.retain(|(size, _)| size.abs() >= least);
    let list: Vec<String> = all.into_iter().map(|(_, text)| text).collect();
    let second = names.get(second).filter(|_| !list.is_empty())?;
    let text = format!("{} minus {second}: {}", names[first], list.join(", "));
    Some((sizes.first().copied()?, text))
}

/// What speaks for unequal bleeds: their turns, or what was read at idle.
fn bleed_words(court: &Court<'_>) -> String {
    let shown = || seen(court, Channel::AreasIdle, [0, 1]);
    if court.evidence.bleeds_assumed {
        return format!(
            "the turns of the bleeds were not noted; unequal ones would explain {}",
            shown()
        );
    }
    let turns = crate::summary::last_turns(court.evidence, court.model.space.bodies);
    let bodies = court.model.profile.bodies().iter().zip(&turns);
    let list: Vec<String> = bodies.map(|(b, t)| format!("{b} {t:.2}")).collect();
    if range(&turns) > ALIKE_TURNS {
        format!(
            "the bleeds stand at unequal turns from their seats ({})",
            list.join(", ")
        )
    } else {
        format!(
            "the bleeds pass unequal air at alike turns from their seats ({}): {}",
            list.join(", "),
            shown()
        )
    }
}

/// Whether the ECU has stored the moved stop as closed.
fn learned_words(court: &Court<'_>, fault: Fault, pro: &mut Vec<String>) {
    use CauseCode::{SensorShifted, StopIn, StopOut, StopsBoth};
    if !matches!(fault.code, StopIn | StopOut | StopsBoth | SensorShifted) {
        return;
    }
    let Some(v) = learned_v(court.model, court.evidence) else {
        return;
    };
    let Some(sensor) = court.model.profile.sensor else {
        return;
    };
    let moved = v - sensor.volts_at_stop;
    if moved.abs() > 2.5 * SENSOR_SD_V {
        pro.push(format!(
            "the ECU takes {v:.3} V as closed, {:+.0} mV from the record: the sensor was zero-learned after \
             something moved",
            1e3 * moved
        ));
    }
}

/// Gauge that is furthest off the recordings of the same readings, if by more than 1 kPa.
fn gauge_off(evidence: &Evidence) -> Option<(usize, f64)> {
    let pairs: Vec<(&Vec<f64>, &Vec<f64>)> = evidence
        .points
        .iter()
        .filter(|p| !p.swapped)
        .filter_map(|p| p.gauge_kpa.as_ref().zip(p.recorded_kpa.as_ref()))
        .collect();
    let bodies = pairs.first()?.0.len();
    (0..bodies)
        .map(|b| {
            let sum: f64 = pairs
                .iter()
                .map(|(gauge, recorded)| gauge[b] - recorded[b])
                .sum();
            (b, sum / pairs.len() as f64)
        })
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
        .filter(|(_, kpa)| kpa.abs() > 1.0)
}

/// Volts the ECU holds as closed: raw volts less what it believes, averaged over the readings.
pub(crate) fn learned_v(model: &Model<'_>, evidence: &Evidence) -> Option<f64> {
    let sensor = model.profile.sensor?;
    let all: Vec<f64> = evidence
        .points
        .iter()
        .filter_map(|p| Some(p.sensor_v? - sensor.volts_per_deg * p.ecu_opening_deg?))
        .collect();
    (!all.is_empty()).then(|| all.iter().sum::<f64>() / all.len() as f64)
}
