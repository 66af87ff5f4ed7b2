//! Photos made small enough for a sheet.

use std::io::Cursor;

use image::codecs::jpeg::JpegEncoder;
use image::imageops::FilterType;
use image::{DynamicImage, ImageDecoder, ImageReader, Limits};

/// Longest side of a photo in a document: 300 dots per inch over the 52 mm it is given [px].
const LONGEST_PX: u32 = 640;
/// Quality of the JPEG, out of 100.
const QUALITY: u8 = 80;
/// Memory one photo may take while it is read [bytes].
const MEMORY_BYTES: u64 = 256 * 1024 * 1024;
/// Most pixels: decoders hold more than one copy of a picture and do not count all of them as
/// memory, and a header of a hundred bytes may claim four thousand million.
const MOST_PIXELS: u64 = 64_000_000;

/// A camera's picture as a small JPEG, turned upright; `None` for what cannot be read as a picture
/// or has more than 64 million pixels.
///
/// `bytes`: a JPEG, PNG or WebP file.
pub fn small_photo(bytes: &[u8]) -> Option<Vec<u8>> {
    let mut reader = ImageReader::new(Cursor::new(bytes))
        .with_guessed_format()
        .ok()?;
    let mut limits = Limits::default();
    limits.max_alloc = Some(MEMORY_BYTES);
    reader.limits(limits);
    let mut decoder = reader.into_decoder().ok()?;
    let (width, height) = decoder.dimensions();
    if u64::from(width) * u64::from(height) > MOST_PIXELS {
        return None;
    }
    let orientation = decoder.orientation().ok();
    let mut photo = DynamicImage::from_decoder(decoder).ok()?;
    if photo.width().max(photo.height()) > LONGEST_PX {
        // A quick pass first: the fine filter over a camera's full size takes seconds.
        photo = photo.thumbnail(2 * LONGEST_PX, 2 * LONGEST_PX);
        photo = photo.resize(LONGEST_PX, LONGEST_PX, FilterType::Triangle);
    }
    if let Some(orientation) = orientation {
        photo.apply_orientation(orientation);
    }
    let mut out = Vec::new();
    photo
        .to_rgb8()
        .write_with_encoder(JpegEncoder::new_with_quality(&mut out, QUALITY))
        .ok()?;
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::{ImageFormat, RgbImage};

    fn png(width: u32, height: u32) -> Vec<u8> {
        let mut out = Cursor::new(Vec::new());
        let picture = RgbImage::from_fn(width, height, |x, y| image::Rgb([x as u8, y as u8, 90]));
        picture.write_to(&mut out, ImageFormat::Png).unwrap();
        out.into_inner()
    }

    #[test]
    fn large_photos_become_small_and_keep_their_shape() {
        let small = small_photo(&png(1600, 800)).unwrap();
        let read = image::load_from_memory(&small).unwrap();
        assert_eq!((read.width(), read.height()), (LONGEST_PX, LONGEST_PX / 2));
    }

    /// A JPEG of two tables and a scan that says it is 65,497 by 65,279 pixels: found by the engine that looks for
    /// inputs, it took a gigabyte.
    #[test]
    fn a_picture_that_claims_to_be_huge_is_none() {
        let bytes = include_bytes!("../../../../hardness/corpus/photo/found-huge");
        let decoder = ImageReader::new(Cursor::new(bytes)).with_guessed_format();
        let decoder = decoder.unwrap().into_decoder().unwrap();
        assert_eq!(decoder.dimensions(), (65_497, 65_279));
        assert_eq!(small_photo(bytes), None);
    }

    #[test]
    fn what_is_no_picture_is_none() {
        assert_eq!(small_photo(b"not a picture"), None);
        assert_eq!(small_photo(&png(20, 20)[..40]), None);
    }
}
