//! What a MIDI file says of tempo, metre, key and markers.

use std::collections::BTreeMap;

use midly::{MetaMessage, Smf, TrackEventKind};

use super::KEY;
use crate::key::{Key, Mode};

/// The events that matter, in ticks from the file's start.
#[derive(Default)]
pub(super) struct Heard {
    pub(super) title: Option<String>,
    pub(super) tempos: BTreeMap<u64, u32>,
    pub(super) metres: BTreeMap<u64, (u8, u8)>,
    pub(super) signature: Option<(i8, bool)>,
    pub(super) key_text: Option<Key>,
    pub(super) markers: Vec<(u64, String)>,
    pub(super) last_tick: u64,
}

impl Heard {
    pub(super) fn of(smf: &Smf<'_>) -> Heard {
        let mut heard = Heard::default();
        for (number, track) in smf.tracks.iter().enumerate() {
            let mut tick = 0_u64;
            for event in track {
                tick += u64::from(event.delta.as_int());
                match event.kind {
                    TrackEventKind::Meta(message) => heard.meta(tick, message, number),
                    TrackEventKind::Midi { .. } => heard.last_tick = heard.last_tick.max(tick),
                    _ => {}
                }
            }
        }
        heard.markers.sort_by_key(|(tick, _)| *tick);
        heard
    }

    fn meta(&mut self, tick: u64, message: MetaMessage<'_>, track: usize) {
        match message {
            MetaMessage::TrackName(name) if track == 0 => {
                self.title = Some(text(name)).filter(|name| !name.is_empty());
            }
            MetaMessage::Tempo(us) => {
                self.tempos.insert(tick, us.as_int());
            }
            MetaMessage::TimeSignature(beats, power, _, _) => {
                self.metres.insert(tick, (beats, power));
            }
            MetaMessage::KeySignature(sharps, minor) => {
                self.signature.get_or_insert((sharps, minor));
            }
            MetaMessage::Text(bytes) => {
                self.key_text = self.key_text.or_else(|| key_of(&text(bytes)));
            }
            MetaMessage::Marker(name) => self.markers.push((tick, text(name))),
            MetaMessage::EndOfTrack => self.last_tick = self.last_tick.max(tick),
            _ => {}
        }
    }
}

/// Texts have no stated encoding: UTF-8 if it is that, else Latin-1, without controls.
fn text(bytes: &[u8]) -> String {
    let text = match std::str::from_utf8(bytes) {
        Ok(text) => text.to_string(),
        Err(_) => bytes.iter().map(|byte| char::from(*byte)).collect(),
    };
    text.chars().filter(|c| !c.is_control()).take(80).collect::<String>().trim().to_string()
}

fn key_of(text: &str) -> Option<Key> {
    let (tonic, mode) = text.strip_prefix(KEY)?.split_once(' ')?;
    Some(Key { tonic: tonic.parse().ok()?, mode: Mode::from_name(mode)? })
}
