//! Credits, and where every take lies for the film editor.

use super::aligned::stem_name;
use super::files::write_text;
use super::{OutputFile, RenderError, RenderKind, RenderRequest, StemEntry};
use crate::plan::Plan;
use ripieno_score::{FrameRate, OffsetList, TakeOffset, credits};
use std::collections::BTreeSet;

/// Writes `credits.txt`, `credits.csv`, `offsets.csv`, `offsets.otio` and the edit decision lists
/// of a final, of the takes that are `heard` in it and no others. Who did not agree to be named is
/// not named in any of them. `written` is what lies beside them: no list names a stem's file that
/// is not there.
pub(super) fn write_lists(
    request: &RenderRequest<'_>,
    plan: &Plan,
    heard: &BTreeSet<String>,
    written: &[OutputFile],
) -> Result<Vec<OutputFile>, RenderError> {
    if request.kind != RenderKind::Final {
        return Ok(Vec::new());
    }
    let mut entries: Vec<_> =
        request.stems.iter().filter(|entry| heard.contains(&entry.take_id)).collect();
    // Reels are numbered: the numbers are not to depend on how the takes were found.
    entries.sort_by(|a, b| a.take_id.cmp(&b.take_id));
    let mut files = Vec::new();
    let mut write = |name: &str, media_type, text: &str| {
        write_text(&request.out_dir, name, media_type, text).map(|file| files.push(file))
    };
    if entries.iter().any(|entry| entry.form.is_some()) {
        let credits = credits(entries.iter().filter_map(|entry| entry.form.as_ref()));
        write("credits.txt", "text/plain", &credits.to_text(request.piece))?;
        write("credits.csv", "text/csv", &credits.to_csv())?;
    }
    let written: BTreeSet<&str> = written.iter().map(|file| file.name.as_str()).collect();
    let offset = |entry: &&StemEntry| {
        let stem = stem_name(&entry.take_id);
        let stem_file = written.contains(stem.as_str()).then_some(stem);
        Some(TakeOffset { stem_file, ..entry.offset.clone()? })
    };
    let offsets: Vec<TakeOffset> = entries.iter().filter_map(offset).collect();
    if !offsets.is_empty() {
        let list = OffsetList {
            mix_file: "mix.wav".into(),
            mix_first_sample: plan.heard.start,
            mix_end_sample: plan.heard.end,
            ..OffsetList::new(request.piece, FrameRate::FPS_25, offsets)
        };
        write("offsets.csv", "text/csv", &list.to_csv())?;
        write("offsets.otio", "application/json", &format!("{:#}\n", list.to_otio()))?;
        for edl in list.to_edl() {
            write(&edl.name, "text/plain", &edl.text)?;
        }
    }
    Ok(files)
}
