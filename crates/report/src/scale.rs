//! From data to picture coordinates, with round tick values.

/// A straight map of a data range onto a picture range.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scale {
    d0: f64,
    d1: f64,
    r0: f64,
    r1: f64,
}

impl Scale {
    /// Maps `d0..d1` onto `r0..r1`; an empty or non-finite data range is widened to something drawable.
    pub(crate) fn new(d0: f64, d1: f64, r0: f64, r1: f64) -> Self {
        let (d0, d1) = drawable(d0, d1);
        Self { d0, d1, r0, r1 }
    }

    /// As [`Scale::new`] with the data range widened to round ticks.
    pub(crate) fn round(d0: f64, d1: f64, r0: f64, r1: f64, ticks: usize) -> Self {
        let (d0, d1) = drawable(d0, d1);
        let step = step(d1 - d0, ticks);
        Self {
            d0: (d0 / step).floor() * step,
            d1: (d1 / step).ceil() * step,
            r0,
            r1,
        }
    }

    /// Picture coordinate of `value`; `None` when it is not finite.
    pub(crate) fn at(&self, value: f64) -> Option<f64> {
        value
            .is_finite()
            .then(|| self.r0 + (value - self.d0) / (self.d1 - self.d0) * (self.r1 - self.r0))
    }

    /// As [`Scale::at`], held inside the picture range.
    pub(crate) fn held(&self, value: f64) -> Option<f64> {
        self.at(value.clamp(self.d0, self.d1))
    }

    /// Round values inside the data range, with the decimals they need.
    pub(crate) fn ticks(&self, about: usize) -> (Vec<f64>, usize) {
        let step = step(self.d1 - self.d0, about);
        let first = (self.d0 / step - 1e-9).ceil();
        let count = (self.d1 / step + 1e-9).floor() - first;
        let decimals = (-step.log10().floor()).clamp(0.0, 6.0) as usize;
        let values = (0..=count.clamp(0.0, 40.0) as usize)
            .map(|i| (first + i as f64) * step)
            .collect();
        (values, decimals)
    }
}

/// Least and greatest finite value.
pub(crate) fn extent(values: impl IntoIterator<Item = f64>) -> Option<(f64, f64)> {
    values
        .into_iter()
        .filter(|v| v.is_finite())
        .fold(None, |acc, v| match acc {
            None => Some((v, v)),
            Some((lo, hi)) => Some((f64::min(lo, v), f64::max(hi, v))),
        })
}

fn drawable(d0: f64, d1: f64) -> (f64, f64) {
    if !(d0.is_finite() && d1.is_finite()) {
        return (0.0, 1.0);
    }
    // Below this width the ticks would run out of digits.
    let least = 1e-6 * d0.abs().max(d1.abs()).max(1e-3);
    if d1 - d0 > least {
        (d0, d1)
    } else {
        let half = 0.5 * d0.abs().max(1.0);
        (d0 - half, d0 + half)
    }
}

fn step(span: f64, about: usize) -> f64 {
    let raw = span / about.max(1) as f64;
    let decade = 10f64.powf(raw.log10().floor());
    let lead = raw / decade;
    let nice = if lead <= 1.0 {
        1.0
    } else if lead <= 2.0 {
        2.0
    } else if lead <= 5.0 {
        5.0
    } else {
        10.0
    };
    nice * decade
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ends_map_to_ends() {
        let s = Scale::new(10.0, 20.0, 40.0, 340.0);
        assert!((s.at(10.0).unwrap() - 40.0).abs() < 1e-12);
        assert!((s.at(20.0).unwrap() - 340.0).abs() < 1e-12);
        assert!((s.held(25.0).unwrap() - 340.0).abs() < 1e-12);
        assert!(s.at(f64::NAN).is_none());
    }

    #[test]
    fn ticks_are_round_and_inside() {
        let s = Scale::round(0.3, 9.2, 0.0, 1.0, 5);
        assert_eq!(s.ticks(5), (vec![0.0, 2.0, 4.0, 6.0, 8.0, 10.0], 0));
        let s = Scale::new(0.0, 0.5, 0.0, 1.0);
        let (values, decimals) = s.ticks(5);
        assert_eq!((values.len(), decimals), (6, 1));
    }

    #[test]
    fn a_range_without_width_is_still_drawable() {
        for (a, b) in [(0.0, 0.0), (5.0, 5.0), (f64::NAN, 1.0), (3.0, 2.0)] {
            let s = Scale::round(a, b, 0.0, 100.0, 4);
            assert!(s.ticks(4).0.len() > 1);
            assert!(s.at(1.0).unwrap().is_finite());
        }
    }

    #[test]
    fn extent_skips_what_is_not_finite() {
        assert_eq!(
            extent([f64::NAN, 2.0, -1.0, f64::INFINITY]),
            Some((-1.0, 2.0))
        );
        assert_eq!(extent([f64::NAN]), None);
    }
}
