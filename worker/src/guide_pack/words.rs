//! The instructions, in plain words, made from the piece's own settings.

use super::chart::escape;
use ripieno_engine::mark::Kind;
use ripieno_score::Piece;
use std::fmt::Write;

/// Headed paragraphs that come out as text and as a page.
pub(super) struct Instructions {
    title: String,
    parts: Vec<Part>,
}

struct Part {
    heading: &'static str,
    lines: Vec<String>,
    /// A list of points and not running text.
    listed: bool,
}

/// The instructions for contributors to `piece`, whose opening mark is of the kind `mark`.
pub(super) fn instructions(piece: &Piece, mark: Kind) -> Instructions {
    let told = |heading, lines| Part { heading, lines, listed: false };
    let mut parts = vec![
        told("What this is", what_this_is(piece)),
        Part { heading: "In short", lines: in_short(piece, mark), listed: true },
        told("Mind your ears", hearing()),
        told("Set up", set_up(piece)),
        told("Record", record(piece, mark)),
        told("Check the tempo", tempo(piece)),
        told("How tight is too tight", tightness()),
        told("Before you send", before_sending(piece)),
        told("Rights and consent", rights(piece)),
        Part { heading: "What is in this pack", lines: contents(piece), listed: true },
    ];
    parts.retain(|part| !part.lines.is_empty());
    Instructions { title: format!("{}: how to take part", piece.title), parts }
}

fn what_this_is(piece: &Piece) -> Vec<String> {
    let about =
        piece.about.split("\n\n").map(|p| p.split_whitespace().collect::<Vec<_>>().join(" "));
    let mut lines: Vec<String> = about.filter(|p| !p.is_empty()).collect();
    lines.push(format!(
        "The music has {} bars and lasts {}. It is in {}. The chart shows its sections and chords.",
        piece.last_bar,
        minutes(piece.duration_s()),
        piece.key
    ));
    if !piece.wanted.is_empty() {
        lines.push(format!("Wanted most at the moment: {}", piece.wanted.join(" ")));
    }
    lines
}

/// The whole of it for people who read no further.
fn in_short(piece: &Piece, mark: Kind) -> Vec<String> {
    let mut lines = vec![
        "Play along with guide.wav in headphones, not too loud, and record only yourself.".into(),
        format!("Keep the opening mark, {} at the start, in your recording.", heard_as(mark).0),
        "Add no effects, and never reach full level.".into(),
        "Play with the crowd, not with a machine: a little early or late is right.".into(),
    ];
    lines.push(match &piece.deadline {
        Some(deadline) => format!("Send it by {}.", day_and_time(deadline)),
        None => "Send it from the page of the call.".into(),
    });
    lines
}

fn hearing() -> Vec<String> {
    vec![
        "Start with the volume all the way down and bring it up while the chords play. If somebody \
         next to you has to raise their voice to reach you, it is too loud. Rest your ears after \
         half an hour."
            .into(),
        "The guide is kept well below full level, and the marks are no louder than its other \
         sounds by much; still, never turn it up to hear the mark better."
            .into(),
    ]
}

fn set_up(piece: &Piece) -> Vec<String> {
    let rate = f64::from(piece.sample_rate_hz) / 1000.0;
    vec![
        "Play the guide (guide.wav) in headphones with a cable, and record yourself with a phone, \
         a recorder or a computer. Wireless headphones come late by a fifth of a second or so; if \
         you have nothing else, use them, and we set it right."
            .into(),
        format!(
            "If you can choose: record at {rate} kHz and 24 bits, as WAV or FLAC, mono or stereo. A \
             phone's own format is fine too. Do not convert a file into another format before you \
             send it."
        ),
        "Switch off whatever the device does to the sound: noise reduction, echo cancelling, \
         automatic level."
            .into(),
        "Choose a quiet room with something soft in it, and set the level so that your loudest \
         notes come close to full but never reach it."
            .into(),
    ]
}

