//! Heat release, wall heat and friction: what makes the engine turn itself.
//!
//! Limits: burn angles follow the speed only (residual gas does not slow the burn), mixture at the
//! ECU's target, walls at a given temperature.

use crate::power::two_fifths;

/// Heat release after Wiebe, `x = 1 - exp(-a y^(m+1))`, `y` the part of the duration gone by.
///
/// Between `late_rpm` and `early_rpm` the start moves linearly from `late_deg` to `early_deg` and
/// the heat from `late_share` of the full heat to all of it: the spark is held back at idle, and
/// slow burns there leave some charge unburned.
///
/// # Source
/// Heywood 1988, section 9.2.3; a = 5, m = 2 there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeatRelease {
    /// Start of burn at and below `late_rpm`, degrees after firing top dead centre [deg].
    pub late_deg: f64,
    /// Start of burn at and above `early_rpm` [deg].
    pub early_deg: f64,
    /// Speed up to which the spark is late [1/min].
    pub late_rpm: f64,
    /// Speed from which the spark is early [1/min], above `late_rpm`.
    pub early_rpm: f64,
    /// Share of the heat released at and below `late_rpm` [-].
    pub late_share: f64,
    /// Duration to the end of the law [deg].
    pub duration_deg: f64,
    /// Efficiency parameter a [-].
    pub a: f64,
    /// Form parameter m [-].
    pub m: f64,
    /// Heat released per mass of air trapped at and above `early_rpm` [J/kg].
    pub heat_j_per_kg_air: f64,
}

impl HeatRelease {
    /// Port-injected petrol engine without load, all from memory.
    ///
    /// 43.5 MJ/kg over 14.6 kg/kg, 95 % burned; 5 degrees of advance at idle, 30 from 3,500 on.
    /// The share at idle is assumed: with it the opening at hold leaves the depression that the
    /// trade knows (30 to 45 kPa) once friction is settled at idle.
    pub fn no_load(idle_rpm: f64) -> Self {
        Self {
            late_deg: -5.0,
            early_deg: -30.0,
            late_rpm: idle_rpm,
            early_rpm: (2.8 * idle_rpm).max(idle_rpm + 500.0),
            late_share: 0.85,
            duration_deg: 80.0,
            a: 5.0,
            m: 2.0,
            heat_j_per_kg_air: 0.95 * 43.5e6 / 14.6,
        }
    }

    /// How far from late (0) to early (1) at `rpm` [1/min].
    fn earliness(&self, rpm: f64) -> f64 {
        ((rpm - self.late_rpm) / (self.early_rpm - self.late_rpm)).clamp(0.0, 1.0)
    }

    /// Start of burn after firing top dead centre [deg] at `rpm` [1/min].
    pub fn start_deg(&self, rpm: f64) -> f64 {
        self.late_deg + self.earliness(rpm) * (self.early_deg - self.late_deg)
    }

    /// Heat released per mass of air trapped [J/kg] at `rpm` [1/min].
    pub fn heat_at_j_per_kg(&self, rpm: f64) -> f64 {
        let share = self.late_share + self.earliness(rpm) * (1.0 - self.late_share);
        self.heat_j_per_kg_air * share
    }

    /// Rate `dx/dphi` [1/deg], `since_deg` after the start of burn; integral 1.
    pub fn rate_per_deg(&self, since_deg: f64) -> f64 {
        if (0.0..self.duration_deg).contains(&since_deg) {
            self.rate().per_deg(since_deg)
        } else {
            0.0
        }
    }

    /// The law with all that is constant in it worked out.
    pub(crate) fn rate(&self) -> BurnRate {
        let cut = 1.0 - (-self.a).exp();
        let whole = self.m.round().clamp(0.0, 16.0);
        BurnRate {
            per_duration: 1.0 / self.duration_deg,
            scale_per_deg: self.a * (self.m + 1.0) / (self.duration_deg * cut),
            minus_a: -self.a,
            m: self.m,
            // The cast is exact: a whole number of at most 16.
            whole_m: self.m.total_cmp(&whole).is_eq().then_some(whole as i32),
        }
    }
}

/// [`HeatRelease::rate_per_deg`] within the burn: `a (m + 1) / (d (1 - exp(-a))) y^m exp(-a y^(m+1))`.
#[derive(Debug, Clone)]
pub(crate) struct BurnRate {
    /// One over the duration [1/deg].
    per_duration: f64,
    scale_per_deg: f64,
    minus_a: f64,
    m: f64,
    /// `m` where it is a whole number: repeated products are several times as fast as a power.
    whole_m: Option<i32>,
}

