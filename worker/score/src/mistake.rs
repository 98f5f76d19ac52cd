//! Mistakes in a document or a form: where, what is wrong, what would be right.

use std::fmt;

/// One mistake in a text a person wrote.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Mistake {
    /// The file's name as the caller gave it, or `form` for a form.
    pub file: String,
    /// Line in the text, counted from 1, where one is known.
    pub line: Option<u32>,
    /// Column in that line, counted in characters from 1.
    pub column: Option<u32>,
    /// The place in a JSON document or a form, as an RFC 6901 pointer.
    pub pointer: Option<String>,
    /// What is wrong, without a full stop.
    pub what: String,
    /// What would be right, without a full stop.
    pub instead: String,
}

impl fmt::Display for Mistake {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}", self.file)?;
        if let Some(line) = self.line {
            write!(out, ", line {line}")?;
        }
        if let Some(column) = self.column {
            write!(out, ", column {column}")?;
        }
        if let Some(pointer) = self.pointer.as_deref().filter(|pointer| !pointer.is_empty()) {
            write!(out, ", at {pointer}")?;
        }
        let stop = if self.instead.ends_with('?') { "" } else { "." };
        write!(out, ": {}; {}{stop}", self.what, self.instead)
    }
}

/// Every mistake found in one reading, in the order of the text.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Mistakes(pub Vec<Mistake>);

impl fmt::Display for Mistakes {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, mistake) in self.0.iter().enumerate() {
            if index > 0 {
                writeln!(out)?;
            }
            write!(out, "{mistake}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Mistakes {}

/// The known word nearest to `word`, if one is near enough to be what was meant.
///
/// Nearness is the Damerau-Levenshtein distance in its restricted form (insert, delete, replace,
/// swap two neighbours), without regard to case; near enough is a third of the word's length, and
/// at least 1.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word: Vec<char> = word.chars().take(64).flat_map(char::to_lowercase).collect();
    let allowed = (word.len() / 3).max(1);
    known
        .into_iter()
        .map(|candidate| {
            let other: Vec<char> = candidate.chars().flat_map(char::to_lowercase).collect();
            (edit_distance(&word, &other), candidate)
        })
        .filter(|(distance, _)| *distance <= allowed)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// Whether a word can hardly be anything but this key misspelt.
pub(crate) fn is_misspelling(word: &str, key: &str) -> bool {
    let chars = |text: &str| text.chars().take(64).collect::<Vec<char>>();
    edit_distance(&chars(word), &chars(key)) <= (key.len() / 4).max(1)
}

fn edit_distance(a: &[char], b: &[char]) -> usize {
    let mut before_last: Vec<usize> = Vec::new();
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let replaced = last[j - 1] + usize::from(a[i - 1] != b[j - 1]);
            row[j] = replaced.min(last[j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(before_last[j - 2] + 1);
            }
        }
        before_last = std::mem::replace(&mut last, row);
    }
    last[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_swapped_pair_of_letters_is_one_step_away() {
        assert_eq!(nearest("bmp", ["bpm", "beat", "at"]), Some("bpm"));
        assert_eq!(nearest("Mixolidian", ["lydian", "mixolydian"]), Some("mixolydian"));
    }

    #[test]
    fn a_word_unlike_any_other_gets_no_suggestion() {
        assert_eq!(nearest("zither", ["bpm", "beat", "at"]), None);
    }

    #[test]
    fn distances_match_the_textbook_pair() {
        let chars = |text: &str| text.chars().collect::<Vec<_>>();
        // 'kitten' to 'sitting' takes three steps: the usual worked example of the measure.
        assert_eq!(edit_distance(&chars("kitten"), &chars("sitting")), 3);
        assert_eq!(edit_distance(&chars(""), &chars("abc")), 3);
    }

    #[test]
    fn a_mistake_reads_as_one_sentence() {
        let mistake = Mistake {
            file: "piece.toml".into(),
            line: Some(12),
            column: Some(3),
            pointer: None,
            what: "'bmp' is not known here".into(),
            instead: "did you mean 'bpm'?".into(),
        };
        assert_eq!(
            mistake.to_string(),
            "piece.toml, line 12, column 3: 'bmp' is not known here; did you mean 'bpm'?"
        );
    }
}
