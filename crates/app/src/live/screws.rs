//! Adjusters of a profile as screws of the practice engine.

use evenpull_job::{Adjuster, AdjusterKind, PerTurn, Profile};
use evenpull_live::Screw;

use crate::error::AppError;

/// Most turns at once; more is a slip of the finger.
const MOST_TURNS: f64 = 20.0;

/// The screws that an adjuster's turn moves: one for each body it acts on.
pub(super) fn screws(profile: &Profile, name: &str, turns: f64) -> Result<Vec<Screw>, AppError> {
    let found = profile.adjuster(name).map(|a| of(profile, &a));
    match found {
        Some(screws) if !screws.is_empty() && turns.is_finite() && turns.abs() <= MOST_TURNS => {
            Ok(screws)
        }
        Some(screws) if !screws.is_empty() => Err(AppError::TurnsOutOfRange {
            turns,
            limit: MOST_TURNS,
        }),
        _ => Err(AppError::NoScrew {
            name: name.to_owned(),
            known: profile
                .adjusters()
                .iter()
                .filter(|a| !of(profile, a).is_empty())
                .map(|a| format!("`{}`", a.name))
                .collect::<Vec<_>>()
                .join(", "),
        }),
    }
}

fn of(profile: &Profile, adjuster: &Adjuster) -> Vec<Screw> {
    let bodies = adjuster.bodies.iter().filter_map(|b| profile.body_index(b));
    bodies
        .filter_map(|body| match (adjuster.kind, adjuster.per_turn) {
            (AdjusterKind::Balance, PerTurn::OpeningDeg(deg_per_turn)) => {
                Some(Screw::Balance { body, deg_per_turn })
            }
            (AdjusterKind::Stop, PerTurn::OpeningDeg(deg_per_turn)) => {
                Some(Screw::Stop { body, deg_per_turn })
            }
            (AdjusterKind::Bleed, PerTurn::AreaMm2(_)) => Some(Screw::Bleed { body }),
            _ => None,
        })
        .collect()
}
