//! What a moved stop does to a sound engine: depressions, what the ECU believes, and the mixture of
//! each cylinder over the throttle.
//!
//! The engine of the practice bench is run twice, sound and with the stop turned. The ECU fuels for
//! the sound engine at the opening it believes in; `error = M(real) / M(sound at that opening) - 1`,
//! positive is lean. Limits: one speed; off idle the idle valve stands where the ECU has it for the
//! sound engine (assumed).

use evenpull_engine::{Options, Run, Truth, run};
use evenpull_job::{Adjuster, AdjusterKind, Profile};

use super::bench::Bench;
use super::individual::Individual;
use crate::error::AppError;

/// Openings the ECU believes in [deg above closed].
const OPENINGS_DEG: [f64; 8] = [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0];
/// Speed of the curve [1/min]: steady riding.
const CURVE_RPM: f64 = 3_000.0;
/// Most turns either way.
pub const MOST_STOP_TURNS: f64 = 1.0;

/// What is done to the sound engine.
#[derive(Debug, Clone, PartialEq)]
pub struct WhatIf {
    /// Stops that are turned, by their names.
    pub stops: Vec<String>,
    /// Turns of each, positive = in, more open.
    pub turns: f64,
    /// The ECU learns the throttle anew afterwards.
    pub learn: bool,
}

/// The engine before and after.
#[derive(Debug, Clone, PartialEq)]
pub struct WhatIfFound {
    /// At idle.
    pub idle: Changed,
    /// Held in the middle of the hold band.
    pub hold: Changed,
    /// Opening at rest that the ECU believes in afterwards [deg above closed]; `None` without a sensor.
    pub believed_at_rest_deg: Option<f64>,
    /// Openings of the curve, as the ECU believes in them [deg above closed].
    pub openings_deg: Vec<f64>,
    /// Speed of the curve [1/min].
    pub curve_rpm: f64,
    /// Air beyond what is fuelled [%], a list over the openings for each body.
    pub air_error_percent: Vec<Vec<f64>>,
}

/// One place to read at, before and after.
#[derive(Debug, Clone, PartialEq)]
pub struct Changed {
    /// Before.
    pub before: Stands,
    /// After.
    pub after: Stands,
}

/// How the engine stands at one place; lists in the profile's order.
#[derive(Debug, Clone, PartialEq)]
pub struct Stands {
    /// Speed [1/min].
    pub rpm: f64,
    /// Opening of each plate [deg above shut].
    pub plate_deg: Vec<f64>,
    /// Mean depressions [kPa].
    pub depression_kpa: Vec<f64>,
    /// Idle valve [steps].
    pub idle_steps: f64,
    /// Raw volts of the throttle sensor [V].
    pub sensor_v: Option<f64>,
}

/// The stops of a machine that can be turned.
pub fn stops(profile: &Profile) -> Vec<Adjuster> {
    let mut all = profile.adjusters();
    all.retain(|a| a.kind == AdjusterKind::Stop);
    all
}

/// Runs the engine sound and with the stops turned.
///
/// # Errors
/// [`AppError::NoScrew`] for a name that is no stop, [`AppError::TurnsOutOfRange`] beyond
/// [`MOST_STOP_TURNS`], [`AppError::Engine`] where the engine cannot run so.
pub fn what_if(profile: &Profile, asked: &WhatIf) -> Result<WhatIfFound, AppError> {
    let turned = chosen(profile, asked)?;
    let mut sound = Engine::sound(profile)?;
    let mut moved = Engine::sound(profile)?;
    for stop in &turned {
        moved.bench.turn(stop, asked.turns, asked.turns);
    }
    let idle = Changed {
        before: sound.idle()?,
        after: moved.idle()?,
    };
    if asked.learn {
        moved.learned_deg = moved.sensed_at(0.0)?;
    }
    let hold = Changed {
        before: sound.hold()?,
        after: moved.hold()?,
    };
    let mut air_error_percent = vec![Vec::new(); profile.bodies().len()];
    for opening_deg in OPENINGS_DEG {
        let steps = sound.idle_steps;
        let fuelled = sound.at_believed(opening_deg, steps)?.drawn_air_kg;
        let real = moved.at_believed(opening_deg, steps)?.drawn_air_kg;
        for (errors, (real, fuelled)) in air_error_percent.iter_mut().zip(real.iter().zip(fuelled))
        {
            errors.push(100.0 * (real / fuelled - 1.0));
        }
    }
    Ok(WhatIfFound {
        idle,
        hold,
        believed_at_rest_deg: profile
            .sensor
            .map(|_| Ok::<f64, AppError>(moved.sensed_at(0.0)? - moved.learned_deg))
            .transpose()?,
        openings_deg: OPENINGS_DEG.to_vec(),
        curve_rpm: CURVE_RPM,
        air_error_percent,
    })
}

