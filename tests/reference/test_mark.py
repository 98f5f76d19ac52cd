"""The sync marks, found through what homes and codecs do to them.

Checked against: the truth of the trials; the Cramér-Rao bound for the delay of a known waveform,
sd >= 1 / (2 pi beta sqrt(2E/N0)) with beta the RMS frequency (H. L. Van Trees, Detection,
Estimation, and Modulation Theory, part I, section 4.2; from memory). The codecs are FFmpeg's own
libraries (PyPI av). The long study with its plots is study_mark.py, run by hand.
"""

import numpy as np
import pytest
from scipy import signal

import mark_trials as trials


@pytest.fixture(scope="module")
def marks():
    return trials.Marks()


def home(rng, x, rate):
    wet = trials.room(rng, rate, rng.uniform(0.2, 0.8), rng.uniform(-2, 6))
    return trials.phone(rng, signal.fftconvolve(x, wet)[: len(x)], rate)


def worst_us(result):
    return 1e6 * np.abs(result["error_s"]).max()


def test_clean_marks_lie_within_a_twentieth_of_a_sample(marks):
    for rate in (16_000, 44_100):
        result = trials.run(marks, np.random.default_rng(rate), 6, rate, 70, "white", 5_000)
        assert worst_us(result) * 1e-6 * rate < 0.05
        assert result["false"] == 0
        assert np.abs(result["skew_error_ppm"]).max() < 2.0


def test_under_white_noise_the_error_stays_within_3_db_of_the_bound(marks):
    rate, snr_db = 16_000, -6.0
    result = trials.run(marks, np.random.default_rng(1), 40, rate, snr_db, "white", 300)
    bounds = {}
    for which in ("opening", "closing"):
        x = marks.played(which, 4 * rate, rate, 2.0)
        power = np.abs(np.fft.rfft(x)) ** 2
        f = np.fft.rfftfreq(len(x), 1 / rate)
        beta = np.sqrt(np.sum(power * f**2) / np.sum(power))
        # Energy over noise density: mean power of the mark is set against the noise's.
        length = marks.length_s[which] * rate
        two_e_over_n0 = length * 10 ** (snr_db / 10)
        bounds[which] = 1 / (2 * np.pi * beta * np.sqrt(two_e_over_n0))
    ratio = result["error_s"] / np.array([bounds["opening"], bounds["closing"]] * 20)
    assert np.sqrt(np.mean(ratio**2)) < 1.41
    # And the stated uncertainty is no boast.
    assert np.mean(np.abs(result["error_s"]) < 2 * result["sd_s"]) > 0.9


@pytest.mark.parametrize("noise", ["talk", "music"])
def test_fifteen_decibels_under_other_sound_no_mark_is_missed(marks, noise):
    result = trials.run(marks, np.random.default_rng(2), 20, 16_000, -15, noise, 5_000)
    assert not np.isnan(result["error_s"]).any()
    assert result["false"] == 0
    assert worst_us(result) < 100


def test_a_telephone_band_keeps_the_place(marks):
    band = lambda x, rate: trials.band_limit(x, rate, 300, 3400)
    result = trials.run(
        marks, np.random.default_rng(3), 12, 16_000, -10, "talk", 5_000, file_channel=band
    )
    assert not np.isnan(result["error_s"]).any()
    assert worst_us(result) < 100 and result["false"] == 0


@pytest.mark.parametrize(
    "codec, bit_rate",
    [("aac", 64_000), ("libmp3lame", 96_000), ("libopus", 24_000), ("libopus", 64_000)],
)
def test_room_phone_and_codec_cost_less_than_a_millisecond(marks, codec, bit_rate):
    coded = lambda x, rate: trials.through_codec(x, rate, codec, bit_rate)
    result = trials.run(
        marks, np.random.default_rng(4), 8, 48_000, 10, "music", 200, home, file_channel=coded
    )
    assert not np.isnan(result["error_s"]).any()
    assert worst_us(result) < 1_000 and result["false"] == 0
