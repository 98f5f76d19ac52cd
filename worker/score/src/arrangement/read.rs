//! Reads an arrangement from its document and notes every mistake in it.

use super::{
    Arrangement, Cell, CellPoint, Group, Rule, SectionGroups, Shape, StemException, same, tone,
};
use crate::document::{self, Node, Notes, Table, shorten};
use crate::family::families;
use crate::mistake::{Mistakes, nearest};
use crate::piece::{Piece, Section};
use crate::position::Position;

/// How long a step of level takes, by default: short for the ear, long enough not to click.
pub(super) const DEFAULT_STEP_MS: f64 = 15.0;
const MOST_GROUPS: usize = 200;
const MOST_CELLS: usize = 20_000;
const MOST_STEMS: usize = 20_000;
const MOST_POINTS: usize = 1_000;
/// Levels a document may ask for.
const LEVELS_DB: std::ops::RangeInclusive<f64> = -120.0..=24.0;

pub(super) fn from_toml(text: &str, file: &str, piece: &Piece) -> Result<Arrangement, Mistakes> {
    let notes = Notes::new(file);
    let map = document::from_toml(text, &notes).and_then(|root| arrangement(&root, piece, &notes));
    notes.finish(map)
}

pub(super) fn from_json(text: &str, file: &str, piece: &Piece) -> Result<Arrangement, Mistakes> {
    let notes = Notes::new(file);
    let root = document::from_json_text(text, &notes);
    let map = root.and_then(|root| arrangement(&root, piece, &notes));
    notes.finish(map)
}

fn arrangement(root: &Node, piece: &Piece, notes: &Notes) -> Option<Arrangement> {
    let mut table = Table::of(root, "the arrangement", notes)?;
    let note = table.text("note", 2_000).unwrap_or_default();
    let step_ms = table.number("step_ms", 1.0..=500.0).unwrap_or(DEFAULT_STEP_MS);
    table.need("groups", "add [[groups]] with a name and rules");
    let nodes = table.list("groups", MOST_GROUPS);
    let groups = groups(nodes, piece.sample_rate_hz, notes);
    let scope = Scope { piece, groups: &groups, notes };
    let sections = scope.section_limits(table.list("sections", 1_000));
    let cells = scope.cells(table.list("cells", MOST_CELLS));
    let stems = scope.stems(table.list("stems", MOST_STEMS));
    let room = table.get("room").and_then(|node| tone::room(node, notes));
    let mix = table
        .get("mix")
        .map(|node| tone::tone(node, "the tone of the mix", false, piece.sample_rate_hz, notes));
    table.done();
    let mix = mix.unwrap_or_default();
    Some(Arrangement { note, step_ms, sections, cells, stems, room, mix, groups })
}

fn groups(nodes: &[Node], rate_hz: u32, notes: &Notes) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    for node in nodes {
        let Some(group) = group(node, rate_hz, notes) else { continue };
        if groups.iter().any(|other| same(&other.name, &group.name)) {
            let what = format!("two groups are called \"{}\"", shorten(&group.name));
            notes.note(&node.place, what, "give each a name of its own");
        }
        if group.takes_rest && groups.iter().any(|other| other.takes_rest) {
            notes.note(&node.place, "a second group takes the rest", "let one group alone do so");
        }
        groups.push(group);
    }
    groups
}

fn group(node: &Node, rate_hz: u32, notes: &Notes) -> Option<Group> {
    let mut table = Table::of(node, "a group", notes)?;
    let name_node = table.need("name", "add name = \"…\"");
    let name = table.text("name", 80).map(|name| name.trim().to_string());
    let rules: Vec<Rule> =
        table.list("rules", 200).iter().filter_map(|node| rule(node, notes)).collect();
    let takes_rest = table.truth("rest").unwrap_or(false);
    let gain_db = table.number("gain_db", LEVELS_DB).unwrap_or(0.0);
    let pan = table.number("pan", -1.0..=1.0).unwrap_or(0.0);
    let spread = table.number("spread", 0.0..=1.0);
    let mute = table.truth("mute").unwrap_or(false);
    let tone = table.get("tone");
    let tone = tone.map(|node| tone::tone(node, "the tone of a group", true, rate_hz, notes));
    table.done();
    let name = name?;
    if name.is_empty() {
        let place = name_node.map_or(&node.place, |node| &node.place);
        notes.note(place, "a group has an empty name", "name it");
    }
    let tone = tone.unwrap_or_default();
    Some(Group { name, rules, takes_rest, gain_db, pan, spread, mute, tone })
}

