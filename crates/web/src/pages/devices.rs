//! Paired devices, and pairing one more from a paired one.

use askama::Template;
use axum::extract::State;
use axum::response::{Redirect, Response};

use crate::page::{Place, Shell, Visitor, shown};
use crate::posted::Posted;
use crate::qr::qr_path;
use crate::state::Web;

#[derive(Debug, Template)]
#[template(path = "devices.html")]
struct DevicesPage {
    s: Shell,
    count: String,
    code: String,
    address: String,
    qr: Option<(String, usize)>,
}

pub(crate) async fn devices(State(web): State<Web>, visitor: Visitor) -> Response {
    shown(&DevicesPage {
        s: visitor.shell(Place::Devices),
        count: web.sessions().count().to_string(),
        code: web.pairing_code(),
        address: web.address().to_owned(),
        qr: qr_path(&web.pairing_address()),
    })
}

/// Forgets this device.
pub(crate) async fn leave(State(web): State<Web>, visitor: Visitor, _form: Posted) -> Redirect {
    if let Some(session) = &visitor.session {
        web.sessions().forget(session);
    }
    web.keep_devices().await;
    Redirect::to("/pair")
}
