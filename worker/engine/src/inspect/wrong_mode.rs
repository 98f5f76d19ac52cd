//! A note outside the mode, again and again in a section: an F sharp where the piece has F.

use super::harmony::{self, BeatHarmony};
use super::{Take, pitch};
use crate::finding::{Finding, Severity};

/// A foreign note is one of the notes of a beat from this share of them on.
const HEARD: f32 = 0.1;

/// In place of the chart's: on so many of the beats that have it in the chart, on this share of
/// them, and for each beat with the chart's own note so many with the foreign one. In takes
/// without a fault a foreign note is hardly ever heard more often than its neighbour in the mode.
const LEAST_REPLACED: usize = 3;
const REPLACED_SHARE: f64 = 0.15;
const OFTENER: usize = 3;

/// Anywhere in a section it must be the strongest on so many beats and on this share of them:
/// overtones of a chord's notes seldom are …
const LEAST_STRONGEST: usize = 3;
const STRONGEST_SHARE: f64 = 0.11;

/// … and where the note in whose place it might be is heard as well, on this share: in sounds made
/// of fifths, or of bars and bells, an overtone was the strongest on up to a sixth.
const BESIDE_SHARE: f64 = 0.25;

/// The take as a whole must follow the chart: what has no pitch of its own fits any note.
const FOLLOWS_CHART: f64 = 0.45;

/// Pitched beats a section needs to be judged.
const LEAST_BEATS: usize = 12;

/// A note that has no place in a section.
#[derive(Debug, Clone, Copy)]
struct Foreign {
    class: usize,
    /// The note of the chart that it is played for, if it is known.
    instead_of: Option<usize>,
    /// Share of the section's beats.
    share: f64,
}

pub(super) fn check(take: &Take) -> Option<Finding> {
    let scale = take.expected.scale?;
    if !pitch::is_pitched(take) {
        return None;
    }
    let beats = harmony::beats(take);
    let mut worst: Option<Foreign> = None;
    let mut places = Vec::new();
    for (section, range) in harmony::section_beats(take).into_iter().enumerate() {
        let inside: Vec<_> =
            beats.iter().filter(|beat| range.contains(&beat.beat)).copied().collect();
        if inside.len() < LEAST_BEATS {
            continue;
        }
        let Some(foreign) = stranger(&inside, &beats, &scale) else { continue };
        if worst.is_none_or(|worst| foreign.share > worst.share) {
            worst = Some(foreign);
        }
        let (begin, end) = take.grid.sections[section];
        places.extend(take.file_time_s(begin).zip(take.file_time_s(end)));
    }
    let foreign = worst?;
    let finding = Finding::new("wrong_mode", Severity::Advice, says(foreign));
    Some(finding.measuring(foreign.share * 100.0, "% of the beats").at(places))
}

/// The note of a section that has no place there and is heard most.
fn stranger(inside: &[BeatHarmony], take: &[BeatHarmony], scale: &[bool; 12]) -> Option<Foreign> {
    // A note that the section's own chords have is at home there whatever the mode.
    let written = |class: usize| inside.iter().any(|beat| beat.chart[class] > 0.0);
    let neighbours = |class: usize| [(class + 1) % 12, (class + 11) % 12].into_iter();
    (0..12)
        .filter(|class| !scale[*class] && !written(*class))
        .flat_map(|class| {
            let own = neighbours(class).filter(|own| scale[*own] && written(*own));
            let replaced = own.filter_map(move |own| replaced(inside, class, own));
            beside(inside, class).into_iter().chain(replaced)
        })
        .filter(|foreign| follows_chart(take, foreign))
        .max_by(|a, b| a.share.total_cmp(&b.share))
}

/// A note that is heard instead of one of the chart's, which is hardly heard itself: where the
/// chart has that, or as the strongest anywhere.
fn replaced(beats: &[BeatHarmony], class: usize, own: usize) -> Option<Foreign> {
    let on = |written: bool, class: usize| {
        let asked = beats.iter().filter(|beat| !written || beat.chart[own] > 0.0);
        asked.filter(|beat| beat.heard[class] > HEARD).count()
    };
    let written = beats.iter().filter(|beat| beat.chart[own] > 0.0).count();
    let (count, strongest) = (on(true, class), strongest(beats, class));
    let there = is_often(count, LEAST_REPLACED, REPLACED_SHARE, written)
        && count >= OFTENER * on(true, own);
    let anywhere = is_often(strongest, LEAST_STRONGEST, STRONGEST_SHARE, beats.len())
        && on(false, class) >= OFTENER * on(false, own);
    let share = count.max(strongest) as f64 / beats.len() as f64;
    (there || anywhere).then_some(Foreign { class, instead_of: Some(own), share })
}

