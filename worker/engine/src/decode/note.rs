//! What was odd about a file that could be decoded all the same.

/// Something worth saying about a file that was decoded. Times are in seconds of file time.
#[derive(Clone, Debug, PartialEq)]
pub enum Note {
    /// The file ends before its header or container says it should.
    Truncated {
        /// Where the sound ends.
        at_s: f64,
    },
    /// Packets that could not be decoded were replaced by silence of the same length.
    Damaged {
        /// How many packets.
        packets: u64,
        /// How much silence stands in for them.
        lost_s: f64,
        /// Where, up to a hundred places.
        at_s: Vec<(f64, f64)>,
    },
    /// The recording device left gaps between packets; silence was put in to keep time.
    Gaps {
        /// How many gaps.
        count: u64,
        /// How much silence was put in.
        silence_s: f64,
        /// Where, up to a hundred places.
        at_s: Vec<(f64, f64)>,
    },
    /// Bytes are missing or do not belong where frames should follow one another: sound may be
    /// lost there, and nothing tells how much.
    Spliced {
        /// How many places.
        count: u64,
        /// Where, up to a hundred places, by the sound before them.
        at_s: Vec<(f64, f64)>,
    },
    /// Samples that were not numbers, or infinite, were replaced by zero.
    NotFinite {
        /// How many samples.
        count: u64,
    },
    /// A HE-AAC file of which only the half-rate core was decoded: the upper half of the
    /// spectrum is missing.
    HalfRateCore,
    /// The container says that the sound starts late; silence was put before it.
    StartsLate {
        /// How much silence.
        silence_s: f64,
    },
    /// The container's edit list cuts the recording into several pieces; only the first and
    /// what follows it to the end were used.
    SeveralEdits {
        /// How many pieces.
        pieces: usize,
    },
    /// Several streams, one after the other, were joined.
    Chained {
        /// How many followed the first.
        more: u32,
    },
    /// A later part has another sample rate or channel count and was left out.
    FormatChanged {
        /// Where the sound that was kept ends.
        at_s: f64,
    },
    /// The file has more than one audio track; the first was used.
    OtherTracks {
        /// How many were left out.
        left_out: usize,
    },
}

impl Note {
    /// A stable word for scripts.
    pub fn code(&self) -> &'static str {
        match self {
            Note::Truncated { .. } => "truncated",
            Note::Damaged { .. } => "damaged",
            Note::Gaps { .. } => "gaps",
            Note::Spliced { .. } => "spliced",
            Note::NotFinite { .. } => "not_finite",
            Note::HalfRateCore => "half_rate_core",
            Note::StartsLate { .. } => "starts_late",
            Note::SeveralEdits { .. } => "several_edits",
            Note::Chained { .. } => "chained",
            Note::FormatChanged { .. } => "format_changed",
            Note::OtherTracks { .. } => "other_tracks",
        }
    }

    /// What it means, in plain words for the contributor.
    pub fn says(&self) -> String {
        match self {
            Note::Truncated { at_s } => format!(
                "Your file stops in the middle, after {at_s:.1} seconds. If your playing should \
                 go on after that, please send the whole file again."
            ),
            Note::Damaged { packets, lost_s, .. } => format!(
                "Parts of your file are damaged ({packets} places, {lost_s:.2} seconds in all) \
                 and were left silent. Please listen to it and send a fresh copy if you can."
            ),
            Note::Gaps { count, silence_s, .. } => format!(
                "Your device dropped sound {count} times while recording ({silence_s:.2} seconds \
                 in all). We kept the time right, but there are holes; closing other apps while \
                 you record helps."
            ),
            Note::Spliced { count, .. } => format!(
                "In {count} {} your file does not go on where it should: sound may be missing \
                 there, so that the rest comes too early. Please send the file again, or record \
                 it again if it is like that on your device.",
                if *count == 1 { "place" } else { "places" }
            ),
            Note::NotFinite { count } => format!(
                "{count} samples in your file are not valid numbers and were silenced. Please \
                 export it again as 24-bit WAV or FLAC."
            ),
            Note::HalfRateCore => "Your file is in a low-bitrate format of which we can only use \
                 the lower half of the sound. Please send WAV, FLAC, or M4A at 128 kbit/s or more."
                .into(),
            Note::StartsLate { silence_s } => format!(
                "The sound in your file starts {silence_s:.2} seconds late; we kept that pause so \
                 that the timing stays right."
            ),
            Note::SeveralEdits { pieces } => format!(
                "Your file was cut into {pieces} pieces by an editing app without being saved \
                 anew. Please export it as a new file and check that it plays as you expect."
            ),
            Note::Chained { more } => {
                format!("Your file is made of {} recordings in a row; we joined them.", more + 1)
            }
            Note::FormatChanged { at_s } => format!(
                "After {at_s:.1} seconds your file changes to another format; we used only the \
                 part before. Please export it as one new file."
            ),
            Note::OtherTracks { left_out } => format!(
                "Your file has more than one sound track; we used the first and left out \
                 {left_out}."
            ),
        }
    }
}
