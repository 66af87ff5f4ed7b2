//! Gas in a volume or around the engine, and what flows from one to the other.
//!
//! `m' = CdA psi(p_down / p_up) sqrt(p_up rho_up)`, which is the orifice law with `p/sqrt(R T) = sqrt(p rho)`. What
//! leaves a volume takes along `(U + p V) / m` of enthalpy and `b / m` of burned mass per kilogram.

use evenpull_airflow::orifice::{CRITICAL_RATIO_AIR, flux_kg_m2_s, psi_forward};

/// Steepest slope of the flow function [-], in the straight strip next to `r = 1`.
const STEEPEST_SLOPE: f64 = 44.7;
/// Effective upper bound of the ratio of specific heats, for the stiffness estimate [-].
const GAMMA_BOUND: f64 = 1.4;

/// Gas that a flow does not change: the air outside, the exhaust.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Surrounding {
    pub(crate) p_pa: f64,
    /// One over it [1/Pa].
    per_pa: f64,
    /// `p / sqrt(R T)` [kg/(m2 s)].
    p_over_root: f64,
    burned: f64,
    h_j_kg: f64,
}

impl Surrounding {
    /// Gas at a pressure and a temperature; `h_j_kg` [J/kg] its enthalpy, `burned` [-] its burned share.
    pub(crate) fn new(r_j_per_kg_k: f64, p_pa: f64, t_k: f64, burned: f64, h_j_kg: f64) -> Self {
        Self {
            p_pa,
            per_pa: 1.0 / p_pa,
            p_over_root: p_pa / (r_j_per_kg_k * t_k).sqrt(),
            burned,
            h_j_kg,
        }
    }
}

/// Gas of one volume.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Volume {
    /// One over the mass [1/kg].
    pub(crate) per_kg: f64,
    pub(crate) density_kg_m3: f64,
    pub(crate) p_pa: f64,
    pub(crate) t_k: f64,
    /// `U + p V` of all of it [J].
    pub(crate) enthalpy_j: f64,
    /// Burned mass [kg].
    pub(crate) burned_kg: f64,
}

impl Volume {
    /// What `kg_s` out of here takes along.
    #[inline(always)]
    pub(crate) fn carry(&self, kg_s: f64) -> Flow {
        let share_s = kg_s * self.per_kg;
        Flow {
            kg_s,
            h_w: share_s * self.enthalpy_j,
            burned_kg_s: share_s * self.burned_kg,
        }
    }

    /// Mass flux [kg/(m2 s)] out of here to where `down_pa` [Pa], at most the pressure here, prevails.
    #[inline(always)]
    fn flux_to(&self, down_pa: f64) -> f64 {
        flux_kg_m2_s(self.p_pa, down_pa, self.density_kg_m3)
    }

    /// How steeply that flux falls with the pressure ratio [kg/(m2 s)].
    ///
    /// The slope of the flow function is below `1/psi` everywhere and below the strip's.
    fn flux_slope(&self, flux_kg_m2_s: f64, down_pa: f64) -> f64 {
        if down_pa <= CRITICAL_RATIO_AIR * self.p_pa {
            return 0.0;
        }
        let root = (self.p_pa * self.density_kg_m3).sqrt();
        root * (root / flux_kg_m2_s).min(STEEPEST_SLOPE)
    }
}

/// Flow from one gas to another: mass, and what it carries.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Flow {
    pub(crate) kg_s: f64,
    pub(crate) h_w: f64,
    pub(crate) burned_kg_s: f64,
}

impl std::ops::AddAssign for Flow {
    fn add_assign(&mut self, other: Self) {
        self.kg_s += other.kg_s;
        self.h_w += other.h_w;
        self.burned_kg_s += other.burned_kg_s;
    }
}

impl std::ops::Neg for Flow {
    type Output = Self;

    #[inline(always)]
    fn neg(self) -> Self {
        Self {
            kg_s: -self.kg_s,
            h_w: -self.h_w,
            burned_kg_s: -self.burned_kg_s,
        }
    }
}

