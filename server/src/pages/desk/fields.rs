//! The fields of a form in which one name may come several times.

use serde::Deserialize;

/// Fields as a browser sent them, in their order. One that was left empty says nothing, but holds
/// its place among the rows of a table.
#[derive(Debug, Default, Deserialize)]
#[serde(transparent)]
pub struct Fields(Vec<(String, String)>);

impl Fields {
    /// What a column of a table holds, from its first row to its last, empty or not.
    pub fn column<'f>(&'f self, name: &'f str) -> impl Iterator<Item = &'f str> {
        self.0.iter().filter(move |(field, _)| field == name).map(|(_, value)| value.as_str())
    }

    /// All that was said under a name.
    pub fn all<'f>(&'f self, name: &'f str) -> impl Iterator<Item = &'f str> {
        self.column(name).filter(|value| !value.is_empty())
    }

    /// The first thing said under a name.
    pub fn one<'f>(&'f self, name: &'f str) -> Option<&'f str> {
        self.all(name).next()
    }

    /// Whether that is `value`.
    pub fn is(&self, name: &str, value: &str) -> bool {
        self.one(name) == Some(value)
    }

    /// It, or nothing.
    pub fn text(&self, name: &str) -> String {
        self.one(name).unwrap_or_default().to_owned()
    }
}

#[cfg(test)]
impl From<&[(&str, &str)]> for Fields {
    fn from(fields: &[(&str, &str)]) -> Self {
        Self(fields.iter().map(|(name, value)| (name.to_string(), value.to_string())).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_empty_says_nothing_but_holds_its_place() {
        let fields: Fields =
            serde_json::from_str(r#"[["at", ""], ["group", ""], ["at", "9"], ["group", "Low"]]"#)
                .unwrap();
        assert_eq!(fields.column("at").collect::<Vec<_>>(), ["", "9"]);
        assert_eq!(fields.all("at").collect::<Vec<_>>(), ["9"]);
        assert_eq!((fields.one("group"), fields.one("none")), (Some("Low"), None));
        assert!(fields.is("group", "Low") && !fields.is("group", ""));
        assert_eq!(fields.text("none"), "");
    }
}
