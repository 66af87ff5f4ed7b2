//! Work beside the threads that answer requests, and errors of the use cases as pages.

use evenpull_app::{AppError, ErrorKind, StoreError};

use crate::problem::Problem;
use crate::state::Web;

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
    if matches!(error, AppError::Store(StoreError::Missing { .. })) {
        return Problem::NotFound;
    }
    match error.kind() {
        ErrorKind::BadInput => Problem::Input(error.to_string()),
        ErrorKind::Refused => Problem::Closed(error.to_string()),
        _ => web.fault(error.to_string()),
    }
}
