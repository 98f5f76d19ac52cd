//! One section's music played in the place of another, or playing where this part is silent.

use super::{Take, harmony, pitch};
use crate::finding::{Finding, Severity};

/// Another section's chords must fit so much better than its own.
const BETTER_BY: f64 = 0.15;

/// Pitched beats a section needs to be judged.
const LEAST_BEATS: usize = 12;

/// A section counts as played when so much of it lies within this of the loud playing.
const PLAYED_SHARE: f64 = 0.3;
const PLAYED_DB: f64 = 25.0;

pub(super) fn check(take: &Take) -> Option<Finding> {
    unasked(take).or_else(|| misplaced(take))
}

/// Playing in a section where the part has none.
fn unasked(take: &Take) -> Option<Finding> {
    let wanted = take.expected.sections.as_deref()?;
    let profile = &take.records.profile;
    let loud = super::profile::quantile(&profile.sorted_levels_db(take.span_s()), 0.95);
    let mut places = Vec::new();
    for ((begin, end), wanted) in take.grid.sections.iter().zip(wanted) {
        let span = take.file_time_s(*begin).zip(take.file_time_s(*end))?;
        let hops = profile.hops_in(span);
        let played = hops.clone().filter(|hop| profile.level_db(*hop) > loud - PLAYED_DB).count();
        if !wanted && played as f64 > PLAYED_SHARE * hops.len() as f64 {
            places.push(span);
        }
    }
    if places.is_empty() {
        return None;
    }
    let says = "You play in a section where your part is silent; it is marked on the picture. \
                Nothing is lost: the organiser can leave it out.";
    let finding = Finding::new("wrong_section", Severity::Advice, says);
    Some(finding.measuring(places.len() as f64, "sections").at(places))
}

/// A section whose chords are those of another.
fn misplaced(take: &Take) -> Option<Finding> {
    if !pitch::has_key(take) {
        return None;
    }
    let beats = harmony::beats(take);
    let sections = harmony::section_beats(take);
    let chart = |beat: usize| take.grid.chroma.get(beat).copied().unwrap_or([0.0; 12]);
    let mut places = Vec::new();
    for (own, range) in sections.iter().enumerate() {
        let inside: Vec<_> = beats.iter().filter(|beat| range.contains(&beat.beat)).collect();
        if inside.len() < LEAST_BEATS {
            continue;
        }
        let fit = |other: &std::ops::Range<usize>| -> f64 {
            let at = |beat: usize| other.start + (beat - range.start) % other.len().max(1);
            let sum: f64 = inside
                .iter()
                .map(|beat| harmony::likeness(&beat.heard, &chart(at(beat.beat))))
                .sum();
            sum / inside.len() as f64
        };
        let others = sections.iter().enumerate().filter(|(other, _)| *other != own);
        let best = others.map(|(_, other)| fit(other)).fold(0.0, f64::max);
        if best > fit(range) + BETTER_BY {
            let (begin, end) = take.grid.sections[own];
            places.extend(take.file_time_s(begin).zip(take.file_time_s(end)));
        }
    }
    if places.is_empty() {
        return None;
    }
    let says = "In the marked places your chords are those of another section. Please compare \
                with the chart whether you repeated or left out a part.";
    let finding = Finding::new("wrong_section", Severity::Advice, says);
    Some(finding.measuring(places.len() as f64, "sections").at(places))
}
