//! Writes a piece as the document it could have been read from.

use serde_json::{Map, Value, json};

use super::Piece;
use crate::exact::fraction_text;

pub(super) fn to_json(piece: &Piece) -> Value {
    let mut document = Map::new();
    let mut put = |key: &str, value: Value| {
        document.insert(key.to_string(), value);
    };
    put("slug", json!(piece.slug));
    put("title", json!(piece.title));
    put("about", json!(piece.about));
    put("composer_credit", json!(piece.composer_credit));
    put("sample_rate_hz", json!(piece.sample_rate_hz));
    put("last_bar", json!(piece.last_bar));
    if let Some(deadline) = &piece.deadline {
        put("deadline", json!(deadline));
    }
    if let Some(zone) = &piece.time_zone {
        put("time_zone", json!(zone));
    }
    if let Some(nightly) = &piece.nightly {
        let mut table = Map::new();
        table.insert("at".into(), json!(nightly.at));
        if let Some(webhook) = &nightly.webhook {
            table.insert("webhook".into(), json!(webhook));
        }
        if let Some(keep) = nightly.keep {
            table.insert("keep".into(), json!(keep));
        }
        put("nightly", Value::Object(table));
    }
    put("wanted", json!(piece.wanted));
    put("key", json!({"tonic": piece.key.tonic.to_string(), "mode": piece.key.mode.name()}));
    put("tempo", tempos(piece));
    put("metre", metres(piece));
    put("marks", marks(piece));
    put("sections", sections(piece));
    put("chords", chords(piece));
    put("delivery", delivery(piece));
    put("conform", conform(piece));
    let consent = &piece.consent_wording;
    put(
        "consent",
        json!({
            "version": consent.version,
            "recording": consent.recording,
            "credit": consent.credit,
            "guardian": consent.guardian,
        }),
    );
    Value::Object(document)
}

pub(super) fn to_toml(piece: &Piece) -> String {
    // Plain values come before tables in TOML; the writer of the toml crate sees to it.
    toml::to_string_pretty(&to_json(piece)).unwrap_or_default()
}

fn tempos(piece: &Piece) -> Value {
    let one = |tempo: &crate::tempo::TempoChange| {
        let bpm = match tempo.bpm.is_integer() {
            true => json!(*tempo.bpm.numer() as i64),
            false => json!(fraction_text(&tempo.bpm)),
        };
        let (above, below) = tempo.beat_unit();
        let mut value = json!({"at": tempo.at, "bpm": bpm, "beat": format!("{above}/{below}")});
        if tempo.glide {
            value["glide"] = json!(true);
        }
        value
    };
    piece.tempo.tempos().iter().map(one).collect()
}

fn metres(piece: &Piece) -> Value {
    let changes = piece.tempo.metres().iter();
    changes.map(|change| json!({"bar": change.bar, "metre": change.metre.to_string()})).collect()
}

fn marks(piece: &Piece) -> Value {
    let mut value = json!({"opening_bar": piece.marks.opening.bar});
    if let Some(closing) = piece.marks.closing {
        value["closing_bar"] = json!(closing.bar);
    }
    if let Some(file) = &piece.marks.own_file {
        value["own_file"] = json!(file);
    }
    value
}

fn sections(piece: &Piece) -> Value {
    let one = |section: &super::Section| {
        let mut value = json!({
            "name": section.name,
            "first_bar": section.first_bar,
            "last_bar": section.last_bar,
        });
        if section.played_fade {
            value["played_fade"] = json!(true);
        }
        if let Some(pattern) = &section.chords {
            value["chords"] = json!(pattern);
        }
        value
    };
    piece.sections.iter().map(one).collect()
}

/// The runs of the chart that no section writes for itself.
fn chords(piece: &Piece) -> Value {
    let of_section = |run: &&crate::chart::ChartRun| {
        piece.sections.iter().any(|section| {
            section.chords.as_ref() == Some(&run.pattern)
                && (section.first_bar, section.last_bar) == (run.first_bar, run.last_bar)
        })
    };
    let own = piece.chart.runs().iter().filter(|run| !of_section(run));
    own.map(
        |run| json!({"first_bar": run.first_bar, "last_bar": run.last_bar, "play": run.pattern}),
    )
    .collect()
}

fn delivery(piece: &Piece) -> Value {
    json!({
        "target_lufs": piece.delivery.target_lufs,
        "max_dbtp": piece.delivery.max_dbtp,
        "bits": piece.delivery.bits,
    })
}

fn conform(piece: &Piece) -> Value {
    let policy = &piece.conform;
    let mut value = json!({
        "resample_limit_cents": policy.resample_limit_cents,
        "easing_strength": policy.easing_strength,
        "ease_blunders": policy.ease_blunders,
    });
    if let Some(lag_ms) = policy.ensemble_lag_ms {
        value["ensemble_lag_ms"] = json!(lag_ms);
    }
    value
}
