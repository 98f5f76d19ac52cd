//! Puts a player in front of a microphone: the file they send, and the truth of it.

use std::path::{Path, PathBuf};

use crate::ScenarioError;
use crate::cast::Player;
use crate::defect::Defect;
use crate::instrument::{Note, sound};
use crate::pack::{Pack, PackMark};
use crate::part::{Played, write_part};
use crate::rng::Dice;
use crate::room;
use crate::sheet::Sheet;

/// What is exactly so about a recorded take.
#[derive(Debug, Clone)]
pub struct Truth {
    /// Where bar 1 beat 1 lies in the file, seconds.
    pub bar1_beat1_s: f64,
    /// How much longer the file is than the piece, ppm.
    pub ratio_ppm: f64,
    /// The mean deviation of the played notes from the written ones, milliseconds of the piece.
    pub mean_lag_ms: f64,
    /// What is notable.
    pub defect: Defect,
}

/// A file and its truth.
#[derive(Debug, Clone)]
pub struct Recorded {
    /// The file as the player sends it.
    pub path: PathBuf,
    /// What an honest placement of it would say.
    pub truth: Truth,
}

/// Records one player's take into `folder`.
///
/// # Errors
/// [`ScenarioError::Write`] when the file cannot be written.
pub fn record(
    player: &Player,
    sheet: &Sheet,
    pack: &Pack,
    folder: &Path,
) -> Result<Recorded, ScenarioError> {
    let warp = Warp::of(player, pack);
    let part = write_part(
        sheet,
        player.instrument,
        player.pattern,
        player.timing,
        player.defect == Defect::WrongMode,
        player.seed,
    );
    let truth = Truth {
        bar1_beat1_s: warp.bar1_s,
        ratio_ppm: (warp.stretch - 1.0) * 1e6,
        mean_lag_ms: mean_lag_ms(&part),
        defect: player.defect,
    };
    let stem = folder.join(format!("{:04}-{}", player.index, file_name(player)));
    if player.defect == Defect::NotAudio {
        let path = stem.with_extension("wav");
        let text = "Sorry, I could not find the recording. Will send it at the weekend!\n";
        std::fs::write(&path, text).map_err(|e| unwritable(&path, &e))?;
        return Ok(Recorded { path, truth });
    }
    let channels = perform(player, sheet, pack, &warp, &part);
    let path = player.container.write(&stem, &channels, player.rate_hz)?;
    if player.defect == Defect::Truncated {
        cut_bytes(&path)?;
    }
    Ok(Recorded { path, truth })
}

fn unwritable(path: &Path, why: &dyn std::fmt::Display) -> ScenarioError {
    ScenarioError::Write { file: path.display().to_string(), why: why.to_string() }
}

fn file_name(player: &Player) -> String {
    player.name.to_lowercase().replace([' ', '-'], "_")
}

fn mean_lag_ms(part: &[Played]) -> f64 {
    let sum: f64 = part.iter().map(|n| n.played_s - n.written_s).sum();
    1e3 * sum / part.len().max(1) as f64
}

/// The straight line from piece time to file time.
struct Warp {
    bar1_s: f64,
    stretch: f64,
    /// The clock's share of the stretch: it shifts pitch as well.
    clock: f64,
}

impl Warp {
    fn of(player: &Player, pack: &Pack) -> Warp {
        let clock = 1.0 + player.clock_ppm * 1e-6;
        let stretch = clock * (1.0 + player.tempo_ppm * 1e-6);
        let mark_s = player.lead_in_s + pack.opening.origin_s;
        Warp { bar1_s: mark_s - pack.opening.at_s * stretch, stretch, clock }
    }

    fn file_s(&self, piece_s: f64) -> f64 {
        self.bar1_s + piece_s * self.stretch
    }
}

/// The sound of the take: one or two channels.
fn perform(
    player: &Player,
    sheet: &Sheet,
    pack: &Pack,
    warp: &Warp,
    part: &[Played],
) -> Vec<Vec<f32>> {
    let mut dice = Dice::new(player.seed, 5);
    let rate = f64::from(player.rate_hz);
    let stop_s = if player.defect == Defect::CutShort { sheet.end_s * 0.45 } else { sheet.end_s };
    let tail_s = if player.keeps_closing { 9.0 } else { 2.5 };
    let mut tape = vec![0.0f32; ((warp.file_s(stop_s) + tail_s) * rate) as usize];
    if player.defect != Defect::Silent {
        play(&mut tape, player, warp, part, stop_s, &mut dice);
    }
    set_level(&mut tape, 0.7);
    if !matches!(player.defect, Defect::NoMark | Defect::Silent) {
        play_mark(&mut tape, player, warp, &pack.opening);
    }
    if let Some(closing) = pack.closing.as_ref().filter(|_| player.keeps_closing) {
        play_mark(&mut tape, player, warp, closing);
    }
    if player.defect == Defect::Wet {
        room::reverberate(&mut tape, player.rate_hz, 1.8, 1.2);
    }
    spoil(&mut tape, player, pack, warp, &mut dice);
    spread(tape, player)
}

