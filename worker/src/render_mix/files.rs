//! The sound files of a render, each shown whole or not at all.

use super::mastered::Mastered;
use super::progress::{Count, Stage, Way};
use super::{OutputFile, RenderError, RenderKind, RenderRequest};
use crate::plan::Plan;
use ripieno_engine::loudness::Loudness;
use ripieno_engine::write::{
    Bext, BextLoudness, Cue, FlacSpec, FlacWriter, PreviewSpec, PreviewWriter, SampleFormat,
    WavSpec, WavWriter, WriteError,
};
use std::fs::File;
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};

/// Where bar 1 beat 1 lies on the clock of the bext time reference: at one o'clock, so that what
/// begins before it has a time too (common practice in film, no source).
pub(super) fn bar_1_time_reference(rate_hz: u32) -> u64 {
    3600 * u64::from(rate_hz)
}

/// The bext time reference of a position on the grid; positions over an hour before bar 1 are
/// held at 0.
pub(crate) fn time_reference(at_sample: i64, rate_hz: u32) -> u64 {
    bar_1_time_reference(rate_hz).saturating_add_signed(at_sample)
}

/// What WAV, FLAC and preview cost beside each other, for telling how far they are.
const FORMS_COST: [u64; 3] = [1, 3, 3];

/// Bits a second of the preview.
const PREVIEW_BPS: u32 = 96_000;

/// A file that is shown by [`Draft::show`] and removed otherwise.
pub(super) struct Draft {
    path: PathBuf,
    hidden: PathBuf,
    name: String,
    media_type: &'static str,
}

impl Draft {
    /// A file `name` below `dir`; folders are made.
    pub(super) fn new(
        dir: &Path,
        name: &str,
        media_type: &'static str,
    ) -> Result<Self, RenderError> {
        let path = dir.join(name);
        let folder = path.parent().unwrap_or(dir);
        std::fs::create_dir_all(folder).map_err(|source| RenderError::io(folder, source))?;
        let file_name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let hidden = path.with_file_name(format!(".{file_name}.part"));
        Ok(Self { path, hidden, name: name.to_owned(), media_type })
    }

    pub(super) fn create(&self) -> Result<BufWriter<File>, RenderError> {
        let file = File::create(&self.hidden).map_err(|source| self.failed(source))?;
        Ok(BufWriter::with_capacity(1 << 18, file))
    }

    pub(super) fn failed(&self, source: std::io::Error) -> RenderError {
        RenderError::io(&self.path, source)
    }

    pub(super) fn write_failed(&self, error: WriteError) -> RenderError {
        match error {
            WriteError::Io(source) => self.failed(source),
            other => RenderError::Impossible(format!("{}: {other}", self.name)),
        }
    }

    /// Flushes to disk, hashes, and gives the file its name.
    pub(super) fn show(self, out: BufWriter<File>) -> Result<OutputFile, RenderError> {
        let file = out.into_inner().map_err(|error| self.failed(error.into_error()))?;
        file.sync_data().map_err(|source| self.failed(source))?;
        drop(file);
        let (bytes, blake3) = hash(&self.hidden).map_err(|source| self.failed(source))?;
        std::fs::rename(&self.hidden, &self.path).map_err(|source| self.failed(source))?;
        Ok(OutputFile {
            name: self.name.clone(),
            bytes,
            blake3,
            media_type: self.media_type.to_owned(),
        })
    }
}

impl Drop for Draft {
    fn drop(&mut self) {
        // After `show` there is nothing to remove.
        let _ = std::fs::remove_file(&self.hidden);
    }
}

fn hash(path: &Path) -> std::io::Result<(u64, String)> {
    let mut file = File::open(path)?;
    let mut hasher = blake3::Hasher::new();
    let mut bytes = 0;
    let mut buffer = vec![0u8; 1 << 18];
    loop {
        let count = file.read(&mut buffer)?;
        if count == 0 {
            return Ok((bytes, hasher.finalize().to_hex().to_string()));
        }
        hasher.update(&buffer[..count]);
        bytes += count as u64;
    }
}

/// Writes the mix in the forms that `request` wants, side by side.
pub(super) fn write_mix(
    request: &RenderRequest<'_>,
    plan: &Plan,
    mix: &Mastered,
    loudness: &Loudness,
    way: &Way<'_>,
) -> Result<Vec<OutputFile>, RenderError> {
    if request.kind == RenderKind::Preview {
        let count = Count::new(way, Stage::Mix, mix.frames());
        return Ok(vec![write_preview(request, mix, &|frames| count.add(frames))?]);
    }
    let count = Count::new(way, Stage::Mix, mix.frames() * FORMS_COST.iter().sum::<u64>());
    let [wav_cost, flac_cost, preview_cost] = FORMS_COST;
    let wav = || write_wav(request, plan, mix, loudness, &|frames| count.add(wav_cost * frames));
    let flac = || write_flac(request, mix, &|frames| count.add(flac_cost * frames));
    let preview = || write_preview(request, mix, &|frames| count.add(preview_cost * frames));
    let ((wav, flac), preview) = rayon::join(|| rayon::join(wav, flac), preview);
    Ok(vec![wav?, flac?, preview?])
}

/// Is told of frames that were written.
type Wrote<'a> = dyn Fn(u64) + Sync + 'a;

