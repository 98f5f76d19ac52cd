//! A note outside the mode, again and again in a section: an F sharp where the piece has F.

use super::{Take, harmony};
use crate::finding::{Finding, Severity};

/// A foreign note must be the strongest on so many beats of a section, and on this share of
/// them: overtones of a chord's notes are never the strongest.
const LEAST_STRONGEST: usize = 3;
const LEAST_SHARE: f64 = 0.11;

/// The take as a whole must follow the chart: what has no pitch of its own fits any note.
const FOLLOWS_CHART: f64 = 0.45;

/// Pitched beats a section needs to be judged.
const LEAST_BEATS: usize = 12;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let scale = take.expected.scale?;
    let beats = harmony::beats(take);
    let likeness: f64 = beats.iter().map(|b| harmony::likeness(&b.heard, &b.chart)).sum();
    if likeness < FOLLOWS_CHART * beats.len() as f64 {
        return None;
    }
    let mut worst: Option<(f64, usize)> = None;
    let mut places = Vec::new();
    for (section, range) in harmony::section_beats(take).into_iter().enumerate() {
        let inside: Vec<_> = beats.iter().filter(|beat| range.contains(&beat.beat)).collect();
        if inside.len() < LEAST_BEATS {
            continue;
        }
        // A note that the section's own chords have is at home there whatever the mode.
        let written = |class: usize| inside.iter().any(|beat| beat.chart[class] > 0.0);
        let strongest = |class: usize| {
            let top = |heard: &[f32; 12]| (0..12).all(|other| heard[class] >= heard[other]);
            inside.iter().filter(|beat| top(&beat.heard)).count()
        };
        let foreign = (0..12)
            .filter(|class| !scale[*class] && !written(*class))
            .map(|class| (strongest(class), class))
            .max();
        let Some((count, class)) = foreign else { continue };
        let share = count as f64 / inside.len() as f64;
        if count >= LEAST_STRONGEST && share >= LEAST_SHARE {
            if worst.is_none_or(|worst| share > worst.0) {
                worst = Some((share, class));
            }
            let (begin, end) = take.grid.sections[section];
            places.extend(take.file_time_s(begin).zip(take.file_time_s(end)));
        }
    }
    let (share, class) = worst?;
    let says = format!(
        "We hear a lot of {}, which is not in the mode of this piece, in the marked sections. \
         Please look at the chart: this note may need to be a semitone lower or higher.",
        harmony::name(class)
    );
    let finding = Finding::new("wrong_mode", Severity::Advice, says);
    Some(finding.measuring(share * 100.0, "% of the beats").at(places))
}
