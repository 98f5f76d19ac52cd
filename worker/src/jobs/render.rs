//! The render job: the placed stems of a piece under its arrangement, to files.

use std::convert::Infallible;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use ripieno_score::{Arrangement, Piece, TakeForm, TakeOffset};
use ripieno_store::{ErrorKind, NewJob, PlacedStem, Render, Shelf, Store};
use serde::Deserialize;
use serde_json::Value;

use super::conform::ENGINE_VERSION;
use super::files::{delete_blobs, keep_files};
use super::piece::{load_arrangement, load_piece};
use super::{Job, JobError};
use crate::morning_note::gather;
use crate::render_mix::{
    MixTone, Outputs, Progress, RenderKind, RenderReport, RenderRequest, Spotlight, Stage,
    StemEntry, render,
};
use crate::run::{Hand, break_off_here, now_us, on_a_thread};

/// How often the record is told how far the render is.
const TELL_EVERY: Duration = Duration::from_millis(400);

/// How much of a render's work there is in keeping its files: hashing and syncing them took a
/// tenth of the time in a final of 220 takes.
const KEEPING: f64 = 0.1;

/// How far the job is, 0 to 1, and what it does.
type Far = Mutex<(f64, &'static str)>;

/// How much louder a take is made that is to be heard in the crowd, dB.
const LOUDER_DB: f64 = 9.0;

/// What was asked for, as it stands in the record; what is left out means the whole of it.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Wish {
    sections: Vec<String>,
    groups: Vec<String>,
    louder_take: Option<String>,
    arrangement_version: Option<i64>,
    outputs: Option<Outputs>,
    tone: MixTone,
}

/// Everything that goes into a render, owned, so that it can go to a thread.
struct Order {
    piece: Piece,
    arrangement: Arrangement,
    arrangement_version: i64,
    stems: Vec<StemEntry>,
    former_stems: Vec<PathBuf>,
    kind: RenderKind,
    wish: Wish,
    impulse: Option<PathBuf>,
    out_dir: PathBuf,
    beds_dir: PathBuf,
    threads: usize,
}

pub(crate) async fn run(hand: &Arc<Hand>, render_id: &str) -> Result<(), JobError> {
    let store = &hand.store;
    store.start_render(&hand.job, render_id, now_us()).await?;
    let record = store.render(render_id).await?;
    let wish = Wish::deserialize(&record.request.0).map_err(|error| {
        JobError::Refused(format!("What the render is asked for cannot be read: {error}."))
    })?;
    let (piece, piece_version) = load_piece(store, &record.piece_id).await?;
    let (arrangement, arrangement_version) =
        load_arrangement(store, &record.piece_id, wish.arrangement_version, &piece).await?;
    let piece_has_webhook = piece.nightly.as_ref().is_some_and(|nightly| nightly.webhook.is_some());
    let keep_nightly = piece.nightly.as_ref().and_then(|nightly| nightly.keep).map(i64::from);
    let folder = tempfile::tempdir_in(store.work_folder())?;
    let order = Order {
        stems: entries(store, store.placed_stems(&record.piece_id).await?).await?,
        former_stems: former_stems(store, &record.piece_id).await?,
        kind: match record.kind {
            ripieno_store::RenderKind::Preview => RenderKind::Preview,
            ripieno_store::RenderKind::Final => RenderKind::Final,
        },
        impulse: impulse(store, &record.piece_id, &arrangement).await?,
        out_dir: folder.path().join("out"),
        beds_dir: store.beds_folder(&record.piece_id),
        threads: hand.settings.render_threads,
        piece,
        arrangement,
        arrangement_version,
        wish,
    };
    let out_dir = order.out_dir.clone();
    let far: Arc<Far> = Arc::new(Mutex::new((0.0, Stage::Levels.doing())));
    let report = render_and_tell(hand, render_id, order, &far).await?;
    let mut result = serde_json::to_value(&report).unwrap_or_default();
    if let Some(fields) = result.as_object_mut() {
        fields.insert("piece_version".into(), piece_version.into());
        fields.insert("arrangement_version".into(), arrangement_version.into());
        fields.insert("engine_version".into(), ENGINE_VERSION.into());
    }
    let nightly = record.occasion.as_deref().is_some_and(|name| name.starts_with("nightly "));
    let next = match nightly {
        true => leave_a_note(store, &record, &report, &out_dir, piece_has_webhook).await?,
        false => None,
    };
    record_result(hand, render_id, &out_dir, &result, next.as_ref(), &far).await?;
    if let Some(keep) = keep_nightly.filter(|_| nightly) {
        store.thin_nightly(&record.piece_id, keep).await?;
    }
    Ok(())
}

