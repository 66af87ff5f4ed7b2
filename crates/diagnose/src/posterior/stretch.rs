//! A bounded unknown as a function of one without bounds.
//!
//! With `t = u / s`, `Phi` the normal distribution and `G(t) = t Phi(t) + phi(t)` its integral: above a bound
//! `x = lo + s G(t)`, below one its mirror image, between two `x = lo + (hi - lo) Phi(t)`. Far from a bound the first two
//! are straight lines. What is even up to a bound falls like a normal in `u`, and what is even between two is one: a
//! logistic curve would leave tails that fall like `e^-|u|`, which a sampler for near-normal densities follows badly.
//! The logarithm of the slope, which the density takes on, is concave in `u` for all of these.
//!
//! What is free below one and held above it, to a small `ease` (a throttle between shut and where its stop holds
//! the plate), is `x = Phi(u) + ease G(u - 2)`: even between 0 and 1 it is normal in `u`, and the wall at one is
//! about a unit wide, however hard it is.

use evenpull_fit::stats::normal_cdf;

/// Distance of a bound from the mode, in standard deviations, from which it needs no transform: next to
/// no draw comes there, and one that does has no density.
pub(super) const FAR: f64 = 8.0;

/// Least distance from a bound at which a search starts, in sizes.
const START: f64 = 0.3;

/// How one unknown is stretched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Stretch {
    /// Not at all.
    Plain,
    /// Up from `lo`, straight from a few `size` on.
    Above { lo: f64, size: f64 },
    /// Down from `hi`.
    Below { hi: f64, size: f64 },
    /// Between `lo` and `lo + width`.
    Between { lo: f64, width: f64 },
    /// Up from 0, easy below 1, in steps of `ease` above it.
    Held { ease: f64 },
}

/// A stretched unknown with its derivatives by `u`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stretched {
    pub(super) x: f64,
    /// `x'`.
    pub(super) slope: f64,
    /// `x''`.
    pub(super) bend: f64,
    pub(super) ln_slope: f64,
    /// First derivative of `ln x'`.
    pub(super) pull: f64,
    /// Second derivative of `-ln x'`, never negative.
    pub(super) stiff: f64,
}

impl Stretch {
    /// For bounds `lo` and `hi` about a mode known to `sd`, where the logarithm of the density falls by
    /// `fall` a unit away from a bound that holds it.
    pub(super) fn of(lo: f64, hi: f64, mode: f64, sd: f64, fall: f64) -> Self {
        let (near_lo, near_hi) = (mode - lo < FAR * sd, hi - mode < FAR * sd);
        // Pressed against its bound a density is as wide as its fall allows.
        let size = sd / (1.0 + fall * sd);
        match (near_lo, near_hi) {
            (false, false) => Self::Plain,
            (true, false) => Self::Above { lo, size },
            (false, true) => Self::Below { hi, size },
            (true, true) => Self::Between { lo, width: hi - lo },
        }
    }

    /// The unknown at `u`.
    pub(super) fn at(self, u: f64) -> Stretched {
        match self {
            Self::Plain => Stretched {
                x: u,
                slope: 1.0,
                bend: 0.0,
                ln_slope: 0.0,
                pull: 0.0,
                stiff: 0.0,
            },
            Self::Above { lo, size } => up(lo, size, u),
            Self::Below { hi, size } => {
                let mirrored = up(-hi, size, -u);
                Stretched {
                    x: -mirrored.x,
                    bend: -mirrored.bend,
                    pull: -mirrored.pull,
                    ..mirrored
                }
            }
            Self::Between { lo, width } => {
                let slope = width * bell(u);
                Stretched {
                    x: lo + width * normal_cdf(u),
                    slope,
                    bend: -u * slope,
                    ln_slope: width.ln() + ln_bell(u),
                    pull: -u,
                    stiff: 1.0,
                }
            }
            Self::Held { ease } => held(ease, u),
        }
    }

    /// `u` of an unknown; one at a bound is taken a little inside.
    pub(super) fn back(self, x: f64) -> f64 {
        let from = |distance: f64, size: f64| {
            let d = (distance / size).max(START);
            size * inverse(d, (-8.0, d), soft)
        };
        match self {
            Self::Plain => x,
            Self::Above { lo, size } => from(x - lo, size),
            Self::Below { hi, size } => -from(hi - x, size),
            Self::Between { lo, width } => {
                let share = ((x - lo) / width).clamp(0.02, 0.98);
                inverse(share, (-8.0, 8.0), normal_cdf)
            }
            Self::Held { ease } => {
                let x = x.max(0.02);
                inverse(x, (-8.0, WALL + x / ease), |u| held(ease, u).x)
            }
        }
    }
}

/// Where a function that grows is at `goal`, by halving `within`.
fn inverse(goal: f64, within: (f64, f64), grows: impl Fn(f64) -> f64) -> f64 {
    let (mut below, mut above) = within;
    while above - below > 1e-9 * (1.0 + above.abs()) {
        let middle = 0.5 * (below + above);
        if grows(middle) < goal {
            below = middle;
        } else {
            above = middle;
        }
    }
    0.5 * (below + above)
}

/// Where the wall of [`Stretch::Held`] begins in `u`.
const WALL: f64 = 2.0;

