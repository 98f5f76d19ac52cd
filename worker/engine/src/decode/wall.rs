//! The wall between codec libraries and everything else: a panic behind it becomes an error.

use std::any::Any;
use std::panic::{AssertUnwindSafe, catch_unwind};

use super::DecodeError;

/// Runs `work`, turning a panic into [`DecodeError::Broken`].
///
/// The caller must not use what `work` borrowed once this has returned an error from a panic:
/// its state is unknown. [`super::Stream`] ends for good after any error.
pub(super) fn behind_wall<T>(
    work: impl FnOnce() -> Result<T, DecodeError>,
) -> Result<T, DecodeError> {
    match catch_unwind(AssertUnwindSafe(work)) {
        Ok(result) => result,
        Err(cause) => Err(DecodeError::Broken {
            what: format!("a codec library failed: {}", panic_text(&*cause)),
        }),
    }
}

fn panic_text(cause: &(dyn Any + Send)) -> &str {
    cause
        .downcast_ref::<&str>()
        .copied()
        .or_else(|| cause.downcast_ref::<String>().map(String::as_str))
        .unwrap_or("no text")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_becomes_an_error() {
        let result: Result<(), _> = behind_wall(|| panic!("index {} out of range", 7));
        assert!(matches!(result, Err(DecodeError::Broken { what }) if what.contains("index 7")));
    }
}
