//! A straight line through samples whose errors drift.
//!
//! A player's deviations are not independent: they wander slowly, roughly as 1/f noise, so the
//! plain regression error is far too small. Here the errors are white noise plus a sum of
//! Ornstein-Uhlenbeck processes; generalised least squares is run by a Kalman filter for each
//! drift on a small grid, and the answers are averaged by their restricted likelihood
//! (Bayesian model averaging: Hoeting et al., Statistical Science 14, 1999; the augmented
//! filter: de Jong, Annals of Statistics 19, 1991).

/// One sample; `x` ascending.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sample {
    pub(crate) x: f64,
    pub(crate) y: f64,
    /// Variance of its white error as a multiple of the common one; large for a doubtful one.
    pub(crate) variance: f64,
}

/// `y = intercept + slope * x`, the intercept at `x = 0`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Line {
    pub(crate) intercept: f64,
    pub(crate) slope: f64,
    /// Variance of the intercept, covariance, variance of the slope.
    pub(crate) covariance: [f64; 3],
}

/// Time constants, as far as the span of the samples calls for them.
const TIME_CONSTANTS_S: [f64; 5] = [0.3, 1.5, 8.0, 40.0, 200.0];
/// Variance of the drift as a multiple of the white variance.
const DRIFTS: [f64; 7] = [0.01, 0.04, 0.15, 0.5, 1.5, 5.0, 20.0];
/// Prior odds of a player without drift against any one drift.
const STEADY: f64 = 40.0;
/// Prior odds of 1/f drift against drift with any one time constant.
const PINK: f64 = 8.0;
const MOST: usize = TIME_CONSTANTS_S.len();

/// The line, averaged over drifts; `None` for fewer than four samples or all at one `x`.
pub(crate) fn line_through_drift(samples: &[Sample]) -> Option<Line> {
    if samples.len() < 4 {
        return None;
    }
    let centre = samples.iter().map(|s| s.x).sum::<f64>() / samples.len() as f64;
    let span = samples[samples.len() - 1].x - samples[0].x;
    if span <= 0.0 {
        return None;
    }
    let known = TIME_CONSTANTS_S.iter().take_while(|&&tau| tau <= 2.0 * span.max(2.0)).count();
    let decays = decays(samples);
    let filtered = |shares: &[f64; MOST]| filtered(samples, &decays, centre, shares, known);
    let mut answers = vec![filtered(&[0.0; MOST])?];
    answers[0].log_evidence += STEADY.ln();
    for drift in DRIFTS {
        for single in 0..known {
            let mut shares = [0.0; MOST];
            shares[single] = drift;
            answers.extend(filtered(&shares));
        }
        let mut shares = [0.0; MOST];
        shares[..known].fill(drift / known as f64);
        answers.extend(filtered(&shares).map(|mut answer| {
            answer.log_evidence += PINK.ln();
            answer
        }));
    }
    Some(average(&answers, centre))
}

struct Answer {
    log_evidence: f64,
    mean: [f64; 2],
    covariance: [f64; 3],
}

/// How much of each process is left at a sample of what it was at the one before; none for the
/// first, and where no time has passed.
fn decays(samples: &[Sample]) -> Vec<Option<[f64; MOST]>> {
    let before = samples.iter().take(1).chain(samples);
    let steps = before.zip(samples).map(|(before, sample)| sample.x - before.x);
    steps
        .map(|step| (step > 0.0).then(|| TIME_CONSTANTS_S.map(|tau| (-step / tau).exp())))
        .collect()
}

/// Generalised least squares for one drift: `shares[j]` is the variance of the process with
/// time constant j.
fn filtered(
    samples: &[Sample],
    decays: &[Option<[f64; MOST]>],
    centre: f64,
    shares: &[f64; MOST],
    known: usize,
) -> Option<Answer> {
    let active: Vec<usize> = (0..known).filter(|&j| shares[j] > 0.0).collect();
    let count = active.len();
    let mut state = [[0.0f64; 3]; MOST];
    let mut p = [[0.0f64; MOST]; MOST];
    for (i, &j) in active.iter().enumerate() {
        p[i][i] = shares[j];
    }
    let (mut normal, mut log_det) = ([0.0f64; 6], 0.0);
    for (sample, decays) in samples.iter().zip(decays) {
        if let Some(decays) = decays {
            predict(&mut state, &mut p, &active, shares, decays);
        }
        let mut innovation = [sample.y, 1.0, sample.x - centre];
        let mut gain = [0.0; MOST];
        let mut variance = sample.variance;
        for i in 0..count {
            for (c, value) in innovation.iter_mut().enumerate() {
                *value -= state[i][c];
            }
            gain[i] = p[i][..count].iter().sum();
            variance += gain[i];
        }
        log_det += variance.ln();
        let [y, one, x] = innovation;
        for (sum, product) in
            normal.iter_mut().zip([y * y, y * one, y * x, one * one, one * x, x * x])
        {
            *sum += product / variance;
        }
        for i in 0..count {
            for (c, value) in innovation.iter().enumerate() {
                state[i][c] += gain[i] / variance * value;
            }
            for k in 0..count {
                p[i][k] -= gain[i] * gain[k] / variance;
            }
        }
    }
    solve(normal, log_det, samples.len())
}

