//! The fine energy envelope, and the timing of an attack on it.

use std::collections::VecDeque;

use crate::math::vectors::{all_finite, in_vectors};

/// Width of one cell of the envelope.
const CELL_S: f64 = 0.000_5;
/// Cells in a hop of the level curve.
const CELLS_PER_LEVEL: usize = 10;
/// How much of the past is kept.
const KEPT_S: f64 = 2.0;

/// Mean squares over half-millisecond cells: of the sound, and of its second difference, in
/// which a stroke stands out of what still rings.
pub(super) struct Envelope {
    rate_hz: f64,
    plain: VecDeque<f32>,
    bright: VecDeque<f32>,
    first_cell: usize,
    done_samples: u64,
    cell_end: u64,
    sums: [f32; 2],
    count: u32,
    previous: [f32; 2],
    level_sum: f32,
    level_cells: usize,
    levels: Vec<f32>,
}

impl Envelope {
    pub(super) fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            plain: VecDeque::new(),
            bright: VecDeque::new(),
            first_cell: 0,
            done_samples: 0,
            cell_end: cell_end(rate_hz, 0),
            sums: [0.0; 2],
            count: 0,
            previous: [0.0; 2],
            level_sum: 0.0,
            level_cells: CELLS_PER_LEVEL / 2,
            levels: Vec::new(),
        }
    }

    pub(super) fn push(&mut self, block: &[f32]) {
        let clean = all_finite(block);
        let mut at = 0;
        while at < block.len() {
            let wanted = (self.cell_end - self.done_samples) as usize;
            if clean && at >= 2 && self.add_whole_cells(&block[at - 2..], wanted) {
                at += TOGETHER * wanted;
                continue;
            }
            let end = block.len().min(at + wanted);
            self.add(&block[at..end]);
            at = end;
            if self.done_samples == self.cell_end {
                self.close_cell();
            }
        }
        let spare = self.plain.len().saturating_sub((KEPT_S / CELL_S) as usize);
        self.plain.drain(..spare);
        self.bright.drain(..spare);
        self.first_cell += spare;
    }

    /// Closes the last, unfinished cell.
    pub(super) fn finish(&mut self) {
        if self.count > 0 {
            self.close_cell();
        }
        if self.level_cells > 0 {
            self.close_level();
        }
    }

    pub(super) fn end_s(&self) -> f64 {
        (self.first_cell + self.plain.len()) as f64 * CELL_S
    }

    /// Level of every hop so far.
    pub(super) fn levels_db(&self) -> &[f32] {
        &self.levels
    }

    pub(super) fn into_levels(self) -> Vec<f32> {
        self.levels
    }

    fn add(&mut self, samples: &[f32]) {
        let (mut plain, mut bright) = (0.0f32, 0.0f32);
        let [mut last, mut before] = self.previous;
        for &sample in samples {
            let x = if sample.is_finite() { sample } else { 0.0 };
            let difference = x - 2.0 * last + before;
            plain += x * x;
            bright += difference * difference;
            (before, last) = (last, x);
        }
        self.previous = [last, before];
        self.sums[0] += plain;
        self.sums[1] += bright;
        self.count += samples.len() as u32;
        self.done_samples += samples.len() as u64;
    }

    /// Adds some cells of so many samples each side by side, if the next are so long and all
    /// there; the samples begin with the two before them.
    fn add_whole_cells(&mut self, samples: &[f32], length: usize) -> bool {
        let cell = self.first_cell + self.plain.len();
        let last_end = cell_end(self.rate_hz, cell + TOGETHER - 1);
        let all = TOGETHER * length;
        let alike = self.count == 0 && last_end == self.done_samples + all as u64;
        if !alike || length < 2 || samples.len() < all + 2 {
            return false;
        }
        for sums in cell_sums(&samples[..all + 2], length) {
            // Cells are of two lengths, a sample apart: if some are as long as so many of the first
            // one's length, all of them are.
            debug_assert_eq!(self.cell_end, self.done_samples + length as u64);
            (self.sums, self.count) = (sums, length as u32);
            self.done_samples += length as u64;
            self.close_cell();
        }
        self.previous = [samples[all + 1], samples[all]];
        true
    }

    fn close_cell(&mut self) {
        let share = 1.0 / self.count.max(1) as f32;
        self.plain.push_back(self.sums[0] * share);
        self.bright.push_back(self.sums[1] * share);
        self.level_sum += self.sums[0] * share;
        self.level_cells += 1;
        if self.level_cells == CELLS_PER_LEVEL {
            self.close_level();
        }
        self.sums = [0.0; 2];
        self.count = 0;
        let cell = self.first_cell + self.plain.len();
        self.cell_end = cell_end(self.rate_hz, cell);
    }

    fn close_level(&mut self) {
        let mean = self.level_sum / self.level_cells.max(1) as f32;
        self.levels.push(10.0 * mean.max(1e-12).log10());
        self.level_sum = 0.0;
        self.level_cells = 0;
    }

    /// When the level whose flux peaks at `peak_s` begins to rise; `None` where it does not, as at
    /// a change of pitch under a held bow.
    pub(super) fn time_rise(&self, peak_s: f64) -> Option<Rise> {
        let plain = self.rise(&self.plain, peak_s);
        let bright = self.rise(&self.bright, peak_s);
        match (plain, bright) {
            (Some(a), Some(b)) => Some(if b.sd_s <= a.sd_s { b } else { a }),
            (a, b) => a.or(b),
        }
    }

    /// Power of the cells from one moment to another, as far as they are kept.
    pub(super) fn powers(&self, from_s: f64, to_s: f64) -> Vec<f32> {
        self.plain.range(self.cell_at(from_s)..self.cell_at(to_s)).copied().collect()
    }

    fn rise(&self, cells: &VecDeque<f32>, peak_s: f64) -> Option<Rise> {
        let from = self.cell_at(peak_s - 0.200);
        let to = self.cell_at(peak_s + 0.300);
        if to < from + 40 {
            return None;
        }
        let near: Vec<f32> = cells.range(from..to).copied().collect();
        let middle = self.cell_at(peak_s) - from;
        let smooth = smoothed(&near, 10);
        let (low, high) = slope_around(&smooth, middle)?;
        let mut rise = climb(&near, &smooth, low, high)?;
        rise.at_s += (self.first_cell + from) as f64 * CELL_S;
        Some(rise)
    }

    fn cell_at(&self, time_s: f64) -> usize {
        let cell = (time_s / CELL_S).round() as i64 - self.first_cell as i64;
        cell.clamp(0, self.plain.len() as i64) as usize
    }
}

