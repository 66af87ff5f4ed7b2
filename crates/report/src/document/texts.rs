//! Every fixed text of the documents, from one table that can be translated.

use std::collections::BTreeMap;

use toml::de::{DeTable, DeValue};

const ENGLISH: &str = include_str!("../../texts/en.toml");

/// Why a table of texts cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum DocumentTextError {
    /// Not a TOML file.
    #[error("texts: {0}")]
    Syntax(String),
    /// A value that is no text.
    #[error("texts: `{key}` must be a text in quotes")]
    NotText {
        /// Key with its section.
        key: String,
    },
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
            by_key: read(ENGLISH).expect("the embedded table is tested"),
        }
    }

    /// The English table with the texts of a translation in their places.
    ///
    /// # Errors
    /// [`DocumentTextError`] names the key or the line.
    pub fn translated(toml: &str) -> Result<Self, DocumentTextError> {
        let mut texts = Self::english();
        for (key, text) in read(toml)? {
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
        // One pass: a value that holds braces itself must stay as it is.
        let mut out = String::new();
        let mut rest = self.at(key);
        while let Some(open) = rest.find('{') {
            let (before, after) = rest.split_at(open);
            out.push_str(before);
            let named = after
                .find('}')
                .map(|end| (&after[1..end], &after[end + 1..]));
            match named.and_then(|(name, next)| {
                let value = values.iter().find(|(n, _)| *n == name)?.1;
                Some((value, next))
            }) {
                Some((value, next)) => {
                    out.push_str(value);
                    rest = next;
                }
                None => {
                    out.push('{');
                    rest = &after[1..];
                }
            }
        }
        out.push_str(rest);
        out
    }
}

fn read(toml: &str) -> Result<BTreeMap<String, String>, DocumentTextError> {
    let table = DeTable::parse(toml).map_err(|e| DocumentTextError::Syntax(e.to_string()))?;
    let mut texts = BTreeMap::new();
    flatten("", table.get_ref(), &mut texts)?;
    Ok(texts)
}

fn flatten(
    section: &str,
    table: &DeTable<'_>,
    texts: &mut BTreeMap<String, String>,
) -> Result<(), DocumentTextError> {
    for (key, value) in table {
        let key = if section.is_empty() {
            key.get_ref().to_string()
        } else {
            format!("{section}.{}", key.get_ref())
        };
        match value.get_ref() {
            DeValue::String(text) => {
                texts.insert(key, text.to_string());
            }
            DeValue::Table(inner) => flatten(&key, inner, texts)?,
            _ => return Err(DocumentTextError::NotText { key }),
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
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
        ]
        .concat();
        let texts = DocumentTexts::english();
        for key in texts.by_key.keys() {
            assert!(
                sources.contains(&format!("\"{key}\"")),
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
    fn values_are_put_in_once_and_as_they_are() {
        let texts = DocumentTexts {
            by_key: [("a.b".to_owned(), "{x} and {y}, {z".to_owned())].into(),
        };
        let filled = texts.fill("a.b", &[("x", "{y}"), ("y", "2")]);
        assert_eq!(filled, "{y} and 2, {z");
    }

    #[test]
    fn a_translation_replaces_what_it_has() {
        let texts = DocumentTexts::translated("[handover]\ntitle = \"Übergabe\"").unwrap();
        assert_eq!(texts.at("handover.title"), "Übergabe");
        let wrong = DocumentTexts::translated("[handover]\ntitel = \"x\"").unwrap_err();
        assert!(wrong.to_string().contains("handover.titel"));
    }
}
