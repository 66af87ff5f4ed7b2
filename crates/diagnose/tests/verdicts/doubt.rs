//! What keeps an answer from being given: readings that contradict each other, their notes or what was found by hand.

use evenpull_diagnose::{Assessment, CauseCode, ReadingKind};

use crate::bench::{PutIn, gauges, make};
use crate::{leading, turns_nothing};

const ZEROED: &str = "[checks]\ngauges_zeroed = true\n";

fn reading(condition: &str, [left, right]: [f64; 2], more: &str) -> String {
    format!(
        "[[reading]]\ncondition = \"{condition}\"\n\
         gauge = {{ left = {left:.1}, right = {right:.1}, unit = \"kPa\" }}\n{more}\n"
    )
}

fn says(a: &Assessment, code: &str) -> bool {
    a.notices.iter().any(|n| n.code == code)
}

/// With bleeds shut the idle is even; at hold, turns not noted, the bodies are 4.8 kPa apart.
#[test]
fn a_difference_at_hold_is_not_called_even_for_want_of_turns() {
    let shut = reading("idle-bleeds-shut", [40.0, 40.2], "");
    let apart = gauges(
        0,
        &(ZEROED.to_owned() + &shut + &reading("hold", [38.0, 42.8], "")),
    );
    let a = apart.assess();
    assert!(a.undetermined, "{:?}", a.causes);
    assert_ne!(leading(&a).0, [CauseCode::None], "{:?}", a.causes);
    turns_nothing(&a);
    let even = gauges(
        0,
        &(ZEROED.to_owned() + &shut + &reading("hold", [42.0, 42.1], "")),
    );
    assert_eq!(leading(&even.assess()).0, [CauseCode::None]);
}

#[test]
fn a_turn_noted_the_wrong_way_round_is_asked_about() {
    let turned = |noted: f64, deg_per_turn: f64| {
        let made = make(&PutIn {
            link_deg: 0.5,
            then_turned: Some((noted, deg_per_turn)),
            ..PutIn::default()
        });
        made.assess()
    };
    let right = turned(-0.55, 0.9);
    assert!(!says(&right, "model-misfit"), "{:?}", right.notices);
    let wrong = turned(0.55, -0.9);
    let said = wrong.notices.iter().find(|n| n.code == "model-misfit");
    let said = &said.expect("a doubt").text;
    assert!(said.contains("sign of turns"), "{said}");
    assert!(wrong.undetermined);
    turns_nothing(&wrong);
}

/// One gauge reading after a turn that was noted the wrong way round is at odds with all the others.
#[test]
fn a_single_reading_that_fits_no_other_is_named() {
    let noted = |turns: f64| {
        let mut made = make(&PutIn {
            link_deg: 0.8,
            checks: "gauges_zeroed = true".to_owned(),
            then_turned: Some((turns, 0.9)),
            ..PutIn::default()
        });
        let mut hold = made.job.readings[13].clone();
        hold.adjusted = made.job.readings[7].adjusted.clone();
        (hold.recording, hold.sensor_v, hold.ecu_opening_deg) = (None, None, None);
        hold.rpm = Some(3_800.0);
        hold.gauge = Some(evenpull_job::GaugeReading {
            depression_kpa: evenpull_job::PerBody::new(vec![Some(43.0), Some(43.1)]),
            unit: evenpull_airflow::PressureUnit::KPa,
        });
        made.job.readings.truncate(7);
        made.cycles.truncate(7);
        made.job.readings.push(hold);
        made.cycles.push(None);
        made.assess()
    };
    let right = noted(-0.89);
    assert!(!right.undetermined, "{:?}", right.notices);
    let wrong = noted(0.89);
    let said = wrong.notices.iter().find(|n| n.code == "model-misfit");
    let said = &said.expect("a doubt").text;
    assert!(said.contains("without reading 8"), "{said}");
    assert!(wrong.undetermined);
    turns_nothing(&wrong);
}

