//! The list as an OpenTimelineIO timeline.

use serde_json::{Value, json};

use super::{Event, OffsetList, TakeOffset};

pub(super) fn to_otio(list: &OffsetList<'_>) -> Value {
    let writer = Writer { list, rate: list.frame_rate.per_second() };
    let mut tracks = vec![writer.mix()];
    tracks.extend(
        list.takes.iter().enumerate().filter_map(|(index, take)| {
            list.event(take).map(|event| writer.take(index, take, event))
        }),
    );
    json!({
        "OTIO_SCHEMA": "Timeline.1",
        "name": list.piece.title,
        "metadata": {"ripieno": {
            "frame_rate": list.frame_rate.to_string(),
            "sample_rate_hz": list.piece.sample_rate_hz,
            "mix_first_sample": list.mix_first_sample,
        }},
        "global_start_time": writer.time(list.start_frame),
        "tracks": {
            "OTIO_SCHEMA": "Stack.1",
            "name": "tracks",
            "metadata": {},
            "source_range": null,
            "effects": [],
            "markers": writer.sections(),
            "enabled": true,
            "children": tracks,
        },
    })
}

struct Writer<'l, 'p> {
    list: &'l OffsetList<'p>,
    rate: f64,
}

impl Writer<'_, '_> {
    fn time(&self, frames: i64) -> Value {
        json!({"OTIO_SCHEMA": "RationalTime.1", "rate": self.rate, "value": frames as f64})
    }

    fn range(&self, from: i64, frames: i64) -> Value {
        json!({
            "OTIO_SCHEMA": "TimeRange.1",
            "start_time": self.time(from),
            "duration": self.time(frames),
        })
    }

    /// A marker for each section, from the mix's beginning.
    fn sections(&self) -> Vec<Value> {
        let (from_s, _) = self.list.mix_seconds();
        let marker = |section: &crate::piece::Section| {
            let (start_s, end_s) = self.list.piece.section_seconds(section);
            let start = self.list.frame_rate.nearest_frame(start_s - from_s);
            let end = self.list.frame_rate.nearest_frame(end_s - from_s);
            json!({
                "OTIO_SCHEMA": "Marker.2",
                "name": section.name,
                "metadata": {},
                "color": "GREEN",
                "comment": "",
                "marked_range": self.range(start, end - start),
            })
        };
        self.list.piece.sections.iter().map(marker).collect()
    }

    fn mix(&self) -> Value {
        let frames = self.list.mix_frames();
        let event = Event { at_frame: 0, source_frame: 0, frames };
        let clip = self.clip(&self.list.piece.title, &self.list.mix_file, event, frames);
        self.track("Mix", "Audio", event, clip)
    }

    fn take(&self, index: usize, take: &TakeOffset, event: Event) -> Value {
        let reel = OffsetList::reel(index);
        let name = match take.credit.as_str() {
            "" => format!("{} {reel}", take.instrument).trim_start().to_owned(),
            credit => credit.to_owned(),
        };
        let of_file = (take.duration_s * self.rate).ceil() as i64;
        let mut clip = self.clip(&name, &take.file, event, of_file);
        clip["metadata"] = json!({"ripieno": {
            "take": take.take,
            "instrument": take.instrument,
            "reel": reel,
            "bar1_beat1_in_file_s": take.bar1_beat1_s,
            "ratio_ppm": take.ratio_ppm,
            "stem": take.stem_file,
        }});
        // Less than half a frame over the whole stretch is not worth an effect.
        if (event.frames as f64 * take.ratio_ppm * 1e-6).abs() >= 0.5 {
            clip["effects"] = json!([{
                "OTIO_SCHEMA": "LinearTimeWarp.1",
                "name": "",
                "metadata": {},
                "effect_name": "LinearTimeWarp",
                "time_scalar": take.speed(),
            }]);
        }
        let kind = if take.has_picture { "Video" } else { "Audio" };
        self.track(&take.take, kind, event, clip)
    }

    fn clip(&self, name: &str, file: &str, event: Event, of_file: i64) -> Value {
        json!({
            "OTIO_SCHEMA": "Clip.2",
            "name": name,
            "metadata": {},
            "source_range": self.range(event.source_frame, event.frames),
            "effects": [],
            "markers": [],
            "enabled": true,
            "active_media_reference_key": "DEFAULT_MEDIA",
            "media_references": {"DEFAULT_MEDIA": {
                "OTIO_SCHEMA": "ExternalReference.1",
                "name": file,
                "metadata": {},
                "available_range": self.range(0, of_file),
                "available_image_bounds": null,
                "target_url": percent_encoded(file),
            }},
        })
    }

    fn track(&self, name: &str, kind: &str, event: Event, clip: Value) -> Value {
        let mut children = Vec::new();
        if event.at_frame > 0 {
            children.push(json!({
                "OTIO_SCHEMA": "Gap.1",
                "name": "",
                "metadata": {},
                "source_range": self.range(0, event.at_frame),
                "effects": [],
                "markers": [],
                "enabled": true,
            }));
        }
        children.push(clip);
        json!({
            "OTIO_SCHEMA": "Track.1",
            "name": name,
            "kind": kind,
            "metadata": {},
            "source_range": null,
            "effects": [],
            "markers": [],
            "enabled": true,
            "children": children,
        })
    }
}

/// A relative reference of RFC 3986: all but unreserved characters and the slash is escaped.
fn percent_encoded(file: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte);
    let encode = |byte: u8| match plain(byte) {
        true => char::from(byte).to_string(),
        false => format!("%{byte:02X}"),
    };
    file.bytes().map(encode).collect()
}