/// What a mark sounds like, in short and at length. Of the organiser's own sound only its place
/// and its file are known.
fn heard_as(mark: Kind) -> (&'static str, &'static str) {
    match mark {
        Kind::Own => ("the sound", "the sound that mark-opening.wav holds"),
        _ => ("the sweeping tone", "a tone that sweeps up and down"),
    }
}

fn record(piece: &Piece, mark: Kind) -> Vec<String> {
    let mut lines = vec![
        format!(
            "The guide begins with the opening mark, {}, on the first beat of bar {}. A count-in \
             follows; the music begins at bar 1.",
            heard_as(mark).1,
            piece.marks.opening.bar
        ),
        "Keep the opening mark in your recording. It tells us to the thousandth of a second where \
         you are. Let the start of the guide sound from a loudspeaker or a headphone held to the \
         microphone, or, on a computer, put mark-opening.wav into your track exactly where the \
         guide has it. Then do not cut the beginning off."
            .into(),
        "Leave the rest of the guide out: no pulse and no chords in your recording, only you. Wear \
         the headphones so that they do not leak."
            .into(),
    ];
    if piece.marks.closing.is_some() {
        lines.push("Leave the closing mark out of what you send, too.".into());
    }
    lines.push(
        "Play as often or as little as suits you: one section is welcome. Stay silent for the rest \
         and leave the silence in. Nothing needs to be perfect; a slip is no reason to stop."
            .into(),
    );
    if let Some(fade) = piece.sections.iter().find(|section| section.played_fade) {
        lines.push(format!(
            "In {} (bars {} to {}) everyone simply plays quieter and quieter. Do not turn any knob \
             for it.",
            fade.name, fade.first_bar, fade.last_bar
        ));
    }
    lines
}

fn tempo(piece: &Piece) -> Vec<String> {
    let mut lines = vec![
        "If you record on a computer, load piece.mid or set the tempo by hand, and do not let the \
         program stretch the guide."
            .into(),
    ];
    if let Some(closing) = piece.marks.closing {
        lines.push(format!(
            "The closing mark lies on the first beat of bar {}, {} after bar 1. If your program's \
             grid has it there, your tempo is right. If it drifts away from the grid, the tempo or \
             the sample rate is set wrong.",
            closing.bar,
            minutes(piece.closing_mark_s().unwrap_or_default())
        ));
    }
    lines
}

fn tightness() -> Vec<String> {
    vec![
        "Play with the pulse, not on top of it. A crowd sounds like a crowd because nobody is \
         exactly together: being some hundredths of a second early or late is what we want. Do not \
         shift your notes onto a grid."
            .into(),
        "What you mean musically stays: playing behind the beat, a spread chord, a slide, a breath."
            .into(),
        "Too loose is when you hear yourself that a note belongs to another beat. Play that place \
         again."
            .into(),
    ]
}

fn before_sending(piece: &Piece) -> Vec<String> {
    let mut lines = vec![
        "No reverberation, no equaliser, no compressor, no pitch correction, no noise removal. We \
         need you dry; the room comes later, the same for all."
            .into(),
        "An echo or delay that belongs to your instrument and its music stays.".into(),
        "Bring the loudest place close to full level (normalise) if your program can do it without \
         changing anything else; never let it clip."
            .into(),
        "Send one file for each performance, from the opening mark to the end.".into(),
    ];
    if let Some(deadline) = &piece.deadline {
        lines.push(format!("The last day is {}.", day_and_time(deadline)));
    }
    lines
}

fn rights(piece: &Piece) -> Vec<String> {
    let wording = &piece.consent_wording;
    vec![
        "The form asks you to agree to this, word for word:".into(),
        format!("“{}”", wording.recording),
        format!("For the credits: “{}”", wording.credit),
        format!("For players who are minors, a parent or guardian: “{}”", wording.guardian),
        "Send only what you have played and may give away: no samples, loops or backing that \
         belong to others. Where you live other rules may hold; the law there comes first."
            .into(),
    ]
}

fn contents(piece: &Piece) -> Vec<String> {
    let closing = piece.marks.closing.is_some();
    let there = super::FILES.iter().filter(|file| closing || file.name != "mark-closing.wav");
    there.map(|file| format!("{}: {}", file.name, file.what)).collect()
}