/// Flow between two volumes and, where asked for, the rates [1/s] at which both follow it.
///
/// `dp/dt` of a volume per flow is about `gamma p / m`; the flow's slope is per unit of `p/p_up`.
#[inline(always)]
pub(crate) fn between<const STIFF: bool>(area_m2: f64, a: &Volume, b: &Volume) -> (Flow, [f64; 2]) {
    let forward = a.p_pa >= b.p_pa;
    let (up, down) = if forward { (a, b) } else { (b, a) };
    let flux = up.flux_to(down.p_pa);
    let flow = up.carry(area_m2 * flux);
    let mut per_s = [0.0; 2];
    if STIFF {
        let scale = GAMMA_BOUND * area_m2 * up.flux_slope(flux, down.p_pa) / up.p_pa;
        per_s = [a, b].map(|v| scale * v.p_pa * v.per_kg);
    }
    (if forward { flow } else { -flow }, per_s)
}

/// Flow out of a volume to a surrounding, negative when it comes back, and the rate [1/s] at which the
/// volume follows it, where asked for.
#[inline(always)]
pub(crate) fn out_of<const STIFF: bool>(
    area_m2: f64,
    volume: &Volume,
    around: &Surrounding,
) -> (Flow, f64) {
    if volume.p_pa >= around.p_pa {
        leaving::<STIFF>(area_m2, volume, around)
    } else {
        let (flow, _, per_s) = entering::<STIFF>(area_m2, around, volume);
        (-flow, per_s)
    }
}

/// Flow from a surrounding into a volume, negative when it goes back; the flow function `psi(p / p_around)`,
/// negative with it [-]; and the rate [1/s] at which the volume follows it, where asked for.
#[inline(always)]
pub(crate) fn into<const STIFF: bool>(
    area_m2: f64,
    around: &Surrounding,
    volume: &Volume,
) -> (Flow, f64, f64) {
    if volume.p_pa <= around.p_pa {
        entering::<STIFF>(area_m2, around, volume)
    } else {
        let (flow, per_s) = leaving::<STIFF>(area_m2, volume, around);
        // Above the surrounding the law is mirrored, `-r psi(1/r)`, for gas of the surrounding's temperature.
        let psi = volume.p_pa * around.per_pa * psi_forward(around.p_pa / volume.p_pa);
        (-flow, -psi, per_s)
    }
}

/// Flow out of a volume of at least the pressure around it, and its rate.
#[inline(always)]
fn leaving<const STIFF: bool>(area_m2: f64, volume: &Volume, around: &Surrounding) -> (Flow, f64) {
    let flux = volume.flux_to(around.p_pa);
    let mut per_s = 0.0;
    if STIFF {
        per_s = GAMMA_BOUND * area_m2 * volume.flux_slope(flux, around.p_pa) * volume.per_kg;
    }
    (volume.carry(area_m2 * flux), per_s)
}

/// Flow into a volume of at most the pressure around it, its flow function, and its rate.
#[inline(always)]
fn entering<const STIFF: bool>(
    area_m2: f64,
    around: &Surrounding,
    volume: &Volume,
) -> (Flow, f64, f64) {
    let ratio = volume.p_pa * around.per_pa;
    let psi = psi_forward(ratio);
    let scale = area_m2 * around.p_over_root;
    let kg_s = scale * psi;
    let flow = Flow {
        kg_s,
        h_w: kg_s * around.h_j_kg,
        burned_kg_s: kg_s * around.burned,
    };
    let mut per_s = 0.0;
    if STIFF && ratio > CRITICAL_RATIO_AIR {
        let slope = (1.0 / psi).min(STEEPEST_SLOPE);
        per_s = GAMMA_BOUND * scale * slope * ratio * volume.per_kg;
    }
    (flow, psi, per_s)
}

/// Fastest wave [1/s] between two volumes of `v_m3` whose gas swings over `area_over_length_m`, `rt_j_kg` the
/// hottest `R T`.
pub(crate) fn wave_per_s(rt_j_kg: f64, area_over_length_m: f64, v_m3: f64) -> f64 {
    2.0 * (GAMMA_BOUND * rt_j_kg * area_over_length_m / v_m3).sqrt()
}
