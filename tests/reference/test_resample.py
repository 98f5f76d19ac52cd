"""The resampler against analytic sines and against libsoxr (PyPI soxr), by quality VHQ.

Sources: the signals are sines in closed form, so the expected value of every output sample is
known without any resampler; libsoxr VHQ is the general-purpose reference for
music-like noise. Noise to signal is judged after fitting amplitude and phase at the known
frequency, as IEC 61606-1 does for THD+N with a notch.
"""

import subprocess

import numpy as np
import pytest
import soxr

from sound_files import example

GRID = 48_000


@pytest.fixture(scope="module")
def lay(tmp_path_factory):
    binary = example("resample_raw")
    folder = tmp_path_factory.mktemp("resample")

    def run(wave, file_rate, grid_rate=GRID, offset_s=0.0, ppm=0.0, first=0, count=None):
        speed = file_rate / grid_rate * (1 + ppm * 1e-6)
        if count is None:
            count = int((len(wave) - offset_s * file_rate) / speed)
        source, laid = folder / "in.f32", folder / "out.f32"
        np.asarray(wave, np.float32).tofile(source)
        arguments = [file_rate, grid_rate, repr(offset_s), repr(ppm), first, count]
        subprocess.run([binary, source, laid, *map(str, arguments)], check=True, capture_output=True)
        return np.fromfile(laid, np.float32).astype(float)

    return run


def tone(frequency, rate, seconds=2.0, amplitude=0.5):
    return amplitude * np.sin(2 * np.pi * frequency * np.arange(int(rate * seconds)) / rate)


def fitted(wave, frequency, rate):
    """Amplitude of the sine at `frequency` and the RMS of all else, edges left out."""
    n = np.arange(len(wave))
    inner = slice(4000, len(wave) - 4000)
    basis = np.stack([np.sin(2 * np.pi * frequency * n / rate), np.cos(2 * np.pi * frequency * n / rate)], 1)[inner]
    weights, *_ = np.linalg.lstsq(basis, wave[inner], rcond=None)
    rest = wave[inner] - basis @ weights
    return np.hypot(*weights), np.sqrt(np.mean(rest**2))


CASES = [
    # file rate, grid rate, ratio in ppm, offset
    (44_100, 48_000, 0.0, 0.25),
    (44_100, 48_000, 137.3, 0.123456),
    (48_000, 48_000, -88.1, 0.2500001),
    (48_000, 48_000, 5_000.0, 0.1),
    (96_000, 48_000, 21.0, 0.1003),
    (192_000, 48_000, -21.0, 0.1003),
    (48_000, 44_100, 60.0, 0.1),
    (32_000, 48_000, 10.0, 0.1),
    (22_050, 48_000, -10.0, 0.1),
]


@pytest.mark.parametrize("file_rate,grid_rate,ppm,offset_s", CASES)
def test_noise_stays_120_db_below_a_tone(lay, file_rate, grid_rate, ppm, offset_s):
    nyquist = min(file_rate, grid_rate) / 2
    for share in (0.0414, 0.31, 0.6, 0.79, 0.9):
        frequency = share * nyquist
        laid = lay(tone(frequency, file_rate), file_rate, grid_rate, offset_s, ppm)
        heard = frequency * (1 + ppm * 1e-6)
        amplitude, rest = fitted(laid, heard, grid_rate)
        assert 20 * np.log10(rest / (amplitude / np.sqrt(2))) < -120, (frequency, amplitude)


@pytest.mark.parametrize("file_rate,grid_rate,ppm,offset_s", CASES)
def test_place_is_exact(lay, file_rate, grid_rate, ppm, offset_s):
    """The phase of a tone gives the delay to far below a sample."""
    frequency = 1_000.0
    laid = lay(tone(frequency, file_rate), file_rate, grid_rate, offset_s, ppm)
    n = np.arange(len(laid))
    expected = 0.5 * np.sin(2 * np.pi * frequency * (offset_s + n / grid_rate * (1 + ppm * 1e-6)))
    inner = slice(2_000, -2_000)
    assert np.max(np.abs(laid[inner] - expected[inner])) < 2e-6


@pytest.mark.parametrize("file_rate,grid_rate,ppm,offset_s", CASES)
def test_pass_band_is_flat(lay, file_rate, grid_rate, ppm, offset_s):
    limit = min(file_rate, grid_rate) / 2
    for frequency, most_db in ((100, 0.01), (5_000, 0.01), (10_000, 0.01), (19_000, 0.01), (20_000, 0.1)):
        if frequency > 0.907 * limit:
            continue
        laid = lay(tone(frequency, file_rate, 1.0), file_rate, grid_rate, offset_s, ppm)
        amplitude, _ = fitted(laid, frequency * (1 + ppm * 1e-6), grid_rate)
        assert abs(20 * np.log10(amplitude / 0.5)) < most_db, frequency


@pytest.mark.parametrize("file_rate,frequencies", [
    (96_000, (24_100, 26_000, 30_000, 40_000, 47_000)),
    (192_000, (24_100, 30_000, 60_000, 90_000)),
])
def test_what_is_above_the_grid_does_not_fold(lay, file_rate, frequencies):
    for frequency in frequencies:
        laid = lay(tone(frequency, file_rate), file_rate)
        rest = np.sqrt(np.mean(laid[4_000:-4_000] ** 2)) / (0.5 / np.sqrt(2))
        assert 20 * np.log10(rest + 1e-30) < -120, frequency


def test_noise_agrees_with_its_own_trigonometric_polynomial_and_with_soxr(lay):
    """Periodic noise is a trigonometric polynomial: its value between samples is exact by FFT.

    libsoxr VHQ is compared below 10 kHz only: above, it is itself off that value (-95 dB at
    17.5 kHz, measured here).
    """
    random = np.random.default_rng(5)
    frames, inner = 44_100 * 4, slice(10_000, 150_000)
    for limit, beside_soxr in ((19_000, False), (10_000, True)):
        spectrum = np.fft.rfft(random.standard_normal(frames))
        spectrum[np.fft.rfftfreq(frames, 1 / 44_100) > limit] = 0
        wave = (0.1 * np.fft.irfft(spectrum)).astype(np.float32)
        padded = np.zeros(GRID * 2 + 1, complex)
        padded[: len(spectrum)] = np.fft.rfft(wave.astype(float))
        expected = np.fft.irfft(padded) * GRID / 44_100
        if beside_soxr:
            other = soxr.resample(wave.astype(float), 44_100, GRID, "VHQ")
            assert level(other[inner] - expected[inner], expected[inner]) < -120
        laid = lay(wave, 44_100)
        assert level(laid[inner] - expected[inner], expected[inner]) < -120


def level(difference, whole):
    return 10 * np.log10(np.mean(difference**2) / np.mean(whole**2))


def test_a_chirp_at_an_odd_ratio_agrees_with_its_formula(lay):
    seconds, rate = 4.0, 44_100
    t = np.arange(int(rate * seconds)) / rate
    phase = lambda t: 2 * np.pi * (20 * t + (18_000 - 20) / seconds * t * t / 2)
    laid = lay(0.5 * np.sin(phase(t)), rate, GRID, 0.1, 1_234.5)
    u = 0.1 + np.arange(len(laid)) / GRID * (1 + 1_234.5e-6)
    difference = (laid - 0.5 * np.sin(phase(u)))[4_000:-4_000]
    assert 10 * np.log10(np.mean(difference**2) / 0.125) < -120
