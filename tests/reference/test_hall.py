"""A recorded room against SciPy.

Sources: scipy.signal.fftconvolve in float64 on the same samples; soxr (PyPI) at its best quality;
the response's level by its definition (the mean of its channels' energies is 1).
"""

import numpy as np
import pytest
import soundfile
import soxr
from scipy.signal import fftconvolve

from mastering import master_raw, write_raw

RATE = 48_000


@pytest.fixture
def hall(tmp_path):
    master = master_raw()

    def run(response, response_rate, signal, wait_ms=0):
        wav, source, out = tmp_path / "ir.wav", tmp_path / "in.f32", tmp_path / "out.f32"
        soundfile.write(wav, response, response_rate, subtype="FLOAT")
        write_raw(source, list(signal))
        master("hall", RATE, wait_ms, wav, source, out)
        return np.fromfile(out, np.float32).reshape(-1, 2).T.astype(float)

    return run


def decaying(rng, seconds, rate, channels):
    frames = round(seconds * rate)
    decay = 10 ** (-3 * np.arange(frames) / frames)
    return (rng.standard_normal((frames, channels)) * decay[:, None]).astype(np.float32)


def unit(response):
    energy = (response.astype(float) ** 2).sum(axis=0).mean()
    return response.astype(float) / np.sqrt(energy)


@pytest.mark.parametrize(("seconds", "channels"), [(0.01, 1), (0.9, 2), (2.7, 1), (6.0, 2)])
def test_a_recorded_room_is_a_convolution(hall, seconds, channels):
    rng = np.random.default_rng(5)
    response = decaying(rng, seconds, RATE, channels)
    signal = (0.3 * rng.standard_normal((2, 5 * RATE + 123))).astype(np.float32)
    out = hall(response, RATE, signal, wait_ms=12.5)
    wait = round(0.0125 * RATE)
    for side in range(2):
        taps = np.concatenate([np.zeros(wait), unit(response)[:, min(side, channels - 1)]])
        expected = fftconvolve(signal[side].astype(float), taps)[: signal.shape[1]]
        assert np.abs(out[side] - expected).max() < 2e-6 * np.abs(expected).max()


def test_a_response_at_another_rate_sounds_the_same(hall):
    rng = np.random.default_rng(6)
    response = decaying(rng, 1.0, 96_000, 1)
    # It begins and ends softly, so that no filter is cut off at its edges.
    response[:1000] *= 0
    response[1000:3000] *= np.linspace(0, 1, 2000, dtype=np.float32)[:, None] ** 2
    response[-2000:] *= np.linspace(1, 0, 2000, dtype=np.float32)[:, None] ** 2
    signal = np.zeros((2, 2 * RATE), np.float32)
    signal[:, 0] = 1.0
    out = hall(response, 96_000, signal)[0]
    expected = soxr.resample(response[:, 0].astype(float), 96_000, RATE, quality="VHQ")
    # What lies below 18 kHz is kept by both: compare there, but for a gain.
    a, b = (np.fft.rfft(x[:RATE])[100:18_000] for x in (out, expected[:RATE]))
    gain = np.vdot(b, a) / np.vdot(b, b)
    residual_db = 10 * np.log10(np.sum(np.abs(a - gain * b) ** 2) / np.sum(np.abs(a) ** 2))
    assert residual_db < -60, residual_db
    assert abs(gain.imag / gain.real) < 1e-3, "not late"
