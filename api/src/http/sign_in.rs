//! Signing in with a token: a bearer header for programs, a cookie that the form sets for people.

use super::App;
use super::problem::Problem;
use crate::access::May;
use crate::state::Shared;
use axum::Form;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{Html, IntoResponse, Redirect, Response};
use serde::Deserialize;
use std::sync::Arc;
use std::time::Duration;

const COOKIE: &str = "loopwitness";
/// After a wrong token, so that guessing is slow.
const WRONG_TOKEN_COSTS: Duration = Duration::from_secs(1);

/// Lets through what the caller's token opens; without `[access]`, everything.
pub(super) async fn signed_in(
    State(shared): State<Arc<Shared>>,
    request: Request,
    next: Next,
) -> Response {
    let Some(access) = &shared.access else {
        return next.run(request).await;
    };
    let path = request.uri().path();
    // Liveness, the form, and the page's own code tell nothing of the plant.
    let open = ["/healthz", "/readyz", "/sign-in", "/sign-out", "/mark.svg"];
    if open.contains(&path) || path.starts_with("/assets/") {
        return next.run(request).await;
    }
    let may = token_of(request.headers())
        .and_then(|t| access.who(&t))
        .map(|(_, may)| may);
    let reads = matches!(*request.method(), Method::GET | Method::HEAD);
    match may {
        Some(may) if reads || may == May::Change => next.run(request).await,
        Some(_) => Problem::forbidden("this token may read only").into_response(),
        None if reads && !path.starts_with("/api") && path != "/metrics" => {
            Redirect::to("/sign-in").into_response()
        }
        None => {
            let mut answer = Problem::unauthorized().into_response();
            let scheme = HeaderValue::from_static("Bearer realm=\"loopwitness\"");
            answer
                .headers_mut()
                .insert(header::WWW_AUTHENTICATE, scheme);
            answer
        }
    }
}

/// Of the bearer header, else of the cookie.
fn token_of(headers: &HeaderMap) -> Option<String> {
    let text = |name| headers.get(name).and_then(|v| v.to_str().ok());
    if let Some(bearer) = text(header::AUTHORIZATION).and_then(|v| v.strip_prefix("Bearer ")) {
        return Some(bearer.trim().to_owned());
    }
    let packed = text(header::COOKIE)?
        .split(';')
        .find_map(|c| c.trim().strip_prefix(COOKIE)?.strip_prefix('='))?;
    percent_encoding::percent_decode_str(packed)
        .decode_utf8()
        .ok()
        .map(|t| t.into_owned())
}

/// The form, or who is signed in.
pub(super) async fn form(app: App, headers: HeaderMap, request: Request) -> Response {
    let Some(access) = &app.access else {
        return Redirect::to("/").into_response();
    };
    let who = token_of(&headers).and_then(|t| access.who(&t).map(|(n, m)| (n.to_owned(), m)));
    let again = request.uri().query() == Some("again");
    let body = match who {
        Some((name, may)) => format!(
            "<section class=\"lead\"><h1>Signed in as {}.</h1><p class=\"sub\">This token may {}.</p></section>\
             <section class=\"act door\"><p class=\"links\"><a href=\"/\">To the list</a></p>\
             <form method=\"post\" action=\"/sign-out\"><button class=\"do\">Sign out</button></form></section>",
            escaped(&name),
            if may == May::Change {
                "read and change"
            } else {
                "read"
            }
        ),
        None => format!(
            "<section class=\"lead\"><h1>{}</h1><p class=\"sub\">{}</p></section>\
             <section class=\"act door\"><form method=\"post\" action=\"/sign-in\"><label class=\"fld\"><span>Token</span>\
             <input name=\"token\" type=\"password\" autocomplete=\"current-password\" required autofocus{}></label>\
             <button class=\"do\">Sign in</button></form></section>",
            if again {
                "This token is not known here."
            } else {
                "A token opens these sheets."
            },
            "Who looks after this service gives tokens out. This browser keeps it for 30 days, as a cookie that no script reads.",
            if again { " aria-invalid=\"true\"" } else { "" }
        ),
    };
    let styles: String = crate::page::style_sheets()
        .map(|s| format!("<link rel=\"stylesheet\" href=\"{}\">", escaped(&s)))
        .collect();
    Html(format!(
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
         <meta name=\"color-scheme\" content=\"light dark\"><title>Sign in, Loopwitness</title><link rel=\"icon\" href=\"/mark.svg\">{styles}</head>\
         <body><header><div class=\"block\"><div class=\"cells\"><div class=\"c\"><span class=\"word\">Loopwitness</span></div>\
         <div class=\"c\"><b>Site</b>{}</div></div></div></header><main>{body}</main></body></html>",
        escaped(&app.site.name)
    ))
    .into_response()
}

#[derive(Deserialize)]
pub(super) struct TokenForm {
    token: String,
}

/// Sets the cookie.
pub(super) async fn enter(app: App, headers: HeaderMap, Form(form): Form<TokenForm>) -> Response {
    let Some(access) = &app.access else {
        return Redirect::to("/").into_response();
    };
    match access.who(&form.token) {
        Some((name, _)) => {
            tracing::info!("{name} signed in");
            let packed = percent_encoding::utf8_percent_encode(
                &form.token,
                percent_encoding::NON_ALPHANUMERIC,
            );
            with_cookie(&format!("{packed}; Max-Age=2592000"), &headers, "/")
        }
        None => {
            tracing::warn!("somebody tried to sign in with a token that is not known");
            tokio::time::sleep(WRONG_TOKEN_COSTS).await;
            Redirect::to("/sign-in?again").into_response()
        }
    }
}

/// Takes the cookie away.
pub(super) async fn leave(headers: HeaderMap) -> Response {
    with_cookie("; Max-Age=0", &headers, "/sign-in")
}

fn with_cookie(value: &str, headers: &HeaderMap, to: &str) -> Response {
    // A proxy that speaks TLS to the browser says so.
    let secure = headers
        .get("x-forwarded-proto")
        .is_some_and(|v| v == "https");
    let cookie = format!(
        "{COOKIE}={value}; Path=/; HttpOnly; SameSite=Strict{}",
        if secure { "; Secure" } else { "" }
    );
    let mut answer = (StatusCode::SEE_OTHER, [(header::LOCATION, to.to_owned())]).into_response();
    if let Ok(cookie) = HeaderValue::from_str(&cookie) {
        answer.headers_mut().insert(header::SET_COOKIE, cookie);
    }
    answer
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}
