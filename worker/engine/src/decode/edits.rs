//! Where the sound of an MP4 file begins and ends: edit lists, or the priming that some
//! encoders write in a comment instead (ISO/IEC 14496-12, 8.6.5 and 8.6.6).

use std::io::{Read, Seek, SeekFrom};

use mp4_atom::{DecodeAtom, DecodeMaybe, Elst, FourCC, Header, Mdhd, Mvhd, ReadFrom, Tkhd};

use super::Note;
use super::timeline::Segment;

/// The most bytes of movie header that are read; a two-hour file has about three million.
const MAX_MOOV_BYTES: u64 = 256 << 20;
/// The most edits of one track that are followed.
const MAX_EDITS: usize = 10_000;

/// What the movie header says about time.
#[derive(Debug, Default, PartialEq)]
pub(super) struct MovieTimes {
    movie_timescale: u32,
    tracks: Vec<TrackTimes>,
    priming: Option<Priming>,
    /// A track's handler says that it is sound, whether its codec is known or not.
    pub(super) has_sound: bool,
}

#[derive(Debug, Default, PartialEq)]
struct TrackTimes {
    id: u32,
    timescale: u32,
    edits: Vec<Edit>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Edit {
    /// In units of the movie's timescale.
    duration: u64,
    /// In units of the track's; `None` for silence.
    media_time: Option<u64>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Priming {
    delay: u64,
    frames: u64,
}

impl MovieTimes {
    /// Reads the movie header of `file`; what is missing or damaged there is left out.
    pub(super) fn read(file: &mut (impl Read + Seek)) -> Self {
        let mut times = MovieTimes::default();
        if let Some(moov) = movie_header(file) {
            times.walk(&moov);
            times.priming = priming_comment(&moov);
        }
        times
    }

    /// What is to be given of track `id`, in frames at `rate_hz`, and what is odd about it;
    /// `None` if nothing is said about it.
    pub(super) fn segments(&self, id: u32, rate_hz: u32) -> Option<(Vec<Segment>, Vec<Note>)> {
        let track = self.tracks.iter().find(|t| t.id == id)?;
        if track.edits.is_empty() {
            let Priming { delay, frames } = self.priming?;
            let to = if frames == 0 { u64::MAX } else { delay.saturating_add(frames) };
            return Some((vec![Segment::Media { from: delay, to }], Vec::new()));
        }
        let segments = track.segments(self.movie_timescale, rate_hz);
        let pieces = segments.iter().filter(|s| matches!(s, Segment::Media { .. })).count();
        let mut notes = Vec::new();
        if let Some(Segment::Silence(frames)) = segments.first() {
            notes.push(Note::StartsLate { silence_s: *frames as f64 / f64::from(rate_hz) });
        }
        if pieces > 1 {
            notes.push(Note::SeveralEdits { pieces });
        }
        Some((in_order(segments), notes))
    }

    /// Looks into the boxes that lead to edit lists and reads those that matter.
    fn walk(&mut self, mut bytes: &[u8]) {
        while let Ok(Some(header)) = Header::decode_maybe(&mut bytes) {
            let size = header.size.unwrap_or(bytes.len()).min(bytes.len());
            let (mut body, rest) = bytes.split_at(size);
            bytes = rest;
            self.visit(&header, &mut body);
        }
    }

    fn visit(&mut self, header: &Header, body: &mut &[u8]) {
        let header = &Header { kind: header.kind, size: Some(body.len()) };
        match header.kind.as_ref() {
            b"trak" => {
                self.tracks.push(TrackTimes::default());
                self.walk(body);
            }
            b"edts" | b"mdia" => self.walk(body),
            b"mvhd" => {
                if let Ok(mvhd) = Mvhd::decode_atom(header, body) {
                    self.movie_timescale = mvhd.timescale;
                }
            }
            b"hdlr" => self.has_sound |= body.get(8..12) == Some(b"soun"),
            _ => {
                if let Some(track) = self.tracks.last_mut() {
                    track.visit(header, body);
                }
            }
        }
    }
}

impl TrackTimes {
    fn visit(&mut self, header: &Header, body: &mut &[u8]) {
        match header.kind.as_ref() {
            b"tkhd" => {
                if let Ok(tkhd) = Tkhd::decode_atom(header, body) {
                    self.id = tkhd.track_id;
                }
            }
            b"mdhd" => {
                if let Ok(mdhd) = Mdhd::decode_atom(header, body) {
                    self.timescale = mdhd.timescale;
                }
            }
            b"elst" => {
                if let Ok(elst) = Elst::decode_atom(header, body) {
                    let edits = elst.entries.iter().take(MAX_EDITS);
                    self.edits = edits
                        .map(|e| Edit { duration: e.segment_duration, media_time: e.media_time })
                        .collect();
                }
            }
            _ => {}
        }
    }

    /// The edits in frames; neighbours that continue one another are one segment.
    fn segments(&self, movie_timescale: u32, rate_hz: u32) -> Vec<Segment> {
        let mut segments = Vec::new();
        let last = self.edits.len() - 1;
        for (i, edit) in self.edits.iter().enumerate() {
            let frames = frames_of(edit.duration, movie_timescale, rate_hz);
            match edit.media_time {
                None if frames > 0 => segments.push(Segment::Silence(frames)),
                None => {}
                Some(media_time) => {
                    let from = frames_of(media_time, self.timescale, rate_hz);
                    let to = match edit.duration {
                        // A fragmented file can't know its length: zero means all there is.
                        0 if i == last => u64::MAX,
                        // The end may have been rounded down to the movie's coarser units.
                        units if i == last => {
                            let end = frames_of(units.saturating_add(1), movie_timescale, rate_hz);
                            from.saturating_add(end.saturating_sub(1))
                        }
                        _ => from.saturating_add(frames),
                    };
                    match segments.last_mut() {
                        Some(Segment::Media { to: end, .. }) if *end == from => *end = to,
                        _ => segments.push(Segment::Media { from, to }),
                    }
                }
            }
        }
        segments
    }
}

/// Segments as they are if they rise; else the first stretch of sound to its end.
fn in_order(segments: Vec<Segment>) -> Vec<Segment> {
    let mut end = 0;
    let rises = segments.iter().all(|segment| match segment {
        Segment::Silence(_) => true,
        Segment::Media { from, to } => {
            let after = *from >= end;
            end = *to;
            after
        }
    });
    if rises {
        return segments;
    }
    let first = segments.iter().position(|s| matches!(s, Segment::Media { .. })).unwrap_or(0);
    segments[..=first].iter().copied().map(open_end).collect()
}

fn open_end(segment: Segment) -> Segment {
    match segment {
        Segment::Media { from, .. } => Segment::after(from),
        silence => silence,
    }
}

/// Units of `timescale` in frames at `rate_hz`, rounded up as writers of coarse timescales do.
fn frames_of(units: u64, timescale: u32, rate_hz: u32) -> u64 {
    let timescale = u128::from(timescale.max(1));
    let frames = (u128::from(units) * u128::from(rate_hz)).div_ceil(timescale);
    u64::try_from(frames).unwrap_or(u64::MAX)
}

/// The boxes at the top of the file, and how far the last one says it goes.
struct TopBoxes<'a, F> {
    file: &'a mut F,
    at: u64,
    end: u64,
}

impl<'a, F: Read + Seek> TopBoxes<'a, F> {
    fn new(file: &'a mut F) -> Option<Self> {
        let end = file.seek(SeekFrom::End(0)).ok()?;
        Some(TopBoxes { file, at: 0, end })
    }