fn chosen(profile: &Profile, asked: &WhatIf) -> Result<Vec<Adjuster>, AppError> {
    let known = stops(profile);
    if !(asked.turns.is_finite() && asked.turns.abs() <= MOST_STOP_TURNS) {
        return Err(AppError::TurnsOutOfRange {
            turns: asked.turns,
            limit: MOST_STOP_TURNS,
        });
    }
    let names: Vec<&str> = known.iter().map(|a| a.name.as_str()).collect();
    let find = |name: &String| {
        known
            .iter()
            .find(|a| a.name == *name)
            .cloned()
            .ok_or_else(|| AppError::NoScrew {
                name: name.clone(),
                known: names.join(", "),
            })
    };
    asked.stops.iter().map(find).collect()
}

/// One of the two engines.
struct Engine<'p> {
    bench: Bench<'p>,
    /// Opening of the sensed plate that the ECU takes for closed [deg above shut].
    learned_deg: f64,
    idle_steps: f64,
}

impl<'p> Engine<'p> {
    /// The machine as its profile has it: all bodies alike.
    fn sound(profile: &'p Profile) -> Result<Self, AppError> {
        let mut bench = Bench::new(profile, &Individual::none(profile), 1)?;
        let leaks = bench.setting.bodies.iter().map(|b| b.leak_m2);
        let leak_m2 = leaks.sum::<f64>() / profile.bodies().len() as f64;
        let turns = bench.bleed_turns.iter().sum::<f64>() / profile.bodies().len() as f64;
        let per_turn = profile.bleed.map_or(0.0, |b| b.area_mm2_per_turn);
        for body in &mut bench.setting.bodies {
            body.leak_m2 = leak_m2;
            body.bleed_m2 = turns * per_turn * 1e-6;
        }
        Ok(Self {
            learned_deg: profile.body.stop_opening_deg,
            idle_steps: 0.0,
            bench,
        })
    }

    fn run(&self, asked: Run) -> Result<Truth, AppError> {
        // Without scatter every cycle is the same, so one is enough.
        let options = Options {
            cycles: 1,
            settle_cycles: 0,
            scatter: 0.0,
            ..Options::default()
        };
        Ok(run(&self.bench.spec, &self.bench.setting, asked, &options)?.truth)
    }

    fn idle(&mut self) -> Result<Stands, AppError> {
        let target_rpm = self.bench.profile.engine.idle_rpm;
        let asked = Run::Idle { target_rpm };
        let options = Options {
            cycles: 1,
            settle_cycles: 0,
            scatter: 0.0,
            ..Options::default()
        };
        let trace = run(&self.bench.spec, &self.bench.setting, asked, &options)?;
        // Off idle the valve stays where the idle left it.
        self.idle_steps = trace.truth.idle_steps;
        self.stands(trace.rpm, &trace.truth)
    }

    fn hold(&self) -> Result<Stands, AppError> {
        let [low, high] = self.bench.profile.engine.hold_rpm;
        let rpm = 0.5 * (low + high);
        let idle_steps = self.idle_steps;
        let truth = self.run(Run::Hold { rpm, idle_steps })?;
        self.stands(rpm, &truth)
    }

    fn stands(&self, rpm: f64, truth: &Truth) -> Result<Stands, AppError> {
        let profile = self.bench.profile;
        let volts = |deg: f64| {
            let s = profile.sensor?;
            let above = deg - profile.body.stop_opening_deg;
            Some(s.volts_at_stop + s.volts_per_deg * above)
        };
        let sensed = profile.sensor.map_or(0, |s| s.body);
        Ok(Stands {
            rpm,
            sensor_v: truth.plate_deg.get(sensed).and_then(|deg| volts(*deg)),
            plate_deg: truth.plate_deg.clone(),
            depression_kpa: truth.mean_depression_pa.iter().map(|p| p / 1e3).collect(),
            idle_steps: truth.idle_steps,
        })
    }

