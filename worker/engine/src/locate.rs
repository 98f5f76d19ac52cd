//! Where in a recording a mark lies.

mod decimate;
mod evidence;
mod refine;
mod search;
mod shape;
mod template;
mod whiten;

use crate::mark::{Kind, Mark};
use crate::math::vectors::all_within;
use refine::{Refined, Refiner};
use search::{Candidate, Lane, Plan};
use std::sync::{Arc, Mutex, PoisonError};

/// One place where a mark may lie.
#[derive(Clone, Debug, PartialEq)]
pub struct Arrival {
    /// File time of the mark's origin, in seconds from the first frame.
    pub at_s: f64,
    /// Standard uncertainty of `at_s`.
    pub sd_s: f64,
    /// How sure it is that this is the mark, 0 to 1: from [`SURE`] on it is.
    ///
    /// For a designed mark it is e / (e + 35) where e is the evidence in nats: minus the logarithm
    /// of the chance that noise gives as much. At 0.5 noise would do so once in a million files of
    /// two hours. Half a mark needs twice the evidence. An own mark must also be as like as
    /// [`Arrival::likeness`] 0.6.
    pub score: f64,
    /// How much slower than nominal the mark was played, in parts per million; the sign is that
    /// of `ratio_ppm`: positive where the file runs long. Null where it can't be measured.
    pub skew_ppm: Option<f64>,
    /// Standard uncertainty of `skew_ppm`.
    pub skew_sd_ppm: Option<f64>,
    /// How far the origin truly lies after `at_s` for each unit of ratio, in seconds: half a mark
    /// can't tell a skew from a shift. 0 for a whole one.
    pub per_ratio_s: f64,
    /// Energy of the mark over the noise density beside it, in dB (2E/N₀).
    pub snr_db: f64,
    /// How much of the mark is there.
    pub part: Part,
    /// Where it was found.
    pub heard_in: HeardIn,
    /// The mark is upside down.
    pub inverted: bool,
    /// Correlation of the mark with the sound there, 0 to 1, in the mark's band: near 1 it is the
    /// mark and nothing else.
    pub likeness: f64,
    /// How far behind this arrival the strongest one lies: an echo, if it is not 0.
    pub echo_s: f64,
}

/// Score from which an arrival is certain enough to place a take by.
pub const SURE: f64 = 0.5;

/// How much of a mark was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// Both sweeps.
    Whole,
    /// Only the first: the rest is cut off or buried.
    FirstHalf,
    /// Only the second.
    SecondHalf,
}

/// The signal in which a mark stands out best.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeardIn {
    /// One channel, counted from 0.
    Channel(u16),
    /// The difference of the first two channels: the mark is in antiphase, or the music cancels.
    Difference,
}

/// What to look for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Greatest number of arrivals to return.
    pub max_arrivals: usize,
}

impl Default for Options {
    fn default() -> Self {
        Options { max_arrivals: 8 }
    }
}

/// Both lists of a search for a pair of marks.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Found {
    /// Arrivals of the opening mark, best first.
    pub opening: Vec<Arrival>,
    /// Arrivals of the closing mark, best first.
    pub closing: Vec<Arrival>,
}

/// Searches a stream for one or two marks in one pass, in bounded memory.
///
/// ```
/// use ripieno_engine::{locate::{Locator, Options}, mark::Mark};
/// let mark = Mark::opening(48_000);
/// let mut file = vec![0.0; 30_000];
/// file.extend_from_slice(&mark.samples);
/// file.extend(std::iter::repeat_n(0.0, 30_000));
/// let mut locator = Locator::new(&mark, Options::default());
/// locator.push(&[&file]);
/// let best = &locator.finish()[0];
/// assert!((best.at_s - (30_000.0 + mark.origin_sample) / 48_000.0).abs() < 1e-5);
/// ```
pub struct Locator {
    sought: Arc<Sought>,
    lanes: Vec<Option<Lane>>,
    frames: i64,
    difference: Vec<f32>,
    cleaned: Vec<f32>,
}

/// What is looked for, worked out once for any number of files of one rate.
pub struct Sought {
    options: Options,
    plan: Arc<Plan>,
    marks: Vec<SoughtMark>,
}

/// A mark, and the filters that place it, made for the length of sound that came last.
struct SoughtMark {
    mark: Mark,
    refiner: Mutex<Option<Arc<Refiner>>>,
}

