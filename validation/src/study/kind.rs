//! Kinds of engine the studies go round: the built-in profiles, their linkage under either law.

use evenpull_app::{AppError, LoadedProfile, load_profile};
use evenpull_job::Profile;

use super::chance::Chance;

/// A built-in profile under one law of its couplings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Kind {
    /// Name of the built-in profile.
    pub profile: &'static str,
    /// Couplings one-way instead of rigid.
    pub one_way: bool,
}

const fn kind(profile: &'static str, one_way: bool) -> Kind {
    Kind { profile, one_way }
}

/// All kinds.
pub const KINDS: [Kind; 13] = [
    kind("heron-270", false),
    kind("heron-270", true),
    kind("plover-360", false),
    kind("plover-360", true),
    kind("avocet-180", false),
    kind("avocet-180", true),
    kind("dipper-triple", false),
    kind("dipper-triple", true),
    kind("siskin-four", false),
    kind("siskin-four", true),
    kind("bunting-shaft", false),
    kind("curlew-vee-four", false),
    kind("curlew-vee-four", true),
];

impl Kind {
    /// Name with the law, for tables.
    pub fn title(self) -> String {
        let law = match (self.profile, self.one_way) {
            ("bunting-shaft", _) => "",
            (_, true) => "one-way",
            (_, false) => "rigid",
        };
        format!("{} {law}", self.profile)
    }

    /// The profile as a shop has it, its bore up to 6 % off the built-in one.
    ///
    /// # Errors
    /// As for [`load_profile`].
    ///
    /// # Panics
    /// If a built-in profile with another bore is refused.
    pub(crate) fn sized(self, chance: &mut Chance) -> Result<LoadedProfile, AppError> {
        let mut loaded = load_profile(self.profile)?;
        let bore = loaded.profile.body.bore_mm;
        let other = bore * chance.between(0.94, 1.06);
        loaded.text = loaded.text.replace(
            &format!("bore_mm = {bore:.1}"),
            &format!("bore_mm = {other:.1}"),
        );
        if self.one_way {
            loaded.text = loaded.text.replace("\"rigid\"", "\"one-way\"");
        }
        loaded.profile = Profile::from_toml("profile.toml", &loaded.text)
            .expect("a built-in profile with another bore and law");
        Ok(loaded)
    }
}
