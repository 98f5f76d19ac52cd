//! `Upload-Metadata`: keys, each with a Base64 value, joined by commas.

use std::collections::BTreeMap;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;

use crate::http::problem::{Answer, Problem};

/// Reads the header.
///
/// # Errors
/// 400 for a key that is empty or comes twice, or a value that is no Base64 of UTF-8.
pub(super) fn read(header: &str) -> Answer<BTreeMap<String, String>> {
    let mut pairs = BTreeMap::new();
    for pair in header.split(',').map(str::trim).filter(|pair| !pair.is_empty()) {
        let (key, value) = pair.split_once(' ').unwrap_or((pair, ""));
        let decoded = STANDARD.decode(value.trim()).ok().and_then(|b| String::from_utf8(b).ok());
        let Some(decoded) = decoded else {
            return Err(Problem::bad_request(format!(
                "The value of {key:?} in `Upload-Metadata` is no UTF-8 text in Base64."
            )));
        };
        if pairs.insert(key.to_owned(), decoded).is_some() {
            return Err(Problem::bad_request(format!(
                "The key {key:?} comes twice in `Upload-Metadata`."
            )));
        }
    }
    Ok(pairs)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_example_of_the_protocol() {
        let read = read("filename d29ybGRfZG9taW5hdGlvbl9wbGFuLnBkZg==,is_confidential").unwrap();
        assert_eq!(read["filename"], "world_domination_plan.pdf");
        assert_eq!(read["is_confidential"], "");
    }

    #[test]
    fn what_cannot_be_read_is_refused() {
        assert!(read("a !!!").is_err());
        assert!(read("a YQ==,a YQ==").is_err());
        assert!(read("a //79").is_err(), "bytes that are no UTF-8");
        assert!(read("").unwrap().is_empty());
    }
}
