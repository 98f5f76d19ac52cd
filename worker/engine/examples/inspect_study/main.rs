//! Measures the checks on invented takes: for each, how often it speaks where it should not and
//! how often it is silent where it should speak.
//!
//! `inspect_study [TAKES_AN_INSTRUMENT [CHECK]]` prints the table, or one check's row; it fails when
//! a rate is above its limit.

mod band;
mod damage;

use std::io::Write;
use std::process::ExitCode;

use band::{
    ALL, BEAT_S, BEATS, CHORDS, Instrument, LEAD_S, Manner, RATE_HZ, SCALE, SECTION_BEATS, USUAL,
    play,
};
use fastrand::Rng;
use ripieno_engine::finding::Finding;
use ripieno_engine::fit::{self, Grid, Prior};
use ripieno_engine::inspect::bleed::{BleedMeter, Guide, guide_left_in};
use ripieno_engine::inspect::fingerprint::{Fingerprint, Fingerprinter, Likeness, Matcher};
use ripieno_engine::inspect::{Expected, Inspector, Take};
use ripieno_engine::locate::{Arrival, HeardIn, Part};
use ripieno_engine::onset::Listener;

/// Where a check's two rates must stay, in per cent of takes.
struct Row {
    code: &'static str,
    /// Instruments whose takes can have this defect.
    applies: fn(Instrument) -> bool,
    most_false: f64,
    most_missed: f64,
}

fn any(_: Instrument) -> bool {
    true
}

fn pitched(instrument: Instrument) -> bool {
    // Of a bell neither tuning nor key is told.
    !matches!(instrument, Instrument::Shaker | Instrument::Bell)
}

fn struck(instrument: Instrument) -> bool {
    matches!(instrument, Instrument::Pluck | Instrument::Bass | Instrument::Shaker)
}

fn sharp(instrument: Instrument) -> bool {
    // Slower attacks hide a player's spread behind their own.
    matches!(instrument, Instrument::Pluck | Instrument::Shaker)
}

fn counted(instrument: Instrument) -> bool {
    struck(instrument) || instrument == Instrument::Reed
}

fn short(instrument: Instrument) -> bool {
    matches!(
        instrument,
        Instrument::Pluck | Instrument::Reed | Instrument::Bow | Instrument::Shaker
    )
}

fn paused(instrument: Instrument) -> bool {
    // A pad of tones covers what lies below it, and its lead-in is the only pause.
    instrument != Instrument::Pad
}

const ROWS: [Row; 18] = [
    Row { code: "clipped", applies: any, most_false: 2.0, most_missed: 10.0 },
    Row { code: "silent", applies: any, most_false: 0.0, most_missed: 0.0 },
    Row { code: "too_quiet", applies: any, most_false: 0.0, most_missed: 5.0 },
    Row { code: "unnormalised", applies: any, most_false: 0.0, most_missed: 0.0 },
    Row { code: "dc_offset", applies: any, most_false: 0.0, most_missed: 0.0 },
    Row { code: "hum", applies: any, most_false: 2.0, most_missed: 15.0 },
    Row { code: "noisy", applies: paused, most_false: 2.0, most_missed: 10.0 },
    Row { code: "dead_channel", applies: any, most_false: 0.0, most_missed: 0.0 },
    Row { code: "antiphase", applies: any, most_false: 0.0, most_missed: 0.0 },
    Row { code: "squashed", applies: counted, most_false: 3.0, most_missed: 25.0 },
    // These parts have few rests, and in those alone a room is heard.
    Row { code: "wet", applies: short, most_false: 5.0, most_missed: 60.0 },
    Row { code: "too_tight", applies: struck, most_false: 0.0, most_missed: 15.0 },
    Row { code: "too_loose", applies: sharp, most_false: 3.0, most_missed: 40.0 },
    Row { code: "tuning", applies: pitched, most_false: 2.0, most_missed: 10.0 },
    Row { code: "transposed", applies: pitched, most_false: 2.0, most_missed: 15.0 },
    Row { code: "wrong_mode", applies: pitched, most_false: 5.0, most_missed: 40.0 },
    Row { code: "wrong_section", applies: pitched, most_false: 3.0, most_missed: 30.0 },
    Row { code: "speech", applies: any, most_false: 3.0, most_missed: 20.0 },
];

