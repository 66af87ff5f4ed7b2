use super::*;
use crate::Job;

const PROFILE: &str = include_str!("../../../../examples/jobs/stub-leak/profile.toml");
const LEAK: &str = include_str!("../../../../examples/jobs/stub-leak/job.toml");

fn profile() -> Profile {
    Profile::from_toml("profile.toml", PROFILE).unwrap()
}

fn states(text: &str, measured: &[MeasuredReading]) -> Vec<GateState> {
    let profile = profile();
    let job = Job::from_toml("job.toml", text, &profile).unwrap();
    let checks = evaluate_gates(&profile, &job, measured);
    assert_eq!(
        checks.iter().map(|c| c.step).collect::<Vec<_>>(),
        Step::ALL,
        "every step once, in order"
    );
    checks.into_iter().map(|c| c.state).collect()
}

fn state(states: &[GateState], step: Step) -> &GateState {
    &states[step.number() - 1]
}

#[test]
fn gates_of_an_open_job_from_typed_values() {
    let s = states(LEAK, &[]);
    assert!(matches!(
        state(&s, Step::ClearancesCold),
        GateState::NotShown(_)
    ));
    assert!(matches!(state(&s, Step::WarmUp), GateState::Met(_)));
    assert!(matches!(state(&s, Step::BleedsShut), GateState::Met(_)));
    // Speed is in the recordings only.
    assert!(matches!(state(&s, Step::HoldBand), GateState::NotShown(_)));
    // 37.3 and 34.0 kPa at hold.
    let GateState::NotMet(text) = state(&s, Step::BalanceAdjuster) else {
        panic!("{s:?}");
    };
    assert!(text.contains("3.3 kPa"), "{text}");
}

#[test]
fn measured_speed_opens_or_shuts_the_hold_gate() {
    let at = |rpm| {
        let mut m = vec![MeasuredReading::default(); 7];
        m[6].rpm = Some(rpm);
        m
    };
    let s = states(LEAK, &at(3800.0));
    assert!(matches!(state(&s, Step::HoldBand), GateState::Met(t) if t.contains("3800")));
    let s = states(LEAK, &at(3100.0));
    assert!(matches!(state(&s, Step::HoldBand), GateState::NotMet(t) if t.contains("3100")));
}

#[test]
fn a_cold_reading_and_a_tight_valve_shut_their_gates() {
    let cold = LEAK.replacen("engine_c = 82", "engine_c = 41", 1);
    let s = states(&cold, &[]);
    assert!(
        matches!(state(&s, Step::WarmUp), GateState::NotMet(t) if t.contains("reading 2 at 41 C"))
    );
    let with = |inlet: &str| {
        LEAK.replace(
            "[layout]\n",
            &format!(
                "[checks]\nclearances.left = {{ inlet_mm = {inlet}, exhaust_mm = 0.15 }}\n\
                 clearances.right = {{ inlet_mm = 0.10, exhaust_mm = 0.15 }}\n[layout]\n"
            ),
        )
    };
    let s = states(&with("0.10"), &[]);
    assert!(matches!(state(&s, Step::ClearancesCold), GateState::Met(_)));
    let s = states(&with("0.04"), &[]);
    assert!(
        matches!(state(&s, Step::ClearancesCold), GateState::NotMet(t) if t.contains("left inlet 0.04 mm"))
    );
}

#[test]
fn sealed_parts_need_the_baseline_stage_and_a_reason() {
    let profile = profile();
    let stop = profile.adjuster("stop.left").unwrap();
    let screw = profile.adjuster("balance screw").unwrap();
    assert!(permit(&screw, Stage::Tune, None).is_ok());
    assert!(permit(&stop, Stage::Tune, None).is_err());
    assert!(permit(&stop, Stage::Baseline, None).is_err());
    assert_eq!(
        Override::new("just because").unwrap_err(),
        Refusal::ReasonTooShort {
            words: 2,
            needed: 4
        }
    );
    let reason = Override::new("seal broken by former owner, idle at 2000").unwrap();
    assert!(permit(&stop, Stage::Baseline, Some(&reason)).is_ok());
    assert!(permit(&stop, Stage::Tune, Some(&reason)).is_err());
}

#[test]
fn the_order_is_the_trades_order() {
    let numbers: Vec<usize> = Step::ALL.iter().map(|s| s.number()).collect();
    assert_eq!(numbers, (1..=10).collect::<Vec<_>>());
    let profile = profile();
    assert!(Step::HoldBand.action(&profile).contains("3500 to 4000 rpm"));
    assert!(Step::WarmUp.action(&profile).contains("60 C"));
}

#[test]
fn words_of_records_lead_back_to_their_step_and_stage() {
    for step in Step::ALL {
        assert_eq!(Step::from_word(step.as_str()), Some(step));
    }
    for stage in Stage::ALL {
        assert_eq!(Stage::from_word(stage.as_str()), Some(stage));
    }
    assert_eq!(Step::from_word("lunch"), None);
}

/// One shaft carries all plates: there is no adjuster to wait for, whatever the difference.
#[test]
fn a_machine_without_an_adjuster_has_nothing_to_balance() {
    let shaft = crate::builtin()
        .iter()
        .find(|b| b.id == "bunting-shaft")
        .unwrap();
    let profile = Profile::from_toml("profile.toml", shaft.toml).unwrap();
    let text = "format = \"evenpull.job/1\"\nprofile = \"profile.toml\"\n[[reading]]\ncondition = \"hold\"\n\
                gauge = { left = 42, right = 38, unit = \"kPa\" }\n";
    let job = Job::from_toml("job.toml", text, &profile).unwrap();
    let checks = evaluate_gates(&profile, &job, &[]);
    let balance = &checks[Step::BalanceAdjuster.number() - 1].state;
    assert!(
        matches!(balance, GateState::Met(t) if t.contains("no balance adjuster")),
        "{balance:?}"
    );
}
