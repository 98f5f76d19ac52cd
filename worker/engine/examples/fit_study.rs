//! How well takes are fitted, class by class, on invented players with exact truth:
//! `cargo run --release -p ripieno-engine --example fit_study [TRIALS [CLASS]]`.

#![allow(clippy::print_stdout)]

#[path = "../tests/players/mod.rs"]
mod players;

use fastrand::Rng;
use players::{Piece, Player, Take, fitted, piece, record};
use ripieno_engine::fit::Fit;

struct Class {
    name: &'static str,
    marks: (bool, bool),
    changes: bool,
    player: fn(&mut Rng, &Piece) -> Player,
    /// A code that has to be among the findings, or the take has to be asked about.
    code: Option<&'static str>,
}

fn human(rng: &mut Rng) -> Player {
    Player {
        ratio_ppm: 80.0 * players::gauss(rng),
        lag_s: 0.005 + 0.015 * players::gauss(rng),
        jitter_s: 0.005 + 0.025 * rng.f64(),
        drift_s: 0.003 + 0.012 * rng.f64(),
        missing: 0.3 * rng.f64(),
        extra: 0.1 * rng.f64(),
        ..Player::steady()
    }
}

fn with(rng: &mut Rng, change: impl Fn(&mut Player)) -> Player {
    let mut player = human(rng);
    change(&mut player);
    player
}

const THIRD: f64 = 1.0 / 3.0;
const M: (bool, bool) = (true, false);
const BOTH: (bool, bool) = (true, true);
const NONE: (bool, bool) = (false, false);

