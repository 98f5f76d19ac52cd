//! Tells somebody outside that a nightly preview is there.
//!
//! The body is JSON. It is signed by HMAC-SHA256 (RFC 2104, FIPS 180-4): `Ripieno-Hmac-Sha256` is
//! the hexadecimal code, under the setting `webhook_secret`, of the value of `Ripieno-Sent-At`
//! (seconds since 1970), a line feed, and the body. Who receives it should check the code, and
//! refuse what was sent long ago.

mod unreached;

use std::sync::Arc;
use std::time::Duration;

use hmac::{Hmac, KeyInit, Mac};
use serde_json::json;
use sha2::Sha256;

use crate::http_client;
use crate::jobs::JobError;
use crate::jobs::piece::load_piece;
use crate::run::{Hand, now_us};

/// How long an answer may take.
const TIMEOUT: Duration = Duration::from_secs(15);

pub(crate) async fn run(hand: &Arc<Hand>, render_id: &str) -> Result<(), JobError> {
    let store = &hand.store;
    let render = store.render(render_id).await?;
    let (piece, _) = load_piece(store, &render.piece_id).await?;
    let address = piece.nightly.as_ref().and_then(|nightly| nightly.webhook.as_deref());
    let secret = &hand.settings.webhook_secret;
    match address {
        Some(address) if !secret.is_empty() => {
            let body = json!({
                "piece": piece.slug,
                "title": piece.title,
                "render": render.id,
                "occasion": render.occasion,
                "state": render.state.as_str(),
                "address": format!("/api/v1/renders/{}", render.id),
                "note": format!("/api/v1/renders/{}/files/morning-note.txt", render.id),
            });
            post(address, secret.reveal(), &body.to_string(), now_us() / 1_000_000).await?;
        }
        Some(_) => tracing::warn!(
            "the piece {} names a webhook, but the setting webhook_secret is empty: nobody is told",
            piece.slug
        ),
        None => {}
    }
    Ok(store.finish_job(&hand.job, now_us()).await?)
}

/// The code of a body sent at some second.
fn signature(secret: &str, sent_at_s: i64, body: &str) -> String {
    hmac_sha256_hex(secret, &format!("{sent_at_s}\n{body}"))
}

fn hmac_sha256_hex(key: &str, message: &str) -> String {
    // HMAC takes a key of any length.
    let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(key.as_bytes()) else {
        return String::new();
    };
    mac.update(message.as_bytes());
    mac.finalize().into_bytes().iter().map(|byte| format!("{byte:02x}")).collect()
}

async fn post(address: &str, secret: &str, body: &str, sent_at_s: i64) -> Result<(), JobError> {
    let cause = |error: reqwest::Error| {
        JobError::Fault(format!("The webhook was not reached: {}.", unreached::in_words(&error)))
    };
    let client = http_client::builder()
        .timeout(TIMEOUT)
        .redirect(reqwest::redirect::Policy::none())
        .build()
        .map_err(cause)?;
    let answer = client
        .post(address)
        .header("content-type", "application/json")
        .header("ripieno-sent-at", sent_at_s.to_string())
        .header("ripieno-hmac-sha256", signature(secret, sent_at_s, body))
        .body(body.to_owned())
        .send()
        .await
        .map_err(cause)?;
    let status = answer.status();
    let says = format!("The webhook answered {}.", status.as_u16());
    match status {
        status if status.is_success() => Ok(()),
        status if status.is_server_error() || matches!(status.as_u16(), 408 | 429) => {
            Err(JobError::Fault(says))
        }
        _ => Err(JobError::Refused(format!("{says} It is not told again; check its address."))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4231, test case 2: key "Jefe", data "what do ya want for nothing?".
    #[test]
    fn the_code_is_that_of_the_rfc() {
        let code = hmac_sha256_hex("Jefe", "what do ya want for nothing?");
        assert_eq!(code, "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843");
        assert_ne!(signature("a", 1, "x"), signature("a", 2, "x"));
        assert_ne!(signature("a", 1, "x"), signature("b", 1, "x"));
    }

    #[tokio::test]
    async fn what_is_posted_can_be_checked_and_a_refusal_is_told_from_a_fault() {
        use tokio::io::{AsyncReadExt, AsyncWriteExt};
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = format!("http://{}/told", listener.local_addr().unwrap());
        let receiver = tokio::spawn(async move {
            let mut seen = Vec::new();
            for status in ["204 No Content", "503 Unavailable", "404 Not Found"] {
                let (mut link, _) = listener.accept().await.unwrap();
                let mut bytes = Vec::new();
                while !bytes.ends_with(b"}") {
                    let mut part = [0; 2048];
                    let count = link.read(&mut part).await.unwrap();
                    bytes.extend_from_slice(&part[..count]);
                }
                let answer = format!("HTTP/1.1 {status}\r\nconnection: close\r\n\r\n");
                link.write_all(answer.as_bytes()).await.unwrap();
                seen.push(String::from_utf8(bytes).unwrap());
            }
            seen
        });
        let body = r#"{"render":"r1"}"#;
        post(&address, "key", body, 1_700_000_000).await.unwrap();
        let fault = post(&address, "key", body, 1_700_000_000).await.unwrap_err();
        assert!(fault.retryable(), "{fault}");
        let refused = post(&address, "key", body, 1_700_000_000).await.unwrap_err();
        assert!(!refused.retryable(), "{refused}");
        let seen = receiver.await.unwrap();
        let expected = signature("key", 1_700_000_000, body);
        assert!(seen[0].contains(&format!("ripieno-hmac-sha256: {expected}")), "{}", seen[0]);
        assert!(seen[0].contains("ripieno-sent-at: 1700000000") && seen[0].ends_with(body));
    }
}
