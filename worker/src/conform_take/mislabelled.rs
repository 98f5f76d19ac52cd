//! Sound recorded at one sample rate and filed under another, known by its mark: heard at the true
//! rate, it is whole again.

use ripieno_engine::decode::{DecodeError, Recording};
use ripieno_engine::finding::{Finding, Severity};
use ripieno_engine::locate::{Arrival, Locator, Options, Part, SURE};

use super::Outcome;
use super::hear::HeardTake;
use super::plan::ConformPlan;

/// 44.1 kHz against 48 kHz: the two families of rates in use.
const FAMILIES: (u32, u32) = (147, 160);

/// The rate the sound was truly recorded at, where the opening mark is whole at that rate and was
/// not at the one the file claims.
///
/// # Errors
/// When the file can't be decoded a second time.
pub(super) fn true_rate_hz(
    recording: &Recording,
    plan: &ConformPlan,
    heard: &HeardTake,
) -> Result<Option<u32>, DecodeError> {
    if heard.opening.iter().any(is_whole) {
        return Ok(None);
    }
    let said_hz = heard.sound.sample_rate_hz;
    let (low, high) = FAMILIES;
    let rates =
        [(low, high), (high, low)].map(|(to, from)| said_hz as u64 * to as u64 / from as u64);
    let mut marks =
        rates.map(|rate_hz| Locator::new(&plan.marks(rate_hz as u32).opening, Options::default()));
    let mut stream = recording.open()?;
    while let Some(block) = stream.next_block()? {
        let channels: Vec<&[f32]> = block.channels.iter().map(Vec::as_slice).collect();
        marks.iter_mut().for_each(|mark| mark.push(&channels));
    }
    let found = rates
        .into_iter()
        .zip(marks)
        .find_map(|(rate_hz, mark)| mark.finish().iter().any(is_whole).then_some(rate_hz as u32));
    Ok(found)
}

fn is_whole(arrival: &Arrival) -> bool {
    arrival.score >= SURE && arrival.part == Part::Whole
}

/// Tells an outcome that was found at the true rate in the file's own, claimed time, and says so.
pub(super) fn told_in_claimed_time(mut outcome: Outcome, said_hz: u32, true_hz: u32) -> Outcome {
    let stretch = f64::from(true_hz) / f64::from(said_hz);
    if let Some(sound) = &mut outcome.sound {
        sound.sample_rate_hz = said_hz;
        sound.decoded_s *= stretch;
    }
    outcome.marks.iter_mut().for_each(|mark| mark.file_s *= stretch);
    for finding in &mut outcome.findings {
        finding
            .at_s
            .iter_mut()
            .for_each(|(from, to)| (*from, *to) = (*from * stretch, *to * stretch));
    }
    if let Some(plot) = &mut outcome.plot {
        plot.column_s *= stretch;
    }
    if let Some(fit) = &mut outcome.fit {
        fit.bar1_beat1_s *= stretch;
        fit.bar1_beat1_sd_s *= stretch;
        fit.ratio_ppm = stretched_ppm(fit.ratio_ppm, stretch);
        fit.ratio_sd_ppm *= stretch;
        for place in &mut fit.candidates {
            place.bar1_beat1_s *= stretch;
            place.ratio_ppm = stretched_ppm(place.ratio_ppm, stretch);
        }
        fit.deviations.iter_mut().for_each(|deviation| deviation.at_s *= stretch);
    }
    outcome.findings.push(finding(said_hz, true_hz));
    outcome
}

/// A tempo ratio of a file whose seconds become `stretch` times as many.
pub(super) fn stretched_ppm(ratio_ppm: f64, stretch: f64) -> f64 {
    ((1.0 + ratio_ppm * 1e-6) * stretch - 1.0) * 1e6
}

fn finding(said_hz: u32, true_hz: u32) -> Finding {
    let how = if true_hz < said_hz { "fast and too high" } else { "slow and too low" };
    let says = format!(
        "Your file plays too {how}: it was recorded at {true_hz} Hz and saved as if it were \
         {said_hz} Hz. The mark shows it beyond doubt, so we set it right; nothing to do."
    );
    Finding::new("mislabelled_rate", Severity::Advice, says)
        .measuring(f64::from(true_hz) / f64::from(said_hz), "")
}
