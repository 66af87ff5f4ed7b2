//! A practice engine and what a reading of it needs.

use evenpull_engine::{Basics, Chain, EngineSpec, Quantiser, Setting};
use evenpull_live::{Bleed, Expect, Gates, PracticeSetup, ThrottleSense};
use evenpull_trace::{BodySetup, Setup};

/// A healthy twin at `rate_hz`, two bodies `left` and `right`.
pub(crate) fn practice(rate_hz: f64) -> PracticeSetup {
    engine(&Basics::default(), &["left", "right"], rate_hz)
}

/// An in-line four.
pub(crate) fn four(rate_hz: f64) -> PracticeSetup {
    let basics = Basics {
        displacement_m3: 250e-6,
        intake_start_deg: vec![0.0, 540.0, 180.0, 360.0],
        ..Basics::default()
    };
    engine(&basics, &["1", "2", "3", "4"], rate_hz)
}

fn engine(basics: &Basics, names: &[&str], rate_hz: f64) -> PracticeSetup {
    let spec = EngineSpec::from_basics(basics).unwrap();
    let mut setting = Setting::healthy(&spec, 2.2);
    for body in &mut setting.bodies {
        body.leak_m2 = 0.3e-6;
    }
    let n = names.len();
    PracticeSetup {
        bodies: names.iter().map(|n| (*n).to_owned()).collect(),
        spec,
        setting,
        idle_rpm: 1_250.0,
        idle_steps: 60.0,
        valve_stuck: false,
        inertia_kg_m2: 0.04,
        scatter: 0.06,
        bleeds: vec![
            Bleed {
                turns: 0.5,
                m2_per_turn: 1e-6,
                blocked: false
            };
            n
        ],
        sense: Some(ThrottleSense {
            body: n - 1,
            volts_per_deg: 0.05,
            volts_at_stop: 0.6,
            stop_deg: 2.2,
            shift_v: 0.0,
            learned_v: 0.6,
        }),
        spindle: None,
        chains: vec![
            Chain {
                noise_pa: 40.0,
                quantiser: Quantiser::Step { step_pa: 27.0 },
                ..Chain::IDEAL
            };
            n
        ],
        late_offset_pa: vec![0.0; n],
        crossed: false,
        rate_hz,
        seed: 5,
    }
}

/// What reading that engine at idle needs.
pub(crate) fn idle(setup: &PracticeSetup) -> Expect {
    let basics = Basics::default();
    Expect {
        setup: Setup {
            bodies: setup
                .bodies
                .iter()
                .zip(&setup.spec.cylinders)
                .map(|(body, c)| BodySetup {
                    body: body.clone(),
                    intake_start_deg: c.intake_start_deg,
                    zero_pa: None,
                    hose: None,
                })
                .collect(),
            p0_pa: setup.setting.ambient_pa,
            t0_k: setup.setting.ambient_k,
            runner_m3: basics.runner_m3,
            n: 1.35,
            scale_sd: 0.12,
            inlet_opens_btdc_deg: basics.inlet_opens_btdc_deg,
            inlet_closes_abdc_deg: basics.inlet_closes_abdc_deg,
            zero_sd_pa: 170.0,
            passages_open: false,
        },
        gates: Gates::band(1_150.0, 1_350.0),
        label: "idle".to_owned(),
    }
}
