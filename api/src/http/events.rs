//! Server-sent events: a new result, new readings, changes of gateways and register. Each says that there is something
//! new, and little more: a client reads it from its address.

use super::App;
use super::extract::{NoQuery, Query};
use super::problem::Problem;
use crate::news::{Item, News};
use crate::state::{GatewayView, Shared};
use axum::http::HeaderMap;
use axum::response::sse::{Event, KeepAlive, Sse};
use std::convert::Infallible;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio_stream::wrappers::BroadcastStream;
use tokio_stream::{Stream, StreamExt};
use tokio_util::sync::CancellationToken;

/// How often readings and gateways are looked at.
const LOOK_EVERY: Duration = Duration::from_secs(2);
/// A comment after so much silence, so that a dead connection shows.
const KEEP_ALIVE: Duration = Duration::from_secs(15);

fn event(news: &News, item: &Item) -> Event {
    Event::default()
        .event(item.kind)
        .id(news.id(item))
        .data(&item.data)
}

/// What is new, as it comes.
///
/// `assessed`: a new result (`id`, `assessed_at`, `to` as the result has it, and `list`, another text when a finding came, went or ended). `readings`: more were accepted (`accepted` since the start, `newest`).
/// `gateways`: a connection, a device count or a failure count changed (as `/api/v1/gateways`, without `modems`). `register`: a person
/// changed the register. A stream begins with the newest of each kind; with `Last-Event-ID`, with the newest of each kind that was missed.
/// Comments keep it alive; it ends with the service.
#[utoipa::path(get, path = "/api/v1/events",
    params(("Last-Event-ID" = Option<String>, Header, description = "id of the last event seen")),
    responses(
    (status = 200, description = "the events", body = String, content_type = "text/event-stream"),
    (status = 400, description = "a parameter that this address does not have", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "too many streams are open", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn events(
    app: App,
    Query(_none): Query<NoQuery>,
    headers: HeaderMap,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let permit = app
        .streams
        .clone()
        .try_acquire_owned()
        .map_err(|_| Problem::unavailable("too many event streams are open", 30))?;
    let last_id = headers.get("last-event-id").and_then(|v| v.to_str().ok());
    let (missed, live) = app.news.listen(last_id);
    let shared = app.0;
    let heard = {
        let shared = shared.clone();
        // A listener too slow for the items kept goes on with the newest of each kind.
        BroadcastStream::new(live).map(move |item| match item {
            Ok(item) => vec![item],
            Err(_lagged) => shared.news.newest(),
        })
    };
    let all = tokio_stream::once(missed).chain(heard);
    let stop = shared.stop.clone();
    let live = Live {
        inner: Box::pin(all),
        waiting: Vec::new(),
        stopped: Box::pin(async move { stop.cancelled().await }),
        _permit: permit,
    };
    let events = live.map(move |item| Ok(event(&shared.news, &item)));
    Ok(Sse::new(events).keep_alive(KeepAlive::new().interval(KEEP_ALIVE)))
}

/// A stream of items that ends when the service stops.
struct Live<S, F> {
    inner: Pin<Box<S>>,
    /// Items at hand, the next one last.
    waiting: Vec<Arc<Item>>,
    stopped: Pin<Box<F>>,
    _permit: tokio::sync::OwnedSemaphorePermit,
}

impl<S: Stream<Item = Vec<Arc<Item>>>, F: Future<Output = ()>> Stream for Live<S, F> {
    type Item = Arc<Item>;

    fn poll_next(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<Option<Arc<Item>>> {
        loop {
            if let Some(item) = self.waiting.pop() {
                return Poll::Ready(Some(item));
            }
            if self.stopped.as_mut().poll(cx).is_ready() {
                return Poll::Ready(None);
            }
            match self.inner.as_mut().poll_next(cx) {
                Poll::Ready(Some(mut items)) => {
                    items.reverse();
                    self.waiting = items;
                }
                Poll::Ready(None) => return Poll::Ready(None),
                Poll::Pending => return Poll::Pending,
            }
        }
    }
}

/// Looks at readings and gateways now and then, and tells what changed.
pub async fn watch(shared: Arc<Shared>, shutdown: CancellationToken) {
    let mut accepted = 0;
    let mut gateways = Vec::new();
    loop {
        let count = shared.metrics.accepted_count();
        if count != accepted {
            accepted = count;
            let newest = shared.newest_time().map(|t| t.to_rfc3339());
            let data = serde_json::json!({ "accepted": count, "newest": newest });
            shared.news.publish("readings", data.to_string());
        }
        let now = shared.gateways();
        if !same(&now, &gateways) {
            gateways = now.into_iter().map(without_modems).collect();
            shared.news.publish("gateways", told(&gateways));
        }
        tokio::select! {
            () = shutdown.cancelled() => return,
            () = tokio::time::sleep(LOOK_EVERY) => {}
        }
    }
}

/// There are thousands of modems in a large site, and what they say is no news.
fn without_modems(mut g: GatewayView) -> GatewayView {
    g.modems = Vec::new();
    g
}

fn told(gateways: &[GatewayView]) -> String {
    let views: Vec<serde_json::Value> = gateways
        .iter()
        .map(|g| {
            let mut view = serde_json::json!(g);
            if let Some(members) = view.as_object_mut() {
                members.remove("modems");
            }
            view
        })
        .collect();
    serde_json::json!({ "gateways": views }).to_string()
}

/// Pace and lateness vary all the time and are no news.
fn same(a: &[GatewayView], b: &[GatewayView]) -> bool {
    let alike = |a: &GatewayView, b: &GatewayView| {
        a.name == b.name
            && a.connected == b.connected
            && a.sessions == b.sessions
            && a.master == b.master
            && a.devices == b.devices
            && a.failures == b.failures
            && a.readings_lost == b.readings_lost
            && a.last_error == b.last_error
    };
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| alike(a, b))
}
