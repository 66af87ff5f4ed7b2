use super::*;
use proptest::prelude::*;

const PLACE: &[u8] = b"N 12 34 56";

/// A mark that the standard keeps for extensions.
const RESERVED: u8 = 0xf0;

fn segment(marker: u8, content: &[u8]) -> Vec<u8> {
    let length = u16::try_from(content.len() + 2).unwrap().to_be_bytes();
    [&[0xff, marker], &length[..], content].concat()
}

/// A picture of the right build with a place in every corner where one may stand.
fn jpeg() -> Vec<u8> {
    let mut exif = b"Exif\0\0".to_vec();
    exif.extend(orientation_alone(6));
    exif.extend(PLACE);
    let frame = [8, 0, 1, 0, 1, 1, 1, 0x11, 0];
    let scan = [1, 1, 0, 0, 63, 0];
    [
        vec![0xff, 0xd8],
        segment(markers::APP0, b"JFIF\0\x01\x01\0\0\x01\0\x01\0\0"),
        segment(markers::APP1, &exif),
        segment(
            markers::APP1,
            &[b"http://ns.adobe.com/xap/1.0/\0", PLACE].concat(),
        ),
        segment(markers::APP13, PLACE),
        segment(markers::COM, PLACE),
        segment(RESERVED, PLACE),
        segment(markers::DQT, &[0; 65]),
        segment(markers::SOF0, &frame),
        segment(markers::DHT, &[0; 20]),
        segment(markers::SOS, &scan),
        vec![1, 2, 0xff, 0x00, 3, 0xff, 0xd0, 4],
        segment(markers::COM, PLACE),
        segment(RESERVED, PLACE),
        segment(markers::DHT, &[0; 20]),
        segment(markers::SOS, &scan),
        vec![5, 6, 0xff, 0xd9],
        PLACE.to_vec(),
    ]
    .concat()
}

fn holds_place(bytes: &[u8]) -> bool {
    bytes.windows(PLACE.len()).any(|w| w == PLACE)
}

#[test]
fn a_jpeg_keeps_its_picture_and_which_way_up_and_nothing_else() {
    let raw = jpeg();
    assert!(holds_place(&raw));
    let clean = clean("p.jpg", raw).unwrap();
    assert_eq!(clean.kind.media_type(), "image/jpeg");
    assert!(!holds_place(&clean.bytes));
    assert_eq!(orientation(&Bytes::from(clean.bytes.clone())), Some(6));
    let drawn = [1, 2, 0xff, 0x00, 3, 0xff, 0xd0, 4, 0xff, markers::DHT];
    assert!(clean.bytes.windows(drawn.len()).any(|w| w == drawn));
    assert!(clean.bytes.ends_with(&[5, 6, 0xff, 0xd9]));
}

#[test]
fn an_upright_jpeg_has_no_block_at_all() {
    let mut raw = jpeg();
    let at = raw.windows(4).position(|w| w == [0, 6, 0, 0]).unwrap();
    raw[at + 1] = 1;
    let clean = clean("p.jpg", raw).unwrap();
    assert!(!clean.bytes.windows(4).any(|w| w == b"Exif"));
}

#[test]
fn png_and_webp_lose_their_texts() {
    let mut png = b"\x89PNG\r\n\x1a\n".to_vec();
    for (kind, content) in [
        (b"IHDR", &[0, 0, 0, 1, 0, 0, 0, 1, 8, 0, 0, 0, 0][..]),
        (b"tEXt", PLACE),
        (b"eXIf", PLACE),
        (b"IDAT", &[1, 2, 3]),
        (b"IEND", &[]),
    ] {
        let chunk = img_parts::png::PngChunk::new(*kind, Bytes::copy_from_slice(content));
        png.extend(chunk.encoder().bytes());
    }
    png.extend(PLACE);
    let clean_png = clean("p.png", png).unwrap();
    assert!(!holds_place(&clean_png.bytes) && clean_png.bytes.ends_with(b"IEND\xae\x42\x60\x82"));

    let chunk = |id: &[u8; 4], content: &[u8]| {
        let length = u32::try_from(content.len()).unwrap().to_le_bytes();
        [&id[..], &length, content].concat()
    };
    let body = [
        b"WEBP".to_vec(),
        chunk(b"VP8X", &[0x0c, 0, 0, 0, 0, 0, 0, 0, 0, 0]),
        chunk(b"VP8L", &[0x2f, 0, 0, 0, 0, 8]),
        chunk(b"EXIF", PLACE),
        chunk(b"XMP ", PLACE),
    ]
    .concat();
    let webp = clean("p.webp", chunk(b"RIFF", &body)).unwrap();
    assert!(!holds_place(&webp.bytes));
    assert!(webp.bytes.windows(4).any(|w| w == b"VP8L"));
}

#[test]
fn what_is_no_picture_or_is_cut_off_is_refused() {
    assert!(clean("p.txt", b"hello".to_vec()).is_err());
    let mut cut = jpeg();
    cut.truncate(cut.len() - PLACE.len() - 3);
    assert!(clean("p.jpg", cut).is_err());
    assert!(clean("p.jpg", vec![0xff, 0xd8]).is_err());
    // A scan goes on behind a mark without a length: what hides behind one that claims to have one?
    for mark in [0x01, 0x02, 0xbf, 0xd8] {
        let end = jpeg().len() - PLACE.len() - 2;
        let mut hiding = jpeg();
        hiding.splice(end..end, segment(mark, PLACE));
        assert!(clean("p.jpg", hiding).is_err(), "{mark:#x}");
    }
}

proptest! {
    #[test]
    fn prop_broken_pictures_are_refused_or_cleaned_but_never_a_panic(
        at in 0_usize..600,
        byte in any::<u8>(),
        length in 0_usize..600,
        head in 0_usize..4,
    ) {
        let heads: [Vec<u8>; 4] = [
            jpeg(),
            b"\x89PNG\r\n\x1a\n\0\0\0\x05IHDRabc".to_vec(),
            b"RIFF\x20\0\0\0WEBPVP8X\x0a\0\0\0abcdefghijVP8 ".to_vec(),
            b"RIFF\xff\xff\xff\xffWEBPLIST\x08\0\0\0abcd".to_vec(),
        ];
        let mut raw = heads[head].clone();
        if let Some(b) = raw.get_mut(at) {
            *b = byte;
        }
        raw.truncate(length);
        if let Ok(clean) = clean("p", raw) {
            prop_assert!(!clean.bytes.is_empty());
        }
    }
}
