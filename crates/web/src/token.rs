//! Random tokens, and comparing them without telling by the time taken where they differ.

use std::fmt::Write as _;

use subtle::ConstantTimeEq;

/// A random token of 256 bit, 64 hexadecimal digits.
///
/// # Panics
/// When the system gives no random numbers: then nothing here is safe to go on with.
pub(crate) fn random_token() -> String {
    let bytes: [u8; 32] = random_bytes();
    bytes
        .iter()
        .fold(String::with_capacity(64), |mut text, byte| {
            let _ = write!(text, "{byte:02x}");
            text
        })
}

/// Random bytes of the operating system.
pub(crate) fn random_bytes<const N: usize>() -> [u8; N] {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).expect("the system gives random numbers");
    bytes
}

/// Whether two texts are alike; the time taken depends on their length only.
pub(crate) fn alike(a: &str, b: &str) -> bool {
    a.as_bytes().ct_eq(b.as_bytes()).into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tokens_differ_and_are_compared_whole() {
        let (a, b) = (random_token(), random_token());
        assert_eq!(a.len(), 64);
        assert_ne!(a, b);
        assert!(alike(&a, &a.clone()));
        assert!(!alike(&a, &b));
        assert!(!alike(&a, &a[..63]));
    }
}
