//! What takes are called where a comparison speaks of them: as the desk lists them.

use std::collections::BTreeMap;

use ripieno_score::{Arrangement, TakeForm, difference};
use serde::Deserialize;

use crate::http::App;
use crate::http::problem::Answer;

/// Letters from the end of an id that tell two takes of a name apart: they are drawn by lot.
const LETTERS: usize = 5;

/// The changes from one map to another, a sentence each, with takes by the names of their players.
/// For organisers alone: not everybody may be named.
///
/// # Errors
/// A fault of the store.
pub async fn changes_in_words(
    app: &App,
    old: &Arrangement,
    new: &Arrangement,
) -> Answer<Vec<String>> {
    let mut called = BTreeMap::new();
    for stem in old.stems().iter().chain(new.stems()) {
        if called.contains_key(&stem.take) {
            continue;
        }
        let name = match app.store.take(&stem.take).await {
            Ok(take) => named(&TakeForm::deserialize(&take.form.0).unwrap_or_default()),
            Err(error) if error.is_not_found() => None,
            Err(error) => return Err(error.into()),
        };
        called.insert(stem.take.clone(), name);
    }
    Ok(difference(old, new, &|take| in_words(&called, take)))
}

/// `Ada Quay (two-row melodeon)`; nothing for a take that has no player any more.
fn named(form: &TakeForm) -> Option<String> {
    let (name, instrument) = (form.name.trim(), form.instrument.trim());
    match (name, instrument) {
        ("", _) => None,
        (name, "") => Some(name.to_owned()),
        (name, instrument) => Some(format!("{name} ({instrument})")),
    }
}

fn in_words(called: &BTreeMap<String, Option<String>>, take: &str) -> String {
    let Some(name) = called.get(take).and_then(Option::as_ref) else {
        return format!("Take {take}");
    };
    let alike = called.values().flatten().filter(|other| *other == name).count();
    let end: String = take.chars().skip(take.chars().count().saturating_sub(LETTERS)).collect();
    if alike > 1 { format!("{name}, take …{end},") } else { name.clone() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn form(name: &str, instrument: &str) -> TakeForm {
        TakeForm { name: name.into(), instrument: instrument.into(), ..TakeForm::default() }
    }

    #[test]
    fn a_take_is_called_by_its_player_and_told_from_another_of_theirs() {
        let called = BTreeMap::from([
            ("0123456789abcdef".to_owned(), named(&form("Ada Quay", "whistle"))),
            ("0123456789abcxyz".to_owned(), named(&form("Ada Quay", "whistle"))),
            ("0123456789abc000".to_owned(), named(&form("Ida Mole", ""))),
            ("0123456789abc111".to_owned(), named(&form("", ""))),
        ]);
        let say = |take| in_words(&called, take);
        assert_eq!(say("0123456789abcdef"), "Ada Quay (whistle), take …bcdef,");
        assert_eq!(say("0123456789abcxyz"), "Ada Quay (whistle), take …bcxyz,");
        assert_eq!(say("0123456789abc000"), "Ida Mole");
        assert_eq!(say("0123456789abc111"), "Take 0123456789abc111", "it was withdrawn");
        assert_eq!(say("gone"), "Take gone");
    }
}
