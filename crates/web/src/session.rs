//! Paired devices: a random token in a cookie, and the token their forms carry.

use std::collections::HashMap;
use std::time::{Duration, Instant};

use crate::token::{alike, random_token};

/// Name of the cookie.
pub(crate) const COOKIE: &str = "evenpull";
/// How long a device stays paired.
pub(crate) const LASTS: Duration = Duration::from_secs(30 * 24 * 3600);
/// Most devices at a time; the oldest goes when one more is paired.
const MOST: usize = 64;

/// One paired device as its requests see it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Session {
    /// Token that every form of this device carries.
    pub(crate) csrf: String,
    made: Instant,
}

/// All paired devices.
#[derive(Debug, Default)]
pub(crate) struct Sessions {
    by_token: HashMap<String, Session>,
}

impl Sessions {
    /// Pairs a device; returns the token for its cookie.
    pub(crate) fn pair(&mut self, now: Instant) -> String {
        self.by_token
            .retain(|_, s| now.saturating_duration_since(s.made) < LASTS);
        if self.by_token.len() >= MOST
            && let Some(oldest) = self
                .by_token
                .iter()
                .min_by_key(|(_, s)| s.made)
                .map(|(token, _)| token.clone())
        {
            self.by_token.remove(&oldest);
        }
        let token = random_token();
        let session = Session {
            csrf: random_token(),
            made: now,
        };
        self.by_token.insert(token.clone(), session);
        token
    }

    /// The device behind a cookie header, if it is paired.
    ///
    /// The map is looked up by its keyed hash, so the time taken tells nothing of the tokens.
    pub(crate) fn of(&self, cookies: &str, now: Instant) -> Option<Session> {
        let token = cookie(cookies, COOKIE)?;
        let session = self.by_token.get(token)?;
        (now.saturating_duration_since(session.made) < LASTS).then(|| session.clone())
    }

    /// Forgets the device behind a cookie header.
    pub(crate) fn forget(&mut self, cookies: &str) {
        if let Some(token) = cookie(cookies, COOKIE) {
            self.by_token.remove(token);
        }
    }

    /// Whether the device with this form token is still paired.
    pub(crate) fn knows(&self, csrf: &str) -> bool {
        self.by_token.values().any(|s| alike(&s.csrf, csrf))
    }

    /// Number of paired devices.
    pub(crate) fn count(&self) -> usize {
        self.by_token.len()
    }
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
        let now = Instant::now();
        let token = sessions.pair(now);
        let header = format!("other=1; {COOKIE}={token}");
        assert!(sessions.of(&header, now).is_some());
        assert!(sessions.of(&header, now + LASTS).is_none());
        assert!(
            sessions
                .of(&format!("{COOKIE}={}", &token[1..]), now)
                .is_none()
        );
        assert!(sessions.of(&format!("x{COOKIE}={token}"), now).is_none());
        sessions.forget(&header);
        assert!(sessions.of(&header, now).is_none());
    }

    #[test]
    fn the_oldest_device_goes_when_there_are_too_many() {
        let mut sessions = Sessions::default();
        let start = Instant::now();
        let first = sessions.pair(start);
        for i in 1..=MOST {
            sessions.pair(start + Duration::from_secs(i as u64));
        }
        assert_eq!(sessions.count(), MOST);
        assert!(sessions.of(&format!("{COOKIE}={first}"), start).is_none());
    }
}
