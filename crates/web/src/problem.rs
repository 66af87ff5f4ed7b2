//! What a request could not be given, as a page.

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

/// Why a request ends in a page that says so. The guard of the router writes the page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Problem {
    /// Nothing at this address.
    NotFound,
    /// What was typed cannot be used; says what and what would be right.
    Input(String),
    /// The step is not open; says why and what comes first.
    Closed(String),
    /// Form without the token of this device, or from elsewhere.
    Foreign,
    /// Asked under a name that is not this server's.
    Host,
    /// Device not paired.
    Unpaired,
    /// Body larger than this form takes.
    TooLarge,
    /// Not a form.
    NotAForm,
    /// A fault of the program, by its number.
    Fault(u64),
}

impl Problem {
    /// Status of the answer.
    pub(crate) fn status(&self) -> StatusCode {
        match self {
            Self::NotFound => StatusCode::NOT_FOUND,
            Self::Input(_) => StatusCode::UNPROCESSABLE_ENTITY,
            Self::Closed(_) => StatusCode::CONFLICT,
            Self::Foreign => StatusCode::FORBIDDEN,
            Self::Host => StatusCode::MISDIRECTED_REQUEST,
            Self::Unpaired => StatusCode::UNAUTHORIZED,
            Self::TooLarge => StatusCode::PAYLOAD_TOO_LARGE,
            Self::NotAForm => StatusCode::UNSUPPORTED_MEDIA_TYPE,
            Self::Fault(_) => StatusCode::INTERNAL_SERVER_ERROR,
        }
    }

    /// Key of the heading in the table of texts.
    pub(crate) fn heading(&self) -> &'static str {
        match self {
            Self::NotFound => "problem.not_found",
            Self::Input(_) => "problem.input",
            Self::Closed(_) => "problem.closed",
            Self::Foreign => "problem.foreign",
            Self::Host => "problem.host",
            Self::Unpaired => "problem.unpaired",
            Self::TooLarge => "problem.too_large",
            Self::NotAForm => "problem.not_a_form",
            Self::Fault(_) => "problem.fault",
        }
    }

    /// What to do, beside the heading; empty where the heading says all.
    pub(crate) fn detail(&self) -> String {
        match self {
            Self::Input(text) | Self::Closed(text) => text.clone(),
            Self::Fault(number) => format!("#{number}"),
            _ => String::new(),
        }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut response = self.status().into_response();
        response.extensions_mut().insert(self);
        response
    }
}
