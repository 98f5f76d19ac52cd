//! The chart: sections, bars and chords as boxes in rows, as one drawing and as a page that
//! prints.

mod page;

pub(super) use page::{figures, page};

use ripieno_score::{Piece, Position, Section};
use std::fmt::Write;

/// Sizes of things, in units of which a bar is 235 wide.
const EDGE: f64 = 30.0;
const BAR_WIDTH: f64 = 235.0;
const BAR_HEIGHT: f64 = 52.0;
const ROW: f64 = 62.0;
const HEADING: f64 = 38.0;
/// Width of a letter of a chord, by which a long one is seen to need squeezing.
const LETTER: f64 = 12.5;

/// Bars in a row of the drawing that is a file of its own.
const BARS_IN_ROW: i32 = 4;

/// The chart of `piece` as one SVG.
pub(super) fn svg(piece: &Piece) -> String {
    let mut drawing = Drawing::new(piece, BARS_IN_ROW, 96.0);
    drawing.text(EDGE, 44.0, "title", &piece.title);
    drawing.text(EDGE, 70.0, "small", &about(piece));
    for block in blocks(piece) {
        if let Some(heading) = &block.heading {
            drawing.text(EDGE, drawing.y + 26.0, "head", heading);
            drawing.y += HEADING;
        }
        drawing.block(&block);
    }
    if let Some(last) = last_words(piece) {
        drawing.text(EDGE, drawing.y + 18.0, "small", &last);
        drawing.y += 30.0;
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {:.0} {:.0}\" role=\"img\" \
         aria-labelledby=\"chart-title\">\n<title id=\"chart-title\">Chart of {}</title>\n\
         <style>{STYLE}</style>\n<rect class=\"page\" width=\"100%\" height=\"100%\"/>\n{}</svg>\n",
        drawing.width(),
        drawing.y + 16.0,
        escape(&piece.title),
        drawing.body
    )
}

/// Colours are variables, so that a page can turn them dark; by themselves they suit paper.
const STYLE: &str = "svg text{font-family:'DejaVu Sans',Verdana,sans-serif;\
fill:var(--ink,#16242e)}.page{fill:#fff}\
svg .title{font-size:30px;font-weight:bold}svg .small{font-size:15px}\
svg .head{font-size:19px;font-weight:bold}svg .number{font-size:13px;fill:var(--soft,#4c5f6b)}\
svg .chord{font-size:20px;font-weight:bold}svg .again{font-size:20px;fill:var(--soft,#55666f)}\
.bar{fill:var(--bar,#f4f7f8);stroke:var(--ink,#16242e);stroke-width:1.2}\
.lead{fill:none;stroke:var(--ink,#16242e);stroke-width:1.2;stroke-dasharray:5 4}\
.beat{stroke:var(--soft,#7d8f99);stroke-width:1}\
.fade{fill:none;stroke:var(--ink,#16242e);stroke-width:1.4}";

/// Bars that stand together under a heading.
struct Block {
    heading: Option<String>,
    first_bar: i32,
    last_bar: i32,
    what: What,
}

#[derive(Clone, Copy, PartialEq)]
enum What {
    LeadIn,
    Music,
    /// Music that everyone plays quieter and quieter.
    Fade,
}

/// The lead-in, the sections, and the bars that belong to none.
fn blocks(piece: &Piece) -> Vec<Block> {
    let lead_in = Block {
        heading: Some("Lead-in: the mark, then the count-in. Do not play yet.".into()),
        first_bar: piece.marks.opening.bar.max(1 - 2 * BARS_IN_ROW),
        last_bar: 0,
        what: What::LeadIn,
    };
    let between =
        |first_bar, last_bar| Block { heading: None, first_bar, last_bar, what: What::Music };
    let mut blocks = vec![lead_in];
    let mut next = 1;
    for section in &piece.sections {
        blocks.push(between(next, section.first_bar - 1));
        blocks.push(of_section(section));
        next = section.last_bar + 1;
    }
    blocks.push(between(next, piece.last_bar));
    blocks.retain(|block| block.last_bar >= block.first_bar);
    blocks
}

fn of_section(section: &Section) -> Block {
    let (first_bar, last_bar) = (section.first_bar, section.last_bar);
    let mut heading = format!("{}  (bars {first_bar}–{last_bar})", section.name);
    if section.played_fade {
        heading.push_str(": everyone plays quieter, little by little, to the end");
    }
    let what = if section.played_fade { What::Fade } else { What::Music };
    Block { heading: Some(heading), first_bar, last_bar, what }
}

fn last_words(piece: &Piece) -> Option<String> {
    let bar = piece.marks.closing?.bar;
    Some(format!(
        "Closing mark on the first beat of bar {bar}: for checking the tempo, not to be sent."
    ))
}

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

