//! What a form of one place brings.

use ripieno_score::{Change, TypedCell, TypedPoint};

use crate::http::problem::{Answer, Problem};
use crate::pages::desk::fields::Fields;

/// A change as typed, and the version it was made from.
pub(super) struct Typed {
    pub(super) read: i64,
    /// A newer version that it is to be made in all the same.
    pub(super) over: Option<i64>,
    pub(super) change: Change,
}

impl Typed {
    /// Reads the fields of a form.
    ///
    /// # Errors
    /// 400 where no form of ours is the sender.
    pub(super) fn read(fields: &Fields) -> Answer<Self> {
        let strange = || Problem::bad_request("This form is not complete. Open it again.");
        let over = fields.one("over").map(|version| version.parse().map_err(|_| strange()));
        let group = fields.one("group").map(str::to_owned);
        let section = fields.one("section").map(str::to_owned);
        let change = match (section, group) {
            (Some(section), Some(group)) => Change::Cell { section, group, typed: cell(fields) },
            (None, Some(group)) => Change::Group {
                group,
                gain_db: fields.text("gain_db"),
                mute: fields.is("heard", "no"),
            },
            (Some(section), None) => {
                let ticked = fields.all("only").map(str::to_owned).collect();
                Change::Section { section, only: fields.is("let", "some").then_some(ticked) }
            }
            (None, None) => return Err(strange()),
        };
        let read = fields.one("read").and_then(|version| version.parse().ok());
        Ok(Self { read: read.ok_or_else(strange)?, over: over.transpose()?, change })
    }

    pub(super) fn section(&self) -> Option<&str> {
        match &self.change {
            Change::Cell { section, .. } | Change::Section { section, .. } => Some(section),
            Change::Group { .. } => None,
        }
    }

    pub(super) fn group(&self) -> Option<&str> {
        match &self.change {
            Change::Cell { group, .. } | Change::Group { group, .. } => Some(group),
            Change::Section { .. } => None,
        }
    }
}

fn cell(fields: &Fields) -> TypedCell {
    let (mut levels, mut shapes) = (fields.column("db"), fields.column("shape"));
    let point = |at: &str| TypedPoint {
        at: at.to_owned(),
        db: levels.next().unwrap_or_default().to_owned(),
        shape: shapes.next().unwrap_or_default().to_owned(),
    };
    TypedCell {
        mute: fields.is("heard", "no"),
        gain_db: fields.text("gain_db"),
        enter: fields.text("enter"),
        exit: fields.text("exit"),
        points: fields.column("at").map(point).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(fields: &[(&str, &str)]) -> Answer<Typed> {
        Typed::read(&fields.into())
    }

    #[test]
    fn rows_of_a_curve_keep_their_levels_and_shapes() {
        let typed = read(&[
            ("read", "3"),
            ("section", "Flood"),
            ("group", "Bells"),
            ("heard", "yes"),
            ("gain_db", "-3"),
            ("at", "13"),
            ("db", "-9"),
            ("shape", "s-curve"),
            ("at", ""),
            ("db", ""),
            ("shape", "line"),
            ("at", "20"),
            ("db", "0"),
            ("shape", "hold"),
        ]);
        let typed = typed.unwrap();
        assert_eq!((typed.read, typed.over, typed.group()), (3, None, Some("Bells")));
        let Change::Cell { typed, .. } = typed.change else { panic!("a cell") };
        let row = |p: &TypedPoint| [p.at.clone(), p.db.clone(), p.shape.clone()];
        let rows: Vec<_> = typed.points.iter().map(row).collect();
        assert_eq!(rows, [["13", "-9", "s-curve"], ["", "", "line"], ["20", "0", "hold"]]);
    }

    #[test]
    fn a_section_lets_all_be_heard_or_those_that_are_ticked() {
        let section = |fields: &[(&str, &str)]| {
            let all = [&[("read", "1"), ("section", "Ebb")], fields].concat();
            let Change::Section { only, .. } = read(&all).unwrap().change else { panic!() };
            only
        };
        assert_eq!(section(&[("let", "all"), ("only", "Bells")]), None);
        assert_eq!(section(&[("let", "some")]), Some(vec![]));
        let both = section(&[("let", "some"), ("only", "Bells"), ("only", "Low")]);
        assert_eq!(both, Some(vec!["Bells".into(), "Low".into()]));
    }

    #[test]
    fn what_no_form_of_ours_sends_is_refused() {
        let wrong: [&[(&str, &str)]; 3] = [
            &[("read", "1")],
            &[("group", "Bells")],
            &[("read", "1"), ("group", "Bells"), ("over", "x")],
        ];
        for fields in wrong {
            assert_eq!(read(fields).err().unwrap().status(), 400, "{fields:?}");
        }
    }
}
