"""Sums against NumPy in float64; growth of incoherent sums.

Sources: NumPy's float64 sum is the reference; N equal uncorrelated sources are 10·log10 N louder
than one (addition of powers, any acoustics handbook); the sine-cosine pan law keeps
L² + R² = 1 (common practice, no source).
"""

import numpy as np
import pytest

from mastering import master_raw, write_raw

STEP = 2.0**-27


@pytest.fixture
def summed(tmp_path):
    master = master_raw()

    def run(signals, gains):
        words = []
        for number, (signal, (left, right)) in enumerate(zip(signals, gains)):
            path = tmp_path / f"{number}.f32"
            write_raw(path, [signal])
            words.append(f"{path}:{left!r}:{right!r}")
        out = tmp_path / "sum.i64"
        master("sum", out, *words)
        return np.fromfile(out, np.int64).reshape(-1, 2)[: len(signals[0])].astype(float) * STEP

    return run


def test_a_sum_is_numpys_in_float64(summed):
    rng = np.random.default_rng(11)
    signals = [rng.standard_normal(20_000).astype(np.float32) * 0.2 for _ in range(100)]
    gains = [tuple(float(np.float32(g)) for g in rng.uniform(-1, 1, 2)) for _ in signals]
    read = summed(signals, gains)
    exact = sum(np.outer(s.astype(float), g) for s, g in zip(signals, gains))
    error = read - exact
    # Half a step of rounding a stem and half a bit of the float32 product, as noise.
    assert np.abs(error).max() < 100 * (STEP / 2 + 2.0**-25)
    below_mix_db = 10 * np.log10(np.mean(error**2) / np.mean(exact**2))
    assert below_mix_db < -141.5, "not above the TPDF dither of 24 bit"
    running = np.zeros((len(signals[0]), 2), np.float32)
    for signal, gain in zip(signals, gains):
        running += np.outer(signal, np.float32(gain)).astype(np.float32)
    running_db = 10 * np.log10(np.mean((running - exact) ** 2) / np.mean(exact**2))
    assert below_mix_db < running_db, "a float32 running sum is worse"


@pytest.mark.parametrize("count", [2, 10, 100])
def test_incoherent_stems_grow_by_ten_log_n(summed, count):
    rng = np.random.default_rng(count)
    signals = [rng.standard_normal(60_000).astype(np.float32) * 0.1 for _ in range(count)]
    half = float(np.float32(np.sqrt(0.5)))
    mix = summed(signals, [(half, half)] * count)
    one = np.mean([np.mean(np.square(s, dtype=float)) for s in signals])
    grown_db = 10 * np.log10(np.mean(mix**2) * 2 / one)
    assert grown_db == pytest.approx(10 * np.log10(count), abs=0.1)
