//! `report.html`: the account of a render to look at, in one file without links.

use super::{RenderReport, SectionReport};
use ripieno_engine::loudness::CURVE_STEP_S;
use ripieno_engine::plot::Plot;
use std::fmt::Write;

const WIDTH: f64 = 900.0;
const CURVE_HEIGHT: f64 = 200.0;
const SPECTRUM_HEIGHT: f64 = 180.0;

/// Room for labels under a plot, and where in it they stand: those of a narrow screen are twice as
/// large.
const LABEL_HEIGHT: f64 = 32.0;
const LABEL_AT: f64 = 22.0;

/// Loudness shown at the bottom and the top of the curve, LUFS.
const CURVE_LUFS: (f64, f64) = (-50.0, 0.0);

/// Level shown at the bottom and the top of the spectrum, dB.
const SPECTRUM_DB: (f64, f64) = (-100.0, -10.0);

/// The page.
pub(super) fn page(report: &RenderReport, plot: &Plot) -> String {
    let mut page = String::new();
    // Writing to a String cannot fail.
    let _ = write!(
        page,
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width\">\
         <title>{title}: report of the mix</title><style>{STYLE}</style></head><body><main>\
         <h1>{title}</h1>{figures}{notes}\
         <h2>Loudness along the piece</h2><p class=\"plain\">Over the last three seconds at \
         each moment, in LUFS (ITU-R BS.1770): the higher, the louder to the ear.</p>{curve}\
         <h2>Spectrum</h2>{spectrum}\
         <h2>Sections</h2>{sections}\
         <h2>Groups</h2><p class=\"plain\">How loud the takes of each group are together, \
         before any fader, and what brings every group to the same level before the \
         arrangement’s own.</p>{groups}\
         <h2>Takes</h2><p class=\"plain\">The trim brings the playing part of each take to one \
         loudness.</p>{takes}</main></body></html>\n",
        title = escape(&report.title),
        figures = figures(report),
        notes = notes(report),
        curve = curve(report),
        spectrum = spectrum(plot),
        sections = sections(report),
        groups = groups(report),
        takes = takes(report),
    );
    page
}

const STYLE: &str = "\
:root{color-scheme:light dark;--ink:#20303a;--pale:#5d6f7a;--paper:#f7f6f1;--line:#c9d2d3;\
--sea:#1f6f8b;--sand:#c98a3d}\
@media(prefers-color-scheme:dark){:root{--ink:#e4ebe9;--pale:#9fb1b5;--paper:#14202a;\
--line:#34464f;--sea:#6fc3d9;--sand:#e0ad6b}}\
body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.5 system-ui,sans-serif}\
main{max-width:940px;margin:0 auto;padding:1.5rem 1rem 4rem}\
h1{font-size:1.8rem;margin:0 0 1rem}h2{font-size:1.15rem;margin:2rem 0 .5rem}\
dl{display:grid;grid-template-columns:repeat(auto-fit,minmax(150px,1fr));gap:.75rem;margin:0}\
dt{color:var(--pale);font-size:.85rem}dd{margin:0;font-size:1.25rem}\
svg{display:block;width:100%;height:auto}svg text{fill:var(--pale);font-size:13px;paint-order:stroke;stroke:var(--paper);stroke-width:5px}\
@media(max-width:640px){svg text{font-size:25px}.sea{stroke-width:4}}\
table{border-collapse:collapse;width:100%}th,td{text-align:left;padding:.3rem .6rem .3rem 0;\
border-bottom:1px solid var(--line);vertical-align:top}td.n,th.n{text-align:right}td svg{margin-top:.4rem}.plain{color:var(--pale)}\
.grid{stroke:var(--line);stroke-width:1}.sea{stroke:var(--sea);fill:none;stroke-width:2}\
.bar{fill:var(--sea)}.mark{stroke:var(--sand);stroke-width:1.5;stroke-dasharray:4 3}\
.note{border-left:4px solid var(--sand);padding:.2rem .8rem}\
details{margin:.4rem 0}summary{cursor:pointer}.who{columns:12rem;margin:.3rem 0 0;padding:0 0 0 1.1rem}";

/// Text that may stand in HTML and in attributes.
fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
        .replace('\'', "&#39;")
}

fn or_dash(value: Option<f64>, unit: &str) -> String {
    value.map_or("–".into(), |value| format!("{value:.1}\u{a0}{unit}").replace('-', "−"))
}

