//! Doubts and assumptions that travel beside a profile or a job.

/// A remark with a stable code for scripts and a sentence for people.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notice {
    /// Stable kebab-case code, e.g. `sealed-part-turned`.
    pub code: &'static str,
    /// What it means here and what to do.
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
