//! What every operation of the OpenAPI document can answer, added in one place: the layers around the handlers.

use utoipa::openapi::path::{Operation, PathItem};
use utoipa::openapi::schema::AnyOfBuilder;
use utoipa::openapi::{Content, OpenApi, Ref, RefOr, Response, ResponseBuilder, Schema};

/// Answers of the layers.
const OF_LAYERS: [(&str, &str); 4] = [
    (
        "403",
        "the Host header is not this machine's, or another page asks",
    ),
    ("408", "the answer took too long"),
    ("500", "the service failed; its log has the cause"),
    (
        "503",
        "too much is asked at once; Retry-After says when to ask again",
    ),
];

pub(super) fn problem(description: &str) -> RefOr<Response> {
    let body = Content::new(Some(Ref::from_schema_name("Problem")));
    let response = ResponseBuilder::new().description(description);
    response
        .content("application/problem+json", body)
        .build()
        .into()
}

fn operations(item: &mut PathItem) -> impl Iterator<Item = &mut Operation> {
    [
        &mut item.get,
        &mut item.put,
        &mut item.post,
        &mut item.delete,
        &mut item.patch,
    ]
    .into_iter()
    .filter_map(Option::as_mut)
}

/// Adds what the layers around every handler can answer, where the handler does not say it itself.
pub(super) fn complete(document: &mut OpenApi) {
    // A whole number is a count and a number as well: not one of, but any of.
    let schemas = document.components.as_mut().map(|c| &mut c.schemas);
    if let Some(evidence) = schemas.and_then(|s| s.get_mut("Evidence"))
        && let RefOr::T(Schema::OneOf(one)) = evidence
    {
        let forms = std::mem::take(&mut one.items).into_iter();
        let any = forms.fold(AnyOfBuilder::new(), AnyOfBuilder::item);
        *evidence = any.description(one.description.take()).into();
    }
    for item in document.paths.paths.values_mut() {
        for operation in operations(item) {
            for (status, description) in OF_LAYERS {
                operation
                    .responses
                    .responses
                    .entry(status.to_owned())
                    .or_insert_with(|| problem(description));
            }
        }
    }
}