/// [`Stretch::Held`]: slopes of its two parts are `e^first` and `e^second`.
fn held(ease: f64, u: f64) -> Stretched {
    let t = u - WALL;
    let (first, second) = (ln_bell(u), ease.ln() + ln_cdf(t));
    let ln_slope = first.max(second) + (-(first - second).abs()).exp().ln_1p();
    let (a, b) = ((first - ln_slope).exp(), (second - ln_slope).exp());
    let m = mills(t);
    let pull = b * m - a * u;
    // Second derivative of the slope over the slope.
    let curve = a * (u * u - 1.0) - b * m * t;
    Stretched {
        x: normal_cdf(u) + ease * soft(t),
        slope: bell(u) + ease * normal_cdf(t),
        bend: ease * bell(t) - u * bell(u),
        ln_slope,
        pull,
        stiff: (pull * pull - curve).max(0.0),
    }
}

fn up(lo: f64, size: f64, u: f64) -> Stretched {
    let t = u / size;
    let m = mills(t);
    Stretched {
        x: lo + size * soft(t),
        slope: normal_cdf(t),
        bend: bell(t) / size,
        ln_slope: ln_cdf(t),
        pull: m / size,
        stiff: m * (m + t).max(0.0) / (size * size),
    }
}

/// `phi`.
fn bell(t: f64) -> f64 {
    ln_bell(t).exp()
}

fn ln_bell(t: f64) -> f64 {
    -0.5 * (t * t + std::f64::consts::TAU.ln())
}

/// Place below which `Phi` is taken by its series: `1 - 1/t^2 + 3/t^4` times `phi/|t|`, to 2e-7 there.
const FAR_DOWN: f64 = -20.0;

/// `ln Phi`.
fn ln_cdf(t: f64) -> f64 {
    if t > FAR_DOWN {
        normal_cdf(t).ln()
    } else {
        let q = (t * t).recip();
        ln_bell(t) - (-t).ln() + (3.0 * q * q - q).ln_1p()
    }
}

/// `phi / Phi`, the slope of `ln Phi`.
fn mills(t: f64) -> f64 {
    (ln_bell(t) - ln_cdf(t)).exp()
}

/// `G`, never negative.
fn soft(t: f64) -> f64 {
    (t * normal_cdf(t) + bell(t)).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Stretch; 5] = [
        Stretch::Plain,
        Stretch::Above {
            lo: 0.6,
            size: 0.25,
        },
        Stretch::Below { hi: 1.5, size: 2.0 },
        Stretch::Between {
            lo: -1.0,
            width: 3.0,
        },
        Stretch::Held { ease: 0.05 },
    ];

    /// How far one at a bound may be taken inside, and no other is.
    fn taken_inside(stretch: Stretch) -> f64 {
        match stretch {
            Stretch::Plain => 0.0,
            Stretch::Above { size, .. } | Stretch::Below { size, .. } => START * size,
            Stretch::Between { width, .. } => 0.02 * width,
            Stretch::Held { .. } => 0.02,
        }
    }

    /// Central differences with a step of 1e-5 leave 1e-9 of values about one.
    #[test]
    fn derivatives_agree_with_differences() {
        let h = 1e-5;
        for stretch in ALL {
            for u in [-3.0, -0.4, 0.0, 0.7, 2.5] {
                let (here, up, down) = (stretch.at(u), stretch.at(u + h), stretch.at(u - h));
                let by = |f: fn(Stretched) -> f64| (f(up) - f(down)) / (2.0 * h);
                for (found, want) in [
                    (here.slope, by(|s| s.x)),
                    (here.bend, by(|s| s.slope)),
                    (here.slope.ln(), here.ln_slope),
                    (here.pull, by(|s| s.ln_slope)),
                    (here.stiff, (-by(|s| s.pull)).max(0.0)),
                ] {
                    assert!(
                        (found - want).abs() < 1e-6,
                        "{stretch:?} {u} {found} {want}"
                    );
                }
                let moved = (stretch.at(stretch.back(here.x)).x - here.x).abs();
                assert!(
                    moved <= taken_inside(stretch) + 1e-6,
                    "{stretch:?} {u} {moved}"
                );
            }
        }
    }

    #[test]
    fn only_a_bound_within_reach_is_transformed() {
        let of = |mode: f64| Stretch::of(0.0, 10.0, mode, 0.5, 0.0);
        assert_eq!(of(1.0), Stretch::Above { lo: 0.0, size: 0.5 });
        assert_eq!(
            of(9.0),
            Stretch::Below {
                hi: 10.0,
                size: 0.5
            }
        );
        assert_eq!(of(5.0), Stretch::Plain);
        let wide = Stretch::of(0.0, 1.0, 0.2, 0.5, 0.0);
        assert_eq!(
            wide,
            Stretch::Between {
                lo: 0.0,
                width: 1.0
            }
        );
    }

    #[test]
    fn nothing_leaves_the_bounds() {
        for u in [-800.0, -40.0, 40.0, 800.0] {
            let x = ALL[1].at(u).x;
            assert!(x >= 0.6 && x.is_finite());
            let x = ALL[3].at(u).x;
            assert!((-1.0..=2.0).contains(&x));
            let held = ALL[4].at(u);
            assert!(held.x >= 0.0 && held.ln_slope.is_finite());
        }
    }
}
