//! A take's form, its facts for the arrangement, and its states.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::family::{families, family_keyed, suggest};
use crate::mistake::{Mistake, Mistakes, nearest};

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
    /// A family's key (see [`families`]).
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
        let mut form = Fields { values: fields.into_iter().collect(), mistakes: Vec::new() };
        let name = form.line("name", 120, true);
        let credit = form.line("credit", 200, false);
        let instrument = form.line("instrument", 120, true);
        let (family, register) = form.family_and_register(&instrument);
        let checked = TakeForm {
            credit: if credit.is_empty() { name.clone() } else { credit },
            family,
            register,
            place: form.line("place", 120, false),
            institution: form.line("institution", 200, false),
            players: form.players(),
            tags: form.tags(),
            email: form.email(),
            consents: form.consents(),
            name,
            instrument,
        };
        match form.mistakes.is_empty() {
            true => Ok(checked),
            false => Err(Mistakes(form.mistakes)),
        }
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

struct Fields<'f> {
    values: Vec<(&'f str, &'f str)>,
    mistakes: Vec<Mistake>,
}

impl Fields<'_> {
    fn value(&self, name: &str) -> &str {
        self.values.iter().find(|(key, _)| *key == name).map_or("", |(_, value)| value.trim())
    }

    fn ticked(&self, name: &str) -> bool {
        matches!(self.value(name), "on" | "true" | "yes" | "1")
    }

    fn note(&mut self, field: &str, what: impl Into<String>, instead: impl Into<String>) {
        self.mistakes.push(Mistake {
            file: "form".into(),
            line: None,
            column: None,
            pointer: Some(format!("/{field}")),
            what: what.into(),
            instead: instead.into(),
        });
    }

    /// One line of text in any script.
    fn line(&mut self, field: &'static str, most_chars: usize, needed: bool) -> String {
        let text = self.value(field).to_string();
        let length = text.chars().count();
        let label = field.replace('_', " ");
        if needed && text.is_empty() {
            self.note(field, format!("the {label} is empty"), format!("write the {label}"));
        } else if length > most_chars {
            let what = format!("the {label} has {length} characters");
            self.note(field, what, format!("keep to {most_chars}"));
        } else if text.chars().any(misleads) {
            let what = format!("the {label} has invisible control characters");
            self.note(field, what, "type it again by hand, on one line");
        } else {
            return text;
        }
        String::new()
    }

    fn family_and_register(&mut self, instrument: &str) -> (String, String) {
        let guess = suggest(instrument);
        let given = self.value("family").to_lowercase();
        let family = match family_keyed(&given) {
            Some(family) => family.key,
            None if given.is_empty() => guess.family,
            None => {
                let keys = families().iter().map(|family| family.key);
                let instead = match nearest(&given, keys) {
                    Some(near) => format!("did you mean '{near}'?"),
                    None => "choose one of the list".to_string(),
                };
                self.note("family", "the family is not one of the list", instead);
                "other"
            }
        };
        let register = match self.value("register").to_lowercase().as_str() {
            "" => guess.register.unwrap_or_default().to_string(),
            known @ ("low" | "middle" | "high") => known.to_string(),
            _ => {
                self.note("register", "the register is not known", "choose low, middle or high");
                String::new()
            }
        };
        (family.to_string(), register)
    }

    fn players(&mut self) -> u32 {
        let text = self.value("players");
        if text.is_empty() {
            return 1;
        }
        let players = text.parse().ok().filter(|players| (1..=5_000).contains(players));
        players.unwrap_or_else(|| {
            self.note("players", "the number of players is no number", "write 1 to 5000");
            1
        })
    }

    fn tags(&mut self) -> Vec<String> {
        let of_tags = |(key, _): &&(&str, &str)| *key == "tags";
        let texts = self.values.iter().filter(of_tags).flat_map(|(_, value)| value.split(','));
        let mut tags: Vec<String> =
            texts.map(|tag| tag.trim().to_lowercase()).filter(|tag| !tag.is_empty()).collect();
        let mut seen = std::collections::HashSet::new();
        tags.retain(|tag| seen.insert(tag.clone()));
        let long = tags.iter().any(|tag| tag.chars().count() > 40 || tag.chars().any(misleads));
        if tags.len() > 20 || long {
            self.note(
                "tags",
                "the tags are too many or too long",
                "give at most 20 of 40 characters",
            );
            tags.clear();
        }
        tags
    }

    fn email(&mut self) -> Option<String> {
        let text = self.value("email").to_string();
        if text.is_empty() {
            return None;
        }
        // RFC 5321 section 4.5.3.1.3 bounds a path at 256 octets with its brackets, hence 254.
        let plain = text.len() <= 254 && !text.chars().any(|c| c.is_whitespace() || misleads(c));
        let parts = text.split_once('@').filter(|(user, host)| {
            !user.is_empty()
                && host.contains('.')
                && !host.contains('@')
                && !host.starts_with('.')
                && !host.ends_with('.')
        });
        if !plain || parts.is_none() {
            self.note(
                "email",
                "the e-mail address is not complete",
                "write it as name@example.org, or leave it out",
            );
            return None;
        }
        Some(text)
    }

    fn consents(&mut self) -> Consents {
        let guardian = self.line("guardian", 120, false);
        let consents = Consents {
            recording: self.ticked("consent_recording"),
            credit: self.ticked("consent_credit"),
            minor: self.ticked("minor"),
            guardian: Some(guardian).filter(|name| !name.is_empty()),
            version: self.line("consent_version", 40, false),
        };
        if !consents.recording {
            let instead = "tick it if you agree; without it we may not keep the recording";
            self.note(
                "consent_recording",
                "the consent to use the recording is not given",
                instead,
            );
        }
        if consents.minor && consents.guardian.is_none() {
            let instead = "let a parent or guardian read the form and write their name";
            self.note("guardian", "the player is a minor and no guardian agreed", instead);
        }
        if consents.version.is_empty()
            && !self.mistakes.iter().any(|m| m.pointer.as_deref() == Some("/consent_version"))
        {
            let instead = "load the form again and send it from there";
            self.note("consent_version", "the form does not say which wording was shown", instead);
        }
        consents
    }
}

/// Characters that are not text or that make text read otherwise than it is written: controls and
/// the directional overrides. Joiners, combining marks and right-to-left scripts are text.
fn misleads(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{2028}' | '\u{2029}' | '\u{FEFF}')
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

    #[test]
    fn states_are_words_both_ways() {
        for state in TakeState::ALL {
            assert_eq!(state.word().parse(), Ok(state));
            assert_eq!(serde_json::to_value(state).unwrap(), state.word());
        }
        assert!("lost".parse::<TakeState>().is_err());
    }
}
