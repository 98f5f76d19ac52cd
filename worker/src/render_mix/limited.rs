//! The limiter, set to work only where a peak comes near the ceiling.

use super::RenderError;
use super::mastered::louder;
use super::spool::Spooled;
use super::stretch::{Measured, Place};
use ripieno_engine::limit::{BOUND_FRAMES, BOUND_LAG, GUARD_DB, LimitedSink, Limiter, PEAK_REACH};
use ripieno_engine::mix::amplitude;
use std::ops::Range;

/// Frames handed to the limiter at a time.
const CHUNK: usize = 512;

/// Frames between which peaks may pass the limiter's ceiling under `gain`, in order, apart.
pub(super) fn hot_ranges(
    parts: &[(Place, Measured)],
    gain: f64,
    ceiling_dbtp: f64,
) -> Vec<Range<u64>> {
    let ceiling = amplitude(ceiling_dbtp - GUARD_DB);
    let mut hot: Vec<Range<u64>> = Vec::new();
    for (place, measured) in parts {
        for (number, bound) in measured.peaks.bounds.iter().enumerate() {
            if f64::from(*bound) * gain <= ceiling {
                continue;
            }
            let end = place.first_frame + ((number + 1) * BOUND_FRAMES) as u64;
            let start = end.saturating_sub((2 * BOUND_FRAMES + BOUND_LAG + 1) as u64);
            match hot.last_mut() {
                Some(last) if last.end >= start => last.end = last.end.max(end),
                _ => hot.push(start..end),
            }
        }
    }
    hot
}

/// Hands out the mix under `gain`, limited. Between the hot ranges, once the limiter is at rest,
/// the sound passes by it: it would pass unchanged. What is said to be changed does not depend on
/// the ranges, as long as none is missing. Gives the most that was taken away, dB.
pub(super) fn limited(
    mix: &Spooled,
    gain: f64,
    ceiling_dbtp: f64,
    rate_hz: u32,
    hot: &[Range<u64>],
    sink: &mut LimitedSink<'_>,
) -> Result<f64, RenderError> {
    let mut run =
        Run { ceiling_dbtp, rate_hz, hot, limiter: None, before: Default::default(), most_db: 0.0 };
    let mut planes = [Vec::new(), Vec::new()];
    mix.each(0..mix.frames(), &mut |first_frame, block| {
        louder(block, gain, &mut planes);
        run.piece(first_frame, &planes, sink);
        Ok(())
    })?;
    if let Some(limiter) = run.limiter.take() {
        run.most_db = run.most_db.max(limiter.finish(sink));
    }
    Ok(run.most_db)
}

struct Run<'a> {
    ceiling_dbtp: f64,
    rate_hz: u32,
    /// Those that are not over yet.
    hot: &'a [Range<u64>],
    limiter: Option<Limiter>,
    /// The last frames before what comes.
    before: [Vec<f32>; 2],
    most_db: f64,
}

impl Run<'_> {
    fn piece(&mut self, first_frame: u64, planes: &[Vec<f32>; 2], sink: &mut LimitedSink<'_>) {
        let reach = Limiter::reach_frames(self.rate_hz) as u64;
        let frames = planes[0].len();
        let mut from = 0;
        while from < frames {
            let at = first_frame + from as u64;
            let over = self.hot.iter().take_while(|hot| hot.end + reach <= at).count();
            self.hot = &self.hot[over..];
            let start = self.hot.first().map_or(u64::MAX, |hot| hot.start.saturating_sub(reach));
            if self.limiter.as_ref().is_some_and(Limiter::at_rest) && start > at {
                let limiter = self.limiter.take();
                let released = limiter.map(|held| held.release(sink));
                self.most_db = self.most_db.max(released.unwrap_or(0.0));
            }
            let idle = self.limiter.is_none() && start > at;
            let upto = match idle {
                true => frames.min(from.saturating_add((start - at) as usize)),
                false => frames.min(from + CHUNK),
            };
            let block = [&planes[0][from..upto], &planes[1][from..upto]];
            if idle {
                sink(false, &block);
            } else {
                let (rate_hz, ceiling_dbtp) = (self.rate_hz, self.ceiling_dbtp);
                let before = [&self.before[0][..], &self.before[1][..]];
                self.limiter
                    .get_or_insert_with(|| Limiter::after(rate_hz, &before, ceiling_dbtp))
                    .push(&block, sink);
            }
            for (before, block) in self.before.iter_mut().zip(block) {
                before.extend_from_slice(&block[block.len().saturating_sub(PEAK_REACH)..]);
                before.drain(..before.len().saturating_sub(PEAK_REACH));
            }
            from = upto;
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::super::spool::Spool;
    use super::*;

    /// The obvious twin: one limiter from the first frame to the last.
    fn limited_whole(planes: &[Vec<f32>; 2], gain: f64) -> (Vec<f32>, f64) {
        let mut limiter = Limiter::new(48_000, 2, -1.0);
        let louder = planes.each_ref().map(|plane| {
            plane.iter().map(|&sample| (f64::from(sample) * gain) as f32).collect::<Vec<f32>>()
        });
        let mut out = Vec::new();
        let mut sink = |_: bool, block: &[&[f32]]| out.extend_from_slice(block[0]);
        limiter.push(&[&louder[0], &louder[1]], &mut sink);
        let most_db = limiter.finish(&mut sink);
        (out, most_db)
    }

    #[test]
    fn limiting_only_where_it_matters_changes_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let frames = 48_000 * 24;
        let mut random = fastrand::Rng::with_seed(8);
        let planes: [Vec<f32>; 2] = [0, 1].map(|_| {
            let loud = |n: usize| if (n / 48_000) % 11 == 3 || n < 900 { 1.6 } else { 0.4 };
            (0..frames).map(|n| loud(n) * (random.f32() - 0.5)).collect()
        });
        let mut spool = Spool::new(dir.path());
        spool.push(&[&planes[0], &planes[1]]).unwrap();
        let mix = spool.finish().unwrap();
        let mut parts = Vec::new();
        for (from, upto) in [(0, 24_000), (24_000, 548_288), (548_288, frames)] {
            let place =
                Place { first_frame: from as u64, frames: upto - from, last: upto == frames };
            let before = [&planes[0][..from], &planes[1][..from]];
            let part = [&planes[0][from..upto], &planes[1][from..upto]];
            parts.push((place, place.measure(48_000, before, part, None)));
        }
        let gain = 1.3;
        let (whole, whole_db) = limited_whole(&planes, gain);
        let hot = hot_ranges(&parts, gain, -1.0);
        let whole_range = 0..frames as u64;
        let runs = [&hot[..], std::slice::from_ref(&whole_range)].map(|hot| {
            let (mut out, mut passed) = (Vec::new(), Vec::new());
            let most_db = limited(&mix, gain, -1.0, 48_000, hot, &mut |changed, block| {
                passed.extend(block[0].iter().map(|_| !changed));
                out.extend_from_slice(block[0]);
            });
            let most_db = most_db.unwrap();
            assert!(out == whole, "{:?}", out.iter().zip(&whole).position(|(a, b)| a != b));
            assert!((most_db - whole_db).abs() < 1e-9 && most_db > 0.5, "{most_db} {whole_db}");
            passed
        });
        assert!(runs[0] == runs[1], "what is changed does not depend on where it is looked for");
        let passed = runs[0].iter().filter(|passed| **passed).count();
        assert!(passed > frames / 4 && passed < frames, "{passed} passed unchanged");
    }
}
