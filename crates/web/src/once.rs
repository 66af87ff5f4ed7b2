//! A form that is sent again, by a second press or by going back, gives what it gave the first time.
//!
//! A page gives its forms a number of their own. With where it was sent and what it held it names one
//! sending; the same numbers typed on a page opened anew are another one, since a reading may repeat.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

use sha2::{Digest, Sha256};
use tokio::sync::OwnedMutexGuard;

use crate::posted::File;
use crate::state::held;

/// Name of the field with the number of the page.
pub(crate) const ONCE_FIELD: &str = "once";
/// Most sendings that are remembered: those of a busy hour.
const MOST: usize = 256;

/// What one sending led to; locked while it is at work, empty until it was kept.
type Outcome = Arc<tokio::sync::Mutex<Option<String>>>;
/// Hash that one sending is known by.
type Key = [u8; 32];

/// The sendings of late, oldest first.
#[derive(Debug, Clone, Default)]
pub(crate) struct Once {
    late: Arc<Mutex<VecDeque<(Key, Outcome)>>>,
}

/// One sending on its way through the server: the guard puts it into the request and takes it back
/// with the answer.
#[derive(Debug, Clone, Default)]
pub(crate) struct Sending {
    once: Once,
    held: Arc<Mutex<Option<OwnedMutexGuard<Option<String>>>>>,
}

impl Once {
    /// A sending that may turn out to be one of these.
    pub(crate) fn sending(&self) -> Sending {
        Sending {
            once: self.clone(),
            held: Arc::default(),
        }
    }

    fn outcome(&self, key: Key) -> Outcome {
        let mut late = held(&self.late);
        if let Some((_, outcome)) = late.iter().find(|(k, _)| *k == key) {
            return Arc::clone(outcome);
        }
        if late.len() >= MOST {
            late.pop_front();
        }
        let outcome = Outcome::default();
        late.push_back((key, Arc::clone(&outcome)));
        outcome
    }
}

impl Sending {
    /// Where the same sending led before; waits for it where it is still at work. `None` for a first
    /// one, or after one that was refused.
    pub(crate) async fn before(&self, key: Key) -> Option<String> {
        let outcome = self.once.outcome(key).lock_owned().await;
        let led = outcome.clone();
        if led.is_none() {
            *held(&self.held) = Some(outcome);
        }
        led
    }

    /// Remembers where it led to; `None` where it was refused and may be sent again.
    pub(crate) fn done(&self, to: Option<String>) {
        if let Some(mut outcome) = held(&self.held).take() {
            *outcome = to;
        }
    }
}

/// Hash of a sending; every part with its length, so that none runs into the next.
pub(crate) fn key(device: &str, path: &str, fields: &[(String, String)], files: &[File]) -> Key {
    let mut hash = Sha256::new();
    let mut part = |bytes: &[u8]| {
        hash.update((bytes.len() as u64).to_le_bytes());
        hash.update(bytes);
    };
    part(device.as_bytes());
    part(path.as_bytes());
    for (name, value) in fields {
        part(name.as_bytes());
        part(value.as_bytes());
    }
    for file in files {
        part(file.field.as_bytes());
        part(file.name.as_bytes());
        part(&file.bytes);
    }
    hash.finalize().into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_sending_is_remembered_once_it_is_kept_and_the_oldest_goes() {
        let once = Once::default();
        let first = once.sending();
        assert_eq!(first.before([1; 32]).await, None);
        first.done(None);
        let again = once.sending();
        assert_eq!(again.before([1; 32]).await, None, "refused ones are free");
        again.done(Some("/jobs/1".to_owned()));
        let third = once.sending().before([1; 32]).await;
        assert_eq!(third.as_deref(), Some("/jobs/1"));
        for n in 0..MOST {
            let mut key = [0; 32];
            key[..8].copy_from_slice(&(n as u64).to_le_bytes());
            once.sending().before(key).await;
        }
        assert_eq!(once.sending().before([1; 32]).await, None);
        assert_eq!(held(&once.late).len(), MOST);
    }
}
