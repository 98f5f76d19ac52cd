//! The drawings of the report.

use super::super::{RenderReport, SectionReport};
use super::{escape, share};
use ripieno_engine::loudness::CURVE_STEP_S;
use ripieno_engine::plot::Plot;
use std::fmt::Write;

/// Size of a plot in its own units; the page stretches it to whatever room there is, and letters
/// stand beside it, so that they keep their size.
const WIDTH: f64 = 900.0;
const HEIGHT: f64 = 200.0;

/// Loudness shown at the bottom and the top of the curve, LUFS.
const CURVE_LUFS: (f64, f64) = (-50.0, 0.0);

/// Level shown at the bottom and the top of the spectrum, dB.
const SPECTRUM_DB: (f64, f64) = (-100.0, -10.0);

/// Loudness along the piece, with its sections.
pub(super) fn curve(report: &RenderReport) -> String {
    let rate = f64::from(report.sample_rate_hz);
    let seconds = (report.frames as f64 / rate).max(CURVE_STEP_S);
    let along = |at_s: f64| (at_s / seconds).clamp(0.0, 1.0);
    let start =
        |section: &SectionReport| along((section.first_sample - report.first_sample) as f64 / rate);
    let marks: Vec<(f64, String)> =
        report.sections.iter().map(|section| (start(section), escape(&section.name))).collect();
    let points = report.loudness.short_term_curve_lufs.iter().enumerate().map(|(number, &lufs)| {
        let at_s = (number + 1) as f64 * CURVE_STEP_S;
        (along(at_s), share(f64::from(lufs), CURVE_LUFS))
    });
    drawn(&Drawing {
        label: "Short-term loudness in LUFS over time, with the sections",
        levels: [-40.0, -30.0, -20.0, -10.0]
            .map(|lufs| (share(lufs, CURVE_LUFS), level(lufs, "LUFS"))),
        mark: "mark",
        marks,
        points: points.collect(),
    })
}

/// Power by frequency.
pub(super) fn spectrum(plot: &Plot) -> String {
    let low_hz = 20f64;
    let along = |hz: f64| (hz / low_hz).log2() / (20_000.0 / low_hz).log2();
    let marks = [(50.0, "50 Hz"), (200.0, "200"), (1000.0, "1 kHz"), (5000.0, "5 kHz")];
    let points = plot
        .band_hz
        .iter()
        .zip(&plot.band_db)
        .map(|(&hz, &db)| (f64::from(hz), f64::from(db)))
        .filter(|(hz, _)| (low_hz..=20_000.0).contains(hz))
        .map(|(hz, db)| (along(hz), share(db, SPECTRUM_DB)));
    drawn(&Drawing {
        label: "Power of the mix by frequency",
        levels: [-80.0, -60.0, -40.0, -20.0].map(|db| (share(db, SPECTRUM_DB), level(db, "dB"))),
        mark: "grid",
        marks: marks.iter().map(|&(hz, name)| (along(hz), name.to_owned())).collect(),
        points: points.collect(),
    })
}

fn level(value: f64, unit: &str) -> String {
    format!("{value:.0}\u{a0}{unit}").replace('-', "−")
}

/// A line with a grid. All places are shares, from the left and from the bottom.
struct Drawing {
    label: &'static str,
    levels: [(f64, String); 4],
    /// Class of the lines across.
    mark: &'static str,
    /// In order, with what is written from each to the next.
    marks: Vec<(f64, String)>,
    points: Vec<(f64, f64)>,
}

fn drawn(drawing: &Drawing) -> String {
    let (mut lines, mut levels, mut along) = (String::new(), String::new(), String::new());
    let (x, y) = (|share: f64| share * WIDTH, |share: f64| (1.0 - share) * HEIGHT);
    for (share, name) in &drawing.levels {
        let at = y(*share);
        let _ = write!(
            lines,
            "<line class=\"grid\" x1=\"0\" x2=\"{WIDTH}\" y1=\"{at:.1}\" y2=\"{at:.1}\"/>"
        );
        let top = 100.0 * (1.0 - share);
        let _ = write!(levels, "<span class=\"level\" style=\"top:{top:.1}%\">{name}</span>");
    }
    for (number, (share, name)) in drawing.marks.iter().enumerate() {
        let (at, class) = (x(*share), drawing.mark);
        let _ = write!(
            lines,
            "<line class=\"{class}\" x1=\"{at:.1}\" x2=\"{at:.1}\" y1=\"0\" y2=\"{HEIGHT}\"/>"
        );
        // On a phone the names stand in two rows by turns, each with the room of two.
        let room = |upto: usize| {
            let next = drawing.marks.get(number + upto).map_or(1.0, |(next, _)| *next);
            100.0 * (next - share).max(0.0)
        };
        let (left, near, far) = (100.0 * share, room(1), room(2));
        let _ = write!(
            along,
            "<span style=\"left:{left:.1}%;--near:{near:.1}%;--far:{far:.1}%\" \
             title=\"{name}\">{name}</span>"
        );
    }
    let point = |&(along, up): &(f64, f64)| format!("{:.1},{:.1}", x(along), y(up));
    let points: Vec<String> = drawing.points.iter().map(point).collect();
    format!(
        "<div class=\"plot\" role=\"img\" aria-label=\"{label}\"><svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" \
         preserveAspectRatio=\"none\" aria-hidden=\"true\">{lines}\
         <polyline class=\"sea\" points=\"{points}\"/></svg>{levels}</div>\
         <div class=\"along\">{along}</div>",
        label = drawing.label,
        points = points.join(" "),
    )
}
