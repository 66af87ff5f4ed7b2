//! Tables of texts that can be translated: read from TOML, filled at their places.

use std::collections::BTreeMap;

use toml::de::{DeTable, DeValue};

/// Why a table of texts cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum TextTableError {
    /// Not a TOML file.
    #[error("texts: {0}")]
    Syntax(String),
    /// A value that is no text.
    #[error("texts: `{key}` must be a text in quotes")]
    NotText {
        /// Key with its section.
        key: String,
    },
}

/// The texts of a table by their keys, each with its section before it (`handover.title`).
///
/// # Errors
/// [`TextTableError`] names the line or the key.
pub fn text_table(toml: &str) -> Result<BTreeMap<String, String>, TextTableError> {
    let table = DeTable::parse(toml).map_err(|e| TextTableError::Syntax(e.to_string()))?;
    let mut texts = BTreeMap::new();
    flatten("", table.get_ref(), &mut texts)?;
    Ok(texts)
}

fn flatten(
    section: &str,
    table: &DeTable<'_>,
    texts: &mut BTreeMap<String, String>,
) -> Result<(), TextTableError> {
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
            _ => return Err(TextTableError::NotText { key }),
        }
    }
    Ok(())
}

/// A text with each `{name}` replaced by its value; a place without one stays as it is.
///
/// One pass: a value that holds braces itself is put in as it is.
pub fn filled_text(text: &str, values: &[(&str, &str)]) -> String {
    let mut out = String::new();
    let mut rest = text;
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_put_in_once_and_as_they_are() {
        let filled = filled_text("{x} and {y}, {z", &[("x", "{y}"), ("y", "2")]);
        assert_eq!(filled, "{y} and 2, {z");
        assert_eq!(filled_text("{a} {b}", &[("b", "1")]), "{a} 1");
    }

    #[test]
    fn keys_carry_their_sections_and_only_texts_count() {
        let table = text_table("a = \"1\"\n[b]\nc = \"2\"\n[b.d]\ne = \"3\"").unwrap();
        let keys: Vec<&str> = table.keys().map(String::as_str).collect();
        assert_eq!(keys, ["a", "b.c", "b.d.e"]);
        assert!(matches!(
            text_table("[b]\nc = 1"),
            Err(TextTableError::NotText { key }) if key == "b.c"
        ));
        assert!(matches!(text_table("[b"), Err(TextTableError::Syntax(_))));
    }
}
