//! `ripieno openapi`: the description of the HTTP interface.

use super::{Failure, say};

/// Prints the OpenAPI 3.1 document that the server gives at `/api/v1/openapi.json`.
///
/// # Errors
/// None in practice; the document is made of constants.
pub fn run() -> Result<(), Failure> {
    let text = crate::http::openapi().to_pretty_json().map_err(Failure::job)?;
    say(&text);
    Ok(())
}
