//! The clock that stamps the records.

use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};

use evenpull_store::Moment;

/// Tells the time; tests hand in their own.
pub type Clock = Arc<dyn Fn() -> Moment + Send + Sync>;

/// The clock of this computer.
pub fn system_clock() -> Clock {
    Arc::new(|| {
        // A clock before 1970 is wrong by itself; 0 then reads as set back and is told.
        let since = SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .unwrap_or_default();
        Moment::from_ms(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
    })
}
