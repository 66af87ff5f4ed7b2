//! The one way in: tells sound files, text encodings and text apart.

use std::io::{Cursor, ErrorKind, Read};

use super::blocks::{Encoding, Transcoder, encoding_of};
use super::error::ImportError;
use super::hint::LayoutHint;
use super::text::import_text;
use super::wav::import_wav;
use crate::recording::Recording;

/// Bytes looked at to tell the kind of file.
const HEAD_BYTES: usize = 64;

/// Imports a recording of inlet pressures from a reader, without holding the file in memory.
///
/// `reader`: the bytes, opened by the caller (file, standard input, archive member). `name`: for
/// messages. `hint`: what is known of the layout; everything else is found, and written in words
/// to [`Recording::assumed`]. `bodies`: the bodies wanted, in the order of the result; if empty,
/// those named in `hint.pressure`. `progress`: called on this thread with the bytes read so far.
///
/// Text columns in any superset of ASCII or UTF-16, and PCM sound files. Memory beyond the result
/// is a few blocks of 512 KiB. Lost samples of up to three are filled with `NaN`; longer gaps
/// start a new segment. Lines that are no rows are skipped and counted in a notice.
///
/// ```
/// use evenpull_trace::{LayoutHint, import};
///
/// let rows: String = (0..200).map(|i| format!("{};{},5;{},5\n", i * 500, 40 + i % 50, 45 + i % 50)).collect();
/// let file = format!("boot ok\nt_us;left kPa;right kPa\n{rows}");
/// let bodies = ["left".to_owned(), "right".to_owned()];
/// let recording = import(file.as_bytes(), "idle.csv", &LayoutHint::default(), &bodies, &mut |_| {})?;
/// assert_eq!(recording.samples(), 200);
/// assert!((recording.dt_s - 500e-6).abs() < 1e-12);
/// assert_eq!(recording.channels[1].p_pa[0], 45_500.0);
/// # Ok::<(), evenpull_trace::ImportError>(())
/// ```
///
/// # Errors
/// [`ImportError`]; each variant names file, line and column where they apply, and the remedy.
pub fn import<R: Read + Send>(
    mut reader: R,
    name: &str,
    hint: &LayoutHint,
    bodies: &[String],
    progress: &mut dyn FnMut(u64),
) -> Result<Recording, ImportError> {
    let bodies = wanted_bodies(name, hint, bodies)?;
    let head = read_head(&mut reader).map_err(|e| ImportError::read(name, e))?;
    let mut assumed = Vec::new();
    if head.starts_with(b"RIFF") && head.get(8..12) == Some(b"WAVE") {
        let chained = Cursor::new(head).chain(reader);
        return import_wav(
            std::io::BufReader::new(chained),
            name,
            hint,
            &bodies,
            assumed,
            progress,
        );
    }
    let (encoding, mark) = encoding_of(&head);
    let chained = Cursor::new(head[mark..].to_vec()).chain(reader);
    if encoding == Encoding::Bytes {
        return import_text(chained, name, hint, &bodies, assumed, progress);
    }
    assumed.push("text in UTF-16".to_owned());
    import_text(
        Transcoder::new(chained, encoding),
        name,
        hint,
        &bodies,
        assumed,
        progress,
    )
}

fn read_head(reader: &mut impl Read) -> std::io::Result<Vec<u8>> {
    let mut head = vec![0; HEAD_BYTES];
    let mut filled = 0;
    while filled < HEAD_BYTES {
        match reader.read(&mut head[filled..]) {
            Ok(0) => break,
            Ok(n) => filled += n,
            Err(e) if e.kind() == ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    head.truncate(filled);
    Ok(head)
}

fn wanted_bodies(
    name: &str,
    hint: &LayoutHint,
    bodies: &[String],
) -> Result<Vec<String>, ImportError> {
    let bad = |key: String, value: &str, allowed: &'static str| ImportError::BadHint {
        name: name.to_owned(),
        key,
        value: value.to_owned(),
        allowed,
    };
    for (i, channel) in hint.pressure.iter().enumerate() {
        if hint.pressure[..i].iter().any(|c| c.body == channel.body) {
            return Err(bad(
                format!("pressure.{}", channel.body),
                "given twice",
                "given once",
            ));
        }
        if !bodies.is_empty() && !bodies.contains(&channel.body) {
            let known = "a body of the engine profile";
            return Err(bad("pressure".to_owned(), &channel.body, known));
        }
    }
    if !bodies.is_empty() {
        return Ok(bodies.to_vec());
    }
    if hint.pressure.is_empty() {
        return Err(bad(
            "pressure".to_owned(),
            "empty",
            "given for each body where no profile names them",
        ));
    }
    Ok(hint.pressure.iter().map(|c| c.body.clone()).collect())
}
