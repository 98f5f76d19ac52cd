//! Gain and limiter, until the mix is at the piece's loudness.

use super::RenderError;
use super::bus::Sum;
use super::limited::{hot_ranges, limited};
use super::mastered::{Limited, Mastered};
use super::progress::{Stage, Way};
use super::spool::Spool;
use super::stretch::{Measured, Place, Tail, powers};
use ripieno_engine::loudness::Loudness;
use ripieno_engine::loudness::hops::{PRE_ROLL_FRAMES, integrated_lufs, loudness_of};
use ripieno_engine::mix::{amplitude, decibels};
use ripieno_score::Delivery;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::sync_channel;

/// A mix at delivery loudness.
pub(super) struct Master {
    pub(super) mix: Mastered,
    /// K-weighted mean powers by hop, before the master and after.
    pub(super) powers_before: Vec<f64>,
    pub(super) powers: Vec<f64>,
    pub(super) loudness: Loudness,
    pub(super) gain_db: f64,
    pub(super) limited_db: f64,
    pub(super) notes: Vec<String>,
}

/// How near the target is near enough, LU; EBU R 128 allows ±0.2 where a mix is made to measure.
const TOLERANCE_LU: f64 = 0.1;

/// Passes at most: each brings the loudness error down several times over.
const MOST_PASSES: usize = 8;

/// Most the master lifts a mix before its limiter, dB: beyond it there is no music to lift.
const MOST_GAIN_DB: f64 = 60.0;

/// Brings the mix to `delivery`: sets the gain by what was measured, limits, measures again. The
/// true peak is held as read at sixteen points a sample; the limiter reads four.
///
/// A gain changes loudness and peaks by just that gain, so only where the limiter works is the
/// sound measured anew, and where nothing needs it nothing is read twice.
pub(super) fn master(
    sum: &Sum,
    rate_hz: u32,
    delivery: &Delivery,
    dir: &Path,
    way: &Way<'_>,
) -> Result<Master, RenderError> {
    let before = powers(rate_hz, sum.parts.iter().map(|(place, m)| (place, &m.hops[..], 1.0)));
    let lufs = integrated_lufs(&before);
    let mut gain_db = lufs.map_or(0.0, |lufs| (delivery.target_lufs - lufs).min(MOST_GAIN_DB));
    let mut ceiling_dbtp = delivery.max_dbtp;
    let mut best: Option<Tried> = None;
    for number in 0..MOST_PASSES {
        // How many there will be is not known: each takes half of what is left.
        let tell = |done: f64| way.at(Stage::Master, 1.0 - 0.5f64.powf(number as f64 + done));
        let tried = pass(sum, gain_db, ceiling_dbtp, rate_hz, dir, &tell)?;
        let over_db = tried.loudness.true_peak_dbtp.map_or(0.0, |peak| peak - delivery.max_dbtp);
        let error_lu =
            tried.loudness.integrated_lufs.map_or(0.0, |lufs| delivery.target_lufs - lufs);
        let done = over_db <= 0.0 && error_lu.abs() <= TOLERANCE_LU;
        let best_error_lu = best.as_ref().map_or(f64::INFINITY, |best: &Tried| {
            best.loudness.integrated_lufs.map_or(0.0, |l| (delivery.target_lufs - l).abs())
        });
        if over_db <= 0.0 && error_lu.abs() < best_error_lu {
            best = Some(tried);
        }
        if done || lufs.is_none() {
            break;
        }
        ceiling_dbtp -= over_db.max(0.0);
        gain_db = (gain_db + error_lu).min(MOST_GAIN_DB);
    }
    let best = best.ok_or_else(|| {
        RenderError::Impossible("its peaks could not be brought under the piece's limit".into())
    })?;
    let Tried { gain, limited, powers, loudness, gain_db, limited_db } = best;
    let notes = shortfall(&loudness, delivery).into_iter().collect();
    let mix = Mastered::new(Arc::clone(&sum.mix), gain, limited);
    Ok(Master { mix, powers_before: before, powers, loudness, gain_db, limited_db, notes })
}

fn shortfall(loudness: &Loudness, delivery: &Delivery) -> Option<String> {
    let Some(lufs) = loudness.integrated_lufs else {
        return Some(
            "The mix is too quiet to have a loudness; it was not brought to the piece's \
                     target."
                .into(),
        );
    };
    ((lufs - delivery.target_lufs).abs() > 0.2).then(|| {
        format!(
            "The mix is at {lufs:.1} LUFS, not at the piece's {:.1}: louder would only be more \
             limiting. Lower the target, or lift the quiet sections.",
            delivery.target_lufs
        )
    })
}

/// A pass before anything is written for it.
struct Tried {
    gain: f64,
    /// What was limited; none where the gain alone is enough.
    limited: Option<Limited>,
    powers: Vec<f64>,
    loudness: Loudness,
    gain_db: f64,
    limited_db: f64,
}

