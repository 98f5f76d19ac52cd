//! Sums the stems under the arrangement map and masters the result.
//!
//! [`render`] is pure: paths and documents in, files and a [`RenderReport`] out. It knows neither
//! store nor queue; the render job wraps it.

mod error;
mod report;
mod request;

pub use error::RenderError;
pub use report::{BedCount, GroupReport, OutputFile, RenderReport, SectionReport, StemReport};
pub use request::{Outputs, RenderKind, RenderRequest, Spotlight, StemEntry};

/// Makes a render: plan, beds, curves, sum, master, files.
///
/// `progress` is told how far it is, 0 to 1, from any thread.
///
/// # Errors
/// [`RenderError`], each a sentence; then no file of this render is shown.
pub fn render(
    request: &RenderRequest<'_>,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<RenderReport, RenderError> {
    progress(0.0);
    if request.stems.is_empty() {
        return Err(RenderError::NoStems);
    }
    Err(RenderError::Impossible("the mixer is not in yet".into()))
}
