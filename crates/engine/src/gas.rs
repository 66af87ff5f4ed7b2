//! The working gas: ideal, with specific heat rising linearly with temperature.
//!
//! One gas for air and burned charge, so that energy passes between volumes without a change of
//! zero point. `cv = c0 + c1 T`, `u = c0 T + c1 T^2 / 2`, `h = u + R T`. With `c1 = 0` the ratio of
//! specific heats is constant, as the motored check needs. Limits: no dissociation, no change of
//! gas constant with burning (about 1 %), no fuel vapour (about 2 % of the volume drawn in).

/// Ideal gas with `cv = c0 + c1 T`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WorkingGas {
    /// Gas constant R [J/(kg K)].
    pub r_j_per_kg_k: f64,
    /// Constant part of the specific heat at constant volume [J/(kg K)].
    pub c0_j_per_kg_k: f64,
    /// Slope of the specific heat at constant volume [J/(kg K2)], not negative.
    pub c1_j_per_kg_k2: f64,
}

impl WorkingGas {
    /// Constant ratio of specific heats 1.4, for motored checks against published numbers.
    pub fn constant(r_j_per_kg_k: f64) -> Self {
        Self {
            r_j_per_kg_k,
            c0_j_per_kg_k: r_j_per_kg_k / 0.4,
            c1_j_per_kg_k2: 0.0,
        }
    }

    /// Air at intake temperatures, burned charge at flame temperatures.
    ///
    /// `cv` = 718 J/(kg K) at 300 K (gamma 1.40) and 1,050 at 2,500 K (gamma 1.27), a straight
    /// line between; the end points are from memory of stoichiometric burned-gas charts.
    pub fn charge() -> Self {
        Self {
            r_j_per_kg_k: 287.0,
            c0_j_per_kg_k: 672.7,
            c1_j_per_kg_k2: 0.150_9,
        }
    }

    /// Specific internal energy [J/kg] at `t_k` [K].
    pub fn u_j_per_kg(&self, t_k: f64) -> f64 {
        t_k * (self.c0_j_per_kg_k + 0.5 * self.c1_j_per_kg_k2 * t_k)
    }

    /// Specific enthalpy [J/kg] at `t_k` [K].
    pub fn h_j_per_kg(&self, t_k: f64) -> f64 {
        self.u_j_per_kg(t_k) + self.r_j_per_kg_k * t_k
    }

    /// Temperature [K] at specific internal energy `u_j_per_kg` [J/kg], the inverse of `u`.
    pub fn t_k(&self, u_j_per_kg: f64) -> f64 {
        let c0 = self.c0_j_per_kg_k;
        if self.c1_j_per_kg_k2 <= 0.0 {
            return u_j_per_kg / c0;
        }
        2.0 * u_j_per_kg / (c0 + (c0 * c0 + 2.0 * self.c1_j_per_kg_k2 * u_j_per_kg).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn temperature_inverts_energy() {
        for gas in [WorkingGas::charge(), WorkingGas::constant(287.0)] {
            for t in [250.0, 300.0, 700.0, 2600.0] {
                assert!((gas.t_k(gas.u_j_per_kg(t)) - t).abs() < 1e-9 * t);
            }
        }
    }

    #[test]
    fn charge_has_the_stated_ratios() {
        let g = WorkingGas::charge();
        let gamma = |t: f64| 1.0 + g.r_j_per_kg_k / (g.c0_j_per_kg_k + g.c1_j_per_kg_k2 * t);
        assert!((gamma(300.0) - 1.40).abs() < 0.005);
        assert!((gamma(2500.0) - 1.27).abs() < 0.005);
    }
}
