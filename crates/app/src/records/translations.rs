//! Translations of the pages: files of the shop's own, in a folder beside the records.

use std::io::Read;
use std::path::PathBuf;

use super::Records;
use crate::error::AppError;

/// Folder of the translations in the data folder.
const FOLDER: &str = "texts";
/// Largest translation [bytes]; the English table has some tens of thousands.
const LARGEST: u64 = 1024 * 1024;

impl Records {
    /// Where translations lie.
    pub fn translations_folder(&self) -> PathBuf {
        self.folder().join(FOLDER)
    }

    /// Names of the translations there are, such as `de.toml`, in the order of the alphabet.
    pub fn translations(&self) -> Vec<String> {
        // Without the folder there are none; what cannot be listed cannot be chosen either.
        let entries = std::fs::read_dir(self.translations_folder());
        let mut names: Vec<String> = entries
            .into_iter()
            .flatten()
            .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
            .filter(|name| is_plain(name))
            .collect();
        names.sort_unstable();
        names
    }

    /// The text of a translation.
    ///
    /// # Errors
    /// [`AppError::Unreadable`] for a name that is none of [`Self::translations`], a file that is too
    /// large or no text.
    pub fn translation(&self, name: &str) -> Result<String, AppError> {
        let path = self.translations_folder().join(name);
        let refused = |problem: String, remedy: &str| AppError::Unreadable {
            path: path.clone(),
            problem,
            remedy: remedy.to_owned(),
        };
        if !is_plain(name) {
            return Err(refused(
                "is no name of a translation".to_owned(),
                "choose a file of this folder whose name ends in `.toml`",
            ));
        }
        let mut text = String::new();
        std::fs::File::open(&path)
            .and_then(|f| f.take(LARGEST + 1).read_to_string(&mut text))
            .map_err(|e| {
                refused(
                    format!("cannot be read: {e}"),
                    "choose another language under Shop, or put the file there",
                )
            })?;
        if text.len() as u64 > LARGEST {
            return Err(refused(
                format!("is larger than {LARGEST} bytes"),
                "a translation holds short texts only",
            ));
        }
        Ok(text)
    }
}

/// A file name that leads nowhere else.
fn is_plain(name: &str) -> bool {
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    name.len() <= 40 && name.ends_with(".toml") && !name.starts_with('.') && name.chars().all(plain)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_that_leads_elsewhere_is_no_translation() {
        assert!(is_plain("de.toml") && is_plain("pt-BR.toml"));
        for name in [
            "../de.toml",
            "a/b.toml",
            "",
            "de",
            ".toml",
            "x\\y.toml",
            "/etc/x.toml",
        ] {
            assert!(!is_plain(name), "{name}");
        }
    }
}
