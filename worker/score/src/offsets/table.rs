//! The list as comma-separated values.

use super::OffsetList;
use crate::csv::{Cell, line};

const HEADING: [&str; 14] = [
    "take",
    "credit",
    "instrument",
    "file",
    "stem",
    "reel",
    "file_starts_in_mix_s",
    "bar1_beat1_in_file_s",
    "play_at_percent",
    "record_in",
    "record_out",
    "source_in",
    "source_out",
    "frames",
];

pub(super) fn to_csv(list: &OffsetList<'_>) -> String {
    let mut table = line(&HEADING.map(Cell::Text));
    let (mix_from_s, _) = list.mix_seconds();
    for (index, take) in list.takes.iter().enumerate() {
        let reel = OffsetList::reel(index);
        let mut cells = vec![
            Cell::Text(&take.take),
            Cell::Text(&take.credit),
            Cell::Text(&take.instrument),
            Cell::Text(&take.file),
            Cell::Text(take.stem_file.as_deref().unwrap_or_default()),
            Cell::Plain(reel),
            Cell::Plain(format!("{:.6}", take.starts_at_s() - mix_from_s)),
            Cell::Plain(format!("{:.6}", take.bar1_beat1_s)),
            Cell::Plain(format!("{:.6}", take.speed() * 100.0)),
        ];
        match list.event(take) {
            None => cells.extend((0..5).map(|_| Cell::Plain(String::new()))),
            Some(event) => {
                let code = |frame| Cell::Plain(list.frame_rate.timecode(frame));
                let record = list.start_frame + event.at_frame;
                cells.push(code(record));
                cells.push(code(record + event.frames));
                cells.push(code(event.source_frame));
                cells.push(code(event.source_frame + event.frames));
                cells.push(Cell::Plain(event.frames.to_string()));
            }
        }
        table += &line(&cells);
    }
    table
}
