//! A browser of sorts: sends requests to the router and keeps its cookie.

use std::sync::{Arc, Mutex};

use axum::Router;
use axum::body::Body;
use axum::http::{Request, Response, StatusCode};
use evenpull_app::{Access, Moment, Records};
use evenpull_web::{Announcement, Texts, Web, WebConfig, exercise, router};
use http_body_util::BodyExt;
use tower::ServiceExt;

pub(crate) const HOST: &str = "127.0.0.1:8087";
pub(crate) const ORIGIN: &str = "http://127.0.0.1:8087";
const FORM: &str = "application/x-www-form-urlencoded";

/// What came back.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: StatusCode,
    pub(crate) headers: axum::http::HeaderMap,
    pub(crate) text: String,
}

impl Answer {
    pub(crate) fn header(&self, name: &str) -> &str {
        self.headers
            .get(name)
            .map_or("", |v| v.to_str().expect("a readable header"))
    }
}

/// The server and one device.
pub(crate) struct Device {
    pub(crate) web: Web,
    router: Router,
    cookie: String,
    pub(crate) told: Arc<Mutex<Vec<Announcement>>>,
    _work: Arc<tempfile::TempDir>,
}

impl Device {
    /// A device that is not paired.
    pub(crate) async fn unpaired() -> Self {
        let told = Arc::new(Mutex::new(Vec::new()));
        let ear = Arc::clone(&told);
        let work = Arc::new(tempfile::tempdir().expect("a folder for passing files"));
        let records = Records::open(
            &work.path().join("records"),
            Access::Write,
            "a test",
            Arc::new(|| Moment::from_ms(1_000)),
        )
        .await
        .expect("records");
        let web = Web::new(WebConfig {
            hosts: vec![HOST.to_owned(), "localhost:8087".to_owned()],
            address: ORIGIN.to_owned(),
            texts: Texts::english(),
            bench: exercise("heron-270", 3).expect("an embedded engine"),
            work: work.path().to_owned(),
            records: Some(records),
            when: Arc::new(|ms| format!("{ms} ms")),
            now: Arc::new(|| "2026-01-01 12:00".to_owned()),
            announce: Arc::new(move |what| ear.lock().expect("no test panics here").push(what)),
        });
        Self {
            router: router(web.clone()),
            web,
            cookie: String::new(),
            told,
            _work: work,
        }
    }

    /// A paired device.
    pub(crate) async fn paired() -> Self {
        let mut device = Self::unpaired().await;
        let code = device.web.pairing_code();
        let answer = device.post("/pair", &[("code", &code)]).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{answer:?}");
        device.cookie = answer
            .header("set-cookie")
            .split(';')
            .next()
            .unwrap_or_default()
            .to_owned();
        device
    }

    /// Another device at the same server, without a cookie.
    pub(crate) fn stranger(&self) -> Self {
        Self {
            web: self.web.clone(),
            router: self.router.clone(),
            cookie: String::new(),
            told: Arc::clone(&self.told),
            _work: Arc::clone(&self._work),
        }
    }

    pub(crate) async fn send(&self, request: Request<Body>) -> Answer {
        let response: Response<_> = self
            .router
            .clone()
            .oneshot(request)
            .await
            .expect("the router answers");
        let (parts, body) = response.into_parts();
        let bytes = body.collect().await.expect("a whole body").to_bytes();
        Answer {
            status: parts.status,
            headers: parts.headers,
            text: String::from_utf8_lossy(&bytes).into_owned(),
        }
    }

    /// A request with the headers that a browser sends from this server's own page.
    pub(crate) fn request(&self, method: &str, path: &str) -> axum::http::request::Builder {
        let builder = Request::builder()
            .method(method)
            .uri(path)
            .header("host", HOST)
            .header("accept", "text/html");
        let builder = if self.cookie.is_empty() {
            builder
        } else {
            builder.header("cookie", &self.cookie)
        };
        if method == "POST" {
            builder.header("origin", ORIGIN)
        } else {
            builder
        }
    }

    pub(crate) async fn get(&self, path: &str) -> Answer {
        self.send(
            self.request("GET", path)
                .body(Body::empty())
                .expect("a sound request"),
        )
        .await
    }

    /// A form as given: no token is added.
    pub(crate) async fn post(&self, path: &str, fields: &[(&str, &str)]) -> Answer {
        let request = self.request("POST", path).header("content-type", FORM);
        self.send(
            request
                .body(Body::from(encoded(fields)))
                .expect("a sound request"),
        )
        .await
    }

    /// A form with the token of this device.
    pub(crate) async fn submit(&self, path: &str, fields: &[(&str, &str)]) -> Answer {
        let csrf = self.csrf().await;
        let mut all = vec![("csrf", csrf.as_str())];
        all.extend(fields);
        self.post(path, &all).await
    }

    /// The token as the forms of this device carry it.
    pub(crate) async fn csrf(&self) -> String {
        let page = self.get("/shop").await.text;
        let (_, rest) = page
            .split_once("name=\"csrf\" value=\"")
            .unwrap_or_else(|| panic!("no token in {page}"));
        rest.split('"').next().unwrap_or_default().to_owned()
    }
}

/// Fields as a browser encodes them.
pub(crate) fn encoded(fields: &[(&str, &str)]) -> String {
    form_urlencoded::Serializer::new(String::new())
        .extend_pairs(fields)
        .finish()
}
