//! From bytes to blocks of samples, whatever the bytes.

use std::time::Instant;

use crate::block::{Block, Damage, Feed};
use crate::follow::MOST_BLANKS;
use crate::lines::{LONGEST_LINE, Line, LineError, LineHead, number, read_line};

/// Pressures that can be in an inlet or the air around it [Pa]; others are unreadable.
const POSSIBLE_PA: (f64, f64) = (0.0, 250_000.0);

/// Reads the bytes of one connection.
///
/// Tolerates boot text, broken and foreign lines, other line ends, lost and repeated samples,
/// restarts of the device and a counter that rolls over; holds no more than one line.
#[derive(Debug, Default)]
pub struct Decoder {
    line: Vec<u8>,
    /// The line is too long; its rest is skipped.
    overlong: bool,
    head: Option<LineHead>,
    last_count: Option<u64>,
    damage: Damage,
    told: Damage,
    fault: Option<LineError>,
    block: Option<Block>,
}

impl Decoder {
    /// A decoder at the start of a connection.
    pub fn new() -> Self {
        Self::default()
    }

    /// A decoder for another connection, which goes on counting the damage.
    pub fn again(&self) -> Self {
        Self {
            damage: self.damage,
            told: self.told,
            ..Self::default()
        }
    }

    /// The head, once it was seen.
    pub fn head(&self) -> Option<&LineHead> {
        self.head.as_ref()
    }

    /// Damage so far.
    pub fn damage(&self) -> Damage {
        self.damage
    }

    /// What was wrong with the last line that was not understood.
    pub fn fault(&self) -> Option<&LineError> {
        self.fault.as_ref()
    }

    /// Bytes of the line that is not yet at its end.
    pub fn held(&self) -> usize {
        self.line.len()
    }

    /// Reads bytes that arrived at `arrived` and puts what they say to `out`.
    pub fn take(&mut self, bytes: &[u8], arrived: Instant, out: &mut Vec<Feed>) {
        for &b in bytes {
            match b {
                b'\n' | b'\r' => {
                    self.end_of_line(arrived, out);
                    self.line.clear();
                    self.overlong = false;
                }
                _ if self.overlong => {}
                _ if self.line.len() >= LONGEST_LINE + 16 => self.overlong = true,
                _ => self.line.push(b),
            }
        }
        self.flush(out);
        if self.damage != self.told {
            self.told = self.damage;
            out.push(Feed::Damage(self.damage));
        }
    }

    fn end_of_line(&mut self, arrived: Instant, out: &mut Vec<Feed>) {
        if self.line.is_empty() && !self.overlong {
            return;
        }
        let line = std::mem::take(&mut self.line);
        let read = if self.overlong {
            Err(LineError::NotText)
        } else {
            read_line(&line)
        };
        let done = match read {
            Ok(Line::Head(head)) => {
                self.new_head(*head, out);
                Ok(())
            }
            Ok(Line::Note(text)) => {
                self.flush(out);
                out.push(Feed::Remark(text.to_owned()));
                Ok(())
            }
            Ok(Line::Sample { count, values }) => self.sample(count, values, arrived, out),
            Err(error) => Err(error),
        };
        if let Err(error) = done {
            self.damage.bad_lines += 1;
            self.fault = Some(error);
        }
        self.line = line;
    }

    fn new_head(&mut self, head: LineHead, out: &mut Vec<Feed>) {
        let Some(old) = &self.head else {
            out.push(Feed::Head(head.stream.clone()));
            self.head = Some(head);
            return;
        };
        if *old == head {
            return;
        }
        let same_stream = old.stream == head.stream;
        self.flush(out);
        self.damage.restarts += 1;
        self.last_count = None;
        if !same_stream {
            out.push(Feed::Head(head.stream.clone()));
        }
        self.head = Some(head);
    }

    fn sample(
        &mut self,
        count: &str,
        values: &str,
        arrived: Instant,
        out: &mut Vec<Feed>,
    ) -> Result<(), LineError> {
        let head = self.head.as_ref().ok_or(LineError::NoHead)?;
        let channels = head.stream.channels.len();
        let bad = |text: &str| LineError::Number {
            text: text.to_owned(),
        };
        let place = Some(count)
            .filter(|c| c.len() <= 16)
            .and_then(|c| c.parse::<u64>().ok())
            .filter(|c| *c < head.wrap)
            .ok_or_else(|| bad(count))?;
        let mut row = [f32::NAN; crate::block::MOST_CHANNELS];
        let mut got = 0;
        for text in values.split(' ') {
            if let Some(slot) = row.get_mut(got)
                && text != "-"
            {
                let pa = head.unit.pa(number(text).ok_or_else(|| bad(text))?);
                if (POSSIBLE_PA.0..=POSSIBLE_PA.1).contains(&pa) {
                    *slot = pa as f32;
                }
            }
            got += 1;
        }
        if got != channels {
            let expected = channels;
            return Err(LineError::Width { got, expected });
        }
        let wrap = head.wrap;
        if let Some((lost, fresh)) = self.step(place, wrap) {
            if lost > 0 || fresh {
                self.flush(out);
            }
            let block = self.block.get_or_insert_with(|| Block {
                rows: Vec::new(),
                channels,
                lost_before: lost,
                fresh,
                arrived,
            });
            block.rows.extend_from_slice(&row[..channels]);
        }
        Ok(())
    }

    /// Samples lost before this one and whether it starts anew; `None` for one seen before.
    fn step(&mut self, place: u64, wrap: u64) -> Option<(u64, bool)> {
        let Some(last) = self.last_count.replace(place) else {
            return Some((0, true));
        };
        let ahead = (place + wrap - last) % wrap;
        if ahead == 0 {
            self.damage.repeated += 1;
            return None;
        }
        if ahead > wrap / 2 {
            // Backwards: the device began anew, or an old buffer was sent again.
            self.damage.restarts += 1;
            return Some((0, true));
        }
        let lost = ahead - 1;
        self.damage.lost_samples += lost;
        Some((lost, lost > MOST_BLANKS))
    }

    fn flush(&mut self, out: &mut Vec<Feed>) {
        if let Some(block) = self.block.take() {
            out.push(Feed::Samples(block));
        }
    }
}
