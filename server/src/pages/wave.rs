//! A take's waveform over the sections of the piece it was laid on.

use maud::{Markup, html};
use ripieno_score::Piece;
use serde_json::Value;

use super::strip::{HUES, round};
use super::words::minutes;

/// Widths it is drawn for: a desk's screen and a phone's.
const WIDTHS: [(&str, f64); 2] = [("wide", 960.0), ("narrow", 320.0)];
const TALL: f64 = 120.0;
const HEAD: f64 = 22.0;

/// Where a take lies, as its analysis says.
#[derive(Clone, Copy, Debug)]
pub struct Lies {
    /// File time of bar 1 beat 1, in seconds.
    pub bar1_beat1_s: f64,
    /// How much slower than the guide it runs.
    pub ratio_ppm: f64,
}

impl Lies {
    /// Reads an outcome, if it knows.
    #[must_use]
    pub fn of(outcome: &Value) -> Option<Self> {
        Some(Self {
            bar1_beat1_s: outcome["bar1_beat1_s"].as_f64()?,
            ratio_ppm: outcome["ratio_ppm"].as_f64().unwrap_or_default(),
        })
    }

    fn file_s(self, piece_s: f64) -> f64 {
        self.bar1_beat1_s + piece_s * (1.0 + self.ratio_ppm * 1e-6)
    }
}

/// The picture; nothing when there is no waveform to draw.
#[must_use]
pub fn wave(plots: &Value, piece: &Piece, lies: Option<Lies>, findings: &Value) -> Markup {
    let Some(columns) = Columns::read(plots) else { return html! {} };
    let flagged = spans(findings);
    html! {
        @for (class, width) in WIDTHS { (drawn(&columns, piece, lies, &flagged, class, width)) }
    }
}

fn drawn(
    columns: &Columns,
    piece: &Piece,
    lies: Option<Lies>,
    flagged: &[(f64, f64)],
    class: &str,
    width: f64,
) -> Markup {
    let length_s = columns.length_s();
    let x = |file_s: f64| round((file_s / length_s).clamp(0.0, 1.0) * width);
    let middle = HEAD + TALL / 2.0;
    let says = format!("Waveform of the recording, {} minutes long", minutes(length_s));
    html! {
        svg class={ "wave " (class) } viewBox={ "0 0 " (width) " " (HEAD + TALL + 20.0) } role="img" aria-label=(says) {
            @if let Some(lies) = lies {
                @for (index, section) in piece.sections.iter().enumerate() {
                    @let (from_s, to_s) = piece.section_seconds(section);
                    @let (left, right) = (x(lies.file_s(from_s)), x(lies.file_s(to_s)));
                    @if right > left {
                        rect class={ "wash-" (index % HUES) } x=(left) y=(HEAD)
                            width=(round(right - left)) height=(TALL) {}
                        @if right - left > 8.0 * section.name.chars().count() as f64 {
                            text x=(left + 4.0) y="15" { (section.name) }
                        }
                    }
                }
            }
            @for (from_s, to_s) in flagged.iter().copied() {
                rect.flag x=(x(from_s)) y=(HEAD) height=(TALL)
                    width=((x(to_s) - x(from_s)).max(1.5)) {}
            }
            path.sound d=(columns.outline(middle, width)) {}
            @if let Some(lies) = lies {
                line.mark x1=(x(lies.bar1_beat1_s)) x2=(x(lies.bar1_beat1_s))
                    y1=(HEAD - 4.0) y2=(HEAD + TALL) {}
            }
            @for at_s in ticks(length_s, width) {
                text.count x=(x(at_s)) y=(HEAD + TALL + 15.0) { (minutes(at_s)) }
            }
        }
    }
}

/// Where the clock is written: every half minute, minute, … so that the numbers stay apart.
fn ticks(length_s: f64, width: f64) -> Vec<f64> {
    let most = width / 40.0;
    let steps = [5.0, 10.0, 30.0, 60.0, 300.0, 600.0, 3600.0];
    let step = steps.into_iter().find(|step| length_s / step <= most).unwrap_or(3600.0);
    (0..=(length_s / step) as u32)
        .map(|n| f64::from(n) * step)
        .filter(|at| at + step * 0.4 < length_s)
        .collect()
}

/// Whether a finding that matters points at places in the recording.
#[must_use]
pub fn has_flags(findings: &Value) -> bool {
    !spans(findings).is_empty()
}

/// Stretches that findings point at, a hundred at most.
fn spans(findings: &Value) -> Vec<(f64, f64)> {
    let weighty = |f: &&Value| f["severity"].as_str().is_some_and(|s| s != "info");
    let all = findings.as_array().into_iter().flatten().filter(weighty);
    all.flat_map(|f| f["at_s"].as_array().into_iter().flatten())
        .filter_map(|span| Some((span[0].as_f64()?, span[1].as_f64()?)))
        .take(100)
        .collect()
}

/// The waveform, thinned to what a screen shows.
struct Columns {
    column_s: f64,
    lowest: Vec<f64>,
    highest: Vec<f64>,
}

impl Columns {
    fn read(plots: &Value) -> Option<Self> {
        let column_s = plots["column_s"].as_f64().filter(|s| *s > 0.0)?;
        let numbers = |name: &str| -> Option<Vec<f64>> {
            plots[name].as_array()?.iter().map(|n| n.as_f64().map(|n| n / 32767.0)).collect()
        };
        let (lowest, highest) = (numbers("lowest")?, numbers("highest")?);
        let fits = !lowest.is_empty() && lowest.len() == highest.len();
        fits.then_some(Self { column_s, lowest, highest })
    }

    fn length_s(&self) -> f64 {
        self.column_s * self.lowest.len() as f64
    }

    /// One closed path: the upper edge there, the lower edge back.
    fn outline(&self, middle: f64, width: f64) -> String {
        let step = self.lowest.len().div_ceil((width * 0.75) as usize);
        let half = TALL / 2.0;
        let at = |index: usize| round((index * step) as f64 / self.lowest.len() as f64 * width);
        let mut path = String::from("M0 ");
        path += &round(middle).to_string();
        for (index, group) in self.highest.chunks(step).enumerate() {
            let peak = group.iter().copied().fold(f64::MIN, f64::max).clamp(-1.0, 1.0);
            path += &format!("L{} {}", at(index), round(middle - peak * half - 0.4));
        }
        for (index, group) in self.lowest.chunks(step).enumerate().collect::<Vec<_>>().iter().rev()
        {
            let dip = group.iter().copied().fold(f64::MAX, f64::min).clamp(-1.0, 1.0);
            path += &format!("L{} {}", at(*index), round(middle - dip * half + 0.4));
        }
        path + "Z"
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_take_is_drawn_on_its_sections_and_nothing_is_drawn_of_nothing() {
        let piece = ripieno_score::nine_harbours().0;
        let plots = json!({ "column_s": 0.1, "lowest": [-3000, -9000], "highest": [3000, 32767] });
        let lies = Some(Lies { bar1_beat1_s: 0.0, ratio_ppm: 0.0 });
        let svg = wave(&plots, &piece, lies, &json!([])).into_string();
        assert!(svg.contains("class=\"sound\"") && svg.contains("wash-0"), "{svg}");
        for nothing in
            [json!(null), json!({}), json!({ "column_s": 0, "lowest": [], "highest": [] })]
        {
            assert_eq!(wave(&nothing, &piece, lies, &json!([])).into_string(), "");
        }
    }
}
