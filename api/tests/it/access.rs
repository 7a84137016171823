//! `[access]`: tokens open what they say, names that are not the site's are refused.

use crate::support::Fixture;
use axum::body::Body;
use axum::http::{HeaderMap, Request, StatusCode, header};
use loopwitness::access::{Access, May};
use std::sync::Arc;

/// SHA-256 of `abc` and of the empty text: FIPS 180-4's published examples (NIST, "Secure Hash Standard", examples).
const ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
const NOTHING: &str = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";

fn access() -> Access {
    let text = format!(
        "[[token]]\nname = \"planner\"\nsha256 = \"{ABC}\"\nmay = \"change\"\n\
         [[token]]\nname = \"screen\"\nsha256 = \"{NOTHING}\"\nmay = \"read\"\n"
    );
    Access::parse(&text, vec!["witness.plant".into()]).unwrap()
}

fn guarded() -> Fixture {
    let mut f = Fixture::new(true);
    let shared = Arc::get_mut(&mut f.shared).unwrap();
    shared.access = Some(access());
    f
}

async fn ask(
    f: &Fixture,
    method: &str,
    path: &str,
    headers: &[(&str, &str)],
) -> (StatusCode, HeaderMap, String) {
    let mut request = Request::builder().method(method).uri(path);
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    let body = match (method, path) {
        ("POST", "/sign-in") => Body::from("token=abc"),
        _ => Body::empty(),
    };
    let (status, headers, bytes) = f.send(request.body(body).unwrap()).await;
    (
        status,
        headers,
        String::from_utf8_lossy(&bytes).into_owned(),
    )
}

#[test]
fn tokens_are_known_by_their_digest() {
    let a = access();
    assert_eq!(a.who("abc"), Some(("planner", May::Change)));
    assert_eq!(a.who(""), Some(("screen", May::Read)));
    assert_eq!(a.who("abd"), None);
    assert!(a.answers_to("Witness.Plant") && a.answers_to("10.0.0.7") && a.answers_to("::1"));
    assert!(!a.answers_to("elsewhere.example"));
    for (text, why) in [
        ("", "no [[token]]"),
        (
            "[[token]]\nname = \"x\"\nsha256 = \"12\"\nmay = \"read\"\n",
            "64 hexadecimal digits",
        ),
        (
            "[[token]]\nname = \"x\"\nsha256 = \"12\"\nmay = \"all\"\n",
            "all",
        ),
    ] {
        let e = Access::parse(text, vec![]).unwrap_err();
        assert!(e.contains(why), "{e}");
    }
}

#[tokio::test]
async fn a_token_opens_what_it_says() {
    let f = guarded();
    let (status, headers, body) = ask(&f, "GET", "/api/v1/attention", &[]).await;
    assert_eq!(status, StatusCode::UNAUTHORIZED);
    assert!(
        headers[header::WWW_AUTHENTICATE]
            .to_str()
            .unwrap()
            .starts_with("Bearer")
    );
    assert!(body.contains("urn:loopwitness:problem:sign-in") && !body.contains("PT-102"));
    for path in ["/metrics", "/api/openapi.json", "/api/v1/events"] {
        assert_eq!(
            ask(&f, "GET", path, &[]).await.0,
            StatusCode::UNAUTHORIZED,
            "{path}"
        );
    }
    assert_eq!(ask(&f, "GET", "/healthz", &[]).await.0, StatusCode::OK);
    let (status, headers, _) = ask(&f, "GET", "/loop/PT-102", &[]).await;
    assert_eq!(
        (status, &headers[header::LOCATION]),
        (StatusCode::SEE_OTHER, &"/sign-in".parse().unwrap())
    );
    let planner = [
        ("authorization", "Bearer abc"),
        ("content-type", "application/json"),
    ];
    assert_eq!(
        ask(&f, "GET", "/api/v1/attention", &planner).await.0,
        StatusCode::OK
    );
    let screen = [
        ("authorization", "Bearer "),
        ("content-type", "application/json"),
    ];
    assert_eq!(
        ask(&f, "GET", "/api/v1/attention", &screen).await.0,
        StatusCode::OK
    );
    let note = "/api/v1/cases/nothing/note";
    assert_eq!(
        ask(&f, "POST", note, &screen).await.0,
        StatusCode::FORBIDDEN
    );
    // It comes to the handler, which wants a body.
    assert_eq!(
        ask(&f, "POST", note, &planner).await.0,
        StatusCode::BAD_REQUEST
    );
}

#[tokio::test]
async fn people_sign_in_with_a_form_and_out_again() {
    let f = guarded();
    let form = [("content-type", "application/x-www-form-urlencoded")];
    let (status, _, page) = ask(&f, "GET", "/sign-in", &[]).await;
    assert!(status == StatusCode::OK && page.contains("type=\"password\""));
    let (status, headers, _) = ask(&f, "POST", "/sign-in", &form).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    let cookie = headers[header::SET_COOKIE].to_str().unwrap().to_owned();
    for part in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    let kept = cookie.split(';').next().unwrap();
    let (status, _, body) = ask(&f, "GET", "/api/v1/attention", &[("cookie", kept)]).await;
    assert!(status == StatusCode::OK && body.contains("PT-102"));
    let (_, _, page) = ask(&f, "GET", "/sign-in", &[("cookie", kept)]).await;
    assert!(page.contains("Signed in as planner"));
    let (_, headers, _) = ask(&f, "POST", "/sign-out", &[("cookie", kept)]).await;
    assert!(
        headers[header::SET_COOKIE]
            .to_str()
            .unwrap()
            .contains("Max-Age=0")
    );
    let (status, _, _) = ask(&f, "POST", "/sign-out", &[("sec-fetch-site", "cross-site")]).await;
    assert_eq!(status, StatusCode::FORBIDDEN);
}

#[tokio::test]
async fn a_foreign_name_is_refused_with_and_without_tokens() {
    let f = guarded();
    let with = |host: &'static str| [("host", host), ("authorization", "Bearer abc")];
    for (host, wanted) in [
        ("witness.plant:8470", StatusCode::OK),
        ("10.0.0.7:8470", StatusCode::OK),
        ("[::1]:8470", StatusCode::OK),
        ("elsewhere.example", StatusCode::FORBIDDEN),
    ] {
        assert_eq!(
            ask(&f, "GET", "/api/v1/attention", &with(host)).await.0,
            wanted,
            "{host}"
        );
    }
    let open = Fixture::new(true);
    let status = ask(
        &open,
        "GET",
        "/api/v1/attention",
        &[("host", "10.0.0.7:8470")],
    )
    .await
    .0;
    assert_eq!(status, StatusCode::FORBIDDEN);
}
