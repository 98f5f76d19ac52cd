//! The search of one signal from end to end, in bounded memory.

use crate::locate::decimate::{Decimator, factor_for};
use crate::locate::evidence::{self, nats_of_sum};
use crate::locate::template::{Grid, Template};
use crate::locate::whiten::Whitener;
use crate::mark::{Kind, Mark};
use crate::math::vectors::{LANES, in_vectors, peak, powers};
use ripieno_transform::{Complex, Fft, RealToComplex, single};
use std::collections::VecDeque;
use std::sync::Arc;

/// Everything that the searches of several channels share.
pub(crate) struct Plan {
    pub(crate) rate_hz: f64,
    pub(crate) grid: Grid,
    factor: usize,
    /// Candidates kept for each mark in each signal.
    keep: usize,
    /// Samples by which a block advances.
    hop: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn Fft<f32>>,
    templates: Vec<Template>,
    pub(crate) marks: Vec<MarkPlan>,
}

/// What the search knows of one mark.
pub(crate) struct MarkPlan {
    /// Its templates, in the order in which they sound.
    templates: std::ops::Range<usize>,
    /// From when to when it sounds, in seconds after its origin.
    pub(crate) span_s: (f64, f64),
    /// Sound kept before it; of one that rings, as much as its own correlation reaches back.
    ahead_s: f64,
}

/// A place worth a closer look.
#[derive(Clone, Debug)]
pub(crate) struct Candidate {
    pub(crate) mark: usize,
    /// Evidence for both parts together, in nats.
    pub(crate) nats: f64,
    /// Evidence for each part, and the file time of its anchor in seconds.
    pub(crate) parts: [(f64, f64); 2],
    /// Rough file time of the mark's origin.
    pub(crate) at_s: f64,
    /// Raw samples around it, and the file frame of the first.
    pub(crate) raw: Vec<f32>,
    pub(crate) first_frame: i64,
}

/// Sound kept on either side of a candidate.
pub(crate) const MARGIN_S: f64 = 0.15;
/// Largest clock or tempo error looked for.
const MAX_SKEW: f64 = 0.011;
/// What nearly every clock stays within, and how much more a tail must show that lies beyond it.
const CLOCK_SKEW: f64 = 4e-4;
const FAR_NATS: f32 = 6.0;
/// Evidence that the weaker of two parts must have if they lie further apart than that.
const FAR_PART_NATS: f64 = 14.0;
/// Correlation power, over that of white noise, from which a peak is remembered; a pair of peaks
/// or a single one is weighed from the second figure.
const PEAK_POWER: f32 = 8.0;
const WEIGH_POWER: f64 = 20.0;
/// Evidence from which a candidate is kept.
const KEEP_NATS: f64 = 16.0;
/// Fewest candidates kept for each mark in each signal.
const KEEP_AT_LEAST: usize = 8;
/// Weighed piece by piece, a peak's evidence is hardly ever more than this many times its power.
const OUTSHONE: f64 = 2.0;
/// Peaks closer than this are one.
const PEAK_WIDTH_S: f64 = 0.008;
/// Candidates closer than this are one.
const CANDIDATE_WIDTH_S: f64 = 0.03;
/// Silence put before the file, so that a mark cut by its start is seen.
const LEAD_S: f64 = 0.4;

