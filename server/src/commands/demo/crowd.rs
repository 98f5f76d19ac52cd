//! The invented players record, and send what they have as a browser would.

use std::path::Path;
use std::sync::Arc;

use reqwest::Method;
use reqwest::multipart::{Form, Part};
use ripieno_scenario::{Defect, Pack, Player, Recorded, Sheet, cast, record};
use ripieno_score::Piece;
use serde_json::Value;
use tokio::sync::Semaphore;
use tokio::task::JoinSet;

use super::{DemoArgs, SLUG};
use crate::commands::Failure;
use crate::commands::client::{Server, unreachable};

/// One file as it was sent.
pub(super) struct Sent {
    /// Who sent it.
    pub player: Player,
    /// The truth of it.
    pub recorded: Recorded,
    /// Whether it is the second copy of a file sent twice.
    pub again: bool,
    /// The take's id, when it was accepted.
    pub take_id: Option<String>,
    /// The path of the receipt's page, when it was accepted.
    pub receipt_path: Option<String>,
    /// The server's words, when it was refused.
    pub refused: Option<String>,
}

/// Records the whole cast, two or more at a time, and sends each file as soon as it is there.
pub(super) async fn play_and_send(
    server: &Server,
    piece: &Piece,
    out: &Path,
    args: &DemoArgs,
) -> Result<Vec<Sent>, Failure> {
    let pack = Arc::new(Pack::read(&out.join("pack")).map_err(Failure::job)?);
    let sheet = Arc::new(Sheet::of(piece));
    let studios = std::thread::available_parallelism().map_or(2, usize::from);
    let studios = Arc::new(Semaphore::new(studios));
    let mut players = JoinSet::new();
    for player in cast(args.takes as usize, args.seed) {
        let (server, pack, sheet) = (server.clone(), pack.clone(), sheet.clone());
        let (studios, folder) = (studios.clone(), out.join("takes"));
        let keeps_copies = args.keeps_copies();
        let version = piece.consent_wording.version.clone();
        players.spawn(async move {
            let free = studios.acquire_owned().await.map_err(Failure::job)?;
            let playing = player.clone();
            let recorded =
                tokio::task::spawn_blocking(move || record(&playing, &sheet, &pack, &folder))
                    .await
                    .map_err(Failure::job)?
                    .map_err(Failure::job)?;
            let mut sent = vec![send(&server, &player, &recorded, &version, false).await?];
            if player.defect == Defect::Twice {
                sent.push(send(&server, &player, &recorded, &version, true).await?);
            }
            if !keeps_copies {
                tokio::fs::remove_file(&recorded.path).await.map_err(Failure::job)?;
            }
            drop(free);
            Ok::<_, Failure>(sent)
        });
    }
    let mut all = Vec::new();
    while let Some(done) = players.join_next().await {
        all.extend(done.map_err(Failure::job)??);
    }
    all.sort_by_key(|sent| (sent.player.index, sent.again));
    Ok(all)
}

async fn send(
    server: &Server,
    player: &Player,
    recorded: &Recorded,
    consent_version: &str,
    again: bool,
) -> Result<Sent, Failure> {
    let file = tokio::fs::File::open(&recorded.path).await.map_err(Failure::job)?;
    let name = recorded.path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let (instrument, family) = player.instrument.in_words();
    let mut form = Form::new()
        .text("name", player.name.clone())
        .text("credit", player.credit.clone())
        .text("instrument", instrument)
        .text("family", family)
        .text("place", player.place)
        .text("consent_recording", "on")
        .text("consent_credit", "on")
        .text("consent_version", consent_version.to_owned());
    if let Some(institution) = player.institution {
        form = form.text("institution", institution);
    }
    let form = form.part("recording", Part::stream(file).file_name(name));
    let request = server.public(Method::POST, &format!("/api/v1/pieces/{SLUG}/takes"));
    let answer = request.multipart(form).send().await.map_err(unreachable)?;
    let accepted = answer.status().is_success();
    let said: Value = answer.json().await.map_err(unreachable)?;
    let text = |name: &str| said[name].as_str().map(str::to_owned);
    Ok(Sent {
        player: player.clone(),
        recorded: recorded.clone(),
        again,
        take_id: text("take_id").filter(|_| accepted),
        receipt_path: text("receipt_token").map(|token| format!("/receipt/{token}")),
        refused: text("detail").filter(|_| !accepted),
    })
}