/// Puts the morning note beside the preview; gives the job that tells of it, if somebody is to be
/// told.
async fn leave_a_note(
    store: &Store,
    record: &Render,
    report: &RenderReport,
    out_dir: &Path,
    tell: bool,
) -> Result<Option<NewJob>, JobError> {
    let note = gather(store, record, report).await?;
    let json = serde_json::to_string_pretty(&note).unwrap_or_default();
    tokio::fs::write(out_dir.join("morning-note.txt"), note.text()).await?;
    tokio::fs::write(out_dir.join("morning-note.json"), json).await?;
    Ok(tell.then(|| Job::TellOfRender { render_id: record.id.clone() }.to_new(0)))
}

/// Renders on a thread, and meanwhile tells the record how far it is.
async fn render_and_tell(
    hand: &Arc<Hand>,
    render_id: &str,
    order: Order,
    far: &Arc<Far>,
) -> Result<RenderReport, JobError> {
    let (noted, held) = (Arc::clone(far), Arc::clone(hand));
    let rendering = on_a_thread(move || {
        let progress = |Progress { share, stage }| {
            note(&noted, f64::from(share) * (1.0 - KEEPING), stage.doing());
            if let Some(why) = held.break_off() {
                break_off_here(why);
            }
        };
        render(&order.request(), &progress)
    });
    let rendered = tokio::select! {
        rendered = rendering => rendered?,
        never = tell(hand, render_id, far) => match never {},
    };
    rendered.map_err(|error| match error.retryable() {
        true => JobError::Fault(sentence(&error.to_string())),
        false => JobError::Refused(sentence(&error.to_string())),
    })
}

fn note(far: &Far, share: f64, doing: &'static str) {
    *far.lock().unwrap_or_else(PoisonError::into_inner) = (share, doing);
}

async fn tell(hand: &Hand, render_id: &str, far: &Far) -> Infallible {
    let mut told = None;
    loop {
        tokio::time::sleep(TELL_EVERY).await;
        let (share, doing) = *far.lock().unwrap_or_else(PoisonError::into_inner);
        let permille = (share.clamp(0.0, 1.0) * 1000.0) as i64;
        if told == Some((permille, doing)) {
            continue;
        }
        match hand.store.report_progress(&hand.job, render_id, permille, doing).await {
            Ok(()) => told = Some((permille, doing)),
            Err(error) if error.kind() == ErrorKind::LeaseLost => hand.set_lost(),
            Err(error) => tracing::warn!(%error, "the progress was not noted"),
        }
    }
}

impl Order {
    fn request(&self) -> RenderRequest<'_> {
        let spotlight = self.wish.louder_take.clone();
        let everything = Outputs { group_mixes: true, aligned_stems: true };
        RenderRequest {
            piece: &self.piece,
            arrangement: &self.arrangement,
            arrangement_version: self.arrangement_version.to_string(),
            stems: self.stems.clone(),
            former_stems: self.former_stems.clone(),
            kind: self.kind,
            sections: self.wish.sections.clone(),
            groups: self.wish.groups.clone(),
            spotlight: spotlight.map(|take_id| Spotlight { take_id, gain_db: LOUDER_DB }),
            tone: self.wish.tone.clone(),
            impulse: self.impulse.clone(),
            outputs: match self.kind {
                RenderKind::Preview => Outputs::default(),
                RenderKind::Final => self.wish.outputs.unwrap_or(everything),
            },
            out_dir: self.out_dir.clone(),
            beds_dir: Some(self.beds_dir.clone()),
            threads: self.threads,
        }
    }
}

