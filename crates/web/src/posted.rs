//! A form as it was sent: its fields and files, with the token of the device already checked.

use std::sync::Arc;

use axum::body::{Body, Bytes};
use axum::extract::{FromRequest, Multipart, Request};
use axum::http::header::CONTENT_TYPE;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Redirect, Response};
use evenpull_app::Writing;

use crate::labels::label;
use crate::once::{ONCE_FIELD, Sending, key};
use crate::page::Visitor;
use crate::problem::Problem;
use crate::texts::Texts;
use crate::token::alike;
use crate::typed::as_thousands;

/// Name of the token's field.
const CSRF_FIELD: &str = "csrf";
/// Longest text of one field [bytes]; the longest honest one is a complaint or a reason.
const LONGEST_FIELD: usize = 8 * 1024;
/// Most parts of a form.
const MOST_PARTS: usize = 200;

/// One file of a form.
#[derive(Debug, Clone)]
pub(crate) struct File {
    pub(crate) field: String,
    /// Name on the device, without any folder.
    pub(crate) name: String,
    pub(crate) bytes: Bytes,
}

/// A form from a paired device that carries this device's token.
#[derive(Debug, Clone)]
pub(crate) struct Posted {
    /// Sent by a script of the page, which wants no page back.
    pub(crate) by_script: bool,
    texts: Arc<Texts>,
    writing: Writing,
    fields: Vec<(String, String)>,
    pub(crate) files: Vec<File>,
}

impl Posted {
    /// Text of a field, trimmed; empty where it is missing.
    pub(crate) fn text(&self, name: &str) -> &str {
        self.fields
            .iter()
            .find(|(key, _)| key == name)
            .map_or("", |(_, value)| value.trim())
    }

    /// Whether the form has this field, filled in or not.
    pub(crate) fn has(&self, name: &str) -> bool {
        self.fields.iter().any(|(key, _)| key == name)
    }

    /// A number with decimal point or comma.
    pub(crate) fn number(&self, name: &str) -> Result<f64, Problem> {
        evenpull_app::parse_decimal(self.text(name))
            .map_err(|e| Problem::Input(format!("`{}`: {e}", self.label(name))))
    }

    /// What the page calls a field.
    pub(crate) fn label(&self, name: &str) -> String {
        label(name, &self.texts)
    }

    /// Why what was chosen in a field cannot be, with what could.
    pub(crate) fn unknown(&self, name: &str, known: &str) -> Problem {
        let text = self.text(name);
        Problem::Input(format!("`{}` = `{text}`: {known}", self.label(name)))
    }

    /// A number, or none where nothing was typed.
    pub(crate) fn maybe_number(&self, name: &str) -> Result<Option<f64>, Problem> {
        if self.text(name).is_empty() {
            return Ok(None);
        }
        self.number(name).map(Some)
    }

    /// What is wrong with the form, in the words of a key.
    pub(crate) fn refused(&self, key: &str, values: &[(&str, &str)]) -> Problem {
        Problem::Input(self.texts.fill(key, values))
    }

    /// A number that is never below `smallest`, or none where nothing was typed. What could be read
    /// with thousands or as a smaller number is refused, not guessed at.
    pub(crate) fn maybe_large(&self, name: &str, smallest: f64) -> Result<Option<f64>, Problem> {
        let number = self.maybe_number(name)?;
        let large = as_thousands(self.text(name));
        if let (Some(large), Some(small)) = (large, number.filter(|n| n.abs() < smallest)) {
            let values = [
                ("field", &*self.label(name)),
                ("text", self.text(name)),
                ("large", &large),
                ("small", &self.writing.plain(small, 3)),
            ];
            return Err(self.refused("problem.thousands", &values));
        }
        Ok(number)
    }

    /// A number that has no three decimals, whole or an amount of money; as
    /// [`Self::maybe_large`].
    pub(crate) fn maybe_whole(&self, name: &str) -> Result<Option<f64>, Problem> {
        self.maybe_large(name, f64::INFINITY)
    }

    /// The first file of a field that holds something.
    pub(crate) fn file(&self, field: &str) -> Option<&File> {
        self.files
            .iter()
            .find(|f| f.field == field && !f.bytes.is_empty())
    }
}

/// A form from a device that is not paired yet; carries no token.
#[derive(Debug, Clone)]
pub(crate) struct OpenForm {
    fields: Vec<(String, String)>,
}

impl OpenForm {
    /// Text of a field, trimmed; empty where it is missing.
    pub(crate) fn text(&self, name: &str) -> &str {
        self.fields
            .iter()
            .find(|(key, _)| key == name)
            .map_or("", |(_, value)| value.trim())
    }
}

impl<S: Send + Sync> FromRequest<S> for OpenForm {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        let (fields, _) = parts(request, state).await?;
        Ok(Self { fields })
    }
}

/// Why a form does not reach its handler.
#[derive(Debug)]
pub(crate) enum NotPosted {
    /// It is not one of this device's forms.
    Problem(Problem),
    /// It was sent before and kept; where that led to.
    Again(String),
}

impl From<Problem> for NotPosted {
    fn from(problem: Problem) -> Self {
        Self::Problem(problem)
    }
}

impl IntoResponse for NotPosted {
    fn into_response(self) -> Response {
        match self {
            Self::Problem(problem) => problem.into_response(),
            Self::Again(to) => Redirect::to(&to).into_response(),
        }
    }
}

impl<S: Send + Sync> FromRequest<S> for Posted {
    type Rejection = NotPosted;