/// A note that is the strongest time and again, whatever else is heard.
fn beside(beats: &[BeatHarmony], class: usize) -> Option<Foreign> {
    let count = strongest(beats, class);
    let share = count as f64 / beats.len() as f64;
    is_often(count, LEAST_STRONGEST, BESIDE_SHARE, beats.len()).then_some(Foreign {
        class,
        instead_of: None,
        share,
    })
}

fn strongest(beats: &[BeatHarmony], class: usize) -> usize {
    let top = |heard: &[f32; 12]| (0..12).all(|other| heard[class] >= heard[other]);
    beats.iter().filter(|beat| top(&beat.heard)).count()
}

fn is_often(count: usize, least: usize, share: f64, of: usize) -> bool {
    count >= least && count as f64 >= share * of as f64
}

/// Whether the take has the chart's chords, but for the one note that is put right.
fn follows_chart(beats: &[BeatHarmony], foreign: &Foreign) -> bool {
    let likeness = |beat: &BeatHarmony| {
        let mut heard = beat.heard;
        if let Some(own) = foreign.instead_of {
            heard[own] += std::mem::take(&mut heard[foreign.class]);
        }
        harmony::likeness(&heard, &beat.chart)
    };
    beats.iter().map(likeness).sum::<f64>() >= FOLLOWS_CHART * beats.len() as f64
}

fn says(foreign: Foreign) -> String {
    let heard = harmony::name(foreign.class);
    match foreign.instead_of {
        Some(own) => format!(
            "In the marked sections we hear {heard} where the chart has {}. Please look at the \
             chart: the piece is in another mode than you may be used to.",
            harmony::name(own)
        ),
        None => format!(
            "We hear a lot of {heard}, which is not in the mode of this piece, in the marked \
             sections. Please look at the chart: this note may need to be a semitone lower or \
             higher."
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// G mixolydian.
    const SCALE: [bool; 12] =
        [true, false, true, false, true, true, false, true, false, true, false, true];

    fn classes(notes: &[(usize, f32)]) -> [f32; 12] {
        let mut classes = [0.0; 12];
        notes.iter().for_each(|(class, share)| classes[*class] = *share);
        classes
    }

    /// A D minor chord and a G chord in turn, as played by the third of the one and the strongest
    /// of the other.
    fn section(third: &[(usize, f32)], every: usize) -> Vec<BeatHarmony> {
        let d_minor = classes(&[(2, 1.0), (5, 1.0), (9, 1.0)]);
        let g = classes(&[(7, 1.0), (11, 1.0), (2, 1.0)]);
        (0..20)
            .map(|beat| {
                let (mut heard, chart) = match beat % 2 {
                    0 => (classes(&[(2, 0.5), (9, 0.25)]), d_minor),
                    _ => (classes(&[(7, 0.5), (2, 0.3), (11, 0.2)]), g),
                };
                let own = [(5, 0.25)];
                let third = if beat % every == 0 { third } else { &own };
                if beat % 2 == 0 {
                    third.iter().for_each(|(class, share)| heard[*class] = *share);
                }
                BeatHarmony { beat, heard, chart }
            })
            .collect()
    }

    fn heard_for(beats: &[BeatHarmony]) -> Option<(usize, Option<usize>)> {
        stranger(beats, beats, &SCALE).map(|foreign| (foreign.class, foreign.instead_of))
    }

    #[test]
    fn a_third_that_is_never_the_loudest_note_is_heard_to_be_in_the_place_of_another() {
        assert_eq!(heard_for(&section(&[(6, 0.25)], 2)), Some((6, Some(5))));
    }

    #[test]
    fn a_few_slips_and_overtones_beside_the_note_itself_are_no_other_mode() {
        assert_eq!(heard_for(&section(&[(5, 0.25)], 2)), None);
        assert_eq!(heard_for(&section(&[(6, 0.25)], 10)), None);
        assert_eq!(heard_for(&section(&[(6, 0.7), (5, 0.25)], 6)), None);
    }

    #[test]
    fn a_note_that_the_chart_has_is_at_home() {
        let mut beats = section(&[(6, 0.25)], 2);
        beats[0].chart[6] = 1.0;
        assert_eq!(heard_for(&beats), None);
    }

    #[test]
    fn what_does_not_follow_the_chart_at_all_is_not_judged() {
        let mut beats = section(&[(6, 0.25)], 2);
        for beat in &mut beats {
            beat.heard = classes(&[(6, 0.5), (10, 0.5)]);
        }
        assert_eq!(heard_for(&beats), None);
    }
}
