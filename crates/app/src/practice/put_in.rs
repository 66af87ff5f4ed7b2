//! Putting a fault into the practice engine.
//!
//! Amounts are drawn from ranges a shop meets; assumed.

use std::ops::Range;

use evenpull_diagnose::CauseCode;
use evenpull_job::{Adjuster, AdjusterKind, PerTurn};
use rand::RngExt;

use super::bench::{Bench, Scatter};
use super::fault::{Fault, FaultError, known_codes};
use crate::answer::cause_code;
use crate::error::AppError;

/// Degrees of a linkage fault.
const LINK_DEG: Range<f64> = 0.2..0.5;
/// Turns of a stop.
const STOP_TURNS: Range<f64> = 0.15..0.4;
/// Degrees a throttle sensor slips.
const SENSOR_DEG: Range<f64> = 0.4..1.0;
/// Turns a bleed is open beyond its fellows.
const BLEED_EXTRA_TURNS: Range<f64> = 0.7..1.2;
/// Leaking stub, worn spindle and blow-by [mm2].
const LEAK_MM2: Range<f64> = 1.0..3.0;
/// Share of a worn spindle's leak that changes from one closing to the next.
const SPINDLE_SCATTER: f64 = 0.25;
/// Valve areas of a tight valve over the right ones.
const TIGHT_SCALE: Range<f64> = 0.8..0.92;
/// Heat of a weak spark over the full one.
const WEAK_SCALE: Range<f64> = 0.75..0.9;
/// Error a sensor takes on after its zero was taken [Pa].
const GAUGE_PA: Range<f64> = 1200.0..5000.0;

