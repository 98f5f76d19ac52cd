//! The jobs the front door queues, as the worker knows them.

use ripieno_store::NewJob;
use serde_json::json;

/// Lays a take on the grid.
pub(crate) fn conform(take_id: &str) -> NewJob {
    job("conform_take", "take_id", take_id)
}

/// Makes a render.
pub(crate) fn render(render_id: &str) -> NewJob {
    job("render_mix", "render_id", render_id)
}

/// Writes a piece's guide pack.
pub(crate) fn pack(piece_id: &str) -> NewJob {
    job("write_pack", "piece_id", piece_id)
}

fn job(kind: &str, field: &str, subject: &str) -> NewJob {
    NewJob {
        kind: kind.to_owned(),
        subject: subject.to_owned(),
        payload: json!({ "kind": kind, field: subject }),
        max_attempts: 3,
        run_after_us: 0,
    }
}