impl Plan {
    pub(crate) fn new(marks: &[Mark], keep: usize) -> Self {
        let file_rate_hz = marks.first().map_or(48_000, |m| m.rate_hz);
        let factor = factor_for(file_rate_hz);
        let rate_hz = f64::from(file_rate_hz) / factor as f64;
        let parts: Vec<_> = marks.iter().map(|m| m.parts(rate_hz)).collect();
        let longest = parts.iter().flatten().map(|p| p.samples.len()).max().unwrap_or(1);
        let grid = Grid::new(longest, rate_hz);
        let mut templates = Vec::new();
        let mut plans = Vec::new();
        for (mark, parts) in marks.iter().zip(&parts) {
            let first = templates.len();
            templates.extend(parts.iter().map(|p| Template::new(p, &grid)));
            let rings_s = if mark.kind == Kind::Own { mark.duration_s() } else { 0.0 };
            plans.push(MarkPlan {
                templates: first..templates.len(),
                span_s: mark.span_s(),
                ahead_s: MARGIN_S + rings_s,
            });
        }
        Plan {
            rate_hz: f64::from(file_rate_hz),
            factor,
            keep: keep.max(KEEP_AT_LEAST),
            hop: (grid.size - longest) & !1,
            forward: single::forward_of_real(grid.size),
            inverse: single::inverse(grid.size / 2),
            grid,
            templates,
            marks: plans,
        }
    }

    /// Raw frames that must be at hand when a candidate is found.
    fn raw_reach(&self) -> usize {
        let span = |m: &MarkPlan| m.span_s.1 - m.span_s.0;
        let mark_s = self.marks.iter().map(span).fold(0.0, f64::max);
        let block_s = self.grid.size as f64 / self.grid.rate_hz;
        ((block_s + 2.0 * mark_s + 4.0 * MARGIN_S + 0.5) * self.rate_hz) as usize
    }
}

/// A peak of the correlation with one template.
#[derive(Clone, Copy, Debug)]
struct Peak {
    /// Template start, in samples of the search since the lane began.
    start: f64,
    power: f32,
}

/// The search of one signal.
#[derive(Clone)]
pub(crate) struct Lane {
    plan: Arc<Plan>,
    /// File frame at which the lane began.
    began: i64,
    decimator: Decimator,
    whitener: Whitener,
    low: Vec<f32>,
    /// Whitened samples from `first` on; the lane's own count starts at 0.
    whitened: Vec<f32>,
    first: usize,
    /// Start of the next block to search.
    next: usize,
    raw: Vec<f32>,
    raw_first: i64,
    peaks: Vec<VecDeque<Peak>>,
    found: Vec<Vec<Candidate>>,
    buffers: Buffers,
}

#[derive(Clone)]
struct Buffers {
    block: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    product: Vec<Complex<f32>>,
    power: Vec<f32>,
    scratch: Vec<Complex<f32>>,
    scratch_inverse: Vec<Complex<f32>>,
}

impl Lane {
    /// A search that begins at `began` frames of the file.
    pub(crate) fn new(plan: &Arc<Plan>, began: i64) -> Self {
        let rate_hz = plan.grid.rate_hz;
        let size = plan.grid.size;
        Lane {
            began,
            decimator: Decimator::new(plan.factor),
            whitener: Whitener::new(rate_hz),
            low: Vec::new(),
            whitened: vec![0.0; (LEAD_S * rate_hz) as usize],
            first: 0,
            next: 0,
            raw: Vec::new(),
            raw_first: began,
            peaks: vec![VecDeque::new(); plan.templates.len()],
            found: vec![Vec::new(); plan.marks.len()],
            buffers: Buffers {
                block: vec![0.0; size],
                spectrum: plan.forward.make_output_vec(),
                product: vec![Complex::default(); size / 2],
                power: vec![0.0; plan.hop / 2],
                scratch: plan.forward.make_scratch_vec(),
                scratch_inverse: vec![Complex::default(); plan.inverse.get_inplace_scratch_len()],
            },
            plan: Arc::clone(plan),
        }
    }

    /// Takes the next frames of the signal.
    pub(crate) fn push(&mut self, samples: &[f32]) {
        self.raw.extend_from_slice(samples);
        self.low.clear();
        self.decimator.push(samples, &mut self.low);
        self.whitener.push(&self.low, &mut self.whitened);
        while self.next + self.plan.grid.size <= self.first + self.whitened.len() {
            self.search_block(self.plan.hop);
        }
        let reach = self.plan.raw_reach();
        if self.raw.len() > 2 * reach {
            let spare = self.raw.len() - reach;
            self.raw.drain(..spare);
            self.raw_first += spare as i64;
        }
    }

