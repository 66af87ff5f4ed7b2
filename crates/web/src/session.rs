//! Paired devices: a random token in a cookie, and the token their forms carry.
//!
//! Here and in the records a device is known by the hash of its token alone, and the token of its
//! forms comes from the token: what is kept opens nothing.

use std::collections::HashMap;

use evenpull_app::{Moment, PairedDevice};

use crate::token::{hash, random_token};

/// Name of the cookie.
pub(crate) const COOKIE: &str = "evenpull";
/// How long a device stays paired [ms].
pub(crate) const LASTS_MS: i64 = 30 * 24 * 3600 * 1000;
/// Most devices at a time; the oldest goes when one more is paired.
const MOST: usize = 64;
/// Length of a token; anything else is no token and is not hashed.
const TOKEN: usize = 64;

/// One paired device as its requests see it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Session {
    /// Token that every form of this device carries.
    pub(crate) csrf: String,
    /// Hash that the device is known by.
    pub(crate) key: String,
}

/// All paired devices.
#[derive(Debug, Default)]
pub(crate) struct Sessions {
    /// When each was paired [ms since 1970 UTC], by the hash of its token.
    paired_ms: HashMap<String, i64>,
}

impl Sessions {
    /// The devices of the records, as when the server starts.
    pub(crate) fn of_devices(devices: &[PairedDevice]) -> Self {
        let pair = |d: &PairedDevice| (d.token_sha256.clone(), d.paired.ms);
        Self {
            paired_ms: devices.iter().map(pair).collect(),
        }
    }

    /// The devices for the records.
    pub(crate) fn devices(&self) -> Vec<PairedDevice> {
        let device = |(key, ms): (&String, &i64)| PairedDevice {
            token_sha256: key.clone(),
            paired: Moment::from_ms(*ms),
        };
        self.paired_ms.iter().map(device).collect()
    }

    /// Pairs a device; returns the token for its cookie.
    pub(crate) fn pair(&mut self, now_ms: i64) -> String {
        self.paired_ms.retain(|_, made| lasts(*made, now_ms));
        if self.paired_ms.len() >= MOST
            && let Some(oldest) = self
                .paired_ms
                .iter()
                .min_by_key(|(_, made)| **made)
                .map(|(key, _)| key.clone())
        {
            self.paired_ms.remove(&oldest);
        }
        let token = random_token();
        self.paired_ms.insert(hash(&token), now_ms);
        token
    }

    /// The device behind a cookie header, if it is paired.
    ///
    /// What is looked up is a hash, so the time taken tells nothing of the tokens.
    pub(crate) fn of(&self, cookies: &str, now_ms: i64) -> Option<Session> {
        let token = cookie(cookies, COOKIE).filter(|t| t.len() == TOKEN)?;
        let key = hash(token);
        let made = self.paired_ms.get(&key)?;
        lasts(*made, now_ms).then(|| Session {
            csrf: hash(&format!("form of {token}")),
            key,
        })
    }

    /// Forgets a device.
    pub(crate) fn forget(&mut self, session: &Session) {
        self.paired_ms.remove(&session.key);
    }

    /// Whether this device is still paired.
    pub(crate) fn knows(&self, session: &Session) -> bool {
        self.paired_ms.contains_key(&session.key)
    }

    /// Number of paired devices.
    pub(crate) fn count(&self) -> usize {
        self.paired_ms.len()
    }
}

/// A clock set back does not end a pairing, and does not make it last for ever either: it ends when
/// the clock is back where it was, thirty days on.
fn lasts(made_ms: i64, now_ms: i64) -> bool {
    now_ms.saturating_sub(made_ms) < LASTS_MS
}

/// Value of a cookie in a `Cookie` header.
pub(crate) fn cookie<'h>(header: &'h str, name: &str) -> Option<&'h str> {
    header.split(';').find_map(|pair| {
        let (key, value) = pair.trim().split_once('=')?;
        (key == name).then_some(value)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_device_is_known_by_its_whole_cookie_for_thirty_days() {
        let mut sessions = Sessions::default();
        let token = sessions.pair(1_000);
        let header = format!("other=1; {COOKIE}={token}");
        let session = sessions.of(&header, 1_000).unwrap();
        assert!(sessions.knows(&session));
        assert!(sessions.of(&header, 1_000 + LASTS_MS).is_none());
        for cookies in [
            format!("{COOKIE}={}", &token[1..]),
            format!("x{COOKIE}={token}"),
            format!("{COOKIE}={}", session.key),
            format!("{COOKIE}={}", session.csrf),
        ] {
            assert!(sessions.of(&cookies, 1_000).is_none(), "{cookies}");
        }
        sessions.forget(&session);
        assert!(sessions.of(&header, 1_000).is_none());
        assert!(!sessions.knows(&session));
    }

    #[test]
    fn devices_come_back_from_the_records_and_their_tokens_are_not_in_them() {
        let mut sessions = Sessions::default();
        let token = sessions.pair(1_000);
        let header = format!("{COOKIE}={token}");
        let session = sessions.of(&header, 1_000).unwrap();
        let kept = sessions.devices();
        assert!(!format!("{kept:?}").contains(&token));
        assert!(!format!("{kept:?}").contains(&session.csrf));
        let again = Sessions::of_devices(&kept);
        assert_eq!(again.of(&header, 2_000), Some(session));
    }

    #[test]
    fn the_oldest_device_goes_when_there_are_too_many() {
        let mut sessions = Sessions::default();
        let first = sessions.pair(0);
        for i in 1..=MOST {
            sessions.pair(i as i64);
        }
        assert_eq!(sessions.count(), MOST);
        assert!(sessions.of(&format!("{COOKIE}={first}"), 0).is_none());
    }
}
