use std::time::Instant;

use proptest::prelude::*;

use super::*;
use crate::block::{Block, Damage, Feed};

fn head(channels: usize) -> LineHead {
    LineHead {
        stream: StreamHead {
            channels: (0..channels).map(|i| format!("body{i}")).collect(),
            rate_hz: 2_000.0,
        },
        unit: LineUnit::Count {
            counts: Counts::new(4_095.0).unwrap(),
            sensor: Ratiometric::RANGE_15_TO_115_KPA,
        },
        wrap: 65_536,
        run: Some("8f3a".to_owned()),
    }
}

fn decoded(text: &[u8]) -> (Vec<Feed>, Decoder) {
    let mut decoder = Decoder::new();
    let mut out = Vec::new();
    decoder.take(text, Instant::now(), &mut out);
    (out, decoder)
}

/// All rows, with where a stretch began anew and what was lost.
fn rows(feeds: &[Feed]) -> Vec<(bool, u64, Vec<f32>)> {
    feeds
        .iter()
        .filter_map(|f| match f {
            Feed::Samples(Block {
                rows,
                lost_before,
                fresh,
                ..
            }) => Some((*fresh, *lost_before, rows.clone())),
            _ => None,
        })
        .collect()
}

fn kpa_head() -> LineHead {
    LineHead {
        unit: LineUnit::KiloPascal,
        run: None,
        ..head(1)
    }
}

fn kpa(counts: impl IntoIterator<Item = u64>) -> String {
    let lines = counts.into_iter().map(|c| sample_line(c, &[50.0], 1));
    head_line(&kpa_head()) + &lines.collect::<String>()
}

/// 12-bit counts of the 15-115 kPa kind: 1,842/4,095 is 0.449817, (0.449817 + 0.095)/0.009 kPa.
#[test]
fn a_head_and_its_samples_become_pascals() {
    let text = head_line(&head(2)) + &sample_line(7, &[1_842.0, 1_790.0], 0);
    let (feeds, decoder) = decoded(text.as_bytes());
    assert_eq!(decoder.head(), Some(&head(2)));
    assert_eq!(feeds[0], Feed::Head(head(2).stream));
    let rows = rows(&feeds);
    assert!((rows[0].2[0] - 60_535.2).abs() < 0.1, "{rows:?}");
    assert_eq!(decoder.damage(), Damage::default());
}

#[test]
fn the_lines_of_the_guide_are_understood() {
    let guide = include_str!("../../../../docs/sensor-lines.md");
    let lines: Vec<&str> = guide
        .lines()
        .map(str::trim)
        .filter(|l| l.len() > 3 && l.as_bytes()[l.len() - 3] == b'~' && !l.contains('`'))
        .collect();
    assert!(lines.len() >= 4, "{lines:?}");
    for line in lines {
        let read = read_line(line.as_bytes());
        let want = check(&line.as_bytes()[..line.len() - 3]);
        assert!(read.is_ok(), "{line}: {read:?}, check {want:02x}");
    }
}

#[test]
fn the_counter_rolls_over_unseen() {
    let (feeds, decoder) = decoded(kpa([65_534, 65_535, 0, 1]).as_bytes());
    assert_eq!(rows(&feeds), [(true, 0, vec![50_000.0; 4])]);
    assert_eq!(decoder.damage(), Damage::default());
}

#[test]
fn lost_repeated_and_restarted_samples_are_told_apart() {
    let (feeds, decoder) = decoded(kpa([10, 11, 11, 14, 15, 40, 3, 4]).as_bytes());
    let found: Vec<(bool, u64, usize)> = rows(&feeds)
        .iter()
        .map(|(fresh, lost, r)| (*fresh, *lost, r.len()))
        .collect();
    assert_eq!(
        found,
        [(true, 0, 2), (false, 2, 2), (true, 24, 1), (true, 0, 2)]
    );
    let want = Damage {
        bad_lines: 0,
        lost_samples: 26,
        repeated: 1,
        restarts: 1,
    };
    assert_eq!(decoder.damage(), want);
    assert_eq!(feeds.last(), Some(&Feed::Damage(want)));
}

#[test]
fn another_run_starts_anew_and_another_head_is_told() {
    let again = LineHead {
        run: Some("0001".to_owned()),
        ..head(1)
    };
    let faster = LineHead {
        stream: StreamHead {
            rate_hz: 4_000.0,
            ..head(1).stream
        },
        ..again.clone()
    };
    let text = [head_line(&head(1)), sample_line(5, &[2_000.0], 0)].concat()
        + &head_line(&head(1))
        + &sample_line(6, &[2_000.0], 0)
        + &head_line(&again)
        + &sample_line(7, &[2_000.0], 0)
        + &head_line(&faster)
        + &sample_line(8, &[2_000.0], 0);
    let (feeds, decoder) = decoded(text.as_bytes());
    let found: Vec<(bool, usize)> = rows(&feeds).iter().map(|r| (r.0, r.2.len())).collect();
    assert_eq!(found, [(true, 2), (true, 1), (true, 1)]);
    let heads = feeds.iter().filter(|f| matches!(f, Feed::Head(_))).count();
    assert_eq!((heads, decoder.damage().restarts), (2, 2));
}