    /// Stands before the content of the next box; gives its kind and length.
    fn next(&mut self) -> Option<(FourCC, u64)> {
        if self.at >= self.end {
            return None;
        }
        self.file.seek(SeekFrom::Start(self.at)).ok()?;
        let header = Header::read_from(self.file).ok()?;
        let body = self.file.stream_position().ok()?;
        let bytes = header.size.map_or(self.end.saturating_sub(body), |size| size as u64);
        self.at = body.checked_add(bytes)?;
        Some((header.kind, bytes))
    }
}

/// How long the file's boxes say that it is.
pub(super) fn promised_bytes(file: &mut (impl Read + Seek)) -> Option<u64> {
    let mut boxes = TopBoxes::new(file)?;
    while boxes.next().is_some() {}
    Some(boxes.at)
}

/// The content of the `moov` box.
fn movie_header(file: &mut (impl Read + Seek)) -> Option<Vec<u8>> {
    let mut boxes = TopBoxes::new(file)?;
    loop {
        let (kind, bytes) = boxes.next()?;
        if kind == FourCC::new(b"moov") {
            let mut moov = Vec::new();
            boxes.file.take(bytes.min(MAX_MOOV_BYTES)).read_to_end(&mut moov).ok()?;
            return Some(moov);
        }
    }
}

/// The `iTunSMPB` comment: hexadecimal words, of which the second is the encoder delay and the
/// fourth the number of frames of sound (written by common AAC encoders; from memory).
fn priming_comment(moov: &[u8]) -> Option<Priming> {
    const NAME: &[u8] = b"iTunSMPB";
    let at = moov.windows(NAME.len()).position(|w| w == NAME)? + NAME.len();
    let after = &moov[at..moov.len().min(at + 256)];
    let data = after.windows(4).position(|w| w == b"data")? + 12;
    let text = String::from_utf8_lossy(after.get(data..)?);
    let mut words = text.split_ascii_whitespace().map(|w| u64::from_str_radix(w, 16));
    let delay = words.nth(1)?.ok()?;
    let frames = words.nth(1)?.ok()?;
    Some(Priming { delay, frames })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn track(timescale: u32, edits: &[(u64, Option<u64>)]) -> MovieTimes {
        let edits = edits.iter().map(|&(duration, media_time)| Edit { duration, media_time });
        MovieTimes {
            movie_timescale: 1000,
            tracks: vec![TrackTimes { id: 7, timescale, edits: edits.collect() }],
            priming: None,
            has_sound: true,
        }
    }

    #[test]
    fn priming_and_length_come_from_one_edit() {
        let (segments, notes) = track(44_100, &[(2000, Some(1024))]).segments(7, 44_100).unwrap();
        assert_eq!(segments, [Segment::Media { from: 1024, to: 1024 + 88_200 + 44 }]);
        assert_eq!(notes, []);
    }

    #[test]
    fn an_empty_edit_is_silence() {
        let movie = track(48_000, &[(250, None), (0, Some(2112))]);
        let (segments, notes) = movie.segments(7, 48_000).unwrap();
        assert_eq!(segments, [Segment::Silence(12_000), Segment::after(2112)]);
        assert_eq!(notes, [Note::StartsLate { silence_s: 0.25 }]);
    }

    #[test]
    fn a_core_at_half_the_timescale_counts_half_the_frames() {
        let (segments, _) = track(44_100, &[(1000, Some(2048))]).segments(7, 22_050).unwrap();
        assert_eq!(segments, [Segment::Media { from: 1024, to: 1024 + 22_050 + 22 }]);
    }

    #[test]
    fn edits_that_go_back_are_not_followed() {
        let movie = track(1000, &[(500, Some(900)), (500, Some(0))]);
        let (segments, notes) = movie.segments(7, 1000).unwrap();
        assert_eq!(segments, [Segment::after(900)]);
        assert_eq!(notes, [Note::SeveralEdits { pieces: 2 }]);
    }

    #[test]
    fn edits_that_continue_one_another_are_one() {
        let movie = track(1000, &[(500, Some(100)), (400, Some(600)), (50, Some(2000))]);
        let (segments, _) = movie.segments(7, 1000).unwrap();
        let expected =
            [Segment::Media { from: 100, to: 1000 }, Segment::Media { from: 2000, to: 2050 }];
        assert_eq!(segments, expected);
    }

    #[test]
    fn the_priming_comment_is_read_where_there_is_no_edit_list() {
        let moov = b"....nameiTunSMPB\0\0\0\x80data\0\0\0\x01\0\0\0\0 00000000 00000840 000001C0 \
                     0000000000015A00 00000000";
        assert_eq!(priming_comment(moov), Some(Priming { delay: 2112, frames: 88_576 }));
    }
}
