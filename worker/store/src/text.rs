//! How values that are not plain text live in text columns: JSON, and small closed lists.

use serde::{Deserialize, Serialize};
use serde_json::Value;

/// A JSON value from a text column. `Deref`s to [`Value`].
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Json(pub Value);

impl TryFrom<String> for Json {
    type Error = serde_json::Error;
    fn try_from(text: String) -> Result<Self, Self::Error> {
        serde_json::from_str(&text).map(Json)
    }
}

impl std::ops::Deref for Json {
    type Target = Value;
    fn deref(&self) -> &Value {
        &self.0
    }
}

impl From<Value> for Json {
    fn from(value: Value) -> Self {
        Json(value)
    }
}

/// An enum whose variants are texts in the database and in JSON.
macro_rules! text_enum {
    ($(#[$meta:meta])* $name:ident { $($(#[$doc:meta])* $variant:ident = $text:literal),+ $(,)? }) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
        pub enum $name {
            $($(#[$doc])* #[serde(rename = $text)] $variant),+
        }

        impl $name {
            /// Every one of them.
            pub const ALL: &[$name] = &[$($name::$variant),+];

            /// The text it is in the database and in JSON.
            pub fn as_str(self) -> &'static str {
                match self { $($name::$variant => $text),+ }
            }
        }

        impl TryFrom<String> for $name {
            type Error = String;
            fn try_from(text: String) -> std::result::Result<Self, String> {
                match text.as_str() {
                    $($text => Ok($name::$variant),)+
                    other => Err(format!("“{other}” is none of the values this column holds")),
                }
            }
        }
    };
}

pub(crate) use text_enum;
