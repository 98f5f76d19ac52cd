//! `report.html`: the account of a render to look at, in one file without links.

mod drawings;

use super::{RenderKind, RenderReport, SectionReport, StemReport};
use crate::plan::MOST_LIFT_DB;
use drawings::{curve, spectrum};
use ripieno_engine::plot::Plot;
use std::collections::BTreeSet;
use std::fmt::Write;

/// The page.
pub(super) fn page(report: &RenderReport, plot: &Plot) -> String {
    let mut page = String::new();
    // Writing to a String cannot fail.
    let _ = write!(
        page,
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width\">\
         <title>{title}: report of the mix</title><style>{STYLE}</style></head><body><main>\
         <h1>{title}</h1><p class=\"plain\">{what}</p>{figures}{notes}\
         <h2>Loudness along the piece</h2><p class=\"plain\">Over the last three seconds at \
         each moment, in LUFS (ITU-R BS.1770): the higher, the louder to the ear.</p>{curve}\
         <h2>Spectrum</h2>{spectrum}\
         <h2>Sections</h2>{sections}\
         <h2>Groups</h2><p class=\"plain\">How loud the takes of each group are together, \
         before any fader, and what brings every group to the same level before the \
         arrangement’s own.</p>{groups}\
         <h2>Takes</h2><p class=\"plain\">By group and name. The trim brings the playing part of \
         each take to one loudness; none is lifted by more than {MOST_LIFT_DB}\u{a0}dB.</p>\
         {takes}</main></body></html>\n",
        title = escape(&report.title),
        what = what(report),
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
dl{display:grid;grid-template-columns:repeat(auto-fit,minmax(130px,1fr));gap:.75rem;margin:0}\
dt{color:var(--pale);font-size:.85rem}dd{margin:0;font-size:1.25rem}\
.plot{position:relative;height:12.5rem;margin:0 4.6rem 0 0}\
.plot svg{position:absolute;width:100%;height:100%;overflow:visible}\
.plot line,.plot polyline{vector-effect:non-scaling-stroke}\
.level,.along span{position:absolute;color:var(--pale);font-size:.8rem;line-height:1.2}\
.level{left:100%;padding-left:.4rem;transform:translateY(-50%);white-space:nowrap}\
.along{position:relative;height:2.2rem;margin:.3rem 4.6rem 0 0}\
.along span{overflow:hidden;text-overflow:ellipsis;max-height:2.4em;width:var(--near)}\
@media(max-width:640px){.plot,.along{margin-right:3.7rem}.along span,.level{font-size:.66rem}\
.along span{white-space:nowrap;width:var(--far)}.along span:nth-child(even){top:1.3em}}\
.wide{overflow-x:auto}\
table{border-collapse:collapse;width:100%}th,td{text-align:left;padding:.3rem .8rem .3rem 0;\
border-bottom:1px solid var(--line);vertical-align:top}th:last-child,td:last-child{padding-right:0}\
th{vertical-align:bottom}td.n,th.n{text-align:right}.n{white-space:nowrap}th.n{white-space:normal}\
.part{padding-top:1.2rem;color:var(--sea)}\
.how{width:40%}.bar{display:block;height:.75rem;margin-top:.4rem;border-radius:3px;background:var(--sea)}\
.plain{color:var(--pale)}h1+.plain{margin:-.9rem 0 1.2rem}\
.grid{stroke:var(--line);stroke-width:1}.sea{stroke:var(--sea);fill:none;stroke-width:2}\
.mark{stroke:var(--sand);stroke-width:1.5;stroke-dasharray:4 3}\
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
    // What rounds to nothing has no sign.
    let rounded = value.map(|value| (value * 10.0).round() / 10.0 + 0.0);
    rounded.map_or("–".into(), |value| format!("{value:.1}\u{a0}{unit}").replace('-', "−"))
}

/// What was rendered, in a line.
fn what(report: &RenderReport) -> String {
    let kind = match report.kind {
        RenderKind::Final => "Final mix",
        RenderKind::Preview => "Preview",
    };
    let of = match report.only_sections.as_slice() {
        [] => String::new(),
        some => format!(" of {} alone", escape(&some.join(", "))),
    };
    let left_out = report.stems.iter().filter(|stem| is_left_out(stem)).count();
    let silent = report.stems.len().saturating_sub(left_out + report.takes_heard());
    let silent = match silent {
        0 if left_out == 0 => " Every take is in it.".to_owned(),
        0 => String::new(),
        1 => " One take of the piece does not sound there.".to_owned(),
        some => format!(" {some} takes of the piece do not sound there."),
    };
    let left_out = match left_out {
        0 => String::new(),
        1 => " One take is left out: see the end of the list of takes.".to_owned(),
        some => format!(" {some} takes are left out: see the end of the list of takes."),
    };
    format!("{kind}{of}.{silent}{left_out}")
}

fn figures(report: &RenderReport) -> String {
    let seconds = report.frames as f64 / f64::from(report.sample_rate_hz);
    let length = format!("{}:{:04.1}", (seconds / 60.0) as u64, seconds % 60.0);
    let heard = report.takes_heard();
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

/// A table that scrolls within a box of its own where words are too long for the page; by the
/// keyboard too.
fn wide(label: &str, rows: &str) -> String {
    format!(
        "<div class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"{label}\">\
         <table>{rows}</table></div>"
    )
}

fn sections(report: &RenderReport) -> String {
    let rows: String = report.sections.iter().map(section_row).collect();
    let who: String = report
        .sections
        .iter()
        .map(|section| {
            let mut names: Vec<String> =
                section.takes.iter().map(|take| named(report, take)).collect();
            names.sort_by_key(|name| name.to_lowercase());
            let takes: String = names.iter().map(|name| format!("<li>{name}</li>")).collect();
            format!(
                "<details><summary>Who is in {}: {}</summary><ul class=\"who\">{takes}</ul>\
                 </details>",
                escape(&section.name),
                section.takes.len()
            )
        })
        .collect();
    let table = wide(
        "Sections",
        &format!(
            "<thead><tr><th>Section</th><th class=\"n\">Loudness</th><td class=\"how\"></td>\
             <th class=\"n\">Takes</th></tr></thead><tbody>{rows}</tbody>"
        ),
    );
    table + &who
}

fn section_row(section: &SectionReport) -> String {
    let width = section.lufs.map_or(0.0, |lufs| share(lufs, (-40.0, -8.0)) * 100.0);
    format!(
        "<tr><td>{}</td><td class=\"n\">{}</td><td><span class=\"bar\" \
         style=\"width:{width:.0}%\"></span></td><td class=\"n\">{}</td></tr>",
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
    wide(
        "Groups",
        &format!(
            "<thead><tr><th>Group</th><th class=\"n\">Takes</th><th class=\"n\">Together</th>\
             <th class=\"n\">Level gain</th></tr></thead><tbody>{rows}</tbody>"
        ),
    )
}

/// Takes as one looks for them: by group in the arrangement's order, then by name, those without
/// one after the others; what is not heard comes last.
fn in_order(report: &RenderReport) -> Vec<&StemReport> {
    let heard = report.heard();
    let mut stems: Vec<&StemReport> = report.stems.iter().collect();
    let group = |stem: &StemReport| {
        let own = |name: &String| report.groups.iter().position(|group| group.name == *name);
        stem.group.as_ref().and_then(own).unwrap_or(usize::MAX)
    };
    stems.sort_by_cached_key(|stem| {
        let name = stem.credit.as_deref().unwrap_or(&stem.take_id).to_lowercase();
        let unheard = match heard.contains(stem.take_id.as_str()) {
            true => 0,
            false => 1 + u8::from(stem.mute) + 2 * u8::from(stem.group.is_none()),
        };
        (unheard, group(stem), stem.credit.is_none(), name, stem.take_id.clone())
    });
    stems
}

fn is_left_out(stem: &StemReport) -> bool {
    stem.mute || stem.group.is_none()
}

/// What a take stands under in the list.
fn heading<'r>(stem: &'r StemReport, heard: &BTreeSet<&str>) -> &'r str {
    match &stem.group {
        None => "Left out: no group fits",
        Some(_) if stem.mute => "Left out",
        Some(_) if !heard.contains(stem.take_id.as_str()) => "Does not sound there",
        Some(group) => group,
    }
}

fn takes(report: &RenderReport) -> String {
    let (stems, heard) = (in_order(report), report.heard());
    let row = |stem: &&StemReport| {
        let place = if is_left_out(stem) {
            stem.group.as_deref().map_or("–".into(), escape)
        } else {
            place(stem.pan)
        };
        let (name, trim) = (named(report, &stem.take_id), or_dash(Some(stem.trim_db), "dB"));
        format!("<tr><td>{name}</td><td class=\"n\">{trim}</td><td>{place}</td></tr>")
    };
    let bodies: String = stems
        .chunk_by(|a, b| heading(a, &heard) == heading(b, &heard))
        .map(|together| {
            let heading = together.first().map_or("", |stem| heading(stem, &heard));
            let rows: String = together.iter().map(row).collect();
            format!(
                "<tbody><tr><th class=\"part\" colspan=\"3\" scope=\"rowgroup\">{}: {}</th></tr>{rows}</tbody>",
                escape(heading),
                together.len()
            )
        })
        .collect();
    wide(
        "Takes",
        &format!(
            "<thead><tr><th>Take</th><th class=\"n\">Trim</th><th>Place</th></tr></thead>{bodies}"
        ),
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

#[cfg(test)]
mod tests;
