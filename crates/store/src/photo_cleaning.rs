//! Pictures without what they tell about place, time, device and owner.
//!
//! Only the parts that draw the picture are kept; everything else goes, known or not. The picture
//! itself is not encoded anew. What a picture shows cannot be cleaned.

use img_parts::jpeg::{Jpeg, JpegSegment, markers};
use img_parts::png::Png;
use img_parts::webp::WebP;
use img_parts::{Bytes, ImageEXIF};

use crate::error::StoreError;

/// Largest photo [bytes].
pub(crate) const LIMIT_BYTES: usize = 40_000_000;

/// Chunks of PNG that draw the picture.
const PNG_KEPT: [&[u8; 4]; 13] = [
    b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"sBIT", b"bKGD",
    b"pHYs", b"acTL", b"fcTL",
];
/// Chunks of WebP that draw the picture.
const WEBP_KEPT: [&[u8; 4]; 6] = [b"VP8 ", b"VP8L", b"VP8X", b"ALPH", b"ANIM", b"ANMF"];

/// A picture ready to be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct CleanPhoto {
    /// The file.
    pub(crate) bytes: Vec<u8>,
    /// Its kind.
    pub(crate) kind: PhotoKind,
}

/// Kinds of picture that are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum PhotoKind {
    Jpeg,
    Png,
    WebP,
}

impl PhotoKind {
    pub(crate) fn media_type(self) -> &'static str {
        match self {
            Self::Jpeg => "image/jpeg",
            Self::Png => "image/png",
            Self::WebP => "image/webp",
        }
    }

    pub(crate) fn of_media_type(text: &str) -> Option<Self> {
        [Self::Jpeg, Self::Png, Self::WebP]
            .into_iter()
            .find(|k| k.media_type() == text)
    }

    pub(crate) fn extension(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Png => "png",
            Self::WebP => "webp",
        }
    }
}

/// The picture alone, or why it cannot be kept; `name` is shown in messages.
pub(crate) fn clean(name: &str, raw: Vec<u8>) -> Result<CleanPhoto, StoreError> {
    let refused = |problem: &str, remedy: &str| StoreError::invalid(name, problem, remedy);
    if raw.len() > LIMIT_BYTES {
        return Err(refused(
            "the photo is larger than 40 MB",
            "take it with a smaller picture size",
        ));
    }
    let raw = Bytes::from(raw);
    let (bytes, kind) = if raw.starts_with(&[0xff, 0xd8]) {
        (clean_jpeg(&raw), PhotoKind::Jpeg)
    } else if raw.starts_with(b"\x89PNG\r\n\x1a\n") {
        (clean_png(raw), PhotoKind::Png)
    } else if raw.starts_with(b"RIFF") && raw.get(8..12) == Some(b"WEBP") {
        (clean_webp(raw), PhotoKind::WebP)
    } else {
        return Err(refused(
            "is no JPEG, PNG or WebP picture",
            "set the camera to JPEG, or save it as one",
        ));
    };
    let bytes = bytes.ok_or_else(|| {
        refused(
            "the picture is broken or cut off",
            "copy it from the camera again",
        )
    })?;
    Ok(CleanPhoto { bytes, kind })
}

/// The picture alone, as [`Store::add_photo`](crate::Store::add_photo) keeps it.
///
/// `name`: of the file, for messages; `raw`: a JPEG, PNG or WebP file as a camera made it.
///
/// # Errors
/// [`StoreError::Invalid`] for what is no such picture, is broken or larger than 40 MB.
pub fn cleaned_photo(name: &str, raw: Vec<u8>) -> Result<Vec<u8>, StoreError> {
    Ok(clean(name, raw)?.bytes)
}

fn clean_jpeg(raw: &Bytes) -> Option<Vec<u8>> {
    let turned = orientation(raw);
    let mut jpeg = Jpeg::from_bytes(raw.clone()).ok()?;
    jpeg.segments_mut().retain(draws);
    // The library leaves everything from the first scan on in one piece.
    let first_scan = jpeg.segments_mut().pop()?;
    if first_scan.marker() != markers::SOS {
        return None;
    }
    let whole = first_scan.clone().encoder().bytes();
    let data = whole.get(whole.len() - (first_scan.len_with_entropy() - first_scan.len())..)?;
    let scans = Bytes::from(clean_scans(data)?);
    let contents = first_scan.contents().clone();
    let cleaned = JpegSegment::new_with_entropy(markers::SOS, contents, scans);
    jpeg.segments_mut().push(cleaned);
    // Without it a picture taken upright would lie on its side.
    if let Some(o) = turned {
        jpeg.set_exif(Some(Bytes::from(orientation_alone(o))));
    }
    Some(jpeg.encoder().bytes().to_vec())
}

