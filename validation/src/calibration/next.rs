//! The next reading, taken: does it tell as much as was expected of it, and more than another would?

use evenpull_diagnose::{Assessment, NextReading, ReadingKind, assess};
use evenpull_job::Profile;

use super::draw::{Drawn, Source, draw};
use super::fault::Truth;
use super::readings::{Point, SWEEP, take};
use super::tally::names_a_fault;

/// Expected and found, summed over jobs.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Gain {
    /// Readings taken.
    pub taken: u32,
    /// Drop of the entropy over causes expected of them [nat].
    pub expected_nat: f64,
    /// Drop found [nat].
    pub found_nat: f64,
    /// Probability that the true causes had afterwards, summed.
    pub truth: f64,
    /// Jobs in which a right cause then leads and is not left undetermined.
    pub settled: u32,
    /// Shop time [min].
    pub minutes: f64,
}

/// The chosen reading against one picked at random from all worth taking.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Choice {
    /// What was chosen.
    pub chosen: Gain,
    /// What was picked at random.
    pub random: Gain,
}

impl Choice {
    /// Adds the counts of another.
    pub fn merge(&mut self, other: Self) {
        for (own, more) in [
            (&mut self.chosen, other.chosen),
            (&mut self.random, other.random),
        ] {
            own.taken += more.taken;
            own.expected_nat += more.expected_nat;
            own.found_nat += more.found_nat;
            own.truth += more.truth;
            own.settled += more.settled;
            own.minutes += more.minutes;
        }
    }
}

/// Draws the job of one seed; where it is open takes the chosen reading, and in another world one at
/// random.
pub fn add_choice(seed: u64, choice: &mut Choice) {
    let drawn = draw(seed);
    let answer = assess(&drawn.job, &drawn.profile, &drawn.cycles);
    let open: Vec<NextReading> = answer
        .readings_to_come
        .iter()
        .filter(|r| can_be_taken(r.kind, &drawn.profile))
        .cloned()
        .collect();
    let family = answer.causes.first().is_some_and(|c| c.members.len() > 1);
    let put_in = !drawn.truth.faults.is_empty() && drawn.truth.arguable.is_empty();
    if open.len() < 2 || !(answer.undetermined || family) || !put_in {
        return;
    }
    let others = open.len() - 1;
    let mut pick = draw(seed).visit.source;
    let other = &open[1 + pick.pick(&vec![1.0; others])];
    for (gain, reading) in [(&mut choice.chosen, &open[0]), (&mut choice.random, other)] {
        let (after, truth) = taken(draw(seed), reading.kind);
        gain.taken += 1;
        gain.minutes += reading.minutes;
        gain.expected_nat += reading.gain_nat;
        gain.found_nat += answer.doubt_nat - after.doubt_nat;
        gain.truth += truth_probability(&truth, &after);
        let right = after
            .causes
            .first()
            .is_some_and(|c| names_a_fault(&truth, c));
        let alone = after.causes.first().is_some_and(|c| c.members.len() == 1);
        gain.settled += u32::from(right && alone && !after.undetermined);
    }
}

/// Probability of the causes that were put in, the least of them.
fn truth_probability(truth: &Truth, answer: &Assessment) -> f64 {
    truth
        .faults
        .iter()
        .map(|(code, _)| {
            answer
                .causes
                .iter()
                .filter(|c| c.members.contains(code))
                .map(|c| c.probability / c.members.len() as f64)
                .sum::<f64>()
        })
        .fold(1.0, f64::min)
}

fn can_be_taken(kind: ReadingKind, profile: &Profile) -> bool {
    let twin = profile.bodies().len() == 2;
    match kind {
        ReadingKind::SwapGauges | ReadingKind::SwapSensors => twin,
        ReadingKind::BleedsShut
        | ReadingKind::Sweep
        | ReadingKind::PinchIdleValve
        | ReadingKind::RepeatAfterBlips
        | ReadingKind::SprayStub
        | ReadingKind::RockSpindle
        | ReadingKind::LeakDown
        | ReadingKind::Compression
        | ReadingKind::Clearances
        | ReadingKind::LidOff
        | ReadingKind::CableSlack
        | ReadingKind::SlowSensorSweep => true,
        _ => false,
    }
}

/// Takes a further reading and assesses again.
fn taken(mut drawn: Drawn, kind: ReadingKind) -> (Assessment, Truth) {
    let visit = &mut drawn.visit;
    let faults = drawn.truth.faults.clone();
    let (profile, machine) = (&drawn.profile, &visit.machine);
    let source: &mut Source = &mut visit.source;
    let checks = &mut visit.checks;
    let mut points: Vec<Point> = Vec::new();
    match kind {
        ReadingKind::BleedsShut => points.push(Point {
            condition: "idle-bleeds-shut",
            ..Point::IDLE
        }),
        ReadingKind::Sweep => {
            points.extend(SWEEP.map(|(rpm, over)| Point::open("sweep", rpm, over)));
        }
        ReadingKind::SwapGauges | ReadingKind::SwapSensors => points.push(Point {
            swapped: true,
            ..Point::IDLE
        }),
        ReadingKind::PinchIdleValve => points.push(Point {
            pinched: true,
            ..Point::IDLE
        }),
        ReadingKind::RepeatAfterBlips => points.extend([Point::IDLE; 3]),
        ReadingKind::SprayStub => checks.spray_stubs(source, &faults),
        ReadingKind::RockSpindle => checks.rock_spindles(source, &faults),
        ReadingKind::LeakDown => checks.measure_leak_down(source, profile, machine, &faults),
        ReadingKind::Compression => checks.measure_compression(source, profile, machine, &faults),
        ReadingKind::Clearances => checks.measure_clearances(source, profile, machine, &faults),
        ReadingKind::LidOff => checks.take_lid_off(source, profile, machine, &faults),
        ReadingKind::CableSlack => checks.look_at_cable(source, profile, machine, &faults),
        _ => checks.snap_shut(source, profile, machine, &faults),
    }
    if !points.is_empty() {
        let more = take(
            machine,
            &visit.instruments,
            profile,
            visit.taken,
            &points,
            source,
        );
        visit.lines += &more.lines;
        drawn.cycles.extend(more.cycles);
    }
    let job = visit.job(&drawn.profile);
    (assess(&job, &drawn.profile, &drawn.cycles), drawn.truth)
}

/// The counts as printed.
pub fn table(choice: &Choice) -> String {
    let row = |what: &str, g: &Gain| {
        let n = f64::from(g.taken.max(1));
        format!(
            "  {what:<8} {} readings, {:.1} min: expected {:.3} nat, found {:.3} nat; truth {:.2}, settled {:.0} %\n",
            g.taken,
            g.minutes / n,
            g.expected_nat / n,
            g.found_nat / n,
            g.truth / n,
            100.0 * f64::from(g.settled) / n
        )
    };
    format!(
        "the next reading in open jobs\n{}{}",
        row("chosen", &choice.chosen),
        row("random", &choice.random)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use evenpull_diagnose::CauseCode;

    #[test]
    fn the_truth_counts_by_its_least_probable_fault() {
        let drawn = draw(3);
        let answer = assess(&drawn.job, &drawn.profile, &drawn.cycles);
        let mut truth = drawn.truth;
        truth.faults = vec![(CauseCode::CrossedHoses, None)];
        assert_eq!(truth_probability(&truth, &answer), 0.0);
        truth.faults.clear();
        assert_eq!(truth_probability(&truth, &answer), 1.0);
    }
}