#[rustfmt::skip]
fn classes() -> Vec<Class> {
    let class = |name, marks, player, code| Class { name, marks, changes: false, player, code };
    vec![
        class("two marks", BOTH, |r, _| human(r), None),
        class("white jitter 20 ms", M, |r, _| with(r, |p| { p.jitter_s = 0.02; p.drift_s = 0.0; p.missing = 0.0 }), None),
        class("human pulse", M, |r, _| human(r), None),
        class("beats only", M, |r, _| with(r, |p| p.rhythm = vec![(0.0, 0.9)]), None),
        class("eighths", M, |r, _| with(r, |p| p.rhythm = vec![(0.0, 0.9), (0.5, 0.9)]), None),
        class("off-beat", M, |r, _| with(r, |p| p.rhythm = vec![(0.0, 0.05), (0.5, 0.9)]), None),
        class("triplets", M, |r, _| with(r, |p| p.rhythm = vec![(0.0, 0.9), (THIRD, 0.8), (2.0 * THIRD, 0.8)]), None),
        class("swing", M, |r, _| with(r, |p| p.rhythm = vec![(0.0, 0.9), (2.0 * THIRD, 0.6)]), None),
        class("sixteenths", M, |r, _| with(r, |p| { p.rhythm = vec![(0.0, 0.9), (0.25, 0.6), (0.5, 0.8), (0.75, 0.6)]; p.jitter_s = p.jitter_s.min(0.02) }), None),
        class("bass, one a bar", M, |r, p| { let share = 1.1 / p.beats_per_bar as f64; with(r, |p| p.rhythm = vec![(0.0, share)]) }, None),
        class("strums", M, |r, _| { let w = 0.02 + 0.04 * r.f64(); with(r, |p| p.strum_s = w) }, None),
        class("soft attacks", M, |r, _| with(r, |p| { p.attack_sd_s = 0.03; p.rhythm = vec![(0.0, 0.5), (0.5, 0.1)] }), None),
        class("half missing, extras", M, |r, _| with(r, |p| { p.missing = 0.5; p.extra = 0.3 }), None),
        class("one section", M, |r, _| { let s = r.usize(..5); with(r, |p| p.sections = vec![s]) }, None),
        class("two far sections", M, |r, _| with(r, |p| p.sections = vec![0, 4]), None),
        class("free intro", M, |r, _| with(r, |p| p.rubato_beats = 40), None),
        class("loose 40 ms", M, |r, _| with(r, |p| p.jitter_s = 0.04), None),
        class("loose 75 ms", M, |r, _| with(r, |p| { p.jitter_s = 0.075; p.rhythm = vec![(0.0, 0.9)] }), None),
        class("tempo to ±1 %", M, |r, _| { let q = (r.f64() - 0.5) * 20_000.0; with(r, |p| p.ratio_ppm = q) }, None),
        Class { name: "tempo change in piece", marks: M, changes: true, player: |r, _| human(r), code: None },
        class("wireless 100-300 ms", M, |r, _| { let l = 0.1 + 0.2 * r.f64(); with(r, |p| p.lag_s = l) }, Some("lags")),
        class("wireless eighths", M, |r, _| { let l = 0.1 + 0.2 * r.f64(); with(r, |p| { p.lag_s = l; p.rhythm = vec![(0.0, 0.9), (0.5, 0.9)] }) }, Some("lags")),
        class("slip 60-300 ms", M, |r, _| { let (a, b) = (0.2 + 0.6 * r.f64(), (0.06 + 0.24 * r.f64()) * if r.bool() { 1.0 } else { -1.0 }); with(r, |p| p.slip = Some((a, b))) }, Some("slipped")),
        class("slip and back", M, |r, _| { let (a, b, c) = (0.2 + 0.5 * r.f64(), (0.06 + 0.84 * r.f64()) * if r.bool() { 1.0 } else { -1.0 }, 0.04 + 0.12 * r.f64()); with(r, |p| { p.slip = Some((a, b)); p.slip_back = Some(a + c) }) }, Some("slipped")),
        class("slip, two marks", BOTH, |r, _| { let (a, b) = (0.2 + 0.6 * r.f64(), 0.06 + 0.24 * r.f64()); with(r, |p| p.slip = Some((a, b))) }, Some("slipped")),
        class("wander 100 ms", M, |r, _| with(r, |p| p.wander_s = 0.1), Some("wanders")),
        class("no mark", NONE, |r, _| human(r), None),
        class("no mark, tempo ±1 %", NONE, |r, _| { let q = (r.f64() - 0.5) * 20_000.0; with(r, |p| p.ratio_ppm = q) }, None),
        class("no mark, weak harmony", NONE, |r, _| with(r, |p| p.harmony = 0.3), None),
        class("no mark, one section", NONE, |r, _| { let s = r.usize(..5); with(r, |p| p.sections = vec![s]) }, None),
        class("no mark, off-beat", NONE, |r, _| with(r, |p| p.rhythm = vec![(0.0, 0.05), (0.5, 0.9)]), None),
        Class { name: "no mark, tempo change", marks: NONE, changes: true, player: |r, _| human(r), code: None },
        class("half tempo", M, |r, _| with(r, |p| p.tempo = 0.5), Some("half_tempo")),
        class("double tempo", M, |r, _| with(r, |p| p.tempo = 2.0), Some("double_tempo")),
        class("tempo wrong by 3-15 %", M, |r, _| { let q = (0.03 + 0.12 * r.f64()) * if r.bool() { 1.0 } else { -1.0 }; with(r, |p| p.tempo = 1.0 + q) }, Some("wrong_tempo")),
        class("44.1 as 48", NONE, |r, _| with(r, |p| p.mislabelled = 44_100.0 / 48_000.0), Some("mislabelled_rate")),
        class("48 as 44.1", NONE, |r, _| with(r, |p| p.mislabelled = 48_000.0 / 44_100.0), Some("mislabelled_rate")),
    ]
}

#[derive(Default)]
struct Tally {
    right: usize,
    asked: usize,
    wrong: usize,
    said: usize,
    ratio: Vec<f64>,
    place: Vec<f64>,
    lag: Vec<f64>,
    ratio_held: usize,
    lag_held: usize,
    held_of: usize,
    top: usize,
}

