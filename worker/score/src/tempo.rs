//! The tempo map: bars and beats in, seconds and samples out, exactly.

mod change;
#[cfg(test)]
mod tests;

pub use change::{Metre, MetreChange, TempoChange, TempoEntry, TempoError};

use num_rational::BigRational;
use num_traits::{ToPrimitive, Zero};

use crate::exact::{Fraction, big, float};
use crate::position::{FIRST_BAR, LAST_BAR, Position};

/// The most tempo changes or metre changes a piece may have.
pub const MOST_CHANGES: usize = 20_000;
/// The most bits the common denominator of all tempos may have; 300 different tempos of four
/// digits stay far below it. It bounds what a hostile document can cost.
const MOST_DENOMINATOR_BITS: u64 = 4_096;

/// A beat of the piece on the clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beat {
    /// Its bar and number.
    pub position: Position,
    /// Its piece time in seconds.
    pub at_s: f64,
    /// Whether it is the first of its bar.
    pub is_bar: bool,
}

/// A place found from a time: the beat has a fraction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlaceInMusic {
    /// The bar, 1 the first.
    pub bar: i32,
    /// The beat in it, from 1.
    pub beat: f64,
}

/// Tempo and metre along a piece. Time 0 is bar 1 beat 1; before it, the first tempo and metre
/// are extended backwards. Everything inside is an exact fraction, rounded once on the way out.
#[derive(Clone, Debug, PartialEq)]
pub struct TempoMap {
    tempos: Vec<TempoChange>,
    metres: Vec<MetreChange>,
    bars_from: Vec<Fraction>,
    stretches: Vec<Stretch>,
}

/// From one tempo change to the next. The time since its start, x whole notes in, is
/// `pace·x + growth·x²/2` seconds: a straight line in the beat's length, hence exact when gliding.
#[derive(Clone, Debug, PartialEq)]
struct Stretch {
    from: Fraction,
    from_s: BigRational,
    pace: BigRational,
    growth: BigRational,
}

impl Stretch {
    fn seconds_at(&self, whole_notes: &Fraction) -> BigRational {
        let along = big(&(whole_notes - self.from));
        let bend = &self.growth * &along * big(&Fraction::new(1, 2));
        &self.from_s + (&self.pace + bend) * along
    }
}

impl Default for TempoMap {
    /// 120 quarter notes a minute in 4/4.
    fn default() -> TempoMap {
        TempoMap::lay_out(
            vec![TempoChange {
                at: Position::bar_start(1),
                bpm: Fraction::from_integer(120),
                beat_unit: Fraction::new(1, 4),
                glide: false,
            }],
            vec![MetreChange { bar: 1, metre: Metre { beats: 4, unit: 4 } }],
        )
    }
}

impl TempoMap {
    /// A map of these changes, both in order and both beginning at bar 1; else every fault found.
    pub fn new(
        tempos: Vec<TempoChange>,
        metres: Vec<MetreChange>,
    ) -> Result<TempoMap, Vec<TempoError>> {
        let mut faults = change::metre_faults(&metres);
        faults.extend(change::tempo_faults(&tempos));
        if !faults.is_empty() {
            return Err(faults);
        }
        let map = TempoMap::lay_out(tempos, metres);
        match map.first_place_too_fine() {
            None => Ok(map),
            Some(fault) => Err(vec![fault]),
        }
    }

    /// One tempo and one metre all along: `beats_per_minute` of the metre's own unit.
    pub fn steady(beats_per_minute: u32, metre: Metre) -> Option<TempoMap> {
        let unit = Fraction::new(1, metre.unit.into());
        let bpm = Fraction::from_integer(beats_per_minute.into());
        let tempo = TempoChange::exact(Position::bar_start(1), bpm, unit, false)?;
        TempoMap::new(vec![tempo], vec![MetreChange { bar: 1, metre }]).ok()
    }

