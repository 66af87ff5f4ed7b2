//! What the checks made by hand say on their own, before any reading is weighed.
//!
//! Limits are the trade's; each names its mark. A check inside its limits says nothing.

use crate::job::Job;
use crate::notice::Notice;
use crate::per_body::PerBody;
use crate::profile::Profile;

/// Lowest over highest compression that is still even [-]; from memory.
const EVEN_COMPRESSION: f64 = 0.85;
/// Leak-down to look into, and to repair [%]; from memory.
const LEAK_DOWN_PERCENT: (f64, f64) = (10.0, 20.0);
/// Spindle play to note, and to act on [mm]; common practice, no source.
const SPINDLE_PLAY_MM: (f64, f64) = (0.05, 0.10);
/// Spread of the closed sensor volts over several snaps [V]: twice the usual +-10 mV; common
/// practice, no source.
const SNAP_SPREAD_V: f64 = 0.020;

/// One remark for each check outside its limits.
pub fn check_findings(job: &Job, profile: &Profile) -> Vec<Notice> {
    let checks = &job.checks;
    let bodies = profile.bodies();
    let mut found = Vec::new();
    found.extend(clearances(job, profile));
    found.extend(compression_out(job, profile).map(|out| {
        Notice::new(
            "compression-uneven",
            format!("{out}: leak-down next, and no tuning before it is known why"),
        )
    }));
    if let Some(values) = &checks.leak_down_percent {
        let (look, repair) = LEAK_DOWN_PERCENT;
        let words = ("look where it escapes", "repair before tuning");
        found.extend(above(
            "leak-down",
            "leak-down",
            "%",
            values,
            bodies,
            (look, repair),
            words,
        ));
    }
    if let Some(values) = &checks.spindle_play_mm {
        let words = ("note it for the next visit", "renew spindle or bushes");
        found.extend(above(
            "spindle-play",
            "spindle play",
            "mm",
            values,
            bodies,
            SPINDLE_PLAY_MM,
            words,
        ));
    }
    found.extend(snap_shut(&checks.snap_shut_v));
    if checks.cable_slack == Some(false) {
        found.push(Notice::new(
            "cable-tight",
            "the cable has no slack: it may hold the plates off their stops; free it and read \
             again before anything is judged",
        ));
    }
    found
}

fn clearances(job: &Job, profile: &Profile) -> Option<Notice> {
    let out = clearances_out(job, profile);
    (!out.is_empty()).then(|| {
        Notice::new(
            "clearance-out",
            format!(
                "valve clearances are outside their limits ({}; +-{:.2} mm is allowed): set them stone cold first, \
                 note what they are then, and read again",
                out.join(", "),
                profile.clearances.tolerance_mm
            ),
        )
    })
}

/// Measured valve clearances outside the profile's limits, one text each: body, valve, found and wanted [mm].
pub fn clearances_out(job: &Job, profile: &Profile) -> Vec<String> {
    let Some(all) = &job.checks.clearances else {
        return Vec::new();
    };
    let limits = &profile.clearances;
    let mut out = Vec::new();
    for (i, body) in profile.bodies().iter().enumerate() {
        let Some(found) = all.get(i) else {
            continue;
        };
        for (name, values, nominal) in [
            ("inlet", &found.inlet_mm, limits.inlet_mm),
            ("exhaust", &found.exhaust_mm, limits.exhaust_mm),
        ] {
            // A micron of slack keeps a value typed at the limit inside it.
            let beyond = |v: &&f64| (**v - nominal).abs() > limits.tolerance_mm + 1e-3;
            let words = |v: &f64| format!("{body} {name} {v:.2} mm for {nominal:.2} mm");
            out.extend(values.iter().filter(beyond).map(words));
        }
    }
    out
}

/// Measured spindle play to act on, above 0.10 mm (common practice, no source), one text each: body, found and limit [mm].
pub fn spindle_play_out(job: &Job, profile: &Profile) -> Vec<(String, String)> {
    let Some(values) = &job.checks.spindle_play_mm else {
        return Vec::new();
    };
    let limit = SPINDLE_PLAY_MM.1;
    let all = profile.bodies().iter().zip(values.iter());
    let out = all.filter_map(|(body, v)| Some((body, *v?)).filter(|(_, mm)| *mm > limit));
    out.map(|(body, mm)| {
        let text = format!("spindle play of {body} is {mm:.2} mm, above {limit:.2} mm");
        (body.clone(), text)
    })
    .collect()
}

/// Measured leak-down to repair, above 20 % (from memory), one text for each body.
pub fn leak_down_out(job: &Job, profile: &Profile) -> Vec<String> {
    let Some(values) = &job.checks.leak_down_percent else {
        return Vec::new();
    };
    let limit = LEAK_DOWN_PERCENT.1;
    let all = profile.bodies().iter().zip(values.iter());
    let out = all.filter_map(|(body, v)| Some((body, *v?)).filter(|(_, percent)| *percent > limit));
    out.map(|(body, percent)| format!("leak-down of {body} is {percent:.0} %, above {limit:.0} %"))
        .collect()
}

