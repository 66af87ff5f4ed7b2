//! Doubts that travel beside a value.

/// A doubt or remark with a stable code for scripts and a sentence for people.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notice {
    /// Stable kebab-case code, e.g. `unsteady-rpm`.
    pub code: &'static str,
    /// What it means here and what to do, one sentence or two.
    pub text: String,
}

impl Notice {
    /// A notice with the given code and text.
    pub fn new(code: &'static str, text: impl Into<String>) -> Self {
        Self {
            code,
            text: text.into(),
        }
    }
}
