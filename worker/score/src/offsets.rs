//! Where every take lies against the mix, for the film editor.
//!
//! Three forms of one list: a table with every figure; an OpenTimelineIO timeline, each take on a
//! track of its own; and edit decision lists in the manner of CMX 3600. Times are rounded once,
//! to the nearest frame; the table and the timeline's metadata keep the exact figures.

mod edl;
mod frame_rate;
mod otio;
mod table;

pub use edl::{EDL_EVENTS, EdlFile};
pub use frame_rate::{FrameRate, NotAFrameRate};

use crate::piece::Piece;

/// A take as the list needs it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TakeOffset {
    /// Its id.
    pub take: String,
    /// The name its own file goes by where it is fetched.
    pub file: String,
    /// The stem's file, if it is delivered too.
    pub stem_file: Option<String>,
    /// How it is credited; empty without consent.
    pub credit: String,
    /// The instrument; without consent to be named, its family.
    pub instrument: String,
    /// Whether the file has a picture.
    pub has_picture: bool,
    /// File time of bar 1 beat 1, in seconds; may lie before the file.
    pub bar1_beat1_s: f64,
    /// How slow the take runs: its file is longer than the piece by so many ppm.
    pub ratio_ppm: f64,
    /// The file's length in seconds.
    pub duration_s: f64,
}

impl TakeOffset {
    /// File seconds that pass in one second of the piece.
    pub fn speed(&self) -> f64 {
        1.0 + self.ratio_ppm * 1e-6
    }

    /// File time of a piece time.
    fn file_s(&self, piece_s: f64) -> f64 {
        self.bar1_beat1_s + piece_s * self.speed()
    }

    /// Piece time of the file's first sound.
    pub fn starts_at_s(&self) -> f64 {
        -self.bar1_beat1_s / self.speed()
    }

    fn ends_at_s(&self) -> f64 {
        (self.duration_s - self.bar1_beat1_s) / self.speed()
    }
}

/// The list: a mix, and the takes laid against it.
#[derive(Clone, Debug)]
pub struct OffsetList<'p> {
    /// The piece.
    pub piece: &'p Piece,
    /// The film's frame rate.
    pub frame_rate: FrameRate,
    /// The mix's file.
    pub mix_file: String,
    /// Where the mix begins on the master grid.
    pub mix_first_sample: i64,
    /// The first sample after it.
    pub mix_end_sample: i64,
    /// Timecode of the mix's first frame, in frames; an hour is the custom.
    pub start_frame: i64,
    /// The takes.
    pub takes: Vec<TakeOffset>,
}

/// A take's stretch inside the mix, in whole frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Event {
    /// Frames from the mix's beginning.
    at_frame: i64,
    /// The file's frame that belongs there.
    source_frame: i64,
    /// How many frames.
    frames: i64,
}

impl<'p> OffsetList<'p> {
    /// A list that begins at one hour, as is the custom.
    pub fn new(piece: &'p Piece, frame_rate: FrameRate, takes: Vec<TakeOffset>) -> OffsetList<'p> {
        OffsetList {
            piece,
            frame_rate,
            mix_file: format!("{}.wav", piece.slug),
            mix_first_sample: 0,
            mix_end_sample: piece.end_sample(),
            start_frame: frame_rate.frames_of_timecode(1, 0, 0, 0),
            takes,
        }
    }

    /// The list as a table of comma-separated values, a line a take.
    pub fn to_csv(&self) -> String {
        table::to_csv(self)
    }

    /// The list as an OpenTimelineIO timeline (schema Timeline.1, Clip.2).
    pub fn to_otio(&self) -> serde_json::Value {
        otio::to_otio(self)
    }

    /// The list as edit decision lists. Such a list has one picture track, where nothing may
    /// overlap, so the takes follow one another: each has a slot as long as the mix and a second
    /// of rest, and lies in its slot as it lies under the mix. A file holds at most 999 events and
    /// ends before midnight; what is more goes to the next.
    pub fn to_edl(&self) -> Vec<EdlFile> {
        edl::to_edl(self)
    }

    fn mix_seconds(&self) -> (f64, f64) {
        let rate = f64::from(self.piece.sample_rate_hz);
        (self.mix_first_sample as f64 / rate, self.mix_end_sample as f64 / rate)
    }

    /// Whole frames of the mix.
    fn mix_frames(&self) -> i64 {
        let (from, to) = self.mix_seconds();
        self.frame_rate.nearest_frame(to - from).max(1)
    }

    /// A take's stretch: the frames of the film its file covers whole. The source frame is the
    /// nearest to the one that sounds there, so picture and mix are apart by half a frame at most.
    fn event(&self, take: &TakeOffset) -> Option<Event> {
        let sane = (0.5..2.0).contains(&take.speed())
            && take.bar1_beat1_s.abs() < 1e6
            && (0.0..1e6).contains(&take.duration_s);
        if !sane {
            return None;
        }
        let fps = self.frame_rate.per_second();
        let (from, _) = self.mix_seconds();
        let first = ((take.starts_at_s() - from) * fps - 1e-6).ceil().max(0.0);
        let last = ((take.ends_at_s() - from) * fps + 1e-6).floor().min(self.mix_frames() as f64);
        if first >= last {
            return None;
        }
        let source = (take.file_s(from + first / fps) * fps).round().max(0.0) as i64;
        let of_file = (take.duration_s * fps).ceil() as i64;
        let frames = (last as i64 - first as i64).min(of_file - source);
        (frames > 0).then_some(Event { at_frame: first as i64, source_frame: source, frames })
    }

    /// The eight-character reel of the nth take.
    fn reel(index: usize) -> String {
        format!("T{:07}", index + 1)
    }
}

#[cfg(test)]
mod tests;
