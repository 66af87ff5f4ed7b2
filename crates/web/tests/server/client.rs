//! A browser of sorts: sends requests to the router and keeps its cookie.

use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use axum::Router;
use axum::body::Body;
use axum::http::{Request, Response, StatusCode};
use evenpull_app::{Access, CivilTime, Moment, Records};
use evenpull_web::{Announcement, Web, WebConfig, exercise, router};
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
    pub(crate) records: Records,
    router: Router,
    cookie: String,
    pub(crate) told: Arc<Mutex<Vec<Announcement>>>,
    pub(crate) work: Arc<tempfile::TempDir>,
}

impl Device {
    /// A device that is not paired.
    pub(crate) async fn unpaired() -> Self {
        let work = tempfile::tempdir().expect("a folder for passing files");
        Self::at(Arc::new(work), Vec::new()).await
    }

    /// A paired device at a server that looks for boards on one port, and that port.
    pub(crate) async fn paired_with_port() -> (Self, PathBuf) {
        let work = tempfile::tempdir().expect("a folder for passing files");
        let port = work.path().join("port");
        let mut device = Self::at(Arc::new(work), vec![port.clone()]).await;
        device.pair().await;
        (device, port)
    }

    /// The same device at a server that was ended and started again.
    pub(crate) async fn restarted(self) -> Self {
        let Self {
            web,
            records,
            router,
            cookie,
            told,
            work,
        } = self;
        drop((web, records, router, told));
        Self {
            cookie,
            ..Self::at(work, Vec::new()).await
        }
    }

    async fn at(work: Arc<tempfile::TempDir>, ports: Vec<PathBuf>) -> Self {
        let told = Arc::new(Mutex::new(Vec::new()));
        let ear = Arc::clone(&told);
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
            clock: Arc::new(|| Moment::from_ms(1_000)),
            ports,
            bench: exercise("heron-270", 3).expect("an embedded engine"),
            work: work.path().to_owned(),
            records: Some(records.clone()),
            when: Arc::new(|ms| format!("{ms} ms")),
            calendar: Arc::new(|_| CivilTime {
                year: 2026,
                month: 1,
                day: 1,
                hour: 12,
                ..CivilTime::default()
            }),
            now: Arc::new(|| "2026-01-01 12:00".to_owned()),
            announce: Arc::new(move |what| ear.lock().expect("no test panics here").push(what)),
        });
        web.remember().await.expect("settings and devices");
        Self {
            router: router(web.clone()),
            web,
            records,
            cookie: String::new(),
            told,
            work,
        }
    }

    /// A paired device.
    pub(crate) async fn paired() -> Self {
        let mut device = Self::unpaired().await;
        device.pair().await;
        device
    }

    async fn pair(&mut self) {
        let code = self.web.pairing_code();
        let answer = self.post("/pair", &[("code", &code)]).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{answer:?}");
        self.cookie = answer
            .header("set-cookie")
            .split(';')
            .next()
            .unwrap_or_default()
            .to_owned();
    }

    /// Opens the stream of the bench and reads nothing of it.
    pub(crate) async fn open_stream(&self) -> Body {
        let request = self.request("GET", "/bench/stream");
        let request = request.body(Body::empty()).expect("a sound request");
        let answer = self.router.clone().oneshot(request).await;
        answer.expect("the router answers").into_body()
    }

    /// The next glance of a stream.
    pub(crate) async fn next_glance(mut stream: Body) -> serde_json::Value {
        let mut text = String::new();
        loop {
            let frame = stream.frame().await.expect("the stream does not end");
            let data = frame.expect("a sound frame").into_data();
            text.push_str(&String::from_utf8_lossy(&data.unwrap_or_default()));
            // An event ends with an empty line.
            if let Some((event, _)) = text.split_once("\n\n")
                && let Some((_, json)) = event.split_once("data: ")
            {
                return serde_json::from_str(json).expect("a glance in JSON");
            }
        }
    }

    /// The newest glance of the bench.
    pub(crate) async fn glance(&self) -> serde_json::Value {
        Self::next_glance(self.open_stream().await).await
    }

    /// Another device at the same server, without a cookie.
    pub(crate) fn stranger(&self) -> Self {
        Self {
            web: self.web.clone(),
            records: self.records.clone(),
            router: self.router.clone(),
            cookie: String::new(),
            told: Arc::clone(&self.told),
            work: Arc::clone(&self.work),
        }
    }

    /// The token in the cookie of this device.
    pub(crate) fn cookie_value(&self) -> &str {
        self.cookie.split_once('=').map_or("", |(_, value)| value)
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

/// A form with files, as a browser sends it.
pub(crate) async fn send_form(
    device: &Device,
    path: &str,
    fields: &[(&str, &str)],
    file: (&str, &str, &[u8]),
) -> Answer {
    let csrf = device.csrf().await;
    let mut body = Vec::new();
    for (name, value) in fields.iter().chain(&[("csrf", csrf.as_str())]) {
        let part =
            format!("--edge\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n");
        body.extend(part.as_bytes());
    }
    let (field, name, bytes) = file;
    let head = format!(
        "--edge\r\nContent-Disposition: form-data; name=\"{field}\"; filename=\"{name}\"\r\n\
         Content-Type: application/octet-stream\r\n\r\n"
    );
    body.extend(head.as_bytes());
    body.extend(bytes);
    body.extend(b"\r\n--edge--\r\n");
    let request = device
        .request("POST", path)
        .header("content-type", "multipart/form-data; boundary=edge");
    device
        .send(request.body(Body::from(body)).expect("a sound request"))
        .await
}
