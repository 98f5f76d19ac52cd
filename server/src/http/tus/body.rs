//! The bytes of one PATCH, on their way into an upload.

use std::time::Duration;

use axum::body::Body;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use futures::StreamExt;
use ripieno_store::{Appending, ErrorKind, StoreError, Upload};
use sha1::{Digest, Sha1};

use crate::http::App;
use crate::http::problem::{Answer, Problem};
use crate::http::takes::kind_of_file::{HEAD, refuse_what_is_no_sound};

/// Bytes after which what has come is made to count, where there is no checksum to wait for.
const CHECKPOINT: u64 = 4 << 20;

/// The checksum a client sent along: SHA-1 of the bytes of this request.
pub(super) struct Checksum {
    expected: Vec<u8>,
    sum: Sha1,
}

impl Checksum {
    /// Reads `Upload-Checksum`: the algorithm and the sum in Base64.
    ///
    /// # Errors
    /// 400 for another algorithm or what is no Base64.
    pub(super) fn parse(header: &str) -> Answer<Self> {
        let Some((algorithm, sum)) = header.split_once(' ') else {
            return Err(Problem::bad_request("`Upload-Checksum` is an algorithm and a sum."));
        };
        if algorithm != "sha1" {
            return Err(Problem::bad_request(
                "This checksum algorithm is not known here; `Tus-Checksum-Algorithm` lists those \
                 that are.",
            ));
        }
        let expected = STANDARD
            .decode(sum.trim())
            .map_err(|_| Problem::bad_request("The sum in `Upload-Checksum` is no Base64."))?;
        Ok(Self { expected, sum: Sha1::new() })
    }

    fn holds(&self) -> bool {
        self.sum.clone().finalize().as_slice() == self.expected
    }
}

/// Writes the body. With a checksum all of it counts or nothing; without one, what has come counts
/// even if the connection breaks.
///
/// # Errors
/// 460 for a wrong checksum, 413 past the announced length, 415 for what is no sound, 400 when the
/// connection breaks.
pub(super) async fn pour(
    app: &App,
    upload: &Upload,
    mut to: Appending,
    body: Body,
    offset: u64,
    mut checksum: Option<Checksum>,
) -> Answer<()> {
    let idle = Duration::from_secs(app.config.upload_idle_s.max(1));
    let mut stream = body.into_data_stream();
    let mut head = Vec::new();
    let mut saved = offset;
    let mut whole = true;
    loop {
        let chunk = match tokio::time::timeout(idle, stream.next()).await {
            Ok(Some(Ok(chunk))) => chunk,
            Ok(None) => break,
            Ok(Some(Err(_))) | Err(_) => {
                whole = false;
                break;
            }
        };
        if offset == 0 && head.len() < HEAD {
            head.extend_from_slice(&chunk);
            // Fewer bytes do not tell; then it is looked at when the upload is handed in.
            if head.len() >= HEAD {
                let name = upload.metadata["filename"].as_str().unwrap_or_default();
                refuse_what_is_no_sound(&head[..HEAD], name)?;
            }
        }
        if let Some(checksum) = &mut checksum {
            checksum.sum.update(&chunk);
        }
        to.write(&chunk).await.map_err(past_the_end)?;
        if checksum.is_none() && to.written() - saved >= CHECKPOINT {
            to.checkpoint().await?;
            saved = to.written();
        }
    }
    match checksum {
        // Without its end a checksum cannot be told, so nothing of it counts.
        Some(_) if !whole => return Err(broke_off()),
        Some(checksum) if !checksum.holds() => return Err(Problem::checksum_mismatch()),
        Some(_) | None => {}
    }
    to.keep().await?;
    if whole { Ok(()) } else { Err(broke_off()) }
}

fn broke_off() -> Problem {
    Problem::bad_request("The connection broke off. Ask where the upload stands, and go on.")
}

fn past_the_end(error: StoreError) -> Problem {
    match error.kind() {
        ErrorKind::TooLarge => {
            Problem::too_large("More bytes came than `Upload-Length` had announced.")
        }
        _ => Problem::from(error),
    }
}
