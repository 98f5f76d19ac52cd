//! The chart as a page: a section under a section, rows of four bars on paper and wide screens,
//! of two on a phone; no row is cut by the end of a sheet.

use super::{Block, Drawing, EDGE, STYLE, What, about, blocks, chords_of, escape, last_words};
use ripieno_score::Piece;
use std::fmt::Write;

/// How many bars stand in a row, by the class that shows it.
const LAYOUTS: [(&str, i32); 2] = [("wide", 4), ("narrow", 2)];
/// Rows that stay together on a sheet of paper.
const ROWS_TOGETHER: i32 = 6;

/// The chart as a document of its own, to read on a screen and to print.
pub(in super::super) fn page(piece: &Piece) -> String {
    let title = escape(&piece.title);
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>{title}: chart</title>\n<style>{PAGE_STYLE}</style>\n</head>\n<body>\n<main>\n\
         <h1>{title}</h1>\n<p>{}</p>\n{}</main>\n</body>\n</html>\n",
        escape(&about(piece)),
        figures(piece)
    )
}

const PAGE_STYLE: &str = "\
:root{color-scheme:light dark}\
body{margin:0;font:1.05rem/1.5 'DejaVu Sans',Verdana,sans-serif;background:#fbfcfc;color:#16242e}\
main{max-width:60rem;margin:0 auto;padding:1.2rem}\
h1{font-size:1.6rem;line-height:1.25;margin:0}\
@media(prefers-color-scheme:dark){body{background:#10191f;color:#e6edf0}}\
@page{size:A4;margin:14mm}\
@media print{body{font-size:10pt;background:#fff;color:#000}main{max-width:none;padding:0}}";

/// The chart's sections with their own style, to stand in any page.
pub(in super::super) fn figures(piece: &Piece) -> String {
    let mut body = format!("<style>{STYLE}{FIGURE_STYLE}</style>\n");
    for block in blocks(piece) {
        body.push_str("<section class=\"chart\">");
        if let Some(heading) = &block.heading {
            let _ = writeln!(body, "<h3>{}</h3>", escape(heading));
        }
        for (class, bars_in_row) in LAYOUTS {
            let _ = writeln!(body, "<div class=\"{class}\">");
            for part in parts(&block, bars_in_row) {
                body.push_str(&figure(piece, &part, bars_in_row));
            }
            body.push_str("</div>\n");
        }
        body.push_str("</section>\n");
    }
    if let Some(last) = last_words(piece) {
        let _ = writeln!(body, "<p>{}</p>", escape(&last));
    }
    body
}

const FIGURE_STYLE: &str = "\
.chart h3{font-size:1.05rem;margin:1rem 0 .2rem;break-after:avoid}\
.chart svg{display:block;width:100%;height:auto;break-inside:avoid}\
.narrow{display:none}\
@media print{.chart svg{width:84%}.chart h3{margin:.6rem 0 0}}\
@media screen and (max-width:40rem){.wide{display:none}.narrow{display:block}}\
@media screen and (prefers-color-scheme:dark){\
.chart{--ink:#e6edf0;--soft:#a9b8bf;--bar:#1a262e}}";

/// A block in pieces of so many rows as stay together.
fn parts(block: &Block, bars_in_row: i32) -> Vec<Block> {
    let step = ROWS_TOGETHER * bars_in_row;
    let mut parts = Vec::new();
    let mut first_bar = block.first_bar;
    while first_bar <= block.last_bar {
        let last_bar = block.last_bar.min(first_bar + step - 1);
        // Only the last part carries the hairpin.
        let what = match block.what {
            What::Fade if last_bar < block.last_bar => What::Music,
            what => what,
        };
        parts.push(Block { heading: None, first_bar, last_bar, what });
        first_bar = last_bar + 1;
    }
    parts
}

fn figure(piece: &Piece, block: &Block, bars_in_row: i32) -> String {
    let mut drawing = Drawing::new(piece, bars_in_row, 4.0);
    drawing.block(block);
    format!(
        "<svg viewBox=\"{} 0 {:.0} {:.0}\" role=\"img\" aria-label=\"{}\">\n{}</svg>\n",
        EDGE - 2.0,
        drawing.width() - 2.0 * EDGE + 4.0,
        drawing.y,
        escape(&read_aloud(piece, block)),
        drawing.body
    )
}

/// What the boxes say: "Bar 1 G; 2 G; 3 F/G, C".
fn read_aloud(piece: &Piece, block: &Block) -> String {
    if block.what == What::LeadIn {
        return format!("Bars {} to {}: mark and count-in", block.first_bar, block.last_bar);
    }
    let bars: Vec<String> = (block.first_bar..=block.last_bar)
        .map(|bar| {
            let chords: Vec<String> =
                chords_of(piece, bar).into_iter().map(|chord| chord.symbol).collect();
            format!("{bar} {}", chords.join(", "))
        })
        .collect();
    format!("Bar {}", bars.join("; "))
}
