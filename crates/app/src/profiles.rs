//! Engine profiles: files on disk and those that come with the program.

use std::path::{Path, PathBuf};

use evenpull_job::{BuiltinProfile, Profile, builtin};

use crate::error::AppError;
use crate::text_file::read_text;

/// A profile and where it came from.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadedProfile {
    /// Profile.
    pub profile: Profile,
    /// Its text.
    pub text: String,
    /// Path of the file, or the name of the embedded profile.
    pub origin: String,
}

/// The profiles that come with the program.
pub fn profile_list() -> &'static [BuiltinProfile] {
    builtin()
}

/// A profile by path, or by the name of an embedded one.
///
/// Reading it checks it: every problem of the file is reported.
///
/// # Errors
/// [`AppError::NoProfile`], [`AppError::Unreadable`] or the problems of the file.
pub fn load_profile(name: &str) -> Result<LoadedProfile, AppError> {
    load_profile_from(name, Path::new(""))
}

/// As [`load_profile`], with paths relative to `folder`.
pub(crate) fn load_profile_from(name: &str, folder: &Path) -> Result<LoadedProfile, AppError> {
    let path: PathBuf = folder.join(name);
    if path.exists() {
        let text = read_text(&path)?;
        let origin = path.display().to_string();
        let profile = Profile::from_toml(&origin, &text)?;
        return Ok(LoadedProfile {
            profile,
            text,
            origin,
        });
    }
    let Some(found) = builtin().iter().find(|b| b.id == name) else {
        let known: Vec<String> = builtin().iter().map(|b| format!("`{}`", b.id)).collect();
        return Err(AppError::NoProfile {
            name: name.to_owned(),
            known: known.join(", "),
        });
    };
    Ok(LoadedProfile {
        profile: Profile::from_toml(found.id, found.toml)?,
        text: found.toml.to_owned(),
        origin: found.id.to_owned(),
    })
}
