//! Blocks of whole lines from a reader, and the text encodings in front of it.

use std::collections::VecDeque;
use std::io::{self, Read};

use super::error::LINE_LIMIT_BYTES;

/// Size a block is read to [byte]; two per worker are alive at a time.
const BLOCK_BYTES: usize = 512 << 10;

/// A run of whole lines.
#[derive(Debug, Default)]
pub(super) struct Block {
    /// Place in the file, from 0.
    pub(super) seq: u64,
    /// The lines with their ends.
    pub(super) bytes: Vec<u8>,
    /// The last line came without a line end (end of file).
    pub(super) open_end: bool,
    /// The line after this block is longer than is read.
    pub(super) too_long: bool,
}

/// Cuts what a reader gives into blocks at line ends.
#[derive(Debug)]
pub(super) struct BlockSource<R> {
    reader: R,
    carry: Vec<u8>,
    seq: u64,
    done: bool,
    /// Bytes read so far.
    pub(super) bytes_read: u64,
}

impl<R: Read> BlockSource<R> {
    pub(super) fn new(reader: R) -> Self {
        Self {
            reader,
            carry: Vec::new(),
            seq: 0,
            done: false,
            bytes_read: 0,
        }
    }

    /// Next block, or `None` at the end; `buffer` is reused, what it holds is overwritten.
    pub(super) fn next(&mut self, mut buffer: Vec<u8>) -> io::Result<Option<Block>> {
        if self.done {
            return Ok(None);
        }
        let mut filled = self.carry.len();
        make_room(&mut buffer, filled.max(BLOCK_BYTES));
        buffer[..filled].copy_from_slice(&self.carry);
        self.carry.clear();
        let mut searched = 0;
        let mut target = BLOCK_BYTES;
        loop {
            let end = self.fill(&mut buffer, &mut filled, target)?;
            let cut = buffer[searched..filled]
                .iter()
                .rposition(|&b| b == b'\n')
                .map(|at| searched + at + 1);
            if end {
                self.done = true;
                if filled == 0 {
                    return Ok(None);
                }
                let open_end = cut != Some(filled);
                buffer.truncate(filled);
                return Ok(Some(self.block(buffer, open_end, false)));
            }
            if let Some(cut) = cut {
                self.carry.extend_from_slice(&buffer[cut..filled]);
                buffer.truncate(cut);
                return Ok(Some(self.block(buffer, false, false)));
            }
            if filled > LINE_LIMIT_BYTES {
                self.done = true;
                buffer.clear();
                return Ok(Some(self.block(buffer, false, true)));
            }
            searched = filled;
            target = filled + BLOCK_BYTES;
        }
    }

    fn block(&mut self, bytes: Vec<u8>, open_end: bool, too_long: bool) -> Block {
        let seq = self.seq;
        self.seq += 1;
        Block {
            seq,
            bytes,
            open_end,
            too_long,
        }
    }

    /// Reads until `filled` bytes of `buffer` are `target`; true at the end of the input.
    fn fill(
        &mut self,
        buffer: &mut Vec<u8>,
        filled: &mut usize,
        target: usize,
    ) -> io::Result<bool> {
        make_room(buffer, target);
        while *filled < target {
            match self.reader.read(&mut buffer[*filled..target]) {
                Ok(0) => return Ok(true),
                Ok(n) => {
                    *filled += n;
                    self.bytes_read += n as u64;
                }
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
        Ok(false)
    }
}

/// Makes a buffer at least `length` long. One that comes back is almost that long: clearing it first would cost as
/// much as a copy of the file.
fn make_room(buffer: &mut Vec<u8>, length: usize) {
    if buffer.len() < length {
        buffer.resize(length, 0);
    }
}

/// How the bytes of a file spell text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Encoding {
    /// UTF-8 or any superset of ASCII.
    Bytes,
    /// UTF-16, low byte first.
    Utf16Le,
    /// UTF-16, high byte first.
    Utf16Be,
}

/// Encoding told from the first bytes, and how many of them are a byte-order mark.
pub(super) fn encoding_of(head: &[u8]) -> (Encoding, usize) {
    match head {
        [0xef, 0xbb, 0xbf, ..] => (Encoding::Bytes, 3),
        [0xff, 0xfe, ..] => (Encoding::Utf16Le, 2),
        [0xfe, 0xff, ..] => (Encoding::Utf16Be, 2),
        _ => {
            // Without a mark: text in UTF-16 shows as every other byte nil.
            let nil = |odd: usize| {
                head.len() >= 8
                    && head
                        .iter()
                        .enumerate()
                        .all(|(i, &b)| (b == 0) == (i % 2 == odd))
            };
            let encoding = if nil(1) {
                Encoding::Utf16Le
            } else if nil(0) {
                Encoding::Utf16Be
            } else {
                Encoding::Bytes
            };
            (encoding, 0)
        }
    }
}

/// Hands UTF-16 on as UTF-8; passes anything else through.
#[derive(Debug)]
pub(super) struct Transcoder<R> {
    reader: R,
    encoding: Encoding,
    raw: Vec<u8>,
    ready: VecDeque<u8>,
}

impl<R: Read> Transcoder<R> {
    pub(super) fn new(reader: R, encoding: Encoding) -> Self {
        Self {
            reader,
            encoding,
            raw: Vec::new(),
            ready: VecDeque::new(),
        }
    }

