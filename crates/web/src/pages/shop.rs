//! Settings of the shop, and light or dark of the device.

use askama::Template;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE, SET_COOKIE};
use axum::response::{IntoResponse, Redirect, Response};
use evenpull_app::{EstimateLine, GAUGE_UNITS, PressureUnit, ShopSettings, Writing};

use super::aside::{aside, problem};
use crate::light::{LIGHT_COOKIE, Light};
use crate::page::{Place, Shell, Visitor, page_before, shown};
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;
use crate::texts::english_table;

/// Empty lines offered for one more item of an estimate.
const EMPTY_LINES: usize = 3;
/// Most keys of a translation that are named one by one.
const MOST_NAMED: usize = 12;

#[derive(Debug, Template)]
#[template(path = "shop.html")]
struct ShopPage {
    s: Shell,
    units: [PressureUnit; 8],
    settings: ShopSettings,
    rate: String,
    lines: Vec<LineView>,
    languages: Vec<String>,
    folder: Option<String>,
    /// What is not as it should be with the translation in use.
    troubles: Vec<String>,
}

/// A line of an estimate as its fields show it.
#[derive(Debug, Default)]
struct LineView {
    words: String,
    minutes: String,
    price: String,
}

pub(crate) async fn shop(State(web): State<Web>, visitor: Visitor) -> Result<Response, Problem> {
    aside(move || {
        let settings = ShopSettings::clone(&web.settings());
        let writing = visitor.writing;
        let money = |hundredths: i64| writing.fixed(hundredths as f64 / 100.0, 2);
        let mut lines: Vec<LineView> = settings.lines.iter().map(|l| line(l, money)).collect();
        lines.extend((0..EMPTY_LINES).map(|_| LineView::default()));
        let records = web.records();
        Ok(shown(&ShopPage {
            units: GAUGE_UNITS,
            rate: settings.rate_hundredths.map_or_else(String::new, money),
            lines,
            languages: records.map_or_else(Vec::new, |r| r.translations()),
            folder: records.map(|r| r.translations_folder().display().to_string()),
            troubles: troubles(&web, &visitor, &settings.language),
            settings,
            s: visitor.shell(Place::Shop),
        }))
    })
    .await
}

fn line(line: &EstimateLine, money: impl Fn(i64) -> String) -> LineView {
    LineView {
        words: line.words.clone(),
        minutes: line.minutes.to_string(),
        price: money(line.price_hundredths),
    }
}

/// What is not as it should be with a translation, in words.
fn troubles(web: &Web, visitor: &Visitor, language: &str) -> Vec<String> {
    let found = match web.translation(language) {
        Ok(found) => found,
        Err(trouble) => return vec![trouble],
    };
    let named = |key: &str, keys: &[String]| {
        let more = if keys.len() > MOST_NAMED { " …" } else { "" };
        let some: Vec<&str> = keys.iter().take(MOST_NAMED).map(String::as_str).collect();
        let values = [
            ("count", &*keys.len().to_string()),
            ("keys", &*format!("{}{more}", some.join(", "))),
        ];
        (!keys.is_empty()).then(|| visitor.texts.fill(key, &values))
    };
    [
        named("shop.missing", &found.missing),
        named("shop.unknown", &found.unknown),
        named("shop.places", &found.places),
    ]
    .into_iter()
    .flatten()
    .collect()
}

pub(crate) async fn shop_posted(State(web): State<Web>, form: Posted) -> Result<Redirect, Problem> {
    let settings = posted(&form)?;
    let kept = web.set_settings(settings).await;
    kept.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to("/shop"))
}

fn posted(form: &Posted) -> Result<ShopSettings, Problem> {
    let pressure: PressureUnit = form
        .text("pressure")
        .parse()
        .map_err(|e| Problem::Input(format!("`{}`: {e}", form.label("pressure"))))?;
    let comma = match form.text("decimal") {
        "comma" => true,
        "point" => false,
        _ => return Err(form.unknown("decimal", "point, comma")),
    };
    let mut lines = Vec::new();
    for index in 0.. {
        let field = |name: &str| format!("line_{name}.{index}");
        if !form.has(&field("words")) {
            break;
        }
        let words = form.text(&field("words"));
        let minutes = form.maybe_whole(&field("minutes"))?.unwrap_or(0.0);
        let price = hundredths(form, &field("price"))?.unwrap_or(0);
        if words.is_empty() && minutes == 0.0 && price == 0 {
            continue;
        }
        lines.push(EstimateLine {
            words: words.to_owned(),
            minutes: minutes.round() as i64,
            price_hundredths: price,
        });
    }
    Ok(ShopSettings {
        writing: Writing { comma, pressure },
        language: form.text("language").to_owned(),
        name: form.text("name").to_owned(),
        address: form.text("address").replace('\r', ""),
        currency: form.text("currency").to_owned(),
        rate_hundredths: hundredths(form, "rate")?,
        lines,
    })
}

/// An amount of money in whole hundredths.
fn hundredths(form: &Posted, name: &str) -> Result<Option<i64>, Problem> {
    let amount = form.maybe_whole(name)?;
    if let Some(wrong) = amount.filter(|a| a.abs() > 1e9) {
        let label = form.label(name);
        return Err(Problem::Input(format!("`{label}` = {wrong}: at most 1e9")));
    }
    Ok(amount.map(|a| (100.0 * a).round() as i64))
}

/// The English table, to begin a translation from.
pub(crate) async fn shop_texts() -> Response {
    let headers = [
        (CONTENT_TYPE, "text/plain; charset=utf-8"),
        (CONTENT_DISPOSITION, "attachment; filename=\"en.toml\""),
    ];
    (headers, english_table()).into_response()
}

/// Keeps the choice in a cookie of the device and goes back to the page it was made on.
pub(crate) async fn light_posted(headers: HeaderMap, form: Posted) -> Response {
    let light = Light::of_code(form.text("light"));
    let back = page_before(&headers).unwrap_or_else(|| "/".to_owned());
    let cookie = format!(
        "{LIGHT_COOKIE}={}; Path=/; HttpOnly; SameSite=Strict; Max-Age=31536000",
        light.code()
    );
    ([(SET_COOKIE, cookie)], Redirect::to(&back)).into_response()
}
