//! The credits: who is heard, in the words they chose, as far as they agreed to be named.

use std::collections::HashMap;

use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

use crate::csv::{Cell, line};
use crate::piece::Piece;
use crate::take::TakeForm;

/// One line of the credits: takes by the same people from the same place are one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Credit {
    /// The line they chose.
    pub credit: String,
    /// Their instruments, each once.
    pub instruments: Vec<String>,
    /// Town or region, or empty.
    pub place: String,
    /// School, choir, club, or empty.
    pub institution: String,
    /// How many players: 1 for a solo.
    pub players: u32,
}

/// Everyone in a mix.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Credits {
    /// Those who agreed to be named, as a reader would look for them.
    pub named: Vec<Credit>,
    /// How many takes are by people who did not.
    pub unnamed_takes: usize,
}

/// The credits of the takes in a mix. Give the forms of those takes alone: what is withdrawn or
/// left out must not be named. Names appear only with consent, and a minor's only with a
/// guardian's.
pub fn credits<'f>(forms: impl IntoIterator<Item = &'f TakeForm>) -> Credits {
    let mut credits = Credits::default();
    let mut lines: HashMap<(String, String), usize> = HashMap::new();
    for form in forms {
        let Some(line) = form.public_credit() else {
            credits.unnamed_takes += 1;
            continue;
        };
        let key = (sort_key(line), sort_key(&form.place));
        let at = *lines.entry(key).or_insert_with(|| {
            credits.named.push(Credit {
                credit: one_line(line),
                instruments: Vec::new(),
                place: one_line(&form.place),
                institution: one_line(&form.institution),
                players: form.players,
            });
            credits.named.len() - 1
        });
        add(&mut credits.named[at], form);
    }
    credits.named.sort_by_cached_key(|credit| (sort_key(&credit.credit), sort_key(&credit.place)));
    credits
}