impl BurnRate {
    /// Rate [1/deg], `since_deg` from the start of the burn, from 0 to the duration.
    pub(crate) fn per_deg(&self, since_deg: f64) -> f64 {
        let y = since_deg * self.per_duration;
        let ym = self.whole_m.map_or_else(|| y.powf(self.m), |m| y.powi(m));
        self.scale_per_deg * ym * (self.minus_a * ym * y).exp()
    }
}

/// Heat to the cylinder walls, `h = 130 V^-0.06 p^0.8 T^-0.4 (c_m + 1.4)^0.8`, p in bar.
///
/// # Source
/// Hohenberg 1979 (SAE 790825), from memory; fitted to diesel engines of 1 to 14 l, used here for
/// want of a better one at this size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CylinderWall {
    /// Wall temperature [K].
    pub t_k: f64,
    /// Multiplier of the coefficient [-].
    pub scale: f64,
}

impl CylinderWall {
    /// Coefficient of the formula for SI arguments: 130 W/(m2 K) with p in bar, so 130 (1e-5)^0.8.
    const HOHENBERG_SI: f64 = 0.013;

    /// Heat flow out of the gas [W]: `v_m3`, `area_m2`, `p_pa`, `t_k`, mean piston speed [m/s].
    pub fn heat_w(&self, v_m3: f64, area_m2: f64, p_pa: f64, t_k: f64, piston_m_s: f64) -> f64 {
        self.heat_of(
            Self::of_place(v_m3, area_m2) * Self::of_speed(piston_m_s),
            p_pa,
            t_k,
        )
    }

    /// What of the flow the place of the piston decides: `A V^-0.06`, `v_m3` [m3], `area_m2` [m2].
    pub(crate) fn of_place(v_m3: f64, area_m2: f64) -> f64 {
        area_m2 * v_m3.powf(-0.06)
    }

    /// What of it the mean piston speed [m/s] decides: `(c_m + 1.4)^0.8`.
    pub(crate) fn of_speed(piston_m_s: f64) -> f64 {
        (piston_m_s + 1.4).powf(0.8)
    }

    /// [`CylinderWall::heat_w`] by the product of [`CylinderWall::of_place`] and [`CylinderWall::of_speed`]:
    /// powers are dear, and neither hangs on the gas.
    pub(crate) fn heat_of(&self, place_and_speed: f64, p_pa: f64, t_k: f64) -> f64 {
        // One power for the two that do: p^0.8 T^-0.4.
        let gas = two_fifths(p_pa * p_pa / t_k);
        self.scale * Self::HOHENBERG_SI * place_and_speed * gas * (t_k - self.t_k)
    }
}

/// Heat from the runner wall into the runner gas, constant conductance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunnerWall {
    /// Wall temperature [K].
    pub t_k: f64,
    /// Heat transfer coefficient times area [W/K].
    pub conductance_w_per_k: f64,
}

/// Friction mean effective pressure `c0 + c1 n + c2 n^2`, `n` in thousands of revolutions a minute.
///
/// Gearbox drag and the alternator count as friction.
///
/// # Source
/// Heywood 1988, eq. 13.6 (0.97 + 0.15 n + 0.05 n^2 bar, motored car engines), from memory.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Friction {
    /// Constant part [Pa].
    pub c0_pa: f64,
    /// Linear part [Pa per 1000/min].
    pub c1_pa: f64,
    /// Quadratic part [Pa per (1000/min)^2].
    pub c2_pa: f64,
}

impl Friction {
    /// The cited fit.
    pub const CITED: Self = Self {
        c0_pa: 97e3,
        c1_pa: 15e3,
        c2_pa: 5e3,
    };

    /// Friction mean effective pressure [Pa] at `rpm` [1/min].
    pub fn fmep_pa(&self, rpm: f64) -> f64 {
        let n = rpm / 1000.0;
        self.c0_pa + n * (self.c1_pa + n * self.c2_pa)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn burn_law_integrates_to_one() {
        let law = HeatRelease::no_load(1250.0);
        let n = 6000;
        let h = law.duration_deg / f64::from(n);
        let sum: f64 = (0..n)
            .map(|k| law.rate_per_deg((f64::from(k) + 0.5) * h) * h)
            .sum();
        assert!((sum - 1.0).abs() < 1e-6, "{sum}");
    }

    #[test]
    fn wall_heat_matches_the_formula_in_its_own_units() {
        let wall = CylinderWall {
            t_k: 400.0,
            scale: 1.0,
        };
        let (v, p_bar, t, c) = (1e-4_f64, 20.0_f64, 1800.0_f64, 4.0_f64);
        let h = 130.0 * v.powf(-0.06) * p_bar.powf(0.8) * t.powf(-0.4) * (c + 1.4).powf(0.8);
        let q = wall.heat_w(v, 0.02, p_bar * 1e5, t, c);
        assert!((q / (h * 0.02 * 1400.0) - 1.0).abs() < 1e-12);
    }
}
