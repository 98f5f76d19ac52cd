//! The conform job: one take from its recording to its stem, findings and plots.

use std::path::Path;
use std::sync::Arc;

use ripieno_engine::decode::Recording;
use ripieno_engine::finding::{Finding, Severity};
use ripieno_engine::inspect::fingerprint::same_recording;
use ripieno_score::TakeState;
use ripieno_store::{
    ConformEnd, Conformed, ErrorKind, NewStem, Store, StoredBlob, Take, TakeSummary,
};
use serde_json::{Map, Value, json};

use super::JobError;
use super::copies::{Copy, copies_before};
use super::piece::{load_piece, own_mark};
use crate::conform_take::{
    ConformFault, ConformPlan, Outcome, Placement, conform, examine_line, finding_json,
};
use crate::run::{Hand, now_us, on_a_thread};

/// Which engine made a stem: part of what a render can be made again from.
pub(crate) const ENGINE_VERSION: &str = env!("CARGO_PKG_VERSION");

pub(crate) async fn run(hand: &Arc<Hand>, take_id: &str) -> Result<(), JobError> {
    let store = &hand.store;
    store.start_conform(&hand.job, take_id, now_us()).await?;
    let take = store.take(take_id).await?;
    let (piece, piece_version) = load_piece(store, &take.piece_id).await?;
    let mut plan = ConformPlan::new(&piece);
    if let Some(mark) = own_mark(hand, &piece, &take.piece_id).await? {
        plan = plan.with_own_mark(mark);
    }
    let Some(blob) = take.blob.as_deref() else { return Err(JobError::LeaseLost) };
    let file = store.blob_file(blob).await?;
    let recording = Recording::new(file.path(), hand.settings.limits.clone());
    let folder = tempfile::tempdir_in(store.work_folder())?;
    let piece_id = take.piece_id.clone();
    let (stem_path, wish) = (folder.path().join("stem"), Wish::of(&take));
    let (out, guides) = (stem_path.clone(), Arc::clone(&hand.guides));
    let conformed = on_a_thread(move || {
        let plan = plan.with_guide(guides.of(&piece, &piece_id, piece_version));
        conform_as_wished(&recording, plan, &wish, &out)
    });
    let (outcome, analysed) = conformed.await?.map_err(|fault| match fault.retryable() {
        true => JobError::Fault(fault.to_string()),
        false => JobError::Refused(fault.to_string()),
    })?;
    let stem = match &outcome.stem {
        Some(_) => Some(store.adopt_file(stem_path, now_us()).await?),
        None => None,
    };
    let twins = twins_before(store, &take).await?;
    let copies = match &outcome.fingerprint {
        Some(print) => copies_before(store, &take, print).await?,
        None => Vec::new(),
    };
    let result = ConformResult { outcome, analysed, piece_version, twins, copies };
    record(hand, &take, &result, stem).await
}

/// What a contributor is told when every attempt failed.
pub(crate) fn not_examined() -> Value {
    finding_json(&Finding::new(
        "not_examined",
        Severity::Asks,
        "Something on our side failed while we listened to this recording. It is safe here, and \
         the organiser has been told; there is nothing you need to do.",
    ))
}

/// Where bar 1 beat 1 lies in a take's file, as it was laid.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Place {
    bar1_beat1_s: f64,
    ratio_ppm: Option<f64>,
}

/// What a person decided about a take's place.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Wish {
    chosen: Option<Place>,
    nudge_s: f64,
}

impl Wish {
    /// From `{"chosen": {"bar1_beat1_s", "ratio_ppm"}, "nudge_ms"}`, each optional.
    fn of(take: &Take) -> Self {
        let chosen = &take.corrections["chosen"];
        Wish {
            chosen: chosen["bar1_beat1_s"].as_f64().map(|bar1_beat1_s| Place {
                bar1_beat1_s,
                ratio_ppm: chosen["ratio_ppm"].as_f64(),
            }),
            nudge_s: take.corrections["nudge_ms"].as_f64().unwrap_or(0.0) * 1e-3,
        }
    }

    fn is_none(&self) -> bool {
        *self == Wish::default()
    }

    /// The place to lay the take at, given where the analysis has it. To play later, a take's
    /// bar 1 is taken from an earlier instant of its file.
    fn place(&self, analysed: Option<Place>) -> Option<Placement> {
        let from = self.chosen.or(analysed)?;
        Some(Placement {
            bar1_beat1_s: from.bar1_beat1_s - self.nudge_s,
            ratio_ppm: from.ratio_ppm,
        })
    }
}

struct ConformResult {
    outcome: Outcome,
    /// Where the analysis alone has it; none when a person chose the place.
    analysed: Option<Place>,
    piece_version: i64,
    twins: Vec<TakeSummary>,
    copies: Vec<Copy>,
}

/// Conforms, and once more if a person nudged the take: a nudge counts from where the analysis
/// alone would have it.
fn conform_as_wished(
    recording: &Recording,
    plan: ConformPlan,
    wish: &Wish,
    stem: &Path,
) -> Result<(Outcome, Option<Place>), ConformFault> {
    if wish.is_none() {
        let outcome = conform(recording, &plan, Some(stem))?;
        let analysed = place_of(&outcome);
        return Ok((outcome, analysed));
    }
    let analysed = match wish.chosen {
        Some(_) => None,
        None => place_of(&conform(recording, &plan, None)?),
    };
    let plan = match wish.place(analysed) {
        Some(placement) => plan.placed_by_hand(placement),
        None => plan,
    };
    Ok((conform(recording, &plan, Some(stem))?, analysed))
}

