//! A tempo map from a Standard MIDI File.

use std::collections::HashSet;

use midly::{Format, Smf, Timing};

use super::heard::Heard;
use super::{BAR_1, CLOSING, END, OPENING, PLAYED_FADE};
use crate::document::shorten;
use crate::exact::Fraction;
use crate::key::{Key, Mode, NoteName};
use crate::mistake::{Mistake, Mistakes};
use crate::piece::{MOST_BARS, Mark, Marks, Piece, Section};
use crate::position::Position;
use crate::tempo::{MOST_CHANGES, Metre, MetreChange, TempoChange, TempoMap};

/// The largest file read.
const LONGEST_FILE: usize = 16 << 20;
/// The most remarks made; more help nobody.
const MOST_REMARKS: usize = 50;

/// What a file says of a piece.
#[derive(Clone, Debug, PartialEq)]
pub struct ImportedMap {
    /// The first track's name.
    pub title: Option<String>,
    /// Tempo and metre.
    pub tempo: TempoMap,
    /// The key; its mode is major or minor unless the file came from here.
    pub key: Option<Key>,
    /// A section from each marker to the next.
    pub sections: Vec<Section>,
    /// The marks, where markers name them; else the usual ones.
    pub marks: Marks,
    /// The last bar with anything in it.
    pub last_bar: i32,
    /// What had to be changed to fit a piece, a sentence each.
    pub remarks: Vec<String>,
}

impl ImportedMap {
    /// A piece with this map, all else at its default.
    pub fn piece(&self) -> Piece {
        let title = self.title.clone().unwrap_or_else(|| "Untitled".into());
        Piece {
            slug: slug(&title),
            title,
            tempo: self.tempo.clone(),
            key: self.key.unwrap_or_default(),
            sections: self.sections.clone(),
            marks: self.marks.clone(),
            last_bar: self.last_bar,
            ..Piece::default()
        }
    }
}

fn slug(title: &str) -> String {
    let plain = |c: char| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' };
    let mapped: String = title.chars().take(64).map(plain).collect();
    let words: Vec<&str> = mapped.split('-').filter(|word| !word.is_empty()).collect();
    if words.is_empty() { "untitled".into() } else { words.join("-") }
}

fn refuse(what: impl Into<String>, instead: impl Into<String>) -> Mistakes {
    Mistakes(vec![Mistake {
        file: "the MIDI file".into(),
        line: None,
        column: None,
        pointer: None,
        what: what.into(),
        instead: instead.into(),
    }])
}

/// Reads tempo, metre, key and section markers. Tick 0 is bar 1 beat 1, unless a marker `Bar 1`
/// stands elsewhere. A file divided by film time, or holding several songs, is refused.
pub fn import(bytes: &[u8]) -> Result<ImportedMap, Mistakes> {
    let again = "export it again as a Standard MIDI File of format 0 or 1";
    if bytes.len() > LONGEST_FILE {
        return Err(refuse("it is larger than 16 MiB", "leave out all but tempo and markers"));
    }
    if has_header_without_frame_rate(bytes) {
        return Err(refuse("its header names no frame rate that exists", again));
    }
    let smf =
        Smf::parse(bytes).map_err(|error| refuse(format!("it cannot be read: {error}"), again))?;
    if smf.header.format == Format::Sequential {
        return Err(refuse("it holds several songs (format 2)", again));
    }
    let ticks_per_quarter = match smf.header.timing {
        Timing::Metrical(ticks) if ticks.as_int() > 0 => ticks.as_int(),
        Timing::Metrical(_) => return Err(refuse("its quarter note has no ticks", again)),
        Timing::Timecode(..) => {
            let what = "it counts in film time (frames), which says nothing of bars";
            return Err(refuse(what, "export it with ticks a quarter note"));
        }
    };
    let heard = Heard::of(&smf);
    Reading { ticks_per_quarter, heard, remarks: Vec::new() }.finish()
}