/// Boxes and words, drawn from the top down.
struct Drawing<'a> {
    piece: &'a Piece,
    bars_in_row: i32,
    body: String,
    y: f64,
}

impl<'a> Drawing<'a> {
    fn new(piece: &'a Piece, bars_in_row: i32, y: f64) -> Self {
        Drawing { piece, bars_in_row, body: String::new(), y }
    }

    fn width(&self) -> f64 {
        2.0 * EDGE + f64::from(self.bars_in_row) * BAR_WIDTH
    }

    fn text(&mut self, x: f64, y: f64, class: &str, text: &str) {
        self.text_within(x, y, class, text, f64::INFINITY);
    }

    /// Text that is squeezed where there is less room for it than it wants.
    fn text_within(&mut self, x: f64, y: f64, class: &str, text: &str, room: f64) {
        let squeezed = match text.chars().count() as f64 * LETTER > room {
            true => format!(" textLength=\"{room:.0}\" lengthAdjust=\"spacingAndGlyphs\""),
            false => String::new(),
        };
        let text = escape(text);
        let _ = writeln!(
            self.body,
            "<text class=\"{class}\" x=\"{x:.1}\" y=\"{y:.1}\"{squeezed}>{text}</text>"
        );
    }

    fn block(&mut self, block: &Block) {
        for bar in block.first_bar..=block.last_bar {
            let column = (bar - block.first_bar) % self.bars_in_row;
            if column == 0 && bar > block.first_bar {
                self.y += ROW;
            }
            let x = EDGE + f64::from(column) * BAR_WIDTH;
            if block.what == What::LeadIn {
                self.bar_box(bar, x, "lead");
                let mark = bar == self.piece.marks.opening.bar;
                self.text(x + 10.0, self.y + 36.0, "again", if mark { "mark" } else { "count-in" });
            } else {
                self.bar_box(bar, x, "bar");
                self.chords(bar, x, column == 0);
            }
        }
        self.y += ROW;
        if block.what == What::Fade {
            self.hairpin();
        }
    }

    /// A hairpin that closes, under a section that fades.
    fn hairpin(&mut self) {
        let (y, right) = (self.y + 6.0, self.width() - EDGE);
        let _ = writeln!(
            self.body,
            "<path class=\"fade\" d=\"M{EDGE} {:.1} L{right} {y:.1} L{EDGE} {:.1}\"/>",
            y - 7.0,
            y + 7.0
        );
        self.y += 18.0;
    }

    fn bar_box(&mut self, bar: i32, x: f64, class: &str) {
        let _ = writeln!(
            self.body,
            "<rect class=\"{class}\" x=\"{x:.1}\" y=\"{:.1}\" width=\"{BAR_WIDTH:.1}\" \
             height=\"{BAR_HEIGHT}\"/>",
            self.y
        );
        self.text(x + 5.0, self.y + 14.0, "number", &bar.to_string());
        let beats = self.piece.tempo.metre_at(bar).beats;
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

    /// A bar's chords: one that goes on from the bar before is fainter, but for the first of a row.
    fn chords(&mut self, bar: i32, x: f64, first_of_row: bool) {
        let beats = self.piece.tempo.metre_at(bar).beats;
        let chords = chords_of(self.piece, bar);
        for (index, chord) in chords.iter().enumerate() {
            let left = beat_x(x, chord.beats_before, beats);
            let next = chords.get(index + 1).map(|next| beat_x(x, next.beats_before, beats));
            let room = next.unwrap_or(x + BAR_WIDTH) - left - 6.0;
            let class = if chord.goes_on && !first_of_row { "again" } else { "chord" };
            self.text_within(left, self.y + 38.0, class, &chord.symbol, room);
        }
    }
}

/// A chord in its bar.
struct InBar {
    beats_before: f64,
    symbol: String,
    /// It was there in the bar before.
    goes_on: bool,
}

fn chords_of(piece: &Piece, bar: i32) -> Vec<InBar> {
    let (from, to) = (Position::bar_start(bar), Position::bar_start(bar + 1));
    let changes = piece.chart.changes();
    let inside = changes.iter().filter(|c| c.position >= from && c.position < to);
    let mut chords: Vec<InBar> = inside
        .map(|change| InBar {
            beats_before: change.position.beat() - 1.0,
            symbol: change.chord.as_ref().map_or("no chord", |chord| chord.symbol()).to_owned(),
            goes_on: false,
        })
        .collect();
    if chords.first().is_none_or(|first| first.beats_before > 0.0)
        && let Some(chord) = piece.chart.chord_at(from)
    {
        let symbol = chord.symbol().to_owned();
        chords.insert(0, InBar { beats_before: 0.0, symbol, goes_on: true });
    }
    chords
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
