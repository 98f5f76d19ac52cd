//! The same file was sent before.

use crate::finding::{Finding, Severity};

/// The finding for a file whose content hash is already there; `other` names the earlier take
/// in words its contributor knows.
#[must_use]
pub fn same_file(other: &str) -> Finding {
    let says = format!(
        "This is exactly the same file as {other}, which we already have. If you meant to send \
         another take, please choose its file; otherwise there is nothing to do."
    );
    Finding::new("duplicate", Severity::Asks, says)
}
