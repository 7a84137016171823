//! Server-sent events: one `assessed` a new result. A client reads the result itself from its address.

use super::App;
use crate::state::Current;
use axum::response::sse::{Event, KeepAlive, Sse};
use std::convert::Infallible;
use std::sync::Arc;
use tokio_stream::{Stream, StreamExt, wrappers::BroadcastStream};

fn event(current: &Current) -> Event {
    let data =
        serde_json::json!({ "id": current.id, "assessed_at": current.assessed_at.to_rfc3339() });
    Event::default()
        .event("assessed")
        .id(current.id.to_string())
        .data(data.to_string())
}

/// Begins with the newest result, whatever `Last-Event-ID` says: each event stands for the whole state, so
/// none is missed by skipping.
pub(super) async fn events(app: App) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let news = BroadcastStream::new(app.events.subscribe());
    let first = tokio_stream::iter(app.current());
    // Lagging behind loses only results that are old by now.
    let all = first.chain(news.filter_map(|n: Result<Arc<Current>, _>| n.ok()));
    let stop = app.stop.clone();
    let live = Live {
        inner: Box::pin(all),
        stopped: Box::pin(async move { stop.cancelled().await }),
    };
    Sse::new(live.map(|c| Ok(event(&c)))).keep_alive(KeepAlive::default())
}

/// A stream that ends when the service stops.
struct Live<S, F> {
    inner: std::pin::Pin<Box<S>>,
    stopped: std::pin::Pin<Box<F>>,
}

impl<S: Stream, F: Future<Output = ()>> Stream for Live<S, F> {
    type Item = S::Item;

    fn poll_next(
        mut self: std::pin::Pin<&mut Self>,
        cx: &mut std::task::Context<'_>,
    ) -> std::task::Poll<Option<S::Item>> {
        if self.stopped.as_mut().poll(cx).is_ready() {
            return std::task::Poll::Ready(None);
        }
        self.inner.as_mut().poll_next(cx)
    }
}
