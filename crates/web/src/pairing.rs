//! The one-time code that pairs a device, and how often it may be tried.

use std::time::{Duration, Instant};

use crate::token::{alike, random_bytes};

/// Signs of a code: no 0 O 1 I L, which are read wrong off a screen.
const SIGNS: &[u8; 31] = b"23456789ABCDEFGHJKMNPQRSTUVWXYZ";
/// Signs in a code: 31^8 is 8.5e11; five tries each half minute would take thousands of years.
const LENGTH: usize = 8;
/// Wrong tries before the code is thrown away.
const TRIES: u32 = 5;
/// Wait after the first code thrown away; doubled each time.
const FIRST_WAIT: Duration = Duration::from_secs(30);
/// Longest wait.
const LONGEST_WAIT: Duration = Duration::from_secs(15 * 60);

/// What a try gave.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Attempt {
    /// Right; the code is used up.
    Paired,
    /// Wrong; the number of tries left for this code.
    Wrong(u32),
    /// Wrong once too often; the code was thrown away.
    Locked(Duration),
    /// Not looked at: too many wrong tries before.
    Wait(Duration),
}

/// The present code. A code pairs one device and is then replaced.
#[derive(Debug, Clone)]
pub struct Pairing {
    code: String,
    wrong: u32,
    locks: u32,
    not_before: Option<Instant>,
}

impl Default for Pairing {
    fn default() -> Self {
        Self {
            code: new_code(),
            wrong: 0,
            locks: 0,
            not_before: None,
        }
    }
}

impl Pairing {
    /// The code as it is read out, such as `ABCD-2345`.
    pub fn code(&self) -> String {
        format!("{}-{}", &self.code[..LENGTH / 2], &self.code[LENGTH / 2..])
    }

    /// Tries what was typed. Spaces, dashes and case do not matter.
    pub(crate) fn attempt(&mut self, typed: &str, now: Instant) -> Attempt {
        if let Some(left) = self.not_before.and_then(|t| t.checked_duration_since(now))
            && !left.is_zero()
        {
            return Attempt::Wait(left);
        }
        let typed: String = typed
            .chars()
            .filter(char::is_ascii_alphanumeric)
            .take(4 * LENGTH)
            .map(|c| c.to_ascii_uppercase())
            .collect();
        if alike(&typed, &self.code) {
            *self = Self::default();
            return Attempt::Paired;
        }
        self.wrong += 1;
        if self.wrong < TRIES {
            return Attempt::Wrong(TRIES - self.wrong);
        }
        let wait = (FIRST_WAIT * 2_u32.pow(self.locks.min(10))).min(LONGEST_WAIT);
        *self = Self {
            locks: self.locks + 1,
            not_before: Some(now + wait),
            ..Self::default()
        };
        Attempt::Locked(wait)
    }
}

fn new_code() -> String {
    let mut code = String::with_capacity(LENGTH);
    while code.len() < LENGTH {
        for byte in random_bytes::<16>() {
            // 248 = 8 * 31: above it the remainder would favour the first signs.
            if byte < 248 && code.len() < LENGTH {
                code.push(char::from(SIGNS[usize::from(byte) % SIGNS.len()]));
            }
        }
    }
    code
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_pairs_once_however_it_is_typed() {
        let mut pairing = Pairing::default();
        let code = pairing.code();
        let now = Instant::now();
        assert_eq!(
            pairing.attempt(&format!(" {} ", code.to_lowercase()), now),
            Attempt::Paired
        );
        assert_ne!(pairing.code(), code);
        assert_eq!(pairing.attempt(&code, now), Attempt::Wrong(4));
    }

    #[test]
    fn a_code_tried_too_often_is_thrown_away_and_the_wait_grows() {
        let mut pairing = Pairing::default();
        let mut now = Instant::now();
        for round in 0..8 {
            let code = pairing.code();
            for left in (1..TRIES).rev() {
                assert_eq!(pairing.attempt("nonsense", now), Attempt::Wrong(left));
            }
            let Attempt::Locked(wait) = pairing.attempt("nonsense", now) else {
                panic!("still heard after {TRIES} tries");
            };
            assert_eq!(wait, (FIRST_WAIT * 2_u32.pow(round)).min(LONGEST_WAIT));
            assert_ne!(pairing.code(), code);
            // Even the right code is not looked at while waiting.
            let fresh = pairing.code();
            assert!(matches!(
                pairing.attempt(&fresh, now + wait / 2),
                Attempt::Wait(_)
            ));
            now += wait;
        }
    }
}
