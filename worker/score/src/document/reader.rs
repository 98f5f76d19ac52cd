//! Takes values out of a document's tree, noting whatever is not as it should be.

use std::ops::RangeInclusive;

use super::{Entry, Node, Notes, Place, Value};
use crate::exact::{Fraction, parse_fraction};
use crate::mistake::{is_misspelling, nearest};
use crate::position::{NotAPosition, Position};

/// Reads one table key by key and, at the end, notes the keys nobody asked for.
pub(crate) struct Table<'d> {
    notes: &'d Notes,
    /// What the table is, for sentences: `a section`.
    what: &'static str,
    place: Place,
    entries: &'d [Entry],
    asked: Vec<&'static str>,
}

impl<'d> Table<'d> {
    /// The table of a node; notes it if the node is none.
    pub(crate) fn of(node: &'d Node, what: &'static str, notes: &'d Notes) -> Option<Table<'d>> {
        match &node.value {
            Value::Table(entries) => {
                let place = node.place.clone();
                Some(Table { notes, what, place, entries, asked: Vec::new() })
            }
            other => {
                let what = format!("{what} is {} here", other.kind());
                notes.note(&node.place, what, "write a table of keys and values");
                None
            }
        }
    }

    pub(crate) fn place(&self) -> &Place {
        &self.place
    }

    /// The value of a key, if it is there.
    pub(crate) fn get(&mut self, key: &'static str) -> Option<&'d Node> {
        if !self.asked.contains(&key) {
            self.asked.push(key);
        }
        self.entries.iter().find(|entry| entry.key == key).map(|entry| &entry.node)
    }

    /// The value of a key that must be there.
    pub(crate) fn need(&mut self, key: &'static str, instead: &str) -> Option<&'d Node> {
        let node = self.get(key);
        if node.is_none() && !self.misspelt(key) {
            self.notes.note(&self.place, format!("{} has no '{key}'", self.what), instead);
        }
        node
    }

    /// Whether an entry looks like this key misspelt: then one mistake is enough.
    fn misspelt(&self, key: &'static str) -> bool {
        self.entries.iter().any(|entry| is_misspelling(&entry.key, key))
    }

    pub(crate) fn text(&mut self, key: &'static str, most_chars: usize) -> Option<String> {
        let node = self.get(key)?;
        self.notes.text(node, key, most_chars)
    }

    pub(crate) fn truth(&mut self, key: &'static str) -> Option<bool> {
        let node = self.get(key)?;
        self.notes.truth(node, key)
    }

    pub(crate) fn whole(&mut self, key: &'static str, range: RangeInclusive<i64>) -> Option<i64> {
        let node = self.get(key)?;
        self.notes.whole(node, key, range)
    }

    pub(crate) fn number(&mut self, key: &'static str, range: RangeInclusive<f64>) -> Option<f64> {
        let node = self.get(key)?;
        self.notes.number(node, key, range)
    }

    pub(crate) fn position(&mut self, key: &'static str) -> Option<Position> {
        let node = self.get(key)?;
        self.notes.position(node, key)
    }

    /// The items of a list, at most `most`; a missing list is an empty one.
    pub(crate) fn list(&mut self, key: &'static str, most: usize) -> &'d [Node] {
        let notes = self.notes;
        self.get(key).map_or(&[], |node| notes.list(node, key, most))
    }

    /// Texts, given as one or as a list.
    pub(crate) fn texts(
        &mut self,
        key: &'static str,
        most: usize,
        most_chars: usize,
    ) -> Vec<String> {
        let notes = self.notes;
        let Some(node) = self.get(key) else { return Vec::new() };
        if let Value::Text(_) = node.value {
            return notes.text(node, key, most_chars).into_iter().collect();
        }
        let items = notes.list(node, key, most).iter();
        items.filter_map(|item| notes.text(item, key, most_chars)).collect()
    }

    /// Notes every key that was never asked for.
    pub(crate) fn done(self) {
        for entry in self.entries {
            if self.asked.contains(&entry.key.as_str()) {
                continue;
            }
            if self.notes.full() {
                self.notes.pass_over(1);
                continue;
            }
            let shown: String = entry.key.chars().take(40).collect();
            let what = format!("{} has no key '{shown}'", self.what);
            let missing = self.asked.iter().copied();
            let instead = match nearest(&entry.key, missing.clone()) {
                Some(known) => format!("did you mean '{known}'?"),
                None => format!("it may have {}", missing.collect::<Vec<_>>().join(", ")),
            };
            self.notes.note(&entry.place, what, instead);
        }
    }
}

impl Notes {
    fn wrong_kind(&self, node: &Node, key: &str, instead: impl Into<String>) {
        self.note(&node.place, format!("'{key}' is {}", node.value.kind()), instead);
    }

    pub(crate) fn text(&self, node: &Node, key: &str, most_chars: usize) -> Option<String> {
        let Value::Text(text) = &node.value else {
            self.wrong_kind(node, key, "write a text in quotes");
            return None;
        };
        let length = text.chars().count();
        if length > most_chars {
            let what = format!("'{key}' has {length} characters");
            self.note(&node.place, what, format!("keep to {most_chars}"));
            return None;
        }
        if let Some(control) =
            text.chars().find(|c| c.is_control() && !matches!(c, '\n' | '\t' | '\r'))
        {
            let what = format!("'{key}' has the control character U+{:04X}", control as u32);
            self.note(&node.place, what, "take it out");
            return None;
        }
        Some(text.clone())
    }

    pub(crate) fn truth(&self, node: &Node, key: &str) -> Option<bool> {
        match node.value {
            Value::Truth(truth) => Some(truth),
            _ => {
                self.wrong_kind(node, key, "write true or false, without quotes");
                None
            }
        }
    }

    pub(crate) fn whole(&self, node: &Node, key: &str, range: RangeInclusive<i64>) -> Option<i64> {
        let instead = format!("write a whole number from {} to {}", range.start(), range.end());
        let Value::Whole(digits) = &node.value else {
            self.wrong_kind(node, key, instead);
            return None;
        };
        let number = digits.parse().ok().filter(|number| range.contains(number));
        if number.is_none() {
            self.note(&node.place, format!("'{key}' is {}", shorten(digits)), instead);
        }
        number
    }

    pub(crate) fn number(&self, node: &Node, key: &str, range: RangeInclusive<f64>) -> Option<f64> {
        let instead = format!("write a number from {} to {}", range.start(), range.end());
        let (Value::Whole(digits) | Value::Number(digits)) = &node.value else {
            self.wrong_kind(node, key, instead);
            return None;
        };
        let number = digits.parse().ok().filter(|number| range.contains(number));
        if number.is_none() {
            self.note(&node.place, format!("'{key}' is {}", shorten(digits)), instead);
        }
        number
    }

    /// A level in dB: a number in the range, or `-inf` (in JSON the text "-inf") for silence.
    pub(crate) fn decibels(
        &self,
        node: &Node,
        key: &str,
        range: RangeInclusive<f64>,
    ) -> Option<f64> {
        let silent = match &node.value {
            Value::Number(text) | Value::Text(text) => text == "-inf",
            _ => false,
        };
        if silent { Some(f64::NEG_INFINITY) } else { self.number(node, key, range) }
    }

    /// A number without rounding: 132, 97.5 or the text "60000000/454545".
    pub(crate) fn fraction(&self, node: &Node, key: &str, instead: &str) -> Option<Fraction> {
        let (Value::Whole(digits) | Value::Number(digits) | Value::Text(digits)) = &node.value
        else {
            self.wrong_kind(node, key, instead);
            return None;
        };
        let number = parse_fraction(digits);
        if number.is_none() {
            let shown = match node.value {
                Value::Text(_) => format!("'{key}' is \"{}\"", shorten(digits)),
                _ => format!("'{key}' is {}", shorten(digits)),
            };
            self.note(&node.place, shown, instead);
        }
        number
    }

    pub(crate) fn position(&self, node: &Node, key: &str) -> Option<Position> {
        let position = match &node.value {
            Value::Text(text) | Value::Whole(text) => text.parse::<Position>().ok(),
            _ => None,
        };
        if position.is_none() {
            let shown = match &node.value {
                Value::Text(text) => format!("'{key}' is \"{}\"", shorten(text)),
                Value::Whole(text) | Value::Number(text) => format!("'{key}' is {}", shorten(text)),
                other => format!("'{key}' is {}", other.kind()),
            };
            let instead = match &node.value {
                Value::Number(text) if text.parse::<Position>().is_ok() => {
                    format!("put a place in quotes: \"{text}\"")
                }
                _ => NotAPosition.to_string(),
            };
            self.note(&node.place, shown, instead);
        }
        position
    }

    pub(crate) fn list<'d>(&self, node: &'d Node, key: &str, most: usize) -> &'d [Node] {
        let Value::List(items) = &node.value else {
            self.wrong_kind(node, key, "write a list in [ ]");
            return &[];
        };
        if items.len() > most {
            self.note(
                &node.place,
                format!("'{key}' has {} entries", items.len()),
                format!("keep to {most}"),
            );
            return &[];
        }
        items
    }
}

/// A value short enough for a sentence.
pub(crate) fn shorten(text: &str) -> String {
    let mut short: String = text.chars().take(40).collect();
    if text.chars().count() > 40 {
        short.push('…');
    }
    short
}
