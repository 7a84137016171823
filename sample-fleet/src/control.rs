//! The control port of the demo: `POST /break?tag=..&fault=..`, `POST /mend?tag=..`, `GET /faults`. Loopback only.
//!
//! It changes the simulation and nothing else: no device of a real plant can be reached through it.

use crate::devices::LiveFleet;
use ingest_model::UtcMicros;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::CancellationToken;

/// Longest request head taken, bytes; a body is not read.
const LONGEST_HEAD: usize = 4_096;
const PATIENCE: Duration = Duration::from_secs(5);

/// Serves until `shutdown`.
pub(crate) async fn serve(
    listener: TcpListener,
    fleet: Arc<LiveFleet>,
    clock: fn() -> UtcMicros,
    shutdown: CancellationToken,
) {
    loop {
        let stream = tokio::select! {
            () = shutdown.cancelled() => return,
            accepted = listener.accept() => match accepted {
                Ok((stream, _)) => stream,
                Err(e) => {
                    tracing::warn!(error = %e, "control port: cannot accept");
                    tokio::time::sleep(Duration::from_millis(100)).await;
                    continue;
                }
            },
        };
        let fleet = Arc::clone(&fleet);
        tokio::spawn(async move {
            if tokio::time::timeout(PATIENCE, talk(stream, &fleet, clock))
                .await
                .is_err()
            {
                tracing::debug!("control port: client too slow");
            }
        });
    }
}

async fn talk(mut stream: TcpStream, fleet: &LiveFleet, clock: fn() -> UtcMicros) {
    let mut head = Vec::new();
    let mut part = [0_u8; 1_024];
    while !head.windows(4).any(|w| w == b"\r\n\r\n") {
        match stream.read(&mut part).await {
            Ok(n) if n > 0 && head.len() + n <= LONGEST_HEAD => {
                head.extend(part.iter().take(n));
            }
            _ => return,
        }
    }
    let head = String::from_utf8_lossy(&head);
    let (status, body) = answer(head.lines().next().unwrap_or(""), fleet, clock());
    let text = format!(
        "HTTP/1.1 {status}\r\ncontent-type: application/json\r\ncontent-length: {}\r\nconnection: close\r\n\r\n{body}",
        body.len()
    );
    // A client that left needs no answer.
    let _ = stream.write_all(text.as_bytes()).await;
    let _ = stream.shutdown().await;
}

/// Status line and JSON body for a request line.
fn answer(request: &str, fleet: &LiveFleet, now: UtcMicros) -> (&'static str, String) {
    let mut words = request.split(' ');
    let (method, target) = (words.next().unwrap_or(""), words.next().unwrap_or(""));
    let (path, query) = target.split_once('?').unwrap_or((target, ""));
    let value = |name: &str| {
        let pairs = query.split('&').filter_map(|p| p.split_once('='));
        pairs
            .filter(|(k, _)| *k == name)
            .map(|(_, v)| percent_decoded(v))
            .next()
            .unwrap_or_default()
    };
    let done = match (method, path) {
        ("GET", "/faults") => {
            return (
                "200 OK",
                serde_json::json!({ "faults": fleet.list(now) }).to_string(),
            );
        }
        ("POST", "/break") => fleet.break_loop(&value("tag"), &value("fault"), now),
        ("POST", "/mend") => fleet.mend(&value("tag"), now),
        _ => {
            let body = serde_json::json!({ "detail": "POST /break, POST /mend or GET /faults" });
            return ("404 Not Found", body.to_string());
        }
    };
    match done {
        Ok(()) => (
            "200 OK",
            serde_json::json!({ "at": now.to_rfc3339() }).to_string(),
        ),
        Err(e) => (
            "400 Bad Request",
            serde_json::json!({ "detail": e.to_string() }).to_string(),
        ),
    }
}

/// `%2F` to `/` and so on (RFC 3986); a broken escape stays as it is.
fn percent_decoded(text: &str) -> String {
    let mut out = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let Some((&b, tail)) = rest.split_first() {
        let hex = tail
            .get(..2)
            .and_then(|h| std::str::from_utf8(h).ok())
            // `from_str_radix` would take a sign.
            .filter(|h| h.bytes().all(|b| b.is_ascii_hexdigit()))
            .and_then(|h| u8::from_str_radix(h, 16).ok());
        match (b, hex) {
            (b'%', Some(byte)) => {
                out.push(byte);
                rest = tail.get(2..).unwrap_or_default();
            }
            _ => {
                out.push(b);
                rest = tail;
            }
        }
    }
    String::from_utf8_lossy(&out).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::FleetOptions;
    use crate::fleet::Fleet;

    #[test]
    fn escapes() {
        assert_eq!(percent_decoded("FT%2F1%20a%C3%BC"), "FT/1 aü");
        assert_eq!(percent_decoded("50%"), "50%");
        assert_eq!(percent_decoded("%+1%zz"), "%+1%zz");
    }

    #[test]
    fn requests() {
        let end = UtcMicros::parse_rfc3339("2026-06-01T00:00:00Z").unwrap();
        let opt = FleetOptions {
            loops: 20,
            days: 1,
            profile: crate::Profile::Healthy,
            ..FleetOptions::new(1, end)
        };
        let fleet = LiveFleet::new(Fleet::build(&opt).unwrap(), Vec::new());
        let tag = {
            use crate::wire::Devices;
            fleet.cards()[0].tag.clone()
        };
        let now = end.plus_s(1.0);
        let (s, b) = answer("GET /faults HTTP/1.1", &fleet, now);
        assert_eq!((s, b.as_str()), ("200 OK", "{\"faults\":[]}"));
        let (s, _) = answer(
            &format!("POST /break?tag={tag}&fault=no-reply HTTP/1.1"),
            &fleet,
            now,
        );
        assert_eq!(s, "200 OK");
        assert!(answer("GET /faults HTTP/1.1", &fleet, now).1.contains(&tag));
        assert_eq!(
            answer(
                &format!("POST /mend?tag={tag} HTTP/1.1"),
                &fleet,
                now.plus_s(5.0)
            )
            .0,
            "200 OK"
        );
        assert_eq!(
            answer("GET /faults HTTP/1.1", &fleet, now.plus_s(6.0)).1,
            "{\"faults\":[]}"
        );
        assert_eq!(
            answer("POST /mend?tag=none HTTP/1.1", &fleet, now).0,
            "400 Bad Request"
        );
        for bad in ["", "GET", "DELETE /faults x", "POST /break"] {
            assert_ne!(answer(bad, &fleet, now).0, "200 OK");
        }
    }
}