fn rule(node: &Node, notes: &Notes) -> Option<Rule> {
    let mut table = Table::of(node, "a rule", notes)?;
    let family_node = table.get("family");
    let rule = Rule {
        family: table.texts("family", 100, 80),
        instrument: table.texts("instrument", 500, 120),
        register: table.texts("register", 10, 20),
        tag: table.texts("tag", 200, 40),
        place: table.texts("place", 500, 120),
    };
    let register_node = table.get("register");
    table.done();
    let known: Vec<&str> = families().iter().map(|family| family.key).collect();
    for word in rule.family.iter().filter(|word| !word.contains('*')) {
        known_word("family", word, &known, family_node.unwrap_or(node), notes);
    }
    for word in &rule.register {
        known_word(
            "register",
            word,
            &["low", "middle", "high"],
            register_node.unwrap_or(node),
            notes,
        );
    }
    if rule == Rule::default() {
        let instead =
            "name a family, instrument, register, tag or place; or give the group rest = true";
        notes.note(&node.place, "a rule has no condition", instead);
    }
    Some(rule)
}

fn known_word(kind: &str, word: &str, known: &[&str], node: &Node, notes: &Notes) {
    if known.iter().any(|known| same(known, word)) {
        return;
    }
    let instead = match nearest(word, known.iter().copied()) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => format!("it may be {}", known.join(", ")),
    };
    notes.note(&node.place, format!("there is no {kind} \"{}\"", shorten(word)), instead);
}

/// What names in the rest of the document may refer to.
struct Scope<'d> {
    piece: &'d Piece,
    groups: &'d [Group],
    notes: &'d Notes,
}

