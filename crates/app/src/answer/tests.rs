use evenpull_diagnose::{
    Advice, Baseline, BodyFinding, Cause, Difference, Fuelling, MeanCycle, NextReading,
    ReadingKind, ZeroEffect,
};

use super::*;

fn i(value: f64) -> Interval {
    Interval {
        value,
        lo90: value - 1.0,
        hi90: value + 1.0,
    }
}

fn cycle() -> CycleReading {
    CycleReading {
        rpm: Measured {
            value: 1250.0,
            sd: 0.5,
        },
        rpm_scatter: 3.0,
        cycles: 60,
        channels: vec![ChannelReading {
            body: "left".to_owned(),
            mean_depression_kpa: 40.0,
            lowest_kpa: f64::NAN,
            refill_rate_per_s: Measured {
                value: 10.0,
                sd: 0.01,
            },
            through_area_mm2: Some(Scaled {
                value: 8.0,
                sd: 0.01,
                scale_sd: 0.9,
            }),
            drawn_air_mg: None,
            zero: ZeroEffect::default(),
            misfit: 1.0,
            cycle: MeanCycle::default(),
        }],
        traces_on: vec![0],
        notices: vec![Notice::new("few-cycles", "record longer")],
    }
}

fn assessment() -> Assessment {
    let reading = |cycle, gauge_kpa| ReadingResult {
        label: String::new(),
        condition: "hold".to_owned(),
        cycle,
        gauge_kpa,
        spread: None,
        model_area_mm2: Vec::new(),
        plate_deg: None,
    };
    Assessment {
        machine: "m".to_owned(),
        profile: "p".to_owned(),
        body_names: vec!["left".to_owned(), "right".to_owned()],
        good_kpa: 1.0,
        act_kpa: 2.5,
        readings: vec![
            reading(Some(cycle()), None),
            reading(None, Some(vec![33.0, 34.0])),
        ],
        bodies: vec![BodyFinding {
            body: "left".to_owned(),
            offset_deg: i(0.1),
            leak_mm2: i(0.2),
            bleed_mm2: i(0.3),
        }],
        difference: Some(Difference {
            offset_deg: i(0.1),
            leak_mm2: i(f64::NAN),
        }),
        causes: vec![Cause {
            code: CauseCode::StubLeak,
            members: vec![CauseCode::StubLeak, CauseCode::SpindleWear],
            body: Some("left".to_owned()),
            probability: 0.9,
            evidence_for: vec!["a".to_owned()],
            evidence_against: vec!["b".to_owned()],
        }],
        undetermined: false,
        held_open: Vec::new(),
        next_reading: Some(NextReading {
            kind: ReadingKind::SprayStub,
            gain_nat: 0.4,
            what: "w".to_owned(),
            why: "y".to_owned(),
            minutes: 2.0,
        }),
        readings_to_come: Vec::new(),
        doubt_nat: 0.0,
        advice: vec![Advice {
            adjuster: "balance screw".to_owned(),
            turns: Some(i(0.25)),
            way: "in".to_owned(),
            predicted_spread: Some(0.01),
            gate: "g".to_owned(),
            why: "y".to_owned(),
        }],
        leave_sealed: vec!["stop.left".to_owned()],
        baseline: Some(Baseline {
            stop_v: i(0.556),
            idle_valve_steps: None,
            idle_depression_kpa: None,
            bodies: Vec::new(),
            signs: Vec::new(),
            sure: true,
            verify: Vec::new(),
            give_up: Vec::new(),
        }),
        fuelling: vec![Fuelling {
            body: "left".to_owned(),
            opening_deg: 2.0,
            rpm: 1250.0,
            air_error_percent: i(20.0),
        }],
        sampled: Some(Sampled {
            sampling: Sampling::Full,
            hypotheses: 2,
            share: 0.99,
            chains: 4,
            draws: 500,
            worst_r_hat: Some(1.004),
            least_ess: Some(812.0),
            divergences: 3,
            fell_back: 0,
        }),
        mixture_words: vec!["left runs lean".to_owned()],
        notices: Vec::new(),
    }
}

