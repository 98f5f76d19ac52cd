//! The problems that operations may answer with, by name, for the tables of responses in the
//! description of the interface.

use std::collections::BTreeMap;

use axum::http::StatusCode;
use utoipa::IntoResponses;
use utoipa::openapi::{ContentBuilder, Ref, RefOr, Response, ResponseBuilder};

use super::problem::PROBLEM_JSON;

macro_rules! described {
    ($($(#[$doc:meta])* $name:ident = $status:literal,)+) => {$(
        $(#[$doc])*
        pub struct $name;

        impl IntoResponses for $name {
            fn responses() -> BTreeMap<String, RefOr<Response>> {
                BTreeMap::from([($status.to_string(), RefOr::T(problem($status)))])
            }
        }
    )+};
}

described! {
    /// The request cannot be understood.
    BadRequest = 400,
    /// The organiser's token is needed.
    NotSignedIn = 401,
    /// Understood, and not allowed.
    Forbidden = 403,
    /// Nothing of that name.
    NotFound = 404,
    /// It clashes with what is there now.
    Conflict = 409,
    /// It was there and has been taken away.
    Gone = 410,
    /// It has changed since it was read, or another version of a protocol is spoken.
    PreconditionFailed = 412,
    /// Too large.
    TooLarge = 413,
    /// A kind of content that is not taken here.
    WrongType = 415,
    /// Understood, with mistakes in it.
    Mistaken = 422,
    /// Somebody is writing it at this moment.
    Locked = 423,
    /// `If-Match` is missing.
    NameTheVersion = 428,
    /// Too often from one address.
    TooOften = 429,
    /// The bytes do not have their checksum (tus 1.0.0).
    WrongChecksum = 460,
    /// Not ready yet.
    NotYet = 503,
    /// The disk is full.
    NoRoom = 507,
}

fn problem(status: u16) -> Response {
    let reason = StatusCode::from_u16(status).ok().and_then(|s| s.canonical_reason());
    let body = ContentBuilder::new().schema(Some(Ref::from_schema_name("ProblemBody"))).build();
    ResponseBuilder::new()
        .description(reason.unwrap_or("Checksum mismatch"))
        .content(PROBLEM_JSON, body)
        .build()
}
