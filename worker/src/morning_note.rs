//! What is new since the last nightly preview: takes, questions, and how loud the groups are.

use std::fmt::Write;

use ripieno_score::{TakeForm, TakeState};
use ripieno_store::{Render, Store, TakeSummary};
use serde::{Deserialize, Serialize};

use crate::jobs::JobError;
use crate::render_mix::{GroupReport, RenderReport};

/// Events looked through at most; a night with more says so by its counts alone.
const MOST_EVENTS: i64 = 10_000;

/// A group counts as louder or softer from here on, LU: less is not noticed in a crowd.
const LEAST_CHANGE_LU: f64 = 0.5;

/// The note.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct MorningNote {
    /// The piece's title.
    pub title: String,
    /// The night.
    pub occasion: String,
    /// The night before it that this note compares with; none at the first.
    pub since: Option<String>,
    /// Takes that were placed since.
    pub placed: Vec<TakeLine>,
    /// Takes that came to ask something since and still do.
    pub asking: Vec<TakeLine>,
    /// Takes that turned out to be of no use.
    pub unusable: Vec<TakeLine>,
    /// How many were withdrawn; nothing else is kept of them.
    pub withdrawn: usize,
    /// The groups as they stand.
    pub groups: Vec<GroupLine>,
    /// Loudness of the mix before its master, LUFS, now and then.
    pub unmastered_lufs: Option<f64>,
    /// The same of the night before.
    pub unmastered_lufs_before: Option<f64>,
}

/// One take.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct TakeLine {
    /// Its id.
    pub take_id: String,
    /// The credit line, if the contributor agreed to being named.
    pub who: Option<String>,
    /// What was played; of somebody who is not to be named, the family alone.
    pub instrument: String,
    /// What was found first, in a sentence.
    pub says: Option<String>,
}

/// One group.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct GroupLine {
    /// Its name.
    pub name: String,
    /// Stems heard in it, now and the night before.
    pub stems: usize,
    /// The same of the night before; none if it was not there.
    pub stems_before: Option<usize>,
    /// How loud its stems are together before its level gain, LUFS.
    pub lufs: Option<f64>,
    /// By how much that changed, LU.
    pub change_lu: Option<f64>,
}

/// Gathers the note of a nightly render whose report is at hand.
///
/// # Errors
/// The store fails.
pub(crate) async fn gather(
    store: &Store,
    render: &Render,
    report: &RenderReport,
) -> Result<MorningNote, JobError> {
    let before = store.last_nightly(&render.piece_id, &render.id).await?;
    let since_us = before.as_ref().map_or(0, |before| before.created_at);
    let old: Option<RenderReport> =
        before.as_ref().and_then(|before| RenderReport::deserialize(&before.result.0).ok());
    let mut note = MorningNote {
        title: report.title.clone(),
        occasion: render.occasion.clone().unwrap_or_default(),
        since: before.and_then(|before| before.occasion),
        groups: groups(&report.groups, old.as_ref().map_or(&[], |old| &old.groups)),
        unmastered_lufs: report.unmastered_lufs,
        unmastered_lufs_before: old.and_then(|old| old.unmastered_lufs),
        ..MorningNote::default()
    };
    let mut seen = std::collections::BTreeSet::new();
    for event in store.events_since(&render.piece_id, since_us, MOST_EVENTS).await? {
        let about_a_take = event.kind.starts_with("take.");
        if !about_a_take || event.at >= render.created_at || !seen.insert(event.subject.clone()) {
            continue;
        }
        let take = match store.take(&event.subject).await {
            Ok(take) => take,
            Err(error) if error.is_not_found() => continue,
            Err(error) => return Err(error.into()),
        };
        note.tell_of(&take.summary);
    }
    Ok(note)
}

fn line(take: &TakeSummary) -> TakeLine {
    let form = TakeForm::deserialize(&take.form.0).unwrap_or_default();
    TakeLine {
        take_id: take.id.clone(),
        who: form.public_credit().map(str::to_owned),
        instrument: form.public_instrument().to_owned(),
        says: take.findings.0[0]["says"].as_str().map(str::to_owned),
    }
}

fn groups(now: &[GroupReport], before: &[GroupReport]) -> Vec<GroupLine> {
    let line = |group: &GroupReport| {
        let old = before.iter().find(|old| old.name == group.name);
        let change = |old: &GroupReport| Some(group.measured_lufs? - old.measured_lufs?);
        GroupLine {
            name: group.name.clone(),
            stems: group.stems,
            stems_before: old.map(|old| old.stems),
            lufs: group.measured_lufs,
            change_lu: old.and_then(change),
        }
    };
    now.iter().map(line).collect()
}

impl MorningNote {
    /// Puts a take where it belongs in the note. What a later take stands in for is heard no
    /// more, whatever its own state.
    fn tell_of(&mut self, take: &TakeSummary) {
        match take.state {
            TakeState::Withdrawn => self.withdrawn += 1,
            _ if take.replaced_by.is_some() => {}
            TakeState::Placed => self.placed.push(line(take)),
            TakeState::Asks => self.asking.push(line(take)),
            TakeState::Unusable => self.unusable.push(line(take)),
            _ => {}
        }
    }

    /// The note as a text to read over a coffee.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = format!("{}: {}\n", self.title, self.occasion);
        // Writing to a String cannot fail.
        let _ = match &self.since {
            Some(since) => writeln!(text, "What is new since {since}.\n"),
            None => writeln!(text, "The first note: everything is new.\n"),
        };
        takes(&mut text, "was placed", "were placed", &self.placed);
        takes(&mut text, "asks something", "ask something", &self.asking);
        takes(&mut text, "is of no use", "are of no use", &self.unusable);
        if self.withdrawn > 0 {
            let _ = writeln!(text, "Withdrawn: {}.\n", self.withdrawn);
        }
        let _ = writeln!(text, "Groups:");
        for group in &self.groups {
            let _ = writeln!(text, "  {}", group_text(group));
        }
        if let (Some(now), Some(before)) = (self.unmastered_lufs, self.unmastered_lufs_before) {
            let change = now - before;
            if change.abs() >= LEAST_CHANGE_LU {
                let _ = writeln!(text, "\nAll together {} before the master.", moved(change));
            }
        }
        text
    }
}

