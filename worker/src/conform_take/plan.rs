//! What a piece asks of every take, worked out once.

use std::sync::Arc;

use ripieno_engine::decode::{DecodeError, Recording};
use ripieno_engine::fit::{self, Basis, Candidate, Deviation, Fit, Grid, Heard, Prior};
use ripieno_engine::inspect::Expected;
use ripieno_engine::inspect::bleed::Guide;
use ripieno_engine::mark::{Mark, MarkError};
use ripieno_score::{ConformPolicy, Piece};

use super::marks::{KeptMarks, Marks};
use super::mislabelled::stretched_ppm;

/// The ensemble's own mean lag where a piece gives none: players following a click in headphones
/// come in a little late (common practice, no source).
const ENSEMBLE_LAG_MS: f64 = 10.0;

/// A mean lag this far from the ensemble's is no human's: it is the delay of wireless headphones
/// (100–300 ms) and is taken back.
const HUMAN_LAG_MS: f64 = 60.0;

/// A note this near a beat lies on it: an ensemble's spread (27–49 ms, Rasch 1979) and no more.
const ON_BEAT_S: f64 = 0.05;

/// What conforming needs to know of a piece.
#[derive(Debug, Clone)]
pub struct ConformPlan {
    grid: Grid,
    rate_hz: u32,
    first_bar_s: f64,
    policy: ConformPolicy,
    expected: Expected,
    marks: Arc<KeptMarks>,
    guide: Option<Guide>,
    placement: Option<Placement>,
}

/// A place that a person chose, by ear or among candidates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placement {
    /// File time of bar 1 beat 1.
    pub bar1_beat1_s: f64,
    /// How much slower than the guide the file runs, if that was chosen too; else it is measured.
    pub ratio_ppm: Option<f64>,
}

/// A mark of the organiser's own, as samples.
#[derive(Debug, Clone, PartialEq)]
pub struct OwnMark {
    samples: Vec<f32>,
    rate_hz: u32,
}