impl<'d> Scope<'d> {
    fn section(&self, node: &Node, name: &str) -> Option<&'d Section> {
        let found = self.piece.section_named(name).map(|at| &self.piece.sections[at]);
        if found.is_none() {
            let known: Vec<&str> = self.piece.sections.iter().map(|s| s.name.as_str()).collect();
            known_word("section", name, &known, node, self.notes);
        }
        found
    }

    fn group(&self, node: &Node, name: &str) -> Option<&'d Group> {
        let found = self.groups.iter().find(|group| same(&group.name, name));
        if found.is_none() {
            let known: Vec<&str> = self.groups.iter().map(|group| group.name.as_str()).collect();
            known_word("group", name, &known, node, self.notes);
        }
        found
    }

    fn section_limits(&self, nodes: &[Node]) -> Vec<SectionGroups> {
        let mut limits: Vec<SectionGroups> = Vec::new();
        for node in nodes {
            let Some(limit) = self.section_limit(node) else { continue };
            if limits.iter().any(|other| same(&other.section, &limit.section)) {
                let what = format!("section \"{}\" is limited twice", shorten(&limit.section));
                self.notes.note(&node.place, what, "put all its groups in one 'only'");
            }
            limits.push(limit);
        }
        limits
    }

    fn section_limit(&self, node: &Node) -> Option<SectionGroups> {
        let mut table = Table::of(node, "a section's entry", self.notes)?;
        let section_node = table.need("section", "add section = \"…\"");
        let section = table.text("section", 80);
        let only_node = table.need("only", "add only = [\"…\"], the groups that sound");
        let only = table.texts("only", MOST_GROUPS, 80);
        table.done();
        let section = self.section(section_node?, &section?)?;
        let groups = only.iter().filter_map(|name| self.group(only_node?, name));
        let only = groups.map(|group| group.name.clone()).collect();
        Some(SectionGroups { section: section.name.clone(), only })
    }

    fn cells(&self, nodes: &[Node]) -> Vec<Cell> {
        let mut cells = Vec::new();
        let mut seen = std::collections::HashSet::new();
        for node in nodes {
            for cell in self.cell(node) {
                let key = (cell.section.to_lowercase(), cell.group.to_lowercase());
                if seen.insert(key) {
                    cells.push(cell);
                } else {
                    let (section, group) = (shorten(&cell.section), shorten(&cell.group));
                    let what = format!("group \"{group}\" has two cells in section \"{section}\"");
                    self.notes.note(&node.place, what, "put all of it in one");
                }
            }
        }
        cells
    }

    /// The cell of an entry, once for each group it names.
    fn cell(&self, node: &Node) -> Vec<Cell> {
        let notes = self.notes;
        let Some(mut table) = Table::of(node, "a cell", notes) else { return Vec::new() };
        let section_node = table.need("section", "add section = \"…\"");
        let section = table.text("section", 80);
        let group_node = table.need("group", "add group = \"…\", or a list of groups");
        let names = table.texts("group", MOST_GROUPS, 80);
        let gain_db = table.number("gain_db", LEVELS_DB).unwrap_or(0.0);
        let mute = table.truth("mute").unwrap_or(false);
        let section = section_node.zip(section).and_then(|(node, name)| self.section(node, &name));
        let enter = self.position_within(&mut table, "enter", section);
        let exit = self.position_within(&mut table, "exit", section);
        let exit_node = table.get("exit");
        let curve = self.curve(table.list("curve", MOST_POINTS), section);
        table.done();
        if let (Some(enter), Some(exit), Some(node)) = (enter, exit, exit_node)
            && exit <= enter
        {
            let what = format!("the exit at {exit} is not after the entry at {enter}");
            notes.note(&node.place, what, "let the group enter first");
        }
        let (Some(section), Some(group_node)) = (section, group_node) else { return Vec::new() };
        let groups = names.iter().filter_map(|name| self.group(group_node, name));
        let cell = |group: &Group| Cell {
            section: section.name.clone(),
            group: group.name.clone(),
            gain_db,
            mute,
            enter,
            exit,
            curve: curve.clone(),
        };
        groups.map(cell).collect()
    }

    fn position_within(
        &self,
        table: &mut Table<'_>,
        key: &'static str,
        section: Option<&Section>,
    ) -> Option<Position> {
        let node = table.get(key)?;
        let position = self.notes.position(node, key)?;
        self.check_within(node, key, position, section).then_some(position)
    }

    /// Notes a place that is outside the section or that its bar does not have.
    fn check_within(
        &self,
        node: &Node,
        key: &str,
        position: Position,
        section: Option<&Section>,
    ) -> bool {
        if !self.piece.tempo.has_beat(position) {
            let metre = self.piece.tempo.metre_at(position.bar());
            let what = format!("'{key}' is {position}, but bar {} is in {metre}", position.bar());
            self.notes.note(&node.place, what, format!("name a beat from 1 to {}", metre.beats));
            return false;
        }
        let Some(section) = section else { return true };
        let (from, to) = (section.first_bar, section.last_bar + 1);
        let inside = position >= Position::bar_start(from) && position <= Position::bar_start(to);
        if !inside {
            let name = shorten(&section.name);
            let what = format!("'{key}' is {position}, outside section \"{name}\"");
            self.notes.note(&node.place, what, format!("name a place from \"{from}\" to \"{to}\""));
        }
        inside
    }

    fn curve(&self, nodes: &[Node], section: Option<&Section>) -> Vec<CellPoint> {
        let mut points: Vec<CellPoint> = Vec::new();
        for node in nodes {
            let Some(point) = self.point(node, section) else { continue };
            if let Some(last) = points.last().filter(|last| last.at >= point.at) {
                let what = format!("the point at {} follows the one at {}", point.at, last.at);
                self.notes.note(&node.place, what, "list points in order, one for a place");
            }
            points.push(point);
        }
        points
    }

    fn point(&self, node: &Node, section: Option<&Section>) -> Option<CellPoint> {
        let notes = self.notes;
        let mut table = Table::of(node, "a point", notes)?;
        table.need("at", "add at = \"12.1\"");
        let at = self.position_within(&mut table, "at", section);
        let db = table.need("db", "add db, a level such as -6, or -inf for silence");
        let db = db.and_then(|node| notes.decibels(node, "db", LEVELS_DB));
        let shape = match table.get("shape") {
            Some(node) => self.shape(node),
            None => Some(Shape::default()),
        };
        table.done();
        Some(CellPoint { at: at?, db: db?, shape: shape? })
    }

    fn shape(&self, node: &Node) -> Option<Shape> {
        let name = self.notes.text(node, "shape", 40)?;
        let found = Shape::NAMES.iter().find(|(known, _)| same(known, &name));
        if found.is_none() {
            known_word("shape", &name, &Shape::NAMES.map(|(name, _)| name), node, self.notes);
        }
        found.map(|(_, shape)| *shape)
    }

    fn stems(&self, nodes: &[Node]) -> Vec<StemException> {
        let mut stems: Vec<StemException> = Vec::new();
        let mut seen = std::collections::HashSet::new();
        for node in nodes {
            let Some(stem) = self.stem(node) else { continue };
            if !seen.insert(stem.take.clone()) {
                let what = format!("take \"{}\" has two entries", shorten(&stem.take));
                self.notes.note(&node.place, what, "put all of it in one");
            }
            stems.push(stem);
        }
        stems
    }

    fn stem(&self, node: &Node) -> Option<StemException> {
        let mut table = Table::of(node, "a stem's entry", self.notes)?;
        table.need("take", "add take = \"…\", the take's id");
        let take = table.text("take", 80).map(|take| take.trim().to_string());
        let gain_db = table.number("gain_db", LEVELS_DB).unwrap_or(0.0);
        let pan = table.number("pan", -1.0..=1.0);
        let mute = table.truth("mute").unwrap_or(false);
        let group = table.get("group").and_then(|node| {
            let name = self.notes.text(node, "group", 80)?;
            self.group(node, &name).map(|group| group.name.clone())
        });
        let note = table.text("note", 500).unwrap_or_default();
        table.done();
        let take = take?;
        if take.is_empty() {
            self.notes.note(&node.place, "a stem's entry names no take", "write the take's id");
        }
        Some(StemException { take, gain_db, pan, mute, group, note })
    }
}
