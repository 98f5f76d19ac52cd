"""Trials for the sync marks: files full of marks, disturbed, and what the locator says of them.

Everything that disturbs is made here, with numpy and scipy, and shares no code with the engine.
The marks themselves are written by the engine at 16 times the usual rate and read between their
samples with a spline, so they can be played at any speed from any instant.
"""

import io
import json
import os
import pathlib
import subprocess
import tempfile

import av
import numpy as np
import soundfile
from scipy import interpolate, signal

ROOT = pathlib.Path(__file__).resolve().parents[2]
FINE_RATE = 768_000


def locator_path():
    """The example that finds marks: the release build if LOCATOR says so, else the debug one."""
    given = os.environ.get("LOCATOR")
    return given or str(ROOT / "target" / "debug" / "examples" / "locate_marks")


class Marks:
    """Both marks as functions of time."""

    def __init__(self):
        self.spline, self.origin_s, self.length_s = {}, {}, {}
        with tempfile.TemporaryDirectory() as folder:
            for which in ("opening", "closing"):
                path = f"{folder}/{which}.wav"
                said = subprocess.run(
                    [locator_path(), "--write", which, str(FINE_RATE), path],
                    check=True,
                    capture_output=True,
                    text=True,
                ).stdout
                samples, _ = soundfile.read(path)
                self.origin_s[which] = json.loads(said)["origin_sample"] / FINE_RATE
                self.length_s[which] = len(samples) / FINE_RATE
                knots = np.arange(len(samples)) / FINE_RATE
                self.spline[which] = interpolate.CubicSpline(knots, samples, extrapolate=False)

    def played(self, which, count, rate, at_s, ppm=0.0):
        """`count` samples in which the mark's origin lies at `at_s`, slower by `ppm`."""
        slow = 1 + ppm * 1e-6
        first = int((at_s - self.origin_s[which] * slow) * rate)
        last = first + int(self.length_s[which] * slow * rate) + 2
        first, last = max(first, 0), min(last, count)
        t = (np.arange(first, last) / rate - at_s) / slow + self.origin_s[which]
        x = np.zeros(count)
        x[first:last] = np.nan_to_num(self.spline[which](t))
        return x


def room(rng, rate, rt60_s, direct_to_reverberant_db):
    """An impulse response: direct sound, a few early reflections, an exponential noise tail."""
    count = max(int(rate * max(rt60_s, 0.03)), 1)
    t = np.arange(count) / rate
    tail = rng.standard_normal(count) * 10 ** (-3 * t / max(rt60_s, 1e-3)) * (t > 0.003)
    for _ in range(rng.integers(3, 8)):
        place = int(rng.uniform(0.0012, 0.025) * rate)
        if place < count:
            tail[place] += rng.choice([-1, 1]) * rng.uniform(1, 4) * np.sqrt(np.mean(tail**2) * 200)
    tail *= 10 ** (-direct_to_reverberant_db / 20) / max(np.sqrt(np.sum(tail**2)), 1e-12)
    tail[0] += 1.0
    return tail


def phone(rng, x, rate):
    """A small loudspeaker and a small microphone: high-pass, resonances, low-pass."""
    low = rng.uniform(250, 600)
    x = signal.sosfilt(signal.butter(2, low, "high", fs=rate, output="sos"), x)
    for _ in range(3):
        b, a = signal.iirpeak(rng.uniform(700, min(6000, 0.4 * rate)), rng.uniform(2, 6), fs=rate)
        x = x + rng.uniform(-0.6, 1.5) * signal.lfilter(b, a, x)
    top = min(rng.uniform(6000, 12000), 0.45 * rate)
    return signal.sosfilt(signal.butter(2, top, "low", fs=rate, output="sos"), x)


def band_limit(x, rate, low_hz, high_hz):
    """A steep linear-phase band-pass without delay."""
    taps = signal.firwin(801, [low_hz, min(high_hz, 0.49 * rate)], pass_zero=False, fs=rate)
    return signal.oaconvolve(x, taps, mode="same")


def pooled(make):
    """The same noise from a pool of a minute, in pieces with places and signs of their own."""
    pools = {}

    def draw(rng, count, rate):
        if rate not in pools:
            pools[rate] = normalised(make(np.random.default_rng(rate), 60 * rate, rate))
        pool = pools[rate]
        pieces, left, length = [], count, 8 * rate
        while left > 0:
            first = rng.integers(0, len(pool) - length)
            pieces.append(rng.choice([-1.0, 1.0]) * pool[first : first + length])
            left -= length
        return np.concatenate(pieces)[:count]

    return draw


def white(rng, count, rate):
    return rng.standard_normal(count)


def pink(rng, count, rate):
    spectrum = np.fft.rfft(rng.standard_normal(count))
    spectrum /= np.sqrt(np.maximum(np.fft.rfftfreq(count, 1 / rate), 40.0))
    return np.fft.irfft(spectrum, count)


def talk(rng, count, rate):
    """Noise with the spectrum and the syllables of talk."""
    x = pink(rng, count, rate)
    x = signal.sosfilt(signal.butter(1, [150, 1200], "band", fs=rate, output="sos"), x)
    knots = int(count / rate * 8) + 4
    level = np.interp(np.linspace(0, knots - 1, count), np.arange(knots), rng.random(knots) ** 3)
    return x * level