/// The seed of the dither: the same for the same piece, so a render can be made again.
fn dither_seed(request: &RenderRequest<'_>) -> u64 {
    let hash = blake3::hash(request.piece.slug.as_bytes());
    hash.as_bytes().iter().take(8).fold(0, |seed, byte| seed << 8 | u64::from(*byte))
}

fn write_wav(
    request: &RenderRequest<'_>,
    plan: &Plan,
    mix: &Mastered,
    loudness: &Loudness,
    wrote: &Wrote<'_>,
) -> Result<OutputFile, RenderError> {
    let piece = request.piece;
    let draft = Draft::new(&request.out_dir, "mix.wav", "audio/wav")?;
    let format = if piece.delivery.bits == 16 { SampleFormat::Int16 } else { SampleFormat::Int24 };
    let cues = plan
        .sections
        .iter()
        .map(|section| Cue {
            at_frame: (section.samples.start - plan.heard.start).max(0) as u64,
            label: section.name.clone(),
        })
        .collect();
    let bext =
        Bext { loudness: bext_loudness(loudness), ..bext(request, &piece.title, plan.heard.start) };
    let spec = WavSpec {
        dither_seed: Some(dither_seed(request)),
        bext: Some(bext),
        cues,
        ..WavSpec::new(piece.sample_rate_hz, 2, format)
    };
    let mut writer =
        WavWriter::new(draft.create()?, spec).map_err(|error| draft.write_failed(error))?;
    mix.each(&mut |_, block| {
        wrote(block[0].len() as u64);
        writer.write(block).map_err(|error| draft.write_failed(error))
    })?;
    let out = writer.finish().map_err(|error| draft.write_failed(error))?;
    draft.show(out)
}

/// A bext chunk that places a file on the grid.
pub(super) fn bext(request: &RenderRequest<'_>, what: &str, first_sample: i64) -> Bext {
    let rate_hz = request.piece.sample_rate_hz;
    let bar_1 = bar_1_time_reference(rate_hz);
    Bext {
        description: format!("{what}; bar 1 beat 1 at sample {bar_1} of the day"),
        originator: "Ripieno".into(),
        time_reference_samples: time_reference(first_sample, rate_hz),
        ..Bext::default()
    }
}

/// A name that any file system takes: letters, digits, hyphens and underscores.
pub(super) fn plain_name(text: &str) -> String {
    let plain = |letter: char| match letter {
        letter if letter.is_alphanumeric() || letter == '_' => letter,
        _ => '-',
    };
    text.trim().chars().take(60).map(plain).collect()
}

fn bext_loudness(loudness: &Loudness) -> BextLoudness {
    BextLoudness {
        integrated_lufs: loudness.integrated_lufs,
        range_lu: loudness.range_lu,
        max_true_peak_dbtp: loudness.true_peak_dbtp,
        max_momentary_lufs: loudness.max_momentary_lufs,
        max_short_term_lufs: loudness.max_short_term_lufs,
    }
}

fn tags(request: &RenderRequest<'_>) -> Vec<(String, String)> {
    vec![
        ("TITLE".into(), request.piece.title.clone()),
        ("COMPOSER".into(), request.piece.composer_credit.clone()),
    ]
}

fn write_flac(
    request: &RenderRequest<'_>,
    mix: &Mastered,
    wrote: &Wrote<'_>,
) -> Result<OutputFile, RenderError> {
    let draft = Draft::new(&request.out_dir, "mix.flac", "audio/flac")?;
    let piece = request.piece;
    let bits = if piece.delivery.bits == 16 { 16 } else { 24 };
    let spec = FlacSpec {
        dither_seed: Some(dither_seed(request)),
        tags: tags(request),
        frames: Some(mix.frames()),
        ..FlacSpec::new(piece.sample_rate_hz, 2, bits)
    };
    let mut writer =
        FlacWriter::new(draft.create()?, spec).map_err(|error| draft.write_failed(error))?;
    mix.each(&mut |_, block| {
        wrote(block[0].len() as u64);
        writer.write(block).map_err(|error| draft.write_failed(error))
    })?;
    let out = writer.finish().map_err(|error| draft.write_failed(error))?;
    draft.show(out)
}

fn write_preview(
    request: &RenderRequest<'_>,
    mix: &Mastered,
    wrote: &Wrote<'_>,
) -> Result<OutputFile, RenderError> {
    let draft = Draft::new(&request.out_dir, "preview.ogg", "audio/ogg")?;
    let spec = PreviewSpec { channels: 2, bitrate_bps: PREVIEW_BPS, tags: tags(request) };
    let mut writer =
        PreviewWriter::new(draft.create()?, &spec).map_err(|error| draft.write_failed(error))?;
    mix.each(&mut |_, block| {
        wrote(block[0].len() as u64);
        writer.write(block).map_err(|error| draft.write_failed(error))
    })?;
    let out = writer.finish().map_err(|error| draft.write_failed(error))?;
    draft.show(out)
}

/// Writes a small text file.
pub(super) fn write_text(
    dir: &Path,
    name: &str,
    media_type: &'static str,
    text: &str,
) -> Result<OutputFile, RenderError> {
    let draft = Draft::new(dir, name, media_type)?;
    let mut out = draft.create()?;
    out.write_all(text.as_bytes()).map_err(|source| draft.failed(source))?;
    draft.show(out)
}
