//! Convergence of chains as another implementation judges it (`vehtari2021`).

use evenpull_fit::Convergence;

use crate::case::{Case, Deviation};
use crate::data::Table;

/// Chains of the source's data, see the head of the table.
fn chains(a: f64, shift: f64) -> Vec<Vec<f64>> {
    let mut k = 0.0_f64;
    (0..4)
        .map(|chain| {
            let mut x = 0.0;
            (0..500)
                .map(|_| {
                    k += 1.0;
                    let u = ((k * 12.9898).sin() * 43_758.545_3).rem_euclid(1.0);
                    x = a * x + (u - 0.5);
                    if chain == 3 { x + shift } else { x }
                })
                .collect()
        })
        .collect()
}

fn against(name: &'static str, column: &str, limit: f64, reason: &'static str) -> Case {
    let t = Table::parse(include_str!("../../data/vehtari2021_chains.csv"));
    let mut case = Case::new(name, "vehtari2021", Deviation::Relative, limit, reason);
    let given = t.column("a").into_iter().zip(t.column("shift"));
    for ((a, shift), want) in given.zip(t.column(column)) {
        let c = Convergence::of(&chains(a, shift)).expect("chains of equal length");
        let got = match column {
            "r_hat" => c.r_hat,
            "ess_bulk" => c.ess_bulk,
            "ess_tail" => c.ess_tail,
            _ => c.mcse_mean,
        };
        case.push(format!("a {a} shift {shift}"), got, want);
    }
    case
}

pub(super) fn r_hat() -> Case {
    against("r_hat", "r_hat", 1e-6, "the data repeat to 1e-11")
}

pub(super) fn bulk() -> Case {
    let why = "the last odd lag of the sequence is counted differently";
    against("ess_bulk", "ess_bulk", 0.03, why)
}

pub(super) fn tail() -> Case {
    let why = "quantiles are taken at a draw, not between two";
    against("ess_tail", "ess_tail", 0.03, why)
}

pub(super) fn mcse() -> Case {
    let why = "as for the bulk, halved by the root";
    against("mcse_mean", "mcse_mean", 0.015, why)
}