fn takes(text: &mut String, one: &str, many: &str, takes: &[TakeLine]) {
    let what = match takes.len() {
        0 => return,
        1 => format!("1 take {one}"),
        count => format!("{count} takes {many}"),
    };
    let _ = writeln!(text, "{what}:");
    for take in takes {
        let who = take.who.as_deref().unwrap_or("somebody who is not to be named");
        let says = take.says.as_deref().map(|says| format!(". {says}")).unwrap_or_default();
        let _ = writeln!(text, "  {}, {} ({}){says}", take.instrument, who, take.take_id);
    }
    let _ = writeln!(text);
}

fn group_text(group: &GroupLine) -> String {
    let takes = if group.stems == 1 { "1 take".into() } else { format!("{} takes", group.stems) };
    let stems = match group.stems_before {
        Some(before) if before != group.stems => format!("{takes}, {before} before"),
        None => format!("{takes}, a new group"),
        _ => takes,
    };
    match group.change_lu.filter(|change| change.abs() >= LEAST_CHANGE_LU) {
        Some(change) => format!("{}: {stems}; {} together", group.name, moved(change)),
        None => format!("{}: {stems}", group.name),
    }
}

fn moved(change: f64) -> String {
    format!("{:.1} dB {}", change.abs(), if change > 0.0 { "louder" } else { "softer" })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn summary(credit: bool, minor: bool) -> TakeSummary {
        let form = serde_json::json!({
            "name": "Ida Marr", "credit": "Ida", "instrument": "Ida's harp",
            "family": "plucked", "register": "", "place": "Northmole", "institution": "",
            "players": 1, "tags": [], "email": "ida@harbour.example",
            "consents": {"recording": true, "credit": credit, "minor": minor,
                         "guardian": null, "version": "1"},
        });
        TakeSummary {
            id: "t1".into(),
            piece_id: "p".into(),
            state: TakeState::Placed,
            form: ripieno_store::Json(form),
            file_name: "ida_marr.wav".into(),
            bytes: 1,
            content_hash: None,
            findings: ripieno_store::Json(serde_json::json!([])),
            corrections: ripieno_store::Json(serde_json::json!({})),
            replaces: None,
            replaced_by: None,
            laid_before: 0,
            created_at: 0,
            updated_at: 0,
        }
    }

    #[test]
    fn a_take_that_was_exchanged_is_told_of_once() {
        let mut note = MorningNote::default();
        let old = TakeSummary { replaced_by: Some("t2".into()), ..summary(true, false) };
        let new = TakeSummary { id: "t2".into(), ..summary(true, false) };
        let gone = TakeSummary { state: TakeState::Withdrawn, ..old.clone() };
        for take in [&old, &new, &gone] {
            note.tell_of(take);
        }
        let told: Vec<&str> = note.placed.iter().map(|take| take.take_id.as_str()).collect();
        assert_eq!((told, note.withdrawn), (vec!["t2"], 1));
    }

    #[test]
    fn who_did_not_agree_to_be_named_is_not_told_by_any_word_of_theirs() {
        let take = |credit: bool, minor: bool| line(&summary(credit, minor));
        assert_eq!(take(true, false).instrument, "Ida's harp");
        for (credit, minor) in [(false, false), (true, true)] {
            let mut text = String::new();
            takes(&mut text, "was placed", "were placed", &[take(credit, minor)]);
            let told = text + &serde_json::to_string(&take(credit, minor)).unwrap();
            assert!(told.contains("Plucked strings") && !told.contains("Ida"), "{told}");
        }
    }

    #[test]
    fn a_note_reads_like_one() {
        let group = |name: &str, stems, lufs| GroupReport {
            name: name.into(),
            stems,
            measured_lufs: Some(lufs),
            level_gain_db: 0.0,
        };
        let take = |id: &str, says: Option<&str>| TakeLine {
            take_id: id.into(),
            who: (id == "t1").then(|| "Ide Marr".into()),
            instrument: "concertina".into(),
            says: says.map(str::to_owned),
        };
        let note = MorningNote {
            title: "Nine Harbours".into(),
            occasion: "nightly 2026-11-25 05:00+00:00".into(),
            since: Some("nightly 2026-11-24 05:00+00:00".into()),
            placed: vec![take("t1", None)],
            asking: vec![take("t2", Some("No mark was found.")), take("t3", None)],
            groups: groups(
                &[group("Bells", 5, -20.0), group("Low", 2, -25.0), group("Hands", 1, -30.0)],
                &[group("Bells", 3, -22.2), group("Low", 2, -25.1)],
            ),
            ..MorningNote::default()
        };
        assert_eq!(
            note.text(),
            "Nine Harbours: nightly 2026-11-25 05:00+00:00\n\
             What is new since nightly 2026-11-24 05:00+00:00.\n\n\
             1 take was placed:\n  concertina, Ide Marr (t1)\n\n\
             2 takes ask something:\n  \
             concertina, somebody who is not to be named (t2). No mark was found.\n  \
             concertina, somebody who is not to be named (t3)\n\n\
             Groups:\n  Bells: 5 takes, 3 before; 2.2 dB louder together\n  Low: 2 takes\n  \
             Hands: 1 take, a new group\n"
        );
    }
}
