//! What every change by a person shares: who says so and why, texts of one line, and how a refusal of the store reads.

use super::extract::time_of;
use super::problem::Problem;
use super::{App, blocking};
use crate::state::Shared;
use ingest_model::UtcMicros;
use ingest_store::{Author, Store, StoreError};
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::Arc;
use utoipa::openapi::{RefOr, Response};

pub(super) const NAME_CHARACTERS: usize = 100;
pub(super) const WHY_CHARACTERS: usize = 500;

/// How a change of a loop is refused, as the OpenAPI document says it.
pub(super) struct Refusals;

impl utoipa::IntoResponses for Refusals {
    fn responses() -> BTreeMap<String, RefOr<Response>> {
        [
            (
                "400",
                "no JSON, or a parameter that this address does not have",
            ),
            ("404", "no such loop"),
            ("413", "larger than 64 KiB"),
            ("415", "not a JSON type"),
            ("422", "a value that cannot be used, named"),
        ]
        .into_iter()
        .map(|(status, why)| (status.to_owned(), super::document::problem(why)))
        .collect()
    }
}

/// Text from a person: trimmed, not empty, one line.
pub(super) fn text_of(name: &str, text: &str, most: usize) -> Result<String, Problem> {
    let text = text.trim();
    let count = text.chars().count();
    if count == 0 || count > most || text.chars().any(char::is_control) {
        return Err(Problem::unprocessable(format!(
            "{name}: must be 1 to {most} characters in one line"
        )));
    }
    Ok(text.to_owned())
}

/// Who and why, both needed.
pub(super) fn author(by: Option<&str>, why: Option<&str>) -> Result<Author, Problem> {
    let needed = |name: &str, what: &str, text: Option<&str>, most| match text {
        Some(text) => text_of(name, text, most),
        None => Err(Problem::unprocessable(format!("{name}: say {what}"))),
    };
    Ok(Author {
        by: needed("by", "who changes it", by, NAME_CHARACTERS)?,
        why: needed("why", "why", why, WHY_CHARACTERS)?,
    })
}

/// [`author`] of a body that is read key by key.
pub(super) fn author_of(by: Option<&Value>, why: Option<&Value>) -> Result<Author, Problem> {
    author(by.and_then(Value::as_str), why.and_then(Value::as_str))
}

/// A time in a body.
pub(super) fn body_time(name: &str, text: Option<&str>) -> Result<Option<UtcMicros>, Problem> {
    time_of(name, text).map_err(|p| Problem::unprocessable(p.detail))
}

/// Why the store did not take a change.
pub(super) fn kept(e: StoreError) -> Problem {
    match e {
        StoreError::Io { .. } | StoreError::Database { .. } => {
            Problem::internal("the change could not be kept", &e)
        }
        StoreError::Stale => Problem::conflict(e.to_string()),
        told => Problem::unprocessable(told.to_string()),
    }
}

/// Runs a change of the store where waiting for the disk holds nobody up.
pub(super) async fn change<T: Send + 'static>(
    app: App,
    work: impl FnOnce(&Arc<Shared>, &Store, UtcMicros) -> Result<T, Problem> + Send + 'static,
) -> Result<T, Problem> {
    let shared = app.0;
    blocking(move || {
        let store = shared
            .store()
            .ok_or_else(|| Problem::unavailable("the service is stopping", 5))?;
        work(&shared, &store, crate::clock::now())
    })
    .await
}

/// A tag of the register as it is now, or 404.
pub(super) fn tag_now(shared: &Shared, text: &str) -> Result<ingest_model::Tag, Problem> {
    let read = |e| Problem::internal("the store could not be read", &e);
    super::known_tag(&shared.reader.snapshot().map_err(read)?, text)
}
