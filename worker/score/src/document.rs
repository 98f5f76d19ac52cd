//! A document as a tree of values that know where they stand, and a reader that notes every
//! mistake instead of stopping at the first. TOML and JSON meet here; nothing above knows which
//! of them it reads.

mod reader;

pub(crate) use reader::{Table, shorten};

use std::cell::{Cell, RefCell};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::mistake::{Mistake, Mistakes};

/// The longest document read, in bytes.
pub(crate) const LONGEST_DOCUMENT: usize = 4 << 20;
/// The most mistakes told of at once; more help nobody.
const MOST_MISTAKES: usize = 100;

/// Where a value stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Place {
    Line { line: u32, column: u32 },
    Pointer(String),
}

/// A value and its place.
#[derive(Clone, Debug)]
pub(crate) struct Node {
    pub(crate) value: Value,
    pub(crate) place: Place,
}

#[derive(Clone, Debug)]
pub(crate) enum Value {
    Text(String),
    /// A whole number, as decimal digits.
    Whole(String),
    /// Any other number, as it was written.
    Number(String),
    Truth(bool),
    Date(String),
    Nothing,
    List(Vec<Node>),
    Table(Vec<Entry>),
}

#[derive(Clone, Debug)]
pub(crate) struct Entry {
    pub(crate) key: String,
    pub(crate) place: Place,
    pub(crate) node: Node,
}

impl Value {
    /// What it is, for a sentence.
    pub(crate) fn kind(&self) -> &'static str {
        match self {
            Value::Text(_) => "a text",
            Value::Whole(_) => "a whole number",
            Value::Number(_) => "a number",
            Value::Truth(_) => "true or false",
            Value::Date(_) => "a date",
            Value::Nothing => "null",
            Value::List(_) => "a list",
            Value::Table(_) => "a table",
        }
    }
}

/// Collects the mistakes of one file.
pub(crate) struct Notes {
    file: String,
    found: RefCell<Vec<Mistake>>,
    /// How many were found past the most told of.
    more: Cell<usize>,
}

impl Notes {
    pub(crate) fn new(file: &str) -> Notes {
        Notes { file: file.to_string(), found: RefCell::default(), more: Cell::default() }
    }

    pub(crate) fn note(&self, place: &Place, what: impl Into<String>, instead: impl Into<String>) {
        let mut found = self.found.borrow_mut();
        if found.len() >= MOST_MISTAKES {
            self.pass_over(1);
            return;
        }
        let (line, column, pointer) = match place {
            Place::Line { line, column } => (Some(*line), Some(*column), None),
            Place::Pointer(pointer) => (None, None, Some(pointer.clone())),
        };
        let (what, instead) = (what.into(), instead.into());
        let mistake = Mistake { file: self.file.clone(), line, column, pointer, what, instead };
        if found.last() != Some(&mistake) {
            found.push(mistake);
        }
    }

    /// Whether no more will be told of, so that finding the words can be spared.
    pub(crate) fn full(&self) -> bool {
        self.found.borrow().len() >= MOST_MISTAKES
    }

    /// Counts mistakes that are not told of.
    pub(crate) fn pass_over(&self, count: usize) {
        self.more.set(self.more.get() + count);
    }

    /// Whether nothing has been noted.
    pub(crate) fn clean(&self) -> bool {
        self.found.borrow().is_empty()
    }

    /// The value, unless something was noted.
    pub(crate) fn finish<T>(self, value: Option<T>) -> Result<T, Mistakes> {
        let mut found = self.found.into_inner();
        match value {
            Some(value) if found.is_empty() => Ok(value),
            _ => {
                found.sort_by_key(|mistake| (mistake.line, mistake.column));
                if self.more.get() > 0 {
                    let what = format!("there are {} more mistakes", self.more.get());
                    let instead = "mend these first and try again".to_string();
                    let (line, column, pointer) = (None, None, None);
                    found.push(Mistake { file: self.file, line, column, pointer, what, instead });
                }
                Err(Mistakes(found))
            }
        }
    }
}

/// The tree of a TOML text; syntax errors are noted, all the parser can tell of.
pub(crate) fn from_toml(text: &str, notes: &Notes) -> Option<Node> {
    let start = Place::Line { line: 1, column: 1 };
    if too_long(text, &start, notes) {
        return None;
    }
    let lines = Lines::of(text);
    let (table, errors) = DeTable::parse_recoverable(text);
    let told: Vec<(Place, String)> = errors
        .iter()
        .map(|error| {
            let place = error.span().map_or(start.clone(), |span| lines.place(span.start));
            (place, error.message().trim().replace('\n', ", "))
        })
        .collect();
    let told = without_echoes(told);
    notes.pass_over(told.len().saturating_sub(MOST_MISTAKES));
    for (place, what) in told.iter().take(MOST_MISTAKES) {
        notes.note(place, format!("this is not TOML: {what}"), instead_of(what));
    }
    errors.is_empty().then(|| Node { value: table_value(table.get_ref(), &lines), place: start })
}

/// The first syntax error of each line, up to the first line that leaves a list or inline table
/// open: to the parser all that follows is inside of it, and what it then says is an echo.
fn without_echoes(mut told: Vec<(Place, String)>) -> Vec<(Place, String)> {
    let at = |place: &Place| match place {
        Place::Line { line, column } => (*line, *column),
        Place::Pointer(_) => (0, 0),
    };
    let line = |place: &Place| at(place).0;
    let is_inside =
        |what: &str| ["array", "inline table"].iter().any(|around| what.contains(around));
    told.sort_by_key(|(place, _)| at(place));
    let open = told.iter().find(|(_, what)| is_inside(what)).map(|(place, _)| line(place));
    told.dedup_by_key(|(place, _)| line(place));
    told.retain(|(place, _)| open.is_none_or(|open| line(place) <= open));
    told
}