impl Tally {
    fn add(&mut self, class: &Class, piece: &Piece, take: &Take, fit: Option<Fit>) {
        let Some(fit) = fit else {
            self.asked += 1;
            return;
        };
        let true_ratio = take.ratio_ppm;
        let end_s = piece.grid.beats_s[piece.grid.beats_s.len() - 1];
        // Without a mark the place found is that of the playing, its mean lag included.
        let truth = take.bar1_beat1_s + if class.marks.0 { 0.0 } else { take.lag_ms * 1e-3 };
        let start = (fit.bar1_beat1_s - truth).abs();
        let end = (fit.bar1_beat1_s - truth + (fit.ratio_ppm - true_ratio) * 1e-6 * end_s).abs();
        let lag = fit.lag_ms.map_or(0.0, |lag| (lag - take.lag_ms).abs());
        let close = start < 0.05 && end < 0.1 && lag < 60.0;
        let said = class.code.is_some_and(|code| fit.findings.iter().any(|f| f.code == code));
        self.said += said as usize;
        self.top += (start < 0.1) as usize;
        if std::env::var("SHOW").is_ok() {
            println!(
                "  start {:.1} ms end {:.1} ms | ratio {:.0} for {:.0} ± {:.0} | lag {:?} for {:.1} ± {:?} | \
                 {} {:?} spread {:?} p {:?} {:?}",
                (fit.bar1_beat1_s - truth) * 1e3,
                end * 1e3,
                fit.ratio_ppm,
                true_ratio,
                fit.ratio_sd_ppm,
                fit.lag_ms,
                take.lag_ms,
                fit.lag_sd_ms,
                fit.certain,
                fit.basis,
                fit.spread_ms,
                fit.candidates.iter().map(|c| (c.bar1_beat1_s - truth, c.odds)).collect::<Vec<_>>(),
                fit.findings.iter().map(|f| (f.code, f.value)).collect::<Vec<_>>()
            );
        }
        match (fit.certain, close) {
            (false, _) => self.asked += 1,
            (true, true) => self.right += 1,
            (true, false) => self.wrong += 1,
        }
        if close {
            self.ratio.push((fit.ratio_ppm - true_ratio).abs());
            self.place.push(start * 1e3);
            self.lag.push(lag);
            self.held_of += 1;
            let held = (fit.ratio_ppm - true_ratio).abs() < 1.96 * fit.ratio_sd_ppm;
            self.ratio_held += held as usize;
            let sd = fit.lag_sd_ms.unwrap_or(fit.bar1_beat1_sd_s * 1e3);
            let lag = if class.marks.0 { lag } else { start * 1e3 };
            self.lag_held += (lag < 1.96 * sd) as usize;
        }
    }
}

fn median_and_worst(values: &mut [f64]) -> (f64, f64) {
    values.sort_by(f64::total_cmp);
    match values.len() {
        0 => (f64::NAN, f64::NAN),
        count => (values[count / 2], values[count - 1]),
    }
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let trials: usize = arguments.next().and_then(|n| n.parse().ok()).unwrap_or(200);
    let wanted = arguments.next().unwrap_or_default();
    println!(
        "{:<24}{:>5}{:>6}{:>6}{:>6}{:>6}{:>6} |{:>8}{:>8} |{:>7}{:>8} |{:>7}{:>7} |{:>6}{:>6} |{:>6}",
        "class",
        "n",
        "right",
        "asked",
        "wrong",
        "said",
        "top",
        "ppm",
        "worst",
        "place",
        "worst",
        "lag",
        "worst",
        "ratio",
        "lag",
        "ms/fit"
    );
    for (index, class) in classes().iter().enumerate() {
        if !wanted.split('/').any(|part| class.name.contains(part)) {
            continue;
        }
        let mut rng = Rng::with_seed(1_000 + index as u64);
        let mut tally = Tally::default();
        let mut spent = std::time::Duration::ZERO;
        for _ in 0..trials {
            let piece = piece(&mut rng, class.changes);
            let player = (class.player)(&mut rng, &piece);
            let take = record(&mut rng, &piece, &player, class.marks);
            let start = std::time::Instant::now();
            let fit = fitted(&piece, &take);
            spent += start.elapsed();
            if std::env::var("SHOW").is_ok() {
                println!("  {player:?}");
            }
            tally.add(class, &piece, &take, fit);
        }
        let (ratio, place, lag) = (
            median_and_worst(&mut tally.ratio),
            median_and_worst(&mut tally.place),
            median_and_worst(&mut tally.lag),
        );
        let share = |held: usize| 100.0 * held as f64 / tally.held_of.max(1) as f64;
        println!(
            "{:<24}{:>5}{:>6}{:>6}{:>6}{:>6}{:>6} |{:>8.1}{:>8.1} |{:>7.2}{:>8.2} |{:>7.2}{:>7.1} |{:>6.1}{:>6.1} |{:>6.1}",
            class.name,
            trials,
            tally.right,
            tally.asked,
            tally.wrong,
            if class.code.is_some() { tally.said.to_string() } else { "-".into() },
            tally.top,
            ratio.0,
            ratio.1,
            place.0,
            place.1,
            lag.0,
            lag.1,
            share(tally.ratio_held),
            share(tally.lag_held),
            spent.as_secs_f64() * 1e3 / trials as f64
        );
    }
}
