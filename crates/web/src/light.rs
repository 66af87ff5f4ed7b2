//! Light or dark page: as the device, or as chosen on it.

/// What a device has chosen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) enum Light {
    /// As the device.
    #[default]
    Auto,
    /// Light.
    Day,
    /// Dark.
    Night,
}

/// Name of the cookie.
pub(crate) const LIGHT_COOKIE: &str = "evenpull-light";

impl Light {
    /// All choices, in the order of the form.
    pub(crate) const ALL: [Self; 3] = [Self::Auto, Self::Day, Self::Night];

    /// Code in the cookie, the form and the page.
    pub(crate) fn code(self) -> &'static str {
        match self {
            Self::Auto => "auto",
            Self::Day => "day",
            Self::Night => "night",
        }
    }

    /// The choice of a code; anything else is as the device.
    pub(crate) fn of_code(code: &str) -> Self {
        Self::ALL
            .into_iter()
            .find(|l| l.code() == code)
            .unwrap_or_default()
    }
}
