//! The tone a render has: the arrangement's, over which the request's own goes.

use super::{MixTone, RenderError, RenderRequest};
use ripieno_engine::tone::{Band, BandKind, CompressorSettings, RoomSettings, ToneSettings};
use ripieno_score::{Tone, ToneCompressor};

/// Groups, room and mix together.
pub(super) fn tone_of(request: &RenderRequest<'_>) -> Result<MixTone, RenderError> {
    let asked = &request.tone;
    let named = |name: &str| asked.groups.keys().any(|key| key.eq_ignore_ascii_case(name));
    let mut tone = asked.clone();
    for group in request.arrangement.groups().iter().filter(|group| !named(&group.name)) {
        tone.groups.insert(group.name.clone(), settings(&group.tone)?);
    }
    if asked.room == RoomSettings::default()
        && let Some(room) = request.arrangement.room()
    {
        tone.room = RoomSettings {
            rt60_s: room.rt60_s,
            rt60_high_s: room.rt60_high_s,
            pre_delay_ms: room.pre_delay_ms,
            size: room.size,
        };
    }
    if asked.mix == ToneSettings::default() {
        tone.mix = settings(request.arrangement.mix_tone())?;
    }
    Ok(tone)
}

fn settings(tone: &Tone) -> Result<ToneSettings, RenderError> {
    let band = |band: &ripieno_score::ToneBand| {
        let kind = match band.kind.as_str() {
            "high-pass" => BandKind::HighPass,
            "low-pass" => BandKind::LowPass,
            "low-shelf" => BandKind::LowShelf,
            "high-shelf" => BandKind::HighShelf,
            "bell" => BandKind::Bell,
            other => {
                let says = format!("there is no band of kind {other}");
                return Err(RenderError::Impossible(says));
            }
        };
        Ok(Band { kind, hz: band.hz, gain_db: band.gain_db, q: band.q })
    };
    let compressor = |set: &ToneCompressor| CompressorSettings {
        threshold_db: set.threshold_db,
        ratio: set.ratio,
        knee_db: set.knee_db,
        attack_ms: set.attack_ms,
        release_ms: set.release_ms,
        makeup_db: set.makeup_db,
    };
    Ok(ToneSettings {
        bands: tone.bands.iter().map(band).collect::<Result<_, _>>()?,
        compressor: tone.compressor.as_ref().map(compressor),
        send_db: tone.send_db,
    })
}
