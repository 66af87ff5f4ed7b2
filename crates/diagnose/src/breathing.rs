//! Air and depression of one cylinder at a through-area, without stepping an engine.
//!
//! Two strokes of the refill law in periodic balance: with the inlet valve shut the runner fills
//! from `r0` along the refill clock; with it open runner and cylinder share one pressure that falls
//! to `r0` again. The air through the throttle per cycle equals what the cylinder keeps,
//! `M = p0/(R Tc) (r0 V_ivc - V_clearance)`. One unknown, `r0`. Limits: no waves, no heat, fixed
//! charge temperature; good for how air and depression change with area, not for their level.

use evenpull_airflow::{Gas, psi, refill, refill_inverse};
use evenpull_fit::Real;
use evenpull_job::Profile;

#[cfg(test)]
mod against_engine;

/// Charge temperature over ambient [-]: residual gas and hot walls; assumed.
const CHARGE_HEATING: f64 = 1.2;

/// Exponent of the refill [-]: adiabatic.
const N: f64 = 1.4;

/// Points of each of the two integrals.
const POINTS: usize = 16;

/// Entries of an [`AirTable`].
const TABLE: usize = 160;

/// Air over through-area at one speed.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct AirTable {
    ln_low: f64,
    step: f64,
    ln_air: Vec<f64>,
}

impl AirTable {
    /// Air per cycle [kg] at a through-area [m2], held at the ends of the table.
    pub(crate) fn air_kg(&self, area_m2: f64) -> f64 {
        let x = ((area_m2.max(1e-12).ln() - self.ln_low) / self.step)
            .clamp(0.0, (self.ln_air.len() - 1) as f64 - 1e-9);
        let (i, share) = (x as usize, x.fract());
        (self.ln_air[i] * (1.0 - share) + self.ln_air[i + 1] * share).exp()
    }
}

/// Depression over the logarithm of through-area at one speed: a cubic through the model's values,
/// stretched so that differences are right; the level is not.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct DepressionLaw {
    ln_low: f64,
    step: f64,
    /// Depression at each node [kPa] and its slope over one step.
    nodes: Vec<(f64, f64)>,
}

/// Areas between which depression is worked out [mm2], and at how many nodes.
const LAW_MM2: (f64, f64) = (1.0, 250.0);
const LAW_NODES: usize = 40;

/// Differences of depression by the crank-resolved engine over those of two strokes [-]; fitted: 1.02 to
/// 1.11 at idle and hold of the built-in profiles, 1.06 in the middle (test beside this).
const OVER_TWO_STROKES: f64 = 1.06;

impl DepressionLaw {
    /// Depression [kPa] and its slope over the logarithm of area [kPa] at `ln_mm2`; straight beyond the
    /// ends.
    pub(crate) fn at(&self, ln_mm2: f64) -> (f64, f64) {
        let x = (ln_mm2 - self.ln_low) / self.step;
        let last = self.nodes.len() - 1;
        if x <= 0.0 || x >= last as f64 {
            let (end, off) = if x <= 0.0 {
                (self.nodes[0], x)
            } else {
                (self.nodes[last], x - last as f64)
            };
            return (end.0 + off * end.1, end.1 / self.step);
        }
        let i = (x as usize).min(last - 1);
        let t = x - i as f64;
        let ((a, da), (b, db)) = (self.nodes[i], self.nodes[i + 1]);
        // Hermite's cubic on one step.
        let (t2, t3) = (t * t, t * t * t);
        let value = a * (2.0 * t3 - 3.0 * t2 + 1.0)
            + da * (t3 - 2.0 * t2 + t)
            + b * (3.0 * t2 - 2.0 * t3)
            + db * (t3 - t2);
        let slope = (a - b) * (6.0 * t2 - 6.0 * t)
            + da * (3.0 * t2 - 4.0 * t + 1.0)
            + db * (3.0 * t2 - 2.0 * t);
        (value, slope / self.step)
    }

    /// Depression at an area [kPa], with its derivative.
    pub(crate) fn of<S: Real>(&self, area_mm2: S) -> S {
        let ln = area_mm2.at_least(1e-3).ln();
        let (value, slope) = self.at(ln.value());
        ln.chain(value, slope)
    }

    /// Logarithm at the first node, distance of the nodes, and the nodes themselves.
    pub(crate) fn parts(&self) -> (f64, f64, &[(f64, f64)]) {
        (self.ln_low, self.step, &self.nodes)
    }

    /// Fall of the depression over the logarithm of area at an area [kPa].
    pub(crate) fn kpa_per_ln(&self, area_mm2: f64) -> f64 {
        -self.at(area_mm2.max(1e-3).ln()).1
    }
}

/// Geometry and air of one cylinder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Breathing {
    p0_pa: f64,
    t0_k: f64,
    runner_m3: f64,
    at_closing_m3: f64,
    clearance_m3: f64,
    /// Share of the cycle with the inlet valve shut.
    shut: f64,
}

