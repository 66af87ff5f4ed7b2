//! Following the practice engine at full speed: no clock, so every run is the same.

use std::time::Instant;

use evenpull_live::{
    Accepted, Block, Expect, Follower, Gates, Missing, PracticeCommand, PracticeEngine,
    PracticeSetup, Screw, StreamHead, Throttle, ZeroError,
};
use evenpull_trace::{LayoutHint, analyse, import};

use crate::made;

/// The engine and its follower.
struct Bench {
    engine: PracticeEngine,
    follower: Follower,
    fresh: bool,
}

impl Bench {
    fn new(setup: PracticeSetup, expect: Expect) -> Self {
        let head = StreamHead {
            channels: setup.bodies.clone(),
            rate_hz: setup.rate_hz,
        };
        let mut follower = Follower::new(expect);
        follower.set_head(head);
        Self {
            engine: PracticeEngine::new(setup).unwrap(),
            follower,
            fresh: true,
        }
    }

    /// Runs for `seconds`; the readings accepted meanwhile.
    fn run(&mut self, seconds: f64) -> Vec<Accepted> {
        let channels = self.engine.setup().bodies.len();
        let mut accepted = Vec::new();
        let mut at = 0.0;
        while at < seconds {
            let mut rows = Vec::new();
            at += self.engine.advance(&mut rows).unwrap();
            for part in rows.chunks(5 * channels) {
                accepted.extend(self.follower.take(&Block {
                    rows: part.to_vec(),
                    channels,
                    lost_before: 0,
                    fresh: std::mem::take(&mut self.fresh),
                    arrived: Instant::now(),
                }));
            }
        }
        accepted
    }

    fn command(&mut self, command: PracticeCommand) {
        self.engine.command(command).unwrap();
    }
}

fn started(setup: PracticeSetup, expect: Expect) -> Bench {
    let mut bench = Bench::new(setup, expect);
    bench.run(1.5);
    bench.follower.take_zero().unwrap();
    bench.command(PracticeCommand::Start);
    bench
}

#[test]
fn a_steady_idle_is_accepted_by_itself_once() {
    let setup = made::practice(1_000.0);
    let expect = made::idle(&setup);
    let mut bench = Bench::new(setup, expect);
    assert!(bench.run(1.5).is_empty());
    assert_eq!(bench.follower.progress().missing, [Missing::NotRunning]);
    bench.follower.take_zero().unwrap();
    bench.command(PracticeCommand::Start);
    let accepted = bench.run(30.0);
    assert_eq!(accepted.len(), 1, "{:?}", bench.follower.progress());
    let reading = &accepted[0].reading;
    assert!(reading.cycles >= 50, "{}", reading.cycles);
    assert!(
        (reading.rpm.value - 1_250.0).abs() < 30.0,
        "{:?}",
        reading.rpm
    );
    assert!(!bench.follower.progress().armed);
}

/// The stored text, read as any file is, gives the answer that was shown.
#[test]
fn the_accepted_recording_read_again_gives_the_same_answer() {
    let setup = made::four(2_000.0);
    let expect = made::idle(&setup);
    let accepted = started(setup, expect).run(30.0).remove(0);
    let bodies = accepted.expect.setup.body_names();
    let hint = LayoutHint::default();
    let recording = import(
        accepted.text.as_bytes(),
        "again",
        &hint,
        &bodies,
        &mut |_| {},
    )
    .unwrap();
    let again = analyse(&recording, &accepted.expect.setup).unwrap();
    // By their text: a value that is not there is NaN, which equals nothing.
    assert_eq!(format!("{:?}", again), format!("{:?}", accepted.reading));
    assert!(again.channels.iter().all(|c| c.through_area_mm2.is_some()));
}

/// Live depressions against the accepted reading: the same cycles, so the same means but for the
/// last second shown against the whole stretch; idle wanders by less than a kilopascal.
#[test]
fn what_is_shown_live_is_what_is_accepted() {
    let setup = made::practice(1_000.0);
    let expect = made::idle(&setup);
    let mut bench = started(setup, expect);
    let accepted = bench.run(30.0).remove(0);
    let bodies = bench.follower.bodies();
    for (now, read) in bodies.iter().zip(&accepted.reading.channels) {
        let shown = now.depression_kpa.unwrap();
        assert!(
            (shown - read.mean_depression_kpa).abs() < 1.0,
            "{shown} {read:?}"
        );
        let area = now.through_area_mm2.unwrap().value;
        let want = read.through_area_mm2.unwrap().value;
        assert!((area / want - 1.0).abs() < 0.1, "{area} {want}");
    }
    let rpm = bench.follower.rpm().unwrap();
    assert!(
        (rpm / accepted.reading.rpm.value - 1.0).abs() < 0.03,
        "{rpm}"
    );
}

