//! Which trace is which cylinder, from the firing intervals.

use crate::cycles::Cycle;

/// Largest error of a firing interval that still fits [deg].
///
/// The fall's moment shifts by a few degrees with the through-area and the hose; the closest two
/// different intervals met in practice are 90 degrees apart.
const FIT_DEG: f64 = 40.0;

/// What the firing intervals say about the plumbing.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Plumbing {
    /// Every trace is on the body it is named after.
    AsNamed,
    /// Trace `i` is on body `found[i]`.
    Crossed { found: Vec<usize> },
    /// The intervals fit no order of the profile; the measured ones are given [deg].
    NoOrder { measured_deg: Vec<f64> },
    /// The intervals cannot tell the bodies apart (equal firing intervals).
    CannotTell,
}

/// Smallest signed difference of two crank angles [deg].
fn apart(a: f64, b: f64) -> f64 {
    (a - b + 360.0).rem_euclid(720.0) - 360.0
}

/// Falls of each channel after those of the first [deg], 0..720.
pub(crate) fn measured_deg(channels: &[&[Cycle]]) -> Option<Vec<f64>> {
    let reference = channels.first()?;
    channels
        .iter()
        .map(|other| {
            let mut offsets = Vec::new();
            let mut next = 0;
            for cycle in *reference {
                while next < other.len() && other[next].start < cycle.start - 1e-9 {
                    next += 1;
                }
                let Some(o) = other.get(next) else { break };
                let offset = (o.start - cycle.start) / cycle.length;
                if offset < 1.0 {
                    offsets.push(offset * 720.0);
                }
            }
            if offsets.is_empty() {
                return None;
            }
            let mid = offsets.len() / 2;
            Some(*offsets.select_nth_unstable_by(mid, f64::total_cmp).1)
        })
        .collect()
}

/// Compares measured falls with the profile's intake starts.
pub(crate) fn plumbing(measured: &[f64], intake_start_deg: &[f64]) -> Plumbing {
    let n = measured.len();
    if n < 2 || intake_start_deg.len() != n {
        return Plumbing::AsNamed;
    }
    let worst = |order: &[usize]| {
        (1..n)
            .map(|i| {
                let expected = intake_start_deg[order[i]] - intake_start_deg[order[0]];
                apart(measured[i] - measured[0], expected).abs()
            })
            .fold(0.0, f64::max)
    };
    let named: Vec<usize> = (0..n).collect();
    if worst(&named) <= FIT_DEG {
        let mut swapped = named.clone();
        let distinct = permutations(&mut swapped, &mut |order| {
            order != named.as_slice() && worst(order) <= FIT_DEG
        });
        return if distinct.is_some() && n == 2 {
            Plumbing::CannotTell
        } else {
            Plumbing::AsNamed
        };
    }
    let moved = |order: &[usize]| order.iter().enumerate().filter(|(i, b)| *i != **b).count();
    let mut best: Option<(usize, Vec<usize>)> = None;
    permutations(&mut named.clone(), &mut |order| {
        if worst(order) <= FIT_DEG && best.as_ref().is_none_or(|(m, _)| moved(order) < *m) {
            best = Some((moved(order), order.to_vec()));
        }
        false
    });
    match best {
        Some((_, found)) => Plumbing::Crossed { found },
        None => Plumbing::NoOrder {
            measured_deg: measured.to_vec(),
        },
    }
}

/// Visits every order of `items` until `stop` says so; returns the order it stopped at.
fn permutations(items: &mut [usize], stop: &mut dyn FnMut(&[usize]) -> bool) -> Option<Vec<usize>> {
    fn visit(
        k: usize,
        items: &mut [usize],
        stop: &mut dyn FnMut(&[usize]) -> bool,
    ) -> Option<Vec<usize>> {
        if k == items.len() {
            return stop(items).then(|| items.to_vec());
        }
        for i in k..items.len() {
            items.swap(k, i);
            let found = visit(k + 1, items, stop);
            items.swap(k, i);
            if found.is_some() {
                return found;
            }
        }
        None
    }
    visit(0, items, stop)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Falls some degrees off the nominal ones, as unlike bodies give them.
    fn found(starts: &[f64], measured: &[f64]) -> Plumbing {
        let off = [3.0, -4.0, 6.0, -2.0];
        let measured: Vec<f64> = measured.iter().zip(off).map(|(m, o)| m + o).collect();
        plumbing(&measured, starts)
    }

    #[test]
    fn twins() {
        let ninety = [0.0, 270.0];
        assert_eq!(found(&ninety, &[0.0, 270.0]), Plumbing::AsNamed);
        assert_eq!(
            found(&ninety, &[0.0, 450.0]),
            Plumbing::Crossed { found: vec![1, 0] }
        );
        assert_eq!(
            found(&[0.0, 180.0], &[0.0, 540.0]),
            Plumbing::Crossed { found: vec![1, 0] }
        );
        assert_eq!(found(&[0.0, 360.0], &[0.0, 360.0]), Plumbing::CannotTell);
        assert!(matches!(
            found(&ninety, &[0.0, 90.0]),
            Plumbing::NoOrder { .. }
        ));
    }

    #[test]
    fn triples_and_fours() {
        let triple = [0.0, 240.0, 480.0];
        assert_eq!(found(&triple, &[0.0, 240.0, 480.0]), Plumbing::AsNamed);
        let Plumbing::Crossed { found: order } = found(&triple, &[0.0, 480.0, 240.0]) else {
            panic!("two hoses exchanged");
        };
        // One exchange explains it; a turn of all three would be three moves.
        assert_eq!(order.iter().enumerate().filter(|(i, b)| i != *b).count(), 2);
        let four = [0.0, 540.0, 180.0, 360.0];
        assert_eq!(found(&four, &[0.0, 540.0, 180.0, 360.0]), Plumbing::AsNamed);
        let exchanged = [0.0, 540.0, 360.0, 180.0];
        assert_eq!(
            found(&four, &exchanged),
            Plumbing::Crossed {
                found: vec![0, 1, 3, 2]
            }
        );
    }

    #[test]
    fn every_order_is_visited_once() {
        let mut seen = std::collections::HashSet::new();
        permutations(&mut [0, 1, 2, 3], &mut |order| {
            assert!(seen.insert(order.to_vec()));
            false
        });
        assert_eq!(seen.len(), 24);
    }

    #[test]
    fn falls_are_measured_in_the_firsts_cycles() {
        let cycles = |from: f64| -> Vec<Cycle> {
            (0..20)
                .map(|i| Cycle {
                    start: from + 100.0 * f64::from(i),
                    length: 100.0,
                })
                .collect()
        };
        let measured = measured_deg(&[&cycles(5.0), &cycles(42.5), &cycles(2.0)]).unwrap();
        for (got, want) in measured.iter().zip([0.0, 270.0, 698.4]) {
            assert!((got - want).abs() < 1e-9, "{got} {want}");
        }
        assert_eq!(measured_deg(&[&cycles(5.0), &[]]), None);
    }
}
