//! Adds many stems to one stretch.

use super::kernel::{AT_ONCE, Narrow, add_both, add_four, add_one, add_wide, widen};
use super::{BedError, Contribution, Key};
use crate::stem::{BLOCK_BYTES, BLOCK_FRAMES, StemReader};
use std::collections::BTreeMap;

/// Stems that all threads together may hold open, a quarter of the usual limit of open files.
const MOST_OPEN: usize = 256;

/// Stems in a batch; as many are open at a time in one thread. Every batch goes once over the
/// whole stretch, which does not stay in the cache: few large batches do that seldom.
fn batch_stems() -> usize {
    (MOST_OPEN / rayon::current_num_threads().max(1)).clamp(32, 128)
}

/// Blocks summed at a time: with the bytes read this stays in a core's second-level cache.
const CHUNK_BLOCKS: usize = 4;

/// A stem with its gains in the form its loudness allows.
struct Voice<'a> {
    stem: Contribution<'a>,
    narrow: Option<[Narrow; 2]>,
    /// What it can add to a narrow sum, either side.
    bound: i64,
    reader: StemReader,
}

/// Some stems, open, that can be added anywhere or taken out.
///
/// Narrow voices are summed in `i32`; before their bounds add up to more than an `i32` holds the
/// sum is widened, so no partial sum can wrap.
pub struct Batch<'a> {
    voices: Vec<Voice<'a>>,
    sign: i64,
}

/// Opens stems to be added (`sign` 1) or taken out (−1), in batches.
pub(super) fn batches<'a>(
    stems: &[Contribution<'a>],
    sign: i64,
) -> Result<Vec<Batch<'a>>, BedError> {
    let mut batches = Vec::new();
    let mut rest = stems;
    while !rest.is_empty() {
        let (batch, left) = next_batch(rest, sign)?;
        batches.push(batch);
        rest = left;
    }
    Ok(batches)
}

/// As many of `stems` as one batch takes, and the others.
fn next_batch<'a, 's>(
    stems: &'s [Contribution<'a>],
    sign: i64,
) -> Result<(Batch<'a>, &'s [Contribution<'a>]), BedError> {
    let (batch, left) = stems.split_at(stems.len().min(batch_stems()));
    let voices = batch.iter().map(voice).collect::<Result<_, _>>()?;
    Ok((Batch { voices, sign }, left))
}

/// Adds `stems` times `sign` to `planes`, which begin at `first_block`.
pub(super) fn accumulate(
    planes: &mut [Vec<i64>; 2],
    first_block: i64,
    stems: &[Contribution<'_>],
    sign: i64,
) -> Result<(), BedError> {
    let mut scratch = Scratch::default();
    let mut rest = stems;
    while !rest.is_empty() {
        let (batch, left) = next_batch(rest, sign)?;
        let [to_left, to_right] = &mut *planes;
        batch.add([to_left, to_right], first_block, &mut scratch)?;
        rest = left;
    }
    Ok(())
}

fn voice<'a>(stem: &Contribution<'a>) -> Result<Voice<'a>, BedError> {
    let limit = (1u32 << 18) as f32;
    let path = || stem.stem.path().to_owned();
    if !stem.gains.iter().all(|gain| gain.abs() <= limit) {
        return Err(BedError::Gain { path: path() });
    }
    let narrow = narrow(stem);
    let bound = narrow.map_or(0, most_of);
    let reader = stem.stem.reader().map_err(|source| BedError::Stem { path: path(), source })?;
    Ok(Voice { stem: *stem, narrow, bound, reader })
}

/// Its gains, if it is not too loud for that.
fn narrow(stem: &Contribution<'_>) -> Option<[Narrow; 2]> {
    let peak = stem.stem.summary().peak;
    let [left, right] = stem.gains.map(|gain| Narrow::new(gain, peak));
    Some([left?, right?])
}

