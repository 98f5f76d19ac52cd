//! Changes one place of an arrangement's document and leaves the rest as its author wrote it,
//! comments and all.

use toml_edit::{
    Array, ArrayOfTables, DocumentMut, InlineTable, Item, Table, TableLike, TomlError, Value,
};

use super::{Arrangement, CellPoint, difference, same};
use crate::position::Position;

/// A change of one place, as it was typed: what is wrong with it is found when the document is
/// read, and said with everything else.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Change {
    /// What one group does in one section.
    Cell {
        /// The section's name.
        section: String,
        /// The group's name.
        group: String,
        /// What it does there.
        typed: TypedCell,
    },
    /// What one group does all along.
    Group {
        /// Its name.
        group: String,
        /// Its level in dB.
        gain_db: String,
        /// Whether it is silent.
        mute: bool,
    },
    /// Which groups a section lets be heard: only these, or every one.
    Section {
        /// Its name.
        section: String,
        /// The groups' names; `None` lets every group be heard.
        only: Option<Vec<String>>,
    },
}

/// A cell as it is typed; an empty text is what is not said.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TypedCell {
    /// Whether the group is silent there.
    pub mute: bool,
    /// Its level in dB, on top of its curve.
    pub gain_db: String,
    /// Where it enters.
    pub enter: String,
    /// Where it leaves.
    pub exit: String,
    /// Its curve; points without a place and a level are left out.
    pub points: Vec<TypedPoint>,
}

impl TypedCell {
    /// Whether it says no more than no cell at all: 0 dB from the section's start to its end.
    fn is_plain(&self) -> bool {
        let level = plain_number(&self.gain_db);
        let points = self.points.iter().filter_map(normal_typed).count();
        !self.mute
            && matches!(level.as_str(), "" | "0")
            && self.enter.trim().is_empty()
            && self.exit.trim().is_empty()
            && points == 0
    }
}

/// A point of a curve as it is typed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TypedPoint {
    /// Where it lies.
    pub at: String,
    /// Its level in dB; `-inf` or `silence` is silence.
    pub db: String,
    /// The shape's name.
    pub shape: String,
}

impl Change {
    /// A place as it stands, to be changed: a group in a section, a group all along, or a section;
    /// none if the map has no such place.
    #[must_use]
    pub fn standing(
        map: &Arrangement,
        section: Option<&str>,
        group: Option<&str>,
    ) -> Option<Change> {
        let group = match group {
            Some(name) => Some(&map.groups[map.group_named(name)?]),
            None => None,
        };
        match (section, group) {
            (None, None) => None,
            (None, Some(group)) => Some(Change::Group {
                group: group.name.clone(),
                gain_db: group.gain_db.to_string(),
                mute: group.mute,
            }),
            (Some(section), Some(group)) => Some(Change::Cell {
                section: section.to_owned(),
                group: group.name.clone(),
                typed: typed_cell(map, section, &group.name),
            }),
            (Some(section), None) => {
                let limit = map.sections.iter().find(|limit| same(&limit.section, section));
                let only = limit.map(|limit| limit.only.clone());
                Some(Change::Section { section: section.to_owned(), only })
            }
        }
    }
}

fn typed_cell(map: &Arrangement, section: &str, group: &str) -> TypedCell {
    let cell = map.cell(section, group).cloned().unwrap_or_default();
    let point = |point: &CellPoint| TypedPoint {
        at: point.at.to_string(),
        db: match point.db.is_finite() {
            true => point.db.to_string(),
            false => difference::SILENCE.to_owned(),
        },
        shape: point.shape.name().to_owned(),
    };
    TypedCell {
        mute: cell.mute,
        gain_db: cell.gain_db.to_string(),
        enter: cell.enter.map(|at| at.to_string()).unwrap_or_default(),
        exit: cell.exit.map(|at| at.to_string()).unwrap_or_default(),
        points: cell.curve.iter().map(point).collect(),
    }
}

/// The document with one place changed.
///
/// # Errors
/// When `text` is no TOML.
pub fn changed(text: &str, change: &Change) -> Result<String, TomlError> {
    let mut document: DocumentMut = text.parse()?;
    let root = document.as_table_mut();
    match change {
        Change::Cell { section, group, typed } => {
            let found = find_cell(root, section, group);
            if (found.is_some() || !typed.is_plain())
                && let Some(entry) = cell_entry(root, found, section, group)
            {
                write_cell(entry, typed);
            }
        }
        Change::Group { group, gain_db, mute } => {
            let found = find(root, "groups", |entry| names(entry, "name", group));
            if let Some(entry) = found.and_then(|at| nth(root, "groups", at)) {
                write_level(entry, gain_db);
                write_truth(entry, "mute", *mute);
            }
        }
        Change::Section { section, only } => write_limit(root, section, only.as_deref()),
    }
    Ok(document.to_string())
}

