//! Tables as comma-separated values that a spreadsheet may open without harm.

/// One cell.
pub(crate) enum Cell<'c> {
    /// Text from people: defused, and quoted where it must be.
    Text(&'c str),
    /// A number or a word of our own, written as it is.
    Plain(String),
}

/// A line of RFC 4180, with its line end.
///
/// A text that a spreadsheet would take for a formula gets an apostrophe before it: one that
/// begins with `=`, `+`, `-`, `@` (or their full-width forms), a tab or a line break, as the OWASP
/// page on CSV injection advises, spaces before it passed over.
pub(crate) fn line(cells: &[Cell<'_>]) -> String {
    let mut line = String::new();
    for (index, cell) in cells.iter().enumerate() {
        if index > 0 {
            line.push(',');
        }
        match cell {
            Cell::Plain(text) => line.push_str(text),
            Cell::Text(text) => push_text(&mut line, text),
        }
    }
    line.push_str("\r\n");
    line
}

fn push_text(line: &mut String, text: &str) {
    const FORMULA: [char; 12] = [
        '=', '+', '-', '@', '\t', '\r', '\n', '\u{FF1D}', '\u{FF0B}', '\u{FF0D}', '\u{FF20}', '\0',
    ];
    let harmful = text.starts_with(FORMULA) || text.trim_start().starts_with(FORMULA);
    let defused = if harmful { format!("'{text}") } else { text.to_string() };
    if defused.contains(['"', ',', '\n', '\r']) || defused.trim() != defused {
        line.push('"');
        line.push_str(&defused.replace('"', "\"\""));
        line.push('"');
    } else {
        line.push_str(&defused);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(text: &str) -> String {
        line(&[Cell::Text(text)]).trim_end_matches("\r\n").to_string()
    }

    #[test]
    fn formulas_are_defused_and_text_is_quoted() {
        assert_eq!(text("=1+1"), "'=1+1");
        assert_eq!(text("  @SUM(A1)"), "'  @SUM(A1)");
        assert_eq!(text("-2"), "'-2");
        assert_eq!(text("\u{FF1D}1"), "'\u{FF1D}1");
        assert_eq!(text("=HYPERLINK(\"x\",\"y\")"), "\"'=HYPERLINK(\"\"x\"\",\"\"y\"\")\"");
        assert_eq!(text("a, b"), "\"a, b\"");
        assert_eq!(text("Ada = Bo"), "Ada = Bo");
    }

    #[test]
    fn numbers_of_our_own_stay_numbers() {
        assert_eq!(line(&[Cell::Plain("-2.5".into()), Cell::Text("x")]), "-2.5,x\r\n");
    }
}
