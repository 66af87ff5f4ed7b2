use super::*;
use evenpull_job::builtin;

fn profile() -> Profile {
    Profile::from_toml("p", builtin()[0].toml).unwrap()
}

fn visit(i: usize, standings: Vec<Standing>) -> PastVisit {
    PastVisit {
        label: format!("job {}", i + 1),
        day: 200.0 * i as f64,
        distance_km: Some(5_000.0 * i as f64),
        ambient_kpa: 101.325,
        ambient_c: 15.0,
        idle_area_mm2: None,
        standings,
        work: Vec::new(),
    }
}

fn standing(quantity: Quantity, part: &str, value: f64, sd: f64) -> Standing {
    Standing {
        quantity,
        part: part.to_owned(),
        value,
        sd,
        shared_sd: 0.0,
    }
}

/// A leak that grows evenly reaches its limit where the line does.
#[test]
fn a_growing_leak_is_foreseen() {
    let profile = profile();
    let body = profile.bodies()[0].clone();
    let visits: Vec<PastVisit> = (0..8)
        .map(|i| {
            let leak = standing(Quantity::Leak, &body, 0.3 + 0.1 * i as f64, 0.05);
            visit(i, vec![leak])
        })
        .collect();
    let history = history(&profile, &visits);
    let leak = &history.series[0];
    let trend = leak.trend.unwrap();
    assert!(
        trend.known && (trend.rate.value - 0.2).abs() < 0.03,
        "{trend:?}"
    );
    let limit = std::f64::consts::PI * profile.body.spindle_mm * 0.1;
    let expected = 5_000.0 * (limit - 0.3) / 0.1;
    let forecast = leak.forecast.unwrap();
    let km = forecast.distance_km.unwrap();
    assert!(
        km.lo90 < expected && expected < km.hi90,
        "{km:?} {expected}"
    );
    assert!((km.value / expected - 1.0).abs() < 0.1, "{km:?} {expected}");
    // 200 days to 5,000 km.
    assert!((forecast.day.value - km.value * 0.04).abs() < 1.0);
    assert!(history.changes.is_empty());
}

#[test]
fn nothing_is_foreseen_from_two_visits_or_without_a_rate() {
    let profile = profile();
    let body = profile.bodies()[0].clone();
    let of = |n: usize, step: f64| {
        let visits: Vec<PastVisit> = (0..n)
            .map(|i| {
                let leak = standing(Quantity::Leak, &body, 0.3 + step * i as f64, 0.05);
                visit(i, vec![leak])
            })
            .collect();
        history(&profile, &visits).series[0].clone()
    };
    assert!(of(2, 0.5).trend.is_none() && of(2, 0.5).forecast.is_none());
    assert!(!of(6, 0.0).trend.unwrap().known && of(6, 0.0).forecast.is_none());
}

/// A stop turned in between two visits: the plates step, the sensor follows them, so its zero stays.
#[test]
fn a_stop_turned_between_visits_is_told() {
    let profile = profile();
    let bodies = profile.bodies().to_vec();
    let at = |i: usize, work: &[&str]| {
        let off = if i >= 3 { 0.4 } else { 0.0 };
        let mut v = visit(i, vec![standing(Quantity::SensorZero, "", 0.0, 0.004)]);
        for b in &bodies {
            v.standings.push(standing(Quantity::Offset, b, off, 0.06));
        }
        if i == 3 {
            v.work = work.iter().map(|w| (*w).to_owned()).collect();
        }
        v
    };
    let visits: Vec<PastVisit> = (0..5).map(|i| at(i, &[])).collect();
    let found = history(&profile, &visits).changes;
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!((found[0].visit, found[0].touched), (3, Touched::Stop));
    assert!(
        found[0].text.contains("between job 3 and job 4"),
        "{}",
        found[0].text
    );
    let stop = format!("stop.{}", bodies[0]);
    let visits: Vec<PastVisit> = (0..5).map(|i| at(i, &[&stop])).collect();
    let explained = history(&profile, &visits);
    assert!(explained.changes.is_empty(), "{:?}", explained.changes);
    assert!(explained.series.iter().any(|s| s.dots[3].set));
}

/// A plate that may have moved, by itself too little to tell, beside a zero-learn that is sure.
#[test]
fn a_zero_learn_speaks_for_the_stop_before_it() {
    let profile = profile();
    let bodies = profile.bodies().to_vec();
    let visits: Vec<PastVisit> = (0..4)
        .map(|i| {
            let moved = i == 3;
            let learned = if moved { 0.577 } else { 0.556 };
            let (off, sd) = if moved { (0.33, 0.14) } else { (0.02, 0.03) };
            let mut v = visit(i, vec![standing(Quantity::LearnedZero, "", learned, 0.003)]);
            let plates = bodies
                .iter()
                .map(|b| standing(Quantity::Offset, b, off, sd));
            v.standings.extend(plates);
            v
        })
        .collect();
    let history = history(&profile, &visits);
    let told = &history.changes;
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(
        (told[0].visit, told[0].touched),
        (3, Touched::StopAndLearn),
        "{told:?}"
    );
    let plates = history
        .series
        .iter()
        .filter(|s| s.quantity == Quantity::Offset);
    assert!(
        plates
            .clone()
            .all(|s| s.steps.is_empty() && s.hints.len() == 1),
        "{plates:?}"
    );
}

#[test]
fn an_odometer_that_went_back_is_told_and_time_counts() {
    let profile = profile();
    let zero = || vec![standing(Quantity::SensorZero, "", 0.0, 0.004)];
    let mut visits: Vec<PastVisit> = (0..3).map(|i| visit(i, zero())).collect();
    visits[1].distance_km = Some(90_000.0);
    let history = history(&profile, &visits);
    assert_eq!(history.axis, Axis::Time);
    assert_eq!(history.notices[0].code, "distance-back");
}

/// Read at 1,000 m (ISO 2533: 89.8746 kPa, 8.5 C) near its lower end, the valve would have to close beyond
/// it at sea level: the number stays, with what it means beside it.
#[test]
fn steps_beyond_the_travel_are_explained_and_kept() {
    let profile = profile();
    let valve = profile.idle_valve.unwrap();
    let steps = |i: usize, steps: f64, high: bool| {
        let mut v = visit(i, vec![standing(Quantity::IdleSteps, "", steps, 1.0)]);
        v.idle_area_mm2 = Some(20.0);
        if high {
            (v.ambient_kpa, v.ambient_c) = (89.874_562_9, 8.5);
        }
        v
    };
    let found = history(&profile, &[steps(0, 12.0, false), steps(1, 12.0, true)]);
    let expected = steps_at_standard(12.0, 20.0, valve.area_mm2_per_step, 89.874_562_9, 8.5);
    assert!(expected < -1.0, "{expected}");
    let dots = &found.series[0].dots;
    assert!((dots[1].read.value - expected).abs() < 1e-9);
    let notice = found
        .notices
        .iter()
        .find(|n| n.code == "steps-beyond-travel")
        .unwrap();
    let named = format!("({expected:.0} in job 2)");
    assert!(
        notice.text.contains(&named) && notice.text.contains("shut"),
        "{}",
        notice.text
    );
    let within = history(&profile, &[steps(0, 12.0, false), steps(1, 60.0, true)]);
    assert!(within.notices.is_empty(), "{:?}", within.notices);
}
