//! Places where silence stands in for sound.

use super::Info;

/// Places that are remembered; all are counted.
const MAX_PLACES: usize = 100;

/// How often sound was lost, how much, and where.
#[derive(Default)]
pub(super) struct Lost {
    count: u64,
    frames: u64,
    /// Decoded frames, from and to.
    places: Vec<(u64, u64)>,
}

impl Lost {
    /// Counts `frames` lost at decoded frame `at`; a place that continues the last one is
    /// shown as one with it.
    pub(super) fn count(&mut self, at: u64, frames: u64) {
        self.count += 1;
        self.frames += frames;
        if let Some((_, to)) = self.places.last_mut()
            && *to == at
        {
            *to = at + frames;
        } else if self.places.len() < MAX_PLACES {
            self.places.push((at, at + frames));
        }
    }

    /// How often, how many seconds in all, and where in seconds of file time.
    pub(super) fn seconds(&self, info: &Info) -> (u64, f64, Vec<(f64, f64)>) {
        let rate_hz = f64::from(info.sample_rate_hz);
        let file_s = |at: u64| at.saturating_sub(info.trimmed_start_frames) as f64 / rate_hz;
        let places = self.places.iter().map(|&(from, to)| (file_s(from), file_s(to)));
        (self.count, self.frames as f64 / rate_hz, places.collect())
    }
}