    fn lay_out(tempos: Vec<TempoChange>, metres: Vec<MetreChange>) -> TempoMap {
        let mut bars_from = vec![Fraction::zero()];
        for pair in metres.windows(2) {
            let bars = Fraction::from_integer((pair[1].bar - pair[0].bar).into());
            let start = bars_from[bars_from.len() - 1] + bars * pair[0].metre.whole_notes();
            bars_from.push(start);
        }
        let mut map = TempoMap { tempos, metres, bars_from, stretches: Vec::new() };
        let mut from_s = BigRational::zero();
        for index in 0..map.tempos.len() {
            let tempo = &map.tempos[index];
            let from = map.whole_notes_at(&tempo.at);
            let pace = tempo.seconds_per_whole();
            let next = map.tempos.get(index + 1);
            let growth = match next.filter(|_| tempo.glide) {
                Some(next) => {
                    let length = big(&(map.whole_notes_at(&next.at) - from));
                    (next.seconds_per_whole() - &pace) / length
                }
                None => BigRational::zero(),
            };
            let stretch = Stretch { from, from_s: from_s.clone(), pace, growth };
            if let Some(next) = next {
                from_s = stretch.seconds_at(&map.whole_notes_at(&next.at));
            }
            map.stretches.push(stretch);
            if from_s.denom().bits() > MOST_DENOMINATOR_BITS {
                break;
            }
        }
        map
    }

    fn first_place_too_fine(&self) -> Option<TempoError> {
        let given_up = self.stretches.len() < self.tempos.len();
        let outside = |change: &TempoChange| {
            let metre = self.metre_at(change.at.bar());
            change.at.exact_beat() >= Fraction::from_integer(i128::from(metre.beats) + 1)
        };
        if let Some(index) = self.tempos.iter().position(outside) {
            let metre = self.metre_at(self.tempos[index].at.bar());
            return Some(TempoError {
                entry: TempoEntry::Tempo(index),
                what: format!(
                    "there is no beat {} in a bar of {metre}",
                    self.tempos[index].at.beat()
                ),
                instead: format!("name a beat from 1 to {}", metre.beats),
            });
        }
        given_up.then(|| TempoError {
            entry: TempoEntry::Tempo(self.stretches.len()),
            what: "so many unlike tempos cannot be added up exactly".into(),
            instead: "round the tempos, or let a few of them glide".into(),
        })
    }

    /// The tempo changes, in order.
    pub fn tempos(&self) -> &[TempoChange] {
        &self.tempos
    }

    /// The metre changes, in order.
    pub fn metres(&self) -> &[MetreChange] {
        &self.metres
    }

    /// The metre of a bar.
    pub fn metre_at(&self, bar: i32) -> Metre {
        self.metres[self.metre_index(bar)].metre
    }

    fn metre_index(&self, bar: i32) -> usize {
        self.metres.partition_point(|change| change.bar <= bar).saturating_sub(1)
    }

    /// The place in whole notes from bar 1 beat 1.
    pub(crate) fn whole_notes_at(&self, position: &Position) -> Fraction {
        let index = self.metre_index(position.bar());
        let change = &self.metres[index];
        let bars = Fraction::from_integer((position.bar() - change.bar).into());
        let unit = Fraction::new(1, change.metre.unit.into());
        let beats = position.exact_beat() - Fraction::from_integer(1);
        self.bars_from[index] + bars * change.metre.whole_notes() + beats * unit
    }

    /// The position that lies so many whole notes from bar 1 beat 1; `None` far outside a piece.
    pub(crate) fn position_at_whole_notes(&self, whole_notes: &Fraction) -> Option<Position> {
        let index = self.bars_from.partition_point(|from| from <= whole_notes).saturating_sub(1);
        let change = &self.metres[index];
        let within = whole_notes - self.bars_from[index];
        let bars = (within / change.metre.whole_notes()).floor();
        let rest = within - bars * change.metre.whole_notes();
        let beat =
            rest * Fraction::from_integer(change.metre.unit.into()) + Fraction::from_integer(1);
        let bar = i32::try_from(bars.to_integer()).ok()?.checked_add(change.bar)?;
        Position::new(bar, beat)
    }

    pub(crate) fn exact_seconds_at(&self, position: &Position) -> BigRational {
        let whole_notes = self.whole_notes_at(position);
        let after = self.stretches.partition_point(|stretch| stretch.from <= whole_notes);
        if after == 0 {
            return big(&whole_notes) * &self.stretches[0].pace;
        }
        self.stretches[after - 1].seconds_at(&whole_notes)
    }

