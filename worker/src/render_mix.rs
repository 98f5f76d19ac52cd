//! Sums the stems under the arrangement map and masters the result.
//!
//! [`render`] is pure: paths and documents in, files and a [`RenderReport`] out. It knows neither
//! store nor queue; the render job wraps it.

mod account;
mod aligned;
mod bounds_since;
mod bundle;
mod bus;
mod desk;
mod error;
mod files;
mod groups;
mod grow;
mod heard;
mod kept_beds;
mod levels;
mod limited;
mod lists;
mod master;
mod mastered;
mod measures;
mod papers;
mod progress;
mod report;
mod report_page;
mod request;
mod sealed;
mod shares;
mod spool;
mod stretch;
mod tones;

pub use bundle::write_bundle;
pub use desk::MixTone;
pub use error::RenderError;
pub(crate) use files::time_reference;
pub use progress::{Progress, Stage};
pub use report::{BedCount, GroupReport, OutputFile, RenderReport, SectionReport, StemReport};
pub use request::{Outputs, RenderKind, RenderRequest, Spotlight, StemEntry};

use crate::plan::{Plan, plan};
use kept_beds::Beds;
use progress::Way;
use ripieno_engine::bed::{BedError, Shelf};
use ripieno_engine::plot::Plot;
use ripieno_engine::stem::StemFile;
use std::path::PathBuf;
use std::sync::Mutex;

/// Makes a render: plan, beds, curves, sum, master, files.
///
/// `progress` is told how far it is, from any thread, one call at a time.
///
/// # Errors
/// [`RenderError`], each a sentence; then no file of this render is shown half-made.
pub fn render(
    request: &RenderRequest<'_>,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<RenderReport, RenderError> {
    let told = Mutex::new(-1.0);
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(request.threads)
        .build()
        .map_err(|error| RenderError::Impossible(error.to_string()))?;
    pool.install(|| match render_here(request, progress, &told) {
        // A sum turned out damaged only when the files were written: none is relied on any more.
        Err(RenderError::Bed(BedError::Kept { .. })) => {
            kept_beds::forget_sums(request);
            render_here(request, progress, &told)
        }
        done => done,
    })
}

fn render_here(
    request: &RenderRequest<'_>,
    progress: &(dyn Fn(Progress) + Sync),
    told: &Mutex<f32>,
) -> Result<RenderReport, RenderError> {
    let mut plan = plan(request)?;
    let way = Way::of(request, &plan, progress, told);
    way.at(Stage::Levels, 0.0);
    std::fs::create_dir_all(&request.out_dir)
        .map_err(|source| RenderError::io(&request.out_dir, source))?;
    let beds = Beds::of(request)?;
    let former = open_former(&request.former_stems);
    let levels = levels::measure(request, &plan, &beds, &shelf(&plan, &former), &way)?;
    plan.set_levels(&levels.lufs);
    let shelf = shelf(&plan, &former);
    let mut sum = bus::sum(request, &plan, &beds, shelf, levels.refreshed, &way)?;
    let (piece, rate_hz) = (request.piece, request.piece.sample_rate_hz);
    let master = master::master(&sum, rate_hz, &piece.delivery, &request.out_dir, &way)?;
    let master = account::heard(&plan, master, rate_hz)?;
    way.at(Stage::Master, 1.0);
    let plot = || match request.kind {
        RenderKind::Final => account::plot(&master, rate_hz),
        RenderKind::Preview => Ok(Plot::default()),
    };
    let mix = || files::write_mix(request, &plan, &master.mix, &master.loudness, &way);
    let (plot, files) = rayon::join(plot, mix);
    let mut files = files?;
    files.append(&mut sum.files);
    let heard = heard::takes(request, &plan);
    files.extend(aligned::write_stems(request, &plan, &heard, &way)?);
    let lists = lists::write_lists(request, &plan, &heard, &files)?;
    files.extend(lists);
    let report = account::report(request, &plan, sum, master, files);
    papers::write_papers(request, &report, &plot?)?;
    kept_beds::tidy(request);
    way.over();
    Ok(report)
}

/// Stems that may have to be taken out; those that are gone are left to the beds to deal with.
fn open_former(paths: &[PathBuf]) -> Vec<StemFile> {
    paths.iter().filter_map(|path| StemFile::open(path).ok()).collect()
}

fn shelf<'a>(plan: &'a Plan, former: &'a [StemFile]) -> Shelf<'a> {
    let planned = plan.groups.iter().flat_map(|group| &group.stems).map(|stem| &stem.file);
    Shelf::of(planned.chain(former))
}

#[cfg(test)]
mod tests;
