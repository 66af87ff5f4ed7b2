//! Sentences of the program with their figures as the shop writes them.

use std::ops::Range;

use super::Writing;
use crate::number;

/// The unit in which sentences tell depressions.
const TOLD_IN: &str = " kPa";
/// Words of sentences whose pressures are no depressions: gauges for a compression read kilopascals, bar
/// or psi, never a column of mercury, so they stay as they are, here as on the pages.
const NO_DEPRESSION: [&str; 2] = ["compression", "Compression"];
/// What may stand between two figures that share the unit behind the second.
const SHARING: [&str; 6] = ["to", "and", "+-", "±", "(", "to at most"];

/// A number in a sentence.
struct Figure {
    place: Range<usize>,
    /// Told in kilopascals.
    pressure: bool,
}

impl Writing {
    /// A sentence of the program, its figures with the shop's decimal sign and its depressions in the
    /// shop's unit.
    ///
    /// A number counts where it stands by itself: not as part of a name, a version, a date or a
    /// fraction. Nothing else is touched; texts that people typed are not handed in.
    pub fn sentence(self, text: &str) -> String {
        let mut out = String::with_capacity(text.len());
        let mut done = 0;
        for figure in figures(text) {
            out.push_str(&text[done..figure.place.start]);
            done = figure.place.end;
            let told = &text[figure.place];
            if !figure.pressure {
                out.push_str(&self.signs(told));
                continue;
            }
            out.push_str(&self.told_pressure(told));
            if text[done..].starts_with(TOLD_IN) {
                out.push(' ');
                out.push_str(self.unit());
                done += TOLD_IN.len();
            }
        }
        out.push_str(&text[done..]);
        out
    }

    /// A pressure told in kilopascals, in the shop's unit and about as finely.
    fn told_pressure(self, told: &str) -> String {
        let kpa: Option<f64> = told.replace(',', "").parse().ok();
        let Some(kpa) = kpa.filter(|_| self.pressure != super::PressureUnit::KPa) else {
            return self.signs(told);
        };
        let finer = told.split_once('.').map_or(0, |(_, d)| d.len());
        // The shop's own decimals show a tenth of a kilopascal; a limit of `1 kPa` needs them too.
        let decimals = self.decimals() + finer.saturating_sub(1);
        self.signs(&number::fixed(kpa * self.per_kpa(), decimals))
    }
}

/// The numbers of a sentence that stand by themselves.
fn figures(text: &str) -> Vec<Figure> {
    let mut found: Vec<Figure> = Vec::new();
    let mut at = 0;
    while let Some(digit) = text[at..].find(|c: char| c.is_ascii_digit()) {
        let start = at + digit;
        let end = end_of(text, start);
        if stands_alone(text, start, end) {
            found.push(Figure {
                place: start..end,
                pressure: has_unit(text, end),
            });
        }
        at = end;
    }
    if NO_DEPRESSION.iter().any(|word| text.contains(word)) {
        for figure in &mut found {
            figure.pressure = false;
        }
        return found;
    }
    for i in (1..found.len()).rev() {
        let between = &text[found[i - 1].place.end..found[i].place.start];
        let between = between.trim_end_matches(['+', '-', '−']).trim();
        let sign_alone = between.is_empty() && text[..found[i].place.start].ends_with("+-");
        if found[i].pressure && (sign_alone || SHARING.contains(&between)) {
            found[i - 1].pressure = true;
        }
    }
    found
}

/// End of the run of digits, grouping commas and one decimal point that starts at `start`.
fn end_of(text: &str, start: usize) -> usize {
    let bytes = text.as_bytes();
    let digits = |mut at: usize| {
        while bytes.get(at).is_some_and(u8::is_ascii_digit) {
            at += 1;
        }
        at
    };
    let mut end = digits(start);
    while bytes.get(end) == Some(&b',') && digits(end + 1) == end + 4 {
        end += 4;
    }
    if bytes.get(end) == Some(&b'.') && digits(end + 1) > end + 1 {
        end = digits(end + 1);
    }
    end
}

