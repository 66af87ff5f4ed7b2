//! The last samples of every body, without a hole.

/// Samples of all bodies since the last break, the oldest dropped beyond a limit.
#[derive(Debug, Clone)]
pub(crate) struct Ring {
    rows: Vec<Vec<f32>>,
    /// Place of the first sample kept, counted since the ring was made.
    first: u64,
    most: usize,
}

impl Ring {
    /// A ring for `bodies` rows that keeps at least the last `most` samples.
    pub(crate) fn new(bodies: usize, most: usize) -> Self {
        Self {
            rows: vec![Vec::new(); bodies],
            first: 0,
            most,
        }
    }

    /// Adds one sample, a value for each body.
    pub(crate) fn push(&mut self, values: impl Iterator<Item = f32>) {
        for (row, p) in self.rows.iter_mut().zip(values) {
            row.push(p);
        }
    }

    /// Drops the oldest beyond the limit, now and then: a shift costs as much as it moves.
    pub(crate) fn trim(&mut self) {
        let len = self.len();
        if len > 2 * self.most {
            let gone = len - self.most;
            for row in &mut self.rows {
                row.drain(..gone);
            }
            self.first += gone as u64;
        }
    }

    /// Empties the ring; places run on.
    pub(crate) fn clear(&mut self) {
        self.first = self.end();
        for row in &mut self.rows {
            row.clear();
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.rows.first().map_or(0, Vec::len)
    }

    pub(crate) fn bodies(&self) -> usize {
        self.rows.len()
    }

    /// Place of the first sample kept.
    pub(crate) fn first(&self) -> u64 {
        self.first
    }

    /// Place after the newest sample.
    pub(crate) fn end(&self) -> u64 {
        self.first + self.len() as u64
    }

    /// Samples of a body from place `from` on [Pa].
    pub(crate) fn since(&self, body: usize, from: u64) -> &[f32] {
        let row = self.rows.get(body).map_or(&[][..], Vec::as_slice);
        let skip = usize::try_from(from.saturating_sub(self.first)).unwrap_or(usize::MAX);
        &row[skip.min(row.len())..]
    }

    /// The last `n` samples of a body, or what there is [Pa].
    pub(crate) fn last(&self, body: usize, n: usize) -> &[f32] {
        self.since(body, self.end().saturating_sub(n as u64))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_run_on_across_trims_and_breaks() {
        let mut ring = Ring::new(2, 10);
        for i in 0..100 {
            ring.push([i as f32, -(i as f32)].into_iter());
            ring.trim();
        }
        assert!(ring.len() >= 10 && ring.len() <= 20, "{}", ring.len());
        assert_eq!(ring.end(), 100);
        assert_eq!(ring.since(1, 98), [-98.0, -99.0]);
        assert_eq!(ring.last(0, 2), [98.0, 99.0]);
        assert_eq!(ring.since(0, 0).len(), ring.len());
        assert!(ring.since(0, 1_000).is_empty());
        assert!(ring.since(7, 0).is_empty());
        ring.clear();
        assert_eq!((ring.len(), ring.first(), ring.end()), (0, 100, 100));
    }
}
