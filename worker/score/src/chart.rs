//! The chord chart: patterns of bars laid along a piece.

use std::collections::BTreeMap;

use crate::chord::Chord;
use crate::position::Position;
use crate::tempo::TempoMap;

/// The most bars all runs together may lay, one over another: it bounds what a chart can cost.
const MOST_BARS_LAID: i64 = 100_000;

/// A pattern of chords over a run of bars, repeated until the run is full.
///
/// In a pattern `|` parts the bars. A bar has one chord, or one entry for each beat, where `.`
/// lets the last chord go on; `%` plays the bar before again; `N.C.` is no chord.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChartRun {
    /// The first bar.
    pub first_bar: i32,
    /// The last bar, included.
    pub last_bar: i32,
    /// The pattern as written.
    pub pattern: String,
}

/// A chord, or none, from a place on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChordChange {
    /// Where it begins.
    pub position: Position,
    /// The chord; `None` is silence.
    pub chord: Option<Chord>,
}

/// The chords of a piece.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Chart {
    runs: Vec<ChartRun>,
    changes: Vec<ChordChange>,
}

/// What is wrong with a run.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{what}; {instead}")]
pub struct ChartError {
    /// The run at fault, from 0.
    pub run: usize,
    /// What is wrong.
    pub what: String,
    /// What would be right.
    pub instead: String,
}

type BarEntries = Vec<Entry>;

#[derive(Clone, Debug, PartialEq)]
enum Entry {
    GoOn,
    Nothing,
    Play(Chord),
}

impl Chart {
    /// Lays runs along a piece; where two overlap the later one counts. Every fault is given.
    pub fn lay_out(runs: Vec<ChartRun>, tempo: &TempoMap) -> Result<Chart, Vec<ChartError>> {
        let mut faults = pattern_faults(&runs);
        let mut bars: BTreeMap<i32, BarEntries> = BTreeMap::new();
        let mut laid = 0_i64;
        for (run, written) in runs.iter().enumerate() {
            laid += i64::from(written.last_bar) - i64::from(written.first_bar) + 1;
            if laid > MOST_BARS_LAID {
                let what = "all the runs of chords together have over 100 000 bars".to_string();
                faults.push(ChartError { run, what, instead: "let fewer of them overlap".into() });
                break;
            }
            let pattern = pattern_bars(&written.pattern).unwrap_or_default();
            let wrong = lay_run(written, &pattern, tempo, &mut bars);
            faults.extend(wrong.map(|(what, instead)| ChartError { run, what, instead }));
        }
        if !faults.is_empty() {
            return Err(faults);
        }
        Ok(Chart { runs, changes: changes_of(&bars) })
    }

    /// The runs as written.
    pub fn runs(&self) -> &[ChartRun] {
        &self.runs
    }

    /// Every change of chord, in order.
    pub fn changes(&self) -> &[ChordChange] {
        &self.changes
    }

    /// The chord that sounds at a place.
    pub fn chord_at(&self, position: Position) -> Option<&Chord> {
        let after = self.changes.partition_point(|change| change.position <= position);
        self.changes.get(after.checked_sub(1)?)?.chord.as_ref()
    }
}

/// What is wrong with the patterns themselves, whatever bars they are laid on.
pub(crate) fn pattern_faults(runs: &[ChartRun]) -> Vec<ChartError> {
    let faults_of = |(run, written): (usize, &ChartRun)| {
        let faults = pattern_bars(&written.pattern).err().unwrap_or_default();
        faults.into_iter().map(move |(what, instead)| ChartError { run, what, instead })
    };
    runs.iter().enumerate().flat_map(faults_of).collect()
}

fn pattern_bars(pattern: &str) -> Result<Vec<BarEntries>, Vec<(String, String)>> {
    let text = pattern.trim();
    let text = text.strip_prefix('|').unwrap_or(text);
    let text = text.strip_suffix('|').unwrap_or(text);
    let mut bars: Vec<BarEntries> = Vec::new();
    let mut faults = Vec::new();
    for (at, bar) in text.split('|').enumerate() {
        let words: Vec<&str> = bar.split_whitespace().collect();
        match (words.as_slice(), bars.last()) {
            ([], _) => faults.push((
                format!("bar {} of the pattern is empty", at + 1),
                "write a chord, N.C. for none, or % for the bar before".to_string(),
            )),
            (["%"], Some(before)) => bars.push(before.clone()),
            _ => bars.push(words.iter().filter_map(|word| entry(word, &mut faults)).collect()),
        }
    }
    if faults.is_empty() { Ok(bars) } else { Err(faults) }
}

