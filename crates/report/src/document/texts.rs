//! Every fixed text of the documents, from one table that can be translated.

use std::collections::BTreeMap;

use crate::texts::{TextTableError, filled_text, text_table};

const ENGLISH: &str = include_str!("../../texts/en.toml");

/// Why a table of texts cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum DocumentTextError {
    /// No table of texts.
    #[error(transparent)]
    Table(#[from] TextTableError),
    /// A key no document uses.
    #[error("texts: no document uses `{key}`; the keys are those of the English table")]
    Unknown {
        /// Key with its section.
        key: String,
    },
}

/// The texts of the documents in one language; what a translation leaves out stays English.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DocumentTexts {
    by_key: BTreeMap<String, String>,
}

impl DocumentTexts {
    /// The English table of the program.
    ///
    /// # Panics
    /// Never: a test reads the table.
    pub fn english() -> Self {
        Self {
            by_key: text_table(ENGLISH).expect("the embedded table is tested"),
        }
    }

    /// The English table with the texts of a translation in their places.
    ///
    /// # Errors
    /// [`DocumentTextError`] names the key or the line.
    pub fn translated(toml: &str) -> Result<Self, DocumentTextError> {
        let mut texts = Self::english();
        for (key, text) in text_table(toml)? {
            match texts.by_key.get_mut(&key) {
                Some(place) => *place = text,
                None => return Err(DocumentTextError::Unknown { key }),
            }
        }
        Ok(texts)
    }

    /// The text of a key such as `handover.title`; the key itself where there is none, so that a slip
    /// is seen and nothing breaks.
    pub(crate) fn at<'t>(&'t self, key: &'t str) -> &'t str {
        self.by_key.get(key).map_or(key, String::as_str)
    }

    /// The text of a key as a text of its own.
    pub(crate) fn own(&self, key: &str) -> String {
        self.at(key).to_owned()
    }

    /// The text of a key with `{name}` replaced.
    pub(crate) fn fill(&self, key: &str, values: &[(&str, &str)]) -> String {
        filled_text(self.at(key), values)
    }
}

#[cfg(test)]
mod tests {
    use evenpull_diagnose::Quantity;

    use super::*;

    /// Keys named in the sources are in the table, and the other way round.
    #[test]
    fn the_table_holds_just_what_the_documents_use() {
        let sources = [
            include_str!("handover.rs"),
            include_str!("shared.rs"),
            include_str!("sources.rs"),
            include_str!("before_after.rs"),
            include_str!("consequence.rs"),
            include_str!("sweep.rs"),
            include_str!("estimate.rs"),
            include_str!("inspection.rs"),
            include_str!("job_card.rs"),
            include_str!("why_sealed.rs"),
            include_str!("years.rs"),
            include_str!("../years_plot.rs"),
        ]
        .concat();
        let texts = DocumentTexts::english();
        // Titles of quantities are asked for by the code of the quantity.
        let quantities = Quantity::ALL.map(|q| format!("quantity.{}", q.code()));
        for key in &quantities {
            assert!(
                texts.by_key.contains_key(key),
                "`{key}` is not in the table"
            );
        }
        for key in texts.by_key.keys() {
            assert!(
                quantities.contains(key) || sources.contains(&format!("\"{key}\"")),
                "nothing uses `{key}`"
            );
        }
        let named = sources.split('"').filter(|s| {
            let parts: Vec<&str> = s.split('.').collect();
            let word =
                |p: &&str| !p.is_empty() && p.chars().all(|c| c.is_ascii_lowercase() || c == '_');
            parts.len() == 2 && parts.iter().all(word)
        });
        for key in named {
            assert!(
                texts.by_key.contains_key(key),
                "`{key}` is not in the table"
            );
        }
    }

    #[test]
    fn a_translation_replaces_what_it_has() {
        let texts = DocumentTexts::translated("[handover]\ntitle = \"Übergabe\"").unwrap();
        assert_eq!(texts.at("handover.title"), "Übergabe");
        let wrong = DocumentTexts::translated("[handover]\ntitel = \"x\"").unwrap_err();
        assert!(wrong.to_string().contains("handover.titel"));
    }
}
