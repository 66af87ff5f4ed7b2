//! Lines and fields of a block of text.

use super::hint::Delimiter;
use super::words::decoded;

/// Cuts a line into fields; quoted fields may hold the delimiter.
pub(super) fn split(line: &[u8], delimiter: Delimiter, out: &mut Vec<(usize, usize)>) {
    out.clear();
    let mut quoted = false;
    let mut start = 0;
    let Some(mark) = delimiter.byte() else {
        let blank = |b: u8| b == b' ' || b == b'\t';
        let mut inside = false;
        for (i, &b) in line.iter().enumerate() {
            quoted ^= b == b'"';
            if blank(b) && !quoted {
                if inside {
                    out.push((start, i));
                }
                inside = false;
            } else if !inside {
                start = i;
                inside = true;
            }
        }
        if inside {
            out.push((start, line.len()));
        }
        return;
    };
    for (i, &b) in line.iter().enumerate() {
        quoted ^= b == b'"';
        if b == mark && !quoted {
            out.push((start, i));
            start = i + 1;
        }
    }
    out.push((start, line.len()));
}

/// Lines of a block without their ends.
pub(super) fn lines(block: &[u8]) -> Vec<&[u8]> {
    let block = block.strip_suffix(b"\n").unwrap_or(block);
    block
        .split(|&b| b == b'\n')
        .map(|l| l.strip_suffix(b"\r").unwrap_or(l))
        .collect()
}

/// Beginning of a line for a message.
pub(super) fn excerpt(line: &[u8]) -> String {
    let text = decoded(line);
    let mut short: String = text
        .trim()
        .chars()
        .filter(|c| !c.is_control())
        .take(60)
        .collect();
    if text.trim().chars().count() > 60 {
        short.push_str("...");
    }
    short
}