fn most_of([left, right]: [Narrow; 2]) -> i64 {
    left.bound().max(right.bound())
}

/// What a stem adds at most to any step, either side; none if it is so loud that its samples are
/// not held to what its header says.
pub(super) fn most_steps(stem: &Contribution<'_>) -> Option<i64> {
    narrow(stem).map(most_of)
}

impl Batch<'_> {
    /// Whether anything of it sounds in a block.
    pub(super) fn sounds_in(&self, block: i64) -> bool {
        self.voices.iter().any(|voice| voice.stem.sounds_in(block, 1))
    }

    /// The most that it can add to a sum of one block; none if that may not fit a narrow one.
    pub(super) fn bound_in(&self, block: i64) -> Option<i64> {
        let here = self.voices.iter().filter(|voice| voice.stem.sounds_in(block, 1));
        here.map(|voice| voice.narrow.map(|_| voice.bound)).sum()
    }

    /// Adds its part of one block to narrow sums, which have room for it.
    pub(super) fn add_short(
        &self,
        sums: &mut [Vec<i32>; 2],
        block: i64,
        scratch: &mut Scratch,
    ) -> Result<(), BedError> {
        std::mem::swap(&mut scratch.narrow, sums);
        let voices = self.voices.iter().map(|voice| {
            let narrow = voice.narrow.map(|pair| match self.sign {
                ..0 => pair.map(Narrow::taken_out),
                _ => pair,
            });
            scratch.add_chunk(&mut [&mut [], &mut []], block, 1, (voice, narrow), 1).map(drop)
        });
        let added = voices.collect();
        scratch.add_waiting(1, BLOCK_FRAMES);
        std::mem::swap(&mut scratch.narrow, sums);
        added
    }

    /// Counts what it adds or takes out.
    pub(super) fn count(&self, contents: &mut BTreeMap<Key, u32>) {
        for voice in &self.voices {
            let count = contents.entry(voice.stem.key()).or_insert(0);
            *count = if self.sign > 0 { *count + 1 } else { count.saturating_sub(1) };
        }
        contents.retain(|_, count| *count > 0);
    }

    /// Adds its part of whole blocks from `first_block` on.
    pub(super) fn add(
        &self,
        planes: [&mut [i64]; 2],
        first_block: i64,
        scratch: &mut Scratch,
    ) -> Result<(), BedError> {
        let [left, right] = planes;
        let blocks = left.len() / BLOCK_FRAMES;
        for from in (0..blocks).step_by(CHUNK_BLOCKS) {
            let count = CHUNK_BLOCKS.min(blocks - from);
            let range = from * BLOCK_FRAMES..(from + count) * BLOCK_FRAMES;
            let mut wide = [&mut left[range.clone()], &mut right[range]];
            for narrow in &mut scratch.narrow {
                narrow.resize(CHUNK_BLOCKS * BLOCK_FRAMES, 0);
            }
            let (mut bound, mut touched) = (0, false);
            for voice in &self.voices {
                if bound + voice.bound > i64::from(i32::MAX) {
                    scratch.widen(&mut wide, self.sign, touched);
                    (bound, touched) = (0, false);
                }
                bound += voice.bound;
                let at = first_block + from as i64;
                let voice = (voice, voice.narrow);
                touched |= scratch.add_chunk(&mut wide, at, count as i64, voice, self.sign)?;
            }
            scratch.widen(&mut wide, self.sign, touched);
        }
        Ok(())
    }
}

/// Memory to sum in.
#[derive(Default)]
pub(super) struct Scratch {
    bytes: Vec<u8>,
    narrow: [Vec<i32>; 2],
    /// Mono stems that sound all through the chunk wait here for company.
    waiting: Vec<([Narrow; 2], Vec<u8>)>,
    spare: Vec<Vec<u8>>,
}