/// Whether a header counts -128 frames a second: midly (0.5.3) negates that byte as an `i8`, which
/// overflows. It reads every header chunk it meets, so any is looked at: four letters, four bytes
/// of length, two of format and two of tracks stand before the division (RP-001).
fn has_header_without_frame_rate(bytes: &[u8]) -> bool {
    bytes.windows(13).any(|header| header.starts_with(b"MThd") && header[12] == 0x80)
}

struct Reading {
    ticks_per_quarter: u16,
    heard: Heard,
    remarks: Vec<String>,
}

impl Reading {
    fn finish(mut self) -> Result<ImportedMap, Mistakes> {
        let origin = self.marker_tick(BAR_1).unwrap_or(0);
        let metres = self.metres(origin)?;
        let plain = vec![TempoChange::exact(
            Position::bar_start(1),
            Fraction::from_integer(120),
            Fraction::new(1, 4),
            false,
        )];
        let plain: Vec<TempoChange> = plain.into_iter().flatten().collect();
        let bars = TempoMap::new(plain, metres.clone()).map_err(|faults| all(&faults))?;
        let tempos = self.tempos(origin, &bars)?;
        let tempo = TempoMap::new(tempos, metres).map_err(|faults| all(&faults))?;
        let end = self.marker_tick(END).unwrap_or(self.heard.last_tick);
        let last_bar = self.last_bar(end, origin, &tempo)?;
        let marks = self.marks(origin, last_bar, &tempo);
        let sections = self.sections(origin, last_bar, &tempo);
        let key = self.key();
        let Reading { heard: Heard { title, .. }, remarks, .. } = self;
        Ok(ImportedMap { title, tempo, key, sections, marks, last_bar, remarks })
    }

    fn remark(&mut self, remark: String) {
        if self.remarks.len() < MOST_REMARKS {
            self.remarks.push(remark);
        }
    }

    fn marker_tick(&self, name: &str) -> Option<u64> {
        let named = |(_, text): &&(u64, String)| text.eq_ignore_ascii_case(name);
        self.heard.markers.iter().find(named).map(|(tick, _)| *tick)
    }

    fn whole_notes(&self, tick: u64, origin: u64) -> Fraction {
        let ticks = i128::from(tick) - i128::from(origin);
        Fraction::new(ticks, 4 * i128::from(self.ticks_per_quarter))
    }

    /// Metres by bar. Where a new metre cuts a bar short, the short bar gets a metre of its own.
    fn metres(&mut self, origin: u64) -> Result<Vec<MetreChange>, Mistakes> {
        let before = self.heard.metres.range(..=origin).next_back();
        let first = match before {
            Some((_, (beats, power))) => metre(*beats, *power)?,
            None => Metre { beats: 4, unit: 4 },
        };
        let mut changes = vec![MetreChange { bar: 1, metre: first }];
        let (mut bar, mut from, mut now) = (1_i64, Fraction::from_integer(0), first);
        let later: Vec<_> =
            self.heard.metres.range(origin + 1..).map(|(tick, metre)| (*tick, *metre)).collect();
        if later.len() > MOST_CHANGES {
            return Err(refuse("it has over 20 000 metre changes", "thin them out"));
        }
        for (tick, (beats, power)) in later {
            let new = metre(beats, power)?;
            let length = Fraction::new(now.beats.into(), now.unit.into());
            let at = self.whole_notes(tick, origin);
            let bars = ((at - from) / length).floor();
            bar += bars.to_integer() as i64;
            let rest = at - from - bars * length;
            if rest > Fraction::from_integer(0) {
                let short = short_metre(&rest).ok_or_else(|| {
                    let what = format!("its metre changes inside bar {bar}, at no beat of it");
                    refuse(what, "move the metre change to the start of a bar")
                })?;
                self.remark(format!(
                    "Bar {bar} is cut short by a change of metre, so it became a bar of {short}."
                ));
                set_metre(&mut changes, bar, short);
                bar += 1;
            }
            if bar > i64::from(MOST_BARS) {
                return Err(too_long(bar));
            }
            from = at;
            now = new;
            set_metre(&mut changes, bar, new);
        }
        Ok(changes)
    }

