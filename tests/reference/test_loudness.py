"""Loudness, true peak and the limiter.

Sources: EBU Tech 3341 v4 (November 2023), table 1, every synthetic case (7 and 8 are the EBU's own
programme files and not shipped); EBU Tech 3342, loudness range; ITU-R BS.1770-4, filter
coefficients at 48 kHz, for a meter written here from the recommendation alone. True peaks after
the limiter are read by SciPy's polyphase resampler at sixteen times the rate.
"""

import json

import numpy as np
import pytest
from scipy.signal import lfilter, resample_poly

from mastering import master_raw, write_raw

RATE = 48_000


@pytest.fixture(scope="module")
def master():
    return master_raw()


@pytest.fixture
def meter(master, tmp_path):
    def run(channels):
        path = tmp_path / "in.f32"
        write_raw(path, channels)
        return json.loads(master("meter", RATE, len(channels), path))

    return run


def sine(*segments):
    """1 kHz in segments of (seconds, peak dBFS), phase running on; None is silence."""
    level = np.concatenate(
        [
            np.full(round(seconds * RATE), 0.0 if db is None else 10 ** (db / 20))
            for seconds, db in segments
        ]
    )
    return level * np.sin(2 * np.pi * 1000 * np.arange(len(level)) / RATE)


def own_integrated(channels, weights):
    """BS.1770-4 from its text: two filters, 400 ms blocks every 100 ms, two gates."""
    shelf = ([1.53512485958697, -2.69169618940638, 1.19839281085285], [1, -1.69065929318241, 0.73248077421585])
    rlb = ([1.0, -2.0, 1.0], [1, -1.99004745483398, 0.99007225036621])
    weighted = [lfilter(*rlb, lfilter(*shelf, channel)) for channel in channels]
    block, hop = round(0.4 * RATE), round(0.1 * RATE)
    starts = range(0, len(weighted[0]) - block + 1, hop)
    power = np.array(
        [sum(w * np.mean(c[s : s + block] ** 2) for c, w in zip(weighted, weights)) for s in starts]
    )
    loudness = -0.691 + 10 * np.log10(np.maximum(power, 1e-30))
    gated = power[loudness > -70]
    relative = -0.691 + 10 * np.log10(gated.mean()) - 10
    return -0.691 + 10 * np.log10(power[loudness > max(relative, -70)].mean())


INTEGRATED = {
    "1": [(20, -23)],
    "2": [(20, -33)],
    "3": [(10, -36), (60, -23), (10, -36)],
    "4": [(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)],
    "5": [(20, -26), (20.1, -20), (20, -26)],
}


@pytest.mark.parametrize("case", INTEGRATED)
def test_tech_3341_integrated(meter, case):
    signal = sine(*INTEGRATED[case])
    read = meter([signal, signal])
    expected = -33.0 if case == "2" else -23.0
    assert read["integrated_lufs"] == pytest.approx(expected, abs=0.1)
    own = own_integrated([signal, signal], [1, 1])
    assert read["integrated_lufs"] == pytest.approx(own, abs=0.02)
    if case in "12":
        assert read["max_momentary_lufs"] == pytest.approx(expected, abs=0.1)
        assert read["max_short_term_lufs"] == pytest.approx(expected, abs=0.1)


def test_tech_3341_case_6_surround(meter):
    front, centre, surround = (sine((20, db)) for db in (-28, -24, -30))
    channels = [front, front, centre, surround, surround]
    read = meter(channels)["integrated_lufs"]
    assert read == pytest.approx(-23.0, abs=0.1)
    assert read == pytest.approx(own_integrated(channels, [1, 1, 1, 1.41, 1.41]), abs=0.02)


@pytest.mark.parametrize("step", range(0, 20, 3))
def test_tech_3341_bursts(meter, step):
    """Cases 10, 11 (short-term) and 13, 14 (momentary), at every third of the twenty shifts; the
    Rust tests of the meter go through all."""
    for unit, length, key in ((0.15, 3.0, "max_short_term_lufs"), (0.02, 0.4, "max_momentary_lufs")):
        shift = step * unit
        steady = sine((shift, None), (length, -23), (1, None))
        assert meter([steady, steady])[key] == pytest.approx(-23, abs=0.1)
        rising = sine((shift, None), (length, -38 + step), (length - shift, None))
        assert meter([rising, rising])[key] == pytest.approx(-38 + step, abs=0.1)


