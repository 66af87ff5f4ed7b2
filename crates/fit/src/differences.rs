//! Jacobians by differences of second order that stay inside the bounds.

/// Relative step `eps^(1/3)`, where rounding and truncation of a central difference balance.
const RELATIVE_STEP: f64 = 6.055_454_452_393_343e-6;

/// Fills `jacobian` (row-major, `out_len` rows by `x.len()` columns) with `d f / d x`.
///
/// Central differences; at a bound three-point differences from inside, of the same order.
/// `scale` [unit of each x] > 0 sets the step where x is near zero. A coordinate whose bounds
/// leave no room keeps a column of zeros.
pub(crate) fn jacobian(
    f: &mut dyn FnMut(&[f64], &mut [f64]),
    x: &[f64],
    lower: &[f64],
    upper: &[f64],
    scale: &[f64],
    out_len: usize,
    jacobian: &mut [f64],
) {
    let n = x.len();
    let mut probe = x.to_vec();
    let (mut a, mut b) = (vec![0.0; out_len], vec![0.0; out_len]);
    let mut centre: Option<Vec<f64>> = None;
    for k in 0..n {
        let mut h = RELATIVE_STEP * x[k].abs().max(scale[k]);
        let (up, down) = (upper[k] - x[k], x[k] - lower[k]);
        // The wider side must hold two steps for the one-sided form.
        h = h.min(0.5 * up.max(down));
        // A step that is a difference of two floats makes the quotient exact in x.
        h = (x[k] + h) - x[k];
        let column = |jacobian: &mut [f64], value: &dyn Fn(usize) -> f64| {
            for i in 0..out_len {
                jacobian[i * n + k] = value(i);
            }
        };
        if h <= 0.0 {
            column(jacobian, &|_| 0.0);
        } else if h <= up && h <= down {
            probe[k] = x[k] + h;
            f(&probe, &mut a);
            probe[k] = x[k] - h;
            f(&probe, &mut b);
            column(jacobian, &|i| (a[i] - b[i]) / (2.0 * h));
        } else {
            let side = if up > down { h } else { -h };
            let c = centre.get_or_insert_with(|| {
                let mut c = vec![0.0; out_len];
                f(x, &mut c);
                c
            });
            probe[k] = x[k] + side;
            f(&probe, &mut a);
            probe[k] = x[k] + 2.0 * side;
            f(&probe, &mut b);
            column(jacobian, &|i| {
                (4.0 * a[i] - 3.0 * c[i] - b[i]) / (2.0 * side)
            });
        }
        probe[k] = x[k];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// f = x0^2 x1, exact derivatives 2 x0 x1 and x0^2; both forms are exact for squares.
    #[test]
    fn inside_and_at_the_bounds() {
        let f = |x: &[f64], out: &mut [f64]| out[0] = x[0] * x[0] * x[1];
        for (lower, upper) in [
            ([-9.0, -9.0], [9.0, 9.0]),
            ([2.0, 3.0], [9.0, 9.0]),
            ([0.0; 2], [2.0, 3.0]),
        ] {
            let mut j = [0.0; 2];
            let mut checked = |x: &[f64], out: &mut [f64]| {
                assert!(x.iter().zip(&lower).all(|(x, l)| x >= l), "{x:?}");
                assert!(x.iter().zip(&upper).all(|(x, u)| x <= u), "{x:?}");
                f(x, out);
            };
            jacobian(
                &mut checked,
                &[2.0, 3.0],
                &lower,
                &upper,
                &[1.0, 1.0],
                1,
                &mut j,
            );
            assert!(
                (j[0] - 12.0).abs() < 1e-8 && (j[1] - 4.0).abs() < 1e-8,
                "{j:?}"
            );
        }
    }

    #[test]
    fn no_room_gives_zero() {
        let mut f = |x: &[f64], out: &mut [f64]| out[0] = x[0];
        let mut j = [7.0];
        jacobian(&mut f, &[2.0], &[2.0], &[2.0], &[1.0], 1, &mut j);
        assert_eq!(j, [0.0]);
    }
}