fn figures(report: &RenderReport) -> String {
    let seconds = report.frames as f64 / f64::from(report.sample_rate_hz);
    let length = format!("{}:{:04.1}", (seconds / 60.0) as u64, seconds % 60.0);
    let heard = report.stems.iter().filter(|stem| !stem.mute).count();
    let loudness = &report.loudness;
    let entries = [
        ("Takes heard", heard.to_string()),
        ("Length", length),
        ("Loudness", or_dash(loudness.integrated_lufs, "LUFS")),
        ("Loudness range", or_dash(loudness.range_lu, "LU")),
        ("Highest true peak", or_dash(loudness.true_peak_dbtp, "dBTP")),
        ("Limiter at most", limiter(report.limited_db)),
    ];
    let entry =
        |(name, value): &(&str, String)| format!("<div><dt>{name}</dt><dd>{value}</dd></div>");
    format!("<dl>{}</dl>", entries.iter().map(entry).collect::<String>())
}

/// What the limiter took, in words where it took nothing.
fn limiter(limited_db: f64) -> String {
    if limited_db < 0.05 { "not needed".into() } else { or_dash(Some(limited_db), "dB") }
}

fn notes(report: &RenderReport) -> String {
    report.notes.iter().map(|note| format!("<p class=\"note\">{}</p>", escape(note))).collect()
}

/// Share of the way from the bottom to the top of a plot.
fn share(value: f64, (low, high): (f64, f64)) -> f64 {
    ((value - low) / (high - low)).clamp(0.0, 1.0)
}

fn curve(report: &RenderReport) -> String {
    let rate = f64::from(report.sample_rate_hz);
    let seconds = (report.frames as f64 / rate).max(CURVE_STEP_S);
    let x = |at_s: f64| (at_s / seconds).clamp(0.0, 1.0) * WIDTH;
    let y = |lufs: f64| CURVE_HEIGHT * (1.0 - share(lufs, CURVE_LUFS));
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDTH} {}\" role=\"img\" aria-label=\"Short-term loudness in LUFS \
         over time, with the sections\">",
        CURVE_HEIGHT + LABEL_HEIGHT
    );
    grid(&mut svg, [-40.0, -30.0, -20.0, -10.0], "LUFS", &y);
    for section in &report.sections {
        let at = x((section.first_sample - report.first_sample) as f64 / rate);
        let _ = write!(
            svg,
            "<line class=\"mark\" x1=\"{at:.1}\" x2=\"{at:.1}\" y1=\"0\" y2=\"{CURVE_HEIGHT}\"/>\
             <text x=\"{:.1}\" y=\"{}\">{}</text>",
            at + 3.0,
            CURVE_HEIGHT + LABEL_AT,
            escape(&section.name)
        );
    }
    let points: Vec<String> = report
        .loudness
        .short_term_curve_lufs
        .iter()
        .enumerate()
        .map(|(number, &lufs)| {
            let at_s = (number + 1) as f64 * CURVE_STEP_S;
            format!("{:.1},{:.1}", x(at_s), y(f64::from(lufs)))
        })
        .collect();
    let _ = write!(svg, "<polyline class=\"sea\" points=\"{}\"/></svg>", points.join(" "));
    svg
}

/// Level lines across a plot, each with what it stands for.
fn grid(svg: &mut String, levels: [f64; 4], unit: &str, y: &dyn Fn(f64) -> f64) {
    for level in levels {
        let at = y(level);
        let _ = write!(
            svg,
            "<line class=\"grid\" x1=\"0\" x2=\"{WIDTH}\" y1=\"{at:.1}\" y2=\"{at:.1}\"/>\
             <text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{} {unit}</text>",
            WIDTH - 2.0,
            at - 3.0,
            format!("{level:.0}").replace('-', "−")
        );
    }
}

