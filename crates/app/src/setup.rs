//! What the analysis of a recording is told, from profile, job and reading.

use evenpull_airflow::Hose;
use evenpull_airflow::ambient::vapour_fraction;
use evenpull_job::{AmbientData, Condition, HoseData, Pinch, Profile, instrument_on};
use evenpull_trace::{BodySetup, Notice, Setup, ZERO_DRIFT_PA};

/// Exponent of the refill where the profile gives none: near the adiabatic 1.4.
///
/// A refill lasts 10 to 50 ms, less than the 80 ms or so in which the wall of a runner warms its
/// air (0.2 g, 0.023 m2, 75 W/m2K); estimate of this project.
const N_USUAL: f64 = 1.35;
/// 0 C [K], exact.
const ZERO_C_K: f64 = 273.15;
/// One less the molar mass of water over that of dry air [-], measured, `cipm2007`.
const ONE_LESS_VAPOUR_MASS: f64 = 0.378;

/// The circumstances of one recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Circumstances<'a> {
    pub(crate) condition: Option<Condition>,
    pub(crate) hose: Option<HoseData>,
    pub(crate) swapped: bool,
    pub(crate) pinched: &'a [Pinch],
}

/// The setup, with the doubts that arise in making it.
pub(crate) fn setup(
    profile: &Profile,
    ambient: &AmbientData,
    at: Circumstances<'_>,
) -> (Setup, Vec<Notice>) {
    let mut notices = Vec::new();
    let p0_pa = ambient.pressure_kpa * 1e3;
    let t0_k = virtual_temperature_k(ambient);
    let hose = at.hose.and_then(|h| {
        // Mean pressure of a runner between idle and hold, where depressions are near 40 kPa.
        Hose::new(
            h.length_m,
            h.bore_mm * 1e-3,
            h.dead_volume_cc * 1e-6,
            t0_k,
            0.6 * p0_pa,
        )
        .map_err(|e| {
            notices.push(Notice::new(
                "hose-not-corrected",
                format!("{e}; the reading is taken as if the sensor sat on the stub"),
            ));
        })
        .ok()
    });
    let bodies = profile
        .bodies()
        .iter()
        .enumerate()
        .map(|(i, body)| BodySetup {
            body: body.clone(),
            intake_start_deg: profile.engine.intake_start_deg[i],
            zero_pa: zero_pa(
                ambient,
                instrument_on(i, profile.bodies().len(), at.swapped),
            ),
            hose,
        })
        .collect();
    let n = match at.condition {
        Some(c) if c.throttle_shut() => profile.refill.n_idle,
        Some(_) => profile.refill.n_hold,
        None => None,
    };
    let setup = Setup {
        bodies,
        p0_pa,
        t0_k,
        runner_m3: profile.body.runner_cc * 1e-6,
        n: n.unwrap_or(N_USUAL),
        scale_sd: profile.refill.scale_sd_percent / 100.0,
        inlet_opens_btdc_deg: profile.engine.inlet_opens_btdc_deg,
        inlet_closes_abdc_deg: profile.engine.inlet_closes_abdc_deg,
        zero_sd_pa: ZERO_DRIFT_PA,
        passages_open: passages_open(profile, at.pinched),
    };
    (setup, notices)
}

/// Temperature at which dry air is as light as the moist air there is [K].
///
/// `T / (1 - 0.378 x)`, x the mole fraction of vapour; it carries the humidity through
/// `sqrt(R T0)`, where vapour counts by its gas constant. Out of the range of the vapour formula
/// the air is taken as dry.
fn virtual_temperature_k(ambient: &AmbientData) -> f64 {
    let t_k = ambient.temperature_c + ZERO_C_K;
    let p_pa = ambient.pressure_kpa * 1e3;
    let humidity = ambient.humidity_percent / 100.0;
    vapour_fraction(p_pa, t_k, humidity).map_or(t_k, |x| t_k / (1.0 - ONE_LESS_VAPOUR_MASS * x))
}

