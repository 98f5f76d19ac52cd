//! Everything of a render in one archive, made while it is fetched.

use std::io::{self, BufWriter, Write};

use axum::body::Body;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use ripieno_store::RenderFile;
use ripieno_worker::render_mix::write_bundle;
use tokio::runtime::Handle;
use tokio::sync::mpsc::{Sender, channel};

use super::load;
use crate::http::extract::Path;
use crate::http::identity::Organiser;
use crate::http::problem::{Answer, Problem};
use crate::http::{App, AppState, described};

/// Bytes handed to the connection at a time, and how many of those may wait for it.
const PIECE_BYTES: usize = 1 << 18;
const MOST_WAITING: usize = 4;

/// All files of a render in one zip (zip64, stored), made as it is fetched. It has no length
/// known beforehand and cannot be asked for in ranges: fetch files singly for that.
#[utoipa::path(get, path = "/api/v1/renders/{id}/everything.zip", tag = "renders",
    operation_id = "renderBundle",
    security(("organiser" = [])),
    params(("id" = String, Path, description = "The render")),
    responses(
        (status = 200, content_type = "application/zip", body = Vec<u8>),
        described::NotSignedIn, described::NotFound, described::Conflict,
    ))]
pub async fn fetch(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(id): Path<String>,
) -> Answer<Response> {
    let render = load(&app, &id).await?;
    let files = app.store.render_files(&render.id).await?;
    if files.is_empty() {
        return Err(Problem::conflict("This render has no files yet: wait until it is done."));
    }
    // Files are recorded when a render is over, so it has this time.
    let made_at_us = render.finished_at.unwrap_or(render.created_at);
    let (sender, receiver) = channel(MOST_WAITING);
    let runtime = Handle::current();
    tokio::task::spawn_blocking(move || {
        let mut out = BufWriter::with_capacity(PIECE_BYTES, Pieces(sender.clone()));
        let packed = pack(&app, &runtime, &files, made_at_us, &mut out);
        if let Err(error) = packed.and_then(|()| out.flush()) {
            // The connection breaks off, so that nobody takes half an archive for a whole one.
            let _ = sender.blocking_send(Err(error));
        }
    });
    let stream = futures::stream::unfold(receiver, |mut receiver| async move {
        receiver.recv().await.map(|piece| (piece, receiver))
    });
    let name = format!("attachment; filename=\"render-{}.zip\"", render.id);
    let headers =
        [(header::CONTENT_TYPE, "application/zip".to_owned()), (header::CONTENT_DISPOSITION, name)];
    Ok((headers, Body::from_stream(stream)).into_response())
}

fn pack(
    app: &App,
    runtime: &Handle,
    files: &[RenderFile],
    made_at_us: i64,
    out: impl Write,
) -> io::Result<()> {
    let entry = |file: &RenderFile| {
        let kept = runtime.block_on(app.store.blob_file(&file.blob)).map_err(io::Error::other)?;
        Ok((file.name.clone(), std::fs::File::open(kept.path())?))
    };
    write_bundle(files.iter().map(entry), made_at_us, out)
}

/// Sends what is written to the connection; fails when that has gone.
struct Pieces(Sender<io::Result<Bytes>>);

impl Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let piece = Bytes::copy_from_slice(bytes);
        self.0.blocking_send(Ok(piece)).map_err(|_| io::ErrorKind::BrokenPipe)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
