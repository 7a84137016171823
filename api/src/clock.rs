//! The wall clock: asked only here, at the edge; everything below takes the time as a parameter.

use ingest_model::UtcMicros;

/// Now, UTC.
pub fn now() -> UtcMicros {
    UtcMicros(chrono::Utc::now().timestamp_micros())
}
