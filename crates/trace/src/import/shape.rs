//! Rows shaped like one before: digits and marks at the same places.
//!
//! A logger prints most rows alike, `12.34500,60.736,80.951`. Where every field lies is then known
//! before it is looked at, and eight or sixteen bytes are checked and turned into a number at once
//! instead of one after the other. Numbers are as exact as those of the plain scan: an integer
//! below 2^53 over a power of ten.

use super::number::POW10;

/// Most digits of a field: every integer of so many is a double.
const MOST_DIGITS: usize = 15;
/// Shapes kept: two channels that each now and then need a digit more.
const MOST_SHAPES: usize = 4;
/// What learning a shape costs, in rows it must have saved; rows of ever new shapes are not learnt.
const PRICE: u32 = 8;

const ONES: u128 = 0x0101_0101_0101_0101_0101_0101_0101_0101;

/// One field with the marks around it.
#[derive(Debug, Clone, Copy)]
struct FieldShape {
    /// Place in the row.
    at: usize,
    /// Byte expected at each place: the mark, or `0` for a digit.
    expected: u128,
    /// Places that are looked at.
    looked_at: u128,
    /// What lifts a digit above 9, or a mark that is another, to the highest bit.
    lift: u128,
    /// Digits before and behind the decimal mark, and how far they are moved to the end.
    whole: (u128, u32),
    rest: (u128, u32),
    /// Ten to the number of decimal places, below zero for a number below zero.
    power: f64,
    /// Nine to sixteen bytes.
    wide: bool,
}

/// Where everything lies in a row.
#[derive(Debug, Clone)]
struct Shape {
    fields: Vec<FieldShape>,
    length: usize,
    /// Bytes looked at from the start of the row.
    reach: usize,
}

/// Up to eight digits, the first in the lowest byte, as a number.
#[inline(always)]
fn eight_digits(digits: u64) -> u64 {
    let pairs = digits.wrapping_mul(1 + (10 << 8)) >> 8 & 0x00ff_00ff_00ff_00ff;
    let fours = pairs.wrapping_mul(1 + (100 << 16)) >> 16 & 0x0000_ffff_0000_ffff;
    fours.wrapping_mul(1 + (10_000 << 32)) >> 32
}

impl FieldShape {
    /// Shape of a field: its bytes, and where the number lies in them.
    fn of(at: usize, bytes: &[u8], number: std::ops::Range<usize>, decimal: u8) -> Option<Self> {
        let wide = bytes.len() > 8;
        if bytes.len() > 16 {
            return None;
        }
        let (mut expected, mut looked_at, mut lift) = (0, 0, 0);
        let (mut whole, mut rest, mut point, mut digits) = (0, 0, None, 0);
        for (i, &b) in bytes.iter().enumerate() {
            let byte = |value: u8| u128::from(value) << (8 * i);
            looked_at |= byte(0xff);
            if b.is_ascii_digit() && number.contains(&i) {
                expected |= byte(b'0');
                lift |= byte(0x7f - 9);
                digits += 1;
                if point.is_some() {
                    rest |= byte(0x0f);
                } else {
                    whole |= byte(0x0f);
                }
            } else {
                expected |= byte(b);
                lift |= byte(0x7f);
                if b == decimal && number.contains(&i) {
                    point = Some(i);
                }
            }
        }
        if digits == 0 || digits > MOST_DIGITS {
            return None;
        }
        let last = if wide { 15 } else { 7 };
        let behind = 8 * (last + 1 - number.end) as u32;
        let places = point.map_or(0, |point| number.end - 1 - point);
        let negative = bytes.get(number.start) == Some(&b'-');
        let power = POW10.get(places)?;
        Some(Self {
            at,
            expected,
            looked_at,
            lift,
            whole: (whole, behind + if point.is_some() { 8 } else { 0 }),
            rest: (rest, behind),
            power: if negative { -power } else { *power },
            wide,
        })
    }