/// Why a file can't serve as a mark.
#[derive(Debug, thiserror::Error)]
pub enum OwnMarkError {
    /// It can't be decoded.
    #[error("the mark's file can't be read: {0}")]
    Decode(#[from] DecodeError),
    /// It is no mark.
    #[error(transparent)]
    Mark(#[from] MarkError),
    /// Too long for a mark.
    #[error("the mark's file is longer than {LONGEST_OWN_MARK_S} s; cut out the sound alone")]
    TooLong,
}

/// An own mark is a clap or a bell, not a song.
const LONGEST_OWN_MARK_S: f64 = 10.0;

impl OwnMark {
    /// Reads a mark from a file, its channels mixed to one.
    ///
    /// # Errors
    /// When the file can't be decoded, is silent or longer than ten seconds.
    pub fn read(recording: &Recording) -> Result<Self, OwnMarkError> {
        let mut stream = recording.open()?;
        let rate_hz = stream.info().sample_rate_hz;
        let mut samples = Vec::new();
        while let Some(block) = stream.next_block()? {
            let share = 1.0 / block.channels.len().max(1) as f32;
            let frames = block.channels.first().map_or(0, Vec::len);
            samples.extend((0..frames).map(|frame| {
                share * block.channels.iter().map(|channel| channel[frame]).sum::<f32>()
            }));
            if samples.len() as f64 > LONGEST_OWN_MARK_S * f64::from(rate_hz) {
                return Err(OwnMarkError::TooLong);
            }
        }
        Mark::from_recording(&samples, rate_hz, rate_hz)?;
        Ok(Self { samples, rate_hz })
    }

    /// Its samples, mono.
    #[must_use]
    pub fn samples(&self) -> &[f32] {
        &self.samples
    }

    /// Their rate.
    #[must_use]
    pub fn rate_hz(&self) -> u32 {
        self.rate_hz
    }
}

impl ConformPlan {
    /// The plan of a piece with the product's own marks.
    #[must_use]
    pub fn new(piece: &Piece) -> Self {
        let of_piece = piece.grid();
        let mut beats_s: Vec<f64> = of_piece.beats.iter().map(|beat| beat.at_s).collect();
        beats_s.push(piece.duration_s());
        let mut scale = [false; 12];
        for class in piece.key.pitch_classes() {
            scale[usize::from(class) % 12] = true;
        }
        let first_bar_s = of_piece.bar_starts.get(1).map_or(2.0, |beat| beats_s[*beat]);
        Self {
            grid: Grid {
                beats_s,
                bar_starts: of_piece.bar_starts,
                sections: of_piece.sections_s,
                chroma: of_piece.chroma,
                opening_mark_s: Some(of_piece.opening_mark_s),
                closing_mark_s: of_piece.closing_mark_s,
            },
            rate_hz: piece.sample_rate_hz,
            first_bar_s,
            policy: piece.conform,
            expected: Expected { scale: Some(scale), sections: None },
            marks: KeptMarks::designed(),
            guide: None,
            placement: None,
        }
    }

    /// The same plan for a guide that carries the organiser's own mark instead.
    #[must_use]
    pub fn with_own_mark(mut self, mark: OwnMark) -> Self {
        self.marks = KeptMarks::of(mark);
        self
    }

    /// The same plan for one take whose place a person chose.
    #[must_use]
    pub fn placed_by_hand(mut self, placement: Placement) -> Self {
        self.placement = Some(placement);
        self
    }

    /// The same plan for a file whose seconds are `stretch` times as many: a place that a person
    /// chose was told in the file's own.
    pub(super) fn in_time_of(&self, stretch: f64) -> Self {
        let mut plan = self.clone();
        if let Some(placement) = &mut plan.placement {
            placement.bar1_beat1_s *= stretch;
            placement.ratio_ppm = placement.ratio_ppm.map(|ppm| stretched_ppm(ppm, stretch));
        }
        plan
    }

    /// The piece in seconds.
    #[must_use]
    pub fn grid(&self) -> &Grid {
        &self.grid
    }

    /// Rate of the master grid.
    #[must_use]
    pub fn rate_hz(&self) -> u32 {
        self.rate_hz
    }

    /// The same plan for a take whose part plays in some sections only, in the piece's order.
    #[must_use]
    pub fn playing_in(mut self, sections: Vec<bool>) -> Self {
        self.expected.sections = Some(sections);
        self
    }

    /// The same plan with the guide's music, its marks left out, so that a guide left in a take is
    /// found.
    #[must_use]
    pub fn with_guide(mut self, guide: Guide) -> Self {
        self.guide = Some(guide);
        self
    }

    pub(super) fn guide(&self) -> Option<&Guide> {
        self.guide.as_ref()
    }

    pub(super) fn expected(&self) -> &Expected {
        &self.expected
    }

    /// The corrections the organiser allows.
    #[must_use]
    pub fn policy(&self) -> &ConformPolicy {
        &self.policy
    }

    /// Length of bar 1, in seconds.
    pub(super) fn first_bar_s(&self) -> f64 {
        self.first_bar_s
    }

    /// The marks for a file of `rate_hz`.
    pub(super) fn marks(&self, rate_hz: u32) -> Arc<Marks> {
        self.marks.at(rate_hz)
    }

    /// Fits a take that was heard, or takes the place a person chose.
    pub(super) fn place(&self, heard: &Heard<'_>) -> Option<Fit> {
        let prior = Prior { ensemble_lag_ms: self.ensemble_lag_ms(), ..Prior::default() };
        let mut fitted = fit::fit(&self.grid, heard, &prior);
        if let Some(fit) = fitted.as_mut().filter(|fit| self.lag_is_contradicted(fit)) {
            // Two readings of the lag: it is not known, so it is not told.
            (fit.lag_ms, fit.lag_sd_ms) = (None, None);
            fit.findings.retain(|finding| finding.code != "lags");
        }
        let Some(chosen) = self.placement else { return fitted };
        let ratio_ppm = chosen.ratio_ppm.or(fitted.as_ref().map(|fit| fit.ratio_ppm));
        let ratio_ppm = ratio_ppm.unwrap_or(0.0);
        let place = Candidate { bar1_beat1_s: chosen.bar1_beat1_s, ratio_ppm, odds: 1.0 };
        let mut fit = fitted.unwrap_or_else(|| Fit {
            bar1_beat1_s: 0.0,
            bar1_beat1_sd_s: BY_EAR_SD_S,
            ratio_ppm,
            ratio_sd_ppm: prior.clock_sd_ppm,
            lag_ms: None,
            lag_sd_ms: None,
            spread_ms: None,
            basis: Basis::PlayingOnly,
            certain: true,
            candidates: Vec::new(),
            findings: Vec::new(),
            deviations: Vec::new(),
            strays: Vec::new(),
        });
        fit.bar1_beat1_s = chosen.bar1_beat1_s;
        fit.bar1_beat1_sd_s = BY_EAR_SD_S;
        fit.ratio_ppm = ratio_ppm;
        // What the marks said of the lag does not hold for a place that was moved by hand.
        (fit.lag_ms, fit.lag_sd_ms) = (None, None);
        fit.certain = true;
        fit.candidates = vec![place];
        fit.findings.clear();
        Some(fit)
    }

    /// Whether a person chose the place.
    pub(super) fn is_placed_by_hand(&self) -> bool {
        self.placement.is_some()
    }

    /// How much of the lag of a take is to be taken back, in milliseconds: nothing that could be
    /// human, else all but the ensemble's own; never when the place is unsure.
    #[must_use]
    pub fn lag_to_take_back_ms(&self, fit: &Fit) -> f64 {
        match self.lag_beyond_human_ms(fit) {
            Some(beyond) if !self.reads_as_human(fit) => beyond,
            _ => 0.0,
        }
    }

    /// Whether a lag that can't be human is contradicted by the notes: by it they would lie
    /// beside the beats, and by the ensemble's own lag they lie on them.
    pub(super) fn lag_is_contradicted(&self, fit: &Fit) -> bool {
        self.lag_beyond_human_ms(fit).is_some() && self.reads_as_human(fit)
    }

    fn lag_beyond_human_ms(&self, fit: &Fit) -> Option<f64> {
        let beyond = fit.lag_ms? - self.ensemble_lag_ms();
        (fit.certain && beyond.abs() > HUMAN_LAG_MS).then_some(beyond)
    }

    /// A late player and one who plays beside the beat can sound the same: 170 ms after the beat is
    /// a third of a slow beat before the next. Notes on the beat are the simpler reading.
    fn reads_as_human(&self, fit: &Fit) -> bool {
        let lag_ms = fit.lag_ms.unwrap_or(0.0);
        let on_beat = |assumed_ms: f64| {
            let near = |deviation: &&Deviation| {
                let played_s = deviation.pulse_s + (lag_ms + deviation.residual_ms) * 1e-3;
                self.off_nearest_beat_s(played_s - assumed_ms * 1e-3).abs() < ON_BEAT_S
            };
            fit.deviations.iter().filter(near).count() as f64
        };
        let (human, late) = (on_beat(self.ensemble_lag_ms()), on_beat(lag_ms));
        human > late && human > 0.5 * fit.deviations.len() as f64
    }

    fn off_nearest_beat_s(&self, at_s: f64) -> f64 {
        let after = self.grid.beats_s.partition_point(|beat| *beat <= at_s);
        let beside = [after.checked_sub(1), Some(after)].into_iter().flatten();
        let distances = beside.filter_map(|beat| self.grid.beats_s.get(beat)).map(|s| at_s - s);
        distances.min_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or(f64::INFINITY)
    }

    /// The mean lag that a take's is corrected to when it can't be human.
    #[must_use]
    pub fn ensemble_lag_ms(&self) -> f64 {
        self.policy.ensemble_lag_ms.unwrap_or(ENSEMBLE_LAG_MS)
    }
}

/// How well a person places a take by ear: the order threshold (Hirsh 1959).
const BY_EAR_SD_S: f64 = 0.02;
