//! The list as edit decision lists in the manner of CMX 3600 (its limits from memory: 999 events,
//! reels of eight characters, one picture track).

use unicode_normalization::UnicodeNormalization;

use super::{Event, OffsetList, TakeOffset};

/// The most events a list may have.
pub const EDL_EVENTS: usize = 999;

/// One list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EdlFile {
    /// A name for its file, such as `offsets-1-of-3.edl`.
    pub name: String,
    /// Its text, ASCII with CR LF.
    pub text: String,
}

pub(super) fn to_edl(list: &OffsetList<'_>) -> Vec<EdlFile> {
    let placed: Vec<(usize, &TakeOffset, Event)> = list
        .takes
        .iter()
        .enumerate()
        .filter_map(|(index, take)| list.event(take).map(|event| (index, take, event)))
        .collect();
    let second = list.frame_rate.nominal();
    // Whole seconds, so that a slot begins where its timecode is easy to read.
    let slot = (list.mix_frames() + 2 * second - 1) / second * second;
    let midnight = list.frame_rate.frames_of_timecode(24, 0, 0, 0);
    let before_midnight = ((midnight - 1 - list.start_frame) / slot).max(1) as usize;
    let parts: Vec<_> = placed.chunks(before_midnight.min(EDL_EVENTS)).collect();
    let count = parts.len();
    let name = |part: usize| match count {
        1 => "offsets.edl".to_string(),
        _ => format!("offsets-{}-of-{count}.edl", part + 1),
    };
    let text = |part: usize| {
        let mut text = heading(list, part, count);
        for (slot_number, (index, take, event)) in parts[part].iter().enumerate() {
            let from = list.start_frame + slot * slot_number as i64;
            text += &event_lines(list, slot_number + 1, *index, take, *event, from);
        }
        text
    };
    (0..count).map(|part| EdlFile { name: name(part), text: text(part) }).collect()
}

fn heading(list: &OffsetList<'_>, part: usize, count: usize) -> String {
    let title = ascii(&list.piece.title).to_uppercase();
    let part = if count > 1 { format!(" {} OF {count}", part + 1) } else { String::new() };
    let drop = if list.frame_rate.drops() { "DROP FRAME" } else { "NON-DROP FRAME" };
    format!("TITLE: {title}{part}\r\nFCM: {drop}\r\n\r\n")
}

fn event_lines(
    list: &OffsetList<'_>,
    number: usize,
    index: usize,
    take: &TakeOffset,
    event: Event,
    slot_from: i64,
) -> String {
    let code = |frame| list.frame_rate.timecode(frame);
    let (source_in, source_out) =
        (code(event.source_frame), code(event.source_frame + event.frames));
    let record = slot_from + event.at_frame;
    let (record_in, record_out) = (code(record), code(record + event.frames));
    let reel = OffsetList::reel(index);
    let channel = if take.has_picture { "V" } else { "A" };
    let under_mix = code(list.start_frame + event.at_frame);
    let times = format!("{source_in} {source_out} {record_in} {record_out}");
    format!(
        "{number:03}  {reel} {channel:<5} C        {times}\r\n\
         * FROM CLIP NAME: {}\r\n\
         * TAKE {} LIES AT {under_mix} UNDER THE MIX AND PLAYS AT {:.4} PERCENT\r\n",
        ascii(&take.file),
        ascii(&take.take),
        take.speed() * 100.0,
    )
}

/// Plain letters for what plain letters can say, `_` for the rest; one line.
fn ascii(text: &str) -> String {
    let decomposed = text.nfkd().filter(|c| !unicode_normalization::char::is_combining_mark(*c));
    decomposed.map(|c| if c == ' ' || c.is_ascii_graphic() { c } else { '_' }).take(120).collect()
}