/// The balance was turned after the idle was read: what the bleeds have to level is not known.
#[test]
fn bleeds_wait_for_an_idle_after_the_balance() {
    let of_bleed = |a: &Assessment| a.advice.iter().any(|s| s.adjuster.starts_with("bleed."));
    let mut made = make(&PutIn {
        link_deg: 0.5,
        ln_bleed: [0.3, -0.3],
        then_turned: Some((-0.55, 0.9)),
        ..PutIn::default()
    });
    let fresh = made.assess();
    assert!(of_bleed(&fresh), "{:?}", fresh.advice);
    // Of the readings after the turn the hold alone is left.
    let turned = made.job.readings[7].adjusted.clone();
    made.job.readings.drain(7..13);
    made.cycles.drain(7..13);
    made.job.readings[7].adjusted = turned;
    let stale = made.assess();
    assert!(!of_bleed(&stale), "{:?}", stale.advice);
    let again = |s: &evenpull_diagnose::Advice| s.way.contains("read the idle again");
    assert!(stale.advice.iter().any(again), "{:?}", stale.advice);
}

#[test]
fn one_opening_settles_nothing() {
    let turns = "bleed_turns = { left = 0.5, right = 0.5 }";
    let a = gauges(
        0,
        &(ZEROED.to_owned() + &reading("hold", [38.0, 44.0], turns)),
    )
    .assess();
    assert!(a.undetermined, "{:?}", a.causes);
    assert!(a.next_reading.is_some());
}

/// A cause that leads by far is no verdict while the engine is cold: the answer says so in its own words.
#[test]
fn what_holds_a_leading_cause_open_is_told() {
    let even = |engine_c: f64| {
        let more = format!("bleed_turns = {{ left = 0.5, right = 0.5 }}\nengine_c = {engine_c:.0}");
        let seals = "[seals]\n\"stop.left\" = \"intact\"\n\"stop.right\" = \"intact\"\n";
        let lines = ZEROED.to_owned()
            + seals
            + &reading("idle-bleeds-shut", [43.0, 43.1], "")
            + &reading("idle", [42.0, 42.1], &more)
            + &reading("hold", [42.0, 42.1], &more);
        gauges(0, &lines).assess()
    };
    let cold = even(25.0);
    assert!(
        cold.undetermined && cold.causes[0].probability > 0.7,
        "{:?}",
        cold.causes
    );
    assert_eq!(cold.held_open, ["the engine was not warm"]);
    let warm = even(80.0);
    assert!(!warm.undetermined && warm.held_open.is_empty());
}

#[test]
fn numbers_that_cannot_be_are_asked_about() {
    let turns = "bleed_turns = { left = 0.5, right = 0.5 }";
    let settled = |idle: &str, hold: &str| {
        let lines = ZEROED.to_owned()
            + &reading("idle", [42.0, 42.1], &format!("{turns}\n{idle}"))
            + &reading("hold", [42.0, 42.1], &format!("{turns}\n{hold}"));
        gauges(0, &lines).assess()
    };
    let plain = settled("rpm = 1250\nengine_c = 80", "rpm = 3750\nengine_c = 82");
    assert!(plain.notices.is_empty(), "{:?}", plain.notices);
    let fast = settled("rpm = 3750", "rpm = 3750");
    assert!(fast.undetermined && says(&fast, "speed-unlike-condition"));
    let slow = settled("rpm = 1250", "rpm = 1250");
    assert!(slow.undetermined && says(&slow, "speed-unlike-condition"));
    let cold = settled("engine_c = 22", "engine_c = 25");
    assert!(cold.undetermined && says(&cold, "engine-cold"));
    let lines = |kpa: f64| {
        ZEROED.to_owned()
            + &reading("idle", [kpa, kpa], turns)
            + &reading("hold", [kpa, kpa], turns)
    };
    // 42 mbar written as 4.2 kPa, and an absolute pressure.
    for kpa in [4.2, 80.0] {
        let a = gauges(0, &lines(kpa)).assess();
        assert!(
            a.undetermined && says(&a, "depression-unusual"),
            "{kpa}: {:?}",
            a.notices
        );
    }
}