/// One pass. Where no peak comes near the ceiling it is only reckoned.
fn pass(
    sum: &Sum,
    gain_db: f64,
    ceiling_dbtp: f64,
    rate_hz: u32,
    dir: &Path,
    tell: &dyn Fn(f64),
) -> Result<Tried, RenderError> {
    let gain = amplitude(gain_db);
    let hot = hot_ranges(&sum.parts, gain, ceiling_dbtp);
    if hot.is_empty() {
        let parts = sum.parts.iter().map(|(place, m)| (place, &m.hops[..], gain));
        let powers = powers(rate_hz, parts);
        let highest = sum.parts.iter().map(|(_, m)| m.peaks.highest).fold(0.0, f32::max);
        let loudness = loudness(&powers, f64::from(highest) * gain);
        return Ok(Tried { gain, limited: None, powers, loudness, gain_db, limited_db: 0.0 });
    }
    std::thread::scope(|scope| {
        let (sender, receiver) = sync_channel::<Block>(4);
        let keeper = scope.spawn(move || {
            let mut keeper = Keeper::new(sum, gain, rate_hz, dir);
            receiver.into_iter().try_for_each(|block| keeper.take(&block))?;
            keeper.finish()
        });
        let mut frames = 0;
        let limited =
            limited(&sum.mix, gain, ceiling_dbtp, rate_hz, &hot, &mut |changed, block| {
                let planes = [block[0].to_vec(), block[1].to_vec()];
                frames += planes[0].len();
                tell(frames as f64 / sum.mix.frames() as f64);
                // A keeper that has stopped tells why below.
                let _ = sender.send(Block { changed, planes });
            });
        drop(sender);
        let kept = keeper
            .join()
            .unwrap_or_else(|_| Err(RenderError::Impossible("the meter stopped".into())));
        let limited_db = limited?;
        let (limited, powers, highest) = kept?;
        let loudness = loudness(&powers, highest);
        Ok(Tried { gain, limited: Some(limited), powers, loudness, gain_db, limited_db })
    })
}

fn loudness(powers: &[f64], highest: f64) -> Loudness {
    let true_peak_dbtp = (highest > 0.0).then(|| decibels(highest));
    Loudness { true_peak_dbtp, ..loudness_of(powers) }
}

/// Some frames after the limiter.
struct Block {
    /// Whether it changed them.
    changed: bool,
    planes: [Vec<f32>; 2],
}

/// Puts what is limited aside and measures anew the parts that the limiter changed.
struct Keeper<'a> {
    sum: &'a Sum,
    gain: f64,
    rate_hz: u32,
    spool: Spool,
    ranges: Vec<Range<u64>>,
    tail: Tail,
    /// The part that grows, and its number.
    planes: [Vec<f32>; 2],
    number: usize,
    /// The frame after the last that the limiter changed.
    changed_upto: u64,
    at: u64,
    parts: Vec<(Place, Vec<f64>, f64)>,
    highest: f64,
}

impl<'a> Keeper<'a> {
    fn new(sum: &'a Sum, gain: f64, rate_hz: u32, dir: &Path) -> Self {
        Self {
            sum,
            gain,
            rate_hz,
            spool: Spool::new(dir),
            ranges: Vec::new(),
            tail: Tail::default(),
            planes: Default::default(),
            number: 0,
            changed_upto: 0,
            at: 0,
            parts: Vec::new(),
            highest: 0.0,
        }
    }

    fn take(&mut self, block: &Block) -> Result<(), RenderError> {
        let [left, right] = &block.planes;
        if block.changed {
            self.spool.push(&[left, right])?;
            let end = self.at + left.len() as u64;
            match self.ranges.last_mut() {
                Some(last) if last.end == self.at => last.end = end,
                _ => self.ranges.push(self.at..end),
            }
        }
        let mut from = 0;
        while from < left.len() {
            let Some((place, _)) = self.sum.parts.get(self.number) else { return Ok(()) };
            let upto = left.len().min(from + place.frames - self.planes[0].len());
            self.at += (upto - from) as u64;
            if block.changed {
                self.changed_upto = self.at;
            }
            self.planes[0].extend_from_slice(&left[from..upto]);
            self.planes[1].extend_from_slice(&right[from..upto]);
            if self.planes[0].len() == place.frames {
                self.end_part();
            }
            from = upto;
        }
        Ok(())
    }

    fn end_part(&mut self) {
        let Some((place, measured)) = self.sum.parts.get(self.number) else { return };
        let planes = [&self.planes[0][..], &self.planes[1][..]];
        let reach = place.first_frame.saturating_sub(PRE_ROLL_FRAMES as u64);
        if self.changed_upto > reach {
            let Measured { hops, peaks } =
                place.measure(self.rate_hz, self.tail.planes(), planes, None);
            self.highest = self.highest.max(f64::from(peaks.highest));
            self.parts.push((*place, hops, 1.0));
        } else {
            self.highest = self.highest.max(f64::from(measured.peaks.highest) * self.gain);
            self.parts.push((*place, measured.hops.clone(), self.gain));
        }
        self.tail.push(planes);
        self.planes.iter_mut().for_each(Vec::clear);
        self.number += 1;
    }

    fn finish(self) -> Result<(Limited, Vec<f64>, f64), RenderError> {
        let parts = self.parts.iter().map(|(place, hops, gain)| (place, &hops[..], *gain));
        let powers = powers(self.rate_hz, parts);
        let limited = Limited { ranges: self.ranges, sound: self.spool.finish()? };
        Ok((limited, powers, self.highest))
    }
}
