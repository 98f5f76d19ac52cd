//! What a form of one place brings.

use ripieno_score::{Change, TypedCell, TypedPoint};

use crate::http::problem::{Answer, Problem};

/// A change as typed, and the version it was made from.
pub(super) struct Typed {
    pub(super) read: i64,
    /// A newer version that it is to be made in all the same.
    pub(super) over: Option<i64>,
    pub(super) change: Change,
}

impl Typed {
    /// Reads the fields of a form, in their order.
    ///
    /// # Errors
    /// 400 where no form of ours is the sender.
    pub(super) fn read(fields: &[(String, String)]) -> Answer<Self> {
        let strange = || Problem::bad_request("This form is not complete. Open it again.");
        let fields = Fields(fields);
        let over = fields.one("over").map(|version| version.parse().map_err(|_| strange()));
        let group = fields.one("group").map(str::to_owned);
        let section = fields.one("section").map(str::to_owned);
        let change = match (section, group) {
            (Some(section), Some(group)) => Change::Cell { section, group, typed: fields.cell() },
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

struct Fields<'f>(&'f [(String, String)]);

impl<'f> Fields<'f> {
    fn all(&self, name: &'f str) -> impl Iterator<Item = &'f str> {
        self.0.iter().filter(move |(field, _)| field == name).map(|(_, value)| value.as_str())
    }

    fn one(&self, name: &'f str) -> Option<&'f str> {
        self.all(name).next()
    }

    fn text(&self, name: &'f str) -> String {
        self.one(name).unwrap_or_default().to_owned()
    }

    fn is(&self, name: &'f str, value: &str) -> bool {
        self.one(name) == Some(value)
    }

    fn cell(&self) -> TypedCell {
        let (mut levels, mut shapes) = (self.all("db"), self.all("shape"));
        let point = |at: &str| TypedPoint {
            at: at.to_owned(),
            db: levels.next().unwrap_or_default().to_owned(),
            shape: shapes.next().unwrap_or_default().to_owned(),
        };
        TypedCell {
            mute: self.is("heard", "no"),
            gain_db: self.text("gain_db"),
            enter: self.text("enter"),
            exit: self.text("exit"),
            points: self.all("at").map(point).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(fields: &[(&str, &str)]) -> Answer<Typed> {
        let fields: Vec<(String, String)> =
            fields.iter().map(|(name, value)| (name.to_string(), value.to_string())).collect();
        Typed::read(&fields)
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
