//! What goes with the sound: report, manifest, checksums.

use super::files::{bar_1_time_reference, write_text};
use super::report_page::page;
use super::{OutputFile, RenderError, RenderKind, RenderReport, RenderRequest};
use ripieno_engine::plot::Plot;
use serde_json::json;

/// The version of the engine a render was made by.
pub(super) const ENGINE_VERSION: &str = env!("CARGO_PKG_VERSION");

/// Writes `report.json`, `report.html` of a final, `manifest.json` and `checksums.txt`, in that order; the last one's being
/// there tells that the render is whole.
pub(super) fn write_papers(
    request: &RenderRequest<'_>,
    report: &RenderReport,
    plot: &Plot,
) -> Result<(), RenderError> {
    let dir = &request.out_dir;
    let mut files = report.files.clone();
    let text = |value: &serde_json::Value| format!("{value:#}\n");
    let account =
        serde_json::to_value(report).map_err(|error| RenderError::Impossible(error.to_string()))?;
    files.push(write_text(dir, "report.json", "application/json", &text(&account))?);
    if request.kind == RenderKind::Final {
        files.push(write_text(dir, "report.html", "text/html", &page(report, plot))?);
    }
    let manifest = text(&manifest(request, report)?);
    files.push(write_text(dir, "manifest.json", "application/json", &manifest)?);
    // The form of `b3sum --tag`, which says what the sums are: taken for another kind's, all of
    // them would seem wrong.
    let sum = |file: &OutputFile| format!("BLAKE3 ({}) = {}\n", file.name, file.blake3);
    let sums: String = files.iter().map(sum).collect();
    write_text(dir, "checksums.txt", "text/plain", &sums)?;
    Ok(())
}

/// All the render was made of: with the same stems and documents it can be made again. What the
/// takes' forms say of them decided their groups and places, which stand here in its stead: a form
/// is not everybody's to read.
fn manifest(
    request: &RenderRequest<'_>,
    report: &RenderReport,
) -> Result<serde_json::Value, RenderError> {
    let impulse = match &request.impulse {
        Some(path) => {
            let bytes = std::fs::read(path).map_err(|source| RenderError::io(path, source))?;
            Some(blake3::hash(&bytes).to_hex().to_string())
        }
        None => None,
    };
    let heard = report.heard();
    Ok(json!({
        "piece": request.piece.without_addresses().to_json(),
        "arrangement": request.arrangement.to_json(),
        "arrangement_version": request.arrangement_version,
        "engine_version": ENGINE_VERSION,
        "kind": request.kind,
        "sections": request.sections,
        "groups": request.groups,
        "spotlight": request.spotlight.as_ref().map(|spotlight| {
            json!({ "take_id": spotlight.take_id, "gain_db": spotlight.gain_db })
        }),
        "tone": request.tone,
        "room_impulse_blake3": impulse,
        "sample_rate_hz": report.sample_rate_hz,
        "first_sample": report.first_sample,
        "bar1_beat1_time_reference_samples": bar_1_time_reference(report.sample_rate_hz),
        "stems": report.stems.iter().map(|stem| {
            json!({
                "take_id": stem.take_id,
                "content_hash": stem.content_hash,
                "group": stem.group,
                "trim_db": stem.trim_db,
                "pan": stem.pan,
                "mute": stem.mute,
                "heard": heard.contains(stem.take_id.as_str()),
            })
        }).collect::<Vec<_>>(),
        "files": report.files,
    }))
}
