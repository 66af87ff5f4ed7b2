//! Raw recordings, packed.

use sha2::{Digest, Sha256};

use crate::error::StoreError;

/// How recordings are packed in this schema.
pub(crate) const CODING: &str = "zstd";
/// Level of packing; beyond it little is gained on text and time is lost.
const LEVEL: i32 = 6;
/// Largest recording [bytes]; an hour at 2 kHz of two channels is about 200 MB of text.
pub(crate) const LIMIT_BYTES: usize = 512_000_000;

/// Bytes as they are kept.
pub(crate) fn pack(name: &str, raw: &[u8]) -> Result<Vec<u8>, StoreError> {
    if raw.len() > LIMIT_BYTES {
        return Err(StoreError::invalid(
            format!("recording {name}"),
            format!("{} bytes, at most {LIMIT_BYTES} are kept", raw.len()),
            "record a shorter stretch; a minute is plenty",
        ));
    }
    zstd::encode_all(raw, LEVEL).map_err(|e| {
        StoreError::invalid(
            format!("recording {name}"),
            format!("cannot be packed: {e}"),
            "try again",
        )
    })
}

/// The bytes as they were, or what is wrong with them.
pub(crate) fn unpack(
    coding: &str,
    packed: &[u8],
    length: usize,
    sha256: &str,
) -> Result<Vec<u8>, String> {
    if coding != CODING {
        return Err(format!(
            "packed by `{coding}`, which this program does not know"
        ));
    }
    if length > LIMIT_BYTES {
        return Err(format!("a length of {length} bytes cannot be"));
    }
    let raw =
        zstd::bulk::decompress(packed, length).map_err(|e| format!("cannot be unpacked: {e}"))?;
    if raw.len() != length || hash(&raw) != sha256 {
        return Err("its content is not what was stored".to_owned());
    }
    Ok(raw)
}

/// SHA-256 in lower-case hexadecimal.
pub fn hash(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Lower-case hexadecimal.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-2, appendix B.1.
    #[test]
    fn val_hash_of_the_published_example() {
        assert_eq!(
            hash(b"abc"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn a_recording_comes_back_and_a_changed_one_is_refused() {
        let raw = b"time_s,left_kpa\n0.0,61.2\n".repeat(100);
        let packed = pack("r.csv", &raw).unwrap();
        assert!(packed.len() < raw.len() / 10);
        assert_eq!(
            unpack(CODING, &packed, raw.len(), &hash(&raw)).unwrap(),
            raw
        );
        assert!(unpack(CODING, &packed, raw.len(), &hash(b"other")).is_err());
        assert!(unpack(CODING, &packed[..20], raw.len(), &hash(&raw)).is_err());
        assert!(unpack("lzma", &packed, raw.len(), &hash(&raw)).is_err());
    }
}
