"""How well the marks are heard: the long study, run by hand.

    cargo build --release -p ripieno-engine --example locate_marks
    LOCATOR=target/release/examples/locate_marks python tests/reference/study_mark.py [TRIALS [POINT ...]]

Miss and false-alarm rates and place errors, TRIALS (2000) a point, against noise, rooms, bands,
codecs and clocks; numbers to tests/out/mark_study.json, plots beside it. A POINT is the beginning
of a point's name (`room/`, `codec/libopus`); without one all are run. Needs matplotlib.
"""

import json
import sys

import matplotlib
import numpy as np
from scipy import signal

import mark_trials as trials

matplotlib.use("Agg")
import matplotlib.pyplot as plt  # noqa: E402

OUT = trials.ROOT / "tests" / "out"
BATCH = 100
SNRS = [20, 10, 0, -5, -10, -15, -20, -25]


def measure(marks, count, seed, **how):
    """Runs `count` trials in batches and sums up."""
    rng = np.random.default_rng(seed)
    results = [trials.run(marks, rng, BATCH, **how) for _ in range(max(1, count // BATCH))]
    error = np.concatenate([r["error_s"] for r in results])
    sd = np.concatenate([r["sd_s"] for r in results])
    skew = np.concatenate([r["skew_error_ppm"] for r in results])
    heard = ~np.isnan(error)
    off = np.abs(error[heard]) * 1e6
    some = len(off) > 0
    return {
        "trials": len(error),
        "miss": float(1 - heard.mean()),
        "false": int(sum(r["false"] for r in results)),
        "rms_us": float(np.sqrt(np.mean(off**2))) if some else None,
        "median_us": float(np.median(off)) if some else None,
        "p95_us": float(np.percentile(off, 95)) if some else None,
        "worst_us": float(off.max()) if some else None,
        # Calibration: what a 95 % interval holds, and how far beyond its own the worst lies.
        "inside_95": float(np.mean(off < 1.96e6 * sd[heard])) if some else None,
        "worst_in_sd": float(np.max(off / (1e6 * sd[heard]))) if some else None,
        "beyond_1_ms": int(np.sum(off > 1_000)) if some else 0,
        "skew_median_ppm": float(np.nanmedian(np.abs(skew))) if some else None,
    }


def room_of(rt60_s):
    def channel(rng, x, rate):
        if rt60_s == 0:
            return x
        wet = trials.room(rng, rate, rt60_s, rng.uniform(-3, 6))
        return signal.fftconvolve(x, wet)[: len(x)]

    return channel


def home(rng, x, rate):
    return trials.phone(rng, room_of(rng.uniform(0.2, 0.8))(rng, x, rate), rate)


def points():
    """Name of each point and how it is made."""
    for noise in trials.NOISES:
        for snr in SNRS:
            how = dict(rate=16_000, snr_db=snr, noise=noise, ppm=5_000)
            yield f"noise/{noise}/{snr}", how
    for rt60 in (0, 0.4, 0.8, 1.2):
        how = dict(rate=16_000, snr_db=0, noise="talk", ppm=200, channel=room_of(rt60))
        yield f"room/{rt60}", how
    for low, high in ((300, 3400), (300, 5000), (100, 7000)):
        band = lambda x, rate, low=low, high=high: trials.band_limit(x, rate, low, high)
        how = dict(rate=16_000, snr_db=-10, noise="talk", ppm=200, file_channel=band)
        yield f"band/{low}-{high}", how
    wide = lambda x, rate: trials.band_limit(x, rate, 20, 16_000)
    how = dict(rate=48_000, snr_db=-10, noise="talk", ppm=200, file_channel=wide)
    yield "band/20-16000", how
    for ppm in (0, 150, 1_000, 5_000, 10_000):
        yield f"clock/{ppm}", dict(rate=16_000, snr_db=-10, noise="pink", ppm=ppm)
    for codec, rate in (("aac", 64), ("libmp3lame", 96), ("libopus", 24), ("libopus", 64)):
        coded = lambda x, hz, codec=codec, rate=rate: trials.through_codec(
            x, hz, codec, rate * 1000
        )
        how = dict(rate=48_000, snr_db=10, noise="music", ppm=200, channel=home)
        yield f"codec/{codec} {rate}k", dict(file_channel=coded, **how)


def bound_us(marks, snr_db, rate=16_000):
    """Cramér-Rao bound under white noise, the mean of both marks' variances."""
    variances = []
    for which in ("opening", "closing"):
        x = marks.played(which, 4 * rate, rate, 2.0)
        power = np.abs(np.fft.rfft(x)) ** 2
        f = np.fft.rfftfreq(len(x), 1 / rate)
        beta = np.sqrt(np.sum(power * f**2) / np.sum(power))
        two_e_over_n0 = marks.length_s[which] * rate * 10 ** (snr_db / 10)
        variances.append(1 / (2 * np.pi * beta) ** 2 / two_e_over_n0)
    return 1e6 * np.sqrt(np.mean(variances))


def plot(marks, found):
    figure, (rates, errors) = plt.subplots(1, 2, figsize=(12, 5))
    for noise in trials.NOISES:
        rows = [found.get(f"noise/{noise}/{snr}") for snr in SNRS]
        have = [(s, r) for s, r in zip(SNRS, rows) if r]
        rates.plot([s for s, _ in have], [100 * r["miss"] for _, r in have], "o-", label=noise)
        heard = [(s, r) for s, r in have if r["miss"] < 0.5]
        errors.semilogy([s for s, _ in heard], [r["rms_us"] for _, r in heard], "o-", label=noise)
    errors.semilogy(SNRS, [bound_us(marks, s) for s in SNRS], "k--", label="bound, white noise")
    rates.set(xlabel="mark under other sound, dB", ylabel="missed, %", title="Missed marks")
    errors.set(xlabel="mark under other sound, dB", ylabel="µs", title="RMS error of the place")
    for axes in (rates, errors):
        axes.grid(alpha=0.3)
        axes.legend()
    figure.tight_layout()
    figure.savefig(OUT / "mark_study_noise.png", dpi=90)
    names = [n for n in found if not n.startswith("noise/")]
    figure, axes = plt.subplots(figsize=(9, 6))
    y = np.arange(len(names))
    axes.barh(y, [max(found[n]["worst_us"], 0.01) for n in names], color="#9db4c0", label="worst")
    axes.barh(y, [max(found[n]["median_us"], 0.01) for n in names], color="#253237", label="median")
    labels = [f"{n}  (missed {found[n]['miss']:.1%}, false {found[n]['false']})" for n in names]
    axes.set_yticks(y, labels)
    axes.set(xscale="log", xlabel="error of the place, µs", title="Rooms, bands, clocks, codecs")
    axes.axvline(1000, color="k", linestyle="--")
    axes.invert_yaxis()
    axes.legend()
    figure.tight_layout()
    figure.savefig(OUT / "mark_study_channels.png", dpi=90)


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    wanted = tuple(sys.argv[2:]) or ("",)
    OUT.mkdir(exist_ok=True)
    path = OUT / "mark_study.json"
    found = json.loads(path.read_text()) if path.exists() else {}
    marks = trials.Marks()
    for seed, (name, how) in enumerate(points()):
        if not name.startswith(wanted):
            continue
        found[name] = measure(marks, count, seed, **how)
        if found[name]["rms_us"] is not None:
            bound = bound_us(marks, how["snr_db"], how["rate"])
            found[name]["rms_over_bound"] = found[name]["rms_us"] / bound
        print(name, json.dumps(found[name]), flush=True)
        path.write_text(json.dumps(found, indent=1))
    plot(marks, found)


if __name__ == "__main__":
    main()