fn damaged(code: &str, instrument: Instrument, seed: u64) -> Vec<Vec<f32>> {
    let mut rng = Rng::with_seed(seed ^ 0x5eed);
    let clean = play(instrument, &USUAL, seed);
    let manner = |manner: Manner| vec![play(instrument, &manner, seed)];
    match code {
        "clipped" => vec![damage::clip(&clean, &mut rng)],
        "silent" => vec![clean.iter().map(|_| 2e-4 * (rng.f32() - 0.5)).collect()],
        "too_quiet" => vec![damage::scale(&clean, 0.002 + 0.002 * rng.f32())],
        "unnormalised" => vec![damage::scale(&clean, 0.08 + 0.1 * rng.f32())],
        "dc_offset" => {
            let offset = 0.01 + 0.05 * rng.f32();
            vec![clean.iter().map(|sample| 0.9 * sample + offset).collect()]
        }
        "hum" => vec![damage::hum(&clean, &mut rng)],
        "noisy" => vec![damage::noise(&clean, &mut rng)],
        "dead_channel" => vec![clean.iter().map(|sample| 1e-4 * sample).collect(), clean],
        "antiphase" => vec![clean.iter().map(|sample| -0.8 * sample).collect(), clean],
        "squashed" => vec![damage::squash(&clean)],
        "wet" => vec![damage::room(&clean, 2.0 + 2.0 * rng.f32(), 0.4)],
        "too_tight" => manner(Manner { spread_s: 0.000_5, ..USUAL }),
        "too_loose" => manner(Manner { spread_s: 0.085, ..USUAL }),
        "tuning" => manner(Manner { cents: if rng.bool() { 38.0 } else { -38.0 }, ..USUAL }),
        "transposed" => manner(Manner { semitones: [2, 3, -3, 5][rng.usize(0..4)], ..USUAL }),
        "wrong_mode" => manner(Manner { sharp_f: true, ..USUAL }),
        "wrong_section" => manner(Manner { lost: true, ..USUAL }),
        "speech" => vec![damage::speak(&clean, seed)],
        _ => vec![clean],
    }
}

fn grid() -> Grid {
    let section_s = SECTION_BEATS as f64 * BEAT_S;
    let chroma = |beat: usize| {
        let chord = CHORDS[beat / SECTION_BEATS][beat % SECTION_BEATS / 4];
        std::array::from_fn(|class| f32::from(u8::from(chord.contains(&class))))
    };
    Grid {
        beats_s: (0..=BEATS).map(|beat| beat as f64 * BEAT_S).collect(),
        bar_starts: (0..BEATS).step_by(4).collect(),
        sections: (0..3)
            .map(|n| (f64::from(n) * section_s, f64::from(n + 1) * section_s))
            .collect(),
        chroma: (0..BEATS).map(chroma).collect(),
        opening_mark_s: Some(-2.0),
        closing_mark_s: None,
    }
}

fn findings(channels: &[Vec<f32>]) -> Vec<Finding> {
    let mut inspector = Inspector::new(RATE_HZ, channels.len());
    let mut listener = Listener::new(RATE_HZ);
    let slices: Vec<&[f32]> = channels.iter().map(Vec::as_slice).collect();
    inspector.push(&slices);
    listener.push(&channels[channels.len() - 1]);
    let (records, playing, grid) = (inspector.finish(), listener.finish(), grid());
    let opening = [Arrival {
        at_s: LEAD_S - 2.0,
        sd_s: 1e-5,
        score: 1.0,
        skew_ppm: None,
        skew_sd_ppm: None,
        per_ratio_s: 0.0,
        snr_db: 30.0,
        part: Part::Whole,
        likeness: 1.0,
        echo_s: 0.0,
        inverted: false,
        heard_in: HeardIn::Channel(0),
    }];
    let heard = fit::Heard { opening: &opening, closing: &[], playing: &playing };
    let fit = fit::fit(&grid, &heard, &Prior::default());
    let mut scale = [false; 12];
    SCALE.iter().for_each(|class| scale[*class] = true);
    let take = Take {
        records: &records,
        playing: &playing,
        opening: &opening,
        closing: &[],
        grid: &grid,
        fit: fit.as_ref(),
        expected: &Expected { scale: Some(scale), sections: None },
    };
    take.findings()
}

