//! Hear a take: alone, laid against the guide, a little louder in the crowd.

use maud::{Markup, html};
use ripieno_store::Take;

use super::wave::Lies;
use crate::http::pieces::LoadedPiece;

/// What is heard, and by whom.
pub struct Listen<'a> {
    /// Where the recording is fetched.
    pub recording: &'a str,
    /// The heading over the recording alone.
    pub whose: &'a str,
    /// The take.
    pub take: &'a Take,
    /// Its piece.
    pub loaded: &'a LoadedPiece,
    /// The receipt's token, where the take can be heard in the crowd.
    pub louder: Option<&'a str>,
}

impl Listen<'_> {
    /// The sheet with everything to listen to. Scripts play take and guide on one clock.
    #[must_use]
    pub fn show(&self) -> Markup {
        let slug = &self.loaded.record.slug;
        let lies = Lies::of(&self.take.outcome);
        html! {
            section.sheet #listen data-recording=(self.recording)
                data-guide={ "/api/v1/pieces/" (slug) "/pack/guide.wav" }
                data-marks={ "/api/v1/pieces/" (slug) "/pack/marks.json" }
                data-bar1=[lies.map(|l| self.heard_from_s(l))]
                data-ratio-ppm=[lies.map(|l| l.ratio_ppm)] {
                h2 { "Listen" }
                h3 { (self.whose) }
                audio controls preload="none" src=(self.recording) aria-label=(self.whose) {}
                @if lies.is_some() { (self.against_the_guide()) }
                @if let Some(token) = self.louder { (self.in_the_crowd(token)) }
            }
        }
    }

    /// Where bar 1 lies in the file as the mix takes it: a lag that is taken back is taken back
    /// here too.
    fn heard_from_s(&self, lies: Lies) -> f64 {
        let lag_ms = self.take.outcome["lag_taken_back_ms"].as_f64().unwrap_or_default();
        lies.bar1_beat1_s + lag_ms * 1e-3
    }

    fn against_the_guide(&self) -> Markup {
        html! {
            div.only-script {
                h3 { "Together with the guide" }
                label for="from" { "From" }
                select #from {
                    @for section in &self.loaded.piece.sections {
                        @let (from_s, _) = self.loaded.piece.section_seconds(section);
                        option value=(from_s) { (section.name) }
                    }
                }
                p.row {
                    button.quiet type="button" data-together { "Against the guide" }
                    button.quiet type="button" data-stop disabled { "Stop" }
                }
                p #listen-says role="status" {}
            }
        }
    }

    /// A plain form; with scripts the sound comes to this page.
    fn in_the_crowd(&self, token: &str) -> Markup {
        html! {
            h3 { "In the crowd" }
            form #louder method="post" action={ "/receipt/" (token) "/louder" }
                data-ask={ "/api/v1/receipts/" (token) "/louder" } {
                label for="louder-section" { "Section" }
                select #louder-section name="section" {
                    @for section in &self.loaded.piece.sections {
                        option { (section.name) }
                    }
                }
                p.row { button.quiet type="submit" { "A little louder in the crowd" } }
                p #louder-says role="status" {}
                audio #louder-sound controls hidden aria-label="Your take in the crowd" {}
            }
        }
    }
}
