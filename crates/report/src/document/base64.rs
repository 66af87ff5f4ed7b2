//! Bytes as text (RFC 4648, section 4), for pictures inside a page.

const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

/// `bytes` in base 64, padded.
pub(super) fn encoded(bytes: &[u8]) -> String {
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let all =
            three.iter().fold(0u32, |sum, &b| sum << 8 | u32::from(b)) << (8 * (3 - three.len()));
        for place in 0..4 {
            if place > three.len() {
                out.push('=');
            } else {
                out.push(char::from(LETTERS[(all >> (18 - 6 * place) & 63) as usize]));
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4648, section 10.
    #[test]
    fn val_test_vectors_of_the_standard() {
        let cases = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (plain, text) in cases {
            assert_eq!(encoded(plain.as_bytes()), text);
        }
    }
}
