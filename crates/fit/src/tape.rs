//! Exact derivatives of a formula from one run of it, by reverse accumulation.
//!
//! A formula is written once over [`Real`]. With `f64` it is plain arithmetic; with [`Var`] every
//! operation is noted on a [`Tape`], from which one sweep backwards gives the derivatives of a
//! result by all inputs at about the cost of the formula. A slope is that of the branch taken
//! (`max` and the like have corners). Constants leave no trace on the tape.

use std::cell::{Cell, RefCell};
use std::ops::{Add, Div, Mul, Neg, Sub};

/// A number that a formula can be written over: `f64`, or [`Var`] where derivatives are wanted.
pub trait Real:
    Copy
    + Neg<Output = Self>
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Add<f64, Output = Self>
    + Sub<f64, Output = Self>
    + Mul<f64, Output = Self>
    + Div<f64, Output = Self>
{
    /// Its value.
    fn value(self) -> f64;

    /// A constant to calculate with beside `self`.
    fn constant(self, value: f64) -> Self;

    /// A function of `self` known by its value and its slope there.
    fn chain(self, value: f64, slope: f64) -> Self;

    /// A function of `self` and `other` known by its value and its slopes by each.
    fn chain2(self, other: Self, value: f64, slopes: (f64, f64)) -> Self;

    /// `e^x`.
    fn exp(self) -> Self {
        let e = self.value().exp();
        self.chain(e, e)
    }

    /// Natural logarithm.
    fn ln(self) -> Self {
        self.chain(self.value().ln(), self.value().recip())
    }

    /// Square root.
    fn sqrt(self) -> Self {
        let root = self.value().sqrt();
        self.chain(root, 0.5 / root)
    }

    /// The larger of `self` and a constant.
    fn at_least(self, least: f64) -> Self {
        if self.value() >= least {
            self
        } else {
            self.constant(least)
        }
    }

    /// The smaller of `self` and a constant.
    fn at_most(self, most: f64) -> Self {
        if self.value() <= most {
            self
        } else {
            self.constant(most)
        }
    }
}

impl Real for f64 {
    fn value(self) -> f64 {
        self
    }

    fn constant(self, value: f64) -> f64 {
        value
    }

    fn chain(self, value: f64, _: f64) -> f64 {
        value
    }

    fn chain2(self, _: f64, value: f64, _: (f64, f64)) -> f64 {
        value
    }
}

/// Place of a constant: nowhere on the tape.
const NOWHERE: u32 = u32::MAX;

/// One noted operation: where its operands stand and its slope by each.
#[derive(Debug, Clone, Copy)]
struct Node {
    of: [u32; 2],
    slope: [f64; 2],
}

/// Operations in the order they were done; inputs come first.
///
/// Kept and started anew for each point, it allocates nothing after the first.
#[derive(Debug, Default)]
pub struct Tape {
    nodes: RefCell<Vec<Node>>,
    adjoint: RefCell<Vec<f64>>,
    inputs: Cell<usize>,
}

impl Tape {
    /// An empty tape.
    pub fn new() -> Self {
        Self::default()
    }

    /// Forgets everything and makes room for `inputs` inputs. [`Var`]s of before are void.
    pub fn start(&self, inputs: usize) {
        self.nodes.borrow_mut().clear();
        self.inputs.set(inputs);
    }

    /// Input number `index`, below the count given to [`Tape::start`], at `value`.
    pub fn input(&self, index: usize, value: f64) -> Var<'_> {
        debug_assert!(index < self.inputs.get());
        Var {
            tape: self,
            place: index as u32,
            value,
        }
    }

    /// A constant.
    pub fn constant(&self, value: f64) -> Var<'_> {
        Var {
            tape: self,
            place: NOWHERE,
            value,
        }
    }

    fn note(&self, value: f64, of: [u32; 2], slope: [f64; 2]) -> Var<'_> {
        if of == [NOWHERE; 2] {
            return self.constant(value);
        }
        let mut nodes = self.nodes.borrow_mut();
        nodes.push(Node { of, slope });
        Var {
            tape: self,
            place: (self.inputs.get() + nodes.len() - 1) as u32,
            value,
        }
    }

    /// `sum of weight * d(result)/d(input)` into `out`, one entry per input.
    ///
    /// One result of weight 1 gives its gradient, a row of the Jacobian; residuals weighted by
    /// themselves give `J'r`. Results are of this tape and of this start.
    pub fn sweep<'a>(&self, results: impl IntoIterator<Item = (Var<'a>, f64)>, out: &mut [f64]) {
        let nodes = self.nodes.borrow();
        let inputs = self.inputs.get();
        let mut adjoint = self.adjoint.borrow_mut();
        adjoint.resize(nodes.len(), 0.0);
        out.fill(0.0);
        // Nodes from `low` to `high` may have something to hand on; the sweep leaves all at zero.
        let (mut low, mut high) = (usize::MAX, 0);
        for (result, weight) in results {
            if result.place == NOWHERE {
                continue;
            }
            match (result.place as usize).checked_sub(inputs) {
                None => out[result.place as usize] += weight,
                Some(at) => {
                    adjoint[at] += weight;
                    (low, high) = (low.min(at), high.max(at + 1));
                }
            }
        }
        while high > low {
            high -= 1;
            let weight = std::mem::take(&mut adjoint[high]);
            if weight == 0.0 {
                continue;
            }
            let node = nodes[high];
            for (of, slope) in node.of.into_iter().zip(node.slope) {
                if of == NOWHERE {
                    continue;
                }
                match (of as usize).checked_sub(inputs) {
                    None => out[of as usize] += weight * slope,
                    Some(at) => {
                        adjoint[at] += weight * slope;
                        low = low.min(at);
                    }
                }
            }
        }
    }
}