    /// Searches what is left and gives the candidates of each mark.
    pub(crate) fn finish(mut self) -> Vec<Vec<Candidate>> {
        let rate_hz = self.plan.grid.rate_hz;
        self.low.clear();
        let tail = vec![0.0; self.plan.factor * 64];
        self.decimator.push(&tail, &mut self.low);
        self.low.resize(self.low.len() + self.whitener.lag(), 0.0);
        self.whitener.push(&self.low, &mut self.whitened);
        self.whitened.resize(self.whitened.len() + (LEAD_S * rate_hz) as usize, 0.0);
        let end = self.first + self.whitened.len();
        while self.next < end {
            let rest = (end - self.next).min(self.plan.hop);
            let missing = (self.next + self.plan.grid.size).saturating_sub(end);
            self.whitened.resize(self.whitened.len() + missing, 0.0);
            self.search_block(rest);
        }
        self.pair_peaks(f64::MAX);
        self.found
    }

    /// Correlates one block with every template and moves on by `count`.
    fn search_block(&mut self, count: usize) {
        let plan = Arc::clone(&self.plan);
        let from = self.next - self.first;
        self.buffers.block.copy_from_slice(&self.whitened[from..from + plan.grid.size]);
        let transformed = plan.forward.process_with_scratch(
            &mut self.buffers.block,
            &mut self.buffers.spectrum,
            &mut self.buffers.scratch,
        );
        debug_assert!(transformed.is_ok());
        for (index, template) in plan.templates.iter().enumerate() {
            self.correlate(template, count);
            self.collect_peaks(index, count);
        }
        self.next += count;
        let longest = plan.templates.iter().map(|t| t.length).max().unwrap_or(0);
        self.pair_peaks(self.next as f64 - MARGIN_S * plan.grid.rate_hz);
        // What later pairs may still weigh: their first part starts up to two parts back.
        let keep = self.next.saturating_sub(3 * longest);
        if keep > self.first {
            self.whitened.drain(..keep - self.first);
            self.first = keep;
        }
    }

    /// Power of the complex correlation with `template`, at every second sample.
    fn correlate(&mut self, template: &Template, count: usize) {
        let plan = &self.plan;
        let (first, bins) = plan.grid.band;
        let Buffers { spectrum, product, power, scratch_inverse, .. } = &mut self.buffers;
        multiply(&spectrum[first..first + bins], &template.spectrum, product);
        product[bins..].fill(Complex::default());
        plan.inverse.process_with_scratch(product, scratch_inverse);
        powers(&product[..count.div_ceil(2)], power);
    }

    /// Remembers the peaks of the correlation just made.
    fn collect_peaks(&mut self, template: usize, count: usize) {
        let powers = &self.buffers.power[..(count.div_ceil(2)).min(self.plan.hop / 2)];
        // A bell answers to itself for as long as it rings: that is no noise to be measured by.
        let rings = self.plan.templates[template].is_uneven;
        let level = if rings { 1.0 } else { usual_power(powers) };
        let width = PEAK_WIDTH_S * self.plan.grid.rate_hz;
        let peaks = &mut self.peaks[template];
        for (number, some) in powers.chunks(PEAKLESS).enumerate() {
            // Most have none.
            if peak(some) < PEAK_POWER * level {
                continue;
            }
            for (i, power) in some.iter().enumerate() {
                if *power < PEAK_POWER * level {
                    continue;
                }
                let start = (self.next + 2 * (number * PEAKLESS + i)) as f64;
                let peak = Peak { start, power: power / level };
                match peaks.back_mut() {
                    Some(last) if peak.start - last.start < width => {
                        if peak.power > last.power {
                            *last = peak;
                        }
                    }
                    _ => peaks.push_back(peak),
                }
            }
        }
    }