/// Cells summed side by side: the sum of one waits for itself most of the time.
const TOGETHER: usize = 4;

in_vectors! {
    /// Sums of squares of some cells' samples, and of their second differences; the first cell's
    /// come after two others.
    fn cell_sums(samples: &[f32], length: usize) -> [[f32; 2]; TOGETHER] {
        let cells: [&[f32]; TOGETHER] =
            std::array::from_fn(|cell| &samples[cell * length..][..length + 2]);
        let mut sums = [[0.0f32; 2]; TOGETHER];
        for at in 0..length {
            for (sums, cell) in sums.iter_mut().zip(cells) {
                let difference = cell[at + 2] - 2.0 * cell[at + 1] + cell[at];
                sums[0] += cell[at + 2] * cell[at + 2];
                sums[1] += difference * difference;
            }
        }
        sums
    }
}

/// Where a rise begins, and how surely, both in seconds.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rise {
    pub(super) at_s: f64,
    pub(super) sd_s: f64,
}

/// How far before its fifth a slow rise began, in times from the fifth to the half: a straight
/// one, or one that eases in, by the same amount, since they cannot be told apart; one that starts
/// steeply by less. `bend` is how much longer the rise takes from half to four fifths.
pub(super) fn carried_back(bend: f64) -> f64 {
    (0.95 - 0.45 * (bend - 1.0)).clamp(0.4, 0.95)
}

fn cell_end(rate_hz: f64, cell: usize) -> u64 {
    (((cell + 1) as f64 * CELL_S * rate_hz).round() as u64).max(cell as u64 + 1)
}

/// Root of the mean over a window of `2 * reach + 1` cells.
fn smoothed(cells: &[f32], reach: usize) -> Vec<f32> {
    let mut sums = Vec::with_capacity(cells.len() + 1);
    let mut sum = 0.0f64;
    sums.push(sum);
    sums.extend(cells.iter().map(|cell| {
        sum += f64::from(*cell);
        sum
    }));
    let mut roots = vec![0.0; cells.len()];
    roots_of_means(&sums, reach, &mut roots);
    roots
}

