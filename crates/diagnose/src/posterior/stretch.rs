//! A bounded unknown as a function of one without bounds.
//!
//! With `t = u / s`: above a bound `x = lo + s ln(1 + e^t)`, below one its mirror image, between two
//! `x = lo + (hi - lo) / (1 + e^-t)`. Far from a bound the first two are straight lines. The
//! logarithm of the slope, which the density takes on, is concave in `u` for all of them.

/// Distance of a bound from the mode, in standard deviations, from which it needs no transform: next to
/// no draw comes there, and one that does has no density.
const FAR: f64 = 8.0;

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
                let (s, c) = (share(u), share(-u));
                Stretched {
                    x: lo + width * s,
                    slope: width * s * c,
                    bend: width * s * c * (c - s),
                    ln_slope: width.ln() - soft(u) - soft(-u),
                    pull: c - s,
                    stiff: 2.0 * s * c,
                }
            }
        }
    }

    /// `u` of an unknown; one at a bound is taken a little inside.
    pub(super) fn back(self, x: f64) -> f64 {
        let from = |distance: f64, size: f64| {
            let d = (distance / size).max(START);
            // ln(e^d - 1) without the overflow of large d.
            size * (d + (-(-d).exp()).ln_1p())
        };
        match self {
            Self::Plain => x,
            Self::Above { lo, size } => from(x - lo, size),
            Self::Below { hi, size } => -from(hi - x, size),
            Self::Between { lo, width } => {
                let s = ((x - lo) / width).clamp(0.02, 0.98);
                (s / (1.0 - s)).ln()
            }
        }
    }
}

fn up(lo: f64, size: f64, u: f64) -> Stretched {
    let t = u / size;
    let (s, c) = (share(t), share(-t));
    Stretched {
        x: lo + size * soft(t),
        slope: s,
        bend: s * c / size,
        ln_slope: -soft(-t),
        pull: c / size,
        stiff: s * c / (size * size),
    }
}

/// `1 / (1 + e^-t)`.
fn share(t: f64) -> f64 {
    (1.0 + (-t).exp()).recip()
}

/// `ln(1 + e^t)`.
fn soft(t: f64) -> f64 {
    t.max(0.0) + (-t.abs()).exp().ln_1p()
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Stretch; 4] = [
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
    ];

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
                    (here.stiff, -by(|s| s.pull)),
                ] {
                    assert!(
                        (found - want).abs() < 1e-6,
                        "{stretch:?} {u} {found} {want}"
                    );
                }
                assert!((stretch.at(stretch.back(here.x)).x - here.x).abs() < 0.1);
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
        }
    }
}
