//! The chart: sections, bars and chords as boxes on a page.

use ripieno_score::{Piece, Position, Section};
use std::fmt::Write;

/// Bars in a row, and the size of things in units of which the page is 1000 wide.
const BARS_IN_ROW: i32 = 4;
const PAGE: f64 = 1000.0;
const EDGE: f64 = 30.0;
const BAR_WIDTH: f64 = (PAGE - 2.0 * EDGE) / BARS_IN_ROW as f64;
const BAR_HEIGHT: f64 = 52.0;
const ROW: f64 = 62.0;
const HEADING: f64 = 38.0;

/// The chart of `piece` as an SVG that prints on one or two sheets.
pub(super) fn svg(piece: &Piece) -> String {
    let mut page = Page { body: String::new(), y: 96.0 };
    page.text(EDGE, 44.0, "title", &piece.title);
    page.text(EDGE, 70.0, "small", &about(piece));
    page.lead_in(piece);
    let mut next = 1;
    for section in &piece.sections {
        // Bars that belong to no section are shown too.
        page.bars(piece, next, section.first_bar - 1);
        page.section(piece, section);
        next = section.last_bar + 1;
    }
    page.bars(piece, next, piece.last_bar);
    if let Some(closing) = piece.marks.closing {
        let text = format!(
            "Closing mark on the first beat of bar {}: for checking the tempo, not to be sent.",
            closing.bar
        );
        page.text(EDGE, page.y + 18.0, "small", &text);
        page.y += 30.0;
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {PAGE} {:.0}\" role=\"img\" \
         aria-labelledby=\"chart-title\">\n<title id=\"chart-title\">Chart of {}</title>\n\
         <style>{STYLE}</style>\n<rect class=\"page\" width=\"100%\" height=\"100%\"/>\n{}</svg>\n",
        page.y + 16.0,
        escape(&piece.title),
        page.body
    )
}

const STYLE: &str = "text{font-family:'DejaVu Sans',Verdana,sans-serif;fill:#16242e}\
.page{fill:#fff}.title{font-size:30px;font-weight:bold}.small{font-size:15px}\
.head{font-size:19px;font-weight:bold}.number{font-size:11px;fill:#4c5f6b}\
.chord{font-size:19px;font-weight:bold}.again{font-size:19px;fill:#6b7c86}\
.bar{fill:#f4f7f8;stroke:#16242e;stroke-width:1.2}\
.lead{fill:#fff;stroke:#16242e;stroke-width:1.2;stroke-dasharray:5 4}\
.beat{stroke:#7d8f99;stroke-width:1}.fade{fill:none;stroke:#16242e;stroke-width:1.4}";

fn about(piece: &Piece) -> String {
    let mut about = format!("{}, ", piece.key);
    let metre = piece.tempo.metre_at(1);
    let _ = write!(about, "{metre}");
    if let Some(tempo) = piece.tempo.tempos().first() {
        let bpm = format!("{:.2}", tempo.bpm());
        let bpm = bpm.trim_end_matches('0').trim_end_matches('.');
        let _ = match tempo.beat_unit() {
            (1, 4) => write!(about, ", {bpm} beats a minute"),
            (above, below) => write!(about, ", {bpm} beats of {above}/{below} a minute"),
        };
    }
    if piece.tempo.tempos().len() > 1 || piece.tempo.metres().len() > 1 {
        about.push_str(" at the start; it changes, follow the guide");
    }
    if !piece.composer_credit.is_empty() {
        let _ = write!(about, " · {}", piece.composer_credit);
    }
    about
}

struct Page {
    body: String,
    y: f64,
}

impl Page {
    fn text(&mut self, x: f64, y: f64, class: &str, text: &str) {
        let text = escape(text);
        let _ =
            writeln!(self.body, "<text class=\"{class}\" x=\"{x:.1}\" y=\"{y:.1}\">{text}</text>");
    }