    /// The field's number if the row has this shape here.
    #[inline(always)]
    fn read(&self, row: &[u8]) -> Option<f64> {
        let mantissa = if self.wide {
            let bytes = row.get(self.at..self.at + 16)?;
            let x = u128::from_le_bytes(bytes.try_into().ok()?);
            let x = (x ^ self.expected) & self.looked_at;
            if (x.wrapping_add(self.lift) | x) & (ONES << 7) != 0 {
                return None;
            }
            let digits = (x & self.whole.0) << self.whole.1 | (x & self.rest.0) << self.rest.1;
            eight_digits(digits as u64) * 100_000_000 + eight_digits((digits >> 64) as u64)
        } else {
            let bytes = row.get(self.at..self.at + 8)?;
            let x = u64::from_le_bytes(bytes.try_into().ok()?);
            let x = (x ^ self.expected as u64) & self.looked_at as u64;
            if (x.wrapping_add(self.lift as u64) | x) & (ONES << 7) as u64 != 0 {
                return None;
            }
            let (whole, rest) = (self.whole.0 as u64, self.rest.0 as u64);
            eight_digits((x & whole) << self.whole.1 | (x & rest) << self.rest.1)
        };
        // Through `i64`: one instruction where `u64` takes several.
        Some(mantissa as i64 as f64 / self.power)
    }
}

impl Shape {
    /// Shape of a row with its line end; `None` unless every column is a plain short number.
    fn of(row: &[u8], columns: usize, mark: Option<u8>, decimal: u8) -> Option<Self> {
        let skip = |from: usize, of: &dyn Fn(u8) -> bool| {
            row[from..]
                .iter()
                .position(|&b| !of(b))
                .map_or(row.len(), |n| from + n)
        };
        let between = |b: u8| {
            Some(b) == mark || matches!(b, b' ' | b'\r' | b'\n') || (mark.is_none() && b == b'\t')
        };
        let mut fields = Vec::with_capacity(columns);
        let mut from = 0;
        let mut blanks_end = skip(0, &between);
        for _ in 0..columns {
            let signed = matches!(row.get(blanks_end), Some(b'-' | b'+'));
            let mut end = skip(blanks_end + usize::from(signed), &|b| b.is_ascii_digit());
            if row.get(end) == Some(&decimal) {
                end = skip(end + 1, &|b| b.is_ascii_digit());
            }
            let next = skip(end, &between);
            if next == end {
                return None;
            }
            // Blanks before the next number go with this one.
            let number = blanks_end - from..end - from;
            fields.push(FieldShape::of(from, &row[from..next], number, decimal)?);
            (from, blanks_end) = (next, next);
        }
        let reach = fields
            .iter()
            .map(|f| f.at + if f.wide { 16 } else { 8 })
            .max()?;
        (from == row.len()).then_some(Self {
            fields,
            length: row.len(),
            reach,
        })
    }

    /// See [`Shapes::read`].
    #[inline(always)]
    fn read(&self, bytes: &[u8], at: usize, put: &mut impl FnMut(usize, f64)) -> Option<usize> {
        let row = bytes.get(at..at + self.reach)?;
        for (column, field) in self.fields.iter().enumerate() {
            put(column, field.read(row)?);
        }
        Some(at + self.length)
    }
}

/// The shapes of late rows.
#[derive(Debug)]
pub(super) struct Shapes {
    columns: usize,
    mark: Option<u8>,
    decimal: u8,
    known: Vec<Shape>,
    /// The shape of the last row, and the one to be forgotten next.
    current: usize,
    oldest: usize,
    /// Rows saved and not yet spent on learning.
    saved: u32,
}

impl Shapes {
    pub(super) fn new(columns: usize, mark: Option<u8>, decimal: u8) -> Self {
        Self {
            columns,
            mark,
            decimal,
            known: Vec::new(),
            current: 0,
            oldest: 0,
            saved: 4 * PRICE,
        }
    }

    /// Hands the numbers of the row at `at` to `put`, column by column, and returns where the next
    /// row starts; `None` if the row has no known shape, `put` may then have had some numbers.
    #[inline(always)]
    pub(super) fn read(
        &mut self,
        bytes: &[u8],
        at: usize,
        mut put: impl FnMut(usize, f64),
    ) -> Option<usize> {
        if let Some(next) = self.known.get(self.current)?.read(bytes, at, &mut put) {
            self.saved = self.saved.saturating_add(1);
            return Some(next);
        }
        for (which, shape) in self.known.iter().enumerate() {
            if which != self.current
                && let Some(next) = shape.read(bytes, at, &mut put)
            {
                self.current = which;
                return Some(next);
            }
        }
        None
    }