fn place_of(outcome: &Outcome) -> Option<Place> {
    outcome.fit.as_ref().map(|fit| Place {
        bar1_beat1_s: fit.bar1_beat1_s + outcome.lag_taken_back_ms * 1e-3,
        ratio_ppm: Some(fit.ratio_ppm),
    })
}

/// Earlier takes with the very same bytes that are still wanted; the one this take is to replace
/// does not count.
async fn twins_before(store: &Store, take: &Take) -> Result<Vec<TakeSummary>, JobError> {
    let Some(hash) = &take.content_hash else { return Ok(Vec::new()) };
    let mut twins = store.takes_with_content(&take.piece_id, hash).await?;
    twins.retain(|twin| {
        twin.id < take.id
            && twin.state != TakeState::Unusable
            && twin.replaced_by.is_none()
            && take.replaces.as_ref() != Some(&twin.id)
    });
    Ok(twins)
}

async fn record(
    hand: &Hand,
    take: &Take,
    result: &ConformResult,
    stem: Option<StoredBlob>,
) -> Result<(), JobError> {
    let outcome = &result.outcome;
    let mut findings: Vec<Value> = outcome.findings.iter().map(finding_json).collect();
    let mut state = outcome.state;
    if !result.twins.is_empty() && state != TakeState::Unusable {
        state = TakeState::Asks;
        findings.insert(0, finding_json(&sent_before(result.twins.len())));
    } else if let (Some((_, likeness)), true) =
        (result.copies.first(), state != TakeState::Unusable)
    {
        state = TakeState::Asks;
        findings.insert(0, finding_json(&same_recording("one we already have", likeness)));
    }
    let summary = serde_json::to_value(&outcome.stem).unwrap_or_default();
    let conformed = Conformed {
        state,
        outcome: &outcome_json(take, result),
        findings: &Value::Array(findings),
        plots: &serde_json::to_value(&outcome.plot).unwrap_or_default(),
        stem: stem.clone().map(|blob| NewStem {
            blob,
            engine_version: ENGINE_VERSION,
            summary: &summary,
        }),
    };
    let ended = hand.store.finish_conform(&hand.job, &take.id, &conformed, now_us()).await;
    let unwanted = match &ended {
        Ok(ConformEnd::Recorded) => false,
        Ok(ConformEnd::TakeGone) => true,
        Err(error) => error.kind() == ErrorKind::LeaseLost,
    };
    if let (true, Some(blob)) = (unwanted, stem) {
        hand.store.delete_blob(&blob.id).await?;
    }
    ended?;
    tracing::info!(state = state.word(), "conformed");
    Ok(())
}

fn sent_before(twins: usize) -> Finding {
    Finding::new(
        "sent_before",
        Severity::Asks,
        "This very recording was sent before, so it would be heard twice. If you meant to send \
         another one, send that; otherwise there is nothing to do, the first one counts.",
    )
    .measuring(twins as f64, "takes")
}

/// The line `examine` would print, without what stands in fields of its own, and with what only
/// the service knows.
fn outcome_json(take: &Take, result: &ConformResult) -> Value {
    let mut line = examine_line(&take.file_name, &result.outcome);
    if let Some(fields) = line.as_object_mut() {
        fields.remove("file");
        fields.remove("findings");
        fields.insert("piece_version".into(), result.piece_version.into());
        fields.insert("engine_version".into(), ENGINE_VERSION.into());
        let copies = result.copies.iter().map(|(copy, _)| copy);
        let mut same_as: Vec<&str> =
            result.twins.iter().chain(copies).map(|other| other.id.as_str()).collect();
        same_as.sort_unstable();
        same_as.dedup();
        fields.insert("same_as".into(), same_as.into());
        let analysed = result.analysed.map(
            |place| json!({ "bar1_beat1_s": place.bar1_beat1_s, "ratio_ppm": place.ratio_ppm }),
        );
        fields.insert("analysed".into(), analysed.unwrap_or_default());
        if !take.corrections["chosen"].is_null() {
            keep_candidates(fields, &take.outcome);
        }
    }
    line
}

/// A take whose place a person chose keeps the candidates it was chosen from, so that another
/// can be chosen later.
fn keep_candidates(fields: &mut Map<String, Value>, before: &Value) {
    if before["candidates"].as_array().is_some_and(|candidates| candidates.len() > 1) {
        fields.insert("candidates".into(), before["candidates"].clone());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ANALYSED: Place = Place { bar1_beat1_s: 7.0, ratio_ppm: Some(40.0) };

    #[test]
    fn a_nudge_later_takes_bar_1_from_earlier_in_the_file() {
        let wish = Wish { chosen: None, nudge_s: 0.012 };
        let placement = wish.place(Some(ANALYSED)).unwrap();
        assert!((placement.bar1_beat1_s - 6.988).abs() < 1e-12);
        assert_eq!(placement.ratio_ppm, Some(40.0));
    }

    #[test]
    fn a_chosen_place_counts_more_than_the_analysis() {
        let chosen = Place { bar1_beat1_s: 9.0, ratio_ppm: None };
        let wish = Wish { chosen: Some(chosen), nudge_s: -0.5 };
        let expected = Placement { bar1_beat1_s: 9.5, ratio_ppm: None };
        assert_eq!(wish.place(Some(ANALYSED)), Some(expected));
        assert_eq!(Wish { chosen: None, nudge_s: 0.1 }.place(None), None);
    }
}
