//! The lines of a board, from a serial port or the network.

use std::time::Instant;

use evenpull_live::lines::{Decoder, LONGEST_LINE, check};
use evenpull_live::{Feed, Follower, MOST_CHANNELS};

use crate::pressures::{expect, look};

/// Any bytes of a connection. The first byte says in pieces of what length they arrive, and whether
/// every line gets a check that fits, so that what lies behind the check is reached as well.
pub(crate) fn lines(bytes: &[u8]) {
    let Some((how, bytes)) = bytes.split_first() else {
        return;
    };
    let bytes = if how & 1 == 1 {
        with_checks(bytes)
    } else {
        bytes.to_vec()
    };
    let names = ["left", "right"].map(str::to_owned);
    let mut follower = Follower::new(expect(&names));
    let mut decoder = Decoder::new();
    let mut out = Vec::new();
    let arrived = Instant::now();
    for piece in bytes.chunks(1 + usize::from(how >> 1) * 4) {
        decoder.take(piece, arrived, &mut out);
        // A line that never ends must not fill the memory.
        assert!(decoder.held() <= LONGEST_LINE + 16, "{}", decoder.held());
        for feed in out.drain(..) {
            follow(&mut follower, feed);
        }
    }
    let again = decoder.again();
    assert_eq!(again.damage(), decoder.damage());
    assert!(again.head().is_none() && again.held() == 0);
    if let Some(fault) = decoder.fault() {
        assert!(!fault.to_string().is_empty());
    }
    look(&mut follower);
}

fn follow(follower: &mut Follower, feed: Feed) {
    match feed {
        Feed::Head(head) => {
            assert!((1..=MOST_CHANNELS).contains(&head.channels.len()));
            follower.set_head(head);
        }
        Feed::Samples(block) => {
            assert_eq!(block.rows.len() % block.channels, 0);
            // A pressure that cannot be is unreadable; see docs/sensor-lines.md.
            let possible = |p: &f32| p.is_nan() || (0.0..=250_000.0).contains(p);
            assert!(block.rows.iter().all(possible), "{block:?}");
            follower.take(&block);
        }
        Feed::Link(_) | Feed::Damage(_) | Feed::Remark(_) | Feed::Practice(_) => {}
    }
}

/// Every line with the check that belongs to it.
fn with_checks(bytes: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(bytes.len());
    for line in bytes.split_inclusive(|&b| b == b'\n') {
        let Some(text) = line.strip_suffix(b"\n") else {
            out.extend_from_slice(line);
            continue;
        };
        let text = match text.len().checked_sub(3) {
            Some(at) if text[at] == b'~' => &text[..at],
            _ => text,
        };
        out.extend_from_slice(text);
        out.extend_from_slice(format!("~{:02x}\n", check(text)).as_bytes());
    }
    out
}