fn spectrum(plot: &Plot) -> String {
    let low_hz = 20f64;
    let x = |hz: f64| (hz / low_hz).log2() / (20_000.0 / low_hz).log2() * WIDTH;
    let y = |db: f64| SPECTRUM_HEIGHT * (1.0 - share(db, SPECTRUM_DB));
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDTH} {}\" role=\"img\" aria-label=\"Power of the mix by \
         frequency\">",
        SPECTRUM_HEIGHT + LABEL_HEIGHT
    );
    grid(&mut svg, [-80.0, -60.0, -40.0, -20.0], "dB", &y);
    for (hz, name) in [(50.0, "50 Hz"), (200.0, "200"), (1000.0, "1 kHz"), (5000.0, "5 kHz")] {
        let at = x(hz);
        let _ = write!(
            svg,
            "<line class=\"grid\" x1=\"{at:.1}\" x2=\"{at:.1}\" y1=\"0\" y2=\"{SPECTRUM_HEIGHT}\"/>\
             <text x=\"{:.1}\" y=\"{}\">{name}</text>",
            at + 3.0,
            SPECTRUM_HEIGHT + LABEL_AT
        );
    }
    let points: Vec<String> = plot
        .band_hz
        .iter()
        .zip(&plot.band_db)
        .map(|(&hz, &db)| (f64::from(hz), f64::from(db)))
        .filter(|(hz, _)| (low_hz..=20_000.0).contains(hz))
        .map(|(hz, db)| format!("{:.1},{:.1}", x(hz), y(db)))
        .collect();
    let _ = write!(svg, "<polyline class=\"sea\" points=\"{}\"/></svg>", points.join(" "));
    svg
}

fn sections(report: &RenderReport) -> String {
    let rows: String = report.sections.iter().map(section_row).collect();
    let who: String = report
        .sections
        .iter()
        .map(|section| {
            let takes: String = section
                .takes
                .iter()
                .map(|take| format!("<li>{}</li>", named(report, take)))
                .collect();
            format!(
                "<details><summary>Who is in {}: {}</summary><ul class=\"who\">{takes}</ul>\
                 </details>",
                escape(&section.name),
                section.takes.len()
            )
        })
        .collect();
    format!(
        "<table><thead><tr><th>Section</th><th class=\"n\">Loudness</th><th></th>\
         <th class=\"n\">Takes</th></tr></thead><tbody>{rows}</tbody></table>{who}"
    )
}

fn section_row(section: &SectionReport) -> String {
    let width = section.lufs.map_or(0.0, |lufs| share(lufs, (-40.0, -8.0)) * 300.0);
    format!(
        "<tr><td>{}</td><td class=\"n\">{}</td><td><svg viewBox=\"0 0 300 12\" \
         aria-hidden=\"true\"><rect class=\"bar\" width=\"{width:.0}\" height=\"12\" rx=\"3\"/>\
         </svg></td><td class=\"n\">{}</td></tr>",
        escape(&section.name),
        or_dash(section.lufs, "LUFS"),
        section.takes.len()
    )
}

/// A take's credit line, else its id.
fn named(report: &RenderReport, take_id: &str) -> String {
    let stem = report.stems.iter().find(|stem| stem.take_id == take_id);
    escape(stem.and_then(|stem| stem.credit.as_deref()).unwrap_or(take_id))
}

fn groups(report: &RenderReport) -> String {
    let rows: String = report
        .groups
        .iter()
        .map(|group| {
            format!(
                "<tr><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
                 <td class=\"n\">{}</td></tr>",
                escape(&group.name),
                group.stems,
                or_dash(group.measured_lufs, "LUFS"),
                or_dash(Some(group.level_gain_db), "dB")
            )
        })
        .collect();
    format!(
        "<table><thead><tr><th>Group</th><th class=\"n\">Takes</th><th class=\"n\">Together</th>\
         <th class=\"n\">Level gain</th></tr></thead><tbody>{rows}</tbody></table>"
    )
}

fn takes(report: &RenderReport) -> String {
    let rows: String = report
        .stems
        .iter()
        .map(|stem| {
            format!(
                "<tr><td>{}</td><td>{}</td><td class=\"n\">{}</td><td>{}</td></tr>",
                named(report, &stem.take_id),
                stem.group.as_deref().map_or("no group fits".into(), escape),
                or_dash(Some(stem.trim_db), "dB"),
                if stem.mute { "left out".into() } else { place(stem.pan) },
            )
        })
        .collect();
    format!(
        "<table><thead><tr><th>Take</th><th>Group</th><th class=\"n\">Trim</th><th>Place</th>\
         </tr></thead><tbody>{rows}</tbody></table>"
    )
}

/// A pan in words.
fn place(pan: f64) -> String {
    let percent = (pan.abs() * 100.0).round();
    match pan {
        _ if percent < 3.0 => "middle".into(),
        pan if pan < 0.0 => format!("{percent:.0} % left"),
        _ => format!("{percent:.0} % right"),
    }
}