#[test]
fn hold_is_another_band_and_a_turned_screw_another_reading() {
    let setup = made::practice(1_000.0);
    let mut expect = made::idle(&setup);
    let mut bench = started(setup, expect.clone());
    assert_eq!(bench.run(20.0).len(), 1);
    expect.gates = Gates::held(3_500.0, 4_000.0);
    bench.follower.set_expect(expect);
    assert!(bench.run(10.0).is_empty());
    let missing = bench.follower.progress().missing;
    assert!(matches!(missing[0], Missing::TooSlow { .. }), "{missing:?}");
    bench.command(PracticeCommand::Throttle(Throttle::Speed(3_750.0)));
    let before = bench.run(25.0);
    assert_eq!(before.len(), 1, "{:?}", bench.follower.progress());
    // Read once the hand has settled, not on its way: within 2 % of the 3,750 it holds.
    let rpm = before[0].reading.rpm.value;
    assert!((rpm / 3_750.0 - 1.0).abs() < 0.02, "{rpm}");
    let balance = Screw::Balance {
        body: 0,
        deg_per_turn: 0.9,
    };
    bench.command(PracticeCommand::Turn(balance, 0.5));
    bench.run(5.0);
    bench.follower.arm();
    let after = bench.run(15.0);
    let difference = |a: &Accepted| {
        let c = &a.reading.channels;
        c[0].mean_depression_kpa - c[1].mean_depression_kpa
    };
    let change = difference(&after[0]) - difference(&before[0]);
    // 0.45 deg at hold: about 0.7 kPa for each 0.1 deg in the prototype, so some 3 kPa.
    assert!(change < -1.5, "{change}");
}

#[test]
fn a_blip_arms_the_next_reading() {
    let setup = made::practice(1_000.0);
    let expect = made::idle(&setup);
    let mut bench = started(setup, expect);
    assert_eq!(bench.run(25.0).len(), 1);
    bench.command(PracticeCommand::Throttle(Throttle::Opening(6.0)));
    bench.run(1.0);
    bench.command(PracticeCommand::Throttle(Throttle::Closed));
    assert_eq!(bench.run(30.0).len(), 1, "{:?}", bench.follower.progress());
}

#[test]
fn the_zero_is_refused_while_the_engine_turns() {
    let setup = made::practice(1_000.0);
    let expect = made::idle(&setup);
    let mut bench = Bench::new(setup, expect);
    assert_eq!(bench.follower.take_zero(), Err(ZeroError::TooFew));
    bench.run(1.5);
    let zeros = bench.follower.take_zero().unwrap();
    // Noise of 40 Pa over a thousand samples, rounded to 27 Pa: 101,325 is 3,752.8 steps.
    assert!(zeros.iter().all(|z| z.abs() < 30.0), "{zeros:?}");
    bench.command(PracticeCommand::Start);
    bench.run(4.0);
    let refused = bench.follower.take_zero();
    assert!(
        matches!(refused, Err(ZeroError::Moving { .. })),
        "{refused:?}"
    );
}

#[test]
fn a_hole_starts_the_count_anew_and_a_few_blanks_do_not() {
    let setup = made::practice(1_000.0);
    let expect = made::idle(&setup);
    let mut bench = started(setup, expect);
    bench.run(10.0);
    bench.follower.arm();
    bench.run(2.0);
    let counted = bench.follower.progress().cycles;
    assert!(counted > 10, "{counted}");
    let row = Block {
        rows: vec![60_000.0, 60_000.0],
        channels: 2,
        lost_before: 2,
        fresh: false,
        arrived: Instant::now(),
    };
    bench.follower.take(&row);
    bench.run(0.3);
    assert!(bench.follower.progress().cycles >= counted);
    bench.follower.take(&Block { fresh: true, ..row });
    assert_eq!(bench.follower.progress().cycles, 0);
    assert_eq!(bench.follower.rpm(), None);
}

/// Whatever arrives, nothing breaks: rows of another width, of nothing, of numbers that are none.
#[test]
fn odd_blocks_do_no_harm() {
    let setup = made::practice(1_000.0);
    let expect = made::idle(&setup);
    let mut bench = started(setup, expect);
    bench.run(5.0);
    for (rows, channels) in [
        (vec![], 0),
        (vec![1.0; 7], 3),
        (vec![f32::NAN; 4_000], 2),
        (vec![f32::INFINITY; 4_000], 2),
        (vec![-1e30; 4_000], 2),
        (vec![1e5; 8], 1),
    ] {
        bench.follower.take(&Block {
            rows,
            channels,
            lost_before: u64::MAX,
            fresh: false,
            arrived: Instant::now(),
        });
        let _ = (bench.follower.bodies(), bench.follower.notices());
    }
    let mut lone = Follower::new(bench.follower.expect().clone());
    lone.set_head(StreamHead {
        channels: vec!["x".to_owned()],
        rate_hz: 1_000.0,
    });
    assert_eq!(lone.notices()[0].code, "channels-by-order");
    assert!(lone.accept_now().is_err());
}