fn keys(v: &serde_json::Value) -> Vec<&str> {
    let mut keys: Vec<&str> = v.as_object().unwrap().keys().map(String::as_str).collect();
    keys.sort_unstable();
    keys
}

#[test]
fn read_answer_has_the_contracts_keys() {
    let v = serde_json::to_value(read_answer(&cycle())).unwrap();
    assert_eq!(keys(&v), ["channels", "cycles", "format", "notices", "rpm"]);
    assert_eq!(v["format"], "evenpull.read/1");
    assert_eq!(v["rpm"]["value"], 1250.0);
    let c = &v["channels"][0];
    assert_eq!(
        keys(c),
        [
            "body",
            "drawn_air_mg",
            "lowest_kpa",
            "mean_depression_kpa",
            "refill_rate_per_s",
            "through_area_mm2"
        ]
    );
    assert_eq!(keys(&c["through_area_mm2"]), ["scale_sd", "sd", "value"]);
    assert_eq!(keys(&c["refill_rate_per_s"]), ["sd", "value"]);
    assert!(c["drawn_air_mg"].is_null(), "absent is null");
    assert!(c["lowest_kpa"].is_null(), "not finite is null");
    assert_eq!(v["notices"][0]["code"], "few-cycles");
}

#[test]
fn assess_answer_has_the_contracts_keys() {
    let v = serde_json::to_value(assess_answer(&assessment(), &[None, Some(3800.0)])).unwrap();
    assert_eq!(
        keys(&v),
        [
            "advice",
            "baseline",
            "bodies",
            "causes",
            "difference",
            "format",
            "fuelling",
            "held_open",
            "leave_sealed",
            "mixture",
            "next_reading",
            "notices",
            "readings",
            "sampling",
            "undetermined"
        ]
    );
    assert_eq!(v["format"], "evenpull.assess/1");
    assert_eq!(v["sampling"]["method"], "chains");
    assert_eq!(v["sampling"]["worst_r_hat"], 1.004);
    assert_eq!(
        keys(&v["sampling"]),
        [
            "chains",
            "divergences",
            "draws",
            "fell_back",
            "hypotheses",
            "least_ess",
            "method",
            "share",
            "worst_r_hat"
        ]
    );
    assert_eq!(
        keys(&v["readings"][0]),
        ["channels", "condition", "cycles", "notices", "rpm"]
    );
    let gauges = &v["readings"][1];
    assert_eq!(gauges["rpm"]["value"], 3800.0);
    assert!(gauges["rpm"]["sd"].is_null(), "typed, so without a scatter");
    assert_eq!(gauges["channels"][1]["mean_depression_kpa"], 34.0);
    assert!(gauges["channels"][1]["through_area_mm2"].is_null());
    let cause = &v["causes"][0];
    assert_eq!(
        keys(cause),
        ["against", "body", "code", "for", "members", "probability"]
    );
    assert_eq!(cause["members"][1], "spindle-wear");
    assert_eq!(keys(&v["bodies"][0]["leak_mm2"]), ["hi90", "lo90", "value"]);
    assert!(v["difference"]["leak_mm2"]["value"].is_null());
    assert_eq!(v["advice"][0]["turns"], 0.25);
    assert_eq!(
        keys(&v["advice"][0]),
        ["adjuster", "gate", "predicted_spread", "turns", "way"]
    );
    assert_eq!(v["baseline"]["stop_v"]["value"], 0.556);
    assert_eq!(
        keys(&v["fuelling"][0]),
        ["air_error_percent", "body", "opening_deg", "rpm"]
    );
    assert_eq!(v["mixture"][0], "left runs lean");
    assert_eq!(keys(&v["next_reading"]), ["minutes", "what", "why"]);
}