    async fn from_request(request: Request, state: &S) -> Result<Self, NotPosted> {
        let visitor = request.extensions().get::<Visitor>();
        let visitor = visitor.ok_or(Problem::Unpaired)?.clone();
        let session = visitor.session.ok_or(Problem::Unpaired)?;
        let sending = request.extensions().get::<Sending>().cloned();
        let path = request.uri().path().to_owned();
        let by_script = request.headers().contains_key("x-evenpull");
        let (fields, files) = parts(request, state).await?;
        let carried = fields
            .iter()
            .any(|(key, value)| key == CSRF_FIELD && alike(value, &session.csrf));
        if !carried {
            return Err(Problem::Foreign.into());
        }
        let numbered = fields.iter().any(|(name, _)| name == ONCE_FIELD);
        if let Some(sending) = sending.filter(|_| numbered)
            && let Some(to) = sending
                .before(key(&session.key, &path, &fields, &files))
                .await
        {
            return Err(NotPosted::Again(to));
        }
        Ok(Self {
            by_script,
            texts: visitor.texts,
            writing: visitor.writing,
            fields,
            files,
        })
    }
}

type Parts = (Vec<(String, String)>, Vec<File>);

async fn parts<S: Send + Sync>(request: Request<Body>, state: &S) -> Result<Parts, Problem> {
    match kind(request.headers()) {
        Kind::Encoded => {
            let body = Bytes::from_request(request, state)
                .await
                .map_err(|e| too_large_or(e.into_response().status()))?;
            Ok((encoded(&body)?, Vec::new()))
        }
        Kind::Multipart => multipart(request, state).await,
        Kind::Other => Err(Problem::NotAForm),
    }
}

enum Kind {
    Encoded,
    Multipart,
    Other,
}

fn kind(headers: &HeaderMap) -> Kind {
    let kind = headers
        .get(CONTENT_TYPE)
        .and_then(|v| v.to_str().ok())
        .unwrap_or("");
    if kind.starts_with("application/x-www-form-urlencoded") {
        Kind::Encoded
    } else if kind.starts_with("multipart/form-data") {
        Kind::Multipart
    } else {
        Kind::Other
    }
}

fn too_large_or(status: StatusCode) -> Problem {
    if status == StatusCode::PAYLOAD_TOO_LARGE {
        Problem::TooLarge
    } else {
        Problem::NotAForm
    }
}

fn encoded(body: &[u8]) -> Result<Vec<(String, String)>, Problem> {
    let fields: Vec<(String, String)> = form_urlencoded::parse(body)
        .take(MOST_PARTS + 1)
        .map(|(k, v)| (k.into_owned(), v.into_owned()))
        .collect();
    let too_long = |(_, v): &(String, String)| v.len() > LONGEST_FIELD;
    if fields.len() > MOST_PARTS || fields.iter().any(too_long) {
        return Err(Problem::TooLarge);
    }
    Ok(fields)
}

async fn multipart<S: Send + Sync>(request: Request, state: &S) -> Result<Parts, Problem> {
    let mut form = Multipart::from_request(request, state)
        .await
        .map_err(|_| Problem::NotAForm)?;
    let (mut fields, mut files) = (Vec::new(), Vec::new());
    while let Some(part) = form
        .next_field()
        .await
        .map_err(|e| too_large_or(e.status()))?
    {
        if fields.len() + files.len() >= MOST_PARTS {
            return Err(Problem::TooLarge);
        }
        let field = part.name().unwrap_or_default().to_owned();
        let name = part.file_name().map(bare_name);
        let bytes = part.bytes().await.map_err(|e| too_large_or(e.status()))?;
        match name {
            Some(name) => files.push(File { field, name, bytes }),
            None if bytes.len() > LONGEST_FIELD => return Err(Problem::TooLarge),
            None => fields.push((field, String::from_utf8_lossy(&bytes).into_owned())),
        }
    }
    Ok((fields, files))
}

/// The last part of a name a device gave, with nothing in it that a file system could read as a
/// way elsewhere.
pub(crate) fn bare_name(name: &str) -> String {
    let last = name.rsplit(['/', '\\']).next().unwrap_or_default();
    let plain: String = last
        .chars()
        .filter(|c| !c.is_control() && !matches!(c, ':' | '\u{202a}'..='\u{202e}'))
        .take(120)
        .collect();
    plain.trim_start_matches('.').trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_leads_nowhere_else() {
        for (given, bare) in [
            ("../../etc/passwd", "passwd"),
            ("..\\..\\boot.ini", "boot.ini"),
            ("/abs/photo.jpg", "photo.jpg"),
            ("C:seal.jpg", "Cseal.jpg"),
            ("..", ""),
            ("a\0b\n.jpg", "ab.jpg"),
            ("stop left.jpg", "stop left.jpg"),
        ] {
            assert_eq!(bare_name(given), bare);
        }
    }

    #[test]
    fn a_field_without_end_is_too_large() {
        let long = format!("a={}", "x".repeat(LONGEST_FIELD + 1));
        assert_eq!(encoded(long.as_bytes()), Err(Problem::TooLarge));
        let many = "a=1&".repeat(MOST_PARTS + 1);
        assert_eq!(encoded(many.as_bytes()), Err(Problem::TooLarge));
        assert_eq!(
            encoded(b"a=1+2&b=%C3%A4"),
            Ok(vec![
                ("a".to_owned(), "1 2".to_owned()),
                ("b".to_owned(), "ä".to_owned())
            ])
        );
    }
}
