//! The order of work beside the findings: where something else comes before a screw, the order says so.

use evenpull_diagnose::{Advice, Assessment};
use evenpull_job::{AdjusterKind, GateCheck, GateState, Profile, Step};

/// Puts what the findings say of the balance adjusters and bleeds into the gates of an order.
///
/// A difference over the limit is no reason to turn a screw while a leak is open, a gauge is in doubt or a sealed
/// part was moved: then the step waits, and says for what. A step that is done stays so where the findings only
/// trim what is left.
pub(crate) fn held_against(
    gates: Vec<GateCheck>,
    found: &Assessment,
    profile: &Profile,
) -> Vec<GateCheck> {
    let turned = |kind| first_turn_of(&found.advice, profile, kind);
    let balance = turned(AdjusterKind::Balance);
    let bleed = turned(AdjusterKind::Bleed);
    let good_at_idle = !(gates.iter())
        .any(|g| g.step == Step::OpenBleed && matches!(g.state, GateState::NotMet(_)));
    let one = |check: GateCheck| {
        let own = match check.step {
            Step::BalanceAdjuster => balance,
            Step::OpenBleed => bleed,
            _ => return check,
        };
        if let (Step::OpenBleed, Some(step)) = (check.step, balance) {
            return after_balance(check, step, own.is_some());
        }
        let state = match (check.state, own) {
            (GateState::Met(seen), Some(step)) if good_at_idle => GateState::Met(format!(
                "{seen}; step {step} of what to do only trims what is left"
            )),
            (GateState::Met(seen), Some(step)) => GateState::NotMet(format!(
                "{seen}, but more at idle: see step {step} of what to do"
            )),
            (GateState::NotMet(seen), None) => match comes_first(found) {
                Some(first) => GateState::Waits(format!("{first}; {seen}")),
                None => GateState::NotMet(seen),
            },
            (state, _) => state,
        };
        GateCheck { state, ..check }
    };
    gates.into_iter().map(one).collect()
}

/// Number of the first step that turns an adjuster of a kind, counted from 1.
fn first_turn_of(advice: &[Advice], profile: &Profile, kind: AdjusterKind) -> Option<usize> {
    let turns = |step: &Advice| {
        let adjuster = profile.adjuster(&step.adjuster);
        step.turns.is_some() && adjuster.is_some_and(|a| a.kind == kind)
    };
    Some(advice.iter().position(turns)? + 1)
}

/// The bleeds where step `step` of the advice turns a balance adjuster; `turned`: the advice turns a bleed as well.
fn after_balance(check: GateCheck, step: usize, turned: bool) -> GateCheck {
    let first = format!("first step {step} of what to do, then read the idle again");
    let state = match check.state {
        GateState::NotMet(seen) => GateState::Waits(format!("{first}; {seen}")),
        GateState::Met(seen) if turned => GateState::Waits(format!("{first}; {seen}")),
        state => state,
    };
    GateCheck { state, ..check }
}

/// What comes before a screw that the findings do not turn.
fn comes_first(found: &Assessment) -> Option<String> {
    if let Some(first) = found.advice.first() {
        return Some(format!(
            "first step 1 of what to do ({}), then read again",
            first.adjuster
        ));
    }
    let next = found.next_reading.as_ref().filter(|_| found.undetermined)?;
    Some(format!("first the next reading: {}", next.what))
}

#[cfg(test)]
mod tests {
    use super::*;
    use evenpull_job::{Job, builtin, evaluate_gates};

    /// The order of work beside the findings of gauge readings at idle with bleeds shut, idle and hold.
    fn order(checks: &str, shut: [f64; 2], idle: [f64; 2], hold: [f64; 2]) -> Vec<GateCheck> {
        order_and_findings(checks, shut, idle, hold).0
    }

