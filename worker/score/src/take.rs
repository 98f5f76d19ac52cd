//! A take's form, its facts for the arrangement, and its states.

mod form;
mod shown;

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::mistake::Mistakes;

/// Where a take stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TakeState {
    /// It has arrived whole.
    Received,
    /// It is being worked on.
    Conforming,
    /// It lies on the master grid.
    Placed,
    /// Somebody has a question to answer first.
    Asks,
    /// It cannot be used as it is.
    Unusable,
    /// Its contributor took it back.
    Withdrawn,
}

impl TakeState {
    /// Every state.
    pub const ALL: [TakeState; 6] = [
        TakeState::Received,
        TakeState::Conforming,
        TakeState::Placed,
        TakeState::Asks,
        TakeState::Unusable,
        TakeState::Withdrawn,
    ];

    /// The word records and JSON use.
    pub fn word(self) -> &'static str {
        match self {
            TakeState::Received => "received",
            TakeState::Conforming => "conforming",
            TakeState::Placed => "placed",
            TakeState::Asks => "asks",
            TakeState::Unusable => "unusable",
            TakeState::Withdrawn => "withdrawn",
        }
    }
}

impl fmt::Display for TakeState {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(self.word())
    }
}

/// A word that is no state.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' is no state of a take")]
pub struct NotAState(String);

impl FromStr for TakeState {
    type Err = NotAState;

    fn from_str(word: &str) -> Result<TakeState, NotAState> {
        let state = TakeState::ALL.into_iter().find(|state| state.word() == word);
        state.ok_or_else(|| NotAState(word.chars().take(40).collect()))
    }
}

impl TryFrom<String> for TakeState {
    type Error = NotAState;

    fn try_from(word: String) -> Result<TakeState, NotAState> {
        word.parse()
    }
}

/// What the arrangement knows of a take.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct TakeFacts {
    /// The instrument, in the contributor's words.
    pub instrument: String,
    /// A family's key.
    pub family: String,
    /// `low`, `middle` or `high`, or empty.
    pub register: String,
    /// Where it was recorded.
    pub place: String,
    /// Tags, in small letters.
    pub tags: Vec<String>,
}

/// What a contributor agreed to.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Consents {
    /// To the use of the recording; a form without it is refused.
    pub recording: bool,
    /// To being named.
    pub credit: bool,
    /// Whether the player is a minor.
    pub minor: bool,
    /// The guardian who agreed for a minor, by name.
    pub guardian: Option<String>,
    /// The version of the wording that was shown.
    pub version: String,
}

/// The form that comes with a take, checked.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct TakeForm {
    /// Who played. Never public by itself.
    pub name: String,
    /// The line for the credits; the name where none was given.
    pub credit: String,
    /// The instrument, in the contributor's words.
    pub instrument: String,
    /// A family's key (see [`crate::families`]).
    pub family: String,
    /// `low`, `middle` or `high`, or empty.
    pub register: String,
    /// Town or region.
    pub place: String,
    /// School, choir, club.
    pub institution: String,
    /// How many are heard: 1 for a solo.
    pub players: u32,
    /// Tags, in small letters.
    pub tags: Vec<String>,
    /// For questions about the take. Never public.
    pub email: Option<String>,
    /// What was agreed to.
    pub consents: Consents,
}

