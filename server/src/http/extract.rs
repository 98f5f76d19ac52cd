//! axum's extractors, with refusals as problem documents. They keep axum's names, by which the
//! description of the interface recognises them.

use axum::extract::rejection::{JsonRejection, PathRejection, QueryRejection};
use axum::extract::{FromRequest, FromRequestParts};
use axum::response::{IntoResponse, Response};
use ripieno_score::{Mistake, Mistakes};
use serde::Serialize;

use super::problem::Problem;

/// Parts of the address.
#[derive(FromRequestParts)]
#[from_request(via(axum::extract::Path), rejection(Problem))]
pub struct Path<T>(pub T);

/// What stands behind the question mark.
#[derive(FromRequestParts)]
#[from_request(via(axum::extract::Query), rejection(Problem))]
pub struct Query<T>(pub T);

/// A JSON body, of a request or an answer.
#[derive(FromRequest)]
#[from_request(via(axum::Json), rejection(Problem))]
pub struct Json<T>(pub T);

impl<T: Serialize> IntoResponse for Json<T> {
    fn into_response(self) -> Response {
        axum::Json(self.0).into_response()
    }
}

impl From<PathRejection> for Problem {
    fn from(_: PathRejection) -> Self {
        Problem::not_found("There is nothing at this address.")
    }
}

impl From<QueryRejection> for Problem {
    fn from(rejection: QueryRejection) -> Self {
        Problem::bad_request(format!(
            "What stands behind the question mark cannot be used: {}.",
            last_words(&rejection)
        ))
    }
}

impl From<JsonRejection> for Problem {
    fn from(rejection: JsonRejection) -> Self {
        match &rejection {
            JsonRejection::MissingJsonContentType(_) => {
                Problem::wrong_type("Send this as `Content-Type: application/json`.")
            }
            JsonRejection::JsonSyntaxError(e) => {
                Problem::bad_request(format!("This is no JSON: {}.", last_words(e)))
            }
            JsonRejection::JsonDataError(e) => Problem::mistakes(Mistakes(vec![Mistake {
                file: "body".to_owned(),
                line: None,
                column: None,
                pointer: None,
                what: last_words(e),
                instead: "see the description of this address in /api/v1/openapi.json".to_owned(),
            }])),
            _ => match rejection.status().as_u16() {
                413 => Problem::too_large("The JSON is larger than 2 MiB."),
                _ => Problem::bad_request("The body could not be read to its end."),
            },
        }
    }
}

/// The innermost cause: serde's own words about the client's own text.
fn last_words(error: &dyn std::error::Error) -> String {
    let mut last = error;
    while let Some(inner) = last.source() {
        last = inner;
    }
    last.to_string().trim_end_matches('.').to_owned()
}
