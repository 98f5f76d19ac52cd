//! Gain and limiter, until the mix is at the piece's loudness.

use super::RenderError;
use super::spool::{Spool, Spooled};
use ripieno_engine::limit::{Limiter, TruePeak};
use ripieno_engine::loudness::{Loudness, Measure, Meter};
use ripieno_engine::mix::amplitude;
use ripieno_score::Delivery;
use std::path::Path;
use std::sync::mpsc::sync_channel;

/// A mix at delivery loudness.
pub(super) struct Master {
    pub(super) mix: Spooled,
    pub(super) loudness: Loudness,
    pub(super) gain_db: f64,
    pub(super) limited_db: f64,
    pub(super) notes: Vec<String>,
}

/// How near the target is near enough, LU; EBU R 128 allows ±0.2 where a mix is made to measure.
const TOLERANCE_LU: f64 = 0.1;

/// Passes at most: each brings the loudness error down several times over.
const MOST_PASSES: usize = 8;

/// Most the master lifts a mix before its limiter, dB: beyond it there is no music to lift.
const MOST_GAIN_DB: f64 = 60.0;

/// Brings the mix to `delivery`: measures, sets the gain, limits, measures again. The true peak
/// is held as read at sixteen points a sample; the limiter reads four.
pub(super) fn master(
    mix: &Spooled,
    lufs: Option<f64>,
    rate_hz: u32,
    delivery: &Delivery,
    dir: &Path,
) -> Result<Master, RenderError> {
    let mut gain_db = lufs.map_or(0.0, |lufs| (delivery.target_lufs - lufs).min(MOST_GAIN_DB));
    let mut ceiling_dbtp = delivery.max_dbtp;
    let mut best: Option<Master> = None;
    for _ in 0..MOST_PASSES {
        let tried = pass(mix, gain_db, ceiling_dbtp, rate_hz, dir)?;
        let over_db = tried.loudness.true_peak_dbtp.map_or(0.0, |peak| peak - delivery.max_dbtp);
        let error_lu =
            tried.loudness.integrated_lufs.map_or(0.0, |lufs| delivery.target_lufs - lufs);
        let done = over_db <= 0.0 && error_lu.abs() <= TOLERANCE_LU;
        let best_error_lu = best.as_ref().map_or(f64::INFINITY, |best: &Master| {
            best.loudness.integrated_lufs.map_or(0.0, |l| (delivery.target_lufs - l).abs())
        });
        if over_db <= 0.0 && error_lu.abs() < best_error_lu {
            best = Some(tried);
        }
        if done || lufs.is_none() {
            break;
        }
        ceiling_dbtp -= over_db.max(0.0);
        gain_db = (gain_db + error_lu).min(MOST_GAIN_DB);
    }
    let mut best = best.ok_or_else(|| {
        RenderError::Impossible("its peaks could not be brought under the piece's limit".into())
    })?;
    if let Some(note) = shortfall(&best, delivery) {
        best.notes.push(note);
    }
    Ok(best)
}

fn shortfall(master: &Master, delivery: &Delivery) -> Option<String> {
    let Some(lufs) = master.loudness.integrated_lufs else {
        return Some(
            "The mix is too quiet to have a loudness; it was not brought to the piece's \
                     target."
                .into(),
        );
    };
    ((lufs - delivery.target_lufs).abs() > 0.2).then(|| {
        format!(
            "The mix is at {lufs:.1} LUFS, not at the piece's {:.1}: louder would only be more \
             limiting. Lower the target, or lift the quiet sections.",
            delivery.target_lufs
        )
    })
}

/// One pass; metering runs beside limiting.
fn pass(
    mix: &Spooled,
    gain_db: f64,
    ceiling_dbtp: f64,
    rate_hz: u32,
    dir: &Path,
) -> Result<Master, RenderError> {
    let gain = amplitude(gain_db);
    let mut meter = Meter::new(rate_hz, 2, Measure::Levels)
        .map_err(|error| RenderError::Impossible(error.to_string()))?;
    let mut spool = Spool::new(dir)?;
    let mut limiter = Limiter::new(rate_hz, 2, ceiling_dbtp);
    std::thread::scope(|scope| {
        let (sender, receiver) = sync_channel::<[Vec<f32>; 2]>(4);
        let keeper = scope.spawn(move || {
            let mut peak = TruePeak::new(2);
            for [left, right] in receiver {
                let block = [&left[..], &right[..]];
                meter.push(&block);
                peak.push(&block);
                spool.push(&block)?;
            }
            let loudness = Loudness { true_peak_dbtp: peak.finish(), ..meter.finish() };
            Ok((spool.finish()?, loudness))
        });
        let mut send = |block: &[&[f32]]| {
            // A keeper that has stopped tells why below.
            let _ = sender.send([block[0].to_vec(), block[1].to_vec()]);
        };
        let read = mix.each(&mut |_, block| {
            let louder: Vec<Vec<f32>> = block
                .iter()
                .map(|plane| plane.iter().map(|&s| (f64::from(s) * gain) as f32).collect())
                .collect();
            limiter.push(&[&louder[0], &louder[1]], &mut send);
            Ok(())
        });
        let limited_db = limiter.finish(&mut send);
        drop(sender);
        let kept = keeper
            .join()
            .unwrap_or_else(|_| Err(RenderError::Impossible("the meter stopped".into())));
        read?;
        let (mix, loudness) = kept?;
        Ok(Master { mix, loudness, gain_db, limited_db, notes: Vec::new() })
    })
}