/// The scans of a picture up to its end mark, without remarks between them and without whatever
/// hangs behind the end: cameras put films and second pictures there, with their own places.
///
/// # Source
/// ITU-T T.81, annex B.1.1 (markers, stuffed bytes, segment lengths).
fn clean_scans(data: &[u8]) -> Option<Vec<u8>> {
    let mut out = Vec::with_capacity(data.len());
    let mut at = 0;
    loop {
        let mark = at + data.get(at..)?.iter().position(|&b| b == markers::P)?;
        out.extend_from_slice(&data[at..mark]);
        let marker = *data.get(mark + 1)?;
        match marker {
            markers::EOI => {
                out.extend([markers::P, markers::EOI]);
                return Some(out);
            }
            // A stuffed zero or a restart mark belongs to the scan.
            0 | markers::RST0..=markers::RST7 => {
                out.extend([markers::P, marker]);
                at = mark + 2;
            }
            // A fill byte.
            markers::P => at = mark + 1,
            // Nothing says how long a reserved or temporary one is, so anything may hide in it.
            0x01..=0xbf | markers::SOI => return None,
            _ => {
                let length = data.get(mark + 2..mark + 4)?;
                let end = mark + 2 + usize::from(u16::from_be_bytes([length[0], length[1]]));
                let segment = data.get(mark..end)?;
                if is_drawn_by(marker) {
                    out.extend_from_slice(segment);
                }
                at = end;
            }
        }
    }
}

/// Whether a segment belongs to the picture: tables, frames, scans, and how colours are meant.
fn draws(segment: &JpegSegment) -> bool {
    let content = segment.contents();
    match segment.marker() {
        markers::APP0 => content.starts_with(b"JFIF\0"),
        markers::APP2 => content.starts_with(b"ICC_PROFILE\0"),
        markers::APP14 => content.starts_with(b"Adobe"),
        marker => is_drawn_by(marker),
    }
}

/// Whether a marker is that of a frame, a table or a scan; the others are remarks, or reserved and may hold anything.
///
/// # Source
/// ITU-T T.81, table B.1.
fn is_drawn_by(marker: u8) -> bool {
    // JPG, among the frames, is reserved.
    (0xc0..=0xcf).contains(&marker) && marker != 0xc8 || (markers::SOS..=0xdf).contains(&marker)
}

fn clean_png(raw: Bytes) -> Option<Vec<u8>> {
    let mut png = Png::from_bytes(raw).ok()?;
    let kept = |kind: [u8; 4]| PNG_KEPT.contains(&&kind) || &kind == b"fdAT" || &kind == b"iCCP";
    png.chunks_mut().retain(|c| kept(c.kind()));
    let has = |kind: &[u8; 4]| png.chunks().iter().any(|c| &c.kind() == kind);
    (has(b"IHDR") && has(b"IDAT") && has(b"IEND")).then(|| png.encoder().bytes().to_vec())
}

fn clean_webp(raw: Bytes) -> Option<Vec<u8>> {
    let mut webp = WebP::from_bytes(raw).ok()?;
    let kept = |id: [u8; 4]| WEBP_KEPT.contains(&&id) || &id == b"ICCP";
    webp.chunks_mut().retain(|c| kept(c.id()));
    // Takes the flags of what is gone out of the extended header.
    webp.set_exif(None);
    let drawn = |id: [u8; 4]| matches!(&id, b"VP8 " | b"VP8L" | b"ANMF");
    let any = webp.chunks().iter().any(|c| drawn(c.id()));
    any.then(|| webp.encoder().bytes().to_vec())
}

/// Which way up, 2 to 8 of the standard; `None` for upright or unknown.
fn orientation(raw: &Bytes) -> Option<u16> {
    let exif = exif::Reader::new()
        .read_from_container(&mut std::io::Cursor::new(raw.as_ref()))
        .ok()?;
    let field = exif.get_field(exif::Tag::Orientation, exif::In::PRIMARY)?;
    let value = u16::try_from(field.value.get_uint(0)?).ok()?;
    (2..=8).contains(&value).then_some(value)
}

/// The shortest block that says which way up and nothing else.
///
/// # Source
/// TIFF 6.0, section 2 (header, one directory of one entry); EXIF 2.3, tag 0x0112.
fn orientation_alone(value: u16) -> Vec<u8> {
    let [high, low] = value.to_be_bytes();
    let mut block = b"MM\0\x2a\0\0\0\x08".to_vec();
    block.extend([0, 1]);
    block.extend([0x01, 0x12, 0, 3, 0, 0, 0, 1, high, low, 0, 0]);
    block.extend([0, 0, 0, 0]);
    block
}

#[cfg(test)]
mod tests;