    fn tempos(&mut self, origin: u64, bars: &TempoMap) -> Result<Vec<TempoChange>, Mistakes> {
        // RP-001: without a tempo it is 120, that is 500 000 µs a quarter note.
        let before = self.heard.tempos.range(..=origin).next_back();
        let first = before.map_or(500_000, |(_, us)| *us);
        if self.heard.tempos.range(..origin).any(|(_, us)| *us != first) {
            self.remark("Tempo changes before bar 1 were left out.".into());
        }
        let mut changes = vec![tempo_change(Position::bar_start(1), first)?];
        let mut last = first;
        let later = self.heard.tempos.range(origin + 1..);
        for (tick, us) in later.filter(|(_, us)| std::mem::replace(&mut last, **us) != **us) {
            let at = bars.position_at_whole_notes(&self.whole_notes(*tick, origin));
            let at = at.ok_or_else(|| too_long(MOST_BARS.into()))?;
            changes.push(tempo_change(at, *us)?);
            if changes.len() > MOST_CHANGES {
                return Err(refuse("it has over 20 000 tempo changes", "thin them out"));
            }
        }
        Ok(changes)
    }

    fn last_bar(&self, end: u64, origin: u64, tempo: &TempoMap) -> Result<i32, Mistakes> {
        let whole_notes = self.whole_notes(end, origin);
        let position = tempo.position_at_whole_notes(&whole_notes);
        let position = position.ok_or_else(|| too_long(MOST_BARS.into()))?;
        let begun = position > Position::bar_start(position.bar());
        let last = position.bar() - i32::from(!begun);
        if last > MOST_BARS { Err(too_long(last.into())) } else { Ok(last.max(1)) }
    }

    /// The bar whose start is nearest to a tick.
    fn nearest_bar(&self, tick: u64, origin: u64, tempo: &TempoMap) -> Option<(i32, bool)> {
        let position = tempo.position_at_whole_notes(&self.whole_notes(tick, origin))?;
        let exact = position == Position::bar_start(position.bar());
        let half = f64::from(tempo.metre_at(position.bar()).beats) / 2.0;
        let later = i32::from(position.beat() - 1.0 >= half);
        Some((position.bar() + if exact { 0 } else { later }, exact))
    }

    fn marks(&mut self, origin: u64, last_bar: i32, tempo: &TempoMap) -> Marks {
        let bar_of = |name| {
            let tick = self.marker_tick(name)?;
            self.nearest_bar(tick, origin, tempo).map(|(bar, _)| bar)
        };
        let mut marks = Marks::default();
        if let Some(bar) = bar_of(OPENING).filter(|bar| (-64..=0).contains(bar)) {
            marks.opening = Mark { bar };
        }
        marks.closing = bar_of(CLOSING)
            .filter(|bar| (last_bar + 1..=last_bar + 64).contains(bar))
            .map(|bar| Mark { bar });
        marks
    }

