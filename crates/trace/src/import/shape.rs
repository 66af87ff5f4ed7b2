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

/// Rows whose numbers wait for their columns to be taken over; a power of two.
pub(super) const WAITING: usize = 64;

/// Numbers of late rows, one array to a column.
pub(super) type Numbers = [[f64; WAITING]];

const ONES: u128 = 0x0101_0101_0101_0101_0101_0101_0101_0101;
/// Highest bit of every byte.
const HIGHEST: u128 = ONES << 7;

/// One field with the marks ahead of it, in the sixteen or eight bytes that end with its last digit.
///
/// Bits are counted from the first of sixteen bytes; for a field of eight the upper half alone is used.
#[derive(Debug, Clone, Copy)]
struct FieldShape {
    /// Place behind the last digit in the row.
    end: usize,
    /// Byte expected at each place: the mark, or `0` for a digit.
    expected: u128,
    /// Places that are looked at.
    looked_at: u128,
    /// What lifts a digit above 9, or a mark that is another, to the highest bit.
    lift: u128,
    /// Digits ahead of a decimal mark, which move up by one to close the gap.
    whole: u128,
    /// Digits behind it, or all of them without one.
    rest: u128,
    /// Ten to the number of decimal places, below zero for a number below zero.
    power: f64,
    /// Nine to sixteen bytes.
    wide: bool,
}

/// Where everything lies in a row.
#[derive(Debug, Clone)]
struct Shape {
    fields: Vec<FieldShape>,
    /// Place behind the last number, what stands from there to the end of the row, and which bytes of it count.
    last: usize,
    tail: u64,
    tail_mask: u64,
    length: usize,
}

/// Up to eight digits, the first in the lowest byte, as a number.
#[inline(always)]
fn eight_digits(digits: u64) -> u64 {
    let pairs = digits.wrapping_mul(1 + (10 << 8)) >> 8 & 0x00ff_00ff_00ff_00ff;
    let fours = pairs.wrapping_mul(1 + (100 << 16)) >> 16 & 0x0000_ffff_0000_ffff;
    fours.wrapping_mul(1 + (10_000 << 32)) >> 32
}

/// Eight bytes from `at` on.
#[inline(always)]
fn eight(bytes: &[u8], at: usize) -> Option<u64> {
    let bytes = bytes.get(at..)?.first_chunk()?;
    Some(u64::from_le_bytes(*bytes))
}

impl FieldShape {
    /// Shape of a field: its bytes up to the last digit, which stands ahead of `end`, and where the number begins.
    fn of(end: usize, bytes: &[u8], number: usize, decimal: u8) -> Option<Self> {
        let first = 16_usize.checked_sub(bytes.len())?;
        let (mut expected, mut looked_at, mut lift) = (0, 0, 0);
        let (mut whole, mut rest, mut point, mut digits) = (0, 0, None, 0);
        for (i, &b) in bytes.iter().enumerate() {
            let byte = |value: u8| u128::from(value) << (8 * (first + i));
            looked_at |= byte(0xff);
            if b.is_ascii_digit() && i >= number {
                expected |= byte(b'0');
                lift |= byte(0x7f - 9);
                rest |= byte(0x0f);
                digits += 1;
            } else {
                expected |= byte(b);
                lift |= byte(0x7f);
                if b == decimal && i >= number {
                    point = Some(i);
                    (whole, rest) = (rest, 0);
                }
            }
        }
        if digits == 0 || digits > MOST_DIGITS {
            return None;
        }
        let places = point.map_or(0, |point| bytes.len() - 1 - point);
        let negative = bytes.get(number) == Some(&b'-');
        let power = POW10.get(places)?;
        Some(Self {
            end,
            expected,
            looked_at,
            lift,
            whole,
            rest,
            power: if negative { -power } else { *power },
            wide: bytes.len() > 8,
        })
    }

