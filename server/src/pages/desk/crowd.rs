//! Who plays: how many takes each group has, what it lacks, and how many are heard where.

use maud::{Markup, html};
use ripieno_score::{Arrangement, TakeForm, TakeState};
use ripieno_store::{TakeSummary, Which};
use serde::Deserialize;

use crate::http::pieces::LoadedPiece;
use crate::http::problem::Answer;
use crate::http::{App, arrangements};

/// The takes of a piece, as the arrangement map groups them.
pub struct Crowd {
    map: Arrangement,
    rows: Vec<Row>,
    /// Takes in the mix that no group takes: nobody hears them.
    nowhere: usize,
}

/// One group.
#[derive(Debug, Default, PartialEq)]
struct Row {
    name: String,
    placed: usize,
    asking: usize,
    mute: bool,
}

impl Crowd {
    /// Counts the takes that are in the mix or ask something.
    ///
    /// # Errors
    /// 422 where the arrangement fits the piece no longer.
    pub async fn of(app: &App, loaded: &LoadedPiece) -> Answer<Self> {
        let map = arrangements::standing_map(app, loaded).await?;
        let list = |which| app.store.list_takes(&loaded.record.id, which, None, super::MOST_TAKES);
        let placed = list(Which::Sounding).await?;
        let asking = list(Which::Standing(TakeState::Asks)).await?;
        Ok(Self::counted(map, &placed, &asking))
    }

    fn counted(map: Arrangement, placed: &[TakeSummary], asking: &[TakeSummary]) -> Self {
        let row =
            |g: &ripieno_score::Group| Row { name: g.name.clone(), mute: g.mute, ..Row::default() };
        let mut rows: Vec<Row> = map.groups().iter().map(row).collect();
        let mut nowhere = 0;
        for take in placed {
            match group_of(&map, take) {
                Some(group) => rows[group].placed += 1,
                None => nowhere += 1,
            }
        }
        for group in asking.iter().filter_map(|take| group_of(&map, take)) {
            rows[group].asking += 1;
        }
        Self { map, rows, nowhere }
    }

    /// Names of the groups that have somebody to hear.
    pub fn heard_groups(&self) -> impl Iterator<Item = &str> {
        self.rows.iter().filter(|row| row.placed > 0 && !row.mute).map(|row| row.name.as_str())
    }

    fn placed(&self) -> usize {
        self.nowhere + self.rows.iter().map(|row| row.placed).sum::<usize>()
    }

    /// Takes that a section lets be heard.
    fn heard_in(&self, section: &str) -> usize {
        let plays = |row: &&Row| self.map.plays(section, &row.name);
        self.rows.iter().filter(plays).map(|row| row.placed).sum()
    }

    /// What there is to notice about a group, if anything.
    fn notice(&self, row: &Row) -> Option<&'static str> {
        match row {
            Row { mute: true, .. } => Some("muted by the arrangement"),
            Row { placed: 0, asking: 0, .. } => Some("nobody yet"),
            Row { placed: 0, .. } => Some("nobody until a question is answered"),
            Row { placed: 1, .. } => Some("one alone, heard as a soloist"),
            row if 2 * row.placed > self.placed() => Some("more than all others together"),
            _ => None,
        }
    }

    /// The sheet.
    pub fn show(&self, loaded: &LoadedPiece) -> Markup {
        let slug = &loaded.record.slug;
        html! {
            section.sheet #crowd {
                h2 { "Who plays" }
                p { (takes(self.placed())) " in the mix, by the groups of the "
                    a href={ "/desk/" (slug) "/arrangement" } { "arrangement map" } "." }
                (self.table())
                @if self.nowhere > 0 {
                    p.wrong { (takes(self.nowhere)) " in the mix fit no group, so nobody hears "
                        "them. Give a group " code { "rest = true" } " in the arrangement map." }
                }
                h3 { "Takes let in, section by section" }
                ul.section-list {
                    @for section in &loaded.piece.sections {
                        li { (section.name) " " b.number { (self.heard_in(&section.name)) } }
                    }
                }
            }
        }
    }

    fn table(&self) -> Markup {
        html! {
            table.counts {
                thead { tr {
                    th scope="col" { "Group" }
                    th.number scope="col" { "In the mix" }
                    th.number scope="col" { "Questions" }
                } }
                tbody { @for row in &self.rows {
                    tr {
                        th scope="row" { (row.name)
                            @if let Some(notice) = self.notice(row) { span.hint { (notice) } } }
                        td.number { (row.placed) }
                        td.number { (row.asking) }
                    }
                } }
            }
        }
    }
}

fn group_of(map: &Arrangement, take: &TakeSummary) -> Option<usize> {
    let form = TakeForm::deserialize(&take.form.0).unwrap_or_default();
    map.group_of_take(&take.id, &form.facts())
}

/// `1 take`, `2 takes`.
fn takes(count: usize) -> String {
    format!("{count} take{}", if count == 1 { "" } else { "s" })
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn take(id: &str, family: &str) -> TakeSummary {
        let form = TakeForm { family: family.into(), ..TakeForm::default() };
        TakeSummary {
            id: id.into(),
            piece_id: "p".into(),
            state: TakeState::Placed,
            form: ripieno_store::Json(serde_json::to_value(form).unwrap()),
            file_name: "take.wav".into(),
            bytes: 1,
            content_hash: None,
            findings: ripieno_store::Json(json!([])),
            corrections: ripieno_store::Json(json!({})),
            replaces: None,
            replaced_by: None,
            laid_before: 0,
            created_at: 0,
            updated_at: 0,
        }
    }

    fn crowd(rest: bool) -> Crowd {
        let piece = ripieno_score::nine_harbours().0;
        let text = format!(
            "[[groups]]\nname = \"Bells\"\nrules = [{{ family = \"bells\" }}]\n\
             [[groups]]\nname = \"Low\"\nrules = [{{ family = \"low-brass\" }}]\n\
             [[groups]]\nname = \"Others\"\nrest = {rest}\nrules = [{{ family = \"voice\" }}]\n\
             [[cells]]\nsection = \"Flood\"\ngroup = \"Bells\"\nmute = true\n"
        );
        let map = Arrangement::from_toml(&text, "a", &piece).unwrap();
        let placed = [take("a", "bells"), take("b", "bells"), take("d", "hands")];
        let asking = [take("e", "low-brass")];
        Crowd::counted(map, &placed, &asking)
    }

    #[test]
    fn takes_are_counted_by_the_groups_of_the_map() {
        let crowd = crowd(true);
        let counts: Vec<_> = crowd.rows.iter().map(|row| (row.placed, row.asking)).collect();
        assert_eq!(counts, [(2, 0), (0, 1), (1, 0)]);
        assert_eq!((crowd.heard_in("Flood"), crowd.heard_in("Ebb")), (1, 3));
    }

    #[test]
    fn what_lacks_and_what_is_too_much_is_said() {
        let crowd = crowd(true);
        let said: Vec<_> = crowd.rows.iter().map(|row| crowd.notice(row)).collect();
        let soloist = Some("one alone, heard as a soloist");
        let waiting = Some("nobody until a question is answered");
        assert_eq!(said, [Some("more than all others together"), waiting, soloist]);
    }

    #[test]
    fn takes_that_no_group_takes_are_told_of() {
        let crowd = crowd(false);
        assert_eq!((crowd.nowhere, crowd.placed()), (1, 3));
    }
}