/// True if neither side goes on as a name, a version, a date or a fraction.
fn stands_alone(text: &str, start: usize, end: usize) -> bool {
    let joins = |c: char| c.is_alphanumeric() || matches!(c, '_' | '.' | '/' | ':' | ',');
    let before = text[..start].chars().next_back();
    if before.is_some_and(joins) {
        return false;
    }
    let dash = before.filter(|c| matches!(c, '-' | '+')).is_some();
    let further = text[..start].chars().rev().nth(1);
    if dash && further.is_some_and(char::is_alphanumeric) {
        return false;
    }
    let mut after = text[end..].chars();
    match after.next() {
        Some(c) if c.is_alphanumeric() || c == '_' => false,
        Some('.' | '/' | ':' | '-' | ',') => !after.next().is_some_and(char::is_alphanumeric),
        _ => true,
    }
}

fn has_unit(text: &str, end: usize) -> bool {
    text[end..]
        .strip_prefix(TOLD_IN)
        .is_some_and(|rest| !rest.starts_with(char::is_alphanumeric))
}

#[cfg(test)]
mod tests {
    use evenpull_job::PressureUnit;

    use super::*;

    fn said(pressure: PressureUnit, comma: bool, text: &str) -> String {
        Writing { comma, pressure }.sentence(text)
    }

    /// NIST SP 811: 1 cmHg = 1333.224 Pa, 1 inHg = 3386.389 Pa; half a last digit.
    #[test]
    fn val_depressions_are_told_in_the_unit_of_the_shop() {
        let text = "differ by 2.0 kPa (1.2 to 2.8 kPa), gauge reads +1.0 +-0.2 kPa";
        assert_eq!(
            said(PressureUnit::CmHg, false, text),
            "differ by 1.5 cmHg (0.9 to 2.1 cmHg), gauge reads +0.8 +-0.2 cmHg"
        );
        assert_eq!(
            said(PressureUnit::InHg, true, text),
            "differ by 0,59 inHg (0,35 to 0,83 inHg), gauge reads +0,30 +-0,06 inHg"
        );
        assert_eq!(
            said(PressureUnit::Mbar, false, "between 25 and 45 kPa"),
            "between 250 and 450 mbar"
        );
        assert_eq!(
            said(PressureUnit::CmHg, false, "at most 1 kPa, lock it"),
            "at most 0.8 cmHg, lock it"
        );
    }

    #[test]
    fn kilopascals_with_a_point_stay_letter_by_letter() {
        let text = "left is 1.50 kPa low at 1,250 rpm, 0.34 turns";
        assert_eq!(said(PressureUnit::KPa, false, text), text);
        assert_eq!(
            said(PressureUnit::KPa, true, text),
            "left is 1,50 kPa low at 1\u{a0}250 rpm, 0,34 turns"
        );
    }

    #[test]
    fn names_versions_dates_and_fractions_are_no_figures() {
        let text = "hold-2.5.csv of v0.1.0 on 2031-05-03 at 14:10, 3/16 turn, body1.2, R2, 1.5.2";
        assert_eq!(said(PressureUnit::Mbar, true, text), text);
    }

    #[test]
    fn a_figure_may_end_a_sentence_and_stand_in_brackets() {
        assert_eq!(
            said(PressureUnit::Mbar, true, "It is 1.2. Next (0.5): 3.4, 2."),
            "It is 1,2. Next (0,5): 3,4, 2."
        );
    }

    #[test]
    fn compressions_keep_their_unit() {
        assert_eq!(
            said(
                PressureUnit::CmHg,
                true,
                "compression of left is 980 kPa, 91.5 % of the highest"
            ),
            "compression of left is 980 kPa, 91,5 % of the highest"
        );
    }
}
