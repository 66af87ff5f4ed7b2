//! What every page has around its content, and who asks for it.

use std::sync::Arc;

use askama::Template;
use axum::extract::FromRequestParts;
use axum::http::header::{HOST, REFERER};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderName};
use axum::response::{Html, IntoResponse, Response};
use evenpull_app::Writing;

use crate::light::Light;
use crate::problem::Problem;
use crate::session::Session;
use crate::texts::Texts;
use crate::token::random_token;

/// Who asks: put into every request by the guard.
#[derive(Debug, Clone)]
pub(crate) struct Visitor {
    /// The paired device; `None` on the pages before pairing.
    pub(crate) session: Option<Session>,
    pub(crate) light: Light,
    pub(crate) texts: Arc<Texts>,
    pub(crate) writing: Writing,
}

impl Visitor {
    /// What stands around a page at one place of the program.
    pub(crate) fn shell(&self, here: Place) -> Shell {
        Shell {
            here,
            csrf: self
                .session
                .as_ref()
                .map_or_else(String::new, |s| s.csrf.clone()),
            once: random_token(),
            paired: self.session.is_some(),
            light: self.light,
            texts: Arc::clone(&self.texts),
            writing: self.writing,
        }
    }
}

impl<S: Send + Sync> FromRequestParts<S> for Visitor {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        // Only the guard puts it there, so a route beside the guard answers nobody.
        parts
            .extensions
            .get::<Self>()
            .cloned()
            .ok_or(Problem::Unpaired)
    }
}

/// Where a page belongs; marks the entry of the navigation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Place {
    Jobs,
    Machines,
    Bench,
    Devices,
    Shop,
    Nowhere,
}

/// Around every page: texts, numbers, the token of the forms, light or dark.
#[derive(Debug, Clone)]
pub(crate) struct Shell {
    here: Place,
    pub(crate) csrf: String,
    /// Number of this page for the forms that must not be kept twice.
    pub(crate) once: String,
    pub(crate) paired: bool,
    light: Light,
    texts: Arc<Texts>,
    pub(crate) writing: Writing,
}

impl Shell {
    /// A text by its key.
    pub(crate) fn t<'s>(&'s self, key: &'s str) -> &'s str {
        self.texts.at(key)
    }

    /// A text with one place filled.
    pub(crate) fn fill(&self, key: &str, name: &str, value: &str) -> String {
        self.texts.fill(key, &[(name, value)])
    }

    /// The choice of light as a code of the page.
    pub(crate) fn light(&self) -> &'static str {
        self.light.code()
    }

    /// Entries of the navigation: address, key of the text, whether it is here.
    pub(crate) fn nav(&self) -> [(&'static str, &'static str, bool); 5] {
        [
            ("/jobs", "nav.jobs", self.here == Place::Jobs),
            ("/machines", "nav.machines", self.here == Place::Machines),
            ("/bench", "nav.bench", self.here == Place::Bench),
            ("/devices", "nav.devices", self.here == Place::Devices),
            ("/shop", "nav.shop", self.here == Place::Shop),
        ]
    }
}

/// Path of the page a request was sent from: never another host.
pub(crate) fn page_before(headers: &HeaderMap) -> Option<String> {
    let text = |name: HeaderName| headers.get(name).and_then(|v| v.to_str().ok());
    let own = format!("http://{}/", text(HOST)?);
    let path = text(REFERER)?.strip_prefix(&own)?;
    // Two slashes at the front would name a host.
    Some(format!("/{}", path.trim_start_matches(['/', '\\'])))
}

/// Writes a page.
pub(crate) fn shown(template: &impl Template) -> Response {
    let html = template
        .render()
        .expect("the templates have no fallible part and writing to a string cannot fail");
    Html(html).into_response()
}