    fn sections(&mut self, origin: u64, last_bar: i32, tempo: &TempoMap) -> Vec<Section> {
        let ours = [BAR_1, OPENING, CLOSING, END];
        let named: Vec<(u64, String)> = self
            .heard
            .markers
            .iter()
            .filter(|(_, name)| {
                !name.is_empty() && !ours.iter().any(|own| own.eq_ignore_ascii_case(name))
            })
            .cloned()
            .collect();
        let mut sections: Vec<Section> = Vec::new();
        let mut used = HashSet::new();
        for (tick, marker) in named {
            let Some((bar, exact)) = self.nearest_bar(tick, origin, tempo) else { continue };
            let shown = shorten(&marker);
            if bar < 1 || bar > last_bar || sections.last().is_some_and(|s| s.first_bar >= bar) {
                self.remark(format!(
                    "The marker \"{shown}\" begins no section of its own and was left out."
                ));
                continue;
            }
            if sections.len() >= 200 {
                self.remark("Only the first 200 markers became sections.".into());
                break;
            }
            if !exact {
                self.remark(format!(
                    "The marker \"{shown}\" stood inside a bar and was moved to bar {bar}."
                ));
            }
            if let Some(before) = sections.last_mut() {
                before.last_bar = bar - 1;
            }
            let (name, played_fade) = match marker.strip_suffix(PLAYED_FADE) {
                Some(name) => (name.trim_end().to_string(), true),
                None => (marker, false),
            };
            let name = unlike_the_others(name, &mut used);
            sections.push(Section { name, first_bar: bar, last_bar, played_fade, chords: None });
        }
        if sections.is_empty() {
            let name = "All".to_string();
            sections.push(Section { name, first_bar: 1, last_bar, ..Section::default() });
        }
        sections
    }

    fn key(&self) -> Option<Key> {
        self.heard.key_text.or_else(|| {
            let (sharps, minor) = self.heard.signature.filter(|(sharps, _)| sharps.abs() <= 7)?;
            let mode = if minor { Mode::Minor } else { Mode::Major };
            let tonic = NoteName::from_fifths(i32::from(sharps) + mode.fifths_above_major())?;
            Some(Key { tonic, mode })
        })
    }
}

/// The name, with a number where it was used before: a verse, then a verse 2.
fn unlike_the_others(name: String, used: &mut HashSet<String>) -> String {
    let mut candidate = name.clone();
    let mut count = 1;
    while !used.insert(candidate.to_lowercase()) {
        count += 1;
        candidate = format!("{name} {count}");
    }
    candidate
}

fn set_metre(changes: &mut Vec<MetreChange>, bar: i64, metre: Metre) {
    let bar = bar.min(i64::from(i32::MAX)) as i32;
    match changes.last_mut() {
        Some(last) if last.bar == bar => last.metre = metre,
        Some(last) if last.metre == metre => {}
        _ => changes.push(MetreChange { bar, metre }),
    }
}

fn metre(beats: u8, power: u8) -> Result<Metre, Mistakes> {
    let unit = 1_u32.checked_shl(power.into()).unwrap_or(0);
    Metre::new(beats.into(), unit).ok_or_else(|| {
        let what = format!("it has a metre of {beats} over 2 to the {power}");
        refuse(what, "use 1 to 64 beats of a whole note down to a 64th")
    })
}

/// A metre as long as a cut-short bar.
fn short_metre(length: &Fraction) -> Option<Metre> {
    [4_u32, 8, 16, 32, 64].into_iter().find_map(|unit| {
        let beats = length * Fraction::from_integer(unit.into());
        let beats = u32::try_from(beats.to_integer()).ok().filter(|_| beats.is_integer())?;
        Metre::new(beats, unit)
    })
}

fn tempo_change(at: Position, us: u32) -> Result<TempoChange, Mistakes> {
    let playable = (us > 0)
        .then(|| Fraction::new(60_000_000, us.into()))
        .and_then(|bpm| TempoChange::exact(at, bpm, Fraction::new(1, 4), false));
    playable.ok_or_else(|| {
        let what = format!("it has a quarter note of {us} µs at {at}");
        refuse(what, "use a tempo of 5 to 2000 quarter notes a minute")
    })
}

fn too_long(bar: i64) -> Mistakes {
    refuse(format!("it goes on to bar {bar} or beyond"), format!("keep to {MOST_BARS} bars"))
}

fn all(faults: &[crate::tempo::TempoError]) -> Mistakes {
    let one = |fault: &crate::tempo::TempoError| refuse(&fault.what, &fault.instead).0;
    Mistakes(faults.iter().flat_map(one).collect())
}
