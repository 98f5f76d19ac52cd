//! A form with files, read as it arrives: text fields into memory within a limit, files straight
//! into blobs.

use std::io;
use std::time::Duration;

use axum::body::Body;
use axum::extract::multipart::{Field, MultipartError};
use axum::extract::{FromRequest, Multipart};
use axum::http::{HeaderMap, Request, header};
use bytes::Bytes;
use futures::{Stream, StreamExt};
use ripieno_store::{ErrorKind, StoredBlob};

use super::App;
use super::problem::{Answer, Problem};
use super::takes::kind_of_file::{HEAD, refuse_what_is_no_sound};
use crate::clock::now_us;

/// Bytes that all text fields of a form may have together.
const MAX_TEXT: usize = 256 * 1024;
/// How long the rest of a refused body is read, so that the client gets to see the answer.
const DRAIN: Duration = Duration::from_secs(5);

/// What a form brought.
#[derive(Debug, Default)]
pub struct Sent {
    /// Text fields in order; a name may come more than once.
    pub fields: Vec<(String, String)>,
    /// Files that are kept already.
    pub files: Vec<SentFile>,
}

/// A file of a form, kept as a blob that no record names yet.
#[derive(Clone, Debug)]
pub struct SentFile {
    /// Its name on the sender's device.
    pub file_name: String,
    /// The media type the sender said.
    pub media_type: String,
    /// Its bytes.
    pub blob: StoredBlob,
}

impl Sent {
    /// The first field of that name that is not empty.
    #[must_use]
    pub fn field(&self, name: &str) -> Option<&str> {
        let found = self.fields.iter().find(|(n, v)| n == name && !v.trim().is_empty());
        found.map(|(_, v)| v.trim())
    }

    /// Deletes the files again, after a refusal.
    pub async fn discard(self, app: &App) {
        for file in self.files {
            if let Err(error) = app.store.delete_blob(&file.blob.id).await {
                tracing::warn!(%error, "a refused file stays until the sweep");
            }
        }
    }
}

/// Reads a form to its end. After a refusal nothing of it is left.
///
/// # Errors
/// 415 for another content type or a file that is no sound; 413 for a file over the limit; 400
/// for a body that breaks off or is no form.
pub async fn read(app: &App, request: Request<Body>) -> Answer<Sent> {
    let max = app.config.max_upload_bytes;
    let headers = request.headers();
    let typed = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok());
    if !typed.is_some_and(|t| t.trim_start().starts_with("multipart/form-data")) {
        return Err(Problem::wrong_type("Send the form as `Content-Type: multipart/form-data`."));
    }
    let announced = announced_len(headers);
    let mut multipart = Multipart::from_request(request, &())
        .await
        .map_err(|_| Problem::bad_request("The form's content type names no boundary."))?;
    let mut sent = Sent::default();
    let done = match announced {
        Some(len) if len > max.saturating_add(MAX_TEXT as u64 * 2) => Err(over_limit(max)),
        _ => read_fields(app, &mut multipart, &mut sent).await,
    };
    match done {
        Ok(()) => Ok(sent),
        Err(problem) => {
            sent.discard(app).await;
            let rest = async { while let Ok(Some(_)) = multipart.next_field().await {} };
            let _ = tokio::time::timeout(DRAIN, rest).await;
            Err(problem)
        }
    }
}

/// Reads on for a while after a refusal, so that a client still sending gets to see the answer.
pub async fn drain(request: Request<Body>) {
    let mut stream = request.into_body().into_data_stream();
    let rest = async { while let Some(Ok(_)) = stream.next().await {} };
    let _ = tokio::time::timeout(DRAIN, rest).await;
}

fn announced_len(headers: &HeaderMap) -> Option<u64> {
    headers.get(header::CONTENT_LENGTH)?.to_str().ok()?.parse().ok()
}

async fn read_fields(app: &App, multipart: &mut Multipart, sent: &mut Sent) -> Answer<()> {
    let mut text_left = MAX_TEXT;
    while let Some(field) = multipart.next_field().await.map_err(broken)? {
        let name = field.name().unwrap_or_default().to_owned();
        let Some(file_name) = field.file_name().map(str::to_owned) else {
            sent.fields.push((name, text(field, &mut text_left).await?));
            continue;
        };
        // A file field that was left empty comes as a file with no name and no bytes.
        if let Some(file) = keep(app, field, file_name).await? {
            sent.files.push(file);
        }
    }
    Ok(())
}

