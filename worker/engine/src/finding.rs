//! What a check has to say about a take.

/// How much a finding weighs, lightest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// Worth knowing; nothing to do.
    Info,
    /// The take can be used; it would be better if this were mended.
    Advice,
    /// A person has to answer something before the take can be used.
    Asks,
    /// The take cannot be used as it is.
    Unusable,
}

impl Severity {
    /// The name used in documents: `info`, `advice`, `asks` or `unusable`.
    pub fn as_str(self) -> &'static str {
        match self {
            Severity::Info => "info",
            Severity::Advice => "advice",
            Severity::Asks => "asks",
            Severity::Unusable => "unusable",
        }
    }
}

/// One thing that was noticed about a take.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// A stable word for scripts, e.g. `clipped`.
    pub code: &'static str,
    /// How much it weighs.
    pub severity: Severity,
    /// The figure behind it, for the organiser.
    pub value: Option<f64>,
    /// The unit of `value`, empty if there is none.
    pub unit: &'static str,
    /// One or two plain sentences to the contributor: what was found and what to do.
    pub says: String,
    /// Where in the file, as (start, end) in seconds of file time; empty for the whole of it.
    pub at_s: Vec<(f64, f64)>,
}

impl Finding {
    /// A finding with neither figure nor place.
    pub fn new(code: &'static str, severity: Severity, says: impl Into<String>) -> Self {
        Finding { code, severity, value: None, unit: "", says: says.into(), at_s: Vec::new() }
    }

    /// The same finding with its figure.
    pub fn measuring(mut self, value: f64, unit: &'static str) -> Self {
        self.value = Some(value);
        self.unit = unit;
        self
    }

    /// The same finding with its places in the file, (start, end) in seconds.
    pub fn at(mut self, at_s: Vec<(f64, f64)>) -> Self {
        self.at_s = at_s;
        self
    }
}