fn main() -> ExitCode {
    let takes = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(4u64);
    let mut out = std::io::stdout().lock();
    let only = std::env::args().nth(2);
    match study(takes, only.as_deref(), &mut out) {
        Ok(true) => ExitCode::SUCCESS,
        _ => ExitCode::FAILURE,
    }
}

fn study(takes: u64, only: Option<&str>, out: &mut impl Write) -> std::io::Result<bool> {
    let each = || ALL.into_iter().flat_map(|i| (0..takes).map(move |seed| (i, 1_000 + seed)));
    let clean: Vec<(Instrument, Vec<&'static str>)> = each()
        .map(|(instrument, seed)| {
            let found = findings(&damaged("none", instrument, seed));
            (instrument, found.iter().map(|finding| finding.code).collect())
        })
        .collect();
    let mut good = true;
    writeln!(out, "{:<16} {:>7} {:>7} {:>7}  where", "check", "false %", "missed %", "takes")?;
    let wanted = |code: &str| only.is_none_or(|only| only == code);
    for row in ROWS.iter().filter(|row| wanted(row.code)) {
        let wrong: Vec<Instrument> =
            clean.iter().filter(|take| take.1.contains(&row.code)).map(|take| take.0).collect();
        let bad: Vec<(Instrument, u64)> = each().filter(|take| (row.applies)(take.0)).collect();
        let missed: Vec<Instrument> = bad
            .iter()
            .filter(|(instrument, seed)| {
                let found = findings(&damaged(row.code, *instrument, *seed));
                !found.iter().any(|finding| finding.code == row.code)
            })
            .map(|take| take.0)
            .collect();
        let share = |some: usize, all: usize| 100.0 * some as f64 / all.max(1) as f64;
        let (false_rate, missed_rate) =
            (share(wrong.len(), clean.len()), share(missed.len(), bad.len()));
        let fine = false_rate <= row.most_false && missed_rate <= row.most_missed;
        good &= fine;
        writeln!(
            out,
            "{:<16} {false_rate:>7.1} {missed_rate:>8.1} {:>7}  {}false {} missed {}",
            row.code,
            bad.len(),
            if fine { "" } else { "ABOVE ITS LIMIT: " },
            names(&wrong),
            names(&missed)
        )?;
    }
    if wanted("blunders") {
        good &= blunders(takes, out)?;
    }
    if wanted("guide_left_in") {
        good &= bleeds(takes, out)?;
    }
    if wanted("same_recording") {
        good &= fingerprints(takes, out)?;
    }
    Ok(good)
}

fn names(instruments: &[Instrument]) -> String {
    let mut names: Vec<String> = instruments.iter().map(|i| format!("{i:?}")).collect();
    names.dedup();
    names.join(" ")
}

/// Blunders are counted note by note: the two that were put in must be among those found.
fn blunders(takes: u64, out: &mut impl Write) -> std::io::Result<bool> {
    let count = |manner: &Manner| -> (f64, f64) {
        let mut found = (0.0, 0.0);
        for instrument in ALL.into_iter().filter(|i| counted(*i)) {
            for seed in 0..takes {
                let findings = findings(&[play(instrument, manner, 2_000 + seed)]);
                let blunders = findings.iter().find(|finding| finding.code == "blunders");
                found.0 += f64::from(u8::from(blunders.is_some()));
                found.1 += 1.0;
            }
        }
        found
    };
    let (clean, with) = (count(&USUAL), count(&Manner { blunders: 2, ..USUAL }));
    let (false_rate, missed) = (100.0 * clean.0 / clean.1, 100.0 - 100.0 * with.0 / with.1);
    writeln!(out, "{:<16} {false_rate:>7.1} {missed:>8.1} {:>7}", "blunders", with.1)?;
    Ok(false_rate <= 15.0 && missed <= 20.0)
}

/// Depth found beside the depth put in.
fn bleeds(takes: u64, out: &mut impl Write) -> std::io::Result<bool> {
    let track = band::guide();
    let first = -(LEAD_S * f64::from(RATE_HZ)) as i64;
    let guide = Guide::new(&track, first, RATE_HZ);
    // A bleed is measured below 6 kHz: by means of four samples.
    let power = |wave: &[f32]| {
        let means =
            wave.chunks_exact(4).map(|four| four.iter().map(|s| f64::from(*s)).sum::<f64>());
        means.map(|mean| mean.powi(2)).sum::<f64>()
    };
    let (mut wrong, mut all, mut missed, mut errors) = (0, 0, 0, Vec::new());
    for (instrument, seed) in ALL.into_iter().flat_map(|i| (0..takes).map(move |s| (i, s))) {
        let clean = play(instrument, &USUAL, 3_000 + seed);
        let mut rng = Rng::with_seed(seed);
        let depth_db = -32.0 + 20.0 * rng.f64();
        let gain = (power(&clean) / power(&track) * 10f64.powf(depth_db / 10.0)).sqrt() as f32;
        let late = rng.usize(0..400);
        let bled: Vec<f32> = (0..clean.len())
            .map(|frame| {
                let guide = |back: usize| {
                    frame.checked_sub(back).and_then(|at| track.get(at)).copied().unwrap_or(0.0)
                };
                clean[frame] + gain * (0.9 * guide(late) + 0.43 * guide(late + 61))
            })
            .collect();
        let measure = |wave: &[f32]| {
            let mut meter = BleedMeter::new(guide.clone(), RATE_HZ, first, 0.0, 0.01);
            meter.push(&[wave]);
            meter.finish()
        };
        all += 1;
        wrong += u32::from(measure(&clean).and_then(|bleed| guide_left_in(&bleed)).is_some());
        match measure(&bled) {
            Some(bleed) if guide_left_in(&bleed).is_some() => {
                errors.push((bleed.depth_db - depth_db).abs());
            }
            _ => missed += 1,
        }
    }
    errors.sort_by(f64::total_cmp);
    let median = errors.get(errors.len() / 2).copied().unwrap_or(f64::INFINITY);
    let rate = |some: u32| 100.0 * f64::from(some) / f64::from(all);
    writeln!(
        out,
        "{:<16} {:>7.1} {:>8.1} {all:>7}  depth off by {median:.1} dB in the median",
        "guide_left_in",
        rate(wrong),
        rate(missed)
    )?;
    Ok(rate(wrong) <= 5.0 && rate(missed) <= 15.0 && median < 3.0)
}

/// One recording beside its re-encoding, and beside other takes of the same part.
fn fingerprints(takes: u64, out: &mut impl Write) -> std::io::Result<bool> {
    let print = |wave: &[f32]| -> Fingerprint {
        let mut maker = Fingerprinter::new(RATE_HZ);
        maker.push(wave);
        maker.finish()
    };
    let (mut same, mut others): (Vec<Likeness>, Vec<Likeness>) = (Vec::new(), Vec::new());
    let mut missed: Vec<Instrument> = Vec::new();
    for (instrument, seed) in ALL.into_iter().flat_map(|i| (0..takes).map(move |s| (i, s))) {
        let wave = play(instrument, &USUAL, 4_000 + seed);
        let mine = print(&wave);
        let matcher = Matcher::new(&mine);
        let mut rng = Rng::with_seed(seed);
        let cut = rng.usize(0..400_000);
        let copy = matcher.likeness(&print(&damage::recode(&wave[cut..], &mut rng)));
        missed.extend(copy.is_none_or(|copy| !copy.is_copy()).then_some(instrument));
        same.extend(copy);
        let again = Manner { take: 1, cents: 6.0, ..USUAL };
        others.extend(matcher.likeness(&print(&play(instrument, &again, 4_000 + seed))));
        others.extend(matcher.likeness(&print(&play(instrument, &USUAL, 5_000 + seed))));
    }
    let wrong = others.iter().filter(|likeness| likeness.is_copy()).count();
    let share = |some: usize, all: usize| 100.0 * some as f64 / all.max(1) as f64;
    let (false_rate, missed_rate) = (share(wrong, others.len()), share(missed.len(), same.len()));
    let waves = |list: &[Likeness]| list.iter().map(|likeness| likeness.wave).collect::<Vec<_>>();
    writeln!(
        out,
        "{:<16} {false_rate:>7.1} {missed_rate:>8.1} {:>7}  waves of copies from {:.2} on, of others \
         up to {:.2}; missed {}",
        "same_recording",
        same.len(),
        waves(&same).into_iter().fold(1.0, f64::min),
        waves(&others).into_iter().fold(0.0, f64::max),
        names(&missed)
    )?;
    Ok(wrong == 0 && missed_rate <= 2.0)
}