fn predict(
    state: &mut [[f64; 3]; MOST],
    p: &mut [[f64; MOST]; MOST],
    active: &[usize],
    shares: &[f64; MOST],
    decays: &[f64; MOST],
) {
    let mut keep = [0.0; MOST];
    for (i, &j) in active.iter().enumerate() {
        keep[i] = decays[j];
        state[i].iter_mut().for_each(|value| *value *= keep[i]);
    }
    for i in 0..active.len() {
        for k in 0..active.len() {
            p[i][k] *= keep[i] * keep[k];
        }
        p[i][i] += shares[active[i]] * (1.0 - keep[i] * keep[i]);
    }
}

fn solve(normal: [f64; 6], log_det: f64, count: usize) -> Option<Answer> {
    let [yy, y1, yx, n11, n1x, nxx] = normal;
    let det = n11 * nxx - n1x * n1x;
    if det <= 1e-12 * n11 * nxx {
        return None;
    }
    let intercept = (y1 * nxx - yx * n1x) / det;
    let slope = (yx * n11 - y1 * n1x) / det;
    let freedom = count as f64 - 2.0;
    let rest = (yy - intercept * y1 - slope * yx).max(1e-18);
    let scale = rest / freedom;
    let log_evidence = -0.5 * (log_det + det.ln() + freedom * rest.ln());
    // A Student-t posterior with this many degrees of freedom has this much more variance.
    let wide = if freedom > 4.0 { freedom / (freedom - 2.0) } else { 3.0 };
    let covariance = [nxx, -n1x, n11].map(|value| value / det * scale * wide);
    Some(Answer { log_evidence, mean: [intercept, slope], covariance })
}

fn average(answers: &[Answer], centre: f64) -> Line {
    let best = answers.iter().map(|a| a.log_evidence).fold(f64::MIN, f64::max);
    let weights: Vec<f64> = answers.iter().map(|a| (a.log_evidence - best).exp()).collect();
    let total: f64 = weights.iter().sum();
    let mean_of = |value: &dyn Fn(&Answer) -> f64| -> f64 {
        answers.iter().zip(&weights).map(|(a, w)| w * value(a)).sum::<f64>() / total
    };
    let mid = mean_of(&|a| a.mean[0]);
    let slope = mean_of(&|a| a.mean[1]);
    let mid_var = mean_of(&|a| a.covariance[0] + (a.mean[0] - mid).powi(2));
    let cross = mean_of(&|a| a.covariance[1] + (a.mean[0] - mid) * (a.mean[1] - slope));
    let slope_var = mean_of(&|a| a.covariance[2] + (a.mean[1] - slope).powi(2));
    Line {
        intercept: mid - slope * centre,
        slope,
        covariance: [
            mid_var - 2.0 * centre * cross + centre * centre * slope_var,
            cross - centre * slope_var,
            slope_var,
        ],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gauss(rng: &mut fastrand::Rng) -> f64 {
        let (u, v) = (rng.f64().max(1e-12), rng.f64());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }

    /// Drift made as a sum of many sinusoids with a 1/f power spectrum: another construction
    /// than the one the fit assumes.
    fn pink(rng: &mut fastrand::Rng, span: f64) -> impl Fn(f64) -> f64 + use<> {
        let waves: Vec<(f64, f64, f64)> = (0..60)
            .map(|k| {
                let hz = 0.5 / span * (1.0 / (0.5 / span)).powf(k as f64 / 59.0);
                (hz, gauss(rng) / 60f64.sqrt(), std::f64::consts::TAU * rng.f64())
            })
            .collect();
        move |x| {
            let turn = std::f64::consts::TAU;
            waves.iter().map(|(hz, a, p)| a * 2f64.sqrt() * (turn * hz * x + p).sin()).sum()
        }
    }

    fn coverage(drift_sd: f64, white_sd: f64, count: usize, trials: usize) -> (f64, f64) {
        let mut rng = fastrand::Rng::with_seed(7);
        let span = 145.0;
        let (mut slope_held, mut intercept_held) = (0, 0);
        for _ in 0..trials {
            let drift = pink(&mut rng, span);
            let mut xs: Vec<f64> = (0..count).map(|_| rng.f64() * span).collect();
            xs.sort_by(f64::total_cmp);
            let samples: Vec<Sample> = xs
                .iter()
                .map(|&x| Sample {
                    x,
                    y: drift_sd * drift(x) + white_sd * gauss(&mut rng),
                    variance: 1.0,
                })
                .collect();
            let line = line_through_drift(&samples).unwrap();
            slope_held += (line.slope.abs() < 1.96 * line.covariance[2].sqrt()) as usize;
            intercept_held += (line.intercept.abs() < 1.96 * line.covariance[0].sqrt()) as usize;
        }
        (slope_held as f64 / trials as f64, intercept_held as f64 / trials as f64)
    }

    #[test]
    fn intervals_hold_the_truth_for_steady_and_for_drifting_players() {
        for (drift, white, count) in [
            (0.0, 0.02, 300),
            (0.0, 0.02, 60),
            (0.004, 0.02, 300),
            (0.008, 0.02, 300),
            (0.015, 0.015, 300),
            (0.03, 0.01, 200),
            (0.01, 0.02, 60),
            (0.01, 0.01, 1000),
        ] {
            let (slope, intercept) = coverage(drift, white, count, 250);
            assert!((0.90..=1.0).contains(&slope), "{slope} for {drift} {white} {count}");
            assert!((0.90..=1.0).contains(&intercept), "{intercept} for {drift} {white} {count}");
        }
    }
}
