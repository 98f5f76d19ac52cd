//! What changed between two versions of an arrangement, in words.

use super::{Arrangement, Cell, CellPoint, Group, Shape, StemException, same};

/// A sentence for each change from `old` to `new`; empty when nothing audible changed. `called` says
/// what a take is called, as the subject of a sentence, by its id.
pub fn difference(
    old: &Arrangement,
    new: &Arrangement,
    called: &dyn Fn(&str) -> String,
) -> Vec<String> {
    let mut said = Vec::new();
    if old.step_ms != new.step_ms {
        said.push(format!("Steps of level take {} ms instead of {} ms.", new.step_ms, old.step_ms));
    }
    if old.room != new.room {
        said.push("The room that groups send to is another.".into());
    }
    if old.mix != new.mix {
        said.push("The tone of the whole mix is another.".into());
    }
    groups(old, new, &mut said);
    limits(old, new, &mut said);
    cells(old, new, &mut said);
    stems(old, new, called, &mut said);
    said
}

fn groups(old: &Arrangement, new: &Arrangement, said: &mut Vec<String>) {
    for group in &old.groups {
        if new.group_named(&group.name).is_none() {
            said.push(format!("Group {} is gone.", group.name));
        }
    }
    for group in &new.groups {
        match old.group_named(&group.name) {
            None => said.push(format!("Group {} is new, at {}.", group.name, db(group.gain_db))),
            Some(at) => group_change(&old.groups[at], group, said),
        }
    }
    let shared = |map: &Arrangement, other: &Arrangement| -> Vec<String> {
        let names = map.groups.iter().map(|group| group.name.to_lowercase());
        names.filter(|name| other.group_named(name).is_some()).collect()
    };
    if shared(old, new) != shared(new, old) {
        said.push("Groups are tried in another order, so takes may change groups.".into());
    }
}

fn group_change(old: &Group, new: &Group, said: &mut Vec<String>) {
    let name = &new.name;
    if old.gain_db != new.gain_db {
        said.push(format!("Group {name} goes from {} to {}.", db(old.gain_db), db(new.gain_db)));
    }
    if old.pan != new.pan {
        said.push(format!("Group {name} moves from {} to {}.", side(old.pan), side(new.pan)));
    }
    if old.spread != new.spread {
        let width = |spread: Option<f64>| match spread {
            Some(spread) => format!("{:.0} %", spread * 100.0),
            None => "what the mixer chooses".into(),
        };
        let (from, to) = (width(old.spread), width(new.spread));
        said.push(format!("Group {name} is spread over {to} instead of {from}."));
    }
    if old.mute != new.mute {
        let verb = if new.mute { "is muted" } else { "is heard again" };
        said.push(format!("Group {name} {verb}."));
    }
    if old.tone != new.tone {
        said.push(format!("Group {name} has another tone."));
    }
    if old.rules != new.rules || old.takes_rest != new.takes_rest {
        said.push(format!("Group {name} has other rules, so takes may join or leave it."));
    }
}

fn limits(old: &Arrangement, new: &Arrangement, said: &mut Vec<String>) {
    let only = |map: &Arrangement, section: &str| {
        let limit = map.sections.iter().find(|limit| same(&limit.section, section));
        limit.map(|limit| limit.only.clone())
    };
    for limit in &new.sections {
        if only(old, &limit.section).as_ref() != Some(&limit.only) {
            let names = match limit.only.is_empty() {
                true => "no group".to_string(),
                false => limit.only.join(", "),
            };
            said.push(format!("In {} only these are heard: {names}.", limit.section));
        }
    }
    for limit in &old.sections {
        if only(new, &limit.section).is_none() {
            said.push(format!("In {} every group may be heard again.", limit.section));
        }
    }
}

