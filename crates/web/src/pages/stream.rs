//! The stream of the bench: one small event for each glance.

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::Stream;
use futures_util::stream::unfold;
use tokio::time::{Interval, MissedTickBehavior, interval};

use crate::page::Visitor;
use crate::problem::Problem;
use crate::state::Web;

/// Time between two glances: about as fast as an eye follows numbers and needles.
const EVERY: Duration = Duration::from_millis(66);

/// Sends the bench as it stands, until the device is forgotten or closes the page.
pub(crate) async fn bench_stream(
    State(web): State<Web>,
    visitor: Visitor,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let session = visitor.session.ok_or(Problem::Unpaired)?;
    let mut ticks = interval(EVERY);
    // A slow device sees the newest glance, not all it missed.
    ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
    let events = unfold((web, session.csrf, ticks), |(web, csrf, ticks)| async {
        let (event, ticks) = next(&web, &csrf, ticks).await?;
        Some((Ok(event), (web, csrf, ticks)))
    });
    Ok(Sse::new(events).keep_alive(KeepAlive::default()))
}

async fn next(web: &Web, csrf: &str, mut ticks: Interval) -> Option<(Event, Interval)> {
    loop {
        ticks.tick().await;
        if !web.sessions().knows(csrf) {
            return None;
        }
        // Somebody operates the bench: the next glance shows what that did.
        let Some(glance) = web.glance() else {
            continue;
        };
        let Ok(json) = serde_json::to_string(&glance) else {
            continue;
        };
        return Some((Event::default().event("glance").data(json), ticks));
    }
}