#[test]
fn a_stub_that_reacts_to_the_spray_is_not_called_even() {
    let found = |checks: &str| {
        let lines = format!("[checks]\ngauges_zeroed = true\n{checks}\n")
            + &reading(
                "idle",
                [42.0, 42.1],
                "bleed_turns = { left = 0.5, right = 0.5 }",
            )
            + &reading(
                "hold",
                [42.0, 42.1],
                "bleed_turns = { left = 0.5, right = 0.5 }",
            );
        gauges(0, &lines).assess()
    };
    let reacts = found("stub_spray = { left = \"change\", right = \"no change\" }");
    assert!(
        reacts.undetermined && says(&reacts, "stub-reacts"),
        "{:?}",
        reacts.notices
    );
    let quiet = found("stub_spray = { left = \"no change\", right = \"no change\" }");
    assert!(!says(&quiet, "stub-reacts"), "{:?}", quiet.notices);
}

/// One column under both names: the bodies are told apart by nothing.
#[test]
fn one_trace_under_two_names_is_left_out() {
    let mut made = make(&PutIn::default());
    for cycle in made.cycles.iter_mut().flatten() {
        let trace = cycle.channels[0].cycle.clone();
        let kpa = cycle.channels[0].mean_depression_kpa;
        cycle.channels[1].cycle = trace;
        cycle.channels[1].mean_depression_kpa = kpa;
    }
    let a = made.assess();
    assert!(a.undetermined && says(&a, "same-trace"), "{:?}", a.notices);
}

/// A gauge that reads high does so at idle as well: a triple that is even at idle and whose middle body pulls more at
/// hold alone was not read by a wrong gauge.
#[test]
fn a_difference_at_hold_alone_is_no_gauge_that_reads_wrong() {
    let read = |condition: &str, rpm: f64, [one, two, three]: [f64; 3]| {
        format!(
            "[[reading]]\ncondition = \"{condition}\"\nrpm = {rpm}\n\
             gauge = {{ 1 = {one:.1}, 2 = {two:.1}, 3 = {three:.1}, unit = \"kPa\" }}\n"
        )
    };
    for hold in [[42.0, 45.0, 42.0], [42.0, 42.0, 39.0]] {
        let lines = ZEROED.to_owned()
            + &read("idle-bleeds-shut", 1250.0, [42.0, 42.0, 42.1])
            + &read("idle", 1250.0, [42.0, 42.1, 42.0])
            + "bleed_turns = { 1 = 0.5, 2 = 0.5, 3 = 0.5 }\n"
            + &read("hold", 3750.0, hold);
        let a = gauges(3, &lines).assess();
        assert!(a.undetermined, "{hold:?}: {:?}", a.causes);
        turns_nothing(&a);
        let named = a.causes.iter().find(|c| c.code == CauseCode::GaugeFault);
        if let Some(said) = named.map(|c| &c.evidence_against) {
            assert!(
                said.iter().any(|t| t.contains("at idle as well")),
                "{said:?}"
            );
        }
        // No share beside an open verdict without the word on what holds it open.
        if a.causes[0].probability > 0.7 {
            assert!(
                a.held_open[0].contains("at idle as well"),
                "{:?}",
                a.held_open
            );
        }
        // An exchange of the gauges tells; it may still be a kinked hose or a slip of the pen.
        assert_eq!(
            a.next_reading.expect("a reading").kind,
            ReadingKind::SwapGauges
        );
    }
}

/// The same gauge reading high at idle and at hold is not held back.
#[test]
fn a_gauge_that_reads_high_everywhere_is_named() {
    let read = |condition: &str, more: &str| {
        format!(
            "[[reading]]\ncondition = \"{condition}\"\n{more}\n\
             gauge = {{ 1 = 42.0, 2 = 47.0, 3 = 42.1, unit = \"kPa\" }}\n"
        )
    };
    let turns = "bleed_turns = { 1 = 0.5, 2 = 0.5, 3 = 0.5 }";
    let lines = ZEROED.to_owned()
        + &read("idle-bleeds-shut", "")
        + &read("idle", turns)
        + &read("sweep", "rpm = 2500")
        + &read("hold", "rpm = 3750");
    let a = gauges(3, &lines).assess();
    assert_eq!(
        leading(&a),
        (vec![CauseCode::GaugeFault], Some("2")),
        "{:?}",
        a.causes
    );
    assert!(!a.undetermined, "{:?}", a.causes);
}

fn all_evidence(a: &Assessment) -> Vec<&String> {
    a.causes
        .iter()
        .flat_map(|c| c.evidence_for.iter().chain(&c.evidence_against))
        .collect()
}