/// A number whose making is noted on a [`Tape`].
#[derive(Debug, Clone, Copy)]
pub struct Var<'t> {
    tape: &'t Tape,
    place: u32,
    value: f64,
}

impl Real for Var<'_> {
    fn value(self) -> f64 {
        self.value
    }

    fn constant(self, value: f64) -> Self {
        self.tape.constant(value)
    }

    fn chain(self, value: f64, slope: f64) -> Self {
        self.tape.note(value, [self.place, NOWHERE], [slope, 0.0])
    }

    fn chain2(self, other: Self, value: f64, slopes: (f64, f64)) -> Self {
        let of = [self.place, other.place];
        self.tape.note(value, of, slopes.into())
    }
}

impl Neg for Var<'_> {
    type Output = Self;

    fn neg(self) -> Self {
        self.chain(-self.value, -1.0)
    }
}

impl Add for Var<'_> {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        self.chain2(other, self.value + other.value, (1.0, 1.0))
    }
}

impl Sub for Var<'_> {
    type Output = Self;

    fn sub(self, other: Self) -> Self {
        self.chain2(other, self.value - other.value, (1.0, -1.0))
    }
}

impl Mul for Var<'_> {
    type Output = Self;

    fn mul(self, other: Self) -> Self {
        self.chain2(other, self.value * other.value, (other.value, self.value))
    }
}

impl Div for Var<'_> {
    type Output = Self;

    fn div(self, other: Self) -> Self {
        let ratio = self.value / other.value;
        self.chain2(other, ratio, (other.value.recip(), -ratio / other.value))
    }
}

impl Add<f64> for Var<'_> {
    type Output = Self;

    /// Leaves the tape alone: a shift has slope one.
    fn add(self, other: f64) -> Self {
        Self {
            value: self.value + other,
            ..self
        }
    }
}

impl Sub<f64> for Var<'_> {
    type Output = Self;

    /// Leaves the tape alone: a shift has slope one.
    fn sub(self, other: f64) -> Self {
        Self {
            value: self.value - other,
            ..self
        }
    }
}

impl Mul<f64> for Var<'_> {
    type Output = Self;

    fn mul(self, other: f64) -> Self {
        self.chain(self.value * other, other)
    }
}

impl Div<f64> for Var<'_> {
    type Output = Self;

    fn div(self, other: f64) -> Self {
        self.chain(self.value / other, other.recip())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Uses every operation, with one input twice and one through a branch.
    fn formula<S: Real>(x: &[S]) -> [S; 2] {
        let a = (x[0] * x[1] + 2.0) / x[2] - x[1] * 0.5;
        let b = (-x[0]).exp() + (x[2] * x[2] + x[1]).sqrt() / 3.0;
        let c = (a * a + 1.0).ln() - b.at_least(-5.0) + x[0].at_most(-9.0);
        [a - 1.0 + c, c * b + x[0].constant(4.0)]
    }

    const POINT: [f64; 3] = [0.3, 1.2, 0.7];

    #[test]
    fn gradients_agree_with_central_differences() {
        let tape = Tape::new();
        for _ in 0..2 {
            tape.start(3);
            let x: Vec<Var<'_>> = (0..3).map(|i| tape.input(i, POINT[i])).collect();
            let results = formula(&x);
            for (k, result) in results.into_iter().enumerate() {
                assert_eq!(result.value(), formula(&POINT)[k]);
                let mut slopes = [0.0; 3];
                tape.sweep([(result, 1.0)], &mut slopes);
                for i in 0..3 {
                    let h = 1e-5;
                    let (mut up, mut down) = (POINT, POINT);
                    up[i] += h;
                    down[i] -= h;
                    let want = (formula(&up)[k] - formula(&down)[k]) / (2.0 * h);
                    // Truncation h^2 and rounding 1e-16/h, both below 1e-9 of values about one.
                    assert!((slopes[i] - want).abs() < 1e-8, "{k} {i} {slopes:?} {want}");
                }
            }
        }
    }

    #[test]
    fn a_weighted_sweep_is_the_sum_of_single_ones() {
        let tape = Tape::new();
        tape.start(3);
        let x: Vec<Var<'_>> = (0..3).map(|i| tape.input(i, POINT[i])).collect();
        let [a, b] = formula(&x);
        let (mut first, mut second, mut both) = ([0.0; 3], [0.0; 3], [0.0; 3]);
        tape.sweep([(a, 1.0)], &mut first);
        tape.sweep([(b, 1.0)], &mut second);
        tape.sweep(
            [(a, 2.0), (b, -0.5), (x[1], 3.0), (tape.constant(1.0), 9.0)],
            &mut both,
        );
        for i in 0..3 {
            let want = 2.0 * first[i] - 0.5 * second[i] + if i == 1 { 3.0 } else { 0.0 };
            assert!((both[i] - want).abs() < 1e-12);
        }
    }

    #[test]
    fn constants_leave_no_trace() {
        let tape = Tape::new();
        tape.start(1);
        let c = tape.constant(2.0);
        let result = (c * c + c / 3.0).ln() + 1.0;
        let mut slopes = [7.0];
        tape.sweep([(result, 1.0)], &mut slopes);
        assert_eq!(slopes, [0.0]);
        assert!(tape.nodes.borrow().is_empty());
    }
}