    fn lead_in(&mut self, piece: &Piece) {
        let opening = piece.marks.opening.bar;
        self.heading("Lead-in: the mark, then the count-in. Do not play yet.");
        let first = opening.max(1 - 2 * BARS_IN_ROW);
        for bar in first..=0 {
            let x = EDGE + f64::from((bar - first) % BARS_IN_ROW) * BAR_WIDTH;
            if bar > first && (bar - first) % BARS_IN_ROW == 0 {
                self.y += ROW;
            }
            self.bar_box(piece, bar, x, "lead");
            let text = if bar == opening { "mark" } else { "count-in" };
            self.text(x + 10.0, self.y + 36.0, "again", text);
        }
        self.y += ROW;
    }

    fn heading(&mut self, text: &str) {
        self.text(EDGE, self.y + 26.0, "head", text);
        self.y += HEADING;
    }

    fn section(&mut self, piece: &Piece, section: &Section) {
        let mut heading =
            format!("{}  (bars {}–{})", section.name, section.first_bar, section.last_bar);
        if section.played_fade {
            heading.push_str(": everyone plays quieter, little by little, to the end");
        }
        self.heading(&heading);
        let top = self.y;
        self.bars(piece, section.first_bar, section.last_bar);
        if section.played_fade {
            // A hairpin that closes, under the section's last row.
            let (y, right) = (self.y + 6.0, PAGE - EDGE);
            let _ = writeln!(
                self.body,
                "<path class=\"fade\" d=\"M{EDGE} {:.1} L{right} {y:.1} L{EDGE} {:.1}\"/>",
                y - 7.0,
                y + 7.0
            );
            self.y += if self.y > top { 18.0 } else { 0.0 };
        }
    }

    fn bars(&mut self, piece: &Piece, first: i32, last: i32) {
        if last < first {
            return;
        }
        for bar in first..=last {
            let column = (bar - first) % BARS_IN_ROW;
            if column == 0 && bar > first {
                self.y += ROW;
            }
            let x = EDGE + f64::from(column) * BAR_WIDTH;
            self.bar_box(piece, bar, x, "bar");
            self.chords(piece, bar, x);
        }
        self.y += ROW;
    }

    fn bar_box(&mut self, piece: &Piece, bar: i32, x: f64, class: &str) {
        let _ = writeln!(
            self.body,
            "<rect class=\"{class}\" x=\"{x:.1}\" y=\"{:.1}\" width=\"{BAR_WIDTH:.1}\" \
             height=\"{BAR_HEIGHT}\"/>",
            self.y
        );
        self.text(x + 5.0, self.y + 12.0, "number", &bar.to_string());
        let beats = piece.tempo.metre_at(bar).beats;
        for beat in 0..beats.min(32) {
            let x = beat_x(x, f64::from(beat), beats);
            let y = self.y + BAR_HEIGHT;
            let _ = writeln!(
                self.body,
                "<line class=\"beat\" x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"{:.1}\" y2=\"{:.1}\"/>",
                y - if beat == 0 { 9.0 } else { 5.0 },
                y - 1.0
            );
        }
    }

    fn chords(&mut self, piece: &Piece, bar: i32, x: f64) {
        let beats = piece.tempo.metre_at(bar).beats;
        let (from, to) = (Position::bar_start(bar), Position::bar_start(bar + 1));
        let changes = piece.chart.changes();
        let inside = |p: &Position| *p >= from && *p < to;
        if !changes.iter().any(|change| change.position == from)
            && let Some(chord) = piece.chart.chord_at(from)
        {
            self.text(beat_x(x, 0.0, beats), self.y + 36.0, "again", chord.symbol());
        }
        for change in changes.iter().filter(|change| inside(&change.position)) {
            let x = beat_x(x, change.position.beat() - 1.0, beats);
            let symbol = change.chord.as_ref().map_or("no chord", |chord| chord.symbol());
            self.text(x, self.y + 36.0, "chord", symbol);
        }
    }
}

/// Where a beat lies in the box of its bar.
fn beat_x(bar_x: f64, beats_before: f64, beats: u32) -> f64 {
    bar_x + 10.0 + beats_before / f64::from(beats.max(1)) * (BAR_WIDTH - 14.0)
}

/// Text for XML and HTML; characters that XML forbids are left out.
pub(super) fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            c if c.is_control() && c != '\n' && c != '\t' => {}
            '\u{fffe}' | '\u{ffff}' => {}
            c => escaped.push(c),
        }
    }
    escaped
}