fn find_cell(root: &Table, section: &str, group: &str) -> Option<usize> {
    find(root, "cells", |entry| names(entry, "section", section) && names(entry, "group", group))
}

/// The entry of one group in one section, parted from what it shares with others, or a new one.
fn cell_entry<'d>(
    root: &'d mut Table,
    found: Option<usize>,
    section: &str,
    group: &str,
) -> Option<&'d mut dyn TableLike> {
    if let Some(at) = found {
        let entry = nth(root, "cells", at)?;
        let shared = entry.get_mut("group").and_then(Item::as_array_mut);
        match shared.filter(|groups| groups.len() > 1) {
            None => return nth(root, "cells", at),
            Some(groups) => groups.retain(|name| !name.as_str().is_some_and(|n| same(n, group))),
        }
    }
    let at = add(root, "cells", &[("section", section.into()), ("group", group.into())]);
    nth(root, "cells", at)
}

fn write_cell(entry: &mut dyn TableLike, typed: &TypedCell) {
    write_level(entry, &typed.gain_db);
    write_truth(entry, "mute", typed.mute);
    for (key, text) in [("enter", &typed.enter), ("exit", &typed.exit)] {
        match text.trim() {
            "" => drop(entry.remove(key)),
            text if place_of(entry.get(key)) == Some(normal_place(text)) => {}
            text => put(entry, key, text.into()),
        }
    }
    let typed: Vec<[String; 3]> = typed.points.iter().filter_map(normal_typed).collect();
    let written: Vec<[String; 3]> = match entry.get("curve") {
        Some(Item::ArrayOfTables(points)) => points.iter().map(|p| normal_written(p)).collect(),
        Some(Item::Value(Value::Array(points))) => {
            points.iter().filter_map(Value::as_inline_table).map(|p| normal_written(p)).collect()
        }
        _ => Vec::new(),
    };
    if typed == written {
        return;
    }
    entry.remove("curve");
    if !typed.is_empty() {
        let points: Array = typed.iter().map(point).collect();
        put(entry, "curve", points.into());
    }
}

/// A typed point in the words a document would have; none for an empty row.
fn normal_typed(point: &TypedPoint) -> Option<[String; 3]> {
    let (at, db) = (point.at.trim(), point.db.trim());
    if at.is_empty() && db.is_empty() {
        return None;
    }
    let silent =
        [difference::SILENCE, "-inf", "−inf", "-∞", "−∞"].contains(&db.to_lowercase().as_str());
    let db = if silent { "-inf".to_owned() } else { plain_number(db) };
    let shape = match point.shape.trim() {
        "" => "line",
        shape => shape,
    };
    Some([normal_place(at), db, shape.to_owned()])
}

fn normal_written(point: &dyn TableLike) -> [String; 3] {
    let db = match point.get("db") {
        Some(Item::Value(Value::Float(db))) => plain_number(&db.value().to_string()),
        Some(Item::Value(Value::Integer(db))) => db.value().to_string(),
        other => other.and_then(Item::as_str).unwrap_or_default().to_owned(),
    };
    let shape = point.get("shape").and_then(Item::as_str).unwrap_or("line").to_lowercase();
    [place_of(point.get("at")).unwrap_or_default(), db, shape]
}

fn point([at, db, shape]: &[String; 3]) -> Value {
    let mut point = InlineTable::new();
    point.insert("at", at.as_str().into());
    point.insert("db", if db == "-inf" { db.as_str().into() } else { number(db) });
    if shape != "line" {
        point.insert("shape", shape.as_str().into());
    }
    point.into()
}

/// A place that is written as a bar's number or as a text.
fn place_of(item: Option<&Item>) -> Option<String> {
    match item?.as_value()? {
        Value::Integer(bar) => Some(bar.value().to_string()),
        other => other.as_str().map(normal_place),
    }
}

/// A place in one way of several: `44.1` is bar 44.
fn normal_place(text: &str) -> String {
    text.trim().parse::<Position>().map_or_else(|_| text.trim().to_owned(), |at| at.to_string())
}

fn write_level(entry: &mut dyn TableLike, typed: &str) {
    let typed = plain_number(typed);
    let written = match entry.get("gain_db") {
        Some(Item::Value(Value::Float(db))) => Some(*db.value()),
        Some(Item::Value(Value::Integer(db))) => Some(*db.value() as f64),
        _ => None,
    };
    let asked = if typed.is_empty() { Ok(0.0) } else { typed.parse::<f64>() };
    match asked {
        Ok(db) if written.unwrap_or(0.0) == db => {}
        Ok(0.0) => drop(entry.remove("gain_db")),
        _ => put(entry, "gain_db", number(&typed)),
    }
}