/// What one cylinder does in a cycle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Breath {
    /// Air per cycle [kg].
    pub(crate) air_kg: f64,
    /// Ambient less mean runner pressure [Pa].
    pub(crate) depression_pa: f64,
}

impl Breathing {
    pub(crate) fn of(profile: &Profile, p0_pa: f64, t0_k: f64) -> Self {
        let e = &profile.engine;
        let swept = e.displacement_cc * 1e-6;
        let clearance = swept / (e.compression_ratio - 1.0);
        let late = e.inlet_closes_abdc_deg.to_radians();
        let l = e.rod_to_crank;
        // Piston travel from top dead centre over the stroke, by the slider-crank.
        let phi = std::f64::consts::PI + late;
        let travel = 0.5 * (1.0 - phi.cos() + l - (l * l - phi.sin().powi(2)).sqrt());
        let open_deg = 180.0 + e.inlet_opens_btdc_deg + e.inlet_closes_abdc_deg;
        Self {
            p0_pa,
            t0_k,
            runner_m3: profile.body.runner_cc * 1e-6,
            at_closing_m3: clearance + swept * travel,
            clearance_m3: clearance,
            shut: 1.0 - open_deg / 720.0,
        }
    }

    /// Breath at a through-area [m2] and a speed [1/min].
    pub(crate) fn at(&self, area_m2: f64, rpm: f64) -> Breath {
        let r = Gas::AIR.r_j_per_kg_k();
        let cycle_s = 120.0 / rpm;
        let k = N * (r * self.t0_k).sqrt() * area_m2 / self.runner_m3;
        let per_psi = self.runner_m3 * self.p0_pa / (N * r * self.t0_k);
        let charge = self.p0_pa / (r * self.t0_k * CHARGE_HEATING);
        // Inflow less what the cylinder keeps falls with r0 and is nearly straight: false position
        // with halving of the stale end.
        let surplus = |r0: f64| {
            let (inflow, mean) = self.strokes(r0, k, cycle_s);
            let through = k * per_psi * inflow;
            let kept = charge * (r0 * self.at_closing_m3 - self.clearance_m3);
            (through - kept, through, mean)
        };
        let (mut low, mut high) = (0.02, 0.999_9);
        let (mut f_low, mut f_high) = (surplus(low).0, surplus(high).0);
        let mut breath = Breath {
            air_kg: 0.0,
            depression_pa: 0.0,
        };
        for _ in 0..40 {
            let r0 = low + (high - low) * f_low / (f_low - f_high);
            let (off, through, mean) = surplus(r0);
            breath = Breath {
                air_kg: through,
                depression_pa: (1.0 - mean) * self.p0_pa,
            };
            if off.abs() < 1e-7 * through || high - low < 1e-9 {
                break;
            }
            if off > 0.0 {
                (low, f_low) = (r0, off);
                f_high *= 0.5;
            } else {
                (high, f_high) = (r0, off);
                f_low *= 0.5;
            }
        }
        breath
    }

    /// Air per cycle [kg] at areas spaced evenly in logarithm, for interpolation.
    pub(crate) fn air_table(&self, rpm: f64) -> AirTable {
        let (low, high) = (0.5e-6_f64, 3_000e-6_f64);
        let step = (high / low).ln() / (TABLE - 1) as f64;
        let ln_air = (0..TABLE)
            .map(|i| self.at(low * (step * i as f64).exp(), rpm).air_kg.ln())
            .collect();
        AirTable {
            ln_low: low.ln(),
            step,
            ln_air,
        }
    }

    /// Depression over area at a speed [1/min].
    pub(crate) fn depression_law(&self, rpm: f64) -> DepressionLaw {
        let (low, high) = LAW_MM2;
        let step = (high / low).ln() / (LAW_NODES - 1) as f64;
        let kpa: Vec<f64> = (0..LAW_NODES)
            .map(|i| {
                let area_m2 = low * 1e-6 * (step * i as f64).exp();
                OVER_TWO_STROKES * self.at(area_m2, rpm).depression_pa / 1e3
            })
            .collect();
        let slope = |i: usize| {
            let (before, after) = (i.saturating_sub(1), (i + 1).min(LAW_NODES - 1));
            (kpa[after] - kpa[before]) / (after - before) as f64
        };
        DepressionLaw {
            ln_low: low.ln(),
            step,
            nodes: (0..LAW_NODES).map(|i| (kpa[i], slope(i))).collect(),
        }
    }

