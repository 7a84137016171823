//! How long a reading waits until it is in a published result, while the program runs.
//!
//! A result says up to when it counts (`to`). A reading of an instant between the `to` of two results is in the second:
//! so its wait is the second's appearance less that instant. Readings come evenly, so the waits of all instants of the run
//! are those of all readings.

use crate::world::clock;
use ingest_model::UtcMicros;
use std::io::{BufRead, BufReader, ErrorKind, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

/// Instants that are looked at.
const STEP_US: i64 = 50_000;

/// Watches the results of a service until it is asked for what it saw.
pub(crate) struct Fresh {
    stop: Arc<AtomicBool>,
    /// When a result appeared, and up to when it counts; microseconds.
    watch: JoinHandle<Vec<(i64, i64)>>,
}

impl Fresh {
    pub(crate) fn watch(address: SocketAddr) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = stop.clone();
        let watch = std::thread::spawn(move || {
            let mut seen: Vec<(i64, i64)> = Vec::new();
            while !stopped.load(Ordering::Relaxed) {
                // A stream that ended, or is not there yet, is asked for again.
                if listen(address, &stopped, &mut seen).is_err() {
                    std::thread::sleep(Duration::from_millis(50));
                }
            }
            seen
        });
        Self { stop, watch }
    }

    /// Waits of the readings after the first twenty seconds, in seconds, in order; and how many results there were.
    pub(crate) fn waits(self) -> (Vec<f64>, usize) {
        self.stop.store(true, Ordering::Relaxed);
        let seen = self.watch.join().unwrap_or_default();
        let begin = seen.first().map_or(0, |s| s.0) + 20_000_000;
        let mut waits = Vec::new();
        for pair in seen.windows(2) {
            let [(_, from), (appeared, to)] = pair else {
                continue;
            };
            if *from < begin {
                continue;
            }
            let mut at = from + STEP_US;
            while at <= *to {
                waits.push((appeared - at) as f64 / 1e6);
                at += STEP_US;
            }
        }
        waits.sort_by(f64::total_cmp);
        (waits, seen.len())
    }
}

/// Notes the results that the service's event stream tells of: asking again and again would itself be work for it.
fn listen(
    address: SocketAddr,
    stopped: &AtomicBool,
    seen: &mut Vec<(i64, i64)>,
) -> std::io::Result<()> {
    let mut stream = TcpStream::connect(address)?;
    stream.set_read_timeout(Some(Duration::from_secs(1)))?;
    stream
        .write_all(format!("GET /api/v1/events HTTP/1.1\r\nHost: {address}\r\n\r\n").as_bytes())?;
    let mut lines = BufReader::new(stream);
    let mut line = Vec::new();
    while !stopped.load(Ordering::Relaxed) {
        match lines.read_until(b'\n', &mut line) {
            Ok(0) => return Err(ErrorKind::UnexpectedEof.into()),
            Ok(_) => {}
            // What there is of a line stays until the rest comes.
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => continue,
            Err(e) => return Err(e),
        }
        let told = line
            .strip_prefix(b"data: ")
            .and_then(|data| serde_json::from_slice::<serde_json::Value>(data).ok());
        let to = told
            .as_ref()
            .and_then(|told| told["to"].as_str())
            .and_then(|t| UtcMicros::parse_rfc3339(t).ok());
        if let Some(to) = to
            && seen.last().is_none_or(|(_, last)| *last < to.0)
        {
            seen.push((clock().0, to.0));
        }
        line.clear();
    }
    Ok(())
}