impl TakeForm {
    /// Checks the fields of a form, as names and values; unknown names are passed over, and a name
    /// may come more than once (`tags`). Text is kept as typed, in any script, but for space at its
    /// ends. Every mistake is given, its pointer `/` and the field's name.
    ///
    /// Fields: `name`, `credit`, `instrument`, `family`, `register`, `place`, `institution`,
    /// `players`, `tags` (by commas), `email`, `consent_recording`, `consent_credit`, `minor`,
    /// `guardian`, `consent_version`. A box is ticked by `on`, `true`, `yes` or `1`.
    pub fn from_fields<'f>(
        fields: impl IntoIterator<Item = (&'f str, &'f str)>,
    ) -> Result<TakeForm, Mistakes> {
        form::check(fields.into_iter().collect())
    }

    /// What the arrangement may know of it.
    pub fn facts(&self) -> TakeFacts {
        TakeFacts {
            instrument: self.instrument.clone(),
            family: self.family.clone(),
            register: self.register.clone(),
            place: self.place.clone(),
            tags: self.tags.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: [(&str, &str); 6] = [
        ("name", "  Ada Quay "),
        ("instrument", "two-row melodeon"),
        ("consent_recording", "on"),
        ("consent_credit", "on"),
        ("consent_version", "1"),
        ("tags", "Harbour, tune,harbour"),
    ];

    fn with(changes: &[(&'static str, &'static str)]) -> Result<TakeForm, Mistakes> {
        let kept = GOOD.into_iter().filter(|(key, _)| !changes.iter().any(|(new, _)| new == key));
        TakeForm::from_fields(kept.chain(changes.iter().copied()).collect::<Vec<_>>())
    }

    fn fields_at_fault(result: Result<TakeForm, Mistakes>) -> Vec<String> {
        result.unwrap_err().0.into_iter().filter_map(|mistake| mistake.pointer).collect()
    }

    #[test]
    fn a_plain_form_is_taken_and_filled_in() {
        let form = with(&[]).unwrap();
        assert_eq!((form.name.as_str(), form.credit.as_str()), ("Ada Quay", "Ada Quay"));
        assert_eq!((form.family.as_str(), form.players), ("squeezebox", 1));
        assert_eq!(form.tags, ["harbour", "tune"]);
        assert_eq!(form.facts().tags, form.tags);
    }

    #[test]
    fn every_mistake_of_a_form_is_told_at_once() {
        let faults = fields_at_fault(with(&[
            ("name", ""),
            ("instrument", "\u{7}bell"),
            ("players", "many"),
            ("email", "nobody"),
            ("family", "squeezebx"),
            ("consent_recording", ""),
            ("minor", "on"),
        ]));
        let expected = [
            "/name",
            "/instrument",
            "/family",
            "/players",
            "/email",
            "/consent_recording",
            "/guardian",
        ];
        assert_eq!(faults, expected);
    }

    #[test]
    fn any_script_and_emoji_are_kept_as_typed() {
        for name in ["شَرارة البحر", "N\u{303}a\u{308}oko", "👩🏽\u{200D}🎤 Pearl", "קול הים"]
        {
            let form = TakeForm::from_fields(
                GOOD.into_iter()
                    .map(|(key, value)| (key, if key == "name" { name } else { value })),
            );
            assert_eq!(form.unwrap().name, name);
        }
    }

    #[test]
    fn overlong_and_overriding_text_is_refused() {
        let long = "x".repeat(10_000);
        for name in [long.as_str(), "a\u{202E}b", "line\nbreak"] {
            let fields = GOOD
                .into_iter()
                .map(|(key, value)| (key, if key == "name" { name } else { value }));
            assert_eq!(fields_at_fault(TakeForm::from_fields(fields)), ["/name"]);
        }
    }

    #[test]
    fn a_minor_needs_a_named_guardian() {
        assert_eq!(fields_at_fault(with(&[("minor", "on")])), ["/guardian"]);
        let form = with(&[("minor", "on"), ("guardian", "Bo Quay")]).unwrap();
        assert_eq!(form.consents.guardian.as_deref(), Some("Bo Quay"));
    }

    proptest::proptest! {
        #[test]
        fn no_field_makes_the_check_panic(
            fields in proptest::collection::vec(
                ("[a-z_]{0,12}|name|tags|email|players", "\\PC{0,40}|.{0,20}"),
                0..12,
            ),
        ) {
            let pairs = fields.iter().map(|(key, value)| (key.as_str(), value.as_str()));
            if let Err(mistakes) = TakeForm::from_fields(pairs) {
                proptest::prop_assert!(!mistakes.0.is_empty());
            }
        }
    }

    #[test]
    fn states_are_words_both_ways() {
        for state in TakeState::ALL {
            assert_eq!(state.word().parse(), Ok(state));
            assert_eq!(serde_json::to_value(state).unwrap(), state.word());
        }
        assert!("lost".parse::<TakeState>().is_err());
    }
}