def music(rng, count, rate):
    """Chords of bright tones that change every half second."""
    x = np.zeros(count)
    step = int(0.45 * rate)
    t = np.arange(int(0.6 * rate)) / rate
    for first in range(0, count - len(t), step):
        for _ in range(4):
            f0 = 110 * 2 ** (rng.integers(0, 30) / 12)
            for n in range(1, 16):
                if f0 * n < 0.45 * rate:
                    decay = np.exp(-t * rng.uniform(1, 6)) / n
                    x[first : first + len(t)] += decay * np.sin(
                        2 * np.pi * (f0 * n * t + rng.random())
                    )
    return x + 0.01 * np.std(x) * rng.standard_normal(count)


NOISES = {"white": white, "pink": pooled(pink), "talk": pooled(talk), "music": pooled(music)}


def through_codec(x, rate, codec, bit_rate):
    """Encoded and decoded by FFmpeg's libraries, with the codec's delay taken off as they do."""
    container = {"aac": "mp4", "libmp3lame": "mp3", "libopus": "ogg"}[codec]
    file = io.BytesIO()
    with av.open(file, "w", format=container) as out:
        stream = out.add_stream(codec, rate=rate, layout="mono")
        stream.bit_rate = bit_rate
        frames = np.ascontiguousarray(x.astype(np.float32)[None])
        for first in range(0, frames.shape[1], 65_536):
            block = np.ascontiguousarray(frames[:, first : first + 65_536])
            frame = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = rate, first
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    file.seek(0)
    pieces = []
    with av.open(file) as back:
        resampler = av.AudioResampler("fltp", "mono", rate)
        for frame in back.decode(audio=0):
            pieces += [(f.pts, f.to_ndarray()[0]) for f in resampler.resample(frame)]
    y = np.concatenate([samples for _, samples in pieces])
    return align(x, y, rate)


def align(x, y, rate):
    """Takes off what delay the container's reader left, found on the whole sound."""
    n = 1 << 21
    n = min(n, len(x), len(y))
    cross = signal.correlate(y[:n], x[:n], mode="full", method="fft")
    lag = int(np.argmax(cross)) - (n - 1)
    y = y[lag:] if lag >= 0 else np.concatenate([np.zeros(-lag), y])
    return np.pad(y, (0, max(0, len(x) - len(y))))[: len(x)]


def run(marks, rng, trials, rate=48_000, snr_db=30.0, noise="pink", ppm=0.0, channel=None,
        file_channel=None):
    """Lays `trials` marks in one file and has it searched.

    `channel(rng, x, rate)` disturbs each mark, `file_channel(x, rate)` the file. `snr_db` is the
    mark's mean power over the noise's. Gives errors in seconds (nan for a miss), their stated
    standard uncertainties, skew errors, and the number of sure arrivals where no mark is.
    """
    spacing = int(2.6 * rate)
    count = spacing * trials + rate
    x = np.zeros(count)
    truth = []
    for trial in range(trials):
        which = "opening" if trial % 2 == 0 else "closing"
        slow = rng.uniform(-ppm, ppm)
        lead = spacing * trial
        at_s = 1.1 + 0.4 * rng.random()
        mark = marks.played(which, int(2.6 * rate), rate, at_s, slow)
        level = np.sqrt(np.sum(mark**2) / (marks.length_s[which] * rate))
        if channel:
            mark = channel(rng, mark, rate)
        x[lead : lead + len(mark)] += mark[: count - lead] * (0.1 / level)
        truth.append((which, lead / rate + at_s, slow))
    x += 0.1 * 10 ** (-snr_db / 20) * normalised(NOISES[noise](rng, count, rate))
    if file_channel:
        x = file_channel(x, rate)
    return judge(search(x, rate, trials), truth)


def normalised(x):
    return x / np.sqrt(np.mean(x**2))


def search(x, rate, trials):
    with tempfile.TemporaryDirectory() as folder:
        path = f"{folder}/take.wav"
        soundfile.write(path, (x / max(1.0, np.abs(x).max())), rate, subtype="FLOAT")
        said = subprocess.run(
            [locator_path(), path],
            check=True,
            capture_output=True,
            text=True,
            env={**os.environ, "MOST": str(4 * trials + 8)},
        ).stdout
    return json.loads(said)


def judge(said, truth):
    sure = {w: [a for a in said[w] if a["score"] >= 0.5] for w in ("opening", "closing")}
    result = {"error_s": [], "sd_s": [], "skew_error_ppm": [], "skew_sd_ppm": [], "false": 0}
    for which, arrivals in sure.items():
        places = [at for w, at, _ in truth if w == which]
        far = lambda a: all(abs(a["at_s"] - at) > 0.05 for at in places)
        result["false"] += sum(far(a) for a in arrivals)
    for which, at, slow in truth:
        near = [a for a in sure[which] if abs(a["at_s"] - at) <= 0.05]
        best = max(near, key=lambda a: a["score"]) if near else None
        result["error_s"].append(best["at_s"] - at if best else np.nan)
        result["sd_s"].append(best["sd_s"] if best else np.nan)
        skew = best["skew_ppm"] if best else None
        result["skew_error_ppm"].append(np.nan if skew is None else skew - slow)
        result["skew_sd_ppm"].append(np.nan if skew is None else best["skew_sd_ppm"])
    return {key: np.array(value) for key, value in result.items()}
