//! The invented players: who they are, what they play, on what device, and what goes wrong.

use crate::container::Container;
use crate::defect::Defect;
use crate::instrument::Instrument;
use crate::part::{Pattern, Timing};
use crate::rng::Dice;

/// One invented player and everything that decides how their take comes out.
#[derive(Debug, Clone)]
pub struct Player {
    /// Place in the cast, from 0.
    pub index: usize,
    /// Seed of everything random in the take.
    pub seed: u64,
    /// The name on the form.
    pub name: String,
    /// The credit line on the form.
    pub credit: String,
    /// The harbour they come from.
    pub place: &'static str,
    /// Where they play otherwise, if anywhere.
    pub institution: Option<&'static str>,
    /// What they play.
    pub instrument: Instrument,
    /// How their part goes.
    pub pattern: Pattern,
    /// How loosely they play.
    pub timing: Timing,
    /// What is notable about the take.
    pub defect: Defect,
    /// The file they send.
    pub container: Container,
    /// Its sample rate.
    pub rate_hz: u32,
    /// One or two channels.
    pub channels: usize,
    /// How fast their device's clock runs slow, ppm (the file gets longer).
    pub clock_ppm: f64,
    /// How much slower than the guide they play, ppm, at the right pitch.
    pub tempo_ppm: f64,
    /// Seconds of the file before the opening mark.
    pub lead_in_s: f64,
    /// Whether they left the closing mark in.
    pub keeps_closing: bool,
}

const HARBOURS: [&str; 9] = [
    "Ostrel",
    "Varrow Quay",
    "Little Ness",
    "Sandholm",
    "Cray Mouth",
    "Tolven",
    "Aldersound",
    "Kessock Bar",
    "Merrin",
];
const FIRST: [&str; 18] = [
    "Ada", "Bertil", "Cosima", "Dag", "Elin", "Fergal", "Greta", "Hamo", "Ines", "Jory", "Katla",
    "Lowen", "Mirela", "Nils", "Oda", "Piran", "Runa", "Senna",
];
const LAST: [&str; 17] = [
    "Ashby-Rook",
    "Brandal",
    "Carrow",
    "Dunmere",
    "Eskeland",
    "Farran",
    "Gullmar",
    "Hestvik",
    "Ivory",
    "Jenner",
    "Kettle",
    "Lund",
    "Marrack",
    "Norrby",
    "Oster",
    "Penhale",
    "Quill",
];

/// Invents the first `count` players. A longer cast begins with the shorter one.
pub fn cast(count: usize, seed: u64) -> Vec<Player> {
    (0..count).map(|index| player(index, seed)).collect()
}

fn player(index: usize, cast_seed: u64) -> Player {
    let seed = cast_seed.wrapping_add(index as u64 * 7919);
    let mut dice = Dice::new(seed, 1);
    // A dozen good takes for every round of defects: the flood is mostly well-meant.
    let defect = match index % 2 {
        0 => Defect::Clean,
        _ => Defect::ALL[1 + (index / 2) % (Defect::ALL.len() - 1)],
    };
    let instrument = Instrument::ALL[(index / 2 + index % 2 * 4) % Instrument::ALL.len()];
    let name = format!("{} {}", FIRST[index % FIRST.len()], LAST[(index * 5 + 3) % LAST.len()]);
    let pattern = match defect {
        // A place without a mark is found by what is played: give it something to go by.
        Defect::NoMark | Defect::WrongMode => Pattern::Tune,
        _ => *dice.pick(Pattern::suited_to(instrument)),
    };
    let container = Container::ALL[(index + index / 6) % Container::ALL.len()];
    let rate_hz = match container {
        Container::OggOpus => 48_000,
        Container::Wav24 | Container::WavFloat if dice.chance(0.25) => 96_000,
        _ if dice.chance(0.5) => 44_100,
        _ => 48_000,
    };
    let two_channels = matches!(defect, Defect::DeadChannel | Defect::Antiphase);
    Player {
        index,
        seed,
        credit: name.clone(),
        name,
        place: HARBOURS[index % HARBOURS.len()],
        institution: if dice.chance(0.2) { Some("Harbour Music School") } else { None },
        instrument: if defect == Defect::WrongMode { Instrument::Squeezebox } else { instrument },
        pattern,
        timing: timing(defect, &mut dice),
        defect,
        container,
        rate_hz,
        channels: if two_channels || dice.chance(0.3) { 2 } else { 1 },
        clock_ppm: clock_ppm(defect, &mut dice),
        tempo_ppm: if defect == Defect::Tempo { dice.between(-2400.0, 2400.0) } else { 0.0 },
        lead_in_s: lead_in_s(defect, &mut dice),
        keeps_closing: dice.chance(0.25),
    }
}

fn timing(defect: Defect, dice: &mut Dice) -> Timing {
    let lag = dice.between(-5.0, 35.0);
    Timing {
        lag_ms: if defect == Defect::Lag { dice.between(170.0, 260.0) } else { lag },
        jitter_ms: dice.between(7.0, 22.0),
        wander_ms: dice.between(2.0, 8.0),
    }
}

fn clock_ppm(defect: Defect, dice: &mut Dice) -> f64 {
    match defect {
        Defect::Clock => dice.between(150.0, 250.0) * if dice.chance(0.5) { 1.0 } else { -1.0 },
        _ => 35.0 * dice.normal().clamp(-2.5, 2.5),
    }
}

fn lead_in_s(defect: Defect, dice: &mut Dice) -> f64 {
    match defect {
        Defect::TalkFirst => dice.between(8.0, 20.0),
        _ => dice.between(0.4, 4.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forty_eight_players_show_every_defect() {
        let cast = cast(48, 1);
        for defect in Defect::ALL {
            assert!(cast.iter().any(|p| p.defect == defect), "{}", defect.name());
        }
    }

    #[test]
    fn a_longer_cast_begins_with_the_shorter() {
        let (short, long) = (cast(5, 9), cast(50, 9));
        for (a, b) in short.iter().zip(&long) {
            assert_eq!(format!("{a:?}"), format!("{b:?}"));
        }
    }
}
