//! The page: files of `dashboards/web/dist` inside the binary, with a strict content policy.
//!
//! Addresses that name no file get `index.html`, since the page routes on its own.

use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};

#[derive(rust_embed::RustEmbed)]
#[folder = "../dashboards/web/dist"]
struct Dist;

/// Nothing from elsewhere, no inline script, not in a frame.
pub(crate) const CONTENT_POLICY: &str = "default-src 'self'; base-uri 'none'; object-src 'none'; form-action 'self'; frame-ancestors 'none'";

const NOT_BUILT: &str = "The page was not built into this binary; run `make demo` (or `make web`, then build again). The API is at /api/v1/attention.\n";

/// Addresses of the page's style sheets, for what the service writes itself.
pub(crate) fn style_sheets() -> impl Iterator<Item = String> {
    Dist::iter()
        .filter(|name| name.starts_with("assets/") && name.ends_with(".css"))
        .map(|name| format!("/{name}"))
}

/// Answers any address that is not the API's.
pub(crate) async fn page(uri: Uri, request: HeaderMap) -> Response {
    let path = percent_encoding::percent_decode_str(uri.path()).decode_utf8_lossy();
    let name = path.trim_start_matches('/');
    if let Some(file) = Dist::get(name).filter(|_| !name.is_empty()) {
        return serve(name, file, &request);
    }
    // A missing script or style is a 404: answering it with the index would only hide the mistake.
    if name.starts_with("assets/") {
        return crate::http::problem::Problem::not_found().into_response();
    }
    match Dist::get("index.html") {
        Some(file) => serve("index.html", file, &request),
        None => (
            StatusCode::OK,
            [(header::CONTENT_TYPE, "text/plain; charset=utf-8")],
            NOT_BUILT,
        )
            .into_response(),
    }
}

fn serve(name: &str, file: rust_embed::EmbeddedFile, request: &HeaderMap) -> Response {
    let etag: String = std::iter::once('"')
        .chain(
            file.metadata
                .sha256_hash()
                .iter()
                .take(12)
                .flat_map(|b| format!("{b:02x}").chars().collect::<Vec<_>>()),
        )
        .chain(std::iter::once('"'))
        .collect();
    let hashed = name.starts_with("assets/");
    let cache = if hashed {
        "public, max-age=31536000, immutable"
    } else {
        "no-cache"
    };
    let unchanged = request
        .get(header::IF_NONE_MATCH)
        .and_then(|v| v.to_str().ok())
        .is_some_and(|v| v == etag);
    let mut response = if unchanged {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        let mime = mime_guess::from_path(name).first_or_octet_stream();
        let mime = if mime.type_() == mime_guess::mime::TEXT {
            format!("{mime}; charset=utf-8")
        } else {
            mime.to_string()
        };
        let mut r = file.data.into_owned().into_response();
        if let Ok(v) = HeaderValue::from_str(&mime) {
            r.headers_mut().insert(header::CONTENT_TYPE, v);
        }
        r
    };
    let headers = response.headers_mut();
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static(cache));
    if let Ok(v) = HeaderValue::from_str(&etag) {
        headers.insert(header::ETAG, v);
    }
    response
}