impl Sought {
    /// One or two marks, which must be made for the files' own rate.
    #[must_use]
    pub fn new(marks: &[&Mark], options: Options) -> Self {
        let marks: Vec<Mark> = marks.iter().map(|mark| (*mark).clone()).collect();
        let plan = Arc::new(Plan::new(&marks, options.max_arrivals));
        let sought = |mark| SoughtMark { mark, refiner: Mutex::new(None) };
        Self { options, plan, marks: marks.into_iter().map(sought).collect() }
    }
}

impl SoughtMark {
    fn refiner(&self, length: usize) -> Arc<Refiner> {
        let mut kept = self.refiner.lock().unwrap_or_else(PoisonError::into_inner);
        let fitting = kept.take().filter(|refiner| refiner.is_for(length));
        let refiner = fitting.unwrap_or_else(|| Arc::new(Refiner::new(&self.mark, length)));
        Arc::clone(kept.insert(refiner))
    }
}

impl Locator {
    /// A search for one mark, which must be made for the file's own rate.
    pub fn new(mark: &Mark, options: Options) -> Self {
        Locator::of(Arc::new(Sought::new(&[mark], options)))
    }

    /// A search for both marks in one pass, which must be made for the file's own rate.
    pub fn pair(opening: &Mark, closing: &Mark, options: Options) -> Self {
        Locator::of(Arc::new(Sought::new(&[opening, closing], options)))
    }

    /// A search for what was prepared.
    pub fn of(sought: Arc<Sought>) -> Self {
        Locator {
            sought,
            lanes: Vec::new(),
            frames: 0,
            difference: Vec::new(),
            cleaned: Vec::new(),
        }
    }

    /// Takes the next frames, one slice a channel, all of one length.
    pub fn push(&mut self, channels: &[&[f32]]) {
        let Some(first) = channels.first() else { return };
        if self.lanes.is_empty() {
            let differences = usize::from(channels.len() > 1);
            self.lanes.resize_with(channels.len() + differences, || None);
        }
        let count = self.lanes.len() - usize::from(self.lanes.len() > 1);
        for (index, samples) in channels.iter().take(count).enumerate() {
            // A copy of the first channel needs no search until it differs.
            if index == 0 || self.lanes[index].is_some() || samples != first {
                self.feed(index, samples);
            }
        }
        if let ([left, right, ..], true) = (channels, count > 1) {
            let mut difference = std::mem::take(&mut self.difference);
            difference.clear();
            difference.extend(left.iter().zip(*right).map(|(l, r)| l - r));
            self.feed(count, &difference);
            self.difference = difference;
        }
        self.frames += first.len() as i64;
    }

    /// Gives `samples` to a lane, which wakes at the first that is not silence.
    fn feed(&mut self, index: usize, samples: &[f32]) {
        if self.lanes[index].is_none() && samples.iter().all(|s| *s == 0.0) {
            return;
        }
        let begin = || Lane::new(&self.sought.plan, self.frames);
        let lane = self.lanes[index].get_or_insert_with(begin);
        if all_within(samples, ABSURD) {
            lane.push(samples);
        } else {
            self.cleaned.clear();
            self.cleaned.extend(samples.iter().map(|s| if s.abs() <= ABSURD { *s } else { 0.0 }));
            lane.push(&self.cleaned);
        }
    }

    /// Arrivals of the (first) mark, best first.
    pub fn finish(self) -> Vec<Arrival> {
        self.finish_pair().opening
    }

    /// Arrivals of both marks, best first.
    pub fn finish_pair(self) -> Found {
        let channels = self.lanes.len().saturating_sub(usize::from(self.lanes.len() > 1));
        let mut of_marks = vec![Vec::new(); self.sought.marks.len()];
        for (index, lane) in self.lanes.into_iter().enumerate() {
            let Some(lane) = lane else { continue };
            let heard_in = match index < channels {
                true => HeardIn::Channel(index as u16),
                false => HeardIn::Difference,
            };
            for (all, found) in of_marks.iter_mut().zip(lane.finish()) {
                all.extend(found.into_iter().map(|candidate| (candidate, heard_in)));
            }
        }
        let Sought { marks, options, .. } = &*self.sought;
        let lists = marks.iter().zip(of_marks);
        let mut lists = lists.map(|(mark, candidates)| arrivals(mark, candidates, *options));
        Found {
            opening: lists.next().unwrap_or_default(),
            closing: lists.next().unwrap_or_default(),
        }
    }
}

/// No sound: a sample this far beyond full scale, or no number at all, is taken for silence.
const ABSURD: f32 = 1e4;

/// Candidates this close are the same sound, heard in two signals or with an echo.
const SAME_S: f64 = 0.04;