    /// Piece time in seconds, the nearest float to the exact value.
    pub fn seconds_at(&self, position: Position) -> f64 {
        self.exact_seconds_at(&position).to_f64().unwrap_or(f64::NAN)
    }

    /// Sample on the master grid: exact, then rounded once, half away from zero.
    pub fn sample_at(&self, position: Position, rate_hz: u32) -> i64 {
        let samples = self.exact_seconds_at(&position) * BigRational::from_integer(rate_hz.into());
        let rounded = samples.round().to_integer();
        rounded.to_i64().unwrap_or(if rounded < 0.into() { i64::MIN } else { i64::MAX })
    }

    /// The place that sounds at a piece time. Times beyond any piece give the farthest bar there
    /// can be.
    pub fn position_at_seconds(&self, at_s: f64) -> PlaceInMusic {
        let whole_notes = self.whole_notes_at_seconds(at_s);
        let starts = |from: &Fraction| float(from) <= whole_notes + 1e-12;
        let index = self.bars_from.partition_point(starts).saturating_sub(1);
        let change = &self.metres[index];
        let within = whole_notes - float(&self.bars_from[index]);
        let bar_length = float(&change.metre.whole_notes());
        let bars = (within / bar_length + 1e-12).floor();
        let beat = 1.0 + ((within - bars * bar_length) * f64::from(change.metre.unit)).max(0.0);
        let bar = (f64::from(change.bar) + bars).clamp(FIRST_BAR.into(), LAST_BAR.into());
        PlaceInMusic { bar: bar as i32, beat }
    }

    fn whole_notes_at_seconds(&self, at_s: f64) -> f64 {
        let number = |exact: &BigRational| exact.to_f64().unwrap_or(0.0);
        let at_s = if at_s.is_finite() { at_s.clamp(-1e9, 1e9) } else { 0.0 };
        let starts = |stretch: &Stretch| number(&stretch.from_s) <= at_s;
        let stretch = &self.stretches[self.stretches.partition_point(starts).saturating_sub(1)];
        let (pace, growth) = (number(&stretch.pace), number(&stretch.growth));
        let since = at_s - number(&stretch.from_s);
        let along = if since < 0.0 || growth == 0.0 {
            since / pace
        } else {
            // The stable form of the quadratic's root: no difference of near-equal numbers.
            2.0 * since / (pace + (pace * pace + 2.0 * growth * since).max(0.0).sqrt())
        };
        float(&stretch.from) + along
    }

    /// Every beat from the first bar to the last, both included.
    pub fn beats(&self, from_bar: i32, to_bar: i32) -> Vec<Beat> {
        let bars = from_bar.max(FIRST_BAR)..=to_bar.min(LAST_BAR);
        bars.flat_map(|bar| {
            (1..=self.metre_at(bar).beats).map(move |beat| {
                let position = Position::beat_start(bar, beat);
                Beat { position, at_s: self.seconds_at(position), is_bar: beat == 1 }
            })
        })
        .collect()
    }

    /// Length of a beat (the metre's unit) at a place, in seconds.
    pub fn beat_length_s(&self, position: Position) -> f64 {
        let from = self.whole_notes_at(&position);
        let after = self.stretches.partition_point(|stretch| stretch.from <= from);
        let stretch = &self.stretches[after.saturating_sub(1)];
        let along = float(&(from - stretch.from)).max(0.0);
        let pace = stretch.pace.to_f64().unwrap_or(f64::NAN);
        let growth = stretch.growth.to_f64().unwrap_or(0.0);
        (pace + growth * along) / f64::from(self.metre_at(position.bar()).unit)
    }

    /// Whether the bar has this beat: bar 3 of a piece in 5/4 has beats 1 to 5.99….
    pub fn has_beat(&self, position: Position) -> bool {
        let beats = self.metre_at(position.bar()).beats;
        position.exact_beat() < Fraction::from_integer(i128::from(beats) + 1)
    }
}