    /// Weighs every pair of peaks whose parts have both been searched before `limit`.
    fn pair_peaks(&mut self, limit: f64) {
        let plan = Arc::clone(&self.plan);
        for (mark, of) in plan.marks.iter().enumerate() {
            let templates = &plan.templates[of.templates.clone()];
            let Some(head) = templates.first() else { continue };
            let rate = plan.grid.rate_hz;
            let start_of = |t: &Template| t.anchor_s * rate - t.anchor_sample;
            let tail = templates.get(1);
            let apart = tail.map_or(0.0, |t| start_of(t) - start_of(head));
            let anchors = tail.map_or(0.0, |t| (t.anchor_s - head.anchor_s).abs() * rate);
            let slack = anchors * MAX_SKEW + 0.002 * rate;
            let ready = limit - apart - slack;
            let (heads, tails) = (of.templates.start, of.templates.start + 1);
            while let Some(peak) = self.peaks[heads].front().copied().filter(|p| p.start < ready) {
                self.peaks[heads].pop_front();
                if head.is_uneven && self.is_outshone(mark, &peak) {
                    continue;
                }
                let expected = peak.start + apart;
                let partner = tail.and_then(|_| {
                    let near = |p: &&Peak| (p.start - expected).abs() <= slack;
                    // A clock moves the tail less than a wrong tempo may: there are many more
                    // chances for noise further out.
                    let clock = anchors * CLOCK_SKEW + 0.001 * rate;
                    let worth = |p: &Peak| {
                        let far = (p.start - expected).abs() > clock;
                        p.power - if far { FAR_NATS } else { 0.0 }
                    };
                    self.peaks[tails]
                        .iter()
                        .filter(near)
                        .max_by(|a, b| worth(a).total_cmp(&worth(b)))
                });
                let partner = partner.copied();
                let power = f64::from(peak.power + partner.map_or(0.0, |p| p.power));
                if nats_of_sum(power, 1 + usize::from(partner.is_some())) >= WEIGH_POWER {
                    self.weigh(mark, peak.start, partner.map_or(expected, |p| p.start));
                }
            }
            if tail.is_some() {
                self.weigh_lone_tails(mark, apart, slack, limit);
            }
        }
    }

    /// Whether a place of a mark that rings cannot be among the best. Every note that is near in pitch
    /// makes a peak, and weighing each would take longer than the rest of the search.
    fn is_outshone(&self, mark: usize, peak: &Peak) -> bool {
        let kept = &self.found[mark];
        let least = kept.iter().map(|c| c.nats).fold(f64::INFINITY, f64::min);
        kept.len() >= self.plan.keep && OUTSHONE * f64::from(peak.power) < least
    }

    /// Weighs second parts that stand out by themselves: the first may be cut off.
    fn weigh_lone_tails(&mut self, mark: usize, apart: f64, slack: f64, limit: f64) {
        let tails = self.plan.marks[mark].templates.start + 1;
        // A tail stays until no head that may still come can want it.
        let stale = |p: &Peak| p.start < limit - 2.0 * slack - 1.0;
        while let Some(peak) = self.peaks[tails].front().copied().filter(stale) {
            self.peaks[tails].pop_front();
            if f64::from(peak.power) >= WEIGH_POWER {
                self.weigh(mark, peak.start - apart, peak.start);
            }
        }
    }