#[test]
fn boot_text_broken_lines_and_other_ends_cost_themselves_only() {
    let good = sample_line(1, &[50.0], 1);
    let mut text = b"rst cause:2\r\n\xff\xfe\x00garbage\r\n\r\n".to_vec();
    text.extend(sample_line(0, &[50.0], 1).into_bytes()); // before the head
    text.extend(head_line(&kpa_head()).into_bytes());
    text.extend(&good.as_bytes()[..4]); // broken off
    text.extend(b"\n");
    text.extend(good.replace('\n', "\r\n").into_bytes());
    text.extend(sample_line(2, &[f64::NAN], 1).into_bytes());
    text.extend(sample_line(3, &[900.0], 1).into_bytes()); // no pressure
    text.extend(sample_line(4, &[50.0, 51.0], 1).into_bytes()); // too wide
    text.extend(vec![b'x'; 5_000]);
    text.extend(b"\n");
    text.extend(remark_line("supply 4.98 V").into_bytes());
    let (feeds, decoder) = decoded(&text);
    let all: Vec<f32> = rows(&feeds).into_iter().flat_map(|r| r.2).collect();
    assert_eq!(all.len(), 3);
    assert!(all[0] == 50_000.0 && all[1].is_nan() && all[2].is_nan());
    assert_eq!(decoder.damage().bad_lines, 6);
    assert!(feeds.contains(&Feed::Remark("supply 4.98 V".to_owned())));
    assert!(decoder.held() <= LONGEST_LINE + 16);
}

#[test]
fn heads_that_cannot_be_used_say_which_key() {
    let good = "head v=1 rate=1000 names=left,right unit=count full=4095";
    let ended = |text: &str| format!("{text}~{:02x}", check(text.as_bytes()));
    assert!(read_line(ended(good).as_bytes()).is_ok());
    for (from, to, key) in [
        ("v=1", "v=2", "v"),
        ("rate=1000", "rate=nan", "rate"),
        ("rate=1000", "rate=1e3", "rate"),
        ("rate=1000", "rate=20001", "rate"),
        ("names=left,right", "names=left,left", "names"),
        ("names=left,right", "names=", "names"),
        ("unit=count", "unit=psi", "unit"),
        ("full=4095", "full=0", "full"),
        ("full=4095", "k1=0 full=4095", "k1"),
        ("full=4095", "full=4095 wrap=0", "wrap"),
        ("full=4095", "full=4095 wrap=-1", "wrap"),
    ] {
        let bad = ended(&good.replace(from, to));
        match read_line(bad.as_bytes()) {
            Err(LineError::Head { key: found, .. }) => assert_eq!(found, key, "{bad}"),
            other => panic!("{bad}: {other:?}"),
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    /// Any bytes, cut anywhere, do no harm and are held to one line.
    #[test]
    fn prop_any_bytes_are_survived(pieces in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..400), 0..20)) {
        let mut decoder = Decoder::new();
        let mut out = Vec::new();
        decoder.take(head_line(&head(2)).as_bytes(), Instant::now(), &mut out);
        for piece in &pieces {
            decoder.take(piece, Instant::now(), &mut out);
        }
        prop_assert!(decoder.held() <= LONGEST_LINE + 16);
        for feed in &out {
            if let Feed::Samples(block) = feed {
                prop_assert_eq!(block.rows.len() % block.channels, 0);
            }
        }
    }

    /// The same bytes give the same samples however they are cut.
    #[test]
    fn prop_cuts_do_not_matter(counts in prop::collection::vec(0_u64..200, 1..60), cut in 1_usize..40) {
        let text = kpa(counts);
        let (whole, one) = decoded(text.as_bytes());
        let mut decoder = Decoder::new();
        let mut out = Vec::new();
        for piece in text.as_bytes().chunks(cut) {
            decoder.take(piece, Instant::now(), &mut out);
        }
        let flat = |feeds: &[Feed]| rows(feeds).into_iter().flat_map(|r| r.2).collect::<Vec<f32>>();
        prop_assert_eq!(flat(&whole), flat(&out));
        prop_assert_eq!(one.damage(), decoder.damage());
    }

    /// What is written is read back to the digit.
    #[test]
    fn prop_lines_round_trip(count in 0_u64..65_536, values in prop::collection::vec(0_u32..4_096, 1..17)) {
        let values: Vec<f64> = values.into_iter().map(f64::from).collect();
        let line = sample_line(count, &values, 0);
        let read = read_line(line.trim_end().as_bytes());
        let Ok(Line::Sample { count: c, values: v }) = read else {
            return Err(TestCaseError::fail(format!("{read:?}")));
        };
        prop_assert_eq!(c.parse::<u64>().unwrap(), count);
        let back: Vec<f64> = v.split(' ').map(|t| number(t).unwrap()).collect();
        prop_assert_eq!(back, values);
        let h = head(values_len(v));
        let line = head_line(&h);
        prop_assert_eq!(read_line(line.trim_end().as_bytes()), Ok(Line::Head(Box::new(h))));
    }

    /// A line with flipped bits is refused, or (one in 256) read as something that fits its form.
    #[test]
    fn prop_flipped_bits_are_found(flips in prop::collection::vec((0_usize..16, 0_u8..7), 1..3)) {
        let line = sample_line(40_213, &[1_842.0, 1_790.0], 0);
        let mut bad = line.trim_end().as_bytes().to_vec();
        for (at, bit) in flips {
            bad[at] ^= 1 << bit;
        }
        let same = bad == line.trim_end().as_bytes();
        // One and two wrong bits before the check are always found.
        prop_assert_eq!(read_line(&bad).is_ok(), same);
    }
}

fn values_len(values: &str) -> usize {
    values.split(' ').count()
}