/// A stop that carries both plates leaves them alike: what speaks for it are volts and idle valve, not 0.1 mm2.
#[test]
fn evidence_says_what_was_seen_and_no_numbers_that_are_nothing() {
    let stop = make(&PutIn {
        stop_deg: [0.5, 0.0],
        seals: "\"stop.left\" = \"disturbed\"\n".to_owned(),
        ..PutIn::default()
    });
    let a = stop.assess();
    assert!(leading(&a).0.contains(&CauseCode::StopIn), "{:?}", a.causes);
    let said = &a.causes[0].evidence_for;
    assert!(
        said.iter().any(|t| t.contains("raw sensor volts")),
        "{said:?}"
    );
    for text in all_evidence(&a) {
        let nothing = ["+0.0", "-0.0", "(none)", "( steps)"];
        assert!(nothing.iter().all(|n| !text.contains(n)), "{text}");
    }
    assert!(said.iter().all(|t| !t.contains("so far apart")), "{said:?}");
}

#[test]
fn an_even_idle_is_called_even() {
    let a = make(&PutIn::default()).assess();
    assert_eq!(a.causes[0].evidence_for, ["the idle readings are even"]);
}

/// Four kilopascal between two bodies on one shaft: sound or not, nobody calls that what a sound machine shows.
#[test]
fn a_sound_machine_is_not_said_to_explain_what_few_of_them_show() {
    let turns = "bleed_turns = { left = 0.5, right = 0.5 }";
    let lines = ZEROED.to_owned()
        + &reading("idle", [40.0, 36.0], turns)
        + &reading("hold", [42.0, 40.0], turns);
    let a = gauges(5, &lines).assess();
    let sound = a.causes.iter().find(|c| c.code == CauseCode::None);
    let sound = sound.expect("a sound machine is thought of");
    assert!(sound.evidence_for.is_empty(), "{sound:?}");
    assert!(
        sound.evidence_against[0].contains("idle +4.0 kPa"),
        "{sound:?}"
    );
}

/// Broken seals alone say that screws may have been turned; nothing that was read says that they were.
#[test]
fn stops_moved_alike_need_a_second_sign_beside_their_seals() {
    let read = |condition: &str, more: &str| {
        format!(
            "[[reading]]\ncondition = \"{condition}\"\n{more}\n\
             gauge = {{ 1 = 42.0, 2 = 42.1, 3 = 42.0, unit = \"kPa\" }}\n"
        )
    };
    let seals: String = (1..=3)
        .map(|b| format!("\"stop.{b}\" = \"disturbed\"\n"))
        .collect();
    let assessed = |more: &str| {
        let lines = ZEROED.to_owned()
            + &format!("[seals]\n{seals}")
            + &read("idle-bleeds-shut", more)
            + &read(
                "idle",
                &format!("bleed_turns = {{ 1 = 0.5, 2 = 0.5, 3 = 0.5 }}\n{more}"),
            )
            + &read("hold", "rpm = 3750");
        gauges(3, &lines).assess()
    };
    let alone = assessed("");
    assert!(alone.causes[0].members.contains(&CauseCode::StopsBoth));
    assert!(alone.undetermined, "{:?}", alone.causes);
    assert!(
        alone.held_open[0].contains("one sign alone"),
        "{:?}",
        alone.held_open
    );
    let next = alone.next_reading.expect("a reading");
    assert!(
        next.what.contains("raw volts") && next.what.contains("steps"),
        "{next:?}"
    );
    // 0.6 degree of three plates: the volts, and the idle valve that makes up for the air.
    let seen = assessed("sensor_v = 0.584\nidle_valve_steps = 10");
    assert!(
        seen.causes[0].members.contains(&CauseCode::StopsBoth),
        "{:?}",
        seen.causes
    );
    assert!(!seen.undetermined, "{:?} {:?}", seen.held_open, seen.causes);
    // Which of them moved is told by the link; the seals are noted already.
    let next = seen.next_reading.expect("a reading");
    assert_eq!(next.kind, ReadingKind::LinkOff);
    assert!(next.what.starts_with("take the link off"), "{next:?}");
}

