//! The check at the end of each line.

/// Generator `x^8 + x^2 + x + 1`.
const POLYNOMIAL: u8 = 0x07;

/// Eight-bit cyclic check of `bytes`: generator 0x07, start 0, no reflection, no final change.
///
/// Finds every error of one or two bits in a line, and all but one in 256 of the rest.
pub fn check(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |c, &b| TABLE[usize::from(c ^ b)])
}

static TABLE: [u8; 256] = table();

const fn table() -> [u8; 256] {
    let mut table = [0; 256];
    let mut i = 0;
    while i < 256 {
        let mut c = i as u8;
        let mut bit = 0;
        while bit < 8 {
            c = if c & 0x80 == 0 {
                c << 1
            } else {
                (c << 1) ^ POLYNOMIAL
            };
            bit += 1;
        }
        table[i] = c;
        i += 1;
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check value of the catalogued CRC-8 with these parameters over `123456789`: F4, from memory.
    #[test]
    fn val_check_of_the_nine_digits() {
        assert_eq!(check(b"123456789"), 0xF4);
        assert_eq!(check(b""), 0);
    }

    #[test]
    fn prop_one_and_two_wrong_bits_never_pass() {
        let line = *b"40213 1842 1790";
        let right = check(&line);
        let bits = 8 * line.len();
        for a in 0..bits {
            for b in a..bits {
                let mut bad = line;
                bad[a / 8] ^= 1 << (a % 8);
                if b != a {
                    bad[b / 8] ^= 1 << (b % 8);
                }
                assert_ne!(check(&bad), right, "{a} {b}");
            }
        }
    }
}
