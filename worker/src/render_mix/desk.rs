//! Tone of groups, the shared room, and tone of the mix, carried from stretch to stretch.

use super::tones::tone_of;
use super::{RenderError, RenderRequest};
use crate::plan::Plan;
use ripieno_engine::tone::{
    Hall, ImpulseResponse, OutOfRange, Room, RoomSettings, Tone, ToneSettings,
};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Tone of a render. By default there is none: raw material first.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct MixTone {
    /// By the group's name.
    pub groups: BTreeMap<String, ToneSettings>,
    /// The room that groups send to, in place of the arrangement's.
    pub room: RoomSettings,
    /// The whole mix, before the master's gain and limiter; its send is ignored.
    pub mix: ToneSettings,
}

/// The state of all of it.
pub(super) struct Desk {
    tones: Vec<Option<Tone>>,
    room: Option<Shared>,
    mix: Option<Tone>,
}

/// The room that groups send to.
enum Shared {
    Made(Box<Room>),
    Recorded(Box<Hall>),
}

/// One group's sound.
pub(super) type Planes = [Vec<f32>; 2];

impl Desk {
    pub(super) fn new(request: &RenderRequest<'_>, plan: &Plan) -> Result<Self, RenderError> {
        let rate_hz = request.piece.sample_rate_hz;
        let all = tone_of(request)?;
        let wrong = |error: OutOfRange| RenderError::Impossible(error.to_string());
        let tone = |settings: &ToneSettings| Tone::new(settings, rate_hz).map_err(wrong);
        for name in all.groups.keys() {
            if request.arrangement.group_named(name).is_none() {
                let known: Vec<&str> =
                    request.arrangement.groups().iter().map(|group| group.name.as_str()).collect();
                return Err(RenderError::UnknownGroup {
                    name: name.clone(),
                    known: known.join(", "),
                });
            }
        }
        let settings_of = |name: &str| {
            let mut groups = all.groups.iter();
            let set = groups.find(|(key, _)| key.eq_ignore_ascii_case(name)).map(|(_, set)| set);
            set.filter(|set| **set != ToneSettings::default())
        };
        let tones = plan
            .groups
            .iter()
            .map(|group| settings_of(&group.name).map(&tone).transpose())
            .collect::<Result<Vec<_>, _>>()?;
        let sends = tones.iter().flatten().any(|tone| tone.send() > 0.0);
        let room = sends.then(|| shared(request, &all.room)).transpose()?;
        let mix = (all.mix != ToneSettings::default()).then(|| tone(&all.mix)).transpose()?;
        Ok(Self { tones, room, mix })
    }

    /// Works on a group's next stretch of `frames`; adds its send to `sent`. False if the group
    /// has no tone.
    pub(super) fn group(
        &mut self,
        number: usize,
        frames: usize,
        planes: &mut Planes,
        sent: &mut Planes,
    ) -> bool {
        let Some(tone) = self.tones.get_mut(number).and_then(Option::as_mut) else { return false };
        for plane in planes.iter_mut() {
            plane.resize(frames, 0.0);
        }
        tone.process(planes);
        let send = tone.send();
        if send > 0.0 {
            for (sent, plane) in sent.iter_mut().zip(planes) {
                sent.resize(frames, 0.0);
                for (sent, &sample) in sent.iter_mut().zip(plane.iter()) {
                    *sent += (f64::from(sample) * send) as f32;
                }
            }
        }
        true
    }

    /// What the room gives for the next stretch; empty if there is no room.
    pub(super) fn room(&mut self, frames: usize, sent: &mut Planes) -> Planes {
        let mut out = [Vec::new(), Vec::new()];
        if let Some(room) = &mut self.room {
            for plane in sent.iter_mut() {
                plane.resize(frames, 0.0);
            }
            match room {
                Shared::Made(room) => room.process(sent, &mut out),
                Shared::Recorded(hall) => hall.process(sent, &mut out),
            }
        }
        out
    }

    /// Works on the next stretch of the mix.
    pub(super) fn mix(&mut self, planes: &mut Planes) {
        if let Some(tone) = &mut self.mix {
            tone.process(planes);
        }
    }

    /// Whether a group has a tone.
    pub(super) fn has_tone(&self, number: usize) -> bool {
        self.tones.get(number).is_some_and(Option::is_some)
    }

    /// Whether the mix has one.
    pub(super) fn has_mix_tone(&self) -> bool {
        self.mix.is_some()
    }

    /// Whether there is no tone at all, so that a stretch depends on no other.
    pub(super) fn is_flat(&self) -> bool {
        self.tones.iter().all(Option::is_none) && self.mix.is_none()
    }

    /// Whether a room sounds.
    pub(super) fn has_room(&self) -> bool {
        self.room.is_some()
    }
}

/// The room of the arrangement, or the request's own.
fn shared(request: &RenderRequest<'_>, settings: &RoomSettings) -> Result<Shared, RenderError> {
    let rate_hz = request.piece.sample_rate_hz;
    let wrong = |error: OutOfRange| RenderError::Impossible(error.to_string());
    let Some((name, wait_ms)) = recorded(request) else {
        return Ok(Shared::Made(Box::new(Room::new(settings, rate_hz).map_err(wrong)?)));
    };
    let path = request.impulse.as_ref().ok_or_else(|| {
        RenderError::Impossible(format!("the impulse response {name} of its room is not at hand"))
    })?;
    let response = ImpulseResponse::read(path, rate_hz)
        .map_err(|error| RenderError::Impossible(format!("the room {name}: {error}")))?;
    Ok(Shared::Recorded(Box::new(Hall::new(&response, wait_ms, rate_hz).map_err(wrong)?)))
}

/// Name and pre-delay of the recorded room a render has, if it has one.
fn recorded<'a>(request: &RenderRequest<'a>) -> Option<(&'a str, f64)> {
    if request.tone.room != RoomSettings::default() {
        return None;
    }
    let room = request.arrangement.room()?;
    Some((room.impulse.as_deref()?, room.pre_delay_ms))
}
