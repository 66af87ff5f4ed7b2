//! Random tokens, and comparing them without telling by the time taken where they differ.

use std::fmt::Write as _;

use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;

/// A random token of 256 bit, 64 hexadecimal digits.
///
/// # Panics
/// When the system gives no random numbers: then nothing here is safe to go on with.
pub(crate) fn random_token() -> String {
    hexadecimal(&random_bytes::<32>())
}

/// SHA-256 of a token, 64 hexadecimal digits. A token is as random as the hash is long, so a plain
/// hash cannot be turned back.
pub(crate) fn hash(token: &str) -> String {
    hexadecimal(&Sha256::digest(token.as_bytes()))
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes
        .iter()
        .fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
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

    /// FIPS 180-4, the example of one block: SHA-256 of `abc`.
    #[test]
    fn val_hash_of_three_letters() {
        let want = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(hash("abc"), want);
    }

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
