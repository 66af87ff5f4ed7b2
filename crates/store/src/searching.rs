//! Names and complaints found by any part of them: in capitals or not, with or without the marks on letters.
//!
//! The database folds A to Z alone, so the texts are compared here.

use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

/// What is looked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Sought {
    plain: String,
    spelled_out: String,
}

impl Sought {
    /// `None` where nothing but blanks is looked for: everything is found then.
    pub(crate) fn new(text: &str) -> Option<Self> {
        let text = text.trim();
        (!text.is_empty()).then(|| Self {
            plain: folded(text, false),
            spelled_out: folded(text, true),
        })
    }

    /// Whether a text holds it, `ä` being as good as `a` and as `ae`.
    pub(crate) fn is_in(&self, text: &str) -> bool {
        folded(text, false).contains(&self.plain) || folded(text, true).contains(&self.spelled_out)
    }
}

/// A text in small letters without marks; `spelled_out` writes `ä`, `ö` and `ü` as `ae`, `oe` and `ue`.
fn folded(text: &str, spelled_out: bool) -> String {
    let small: String = text.to_lowercase().nfc().collect();
    let mut plain = String::with_capacity(small.len());
    for c in small.chars() {
        match c {
            'ä' if spelled_out => plain.push_str("ae"),
            'ö' if spelled_out => plain.push_str("oe"),
            'ü' if spelled_out => plain.push_str("ue"),
            // Letters of their own, which no mark can be taken from.
            'ß' => plain.push_str("ss"),
            'æ' => plain.push_str("ae"),
            'œ' => plain.push_str("oe"),
            'þ' => plain.push_str("th"),
            'ø' => plain.push('o'),
            'đ' | 'ð' => plain.push('d'),
            'ł' => plain.push('l'),
            'ı' => plain.push('i'),
            c => plain.push(c),
        }
    }
    plain.nfkd().filter(|c| !is_combining_mark(*c)).collect()
}

#[cfg(test)]
mod tests {
    use super::Sought;

    #[test]
    fn letters_are_found_in_either_case_and_without_their_marks() {
        for (sought, text, found) in [
            ("ärger", "ÄRGER im Leerlauf", true),
            ("arger", "ÄRGER im Leerlauf", true),
            ("AERGER", "Ärger im Leerlauf", true),
            ("müller", "MUELLER", true),
            ("strasse", "Hintere Straße", true),
            ("STRAßE", "hintere strasse", true),
            ("øre", "ORE 270", true),
            ("lodz", "Łódź", true),
            // A letter and its mark apart, as some keyboards send them.
            ("O\u{308}re", "Öre 270", true),
            ("ä", "b", false),
            ("100%", "100 %", false),
        ] {
            let sought_for = Sought::new(sought).unwrap();
            assert_eq!(sought_for.is_in(text), found, "{sought} in {text}");
        }
        assert_eq!(Sought::new("  "), None);
    }
}
