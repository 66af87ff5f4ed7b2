//! Work beside the threads that answer requests, and errors of the use cases as pages.

use evenpull_app::{AppError, Condition, ErrorKind, StoreError};

use crate::labels::{label_of_key, label_of_reading_key};
use crate::problem::Problem;
use crate::state::Web;

/// Name of a stored job's file in the messages of the records.
const JOB_FILE: &str = "job.toml";

/// Runs what waits or computes beside the threads that answer requests.
pub(crate) async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Problem> + Send + 'static,
) -> Result<T, Problem> {
    match tokio::task::spawn_blocking(work).await {
        Ok(done) => done,
        Err(failed) => match failed.try_into_panic() {
            Ok(panic) => std::panic::resume_unwind(panic),
            // Cancelled: the server is ending.
            Err(_) => Err(Problem::Closed(String::new())),
        },
    }
}

/// The page of an error: what the person can put right is shown, a fault only by its number.
pub(crate) fn problem(web: &Web, error: &AppError) -> Problem {
    let texts = web.texts();
    problem_by(web, error, |key| label_of_key(key, &texts))
}

/// As [`problem`], for a form with more readings than one: `conditions` of its readings, in their order, which
/// follow the `before` readings that the job has.
pub(crate) fn problem_of_readings(
    web: &Web,
    error: &AppError,
    before: usize,
    conditions: &[Condition],
) -> Problem {
    let texts = web.texts();
    problem_by(web, error, |key| {
        label_of_reading_key(key, before, conditions, &texts)
    })
}

fn problem_by(web: &Web, error: &AppError, label: impl Fn(&str) -> String) -> Problem {
    if matches!(error, AppError::Store(StoreError::Missing { .. })) {
        return Problem::NotFound;
    }
    if let Some(words) = typed_wrong(error, label) {
        return Problem::Input(words);
    }
    match error.kind() {
        ErrorKind::BadInput => Problem::Input(error.to_string()),
        ErrorKind::Refused => Problem::Closed(error.to_string()),
        _ => web.fault(error.to_string()),
    }
}

/// What was typed on a page and cannot stand in the job, by the labels of the page: nobody there sees the file that
/// the job is put together to.
fn typed_wrong(error: &AppError, label: impl Fn(&str) -> String) -> Option<String> {
    let AppError::Store(StoreError::Text(errors)) = error else {
        return None;
    };
    let told = errors.problems().iter().map(|problem| {
        let known = problem.file == JOB_FILE && !problem.key.is_empty();
        known.then(|| {
            let label = label(&problem.key);
            format!("`{label}`: {}; {}", problem.problem, problem.remedy)
        })
    });
    Some(told.collect::<Option<Vec<_>>>()?.join("\n\n"))
}