async fn text(mut field: Field<'_>, left: &mut usize) -> Answer<String> {
    let mut bytes = Vec::new();
    while let Some(chunk) = field.chunk().await.map_err(broken)? {
        *left = left.checked_sub(chunk.len()).ok_or_else(|| {
            Problem::too_large("The text fields of the form are longer than 256 KiB together.")
        })?;
        bytes.extend_from_slice(&chunk);
    }
    String::from_utf8(bytes).map_err(|_| Problem::bad_request("A text field is no UTF-8 text."))
}

async fn keep(app: &App, field: Field<'_>, file_name: String) -> Answer<Option<SentFile>> {
    let media_type = field.content_type().unwrap_or_default().to_owned();
    let idle = Duration::from_secs(app.config.upload_idle_s.max(1));
    let mut stream = std::pin::pin!(chunks(field, idle));
    let mut head = Vec::new();
    let mut first = Vec::new();
    while head.len() < HEAD {
        let Some(chunk) = stream.next().await else { break };
        let chunk = chunk.map_err(|_| {
            Problem::bad_request("The upload broke off; nothing of it was kept. Send it again.")
        })?;
        head.extend_from_slice(&chunk);
        first.push(Ok(chunk));
    }
    if file_name.is_empty() && head.is_empty() {
        return Ok(None);
    }
    refuse_what_is_no_sound(&head, &file_name)?;
    let whole = futures::stream::iter(first).chain(stream);
    let max = app.config.max_upload_bytes;
    let blob =
        app.store.put_blob(whole, Some(max), now_us()).await.map_err(|e| match e.kind() {
            ErrorKind::TooLarge => over_limit(max),
            _ => Problem::from(e),
        })?;
    Ok(Some(SentFile { file_name, media_type, blob }))
}

/// A field's bytes; one that stands still too long is given up.
fn chunks(field: Field<'_>, idle: Duration) -> impl Stream<Item = io::Result<Bytes>> + Send {
    futures::stream::unfold(Some(field), move |field| async move {
        let mut field = field?;
        match tokio::time::timeout(idle, field.chunk()).await {
            Ok(Ok(Some(chunk))) => Some((Ok(chunk), Some(field))),
            Ok(Ok(None)) => None,
            Ok(Err(error)) => Some((Err(io::Error::other(error)), None)),
            Err(_) => Some((Err(io::ErrorKind::TimedOut.into()), None)),
        }
    })
}

fn broken(error: MultipartError) -> Problem {
    tracing::debug!(%error, "a form could not be read");
    Problem::bad_request("The form broke off or is damaged; nothing of it was kept. Send it again.")
}

/// 413 with the limit in words.
#[must_use]
pub fn over_limit(max_bytes: u64) -> Problem {
    Problem::too_large(format!(
        "The file is larger than the {} allowed here. Send it in a compressed format such as FLAC, or \
         leave out what is before and after the music.",
        size_in_words(max_bytes)
    ))
}

/// `2 GiB`, `1.5 MiB`, `700 bytes`.
#[must_use]
pub fn size_in_words(bytes: u64) -> String {
    for (unit, name) in [(1u64 << 30, "GiB"), (1 << 20, "MiB"), (1 << 10, "KiB")] {
        if bytes >= unit {
            let tenths = u128::from(bytes) * 10 / u128::from(unit);
            return match tenths % 10 {
                0 => format!("{} {name}", tenths / 10),
                rest => format!("{}.{rest} {name}", tenths / 10),
            };
        }
    }
    format!("{bytes} bytes")
}

#[cfg(test)]
mod tests {
    use super::size_in_words;

    #[test]
    fn sizes_read_well() {
        assert_eq!(size_in_words(2 << 30), "2 GiB");
        assert_eq!(size_in_words(3 << 19), "1.5 MiB");
        assert_eq!(size_in_words(700), "700 bytes");
    }
}