in_vectors! {
    /// By the sums of all cells before each.
    fn roots_of_means(sums: &[f64], reach: usize, roots: &mut [f32]) {
        let (count, width) = (roots.len(), 2 * reach + 1);
        let inner = reach.min(count)..count.saturating_sub(reach).max(reach.min(count));
        let spans = sums.iter().zip(&sums[width.min(count)..]);
        for (root, (before, upto)) in roots[inner.clone()].iter_mut().zip(spans) {
            *root = ((upto - before) / width as f64).sqrt() as f32;
        }
        for at in (0..inner.start).chain(inner.end..count) {
            let (from, to) = (at.saturating_sub(reach), (at + reach + 1).min(count));
            roots[at] = ((sums[to] - sums[from]) / (to - from) as f64).sqrt() as f32;
        }
    }
}

/// The valley before and the summit after the steepest climb near `middle`; `None` where the
/// level hardly rises.
fn slope_around(smooth: &[f32], middle: usize) -> Option<(usize, usize)> {
    let reach = (0.060 / CELL_S) as usize;
    let step = (0.010 / CELL_S) as usize;
    let from = middle.saturating_sub(reach).max(step);
    let to = (middle + reach).min(smooth.len().saturating_sub(step));
    let steepest = (from..to).max_by(|&a, &b| {
        let climb = |k: usize| smooth[k + step] - smooth[k - step];
        climb(a).total_cmp(&climb(b))
    })?;
    let mut low = steepest;
    while low > 0 && smooth[low.saturating_sub(step)] < smooth[low] * 0.97 {
        low = low.saturating_sub(step / 4).min(low - 1);
    }
    let mut high = steepest;
    let last = smooth.len() - 1;
    while high < last && smooth[(high + step).min(last)] > smooth[high] * 1.03 {
        high = (high + step / 4).min(last);
    }
    let low = low.saturating_sub(step / 2);
    (smooth[high] > 1.25 * smooth[low].max(1e-7)).then_some((low, high))
}

/// Where a curve first reaches a level after `low`, in points of the curve.
pub(super) fn crossing(curve: &[f32], low: usize, wanted: f32) -> Option<f64> {
    let k = (low + 1..curve.len()).find(|&k| curve[k] >= wanted)?;
    let (a, b) = (curve[k - 1], curve[k]);
    let part = if b > a { ((wanted - a) / (b - a)).clamp(0.0, 1.0) } else { 1.0 };
    Some(k as f64 - 1.0 + f64::from(part))
}

/// Where between valley and summit the climb begins.
fn climb(cells: &[f32], smooth: &[f32], low: usize, high: usize) -> Option<Rise> {
    let (floor, top) = (smooth[low], smooth[high]);
    let crossing = |levels: &[f32], share: f32| {
        let wanted = floor + share * (top - floor);
        crossing(&levels[..=high], low, wanted).map(|cell| (cell + 0.5) * CELL_S)
    };
    let (fifth, half) = (crossing(smooth, 0.2)?, crossing(smooth, 0.5)?);
    let most = crossing(smooth, 0.8)?;
    let rise_s = most - fifth;
    // What rings on ripples, and the fainter the stroke against it, the less sure its edge.
    let contrast = (top / floor.max(1e-7)) as f64;
    if rise_s < 0.014 {
        let fine = smoothed(cells, 1);
        let at_s = crossing(&fine, 0.25).unwrap_or(fifth);
        return Some(Rise { at_s, sd_s: 0.001 + 0.004 / (contrast - 1.0) });
    }
    let bend = (most - half) / (half - fifth).max(CELL_S);
    let at_s = fifth - (half - fifth) * carried_back(bend);
    Some(Rise { at_s, sd_s: 0.002 + 0.2 * rise_s + 0.01 / (contrast - 1.0) })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_side_by_side_are_those_of_one_sample_after_the_other() {
        let mut random = fastrand::Rng::with_seed(8);
        let mut sound: Vec<f32> = (0..20_000).map(|_| random.f32() - 0.5).collect();
        sound[9_000] = f32::NAN;
        for rate_hz in [48_000.0, 44_100.0, 8_000.0, 4_000.0] {
            let (mut whole, mut single) = (Envelope::new(rate_hz), Envelope::new(rate_hz));
            sound.chunks(4_096).for_each(|block| whole.push(block));
            sound.chunks(1).for_each(|sample| single.push(sample));
            assert_eq!(whole.first_cell, single.first_cell, "{rate_hz}");
            // A cell in two blocks is summed in two parts.
            let near = |a: &VecDeque<f32>, b: &VecDeque<f32>| {
                a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() <= 1e-6 * a)
            };
            assert!(near(&whole.plain, &single.plain), "{rate_hz}");
            assert!(near(&whole.bright, &single.bright), "{rate_hz}");
            assert_eq!(whole.levels.len(), single.levels.len(), "{rate_hz}");
        }
    }
}