    fn decode_more(&mut self) -> io::Result<()> {
        const CHUNK: usize = 16 << 10;
        let kept = self.raw.len();
        self.raw.resize(kept + CHUNK, 0);
        let n = self.reader.read(&mut self.raw[kept..])?;
        self.raw.truncate(kept + n);
        // An odd byte or half a surrogate pair waits for the next chunk, except at the end.
        let mut whole = self.raw.len() / 2 * 2;
        let unit = |pair: &[u8]| match self.encoding {
            Encoding::Utf16Be => u16::from_be_bytes([pair[0], pair[1]]),
            _ => u16::from_le_bytes([pair[0], pair[1]]),
        };
        if n > 0 && whole >= 2 && (0xd800..0xdc00).contains(&unit(&self.raw[whole - 2..whole])) {
            whole -= 2;
        }
        let units = self.raw[..whole].chunks_exact(2).map(unit);
        let mut utf8 = [0; 4];
        for c in char::decode_utf16(units) {
            let c = c.unwrap_or(char::REPLACEMENT_CHARACTER);
            self.ready.extend(c.encode_utf8(&mut utf8).as_bytes());
        }
        self.raw.drain(..whole);
        if n == 0 {
            self.raw.clear();
            self.encoding = Encoding::Bytes;
        }
        Ok(())
    }
}

impl<R: Read> Read for Transcoder<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        while self.ready.is_empty() {
            if self.encoding == Encoding::Bytes {
                return self.reader.read(buffer);
            }
            self.decode_more()?;
        }
        self.ready.read(buffer)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drain(bytes: &[u8]) -> (Vec<u8>, Vec<Block>) {
        let mut source = BlockSource::new(bytes);
        let mut blocks = Vec::new();
        while let Some(block) = source.next(Vec::new()).unwrap() {
            blocks.push(block);
        }
        (
            blocks.iter().flat_map(|b| b.bytes.clone()).collect(),
            blocks,
        )
    }

    #[test]
    fn blocks_end_at_line_ends_and_lose_nothing() {
        let text: Vec<u8> = (0..200_000)
            .flat_map(|i| format!("{i},{}\n", i * 7).into_bytes())
            .collect();
        let (joined, blocks) = drain(&text);
        assert_eq!(joined, text);
        assert!(blocks.len() > 2);
        assert!(
            blocks
                .iter()
                .all(|b| b.bytes.ends_with(b"\n") && !b.open_end)
        );
        let (joined, blocks) = drain(&text[..text.len() - 1]);
        assert_eq!(joined.len(), text.len() - 1);
        assert!(blocks.last().unwrap().open_end);
    }

    #[test]
    fn endless_line_is_given_up_not_buffered() {
        let mut source = BlockSource::new(io::repeat(b'7'));
        let block = source.next(Vec::new()).unwrap().unwrap();
        assert!(block.too_long && block.bytes.is_empty());
        assert!(source.bytes_read < 3 * LINE_LIMIT_BYTES as u64);
        assert!(source.next(Vec::new()).unwrap().is_none());
    }

    #[test]
    fn utf16_becomes_utf8() {
        let text = "t;\u{221e};\u{1d11e}\r\n".repeat(9000);
        for (encoding, big) in [(Encoding::Utf16Le, false), (Encoding::Utf16Be, true)] {
            let raw: Vec<u8> = text
                .encode_utf16()
                .flat_map(|u| {
                    if big {
                        u.to_be_bytes()
                    } else {
                        u.to_le_bytes()
                    }
                })
                .collect();
            let mut out = String::new();
            Transcoder::new(raw.as_slice(), encoding)
                .read_to_string(&mut out)
                .unwrap();
            assert_eq!(out, text);
        }
        assert_eq!(
            encoding_of(
                "t;p\r\n1;2"
                    .encode_utf16()
                    .flat_map(u16::to_le_bytes)
                    .collect::<Vec<_>>()
                    .as_slice()
            )
            .0,
            Encoding::Utf16Le
        );
        assert_eq!(encoding_of(b"1,2,3,4,5,6").0, Encoding::Bytes);
    }
}
