//! Slider-crank: cylinder volume over crank angle.
//!
//! Limits: no pin offset, rigid parts.

/// Crank, rod and clearance of one cylinder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SliderCrank {
    /// Cylinder bore [m].
    pub bore_m: f64,
    /// Stroke [m].
    pub stroke_m: f64,
    /// Rod length between centres [m], more than half the stroke.
    pub rod_m: f64,
    /// Largest over smallest volume [-], above 1.
    pub compression_ratio: f64,
}

impl SliderCrank {
    /// Piston area [m2].
    pub fn piston_area_m2(&self) -> f64 {
        std::f64::consts::PI * self.bore_m * self.bore_m / 4.0
    }

    /// Swept volume [m3].
    pub fn swept_m3(&self) -> f64 {
        self.piston_area_m2() * self.stroke_m
    }

    /// Volume at top dead centre [m3].
    pub fn clearance_m3(&self) -> f64 {
        self.swept_m3() / (self.compression_ratio - 1.0)
    }

    /// Piston travel from top dead centre `s` [m] and `ds/dphi` [m/rad] at `phi_rad` past it.
    ///
    /// `s = a (1 - cos phi) + l - sqrt(l^2 - a^2 sin^2 phi)`, `a` half the stroke, `l` the rod.
    pub fn travel_m(&self, phi_rad: f64) -> (f64, f64) {
        let a = 0.5 * self.stroke_m;
        let (sin, cos) = phi_rad.sin_cos();
        let root = (self.rod_m * self.rod_m - a * a * sin * sin).sqrt();
        let s = a * (1.0 - cos) + self.rod_m - root;
        (s, a * sin * (1.0 + a * cos / root))
    }
}

/// Cylinder volume over crank angle, one cubic to a degree.
///
/// Cubics through volume and slope at whole degrees are good to `3e-10` of the stroke and give the
/// slope that belongs to them, so that work and volume fit together.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct VolumeTable {
    /// Coefficients [m3] by rising powers of the part of the degree.
    cubics: Vec<[f64; 4]>,
}

impl VolumeTable {
    /// Degrees of one turn, after which the volume comes again.
    const TURN: usize = 360;

    pub(crate) fn new(crank: &SliderCrank) -> Self {
        let piston_m2 = crank.piston_area_m2();
        let at = |deg: usize| {
            let (s, slope) = crank.travel_m((deg as f64).to_radians());
            (
                crank.clearance_m3() + piston_m2 * s,
                piston_m2 * slope * 1.0_f64.to_radians(),
            )
        };
        let mut left = at(0);
        let cubic = |deg: usize| {
            let right = at(deg + 1);
            let rise = right.0 - left.0;
            let cubic = [
                left.0,
                left.1,
                3.0 * rise - 2.0 * left.1 - right.1,
                left.1 + right.1 - 2.0 * rise,
            ];
            left = right;
            cubic
        };
        Self {
            cubics: (0..Self::TURN).map(cubic).collect(),
        }
    }

    /// Volume [m3] and its slope [m3/deg] at `phi_deg` past top dead centre, 0 to 720.
    pub(crate) fn at(&self, phi_deg: f64) -> (f64, f64) {
        let whole = phi_deg as usize;
        let x = phi_deg - whole as f64;
        let [a, b, c, d] = self.cubics[whole % Self::TURN];
        (
            a + x * (b + x * (c + x * d)),
            b + x * (2.0 * c + x * 3.0 * d),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn crank() -> SliderCrank {
        SliderCrank {
            bore_m: 0.070,
            stroke_m: 0.060,
            rod_m: 0.120,
            compression_ratio: 11.0,
        }
    }

    /// Closed form for stroke 60, rod 120 mm, computed outside this code. Tolerance: last digit.
    #[test]
    fn val_piston_travel() {
        for (deg, mm) in [
            (10.0_f64, 0.568_897_072),
            (30.0, 4.960_428_889),
            (60.0, 17.846_254_861),
            (90.0, 33.810_499_614),
            (120.0, 47.846_254_861),
        ] {
            let (s, _) = crank().travel_m(deg.to_radians());
            assert!((s * 1e3 - mm).abs() < 1e-9, "{deg} deg: {} mm", s * 1e3);
        }
    }

    #[test]
    fn table_is_the_formula() {
        let (crank, table) = (crank(), VolumeTable::new(&crank()));
        for k in 0..7200 {
            let deg = f64::from(k) * 0.1;
            let (s, slope) = crank.travel_m(deg.to_radians());
            let v_m3 = crank.clearance_m3() + crank.piston_area_m2() * s;
            let dv_m3_deg = crank.piston_area_m2() * slope * 1.0_f64.to_radians();
            let (v, dv) = table.at(deg);
            // A cubic's own error: h^4/384 of the fourth and h^3/72 of the third derivative's.
            assert!((v - v_m3).abs() < 1e-9 * crank.swept_m3(), "{deg}");
            assert!((dv - dv_m3_deg).abs() < 1e-8 * crank.swept_m3(), "{deg}");
        }
    }

    #[test]
    fn travel_slope_matches_differences() {
        let h = 1e-6;
        for k in 0..72 {
            let phi = f64::from(k) * 0.1;
            let (_, slope) = crank().travel_m(phi);
            let diff = (crank().travel_m(phi + h).0 - crank().travel_m(phi - h).0) / (2.0 * h);
            assert!((slope - diff).abs() < 1e-9, "{phi}: {slope} {diff}");
        }
    }
}
