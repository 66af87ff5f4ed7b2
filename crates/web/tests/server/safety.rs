use axum::body::Body;
use axum::http::StatusCode;
use evenpull_web::{Announcement, listed_routes};

use crate::client::{Device, HOST, ORIGIN, encoded};

/// What a device may see before it is paired; holds nothing of the shop.
const OPEN: [&str; 3] = ["/pair", "/style.css", "/icon.svg"];

/// A path of the table with something in the places that vary.
fn filled(path: &str) -> String {
    path.split('/')
        .map(|part| if part.starts_with('{') { "1" } else { part })
        .collect::<Vec<_>>()
        .join("/")
}

#[tokio::test]
async fn without_pairing_every_route_is_refused() {
    let device = Device::unpaired().await;
    let routes = listed_routes();
    assert!(routes.len() >= 10, "{routes:?}");
    let mut refused = 0;
    for route in routes {
        let path = filled(route.path);
        let answer = match route.method {
            "GET" => device.get(&path).await,
            _ => device.post(&path, &[("code", "x")]).await,
        };
        if OPEN.contains(&route.path) {
            assert_ne!(answer.status, StatusCode::UNAUTHORIZED, "{route:?}");
            continue;
        }
        refused += 1;
        assert_eq!(answer.status, StatusCode::UNAUTHORIZED, "{route:?}");
        assert!(!answer.text.contains("csrf"), "{route:?}");
    }
    assert!(refused >= 6);
    // What is not there is not told from what is.
    let answer = device.get("/nothing/here").await;
    assert_eq!(answer.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn every_form_without_the_token_of_the_device_is_refused() {
    let device = Device::paired().await;
    let mut tried = 0;
    for route in listed_routes() {
        if route.method != "POST" || route.path == "/pair" {
            continue;
        }
        tried += 1;
        let path = filled(route.path);
        for fields in [&[][..], &[("csrf", "0")][..], &[("csrf", "")][..]] {
            let answer = device.post(&path, fields).await;
            assert_eq!(answer.status, StatusCode::FORBIDDEN, "{route:?}");
        }
        let other = Device::paired().await.csrf().await;
        let answer = device.post(&path, &[("csrf", &other)]).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{route:?}");
    }
    assert!(tried >= 3);
}

#[tokio::test]
async fn a_name_from_elsewhere_does_not_open_the_server() {
    let device = Device::paired().await;
    for host in [
        "evil.example",
        "127.0.0.1",
        "127.0.0.1:80",
        "evil.example:8087",
        "",
    ] {
        let request = device.request("GET", "/shop").body(Body::empty()).unwrap();
        let (mut parts, body) = request.into_parts();
        parts.headers.insert("host", host.parse().unwrap());
        let answer = device
            .send(axum::http::Request::from_parts(parts, body))
            .await;
        assert_eq!(answer.status, StatusCode::MISDIRECTED_REQUEST, "{host}");
    }
}

#[tokio::test]
async fn a_page_from_elsewhere_cannot_post_or_fetch() {
    let device = Device::paired().await;
    let csrf = device.csrf().await;
    let form = encoded(&[("csrf", &csrf), ("decimal", "comma"), ("pressure", "kpa")]);
    for origin in [
        Some("http://evil.example"),
        Some("null"),
        Some("https://127.0.0.1:8087"),
        None,
    ] {
        let mut request = axum::http::Request::builder()
            .method("POST")
            .uri("/shop")
            .header("host", HOST)
            .header("content-type", "application/x-www-form-urlencoded");
        for (name, value) in device.request("GET", "/").headers_ref().unwrap() {
            if name == "cookie" {
                request = request.header(name, value);
            }
        }
        if let Some(origin) = origin {
            request = request.header("origin", origin);
        }
        let answer = device
            .send(request.body(Body::from(form.clone())).unwrap())
            .await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{origin:?}");
    }
    let fetched = device
        .request("GET", "/shop")
        .header("sec-fetch-site", "cross-site")
        .header("sec-fetch-mode", "no-cors");
    let answer = device.send(fetched.body(Body::empty()).unwrap()).await;
    assert_eq!(answer.status, StatusCode::FORBIDDEN);
    // The same form from the own page is taken.
    let answer = device
        .post(
            "/shop",
            &[("csrf", &csrf), ("decimal", "comma"), ("pressure", "kpa")],
        )
        .await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{answer:?}");
}

#[tokio::test]
async fn a_code_cannot_be_found_by_trying() {
    let device = Device::unpaired().await;
    let first = device.web.pairing_code();
    for _ in 0..4 {
        let answer = device.post("/pair", &[("code", "AAAA-AAAA")]).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN);
    }
    for _ in 0..20 {
        let answer = device.post("/pair", &[("code", "AAAA-AAAA")]).await;
        assert_eq!(answer.status, StatusCode::TOO_MANY_REQUESTS);
        assert_ne!(answer.header("retry-after"), "");
    }
    // Neither the old nor the new code is looked at meanwhile, from any device.
    for code in [first, device.web.pairing_code()] {
        let answer = device.stranger().post("/pair", &[("code", &code)]).await;
        assert_eq!(answer.status, StatusCode::TOO_MANY_REQUESTS);
    }
    let told = device.told.lock().unwrap();
    assert!(
        told.iter()
            .any(|t| matches!(t, Announcement::Locked { .. }))
    );
}

#[tokio::test]
async fn a_code_pairs_one_device_only_and_its_cookie_is_kept_from_scripts() {
    let device = Device::unpaired().await;
    let code = device.web.pairing_code();
    let answer = device.post("/pair", &[("code", &code)]).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER);
    let cookie = answer.header("set-cookie");
    for part in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    let again = device.stranger().post("/pair", &[("code", &code)]).await;
    assert_eq!(again.status, StatusCode::FORBIDDEN);
}

