//! Long answers written piece by piece: memory stays bounded however long the answer and however slow its reader.

use super::problem::Problem;
use axum::body::{Body, Bytes};
use std::io::{self, Write};
use std::time::Duration;
use tokio::runtime::Handle;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;

const PIECE: usize = 64 * 1024;
/// Pieces under way to the client.
const AHEAD: usize = 4;
/// A reader that takes nothing for this long is given up: it holds one of few places.
const STALLED: Duration = Duration::from_secs(30);

/// A body that `write` fills from a thread that may block. What `write` owns is held until the last piece is taken.
pub(super) fn body(write: impl FnOnce(&mut dyn Write) -> io::Result<()> + Send + 'static) -> Body {
    let (pieces, taken) = mpsc::channel(AHEAD);
    let runtime = Handle::current();
    tokio::task::spawn_blocking(move || {
        let mut out = Pieces {
            pieces,
            runtime,
            held: Vec::with_capacity(PIECE),
        };
        // The status is sent already: an answer that ends early shows as a broken connection.
        if let Err(e) = write(&mut out).and_then(|()| out.flush()) {
            tracing::debug!("an answer was not taken to its end: {e}");
            let _gone = out.pieces.try_send(Err(e));
        }
    });
    Body::from_stream(ReceiverStream::new(taken))
}

/// The same, all at once.
pub(super) fn whole(write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<Body, Problem> {
    let mut out = Vec::new();
    write(&mut out).map_err(|e| Problem::internal("the answer could not be written", &e))?;
    Ok(Body::from(out))
}

struct Pieces {
    pieces: mpsc::Sender<io::Result<Bytes>>,
    runtime: Handle,
    held: Vec<u8>,
}

impl Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.held.extend_from_slice(bytes);
        if self.held.len() >= PIECE {
            self.flush()?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.held.is_empty() {
            return Ok(());
        }
        let piece = std::mem::replace(&mut self.held, Vec::with_capacity(PIECE));
        let sent = self.runtime.block_on(tokio::time::timeout(
            STALLED,
            self.pieces.send(Ok(Bytes::from(piece))),
        ));
        match sent {
            Ok(Ok(())) => Ok(()),
            Ok(Err(_)) => Err(io::ErrorKind::BrokenPipe.into()),
            Err(_) => Err(io::ErrorKind::TimedOut.into()),
        }
    }
}
