//! Which of several forms of an answer a client wants (RFC 9110, 12.5.1 and 12.5.3).

use axum::http::{HeaderMap, header};

/// The type in `offered` that the `Accept` headers like best; of equals the one named more closely, then the first.
/// `None`: none is acceptable. Without the header anything is.
pub(super) fn choose(headers: &HeaderMap, offered: &[&'static str]) -> Option<&'static str> {
    let mut ranges: Vec<(String, u32)> = Vec::new();
    let mut given = false;
    for value in headers.get_all(header::ACCEPT) {
        given = true;
        let text = String::from_utf8_lossy(value.as_bytes());
        ranges.extend(text.split(',').filter_map(range));
    }
    if !given || ranges.is_empty() {
        return offered.first().copied();
    }
    let mut best: Option<(u32, u8, &'static str)> = None;
    for &kind in offered {
        let liked = ranges
            .iter()
            .filter_map(|(range, q)| Some((closeness(range, kind)?, *q)))
            .max_by_key(|(closeness, _)| *closeness);
        if let Some((closeness, q)) = liked
            && q > 0
            && best.is_none_or(|(bq, bc, _)| (q, closeness) > (bq, bc))
        {
            best = Some((q, closeness, kind));
        }
    }
    best.map(|(_, _, kind)| kind)
}

/// The client takes gzip.
pub(super) fn gzip(headers: &HeaderMap) -> bool {
    headers
        .get_all(header::ACCEPT_ENCODING)
        .iter()
        .any(|value| {
            let text = String::from_utf8_lossy(value.as_bytes());
            text.split(',')
                .filter_map(range)
                .any(|(name, q)| name == "gzip" && q > 0)
        })
}

/// A media range and its quality in thousandths.
fn range(text: &str) -> Option<(String, u32)> {
    let mut pieces = text.split(';').map(str::trim);
    let range = pieces
        .next()
        .filter(|r| !r.is_empty())?
        .to_ascii_lowercase();
    let q = pieces
        .find_map(|p| p.strip_prefix("q=").or_else(|| p.strip_prefix("Q=")))
        .and_then(|q| q.trim().parse::<f64>().ok())
        .unwrap_or(1.0);
    Some((range, (q.clamp(0.0, 1.0) * 1000.0) as u32))
}

fn closeness(range: &str, kind: &str) -> Option<u8> {
    let (family, _) = kind.split_once('/')?;
    match range.split_once('/')? {
        ("*", "*") => Some(0),
        (f, "*") if f == family => Some(1),
        _ if range == kind => Some(2),
        _ => None,
    }
}