fn zero_pa(ambient: &AmbientData, sensor: usize) -> Option<f64> {
    let kpa = ambient.key_off_kpa.as_ref()?.get(sensor)?;
    Some((kpa - ambient.pressure_kpa) * 1e3)
}

/// True when a passage of the profile joins the runners and was not pinched shut.
fn passages_open(profile: &Profile, pinched: &[Pinch]) -> bool {
    let open = |area_mm2: f64, by: Pinch| area_mm2 > 0.0 && !pinched.contains(&by);
    open(profile.passages.balance_pipe_mm2, Pinch::BalancePipe)
        || open(profile.passages.idle_chamber_mm2, Pinch::IdleValve)
}

#[cfg(test)]
mod tests {
    use super::*;
    use evenpull_job::{Job, PerBody, builtin};

    fn profile() -> Profile {
        Profile::from_toml("p", builtin()[0].toml).unwrap()
    }

    fn ambient() -> AmbientData {
        let text = "format = \"evenpull.job/1\"\nprofile = \"p\"\n[ambient]\npressure_kpa = 100.0\n\
                    temperature_c = 20.0\n[[reading]]\ncondition = \"idle\"\nrecording = \"r\"\n";
        let mut ambient = Job::from_toml("j", text, &profile()).unwrap().ambient;
        ambient.key_off_kpa = Some(PerBody::new(vec![Some(100.5), Some(99.0)]));
        ambient
    }

    fn at(swapped: bool, pinched: &[Pinch]) -> Circumstances<'_> {
        Circumstances {
            condition: Some(Condition::Idle),
            hose: None,
            swapped,
            pinched,
        }
    }

    #[test]
    fn swapped_hoses_take_the_other_sensors_zero() {
        let zero = |swapped| {
            let (s, _) = setup(&profile(), &ambient(), at(swapped, &[]));
            s.bodies
                .iter()
                .map(|b| b.zero_pa.unwrap())
                .collect::<Vec<_>>()
        };
        assert_eq!(zero(false), [500.0, -1000.0]);
        assert_eq!(zero(true), [-1000.0, 500.0]);
    }

    #[test]
    fn a_pinched_passage_is_shut() {
        let mut p = profile();
        let open = |p: &Profile, pinched: &[Pinch]| {
            setup(p, &ambient(), at(false, pinched)).0.passages_open
        };
        assert!(!open(&p, &[]));
        p.passages.idle_chamber_mm2 = 12.0;
        assert!(open(&p, &[]));
        assert!(open(&p, &[Pinch::BalancePipe]));
        assert!(!open(&p, &[Pinch::IdleValve]));
    }

    /// `CoolProp` HAPropsSI: 1.1500562 kg/m3 at 30 C, 80 %, 101325 Pa. Dry air of R 287.05 at the
    /// virtual temperature must weigh the same; 5e-4 covers compressibility, which is left out.
    #[test]
    fn val_humidity_goes_over_as_temperature() {
        let mut air = ambient();
        air.pressure_kpa = 101.325;
        air.temperature_c = 30.0;
        air.humidity_percent = 80.0;
        let (s, _) = setup(&profile(), &air, at(false, &[]));
        let rho = s.p0_pa / (287.05 * s.t0_k);
        assert!((rho / 1.150_056_2 - 1.0).abs() < 5e-4, "{rho}");
    }

    #[test]
    fn values_go_over_in_si() {
        let (s, _) = setup(&profile(), &ambient(), at(false, &[]));
        assert_eq!((s.p0_pa, s.t0_k), (100_000.0, 293.15));
        assert!((s.runner_m3 - 260e-6).abs() < 1e-12);
        assert!((s.scale_sd - 0.12).abs() < 1e-12);
        assert_eq!(s.bodies[1].intake_start_deg, 270.0);
    }
}
