//! Versions of the map: what each is about, what has changed since, and back to one.

use maud::{Markup, html};
use ripieno_store::SavedVersion;

use super::sentences;
use crate::http::App;
use crate::http::arrangements::versions::changes_between;
use crate::http::pieces::LoadedPiece;
use crate::http::problem::Answer;
use crate::pages::words;

/// Versions shown at once; the rest is folded away.
const NEWEST: usize = 5;

/// All versions, and one compared with what stands.
pub(super) struct Versions {
    saved: Vec<SavedVersion>,
    standing: i64,
    compared: Option<(i64, Vec<String>)>,
}

impl Versions {
    /// Reads them; a version that cannot be compared (it fits the piece no longer, or never was)
    /// is left out.
    ///
    /// # Errors
    /// A fault of the store.
    pub(super) async fn of(
        app: &App,
        loaded: &LoadedPiece,
        standing: i64,
        compare: Option<i64>,
    ) -> Answer<Self> {
        let saved = app.store.arrangement_history(&loaded.record.id).await?;
        let compared = match compare.filter(|version| (0..standing).contains(version)) {
            Some(from) => {
                let changes = changes_between(app, loaded, from, standing).await.ok();
                changes.map(|changes| (from, changes))
            }
            None => None,
        };
        Ok(Self { saved, standing, compared })
    }

    /// What has changed since the version asked about.
    pub(super) fn compared(&self, slug: &str) -> Markup {
        let Some((from, changes)) = &self.compared else { return html! {} };
        html! {
            section.sheet #saved {
                h2 { "From version " (from) " to version " (self.standing) }
                (sentences(changes))
                @if *from > 0 && *from == self.standing - 1 {
                    (restore(slug, *from, self.standing, "Undo it"))
                }
            }
        }
    }

    /// Every version, newest first.
    pub(super) fn list(&self, slug: &str) -> Markup {
        html! {
            section.sheet #versions {
                h2 { "Versions" }
                @if self.saved.is_empty() {
                    p { "None is saved yet: every group plays everywhere." }
                }
                @let (new, old) = self.saved.split_at(self.saved.len().min(NEWEST));
                @for version in new { (self.line(slug, version)) }
                @if !old.is_empty() {
                    details {
                        summary { "Earlier versions" }
                        @for version in old { (self.line(slug, version)) }
                    }
                }
            }
        }
    }

    fn line(&self, slug: &str, version: &SavedVersion) -> Markup {
        let number = version.version;
        html! {
            article aria-label={ "Version " (number) } {
                h3 { "Version " (number)
                    @if number == self.standing { ", the one that stands" } }
                @if !version.note.is_empty() { p { (version.note) } }
                p.soft { "Saved by " (version.saved_by) ", " (words::instant(version.saved_at)) }
                @if number != self.standing {
                    div.row {
                        a.button.quiet href={ "/desk/" (slug) "/arrangement?compare=" (number)
                            "#saved" } { "What has changed since" }
                        (restore(slug, number, self.standing, "Let it stand again"))
                    }
                }
            }
        }
    }
}

/// A button that lets an earlier version stand again in place of the one that was read.
fn restore(slug: &str, version: i64, read: i64, says: &str) -> Markup {
    html! {
        form method="post" action={ "/desk/" (slug) "/arrangement/restore" } {
            input type="hidden" name="version" value=(version);
            input type="hidden" name="read" value=(read);
            button.quiet type="submit" { (says) }
        }
    }
}