impl Scratch {
    /// Adds one stem's part of one chunk of `count` blocks, with these narrow gains if it has any;
    /// says whether the narrow sums were touched.
    fn add_chunk(
        &mut self,
        wide: &mut [&mut [i64]; 2],
        chunk_block: i64,
        count: i64,
        (voice, narrow): (&Voice<'_>, Option<[Narrow; 2]>),
        sign: i64,
    ) -> Result<bool, BedError> {
        let stem = voice.stem.stem;
        let channels = usize::from(stem.summary().channels);
        let mut touched = false;
        for run in stem.runs_in(chunk_block..chunk_block + count) {
            let blocks = run.blocks as usize;
            voice
                .reader
                .read_blocks(run.slot, blocks, &mut self.bytes)
                .map_err(|source| BedError::Stem { path: stem.path().to_owned(), source })?;
            if let (Some(scales), 1, true) = (narrow, channels, run.blocks as i64 == count) {
                let spare = self.spare.pop().unwrap_or_default();
                self.waiting.push((scales, std::mem::replace(&mut self.bytes, spare)));
                self.add_waiting(AT_ONCE, blocks * BLOCK_FRAMES);
                touched = true;
                continue;
            }
            let from = (run.first_block - chunk_block) as usize * BLOCK_FRAMES;
            let upto = from + blocks * BLOCK_FRAMES;
            let gains = voice.stem.gains;
            match (narrow, channels) {
                (Some([left, right]), 1) => {
                    let [to_left, to_right] = &mut self.narrow;
                    let sums = [&mut to_left[from..upto], &mut to_right[from..upto]];
                    add_both(&self.bytes, left, right, sums);
                }
                (Some(scales), _) => {
                    for (at, pair) in self.bytes.chunks_exact(2 * BLOCK_BYTES).enumerate() {
                        let at = from + at * BLOCK_FRAMES;
                        let planes = pair.chunks_exact(BLOCK_BYTES);
                        for ((bytes, scale), sum) in planes.zip(scales).zip(&mut self.narrow) {
                            add_one(bytes, scale, &mut sum[at..at + BLOCK_FRAMES]);
                        }
                    }
                }
                (None, _) => {
                    for (at, block) in self.bytes.chunks_exact(channels * BLOCK_BYTES).enumerate() {
                        let at = from + at * BLOCK_FRAMES;
                        let planes = block.chunks_exact(BLOCK_BYTES).cycle();
                        for ((bytes, gain), sum) in planes.zip(gains).zip(wide.iter_mut()) {
                            add_wide(bytes, gain, &mut sum[at..at + BLOCK_FRAMES], sign);
                        }
                    }
                }
            }
            touched |= narrow.is_some();
        }
        Ok(touched)
    }
}

impl Scratch {
    /// Moves the narrow sums into the wide ones, those that wait too, if there are any.
    fn widen(&mut self, wide: &mut [&mut [i64]; 2], sign: i64, touched: bool) {
        self.add_waiting(1, wide[0].len());
        if touched {
            for (narrow, wide) in self.narrow.iter_mut().zip(wide) {
                // Clearing what was not touched would cost more than adding it.
                let frames = wide.len();
                widen(&mut narrow[..frames], wide, sign);
            }
        }
    }

    /// Adds the stems that wait, if there are at least `enough` of them.
    fn add_waiting(&mut self, enough: usize, frames: usize) {
        if self.waiting.len() < enough {
            return;
        }
        let [left, right] = &mut self.narrow;
        let sums = [&mut left[..frames], &mut right[..frames]];
        if let [a, b, c, d] = &self.waiting[..] {
            add_four([&a.1, &b.1, &c.1, &d.1], [a.0, b.0, c.0, d.0], sums);
        } else {
            for ([left, right], bytes) in &self.waiting {
                let [to_left, to_right] = &mut self.narrow;
                add_both(bytes, *left, *right, [&mut to_left[..frames], &mut to_right[..frames]]);
            }
        }
        self.spare.extend(self.waiting.drain(..).map(|(_, bytes)| bytes));
    }
}