    /// The number in the row that starts at `at`, and bits that are set where the row has another shape.
    #[inline(always)]
    fn read(&self, bytes: &[u8], at: usize) -> Option<(f64, u64)> {
        let end = at + self.end;
        let (mantissa, other);
        if self.wide {
            let x = u128::from_le_bytes(*bytes.get(end.checked_sub(16)?..)?.first_chunk()?);
            let x = (x ^ self.expected) & self.looked_at;
            let bits = (x.wrapping_add(self.lift) | x) & HIGHEST;
            other = bits as u64 | (bits >> 64) as u64;
            let digits = (x & self.whole) << 8 | x & self.rest;
            mantissa =
                eight_digits(digits as u64) * 100_000_000 + eight_digits((digits >> 64) as u64);
        } else {
            let high = |bits: u128| (bits >> 64) as u64;
            let x = eight(bytes, end.checked_sub(8)?)?;
            let x = (x ^ high(self.expected)) & high(self.looked_at);
            other = (x.wrapping_add(high(self.lift)) | x) & high(HIGHEST);
            mantissa = eight_digits((x & high(self.whole)) << 8 | x & high(self.rest));
        }
        // Through `i64`: one instruction where `u64` takes several.
        Some((mantissa as i64 as f64 / self.power, other))
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
        let mut last = 0;
        let mut number = skip(0, &between);
        for _ in 0..columns {
            let signed = matches!(row.get(number), Some(b'-' | b'+'));
            let mut end = skip(number + usize::from(signed), &|b| b.is_ascii_digit());
            if row.get(end) == Some(&decimal) {
                end = skip(end + 1, &|b| b.is_ascii_digit());
            }
            // Marks and blanks ahead of a number go with it.
            fields.push(FieldShape::of(
                end,
                &row[last..end],
                number - last,
                decimal,
            )?);
            let next = skip(end, &between);
            if next == end {
                return None;
            }
            (last, number) = (end, next);
        }
        let tail = &row[last..];
        if number != row.len() || tail.len() > 8 {
            return None;
        }
        let word = |byte: &dyn Fn(u8) -> u8| {
            let bytes = tail.iter().enumerate();
            bytes.fold(0, |word, (i, &b)| word | u64::from(byte(b)) << (8 * i))
        };
        Some(Self {
            last,
            tail: word(&|b| b),
            tail_mask: word(&|_| 0xff),
            length: row.len(),
            fields,
        })
    }

    /// See [`Shapes::read`].
    #[inline(always)]
    fn read(&self, bytes: &[u8], at: usize, numbers: &mut Numbers, row: usize) -> Option<usize> {
        let mut other = (eight(bytes, at + self.last)? ^ self.tail) & self.tail_mask;
        for (field, column) in self.fields.iter().zip(numbers) {
            let (value, bits) = field.read(bytes, at)?;
            other |= bits;
            // The mask keeps what is in range anyway, and spares the check.
            column[row & (WAITING - 1)] = value;
        }
        (other == 0).then_some(at + self.length)
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

    /// Puts the numbers of the row at `at` down as row `row` of `numbers`, one to a column, and returns where the
    /// next row starts; `None` if the row has no known shape, what was there may then be overwritten.
    #[inline(always)]
    pub(super) fn read(
        &mut self,
        bytes: &[u8],
        at: usize,
        numbers: &mut Numbers,
        row: usize,
    ) -> Option<usize> {
        let current = self.known.get(self.current)?;
        if let Some(next) = current.read(bytes, at, numbers, row) {
            self.saved = self.saved.saturating_add(1);
            return Some(next);
        }
        self.read_another(bytes, at, numbers, row)
    }

    /// [`Shapes::read`] of a row that has not the shape of the one ahead of it.
    #[inline(never)]
    fn read_another(
        &mut self,
        bytes: &[u8],
        at: usize,
        numbers: &mut Numbers,
        row: usize,
    ) -> Option<usize> {
        for (which, shape) in self.known.iter().enumerate() {
            if which != self.current
                && let Some(next) = shape.read(bytes, at, numbers, row)
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
        let (text, at) = among_others(row.as_bytes());
        let mut numbers = vec![[f64::NAN; WAITING]; columns];
        let next = shapes.read(&text, at, &mut numbers, 3)?;
        Some((numbers.iter().map(|column| column[3]).collect(), next - at))
    }

    /// A row with bytes around it, as in a block, and its place.
    fn among_others(row: &[u8]) -> (Vec<u8>, usize) {
        ([b"000000000000000\n", row, b"00000000"].concat(), 16)
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
                let (changed, from) = among_others(&changed);
                let found = shapes.read(&changed, from, &mut vec![[0.0; WAITING]; 3], 0);
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
