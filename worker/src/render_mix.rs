//! Sums the stems under the arrangement map and masters the result.
//!
//! [`render`] is pure: paths and documents in, files and a [`RenderReport`] out. It knows neither
//! store nor queue; the render job wraps it.

mod account;
mod bus;
mod error;
mod files;
mod master;
mod papers;
mod report;
mod request;
mod spool;

pub use error::RenderError;
pub(crate) use files::time_reference;
pub use report::{BedCount, GroupReport, OutputFile, RenderReport, SectionReport, StemReport};
pub use request::{Outputs, RenderKind, RenderRequest, Spotlight, StemEntry};

use crate::plan::plan;

/// Makes a render: plan, beds, curves, sum, master, files.
///
/// `progress` is told how far it is, 0 to 1, from any thread.
///
/// # Errors
/// [`RenderError`], each a sentence; then no file of this render is shown half-made.
pub fn render(
    request: &RenderRequest<'_>,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<RenderReport, RenderError> {
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(request.threads)
        .build()
        .map_err(|error| RenderError::Impossible(error.to_string()))?;
    pool.install(|| render_here(request, progress))
}

fn render_here(
    request: &RenderRequest<'_>,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<RenderReport, RenderError> {
    progress(0.0);
    let plan = plan(request)?;
    std::fs::create_dir_all(&request.out_dir)
        .map_err(|source| RenderError::io(&request.out_dir, source))?;
    let mut sum = bus::sum(request, &plan, &|done| progress(0.05 + 0.6 * done))?;
    let piece = request.piece;
    let mut master = master::master(
        &mut sum.spool,
        sum.lufs,
        piece.sample_rate_hz,
        &piece.delivery,
        &request.out_dir,
    )?;
    progress(0.8);
    let sections = account::sections(&plan, &mut master.spool, piece.sample_rate_hz)?;
    let files = files::write_mix(request, &plan, &mut master.spool, &master.loudness)?;
    progress(0.95);
    let report = account::report(request, &plan, &sum, master, sections, files);
    papers::write_papers(request, &report)?;
    progress(1.0);
    Ok(report)
}

#[cfg(test)]
mod tests;