/// Turns the candidates of one mark into arrivals.
fn arrivals(
    sought: &SoughtMark,
    mut all: Vec<(Candidate, HeardIn)>,
    options: Options,
) -> Vec<Arrival> {
    // A channel is a plainer witness than a difference of two, which must be clearly better.
    let worth = |(candidate, heard_in): &(Candidate, HeardIn)| match heard_in {
        HeardIn::Channel(_) => candidate.nats,
        HeardIn::Difference => 0.9 * candidate.nats,
    };
    all.sort_by(|a, b| worth(b).total_cmp(&worth(a)));
    let longest = all.iter().map(|(c, _)| c.raw.len()).max().unwrap_or(0);
    if longest == 0 {
        return Vec::new();
    }
    let (mark, refiner) = (&sought.mark, sought.refiner(longest));
    let mut kept: Vec<Arrival> = Vec::new();
    for (candidate, heard_in) in &all {
        if kept.len() >= options.max_arrivals {
            break;
        }
        if kept.iter().any(|k| (k.at_s - candidate.at_s).abs() < SAME_S) {
            continue;
        }
        if let Some(refined) = refiner.refine(candidate) {
            kept.push(arrival(mark.kind, candidate, *heard_in, &refined));
        }
    }
    if mark.kind == Kind::Own {
        drop_lobes(&mut kept, mark.duration_s());
    }
    kept
}

/// How much more like an arrival must be than one within its own length that is its lobe: of two
/// like claps one fits the other, √2 times less.
const LIKER: f64 = 1.2;

/// Drops what overlaps a clearly better arrival: a bell fits its own ringing, and the first of two
/// claps the second. Two real marks cannot overlap.
fn drop_lobes(arrivals: &mut Vec<Arrival>, duration_s: f64) {
    let all = arrivals.clone();
    arrivals.retain(|own| {
        let outdoes = |other: &Arrival| {
            (other.at_s - own.at_s).abs() < duration_s && other.likeness > LIKER * own.likeness
        };
        !all.iter().any(outdoes)
    });
}

fn arrival(kind: Kind, candidate: &Candidate, heard_in: HeardIn, refined: &Refined) -> Arrival {
    let [(a, _), (b, _)] = candidate.parts;
    let part = match (a, b) {
        _ if kind == Kind::Own => Part::Whole,
        _ if a.min(b) >= PART_NATS => Part::Whole,
        _ if a > b => Part::FirstHalf,
        _ => Part::SecondHalf,
    };
    let sure_nats = if part == Part::Whole { SURE_NATS } else { 2.0 * SURE_NATS };
    let score = candidate.nats / (candidate.nats + sure_nats);
    // The peak the place was read from must itself stand out, or it may be another one.
    let score = if refined.snr < LEAST_SNR { score.min(0.9 * SURE) } else { score };
    let score = match kind {
        // One clap has what any clap has: only its likeness tells it from others.
        Kind::Own => score.min(refined.likeness / (refined.likeness + SURE_LIKENESS)),
        _ => score,
    };
    Arrival {
        at_s: refined.at_s,
        sd_s: refined.sd_s,
        score,
        skew_ppm: refined.skew.map(|(skew, _)| skew.exp_m1() * 1e6),
        skew_sd_ppm: refined.skew.map(|(_, sd)| sd * 1e6),
        per_ratio_s: refined.per_ratio_s,
        snr_db: 10.0 * refined.snr.max(1e-3).log10(),
        part,
        heard_in,
        inverted: refined.inverted,
        likeness: refined.likeness,
        echo_s: refined.echo_s,
    }
}

/// 2E/N₀ that the place's own peak must reach (19 dB). Where a whole mark is surely there, the peak
/// beside which it was read was another one in 30 of 695 trials 20 to 25 dB under noise; all of
/// those lay below 18.8 dB, and of the right ones 2 in 100 (tests/reference/study_mark.py).
const LEAST_SNR: f64 = 80.0;

/// Correlation from which an own mark is sure: other claps and bells of the same kind reach half
/// of it, and so does the best place of steady noise.
const SURE_LIKENESS: f64 = 0.6;

/// Evidence in nats from which a sweep counts as there.
const PART_NATS: f64 = 6.0;

/// Evidence at which white noise would give one false arrival in 10⁶ files of two hours: some
/// 10⁹ places are looked at in such a file, ln 10⁹ + ln 10⁶ = 34.5. Half a mark lacks the second
/// sweep that confirms the first, and needs twice as much.
const SURE_NATS: f64 = 35.0;

#[cfg(test)]
mod tests;
