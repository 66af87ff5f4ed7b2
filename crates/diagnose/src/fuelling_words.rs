//! What the mixture table says, in plain words.

use evenpull_job::Profile;

use crate::assessment::Fuelling;

/// Air errors below this are even to a rider [%]; common practice, no source.
const EVEN_PERCENT: f64 = 2.0;

/// Sentences: each body's worst place and where it fades, the mean of all, and why the sensor does not
/// see it. Empty where there is no table.
pub(crate) fn words(profile: &Profile, table: &[Fuelling]) -> Vec<String> {
    let Some(idle_rpm) = table.iter().map(|f| f.rpm).reduce(f64::min) else {
        return Vec::new();
    };
    let mut out: Vec<String> = profile
        .bodies()
        .iter()
        .map(|body| of_body(body, table, idle_rpm))
        .collect();
    let uneven = table
        .iter()
        .any(|f| told(f).is_some_and(|e| e.abs() >= EVEN_PERCENT));
    if uneven {
        out.extend(of_mean(profile, table, idle_rpm));
        out.push(why(profile));
    }
    out
}

/// Error at a point that is told from even [%].
fn told(f: &Fuelling) -> Option<f64> {
    let e = f.air_error_percent;
    (e.lo90 > 0.0 || e.hi90 < 0.0).then_some(e.value)
}

fn side(error: f64) -> &'static str {
    if error > 0.0 { "lean" } else { "rich" }
}

fn of_body(body: &str, table: &[Fuelling], idle_rpm: f64) -> String {
    let own = || table.iter().filter(|f| f.body == body);
    let worst = own()
        .filter(|f| told(f).is_some_and(|e| e.abs() >= EVEN_PERCENT))
        .max_by(|a, b| {
            let size = |f: &Fuelling| f.air_error_percent.value.abs();
            size(a).total_cmp(&size(b))
        });
    let Some(worst) = worst else {
        return format!("{body} is not told from an even mixture anywhere");
    };
    let error = worst.air_error_percent.value;
    // Where the error has faded, at the speed where it lasts longest.
    let even_from = own()
        .filter(|f| f.air_error_percent.value.abs() >= EVEN_PERCENT)
        .map(|f| f.opening_deg)
        .fold(0.0, f64::max);
    let fades = own()
        .map(|f| f.opening_deg)
        .filter(|o| *o > even_from)
        .fold(f64::INFINITY, f64::min);
    let place = if worst.rpm.total_cmp(&idle_rpm).is_eq() {
        "at idle speed".to_owned()
    } else {
        format!("at {:.0} rpm", worst.rpm)
    };
    let end = if fades.is_finite() {
        format!("; from {fades:.0} degrees on it is within {EVEN_PERCENT:.0} %")
    } else {
        String::new()
    };
    format!(
        "{body} runs {} by up to {:.0} % of its air, at {} degrees above closed {place}{end}",
        side(error),
        error.abs(),
        opening(worst.opening_deg),
    )
}

fn opening(deg: f64) -> String {
    if deg.fract() == 0.0 {
        format!("{deg:.0}")
    } else {
        format!("{deg:.1}")
    }
}

/// The mean of all bodies where it is furthest off: what one probe in a common pipe would see.
fn of_mean(profile: &Profile, table: &[Fuelling], idle_rpm: f64) -> Option<String> {
    let n = profile.bodies().len();
    if n < 2 {
        return None;
    }
    let means: Vec<(f64, f64, f64)> = table
        .iter()
        .filter(|f| f.body == profile.bodies()[0])
        .map(|f| {
            let same = table.iter().filter(|g| {
                g.opening_deg.total_cmp(&f.opening_deg).is_eq() && g.rpm.total_cmp(&f.rpm).is_eq()
            });
            let sum: f64 = same.map(|g| g.air_error_percent.value).sum();
            (sum / n as f64, f.opening_deg, f.rpm)
        })
        .collect();
    let (mean, at_deg, rpm) = means
        .into_iter()
        .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))?;
    if mean.abs() < EVEN_PERCENT {
        return Some(format!(
            "the mean of all cylinders stays within {EVEN_PERCENT:.0} %: a probe in a common pipe would call it even"
        ));
    }
    let place = if rpm.total_cmp(&idle_rpm).is_eq() {
        "at idle speed".to_owned()
    } else {
        format!("at {rpm:.0} rpm")
    };
    Some(format!(
        "the mean of all cylinders is {:.0} % {} at {} degrees {place}: that is what a probe in a common pipe sees, and \
         correcting it there helps no cylinder by itself",
        mean.abs(),
        side(mean),
        opening(at_deg)
    ))
}

fn why(profile: &Profile) -> String {
    let place = profile.sensor.map_or_else(
        || "the throttle sensor sits on one plate".to_owned(),
        |s| format!("the throttle sensor sits on {}", profile.bodies()[s.body]),
    );
    format!(
        "the fuel computer knows one opening and the speed and fuels all cylinders alike by them: {place}, so it sees \
         neither what another plate does by itself nor air that comes in behind a plate, and a zero that was learned at \
         the wrong place shifts its opening for all"
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assessment::Interval;
    use evenpull_job::builtin;

    fn table(left: [f64; 3]) -> Vec<Fuelling> {
        let openings = [1.0, 5.0, 40.0];
        let of = |body: &str, errors: [f64; 3], rpm: f64| {
            let points = openings.into_iter().zip(errors);
            points
                .map(|(opening_deg, value)| Fuelling {
                    body: body.to_owned(),
                    opening_deg,
                    rpm,
                    air_error_percent: Interval {
                        value,
                        lo90: value - 1.0,
                        hi90: value + 1.0,
                    },
                })
                .collect::<Vec<_>>()
        };
        [
            of("left", left, 1250.0),
            of("right", [0.2, 0.1, 0.0], 1250.0),
        ]
        .concat()
    }

    fn profile() -> Profile {
        Profile::from_toml("p", builtin()[0].toml).unwrap()
    }

    #[test]
    fn a_lean_side_is_told_with_its_place_its_end_and_why() {
        let said = words(&profile(), &table([22.0, 8.0, 0.5]));
        assert!(
            said[0].starts_with(
                "left runs lean by up to 22 % of its air, at 1 degrees above closed at idle speed"
            ) && said[0].ends_with("from 40 degrees on it is within 2 %"),
            "{said:?}"
        );
        assert_eq!(said[1], "right is not told from an even mixture anywhere");
        assert!(said[2].contains("11 % lean"), "{said:?}");
        assert!(said[3].contains("the throttle sensor sits on"), "{said:?}");
    }

    #[test]
    fn an_even_machine_needs_no_explanation() {
        let said = words(&profile(), &table([0.5, 0.2, 0.0]));
        assert_eq!(said.len(), 2, "{said:?}");
        assert!(words(&profile(), &[]).is_empty());
    }
}
