//! The piece drawn as long as it is: sections side by side, bar lines, and the crowd above them,
//! a dot for each take.

use maud::{Markup, html};
use ripieno_score::Piece;

/// Widths it is drawn for: a desk's screen and a phone's.
const WIDTHS: [(&str, f64); 2] = [("wide", 960.0), ("narrow", 340.0)];
const CROWD: f64 = 84.0;
const BAND: f64 = 34.0;
/// Colours there are for sections and families.
pub const HUES: usize = 6;

/// A take in the crowd: something that tells it from others, and its family.
pub struct Dot<'a> {
    /// The take's id: where the dot stands follows from it, so it stays where it is.
    pub id: &'a str,
    /// Which colour.
    pub hue: usize,
}

/// The strip as a picture; `says` is what it shows, in words.
#[must_use]
pub fn strip(piece: &Piece, dots: &[Dot<'_>], says: &str) -> Markup {
    html! { @for (class, width) in WIDTHS { (drawn(piece, dots, says, class, width)) } }
}

fn drawn(piece: &Piece, dots: &[Dot<'_>], says: &str, class: &str, width: f64) -> Markup {
    let bars = f64::from(piece.last_bar.max(1));
    let x = |bar: f64| (bar - 1.0) / bars * width;
    let height = CROWD + BAND + 26.0;
    html! {
        svg class={ "strip " (class) } viewBox={ "0 0 " (width) " " (height) } role="img" aria-label=(says) {
            @for (index, section) in piece.sections.iter().enumerate() {
                @let left = x(f64::from(section.first_bar));
                @let right = x(f64::from(section.last_bar) + 1.0);
                rect class={ "wash-" (index % HUES) } x=(round(left)) y=(CROWD)
                    width=(round(right - left)) height=(BAND) {}
            }
            @for bar in (1..=piece.last_bar + 1).step_by(bar_step(piece.last_bar, width)) {
                @let edge = piece.sections.iter().any(|s| s.first_bar == bar)
                    || bar == piece.last_bar + 1;
                line class=(if edge { "edge" } else { "bar-line" })
                    x1=(round(x(f64::from(bar)))) x2=(round(x(f64::from(bar))))
                    y1=(if edge { CROWD - 6.0 } else { CROWD + BAND - 8.0 }) y2=(CROWD + BAND) {}
            }
            @for dot in dots {
                @let (across, up) = place(dot.id);
                circle class={ "dot-" (dot.hue % HUES) } r="4.5"
                    cx=(round(8.0 + across * (width - 16.0)))
                    cy=(round(CROWD - 14.0 - up * up * (CROWD - 24.0))) {}
            }
            @for section in &piece.sections {
                @let left = x(f64::from(section.first_bar));
                @let room = x(f64::from(section.last_bar) + 1.0) - left;
                @if room > 40.0 {
                    text x=(round(left + 6.0)) y=(CROWD + 21.0) {
                        (short(&section.name, room))
                    }
                }
                text.count x=(round(left + 6.0)) y=(CROWD + BAND + 17.0) {
                    (section.first_bar)
                }
            }
        }
    }
}

/// Which bars get a line: so many that they stay apart.
fn bar_step(bars: i32, width: f64) -> usize {
    usize::try_from(bars).unwrap_or(1).div_ceil((width / 9.0) as usize).max(1)
}

/// As much of a name as there is room for.
fn short(name: &str, room: f64) -> String {
    let fits = ((room - 8.0) / 8.5).max(1.0) as usize;
    match name.chars().count() <= fits {
        true => name.to_owned(),
        false => name.chars().take(fits.saturating_sub(1)).chain(['…']).collect(),
    }
}

/// Where a dot stands, each from 0 to 1: scattered, and always the same for the same id.
fn place(id: &str) -> (f64, f64) {
    let hash = blake3::hash(id.as_bytes());
    let part = |at: usize| {
        let bytes = [hash.as_bytes()[at], hash.as_bytes()[at + 1]];
        f64::from(u16::from_le_bytes(bytes)) / 65_536.0
    };
    (part(0), part(2))
}

/// Two decimals are plenty for a picture.
#[must_use]
pub fn round(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_in_the_strip_cannot_break_out_of_it() {
        let mut piece = ripieno_score::nine_harbours().0;
        piece.sections[0].name = "</text><script>alert(1)</script>".to_owned();
        let svg = strip(&piece, &[], "\"><script>").into_string();
        assert!(!svg.contains("<script"), "{svg}");
    }

    #[test]
    fn a_take_keeps_its_place_in_the_crowd() {
        assert_eq!(place("a"), place("a"));
        assert_ne!(place("a"), place("b"));
        assert_eq!((bar_step(64, 960.0), bar_step(250, 960.0), bar_step(0, 340.0)), (1, 3, 1));
    }
}
