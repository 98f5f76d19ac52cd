//! Checks the fields of a take's form.

use super::{Consents, TakeForm};
use crate::family::{families, family_keyed, suggest};
use crate::mistake::{Mistake, Mistakes, nearest};

/// The form, or everything that is wrong with it.
pub(super) fn check(fields: Vec<(&str, &str)>) -> Result<TakeForm, Mistakes> {
    let mut form = Fields { values: fields, mistakes: Vec::new() };
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
        || matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
        || matches!(c, '\u{2028}' | '\u{2029}' | '\u{FEFF}')
}