/// Turns the recording level so that the loudest sample comes to `peak`.
fn set_level(tape: &mut [f32], peak: f32) {
    let loudest = tape.iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
    if loudest > 0.0 {
        tape.iter_mut().for_each(|sample| *sample *= peak / loudest);
    }
}

/// The player's notes, up to the instant they stop.
fn play(
    tape: &mut [f32],
    player: &Player,
    warp: &Warp,
    part: &[Played],
    stop_s: f64,
    dice: &mut Dice,
) {
    let voice = player.instrument.voice();
    for played in part.iter().filter(|n| n.played_s < stop_s) {
        let hertz = 440.0 * ((played.note - 69.0) / 12.0).exp2();
        let note = Note {
            onset_s: warp.file_s(played.played_s),
            length_s: played.length_s * warp.stretch,
            frequency_hz: hertz / warp.clock,
            amplitude: 0.55 * played.velocity,
        };
        sound(tape, player.rate_hz, &voice, &note, dice);
    }
}

/// The mark, as the player's set-up brings it into the file: at the warped instant.
fn play_mark(tape: &mut [f32], player: &Player, warp: &Warp, mark: &PackMark) {
    let rate = f64::from(player.rate_hz);
    let origin_s = warp.file_s(mark.at_s);
    let length_s = mark.sound.samples.len() as f64 / f64::from(mark.sound.rate_hz);
    let first = ((origin_s - mark.origin_s * warp.clock) * rate).max(0.0) as usize;
    let end = first + (length_s * warp.clock * rate) as usize + 2;
    let end = end.min(tape.len());
    for (index, out) in tape.iter_mut().enumerate().take(end).skip(first) {
        let since_s = (index as f64 / rate - origin_s) / warp.clock + mark.origin_s;
        *out += mark.sound.at(since_s);
    }
}

/// What the home, the device and the person add.
fn spoil(tape: &mut Vec<f32>, player: &Player, pack: &Pack, warp: &Warp, dice: &mut Dice) {
    let rate_hz = player.rate_hz;
    room::hiss(tape, if player.defect == Defect::Noisy { 0.012 } else { 0.000_1 }, dice);
    match player.defect {
        Defect::TalkFirst => {
            room::talk(tape, rate_hz, 0.5, player.lead_in_s - 0.5, 0.5, dice);
        }
        Defect::Bleed => bleed(tape, player, pack, warp),
        Defect::Clipped => tape.iter_mut().for_each(|s| *s = (*s * 12.0).clamp(-1.0, 1.0)),
        Defect::Hum => room::hum(tape, rate_hz, 0.02),
        Defect::Quiet => tape.iter_mut().for_each(|s| *s *= 0.005_6),
        Defect::Slipped => {
            let from = (tape.len() as f64 * 0.55) as usize;
            let until = from + (0.531 * f64::from(rate_hz)) as usize;
            tape.drain(from..until.min(tape.len()));
        }
        _ => {}
    }
}

/// The guide from the headphones, 26 dB down.
fn bleed(tape: &mut [f32], player: &Player, pack: &Pack, warp: &Warp) {
    let rate = f64::from(player.rate_hz);
    for (index, out) in tape.iter_mut().enumerate() {
        let piece_s = (index as f64 / rate - warp.bar1_s) / warp.stretch;
        *out += 0.05 * pack.guide.at(piece_s + pack.guide_bar1_s);
    }
}

/// One channel becomes as many as the device writes.
fn spread(tape: Vec<f32>, player: &Player) -> Vec<Vec<f32>> {
    match (player.defect, player.channels) {
        (Defect::DeadChannel, _) => {
            let dead = vec![0.0; tape.len()];
            vec![tape, dead]
        }
        (Defect::Antiphase, _) => {
            let upside_down = tape.iter().map(|s| -s).collect();
            vec![tape, upside_down]
        }
        (_, 2) => vec![tape.clone(), tape],
        _ => vec![tape],
    }
}

/// Leaves the first 60 % of a file's bytes: a transfer that broke off.
fn cut_bytes(path: &Path) -> Result<(), ScenarioError> {
    let file =
        std::fs::OpenOptions::new().write(true).open(path).map_err(|e| unwritable(path, &e))?;
    let bytes = file.metadata().map_err(|e| unwritable(path, &e))?.len();
    file.set_len(bytes * 6 / 10).map_err(|e| unwritable(path, &e))
}
