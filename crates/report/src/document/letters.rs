//! Texts made fit for the printed form: what no font draws, what must not be printed, words too long
//! for a line.

use super::model::{Block, Document, Section};
use super::pdf::can_draw;

/// Stands for a letter that no font of the program has.
pub(crate) const MISSING: char = '▯';
/// Letters after which a word without a gap may be broken.
const LONGEST_WORD: usize = 22;
/// A place where a line may be broken that shows nothing.
const BREAK: char = '\u{200B}';

/// Replaces what cannot be printed in every text and says at the end what was replaced.
pub(crate) fn make_printable(document: &mut Document) {
    let mut missing: Vec<char> = Vec::new();
    for text in document.texts_mut() {
        let printable = printable(text, &mut missing);
        *text = with_breaks(&printable);
    }
    for block in document.sections.iter_mut().flat_map(|s| &mut s.blocks) {
        if let Block::Picture { svg, .. } = block {
            *svg = printable(svg, &mut missing);
        }
    }
    missing.sort_unstable();
    missing.dedup();
    if !missing.is_empty() {
        document.sections.push(remark(&missing));
    }
}

/// The letters by their numbers, since they cannot be shown.
fn remark(missing: &[char]) -> Section {
    let shown: Vec<String> = missing
        .iter()
        .take(24)
        .map(|c| format!("U+{:04X}", *c as u32))
        .collect();
    let more = if missing.len() > 24 { " …" } else { "" };
    let mut section = Section::new("Letters that could not be printed");
    section.push(Block::note(format!(
        "{MISSING} stands for a letter that the fonts of this program do not have: {}{more}. The same \
         document as a web page shows them all.",
        shown.join(", ")
    )));
    section
}

/// The text with a stand-in for every letter that cannot be drawn, without control characters.
fn printable(text: &str, missing: &mut Vec<char>) -> String {
    text.chars()
        .filter_map(|c| match c {
            '\n' | '\t' => Some(' '),
            c if c.is_control() || steers(c) => None,
            c if c.is_whitespace() || c == BREAK || can_draw(c) => Some(c),
            c => {
                missing.push(c);
                Some(MISSING)
            }
        })
        .collect()
}

/// Characters that steer the writing direction or the shape of their neighbours and show nothing.
fn steers(c: char) -> bool {
    matches!(c,
        '\u{200C}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2060}'..='\u{206F}'
        | '\u{FE00}'..='\u{FE0F}' | '\u{FEFF}' | '\u{FFF9}'..='\u{FFFC}' | '\u{E0000}'..='\u{E007F}')
}

/// Long words get places to break at, so that nothing runs off the sheet.
fn with_breaks(text: &str) -> String {
    let mut run = 0;
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        run = if c.is_whitespace() { 0 } else { run + 1 };
        if run > LONGEST_WORD {
            out.push(BREAK);
            run = 1;
        }
        out.push(c);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_of_three_scripts_stay_and_others_are_told() {
        let mut missing = Vec::new();
        let text = "Ærø Łódź Ωμέγα Жук ½ − ≤ 左";
        assert_eq!(printable(text, &mut missing), "Ærø Łódź Ωμέγα Жук ½ − ≤ ▯");
        assert_eq!(missing, ['左']);
        assert!(can_draw(MISSING));
    }

    #[test]
    fn what_steers_the_writing_is_left_out() {
        let mut missing = Vec::new();
        assert_eq!(printable("a\u{202E}b\u{0007}c\nd", &mut missing), "abc d");
        assert!(missing.is_empty());
    }

    #[test]
    fn only_long_words_are_broken() {
        assert_eq!(with_breaks("short words stay"), "short words stay");
        let long = with_breaks(&"x".repeat(50));
        assert_eq!(long.matches(BREAK).count(), 2);
        assert_eq!(long.replace(BREAK, ""), "x".repeat(50));
    }
}
