use super::*;
use evenpull_job::builtin;

fn profile() -> Profile {
    Profile::from_toml("p", builtin()[0].toml).unwrap()
}

/// A visit that knows the shut angle and the sum of scale and discharge, and nothing else.
fn visit(shut_deg: f64, sum: f64, sd: f64) -> Lasting {
    let unknowns = vec![
        LastingUnknown::Scale,
        LastingUnknown::Discharge,
        LastingUnknown::Shut,
    ];
    let w = sd.powi(-2);
    Lasting {
        unknowns,
        information: vec![vec![w, w, 0.0], vec![w, w, 0.0], vec![0.0, 0.0, w]],
        pull: vec![w * sum, w * sum, w * shut_deg],
    }
}

fn bike(label: &str, shut_deg: f64, sum: f64) -> Bike {
    Bike {
        label: label.to_owned(),
        lasting: vec![visit(shut_deg, sum, 0.02)],
        closed_v: vec![0.01],
        sweep: Vec::new(),
    }
}

fn value(family: &Family, unknown: LastingUnknown) -> &FamilyValue {
    family.values.iter().find(|v| v.unknown == unknown).unwrap()
}

#[test]
fn three_machines_that_agree_already_help() {
    let profile = profile();
    let bikes = [
        bike("a", 0.14, 0.1),
        bike("b", 0.16, 0.11),
        bike("c", 0.15, 0.09),
    ];
    let family = Family::of(&profile, &bikes).unwrap();
    let shut = value(&family, LastingUnknown::Shut);
    assert!((shut.mean - 0.15).abs() < 0.03, "{shut:?}");
    assert!(shut.next_sd < 0.5 * shut.profile.1, "{shut:?}");
    // Only the sum of scale and discharge was told: it is narrow, neither of the two is.
    let order: Vec<LastingUnknown> = family.values.iter().map(|v| v.unknown).collect();
    let at = |u| order.iter().position(|o| *o == u).unwrap();
    let (s, d) = (at(LastingUnknown::Scale), at(LastingUnknown::Discharge));
    let c = &family.covariance;
    let sum = (c[s][s] + c[d][d] + 2.0 * c[s][d]).sqrt();
    let before = 0.05_f64.hypot(profile.refill.scale_sd_percent / 100.0);
    assert!(sum < 0.6 * before, "{sum} {before}");
    assert!(value(&family, LastingUnknown::Discharge).next_sd > 0.7 * 0.05);
    // Nothing was said of the idle valve.
    assert!(value(&family, LastingUnknown::Valve).next_sd >= 0.15);
    let volts = family.closed_v.unwrap();
    assert!(
        (volts.mean - 0.01).abs() < 0.002 && volts.next_sd < 0.008,
        "{volts:?}"
    );
}

/// Machines that differ make a wide family, never a narrow one about their mean.
#[test]
fn machines_that_differ_do_not_help() {
    let bikes = [
        bike("a", -0.2, 0.0),
        bike("b", 0.25, 0.1),
        bike("c", 0.05, -0.1),
    ];
    let family = Family::of(&profile(), &bikes).unwrap();
    let shut = value(&family, LastingUnknown::Shut);
    assert!(shut.spread > 0.12 && shut.next_sd > 0.15, "{shut:?}");
}

#[test]
fn nobody_makes_no_family() {
    assert!(Family::of(&profile(), &[]).is_none());
    let mut empty = bike("a", 0.0, 0.0);
    empty.lasting.clear();
    assert!(Family::of(&profile(), &[empty]).is_none());
}

/// A matrix that does not fit its unknowns is no reading.
#[test]
fn a_lopsided_record_is_left_out() {
    let mut odd = bike("a", 0.0, 0.0);
    odd.lasting[0].pull.pop();
    assert!(Family::of(&profile(), &[odd]).is_none());
}
