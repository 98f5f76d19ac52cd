//! Which decoded frames are given, in which order, and where silence stands before them.

use std::collections::VecDeque;

/// A stretch of what is given to the caller.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Segment {
    /// So many frames of silence.
    Silence(u64),
    /// The decoded frames from the first number up to, not including, the second.
    Media {
        /// First decoded frame.
        from: u64,
        /// One past the last; `u64::MAX` for all there are.
        to: u64,
    },
}

impl Segment {
    /// All decoded frames after the first `skip`.
    pub(super) fn after(skip: u64) -> Self {
        Segment::Media { from: skip, to: u64::MAX }
    }
}

/// What to do with the decoded frames at hand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Piece {
    /// Give so many frames of silence first.
    Silence(u64),
    /// Drop the first `skip` frames at hand, then give `take`.
    Media {
        /// Frames to drop.
        skip: usize,
        /// Frames to give.
        take: usize,
    },
    /// None of them is wanted; decode more.
    NeedMore,
    /// Nothing more will be given.
    Over,
}

/// The segments still to be given. Media segments must rise.
#[derive(Clone, Debug)]
pub(super) struct Timeline {
    segments: VecDeque<Segment>,
}

impl Timeline {
    /// Gives `segments` one after the other.
    pub(super) fn new(segments: impl IntoIterator<Item = Segment>) -> Self {
        Timeline { segments: segments.into_iter().collect() }
    }

    /// Frames that are dropped before the first one that is given.
    pub(super) fn first_frame(&self) -> u64 {
        let media = self.segments.iter().find_map(|s| match s {
            Segment::Media { from, .. } => Some(*from),
            Segment::Silence(_) => None,
        });
        media.unwrap_or(0)
    }

    /// A new stream begins at decoded frame `at` with an encoder delay of its own.
    pub(super) fn restart(&mut self, at: u64, skip: u64) {
        self.segments.clear();
        self.segments.push_back(Segment::after(at.saturating_add(skip)));
    }

    /// What to do with the decoded frames `at..at + frames`. Each call counts as done what it
    /// told, so the next must be about the frames after it.
    pub(super) fn next(&mut self, at: u64, frames: usize, max_silence: u64) -> Piece {
        loop {
            match self.segments.front_mut() {
                None => return Piece::Over,
                Some(Segment::Silence(0)) => {}
                Some(Segment::Silence(left)) => {
                    let now = (*left).min(max_silence);
                    *left -= now;
                    return Piece::Silence(now);
                }
                Some(Segment::Media { to, .. }) if *to <= at => {}
                Some(Segment::Media { from, to }) => {
                    let skip = from.saturating_sub(at).min(frames as u64);
                    let take = (to.saturating_sub(at)).min(frames as u64).saturating_sub(skip);
                    if take == 0 {
                        return Piece::NeedMore;
                    }
                    return Piece::Media { skip: skip as usize, take: take as usize };
                }
            }
            self.segments.pop_front();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Runs the frames 1, 2, 3, … through `segments` in blocks of `size`.
    fn run(segments: &[Segment], frames: usize, size: usize) -> Vec<usize> {
        let mut timeline = Timeline::new(segments.iter().copied());
        let mut out = Vec::new();
        let (mut at, mut have) = (0, 0);
        loop {
            match timeline.next(at as u64, have - at, 3) {
                Piece::Silence(n) => out.extend(std::iter::repeat_n(0, n as usize)),
                Piece::Media { skip, take } => {
                    out.extend(at + skip + 1..at + skip + take + 1);
                    at += skip + take;
                }
                Piece::NeedMore if have == frames => return out,
                Piece::NeedMore => (at, have) = (have, (have + size).min(frames)),
                Piece::Over => return out,
            }
        }
    }

    #[test]
    fn what_is_given_does_not_depend_on_the_block_size() {
        let segments = [
            Segment::Silence(5),
            Segment::Media { from: 10, to: 20 },
            Segment::Media { from: 20, to: 25 },
            Segment::Silence(2),
            Segment::Media { from: 40, to: u64::MAX },
        ];
        let mut expected = vec![0; 5];
        expected.extend(11..26);
        expected.extend([0; 2]);
        expected.extend(41..101);
        for size in [1, 2, 7, 10, 11, 19, 64, 100, 1000] {
            assert_eq!(run(&segments, 100, size), expected, "blocks of {size}");
        }
    }

    #[test]
    fn the_end_of_the_last_segment_is_the_end() {
        assert_eq!(run(&[Segment::Media { from: 1, to: 3 }], 100, 8), [2, 3]);
        assert_eq!(run(&[], 100, 8), [0; 0]);
    }

    #[test]
    fn a_stream_that_ends_early_gives_what_there_is() {
        assert_eq!(run(&[Segment::Media { from: 95, to: 500 }], 100, 8), [96, 97, 98, 99, 100]);
    }
}