/// The stems with what the arrangement may know of their takes.
async fn entries(store: &Store, placed: Vec<PlacedStem>) -> Result<Vec<StemEntry>, JobError> {
    let mut entries = Vec::with_capacity(placed.len());
    for stem in placed {
        let take_id = stem.stem.take_id;
        let form = TakeForm::deserialize(&stem.form.0).map_err(|error| {
            JobError::Refused(format!("The form of take {take_id} cannot be read: {error}."))
        })?;
        entries.push(StemEntry {
            path: store.blob_file(&stem.stem.blob).await?.path().to_owned(),
            facts: form.facts(),
            credit: form.public_credit().map(str::to_owned),
            offset: offset(&take_id, &stem.file_name, &form, &stem.outcome.0),
            form: Some(form),
            take_id,
        });
    }
    Ok(entries)
}

/// Where a take's own file lies, from what conforming it found.
fn offset(take_id: &str, sent_as: &str, form: &TakeForm, outcome: &Value) -> Option<TakeOffset> {
    let lag_ms = outcome["lag_taken_back_ms"].as_f64().unwrap_or(0.0);
    Some(TakeOffset {
        take: take_id.to_owned(),
        file: form.recording_name(take_id, sent_as),
        // Known only once it is written.
        stem_file: None,
        credit: form.public_credit().unwrap_or_default().to_owned(),
        instrument: form.public_instrument().to_owned(),
        has_picture: false,
        bar1_beat1_s: outcome["bar1_beat1_s"].as_f64()? + lag_ms * 1e-3,
        ratio_ppm: outcome["ratio_ppm"].as_f64()?,
        duration_s: outcome["decoded_s"].as_f64()?,
    })
}

/// The impulse response that the arrangement's room names.
async fn impulse(
    store: &Store,
    piece_id: &str,
    arrangement: &Arrangement,
) -> Result<Option<PathBuf>, JobError> {
    let Some(name) = arrangement.room().and_then(|room| room.impulse.as_deref()) else {
        return Ok(None);
    };
    match store.piece_file(piece_id, Shelf::Own, name).await {
        Ok(file) => Ok(Some(store.blob_file(&file.blob).await?.path().to_owned())),
        Err(error) if error.is_not_found() => Err(JobError::Refused(format!(
            "The arrangement names “{name}” as its room, but the piece has no such file. Upload \
             it, or take the name out of the arrangement."
        ))),
        Err(error) => Err(error.into()),
    }
}

async fn former_stems(store: &Store, piece_id: &str) -> Result<Vec<PathBuf>, JobError> {
    let mut paths = Vec::new();
    for blob in store.former_stems(piece_id).await? {
        match store.blob_file(&blob).await {
            Ok(file) => paths.push(file.path().to_owned()),
            Err(error) if error.is_not_found() => {}
            Err(error) => return Err(error.into()),
        }
    }
    Ok(paths)
}

async fn record_result(
    hand: &Hand,
    render_id: &str,
    out_dir: &Path,
    result: &Value,
    next: Option<&NewJob>,
    far: &Far,
) -> Result<(), JobError> {
    let kept = |share| note(far, 1.0 - KEEPING * (1.0 - share), "Keeping the files");
    let files = tokio::select! {
        files = keep_files(&hand.store, out_dir, &kept) => files?,
        never = tell(hand, render_id, far) => match never {},
    };
    let finished =
        hand.store.finish_render(&hand.job, render_id, result, &files, next, now_us()).await;
    if finished.as_ref().is_err_and(|error| error.kind() == ErrorKind::LeaseLost) {
        delete_blobs(&hand.store, &files).await?;
    }
    Ok(finished?)
}

/// An error's own text as a sentence by itself.
fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let first: String = letters.next().into_iter().flat_map(char::to_uppercase).collect();
    let end = if text.ends_with(['.', '!', '?']) { "" } else { "." };
    format!("{first}{}{end}", letters.as_str())
}
