//! Marks, dates, delivery, conform policy and consents of a piece's document.

use super::LINE_CHARS;
use jiff::tz::TimeZone;

use crate::document::{Node, Notes, Table, Value, shorten};
use crate::mistake::nearest;
use crate::piece::{ConformPolicy, ConsentWording, Delivery, Mark, Marks, Nightly};

pub(super) fn marks(table: &mut Table<'_>, last_bar: Option<i32>, notes: &Notes) -> Marks {
    let mut marks = Marks::default();
    let need = "add [marks] with opening_bar = -1";
    let Some(mut table) =
        table.need("marks", need).and_then(|node| Table::of(node, "the marks", notes))
    else {
        return marks;
    };
    table.need("opening_bar", "add opening_bar, a bar of the lead-in such as -1");
    if let Some(bar) = table.whole("opening_bar", -64..=0) {
        marks.opening.bar = bar as i32;
    }
    let after = i64::from(last_bar.unwrap_or(1)) + 1;
    if let Some(bar) = table.whole("closing_bar", after..=after + 63) {
        marks.closing = Some(Mark { bar: bar as i32 });
    }
    if let Some(node) = table.get("own_file") {
        marks.own_file = notes.text(node, "own_file", LINE_CHARS).filter(|name| {
            let plain =
                !name.is_empty() && !name.contains(['/', '\\', ':']) && !name.starts_with('.');
            if !plain {
                let what = "'own_file' is no plain file name";
                notes.note(&node.place, what, "name a file beside this one, without folders");
            }
            plain
        });
    }
    table.done();
    marks
}

pub(super) fn deadline(table: &mut Table<'_>, notes: &Notes) -> (Option<String>, Option<String>) {
    let zone = table.get("time_zone").and_then(|node| time_zone(node, notes));
    let deadline = table.get("deadline").and_then(|node| instant(node, zone.as_ref(), notes));
    (deadline, zone.map(|(name, _)| name))
}

fn time_zone(node: &Node, notes: &Notes) -> Option<(String, TimeZone)> {
    let name = notes.text(node, "time_zone", 64)?;
    if let Ok(zone) = jiff::tz::db().get(&name) {
        return Some((name, zone));
    }
    let known: Vec<String> = jiff::tz::db().available().map(|zone| zone.to_string()).collect();
    let instead = match nearest(&name, known.iter().map(String::as_str)) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => "write a name of the IANA list, such as \"Europe/Lisbon\"".into(),
    };
    notes.note(&node.place, format!("there is no time zone \"{}\"", shorten(&name)), instead);
    None
}

/// An instant as RFC 3339 with its offset; one written without takes the zone's, if the zone's
/// clock shows that time once.
fn instant(node: &Node, zone: Option<&(String, TimeZone)>, notes: &Notes) -> Option<String> {
    let text = match &node.value {
        Value::Date(text) => text.clone(),
        _ => notes.text(node, "deadline", 64)?,
    };
    if text.parse::<jiff::Timestamp>().is_ok() {
        return Some(text);
    }
    let shown = shorten(&text);
    let with_time = text.contains([':']).then(|| text.parse::<jiff::civil::DateTime>().ok());
    let (Some((name, zone)), Some(Some(clock))) = (zone, with_time) else {
        let instead = "write date, time and offset, such as 2027-05-01T23:59:00+01:00; without \
                       offset it needs a time_zone";
        notes.note(&node.place, format!("'deadline' is \"{shown}\""), instead);
        return None;
    };
    match zone.to_ambiguous_zoned_datetime(clock).unambiguous() {
        Ok(at) => Some(at.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()),
        Err(_) => {
            let what =
                format!("clocks in {name} change that night and show {shown} twice or never");
            notes.note(&node.place, what, "write the offset behind it, such as +01:00");
            None
        }
    }
}

pub(super) fn delivery(table: &mut Table<'_>, notes: &Notes) -> Delivery {
    let mut delivery = Delivery::default();
    let Some(mut table) =
        table.get("delivery").and_then(|node| Table::of(node, "the delivery", notes))
    else {
        return delivery;
    };
    delivery.target_lufs =
        table.number("target_lufs", -40.0..=-6.0).unwrap_or(delivery.target_lufs);
    delivery.max_dbtp = table.number("max_dbtp", -20.0..=0.0).unwrap_or(delivery.max_dbtp);
    if let Some(node) = table.get("bits")
        && let Some(bits) = notes.whole(node, "bits", 16..=32)
    {
        if [16, 24, 32].contains(&bits) {
            delivery.bits = bits as u16;
        } else {
            notes.note(&node.place, format!("'bits' is {bits}"), "write 16, 24 or 32");
        }
    }
    table.done();
    delivery
}

pub(super) fn nightly(table: &mut Table<'_>, notes: &Notes) -> Option<Nightly> {
    let mut table = table.get("nightly").and_then(|node| Table::of(node, "nightly", notes))?;
    let at = table
        .need("at", "add at = \"0 5 * * *\": minute, hour, day, month, day of the week")
        .and_then(|node| {
            let text = notes.text(node, "at", 100)?;
            let checked = Nightly::check(&text);
            if let Err(why) = &checked {
                let what =
                    format!("'at' is \"{}\", which is no time of a cron: {why}", shorten(&text));
                notes.note(&node.place, what, "write \"0 5 * * *\" for five in the morning");
            }
            checked.is_ok().then_some(text)
        });
    let webhook = table.get("webhook").and_then(|node| {
        let text = notes.text(node, "webhook", 2_000)?;
        let fits = ["http://", "https://"].iter().any(|scheme| text.starts_with(scheme));
        if !fits {
            let what = format!("'webhook' is \"{}\"", shorten(&text));
            notes.note(&node.place, what, "write an address that begins with https://");
        }
        fits.then_some(text)
    });
    let keep = table.whole("keep", 1..=1000).map(|keep| keep as u32);
    table.done();
    Some(Nightly { at: at?, webhook, keep })
}

pub(super) fn conform(table: &mut Table<'_>, notes: &Notes) -> ConformPolicy {
    let mut policy = ConformPolicy::default();
    let node = table.get("conform");
    let Some(mut table) = node.and_then(|node| Table::of(node, "the conform policy", notes)) else {
        return policy;
    };
    policy.resample_limit_cents =
        table.number("resample_limit_cents", 0.0..=50.0).unwrap_or(policy.resample_limit_cents);
    policy.easing_strength =
        table.number("easing_strength", 0.0..=0.5).unwrap_or(policy.easing_strength);
    policy.ease_blunders = table.truth("ease_blunders").unwrap_or(policy.ease_blunders);
    policy.ensemble_lag_ms = table.number("ensemble_lag_ms", -100.0..=200.0);
    table.done();
    policy
}

pub(super) fn consents(table: &mut Table<'_>, notes: &Notes) -> ConsentWording {
    let mut wording = ConsentWording::default();
    let node = table.get("consent");
    let Some(mut table) = node.and_then(|node| Table::of(node, "the consent", notes)) else {
        return wording;
    };
    table.need("version", "add version = \"1\"; give changed words a new one");
    let mut fill = |key, most, field: &mut String| {
        let Some(node) = table.get(key) else { return };
        let Some(text) = notes.text(node, key, most) else { return };
        if text.trim().is_empty() {
            notes.note(&node.place, format!("'{key}' is empty"), "write it, or leave the key out");
        }
        *field = text;
    };
    fill("version", 40, &mut wording.version);
    fill("recording", 5_000, &mut wording.recording);
    fill("credit", 5_000, &mut wording.credit);
    fill("guardian", 5_000, &mut wording.guardian);
    table.done();
    wording
}
