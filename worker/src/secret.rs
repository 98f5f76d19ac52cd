//! Text that is used and never shown: a key in the settings.

use std::fmt;

use serde::{Deserialize, Serialize, Serializer};

/// A key from the settings. Neither `{:?}` nor serde gives it away: it is written as empty text,
/// so a settings file that was printed and read back sets no wrong key.
#[derive(Clone, Default, Deserialize, Eq, PartialEq)]
#[serde(transparent)]
pub struct Secret(String);

impl Secret {
    /// Keeps `text`.
    #[must_use]
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The text itself, for the one who signs with it.
    #[must_use]
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.is_empty() { "(none)" } else { "(set, not shown)" })
    }
}

impl Serialize for Secret {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str("")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_is_read_and_never_shown() {
        let secret: Secret = serde_json::from_str(r#""tide and time""#).unwrap();
        assert_eq!(secret.reveal(), "tide and time");
        let settings =
            crate::run::Settings { webhook_secret: secret.clone(), ..Default::default() };
        let shown = format!("{settings:?} {}", serde_json::to_string(&secret).unwrap());
        assert!(!shown.contains("tide") && shown.contains("(set, not shown)"), "{shown}");
    }
}
