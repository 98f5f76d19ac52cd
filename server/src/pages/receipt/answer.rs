//! Answers to what a take asks: choosing a place by ear, saying one, nudging.

use maud::{Markup, html};
use ripieno_score::TakeState;
use ripieno_store::Take;
use serde::Deserialize;

use crate::http::problem::{Answer, Problem};
use crate::http::receipts::{self, CandidateBody};
use crate::http::takes::correction::CorrectionBody;

/// What is sent to answer a question or to nudge, as a plain form.
#[derive(Debug, Default, Deserialize)]
pub struct AnswerForm {
    candidate: Option<String>,
    bar1_beat1_s: Option<String>,
    nudge_ms: Option<String>,
    nudge_beats: Option<String>,
    state: Option<String>,
}

impl AnswerForm {
    /// As the interface takes it; a nudge in beats is told in milliseconds of the piece's tempo.
    ///
    /// # Errors
    /// 400 for what is no number.
    pub fn to_correction(&self, piece: &ripieno_score::Piece) -> Answer<CorrectionBody> {
        let given = |text: &Option<String>| {
            text.as_deref().map(str::trim).filter(|t| !t.is_empty()).map(str::to_owned)
        };
        let number = |text: &Option<String>| -> Answer<Option<f64>> {
            let Some(text) = given(text) else { return Ok(None) };
            // A decimal comma is what many keyboards give.
            let read = text.replace(',', ".").replace('\u{2212}', "-").parse::<f64>();
            read.map(Some)
                .map_err(|_| Problem::bad_request(format!("“{text}” is no number to nudge by.")))
        };
        let beat_ms = piece.tempo.beat_length_s(ripieno_score::Position::bar_start(1)) * 1000.0;
        let beats = number(&self.nudge_beats)?.map(|beats| beats * beat_ms);
        let nudge_ms = match (number(&self.nudge_ms)?, beats) {
            (None, None) => None,
            (ms, beats) => Some(ms.unwrap_or_default() + beats.unwrap_or_default()),
        };
        let candidate =
            match given(&self.candidate) {
                None => None,
                Some(text) => Some(text.parse().map_err(|_| {
                    Problem::bad_request("Choose one of the places that are offered.")
                })?),
            };
        let bar1_beat1_s = number(&self.bar1_beat1_s)?;
        Ok(CorrectionBody { candidate, bar1_beat1_s, nudge_ms, state: given(&self.state) })
    }
}

/// What the contributor can answer, when the take asks; `to` is where the forms go.
#[must_use]
pub fn answers(take: &Take, to: &str) -> Markup {
    if take.state != TakeState::Asks {
        return html! {};
    }
    let candidates = receipts::candidates(take);
    match candidates.as_slice() {
        _ if !receipts::asks_for_its_place(take) => for_the_organiser(),
        [] => own_place(to),
        [only] => does_it_fit(only, to),
        several => which_place(several, to),
    }
}

/// Nothing here to choose: another recording, or the organiser's word.
fn for_the_organiser() -> Markup {
    html! {
        section.sheet {
            h2 { "What you can do" }
            p { "Send another recording, if that is what helps. If this one is right as it is, you "
                "need do nothing: the organiser listens to it and decides." }
        }
    }
}

fn which_place(candidates: &[CandidateBody], to: &str) -> Markup {
    html! {
        section.sheet {
            h2 { "Which one is right?" }
            p { "We could not tell for sure where your playing begins. Listen to each place "
                "together with the guide, then choose the one that fits." }
            form method="post" action=(to) {
                fieldset {
                    legend { "Places" }
                    @for (index, candidate) in candidates.iter().enumerate() {
                        div.row {
                            label.tick {
                                input type="radio" name="candidate" required
                                    value=(candidate.number);
                                span { "Bar 1 at " (exact_minutes(candidate.bar1_beat1_s))
                                    " of your recording"
                                    @if index == 0 { " (the likeliest)" } }
                            }
                            (try_button(candidate))
                        }
                    }
                }
                button type="submit" { "This one is right" }
            }
        }
    }
}

fn does_it_fit(only: &CandidateBody, to: &str) -> Markup {
    html! {
        section.sheet {
            h2 { "Does it fit?" }
            p { "We would lay your recording with bar 1 at " (exact_minutes(only.bar1_beat1_s))
                ". Listen to it together with the guide, near the beginning and near the end. If "
                "both fit, say so; if not, nudge it below or send another recording." }
            form.row method="post" action=(to) {
                input type="hidden" name="candidate" value=(only.number);
                (try_button(only))
                button type="submit" { "It fits" }
            }
        }
    }
}

/// Plays a place together with the guide; for scripts alone.
#[must_use]
pub fn try_button(candidate: &CandidateBody) -> Markup {
    html! {
        button.quiet.only-script type="button" data-try data-bar1=(candidate.bar1_beat1_s)
            data-ratio-ppm=(candidate.ratio_ppm) { "Listen to this place" }
    }
}

/// For a take that fits nowhere by itself: its player can say where bar 1 begins.
fn own_place(to: &str) -> Markup {
    html! {
        section.sheet {
            h2 { "Where does the piece begin in your recording?" }
            p { "Listen to your recording and note the second at which you play the first "
                "beat of bar 1, or where it would be if you join in later. You can nudge it "
                "afterwards." }
            form method="post" action=(to) {
                label for="f-place" { "Seconds from the start of the file" }
                input #f-place type="number" name="bar1_beat1_s" step="0.001" required
                    inputmode="decimal";
                p.row { button type="submit" { "Bar 1 begins there" } }
            }
        }
    }
}

/// Moves the take by milliseconds and beats.
#[must_use]
pub fn nudge(take: &Take, to: &str) -> Markup {
    if take.state != TakeState::Placed && take.state != TakeState::Asks {
        return html! {};
    }
    let now = take.corrections["nudge_ms"].as_f64().unwrap_or_default();
    html! {
        details.sheet open[now != 0.0] {
            summary { "It lies a little early or late? Nudge it" }
            p { "A crowd lives from small differences; nudge only what sounds wrong to you. "
                "Now: " strong { (now) " ms" } ". A later number makes your take sound later." }
            form method="post" action=(to) {
                label for="f-nudge" { "Milliseconds" }
                input #f-nudge type="number" name="nudge_ms" step="0.1" min="-5000" max="5000"
                    inputmode="decimal" value=(now);
                label for="f-beats" { "and beats" }
                input #f-beats type="number" name="nudge_beats" step="0.25" min="-8" max="8"
                    inputmode="decimal" value="0";
                p.row { button type="submit" { "Nudge" } }
            }
        }
    }
}

/// `1:04.25`.
fn exact_minutes(seconds: f64) -> String {
    let minutes = (seconds / 60.0).floor();
    format!("{minutes:.0}:{:05.2}", seconds - minutes * 60.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_nudge_is_read_as_people_type_it() {
        let piece = ripieno_score::nine_harbours().0;
        let form = |ms: &str, beats: &str| AnswerForm {
            nudge_ms: Some(ms.to_owned()),
            nudge_beats: Some(beats.to_owned()),
            ..AnswerForm::default()
        };
        let nudged = |ms, beats| form(ms, beats).to_correction(&piece).unwrap().nudge_ms;
        assert_eq!(nudged("12,5", ""), Some(12.5));
        assert_eq!(nudged("\u{2212}3", "0"), Some(-3.0));
        assert_eq!(nudged("", ""), None);
        let beat = nudged("", "1").unwrap();
        assert!((beat - 60_000.0 / 132.0).abs() < 1e-6, "{beat}");
        assert!(form("soon", "").to_correction(&piece).is_err());
    }
}