    fn order_and_findings(
        checks: &str,
        shut: [f64; 2],
        idle: [f64; 2],
        hold: [f64; 2],
    ) -> (Vec<GateCheck>, Assessment) {
        let profile = Profile::from_toml("profile.toml", builtin()[0].toml).unwrap();
        let reading = |condition: &str, rpm: f64, [left, right]: [f64; 2], turns: f64| {
            format!(
                "[[reading]]\ncondition = \"{condition}\"\nrpm = {rpm}\nengine_c = 80\n\
                 bleed_turns = {{ left = {turns}, right = {turns} }}\n\
                 gauge = {{ left = {left}, right = {right}, unit = \"kPa\" }}\n"
            )
        };
        let head = "format = \"evenpull.job/1\"\nprofile = \"profile.toml\"\n[checks]\ngauges_zeroed = true\n";
        let text = format!("{head}{checks}\n")
            + &reading("idle-bleeds-shut", 1250.0, shut, 0.0)
            + &reading("idle", 1250.0, idle, 0.5)
            + &reading("hold", 3750.0, hold, 0.5);
        let job = Job::from_toml("job.toml", &text, &profile).unwrap();
        let found = evenpull_diagnose::assess(&job, &profile, &vec![None; job.readings.len()]);
        let gates = held_against(evaluate_gates(&profile, &job, &[]), &found, &profile);
        (gates, found)
    }

    fn of(gates: &[GateCheck], step: Step) -> &GateState {
        &gates.iter().find(|g| g.step == step).unwrap().state
    }

    #[test]
    fn no_screw_is_asked_for_while_a_leak_is_open() {
        let gates = order("", [46.5, 36.0], [45.0, 36.0], [43.0, 39.5]);
        for step in [Step::BalanceAdjuster, Step::OpenBleed] {
            let state = of(&gates, step);
            let waits = |t: &str| t.contains("first step 1") && t.contains("inlet stub");
            assert!(
                matches!(state, GateState::Waits(t) if waits(t)),
                "{state:?}"
            );
        }
    }

    #[test]
    fn the_bleeds_wait_for_the_balance_that_is_advised() {
        let no_leak = "stub_spray = { left = \"no change\", right = \"no change\" }\n\
                       spindle_play_mm = { left = 0.01, right = 0.01 }";
        let gates = order(no_leak, [39.0, 45.0], [39.5, 44.5], [41.0, 44.0]);
        let balance = of(&gates, Step::BalanceAdjuster);
        assert!(matches!(balance, GateState::NotMet(_)), "{balance:?}");
        let bleed = of(&gates, Step::OpenBleed);
        let waits = |t: &str| t.contains("then read the idle again");
        assert!(
            matches!(bleed, GateState::Waits(t) if waits(t)),
            "{bleed:?}"
        );
    }

    /// 0.7 kPa at idle is good: the step is done, and the turn that is advised all the same says what it is for.
    #[test]
    fn a_turn_that_only_trims_leaves_the_step_done() {
        let profile = Profile::from_toml("profile.toml", builtin()[0].toml).unwrap();
        let sealed =
            "[seals]\n\"stop.left\" = \"intact\"\n\"stop.right\" = \"intact\"\nsensor = \"intact\"";
        let (gates, found) = order_and_findings(sealed, [42.6, 42.0], [42.7, 42.0], [42.1, 42.0]);
        let bleed = found.advice.iter().find(|s| s.turns.is_some());
        let bleed = bleed.unwrap_or_else(|| panic!("{:?} {:?}", found.causes, found.advice));
        assert_eq!(
            profile.adjuster(&bleed.adjuster).unwrap().kind,
            AdjusterKind::Bleed
        );
        assert!(bleed.why.contains("is good already (1 kPa)"), "{bleed:?}");
        let state = of(&gates, Step::OpenBleed);
        let trims = |t: &str| t.contains("only trims what is left");
        assert!(matches!(state, GateState::Met(t) if trims(t)), "{state:?}");
    }

    #[test]
    fn an_even_machine_waits_for_nothing() {
        let gates = order("", [42.0, 42.1], [42.0, 42.1], [42.0, 42.1]);
        for step in [Step::BalanceAdjuster, Step::OpenBleed] {
            assert!(matches!(of(&gates, step), GateState::Met(_)), "{gates:?}");
        }
    }
}