/// Volts that are off tell of a sensor or of a stop; the air tells which.
#[test]
fn volts_alone_do_not_settle_on_the_sensor() {
    let assessed = |more: &str| {
        let turns =
            format!("bleed_turns = {{ left = 0.5, right = 0.5 }}\nsensor_v = 0.700\n{more}");
        let lines = ZEROED.to_owned()
            + &reading("idle", [42.0, 42.1], &turns)
            + &reading("hold", [42.0, 42.1], "");
        gauges(0, &lines).assess()
    };
    let alone = assessed("");
    assert_eq!(leading(&alone).0, [CauseCode::SensorShifted]);
    assert!(alone.undetermined && alone.held_open[0].contains("volts alone"));
    let air_right = assessed("idle_valve_steps = 60");
    assert_eq!(leading(&air_right).0, [CauseCode::SensorShifted]);
    assert!(!air_right.undetermined, "{:?}", air_right.held_open);
}

/// Two idles of one state, 2 kPa apart in what the gauges differ: no machine and no pair of gauges that repeats.
#[test]
fn gauges_that_do_not_repeat_are_told() {
    let turns = "rpm = 1250\nbleed_turns = { left = 0.5, right = 0.5 }";
    let read = |second: [f64; 2], more: &str| {
        let lines = ZEROED.to_owned()
            + &reading("idle", [42.0, 41.0], turns)
            + &reading("idle", second, &format!("{turns}\n{more}"))
            + &reading("hold", [42.0, 41.0], "rpm = 3750");
        gauges(0, &lines).assess()
    };
    let apart = read([43.0, 40.0], "");
    let said = apart
        .notices
        .iter()
        .find(|n| n.code == "gauges-not-repeated");
    let said = &said.expect("a remark").text;
    assert!(
        said.contains("readings 1 and 2") && said.contains("by 2.0 kPa"),
        "{said}"
    );
    assert!(!says(&read([43.0, 42.6], ""), "gauges-not-repeated"));
    // Something was turned, or the hoses were exchanged: another state.
    let turned = "adjusted = [{ adjuster = \"balance screw\", turns = 0.25 }]";
    assert!(!says(&read([43.0, 40.0], turned), "gauges-not-repeated"));
    assert!(!says(
        &read([43.0, 40.0], "swapped = true"),
        "gauges-not-repeated"
    ));
}

/// Exchanged already: what is left to do is to find the one that is off.
#[test]
fn gauges_that_were_exchanged_are_not_exchanged_again() {
    let turns = "bleed_turns = { left = 0.5, right = 0.5 }";
    let lines = ZEROED.to_owned()
        + &reading("idle", [44.0, 40.0], turns)
        + &reading("idle", [40.1, 43.9], &format!("swapped = true\n{turns}"))
        + &reading("hold", [44.0, 40.2], turns);
    let a = gauges(0, &lines).assess();
    assert_eq!(leading(&a).0, [CauseCode::GaugeFault]);
    let step = &a.advice[0];
    assert_eq!(step.adjuster, "gauges");
    assert!(
        !step.way.contains("swap") && step.way.contains("one port"),
        "{step:?}"
    );
    let said = &a.causes[0].evidence_for;
    assert!(
        said.iter().any(|t| t.contains("idle swapped -3.8 kPa")),
        "{said:?}"
    );
}

/// Lambda alone is one sign; what may be the second is asked for, and no seal.
#[test]
fn the_second_sign_of_a_cause_beside_the_areas_is_asked_for() {
    let turns = "bleed_turns = { left = 0.5, right = 0.5 }";
    let lines = ZEROED.to_owned()
        + &reading("idle-bleeds-shut", [42.0, 42.2], "")
        + &reading("idle", [41.0, 41.1], turns)
        + &reading(
            "hold",
            [42.0, 42.2],
            "lambda = { left = 0.92, right = 1.09 }",
        );
    let a = gauges(0, &lines).assess();
    assert!(
        a.undetermined && a.held_open[0].contains("one sign alone"),
        "{:?}",
        a.causes
    );
    assert!(a.causes[0].members.contains(&CauseCode::SparkWeak));
    assert_eq!(
        a.next_reading.expect("a reading").kind,
        ReadingKind::SwapIgnition
    );
}
