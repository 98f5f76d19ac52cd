//! The second pass: a placed take is laid on the grid, trimmed and written as a stem.

use std::fs::File;
use std::io::BufWriter;
use std::ops::Range;
use std::path::Path;

use ripieno_engine::decode::{DecodeError, Recording};
use ripieno_engine::ease::{self, Eased, Easing};
use ripieno_engine::fit::Fit;
use ripieno_engine::inspect::bleed::{self, Bleed, BleedMeter, Guide};
use ripieno_engine::inspect::{ChannelVerdict, Take, judge_channels};
use ripieno_engine::resample::{ChannelMatrix, LayError, Sink, TimeMap, lay};
use ripieno_engine::stem::{StemError, StemSummary, StemWriter};

use super::plan::ConformPlan;
use super::span::{MarkReach, stem_span_s};
use super::{ConformFault, EasingReport, Sound};

/// Fades where the take was cut: short enough not to touch an attack, long enough not to click.
const FADE_IN_S: f64 = 0.005;
const FADE_OUT_S: f64 = 0.03;

/// What was laid.
pub(super) struct Laid {
    pub(super) stem: StemSummary,
    /// How much of the guide is in it, if the guide is known.
    pub(super) bleed: Option<Bleed>,
}

/// How a placed take becomes a stem.
pub(super) struct Laying {
    map: TimeMap,
    eased: Option<Eased>,
    bleed: Option<BleedMeter>,
    range: Range<i64>,
    matrix: ChannelMatrix,
    rate_hz: u32,
}

impl Laying {
    pub(super) fn new(
        take: &Take<'_>,
        fit: &Fit,
        plan: &ConformPlan,
        lag_taken_back_ms: f64,
        sound: &Sound,
    ) -> Self {
        let rate = f64::from(plan.rate_hz());
        let file_rate = f64::from(sound.sample_rate_hz);
        let lag_s = lag_taken_back_ms * 1e-3;
        let map = TimeMap::of_fit(fit.bar1_beat1_s + lag_s, fit.ratio_ppm, file_rate, rate);
        let eased = ease_as_asked(take, fit, plan, &map);
        let map = eased.as_ref().map_or(map, |eased| eased.map.clone());
        let span = stem_span_s(take, plan, mark_reach(plan, sound.sample_rate_hz));
        let range = ((span.start - lag_s) * rate).round() as i64
            ..((span.end - lag_s) * rate).round() as i64;
        let verdict = judge_channels(&take.records.profile, take.span_s());
        let matrix = matrix_of(verdict, usize::from(sound.channels));
        let mean_square = take.records.profile.mean_square(take.span_s());
        let meter = |guide: &Guide| {
            BleedMeter::new(guide.clone(), plan.rate_hz(), range.start, lag_s, mean_square)
        };
        let bleed = plan.guide().map(meter);
        Self { map, eased, bleed, range, matrix, rate_hz: plan.rate_hz() }
    }

    /// What easing does, if it does anything.
    pub(super) fn easing(&self) -> Option<EasingReport> {
        self.eased.as_ref().filter(|eased| eased.moved > 0).map(|eased| EasingReport {
            moved: eased.moved,
            spread_before_ms: eased.spread_before_ms,
            spread_after_ms: eased.spread_after_ms,
        })
    }

    /// Lays and writes; nothing is left at `path` when that fails.
    pub(super) fn write(
        mut self,
        recording: &Recording,
        path: &Path,
    ) -> Result<Laid, ConformFault> {
        let written = self.write_to(recording, path);
        if written.is_err() {
            // The first error is the one to tell; a file that can't be removed is no worse.
            drop(std::fs::remove_file(path));
        }
        written
    }

    fn write_to(&mut self, recording: &Recording, path: &Path) -> Result<Laid, ConformFault> {
        let mut bleed = self.bleed.take();
        let file = BufWriter::new(File::create(path).map_err(StemError::Io)?);
        let channels = self.matrix.channels() as u16;
        let mut writer = StemWriter::create(file, self.rate_hz, channels, self.range.start)?;
        let mut fades = Fades::new(self.range.end - self.range.start, self.rate_hz);
        let mut faded: Vec<Vec<f32>> = Vec::new();
        self.lay(recording, &mut |block: &[&[f32]]| -> Result<(), StemError> {
            if let Some(bleed) = &mut bleed {
                bleed.push(block);
            }
            if fades.touches(block) {
                faded = block.iter().map(|channel| channel.to_vec()).collect();
                fades.apply(&mut faded);
                writer.push(&faded.iter().map(Vec::as_slice).collect::<Vec<_>>())
            } else {
                fades.pass(block);
                writer.push(block)
            }
        })?;
        Ok(Laid { stem: writer.finish()?, bleed: bleed.and_then(BleedMeter::finish) })
    }