#[tokio::test]
async fn a_forgotten_device_is_out() {
    let device = Device::paired().await;
    assert_eq!(device.get("/shop").await.status, StatusCode::OK);
    let answer = device.submit("/devices/leave", &[]).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER);
    assert_eq!(device.get("/shop").await.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn every_answer_keeps_scripts_and_frames_out() {
    let device = Device::paired().await;
    for path in ["/shop", "/devices", "/style.css", "/nothing"] {
        let answer = device.get(path).await;
        let policy = answer.header("content-security-policy");
        assert!(policy.contains("default-src 'none'"), "{path}: {policy}");
        assert!(!policy.contains("unsafe"), "{path}: {policy}");
        assert_eq!(answer.header("x-content-type-options"), "nosniff");
        assert_eq!(answer.header("x-frame-options"), "DENY");
    }
    let page = device.get("/shop").await.text;
    assert!(!page.contains("<script>") && !page.contains("style=") && !page.contains(" onclick"));
}

#[tokio::test]
async fn a_huge_form_is_refused_before_it_is_read() {
    let device = Device::paired().await;
    let answer = device
        .post("/shop", &[("decimal", &"x".repeat(300 * 1024))])
        .await;
    assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE);
    let claimed = device
        .request("POST", "/shop")
        .header("content-type", "application/x-www-form-urlencoded")
        .header("content-length", "99999999999");
    let answer = device.send(claimed.body(Body::empty()).unwrap()).await;
    assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE);
    let answer = device
        .send(
            device
                .request("POST", "/shop")
                .header("content-type", "application/json")
                .body(Body::from("{}"))
                .unwrap(),
        )
        .await;
    assert_eq!(answer.status, StatusCode::UNSUPPORTED_MEDIA_TYPE);
}

#[tokio::test]
async fn what_is_typed_comes_back_as_text() {
    let device = Device::paired().await;
    let script = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>";
    let answer = device
        .submit("/shop", &[("pressure", script), ("decimal", "point")])
        .await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(!answer.text.contains("<script>") && !answer.text.contains("<img"));
    assert!(answer.text.contains("&#60;script&#62;"), "{}", answer.text);
    let code = encoded(&[("code", script)]);
    let answer = device.stranger().get(&format!("/pair?{code}")).await;
    assert!(!answer.text.contains("<script>"), "{}", answer.text);
}

#[tokio::test]
async fn the_way_back_never_leaves_the_server() {
    let device = Device::paired().await;
    let csrf = device.csrf().await;
    for (referer, to) in [
        (format!("{ORIGIN}/devices"), "/devices"),
        (format!("{ORIGIN}//evil.example/x"), "/evil.example/x"),
        ("http://evil.example/devices".to_owned(), "/"),
        ("nonsense".to_owned(), "/"),
    ] {
        let request = device
            .request("POST", "/light")
            .header("content-type", "application/x-www-form-urlencoded")
            .header("referer", referer);
        let form = encoded(&[("csrf", &csrf), ("light", "night")]);
        let answer = device.send(request.body(Body::from(form)).unwrap()).await;
        assert_eq!(answer.header("location"), to);
        assert!(answer.header("set-cookie").contains("night"));
    }
}
