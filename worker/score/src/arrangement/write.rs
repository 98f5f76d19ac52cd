//! Writes an arrangement as the document it could have been read from.

use serde_json::{Map, Value, json};

use super::{Arrangement, Cell, Group, Rule, StemException};

pub(super) fn to_json(map: &Arrangement) -> Value {
    let mut value = json!({
        "note": map.note,
        "step_ms": map.step_ms,
        "groups": map.groups.iter().map(group).collect::<Value>(),
        "sections": map.sections.iter().map(|limit| {
            json!({"section": limit.section, "only": limit.only})
        }).collect::<Value>(),
        "cells": map.cells.iter().map(cell).collect::<Value>(),
        "stems": map.stems.iter().map(stem).collect::<Value>(),
    });
    if let Some(room) = &map.room {
        value["room"] = room.json();
    }
    if !map.mix.is_none() {
        value["mix"] = map.mix.json();
    }
    value
}

pub(super) fn to_toml(map: &Arrangement) -> String {
    toml::to_string_pretty(&to_json(map)).unwrap_or_default()
}

fn level(db: f64) -> Value {
    if db.is_finite() { json!(db) } else { json!("-inf") }
}

fn group(group: &Group) -> Value {
    let mut value = json!({"name": group.name, "gain_db": group.gain_db, "pan": group.pan});
    if !group.rules.is_empty() {
        value["rules"] = group.rules.iter().map(rule).collect();
    }
    if group.takes_rest {
        value["rest"] = json!(true);
    }
    if let Some(spread) = group.spread {
        value["spread"] = json!(spread);
    }
    if group.mute {
        value["mute"] = json!(true);
    }
    if !group.tone.is_none() {
        value["tone"] = group.tone.json();
    }
    value
}

fn rule(rule: &Rule) -> Value {
    let facts = [
        ("family", &rule.family),
        ("instrument", &rule.instrument),
        ("register", &rule.register),
        ("tag", &rule.tag),
        ("place", &rule.place),
    ];
    let given = facts.into_iter().filter(|(_, words)| !words.is_empty());
    Value::Object(given.map(|(key, words)| (key.to_string(), json!(words))).collect())
}

fn cell(cell: &Cell) -> Value {
    let mut value = Map::new();
    let mut put = |key: &str, item: Value| value.insert(key.to_string(), item);
    put("section", json!(cell.section));
    put("group", json!(cell.group));
    if cell.gain_db != 0.0 {
        put("gain_db", json!(cell.gain_db));
    }
    if cell.mute {
        put("mute", json!(true));
    }
    if let Some(enter) = cell.enter {
        put("enter", json!(enter));
    }
    if let Some(exit) = cell.exit {
        put("exit", json!(exit));
    }
    if !cell.curve.is_empty() {
        let point = |point: &super::CellPoint| {
            let (at, db, shape) = (point.at, level(point.db), point.shape.name());
            json!({"at": at, "db": db, "shape": shape})
        };
        put("curve", cell.curve.iter().map(point).collect());
    }
    Value::Object(value)
}

fn stem(stem: &StemException) -> Value {
    let mut value = json!({"take": stem.take, "gain_db": stem.gain_db});
    if let Some(pan) = stem.pan {
        value["pan"] = json!(pan);
    }
    if stem.mute {
        value["mute"] = json!(true);
    }
    if let Some(group) = &stem.group {
        value["group"] = json!(group);
    }
    if !stem.note.is_empty() {
        value["note"] = json!(stem.note);
    }
    value
}