/// "2 minutes 25 seconds".
fn minutes(seconds: f64) -> String {
    let seconds = seconds.round() as i64;
    let plural = |n: i64, what: &str| match n {
        1 => format!("1 {what}"),
        n => format!("{n} {what}s"),
    };
    match (seconds / 60, seconds % 60) {
        (0, s) => plural(s, "second"),
        (m, 0) => plural(m, "minute"),
        (m, s) => format!("{} {}", plural(m, "minute"), plural(s, "second")),
    }
}

/// "20 June 2027, 23:59 (UTC+01:00)" from RFC 3339; what can't be read is shown as it stands.
fn day_and_time(rfc3339: &str) -> String {
    const MONTHS: [&str; 12] = [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ];
    let read = || -> Option<String> {
        let year = rfc3339.get(0..4)?;
        let month: usize = rfc3339.get(5..7)?.parse().ok()?;
        let day: u32 = rfc3339.get(8..10)?.parse().ok()?;
        let time = rfc3339.get(11..16)?;
        let rest = rfc3339.get(19..)?.trim_start_matches(|c: char| c == '.' || c.is_ascii_digit());
        let zone = if rest.eq_ignore_ascii_case("z") { "UTC".into() } else { format!("UTC{rest}") };
        Some(format!("{day} {} {year}, {time} ({zone})", MONTHS.get(month.checked_sub(1)?)?))
    };
    read().unwrap_or_else(|| rfc3339.to_string())
}

/// Width of a line of text.
const COLUMNS: usize = 78;

impl Instructions {
    pub(super) fn as_text(&self) -> String {
        let mut text = format!("{}\n{}\n", self.title, "=".repeat(self.title.chars().count()));
        for part in &self.parts {
            let _ = write!(text, "\n{}\n{}\n", part.heading, "-".repeat(part.heading.len()));
            for line in &part.lines {
                wrap(&mut text, line);
            }
        }
        text
    }

    pub(super) fn as_html(&self, piece: &Piece) -> String {
        let mut body = String::new();
        for part in &self.parts {
            let _ = writeln!(body, "<section><h2>{}</h2>", escape(part.heading));
            let (open, tag, close) =
                if part.listed { ("<ul>\n", "li", "</ul>") } else { ("", "p", "") };
            body.push_str(open);
            for line in &part.lines {
                let _ = writeln!(body, "<{tag}>{}</{tag}>", escape(line));
            }
            body.push_str(close);
            body.push_str("</section>\n");
        }
        format!(
            "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
             <title>{}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>\n<h1>{}</h1>\n\
             {body}<h2 class=\"sheet\">Chart</h2>\n{}</main>\n</body>\n</html>\n",
            escape(&self.title),
            escape(&self.title),
            super::chart::figures(piece)
        )
    }
}

const STYLE: &str = "\
:root{color-scheme:light dark}\
body{margin:0;font:1.05rem/1.55 'DejaVu Sans',Verdana,sans-serif;background:#fbfcfc;color:#16242e}\
main{max-width:44rem;margin:0 auto;padding:1.2rem}\
h1{font-size:1.6rem;line-height:1.25}h2{font-size:1.15rem;margin:1.6rem 0 .3rem}p{margin:.4rem 0}\
ul{margin:.4rem 0;padding-left:1.2rem}li{margin:.3rem 0}\
@media(prefers-color-scheme:dark){body{background:#10191f;color:#e6edf0}}\
@page{size:A4;margin:16mm}\
@media print{body{font-size:10.5pt;background:#fff;color:#000}main{max-width:none;padding:0}\
h2{break-after:avoid}p,li{break-inside:avoid}.sheet{break-before:page}}";

fn wrap(text: &mut String, line: &str) {
    let mut column = 2;
    text.push_str("* ");
    for word in line.split_whitespace() {
        let width = word.chars().count();
        if column + width > COLUMNS && column > 2 {
            text.push_str("\n  ");
            column = 2;
        } else if column > 2 {
            text.push(' ');
            column += 1;
        }
        text.push_str(word);
        column += width;
    }
    text.push('\n');
}
