//! Lambda of each pipe beside the air its body draws.

use evenpull_job::Job;
use evenpull_trace::CycleReading;

use crate::breathing::Breathing;
use crate::cylinder::AirAndLambda;
use crate::evidence::Evidence;
use crate::model::Model;
use crate::summary::Draw;

/// Draws used where the air was not measured.
const DRAWS: usize = 120;

/// How well the drawn air of two recorded bodies compares [ln]: the refill's own error and heat.
const RECORDED_SD: f64 = 0.01;

/// Every reading with lambda of all pipes.
///
/// The air is the recording's where it gave one, else the filling model's at the areas of the draws.
pub(crate) fn all(
    job: &Job,
    cycles: &[Option<&CycleReading>],
    model: &Model<'_>,
    evidence: &Evidence,
    draws: &[Draw],
    breathing: Breathing,
) -> Vec<AirAndLambda> {
    let readings = job.readings.iter().zip(cycles).enumerate();
    readings
        .filter_map(|(j, (reading, cycle))| {
            let lambda = reading.lambda.as_ref()?.all()?;
            let (ln_air, air_sd) = cycle
                .and_then(|c| recorded(c, lambda.len()))
                .map(|a| (a, RECORDED_SD))
                .or_else(|| inferred(model, evidence, draws, breathing, j))?;
            Some(AirAndLambda {
                ln_lambda: lambda.iter().map(|l| l.ln()).collect(),
                ln_air,
                air_sd,
            })
        })
        .collect()
}

fn over_mean(ln: &[f64]) -> Vec<f64> {
    let mean = ln.iter().sum::<f64>() / ln.len() as f64;
    ln.iter().map(|x| x - mean).collect()
}

fn recorded(cycle: &CycleReading, bodies: usize) -> Option<Vec<f64>> {
    let mut ln = vec![f64::NAN; bodies];
    for (i, channel) in cycle.channels.iter().enumerate() {
        let body = cycle.traces_on.get(i).copied().unwrap_or(i);
        *ln.get_mut(body)? = channel.drawn_air_mg?.value.ln();
    }
    ln.iter().all(|x| x.is_finite()).then(|| over_mean(&ln))
}

fn inferred(
    model: &Model<'_>,
    evidence: &Evidence,
    draws: &[Draw],
    breathing: Breathing,
    j: usize,
) -> Option<(Vec<f64>, f64)> {
    let table = breathing.air_table(evidence.points[j].rpm);
    let step = (draws.len() / DRAWS).max(1);
    let all: Vec<Vec<f64>> = draws
        .iter()
        .step_by(step)
        .map(|(_, p)| {
            let areas = model.areas_mm2(p, evidence, j);
            let ln: Vec<f64> = areas.iter().map(|a| table.air_kg(a * 1e-6).ln()).collect();
            over_mean(&ln)
        })
        .collect();
    let n = all.len() as f64;
    let bodies = all.first()?.len();
    let mean: Vec<f64> = (0..bodies)
        .map(|b| all.iter().map(|a| a[b]).sum::<f64>() / n)
        .collect();
    let spread: f64 = all
        .iter()
        .map(|a| {
            a.iter()
                .zip(&mean)
                .map(|(x, m)| (x - m).powi(2))
                .sum::<f64>()
        })
        .sum();
    Some((mean, (spread / (n * bodies as f64)).sqrt()))
}
