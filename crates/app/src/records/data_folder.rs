//! Where the records lie when nobody says so.

use std::path::PathBuf;

/// The folder of the records: `EVENPULL_DATA`, or the place for programs' data of the user.
///
/// `None` when the system names no such place.
pub fn default_data_folder() -> Option<PathBuf> {
    let named = |name: &str| {
        std::env::var_os(name)
            .filter(|v| !v.is_empty())
            .map(PathBuf::from)
    };
    if let Some(folder) = named("EVENPULL_DATA") {
        return Some(folder);
    }
    let base = if cfg!(windows) {
        named("APPDATA")
    } else if cfg!(target_os = "macos") {
        named("HOME").map(|home| home.join("Library/Application Support"))
    } else {
        named("XDG_DATA_HOME").or_else(|| named("HOME").map(|home| home.join(".local/share")))
    };
    base.map(|base| base.join("evenpull"))
}