    /// Integral of psi over the cycle [s] and mean pressure ratio.
    fn strokes(&self, r0: f64, k: f64, cycle_s: f64) -> (f64, f64) {
        let (shut_s, open_s) = (self.shut * cycle_s, (1.0 - self.shut) * cycle_s);
        let start = refill(r0);
        let top = refill_inverse(start + k * shut_s);
        let (mut inflow, mut mean) = (0.0, 0.0);
        for i in 0..POINTS {
            let x = (i as f64 + 0.5) / POINTS as f64;
            let filling = refill_inverse(start + k * shut_s * x);
            // The cylinder pulls the runner down within the first half of its stroke.
            let drawn = r0 + (top - r0) * (1.0 - 2.0 * x).max(0.0).powi(2);
            inflow += (psi(filling) * shut_s + psi(drawn) * open_s) / POINTS as f64;
            mean += (filling * self.shut + drawn * (1.0 - self.shut)) / POINTS as f64;
        }
        (inflow, mean)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use evenpull_job::builtin;

    fn breathing(p0_kpa: f64, t_c: f64) -> Breathing {
        let profile = Profile::from_toml("p", builtin()[0].toml).unwrap();
        Breathing::of(&profile, p0_kpa * 1e3, t_c + 273.15)
    }

    /// Areas [mm2], speeds and drawn air [mg] of the open jobs (an independent simulator with gas
    /// waves; same geometry): healthy and worn-spindle. Within 7 %: one pressure in runner and
    /// cylinder and a fixed charge temperature are all this model has.
    #[test]
    fn val_air_of_the_open_jobs() {
        for (p0, t, mm2, rpm, mg) in [
            (96.64, 22.1, 8.4856, 1250.0, 170.39),
            (99.13, 17.2, 7.0916, 1250.0, 154.74),
            (99.13, 17.2, 9.8520, 1250.0, 192.94),
            (96.64, 22.1, 14.6614, 2100.0, 173.35),
            (96.64, 22.1, 22.6834, 3100.0, 176.44),
            (99.13, 17.2, 27.1385, 3800.0, 178.69),
            (99.13, 17.2, 30.5630, 3800.0, 188.24),
        ] {
            let found = breathing(p0, t).at(mm2 * 1e-6, rpm).air_kg * 1e6;
            assert!(
                (found / mg - 1.0).abs() < 0.07,
                "{mm2} mm2 at {rpm}: {found:.1} mg, {mg}"
            );
        }
    }

    /// How air grows with area there: 22 % more for 39 % more area at idle, 5 % for 13 % at hold.
    #[test]
    fn val_growth_of_air_in_the_open_jobs() {
        let b = breathing(99.13, 17.2);
        let growth =
            |a: f64, c: f64, rpm: f64| b.at(c * 1e-6, rpm).air_kg / b.at(a * 1e-6, rpm).air_kg;
        let idle = growth(7.0916, 9.8520, 1250.0);
        let hold = growth(27.1385, 30.5630, 3800.0);
        assert!((idle - 192.943 / 154.742).abs() < 0.05, "{idle}");
        assert!((hold - 188.243 / 178.692).abs() < 0.02, "{hold}");
    }

    #[test]
    fn prop_more_area_means_more_air_and_less_depression() {
        let b = breathing(100.0, 20.0);
        for rpm in [1000.0, 3000.0, 6000.0] {
            let mut before = b.at(2e-6, rpm);
            for i in 1..60 {
                let now = b.at(2e-6 * 1.12_f64.powi(i), rpm);
                assert!(now.air_kg > before.air_kg && now.depression_pa < before.depression_pa);
                before = now;
            }
        }
    }

    /// Against the model between the nodes, and its slope against differences.
    #[test]
    fn the_law_is_the_model() {
        let b = breathing(100.0, 20.0);
        for rpm in [1100.0, 3800.0] {
            let law = b.depression_law(rpm);
            let model = |mm2: f64| OVER_TWO_STROKES * b.at(mm2 * 1e-6, rpm).depression_pa / 1e3;
            // Below areas that fill the runner before the stroke is over, where little is left to change.
            for mm2 in [4.7, 8.3, 13.0, 24.0].map(|a| a * (rpm / 3800.0_f64).max(0.5)) {
                let (kpa, slope) = law.at(f64::ln(mm2));
                assert!(
                    (kpa - model(mm2)).abs() < 0.1,
                    "{mm2} at {rpm}: {kpa} {}",
                    model(mm2)
                );
                let want = (model(mm2 * 1.01) - model(mm2 / 1.01)) / (2.0 * 1.01_f64.ln());
                assert!(
                    (slope / want - 1.0).abs() < 0.04,
                    "{mm2} at {rpm}: {slope} {want}"
                );
            }
            assert!(law.at(f64::ln(0.2)).0 > law.at(0.0).0);
        }
    }

    #[test]
    fn the_table_is_the_model() {
        let b = breathing(100.0, 20.0);
        let table = b.air_table(3000.0);
        for mm2 in [1.0, 7.3, 19.0, 26.5, 80.0, 900.0] {
            let (a, t) = (b.at(mm2 * 1e-6, 3000.0).air_kg, table.air_kg(mm2 * 1e-6));
            assert!((t / a - 1.0).abs() < 3e-3, "{mm2}: {t} {a}");
        }
    }
}
