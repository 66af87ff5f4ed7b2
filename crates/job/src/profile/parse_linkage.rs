//! The couplings of a profile: `[balance]` for a twin, `[[linkage]]` for any graph.

use super::{Coupling, CouplingLaw};
use crate::document::{Item, Limits, Section, within};

const LAWS: [(&str, CouplingLaw); 2] = [
    ("rigid", CouplingLaw::Rigid),
    ("one-way", CouplingLaw::OneWay),
];
const PER_TURN: Limits = within(0.01, 20.0, "deg");

/// Couplings in the order of the file; problems go to the document.
pub(super) fn couplings(root: &Section<'_>, bodies: &[String]) -> Vec<Coupling> {
    let short = root.item("balance");
    let long = root.item("linkage");
    match (short, long) {
        (Some(_), Some(long)) => {
            long.problem(
                "the profile has both `[balance]` and `[[linkage]]`",
                "keep `[balance]` for a twin, `[[linkage]]` for anything larger",
            );
            Vec::new()
        }
        (Some(item), None) => twin(&item, bodies).into_iter().collect(),
        (None, Some(item)) => graph(&item, bodies),
        (None, None) => {
            if bodies.len() > 1 {
                root.assume(
                    "balance",
                    "one shaft carries all plates",
                    "no linkage given",
                );
            }
            Vec::new()
        }
    }
}

fn twin(item: &Item<'_>, bodies: &[String]) -> Option<Coupling> {
    let s = item.section()?;
    if bodies.len() != 2 {
        item.problem(
            format!(
                "`[balance]` is the short form for two bodies; there are {}",
                bodies.len()
            ),
            "write one `[[linkage]]` table per coupling with driver and driven",
        );
        return None;
    }
    let follows = s
        .required("follows", "\"left\"")
        .and_then(|i| i.body(bodies));
    let rest = settings(&s);
    s.close();
    let driven = follows?;
    Some(Coupling {
        driver: 1 - driven,
        driven: vec![driven],
        ..rest
    })
}

/// Keys both forms share; driver and driven are filled in by the caller.
fn settings(s: &Section<'_>) -> Coupling {
    let adjuster = s.text("adjuster").unwrap_or_else(|| {
        s.assume("adjuster", "\"balance screw\"", "assumed");
        "balance screw".to_owned()
    });
    let law = match s.item("coupling") {
        Some(item) => item.one_of(&LAWS).unwrap_or(CouplingLaw::Rigid),
        None => {
            s.assume("coupling", "rigid", "assumed");
            CouplingLaw::Rigid
        }
    };
    Coupling {
        driver: 0,
        driven: Vec::new(),
        adjuster,
        deg_per_turn: s
            .required("deg_per_turn", "0.9")
            .and_then(|i| i.number(PER_TURN))
            .unwrap_or(PER_TURN.min),
        law,
        opens: s.text("opens"),
    }
}

fn graph(item: &Item<'_>, bodies: &[String]) -> Vec<Coupling> {
    let rows = item.list().unwrap_or_default();
    let mut couplings: Vec<Coupling> = Vec::new();
    for row in &rows {
        let Some(coupling) = coupling(row, bodies) else {
            continue;
        };
        if couplings.iter().any(|c| c.adjuster == coupling.adjuster) {
            row.problem(
                format!("two couplings use the adjuster `{}`", coupling.adjuster),
                "give every adjuster its own name",
            );
        }
        if closes_ring(&couplings, &coupling) {
            row.problem(
                "the couplings run in a ring",
                "take out the coupling that leads back to its own driver",
            );
            continue;
        }
        couplings.push(coupling);
    }
    couplings
}

fn coupling(row: &Item<'_>, bodies: &[String]) -> Option<Coupling> {
    let s = row.section()?;
    let driver = s.required("driver", "\"1\"").and_then(|i| i.body(bodies));
    let driven = s
        .required("driven", "\"2\"")
        .and_then(|i| driven_bodies(&i, bodies));
    let rest = settings(&s);
    s.close();
    let (driver, driven) = (driver?, driven?);
    if driven.contains(&driver) {
        row.problem("a body drives itself", "name another body as driven");
        return None;
    }
    Some(Coupling {
        driver,
        driven,
        ..rest
    })
}

fn driven_bodies(item: &Item<'_>, bodies: &[String]) -> Option<Vec<usize>> {
    if item.is_text() {
        return item.body(bodies).map(|b| vec![b]);
    }
    let list = item.list()?;
    if list.is_empty() {
        item.problem("no body is driven", "name the driven bodies");
        return None;
    }
    list.iter().map(|i| i.body(bodies)).collect()
}

/// True when the driver of `new` is already moved, directly or not, by one of its driven bodies.
fn closes_ring(couplings: &[Coupling], new: &Coupling) -> bool {
    let mut reached = new.driven.clone();
    let mut next = 0;
    while next < reached.len() {
        let body = reached[next];
        next += 1;
        for c in couplings.iter().filter(|c| c.driver == body) {
            for &d in &c.driven {
                if !reached.contains(&d) {
                    reached.push(d);
                }
            }
        }
    }
    reached.contains(&new.driver)
}