fn write_truth(entry: &mut dyn TableLike, key: &str, truth: bool) {
    let written = entry.get(key).and_then(Item::as_bool).unwrap_or(false);
    match truth {
        _ if written == truth => {}
        true => put(entry, key, true.into()),
        false => drop(entry.remove(key)),
    }
}

fn write_limit(root: &mut Table, section: &str, only: Option<&[String]>) {
    let found = find(root, "sections", |entry| names(entry, "section", section));
    let names = |groups: &[String]| -> Value { groups.iter().collect::<Array>().into() };
    match (found, only) {
        (None, None) => {}
        (None, Some(only)) => {
            add(root, "sections", &[("section", section.into()), ("only", names(only))]);
        }
        (Some(at), None) => remove(root, "sections", at),
        (Some(at), Some(only)) => {
            let Some(entry) = nth(root, "sections", at) else { return };
            let written = listed(entry.get("only"));
            let alike =
                written.len() == only.len() && written.iter().zip(only).all(|(a, b)| same(a, b));
            if !alike {
                put(entry, "only", names(only));
            }
        }
    }
}

/// A typed number as TOML has it: people also write a comma and a long minus.
fn plain_number(typed: &str) -> String {
    let plain = typed.trim().replace(',', ".").replace('−', "-");
    match plain.parse::<f64>() {
        Ok(number) if number.is_finite() => (number + 0.0).to_string(),
        _ => plain,
    }
}

/// A number; what is none stays the text it is, for the reader to name the mistake.
fn number(plain: &str) -> Value {
    match (plain.parse::<i64>(), plain.parse::<f64>()) {
        (Ok(whole), _) => whole.into(),
        (_, Ok(number)) if number.is_finite() => number.into(),
        _ => plain.into(),
    }
}

/// Puts a value under a key; a comment behind the former one stays.
fn put(entry: &mut dyn TableLike, key: &str, mut new: Value) {
    if let Some(old) = entry.get(key).and_then(Item::as_value) {
        *new.decor_mut() = old.decor().clone();
    }
    match entry.get_mut(key) {
        Some(item) => *item = Item::Value(new),
        None => drop(entry.insert(key, Item::Value(new))),
    }
}

/// Whether a key of an entry is this name, or a list that has it.
fn names(entry: &dyn TableLike, key: &str, name: &str) -> bool {
    listed(entry.get(key)).iter().any(|written| same(written, name))
}

fn listed(item: Option<&Item>) -> Vec<String> {
    match item.and_then(Item::as_value) {
        Some(Value::Array(all)) => {
            all.iter().filter_map(Value::as_str).map(str::to_owned).collect()
        }
        Some(other) => other.as_str().map(str::to_owned).into_iter().collect(),
        None => Vec::new(),
    }
}

/// The first entry of a list that is wanted, by its number.
fn find(root: &Table, key: &str, wanted: impl Fn(&dyn TableLike) -> bool) -> Option<usize> {
    match root.get(key)? {
        Item::ArrayOfTables(tables) => tables.iter().position(|table| wanted(table)),
        Item::Value(Value::Array(all)) => {
            all.iter().position(|one| one.as_inline_table().is_some_and(|table| wanted(table)))
        }
        _ => None,
    }
}

fn nth<'d>(root: &'d mut Table, key: &str, at: usize) -> Option<&'d mut dyn TableLike> {
    match root.get_mut(key)? {
        Item::ArrayOfTables(tables) => tables.get_mut(at).map(|table| table as &mut dyn TableLike),
        Item::Value(Value::Array(all)) => {
            all.get_mut(at)?.as_inline_table_mut().map(|table| table as &mut dyn TableLike)
        }
        _ => None,
    }
}

fn remove(root: &mut Table, key: &str, at: usize) {
    match root.get_mut(key) {
        Some(Item::ArrayOfTables(tables)) => drop(tables.remove(at)),
        Some(Item::Value(Value::Array(all))) => drop(all.remove(at)),
        _ => {}
    }
}

/// Adds an entry at the end of a list, in the way the list is written; gives its number.
fn add(root: &mut Table, key: &str, fields: &[(&str, Value)]) -> usize {
    let empty = |item: &Item| item.as_array().is_some_and(Array::is_empty);
    if root.get(key).is_none_or(empty) {
        root.remove(key);
        root.insert(key, Item::ArrayOfTables(ArrayOfTables::new()));
    }
    match root.get_mut(key) {
        Some(Item::ArrayOfTables(tables)) => {
            let mut table = Table::new();
            table.extend(fields.iter().cloned());
            tables.push(table);
            tables.len() - 1
        }
        Some(Item::Value(Value::Array(all))) => {
            all.push(fields.iter().cloned().collect::<InlineTable>());
            all.len() - 1
        }
        // Another kind of thing under that name is a mistake that the reader tells of.
        _ => 0,
    }
}

#[cfg(test)]
mod tests;