fn add(credit: &mut Credit, form: &TakeForm) {
    let instrument = one_line(&form.instrument);
    let known = credit.instruments.iter().any(|known| sort_key(known) == sort_key(&instrument));
    if !instrument.is_empty() && !known {
        credit.instruments.push(instrument);
    }
    credit.players = credit.players.max(form.players);
    if credit.institution.is_empty() {
        credit.institution = one_line(&form.institution);
    }
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Where a reader looks for a line: without case, accents, signs before the first letter, or
/// doubled spaces. A line of signs alone (an emoji) keeps them and comes first.
fn sort_key(text: &str) -> String {
    let plain: String =
        text.nfkd().filter(|c| !is_combining_mark(*c)).flat_map(char::to_lowercase).collect();
    let plain = one_line(&plain);
    let letters = plain.trim_start_matches(|c: char| !c.is_alphanumeric());
    if letters.is_empty() { plain } else { letters.to_string() }
}

impl Credits {
    /// The credits as plain text: soloists, then ensembles, then how many are not named.
    pub fn to_text(&self, piece: &Piece) -> String {
        let mut text = format!("{}\n", piece.title);
        if !piece.composer_credit.is_empty() {
            text += &format!("by {}\n", piece.composer_credit);
        }
        let (ensembles, soloists): (Vec<_>, Vec<_>) =
            self.named.iter().partition(|credit| credit.players > 1);
        for (heading, lines) in [("Played by", soloists), ("Ensembles", ensembles)] {
            if lines.is_empty() {
                continue;
            }
            text += &format!("\n{heading}\n");
            lines.iter().for_each(|credit| text += &format!("  {}\n", credit.sentence()));
        }
        match self.unnamed_takes {
            0 => {}
            1 => text += "\nand one more take, by somebody who is not named here.\n",
            more => {
                text += &format!("\nand {more} more takes, by players who are not named here.\n")
            }
        }
        text
    }

    /// The credits as a table: credit, instruments, place, institution, players.
    pub fn to_csv(&self) -> String {
        let heading = ["credit", "instruments", "place", "institution", "players"];
        let mut table = line(&heading.map(Cell::Text));
        for credit in &self.named {
            table += &line(&[
                Cell::Text(&credit.credit),
                Cell::Text(&credit.instruments.join("; ")),
                Cell::Text(&credit.place),
                Cell::Text(&credit.institution),
                Cell::Plain(credit.players.to_string()),
            ]);
        }
        table
    }
}

impl Credit {
    fn sentence(&self) -> String {
        let mut sentence = self.credit.clone();
        let instruments = self.instruments.join(", ");
        if !instruments.is_empty() {
            sentence += &format!(", {instruments}");
        }
        if self.players > 1 {
            sentence += &format!(", {} players", self.players);
        }
        let home: Vec<&str> = [self.institution.as_str(), self.place.as_str()]
            .into_iter()
            .filter(|part| !part.is_empty() && *part != self.credit)
            .collect();
        if !home.is_empty() {
            sentence += &format!(" ({})", home.join(", "));
        }
        sentence
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::take::Consents;

    fn form(credit: &str, instrument: &str, place: &str) -> TakeForm {
        TakeForm {
            name: "private".into(),
            credit: credit.into(),
            instrument: instrument.into(),
            place: place.into(),
            players: 1,
            consents: Consents { recording: true, credit: true, ..Consents::default() },
            ..TakeForm::default()
        }
    }

    fn names(forms: &[TakeForm]) -> Vec<String> {
        credits(forms).named.into_iter().map(|credit| credit.credit).collect()
    }

    #[test]
    fn lines_stand_where_a_reader_looks_for_them() {
        let forms =
            ["Zoe", "Élan", "adam", "«Bo»", "Eve", "Ésa"].map(|name| form(name, "bell", ""));
        assert_eq!(names(&forms), ["adam", "«Bo»", "Élan", "Ésa", "Eve", "Zoe"]);
    }

    #[test]
    fn the_same_people_of_the_same_place_are_one_line() {
        let forms = [
            form("Ada  Quay", "melodeon", "Northmole"),
            form("ada quay", "voice", "northmole"),
            form("Ada Quay", "Melodeon", "Northmole"),
            form("Ada Quay", "oar", "Southmole"),
        ];
        let credits = credits(&forms);
        assert_eq!(credits.named.len(), 2);
        assert_eq!(credits.named[0].instruments, ["melodeon", "voice"]);
    }

    #[test]
    fn nobody_is_named_against_their_will() {
        let mut silent = form("Hidden", "bell", "");
        silent.consents.credit = false;
        let mut minor = form("Child", "bell", "");
        minor.consents.minor = true;
        let mut guarded = form("Guarded", "bell", "");
        guarded.consents.minor = true;
        guarded.consents.guardian = Some("Parent".into());
        let credits = credits(&[silent, minor, guarded]);
        let everything = credits.to_text(&Piece::default()) + &credits.to_csv();
        for word in ["Hidden", "Child", "Parent", "private"] {
            assert!(!everything.contains(word), "{everything}");
        }
        assert!(everything.contains("Guarded") && everything.contains("2 more takes"));
    }

    #[test]
    fn ensembles_come_after_soloists() {
        let mut choir = form("Breakwater Choir", "voices", "Eastpier");
        choir.players = 24;
        let text = credits(&[choir, form("Zoe", "oar", "")]).to_text(&Piece::default());
        let expected = "Untitled\n\nPlayed by\n  Zoe, oar\n\nEnsembles\n  \
                        Breakwater Choir, voices, 24 players (Eastpier)\n";
        assert_eq!(text, expected);
    }

    #[test]
    fn a_formula_for_a_name_stays_text_in_the_table() {
        let table = credits(&[form("=cmd|'/c calc'!A0", "@bell", "-1")]).to_csv();
        assert_eq!(table.lines().nth(1), Some("'=cmd|'/c calc'!A0,'@bell,'-1,,1"));
    }
}