/// What to do about a syntax error, by what the parser calls it.
fn instead_of(what: &str) -> &'static str {
    let about = |words: &[&str]| words.iter().any(|word| what.contains(word));
    if about(&["boolean", "must be quoted", "string values"]) {
        "put a text in quotes; true, false and numbers have none"
    } else if about(&["recurse"]) {
        "nest lists and tables less deeply"
    } else if about(&["duplicate key"]) {
        "keep one of the two"
    } else if about(&["unclosed", "missing closing", "`]`", "`}`", "`\"`"]) {
        "close the bracket or quote"
    } else if about(&["array", "inline table"]) {
        "put a comma between the entries of a list, and close the bracket of the one above"
    } else {
        "write lines such as key = \"value\", and headings such as [marks] or [[sections]]"
    }
}

fn too_long(text: &str, place: &Place, notes: &Notes) -> bool {
    let long = text.len() > LONGEST_DOCUMENT;
    if long {
        notes.note(place, "the document is longer than 4 MiB", "shorten it");
    }
    long
}

/// Where lines begin, to turn byte offsets into lines and columns.
struct Lines<'t> {
    text: &'t str,
    starts: Vec<usize>,
}

impl<'t> Lines<'t> {
    fn of(text: &'t str) -> Lines<'t> {
        let breaks = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n');
        let starts = std::iter::once(0).chain(breaks.map(|(at, _)| at + 1)).collect();
        Lines { text, starts }
    }

    fn place(&self, offset: usize) -> Place {
        let offset = offset.min(self.text.len());
        let line = self.starts.partition_point(|start| *start <= offset).saturating_sub(1);
        let before = self.text.as_bytes().get(self.starts[line]..offset).unwrap_or_default();
        // Characters, not bytes: continuation bytes of UTF-8 do not count.
        let column = before.iter().filter(|byte| **byte & 0xC0 != 0x80).count();
        Place::Line { line: line as u32 + 1, column: column as u32 + 1 }
    }
}

fn toml_node(value: &Spanned<DeValue<'_>>, lines: &Lines<'_>) -> Node {
    let place = lines.place(value.span().start);
    let value = match value.get_ref() {
        DeValue::String(text) => Value::Text(text.to_string()),
        DeValue::Integer(number) => {
            let parsed = i128::from_str_radix(number.as_str(), number.radix());
            Value::Whole(parsed.map_or_else(|_| number.to_string(), |number| number.to_string()))
        }
        DeValue::Float(number) => Value::Number(number.as_str().to_string()),
        DeValue::Boolean(truth) => Value::Truth(*truth),
        DeValue::Datetime(date) => Value::Date(date.to_string()),
        DeValue::Array(items) => {
            Value::List(items.iter().map(|item| toml_node(item, lines)).collect())
        }
        DeValue::Table(table) => table_value(table, lines),
    };
    Node { value, place }
}

fn table_value(table: &DeTable<'_>, lines: &Lines<'_>) -> Value {
    let entry = |(key, value): (&Spanned<_>, &Spanned<DeValue<'_>>)| {
        let key: (&std::borrow::Cow<'_, str>, _) = (key.get_ref(), lines.place(key.span().start));
        Entry { key: key.0.to_string(), place: key.1, node: toml_node(value, lines) }
    };
    Value::Table(table.iter().map(entry).collect())
}

/// The tree of a JSON text; a syntax error is noted with its line.
pub(crate) fn from_json_text(text: &str, notes: &Notes) -> Option<Node> {
    if too_long(text, &Place::Pointer(String::new()), notes) {
        return None;
    }
    match serde_json::from_str::<serde_json::Value>(text) {
        Ok(value) => Some(json_node(&value, String::new())),
        Err(error) => {
            let place = Place::Line { line: error.line() as u32, column: error.column() as u32 };
            let what = error.to_string();
            let what = what.split(" at line ").next().unwrap_or_default();
            notes.note(&place, format!("this is not JSON: {what}"), "write an object {…}");
            None
        }
    }
}

/// The tree of a JSON value; places are RFC 6901 pointers, and null counts as not there.
pub(crate) fn json_node(value: &serde_json::Value, pointer: String) -> Node {
    use serde_json::Value as Json;
    let value = match value {
        Json::Null => Value::Nothing,
        Json::Bool(truth) => Value::Truth(*truth),
        Json::Number(number) if number.is_f64() => Value::Number(number.to_string()),
        Json::Number(number) => Value::Whole(number.to_string()),
        Json::String(text) => Value::Text(text.clone()),
        Json::Array(items) => Value::List(
            items
                .iter()
                .enumerate()
                .map(|(at, item)| json_node(item, format!("{pointer}/{at}")))
                .collect(),
        ),
        Json::Object(map) => Value::Table(
            map.iter()
                .filter(|(_, value)| !value.is_null())
                .map(|(key, value)| {
                    let escaped = key.replace('~', "~0").replace('/', "~1");
                    let pointer = format!("{pointer}/{escaped}");
                    let node = json_node(value, pointer.clone());
                    Entry { key: key.clone(), place: Place::Pointer(pointer), node }
                })
                .collect(),
        ),
    };
    Node { value, place: Place::Pointer(pointer) }
}
