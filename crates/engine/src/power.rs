//! `x^0.4` in a fraction of the time of the library's power.
//!
//! Limits: good to [`ERROR`], which is far below what any correlation of wall heat is good to.

/// Largest relative error [-]: that of the cubics, `h^4/384` of the fourth derivative's.
#[cfg(test)]
const ERROR: f64 = 7e-13;

/// Cells of [`CUBICS`] over 1 to 2; a power of two, so that places are exact.
const CELLS: usize = 256;
/// Bits of a number's fraction beyond those that name the cell.
const BELOW: u32 = 52 - CELLS.trailing_zeros();

/// `m^0.4`, one cubic to a cell, by rising powers of the place in it, for `m` from 1 to 2.
static CUBICS: [[f64; 4]; CELLS] = cubics();

/// `2^(0.4 k)`.
static FIFTHS: [f64; 5] = [
    1.0,
    fifth_root(4.0),
    fifth_root(16.0),
    2.0 * fifth_root(2.0),
    2.0 * fifth_root(8.0),
];

const fn cubics() -> [[f64; 4]; CELLS] {
    let mut cubics = [[0.0; 4]; CELLS];
    let mut i = 0;
    let mut left = at(1.0);
    while i < CELLS {
        let right = at(1.0 + (i + 1) as f64 / CELLS as f64);
        let rise = right.0 - left.0;
        cubics[i] = [
            left.0,
            left.1,
            3.0 * rise - 2.0 * left.1 - right.1,
            left.1 + right.1 - 2.0 * rise,
        ];
        left = right;
        i += 1;
    }
    cubics
}

/// `m^0.4` and its slope per cell.
const fn at(m: f64) -> (f64, f64) {
    let value = fifth_root(m * m);
    (value, 0.4 * value / m / CELLS as f64)
}

/// Fifth root of `x` between 1 and 16, by Newton's method from above.
const fn fifth_root(x: f64) -> f64 {
    let (mut root, mut step) = (2.0, 0);
    while step < 12 {
        root -= (root - x / (root * root * root * root)) / 5.0;
        step += 1;
    }
    root
}

/// `x^0.4`; outside the normal positive numbers the library's answer.
#[inline]
pub(crate) fn two_fifths(x: f64) -> f64 {
    if !(x.is_normal() && x > 0.0) {
        return x.powf(0.4);
    }
    let bits = x.to_bits();
    // x = 2^exponent m, and 0.4 exponent = 2 fives + 0.4 left; counted from a multiple of five below zero.
    let from_below = (bits >> 52) as usize + 2;
    let (fives, left) = (from_below / 5, from_below % 5);
    let half_exponent = f64::from_bits(((fives * 2 + 613) as u64) << 52);
    let cell = (bits >> BELOW) as usize & (CELLS - 1);
    let fraction = bits & ((1 << BELOW) - 1);
    // The rest of the fraction as a number from 1 to 2, less 1.
    let place = f64::from_bits(fraction << (52 - BELOW) | 1.0_f64.to_bits()) - 1.0;
    let [c0, c1, c2, c3] = CUBICS[cell];
    let root = (c0 + c1 * place) + (c2 + c3 * place) * (place * place);
    root * half_exponent * FIFTHS[left]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn is_the_librarys_power() {
        let mut worst = 0.0_f64;
        for k in 0..200_000_u32 {
            // Over the pressures and temperatures of an engine and far beyond, at no round places.
            let x = 1e-9 * 1.000_3_f64.powi(k as i32 % 180_000) + f64::from(k) * 1e-7;
            worst = worst.max((two_fifths(x) / x.powf(0.4) - 1.0).abs());
        }
        println!("largest relative error {worst:.2e}");
        assert!(worst < ERROR, "{worst:e}");
        for x in [
            f64::MIN_POSITIVE,
            1e-300,
            0.5,
            1.0,
            2.0,
            32.0,
            1e300,
            f64::MAX,
        ] {
            assert!((two_fifths(x) / x.powf(0.4) - 1.0).abs() < ERROR, "{x:e}");
        }
    }

    #[test]
    fn odd_arguments_are_the_librarys() {
        assert_eq!(two_fifths(0.0), 0.0);
        assert!(two_fifths(-1.0).is_nan() && two_fifths(f64::NAN).is_nan());
        assert!(two_fifths(f64::INFINITY).is_infinite());
        assert!((two_fifths(1e-310) / 1e-310_f64.powf(0.4) - 1.0).abs() < 1e-12);
    }
}