    /// Weighs one place and keeps it if it is among the best.
    fn weigh(&mut self, mark: usize, head_start: f64, tail_start: f64) {
        let plan = Arc::clone(&self.plan);
        let rate = plan.grid.rate_hz;
        let first = self.first as f64;
        // Output sample 0 of the whitener stands half a frame before the lane began, and the
        // lead is put before that.
        let ahead = (LEAD_S * rate).floor() + self.whitener.lag() as f64 / 2.0;
        let began_s = self.began as f64 / plan.rate_hz;
        let mut parts = [(0.0, 0.0); 2];
        let templates = &plan.templates[plan.marks[mark].templates.clone()];
        let mut origins = [0.0; 2];
        for (i, (template, start)) in templates.iter().zip([head_start, tail_start]).enumerate() {
            let evidence = evidence::weigh(template, &self.whitened, start - first);
            let start = if evidence.nats > 0.0 { evidence.start + first } else { start };
            let anchor_s = (start + template.anchor_sample - ahead) / rate + began_s;
            parts[i] = (evidence.nats, anchor_s);
            origins[i] = anchor_s - template.anchor_s;
        }
        if let [head, tail] = templates {
            // Beyond what a clock does there are so many chances that noise comes in for a part.
            let apart_s = tail.anchor_s - head.anchor_s;
            let clock_s = apart_s.abs() * CLOCK_SKEW + 0.001;
            let far = (parts[1].1 - parts[0].1 - apart_s).abs() > clock_s;
            let weaker = usize::from(parts[1].0 < parts[0].0);
            if far && parts[weaker].0 < FAR_PART_NATS {
                parts[weaker].0 = 0.0;
            }
        }
        let (a, b) = (parts[0].0, parts[1].0);
        let nats = if templates.len() > 1 { nats_of_sum(a + b, 2).max(a).max(b) } else { a };
        if nats < KEEP_NATS {
            return;
        }
        let at_s = match templates.len() {
            1 => origins[0],
            _ if a.min(b) > 6.0 => 0.5 * (origins[0] + origins[1]),
            _ if a > b => origins[0],
            _ => origins[1],
        };
        self.keep(Candidate { mark, nats, parts, at_s, raw: Vec::new(), first_frame: 0 });
    }

    fn keep(&mut self, mut candidate: Candidate) {
        let kept = &mut self.found[candidate.mark];
        let near = |c: &Candidate| (c.at_s - candidate.at_s).abs() < CANDIDATE_WIDTH_S;
        if kept.iter().any(|c| near(c) && c.nats >= candidate.nats) {
            return;
        }
        kept.retain(|c| !near(c));
        if kept.len() >= self.plan.keep {
            let worst = (0..kept.len()).min_by(|a, b| kept[*a].nats.total_cmp(&kept[*b].nats));
            match worst {
                Some(i) if kept[i].nats < candidate.nats => drop(kept.swap_remove(i)),
                _ => return,
            }
        }
        let MarkPlan { span_s, ahead_s, .. } = self.plan.marks[candidate.mark];
        let rate = self.plan.rate_hz;
        let frame = |s: f64| (s * rate).round() as i64;
        let from = frame(candidate.at_s + span_s.0 - ahead_s);
        let to = frame(candidate.at_s + span_s.1 + MARGIN_S);
        let from = from.max(self.raw_first);
        let to = to.min(self.raw_first + self.raw.len() as i64);
        if to <= from {
            return;
        }
        let range = (from - self.raw_first) as usize..(to - self.raw_first) as usize;
        candidate.raw = self.raw[range].to_vec();
        candidate.first_frame = from;
        kept.push(candidate);
    }
}

/// Powers looked through for a peak at a time.
const PEAKLESS: usize = 256;

in_vectors! {
    fn multiply(bins: &[Complex<f32>], by: &[Complex<f32>], products: &mut [Complex<f32>]) {
        for ((product, bin), by) in products.iter_mut().zip(bins).zip(by) {
            *product = bin * by;
        }
    }
}

in_vectors! {
    /// Mean power of a correlation without its peaks, at least that of white noise.
    fn usual_power(powers: &[f32]) -> f32 {
        let count = powers.len().max(1) as f32;
        let mean = sum_of(powers, f32::INFINITY) / count;
        (sum_of(powers, 6.0 * mean) / count).max(1.0)
    }
}

/// Sum of the values, each up to `most`.
#[inline(always)]
fn sum_of(values: &[f32], most: f32) -> f32 {
    let mut sums = [0.0f32; LANES];
    let (whole, rest) = values.as_chunks::<LANES>();
    for chunk in whole {
        for lane in 0..LANES {
            sums[lane] += chunk[lane].min(most);
        }
    }
    sums.iter().sum::<f32>() + rest.iter().map(|value| value.min(most)).sum::<f32>()
}
