//! Where decoded frames lie on the file's own time line: what is cut off at the start and the
//! end, and where silence stands in.

/// Most frames of silence given in one block.
const SILENCE_BLOCK_FRAMES: u64 = 4096;

/// Cuts the encoder delay and the padding off a stream of decoded frames and keeps count.
#[derive(Clone, Debug, Default)]
pub(super) struct Timeline {
    /// Decoded frames still to be dropped.
    skip: u64,
    /// Frames of silence to give before anything else.
    silence: u64,
    /// Frames still to be given in all; `None` for as many as there are.
    keep: Option<u64>,
    emitted: u64,
}

impl Timeline {
    /// Drops `skip` decoded frames, gives `silence` frames of silence, then at most `keep`
    /// decoded frames.
    pub(super) fn new(skip: u64, silence: u64, keep: Option<u64>) -> Self {
        Timeline { skip, silence, keep: keep.map(|k| k.saturating_add(silence)), emitted: 0 }
    }

    /// Frames given so far.
    pub(super) fn emitted(&self) -> u64 {
        self.emitted
    }

    /// Nothing more is to be given.
    pub(super) fn is_over(&self) -> bool {
        self.keep == Some(0)
    }

    /// Counts `frames` as given.
    pub(super) fn emit(&mut self, frames: u64) {
        self.emitted += frames;
        if let Some(keep) = &mut self.keep {
            *keep = keep.saturating_sub(frames);
        }
    }

    /// Silence of `frames` comes before the next decoded frame. Silence in place of frames that
    /// would have been dropped is dropped with them.
    pub(super) fn owe_silence(&mut self, frames: u64) {
        let dropped = frames.min(self.skip);
        self.skip -= dropped;
        self.silence = self.silence.saturating_add(frames - dropped);
    }

    /// If silence is owed, fills `block` with some of it.
    pub(super) fn take_silence(&mut self, block: &mut [Vec<f32>]) -> bool {
        let frames =
            self.silence.min(SILENCE_BLOCK_FRAMES).min(self.keep.unwrap_or(u64::MAX)) as usize;
        if frames == 0 {
            return false;
        }
        self.silence -= frames as u64;
        for channel in block {
            channel.clear();
            channel.resize(frames, 0.0);
        }
        true
    }

    /// Cuts decoded frames in `block` down to those that are to be given; false if none are.
    pub(super) fn cut(&mut self, block: &mut [Vec<f32>]) -> bool {
        let frames = block.first().map_or(0, Vec::len);
        let drop = self.skip.min(frames as u64) as usize;
        self.skip -= drop as u64;
        let kept = ((frames - drop) as u64).min(self.keep.unwrap_or(u64::MAX)) as usize;
        for channel in block {
            channel.truncate(drop + kept);
            channel.drain(..drop);
        }
        kept > 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn block(from: usize, to: usize) -> Vec<Vec<f32>> {
        vec![(from..to).map(|i| i as f32).collect()]
    }

    /// Runs the frames 0, 1, 2, … through a timeline in blocks of `size`.
    fn run(mut timeline: Timeline, frames: usize, size: usize) -> Vec<f32> {
        let mut out = Vec::new();
        let mut silence = block(0, 1);
        for from in (0..frames).step_by(size) {
            while timeline.take_silence(&mut silence) {
                timeline.emit(silence[0].len() as u64);
                out.extend_from_slice(&silence[0]);
            }
            let mut b = block(from, (from + size).min(frames));
            if timeline.cut(&mut b) {
                timeline.emit(b[0].len() as u64);
                out.extend_from_slice(&b[0]);
            }
        }
        out
    }

    #[test]
    fn skip_and_keep_do_not_depend_on_the_block_size() {
        let expected: Vec<f32> = (105..105 + 330).map(|i| i as f32).collect();
        for size in [1, 7, 100, 105, 106, 1000] {
            assert_eq!(run(Timeline::new(105, 0, Some(330)), 1000, size), expected, "size {size}");
        }
    }

    #[test]
    fn silence_comes_first_and_is_not_taken_from_what_is_kept() {
        let out = run(Timeline::new(3, 2, Some(4)), 20, 5);
        assert_eq!(out, [0.0, 0.0, 3.0, 4.0, 5.0, 6.0]);
    }

    #[test]
    fn a_gap_inside_the_encoder_delay_is_dropped_with_it() {
        let mut timeline = Timeline::new(10, 0, None);
        timeline.owe_silence(4);
        assert!(!timeline.take_silence(&mut block(0, 1)));
        let mut b = block(0, 8);
        assert!(timeline.cut(&mut b));
        assert_eq!(b[0], [6.0, 7.0]);
    }
}
