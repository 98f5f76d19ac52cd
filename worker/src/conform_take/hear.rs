//! The first pass: everything that is heard in a file, in one decoding.

use std::sync::Arc;

use ripieno_engine::decode::{DecodeError, Note, Recording};
use ripieno_engine::finding::Finding;
use ripieno_engine::inspect::fingerprint::{Fingerprint, Fingerprinter};
use ripieno_engine::inspect::{Inspector, Records, room};
use ripieno_engine::locate::{Arrival, Locator, SURE};
use ripieno_engine::onset::{Listener, Playing};
use ripieno_engine::plot::{Plot, Plotter};

use super::plan::ConformPlan;
use super::{HeardMark, Sound};

/// What the first pass heard.
pub(super) struct HeardTake {
    pub(super) sound: Sound,
    pub(super) records: Records,
    pub(super) playing: Playing,
    pub(super) opening: Vec<Arrival>,
    pub(super) closing: Vec<Arrival>,
    /// What the mark tells of the room.
    pub(super) room: Option<Finding>,
    pub(super) plot: Plot,
    pub(super) fingerprint: Fingerprint,
    pub(super) notes: Vec<Note>,
}

impl HeardTake {
    pub(super) fn marks(&self) -> Vec<HeardMark> {
        let named = |which, arrivals: &[Arrival]| -> Vec<HeardMark> {
            let of = |a: &Arrival| HeardMark { which, file_s: a.at_s, score: a.score };
            arrivals.iter().map(of).collect()
        };
        let mut marks = named("opening", &self.opening);
        marks.extend(named("closing", &self.closing));
        marks
    }
}

/// Decodes the recording once and hears all of it.
pub(super) fn hear(recording: &Recording, plan: &ConformPlan) -> Result<HeardTake, DecodeError> {
    let mut stream = recording.open()?;
    let info = stream.info().clone();
    let rate_hz = info.sample_rate_hz;
    let marks = plan.marks(rate_hz);
    let one_mark = marks.closing.is_none();
    let mut locator = Locator::of(Arc::clone(&marks.sought));
    let mut listener = Listener::new(rate_hz);
    let mut inspector = Inspector::new(rate_hz, usize::from(info.channels));
    let mut plotter = Plotter::new(rate_hz);
    let mut fingerprinter = Fingerprinter::new(rate_hz);
    let mut mixer = MonoMixer::default();
    let mut frames = 0u64;
    while let Some(block) = stream.next_block()? {
        let channels: Vec<&[f32]> = block.channels.iter().map(Vec::as_slice).collect();
        locator.push(&channels);
        let mono = mixer.mix(&channels);
        listener.push(mono);
        fingerprinter.push(mono);
        inspector.push(&channels);
        plotter.push(&channels);
        frames = block.first_frame + channels.first().map_or(0, |channel| channel.len()) as u64;
    }
    let notes = stream.notes().to_vec();
    let found = locator.finish_pair();
    let (opening, closing) = if one_mark {
        plan.grid().closing_mark_s.map_or((found.opening.clone(), Vec::new()), |end_s| {
            part_own_marks(&found.opening, end_s - plan.grid().opening_mark_s.unwrap_or(0.0))
        })
    } else {
        (found.opening, found.closing)
    };
    let playing = listener.finish();
    let room = match opening.first().filter(|arrival| arrival.score >= SURE) {
        Some(arrival) => room(recording, &marks.opening, arrival)?,
        None => None,
    };
    Ok(HeardTake {
        sound: Sound {
            container: info.container,
            codec: info.codec,
            sample_rate_hz: rate_hz,
            channels: info.channels,
            decoded_s: frames as f64 / f64::from(rate_hz),
        },
        room,
        records: inspector.finish(),
        opening,
        closing,
        plot: plotter.finish(),
        fingerprint: fingerprinter.finish(),
        playing,
        notes,
    })
}

/// How far from its place a closing mark may lie, as a share of the distance between the marks.
const TEMPO_SLACK: f64 = 0.012;

/// Where one sound serves as both marks: an arrival that lies the marks' distance after a better
/// or equally good one is a closing mark.
fn part_own_marks(arrivals: &[Arrival], apart_s: f64) -> (Vec<Arrival>, Vec<Arrival>) {
    let follows = |late: &Arrival| {
        arrivals.iter().any(|early| {
            let off = (late.at_s - early.at_s) / apart_s - 1.0;
            off.abs() < TEMPO_SLACK
        })
    };
    arrivals.iter().cloned().partition(|arrival| !follows(arrival))
}

/// Mixes channels to one for listening, without letting two that are upside down to each other
/// cancel.
#[derive(Default)]
struct MonoMixer {
    mixed: Vec<f32>,
    cross: f64,
    power: f64,
    turned: bool,
}

impl MonoMixer {
    fn mix<'a>(&'a mut self, channels: &[&'a [f32]]) -> &'a [f32] {
        match channels {
            [] => &[],
            [only] => only,
            [left, right, ..] => {
                self.weigh(left, right);
                let sign = if self.turned { -0.5 } else { 0.5 };
                self.mixed.clear();
                let pairs = left.iter().zip(*right);
                self.mixed.extend(pairs.map(|(left, right)| 0.5 * left + sign * right));
                &self.mixed
            }
        }
    }

    /// Every sixteenth frame tells enough of how the two belong together.
    fn weigh(&mut self, left: &[f32], right: &[f32]) {
        let (mut cross, mut power) = (0.0f32, 0.0f32);
        for (left, right) in left.iter().zip(right).step_by(16) {
            cross += left * right;
            power += left * left + right * right;
        }
        self.cross += f64::from(cross);
        self.power += f64::from(power);
        self.turned = self.cross < -0.25 * self.power;
    }
}
