//! Frame rates and timecode.

use std::fmt;
use std::str::FromStr;

/// Frames a second as a fraction, and how they are numbered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FrameRate {
    above: u32,
    below: u32,
    drops: bool,
}

/// Why a text is no frame rate.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "write 24, 25, 30, 48, 50, 60, or 24000/1001, 30000/1001, 60000/1001, with \"drop\" behind the \
     last two for drop-frame timecode"
)]
pub struct NotAFrameRate;

impl FrameRate {
    /// 25 frames a second.
    pub const FPS_25: FrameRate = FrameRate { above: 25, below: 1, drops: false };

    /// Frames a second.
    pub fn per_second(self) -> f64 {
        f64::from(self.above) / f64::from(self.below)
    }

    /// The number of frames timecode counts in a second.
    pub fn nominal(self) -> i64 {
        i64::from(self.above.div_ceil(self.below))
    }

    /// Whether numbers are dropped, so that timecode keeps to the clock.
    pub fn drops(self) -> bool {
        self.drops
    }

    /// The frame nearest to a time.
    pub fn nearest_frame(self, seconds: f64) -> i64 {
        (seconds * self.per_second()).round() as i64
    }

    /// Numbers dropped at each minute but every tenth: 2 at 30, 4 at 60 (SMPTE ST 12-1).
    fn dropped(self) -> i64 {
        if self.drops { self.nominal() / 15 } else { 0 }
    }

    /// The frame a timecode names.
    pub fn frames_of_timecode(self, hours: i64, minutes: i64, seconds: i64, frames: i64) -> i64 {
        let all_minutes = hours * 60 + minutes;
        let dropped = self.dropped() * (all_minutes - all_minutes / 10);
        (all_minutes * 60 + seconds) * self.nominal() + frames - dropped
    }

    /// The timecode of a frame, HH:MM:SS:FF, the last colon a semicolon where numbers are dropped.
    /// Below zero and past a day it goes round the clock.
    pub fn timecode(self, frame: i64) -> String {
        let day = self.frames_of_timecode(24, 0, 0, 0);
        let frame = frame.rem_euclid(day);
        let ten_minutes = self.frames_of_timecode(0, 10, 0, 0);
        let minute = self.nominal() * 60 - self.dropped();
        let (tens, rest) = (frame / ten_minutes, frame % ten_minutes);
        // The first minute of ten keeps all its numbers.
        let later_minutes = (rest - self.dropped()).max(0) / minute;
        let number = frame + self.dropped() * (tens * 9 + later_minutes.min(9));
        let (frames, seconds) = (number % self.nominal(), number / self.nominal());
        let separator = if self.drops { ';' } else { ':' };
        let (hours, minutes, seconds) = (seconds / 3600, seconds / 60 % 60, seconds % 60);
        format!("{hours:02}:{minutes:02}:{seconds:02}{separator}{frames:02}")
    }
}

impl FromStr for FrameRate {
    type Err = NotAFrameRate;

    fn from_str(text: &str) -> Result<FrameRate, NotAFrameRate> {
        let text = text.trim().to_lowercase();
        let (number, drops) = match text.strip_suffix("drop") {
            Some(number) => (number.trim(), true),
            None => (text.as_str(), false),
        };
        let (above, below) = match number {
            "23.976" | "23.98" | "24000/1001" => (24_000, 1_001),
            "29.97" | "30000/1001" => (30_000, 1_001),
            "59.94" | "60000/1001" => (60_000, 1_001),
            "24" | "25" | "30" | "48" | "50" | "60" => (number.parse().unwrap_or(25), 1),
            _ => return Err(NotAFrameRate),
        };
        if drops && (below == 1 || above == 24_000) {
            return Err(NotAFrameRate);
        }
        Ok(FrameRate { above, below, drops })
    }
}

impl fmt::Display for FrameRate {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let drop = if self.drops { " drop" } else { "" };
        match self.below {
            1 => write!(out, "{}", self.above),
            below => write!(out, "{}/{below}{drop}", self.above),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rate(text: &str) -> FrameRate {
        text.parse().unwrap()
    }

    #[test]
    fn timecode_counts_plainly_at_whole_rates() {
        assert_eq!(rate("25").timecode(90_000), "01:00:00:00");
        assert_eq!(rate("24").timecode(24 * 3600 - 1), "00:59:59:23");
        assert_eq!(rate("24000/1001").timecode(24), "00:00:01:00");
        assert_eq!(rate("25").timecode(-1), "23:59:59:24");
    }

    #[test]
    fn dropped_numbers_are_those_of_the_standard() {
        // SMPTE ST 12-1: after 00:00:59;29 comes 00:01:00;02, but after 00:09:59;29 00:10:00;00.
        let rate = rate("30000/1001 drop");
        assert_eq!(rate.timecode(1_799), "00:00:59;29");
        assert_eq!(rate.timecode(1_800), "00:01:00;02");
        assert_eq!(rate.timecode(17_981), "00:09:59;29");
        assert_eq!(rate.timecode(17_982), "00:10:00;00");
        // An hour has 107 892 frames and is off by 3.6 ms.
        assert_eq!(rate.timecode(107_892), "01:00:00;00");
        assert_eq!(rate.frames_of_timecode(1, 0, 0, 0), 107_892);
        assert_eq!("59.94 drop".parse::<FrameRate>().unwrap().timecode(3_600), "00:01:00;04");
    }

    #[test]
    fn every_frame_of_a_day_comes_back() {
        for text in ["24", "25", "30000/1001", "30000/1001 drop", "60000/1001 drop"] {
            let rate = rate(text);
            for frame in (0..rate.frames_of_timecode(24, 0, 0, 0)).step_by(997) {
                let code = rate.timecode(frame);
                let parts: Vec<i64> =
                    code.split([':', ';']).map(|part| part.parse().unwrap()).collect();
                assert_eq!(rate.frames_of_timecode(parts[0], parts[1], parts[2], parts[3]), frame);
            }
        }
    }

    #[test]
    fn rates_read_back_and_nonsense_is_refused() {
        for text in
            ["24", "25", "30", "48", "50", "60", "24000/1001", "30000/1001", "60000/1001 drop"]
        {
            assert_eq!(rate(text).to_string(), text);
        }
        for text in ["", "0", "12", "25 drop", "23.976 drop", "1/0", "-25", "nan"] {
            assert!(text.parse::<FrameRate>().is_err(), "{text}");
        }
    }
}