    /// How much of the guide is in what would be laid; nothing is written.
    pub(super) fn listen_for_bleed(
        mut self,
        recording: &Recording,
    ) -> Result<Option<Bleed>, ConformFault> {
        let Some(meter) = self.bleed.take() else { return Ok(None) };
        let laying = bleed::Laying { map: &self.map, range: &self.range, matrix: &self.matrix };
        bleed::listen(recording, laying, meter).map_err(undecoded)
    }

    fn lay(
        &self,
        recording: &Recording,
        sink: &mut Sink<'_, StemError>,
    ) -> Result<(), ConformFault> {
        match lay(recording, &self.map, self.range.clone(), &self.matrix, sink) {
            Ok(()) => Ok(()),
            Err(LayError::Sink(error)) => Err(error.into()),
            Err(LayError::Decode(error)) => Err(undecoded(error)),
        }
    }
}

/// The file decoded to its end a moment ago: that it no longer does is the machine's fault.
fn undecoded(error: DecodeError) -> ConformFault {
    ConformFault::Read(match error {
        DecodeError::Io(error) => error,
        error => std::io::Error::other(error.to_string()),
    })
}

/// The eased map, when the piece asks for easing.
fn ease_as_asked(take: &Take<'_>, fit: &Fit, plan: &ConformPlan, map: &TimeMap) -> Option<Eased> {
    let policy = plan.policy();
    let easing = Easing { blunders: policy.ease_blunders, strength: policy.easing_strength };
    if easing == Easing::default() {
        return None;
    }
    let placed = ease::Placed { fit, playing: take.playing, beats_s: &take.grid.beats_s };
    Some(ease::ease(map, placed, easing, f64::from(plan.rate_hz())))
}

fn mark_reach(plan: &ConformPlan, rate_hz: u32) -> MarkReach {
    let marks = plan.marks(rate_hz);
    let (opening, closing) = (&marks.opening, marks.closing.as_ref());
    let rate = f64::from(rate_hz);
    let closing_before = closing.unwrap_or(opening).origin_sample;
    MarkReach {
        opening_after_s: (opening.samples.len() as f64 - opening.origin_sample) / rate,
        closing_before_s: closing_before / rate,
    }
}

/// A stem is mono wherever nothing is lost by it.
fn matrix_of(verdict: ChannelVerdict, channels: usize) -> ChannelMatrix {
    let pair = |left: f32, right: f32| {
        let mut row = vec![0.0; channels];
        row[..2].copy_from_slice(&[left, right]);
        row
    };
    match verdict {
        ChannelVerdict::Mono => ChannelMatrix::same(1),
        ChannelVerdict::OnlyOne(channel) => {
            let mut row = vec![0.0; channels];
            row[channel] = 1.0;
            ChannelMatrix::mono(&row)
        }
        ChannelVerdict::Alike => ChannelMatrix::mono(&pair(0.5, 0.5)),
        ChannelVerdict::Antiphase { correlation } if correlation < -0.999 => {
            ChannelMatrix::mono(&pair(0.5, -0.5))
        }
        ChannelVerdict::Antiphase { .. } => {
            ChannelMatrix::of_rows(vec![pair(1.0, 0.0), pair(0.0, -1.0)])
        }
        ChannelVerdict::Stereo { .. } | ChannelVerdict::Many => {
            ChannelMatrix::of_rows(vec![pair(1.0, 0.0), pair(0.0, 1.0)])
        }
    }
}

/// Raised-cosine fades at both ends of a stem.
struct Fades {
    length: i64,
    at: i64,
    fade_in: i64,
    fade_out: i64,
}

impl Fades {
    fn new(length: i64, rate_hz: u32) -> Self {
        let samples = |s: f64| ((s * f64::from(rate_hz)) as i64).min(length / 2);
        Self { length, at: 0, fade_in: samples(FADE_IN_S), fade_out: samples(FADE_OUT_S) }
    }

    fn touches(&self, block: &[&[f32]]) -> bool {
        let frames = block.first().map_or(0, |channel| channel.len()) as i64;
        self.at < self.fade_in || self.at + frames > self.length - self.fade_out
    }

    fn pass(&mut self, block: &[&[f32]]) {
        self.at += block.first().map_or(0, |channel| channel.len()) as i64;
    }

    fn apply(&mut self, block: &mut [Vec<f32>]) {
        for channel in &mut *block {
            for (frame, sample) in channel.iter_mut().enumerate() {
                let at = self.at + frame as i64;
                *sample *= rise(at, self.fade_in) * rise(self.length - 1 - at, self.fade_out);
            }
        }
        self.at += block.first().map_or(0, |channel| channel.len()) as i64;
    }
}

/// 0 at the end, 1 from `length` samples inwards.
fn rise(from_end: i64, length: i64) -> f32 {
    if from_end >= length {
        return 1.0;
    }
    let share = (from_end.max(0) as f32 + 0.5) / length as f32;
    0.5 - 0.5 * (std::f32::consts::PI * share).cos()
}