/// The lowest measured compression, in words, where it is well below the highest.
pub fn compression_out(job: &Job, profile: &Profile) -> Option<String> {
    let values = job.checks.compression_kpa.as_ref()?;
    let given = || {
        let all = profile.bodies().iter().zip(values.iter());
        all.filter_map(|(b, v)| Some((b, *v?)))
    };
    let (low_body, low) = given().min_by(|a, b| a.1.total_cmp(&b.1))?;
    let (_, high) = given().max_by(|a, b| a.1.total_cmp(&b.1))?;
    (low < EVEN_COMPRESSION * high).then(|| {
        format!(
            "compression of {low_body} is {low:.0} kPa, {:.0} % of the highest (at least {:.0} % wanted)",
            100.0 * low / high,
            100.0 * EVEN_COMPRESSION
        )
    })
}

/// Remarks on values above a lower and an upper limit.
fn above(
    code: &'static str,
    name: &str,
    unit: &str,
    values: &PerBody<f64>,
    bodies: &[String],
    limits: (f64, f64),
    words: (&str, &str),
) -> Vec<Notice> {
    let given = bodies.iter().zip(values.iter());
    given
        .filter_map(|(body, value)| {
            let v = *value?;
            let (limit, word) = if v > limits.1 {
                (limits.1, words.1)
            } else if v > limits.0 {
                (limits.0, words.0)
            } else {
                return None;
            };
            let text = format!("{name} of {body} is {v} {unit}, above {limit} {unit}: {word}");
            Some(Notice::new(code, text))
        })
        .collect()
}

fn snap_shut(volts: &[f64]) -> Option<Notice> {
    let max = volts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let min = volts.iter().copied().fold(f64::INFINITY, f64::min);
    (max - min > SNAP_SPREAD_V).then(|| {
        Notice::new(
            "sensor-unrepeatable",
            format!(
                "the closed sensor volts differ by {:.0} mV over {} snaps (up to {:.0} mV is usual): \
                 a plate sticks, the cable drags or the sensor's track is worn; sweep it slowly",
                1e3 * (max - min),
                volts.len(),
                1e3 * SNAP_SPREAD_V
            ),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const PROFILE: &str = include_str!("../../../examples/jobs/healthy/profile.toml");
    const JOB: &str = include_str!("../../../examples/jobs/healthy/job.toml");

    fn found(checks: &str) -> Vec<Notice> {
        let profile = Profile::from_toml("p", PROFILE).unwrap();
        let text = JOB.replace("[layout]\n", &format!("[checks]\n{checks}\n[layout]\n"));
        check_findings(&Job::from_toml("j", &text, &profile).unwrap(), &profile)
    }

    #[test]
    fn checks_inside_their_limits_say_nothing() {
        let quiet = "compression_kpa = { left = 1100, right = 1000 }\n\
                     leak_down_percent = { left = 6, right = 10 }\n\
                     spindle_play_mm = { left = 0.05, right = 0.02 }\n\
                     snap_shut_v = [0.556, 0.560, 0.551]\ncable_slack = true\n\
                     clearances.right = { inlet_thou = [3, 5], exhaust_thou = [6, 7] }";
        assert_eq!(found(quiet), []);
    }

    #[test]
    fn each_check_outside_its_limits_is_told_with_its_body() {
        let cases = [
            (
                "compression_kpa = { left = 1100, right = 900 }",
                "compression-uneven",
                "right",
            ),
            (
                "leak_down_percent = { left = 12, right = 5 }",
                "leak-down",
                "look where",
            ),
            (
                "leak_down_percent = { left = 25, right = 5 }",
                "leak-down",
                "repair",
            ),
            (
                "spindle_play_mm = { left = 0.01, right = 0.07 }",
                "spindle-play",
                "note",
            ),
            (
                "spindle_play_mm = { left = 0.12, right = 0.01 }",
                "spindle-play",
                "renew",
            ),
            ("snap_shut_v = [0.55, 0.59]", "sensor-unrepeatable", "40 mV"),
            ("cable_slack = false", "cable-tight", "no slack"),
            (
                "clearances.right = { inlet_thou = [4, 2.5], exhaust_thou = [6, 6] }",
                "clearance-out",
                "right inlet 0.06 mm for 0.10 mm",
            ),
        ];
        for (checks, code, text) in cases {
            let all = found(checks);
            let [one] = all.as_slice() else {
                panic!("{checks}: {all:?}");
            };
            assert!(one.code == code && one.text.contains(text), "{one:?}");
        }
    }
}
