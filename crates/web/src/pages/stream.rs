//! The stream of the bench: one small event for each glance.

use std::convert::Infallible;
use std::sync::Arc;

use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::Stream;
use futures_util::stream::unfold;
use tokio::sync::watch::Receiver;

use crate::glances::{Glance, watch};
use crate::page::Visitor;
use crate::problem::Problem;
use crate::session::Session;
use crate::state::Web;

/// Sends the bench as it stands, until the device is forgotten or closes the page.
pub(crate) async fn bench_stream(
    State(web): State<Web>,
    visitor: Visitor,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let session = visitor.session.ok_or(Problem::Unpaired)?;
    let glances = watch(&web);
    // Asked for the next event only when the last one is on its way: a slow device sees the newest
    // glance, not all it missed.
    let events = unfold(
        (web, session, glances),
        |(web, session, mut glances)| async {
            let event = next(&web, &session, &mut glances).await?;
            Some((Ok(event), (web, session, glances)))
        },
    );
    Ok(Sse::new(events).keep_alive(KeepAlive::default()))
}

async fn next(web: &Web, session: &Session, glances: &mut Receiver<Arc<Glance>>) -> Option<Event> {
    loop {
        glances.changed().await.ok()?;
        if !web.sessions().knows(session) {
            return None;
        }
        let newest = Arc::clone(&glances.borrow_and_update());
        if let Some(text) = newest.text_of_present(web) {
            return Some(Event::default().event("glance").data(text));
        }
    }
}
