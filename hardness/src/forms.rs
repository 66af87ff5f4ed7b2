//! Forms and addresses of the served pages, as a paired device may send them.

use std::cell::RefCell;

use axum::body::Body;
use evenpull_web::{Listed, listed_routes};

#[path = "../../crates/web/tests/server/client.rs"]
#[expect(
    dead_code,
    reason = "the client of the tests of the pages; some of it is for them alone"
)]
mod client;

use client::Device;

/// Requests before the server is made anew: what forms leave behind must stay small.
const MOST_REQUESTS: usize = 400;

/// Addresses that start threads, compute for seconds, or end the pairing this rests on. What their
/// forms hold is read by the same functions as the others.
const LEFT_OUT: [&str; 9] = [
    "/bench/new",
    "/bench/assess",
    "/bench/stream",
    "/jobs/{id}/bench",
    "/jobs/{id}/follow",
    "/jobs/{id}/assess",
    "/jobs/{id}/papers/{file}",
    "/devices/leave",
    "/what-if",
];

struct Server {
    device: Device,
    csrf: String,
    routes: Vec<Listed>,
    runtime: tokio::runtime::Runtime,
    requests: usize,
}

thread_local! {
    static SERVER: RefCell<Option<Server>> = const { RefCell::new(None) };
}

impl Server {
    fn new() -> Self {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .expect("a runtime");
        let (device, csrf) = runtime.block_on(async {
            let device = Device::paired().await;
            let machine = [("name", "Dunlin 1060"), ("profile", "heron-270")];
            let answer = device.submit("/machines", &machine).await;
            assert_eq!(answer.status.as_u16(), 303, "{answer:?}");
            for _ in 0..2 {
                let answer = device
                    .submit("/machines/1/jobs", &[("complaint", "hunts")])
                    .await;
                assert_eq!(answer.status.as_u16(), 303, "{answer:?}");
            }
            let csrf = device.csrf().await;
            (device, csrf)
        });
        let wanted = |route: &Listed| !LEFT_OUT.contains(&route.path);
        Self {
            device,
            csrf,
            routes: listed_routes().into_iter().filter(wanted).collect(),
            runtime,
            requests: 0,
        }
    }
}

/// The first byte chooses the address, the second numbers in it and how the form is sent; the rest is
/// the form, or for a page what stands behind the question mark.
pub(crate) fn form(bytes: &[u8]) {
    let [route, how, bytes @ ..] = bytes else {
        return;
    };
    SERVER.with(|slot| {
        let mut slot = slot.borrow_mut();
        if slot.as_ref().is_some_and(|s| s.requests >= MOST_REQUESTS) {
            *slot = None;
        }
        let server = slot.get_or_insert_with(Server::new);
        server.requests += 1;
        let listed = server.routes[usize::from(*route) % server.routes.len()];
        let number = (how & 3).to_string();
        let mut path = listed.path.replace("{id}", &number);
        for part in ["{reading}", "{remark}"] {
            path = path.replace(part, &number);
        }
        let request = if listed.method == "GET" {
            let query: String = form_urlencoded::byte_serialize(bytes).collect();
            // What separates fields must reach the server as it is.
            let query = query
                .replace("%3D", "=")
                .replace("%26", "&")
                .replace("%25", "%");
            server
                .device
                .request("GET", &format!("{path}?{query}"))
                .body(Body::empty())
        } else {
            let (kind, body) = sent(how >> 2, bytes, &server.csrf);
            server
                .device
                .request("POST", &path)
                .header("content-type", kind)
                .body(Body::from(body))
        };
        let Ok(request) = request else {
            return;
        };
        let answer = server.runtime.block_on(server.device.send(request));
        assert!(
            answer.status.as_u16() != 500,
            "{} {path}: {answer:?} {:?}",
            listed.method,
            server.device.told
        );
    });
}

/// Kind and body of a form with the token of the device.
fn sent(how: u8, bytes: &[u8], csrf: &str) -> (&'static str, Vec<u8>) {
    match how & 3 {
        0 | 1 => {
            let body = [b"csrf=", csrf.as_bytes(), b"&", bytes].concat();
            ("application/x-www-form-urlencoded", body)
        }
        2 => {
            let token = format!(
                "--edge\r\nContent-Disposition: form-data; name=\"csrf\"\r\n\r\n{csrf}\r\n--edge\r\n"
            );
            let body = [token.as_bytes(), bytes, b"\r\n--edge--\r\n"].concat();
            ("multipart/form-data; boundary=edge", body)
        }
        _ => ("multipart/form-data; boundary=edge", bytes.to_vec()),
    }
}