fn entry(word: &str, faults: &mut Vec<(String, String)>) -> Option<Entry> {
    match word {
        "." => Some(Entry::GoOn),
        "N.C." | "NC" => Some(Entry::Nothing),
        "%" => {
            let what = "% stands where there is no bar before it to play again".to_string();
            faults.push((what, "let it be alone in a bar after another one".into()));
            None
        }
        _ => match word.parse() {
            Ok(chord) => Some(Entry::Play(chord)),
            Err(error) => {
                let word = crate::document::shorten(word);
                faults.push((
                    format!("'{word}' is no chord"),
                    crate::chord::NotAChord::to_string(&error),
                ));
                None
            }
        },
    }
}

fn lay_run(
    run: &ChartRun,
    pattern: &[BarEntries],
    tempo: &TempoMap,
    bars: &mut BTreeMap<i32, BarEntries>,
) -> Option<(String, String)> {
    for (bar, entries) in (run.first_bar..=run.last_bar).zip(pattern.iter().cycle()) {
        let metre = tempo.metre_at(bar);
        if entries.len() != 1 && entries.len() != metre.beats as usize {
            let what = format!("bar {bar} has {} chord entries in {metre}", entries.len());
            let instead = format!("write 1, or {} with . where a chord goes on", metre.beats);
            return Some((what, instead));
        }
        bars.insert(bar, entries.clone());
    }
    None
}

fn changes_of(bars: &BTreeMap<i32, BarEntries>) -> Vec<ChordChange> {
    let mut changes: Vec<ChordChange> = Vec::new();
    let mut push = |position, chord: Option<Chord>| {
        let same = changes.last().map_or(chord.is_none(), |last| last.chord == chord);
        if !same {
            changes.push(ChordChange { position, chord });
        }
    };
    let mut next_bar = None;
    for (bar, entries) in bars {
        if next_bar.is_some_and(|next| next < *bar) {
            push(Position::bar_start(next_bar.unwrap_or(*bar)), None);
        }
        for (beat, entry) in (1..).zip(entries) {
            match entry {
                Entry::GoOn => {}
                Entry::Nothing => push(Position::beat_start(*bar, beat), None),
                Entry::Play(chord) => push(Position::beat_start(*bar, beat), Some(chord.clone())),
            }
        }
        next_bar = Some(bar + 1);
    }
    if let Some(next) = next_bar {
        push(Position::bar_start(next), None);
    }
    changes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tempo::Metre;

    fn chart(runs: &[(i32, i32, &str)]) -> Result<Chart, Vec<ChartError>> {
        let tempo = TempoMap::steady(132, Metre::new(5, 4).unwrap()).unwrap();
        let runs = runs.iter().map(|(first_bar, last_bar, pattern)| ChartRun {
            first_bar: *first_bar,
            last_bar: *last_bar,
            pattern: pattern.to_string(),
        });
        Chart::lay_out(runs.collect(), &tempo)
    }

    fn sounding(chart: &Chart, at: &str) -> String {
        let chord = chart.chord_at(at.parse().unwrap());
        chord.map_or("-".into(), |chord| chord.symbol().to_string())
    }

    #[test]
    fn a_pattern_repeats_until_its_run_is_full() {
        let chart = chart(&[(1, 5, "G | F C . . G")]).unwrap();
        let heard: Vec<_> = ["1", "2", "2.2", "2.4", "2.5", "3", "4.1", "5.5", "6"]
            .map(|at| sounding(&chart, at))
            .into();
        assert_eq!(heard, ["G", "F", "C", "C", "G", "G", "F", "G", "-"]);
    }

    #[test]
    fn a_later_run_counts_and_gaps_are_silent() {
        let chart = chart(&[(1, 4, "G"), (3, 3, "Dm7"), (6, 7, "C | %")]).unwrap();
        let heard: Vec<_> =
            ["0", "2", "3", "4", "5", "7", "8"].map(|at| sounding(&chart, at)).into();
        assert_eq!(heard, ["-", "G", "Dm7", "G", "-", "C", "-"]);
    }

    #[test]
    fn every_faulty_run_is_told_of() {
        let faults =
            chart(&[(1, 4, "G | Qx | "), (5, 6, "G F"), (7, 8, "%"), (9, 9, "")]).unwrap_err();
        let mut runs: Vec<usize> = faults.iter().map(|fault| fault.run).collect();
        runs.sort_unstable();
        assert_eq!(runs, [0, 1, 2, 3]);
    }
}
