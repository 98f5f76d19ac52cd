//! The marks of a piece for files of one rate, and the search for them, kept from take to take.

use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use ripieno_engine::locate::{Options, Sought};
use ripieno_engine::mark::Mark;

use super::plan::OwnMark;

/// The marks for files of one rate.
pub(super) struct Marks {
    pub(super) opening: Mark,
    /// None where one sound serves as both.
    pub(super) closing: Option<Mark>,
    /// The search for all of them.
    pub(super) sought: Arc<Sought>,
}

impl Marks {
    fn designed(rate_hz: u32) -> Self {
        let (opening, closing) = (Mark::opening(rate_hz), Mark::closing(rate_hz));
        let sought = Sought::new(&[&opening, &closing], Options::default());
        Self { opening, closing: Some(closing), sought: Arc::new(sought) }
    }

    fn own(own: &OwnMark, rate_hz: u32) -> Option<Self> {
        let opening = Mark::from_recording(own.samples(), own.rate_hz(), rate_hz).ok()?;
        let sought = Sought::new(&[&opening], Options::default());
        Some(Self { opening, closing: None, sought: Arc::new(sought) })
    }
}

/// Rates whose marks are kept, a few megabytes each; takes come at two or three.
const MOST_RATES: usize = 4;

/// The marks of a piece at the rates that came last, the latest at the end.
#[derive(Default)]
pub(super) struct KeptMarks {
    own: Option<OwnMark>,
    kept: Mutex<Vec<(u32, Arc<Marks>)>>,
}

impl KeptMarks {
    /// The product's own, which are those of all pieces.
    pub(super) fn designed() -> Arc<Self> {
        static DESIGNED: OnceLock<Arc<KeptMarks>> = OnceLock::new();
        Arc::clone(DESIGNED.get_or_init(Arc::default))
    }

    /// The organiser's own.
    pub(super) fn of(own: OwnMark) -> Arc<Self> {
        Arc::new(Self { own: Some(own), kept: Mutex::default() })
    }

    /// The marks for files of `rate_hz`.
    pub(super) fn at(&self, rate_hz: u32) -> Arc<Marks> {
        // Whoever comes second waits for what the first one makes.
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let known = kept.iter().position(|(rate, _)| *rate == rate_hz).map(|at| kept.remove(at));
        let (_, marks) = known.unwrap_or_else(|| {
            let own = self.own.as_ref().and_then(|own| Marks::own(own, rate_hz));
            (rate_hz, Arc::new(own.unwrap_or_else(|| Marks::designed(rate_hz))))
        });
        if kept.len() == MOST_RATES {
            kept.remove(0);
        }
        kept.push((rate_hz, Arc::clone(&marks)));
        marks
    }
}

impl std::fmt::Debug for KeptMarks {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("KeptMarks").field("own", &self.own).finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_are_kept_for_the_rates_that_came_last() {
        let marks = KeptMarks::default();
        let first = marks.at(8_000);
        for rate_hz in [11_025, 8_000, 12_000, 16_000, 8_000] {
            assert_eq!(marks.at(rate_hz).opening.rate_hz, rate_hz);
        }
        assert!(Arc::ptr_eq(&first, &marks.at(8_000)));
        let early = marks.at(11_025);
        for rate_hz in [12_000, 16_000, 22_050, 24_000] {
            marks.at(rate_hz);
        }
        assert!(!Arc::ptr_eq(&early, &marks.at(11_025)));
        assert_eq!(early.opening.samples, marks.at(11_025).opening.samples);
        assert_eq!(marks.kept.lock().unwrap().len(), MOST_RATES);
    }
}