fn cells(old: &Arrangement, new: &Arrangement, said: &mut Vec<String>) {
    for cell in &new.cells {
        let plain =
            Cell { section: cell.section.clone(), group: cell.group.clone(), ..Cell::default() };
        let before = old.cell(&cell.section, &cell.group).unwrap_or(&plain);
        cell_change(before, cell, said);
    }
    for cell in &old.cells {
        if new.cell(&cell.section, &cell.group).is_none() {
            let plain = Cell {
                section: cell.section.clone(),
                group: cell.group.clone(),
                ..Cell::default()
            };
            cell_change(cell, &plain, said);
        }
    }
}

fn cell_change(old: &Cell, new: &Cell, said: &mut Vec<String>) {
    let place = format!("{} in {}", new.group, new.section);
    if old.mute != new.mute {
        said.push(format!("{place} {}.", if new.mute { "is muted" } else { "is heard again" }));
    }
    if old.gain_db != new.gain_db {
        said.push(format!("{place} goes from {} to {}.", db(old.gain_db), db(new.gain_db)));
    }
    if old.enter != new.enter {
        said.push(match new.enter {
            Some(at) => format!("{place} enters at {at}."),
            None => format!("{place} plays from the section's start."),
        });
    }
    if old.exit != new.exit {
        said.push(match new.exit {
            Some(at) => format!("{place} leaves at {at}."),
            None => format!("{place} plays to the section's end."),
        });
    }
    if old.curve != new.curve {
        said.push(match new.curve.as_slice() {
            [] => format!("{place} has no curve any more."),
            points => format!("{place} follows a new curve: {}.", curve_in_words(points)),
        });
    }
}

/// Points and the shapes between them: `-9 dB at 13, by line to 0 dB at 21`.
pub(super) fn curve_in_words(points: &[CellPoint]) -> String {
    let mut words = String::new();
    for (number, point) in points.iter().enumerate() {
        if let Some(before) = number.checked_sub(1).and_then(|before| points.get(before)) {
            words.push_str(match before.shape {
                Shape::Hold => ", held until ",
                Shape::Line => ", by line to ",
                Shape::EqualPower => ", by equal-power to ",
                Shape::SCurve => ", by s-curve to ",
            });
        }
        words.push_str(&format!("{} at {}", db(point.db), point.at));
    }
    words
}

fn stems(
    old: &Arrangement,
    new: &Arrangement,
    called: &dyn Fn(&str) -> String,
    said: &mut Vec<String>,
) {
    for stem in &new.stems {
        let plain = StemException { take: stem.take.clone(), ..StemException::default() };
        let before = old.exception_for(&stem.take).unwrap_or(&plain);
        stem_change(before, stem, &called(&stem.take), said);
    }
    for stem in &old.stems {
        if new.exception_for(&stem.take).is_none() {
            let take = called(&stem.take);
            said.push(format!("{take} is treated like the others again."));
        }
    }
}

fn stem_change(old: &StemException, new: &StemException, take: &str, said: &mut Vec<String>) {
    if old.mute != new.mute {
        said.push(format!("{take} {}.", if new.mute { "is left out" } else { "is heard again" }));
    }
    if old.gain_db != new.gain_db {
        said.push(format!("{take} goes from {} to {}.", db(old.gain_db), db(new.gain_db)));
    }
    if old.pan != new.pan {
        said.push(match new.pan {
            Some(pan) => format!("{take} is placed {}.", side(pan)),
            None => format!("{take} is placed by the mixer."),
        });
    }
    if old.group != new.group {
        said.push(match &new.group {
            Some(group) => format!("{take} plays with {group}."),
            None => format!("{take} plays with the group its facts fit."),
        });
    }
}

/// A level of −∞ in words.
pub(super) const SILENCE: &str = "silence";

pub(super) fn db(level: f64) -> String {
    if level == f64::NEG_INFINITY {
        SILENCE.into()
    } else {
        format!("{level:+} dB").replace("+0 dB", "0 dB")
    }
}

fn side(pan: f64) -> String {
    match pan {
        0.0 => "the middle".into(),
        pan if pan < 0.0 => format!("{:.0} % left", -pan * 100.0),
        pan => format!("{:.0} % right", pan * 100.0),
    }
}