    /// Learns the shape of a row, given with its line end, that had none of the known ones.
    #[cold]
    pub(super) fn learn(&mut self, row: &[u8]) {
        if self.saved < PRICE {
            self.saved += 1;
            return;
        }
        self.saved = self.saved.min(4 * PRICE) - PRICE;
        let Some(shape) = Shape::of(row, self.columns, self.mark, self.decimal) else {
            return;
        };
        if self.known.len() < MOST_SHAPES {
            self.current = self.known.len();
            self.known.push(shape);
        } else {
            self.current = self.oldest;
            self.known[self.oldest] = shape;
            self.oldest = (self.oldest + 1) % MOST_SHAPES;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::number::scan;
    use super::*;
    use proptest::prelude::*;

    fn read(shapes: &mut Shapes, row: &str, columns: usize) -> Option<(Vec<f64>, usize)> {
        let mut text = row.as_bytes().to_vec();
        text.extend_from_slice(b"0000000000000000");
        let mut values = vec![f64::NAN; columns];
        let next = shapes.read(&text, 0, |column, value| values[column] = value)?;
        Some((values, next))
    }

    #[test]
    fn a_row_of_a_known_shape_is_read() {
        let mut shapes = Shapes::new(3, Some(b','), b'.');
        assert_eq!(read(&mut shapes, "0.00050,61.192,81.404\n", 3), None);
        shapes.learn(b"0.00000,60.736,80.951\n");
        assert_eq!(
            read(&mut shapes, "0.00050,61.192,81.404\n", 3),
            Some((vec![0.0005, 61.192, 81.404], 22))
        );
        shapes.learn(b"1234.56789, -60.7 , +4\r\n");
        assert_eq!(
            read(&mut shapes, "9876.54321, -99.9 , +8\r\n", 3),
            Some((vec![9876.54321, -99.9, 8.0], 24))
        );
        // The first shape is still known.
        assert!(read(&mut shapes, "9.99999,00.000,99.999\n", 3).is_some());
    }

    #[test]
    fn any_other_byte_is_another_shape() {
        let mut shapes = Shapes::new(3, Some(b';'), b',');
        let row = "1234,50;61,192;81,404\r\n";
        shapes.learn(row.as_bytes());
        assert!(read(&mut shapes, row, 3).is_some());
        for at in 0..row.len() {
            let old = row.as_bytes()[at];
            for b in (0..=255_u8).filter(|&b| !(old.is_ascii_digit() && b.is_ascii_digit())) {
                let mut changed = row.as_bytes().to_vec();
                changed[at] = b;
                changed.extend_from_slice(b"0000000000000000");
                let found = shapes.read(&changed, 0, |_, _| {});
                assert_eq!(found.is_some(), b == old, "{at} {b}");
            }
        }
    }

    #[test]
    fn rows_that_are_not_plain_have_no_shape() {
        for row in [
            "1.5e3,2\n",
            "\"1\",2\n",
            "1,\n",
            "1,2,3\n",
            "1\n",
            "x,2\n",
            "1,2 V\n",
            "1234567890123456,2\n",
            "1,2",
        ] {
            assert!(
                Shape::of(row.as_bytes(), 2, Some(b','), b'.').is_none(),
                "{row}"
            );
        }
    }

    #[test]
    fn ever_new_shapes_are_not_learnt_for_ever() {
        let mut shapes = Shapes::new(1, Some(b','), b'.');
        for _ in 0..4 {
            shapes.learn(b"1\n");
        }
        shapes.learn(b"12345\n");
        assert!(read(&mut shapes, "12345\n", 1).is_none());
    }

    proptest! {
        /// The same double as the plain scan's, to the bit.
        #[test]
        fn prop_numbers_are_those_of_the_scan(
            a in 0_u64..100_000_000_000_000,
            fewer in 0_u32..46,
            b in 0_u64..1_000_000,
            places in 0_usize..8,
            few in 0_usize..4,
            negative in any::<bool>(),
        ) {
            let decimal = |n: u64, places: usize| {
                let digits = format!("{n:0width$}", width = places + 1);
                let (whole, rest) = digits.split_at(digits.len() - places);
                if places == 0 { whole.to_owned() } else { format!("{whole}.{rest}") }
            };
            let sign = if negative { "-" } else { "" };
            let row = format!("{},{sign}{}\n", decimal(a >> fewer, places), decimal(b, few));
            prop_assume!(row.find(',').is_some_and(|at| at <= 15));
            let mut shapes = Shapes::new(2, Some(b','), b'.');
            shapes.learn(row.as_bytes());
            let (values, next) = read(&mut shapes, &row, 2).unwrap();
            prop_assert_eq!(next, row.len());
            let (first, _, behind) = scan(row.as_bytes(), 0, b'.').unwrap();
            let (second, _, _) = scan(row.as_bytes(), behind + 1, b'.').unwrap();
            prop_assert_eq!(values[0].to_bits(), first.to_bits());
            prop_assert_eq!(values[1].to_bits(), second.to_bits());
        }
    }
}
