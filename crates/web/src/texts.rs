//! Every text of the pages, from one table that can be translated.

use std::collections::BTreeMap;

use evenpull_app::{TextTableError, filled_text, text_table};

const ENGLISH: &str = include_str!("../texts/en.toml");

/// Why a table of texts cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum TextError {
    /// No table of texts.
    #[error(transparent)]
    Table(#[from] TextTableError),
    /// Texts that belong to another translation.
    #[error("texts: nothing in this file is a text of these pages")]
    Nothing,
}

/// The texts of one language; what a translation leaves out stays English.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Texts {
    by_key: BTreeMap<String, String>,
}

impl Texts {
    /// The English table of the binary.
    ///
    /// # Panics
    /// Never: a test reads the table.
    pub(crate) fn english() -> Self {
        Self {
            by_key: text_table(ENGLISH).expect("the embedded table is tested"),
        }
    }

    /// The English table with the texts of a translation in their places, and what is not as it
    /// should be. A key that no page uses, or a place that is lost, is named and does no harm: a
    /// translation must outlast the next version of the program.
    ///
    /// # Errors
    /// [`TextError`] names the line or the key.
    pub(crate) fn translated(toml: &str) -> Result<Translation, TextError> {
        let mut texts = Self::english();
        let given = text_table(toml)?;
        let mut unknown = Vec::new();
        let mut places = Vec::new();
        let missing = texts.by_key.keys().filter(|key| !given.contains_key(*key));
        let missing: Vec<String> = missing.cloned().collect();
        for (key, text) in given {
            let Some(english) = texts.by_key.get_mut(&key) else {
                unknown.push(key);
                continue;
            };
            if places_of(english) != places_of(&text) {
                places.push(key);
                continue;
            }
            *english = text;
        }
        if missing.len() == texts.by_key.len() {
            return Err(TextError::Nothing);
        }
        Ok(Translation {
            texts,
            missing,
            unknown,
            places,
        })
    }

    /// The text of a key such as `nav.jobs`; the key itself where there is none, so that a
    /// slip is seen and nothing breaks.
    pub(crate) fn at<'t>(&'t self, key: &'t str) -> &'t str {
        self.by_key.get(key).map_or(key, String::as_str)
    }

    /// The text of a key with `{name}` replaced.
    pub(crate) fn fill(&self, key: &str, values: &[(&str, &str)]) -> String {
        filled_text(self.at(key), values)
    }

    /// Texts of one section without its name, for a script.
    pub(crate) fn section(&self, name: &str) -> BTreeMap<&str, &str> {
        self.by_key
            .iter()
            .filter_map(|(key, text)| {
                let rest = key.strip_prefix(name)?.strip_prefix('.')?;
                Some((rest, text.as_str()))
            })
            .collect()
    }
}

/// A translation as it is used, and what is not as it should be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Translation {
    pub(crate) texts: Texts,
    /// Keys it does not have; they stay English.
    pub(crate) missing: Vec<String>,
    /// Keys that no page uses.
    pub(crate) unknown: Vec<String>,
    /// Keys whose `{places}` are not those of the English text; they stay English.
    pub(crate) places: Vec<String>,
}

impl Translation {
    /// The English texts.
    pub(crate) fn english() -> Self {
        Self {
            texts: Texts::english(),
            missing: Vec::new(),
            unknown: Vec::new(),
            places: Vec::new(),
        }
    }
}

/// The table that a translation begins from.
pub(crate) fn english_table() -> &'static str {
    ENGLISH
}

/// The `{places}` of a text, in the order of their names.
fn places_of(text: &str) -> Vec<&str> {
    let opened = text.split('{').skip(1);
    let mut places: Vec<&str> = opened
        .filter_map(|rest| Some(rest.split_once('}')?.0))
        .collect();
    places.sort_unstable();
    places
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every source and template of this crate, as text.
    fn sources() -> String {
        let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
        let mut folders: Vec<_> = ["src", "templates", "assets"].map(|f| root.join(f)).into();
        let mut all = String::new();
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).unwrap() {
                let path = entry.unwrap().path();
                if path.is_dir() {
                    folders.push(path);
                } else {
                    all.push_str(&std::fs::read_to_string(path).unwrap());
                }
            }
        }
        all
    }

    /// Keys that the sources ask for by name.
    fn asked(sources: &str) -> Vec<&str> {
        ["s.t(\"", "s.fill(\"", ".at(\"", ".fill(\""]
            .iter()
            .flat_map(|call| sources.split(call).skip(1))
            .filter_map(|rest| rest.split('"').next())
            .filter(|key| key.contains('.') && !key.contains(' ') && !key.starts_with("test."))
            .collect()
    }

    #[test]
    fn every_text_asked_for_is_in_the_table() {
        let texts = Texts::english();
        let sources = sources();
        let missing: Vec<&str> = asked(&sources)
            .into_iter()
            .filter(|key| !texts.by_key.contains_key(*key))
            .collect();
        assert_eq!(missing, Vec::<&str>::new());
    }

    #[test]
    fn every_text_of_the_table_is_asked_for() {
        let sources = sources();
        let unused: Vec<String> = Texts::english()
            .by_key
            .into_keys()
            // The script takes its section whole and asks by the name alone.
            .filter(|key| {
                let last = key.rsplit('.').next().unwrap_or(key);
                let in_script =
                    key.starts_with("script.") && sources.contains(&format!("t.{last}"));
                !in_script && !sources.contains(&format!("\"{key}\""))
            })
            .collect();
        assert_eq!(unused, Vec::<String>::new());
    }

    #[test]
    fn a_translation_replaces_what_it_has_and_names_what_is_wrong() {
        let text = "[nav]\nbench = \"Werkbank\"\njbos = \"x\"\n[devices]\ncount = \"Geräte\"";
        let found = Texts::translated(text).unwrap();
        let english = Texts::english();
        assert_eq!(found.texts.at("nav.bench"), "Werkbank");
        assert_eq!(found.texts.at("nav.shop"), english.at("nav.shop"));
        assert_eq!(found.unknown, ["nav.jbos"]);
        assert_eq!(found.places, ["devices.count"]);
        assert_eq!(found.texts.at("devices.count"), english.at("devices.count"));
        assert_eq!(found.missing.len(), english.by_key.len() - 2);
        assert!(found.missing.contains(&"nav.shop".to_owned()));
        assert_eq!(Texts::translated("[x]\ny = \"z\""), Err(TextError::Nothing));
        assert!(matches!(
            Texts::translated("[nav]\njobs = 1"),
            Err(TextError::Table(TextTableError::NotText { .. }))
        ));
        assert!(matches!(
            Texts::translated("[nav"),
            Err(TextError::Table(TextTableError::Syntax(_)))
        ));
        assert_eq!(found.texts.at("test.unknown"), "test.unknown");
    }

    #[test]
    fn the_english_table_is_a_whole_translation() {
        let found = Texts::translated(english_table()).unwrap();
        assert_eq!(found, Translation::english());
    }
}