impl Bench<'_> {
    /// Puts one fault in.
    pub(super) fn put_in(&mut self, fault: &Fault) -> Result<(), AppError> {
        let body = self.body_of(fault)?;
        let text = match fault.code {
            CauseCode::None => return Ok(()),
            CauseCode::BalanceOff
            | CauseCode::LinkAltered
            | CauseCode::StopIn
            | CauseCode::StopOut
            | CauseCode::StopsBoth => self.move_plate(fault.code, body)?,
            CauseCode::StubLeak
            | CauseCode::SpindleWear
            | CauseCode::BleedUnequal
            | CauseCode::BleedBlocked
            | CauseCode::IdleValveStuckOpen
            | CauseCode::IdleValveStuckShut => self.change_air(fault.code, body)?,
            CauseCode::ValveTight | CauseCode::CompressionLow | CauseCode::SparkWeak => {
                self.weaken(fault.code, body)
            }
            CauseCode::SensorShifted | CauseCode::GaugeFault | CauseCode::CrossedHoses => {
                self.mislead(fault.code, body)?
            }
            other => {
                return Err(FaultError::NoModel {
                    code: cause_code(other),
                    known: known_codes(),
                }
                .into());
            }
        };
        self.described
            .push(format!("{}: {text}", cause_code(fault.code)));
        Ok(())
    }

    /// Stops and links.
    fn move_plate(&mut self, code: CauseCode, body: usize) -> Result<String, FaultError> {
        let per_turn = self.profile.stop_deg_per_turn;
        let one_shaft = self.profile.one_shaft();
        // A shared shaft has one stop, named after its first body.
        let body = match code {
            CauseCode::StopIn | CauseCode::StopOut if one_shaft => 0,
            _ => body,
        };
        let name = self.profile.bodies()[body].clone();
        Ok(match code {
            CauseCode::LinkAltered if one_shaft => {
                let body = body.max(1);
                let deg = self.signed(LINK_DEG);
                self.setting.linkage.link_deg[body] += deg;
                let name = &self.profile.bodies()[body];
                format!("{name} plate twisted {deg:+.2} deg on its spindle")
            }
            CauseCode::StopsBoth if one_shaft => {
                return Err(lacks(code, "more than one stop screw"));
            }
            CauseCode::BalanceOff | CauseCode::LinkAltered => {
                // The coupling that drives this body; a body that none drives stands for the first.
                let couplings = &self.profile.couplings;
                let own = couplings.iter().find(|c| c.driven.contains(&body));
                let coupling = own.or(couplings.first()).ok_or(lacks(code, "a linkage"))?;
                let follower = if own.is_some() {
                    body
                } else {
                    coupling.driven[0]
                };
                let deg = self.signed(LINK_DEG);
                self.setting.linkage.link_deg[follower] += deg;
                let follower = &self.profile.bodies()[follower];
                if code == CauseCode::LinkAltered {
                    self.disturbed.push(format!("link.{follower}"));
                }
                format!("{follower} plate {deg:+.2} deg")
            }
            CauseCode::StopsBoth => {
                let turns = self.signed(STOP_TURNS);
                for (i, body) in self.profile.bodies().iter().enumerate() {
                    self.setting.linkage.turn_stop(i, turns, per_turn);
                    self.disturbed.push(format!("stop.{body}"));
                }
                format!("{turns:+.2} turns each, zero-learn after it")
            }
            _ => {
                let amount = self.rng.random_range(STOP_TURNS);
                let turns = if code == CauseCode::StopIn {
                    amount
                } else {
                    -amount
                };
                self.setting.linkage.turn_stop(body, turns, per_turn);
                self.disturbed.push(format!("stop.{name}"));
                format!("{name} {turns:+.2} turns, zero-learn after it")
            }
        })
    }

    /// Leaks, bleeds and the idle valve.
    fn change_air(&mut self, code: CauseCode, body: usize) -> Result<String, FaultError> {
        let name = self.profile.bodies()[body].clone();
        Ok(match code {
            CauseCode::StubLeak => {
                let mm2 = self.rng.random_range(LEAK_MM2);
                self.setting.bodies[body].leak_m2 += mm2 * 1e-6;
                format!("{name} {mm2:.2} mm2")
            }
            CauseCode::SpindleWear => {
                let mm2 = self.rng.random_range(LEAK_MM2);
                self.scatter = Some(Scatter {
                    body,
                    mean_m2: mm2 * 1e-6,
                    sd_m2: SPINDLE_SCATTER * mm2 * 1e-6,
                });
                format!("{name} {mm2:.2} mm2, changing from one closing to the next")
            }
            CauseCode::BleedUnequal => {
                self.profile.bleed.ok_or(lacks(code, "bleeds"))?;
                let turns = self.rng.random_range(BLEED_EXTRA_TURNS);
                self.bleed_turns[body] += turns;
                format!("{name} {turns:+.2} turns")
            }
            CauseCode::BleedBlocked => {
                self.profile.bleed.ok_or(lacks(code, "bleeds"))?;
                self.bleed_blocked = Some(body);
                name
            }
            _ => {
                let valve = self
                    .profile
                    .idle_valve
                    .ok_or(lacks(code, "an idle valve"))?;
                let open = code == CauseCode::IdleValveStuckOpen;
                let steps = (f64::from(valve.steps) * if open { 0.7 } else { 0.02 }).round();
                self.stuck_steps = Some(steps);
                format!("at {steps:.0} steps")
            }
        })
    }

    /// Valves, rings and spark.
    fn weaken(&mut self, code: CauseCode, body: usize) -> String {
        let name = &self.profile.bodies()[body];
        let cylinder = &mut self.setting.bodies[body];
        match code {
            CauseCode::ValveTight => {
                let scale = self.rng.random_range(TIGHT_SCALE);
                cylinder.breathing_scale *= scale;
                format!("{name} valve areas x {scale:.2}")
            }
            CauseCode::CompressionLow => {
                let mm2 = self.rng.random_range(LEAK_MM2);
                cylinder.blow_by_m2 += mm2 * 1e-6;
                format!("{name} {mm2:.2} mm2 past rings or seats")
            }
            _ => {
                let scale = self.rng.random_range(WEAK_SCALE);
                cylinder.combustion_scale *= scale;
                format!("{name} heat x {scale:.2}")
            }
        }
    }

    /// What the instruments and hoses show wrongly.
    fn mislead(&mut self, code: CauseCode, body: usize) -> Result<String, FaultError> {
        let name = self.profile.bodies()[body].clone();
        Ok(match code {
            CauseCode::SensorShifted => {
                let sensor = self
                    .profile
                    .sensor
                    .ok_or(lacks(code, "a throttle sensor"))?;
                let deg = self.signed(SENSOR_DEG);
                self.sensor_shift_v += deg * sensor.volts_per_deg;
                self.learned_v = Some(sensor.volts_at_stop);
                self.disturbed.push("sensor".to_owned());
                format!("{deg:+.2} deg, no zero-learn after it")
            }
            CauseCode::GaugeFault => {
                let pa = self.signed(GAUGE_PA);
                self.chain_offset_pa[body] += pa;
                let kpa = pa / 1e3;
                format!("{name} sensor {kpa:+.2} kPa after its zero was taken")
            }
            _ => {
                if self.profile.bodies().len() != 2 {
                    return Err(lacks(code, "two bodies"));
                }
                self.crossed = true;
                "hoses exchanged".to_owned()
            }
        })
    }

    /// Turns an adjuster: `noted` is what the mechanic thinks, `made` what the screw does; positive =
    /// more opening or area. Links and the sensor stay as they are.
    pub(super) fn turn(&mut self, adjuster: &Adjuster, noted: f64, made: f64) {
        for name in &adjuster.bodies {
            let Some(body) = self.profile.body_index(name) else {
                continue;
            };
            match (adjuster.kind, adjuster.per_turn) {
                (AdjusterKind::Balance, PerTurn::OpeningDeg(deg)) => {
                    self.setting.linkage.turn_balance(body, made, deg);
                }
                (AdjusterKind::Bleed, PerTurn::AreaMm2(_)) => {
                    self.bleed_turns[body] = (self.bleed_turns[body] + noted).max(0.0);
                    self.bleed_slip[body] += made - noted;
                }
                (AdjusterKind::Stop, PerTurn::OpeningDeg(deg)) => {
                    self.setting.linkage.turn_stop(body, made, deg);
                }
                _ => {}
            }
        }
    }

    fn body_of(&mut self, fault: &Fault) -> Result<usize, FaultError> {
        let Some(name) = &fault.body else {
            return Ok(self.rng.random_range(0..self.profile.bodies().len()));
        };
        let found = self.profile.body_index(name);
        found.ok_or_else(|| FaultError::NoBody {
            body: name.clone(),
            known: self.profile.bodies().join(", "),
        })
    }

    fn signed(&mut self, range: Range<f64>) -> f64 {
        let v = self.rng.random_range(range);
        if self.rng.random_bool(0.5) { v } else { -v }
    }
}

fn lacks(code: CauseCode, needs: &'static str) -> FaultError {
    FaultError::Lacks {
        code: cause_code(code),
        needs,
    }
}
