//! The mix after the master: the sum under a gain, and in its place what the limiter made of it.

use super::RenderError;
use super::spool::{Sink, Spooled};
use std::ops::Range;
use std::sync::Arc;

/// A mastered mix. Only what the limiter changed is stored beside the sum.
pub(super) struct Mastered {
    mix: Arc<Spooled>,
    gain: f64,
    limited: Option<Limited>,
    heard: Range<u64>,
}

/// What the limiter changed: ranges of the mix, in order, one behind the other in the spool.
pub(super) struct Limited {
    pub(super) ranges: Vec<Range<u64>>,
    pub(super) sound: Spooled,
}

impl Mastered {
    pub(super) fn new(mix: Arc<Spooled>, gain: f64, limited: Option<Limited>) -> Self {
        let heard = 0..mix.frames();
        Self { mix, gain, limited, heard }
    }

    pub(super) fn frames(&self) -> u64 {
        self.heard.end - self.heard.start
    }

    /// The same, with nothing but `frames` of it handed out.
    pub(super) fn cut(mut self, frames: Range<u64>) -> Self {
        let end = frames.end.min(self.mix.frames());
        self.heard = frames.start.min(end)..end;
        self
    }

    /// Hands out everything from the start, piece by piece.
    pub(super) fn each(&self, sink: &mut Sink<'_>) -> Result<(), RenderError> {
        let mut planes = [Vec::new(), Vec::new()];
        self.mix.each(self.heard.clone(), &mut |first, block| {
            louder(block, self.gain, &mut planes);
            if let Some(limited) = &self.limited {
                limited.lay_over(first, &mut planes)?;
            }
            sink(first - self.heard.start, &[&planes[0], &planes[1]])
        })
    }
}

/// A block under a gain.
pub(super) fn louder(block: &[&[f32]], gain: f64, out: &mut [Vec<f32>; 2]) {
    for (out, block) in out.iter_mut().zip(block) {
        out.clear();
        out.extend(block.iter().map(|&sample| (f64::from(sample) * gain) as f32));
    }
}

impl Limited {
    fn lay_over(&self, first: u64, planes: &mut [Vec<f32>; 2]) -> Result<(), RenderError> {
        let end = first + planes[0].len() as u64;
        let mut stored = 0;
        for range in &self.ranges {
            let (from, upto) = (range.start.max(first), range.end.min(end));
            if from < upto {
                let start = stored + from - range.start;
                self.sound.each(start..start + upto - from, &mut |at, block| {
                    let to = (from + at - start - first) as usize;
                    for (plane, block) in planes.iter_mut().zip(block) {
                        plane[to..to + block.len()].copy_from_slice(block);
                    }
                    Ok(())
                })?;
            }
            stored += range.end - range.start;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::super::spool::Spool;
    use super::*;

    fn spooled(dir: &std::path::Path, samples: impl Iterator<Item = f32>) -> Spooled {
        let mut spool = Spool::new(dir);
        let plane: Vec<f32> = samples.collect();
        spool.push(&[&plane, &plane]).unwrap();
        spool.finish().unwrap()
    }

    #[test]
    fn what_was_limited_lies_in_its_place() {
        let dir = tempfile::tempdir().unwrap();
        let mix = Arc::new(spooled(dir.path(), (0..100_000).map(|n| n as f32)));
        let ranges = vec![10..20, 32_000..70_000, 99_990..100_000];
        let sound = spooled(dir.path(), ranges.clone().into_iter().flatten().map(|n| -(n as f32)));
        let inside = |n: u64| ranges.iter().any(|range| range.contains(&n));
        let limited = Limited { ranges: ranges.clone(), sound };
        let mastered = Mastered::new(mix, 2.0, Some(limited)).cut(15..99_995);
        let mut out = Vec::new();
        mastered
            .each(&mut |at, block| {
                assert_eq!(at as usize, out.len());
                out.extend_from_slice(block[1]);
                Ok(())
            })
            .unwrap();
        let wanted = (15..99_995u64).map(|n| if inside(n) { -(n as f32) } else { 2.0 * n as f32 });
        assert!(wanted.eq(out.iter().copied()));
    }
}