    /// Opening of the sensed plate with the cable at `command_deg` [deg above shut].
    fn sensed_at(&self, command_deg: f64) -> Result<f64, AppError> {
        let open = self.bench.setting.linkage.openings_deg(command_deg)?;
        let sensed = self.bench.profile.sensor.map_or(0, |s| s.body);
        Ok(open.get(sensed).copied().unwrap_or(command_deg))
    }

    /// The engine at the opening the ECU believes in, held at the speed of the curve.
    fn at_believed(&self, opening_deg: f64, idle_steps: f64) -> Result<Truth, AppError> {
        let wanted = self.learned_deg + opening_deg;
        // The sensed plate opens with the cable and never shuts: halving finds the cable. Below
        // where it rests it stays there.
        let (mut low, mut high) = (0.0, 100.0);
        for _ in 0..50 {
            let middle = 0.5 * (low + high);
            if self.sensed_at(middle)? < wanted {
                low = middle;
            } else {
                high = middle;
            }
        }
        self.run(Run::FixedRpm {
            rpm: CURVE_RPM,
            command_deg: high.min(90.0),
            idle_steps,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::load_profile;

    fn found(stop: &str, turns: f64, learn: bool) -> WhatIfFound {
        let profile = load_profile("heron-270").unwrap().profile;
        let asked = WhatIf {
            stops: vec![stop.to_owned()],
            turns,
            learn,
        };
        what_if(&profile, &asked).unwrap()
    }

    /// A rigid linkage carries both plates on the stop that was turned in, so the balance stays, the
    /// idle valve shuts, the volts rise; learned anew, the ECU does not see the moved plates and both
    /// cylinders are lean, least where the throttle is wide open.
    #[test]
    fn a_stop_turned_in_and_learned_leans_both_cylinders_most_at_small_openings() {
        let found = found("stop.left", 0.25, true);
        let apart = |kpa: &[f64]| (kpa[0] - kpa[1]).abs();
        assert!(apart(&found.idle.before.depression_kpa) < 0.05);
        assert!(apart(&found.idle.after.depression_kpa) < 0.05);
        assert!(found.idle.after.idle_steps < found.idle.before.idle_steps - 3.0);
        assert!(found.idle.after.sensor_v > found.idle.before.sensor_v);
        assert!(found.believed_at_rest_deg.unwrap().abs() < 1e-9);
        for errors in &found.air_error_percent {
            assert!(errors[0] > 5.0, "{errors:?}");
            assert!(errors.windows(2).all(|w| w[1] < w[0] + 0.01), "{errors:?}");
            assert!(errors.last().unwrap().abs() < 0.5, "{errors:?}");
        }
    }

    /// Not learned, the ECU sees the plate that moved and fuels for it.
    #[test]
    fn without_learning_the_ecu_sees_the_moved_plate() {
        let learned = found("stop.left", 0.25, true);
        let seen = found("stop.left", 0.25, false);
        assert!(seen.believed_at_rest_deg.unwrap() > 0.1);
        let most = |f: &WhatIfFound| {
            let all = f.air_error_percent.iter().flatten();
            all.fold(0.0_f64, |m, e| m.max(e.abs()))
        };
        // The plates move together, so what the sensor sees is what both do.
        assert!(most(&seen) < 0.01, "{seen:?}");
        assert!(most(&learned) > 5.0, "{learned:?}");
    }

    #[test]
    fn nothing_turned_changes_nothing() {
        let found = found("stop.right", 0.0, true);
        let all = found.air_error_percent.iter().flatten();
        assert!(all.fold(0.0_f64, |m, e| m.max(e.abs())) < 1e-6);
        assert_eq!(found.idle.before, found.idle.after);
    }

    #[test]
    fn what_is_no_stop_is_refused() {
        let profile = load_profile("heron-270").unwrap().profile;
        for (stop, turns) in [
            ("balance screw", 0.1),
            ("stop.left", 3.0),
            ("stop.left", f64::NAN),
        ] {
            let asked = WhatIf {
                stops: vec![stop.to_owned()],
                turns,
                learn: false,
            };
            assert!(what_if(&profile, &asked).is_err(), "{stop} {turns}");
        }
    }
}