@pytest.mark.parametrize(
    ("case", "segments", "key"),
    [
        ("9", [(1.34, -20), (1.66, -30)] * 5, "max_short_term_lufs"),
        ("12", [(0.18, -20), (0.22, -30)] * 25, "max_momentary_lufs"),
    ],
)
def test_tech_3341_constant(meter, case, segments, key):
    signal = sine(*segments)
    assert meter([signal, signal])[key] == pytest.approx(-23, abs=0.1)


def faded(divisor, amplitude, degrees):
    n = np.arange(RATE)
    fade = np.minimum(np.minimum(n, RATE - n) / 480, 1)
    return amplitude * fade * np.sin(2 * np.pi * n / divisor + np.radians(degrees))


@pytest.mark.parametrize(
    ("divisor", "amplitude", "degrees", "expected"),
    [(4, 0.5, 0, -6), (4, 0.5, 45, -6), (6, 0.5, 60, -6), (8, 0.5, 67.5, -6), (4, 1.41, 45, 3)],
)
def test_tech_3341_true_peak_15_to_19(meter, divisor, amplitude, degrees, expected):
    tone = faded(divisor, amplitude, degrees)
    assert -0.4 <= meter([tone, tone])["true_peak_dbtp"] - expected <= 0.2


@pytest.mark.parametrize("offset", range(4))
def test_tech_3341_true_peak_20_to_23(meter, offset):
    """fs/6 at half scale holding one period of fs/4 at full scale, made at 4·fs, low-passed and
    decimated at four offsets."""
    n = np.arange(2 * RATE)
    start = 24 * 2000
    burst = (n >= start) & (n < start + 16)
    cycles = np.where(n < start, n / 24, np.where(burst, (n - start) / 16, (n - start - 16) / 24))
    fade = np.minimum(np.minimum(n, len(n) - n) / 1920, 1)
    high = np.where(burst, 1.0, 0.5) * fade * np.sin(2 * np.pi * cycles)
    low = resample_poly(np.roll(high, -offset), 1, 4, window=("kaiser", 12.0))
    assert -0.4 <= meter([low, low])["true_peak_dbtp"] <= 0.2


@pytest.mark.parametrize(
    ("levels", "expected"),
    [((-20, -30), 10), ((-20, -15), 5), ((-40, -20), 20), ((-50, -35, -20, -35, -50), 15)],
)
def test_tech_3342_range(meter, levels, expected):
    signal = sine(*((20, db) for db in levels))
    assert meter([signal, signal])["range_lu"] == pytest.approx(expected, abs=1)


def peak_16x_dbtp(signal):
    return 20 * np.log10(np.abs(resample_poly(signal, 16, 1, window=("kaiser", 12.0))).max())


def loud_signals():
    rng = np.random.default_rng(7)
    n = np.arange(2 * RATE)
    yield "white", 2.5 * rng.uniform(-1, 1, len(n))
    yield "clipped", np.clip(8 * rng.standard_normal(len(n)), -1.5, 1.5)
    yield "0.45 fs", 1.8 * np.sin(2 * np.pi * 0.45 * n + 0.3) * np.minimum(n / 480, 1)
    square = np.sign(np.sin(2 * np.pi * 987 * n / RATE))
    yield "square", 1.7 * square
    clicks = 0.05 * rng.standard_normal(len(n))
    clicks[:: 4111] = 5.0
    clicks[2::4111] = -4.0
    yield "clicks", clicks


@pytest.mark.parametrize(("name", "signal"), list(loud_signals()))
def test_no_true_peak_passes_the_limiter(master, tmp_path, name, signal):
    source, limited = tmp_path / "in.f32", tmp_path / "out.f32"
    write_raw(source, [signal])
    most_db = float(master("limit", RATE, 1, -1.0, source, limited))
    out = np.fromfile(limited, np.float32).astype(float)
    assert len(out) == len(signal)
    assert most_db > 1
    peak = peak_16x_dbtp(out)
    assert peak <= -1.0, name
    # It is a limiter, not a mute: the peak comes near the ceiling.
    assert peak > -2.6, name
