"""Equaliser, compressor and room against SciPy.

Sources: Audio EQ Cookbook (R. Bristow-Johnson; W3C Working Group Note, 2021), forms typed here
from the note and evaluated by scipy.signal.freqz; static curve of a compressor with a hard knee
(Giannoulis, Massberg and Reiss, J. Audio Eng. Soc. 60(6), 2012, equation 2) and 1 − 1/e after one
attack; reverberation time by backward integration (Schroeder 1965; ISO 3382-1:2009, T20).
"""

import json

import numpy as np
import pytest
from scipy.signal import freqz

from mastering import master_raw, write_raw

RATE = 48_000


@pytest.fixture
def through(tmp_path):
    master = master_raw()

    def run(verb, settings, signal):
        source, out = tmp_path / "in.f32", tmp_path / "out.f32"
        write_raw(source, [signal, signal])
        master(verb, RATE, json.dumps(settings), source, out)
        return np.fromfile(out, np.float32).reshape(-1, 2).astype(float)

    return run


def cookbook(kind, hz, gain_db, q):
    w, a = 2 * np.pi * hz / RATE, 10 ** (gain_db / 40)
    c, s = np.cos(w), np.sin(w)
    alpha = s / (2 * q)
    if kind == "high-pass":
        return [(1 + c) / 2, -(1 + c), (1 + c) / 2], [1 + alpha, -2 * c, 1 - alpha]
    if kind == "low-pass":
        return [(1 - c) / 2, 1 - c, (1 - c) / 2], [1 + alpha, -2 * c, 1 - alpha]
    if kind == "bell":
        return [1 + alpha * a, -2 * c, 1 - alpha * a], [1 + alpha / a, -2 * c, 1 - alpha / a]
    sign = 1 if kind == "low-shelf" else -1
    t = 2 * np.sqrt(a) * alpha
    b = [
        a * ((a + 1) - sign * (a - 1) * c + t),
        sign * 2 * a * ((a - 1) - sign * (a + 1) * c),
        a * ((a + 1) - sign * (a - 1) * c - t),
    ]
    return b, [
        (a + 1) + sign * (a - 1) * c + t,
        -sign * 2 * ((a - 1) + sign * (a + 1) * c),
        (a + 1) + sign * (a - 1) * c - t,
    ]


@pytest.mark.parametrize(
    ("kind", "hz", "gain_db", "q"),
    [
        ("high-pass", 80, 0, 0.7071),
        ("low-pass", 9000, 0, 0.7071),
        ("low-shelf", 250, -5, 0.7071),
        ("high-shelf", 5000, 4, 0.9),
        ("bell", 1200, 6, 2.0),
        ("bell", 400, -9, 5.0),
    ],
)
def test_bands_have_the_cookbooks_response(through, kind, hz, gain_db, q):
    band = {"kind": kind, "hz": hz, "gain_db": gain_db, "q": q}
    impulse = np.zeros(RATE)
    impulse[0] = 1.0
    response = np.abs(np.fft.rfft(through("tone", {"bands": [band]}, impulse)[:, 0]))
    at = np.arange(20, 20_000, 7)
    _, expected = freqz(*cookbook(kind, hz, gain_db, q), worN=at, fs=RATE)
    read_db, expected_db = 20 * np.log10(response[at]), 20 * np.log10(np.abs(expected))
    loud = expected_db > -80
    assert np.abs(read_db - expected_db)[loud].max() < 0.01


@pytest.mark.parametrize("level_db", [-40, -24, -12, -3])
def test_a_compressors_static_curve(through, level_db):
    settings = {"threshold_db": -24, "ratio": 4, "knee_db": 0, "attack_ms": 5, "release_ms": 50}
    signal = np.full(2 * RATE, 10 ** (level_db / 20))
    out_db = 20 * np.log10(through("tone", {"compressor": settings}, signal)[-1, 0])
    expected = level_db if level_db <= -24 else -24 + (level_db + 24) / 4
    assert out_db == pytest.approx(expected, abs=0.02)


def test_a_compressors_step_response(through):
    settings = {"threshold_db": -40, "ratio": 20, "knee_db": 0, "attack_ms": 20, "release_ms": 3000}
    signal = np.full(RATE, 0.5)
    out_db = 20 * np.log10(through("tone", {"compressor": settings}, signal)[:, 0] / 0.5)
    full = out_db[-1]
    after_one = out_db[round(0.02 * RATE) - 1]
    assert after_one / full == pytest.approx(1 - np.exp(-1), abs=0.02)


@pytest.mark.parametrize("rt60_s", [0.6, 1.5, 3.0])
def test_a_rooms_decay(through, rt60_s):
    settings = {"rt60_s": rt60_s, "rt60_high_s": rt60_s, "pre_delay_ms": 20}
    impulse = np.zeros(round(RATE * (rt60_s * 1.5 + 0.2)))
    impulse[0] = 1.0
    response = through("room", settings, impulse)
    assert np.abs(response[: round(0.05 * RATE)]).max() == 0, "pre-delay and the shortest line"
    for channel in response.T:
        energy = np.cumsum(channel[::-1] ** 2)[::-1]
        decay_db = 10 * np.log10(energy / energy[0] + 1e-30)
        at = np.flatnonzero((decay_db <= -5) & (decay_db >= -25))
        slope = np.polyfit(at / RATE, decay_db[at], 1)[0]
        assert -60 / slope == pytest.approx(rt60_s, rel=0.08)
