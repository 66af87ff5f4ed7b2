//! Settings of the shop, and light or dark of the device.

use askama::Template;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::http::header::{REFERER, SET_COOKIE};
use axum::response::{IntoResponse, Redirect, Response};

use crate::light::{LIGHT_COOKIE, Light};
use crate::number::{PressureUnit, Writing};
use crate::page::{Place, Shell, Visitor, shown};
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

#[derive(Debug, Template)]
#[template(path = "shop.html")]
struct ShopPage {
    s: Shell,
    units: [PressureUnit; 4],
}

pub(crate) async fn shop(visitor: Visitor) -> Response {
    shown(&ShopPage {
        s: visitor.shell(Place::Shop),
        units: PressureUnit::ALL,
    })
}

pub(crate) async fn shop_posted(State(web): State<Web>, form: Posted) -> Result<Redirect, Problem> {
    let code = form.text("pressure");
    let pressure = PressureUnit::of_code(code).ok_or_else(|| {
        let known = PressureUnit::ALL.map(PressureUnit::code).join(", ");
        Problem::Input(format!("`pressure` = `{code}`: {known}"))
    })?;
    let comma = match form.text("decimal") {
        "comma" => true,
        "point" => false,
        other => {
            return Err(Problem::Input(format!(
                "`decimal` = `{other}`: point, comma"
            )));
        }
    };
    web.set_writing(Writing { comma, pressure });
    Ok(Redirect::to("/shop"))
}

/// Keeps the choice in a cookie of the device and goes back to the page it was made on.
pub(crate) async fn light_posted(headers: HeaderMap, form: Posted) -> Response {
    let light = Light::of_code(form.text("light"));
    let cookie = format!(
        "{LIGHT_COOKIE}={}; Path=/; HttpOnly; SameSite=Strict; Max-Age=31536000",
        light.code()
    );
    ([(SET_COOKIE, cookie)], Redirect::to(&back(&headers))).into_response()
}

/// Path of the page a form was sent from: never another host.
fn back(headers: &HeaderMap) -> String {
    let referer = headers.get(REFERER).and_then(|v| v.to_str().ok());
    let path = referer
        .and_then(|r| r.strip_prefix("http://"))
        .and_then(|r| r.split_once('/'))
        .map_or("", |(_, path)| path.trim_start_matches(['/', '\\']));
    format!("/{path}")
}
